"""Sample size: how many patients a wanted interval needs."""

import math
from collections.abc import Callable

__all__ = ["bonett", "patients_for_limits", "patients_for_mean", "subjects_for_icc", "subjects_for_within_sd"]

_MOST = 10_000_000


def patients_for_mean(
    sd_deg: float, half_width_deg: float, *, both_eyes: float | None = None, coverage: float = 0.95
) -> int:
    """Patients for an interval of the mean of the wanted half width.

    Parameters
    ----------
    sd_deg : float
        Of single eyes, degrees.
    half_width_deg : float
        Wanted, degrees.
    both_eyes : float, optional
        Correlation of both eyes (-1 to 1, excyclo-positive) where both are measured; one eye a patient
        without it.
    coverage : float, optional

    Returns
    -------
    int
        At least 3.

    Raises
    ------
    ValueError
        If the half width is not positive.

    Examples
    --------
    >>> patients_for_mean(4.85, 1.0), patients_for_mean(4.85, 1.0, both_eyes=0.3)
    (93, 62)
    """
    from scipy.stats import t

    _check(half_width_deg)
    variance = sd_deg**2 * (1.0 if both_eyes is None else (1.0 + both_eyes) / 2.0)

    def is_enough(n: int) -> bool:
        return bool(t.ppf(0.5 + coverage / 2.0, n - 1) ** 2 * variance <= n * half_width_deg**2)

    return _fewest(is_enough, 3)


def patients_for_limits(sd_deg: float, half_width_deg: float, *, coverage: float = 0.95) -> int:
    """Patients, one pair each, for intervals of the limits of agreement of the wanted half width.

    A limit has the standard error ``sqrt(3 s^2 / n)`` (Bland and Altman 1986).

    Examples
    --------
    >>> patients_for_limits(2.0, 0.5)
    187
    """
    from scipy.stats import t

    _check(half_width_deg)

    def is_enough(n: int) -> bool:
        return bool(t.ppf(0.5 + coverage / 2.0, n - 1) ** 2 * 3.0 * sd_deg**2 <= n * half_width_deg**2)

    return _fewest(is_enough, 3)


def subjects_for_icc(icc: float, width: float, *, repeats: int = 2, coverage: float = 0.95) -> int:
    """Subjects for an interval of an intraclass correlation of the wanted width.

    Parameters
    ----------
    icc : float
        Expected, 0 to 1.
    width : float
        Whole width of the interval.
    repeats : int, optional
        Measurements of each subject.
    coverage : float, optional

    Returns
    -------
    int
        By Bonett 2002 (doi:10.1002/sim.1108), with his addition of ``5 icc`` for two repeats and an ICC of
        0.7 or more.

    Raises
    ------
    ValueError
        If the width is not positive, the correlation is outside 0 to 1, or there are fewer than 2 repeats.

    Examples
    --------
    >>> subjects_for_icc(0.8, 0.2)
    55
    """
    _check(width)
    if not 0.0 <= icc < 1.0 or repeats < 2:
        msg = f"icc must lie from 0 to below 1 with 2 repeats or more, not {icc} with {repeats}"
        raise ValueError(msg)
    plain = bonett(icc, width, repeats=repeats, coverage=coverage)
    return math.ceil(plain + 5.0 * icc) if repeats == 2 and icc >= 0.7 else math.ceil(plain)


def bonett(icc: float, width: float, *, repeats: int = 2, coverage: float = 0.95) -> float:
    """Bonett's first approximation, before rounding and without his addition.

    Examples
    --------
    >>> round(bonett(0.8, 0.2), 3)
    50.785
    """
    from scipy.stats import norm

    z = float(norm.ppf(0.5 + coverage / 2.0))
    k = repeats
    return 8.0 * z**2 * (1.0 - icc) ** 2 * (1.0 + (k - 1) * icc) ** 2 / (k * (k - 1) * width**2) + 1.0


def subjects_for_within_sd(relative: float, *, repeats: int = 2, coverage: float = 0.95) -> int:
    """Subjects to know a within-subject standard deviation within a part of itself.

    Bland's rule: the relative half width is ``z / sqrt(2 n (m - 1))`` for n subjects with m values each.

    Raises
    ------
    ValueError
        If the part is not positive or there are fewer than 2 repeats.

    Examples
    --------
    >>> subjects_for_within_sd(0.1), subjects_for_within_sd(0.1, repeats=3)
    (193, 97)
    """
    from scipy.stats import norm

    _check(relative)
    if repeats < 2:
        msg = f"repeats must be 2 or more, not {repeats}"
        raise ValueError(msg)
    return math.ceil((float(norm.ppf(0.5 + coverage / 2.0)) / relative) ** 2 / (2.0 * (repeats - 1)))


def _check(width: float) -> None:
    if not width > 0.0:
        msg = f"the wanted width must be positive, not {width}"
        raise ValueError(msg)


def _fewest(is_enough: Callable[[int], bool], least: int) -> int:
    """Return the smallest number from ``least`` that is enough, by bisection."""
    high = least
    while not is_enough(high) and high < _MOST:
        high *= 2
    low = least
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if is_enough(middle) else (middle + 1, high)
    return low
