"""Reading photos: what is displayed is what is read, and every fault is named in one sentence."""

import hashlib
import io
import os
import re
import subprocess
import sys
import warnings
import zlib
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
from pydicom.uid import (
    ExplicitVRLittleEndian,
    JPEGBaseline8Bit,
    JPEGLosslessSV1,
    OphthalmicPhotography8BitImageStorage,
)

from torsion import readers
from torsion.errors import PhotoError
from torsion.intake import photo_from_array, read_photo
from torsion.photo import Ellipse, Photo
from torsion.preparation import prepare

HEIGHT, WIDTH = 240, 328
ORIENTATION, EXIF_DIRECTORY, CAPTURED, CAPTURED_OFFSET = 274, 34665, 36867, 36881


def picture(height: int = HEIGHT, width: int = WIDTH) -> np.ndarray:
    """Make a smooth colour picture without any symmetry, (height, width, 3)."""
    x, y = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    red = 40 + 190 * x
    green = 30 + 150 * y * y
    blue = 60 + 120 * np.exp(-((x - 0.3) ** 2 + (y - 0.7) ** 2) / 0.02)
    return np.rint(np.stack([red, green, blue], axis=-1)).astype(np.uint8)


def stored_for(shown: np.ndarray, orientation: int) -> np.ndarray:
    """Turn a picture to what a camera stores under this orientation (EXIF 2.32, section 4.6.4 A)."""
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


# What is displayed ----------------------------------------------------------------------------------------

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
    """Write an uncompressed TIFF of one strip by hand (TIFF 6.0, section 2): Pillow writes no such file."""
    number = {"<": "little", ">": "big"}[order]
    start = 8 + 2 + 12 * (len(shorts) + 3) + 4
    longs = {258: (3, len(bits), start), 273: (4, 1, start + 2 * len(bits)), 279: (4, 1, len(strip))}
    entries = [(tag, 3, 1, value.to_bytes(2, number) + bytes(2)) for tag, value in shorts.items()]
    entries += [(tag, kind, n, value.to_bytes(4, number)) for tag, (kind, n, value) in longs.items()]
    parts = [
        b"II*\0" if order == "<" else b"MM\0*",
        (8).to_bytes(4, number),
        len(entries).to_bytes(2, number),
    ]
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


# Kinds of pixels ------------------------------------------------------------------------------------------


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


@pytest.mark.parametrize(
    ("format", "options"), [("PNG", {}), ("TIFF", {}), ("WEBP", {"lossless": True, "exact": True})]
)
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
    assert levels_off(read_photo(save(tmp_path / "eye", grey, format)), grey) <= (
        LOSSY if format == "JPEG" else 0
    )


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


def test_jpeg_that_stores_rgb(tmp_path):
    path = save(tmp_path / "eye", picture(), "JPEG", keep_rgb=True, quality=97)
    assert levels_off(read_photo(path), picture()) <= LOSSY


def test_progressive_jpeg_with_other_pictures_and_notes_behind_it(tmp_path):
    data = encoded("JPEG", progressive=True, quality=97, subsampling=0)
    (tmp_path / "eye.jpg").write_bytes(data + b"\0" * 4096 + encoded("JPEG") + b"note of the camera")
    assert levels_off(read_photo(tmp_path / "eye.jpg"), picture()) <= LOSSY


def test_smaller_copies_in_a_tiff_are_passed_over(tmp_path):
    copy = Image.fromarray(picture()[::2, ::2])
    copy.encoderinfo = {"tiffinfo": {254: 1}}
    path = save(tmp_path / "eye.tif", picture(), "TIFF", save_all=True, append_images=[copy])
    assert levels_off(read_photo(path), picture()) == 0


# DICOM ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("preamble", [bytes(128), b"II*\0".ljust(128, b"\0")])
def test_dicom_colour_with_eye_and_time(tmp_path, preamble):
    path = save_dicom(
        tmp_path / "eye", picture(), ImageLaterality="L", AcquisitionDateTime="20240305060708.25+0100"
    )
    path.write_bytes(preamble + path.read_bytes()[128:])
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
    np.testing.assert_array_equal(read_photo(path).pixels[..., 0], index)


