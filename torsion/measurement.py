"""The measurement: two photos compared, the verdict on what was found, and the axis carried."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from torsion.angles import Eye, read_eye, rotation_name, wrap_direction_deg
from torsion.axis import AxisFrame, AxisTransfer, Incision, check_plan, transfer_axis, transfer_incision
from torsion.comparison import Comparison, compare
from torsion.confidence import Answer
from torsion.flags import Verdict, worst_verdict
from torsion.frozen import FrozenDict
from torsion.network import Network
from torsion.order import Sign
from torsion.orientation import View
from torsion.photo import Turn, read_options, read_switch, read_turn
from torsion.preparation import PhotoLike, PreparedPhoto, PrepareOptions, prepare, stated_eye
from torsion.quantiles import COVERAGE
from torsion.unwrap import Band

__all__ = [
    "MeasureOptions",
    "Measurement",
    "conclude",
    "measure_pair",
]


@dataclass(frozen=True, slots=True)
class MeasureOptions:
    """Options of a measurement.

    Attributes
    ----------
    mirrored : bool, default False
        The supine picture is known to be mirrored left to right; it is un-mirrored first.
    seated_mirrored : bool, default False
        The seated picture is, as by a selfie camera; what is said of it then refers to it un-mirrored.
    turned_deg : {0, 90, 180, 270}, default 0
        The supine picture is known to be turned counter-clockwise by so much, as ``view`` states it.  All
        turns are tried in any case; one that was not stated is for a person to look at.

    Raises
    ------
    ValueError
        If one of them is another value.
    """

    mirrored: bool = False
    seated_mirrored: bool = False
    turned_deg: Turn = 0

    def __post_init__(self) -> None:
        for name in ("mirrored", "seated_mirrored"):
            object.__setattr__(self, name, read_switch(getattr(self, name), name=name))
        object.__setattr__(self, "turned_deg", read_turn(self.turned_deg))

    @property
    def of_supine(self) -> PrepareOptions:
        """How the supine photo is prepared."""
        return PrepareOptions(turned_deg=View(self.turned_deg, self.mirrored).displayed_deg)


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """How far the eye in the second photo is turned against the first.

    Attributes
    ----------
    rotation_deg : float or None
        Counter-clockwise positive, view undone; None where nothing could be compared.
    standard_uncertainty_deg : float or None
    interval_95_deg : (float, float) or None
    direction : {"excyclotorsion", "incyclotorsion", "none"} or None
        Name of the rotation in the picture, which is not proof of torsion; None without an eye.
    verdict : {"accept", "review", "refuse"}
    flags : tuple of str
    view : View or None
    bands : mapping of str to Answer or None
        ``"iris"`` and ``"limbus"``, each solved for itself.
    seated, supine : PreparedPhoto
    eye : {"OD", "OS"} or None
    axis : AxisTransfer or None
    incision : Incision or None
    evidence, margin : float or None
        Mean correlation of the patches, and lead of the best rotation over its best rival.
    matrix : (2, 3) ndarray or None
        Map of full-picture pixels of the seated photo to those of the supine photo.
    curve_deg, curve : (n,) ndarray or None
        Evidence against rotation, from the coarse search.
    start_deg : float or None
    parameters : (16,) ndarray or None
        The fitted map with what each band does beyond it (`torsion.votes.displacement`), counted from the
        rotation `start_deg`.
    options : MeasureOptions
    lateralities : ({"OD", "OS"} or None, {"OD", "OS"} or None)
        Eye that each photo shows by itself, the supine view's turn and a mirror that was stated undone; None
        where it does not show.  A supine photo that does not match is taken as turned as was stated.
    order_signs : tuple of str
        What speaks for exchanged photos; see `torsion.order.Sign`.
    network : Network or None
        How several photos gave this answer; None for one seated and one supine photo.
    """

    rotation_deg: float | None
    standard_uncertainty_deg: float | None
    interval_95_deg: tuple[float, float] | None
    direction: Literal["excyclotorsion", "incyclotorsion", "none"] | None
    verdict: Verdict
    flags: tuple[str, ...]
    view: View | None
    bands: Mapping[Band, Answer | None]
    seated: PreparedPhoto
    supine: PreparedPhoto
    eye: Eye | None = None
    axis: AxisTransfer | None = None
    incision: Incision | None = None
    evidence: float | None = None
    margin: float | None = None
    matrix: NDArray[np.float64] | None = None
    curve_deg: NDArray[np.float64] | None = None
    curve: NDArray[np.float64] | None = None
    options: MeasureOptions = field(default_factory=MeasureOptions)
    lateralities: tuple[Eye | None, Eye | None] = (None, None)
    order_signs: tuple[Sign, ...] = ()
    network: Network | None = None
    start_deg: float | None = None
    parameters: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "bands", FrozenDict(self.bands))


def measure_pair(
    seated: PhotoLike,
    supine: PhotoLike,
    *,
    eye: str | None = None,
    axis_deg: float | None = None,
    axis_frame: AxisFrame = "unknown",
    axis_tilt: tuple[float, float] | None = None,
    incision_deg: float | None = None,
    options: MeasureOptions | None = None,
) -> Measurement:
    """Measure one pair: `torsion.several.measure` for a single photo of either posture.

    Parameters, errors and the rest are as there.

    Returns
    -------
    Measurement
        Also where the answer is no; see its verdict and flags.
    """
    check_plan(axis_deg, incision_deg, frame=axis_frame, tilt=axis_tilt)
    options = read_options(options, MeasureOptions)
    named = read_eye(eye) if eye is not None else None
    first = prepare(seated, eye=named, options=PrepareOptions(mirrored=options.seated_mirrored))
    second = prepare(supine, eye=named, options=options.of_supine)
    named = stated_eye((first, second)) or named
    second, found = _compared(first, second, options)
    shown = first.laterality.upright, found.supine_laterality
    flags, both = _with_doubts(found, named, shown), found.answer
    measured = Measurement(
        found.rotation_deg,
        both.standard_uncertainty_deg if both else None,
        None,
        None,
        worst_verdict(flags),
        flags,
        found.view,
        found.bands,
        first,
        second,
        named,
        evidence=both.score if both else None,
        margin=found.margin,
        matrix=found.matrix,
        curve_deg=found.curve_deg,
        curve=found.curve,
        options=options,
        lateralities=shown,
        order_signs=found.order_signs,
        start_deg=found.start_deg,
        parameters=found.parameters,
    )
    return conclude(
        measured, axis_deg=axis_deg, axis_frame=axis_frame, axis_tilt=axis_tilt, incision_deg=incision_deg
    )


def _with_doubts(found: Comparison, eye: Eye | None, shown: tuple[Eye | None, Eye | None]) -> tuple[str, ...]:
    """Add doubts about which eye it is, and which photo is which, to the flags of a pair."""
    flags = [*found.flags]
    if len({eye, *shown} - {None}) > 1:
        flags.append("other_side")
    elif not any(shown) and worst_verdict(flags) != "refuse":
        flags.append("side_not_seen")
    if found.order_signs:
        flags.append("order_doubtful")
    return tuple(flags)


def _compared(
    first: PreparedPhoto, second: PreparedPhoto, options: MeasureOptions
) -> tuple[PreparedPhoto, Comparison]:
    """Compare; a supine picture found turned is prepared anew, since its lids lie elsewhere."""
    found = compare(first, second, mirrored=options.mirrored, turned_deg=options.turned_deg)
    if found.view is None or worst_verdict(found.flags) == "refuse":
        return second, found
    turned_deg = read_turn(wrap_direction_deg(first.turned_deg + found.view.displayed_deg))
    if turned_deg == second.turned_deg or "on_its_side" in first.flags:
        return second, found  # the second one lies as it should
    anew = prepare(second.photo, options=PrepareOptions(turned_deg=turned_deg))
    anew = replace(anew, mirrored=second.mirrored)
    again = compare(first, anew, mirrored=options.mirrored, turned_deg=options.turned_deg)
    if not {"no_eye", "eyes_do_not_match"}.isdisjoint(again.flags):
        return second, found  # a match is one, however the picture was prepared
    return anew, again


def conclude(
    measured: Measurement,
    *,
    axis_deg: float | None = None,
    axis_frame: AxisFrame = "unknown",
    axis_tilt: tuple[float, float] | None = None,
    incision_deg: float | None = None,
) -> Measurement:
    """State what follows from rotation, uncertainty and flags: interval, direction, verdict, carried axis.

    Parameters
    ----------
    measured : Measurement
        With rotation (degrees, counter-clockwise positive, view undone) and its standard uncertainty, flags,
        view and eye; interval, direction, verdict, axis and incision are made anew.
    axis_deg, axis_frame, axis_tilt, incision_deg
        As of `torsion.several.measure`.

    Returns
    -------
    Measurement
        Axis and incision are not carried where the verdict is ``"refuse"``; without a rotation there is no
        interval, and without an eye no direction.

    Raises
    ------
    ValueError
        If axis, frame, tilt or incision is not one of those allowed.
    """
    flags = [*measured.flags]
    if measured.eye is None:
        flags.append("eye_not_given")
    unknown = axis_deg is not None and axis_frame == "unknown" and axis_tilt is None
    if unknown and worst_verdict(flags) != "refuse":
        flags.append("frame_unknown")  # where no axis is carried, its frame does not matter
    verdict = worst_verdict(flags)
    rotation, uncertainty = measured.rotation_deg, measured.standard_uncertainty_deg
    usable = rotation if verdict != "refuse" else None
    view = measured.view or View(0, False)
    interval, direction = None, None
    if rotation is not None and uncertainty is not None:
        interval = (rotation - COVERAGE * uncertainty, rotation + COVERAGE * uncertainty)
        direction = rotation_name(rotation, uncertainty, measured.eye) if measured.eye else None
    axis = incision = None
    if axis_deg is not None:
        axis = transfer_axis(
            axis_deg,
            usable,
            uncertainty,
            frame=axis_frame,
            tilt=axis_tilt,
            turn_deg=view.turn_deg,
            mirrored=view.mirrored,
        )
    if incision_deg is not None:
        tilt_deg = axis_tilt[0] if axis_tilt is not None else 0.0
        incision = transfer_incision(
            incision_deg, usable, tilt_deg=tilt_deg, turn_deg=view.turn_deg, mirrored=view.mirrored
        )
    return replace(
        measured,
        interval_95_deg=interval,
        direction=direction,
        verdict=verdict,
        flags=tuple(flags),
        axis=axis,
        incision=incision,
    )
