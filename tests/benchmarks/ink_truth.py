"""Ink marks as they were read, compared with the truth of the drawn eyes that bear them."""

from typing import NamedTuple

import numpy as np

import synthetic
from torsion.angles import axis_difference_deg, direction_deg, wrap_axis_deg, wrap_rotation_deg
from torsion.marking import Marking
from torsion.photo import Ellipse

__all__ = ["Case", "Found", "case_of"]

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
    axis_stated_deg: float


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
    stated = both.axis.standard_uncertainty_deg if both.axis is not None else np.nan
    return Case(
        seed, pair, (*marks, *more), invented, invented_alone, on_clean, registered, error, axis, stated
    )


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
