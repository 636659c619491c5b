"""Votes: what patches say about the map between two eyes, and the map on which most of them agree.

Parameters of the map, in limbus radii, y up: an affine map shared by both bands; the shift of the white of
the eye, which curves backwards, and of the iris, which lies behind, against the limbus when gaze changes; and
what dilation does to the iris beyond a linear stretch.  Small priors stand for anatomy, and decide only what
the photos leave open.
"""

from collections.abc import Sequence
from dataclasses import dataclass

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
    "displacement",
    "fit_votes",
    "left_over",
    "rotation_of",
]

Doubles = NDArray[np.float64]

# 6 affine (x, y, xx, xy, yx, yy), 2 gaze (radians, seen in the limbal band), 4 dilation, 2 shift of the iris
PARAMETERS = 14
MIN_COMMON = 0.35  # share of a patch that must be valid in both photos
_CUTOFF = 22.0  # squared, in standard deviations: J. Tukey's biweight, 95 % efficient on normal errors
_GAZE_SD = np.radians(5.0)  # relative gaze of two photos whose subject looks into the camera
_TILT_SD = 1.0 - np.cos(_GAZE_SD)  # the foreshortening that goes with it
_OFFSET_SD, _SCALE_SD = 0.1, 0.1  # errors of the limbus fits
_DILATION_SD = 0.03
_IRIS_BEHIND = 0.1  # depth of the iris below the plane of the limbus, limbus radii (from memory)
_GLOBE = 2.05  # radius of the globe over that of the limbus, 12 over 5.9 mm (from memory)


@dataclass(frozen=True, slots=True, eq=False)
class Votes:
    """What the patches of one band say about small changes of the map.

    Attributes
    ----------
    band : {"iris", "limbus"}
    basis : (patches, 2, 14) ndarray
        Displacement of each patch for each parameter.
    information : (patches, 2, 2) ndarray
        How well each patch determines its displacement, but for the variance of its noise.
    pull : (patches, 2) ndarray
        Information times the displacement that the patch asks for.
    variance : (patches,) ndarray
        Of the difference of the two textures.
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
    step : (14,) ndarray
        To be added to the parameters.
    normal : (14, 14) ndarray
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


def rotation_of(matrix: Doubles) -> float:
    """Rotation in degrees of the polar decomposition of an affine map, y up."""
    return float(np.degrees(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1])))


def displacement(
    parameters: Doubles, x: Doubles, y: Doubles, depth: Doubles, band: Band
) -> tuple[Doubles, Doubles]:
    """Displacement (x, y) that the parameters give to points of a band."""
    dx = parameters[0] + parameters[2] * x + parameters[3] * y
    dy = parameters[1] + parameters[4] * x + parameters[5] * y
    if band == "limbus":
        behind = np.sqrt(_GLOBE**2 - 1.0) - np.sqrt(_GLOBE**2 - depth**2)  # of the plane of the limbus
        return dx + parameters[6] * behind, dy + parameters[7] * behind
    inward = 1.0 - depth  # 1 at the pupil, 0 at the limbus
    stretch = (parameters[10] + parameters[11] * inward) * inward
    dx += parameters[12] + parameters[8] * inward + stretch * x
    dy += parameters[13] + parameters[9] * inward + stretch * y
    return dx, dy


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
    parameters : (14,) ndarray
        What the prior pulls back towards zero.
    leave_out : sequence of (patches,) bool ndarray, optional
        For each band the patches that take no part.
    """
    full = [vote.weight for vote in votes]
    if leave_out:
        full = [np.where(out, 0.0, weight) for out, weight in zip(leave_out, full, strict=True)]
    normals = [vote.basis.transpose(0, 2, 1) @ vote.information @ vote.basis for vote in votes]
    pulls = [np.einsum("pik,pi->pk", vote.basis, vote.pull) for vote in votes]
    weights = full
    step: Doubles = np.zeros(PARAMETERS)
    normal = PRIOR
    for _ in range(6):
        normal, pull = PRIOR.copy(), -PRIOR @ parameters
        for weight, own_normals, own_pulls in zip(weights, normals, pulls, strict=True):
            normal += np.tensordot(weight, own_normals, axes=1)
            pull += weight @ own_pulls
        step = np.asarray(np.linalg.solve(normal, pull), np.float64)
        weights = [weight * _agreement(vote, weight, step) for vote, weight in zip(votes, full, strict=True)]
    return Fit(step, normal, tuple(weights))


def left_over(vote: Votes, step: Doubles) -> Doubles:
    """Pull (patches, 2) that is left when the map has changed by a step."""
    return np.asarray(vote.pull - (vote.information @ (vote.basis @ step)[..., None])[..., 0])


def _agreement(vote: Votes, weight: Doubles, step: Doubles) -> Doubles:
    """Share of its vote that each patch keeps: little where the step does not explain its displacement."""
    left = left_over(vote, step)
    trace = np.trace(vote.information, axis1=1, axis2=2)[:, None, None]
    damped = vote.information + (1e-3 * trace + 1e-6) * np.eye(2)
    miss = np.einsum("pi,pi->p", left, np.linalg.solve(damped, left[..., None])[..., 0]) / vote.variance
    telling = (weight > 0) & (vote.correlation > 0.2)
    # Neighbouring samples share their noise, so that even good patches miss by more than independent
    # samples would; the median (1.39 for chi squared with 2 degrees of freedom) shows by how much.
    excess = max(1.0, float(np.median(miss[telling])) / 1.39) if telling.sum() > 5 else 1.0
    return np.asarray(np.clip(1.0 - miss / (excess * _CUTOFF), 0.0, 1.0) ** 2 / excess)
