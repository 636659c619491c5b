"""Readers: the bytes of a picture file become an 8-bit picture as displayed.

One table, `READERS`, with one entry for each format; a new format is one more entry.  Headers are read and
the size is checked before anything is decoded.  Pillow is used through the classes of its formats, not by
``Image.open``, because the latter obeys a process-wide pixel limit and warns.
"""

import io
import re
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFile
from PIL.BmpImagePlugin import BmpImageFile
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import TiffImageFile
from PIL.WebPImagePlugin import WebPImageFile

from torsion.angles import Eye
from torsion.errors import PhotoError

if TYPE_CHECKING:
    from pydicom import Dataset

try:
    import cv2
except ImportError as fault:  # on a bare Linux a C library is missing, and the fault names no package
    msg = (
        f"OpenCV cannot be loaded ({fault}); install its system library (apt-get install libgl1) "
        "or the variant that needs none (pip install opencv-python-headless)"
    )
    raise ImportError(msg) from fault

__all__ = [
    "MAX_MEGAPIXELS",
    "MIN_SIDE_PX",
    "READERS",
    "Picture",
    "Reader",
    "Source",
    "check_size",
    "decode",
    "eight_bit",
]

MIN_SIDE_PX = 200
MAX_MEGAPIXELS = 200
_MID_GREY = 128

_Kind = TypeVar("_Kind", bound=ImageFile.ImageFile)
Samples = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """What a reader is given: the file's bytes and name, the eye said to be in it, the size wanted."""

    data: bytes
    name: str
    eye: Eye | None = None
    max_side_px: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """What a reader returns: 8-bit pixels as displayed, (H, W, 3) or (H, W), and the full picture's size."""

    pixels: NDArray[np.uint8]
    width_px: int
    height_px: int
    scale: int = 1
    captured_at: str | None = None
    eye: Eye | None = None


@dataclass(frozen=True, slots=True)
class Reader:
    """One format: its name, a test of the file's first bytes, and the function that reads it."""

    format: str
    recognises: Callable[[bytes], bool]
    read: Callable[[Source], Picture]


def decode(data: bytes, name: str, *, eye: Eye | None = None, max_side_px: int | None = None) -> Picture:
    """Decode the bytes of a picture file; see `torsion.photo.read_photo` for what is promised.

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


def check_size(name: str, width_px: int, height_px: int) -> None:
    """Refuse pictures too small to hold an eye or too large to be a photo.

    Raises
    ------
    PhotoError
        If the smaller side is under 200 px or the picture has over 200 megapixels.
    """
    if min(width_px, height_px) < MIN_SIDE_PX:
        msg = f"'{name}' is {width_px} x {height_px} px; its smaller side must be at least {MIN_SIDE_PX} px"
        raise PhotoError(msg)
    if width_px * height_px > MAX_MEGAPIXELS * 1_000_000:
        msg = (
            f"'{name}' is {width_px} x {height_px} px, {width_px * height_px / 1e6:.1f} megapixels; "
            f"at most {MAX_MEGAPIXELS} are allowed"
        )
        raise PhotoError(msg)


def eight_bit(samples: Samples) -> NDArray[np.uint8]:
    """Bring samples to 8 bits and lay what is transparent on mid-grey.

    Parameters
    ----------
    samples : (H, W) or (H, W, C) ndarray of uint8 or uint16
        C = 1 grey, 2 grey and opacity, 3 RGB, 4 RGB and opacity.

    Returns
    -------
    (H, W) or (H, W, 3) ndarray of uint8
        The same memory where nothing is to be done.
    """
    if samples.ndim == 3 and samples.shape[2] in (2, 4):
        colour = _narrowed(samples[..., :-1]).astype(np.uint16)
        opacity = _narrowed(samples[..., -1:]).astype(np.uint16)
        laid = (colour * opacity + _MID_GREY * (255 - opacity) + 127) // 255
        return _squeezed(laid.astype(np.uint8))
    return _squeezed(_narrowed(samples))


def _narrowed(samples: Samples) -> NDArray[np.uint8]:
    """16 bits to 8.  Cameras of 10, 12 and 14 bits store small numbers: their range is taken as full."""
    if samples.dtype == np.uint8:
        return cast(NDArray[np.uint8], samples)
    largest = int(samples.max())
    full = next(2**bits - 1 for bits in (8, 10, 12, 14, 16) if largest < 2**bits)
    table = np.rint(np.arange(full + 1) * (255.0 / full)).astype(np.uint8)
    return cast(NDArray[np.uint8], table[samples])


def _squeezed(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return pixels[..., 0] if pixels.ndim == 3 and pixels.shape[2] == 1 else pixels


def _reduction(width_px: int, height_px: int, max_side_px: int | None) -> int:
    """How many times smaller to read the picture: 1, 2 or 4."""
    if max_side_px is None:
        return 1
    longer = max(width_px, height_px)
    return 4 if longer > 4 * max_side_px else 2 if longer > 2 * max_side_px else 1


def _reduced(pixels: NDArray[np.uint8], scale: int) -> NDArray[np.uint8]:
    """Mean over blocks of `scale` x `scale` pixels; incomplete ones at the right and bottom are left out."""
    if scale == 1:
        return pixels
    height, width = (side // scale for side in pixels.shape[:2])
    whole = pixels[: height * scale, : width * scale]
    return cast(NDArray[np.uint8], cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA))


def _oriented(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turn stored pixels to the displayed ones; orientations 1 to 8 as in TIFF and EXIF."""
    turns: dict[int, Callable[[Any], Any]] = {
        2: lambda stored: cv2.flip(stored, 1),
        3: lambda stored: cv2.flip(stored, -1),
        4: lambda stored: cv2.flip(stored, 0),
        5: cv2.transpose,
        6: lambda stored: cv2.rotate(stored, cv2.ROTATE_90_CLOCKWISE),
        7: lambda stored: cv2.flip(cv2.transpose(stored), -1),
        8: lambda stored: cv2.rotate(stored, cv2.ROTATE_90_COUNTERCLOCKWISE),
    }
    return cast(NDArray[np.uint8], turns[orientation](pixels)) if orientation in turns else pixels


