"""``torsion recheck``: where a lens in the eye should lie, and whether turning it is worth it."""

from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from torsion.astigmatism import Refraction
from torsion.cli import toric_types as types
from torsion.cli.toric_options import (
    as_usage_error,
    axis_text,
    json_option,
    lens_plane,
    lens_plane_options,
    picture_option,
    refraction_text,
    report,
    seed_option,
)
from torsion.keratometry import Cornea, cornea_from_astigmatism
from torsion.lens_rotation import RotationSince, rotation_since
from torsion.recheck import Recheck, RecheckUncertainty, Worth, recheck_lens
from torsion.vergence import move_refraction

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]

_WORTH: dict[Worth, str] = {
    "yes": "Turning looks worth it",
    "no": "Turning does not look worth it",
    "unclear": "Unclear whether turning is worth it",
}


@click.command("recheck")
@click.option(
    "--refraction",
    type=types.refraction,
    metavar="'S C x A'",
    required=True,
    help="Refraction after surgery.",
)
@click.option(
    "--vertex",
    type=types.millimetres,
    metavar="MM",
    default=12.0,
    show_default=True,
    help="Distance of the refraction before the cornea (12: common practice).",
)
@click.option("--cylinder", type=types.dioptres, metavar="D", required=True, help="Cylinder of the lens.")
@click.option(
    "--axis", type=types.degrees, metavar="DEG", required=True, help="Where its marks lie now, 0 to 180."
)
@lens_plane_options
@click.option(
    "--mean-power", type=types.dioptres, metavar="D", help="Mean power of the cornea, for --lens-position."
)
@click.option(
    "--cornea", type=types.power_at, metavar="D@DEG", help="Cornea after surgery, 2.00@90; checked."
)
@click.option("--total", is_flag=True, help="The back of the cornea is in --cornea.")
@click.option(
    "--keratometry-sd",
    type=types.dioptres,
    metavar="D",
    help="Standard uncertainty of each of its components.",
)
@click.option(
    "--refraction-sd",
    type=types.dioptres,
    metavar="D",
    default=0.25,
    show_default=True,
    help="Standard uncertainty of each component of the refraction's cylinder.",
)
@click.option(
    "--axis-sd",
    type=types.degrees,
    metavar="DEG",
    default=2.0,
    show_default=True,
    help="Standard uncertainty of the present axis.",
)
@click.option(
    "--placing-sd",
    type=types.degrees,
    metavar="DEG",
    default=3.7,
    show_default=True,
    help="Standard uncertainty of the turn as carried out.",
)
@click.option(
    "--worth",
    type=types.dioptres,
    metavar="D",
    default=0.5,
    show_default=True,
    help="Gain that you hold to be worth an operation.",
)
@click.option(
    "--baseline", type=types.degrees, metavar="DEG", help="Earlier axis of the marks, in the same frame."
)
@click.option(
    "--baseline-from",
    type=click.Choice(["surgery", "first-photo"]),
    default="first-photo",
    show_default=True,
    help="When the earlier axis was read.",
)
@seed_option
@json_option
@picture_option
def command(
    *,
    refraction: Refraction,
    vertex: float,
    cylinder: float,
    axis: float,
    at_cornea: bool,
    ratio: float | None,
    lens_position: float | None,
    mean_power: float | None,
    cornea: types.Reading | None,
    total: bool,
    keratometry_sd: float | None,
    refraction_sd: float,
    axis_sd: float,
    placing_sd: float,
    worth: float,
    baseline: float | None,
    baseline_from: str,
    seed: int,
    json_to: str | None,
    picture: Path | None,
) -> None:
    """Best axis of a toric lens from the refraction, what it would leave, and whether turning is worth it."""
    plane = lens_plane(at_cornea=at_cornea, ratio=ratio, lens_position=lens_position)
    with as_usage_error():
        found = recheck_lens(
            move_refraction(refraction, from_mm=vertex),
            plane.cylinder_at_cornea_d(cylinder, corneal_power_d=mean_power),
            axis,
            rng=np.random.default_rng(seed),
            cornea=_cornea(cornea, total=total, uncertainty_d=keratometry_sd),
            uncertainty=RecheckUncertainty(refraction_sd, axis_sd, placing_sd),
            worth_d=worth,
        )
        since = None
        if baseline is not None:
            since = rotation_since(
                axis,
                baseline,
                at_surgery=baseline_from == "surgery",
                standard_uncertainty_deg=axis_sd,
            )

    def draw() -> "Figure":
        from torsion.toric_plots import recheck_figure  # matplotlib loads only here

        return recheck_figure(found)

    result = {
        "schema": "torsion/recheck/1",
        **{name: getattr(found, name) for name in found.__slots__},
        "rotation": since,
        "lens_plane": plane,
        "vertex_mm": vertex,
        "seed": seed,
    }
    report(result, _text(found, since), flags=found.flags, json_to=json_to, picture=picture, draw=draw)


def _cornea(reading: types.Reading | None, *, total: bool, uncertainty_d: float | None) -> Cornea | None:
    if reading is None:
        return None
    if reading[1] is None:
        msg = f"--cornea needs the steep meridian behind it, as in {reading[0]:g}@90"
        raise click.UsageError(msg)
    return cornea_from_astigmatism(
        reading[0],
        reading[1],
        surface="total" if total else "anterior",
        standard_uncertainty_d=uncertainty_d,
    )


def _turn_text(turn_deg: float) -> str:
    if abs(turn_deg) < 0.5:
        return "no turn"
    return f"{abs(turn_deg):.0f}° {'counter-clockwise' if turn_deg > 0 else 'clockwise'}"


def _text(found: Recheck, since: RotationSince | None) -> list[str]:
    now, best = refraction_text(found.refraction), refraction_text(found.refraction_at_best)
    lines = [
        _WORTH[found.worth],
        "",
        f"  now         marks at {axis_text(found.axis_deg):<5}  left over {now}",
    ]
    if found.best_axis_deg is None or found.turn_deg is None or found.gain is None:
        return [*lines, "  The eye without this lens has no astigmatism: no axis is better than another."]
    gain = found.gain
    low, high = gain.interval_95_d
    lines += [
        f"  best        marks at {axis_text(found.best_axis_deg):<5}  left over {best}",
        f"  turn        {_turn_text(found.turn_deg)}, known within "
        f"±{gain.turn_standard_uncertainty_deg:.0f}° (one standard uncertainty)",
        f"  gain        {gain.mean_d:+.2f} D expected, 95 % between {low:+.2f} and {high:+.2f} D; "
        f"better in {100 * gain.probability_better:.0f} of 100",
        f"              (worth it from {found.worth_d:.2f} D; refraction, axis and turning are uncertain)",
    ]
    if found.check is not None:
        implied = found.check.implied
        verdict = "disagrees" if found.check.difference_d > found.check.limit_d else "agrees"
        lines.append(
            f"  check       refraction and cornea imply a lens of {implied.cylinder_d:.2f} D at "
            f"{axis_text(implied.meridian_deg)}; the lens as read {verdict}"
        )
    if since is not None:
        lines.append(
            f"  rotation    {_turn_text(since.rotation_deg)} since {since.since} "
            f"(±{since.standard_uncertainty_deg:.1f}°, one standard uncertainty)"
        )
    return [*lines, "  Refractions at the cornea."]
