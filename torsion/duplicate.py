"""Whether two photos are one and the same exposure, also re-saved, resized, cropped or turned.

The same photograph twice would be the most confident wrong answer: it always matches, at no torsion.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.lattice import lattice_blur
from torsion.masks import EyePicture
from torsion.unwrap import Places, places, sample_at, sample_lattice

__all__ = ["same_exposure"]

_REACH = 1.4  # limbus radii; what is compared lies within it
_OUTSIDE = 1.1  # limbus radii: the edges of pupil and limbus coincide in every pair
_ENOUGH = 0.02  # of the square; with less of lids and skin to see, glints must do
_SIDE = 1.55  # limbus radii, half of the compared square: as far as the cut reaches
_POINTS = 200  # along its side: 0.016 limbus radii apart
_TRIAL_DEG = 0.8  # about the size of the finest compared detail
_IDENTICAL = 0.995  # correlation; the highest of 205 bursts of a still eye had 0.993
_ALIKE = 0.94  # also of copies that lost detail; bursts reach it, but change the picture's shape
_SHAPE = 0.002  # larger over smaller scale, less 1: what turning gaze or head by 3.6 degrees does
_BURNT = 250  # grey levels; what is burnt out in one copy may still show in the other
_FINE, _COARSE = 0.012, 0.06  # limbus radii: detail that survives a resize and strong compression


def same_exposure(seated: EyePicture, supine: EyePicture, matrix: NDArray[np.float64]) -> bool:
    """Whether lids, lashes, skin and glints coincide when one picture is laid on the other by the eye's map.

    Parameters
    ----------
    seated, supine : EyePicture
    matrix : (2, 3) ndarray
        Map of seated to supine coordinates in limbus radii, y up.

    Notes
    -----
    In two exposures what surrounds the eye has moved against it: in pairs of photographs taken a minute
    apart the correlation reached 0.6 at most, in bursts of an eye that was held still 0.7 to 0.99.
    A copy keeps 0.94 or more, re-saved at quality 50, at 0.8 to 1.4 of the size, cropped, turned, noisy,
    brightened or blurred by a pixel or two, and it keeps the shape of things: the eye's own map is a
    similarity to 0.001, where of 205 bursts only ten were above 0.94 and within 0.002, since gaze and head
    move.  Copies of small pictures (240 pixels high) that were blurred by 2.5 pixels, saved at quality 30 or
    made much darker or brighter lose more than that, and may not be told from bursts.
    A small turn of the eye alone leaves a high correlation too, but with its peak elsewhere than at the
    eye's own map.
    """
    if np.array_equal(seated.rgb, supine.rgb):  # told without the map, which much noise leads astray
        return True
    compared = _Compared.of(seated, supine, matrix)
    at_map = compared.match(0.0)
    larger, smaller = np.linalg.svd(matrix[:, :2], compute_uv=False)
    if at_map <= (_ALIKE if larger < (1.0 + _SHAPE) * smaller else _IDENTICAL):
        return False
    before, after = compared.match(-_TRIAL_DEG), compared.match(_TRIAL_DEG)
    bend = before + after - 2.0 * at_map
    peak_deg = 0.5 * (before - after) / bend * _TRIAL_DEG if bend < 0 else np.inf
    return bool(abs(peak_deg) < _TRIAL_DEG / 8.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Compared:
    """Detail of the seated picture, and the points at which that of the other is compared with it."""

    supine: EyePicture
    matrix: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    stays: NDArray[np.bool_]
    first: NDArray[np.float32]

    @classmethod
    def of(cls, seated: EyePicture, supine: EyePicture, matrix: NDArray[np.float64]) -> "_Compared":
        along = np.linspace(-_SIDE, _SIDE, _POINTS)
        x, y = np.meshgrid(along, along)
        at = places(seated, x, y)
        stays = (sample_at(seated.valid.astype(np.float32), at) < 0.5) & _in_picture(seated, at)
        seen = _grey(seated, at)
        stays &= (np.hypot(x, y) < _REACH) & (seen <= _BURNT)
        return cls(supine, matrix, x, y, stays, _detail(seen))

    def match(self, turn_deg: float) -> float:
        """Correlation, the seated picture being turned about the limbus first."""
        cosine, sine = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        turned = cosine * self.x - sine * self.y, sine * self.x + cosine * self.y
        at = places(self.supine, *(row[0] * turned[0] + row[1] * turned[1] + row[2] for row in self.matrix))
        seen = _grey(self.supine, at)
        stays = self.stays & _in_picture(self.supine, at) & (seen <= _BURNT)
        around = stays & (np.hypot(self.x, self.y) > _OUTSIDE)
        stays = around if around.sum() > _ENOUGH * stays.size else stays
        first, second = self.first[stays], _detail(seen)[stays]
        energy = float((first**2).sum()) * float((second**2).sum())
        return float((first * second).sum()) / np.sqrt(energy) if energy > 0 else 0.0


def _in_picture(eye: EyePicture, at: Places) -> NDArray[np.bool_]:
    return sample_at(eye.in_picture.astype(np.float32), at) > 0.99


def _grey(eye: EyePicture, at: Places) -> NDArray[np.float32]:
    """Slightly blurred brightness at places in the cut."""
    colour, step = lattice_blur(eye.rgb, _FINE * eye.px_per_radius)
    grey = cv2.transform(colour, np.full((1, 3), 1.0 / 3.0))
    return sample_lattice(np.asarray(grey, np.float32), step, at)


def _detail(seen: NDArray[np.float32]) -> NDArray[np.float32]:
    """Detail at the points: the wide blur is as good on them, which are few, as on all pixels."""
    wide = cv2.GaussianBlur(seen, (0, 0), _COARSE * (_POINTS - 1) / (2.0 * _SIDE))
    return np.asarray(seen - wide, np.float32)
