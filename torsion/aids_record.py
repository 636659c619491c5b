"""Record of what goes with a measurement: ways to its axis, the ink check, hand-picked pairs, the centre."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from torsion.aids import Aids, Centre, HandCheck
from torsion.axis_ways import AxisWay
from torsion.marking import Marking
from torsion.marks_record import marks_fields
from torsion.record import plain_fields

__all__ = ["with_aids"]

_HAND = (
    "rotation_deg", "standard_uncertainty_deg", "interval_95_deg", "verdict", "flags", "scale", "residual_px",
    "click_px", "degrees_of_freedom",
)  # fmt: skip


def with_aids(record: Mapping[str, Any], aids: Aids, *, sha256: Mapping[str, str]) -> dict[str, Any]:
    """Add the aids to the record of their measurement.

    Parameters
    ----------
    record : mapping
        Of `torsion.record.measurement_record`.
    aids : Aids
    sha256 : mapping of str to str
        Of further files that took part, by their role.

    Returns
    -------
    dict
        With ``axis.offsets`` where an axis was given, and ``ink``, ``hand`` and ``centre`` where they were
        asked for.
    """
    fields = dict(record)
    made = fields.pop("record")
    if "axis" in fields:
        fields["axis"] = {**fields["axis"], "offsets": [_way_fields(way) for way in aids.ways]}
    more = {
        "ink": None if aids.ink is None else _ink_fields(aids.ink, aids.ink_flags),
        "hand": None if aids.hand is None else _hand_fields(aids.hand),
        "centre": None if aids.centre is None else _centre_fields(aids.centre),
    }
    fields |= {name: value for name, value in more.items() if value is not None}
    return {**fields, "record": {**made, "sha256": {**made["sha256"], **sha256}}}


def _way_fields(way: AxisWay) -> dict[str, Any]:
    names = (
        "number", "kind", "band", "direction_deg", "end_deg", "offset_deg", "offset_mm", "width_deg"
    )  # fmt: skip
    fields: dict[str, Any] = {
        "from": way.start,
        **{name: getattr(way, name) for name in names},
        "x_px": None if way.landmark is None else way.landmark.x_px,
        "y_px": None if way.landmark is None else way.landmark.y_px,
    }
    return plain_fields(fields)


def _ink_fields(ink: Marking, flags: tuple[str, ...]) -> dict[str, Any]:
    return {"case": ink.case, "flags": list(flags), **marks_fields(ink)}


def _hand_fields(check: HandCheck) -> dict[str, Any]:
    hand, agreement = check.hand, check.agreement
    return plain_fields(
        {
            **{name: getattr(hand, name) for name in _HAND},
            "suspects": [asdict(suspect) for suspect in hand.suspects],
            "pairs": [
                {**asdict(pair), "residual_px": residual}
                for pair, residual in zip(hand.pairs, hand.residuals_px, strict=True)
            ],
            "agreement": None if agreement is None else asdict(agreement),
        }
    )


def _centre_fields(centre: Centre) -> dict[str, Any]:
    parts = {"pupil": centre.pupil, "visual_axis": centre.visual_axis, "ring": centre.ring}
    return plain_fields({name: None if part is None else asdict(part) for name, part in parts.items()})