def test_dicom_compressed_as_jpeg(tmp_path):
    jpeg = encoded("JPEG", quality=97, subsampling=0)
    dataset = pydicom.dcmread(save_dicom(tmp_path / "eye", picture()))
    dataset.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
    dataset.PhotometricInterpretation = "YBR_FULL"
    dataset.PixelData = pydicom.encaps.encapsulate([jpeg])
    dataset["PixelData"].is_undefined_length = True
    dataset.save_as(tmp_path / "jpeg")
    assert levels_off(read_photo(tmp_path / "jpeg"), picture()) <= LOSSY


def test_two_dicom_statements_of_both_eyes_contradict_nothing(tmp_path):
    assert read_photo(save_dicom(tmp_path / "eye", picture(), ImageLaterality="B"), eye="OD").eye == "OD"


# Size and scale -------------------------------------------------------------------------------------------


def spot(width: int, height: int, x_px: float, y_px: float) -> np.ndarray:
    x, y = np.meshgrid(np.arange(width) - x_px, np.arange(height) - y_px)
    return np.rint(250 * np.exp(-(x**2 + y**2) / (2 * 25.0**2))).astype(np.uint8)


@pytest.mark.parametrize("format", ["JPEG", "PNG"])
@pytest.mark.parametrize("orientation", [1, 6, 7, 8])
@pytest.mark.parametrize(
    ("longer", "limit", "scale"),
    [
        (400, 200, 1),
        (401, 200, 2),
        (640, 300, 2),
        (643, 300, 2),
        (800, 200, 2),
        (804, 200, 4),
        (1006, 250, 4),
    ],
)
def test_reduced_scale_keeps_positions(tmp_path, format, orientation, longer, limit, scale):
    """Also where the scale does not divide the sides, and where turning brings the rest to the other side."""
    height, x_px, y_px = longer - 97, 0.7 * longer, 0.4 * longer
    shown = spot(longer, height, x_px, y_px)
    options = {"quality": 100} if format == "JPEG" else {}
    path = save(tmp_path / "eye", stored_for(shown, orientation), format, exif=exif(orientation), **options)
    photo = read_photo(path, max_side_px=limit)
    assert photo.decoded_scale == scale
    assert (photo.width_px, photo.height_px) == (longer, height)
    assert photo.pixels.shape == (height // scale, longer // scale)
    weights = np.where(photo.pixels > 20, photo.pixels, 0.0)
    rows, columns = np.indices(weights.shape)
    found = photo.to_full_px([np.average(columns, weights=weights), np.average(rows, weights=weights)])
    # pixels of the full picture: a tenth for the rounding to grey levels; a wrong convention is off by half
    np.testing.assert_allclose(found, [x_px, y_px], rtol=0, atol=0.1)


def test_points_go_to_the_full_picture_and_back():
    photo = Photo(picture()[::4, ::4, :], "eye", "", width_px=WIDTH, height_px=HEIGHT, decoded_scale=4)
    assert photo.to_full_px([0, 1]).tolist() == [1.5, 5.5]  # centre of the pixels 0 to 3, and 4 to 7
    points = np.array([[3.25, 8.0], [0.0, -0.5]])
    np.testing.assert_allclose(photo.to_decoded_px(photo.to_full_px(points)), points, rtol=0, atol=1e-12)


@pytest.mark.parametrize("format", ["JPEG", "PNG", "TIFF", "BMP", "WEBP"])
def test_too_small(tmp_path, format):
    path = save(tmp_path / "eye", picture(199, 300), format)
    with pytest.raises(PhotoError, match=r"'eye' is 300 x 199 px; its smaller side must be at least 200 px"):
        read_photo(path)


def test_smallest_allowed():
    assert photo_from_array(picture(200, 200)).width_px == 200


@pytest.mark.parametrize("format", ["PNG", "BMP"])
def test_too_large_is_told_before_anything_is_decoded(tmp_path, format):
    """The header alone claims 15000 x 15000 pixels; there are no pixels behind it."""
    data = bytearray(encoded(format))
    at, order = (16, "big") if format == "PNG" else (18, "little")
    data[at : at + 8] = (15000).to_bytes(4, order) * 2
    if format == "PNG":
        data[29:33] = check_sum(data[12:29])
    (tmp_path / "eye").write_bytes(data)
    with pytest.raises(PhotoError, match=r"15000 x 15000 px, 225.0 megapixels; at most 200 are allowed"):
        read_photo(tmp_path / "eye")


def check_sum(chunk: bytes) -> bytes:
    return zlib.crc32(chunk).to_bytes(4, "big")


def test_a_large_picture_warns_of_nothing_and_leaves_the_limit_of_pillow_alone(tmp_path):
    limit = Image.MAX_IMAGE_PIXELS
    path = save(
        tmp_path / "eye.png", Image.new("1", (10000, 9200)), "PNG"
    )  # over the limit at which Pillow warns
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        photo = read_photo(path, max_side_px=3000)
    assert (photo.width_px, photo.decoded_scale, photo.pixels.shape) == (10000, 2, (4600, 5000))
    assert limit == Image.MAX_IMAGE_PIXELS
    assert limit < 10000 * 9200


def test_max_side_px_is_checked(tmp_path):
    with pytest.raises(ValueError, match="max_side_px must be at least 200, not 100"):
        read_photo(tmp_path / "eye", max_side_px=100)


# Faults ---------------------------------------------------------------------------------------------------


def test_missing(tmp_path):
    with pytest.raises(PhotoError, match=r"eye\.jpg' does not exist"):
        read_photo(tmp_path / "eye.jpg")


def test_folder(tmp_path):
    with pytest.raises(PhotoError, match=f"^'{re.escape(str(tmp_path))}' is a folder, not a photo$"):
        read_photo(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are a thing of Unix")
def test_pipe(tmp_path):
    os.mkfifo(tmp_path / "eye")
    with pytest.raises(PhotoError, match="is not a regular file"):
        read_photo(tmp_path / "eye")


def test_empty(tmp_path):
    (tmp_path / "eye.jpg").touch()
    with pytest.raises(PhotoError, match=r"'eye\.jpg' is empty \(0 bytes\)"):
        read_photo(tmp_path / "eye.jpg")


@pytest.mark.parametrize(
    "content", [b"a letter to the clinic", bytes(5000), b"GIF89a" + bytes(500), b"%PDF-1.7"]
)
def test_not_a_picture(tmp_path, content):
    (tmp_path / "eye.jpg").write_bytes(content)
    with pytest.raises(
        PhotoError, match=r"'eye\.jpg' is not a picture in a format that can be read \(JPEG, PNG"
    ):
        read_photo(tmp_path / "eye.jpg")


def test_permission_denied(tmp_path, monkeypatch):
    path = save(tmp_path / "eye.png", picture(), "PNG")

    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "read_bytes", refuse)  # the tests may run as a user whom nothing is denied
    with pytest.raises(PhotoError, match="may not be read: permission denied"):
        read_photo(path)


@pytest.mark.parametrize(("name", "reason"), [("eye\0.jpg", "null"), ("e" * 5000, "too long")])
def test_impossible_names(name, reason):
    with pytest.raises(PhotoError, match=f"cannot be read: .*{reason}|does not exist"):
        read_photo(name)


def test_file_too_long(tmp_path):
    with (tmp_path / "film.mov").open("wb") as file:
        file.truncate(2_100_000_000)  # takes no room on the disk
    with pytest.raises(PhotoError, match=r"'film\.mov' has 2\.1 GB; at most 2 GB are allowed"):
        read_photo(tmp_path / "film.mov")


TRUNCATED = [
    ("JPEG", {}),
    ("JPEG", {"progressive": True}),
    ("PNG", {}),
    ("WEBP", {}),
    ("BMP", {}),
    ("TIFF", {}),
    ("TIFF", {"compression": "tiff_lzw"}),
    ("OpenCV TIFF", {}),
    ("HEIF", {}),
]


@pytest.mark.parametrize(("format", "options"), TRUNCATED)
@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.99])
def test_truncated(tmp_path, capfd, format, options, share):
    data = encoded(format, **options)
    (tmp_path / "eye").write_bytes(data[: int(share * len(data))])
    with pytest.raises(PhotoError, match=r"'eye' is truncated"):
        read_photo(tmp_path / "eye")
    assert capfd.readouterr() == ("", "")


