"""Fit of a limbus to its edge: the outline, the step of brightness across it, and how round it is."""

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.angles import wrap_axis_deg
from torsion.crops import CloseUp
from torsion.outline import (
    AT_SIDES,
    DIRECTIONS,
    SIDES,
    arcus_steps,
    is_along,
    limbal_step,
    outline_fit,
    strongest,
)
from torsion.photo import Ellipse
from torsion.quantiles import median
from torsion.rings import Circle

__all__ = ["beyond_arcus", "fit_limbus", "limbus_roundness_of", "side_step_of"]

Floats = NDArray[np.float32]

_ON_EDGE = 0.05  # radii, about which an edge is that of the outline; an arcus is broader


def fit_limbus(
    close_up: CloseUp, smooth: Floats, start: Circle
) -> tuple[Ellipse, NDArray[np.float64], NDArray[np.float64]]:
    """Refine a circle to the ellipse on which most of the edge lies.

    Parameters
    ----------
    close_up : CloseUp
        The picture about the start.
    smooth : (H, W) float32 ndarray
        Its pixels, blurred.
    start : (x, y, radius)
        Pixels of the full picture; right to a fifth of the radius.

    Returns
    -------
    limbus : Ellipse
        Pixels of the full picture; always, whether or not it is a limbus.
    weights, steps : (n,) ndarray
        In each of the n `DIRECTIONS`, how far the edge found there counts, and by how much of the range of
        brightness it brightens.
    """
    sine = np.sin(DIRECTIONS)
    trust = np.where(np.abs(sine) < 0.75, 1.0, np.where(sine < 0, 0.5, 0.15))  # lids above, then below
    shape, robust, steps = np.zeros(5), np.zeros_like(sine), np.zeros_like(sine)
    x, y, radius = close_up.inwards(*start)
    for span, sigma, stiffness in ((0.22, 0.05, 3.0), (0.12, 0.035, 3.0), (0.09, 0.03, 1.0)):
        radii = np.arange(0.9 - span, 1.1 + span, 0.01)
        step = limbal_step(smooth, (x, y, radius), radii, sigma)
        likely = np.where(np.abs(radii - 1) < span, np.exp(-0.5 * ((radii - 1) / (0.7 * span)) ** 2), 0.0)
        edge, steps = strongest(radii, step, likely)
        shape, robust = outline_fit(edge, np.clip(steps, 0.0, 0.5) * trust, stiffness=stiffness)
        x, y, radius = x + shape[1] * radius, y - shape[2] * radius, shape[0] * radius
    x, y, radius = close_up.outwards(x, y, radius)
    flattening = min(float(np.hypot(shape[3], shape[4])), 0.3)
    axis = wrap_axis_deg(0.5 * float(np.degrees(np.arctan2(shape[4], shape[3]))))
    ellipse = Ellipse(x, y, radius * (1 + flattening), radius * (1 - flattening), axis)
    return ellipse, robust, steps


def side_step_of(limbus: Ellipse, steps: NDArray[np.float64], shape: tuple[int, ...]) -> float:
    """Median step across a limbus at its sides, as far as they lie in the picture; 0 where neither does.

    Parameters
    ----------
    limbus : Ellipse
    steps : (n,) ndarray
        As of `fit_limbus`.
    shape : (int, int)
        Of the picture.
    """
    x = limbus.x_px + limbus.radius_px * np.cos(DIRECTIONS)
    sides = AT_SIDES & (x > 0) & (x < shape[1] - 1)
    return median(steps[sides]) if sides.any() else 0.0


def limbus_roundness_of(close_up: CloseUp, smooth: Floats, limbus: Ellipse) -> float:
    """Share of a limbus, at its poorer side, on which the strongest step to brighter lies: 0 to 1.

    Parameters
    ----------
    close_up, smooth
        As of `fit_limbus`.
    limbus : Ellipse
        Pixels of the full picture.
    """
    span = 0.15
    circle = close_up.inwards(limbus.x_px, limbus.y_px, limbus.radius_px)
    radii = np.arange(0.9 - span, 1.1 + span, 0.01)
    step = limbal_step(smooth, circle, radii, 0.03)
    step *= step >= cv2.dilate(step, np.ones((3, 1), np.uint8))  # the skirt of a wide pupil's edge is no peak
    edge, height = strongest(radii, step, (np.abs(radii - 1) < span).astype(float))
    flattening = (limbus.major_px - limbus.minor_px) / (limbus.major_px + limbus.minor_px)
    outline = 1 + flattening * np.cos(2 * (DIRECTIONS - np.radians(limbus.axis_deg)))
    on_outline = (np.abs(edge - outline) < 0.03) & (height > 0.02)
    return float(min(on_outline[side].mean() for side in SIDES))


def beyond_arcus(close_up: CloseUp, smooth: Floats, limbus: Ellipse) -> Circle | None:
    """Circle through the limbus where an outline follows the inner edge of an arcus at one side, or at both.

    Parameters
    ----------
    close_up, smooth
        As of `fit_limbus`.
    limbus : Ellipse
        Pixels of the full picture.

    Returns
    -------
    (x, y, radius) or None
        Pixels of the full picture; None where the outline lies on no such edge.
    """
    radii = np.arange(0.75, 1.3, 0.01)
    circle = close_up.inwards(limbus.x_px, limbus.y_px, limbus.radius_px)
    _, left, arcus = arcus_steps(smooth, circle, radii, 0.03)
    on_edge, out = np.abs(radii - 1) < _ON_EDGE, radii > 1 + _ON_EDGE
    further = [
        median(radii[out][left[out][:, side].argmax(axis=0)]) - 1.0 if is_along(arcus[on_edge], side) else 0.0
        for side in SIDES
    ]
    if not any(further):
        return None
    right, other = further
    x_px = limbus.x_px + 0.5 * (right - other) * limbus.radius_px
    return x_px, limbus.y_px, limbus.radius_px * (1.0 + 0.5 * (right + other))
