"""Ink marks found, invented, placed and measured, on drawn eyes and on real photos without ink.

``python -m tests.benchmarks.ink_study --eyes 50 --pairs 6 --out FILE`` writes a line for each eye and takes
up where an earlier run of the same file stopped; ``--real FOLDER`` counts inventions on photos.
"""

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

import synthetic
from tests.benchmarks.ink_truth import Case, Found, case_of
from tests.benchmarks.summary import count_text
from torsion.marking import read_marks
from torsion.preparation import prepare


def draw(seed: int, pair: int, eye: synthetic.Eye, *, distractors: bool) -> list[synthetic.Picture]:
    """Draw a clean seated photo, and the supine one with one to three marks."""
    rng = np.random.default_rng([seed, pair])
    views = list(synthetic.draw_views(eye, "dilated" if pair % 4 == 3 else "moderate", rng))
    if distractors:
        own = int(rng.integers(2**31))  # what lies on the eye is the same in both photos
        views = [synthetic.with_distractors(view, np.random.default_rng(own), moving=rng) for view in views]
    views[1] = replace(views[1], marks=synthetic.random_marks(rng, 1 + pair % 3))
    return [synthetic.draw_picture(eye, view, rng) for view in views]


def study_eye(task: tuple[int, int, bool]) -> list[Case]:
    """Read the marks of some pairs of one drawn eye; its textures are drawn once."""
    seed, pairs, distractors = task
    cv2.setNumThreads(1)
    eye = synthetic.random_eye(np.random.default_rng(seed))
    cases = []
    for pair in range(pairs):
        seated, supine = draw(seed, pair, eye, distractors=distractors)
        first, second = (prepare(picture.rgb, eye=eye.laterality) for picture in (seated, supine))
        both = read_marks(first, second, eye=eye.laterality)
        alone = read_marks(second, eye=eye.laterality)
        clean = read_marks(first, eye=eye.laterality)
        cases.append(case_of(seed, pair, seated, supine, both, alone, clean))
    return cases


def report(cases: Sequence[Case]) -> str:
    """Table of the study as text."""
    lines = [f"{len(cases)} pairs, {sum(case.registered for case in cases)} registered"]
    for alone, name in ((False, "with the clean photo"), (True, "marked photo alone")):
        marks = [mark for case in cases for mark in case.marks if mark.alone == alone]
        for which, kept in (("all", marks), ("limbus located", [mark for mark in marks if mark.located])):
            read = [mark for mark in kept if np.isfinite(mark.error_deg)]
            lines.append(f"{name}, {which}: found {count_text(len(read), len(kept))}")
            if not read:
                continue
            error = np.abs([mark.error_deg for mark in read])
            own = np.abs([mark.from_true_centre_deg for mark in read])
            ratio = np.array([mark.width_ratio for mark in read])
            stated = np.array([mark.stated_deg for mark in read])
            lines.append(f"  direction error {percentiles(error)}; about the true centre {percentiles(own)}")
            lines.append(f"  width within 25 %: {count_text(int((abs(ratio - 1) < 0.25).sum()), len(ratio))}")
            lines.append(
                f"  within 1.96 stated: {count_text(int((error < 1.96 * stated).sum()), len(error))}"
            )
    beyond = [
        mark.error_deg + case.rotation_error_deg
        for case in cases
        for mark in case.marks
        if case.registered and not mark.alone and np.isfinite(mark.error_deg)
    ]
    if beyond:  # a rotation read too large carries a mark back too far
        lines.append(f"direction error beyond the registration's own {percentiles(np.abs(beyond))}")
    rotation = np.abs([case.rotation_error_deg for case in cases if case.registered])
    lines.append(f"rotation error {percentiles(rotation)}" if len(rotation) else "nothing registered")
    with_axis = [case for case in cases if np.isfinite(case.axis_error_deg)]
    if with_axis:  # a wrong middle of the limbus moves both ends alike and cancels
        axis = np.abs([case.axis_error_deg for case in with_axis])
        held = axis < 1.96 * np.array([case.axis_stated_deg for case in with_axis])
        lines.append(f"error of {len(axis)} axes through two opposite marks {percentiles(axis)}")
        lines.append(f"  within 1.96 stated: {count_text(int(held.sum()), len(held))}")
    for name, several in (
        ("pairs in which a mark was invented", [case.invented for case in cases]),
        ("marked photos in which another was invented", [case.invented_alone for case in cases]),
        ("photos without ink in which a mark was invented", [case.invented_clean for case in cases]),
    ):
        lines.append(f"{name}: {count_text(sum(map(bool, several)), len(cases))}")
    return "\n".join(lines)


def percentiles(values: np.ndarray) -> str:
    """Median and 95th percentile as text."""
    return "{:.2f} median, {:.2f} 95th percentile".format(*np.percentile(values, [50, 95]))


def count_real(folder: Path) -> str:
    """Count the photos of a folder and its subfolders, none with ink, on which a mark is invented."""
    files = [
        path for path in sorted(folder.rglob("*")) if path.suffix.lower() in (".jpg", ".jpeg", ".png", ".bmp")
    ]
    fooled = sum(bool(read_marks(file).marks) for file in files)
    return f"real photos without ink in which a mark was invented: {count_text(fooled, len(files))}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.ink_study", description=__doc__)
    parser.add_argument("--eyes", type=int, default=50)
    parser.add_argument("--first", type=int, default=0, help="seed of the first eye")
    parser.add_argument("--pairs", type=int, default=6, help="for each eye")
    parser.add_argument("--plain", action="store_true", help="without naevi, pigment, make-up, instruments")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, help="file of one line for each eye, taken up where it stops")
    parser.add_argument("--real", type=Path, metavar="FOLDER", help="photos without ink, not drawn")
    given = parser.parse_args(arguments)
    if given.real is not None:
        print(count_real(given.real))
        return
    done = read_cases(given.out) if given.out is not None and given.out.exists() else []
    seen = {case.seed for case in done}
    seeds = [given.first + number for number in range(given.eyes)]
    tasks = [(seed, given.pairs, not given.plain) for seed in seeds if seed not in seen]
    cases = [case for case in done if case.seed in seeds]
    for count, part in enumerate(study(tasks, workers=given.workers), 1):
        cases += part
        if given.out is not None:
            with given.out.open("a", encoding="utf-8") as lines:
                lines.write(json.dumps([as_record(case) for case in part]) + "\n")
        print(f"\r{count}/{len(tasks)}", end="", file=sys.stderr)
    print(file=sys.stderr)
    print(report(cases), flush=True)


def study(tasks: Sequence[tuple[int, int, bool]], *, workers: int) -> Iterator[list[Case]]:
    """Give the cases of each eye as they are ready; one worker needs no process of its own."""
    if workers == 1:
        yield from map(study_eye, tasks)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(study_eye, tasks)


def as_record(case: Case) -> dict[str, object]:
    """One case as JSON."""
    return case._asdict() | {"marks": [mark._asdict() for mark in case.marks]}


def read_cases(file: Path) -> list[Case]:
    """Cases of an earlier run."""
    records = [
        record for line in file.read_text(encoding="utf-8").splitlines() for record in json.loads(line)
    ]
    return [
        Case(**record | {"marks": tuple(Found(**mark) for mark in record["marks"])}) for record in records
    ]


if __name__ == "__main__":
    main()
