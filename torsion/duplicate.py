"""Whether two photos are one and the same exposure, also re-saved, resized, cropped or turned.

The same photograph twice would be the most confident wrong answer: it always matches, at no torsion.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.masks import EyePicture
from torsion.unwrap import sample

__all__ = ["same_exposure"]

_REACH = 1.4  # limbus radii
_OUTSIDE = 1.1  # limbus radii: the edges of pupil and limbus coincide in every pair
_ENOUGH = 0.02  # of the square; with less of lids and skin to see, glints must do
_POINTS = 180  # along a side of the compared square: 0.016 limbus radii apart
_TRIAL_DEG = 0.8  # about the size of the finest compared detail
_SAME = 0.97
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
    apart the correlation reached 0.6 at most, in bursts of an eye that was held still 0.7 to 0.98.
    A copy keeps 0.99, re-saved at quality 50 or at half the size, and cropped in 15 of 16 trials; brightened
    until some of it is burnt out, 0.93 to 1.  A small turn of the eye alone leaves a high correlation too,
    but with its peak elsewhere than at the eye's own map.
    """
    at_map, before, after = (_match(seated, supine, matrix, turn) for turn in (0.0, -_TRIAL_DEG, _TRIAL_DEG))
    bend = before + after - 2.0 * at_map
    peak_deg = 0.5 * (before - after) / bend * _TRIAL_DEG if bend < 0 else np.inf
    return at_map > _SAME and abs(peak_deg) < _TRIAL_DEG / 8.0


def _match(seated: EyePicture, supine: EyePicture, matrix: NDArray[np.float64], turn_deg: float) -> float:
    along = np.linspace(-_REACH, _REACH, _POINTS)
    x, y = np.meshgrid(along, along)
    first = sample(_detail(seated), seated, x, y)
    cosine, sine = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turned = cosine * x - sine * y, sine * x + cosine * y
    moved = [row[0] * turned[0] + row[1] * turned[1] + row[2] for row in matrix]
    second = sample(_detail(supine), supine, moved[0], moved[1])
    stays = (sample(seated.valid.astype(np.float32), seated, x, y) < 0.5) & _in_picture(seated, x, y)
    stays &= _in_picture(supine, moved[0], moved[1])
    distance = np.hypot(x, y)
    stays &= distance < _REACH
    around = stays & (distance > _OUTSIDE)
    stays = around if around.sum() > _ENOUGH * stays.size else stays
    energy = float((first[stays] ** 2).sum()) * float((second[stays] ** 2).sum())
    return float((first[stays] * second[stays]).sum()) / np.sqrt(energy) if energy > 0 else 0.0


def _in_picture(eye: EyePicture, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
    return np.asarray(sample(eye.in_picture.astype(np.float32), eye, x, y) > 0.99)


def _detail(eye: EyePicture) -> NDArray[np.float32]:
    grey = eye.rgb.mean(axis=2).astype(np.float32)
    px = eye.px_per_radius
    fine = cv2.GaussianBlur(grey, (0, 0), _FINE * px) - cv2.GaussianBlur(grey, (0, 0), _COARSE * px)
    return np.asarray(fine, np.float32)
