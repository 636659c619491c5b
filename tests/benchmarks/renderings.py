"""Error, acceptance and coverage on drawn pairs whose rotation is known.

``python -m tests.benchmarks.renderings --preset moderate --eyes 50 --pairs 10``
"""

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

import numpy as np

import synthetic
import torsion
from tests.benchmarks.summary import count_text


class Drawn(NamedTuple):
    """One drawn pair, measured."""

    error_deg: float
    stated_deg: float
    verdict: str
    flags: tuple[str, ...]


def measure_eye(task: tuple[str, int, int]) -> list[Drawn]:
    """Measure some pairs of one drawn eye; its textures are drawn once."""
    preset, seed, pairs = task
    eye = synthetic.random_eye(np.random.default_rng(seed))
    drawn = []
    for pair in range(pairs):
        seated, supine = synthetic.draw_pair(eye, preset, np.random.default_rng([seed, pair]))
        found = torsion.measure(seated.rgb, supine.rgb, eye=eye.laterality)
        truth = supine.rotation_deg - seated.rotation_deg
        rotation = np.nan if found.rotation_deg is None else found.rotation_deg
        stated = found.standard_uncertainty_deg
        drawn.append(
            Drawn(rotation - truth, np.nan if stated is None else stated, found.verdict, found.flags)
        )
    return drawn


def report(preset: str, drawn: Sequence[Drawn]) -> str:
    """Table of one preset as text."""
    lines = [f"{preset}: {len(drawn)} pairs"]
    for verdict in ("accept", "review"):
        kept = [pair for pair in drawn if pair.verdict == verdict]
        lines.append(f"  {verdict:8} {count_text(len(kept), len(drawn))}")
        if not kept:
            continue
        error, stated = (
            np.abs([pair.error_deg for pair in kept]),
            np.array([pair.stated_deg for pair in kept]),
        )
        median, high, top = np.percentile(error, [50, 95, 99])
        lines.append(f"    error {median:.3f} median, {high:.3f} 95th, {top:.3f} 99th percentile")
        lines.append(f"    worst {error.max():.3f}")
        over = int((error > 1.0).sum())
        covered = int((error <= 1.96 * stated).sum())
        lines.append(f"    over 1 degree {over}; interval covers {count_text(covered, len(kept))}")
        lines.append(f"    stated {np.median(stated):.3f} median")
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.renderings", description=__doc__)
    parser.add_argument("--preset", action="append", choices=synthetic.PRESETS, help="may be repeated")
    parser.add_argument("--eyes", type=int, default=50)
    parser.add_argument("--pairs", type=int, default=10, help="for each eye")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args(arguments)
    for preset in given.preset or ["moderate"]:
        tasks = [(preset, seed, given.pairs) for seed in range(given.eyes)]
        drawn: list[Drawn] = []
        with ProcessPoolExecutor(given.workers) as pool:
            for done, part in enumerate(pool.map(measure_eye, tasks), 1):
                drawn += part
                print(f"\r{preset} {done}/{given.eyes}", end="", file=sys.stderr)
        print(file=sys.stderr)
        print(report(preset, drawn), flush=True)


if __name__ == "__main__":
    main()
