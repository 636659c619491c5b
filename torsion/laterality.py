"""Laterality: whether a picture shows a right or a left eye, by the flesh of the inner corner.

Two photos that are both mirrored, or both of the fellow eye, match each other; only what tells right from
left by itself shows it.  The inner (nasal) corner of the lids holds the caruncle and the plica, bright pink
flesh some 3 by 5 mm large; at the outer corner the white of the eye meets the lids, whose moist edge is at
most 2 mm wide.  Seen by the examiner, the inner corner of a right eye lies to the right.  Not visible is the
usual answer: a wrong one would refuse a good pair.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.angles import Eye, unit_vector
from torsion.outline import resampled_crop
from torsion.photo import Ellipse, Photo

__all__ = ["read_laterality"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

_PX = 40  # pixels for each limbus radius: 0.15 mm, much finer than the caruncle
_HALF = int(3.2 * _PX)  # both corners lie within 3 limbus radii
_DISC = 0.15  # limbus radii (0.9 mm): an opening by this disc removes the moist edge of the lids
_WHITE = 0.15  # logarithm of red over blue, against the white beside the iris; pale skin has 0.2
_FLESH = 0.18  # red excess of a caruncle, of the white's brightness; at outer corners at most 0.17 was seen
_LEAD = 1.3  # of the flesh over the other corner and over the skin
_RED = (0.55, 1.25)  # red of flesh, of the white's: darker is blood under the conjunctiva, brighter is skin
_IN_PICTURE, _ALL_IN_PICTURE = 0.6, 0.9  # share of a corner inside the picture: of the flesh, of the other
_OPPOSED = 0.02  # limbus radii; the pupil lies nasal of the middle, hence not further temporal than its error
_GREY = 2.0  # grey levels between red and blue, in the mean


@dataclass(frozen=True, slots=True)
class _Corner:
    """Strongest flesh at a corner, its red, and the flesh of the skin of that side; shares of the white."""

    flesh: float
    red: float
    skin: float
    in_picture: float


def read_laterality(
    photo: Photo,
    limbus: Ellipse | None,
    pupil: Ellipse | None = None,
    *,
    turn_deg: int = 0,
    mirrored: bool = False,
) -> Eye | None:
    """Read from a colour picture whether it shows a right or a left eye.

    Parameters
    ----------
    photo : Photo
    limbus, pupil : Ellipse or None
        In pixels of the full picture as displayed.  A pupil off the middle towards the outer corner speaks
        against what the corners say, for it lies nasally as a rule; then nothing is said.
    turn_deg : {0, 90, 180, 270}
        Counter-clockwise turn of the picture, which is undone first.
    mirrored : bool
        The picture is known to be mirrored left to right (before the turn is counted); undone, too.

    Returns
    -------
    {"OD", "OS"} or None
        None where it does not show: without colour, without limbus, with a corner beyond the edge of the
        picture, or without a clear difference of the corners.
    """
    if limbus is None or photo.pixels.ndim == 2:
        return None
    colour, inside = _upright(photo, limbus.scaled(1.0 / photo.decoded_scale), turn_deg, mirrored=mirrored)
    if np.abs(colour[..., 0] - colour[..., 2].astype(np.float32))[inside].mean() < _GREY:
        return None
    right, left = _corner(colour, inside, 1), _corner(colour, inside, -1)
    if right is None or left is None:
        return None
    side, flesh, other = (1, right, left) if right.flesh > left.flesh else (-1, left, right)
    if not _is_clear(flesh, other):
        return None
    if pupil is not None:
        offset = np.array([pupil.x_px - limbus.x_px, pupil.y_px - limbus.y_px]) / limbus.radius_px
        offset[0] *= -1.0 if mirrored else 1.0
        if side * float(offset @ unit_vector(turn_deg)) < -_OPPOSED:
            return None
    return "OD" if side > 0 else "OS"


def _is_clear(flesh: _Corner, other: _Corner) -> bool:
    return (
        flesh.flesh > _FLESH
        and flesh.flesh > _LEAD * max(other.flesh, flesh.skin)
        and _RED[0] < flesh.red < _RED[1]
        and flesh.in_picture >= _IN_PICTURE
        and other.in_picture >= _ALL_IN_PICTURE
    )


def _upright(
    photo: Photo, limbus: Ellipse, turn_deg: int, *, mirrored: bool
) -> tuple[NDArray[np.uint8], Mask]:
    """Surroundings of the eye with mirror and turn undone, and which of it lies inside the picture."""
    step = limbus.radius_px / _PX
    colour = resampled_crop(photo.pixels, limbus.x_px, limbus.y_px, step, _HALF)
    rows, columns = np.mgrid[-_HALF : _HALF + 1, -_HALF : _HALF + 1] * step
    height, width = photo.pixels.shape[:2]
    x, y = limbus.x_px + columns, limbus.y_px + rows
    inside = (x > 0) & (x < width - 1) & (y > 0) & (y < height - 1)
    if mirrored:
        colour, inside = colour[:, ::-1], inside[:, ::-1]
    quarters = -(turn_deg // 90)
    return np.ascontiguousarray(np.rot90(colour, quarters)), np.rot90(inside, quarters)


def _corner(colour: NDArray[np.uint8], inside: Mask, side: int) -> _Corner | None:
    """Look at the corner of the lids at the right (1) or left (-1); None where no white leads to it.

    All in shares of the white of that side, so that neither the colour of the light nor the shadow of the
    nose matters.
    """
    rows, columns = np.mgrid[-_HALF : _HALF + 1, -_HALF : _HALF + 1] / _PX
    out, distance = side * columns, np.hypot(rows, columns)
    smooth = np.asarray(cv2.GaussianBlur(colour.astype(np.float32), (0, 0), 0.04 * _PX), np.float32)
    seed = (distance > 1.06) & (distance < 1.35) & (np.abs(rows) < 0.35 * out) & inside
    if seed.sum() < 50:
        return None
    whiteness = smooth.min(axis=2)
    seed &= whiteness >= np.percentile(whiteness[seed], 60)
    shares = smooth / np.maximum(np.median(smooth[seed], axis=0), 1.0)
    end = _end_of_white(shares, seed, inside & (out > 0.0) & (distance > 1.03))
    if end is None:
        return None
    beyond, aside = out - end[0], np.abs(rows - end[1])
    excess = np.where(inside, shares[..., 0] - 2.0 * shares[..., 1] + shares[..., 2], 0.0)
    size = 2 * round(_DISC * _PX) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    flesh = cv2.morphologyEx(excess.astype(np.float32), cv2.MORPH_OPEN, disc)
    corner = (beyond > -0.4) & (beyond < 0.7) & (aside < 0.35)
    at = np.unravel_index(int(np.argmax(np.where(corner & inside, flesh, -np.inf))), flesh.shape)
    skin = inside & (distance > 1.6) & (np.abs(rows) > 0.9) & (out > 0.0)
    return _Corner(
        float(flesh[at]),
        float(shares[(*at, 0)]),
        float(np.median(excess[skin])) if skin.any() else 0.0,
        float(inside[(beyond > -0.1) & corner].mean()),
    )


def _end_of_white(shares: Floats, seed: Mask, where: Mask) -> tuple[float, float] | None:
    """How far outwards the white that holds the seed reaches, and at which row; limbus radii."""
    warmth = np.log(np.maximum(shares[..., 0], 0.02) / np.maximum(shares[..., 2], 0.02))
    white = where & (shares[..., 1] > 0.5) & (np.abs(warmth) < _WHITE)
    count, label = cv2.connectedComponents(white.astype(np.uint8))
    sizes = np.bincount(label[seed & white], minlength=count)
    part = label == int(np.argmax(sizes))
    wide = np.flatnonzero(part.sum(axis=0) > 0.08 * _PX)
    if sizes.sum() == 0 or wide.size == 0:
        return None
    reach = np.abs(np.arange(part.shape[1]) - _HALF) / _PX
    end = float(reach[wide].max())
    rows, columns = np.nonzero(part)
    return end, float(rows[reach[columns] > end - 0.25].mean() - _HALF) / _PX
