"""Estimates: a number with its interval, or the reason why there is none."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from torsion.record import plain_value

__all__ = ["Estimate", "finite", "mean_estimate", "plain", "rounded", "unknown"]

_DECIMALS = 4


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number learnt from a cohort.

    Attributes
    ----------
    value : float or None
        None where the data do not give it; `note` then says why.
    interval_95 : tuple of float or None
        95 % confidence interval, lower end first; None where the data do not give one.
    n : int
        How many independent units (patients, unless said otherwise) stand behind it.
    method : str
        How value and interval were found.
    note : str
        A sentence for the reader; empty where there is nothing to say.
    """

    value: float | None
    interval_95: tuple[float, float] | None
    n: int
    method: str = ""
    note: str = ""


def unknown(n: int, note: str) -> Estimate:
    """Return an estimate without a value, and the sentence that says why."""
    return Estimate(None, None, n, "", note)


def mean_estimate(values: ArrayLike, *, coverage: float = 0.95) -> Estimate:
    """Mean of independent values with Student's interval.

    Parameters
    ----------
    values : array_like, shape (n,)
        One value for each patient.
    coverage : float, optional
        Of the interval.

    Returns
    -------
    Estimate
        Without a value where there is none, without an interval where there is only one.
    """
    from scipy.stats import t

    x = np.asarray(values, dtype=float)
    if x.size == 0:
        return unknown(0, "There are no values.")
    mean = float(np.mean(x))
    if x.size < 2:
        return Estimate(mean, None, 1, "mean", "One value has no interval.")
    half = float(t.ppf(0.5 + coverage / 2.0, x.size - 1)) * float(np.std(x, ddof=1)) / math.sqrt(x.size)
    return Estimate(mean, (mean - half, mean + half), x.size, "mean with Student's interval")


def finite(number: float) -> float | None:
    """Return the number, or None where it is not finite."""
    return float(number) if math.isfinite(number) else None


def rounded(number: float) -> float:
    """Round for a record: 4 decimals, or 4 significant digits of what is smaller; no minus zero."""
    if 0.0 < abs(number) < 0.1:
        return float(f"{number:.4g}")
    return round(number, _DECIMALS) + 0.0


def plain(value: object) -> object:
    """Open a result for JSON: dicts, lists, strings, numbers and None; a number that is not finite is None.

    Raises
    ------
    TypeError
        If something else is in it.

    Examples
    --------
    >>> plain(Estimate(1.234567, (0.5, 2.0), 12, "mean"))
    {'value': 1.2346, 'interval_95': [0.5, 2.0], 'n': 12, 'method': 'mean', 'note': ''}
    """
    return plain_value(value, rounded=lambda number, _: rounded(number))
