"""Agreement: how far another method's degrees differ from those measured on the same pair."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from torsion.cohort.columns import POSTURES
from torsion.cohort.estimates import Estimate, finite, unknown
from torsion.cohort.resampling import FEWEST_PATIENTS, cluster_jackknife
from torsion.cohort.variance import components

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Agreement", "agreement", "bland_altman", "sd_of_single"]

_FEWEST_PAIRS = 3
_FEWEST_FOR_SLOPE = 10  # clusters below which a robust variance means little (common practice, no source)


@dataclass(frozen=True, slots=True)
class Agreement:
    """Bland-Altman analysis of two methods, in the unit of the values (degrees for torsion).

    Attributes
    ----------
    pairs, patients : int
    bias : Estimate
        Mean difference, first method minus second.
    sd : float or None
        Standard deviation of the differences of a new patient: variance between and within patients together.
    lower, upper : Estimate
        Limits of agreement with their intervals.
    slope : Estimate
        Change of the difference with the mean of both methods: 0 without proportional bias.
    slope_p : float or None
        That so steep a slope is found by chance.
    note : str
    """

    pairs: int
    patients: int
    bias: Estimate
    sd: float | None
    lower: Estimate
    upper: Estimate
    slope: Estimate
    slope_p: float | None
    note: str


def bland_altman(
    first: ArrayLike,
    second: ArrayLike,
    patients: ArrayLike | None = None,
    *,
    multiplier: float = 1.96,
    coverage: float = 0.95,
) -> Agreement:
    """Compare two methods by the differences of their values.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        Values of both methods on the same pairs.
    patients : array_like, shape (n,), optional
        Patient of each pair; every pair is a patient of its own without it.
    multiplier : float, optional
        Limits are mean ± multiplier x SD.  Bland and Altman took 2 in 1986 and 1.96 in 1999.
    coverage : float, optional
        Of the intervals.

    Returns
    -------
    Agreement
        Without numbers below 3 pairs, without intervals for clustered pairs below `FEWEST_PATIENTS` patients.

    Raises
    ------
    ValueError
        If the lengths differ.

    Notes
    -----
    With one pair a patient the intervals are those of Bland and Altman 1986
    (doi:10.1016/S0140-6736(86)90837-8): a limit has the standard error ``sqrt(3 s^2 / n)`` and Student's
    quantile.  With several pairs a patient the variance of a difference is split by one-way analysis of
    variance (Bland and Altman 2007, doi:10.1080/10543400701329422); the intervals of bias and SD come from
    leaving patients out, those of the limits are put together from them (Zou 2013,
    doi:10.1177/0962280211402548).

    A slope is not proof of proportional bias: it is also there where one method scatters more than the other.
    """
    x, y = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if x.shape != y.shape or x.ndim != 1:
        msg = f"first and second must be two lists of equal length, not of shapes {x.shape} and {y.shape}"
        raise ValueError(msg)
    who = np.arange(x.size) if patients is None else np.unique(np.asarray(patients), return_inverse=True)[1]
    n, k = x.size, len(np.unique(who))
    if n < _FEWEST_PAIRS:
        none = unknown(k, f"Limits of agreement need at least {_FEWEST_PAIRS} pairs; there are {n}.")
        return Agreement(n, k, none, None, none, none, none, None, "")
    difference = x - y

    def statistic(rows: NDArray[np.intp]) -> NDArray[np.float64]:
        d = difference[rows]
        return np.array([np.mean(d), _sd(d, who[rows])])

    bias, sd = (float(value) for value in statistic(np.arange(n)))
    values = (bias, bias - multiplier * sd, bias + multiplier * sd)
    note = ""
    intervals: list[tuple[float, float] | None]
    if k == n:
        intervals, method = _student(difference, values, coverage), "Student's interval"
    else:
        parts = cluster_jackknife(statistic, who, coverage=coverage, spreads=(1,))
        intervals, method = _zou(bias, sd, parts[0], parts[1], multiplier), "jackknife over patients"
        if k < FEWEST_PATIENTS:
            note = f"Intervals need at least {FEWEST_PATIENTS} patients; there are {k}."
    found = [
        Estimate(value, interval, k, method if interval else "")
        for value, interval in zip(values, intervals, strict=True)
    ]
    slope, p = _slope((x + y) / 2.0, difference, who, k)
    return Agreement(n, k, found[0], sd, found[1], found[2], slope, p, note)


def agreement(data: "pd.DataFrame", column: str) -> Agreement:
    """Compare another method with the photographs, seated-supine pairs, excyclo-positive.

    Parameters
    ----------
    data : DataFrame
        Of `torsion.cohort.observations.observations`.
    column : str
        That holds the other method's degrees, counter-clockwise positive in the camera's frame.

    Returns
    -------
    Agreement
        The other method minus the photographs.
    """
    table = compared(data, column)
    return bland_altman(table["other_deg"], table["torsion_deg"], table["patient"])


def compared(data: "pd.DataFrame", column: str) -> "pd.DataFrame":
    """Pairs that both methods measured: ``patient, torsion_deg`` and ``other_deg``, excyclo-positive."""
    import pandas as pd

    used = data[data["usable"] & (data["posture"] == POSTURES[0])]
    excyclo = np.where(used["eye"] == "OD", 1.0, -1.0)
    other = pd.to_numeric(used[column], errors="coerce").to_numpy(dtype=float) * excyclo
    table = used[["patient", "torsion_deg"]].assign(other_deg=other)
    return table[np.isfinite(other)].reset_index(drop=True)


def sd_of_single(
    sd_of_means: float, *, first: tuple[float, int] | None = None, second: tuple[float, int] | None = None
) -> float:
    """Step from the spread of differences between means of repeats to that of single values.

    Parameters
    ----------
    sd_of_means : float
        Of the differences between both methods' means.
    first, second : (float, int), optional
        Within-subject standard deviation of a method, and how many repeats were averaged.

    Returns
    -------
    float
        ``sqrt(sd^2 + (1 - 1/m1) s1^2 + (1 - 1/m2) s2^2)`` (Bland and Altman 1999,
        doi:10.1177/096228029900800204).  Limits from means alone are too narrow for single values.

    Examples
    --------
    >>> sd_of_single(3.0, first=(4.0, 1)), round(sd_of_single(3.0, first=(2.0, 2), second=(2.0, 2)), 4)
    (3.0, 3.6056)
    """
    parts = [(1.0 - 1.0 / repeats) * sd**2 for sd, repeats in (part for part in (first, second) if part)]
    return math.sqrt(sd_of_means**2 + sum(parts))


def _sd(difference: NDArray[np.float64], patients: NDArray[np.intp]) -> float:
    found = components(difference, patients)
    if found.values == found.subjects or found.subjects < 2:
        return float(np.std(difference, ddof=1))
    return math.sqrt(max(0.0, found.total))


def _zou(
    bias: float,
    sd: float,
    of_bias: tuple[float, float] | None,
    of_sd: tuple[float, float] | None,
    multiplier: float,
) -> list[tuple[float, float] | None]:
    """Intervals of bias, lower and upper limit from those of bias and standard deviation."""
    if of_bias is None or of_sd is None:
        return [of_bias, None, None]
    lower, upper = bias - multiplier * sd, bias + multiplier * sd
    down, up = bias - of_bias[0], of_bias[1] - bias
    less, more = multiplier * (sd - of_sd[0]), multiplier * (of_sd[1] - sd)
    return [
        of_bias,
        (lower - math.hypot(down, more), lower + math.hypot(up, less)),
        (upper - math.hypot(down, less), upper + math.hypot(up, more)),
    ]


def _student(
    difference: NDArray[np.float64], values: tuple[float, float, float], coverage: float
) -> list[tuple[float, float] | None]:
    from scipy.stats import t

    n = difference.size
    error = float(np.std(difference, ddof=1)) / math.sqrt(n)
    quantile = float(t.ppf(0.5 + coverage / 2.0, n - 1))
    halves = (quantile * error, quantile * math.sqrt(3.0) * error, quantile * math.sqrt(3.0) * error)
    return [(value - half, value + half) for value, half in zip(values, halves, strict=True)]


def _slope(
    mean: NDArray[np.float64], difference: NDArray[np.float64], patients: NDArray[np.intp], k: int
) -> tuple[Estimate, float | None]:
    """Slope of the difference on the mean, with a variance that heeds clusters."""
    from statsmodels.api import OLS, add_constant

    if k < _FEWEST_FOR_SLOPE or np.ptp(mean) == 0.0 or np.ptp(difference) == 0.0:
        note = (
            f"A check for proportional bias needs at least {_FEWEST_FOR_SLOPE} patients whose values differ."
        )
        return unknown(k, note), None
    kind = {"cov_type": "cluster", "cov_kwds": {"groups": patients}} if k < mean.size else {"cov_type": "HC3"}
    fit = OLS(difference, add_constant(mean)).fit(use_t=True, **kind)
    low, high = fit.conf_int()[1]
    method = "least squares on the mean of both methods, variance robust to clusters"
    return Estimate(float(fit.params[1]), (float(low), float(high)), k, method), finite(float(fit.pvalues[1]))
