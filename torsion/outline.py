"""Outlines: the edge round a disc, as seen from its middle.

The strongest step of brightness along each direction is the edge, through which a low-order outline is fitted
robustly.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.quantiles import median, percentile

__all__ = [
    "AT_SIDES",
    "DIRECTIONS",
    "SIDES",
    "arcus_steps",
    "is_along",
    "limbal_step",
    "outline",
    "outline_fit",
    "radial_step",
    "strongest",
    "unrolled",
]

Floats = NDArray[np.float32]

DIRECTIONS = np.radians(np.arange(0.0, 360.0, 2.0))
AT_SIDES = np.abs(np.sin(DIRECTIONS)) < 0.5  # of an eye, where lids leave it free
SIDES = AT_SIDES & (np.cos(DIRECTIONS) > 0), AT_SIDES & (np.cos(DIRECTIONS) <= 0)
"""Directions at the right and at the left of an eye."""
_ARCUS_ROWS = 31  # hundredths of the radius, 1.8 mm: broader than an arcus with its soft edges
_EDGE_ROWS = 11  # breadth of an edge
_LEAST_STEP = 0.04  # of the range of brightness, as of a faint limbus
_BASIS = np.stack(
    [np.ones_like(DIRECTIONS), *(f(k * DIRECTIONS) for k in (1, 2) for f in (np.cos, np.sin))], axis=1
)  # of an outline
_PRODUCTS = (  # of each two of its terms
    _BASIS[:, :, None] * _BASIS[:, None, :]
).reshape(len(DIRECTIONS), -1)


def unrolled(picture: Floats, circle: tuple[float, float, float], radii: NDArray[np.float64]) -> Floats:
    """Unroll a picture about a circle.

    Parameters
    ----------
    picture : (H, W) float32 ndarray
    circle : (float, float, float)
        Its middle, x to the right and y down, and its radius, pixels.
    radii : (n,) ndarray
        In radii of the circle.

    Returns
    -------
    (n, 180) float32 ndarray
        At each radius and each of ``DIRECTIONS``.
    """
    x, y, radius = circle
    across = (x + np.outer(radii * radius, np.cos(DIRECTIONS))).astype(np.float32)
    down = (y - np.outer(radii * radius, np.sin(DIRECTIONS))).astype(np.float32)
    sampled = cv2.remap(picture, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
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


def limbal_step(
    smooth: Floats, circle: tuple[float, float, float], radii: NDArray[np.float64], sigma: float
) -> Floats:
    """Step of brightness along the radius as `radial_step`, in which an arcus at the sides does not count.

    Parameters
    ----------
    smooth, circle, radii, sigma
        As of `arcus_steps`.

    Returns
    -------
    (n, 180) float32 ndarray
        As shares of the range of brightness.
    """
    step, left, arcus = arcus_steps(smooth, circle, radii, sigma)
    for side in SIDES:
        if is_along(arcus, side):
            step[:, side] = np.where(arcus[:, side], left[:, side], step[:, side])
    return step


def arcus_steps(
    smooth: Floats, circle: tuple[float, float, float], radii: NDArray[np.float64], sigma: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Give steps of brightness along the radius with and without an arcus, and where they are its edge.

    An arcus is a ring in the cornea, as bright as the white but narrower, with dark iris beyond it.  So it
    goes when the picture is opened along the radius (J. Serra), and the limbus stays.  Steps that stay are
    taken from the picture itself, since opening darkens noise.  An arcus is seen along a whole side; lashes
    are not.

    Parameters
    ----------
    smooth : (H, W) float32 ndarray
    circle : (float, float, float)
        Its middle, x to the right and y down, and its radius, pixels.
    radii : (n,) ndarray
        In radii of the circle, 0.01 apart.
    sigma : float
        Smoothing in radii.

    Returns
    -------
    step, left : (n, 180) float32 ndarray
        As shares of the range of brightness: in the picture, and in the opened one.
    arcus : (n, 180) bool ndarray
        Where a step is an edge that opening takes away, with the limbus further out.
    """
    beyond = radii[-1] + np.arange(1, _ARCUS_ROWS + 1) / 100.0
    polar = unrolled(smooth, circle, np.concatenate([radii, beyond]))
    bottom, top = (percentile(polar[: len(radii)], share) for share in (2.0, 92.0))
    shares = np.clip((polar - bottom) / np.float32(max(top - bottom, 4.0)), 0.0, 1.0).astype(np.float32)
    opened = cv2.morphologyEx(shares, cv2.MORPH_OPEN, np.ones((_ARCUS_ROWS, 1), np.uint8))
    step, left = radial_step(shares, sigma), radial_step(np.asarray(opened, np.float32), sigma)
    further = np.maximum.accumulate(left[::-1], axis=0)[::-1]
    gone = cv2.dilate(left, np.ones((_EDGE_ROWS, 1), np.uint8)) < 0.5 * step
    arcus = np.asarray(gone & (further > 0.5 * step) & (step > _LEAST_STEP))
    return step[: len(radii)], left[: len(radii)], arcus[: len(radii)]


def is_along(arcus: NDArray[np.bool_], side: NDArray[np.bool_]) -> bool:
    """Whether the edge of an arcus, (n, 180), is seen along most of a side, one of ``SIDES``."""
    return bool(arcus[:, side].any(axis=0).mean() > 0.5)


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
    ridge = np.diag([0.0, 0.1, 0.1, 1.0, 1.0]) * stiffness + 1e-9 * np.eye(5)
    robust = weights
    shape: NDArray[np.float64] = np.array([np.average(edge, weights=weights + 1e-9), 0.0, 0.0, 0.0, 0.0])
    for _ in range(8):
        if robust.sum() < 1e-6:
            break
        normal = (robust @ _PRODUCTS).reshape(5, 5) + ridge
        shape = np.asarray(np.linalg.solve(normal, (robust * edge) @ _BASIS), np.float64)
        miss = edge - outline(shape)
        spread = max(0.012, 1.5 * median(np.abs(miss[robust > 0])))
        robust = weights * np.maximum(1.0 - (miss / (3.0 * spread)) ** 2, 0.0) ** 2
    return shape, robust


def outline(shape: NDArray[np.float64]) -> NDArray[np.float64]:
    """Radius of a fitted outline in each of ``DIRECTIONS``, shape (180,)."""
    return np.asarray(_BASIS @ shape, np.float64)
