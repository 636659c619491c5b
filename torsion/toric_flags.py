"""Flags of the toric arithmetic: one table, in the vocabulary's own form."""

from torsion.flags import Flag

__all__ = ["TORIC_FLAGS"]

_TABLE: tuple[Flag, ...] = (
    Flag(
        "anterior_only",
        "accept",
        "The keratometry is of the front of the cornea; the back, which mostly adds against-the-rule "
        "astigmatism, is not in it.",
        "Measure the total corneal astigmatism, or allow for the back of the cornea by a method you trust.",
    ),
    Flag(
        "corneal_power_unusual",
        "review",
        "The power of the cornea lies outside 38 to 50 D, which is rare.",
        "Read the keratometry again: right eye, right unit, no digit swapped?",
    ),
    Flag(
        "astigmatism_unusual",
        "review",
        "The cornea has more than 5 D of astigmatism, which is rare in a regular cornea.",
        "Look at the topography; arithmetic for regular astigmatism may not hold.",
    ),
    Flag(
        "meridians_not_square",
        "review",
        "The steep and the flat meridian are more than 5 degrees from a right angle; the steep one was used.",
        "Look at the topography: the cornea may be irregular, or one meridian was mistyped.",
    ),
    Flag(
        "irregular_history",
        "review",
        "Radial cuts, a graft or keratoconus was declared: arithmetic for regular astigmatism does not hold.",
        "Plan from topography with somebody who treats such corneas; these numbers are a rough guide only.",
    ),
    Flag(
        "surgical_change_not_counted",
        "accept",
        "No surgically induced astigmatism was given, so the incision counts as if it changed nothing.",
        "Give your own mean change as a vector, and its uncertainty, from your own cases.",
    ),
    Flag(
        "axis_uncertain",
        "review",
        "The astigmatism is small beside its uncertainty: the axis is not known within 10 degrees.",
        "Measure again and compare; for so little astigmatism a toric lens may gain nothing.",
    ),
    Flag(
        "axis_flips",
        "accept",
        "At least one cylinder on offer is stronger than the astigmatism: what it leaves lies at right "
        "angles to what was there.",
        "Weigh the smaller residual against the turned axis before choosing it.",
    ),
    Flag(
        "refraction_disagrees",
        "review",
        "The refraction does not follow from this cornea and this lens at this axis: more is left over than "
        "their uncertainties explain.",
        "Read the axis in a dilated eye again, check which lens was used, repeat refraction and keratometry; "
        "the back of the cornea and a tilted lens also count.",
    ),
    Flag(
        "lens_cylinder_off",
        "accept",
        "Even on the best axis the lens leaves half a dioptre or more: its cylinder does not match the eye.",
        "Turning alone does not mend this; weigh it against exchange, corneal surgery or spectacles.",
    ),
    Flag(
        "turn_near_right_angle",
        "review",
        "The lens would have to turn by more than 60 degrees, which is rare.",
        "Check that the marks were read and not the haptics, and that no axis was mistyped by 90 degrees.",
    ),
    Flag(
        "first_order_doubtful",
        "accept",
        "The first-order sum of the budget differs from the simulation by more than 5 %.",
        "Go by the simulation; first order holds only while the parts are small beside the cylinder.",
    ),
    Flag(
        "published_error_doubtful",
        "review",
        "A published error has a standard deviation over twice its mean, which an absolute error hardly has.",
        "Look the figure up: it may be a signed mean, to which the conversion does not apply.",
    ),
)

TORIC_FLAGS: dict[str, Flag] = {flag.name: flag for flag in _TABLE}
