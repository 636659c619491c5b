"""The measurement: the stages chained, and the verdict on what they found."""

import logging
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from torsion.angles import Eye, read_eye, rotation_name, wrap_rotation_deg
from torsion.axis import COVERAGE, AxisFrame, AxisTransfer, Incision, transfer_axis, transfer_incision
from torsion.confidence import Answer, answer, band_answer
from torsion.duplicate import same_exposure
from torsion.flags import Verdict, worst_verdict
from torsion.laterality import Laterality, read_laterality
from torsion.locate import locate
from torsion.masks import EyePicture, cut_out, mirrored_eye
from torsion.network import Network
from torsion.order import Sign, order_signs
from torsion.orientation import View, find_view
from torsion.photo import Ellipse, Photo, photo_from_array, read_photo
from torsion.quality import assess
from torsion.register import Registration, register
from torsion.unwrap import Band

__all__ = [
    "MeasureOptions",
    "Measurement",
    "PhotoLike",
    "PrepareOptions",
    "PreparedPhoto",
    "angle_flags",
    "conclude",
    "measure",
    "prepare",
]

_LOG = logging.getLogger(__name__)

_ENOUGH_SIDE_PX = 1600  # decoding at this size leaves more detail than the bands are sampled with
_MATCH, _CLEAR_MATCH = 0.33, 0.40  # mean patch correlation; unrelated eyes stayed below 0.25 in all trials
_MARGIN, _CLEAR_MARGIN = 0.015, 0.03  # lead of the best over the best rival rotation, beside such a match
_LEAD, _CLEAR_LEAD = 0.06, 0.10  # a lead that settles it with any such correlation as here:
_SOME_MATCH = 0.20  # patches of one eye in poor photos; unrelated eyes stayed below 0.04 and 0.21
_MIN_PATCHES = 40  # patches (of about 400) in common; fewer cannot tell a match from chance
_REVIEW_DEG, _REFUSE_DEG = 0.5, 2.0  # standard uncertainty; half a degree costs 1.7 % of the cylinder
_LARGE_DEG = 15.0  # the largest torsion from posture in print is about 15 degrees


@dataclass(frozen=True, slots=True)
class PrepareOptions:
    """Options of preparing one photo.

    Attributes
    ----------
    mirrored : bool, default False
        The picture is known to be mirrored left to right, as by a selfie camera; it is un-mirrored first,
        and what is said of it then refers to it un-mirrored.
    """

    mirrored: bool = False


@dataclass(frozen=True, slots=True)
class MeasureOptions:
    """Options of a measurement.

    Attributes
    ----------
    mirrored : bool, default False
        The supine picture is known to be mirrored left to right; it is un-mirrored first.
    seated_mirrored : bool, default False
        The seated picture is, as by a selfie camera; what is said of it then refers to it un-mirrored.
    """

    mirrored: bool = False
    seated_mirrored: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class PreparedPhoto:
    """A photo with its eye found, masked and assessed; usable for many pairs.

    Attributes
    ----------
    photo : Photo
    limbus, pupil : Ellipse or None
        In pixels of the full picture as displayed.
    picture : EyePicture or None
        The eye cut out; None where no eye was found.
    measures : mapping of str to float or None
    flags : tuple of str
    verdict : {"accept", "review", "refuse"}
    laterality : Laterality
        Eye that the picture shows by itself.
    """

    photo: Photo
    limbus: Ellipse | None
    pupil: Ellipse | None
    picture: EyePicture | None
    measures: Mapping[str, float | None]
    flags: tuple[str, ...]
    verdict: Verdict
    laterality: Laterality = field(default_factory=Laterality)


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
    bands : dict of str to Answer or None
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
    parameters : (14,) ndarray or None
        The fitted map with what each band does beyond it (`torsion.votes.displacement`), counted from the
        rotation `start_deg`.
    options : MeasureOptions
    lateralities : ({"OD", "OS"} or None, {"OD", "OS"} or None)
        Eye that each photo shows by itself, the supine view's turn and a mirror that was stated undone; None
        where it does not show, and for a supine photo that does not match, since its turn is not known.
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
    bands: dict[Band, Answer | None]
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


