"""Marking: the ink marks of one eye read in one or two photos, in the frame of the seated one.

Ink in the supine photo is carried back by the map between the photos, so that every direction is counted in
one frame.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.angles import Eye, direction_deg, read_axis_deg, read_eye, wrap_rotation_deg
from torsion.flags import Verdict, worst_verdict
from torsion.ink import Stain, find_ink
from torsion.limbal_ring import ring_places
from torsion.marks import (
    MOST_MARKS,
    Change,
    Mark,
    MarkAxis,
    Meridian,
    PointMark,
    Role,
    meridian_beside,
    opposite_axis,
    two_point_mark,
)
from torsion.measurement import Measurement, MeasureOptions, measure
from torsion.photo import Ellipse, is_grey
from torsion.preparation import PhotoLike, PreparedPhoto, prepare

__all__ = ["Case", "MarkOptions", "Marking", "pair_marks", "read_marks"]

Case = Literal["none", "seated_marked", "supine_marked", "both_marked"]

# Standard uncertainty of the limbus centre across and up, limbus radii: lids hide the upper and lower limbus,
# so that its height is known less well (measured on drawn eyes by tests/benchmarks/ink_study.py).
_CENTRE = (0.004, 0.010)
_APART = 0.05  # limbus radii: middles that two photos put further apart are not averaged
_SAME_DEG = 4.0  # two marks whose middles are nearer than this, or that overlap, are one
_MOVED_SD, _MOVED_DEG = 2.0, 0.7  # a move is told from two standard uncertainties, and from this on
_SPREAD = 1.3  # width by which a mark is said to have spread: widths are read within a quarter
_BROAD_DEG = 5.0  # common practice, no source: the most that a pen mark covers as a rule


@dataclass(frozen=True, slots=True)
class MarkOptions:
    """Options of reading marks.

    Attributes
    ----------
    expected : int or None
        How many marks were made, 1 to 3; None takes up to three.
    mirrored : bool
        The supine picture is known to be mirrored.
    """

    expected: int | None = None
    mirrored: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Marking:
    """Marks read on one eye.

    Attributes
    ----------
    case : {"none", "seated_marked", "supine_marked", "both_marked"}
    marks : tuple of Mark
    lost : tuple of Mark
        Found in the seated photo and not in the supine one.
    axis : MarkAxis or None
        None also where there are more marks than expected, or none opposite.
    meridians : tuple of Meridian
    points : tuple of PointMark
    verdict : {"accept", "review", "refuse"}
    flags : tuple of str
    seated : PreparedPhoto
    supine : PreparedPhoto or None
    measurement : Measurement or None
        Of the pair.
    eye : {"OD", "OS"} or None
    options : MarkOptions
    """

    case: Case
    marks: tuple[Mark, ...]
    lost: tuple[Mark, ...]
    axis: MarkAxis | None
    meridians: tuple[Meridian, ...]
    points: tuple[PointMark, ...]
    verdict: Verdict
    flags: tuple[str, ...]
    seated: PreparedPhoto
    supine: PreparedPhoto | None = None
    measurement: Measurement | None = None
    eye: Eye | None = None
    options: MarkOptions = field(default_factory=MarkOptions)


def read_marks(
    seated: PhotoLike,
    supine: PhotoLike | None = None,
    *,
    eye: str | None = None,
    meridians_deg: Sequence[float] = (),
    points_px: Sequence[tuple[tuple[float, float], tuple[float, float]]] = (),
    options: MarkOptions | None = None,
) -> Marking:
    """Read the ink marks at the limbus.

    With a clean seated photo and a marked supine one, what the clean one shows too is no ink; with a seated
    photo alone the marks are read against its level; with ink in both, what moved, spread or got lost is
    said.  Which of the three it is follows from what is found.

    Parameters
    ----------
    seated, supine : path, (H, W[, 3]) uint8 or uint16 array, Photo or PreparedPhoto
    eye : {"OD", "OS", "R", "L"}, optional
    meridians_deg : sequence of float
        Intended meridians, [0, 180], in the frame of the seated photo.
    points_px : sequence of pairs of points
        Marks given by two points (x, y) of the supine photo, or of the seated one where it is alone, in
        pixels of the full picture.
    options : MarkOptions, optional

    Returns
    -------
    Marking
        No mark found is a result, not an error.

    Raises
    ------
    PhotoError
        If a file cannot be used.
    ValueError
        If the eye or a meridian is not one of those allowed, two points are one, or `expected` is not 1 to 3.
    """
    options = options or MarkOptions()
    if options.expected is not None and not 1 <= options.expected <= MOST_MARKS:
        msg = f"expected marks must be 1 to {MOST_MARKS}, not {options.expected}"
        raise ValueError(msg)
    planned = tuple(read_axis_deg(angle, name="meridian") for angle in meridians_deg)
    named = read_eye(eye) if eye is not None else None
    first = prepare(seated, eye=named)
    pair = None
    if supine is not None:
        pair = measure(first, supine, eye=named, options=MeasureOptions(mirrored=options.mirrored))
    named = named or (pair.eye if pair is not None else first.photo.eye)
    return _marking(first, pair, planned, points_px, named, options)


def pair_marks(measurement: Measurement, *, meridians_deg: Sequence[float] = ()) -> Marking:
    """Read the ink marks of a pair that has been measured.

    Parameters
    ----------
    measurement : Measurement
    meridians_deg : sequence of float
        Intended meridians, [0, 180], in the frame of the seated photo.

    Returns
    -------
    Marking
    """
    m, planned = measurement, tuple(read_axis_deg(angle, name="meridian") for angle in meridians_deg)
    return _marking(m.seated, m, planned, (), m.eye, MarkOptions(mirrored=m.options.mirrored))


def _marking(
    first: PreparedPhoto,
    pair: Measurement | None,
    planned: tuple[float, ...],
    points_px: Sequence[tuple[tuple[float, float], tuple[float, float]]],
    named: Eye | None,
    options: MarkOptions,
) -> Marking:
    second = None if pair is None else pair.supine
    case, marks, lost = _all_marks(first, pair, planned)
    axis, ink_flags = opposite_axis(marks, planned, expected=options.expected)
    photo: Role = "seated" if pair is None else "supine"
    points = tuple(
        two_point_mark(*two, photo=photo, measurement=pair, meridians_deg=planned) for two in points_px
    )
    meridians = tuple(meridian_beside(angle, marks) for angle in planned)
    flags = list(pair.flags if pair is not None else first.flags)
    flags += ink_flags + _flags(first, second, marks, lost, meridians)
    verdict = worst_verdict(flags)
    return Marking(
        case, marks, lost, axis, meridians, points, verdict, tuple(dict.fromkeys(flags)), first, second, pair,
        named, options,
    )  # fmt: skip


def _all_marks(
    seated: PreparedPhoto, pair: Measurement | None, planned: Sequence[float]
) -> tuple[Case, tuple[Mark, ...], tuple[Mark, ...]]:
    """Bring the marks of both photos together: the case, the marks, and those that are lost."""
    frame = _frame(seated, pair)
    before = [_mark(stain, seated, frame, planned, "seated") for stain in _stains(seated)]
    if pair is None:
        return ("seated_marked" if before else "none"), tuple(before), ()
    alone = _stains(pair.supine)
    if not frame.matched:
        after = [_mark(stain, pair.supine, frame, planned, "supine") for stain in alone]
        return _case(before, after), tuple(after or before), ()
    new = _stains(pair.supine, clean=_in_register(pair))
    after = [_mark(stain, pair.supine, frame, planned, "supine") for stain in new]
    for stain in alone:  # ink that was there before the seated photo: the difference does not show it
        mark = _mark(stain, pair.supine, frame, planned, "supine")
        if _same(mark, before) is not None and _same(mark, after) is None:
            after.append(mark)
    changed = [_with_change(mark, _same(mark, before)) for mark in after]
    kept = sorted(changed, key=lambda mark: mark.direction_deg or 0.0)
    lost = [mark for mark in before if _same(mark, after) is None] if before else []
    return _case(before, after), tuple(kept), tuple(lost)


def _case(before: Sequence[Mark], after: Sequence[Mark]) -> Case:
    if before:
        return "both_marked" if after else "seated_marked"
    return "supine_marked" if after else "none"


def _stains(prepared: PreparedPhoto, *, clean: NDArray[np.uint8] | None = None) -> tuple[Stain, ...]:
    outline = _outline(prepared)
    if outline is None or prepared.picture is None:
        return ()
    return find_ink(prepared.picture.rgb, outline, clean=clean)


def _outline(prepared: PreparedPhoto) -> Ellipse | None:
    """Limbus in the pixels of the cut."""
    if prepared.limbus is None or prepared.picture is None:
        return None
    limbus, scale = prepared.limbus, prepared.picture.px_per_radius / prepared.limbus.radius_px
    centre = prepared.picture.rgb.shape[0] // 2
    return Ellipse(centre, centre, limbus.major_px * scale, limbus.minor_px * scale, limbus.axis_deg)


def _from_cut(prepared: PreparedPhoto) -> NDArray[np.float64]:
    """Map of the pixels of the cut to those of the full picture, (3, 3)."""
    assert prepared.limbus is not None
    assert prepared.picture is not None
    scale = prepared.limbus.radius_px / prepared.picture.px_per_radius
    centre = prepared.picture.rgb.shape[0] // 2
    left, top = prepared.limbus.x_px - scale * centre, prepared.limbus.y_px - scale * centre
    return np.array([[scale, 0.0, left], [0.0, scale, top], [0.0, 0.0, 1.0]])


def _in_register(pair: Measurement) -> NDArray[np.uint8]:
    """Show the seated cut as the supine cut would."""
    assert pair.matrix is not None
    assert pair.seated.picture is not None
    assert pair.supine.picture is not None
    to_supine = np.vstack([pair.matrix, [0.0, 0.0, 1.0]])
    to_seated = np.linalg.inv(_from_cut(pair.seated)) @ np.linalg.inv(to_supine) @ _from_cut(pair.supine)
    side = pair.supine.picture.rgb.shape[0]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(pair.seated.picture.rgb, to_seated[:2], (side, side), flags=flags), np.uint8
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """Frame of the seated photo: the middle that directions count from, and what is carried into it.

    Attributes
    ----------
    middle_px : (float, float)
        Of the limbus, in the full seated picture.
    noise : (float, float)
        Standard uncertainty of it, across and up, limbus radii.
    pair : Measurement or None
    matched : bool
        Whether places of the supine photo can be carried.
    """

    middle_px: tuple[float, float]
    noise: tuple[float, float]
    pair: Measurement | None
    matched: bool


def _frame(seated: PreparedPhoto, pair: Measurement | None) -> _Frame:
    """Find the middle of the limbus: where both photos put it on the eye, each with an error of its own."""
    own = seated.limbus
    matched = pair is not None and pair.verdict != "refuse" and pair.matrix is not None
    if own is None:
        return _Frame((0.0, 0.0), _CENTRE, pair, matched=False)
    middle = own.x_px, own.y_px
    if not matched or pair is None or pair.matrix is None or pair.supine.limbus is None:
        return _Frame(middle, _CENTRE, pair, matched=False)
    other = np.array([pair.supine.limbus.x_px, pair.supine.limbus.y_px])
    back = np.linalg.solve(pair.matrix[:, :2], other - pair.matrix[:, 2])
    if math.dist(middle, back) > _APART * own.radius_px:
        return _Frame(middle, _CENTRE, pair, matched=True)
    both = (middle[0] + float(back[0])) / 2, (middle[1] + float(back[1])) / 2
    return _Frame(both, (_CENTRE[0] / math.sqrt(2), _CENTRE[1] / math.sqrt(2)), pair, matched=True)


def _mark(stain: Stain, prepared: PreparedPhoto, frame: _Frame, planned: Sequence[float], role: Role) -> Mark:
    """Bring a stain into the frame of the seated photo."""
    direction, width = _carried(stain, prepared, frame, role)
    uncertainty = stain.noise_deg
    if role == "supine" and frame.pair is not None:
        uncertainty = math.hypot(uncertainty, frame.pair.standard_uncertainty_deg or 0.0)
    offset = meridian = holds = stated = None
    if direction is not None:
        across, up = frame.noise
        angle = math.radians(direction)
        centre = math.degrees(math.hypot(across * math.sin(angle), up * math.cos(angle)))
        stated = math.hypot(uncertainty, centre)
        ends = [(wrap_rotation_deg(direction - at - turn), at) for at in planned for turn in (0.0, 180.0)]
        if ends:
            offset, meridian = min(ends, key=lambda end: abs(end[0]))
            holds = abs(offset) <= width / 2
    return Mark(
        direction, width, stain.extent_deg, stated, offset, meridian, holds, stain.color, role,
        stain.direction_deg, stain.outer, stain.density, stain.covered, stain.certain,
    )  # fmt: skip


def _carried(stain: Stain, prepared: PreparedPhoto, frame: _Frame, role: Role) -> tuple[float | None, float]:
    """Direction in the seated frame and width there; the direction is None where nothing can be carried."""
    if prepared.limbus is None or (role == "supine" and not frame.matched):
        return None, stain.width_deg
    half = stain.width_deg / 2
    places = np.array([stain.direction_deg - half, stain.direction_deg, stain.direction_deg + half])
    points = np.stack(ring_places(prepared.limbus, np.ones(3), places))
    if role == "supine" and frame.pair is not None and frame.pair.matrix is not None:
        matrix = frame.pair.matrix
        points = np.asarray(np.linalg.solve(matrix[:, :2], points - matrix[:, 2:]), np.float64)
    seen = np.asarray(direction_deg(points[0] - frame.middle_px[0], points[1] - frame.middle_px[1]))
    return float(seen[1]), abs(wrap_rotation_deg(float(seen[2] - seen[0])))


def _same(mark: Mark, others: Sequence[Mark]) -> Mark | None:
    """Find the one of other marks that is at the same place."""
    if mark.direction_deg is None:
        return None
    near = []
    for other in others:
        if other.direction_deg is not None:
            apart = abs(wrap_rotation_deg(mark.direction_deg - other.direction_deg))
            if apart <= max(_SAME_DEG, (mark.width_deg + other.width_deg) / 2):
                near.append((apart, other))
    return min(near, key=lambda found: found[0])[1] if near else None


def _with_change(mark: Mark, earlier: Mark | None) -> Mark:
    if earlier is None or mark.direction_deg is None or earlier.direction_deg is None:
        return mark
    moved = wrap_rotation_deg(mark.direction_deg - earlier.direction_deg)
    return replace(
        mark,
        certain=mark.certain and earlier.certain,
        change=Change(moved, mark.width_deg / earlier.width_deg, mark.density / earlier.density),
    )


def _flags(
    seated: PreparedPhoto,
    supine: PreparedPhoto | None,
    marks: Sequence[Mark],
    lost: Sequence[Mark],
    meridians: Sequence[Meridian],
) -> list[str]:
    changes = [(mark, mark.change) for mark in marks if mark.change is not None]
    shown = [
        photo.picture.rgb for photo in (seated, supine) if photo is not None and photo.picture is not None
    ]
    conditions = {
        "ink_needs_colour": any(is_grey(rgb) for rgb in shown),
        "no_ink": not marks,
        "ink_or_pigment": any(not mark.certain for mark in marks),
        "mark_covered": any(mark.covered for mark in marks),
        "broad_mark": any(mark.width_deg > _BROAD_DEG for mark in marks),
        "meridian_outside_ink": any(meridian.inside_ink is False for meridian in meridians),
        "ink_lost": bool(lost) and supine is not None,
        "ink_moved": any(_has_moved(mark, change) for mark, change in changes),
        "ink_spread": any(change.width_ratio > _SPREAD for _, change in changes),
    }
    return [name for name, present in conditions.items() if present]


def _has_moved(mark: Mark, change: Change) -> bool:
    # The limbus centre of the seated photo is common to both readings, so only ink and rotation count; the
    # stated uncertainty holds the centre too and is on the safe side.
    return abs(change.moved_deg) > max(_MOVED_DEG, _MOVED_SD * (mark.standard_uncertainty_deg or 0.0))
