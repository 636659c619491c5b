"""Variance within and between subjects, and the intraclass correlations made of it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from torsion.cohort.estimates import Estimate

__all__ = ["Components", "components", "intraclass"]


@dataclass(frozen=True, slots=True)
class Components:
    """One-way analysis of variance.

    Attributes
    ----------
    subjects, values : int
    within : float
        Mean square within subjects: variance of a single value about its subject's mean.  NaN where no
        subject has two values.
    between : float
        Variance of the subjects' true means; negative where subjects differ less than by chance.  NaN for a
        single subject.
    """

    subjects: int
    values: int
    within: float
    between: float

    @property
    def total(self) -> float:
        """Variance of a single value of a new subject."""
        return self.within + self.between

    @property
    def icc(self) -> float:
        """ICC(1,1): share of the variance that lies between subjects; NaN where there is no variance."""
        return self.between / self.total if self.total > 0.0 else math.nan


def components(values: ArrayLike, subjects: ArrayLike) -> Components:
    """Split the variance of values into that within and that between subjects.

    Parameters
    ----------
    values : array_like, shape (n,)
    subjects : array_like, shape (n,)
        Any number of values each.

    Returns
    -------
    Components

    Examples
    --------
    >>> components([1.0, 3.0, 11.0, 13.0], ["a", "a", "b", "b"])
    Components(subjects=2, values=4, within=2.0, between=49.0)
    """
    x = np.asarray(values, dtype=float)
    _, number, sizes = np.unique(np.asarray(subjects), return_inverse=True, return_counts=True)
    n, k = x.size, sizes.size
    if n == 0:
        return Components(0, 0, math.nan, math.nan)
    means = np.bincount(number, x) / sizes
    within = float(np.sum((x - means[number]) ** 2) / (n - k)) if n > k else math.nan
    if k < 2:
        return Components(k, n, within, math.nan)
    typical = (n - float(np.sum(sizes.astype(float) ** 2)) / n) / (k - 1)
    square = float(np.sum(sizes * (means - np.mean(x)) ** 2) / (k - 1))
    return Components(k, n, within, (square - within) / typical)


def intraclass(ratings: ArrayLike, *, coverage: float = 0.95) -> dict[str, Estimate]:
    """Six intraclass correlations of a complete table.

    Parameters
    ----------
    ratings : array_like, shape (n, k)
        n subjects in rows, k measurements (raters, repeats) in columns; both at least 2.
    coverage : float, optional
        Of the intervals, which are exact for normal values except for form (2,1) and (2,k).

    Returns
    -------
    dict
        ``"ICC(1,1)", "ICC(2,1)", "ICC(3,1)"`` for a single measurement and ``"ICC(1,k)", "ICC(2,k)",
        "ICC(3,k)"`` for the mean of k.  Form 1: each subject has its own measurers; 2: the same measurers
        for all, drawn from many, their bias counts as error; 3: these measurers only, their bias does not
        count.  No interval where the measurements agree without any error.

    Raises
    ------
    ValueError
        If the table is too small, incomplete, or all subjects are the same.

    Notes
    -----
    Shrout and Fleiss 1979, doi:10.1037/0033-2909.86.2.420; intervals as in McGraw and Wong 1996,
    doi:10.1037/1082-989X.1.1.30.
    """
    x = np.asarray(ratings, dtype=float)
    if x.ndim != 2 or min(x.shape) < 2 or not np.all(np.isfinite(x)):
        msg = (
            f"ratings must be a complete table of 2 or more subjects by 2 or more measurements, not {x.shape}"
        )
        raise ValueError(msg)
    if np.ptp(x.mean(axis=1)) == 0.0:
        msg = "ratings must differ between subjects: all subjects have the same mean"
        raise ValueError(msg)
    n, k = x.shape
    rows, columns = x.mean(axis=1, keepdims=True), x.mean(axis=0, keepdims=True)
    between = k * float(np.var(rows, ddof=1))
    within = float(np.sum((x - rows) ** 2)) / (n * (k - 1))
    judges = n * float(np.var(columns, ddof=1))
    error = float(np.sum((x - rows - columns + x.mean()) ** 2)) / ((n - 1) * (k - 1))
    error = 0.0 if error < 1e-12 * between else error  # what rounding leaves
    half = 0.5 + coverage / 2.0
    singles = {
        "ICC(1": (_one(between, within, k), _ends(between, within, n, k, n * (k - 1), half)),
        "ICC(2": (_two(between, judges, error, n, k), _ends_two(between, judges, error, n, k, half)),
        "ICC(3": (_one(between, error, k), _ends(between, error, n, k, (n - 1) * (k - 1), half)),
    }
    found = {}
    for name, (value, ends) in singles.items():
        found[f"{name},1)"] = Estimate(value, ends, n, f"{name},1)")
        means = None if ends is None else (_of_mean(ends[0], k), _of_mean(ends[1], k))
        found[f"{name},k)"] = Estimate(_of_mean(value, k), means, n, f"{name},{k})")
    return found


def _one(between: float, within: float, k: int) -> float:
    return (between - within) / (between + (k - 1) * within)


def _two(between: float, judges: float, error: float, n: int, k: int) -> float:
    return (between - error) / (between + (k - 1) * error + k * (judges - error) / n)


def _of_mean(single: float, k: int) -> float:
    """Step from one measurement to the mean of k (Spearman and Brown)."""
    return k * single / (1.0 + (k - 1) * single)


def _ends(
    between: float, within: float, n: int, k: int, freedom: int, half: float
) -> tuple[float, float] | None:
    from scipy.stats import f

    if within == 0.0:
        return None
    ratio = between / within
    low, high = ratio / f.ppf(half, n - 1, freedom), ratio * f.ppf(half, freedom, n - 1)
    return float((low - 1.0) / (low + k - 1.0)), float((high - 1.0) / (high + k - 1.0))


def _ends_two(
    between: float, judges: float, error: float, n: int, k: int, half: float
) -> tuple[float, float] | None:
    from scipy.stats import f

    if error == 0.0:
        return None
    r, ratio = _two(between, judges, error, n, k), judges / error
    rest = n * (1.0 + (k - 1) * r) - k * r
    freedom = (k - 1) * (n - 1) * (k * r * ratio + rest) ** 2 / ((n - 1) * k**2 * r**2 * ratio**2 + rest**2)
    upper, lower = f.ppf(half, n - 1, freedom), f.ppf(half, freedom, n - 1)
    other = k * judges + (k * n - k - n) * error
    low = n * (between - upper * error) / (upper * other + n * between)
    high = n * (lower * between - error) / (other + n * lower * between)
    return float(low), float(high)
