"""Validation: a user's own camera put to the test, on photos that are known to show the same eye or not."""

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from torsion.cohort.executors import Executor
from torsion.cohort.progress import OnProgress, reporter, silent
from torsion.eye_groups import EyeGroups, GroupError
from torsion.flags import Verdict
from torsion.preparation import PreparedPhoto
from torsion.validate_advice import Advice, advice_of, odd_photos
from torsion.validate_checks import Answered, Check, Kind, plan_checks, tasks_of
from torsion.validate_summary import (
    Count,
    Errors,
    EyeCount,
    closures,
    count_of,
    errors_of,
    eye_counts,
    turned_errors,
)
from torsion.validate_verdict import Judged, judge
from torsion.validate_work import prepare_photo, work

__all__ = [
    "ValidateOptions",
    "Validation",
    "bands_apart",
    "summarise",
    "validate",
]

KINDS: tuple[Kind, ...] = ("same", "different", "mirrored", "turned")


@dataclass(frozen=True, slots=True)
class ValidateOptions:
    """Options of a validation.

    Attributes
    ----------
    different, mirrored, turned : int
        Most pairs of different eyes, pairs with one photo mirrored, and turned rings.
    seed : int
        Of everything drawn at random.
    """

    different: int = 300
    mirrored: int = 100
    turned: int = 60
    seed: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Validation:
    """What came of putting a camera to the test.

    Attributes
    ----------
    complete : bool
        False if it was broken off; then it holds what was measured until then.
    photos, eyes : tuple of str
        Path of each photo inside its folder, and the eye that it shows.
    unreadable : dict of str to str
        Photos that cannot be used, and why.
    unused : int
        Photos that belong to no eye.
    counts : dict of str to Count
        By kind of pair.
    closure, turned, bands : Errors
        Round three photos, of turned rings, and iris less limbal band; accepted pairs only.
    by_eye : tuple of EyeCount
    advice : tuple of Advice
    odd : tuple of str
        Photos refused with every other photo of their eye, while others of that eye match.
    judged : Judged
        The verdict with its reasons.
    answers : tuple of Answered
    options : ValidateOptions
    """

    complete: bool
    photos: tuple[str, ...]
    eyes: tuple[str, ...]
    unreadable: dict[str, str]
    unused: int
    counts: dict[Kind, Count]
    closure: Errors
    turned: Errors
    bands: Errors
    by_eye: tuple[EyeCount, ...]
    advice: tuple[Advice, ...]
    odd: tuple[str, ...]
    judged: Judged
    answers: tuple[Answered, ...]
    options: ValidateOptions

    @property
    def verdict(self) -> Verdict:
        """Whether the tool can be trusted with these photos."""
        return self.judged.verdict

    @property
    def wrong(self) -> tuple[tuple[Kind, str, str], ...]:
        """Pairs that were accepted and should not be: their kind, and both photos."""
        return tuple(
            (one.check.kind, self.photos[one.check.first], self.photos[one.check.second])
            for one in self.answers
            if one.check.kind in ("different", "mirrored") and one.verdict == "accept"
        )


def validate(
    groups: EyeGroups,
    *,
    executor: Executor,
    options: ValidateOptions | None = None,
    on_progress: OnProgress = silent,
) -> Validation:
    """Put a camera to the test.

    Every photo is prepared once.  An interruption (`KeyboardInterrupt`) while pairs are measured ends the
    work and keeps what was measured until then.

    Parameters
    ----------
    groups : EyeGroups
    executor : Executor
        Where the work is done; it changes nothing in the results.
    options : ValidateOptions, optional
    on_progress : callable
        Called with a `Progress` now and then.

    Returns
    -------
    Validation

    Raises
    ------
    GroupError
        If no eye has two photos that can be read.
    """
    options = options or ValidateOptions()
    paths = [path for photos in groups.eyes.values() for path in photos]
    eye_of = [eye for eye, photos in groups.eyes.items() for _ in photos]
    prepared = _prepare(paths, executor, on_progress)
    readable = [k for k, photo in enumerate(prepared) if isinstance(photo, PreparedPhoto)]
    eyes = {eye: [k for k in readable if eye_of[k] == eye] for eye in groups.eyes}
    if not any(len(photos) >= 2 for photos in eyes.values()):
        first = next(photo for photo in prepared if isinstance(photo, str))
        msg = f"no eye in '{groups.folder}' has two photos that can be read; the first fault: {first}"
        raise GroupError(msg)
    rng = np.random.default_rng(options.seed)
    checks = plan_checks(
        list(eyes.values()),
        different=options.different,
        mirrored=options.mirrored,
        turned=options.turned,
        rng=rng,
    )
    answers, complete = _measure(checks, prepared, paths, executor, on_progress)
    names = [path.relative_to(groups.folder).as_posix() for path in paths]
    faults = {
        name: photo.replace(f"'{path.name}'", f"'{name}'")  # many a folder has a 1.jpg
        for name, path, photo in zip(names, paths, prepared, strict=True)
        if isinstance(photo, str)
    }
    return summarise(
        answers,
        checks,
        names=names,
        eye_of=eye_of,
        unreadable=faults,
        unused=len(groups.unused),
        complete=complete,
        options=options,
    )


