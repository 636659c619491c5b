"""Fine registration: one map of the seated onto the supine eye, fitted to many small patches that vote.

The supine bands are sampled with the trial geometry and compared with the seated bands patch by patch; each
patch gives a displacement and how well it is determined in each direction (a vessel says nothing along
itself).  A robust Gauss-Newton step then moves the map; the gradient is the mean of both pictures', which
makes noise cancel instead of biasing (S. Benhimane, E. Malis, doi 10.1109/IROS.2004.1389474).

Parameters of the map, in limbus radii, y up: an affine map shared by both bands; the shift of the limbal band
against the iris, which lies deeper, when gaze changes; and what dilation does to the iris beyond a linear
stretch.  Small priors stand for anatomy, and decide only what the photos leave open.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.masks import EyePicture
from torsion.search import Candidate
from torsion.unwrap import BANDS, Band, grid, rows_for, sample

__all__ = ["PARAMETERS", "Registration", "Votes", "prior", "register"]

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]

PARAMETERS = 12  # 6 affine (x, y, xx, xy, yx, yy), 2 shift of the limbal band, 4 dilation of the iris
_LEVELS = ((360, 2), (720, 3), (1440, 4))  # columns of the grid, and steps taken there
_SECTORS = 60  # patches round the ring
_MIN_COMMON = 0.35  # share of a patch that must be valid in both photos
_CUTOFF = 6.0  # chi squared, 2 degrees of freedom, 95 %: a patch further off than this has no vote
_TILT_SD = 0.01  # relative foreshortening: 8 degrees of gaze
_OFFSET_SD, _SCALE_SD = 0.1, 0.1  # errors of the limbus fits
_PARALLAX_SD = 0.03  # iris against limbus: 5 degrees of gaze at 0.35 radii of depth
_DILATION_SD = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Votes:
    """What the patches of one band say about the fitted map.

    Attributes
    ----------
    band : {"iris", "limbus"}
    basis : (patches, 2, 12) ndarray
        Displacement of each patch for each parameter.
    information : (patches, 2, 2) ndarray
        How well each patch determines its displacement, before weighting.
    pull : (patches, 2) ndarray
        What is left of information times displacement after the fit.
    weight : (patches,) ndarray
        Weight in the fit, robust part included.
    correlation : (patches,) ndarray
        Of the two textures over the common pixels.
    common : (patches,) ndarray
        Share of the patch that is valid in both photos.
    agrees : (patches,) bool ndarray
        True where the patch keeps at least a quarter of its vote.
    direction : (patches,) ndarray
        Radians, seated frame.
    ring : (patches,) ndarray of int
        0 for the innermost row of patches.
    """

    band: Band
    basis: Doubles
    information: Doubles
    pull: Doubles
    weight: Doubles
    correlation: Doubles
    common: Doubles
    agrees: NDArray[np.bool_]
    direction: Doubles
    ring: NDArray[np.intp]

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Patches with enough common pixels to be compared."""
        return self.common > _MIN_COMMON


@dataclass(frozen=True, slots=True, eq=False)
class Registration:
    """Fitted map from the seated to the supine eye.

    Attributes
    ----------
    start_deg : float
        Rotation about which the parameters are counted.
    parameters : (12,) ndarray
    votes : tuple of Votes
        One entry for each band.
    """

    start_deg: float
    parameters: Doubles
    votes: tuple[Votes, ...]

    @property
    def matrix(self) -> Doubles:
        """Affine map of seated to supine coordinates (limbus radii, y up), shape (2, 3)."""
        return affine(self.start_deg, self.parameters)


def affine(start_deg: float, parameters: Doubles) -> Doubles:
    """Affine map (2, 3) that a start rotation and the parameters describe."""
    x, y, xx, xy, yx, yy = parameters[:6]
    cosine, sine = np.cos(np.radians(start_deg)), np.sin(np.radians(start_deg))
    linear = np.array([[1 + xx, xy], [yx, 1 + yy]]) @ np.array([[cosine, -sine], [sine, cosine]])
    return np.column_stack([linear, [x, y]])


def prior(*, tilt: float, offset: float, scale: float, parallax: float, dilation: float) -> Doubles:
    """Inverse covariance of the parameters for given standard deviations; the rotation is all but free."""
    information = np.zeros((PARAMETERS, PARAMETERS))
    half = np.sqrt(0.5)
    directions = [
        ((2, half, 5, -half), tilt),
        ((3, half, 4, half), tilt),
        ((0, 1.0), offset),
        ((1, 1.0), offset),
        ((2, half, 5, half), scale),
        ((3, half, 4, -half), 1.0),  # a radian: it only keeps empty bands solvable
        ((6, 1.0), parallax),
        ((7, 1.0), parallax),
        *(((at, 1.0), dilation) for at in range(8, 12)),
    ]
    for entries, deviation in directions:
        direction = np.zeros(PARAMETERS)
        direction[[int(at) for at in entries[::2]]] = entries[1::2]
        information += np.outer(direction, direction) / deviation**2
    return information


