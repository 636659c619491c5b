"""Aids: what goes with a measurement into the theatre, to find its axis in the eye and to check it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from torsion.axis_ways import AxisWay
from torsion.centre import CapsuleRing, CarriedPoint, capsule_ring, carry_point
from torsion.iris_map import iris_matrix
from torsion.landmark_pairs import Agreement, HandRotation, LandmarkPair, compare_rotation, fit_pairs
from torsion.marking import Marking, pair_marks
from torsion.match import angle_flags
from torsion.measurement import Measurement

__all__ = [
    "NO_AIDS",
    "Aids",
    "Centre",
    "HandCheck",
    "carried_centre",
    "hand_check",
    "ink_check",
]

_CLICK_PX = 1.0  # standard uncertainty of a point picked by hand, each way; common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class HandCheck:
    """Rotation from pairs picked by hand, beside the measured one.

    Attributes
    ----------
    hand : HandRotation
    agreement : Agreement or None
        None where either of the two is refused.
    """

    hand: HandRotation
    agreement: Agreement | None

    @property
    def flags(self) -> tuple[str, ...]:
        """Names from the vocabulary that bear on the measurement."""
        if self.hand.verdict == "refuse":
            return ("landmarks_unusable",)
        return self.agreement.flags if self.agreement is not None else ()


@dataclass(frozen=True, slots=True, eq=False)
class Centre:
    """Points of the seated eye in the supine photo, and the ring for the opening of the capsule.

    Attributes
    ----------
    pupil : CarriedPoint or None
        Centre of the seated pupil; None where none was found.
    visual_axis : CarriedPoint or None
        A given point.
    ring : CapsuleRing or None
        Round the given point, else round the pupil.
    """

    pupil: CarriedPoint | None
    visual_axis: CarriedPoint | None
    ring: CapsuleRing | None


@dataclass(frozen=True, slots=True, eq=False)
class Aids:
    """What goes with a measurement into the theatre, beside its axis.

    Attributes
    ----------
    ways : tuple of AxisWay
    ink : Marking or None
        None where no ink was looked for.
    hand : HandCheck or None
    centre : Centre or None
    """

    ways: tuple[AxisWay, ...] = ()
    ink: Marking | None = None
    hand: HandCheck | None = None
    centre: Centre | None = None

    @property
    def ink_flags(self) -> tuple[str, ...]:
        """Names from the vocabulary that are the ink's own, and do not bear on the measurement."""
        ink = self.ink
        if ink is None or ink.measurement is None:
            return ()
        return tuple(name for name in ink.flags if name not in ink.measurement.flags)

    @property
    def own_flags(self) -> tuple[str, ...]:
        """Names to be explained beside those of the measurement: of the ink found, and of the pairs.

        What is said of any rotation's size, or of any view, would be read as of the measured one; the words
        on the pairs say it.
        """
        ink = self.ink_flags if self.ink is not None and (self.ink.marks or self.ink.lost) else ()
        picked = None if self.hand is None else self.hand.hand
        of_angle = [] if picked is None else angle_flags(picked.rotation_deg, picked.standard_uncertainty_deg)
        unsaid = {*of_angle, "mirrored", "turned_view"}
        hand = [] if picked is None else [name for name in picked.flags if name not in unsaid]
        return tuple(dict.fromkeys((*ink, *hand)))


NO_AIDS = Aids()
"""Nothing beside the measurement."""


def ink_check(measurement: Measurement) -> Marking:
    """Ink of either photo against the axis of a measurement, where it has one."""
    axis = measurement.axis
    return pair_marks(measurement, meridians_deg=() if axis is None else (axis.seated_deg,))


def hand_check(
    measurement: Measurement, pairs: Sequence[LandmarkPair], *, click_px: float | None = None
) -> HandCheck:
    """Compare a measurement with the rotation of pairs picked by hand.

    Parameters
    ----------
    measurement : Measurement
    pairs : sequence of LandmarkPair
    click_px : float, optional
        See `torsion.landmark_pairs.fit_pairs`.

    Returns
    -------
    HandCheck

    Raises
    ------
    ValueError
        If the pairs cannot be fitted.
    """
    m = measurement
    turn_deg, mirrored = (m.view.turn_deg, m.view.mirrored) if m.view else (0, m.options.mirrored)
    hand = fit_pairs(
        pairs,
        click_px=click_px,
        turn_deg=turn_deg,
        mirrored=mirrored,
        seated_limbus=m.seated.limbus,
        supine_limbus=m.supine.limbus,
        eye=m.eye,
    )
    usable = "refuse" not in (m.verdict, hand.verdict)
    if not usable or m.rotation_deg is None or m.standard_uncertainty_deg is None:
        return HandCheck(hand, None)
    return HandCheck(hand, compare_rotation(hand, m.rotation_deg, m.standard_uncertainty_deg))


def carried_centre(
    measurement: Measurement,
    *,
    visual_axis_px: tuple[float, float] | None = None,
    ring_mm: float | None = None,
    limbus_mm: float | None = None,
) -> Centre | None:
    """Pupil centre and visual axis of the seated photo in the supine photo, and a ring round them.

    The centre of the small pupil is a place in the plane of the iris and goes where the iris goes
    (`torsion.iris_map`), also where the pupil of the supine photo is wide.  The visual axis passes the cornea
    in front of the limbus and the iris behind it, and its point is carried in the plane of the limbus.

    Parameters
    ----------
    measurement : Measurement
    visual_axis_px : (float, float), optional
        Point of the seated photo, full picture as displayed; taken as picked to a pixel.
    ring_mm : float, optional
        Diameter of the capsule's opening, 3 to 8.
    limbus_mm : float, optional
        Diameter of this eye's limbus, 9 to 14; by default the average of eyes.

    Returns
    -------
    Centre or None
        None where the measurement is refused.

    Raises
    ------
    ValueError
        If a diameter is out of range, or the visual axis does not pass the limbus.
    """
    m = measurement
    seated, supine, uncertainty = m.seated.limbus, m.supine.limbus, m.standard_uncertainty_deg
    if m.verdict == "refuse" or m.matrix is None or seated is None or supine is None or uncertainty is None:
        return None
    if visual_axis_px is not None:
        away = math.hypot(visual_axis_px[0] - seated.x_px, visual_axis_px[1] - seated.y_px)
        if not away <= seated.radius_px:
            msg = (
                f"the visual axis must lie inside the limbus of the seated photo, not {away:.0f} px from its "
                f"middle, where the radius is {seated.radius_px:.0f} px"
            )
            raise ValueError(msg)
    to_supine, of_iris = m.matrix, iris_matrix(m)
    assert of_iris is not None

    def carried(
        point_px: tuple[float, float], matrix: NDArray[np.float64], known_px: float | None
    ) -> CarriedPoint:
        return carry_point(
            point_px,
            matrix,
            seated=seated,
            supine=supine,
            rotation_standard_uncertainty_deg=uncertainty,
            point_standard_uncertainty_px=known_px,
            limbus_mm=limbus_mm,
        )

    found = m.seated.pupil
    pupil = None if found is None else carried((found.x_px, found.y_px), of_iris, None)
    visual = None if visual_axis_px is None else carried(visual_axis_px, to_supine, _CLICK_PX)
    middle, ring = visual or pupil, None
    if ring_mm is not None and middle is not None:
        ring = capsule_ring((middle.x_px, middle.y_px), ring_mm, supine, limbus_mm=limbus_mm)
    return Centre(pupil, visual, ring)
