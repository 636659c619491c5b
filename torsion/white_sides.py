"""Where the white of the eye lies: beside the iris as a rule, above and below it in a picture on its side."""

import numpy as np
from numpy.typing import NDArray

from torsion.photo import Ellipse, is_grey

__all__ = ["white_beside"]

Image = NDArray[np.uint8]
Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]

_BESIDE_DEG, _ACROSS_DEG = (0.0, 180.0), (90.0, 270.0)  # middles of the sectors that are compared
_SPREAD_DEG = np.arange(-35.0, 36.0, 3.0)  # of a sector about its middle
_RADII = np.arange(1.1, 1.36, 0.03)  # limbus radii: beyond a soft limbus, and not yet in the corner
_ROUND_DEG, _SKIN = (
    np.arange(0.0, 360.0, 3.0),
    np.arange(1.5, 2.05, 0.05),
)  # limbus radii: mostly skin
_LEAST_SEEN = 0.3  # of a sector, inside the picture
_DARK = 8.0  # grey levels; colour in what is darker is noise


def white_beside(pixels: Image, limbus: Ellipse) -> float | None:
    """How much redder it is above and below the iris than beside it, as the logarithm of red over blue.

    Lids cover the limbus from above and below, and skin is redder than the white of the eye in any light.
    Beside the iris the less red side counts, since blood may redden the white of one; above and below the
    redder one, since an eye may be open so wide that white shows at one of them.  Nor is it white above and
    below where it is as red as what lies further out: a brown stain makes the white redder than skin.

    Parameters
    ----------
    pixels : (H, W[, 3]) uint8 ndarray
    limbus : Ellipse
        In pixels of `pixels`.

    Returns
    -------
    float or None
        Negative where the picture lies on its side, about 0 where no lid is near, as under a speculum; None
        without colour, or where neither sector of the one or the other kind lies in the picture.
    """
    if pixels.ndim == 2:
        return None
    beside, across = (
        [_redness(pixels, limbus, at + _SPREAD_DEG, _RADII) for at in middles]
        for middles in (_BESIDE_DEG, _ACROSS_DEG)
    )
    seen = [[float(np.median(red)) for red in sectors if red is not None] for sectors in (beside, across)]
    if not all(seen):
        return None
    white, lids = min(seen[0]), max(seen[1])
    about = _redness(pixels, limbus, _ROUND_DEG, _SKIN)
    skin = white if about is None else float(np.median(about))
    return lids - min(white, skin)


def _redness(pixels: Image, limbus: Ellipse, directions_deg: Doubles, radii: Doubles) -> Floats | None:
    """Logarithm of red over blue in a part of a ring; None where little of it is seen or has colour."""
    turn, out = np.radians(directions_deg), limbus.radius_px * radii[:, None]
    x = np.rint(limbus.x_px + out * np.cos(turn)).astype(int)
    y = np.rint(limbus.y_px - out * np.sin(turn)).astype(int)
    inside = (x >= 0) & (x < pixels.shape[1]) & (y >= 0) & (y < pixels.shape[0])
    colours = pixels[y[inside], x[inside]]
    if inside.mean() < _LEAST_SEEN or is_grey(colours.repeat(4, axis=0)[:, None]):
        return None
    red, _, blue = (colours + np.float32(_DARK)).T
    return np.asarray(np.log(red / blue), np.float32)
