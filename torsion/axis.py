"""Carrying the planned axis of a lens, and the direction of an incision, into the supine picture."""

import math
from dataclasses import dataclass
from typing import Any, Literal

from torsion.angles import (
    as_typed,
    check_turn,
    mirror_axis_deg,
    mirror_direction_deg,
    read_axis_deg,
    read_choice,
    read_direction_deg,
    wrap_axis_deg,
    wrap_direction_deg,
)
from torsion.photo import read_turn
from torsion.quantiles import COVERAGE

__all__ = ["AxisFrame", "AxisTransfer", "Incision", "check_plan", "transfer_axis", "transfer_incision"]

AxisFrame = Literal["same", "level", "unknown"]

# Standard uncertainty of the seated photo's frame against that of the keratometry.
_FRAME_DEG: dict[AxisFrame, float | None] = {
    "same": 0.0,  # taken together: one frame by definition
    "level": 2.0,  # two head poses, each judged level: people judge a tilt to 2 to 3 degrees
    # (30 examiners, SD 1.6 to 2.8 degrees: Arq Bras Oftalmol 2018;81(1))
    "unknown": None,
}


@dataclass(frozen=True, slots=True)
class AxisTransfer:
    """A planned axis in the supine picture.

    Attributes
    ----------
    planned_deg : float
        As planned, in (0, 180].
    surgical_deg : float or None
        In the supine picture as displayed, in (0, 180]; None when the measurement is refused.
    surgical_patient_deg : float or None
        The same with the turn or mirror of the view undone; None where there was none, or when refused.
    standard_uncertainty_deg : float or None
        Of registration and frame together; None while the frame is unknown.
    registration_deg, frame_deg : float or None
        Its two parts.
    interval_95_deg : (float, float) or None
        Of `surgical_deg`, not wrapped.
    interval_is : {"registration only", "registration and frame"}
        What the interval holds.
    frame : {"same", "level", "measured", "unknown"}
    tilt_deg : float or None
        How far the seated photo is turned against the keratometry, counter-clockwise positive, where that was
        measured; it is in `surgical_deg`.
    """

    planned_deg: float
    surgical_deg: float | None
    surgical_patient_deg: float | None
    standard_uncertainty_deg: float | None
    registration_deg: float | None
    frame_deg: float | None
    interval_95_deg: tuple[float, float] | None
    interval_is: str
    frame: AxisFrame | Literal["measured"]
    tilt_deg: float | None = None

    @property
    def seated_deg(self) -> float:
        """Planned axis in the seated photo, in (0, 180]: turned by the tilt where that was measured."""
        return wrap_axis_deg(self.planned_deg + (self.tilt_deg or 0.0))


@dataclass(frozen=True, slots=True)
class Incision:
    """Direction of an incision, planned and in the supine picture, in [0, 360); None when refused."""

    planned_deg: float
    surgical_deg: float | None


def transfer_axis(
    planned_deg: float,
    rotation_deg: float | None,
    registration_deg: float | None,
    *,
    frame: AxisFrame = "unknown",
    tilt: tuple[float, float] | None = None,
    turn_deg: int = 0,
    mirrored: bool = False,
) -> AxisTransfer:
    """Carry an axis from the seated to the supine picture.

    The rotation is that of the fitted map with the relative foreshortening by gaze taken out, so that the
    axis of an eye that looks aside moves as that of an eye that looks straight ahead.

    Parameters
    ----------
    planned_deg : float
        In [0, 180]; 0 is read as 180.
    rotation_deg : float or None
        Of the eye, counter-clockwise positive, view undone; None when refused.
    registration_deg : float or None
        Standard uncertainty of the rotation.
    frame : {"same", "level", "unknown"}, default "unknown"
        How the seated photo's frame relates to that of the keratometry.
    tilt : (float, float), optional
        In place of a frame: how far the seated photo is turned against the keratometry, degrees
        counter-clockwise, and the standard uncertainty of that (`torsion.level` reads both off a photo).
    turn_deg : {0, 90, 180, 270}
        Turn of the supine picture, counter-clockwise.
    mirrored : bool, default False
        Whether the supine picture is mirrored left to right.

    Returns
    -------
    AxisTransfer

    Raises
    ------
    ValueError
        If the axis is outside [0, 180], the frame is not one of the three, there is a frame beside a tilt,
        a tilt or its uncertainty is beyond 45 degrees, the rotation or its uncertainty is not finite, or
        that is negative, or the turn is not one of the four.

    Examples
    --------
    >>> transfer_axis(178.0, 5.0, 0.1, frame="same").surgical_deg
    3.0
    """
    planned_deg = read_axis_deg(planned_deg, name="the axis")
    turn_deg = read_turn(turn_deg, name="turn_deg")
    _check_frame(frame)
    turned_deg, frame_deg = (0.0, _FRAME_DEG[frame]) if tilt is None else _checked(tilt, frame)
    stated: dict[str, Any] = {
        "frame_deg": frame_deg,
        "interval_is": "registration only" if frame_deg is None else "registration and frame",
        "frame": frame if tilt is None else "measured",
        "tilt_deg": None if tilt is None else turned_deg,
    }
    if rotation_deg is None or registration_deg is None:
        return AxisTransfer(planned_deg, None, None, None, registration_deg, interval_95_deg=None, **stated)
    if not (math.isfinite(rotation_deg) and 0.0 <= registration_deg < math.inf):
        msg = (
            "a rotation must be finite and its standard uncertainty not negative, "
            f"not {rotation_deg:g} and {registration_deg:g}"
        )
        raise ValueError(msg)
    patient = wrap_axis_deg(planned_deg + turned_deg + rotation_deg)
    displayed = wrap_axis_deg(patient + turn_deg)
    if mirrored:
        displayed = mirror_axis_deg(displayed)
    total = None if frame_deg is None else math.hypot(registration_deg, frame_deg)
    half = COVERAGE * (registration_deg if total is None else total)
    return AxisTransfer(
        planned_deg,
        displayed,
        patient if turn_deg or mirrored else None,
        total,
        registration_deg,
        interval_95_deg=(displayed - half, displayed + half),
        **stated,
    )


