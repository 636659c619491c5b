"""Astigmatism as vectors: the one form in which crossed cylinders add, subtract and average.

Two forms of the same thing are used.  A refraction (sphere, cylinder, axis) becomes the power vector M, J0,
J45 (Thibos, Wheeler & Horner 1997).  An astigmatism of the cornea or of a lens, a magnitude at its steep
meridian, becomes a point of the double-angle plane, ``(C cos 2a, C sin 2a)``: there a meridian and its
continuation on the other side of the eye are the same point, and 5 and 175 degrees are neighbours.
"""

from dataclasses import dataclass
from math import atan2, degrees, hypot, isfinite
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from torsion.angles import read_choice, wrap_axis_deg

__all__ = [
    "NO_CYLINDER_D",
    "Astigmatism",
    "CylinderSign",
    "Refraction",
    "double_angle",
    "power_vector",
    "refraction_from_power",
    "transpose",
]

CylinderSign = Literal["minus", "plus"]

NO_CYLINDER_D = 1e-9  # dioptres; what rounding leaves of a cylinder that is nil, so it has no axis
_LEVEL_DEG = 1e-9  # degrees; rounding must not write a horizontal axis as 1e-15


@dataclass(frozen=True, slots=True)
class Refraction:
    """Sphere, cylinder and axis, in one plane.

    Attributes
    ----------
    sphere_d, cylinder_d : float
        Dioptres; the cylinder has either sign.
    axis_deg : float or None
        Axis of the cylinder in (0, 180]; None where there is no cylinder, or where the axis is not known.
    """

    sphere_d: float
    cylinder_d: float = 0.0
    axis_deg: float | None = None

    def __post_init__(self) -> None:
        for name, value in (("sphere", self.sphere_d), ("cylinder", self.cylinder_d)):
            if not isfinite(value):
                msg = f"{name} must be a finite number of dioptres, not {value}"
                raise ValueError(msg)
        if self.axis_deg is not None and not 0.0 < self.axis_deg <= 180.0:
            msg = f"axis must lie in (0, 180] degrees, not {self.axis_deg:g}"
            raise ValueError(msg)

    @property
    def power(self) -> NDArray[np.float64]:
        """Power vector M, J0, J45, shape ``(3,)``, dioptres.

        Raises
        ------
        ValueError
            If there is a cylinder whose axis is not known.
        """
        if self.axis_deg is None and abs(self.cylinder_d) > NO_CYLINDER_D:
            msg = f"a cylinder of {self.cylinder_d:g} D needs an axis from 0 to 180 degrees; none was given"
            raise ValueError(msg)
        return power_vector(self.sphere_d, self.cylinder_d, self.axis_deg or 180.0)


@dataclass(frozen=True, slots=True)
class Astigmatism:
    """Magnitude of an astigmatism at its steep meridian.

    Attributes
    ----------
    cylinder_d : float
        Power of the steep meridian over that of the flat one, dioptres, not negative.
    meridian_deg : float or None
        The steep meridian in (0, 180]; None where the magnitude is nil.
    """

    cylinder_d: float
    meridian_deg: float | None

    def __post_init__(self) -> None:
        if not (isfinite(self.cylinder_d) and self.cylinder_d >= 0.0):
            msg = (
                f"an astigmatism is written as a positive number of dioptres at its steep meridian, "
                f"not {self.cylinder_d:g} D"
            )
            raise ValueError(msg)
        if self.meridian_deg is None:
            if self.cylinder_d > NO_CYLINDER_D:
                msg = (
                    f"an astigmatism of {self.cylinder_d:g} D needs its steep meridian, from 0 to 180 degrees"
                )
                raise ValueError(msg)
        elif not 0.0 < self.meridian_deg <= 180.0:
            msg = f"steep meridian must lie in (0, 180] degrees, not {self.meridian_deg:g}"
            raise ValueError(msg)

    @classmethod
    def from_point(cls, point_d: ArrayLike) -> "Astigmatism":
        """Read a point of the double-angle plane, shape ``(2,)``; the origin has no meridian.

        Examples
        --------
        >>> Astigmatism.from_point([-1.0, 0.0])
        Astigmatism(cylinder_d=1.0, meridian_deg=90.0)
        """
        x, y = (float(value) for value in np.asarray(point_d, dtype=float))
        size = hypot(x, y)
        if size <= NO_CYLINDER_D:
            return cls(0.0, None)
        return cls(size, _half_angle_deg(x, y))

    @property
    def point(self) -> NDArray[np.float64]:
        """Place in the double-angle plane, shape ``(2,)``, dioptres."""
        return double_angle(self.cylinder_d, self.meridian_deg or 180.0)


