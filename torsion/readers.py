"""Readers: the bytes of a picture file become an 8-bit picture as displayed.

One table, `READERS`, with one entry for each format; a new format is one more entry.  Headers are read and
the size is checked before anything is decoded.  Pillow is used through the classes of its formats, not by
``Image.open``, because the latter obeys a process-wide pixel limit and warns.
"""

import io
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray
from PIL import ImageFile
from PIL.BmpImagePlugin import BmpImageFile
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import TiffImageFile
from PIL.WebPImagePlugin import WebPImageFile
from simplejpeg import decode_jpeg

from torsion.angles import Eye
from torsion.dicom import read_dicom
from torsion.errors import PhotoError
from torsion.exif import (
    BITS,
    ORIENTATION,
    PHOTOMETRIC,
    RAW_VERSION,
    SUBFILE,
    Fields,
    directory_fields,
    orientation_and_time,
)
from torsion.raster import (
    Picture,
    Samples,
    Source,
    check_size,
    decoding,
    finished,
    reduction,
    samples_of,
)

import cv2  # isort: skip  (after raster, which says what is missing where this fails)

__all__ = ["READERS", "Reader", "decode"]

_Kind = TypeVar("_Kind", bound=ImageFile.ImageFile)


@dataclass(frozen=True, slots=True)
class Reader:
    """One format: its name, a test of the file's first bytes, and the function that reads it."""

    format: str
    recognises: Callable[[bytes], bool]
    read: Callable[[Source], Picture]


def decode(data: bytes, name: str, *, eye: Eye | None = None, max_side_px: int | None = None) -> Picture:
    """Decode the bytes of a picture file; see `torsion.intake.read_photo` for what is promised.

    Raises
    ------
    PhotoError
        If the bytes are no picture in a format of `READERS` or cannot be used; the sentence names the file.
    """
    for reader in READERS:
        if reader.recognises(data[:256]):
            return reader.read(Source(data, name, eye, max_side_px))
    formats = ", ".join(reader.format for reader in READERS)
    msg = f"'{name}' is not a picture in a format that can be read ({formats})"
    raise PhotoError(msg)


def _opened(source: Source, format: str, kind: Callable[[io.BytesIO], _Kind], data: bytes) -> _Kind:
    """Open a picture without decoding it, and refuse it if its size or its number of pictures will not do."""
    with decoding(source, format):
        image = kind(io.BytesIO(data))
    check_size(source.name, *image.size)
    with decoding(source, format):
        pages = getattr(image, "n_frames", 1)
        smaller = isinstance(image, TiffImageFile) and pages > 1 and _only_smaller_copies(image, pages)
    if pages > 1 and not smaller:
        msg = f"'{source.name}' holds {pages} pictures; save the wanted one as a file of its own"
        raise PhotoError(msg)
    return image


def _only_smaller_copies(image: TiffImageFile, pages: int) -> bool:
    """Whether all pages of a TIFF after the first are previews of it."""
    kinds = []
    for page in range(1, pages):
        image.seek(page)
        kinds.append(image.tag_v2.get(SUBFILE, 0))
    image.seek(0)
    return all(kind & 1 for kind in kinds)


def _read_jpeg(source: Source) -> Picture:
    with decoding(source, "JPEG"):
        width_px, height_px, colours, exif, scan_at = _jpeg_header(source.data)
    if source.data.rfind(b"\xff\xd9", scan_at) < 0:  # these two bytes never occur in coded data
        msg = f"'{source.name}' is truncated: the end marker of its JPEG data is missing"
        raise PhotoError(msg)
    check_size(source.name, width_px, height_px)
    scale = reduction(width_px, height_px, source.max_side_px)
    if width_px % scale or height_px % scale or colours == 4:
        scale = 1  # the decoder leaves incomplete blocks where turning may bring them to the left or the top
    with decoding(source, "JPEG"):
        if colours == 4:  # CMYK, which OpenCV reads wrongly
            samples = samples_of(source, JpegImageFile(io.BytesIO(source.data)))
        else:
            samples = decode_jpeg(
                source.data,
                "GRAY" if colours == 1 else "RGB",
                min_height=height_px // scale,
                min_width=width_px // scale,
                strict=True,  # what is damaged inside is no photo, though most of it would decode
            )
    return finished(source, samples, *orientation_and_time(exif), scale=scale)


def _jpeg_header(data: bytes) -> tuple[int, int, int, bytes, int]:
    """Width, height, number of colours, EXIF block and start of the coded data of a JPEG file (T.81, B.2)."""
    frame, exif, at = b"", b"", 2
    while True:
        at = data.index(b"\xff", at)
        marker = data[at + 1]
        if marker == 0xDA:
            height, width, colours = struct.unpack_from(">HHB", frame, 5)
            return width, height, colours, exif, at
        if marker in (0x00, 0x01, 0xFF) or 0xD0 <= marker <= 0xD9:
            at += 1 if marker == 0xFF else 2  # fill bytes and markers without content
            continue
        segment = data[at : at + 2 + int.from_bytes(data[at + 2 : at + 4])]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            frame = segment
        if marker == 0xE1 and segment[4:10] == b"Exif\0\0":
            exif = exif or segment[4:]
        at += max(len(segment), 4)


