"""``torsion recheck``: where a lens in the eye lies and should lie, and whether turning it is worth it."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from torsion.angles import Eye, read_axis_deg
from torsion.astigmatism import Refraction
from torsion.axis import AxisFrame
from torsion.cli import photo_options as photo
from torsion.cli import toric_types as types
from torsion.cli.recheck_options import recheck_options
from torsion.cli.recheck_photo import Look, look_at
from torsion.cli.recheck_text import recheck_text
from torsion.cli.recheck_usage import check_usage
from torsion.cli.toric_options import (
    as_usage_error,
    lens_plane,
    report,
)
from torsion.cli.usage import REFUSED
from torsion.files import RECHECK_SCHEMA
from torsion.keratometry import Cornea, cornea_from_astigmatism
from torsion.lens_rotation import rotation_since
from torsion.measurement import MeasureOptions
from torsion.photo import Turn
from torsion.recheck import Recheck, RecheckUncertainty, recheck_lens
from torsion.record import cautions
from torsion.toric import CAUTION
from torsion.vergence import LensPlane, move_refraction

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]

_AXIS_DEG = 2.0  # standard uncertainty of an axis read at the slit lamp; common practice, no source


@click.command("recheck")
@click.argument("photos", metavar="[SEATED PHOTO]", type=click.Path(path_type=Path), nargs=-1)
@recheck_options
@click.pass_context
def command(
    ctx: click.Context,
    *,
    photos: tuple[Path, ...],
    eye: Eye | None,
    marks: tuple[tuple[float, float], ...],
    mark_sd: float,
    planned: float | None,
    axis_frame: AxisFrame,
    at_surgery: bool,
    refraction: Refraction | None,
    vertex: float,
    cylinder: float | None,
    axis: float | None,
    at_cornea: bool,
    ratio: float | None,
    lens_position: float | None,
    mean_power: float | None,
    cornea: types.Reading | None,
    total: bool,
    keratometry_sd: float | None,
    refraction_sd: float,
    axis_sd: float | None,
    placing_sd: float,
    worth: float,
    earlier: float | Path | None,
    baseline_from: str,
    mirrored: bool,
    turned: Turn,
    seated_mirrored: bool,
    seed: int,
    json_to: str | None,
    picture: Path | None,
) -> None:
    """Best axis of a toric lens from the refraction, what it would leave, and whether turning is worth it.

    With two photos, SEATED and one after surgery in which the lens's marks show, the present axis is read
    from the photos; the refraction may then be left out.

    Exit status: 0 done, 3 the photos are refused, 1 a file cannot be used, 2 wrong usage.

    Look at the end of surgery with --at-surgery --json end.json, and later with --baseline end.json.

    Example:

        torsion recheck seated.jpg end.jpg --eye OD --mark 81,42 --mark 82,90
    """
    check_usage(
        photos,
        eye=eye,
        planned=planned,
        refraction=refraction,
        cylinder=cylinder,
        axis=axis,
        lens_position=lens_position,
        cornea=cornea,
        earlier=earlier,
    )
    png = picture if picture is not None and picture.suffix.lower() == ".png" else None
    kept = [*photos, earlier] if isinstance(earlier, Path) else photos
    photo.check_outputs(kept, json_to=json_to, picture=png)
    if axis is not None:
        with as_usage_error():
            axis = read_axis_deg(axis, name="present axis")  # 0 is read as 180, in the record too
    plane, at_cornea_d = LensPlane(), None
    if cylinder is not None:
        plane = lens_plane(at_cornea=at_cornea, ratio=ratio, lens_position=lens_position)
        with as_usage_error():
            at_cornea_d = plane.cylinder_at_cornea_d(cylinder, corneal_power_d=mean_power)
    look = None
    if photos:
        assert eye is not None
        look = look_at(
            photos,
            marks,
            eye=eye,
            mark_px=mark_sd,
            planned_deg=planned,
            frame=axis_frame,
            cylinder_d=at_cornea_d,
            at_surgery=at_surgery,
            earlier=earlier,
            earlier_at_surgery=baseline_from == "surgery",
            view=MeasureOptions(mirrored=mirrored, turned_deg=turned, seated_mirrored=seated_mirrored),
        )
        axis = look.lens.axis_deg
        axis_sd = look.total_deg if axis_sd is None else axis_sd
    found, since = None, look.rotation if look else None
    with as_usage_error():
        uncertainty = RecheckUncertainty(refraction_sd, _AXIS_DEG if axis_sd is None else axis_sd, placing_sd)
        if refraction is not None and axis is not None and at_cornea_d is not None:
            found = recheck_lens(
                move_refraction(refraction, from_mm=vertex),
                at_cornea_d,
                axis,
                rng=np.random.default_rng(seed),
                cornea=_cornea(cornea, total=total, uncertainty_d=keratometry_sd),
                uncertainty=uncertainty,
                worth_d=worth,
            )
        if look is None and axis is not None and isinstance(earlier, float):
            since = rotation_since(
                axis,
                earlier,
                at_surgery=baseline_from == "surgery",
                standard_uncertainty_deg=uncertainty.axis_deg,
            )
    flags = _flags(look, found, frame_matters=refraction is not None and axis_frame == "unknown")
    given = {
        "cylinder_d": at_cornea_d,
        "axis_deg": axis,
        "rotation": since,
        "lens_plane": plane,
        "vertex_mm": vertex,
        "seed": seed,
    }
    report(
        RECHECK_SCHEMA,
        {**_fields(look, found), **given, "flags": flags},
        recheck_text(look, found, since),
        flags=flags,
        json_to=json_to,
        picture=picture,
        draw=lambda: _figure(look, found, marks, flags),
        sha256=None if look is None else look.sha256,
        cautions=(CAUTION,) if look is None else cautions(axis=False),
    )
    if look is not None and look.measurement.verdict == "refuse":
        ctx.exit(REFUSED)


def _flags(look: Look | None, found: Recheck | None, *, frame_matters: bool) -> tuple[str, ...]:
    names = [*(look.flags if look else ()), *(found.flags if found else ())]
    if look is not None and look.lens.axis_deg is not None and frame_matters:
        names.append("frame_unknown")
    return tuple(dict.fromkeys(names))


def _fields(look: Look | None, found: Recheck | None) -> dict[str, object]:
    fields: dict[str, object] = {name: getattr(found, name, None) for name in Recheck.__slots__}
    return fields if look is None else fields | look.fields


def _figure(
    look: Look | None,
    found: Recheck | None,
    marks: Sequence[tuple[float, float]],
    flags: Sequence[str],
) -> "Figure":
    if look is not None:
        from torsion.lens_plots import lens_figure  # matplotlib loads only here

        return lens_figure(look.measurement, look.lens, marks, plan=look.plan, flags=flags)
    from torsion.toric_plots import recheck_figure

    assert found is not None
    return recheck_figure(found)


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
