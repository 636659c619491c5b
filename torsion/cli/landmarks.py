"""``torsion landmarks``: a printed sheet of landmarks, and the rotation from pairs picked by hand."""

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from torsion.angles import Eye
from torsion.axis import AxisFrame, AxisTransfer, transfer_axis
from torsion.cli import photo_options as shared
from torsion.cli.landmarks_text import pairs_text, survey_text
from torsion.cli.picked import check_pairs_inside, click_option
from torsion.cli.usage import REFUSED, NamedPath, refuse_idle
from torsion.errors import TorsionError
from torsion.files import write_whole
from torsion.landmark_pairs import HandRotation, fit_pairs, read_pairs
from torsion.landmark_survey import LandmarkSurvey, survey_landmarks
from torsion.photo import Turn
from torsion.preparation import PreparedPhoto, prepare
from torsion.record import cautions
from torsion.theatre_record import landmarks_record, pairs_cautions, pairs_record

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]

_MOST = 8
_BY_HAND = ("--click-px", "--turned", "--mirrored", "--axis-frame", "--picture")
_ON_SHEET = ("--sheet", "--case", "--count")


@click.command("landmarks")
@shared.photo_argument("seated", metavar="SEATED")
@click.argument("supine", metavar="[SUPINE]", type=NamedPath(path_type=Path), required=False)
@shared.eye_option(required=True)
@click.option(
    "--axis", type=shared.axis, metavar="DEG", help="Planned axis in the frame of the seated photo."
)
@click.option(
    "--count",
    type=click.IntRange(1, _MOST),
    metavar="N",
    help=f"Landmarks at most, 1 to {_MOST}.  [default: {_MOST}]",
)
@click.option(
    "--sheet",
    type=NamedPath(dir_okay=False, path_type=Path),
    metavar="FILE.html",
    help="Write the landmark sheet, one A4 page to print (needs jinja2).",
)
@click.option("--case", metavar="LABEL", help="Your label of the case, for the sheet.")
@click.option(
    "--pairs",
    type=NamedPath(dir_okay=False, path_type=Path),
    metavar="FILE.csv",
    help="Landmarks picked in both photos: seated_x_px, seated_y_px, supine_x_px, supine_y_px, and name if "
    "wanted; with SUPINE.",
)
@click_option(default="as the misfit shows")
@shared.turned_option(found=False)
@shared.mirrored_option
@click.option(
    "--axis-frame",
    type=click.Choice(("same", "level", "unknown")),
    help="How the keratometry relates to the seated photo, as for measure; with --pairs.",
)
@shared.json_option
@shared.picture_option
@click.pass_context
def command(
    ctx: click.Context,
    *,
    seated: Path,
    supine: Path | None,
    eye: Eye,
    axis: float | None,
    count: int | None,
    sheet: Path | None,
    case: str | None,
    pairs: Path | None,
    click_px: float | None,
    turned: Turn,
    mirrored: bool,
    axis_frame: AxisFrame | None,
    json_to: str | None,
    picture: Path | None,
) -> None:
    """Find what a person recognises on the SEATED eye, and print it with the way to the axis.

    With a SUPINE photo and --pairs: the rotation from landmarks picked by hand, a check that owes nothing to
    measure.

    Exit status: 0 done (accept or review), 3 refused, 1 a file cannot be used, 2 wrong usage.

    Example:

        torsion landmarks seated.jpg --eye OD --axis 90 --sheet landmarks.html

        torsion landmarks seated.jpg supine.jpg --eye OD --pairs picked.csv
    """
    if (supine is None) != (pairs is None):
        msg = "a SUPINE photo and --pairs go together: both for a check by hand, neither for a sheet"
        raise click.UsageError(msg)
    refuse_idle(*_BY_HAND, when=pairs is None, why="goes with a SUPINE photo and --pairs")
    refuse_idle(*_ON_SHEET, when=pairs is not None, why="goes without a SUPINE photo and --pairs")
    refuse_idle("--case", when=sheet is None, why="needs --sheet")
    refuse_idle("--axis-frame", when=axis is None, why="needs --axis")
    photos = [path for path in (seated, supine, pairs) if path is not None]
    shared.check_outputs(photos, json_to=json_to, picture=picture, sheet=sheet)
    if supine is None or pairs is None:
        verdict = _survey(seated, eye, axis, count or _MOST, sheet=sheet, case=case or "", json_to=json_to)
    else:
        first, second = prepare(seated, eye=eye), prepare(supine, eye=eye)
        verdict = _by_hand(
            first,
            second,
            pairs,
            eye=eye,
            axis=axis,
            frame=axis_frame or "unknown",
            click_px=click_px,
            turn_deg=turned,
            mirrored=mirrored,
            json_to=json_to,
            picture=picture,
        )
    if verdict == "refuse":
        ctx.exit(REFUSED)


