"""Least-squares similarity between two sets of points: turn, scale and shift.

Points are complex numbers, x + i y with y up, so that the angle of a number grows counter-clockwise.
"""

from dataclasses import dataclass
from math import atan, cos, inf, sin, sqrt

import numpy as np
from numpy.typing import NDArray

__all__ = ["Complex", "Similarity", "coincide", "f_quantile", "fit_similarity", "t_quantile"]

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class Similarity:
    """The map ``factor * point + shift`` and how well it fits.

    Attributes
    ----------
    factor : complex
        Its absolute value is the scale, its angle the turn.
    shift : complex
    residuals : (n,) complex ndarray
        Second points minus mapped first points.
    leverage : (n,) ndarray
        How much each pair pulls the map to itself, 0 to 1; they add up to 2.
    spread : float
        Sum of squared distances of the first points from their mean.
    """

    factor: complex
    shift: complex
    residuals: Complex
    leverage: NDArray[np.float64]
    spread: float

    @property
    def turn_deg(self) -> float:
        """Turn, counter-clockwise, -180 to 180."""
        return float(np.degrees(np.angle(self.factor)))

    @property
    def squares(self) -> float:
        """Sum of squared residuals, x and y together."""
        return float((np.abs(self.residuals) ** 2).sum())

    @property
    def degrees_of_freedom(self) -> int:
        """Numbers measured minus numbers fitted: 2 n - 4."""
        return 2 * self.residuals.size - 4


def fit_similarity(first: Complex, second: Complex) -> Similarity:
    """Fit turn, scale and shift to pairs of points (S. Umeyama, doi 10.1109/34.88573, in the plane).

    In the plane the answer is one division of complex numbers, and a mirror image cannot come out.

    Parameters
    ----------
    first, second : (n,) complex ndarray
        Two pairs or more.

    Returns
    -------
    Similarity

    Raises
    ------
    ValueError
        If there are fewer than two pairs, a point is not finite, or the first or the second points all
        coincide.

    Examples
    --------
    >>> import numpy as np
    >>> found = fit_similarity(np.array([1 + 0j, 0 + 1j, -1 + 0j]), np.array([0 + 2j, -2 + 0j, 0 - 2j]))
    >>> round(found.turn_deg, 6), round(abs(found.factor), 6)
    (90.0, 2.0)
    """
    if first.size < 2 or first.shape != second.shape:
        msg = f"a similarity needs two pairs of points or more, not {first.size} and {second.size} points"
        raise ValueError(msg)
    if not (np.isfinite(first).all() and np.isfinite(second).all()):
        msg = "the points of a similarity must be finite"
        raise ValueError(msg)
    middle, other = first.mean(), second.mean()
    centred, moved = first - middle, second - other
    spread = float((np.abs(centred) ** 2).sum())
    if coincide(first) or coincide(second):
        msg = "the points of a photo must not all coincide"
        raise ValueError(msg)
    factor = complex((centred.conj() * moved).sum() / spread)
    return Similarity(
        factor,
        complex(other - factor * middle),
        moved - factor * centred,
        1.0 / first.size + np.abs(centred) ** 2 / spread,
        spread,
    )


def coincide(points: Complex) -> bool:
    """Whether all points lie in one place, but for rounding, so that no map can be fitted to them.

    Examples
    --------
    >>> coincide(np.array([3 + 1j, 3 + 1j])), coincide(np.array([3 + 1j, 4 + 1j]))
    (True, False)
    """
    spread = (np.abs(points - points.mean()) ** 2).sum()
    return bool(spread <= 1e-12 * (np.abs(points) ** 2).sum())


def t_quantile(probability: float, degrees_of_freedom: int) -> float:
    """Value that Student's t stays below in size with a given probability, for an even number of degrees.

    The distribution has a closed form there (Abramowitz & Stegun, Handbook of Mathematical Functions,
    26.7.4), which is solved by bisection.

    Raises
    ------
    ValueError
        If the number of degrees is odd or below 2, or the probability is outside (0, 1).

    Examples
    --------
    >>> round(t_quantile(0.95, 2), 4), round(t_quantile(0.95, 10), 4)
    (4.3027, 2.2281)
    """
    if degrees_of_freedom < 2 or degrees_of_freedom != 2 * (degrees_of_freedom // 2):
        msg = f"degrees of freedom must be even and at least 2, not {degrees_of_freedom}"
        raise ValueError(msg)
    if not 0.0 < probability < 1.0:
        msg = f"probability must lie between 0 and 1, not {probability:g}"
        raise ValueError(msg)
    low, high = 0.0, 1.0
    while _within_t(high, degrees_of_freedom) < probability:
        high *= 2.0
    while high - low > 1e-10 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _within_t(middle, degrees_of_freedom) < probability else (low, middle)
    return high


def f_quantile(tail: float, degrees_of_freedom: float) -> float:
    """Value that F with 2 and so many degrees of freedom exceeds with probability `tail`; closed form.

    Examples
    --------
    >>> round(f_quantile(0.05, 4.0), 3)
    6.944
    """
    if degrees_of_freedom == inf:
        return float(-np.log(tail))
    return float(0.5 * degrees_of_freedom * (tail ** (-2.0 / degrees_of_freedom) - 1.0))


def _within_t(value: float, degrees_of_freedom: int) -> float:
    angle = atan(value / sqrt(degrees_of_freedom))
    term = total = 1.0
    for step in range(1, degrees_of_freedom // 2):
        term *= (2 * step - 1) / (2 * step) * cos(angle) ** 2
        total += term
    return sin(angle) * total
