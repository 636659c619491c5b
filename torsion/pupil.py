"""Find the pupil inside a known limbus: by brightness in red and, in colour, by saturation.

A pupil that mirrors the sky is as bright as a dark iris, yet grey where the iris is brown.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.crops import CloseUp, blurred, resampled_crop
from torsion.outline import DIRECTIONS, outline, outline_fit, radial_step, strongest, unrolled
from torsion.photo import Ellipse
from torsion.quantiles import median, percentile, row_medians
from torsion.ring_contrast import central_contrast

__all__ = ["ROUND", "VERY_ROUND", "find_pupil"]

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

_REACH = 1.6  # radii of a start about which the pupil is seen: as far as fits move, but for a few
_RANGE = (0.16, 0.80)  # pupil radius over limbus radius
_CENTRAL = 0.2  # limbus radii by which the pupil's centre may be off
_PX = 40  # pixels of the small picture for each limbus radius
_WITHIN = int(_CENTRAL * _PX)  # pixels to each side in which the pupil's centre is looked for
_CLEAR = 1.0  # what stands out by less is nothing; edges stand out by up to 25 in each channel
_CLIP = 15.0  # pupil edges are faint in dark eyes: many small steps beat one large
ROUND = 0.7  # share of the outline on which the strongest edge lies: in eyes 0.8 to 1, elsewhere 0.2 to 0.6
_MORE, VERY_ROUND = 3, 0.8  # discs that are tried where the clearest is not round, as the shade at a limbus
_AS_CLEAR = 0.5  # as another disc about it: the edge of a pupil is no vaguer than a zone of the iris
_PART = 0.25  # of the step in brightness over both edges, which the inner one is at least
_OVAL = 0.08  # flattening of a pupil at most; gaze and nature make one of 0.05
_LAMP = 60.0  # grey levels by which a mirrored lamp is brighter, and whiter, than a pupil
_LAMP_PX = 50  # pixels for each radius of the disc: its edge is sampled at every twentieth
_AS_INSIDE, _AROUND = 0.2, 0.4  # share of that by which it may differ beyond, and share of the directions
_OTHER = 0.2  # logarithm of the ratio of radii from which a disc is another one
_BEYOND = 0.3  # yet a black pupil in a light iris must beat the collarette round it


def find_pupil(pixels: Image, limbus: Ellipse) -> tuple[Ellipse | None, float]:
    """Find the circle of the pupil inside a known limbus.

    Parameters
    ----------
    pixels : (H, W[, 3]) uint8 ndarray
    limbus : Ellipse
        In pixels of ``pixels``.

    Returns
    -------
    pupil : Ellipse or None
        None where no disc stands out.
    roundness : float
        Share of its outline on which the strongest edge lies, 0 to 1, the part near the upper lid left out.
    """
    discs = _Discs.about(pixels, limbus)
    if discs is None:
        return None, 0.0
    found: tuple[Ellipse | None, float] = (None, 0.0)
    round_enough, left = ROUND, discs.clearness.copy()
    for _ in range(1 + _MORE):
        disc = discs.clearest(left)
        if disc is None:
            break
        if discs.may_be_pupil(disc):
            if disc.roundness > round_enough:
                return discs.innermost(disc).outline
            found, round_enough = found if found[0] else disc.outline, VERY_ROUND
        left[np.abs(np.log(discs.radii / disc.start)) < _OTHER] = 0.0
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Disc:
    """One disc within a limbus, fitted.

    Attributes
    ----------
    circle : Ellipse
    roundness : float
        Share of its outline on which the strongest edge lies.
    start, clearness : float
        Radius from which it was fitted, in pixels of the search, and how much stands out there.
    darker : bool
        Than its surround.
    """

    circle: Ellipse
    roundness: float
    start: float
    clearness: float
    darker: bool

    @property
    def outline(self) -> tuple[Ellipse, float]:
        return self.circle, self.roundness


@dataclass(frozen=True, slots=True, eq=False)
class _Discs:
    """How much discs within a limbus stand out: by radius, row and column, in a small picture of it.

    Attributes
    ----------
    pixels : (H, W[, 3]) uint8 ndarray
    limbus : Ellipse
    radii : (n,) ndarray
        In pixels of the small picture.
    rings : list of (n, 4, k, k) ndarray
        Contrast of each channel, as of `central_contrast`.
    scores : list of (n, k, k) ndarray
        How much that looks like a pupil's edge.
    clearness : (n, k, k) ndarray
        All of it.
    """

    pixels: Image
    limbus: Ellipse
    radii: Doubles
    rings: list[Floats]
    scores: list[Doubles]
    clearness: Doubles

    @classmethod
    def about(cls, pixels: Image, limbus: Ellipse) -> "_Discs | None":
        """Look at a limbus; None where it is all alike."""
        crop = resampled_crop(pixels, limbus.x_px, limbus.y_px, limbus.radius_px / _PX, _PX)
        small = blurred(crop.astype(np.float32), 1.0)
        distance = np.hypot(*(np.mgrid[: small.shape[0], : small.shape[1]] - _PX))
        radii = np.exp(np.arange(np.log(_RANGE[0] * _PX), np.log(_RANGE[1] * _PX), 0.06))
        rings, scores = _disc_scores(small, distance < 0.9 * _PX, radii, _WITHIN)
        if not scores:
            return None
        near = slice(_PX - _WITHIN, _PX + _WITHIN + 1)
        distance = distance[near, near]
        central = np.exp(-0.5 * (distance / (0.15 * _PX)) ** 2) * (distance < _CENTRAL * _PX)
        # A dark pupil is less red and less coloured than its iris, one lit from within is more of both.  The
        # grey zone round the pupil of a blue iris is redder yet less coloured than the rest: it speaks
        # against itself.
        total = np.abs(sum(scores)) * central * (distance + radii[:, None, None] < 0.86 * _PX)
        return cls(pixels, limbus, radii, rings, scores, total)

    def clearest(self, clearness: Doubles, *, least: float = _CLEAR) -> _Disc | None:
        """Fit the disc that stands out most, None where none does by so much."""
        at, row, column = np.unravel_index(int(np.argmax(clearness)), clearness.shape)
        if clearness[at, row, column] <= least:
            return None
        channel = int(np.argmax([abs(score[at, row, column]) for score in self.scores]))
        steps = [float(ring[at, :3, row, column].mean()) for ring in self.rings]
        step = self.limbus.radius_px / _PX
        x, y = self.limbus.x_px + (column - _WITHIN) * step, self.limbus.y_px + (row - _WITHIN) * step
        start = (x, y, self.radii[at] * step)
        circle, roundness = _fit(self.pixels, start, channel=channel, brighter=steps[channel] < 0)
        return _Disc(circle, roundness, self.radii[at], float(clearness[at, row, column]), min(steps) > 0)

    def may_be_pupil(self, disc: _Disc) -> bool:
        """Whether a disc may be a pupil by its size, and because it is not a lamp."""
        in_range = 0.9 * _RANGE[0] < disc.circle.radius_px / self.limbus.radius_px < _RANGE[1]
        return in_range and not _is_lamp(self.pixels, disc.circle)

    def innermost(self, disc: _Disc) -> _Disc:
        """Give the disc inside a dark one that is darker still, if it is clear and round; else itself.

        The iris may be darker about the pupil than further out, but in a pupil nothing is dark.
        """
        if not disc.darker:
            return disc
        inside = self.clearness * (np.log(disc.start / self.radii) > _OTHER)[:, None, None]
        least = max(_CLEAR, _AS_CLEAR * disc.clearness)
        while (inner := self.clearest(inside, least=least)) and not inner.darker:  # a lamp stands out more
            inside[np.abs(np.log(self.radii / inner.start)) < _OTHER] = 0.0
        if inner is None or inner.roundness <= VERY_ROUND:
            return disc
        is_pupil = self._is_zone(inner.circle, disc.circle) and self.may_be_pupil(inner)
        return inner if is_pupil else disc

    def _is_zone(self, inner: Ellipse, outer: Ellipse) -> bool:
        """Whether what lies between two discs is lighter than the inner one, and not by a lamp's ring."""
        x, y, radius_px = outer.x_px, outer.y_px, outer.radius_px
        crop = resampled_crop(self.pixels, x, y, radius_px / _PX, int(1.4 * _PX))
        red = crop if crop.ndim == 2 else crop[..., 0]
        half = len(red) // 2
        down, across = np.mgrid[-half : half + 1, -half : half + 1] / _PX
        own = np.hypot(across - (inner.x_px - x) / radius_px, down - (inner.y_px - y) / radius_px)
        share, out = inner.radius_px / radius_px, np.hypot(across, down)
        zones = own < 0.8 * share, (own > share**0.5) & (out < 0.92), (out > 1.1) & (out < 1.35)
        inside, between, outside = (median(red[zone].astype(float)) for zone in zones)
        return _PART * (outside - inside) < between - inside < outside - inside


