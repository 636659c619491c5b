"""Suspects among hand-picked pairs: which are swapped, which is misplaced.

A pair is misplaced when the map fitted to the others misses it by more than they explain.  The variance that
they show is moderated by that of an ordinary click, so that three or four pairs that happen to fit well
accuse nobody (G. Smyth, doi 10.2202/1544-6115.1027).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal, Self

import numpy as np

from torsion.angles import wrap_rotation_deg
from torsion.photo import Ellipse
from torsion.similarity import Complex, Similarity, coincide, f_quantile, fit_similarity

__all__ = ["Expected", "Suspect", "find_suspects", "looks_mirrored"]

_CLICK_PX, _CLICK_SHARE = 1.0, 0.005  # an ordinary click; the share is of the distance of the points from
# their middle, 0.3 degrees; common practice, no source
_PRIOR_FREEDOM = 4.0  # how much an ordinary click's variance counts beside that of the other pairs
_FALSE_ALARM = 0.01  # for a whole set of pairs
_POOR, _GOOD = 9.0, 4.0  # mean squared misfit over that of ordinary clicks
_TURN_SD_DEG, _SCALE_SD, _CENTRE_SD = 8.0, 0.05, 0.08  # of eyes and of their outlines as found, in radii
_LEAD = 4.0  # by which one explanation has to beat the next, in chi squared
_PLAUSIBLE = 16.0


@dataclass(frozen=True, slots=True)
class Suspect:
    """Pairs that look wrong.

    Attributes
    ----------
    kind : {"swapped", "misplaced", "unknown"}
        Unknown: the pairs do not fit, and which one is wrong cannot be told.
    pairs : tuple of str
        Names; two for swapped, one for misplaced, all for unknown.
    rotation_deg : float or None
        Of the fit with the two exchanged, or without the one, view undone; None for unknown.
    """

    kind: Literal["swapped", "misplaced", "unknown"]
    pairs: tuple[str, ...]
    rotation_deg: float | None


@dataclass(frozen=True, slots=True)
class Expected:
    """What is known of the map beforehand; None where it is not.

    Attributes
    ----------
    turn_deg : float
        Of the supine picture, counter-clockwise: its view.
    scale : float or None
    centres : (complex, complex) or None
        Centres of the limbus, which lie on each other.
    radius : float
        Of the supine limbus.
    """

    turn_deg: float
    scale: float | None = None
    centres: tuple[complex, complex] | None = None
    radius: float = 1.0

    @classmethod
    def of(cls, seated: Ellipse | None, supine: Ellipse | None, *, turn_deg: float, flip: float) -> Self:
        """Make of both outlines; `flip` is -1 for a mirrored supine picture."""
        if seated is None or supine is None:
            return cls(turn_deg)
        centres = complex(seated.x_px, -seated.y_px), complex(flip * supine.x_px, -supine.y_px)
        return cls(turn_deg, supine.radius_px / seated.radius_px, centres, supine.radius_px)

    def rotation_deg(self, fit: Similarity) -> float:
        """Rotation that a fit gives once the view is undone."""
        return wrap_rotation_deg(fit.turn_deg - self.turn_deg)

    def improbability(self, fit: Similarity) -> float:
        """Chi squared of a fit against what is expected."""
        total = (self.rotation_deg(fit) / _TURN_SD_DEG) ** 2
        if self.scale is not None and self.centres is not None:
            total += float(np.log(abs(fit.factor) / self.scale) / _SCALE_SD) ** 2
            miss = fit.factor * self.centres[0] + fit.shift - self.centres[1]
            total += (abs(miss) / self.radius / _CENTRE_SD) ** 2
        return total


def find_suspects(
    first: Complex,
    second: Complex,
    names: Sequence[str],
    *,
    click_px: float | None = None,
    expected: Expected,
) -> tuple[Suspect, ...]:
    """Pairs that look swapped or misplaced.

    Parameters
    ----------
    first, second : (n,) complex ndarray
        Points, y up.
    names : sequence of str
    click_px : float, optional
        Standard deviation of a click; by default the larger of 1 pixel and 0.5 % of the points' distance from
        their middle.
    expected : Expected
        Tells the view, and decides between explanations where the pairs alone cannot: with two and three
        pairs.

    Returns
    -------
    tuple of Suspect
        None, or the one that explains most.
    """
    fit = fit_similarity(first, second)
    ordinary = _ordinary(fit, click_px)
    poor = fit.degrees_of_freedom > 0 and fit.squares > _POOR * ordinary * fit.degrees_of_freedom
    if first.size == 2 or poor:
        swapped = _swapped(first, second, names, fit, ordinary, expected)
        if swapped is not None:
            return (swapped,)
    if first.size > 3:
        found = _misplaced(first, second, names, ordinary, expected)
    elif first.size == 3 and poor:
        found = _one_of_three(first, second, names, expected)
    else:
        return ()
    if found is not None:
        return (found,)
    return (Suspect("unknown", tuple(names), None),) if poor else ()


def looks_mirrored(first: Complex, second: Complex, *, click_px: float | None = None) -> bool:
    """Whether a mirror image fits well where a turn does not; needs three pairs or more."""
    fit, mirror = fit_similarity(first, second), fit_similarity(first, -second.conj())
    limit = _ordinary(fit, click_px) * fit.degrees_of_freedom
    return bool(
        fit.squares > _POOR * limit
        and mirror.squares < _GOOD * _ordinary(mirror, click_px) * fit.degrees_of_freedom
    )


def _ordinary(fit: Similarity, click_px: float | None) -> float:
    """Variance of a residual's coordinate from ordinary clicks in both photos."""
    distance = np.sqrt(fit.spread / fit.residuals.size)
    click = max(_CLICK_PX, _CLICK_SHARE * float(distance)) if click_px is None else click_px
    return click**2 * (1.0 + abs(fit.factor) ** 2)


