"""Votes: what patches say about the map between two eyes, and the map on which most of them agree."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from torsion.deformation import PARAMETERS, PRIOR
from torsion.unwrap import Band

__all__ = ["MIN_COMMON", "Fit", "Votes", "at_rest", "fit_votes", "fit_votes_each", "moved"]

Doubles = NDArray[np.float64]

MIN_COMMON = 0.35  # share of a patch that must be valid in both photos
_CUTOFF = 22.0  # squared, in standard deviations: J. Tukey's biweight, 95 % efficient on normal errors


@dataclass(frozen=True, slots=True, eq=False)
class Votes:
    """What the patches of one band say about small changes of the map.

    Attributes
    ----------
    band : {"iris", "limbus"}
    basis : (patches, 2, 16) ndarray
        Displacement of each patch for each parameter.
    information : (patches, 2, 2) ndarray
        How well each patch determines its displacement, per unit variance of its noise.
    pull : (patches, 2) ndarray
        Information times the displacement that the patch asks for.
    variance : (patches,) ndarray
        Of the difference of the two textures.
    told : (patches,) ndarray
        Share of the information that is left when the noise in the gradients is not counted.
    weight : (patches,) ndarray
        Of a patch that agrees; 0 where too little is common.
    correlation : (patches,) ndarray
        Of the two textures over the common pixels.
    common : (patches,) ndarray
        Share of the patch that is valid in both photos.
    direction : (patches,) ndarray
        Radians, seated frame.
    """

    band: Band
    basis: Doubles
    information: Doubles
    pull: Doubles
    variance: Doubles
    told: Doubles
    weight: Doubles
    correlation: Doubles
    common: Doubles
    direction: Doubles

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Patches with enough common pixels to be compared."""
        return self.common > MIN_COMMON


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Change of the map on which most patches agree.

    Attributes
    ----------
    step : (16,) ndarray
        To be added to the parameters.
    normal : (16, 16) ndarray
        Information on the parameters, prior included.
    weights : tuple of (patches,) ndarray
        Final weight of each patch, for each band: 0 for those that disagree.
    """

    step: Doubles
    normal: Doubles
    weights: tuple[Doubles, ...]


def fit_votes(
    votes: Sequence[Votes], parameters: Doubles, *, leave_out: Sequence[NDArray[np.bool_]] = ()
) -> Fit:
    """Weighted least squares over all patches, reweighted until outliers have lost their vote.

    Parameters
    ----------
    votes : sequence of Votes
        Linearised at ``parameters``.
    parameters : (16,) ndarray
        What the prior pulls back towards zero.
    leave_out : sequence of (patches,) bool ndarray, optional
        For each band the patches that take no part.
    """
    return fit_votes_each(votes, parameters, [leave_out])[0]


def fit_votes_each(
    votes: Sequence[Votes], parameters: Doubles, leave_outs: Sequence[Sequence[NDArray[np.bool_]]]
) -> tuple[Fit, ...]:
    """Fit several times, each time leaving out other patches: what all have in common is computed once."""
    kept = np.concatenate(
        [
            np.array(
                [np.where(out[band], 0.0, vote.weight) if len(out) else vote.weight for out in leave_outs]
            )
            for band, vote in enumerate(votes)
        ],
        axis=1,
    )
    terms, weights = _Terms.of(votes), kept
    steps: Doubles = np.zeros((len(leave_outs), PARAMETERS))
    normals: Doubles = np.zeros((len(leave_outs), PARAMETERS, PARAMETERS))
    for _ in range(6):
        normals = PRIOR + (weights @ terms.normal).reshape(-1, PARAMETERS, PARAMETERS)
        pulls = weights @ terms.pull - PRIOR @ parameters
        steps = np.asarray(np.linalg.solve(normals, pulls[..., None])[..., 0], np.float64)
        weights = kept * terms.agreement(weights, steps)
    return tuple(
        Fit(step, normal, tuple(weight[band] for band in terms.bands))
        for weight, step, normal in zip(weights, steps, normals, strict=True)
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Terms:
    """What each patch adds to the normal equations, and by how much a step misses what it asks for.

    Attributes
    ----------
    normal : (patches, 256) ndarray
        Information on the parameters, (16, 16) laid out flat.
    pull : (patches, 16) ndarray
    asked : (2 * patches,) ndarray
        Displacement that a patch asks for along two directions, in its own standard deviations.
    moved : (16, 2 * patches) ndarray
        Displacement for each parameter, likewise.
    clear : (patches,) bool ndarray
        Patches that show how large the noise is.
    bands : tuple of slice
        Patches of each band.
    """

    normal: Doubles
    pull: Doubles
    asked: Doubles
    moved: Doubles
    clear: NDArray[np.bool_]
    bands: tuple[slice, ...]

    @classmethod
    def of(cls, votes: Sequence[Votes]) -> "_Terms":
        """Lay out the votes of all bands."""
        basis, information, pulled, variance, correlation = (
            np.concatenate([getattr(vote, name) for vote in votes])
            for name in ("basis", "information", "pull", "variance", "correlation")
        )
        ends = np.cumsum([len(vote.weight) for vote in votes]).tolist()
        turned = basis.transpose(0, 2, 1)
        informed = information @ basis
        normal = (turned @ informed).reshape(-1, PARAMETERS**2)
        pull = (turned @ pulled[..., None])[..., 0]
        # Damped, so that a patch without texture along one direction has no say on it.
        xx, xy, yy = information[:, 0, 0], information[:, 0, 1], information[:, 1, 1]
        damping = 1e-3 * (xx + yy) + 1e-6
        xx, yy = xx + damping, yy + damping
        # Inverse Cholesky factor of the covariance of the pull.
        along, down = 1.0 / np.sqrt(xx * variance), np.sqrt(xx / ((xx * yy - xy * xy) * variance))
        lean = -xy / xx * down
        x, y = pulled.T
        across, up = informed.transpose(1, 2, 0)
        moved = np.concatenate([along * across, lean * across + down * up], axis=1)
        asked = np.concatenate([along * x, lean * x + down * y])
        bands = tuple(slice(first, last) for first, last in zip([0, *ends], ends, strict=False))
        return cls(normal, pull, asked, moved, correlation > 0.2, bands)

    def agreement(self, weights: Doubles, steps: Doubles) -> Doubles:
        """Share of its vote that each patch keeps: little where a step does not explain what it asks for."""
        left = (self.asked - steps @ self.moved) ** 2
        miss = left[:, : len(self.clear)] + left[:, len(self.clear) :]
        telling = (weights > 0) & self.clear
        share = np.empty_like(miss)
        for band in self.bands:
            # Neighbouring samples share their noise, so that even good patches miss by more than independent
            # samples would; the median (1.39 for chi squared with 2 degrees of freedom) shows by how much.
            count = telling[:, band].sum(axis=1)
            ordered = np.sort(np.where(telling[:, band], miss[:, band], np.inf), axis=1)
            row = np.arange(len(count))
            middle = 0.5 * (ordered[row, np.maximum(count - 1, 0) // 2] + ordered[row, count // 2])
            spread = np.where(count > 5, np.maximum(1.0, middle / 1.39), 1.0)[:, None]
            share[:, band] = np.maximum(1.0 - miss[:, band] / (spread * _CUTOFF), 0.0) ** 2 / spread
        return share


def moved(vote: Votes, step: Doubles) -> Votes:
    """Votes when the map has changed by a step: the pull that is left."""
    return replace(vote, pull=vote.pull - (vote.information @ (vote.basis @ step)[..., None])[..., 0])


def at_rest(vote: Votes, step: Doubles) -> Votes:
    """Votes after the last step: the pull that is left, the information that is truly told."""
    return replace(moved(vote, step), information=vote.information * vote.told[:, None, None])
