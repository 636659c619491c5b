"""The ring about the limbus, unwrapped, and how much of each colour it swallows beside the eye's own white.

Columns are directions, counter-clockwise from the right of the picture in steps of a quarter of a degree;
rows run outwards from the visible edge of the white.  Amounts are optical densities (natural logarithms), in
which colourants add up and the exposure of the photo cancels.
"""

from dataclasses import dataclass, replace
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.limbal_rows import COLUMNS, DARK, RADII, sampled_ring
from torsion.own_white import OwnWhite, is_level, is_white
from torsion.photo import Ellipse
from torsion.quantiles import row_medians
from torsion.rim import Rim, find_rim

__all__ = ["BAND", "CHANNELS", "NEAR", "Channel", "Ring", "unwrap_ring"]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Mask = NDArray[np.bool_]

Channel = Literal["stain", "ink"]
CHANNELS: tuple[Channel, ...] = get_args(Channel)
"""What marks are searched in: the stain of blue and violet, then what all inks swallow."""

BAND = (1.03, 1.13)
"""Limbus radii between which a mark that crosses the limbus lies on white."""

NEAR = (1.02, 1.07)
"""Likewise where a lid that comes in aslant leaves white on both sides close to the limbus alone."""

_MARK_RADII = RADII[RADII > 0.985]  # within which marks are looked for
_IRIS_RADII = RADII[RADII < 0.915]  # the darkest of the limbus, and iris
_STEP = 0.15  # share of the red light by which any iris is darker than the white
_BLACK = DARK + 2.0  # grey levels: no light, beyond the picture
_BLOOD = 1.0 / 3.0  # of what blood swallows of green, it swallows at most a third of red
# Shares by which shine is brighter than the white about it, in each colour: where it is looked through, and
# where it hides the white for certain.
_BRIGHT, _SHINE = 0.1, 0.2
_EDGE_ROWS, _EDGE_COLUMNS = 3, 6  # of its soft edge
_ON_WHITE = 1.01  # limbus radii
_BIN = 20  # columns, 5 degrees: the wide bins in which the white is looked for
_REACH = 6  # bins to each side
_WHITE = 75.0  # percentile of the bins that is taken for white: lids and marks fill less than half of them


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """The unwrapped ring.

    Attributes
    ----------
    radii : (R,) ndarray
        Of the rows, in radii of the limbus as it is seen in that direction.
    rim : Rim
        That radius, and where its middle is.
    density : (3, R, 1440) float32 ndarray
        Optical density of red, green and blue against the white (inside the limbus: the iris) about.
    ink : (R, 1440) float32 ndarray
        Density in red without the share that blood can account for: near zero on vessels and redness, high on
        ink of any colour, on hair, metal and pigment.
    red : (R, 1440) float32 ndarray
        Share of the red light that is missing: the contrast in which widths are read.
    stain : (R, 1440) float32 ndarray
        By how much less red than blue light is left, shares: what blue and violet ink has and no lid, hair or
        shadow; it grows as the ink covers more, as `red` does.
    white : (R, 1440) bool ndarray
        True where the place is as light and as little coloured as the white of this eye, or light and
        enclosed by white: flesh and blood on the white are parts of the eye, a lid is not enclosed.
    shine : (R, 1440) bool ndarray
        True where a lamp is mirrored; the maps show what lies further in and out there.
    outside : (R, 1440) bool ndarray
        True beyond the picture, which is black.
    white_band : (1440,) ndarray
        Share of white in each direction within `band`.
    limbus_seen : (1440,) bool ndarray
        True where it is clearly darker within the limbus than outside, as iris beside white is and a lid over
        both is not; and beside the eye, where lids seldom reach.
    band : (float, float)
        Limbus radii between which marks are looked for.
    """

    radii: Doubles
    rim: Rim
    density: Floats
    ink: Floats
    red: Floats
    stain: Floats
    white: Mask
    shine: Mask
    outside: Mask
    white_band: Doubles
    limbus_seen: Mask
    band: tuple[float, float] = BAND

    def near(self) -> "Ring":
        """Give the same ring, read within `NEAR`."""
        rows = self.rows(*NEAR)
        return replace(self, band=NEAR, white_band=self.white[rows].mean(axis=0))

    def since(self, before: "Ring") -> "Ring":
        """Give what has come since a ring in register: what its white shows too, as vessels, is taken out."""
        known = before.white & ~before.shine
        came = {
            name: getattr(self, name) - np.where(known, getattr(before, name), np.float32(0.0))
            for name in ("density", "ink", "red", "stain")
        }
        return replace(self, **came)

    def signal(self, channel: Channel) -> Floats:
        """Give what is searched for marks of one kind."""
        return self.stain if channel == "stain" else self.ink

    def contrast(self, channel: Channel) -> Floats:
        """Give what grows evenly with the cover of such a mark, for its width."""
        return self.stain if channel == "stain" else self.red

    def rows(self, low: float, high: float) -> slice:
        """Rows from one radius to another."""
        first, last = np.searchsorted(self.radii, (low - 1e-6, high + 1e-6))
        return slice(int(first), max(int(last), int(first) + 1))


