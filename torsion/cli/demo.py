"""``torsion demo``: a pair of photos with a known answer, to try the measurement on."""

import shlex
from pathlib import Path

import click

from torsion.cli import toric_types as types
from torsion.cli.toric_options import as_usage_error
from torsion.demo import PLANNED_AXIS_DEG, DemoError, write_demo

__all__ = ["command"]


@click.command("demo")
@click.option(
    "--torsion",
    "torsions_deg",
    type=types.degrees,
    metavar="DEG",
    multiple=True,
    default=(5.0,),
    show_default="5",
    help="Rotation of the supine eye, counter-clockwise positive, -20 to 20; may be repeated.",
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    default=Path("torsion-demo"),
    show_default=True,
    help="Folder to write into.",
)
@click.option("--force", is_flag=True, help="Replace files that the demo did not write.")
def command(torsions_deg: tuple[float, ...], out: Path, force: bool) -> None:
    """Write a seated and a supine photo of an invented eye, for each angle, with the answers.

    The eye is drawn by a program and turned by exactly the angle that you give; lids and glints stay.

    Example:

        torsion demo --torsion 3 --torsion -8
    """
    try:
        with as_usage_error():
            paths = write_demo(out, torsions_deg, force=force)
    except DemoError as fault:
        raise click.ClickException(str(fault)) from fault
    for path in paths:
        click.echo(f"wrote {path}", err=True)
    seated, supine = (shlex.quote(str(path)) for path in paths[:2])
    click.echo(f"Look at {paths[-2]}, then measure the first pair:\n")
    click.echo(
        f"    torsion measure {seated} {supine} --eye OD --axis {PLANNED_AXIS_DEG:g} --picture result.png\n"
    )
    click.echo(f"The answers are in {paths[-1]}.")
