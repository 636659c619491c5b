"""``torsion measure``: how far the eye has turned from the seated to the supine photo."""

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from torsion.aids import Aids
from torsion.aids_record import with_aids
from torsion.angles import Eye
from torsion.axis_cost import AxisCost
from torsion.cli import photo_options as shared
from torsion.cli.aid_options import AidRequest, aid_options, aid_rows
from torsion.cli.axis_options import AxisPlan, axis_options
from torsion.cli.progress import progress_reporter
from torsion.cli.rows import Row, folded_rows, rows_text
from torsion.cli.usage import REFUSED, NamedPath, refuse_idle
from torsion.cohort.progress import Progress
from torsion.files import write_whole
from torsion.intake import read_photo
from torsion.measurement import Measurement, MeasureOptions
from torsion.measurement_words import (
    axis_words,
    band_words,
    cost_words,
    direction_words,
    order_words,
    side_words,
    uncertainty_words,
    view_words,
)
from torsion.network_words import network_words
from torsion.photo import Ellipse, Photo, Turn
from torsion.record import measurement_cautions, measurement_record
from torsion.several import measure
from torsion.wording import axis_degrees, direction_degrees, reason_words, rotation_words, verdict_word

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]

_PATIENCE_S = 5.0  # without a word on how far the work has come


