"""Summary: counts, errors and the verdict on a camera, from the checks that were measured."""

import itertools
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from torsion.quantiles import COVERAGE
from torsion.validate_checks import Answered, Check, Kind

__all__ = [
    "Count",
    "Errors",
    "EyeCount",
    "accepted_same",
    "closures",
    "count_of",
    "count_with_ends",
    "errors_of",
    "eye_counts",
    "turned_errors",
]

_MOST_TRIPLES = 5000  # of one eye; more photos would say the same again
_ROBUST = 1.4826  # median absolute deviation to standard deviation, for a normal distribution


@dataclass(frozen=True, slots=True)
class Count:
    """How many pairs of a kind got which verdict.

    Attributes
    ----------
    pairs, accept, review, refuse : int
    lower_percent, upper_percent : float
        95 % interval of the share accepted; of none of n the upper end is 3/n.
    eyes, eyes_accepted : int
        Eyes that took part, and those with an accepted pair.
    eyes_upper_percent : float
        Upper end, each eye counted once.
    not_made : int
        Pairs without an answer: a photo cannot be read, or the picture could not be made.
    """

    pairs: int
    accept: int
    review: int
    refuse: int
    lower_percent: float
    upper_percent: float
    eyes: int
    eyes_accepted: int
    eyes_upper_percent: float
    not_made: int


@dataclass(frozen=True, slots=True)
class Errors:
    """Size of errors that are known, in degrees, and how they compare with the stated uncertainty.

    Attributes
    ----------
    n : int
    median_deg, p95_deg, worst_deg : float or None
        Of their size; None without any.
    over_1_deg : int
        How many are larger than one degree.
    over_stated : float or None
        Robust standard deviation of error over stated uncertainty: 1 as stated, above 1 too sure of itself.
    within_95 : float or None
        Share inside the stated 95 % interval.
    beyond_3 : int
        How many are larger than three stated uncertainties.
    """

    n: int
    median_deg: float | None = None
    p95_deg: float | None = None
    worst_deg: float | None = None
    over_1_deg: int = 0
    over_stated: float | None = None
    within_95: float | None = None
    beyond_3: int = 0


@dataclass(frozen=True, slots=True)
class EyeCount:
    """Pairs of one eye by verdict, and its worst closure."""

    eye: str
    photos: int
    pairs: int
    accept: int
    review: int
    refuse: int
    closure_worst_deg: float | None


def count_with_ends(count: int, total: int) -> tuple[float, float]:
    """95 % interval of a share, percent.

    E. B. Wilson 1927, doi 10.1080/01621459.1927.10502953; none of n is at most 3/n: J. A. Hanley and
    A. Lippman-Hand 1983, doi 10.1001/jama.1983.03330370053031.

    Examples
    --------
    >>> [round(end, 1) for end in count_with_ends(34, 40)]
    [70.9, 92.9]
    >>> count_with_ends(0, 300)
    (0.0, 1.0)
    """
    if not total:
        return 0.0, 100.0
    if not count:
        return 0.0, min(300.0 / total, 100.0)
    z2 = COVERAGE**2
    share, room = count / total, 1.0 + z2 / total
    middle = (share + z2 / (2.0 * total)) / room
    half = COVERAGE / room * math.sqrt(share * (1.0 - share) / total + z2 / (4.0 * total**2))
    return 100.0 * (middle - half), min(100.0 * (middle + half), 100.0)


def count_of(kind: Kind, answers: Sequence[Answered], planned: int, eye_of: Sequence[str]) -> Count:
    """Count the verdicts of one kind of pair.

    Parameters
    ----------
    kind : {"same", "different", "mirrored", "turned"}
    answers : sequence of Answered
    planned : int
        Pairs of this kind that were to be measured.
    eye_of : sequence of str
        Eye of every photo.
    """
    found = [one for one in answers if one.check.kind == kind and one.verdict is not None]
    verdicts = Counter(one.verdict for one in found)
    taking_part = {eye for one in found for eye in _eyes(one.check, eye_of)}
    accepted = {eye for one in found if one.verdict == "accept" for eye in _eyes(one.check, eye_of)}
    low, high = count_with_ends(verdicts["accept"], len(found))
    return Count(
        len(found),
        verdicts["accept"],
        verdicts["review"],
        verdicts["refuse"],
        low,
        high,
        len(taking_part),
        len(accepted),
        count_with_ends(len(accepted), len(taking_part))[1],
        planned - len(found),
    )


