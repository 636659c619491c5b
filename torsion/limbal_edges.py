"""Profiles across a mark at the limbus: where they have halved, and the white beside that they halve to.

A profile is read in columns of the ring, `STEP_DEG` apart; places are degrees from its first column.
"""

import math

import numpy as np
from numpy.typing import NDArray

from torsion.limbal_rows import STEP_DEG
from torsion.quantiles import mean, median, percentile

__all__ = ["WINDOW_DEG", "Flanks", "base_levels", "edges_of", "extent_of", "flanks_of", "part_of"]

Doubles = NDArray[np.float64]
Flanks = tuple[slice, slice]
"""Columns clockwise and counter-clockwise beside a mark."""

WINDOW_DEG = 80.0
"""Width of a profile."""
_LAST = round(WINDOW_DEG / STEP_DEG)
_PLACES_DEG: Doubles = np.arange(_LAST + 1, dtype=np.float64) * STEP_DEG
_SOME_WHITE = 0.4  # share of white without which a flank says nothing of the white
_ENOUGH_WHITE = 0.6
_STILL_DEG = 0.005  # edges that have moved by less do not change any more


def part_of(start_deg: float, end_deg: float) -> slice:
    """Columns from one place to another, two at least."""
    first = min(max(0, round(start_deg / STEP_DEG)), _LAST - 1)
    return slice(first, max(first + 2, round(end_deg / STEP_DEG) + 1))


def flanks_of(edges: tuple[float, float], white: Doubles) -> Flanks:
    """Columns beside a mark from which the white under it is judged.

    They lie beyond what a broad mark has run by; where a lid comes so near that no white is left there, close
    beside its edge.

    Parameters
    ----------
    edges : (float, float)
    white : (n,) ndarray
        Share of white in each column.
    """
    (start, end), width = edges, edges[1] - edges[0]
    gap, reach = 0.5 + 0.4 * width, max(2.0, 0.6 * width)
    close, short = 0.5 + 0.2 * width, 2.0  # half of the contrast is left at an edge, none half of this beyond
    left, right = part_of(start - gap - reach, start - gap), part_of(end + gap, end + gap + reach)
    if (shown := mean(white[left])) < _ENOUGH_WHITE:
        near = part_of(start - close - short, start - close)
        left = near if mean(white[near]) > shown else left
    if (shown := mean(white[right])) < _ENOUGH_WHITE:
        near = part_of(end + close, end + close + short)
        right = near if mean(white[near]) > shown else right
    return left, right


def base_levels(profile: Doubles, white: Doubles, edges: tuple[float, float]) -> tuple[float, float]:
    """Give the height of a profile in both flanks; a lid in one of them says nothing of the white there."""
    left, right = flanks_of(edges, white)
    low, high = median(profile[left]), median(profile[right])
    shown = mean(white[left]) >= _SOME_WHITE, mean(white[right]) >= _SOME_WHITE
    if shown == (False, True):
        return high, high
    return (low, low) if shown == (True, False) else (low, high)


def edges_of(profile: Doubles, white: Doubles, at: int) -> tuple[float, float] | None:
    """Places at which a profile has fallen to half of its height over the white of both flanks.

    Parameters
    ----------
    profile, white : (n,) ndarray
    at : int
        A column of the mark.

    Returns
    -------
    (float, float) or None
        None where nothing stands out.
    """
    edges = _crossings(profile, at, 0.5 * (float(profile[at]) + percentile(profile, 30.0)))
    for _ in range(3):
        width = max(edges[1] - edges[0], STEP_DEG)
        left, right = base_levels(profile, white, edges)
        top = percentile(profile[part_of(*edges)], 80.0)
        way = np.minimum(np.maximum((_PLACES_DEG - edges[0]) / width, 0.0), 1.0)
        base = left + (right - left) * way
        rise = (profile - base) / np.maximum(top - base, 1e-6)
        if top <= max(left, right) or not rise.max() > 0.5:
            return None
        near = np.abs(_PLACES_DEG - (edges[0] + edges[1]) / 2) <= width / 2 + STEP_DEG
        before, edges = edges, _crossings(rise, int(np.argmax(np.where(near, rise, -np.inf))), 0.5)
        if math.dist(before, edges) < _STILL_DEG:
            break
    return edges


def extent_of(profile: Doubles, white: Doubles, edges: tuple[float, float]) -> float:
    """Width within which the contrast stays above three times the unrest of the flanks."""
    beside = np.concatenate([profile[flank] for flank in flanks_of(edges, white)])
    unrest = 1.4826 * median(np.abs(beside - median(beside)))
    core = part_of(*edges)
    top = float(profile[core].max())
    level = min(median(beside) + max(3.0 * unrest, 0.02), 0.5 * (top + median(beside)))
    first, last = _crossings(profile, core.start + int(np.argmax(profile[core])), level)
    return max(last - first, edges[1] - edges[0])


def _crossings(profile: Doubles, at: int, level: float) -> tuple[float, float]:
    ends, last = [], len(profile) - 2
    start = min(max(at, 1), last)
    for step, side in ((-1, profile[start - 1 :: -1]), (1, profile[start + 1 :])):
        low = side[: len(side) - 1] <= level  # the last one stands for all beyond it
        here = start + step * (int(np.argmax(low)) if low.any() else len(low))
        fall = float(profile[here] - profile[here + step])
        share = float(profile[here] - level) / fall if fall > 1e-9 else 0.5
        ends.append((here + step * min(max(share, 0.0), 1.0)) * STEP_DEG)
    return ends[0], ends[1]
