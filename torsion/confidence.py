"""How sure a registration is, and whether the two eyes match at all."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from torsion.jackknife import Jackknife, jackknife
from torsion.quantiles import COVERAGE
from torsion.register import Registration
from torsion.unwrap import Band
from torsion.votes import Votes, moved

__all__ = ["FLOOR_DEG", "MATCH", "Answer", "Judgement", "evidence", "judged", "widened"]

MATCH = 0.33  # mean patch correlation; unrelated eyes stayed below 0.25 in all trials
_MIN_PATCHES = 6  # that a band must have in common to answer
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


@dataclass(frozen=True, slots=True, eq=False)
class Judgement:
    """A registration once its bands have been heard.

    Attributes
    ----------
    registration : Registration
        With the map on which the bands agree, each as far as it is to be believed.
    both : Answer
        Of the whole eye.
    bands : dict of {"iris", "limbus"} to Answer or None
        Of each band by itself, with its own offset, scale and tilt; None where fewer than six patches are
        usable.
    """

    registration: Registration
    both: Answer
    bands: dict[Band, Answer | None]


def judged(registration: Registration) -> Judgement:
    """Hear each band by itself, then both together.

    Patches state less variance than the parts of the ring show, and not in every band by the same factor: in
    a thin iris full of shadows many times less, in sharp vessels hardly.  So before both are fitted together
    the votes of each are scaled down until they state what was found (R. Wedderburn,
    doi 10.1093/biomet/61.3.439); never up, since few parts may agree by chance.
    """
    start, parameters, votes = registration.start_deg, registration.parameters, registration.votes
    alone = {vote.band: _alone(registration, vote) for vote in votes}
    scaled = [
        replace(vote, weight=vote.weight / max(1.0, found.inflation)) if (found := alone[vote.band]) else vote
        for vote in votes
    ]
    whole = jackknife(scaled, start, parameters)
    settled = replace(
        registration,
        parameters=parameters + whole.step,
        votes=tuple(moved(vote, whole.step) for vote in votes),
    )
    bands: dict[Band, Answer | None] = {
        vote.band: _answer(found, [vote]) if (found := alone[vote.band]) else None for vote in votes
    }
    both = widened(_answer(whole, votes), bands.get("iris"), bands.get("limbus"))
    return Judgement(settled, both, bands)


def _alone(registration: Registration, vote: Votes) -> Jackknife | None:
    if vote.usable.sum() < _MIN_PATCHES or vote.weight.sum() <= 0:
        return None
    return jackknife([vote], registration.start_deg, registration.parameters)


def _answer(found: Jackknife, votes: Sequence[Votes]) -> Answer:
    variance = found.stated_deg2 * found.inflation + found.prior_deg2 + FLOOR_DEG**2
    common = np.concatenate([vote.common for vote in votes])
    return Answer(found.rotation_deg, math.sqrt(variance), evidence(votes), float(common.mean()))


def widened(both: Answer, iris: Answer | None, limbus: Answer | None) -> Answer:
    """Answer of both bands, less sure where the bands by themselves lie further apart than they state.

    Conjunctiva slides as a whole, a dilating iris drags its pattern along: then every part of the ring errs
    alike, and only the other band can show it.  By what the bands are further apart than 95 % of what they
    state, either may have gone astray by itself: a variance between them, of which the answer has the share
    that two answers weighted by their own would have (after R. DerSimonian, N. Laird,
    doi 10.1016/0197-2456(86)90046-2, who take squares and what exceeds their expectation: then a vague band,
    a little off by chance, makes a sure one vague).

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
        apart = abs(matched[0].rotation_deg - matched[1].rotation_deg)
        excess = max(0.0, apart - COVERAGE * math.sqrt(variance.sum()))
        share = (1.0 / variance) / (1.0 / variance).sum()
        between = 0.5 * excess**2 * float((share**2).sum())  # the variance of two answers that far apart
    return replace(both, standard_uncertainty_deg=math.sqrt(both.standard_uncertainty_deg**2 + between))


def evidence(votes: Sequence[Votes]) -> float:
    """Mean correlation of the usable patches, weighted by common area; 0 without any."""
    correlation = np.concatenate([vote.correlation[vote.usable] for vote in votes])
    common = np.concatenate([vote.common[vote.usable] for vote in votes])
    return float(np.average(correlation, weights=common)) if len(common) else 0.0
