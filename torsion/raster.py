"""Pixels on their way into a photo: the size allowed, 8 bits, the turn to what is displayed.

A reader is given a `Source` and returns a `Picture`; what all readers share stands here.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from torsion.angles import Eye
from torsion.errors import LibraryError, PhotoError

try:
    import cv2
except ImportError as fault:  # on a bare Linux a C library is missing, and the fault names no package
    msg = (
        f"OpenCV cannot be loaded ({fault}); install its system library (apt-get install libgl1) "
        "or the variant that needs none (pip install opencv-python-headless)"
    )
    raise LibraryError(msg) from fault

__all__ = [
    "MAX_MEGAPIXELS",
    "MIN_SIDE_PX",
    "Picture",
    "Samples",
    "Source",
    "check_size",
    "decoding",
    "eight_bit",
    "finished",
    "reduction",
    "samples_of",
]

MIN_SIDE_PX = 200
MAX_MEGAPIXELS = 200
_MID_GREY = 128

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


def reduction(width_px: int, height_px: int, max_side_px: int | None) -> int:
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
def decoding(source: Source, format: str) -> Iterator[None]:
    """Turn whatever a decoder raises into one sentence: on damaged files they raise nearly anything.

    Raises
    ------
    PhotoError
        If the decoder raised anything but want of memory.
    """
    try:
        yield
    except (PhotoError, MemoryError):
        raise
    except Exception as fault:
        msg = f"'{source.name}' is truncated, damaged or of a rare kind: its {format} data cannot be decoded"
        raise PhotoError(msg) from fault


def finished(
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
        scale = reduction(width_px, height_px, source.max_side_px)
        shown = _reduced(shown, scale)
    return Picture(np.ascontiguousarray(shown), width_px, height_px, scale, captured_at, eye)


def samples_of(source: Source, image: Image.Image) -> Samples:
    """Pixels of a Pillow picture of any kind: grey or RGB, with opacity last where it has one.

    Raises
    ------
    PhotoError
        If its samples fit into neither 8 nor 16 bits.
    """
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
