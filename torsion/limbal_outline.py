"""The outline of the limbus that ink is read about: the one found, checked against the edge of the white.

A lid or its lashes can pull an outline aside, and a grey ring of age has an edge inside the limbus that is
as clear as the limbus itself.  A rotation forgives both.  The direction of a mark does not: it is counted
from the middle, and at the edge where the white begins.
"""

import numpy as np
from numpy.typing import NDArray

from torsion.photo import Ellipse
from torsion.quantiles import median
from torsion.rim import Rim, find_rim, side_profile

__all__ = ["checked_outline"]

_ASIDE = 0.05  # limbus radii: four standard deviations of the difference between the outline's middle (0.007)
# and that of the edge of the white (0.011) where both are right, 80 drawn photos
_SURE = 0.012  # standard uncertainty of the middle of the white, limbus radii, from which it is believed
_SETTLED = 0.004  # limbus radii
_ROUNDS = 5
_GREY = (1.05, 1.38)  # limbus radii: where the limbus lies if the inner edge of a grey ring was taken for it
_DIP, _RISE = 0.8, 0.6  # brightness of the clear ring beside it, over that of the grey ring and of the white


def checked_outline(pixels: NDArray[np.uint8], limbus: Ellipse) -> tuple[Ellipse, Rim]:
    """Move an outline of the limbus to the edge of the white where it lies clearly off it.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 ndarray
    limbus : Ellipse
        In pixels of `pixels`.

    Returns
    -------
    Ellipse
        The same where both agree, or where too little white is seen to tell.
    Rim
        The edge of the white about it.
    """
    outer = _outside_grey_ring(pixels, limbus)
    first = rim = find_rim(pixels, outer)
    if np.hypot(*rim.middle) < _ASIDE / 2:
        return outer, rim
    moved = outer
    for _ in range(_ROUNDS):
        moved = _moved(moved, rim)
        rim = find_rim(pixels, moved)
        if np.hypot(*rim.middle) < _SETTLED:
            break
    aside = np.hypot(moved.x_px - outer.x_px, moved.y_px - outer.y_px) / outer.radius_px
    settled = np.hypot(*rim.middle) < _ASIDE / 2 and np.sqrt(rim.covariance.diagonal().max()) < _SURE
    return (moved, rim) if settled and aside > _ASIDE else (outer, first)


def _moved(limbus: Ellipse, rim: Rim) -> Ellipse:
    px, stretch = limbus.radius_px, median(rim.stretch)
    x_px, y_px = limbus.x_px + px * float(rim.middle[0]), limbus.y_px - px * float(rim.middle[1])
    return Ellipse(x_px, y_px, limbus.major_px * stretch, limbus.minor_px * stretch, limbus.axis_deg)


def _outside_grey_ring(pixels: NDArray[np.uint8], limbus: Ellipse) -> Ellipse:
    """Grow an outline to where, beyond a clear ring, the white begins."""
    radii, red = side_profile(pixels, limbus)
    first, last = np.searchsorted(radii, _GREY)
    dip = first + int(np.argmin(red[first:last]))
    grey, white = red[np.searchsorted(radii, 1.0) : dip + 1].max(), red[dip:].max()
    if not (red[dip] < _DIP * grey and red[dip] < _RISE * white):
        return limbus
    level = (red[dip] + white) / 2.0
    grown = float(radii[dip + int(np.argmax(red[dip:] > level))])
    return Ellipse(
        limbus.x_px, limbus.y_px, limbus.major_px * grown, limbus.minor_px * grown, limbus.axis_deg
    )
