"""The cornea as measured: two powers and meridians, or one astigmatism, checked for slips of the pen."""

from dataclasses import dataclass
from typing import Literal, get_args

from torsion.angles import axis_difference_deg, read_axis_deg, read_choice
from torsion.astigmatism import NO_CYLINDER_D, Astigmatism
from torsion.toric import USUAL_CYLINDER_D, check_cylinder_d

__all__ = [
    "KERATOMETRIC_INDEX",
    "Cornea",
    "Surface",
    "cornea_from_astigmatism",
    "cornea_from_powers",
    "power_from_radius_d",
]

Surface = Literal["anterior", "total"]

KERATOMETRIC_INDEX = 1.3375  # index with which most keratometers turn a radius into dioptres; common practice

_POWER_D = (25.0, 75.0)
_USUAL_POWER_D = (38.0, 50.0)  # common practice, no source
_RADIUS_MM = (5.0, 12.0)
_SQUARE_DEG = 5.0  # a keratometer that reads meridians apart may differ by this much on a regular cornea
_NOT_SQUARE_DEG = 20.0


@dataclass(frozen=True, slots=True)
class Cornea:
    """Astigmatism of a cornea and what is known beside it.

    Attributes
    ----------
    astigmatism : Astigmatism
        Magnitude at the steep meridian.
    mean_power_d : float or None
        Mean of the two powers, dioptres.
    surface : {"anterior", "total"}
        Whether the back of the cornea is in it.
    standard_uncertainty_d : float or None
        Of each of the two components in the double-angle plane, dioptres; None when not known.
    flags : tuple of str
        Names from `torsion.flags.FLAGS`.
    """

    astigmatism: Astigmatism
    mean_power_d: float | None
    surface: Surface
    standard_uncertainty_d: float | None
    flags: tuple[str, ...]


def cornea_from_powers(
    flat_d: float,
    steep_d: float,
    *,
    steep_deg: float,
    flat_deg: float | None = None,
    surface: Surface = "anterior",
    standard_uncertainty_d: float | None = None,
) -> Cornea:
    """Read the two powers of a keratometer.

    Parameters
    ----------
    flat_d, steep_d : float
        Powers of the flat and the steep meridian, dioptres.
    steep_deg : float
        The steep meridian, 0 to 180 degrees.
    flat_deg : float, optional
        The flat meridian; a right angle from the steep one where it is not given.
    surface : {"anterior", "total"}, optional
        Whether the back of the cornea is in the powers.
    standard_uncertainty_d : float, optional
        See `Cornea`.

    Returns
    -------
    Cornea

    Raises
    ------
    ValueError
        If a power looks like a radius or is beyond human range, the meridians are swapped, they are more than
        20 degrees from a right angle, or the surface is another word.

    Examples
    --------
    >>> cornea_from_powers(42.5, 44.5, steep_deg=90.0).astigmatism
    Astigmatism(cylinder_d=2.0, meridian_deg=90.0)
    """
    flat_d = _power("power of the flat meridian", flat_d)
    steep_d = _power("power of the steep meridian", steep_d)
    if flat_d > steep_d:
        msg = (
            f"the flat meridian ({flat_d:g} D) must not be stronger than the steep one ({steep_d:g} D); "
            "were the two swapped?"
        )
        raise ValueError(msg)
    steep_deg = read_axis_deg(steep_deg, name="steep meridian")
    flags = []
    if flat_deg is not None:
        flat_deg = read_axis_deg(flat_deg, name="flat meridian")
        off = abs(axis_difference_deg(steep_deg, flat_deg + 90.0))
        if off > _NOT_SQUARE_DEG:
            msg = (
                f"the meridians {flat_deg:g} and {steep_deg:g} are {90.0 - off:g} degrees apart; they must "
                "be within 20 degrees of a right angle (see the topography, or give the steep one alone)"
            )
            raise ValueError(msg)
        if off > _SQUARE_DEG:
            flags.append("meridians_not_square")
    size = steep_d - flat_d
    astigmatism = Astigmatism(size, steep_deg) if size > NO_CYLINDER_D else Astigmatism(0.0, None)
    return _cornea(astigmatism, (flat_d + steep_d) / 2.0, surface, standard_uncertainty_d, flags)


