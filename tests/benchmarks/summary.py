"""Counts, intervals and percentiles of a study, and their table."""

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from tests.benchmarks.methods import Answer

__all__ = ["SHARES", "Outcome", "count_text", "summarise", "table", "wilson_percent"]

SHARES = (0.7, 0.8, 0.9, 1.0)

Key = tuple[str, ...]


class Outcome:
    """One measurement of the study.

    Attributes
    ----------
    kind : {"same", "different", "mirrored", "turned", "turned-self", "swapped"}
    photos : tuple of str
        Photos in order, as ``EYE/SHOT``.
    angle_deg : float
        Angle by which the second eye was turned on purpose; 0 otherwise.
    answers : dict
        Answer of each method.
    seconds : dict
        Time taken by each method, preparation of the pictures made on purpose included.
    """

    def __init__(self, kind: str, photos: Key, angle_deg: float = 0.0) -> None:
        self.kind = kind
        self.photos = photos
        self.angle_deg = angle_deg
        self.answers: dict[str, Answer] = {}
        self.seconds: dict[str, float] = {}


def wilson_percent(count: int, total: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share, percent; none of n is at most 3/n.

    E. B. Wilson 1927, doi 10.1080/01621459.1927.10502953; the rule of three: J. A. Hanley and
    A. Lippman-Hand 1983, doi 10.1001/jama.1983.03330370053031.

    Examples
    --------
    >>> [round(float(x), 1) for x in wilson_percent(34, 40)]
    [70.9, 92.9]
    >>> wilson_percent(0, 300)
    (0.0, 1.0)
    """
    if not total:
        return 0.0, 100.0
    if not count:
        return 0.0, min(300.0 / total, 100.0)
    z = 1.959964
    share = count / total
    middle = (share + z * z / (2 * total)) / (1 + z * z / total)
    half = z / (1 + z * z / total) * math.sqrt(share * (1 - share) / total + z * z / (4 * total**2))
    return 100 * (middle - half), 100 * min(middle + half, 1.0)


def count_text(count: int, total: int) -> str:
    """Write a count with its interval.

    Examples
    --------
    >>> count_text(34, 40)
    '34/40 = 85.0 % [70.9, 92.9]'
    """
    if not total:
        return "-"
    low, high = wilson_percent(count, total)
    return f"{count}/{total} = {100 * count / total:.1f} % [{low:.1f}, {high:.1f}]"


def summarise(outcomes: Sequence[Outcome], triples: Sequence[Key], method: str) -> dict[str, Any]:
    """Everything the table shows about one method, as plain numbers."""
    by_kind: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        by_kind.setdefault(outcome.kind, []).append(outcome)
    same = {o.photos: o.answers[method] for o in by_kind.get("same", [])}
    bar = max((o.answers[method].score for o in by_kind.get("different", [])), default=-math.inf)

    def accepted(answer: Answer) -> bool:
        if answer.rotation_deg is None:
            return False
        return answer.score > bar if answer.accepted is None else answer.accepted

    report: dict[str, Any] = {"bar": bar if math.isfinite(bar) else None}
    for kind, found in by_kind.items():
        answers = [o.answers[method] for o in found]
        report[kind] = {
            "pairs": len(found),
            "accepted": sum(map(accepted, answers)),
            "above_bar": sum(a.rotation_deg is not None and a.score > bar for a in answers),
            "answered": sum(a.rotation_deg is not None for a in answers),
            "seconds": float(np.median([o.seconds[method] for o in found])),
        }
    scores = [a.score for a in same.values() if a.rotation_deg is not None]
    gates: dict[str, Callable[[Answer], bool]] = {"accepted": accepted}
    for share in SHARES:
        wanted = round(share * len(same))
        limit = sorted(scores, reverse=True)[wanted - 1] if 0 < wanted <= len(scores) else -math.inf
        gates[f"{100 * share:.0f} %"] = lambda a, limit=limit: a.rotation_deg is not None and a.score >= limit
    report["gates"] = {name: _errors(same, triples, by_kind, method, gate) for name, gate in gates.items()}
    return report


def _errors(
    same: dict[Key, Answer],
    triples: Sequence[Key],
    by_kind: dict[str, list[Outcome]],
    method: str,
    gate: Callable[[Answer], bool],
) -> dict[str, Any]:
    """Errors of what a gate lets pass."""
    kept = {photos: answer for photos, answer in same.items() if gate(answer)}
    closures, stated = [], []
    for triple in triples:
        parts = [kept.get(pair) for pair in itertools.combinations(triple, 2)]
        if all(parts):
            first, whole, second = parts  # 12, 13, 23
            closures.append(first.rotation_deg + second.rotation_deg - whole.rotation_deg)
            stated.append(_joint(p.uncertainty_deg for p in parts))
    result: dict[str, Any] = {"pairs": len(kept), "closure": _spread(closures, stated)}
    for kind in ("turned", "turned-self", "swapped"):
        errors, stated, total = [], [], 0
        for outcome in by_kind.get(kind, []):
            answer = outcome.answers[method]
            before = (
                same.get(outcome.photos[:2]) if kind != "turned-self" else Answer(0.0, math.inf, True, 0.0)
            )
            total += 1
            if before is not None and gate(answer) and (kind == "turned-self" or gate(before)):
                errors.append(answer.rotation_deg - before.rotation_deg - outcome.angle_deg)
                stated.append(_joint((answer.uncertainty_deg, before.uncertainty_deg)))
        result[kind] = _spread(errors, stated) | {"of": total}
    apart, stated = [], []
    for answer in kept.values():
        if answer.iris_deg is not None and answer.limbus_deg is not None:
            apart.append(answer.iris_deg - answer.limbus_deg)
            stated.append(_joint((answer.iris_uncertainty_deg, answer.limbus_uncertainty_deg)))
    result["iris - limbus"] = _spread(apart, stated)
    return result


def _joint(parts: Iterable[float | None]) -> float | None:
    parts = list(parts)
    return None if any(p is None for p in parts) else math.sqrt(sum(p * p for p in parts))


def _spread(errors: Sequence[float], stated: Sequence[float | None]) -> dict[str, Any]:
    """Percentiles of the size of errors; robust standard deviation of error over stated error."""
    result: dict[str, Any] = {
        "n": len(errors),
        "median": None,
        "p95": None,
        "worst": None,
        "over_stated": None,
    }
    if errors:
        size = np.abs(errors)
        result |= {
            "median": float(np.median(size)),
            "p95": float(np.percentile(size, 95)),
            "worst": float(size.max()),
            "over_1_deg": int((size > 1.0).sum()),
        }
        ratio = [e / s for e, s in zip(errors, stated, strict=True) if s]
        if ratio and len(ratio) == len(errors):
            result["over_stated"] = float(1.4826 * np.median(np.abs(ratio)))
    return result


def table(reports: dict[str, dict[str, Any]]) -> str:
    """Lay out the reports of all methods side by side."""
    rows: list[tuple[str, ...]] = [("", *reports)]
    names = {
        "same": "same eye",
        "different": "different eyes",
        "mirrored": "mirrored",
        "turned": "turned ring",
        "turned-self": "turned ring, itself",
        "swapped": "swapped surroundings",
    }
    kinds = [kind for kind in names if any(kind in report for report in reports.values())]
    for kind in kinds:
        for field, word in (("accepted", "accepted"), ("above_bar", "above worst different")):
            cells = [count_text(r[kind][field], r[kind]["pairs"]) for r in reports.values()]
            rows.append((f"{names[kind]}, {word}", *cells))
    rows.append(("median seconds a pair", *(f"{r['same']['seconds']:.2f}" for r in reports.values())))
    for check in ("closure", "turned", "turned-self", "swapped", "iris - limbus"):
        for gate in ("accepted", *(f"{100 * share:.0f} %" for share in SHARES)):
            found = [r["gates"][gate][check] for r in reports.values()]
            if any(f["n"] for f in found):
                rows.append((f"{names.get(check, check)}, {gate}", *map(_cell, found)))
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]
    return "\n".join(line.rstrip() for line in lines)


def _cell(found: dict[str, Any]) -> str:
    if not found["n"]:
        return "-"
    text = f"{found['median']:.3f} / {found['p95']:.3f} / {found['worst']:.2f} (n={found['n']})"
    return text if found["over_stated"] is None else f"{text} x{found['over_stated']:.2f}"
