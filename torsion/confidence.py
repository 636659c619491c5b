"""How sure a registration is, and whether the two eyes match at all."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from torsion.angles import wrap_rotation_deg
from torsion.register import Registration
from torsion.votes import Fit, Votes, affine, fit_votes_each, rotation_of

__all__ = ["FLOOR_DEG", "MATCH", "Answer", "answer", "band_answer", "evidence", "widened"]

Doubles = NDArray[np.float64]

MATCH = 0.33  # mean patch correlation; unrelated eyes stayed below 0.25 in all trials
_PARTS = 6  # of the ring, 60 degrees each: a lid, a shadow or a slid conjunctiva spans about as much
_CUTS = (0.0, 0.2, 0.5, 0.7)  # of a part, between patches: where the ring is cut means nothing
# Student's t against the normal distribution, at 95 %: one cut has 5 degrees of freedom; four, which share
# their patches, have 8 where these are independent.
_FEW_PARTS = 1.18
_AGREE = 1.96  # stated standard deviations, by which two bands may lie apart without a further cause
_SLIDE_DEG = 0.15  # 0.015 mm at the limbus, by which conjunctiva slides easily (from memory, no source)
FLOOR_DEG = 0.003  # a hundredth of a pixel of the finest picture of an eye, which resampling leaves


@dataclass(frozen=True, slots=True)
class Answer:
    """Rotation with its uncertainty.

    Attributes
    ----------
    rotation_deg : float
        Counter-clockwise positive; the rotation part of the affine map (its polar decomposition), so that a
        foreshortening by gaze does not count.
    standard_uncertainty_deg : float
    score : float
        Mean correlation of the usable patches, weighted by their common area; unrelated eyes stay below 0.25.
    valid_fraction : float
        Share of the band that is valid in both photos.
    """

    rotation_deg: float
    standard_uncertainty_deg: float
    score: float
    valid_fraction: float


def answer(registration: Registration) -> Answer:
    """Rotation of the whole eye from all bands together, each patch weighed by its own evidence."""
    return _answer(registration, registration.votes)


def band_answer(registration: Registration, vote: Votes) -> Answer | None:
    """Rotation that one band gives by itself, with its own offset, scale and tilt.

    None where fewer than six patches are usable.
    """
    if vote.usable.sum() < 6 or vote.weight.sum() <= 0:
        return None
    return _answer(registration, [vote])


def widened(both: Answer, iris: Answer | None, limbus: Answer | None) -> Answer:
    """Answer of both bands, less sure where the bands by themselves lie further apart than they state.

    Conjunctiva slides as a whole, a dilating iris drags its pattern along: then every part of the ring errs
    alike, and only the other band can show it.  What the bands are further apart than 95 % of what they state
    is taken for a variance between them (after R. DerSimonian, N. Laird, doi 10.1016/0197-2456(86)90046-2;
    they begin at one standard deviation, which two bands show by chance, and a vague limbal band would make a
    sure iris vague).  Where the limbal band stands alone, a slide is allowed for.

    Parameters
    ----------
    both : Answer
    iris, limbus : Answer or None
        Of each band by itself; one that does not match by itself has no say.
    """
    matched = [band for band in (iris, limbus) if band and band.score >= MATCH]
    between = 0.0
    if len(matched) == 2:
        variance = np.array([band.standard_uncertainty_deg for band in matched]) ** 2
        excess = float(np.var([band.rotation_deg for band in matched], ddof=1) - _AGREE**2 * variance.mean())
        share = (1.0 / variance) / (1.0 / variance).sum()
        between = max(0.0, excess) * float((share**2).sum())
    elif matched and matched[0] is limbus:
        between = _SLIDE_DEG**2
    return replace(both, standard_uncertainty_deg=math.sqrt(both.standard_uncertainty_deg**2 + between))


def evidence(votes: Sequence[Votes]) -> float:
    """Mean correlation of the usable patches, weighted by common area; 0 without any."""
    correlation = np.concatenate([vote.correlation[vote.usable] for vote in votes])
    common = np.concatenate([vote.common[vote.usable] for vote in votes])
    return float(np.average(correlation, weights=common)) if len(common) else 0.0


def _answer(registration: Registration, votes: Sequence[Votes]) -> Answer:
    def rotation_deg(fit: Fit) -> float:
        found_deg = rotation_of(affine(registration.start_deg, registration.parameters + fit.step))
        # Counted from the start, so that answers about half a turn, of a picture on its head, lie together.
        return registration.start_deg + wrap_rotation_deg(found_deg - registration.start_deg)

    without = [[_part(vote, cut) == part for vote in votes] for cut in _CUTS for part in range(_PARTS)]
    fits = fit_votes_each(votes, registration.parameters, [[], *without])
    whole_deg, *left_out = (rotation_deg(fit) for fit in fits)
    left_out_deg = np.array(left_out)
    common = np.concatenate([vote.common for vote in votes])
    return Answer(whole_deg, _uncertainty_deg(whole_deg, left_out_deg), evidence(votes), float(common.mean()))


def _part(vote: Votes, cut: float) -> NDArray[np.intp]:
    return (vote.direction / (2 * np.pi) * _PARTS + cut).astype(np.intp) % _PARTS


def _uncertainty_deg(whole_deg: float, left_out_deg: Doubles) -> float:
    """Give the standard uncertainty, by the deleted-group jackknife over parts of the ring.

    Patches of one part share the errors of lid, light and geometry, so whole parts are left out in turn, and
    the patches that are left vote anew: when one part carries the answer alone, or two camps of patches
    disagree, this shows (J. MacKinnon, H. White, doi 10.1016/0304-4076(85)90158-7).
    """
    squares = float(((left_out_deg - whole_deg) ** 2).sum()) * (_PARTS - 1) / _PARTS / len(_CUTS)
    return math.sqrt(_FEW_PARTS**2 * squares + FLOOR_DEG**2)
