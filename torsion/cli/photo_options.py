"""Options and output shared by the commands that take photos."""

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from torsion.angles import Eye, read_axis_deg, read_direction_deg, read_eye
from torsion.cli.rows import folded
from torsion.cli.toric_types import degrees, numbers
from torsion.cli.usage import NamedPath, give_json
from torsion.errors import PhotoError, TorsionError
from torsion.files import to_json, write_whole
from torsion.photo import PHOTO_SUFFIXES, TURNS, Ellipse, read_turn
from torsion.pictures import FORMATS, Format, figure_bytes
from torsion.wording import flag_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from torsion.measurement import Measurement

__all__ = [
    "Points",
    "axis",
    "check_outputs",
    "direction",
    "eye_option",
    "json_option",
    "mirrored_option",
    "outline",
    "outline_option",
    "photo_argument",
    "photo_files",
    "picture_option",
    "print_text",
    "seated_mirrored_option",
    "turned_option",
    "two_points",
    "two_points_option",
    "write_outputs",
]

_DPI = 120

_Command = Callable[..., None]
Points = tuple[float, float, float, float]
"""Two points, x and y of one and of the other, in pixels of the photo as displayed."""


def axis(text: str) -> float:
    """Read an axis, 0 to 180 degrees; 0 is read as 180."""
    return _in_range(text, lambda angle: read_axis_deg(angle))


def direction(text: str) -> float:
    """Read a direction, 0 to 360 degrees."""
    return _in_range(text, lambda angle: read_direction_deg(angle))


def two_points(text: str) -> Points:
    """Read two points given by hand, ``X,Y,X,Y`` in pixels of the photo as displayed."""
    x0, y0, x1, y1 = numbers(text, 4, form="X,Y,X,Y: two points in pixels of the photo as displayed")
    return x0, y0, x1, y1


def outline(text: str) -> Ellipse:
    """Read a circle given by hand, ``X,Y,R`` in pixels of the photo as displayed."""
    form = "X,Y,R: centre and radius in pixels, the radius above 0"
    x_px, y_px, radius_px = numbers(text, 3, form=form)
    if radius_px <= 0.0:
        msg = f"{text!r} is not of the form {form}"
        raise click.BadParameter(msg)
    return Ellipse.circle(x_px, y_px, radius_px)


def _in_range(text: str, read: Callable[[float], float]) -> float:
    try:
        return read(degrees(text))
    except ValueError as fault:
        raise click.BadParameter(str(fault)) from fault


def _eye(text: str) -> Eye:
    try:
        return read_eye(text)
    except ValueError as fault:
        raise click.BadParameter(str(fault)) from fault


def _json_to(text: str) -> str:
    if not text:
        msg = "must be the name of a file, or - to print it, not empty"
        raise click.BadParameter(msg)
    return text


def eye_option(*, required: bool) -> Callable[[_Command], _Command]:
    """Add ``--eye``."""
    return click.option(
        "--eye",
        type=_eye,
        metavar="OD|OS",
        required=required,
        help="Right (OD or R) or left (OS or L) eye; an error if the file says the other.",
    )


def turned_option(*, found: bool) -> Callable[[_Command], _Command]:
    """Add ``--turned``; to a command that finds a turn by itself, or to one that must be told."""
    unstated = "; a turn that is found but not stated is for review." if found else "."
    return click.option(
        "--turned",
        type=click.Choice([str(turn) for turn in TURNS]),
        callback=lambda _ctx, _option, text: read_turn(int(text or 0)),
        help="The supine picture is turned counter-clockwise by so much, as by a microscope (180 from the "
        f"head){unstated}  With --mirrored it counts before the mirror: what is mirrored and looks turned by "
        "90 is stated as 270.  [default: 0]",
    )


def photo_argument(name: str, *, metavar: str, many: bool = False) -> Callable[[_Command], _Command]:
    """Add a photo, or one and more of them, as an argument."""
    path = NamedPath(path_type=Path)
    return click.argument(name, metavar=metavar, type=path, nargs=-1 if many else 1, required=True)


def outline_option(name: str, *, of: str) -> Callable[[_Command], _Command]:
    """Add an outline given by hand."""
    help_text = f"{of}, given by hand: centre and radius in pixels of the photo as displayed."
    return click.option(name, type=outline, metavar="X,Y,R", help=help_text)


def two_points_option(name: str, *, of: str, hidden: bool = False) -> Callable[[_Command], _Command]:
    """Add two points given by hand."""
    return click.option(name, type=two_points, metavar="X,Y,X,Y", help=of, hidden=hidden)


