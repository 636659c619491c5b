"""Flags: the closed vocabulary in which a result explains itself."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

__all__ = ["FLAGS", "Flag", "Verdict", "worst_verdict"]

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
    Flag("off_picture", "review", "part of the limbus lies outside the picture",
         "centre the eye"),
    Flag("out_of_focus", "review", "the finest detail of the eye is blurred",
         "focus on the iris, hold still, use more light"),
    Flag("small_eye", "review", "the eye is drawn with few pixels",
         "go closer or use a longer lens"),
    Flag("overexposed", "review", "much of the white of the eye is burnt out, so that vessels are lost",
         "reduce the flash or the exposure"),
    Flag("eyes_do_not_match", "refuse",
         "there is enough to compare, and it does not match: another eye, another patient, or a mirrored picture",
         "check patient and side; if a picture was mirrored, say so"),
    Flag("not_enough_to_compare", "refuse",
         "too little of the eye is usable in both photos to decide whether they match",
         "retake the poorer photo; the landmark sheet does not need a computer"),
    Flag("same_picture", "refuse", "both files show the very same photograph",
         "give one seated and one supine photograph"),
    Flag("mirrored", "refuse", "one picture is a mirror image of the other",
         "find out which one is mirrored and say so, or switch mirroring off in the camera"),
    Flag("weak_match", "review", "the eyes match, but not by a wide margin",
         "look at the picture, or retake the poorer photo"),
    Flag("uncertain", "review", "the standard uncertainty is above half a degree",
         "retake the poorer photo; do not rely on this angle alone"),
    Flag("too_uncertain", "refuse", "the standard uncertainty is above two degrees",
         "retake the poorer photo"),
    Flag("iris_only", "accept", "the limbal band could not be used; the iris carries the measurement alone",
         "show more of the white of the eye on both sides"),
    Flag("limbus_only", "accept", "the iris band could not be used; the limbal band carries the measurement alone",
         "usual under a microscope with a wide pupil; otherwise improve light and focus"),
    Flag("bands_disagree", "review", "iris and limbal band give different rotations",
         "look for a pulled lid, swollen conjunctiva or a glare that stays; retake"),
    Flag("turned_view", "review", "the second picture is turned by 90, 180 or 270 degrees",
         "check that the turn is meant; the angle is stated after undoing it"),
    Flag("large_rotation", "review", "the rotation is above 15 degrees, more than posture explains",
         "check head and camera; keep the manual mark"),
    Flag("frame_unknown", "accept",
         "the axis refers to the keratometry, and how that frame relates to the seated photo is not known",
         "take the seated photo with the keratometry, or level it, and say so"),
    Flag("eye_not_given", "accept", "right or left was not stated, so the direction has no name",
         "give the eye"),
)  # fmt: skip

FLAGS: dict[str, Flag] = {flag.name: flag for flag in _TABLE}


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
