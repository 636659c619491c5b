"""Outlines: the edge round a disc, as seen from its middle, and how it is found.

Rings of contrast find a disc roughly (J. Daugman, doi 10.1109/34.244676); then the strongest step of
brightness along each direction is its edge, through which a low-order outline is fitted robustly.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.quantiles import median, percentile

__all__ = [
    "DEPTH_PX",
    "DIRECTIONS",
    "Zoom",
    "blurred",
    "central_contrast",
    "outline",
    "outline_fit",
    "radial_step",
    "reduced",
    "resampled_crop",
    "ring_contrasts",
    "stretched",
    "strongest",
    "unrolled",
]

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]

DEPTH_PX = 100  # pixels of a crop for each radius of the disc
DIRECTIONS = np.radians(np.arange(0.0, 360.0, 2.0))
_BASIS = np.stack(
    [np.ones_like(DIRECTIONS), *(f(k * DIRECTIONS) for k in (1, 2) for f in (np.cos, np.sin))], axis=1
)  # of an outline
_RING_STEP = 0.10  # contrast is taken between radii 10 % inside and outside the ring
_FIXED = 32  # parts of a grey level of 100: the sum over an arc still fits into 16 bits
_SPOKES_DEG = np.arange(5.0, 360.0, 10.0)
_ARC_OF_SPOKE = np.select(  # 0 right, 1 left, 2 below, 3 above
    [
        (_SPOKES_DEG < 50) | (_SPOKES_DEG > 310),
        (_SPOKES_DEG > 130) & (_SPOKES_DEG < 230),
        (_SPOKES_DEG >= 230) & (_SPOKES_DEG <= 310),
    ],
    [0, 1, 2],
    default=3,
)
_ARCS, _SPOKES_OF_ARC = _ARC_OF_SPOKE.tolist(), np.bincount(_ARC_OF_SPOKE)


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


def ring_contrasts(
    picture: Floats, radii_px: NDArray[np.float64], clip: float
) -> Iterator[tuple[Floats, Floats, Floats, Floats]]:
    """Mean step of brightness across rings round every pixel, outside minus inside, ring by ring.

    In fixed point, which is good to 0.01 and takes half the time.

    Parameters
    ----------
    picture : (H, W) float32 ndarray
        Within 0 to 100.
    radii_px : (n,) ndarray
    clip : float
        A single step counts up to this, so that no lash or glint outvotes the ring.

    Yields
    ------
    right, left, below, above : (H, W) float32 ndarray
        For each radius: the mean over that arc of the ring, each pixel being the centre.
    """
    height, width = picture.shape
    border, rows, columns = _places_of_rings(radii_px)
    fixed = np.rint(np.pad(picture, border, mode="edge") * np.float32(_FIXED)).astype(np.int16)
    most = np.full((height, width), round(clip * _FIXED), np.int16)
    least, step = -most, np.empty((height, width), np.int16)
    scale = np.float32(1.0) / (np.float32(_FIXED) * _SPOKES_OF_ARC.astype(np.float32))
    for places in np.stack([rows, columns], axis=-1).transpose(1, 2, 0, 3).tolist():
        total = np.zeros((4, height, width), np.int16)
        for arc, ((row, column), (inner_row, inner_column)) in zip(_ARCS, places, strict=True):
            outside = fixed[row : row + height, column : column + width]
            inside = fixed[inner_row : inner_row + height, inner_column : inner_column + width]
            cv2.subtract(outside, inside, dst=step)
            np.minimum(step, most, out=step)
            np.maximum(step, least, out=step)
            cv2.add(total[arc], step, dst=total[arc])
        right, left, below, above = total * scale[:, None, None]
        yield right, left, below, above


def central_contrast(
    picture: Floats, radii_px: NDArray[np.float64], clip: float, *, beyond: float, within: int
) -> Floats:
    """Mean step of brightness across rings round the pixels near the middle, outside minus inside.

    Parameters
    ----------
    picture : (H, W) float32 ndarray
    radii_px : (n,) ndarray
    clip : float
        As in `ring_contrasts`.
    beyond : float
        Share for which what exceeds the clip counts.
    within : int
        Pixels this near to the middle row and column of the picture are taken as centres.

    Returns
    -------
    (n, 4, 2 * within + 1, 2 * within + 1) float32 ndarray
        For each radius and arc (right, left, below, above) and each centre.
    """
    side = 2 * within + 1
    border, rows, columns = _places_of_rings(radii_px)
    rows, columns = rows + picture.shape[0] // 2 - within, columns + picture.shape[1] // 2 - within
    padded = np.pad(picture, border, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, (side, side))
    step = (windows[rows[0], columns[0]] - windows[rows[1], columns[1]]).reshape(*rows.shape[1:], -1)
    clipped = np.clip(step, -clip, clip)
    clipped += np.float32(beyond) * (step - clipped)
    arcs = (np.arange(4)[:, None] == _ARC_OF_SPOKE) / _SPOKES_OF_ARC[:, None]
    contrast = arcs.astype(np.float32) @ clipped
    return np.asarray(contrast.reshape(-1, 4, side, side), np.float32)


def _places_of_rings(radii_px: NDArray[np.float64]) -> tuple[int, NDArray[np.intp], NDArray[np.intp]]:
    """Give the border that rings need, and where their samples lie beside a centre once it is added.

    Rows and columns have the shape (2, radii, spokes): outside the ring first, then inside it.
    """
    border = int(radii_px[-1] * (1 + _RING_STEP)) + 2
    spokes = np.radians(_SPOKES_DEG)
    shares = np.array([1 + _RING_STEP, 1 - _RING_STEP])[:, None, None] * radii_px[:, None]
    rows = border + np.rint(-shares * np.sin(spokes)).astype(int)
    return border, rows, border + np.rint(shares * np.cos(spokes)).astype(int)


def unrolled(picture: Floats, radii: NDArray[np.float64]) -> Floats:
    """Unroll a crop about its middle.

    Parameters
    ----------
    picture : (N, N) float32 ndarray
        Crop with ``DEPTH_PX`` pixels for each radius of the disc, N odd.
    radii : (n,) ndarray
        In radii of the disc.

    Returns
    -------
    (n, 180) float32 ndarray
        At each radius and each of ``DIRECTIONS``.
    """
    centre = picture.shape[0] // 2
    x = centre + np.outer(radii, np.cos(DIRECTIONS)) * DEPTH_PX
    y = centre - np.outer(radii, np.sin(DIRECTIONS)) * DEPTH_PX
    sampled = cv2.remap(
        picture, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(sampled, np.float32)


def radial_step(polar: Floats, sigma: float) -> Floats:
    """Step of brightness along the radius, positive where it is brighter outside.

    Parameters
    ----------
    polar : (n, 180) float32 ndarray
        Brightness unrolled, rows 0.01 radii apart.
    sigma : float
        Smoothing in radii of the disc.

    Returns
    -------
    (n, 180) float32 ndarray
        In units of the brightness.
    """
    reach = int(sigma * 300)
    at = np.arange(-reach, reach + 1) / 100.0
    kernel = at * np.exp(-(at**2) / (2 * sigma**2))
    kernel /= np.abs(kernel).sum() / 2.0
    step = cv2.filter2D(
        polar, cv2.CV_32F, kernel[:, None].astype(np.float32), borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(cv2.blur(step, (5, 1)), np.float32)


def strongest(
    radii: NDArray[np.float64], step: Floats, likely: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Radius of the strongest likely step in each direction, to a fraction of a row.

    Parameters
    ----------
    radii : (n,) ndarray
    step : (n, 180) float32 ndarray
    likely : (n,) ndarray
        Weight of each radius.

    Returns
    -------
    edge, height : (180,) ndarray
        Radius and weighed height of the step.
    """
    weighed = step * likely[:, None]
    at = np.clip(weighed.argmax(axis=0), 1, len(radii) - 2)
    columns = np.arange(step.shape[1])
    before, here, after = weighed[at - 1, columns], weighed[at, columns], weighed[at + 1, columns]
    bend = before - 2 * here + after
    offset = np.where(bend < -1e-6, 0.5 * (before - after) / np.minimum(bend, -1e-6), 0.0)
    return radii[at] + 0.01 * np.clip(offset, -1, 1), here.astype(np.float64)


