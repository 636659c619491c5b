"""Uncertainty budget of the axis of a toric lens, and the cylinder that it is likely to leave.

Parts are combined to first order (JCGM 100, the GUM) and by simulation (JCGM 101).  They are taken as
independent, and each moves the axis one for one; the keratometry moves the corneal astigmatism as a vector.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, radians, sqrt

import numpy as np

from torsion.astigmatism import NO_CYLINDER_D
from torsion.quantiles import COVERAGE
from torsion.toric import UNCERTAIN_AXIS_DEG, USUAL_CYLINDER_D, check_cylinder_d, residual_cylinder_d
from torsion.uncertainty import Part

__all__ = ["Budget", "SimulatedCylinder", "WeighedPart", "axis_budget", "saved_d"]

DRAWS = 1_000_000  # JCGM 101, 7.2: for a 95 % interval to one or two significant digits


@dataclass(frozen=True, slots=True)
class WeighedPart:
    """A part with its weight in the sum.

    Attributes
    ----------
    part : Part
        As put in.
    standard_uncertainty_deg : float
        Of the axis, degrees; for a vector part to first order.
    share : float
        Of the combined variance, 0 to 1.
    without_deg : float
        Combined standard uncertainty that would be left without this part.
    """

    part: Part
    standard_uncertainty_deg: float
    share: float
    without_deg: float


@dataclass(frozen=True, slots=True)
class SimulatedCylinder:
    """Cylinder left, by simulation, dioptres.

    Attributes
    ----------
    mean_d, median_d, rms_d : float
        Mean, median and root mean square.
    interval_95_d : tuple of float
        2.5 and 97.5 percentiles.
    upper_95_d : float
        95 of 100 eyes have less.
    probability_within_half_d : float
        Chance of half a dioptre or less.
    """

    mean_d: float
    median_d: float
    rms_d: float
    interval_95_d: tuple[float, float]
    upper_95_d: float
    probability_within_half_d: float


@dataclass(frozen=True, slots=True)
class Budget:
    """Combined uncertainty of the axis by one method, and what it costs.

    Attributes
    ----------
    method : str
        Name of the method.
    cornea_d, cylinder_d : float
        Astigmatism of the cornea and cylinder of the lens at the cornea, dioptres.
    parts : tuple of WeighedPart
        In the order given.
    improve_first : tuple of str
        Names by falling share.
    standard_uncertainty_deg, expanded_95_deg : float
        Combined, and times 1.96.
    cylinder_on_axis_d : float
        What the lens leaves without any error.
    first_order_rms_d : float
        Root mean square of the cylinder left, to first order.
    first_order_95_d : float
        Cylinder left by a lens off axis by the expanded uncertainty.
    simulated : SimulatedCylinder
        By simulation.
    flags : tuple of str
        Names from `torsion.flags.FLAGS`.
    """

    method: str
    cornea_d: float
    cylinder_d: float
    parts: tuple[WeighedPart, ...]
    improve_first: tuple[str, ...]
    standard_uncertainty_deg: float
    expanded_95_deg: float
    cylinder_on_axis_d: float
    first_order_rms_d: float
    first_order_95_d: float
    simulated: SimulatedCylinder
    flags: tuple[str, ...]


def axis_budget(
    parts: Sequence[Part],
    *,
    cornea_d: float,
    cylinder_d: float,
    rng: np.random.Generator,
    method: str = "as given",
    draws: int = DRAWS,
) -> Budget:
    """Combine the parts and say what cylinder they are likely to leave.

    Parameters
    ----------
    parts : sequence of Part
        Independent of each other.
    cornea_d, cylinder_d : float
        Astigmatism of the cornea and cylinder of the lens at the cornea, dioptres; the cornea's above 0.
    rng : numpy.random.Generator
        For the simulation; the same seed gives the same result.
    method : str, optional
        Carried along.
    draws : int, optional
        Number of simulated eyes.

    Returns
    -------
    Budget

    Raises
    ------
    ValueError
        If a number is out of range.

    References
    ----------
    JCGM 100:2008, section 5 (combination); JCGM 101:2008 (simulation).
    """
    cylinder_d = check_cylinder_d(cylinder_d, name="cylinder of the lens")
    cornea_d = check_cylinder_d(cornea_d, name="astigmatism of the cornea")
    if cornea_d <= NO_CYLINDER_D:
        msg = "the astigmatism of the cornea must be more than 0 dioptres: without any there is no axis"
        raise ValueError(msg)
    weighed = _weigh(parts, cornea_d)
    combined = sqrt(sum(item.standard_uncertainty_deg**2 for item in weighed))
    expanded = COVERAGE * combined  # all parts have many degrees of freedom or are guesses
    simulated = _simulate(parts, cornea_d, cylinder_d, rng=rng, draws=draws)
    first_rms = _first_order_rms_d(parts, cornea_d, cylinder_d)
    flags = ["astigmatism_unusual"] if cornea_d > USUAL_CYLINDER_D else []
    vectors = [item for item in weighed if item.part.standard_uncertainty_d is not None]
    if any(item.standard_uncertainty_deg > UNCERTAIN_AXIS_DEG for item in vectors):
        flags.append("axis_uncertain")
    if abs(first_rms - simulated.rms_d) > 0.05 * simulated.rms_d:
        flags.append("first_order_doubtful")
    if any(part.doubtful for part in parts):
        flags.append("published_error_doubtful")
    by_share = sorted(weighed, key=lambda item: -item.share)
    return Budget(
        method=method,
        cornea_d=cornea_d,
        cylinder_d=cylinder_d,
        parts=weighed,
        improve_first=tuple(item.part.name for item in by_share if item.share > 0.0),
        standard_uncertainty_deg=combined,
        expanded_95_deg=expanded,
        cylinder_on_axis_d=abs(cornea_d - cylinder_d),
        first_order_rms_d=first_rms,
        first_order_95_d=float(residual_cylinder_d(cornea_d, cylinder_d, min(expanded, 90.0))),
        simulated=simulated,
        flags=tuple(flags),
    )


def saved_d(first: Budget, second: Budget) -> float:
    """Cylinder that the second method is expected to save against the first, dioptres."""
    return first.simulated.mean_d - second.simulated.mean_d


def _weigh(parts: Sequence[Part], cornea_d: float) -> tuple[WeighedPart, ...]:
    in_deg = [
        part.standard_uncertainty_deg
        if part.standard_uncertainty_deg is not None
        else degrees((part.standard_uncertainty_d or 0.0) / cornea_d) / 2.0
        for part in parts
    ]
    total = sum(value**2 for value in in_deg)
    return tuple(
        WeighedPart(
            part=part,
            standard_uncertainty_deg=value,
            share=value**2 / total if total > 0.0 else 0.0,
            without_deg=sqrt(max(0.0, total - value**2)),
        )
        for part, value in zip(parts, in_deg, strict=True)
    )


def _first_order_rms_d(parts: Sequence[Part], cornea_d: float, cylinder_d: float) -> float:
    """Root mean square of what is left: on-axis difference, vector parts (two components), turned lens."""
    turn = radians(sqrt(sum((part.standard_uncertainty_deg or 0.0) ** 2 for part in parts)))
    vector = sum((part.standard_uncertainty_d or 0.0) ** 2 for part in parts)
    return sqrt((cornea_d - cylinder_d) ** 2 + 2.0 * vector + (2.0 * cylinder_d * turn) ** 2)


def _simulate(
    parts: Sequence[Part], cornea_d: float, cylinder_d: float, *, rng: np.random.Generator, draws: int
) -> SimulatedCylinder:
    turn = np.zeros(draws)
    cornea = np.zeros((2, draws))
    cornea[0] = cornea_d
    for part in parts:
        if part.standard_uncertainty_d is not None:
            cornea += part.standard_uncertainty_d * rng.standard_normal((2, draws))
        elif part.distribution == "uniform":
            half = sqrt(3.0) * (part.standard_uncertainty_deg or 0.0)
            turn += rng.uniform(-half, half, draws)
        else:
            turn += (part.standard_uncertainty_deg or 0.0) * rng.standard_normal(draws)
    doubled = 2.0 * np.radians(turn)
    left = np.hypot(cornea[0] - cylinder_d * np.cos(doubled), cornea[1] - cylinder_d * np.sin(doubled))
    low, middle, upper, high = np.quantile(left, [0.025, 0.5, 0.95, 0.975])
    return SimulatedCylinder(
        mean_d=float(np.mean(left)),
        median_d=float(middle),
        rms_d=float(np.sqrt(np.mean(left**2))),
        interval_95_d=(float(low), float(high)),
        upper_95_d=float(upper),
        probability_within_half_d=float(np.mean(left <= 0.5)),
    )
