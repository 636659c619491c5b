"""``torsion recheck``: where a lens in the eye lies and should lie, and whether turning it is worth it."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from torsion.angles import read_axis_deg
from torsion.cli import photo_options as photo
from torsion.cli import toric_types as types
from torsion.cli.recheck_options import RecheckRequest, recheck_options
from torsion.cli.recheck_photo import Look, look_at
from torsion.cli.recheck_text import recheck_text
from torsion.cli.recheck_usage import check_usage
from torsion.cli.toric_options import (
    as_usage_error,
    lens_plane,
    report,
)
from torsion.cli.usage import REFUSED, NamedPath
from torsion.files import RECHECK_SCHEMA
from torsion.keratometry import Cornea, cornea_from_astigmatism
from torsion.lens_rotation import RotationSince, rotation_since
from torsion.measurement import MeasureOptions
from torsion.recheck import Recheck, RecheckUncertainty, recheck_lens
from torsion.record import cautions
from torsion.toric import CAUTION
from torsion.vergence import LensPlane, move_refraction

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["command"]

_AXIS_DEG = 2.0  # standard uncertainty of an axis read at the slit lamp; common practice, no source


@click.command("recheck")
@click.argument("photos", metavar="[SEATED PHOTO]", type=NamedPath(path_type=Path), nargs=-1)
@recheck_options
@click.pass_context
def command(ctx: click.Context, *, given: RecheckRequest, json_to: str | None, picture: Path | None) -> None:
    """Best axis of a toric lens from the refraction, what it would leave, and whether turning is worth it.

    With two photos, SEATED and one after surgery in which the lens's marks show, the present axis is read
    from the photos; the refraction may then be left out.

    Exit status: 0 done, 3 the photos are refused, 1 a file cannot be used, 2 wrong usage.

    Look at the end of surgery with --at-surgery --json end.json, and later with --baseline end.json.

    Example:

        torsion recheck seated.jpg end.jpg --eye OD --mark 81,42 --mark 82,90
    """
    check_usage(given)
    photo.check_outputs(given.files, json_to=json_to, picture=picture)
    plane, at_cornea_d = _lens(given)
    look = _look(given, at_cornea_d)
    with as_usage_error():
        axis, uncertainty = _present_axis(given, look)
        found = _turning(given, axis, at_cornea_d, uncertainty)
        since = look.rotation if look is not None else _since(given, axis, uncertainty)
    flags = _flags(look, found, frame_matters=given.refraction is not None and given.axis_frame == "unknown")
    told = {
        "cylinder_d": at_cornea_d,
        "axis_deg": axis,
        "rotation": since,
        "lens_plane": plane,
        "vertex_mm": given.vertex,
        "seed": given.seed,
    }
    report(
        RECHECK_SCHEMA,
        {**_fields(look, found), **told, "flags": flags},
        recheck_text(look, found, since),
        flags=flags,
        json_to=json_to,
        picture=picture,
        draw=lambda: _figure(look, found, given.marks, flags),
        sha256=None if look is None else look.sha256,
        cautions=(CAUTION,) if look is None else cautions(axis=False),
        pair=None if look is None else look.measurement,
    )
    if look is not None and look.measurement.verdict == "refuse":
        ctx.exit(REFUSED)


def _lens(given: RecheckRequest) -> tuple[LensPlane, float | None]:
    """Where the cylinder of the lens is stated, and what it is at the cornea."""
    if given.cylinder is None:
        return LensPlane(), None
    plane = lens_plane(at_cornea=given.at_cornea, ratio=given.ratio, lens_position=given.lens_position)
    with as_usage_error():
        return plane, plane.cylinder_at_cornea_d(given.cylinder, corneal_power_d=given.mean_power)


def _look(given: RecheckRequest, cylinder_d: float | None) -> Look | None:
    if not given.photos:
        return None
    assert given.eye is not None
    return look_at(
        given.photos,
        given.marks,
        eye=given.eye,
        mark_px=given.mark_sd,
        planned_deg=given.planned,
        frame=given.axis_frame,
        cylinder_d=cylinder_d,
        at_surgery=given.at_surgery,
        earlier=given.earlier,
        earlier_at_surgery=given.baseline_from == "surgery",
        view=MeasureOptions(
            mirrored=given.mirrored, turned_deg=given.turned, seated_mirrored=given.seated_mirrored
        ),
    )


def _present_axis(given: RecheckRequest, look: Look | None) -> tuple[float | None, RecheckUncertainty]:
    """Where the marks lie now, as typed or from the photos, and how well this and the rest is known."""
    axis_sd = given.axis_sd
    if look is not None:
        axis, axis_sd = look.axis_deg, look.total_deg if axis_sd is None else axis_sd
    else:
        assert given.axis is not None
        axis = read_axis_deg(given.axis, name="present axis")  # 0 is read as 180, in the record too
    return axis, RecheckUncertainty(
        given.refraction_sd, _AXIS_DEG if axis_sd is None else axis_sd, given.placing_sd
    )


def _turning(
    given: RecheckRequest, axis: float | None, cylinder_d: float | None, uncertainty: RecheckUncertainty
) -> Recheck | None:
    if given.refraction is None or axis is None or cylinder_d is None:
        return None
    return recheck_lens(
        move_refraction(given.refraction, from_mm=given.vertex),
        cylinder_d,
        axis,
        rng=np.random.default_rng(given.seed),
        cornea=_cornea(given.cornea, total=given.total, uncertainty_d=given.keratometry_sd),
        uncertainty=uncertainty,
        worth_d=given.worth,
    )


def _since(
    given: RecheckRequest, axis: float | None, uncertainty: RecheckUncertainty
) -> RotationSince | None:
    if axis is None or not isinstance(given.earlier, float):
        return None
    return rotation_since(
        axis,
        given.earlier,
        at_surgery=given.baseline_from == "surgery",
        standard_uncertainty_deg=uncertainty.axis_deg,
    )


def _flags(look: Look | None, found: Recheck | None, *, frame_matters: bool) -> tuple[str, ...]:
    names = [*(look.flags if look else ()), *(found.flags if found else ())]
    if look is not None and look.axis_deg is not None and frame_matters:
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
