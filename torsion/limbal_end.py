"""The outer end of a bar across the limbus: where it is, and whether anything goes on beyond it."""

import numpy as np
from numpy.typing import NDArray

from torsion.limbal_edges import part_of
from torsion.limbal_lean import Leant
from torsion.limbal_ring import Ring
from torsion.limbal_rows import STEP_DEG
from torsion.quantiles import mean, median, percentile

__all__ = ["end_of", "runs_on", "stain_beyond"]

Doubles = NDArray[np.float64]

_LAST = 1.49  # limbus radii: what has not ended here is hair, a lid or an instrument
_PATCH_ROWS = 5  # 0.3 mm: a pale patch in a pen's stroke is shorter
_ASIDE = 30.0  # degrees a radius by which an instrument may leave the line of the bar
_FEW = 4  # samples, of which nothing is told


def end_of(ring: Ring, depth: Doubles, density: float) -> float | None:
    """Radius from which less than half is left for longer than a patch; None where it runs on.

    Parameters
    ----------
    ring : Ring
    depth : (R,) ndarray
        Of the bar in each row.
    density : float
        Of the bar as a whole.
    """
    rows = ring.rows(min(1.06, ring.band[1]), ring.radii[-1])
    low = depth[rows] < 0.5 * density
    gone = np.convolve(low, np.ones(_PATCH_ROWS), "valid") > _PATCH_ROWS - 0.5
    if not gone.any():
        return None
    outer = float(ring.radii[rows][int(np.argmax(gone))])
    return outer if outer <= _LAST else None


def runs_on(ring: Ring, leant: Leant, edges: tuple[float, float], outer: float, density: float) -> bool:
    """Tell whether half of a bar's density is left, in as broad a bar, all the way from its end outwards.

    Ink ends on the white or goes under a lid.  An instrument goes on, over a lid too; and since it does not
    point at the middle of the eye, it does so aside of where a lean that pens have leads.

    Parameters
    ----------
    ring : Ring
    leant : Leant
        The ring about the bar, its lean taken out.
    edges : (float, float)
    outer : float
        Where the bar seems to end.
    density : float
    """
    (start, end), rows = edges, ring.rows(outer, ring.radii[-1])
    signal = leant.of(ring.ink, rows)
    half = max(1, round(0.3 * (end - start) / STEP_DEG))  # a lash fills one half of the core
    total = np.cumsum(np.pad(signal, ((0, 0), (1, 0))), axis=1, dtype=float)
    mean_of = (total[:, half:] - total[:, :-half]) / half
    first = np.arange(2 * half, mean_of.shape[1] - 3 * half)  # of the core; beyond gaps lies as much
    core = np.minimum(mean_of[:, first], mean_of[:, first + half])
    stands = core - np.maximum(mean_of[:, first - 2 * half], mean_of[:, first + 3 * half])
    aside = np.abs((first + half) * STEP_DEG - (start + end) / 2) - (end - start) / 2
    within = aside <= _ASIDE * (ring.radii[rows] - outer)[:, None]
    low = np.where(within, stands, -np.inf).max(axis=1) < 0.5 * density
    size = min(_PATCH_ROWS, len(low))
    return not (np.convolve(low, np.ones(size), "valid") > size - 0.5).any()


def stain_beyond(ring: Ring, leant: Leant, edges: tuple[float, float], past: slice) -> float:
    """How much of a stain is left beyond the outer end, above what the white has of its own.

    The white has a tint of its own, bluish where it is thin, and noise.  It is taken beside the mark and, as
    far out as the end, further away, since beside redness about the limbus the white beyond it is bluish.

    Parameters
    ----------
    ring : Ring
    leant : Leant
    edges : (float, float)
    past : slice
        Rows beyond the end.
    """
    (start, end), width = edges, edges[1] - edges[0]
    left = leant.of(ring.stain, past)
    around = median(np.percentile(left[:, part_of(start - width, end + width)], 80, axis=1))
    tints = [leant.of(ring.stain, ring.rows(*ring.band))[:, flank] for flank in leant.flanks(edges)]
    own = mean(np.array([percentile(tint, 80.0) for tint in tints]))
    white = leant.of(ring.white, past) > 0
    away = (part_of(start - 4.0 * width, start - 1.5 * width), part_of(end + 1.5 * width, end + 4.0 * width))
    far = [tint for part in away if (tint := left[:, part][white[:, part]]).size > _FEW]
    return around - max(own, *(percentile(tint, 80.0) for tint in far), 0.0)