def _read_png(source: Source) -> Picture:
    image = _opened(source, "PNG", PngImageFile, source.data)
    with decoding(source, "PNG"):
        PngImageFile(io.BytesIO(source.data)).verify()  # check sums, up to the end
        samples: Samples = samples_of(source, image)
        if source.data[24:26] in (b"\x10\x02", b"\x10\x06"):  # 16-bit colour, which Pillow cuts to 8
            samples = _deep_colour(source.data)
    return finished(source, samples, *orientation_and_time(image.info.get("exif", b"")))


def _read_webp(source: Source) -> Picture:
    image = _opened(source, "WebP", WebPImageFile, source.data)
    with decoding(source, "WebP"):
        samples = samples_of(source, image)
    return finished(source, samples, *orientation_and_time(image.info.get("exif", b"")))


def _read_bmp(source: Source) -> Picture:
    image = _opened(source, "BMP", BmpImageFile, source.data)
    with decoding(source, "BMP"):
        samples = samples_of(source, image)
    return finished(source, samples, 1, None)


def _read_tiff(source: Source) -> Picture:
    fields = directory_fields(source.data)
    if fields.order and not fields.whole:
        msg = f"'{source.name}' is truncated: its TIFF directory points beyond the end of the file"
        raise PhotoError(msg)
    if fields.number(SUBFILE) & 1 or RAW_VERSION in fields.entries:
        msg = f"'{source.name}' is a raw file that starts with a preview; export it as JPEG or TIFF"
        raise PhotoError(msg)
    image = _opened(source, "TIFF", TiffImageFile, source.data)
    orientation, captured_at = orientation_and_time(source.data)
    with decoding(source, "TIFF"):
        bits, colours = image.tag_v2.get(BITS, ()), image.tag_v2.get(PHOTOMETRIC)
        if fields.order and colours == 2 and bits in ((16,) * 3, (16,) * 4):  # Pillow would cut it to 8 bits
            samples: Samples = _deep_colour(_without_orientation(source.data, fields))
        else:
            samples = samples_of(source, image)
            orientation = image.getexif().get(ORIENTATION, 1)  # Pillow has turned it and dropped the field
    return finished(source, samples, orientation, captured_at)


def _without_orientation(data: bytes, fields: Fields) -> bytes:
    """TIFF whose orientation says "as stored": OpenCV obeys the field, or fails on it, by version."""
    if ORIENTATION not in fields.entries:
        return data
    at, length = fields.entries[ORIENTATION]
    return data[:at] + struct.pack(fields.order + ("H" if length == 2 else "I"), 1) + data[at + length :]


def _deep_colour(data: bytes) -> NDArray[np.uint16]:
    """16-bit colour as stored, RGB or RGB with opacity."""
    stored = cast(NDArray[np.uint16], cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED))
    code = cv2.COLOR_BGRA2RGBA if stored.shape[2] == 4 else cv2.COLOR_BGR2RGB
    return cast(NDArray[np.uint16], cv2.cvtColor(stored, code))


def _read_heic(source: Source) -> Picture:
    try:
        import pillow_heif
    except ImportError:
        msg = f"'{source.name}' is a HEIC picture, which needs a further package: pip install 'torsion[heic]'"
        raise PhotoError(msg) from None
    with decoding(source, "HEIC"):
        heif = pillow_heif.open_heif(io.BytesIO(source.data))
        check_size(source.name, *heif.size)
        samples = samples_of(source, heif.to_pillow())
    _, captured_at = orientation_and_time(heif.info.get("exif") or b"")
    return finished(source, samples, 1, captured_at)  # turned by the decoder; EXIF must not turn it again


def _is_heic(head: bytes) -> bool:
    brands = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1")
    return head[4:8] == b"ftyp" and head[8:12] in brands


def _is_tiff(head: bytes) -> bool:
    return head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+") and not _is_dicom(head)


def _is_dicom(head: bytes) -> bool:
    return head[128:132] == b"DICM"  # what stands before it is free, and may make the file a TIFF as well


READERS = (
    Reader("JPEG", lambda head: head.startswith(b"\xff\xd8\xff"), _read_jpeg),
    Reader("PNG", lambda head: head.startswith(b"\x89PNG\r\n\x1a\n"), _read_png),
    Reader("TIFF", _is_tiff, _read_tiff),
    Reader("BMP", lambda head: head.startswith(b"BM"), _read_bmp),
    Reader("WebP", lambda head: head[:4] == b"RIFF" and head[8:12] == b"WEBP", _read_webp),
    Reader("HEIC", _is_heic, _read_heic),
    Reader("DICOM", _is_dicom, read_dicom),
)
