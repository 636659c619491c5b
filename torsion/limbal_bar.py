"""Something dark across the limbus, measured: its edges, lean, length, density, and what lies about it.

Whether it is ink is another question.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from torsion.limbal_edges import WINDOW_DEG, edges_of, extent_of, flanks_of, part_of
from torsion.limbal_end import end_of, runs_on, stain_beyond
from torsion.limbal_lean import SOME_WHITE, Leant, lean_of
from torsion.limbal_ring import Channel, Ring
from torsion.limbal_rows import COLUMNS, STEP_DEG
from torsion.limbal_sides import fit_sides
from torsion.quantiles import mean, median

__all__ = ["LEAST", "NARROWEST_DEG", "STEEPEST", "WIDEST_DEG", "Bar", "measure_bar", "rough_edges"]

Doubles = NDArray[np.float64]

LEAST: dict[Channel, float] = {"stain": 0.07, "ink": 0.12}
"""Least signal over the surroundings: a share of the light for a stain, a density for ink.  Inks that have
faded to two fifths still have it."""
NARROWEST_DEG, WIDEST_DEG = 1.1, 20.0
"""Widths of marks: 0.11 mm, as thick as a lash, to twice what a broad mark smears to."""
STEEPEST = 60.0
"""Degrees at the limbus for each radius by which a mark leans at most: 45 degrees from straight outwards."""

_ALL_WHITE = 0.9
_TINTED = 0.06  # share by which red is weaker than blue
_WIDER = 1.15  # than a mark may be, until its sides are laid


@dataclass(frozen=True, slots=True, eq=False)
class Bar:
    """One dark bar.

    Attributes
    ----------
    start_deg, end_deg : float
        Edges at the limbus at half of its contrast, not wrapped.
    flare_deg : float
        By how much wider than between these, which are parallel to those further out, it is at the limbus.
    extent_deg, outer, density, noise_deg : float
        As of a `Stain`.
    slope : float
        Degrees by which it leans counter-clockwise for each limbus radius outwards.
    colors : (3,) ndarray
        Density in red, green and blue.
    at_limbus : float
        Share of the density that is left at the limbus.
    beside : (float, float)
        Shares of white in both flanks.
    limbus_seen : float
        Share of the flanks, the poorer one, where iris is seen within the limbus, or lids seldom reach.
    around, beyond : float
        Shares of white along both sides, the poorer one, and beyond the outer end.
    ragged : float
        By how much its sides stray from straight and parallel, share of the width; NaN where too few rows
        show them.
    cut_off : bool
        The picture ends where it seems to end.
    left_over, color_left : float
        Shares that are left beyond the outer end: of the density (0 where a lid follows), and of a blue or
        violet stain there or beside (0 for a bar that has none).
    runs_on : bool
        Something as dark and as wide goes on from its outer end to where the ring ends, over a lid too.
    shown : float or None
        Share of the density that the clean photo shows at the same place; None without one, or where a lid
        hides the place in it.
    known : float
        Share of white, not under shine, that the clean photo shows about the place; 0 without one.
    """

    start_deg: float
    end_deg: float
    flare_deg: float
    extent_deg: float
    outer: float
    density: float
    noise_deg: float
    slope: float
    colors: Doubles
    at_limbus: float
    beside: tuple[float, float]
    limbus_seen: float
    around: float
    beyond: float
    ragged: float
    cut_off: bool
    left_over: float
    color_left: float
    runs_on: bool
    shown: float | None
    known: float


def rough_edges(ring: Ring, at: int, *, channel: Channel) -> tuple[float, float] | None:
    """Edges of what stands out of a ring at a column: where its signal, lean included, has fallen to half.

    In degrees, not wrapped.  None where there are no two edges, where they are too near or too far apart for
    a mark, and where hardly any white lies beside: most of what is dark lies between lashes.
    """
    columns = _window(at)
    white, half = ring.white_band[columns], len(columns) // 2
    profile = ring.signal(channel)[ring.rows(*ring.band)][:, columns].mean(axis=0).astype(float)
    edges = edges_of(profile, white, half)
    if edges is None or not NARROWEST_DEG / 2 < edges[1] - edges[0] < _WIDER * WIDEST_DEG:
        return None
    if max(mean(white[flank]) for flank in flanks_of(edges, white)) < SOME_WHITE:
        return None
    first_deg = (at - half) * STEP_DEG
    return first_deg + edges[0], first_deg + edges[1]


def measure_bar(
    ring: Ring, edges_deg: tuple[float, float], before: Ring | None = None, *, channel: Channel
) -> Bar | None:
    """Measure what stands out of a ring.

    Parameters
    ----------
    ring : Ring
    edges_deg : (float, float)
        About where it is, see `rough_edges`.
    before : Ring, optional
        Of the same eye without ink, in register.
    channel : {"stain", "ink"}
        The one in which it stands out.

    Returns
    -------
    Bar or None
        None where it is too faint, leans too much, or has no two edges or no outer end; and where a lid lies
        beside it and it has no stain, which alone would tell it from lashes.
    """
    columns = _window(round(sum(edges_deg) / 2 / STEP_DEG))
    first_deg = round(sum(edges_deg) / 2 / STEP_DEG) * STEP_DEG - (len(columns) // 2) * STEP_DEG
    edges = edges_deg[0] - first_deg, edges_deg[1] - first_deg
    trace = _trace(ring, columns, edges, ring.rows(ring.band[0] - 0.01, ring.band[1] - 0.01), channel=channel)
    if trace is None or (min(trace.beside) < SOME_WHITE and not _is_stained(ring, trace)):
        return None
    along = ring.rows(1.02, min(trace.outer - 0.01, 1.25))  # now the whole of its length says how it leans
    trace = _trace(ring, columns, trace.edges, along, channel=channel)
    if trace is None:
        return None
    return _bar(ring, _sided(ring, trace, channel), before, first_deg=first_deg, channel=channel)


def _window(at: int) -> NDArray[np.intp]:
    """Columns about one."""
    half = round(WINDOW_DEG / 2 / STEP_DEG)
    return np.arange(at - half, at + half + 1) % COLUMNS


@dataclass(frozen=True, slots=True, eq=False)
class _Trace:
    """A bar with its lean taken out; edges in degrees from the first column of the window."""

    leant: Leant
    edges: tuple[float, float]
    beside: tuple[float, float]
    straight: Doubles
    depth: Doubles
    density: float
    outer: float
    slope: float
    noise_deg: float
    ragged: float = np.nan
    flare_deg: float = 0.0


def _trace(
    ring: Ring, columns: NDArray[np.intp], edges: tuple[float, float], rows: slice, *, channel: Channel
) -> _Trace | None:
    signal, white = ring.signal(channel)[rows][:, columns].astype(float), ring.white_band[columns]
    crossing, slope, noise = lean_of(ring.radii[rows], signal, white, edges)
    if abs(slope) > STEEPEST:
        return None
    leant = Leant(ring, columns, slope)
    near = leant.readable(ring, edges, ring.rows(ring.band[0] - 0.02, ring.band[1] - 0.02))
    straight = leant.of(ring.contrast(channel), near).mean(axis=0).astype(float)
    fine = edges_of(straight, leant.white, int(np.clip(round(crossing / STEP_DEG), 1, len(columns) - 2)))
    if fine is None or fine[1] - fine[0] > _WIDER * WIDEST_DEG:
        return None
    beside = leant.beside(ring, fine)
    if max(beside) < SOME_WHITE:
        return None
    depth = leant.depth(ring.signal(channel), fine, beside, ring.rows(*ring.radii[[0, -1]]))
    density = median(depth[ring.rows(*ring.band)])
    outer = end_of(ring, depth, density)
    if outer is None or density < LEAST[channel]:
        return None
    return _Trace(leant, fine, beside, straight, depth, density, outer, slope, noise)


def _is_stained(ring: Ring, trace: _Trace) -> bool:
    rows = ring.rows(*ring.band)
    return median(trace.leant.depth(ring.stain, trace.edges, trace.beside, rows)) > _TINTED


def _sided(ring: Ring, trace: _Trace, channel: Channel) -> _Trace:
    """Lay the sides anew, as parallel lines through all rows that can be read."""
    on_white = min(trace.leant.beside(ring, trace.edges)) >= _ALL_WHITE
    contrast = ring.red if on_white else ring.contrast(channel)  # red is the sharper: photos blur colour
    along = trace.leant.readable(ring, trace.edges, ring.rows(1.03, min(trace.outer - 0.02, 1.30)))
    sides = fit_sides(
        ring.radii[along],
        trace.leant.of(contrast, along).astype(float),
        trace.edges,
        flanks=trace.leant.flanks(trace.edges),
        slope=trace.slope,
    )
    if sides is None or sides.start_deg >= sides.end_deg:
        return trace
    return replace(
        trace,
        edges=(sides.start_deg, sides.end_deg),
        slope=sides.slope,
        noise_deg=sides.noise_deg,
        ragged=sides.ragged_deg / (sides.end_deg - sides.start_deg),
        flare_deg=sides.flare_deg,
    )


def _bar(ring: Ring, trace: _Trace, before: Ring | None, *, first_deg: float, channel: Channel) -> Bar:
    (start, end), leant, band = trace.edges, trace.leant, ring.rows(*ring.band)
    beside, flanks = leant.beside(ring, trace.edges), leant.flanks(trace.edges)
    along = leant.of(ring.white, ring.rows(1.04, trace.outer))
    past, beyond = (ring.rows(trace.outer + 0.02, trace.outer + reach) for reach in (0.12, 0.10))
    white_past = leant.of(ring.white, past)
    open_beyond = min(mean(white_past[:, flank]) for flank in flanks) > SOME_WHITE
    white_beyond = white_past[: beyond.stop - beyond.start, part_of(start - 1.0, end + 1.0)]
    stain = median(leant.depth(ring.stain, trace.edges, beside, band))
    color_left = stain_beyond(ring, leant, trace.edges, past) / stain if stain > _TINTED else 0.0

    def density(values: NDArray[np.float32]) -> float:
        return median(leant.depth(values, trace.edges, beside, band))

    shown, known = None, 0.0 if before is None else _white_before(before, leant, trace)
    if before is not None and known > SOME_WHITE:
        shown = density(before.signal(channel)) / trace.density
    return Bar(
        first_deg + start,
        first_deg + end,
        trace.flare_deg,
        extent_of(trace.straight, leant.white, trace.edges),
        trace.outer,
        density(ring.ink),
        trace.noise_deg,
        trace.slope,
        np.array([density(ring.density[k]) for k in range(3)]),
        mean(trace.depth[ring.rows(1.01, 1.05)]) / trace.density,
        beside,
        min(mean(leant.limbus_seen[flank]) for flank in flanks),
        min(mean(along[:, flank]) for flank in flanks),
        mean(white_beyond),
        trace.ragged,
        mean(leant.of(ring.outside, beyond)[:, part_of(start, end)]) > SOME_WHITE,
        median(trace.depth[past]) / trace.density if open_beyond else 0.0,
        color_left,
        runs_on(ring, leant, trace.edges, trace.outer, density(ring.ink)),
        shown,
        known,
    )


def _white_before(before: Ring, leant: Leant, trace: _Trace) -> float:
    start, end = trace.edges
    white = leant.of(before.white & ~before.shine, before.rows(*before.band))
    return mean(white[:, part_of(start - 2.0, end + 2.0)])
