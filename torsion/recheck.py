"""The lens checked after surgery: where its marks should lie, and whether turning it is worth it."""

from dataclasses import dataclass
from math import hypot, log, radians, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from torsion.angles import axis_difference_deg, read_axis_deg
from torsion.astigmatism import NO_CYLINDER_D, Astigmatism, Refraction, double_angle, refraction_from_power
from torsion.keratometry import Cornea
from torsion.toric import USUAL_CYLINDER_D, check_cylinder_d

__all__ = [
    "Gain",
    "Recheck",
    "RecheckUncertainty",
    "RefractionCheck",
    "Worth",
    "recheck_lens",
]

Worth = Literal["yes", "no", "unclear"]

DRAWS = 200_000
_ASSUMED_CORNEA_D = 0.25  # where the keratometry's uncertainty is not given; common practice, no source
_LIMIT = sqrt(-2.0 * log(0.05))  # radius, in standard deviations, that holds 95 % of a round 2-D normal


@dataclass(frozen=True, slots=True)
class RecheckUncertainty:
    """Standard uncertainties that go into the decision.

    Attributes
    ----------
    refraction_d : float
        Of each component of the refraction's cylinder in the double-angle plane, dioptres.  0.25: common
        practice, no source.
    axis_deg : float
        Of the present axis as read.  2: common practice, no source.
    placing_deg : float
        Of the turn as carried out.  3.7: lens alignment error of 2.6 +- 2.6 degrees (Visser et al., J
        Cataract Refract Surg 2011;37:1394-402) as a root mean square.
    """

    refraction_d: float = 0.25
    axis_deg: float = 2.0
    placing_deg: float = 3.7

    def __post_init__(self) -> None:
        for name, value, high, unit in (
            ("refraction", self.refraction_d, 5.0, "dioptres"),
            ("present axis", self.axis_deg, 45.0, "degrees"),
            ("turning", self.placing_deg, 45.0, "degrees"),
        ):
            if not 0.0 <= value <= high:
                msg = f"standard uncertainty of the {name} must lie from 0 to {high:g} {unit}, not {value:g}"
                raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class Gain:
    """Cylinder that turning the lens would take away, by simulation.

    Attributes
    ----------
    mean_d : float
        Expected gain, dioptres; negative where turning makes it worse.
    interval_95_d : tuple of float
        Its 2.5 and 97.5 percentiles.
    probability_better : float
        Chance that less cylinder is left than now.
    turn_standard_uncertainty_deg : float
        Standard uncertainty of the turn that is needed.
    """

    mean_d: float
    interval_95_d: tuple[float, float]
    probability_better: float
    turn_standard_uncertainty_deg: float


@dataclass(frozen=True, slots=True)
class RefractionCheck:
    """The lens as the refraction and the cornea imply it, against the lens as read.

    Attributes
    ----------
    implied : Astigmatism
        Cylinder at the cornea and axis of marks that would explain the refraction.
    difference_d : float
        Length of the difference of the two in the double-angle plane, dioptres.
    limit_d : float
        What the uncertainties explain in 95 of 100 cases.
    """

    implied: Astigmatism
    difference_d: float
    limit_d: float


@dataclass(frozen=True, slots=True)
class Recheck:
    """What a lens leaves where it lies, and what it would leave on its best axis.

    Attributes
    ----------
    refraction : Refraction
        Present refraction at the cornea, minus cylinder.
    cylinder_d, axis_deg : float
        Cylinder of the lens at the cornea, and its present axis.
    rest : Astigmatism
        Astigmatism of the eye without the lens, as the refraction implies it.
    best_axis_deg : float or None
        Where the marks should lie: the steep meridian of `rest`; None where that is nil.
    turn_deg : float or None
        Turn from the present to the best axis, counter-clockwise positive, in [-90, 90).
    refraction_at_best : Refraction
        What would be left, at the cornea.  It does not depend on where the lens lies now.
    gain : Gain or None
        By simulation; None where there is no best axis.
    worth : {"yes", "no", "unclear"}
        ``yes``: the expected gain reaches `worth_d` and turning helps in at least 95 of 100 cases.  ``no``:
        the expected gain does not reach it.  ``unclear``: it does, but turning may well make it worse.
    worth_d : float
        Gain that is held to be worth an operation.
    check : RefractionCheck or None
        Where the cornea was given.
    flags : tuple of str
        Names from `torsion.flags.FLAGS` and from the cornea.
    """

    refraction: Refraction
    cylinder_d: float
    axis_deg: float
    rest: Astigmatism
    best_axis_deg: float | None
    turn_deg: float | None
    refraction_at_best: Refraction
    gain: Gain | None
    worth: Worth
    worth_d: float
    check: RefractionCheck | None
    flags: tuple[str, ...]


