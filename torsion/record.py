"""Records: what is kept of a result, as plain fields, with what was done and the cautions that go with it.

Fields are named as the attributes of the results.  A number that is not known is None, never NaN.
`torsion.files` writes them.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from torsion._version import __version__
from torsion.angles import wrap_axis_deg, wrap_direction_deg
from torsion.files import INSPECTION_SCHEMA, MEASUREMENT_SCHEMA
from torsion.flags import FLAGS
from torsion.measures import LIMITS, MEASURES
from torsion.toric import CAUTION

if TYPE_CHECKING:
    from torsion.axis_cost import AxisCost
    from torsion.measurement import Measurement
    from torsion.photo import Ellipse
    from torsion.preparation import PreparedPhoto

__all__ = [
    "best_photo",
    "cautions",
    "inspection_record",
    "measurement_cautions",
    "measurement_record",
    "plain_fields",
    "plain_value",
    "toric_record",
]

_SAME_EYE_ONLY = (
    "'accept' says that both photos show the same eye; it does not say that the plan is this patient's, nor "
    "that the right side is prepared."
)
_PLAN_NOT_CHECKED = (
    "Nothing here checks that the plan is this patient's, nor that the right side is prepared."
)
_THAT_PHOTO_ONLY = (
    "The surgical axis holds for that supine photo only: head, microscope and drape move afterwards."
)

_PX_DECIMALS = 2
_DECIMALS = 4  # of a degree: far below what can be measured, and no noise
_ARITHMETIC_DECIMALS = 9  # nothing was measured: all digits but those that rounding in floats leaves behind
# Fields that hold an axis, (0, 180], or a direction, [0, 360), in every record.  Rounding leaves these
# ranges: it makes 0 of 0.00001, which is no axis, and 360 of 359.99999.
_AXES = (
    "axis_deg", "baseline_deg", "best_axis_deg", "in_photo_deg", "meridian_deg", "photo_axis_deg",
    "photo_deg", "planned_deg", "surgical_deg", "surgical_patient_deg",
)  # fmt: skip
_DIRECTIONS = (
    "direction_deg", "end_deg", "incision_deg", "photo_direction_deg",
    "incision.planned_deg", "incision.surgical_deg",
)  # fmt: skip
_WRAPS: dict[str, Callable[[float], float]] = {
    **dict.fromkeys(_AXES, wrap_axis_deg),
    **dict.fromkeys(_DIRECTIONS, wrap_direction_deg),
    "clock_hour": lambda hour: hour or 12.0,
}
Rounding = Callable[[float, str], float]
"""Rounds a number for a record, by its field's name: its own, with that of what it stands in before a dot."""


def cautions(*, axis: bool, pair: bool = True) -> tuple[str, ...]:
    """Sentences that go with a result; more with a pair of photos that was matched, and with an axis."""
    if not pair:
        return (CAUTION, _PLAN_NOT_CHECKED) if axis else (CAUTION,)
    return (CAUTION, _SAME_EYE_ONLY, *((_THAT_PHOTO_ONLY,) if axis else ()))


def measurement_cautions(measurement: "Measurement") -> tuple[str, ...]:
    """Sentences that go with a measurement: of the surgical axis only where one is given."""
    axis = measurement.axis
    return cautions(axis=axis is not None and axis.surgical_deg is not None)