PhotoLike = str | Path | ArrayLike | Photo | PreparedPhoto


def prepare(
    photo: PhotoLike, *, eye: Eye | None = None, options: PrepareOptions | None = None
) -> PreparedPhoto:
    """Find, mask and assess the eye in a photo.

    Parameters
    ----------
    photo : path, (H, W[, 3]) uint8 or uint16 array, Photo or PreparedPhoto
        A PreparedPhoto is returned as it is, unless the options ask for another.
    eye : {"OD", "OS"}, optional
        Compared with what the file says.
    options : PrepareOptions, optional

    Returns
    -------
    PreparedPhoto
        Also for a picture without an eye, which then carries the flag ``no_eye``.

    Raises
    ------
    PhotoError
        If the file cannot be used.
    """
    mirrored = options is not None and options.mirrored
    if isinstance(photo, PreparedPhoto) and not mirrored:
        return photo
    photo = _as_photo(photo, eye)
    photo = photo.mirrored() if mirrored else photo
    size = photo.pixels.shape[1], photo.pixels.shape[0]
    _LOG.info("%s: read, %d x %d px", photo.name, *size)
    located = locate(photo)
    _LOG.info("%s: limbus %s, pupil %s", photo.name, *map(_found_words, (located.limbus, located.pupil)))
    picture = cut_out(photo, located) if located.limbus is not None else None
    measures, flags = assess(located, picture, size, photo.decoded_scale)
    scale = float(photo.decoded_scale)
    limbus = located.limbus and located.limbus.scaled(scale)
    pupil = located.pupil and located.pupil.scaled(scale)
    laterality = read_laterality(photo, limbus, pupil)
    _LOG.info("%s: masked and assessed, flags: %s", photo.name, ", ".join(flags) or "none")
    return PreparedPhoto(photo, limbus, pupil, picture, measures, flags, worst_verdict(flags), laterality)


def _as_photo(photo: PhotoLike, eye: Eye | None) -> Photo:
    """Read a photo that is not read yet; a file at no larger size than the bands are sampled with."""
    if isinstance(photo, PreparedPhoto):
        return photo.photo
    if isinstance(photo, str | Path):
        return read_photo(photo, eye=eye, max_side_px=_ENOUGH_SIDE_PX)
    return photo if isinstance(photo, Photo) else photo_from_array(np.asarray(photo), eye=eye)


def _found_words(outline: Ellipse | None) -> str:
    return "not found" if outline is None else f"of {outline.radius_px:.0f} px"


