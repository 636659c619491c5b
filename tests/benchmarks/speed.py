"""Time, memory and start of the package beside its peers: ``python -m tests.benchmarks.speed --help``.

Times are the processor's, one thread, methods in turn within each round, so that what else the machine does
meets all of them; ratios are the medians of those of the rounds.
"""

import argparse
import itertools
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

import synthetic
import torsion
from tests.benchmarks.drawn import ROTATION_DEG, SIZES, drawn_pair, jpeg_pair, resized
from tests.benchmarks.methods import Answer, Method, load_method
from tests.benchmarks.photos import read_rgb
from tests.benchmarks.summary import count_text

PEERS = ("torsion", "recipe", "polar", "simpleitk", "ecc")
_MEMORY = """
import sys, cv2
cv2.setNumThreads(1)
import torsion
torsion.measure(*sys.argv[1:])
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(int(peak.split()[1]) / 1024)
"""  # not ru_maxrss, which counts what the parent took before the child was started
_START = "import time; a = time.process_time(); import numpy, cv2; b = time.process_time(); import torsion{};"
_START += " c = time.process_time(); print(b - a, c - b)"


def in_turn(rounds: int, **tasks: Callable[[], object]) -> dict[str, list[float]]:
    """Seconds of the processor that each task takes in each round, after one round that does not count."""
    seconds: dict[str, list[float]] = {name: [] for name in tasks}
    for counted in range(-1, rounds):
        for name, task in tasks.items():
            start = time.process_time()
            task()
            if counted >= 0:
                seconds[name].append(time.process_time() - start)
    return seconds


def ratio(seconds: dict[str, list[float]], one: str, other: str) -> float:
    """Median of the ratios of the rounds."""
    return statistics.median(a / b for a, b in zip(seconds[one], seconds[other], strict=True))


def child(code: str, *arguments: str) -> list[float]:
    """Numbers that a fresh interpreter prints."""
    command = [sys.executable, "-c", code, *arguments]
    return [
        float(word)
        for word in subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    ]


def report_pair(rounds: int) -> None:
    """Time a pair of files against decoding them, with memory, and what importing costs."""
    pair = drawn_pair()
    with tempfile.TemporaryDirectory() as folder:
        for name, size in SIZES.items():
            files = jpeg_pair(Path(folder), size, pair=pair)
            prepared = [torsion.prepare(file) for file in files]
            seconds = in_turn(
                rounds,
                decoding=lambda files=files: [cv2.imread(str(file)) for file in files],
                measuring=lambda files=files: torsion.measure(*files),
                prepared=lambda prepared=prepared: torsion.measure(*prepared),
            )
            found = torsion.measure(*files)
            megabytes = [file.stat().st_size / 1e6 for file in files]
            print(f"{name}, files of {megabytes[0]:.1f} and {megabytes[1]:.1f} MB:")
            for task, spent in seconds.items():
                print(
                    f"  {task:10} {min(spent):.3f} s at least, {statistics.median(spent):.3f} in the median"
                )
            print(f"  measuring over decoding {ratio(seconds, 'measuring', 'decoding'):.2f}")
            error = abs(found.rotation_deg - ROTATION_DEG) if found.rotation_deg is not None else np.nan
            print(f"  {found.verdict}, error {error:.3f} degrees")
            (peak,) = child(_MEMORY, *map(str, files))
            print(f"  peak memory of a fresh process {peak:.0f} MB")
    starts = [child(_START.format("")) for _ in range(5)]
    loads = [child(_START.format(", torsion.measurement")) for _ in range(5)]
    own = min(spent for _, spent in starts)
    print(f"import numpy, cv2 {min(spent for spent, _ in starts):.2f} s; torsion {own:.3f} s more;")
    print(f"  and all that a measurement needs {min(b for _, b in loads):.3f} s more")


