"""Adjustment: rotations between several photos of one eye, pair by pair, and one rotation out of all.

An error of a pair has two parts.  What belongs to the pair (noise, the part of the ring that both show) is
new in every pair.  What belongs to a photo (a conjunctiva that has slid, a lid's shadow, a gaze aside) is
shared by all of its pairs.  A pair measures ``x_j - x_i + (e_j - e_i) + noise``, so photo errors cancel round
every closed way: misfits show the noise of pairs alone, and say how large it is.  The rest of the stated
variance may belong to photos.  Of that the two photos between which the rotation is stated keep their own
share, however many others there are.
"""

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from torsion.angles import wrap_rotation_deg

__all__ = ["Adjustment", "Link", "adjust", "chi_square_tail", "groups", "suspects"]

Doubles = NDArray[np.float64]

_UNLIKELY = 0.01  # probability of chance alone, below which the links do not fit
_FITS = 0.05  # and above which the rest fits well enough to put the blame on what was left out


@dataclass(frozen=True, slots=True)
class Link:
    """Rotation of one photo against another, as measured.

    Attributes
    ----------
    first, second : int
        Numbers of the photos.
    rotation_deg, standard_uncertainty_deg : float
        Of the eye in the second against that in the first, counter-clockwise positive.
    """

    first: int
    second: int
    rotation_deg: float
    standard_uncertainty_deg: float


@dataclass(frozen=True, slots=True)
class Adjustment:
    """What fits all links best.

    Attributes
    ----------
    rotation_deg, standard_uncertainty_deg : float
        Of the end against the start, counter-clockwise positive, in [-180, 180).
    turns_deg : mapping of int to float
        The same of each photo that the links lead to.
    misfits_deg : tuple of float or None
        Of each link: measured less fitted; None where it does not lead to the start.
    chi_square : float
        Squared misfits over squared standard uncertainties.
    degrees_of_freedom : int
        Links more than needed; with none, nothing can disagree.
    probability : float or None
        Of a `chi_square` this large by chance, were all of the stated uncertainty noise of pairs.
    pair_share : float or None
        Part of the stated variance that the misfits show to be noise of pairs, which averages out; above 1
        only where the links do not fit.
    spread_deg : float or None
        Root mean square of the misfits, by degrees of freedom.
    """

    rotation_deg: float
    standard_uncertainty_deg: float
    turns_deg: Mapping[int, float]
    misfits_deg: tuple[float | None, ...]
    chi_square: float
    degrees_of_freedom: int
    probability: float | None
    pair_share: float | None
    spread_deg: float | None

    @property
    def fits(self) -> bool:
        """Whether the misfits may be chance."""
        return self.probability is None or self.probability >= _UNLIKELY


def adjust(links: Sequence[Link], *, start: int, end: int, floor_deg: float = 0.0) -> Adjustment | None:
    """Combine links into the rotation of one photo against another.

    Generalised least squares.  Errors of photos add to the covariance of the links what the unknown turns of
    the photos span anyway, so that they change the uncertainty and not the estimate: the links are weighed
    by their stated variances, and the photo errors of start and end are added afterwards.

    Parameters
    ----------
    links : sequence of Link
    start, end : int
        Numbers of the photos between which the rotation is stated.
    floor_deg : float, default 0
        Standard uncertainty below which no number of photos leads.

    Returns
    -------
    Adjustment or None
        None where the links do not connect start and end.

    Notes
    -----
    With variances u² of the links, N that of the fit if all of u² were noise of pairs, and w the part that
    the misfits show (chi-square over degrees of freedom, at most 1 while the links fit), the variance is
    ``w N + (1 - w) P``.  P bounds what the photos may keep: the variance of the direct link, or that of the
    best link of the start plus that of the best link of the end.  Without a misfit to judge by, N counts;
    it is then no less than P.  Where the links do not fit, w is as large as makes them fit (R. T. Birge, doi
    10.1103/PhysRev.40.207).
    """
    reached = _walk(links, start)
    if end not in reached:
        return None
    inside = [link.first in reached for link in links]
    used = [link for link, yes in zip(links, inside, strict=True) if yes]
    fit = _fit(used, reached)
    free = len(used) - (len(reached) - 1)
    probability = chi_square_tail(fit.chi_square, free) if free else None
    share = fit.chi_square / free if free else None
    if share is not None and probability is not None and probability >= _UNLIKELY:
        share = min(share, 1.0)
    noise, kept = fit.variance(start, end), _kept_by_photos(used, start, end)
    variance = noise if share is None else share * noise + max(0.0, 1.0 - share) * kept
    misfits = iter(fit.misfit_deg)
    return Adjustment(
        wrap_rotation_deg(fit.turn_deg[end] - fit.turn_deg[start]),
        max(math.sqrt(variance), floor_deg),
        {photo: wrap_rotation_deg(turn - fit.turn_deg[start]) for photo, turn in fit.turn_deg.items()},
        tuple(float(next(misfits)) if yes else None for yes in inside),
        fit.chi_square,
        free,
        probability,
        share,
        math.sqrt(float((fit.misfit_deg**2).sum()) / free) if free else None,
    )