@contextmanager
def _decoding(source: Source, format: str) -> Iterator[None]:
    """Turn whatever a decoder raises into one sentence: on damaged files they raise nearly anything."""
    try:
        yield
    except (PhotoError, MemoryError):
        raise
    except Exception as fault:
        msg = f"'{source.name}' is truncated, damaged or of a rare kind: its {format} data cannot be decoded"
        raise PhotoError(msg) from fault


def _finished(
    source: Source,
    samples: Samples,
    orientation: int,
    captured_at: str | None,
    eye: Eye | None = None,
    scale: int = 1,
) -> Picture:
    """Turn decoded samples, already reduced by `scale`, into the picture asked for."""
    shown = _oriented(eight_bit(samples), orientation)
    height_px, width_px = (side * scale for side in shown.shape[:2])
    if scale == 1:
        scale = _reduction(width_px, height_px, source.max_side_px)
        shown = _reduced(shown, scale)
    return Picture(np.ascontiguousarray(shown), width_px, height_px, scale, captured_at, eye)


def _samples(source: Source, image: Image.Image) -> Samples:
    """Pixels of a Pillow picture of any kind: grey or RGB, with opacity last where it has one."""
    if "transparency" in image.info or image.mode in ("PA", "RGBa", "La"):
        image = image.convert("LA" if image.mode in ("L", "La") else "RGBA")
    elif image.mode in ("P", "CMYK", "YCbCr", "RGBX"):
        image = image.convert("RGB")
    elif image.mode == "1":
        image = image.convert("L")
    array = np.asarray(image)
    if image.mode in ("L", "LA", "RGB", "RGBA"):
        return cast(NDArray[np.uint8], array)
    if image.mode.startswith("I") and int(array.min()) >= 0 and int(array.max()) <= 65535:
        return array.astype(np.uint16)
    msg = f"'{source.name}' holds samples of kind {image.mode}; save it as grey or RGB of 8 or 16 bits"
    raise PhotoError(msg)


# Fields of EXIF, which is laid out as a TIFF file is ------------------------------------------------------

_SUBFILE, _BITS, _PHOTOMETRIC, _ORIENTATION, _EXIF_DIRECTORY = 254, 258, 262, 274, 34665
_CAPTURED, _CAPTURED_OFFSET, _RAW_VERSION = 36867, 36881, 50706
_BYTES_OF_KIND = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}


