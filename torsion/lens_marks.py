"""The axis of a lens in the eye, from points set on its marks in a photo after surgery."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, degrees, hypot

import numpy as np
from numpy.typing import NDArray

from torsion.angles import axis_difference_deg, wrap_axis_deg
from torsion.measurement import Measurement
from torsion.photo import Ellipse
from torsion.toric import expected_cylinder_d

__all__ = ["POINT_PX", "AgainstPlan", "LensAxis", "against_plan", "lens_axis"]

POINT_PX = 3.0
"""Standard uncertainty of a point in each direction, in pixels of the photo; common practice, no source."""

_OFF_CENTRE = 0.25  # limbus radii; a lens off centre by 0.5 mm and a gaze of 5 degrees together come to 0.15
_CLOSEST = 0.3  # limbus radii between the outermost points; the marks of a lens are 0.8 or more apart
_OFF_LINE = 3.0  # standard uncertainties


@dataclass(frozen=True, slots=True)
class LensAxis:
    """Where the marks of a lens lie.

    Attributes
    ----------
    axis_deg : float or None
        In the frame of the seated photo, in (0, 180]; None where the measurement is refused.
    photo_deg : float
        In the photo they were read in, as displayed.
    standard_uncertainty_deg : float or None
        Of `axis_deg`: both parts.
    registration_deg : float or None
        Of the rotation between the photos.
    reading_deg : float
        Of the line through the points.
    flags : tuple of str
        ``marks_off_centre`` and ``marks_not_in_line``.
    """

    axis_deg: float | None
    photo_deg: float
    standard_uncertainty_deg: float | None
    registration_deg: float | None
    reading_deg: float
    flags: tuple[str, ...]


def lens_axis(
    measurement: Measurement, points_px: Sequence[tuple[float, float]], *, point_px: float = POINT_PX
) -> LensAxis:
    """Carry the line through the marks of a lens back into the frame of the seated photo.

    Parameters
    ----------
    measurement : Measurement
        Of the seated photo and the photo that shows the marks, in the place of the supine one.
    points_px : sequence of (float, float)
        Two or more points on the marks, on both sides of the lens, in pixels of that photo as displayed (x to
        the right, y down).
    point_px : float, optional
        Standard uncertainty of each coordinate, pixels.

    Returns
    -------
    LensAxis

    Raises
    ------
    ValueError
        If there are fewer than two points, one lies outside the limbus, or all lie too close together.

    Notes
    -----
    The line is carried by the fitted map, foreshortening included; that the lens lies deeper than the limbus
    shifts it and does not turn it.
    """
    limbus = measurement.supine.limbus
    if limbus is None:
        msg = "no eye was found in the photo with the marks, so their place in it is not known"
        raise ValueError(msg)
    points = np.asarray(points_px, dtype=float).reshape(-1, 2)
    _check(points, limbus, point_px)
    centre = points.mean(axis=0)
    along = np.linalg.svd(points - centre)[2][0]  # direction of the line with the least squared distances
    places = (points - centre) @ along
    off_line = np.abs((points - centre) @ [-along[1], along[0]])
    scatter = float(np.sqrt(np.sum(off_line**2) / max(1, len(points) - 2)))
    reading = degrees(max(point_px, scatter if len(points) > 2 else 0.0) / float(np.sqrt(np.sum(places**2))))
    middle = np.array([limbus.x_px, limbus.y_px]) - centre
    distance = abs(float(middle @ [-along[1], along[0]]))
    conditions = {
        "marks_off_centre": distance > _OFF_CENTRE * limbus.radius_px,
        "marks_not_in_line": float(off_line.max()) > _OFF_LINE * point_px,
    }
    flags = tuple(name for name, present in conditions.items() if present)
    registration = measurement.standard_uncertainty_deg
    axis = total = None
    if measurement.verdict != "refuse" and measurement.matrix is not None and registration is not None:
        axis = _axis_deg(np.linalg.solve(measurement.matrix[:, :2], along))
        total = hypot(registration, reading)
    return LensAxis(axis, _axis_deg(along), total, registration, reading, flags)


@dataclass(frozen=True, slots=True)
class AgainstPlan:
    """A lens in the eye against the axis planned for it.

    Attributes
    ----------
    planned_deg : float
        In the frame of the plan.
    surgical_deg : float
        Planned axis in the photo that shows the marks, as displayed.
    off_deg : float
        Turn of the lens from the planned axis, counter-clockwise positive, in the frame of the seated photo.
    standard_uncertainty_deg : float
        Of `off_deg`.
    uncertainty_is : {"registration only", "registration and frame"}
        What it holds beside the reading of the marks.
    expected_d : float or None
        Mean cylinder left by this error of the axis and its uncertainty, for a lens equal to the cornea; None
        where its cylinder was not given.
    """

    planned_deg: float
    surgical_deg: float
    off_deg: float
    standard_uncertainty_deg: float
    uncertainty_is: str
    expected_d: float | None


def against_plan(
    measurement: Measurement, lens: LensAxis, *, cylinder_d: float | None = None
) -> AgainstPlan | None:
    """Compare where a lens lies with where it was planned.

    Parameters
    ----------
    measurement : Measurement
        The one that `lens` was read with, made with the planned axis.
    lens : LensAxis
    cylinder_d : float, optional
        Cylinder of the lens at the cornea, dioptres.

    Returns
    -------
    AgainstPlan or None
        None where no axis was planned, or the measurement is refused.
    """
    plan = measurement.axis
    if plan is None or plan.surgical_deg is None:
        return None
    if lens.axis_deg is None or lens.standard_uncertainty_deg is None:
        return None
    off = axis_difference_deg(lens.axis_deg, plan.planned_deg)
    uncertainty = hypot(lens.standard_uncertainty_deg, plan.frame_deg or 0.0)
    left = None
    if cylinder_d is not None:
        left = expected_cylinder_d(cylinder_d, cylinder_d, uncertainty, off_deg=off)
    return AgainstPlan(plan.planned_deg, plan.surgical_deg, off, uncertainty, plan.interval_is, left)


def _axis_deg(direction: NDArray[np.float64]) -> float:
    return wrap_axis_deg(degrees(atan2(-direction[1], direction[0])))  # pixels count downwards


def _check(points: NDArray[np.float64], limbus: Ellipse, point_px: float) -> None:
    if len(points) < 2:
        msg = f"the line of the lens needs at least 2 points on its marks, not {len(points)}"
        raise ValueError(msg)
    if not 0.0 < point_px < limbus.radius_px:
        msg = f"uncertainty of a point must lie above 0 and below the limbus radius, not {point_px:g} pixels"
        raise ValueError(msg)
    from_centre = np.hypot(points[:, 0] - limbus.x_px, points[:, 1] - limbus.y_px)
    for (x, y), distance in zip(points, from_centre, strict=True):
        if not distance <= limbus.radius_px:
            msg = (
                f"mark {x:g},{y:g} lies outside the limbus (centre {limbus.x_px:.0f},{limbus.y_px:.0f}, "
                f"radius {limbus.radius_px:.0f} pixels)"
            )
            raise ValueError(msg)
    apart = float(np.max(np.linalg.norm(points[:, None] - points[None], axis=2)))
    if apart < _CLOSEST * limbus.radius_px:
        msg = (
            f"the marks are {apart:.0f} pixels apart, too little for an axis; set points on both sides of "
            f"the lens, {_CLOSEST * limbus.radius_px:.0f} or more apart"
        )
        raise ValueError(msg)
