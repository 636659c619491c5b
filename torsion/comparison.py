"""Comparison: two prepared photos searched, registered and judged, with the map between their pixels."""

import logging
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from torsion.angles import Eye, wrap_rotation_deg
from torsion.confidence import Answer, judged
from torsion.duplicate import same_exposure
from torsion.eye_picture import mirrored_eye
from torsion.flags import FORECASTS, worst_verdict
from torsion.match import pair_flags
from torsion.order import Sign, order_signs
from torsion.orientation import View, find_view
from torsion.photo import Turn
from torsion.preparation import PreparedPhoto
from torsion.register import Registration, register
from torsion.unwrap import Band

__all__ = ["Comparison", "compare"]

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What the registration of a pair gave, before axis and direction are derived from it.

    Attributes are those of `torsion.measurement.Measurement`, with `answer`, both bands together, and
    `supine_laterality`, the eye that the second photo shows.  Without a view nothing could be compared.
    """

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


def compare(
    first: PreparedPhoto, second: PreparedPhoto, *, mirrored: bool = False, turned_deg: Turn = 0
) -> Comparison:
    """Register the second photo to the first, and say what was found and what speaks against it.

    Parameters
    ----------
    first, second : PreparedPhoto
        Seated and supine.
    mirrored : bool, default False
        The second picture is known to be mirrored left to right; it is un-mirrored first.
    turned_deg : {0, 90, 180, 270}, default 0
        Turn of the second picture that is expected; another is flagged.

    Returns
    -------
    Comparison
    """
    photo_flags = list(dict.fromkeys((*first.flags, *second.flags)))
    stated = View(turned_deg, False)  # beyond a mirror that is undone
    if first.picture is None or second.picture is None:
        side = _side_of_supine(second, stated, mirrored=mirrored)
        return Comparison(tuple(photo_flags), {"iris": None, "limbus": None}, supine_laterality=side)
    supine = mirrored_eye(second.picture) if mirrored else second.picture
    view, candidate = find_view(first.picture, supine)
    _LOG.info("searched: about %+.0f degrees, match %.2f", candidate.rotation_deg, candidate.score)
    supine = mirrored_eye(supine) if view.mirrored else supine
    judgement = judged(register(first.picture, supine, candidate))
    registration, both = judgement.registration, _upright(judgement.both, view)
    bands = {band: found and _upright(found, view) for band, found in judgement.bands.items()}
    _LOG.info("registered: %+.2f ± %.2f degrees", both.rotation_deg, both.standard_uncertainty_deg)
    margin = candidate.score - candidate.rival_score
    shown = View(view.turn_deg, view.mirrored != mirrored)
    for array in (registration.parameters, candidate.curve_deg, candidate.curve):
        array.setflags(write=False)
    dilation = supine.pupil[2] - first.picture.pupil[2]
    own_flags = pair_flags(registration, both, bands, margin, view, both.rotation_deg, dilation, turned_deg)
    if worst_verdict(own_flags) == "accept":
        photo_flags = [name for name in photo_flags if name not in FORECASTS]
    flags = photo_flags + own_flags
    if same_exposure(first.picture, supine, registration.matrix):
        flags.append("same_picture")
    matches = not {"eyes_do_not_match", "not_enough_to_compare"} & set(flags)
    return Comparison(
        tuple(flags),
        bands,
        shown,
        both,
        both.rotation_deg,
        margin,
        _pixel_map(registration, first, second, mirrored=shown.mirrored),
        candidate.curve_deg,
        candidate.curve,
        _side_of_supine(second, view if matches else stated, mirrored=mirrored),
        _order_signs(first, second, view) if matches else (),
        registration.start_deg,
        registration.parameters,
    )


def _upright(found: Answer, view: View) -> Answer:
    """Give an answer as of a second picture whose turn has been undone."""
    return replace(found, rotation_deg=wrap_rotation_deg(found.rotation_deg - view.turn_deg))


def _side_of_supine(second: PreparedPhoto, view: View, *, mirrored: bool) -> Eye | None:
    """Eye that the second photo shows; a mirror that was not stated stays, so that it shows."""
    # Counted in such a mirror, a turn has the other sense.
    turn_deg = (360 - view.turn_deg) if view.mirrored and view.turn_deg else view.turn_deg
    return second.laterality.seen(turn_deg=turn_deg, mirrored=mirrored)


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
