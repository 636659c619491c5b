"""Checks: the pairs that put a camera to the test."""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from torsion.flags import Verdict
from torsion.preparation import PreparedPhoto

__all__ = [
    "MAX_TURN_DEG",
    "Answered",
    "Check",
    "Kind",
    "Task",
    "plan_checks",
    "tasks_of",
]

Kind = Literal["same", "different", "mirrored", "turned"]

MAX_TURN_DEG = 12.0
_TOGETHER = 8  # pairs in a task: they share a photo, and an interruption loses no more than that


@dataclass(frozen=True, slots=True)
class Check:
    """A pair to be measured.

    Attributes
    ----------
    kind : {"same", "different", "mirrored", "turned"}
        Of the second photo: as it is, of another eye, mirrored, or with its eye turned on purpose.
    first, second : int
        Places of the photos in the list.
    turned_deg : float
        Turn made on purpose, counter-clockwise.
    """

    kind: Kind
    first: int
    second: int
    turned_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Answered:
    """What came of a check.

    Attributes
    ----------
    check : Check
    verdict : {"accept", "review", "refuse"} or None
        None where there is no answer; `fault` then says why in one sentence.
    rotation_deg, standard_uncertainty_deg, evidence, margin : float or None
    apart_deg, apart_uncertainty_deg : float or None
        Iris less limbal band, and its standard uncertainty; None unless both bands have a say.
    flags : tuple of str
    fault : str or None
    """

    check: Check
    verdict: Verdict | None
    rotation_deg: float | None = None
    standard_uncertainty_deg: float | None = None
    evidence: float | None = None
    margin: float | None = None
    apart_deg: float | None = None
    apart_uncertainty_deg: float | None = None
    flags: tuple[str, ...] = ()
    fault: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """Checks that share their second photo: prepared already, or to be made from the file."""

    second: PreparedPhoto
    path: Path
    partners: tuple[tuple[Check, PreparedPhoto], ...]


def plan_checks(
    eyes: Sequence[Sequence[int]], *, different: int, mirrored: int, turned: int, rng: np.random.Generator
) -> list[Check]:
    """Choose the checks.

    Parameters
    ----------
    eyes : sequence of sequences of int
        Places of the photos of each eye.
    different, mirrored, turned : int
        Most checks of these kinds; all pairs of one eye are always there.
    rng : Generator
        Draws from what is more than that, and the turns.

    Returns
    -------
    list of Check
        Pairs of one eye first.
    """
    same = [pair for photos in eyes for pair in itertools.combinations(photos, 2)]
    draws = rng.spawn(3)  # one for each kind, so that more of one does not change the others
    checks = [Check("same", *pair) for pair in same]
    checks += [Check("different", *pair) for pair in _different(eyes, different, draws[0])]
    checks += [Check("mirrored", *same[k]) for k in _some(len(same), mirrored, draws[1])]
    for k in _some(len(same), turned, draws[2]):
        checks.append(Check("turned", *same[k], float(draws[2].uniform(-MAX_TURN_DEG, MAX_TURN_DEG))))
    return checks


def _some(total: int, count: int, rng: np.random.Generator) -> list[int]:
    return sorted(int(k) for k in rng.permutation(total)[:count])


def _different(eyes: Sequence[Sequence[int]], count: int, rng: np.random.Generator) -> list[tuple[int, int]]:
    """Pairs of photos of different eyes: all, or as many of each pair of eyes as there is room for."""
    both = list(itertools.combinations(range(len(eyes)), 2))
    total = sum(len(eyes[a]) * len(eyes[b]) for a, b in both)
    if total <= count:
        return [pair for a, b in both for pair in itertools.product(eyes[a], eyes[b])]
    chosen: dict[tuple[int, int], None] = {}  # a set that keeps its order
    for k in itertools.cycle(int(k) for k in rng.permutation(len(both))):
        if len(chosen) >= count:
            break
        a, b = both[k]
        chosen[int(rng.choice(eyes[a])), int(rng.choice(eyes[b]))] = None
    return sorted(chosen)


def tasks_of(
    checks: Sequence[Check], prepared: Sequence[PreparedPhoto | str], paths: Sequence[Path]
) -> Iterator[Task]:
    """Put checks of one kind with the same second photo together, a few at a time."""
    for _, group in itertools.groupby(
        sorted(checks, key=_order), key=lambda check: (check.kind, check.second, check.turned_deg)
    ):
        for part in _batches(group):
            second = prepared[part[0].second]
            partners = [(check, prepared[check.first]) for check in part]
            ready = tuple((check, first) for check, first in partners if isinstance(first, PreparedPhoto))
            if isinstance(second, PreparedPhoto) and ready:
                yield Task(second, paths[part[0].second], ready)


def _order(check: Check) -> tuple[int, int, float, int]:
    kinds = ("same", "different", "mirrored", "turned")
    return kinds.index(check.kind), check.second, check.turned_deg, check.first


def _batches(group: Iterator[Check]) -> Iterator[tuple[Check, ...]]:
    while part := tuple(itertools.islice(group, _TOGETHER)):
        yield part
