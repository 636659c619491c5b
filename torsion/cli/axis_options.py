"""Options of ``torsion measure`` that concern the planned axis, read together."""

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import click

from torsion.axis import AxisFrame, check_plan
from torsion.axis_cost import AxisCost, axis_cost, check_lens_d
from torsion.cli import photo_options as shared
from torsion.cli.toric_types import dioptres, numbers
from torsion.cli.usage import refuse_idle
from torsion.measurement import Measurement

__all__ = ["AxisPlan", "axis_options"]

Tilt = tuple[float, float]


@dataclass(frozen=True, slots=True)
class AxisPlan:
    """Planned axis, how its frame relates to the seated photo, incision, and cylinder of the lens."""

    axis_deg: float | None
    frame: AxisFrame
    tilt: Tilt | None
    incision_deg: float | None
    cylinder_d: float | None

    def cost(self, found: Measurement) -> AxisCost | None:
        """Say what an error of the axis costs, where a cylinder was given."""
        if self.cylinder_d is None or found.axis is None:
            return None
        return axis_cost(self.cylinder_d, found.axis, found.rotation_deg)


def _cylinder(text: str) -> float:
    try:
        return check_lens_d(dioptres(text))
    except ValueError as fault:
        raise click.BadParameter(str(fault)) from fault


def _tilt(text: str) -> Tilt:
    tilt, uncertainty = numbers(text, 2, form="DEG,SD: a tilt and its standard uncertainty in degrees")
    try:
        check_plan(180.0, None, tilt=(tilt, uncertainty))
    except ValueError as fault:
        raise click.BadParameter(str(fault)) from fault
    return tilt, uncertainty


_OPTIONS = (
    click.option(
        "--axis",
        type=shared.axis,
        metavar="DEG",
        help="Planned axis of the lens's marks, 0 to 180, to be carried into the supine photo.",
    ),
    click.option(
        "--axis-frame",
        type=click.Choice(("same", "level", "unknown")),
        help="How the keratometry that the axis is from relates to the seated photo: same (taken together), "
        "level (photo levelled) or unknown.  [default: unknown]",
    ),
    click.option(
        "--seated-tilt",
        type=_tilt,
        metavar="DEG,SD",
        help="In place of --axis-frame: how far the seated photo is turned against the keratometry, "
        "counter-clockwise, and the standard uncertainty of that (see torsion level).",
    ),
    click.option(
        "--incision",
        type=shared.direction,
        metavar="DEG",
        help="Direction of the incision, 0 to 360, likewise; with --axis.",
    ),
    click.option(
        "--cylinder",
        type=_cylinder,
        metavar="D",
        help="Cylinder of the lens at the cornea: adds what an error of the axis costs; with --axis.",
    ),
)


def axis_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options; the command gets them as ``plan``, an `AxisPlan`."""

    @functools.wraps(command)
    def read(
        *args: Any,  # noqa: ANN401 - whatever the command takes besides
        axis: float | None,
        axis_frame: AxisFrame | None,
        seated_tilt: Tilt | None,
        incision: float | None,
        cylinder: float | None,
        **others: Any,  # noqa: ANN401
    ) -> None:
        beside = ("--axis-frame", "--seated-tilt", "--incision", "--cylinder")
        refuse_idle(*beside, when=axis is None, why="needs --axis")
        in_place = "stands in place of --axis-frame; give one of them"
        refuse_idle("--seated-tilt", when=axis_frame is not None, why=in_place)
        plan = AxisPlan(axis, axis_frame or "unknown", seated_tilt, incision, cylinder)
        command(*args, plan=plan, **others)

    for option in reversed(_OPTIONS):
        read = option(read)
    return read