def unwrap_ring(pixels: NDArray[np.uint8], limbus: Ellipse, *, rim: Rim | None = None) -> Ring:
    """Unwrap the ring about a limbus.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 ndarray
    limbus : Ellipse
        In pixels of `pixels`.
    rim : Rim, optional
        Of another ring, to be followed; by default the edge of the white is looked for.

    Returns
    -------
    Ring
    """
    rim = rim or find_rim(pixels, limbus)
    values = sampled_ring(pixels, limbus, rim.stretch, _MARK_RADII)
    outside = values.max(axis=2) < _BLACK
    own, lit = OwnWhite.of(values, _MARK_RADII), _planes(values)
    about = _white_about(lit)
    bright = (lit / about).min(axis=0)
    values, shine = _without_shine(values, bright > 1.0 + _BRIGHT), bright > 1.0 + _SHINE
    lit = _planes(values)
    density = np.asarray(cv2.log((about / lit).reshape(-1, COLUMNS)), np.float32).reshape(lit.shape)
    ink = (density[0] - np.float32(_BLOOD) * density[1]) / np.float32(1.0 - _BLOOD)
    red = np.clip(np.float32(1.0) - lit[0] / about[0], -1.0, 1.0)
    # Beside a lid the lightest among the neighbours is skin, which has a colour: so against the eye's own.
    stain = (lit[2] * (own.color[0] / own.color[2]) - lit[0]) / about[0]
    white = is_white(values, own)
    first, last = np.searchsorted(_MARK_RADII, (BAND[0] - 1e-6, BAND[1] + 1e-6))
    beside = np.asarray(row_medians(values[first:last, :, 0].T), np.float32)
    limbus_seen = is_level(COLUMNS) | (_iris_red(pixels, limbus, rim) < np.float32(1.0 - _STEP) * beside)
    band = white[first:last].mean(axis=0)
    return Ring(_MARK_RADII, rim, density, ink, red, stain, white, shine, outside, band, limbus_seen)


def _iris_red(pixels: NDArray[np.uint8], limbus: Ellipse, rim: Rim) -> Floats:
    """Red light just within the limbus, by direction."""
    red = np.ascontiguousarray(pixels[..., 0])
    return np.asarray(row_medians(sampled_ring(red, limbus, rim.stretch, _IRIS_RADII).T), np.float32)


def _without_shine(values: Floats, shine: Mask) -> Floats:
    """Lay over shine what is seen further in and further out in the same direction: a stroke goes on there.

    Parameters
    ----------
    values : (R, 1440, 3) float32 ndarray
    shine : (R, 1440) bool ndarray
        Its bright part; its soft edge is taken with it.
    """
    if not shine.any():
        return values
    kernel = np.ones((2 * _EDGE_ROWS + 1, 2 * _EDGE_COLUMNS + 1), np.uint8)
    padded = cv2.copyMakeBorder(shine.view(np.uint8), 0, 0, _EDGE_COLUMNS, _EDGE_COLUMNS, cv2.BORDER_WRAP)
    hidden = cv2.dilate(padded, kernel)[:, _EDGE_COLUMNS:-_EDGE_COLUMNS] > 0
    columns = np.flatnonzero(hidden.any(axis=0))
    hidden, white = hidden[:, columns], _MARK_RADII[:, None] > _ON_WHITE  # nothing is taken from the iris
    row, last = np.arange(len(values))[:, None], len(values) - 1
    inner = np.maximum.accumulate(np.where(~hidden & white, row, -1), axis=0)
    outer = np.minimum.accumulate(np.where(~hidden & white, row, last + 1)[::-1], axis=0)[::-1]
    at, among = np.nonzero(hidden & white & ((inner >= 0) | (outer <= last)))
    first, second, column = inner[at, among], outer[at, among], columns[among]
    first, second = np.where(first < 0, second, first), np.where(second > last, first, second)
    share = ((at - first) / np.maximum(second - first, 1)).astype(np.float32)[:, None]
    filled = values.copy()
    filled[at, column] = (1.0 - share) * values[first, column] + share * values[second, column]
    return filled


def _planes(values: Floats) -> Floats:
    """Colours one after the other, which is several times as fast to reckon with."""
    return np.stack(cv2.split(values))


def _white_about(lit: Floats) -> Floats:
    """Brightness of the white that a place would have if nothing lay on it: high among its neighbours'."""
    # Sorting short runs is several times as fast as asking for a median or a percentile of each; half the
    # size will do, since neighbours are smoothed together.
    rows, count = lit.shape[1], _BIN // 2
    half = np.concatenate(
        [cv2.resize(plane, (COLUMNS // 2, rows // 2), interpolation=cv2.INTER_AREA) for plane in lit]
    )
    runs = np.sort(half.reshape(-1, COLUMNS // _BIN, count), axis=-1)
    bins = (runs[..., (count - 1) // 2] + runs[..., count // 2]) / np.float32(2.0)
    closed = np.concatenate([bins[:, -_REACH:], bins, bins[:, :_REACH]], axis=1)
    about = np.sort(np.lib.stride_tricks.sliding_window_view(closed, 2 * _REACH + 1, axis=1), axis=-1)
    level = about[..., round(_WHITE / 100.0 * 2 * _REACH)]
    level = (np.roll(level, 1, axis=1) + level + np.roll(level, -1, axis=1)) / np.float32(3.0)
    closed = np.concatenate([level[:, -1:], level, level[:, :1]], axis=1).reshape(len(lit), rows // 2, -1)
    size = (closed.shape[2] * _BIN, rows)
    smooth = [cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR)[:, _BIN:-_BIN] for plane in closed]
    return np.asarray(smooth, np.float32)