def _also(name: str, *, posture: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    return click.option(
        name,
        type=NamedPath(path_type=Path),
        multiple=True,
        metavar="FILE",
        help=f"A further {posture} photo of the same eye, as often as there are any; all pairs are combined.",
    )


@click.command("measure")
@shared.photo_argument("seated", metavar="SEATED")
@shared.photo_argument("supine", metavar="SUPINE")
@shared.eye_option(required=True)
@axis_options
@aid_options
@_also("--also-seated", posture="seated")
@_also("--also-supine", posture="supine")
@shared.mirrored_option
@shared.turned_option(found=True)
@shared.seated_mirrored_option
@shared.outline_option("--seated-limbus", of="Limbus of the seated photo")
@shared.outline_option("--supine-limbus", of="Limbus of the supine photo")
@shared.outline_option("--seated-pupil", of="Pupil of the seated photo")
@shared.outline_option("--supine-pupil", of="Pupil of the supine photo")
@shared.json_option
@shared.picture_option
@click.option(
    "--sheet",
    type=NamedPath(dir_okay=False, path_type=Path),
    metavar="FILE.html",
    help="Write the theatre sheet, one page to print (needs jinja2 and matplotlib); it shows the eye and no "
    "name of a file.",
)
@click.option("--case", default="", metavar="LABEL", help="Your label of the case, for the theatre sheet.")
@click.pass_context
def command(
    ctx: click.Context,
    *,
    seated: Path,
    supine: Path,
    eye: Eye,
    plan: AxisPlan,
    wanted: AidRequest,
    also_seated: tuple[Path, ...],
    also_supine: tuple[Path, ...],
    mirrored: bool,
    turned: Turn,
    seated_mirrored: bool,
    seated_limbus: Ellipse | None,
    supine_limbus: Ellipse | None,
    seated_pupil: Ellipse | None,
    supine_pupil: Ellipse | None,
    json_to: str | None,
    picture: Path | None,
    sheet: Path | None,
    case: str,
) -> None:
    """Measure the rotation of the eye from the SEATED to the SUPINE photo, and carry the axis with it.

    Further photos of either posture make it surer and show which photo disagrees; rotation and axis still
    are those between SEATED and SUPINE.

    Angles are in degrees, counter-clockwise as the examiner sees the photo, 0 at its right.

    Exit status: 0 measured (accept or review), 3 refused, 1 a file cannot be used, 2 wrong usage.

    Example:

        torsion measure seated.jpg supine.jpg --eye OD --axis 90
    """
    refuse_idle("--case", when=sheet is None, why="needs --sheet")
    refuse_idle(
        "--limbus-mm",
        when=plan.axis_deg is None and not wanted.centre,
        why="needs --axis, --visual-axis or --capsule-ring-mm: nothing else is told in millimetres",
    )
    photos = [seated, supine, *also_seated, *also_supine]
    shared.check_outputs([*photos, *wanted.files], json_to=json_to, picture=picture, sheet=sheet)
    found = _measured(
        [_photo(seated, eye, limbus=seated_limbus, pupil=seated_pupil), *also_seated],
        [_photo(supine, eye, limbus=supine_limbus, pupil=supine_pupil), *also_supine],
        plan,
        eye=eye,
        options=MeasureOptions(mirrored=mirrored, seated_mirrored=seated_mirrored, turned_deg=turned),
    )
    found, aids = wanted.beside(found)
    cost = plan.cost(found)

    def draw() -> "Figure":
        from torsion.plots import measurement_figure  # matplotlib loads only here

        return measurement_figure(found, cost=cost, aids=aids)

    page = None if sheet is None else _page(found, case=case, cost=cost, aids=aids)
    record = with_aids(measurement_record(found, cost=cost), aids, sha256=wanted.sha256)
    as_text = shared.write_outputs(record, json_to=json_to, picture=picture, draw=draw)
    if sheet is not None and page is not None:
        write_whole(page, sheet)
    if as_text:
        shared.print_text(
            _text(found, cost, aids),
            flags=dict.fromkeys((*found.flags, *aids.own_flags)),
            cautions=measurement_cautions(found),
            pair=found,
        )
    if found.verdict == "refuse":
        ctx.exit(REFUSED)


def _measured(
    seated: Sequence[Path | Photo],
    supine: Sequence[Path | Photo],
    plan: AxisPlan,
    *,
    eye: Eye,
    options: MeasureOptions,
) -> Measurement:
    return measure(
        seated,
        supine,
        eye=eye,
        axis_deg=plan.axis_deg,
        axis_frame=plan.frame,
        axis_tilt=plan.tilt,
        incision_deg=plan.incision_deg,
        options=options,
        progress=_progress(),
    )


def _progress() -> Callable[[int, int], None]:
    """Report pairs where there are so many that one wonders."""
    show, start = progress_reporter(), time.monotonic()

    def tell(done: int, total: int) -> None:
        seconds = time.monotonic() - start
        if seconds > _PATIENCE_S:
            show(Progress("measuring", done, total, seconds))

    return tell


def _photo(path: Path, eye: Eye, *, limbus: Ellipse | None, pupil: Ellipse | None) -> Path | Photo:
    if limbus is None and pupil is None:
        return path
    return read_photo(path, eye=eye, limbus=limbus, pupil=pupil)


def _page(found: Measurement, *, case: str, cost: AxisCost | None, aids: Aids) -> str:
    try:
        from torsion.report import theatre_sheet

        return theatre_sheet(found, case=case, cost=cost, aids=aids)
    except ImportError as fault:
        msg = f"the sheet needs jinja2 and matplotlib ({fault}); install: pip install 'torsion[sheet]'"
        raise click.ClickException(msg) from fault
    except ValueError as fault:
        raise click.UsageError(str(fault)) from fault


def _text(m: Measurement, cost: AxisCost | None, aids: Aids) -> list[str]:
    reason = "" if m.verdict == "accept" else f": {reason_words(m.flags, m.verdict, m)}"
    rows = [*folded_rows("Verdict", verdict_word(m.verdict) + reason), ("Rotation", _rotation(m))]
    if m.verdict != "refuse":
        rows.append(("", uncertainty_words(m)))
        rows.append(("", direction_words(m)))
    rows.append(("  iris", band_words(m, "iris")))
    rows.append(("  limbal band", band_words(m, "limbus")))
    for label, words in (("View", view_words(m)), ("Side", side_words(m)), ("Order", order_words(m))):
        rows += folded_rows(label, words)
    if m.network is not None:
        rows += folded_rows("Photos", *network_words(m.network))
    if m.axis is not None:
        rows += _axis_rows(m)
    rows += aid_rows(aids)
    if cost is not None:
        words = cost_words(cost)
        rows += folded_rows("Cost", words[:1].upper() + words[1:])
    return rows_text(row for row in rows if row[1])


def _rotation(m: Measurement) -> str:
    if m.verdict != "refuse":
        return rotation_words(m.rotation_deg)
    if m.rotation_deg is None:
        return "none found"
    return f"none to use (the best try gave {rotation_words(m.rotation_deg)}; do not rely on it)"


def _axis_rows(m: Measurement) -> list[Row]:
    axis, incision = m.axis, m.incision
    assert axis is not None
    if axis.surgical_deg is None:
        return [("Axis", f"planned at {axis_degrees(axis.planned_deg)}; not carried")]
    where = "" if axis.tilt_deg is None else f", which is {axis_degrees(axis.seated_deg)}"
    rows = [
        ("Axis", f"planned at {axis_degrees(axis.planned_deg)}{where} in the seated photo"),
        ("", f"lens marks at {axis_degrees(axis.surgical_deg)} in the supine photo, {axis_words(axis)}"),
    ]
    if axis.surgical_patient_deg is not None:
        rows.append(("", f"{axis_degrees(axis.surgical_patient_deg)} in the patient's frame, view undone"))
    if incision is not None and incision.surgical_deg is not None:
        planned, carried = (direction_degrees(x) for x in (incision.planned_deg, incision.surgical_deg))
        rows.append(("Incision", f"planned at {planned}, {carried} in the supine photo"))
    return rows
