"""Record of a validation, ready for JSON."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, Literal

from torsion._version import __version__
from torsion.record import plain_fields
from torsion.toric import CAUTION
from torsion.validate import Validation
from torsion.validate_checks import Answered

__all__ = ["VALIDATION_SCHEMA", "validation_record"]

VALIDATION_SCHEMA = "torsion/validation/1"


def validation_record(validation: Validation) -> dict[str, Any]:
    """Fields of a validation, ready for `to_json`: the schema ``torsion/validation/1``."""
    v = validation
    fields: dict[str, Any] = {
        "schema": VALIDATION_SCHEMA,
        "verdict": v.verdict,
        "grade": v.judged.grade,
        "sentence": v.judged.sentence,
        "complete": v.complete,
        "judged": v.judged.points,
        "photos": [
            {"file": name, "eye": eye, "fault": v.unreadable.get(name)}
            for name, eye in zip(v.photos, v.eyes, strict=True)
        ],
        "unused": v.unused,
        "counts": v.counts,
        "closure": v.closure,
        "turned": v.turned,
        "bands": v.bands,
        "eyes": v.by_eye,
        "advice": v.advice,
        "odd_photos": v.odd,
        "pairs": [_pair_fields(one, v.photos) for one in v.answers],
        "cautions": [CAUTION],
    }
    return {**plain_fields(fields), "record": {"version": __version__, "options": asdict(v.options)}}


def _pair_fields(one: Answered, photos: Sequence[str]) -> dict[str, Any]:
    fields = asdict(one)
    check = fields.pop("check")
    places: tuple[Literal["first"], Literal["second"]] = ("first", "second")
    return {**check, **{place: photos[check[place]] for place in places}, **fields}
