"""Lean of a bar across the limbus: how it is found, and the ring with it taken out."""

import numpy as np
from numpy.typing import NDArray

from torsion.limbal_edges import Flanks, flanks_of, part_of
from torsion.limbal_ring import Ring
from torsion.limbal_rows import COLUMNS, STEP_DEG
from torsion.quantiles import mean, percentile, row_medians

__all__ = ["SOME_WHITE", "Leant", "lean_of"]

Doubles = NDArray[np.float64]

SOME_WHITE = 0.4
"""Share of white from which what lies beside a bar, or under it, counts as white."""
_ALL = slice(None)
_FEW_ROWS = 4


class Leant:
    """Maps of the ring about a candidate, with its lean taken out: each row moved along with it."""

    def __init__(self, ring: Ring, columns: NDArray[np.intp], slope: float) -> None:
        aside = np.arctan(np.radians(slope))  # a straight stroke that leans passes beside the middle
        lean = np.degrees(aside - np.arcsin(np.clip(np.sin(aside) / ring.radii, -1.0, 1.0)))
        shift = np.rint(lean / STEP_DEG).astype(int)
        places = (columns[None, :] + shift[:, None]) % COLUMNS
        self._places = places + COLUMNS * np.arange(len(shift))[:, None]
        self.limbus_seen = ring.limbus_seen[columns]
        self.white = self.of(ring.white, ring.rows(*ring.band)).mean(axis=0)

    def flanks(self, edges: tuple[float, float]) -> Flanks:
        """Columns to the left and right of a bar between edges, degrees from the first column."""
        return flanks_of(edges, self.white)

    def of(
        self, values: NDArray[np.float32] | NDArray[np.bool_], rows: slice, columns: slice = _ALL
    ) -> NDArray[np.float32]:
        """Values of a map of the ring in rows and columns of the window, its lean taken out."""
        return np.asarray(values.reshape(-1)[self._places[rows, columns]], np.float32)

    def depth(
        self, values: NDArray[np.float32], edges: tuple[float, float], trust: tuple[float, float], rows: slice
    ) -> Doubles:
        """In each row, how much higher the core is than the flanks, each as far as it is trusted."""
        width = edges[1] - edges[0]
        core = part_of(edges[0] + 0.2 * width, edges[1] - 0.2 * width)
        left, right = (row_medians(self.of(values, rows, flank)) for flank in self.flanks(edges))
        first, last = (weight**2 + 1e-3 for weight in trust)
        base = (first * left.astype(float) + last * right) / (first + last)
        return np.asarray(self.of(values, rows, core).mean(axis=1) - base)

    def readable(self, ring: Ring, edges: tuple[float, float], rows: slice) -> slice:
        """Rows from the limbus outwards until one flank is no longer white; all where that is at once."""
        left, right = (self.of(ring.white, rows, flank).mean(axis=1) for flank in self.flanks(edges))
        poor = np.minimum(left, right) < SOME_WHITE
        count = int(np.argmax(poor)) if poor.any() else len(poor)
        return slice(rows.start, rows.start + count) if count >= _FEW_ROWS else rows

    def beside(self, ring: Ring, edges: tuple[float, float]) -> tuple[float, float]:
        """Shares of white in both flanks where the bar crosses the limbus, as far as it can be read."""
        rows = self.readable(ring, edges, ring.rows(*ring.band))
        left, right = (mean(self.of(ring.white, rows, flank)) for flank in self.flanks(edges))
        return left, right


def lean_of(
    radii: Doubles, ink: Doubles, white: Doubles, edges: tuple[float, float]
) -> tuple[float, float, float]:
    """Where the middle of a bar crosses the limbus, its slope, and the uncertainty of the crossing."""
    width = edges[1] - edges[0]
    wide = part_of(edges[0] - 0.5 * width - 1.0, edges[1] + 0.5 * width + 1.0)
    flanks = flanks_of(edges, white)
    left, right = (row_medians(ink[:, flank]) for flank in flanks)
    first, last = (mean(white[flank]) ** 2 + 1e-3 for flank in flanks)
    lift = ink[:, wide] - ((first * left + last * right) / (first + last))[:, None]
    lift = np.maximum(lift - 0.3 * percentile(lift, 90.0), 0.0)
    weight = lift.sum(axis=1) + 1e-9
    middle = (lift @ (np.arange(wide.start, wide.start + lift.shape[1]) * STEP_DEG)) / weight
    weight /= weight.sum()
    out = radii - 1.0
    out_mean, middle_mean = float(weight @ out), float(weight @ middle)
    spread = float(weight @ (out - out_mean) ** 2)
    slope = float(weight @ ((out - out_mean) * (middle - middle_mean))) / max(spread, 1e-9)
    scatter = float(weight @ (middle - middle_mean - slope * (out - out_mean)) ** 2) + 0.05**2
    count = max(1.0, len(out) / 3.0)  # rows are smoothed: three of them are worth one
    slope *= spread / (spread + scatter / count / 20.0**2)  # pens are held within 20 degrees a radius
    noise = np.sqrt(scatter / count * (1.0 + out_mean**2 / max(spread, 1e-9)))
    return middle_mean - slope * out_mean, slope, min(float(noise), width / 2)
