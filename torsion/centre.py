"""Centre: points of the seated eye carried into the supine photo, and the ring of the capsule opening there.

The small pupil of the seated photo is gone under the microscope; its centre, or that of the visual axis, can
be shown all the same.  The pupil lies in the plane of the iris, which gaze moves against the limbus; so its
centre is carried by the map of the iris, not by that of the limbus.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from torsion.photo import Ellipse

__all__ = [
    "LIMBUS_MM",
    "LIMBUS_SD_MM",
    "CapsuleRing",
    "CarriedPoint",
    "capsule_ring",
    "carry_point",
    "check_limbus_mm",
    "check_opening_mm",
    "mm_per_degree",
    "pixels_per_mm",
]

LIMBUS_MM, LIMBUS_SD_MM = 11.71, 0.42
"""Diameter of the limbus, mean and standard deviation of 743 eyes (Rüfer et al., Cornea 2005;24(3):259-61,
doi 10.1097/01.ico.0000148312.01805.53)."""
_LIMBUS_RANGE_MM = (9.0, 14.0)  # outside, a number is a slip: published normal values reach 10.7 to 12.6
_OPENING_RANGE_MM = (3.0, 8.0)
_OUTLINE_SHARE = 0.015  # of the limbus radius: the fitted outline's centre; common practice, no source


@dataclass(frozen=True, slots=True)
class CarriedPoint:
    """A point of the seated photo, and where it lies in the supine photo.

    Attributes
    ----------
    seated_x_px, seated_y_px : float
    x_px, y_px : float
        In the supine photo, full picture as displayed.
    standard_uncertainty_px : float
        In each direction.
    standard_uncertainty_mm : float
    """

    seated_x_px: float
    seated_y_px: float
    x_px: float
    y_px: float
    standard_uncertainty_px: float
    standard_uncertainty_mm: float


@dataclass(frozen=True, slots=True)
class CapsuleRing:
    """A circle in the supine photo.

    Attributes
    ----------
    x_px, y_px, radius_px : float
    diameter_mm : float
        As asked for.
    standard_uncertainty_mm : float
        Of the drawn circle's true diameter: from the outline of the limbus and, for an average one, from the
        spread between eyes.
    limbus_mm : float
    limbus_is : {"given", "average"}
    """

    x_px: float
    y_px: float
    radius_px: float
    diameter_mm: float
    standard_uncertainty_mm: float
    limbus_mm: float
    limbus_is: str


def mm_per_degree(limbus_mm: float = LIMBUS_MM) -> float:
    """Length of one degree along the limbus.

    Examples
    --------
    >>> round(mm_per_degree(), 3)
    0.102
    """
    return math.pi * limbus_mm / 360.0


def pixels_per_mm(limbus: Ellipse, *, limbus_mm: float | None = None) -> float:
    """Scale of a photo at the plane of the limbus.

    Parameters
    ----------
    limbus : Ellipse
        In that photo.
    limbus_mm : float, optional
        Its diameter; by default the average.

    Raises
    ------
    ValueError
        If the diameter is outside 9 to 14 mm.
    """
    return 2.0 * limbus.radius_px / _limbus_mm(limbus_mm)


def carry_point(
    point_px: tuple[float, float],
    matrix: NDArray[np.float64],
    *,
    seated: Ellipse,
    supine: Ellipse,
    rotation_standard_uncertainty_deg: float,
    point_standard_uncertainty_px: float | None = None,
    limbus_mm: float | None = None,
) -> CarriedPoint:
    """Carry a point of the seated photo into the supine photo.

    Parameters
    ----------
    point_px : (float, float)
        Full-picture pixels of the seated photo: the centre of the undilated pupil, or a visual-axis point.
    matrix : (2, 3) ndarray
        Map of seated to supine pixels at the depth of the point: `iris_map.iris_matrix` for the pupil,
        `Measurement.matrix` in the plane of the limbus.
    seated, supine : Ellipse
        Limbus in either photo.
    rotation_standard_uncertainty_deg : float
        Of the map's rotation.
    point_standard_uncertainty_px : float, optional
        Of the point in the seated photo, each direction; by default 1.5 % of the limbus radius (0.09 mm), as
        for a fitted outline.
    limbus_mm : float, optional
        Diameter of the limbus; by default the average.

    Returns
    -------
    CarriedPoint
        Its uncertainty holds that of the point, of the map's place (1.5 % of the limbus radius), and of the
        rotation at the point's distance from the centre of the limbus.
    """
    x, y = (float(value) for value in matrix @ (*point_px, 1.0))
    scale = math.sqrt(abs(float(np.linalg.det(matrix[:, :2]))))
    given = point_standard_uncertainty_px
    point = scale * (_OUTLINE_SHARE * seated.radius_px if given is None else given)
    centre = matrix @ (seated.x_px, seated.y_px, 1.0)
    turned = math.hypot(x - centre[0], y - centre[1]) * math.radians(rotation_standard_uncertainty_deg)
    uncertainty = math.hypot(point, _OUTLINE_SHARE * supine.radius_px, turned)
    in_mm = uncertainty / pixels_per_mm(supine, limbus_mm=limbus_mm)
    return CarriedPoint(*point_px, x, y, uncertainty, in_mm)


def capsule_ring(
    centre_px: tuple[float, float], diameter_mm: float, limbus: Ellipse, *, limbus_mm: float | None = None
) -> CapsuleRing:
    """Circle for the opening of the capsule, round a point of the supine photo.

    Parameters
    ----------
    centre_px : (float, float)
        Supine photo, such as a carried pupil centre.
    diameter_mm : float
        3 to 8.
    limbus : Ellipse
        In the supine photo; gives the scale, which is that of the plane of the limbus: the capsule lies
        deeper and is seen through the cornea, so the ring guides, and does not measure.
    limbus_mm : float, optional
        Diameter of this eye's limbus; by default the average of eyes.

    Returns
    -------
    CapsuleRing

    Raises
    ------
    ValueError
        If a diameter is out of range.

    Examples
    --------
    >>> ring = capsule_ring((400.0, 300.0), 5.0, Ellipse.circle(400.0, 300.0, 117.1))
    >>> round(ring.radius_px, 2), round(ring.standard_uncertainty_mm, 2)
    (50.0, 0.19)
    """
    diameter_mm, size = check_opening_mm(diameter_mm), _limbus_mm(limbus_mm)
    share = 0.0 if limbus_mm is not None else LIMBUS_SD_MM / LIMBUS_MM
    spread = diameter_mm * math.hypot(_OUTLINE_SHARE, share)
    radius = 0.5 * diameter_mm * pixels_per_mm(limbus, limbus_mm=limbus_mm)
    return CapsuleRing(
        *centre_px, radius, diameter_mm, spread, size, "average" if limbus_mm is None else "given"
    )


def check_opening_mm(diameter_mm: float) -> float:
    """Check the diameter of a capsule opening: 3 to 8 mm.

    Raises
    ------
    ValueError
        If it is not.
    """
    return _within(diameter_mm, _OPENING_RANGE_MM, name="the capsule opening")


def check_limbus_mm(limbus_mm: float) -> float:
    """Check the diameter of a limbus: 9 to 14 mm.

    Raises
    ------
    ValueError
        If it is not.
    """
    return _within(limbus_mm, _LIMBUS_RANGE_MM, name="the limbus")


def _within(diameter_mm: float, range_mm: tuple[float, float], *, name: str) -> float:
    low, high = range_mm
    if not low <= diameter_mm <= high:
        msg = f"the diameter of {name} must lie from {low:g} to {high:g} mm, not {diameter_mm:g}"
        raise ValueError(msg)
    return diameter_mm


def _limbus_mm(limbus_mm: float | None) -> float:
    return LIMBUS_MM if limbus_mm is None else check_limbus_mm(limbus_mm)
