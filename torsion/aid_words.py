"""Words for what goes with a measurement, said the same way in text, picture and sheet."""

from torsion.aids import Aids, Centre, HandCheck
from torsion.axis_ways import AxisWay
from torsion.landmark_survey import clock_words
from torsion.mark_changes import has_moved
from torsion.marking import Marking
from torsion.marks import Mark
from torsion.pair_suspects import Suspect
from torsion.wording import (
    direction_degrees,
    ink_unread_words,
    reason_words,
    rotation_words,
    spread_words,
    turn_words,
)

__all__ = [
    "TO_THE_AXIS",
    "centre_words",
    "hand_words",
    "ink_words",
    "suspect_words",
    "way_words",
    "ways_words",
]

TO_THE_AXIS = "To the axis in the supine photo"
"""Above the ways to it: its clock hours and degrees are not those of a landmark sheet, the seated photo's."""

_CALLIPERS_DEG = 45.0  # beyond, the chord that callipers span is 3 % shorter than the arc, and growing
_NONE = "0.0°"


def way_words(way: AxisWay) -> str:
    """Say where a thing is on the eye and how to get from it to the axis.

    Examples
    --------
    >>> way_words(AxisWay("landmark", 4, "vessel", "limbus", 152.1, -12.0, -1.2, 140.1))
    '4, vessel at 10:00 h: 12.0° clockwise (1.2 mm)'
    """
    where = f"{way.kind} on the iris" if way.band == "iris" else way.kind
    offset = _offset(way)
    there = "the axis runs through it" if offset == _NONE else offset
    return f"{way.number}, {where} at {clock_words(way.direction_deg)} h: {there}"


def ways_words(aids: Aids) -> list[str]:
    """Say the ways from landmarks; those from ink belong to the ink check."""
    return [way_words(way) for way in aids.ways if way.start == "landmark"]


def _offset(way: AxisWay) -> str:
    words = turn_words(way.offset_deg)
    if words == _NONE or abs(way.offset_deg) > _CALLIPERS_DEG:
        return words
    return f"{words} ({abs(way.offset_mm):.1f} mm)"


def ink_words(aids: Aids) -> list[str]:
    """Say what ink there is and how it lies against the axis, a line for each mark; empty if not looked for.

    That none was found is said, and that none could be seen.
    """
    ink = aids.ink
    if ink is None:
        return []
    lines = [_mark_words(ink, number, mark, aids) for number, mark in enumerate(ink.marks, 1)]
    lines += [f"{_lost_words(mark)}; not found in the supine photo" for mark in ink.lost]
    if "ink_needs_colour" in ink.flags:
        return [*lines, "not looked for in a photo without colour"]
    if ink_unread_words(ink.flags):
        return [*lines, ink_unread_words(ink.flags)]
    return lines or ["none found at the limbus"]


def _mark_words(ink: Marking, number: int, mark: Mark, aids: Aids) -> str:
    words = f"{mark.color}, {mark.width_deg:.1f}° wide, at {direction_degrees(mark.photo_direction_deg)}"
    if len(ink.marks) > 1:
        words = f"{number}: {words}"
    if mark.change is not None and has_moved(mark):
        words += f", moved by {turn_words(mark.change.moved_deg)} since the seated photo"
    way = next((way for way in aids.ways if way.start == "ink" and way.number == number), None)
    if way is None:
        return words
    if mark.holds_meridian:
        return f"{words}; the axis runs through it; from its middle to the axis {_offset(way)}"
    return f"{words}; from it to the axis {_offset(way)}"


def _lost_words(mark: Mark) -> str:
    at = mark.photo_direction_deg if mark.direction_deg is None else mark.direction_deg
    return f"{mark.color}, at {direction_degrees(at)} in the seated photo"


def hand_words(check: HandCheck) -> list[str]:
    """Say what pairs picked by hand give, and whether the measurement agrees with it."""
    hand, agreement = check.hand, check.agreement
    low, high = hand.interval_95_deg
    found = f"{rotation_words(hand.rotation_deg)} from {len(hand.pairs)} pairs"
    lines = [f"{found}, 95 % interval {low:+.2f}° to {high:+.2f}°"]
    if hand.verdict == "refuse":
        lines = [f"not to be used: {reason_words(hand.flags, 'refuse')}"]
    elif agreement is not None:
        said = "agrees with it" if agreement.agrees else "DISAGREES with it"
        off = f"{agreement.difference_deg:+.2f}° ± {spread_words(agreement.standard_uncertainty_deg)}"
        lines.append(f"the measurement {said}: {off} (one standard uncertainty)")
    return lines + [suspect_words(suspect) for suspect in hand.suspects]


def suspect_words(suspect: Suspect) -> str:
    """Name the pairs that look wrong, and what the rotation would be without their fault."""
    if suspect.kind == "unknown":
        return "the pairs do not fit together; which one is wrong cannot be told"
    rotation = f"the rotation is {rotation_words(suspect.rotation_deg)}"
    if suspect.kind == "swapped":
        return f"pairs {suspect.pairs[0]} and {suspect.pairs[1]} look exchanged (then {rotation})"
    return f"pair {suspect.pairs[0]} looks misplaced (without it {rotation})"


def centre_words(centre: Centre, *, pixels: bool = False) -> list[str]:
    """Say what points of the seated eye are carried, how well they are known, and how large the ring is.

    With `pixels` also where they lie in the supine photo; else a picture shows that.
    """
    lines = []
    for name, point in (("seated pupil centre", centre.pupil), ("visual axis", centre.visual_axis)):
        if point is not None:
            place = f" at x {point.x_px:.1f}, y {point.y_px:.1f} px" if pixels else ""
            lines.append(f"{name}{place} (± {point.standard_uncertainty_mm:.2f} mm each way)")
    if centre.ring is not None:
        ring, middle = centre.ring, "pupil centre" if centre.visual_axis is None else "visual axis"
        radius = f", radius {ring.radius_px:.1f} px" if pixels else ""
        lines.append(
            f"ring of {ring.diameter_mm:g} mm round the {middle}{radius} "
            f"(± {ring.standard_uncertainty_mm:.2f} mm, {ring.limbus_is} limbus of {ring.limbus_mm:.2f} mm)"
        )
    return lines or ["no pupil was found in the seated photo"]
