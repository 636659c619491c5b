"""Medians and percentiles of small arrays, as NumPy defines them but without its checks; the normal quantile.

NumPy's own take 20 to 80 microseconds however few the values are, which adds up where an outline or a mark
is looked at in hundreds of short pieces.
"""

import numpy as np
from numpy.typing import NDArray

__all__ = ["COVERAGE", "mean", "median", "percentile", "row_medians"]

COVERAGE = 1.96  # standard uncertainties to each side that hold 95 % of a normal distribution


def mean(values: NDArray[np.generic]) -> float:
    """Mean of all values, without NumPy's checks of the type of the sum.

    Examples
    --------
    >>> mean(np.array([1.0, 2.0, 4.5]))
    2.5
    """
    return float(np.add.reduce(values, axis=None)) / values.size


def median(values: NDArray[np.number]) -> float:
    """Median of all values; NaN of none.

    Examples
    --------
    >>> median(np.array([4.0, 1.0, 3.0, 2.0]))
    2.5
    """
    return percentile(values, 50.0)


def percentile(values: NDArray[np.number], percent: float) -> float:
    """Percentile of all values, interpolated linearly; NaN of none.

    Examples
    --------
    >>> percentile(np.array([4.0, 1.0, 3.0, 2.0]), 40.0)
    2.2
    """
    count = values.size
    if not count:
        return float("nan")
    place = percent / 100.0 * (count - 1)
    low = min(int(place), max(count - 2, 0))
    high = min(low + 1, count - 1)
    ordered = values.flatten()
    ordered.partition((low, high))
    below, above = float(ordered[low]), float(ordered[high])
    return below + (above - below) * (place - low)


def row_medians(values: NDArray[np.floating]) -> NDArray[np.floating]:
    """Median of each row.

    Parameters
    ----------
    values : (rows, n) ndarray
        With n of 1 or more.

    Returns
    -------
    (rows,) ndarray
    """
    ordered, count = np.sort(values, axis=1), values.shape[1]
    return np.asarray((ordered[:, (count - 1) // 2] + ordered[:, count // 2]) / 2)
