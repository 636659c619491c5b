"""Verdict of a validation: what each check must show, and one sentence on whether to trust the tool."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from torsion.flags import Verdict
from torsion.validate_checks import Kind
from torsion.validate_summary import Count, Errors

__all__ = ["Grade", "Judged", "Point", "Trust", "judge"]

Grade = Literal["good", "doubtful", "bad", "too few", "none"]
Trust = Literal["good", "doubtful", "bad", "too few"]

# What is asked for.  An error of one degree leaves 2 sin(1 degree) = 3.5 % of a lens's cylinder, so that is
# where an unnoticed error begins to cost; where good ends and bad begins around it is our choice.
_ENOUGH = 10  # pairs, triples or turned rings; fewer say too little about the next one
_ACCEPTED = (0.80, 0.50)
_CLOSURE_DEG = (0.6, 1.5)  # 95th percentile; three pairs take part in each
_TURNED_DEG = (0.3, 1.0)
_APART = (1.5, 2.5)  # robust standard deviation of iris less limbus over what is stated
_UNSEEN_PERCENT = 10.0  # of eyes; a mix-up as rare as that may be missed
_BEYOND = (0.05, 0.15)  # share of errors over three times what is stated

_VERDICTS: dict[Trust, Verdict] = {
    "good": "accept",
    "doubtful": "review",
    "too few": "review",
    "bad": "refuse",
}


@dataclass(frozen=True, slots=True)
class Point:
    """One thing that was asked, what was found, what is wanted, and how good that is.

    Grade ``none`` means that these photos cannot show it, which is no reproach.  `reason` says what is wrong,
    and is None where nothing is known to be.
    """

    name: str
    asks: str
    found: str
    wanted: str
    grade: Grade
    reason: str | None


@dataclass(frozen=True, slots=True)
class Judged:
    """How good everything is together, the sentence that says it, and the points it rests on."""

    grade: Trust
    sentence: str
    points: tuple[Point, ...]

    @property
    def verdict(self) -> Verdict:
        """What the grade allows: ``review`` both with care and where there are too few photos to tell."""
        return _VERDICTS[self.grade]


def judge(
    counts: Mapping[Kind, Count], *, closure: Errors, turned: Errors, bands: Errors, complete: bool = True
) -> Judged:
    """Say whether the tool can be trusted with photos like these.

    Parameters
    ----------
    counts : mapping of str to Count
    closure, turned, bands : Errors
    complete : bool
        False if the work was broken off: then the best grade is ``doubtful``.

    Returns
    -------
    Judged
        ``good`` where everything asked is, ``bad`` where one thing is, ``too few`` where that hides the rest.
    """
    points = (
        _accepted(counts["same"]),
        _small("turned ring", "Only the eye was turned, by a known angle: does the answer follow?", turned,
               _TURNED_DEG, "answers do not follow a turned eye"),
        _small("closure", "Does going round three photos of an eye come back to zero?", closure,
               _CLOSURE_DEG, "going round three photos does not come back to zero"),
        _bands(bands),
        _stated(closure, turned),
        _never("different eyes", "Is another eye ever taken for this one?", counts["different"],
               "different eyes were taken for one"),
        _never("mirrored eyes", "Is a mirrored picture ever accepted?", counts["mirrored"],
               "mirrored pictures were accepted"),
    )  # fmt: skip
    grades = [point.grade for point in points]
    lacking = ", ".join(point.name for point in points if point.grade == "too few")
    if "bad" in grades:
        grade: Trust = "bad"
        sentence = f"No: do not rely on the tool with photos like these. {_reasons(points, 'bad')}."
    elif "too few" in grades and (counts["same"].pairs < _ENOUGH or "doubtful" not in grades):
        grade = "too few"
        sentence = (
            f"Too few photos to tell ({lacking}): take five of each of at least four eyes, seated and supine."
        )
    elif "doubtful" in grades:
        grade = "doubtful"
        sentence = f"With care: look at every result yourself. {_reasons(points, 'doubtful')}."
        sentence += f" Too few photos to tell the rest ({lacking})." if lacking else ""
    else:
        grade = "good"
        sentence = (
            "Yes: with photos like these the tool can be relied on as a second check. Of "
            f"{counts['same'].pairs} pairs of one eye {counts['same'].accept} were accepted, and none of "
            f"{counts['different'].pairs} pairs of different eyes{_few_eyes(counts['different'])}."
        )
    if not complete:
        grade = "doubtful" if grade == "good" else grade
        sentence = f"Broken off before the end, so this is not the last word. {sentence}"
    return Judged(grade, sentence, points)


def _few_eyes(different: Count) -> str:
    """Say how little a few eyes can exclude."""
    if different.eyes_upper_percent <= _UNSEEN_PERCENT:
        return ""
    return f"; {different.eyes} eyes cannot show what happens with rarer ones, so more would be better"


def _reasons(points: Sequence[Point], grade: Grade) -> str:
    reasons = [point.reason for point in points if point.grade == grade and point.reason is not None]
    first, *more = reasons
    text = first + "".join(f"; {one}" for one in more)
    return text[:1].upper() + text[1:]


def _wrong(grade: Grade, reason: str) -> str | None:
    """Give the reason only where something is wrong: elsewhere it would read as a finding."""
    return reason if grade in ("doubtful", "bad") else None


def _graded(value: float, limits: tuple[float, float]) -> Grade:
    return "good" if value <= limits[0] else "doubtful" if value <= limits[1] else "bad"


def _accepted(same: Count) -> Point:
    share = same.accept / same.pairs if same.pairs else 0.0
    grade = _graded(-share, (-_ACCEPTED[0], -_ACCEPTED[1])) if same.pairs >= _ENOUGH else "too few"
    return Point(
        "acceptance",
        "How many pairs of one eye are accepted?",
        f"{same.accept} of {same.pairs} ({100 * share:.0f} %)",
        f"{100 * _ACCEPTED[0]:.0f} % or more",
        grade,
        _wrong(grade, f"only {same.accept} of {same.pairs} pairs of one eye were accepted"),
    )


def _small(name: str, asks: str, errors: Errors, limits_deg: tuple[float, float], wrong: str) -> Point:
    wanted = f"95 of 100 within {limits_deg[0]:g}°"
    if errors.n == 0 or errors.p95_deg is None or errors.worst_deg is None:
        return Point(name, asks, "none could be checked", wanted, "too few", None)
    grade = _graded(errors.p95_deg, limits_deg) if errors.n >= _ENOUGH else "too few"
    if grade == "good" and errors.over_1_deg and name == "turned ring":
        grade = "doubtful"
    within = f"95 of 100 within {errors.p95_deg:.2f}°"
    found = f"median {errors.median_deg:.2f}°, {within}, worst {errors.worst_deg:.2f}°"
    reason = f"{wrong}: 95 of 100 within {errors.p95_deg:.1f}°, the worst off by {errors.worst_deg:.1f}°"
    return Point(name, asks, f"{found} (n = {errors.n})", wanted, grade, _wrong(grade, reason))


def _bands(bands: Errors) -> Point:
    asks = "Do iris and limbal vessels, solved apart, agree within what is stated?"
    wanted = f"a scatter up to {_APART[0]:g} times the stated"
    if bands.n < _ENOUGH or bands.over_stated is None:
        found = f"both could be solved in {bands.n} accepted pairs"
        return Point("bands", asks, found, wanted, "none", None)
    found = (
        f"scatter {bands.over_stated:.1f} times the stated, median {bands.median_deg:.2f}° (n = {bands.n})"
    )
    reason = f"iris and limbal band differ {bands.over_stated:.1f} times as much as stated"
    grade = _graded(bands.over_stated, _APART)
    return Point("bands", asks, found, wanted, grade, _wrong(grade, reason))


def _stated(closure: Errors, turned: Errors) -> Point:
    asks = "Are errors as large as the stated uncertainty says?"
    wanted = f"at most {100 * _BEYOND[0]:.0f} % over three times the stated"
    total, beyond = closure.n + turned.n, closure.beyond_3 + turned.beyond_3
    if total < _ENOUGH:
        return Point("stated error", asks, f"{total} errors are known", wanted, "too few", None)
    found = f"{beyond} of {total} errors over three times the stated"
    share = beyond / total if beyond > 1 else 0.0  # one alone says nothing about the rest
    grade = _graded(share, _BEYOND)
    return Point("stated error", asks, found, wanted, grade, _wrong(grade, found))


def _never(name: str, asks: str, count: Count, wrong: str) -> Point:
    found = f"{count.accept} of {count.pairs} accepted"
    grade: Grade = "bad" if count.accept else "good" if count.pairs >= _ENOUGH else "too few"
    if count.pairs >= _ENOUGH:
        found += (
            f" (at most {count.upper_percent:.1f} %); by eyes {count.eyes_accepted} of {count.eyes} "
            f"(at most {count.eyes_upper_percent:.0f} %); {count.review} left to a person"
        )
    return Point(name, asks, found, "none", grade, _wrong(grade, f"{wrong}: {count.accept} of {count.pairs}"))
