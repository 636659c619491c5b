"""The two sides of a bar across the limbus, as parallel lines through where its contrast has halved.

A pen leaves patches.  A level taken from the whole bar would move a side in wherever a patch beside it is
thin; so each side is read against the ink next to it, a few rows at a time, and one pair of lines is laid
through all of them and continued to the limbus.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from torsion.limbal_edges import Flanks
from torsion.limbal_rows import STEP_DEG
from torsion.quantiles import median

__all__ = ["Sides", "fit_sides"]

Doubles = NDArray[np.float64]

_ROWS = 3  # read together: the ring is smoothed by about as much
_LEAST = 3  # groups of rows
# Spread of the lean, degrees a radius: a pen is held within 15 degrees from straight outwards.
_SLOPE_DEG = 15.0
_FLARE = 0.5  # likewise of each side from their common lean, widths a radius: few strokes taper
_TAPERS = 3.0  # standard uncertainties from which a taper is believed, which patches of ink look like
_JITTER_DEG = 0.1  # that a side is read with at best
_PATCH = 2.0  # groups that share a patch of ink, and so their error


@dataclass(frozen=True, slots=True)
class Sides:
    """Where both sides cross the limbus, in degrees from the first column, and how sure that is.

    Attributes
    ----------
    start_deg, end_deg : float
    slope : float
        Degrees by which both lean counter-clockwise for each limbus radius outwards.
    noise_deg : float
        Standard uncertainty of their middle from the raggedness of the ink.
    ragged_deg : float
        Root mean square by which the sides stray from straight and parallel, as those of a spot do; the
        sharper side counts more.
    flare_deg : float
        By how much wider than these parallel sides it is at the limbus, as a stroke is that tapers outwards.
    """

    start_deg: float
    end_deg: float
    slope: float
    noise_deg: float
    ragged_deg: float
    flare_deg: float


def fit_sides(
    radii: Doubles, red: Doubles, edges: tuple[float, float], *, flanks: Flanks, slope: float = 0.0
) -> Sides | None:
    """Lay parallel lines through the sides of a bar.

    Parameters
    ----------
    radii : (n,) ndarray
        Limbus radii of the rows, all on the white.
    red : (n, m) ndarray
        Share of the red light that is missing; columns `STEP_DEG` apart, a lean of `slope` taken out.
    edges : (float, float)
        About where the sides are, degrees from the first column.
    flanks : (slice, slice)
        Columns that show the white on either side.
    slope : float, default 0
        The lean that was taken out.

    Returns
    -------
    Sides or None
        None where fewer than three groups of rows show a side.
    """
    groups = np.array_split(np.arange(len(radii)), min(max(_LEAST, len(radii) // _ROWS), len(radii)))
    out = np.array([radii[group].mean() - 1.0 for group in groups])
    profiles = [red[group].mean(axis=0) for group in groups]
    read = np.array([_side(p, edges, flanks, step) for step in (-1, 1) for p in profiles])
    at, soft = read.T
    seen = np.isfinite(at)
    if seen.reshape(2, -1).sum(axis=1).min() < _LEAST:
        return None
    left = np.repeat([1.0, 0.0], len(out))
    basis = np.column_stack([left, 1.0 - left, np.r_[out, out]])[seen]
    at, soft = at[seen], soft[seen]
    soft /= median(soft)
    fit, covariance = _lines(basis, at, soft, np.array([_SLOPE_DEG]), np.array([-slope]))
    flared = np.column_stack([basis, np.where(basis[:, 0] > 0, -1.0, 1.0) * basis[:, 2]])
    held = np.array([_SLOPE_DEG, _FLARE * (edges[1] - edges[0])])
    wide, spread = _lines(flared, at, soft, held, np.array([-slope, 0.0]))
    noise = float(np.sqrt((covariance[0, 0] + covariance[1, 1] + 2.0 * covariance[0, 1]) / 4.0))
    ragged = float(np.sqrt(np.average((at - basis @ fit) ** 2, weights=soft**-2)))
    tapers = abs(float(wide[3])) > _TAPERS * float(np.sqrt(spread[3, 3]))
    flare = float(wide[1] - wide[0] - fit[1] + fit[0]) if tapers else 0.0
    return Sides(float(fit[0]), float(fit[1]), slope + float(fit[2]), noise, ragged, flare)


def _lines(
    basis: Doubles, at: Doubles, soft: Doubles, spreads: Doubles, means: Doubles
) -> tuple[Doubles, Doubles]:
    """Robust least squares (J. Tukey's biweight), all but two unknowns held near means; also the covariance.

    Where ink has run the side is soft, and by so much it is read less well.
    """
    weight, spread = np.ones(len(at)), 0.3
    hold = np.r_[0.0, 0.0, spreads**-2]
    drawn = np.r_[0.0, 0.0, means * spreads**-2]
    fit, normal = np.zeros(len(hold)), np.eye(len(hold))
    for _ in range(6):
        precision = weight / (_PATCH * spread**2 * soft**2)
        normal = basis.T @ (basis * precision[:, None])
        normal += np.diag(hold)
        pull = basis.T @ (precision * at) + drawn
        fit = np.linalg.solve(normal, pull)
        miss = (at - basis @ fit) / soft
        spread = max(_JITTER_DEG, 1.4826 * median(np.abs(miss)))
        weight = np.clip(1.0 - (miss / (4.0 * spread)) ** 2, 0.01, None) ** 2
    return fit, np.asarray(np.linalg.inv(normal), np.float64)


def _side(profile: Doubles, edges: tuple[float, float], flanks: Flanks, step: int) -> tuple[float, float]:
    """Place at which one side has halved from the ink next to it to the white beside it, and its softness.

    The softness is the way in degrees over which it would fall from all to nothing; both NaN if far off.
    """
    width = edges[1] - edges[0]
    middle, edge = sum(edges) / 2, edges[0] if step < 0 else edges[1]
    last = len(profile) - 1
    core = np.clip(np.rint(np.array(sorted((middle, edge))) / STEP_DEG).astype(int), 1, last - 1)
    flank = profile[flanks[0 if step < 0 else 1]]
    here = core[0] + int(np.argmax(profile[core[0] : core[1] + 1]))
    top, base = float(profile[here]), median(flank) if len(flank) else np.nan
    level = (top + base) / 2.0
    while 0 < here + step < last and profile[here + step] > level:
        here += step
    fall = float(profile[here] - profile[here + step])
    share = float(np.clip((profile[here] - level) / fall, 0.0, 1.0)) if fall > 1e-9 else 0.5
    place = (here + step * share) * STEP_DEG
    ends = np.clip([here - 2 * step, here + 3 * step], 0, last)
    steepness = float(profile[ends[0]] - profile[ends[1]]) / (5 * STEP_DEG)
    if not (abs(place - edge) < 0.5 * width + 1.0 and top > base):
        return np.nan, np.nan
    return place, float(np.clip((top - base) / max(steepness, 1e-6), 0.5, 20.0))
