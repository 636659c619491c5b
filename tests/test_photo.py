"""Reading photos: what is displayed is what is read, and every fault is named in one sentence."""

import hashlib
import io
import subprocess
import sys
import warnings
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pydicom
import pytest
from PIL import Image
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.pixels import pack_bits  # noqa: F401  (fails early where pydicom is too old for the tests)
from pydicom.uid import ExplicitVRLittleEndian, JPEGLosslessSV1, OphthalmicPhotography8BitImageStorage

from torsion import readers
from torsion.errors import PhotoError
from torsion.photo import Ellipse, Photo, photo_from_array, read_photo

HEIGHT, WIDTH = 240, 328
ORIENTATION, EXIF_DIRECTORY, CAPTURED, CAPTURED_OFFSET = 274, 34665, 36867, 36881


def picture(height: int = HEIGHT, width: int = WIDTH) -> np.ndarray:
    """A smooth colour picture without any symmetry, (height, width, 3)."""
    x, y = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    red = 40 + 190 * x
    green = 30 + 150 * y * y
    blue = 60 + 120 * np.exp(-((x - 0.3) ** 2 + (y - 0.7) ** 2) / 0.02)
    return np.rint(np.stack([red, green, blue], axis=-1)).astype(np.uint8)


def stored_for(shown: np.ndarray, orientation: int) -> np.ndarray:
    """What a camera stores under this orientation so that `shown` is displayed; from EXIF 2.32, section 4.6.4 A."""
    undo: dict[int, Callable[[np.ndarray], np.ndarray]] = {
        1: lambda a: a,
        2: lambda a: a[:, ::-1],  # row 0 is the top, column 0 the right side
        3: lambda a: a[::-1, ::-1],  # bottom, right
        4: lambda a: a[::-1],  # bottom, left
        5: lambda a: a.swapaxes(0, 1),  # row 0 is the left side, column 0 the top
        6: lambda a: a.swapaxes(0, 1)[::-1],  # right side, top
        7: lambda a: a.swapaxes(0, 1)[::-1, ::-1],  # right side, bottom
        8: lambda a: a.swapaxes(0, 1)[:, ::-1],  # left side, bottom
    }
    return np.ascontiguousarray(undo[orientation](shown))


def exif(orientation: int = 1, captured: str = "2024:03:05 06:07:08", offset: str = "") -> Image.Exif:
    block = Image.Exif()
    block[ORIENTATION] = orientation
    block.get_ifd(EXIF_DIRECTORY)[CAPTURED] = captured
    if offset:
        block.get_ifd(EXIF_DIRECTORY)[CAPTURED_OFFSET] = offset
    return block


def save(path: Path, image: Image.Image | np.ndarray, format: str, **options: object) -> Path:
    (image if isinstance(image, Image.Image) else Image.fromarray(image)).save(path, format, **options)
    return path


def save_dicom(path: Path, pixels: np.ndarray, **fields: object) -> Path:
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.SOPClassUID = OphthalmicPhotography8BitImageStorage
    dataset.SOPInstanceUID = "1.2.3"
    dataset.Rows, dataset.Columns = pixels.shape[:2]
    dataset.SamplesPerPixel = 1 if pixels.ndim == 2 else 3
    dataset.PhotometricInterpretation = "MONOCHROME2" if pixels.ndim == 2 else "RGB"
    if pixels.ndim == 3:
        dataset.PlanarConfiguration = 0
    dataset.BitsAllocated = dataset.BitsStored = 8 * pixels.itemsize
    dataset.PixelRepresentation = 0
    dataset.PixelData = pixels.tobytes()
    for keyword, value in fields.items():
        setattr(dataset, keyword, value)
    dataset.HighBit = dataset.BitsStored - 1
    dataset.save_as(path, enforce_file_format=True)
    return path


