"""Fine registration: one map of the seated onto the supine eye, fitted to many small patches that vote.

The supine bands are sampled with the trial geometry and compared with the seated bands patch by patch; each
patch gives a displacement and how well it is determined in each direction (a vessel says nothing along
itself).  A robust Gauss-Newton step then moves the map; the gradient is the mean of both pictures', which
makes noise cancel instead of biasing (S. Benhimane, E. Malis, doi 10.1109/IROS.2004.1389474).

Only texture that varies along the ring takes part.  What runs round it (shading at the limbus, collarette,
the edges of the masks) says nothing of the rotation, yet would pull at the centre; and where a lid hides half
of the ring, a centre pulled aside is a rotation.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.masks import EyePicture
from torsion.search import Candidate
from torsion.unwrap import BANDS, Band, grid, rows_for, sample
from torsion.votes import MIN_COMMON, PARAMETERS, Votes, affine, displacement, fit_votes, left_over

__all__ = ["Registration", "register"]

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]

_COLUMNS = (360, 720, 1440)  # of the grid, from coarse to fine
_STEPS = 2  # on each grid; more let the map follow noise (seen on turned rings and closure of real photos)
_SECTORS = 60  # patches round the ring
_RUN_DEG = 20.0  # vessels, crypts and folds are narrower than this; limbus, collarette and lid edges are not


@dataclass(frozen=True, slots=True, eq=False)
class Registration:
    """Fitted map from the seated to the supine eye.

    Attributes
    ----------
    start_deg : float
        Rotation about which the parameters are counted.
    parameters : (14,) ndarray
    votes : tuple of Votes
        One entry for each band, at the fitted map.
    """

    start_deg: float
    parameters: Doubles
    votes: tuple[Votes, ...]

    @property
    def matrix(self) -> Doubles:
        """Affine map of seated to supine coordinates (limbus radii, y up), shape (2, 3)."""
        return affine(self.start_deg, self.parameters)


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
    finest = 2.5 * 2 * np.pi * min(seated.px_per_radius, supine.px_per_radius)  # finer grids add nothing
    votes: list[Votes] = []
    for columns in _COLUMNS:
        if columns > max(finest, _COLUMNS[0]):
            break
        blur = 0.0015 + 0.0022 * (_COLUMNS[-1] / columns - 1)  # limbus radii, half a cell
        fits = [_BandFit(seated, supine, band, start.rotation_deg, columns, blur) for band in bands]
        for _ in range(_STEPS):
            votes = [fit.votes(parameters) for fit in fits]
            step = fit_votes(votes, parameters).step
            parameters = parameters + step
    at_end = (replace(vote, pull=left_over(vote, step)) for vote in votes)
    return Registration(start.rotation_deg, parameters, tuple(at_end))


class _BandFit:
    """One band at one resolution: the samples and patches that a map is fitted to."""

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
        moves = [displacement(unit, x, y, depth, band) for unit in np.eye(PARAMETERS)]
        self.basis = np.array(moves).transpose(2, 1, 0)
        band_as_seen = sample(_blurred(seated, blur), seated, points.x, points.y, cubic=True)
        self.seated_valid = sample(seated.valid.astype(np.float32), seated, points.x, points.y) > 0.99
        self.seated_band = _along_ring(band_as_seen, self.seated_valid)
        self.seated_slope = _slopes(self.seated_band)
        self.supine_texture, self.supine_valid = _blurred(supine, blur), supine.valid.astype(np.float32)
        self.direction = np.tile((np.arange(_SECTORS) + 0.5) * (2 * np.pi / _SECTORS), self.patches[0])

    def _mean(self, values: NDArray[np.floating]) -> Doubles:
        rings, height, sectors, width = self.patches
        blocks = values[: rings * height].reshape(rings, height, sectors, width)
        return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float64).ravel())

    def votes(self, parameters: Doubles) -> Votes:
        """Sample the supine band with the present map; what displacement each patch asks for."""
        start = self.start
        dx, dy = displacement(parameters, start.x, start.y, start.depth, self.band)
        x, y = start.x + dx, start.y + dy
        band = sample(self.supine_texture, self.supine, x, y, cubic=True)
        valid = sample(self.supine_valid, self.supine, x, y) > 0.99
        band = _along_ring(band, valid)
        both = (self.seated_valid & valid).astype(np.float32)
        difference = (self.seated_band - band) * both
        across, down = (
            0.5 * (one + two) * both for one, two in zip(self.seated_slope, _slopes(band), strict=True)
        )
        mean = self._mean
        common = mean(both)
        energy = mean(self.seated_band**2 * both), mean(band**2 * both)
        correlation = mean(self.seated_band * band * both) / np.sqrt(energy[0] * energy[1] + 1e-12)
        variance = mean(difference**2) / np.maximum(common, 1e-6) + 1e-3
        information = np.array([[mean(across**2), mean(across * down)], [mean(across * down), mean(down**2)]])
        pull = np.array([mean(across * difference), mean(down * difference)])
        # From steps of the grid to limbus radii in the supine eye.
        cells = np.array([[mean(part) for part in _slopes(moved)] for moved in (x, y)]).transpose(2, 0, 1)
        to_cells = np.linalg.inv(cells + 1e-12 * np.eye(2))
        turned = to_cells.transpose(0, 2, 1)
        size = self.patches[1] * self.patches[3]
        # Of the gradients' power only the part that both photos share tells a displacement; counting the
        # noise too would make a noisy patch ask for too small a step, and so confirm any map it is given.
        shared = np.clip(correlation, 0.2, 1.0)
        return Votes(
            self.band,
            self.basis,
            size * shared[:, None, None] * (turned @ information.transpose(2, 0, 1) @ to_cells),
            size * (turned @ pull.T[..., None])[..., 0],
            variance / shared,
            np.where(common > MIN_COMMON, np.clip(correlation, 0.0, 1.0) ** 2 / variance, 0.0),
            correlation,
            common,
            self.direction,
        )


def _blurred(eye: EyePicture, blur: float) -> Floats:
    return np.asarray(cv2.GaussianBlur(eye.texture, (0, 0), blur * eye.px_per_radius + 0.3), np.float32)


def _along_ring(band: NDArray[np.floating], valid: NDArray[np.bool_]) -> Floats:
    """Take from each row its running mean along the ring, over valid samples; zero where not valid."""
    reach = round(_RUN_DEG / 360.0 * band.shape[1] / 2)
    weight = valid.astype(np.float32)

    def run(values: NDArray[np.floating]) -> Floats:
        closed = np.concatenate([values[:, -reach:], values, values[:, :reach]], axis=1)
        return np.asarray(cv2.blur(closed, (2 * reach + 1, 1))[:, reach:-reach], np.float32)

    return np.asarray((band - run(band * weight) / (run(weight) + 1e-6)) * weight, np.float32)


def _slopes(band: NDArray[np.floating]) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Give the derivatives along the columns, which close to a ring, and along the rows."""
    return 0.5 * (np.roll(band, -1, axis=1) - np.roll(band, 1, axis=1)), np.gradient(band, axis=0)
