"""What a cohort costs and survives: gain of a second worker, memory, kills.

``python -m tests.benchmarks.cohort_study gain|memory|kills [--pairs N] [--turns N] [--plot FILE.png]``
"""

import argparse
import math
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import psutil

from tests.benchmarks.cohort_memory import memory
from tests.benchmarks.cohort_photos import draw_cohort
from torsion.cohort.executors import Processes
from torsion.cohort.manifest import Manifest, read_manifest
from torsion.cohort.pairs import measure_group
from torsion.cohort.run import STORE_NAME, run_cohort
from torsion.cohort.store import Store, StoreError

KILLS = 5


# ---- Gain of the second worker ----

BARE_S = 3.0  # of each bare loop


def loop(seconds: float) -> int:
    """Count turns of a loop that only computes, for so long."""
    end, turns = time.perf_counter() + seconds, 0
    while time.perf_counter() < end:
        sum(k * k for k in range(10_000))
        turns += 1
    return turns


class Block(NamedTuple):
    """A run of the cohort between two bare loops, all on the same number of workers."""

    before: float
    pairs_a_second: float
    after: float

    @property
    def bare(self) -> float:
        """Turns of the bare loop a second, about the time of the run."""
        return (self.before + self.after) / 2.0


def gain(pairs: int, turns: int) -> None:
    """Rate of two workers over that of one, beside what the bare loop gains about the same time.

    A shared machine drifts, so each run is held against bare loops just before and after it, and every other
    turn takes the two workers first.
    """
    blocks: dict[int, list[Block]] = {1: [], 2: []}
    with tempfile.TemporaryDirectory() as name, Processes(1) as one, Processes(2) as two:
        folder = Path(name)
        # Small groups, so that neither worker waits long for the other's last one.
        manifest = read_manifest(draw_cohort(folder, pairs, width_px=800, shots=3))
        few = Manifest(manifest.rows[:2], manifest.columns)
        for workers, executor in ((1, one), (2, two)):  # what is loaded once is no gain
            list(executor.run(measure_group, [()] * workers))
            run_cohort(few, folder / f"first{workers}", executor=executor)
        for turn in range(turns):
            for workers, executor in ((1, one), (2, two))[:: 1 if turn % 2 == 0 else -1]:
                blocks[workers].append(_block(manifest, folder / f"out{turn}{workers}", executor, workers))
            first, second = blocks[1][-1], blocks[2][-1]
            print(
                f"one worker {first.pairs_a_second:.2f} pairs a second, two {second.pairs_a_second:.2f}: "
                f"gain {second.pairs_a_second / first.pairs_a_second:.3f}; bare loop "
                f"{second.bare / first.bare:.3f} (drift {drift(first):+.0%}, {drift(second):+.0%}); ratio "
                f"{ratio(first, second):.3f}",
                flush=True,
            )
    ratios = [ratio(*both) for both in zip(blocks[1], blocks[2], strict=True)]
    low, high, coverage = median_interval(ratios)
    print(
        f"median ratio {np.median(ratios):.3f}, {coverage:.0%} interval {low:.3f} to {high:.3f} by order "
        f"({turns} turns, {pairs} pairs each)"
    )


def _block(manifest: Manifest, out: Path, executor: Processes, workers: int) -> Block:
    def bare() -> float:
        done = executor.run(loop, [BARE_S] * workers)
        return sum(outcome.result or 0 for outcome in done) / BARE_S

    before, start = bare(), time.perf_counter()
    run_cohort(manifest, out, executor=executor)
    rate = len(manifest.rows) / (time.perf_counter() - start)
    return Block(before, rate, bare())


def ratio(one: Block, two: Block) -> float:
    """Gain of the cohort over gain of the bare loop."""
    return (two.pairs_a_second / two.bare) / (one.pairs_a_second / one.bare)


def drift(block: Block) -> float:
    """By how much the bare loop was faster after the run than before it."""
    return block.after / block.before - 1.0


def median_interval(values: Sequence[float]) -> tuple[float, float, float]:
    """Give the shortest interval of the median between two values as far from either end, with its coverage.

    The median lies below a value with the odds of a coin, whatever the distribution; 95 % or more where there
    are six values at least, what the ends give otherwise.
    """
    ordered, n = sorted(values), len(values)
    tails = [2.0 * sum(math.comb(n, k) for k in range(left + 1)) / 2.0**n for left in range((n + 1) // 2)]
    left = max((k for k, tail in enumerate(tails) if tail <= 0.05), default=0)
    return ordered[left], ordered[n - 1 - left], 1.0 - tails[left]


# ---- Kills ----


def kills(pairs: int) -> None:
    """Kill the command at five random moments, let it end, and compare with a run that nobody disturbed."""
    rng = random.Random(1)
    with tempfile.TemporaryDirectory() as folder:
        path = draw_cohort(Path(folder), pairs, width_px=320)
        whole, out = Path(folder, "whole"), Path(folder, "out")
        command = [sys.executable, "-m", "tests.benchmarks.cohort_study", "run", str(path)]
        subprocess.run([*command, str(whole)], check=True)
        for number in range(1, KILLS + 1):
            process = subprocess.Popen([*command, str(out)])
            wanted = kept(out) + rng.randint(1, pairs // KILLS - 1)
            while kept_from_outside(out) < wanted and process.poll() is None:
                time.sleep(rng.uniform(0.05, 0.5))
            workers = psutil.Process(process.pid).children(recursive=True)
            process.send_signal(signal.SIGKILL)
            process.wait()
            _, alive = psutil.wait_procs(workers, timeout=10.0)
            print(f"kill {number}: {kept(out)} of {pairs} kept, {len(alive)} workers left behind", flush=True)
        subprocess.run([*command, str(out)], check=True)
        same = (whole / "results.csv").read_bytes() == (out / "results.csv").read_bytes()
        print(f"tables of {pairs} pairs are {'identical' if same else 'DIFFERENT'}")


def kept(out: Path) -> int:
    """Results in the store of a run that has ended; none where there is no store."""
    try:
        with Store(out / STORE_NAME) as store:
            return len(store)
    except (StoreError, OSError):
        return 0


def kept_from_outside(out: Path) -> float:
    """About as many as are kept, from the size of a store that a run has locked."""
    path = out / STORE_NAME
    return os.path.getsize(path) / 3500 if path.exists() else 0  # bytes of a record


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.cohort_study", description=__doc__)
    parser.add_argument("what", choices=("gain", "memory", "kills", "run"))
    parser.add_argument("places", nargs="*", type=Path, help="list and folder, for run; also for memory")
    parser.add_argument("--pairs", type=int, help="default: 60, 5000, 1000")
    parser.add_argument("--turns", type=int, default=9, help="of gain; 9 without it, about seven minutes")
    parser.add_argument("--plot", type=Path, help="file to draw memory to")
    given = parser.parse_args(arguments)
    if given.what == "run":
        path, out = given.places
        with Processes(2) as executor:
            run_cohort(read_manifest(path), out, executor=executor)
        return
    if given.what == "memory":
        memory(given.places, given.pairs or 5000, given.plot)
    elif given.what == "gain":
        gain(given.pairs or 60, given.turns)
    else:
        kills(given.pairs or 1000)


if __name__ == "__main__":
    main()
