"""Dictionary: what each column of the table of results holds."""

from collections.abc import Iterable
from dataclasses import dataclass

from torsion.cohort.columns import COLUMNS, METHOD_PREFIX, OTHER_PREFIX, column_of
from torsion.cohort.table import kind_of
from torsion.flags import FLAGS
from torsion.measures import MEASURES

__all__ = ["Entry", "dictionary", "flag_meanings"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One column of the table.

    Attributes
    ----------
    column : str
    kind : {"text", "number", "boolean"}
    unit : str
        Empty for text and for numbers without a unit.
    meaning : str
    """

    column: str
    kind: str
    unit: str
    meaning: str


_UNITS = {"_deg": "degrees", "_px": "pixels"}
_UNIT_OF = {"minutes": "minutes", "axis": "degrees", "incision": "degrees", "turned": "degrees"}

# What a field of a measurement means; the longest name that ends a column's wins.
_MEANINGS = {
    "row": "number of the row in the manifest",
    "reason": "why the pair has no result; empty where it has one",
    "schema": "form of the record",
    "rotation_deg": "how far the eye is turned in the second photo, counter-clockwise positive, view undone",
    "standard_uncertainty_deg": "standard uncertainty of the rotation",
    "interval_95_deg": "95 % interval of the rotation, lower;upper",
    "direction": "excyclotorsion, incyclotorsion, or none within two standard uncertainties",
    "verdict": "accept, review or refuse",
    "flags": "words that explain the verdict, joined by ;",
    "evidence": "share of the compared parts that agree with the rotation",
    "margin": "lead of the best match over its best rival",
    "view.turn_deg": "turn of the second picture that was undone: 0, 90, 180 or 270",
    "view.mirrored": "whether the second picture was mirrored, which was undone",
    "score": "match of the band, at most 1",
    "valid_fraction": "share of the band that is usable in both photos",
    "file": "name of the photo's file",
    "laterality": "eye that the photo shows by itself: OD, OS, or empty where it does not show",
    "order_signs": "what speaks for exchanged photos, joined by ;",
    "limbus.x_px": "middle of the limbus, to the right",
    "limbus.y_px": "middle of the limbus, downwards",
    "limbus.radius_px": "mean radius of the limbus",
    "pupil.radius_px": "mean radius of the pupil",
    "major_px": "long half axis of the outline",
    "minor_px": "short half axis of the outline",
    "x_px": "middle of the outline, to the right",
    "y_px": "middle of the outline, downwards",
    "radius_px": "mean radius of the outline",
    "axis_deg": "direction of the long half axis",
    "planned_deg": "planned axis or direction",
    "surgical_deg": "where it lies in the second photo as displayed",
    "surgical_patient_deg": "the same in the patient's frame, where the view was turned or mirrored",
    "axis.standard_uncertainty_deg": "standard uncertainty of the carried axis",
    "registration_deg": "part of it that the registration adds",
    "frame_deg": "part of it that the frame of the keratometry adds; empty where it is not known",
    "axis.interval_95_deg": "95 % interval of the carried axis, lower;upper",
    "interval_is": "what the interval of the axis contains",
    "axis.frame": "how the first photo relates to the keratometry",
    "axis.tilt_deg": "measured turn of the first photo against the keratometry, if there was one",
    "level.seated_deg": "tilt of the head's line in the first photo, counter-clockwise positive",
    "level.supine_deg": "tilt of the head's line in the second photo, counter-clockwise positive",
    "level.rotation_deg": "rotation of the eye against the head's line, counter-clockwise positive",
    "record.version": "version that measured",
    **{f"measures.{name}": measure.meaning for name, measure in MEASURES.items()},
}
_PARTS = {
    "record.options.": "setting of the measurement",
    "record.sha256.": "SHA-256 of the photo's file",
    "seated.measures.": "quality of the first photo",
    "supine.measures.": "quality of the second photo",
}
_WHERE = {
    "bands.iris.": "iris alone: ",
    "bands.limbus.": "limbal band alone: ",
    "seated.": "first photo: ",
    "supine.": "second photo: ",
    "incision.": "incision: ",
}


def dictionary(columns: Iterable[str]) -> tuple[Entry, ...]:
    """Describe columns of the table of results.

    Parameters
    ----------
    columns : iterable of str

    Returns
    -------
    tuple of Entry
        In the same order; a column without a meaning here is said to be carried along from the manifest.

    Examples
    --------
    >>> dictionary(["supine.limbus.x_px"])[0].meaning
    'second photo: middle of the limbus, to the right'
    """
    return tuple(Entry(name, kind_of(name), _unit(name), _meaning(name)) for name in columns)


def flag_meanings() -> tuple[tuple[str, str], ...]:
    """Words of the column ``flags`` with their meanings."""
    return tuple((flag.name, flag.meaning) for flag in FLAGS.values())


def _unit(name: str) -> str:
    if name.startswith(METHOD_PREFIX):
        return "degrees"
    if name in _UNIT_OF:
        return _UNIT_OF[name]
    return next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), "")


def _meaning(name: str) -> str:
    if name in COLUMNS or name.startswith((METHOD_PREFIX, OTHER_PREFIX)):
        return column_of(name).meaning
    ends = [ending for ending in _MEANINGS if name == ending or name.endswith(f".{ending}")]
    if not ends:
        parts = [part for part in _PARTS if name.startswith(part)]
        if not parts:
            return "carried along"
        return f"{_PARTS[parts[0]]}: {name.removeprefix(parts[0]).replace('_', ' ')}"
    where = next((words for start, words in _WHERE.items() if name.startswith(start)), "")
    return where + _MEANINGS[max(ends, key=len)]
