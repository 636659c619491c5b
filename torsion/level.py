"""Level: how head and camera lay in a photo, and what part of a rotation is theirs.

A line known to be level gives the picture against gravity, seated only: when the patient lies, gravity runs
along the view.  The canthi or both pupils give it against the head, seated and supine.  The turn of the head
between two photos, taken from the same two points, leaves the turn of the eye in the head.
"""

import math
from dataclasses import dataclass
from typing import Literal, get_args

from torsion.angles import (
    axis_difference_deg,
    check_turn,
    direction_deg,
    read_axis_deg,
    read_choice,
    wrap_axis_deg,
    wrap_rotation_deg,
)

__all__ = [
    "HeadTurn",
    "LevelledAxis",
    "Posture",
    "ReferenceKind",
    "Tilt",
    "head_turn",
    "level_axis",
    "reference_tilt",
]

ReferenceKind = Literal["line", "canthi", "pupils"]
Posture = Literal["seated", "supine"]
Point = tuple[float, float]

# How well a point can be picked: pixels, and share of the distance between the two.  A corner of the eye has
# no sharp point, a pupil has a middle; common practice, no source.
_CLICK: dict[ReferenceKind, tuple[float, float]] = {
    "line": (1.0, 0.0),
    "canthi": (1.0, 0.015),
    "pupils": (1.0, 0.005),
}
# How well the line between the points stands for level in the head: the outer canthus lies higher as a rule,
# by a few degrees; common practice, no source.  It is the same in both photos of a face.
_SLANT_DEG: dict[ReferenceKind, float] = {"line": 0.0, "canthi": 3.0, "pupils": 1.0}
COUNTER_ROLL = 0.191
"""Degrees by which the eyes turn back for each degree of head tilt, seated (Lim et al., Acta Ophthalmol
2017;95(2):e101, doi 10.1111/aos.13150)."""
_STEEP_DEG = 30.0
_WIDEST_DEG = 45.0  # standard uncertainty; a direction less sure than that is none


@dataclass(frozen=True, slots=True)
class Tilt:
    """How far a reference is turned from the horizontal of a picture.

    Attributes
    ----------
    kind : {"line", "canthi", "pupils"}
    posture : {"seated", "supine"}
    against : {"gravity", "head"}
        What the reference is level in.
    angle_deg : float
        Counter-clockwise positive, in [-90, 90), view undone.
    standard_uncertainty_deg : float
        Of picking the two points.
    slant_deg : float
        Standard uncertainty of how level the reference is by nature; it cancels between photos of one face.
    """

    kind: ReferenceKind
    posture: Posture
    against: Literal["gravity", "head"]
    angle_deg: float
    standard_uncertainty_deg: float
    slant_deg: float

    @property
    def flags(self) -> tuple[str, ...]:
        """``reference_steep`` where it lies more than 30 degrees from level."""
        return ("reference_steep",) if abs(self.angle_deg) > _STEEP_DEG else ()


@dataclass(frozen=True, slots=True)
class LevelledAxis:
    """A planned axis in the frame of a seated photo that is not level.

    Attributes
    ----------
    planned_deg : float
        In the frame of the keratometry, in (0, 180].
    in_photo_deg : float
        In the photo as displayed, in (0, 180]: what is then carried to the supine photo.
    standard_uncertainty_deg : float
        Of the photo's frame against that of the keratometry, under the assumption.
    assumes : str
        What has to hold.
    """

    planned_deg: float
    in_photo_deg: float
    standard_uncertainty_deg: float
    assumes: str


@dataclass(frozen=True, slots=True)
class HeadTurn:
    """How far the head is turned in the supine picture against the seated one.

    Attributes
    ----------
    turn_deg : float
        Head and camera together, counter-clockwise positive.
    standard_uncertainty_deg : float
    torsion_deg, torsion_standard_uncertainty_deg : float or None
        What is left of the rotation between the photos: the turn of the eye in the head; None without a
        rotation.
    """

    turn_deg: float
    standard_uncertainty_deg: float
    torsion_deg: float | None = None
    torsion_standard_uncertainty_deg: float | None = None


