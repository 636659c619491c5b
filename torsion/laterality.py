"""Laterality: whether a picture shows a right or a left eye, by the flesh of the inner corner.

Two photos that are both mirrored, or both of the fellow eye, match each other; only what tells right from
left by itself shows it.  The inner (nasal) corner of the lids holds the caruncle and the plica, bright pink
flesh some 3 by 5 mm large.  At the outer corner the white of the eye meets the lids, whose moist edge is at
most 2 mm wide.  Seen by the examiner, the inner corner of a right eye lies to the right.  Where the photo
does not show it clearly nothing is said: a wrong answer would refuse a good pair.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.angles import Eye
from torsion.crops import resampled_crop
from torsion.photo import Ellipse, Photo
from torsion.quantiles import median, percentile

__all__ = ["Laterality", "read_laterality"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

_PX = 40  # pixels for each limbus radius: 0.15 mm, much finer than the caruncle
_HALF = int(3.2 * _PX)  # both corners lie within 3 limbus radii
_DISC = 0.15  # limbus radii (0.9 mm): an opening by this disc removes the moist edge of the lids
_WHITE = 0.15  # logarithm of red over blue, against the white beside the iris; pale skin has 0.2
_FLESH = 0.18  # red excess of the inner corner, of the white's brightness; outer ones showed up to 0.17
_LEAD = 1.3  # of the flesh over the other corner and over the skin
_BLOOD = 0.5  # red excess over red; flesh has a third, blood under the conjunctiva more than half
_BRIGHT = 1.25  # red of flesh, of the white's; what is brighter is skin in the lamp's light
_IN_PICTURE, _ALL_IN_PICTURE = 0.6, 0.9  # share of a corner inside the picture: of the flesh, of the other
_OPPOSED = 0.02  # limbus radii; the pupil lies nasal of the middle, hence not further temporal than its error
_GREY = 2.0  # grey levels between red and blue, in the mean

# Half of a picture, limbus first, in limbus radii: rows downwards, columns outwards.
_ROWS, _OUT = (part.astype(np.float32) / _PX for part in np.mgrid[-_HALF : _HALF + 1, : _HALF + 1])
_REACH = np.hypot(_ROWS, _OUT)
_SIDE = (_REACH > 1.06) & (_REACH < 1.35) & (np.abs(_ROWS) < 0.35 * _OUT)
_BEYOND_LIMBUS = _REACH > 1.03
_SKIN = (_REACH > 1.6) & (np.abs(_ROWS) > 0.9)


@dataclass(frozen=True, slots=True)
class Laterality:
    """Which eye a picture shows, right or left, by itself; None where it does not show.

    Attributes
    ----------
    upright : {"OD", "OS"} or None
        Taking the picture as upright.
    sideways : {"OD", "OS"} or None
        Taking it as turned by 90 degrees counter-clockwise.
    """

    upright: Eye | None = None
    sideways: Eye | None = None

    def seen(self, *, turn_deg: int = 0, mirrored: bool = False) -> Eye | None:
        """Eye that the picture shows once its turn, and a mirror, are undone.

        Parameters
        ----------
        turn_deg : {0, 90, 180, 270}
            Counter-clockwise turn of the picture, counted after the mirror.
        mirrored : bool
            The picture is mirrored left to right.

        Examples
        --------
        >>> Laterality("OD").seen(turn_deg=180), Laterality("OD").seen(turn_deg=180, mirrored=True)
        ('OS', 'OD')
        """
        shown = self.sideways if turn_deg in (90, 270) else self.upright
        # Upside down swaps the corners; a mirror swaps them, and the sense of a quarter turn with it.
        swapped = (turn_deg in (180, 270)) != (mirrored and turn_deg in (0, 180))
        if shown is None or not swapped:
            return shown
        return "OS" if shown == "OD" else "OD"

    def contradicts(self, eye: Eye | None) -> bool:
        """Whether the picture, taken as upright, shows the other eye than was stated."""
        return None not in (eye, self.upright) and eye != self.upright


@dataclass(frozen=True, slots=True)
class _Corner:
    """Most excess of red at a corner, red there, excess of the skin on that side; shares of the white."""

    flesh: float
    red: float
    skin: float
    in_picture: float


def read_laterality(photo: Photo, limbus: Ellipse | None, pupil: Ellipse | None = None) -> Laterality:
    """Read from a colour picture whether it shows a right or a left eye.

    Parameters
    ----------
    photo : Photo
    limbus, pupil : Ellipse or None
        In pixels of the full picture as displayed.  A pupil off the middle towards the outer corner speaks
        against what the corners say, for it lies nasally as a rule; then nothing is said.

    Returns
    -------
    Laterality
        With None where it does not show: without colour, without limbus, with a corner beyond the edge of
        the picture, or without a clear difference of the corners.
    """
    if limbus is None or photo.pixels.ndim == 2:
        return Laterality()
    colours, inside = _surroundings(photo, limbus.scaled(1.0 / photo.decoded_scale))
    if np.abs(colours[0] - colours[2])[inside].mean() < _GREY:
        return Laterality()
    offset = (0.0, 0.0)
    if pupil is not None:
        offset = (pupil.x_px - limbus.x_px) / limbus.radius_px, (pupil.y_px - limbus.y_px) / limbus.radius_px
    upright = _shown(colours, inside, offset[0])
    if upright is not None:
        return Laterality(upright)
    # What lies to the right in the upright picture lies above in one turned counter-clockwise.
    return Laterality(None, _shown(np.rot90(colours, -1, (1, 2)), np.rot90(inside, -1), -offset[1]))


def _shown(colours: Floats, inside: Mask, pupil_right: float) -> Eye | None:
    """Eye that an upright picture shows; `pupil_right` is how far the pupil lies right of the middle."""
    right = _corner(colours[..., _HALF:], inside[:, _HALF:])
    left = _corner(colours[..., _HALF::-1], inside[:, _HALF::-1])
    if right is None or left is None:
        return None
    side, flesh, other = (1, right, left) if right.flesh > left.flesh else (-1, left, right)
    if not _is_clear(flesh, other) or side * pupil_right < -_OPPOSED:
        return None
    return "OD" if side > 0 else "OS"


def _is_clear(flesh: _Corner, other: _Corner) -> bool:
    return (
        flesh.flesh > _FLESH > other.flesh
        and flesh.flesh > _LEAD * max(other.flesh, flesh.skin)
        and flesh.flesh < _BLOOD * flesh.red
        and flesh.red < _BRIGHT
        and flesh.in_picture >= _IN_PICTURE
        and other.in_picture >= _ALL_IN_PICTURE
    )


def _surroundings(photo: Photo, limbus: Ellipse) -> tuple[Floats, Mask]:
    """Red, green and blue about the eye, slightly smoothed, and which of it lies inside the picture."""
    step = limbus.radius_px / _PX
    crop = resampled_crop(photo.pixels, limbus.x_px, limbus.y_px, step, _HALF).astype(np.float32)
    smooth = cv2.GaussianBlur(crop, (0, 0), 0.04 * _PX)
    aside = np.arange(-_HALF, _HALF + 1) * step
    height, width = photo.pixels.shape[:2]
    x, y = limbus.x_px + aside, limbus.y_px + aside
    inside = ((y > 0) & (y < height - 1))[:, None] & ((x > 0) & (x < width - 1))
    return np.stack(cv2.split(smooth)), inside


def _corner(colours: Floats, inside: Mask) -> _Corner | None:
    """Look at the corner of the lids in half of a picture, limbus first; None where no white leads there.

    All in shares of the white of that side, so that neither the colour of the light nor the shadow of the
    nose matters.
    """
    seed = _SIDE & inside
    if seed.sum() < 50:
        return None
    planes = np.ascontiguousarray(colours)
    whiteness = np.minimum(np.minimum(planes[0], planes[1]), planes[2])
    seed &= whiteness >= percentile(whiteness[seed], 60.0)
    red, green, blue = (
        np.asarray(plane / np.float32(max(median(plane[seed]), 1.0)), np.float32) for plane in planes
    )
    end = _end_of_white((red, green, blue), seed, inside & _BEYOND_LIMBUS)
    if end is None:
        return None
    beyond, aside = _OUT - np.float32(end[0]), np.abs(_ROWS - np.float32(end[1]))
    excess = np.where(inside, red - np.float32(2.0) * green + blue, np.float32(0.0))
    corner = (beyond > -0.4) & (beyond < 0.7) & (aside < 0.35)
    flesh = _opened(excess, corner)
    at = np.unravel_index(int(np.argmax(np.where(corner & inside, flesh, -np.inf))), flesh.shape)
    skin = inside & _SKIN
    return _Corner(
        float(flesh[at]),
        float(red[at]),
        median(excess[skin]) if skin.any() else 0.0,
        float(inside[(beyond > -0.1) & corner].mean()),
    )


def _opened(excess: Floats, corner: Mask) -> Floats:
    """Excess of red about a corner, where it fills a disc at least; 0 elsewhere."""
    size = 2 * round(_DISC * _PX) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    rows, columns = (np.flatnonzero(corner.any(axis=axis)) for axis in (1, 0))
    if not rows.size:
        return np.zeros_like(excess)
    about = tuple(slice(max(0, at[0] - 2 * size), at[-1] + 2 * size + 1) for at in (rows, columns))
    opened = np.zeros_like(excess)
    opened[about] = cv2.morphologyEx(excess[about], cv2.MORPH_OPEN, disc)
    return opened


def _end_of_white(
    shares: tuple[Floats, Floats, Floats], seed: Mask, where: Mask
) -> tuple[float, float] | None:
    """How far outwards the white that holds the seed reaches, and at which row; limbus radii."""
    red, green, blue = shares
    red, blue = np.maximum(red, np.float32(0.02)), np.maximum(blue, np.float32(0.02))
    ratio = np.float32(np.exp(_WHITE))
    white = where & (green > 0.5) & (red < ratio * blue) & (blue < ratio * red)
    count, label = cv2.connectedComponents(white.astype(np.uint8))
    sizes = np.bincount(label[seed & white], minlength=count)
    part = label == int(np.argmax(sizes))
    wide = np.flatnonzero(part.sum(axis=0) > 0.08 * _PX)
    if sizes.sum() == 0 or wide.size == 0:
        return None
    end = int(wide.max())
    rows, _ = np.nonzero(part[:, max(0, end - _PX // 4) :])
    return end / _PX, float(rows.mean() - _HALF) / _PX
