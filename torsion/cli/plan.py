"""``torsion plan``: where the marks of a toric lens belong, and what each cylinder would leave."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from torsion.angles import read_axis_deg, read_eye
from torsion.astigmatism import NO_CYLINDER_D, Astigmatism
from torsion.cli import toric_types as types
from torsion.cli.photo_options import check_outputs, json_option, picture_option
from torsion.cli.toric_options import (
    as_usage_error,
    axis_text,
    lens_plane,
    lens_plane_options,
    lens_plane_text,
    refraction_text,
    report,
)
from torsion.cli.usage import refuse_idle
from torsion.files import PLAN_SCHEMA
from torsion.keratometry import Cornea, Surface, cornea_from_astigmatism, cornea_from_powers
from torsion.plan import HISTORIES, History, Plan, SurgicalChange, incision_change, incision_side, plan_lens
from torsion.vergence import LensPlane

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]

_OF_LENSES = ("--at-cornea", "--ratio", "--lens-position")


@click.command("plan")
@click.option(
    "--flat", type=types.power_at, metavar="D@DEG", help="Flat meridian, 42.50@180 (or 7.94mm@180)."
)
@click.option("--steep", type=types.power_at, metavar="D@DEG", help="Steep meridian, 44.50@90.")
@click.option(
    "--astigmatism",
    type=types.astigmatism_at,
    metavar="D@DEG",
    help="In place of both: 2.00@90, at the steep meridian.",
)
@click.option(
    "--mean-power", type=types.dioptres, metavar="D", help="Mean power of the cornea, with --astigmatism."
)
@click.option("--total", is_flag=True, help="The back of the cornea is in the measurement.")
@click.option(
    "--keratometry-sd",
    type=types.dioptres,
    metavar="D",
    help="Standard uncertainty of each component of the astigmatism vector.",
)
@click.option("--incision", type=types.degrees, metavar="DEG", help="Direction of the incision, 0 to 360.")
@click.option(
    "--sia", type=types.dioptres, metavar="D", help="Mean flattening along the incision, from your own cases."
)
@click.option(
    "--sia-vector",
    type=types.astigmatism_at,
    metavar="D@DEG",
    help="In its place: vector, at the meridian that steepens.",
)
@click.option(
    "--sia-sd", type=types.dioptres, metavar="D", help="Standard uncertainty of each component of the change."
)
@click.option(
    "--cylinders", type=types.cylinders, metavar="LIST", help="Cylinders on offer: 1,1.5,2.25 or 1:6:0.75."
)
@lens_plane_options
@click.option("--eye", metavar="OD|OS", help="Right or left eye.")
@click.option(
    "--history", type=click.Choice(HISTORIES), multiple=True, help="Declared condition of the cornea."
)
@json_option
@picture_option
def command(
    *,
    flat: types.Reading | None,
    steep: types.Reading | None,
    astigmatism: types.Reading | None,
    mean_power: float | None,
    total: bool,
    keratometry_sd: float | None,
    incision: float | None,
    sia: float | None,
    sia_vector: types.Reading | None,
    sia_sd: float | None,
    cylinders: tuple[float, ...] | None,
    at_cornea: bool,
    ratio: float | None,
    lens_position: float | None,
    eye: str | None,
    history: tuple[History, ...],
    json_to: str | None,
    picture: Path | None,
) -> None:
    """Net corneal astigmatism, axis for the lens's marks, and the residual of each cylinder on offer.

    It chooses no sphere: the lens power comes from your own calculation.

    Example:

        torsion plan --flat 42.50@180 --steep 44.50@90

        torsion plan --astigmatism 2@90 --cylinders 1:4:0.75 --at-cornea
    """
    refuse_idle(*_OF_LENSES, when=not cylinders, why="needs --cylinders")
    check_outputs((), json_to=json_to, picture=picture)
    plane = LensPlane()
    if cylinders or at_cornea or ratio is not None or lens_position is not None:
        plane = lens_plane(at_cornea=at_cornea, ratio=ratio, lens_position=lens_position)
    cornea = _cornea(
        flat, steep, astigmatism, mean_power=mean_power, total=total, uncertainty_d=keratometry_sd
    )
    with as_usage_error():
        plan = plan_lens(
            cornea,
            cylinders or (),
            lens_plane=plane,
            change=_change(incision, sia, sia_vector, sia_sd),
            incision_deg=incision,
            eye=None if eye is None else read_eye(eye),
            history=history,
        )

    def draw() -> "Figure":
        from torsion.toric_plots import plan_figure  # matplotlib loads only here

        return plan_figure(plan)

    result = {
        **{name: getattr(plan, name) for name in plan.__slots__},
        "lens_plane": plane,
        "chooses_sphere": False,
    }
    report(
        PLAN_SCHEMA, result, _text(plan, plane), flags=plan.flags, json_to=json_to, picture=picture, draw=draw
    )


def _cornea(
    flat: types.Reading | None,
    steep: types.Reading | None,
    astigmatism: types.Reading | None,
    *,
    mean_power: float | None,
    total: bool,
    uncertainty_d: float | None,
) -> Cornea:
    surface: Surface = "total" if total else "anterior"
    if astigmatism is not None and (flat is not None or steep is not None):
        msg = "give --flat and --steep, or --astigmatism, not both"
        raise click.UsageError(msg)
    with as_usage_error():
        if astigmatism is not None:
            return cornea_from_astigmatism(
                astigmatism[0],
                _meridian("--astigmatism", astigmatism),
                mean_power_d=mean_power,
                surface=surface,
                standard_uncertainty_d=uncertainty_d,
            )
        if flat is None or steep is None:
            msg = "give the cornea: --flat 42.50@180 and --steep 44.50@90, or --astigmatism 2.00@90"
            raise click.UsageError(msg)
        if mean_power is not None:
            msg = "--mean-power goes with --astigmatism; with --flat and --steep it is their mean"
            raise click.UsageError(msg)
        return cornea_from_powers(
            flat[0],
            steep[0],
            steep_deg=_meridian("--steep", steep),
            flat_deg=flat[1],
            surface=surface,
            standard_uncertainty_d=uncertainty_d,
        )


def _meridian(option: str, reading: types.Reading) -> float:
    if reading[1] is None:
        msg = f"{option} needs the meridian behind it, as in {reading[0]:g}@90"
        raise click.UsageError(msg)
    return reading[1]


def _change(
    incision: float | None, sia: float | None, vector: types.Reading | None, sd: float | None
) -> SurgicalChange | None:
    if sia is not None and vector is not None:
        msg = "give --sia or --sia-vector, not both"
        raise click.UsageError(msg)
    if sia is not None:
        if incision is None:
            msg = "--sia needs --incision DEG, or give --sia-vector D@DEG"
            raise click.UsageError(msg)
        return SurgicalChange(incision_change(sia, incision), sd)
    if vector is not None:
        meridian = read_axis_deg(_meridian("--sia-vector", vector), name="meridian of the surgical change")
        return SurgicalChange(Astigmatism(vector[0], meridian if vector[0] > NO_CYLINDER_D else None), sd)
    if sd is not None:
        msg = "--sia-sd goes with --sia or --sia-vector (0 where the mean change is nil)"
        raise click.UsageError(msg)
    return None


def _vector_text(astigmatism: Astigmatism) -> str:
    if astigmatism.meridian_deg is None:
        return "none"
    return f"{astigmatism.cylinder_d:.2f} D, steep at {axis_text(astigmatism.meridian_deg)}"


def _text(plan: Plan, plane: LensPlane) -> list[str]:
    surface = "front and back" if plan.cornea.surface == "total" else "front only"
    lines = [f"Marks of the lens at {axis_text(plan.axis_deg)}", ""]
    if plan.axis_deg is None:
        lines = ["No astigmatism is left to correct: there is no axis", ""]
    lines.append(f"  cornea ({surface})".ljust(28) + _vector_text(plan.cornea.astigmatism))
    if plan.change is not None:
        lines.append("  operation adds".ljust(28) + _vector_text(plan.change.astigmatism))
    lines.append("  to be corrected".ljust(28) + _vector_text(plan.net))
    if plan.axis_standard_uncertainty_deg is not None:
        lines.append(
            "  axis known within".ljust(28) + f"±{plan.axis_standard_uncertainty_deg:.1f}° (one standard"
        )
        lines[-1] += " uncertainty, measurement and operation only)"
    if plan.incision_deg is not None:
        side = "" if plan.eye is None else f", {incision_side(plan.incision_deg, plan.eye)} in {plan.eye}"
        lines.append("  incision".ljust(28) + f"{plan.incision_deg:.0f}°{side}")
    lines += ["", "  lens cylinder  at the cornea  left over"]
    least = min(plan.choices, key=lambda choice: abs(choice.residual.cylinder_d))
    for choice in plan.choices:
        name = f"{choice.cylinder_d:.2f} D" if choice.cylinder_d else "none"
        notes = ["least left"] if choice is least and len(plan.choices) > 1 else []
        notes += ["axis flips"] if choice.flips else []
        lines.append(
            f"  {name:<13}  {choice.at_cornea_d:>10.2f} D  {refraction_text(choice.residual):<19}"
            + "".join(f"  {note}" for note in notes)
        )
    lines[-1] = lines[-1].rstrip()
    if len(plan.choices) > 1:
        lines.append(f"  Lens cylinders {lens_plane_text(plane)}.")
    return [line.rstrip() for line in lines] + [
        "  At the cornea, spherical equivalent on target.  No sphere is chosen here."
    ]
