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
from typing import NamedTuple

import cv2
import numpy as np

import synthetic
from tests.benchmarks.summary import count_text
from torsion.angles import axis_difference_deg, direction_deg, wrap_axis_deg, wrap_rotation_deg
from torsion.marking import Marking, read_marks
from torsion.photo import Ellipse
from torsion.preparation import prepare

SEEN = 0.75  # share of a mark at the limbus that nothing hides: less is not held against the finder
NEAR_DEG = 6.0  # a mark whose middle is further from the truth than this and half a width is another thing
LOCATED = 0.04  # limbus radii; a limbus further off than this is a failure of an earlier stage, told apart


class Found(NamedTuple):
    """One drawn mark that can be seen, and what was read of it; NaN where it was not found."""

    alone: bool
    located: bool
    error_deg: float
    from_true_centre_deg: float
    width_ratio: float
    stated_deg: float
    picture_deg: float
    width_deg: float
    color: str
    smear: float
    fading: float
    visible: float


class Case(NamedTuple):
    """One pair: its marks, the directions at which one was invented, and the error of the rotation."""

    seed: int
    pair: int
    marks: tuple[Found, ...]
    invented: tuple[float, ...]
    invented_alone: tuple[float, ...]
    invented_clean: tuple[float, ...]
    registered: bool
    rotation_error_deg: float
    axis_error_deg: float


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


def case_of(
    seed: int,
    pair: int,
    seated: synthetic.Picture,
    supine: synthetic.Picture,
    both: Marking,
    alone: Marking,
    clean: Marking,
) -> Case:
    """Compare the three readings of one pair with the truth."""
    registered = both.measurement is not None and both.measurement.verdict != "refuse"
    marks, invented = compare(both, supine, seated if registered else None)
    more, invented_alone = compare(alone, supine, None)
    rotation = both.measurement.rotation_deg if both.measurement is not None else None
    truth = supine.rotation_deg - seated.rotation_deg
    error = np.nan if rotation is None or not registered else rotation - truth
    axis = axis_error(both, supine, seated) if registered else np.nan
    on_clean = tuple(mark.photo_direction_deg for mark in clean.marks)
    return Case(seed, pair, (*marks, *more), invented, invented_alone, on_clean, registered, error, axis)


def compare(
    marking: Marking, supine: synthetic.Picture, seated: synthetic.Picture | None
) -> tuple[list[Found], tuple[float, ...]]:
    """Compare what was read with the truth, in the frame of the seated photo where there is one."""
    prepared = marking.supine or marking.seated
    in_frame = seated or supine
    frame = marking.seated
    located = all(
        off_centre(photo.limbus, picture.limbus) < LOCATED
        for photo, picture in ((prepared, supine), (frame, in_frame))
    )
    found, taken = [], set()
    for truth in supine.marks:
        x, y = synthetic.project(in_frame.eye, in_frame.view, truth.direction_deg, 1.0)
        true_deg = float(direction_deg(x - in_frame.limbus.x_px, y - in_frame.limbus.y_px))
        near = [
            index
            for index, mark in enumerate(marking.marks)
            if is_near(mark.photo_direction_deg, truth, prepared.limbus, supine.limbus)
        ]
        taken.update(near)
        if truth.visible < SEEN:
            continue
        mark = marking.marks[near[0]] if near else None
        drawn = (
            truth.picture_direction_deg, truth.width_deg, truth.mark.color, truth.mark.smear,
            truth.mark.fading, truth.visible,
        )  # fmt: skip
        if mark is None or mark.direction_deg is None or frame.limbus is None:
            found.append(Found(seated is None, located, *[np.nan] * 4, *drawn))
            continue
        found.append(
            Found(
                seated is None,
                located,
                wrap_rotation_deg(mark.direction_deg - true_deg),
                wrap_rotation_deg(about(mark.direction_deg, frame.limbus, in_frame.limbus) - true_deg),
                mark.width_deg / truth.width_deg,
                mark.standard_uncertainty_deg or np.nan,
                *drawn,
            )
        )
    others = (mark for index, mark in enumerate(marking.marks) if index not in taken)
    return found, tuple(mark.photo_direction_deg for mark in others)


def axis_error(marking: Marking, supine: synthetic.Picture, seated: synthetic.Picture) -> float:
    """Error of the axis through two opposite marks in the seated frame; NaN where there is none."""
    if marking.axis is None:
        return np.nan
    ends = []
    for index in marking.axis.marks:
        near = [
            truth
            for truth in supine.marks
            if is_near(marking.marks[index].photo_direction_deg, truth, marking.supine.limbus, supine.limbus)
        ]
        if not near:
            return np.nan
        x, y = synthetic.project(seated.eye, seated.view, near[0].direction_deg, 1.0)
        ends.append(float(direction_deg(x - seated.limbus.x_px, y - seated.limbus.y_px)))
    bend = wrap_rotation_deg(ends[1] - ends[0] - 180.0)
    return axis_difference_deg(marking.axis.axis_deg, wrap_axis_deg(ends[0] + bend / 2))


def is_near(picture_deg: float, truth: synthetic.MarkTruth, found: Ellipse, true: synthetic.Ellipse) -> bool:
    """Tell whether a direction about the limbus found is that of a drawn mark."""
    apart = wrap_rotation_deg(about(picture_deg, found, true) - truth.picture_direction_deg)
    return abs(apart) < NEAR_DEG + truth.width_deg / 2


def off_centre(found: Ellipse | None, true: synthetic.Ellipse) -> float:
    """Distance of a limbus from the true one, in limbus radii; infinite where none was found."""
    if found is None:
        return np.inf
    return float(np.hypot(found.x_px - true.x_px, found.y_px - true.y_px) / true.radius_px)


def about(angle_deg: float, found: Ellipse, true: synthetic.Ellipse) -> float:
    """Direction about the true middle of a place on the limbus whose direction about another is given."""
    angle = np.radians(angle_deg)
    x, y = found.x_px + found.radius_px * np.cos(angle), found.y_px - found.radius_px * np.sin(angle)
    return float(direction_deg(x - true.x_px, y - true.y_px))


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
    axis = np.abs([case.axis_error_deg for case in cases if np.isfinite(case.axis_error_deg)])
    if len(axis):  # a wrong middle of the limbus moves both ends alike and cancels
        lines.append(f"error of {len(axis)} axes through two opposite marks {percentiles(axis)}")
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
