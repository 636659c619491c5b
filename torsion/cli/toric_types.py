"""What people type for the toric arithmetic, read once: numbers with units, meridians, refractions, lists.

Each reader takes the text of an option and complains in one sentence that shows it; whether a number is in
range is checked by the library.
"""

import math
import re
from collections.abc import Callable

import click

from torsion.angles import read_axis_deg
from torsion.astigmatism import Refraction
from torsion.keratometry import power_from_radius_d

__all__ = [
    "Reading",
    "astigmatism_at",
    "cylinders",
    "degrees",
    "dioptres",
    "millimetres",
    "numbers",
    "power_at",
    "refraction",
    "uncertainty",
]

Reading = tuple[float, float | None]
"""A power with its meridian, or a mean with its standard deviation; the second may be missing."""

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_UNITS = {"d": "dioptres", "dpt": "dioptres", "deg": "degrees", "°": "degrees", "mm": "millimetres"}
_SIGNS = str.maketrans({"\u2212": "-", "\u00d7": "x"})  # a typographic minus and times sign
_SPHERE_D, _CYLINDER_D = 30.0, 15.0


def _number(unit: str) -> Callable[[str | float], float]:
    def read(text: str | float) -> float:
        found = re.fullmatch(rf"({_NUMBER})\s*([A-Za-z°]*)", _clean(text))
        if found is None or (found[2] and found[2].lower() not in _UNITS):
            msg = f"{text!r} is not a number of {unit} (with a decimal point)"
            raise click.BadParameter(msg)
        if found[2] and _UNITS[found[2].lower()] != unit:
            msg = f"{text!r} is in {_UNITS[found[2].lower()]}; a number of {unit} is needed"
            raise click.BadParameter(msg)
        return float(found[1])

    return read


def numbers(text: str, count: int, *, form: str) -> tuple[float, ...]:
    """Read so many finite numbers separated by commas; `form` shows and explains them where they are not."""
    try:
        found = tuple(float(part) for part in text.split(","))
    except ValueError:
        found = ()
    if len(found) != count or not all(map(math.isfinite, found)):
        msg = f"{text!r} is not of the form {form}"
        raise click.BadParameter(msg)
    return found


degrees = _number("degrees")
dioptres = _number("dioptres")
millimetres = _number("millimetres")


def power_at(text: str) -> Reading:
    """Read a power and its meridian, ``44.50@90`` or ``7.58mm@90``; the meridian may be left out."""
    found = re.fullmatch(
        rf"({_NUMBER})\s*(mm|dpt|d)?\s*(?:@\s*({_NUMBER})\s*(?:°|deg)?)?", _clean(text), re.I
    )
    if found is None:
        msg = f"{text!r} is not of the form 44.50@90 (dioptres @ degrees)"
        raise click.BadParameter(msg)
    power = float(found[1])
    if (found[2] or "").lower() == "mm":
        try:
            power = power_from_radius_d(power)
        except ValueError as fault:
            raise click.BadParameter(str(fault)) from fault
    return power, None if found[3] is None else float(found[3])


def astigmatism_at(text: str) -> Reading:
    """Read an astigmatism and its steep meridian, ``2.00@90``; a radius is none."""
    if "mm" in text.lower():
        msg = f"{text!r} is in millimetres; an astigmatism is a number of dioptres, as in 2.00@90"
        raise click.BadParameter(msg)
    return power_at(text)


def refraction(text: str) -> Refraction:
    """Read sphere, cylinder and axis, ``+0.50 -1.25 x 140``, in either sign; a sphere alone will do."""
    clean = re.sub(r"^(plano|plan|pl)\b", "0", _clean(text), flags=re.I)
    found = re.fullmatch(
        rf"({_NUMBER})\s*d?(?:[\s/,]*({_NUMBER})\s*d?\s*(?:x|@|ax(?:is)?)\s*({_NUMBER})\s*°?)?", clean, re.I
    )
    if found is None:
        msg = f"{text!r} is not of the form '+0.50 -1.25 x 140' (sphere, cylinder x axis)"
        raise click.BadParameter(msg)
    sphere, cylinder = float(found[1]), float(found[2] or 0.0)
    if abs(sphere) > _SPHERE_D or abs(cylinder) > _CYLINDER_D:
        msg = (
            f"{text!r} is beyond human range: sphere -{_SPHERE_D:g} to {_SPHERE_D:g}, "
            f"cylinder -{_CYLINDER_D:g} to {_CYLINDER_D:g} dioptres"
        )
        raise click.BadParameter(msg)
    if found[3] is None or cylinder == 0.0:
        return Refraction(sphere)
    try:
        return Refraction(sphere, cylinder, read_axis_deg(float(found[3]), name="axis of the refraction"))
    except ValueError as fault:
        raise click.BadParameter(str(fault)) from fault


def cylinders(text: str) -> tuple[float, ...]:
    """Read cylinders on offer: a list ``1,1.5,2.25`` or ``from:to:step``."""
    parts = re.split(r"\s*[,:]\s*", _clean(text))
    if not all(re.fullmatch(_NUMBER, part) for part in parts) or text.count(":") not in (0, 2):
        msg = f"{text!r} is neither a list like 1,1.5,2.25 nor from:to:step like 1:6:0.75"
        raise click.BadParameter(msg)
    numbers = tuple(float(part) for part in parts)
    if ":" not in text:
        return numbers
    if len(numbers) != 3 or numbers[2] <= 0.0 or not 0.0 <= (numbers[1] - numbers[0]) / numbers[2] <= 200.0:
        msg = f"{text!r} must rise from the first to the last cylinder in at most 200 steps"
        raise click.BadParameter(msg)
    first, last, step = numbers
    count = int((last - first) / step + 1e-9) + 1  # the last one counts although 0.1 * 3 exceeds 0.3
    return tuple(first + step * index for index in range(count))


def uncertainty(text: str) -> Reading:
    """Read a standard uncertainty in degrees, or a published ``mean+-SD`` of absolute errors."""
    found = re.fullmatch(rf"({_NUMBER})\s*(?:(?:\+/?-|±)\s*({_NUMBER}))?\s*(?:°|deg)?", _clean(text))
    if found is None:
        msg = f"{text!r} is neither a standard uncertainty like 2.5 nor a mean and SD like 2.4+-0.8 (degrees)"
        raise click.BadParameter(msg)
    return float(found[1]), None if found[2] is None else float(found[2])


def _clean(text: str | float) -> str:
    return str(text).strip().translate(_SIGNS)
