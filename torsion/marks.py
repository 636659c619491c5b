"""Marks on an eye in the frame of the seated photo: ink at the limbus, and marks given by two points.

Common practice, no source: a pen mark can cover up to about five degrees, so one edge of it can be several
degrees off; hence the width stands beside every direction.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from torsion.angles import (
    axis_difference_deg,
    wrap_axis_deg,
    wrap_rotation_deg,
)
from torsion.ink_rules import InkColor

__all__ = [
    "MOST_MARKS",
    "OPPOSITE_WITHIN_DEG",
    "Change",
    "Mark",
    "MarkAxis",
    "Meridian",
    "Role",
    "meridian_beside",
    "offsets_from_marks",
    "opposite_axis",
]

Role = Literal["seated", "supine"]

MOST_MARKS = 3
"""Marks that an eye is given at most: two opposite ones and one more."""
OPPOSITE_WITHIN_DEG = 3.0
"""Two marks are opposite when they are this near to 180 degrees apart."""


@dataclass(frozen=True, slots=True)
class Change:
    """What became of a mark between the seated and the supine photo.

    Attributes
    ----------
    moved_deg : float
        Counter-clockwise positive.
    width_ratio, density_ratio : float
        Supine over seated; above 1 it has spread, below 1 it has faded.
    """

    moved_deg: float
    width_ratio: float
    density_ratio: float


@dataclass(frozen=True, slots=True)
class Mark:
    """One ink mark.

    Attributes
    ----------
    direction_deg : float or None
        In the frame of the seated photo, [0, 360); None where the photo it is in could not be brought there.
    width_deg : float
        Full width at half of its contrast, at the limbus.
    extent_deg : float
        Width within which ink can be seen at all.
    standard_uncertainty_deg : float or None
        Of the direction: of the ink's middle, of the limbus centre and, from a supine photo, of the rotation.
    rotation_uncertainty_deg : float
        The part of it that the rotation has, alike for all marks of a photo; 0 in a seated one.
    offset_deg : float or None
        From the nearest end of a given meridian to the mark, counter-clockwise positive.
    meridian_deg : float or None
        That meridian.
    holds_meridian : bool or None
        Whether its end lies between the edges of the ink.
    color : {"violet", "blue", "black", "brown"}
    photo : {"seated", "supine"}
        Where it was read.
    photo_direction_deg : float
        Its direction in that photo as displayed.
    outer : float
        Where it ends, limbus radii.
    density : float
    covered, certain : bool
        See `torsion.ink.Stain`.
    change : Change or None
        Where it was found in both photos.
    """

    direction_deg: float | None
    width_deg: float
    extent_deg: float
    standard_uncertainty_deg: float | None
    rotation_uncertainty_deg: float
    offset_deg: float | None
    meridian_deg: float | None
    holds_meridian: bool | None
    color: InkColor
    photo: Role
    photo_direction_deg: float
    outer: float
    density: float
    covered: bool
    certain: bool
    change: Change | None = None


@dataclass(frozen=True, slots=True)
class MarkAxis:
    """The axis through two opposite marks: errors of the limbus centre cancel in it, the rotation's stays.

    Attributes
    ----------
    axis_deg : float
        (0, 180].
    marks : (int, int)
        Their indices.
    bend_deg : float
        By how much they miss being opposite.
    standard_uncertainty_deg : float
    offset_deg : float or None
        From the nearest given meridian, counter-clockwise positive, [-90, 90).
    """

    axis_deg: float
    marks: tuple[int, int]
    bend_deg: float
    standard_uncertainty_deg: float
    offset_deg: float | None


@dataclass(frozen=True, slots=True)
class Meridian:
    """An intended meridian beside the ink.

    Attributes
    ----------
    meridian_deg : float
    mark : int or None
        Index of the mark nearest to one of its ends.
    offset_deg : float or None
        From that end to the middle of the mark.
    inside_ink : bool or None
        Whether an end of the meridian lies inside a mark; None without marks.
    """

    meridian_deg: float
    mark: int | None
    offset_deg: float | None
    inside_ink: bool | None


def opposite_axis(
    marks: Sequence[Mark], meridians_deg: Sequence[float] = (), *, expected: int | None = None
) -> tuple[MarkAxis | None, list[str]]:
    """Axis through the two marks that are opposite, and the flags where there is none to be had.

    Parameters
    ----------
    marks : sequence of Mark
    meridians_deg : sequence of float
        In (0, 180].
    expected : int, optional
        Marks that were made; up to three where it is not known.

    Returns
    -------
    axis : MarkAxis or None
    flags : list of str
        ``too_many_marks`` or ``marks_not_opposite``: then there is no axis.  One mark alone has neither.
    """
    if len(marks) > (MOST_MARKS if expected is None else expected):
        return None, ["too_many_marks"]
    missing = ["fewer_marks"] if expected is not None and len(marks) < expected else []
    placed = [index for index, mark in enumerate(marks) if mark.direction_deg is not None]
    pairs = [(_bend_deg(marks[i], marks[j]), i, j) for i in placed for j in placed if i < j]
    opposite = sorted((abs(bend), bend, i, j) for bend, i, j in pairs if abs(bend) <= OPPOSITE_WITHIN_DEG)
    if not opposite:
        return None, missing + (["marks_not_opposite"] if len(placed) > 1 else [])
    _, bend, i, j = opposite[0]
    start, ends = marks[i].direction_deg, (marks[i], marks[j])
    assert start is not None
    axis = wrap_axis_deg(start + bend / 2)
    # The rotation turns both alike, so it counts whole.  What the middle adds cancels; it stays in for what a
    # wiped or leaning mark hides, which its own raggedness does not show.
    rotation = max(mark.rotation_uncertainty_deg for mark in ends)
    squares = sum((mark.standard_uncertainty_deg or 0.0) ** 2 - rotation**2 for mark in ends)
    uncertainty = math.hypot(math.sqrt(max(squares, 0.0)) / 2, rotation)
    offset = min((axis_difference_deg(axis, planned) for planned in meridians_deg), key=abs, default=None)
    return MarkAxis(axis, (i, j), bend, uncertainty, offset), missing


def offsets_from_marks(directions_deg: Sequence[float], marks: Sequence[Mark]) -> tuple[float | None, ...]:
    """How far each direction (seated frame) is from the nearest mark, counter-clockwise positive.

    None where no mark has a direction.
    """
    placed = [mark.direction_deg for mark in marks if mark.direction_deg is not None]
    return tuple(
        min((wrap_rotation_deg(angle - place) for place in placed), key=abs, default=None)
        for angle in directions_deg
    )


def meridian_beside(planned_deg: float, marks: Sequence[Mark]) -> Meridian:
    """Say where an intended meridian lies beside the marks.

    Parameters
    ----------
    planned_deg : float
        In (0, 180].
    marks : sequence of Mark
    """
    offsets = [
        (wrap_rotation_deg(mark.direction_deg - planned_deg - turn), index)
        for index, mark in enumerate(marks)
        if mark.direction_deg is not None
        for turn in (0.0, 180.0)
    ]
    if not offsets:
        return Meridian(planned_deg, None, None, None)
    offset, nearest = min(offsets, key=lambda found: abs(found[0]))
    inside = any(abs(apart) <= marks[index].width_deg / 2 for apart, index in offsets)
    return Meridian(planned_deg, nearest, offset, inside)


def _bend_deg(first: Mark, second: Mark) -> float:
    assert first.direction_deg is not None
    assert second.direction_deg is not None
    return wrap_rotation_deg(second.direction_deg - first.direction_deg - 180.0)
