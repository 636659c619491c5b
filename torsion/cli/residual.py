"""``torsion residual``: what a lens off axis leaves."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from torsion.angles import read_axis_deg
from torsion.cli import toric_types as types
from torsion.cli.photo_options import check_outputs, json_option, picture_option
from torsion.cli.toric_options import (
    as_usage_error,
    axis_text,
    refraction_text,
    report,
)
from torsion.files import RESIDUAL_SCHEMA
from torsion.toric import TurnedLens, turned_lens

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]


@click.command("residual")
@click.option(
    "--cylinder", type=types.dioptres, metavar="D", required=True, help="Cylinder of the lens at the cornea."
)
@click.option(
    "--off",
    type=types.degrees,
    metavar="DEG",
    required=True,
    help="Turn off axis, counter-clockwise positive.",
)
@click.option(
    "--cornea",
    type=types.dioptres,
    metavar="D",
    help="Astigmatism of the cornea; default: equal to the lens.",
)
@click.option("--axis", type=types.degrees, metavar="DEG", help="Steep meridian of the cornea, 0 to 180.")
@json_option
@picture_option
def command(
    cylinder: float,
    off: float,
    cornea: float | None,
    axis: float | None,
    json_to: str | None,
    picture: Path | None,
) -> None:
    """Residual refraction of a toric lens turned off the meridian it should correct.

    Angles are as the examiner sees the eye, counter-clockwise positive.

    Example, a lens of 2 D turned by 10 degrees on a cornea of 2 D that is steep at 90:

        torsion residual --cylinder 2 --off 10 --axis 90
    """
    check_outputs((), json_to=json_to, picture=picture)
    with as_usage_error():
        steep = None if axis is None else read_axis_deg(axis)
        lens = turned_lens(cylinder, off, cornea_d=cornea, axis_deg=steep)

    def draw() -> "Figure":
        from torsion.toric_plots import residual_figure  # matplotlib loads only here

        return residual_figure(lens)

    result = {name: getattr(lens, name) for name in lens.__slots__}
    report(
        RESIDUAL_SCHEMA,
        result,
        _text(lens),
        flags=lens.flags,
        json_to=json_to,
        picture=picture,
        draw=draw,
    )


def _text(lens: TurnedLens) -> list[str]:
    sense = "clockwise" if lens.off_deg < 0 else "counter-clockwise"
    turned = f"turned {abs(lens.off_deg):g}° {sense}" if lens.off_deg else "on axis"
    at = "" if lens.axis_deg is None else f" steep at {axis_text(lens.axis_deg)}"
    on_axis = abs(lens.cornea_d - lens.cylinder_d)
    lines = [
        f"Lens of {lens.cylinder_d:.2f} D, {turned}, on a cornea of {lens.cornea_d:.2f} D{at}",
        "",
        f"  left over        {refraction_text(lens.residual)}",
        f"  left on axis     {on_axis:.2f} D of cylinder",
    ]
    if lens.lost_percent is None:
        lines.append("  lost             no figure: even on axis this lens takes no cylinder away")
    else:
        gap = round(lens.rule_percent - lens.lost_percent, 1)
        departs = f"{abs(gap):.1f} points too {'much' if gap > 0 else 'little'}" if gap else "as much"
        lines.append(
            f"  lost             {lens.lost_percent:.0f} % of the correction "
            f"(rule of thumb, 3.3 % a degree: {lens.rule_percent:.0f} %, {departs})"
        )
    if lens.annulling_turn_deg is not None:
        lines.append(f"  gains nothing    from {lens.annulling_turn_deg:.1f}° of turn, and harms beyond")
    if lens.cornea_d != lens.cylinder_d:
        lines.append("  The rule of thumb is for a lens equal to the cornea; here it is only a comparison.")
    return [*lines, "  At the cornea, for an eye whose spherical equivalent is on target."]
