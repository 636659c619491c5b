"""Crops: the part of a picture about a disc, resampled, stretched and blurred for looking at it."""

from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.quantiles import percentile

__all__ = ["DEPTH_PX", "CloseUp", "blurred", "halved", "resampled_crop", "stretched"]

Floats = NDArray[np.float32]
_Number = TypeVar("_Number", np.uint8, np.float32)

DEPTH_PX = 100  # pixels of a close-up for each radius of the disc


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
    margin = int(px_per_pixel * (half_side + 2)) + 2  # reduce and convert only what is needed
    (top, bottom), (left, right) = (
        _span(int(at), margin, side) for at, side in zip((y_px, x_px), pixels.shape[:2], strict=True)
    )
    source, reduction = pixels[top:bottom, left:right], 1
    if 2.0 <= px_per_pixel <= min(source.shape[:2]) / 2:
        halvings = int(np.log2(px_per_pixel))
        source, reduction = halved(source, halvings), 2**halvings
    step = px_per_pixel / reduction
    x, y = (x_px - left + 0.5) / reduction - 0.5, (y_px - top + 0.5) / reduction - 0.5
    to_source = np.array([[step, 0, x - step * half_side], [0, step, y - step * half_side]])
    side = 2 * half_side + 1
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    in_color = source.ndim == 3
    padded = (
        cv2.cvtColor(source, cv2.COLOR_RGB2RGBA) if in_color else source
    )  # as is, colour takes twice as long
    crop = cv2.warpAffine(padded, to_source, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.cvtColor(crop, cv2.COLOR_RGBA2RGB) if in_color else crop, dtype=np.uint8)


def _span(at: int, margin: int, side: int) -> tuple[int, int]:
    """First pixel of a row of the picture that lies so near, and the one after the last; one at least."""
    first = min(max(0, at - margin), side - 1)
    return first, max(first + 1, min(side, at + margin))


def halved(pixels: NDArray[_Number], times: int) -> NDArray[_Number]:
    """Means over squares of two pixels, so many times over; last odd rows and columns are left out."""
    for _ in range(times):
        height, width = pixels.shape[0] // 2, pixels.shape[1] // 2
        whole = pixels[: 2 * height, : 2 * width]
        pixels = np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), pixels.dtype)
    return pixels


@dataclass(frozen=True, slots=True, eq=False)
class CloseUp:
    """A disc and what lies about it, resampled once for all who look for its edge.

    Attributes
    ----------
    pixels : (N, N[, 3]) uint8 ndarray
        With `DEPTH_PX` for the radius at which the disc was looked for, its middle in the middle.
    x_px, y_px : float
        That middle in the picture.
    step_px : float
        Pixels of the picture for each of these.
    """

    pixels: NDArray[np.uint8]
    x_px: float
    y_px: float
    step_px: float

    @classmethod
    def on(
        cls, pixels: NDArray[np.uint8], x_px: float, y_px: float, radius_px: float, *, reach: float
    ) -> "CloseUp":
        """Look at what lies within so many radii to each side of the middle of a disc."""
        step_px = radius_px / DEPTH_PX
        return cls(resampled_crop(pixels, x_px, y_px, step_px, int(reach * DEPTH_PX)), x_px, y_px, step_px)

    def inwards(self, x: float, y: float, radius: float) -> tuple[float, float, float]:
        """Circle of the picture in pixels of the close-up."""
        middle = self.pixels.shape[0] // 2
        at = (x - self.x_px) / self.step_px + middle, (y - self.y_px) / self.step_px + middle
        return *at, radius / self.step_px

    def outwards(self, x: float, y: float, radius: float) -> tuple[float, float, float]:
        """Circle of the close-up in pixels of the picture."""
        middle = self.pixels.shape[0] // 2
        at = (x - middle) * self.step_px + self.x_px, (y - middle) * self.step_px + self.y_px
        return *at, radius * self.step_px


def stretched(picture: Floats, low: float, high: float) -> Floats:
    """Stretch a picture so that two of its percentiles become 0 and 100; what lies beyond is clipped."""
    bottom, top = percentile(picture, low), percentile(picture, high)
    return np.asarray(np.clip((picture - bottom) / max(top - bottom, 4.0) * 100.0, 0.0, 100.0), np.float32)


def blurred(picture: Floats, sigma_px: float) -> Floats:
    """Blur a picture by a Gaussian of a standard deviation in pixels."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px), np.float32)