def _disc_scores(
    crop: Floats, disc: NDArray[np.bool_], radii: Doubles, within: int
) -> tuple[list[Floats], list[Doubles]]:
    """Contrast of rings about the middle in each channel, and how much they look like a pupil's edge."""
    rings, scores = [], []
    channels = _channels(crop)
    levels = [(percentile(part[disc], 1.0), percentile(part[disc], 85.0)) for part in channels]
    span = max(top - bottom for bottom, top in levels)
    for channel, (bottom, top) in zip(channels, levels, strict=True):
        if top - bottom < 4.0:
            continue  # flat: nothing to see in this channel
        inside = np.asarray(np.clip((channel - bottom) * (100.0 / span), 0.0, 100.0), np.float32)
        ring = central_contrast(inside, radii, _CLIP, beyond=_BEYOND, within=within)
        size = np.abs(ring)
        sign = np.sign(ring[:, :3]).sum(axis=1) / 3
        above = 0.15 * size[:, 3] * (np.sign(ring[:, 3]) == np.sign(ring[:, 2]))
        score = sign * (0.5 * size[:, :3].mean(axis=1) + size[:, :3].min(axis=1) + above)
        scores.append(np.where(np.abs(sign) == 1, score, 0.0))
        rings.append(ring)
    return rings, scores