def report_peers(rounds: int, eyes: int, preset: Any) -> None:
    """Time all methods on a 2-megapixel pair; errors on drawn pairs, the bar from pairs of different eyes."""
    pair = drawn_pair()
    methods = [load_method(name) for name in PEERS]
    seconds = in_turn(rounds, **{m.name: lambda m=m: _answer(m, *pair) for m in methods})
    print(f"one 2-megapixel pair, {rounds} rounds; then {eyes} drawn eyes ({preset}), one pair each:")
    print(
        f"{'':12}{'seconds':>8}{'times torsion':>15}  accepted {'error: median / 95th / worst, degrees':>40}"
    )
    drawn = [_drawn(seed, preset) for seed in range(eyes)]
    for method in methods:
        ready = [(method.prepare(first), method.prepare(second), truth) for first, second, truth in drawn]
        same = [(method.measure(first, second), truth) for first, second, truth in ready]
        others = [method.measure(a[0], b[1]) for a, b in itertools.pairwise(ready)]
        bar = max(answer.score for answer in others)
        kept = [
            abs(answer.rotation_deg - truth)
            for answer, truth in same
            if answer.rotation_deg is not None
            and (answer.score > bar if answer.accepted is None else answer.accepted)
        ]
        spread = "-" if not kept else "{:.3f} / {:.3f} / {:.2f}".format(*np.percentile(kept, [50, 95, 100]))
        times = ratio(seconds, method.name, "torsion")
        line = f"{method.name:12}{statistics.median(seconds[method.name]):8.3f}{times:15.2f}"
        print(f"{line}  {count_text(len(kept), len(same))}  {spread}", flush=True)
    print("without a verdict of its own, a method accepts what scores above its worst pair of different eyes")


def _answer(method: Method, first: np.ndarray, second: np.ndarray) -> Answer:
    return method.measure(method.prepare(first), method.prepare(second))


def _drawn(seed: int, preset: Any) -> tuple[np.ndarray, np.ndarray, float]:
    eye = synthetic.random_eye(np.random.default_rng(seed))
    first, second = synthetic.draw_pair(eye, preset, np.random.default_rng([seed, 0]))
    return first.rgb, second.rgb, second.rotation_deg - first.rotation_deg


def report_growth(rounds: int, out: Path) -> None:
    """Time and memory against the size of the pictures and the number of pairs, with fitted lines."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(1, 3, figsize=(13, 4), layout="constrained")
    pair = drawn_pair()
    with tempfile.TemporaryDirectory() as folder:
        megapixels, seconds, memory = [], [], []
        for megapixel in (2, 6, 12, 24, 36, 48):
            width = round(np.sqrt(megapixel * 1e6 * 4 / 3) / 8) * 8
            files = jpeg_pair(Path(folder), (width, width * 3 // 4), pair=pair)
            spent = in_turn(rounds, measuring=lambda files=files: torsion.measure(*files))["measuring"]
            megapixels.append(width * (width * 3 // 4) / 1e6)
            seconds.append(min(spent))
            memory.append(child(_MEMORY, *map(str, files))[0])
        eyes = jpeg_pair(Path(folder), SIZES["2 megapixels"], pair=pair)
        shots = [torsion.prepare(resized(read_rgb(file), (1200, 900), seed=0)) for file in eyes]
        counts, totals = (1, 4, 8, 16, 32), []
        for count in counts:
            start = time.process_time()
            for _ in range(count):
                torsion.measure(*shots)
            totals.append(time.process_time() - start)
    panels = (
        (axes[0], megapixels, seconds, "megapixels of each photo", "seconds a pair, files"),
        (axes[1], megapixels, memory, "megapixels of each photo", "peak memory, MB"),
        (axes[2], counts, totals, "pairs of prepared photos", "seconds"),
    )
    for axis, x, y, across, up in panels:
        slope, start = np.polyfit(x, y, 1)
        away = np.abs(np.polyval((slope, start), x) - y).max() / max(y)
        axis.plot(x, y, "o", color="#1f5c7a")
        axis.plot(x, np.polyval((slope, start), x), color="#c8702a", linewidth=1)
        axis.set(xlabel=across, ylabel=up, ylim=(0, 1.1 * max(y)), xlim=(0, None))
        title = f"{start:.3g} {slope:+.3g} each; furthest off {100 * away:.0f} % of the highest"
        axis.set_title(title, fontsize=9)
        print(f"{up} against {across}: {title}")
        print("  " + ", ".join(f"{a:.3g}: {b:.3g}" for a, b in zip(x, y, strict=True)))
    figure.savefig(out, dpi=120)


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.speed", description=__doc__)
    parser.add_argument("what", choices=("pair", "peers", "growth"))
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--eyes", type=int, default=20, help="drawn eyes for the peers' errors, at least 2")
    parser.add_argument("--preset", choices=synthetic.PRESETS, default="moderate")
    parser.add_argument("--out", type=Path, default=Path("growth.png"), help="picture of the growth")
    given = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    if given.what == "pair":
        report_pair(given.rounds)
    elif given.what == "peers":
        if given.eyes < 2:
            parser.error("--eyes must be at least 2: pairs of different eyes set the bar")
        report_peers(given.rounds, given.eyes, given.preset)
    else:
        report_growth(given.rounds, given.out)


if __name__ == "__main__":
    main()
