"""Resampling: intervals by drawing whole patients, or by leaving them out in turn."""

import math
from collections.abc import Callable, Collection

import numpy as np
from numpy.typing import ArrayLike, NDArray

from torsion.cohort.clusters import Clusters, clusters
from torsion.cohort.estimates import Estimate, unknown

__all__ = ["FEWEST_PATIENTS", "bootstrapped", "cluster_bootstrap", "cluster_jackknife"]

FEWEST_PATIENTS = 8
"""Below so many patients no bootstrap interval is given (common practice, no source)."""

_MOST_BLOCKS = 200  # of patients left out in turn: enough for the skewness, and bounded for large cohorts

Statistic = Callable[[NDArray[np.intp]], NDArray[np.float64]]


def cluster_bootstrap(
    statistic: Statistic,
    patients: ArrayLike,
    *,
    rng: np.random.Generator,
    resamples: int = 2000,
    coverage: float = 0.95,
    spreads: Collection[int] = (),
) -> list[tuple[float, float] | None]:
    """Intervals by drawing whole patients with replacement.

    Parameters
    ----------
    statistic : callable
        From an array of row numbers to an array of k numbers, NaN where one is not defined.
    patients : array_like, shape (n,)
        Patient of each row.
    rng : Generator
    resamples, coverage : optional
    spreads : collection of int, optional
        Which of the k numbers are standard deviations; they get the interval below.

    Returns
    -------
    list of (float, float) or None
        k intervals.  None below `FEWEST_PATIENTS` patients, where the statistic is not defined in more than
        one draw of twenty, or where it does not vary.

    Notes
    -----
    Bias-corrected and accelerated (Efron 1987, doi:10.1080/01621459.1987.10478410), with the acceleration
    from leaving patients out, and normal quantiles widened to Student's as for the mean of so many patients
    (Hesterberg 2015, doi:10.1080/00031305.2015.1089789).

    Bootstrap intervals of a standard deviation are too short: of 250 made-up cohorts of 60 patients they
    held 91 in 100.  So those are the jackknife's over patients on the log scale, with Student's quantile for
    the degrees of freedom that the scatter of the patients' influence leaves (Satterthwaite 1946,
    doi:10.2307/3002019); by simulation they hold 94 to 96 in 100 from 15 to 200 normal values.  Where a
    standard deviation is 0 in some draw, the bootstrap stands.
    """
    found = clusters(patients)
    n = found.sizes.size
    everything = np.arange(found.order.size)
    observed = statistic(everything)
    if n < FEWEST_PATIENTS:
        return [None] * observed.size
    drawn = np.stack([statistic(found.rows(rng.integers(0, n, n))) for _ in range(resamples)])
    left = _left_out(statistic, found)
    intervals = [
        _accelerated(observed[i], drawn[:, i], left[:, i], n, coverage) for i in range(observed.size)
    ]
    for i in spreads:
        if observed[i] > 0.0 and np.all(left[:, i] > 0.0):  # also not NaN
            intervals[i] = _jackknifed(observed[i], left[:, i], coverage, logged=True)
    return intervals


def cluster_jackknife(
    statistic: Statistic, patients: ArrayLike, *, coverage: float = 0.95, spreads: Collection[int] = ()
) -> list[tuple[float, float] | None]:
    """Intervals from leaving whole patients out in turn, with Satterthwaite's degrees of freedom.

    Parameters
    ----------
    statistic : callable
        From an array of row numbers to an array of k numbers.
    patients : array_like, shape (n,)
    coverage : float, optional
    spreads : collection of int, optional
        Which of the k numbers are standard deviations: their intervals are made on the log scale.

    Returns
    -------
    list of (float, float) or None
        k intervals; None below `FEWEST_PATIENTS` patients or for a standard deviation that is 0.
    """
    found = clusters(patients)
    observed = statistic(np.arange(found.order.size))
    if found.sizes.size < FEWEST_PATIENTS:
        return [None] * observed.size
    left = _left_out(statistic, found)
    return [
        None
        if i in spreads and not np.all(left[:, i] > 0.0)
        else _jackknifed(observed[i], left[:, i], coverage, logged=i in spreads)
        for i in range(observed.size)
    ]


