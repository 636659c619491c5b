"""Lids over the iris: the curve along which what looks like the skin beside the eye ends.

What lies inside the limbus but looks like what lies beyond it, above or below, is lid.  Both are sampled in
the picture itself, so the colours of skin and iris need not be known beforehand, and a grey picture will do.
"""

import numpy as np
from numpy.typing import NDArray

from torsion.quantiles import median

__all__ = ["lid_mask"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

_BEYOND = (1.06, 1.40)  # limbus radii: skin, or the white of an eye held open
_SECTOR = 0.80  # cosine: 37 degrees to both sides of upwards or downwards
_FEW = 30  # points of the lattice, from which a colour is told
_LEAST = 0.02  # share of the iris; the soft edge of the limbus looks like the white beyond it as well
_SPREADS = (0.10, 3.0, 3.0)  # least standard deviations: a tenth of the brightness, and of colour in CIELAB
_APART = 1.5  # standard deviations: skin nearer to the iris is not told from it
_MOST = 2.0  # log likelihood of one point, so that no lash, crypt or glint outvotes its neighbours
_OPEN = 0.5  # log likelihood of a point that tells nothing: most of an iris is seen
_ROOTS = 0.05  # limbus radii, 0.3 mm: margin of the lid and roots of lashes, within its skin
_COARSE = 2  # points of the lattice for each column that is looked at
_HEIGHTS = np.arange(-0.2, 1.25, 0.04, dtype=np.float32)  # limbus radii, over the middle of the limbus
# Of the curves, each with each, one in a row; a lid over a globe of two limbus radii has a bend of 0.25.
_SLOPES, _BENDS = (
    part.reshape(-1, 1).astype(np.float32)
    for part in np.meshgrid(np.tan(np.radians(np.arange(-18.0, 19.0, 6.0))), [0.0, 0.2, 0.4], indexing="ij")
)


def lid_mask(features: Floats, iris: Mask, seed: Mask, shown: Mask, across: Floats) -> Mask:
    """Points of the iris that the upper or the lower lid covers.

    Parameters
    ----------
    features : (n, n, k) float32 ndarray
        Logarithm of the brightness, and in colour both chromas (CIELAB), on a lattice.
    iris, seed, shown : (n, n) bool ndarray
        The iris; the part of it that lids leave free; what lies in the picture.
    across : (n,) float32 ndarray
        Places of the columns, rising, limbus radii from the middle of the limbus; also those of the rows,
        downwards.

    Returns
    -------
    (n, n) bool ndarray
        All False where too little of iris or skin is seen to know its colour.
    """
    covered = np.zeros_like(iris)
    if seed.sum() < _FEW:
        return covered
    reach = np.hypot(across[None, :], across[:, None])
    beyond = (reach > _BEYOND[0]) & (reach < _BEYOND[1]) & shown
    for outwards in (-across, across):  # the upper lid, the lower
        skin = beyond & (outwards[:, None] > _SECTOR * reach)
        if skin.sum() >= _FEW:
            tells = np.where(iris, _likelihood(features, seed, skin), np.float32(0.0))
            above = outwards[:, None] - _edge(tells, across, outwards)[None, :]
            lid = iris & (above > 0)
            covered |= iris & (above > -_ROOTS) if lid.sum() > _LEAST * iris.sum() else lid
    return covered


def _likelihood(features: Floats, seed: Mask, skin: Mask) -> Floats:
    """Log likelihood of iris over that of skin at each point.

    After R. A. Fisher, doi 10.1111/j.1469-1809.1936.tb02137.x, with medians for means.
    """
    total, apart = np.full(features.shape[:2], _OPEN, np.float32), 0.0
    for values, least in zip(np.moveaxis(features, -1, 0), _SPREADS, strict=False):
        middle, other = median(values[seed]), median(values[skin])
        spreads = (median(np.abs(values[of] - at)) for of, at in ((seed, middle), (skin, other)))
        spread = max(least, *(1.4826 * own for own in spreads))
        apart += ((middle - other) / spread) ** 2
        total += np.float32((middle - other) / spread**2) * (values - np.float32((middle + other) / 2.0))
    if apart < _APART**2:
        total[:] = _OPEN
    return np.asarray(np.clip(total, -_MOST, _MOST), np.float32)


def _edge(tells: Floats, across: Floats, outwards: Floats) -> Floats:
    """Height of the lid's edge over each column: the curve within which most speaks for iris."""
    inside = np.flatnonzero(np.abs(across) < 1.0)[::_COARSE]
    rows = tells[:, inside] if outwards[0] < outwards[-1] else tells[::-1, inside]
    within = np.concatenate([np.zeros((1, len(inside)), np.float32), np.cumsum(rows, axis=0)])
    first, step = across[0], across[1] - across[0]
    x, columns = across[inside], np.arange(len(inside))
    curves = _HEIGHTS[:, None] + (_SLOPES * x - _BENDS * x * x)[:, None]
    at = np.clip(np.ceil((curves - first) / step).astype(np.intp), 0, len(across))
    sums = within[at, columns].sum(axis=-1)
    shape, height = np.unravel_index(int(np.argmax(sums)), sums.shape)
    found = _HEIGHTS[height] + _SLOPES[shape] * across - _BENDS[shape] * across * across
    return np.asarray(found, np.float32)
