"""How sure a registration is, and whether the two eyes match at all."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from torsion.register import PARAMETERS, Registration, Votes, affine, prior

__all__ = ["Answer", "answer", "band_answer", "evidence"]

Doubles = NDArray[np.float64]

_OCTANTS = 8  # errors of lids, light and geometry are shared by whole parts of the ring
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
    variance = _covariance(votes, _JOINT_PRIOR)
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
    variance = _covariance([vote], _OWN_PRIOR)
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
        normal += np.einsum(
            "p,pik,pij,pjl->kl", vote.weight, vote.basis, vote.information, vote.basis, optimize=True
        )
        pull += np.einsum("p,pik,pi->k", vote.weight, vote.basis, vote.pull)
    return normal, pull


def _covariance(votes: Sequence[Votes], holding: Doubles) -> float:
    """Variance of the rotation in radians squared: cluster-robust over octants of the ring, plus the priors'.

    Patches of one octant share their errors, so whole octants are what is independent (the sandwich of
    K.-Y. Liang, S. Zeger, doi 10.1093/biomet/73.1.13, with the small-sample factor n / (n - 1)).
    """
    normal, _ = _normal(votes, holding)
    inverse = np.linalg.inv(normal)
    scores = np.zeros((_OCTANTS, PARAMETERS))
    for vote in votes:
        octant = (vote.direction / (2 * np.pi) * _OCTANTS).astype(int) % _OCTANTS
        np.add.at(scores, octant, np.einsum("p,pik,pi->pk", vote.weight, vote.basis, vote.pull))
    middle = scores.T @ scores * (_OCTANTS / (_OCTANTS - 1)) + holding
    return float(_ROTATION @ inverse @ middle @ inverse @ _ROTATION)