def measurement_record(measurement: "Measurement", *, cost: "AxisCost | None" = None) -> dict[str, Any]:
    """Fields of a measurement, ready for `to_json`.

    Parameters
    ----------
    measurement : Measurement
    cost : AxisCost, optional
        What an error of the axis costs with the lens that is planned.

    Returns
    -------
    dict
        The schema ``torsion/measurement/1``: plain dicts, lists, strings, numbers and None.  Angles are
        rounded to 4 decimals, pixels to 2.  ``axis``, ``incision`` and ``cost`` are there only where they
        were asked for, ``network`` only where several photos were given, and ``record.outlines`` only where
        limbus or pupil were given by hand.
    """
    m = measurement
    shown: dict[str, Any] = {
        "schema": MEASUREMENT_SCHEMA,
        "eye": m.eye,
        "rotation_deg": m.rotation_deg,
        "standard_uncertainty_deg": m.standard_uncertainty_deg,
        "interval_95_deg": m.interval_95_deg,
        "direction": m.direction,
        "verdict": m.verdict,
        "flags": m.flags,
        "view": m.view,
        "bands": {name: m.bands.get(name) for name in ("iris", "limbus")},
        "evidence": m.evidence,
        "margin": m.margin,
        "seated": _photo_fields(m.seated) | {"laterality": m.lateralities[0]},
        "supine": _photo_fields(m.supine) | {"laterality": m.lateralities[1]},
        "order_signs": m.order_signs,
    }
    for name, part in (("axis", m.axis), ("incision", m.incision), ("cost", cost), ("network", m.network)):
        if part is not None:
            shown[name] = part
    shown["cautions"] = measurement_cautions(m)
    record = plain_fields(shown)
    photos = {"seated": m.seated, "supine": m.supine}
    made = _provenance(m.options, {role: photo.photo.sha256 for role, photo in photos.items()})
    outlines = {role: given for role, photo in photos.items() if (given := _given_outlines(photo))}
    return {**record, "record": made | ({"outlines": outlines} if outlines else {})}


def inspection_record(photos: Sequence["PreparedPhoto"], *, options: object | None = None) -> dict[str, Any]:
    """Fields of an inspection, ready for `to_json`: a list also for one photo.

    Parameters
    ----------
    photos : sequence of PreparedPhoto
    options : dataclass, optional
        What the photos were prepared with, for the record.

    Returns
    -------
    dict
        The schema ``torsion/inspection/1``; ``best`` is an index into ``photos``, or None where every photo
        is refused; ``limits`` are those of the measures, by name, and ``retake`` says what betters them.
    """
    shown = {
        "schema": INSPECTION_SCHEMA,
        "photos": [_photo_fields(photo) | {"eye": photo.photo.eye} for photo in photos],
        "best": best_photo(photos),
        "limits": {name: asdict(limit) for name, limit in LIMITS.items()},
        "retake": {name: measure.retake for name, measure in MEASURES.items()},
        "cautions": (CAUTION,),
    }
    record = plain_fields(shown)
    made = _provenance(options, [photo.photo.sha256 for photo in photos])
    outlines = [_given_outlines(photo) for photo in photos]
    return {**record, "record": made | ({"outlines": outlines} if any(outlines) else {})}


