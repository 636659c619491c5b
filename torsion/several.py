"""Several photos of each posture: every pair measured, and one rotation with one uncertainty out of them."""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace

from torsion.angles import Eye, read_eye, wrap_direction_deg, wrap_rotation_deg
from torsion.axis import AxisFrame, check_plan
from torsion.consensus import Consensus, Pairs, consensus
from torsion.flags import worst_verdict
from torsion.match import angle_flags
from torsion.measurement import Measurement, MeasureOptions, conclude, measure_pair
from torsion.network import LeftOut, Network, NetworkPair, NetworkPhoto
from torsion.orientation import View
from torsion.photo import TURNS, read_options
from torsion.preparation import PhotoLike, PreparedPhoto, PrepareOptions, prepare, stated_eye

__all__ = ["measure"]

_RESTATED = {
    "uncertain",
    "too_uncertain",
    "large_rotation",
    "eye_not_given",
}  # by what all pairs give together
_NO_MATCH = {"no_eye", "eyes_do_not_match", "not_enough_to_compare", "mirrored"}
_LEFT_OUT_FLAGS: dict[LeftOut, str] = {
    "repeated": "photo_repeated",
    "does_not_match": "photo_does_not_match",
    "other_side": "photo_does_not_match",
    "not_comparable": "photo_left_out",
    "disagrees": "photos_disagree",
}