def measure(
    seated: PhotoLike,
    supine: PhotoLike,
    *,
    eye: str | None = None,
    axis_deg: float | None = None,
    axis_frame: AxisFrame = "unknown",
    incision_deg: float | None = None,
    options: MeasureOptions | None = None,
) -> Measurement:
    """Measure how far the eye in the supine photo is turned against the seated photo.

    Parameters
    ----------
    seated, supine : path, (H, W[, 3]) uint8 or uint16 array, Photo or PreparedPhoto
    eye : {"OD", "OS", "R", "L"}, optional
        Right or left; names the direction, and is compared with what the files say.
    axis_deg : float, optional
        Planned axis in [0, 180], to be carried into the supine picture.
    axis_frame : {"same", "level", "unknown"}, default "unknown"
        How the seated photo's frame relates to that of the keratometry.
    incision_deg : float, optional
        Direction of an incision in [0, 360], likewise.
    options : MeasureOptions, optional

    Returns
    -------
    Measurement
        Also where the answer is no; see its verdict and flags.

    Raises
    ------
    PhotoError
        If a file cannot be used.
    ValueError
        If the eye, axis or incision is not one of those allowed.

    Notes
    -----
    A second check, not a medical device.  That two photos show the same eye does not prove that a plan is
    this patient's.
    """
    options = options or MeasureOptions()
    named = read_eye(eye) if eye is not None else None
    first = prepare(seated, eye=named, options=PrepareOptions(mirrored=options.seated_mirrored))
    second = prepare(supine, eye=named)
    found = _register(first, second, options)
    shown = first.laterality.upright, found.supine_laterality
    named = named or first.photo.eye or second.photo.eye
    flags = [*found.flags]
    if len({named, *shown} - {None}) > 1:
        flags.append("other_side")
    elif not any(shown) and worst_verdict(flags) != "refuse":
        flags.append("side_not_seen")
    if found.order_signs:
        flags.append("order_doubtful")
    both = found.answer
    measured = Measurement(
        found.rotation_deg,
        both.standard_uncertainty_deg if both else None,
        None,
        None,
        worst_verdict(flags),
        tuple(flags),
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
    return conclude(measured, axis_deg=axis_deg, axis_frame=axis_frame, incision_deg=incision_deg)


def conclude(
    measured: Measurement, *, axis_deg: float | None, axis_frame: AxisFrame, incision_deg: float | None
) -> Measurement:
    """State what follows from rotation, uncertainty and flags: interval, direction, verdict, carried axis."""
    flags = [*measured.flags]
    if measured.eye is None:
        flags.append("eye_not_given")
    if axis_deg is not None and axis_frame == "unknown":
        flags.append("frame_unknown")
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
            axis_deg, usable, uncertainty, frame=axis_frame, turn_deg=view.turn_deg, mirrored=view.mirrored
        )
    if incision_deg is not None:
        incision = transfer_incision(incision_deg, usable, turn_deg=view.turn_deg, mirrored=view.mirrored)
    return replace(
        measured,
        interval_95_deg=interval,
        direction=direction,
        verdict=verdict,
        flags=tuple(flags),
        axis=axis,
        incision=incision,
    )


def angle_flags(rotation_deg: float, standard_uncertainty_deg: float) -> list[str]:
    """Give the flags that speak of the size of a rotation and of its uncertainty."""
    conditions = {
        "uncertain": _REVIEW_DEG < standard_uncertainty_deg <= _REFUSE_DEG,
        "too_uncertain": standard_uncertainty_deg > _REFUSE_DEG,
        "large_rotation": abs(rotation_deg) > _LARGE_DEG,
    }
    return [name for name, present in conditions.items() if present]


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """What the registration of a pair gave, before axis and direction are derived from it."""

    flags: tuple[str, ...]
    bands: dict[Band, Answer | None]
    view: View | None = None
    answer: Answer | None = None
    rotation_deg: float | None = None
    margin: float | None = None
    matrix: NDArray[np.float64] | None = None
    curve_deg: NDArray[np.float64] | None = None
    curve: NDArray[np.float64] | None = None
    supine_laterality: Eye | None = None
    order_signs: tuple[Sign, ...] = ()
    start_deg: float | None = None
    parameters: NDArray[np.float64] | None = None


def _register(first: PreparedPhoto, second: PreparedPhoto, options: MeasureOptions) -> _Found:
    photo_flags = list(dict.fromkeys((*first.flags, *second.flags)))
    nothing: dict[Band, Answer | None] = {"iris": None, "limbus": None}
    if first.picture is None or second.picture is None:
        return _Found(tuple(photo_flags), nothing)
    supine = mirrored_eye(second.picture) if options.mirrored else second.picture
    view, candidate = find_view(first.picture, supine)
    _LOG.info("searched: about %+.0f degrees, match %.2f", candidate.rotation_deg, candidate.score)
    supine = mirrored_eye(supine) if view.mirrored else supine
    registration = register(first.picture, supine, candidate)
    both = answer(registration)
    _LOG.info("registered: %+.2f ± %.2f degrees", both.rotation_deg, both.standard_uncertainty_deg)
    bands: dict[Band, Answer | None] = {
        vote.band: band_answer(registration, vote) for vote in registration.votes
    }
    margin = candidate.score - candidate.rival_score
    rotation = wrap_rotation_deg(both.rotation_deg - view.turn_deg)
    shown = View(view.turn_deg, view.mirrored != options.mirrored)
    registration.parameters.setflags(write=False)
    flags = photo_flags + _pair_flags(registration, both, bands, margin, view, rotation)
    if same_exposure(first.picture, supine, registration.matrix):
        flags.append("same_picture")
    # A mirror that was not stated stays, so that it shows; counted in it, a turn has the other sense.
    turn_deg = (360 - view.turn_deg) if view.mirrored and view.turn_deg else view.turn_deg
    matches = not {"eyes_do_not_match", "not_enough_to_compare"} & set(flags)
    return _Found(
        tuple(flags),
        bands,
        shown,
        both,
        rotation,
        margin,
        _pixel_map(registration, first, second, mirrored=shown.mirrored),
        candidate.curve_deg,
        candidate.curve,
        second.laterality.seen(turn_deg=turn_deg, mirrored=options.mirrored) if matches else None,
        _order_signs(first, second, view) if matches else (),
        registration.start_deg,
        registration.parameters,
    )


