"""``torsion ink``: the pen marks at the limbus, and where the intended meridian lies beside them."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from torsion.angles import Eye
from torsion.cli import photo_options as shared
from torsion.cli.picked import check_inside
from torsion.cli.rows import folded_rows, rows_text
from torsion.cli.usage import REFUSED, NamedPath, refuse_idle
from torsion.errors import PhotoError
from torsion.marking import Marking, MarkOptions, read_marks
from torsion.marks import MOST_MARKS, Mark, Meridian
from torsion.marks_record import marks_record
from torsion.photo import Turn
from torsion.point_marks import PointMark
from torsion.record import cautions
from torsion.wording import (
    axis_degrees,
    direction_degrees,
    ink_unread_words,
    reason_words,
    turn_words,
    verdict_word,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]

_CASES = {
    "none": "no ink mark was found at the limbus",
    "seated_marked": "ink in the seated photo; directions count from its level",
    "supine_marked": "ink in the supine photo; directions are carried into the seated photo",
    "both_marked": "ink in both photos; as it is in the supine one, in the frame of the seated one",
}
_ALL_LOST = "ink in the seated photo, none found in the supine one; directions are the seated one's"
_NOT_CARRIED = "ink found, but not carried, since the photos are refused; directions are those in its photo"
_WIDE = (
    "Common practice, no source: a pen mark can cover up to about five degrees, so one edge of it can be "
    "several degrees off."
)


@click.command("ink")
@shared.photo_argument("seated", metavar="SEATED")
@click.argument("supine", metavar="[SUPINE]", type=NamedPath(path_type=Path), required=False)
@shared.eye_option(required=True)
@click.option(
    "--meridian",
    "meridians",
    type=shared.axis,
    metavar="DEG",
    multiple=True,
    help="Intended meridian, 0 to 180, in the frame of the seated photo; may be repeated.",
)
@click.option(
    "--marks",
    "expected",
    type=click.IntRange(1, MOST_MARKS),
    help=f"How many marks were made.  [default: up to {MOST_MARKS}]",
)
@click.option(
    "--points",
    type=shared.two_points,
    metavar="X,Y,X,Y",
    multiple=True,
    help="Another mark, by two points of the last photo: a laser mark, the marks of a lens; may be repeated.",
)
@shared.mirrored_option
@shared.turned_option(found=True)
@shared.seated_mirrored_option
@shared.json_option
@shared.picture_option
@click.pass_context
def command(
    ctx: click.Context,
    *,
    seated: Path,
    supine: Path | None,
    eye: Eye,
    meridians: tuple[float, ...],
    expected: int | None,
    points: tuple[shared.Points, ...],
    mirrored: bool,
    turned: Turn,
    seated_mirrored: bool,
    json_to: str | None,
    picture: Path | None,
) -> None:
    """Find the ink marks at the limbus in the SEATED photo, the SUPINE one, or both.

    With a clean SEATED photo and a marked SUPINE one, the marks are carried into the seated photo's frame.
    Directions are in degrees, counter-clockwise as the examiner sees the photo, 0 at its right.

    Exit status: 0 read (also when there is no mark), 3 refused, 1 a file cannot be used, 2 wrong usage.

    Example:

        torsion ink seated.jpg supine.jpg --eye OD --meridian 90
    """
    refuse_idle("--mirrored", "--turned", when=supine is None, why="needs a SUPINE photo")
    shared.check_outputs([path for path in (seated, supine) if path], json_to=json_to, picture=picture)
    try:
        found = read_marks(
            seated,
            supine,
            eye=eye,
            meridians_deg=meridians,
            points_px=[(two[:2], two[2:]) for two in points],
            options=MarkOptions(
                expected=expected, mirrored=mirrored, turned_deg=turned, seated_mirrored=seated_mirrored
            ),
        )
    except PhotoError:
        raise  # a file that cannot be used is no slip on the command line
    except ValueError as fault:
        raise click.UsageError(str(fault)) from fault
    for two in points:
        for place in (two[:2], two[2:]):
            check_inside(place, (found.supine or found.seated).photo, name="mark by two points")

    def draw() -> "Figure":
        from torsion.ink_plots import ink_figure  # matplotlib loads only here

        return ink_figure(found)

    if shared.write_outputs(marks_record(found), json_to=json_to, picture=picture, draw=draw):
        said = cautions(axis=bool(found.meridians), pair=found.measurement is not None)
        notes = (*(said[:2]), _WIDE)
        shared.print_text(_text(found), flags=found.flags, cautions=notes, pair=found.measurement)
    if found.verdict == "refuse":
        ctx.exit(REFUSED)


def _text(found: Marking) -> list[str]:
    why = reason_words(found.flags, found.verdict, found.measurement)
    reason = "" if found.verdict == "accept" else f": {why}"
    rows = [*folded_rows("Verdict", verdict_word(found.verdict) + reason), *folded_rows("Ink", _case(found))]
    for number, mark in enumerate(found.marks, 1):
        rows += [(f"Mark {number}", _place(mark)), ("", _size(mark))]
        rows += [("", words) for words in (_beside(mark), _change(mark)) if words]
    rows += [("Lost", _place(mark)) for mark in found.lost]
    if found.axis is not None:
        axis = found.axis
        i, j = (index + 1 for index in axis.marks)
        words = (
            f"{axis_degrees(axis.axis_deg)} ± {axis.standard_uncertainty_deg:.1f}° through marks {i} and {j}"
        )
        words += f", which miss being opposite by {abs(axis.bend_deg):.1f}°"
        rows.append(("Axis", words))
    for meridian in found.meridians:
        rows.append(("Meridian", f"{axis_degrees(meridian.meridian_deg)}: {_inside(meridian, found)}"))
    rows += [("Two points", _point(point)) for point in found.points]
    return rows_text(rows)


def _case(found: Marking) -> str:
    if any(mark.direction_deg is None for mark in found.marks):
        return _NOT_CARRIED
    if found.case == "none" and ink_unread_words(found.flags):
        return ink_unread_words(found.flags)
    return _ALL_LOST if found.lost and not found.marks else _CASES[found.case]


def _place(mark: Mark) -> str:
    if mark.direction_deg is None:
        at = direction_degrees(mark.photo_direction_deg)
        return f"{mark.color}, at {at} in the {mark.photo} photo; not carried"
    at = f"{direction_degrees(mark.direction_deg)} ± {mark.standard_uncertainty_deg or 0.0:.1f}°"
    return f"{mark.color}, at {at}"


def _size(mark: Mark) -> str:
    return f"{mark.width_deg:.1f}° wide at half contrast, traces over {mark.extent_deg:.1f}°"


def _beside(mark: Mark) -> str:
    if mark.offset_deg is None or mark.meridian_deg is None:
        return ""
    inside = "inside" if mark.holds_meridian else "outside"
    meridian = axis_degrees(mark.meridian_deg)
    return f"{turn_words(mark.offset_deg)} from meridian {meridian}, which lies {inside} the ink"


def _change(mark: Mark) -> str:
    if mark.change is None:
        return ""
    change = mark.change
    return (
        f"since the seated photo: moved {turn_words(change.moved_deg)}, width × {change.width_ratio:.2f}, "
        f"density × {change.density_ratio:.2f}"
    )


def _point(point: PointMark) -> str:
    if point.axis_deg is None:
        return f"{axis_degrees(point.photo_axis_deg)} in the {point.photo} photo; not carried"
    offset = "" if point.offset_deg is None else f", {turn_words(point.offset_deg)} from the meridian"
    return f"{axis_degrees(point.axis_deg)} ± {point.standard_uncertainty_deg:.1f}°{offset}"


def _inside(meridian: Meridian, found: Marking) -> str:
    if meridian.inside_ink is None:
        return "the ink is not carried to it" if found.marks else "no ink to compare"
    return "runs through ink" if meridian.inside_ink else "runs beside the ink"
