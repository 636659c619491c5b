"""The ring about the limbus, unwrapped, and how much of each colour it swallows beside the eye's own white.

Columns are directions, counter-clockwise from the right of the picture in steps of a quarter of a degree;
rows run outwards from the visible edge of the white.  Amounts are optical densities (natural logarithms), in
which colourants add up and the exposure of the photo cancels.
"""

from dataclasses import dataclass
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.photo import Ellipse
from torsion.quantiles import median, percentile, row_medians

__all__ = [
    "BAND",
    "CHANNELS",
    "COLUMNS",
    "STEP_DEG",
    "Channel",
    "Rim",
    "Ring",
    "find_rim",
    "ring_places",
    "side_profile",
    "unwrap_ring",
]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Mask = NDArray[np.bool_]

Channel = Literal["stain", "ink"]
CHANNELS: tuple[Channel, ...] = get_args(Channel)
"""What marks are searched in: the stain of blue and violet, then what all inks swallow."""

BAND = (1.03, 1.13)
"""Limbus radii between which a mark that crosses the limbus lies on white."""
STEP_DEG = 0.25
COLUMNS = 1440
_STEP = 0.01  # limbus radii from row to row
_RADII: Doubles = np.arange(0.86, 1.525, _STEP, dtype=np.float64)
_MARK_RADII, _RIM_RADII = _RADII[_RADII > 0.985], _RADII[_RADII < 1.375]  # those that count for either
_RIM_COLUMNS, _SIDE_COLUMNS = 720, 360  # as many as an edge shared by neighbours needs
_STILL = 1e-5  # limbus radii, from which on a fit does not change
_SHARED_DEG = 5.0  # neighbours within it share the error of the edge
_BLOOD = 1.0 / 3.0  # of what blood swallows of green, it swallows at most a third of red
_DARK = 6.0  # grey levels: stray light and the sensor's black, so that the logarithm stays calm
_BIN = 20  # columns, 5 degrees: the wide bins in which the white is looked for
_REACH = 6  # bins to each side
_WHITE = 75.0  # percentile of the bins that is taken for white: lids and marks fill less than half of them
_DIM = 0.75  # density: darker than about half as bright is shade, hair or skin
_TINT = (0.08, 0.15)  # density by which green and blue may be weaker than red beside the eye's own white:
# four of the white's own standard deviations between these; skin is beyond, of 0.15 to 0.35
_WEDGE_DEG = 40.0  # a pterygium is seldom wider beside the limbus, 4 mm
_LEVEL = 0.6  # sine: within 37 degrees of the horizontal, where it grows, and lids leave the white free
_OWN_ROWS = (1.065, 1.345)  # limbus radii between which the white is known for certain
_SOFT = 2  # rows and columns on each side by which the white is smoothed
_BLUISH = 0.30  # likewise by which they may be stronger: thin white, and the tail of a stain


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
    white_band : (1440,) ndarray
        Share of white in each direction within `BAND`.
    """

    radii: Doubles
    rim: Rim
    density: Floats
    ink: Floats
    red: Floats
    stain: Floats
    white: Mask
    white_band: Doubles

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
    values = _values(pixels, limbus, rim.stretch, _MARK_RADII)
    own, lit = _OwnWhite.of(values, _MARK_RADII), _planes(values)
    about = _white_about(lit)
    density = np.asarray(cv2.log((about / lit).reshape(-1, COLUMNS)), np.float32).reshape(lit.shape)
    ink = (density[0] - np.float32(_BLOOD) * density[1]) / np.float32(1.0 - _BLOOD)
    red = np.clip(np.float32(1.0) - lit[0] / about[0], -1.0, 1.0)
    # Beside a lid the lightest among the neighbours is skin, which has a colour: so against the eye's own.
    stain = (lit[2] * (own.color[0] / own.color[2]) - lit[0]) / about[0]
    white = _is_white(values, own)
    first, last = np.searchsorted(_MARK_RADII, (BAND[0] - 1e-6, BAND[1] + 1e-6))
    return Ring(_MARK_RADII, rim, density, ink, red, stain, white, white[first:last].mean(axis=0))


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
    return _oval(*_edge_of_white(_values(pixels, limbus, np.ones(_RIM_COLUMNS), _RIM_RADII)))


def side_profile(pixels: NDArray[np.uint8], limbus: Ellipse) -> tuple[Doubles, Doubles]:
    """Red light against radius (in limbus radii) on both sides of an eye, which lids leave free."""
    red = _values(np.ascontiguousarray(pixels[..., 0]), limbus, np.ones(_SIDE_COLUMNS), _RADII)
    return _RADII, row_medians(red[:, _sides(_SIDE_COLUMNS)]).astype(float)


def ring_places(limbus: Ellipse, radii: Doubles, directions_deg: Doubles) -> tuple[Doubles, Doubles]:
    """Pixels (x, y) at radii (in limbus radii) and directions about an elliptic limbus; they broadcast."""
    angle = np.radians(directions_deg)
    from_axis = angle - np.radians(limbus.axis_deg)
    across = np.hypot(limbus.minor_px * np.cos(from_axis), limbus.major_px * np.sin(from_axis))
    radius_px = radii * limbus.major_px * limbus.minor_px / across
    return limbus.x_px + radius_px * np.cos(angle), limbus.y_px - radius_px * np.sin(angle)


def _values(pixels: NDArray[np.uint8], limbus: Ellipse, stretch: Doubles, radii: Doubles) -> Floats:
    """Colours (or one of them) of the ring, a little lifted, smoothed by a row and a column over the seam."""
    edge, out = ring_places(limbus, stretch, np.degrees(_angles(len(stretch)))), radii[:, None]
    x, y = (
        out.astype(np.float32) * (at - middle).astype(np.float32) + np.float32(middle)
        for at, middle in zip(edge, (limbus.x_px, limbus.y_px), strict=True)
    )
    sampled = cv2.remap(
        pixels,
        x,
        y,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,  # black beyond the picture: not white, and no ink has an end there
    )
    lifted = sampled.astype(np.float32) + np.float32(_DARK)
    padded = cv2.copyMakeBorder(lifted, 0, 0, 8, 8, cv2.BORDER_WRAP)
    return np.asarray(cv2.GaussianBlur(padded, (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)[:, 8:-8])


def _edge_of_white(values: Floats) -> tuple[Doubles, Mask]:
    """Height of the edge of the white over the outline in each direction, and where it can be seen.

    A grey ring of age or pigment makes two edges; the outer one bounds the white on which ink is put.
    """
    rows = {
        radius: round((radius - _RIM_RADII[0]) / _STEP) for radius in (0.87, 0.91, 1.09, 1.14, 1.17, 1.20)
    }
    red = values[: rows[1.20], :, 0].astype(float)
    outside = np.asarray(row_medians(red[rows[1.09] : rows[1.17]].T), np.float64)
    inside = np.asarray(row_medians(red[rows[0.87] : rows[0.91]].T), np.float64)
    own, about = _OwnWhite.of(values, _RIM_RADII), slice(rows[1.09] - _SOFT, rows[1.20] + _SOFT)
    seen = _is_white(values[about], own)[_SOFT:-_SOFT].mean(axis=0) > 0.9
    seen &= outside - inside > 0.15 * outside
    height = (red - inside) / np.maximum(outside - inside, 1.0)
    dark = height[: rows[1.14]] < 0.5
    seen &= dark.any(axis=0) & ~dark[-1]
    last = np.minimum(dark.shape[0] - 1 - np.argmax(dark[::-1], axis=0), dark.shape[0] - 2)
    at = np.arange(values.shape[1])
    below, above = height[last, at], height[last + 1, at]
    part = np.clip((0.5 - below) / np.where(above - below < 1e-6, 1.0, above - below), 0.0, 1.0)
    return _RIM_RADII[0] + _STEP * (last + part) - 1.0, seen


def _oval(edge: Doubles, seen: Mask) -> Rim:
    """Robust fit of radius, decentration and ellipticity, held near zero where little is seen."""
    basis, shared = _waves(len(edge)), round(_SHARED_DEG * len(edge) / 360.0)
    hold = np.diag([0.0, *([0.03**-2] * 2), *([0.01**-2] * 2)]) + 1e-6 * np.eye(5)
    if seen.sum() < 4 * shared:
        return Rim(np.ones(COLUMNS), np.zeros(2), 0.03**2 * np.eye(2))
    shape = np.array([median(edge[seen]), 0.0, 0.0, 0.0, 0.0])
    precision = 1.0 / (shared * 0.008**2)  # the edge is read with an error of 0.008 radii
    before = np.full(5, np.inf)
    for _ in range(10):
        if np.abs(shape - before).max() < _STILL:
            break
        before, miss = shape, edge - basis @ shape
        spread = max(0.006, 1.4826 * median(np.abs(miss[seen])))
        weight = seen * np.clip(1.0 - (miss / (3.0 * spread)) ** 2, 0.0, None) ** 2 * precision
        normal = basis.T @ (basis * weight[:, None]) + hold
        shape = np.linalg.solve(normal, basis.T @ (weight * edge))
    stretch = 1.0 + np.clip(_waves(COLUMNS) @ shape, -0.12, 0.12)
    return Rim(stretch, shape[1:3], np.linalg.inv(normal)[1:3, 1:3])


def _waves(columns: int) -> Doubles:
    """Once, and once and twice about: radius, decentration and ellipticity."""
    angles = _angles(columns)
    return np.stack([np.ones(columns), *(f(k * angles) for k in (1, 2) for f in (np.cos, np.sin))], axis=1)


def _planes(values: Floats) -> Floats:
    """Colours one after the other, which is several times as fast to reckon with."""
    return np.stack(cv2.split(values))


def _white_about(lit: Floats) -> Floats:
    """Brightness of the white that a place would have if nothing lay on it: high among its neighbours'."""
    # Sorting short runs is several times as fast as asking for a median or a percentile of each; every other
    # column will do, since each is smoothed by its neighbours.
    count = _BIN // 2
    runs = np.sort(lit[..., ::2].reshape(-1, COLUMNS // _BIN, count), axis=-1)
    bins = (runs[..., (count - 1) // 2] + runs[..., count // 2]) / np.float32(2.0)
    closed = np.concatenate([bins[:, -_REACH:], bins, bins[:, :_REACH]], axis=1)
    about = np.sort(np.lib.stride_tricks.sliding_window_view(closed, 2 * _REACH + 1, axis=1), axis=-1)
    level = about[..., round(_WHITE / 100.0 * 2 * _REACH)]
    level = (np.roll(level, 1, axis=1) + level + np.roll(level, -1, axis=1)) / np.float32(3.0)
    closed = np.concatenate([level[:, -1:], level, level[:, :1]], axis=1)
    size = (closed.shape[1] * _BIN, closed.shape[0])
    smooth = cv2.resize(closed, size, interpolation=cv2.INTER_LINEAR)[:, _BIN:-_BIN]
    return np.asarray(smooth, np.float32).reshape(lit.shape)


@dataclass(frozen=True, slots=True, eq=False)
class _OwnWhite:
    """What shows the white of the eye for certain: the lightest of the parts that lids leave free.

    Attributes
    ----------
    color : (3,) float32 ndarray
    most_tint : float
        Density by which green and blue are weaker than red in no white of this eye.
    """

    color: Floats
    most_tint: np.float32

    @classmethod
    def of(cls, values: Floats, radii: Doubles) -> "_OwnWhite":
        first, last = (int(at) for at in np.searchsorted(radii, _OWN_ROWS))
        sides = _sides(values.shape[1])[::2]  # neighbours show the same
        part = values[first:last, sides]
        least = np.minimum(np.minimum(part[..., 0], part[..., 1]), part[..., 2])
        lightest = least >= percentile(least, 60.0)
        color = np.asarray(row_medians(part[lightest].T), np.float32)
        smooth = _smoothed(values[first - _SOFT : last + _SOFT])[_SOFT:-_SOFT, sides][lightest]
        dim = np.log(color / smooth)
        usual = (dim[:, 1] + dim[:, 2]) / np.float32(2.0) - dim[:, 0]
        middle = median(usual)
        spread = 1.4826 * median(np.abs(usual - np.float32(middle)))
        return cls(color, np.float32(np.clip(middle + 4.0 * spread, *_TINT)))


def _smoothed(values: Floats) -> Floats:
    across = 2 * round(_SOFT * values.shape[1] / COLUMNS) + 1
    return np.asarray(cv2.blur(values, (across, 2 * _SOFT + 1)), np.float32)


def _angles(columns: int) -> Doubles:
    return np.asarray(np.radians(np.arange(columns) * (360.0 / columns)))


def _sides(columns: int) -> NDArray[np.intp]:
    """Columns within 30 degrees of the horizontal, which lids leave free."""
    return np.flatnonzero(np.abs(np.sin(_angles(columns))) < 0.5)


def _is_white(values: Floats, own: _OwnWhite) -> Mask:
    # Smoothed, for a single vessel does not count.  Densities are compared by the light that is left.
    red, green, blue = cv2.split(_smoothed(values))
    light = green > own.color[1] * np.float32(np.exp(-_DIM))
    others, square = np.asarray(green * blue), np.asarray(red * red)
    others *= own.color[0] ** 2 / (own.color[1] * own.color[2])
    least, most = (np.float32(np.exp(2.0 * tint)) for tint in (-_BLUISH, own.most_tint))
    white = light & (square < most * others) & (square > least * others)
    level = np.abs(np.sin(_angles(values.shape[1]))) < _LEVEL
    return np.asarray(white | (light & level & _enclosed(white)))


def _enclosed(white: Mask) -> Mask:
    """Gaps in the white, along the limbus, that are narrower than a wedge of flesh is wide."""
    reach = round(_WEDGE_DEG * white.shape[1] / 360.0) // 2
    padded = cv2.copyMakeBorder(white.astype(np.uint8), 0, 0, 2 * reach, 2 * reach, cv2.BORDER_WRAP)
    kernel = np.ones((1, 2 * reach + 1), np.uint8)
    return np.asarray(cv2.morphologyEx(padded, cv2.MORPH_CLOSE, kernel)[:, 2 * reach : -2 * reach] > 0)