def _order_signs(first: PreparedPhoto, second: PreparedPhoto, view: View) -> tuple[Sign, ...]:
    if first.picture is None or second.picture is None:
        return ()
    return order_signs(
        first.picture,
        second.picture,
        pupils=(first.measures["pupil_ratio"], second.measures["pupil_ratio"]),
        captured_at=(first.photo.captured_at, second.photo.captured_at),
        exposed=min(first.measures[name] or 0.0 for name in ("exposed_upper", "exposed_lower")),
        sideways=view.turn_deg in (90, 270),
    )


def _pair_flags(
    registration: Registration,
    both: Answer,
    bands: dict[Band, Answer | None],
    margin: float,
    view: View,
    rotation_deg: float,
) -> list[str]:
    usable = sum(int(vote.usable.sum()) for vote in registration.votes)
    if usable < _MIN_PATCHES:
        return ["not_enough_to_compare"]
    if not _beyond(both.score, margin, _MATCH, _MARGIN, _LEAD):
        return ["eyes_do_not_match"]
    iris, limbus = bands["iris"], bands["limbus"]
    # A band that does not match by itself has no say on the other.
    iris = iris if iris and iris.score >= _MATCH else None
    limbus = limbus if limbus and limbus.score >= _MATCH else None
    disagreement = 0.0
    if iris and limbus:
        apart = abs(iris.rotation_deg - limbus.rotation_deg)
        stated = np.hypot(iris.standard_uncertainty_deg, limbus.standard_uncertainty_deg)
        disagreement = apart if apart > 3.0 * stated else 0.0
    conditions = {
        "mirrored": view.mirrored,
        "turned_view": view.turn_deg != 0,
        "weak_match": not _beyond(both.score, margin, _CLEAR_MATCH, _CLEAR_MARGIN, _CLEAR_LEAD),
        "bands_disagree": disagreement > _REVIEW_DEG,
        "iris_only": limbus is None and iris is not None,
        "limbus_only": iris is None and limbus is not None,
    }
    found = [name for name, present in conditions.items() if present]
    return found + angle_flags(rotation_deg, both.standard_uncertainty_deg)


def _beyond(score: float, margin: float, match: float, beside: float, alone: float) -> bool:
    return (margin > alone and score > _SOME_MATCH) or (score > match and margin > beside)


def _pixel_map(
    registration: Registration, first: PreparedPhoto, second: PreparedPhoto, *, mirrored: bool
) -> NDArray[np.float64] | None:
    """Map between full-picture pixels from the map in limbus radii (y up) about the two limbus centres."""
    if first.limbus is None or second.limbus is None:
        return None
    flip = np.diag([-1.0 if mirrored else 1.0, 1.0])
    down = np.diag([1.0, -1.0])
    matrix = registration.matrix
    linear = second.limbus.radius_px * down @ flip @ matrix[:, :2] @ down / first.limbus.radius_px
    centre = np.array([second.limbus.x_px, second.limbus.y_px])
    offset = centre + second.limbus.radius_px * down @ flip @ matrix[:, 2]
    offset -= linear @ np.array([first.limbus.x_px, first.limbus.y_px])
    moved = np.column_stack([linear, offset])
    moved.setflags(write=False)
    return moved