def register(
    seated: EyePicture, supine: EyePicture, start: Candidate, *, bands: Sequence[Band] = BANDS
) -> Registration:
    """Fit the map of the seated onto the supine eye, from a coarse geometry.

    Parameters
    ----------
    seated, supine : EyePicture
    start : Candidate
        Good to about a degree and 3 % of the radius.
    bands : sequence of {"iris", "limbus"}
        Bands that take part.

    Returns
    -------
    Registration
        Always; whether it means anything is for the confidence stage to say.
    """
    parameters = np.zeros(PARAMETERS)
    parameters[[0, 1, 2, 5]] = *start.offset, start.scale, start.scale
    holding = prior(
        tilt=_TILT_SD, offset=_OFFSET_SD, scale=_SCALE_SD, parallax=_PARALLAX_SD, dilation=_DILATION_SD
    )
    finest = 2.5 * 2 * np.pi * min(seated.px_per_radius, supine.px_per_radius)  # finer grids add nothing
    fits: list[_BandFit] = []
    for columns, steps in _LEVELS:
        if columns > max(finest, _LEVELS[0][0]):
            break
        blur = 0.0015 + 0.0022 * (_LEVELS[-1][0] / columns - 1)  # limbus radii, half a cell
        fits = [_BandFit(seated, supine, band, start.rotation_deg, columns, blur) for band in bands]
        for _ in range(steps):
            for fit in fits:
                fit.linearise(parameters)
            parameters = parameters + _robust_step(fits, holding, parameters)
    return Registration(start.rotation_deg, parameters, tuple(fit.votes() for fit in fits))


def _robust_step(fits: Sequence["_BandFit"], holding: Doubles, parameters: Doubles) -> Doubles:
    """Weighted least squares over all patches, reweighted until outliers have lost their vote."""
    step: Doubles = np.zeros(PARAMETERS)
    for _ in range(6):
        normal = holding.copy()
        pull = -holding @ parameters
        for fit in fits:
            normal += np.tensordot(fit.weight, fit.normals, axes=1)
            pull += fit.weight @ fit.pulls
        step = np.asarray(np.linalg.solve(normal, pull), np.float64)
        for fit in fits:
            fit.reweight(step)
    return step


