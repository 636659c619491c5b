"""Clusters: both eyes of one patient go together, and an interval that forgets it is too short or too long.

Excyclo-positive values of two eyes may correlate either way: torsion that both eyes share makes them alike,
while a tilted head turns them by the same angle in the picture, which is excyclo in one eye and incyclo in
the other.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from torsion.cohort.estimates import Estimate, unknown

__all__ = ["Clusters", "clustered_mean", "clustered_share", "clusters"]


@dataclass(frozen=True, slots=True, eq=False)
class Clusters:
    """Which rows belong to which patient.

    Attributes
    ----------
    order : ndarray of int, shape (n,)
        Rows sorted by patient.
    starts, sizes : ndarray of int, shape (patients,)
        Where in `order` a patient begins, and how many rows it has.
    """

    order: NDArray[np.intp]
    starts: NDArray[np.intp]
    sizes: NDArray[np.intp]

    def rows(self, drawn: NDArray[np.intp]) -> NDArray[np.intp]:
        """Rows of the drawn patients, a patient drawn twice giving its rows twice."""
        sizes = self.sizes[drawn]
        shift = np.repeat(self.starts[drawn] - np.cumsum(sizes) + sizes, sizes)
        return np.asarray(self.order[np.arange(sizes.sum()) + shift])


def clusters(patients: ArrayLike) -> Clusters:
    """Group rows by patient."""
    _, number = np.unique(np.asarray(patients, dtype=str), return_inverse=True)
    order = np.argsort(number, kind="stable")
    sizes = np.bincount(number)
    return Clusters(order, np.cumsum(sizes) - sizes, sizes)


def clustered_mean(
    values: ArrayLike, patients: ArrayLike, *, coverage: float = 0.95
) -> tuple[Estimate, float | None]:
    """Mean over eyes by a linear mixed model with one random effect of the patient.

    Parameters
    ----------
    values : array_like, shape (n,)
        One value an eye, one or two eyes a patient.
    patients : array_like, shape (n,)
    coverage : float, optional
        Of the interval.

    Returns
    -------
    mean : Estimate
        ``n`` counts patients.  None below 3 patients.
    correlation : float or None
        Between the eyes of a patient, -1 to 1; None where fewer than 3 patients have two eyes.

    Raises
    ------
    ValueError
        If a patient has more than two values.

    Notes
    -----
    Restricted maximum likelihood, profiled over the correlation, which may be negative: with a positive one
    it is the usual model with a random intercept, with a negative one the random effect has the opposite
    sign in the other eye (a tilted head).  Sum and difference of two eyes are independent, so the likelihood
    is written out. Student's interval with patients - 1 degrees of freedom, exact where every patient has
    two eyes.
    """
    from scipy.stats import t

    y = np.asarray(values, dtype=float)
    found = clusters(patients)
    if found.sizes.size and found.sizes.max() > 2:
        msg = f"a patient has one or two eyes, not {found.sizes.max()} values"
        raise ValueError(msg)
    n = found.sizes.size
    if n < 3:
        return unknown(n, f"A mean with an interval needs at least 3 patients; there are {n}."), None
    first = found.starts[found.sizes == 2]
    pairs = np.stack([y[found.order[first]], y[found.order[first + 1]]], axis=1)
    singles = y[found.order[found.starts[found.sizes == 1]]]
    correlation = _correlation(pairs, singles) if len(pairs) >= 3 else None
    if correlation is None and len(pairs):  # too few to tell: patients count once
        singles, pairs = np.concatenate([singles, pairs.mean(axis=1)]), pairs[:0]
    mean, variance = _weighted(pairs, singles, correlation or 0.0)
    half = float(t.ppf(0.5 + coverage / 2.0, n - 1)) * math.sqrt(variance)
    method = "mixed model with a random effect of the patient, Student's interval"
    return Estimate(mean, (mean - half, mean + half), n, method), correlation


def _correlation(pairs: NDArray[np.float64], singles: NDArray[np.float64]) -> float | None:
    from scipy.optimize import minimize_scalar

    n = pairs.size + singles.size
    if np.ptp(np.concatenate([pairs.ravel(), singles])) == 0.0:
        return None

    def deviance(rho: float) -> float:
        _, variance = _weighted(pairs, singles, rho)
        weight = 2.0 * len(pairs) / (1.0 + rho) + singles.size
        return float(
            (n - 1) * np.log(max(variance * weight, 1e-300))
            + len(pairs) * np.log1p(-rho * rho)
            + np.log(weight)
        )

    return float(minimize_scalar(deviance, bounds=(-0.9999, 0.9999), method="bounded").x)


def _weighted(pairs: NDArray[np.float64], singles: NDArray[np.float64], rho: float) -> tuple[float, float]:
    """Mean by generalised least squares for a correlation within pairs, and its variance."""
    weight = 2.0 * len(pairs) / (1.0 + rho) + singles.size
    mean = float((pairs.sum() / (1.0 + rho) + singles.sum()) / weight)
    sums, differences = pairs.sum(axis=1) - 2.0 * mean, pairs[:, 0] - pairs[:, 1]
    squares = (
        np.sum(sums**2) / (2.0 * (1.0 + rho))
        + np.sum(differences**2) / (2.0 * (1.0 - rho))
        + np.sum((singles - mean) ** 2)
    )
    return mean, float(squares / (pairs.size + singles.size - 1) / weight)


def clustered_share(hits: ArrayLike, patients: ArrayLike) -> Estimate:
    """Share of eyes for which something holds, with an interval that heeds clusters.

    Parameters
    ----------
    hits : array_like of bool, shape (n,)
    patients : array_like, shape (n,)

    Returns
    -------
    Estimate
        Share 0 to 1; ``n`` counts eyes.  Without a value where there is no eye.

    Notes
    -----
    Wilson's interval for the number of independent eyes that would be as precise: n over the design effect,
    which is the variance between patients over that of independent eyes.  It is bounded by n and by what
    remains when both eyes of a patient tell the same; the latter is used where all or no eyes are hits.
    """
    from statsmodels.stats.proportion import proportion_confint

    x = np.asarray(hits, dtype=float)
    if x.size == 0:
        return unknown(0, "There are no eyes.")
    found, share = clusters(patients), float(np.mean(x))
    n, patients_n = x.size, found.sizes.size
    fewest = n * n / float(np.sum(found.sizes.astype(float) ** 2))
    independent = share * (1.0 - share) / n
    if independent > 0.0 and patients_n > 1:
        totals = np.add.reduceat((x - share)[found.order], found.starts)
        variance = patients_n / (patients_n - 1) * float(np.sum(totals**2)) / n**2
        effective = float(np.clip(n * independent / variance if variance else n, fewest, n))
    else:
        effective = fewest
    low, high = proportion_confint(share * effective, effective, method="wilson")
    ends = (max(0.0, float(low)), min(1.0, float(high)))
    return Estimate(share, ends, n, f"Wilson's interval for {effective:.0f} independent eyes")