@dataclass(frozen=True, slots=True)
class _Fields:
    """Entries of a directory of a TIFF block: tag -> (position of the value, its length in bytes).

    `whole` says that the directory and all its values lie inside the block.
    """

    block: bytes
    order: str
    entries: dict[int, tuple[int, int]]
    whole: bool

    def number(self, tag: int, otherwise: int = 0) -> int:
        at, length = self.entries.get(tag, (0, 0))
        if length not in (2, 4) or at + length > len(self.block):
            return otherwise
        return int(struct.unpack_from(self.order + ("H" if length == 2 else "I"), self.block, at)[0])

    def text(self, tag: int) -> str:
        at, length = self.entries.get(tag, (0, 0))
        return self.block[at : at + length].decode("ascii", "replace").strip("\0 ")


def _fields(block: bytes, directory: int | None = None) -> _Fields:
    """Read a directory of a TIFF block (default: the first); what cannot be read is left out."""
    block = block.removeprefix(b"Exif\0\0")
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(block[:4], "")
    entries: dict[int, tuple[int, int]] = {}
    if not order:
        return _Fields(block, order, entries, False)
    try:
        start = struct.unpack_from(order + "I", block, 4)[0] if directory is None else directory
        for k in range(struct.unpack_from(order + "H", block, start)[0]):
            entry = start + 2 + 12 * k
            tag, kind, count, value = struct.unpack_from(order + "HHII", block, entry)
            length = _BYTES_OF_KIND.get(kind, 0) * count
            entries[tag] = (entry + 8 if length <= 4 else value, length)
    except struct.error:
        return _Fields(block, order, entries, False)
    whole = all(at + length <= len(block) for at, length in entries.values())
    return _Fields(block, order, entries, whole)