class _BandFit:
    """One band at one resolution: samples, patches and their weights while the map is being fitted."""

    def __init__(
        self, seated: EyePicture, supine: EyePicture, band: Band, start_deg: float, columns: int, blur: float
    ) -> None:
        rows = rows_for(seated.pupil[2], band, columns)
        points = grid(seated.pupil, band, columns, rows=rows)
        # The supine iris is met at the same share of the way from its own pupil to its limbus.
        start = grid(supine.pupil, band, columns, rows=rows, turn_deg=start_deg)
        self.band, self.start, self.supine = band, start, supine
        width = columns // _SECTORS
        height = max(5, rows // max(1, round(rows / width / 1.2)))
        self.patches = (rows // height, height, _SECTORS, width)
        x, y, depth = (self._mean(part) for part in (start.x, start.y, start.depth))
        moves = [_displacement(unit, x, y, depth, band) for unit in np.eye(PARAMETERS)]
        self.basis = np.array(moves).transpose(2, 1, 0)
        self.seated_band = sample(_blurred(seated, blur), seated, points.x, points.y, cubic=True)
        self.seated_valid = sample(seated.valid.astype(np.float32), seated, points.x, points.y) > 0.99
        self.seated_slope = _slopes(self.seated_band)
        self.supine_texture, self.supine_valid = _blurred(supine, blur), supine.valid.astype(np.float32)
        count = self.patches[0] * _SECTORS
        self.information, self.pull = np.zeros((count, 2, 2)), np.zeros((count, 2))
        self.normals, self.pulls = np.zeros((count, PARAMETERS, PARAMETERS)), np.zeros((count, PARAMETERS))
        self.left: Doubles = self.pull
        self.agrees = np.zeros(count, dtype=np.bool_)
        nothing = np.zeros(count)
        self.weight: Doubles = nothing
        self.full_weight: Doubles = nothing
        self.common: Doubles = nothing
        self.correlation: Doubles = nothing
        self.variance: Doubles = nothing

    def _mean(self, values: NDArray[np.floating]) -> Doubles:
        rings, height, sectors, width = self.patches
        blocks = values[: rings * height].reshape(rings, height, sectors, width)
        return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float64).ravel())

    def linearise(self, parameters: Doubles) -> None:
        """Sample the supine band with the present map; normal equations of each patch's displacement."""
        start = self.start
        dx, dy = _displacement(parameters, start.x, start.y, start.depth, self.band)
        x, y = start.x + dx, start.y + dy
        band = sample(self.supine_texture, self.supine, x, y, cubic=True)
        both = (self.seated_valid & (sample(self.supine_valid, self.supine, x, y) > 0.99)).astype(np.float32)
        difference = (self.seated_band - band) * both
        across, down = (
            0.5 * (one + two) * both for one, two in zip(self.seated_slope, _slopes(band), strict=True)
        )
        mean = self._mean
        self.common = mean(both)
        energy = mean(self.seated_band**2 * both), mean(band**2 * both)
        correlation = mean(self.seated_band * band * both) / np.sqrt(energy[0] * energy[1] + 1e-12)
        self.correlation = np.asarray(correlation, np.float64)
        size = self.patches[1] * self.patches[3]
        self.variance = mean(difference**2) / np.maximum(self.common, 1e-6) + 1e-3
        information = np.array([[mean(across**2), mean(across * down)], [mean(across * down), mean(down**2)]])
        pull = np.array([mean(across * difference), mean(down * difference)])
        # From steps of the grid to limbus radii in the supine eye.
        cells = np.array([[mean(part) for part in _slopes(moved)] for moved in (x, y)]).transpose(2, 0, 1)
        to_cells = np.linalg.inv(cells + 1e-12 * np.eye(2))
        turned = to_cells.transpose(0, 2, 1)
        self.information = size * turned @ information.transpose(2, 0, 1) @ to_cells
        self.pull = size * (turned @ pull.T[..., None])[..., 0]
        across_basis = self.basis.transpose(0, 2, 1)
        self.normals = across_basis @ self.information @ self.basis
        self.pulls = (across_basis @ self.pull[..., None])[..., 0]
        usable = self.common > _MIN_COMMON
        self.full_weight = np.where(usable, np.clip(self.correlation, 0.0, 1.0) ** 2 / self.variance, 0.0)
        self.weight = self.full_weight

    def reweight(self, step: Doubles) -> None:
        """Take the vote from patches whose displacement the step does not explain."""
        left = self.pull - (self.information @ (self.basis @ step)[..., None])[..., 0]
        trace = np.trace(self.information, axis1=1, axis2=2)[:, None, None]
        damped = self.information + (1e-3 * trace + 1e-6) * np.eye(2)
        miss = np.einsum("pi,pi->p", left, np.linalg.solve(damped, left[..., None])[..., 0]) / self.variance
        telling = (self.full_weight > 0) & (self.correlation > 0.2)
        # Neighbouring samples share their noise, so that even good patches miss by more than independent
        # samples would; the median (1.39 for chi squared with 2 degrees of freedom) shows by how much.
        excess = max(1.0, float(np.median(miss[telling])) / 1.39) if telling.sum() > 5 else 1.0
        self.left = left
        robust = np.clip(1.0 - miss / (excess * _CUTOFF), 0.0, 1.0) ** 2
        self.agrees = robust > 0.25
        self.weight = self.full_weight * robust / excess

    def votes(self) -> Votes:
        rings = self.patches[0]
        direction = np.tile((np.arange(_SECTORS) + 0.5) * (2 * np.pi / _SECTORS), rings)
        ring = np.repeat(np.arange(rings), _SECTORS)
        return Votes(
            self.band,
            self.basis,
            self.information,
            self.left,
            self.weight,
            self.correlation,
            self.common,
            self.agrees & (self.common > _MIN_COMMON),
            direction,
            ring,
        )


def _blurred(eye: EyePicture, blur: float) -> Floats:
    return np.asarray(cv2.GaussianBlur(eye.texture, (0, 0), blur * eye.px_per_radius + 0.3), np.float32)


def _slopes(band: NDArray[np.floating]) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Give the derivatives along the columns, which close to a ring, and along the rows."""
    return 0.5 * (np.roll(band, -1, axis=1) - np.roll(band, 1, axis=1)), np.gradient(band, axis=0)


def _displacement(
    parameters: Doubles, x: Doubles, y: Doubles, depth: Doubles, band: Band
) -> tuple[Doubles, Doubles]:
    """Displacement (x, y) that the parameters give to points of a band."""
    dx = parameters[0] + parameters[2] * x + parameters[3] * y
    dy = parameters[1] + parameters[4] * x + parameters[5] * y
    if band == "limbus":
        return dx + parameters[6], dy + parameters[7]
    inward = 1.0 - depth  # 1 at the pupil, 0 at the limbus
    stretch = (parameters[10] + parameters[11] * inward) * inward
    return dx + parameters[8] * inward + stretch * x, dy + parameters[9] * inward + stretch * y
