"""Texture: the fine detail of iris and white of the eye, as strong everywhere."""

import numpy as np
from numpy.typing import NDArray

from torsion.lattice import blurred_mean, full_size, lattice_mean
from torsion.quantiles import median
from torsion.zones import Regions

__all__ = ["texture_of"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

_MAX_DETAIL = 3.0  # local standard deviations


def texture_of(rgb: NDArray[np.uint8], regions: Regions, valid: Mask, px: float) -> Floats:
    """Green in the limbal band, where it shows vessels, and red and green in the iris.

    Parameters
    ----------
    rgb : (N, N, 3) uint8 ndarray
        The cut of an eye.
    regions : Regions
    valid : (N, N) bool ndarray
        True where a pixel turns with the eye; the texture is zero elsewhere.
    px : float
        Pixels of the cut for each limbus radius.

    Returns
    -------
    (N, N) float32 ndarray
        In local standard deviations.
    """
    green = rgb[..., 1].astype(np.float32)
    texture = _normalised(green, valid & regions.ring, px)
    half = len(rgb) // 2
    about = np.s_[half - int(px) : half + int(px) + 1, half - int(px) : half + int(px) + 1]
    both = np.float32(0.5) * (rgb[..., 0][about] + green[about])
    texture[about] += _normalised(both, (valid & regions.iris)[about], px)
    return texture


def _normalised(detail: Floats, valid: Mask, px: float) -> Floats:
    """Detail finer than 0.05 radii, divided by its local standard deviation; pixels outside play no part."""
    weight = valid.astype(np.float32)
    if not valid.any():
        return np.zeros_like(weight)

    weighted = detail * weight
    fine = weighted - weight * blurred_mean(weighted, weight, 0.05 * px)
    variance, step = lattice_mean(fine * fine, weight, 0.10 * px)
    deviation = np.sqrt(np.maximum(variance, 0.0))
    some = valid[::step, ::step]
    usual = median(deviation[some]) if some.any() else 0.0
    floor = 0.3 * usual + 0.5  # half a grey level is rounding, not texture
    fine *= full_size(1.0 / (deviation + np.float32(floor)), step, len(weight))
    return np.clip(fine, -_MAX_DETAIL, _MAX_DETAIL, out=fine)