def reference_tilt(
    kind: ReferenceKind,
    first_px: Point,
    second_px: Point,
    *,
    posture: Posture,
    click_px: float | None = None,
    turn_deg: float = 0.0,
    mirrored: bool = False,
) -> Tilt:
    """Tilt of a reference from two points on it, in either order.

    Parameters
    ----------
    kind : {"line", "canthi", "pupils"}
        A line known to be level, the two canthi of one eye, or the pupils of both eyes.
    first_px, second_px : (float, float)
        Points x, y in the picture as displayed.
    posture : {"seated", "supine"}
    click_px : float, optional
        Standard deviation of a point in each direction; by default 1 pixel, for pupils at least 0.5 % and for
        canthi at least 1.5 % of their distance (common practice, no source).
    turn_deg : float, default 0
        Turn of the picture, counter-clockwise, to be undone.
    mirrored : bool, default False
        Whether the picture is mirrored left to right.

    Returns
    -------
    Tilt

    Raises
    ------
    ValueError
        If kind or posture is another word, a level line is given for a supine photo, the points coincide or
        lie too near each other for how well they are picked, or `click_px` is not positive.

    Examples
    --------
    >>> reference_tilt("line", (100.0, 500.0), (1100.0, 500.0), posture="seated").angle_deg
    0.0
    """
    kind = read_choice(kind, get_args(ReferenceKind), name="a reference")
    posture = read_choice(posture, get_args(Posture), name="posture")
    if kind == "line" and posture == "supine":
        msg = (
            "a supine photo has no level line, since gravity runs along the view: give the canthi or both "
            "pupils"
        )
        raise ValueError(msg)
    if click_px is not None and not 0.0 < click_px < math.inf:
        msg = f"click_px must be a number of pixels above 0, not {click_px:g}"
        raise ValueError(msg)
    dx, dy = second_px[0] - first_px[0], second_px[1] - first_px[1]
    length = math.hypot(dx, dy)
    if not 1.0 <= length < math.inf:
        msg = f"the two points of the {kind} must lie at least 1 pixel apart, not {length:g}"
        raise ValueError(msg)
    least, share = _CLICK[kind]
    click = max(least, share * length) if click_px is None else click_px
    angle = float(direction_deg(-dx if mirrored else dx, dy)) - turn_deg
    uncertainty = math.degrees(math.sqrt(2.0) * click / length)
    if uncertainty > _WIDEST_DEG:
        msg = (
            f"points {length:g} pixels apart, picked to {click:g} pixels, give no direction: "
            f"its uncertainty must be at most {_WIDEST_DEG:g} degrees, not {uncertainty:g}"
        )
        raise ValueError(msg)
    against: Literal["gravity", "head"] = "gravity" if kind == "line" else "head"
    return Tilt(kind, posture, against, axis_difference_deg(angle, 0.0), uncertainty, _SLANT_DEG[kind])


def level_axis(planned_deg: float, tilt: Tilt) -> LevelledAxis:
    """Axis from keratometry in the frame of a seated photo, whose tilt is known.

    Parameters
    ----------
    planned_deg : float
        In [0, 180].
    tilt : Tilt
        Of the seated photo.

    Returns
    -------
    LevelledAxis

    Raises
    ------
    ValueError
        If the axis is outside [0, 180], or the tilt is that of a supine photo.

    Notes
    -----
    Against gravity the eye lies in the photo as at the keratometry if the head was held alike.  Against the
    head this does not matter but for counter-rolling: eyes turn back by about a fifth of a head tilt, and how
    much of the tilt is the head's and how much the camera's is not known, so a fifth of it counts as
    uncertain.

    Examples
    --------
    >>> level = reference_tilt("line", (0.0, 100.0), (1000.0, 65.08), posture="seated")
    >>> round(level_axis(90.0, level).in_photo_deg, 2)
    92.0
    """
    if tilt.posture != "seated":
        msg = "an axis from keratometry goes with a seated photo, not with a supine one"
        raise ValueError(msg)
    planned = read_axis_deg(planned_deg)
    parts = [tilt.standard_uncertainty_deg, tilt.slant_deg]
    assumes = "the head was held in this photo as at the keratometry"
    if tilt.against == "head":
        parts.append(COUNTER_ROLL * abs(tilt.angle_deg) / math.sqrt(3.0))
        assumes = (
            "the head was level at the keratometry, and the line between the points is level in the head"
        )
    return LevelledAxis(planned, wrap_axis_deg(planned + tilt.angle_deg), math.hypot(*parts), assumes)


def head_turn(
    seated: Tilt,
    supine: Tilt,
    *,
    rotation_deg: float | None = None,
    standard_uncertainty_deg: float = 0.0,
) -> HeadTurn:
    """Turn of the head between two photos, and what a rotation of the eye holds beyond it.

    Parameters
    ----------
    seated, supine : Tilt
        Of the same two points of the face.
    rotation_deg : float, optional
        Of the eye from the seated to the supine photo, view undone.
    standard_uncertainty_deg : float, default 0
        Of the rotation.

    Returns
    -------
    HeadTurn

    Raises
    ------
    ValueError
        If the references are of different kinds, not of the face, or not one seated and one supine, the
        rotation lies beyond 45 degrees, or its uncertainty is not from 0 to 45.
    """
    if (seated.posture, supine.posture) != ("seated", "supine") or seated.kind != supine.kind:
        msg = (
            "the head's turn needs the same reference in a seated and a supine photo, "
            f"not {seated.kind} {seated.posture} and {supine.kind} {supine.posture}"
        )
        raise ValueError(msg)
    turn = wrap_rotation_deg(supine.angle_deg - seated.angle_deg)
    uncertainty = math.hypot(seated.standard_uncertainty_deg, supine.standard_uncertainty_deg)
    if rotation_deg is None:
        return HeadTurn(turn, uncertainty)
    check_turn(rotation_deg, standard_uncertainty_deg, name="the rotation of the eye")
    return HeadTurn(
        turn,
        uncertainty,
        wrap_rotation_deg(rotation_deg - turn),
        math.hypot(uncertainty, standard_uncertainty_deg),
    )
