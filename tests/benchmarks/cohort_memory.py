"""Memory of a run over a cohort: of its parent and of its workers, row by row."""

import csv
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import matplotlib.pyplot as plt
import numpy as np
import psutil
from numpy.typing import NDArray

import torsion
from tests.benchmarks.cohort_photos import draw_cohort
from torsion.cohort.executors import Processes
from torsion.cohort.manifest import Manifest, read_manifest
from torsion.cohort.pairs import Group, Measured, measure_group
from torsion.cohort.progress import Progress
from torsion.cohort.run import run_cohort
from torsion.record import measurement_record

__all__ = ["memory"]

WARM = 0.2  # of a run: what libraries and tables take once is not growth
AXES = 20  # rows of the invented run over those of the measured one, each with an axis of its own


class Sizes(NamedTuple):
    """Resident memory at one moment of a run, MB; that of each worker by its process."""

    done: int
    parent: float
    workers: dict[int, float]


def invented(group: Group) -> list[Measured]:
    """Give every pair the record of one that was really measured."""
    folder = Path(group[0].seated.location).parent
    return [Measured(pair.key, _record(folder)) for pair in group]


@cache
def _record(folder: Path) -> dict[str, Any]:
    found = torsion.measure(folder / "0000-0.jpg", folder / "0000-1.jpg", eye="OD")
    return measurement_record(found)


def memory(places: Sequence[Path], pairs: int, plot: Path | None) -> None:
    """Resident memory over pairs that are measured, and over twenty times as many invented ones."""
    if places:
        own = watched(read_manifest(places[0], allow_outside=True), places[1], measure_group)
        report_memory("measured", own)
        if plot:
            draw_memory({"measured": own}, plot)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = draw_cohort(folder, pairs, width_px=300, shots=10)
        measured = watched(read_manifest(path), folder / "measured", measure_group)
        report_memory("measured", measured)
        with path.open() as stream:
            head, *lines = list(csv.reader(stream))
        turned = [[*line, str(9 * turn)] for turn in range(AXES) for line in lines]
        with path.open("w", newline="") as stream:
            csv.writer(stream).writerows([[*head, "axis"], *turned])
        many = watched(read_manifest(path), folder / "invented", invented)
        report_memory("invented", many)
    if plot:
        draw_memory({"measured": measured, "invented results": many}, plot)


def watched(manifest: Manifest, out: Path, measure: Callable[[Group], list[Measured]]) -> list[Sizes]:
    """Run a cohort on two workers; give the memory at each report, and print what time and disk it took."""
    own, sizes = psutil.Process(), []

    def note(progress: Progress) -> None:
        if progress.stage == "measuring":
            workers = {
                child.pid: child.memory_info().rss / 1e6
                for child in own.children(recursive=True)
                if "resource_tracker" not in str(child.cmdline())  # of multiprocessing, does no work
            }
            sizes.append(Sizes(progress.done, own.memory_info().rss / 1e6, workers))

    start, before = time.perf_counter(), own.memory_info().rss / 1e6
    with Processes(2) as executor:
        run = run_cohort(manifest, out, executor=executor, measure=measure, on_progress=note)
    seconds = time.perf_counter() - start
    files = {file.name: file.stat().st_size / run.rows for file in sorted(out.iterdir())}
    print(f"{out.name}: {run.rows} rows in {seconds:.0f} s, {run.measured} measured, {len(run.reasons)} not")
    print(f"  bytes a row: {', '.join(f'{name} {size:.0f}' for name, size in files.items())}")
    print(f"  parent: {before:.0f} MB before, {own.memory_info().rss / 1e6:.0f} MB with the tables written")
    return sizes


def growth(done: NDArray[np.float64], size: NDArray[np.float64]) -> float:
    """Slope after the warm part, kB per 1,000 rows."""
    late = done >= WARM * done[-1]
    return float(1e6 * np.polyfit(done[late], size[late], 1)[0])


def curves(sizes: Sequence[Sizes]) -> dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Rows done and memory, of the parent and of each worker that lived through the run."""
    done = np.array([one.done for one in sizes], float)
    found = {"parent": (done, np.array([one.parent for one in sizes]))}
    lasting = sorted(set.intersection(*(set(one.workers) for one in sizes)))
    for number, pid in enumerate(lasting, 1):
        found[f"worker {number}"] = done, np.array([one.workers[pid] for one in sizes])
    return found


def report_memory(what: str, sizes: Sequence[Sizes]) -> None:
    """Print memory at five moments, and its growth."""
    for name, (done, size) in curves(sizes).items():
        steps = np.linspace(0, len(done) - 1, 6).astype(int)[1:]
        shown = ", ".join(f"{size[k]:.0f} MB at {done[k]:.0f}" for k in steps)
        print(f"  {what}, {name}: {shown}; {growth(done, size):+.0f} kB per 1,000 rows", flush=True)


def draw_memory(runs: Mapping[str, Sequence[Sizes]], file: Path) -> None:
    """Draw memory against rows done, for each run."""
    size = (5.5 * len(runs), 4.5)
    figure, axes = plt.subplots(1, len(runs), figsize=size, sharey=True, squeeze=False, layout="constrained")
    for panel, (title, sizes) in zip(axes[0], runs.items(), strict=True):
        for name, (done, size) in curves(sizes).items():
            panel.plot(done, size, label=f"{name}: {growth(done, size):+.0f} kB per 1,000 rows")
        panel.set(xlabel="rows done", title=f"{sizes[-1].done} rows, {title}", ylim=(0, None))
        panel.legend(loc="lower right")
    axes[0, 0].set_ylabel("resident memory, MB")
    figure.savefig(file, dpi=100)
    plt.close(figure)
