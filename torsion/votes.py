"""Votes: what patches say about the map between two eyes, and the map on which most of them agree.

Parameters of the map, in limbus radii, y up:

* an affine map shared by both bands;
* shifts against the limbus when gaze changes: of the white, which curves backwards, and of the iris, which
  lies behind;
* what dilation does to the iris beyond a linear stretch;
* the twist of the conjunctiva, which slides over the globe, the more the further from the limbus.

Small priors stand for anatomy, and decide only what the photos leave open.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from torsion.unwrap import Band

__all__ = [
    "MIN_COMMON",
    "PARAMETERS",
    "PRIOR",
    "Fit",
    "Votes",
    "affine",
    "at_rest",
    "displacement",
    "fit_votes",
    "fit_votes_each",
    "moved",
    "turns_of",
]

Doubles = NDArray[np.float64]
Reals = NDArray[np.floating]

# 6 affine (x, y, xx, xy, yx, yy), 2 gaze (radians, seen in the limbal band), 4 dilation, 2 shift of the iris,
# 2 twist of the conjunctiva (radians at the limbus, radians for each radius further out)
PARAMETERS = 16
MIN_COMMON = 0.35  # share of a patch that must be valid in both photos
_CUTOFF = 22.0  # squared, in standard deviations: J. Tukey's biweight, 95 % efficient on normal errors
_BOTH = np.sqrt(2.0)  # two photos, each with an error of its own
_GAZE_SD = _BOTH * np.radians(5.0)  # of a subject who looks into the camera
_TILT_SD = 1.0 - np.cos(_GAZE_SD)  # the foreshortening that goes with it
_OFFSET_SD, _SCALE_SD = _BOTH * 0.1, _BOTH * 0.1  # errors of the limbus fits
_DILATION_SD = _BOTH * 0.03
_IRIS_BEHIND = 0.1  # depth of the iris below the plane of the limbus, limbus radii (from memory)
# Conjunctiva slides easily by 0.015 mm at the limbus (from memory, no source). With this and its growth the
# rings of the white lie as far from the iris as is stated for them, in real photos a minute apart.
_TWIST_SD, _TWIST_GROWTH_SD = np.radians(0.15), np.radians(0.75)
_GLOBE = 2.05  # radius of the globe over that of the limbus, 12 over 5.9 mm (from memory)


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


def affine(start_deg: float, parameters: Doubles) -> Doubles:
    """Affine map (2, 3) that a start rotation and the parameters describe."""
    x, y, xx, xy, yx, yy = parameters[:6]
    cosine, sine = np.cos(np.radians(start_deg)), np.sin(np.radians(start_deg))
    linear = np.array([[1 + xx, xy], [yx, 1 + yy]]) @ np.array([[cosine, -sine], [sine, cosine]])
    return np.column_stack([linear, [x, y]])


def turns_of(parameters: Doubles) -> Doubles:
    """Degrees by which maps (n, 16) turn further than the start: by their polar decomposition, y up."""
    _, _, xx, xy, yx, yy = parameters.T[:6]
    return np.asarray(np.degrees(np.arctan2(yx - xy, 2.0 + xx + yy)), np.float64)


def displacement(
    parameters: Reals, x: Reals, y: Reals, depth: Reals, band: Band
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Displacement (x, y) that the parameters give to points of a band; `depth` may be one for each row."""
    across: Reals
    up: Reals
    stretch: Reals
    twist: Reals
    if band == "limbus":
        behind = np.sqrt(_GLOBE**2 - 1.0) - np.sqrt(_GLOBE**2 - depth**2)  # of the plane of the limbus
        across, up, stretch = parameters[6] * behind, parameters[7] * behind, 0.0 * behind
        twist = parameters[14] + parameters[15] * (depth - 1.0)
    else:
        inward = 1.0 - depth  # 1 at the pupil, 0 at the limbus
        across, up = parameters[12] + parameters[8] * inward, parameters[13] + parameters[9] * inward
        stretch = (parameters[10] + parameters[11] * inward) * inward
        twist = 0.0 * inward
    return (
        (parameters[0] + across) + (parameters[2] + stretch) * x + (parameters[3] - twist) * y,
        (parameters[1] + up) + (parameters[4] + twist) * x + (parameters[5] + stretch) * y,
    )


def _prior() -> Doubles:
    """Inverse covariance of the parameters; the rotation is all but free."""
    information = np.zeros((PARAMETERS, PARAMETERS))
    half = np.sqrt(0.5)
    directions = [
        ((2, half, 5, -half), _TILT_SD),
        ((3, half, 4, half), _TILT_SD),
        ((0, 1.0), _OFFSET_SD),
        ((1, 1.0), _OFFSET_SD),
        ((2, half, 5, half), _SCALE_SD),
        ((3, half, 4, -half), 1.0),  # a radian: it only keeps empty bands solvable
        ((6, 1.0), _GAZE_SD),
        ((7, 1.0), _GAZE_SD),
        *(((at, 1.0), _DILATION_SD) for at in range(8, 12)),
        *(((at, 1.0), _GAZE_SD * _IRIS_BEHIND) for at in range(12, 14)),
        ((14, 1.0), _TWIST_SD),
        ((15, 1.0), _TWIST_GROWTH_SD),
    ]
    for entries, deviation in directions:
        direction = np.zeros(PARAMETERS)
        direction[[int(at) for at in entries[::2]]] = entries[1::2]
        information += np.outer(direction, direction) / deviation**2
    information.setflags(write=False)
    return information


PRIOR = _prior()


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
