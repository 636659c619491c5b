"""Angles of axes and directions: the one place where they are wrapped.

Angles are in degrees, counter-clockwise as the examiner sees the patient's photo, 0 at the right of the
picture, as in ISO 8429.  Pictures have y growing downwards, so y is negated here and nowhere else.
"""

from collections.abc import Collection
from numbers import Real
from typing import Literal, TypeVar, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Eye",
    "as_typed",
    "axis_difference_deg",
    "check_turn",
    "direction_deg",
    "mirror_axis_deg",
    "mirror_direction_deg",
    "read_axis_deg",
    "read_choice",
    "read_direction_deg",
    "read_eye",
    "rotation_name",
    "unit_vector",
    "wrap_axis_deg",
    "wrap_direction_deg",
    "wrap_rotation_deg",
]

Eye = Literal["OD", "OS"]

_Choice = TypeVar("_Choice", bound=str)

# Of an eye or a head in a photo; beyond, a number is a slip or the picture is turned.
_LARGEST_TURN_DEG = 45.0


@overload
def wrap_axis_deg(angle_deg: float) -> float: ...
@overload
def wrap_axis_deg(angle_deg: NDArray[np.float64]) -> NDArray[np.float64]: ...
def wrap_axis_deg(angle_deg: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Wrap the angle of an axis into (0, 180]; a horizontal axis is written 180.

    Examples
    --------
    >>> wrap_axis_deg(0.0), wrap_axis_deg(181.5), wrap_axis_deg(-10.0)
    (180.0, 1.5, 170.0)
    """
    remainder = np.asarray(angle_deg, dtype=float) % 180.0
    return _plain(np.where(remainder <= 0.0, 180.0, remainder))


@overload
def wrap_direction_deg(angle_deg: float) -> float: ...
@overload
def wrap_direction_deg(angle_deg: NDArray[np.float64]) -> NDArray[np.float64]: ...
def wrap_direction_deg(angle_deg: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Wrap the angle of a direction into [0, 360).

    Examples
    --------
    >>> wrap_direction_deg(-10.0), wrap_direction_deg(360.0)
    (350.0, 0.0)
    """
    return _plain(_remainder(angle_deg, 360.0))


@overload
def wrap_rotation_deg(angle_deg: float) -> float: ...
@overload
def wrap_rotation_deg(angle_deg: NDArray[np.float64]) -> NDArray[np.float64]: ...
def wrap_rotation_deg(angle_deg: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Wrap a rotation into [-180, 180).

    Examples
    --------
    >>> wrap_rotation_deg(350.0), wrap_rotation_deg(180.0)
    (-10.0, -180.0)
    """
    return _plain(_remainder(np.asarray(angle_deg, dtype=float) + 180.0, 360.0) - 180.0)


@overload
def axis_difference_deg(first_deg: float, second_deg: float) -> float: ...
@overload
def axis_difference_deg(first_deg: NDArray[np.float64], second_deg: ArrayLike) -> NDArray[np.float64]: ...
def axis_difference_deg(first_deg: ArrayLike, second_deg: ArrayLike) -> float | NDArray[np.float64]:
    """Turn from the second axis to the first, counter-clockwise positive, in [-90, 90).

    Examples
    --------
    >>> axis_difference_deg(5.0, 175.0)
    10.0
    """
    difference = np.asarray(first_deg, dtype=float) - np.asarray(second_deg, dtype=float)
    return _plain(_remainder(difference + 90.0, 180.0) - 90.0)


def mirror_axis_deg(axis_deg: float) -> float:
    """Axis as it appears in a picture mirrored left to right: a becomes 180 - a, in (0, 180]."""
    return wrap_axis_deg(180.0 - axis_deg)


def mirror_direction_deg(angle_deg: float) -> float:
    """Direction as it appears in a picture mirrored left to right: d becomes 180 - d, in [0, 360)."""
    return wrap_direction_deg(180.0 - angle_deg)


def direction_deg(dx_px: ArrayLike, dy_px: ArrayLike) -> float | NDArray[np.float64]:
    """Direction in [0, 360) of a step given in picture coordinates (x right, y down).

    Examples
    --------
    >>> direction_deg(0.0, -1.0)  # straight up in the picture
    90.0
    """
    angle: NDArray[np.float64] = np.degrees(
        np.arctan2(-np.asarray(dy_px, dtype=float), np.asarray(dx_px, dtype=float))
    )
    return wrap_direction_deg(angle)


def unit_vector(angle_deg: ArrayLike) -> NDArray[np.float64]:
    """Picture-coordinate unit vector (x right, y down) of a direction, shape ``(..., 2)``."""
    angle = np.radians(np.asarray(angle_deg, dtype=float))
    return np.stack([np.cos(angle), -np.sin(angle)], axis=-1)


def read_axis_deg(axis_deg: float, *, name: str = "axis") -> float:
    """Check the angle of an axis that somebody typed: 0 to 180 degrees, 0 read as 180.

    Parameters
    ----------
    axis_deg : float
        Angle as given, degrees.
    name : str, optional
        What the angle is called in the error message.

    Returns
    -------
    float
        The axis in (0, 180].

    Raises
    ------
    ValueError
        If the angle is no finite number from 0 to 180: it is not wrapped, since 190 is more likely a slip
        than 10.

    Examples
    --------
    >>> read_axis_deg(0.0), read_axis_deg(35.0)
    (180.0, 35.0)
    """
    return wrap_axis_deg(_within(axis_deg, 180.0, name))


def read_direction_deg(direction_deg: float, *, name: str = "direction") -> float:
    """Check the angle of a direction that somebody typed: 0 to 360 degrees, 360 read as 0.

    Raises
    ------
    ValueError
        If the angle is no finite number from 0 to 360.
    """
    return wrap_direction_deg(_within(direction_deg, 360.0, name))


def check_turn(turn_deg: float, standard_uncertainty_deg: float, *, name: str) -> None:
    """Refuse a turn of an eye or a head, or its uncertainty, that cannot be.

    Raises
    ------
    ValueError
        If the turn lies beyond 45 degrees, or its standard uncertainty is not from 0 to 45.
    """
    largest = _LARGEST_TURN_DEG
    if not (abs(turn_deg) <= largest and 0.0 <= standard_uncertainty_deg <= largest):  # also refuses NaN
        msg = (
            f"{name} must lie within {largest:g} degrees and its standard uncertainty from 0 to {largest:g}, "
            f"not {as_typed(turn_deg)} and {as_typed(standard_uncertainty_deg)}"
        )
        raise ValueError(msg)


def as_typed(value: object) -> str:
    """Write what was given for a number with all its digits: rounded, a slip may look like what is allowed.

    Examples
    --------
    >>> as_typed(180.0001), as_typed(190.0), as_typed("90")
    ('180.0001', '190', "'90'")
    """
    return repr(float(value)).removesuffix(".0") if isinstance(value, Real) else repr(value)


def _within(angle_deg: object, largest_deg: float, name: str) -> float:
    if isinstance(angle_deg, Real) and 0.0 <= float(angle_deg) <= largest_deg:  # also refuses NaN
        return float(angle_deg)
    msg = f"{name} must lie from 0 to {largest_deg:g} degrees, not {as_typed(angle_deg)}"
    raise ValueError(msg)


def read_choice(value: object, allowed: Collection[_Choice], *, name: str) -> _Choice:
    """Read a word that somebody typed: a slip of it is not taken for another word.

    Parameters
    ----------
    value : object
        As given.
    allowed : collection of str
        Two or more.
    name : str
        What the choice is called in the error message.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If the value is none of these, letter by letter.

    Examples
    --------
    >>> read_choice("level", ("same", "level", "unknown"), name="frame")
    'level'
    """
    if isinstance(value, str):
        for choice in allowed:
            if value == choice:
                return choice
    *others, last = allowed
    msg = f"{name} must be {', '.join(others)} or {last}, not {value!r}"
    raise ValueError(msg)


def read_eye(text: str) -> Eye:
    """Read the name of an eye: OD or R is the right eye, OS or L the left.

    Raises
    ------
    ValueError
        If the text is none of these.
    """
    name = text.strip().upper() if isinstance(text, str) else text
    if name in ("OD", "R"):
        return "OD"
    if name in ("OS", "L"):
        return "OS"
    msg = f"eye must be OD or R (right), OS or L (left), not {text!r}"
    raise ValueError(msg)


def rotation_name(
    rotation_deg: float, standard_uncertainty_deg: float, eye: str
) -> Literal["excyclotorsion", "incyclotorsion", "none"]:
    """Name of a rotation in the picture: counter-clockwise is excyclotorsion in a right eye.

    Parameters
    ----------
    rotation_deg : float
        Counter-clockwise positive.
    standard_uncertainty_deg : float
        A rotation within two of them from zero is called ``"none"``.
    eye : {"OD", "OS", "R", "L"}

    Returns
    -------
    {"excyclotorsion", "incyclotorsion", "none"}

    Raises
    ------
    ValueError
        If `eye` names no eye.

    Examples
    --------
    >>> rotation_name(3.0, 0.5, "OD"), rotation_name(3.0, 0.5, "OS"), rotation_name(0.8, 0.5, "OD")
    ('excyclotorsion', 'incyclotorsion', 'none')
    """
    right = read_eye(eye) == "OD"
    if abs(rotation_deg) <= 2.0 * standard_uncertainty_deg:
        return "none"
    return "excyclotorsion" if (rotation_deg > 0) == right else "incyclotorsion"


def _remainder(angle_deg: ArrayLike, turn_deg: float) -> NDArray[np.float64]:
    """Remainder in [0, turn): that of a tiny negative angle, which rounds up to the whole turn, is 0."""
    remainder = np.asarray(angle_deg, dtype=float) % turn_deg
    return np.where(remainder >= turn_deg, 0.0, remainder)


def _plain(values: NDArray[np.float64]) -> float | NDArray[np.float64]:
    return float(values) if values.ndim == 0 else values
