"""Landmarks: things on the eye that a person finds again, and axes counted from them."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from torsion.angles import axis_difference_deg, direction_deg, wrap_direction_deg
from torsion.eye_picture import EyePicture
from torsion.photo import Ellipse
from torsion.unwrap import Band, sample

__all__ = ["AxisOffset", "Landmark", "LandmarkKind", "axis_offsets", "carry_landmarks", "clock_hour"]

LandmarkKind = Literal["vessel", "branching vessel", "crypt", "spot"]

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]

_PATCH = 0.10  # half side of what is compared, in limbus radii
_RECOGNISED = 0.4  # correlation of a landmark with itself in the other photo; 8 degrees off, 1 of 77 has it


@dataclass(frozen=True, slots=True)
class Landmark:
    """A thing on the eye that can be found again.

    Attributes
    ----------
    number : int
        From 1, counter-clockwise from the right of the picture.
    kind : {"vessel", "branching vessel", "crypt", "spot"}
        What it looks like; a guess from its shape.
    band : {"iris", "limbus"}
        Where it lies. What lies on the iris moves outwards and may be hidden when the pupil is dilated.
    x_px, y_px : float
        In the full picture as displayed.
    direction_deg : float
        From the centre of the limbus, in [0, 360).
    radius : float
        Distance from the centre of the limbus, in limbus radii.
    contrast : float
        How much darker than its surroundings, 0 to 1 of their brightness.
    distinctiveness : float
        1 minus the correlation with the most similar place within 30 degrees, 0 to 1.
    worth : float
        What it is chosen by, 0 to 1: distinctiveness, contrast, focus and place together.
    """

    number: int
    kind: LandmarkKind
    band: Band
    x_px: float
    y_px: float
    direction_deg: float
    radius: float
    contrast: float
    distinctiveness: float
    worth: float


@dataclass(frozen=True, slots=True)
class AxisOffset:
    """How far to go from a landmark to the nearer end of an axis.

    Attributes
    ----------
    landmark : Landmark
    offset_deg : float
        From the landmark to the axis, counter-clockwise positive, in [-90, 90).
    end_deg : float
        Direction of the end of the axis that is meant, in [0, 360).
    """

    landmark: Landmark
    offset_deg: float
    end_deg: float


def clock_hour(direction_deg: float) -> float:
    """Clock hour of a direction as the examiner sees the picture, in (0, 12].

    Examples
    --------
    >>> clock_hour(90.0), clock_hour(0.0), clock_hour(45.0)
    (12.0, 3.0, 1.5)
    """
    hour = wrap_direction_deg(90.0 - direction_deg) / 30.0
    return hour if hour > 0.0 else 12.0


def axis_offsets(
    landmarks: Iterable[Landmark], axis_deg: float, *, nearest: int | None = None
) -> tuple[AxisOffset, ...]:
    """Offsets of an axis from landmarks seen in the same picture.

    Parameters
    ----------
    landmarks : iterable of Landmark
    axis_deg : float
        Axis in that picture.
    nearest : int, optional
        Keep so many, those nearest to an end of the axis, nearest first; default all, as they come.

    Returns
    -------
    tuple of AxisOffset

    Examples
    --------
    >>> mole = Landmark(1, "spot", "iris", 0.0, 0.0, 260.0, 0.7, 0.2, 0.8, 0.5)
    >>> [(offset.offset_deg, offset.end_deg) for offset in axis_offsets([mole], 95.0)]
    [(15.0, 275.0)]
    """
    found = []
    for landmark in landmarks:
        offset = axis_difference_deg(axis_deg, landmark.direction_deg)
        found.append(AxisOffset(landmark, offset, wrap_direction_deg(landmark.direction_deg + offset)))
    if nearest is not None:
        found = sorted(found, key=lambda each: abs(each.offset_deg))[:nearest]
    return tuple(found)


def carry_landmarks(
    landmarks: Iterable[Landmark],
    matrix: Doubles,
    *,
    seated: Ellipse,
    supine: Ellipse,
    seated_eye: EyePicture | None = None,
    supine_eye: EyePicture | None = None,
    iris_places: Callable[[Doubles], Doubles | None] | None = None,
) -> tuple[Landmark, ...]:
    """Landmarks of the seated photo as they lie in the supine photo.

    Parameters
    ----------
    landmarks : iterable of Landmark
    matrix : (2, 3) ndarray
        Map of full-picture pixels of the seated photo to those of the supine photo (`Measurement.matrix`).
    seated, supine : Ellipse
        Limbus in either photo.  Directions in the supine photo are taken from where the centre of the seated
        limbus comes to lie, not from a second estimate of it.
    seated_eye, supine_eye : EyePicture, optional
        With both given, landmarks that cannot be recognised in the supine photo are left out: hidden, or
        unlike themselves.
    iris_places : callable, optional
        Gives the places of points (n, 2) of the seated iris in the supine photo; without it those of the
        iris move as the limbus does, which gaze and dilation change by several pixels.

    Returns
    -------
    tuple of Landmark
        With their numbers kept.
    """
    centre = matrix @ (seated.x_px, seated.y_px, 1.0)
    carried = []
    for landmark in landmarks:
        local = _local_map(landmark, matrix, iris_places)
        if seated_eye is not None and supine_eye is not None:
            likeness = _likeness(landmark, local, (seated_eye, seated), (supine_eye, supine))
            if likeness < _RECOGNISED:
                continue
        x, y = local @ (landmark.x_px, landmark.y_px, 1.0)
        dx, dy = float(x - centre[0]), float(y - centre[1])
        direction, radius = float(direction_deg(dx, dy)), float(np.hypot(dx, dy)) / supine.radius_px
        carried.append(
            replace(landmark, x_px=float(x), y_px=float(y), direction_deg=direction, radius=radius)
        )
    return tuple(carried)


def _local_map(
    landmark: Landmark, matrix: Doubles, iris_places: Callable[[Doubles], Doubles | None] | None
) -> Doubles:
    """Shift the map so that it holds at a landmark of the iris."""
    point = np.array([landmark.x_px, landmark.y_px])
    place = iris_places(point[None]) if iris_places is not None and landmark.band == "iris" else None
    if place is None:
        return matrix
    return np.column_stack([matrix[:, :2], place[0] - matrix[:, :2] @ point])


def _likeness(
    landmark: Landmark,
    matrix: Doubles,
    seated: tuple[EyePicture, Ellipse],
    supine: tuple[EyePicture, Ellipse],
) -> float:
    """Correlation of a landmark's surroundings in both photos; 0 where under half of them can be compared."""
    side = np.linspace(-_PATCH, _PATCH, 17) * seated[1].radius_px
    x, y = np.meshgrid(landmark.x_px + side, landmark.y_px + side)
    first, seen = _sampled(*seated, x, y)
    moved = np.tensordot(matrix, np.stack([x, y, np.ones_like(x)]), axes=1)
    second, seen_again = _sampled(*supine, moved[0], moved[1])
    both = seen & seen_again
    if both.mean() < 0.5:
        return 0.0
    power = float((first[both] ** 2).sum() * (second[both] ** 2).sum())
    return float((first * second)[both].sum()) / float(np.sqrt(max(power, 1e-12)))


def _sampled(
    eye: EyePicture, limbus: Ellipse, x_px: Doubles, y_px: Doubles
) -> tuple[Floats, NDArray[np.bool_]]:
    x, y = (x_px - limbus.x_px) / limbus.radius_px, (limbus.y_px - y_px) / limbus.radius_px
    return sample(eye.texture, eye, x, y), sample(eye.valid.astype(np.float32), eye, x, y) > 0.5
