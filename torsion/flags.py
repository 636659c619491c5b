"""Flags: the closed vocabulary in which a result explains itself."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

__all__ = ["FLAGS", "FORECASTS", "Flag", "Verdict", "worst_verdict"]

Verdict = Literal["accept", "review", "refuse"]


@dataclass(frozen=True, slots=True)
class Flag:
    """One entry of the vocabulary.

    Attributes
    ----------
    name : str
        Word used in results; its meaning never changes.
    verdict : {"accept", "review", "refuse"}
        Best verdict that a result with this flag can have.
    meaning : str
        What was found.
    remedy : str
        What the user can do about it.
    """

    name: str
    verdict: Verdict
    meaning: str
    remedy: str


_TABLE: tuple[Flag, ...] = (
    Flag("no_eye", "refuse", "no eye was found in the picture",
         "fill half of the picture's width with one open eye, or give the limbus by hand"),
    Flag("eye_covered", "refuse", "too little of the eye is free of lids, lashes and glare",
         "hold the lids open without pressing on the eye, and move the lamp"),
    Flag("lids_low", "review", "lids cover much of the limbus",
         "ask the patient to open wide, or hold the lids"),
    Flag("off_picture", "accept", "part of the limbus lies outside the picture",
         "centre the eye"),
    Flag("half_off_picture", "review", "about half of the limbus lies outside the picture",
         "centre the eye"),
    Flag("two_eyes", "review", "a second eye stands beside the one that was measured",
         "photograph one eye alone, cut the picture, or give the limbus by hand"),
    Flag("unlike_an_eye", "review",
         "what was taken for the eye has no white beside the iris, or no lids about it: perhaps no human eye",
         "look at the outline; if it lies on the limbus, give it by hand"),
    Flag("out_of_focus", "review", "the finest detail of the eye is blurred",
         "focus on the iris, hold still, use more light"),
    Flag("small_eye", "review", "the eye is drawn with few pixels",
         "go closer or use a longer lens"),
    Flag("faint_iris", "review",
         "little of the iris is free or its detail hardly stands out, so that another photo may not match",
         "hold the lids open, light the iris evenly, focus on it, and photograph before the drops"),
    Flag("overexposed", "accept", "much of the white of the eye is burnt out, so that vessels are lost",
         "reduce the flash or the exposure"),
    Flag("overcompressed", "review",
         "the file was compressed so strongly that detail of the eye was rounded away",
         "give the picture as the camera saved it, or save it at a higher quality"),
    Flag("on_its_side", "review",
         "the picture seems to lie on its side, with the white of the eye above and below the iris and lids "
         "beside it; there axes and directions do not count from level",
         "turn the picture upright, or state the turn of the supine one by the option turned"),
    Flag("eyes_do_not_match", "refuse",
         "there is enough to compare, and it does not match: another eye, another patient, "
         "or a mirrored picture",
         "check patient and side; if a picture was mirrored, say so"),
    Flag("not_enough_to_compare", "refuse",
         "too little of the eye is usable in both photos to decide whether they match",
         "retake the poorer photo; the landmark sheet does not need a computer"),
    Flag("same_picture", "refuse", "both files show the very same photograph",
         "give one seated and one supine photograph"),
    Flag("mirrored", "refuse", "one picture is a mirror image of the other",
         "find out which one is mirrored and say so by the option mirrored or seated-mirrored, or switch "
         "mirroring off in the camera"),
    Flag("other_side", "refuse",
         "by the inner corner of the lids, a photo shows the other eye than was stated, or is mirrored or "
         "upside down",
         "check patient and side; switch mirroring off, as of a selfie camera, or turn the photo upright"),
    Flag("side_not_seen", "accept",
         "neither photo shows by itself whether it is the right or the left eye, so the side is unchecked",
         "check the side yourself, or show both corners of the lids in colour"),
    Flag("order_doubtful", "review",
         "seated and supine look exchanged, which would double the error: the first photo was taken later, "
         "or it alone has a red reflex, lids held apart or a pupil wide from drops",
         "check which photo was taken seated, and give it first; set the clocks of the cameras"),
    Flag("weak_match", "review", "the eyes match, but not by a wide margin",
         "look at the picture, or retake the poorer photo"),
    Flag("uncertain", "review", "the standard uncertainty is above half a degree",
         "retake the poorer photo; do not rely on this angle alone"),
    Flag("too_uncertain", "refuse", "the standard uncertainty is above two degrees",
         "retake the poorer photo"),
    Flag("iris_only", "accept", "the limbal band could not be used; the iris carries the measurement alone",
         "show more of the white of the eye on both sides"),
    Flag("iris_only_dilated", "review",
         "the iris alone carries the measurement, and the pupil is much wider in one photo: an iris that "
         "dilates unevenly drags its own pattern along",
         "show more of the white of the eye on both sides, or photograph both before the drops"),
    Flag("limbus_only", "accept",
         "the iris band could not be used; the limbal band carries the measurement alone",
         "usual under a microscope with a wide pupil; otherwise improve light and focus"),
    Flag("bands_disagree", "review", "iris and limbal band give different rotations",
         "look for a pulled lid, swollen conjunctiva or a glare that stays; retake"),
    Flag("turned_view", "review",
         "the second picture is turned by 90, 180 or 270 degrees against the first, or not as was stated",
         "check that the turn is meant, and state it by the option turned; the angle is stated after undoing "
         "it"),
    Flag("large_rotation", "review", "the rotation is above 15 degrees, more than posture explains",
         "check head and camera; keep the manual mark"),
    Flag("frame_unknown", "accept",
         "the axis refers to the keratometry, and how that frame relates to the seated photo is not known",
         "take the seated photo with the keratometry, or level it, and state the frame"),
    Flag("eye_not_given", "accept", "right or left was not stated, so the direction has no name",
         "give the eye"),
    # Several photos
    Flag("photos_disagree", "review",
         "the rotations between several photos do not agree within their uncertainties",
         "look at the photo that is named, if one is; retake it, or measure without it"),
    Flag("photo_does_not_match", "review",
         "one of several photos matches none of the others: another eye, another patient, or a mirrored "
         "picture; it was left out",
         "check patient and side of the photo that is named"),
    Flag("photo_left_out", "accept", "one of several photos is too poor to be compared, and was left out",
         "inspect it, and retake it if the others do not suffice"),
    Flag("photo_repeated", "accept", "one photograph was given more than once, and counts once",
         "give further photographs, not copies"),
    Flag("roundabout", "review",
         "the first seated and the first supine photo could not be compared with each other, so the rotation "
         "goes by way of the others",
         "give the best photo of each posture first"),
    # Landmarks
    Flag("no_landmarks", "refuse", "nothing was found that could be recognised again with confidence",
         "focus on limbus and iris, hold the lids, avoid glare, and take the photo again"),
    Flag("few_landmarks", "review", "fewer than three landmarks were found, so a mistaken one goes unnoticed",
         "take a sharper photo with more of the eye exposed; keep the manual mark"),
    Flag("two_pairs", "accept",
         "two pairs cannot show their own error; each click is assumed to be good to one pixel",
         "pick a third pair, or state how well you click"),
    Flag("pairs_swapped", "refuse", "two of the picked pairs look exchanged in one of the photos",
         "exchange their supine points and run again"),
    Flag("pair_misplaced", "review", "one of the picked pairs lies off what the others say",
         "look at that landmark in both photos; move it or leave it out"),
    Flag("pairs_disagree", "review",
         "the picked pairs do not fit one rotation and scale, and which of them is wrong cannot be told",
         "look at each in both photos; pick more, all on the limbus or all on the iris"),
    Flag("pairs_uncertain", "review",
         "the picked pairs leave a standard uncertainty above half a degree",
         "pick more pairs, far apart, or set these again on a larger view"),
    Flag("pairs_too_uncertain", "refuse",
         "the picked pairs leave a standard uncertainty above two degrees",
         "look at each in both photos, set them again on a larger view, and pick more, far apart"),
    Flag("landmarks_disagree", "review",
         "the rotation from hand-picked landmarks and the measured one differ by more than their joint 95 % "
         "interval",
         "look at both; do not rely on either before you know why"),
    Flag("landmarks_unusable", "review",
         "the landmarks picked by hand do not fit these photos, so they check nothing",
         "pick them again in the photos as they are displayed, or see why they do not fit"),
    # Level and both eyes
    Flag("same_way", "review",
         "both eyes turn the same way in the picture, which is the signature of head tilt or camera roll",
         "use the symmetric part for torsion, and the canthi to see how the head lay"),
    Flag("taken_apart", "accept",
         "the two eyes were photographed apart by a free hand, so head and camera may have rolled between",
         "photograph both eyes in one frame, or fix camera and head"),
    Flag("reference_steep", "review", "the reference lies more than 30 degrees from level",
         "check the two points, and whether the picture is turned"),
    # Ink
    Flag("no_ink", "accept", "no ink mark was found at the limbus",
         "if there is one, show that part of the limbus: lift the lid, or turn the light"),
    Flag("ink_needs_colour", "review",
         "a photo has no colour, and without it ink cannot be told from lashes and pigment",
         "take the photo in colour, without infra-red light"),
    Flag("ink_or_pigment", "review",
         "a mark is brown, or faint and alike in both photos, and nothing tells it from pigment of the eye",
         "look at it, or give a photo taken before marking as the seated one"),
    Flag("mark_covered", "accept", "a lid or lashes hide a part of a mark, so its width may be too small",
         "lift the lid and take the photo again"),
    Flag("broad_mark", "accept",
         "a mark is broader than five degrees: its edges are several degrees from its middle "
         "(common practice, no source: a pen mark can cover up to about five degrees)",
         "go by the middle that is stated, not by an edge"),
    Flag("too_many_marks", "review", "there are more marks than expected, so no axis is laid through them",
         "look which of them are ink, and wipe off what is not meant"),
    Flag("fewer_marks", "review", "there are fewer marks than expected",
         "look whether a mark is covered, faded or lost"),
    Flag("marks_not_opposite", "review",
         "no two marks are opposite within 3 degrees, so no axis is laid through them",
         "go by the directions that are stated, or mark again"),
    Flag("meridian_outside_ink", "accept", "an intended meridian runs through no ink",
         "count from the nearest mark by the offset that is stated"),
    Flag("ink_lost", "review", "a mark of the seated photo is not found in the supine one",
         "it may be covered or washed off; go by the marks that are left"),
    Flag("ink_moved", "review", "a mark lies at another place on the eye than in the seated photo",
         "ink has run or the conjunctiva slid; go by the eye, not by this mark"),
    Flag("ink_spread", "accept", "a mark is broader than in the seated photo",
         "go by its middle, and dry the limbus before marking"),
    # Arithmetic of the toric lens
    Flag("anterior_only", "accept",
         "the keratometry is of the front of the cornea; the back, which mostly adds against-the-rule "
         "astigmatism, is not in it",
         "measure the total corneal astigmatism, or allow for the back of the cornea by a method you trust"),
    Flag("corneal_power_unusual", "review",
         "the power of the cornea lies outside 38 to 50 D, which is rare",
         "read the keratometry again: right eye, right unit, no digit swapped?"),
    Flag("astigmatism_unusual", "review",
         "the cornea has more than 5 D of astigmatism, which is rare in a regular cornea",
         "read it again (dioptres, not a radius in millimetres?) and look at the topography; arithmetic for "
         "regular astigmatism may not hold"),
    Flag("meridians_not_square", "review",
         "the steep and the flat meridian are more than 5 degrees from a right angle; the steep one was "
         "used",
         "look at the topography: the cornea may be irregular, or one meridian was mistyped"),
    Flag("irregular_history", "review",
         "radial cuts, a graft or keratoconus was declared: arithmetic for regular astigmatism does not "
         "hold",
         "plan from topography with somebody who treats such corneas; these numbers are a rough guide only"),
    Flag("surgical_change_not_counted", "accept",
         "no surgically induced astigmatism was given, so the incision counts as if it changed nothing",
         "give your own mean change as a vector, and its uncertainty, from your own cases"),
    Flag("axis_uncertain", "review",
         "the astigmatism is small beside its uncertainty: the axis is not known within 10 degrees",
         "measure again and compare; for so little astigmatism a toric lens may gain nothing"),
    Flag("axis_flips", "accept",
         "at least one cylinder on offer is stronger than the astigmatism: what it leaves lies at right "
         "angles to what was there",
         "weigh the smaller residual against the turned axis before choosing it"),
    Flag("refraction_disagrees", "review",
         "the refraction does not follow from this cornea and this lens at this axis: more is left over "
         "than their uncertainties explain",
         "read the axis in a dilated eye again, check which lens was used, repeat refraction and "
         "keratometry; the back of the cornea and a tilted lens also count"),
    Flag("lens_cylinder_off", "accept",
         "even on the best axis the lens leaves half a dioptre or more: its cylinder does not match the "
         "eye",
         "turning alone does not mend this; weigh it against exchange, corneal surgery or spectacles"),
    Flag("turn_near_right_angle", "review",
         "the lens would have to turn by more than 60 degrees, which is rare",
         "check that the marks were read and not the haptics, and that no axis was mistyped by 90 degrees"),
    Flag("marks_off_centre", "review",
         "the line through the marks of the lens passes far from the centre of the eye",
         "look whether each point lies on a mark; a lens that far off centre is a finding of its own"),
    Flag("marks_not_in_line", "review",
         "the points on the lens lie further off one straight line than their uncertainty explains",
         "look whether each point lies on a mark, and set them again"),
    Flag("first_order_doubtful", "accept",
         "the first-order sum of the budget differs from the simulation by more than 5 %",
         "go by the simulation; first order holds only while the parts are small beside the cylinder"),
    Flag("published_error_doubtful", "review",
         "a published error has a standard deviation over twice its mean, which an absolute error hardly "
         "has",
         "look the figure up: it may be a signed mean, to which the conversion does not apply"),
)  # fmt: skip

FLAGS: dict[str, Flag] = {flag.name: flag for flag in _TABLE}

FORECASTS = frozenset({"faint_iris"})
"""Flags of one photo that speak of a second one only; where both match well after all, they fall."""


def worst_verdict(flags: Iterable[str]) -> Verdict:
    """Verdict that a set of flags allows: the worst of theirs, ``accept`` without any.

    Parameters
    ----------
    flags : iterable of str
        Names from the vocabulary.

    Raises
    ------
    KeyError
        If a name is not in the vocabulary.

    Examples
    --------
    >>> worst_verdict(["iris_only", "uncertain"])
    'review'
    """
    order: tuple[Verdict, ...] = ("accept", "review", "refuse")
    return max((FLAGS[name].verdict for name in flags), key=order.index, default="accept")
