"""Point marks: a mark given by two points of a photo, in the frame of the seated one."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import get_args

import numpy as np

from torsion.angles import axis_difference_deg, direction_deg, read_choice, wrap_axis_deg
from torsion.marks import Role
from torsion.measurement import Measurement

__all__ = [
    "PointMark",
    "two_point_mark",
]

_CLICK_PX = 1.0  # standard uncertainty of a point picked by hand


@dataclass(frozen=True, slots=True)
class PointMark:
    """A mark given by two points: a laser mark on the cornea or the capsule, the marks on a lens.

    Attributes
    ----------
    axis_deg : float or None
        Of the line through both points, in the frame of the seated photo; None where that is not known.
    photo_axis_deg : float
        In the photo in which the points were given.
    photo : {"seated", "supine"}
    standard_uncertainty_deg : float
        A pixel for each point, and the rotation where the photo is the supine one.
    offset_deg : float or None
        From the nearest given meridian, [-90, 90).
    points_px : ((float, float), (float, float))
    """

    axis_deg: float | None
    photo_axis_deg: float
    photo: Role
    standard_uncertainty_deg: float
    offset_deg: float | None
    points_px: tuple[tuple[float, float], tuple[float, float]]


def two_point_mark(
    first_px: tuple[float, float],
    second_px: tuple[float, float],
    *,
    photo: Role,
    measurement: Measurement | None = None,
    meridians_deg: Sequence[float] = (),
) -> PointMark:
    """Axis of the line through two points of a photo, in the frame of the seated photo.

    Both points lie in one depth, so that gaze, which shifts the lens against the limbus, moves them alike and
    leaves their axis.

    Raises
    ------
    ValueError
        If the points are less than two pixels apart, or `photo` is another word than seated or supine, or
        the supine one without a measurement.
    """
    photo = read_choice(photo, get_args(Role), name="photo")
    if photo == "supine" and measurement is None:
        msg = "points of a supine photo need the measurement of the pair"
        raise ValueError(msg)
    step = np.subtract(second_px, first_px)
    length = float(np.hypot(*step))
    if not 2.0 <= length < math.inf:
        msg = f"two points must be at least 2 pixels apart, not {length:.1f}"
        raise ValueError(msg)
    own = wrap_axis_deg(float(direction_deg(*step)))
    aim = math.degrees(_CLICK_PX * math.sqrt(2.0) / length)
    seated: float | None = own
    if photo == "supine" and measurement is not None:
        seated = None
        if measurement.verdict != "refuse" and measurement.matrix is not None:
            seated = wrap_axis_deg(float(direction_deg(*np.linalg.solve(measurement.matrix[:, :2], step))))
            aim = math.hypot(aim, measurement.standard_uncertainty_deg or 0.0)
    offset = None
    if seated is not None:
        offset = min(
            (axis_difference_deg(seated, planned) for planned in meridians_deg), key=abs, default=None
        )
    return PointMark(seated, own, photo, aim, offset, (first_px, second_px))
