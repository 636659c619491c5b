"""Whether what the photo gate looks at matters: error and acceptance of pairs against each of its figures.

``TORSION_PHOTOS=... python -m tests.benchmarks.gate_study --set NAME --limit-eyes 60`` on real photos, where
a pair's error is the median misfit of the triples that it belongs to, ``--results FILE.csv`` on the table of
a cohort of all pairs of each eye, likewise, or ``--preset hard --eyes 30`` on drawn ones, where it is known,
and where the pair of the photos that ``inspect`` calls best is looked at, too; ``--plot FILE.png`` draws it.
"""

import argparse
import itertools
import sys
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import cv2
import matplotlib.pyplot as plt
import numpy as np

import synthetic
import torsion
from synthetic.presets import Preset
from tests.benchmarks.drawn_photos import drawn_photos
from tests.benchmarks.photos import list_eyes, photo_folder
from tests.benchmarks.summary import count_text
from torsion.cohort.table import read_table
from torsion.flags import FLAGS
from torsion.measures import LIMITS, MEASURES
from torsion.photo_words import limit_words
from torsion.record import best_photo

if TYPE_CHECKING:
    import pandas as pd

_FIGURES = tuple(name for name in MEASURES if name != "pixels_per_degree")
_WORSE_WHEN_HIGH = {"pupil_ratio", "glare", "overexposed", "off_centre", "outside", "rounding"}
_CLOSE_DEG = 0.3  # an error below which the photos were good enough
_BINS = 8
# What two photos are to each other, and neither shows by itself.
_OF_THE_PAIR = {
    "same_picture", "mirrored", "other_side", "order_doubtful", "turned_view", "large_rotation",
    "iris_only_dilated",
}  # fmt: skip


class Measured(NamedTuple):
    """One pair: the poorer photo's figures, whether the gate let both photos through, what came of it.

    And whether its photos are those that ``inspect`` calls the best of their posture.
    """

    figures: dict[str, float]
    let_through: bool
    accepted: bool
    error_deg: float
    flags: tuple[str, ...] = ()
    chosen: bool = False

    @property
    def faults(self) -> set[str]:
        """Flags that keep it from being accepted."""
        return {name for name in self.flags if FLAGS[name].verdict != "accept"}


def _poorer(first: Mapping[str, float | None], second: Mapping[str, float | None]) -> dict[str, float]:
    """Give the worse value of each figure, NaN where neither photo has it."""
    poorer = {}
    for name in _FIGURES:
        values = [np.nan if each[name] is None else float(each[name] or 0.0) for each in (first, second)]
        poorer[name] = float((np.fmax if name in _WORSE_WHEN_HIGH else np.fmin)(*values))
    return poorer


def _measured(
    first: torsion.PreparedPhoto, second: torsion.PreparedPhoto, found: torsion.Measurement, error_deg: float
) -> Measured:
    let_through = first.verdict == second.verdict == "accept"
    poorer = _poorer(first.measures, second.measures)
    return Measured(poorer, let_through, found.verdict == "accept", error_deg, found.flags)


def measure_real(shots: Sequence[Path]) -> list[Measured]:
    """Measure all pairs of one eye; the misfit of triples stands for the error, NaN without any."""
    cv2.setNumThreads(1)
    photos = [torsion.prepare(torsion.read_photo(shot)) for shot in shots]
    pairs = list(itertools.combinations(range(len(photos)), 2))
    found = {pair: torsion.measure(photos[pair[0]], photos[pair[1]]) for pair in pairs}
    error_deg = _misfits_deg({pair: one.rotation_deg for pair, one in found.items()}, len(photos))
    return [_measured(photos[a], photos[b], found[a, b], error_deg[a, b]) for a, b in pairs]


def _misfits_deg(turns: dict[tuple[int, int], float | None], photos: int) -> dict[tuple[int, int], float]:
    """Give the median misfit of the triples that each pair belongs to, NaN without any."""
    misfits: dict[tuple[int, int], list[float]] = {pair: [] for pair in turns}
    for one, two, three in itertools.combinations(range(photos), 3):
        sides = (one, two), (two, three), (one, three)
        there, on, straight = (turns.get(side) for side in sides)
        if there is not None and on is not None and straight is not None:
            for side in sides:
                misfits[side].append(abs(there + on - straight))
    return {pair: float(np.median(found)) if found else np.nan for pair, found in misfits.items()}


