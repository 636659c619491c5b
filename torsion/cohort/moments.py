"""Moments: how far the eyes of a cohort turned, with and without the scatter of the measurement."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from torsion.cohort.clusters import clustered_mean, clustered_share
from torsion.cohort.estimates import Estimate
from torsion.cohort.resampling import bootstrapped

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["THRESHOLDS_DEG", "Moments", "absolute_mean", "describe", "folded_mean_deg", "welch"]

THRESHOLDS_DEG = (3.0, 5.0, 10.0)
"""Sizes of torsion from which on eyes are counted."""


@dataclass(frozen=True, slots=True)
class Moments:
    """Torsion of a cohort, degrees, excyclo-positive, one value an eye.

    Attributes
    ----------
    eyes, patients : int
    mean_deg : Estimate
        Signed mean by a mixed model.
    sd_deg : Estimate
        Of the signed values, divisor n - 1.
    median_deg : Estimate
    range_deg : tuple of float or None
    absolute_mean_deg, absolute_sd_deg, absolute_median_deg : Estimate
        The same of the sizes, whatever their sense.
    uncertainty_deg : float or None
        Root mean square of the standard uncertainties.
    noise_floor_deg : float or None
        Mean absolute value that the measurement alone would give if no eye had turned: 0.8 of the
        uncertainty.
    true_sd_deg, true_absolute_mean_deg : Estimate
        With the measurement's variance taken out.
    shares : dict
        Threshold in degrees -> share of eyes at or above it.
    excyclo, incyclo, none : Estimate
        Shares of eyes that turned either way, or by no more than two standard uncertainties.
    between_eyes : float or None
        Correlation of both eyes of a patient.
    """

    eyes: int
    patients: int
    mean_deg: Estimate
    sd_deg: Estimate
    median_deg: Estimate
    range_deg: tuple[float, float] | None
    absolute_mean_deg: Estimate
    absolute_sd_deg: Estimate
    absolute_median_deg: Estimate
    uncertainty_deg: float | None
    noise_floor_deg: float | None
    true_sd_deg: Estimate
    true_absolute_mean_deg: Estimate
    shares: dict[str, Estimate]
    excyclo: Estimate
    incyclo: Estimate
    none: Estimate
    between_eyes: float | None


def describe(
    eyes: "pd.DataFrame",
    *,
    rng: np.random.Generator,
    resamples: int = 2000,
    thresholds_deg: Sequence[float] = THRESHOLDS_DEG,
) -> Moments:
    """Describe the torsion of eyes.

    Parameters
    ----------
    eyes : DataFrame
        One row an eye: ``patient, torsion_deg, standard_uncertainty_deg``.
    rng : Generator
        For the bootstrap.
    resamples : int, optional
    thresholds_deg : sequence of float, optional

    Returns
    -------
    Moments
        Numbers are None, with a sentence, where there are too few patients.
    """
    x = eyes["torsion_deg"].to_numpy(dtype=float)
    u2 = eyes["standard_uncertainty_deg"].to_numpy(dtype=float) ** 2
    patients = eyes["patient"].to_numpy()
    n = int(eyes["patient"].nunique())
    mean, between_eyes = clustered_mean(x, patients)
    sd, median, absolute, absolute_sd, absolute_median, true_sd, true_absolute = bootstrapped(
        lambda rows: _statistics(x[rows], u2[rows]), patients, rng=rng, resamples=resamples, spreads=(0, 3, 5)
    )
    within = np.abs(x) <= 2.0 * np.sqrt(u2)
    u = math.sqrt(float(np.mean(u2))) if x.size else None
    return Moments(
        eyes=x.size,
        patients=n,
        mean_deg=mean,
        sd_deg=sd,
        median_deg=median,
        range_deg=(float(x.min()), float(x.max())) if x.size else None,
        absolute_mean_deg=absolute,
        absolute_sd_deg=absolute_sd,
        absolute_median_deg=absolute_median,
        uncertainty_deg=u,
        noise_floor_deg=float(np.mean(np.sqrt(u2 * 2.0 / math.pi))) if x.size else None,
        true_sd_deg=_explained(true_sd),
        true_absolute_mean_deg=true_absolute,
        shares={f"{limit:g}": clustered_share(np.abs(x) >= limit, patients) for limit in thresholds_deg},
        excyclo=clustered_share((x > 0.0) & ~within, patients),
        incyclo=clustered_share((x < 0.0) & ~within, patients),
        none=clustered_share(within, patients),
        between_eyes=between_eyes,
    )


def absolute_mean(x_deg: ArrayLike, variance_deg2: ArrayLike) -> float:
    """Mean absolute value with the measurement's variance taken out.

    Parameters
    ----------
    x_deg : array_like, shape (n,)
        Measured values, degrees.
    variance_deg2 : array_like, shape (n,)
        Their squared standard uncertainties.

    Returns
    -------
    float
        NaN below 2 values.

    Notes
    -----
    The mean absolute value of a normal distribution is known for any mean and spread.  Its excess with the
    measured over the corrected spread is subtracted from the mean absolute value found; so normality matters
    to the correction alone.  With no torsion at all the result is about 0, while the plain mean is 0.8 of
    the uncertainty. It is never below the size of the mean.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> noise = rng.normal(0.0, 0.5, 100_000)  # no eye has turned
    >>> bool(np.mean(np.abs(noise)) > 0.39), absolute_mean(noise, np.full(noise.size, 0.25)) < 0.05
    (True, True)
    """
    x = np.asarray(x_deg, dtype=float)
    if x.size < 2:
        return math.nan
    mean, variance = float(np.mean(x)), float(np.var(x, ddof=1))
    true = max(0.0, variance - float(np.mean(np.asarray(variance_deg2, dtype=float))))
    excess = folded_mean_deg(mean, math.sqrt(variance)) - folded_mean_deg(mean, math.sqrt(true))
    return max(abs(mean), float(np.mean(np.abs(x))) - excess)


def folded_mean_deg(mean_deg: float, sd_deg: float) -> float:
    """Mean absolute value of a normal distribution.

    Examples
    --------
    >>> round(folded_mean_deg(0.0, 1.0), 4), folded_mean_deg(-2.0, 0.0)
    (0.7979, 2.0)
    """
    if sd_deg == 0.0:
        return abs(mean_deg)
    z = mean_deg / sd_deg
    return sd_deg * math.sqrt(2.0 / math.pi) * math.exp(-z * z / 2.0) + mean_deg * math.erf(
        z / math.sqrt(2.0)
    )


def welch(first: tuple[float, float, int], second: tuple[float, float, int]) -> tuple[float, float]:
    """Compare two groups that are known by mean, standard deviation and number alone.

    Parameters
    ----------
    first, second : (float, float, int)
        Mean, standard deviation and number of each.

    Returns
    -------
    t : float
        Welch's statistic, first minus second.
    p : float
        Two-sided; unequal variances are allowed.

    Raises
    ------
    ValueError
        If a group has fewer than two members.
    """
    from scipy.stats import ttest_ind_from_stats

    if min(first[2], second[2]) < 2:
        msg = f"each group needs 2 members or more, not {min(first[2], second[2])}"
        raise ValueError(msg)
    found = ttest_ind_from_stats(*first, *second, equal_var=False)
    return float(found.statistic), float(found.pvalue)


def _statistics(x: NDArray[np.float64], u2: NDArray[np.float64]) -> NDArray[np.float64]:
    size = np.abs(x)
    if x.size < 2:
        centre = (float(x[0]), float(size[0])) if x.size else (math.nan, math.nan)
        return np.array([math.nan, centre[0], centre[1], math.nan, centre[1], math.nan, math.nan])
    variance = float(np.var(x, ddof=1))
    return np.array(
        [
            math.sqrt(variance),
            np.median(x),
            np.mean(size),
            np.std(size, ddof=1),
            np.median(size),
            math.sqrt(max(0.0, variance - float(np.mean(u2)))),
            absolute_mean(x, u2),
        ]
    )


def _explained(spread: Estimate) -> Estimate:
    if spread.value != 0.0:
        return spread
    note = "The eyes differ by no more than the measurement's own scatter explains."
    return Estimate(0.0, spread.interval_95, spread.n, spread.method, note)
