"""Advice: what to change about photos that were put to the test, and which of them lie with the wrong eye."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from torsion.flags import FLAGS
from torsion.validate_checks import Answered

__all__ = ["Advice", "advice_of", "odd_photos"]

_NOT_OF_THE_PHOTO = {"eye_not_given", "frame_unknown"}  # flags that every pair here would get
_MOST_ADVICE = 6
_REMEDIES = {  # where the photos are known to show one eye, a mismatch means something else
    "eyes_do_not_match": "look whether these photos are sorted by the right eye, and retake the poorer ones",
    "same_picture": "leave out copies, and shots of a burst that hardly differ",
}


@dataclass(frozen=True, slots=True)
class Advice:
    """What to change: a flag, in how many same-eye pairs it stood, and what can be done about it.

    `holds_back` tells whether it keeps a pair from being accepted.
    """

    flag: str
    pairs: int
    holds_back: bool
    meaning: str
    remedy: str


def advice_of(answers: Sequence[Answered]) -> list[Advice]:
    """Rank the flags of same-eye pairs: those that hold pairs back first, then by how often they stood."""
    counts = Counter(
        flag
        for one in answers
        if one.check.kind == "same"
        for flag in one.flags
        if flag not in _NOT_OF_THE_PHOTO and flag in FLAGS
    )
    order = sorted(counts, key=lambda name: (FLAGS[name].verdict == "accept", -counts[name], name))
    return [
        Advice(
            name,
            counts[name],
            FLAGS[name].verdict != "accept",
            FLAGS[name].meaning,
            _REMEDIES.get(name, FLAGS[name].remedy),
        )
        for name in order[:_MOST_ADVICE]
    ]


def odd_photos(answers: Sequence[Answered], eye_of: Sequence[str]) -> list[int]:
    """Find photos refused with every other photo of their eye, while others of that eye do match."""
    partners: dict[int, list[bool]] = {}
    for one in answers:
        if one.check.kind == "same" and one.verdict is not None:
            for photo in (one.check.first, one.check.second):
                partners.setdefault(photo, []).append(one.verdict == "refuse")
    matching = {eye_of[photo] for photo, refused in partners.items() if not all(refused)}
    return sorted(
        photo
        for photo, refused in partners.items()
        if len(refused) >= 2 and all(refused) and eye_of[photo] in matching
    )