mirrored_option = click.option(
    "--mirrored", is_flag=True, help="The supine picture is mirrored left to right."
)
seated_mirrored_option = click.option(
    "--seated-mirrored",
    is_flag=True,
    help="The seated picture is mirrored left to right, as by a selfie camera; results show it un-mirrored.",
)
json_option = click.option(
    "--json",
    "json_to",
    type=_json_to,
    metavar="FILE|-",
    help="Write the result as JSON; - prints it and nothing else.",
)
picture_option = click.option(
    "--picture",
    type=NamedPath(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Draw the result as .png, .svg or .pdf (needs matplotlib); where photos are read, the picture shows "
    "them and the names of their files.",
)


def photo_files(paths: Iterable[Path]) -> list[Path]:
    """Files to read: those named, and the photos that lie directly in the folders named, by name.

    Raises
    ------
    PhotoError
        If a folder holds no photo.
    """
    files: list[Path] = []
    for path in paths:
        if not path.is_dir():
            files.append(path)
            continue
        inside = sorted(file for file in path.iterdir() if _looks_like_photo(file))
        if not inside:
            msg = f"the folder '{path}' holds no photo ({', '.join(PHOTO_SUFFIXES)})"
            raise PhotoError(msg)
        files += inside
    return files


def _looks_like_photo(file: Path) -> bool:
    return file.suffix.lower() in PHOTO_SUFFIXES and not file.name.startswith(".") and file.is_file()


def check_outputs(
    read: Sequence[Path], *, json_to: str | None, picture: Path | None, sheet: Path | None = None
) -> None:
    """Refuse outputs that cannot be written or would destroy what is read or each other, before any work."""
    if sheet is not None and sheet.suffix.lower() not in (".html", ".htm"):
        msg = f"a sheet is written as .html, not '{sheet.name}'"
        raise click.UsageError(msg)
    if picture is not None and _format_of(picture) is None:
        msg = f"a picture is written as .{', .'.join(FORMATS)}, not '{picture.name}'"
        raise click.UsageError(msg)
    outputs = [] if json_to in (None, "-") else [Path(str(json_to))]
    outputs += [path for path in (picture, sheet) if path is not None]
    if not outputs:
        return  # a cohort may read a million files
    taken = {os.path.realpath(file): f"'{file}', which is read" for file in read}
    for output in outputs:
        place = os.path.realpath(output)  # Path.resolve stumbles over a link that points at itself
        if output.is_dir():
            msg = f"'{output}' cannot be written: it is a folder"
            raise click.UsageError(msg)
        if place in taken:
            msg = f"'{output}' cannot be written: it would replace {taken[place]}"
            raise click.UsageError(msg)
        if not output.parent.is_dir():
            msg = f"'{output}' cannot be written: there is no folder '{output.parent}'"
            raise TorsionError(msg)
        taken[place] = "another output"


def write_outputs(
    record: Mapping[str, Any],
    *,
    json_to: str | None,
    picture: Path | None = None,
    draw: "Callable[[], Figure] | None" = None,
) -> bool:
    """Write JSON and picture, if there is one to draw; both are made in full before either is written.

    Returns
    -------
    bool
        Whether the text is to be printed: not where the JSON is printed in its place.
    """
    text = to_json(record)
    if picture is not None and draw is not None:
        image = _drawn(draw, picture)
        write_whole(image, picture)
    return give_json(text, json_to)


def _format_of(picture: Path) -> Format | None:
    return next((kind for kind in FORMATS if picture.suffix.lower() == f".{kind}"), None)


def _drawn(draw: "Callable[[], Figure]", picture: Path) -> bytes:
    kind = _format_of(picture)
    assert kind is not None, "checked before the work, by check_outputs"
    try:
        return figure_bytes(draw(), kind, dpi=_DPI)
    except ImportError as fault:
        msg = f"drawing needs matplotlib ({fault}); install it with: pip install 'torsion[plots]'"
        raise click.ClickException(msg) from fault


def print_text(
    lines: Iterable[str],
    *,
    flags: Iterable[str],
    cautions: Iterable[str],
    pair: "Measurement | None" = None,
) -> None:
    """Print a result, what each flag means, which photo of a pair has it and what helps, and the cautions."""
    click.echo("\n".join(lines) + "\n")
    for name in flags:
        click.echo(folded(f"{name}: {flag_words(name, pair)}", "! "))
    click.echo(("\n" if flags else "") + folded(" ".join(cautions), ""))
