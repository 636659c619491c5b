"""Likeness: whether what was taken for an eye lacks what the eye of a person shows.

Much is round and dark on a brighter ground: eyes of animals, cups, coins, targets.  No rule recognises a
person's eye; each names something that such an eye cannot be without.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from torsion.crops import resampled_crop
from torsion.outline import DIRECTIONS, unrolled
from torsion.photo import Ellipse, is_grey
from torsion.quantiles import median

__all__ = ["unlike_an_eye"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

_PX = 20  # pixels of the small picture for each limbus radius
_RADII = np.arange(0.80, 1.9, 0.05)  # limbus radii
# Beside the limbus, without its soft edge, and where lids must be: 10 mm, for nothing holds them 20 mm apart.
_IRIS, _BESIDE, _WHITE, _AT_LIDS = (
    slice(*np.searchsorted(_RADII, ends)) for ends in ((0.0, 0.93), (1.08, 1.37), (1.08, 9.0), (1.68, 9.0))
)
_SIDES = tuple(sign * np.cos(DIRECTIONS) > 0.92 for sign in (1, -1))  # 23 degrees up and down
_QUARTERS = tuple(np.cos(DIRECTIONS - np.radians(turn)) > 0.87 for turn in (0, 90, 180, 270))
_ACROSS, _DOWN = np.outer(_RADII, np.cos(DIRECTIONS)), np.outer(_RADII, -np.sin(DIRECTIONS))
_DARK = 2.0  # grey levels; less counts as no light
# Densities (natural logarithms).
_BRIGHTER, _BRIGHTER_GREY = 0.25, 0.08  # the white than the iris; in infra-red irises are nearly as bright
_REDDEST = 1.2  # than in blue, beside the limbus: more than blood on the white in warm light; fundi, fruit
_LEVEL, _TINT = 0.5, 0.15  # by which light and vessels change the white; skin is redder by as much
_LEVEL_GREY = 0.2  # where there is no colour, skin must be told by its brightness


def unlike_an_eye(pixels: NDArray[np.uint8], limbus: Ellipse) -> bool:
    """Whether a limbus that was found cannot be that of a person's eye.

    Parameters
    ----------
    pixels : (H, W[, 3]) uint8 ndarray
    limbus : Ellipse
        In pixels of `pixels`.

    Returns
    -------
    bool
        True where the white is lacking: at neither side is it clearly brighter beside the iris, in red, of
        which pale irises reflect least and blood hardly less than the white; or it is redder than blood.  Or
        the lids are: what lies beside the limbus goes on, unchanged, to where they must be, on all sides.
        What lies outside the picture speaks for nothing.
    """
    around = _Around.of(pixels, limbus)
    return around.lacks_white or around.lacks_lids


@dataclass(frozen=True, slots=True, eq=False)
class _Around:
    """Light about a limbus along rays from its middle: densities (radii, directions, colours)."""

    light: Floats
    seen: NDArray[np.bool_]
    grey: bool

    @classmethod
    def of(cls, pixels: NDArray[np.uint8], limbus: Ellipse) -> "_Around":
        x, y, radius = limbus.x_px, limbus.y_px, limbus.radius_px
        half = int(_RADII[-1] * _PX) + 3
        nth = max(1, int(radius / (2 * _PX)))  # of rows and columns: broad areas are compared
        crop = resampled_crop(pixels[::nth, ::nth], x / nth, y / nth, radius / (nth * _PX), half)
        rays = unrolled(crop.astype(np.float32), (half, half, _PX), _RADII)
        light = np.log(rays.reshape(*rays.shape[:2], -1) + np.float32(_DARK))
        across, down = x + radius * _ACROSS, y + radius * _DOWN
        height, width = pixels.shape[:2]
        seen = (across > 0.0) & (across < width - 1) & (down > 0.0) & (down < height - 1)
        return cls(light, seen, is_grey(crop))

    @property
    def lacks_white(self) -> bool:
        least = _BRIGHTER_GREY if self.grey else _BRIGHTER
        steps = [(step, side) for side in _SIDES if np.isfinite(step := self._step(side))]
        return bool(steps) and not any(
            step > least and self._redness(side) < _REDDEST for step, side in steps
        )

    def _redness(self, side: Mask) -> float:
        """By how much what lies beside the limbus is brighter in red than in blue."""
        colour = self._colour(_BESIDE, side)
        return float(colour[0] - colour[-1])

    def _step(self, side: Mask) -> float:
        """By how much it is brighter beside the limbus than in it, on one side; NaN outside the picture."""
        within, beside = (self._seen_light(zone, side)[:, 0] for zone in (_IRIS, _BESIDE))
        return median(beside) - median(within)

    @property
    def lacks_lids(self) -> bool:
        reach = self.seen[_AT_LIDS.start]
        if any(np.mean(reach[quarter]) < 0.5 for quarter in _QUARTERS):
            return False
        bare = self._bare()
        return all(np.mean(bare[quarter & reach]) > 0.5 for quarter in _QUARTERS)

    def _bare(self) -> Mask:
        """Directions in which a dark disc is followed by one and the same light, as far as it is seen."""
        white = max((self._colour(_BESIDE, side) for side in _SIDES), key=min)
        iris = min((self._colour(_IRIS, side) for side in _SIDES), key=min)
        level = min(_LEVEL_GREY if self.grey else _LEVEL, (white[0] - iris[0]) / 2)
        off = self.light[_WHITE] - white
        tint = (off - off[..., :1])[..., 1:]
        like = (np.abs(off).max(axis=-1) < level) & (np.abs(tint).max(axis=-1, initial=0.0) < _TINT)
        edge = self.light[_IRIS][..., 0].max(axis=0) < white[0] - level
        return np.asarray((like | ~self.seen[_WHITE]).all(axis=0) & edge)

    def _colour(self, zone: slice, side: Mask) -> Floats:
        return np.asarray(np.median(self._seen_light(zone, side), axis=0), np.float32)

    def _seen_light(self, zone: slice, side: Mask) -> Floats:
        """Light of what lies in the picture, (places, colours)."""
        return self.light[zone][:, side][self.seen[zone][:, side]]
