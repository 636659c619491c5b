"""What a cohort costs and survives: gain of a second worker, memory, kills.

``python -m tests.benchmarks.cohort_study gain|memory|kills [--pairs N]``
"""

import argparse
import csv
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from itertools import combinations
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import psutil
from PIL import Image

from torsion.cohort.executors import Processes
from torsion.cohort.manifest import read_manifest
from torsion.cohort.pairs import Group, Measured, measure_group
from torsion.cohort.progress import Progress
from torsion.cohort.run import STORE_NAME, run_cohort
from torsion.cohort.store import Store, StoreError
from torsion.demo_layers import load_layers, take_photo

KILLS = 5
VIEWS = 40  # composed once; a file more than that repeats one under another comment


def draw(folder: Path, pairs: int, *, width_px: int) -> Path:
    """Compose photos of the demo's eye, no two files alike, and a list of all pairs within fives of them."""
    layers, rng = load_layers()["supine"], np.random.default_rng(0)
    views = []
    for angle in rng.uniform(-12.0, 12.0, VIEWS):
        picture = Image.fromarray(take_photo(layers, float(angle), role="supine"))
        size = (width_px, picture.height * width_px // picture.width)
        views.append(picture.resize(size, Image.Resampling.BOX))
    lines: list[list[str]] = []
    for number in range(-(-pairs // 10)):
        names = [f"{number:04d}-{shot}.jpg" for shot in range(5)]
        for shot, name in enumerate(names):
            view = views[(5 * number + shot) % VIEWS]
            view.save(folder / name, quality=92, comment=f"{name}, so that no two files are alike")
        lines += [[f"{number:04d}", "OD", *pair] for pair in combinations(names, 2)]
    with (folder / "list.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([["patient", "eye", "seated", "supine"], *lines[:pairs]])
    return folder / "list.csv"


# ---- Gain of the second worker ----


def loop(seconds: float) -> int:
    """Count turns of a loop that only computes, for so long."""
    end, turns = time.perf_counter() + seconds, 0
    while time.perf_counter() < end:
        sum(k * k for k in range(10_000))
        turns += 1
    return turns


def gain(pairs: int) -> None:
    """Rate of two workers over that of one, beside what the bare loop gains, in turns."""
    with tempfile.TemporaryDirectory() as folder:
        manifest = read_manifest(draw(Path(folder), pairs, width_px=800))
        ratios = []
        for turn in range(3):
            rates = []
            for workers in (1, 2):
                with Processes(workers) as executor:
                    list(executor.run(loop, [0.01] * workers))  # started and loaded
                    list(executor.run(measure_group, [()] * workers))
                    start = time.perf_counter()
                    out = Path(folder, f"out{turn}{workers}")
                    run_cohort(manifest, out, executor=executor)
                    rates.append(pairs / (time.perf_counter() - start))
            bare = []
            for workers in (1, 2):
                with get_context("spawn").Pool(workers) as pool:
                    pool.map(loop, [0.01] * workers)
                    bare.append(sum(pool.map(loop, [8.0] * workers, chunksize=1)))
            cohort_gain, bare_gain = rates[1] / rates[0], bare[1] / bare[0]
            ratios.append(cohort_gain / bare_gain)
            print(
                f"one worker {rates[0]:.2f} pairs a second, two {rates[1]:.2f}: gain {cohort_gain:.3f}; "
                f"bare loop {bare_gain:.3f}; ratio {ratios[-1]:.3f}",
                flush=True,
            )
        print(f"median ratio {np.median(ratios):.3f} (3 turns, {pairs} pairs each)")


# ---- Memory ----


def invented(group: Group) -> list[Measured]:
    """Give records of the usual size, with nothing measured."""
    return [Measured(pair.key, dict(_record())) for pair in group]


def _record() -> dict[str, object]:
    photo = {
        "file": "x",
        "verdict": "accept",
        "flags": ["x" * 1000],
        "limbus": None,
        "pupil": None,
        "measures": {},
    }
    return {"rotation_deg": 1.0, "view": None, "seated": photo, "supine": dict(photo)}


def memory(pairs: int) -> None:
    """Resident memory of parent and workers over invented results, and over an eighth of them measured."""
    with tempfile.TemporaryDirectory() as folder:
        manifest = read_manifest(draw(Path(folder), pairs, width_px=320))
        own = psutil.Process()
        for measure, count in ((invented, pairs), (measure_group, pairs // 8)):
            part = type(manifest)(manifest.rows[:count], manifest.columns)
            sizes: list[tuple[int, float, float]] = []

            def note(progress: Progress, sizes: list[tuple[int, float, float]] = sizes) -> None:
                children = [child.memory_info().rss for child in own.children(recursive=True)]
                sizes.append((progress.done, own.memory_info().rss / 1e6, max(children, default=0) / 1e6))

            with Processes(2) as executor:
                out = Path(folder, measure.__name__)
                run_cohort(part, out, executor=executor, measure=measure, on_progress=note)
            print(f"{measure.__name__}, {count} pairs: done, parent MB, largest worker MB")
            for k in np.linspace(len(sizes) // 4, len(sizes) - 1, 5).astype(int):
                print("  {:6d} {:8.0f} {:8.0f}".format(*sizes[k]), flush=True)


# ---- Kills ----


def kills(pairs: int) -> None:
    """Kill the command at five random moments, let it end, and compare with a run that nobody disturbed."""
    rng = random.Random(1)
    with tempfile.TemporaryDirectory() as folder:
        path = draw(Path(folder), pairs, width_px=320)
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
    parser.add_argument("places", nargs="*", type=Path, help="list and folder, for run")
    parser.add_argument("--pairs", type=int, help="default: 60, 5000, 1000")
    given = parser.parse_args(arguments)
    if given.what == "run":
        path, out = given.places
        with Processes(2) as executor:
            run_cohort(read_manifest(path), out, executor=executor)
        return
    study, usual = {"gain": (gain, 60), "memory": (memory, 5000), "kills": (kills, 1000)}[given.what]
    study(given.pairs or usual)


if __name__ == "__main__":
    main()
