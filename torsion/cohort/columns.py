"""Columns of a manifest: one table of their names, of how their cells are read, and of what they mean."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import get_args

from torsion.angles import read_axis_deg, read_direction_deg, read_eye
from torsion.axis import AxisFrame
from torsion.delimited import read_number
from torsion.photo import TURNS

__all__ = [
    "COLUMNS", "METHOD_PREFIX", "OTHER_PREFIX", "POSTURES",
    "Column", "cell_text", "column_of", "level_points",
]  # fmt: skip

METHOD_PREFIX = "method."
"""A column ``method.NAME`` is what another method gave for the pair, degrees, counter-clockwise positive."""
OTHER_PREFIX = "manifest."
"""Under it columns without a meaning here are carried along, so that none can pass for a result."""

POSTURES = ("seated-supine", "seated-seated", "supine-supine")
"""What a pair compares; the last two are controls, in which posture does not change."""

_MISSING = ("", "na", "n/a", "nan", "null", "none")
_WORDS = {"yes": "true", "true": "true", "1": "true", "no": "false", "false": "false", "0": "false"}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a manifest.

    Attributes
    ----------
    name : str
    kind : {"text", "number", "boolean"}
        Type of its values in tables of results.
    read : callable
        Brings a cell into its normal form, or raises ValueError with a sentence that says what is allowed.
    meaning : str
        For the data dictionary.
    required : bool, default False
    default : str, default ""
        Normal form of an empty cell.
    """

    name: str
    kind: str
    read: Callable[[str], str]
    meaning: str
    required: bool = False
    default: str = ""


def cell_text(value: object) -> str:
    """Text of a cell of a table of values; a missing one is empty, a whole number has no decimals.

    Examples
    --------
    >>> cell_text(7.0), cell_text(7.5), cell_text(float("inf")), cell_text(float("nan"))
    ('7', '7.5', 'inf', '')
    """
    if value is None or value != value:  # NaN, which stands for missing, is not itself
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _number(text: str) -> float:
    number = read_number(text)
    if math.isnan(number):
        msg = f"must be a number, not {text!r}"
        raise ValueError(msg)
    return number


def _written(number: float) -> str:
    return repr(int(number)) if number == int(number) else repr(number)


def _optional(read: Callable[[str], str]) -> Callable[[str], str]:
    return lambda text: "" if text.casefold() in _MISSING else read(text)


def _axis(text: str) -> str:
    return _written(read_axis_deg(_number(text)))


def _incision(text: str) -> str:
    return _written(read_direction_deg(_number(text)))


def _minutes(text: str) -> str:
    number = _number(text)
    if number < 0.0:
        msg = f"must be a number of minutes, 0 or more, not {text!r}"
        raise ValueError(msg)
    return _written(number)


def _repeat(text: str) -> str:
    number = _number(text)
    if number < 1 or number != int(number):
        msg = f"must be a whole number, 1 or more, not {text!r}"
        raise ValueError(msg)
    return _written(number)


def _degrees(text: str) -> str:
    number = _number(text)
    if abs(number) > 180.0:
        msg = f"must lie from -180 to 180 degrees, not {text!r}"
        raise ValueError(msg)
    return _written(number)


def _turn(text: str) -> str:
    number = _number(text)
    if number not in TURNS:
        msg = f"must be 0, 90, 180 or 270 degrees, not {text!r}"
        raise ValueError(msg)
    return _written(number)


def _one_of(*allowed: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text.casefold() not in allowed:
            msg = f"must be one of {', '.join(allowed)}, not {text!r}"
            raise ValueError(msg)
        return text.casefold()

    return read


def _yes_or_no(text: str) -> str:
    if text.casefold() not in _WORDS:
        msg = f"must be yes or no, not {text!r}"
        raise ValueError(msg)
    return _WORDS[text.casefold()]


def level_points(text: str) -> tuple[float, float, float, float]:
    """Read two points ``x1 y1 x2 y2``, pixels of the photo as displayed, separated by blanks.

    Raises
    ------
    ValueError
        If these are not four numbers, or the points are one and the same.

    Examples
    --------
    >>> level_points("100,5 80 300 76")
    (100.5, 80.0, 300.0, 76.0)
    """
    parts = text.split()
    if len(parts) != 4:
        msg = f"must hold four numbers x1 y1 x2 y2, separated by blanks, not {text!r}"
        raise ValueError(msg)
    x1, y1, x2, y2 = (_number(part) for part in parts)
    if (x1, y1) == (x2, y2):
        msg = f"must hold two different points, not {text!r}"
        raise ValueError(msg)
    return x1, y1, x2, y2


def _level(text: str) -> str:
    return " ".join(_written(number) for number in level_points(text))


def _text(text: str) -> str:
    return text


_LEVEL = "two points x1 y1 x2 y2 (px) on a line that belongs to the head, such as the canthi, in the {} photo"

_TABLE = (
    Column("patient", "text", _text, "pseudonym of the patient, the same for both eyes", required=True),
    Column("eye", "text", lambda text: read_eye(text), "OD right, OS left eye", required=True),
    Column("seated", "text", _text, "first photo: path from the manifest's folder, or URL", required=True),
    Column("supine", "text", _text, "second photo, likewise", required=True),
    Column("session", "text", _text, "visit or day"),
    Column("repeat", "number", _optional(_repeat), "number of the repeat within the session"),
    Column("posture", "text", _one_of(*POSTURES), "postures of first and second photo", default=POSTURES[0]),
    Column("axis", "number", _optional(_axis), "planned axis, degrees, 0 to 180"),
    Column(
        "axis_frame",
        "text",
        _one_of(*get_args(AxisFrame)),
        "how the first photo's frame relates to that of the keratometry",
    ),
    Column("incision", "number", _optional(_incision), "planned direction of the incision, 0 to 360 degrees"),
    Column("mirrored", "boolean", _yes_or_no, "whether the second photo is known to be mirrored"),
    Column(
        "turned",
        "number",
        _optional(_turn),
        "counter-clockwise turn of the second photo, where it is known: 0, 90, 180 or 270 degrees; with a "
        "mirror, as it was before that",
    ),
    Column("seated_level", "text", _level, _LEVEL.format("first")),
    Column("supine_level", "text", _level, _LEVEL.format("second")),
    Column("camera", "text", _text, "camera"),
    Column("operator", "text", _text, "who took the photos (a code)"),
    Column("minutes", "number", _optional(_minutes), "minutes between the two photos"),
    Column("anaesthesia", "text", _text, "anaesthesia"),
    Column("drops", "text", _text, "eye drops, such as mydriatics"),
    Column("fixation", "text", _text, "what the eye looked at"),
)
COLUMNS: dict[str, Column] = {column.name: column for column in _TABLE}


def column_of(name: str) -> Column:
    """Look a column up: one of `COLUMNS`, a method's, or one that is merely carried along.

    Examples
    --------
    >>> column_of("method.ring").kind, column_of("weather").name
    ('number', 'manifest.weather')
    """
    if name in COLUMNS:
        return COLUMNS[name]
    if name.startswith(METHOD_PREFIX):
        meaning = "rotation that another method gave, degrees, counter-clockwise positive"
        return Column(name, "number", _optional(_degrees), meaning)
    return Column(OTHER_PREFIX + name, "text", _text, "carried along from the manifest")