def recheck_lens(
    refraction: Refraction,
    cylinder_d: float,
    axis_deg: float,
    *,
    rng: np.random.Generator,
    cornea: Cornea | None = None,
    uncertainty: RecheckUncertainty | None = None,
    worth_d: float = 0.5,
    draws: int = DRAWS,
) -> Recheck:
    """Best axis of a lens in the eye, from the refraction and the axis it lies on now.

    Parameters
    ----------
    refraction : Refraction
        Present refraction brought to the cornea (`torsion.vergence.move_refraction`).
    cylinder_d : float
        Cylinder of the lens at the cornea, dioptres, positive (`torsion.vergence.LensPlane`).
    axis_deg : float
        Present axis of the lens's marks, 0 to 180 degrees, in the frame of the refraction.
    rng : numpy.random.Generator
        For the simulation; the same seed gives the same result.
    cornea : Cornea, optional
        The cornea after surgery; only checked against the refraction.
    uncertainty : RecheckUncertainty, optional
        Default values as documented there.
    worth_d : float, optional
        Gain that is held to be worth an operation.  0.5 D: each half dioptre matters (Kaur et al., Indian J
        Ophthalmol 2017, PMC5742958).
    draws : int, optional
        Number of simulated eyes.

    Returns
    -------
    Recheck

    Raises
    ------
    ValueError
        If a number is out of range or the cylinder is nil.

    Examples
    --------
    >>> found = recheck_lens(Refraction(0.5279, -1.0557, 149.80), 2.0, 97.0, rng=np.random.default_rng(1))
    >>> round(found.best_axis_deg), round(found.turn_deg), round(-found.refraction_at_best.cylinder_d, 2)
    (85, -12, 0.5)
    """
    cylinder_d = check_cylinder_d(cylinder_d, name="cylinder of the lens")
    if cylinder_d <= NO_CYLINDER_D:
        msg = "cylinder of the lens must be more than 0 dioptres: a lens without one has no axis to turn"
        raise ValueError(msg)
    if not 0.0 < worth_d <= 5.0:
        msg = f"the gain worth an operation must lie above 0 and up to 5 dioptres, not {worth_d:g}"
        raise ValueError(msg)
    axis_deg = read_axis_deg(axis_deg, name="present axis")
    uncertainty = uncertainty or RecheckUncertainty()
    power = refraction.power
    now = -2.0 * power[1:]  # what the eye with its lens has in excess
    lens = double_angle(cylinder_d, axis_deg)
    rest = Astigmatism.from_point(now + lens)
    best, turn, gain = rest.meridian_deg, None, None
    after = rest.point - double_angle(cylinder_d, axis_deg if best is None else best)
    if best is not None:
        turn = axis_difference_deg(best, axis_deg)
        gain = _gain(now, cylinder_d, axis_deg, turn, uncertainty=uncertainty, rng=rng, draws=draws)
    check = None if cornea is None else _check(now, lens, cornea, uncertainty)
    at_best = refraction_from_power([power[0], *(-after / 2.0)])
    return Recheck(
        refraction=refraction_from_power(power),
        cylinder_d=cylinder_d,
        axis_deg=axis_deg,
        rest=rest,
        best_axis_deg=best,
        turn_deg=turn,
        refraction_at_best=at_best,
        gain=gain,
        worth=_worth(gain, worth_d),
        worth_d=worth_d,
        check=check,
        flags=_flags(check, turn, at_best, rest, () if cornea is None else cornea.flags),
    )


def _gain(
    now: NDArray[np.float64],
    cylinder_d: float,
    axis_deg: float,
    turn_deg: float,
    *,
    uncertainty: RecheckUncertainty,
    rng: np.random.Generator,
    draws: int,
) -> Gain:
    """Turn the lens in eyes that might lie behind what was measured."""
    true_now = now + uncertainty.refraction_d * rng.standard_normal((draws, 2))
    true_axis = axis_deg + uncertainty.axis_deg * rng.standard_normal(draws)
    placed = true_axis + turn_deg + uncertainty.placing_deg * rng.standard_normal(draws)
    rest = true_now + double_angle(cylinder_d, true_axis)
    left = rest - double_angle(cylinder_d, placed)
    gain = np.hypot(true_now[:, 0], true_now[:, 1]) - np.hypot(left[:, 0], left[:, 1])
    best = np.degrees(np.arctan2(rest[:, 1], rest[:, 0])) / 2.0
    error = axis_difference_deg(best - true_axis, turn_deg)
    low, high = np.quantile(gain, [0.025, 0.975])
    return Gain(
        mean_d=float(np.mean(gain)),
        interval_95_d=(float(low), float(high)),
        probability_better=float(np.mean(gain > 0.0)),
        turn_standard_uncertainty_deg=float(np.sqrt(np.mean(error**2))),
    )


def _worth(gain: Gain | None, worth_d: float) -> Worth:
    if gain is None or gain.mean_d < worth_d:
        return "no"
    return "yes" if gain.probability_better >= 0.95 else "unclear"


def _check(
    now: NDArray[np.float64], lens: NDArray[np.float64], cornea: Cornea, uncertainty: RecheckUncertainty
) -> RefractionCheck:
    implied = cornea.astigmatism.point - now
    difference = lens - implied
    turned_d = (
        2.0 * radians(uncertainty.axis_deg) * hypot(*lens)
    )  # what a misread axis moves the lens's vector
    known = cornea.standard_uncertainty_d
    cornea_d = _ASSUMED_CORNEA_D if known is None else known
    spread = sqrt(uncertainty.refraction_d**2 + cornea_d**2 + turned_d**2)
    return RefractionCheck(Astigmatism.from_point(implied), hypot(*difference), _LIMIT * spread)


def _flags(
    check: RefractionCheck | None,
    turn_deg: float | None,
    at_best: Refraction,
    rest: Astigmatism,
    of_cornea: tuple[str, ...],
) -> tuple[str, ...]:
    found = (
        ("astigmatism_unusual", rest.cylinder_d > USUAL_CYLINDER_D),
        ("refraction_disagrees", check is not None and check.difference_d > check.limit_d),
        ("lens_cylinder_off", abs(at_best.cylinder_d) >= 0.5 - NO_CYLINDER_D),
        ("turn_near_right_angle", turn_deg is not None and abs(turn_deg) > 60.0),
    )
    return tuple(dict.fromkeys([*of_cornea, *(name for name, present in found if present)]))