def _orientation_and_time(block: bytes) -> tuple[int, str | None]:
    """Orientation (1 where none is stated) and ISO time of capture, of an EXIF block or a TIFF file."""
    fields = _fields(block)
    orientation = fields.number(_ORIENTATION, 1)
    details = _fields(block, fields.number(_EXIF_DIRECTORY)) if _EXIF_DIRECTORY in fields.entries else fields
    try:
        captured = datetime.strptime(details.text(_CAPTURED), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:  # absent, or the zeros or blanks of a camera whose clock was never set
        return orientation, None
    offset = details.text(_CAPTURED_OFFSET)
    return orientation, captured + (offset if re.fullmatch(r"[+-]\d\d:\d\d", offset) else "")


# The formats ----------------------------------------------------------------------------------------------


def _opened(source: Source, format: str, kind: Callable[[io.BytesIO], _Kind], data: bytes) -> _Kind:
    """Open a picture without decoding it, and refuse it if its size or its number of pictures will not do."""
    with _decoding(source, format):
        image = kind(io.BytesIO(data))
    check_size(source.name, *image.size)
    with _decoding(source, format):
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
        kinds.append(image.tag_v2.get(_SUBFILE, 0))
    image.seek(0)
    return all(kind & 1 for kind in kinds)


def _read_jpeg(source: Source) -> Picture:
    with _decoding(source, "JPEG"):
        width_px, height_px, colours, exif, scan_at = _jpeg_header(source.data)
    if source.data.rfind(b"\xff\xd9", scan_at) < 0:  # these two bytes never occur in coded data
        msg = f"'{source.name}' is truncated: the end marker of its JPEG data is missing"
        raise PhotoError(msg)
    check_size(source.name, width_px, height_px)
    scale = _reduction(width_px, height_px, source.max_side_px)
    if width_px % scale or height_px % scale or colours == 4:
        scale = 1  # the decoder leaves incomplete blocks where turning may bring them to the left or the top
    with _decoding(source, "JPEG"):
        if colours == 4:  # CMYK, which OpenCV reads wrongly
            samples = _samples(source, JpegImageFile(io.BytesIO(source.data)))
        else:
            samples = _plain_jpeg(source.data, colours, scale)
    return _finished(source, samples, *_orientation_and_time(exif), scale=scale)


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


def _plain_jpeg(data: bytes, colours: int, scale: int) -> NDArray[np.uint8]:
    """Decode a grey or colour JPEG as stored, smaller by `scale`: by OpenCV, which needs the least time."""
    grey = {1: cv2.IMREAD_GRAYSCALE, 2: cv2.IMREAD_REDUCED_GRAYSCALE_2, 4: cv2.IMREAD_REDUCED_GRAYSCALE_4}
    colour = {1: cv2.IMREAD_COLOR, 2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4}
    flag = (grey if colours == 1 else colour)[scale] | cv2.IMREAD_IGNORE_ORIENTATION
    stored = cast(NDArray[np.uint8], cv2.imdecode(np.frombuffer(data, np.uint8), flag))
    return stored if colours == 1 else cast(NDArray[np.uint8], cv2.cvtColor(stored, cv2.COLOR_BGR2RGB))


def _read_png(source: Source) -> Picture:
    image = _opened(source, "PNG", PngImageFile, source.data)
    with _decoding(source, "PNG"):
        PngImageFile(io.BytesIO(source.data)).verify()  # check sums, up to the end
        samples: Samples = _samples(source, image)
        if source.data[24:26] in (b"\x10\x02", b"\x10\x06"):  # 16-bit colour, which Pillow cuts to 8
            samples = _deep_colour(source.data)
    return _finished(source, samples, *_orientation_and_time(image.info.get("exif", b"")))


def _read_webp(source: Source) -> Picture:
    image = _opened(source, "WebP", WebPImageFile, source.data)
    with _decoding(source, "WebP"):
        samples = _samples(source, image)
    return _finished(source, samples, *_orientation_and_time(image.info.get("exif", b"")))


def _read_bmp(source: Source) -> Picture:
    image = _opened(source, "BMP", BmpImageFile, source.data)
    with _decoding(source, "BMP"):
        samples = _samples(source, image)
    return _finished(source, samples, 1, None)


def _read_tiff(source: Source) -> Picture:
    fields = _fields(source.data)
    if fields.order and not fields.whole:
        msg = f"'{source.name}' is truncated: its TIFF directory points beyond the end of the file"
        raise PhotoError(msg)
    if fields.number(_SUBFILE) & 1 or _RAW_VERSION in fields.entries:
        msg = f"'{source.name}' is a raw file that starts with a preview; export it as JPEG or TIFF"
        raise PhotoError(msg)
    image = _opened(source, "TIFF", TiffImageFile, source.data)
    orientation, captured_at = _orientation_and_time(source.data)
    with _decoding(source, "TIFF"):
        bits, colours = image.tag_v2.get(_BITS, ()), image.tag_v2.get(_PHOTOMETRIC)
        if fields.order and colours == 2 and bits in ((16,) * 3, (16,) * 4):  # Pillow would cut it to 8 bits
            samples: Samples = _deep_colour(_without_orientation(source.data, fields))
        else:
            samples = _samples(source, image)
            orientation = image.getexif().get(_ORIENTATION, 1)  # Pillow has turned it and dropped the field
    return _finished(source, samples, orientation, captured_at)


def _without_orientation(data: bytes, fields: _Fields) -> bytes:
    """TIFF whose orientation says "as stored": OpenCV obeys the field, or fails on it, by version."""
    if _ORIENTATION not in fields.entries:
        return data
    at, length = fields.entries[_ORIENTATION]
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
    with _decoding(source, "HEIC"):
        heif = pillow_heif.open_heif(io.BytesIO(source.data))
        check_size(source.name, *heif.size)
        samples = _samples(source, heif.to_pillow())
    _, captured_at = _orientation_and_time(heif.info.get("exif") or b"")
    return _finished(source, samples, 1, captured_at)  # turned by the decoder; EXIF must not turn it again


# DICOM ----------------------------------------------------------------------------------------------------


def _read_dicom(source: Source) -> Picture:
    try:
        import pydicom
    except ImportError:
        msg = f"'{source.name}' is a DICOM file, which needs a further package: pip install 'torsion[dicom]'"
        raise PhotoError(msg) from None
    with _decoding(source, "DICOM"):
        dataset = pydicom.dcmread(io.BytesIO(source.data))
        eye = _dicom_eye(source, dataset)
        _check_dicom(source, dataset)
        samples = _dicom_samples(dataset)
        return _finished(source, samples, 1, _dicom_time(dataset), eye)


def _dicom_eye(source: Source, dataset: "Dataset") -> Eye | None:
    """Eye that the file states (none when it states both), refused when it is not the one given."""
    for keyword, title in (("ImageLaterality", "Image Laterality"), ("Laterality", "Laterality")):
        stated = str(dataset.get(keyword) or "").strip().upper()
        if stated not in ("R", "L"):
            continue
        eye: Eye = "OD" if stated == "R" else "OS"
        if source.eye not in (None, eye):
            msg = f"'{source.name}' states in its {title} that it shows {eye}, but {source.eye} was given"
            raise PhotoError(msg)
        return eye
    return None


def _check_dicom(source: Source, dataset: "Dataset") -> None:
    """Refuse, before anything is decoded, what cannot become one photo with square pixels."""
    from pydicom.pixels.decoders.base import get_decoder

    if "PixelData" not in dataset:
        msg = f"'{source.name}' holds no picture: it is a DICOM file of another kind, or truncated"
        raise PhotoError(msg)
    frames = int(dataset.get("NumberOfFrames") or 1)
    if frames > 1:
        msg = f"'{source.name}' holds {frames} frames; save the wanted one as a file of its own"
        raise PhotoError(msg)
    check_size(source.name, int(dataset.get("Columns") or 0), int(dataset.get("Rows") or 0))
    aspect = [int(part) for part in dataset.get("PixelAspectRatio") or (1, 1)]
    if aspect[0] != aspect[-1]:
        msg = f"'{source.name}' has pixels of aspect {aspect[0]}:{aspect[-1]}; they must be square, 1:1"
        raise PhotoError(msg)
    kind = dataset.get("PhotometricInterpretation")
    if not str(kind).startswith(("MONOCHROME", "RGB", "YBR", "PALETTE")):
        msg = f"'{source.name}' has photometric interpretation {kind}; allowed are grey, RGB, YBR and palette"
        raise PhotoError(msg)
    syntax = dataset.file_meta.TransferSyntaxUID
    try:
        readable = get_decoder(syntax).is_available
    except NotImplementedError:
        readable = False
    if not readable:
        msg = f"'{source.name}' is compressed as {syntax.name}, which cannot be read; save it uncompressed"
        raise PhotoError(msg)


def _dicom_samples(dataset: "Dataset") -> Samples:
    from pydicom.pixels.processing import apply_color_lut

    stored = dataset.pixel_array  # YBR has become RGB
    kind = str(dataset.PhotometricInterpretation)
    if kind.startswith("PALETTE"):
        return cast(Samples, apply_color_lut(stored, dataset))
    if not kind.startswith("MONOCHROME"):
        return cast(Samples, stored)
    values = stored * float(dataset.get("RescaleSlope", 1)) + float(dataset.get("RescaleIntercept", 0))
    low, high = _dicom_range(dataset)
    grey = np.rint(255.0 * np.clip((values - low) / (high - low), 0.0, 1.0)).astype(np.uint8)
    return 255 - grey if kind == "MONOCHROME1" else grey


def _dicom_range(dataset: "Dataset") -> tuple[float, float]:
    """Values shown black and white: of the window (DICOM PS3.3 C.11.2.1.2, linear), else of the bits."""
    centre, width = (
        float(np.atleast_1d(dataset.get(keyword) or 0.0)[0]) for keyword in ("WindowCenter", "WindowWidth")
    )
    if width > 1.0:
        return centre - 0.5 - (width - 1.0) / 2.0, centre - 0.5 + (width - 1.0) / 2.0
    bits, signed = int(dataset.BitsStored), bool(dataset.PixelRepresentation)
    ends = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if signed else (0, 2**bits - 1)
    slope, intercept = float(dataset.get("RescaleSlope", 1)), float(dataset.get("RescaleIntercept", 0))
    low, high = sorted(slope * end + intercept for end in ends)
    return low, high


def _dicom_time(dataset: "Dataset") -> str | None:
    text = str(dataset.get("AcquisitionDateTime") or "")
    text = text or str(dataset.get("AcquisitionDate") or "") + str(dataset.get("AcquisitionTime") or "")
    parts = re.fullmatch(r"(\d{8})(\d{6})(?:\.\d+)?([+-]\d{4})?", text)
    try:
        return datetime.fromisoformat(f"{parts[1]}T{parts[2]}{parts[3] or ''}").isoformat() if parts else None
    except ValueError:  # not a date
        return None


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
    Reader("DICOM", _is_dicom, _read_dicom),
)
