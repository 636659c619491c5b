"""How sure a registration is, and whether the two eyes match at all."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from torsion.register import PARAMETERS, Registration, Votes, affine, prior

__all__ = ["Answer", "answer", "band_answer", "evidence"]

Doubles = NDArray[np.float64]

_PARTS = 6  # of the ring, 60 degrees each: a lid, a shadow or a slid conjunctiva spans about as much
_FEW_PARTS = 1.31  # Student's t with 5 degrees of freedom against the normal distribution, at 95 %
_FLOOR_DEG = 0.03  # a tenth of the finest sample: what six parts of a ring cannot show
_ROTATION = np.zeros(PARAMETERS)
_ROTATION[[3, 4]] = -0.5, 0.5  # the antisymmetric part of the affine map


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
        Mean correlation of the usable patches, weighted by their common area; unrelated eyes stay below 0.3.
    valid_fraction : float
        Share of the band that is valid in both photos.
    """

    rotation_deg: float
    standard_uncertainty_deg: float
    score: float
    valid_fraction: float


def answer(registration: Registration) -> Answer:
    """Rotation of the whole eye from all bands together, each patch weighed by its own evidence."""
    votes = registration.votes
    variance = _variance(votes, _JOINT_PRIOR)
    common = np.concatenate([vote.common for vote in votes])
    return Answer(
        rotation_of(registration.matrix),
        float(np.degrees(np.sqrt(variance))),
        evidence(votes),
        float(common.mean()),
    )


def band_answer(registration: Registration, vote: Votes) -> Answer | None:
    """Rotation that one band gives by itself, with its own small offset, scale and tilt.

    None where fewer than six patches are usable.
    """
    if vote.usable.sum() < 6 or vote.weight.sum() <= 0:
        return None
    normal, pull = _normal([vote], _OWN_PRIOR)
    own = registration.parameters + np.linalg.solve(normal, pull)
    variance = _variance([vote], _OWN_PRIOR)
    return Answer(
        rotation_of(affine(registration.start_deg, own)),
        float(np.degrees(np.sqrt(variance))),
        evidence([vote]),
        float(vote.common.mean()),
    )


def evidence(votes: Sequence[Votes]) -> float:
    """Mean correlation of the usable patches, weighted by common area; 0 without any."""
    correlation = np.concatenate([vote.correlation[vote.usable] for vote in votes])
    common = np.concatenate([vote.common[vote.usable] for vote in votes])
    return float(np.average(correlation, weights=common)) if len(common) else 0.0


def rotation_of(matrix: Doubles) -> float:
    """Rotation in degrees of the polar decomposition of an affine map, y up."""
    return float(np.degrees(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1])))


_JOINT_PRIOR = prior(tilt=0.01, offset=0.1, scale=0.1, parallax=0.03, dilation=0.03)
_OWN_PRIOR = prior(tilt=0.005, offset=0.02, scale=0.01, parallax=0.02, dilation=0.02)


def _normal(votes: Sequence[Votes], holding: Doubles) -> tuple[Doubles, Doubles]:
    normal, pull = holding.copy(), np.zeros(PARAMETERS)
    for vote in votes:
        normal += _information(vote, np.ones(len(vote.weight), bool))
        pull += np.einsum("p,pik,pi->k", vote.weight, vote.basis, vote.pull)
    return normal, pull


def _information(vote: Votes, own: NDArray[np.bool_]) -> Doubles:
    """Information on the parameters from some patches of a band."""
    basis, weighted = vote.basis[own], vote.weight[own, None, None] * vote.information[own]
    return np.asarray((basis.transpose(0, 2, 1) @ weighted @ basis).sum(axis=0))


def _variance(votes: Sequence[Votes], holding: Doubles) -> float:
    """Variance of the rotation, radians squared: jackknife over parts of the ring, plus what the priors hold.

    Patches of one part of the ring share the errors of lid, light and geometry, so whole parts are left out
    in turn.  Unlike a sandwich estimate, this shows when one part carries the answer alone (the deleted-group
    jackknife; J. MacKinnon, H. White, doi 10.1016/0304-4076(85)90158-7).
    """
    normal, _ = _normal(votes, holding)
    parts = np.zeros((_PARTS, PARAMETERS, PARAMETERS))
    pulls = np.zeros((_PARTS, PARAMETERS))
    for vote in votes:
        part = (vote.direction / (2 * np.pi) * _PARTS).astype(int) % _PARTS
        pull = np.einsum("p,pik,pi->pk", vote.weight, vote.basis, vote.pull)
        np.add.at(pulls, part, pull)
        for at in range(_PARTS):
            parts[at] += _information(vote, part == at)
    left_out = np.array([_ROTATION @ np.linalg.solve(normal - parts[at], -pulls[at]) for at in range(_PARTS)])
    held = np.linalg.inv(normal) @ _ROTATION
    jackknife = _FEW_PARTS**2 * float((left_out**2).sum()) * (_PARTS - 1) / _PARTS
    return jackknife + float(held @ holding @ held) + math.radians(_FLOOR_DEG) ** 2
