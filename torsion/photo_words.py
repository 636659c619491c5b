"""Words for one photo: its figures, their limits, and the side that it shows."""

from collections.abc import Mapping

from torsion.measures import LIMITS, MEASURES
from torsion.preparation import PreparedPhoto

__all__ = ["GAZE", "is_marked", "limit_words", "measure_words", "shown_side"]

GAZE = ("gaze tilt", "–", "one photo does not tell")
"""Label, value and limit of what is asked of a photo and cannot be read in it."""


def shown_side(photo: PreparedPhoto) -> str:
    """Say which eye a photo shows by itself, with a question where another one was stated.

    Returns
    -------
    str
        ``OS``, ``OS, not OD?``, or a dash where it does not show.
    """
    shown, stated = photo.laterality.upright, photo.photo.eye
    if shown is None:
        return "–"
    return f"{shown}, not {stated}?" if photo.laterality.contradicts(stated) else shown


def measure_words(measures: Mapping[str, float | None]) -> list[tuple[str, str]]:
    """Label and value of each measure of a photo.

    Examples
    --------
    >>> measure_words({"iris_valid": 0.8657, "limbus_radius_px": 180.93, "focus": None})
    [('iris usable', '87 %'), ('limbus radius', '181 px'), ('fine detail', '–')]
    """
    return [(MEASURES[name].label, _value(name, value)) for name, value in measures.items()]


def limit_words(name: str) -> str:
    """Limit of a measure of a photo; empty where it has none.

    Examples
    --------
    >>> limit_words("limbus_radius_px"), limit_words("overexposed"), limit_words("pupil_ratio")
    ('at least 40 px', 'at most 50 %', '')
    """
    if name not in LIMITS:
        return ""
    limit = LIMITS[name]
    if limit.least is None:
        return f"at most {_value(name, limit.most)}"
    either = ", or the other band" if limit.flag == "eye_covered" else ""
    return f"at least {_value(name, limit.least)}{either}"


def is_marked(photo: PreparedPhoto, name: str) -> bool:
    """Whether a measure lies beyond its limit and the photo has the flag that goes with it.

    Of one band too little may be usable without a flag: the other one suffices.
    """
    value, limit = photo.measures[name], LIMITS.get(name)
    return limit is not None and value is not None and limit.flag in photo.flags and limit.breached(value)


def _value(name: str, value: float | None) -> str:
    if value is None:
        return "–"
    unit = MEASURES[name].unit
    if unit.endswith("%"):
        return f"{100.0 * value:.{0 if unit == '%' else 1}f} %"
    if unit == "levels":
        return f"{value:.1f} {unit}"
    return f"{value:.0f} px" if unit == "px" else f"{value:.2f}"