def encoded(format: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    if format == "HEIF":
        pillow_heif.from_pillow(Image.fromarray(picture())).save(buffer)
    elif format == "OpenCV TIFF":  # its directory stands at the end
        return cv2.imencode(".tif", picture())[1].tobytes()
    else:
        Image.fromarray(picture()).save(buffer, format, **options)
    return buffer.getvalue()


def levels_off(photo: Photo, expected: np.ndarray) -> float:
    """Largest difference, in grey levels."""
    assert photo.pixels.shape == expected.shape
    return float(np.abs(photo.pixels.astype(int) - expected.astype(int)).max())


# What is displayed ------------------------------------------------------------------------------------------------

LOSSLESS = 0.0
LOSSY = 8.0  # grey levels; these codecs at high quality on a smooth picture stay within 5


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize(
    ("format", "options", "tolerance"),
    [
        ("JPEG", {"quality": 97, "subsampling": 0}, LOSSY),
        ("PNG", {}, LOSSLESS),
        ("WEBP", {"lossless": True}, LOSSLESS),
        ("TIFF", {}, LOSSLESS),
        ("TIFF", {"compression": "tiff_lzw"}, LOSSLESS),
    ],
)
def test_orientation_is_applied_once(tmp_path, format, options, tolerance, orientation):
    path = save(
        tmp_path / "eye", stored_for(picture(), orientation), format, exif=exif(orientation), **options
    )
    photo = read_photo(path)
    assert levels_off(photo, picture()) <= tolerance
    assert (photo.height_px, photo.width_px) == (HEIGHT, WIDTH)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_orientation_of_heic_is_applied_once(tmp_path, orientation):
    heif = pillow_heif.from_pillow(Image.fromarray(stored_for(picture(), orientation)))
    heif.save(tmp_path / "eye.heic", exif=exif(orientation).tobytes(), quality=95)
    photo = read_photo(tmp_path / "eye.heic")
    assert levels_off(photo, picture()) <= LOSSY
    assert photo.captured_at == "2024-03-05T06:07:08"


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_of_16_bit_colour_tiff_is_applied_once(tmp_path, orientation, order):
    stored = stored_for(picture(), orientation).astype(order + "u2") * 257
    shorts = {256: stored.shape[1], 257: stored.shape[0], 259: 1, 262: 2, 274: orientation, 277: 3}
    shorts[278] = stored.shape[0]
    path = tmp_path / "eye.tif"
    path.write_bytes(plain_tiff(shorts, (16, 16, 16), stored.tobytes(), order))
    assert levels_off(read_photo(path), picture()) == 0


def plain_tiff(shorts: dict[int, int], bits: tuple[int, ...], strip: bytes, order: str) -> bytes:
    """Uncompressed TIFF of one strip, written by hand (TIFF 6.0, section 2) because Pillow writes no such file."""
    number = {"<": "little", ">": "big"}[order]
    start = 8 + 2 + 12 * (len(shorts) + 3) + 4
    longs = {258: (3, len(bits), start), 273: (4, 1, start + 2 * len(bits)), 279: (4, 1, len(strip))}
    entries = [(tag, 3, 1, value.to_bytes(2, number) + bytes(2)) for tag, value in shorts.items()]
    entries += [(tag, kind, n, value.to_bytes(4, number)) for tag, (kind, n, value) in longs.items()]
    parts = [b"II*\0" if order == "<" else b"MM\0*", (8).to_bytes(4, number), len(entries).to_bytes(2, number)]
    for tag, kind, count, value in sorted(entries):
        parts += [tag.to_bytes(2, number), kind.to_bytes(2, number), count.to_bytes(4, number), value]
    return b"".join([*parts, bytes(4), *(bit.to_bytes(2, number) for bit in bits), strip])


def test_format_is_told_from_the_content_not_from_the_name(tmp_path):
    assert levels_off(read_photo(save(tmp_path / "eye.jpg", picture(), "PNG")), picture()) == 0


def test_pixels_are_read_only_and_stay_apart_from_the_array():
    array = picture()
    photo = photo_from_array(array)
    array[:] = 0
    assert levels_off(photo, picture()) == 0
    with pytest.raises(ValueError, match="read-only"):
        photo.pixels[0, 0] = 0


# Kinds of pixels --------------------------------------------------------------------------------------------------


def rgba() -> np.ndarray:
    opacity = np.full((HEIGHT, WIDTH, 1), 255, np.uint8)
    opacity[:, :100] = 0
    opacity[:, 100:200] = 51  # a fifth
    return np.concatenate([picture(), opacity], axis=-1)


def on_mid_grey() -> np.ndarray:
    laid = picture().astype(float)
    laid[:, :100] = 128
    laid[:, 100:200] = 0.2 * laid[:, 100:200] + 0.8 * 128
    return np.rint(laid)


@pytest.mark.parametrize(("format", "options"), [("PNG", {}), ("TIFF", {}), ("WEBP", {"lossless": True, "exact": True})])
def test_transparency_is_laid_on_mid_grey(tmp_path, format, options):
    assert levels_off(read_photo(save(tmp_path / "eye", rgba(), format, **options)), on_mid_grey()) <= 1
    assert levels_off(photo_from_array(rgba()), on_mid_grey()) <= 1


def test_transparent_colour_of_a_palette_is_laid_on_mid_grey(tmp_path):
    image = Image.fromarray(picture()).quantize(16)
    clear = np.asarray(image) == 3
    pixels = read_photo(save(tmp_path / "eye.png", image, "PNG", transparency=3)).pixels
    assert (pixels[clear] == 128).all()
    np.testing.assert_array_equal(pixels[~clear], np.asarray(image.convert("RGB"))[~clear])


@pytest.mark.parametrize("format", ["PNG", "TIFF", "BMP", "JPEG"])
def test_grey_stays_grey(tmp_path, format):
    grey = picture()[..., 0]
    assert levels_off(read_photo(save(tmp_path / "eye", grey, format)), grey) <= (LOSSY if format == "JPEG" else 0)


def test_grey_with_opacity(tmp_path):
    image = Image.fromarray(rgba()).convert("LA")
    expected = np.asarray(Image.fromarray(picture()).convert("L")).astype(float)
    expected[:, :100] = 128
    expected[:, 100:200] = 0.2 * expected[:, 100:200] + 0.8 * 128
    assert levels_off(read_photo(save(tmp_path / "eye.png", image, "PNG")), np.rint(expected)) <= 1


@pytest.mark.parametrize("format", ["PNG", "TIFF", "BMP"])
def test_one_bit_becomes_black_and_white(tmp_path, format):
    ink = picture()[..., 0] > 128
    assert levels_off(read_photo(save(tmp_path / "eye", ink, format)), ink.astype(np.uint8) * 255) == 0


@pytest.mark.parametrize("format", ["PNG", "TIFF"])
def test_16_bit_grey_is_divided_by_257(tmp_path, format):
    deep = picture()[..., 0].astype(np.uint16) * 257
    deep[0, 0] = 65535
    assert levels_off(read_photo(save(tmp_path / "eye", deep, format)), np.rint(deep / 257)) == 0


@pytest.mark.parametrize("suffix", [".png", ".tif"])
@pytest.mark.parametrize("channels", [3, 4])
def test_16_bit_colour_is_divided_by_257(tmp_path, suffix, channels):
    deep = rgba()[..., :channels].astype(np.uint16) * 257
    order = [2, 1, 0, 3][:channels]
    cv2.imwrite(str(tmp_path / f"eye{suffix}"), deep[..., order])
    expected = picture() if channels == 3 else on_mid_grey()
    assert levels_off(read_photo(tmp_path / f"eye{suffix}"), expected) <= 1  # opacity is rounded once more


@pytest.mark.parametrize("bits", [8, 10, 12, 14])
def test_fewer_bits_in_16_are_taken_as_the_full_range(bits):
    full = 2**bits - 1
    deep = np.rint(picture() / 255.0 * full).astype(np.uint16)
    deep[0, 0] = full
    assert levels_off(photo_from_array(deep), np.rint(deep * (255 / full))) <= 1


@pytest.mark.parametrize("format", ["JPEG", "TIFF"])
def test_cmyk(tmp_path, format):
    image = Image.fromarray(picture()).convert("CMYK")
    assert levels_off(read_photo(save(tmp_path / "eye", image, format)), picture()) <= LOSSY


def test_progressive_jpeg_with_other_pictures_and_notes_behind_it(tmp_path):
    data = encoded("JPEG", progressive=True, quality=97, subsampling=0)
    (tmp_path / "eye.jpg").write_bytes(data + b"\0" * 4096 + encoded("JPEG") + b"note of the camera")
    assert levels_off(read_photo(tmp_path / "eye.jpg"), picture()) <= LOSSY


def test_smaller_copies_in_a_tiff_are_passed_over(tmp_path):
    copy = Image.fromarray(picture()[::2, ::2])
    copy.encoderinfo = {"tiffinfo": {254: 1}}
    path = save(tmp_path / "eye.tif", picture(), "TIFF", save_all=True, append_images=[copy])
    assert levels_off(read_photo(path), picture()) == 0


# DICOM ------------------------------------------------------------------------------------------------------------


def test_dicom_colour_with_eye_and_time(tmp_path):
    path = save_dicom(
        tmp_path / "eye", picture(), ImageLaterality="L", AcquisitionDateTime="20240305060708.25+0100"
    )
    photo = read_photo(path, eye="L")
    assert levels_off(photo, picture()) == 0
    assert photo.eye == read_photo(path).eye == "OS"
    assert photo.captured_at == "2024-03-05T06:07:08+01:00"


def test_dicom_grey_uses_its_window():
    ramp = np.tile(np.arange(WIDTH, dtype=np.uint16) * 10, (HEIGHT, 1))
    # PS3.3 C.11.2.1.2.1: black up to c - 0.5 - (w - 1)/2, white above c - 0.5 + (w - 1)/2
    expected = np.rint(255 * np.clip((ramp - (1000.5 - 0.5 - 250.0)) / 500.0, 0, 1))
    buffer = io.BytesIO()
    save_dicom(buffer, ramp, WindowCenter=[1000.5, 7], WindowWidth=[501, 9])
    np.testing.assert_array_equal(readers.decode(buffer.getvalue(), "eye").pixels, expected)


@pytest.mark.parametrize(
    ("signed", "slope", "intercept", "inverted"), [(0, 1, 0, False), (1, 1, 0, False), (0, 2, -1024, True)]
)
def test_dicom_grey_without_a_window_uses_its_bits(tmp_path, signed, slope, intercept, inverted):
    ramp = np.tile(np.linspace(0, 4095, WIDTH).astype(np.int16), (HEIGHT, 1))
    path = save_dicom(
        tmp_path / "eye",
        ramp - 2048 * np.int16(signed),
        BitsStored=12,
        PixelRepresentation=signed,
        RescaleSlope=slope,
        RescaleIntercept=intercept,
        PhotometricInterpretation="MONOCHROME1" if inverted else "MONOCHROME2",
    )
    expected = np.rint(ramp / 4095 * 255)
    assert levels_off(read_photo(path), 255 - expected if inverted else expected) == 0


def test_dicom_ybr_and_palette(tmp_path):
    ybr = cv2.cvtColor(picture(), cv2.COLOR_RGB2YCrCb)[..., [0, 2, 1]]
    path = save_dicom(tmp_path / "ybr", ybr, PhotometricInterpretation="YBR_FULL")
    assert levels_off(read_photo(path), picture()) <= 3  # grey levels, two roundings through integer colour

    index = picture()[..., 0]
    tables = {}
    for name, table in (("Red", 257), ("Green", -257), ("Blue", 100)):
        values = (np.arange(256) * table % 65536).astype(np.uint16)
        tables[f"{name}PaletteColorLookupTableDescriptor"] = [256, 0, 16]
        tables[f"{name}PaletteColorLookupTableData"] = values.tobytes()
    path = save_dicom(tmp_path / "palette", index, PhotometricInterpretation="PALETTE COLOR", **tables)
    assert levels_off(red_only(read_photo(path)), index) == 0


def red_only(photo: Photo) -> Photo:
    return photo_from_array(photo.pixels[..., 0].copy())