def double_angle(cylinder_d: ArrayLike, meridian_deg: ArrayLike) -> NDArray[np.float64]:
    """Points ``(C cos 2a, C sin 2a)`` of the double-angle plane.

    Parameters
    ----------
    cylinder_d : array_like
        Magnitudes, dioptres.
    meridian_deg : array_like
        Steep meridians, degrees; broadcast against the magnitudes.

    Returns
    -------
    ndarray, shape (..., 2)
        Dioptres.

    Examples
    --------
    >>> double_angle(2.0, 60.0)
    array([-1.     ,  1.73205])
    """
    doubled = 2.0 * np.radians(np.asarray(meridian_deg, dtype=float))
    size = np.asarray(cylinder_d, dtype=float)
    return np.stack([size * np.cos(doubled), size * np.sin(doubled)], axis=-1)


def power_vector(sphere_d: ArrayLike, cylinder_d: ArrayLike, axis_deg: ArrayLike) -> NDArray[np.float64]:
    """Power vectors ``M = S + C/2``, ``J0 = -(C/2) cos 2a``, ``J45 = -(C/2) sin 2a``.

    Parameters
    ----------
    sphere_d, cylinder_d : array_like
        Dioptres, the cylinder in either sign.
    axis_deg : array_like
        Axis of the cylinder, degrees.

    Returns
    -------
    ndarray, shape (..., 3)
        M, J0, J45 in dioptres.  They add and average like any vector; the length is the blur strength.

    References
    ----------
    Thibos, Wheeler & Horner, Optom Vis Sci 1997;74(6):367-375; Thibos & Horner, J Cataract Refract Surg
    2001;27(1):80-85, doi:10.1016/s0886-3350(00)00797-5.

    Examples
    --------
    >>> power_vector(-1.0, -2.0, 90.0).round(6) + 0.0
    array([-2., -1.,  0.])
    """
    sphere, cylinder, axis = np.broadcast_arrays(
        np.asarray(sphere_d, dtype=float),
        np.asarray(cylinder_d, dtype=float),
        np.asarray(axis_deg, dtype=float),
    )
    half = -double_angle(cylinder, axis) / 2.0
    return np.concatenate([(sphere + cylinder / 2.0)[..., np.newaxis], half], axis=-1)


def refraction_from_power(power_d: ArrayLike, *, sign: CylinderSign = "minus") -> Refraction:
    """Write a power vector M, J0, J45 as sphere, cylinder and axis.

    Parameters
    ----------
    power_d : array_like, shape (3,)
        M, J0, J45 in dioptres.
    sign : {"minus", "plus"}, optional
        Sign of the cylinder.

    Returns
    -------
    Refraction
        Without an axis where no cylinder is left.

    Raises
    ------
    ValueError
        If the sign is another word.

    Examples
    --------
    >>> refraction_from_power([0.0, 0.0, 0.5])
    Refraction(sphere_d=0.5, cylinder_d=-1.0, axis_deg=45.0)
    """
    sign = read_choice(sign, get_args(CylinderSign), name="sign of the cylinder")
    mean, j0, j45 = (float(value) for value in np.asarray(power_d, dtype=float))
    size = 2.0 * hypot(j0, j45)
    if size <= NO_CYLINDER_D:
        return Refraction(mean)
    axis = _half_angle_deg(j0, j45)
    if sign == "minus":
        return Refraction(mean + size / 2.0, -size, axis)
    return Refraction(mean - size / 2.0, size, wrap_axis_deg(axis + 90.0))


def transpose(refraction: Refraction) -> Refraction:
    """Write the same refraction with the other sign of the cylinder.

    Examples
    --------
    >>> transpose(Refraction(2.0, -4.25, 30.0))
    Refraction(sphere_d=-2.25, cylinder_d=4.25, axis_deg=120.0)
    """
    if refraction.axis_deg is None and abs(refraction.cylinder_d) <= NO_CYLINDER_D:
        return Refraction(refraction.sphere_d)
    axis = None if refraction.axis_deg is None else wrap_axis_deg(refraction.axis_deg + 90.0)
    return Refraction(refraction.sphere_d + refraction.cylinder_d, -refraction.cylinder_d, axis)


def _half_angle_deg(x: float, y: float) -> float:
    """Meridian in (0, 180] of a point in the double-angle plane."""
    half = degrees(atan2(y, x)) / 2.0
    return 180.0 if abs(half) < _LEVEL_DEG else wrap_axis_deg(half)
