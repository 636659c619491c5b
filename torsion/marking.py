"""Marking: the ink marks of one eye read in one or two photos, in the frame of the seated one."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from torsion.angles import Eye, read_axis_deg, read_eye
from torsion.flags import FORECASTS, Verdict, worst_verdict
from torsion.mark_changes import Case, has_moved, marks_of
from torsion.marks import MOST_MARKS, Mark, MarkAxis, Meridian, Role, meridian_beside, opposite_axis
from torsion.measurement import Measurement, MeasureOptions, measure_pair
from torsion.photo import Turn, is_grey
from torsion.point_marks import PointMark, two_point_mark
from torsion.preparation import PhotoLike, PreparedPhoto, PrepareOptions, prepare
from torsion.upright import as_displayed, upright_pair

__all__ = ["MarkOptions", "Marking", "pair_marks", "read_marks"]

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
    case, marks, lost = marks_of(first, upright, planned)
    marks = tuple(as_displayed(mark, turn_deg) for mark in marks)
    axis, ink_flags = opposite_axis(marks, planned, expected=options.expected)
    photo: Role = "seated" if pair is None else "supine"
    points = tuple(
        two_point_mark(*two, photo=photo, measurement=pair, meridians_deg=planned) for two in points_px
    )
    meridians = tuple(meridian_beside(angle, marks) for angle in planned)
    flags = [name for name in first.flags if name not in FORECASTS] if pair is None else list(pair.flags)
    flags += ["other_side"] if pair is None and first.laterality.contradicts(named) else []
    if marks or not _unread(first, second):
        flags += ink_flags
    flags += _flags(first, second, marks, lost, meridians)
    verdict = worst_verdict(flags)
    axis = None if verdict == "refuse" else axis
    return Marking(
        case, marks, lost, axis, meridians, points, verdict, tuple(dict.fromkeys(flags)), first, second, pair,
        named, options,
    )  # fmt: skip


def _unread(*photos: PreparedPhoto | None) -> bool:
    """Whether ink could not be looked for in one of the photos."""
    return any({"no_eye", "on_its_side"} & set(photo.flags) for photo in photos if photo is not None)


def _flags(
    seated: PreparedPhoto,
    supine: PreparedPhoto | None,
    marks: Sequence[Mark],
    lost: Sequence[Mark],
    meridians: Sequence[Meridian],
) -> list[str]:
    photos = [photo for photo in (seated, supine) if photo is not None]
    shown = [photo.picture.rgb for photo in photos if photo.picture is not None]
    conditions = {
        "ink_needs_colour": any(is_grey(rgb) for rgb in shown),
        "no_ink": not marks and not lost and not _unread(seated, supine),
        "ink_or_pigment": any(not mark.certain for mark in marks),
        "mark_covered": any(mark.covered for mark in marks),
        "broad_mark": any(mark.width_deg > _BROAD_DEG for mark in marks),
        "meridian_outside_ink": any(meridian.inside_ink is False for meridian in meridians),
        "ink_lost": bool(lost) and supine is not None,
        "ink_moved": any(has_moved(mark) for mark in marks),
        "ink_spread": any(mark.change is not None and mark.change.width_ratio > _SPREAD for mark in marks),
    }
    return [name for name, present in conditions.items() if present]
