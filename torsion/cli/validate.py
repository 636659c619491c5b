"""``torsion validate``: a user's own camera put to the test."""

from collections.abc import Iterator
from pathlib import Path

import click

from torsion.cli import photo_options as shared
from torsion.cli.progress import cores, progress_reporter
from torsion.cli.rows import folded
from torsion.cli.usage import INTERRUPTED, REFUSED, NamedPath, give_json, refuse_idle
from torsion.cohort.executors import Processes
from torsion.eye_groups import group_photos, read_pattern
from torsion.files import to_json, write_whole
from torsion.toric import CAUTION
from torsion.validate import ValidateOptions, Validation, validate
from torsion.validate_record import validation_record
from torsion.wording import printable

__all__ = ["command"]

_PAGE, _JSON = "validation.html", "validation.json"
_MOST_ADVICE = _MOST_NAMED = 3


def _pattern(text: str) -> str:
    try:
        read_pattern(text)
    except ValueError as fault:
        raise click.BadParameter(str(fault)) from fault
    return text


@click.command("validate")
@click.argument("folder", metavar="FOLDER", type=NamedPath(path_type=Path))
@click.option(
    "--pattern",
    type=_pattern,
    metavar="TEXT",
    help="Names of the photos, such as '{eye}_*.jpg': {eye} and {patient} name the eye, * is anything.  "
    "[default: every sub-folder is an eye; one named seated or supine belongs to the eye it lies in]",
)
@click.option(
    "--out",
    type=NamedPath(file_okay=False, path_type=Path),
    metavar="DIR",
    help=f"Write the report, DIR/{_PAGE}, and DIR/{_JSON} (needs matplotlib and jinja2).",
)
@click.option(
    "--different",
    type=click.IntRange(min=0),
    default=300,
    show_default=True,
    metavar="N",
    help="Most pairs of different eyes.",
)
@click.option(
    "--mirrored",
    type=click.IntRange(min=0),
    default=100,
    show_default=True,
    metavar="N",
    help="Most pairs with one photo mirrored.",
)
@click.option(
    "--turned",
    type=click.IntRange(min=0),
    default=60,
    show_default=True,
    metavar="N",
    help="Most photos whose eye is turned on purpose.",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=0,
    show_default=True,
    metavar="N",
    help="Of what is drawn at random.",
)
@click.option(
    "--workers", type=click.IntRange(min=1), metavar="N", help="Processes.  [default: one for each core]"
)
@click.option("--title", default="", metavar="TEXT", help="Name of the camera, for the report.")
@shared.json_option
@click.pass_context
def command(
    ctx: click.Context,
    *,
    folder: Path,
    pattern: str | None,
    out: Path | None,
    different: int,
    mirrored: int,
    turned: int,
    seed: int,
    workers: int | None,
    title: str,
    json_to: str | None,
) -> None:
    """Put your own camera to the test: may the tool be trusted with photos like those in FOLDER.

    FOLDER holds a sub-folder for each eye, in it at least two photos of that eye, better five, from at least
    four eyes.  All pairs of one eye are measured and must close; the eye of some photos is turned by a known
    angle; different and mirrored eyes must be refused.  Interrupted, it reports on what is done.

    Exit status: 0 the tool can be relied on, or with care, or there are too few photos to tell; 3 do not rely
    on it; 1 the folder cannot be used; 2 wrong usage.

    Example:

        torsion validate photos --out validation
    """  # fmt: skip
    refuse_idle("--title", when=out is None, why="needs --out: it stands in the report")
    if out is not None:
        _check_report()
    groups = group_photos(folder, pattern=pattern)
    photos = [photo for eye in groups.eyes.values() for photo in eye]
    shared.check_outputs([*photos, *groups.unused], json_to=json_to, picture=None)
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)  # found out now, not after the measuring, where that fails
    options = ValidateOptions(different=different, mirrored=mirrored, turned=turned, seed=seed)
    try:
        with Processes(workers or cores()) as executor:
            found = validate(groups, executor=executor, options=options, on_progress=progress_reporter())
    except KeyboardInterrupt:
        click.echo(
            "\ninterrupted while photos were prepared; no pair was measured, nothing is kept", err=True
        )
        ctx.exit(INTERRUPTED)
    _write(found, out, json_to, title)
    if not found.complete:
        done = len(found.answers)
        click.echo(f"\ninterrupted: this rests on the {done} pairs measured until then", err=True)
        ctx.exit(INTERRUPTED)
    if found.verdict == "refuse":
        ctx.exit(REFUSED)


def _check_report() -> None:
    """Load what the report needs before the measuring, which may take an hour, not after it."""
    try:
        from torsion.sheets import pages
        from torsion.validate_plots import figures  # noqa: F401 - matplotlib comes with it

        pages("torsion")
    except Exception as fault:  # a broken installation fails in whatever way it likes
        msg = f"the report needs matplotlib and jinja2 ({fault}); install: pip install 'torsion[sheet]'"
        raise click.ClickException(msg) from fault


def _write(found: Validation, out: Path | None, json_to: str | None, title: str) -> None:
    text = to_json(validation_record(found))
    if out is not None:
        from torsion.validate_page import validation_page  # jinja2 and matplotlib load only here

        page = validation_page(found, title=title)
        write_whole(page, out / _PAGE)
        write_whole(text, out / _JSON)
        click.echo(f"wrote {out / _PAGE} and {out / _JSON}", err=True)
    if give_json(text, json_to):
        click.echo("\n".join(_lines(found)))


def _lines(found: Validation) -> Iterator[str]:
    yield folded(found.judged.sentence, "")
    yield ""
    for point in found.judged.points:
        yield f"{point.name:<15}{point.grade:<10}{point.found}"
    for kind, first, second in found.wrong[:_MOST_NAMED]:
        why = (
            "mirrored"
            if kind == "mirrored"
            else "of different eyes, as they are sorted; look whether they are"
        )
        said = f"accepted, and should not be: {printable(first)} with {printable(second)} ({why})"
        yield folded(said, "! ")
    if len(found.wrong) > _MOST_NAMED:
        yield f"! and {len(found.wrong) - _MOST_NAMED} more pairs, which --json names"
    if found.advice:
        yield "\nWhat to change when taking the photos:"
    for one in found.advice[:_MOST_ADVICE]:
        count = f"({one.pairs} of {found.counts['same'].pairs} pairs)"
        yield folded(f"{one.meaning}: {one.remedy} {count}", "- ")
    for name in found.odd:
        said = f"{printable(name)}: refused with every other photo of its eye; is it in the right place?"
        yield folded(said, "! ")
    for fault in found.unreadable.values():
        yield folded(printable(fault), "! ")
    if found.unused:
        were = "photo belongs to no eye and was" if found.unused == 1 else "photos belong to no eye and were"
        yield f"! {found.unused} {were} left out"
    yield "\n" + folded(CAUTION, "")