def measure(
    seated: PhotoLike | Sequence[PhotoLike],
    supine: PhotoLike | Sequence[PhotoLike],
    *,
    eye: str | None = None,
    axis_deg: float | None = None,
    axis_frame: AxisFrame = "unknown",
    axis_tilt: tuple[float, float] | None = None,
    incision_deg: float | None = None,
    options: MeasureOptions | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Measurement:
    """Measure how far the eye in the supine photo is turned against the seated photo.

    Parameters
    ----------
    seated, supine : photo, or list or tuple of photos
        A photo is a path, an (H, W[, 3]) uint8 or uint16 array, a Photo or a PreparedPhoto.  Rotation and
        axis are stated between the first of each list; the order of the others does not matter.
    eye : {"OD", "OS", "R", "L"}, optional
        Right or left; names the direction, and is compared with what the files say.
    axis_deg : float, optional
        Planned axis in [0, 180], to be carried into the (first) supine picture.
    axis_frame : {"same", "level", "unknown"}, default "unknown"
        How the (first) seated photo's frame relates to that of the keratometry.
    axis_tilt : (float, float), optional
        In place of a frame: how far the (first) seated photo is turned against the keratometry, degrees
        counter-clockwise, and the standard uncertainty of that (`torsion.level` reads both off a photo).
    incision_deg : float, optional
        Direction of an incision in [0, 360], likewise; with an axis.
    options : MeasureOptions, optional
        ``mirrored`` holds for all supine photos.
    progress : callable, optional
        Called with the number of pairs done and that of all, where there are several.

    Returns
    -------
    Measurement
        Also where the answer is no; see its verdict and flags.  With more than two photos ``network`` says
        what each pair gave; bands, map and curve are those of the first of each list.

    Raises
    ------
    PhotoError
        If a file cannot be used, or states the other eye than `eye` or another file.
    ValueError
        If a list is empty, the eye, axis, frame, tilt or incision is not one of those allowed, there is one
        of the last three without an axis, or a tilt beside a frame.
    TypeError
        If what is given for a photo or for options is none.

    Notes
    -----
    Other photos average out what is new in every pair.  What belongs to the two first photos alone, such as a
    conjunctiva that has slid in one of them, they cannot mend: `torsion.adjustment`.

    A second check, not a medical device.  That photos show the same eye does not prove that a plan is this
    patient's.
    """
    first, second = _listed(seated, name="seated"), _listed(supine, name="supine")
    if len(first) == len(second) == 1:
        return measure_pair(
            first[0],
            second[0],
            eye=eye,
            axis_deg=axis_deg,
            axis_frame=axis_frame,
            axis_tilt=axis_tilt,
            incision_deg=incision_deg,
            options=options,
        )
    check_plan(axis_deg, incision_deg, frame=axis_frame, tilt=axis_tilt)
    options = read_options(options, MeasureOptions)
    named = read_eye(eye) if eye is not None else None
    first_options = PrepareOptions(mirrored=options.seated_mirrored)
    photos = [prepare(photo, eye=named, options=first_options) for photo in first]
    photos += [prepare(photo, eye=named, options=options.of_supine) for photo in second]
    named = stated_eye(photos) or named
    photos, pairs = _measured(photos, len(first), named, options, progress)
    combined = replace(_combined(photos, pairs, len(first)), eye=named)
    return conclude(
        combined, axis_deg=axis_deg, axis_frame=axis_frame, axis_tilt=axis_tilt, incision_deg=incision_deg
    )


def _listed(photos: PhotoLike | Sequence[PhotoLike], *, name: str) -> list[PhotoLike]:
    if not isinstance(photos, list | tuple):
        return [photos]  # type: ignore[list-item]  # an array is a sequence too, and is one photo
    if not photos:
        msg = f"{name} must hold at least one photo, not an empty list"
        raise ValueError(msg)
    return list(photos)


def _measured(
    photos: Sequence[PreparedPhoto],
    seated: int,
    eye: Eye | None,
    options: MeasureOptions,
    progress: Callable[[int, int], None] | None,
) -> tuple[list[PreparedPhoto], Pairs]:
    """Measure all pairs; photos of one posture are displayed alike, so only a pair of both has options.

    A supine photo that a seated one showed to be turned was prepared anew, and stays so in what follows.
    """
    photos, numbers = list(photos), list(itertools.combinations(range(len(photos)), 2))
    pairs = {}
    for done, (i, j) in enumerate(numbers):
        across = i < seated <= j
        both = options if across else MeasureOptions()
        pairs[i, j] = measure_pair(photos[i], photos[j], eye=eye, options=both)
        if across:
            photos[j] = pairs[i, j].supine
        if progress is not None:
            progress(done + 1, len(numbers))
    return photos, pairs


def _combined(photos: Sequence[PreparedPhoto], pairs: Pairs, seated: int) -> Measurement:
    frame = pairs[0, seated]
    outcome = consensus(photos, pairs, seated)
    flags = [name for name in frame.flags if name != "eye_not_given"]
    mixed_up, side_seen = _mix_ups(pairs, seated, outcome)
    if side_seen:
        flags = [name for name in flags if name != "side_not_seen"]
    reasons = [reason for reason in outcome.left_out.values() if reason not in mixed_up]
    flags += dict.fromkeys(_LEFT_OUT_FLAGS[reason] for reason in reasons)
    network = _report(photos, pairs, seated, outcome)
    found = outcome.adjustment
    if found is None:
        return replace(frame, flags=tuple(dict.fromkeys([*flags, *mixed_up])), network=network)
    if not found.fits or outcome.disagrees:
        flags.append("photos_disagree")
    combined = replace(frame, standard_uncertainty_deg=found.standard_uncertainty_deg, network=network)
    if (0, seated) not in outcome.links:
        own = [name for name in flags if name not in frame.flags]
        flags = [*dict.fromkeys((*frame.seated.flags, *frame.supine.flags)), "roundabout", *own]
        combined = _without_pair(combined, found.rotation_deg)
    assert combined.view is not None
    rotation = wrap_rotation_deg(found.rotation_deg - combined.view.turn_deg)
    flags = [name for name in flags if name not in _RESTATED] + mixed_up
    flags += angle_flags(rotation, found.standard_uncertainty_deg)
    flags = list(dict.fromkeys(flags))
    return replace(combined, rotation_deg=rotation, flags=tuple(flags), verdict=worst_verdict(flags))


def _mix_ups(pairs: Pairs, seated: int, outcome: Consensus) -> tuple[list[str], bool]:
    """Give doubts about whose eye it is and about the order, and say whether any photo shows the side.

    No other pair makes such a doubt good.  But from a photo that matches none of the others, nothing follows
    for them.
    """
    gone = outcome.left_out.keys()
    told = {
        numbers: pair
        for numbers, pair in pairs.items()
        if numbers[0] < seated and not (gone >= set(numbers) or _NO_MATCH & set(pair.flags))
    }
    conditions = {
        "other_side": any("other_side" in pair.flags for pair in told.values()),
        "order_doubtful": any("order_doubtful" in told[i, j].flags for i, j in told if j >= seated),
    }
    side_seen = any(shown for pair in told.values() for shown in pair.lateralities)
    return [name for name, present in conditions.items() if present], side_seen


def _without_pair(combined: Measurement, rotation_deg: float) -> Measurement:
    """Drop what a refused pair of the first photos says of itself."""
    near = wrap_direction_deg(90.0 * round(rotation_deg / 90.0))
    turn = next(turn for turn in TURNS if turn == near)
    return replace(
        combined,
        view=View(turn, combined.options.mirrored),
        bands={"iris": None, "limbus": None},
        evidence=None,
        margin=None,
        matrix=None,
        curve_deg=None,
        curve=None,
        start_deg=None,
        parameters=None,
    )


def _report(photos: Sequence[PreparedPhoto], pairs: Pairs, seated: int, outcome: Consensus) -> Network:
    found, used = outcome.adjustment, len(outcome.links) if outcome.adjustment else 0
    network = Network(
        _photos_told(photos, seated, outcome), _pairs_told(pairs, outcome), used, len(pairs) - used
    )
    if found is None:
        return network
    return replace(
        network,
        disagrees=outcome.disagrees,
        spread_deg=found.spread_deg,
        chi_square=found.chi_square,
        degrees_of_freedom=found.degrees_of_freedom,
        probability=found.probability,
        pair_share=found.pair_share,
    )


def _photos_told(
    photos: Sequence[PreparedPhoto], seated: int, outcome: Consensus
) -> tuple[NetworkPhoto, ...]:
    turns = outcome.adjustment.turns_deg if outcome.adjustment else {}
    return tuple(
        NetworkPhoto(
            "seated" if k < seated else "supine",
            photo.photo.name,
            photo.photo.sha256,
            photo.verdict,
            photo.flags,
            k in turns,
            outcome.left_out.get(k),
            turns.get(k),
        )
        for k, photo in enumerate(photos)
    )


def _pairs_told(pairs: Pairs, outcome: Consensus) -> tuple[NetworkPair, ...]:
    found = outcome.adjustment
    misfits = dict(zip(outcome.links, found.misfits_deg, strict=True)) if found else {}
    return tuple(
        NetworkPair(
            *numbers,
            outcome.turned_deg[numbers],
            pair.standard_uncertainty_deg,
            pair.verdict,
            pair.flags,
            numbers in misfits,
            misfits.get(numbers),
        )
        for numbers, pair in pairs.items()
    )
