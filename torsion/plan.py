"""The plan of a toric lens: where its marks belong, and what each cylinder on offer would leave."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, hypot
from typing import Literal

from torsion.angles import Eye, read_choice, read_direction_deg, read_eye, wrap_axis_deg
from torsion.astigmatism import NO_CYLINDER_D, Astigmatism, Refraction
from torsion.keratometry import Cornea
from torsion.toric import UNCERTAIN_AXIS_DEG, check_cylinder_d, turned_lens
from torsion.vergence import LensPlane

__all__ = [
    "HISTORIES",
    "History",
    "LensChoice",
    "Plan",
    "SurgicalChange",
    "incision_change",
    "incision_side",
    "plan_lens",
]

History = Literal["radial-cuts", "graft", "keratoconus"]
HISTORIES: tuple[History, ...] = ("radial-cuts", "graft", "keratoconus")

_CHANGE_D = (0.0, 5.0)


@dataclass(frozen=True, slots=True)
class SurgicalChange:
    """Astigmatism that the operation itself adds.

    Attributes
    ----------
    astigmatism : Astigmatism
        The mean change as a vector: added magnitude at the meridian that gets steeper.
    standard_uncertainty_d : float or None
        Of each of its two components in the double-angle plane for one further eye, dioptres.
    """

    astigmatism: Astigmatism
    standard_uncertainty_d: float | None = None

    def __post_init__(self) -> None:
        low, high = _CHANGE_D
        for name, value in (
            ("surgically induced astigmatism", self.astigmatism.cylinder_d),
            ("its standard uncertainty", self.standard_uncertainty_d),
        ):
            if value is not None and not low <= value <= high:
                msg = f"{name} must lie from {low:g} to {high:g} dioptres, not {value:g}"
                raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class LensChoice:
    """One cylinder on offer.

    Attributes
    ----------
    cylinder_d, at_cornea_d : float
        As offered, and as it acts at the cornea, dioptres.
    residual : Refraction
        What would be left at the cornea with the lens on the planned axis; spherical equivalent nil.
    flips : bool
        Whether the lens is stronger than the astigmatism, so that the steep meridian changes places.
    """

    cylinder_d: float
    at_cornea_d: float
    residual: Refraction
    flips: bool


@dataclass(frozen=True, slots=True)
class Plan:
    """Where the marks belong and what each lens would leave.

    Attributes
    ----------
    cornea : Cornea
        As measured.
    change : SurgicalChange or None
        As expected of the operation.
    net : Astigmatism
        What the lens is to correct.
    axis_deg : float or None
        Meridian for the lens's marks: the steep meridian of `net`; None where there is nothing to correct.
    standard_uncertainty_d : float or None
        Of each component of `net`; None when the keratometry's is not known.
    axis_standard_uncertainty_deg : float or None
        First order, from the above; None when not known or beyond what first order can say (26 degrees).
    choices : tuple of LensChoice
        In rising order; the first is no cylinder at all.
    incision_deg : float or None
        Direction of the incision.
    eye : {"OD", "OS"} or None
        Where given.
    flags : tuple of str
        Names from `torsion.flags.FLAGS` and from the cornea.
    """

    cornea: Cornea
    change: SurgicalChange | None
    net: Astigmatism
    axis_deg: float | None
    standard_uncertainty_d: float | None
    axis_standard_uncertainty_deg: float | None
    choices: tuple[LensChoice, ...]
    incision_deg: float | None
    eye: Eye | None
    flags: tuple[str, ...]


def incision_change(flattening_d: float, incision_deg: float) -> Astigmatism:
    """Change of astigmatism by an incision that flattens its own meridian.

    Parameters
    ----------
    flattening_d : float
        Dioptres, positive.
    incision_deg : float
        Direction of the incision, 0 to 360 degrees.

    Returns
    -------
    Astigmatism
        The same magnitude, steeper at a right angle to the incision.

    Examples
    --------
    >>> incision_change(0.3, 180.0)
    Astigmatism(cylinder_d=0.3, meridian_deg=90.0)
    """
    direction = read_direction_deg(incision_deg, name="direction of the incision")
    if flattening_d == 0.0:
        return Astigmatism(0.0, None)
    return Astigmatism(flattening_d, wrap_axis_deg(direction + 90.0))


def incision_side(incision_deg: float, eye: str) -> Literal["temporal", "nasal", "superior", "inferior"]:
    """Side of the eye that a direction points to, as the examiner sees it.

    Parameters
    ----------
    incision_deg : float
        0 to 360 degrees.
    eye : {"OD", "OS", "R", "L"}

    Returns
    -------
    {"temporal", "nasal", "superior", "inferior"}
        Superior and inferior from 45 to 135 and from 225 to 315 degrees, ends excluded.

    Raises
    ------
    ValueError
        If the direction is out of range or `eye` names no eye.

    Examples
    --------
    >>> incision_side(180.0, "OD"), incision_side(180.0, "OS"), incision_side(100.0, "OD")
    ('temporal', 'nasal', 'superior')
    """
    direction, right = read_direction_deg(incision_deg), read_eye(eye) == "OD"
    if 45.0 < direction < 135.0:
        return "superior"
    if 225.0 < direction < 315.0:
        return "inferior"
    left = 135.0 <= direction <= 225.0
    return "temporal" if left == right else "nasal"


def plan_lens(
    cornea: Cornea,
    cylinders_d: Sequence[float] = (),
    *,
    lens_plane: LensPlane | None = None,
    change: SurgicalChange | None = None,
    incision_deg: float | None = None,
    eye: str | None = None,
    history: Sequence[History] = (),
) -> Plan:
    """Net corneal astigmatism, planned axis, and what each cylinder on offer would leave.

    No sphere is chosen: the residuals are for an eye whose spherical equivalent is on target.

    Parameters
    ----------
    cornea : Cornea
        As measured.
    cylinders_d : sequence of float, optional
        Cylinders on offer, dioptres.
    lens_plane : LensPlane, optional
        How those are brought to the cornea; by default they are stated there.
    change : SurgicalChange, optional
        Expected of the operation.
    incision_deg : float, optional
        Direction of the incision, 0 to 360 degrees; carried along.
    eye : {"OD", "OS", "R", "L"}, optional
        Carried along.
    history : sequence of str, optional
        Declared conditions, from `HISTORIES`.

    Returns
    -------
    Plan

    Raises
    ------
    ValueError
        If a number is out of range, `eye` names no eye, a condition is another word, or the lens plane needs
        a mean corneal power that is not known.
    """
    for condition in history:
        read_choice(condition, HISTORIES, name="a declared condition")
    plane = lens_plane or LensPlane()
    if incision_deg is not None:
        incision_deg = read_direction_deg(incision_deg, name="direction of the incision")
    net = cornea.astigmatism
    if change is not None:
        net = Astigmatism.from_point(cornea.astigmatism.point + change.astigmatism.point)
    uncertainty_d = _net_uncertainty_d(cornea, change)
    axis_u_deg = None
    if (
        uncertainty_d is not None and uncertainty_d < 0.9 * net.cylinder_d
    ):  # 26 degrees; beyond, any axis goes
        axis_u_deg = degrees(uncertainty_d / net.cylinder_d) / 2.0
    offered = [check_cylinder_d(value, name="cylinder on offer") for value in cylinders_d]
    choices = tuple(
        _choice(net, value, plane.cylinder_at_cornea_d(value, corneal_power_d=cornea.mean_power_d))
        for value in sorted({0.0, *offered})
    )
    flags = list(cornea.flags)
    if history:
        flags.append("irregular_history")
    if change is None:
        flags.append("surgical_change_not_counted")
    if uncertainty_d is not None and (axis_u_deg is None or axis_u_deg > UNCERTAIN_AXIS_DEG):
        flags.append("axis_uncertain")
    if any(choice.flips for choice in choices):
        flags.append("axis_flips")
    return Plan(
        cornea=cornea,
        change=change,
        net=net,
        axis_deg=net.meridian_deg,
        standard_uncertainty_d=uncertainty_d,
        axis_standard_uncertainty_deg=axis_u_deg,
        choices=choices,
        incision_deg=incision_deg,
        eye=None if eye is None else read_eye(eye),
        flags=tuple(flags),
    )


def _choice(net: Astigmatism, cylinder_d: float, at_cornea_d: float) -> LensChoice:
    left = turned_lens(at_cornea_d, 0.0, cornea_d=net.cylinder_d, axis_deg=net.meridian_deg).residual
    return LensChoice(cylinder_d, at_cornea_d, left, at_cornea_d > net.cylinder_d + NO_CYLINDER_D)


def _net_uncertainty_d(cornea: Cornea, change: SurgicalChange | None) -> float | None:
    """Independent parts add in squares; an unknown one makes the whole unknown."""
    if cornea.standard_uncertainty_d is None:
        return None
    if change is None:
        return cornea.standard_uncertainty_d
    if change.standard_uncertainty_d is None:
        return None
    return hypot(cornea.standard_uncertainty_d, change.standard_uncertainty_d)