def _swapped(
    first: Complex,
    second: Complex,
    names: Sequence[str],
    fit: Similarity,
    ordinary: float,
    expected: Expected,
) -> Suspect | None:
    """Two pairs that fit when their supine points are exchanged, and not as they are."""
    tried = []
    for one, other in combinations(range(first.size), 2):
        order = np.arange(first.size)
        order[[one, other]] = other, one
        again = fit_similarity(first, second[order])
        misfit = again.squares / ordinary + expected.improbability(again)
        tried.append((misfit, again, (names[one], names[other])))
    misfit, again, pair = min(tried, key=lambda each: each[0])
    freedom = max(fit.degrees_of_freedom, 1)  # two pairs always fit, but for rounding
    fits = again.squares <= _GOOD * ordinary * freedom and expected.improbability(again) < _PLAUSIBLE
    if not fits or misfit + _LEAD > fit.squares / ordinary + expected.improbability(fit):
        return None
    return Suspect("swapped", pair, expected.rotation_deg(again))


def _misplaced(
    first: Complex, second: Complex, names: Sequence[str], ordinary: float, expected: Expected
) -> Suspect | None:
    """Find the pair that the map of the others misses most, if by more than chance.

    A pair without which the other points of a photo coincide is not tried: there is no map of them.
    """
    worst: tuple[float, Suspect] | None = None
    for index, name in enumerate(names):
        others = np.arange(first.size) != index
        if coincide(first[others]) or coincide(second[others]):
            continue
        fit = fit_similarity(first[others], second[others])
        miss = abs(second[index] - fit.factor * first[index] - fit.shift) ** 2
        freedom = _PRIOR_FREEDOM + fit.degrees_of_freedom
        variance = (_PRIOR_FREEDOM * ordinary + fit.squares) / freedom
        away = abs(first[index] - first[others].mean()) ** 2
        variance *= 1.0 + 1.0 / others.sum() + away / fit.spread  # the map is uncertain, too
        excess = 0.5 * miss / variance / f_quantile(_FALSE_ALARM / first.size, freedom)
        if excess > 1.0 and (worst is None or excess > worst[0]):
            worst = excess, Suspect("misplaced", (name,), expected.rotation_deg(fit))
    return worst[1] if worst else None


def _one_of_three(
    first: Complex, second: Complex, names: Sequence[str], expected: Expected
) -> Suspect | None:
    """Of three pairs that do not fit, the one whose absence leaves the most probable map.

    None can be told where two points of a photo coincide: there is no map without the third.
    """
    tried = []
    for index, name in enumerate(names):
        others = np.arange(3) != index
        if coincide(first[others]) or coincide(second[others]):
            return None
        fit = fit_similarity(first[others], second[others])
        tried.append((expected.improbability(fit), Suspect("misplaced", (name,), expected.rotation_deg(fit))))
    tried.sort(key=lambda each: each[0])
    clear = tried[0][0] < _PLAUSIBLE and tried[1][0] > tried[0][0] + _LEAD
    return tried[0][1] if clear else None
