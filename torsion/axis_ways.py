"""Ways to a carried axis from things on the eye.

Degrees hold only in the photo that they were measured in; a way to go from a vessel or an ink mark holds on
the eye.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

from torsion.angles import wrap_direction_deg
from torsion.centre import mm_per_degree
from torsion.iris_map import iris_places
from torsion.landmark_search import find_landmarks
from torsion.landmarks import Landmark, axis_offsets, carry_landmarks
from torsion.marking import Marking
from torsion.marks import Mark, offsets_from_marks
from torsion.measurement import Measurement

__all__ = ["NEAREST", "AxisWay", "axis_ways"]

NEAREST = 4
"""Landmarks that an axis is counted from: those nearest to an end of it."""


@dataclass(frozen=True, slots=True, eq=False)
class AxisWay:
    """How to get to the carried axis from a thing on the eye, in the supine photo as displayed.

    Attributes
    ----------
    start : {"landmark", "ink"}
    number : int
        Of the landmark among those of the seated photo (as on the landmark sheet), or of the mark.
    kind : str
        What it looks like, such as "vessel" or "violet ink".
    band : {"iris", "limbus"}
        Where it lies.
    direction_deg : float
        From the centre of the limbus to it, [0, 360).
    offset_deg : float
        From it to the nearer end of the axis, counter-clockwise positive, [-90, 90).
    offset_mm : float
        The same along the limbus.
    end_deg : float
        Direction of that end, [0, 360).
    landmark : Landmark or None
        As it lies in the supine photo; None for ink.
    width_deg : float or None
        Of ink.
    """

    start: Literal["landmark", "ink"]
    number: int
    kind: str
    band: Literal["iris", "limbus"]
    direction_deg: float
    offset_deg: float
    offset_mm: float
    end_deg: float
    landmark: Landmark | None = None
    width_deg: float | None = None


def axis_ways(
    measurement: Measurement,
    ink: Marking | None = None,
    *,
    nearest: int = NEAREST,
    limbus_mm: float | None = None,
) -> tuple[AxisWay, ...]:
    """Ways to the carried axis from ink and from the landmarks nearest to an end of it.

    Parameters
    ----------
    measurement : Measurement
    ink : Marking, optional
        Of the same pair.
    nearest : int
        Landmarks at most.
    limbus_mm : float, optional
        Diameter of the limbus; by default the average.

    Returns
    -------
    tuple of AxisWay
        Ink first; then landmarks of the seated photo that are recognised in the supine one, nearest first.
        Empty where no axis was carried.
    """
    m = measurement
    if m.axis is None or m.axis.surgical_deg is None:
        return ()
    per_degree = mm_per_degree() if limbus_mm is None else mm_per_degree(limbus_mm)
    marks = () if ink is None else ink.marks
    ways = [_way_from_ink(m, mark, number, per_degree) for number, mark in enumerate(marks, 1)]
    for offset in axis_offsets(_landmarks(m), m.axis.surgical_deg, nearest=nearest):
        seen, size = offset.landmark, offset.offset_deg
        ways.append(
            AxisWay(
                "landmark", seen.number, seen.kind, seen.band, seen.direction_deg, size, size * per_degree,
                offset.end_deg, seen,
            )
        )  # fmt: skip
    return tuple(way for way in ways if way is not None)


def _landmarks(m: Measurement) -> Sequence[Landmark]:
    """Landmarks of the seated photo that are recognised in the supine one, as they lie there."""
    if m.seated.picture is None or m.seated.limbus is None or m.supine.limbus is None or m.matrix is None:
        return ()
    found = find_landmarks(m.seated.picture, m.seated.limbus)
    return carry_landmarks(
        found,
        m.matrix,
        seated=m.seated.limbus,
        supine=m.supine.limbus,
        seated_eye=m.seated.picture,
        supine_eye=m.supine.picture,
        iris_places=partial(iris_places, m),
    )


def _way_from_ink(m: Measurement, mark: Mark, number: int, per_degree: float) -> AxisWay | None:
    """Count in the seated photo, to which every mark was carried, and say it as the supine one shows it."""
    assert m.axis is not None
    ends = (m.axis.seated_deg, m.axis.seated_deg + 180.0)
    offsets = [offset for offset in offsets_from_marks(ends, (mark,)) if offset is not None]
    if not offsets or m.view is None:
        return None
    offset = min(offsets, key=abs) * (-1.0 if m.view.mirrored else 1.0)
    at = mark.photo_direction_deg
    return AxisWay(
        "ink", number, f"{mark.color} ink", "limbus", at, offset, offset * per_degree,
        wrap_direction_deg(at + offset), None, mark.width_deg,
    )  # fmt: skip
