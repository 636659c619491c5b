"""Record of the marks read on an eye."""

from dataclasses import asdict
from typing import Any

from torsion._version import __version__
from torsion.marking import Marking
from torsion.record import cautions, inspection_record, measurement_record, plain_fields

__all__ = ["INK_SCHEMA", "marks_fields", "marks_record"]

INK_SCHEMA = "torsion/ink/1"


def marks_record(marking: Marking) -> dict[str, Any]:
    """Fields of a marking, ready for `to_json`: the schema ``torsion/ink/1``.

    Parameters
    ----------
    marking : Marking

    Returns
    -------
    dict
        Plain dicts, lists, strings, numbers and None; angles are rounded to 4 decimals, pixels to 2.
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
        **plain_fields({name: getattr(marking, name) for name in ("axis", "meridians", "points")}),
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
    return plain_fields({"marks": marking.marks, "lost": marking.lost})