def read_results(file: Path) -> list[list[Measured]]:
    """Take the pairs of each eye from the table of a cohort, each pair in the order of its names."""
    table = read_table(file)
    parts = []
    for _, eye in table[table["seated"] < table["supine"]].groupby(["patient", "eye"]):
        names = sorted({*eye["seated"], *eye["supine"]})
        places = [(names.index(row["seated"]), names.index(row["supine"])) for _, row in eye.iterrows()]
        turns = [None if np.isnan(turn) else float(turn) for turn in eye["rotation_deg"]]
        error_deg = _misfits_deg(dict(zip(places, turns, strict=True)), len(names))
        parts.append(
            [_from_row(row, error_deg[at]) for at, (_, row) in zip(places, eye.iterrows(), strict=True)]
        )
    return parts


def _from_row(row: "pd.Series[Any]", error_deg: float) -> Measured:
    seated, supine = (
        {name: row.get(f"{role}.measures.{name}", np.nan) for name in _FIGURES}
        for role in ("seated", "supine")
    )
    let_through = row["seated.verdict"] == row["supine.verdict"] == "accept"
    flags = tuple(str(row["flags"]).split(";")) if isinstance(row["flags"], str) else ()
    return Measured(_poorer(seated, supine), let_through, row["verdict"] == "accept", error_deg, flags)


def measure_drawn(
    seed: int, *, preset: Preset, shots: tuple[int, int], cache: Path | None = None
) -> list[Measured]:
    """Measure all pairs of one drawn eye, photographed so many times seated and supine."""
    cv2.setNumThreads(1)
    drawn = drawn_photos(preset, seed, shots=shots, cache=cache)
    photos = [torsion.prepare(picture.rgb) for picture in drawn]
    seated, supine = range(shots[0]), range(shots[0], sum(shots))
    best = tuple(best_photo([photos[k] for k in posture]) for posture in (seated, supine))
    measured = []
    for a, b in itertools.product(seated, supine):
        found = torsion.measure(photos[a], photos[b])
        truth = drawn[b].rotation_deg - drawn[a].rotation_deg
        error = np.nan if found.rotation_deg is None else abs(found.rotation_deg - truth)
        chosen = (a, b - shots[0]) == best
        measured.append(_measured(photos[a], photos[b], found, error)._replace(chosen=chosen))
    return measured


def report(pairs: Sequence[Measured]) -> str:
    """Whether the gate predicts the measurement, and acceptance and error in steps of each figure."""
    through = [pair for pair in pairs if pair.let_through]
    failed = [pair for pair in pairs if not pair.accepted]
    poor = [pair for pair in failed if pair.faults - _OF_THE_PAIR]
    close = [pair for pair in pairs if pair.accepted and pair.error_deg < _CLOSE_DEG]
    lines = [
        f"{len(pairs)} pairs",
        f"  both photos let through: accepted {_count(through, lambda pair: pair.accepted)}",
        f"  not accepted: a photo was marked {_count(failed, lambda pair: not pair.let_through)}",
        f"  by what a photo may show: a photo was marked {_count(poor, lambda pair: not pair.let_through)}",
        f"  within {_CLOSE_DEG} degrees: both let through {_count(close, lambda pair: pair.let_through)}",
        *_choice(pairs),
    ]
    unmarked = [pair for pair in failed if pair.let_through]
    lines.append(f"  not accepted, no photo marked: {len(unmarked)}, {_faults(unmarked)}")
    right = [pair for pair in failed if pair.error_deg < _CLOSE_DEG]
    lines.append(f"  not accepted, but within {_CLOSE_DEG} degrees: {len(right)}, {_faults(right)}")
    for name in _FIGURES:
        limit = limit_words(name)
        lines.append(f"  {name}, {limit}" if limit else f"  {name}, no limit")
        for part in _steps(pairs, name):
            error = np.array([pair.error_deg for pair in part if pair.accepted])
            error = error[np.isfinite(error)]
            shown = np.percentile(error, [50, 95]) if error.size else (np.nan, np.nan)
            low, high = part[0].figures[name], part[-1].figures[name]
            accepted = _count(part, lambda pair: pair.accepted)
            lines.append(f"    {low:8.3f} to {high:8.3f}: {accepted}, error {shown[0]:.3f} / {shown[1]:.3f}")
    return "\n".join(lines)


