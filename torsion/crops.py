"""Crops: the part of a picture about a disc, resampled, stretched and blurred for looking at it."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.quantiles import percentile

__all__ = ["DEPTH_PX", "Zoom", "blurred", "reduced", "resampled_crop", "stretched"]

Floats = NDArray[np.float32]

DEPTH_PX = 100  # pixels of a crop for each radius of the disc


def resampled_crop(
    pixels: NDArray[np.uint8], x_px: float, y_px: float, px_per_pixel: float, half_side: int
) -> NDArray[np.uint8]:
    """Square crop of ``2 * half_side + 1`` pixels centred on a point, resampled without aliasing.

    Parameters
    ----------
    pixels : (H, W[, 3]) uint8 ndarray
    x_px, y_px : float
        Point that becomes the centre pixel.
    px_per_pixel : float
        Source pixels for each pixel of the crop.
    half_side : int
        Half of the crop's side, in its own pixels.

    Returns
    -------
    (2 * half_side + 1, 2 * half_side + 1[, 3]) uint8 ndarray
        Beyond the picture's edge the edge pixel is repeated.
    """
    source, reduction = pixels, 1
    margin = int(px_per_pixel * (half_side + 2)) + 2  # reduce only what is needed
    left, top = max(0, int(x_px) - margin), max(0, int(y_px) - margin)
    right, bottom = min(pixels.shape[1], int(x_px) + margin), min(pixels.shape[0], int(y_px) + margin)
    if px_per_pixel >= 2.0 and right - left > 8 and bottom - top > 8:
        reduction = int(px_per_pixel)
        width, height = (right - left) // reduction, (bottom - top) // reduction
        source = pixels[top : top + height * reduction, left : left + width * reduction]
        source = np.asarray(cv2.resize(source, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
        x_px, y_px = (x_px - left + 0.5) / reduction - 0.5, (y_px - top + 0.5) / reduction - 0.5
    step = px_per_pixel / reduction
    to_source = np.array([[step, 0, x_px - step * half_side], [0, step, y_px - step * half_side]])
    side = 2 * half_side + 1
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    crop = cv2.warpAffine(source, to_source, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(crop, dtype=np.uint8)


def reduced(pixels: NDArray[np.uint8], factor: int) -> NDArray[np.uint8]:
    """Means over squares of `factor` pixels; incomplete squares at the right and the bottom are left out."""
    if factor == 1:
        return pixels
    height, width = pixels.shape[0] // factor, pixels.shape[1] // factor
    whole = pixels[: height * factor, : width * factor]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class Zoom:
    """Part of a picture about a disc, made smaller by a whole factor once, for all who look at the disc.

    Attributes
    ----------
    pixels : (H, W[, 3]) uint8 ndarray
    factor : int
        Pixels of the picture for each of the part.
    left, top : int
        First column and row of the part in the picture.
    """

    pixels: NDArray[np.uint8]
    factor: int
    left: int
    top: int

    @classmethod
    def on(cls, pixels: NDArray[np.uint8], x_px: float, y_px: float, radius_px: float) -> "Zoom":
        """Take what lies within 2.2 radii of the middle of a disc, with `DEPTH_PX` or more for its radius."""
        factor, reach = max(1, int(radius_px / DEPTH_PX)), int(2.2 * radius_px) + 2
        left, top = max(0, int(x_px) - reach), max(0, int(y_px) - reach)
        part = pixels[top : int(y_px) + reach, left : int(x_px) + reach]
        if factor == 1 or min(part.shape[:2]) < 8 * factor:
            return cls(pixels, 1, 0, 0)
        return cls(reduced(part, factor), factor, left, top)

    def inwards(self, x: float, y: float, radius: float) -> tuple[float, float, float]:
        """Circle of the picture in pixels of the part."""
        at = (x - self.left + 0.5) / self.factor - 0.5, (y - self.top + 0.5) / self.factor - 0.5
        return *at, radius / self.factor

    def outwards(self, x: float, y: float, radius: float) -> tuple[float, float, float]:
        """Circle of the part in pixels of the picture."""
        at = (x + 0.5) * self.factor - 0.5 + self.left, (y + 0.5) * self.factor - 0.5 + self.top
        return *at, radius * self.factor


def stretched(picture: Floats, low: float, high: float) -> Floats:
    """Stretch a picture so that two of its percentiles become 0 and 100; what lies beyond is clipped."""
    bottom, top = percentile(picture, low), percentile(picture, high)
    return np.asarray(np.clip((picture - bottom) / max(top - bottom, 4.0) * 100.0, 0.0, 100.0), np.float32)


def blurred(picture: Floats, sigma_px: float) -> Floats:
    """Blur a picture by a Gaussian of a standard deviation in pixels."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px), np.float32)
