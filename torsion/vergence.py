"""Power moved from one plane to another: spectacles, cornea and the lens inside the eye.

Thin surfaces, light close to the axis, one principal meridian at a time.
"""

from dataclasses import dataclass

from torsion.astigmatism import Refraction

__all__ = ["AQUEOUS_INDEX", "LensPlane", "move_refraction", "power_at_cornea_d"]

AQUEOUS_INDEX = (
    1.336  # refractive index of the aqueous in schematic eyes (Gullstrand's, in every optics text)
)
_LENS_POSITION_MM = (1.0, 9.0)
_RATIO = (1.0, 2.5)
_VERTEX_MM = (1.0, 25.0)


@dataclass(frozen=True, slots=True)
class LensPlane:
    """Where the cylinders of the lens are stated, and how they are brought to the cornea.

    Give one of the two, or none when the cylinders are stated at the cornea already.

    Attributes
    ----------
    position_mm : float or None
        Distance from the front of the cornea to the lens's principal plane, as expected or measured: the
        cylinder is converted by vergence, which also needs the mean power of the cornea.
    ratio : float or None
        Fixed ratio of the cylinder in the lens to the cylinder at the cornea.  Common practice, no source:
        the true ratio runs from about 1.2 to 1.75 with the lens's position and the cornea's power.

    Raises
    ------
    ValueError
        If both are given or one is out of range.
    """

    position_mm: float | None = None
    ratio: float | None = None

    def __post_init__(self) -> None:
        if self.position_mm is not None and self.ratio is not None:
            msg = f"give a lens position ({self.position_mm:g} mm) or a ratio ({self.ratio:g}), not both"
            raise ValueError(msg)
        if self.position_mm is not None:
            _within("lens position", self.position_mm, _LENS_POSITION_MM, "mm behind the front of the cornea")
        if self.ratio is not None:
            _within("ratio of the cylinder in the lens to that at the cornea", self.ratio, _RATIO, "")

    def cylinder_at_cornea_d(self, cylinder_d: float, *, corneal_power_d: float | None = None) -> float:
        """Cylinder at the cornea of a lens with the given cylinder.

        Parameters
        ----------
        cylinder_d : float
            As stated, dioptres.
        corneal_power_d : float, optional
            Mean power of the cornea; needed with a lens position, not used otherwise.

        Returns
        -------
        float
            Dioptres.

        Raises
        ------
        ValueError
            If the mean power of the cornea is needed and missing.

        Examples
        --------
        >>> round(LensPlane(position_mm=5.0).cylinder_at_cornea_d(3.0, corneal_power_d=43.5), 3)
        2.103
        """
        if self.ratio is not None:
            return cylinder_d / self.ratio
        if self.position_mm is None:
            return cylinder_d
        if corneal_power_d is None:
            msg = f"a lens position of {self.position_mm:g} mm needs the cornea's mean power too, in dioptres"
            raise ValueError(msg)
        # The light that a round lens would bring to the retina arrives at the lens with this vergence.  In
        # each principal meridian half the lens's cylinder must already be in it, or be missing from it.
        arriving_d = corneal_power_d / (1.0 - self.position_mm / 1000.0 / AQUEOUS_INDEX * corneal_power_d)
        weak = power_at_cornea_d(arriving_d + cylinder_d / 2.0, position_mm=self.position_mm)
        strong = power_at_cornea_d(arriving_d - cylinder_d / 2.0, position_mm=self.position_mm)
        return weak - strong


def power_at_cornea_d(power_d: float, *, position_mm: float) -> float:
    """Vergence just behind the cornea of light that has the given vergence at a plane inside the eye.

    Parameters
    ----------
    power_d : float
        Reduced vergence at the inner plane, dioptres.
    position_mm : float
        Distance of that plane behind the cornea.
    """
    return power_d / (1.0 + position_mm / 1000.0 / AQUEOUS_INDEX * power_d)


def move_refraction(refraction: Refraction, *, from_mm: float, to_mm: float = 0.0) -> Refraction:
    """Refraction at another distance before the cornea.

    Parameters
    ----------
    refraction : Refraction
        As found, in either sign.
    from_mm, to_mm : float
        Distance before the cornea at which it was found, and at which it is wanted (0: at the cornea).

    Returns
    -------
    Refraction
        Same sign of the cylinder, same axis.

    Raises
    ------
    ValueError
        If a distance is neither 0 nor from 1 to 25 mm, or the light would come to a focus between the two
        planes.

    Examples
    --------
    >>> round(move_refraction(Refraction(-10.0), from_mm=12.0).sphere_d, 2)  # -10 / (1 + 0.012 * 10)
    -8.93
    """
    for value in (from_mm, to_mm):
        if value != 0.0:  # at the cornea; a little more than that is a distance in other units
            _within("vertex distance", value, _VERTEX_MM, "mm, or be 0 (at the cornea)")
    step_m = (from_mm - to_mm) / 1000.0
    meridians = []
    for power in (refraction.sphere_d, refraction.sphere_d + refraction.cylinder_d):
        if step_m * power >= 1.0:
            msg = f"a power of {power:g} D cannot be moved by {step_m * 1000:g} mm: its focus lies between"
            raise ValueError(msg)
        meridians.append(power / (1.0 - step_m * power))
    return Refraction(meridians[0], meridians[1] - meridians[0], refraction.axis_deg)


def _within(name: str, value: float, limits: tuple[float, float], unit: str) -> None:
    low, high = limits
    if not low <= value <= high:
        msg = f"{name} must lie from {low:g} to {high:g} {unit}".rstrip() + f", not {value:g}"
        raise ValueError(msg)