def _choice(pairs: Sequence[Measured]) -> list[str]:
    """Say what comes of the photos that are called best, beside all; nothing where none was chosen."""
    lines = []
    chosen = [pair for pair in pairs if pair.chosen]
    for of, part in (("all", pairs), ("the best of each posture", chosen)) if chosen else ():
        error = np.nan_to_num([pair.error_deg for pair in part], nan=np.inf)
        middle, high = np.percentile(error, [50, 95])
        accepted = _count(part, lambda pair: pair.accepted)
        lines.append(f"  {of}: accepted {accepted}, error of all {middle:.3f} / {high:.3f}")
    return lines


def _faults(pairs: Sequence[Measured]) -> str:
    counts = Counter(name for pair in pairs for name in pair.faults)
    return ", ".join(f"{name} {count}" for name, count in counts.most_common())


def _count(pairs: Sequence[Measured], holds: Callable[[Measured], bool]) -> str:
    return count_text(sum(map(holds, pairs)), len(pairs))


def _steps(pairs: Sequence[Measured], name: str) -> list[list[Measured]]:
    known = sorted(
        (pair for pair in pairs if np.isfinite(pair.figures[name])), key=lambda pair: pair.figures[name]
    )
    edges = np.linspace(0, len(known), _BINS + 1).astype(int)
    return [known[low:high] for low, high in itertools.pairwise(edges) if high > low]


def draw(pairs: Sequence[Measured], file: Path) -> None:
    """Error of each pair against each figure, accepted or not, with the limit."""
    figure, axes = plt.subplots(3, 6, figsize=(21, 10), sharey=True, layout="constrained")
    for panel, name in zip(axes.flat, _FIGURES, strict=False):
        for accepted, marker, label in ((True, ".", "accepted"), (False, "x", "review or refused")):
            part = [pair for pair in pairs if pair.accepted == accepted]
            x = [pair.figures[name] for pair in part]
            panel.semilogy(x, [max(pair.error_deg, 0.002) for pair in part], marker, label=label, alpha=0.5)
        if name in LIMITS:
            limit = LIMITS[name].least if LIMITS[name].least is not None else LIMITS[name].most
            panel.axvline(limit, color="black", linewidth=1, label="limit of the gate")
        panel.set_xlabel(name.replace("_", " "))
    for panel in axes[:, 0]:
        panel.set_ylabel("error, degrees")
    figure.supxlabel("of the poorer photo of each pair")
    axes[-1, -1].legend(*axes[0, 0].get_legend_handles_labels(), loc="center")  # the panel that is left over
    axes[-1, -1].axis("off")
    figure.savefig(file, dpi=100)
    plt.close(figure)


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.gate_study", description=__doc__)
    parser.add_argument("--set", dest="set_name", help="set of real photos")
    parser.add_argument("--limit-eyes", type=int, help="of the set, the first only")
    parser.add_argument("--results", type=Path, help="table of a cohort")
    parser.add_argument("--preset", choices=synthetic.PRESETS, default="hard")
    parser.add_argument("--eyes", type=int, default=30, help="drawn eyes")
    parser.add_argument("--first", type=int, default=0, help="number of the first drawn eye")
    parser.add_argument(
        "--shots", type=int, nargs=2, default=(2, 2), help="of a drawn eye, seated and supine"
    )
    parser.add_argument("--cache", type=Path, help="folder that keeps drawn photos for another run")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--plot", type=Path, help="file to draw to")
    given = parser.parse_args(arguments)
    folder = photo_folder()
    if given.set_name and folder is None:
        parser.error("TORSION_PHOTOS does not name a folder")
    pairs: list[Measured] = []
    with ProcessPoolExecutor(given.workers) as pool:
        if given.results:
            parts = iter(read_results(given.results)[: given.limit_eyes])
        elif given.set_name and folder:
            eyes = list(list_eyes(folder, given.set_name, limit=given.limit_eyes).values())
            parts = pool.map(measure_real, eyes)
        else:
            study = partial(measure_drawn, preset=given.preset, shots=tuple(given.shots), cache=given.cache)
            parts = pool.map(study, range(given.first, given.first + given.eyes))
        for done, part in enumerate(parts, 1):
            pairs += part
            print(f"\r{done} eyes", end="", file=sys.stderr)
    print(file=sys.stderr)
    print(report(pairs))
    if given.plot:
        draw(pairs, given.plot)


if __name__ == "__main__":
    main()