def test_truncated_jpeg_that_was_padded_with_zeros(tmp_path):
    data = encoded("JPEG")
    (tmp_path / "eye").write_bytes(data[: len(data) // 2].ljust(len(data), b"\0"))
    with pytest.raises(PhotoError, match="the end marker of its JPEG data is missing"):
        read_photo(tmp_path / "eye")


def test_truncated_jpeg_with_a_whole_preview_inside(tmp_path):
    block = exif()
    preview = io.BytesIO()
    Image.fromarray(picture()[::4, ::4]).save(preview, "JPEG")
    data = encoded("JPEG", exif=block.tobytes() + preview.getvalue())
    (tmp_path / "eye").write_bytes(data[: len(data) - 100])
    with pytest.raises(PhotoError, match="the end marker of its JPEG data is missing"):
        read_photo(tmp_path / "eye")


def test_truncated_jpeg_with_an_end_put_to_it(tmp_path):
    data = encoded("JPEG")
    (tmp_path / "eye").write_bytes(data[: len(data) // 2] + b"\xff\xd9")
    with pytest.raises(PhotoError, match="'eye' is truncated, damaged or of a rare kind: its JPEG data"):
        read_photo(tmp_path / "eye")


def test_jpeg_damaged_in_its_coded_data():
    # Most of such a picture decodes: the rest is grey, shifted or of another colour, and would be measured.
    data, rng, refused = encoded("JPEG"), np.random.default_rng(3), 0
    start = data.rindex(b"\xff\xda")
    for at in rng.integers(start + 20, len(data) - 66, 40):
        try:
            readers.decode(data[:at] + rng.bytes(64) + data[at + 64 :], "eye")
        except PhotoError:
            refused += 1
    assert refused >= 30  # now and then the damaged data are as long as the whole ones


def test_truncated_dicom(tmp_path):
    path = save_dicom(tmp_path / "eye", picture())
    path.write_bytes(path.read_bytes()[:-1000])
    with pytest.raises(PhotoError, match="'eye' is truncated, damaged or of a rare kind: its DICOM data"):
        read_photo(path)


def test_wrong_check_sum_of_a_png(tmp_path):
    data = bytearray(encoded("PNG"))
    data[len(data) // 2] ^= 1
    (tmp_path / "eye").write_bytes(data)
    with pytest.raises(PhotoError, match="'eye' is truncated, damaged or of a rare kind: its PNG data"):
        read_photo(tmp_path / "eye")


@pytest.mark.parametrize(("format", "options"), TRUNCATED)
def test_damage_gives_a_photo_or_one_sentence(format, options):
    data = encoded(format, **options)
    rng = np.random.default_rng(7)
    for _ in range(20):
        damaged = bytearray(data)
        for at in rng.integers(0, 600, 3):
            damaged[at] = rng.integers(256)
        found, said = None, ""
        try:
            found = readers.decode(bytes(damaged), "eye").pixels
        except PhotoError as fault:
            said = str(fault)
        if found is None:
            assert re.fullmatch(r"'eye' [^\n]+[^.\n]", said)
        else:
            assert (found.dtype, found.shape[2:]) in ((np.uint8, ()), (np.uint8, (3,)))


@pytest.mark.parametrize("format", ["PNG", "WEBP", "TIFF"])
def test_several_pictures(tmp_path, format):
    others = [Image.fromarray(picture()[::-1]), Image.fromarray(picture()[:, ::-1])]
    path = save(tmp_path / "eye", picture(), format, save_all=True, append_images=others)
    with pytest.raises(PhotoError, match=r"'eye' holds 3 pictures; save the wanted one as a file of its own"):
        read_photo(path)


def test_raw_file_of_a_camera(tmp_path):
    path = save(tmp_path / "eye.nef", picture(), "TIFF", tiffinfo={254: 1})
    with pytest.raises(PhotoError, match=r"'eye\.nef' is a raw file that starts with a preview"):
        read_photo(path)


def test_floating_point_pixels(tmp_path):
    path = save(tmp_path / "eye.tif", Image.fromarray(picture()[..., 0]).convert("F"), "TIFF")
    with pytest.raises(PhotoError, match="holds samples of kind F; save it as grey or RGB of 8 or 16 bits"):
        read_photo(path)


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"ImageLaterality": "R"}, "states in its Image Laterality that it shows OD, but OS was given"),
        ({"Laterality": "R"}, "states in its Laterality that it shows OD, but OS was given"),
        ({"PixelAspectRatio": [2, 1]}, "has pixels of aspect 2:1; they must be square, 1:1"),
        ({"PhotometricInterpretation": "XYB"}, "has photometric interpretation XYB; allowed are grey"),
        ({"Rows": 120, "NumberOfFrames": 2}, "holds 2 frames; save the wanted one as a file of its own"),
        ({"Rows": 199}, "is 328 x 199 px; its smaller side must be at least 200 px"),
        ({"Rows": 20000, "Columns": 20000}, "is 20000 x 20000 px, 400.0 megapixels; at most 200 are allowed"),
    ],
)
def test_dicom_that_cannot_be_used(tmp_path, fields, sentence):
    path = save_dicom(tmp_path / "eye.dcm", picture(), **fields)
    with pytest.raises(PhotoError, match=rf"'eye\.dcm' {sentence}"):
        read_photo(path, eye="OS")


def test_dicom_without_a_picture_or_with_an_unreadable_compression(tmp_path):
    path = save_dicom(tmp_path / "eye", picture())
    dataset = pydicom.dcmread(path)
    dataset.file_meta.TransferSyntaxUID = JPEGLosslessSV1
    dataset.PixelData = pydicom.encaps.encapsulate([b"\xff\xd8\xff\xd9"])
    dataset["PixelData"].is_undefined_length = True
    dataset.save_as(tmp_path / "lossless")
    with pytest.raises(
        PhotoError, match=r"is compressed as JPEG Lossless.*which cannot be read; save it unc"
    ):
        read_photo(tmp_path / "lossless")
    del dataset.PixelData
    dataset.save_as(tmp_path / "none")
    with pytest.raises(
        PhotoError, match="holds no picture: it is a DICOM file of another kind, or truncated"
    ):
        read_photo(tmp_path / "none")


@pytest.mark.parametrize(("package", "extra"), [("pillow_heif", "heic"), ("pydicom", "dicom")])
def test_missing_package_says_how_to_install_it(tmp_path, monkeypatch, package, extra):
    path = tmp_path / "eye"
    if extra == "heic":
        path.write_bytes(encoded("HEIF"))
    else:
        save_dicom(path, picture())
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(PhotoError, match=rf"needs a further package: pip install 'torsion\[{extra}\]'"):
        read_photo(path)


@pytest.mark.parametrize(
    ("array", "sentence"),
    [
        (picture().astype(float), "'array' must be an array of uint8 or uint16, not float64"),
        (picture()[..., 0] > 9, "'array' must be an array of uint8 or uint16, not bool"),
        (
            picture()[..., :2],
            r"'array' must have the shape \(H, W\), \(H, W, 3\) or \(H, W, 4\), not \(240, 328, 2\)",
        ),
        (picture()[:100], "'array' is 328 x 100 px; its smaller side must be at least 200 px"),
        (np.broadcast_to(np.uint8(0), (15000, 15000)), "225.0 megapixels; at most 200 are allowed"),
    ],
)
def test_arrays_that_cannot_be_used(array, sentence):
    with pytest.raises(PhotoError, match=sentence):
        photo_from_array(array)


# What is known of the photo -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "given", [Image.fromarray(picture()), Image.fromarray(picture()).quantize(16), [[1, 2]], b"eye.jpg", None]
)
def test_what_is_no_array_is_not_made_one(given):
    """A picture of another library may hold places in a palette for colours, or be displayed turned."""
    with pytest.raises(TypeError, match="a photo must be a path, a NumPy array, a Photo or a PreparedPhoto"):
        prepare(given)
    with pytest.raises(TypeError, match="'array' must be a NumPy array of uint8 or uint16, not of the type"):
        photo_from_array(given)


