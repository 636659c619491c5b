"""Words for a measurement and the axis it carries, each for one part of it, empty where there is none."""

from math import ceil, floor
from typing import TYPE_CHECKING

from torsion.wording import axis_degrees, spread_words

if TYPE_CHECKING:  # commands that measure no pair do without loading these
    from torsion.axis import AxisTransfer
    from torsion.axis_cost import AxisCost
    from torsion.measurement import Measurement
    from torsion.order import Sign

__all__ = [
    "axis_words",
    "band_words",
    "cost_words",
    "direction_words",
    "frame_words",
    "mirror_words",
    "order_words",
    "planned_words",
    "side_words",
    "uncertainty_words",
    "view_words",
]

_EYES = {"OD": "right eye (OD)", "OS": "left eye (OS)"}
_ORDER: "dict[Sign, str]" = {
    "capture_times": "it was taken later, by the clocks of the cameras",
    "red_reflex": "its pupil glows red as under a microscope",
    "lids_held": "its lids are held apart",
    "dilated_pupil": "its pupil is as wide as drops make it",
}


def uncertainty_words(measurement: "Measurement") -> str:
    """Say the standard uncertainty and 95 % interval of a rotation; empty where there is none."""
    if measurement.standard_uncertainty_deg is None:
        return ""
    words = f"standard uncertainty {spread_words(measurement.standard_uncertainty_deg)}"
    if measurement.interval_95_deg is not None:
        lowest, highest = measurement.interval_95_deg
        low, high = floor(100.0 * lowest) / 100.0 + 0.0, ceil(100.0 * highest) / 100.0 + 0.0  # no -0.00
        words += f", 95 % interval {low:+.2f}° to {high:+.2f}°"
    return words


def direction_words(measurement: "Measurement") -> str:
    """Name of the rotation and the eye; empty without an eye or a rotation."""
    if measurement.direction is None or measurement.eye is None:
        return ""
    eye = _EYES[measurement.eye]
    if measurement.direction == "none":
        return f"within its uncertainty of no rotation, {eye}"
    return f"{measurement.direction} in the picture, {eye}"


def view_words(measurement: "Measurement") -> str:
    """How the supine picture is turned or the pictures are mirrored; empty where they are upright."""
    seated = "the seated picture is shown un-mirrored" if measurement.options.seated_mirrored else ""
    view = measurement.view
    if view is None or not (view.turn_deg or view.mirrored):
        return seated
    parts = [f"turned by {view.turn_deg}° counter-clockwise"] if view.turn_deg else []
    parts += ["mirrored left to right"] if view.mirrored else []
    supine = f"the supine picture is {' and '.join(parts)}; the rotation is stated after undoing that"
    return f"{supine}; {seated}" if seated else supine


def mirror_words(measurement: "Measurement") -> str:
    """Say that turns run the other way in a mirrored supine picture as displayed; empty where it is none."""
    view = measurement.view
    if view is None or not view.mirrored:
        return ""
    return "mirrored: turns are said as on the eye, and run the other way round in this photo as displayed"


def side_words(measurement: "Measurement") -> str:
    """Which eye the photos show by themselves; empty where neither does."""
    seated, supine = measurement.lateralities
    if seated is not None and seated == supine:
        words = f"both photos show a {_EYES[seated]}"
    else:
        shown = (("seated", seated), ("supine", supine))
        seen = [f"the {photo} photo shows a {_EYES[eye]}" for photo, eye in shown if eye is not None]
        words = " and ".join(seen)
    return f"{words}, by the inner corner of the lids" if words else ""


def order_words(measurement: "Measurement") -> str:
    """Why seated and supine look exchanged; empty where nothing says so."""
    if not measurement.order_signs:
        return ""
    reasons = "; ".join(_ORDER[sign] for sign in measurement.order_signs)
    return f"doubtful, since of the first photo: {reasons}"


def band_words(measurement: "Measurement", name: str) -> str:
    """Say what one band gives by itself."""
    band = next((band for key, band in measurement.bands.items() if key == name), None)
    if band is None:
        return "could not be solved"
    # The rotation of several photos is that of all pairs, of which the bands are measured in one.
    where = "" if measurement.network is None else ", by the first two photos"
    return (
        f"{round(band.rotation_deg, 2) + 0.0:+.2f}° ± {spread_words(band.standard_uncertainty_deg)}, "
        f"match {band.score:.2f}, {100.0 * band.valid_fraction:.0f} % usable{where}"
    )


def axis_words(axis: "AxisTransfer") -> str:
    """How sure a carried axis is; empty where none was carried."""
    if axis.surgical_deg is None or axis.interval_95_deg is None:
        return ""
    half = ceil(50.0 * (axis.interval_95_deg[1] - axis.interval_95_deg[0])) / 100.0  # outwards, as above
    return f"95 % interval ± {spread_words(half)} ({axis.interval_is})"


def planned_words(axis: "AxisTransfer") -> str:
    """Write the planned axis, and where it lies in a seated photo that is turned by a measured tilt."""
    planned = axis_degrees(axis.planned_deg)
    return planned if axis.tilt_deg is None else f"{planned}, here {axis_degrees(axis.seated_deg)}"


def frame_words(axis: "AxisTransfer") -> str:
    """Say what is known of the head's pose at the keratometry and in the seated photo."""
    if axis.frame == "measured" and axis.tilt_deg is not None and axis.frame_deg is not None:
        return (
            f"the seated photo is turned by {axis.tilt_deg:+.1f}° ± {axis.frame_deg:.1f}° against the "
            "keratometry; the axis is turned along, and the interval holds the uncertainty"
        )
    return {
        "same": "keratometry and seated photo were taken together, so no difference of its pose counts",
        "level": "at the keratometry and in the seated photo it was level; what the two may differ by, "
        f"± {axis.frame_deg or 0.0:.1f}° (one standard uncertainty), is in the interval",
    }.get(
        axis.frame,
        "its pose at the keratometry against the seated photo is not known: the difference is in the axis, "
        "and not in the interval",
    )


def cost_words(cost: "AxisCost") -> str:
    """Say what the rest of the error costs, and what leaving the axis uncorrected would have cost.

    Empty where no axis is carried.
    """
    if cost.expected_d is None or cost.upper_95_d is None or cost.uncorrected_d is None:
        return ""
    lens = f"lens of {cost.cylinder_d:.2f} D at the cornea"
    lost = "" if cost.uncorrected_percent is None else f" ({cost.uncorrected_percent:.0f} % lost)"
    return (
        f"{lens}: {_dioptres(cost.expected_d)} of cylinder expected from this uncertainty "
        f"({cost.uncertainty_is}), in 95 of 100 at most {max(0.01, cost.upper_95_d):.2f} D; "
        f"left uncorrected, {_dioptres(cost.uncorrected_d)}{lost}"
    )


def _dioptres(size_d: float) -> str:
    return f"{size_d:.2f} D" if size_d >= 0.005 else "less than 0.01 D"