def _survey(
    seated: Path,
    eye: Eye,
    axis: float | None,
    count: int,
    *,
    sheet: Path | None,
    case: str,
    json_to: str | None,
) -> str:
    survey = survey_landmarks(seated, eye=eye, axis_deg=axis, count=count)
    if sheet is not None and survey.prepared.limbus is not None:
        page = _sheet(survey, case)
        write_whole(page, sheet)
    elif sheet is not None:
        click.echo(f"No sheet is written to '{sheet}': no eye was found.", err=True)
    record = landmarks_record(survey, count=count)
    if shared.write_outputs(record, json_to=json_to):
        said = cautions(axis=axis is not None, pair=False)
        shared.print_text(survey_text(survey), flags=survey.flags, cautions=said)
    return survey.verdict


def _sheet(survey: LandmarkSurvey, case: str) -> str:
    from torsion.landmark_sheet import landmark_sheet

    try:
        return landmark_sheet(survey, case=case)
    except ImportError as fault:
        msg = f"a sheet needs jinja2 ({fault}); install it with: pip install 'torsion[sheet]'"
        raise click.ClickException(msg) from fault
    except ValueError as fault:
        raise click.UsageError(str(fault)) from fault


def _by_hand(
    first: PreparedPhoto,
    second: PreparedPhoto,
    file: Path,
    *,
    eye: Eye,
    axis: float | None,
    frame: AxisFrame,
    click_px: float | None,
    turn_deg: int,
    mirrored: bool,
    json_to: str | None,
    picture: Path | None,
) -> str:
    pairs = read_pairs(file)
    check_pairs_inside(pairs, first.photo, second.photo)
    try:
        found = fit_pairs(
            pairs,
            click_px=click_px,
            turn_deg=turn_deg,
            mirrored=mirrored,
            seated_limbus=first.limbus,
            supine_limbus=second.limbus,
            eye=eye,
        )
    except ValueError as fault:
        msg = f"'{file.name}': {fault}"
        raise TorsionError(msg) from fault
    carried = _carried(found, axis, frame, turn_deg=turn_deg, mirrored=mirrored)
    options = {"click_px": click_px, "turn_deg": turn_deg, "mirrored": mirrored}
    hashes = {"seated": first.photo.sha256, "supine": second.photo.sha256}
    hashes["pairs"] = hashlib.sha256(file.read_bytes()).hexdigest()
    record = pairs_record(found, axis=carried, options=options, sha256=hashes)

    def draw() -> "Figure":
        from torsion.landmark_plots import pairs_figure  # matplotlib loads only here

        return pairs_figure(found, first, second)

    if shared.write_outputs(record, json_to=json_to, picture=picture, draw=draw):
        lines = pairs_text(found, carried)
        shared.print_text(lines, flags=found.flags, cautions=pairs_cautions(carried))
    return found.verdict


def _carried(
    found: HandRotation, axis: float | None, frame: AxisFrame, *, turn_deg: int, mirrored: bool
) -> AxisTransfer | None:
    if axis is None:
        return None
    rotation = None if found.verdict == "refuse" else found.rotation_deg
    uncertainty = found.standard_uncertainty_deg
    return transfer_axis(axis, rotation, uncertainty, frame=frame, turn_deg=turn_deg, mirrored=mirrored)