def test_any_path_is_a_path(tmp_path):
    class Place:
        def __fspath__(self):
            return str(save(tmp_path / "eye", picture(), "PNG"))

    assert prepare(Place()).photo.name == "eye"


@pytest.mark.parametrize("turn_deg", [45, -90, 360])
def test_a_photo_is_turned_by_quarters_only(turn_deg):
    with pytest.raises(ValueError, match=f"turn_deg must be 0, 90, 180 or 270, not {turn_deg}"):
        photo_from_array(picture()).turned(turn_deg)


@pytest.mark.parametrize(
    ("text", "eye"), [("OD", "OD"), ("r", "OD"), ("OS", "OS"), ("L", "OS"), (None, None)]
)
def test_eye(tmp_path, text, eye):
    assert read_photo(save(tmp_path / "eye", picture(), "BMP"), eye=text).eye == eye
    assert photo_from_array(picture(), eye=text).eye == eye


def test_unknown_eye(tmp_path):
    with pytest.raises(ValueError, match="eye must be OD or R"):
        read_photo(tmp_path / "eye", eye="left")


def test_time_of_a_dicom_file_in_two_parts(tmp_path):
    path = save_dicom(tmp_path / "eye", picture(), AcquisitionDate="20240305", AcquisitionTime="060708")
    assert read_photo(path).captured_at == "2024-03-05T06:07:08"
    path = save_dicom(tmp_path / "eye", picture(), AcquisitionDate="20240305")
    assert read_photo(path).captured_at is None