def _is_lamp(pixels: Image, disc: Ellipse) -> bool:
    """Whether a disc is the ring of a lamp mirrored in a pupil: beyond it all is as it is inside."""
    crop = resampled_crop(pixels, disc.x_px, disc.y_px, disc.radius_px / _LAMP_PX, 2 * _LAMP_PX)
    radii, circle = np.arange(0.1, 1.95, 0.05), (2.0 * _LAMP_PX, 2.0 * _LAMP_PX, float(_LAMP_PX))
    smooth = blurred(crop.astype(np.float32), 0.75)
    channels = [unrolled(np.asarray(part, np.float32), circle, radii) for part in cv2.split(smooth)]
    inside = [median(rays[radii < 0.6]) for rays in channels]
    ring = max(
        median(rays[(radii > 0.75) & (radii < 1.4)].max(axis=0)) - level
        for rays, level in zip(channels, inside, strict=True)
    )
    for beyond in ((radii > 1.2) & (radii < 1.4), radii > 1.55):  # of the ring's outer edge, or its inner one
        apart = [
            np.abs(row_medians(rays[beyond].T) - level) for rays, level in zip(channels, inside, strict=True)
        ]
        if ring > _LAMP and (np.max(apart, axis=0) < _AS_INSIDE * ring).mean() > _AROUND:
            return True
    return False


def _channels(crop: Floats) -> list[Floats]:
    if crop.ndim == 2:
        return [crop]
    red, green, blue = cv2.split(crop)
    highest, lowest = cv2.max(cv2.max(red, green), blue), cv2.min(cv2.min(red, green), blue)
    return [np.asarray(red, np.float32), np.asarray(highest - lowest, np.float32)]


def _fit(
    pixels: Image, start: tuple[float, float, float], *, channel: int, brighter: bool
) -> tuple[Ellipse, float]:
    close_up = CloseUp.on(pixels, *start, reach=_REACH)
    picture = blurred(_channels(close_up.pixels.astype(np.float32))[channel], 2.0)
    picture = -picture if brighter else picture
    x, y, radius = close_up.inwards(*start)
    for span in (0.2, 0.12):
        radii, step = _step(picture, (x, y, radius), span)
        step = np.minimum(step, np.float32(percentile(step, 95.0)))  # glints make the highest steps
        likely = np.where(np.abs(radii - 1) < span, np.exp(-0.5 * ((radii - 1) / (0.7 * span)) ** 2), 0.0)
        edge, height = strongest(radii, step, likely)
        weights = height / (height.max() + 1e-6) * np.where(np.sin(DIRECTIONS) > 0.75, 0.3, 1.0)
        shape, _ = outline_fit(edge, weights, stiffness=3.0)
        x, y, radius = x + shape[1] * radius, y - shape[2] * radius, shape[0] * radius
    span = 0.2
    radii, step = _step(picture, (x, y, radius), span)
    edge, height = strongest(radii, step, (np.abs(radii - 1) < span).astype(float))
    oval, _ = outline_fit(edge, (height > 0.0).astype(float), stiffness=3.0)
    oval[:3] = 1.0, 0.0, 0.0
    oval[3:] *= min(1.0, _OVAL / float(np.hypot(*oval[3:]) + 1e-9))
    on_outline = (np.abs(edge - outline(oval)) < 0.05) & (height > 0.0)
    roundness = float(on_outline[np.sin(DIRECTIONS) < 0.5].mean())
    return Ellipse.circle(*close_up.outwards(x, y, radius)), roundness


def _step(
    picture: Floats, circle: tuple[float, float, float], span: float
) -> tuple[NDArray[np.float64], Floats]:
    """Radii about a circle, and at them the steps to brighter in each direction."""
    radii = np.arange(0.9 - span, 1.1 + span, 0.01)
    step = radial_step(unrolled(picture, circle, radii), 0.04)
    return radii, np.maximum(step, np.float32(0.0))
