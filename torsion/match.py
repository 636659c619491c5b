"""Whether two eyes match, and what about the match is for a person to look at, as flags."""

import numpy as np

from torsion.confidence import MATCH, Answer
from torsion.orientation import View
from torsion.photo import Turn
from torsion.register import Registration
from torsion.unwrap import Band

__all__ = ["angle_flags", "pair_flags"]

_CLEAR_MATCH = 0.40  # mean patch correlation
_MARGIN, _CLEAR_MARGIN = 0.015, 0.03  # lead of the best over the best rival rotation, beside such a match
_LEAD, _CLEAR_LEAD = 0.06, 0.10  # a lead that settles it with any such correlation as here:
_SOME_MATCH = 0.20  # patches of one eye in poor photos; unrelated eyes stayed below 0.04 and 0.21
_MIN_PATCHES = 40  # patches (of about 400) in common; fewer cannot tell a match from chance
_REVIEW_DEG, _REFUSE_DEG = 0.5, 2.0  # standard uncertainty; half a degree costs 1.7 % of the cylinder
_DILATED = 0.25  # limbus radii, a pupil wider by 3 mm: by drops, more than by a change of light
_LARGE_DEG = 15.0  # the largest torsion from posture in print is about 15 degrees


def pair_flags(
    registration: Registration,
    both: Answer,
    bands: dict[Band, Answer | None],
    margin: float,
    view: View,
    rotation_deg: float,
    dilation: float,
    turned_deg: Turn,
) -> list[str]:
    """Give the flags on how two eyes match; where they do not, a single flag that refuses.

    Parameters
    ----------
    registration : Registration
    both : Answer
        Of all bands together.
    bands : dict of {"iris", "limbus"} to Answer or None
        Of each band by itself.
    margin : float
        Lead of the coarse search's best rotation over its best rival, 0 to 1.
    view : View
        As found.
    rotation_deg : float
        Counter-clockwise positive, the view's turn taken out.
    dilation : float
        Radius of the second pupil less that of the first, limbus radii.
    turned_deg : {0, 90, 180, 270}
        Turn of the view that was stated.
    """
    usable = sum(int(vote.usable.sum()) for vote in registration.votes)
    if usable < _MIN_PATCHES:
        return ["not_enough_to_compare"]
    # Where one band shows nothing, its many patches would drown those of the other, which must lead the more.
    by_itself = [
        band.score
        for vote in registration.votes
        if (band := bands[vote.band]) and vote.usable.sum() >= _MIN_PATCHES
    ]
    best = max(by_itself, default=0.0)
    matches = _beyond(both.score, margin, MATCH, _MARGIN, _LEAD)
    if not (matches or _beyond(best, margin, MATCH, _CLEAR_MARGIN, _LEAD)):
        return ["eyes_do_not_match"]
    clear = _beyond(both.score, margin, _CLEAR_MATCH, _CLEAR_MARGIN, _CLEAR_LEAD)
    clear = clear or (best > MATCH and margin > _CLEAR_LEAD)
    iris, limbus = bands["iris"], bands["limbus"]
    # A band that does not match by itself has no say on the other.
    iris = iris if iris and iris.score >= MATCH else None
    limbus = limbus if limbus and limbus.score >= MATCH else None
    disagreement = 0.0
    if iris and limbus:
        apart = abs(iris.rotation_deg - limbus.rotation_deg)
        stated = np.hypot(iris.standard_uncertainty_deg, limbus.standard_uncertainty_deg)
        disagreement = apart if apart > 3.0 * stated else 0.0
    conditions = {
        "mirrored": view.mirrored,
        "turned_view": view.turn_deg != turned_deg,
        "weak_match": not clear,
        "bands_disagree": disagreement > _REVIEW_DEG,
        "iris_only": limbus is None and iris is not None,
        "limbus_only": iris is None and limbus is not None,
        "iris_only_dilated": limbus is None and iris is not None and abs(dilation) > _DILATED,
    }
    found = [name for name, present in conditions.items() if present]
    return found + angle_flags(rotation_deg, both.standard_uncertainty_deg)


def _beyond(score: float, margin: float, match: float, beside: float, alone: float) -> bool:
    return (margin > alone and score > _SOME_MATCH) or (score > match and margin > beside)


def angle_flags(rotation_deg: float, standard_uncertainty_deg: float) -> list[str]:
    """Give the flags that speak of the size of a rotation and of its uncertainty.

    Parameters
    ----------
    rotation_deg : float
        Either way, view undone.
    standard_uncertainty_deg : float

    Returns
    -------
    list of str
        ``uncertain`` or ``too_uncertain``, and ``large_rotation``; none for what is usual and known well.
    """
    conditions = {
        "uncertain": _REVIEW_DEG < standard_uncertainty_deg <= _REFUSE_DEG,
        "too_uncertain": standard_uncertainty_deg > _REFUSE_DEG,
        "large_rotation": abs(rotation_deg) > _LARGE_DEG,
    }
    return [name for name, present in conditions.items() if present]
