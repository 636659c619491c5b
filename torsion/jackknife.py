"""Jackknife: how far a rotation moves when parts of the ring do not vote, against what their patches state.

Patches state a variance, each by its own noise.  Lids, shadows, slid tissue and an imperfect geometry make
patches err together over tens of degrees, which none of them can know.  So parts of the ring are left out in
turn, and the rest votes anew (J. MacKinnon, H. White, doi 10.1016/0304-4076(85)90158-7).  The answers then
lie apart.  How much further than if each patch erred by itself is the factor by which the variance is larger
than stated.  Since it is a ratio, an answer that is less determined without a part does not count as an error
(after R. Bell, D. McCaffrey, Survey Methodology 2002;28(2):169-181; from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from torsion.deformation import PARAMETERS, PRIOR, turns_of
from torsion.quantiles import COVERAGE
from torsion.votes import Fit, Votes, fit_votes_each

__all__ = ["Jackknife", "jackknife", "student_factor"]

Doubles = NDArray[np.float64]

_PARTS = 6  # of the ring, 60 degrees each: a lid, a shadow or a slid conjunctiva spans about as much
_CUTS = (0.0, 0.2, 0.5, 0.7)  # of a part, between patches: where the ring is cut means nothing
_CELLS = 60  # of the ring, which make up the parts of every cut
_DOUBT = 2.0  # degrees of freedom that say that patches err each for itself: few parts may agree by chance
# Turn of an affine map for each parameter, degrees; a tilt of 10 degrees changes it by 1 %.
_TURN = np.degrees(0.5) * (np.eye(PARAMETERS)[4] - np.eye(PARAMETERS)[3])


@dataclass(frozen=True, slots=True, eq=False)
class Jackknife:
    """A rotation and the parts of its variance.

    Attributes
    ----------
    rotation_deg : float
        All patches together.
    step : (16,) ndarray
        Change of the map that goes with it.
    stated_deg2 : float
        Variance by the noise of each patch.
    inflation : float
        Found over stated variance, Student's factor for few parts included; 1 without votes.
    prior_deg2 : float
        Variance that the priors leave: of what the photos do not show, such as a twist of the conjunctiva.
    """

    rotation_deg: float
    step: Doubles
    stated_deg2: float
    inflation: float
    prior_deg2: float


def jackknife(votes: Sequence[Votes], start_deg: float, parameters: Doubles) -> Jackknife:
    """Fit all votes, and again without each part of the ring.

    Parameters
    ----------
    votes : sequence of Votes
        Linearised at ``parameters``. Without any weight the answer is that of the priors: the start, and all
        but unknown.
    start_deg : float
        Rotation about which the parameters are counted.
    parameters : (16,) ndarray
    """
    cells = [(vote.direction / (2 * np.pi) * _CELLS).astype(np.intp) % _CELLS for vote in votes]
    without = [[part[cell] > 0 for cell in cells] for part in _MEMBERS]
    fits = fit_votes_each(votes, parameters, [[], *without])
    # Counted from the start, so that answers about half a turn, of a picture on its head, lie together.
    turned_deg = turns_of(parameters + np.array([fit.step for fit in fits]))
    found = float(((turned_deg[1:] - turned_deg[0]) ** 2).sum())
    information = _information(votes, fits[0], cells)
    normal = PRIOR + information.sum(axis=0)
    turn = np.linalg.solve(normal, _TURN)
    prior = float(turn @ PRIOR @ turn)
    stated = float(turn @ _TURN) - prior
    inflation = _inflation(found, *_expected(_MEMBERS, information, normal))
    return Jackknife(start_deg + float(turned_deg[0]), fits[0].step, stated, inflation, prior)


def _inflation(found: float, expected: float, freedom: float) -> float:
    """Found over stated variance, for an interval."""
    if expected <= 0.0:  # no votes: there is only the prior
        return 1.0
    ratio = (freedom * found / expected + _DOUBT) / (freedom + _DOUBT)
    return ratio * student_factor(max(freedom, 1.0 + _DOUBT)) ** 2  # doubt is no evidence


def student_factor(freedom: float) -> float:
    """Student's t over the normal quantile at 97.5 %, within 0.2 % for 3 degrees of freedom or more.

    M. Abramowitz, I. Stegun, Handbook of Mathematical Functions, 26.7.5.
    """
    z = COVERAGE
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return 1.0 + sum(term / freedom**power for power, term in enumerate(terms, 1)) / z


def _members() -> Doubles:
    """Cells that each part of each cut holds: (parts, cells), 1 or 0."""
    wide = _CELLS // _PARTS
    cell = np.arange(_CELLS)
    return np.array(
        [((cell + round(cut * wide)) % _CELLS // wide == part) for cut in _CUTS for part in range(_PARTS)],
        np.float64,
    )


_MEMBERS = _members()


def _information(votes: Sequence[Votes], fit: Fit, cells: Sequence[NDArray[np.intp]]) -> Doubles:
    """Information on the parameters in each cell of the ring, (cells, 16, 16)."""
    total = np.zeros((_CELLS, PARAMETERS**2))
    for vote, weight, cell in zip(votes, fit.weights, cells, strict=True):
        normal = vote.basis.transpose(0, 2, 1) @ vote.information @ vote.basis
        held = np.where(cell == np.arange(_CELLS)[:, None], weight, 0.0)
        total += held @ normal.reshape(-1, PARAMETERS**2)
    return total.reshape(_CELLS, PARAMETERS, PARAMETERS)


def _expected(members: Doubles, information: Doubles, normal: Doubles) -> tuple[float, float]:
    """Give the sum of squares that leaving out parts gives if patches err each for itself, deg^2.

    And how many degrees of freedom it has: twice its squared mean over its variance.
    """
    # In coordinates in which the information of all is the unit matrix.
    whiten = np.linalg.inv(np.linalg.cholesky(normal))
    cell = whiten @ information @ whiten.T
    part = np.tensordot(members, cell, axes=1)
    left = np.eye(PARAMETERS) - part
    moves = np.linalg.solve(left, np.broadcast_to(whiten @ _TURN, part.shape[:2])[..., None])[..., 0]
    # Covariance of the answers' moves: shared cells, less what the fit of all has taken up already.
    reach = moves @ cell
    shared = (members.T[:, :, None] * members.T[:, None] * (reach @ moves.T)).sum(axis=0)
    taken = np.einsum("kij,kj->ki", part, moves)
    covariance = shared - taken @ taken.T
    trace, squares = float(np.trace(covariance)), float((covariance**2).sum())
    return trace, trace**2 / squares if squares > 0.0 else 0.0