@pytest.mark.parametrize(
    ("captured", "offset", "iso"),
    [
        ("2024:03:05 06:07:08", "", "2024-03-05T06:07:08"),
        ("2024:03:05 06:07:08", "-03:30", "2024-03-05T06:07:08-03:30"),
        ("2024:03:05 06:07:08", "   :  ", "2024-03-05T06:07:08"),
        ("2024:03:05 06:07:08", "+99:99", "2024-03-05T06:07:08"),
        ("0000:00:00 00:00:00", "", None),
        ("    :  :     :  :  ", "+01:00", None),
    ],
)
@pytest.mark.parametrize("format", ["JPEG", "TIFF", "PNG", "WEBP"])
def test_time_of_capture(tmp_path, format, captured, offset, iso):
    block = exif(1, captured, offset).tobytes()  # given as an object, Pillow leaves the time out of a TIFF
    assert read_photo(save(tmp_path / "eye", picture(), format, exif=block)).captured_at == iso


def test_digest_and_name(tmp_path):
    path = save(tmp_path / "eye.png", picture(), "PNG")
    photo = read_photo(str(path))
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.name == "eye.png"
    assert photo.captured_at is None


def test_digest_of_an_array_is_of_its_shape_type_and_values():
    array = picture()
    digests = {
        photo_from_array(a).sha256
        for a in (array, array.astype(np.uint16), array[::-1], array.reshape(WIDTH, HEIGHT, 3))
    }
    assert len(digests) == 4
    assert photo_from_array(np.asfortranarray(array)).sha256 == photo_from_array(array).sha256
    big_endian, little_endian = (photo_from_array(array.astype(order + "u2")) for order in "><")
    assert big_endian.sha256 == little_endian.sha256