def _prepare(paths: Sequence[Path], executor: Executor, on_progress: OnProgress) -> list[PreparedPhoto | str]:
    report = reporter("preparing photo", len(paths), on_progress)
    ready: dict[Path, PreparedPhoto | str] = {}
    for outcome in executor.run(prepare_photo, paths):
        ready[outcome.task] = outcome.result or f"'{outcome.task.name}' cannot be prepared: {outcome.fault}"
        report(len(ready))
    return [ready[path] for path in paths]


def _measure(
    checks: Sequence[Check],
    prepared: Sequence[PreparedPhoto | str],
    paths: Sequence[Path],
    executor: Executor,
    on_progress: OnProgress,
) -> tuple[list[Answered], bool]:
    report = reporter("measuring pair", len(checks), on_progress)
    answers: list[Answered] = []
    try:
        for outcome in executor.run(work, tasks_of(checks, prepared, paths)):
            fault = f"the pair could not be measured: {outcome.fault}"
            answers += outcome.result or [Answered(c, None, fault=fault) for c, _ in outcome.task.partners]
            report(len(answers))
    except KeyboardInterrupt:
        return answers, False
    return answers, True


def summarise(
    answers: Iterable[Answered],
    checks: Sequence[Check],
    *,
    names: Sequence[str],
    eye_of: Sequence[str],
    unreadable: dict[str, str],
    unused: int,
    complete: bool,
    options: ValidateOptions,
) -> Validation:
    """Sum up answers, which may come in any order.

    Parameters
    ----------
    answers : iterable of Answered
    checks : sequence of Check
        All that were planned.
    names, eye_of : sequence of str
        Path and eye of every photo.
    unreadable : dict of str to str
    unused : int
    complete : bool
    options : ValidateOptions
    """
    place = {check: index for index, check in enumerate(checks)}
    found = sorted(answers, key=lambda one: place[one.check])
    eyes: dict[str, list[int]] = {}
    for k, eye in enumerate(eye_of):
        if names[k] not in unreadable:
            eyes.setdefault(eye, []).append(k)
    planned = {kind: sum(check.kind == kind for check in checks) for kind in KINDS}
    counts = {kind: count_of(kind, found, planned[kind], eye_of) for kind in KINDS}
    closure = errors_of(list(itertools.chain.from_iterable(closures(found, p) for p in eyes.values())))
    turned = errors_of([(error, stated) for _, error, stated in turned_errors(found)])
    bands = errors_of(bands_apart(found))
    advice = advice_of(found)
    return Validation(
        complete,
        tuple(names),
        tuple(eye_of),
        unreadable,
        unused,
        counts,
        closure,
        turned,
        bands,
        tuple(eye_counts(found, eyes)),
        tuple(advice),
        tuple(names[k] for k in odd_photos(found, eye_of)),
        judge(counts, closure=closure, turned=turned, bands=bands, complete=complete),
        tuple(found),
        options,
    )


def bands_apart(answers: Iterable[Answered]) -> list[tuple[float, float]]:
    """Iris less limbal band of accepted same-eye pairs, with the stated uncertainty, degrees."""
    return [
        (one.apart_deg, one.apart_uncertainty_deg)
        for one in answers
        if one.check.kind == "same" and one.verdict == "accept"
        if one.apart_deg is not None and one.apart_uncertainty_deg is not None
    ]