def check_plan(
    axis_deg: float | None,
    incision_deg: float | None,
    *,
    frame: AxisFrame = "unknown",
    tilt: tuple[float, float] | None = None,
) -> None:
    """Refuse a plan that could not be carried, before anything is measured.

    Parameters
    ----------
    axis_deg, incision_deg : float or None
        As planned: an axis in [0, 180] and a direction in [0, 360] degrees.
    frame, tilt
        As of `transfer_axis`.

    Raises
    ------
    ValueError
        As `transfer_axis` and `transfer_incision`, or if there is a frame, a tilt or an incision without an
        axis.
    """
    _check_frame(frame)
    if axis_deg is not None:
        transfer_axis(axis_deg, None, None, frame=frame, tilt=tilt)
    elif tilt is not None:
        msg = "a measured tilt of the seated photo needs an axis"
        raise ValueError(msg)
    elif frame != "unknown":
        msg = f"the axis frame {frame} needs an axis"
        raise ValueError(msg)
    elif incision_deg is not None:
        msg = f"an incision at {as_typed(incision_deg)} degrees needs an axis"
        raise ValueError(msg)
    if incision_deg is not None:
        transfer_incision(incision_deg, None)


def _check_frame(frame: AxisFrame) -> None:
    read_choice(frame, _FRAME_DEG, name="the axis frame")


def _checked(tilt: tuple[float, float], frame: AxisFrame) -> tuple[float, float]:
    turned_deg, uncertainty_deg = tilt
    if frame != "unknown":
        msg = f"a measured tilt stands in place of an axis frame, not beside {frame!r}"
        raise ValueError(msg)
    check_turn(turned_deg, uncertainty_deg, name="a tilt")
    return turned_deg, uncertainty_deg


def transfer_incision(
    planned_deg: float,
    rotation_deg: float | None,
    *,
    tilt_deg: float = 0.0,
    turn_deg: int = 0,
    mirrored: bool = False,
) -> Incision:
    """Carry the direction of an incision from the seated to the supine picture.

    Parameters
    ----------
    planned_deg : float
        In [0, 360]; 360 is read as 0.
    rotation_deg : float or None
        Of the eye, counter-clockwise positive, view undone; None when refused.
    tilt_deg : float, default 0
        How far the seated photo is turned against the keratometry, counter-clockwise, where that was
        measured.
    turn_deg : {0, 90, 180, 270}
        Turn of the supine picture, counter-clockwise.
    mirrored : bool, default False
        Whether the supine picture is mirrored left to right.

    Returns
    -------
    Incision
        Its direction in the supine picture as displayed; None when refused.

    Raises
    ------
    ValueError
        If the direction is outside [0, 360], or the turn is not one of 0, 90, 180 and 270.

    Examples
    --------
    >>> transfer_incision(355.0, 10.0).surgical_deg
    5.0
    """
    planned_deg = read_direction_deg(planned_deg, name="the incision")
    turn_deg = read_turn(turn_deg, name="turn_deg")
    if rotation_deg is None:
        return Incision(planned_deg, None)
    displayed = wrap_direction_deg(planned_deg + tilt_deg + rotation_deg + turn_deg)
    return Incision(planned_deg, mirror_direction_deg(displayed) if mirrored else displayed)
