"""Order: signs that the first photo is the surgical one, so that seated and supine are exchanged.

Exchanged photos turn the axis the wrong way, which doubles the error.  What the two eyes show cannot tell,
since a rotation has no first and second; only what surrounds the two shots can.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray

from torsion.eye_picture import EyePicture
from torsion.photo import is_grey
from torsion.quantiles import median, row_medians

__all__ = ["Sign", "order_signs"]

Sign = Literal["capture_times", "red_reflex", "lids_held", "dilated_pupil"]
"""What speaks for exchanged photos: the first was taken later, or it alone shows a red reflex, lids held
apart as by a speculum, or a pupil as wide as drops make it."""

_PX = 30  # pixels for each limbus radius are enough for lids and the colour of the pupil
_GLOW = 0.25  # red over blue of the pupil, of the white's red: a reflex has 0.4 or more, a dark pupil about 0
_REDDER = 1.2  # red over green of a reflex; a pupil that mirrors the room, or a white lens, is grey
# Limbus radii (14.6 mm) between the lids; eyes open to 8 to 12 mm (common practice, no source).
_HELD_APART = 2.5
_EXPOSED = 0.8  # of the limbus, above and below; a usual lid leaves half of it above
_SECTOR = 0.42  # sine of the half angle of the sectors above and below in which lids are looked for
_FREE = 0.7  # share of a sector's ring that is free of lids; vessels and glints take up the rest
# Of the step from pupil to iris; the rim of a true pupil takes a third at most, a wreath all of it.
_EVEN = 0.7
# Pupil over limbus (7.0 and 4.7 mm).  Wider needs drops or a dark room, and an eye with drops in it does not
# get that narrow again for hours; between them light alone decides.
_WIDE, _NARROW = 0.60, 0.40


def order_signs(
    first: EyePicture,
    second: EyePicture,
    *,
    pupils: tuple[float | None, float | None] = (None, None),
    captured_at: tuple[str | None, str | None] = (None, None),
    exposed: float = 1.0,
    sideways: bool = False,
) -> tuple[Sign, ...]:
    """Signs that the first picture was taken after the second, or in surgery.

    A sign asks for evidence in both pictures: one has it and the other is seen not to.  What cannot be seen
    in one of them (a reflex without colour, lids beyond the picture) is no sign.

    Parameters
    ----------
    first, second : EyePicture
        The eye of the picture given as seated, and of that given as supine.
    pupils : (float or None, float or None)
        Pupil over limbus in both; None where no pupil was found.
    captured_at : (str or None, str or None)
        ISO times at which both were taken, by the clocks of their cameras.
    exposed : float, default 1
        Share of the first picture's limbus whose edge is seen, above or below, whichever is less.  Lids that
        cover some of it are not held apart, whatever looks white beyond it.
    sideways : bool
        The second picture is turned by 90 or 270 degrees, so its lids lie to the left and right.

    Returns
    -------
    tuple of str
        Of `Sign`; empty where nothing speaks against the order, which does not prove it.
    """
    signs: list[Sign] = ["capture_times"] if _is_later(*captured_at) else []
    one, other = _Sample.of(first), _Sample.of(second, sideways=sideways)
    if None not in pupils and one.has_reflex() and other.has_reflex() is False:
        signs.append("red_reflex")
    if exposed > _EXPOSED and one.has_held_lids() and other.has_held_lids() is False:
        signs.append("lids_held")
    wide, narrow = pupils
    if wide is not None and narrow is not None and wide > _WIDE and narrow < _NARROW and one.is_filled():
        signs.append("dilated_pupil")
    return tuple(signs)


def _is_later(first: str | None, second: str | None) -> bool:
    """Whether the first time is later; clocks of which one states no zone are taken to show one zone."""
    if first is None or second is None:
        return False
    one, other = datetime.fromisoformat(first), datetime.fromisoformat(second)
    if one.tzinfo is None or other.tzinfo is None:
        one, other = one.replace(tzinfo=None), other.replace(tzinfo=None)
    return one > other


@dataclass(frozen=True, slots=True, eq=False)
class _Sample:
    """Every nth pixel of an eye's picture, upright; places in limbus radii, to the right and upwards."""

    rgb: NDArray[np.uint8]
    valid: NDArray[np.bool_]
    in_picture: NDArray[np.bool_]
    white: NDArray[np.bool_]
    across: NDArray[np.float64]
    up: NDArray[np.float64]
    pupil: tuple[float, float, float]
    sideways: bool

    @classmethod
    def of(cls, eye: EyePicture, *, sideways: bool = False) -> Self:
        step = max(1, int(eye.px_per_radius / _PX))
        half = eye.rgb.shape[0] // 2
        thin = slice(half - half // step * step, None, step)
        places = np.arange(-(half // step), half // step + 1) * step / eye.px_per_radius
        across, up = np.meshgrid(places, -places)
        valid, limbal = eye.valid[thin, thin], eye.limbal_region[thin, thin]
        shown = eye.rgb[thin, thin], valid, eye.in_picture[thin, thin], valid & limbal
        return cls(*shown, across, up, eye.pupil, sideways)

    def has_reflex(self) -> bool | None:
        """Whether the pupil glows red, as under a coaxial microscope; None without colour or white."""
        x, y, radius = self.pupil
        inside = (np.hypot(self.across - x, self.up - y) < 0.8 * radius) & self.in_picture
        if is_grey(self.rgb) or not inside.any() or not self.white.any():
            return None
        red, green, blue = row_medians(self.rgb[inside].astype(float).T)
        white = median(self.rgb[self.white][:, 0])
        return bool(red - blue > _GLOW * white and red > _REDDER * green)

    def is_filled(self) -> bool:
        """Whether the pupil is as dark, or as bright, at its rim as in its middle, as a true pupil is.

        The wreath of a light iris may pose as the rim of a wide pupil.
        """
        x, y, radius = self.pupil
        distance = np.hypot(self.across - x, self.up - y) / radius
        grey, seen = self.rgb.mean(axis=2), self.in_picture & (np.hypot(self.across, self.up) < 0.96)
        zones = (distance < 0.5, (distance > 0.7) & (distance < 0.92), (distance > 1.1) & self.valid)
        if not all((zone & seen).any() for zone in zones):
            return False
        middle, rim, iris = (median(grey[zone & seen]) for zone in zones)
        return abs(rim - middle) < _EVEN * abs(iris - middle)

    def has_held_lids(self) -> bool | None:
        """Whether the lids stand further apart than an eye opens; None without colour or off the picture."""
        distance = np.hypot(self.across, self.up)
        along, aside = (self.across, self.up) if self.sideways else (self.up, self.across)
        middle = (np.abs(aside) < _SECTOR * distance) & (distance > 1.0)
        if is_grey(self.rgb) or not self.in_picture[middle & (distance < _HELD_APART / 2)].all():
            return None
        opening = sum(self._free_reach(distance, middle & half) for half in (along > 0, along < 0))
        return opening > _HELD_APART

    def _free_reach(self, distance: NDArray[np.float64], sector: NDArray[np.bool_]) -> float:
        """How far the white of the eye is free of lids in a sector, limbus radii; 1 for not at all."""
        reach = 1.0
        for inner in np.arange(1.07, 1.4, 0.06):  # the edge of the mask is left out
            ring = sector & (distance >= inner) & (distance < inner + 0.06)
            if self.valid[ring].mean() < _FREE:
                break
            reach = float(inner) + 0.06
        return reach