def test_outlines_are_kept_and_must_lie_in_the_picture(tmp_path):
    path = save(tmp_path / "eye.png", picture(), "PNG")
    limbus, pupil = Ellipse(160, 120, 90, 85, 30), Ellipse.circle(161, 121, 30)
    photo = read_photo(path, limbus=limbus, pupil=pupil)
    assert (photo.limbus, photo.pupil) == (limbus, pupil)
    with pytest.raises(
        PhotoError, match=r"centre of the given pupil \(400, 120\) must lie inside 'eye.png', which is"
    ):
        read_photo(path, pupil=Ellipse.circle(400, 120, 30))


@pytest.mark.parametrize("outline", [(160, 120, 90), Ellipse, [160, 120, 90]])
def test_an_outline_is_an_ellipse_and_nothing_like_it(outline, tmp_path):
    path = save(tmp_path / "eye.png", picture(), "PNG")
    for name in ("limbus", "pupil"):
        for read, source in ((read_photo, path), (photo_from_array, picture())):
            with pytest.raises(TypeError, match=rf"{name} must be an Ellipse, as Ellipse.circle\(.*\), not "):
                read(source, **{name: outline})


def test_the_centre_of_an_outline_may_be_the_last_pixel_and_none_beyond():
    corner = photo_from_array(picture(), limbus=Ellipse.circle(WIDTH - 1, HEIGHT - 1, 90))
    assert corner.limbus is not None
    for x, y in ((WIDTH - 0.5, 120), (-0.5, 120), (160, HEIGHT - 0.5), (160, -0.5)):
        with pytest.raises(PhotoError, match="must lie inside 'array'"):
            photo_from_array(picture(), limbus=Ellipse.circle(x, y, 90))


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ((1, 2, 5, 6), "must be major_px >= minor_px > 0, not 5 and 6"),
        ((1, 2, 5, 0), "must be major_px >= minor_px > 0, not 5 and 0"),
        ((float("nan"), 2, 5, 5), "x_px of an ellipse must be finite, not nan"),
    ],
)
def test_impossible_ellipses(values, sentence):
    with pytest.raises(ValueError, match=sentence):
        Ellipse(*values)


