"""What ``torsion recheck`` reads from photos: the look at the lens, and the baseline."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from torsion.angles import Eye
from torsion.axis import AxisFrame, transfer_axis
from torsion.cli.picked import Point
from torsion.cli.toric_options import as_usage_error
from torsion.cli.toric_types import degrees
from torsion.files import read_json
from torsion.lens_marks import AgainstPlan, LensAxis, against_plan, lens_axis
from torsion.lens_rotation import RotationSince, read_baseline, rotation_since
from torsion.measurement import Measurement, MeasureOptions, measure_pair
from torsion.record import measurement_record

__all__ = ["Look", "baseline", "look_at"]


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """A lens seen in a photo, against the plan and against an earlier look; no lens where there is no eye."""

    measurement: Measurement
    lens: LensAxis | None
    plan: AgainstPlan | None
    rotation: RotationSince | None
    at_surgery: bool
    total_deg: float | None  # uncertainty of the axis against a refraction or keratometry

    @property
    def flags(self) -> tuple[str, ...]:
        """Names from the vocabulary: of the photos, and of the marks."""
        return (*self.measurement.flags, *(self.lens.flags if self.lens else ()))

    @property
    def axis_deg(self) -> float | None:
        """Axis of the lens in the frame of the seated photo; None where there is none to use."""
        return self.lens.axis_deg if self.lens else None

    @property
    def sha256(self) -> dict[str, str]:
        """Of both photos, by their role."""
        found = self.measurement
        return {"seated": found.seated.photo.sha256, "photo": found.supine.photo.sha256}

    @property
    def fields(self) -> dict[str, Any]:
        """Fields that a look adds to the record."""
        return {
            "eye": self.measurement.eye,
            "at_surgery": self.at_surgery,
            "lens": self.lens,
            "plan": self.plan,
            "measurement": measurement_record(self.measurement),
        }


def baseline(text: str) -> float | Path:
    """Read a baseline: an axis in degrees, or the file of an earlier look."""
    try:
        return degrees(text)
    except click.BadParameter:
        if Path(text).suffix.lower() == ".json":
            return Path(text)
        msg = f"{text!r} is neither an axis in degrees nor the .json file of an earlier look"
        raise click.BadParameter(msg) from None


def look_at(
    photos: Sequence[Path],
    marks: Sequence[Point],
    *,
    eye: Eye,
    mark_px: float,
    planned_deg: float | None,
    frame: AxisFrame,
    cylinder_d: float | None,
    at_surgery: bool,
    earlier: float | Path | None,
    earlier_at_surgery: bool,
    view: MeasureOptions,
) -> Look:
    """Measure the two photos and read the lens in the second one."""
    seated, shown = photos
    with as_usage_error():
        of_plan = "unknown" if planned_deg is None else frame
        found = measure_pair(seated, shown, eye=eye, axis_deg=planned_deg, axis_frame=of_plan, options=view)
        lens = None if found.supine.limbus is None else lens_axis(found, marks, point_px=mark_px)
        plan = None if lens is None else against_plan(found, lens, cylinder_d=cylinder_d)
        since = None
        if earlier is not None:
            since = _since(lens, found, earlier, at_surgery=earlier_at_surgery)
    total = None
    if lens is not None and lens.axis_deg is not None and lens.standard_uncertainty_deg is not None:
        carried = transfer_axis(lens.axis_deg, 0.0, lens.standard_uncertainty_deg, frame=frame)
        total = carried.standard_uncertainty_deg or carried.registration_deg
    return Look(found, lens, plan, since, at_surgery, total)


def _since(
    lens: LensAxis | None, found: Measurement, earlier: float | Path, *, at_surgery: bool
) -> RotationSince | None:
    before_deg, uncertainty = earlier, None
    if isinstance(earlier, Path):
        assert found.eye is not None
        kept = read_baseline(read_json(earlier), eye=found.eye, seated_sha256=found.seated.photo.sha256)
        before_deg, uncertainty, at_surgery = kept.axis_deg, kept.standard_uncertainty_deg, kept.at_surgery
    if lens is None or lens.axis_deg is None or lens.standard_uncertainty_deg is None:
        return None
    assert isinstance(before_deg, float)
    return rotation_since(
        lens.axis_deg,
        before_deg,
        at_surgery=at_surgery,
        standard_uncertainty_deg=lens.standard_uncertainty_deg,
        baseline_standard_uncertainty_deg=uncertainty,
    )