def groups(links: Iterable[Link]) -> list[set[int]]:
    """Gather the photos that links connect."""
    found: list[set[int]] = []
    for link in links:
        ends = {link.first, link.second}
        met = [group for group in found if group & ends]
        found = [group for group in found if not group & ends]
        found.append(ends.union(*met))
    return found


def suspects(links: Sequence[Link]) -> tuple[int, ...]:
    """Photos each of which may be the one that does not agree with the rest.

    Parameters
    ----------
    links : sequence of Link
        That do not fit.

    Returns
    -------
    tuple of int
        The photo without which the others fit; two where either would do, for then the pair of the two is
        off; empty where it cannot be told.  At least four photos are needed: two of three fit always.
    """
    photos = sorted({photo for link in links for photo in (link.first, link.second)})
    fitting = []
    for photo in photos:
        rest = [link for link in links if photo not in (link.first, link.second)]
        probability = _probability(rest)
        if probability is None:
            return ()
        if probability >= _FITS:
            fitting.append(photo)
    return tuple(fitting) if len(fitting) <= 2 else ()


def chi_square_tail(chi_square: float, degrees_of_freedom: int) -> float:
    """Probability that chi-square is at least so large by chance.

    By the recursion of the incomplete gamma function over whole and half numbers (DLMF 8.8.2), which needs
    no library.

    Examples
    --------
    >>> round(chi_square_tail(3.841, 1), 4), round(chi_square_tail(11.345, 3), 4)
    (0.05, 0.01)
    """
    half = chi_square / 2.0
    at = 0.5 * (degrees_of_freedom % 2)
    tail = math.erfc(math.sqrt(half)) if at else 0.0
    while at < degrees_of_freedom / 2.0:
        if half > 0.0:
            tail += math.exp(at * math.log(half) - half - math.lgamma(at + 1.0))
        elif at == 0.0:
            tail = 1.0
        at += 1.0
    return min(1.0, tail)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    turn_deg: dict[int, float]
    misfit_deg: Doubles
    chi_square: float
    covariance: Doubles
    place: dict[int, int]

    def variance(self, first: int, second: int) -> float:
        """Of the turn between two photos, if the links had noise of their own alone."""
        pull = np.zeros(len(self.place))
        pull[self.place[first]], pull[self.place[second]] = -1.0, 1.0
        return float(pull @ self.covariance @ pull)


def _fit(links: Sequence[Link], near_deg: Mapping[int, float]) -> _Fit:
    """Weighted least squares about turns that are near enough for angles not to wrap."""
    place = {photo: at for at, photo in enumerate(near_deg)}
    design = np.zeros((len(links), len(place)))
    for row, link in enumerate(links):
        design[row, place[link.first]], design[row, place[link.second]] = -1.0, 1.0
    near = np.array(list(near_deg.values()))
    measured = np.array([link.rotation_deg for link in links])
    weight = np.array([link.standard_uncertainty_deg for link in links]) ** -2.0
    apart = np.asarray(wrap_rotation_deg(measured - design @ near))
    covariance = np.asarray(np.linalg.pinv(design.T @ (weight[:, None] * design), hermitian=True), np.float64)
    moved = covariance @ (design.T @ (weight * apart))
    misfit = apart - design @ moved
    turns = {photo: float(near[at] + moved[at]) for photo, at in place.items()}
    return _Fit(turns, misfit, float((weight * misfit**2).sum()), covariance, place)


def _walk(links: Iterable[Link], start: int) -> dict[int, float]:
    """Turn the photos that links lead to, each by the way of the fewest links."""
    ways: dict[int, list[tuple[int, float]]] = {start: []}
    for link in links:
        ways.setdefault(link.first, []).append((link.second, link.rotation_deg))
        ways.setdefault(link.second, []).append((link.first, -link.rotation_deg))
    turns, waiting = {start: 0.0}, deque([start])
    while waiting:
        here = waiting.popleft()
        for there, rotation_deg in ways[here]:
            if there not in turns:
                turns[there] = turns[here] + rotation_deg
                waiting.append(there)
    return turns


def _kept_by_photos(links: Sequence[Link], start: int, end: int) -> float:
    """Give the most variance that errors of start and end can have, if no link states less than it has."""
    best, direct = {start: math.inf, end: math.inf}, math.inf
    for link in links:
        variance = link.standard_uncertainty_deg**2
        for photo in {link.first, link.second} & best.keys():
            best[photo] = min(best[photo], variance)
        if {link.first, link.second} == {start, end}:
            direct = variance
    return min(direct, best[start] + best[end])


def _probability(links: Sequence[Link]) -> float | None:
    """Of the misfits of links that need not all be connected; None where nothing can disagree."""
    chi_square, free = 0.0, 0
    for photos in groups(links):
        part = [link for link in links if link.first in photos]
        chi_square += _fit(part, _walk(part, part[0].first)).chi_square
        free += len(part) - (len(photos) - 1)
    return chi_square_tail(chi_square, free) if free else None
