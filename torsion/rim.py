"""The rim: the edge of the white about the limbus, an oval through what can be seen of it."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from torsion.limbal_rows import COLUMNS, RADII, ROW_STEP, sampled_ring, side_columns, turns
from torsion.own_white import SOFT, OwnWhite, is_white
from torsion.photo import Ellipse
from torsion.quantiles import median, row_medians

__all__ = ["Rim", "find_rim", "side_profile"]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Mask = NDArray[np.bool_]

_RIM_RADII = RADII[RADII < 1.375]  # within which the edge of the white is looked for
_RIM_COLUMNS, _SIDE_COLUMNS = 720, 360  # as many as an edge shared by neighbours needs
_STILL = 1e-5  # limbus radii, from which on a fit does not change
_SHARED_DEG = 5.0  # neighbours within it share the error of the edge


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """The edge of the white: an oval through it where no lid, ink or instrument hides it.

    Attributes
    ----------
    stretch : (1440,) ndarray
        Its radius over that of the outline that was given.
    middle : (2,) ndarray
        Its middle, to the right and upwards of the outline's, limbus radii.
    covariance : (2, 2) ndarray
        Of the middle, limbus radii squared: large upwards where lids hide the upper and the lower limbus.
    """

    stretch: Doubles
    middle: Doubles
    covariance: Doubles


def find_rim(pixels: NDArray[np.uint8], limbus: Ellipse) -> Rim:
    """Find the edge of the white about a limbus.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 ndarray
    limbus : Ellipse
        In pixels of `pixels`.

    Returns
    -------
    Rim
        The outline as it is, with a wide covariance, where hardly any white is seen.
    """
    return _oval(*_edge_of_white(sampled_ring(pixels, limbus, np.ones(_RIM_COLUMNS), _RIM_RADII)))


def side_profile(pixels: NDArray[np.uint8], limbus: Ellipse) -> tuple[Doubles, Doubles]:
    """Red light against radius (in limbus radii) on both sides of an eye, which lids leave free."""
    red = sampled_ring(np.ascontiguousarray(pixels[..., 0]), limbus, np.ones(_SIDE_COLUMNS), RADII)
    return RADII, row_medians(red[:, side_columns(_SIDE_COLUMNS)]).astype(float)


def _edge_of_white(values: Floats) -> tuple[Doubles, Mask]:
    """Height of the edge of the white over the outline in each direction, and where it can be seen.

    A grey ring of age or pigment makes two edges; the outer one bounds the white on which ink is put.
    """
    rows = {
        radius: round((radius - _RIM_RADII[0]) / ROW_STEP) for radius in (0.87, 0.91, 1.09, 1.14, 1.17, 1.20)
    }
    red = values[: rows[1.20], :, 0].astype(float)
    outside = np.asarray(row_medians(red[rows[1.09] : rows[1.17]].T), np.float64)
    inside = np.asarray(row_medians(red[rows[0.87] : rows[0.91]].T), np.float64)
    own, about = OwnWhite.of(values, _RIM_RADII), slice(rows[1.09] - SOFT, rows[1.20] + SOFT)
    seen = is_white(values[about], own)[SOFT:-SOFT].mean(axis=0) > 0.9
    seen &= outside - inside > 0.15 * outside
    height = (red - inside) / np.maximum(outside - inside, 1.0)
    dark = height[: rows[1.14]] < 0.5
    seen &= dark.any(axis=0) & ~dark[-1]
    last = np.minimum(dark.shape[0] - 1 - np.argmax(dark[::-1], axis=0), dark.shape[0] - 2)
    at = np.arange(values.shape[1])
    below, above = height[last, at], height[last + 1, at]
    part = np.clip((0.5 - below) / np.where(above - below < 1e-6, 1.0, above - below), 0.0, 1.0)
    return _RIM_RADII[0] + ROW_STEP * (last + part) - 1.0, seen


def _oval(edge: Doubles, seen: Mask) -> Rim:
    """Robust fit of radius, decentration and ellipticity, held near zero where little is seen."""
    shared = round(_SHARED_DEG * len(edge) / 360.0)
    hold = np.diag([0.0, *([0.03**-2] * 2), *([0.01**-2] * 2)]) + 1e-6 * np.eye(5)
    if seen.sum() < 4 * shared:
        return Rim(np.ones(COLUMNS), np.zeros(2), 0.03**2 * np.eye(2))
    basis, edge = _waves(len(edge))[seen], edge[seen]
    shape = np.array([median(edge), 0.0, 0.0, 0.0, 0.0])
    precision = 1.0 / (shared * 0.008**2)  # the edge is read with an error of 0.008 radii
    before = np.full(5, np.inf)
    for _ in range(10):
        if np.abs(shape - before).max() < _STILL:
            break
        before, miss = shape, edge - basis @ shape
        spread = max(0.006, 1.4826 * median(np.abs(miss)))
        weighed = basis.T * (np.maximum(1.0 - (miss / (3.0 * spread)) ** 2, 0.0) ** 2 * precision)
        normal = weighed @ basis + hold
        shape = np.linalg.solve(normal, weighed @ edge)
    stretch = 1.0 + np.clip(_waves(COLUMNS) @ shape, -0.12, 0.12)
    return Rim(stretch, shape[1:3], np.linalg.inv(normal)[1:3, 1:3])


@cache
def _waves(columns: int) -> Doubles:
    """Waves round the ring: constant (radius), once (decentration) and twice about (ellipticity)."""
    angles = turns(columns)
    waves = np.stack([np.ones(columns), *(f(k * angles) for k in (1, 2) for f in (np.cos, np.sin))], axis=1)
    waves.setflags(write=False)
    return waves
