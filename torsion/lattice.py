"""Blurred maps of a picture, on a lattice as coarse as the blur allows, and brought back to full size."""

from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.crops import halved

__all__ = ["SmoothColour", "blurred_mean", "full_size", "lattice_blur", "lattice_mean"]

Floats = NDArray[np.float32]
_Number = TypeVar("_Number", np.uint8, np.float32)
Mask = NDArray[np.bool_]

# Share of the white's X, Y and Z that red, green and blue have: each row adds up to 1.
_XYZ_OVER_WHITE = np.array(
    [[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169], [0.019334, 0.119193, 0.950227]]
)
_XYZ_OVER_WHITE /= _XYZ_OVER_WHITE.sum(axis=1, keepdims=True)
_AB = np.array([[500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])


@dataclass(frozen=True, slots=True, eq=False)
class SmoothColour:
    """Blurred colour of a square picture.

    Attributes
    ----------
    brightness, whiteness : (n, n) float32 ndarray
        Mean of the channels, and the least of them.
    chroma : (n, n, 2) float32 ndarray
        CIELAB.
    step, side : int
        Pixels of the picture for each point of the lattice, and along a side.
    """

    brightness: Floats
    whiteness: Floats
    chroma: Floats
    step: int
    side: int

    @classmethod
    def of(cls, rgb: NDArray[np.uint8], sigma_px: float) -> "SmoothColour":
        """Blur a picture (N, N, 3) by a Gaussian."""
        colour, step = lattice_blur(rgb.astype(np.float32), sigma_px)
        chroma = _chroma(colour / np.float32(255.0))
        red, green, blue = cv2.split(colour)
        mean, least = (red + green + blue) / np.float32(3.0), cv2.min(cv2.min(red, green), blue)
        return cls(np.asarray(mean, np.float32), np.asarray(least, np.float32), chroma, step, rgb.shape[0])

    def on_lattice(self, mask: Mask) -> Mask:
        """Points of the lattice whose pixels are mostly in a mask."""
        return _coarse(mask.astype(np.float32), self.step) > 0.5

    def places_px(self) -> Floats:
        """Places of columns or rows of the lattice, pixels from the middle of the picture."""
        points = np.arange(len(self.brightness), dtype=np.float32)
        return np.asarray((points + np.float32(0.5)) * self.step - np.float32(self.side / 2.0), np.float32)

    def where(self, *margins: Floats) -> Mask:
        """Pixels of the picture at which maps on the lattice are all positive."""
        least = np.minimum.reduce(margins)
        return full_size(np.asarray(least, np.float32), self.step, self.side) > 0


def _chroma(rgb: Floats) -> Floats:
    """CIELAB a* and b* (CIE 015) of sRGB (IEC 61966-2-1) within 0 to 1, against its white.

    Not by OpenCV, which makes tables for 0.15 s at its first such conversion: as long as one photo takes.
    """
    bright = cv2.pow((rgb + np.float32(0.055)) / np.float32(1.055), 2.4)
    linear = np.where(rgb > 0.04045, bright, rgb / np.float32(12.92))
    share = cv2.transform(linear, _XYZ_OVER_WHITE)
    dark = np.float32(7.787) * share + np.float32(16.0 / 116.0)
    root = np.where(share > 0.008856, cv2.pow(share, 1.0 / 3.0), dark)
    return np.asarray(cv2.transform(root, _AB), np.float32)


def blurred_mean(weighted: Floats, weight: Floats, sigma_px: float) -> Floats:
    """Gaussian mean of a square map over its neighbours; the map is given times its weights."""
    return full_size(*lattice_mean(weighted, weight, sigma_px), weight.shape[0])


def lattice_mean(weighted: Floats, weight: Floats, sigma_px: float) -> tuple[Floats, int]:
    """Likewise, on the lattice, with the pixels for each of its points."""
    (total, step), (share, _) = (lattice_blur(part, sigma_px) for part in (weighted, weight))
    return np.asarray(total / (share + np.float32(1e-6)), np.float32), step


def lattice_blur(picture: NDArray[_Number], sigma_px: float) -> tuple[Floats, int]:
    """Blur a square picture by a Gaussian: on the lattice, with the pixels for each of its points.

    Point k of a row stands for ``step`` pixels from ``k * step`` on.
    """
    step = _step(sigma_px)
    coarse = np.asarray(_coarse(picture, step), np.float32)
    return np.asarray(cv2.GaussianBlur(coarse, (0, 0), _left_to_blur(sigma_px, step)), np.float32), step


def full_size(coarse: Floats, step: int, side: int) -> Floats:
    """Interpolate a map on a lattice to the full size of the picture, `side` pixels."""
    if step == 1:
        return coarse
    size = (coarse.shape[1] * step, coarse.shape[0] * step)
    full = cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(full[:side, :side], np.float32)


def _step(sigma_px: float) -> int:
    """How coarse a lattice may be that carries a blur: 1, 2 or 4, still with a blur of 1.2 of its steps."""
    return next((step for step in (4, 2) if sigma_px >= 1.2 * step), 1)


def _left_to_blur(sigma_px: float, step: int) -> float:
    """Blur that is left to do on a lattice, whose own mean and interpolation blur by a quarter of a step."""
    return float(np.sqrt((sigma_px / step) ** 2 - (0.25 if step > 1 else 0.0)))


def _coarse(picture: NDArray[_Number], step: int) -> NDArray[_Number]:
    """Means over squares of `step` pixels; the last ones reach beyond the edge, which is repeated."""
    if step == 1:
        return picture
    beyond = -picture.shape[0] % step
    whole = cv2.copyMakeBorder(picture, 0, beyond, 0, beyond, cv2.BORDER_REPLICATE)
    return halved(np.asarray(whole, picture.dtype), step // 2)
