"""Whether what the photo gate looks at matters: error and acceptance of pairs against each of its figures.

``TORSION_PHOTOS=... python -m tests.benchmarks.gate_study --set NAME --limit-eyes 60`` on real photos, where
a pair's error is the median misfit of the triples that it belongs to, or ``--preset hard --eyes 30`` on drawn
ones, where it is known; ``--plot FILE.png`` draws it.
"""

import argparse
import itertools
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import NamedTuple

import cv2
import matplotlib.pyplot as plt
import numpy as np

import synthetic
import torsion
from tests.benchmarks.photos import list_eyes, photo_folder
from tests.benchmarks.summary import count_text
from torsion.quality import MIN_FOCUS, MIN_RADIUS_PX, MIN_UPPER_AND_LOWER

_LIMITS = {
    "limbus_radius_px": MIN_RADIUS_PX,
    "focus": MIN_FOCUS,
    "exposed": MIN_UPPER_AND_LOWER,
    "iris_valid": None,
    "limbus_valid": None,
    "limbus_contrast": None,
}
_CLOSE_DEG = 0.3  # an error below which the photos were good enough
_BINS = 8


class Measured(NamedTuple):
    """One pair: the poorer photo's figures, whether the gate let both photos through, what came of it."""

    figures: dict[str, float]
    let_through: bool
    accepted: bool
    error_deg: float


def _figures(photo: torsion.PreparedPhoto) -> dict[str, float]:
    values = {name: np.nan if value is None else value for name, value in photo.measures.items()}
    values["exposed"] = 0.5 * (values["exposed_upper"] + values["exposed_lower"])
    return {name: values[name] for name in _LIMITS}


def _measured(
    first: torsion.PreparedPhoto, second: torsion.PreparedPhoto, found: torsion.Measurement, error_deg: float
) -> Measured:
    figures = [_figures(photo) for photo in (first, second)]
    poorer = {name: float(np.fmin(figures[0][name], figures[1][name])) for name in _LIMITS}
    let_through = first.verdict == second.verdict == "accept"
    return Measured(poorer, let_through, found.verdict == "accept", error_deg)


def measure_real(shots: Sequence[Path]) -> list[Measured]:
    """Measure all pairs of one eye; the misfit of triples stands for the error, NaN without any."""
    cv2.setNumThreads(1)
    photos = [torsion.prepare(torsion.read_photo(shot)) for shot in shots]
    pairs = list(itertools.combinations(range(len(photos)), 2))
    found = {pair: torsion.measure(photos[pair[0]], photos[pair[1]]) for pair in pairs}
    misfits: dict[tuple[int, int], list[float]] = {pair: [] for pair in pairs}
    for one, two, three in itertools.combinations(range(len(photos)), 3):
        sides = (one, two), (two, three), (one, three)
        turns = [found[side].rotation_deg for side in sides]
        if turns[0] is not None and turns[1] is not None and turns[2] is not None:
            for side in sides:
                misfits[side].append(abs(turns[0] + turns[1] - turns[2]))
    return [
        _measured(
            photos[first],
            photos[second],
            found[first, second],
            float(np.median(misfits[first, second])) if misfits[first, second] else np.nan,
        )
        for first, second in pairs
    ]


def measure_drawn(seed: int, *, preset: synthetic.presets.Preset) -> list[Measured]:
    """Measure two pairs of one drawn eye."""
    cv2.setNumThreads(1)
    eye = synthetic.random_eye(np.random.default_rng(seed))
    measured = []
    for pair in range(2):
        drawn = synthetic.draw_pair(eye, preset, np.random.default_rng([seed, pair]), rotation_deg=4.0)
        first, second = (torsion.prepare(picture.rgb) for picture in drawn)
        found = torsion.measure(first, second)
        truth = drawn[1].rotation_deg - drawn[0].rotation_deg
        error = np.nan if found.rotation_deg is None else abs(found.rotation_deg - truth)
        measured.append(_measured(first, second, found, error))
    return measured


def report(pairs: Sequence[Measured]) -> str:
    """Whether the gate predicts the measurement, and acceptance and error in steps of each figure."""
    through = [pair for pair in pairs if pair.let_through]
    failed = [pair for pair in pairs if not pair.accepted]
    close = [pair for pair in pairs if pair.accepted and pair.error_deg < _CLOSE_DEG]
    lines = [
        f"{len(pairs)} pairs",
        f"  both photos let through: accepted {_count(through, lambda pair: pair.accepted)}",
        f"  not accepted: a photo was marked {_count(failed, lambda pair: not pair.let_through)}",
        f"  within {_CLOSE_DEG} degrees: both let through {_count(close, lambda pair: pair.let_through)}",
    ]
    for name, limit in _LIMITS.items():
        lines.append(f"  {name}, limit {limit}")
        for part in _steps(pairs, name):
            error = np.array([pair.error_deg for pair in part if pair.accepted])
            error = error[np.isfinite(error)]
            shown = np.percentile(error, [50, 95]) if error.size else (np.nan, np.nan)
            low, high = part[0].figures[name], part[-1].figures[name]
            accepted = _count(part, lambda pair: pair.accepted)
            lines.append(f"    {low:8.3f} to {high:8.3f}: {accepted}, error {shown[0]:.3f} / {shown[1]:.3f}")
    return "\n".join(lines)


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
    figure, axes = plt.subplots(2, 3, figsize=(12, 7), sharey=True, layout="constrained")
    for panel, (name, limit) in zip(axes.flat, _LIMITS.items(), strict=True):
        for accepted, marker, label in ((True, ".", "accepted"), (False, "x", "review or refused")):
            part = [pair for pair in pairs if pair.accepted == accepted]
            x = [pair.figures[name] for pair in part]
            panel.semilogy(x, [max(pair.error_deg, 0.002) for pair in part], marker, label=label, alpha=0.5)
        if limit is not None:
            panel.axvline(limit, color="black", linewidth=1, label="limit of the gate")
        panel.set_xlabel(f"{name.replace('_', ' ')} of the poorer photo")
    for panel in axes[:, 0]:
        panel.set_ylabel("error, degrees")
    axes[0, 0].legend(loc="upper right")
    figure.savefig(file, dpi=100)
    plt.close(figure)


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.gate_study", description=__doc__)
    parser.add_argument("--set", dest="set_name", help="set of real photos")
    parser.add_argument("--limit-eyes", type=int, help="of the set, the first only")
    parser.add_argument("--preset", choices=synthetic.PRESETS, default="hard")
    parser.add_argument("--eyes", type=int, default=30, help="drawn eyes")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--plot", type=Path, help="file to draw to")
    given = parser.parse_args(arguments)
    folder = photo_folder()
    if given.set_name and folder is None:
        parser.error("TORSION_PHOTOS does not name a folder")
    pairs: list[Measured] = []
    with ProcessPoolExecutor(given.workers) as pool:
        if given.set_name and folder:
            eyes = list(list_eyes(folder, given.set_name, limit=given.limit_eyes).values())
            parts = pool.map(measure_real, eyes)
        else:
            parts = pool.map(partial(measure_drawn, preset=given.preset), range(given.eyes))
        for done, part in enumerate(parts, 1):
            pairs += part
            print(f"\r{done} eyes", end="", file=sys.stderr)
    print(file=sys.stderr)
    print(report(pairs))
    if given.plot:
        draw(pairs, given.plot)


if __name__ == "__main__":
    main()
