"""``torsion demo``: a pair of photos with a known answer, to try the measurement on."""

import shlex
from pathlib import Path

import click
import numpy as np

from torsion.cli import toric_types as types
from torsion.cli.toric_options import as_usage_error
from torsion.cli.usage import NamedPath, refuse_idle
from torsion.demo import PLANNED_AXIS_DEG, DemoError, draw_torsions, earlier_files, write_demo

__all__ = ["command"]

_USUAL_DEG = 5.0


@click.command("demo")
@click.option(
    "--torsion",
    "torsions_deg",
    type=types.degrees,
    metavar="DEG",
    multiple=True,
    show_default="5; with --quiz four angles at random",
    help="Rotation of the supine eye, counter-clockwise positive, -20 to 20; may be repeated.",
)
@click.option(
    "--out",
    type=NamedPath(file_okay=False, path_type=Path),
    metavar="DIR",
    default=Path("torsion-demo"),
    show_default=True,
    help="Folder to write into.",
)
@click.option("--quiz", is_flag=True, help="Hide the answers: names and page tell nothing.")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Make the same quiz again.")
@click.option("--force", is_flag=True, help="Replace files that the demo did not write.")
def command(torsions_deg: tuple[float, ...], out: Path, quiz: bool, seed: int | None, force: bool) -> None:
    """Write a seated and a supine photo of an invented eye, for each angle, with the answers.

    The eye is drawn by a program and turned by exactly the angle that you give; lids and glints stay.
    With --quiz only answers.html and truth.json hold the answers: keep them apart.

    Example:

        torsion demo --torsion 3 --torsion -8

        torsion demo --quiz --out lesson
    """
    refuse_idle("--seed", when=not quiz, why="needs --quiz: nothing else is drawn at random")
    rng = np.random.default_rng(seed) if quiz else None
    if not torsions_deg:
        torsions_deg = (_USUAL_DEG,) if rng is None else tuple(draw_torsions(rng))
    earlier = earlier_files(out)
    try:
        with as_usage_error():
            paths = write_demo(out, torsions_deg, force=force, quiz=rng)
    except DemoError as fault:
        raise click.ClickException(str(fault)) from fault
    for path in paths:
        click.echo(f"wrote {path}", err=True)
    for path in earlier:
        if path not in paths:
            click.echo(f"! {path} is of an earlier demo and was left there", err=True)
    seated, supine = (shlex.quote(str(path)) for path in paths[:2])
    click.echo(f"Look at {paths[-2]}, then measure the first pair:\n")
    click.echo(
        f"    torsion measure {seated} {supine} --eye OD --axis {PLANNED_AXIS_DEG:g} --picture result.png\n"
    )
    answers = f"{paths[-3]} and {paths[-1]}: keep them apart" if quiz else f"{paths[-1]}"
    click.echo(f"The answers are in {answers}.")