def outline_fit(
    edge: NDArray[np.float64], weights: NDArray[np.float64], *, stiffness: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit radius, decentration and ellipticity to an edge, robustly (J. Tukey's biweight).

    Parameters
    ----------
    edge, weights : (180,) ndarray
        Radius of the edge in each of ``DIRECTIONS``, and how well it is seen there.
    stiffness : float
        Holds the ellipticity near zero where the edge is seen on short arcs only.

    Returns
    -------
    shape : (5,) ndarray
        Factors of 1, cos, sin, cos 2 and sin 2 of the direction; the weighted mean radius and zeros where no
        weight is left.
    robust : (180,) ndarray
        Weights with outliers taken out.
    """
    ridge = np.diag([0.0, 0.1, 0.1, 1.0, 1.0]) * stiffness
    robust = weights
    shape: NDArray[np.float64] = np.array([np.average(edge, weights=weights + 1e-9), 0.0, 0.0, 0.0, 0.0])
    for _ in range(8):
        if robust.sum() < 1e-6:
            break
        normal = _BASIS.T @ (_BASIS * robust[:, None]) + ridge + 1e-9 * np.eye(5)
        shape = np.asarray(np.linalg.solve(normal, _BASIS.T @ (robust * edge)), np.float64)
        miss = edge - outline(shape)
        spread = max(0.012, 1.5 * median(np.abs(miss[robust > 0])))
        robust = weights * np.clip(1.0 - (miss / (3.0 * spread)) ** 2, 0.0, None) ** 2
    return shape, robust


def outline(shape: NDArray[np.float64]) -> NDArray[np.float64]:
    """Radius of a fitted outline in each of ``DIRECTIONS``, shape (180,)."""
    return np.asarray(_BASIS @ shape, np.float64)


def stretched(picture: Floats, low: float, high: float) -> Floats:
    """Stretch a picture so that two of its percentiles become 0 and 100; what lies beyond is clipped."""
    bottom, top = percentile(picture, low), percentile(picture, high)
    return np.asarray(np.clip((picture - bottom) / max(top - bottom, 4.0) * 100.0, 0.0, 100.0), np.float32)


def blurred(picture: Floats, sigma_px: float) -> Floats:
    """Blur a picture by a Gaussian of a standard deviation in pixels."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px), np.float32)