def cornea_from_astigmatism(
    cylinder_d: float,
    meridian_deg: float,
    *,
    mean_power_d: float | None = None,
    surface: Surface = "anterior",
    standard_uncertainty_d: float | None = None,
) -> Cornea:
    """Read a corneal astigmatism given as a magnitude at its steep meridian.

    Parameters
    ----------
    cylinder_d : float
        Dioptres, positive.
    meridian_deg : float
        The steep meridian, 0 to 180 degrees.
    mean_power_d : float, optional
        Mean power of the cornea, dioptres.
    surface, standard_uncertainty_d
        See `Cornea`.

    Returns
    -------
    Cornea

    Raises
    ------
    ValueError
        If a number is out of range, or the surface is another word.
    """
    cylinder_d = check_cylinder_d(cylinder_d, name="astigmatism of the cornea")
    meridian = read_axis_deg(meridian_deg, name="steep meridian")
    if mean_power_d is not None:
        mean_power_d = _power("mean power of the cornea", mean_power_d)
    astigmatism = Astigmatism(cylinder_d, meridian) if cylinder_d > NO_CYLINDER_D else Astigmatism(0.0, None)
    return _cornea(astigmatism, mean_power_d, surface, standard_uncertainty_d, [])


def power_from_radius_d(radius_mm: float, *, index: float = KERATOMETRIC_INDEX) -> float:
    """Power that a keratometer shows for a radius of the cornea's front.

    Parameters
    ----------
    radius_mm : float
        Millimetres, 5 to 12.
    index : float, optional
        Keratometric index.

    Raises
    ------
    ValueError
        If the radius is out of range.

    Examples
    --------
    >>> power_from_radius_d(7.5)
    45.0
    """
    low, high = _RADIUS_MM
    if not low <= radius_mm <= high:
        msg = f"a radius of the cornea must lie from {low:g} to {high:g} mm, not {radius_mm:g} mm"
        raise ValueError(msg)
    return 1000.0 * (index - 1.0) / radius_mm


def _power(name: str, power_d: float) -> float:
    low, high = _POWER_D
    if not low <= power_d <= high:  # also refuses NaN
        hint = ""
        if _RADIUS_MM[0] <= power_d <= _RADIUS_MM[1]:
            hint = f"; if {power_d:g} is a radius in millimetres, write {power_d:g}mm"
        msg = f"{name} must lie from {low:g} to {high:g} dioptres, not {power_d:g}{hint}"
        raise ValueError(msg)
    return float(power_d)


def _cornea(
    astigmatism: Astigmatism,
    mean_power_d: float | None,
    surface: Surface,
    standard_uncertainty_d: float | None,
    flags: list[str],
) -> Cornea:
    if standard_uncertainty_d is not None and not 0.0 <= standard_uncertainty_d <= 5.0:
        msg = (
            "standard uncertainty of the keratometry must lie from 0 to 5 dioptres, "
            f"not {standard_uncertainty_d:g}"
        )
        raise ValueError(msg)
    surface = read_choice(surface, get_args(Surface), name="surface")
    low, high = _USUAL_POWER_D
    if surface == "anterior":
        flags = ["anterior_only", *flags]
    if mean_power_d is not None and not low <= mean_power_d <= high:
        flags = [*flags, "corneal_power_unusual"]
    if astigmatism.cylinder_d > USUAL_CYLINDER_D:
        flags = [*flags, "astigmatism_unusual"]
    return Cornea(astigmatism, mean_power_d, surface, standard_uncertainty_d, tuple(flags))