def toric_record(
    schema: str, fields: Mapping[str, object], *, sha256: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """Fields of a plan, residual, recheck or budget, ready for `to_json`.

    Parameters
    ----------
    schema : str
        Name of the schema that the fields follow.
    fields : mapping
        Results; dataclasses in it are opened, numbers rounded to 9 decimals.
    sha256 : mapping of str to str, optional
        Of the photos that took part, by their role.

    Returns
    -------
    dict
        With the cautions and the version added.

    Raises
    ------
    TypeError
        If a field holds neither a plain value nor a dataclass, mapping or sequence of such.
    """
    plain = {name: plain_value(value, name, rounded=_nine_decimals) for name, value in fields.items()}
    made: dict[str, Any] = {"version": __version__}
    if sha256 is not None:
        made["sha256"] = dict(sha256)
    return {"schema": schema, **plain, "cautions": [CAUTION], "record": made}


def best_photo(photos: Sequence["PreparedPhoto"]) -> int | None:
    """Index of the photo to plan on: side first, then verdict, flags, and how much is free and can be known.

    A photo that shows the other eye than the one stated comes after all others.

    Returns
    -------
    int or None
        The first of equals; None where every photo is refused.
    """
    usable = [index for index, photo in enumerate(photos) if photo.verdict != "refuse"]
    return max(usable, key=lambda index: _merit(photos[index]), default=None)


def _merit(photo: "PreparedPhoto") -> tuple[float, ...]:
    to_review = sum(FLAGS[name].verdict != "accept" for name in photo.flags)
    free = (photo.measures.get("iris_valid") or 0.0) + (photo.measures.get("limbus_valid") or 0.0)
    stated, shown = photo.photo.eye, photo.laterality.upright
    right_side = stated is None or shown in (None, stated)
    detail = photo.measures.get("iris_detail") or 0.0
    return float(right_side), float(photo.verdict == "accept"), -float(to_review), free * detail, free


def _photo_fields(prepared: "PreparedPhoto") -> dict[str, Any]:
    return {
        "file": prepared.photo.name,
        "verdict": prepared.verdict,
        "flags": prepared.flags,
        "limbus": _ellipse_fields(prepared.limbus),
        "pupil": _ellipse_fields(prepared.pupil),
        "measures": dict(prepared.measures),
        "laterality": prepared.laterality.upright,
    }


def _ellipse_fields(ellipse: "Ellipse | None") -> dict[str, float] | None:
    if ellipse is None:
        return None
    names = ("x_px", "y_px", "radius_px", "major_px", "minor_px", "axis_deg")
    return {name: getattr(ellipse, name) for name in names}


def _given_outlines(prepared: "PreparedPhoto") -> dict[str, object]:
    """Limbus and pupil as they were given by hand, which like the options are not rounded."""
    given = {"limbus": prepared.photo.limbus, "pupil": prepared.photo.pupil}
    return {name: _ellipse_fields(outline) for name, outline in given.items() if outline is not None}


def plain_fields(given: Mapping[str, object]) -> dict[str, Any]:
    """Plain values for JSON, numbers rounded as in all records of what was measured.

    Raises
    ------
    TypeError
        If a field holds neither a plain value nor a dataclass, mapping or sequence of such.
    """
    return {name: plain_value(value, name, rounded=_by_unit) for name, value in given.items()}


def plain_value(value: object, name: str = "", *, rounded: Rounding) -> object:
    """Plain value for JSON: dataclasses opened, numpy scalars read, floats rounded, None where not finite.

    Parameters
    ----------
    value : object
    name : str, optional
        Of the field that holds it.
    rounded : callable
        Rounds a finite number.

    Raises
    ------
    TypeError
        If it is neither a plain value nor a dataclass, mapping or sequence of such.
    """
    if is_dataclass(value) and not isinstance(value, type):
        value = {field.name: getattr(value, field.name) for field in fields(value)}
    if isinstance(value, Mapping):
        own = name.rpartition(".")[2]
        return {str(key): plain_value(item, f"{own}.{key}", rounded=rounded) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_value(item, name, rounded=rounded) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return rounded(value, name) + 0.0 if math.isfinite(value) else None  # minus zero is written as zero
    if isinstance(value, str | bool | int) or value is None:
        return value
    msg = f"'{name.rpartition('.')[2]}' of a record must be a plain value, not {type(value).__name__}"
    raise TypeError(msg)


def _provenance(options: object | None, sha256: object) -> dict[str, Any]:
    plain = plain_value(options, rounded=lambda number, _: number)  # what was typed in is not rounded
    return {"version": __version__, "options": plain, "sha256": sha256}


def _by_unit(number: float, name: str) -> float:
    return _kept_in_range(round(number, _PX_DECIMALS if name.endswith("_px") else _DECIMALS), name)


def _nine_decimals(number: float, name: str) -> float:
    return _kept_in_range(round(number, _ARITHMETIC_DECIMALS), name)


def _kept_in_range(number: float, name: str) -> float:
    wrap = _WRAPS.get(name) or _WRAPS.get(name.rpartition(".")[2])
    return number if wrap is None else wrap(number)