def _eyes(check: Check, eye_of: Sequence[str]) -> set[str]:
    return {eye_of[check.first], eye_of[check.second]}


def accepted_same(answers: Iterable[Answered]) -> dict[tuple[int, int], Answered]:
    """Pick the accepted pairs of one eye, by their photos."""
    return {
        (one.check.first, one.check.second): one
        for one in answers
        if one.check.kind == "same" and one.verdict == "accept" and one.rotation_deg is not None
    }


def closures(answers: Sequence[Answered], photos: Sequence[int]) -> list[tuple[float, float]]:
    """Go round three photos of an eye, which must give nothing: what is left, and its stated uncertainty.

    Only triples of which all three pairs were accepted; of very many the first 5000.
    """
    kept = accepted_same(answers)
    left = []
    for a, b, c in itertools.islice(_closed(kept, photos), _MOST_TRIPLES):
        first, second, whole = kept[a, b], kept[b, c], kept[a, c]
        turns = [one.rotation_deg or 0.0 for one in (first, second, whole)]
        stated = math.hypot(*(one.standard_uncertainty_deg or 0.0 for one in (first, second, whole)))
        left.append((turns[0] + turns[1] - turns[2], stated))
    return left


def _closed(
    kept: Mapping[tuple[int, int], Answered], photos: Sequence[int]
) -> Iterator[tuple[int, int, int]]:
    for triple in itertools.combinations(photos, 3):
        if all(pair in kept for pair in itertools.combinations(triple, 2)):
            yield triple


def turned_errors(answers: Sequence[Answered]) -> list[tuple[Check, float, float]]:
    """Errors of turned rings: the answer must move by the angle that was put in.

    Only where both the pair and the turned pair were accepted; each with its stated uncertainty.
    """
    kept = accepted_same(answers)
    found = []
    for one in answers:
        before = kept.get((one.check.first, one.check.second))
        if one.check.kind != "turned" or one.verdict != "accept" or before is None:
            continue
        if one.rotation_deg is None or before.rotation_deg is None:
            continue
        stated = math.hypot(one.standard_uncertainty_deg or 0.0, before.standard_uncertainty_deg or 0.0)
        found.append((one.check, one.rotation_deg - before.rotation_deg - one.check.turned_deg, stated))
    return found


def errors_of(errors: Sequence[tuple[float, float]]) -> Errors:
    """Sum up errors that are each given with their stated uncertainty, in degrees."""
    if not errors:
        return Errors(0)
    error, stated = np.abs(np.asarray(errors, dtype=float)).T
    ratio = error / np.maximum(stated, 1e-9)
    return Errors(
        len(errors),
        float(np.median(error)),
        float(np.percentile(error, 95)),
        float(error.max()),
        int((error > 1.0).sum()),
        float(_ROBUST * np.median(ratio)),
        float((ratio <= COVERAGE).mean()),
        int((ratio > 3.0).sum()),
    )


def eye_counts(answers: Sequence[Answered], eyes: Mapping[str, Sequence[int]]) -> list[EyeCount]:
    """Count the pairs of each eye, the eye with the smallest share of accepted pairs first."""
    verdicts: dict[int, Counter[Literal["accept", "review", "refuse"]]] = {}
    place = {photo: index for index, photos in enumerate(eyes.values()) for photo in photos}
    for one in answers:
        if one.check.kind == "same" and one.verdict is not None:
            verdicts.setdefault(place[one.check.first], Counter())[one.verdict] += 1
    counts = []
    for index, (eye, photos) in enumerate(eyes.items()):
        found = verdicts.get(index, Counter())
        left = [abs(error) for error, _ in closures(answers, photos)]
        worst = max(left, default=None)
        counts.append(
            EyeCount(
                eye,
                len(photos),
                found.total(),
                found["accept"],
                found["review"],
                found["refuse"],
                worst,
            )
        )
    return sorted(counts, key=lambda one: (one.accept / one.pairs if one.pairs else 2.0, one.eye))
