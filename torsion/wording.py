"""Words shared by texts, figures and pages: angles, verdicts, flags, and lines that fit."""

import re
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from torsion.angles import wrap_axis_deg, wrap_direction_deg
from torsion.flags import FLAGS, Verdict

if TYPE_CHECKING:  # commands that measure no pair do without loading these
    from torsion.measurement import Measurement

__all__ = [
    "axis_degrees",
    "direction_degrees",
    "flag_words",
    "ink_unread_words",
    "photo_named",
    "printable",
    "reason_words",
    "rotation_words",
    "shortened",
    "spread_words",
    "turn_words",
    "verdict_word",
    "wrapped",
]

_INK_UNREAD = {
    "no_eye": "not looked for where no eye was found",
    "on_its_side": "not looked for in a photo on its side",  # lashes beside the iris would be taken for it
}


def axis_degrees(axis_deg: float) -> str:
    """Write an axis with one decimal, in (0, 180] also after rounding.

    Examples
    --------
    >>> axis_degrees(96.377), axis_degrees(0.01)
    ('96.4°', '180.0°')
    """
    return f"{wrap_axis_deg(round(axis_deg, 1)):.1f}°"


def direction_degrees(direction_deg: float) -> str:
    """Write a direction with one decimal, in [0, 360) also after rounding.

    Examples
    --------
    >>> direction_degrees(126.377), direction_degrees(359.97)
    ('126.4°', '0.0°')
    """
    return f"{wrap_direction_deg(round(direction_deg, 1)):.1f}°"


def rotation_words(rotation_deg: float | None) -> str:
    """Say a rotation by its size and sense.

    Examples
    --------
    >>> rotation_words(-4.231), rotation_words(0.001)
    ('4.23° clockwise', '0.00°')
    """
    if rotation_deg is None:
        return "not measured"
    size = f"{abs(rotation_deg):.2f}°"
    if size == "0.00°":
        return size
    return f"{size} {'counter-clockwise' if rotation_deg > 0 else 'clockwise'}"


def turn_words(turn_deg: float) -> str:
    """Say a turn by its size and sense as `rotation_words` does, to a tenth of a degree.

    Examples
    --------
    >>> turn_words(-7.31), turn_words(0.02)
    ('7.3° clockwise', '0.0°')
    """
    size = f"{abs(turn_deg):.1f}°"
    if size == "0.0°":
        return size
    return f"{size} {'counter-clockwise' if turn_deg > 0 else 'clockwise'}"


def spread_words(uncertainty_deg: float) -> str:
    """Say an uncertainty in hundredths of a degree; the smallest is one, since none is without.

    Examples
    --------
    >>> spread_words(0.137), spread_words(0.004)
    ('0.14°', '0.01°')
    """
    return f"{max(uncertainty_deg, 0.01):.2f}°"


def photo_named(name: str, pair: "Measurement | None") -> str:
    """Say which photo of a pair has a flag; empty where it is of the pair itself, or there is no pair.

    Of several photos a measurement has the flags of the first ones; the others have a line of their own.
    """
    if pair is None:
        return ""
    photos = {"seated": pair.seated, "supine": pair.supine}
    having = [role for role, photo in photos.items() if name in photo.flags]
    if name == "other_side" and pair.eye is not None:  # a pair has it, and a photo shows it
        seen = zip(photos, pair.lateralities, strict=True)
        having = [role for role, side in seen if side not in (None, pair.eye)]
    first = "first " if pair.network is not None else ""
    if len(having) == len(photos):
        return f"both {first}photos: "
    return f"{first}{having[0]} photo: " if having else ""


def reason_words(flags: Sequence[str], verdict: Verdict, pair: "Measurement | None" = None) -> str:
    """Say why a result has its verdict: what the flags of that verdict mean, and of which photo of a pair.

    Examples
    --------
    >>> reason_words(("uncertain", "iris_only", "small_eye"), "review")
    'the standard uncertainty is above half a degree; the eye is drawn with few pixels'
    """
    return "; ".join(
        photo_named(name, pair) + FLAGS[name].meaning for name in flags if FLAGS[name].verdict == verdict
    )


def ink_unread_words(flags: Sequence[str]) -> str:
    """Say why ink was not looked for in a photo; empty where it was.

    Examples
    --------
    >>> ink_unread_words(("on_its_side",)), ink_unread_words(("no_ink",))
    ('not looked for in a photo on its side', '')
    """
    return next((words for name, words in _INK_UNREAD.items() if name in flags), "")


def verdict_word(verdict: Verdict) -> str:
    """Write a verdict in capitals, as it stands in texts and pictures."""
    return "REFUSED" if verdict == "refuse" else verdict.upper()


def flag_words(name: str, pair: "Measurement | None" = None) -> str:
    """Meaning and remedy of a flag as two sentences, the first naming the photo of a pair that has it.

    Examples
    --------
    >>> flag_words("small_eye")
    'The eye is drawn with few pixels. Remedy: go closer or use a longer lens.'
    """
    flag = FLAGS[name]
    meaning = photo_named(name, pair) + flag.meaning
    return f"{meaning[0].upper()}{meaning[1:]}. Remedy: {flag.remedy.rstrip('.?')}."


def printable(text: str) -> str:
    r"""Write a text, such as the name of a file, on one line: what cannot be printed becomes a question mark.

    Examples
    --------
    >>> printable("left\neye.jpg")
    'left?eye.jpg'
    """
    return "".join(char if char.isprintable() else "?" for char in text)


def shortened(name: str) -> str:
    """Shorten the name of a file to 34 characters, its end kept."""
    name = printable(name)
    return name if len(name) <= 34 else f"{name[:18]}…{name[-15:]}"


def wrapped(text: str, width: int, *, indent: str = "") -> list[str]:
    """Fold a text, later lines indented; a number keeps its unit.

    Examples
    --------
    >>> wrapped("to the axis 4.0° (0.4 mm)", 23)
    ['to the axis 4.0°', '(0.4 mm)']
    """
    kept = re.sub(r"(\d) (h|mm|D|%)(?=\W|$)", "\\1\u00a0\\2", text)
    lines = textwrap.wrap(kept, width, subsequent_indent=indent, break_on_hyphens=False)
    return [line.replace("\u00a0", " ") for line in lines]
