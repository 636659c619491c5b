"""Error, acceptance and coverage on drawn pairs whose rotation is known.

``python -m tests.benchmarks.renderings --preset moderate --eyes 100 --seated 4 --supine 5 --out FILE.jsonl``

Each eye is photographed several times in each posture and all pairs are measured, so that many pairs cost few
pictures.  Finished eyes stand in the file, a line each: run again, the study goes on where it was stopped.
"""

import argparse
import itertools
import json
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.stats import spearmanr

import synthetic
import torsion
from synthetic.presets import Preset
from tests.benchmarks.drawn_photos import drawn_photos
from tests.benchmarks.summary import count_text


class Task(NamedTuple):
    """One eye of one class to be photographed and measured."""

    preset: Preset
    seed: int
    seated: int
    supine: int


class Drawn(NamedTuple):
    """One drawn pair, measured; NaN where nothing was found."""

    error_deg: float
    stated_deg: float
    verdict: str
    flags: tuple[str, ...]


def measure_eye(task: Task, cache: Path | None) -> list[Drawn]:
    """Measure all pairs of one drawn eye; its textures are drawn once, its photos are prepared once."""
    cv2.setNumThreads(1)  # the workers share the cores
    prepared: tuple[list[tuple[float, torsion.PreparedPhoto]], ...] = ([], [])
    for photo in drawn_photos(task.preset, task.seed, shots=(task.seated, task.supine), cache=cache):
        prepared[photo.posture].append((photo.rotation_deg, torsion.prepare(photo.rgb, eye=photo.eye)))
    drawn = []
    for (first, seated), (second, supine) in itertools.product(*prepared):
        found = torsion.measure(seated, supine)
        rotation = np.nan if found.rotation_deg is None else found.rotation_deg
        stated = np.nan if found.standard_uncertainty_deg is None else found.standard_uncertainty_deg
        drawn.append(Drawn(rotation - (second - first), stated, found.verdict, found.flags))
    return drawn


def measure_all(
    tasks: Sequence[Task], file: Path | None, *, cache: Path | None, workers: int
) -> dict[Task, list[Drawn]]:
    """Measure all eyes that the file does not hold yet, and add each to it as soon as it is done."""
    done = dict(_read(file)) if file and file.exists() else {}
    rest = [task for task in tasks if task not in done]
    with ProcessPoolExecutor(workers) as pool:
        measured = pool.map(partial(measure_eye, cache=cache), rest)
        for count, (task, drawn) in enumerate(zip(rest, measured, strict=True), 1):
            done[task] = drawn
            if file:
                with file.open("a") as out:
                    out.write(json.dumps([task, drawn]) + "\n")
            print(f"\r{count} of {len(rest)} eyes", end="", file=sys.stderr)
    print(file=sys.stderr)
    return {task: done[task] for task in tasks if task in done}


def _read(file: Path) -> Iterator[tuple[Task, list[Drawn]]]:
    for line in file.read_text().splitlines():
        task, drawn = json.loads(line)
        yield (
            Task(*task),
            [Drawn(error, stated, verdict, tuple(flags)) for error, stated, verdict, flags in drawn],
        )


def report(preset: str, eyes: Sequence[list[Drawn]]) -> str:
    """Table of one preset as text."""
    drawn = [pair for eye in eyes for pair in eye]
    lines = [f"{preset}: {len(drawn)} pairs of {len(eyes)} eyes"]
    for verdict in ("accept", "review"):
        kept = [pair for pair in drawn if pair.verdict == verdict]
        lines.append(f"  {verdict:8} {count_text(len(kept), len(drawn))}")
        if not kept:
            continue
        error = np.abs([pair.error_deg for pair in kept])
        stated = np.array([pair.stated_deg for pair in kept])
        within = error <= 1.96 * stated
        median, high, top = np.percentile(error, [50, 95, 99])
        lines.append(f"    error {median:.3f} median, {high:.3f} 95th, {top:.3f} 99th percentile")
        lines.append(f"    worst {error.max():.3f}; over 1 degree {int((error > 1.0).sum())}")
        lines.append(f"    interval covers {count_text(int(within.sum()), len(kept))}")
        thirds = np.array_split(np.argsort(stated), 3)
        shares = ", ".join(f"{100 * within[third].mean():.0f}" for third in thirds if len(third))
        rank = (
            f"{spearmanr(error, stated).statistic:.2f} ({_best_rank(stated):.2f})" if len(kept) > 2 else "-"
        )
        lines.append(f"    in thirds of what is stated {shares} %")
        lines.append(f"    Spearman, and what it would be if all that is stated were exact: {rank}")
        lines.append(f"    stated {np.median(stated):.3f} median")
    return "\n".join(lines)


def _best_rank(stated: NDArray[np.float64]) -> float:
    """Rank correlation of errors drawn from normal distributions with what is stated, mean of 50 draws.

    Errors scatter even where their standard deviation is known; the less it differs between pairs, the less
    any statement can rank them.
    """
    rng = np.random.default_rng(0)
    draws = (np.abs(rng.normal(0.0, stated)) for _ in range(50))
    return float(np.mean([spearmanr(errors, stated).statistic for errors in draws]))


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.renderings", description=__doc__)
    parser.add_argument("--preset", action="append", choices=synthetic.PRESETS, help="may be repeated")
    parser.add_argument("--eyes", type=int, default=50)
    parser.add_argument("--first", type=int, default=0, help="number of the first eye")
    parser.add_argument("--seated", type=int, default=2, help="photos of each eye")
    parser.add_argument("--supine", type=int, default=3, help="photos of each eye")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, help="file to which finished eyes are added")
    parser.add_argument("--cache", type=Path, help="folder that keeps drawn photos for another run")
    given = parser.parse_args(arguments)
    presets = given.preset or ["moderate"]
    tasks = [
        Task(preset, given.first + number, given.seated, given.supine)
        for number in range(given.eyes)
        for preset in presets
    ]
    done = measure_all(tasks, given.out, cache=given.cache, workers=given.workers)
    for preset in presets:
        print(report(preset, [drawn for task, drawn in done.items() if task.preset == preset]), flush=True)


if __name__ == "__main__":
    main()
