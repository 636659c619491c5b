"""``torsion level``: how head and camera lay, and what both eyes share."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from torsion.both_eyes import BothEyes, Taken, both_eyes
from torsion.cli import photo_options as shared
from torsion.cli.level_text import level_text
from torsion.cli.picked import check_inside, click_option
from torsion.cli.toric_options import as_usage_error
from torsion.cli.turns import StatedTurn, left_turn, read_turn, right_turn
from torsion.cli.usage import NamedPath, refuse_idle
from torsion.flags import worst_verdict
from torsion.intake import read_photo
from torsion.level import (
    HeadTurn,
    LevelledAxis,
    Posture,
    ReferenceKind,
    Tilt,
    head_turn,
    level_axis,
    reference_tilt,
)
from torsion.photo import Photo
from torsion.record import cautions
from torsion.theatre_record import level_record

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]

_TAKEN: dict[str, Taken] = {"one-frame": "one frame", "fixed": "fixed", "apart": "apart"}


@click.command("level")
@click.argument("seated", metavar="[SEATED]", type=NamedPath(path_type=Path), required=False)
@click.argument("supine", metavar="[SUPINE]", type=NamedPath(path_type=Path), required=False)
@shared.two_points_option("--line", of="Seated: two points of a line known to be level.")
@shared.two_points_option("--canthi", of="Seated: the two canthi of the eye.")
@shared.two_points_option("--pupils", of="Seated: the pupil centres of both eyes.")
@shared.two_points_option("--supine-line", of="Refused, with the reason why it cannot be.", hidden=True)
@shared.two_points_option("--supine-canthi", of="Supine: the two canthi of the eye.")
@shared.two_points_option("--supine-pupils", of="Supine: pupil centres of both eyes.")
@click_option(default="1, more for canthi and pupils")
@shared.turned_option(found=False)
@shared.mirrored_option
@click.option("--axis", type=shared.axis, metavar="DEG", help="Planned axis in the frame of the keratometry.")
@click.option(
    "--rotation",
    type=read_turn,
    metavar="DEG,SD|FILE",
    help="Rotation of the eye and its standard uncertainty, or the JSON that measure wrote.",
)
@click.option(
    "--right", type=right_turn, metavar="DEG,SD|FILE", help="Rotation of the right eye; with --left."
)
@click.option("--left", type=left_turn, metavar="DEG,SD|FILE", help="Rotation of the left eye; with --right.")
@click.option(
    "--taken",
    type=click.Choice(tuple(_TAKEN)),
    help="Both eyes in one frame, one after the other with camera and head fixed, or apart.  "
    "[default: apart]",
)
@shared.json_option
@shared.picture_option
def command(
    *,
    seated: Path | None,
    supine: Path | None,
    line: shared.Points | None,
    canthi: shared.Points | None,
    pupils: shared.Points | None,
    supine_line: shared.Points | None,
    supine_canthi: shared.Points | None,
    supine_pupils: shared.Points | None,
    click_px: float | None,
    turned: int,
    mirrored: bool,
    axis: float | None,
    rotation: StatedTurn | None,
    right: StatedTurn | None,
    left: StatedTurn | None,
    taken: str | None,
    json_to: str | None,
    picture: Path | None,
) -> None:
    """Say how head and camera lay, from points picked in the photos, and what both eyes share.

    A level line gives a seated photo against gravity.  The canthi or both pupils give it against the head,
    and how far the head is turned from the SEATED to the SUPINE photo.

    Exit status: 0 done, 1 a file cannot be used, 2 wrong usage.

    Example:

        torsion level --line 40,812,1880,840 --axis 90

        torsion level --canthi 21,640,1700,600 --supine-canthi 19,700,1690,610

        torsion level --right 3.1,0.2 --left -2.8,0.2 --taken fixed
    """
    given: list[tuple[ReferenceKind, Posture, shared.Points | None]] = [
        ("line", "seated", line),
        ("canthi", "seated", canthi),
        ("pupils", "seated", pupils),
        ("line", "supine", supine_line),
        ("canthi", "supine", supine_canthi),
        ("pupils", "supine", supine_pupils),
    ]
    photos = {"seated": seated, "supine": supine}
    _check_usage(given, axis=axis, rotation=rotation, right=right, left=left)
    files = [path for path in photos.values() if path is not None]
    refuse_idle("--picture", when=not files, why="needs a photo to draw on")
    files += [turn.file for turn in (rotation, right, left) if turn is not None and turn.file is not None]
    shared.check_outputs(files, json_to=json_to, picture=picture)
    read = {posture: read_photo(path) for posture, path in photos.items() if path is not None}
    _check_inside(given, read)
    with as_usage_error():
        tilts = _tilts(given, click_px=click_px, turn_deg=float(turned), mirrored=mirrored)
        found = _found(tilts, axis=axis, rotation=rotation, right=right, left=left, taken=taken)
    record = level_record(
        list(tilts.values()),
        axes=found.axes,
        head=found.head,
        eyes=found.eyes,
        flags=found.flags,
        verdict=worst_verdict(found.flags),
        sha256={posture: photo.sha256 for posture, photo in read.items()},
    )

    def draw() -> "Figure":
        from torsion.level_plots import level_figure  # matplotlib loads only here

        marked = [(tilts[kind, posture], points) for kind, posture, points in given if points is not None]
        return level_figure(read, marked)

    if shared.write_outputs(record, json_to=json_to, picture=picture, draw=draw):
        lines = level_text(list(tilts.values()), axes=found.axes, head=found.head, eyes=found.eyes)
        said = cautions(axis=bool(found.axes), pair=False)
        shared.print_text(lines, flags=found.flags, cautions=said)


_Tilts = dict[tuple[ReferenceKind, Posture], Tilt]


@dataclass(frozen=True, slots=True)
class _Found:
    axes: list[tuple[Tilt, LevelledAxis]]
    head: list[tuple[Tilt, HeadTurn]]
    eyes: BothEyes | None
    flags: tuple[str, ...]


def _check_usage(
    given: list[tuple[ReferenceKind, Posture, shared.Points | None]],
    *,
    axis: float | None,
    rotation: StatedTurn | None,
    right: StatedTurn | None,
    left: StatedTurn | None,
) -> None:
    present = {(kind, posture) for kind, posture, points in given if points is not None}
    faces = ("canthi", "pupils")
    pairs = any({(kind, "seated"), (kind, "supine")} <= present for kind in faces)
    complaints = {
        "--right and --left go together": (right is None) != (left is None),
        "give a reference (--line, --canthi, --pupils) or both eyes (--right, --left)": not present
        and right is None,
        "--axis needs a reference in the seated photo": axis is not None
        and not any(posture == "seated" for _, posture in present),
        "--rotation needs the same canthi or pupils in both photos": rotation is not None and not pairs,
    }
    for msg, wrong in complaints.items():
        if wrong and ("line", "supine") not in present:  # which is refused with its own reason
            raise click.UsageError(msg)
    postures = {posture for _, posture in present}
    refuse_idle("--taken", when=right is None, why="goes with --right and --left")
    refuse_idle("seated", "--click-px", when=not present, why="needs points picked in the photos")
    refuse_idle(
        "supine",
        "--turned",
        "--mirrored",
        when="supine" not in postures,
        why="needs points in the supine photo",
    )


def _check_inside(
    given: list[tuple[ReferenceKind, Posture, shared.Points | None]], photos: Mapping[str, Photo]
) -> None:
    for _, posture, points in given:
        photo = photos.get(posture)
        if points is None or photo is None:
            continue
        for place in (points[:2], points[2:]):
            check_inside(place, photo)


def _tilts(
    given: list[tuple[ReferenceKind, Posture, shared.Points | None]],
    *,
    click_px: float | None,
    turn_deg: float,
    mirrored: bool,
) -> _Tilts:
    tilts: _Tilts = {}
    for kind, posture, points in given:
        if points is None:
            continue
        supine = posture == "supine"
        tilts[kind, posture] = reference_tilt(
            kind,
            points[:2],
            points[2:],
            posture=posture,
            click_px=click_px,
            turn_deg=turn_deg if supine else 0.0,
            mirrored=mirrored and supine,
        )
    return tilts


def _found(
    tilts: _Tilts,
    *,
    axis: float | None,
    rotation: StatedTurn | None,
    right: StatedTurn | None,
    left: StatedTurn | None,
    taken: str | None,
) -> _Found:
    seated = [tilt for (_, posture), tilt in tilts.items() if posture == "seated"]
    axes = [] if axis is None else [(tilt, level_axis(axis, tilt)) for tilt in seated]
    turned, error = (
        (None, 0.0) if rotation is None else (rotation.rotation_deg, rotation.standard_uncertainty_deg)
    )
    head = [
        (tilt, head_turn(tilt, other, rotation_deg=turned, standard_uncertainty_deg=error))
        for tilt in seated
        if (other := tilts.get((tilt.kind, "supine"))) is not None
    ]
    eyes = None
    if right is not None and left is not None:
        eyes = both_eyes(
            right.rotation_deg,
            left.rotation_deg,
            right_standard_uncertainty_deg=right.standard_uncertainty_deg,
            left_standard_uncertainty_deg=left.standard_uncertainty_deg,
            taken=_TAKEN[taken or "apart"],
        )
    flags = [name for tilt in tilts.values() for name in tilt.flags] + list(eyes.flags if eyes else ())
    return _Found(axes, head, eyes, tuple(dict.fromkeys(flags)))
