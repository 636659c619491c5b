"""Marking: the ink marks of one eye read in one or two photos, in the frame of the seated one.

Which marks of two photos are the same, what became of them in between, and what is to be said of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from torsion.angles import Eye, read_axis_deg, read_eye, wrap_rotation_deg
from torsion.flags import FORECASTS, Verdict, worst_verdict
from torsion.ink import Stain
from torsion.mark_frame import (
    MarkFrame,
    Outlined,
    agreed_outlines,
    mark_frame,
    outlined,
    read_mark,
    read_stains,
)
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
from torsion.measurement import Measurement, MeasureOptions, measure_pair
from torsion.photo import Turn, is_grey
from torsion.preparation import PhotoLike, PreparedPhoto, PrepareOptions, prepare
from torsion.upright import as_displayed, upright_pair

__all__ = ["Case", "MarkOptions", "Marking", "has_moved", "pair_marks", "read_marks"]

Case = Literal["none", "seated_marked", "supine_marked", "both_marked"]

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
    turned_deg : {0, 90, 180, 270}
        Turn of the supine picture that is expected; another is flagged.
    seated_mirrored : bool
        The seated picture is known to be mirrored; it is un-mirrored first.
    """

    expected: int | None = None
    mirrored: bool = False
    turned_deg: Turn = 0
    seated_mirrored: bool = False


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
        None also where there are more marks than expected, or none opposite, or the photos are refused.
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
    planned = _read_meridians(meridians_deg)
    named = read_eye(eye) if eye is not None else None
    flip = options.seated_mirrored
    if supine is not None:
        view = MeasureOptions(mirrored=options.mirrored, seated_mirrored=flip, turned_deg=options.turned_deg)
        pair = measure_pair(seated, supine, eye=named, options=view)
        return _marking(pair.seated, pair, planned, points_px, named or pair.eye, options)
    first = prepare(seated, eye=named, options=PrepareOptions(mirrored=flip))
    if flip:  # points are those of the picture as displayed
        edge = first.photo.width_px - 1.0
        points_px = [((edge - x0, y0), (edge - x1, y1)) for (x0, y0), (x1, y1) in points_px]
    return _marking(first, None, planned, points_px, named or first.photo.eye, options)


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
    m, planned = measurement, _read_meridians(meridians_deg)
    options = MarkOptions(None, m.options.mirrored, m.options.turned_deg, m.options.seated_mirrored)
    return _marking(m.seated, m, planned, (), m.eye, options)


def _read_meridians(meridians_deg: Sequence[float]) -> tuple[float, ...]:
    """Read them, each once: 0 and 180 are one."""
    return tuple(dict.fromkeys(read_axis_deg(angle, name="meridian") for angle in meridians_deg))


def _marking(
    first: PreparedPhoto,
    pair: Measurement | None,
    planned: tuple[float, ...],
    points_px: Sequence[tuple[tuple[float, float], tuple[float, float]]],
    named: Eye | None,
    options: MarkOptions,
) -> Marking:
    second = None if pair is None else pair.supine
    upright, turn_deg = (None, 0.0) if pair is None else upright_pair(pair)
    case, marks, lost = _all_marks(first, upright, planned)
    marks = tuple(as_displayed(mark, turn_deg) for mark in marks)
    axis, ink_flags = opposite_axis(marks, planned, expected=options.expected)
    photo: Role = "seated" if pair is None else "supine"
    points = tuple(
        two_point_mark(*two, photo=photo, measurement=pair, meridians_deg=planned) for two in points_px
    )
    meridians = tuple(meridian_beside(angle, marks) for angle in planned)
    flags = [name for name in first.flags if name not in FORECASTS] if pair is None else list(pair.flags)
    flags += ["other_side"] if pair is None and first.laterality.contradicts(named) else []
    flags += ink_flags + _flags(first, second, marks, lost, meridians)
    verdict = worst_verdict(flags)
    axis = None if verdict == "refuse" else axis
    return Marking(
        case, marks, lost, axis, meridians, points, verdict, tuple(dict.fromkeys(flags)), first, second, pair,
        named, options,
    )  # fmt: skip


def _all_marks(
    seated: PreparedPhoto, pair: Measurement | None, planned: Sequence[float]
) -> tuple[Case, tuple[Mark, ...], tuple[Mark, ...]]:
    """Bring the marks of both photos together: the case, the marks, and those that are lost."""
    first, second = agreed_outlines(outlined(seated), None if pair is None else outlined(pair.supine), pair)
    frame = mark_frame(first, second, pair)
    if "on_its_side" in seated.flags:  # lashes beside the iris would be taken for ink
        first = None
    if pair is not None and "on_its_side" in pair.supine.flags:
        second = None
    before = _marks(first, read_stains(first), frame, planned, "seated")
    if pair is None:
        return ("seated_marked" if before else "none"), tuple(before), ()
    alone = _marks(second, read_stains(second), frame, planned, "supine")
    if not frame.matched:
        return _case(before, alone), tuple(alone or before), ()
    after = _marks(second, read_stains(second, pair=pair, seated=first), frame, planned, "supine")
    for mark in alone:  # ink that was there before the seated photo: the difference does not show it
        if _same(mark, before) is not None and _same(mark, after) is None:
            after.append(mark)
    changed = [_with_change(mark, _same(mark, before)) for mark in after]
    kept = sorted(changed, key=lambda mark: mark.direction_deg or 0.0)
    lost = [mark for mark in before if _same(mark, after) is None] if before else []
    return _case(before, after), tuple(kept), tuple(lost)


def _marks(
    photo: Outlined | None, stains: Sequence[Stain], frame: MarkFrame, planned: Sequence[float], role: Role
) -> list[Mark]:
    return [] if photo is None else [read_mark(stain, photo, frame, planned, role) for stain in stains]


def _case(before: Sequence[Mark], after: Sequence[Mark]) -> Case:
    if before:
        return "both_marked" if after else "seated_marked"
    return "supine_marked" if after else "none"


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
    photos = [photo for photo in (seated, supine) if photo is not None]
    shown = [photo.picture.rgb for photo in photos if photo.picture is not None]
    unread = any({"no_eye", "on_its_side"} & set(photo.flags) for photo in photos)
    conditions = {
        "ink_needs_colour": any(is_grey(rgb) for rgb in shown),
        "no_ink": not marks and not lost and not unread,
        "ink_or_pigment": any(not mark.certain for mark in marks),
        "mark_covered": any(mark.covered for mark in marks),
        "broad_mark": any(mark.width_deg > _BROAD_DEG for mark in marks),
        "meridian_outside_ink": any(meridian.inside_ink is False for meridian in meridians),
        "ink_lost": bool(lost) and supine is not None,
        "ink_moved": any(has_moved(mark) for mark in marks),
        "ink_spread": any(mark.change is not None and mark.change.width_ratio > _SPREAD for mark in marks),
    }
    return [name for name, present in conditions.items() if present]


def has_moved(mark: Mark) -> bool:
    """Whether a mark lies at another place than in the seated photo, beyond what the two readings leave open.

    Parameters
    ----------
    mark : Mark
        Without an earlier one to compare it has not.
    """
    if mark.change is None:
        return False
    # The limbus centre of the seated photo is common to both readings, so only ink and rotation count; the
    # stated uncertainty holds the centre too and is on the safe side.
    return abs(mark.change.moved_deg) > max(_MOVED_DEG, _MOVED_SD * (mark.standard_uncertainty_deg or 0.0))
