"""Texture: the fine detail of iris and white of the eye, as strong everywhere."""

import numpy as np
from numpy.typing import NDArray

from torsion.lattice import blurred_mean
from torsion.quantiles import median
from torsion.zones import Regions

__all__ = ["texture_of"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

_SPARSE = 3  # rows and columns: the local standard deviation is smooth
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

    fine = (detail - blurred_mean(detail, weight, 0.05 * px)) * weight
    deviation = np.sqrt(np.maximum(blurred_mean(fine * fine, weight, 0.10 * px), 0.0))
    some = np.s_[::_SPARSE, ::_SPARSE]
    usual = median(deviation[some][valid[some]]) if valid[some].any() else 0.0
    floor = 0.3 * usual + 0.5  # half a grey level is rounding, not texture
    normal = np.clip(fine / (deviation + np.float32(floor)), -_MAX_DETAIL, _MAX_DETAIL)
    return np.asarray(normal * weight, np.float32)
