"""``torsion inspect``: what each photo is good for, and which is the best."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from torsion.angles import Eye
from torsion.cli import photo_options as shared
from torsion.cli.usage import REFUSED
from torsion.errors import PhotoError
from torsion.intake import read_photo
from torsion.measures import MEASURES
from torsion.photo import Ellipse
from torsion.photo_words import GAZE, is_marked, limit_words, measure_words, shown_side
from torsion.preparation import PreparedPhoto, prepare
from torsion.record import best_photo, cautions, inspection_record
from torsion.wording import printable, verdict_word

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]

_COLUMNS = (
    "limbus_radius_px",
    "pixels_per_degree",
    "iris_valid",
    "limbus_valid",
    "iris_detail",
    "focus",
    "pupil_ratio",
)


@click.command("inspect")
@shared.photo_argument("photos", metavar="PHOTO...", many=True)
@shared.eye_option(required=False)
@shared.outline_option("--limbus", of="Limbus of the one photo")
@shared.outline_option("--pupil", of="Pupil of the one photo")
@shared.json_option
@shared.picture_option
@click.pass_context
def command(
    ctx: click.Context,
    *,
    photos: tuple[Path, ...],
    eye: Eye | None,
    limbus: Ellipse | None,
    pupil: Ellipse | None,
    json_to: str | None,
    picture: Path | None,
) -> None:
    """Find the eye in each PHOTO (a file, or a folder of photos) and say what the photo is good for.

    Of one photo all figures are shown with their limits and what betters them, of several the chief ones and
    which photo is best.

    Exit status: 0 at least one photo can be used, 3 all are refused, 1 a file cannot be used, 2 wrong usage.
    In a folder, a file that cannot be used is left out, and said to be.  Photos of one name are shown with
    their folders.

    Example:

        torsion inspect one.jpg two.jpg --eye OD --picture inspected.png
    """
    files = shared.photo_files(photos)
    if (limbus is not None or pupil is not None) and len(files) != 1:
        msg = f"--limbus and --pupil go with one photo, not {len(files)}"
        raise click.UsageError(msg)
    shared.check_outputs(files, json_to=json_to, picture=picture)
    if limbus is None and pupil is None:
        prepared = _prepared(files, eye, named=set(photos))
    else:
        prepared = [prepare(read_photo(files[0], eye=eye, limbus=limbus, pupil=pupil))]

    def draw() -> "Figure":
        from torsion.inspection_plots import inspection_figure  # matplotlib loads only here

        try:
            return inspection_figure(prepared)
        except ValueError as fault:
            raise click.UsageError(str(fault)) from fault

    if shared.write_outputs(inspection_record(prepared), json_to=json_to, picture=picture, draw=draw):
        flags = dict.fromkeys(name for photo in prepared for name in photo.flags)
        shared.print_text(_text(prepared), flags=tuple(flags), cautions=cautions(axis=False)[:1])
    if all(photo.verdict == "refuse" for photo in prepared):
        ctx.exit(REFUSED)


def _prepared(files: Sequence[Path], eye: Eye | None, *, named: set[Path]) -> list[PreparedPhoto]:
    """Prepare the photos; one of a folder that cannot be read is told of, and does not cost the others."""
    prepared: list[PreparedPhoto] = []
    names = _told_apart(files)
    faults: dict[Path, PhotoError] = {}
    for file in files:
        try:
            found = prepare(file, eye=eye)
            prepared.append(replace(found, photo=replace(found.photo, name=names[file])))
        except PhotoError as fault:
            if len(files) == 1:
                raise
            faults[file] = fault
    asked_for = [str(fault) for file, fault in faults.items() if file in named]
    if asked_for:
        msg = "; ".join(asked_for) + " (to have such files left out, give their folder)"
        raise PhotoError(msg)
    if faults and not prepared:
        raise next(iter(faults.values()))
    for left_out in faults.values():
        click.echo(f"Left out: {printable(str(left_out))}", err=True)
    return prepared


def _told_apart(files: Sequence[Path]) -> Mapping[Path, str]:
    """Name each file; where names repeat, with as many of its folders as tell it from the others."""
    names = {file: file.name for file in files}
    for depth in range(2, 1 + max(len(file.parts) for file in files)):
        count = Counter(names.values())
        names |= {
            file: Path(*file.parts[-depth:]).as_posix() for file, name in names.items() if count[name] > 1
        }
    return names


def _text(photos: Sequence[PreparedPhoto]) -> list[str]:
    return _figures(photos[0]) if len(photos) == 1 else _table(photos)


def _figures(photo: PreparedPhoto) -> list[str]:
    """All figures of one photo with their limits."""
    head = f"{verdict_word(photo.verdict)}  {printable(photo.photo.name)}"
    if photo.limbus is None:
        return [head]
    head += f", shows {shown_side(photo)}" if photo.laterality.upright else ", does not show which eye it is"
    rows = [("", "", "limit", "to better it")]
    for name, (label, value) in zip(photo.measures, measure_words(photo.measures), strict=True):
        sign = "!" if is_marked(photo, name) else " "
        rows.append((f"{sign} {label}", value, limit_words(name), MEASURES[name].retake))
    rows.append((f"  {GAZE[0]}", *GAZE[1:], "ask to look straight into the lens"))
    first, second, third = (max(len(row[column]) for row in rows) for column in range(3))
    return [head, "", *(f"{a:{first}}  {b:>{second}}  {c:{third}}  {d}" for a, b, c, d in rows)]


def _table(photos: Sequence[PreparedPhoto]) -> list[str]:
    head = [label for label, _ in measure_words(dict.fromkeys(_COLUMNS))]
    table = [["", "photo", "verdict", *head, "shows", "flags"]]
    for number, photo in enumerate(photos, 1):
        measures = {name: photo.measures.get(name) for name in _COLUMNS}
        values = [value for _, value in measure_words(measures)]
        flags = ", ".join(photo.flags) or "–"
        found = [printable(photo.photo.name), verdict_word(photo.verdict), *values, shown_side(photo), flags]
        table.append([str(number), *found])
    widths = [max(len(line[column]) for line in table) for column in range(len(table[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in table]
    best = best_photo(photos)
    if best is None:
        lines += ["", "No photo can be used."]
    else:
        lines += ["", f"Best: {best + 1}, {printable(photos[best].photo.name)}"]
    return [line.rstrip() for line in lines]
