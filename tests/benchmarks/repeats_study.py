"""Repeatability of a set of real photos, run as a cohort of controls: photos of one eye in one posture.

``TORSION_PHOTOS=... python -m tests.benchmarks.repeats_study --set NAME --out FOLDER`` takes the folders of
the eyes as PATIENT_OD and PATIENT_OS, and their shots in order as the pairs 1-2 and 3-4: two repeats without
a photo in common, whose difference holds head, camera and fixation.  The pairs 2-3 and 1-3 close a triangle
with 1-2: its misfit holds the measurement alone.  Broken off, it goes on where it was.
"""

import argparse
import csv
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tests.benchmarks.photos import list_eyes, photo_folder
from torsion.cohort.executors import Processes
from torsion.cohort.manifest import read_manifest
from torsion.cohort.report import write_report
from torsion.cohort.run import run_cohort
from torsion.cohort.statistics import summarise
from torsion.cohort.table import read_table

if TYPE_CHECKING:
    import pandas as pd

_REPEATS, _CLOSING = ((0, 1), (2, 3)), ((1, 2), (0, 2))
_HEAD = ("patient", "eye", "seated", "supine", "session", "repeat", "posture")


def rows(eyes: Mapping[str, Sequence[Path]]) -> Iterator[tuple[str, ...]]:
    """Give the pairs of each eye, as far as there are photos."""
    for name, shots in eyes.items():
        patient, eye = name.rsplit("_", 1)
        for session, pairs in (("repeats", _REPEATS), ("closing", _CLOSING)):
            for number, (first, second) in enumerate(pairs, 1):
                if max(first, second) < len(shots):
                    names = (str(shots[first]), str(shots[second]))
                    yield patient, eye, *names, session, str(number), "seated-seated"


def misfits_deg(table: "pd.DataFrame") -> np.ndarray:
    """Misfit of the triangle of each eye whose three pairs are accepted."""
    found = []
    for _, eye in table[table["verdict"] == "accept"].groupby(["patient", "eye"]):
        turns = {(row["session"], int(row["repeat"])): row["rotation_deg"] for _, row in eye.iterrows()}
        sides = [turns.get(side) for side in (("repeats", 1), ("closing", 1), ("closing", 2))]
        if None not in sides:
            found.append(sides[0] + sides[1] - sides[2])
    return np.array(found)


def report(table: "pd.DataFrame", out: Path) -> str:
    """Say what the repeats show, and what the triangles; write the page of the repeats."""
    repeats = table[table["session"] == "repeats"]
    summary = summarise(repeats)
    write_report(repeats, summary, out)
    lost, one = summary.refusals, next(one for one in summary.repeatability if one.eyes)
    ends = [estimate.interval_95 or (np.nan, np.nan) for estimate in (one.within_sd_deg, one.coefficient_deg)]
    flags = Counter(name for text in table["flags"].dropna() for name in text.split(";"))
    closure = misfits_deg(table)
    low, high = lost.refused.interval_95 or (np.nan, np.nan)
    return "\n".join(
        (
            f"{lost.pairs} repeats, verdicts {lost.verdicts}",
            f"  no usable rotation {lost.refused.value:.3f} ({low:.3f} to {high:.3f}): {lost.reasons}",
            f"  root mean square of a pair {summary.posture.control_rms_deg['seated-seated']:.3f} degrees",
            "  within-subject SD {:.3f} ({:.3f} to {:.3f})".format(one.within_sd_deg.value, *ends[0]),
            "  repeatability coefficient {:.3f} ({:.3f} to {:.3f})".format(
                one.coefficient_deg.value, *ends[1]
            ),
            f"  over the stated uncertainty {one.over_stated:.2f}; {one.eyes} eyes with both repeats",
            f"{len(table)} pairs with the closing ones, flags {dict(flags.most_common())}",
            "  misfit of {} triangles: median {:.3f}, 95th percentile {:.3f}, worst {:.3f}".format(
                len(closure), *np.percentile(np.abs(closure), [50, 95, 100])
            ),
            f"  of one side, root mean square {np.sqrt(np.mean(closure**2) / 3.0):.3f} degrees",
        )
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.repeats_study", description=__doc__)
    parser.add_argument("--set", dest="set_name", required=True, help="set of real photos")
    parser.add_argument("--limit-eyes", type=int, help="the first only")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True, help="folder for store, table and page")
    given = parser.parse_args(arguments)
    photos = photo_folder()
    if photos is None:
        parser.error("TORSION_PHOTOS does not name a folder")
    given.out.mkdir(parents=True, exist_ok=True)
    path = given.out / "list.csv"
    with path.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows(
            [_HEAD, *rows(list_eyes(photos, given.set_name, limit=given.limit_eyes))]
        )
    start = time.perf_counter()
    with Processes(given.workers) as executor:
        run = run_cohort(read_manifest(path, allow_outside=True), given.out, executor=executor)
    print(f"{run.measured} pairs measured in {time.perf_counter() - start:.0f} s, {run.kept} kept")
    print(report(read_table(run.csv), given.out))


if __name__ == "__main__":
    main()
