"""Record of the marks read on an eye."""

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from torsion._version import __version__
from torsion.angles import wrap_axis_deg, wrap_direction_deg
from torsion.marking import Marking
from torsion.record import cautions, inspection_record, measurement_record

__all__ = ["INK_SCHEMA", "marks_fields", "marks_record"]

INK_SCHEMA = "torsion/ink/1"
_DECIMALS = 4
_WRAPS = {
    "direction_deg": wrap_direction_deg,
    "photo_direction_deg": wrap_direction_deg,
    "axis_deg": wrap_axis_deg,
    "photo_axis_deg": wrap_axis_deg,
    "meridian_deg": wrap_axis_deg,
}


def marks_record(marking: Marking) -> dict[str, Any]:
    """Fields of a marking, ready for `to_json`: the schema ``torsion/ink/1``.

    Parameters
    ----------
    marking : Marking

    Returns
    -------
    dict
        Plain dicts, lists, strings, numbers and None; angles are rounded to 4 decimals.
    """
    photos = [photo for photo in (marking.seated, marking.supine) if photo is not None]
    shown = inspection_record(photos)["photos"]
    fields: dict[str, Any] = {
        "schema": INK_SCHEMA,
        "eye": marking.eye,
        "case": marking.case,
        "verdict": marking.verdict,
        "flags": list(marking.flags),
        **marks_fields(marking),
        "axis": None if marking.axis is None else _plain(asdict(marking.axis)),
        "meridians": [_plain(asdict(meridian)) for meridian in marking.meridians],
        "points": [_plain(asdict(point)) for point in marking.points],
        "seated": shown[0],
        "supine": shown[1] if marking.supine is not None else None,
        "measurement": None if marking.measurement is None else measurement_record(marking.measurement),
        "cautions": list(cautions(axis=bool(marking.meridians), pair=marking.measurement is not None)[:2]),
    }
    sha256 = {"seated": marking.seated.photo.sha256}
    if marking.supine is not None:
        sha256["supine"] = marking.supine.photo.sha256
    record = {"version": __version__, "options": asdict(marking.options), "sha256": sha256}
    return {**fields, "record": record}


def marks_fields(marking: Marking) -> dict[str, list[dict[str, Any]]]:
    """Fields of the marks alone: ``marks`` and ``lost``, plain and rounded."""
    return {
        name: [_plain(asdict(mark)) for mark in marks]
        for name, marks in (("marks", marking.marks), ("lost", marking.lost))
    }


def _plain(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _value(value, name) for name, value in fields.items()}


def _value(value: Any, name: str) -> Any:  # noqa: ANN401 - whatever a result holds
    if isinstance(value, Mapping):
        return _plain(value)
    if isinstance(value, list | tuple):
        return [_value(item, name) for item in value]
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        number = round(value, _DECIMALS) + 0.0  # minus zero is written as zero
        return _WRAPS[name](number) if name in _WRAPS else number
    return value