def bootstrapped(
    statistic: Statistic,
    patients: ArrayLike,
    *,
    rng: np.random.Generator,
    resamples: int = 2000,
    spreads: Collection[int] = (),
) -> list[Estimate]:
    """Numbers with their intervals by `cluster_bootstrap`, as estimates.

    Returns
    -------
    list of Estimate
        One for each number; ``n`` counts patients.  Without a value where the number is not defined, without
        an interval below `FEWEST_PATIENTS` patients, and a note says so.
    """
    who = np.asarray(patients)
    n = len(np.unique(who.astype(str)))
    short = f"An interval needs at least {FEWEST_PATIENTS} patients; there are {n}."
    note = short if n < FEWEST_PATIENTS else ""
    intervals = cluster_bootstrap(statistic, who, rng=rng, resamples=resamples, spreads=spreads)
    values = statistic(np.arange(who.size))
    found = []
    for place, (value, interval) in enumerate(zip(values, intervals, strict=True)):
        method = "jackknife over patients, log scale" if place in spreads else "bootstrap over patients"
        if np.isfinite(value):
            found.append(Estimate(float(value), interval, n, method if interval else "", note))
        else:
            found.append(
                unknown(
                    n, f"There are too few values; {n} {'patient has' if n == 1 else 'patients have'} any."
                )
            )
    return found


def _left_out(statistic: Statistic, found: Clusters) -> NDArray[np.float64]:
    """Statistic without each patient in turn, or without blocks of patients in large cohorts."""
    n = found.sizes.size
    blocks = np.array_split(np.arange(n), min(n, _MOST_BLOCKS))
    return np.stack([statistic(found.rows(np.delete(np.arange(n), block))) for block in blocks])


def _jackknifed(
    observed: float, left: NDArray[np.float64], coverage: float, *, logged: bool
) -> tuple[float, float]:
    """Interval from leaving patients out in turn."""
    from scipy.stats import t

    values = np.log(left) if logged else left
    squares = (values - np.mean(values)) ** 2
    blocks = left.size
    unevenness = float(np.sum((squares - np.mean(squares)) ** 2))
    if unevenness == 0.0:
        freedom = float(blocks - 1)
    else:
        freedom = float(np.clip(2.0 * np.sum(squares) ** 2 / unevenness, 3.0, blocks - 1))
    half = float(t.ppf(0.5 + coverage / 2.0, freedom)) * math.sqrt((blocks - 1) / blocks * np.sum(squares))
    if logged:
        return float(observed * math.exp(-half)), float(observed * math.exp(half))
    return float(observed - half), float(observed + half)


def _accelerated(
    observed: float, drawn: NDArray[np.float64], left: NDArray[np.float64], n: int, coverage: float
) -> tuple[float, float] | None:
    from scipy.stats import norm, t

    usable = drawn[np.isfinite(drawn)]
    if not np.isfinite(observed) or usable.size < 0.95 * drawn.size or np.ptp(usable) == 0.0:
        return None
    below = np.mean(usable < observed) + 0.5 * np.mean(usable == observed)
    bias = float(norm.ppf(np.clip(below, 1.0 / usable.size, 1.0 - 1.0 / usable.size)))
    left = left[np.isfinite(left)]
    apart = np.mean(left) - left if left.size else np.zeros(1)
    spread = float(np.sum(apart**2))
    acceleration = float(np.sum(apart**3)) / (6.0 * spread**1.5) if spread > 0.0 else 0.0
    quantile = math.sqrt(n / (n - 1)) * t.ppf(0.5 + coverage / 2.0, n - 1)
    at = [bias + sign * quantile for sign in (-1.0, 1.0)]
    levels = norm.cdf([bias + z / max(1.0 - acceleration * z, 1e-3) for z in at])
    low, high = np.quantile(usable, levels)
    return float(low), float(high)
