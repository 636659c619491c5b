"""Options and output shared by the commands of the toric arithmetic."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from torsion.angles import wrap_axis_deg
from torsion.astigmatism import Refraction
from torsion.cli.photo_options import print_text, write_outputs
from torsion.cli.toric_types import millimetres
from torsion.errors import TorsionError
from torsion.record import toric_record
from torsion.toric import CAUTION
from torsion.vergence import LensPlane

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from torsion.measurement import Measurement

__all__ = [
    "as_usage_error",
    "axis_text",
    "lens_plane",
    "lens_plane_options",
    "lens_plane_text",
    "refraction_text",
    "report",
    "seed_option",
]

_Command = Callable[..., None]

seed_option = click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="Seed of the simulation: the same seed gives the same digits.",
)


def lens_plane_options(command: _Command) -> _Command:
    """Add the options that say where the cylinder of the lens is stated."""
    for option in (
        click.option("--at-cornea", is_flag=True, help="Lens cylinders are stated at the cornea already."),
        click.option(
            "--ratio",
            type=float,
            metavar="R",
            help="Fixed ratio, lens to cornea (common practice, no source).",
        ),
        click.option(
            "--lens-position",
            type=millimetres,
            metavar="MM",
            help="Expected distance from the front of the cornea to the lens: conversion by vergence.",
        ),
    ):
        command = option(command)
    return command


def lens_plane(*, at_cornea: bool, ratio: float | None, lens_position: float | None) -> LensPlane:
    """Read those options; one and only one must be there."""
    if sum((at_cornea, ratio is not None, lens_position is not None)) != 1:
        msg = (
            "say in one way where the lens cylinder is stated: --lens-position MM (in the lens, converted by "
            "vergence), --ratio R (in the lens, fixed ratio) or --at-cornea"
        )
        raise click.UsageError(msg)
    with as_usage_error():
        return LensPlane(position_mm=lens_position, ratio=ratio)


def lens_plane_text(plane: LensPlane) -> str:
    """Say in words how the cylinder of the lens was brought to the cornea."""
    if plane.position_mm is not None:
        return f"converted by vergence, lens {plane.position_mm:g} mm behind the front of the cornea"
    if plane.ratio is not None:
        return f"divided by a fixed ratio of {plane.ratio:g} (common practice; the true ratio varies)"
    return "as stated at the cornea"


@contextmanager
def as_usage_error() -> Iterator[None]:
    """Turn the library's complaint about a number into wrong usage (exit status 2)."""
    try:
        yield
    except TorsionError:
        raise  # a file that cannot be used is no slip on the command line
    except ValueError as fault:
        raise click.UsageError(str(fault)) from fault


def axis_text(axis_deg: float | None) -> str:
    """Axis in whole degrees; a dash where there is none."""
    return "–" if axis_deg is None else f"{wrap_axis_deg(round(axis_deg)):.0f}°"


def refraction_text(refraction: Refraction) -> str:
    """Refraction in hundredths of a dioptre and whole degrees."""
    sphere, cylinder = round(refraction.sphere_d, 2) + 0.0, round(refraction.cylinder_d, 2)
    if cylinder == 0.0:
        return f"{sphere:+.2f}" if sphere else "nothing"
    axis = "" if refraction.axis_deg is None else f" × {axis_text(refraction.axis_deg)[:-1]}"
    return f"{sphere:+.2f} {cylinder:+.2f}{axis}"


def report(
    schema: str,
    fields: Mapping[str, object],
    lines: Sequence[str],
    *,
    flags: Sequence[str],
    json_to: str | None,
    picture: Path | None,
    draw: "Callable[[], Figure]",
    sha256: Mapping[str, str] | None = None,
    cautions: Sequence[str] = (CAUTION,),
    pair: "Measurement | None" = None,
) -> None:
    """Write the JSON and the picture, and print the text unless the JSON takes its place.

    Parameters
    ----------
    schema : str
        Name of the JSON object's schema.
    fields : mapping
        Its fields; dataclasses inside are opened.
    lines : sequence of str
        Text, line by line.
    flags : sequence of str
        Explained below the text.
    json_to : str or None
        File, or ``-``.
    picture : Path or None
        File.
    draw : callable
        Makes the figure; called only with a picture to write.
    sha256 : mapping of str to str, optional
        Of the photos that took part.
    cautions : sequence of str, optional
        Printed last.
    pair : Measurement, optional
        Of the photos that took part; a flag of one of them names it.
    """
    record = toric_record(schema, fields, sha256=sha256)
    if write_outputs(record, json_to=json_to, picture=picture, draw=draw):
        print_text(lines, flags=flags, cautions=cautions, pair=pair)