def test_axis_of_an_ellipse_is_wrapped():
    assert Ellipse(0, 0, 2, 1, 190).axis_deg == Ellipse(0, 0, 2, 1, 10).axis_deg
    assert Ellipse(0, 0, 9, 4).radius_px == 6


# Behaviour ------------------------------------------------------------------------------------------------


def test_threads_read_what_one_thread_reads(tmp_path):
    formats = ("JPEG", "PNG", "TIFF", "WEBP", "BMP")
    paths = [save(tmp_path / f"{k}", np.roll(picture(), k, 1), formats[k % 5]) for k in range(20)]
    alone = [read_photo(path).pixels for path in paths]
    with ThreadPoolExecutor(4) as pool:
        for pixels, photo in zip(alone, pool.map(read_photo, paths), strict=True):
            np.testing.assert_array_equal(photo.pixels, pixels)


def test_import_is_light():
    """Only numpy, OpenCV and Pillow: no optional reader, nothing of scipy."""
    code = (
        "import sys, torsion.intake; "
        "print([m for m in ('scipy', 'pydicom', 'pillow_heif', 'click', 'matplotlib') if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_missing_library_of_opencv_is_explained():
    code = "import sys; sys.modules['cv2'] = None; import torsion.intake"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "LibraryError: OpenCV cannot be loaded" in run.stderr
    assert "apt-get install libgl1" in run.stderr


def test_missing_library_of_opencv_is_one_sentence_on_the_command_line():
    code = (
        "import sys; sys.modules['cv2'] = None; from torsion.cli import main; "
        "main(['measure', 'seated.jpg', 'supine.jpg', '--eye', 'OD'])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 1
    assert run.stderr.startswith("Error: OpenCV cannot be loaded")
    assert "Traceback" not in run.stderr


def test_a_photo_turned_by_quarters_keeps_what_lies_where():
    pixels = np.zeros((220, 230, 3), np.uint8)
    pixels[4, 225] = 255
    photo = photo_from_array(pixels, limbus=Ellipse(225.0, 4.0, 3.0, 2.0, 30.0))
    for turn_deg, place, axis in (
        (0, (225, 4), 30),
        (90, (4, 4), 120),
        (180, (4, 215), 30),
        (270, (215, 225), 120),
    ):
        turned = photo.turned(turn_deg)
        assert tuple(np.argwhere(turned.pixels[..., 0])[0][::-1]) == place
        assert (turned.limbus.x_px, turned.limbus.y_px, turned.limbus.axis_deg) == (*place, axis)
        assert (turned.height_px, turned.width_px) == turned.pixels.shape[:2]
        assert turned.sha256 == photo.sha256
