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
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.masks import EyePicture
from torsion.search import Candidate
from torsion.unwrap import BANDS, Band, grid, places, rows_for, sample_at
from torsion.votes import MIN_COMMON, PARAMETERS, Votes, affine, at_rest, displacement, fit_votes

__all__ = ["Registration", "register"]

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]

_COLUMNS = (360, 720, 1440)  # of the grid, from coarse to fine
_STEPS = 2  # on each grid; more let the map follow noise (seen on turned rings and closure of real photos)
_IDENTITY = np.eye(PARAMETERS)[[2, 5]].sum(axis=0)  # with it, displacements are places
_SECTORS = 60  # patches round the ring
_AROUND = 3  # patches to each side, 42 degrees in all: as far as a lid, a shadow or a red eye reaches
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
        first, second = _Side.of(seated, blur), _Side.of(supine, blur)
        fits = [_BandFit(first, second, band, start.rotation_deg, columns) for band in bands]
        for _ in range(_STEPS):
            votes = [fit.votes(parameters) for fit in fits]
            step = fit_votes(votes, parameters).step
            parameters = parameters + step
    return Registration(start.rotation_deg, parameters, tuple(at_rest(vote, step) for vote in votes))


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One eye at one resolution, in single precision: a pixel's place is good to 0.0001."""

    eye: EyePicture
    texture: Floats
    valid: Floats

    @classmethod
    def of(cls, eye: EyePicture, blur: float) -> "_Side":
        texture = cv2.GaussianBlur(eye.texture, (0, 0), blur * eye.px_per_radius + 0.3)
        return cls(eye, np.asarray(texture, np.float32), eye.valid.astype(np.float32))

    def band(self, x: Floats, y: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Texture along the ring at points of a band, and where all of it is valid."""
        at = places(self.eye, x, y)
        valid = sample_at(self.valid, at) > 0.99
        return _along_ring(sample_at(self.texture, at, cubic=True), valid), valid


class _BandFit:
    """One band at one resolution: the samples and patches that a map is fitted to."""

    def __init__(self, seated: _Side, supine: _Side, band: Band, start_deg: float, columns: int) -> None:
        rows = rows_for(seated.eye.pupil[2], band, columns)
        points = grid(seated.eye.pupil, band, columns, rows=rows)
        # The supine iris is met at the same share of the way from its own pupil to its limbus.
        start = grid(supine.eye.pupil, band, columns, rows=rows, turn_deg=start_deg)
        self.band, self.supine = band, supine
        self.x, self.y = _single(start.x), _single(start.y)
        self.depth = _single(start.depth[:, :1])
        width = columns // _SECTORS
        height = max(5, rows // max(1, round(rows / width / 1.2)))
        self.patches = (rows // height, height, _SECTORS, width)
        x, y, depth = (self._mean(part) for part in (self.x, self.y, _single(start.depth)))
        moves = [displacement(unit, x, y, depth, band) for unit in np.eye(PARAMETERS)]
        self.basis = np.array(moves).transpose(2, 1, 0)
        self.seated_band, self.seated_valid = seated.band(_single(points.x), _single(points.y))
        self.seated_slopes = _slopes(self.seated_band)
        self.direction = np.tile((np.arange(_SECTORS) + 0.5) * (2 * np.pi / _SECTORS), self.patches[0])

    def _mean(self, values: Floats) -> Doubles:
        """Mean over each patch."""
        rings, height, sectors, _ = self.patches
        means = cv2.resize(values[: rings * height], (sectors, rings), interpolation=cv2.INTER_AREA)
        return np.asarray(means, np.float64).ravel()

    def _around(self, values: Doubles) -> Doubles:
        """Sum over each patch and its neighbours along the ring."""
        rings = values.reshape(self.patches[0], _SECTORS)
        near = (np.roll(rings, by, axis=1) for by in range(-_AROUND, _AROUND + 1))
        return np.asarray(sum(near), np.float64).ravel()

    def _cells(self, moved: Floats) -> tuple[Doubles, Doubles]:
        """Mean slopes of a coordinate along columns and rows, over each patch: only its rim counts."""
        rings, height, sectors, width = self.patches
        used = moved[: rings * height]
        left = 0.5 * (used[:, ::width] + np.roll(used[:, width - 1 :: width], 1, axis=1))
        left = left.reshape(rings, height, sectors).mean(axis=1, dtype=np.float64)
        below, above = used[height - 1 :: height], moved[height::height][:rings]
        first = 3.0 * moved[:1] - moved[1:2]  # beyond the edge the last step is repeated
        if len(above) < rings:
            above = np.concatenate([above, 2.0 * moved[-1:] - moved[-2:-1]])
        top = 0.5 * np.concatenate([first, below + above])
        top = top.reshape(rings + 1, sectors, width).mean(axis=2, dtype=np.float64)
        return (np.roll(left, -1, axis=1) - left).ravel() / width, np.diff(top, axis=0).ravel() / height

    def votes(self, parameters: Doubles) -> Votes:
        """Sample the supine band with the present map; what displacement each patch asks for."""
        to_places = (parameters + _IDENTITY).astype(np.float32)
        x, y = displacement(to_places, self.x, self.y, self.depth, self.band)
        band, valid = self.supine.band(x, y)
        both = (self.seated_valid & valid).astype(np.float32)
        seated, supine = self.seated_band * both, band * both
        difference = seated - supine
        half, slopes = np.float32(0.5) * both, _slopes(band)
        across, down = (
            (one + other) * half for one, other in zip(self.seated_slopes, slopes, strict=True)
        )  # the mean of both slopes
        mean = self._mean
        common, product = mean(both), mean(seated * supine)
        energy = mean(seated * seated), mean(supine * supine)
        correlation = product / np.sqrt(energy[0] * energy[1] + 1e-12)
        squares = np.maximum(energy[0] + energy[1] - 2.0 * product, 0.0)
        variance = squares / np.maximum(common, 1e-6) + 1e-3
        mixed = mean(across * down)
        information = np.array([[mean(across * across), mixed], [mixed, mean(down * down)]])
        pull = np.array([mean(across * difference), mean(down * difference)])
        # From steps of the grid to limbus radii in the supine eye.
        cells = np.array([self._cells(moved) for moved in (x, y)]).transpose(2, 0, 1)
        to_cells = np.linalg.inv(cells + 1e-12 * np.eye(2))
        turned = to_cells.transpose(0, 2, 1)
        size = self.patches[1] * self.patches[3]
        # Of the gradients' power only the part that both photos share tells a displacement; counting the
        # noise too would make a noisy patch ask for too small a step, and so confirm any map it is given.
        shared = np.clip(correlation, 0.2, 1.0)
        # Noise is finer than texture, so of the gradients less is shared than of the texture. Steps so large
        # would follow the noise; but how sure the last one is depends on what is truly shared.
        power = information[0, 0] + information[1, 1]
        shared_power = mean(both * (self.seated_slopes[0] * slopes[0] + self.seated_slopes[1] * slopes[1]))
        truly_shared = np.clip(self._around(shared_power) / (self._around(power) + 1e-12), 0.1, 1.0)
        return Votes(
            self.band,
            self.basis,
            size * shared[:, None, None] * (turned @ information.transpose(2, 0, 1) @ to_cells),
            size * (turned @ pull.T[..., None])[..., 0],
            variance / shared,
            truly_shared / shared,
            np.where(common > MIN_COMMON, np.clip(correlation, 0.0, 1.0) ** 2 / variance, 0.0),
            correlation,
            common,
            self.direction,
        )


def _single(values: NDArray[np.floating]) -> Floats:
    return np.asarray(values, np.float32)


def _along_ring(band: Floats, valid: NDArray[np.bool_]) -> Floats:
    """Take from each row its running mean along the ring, over valid samples; zero where not valid."""
    reach = round(_RUN_DEG / 360.0 * band.shape[1] / 2)
    weight = valid.astype(np.float32)

    def run(values: Floats) -> Floats:
        closed = cv2.copyMakeBorder(values, 0, 0, reach, reach, cv2.BORDER_WRAP)
        return np.asarray(cv2.blur(closed, (2 * reach + 1, 1))[:, reach:-reach], np.float32)

    return (band - run(band * weight) / (run(weight) + np.float32(1e-6))) * weight


def _slopes(band: Floats) -> tuple[Floats, Floats]:
    """Give the derivatives along the columns, which close to a ring, and along the rows."""
    half = np.float32(0.5)
    closed = cv2.copyMakeBorder(band, 0, 0, 1, 1, cv2.BORDER_WRAP)
    along = (closed[:, 2:] - closed[:, :-2]) * half
    down = np.empty_like(band)
    down[1:-1] = (band[2:] - band[:-2]) * half
    down[0], down[-1] = band[1] - band[0], band[-1] - band[-2]
    return along, down
