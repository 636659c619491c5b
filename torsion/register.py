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

from torsion.deformation import PARAMETERS, affine, displacement
from torsion.eye_picture import EyePicture
from torsion.search import Candidate
from torsion.unwrap import BANDS, Band, Grid, Places, grid, rows_for, sample_at
from torsion.votes import MIN_COMMON, Votes, at_rest, fit_votes

__all__ = ["Registration", "register"]

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]

# Of the grid, from coarse to fine. The circles of the iris are shorter, so that fewer are as close together:
# at the finest about as many samples as the picture has pixels; more cost time and add nothing that shows.
_COLUMNS: dict[Band, tuple[int, ...]] = {"iris": (360, 720, 960), "limbus": (360, 720, 1440)}
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
    parameters : (16,) ndarray
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
        Right to about a degree and 3 % of the radius.
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
    valids = [eye.valid.astype(np.float32) for eye in (seated, supine)]
    votes: list[Votes] = []
    widest = _COLUMNS["limbus"]
    for level, columns in enumerate(widest):
        if columns > max(finest, widest[0]):
            break
        blur = 0.0015 + 0.0022 * (widest[-1] / columns - 1)  # limbus radii: half a cell of the limbal band
        first, second = (
            _Side.of(eye, valid, blur) for eye, valid in zip((seated, supine), valids, strict=True)
        )
        fits = [_BandFit(first, second, band, start.rotation_deg, _COLUMNS[band][level]) for band in bands]
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
    def of(cls, eye: EyePicture, valid: Floats, blur: float) -> "_Side":
        texture = cv2.GaussianBlur(eye.texture, (0, 0), blur * eye.px_per_radius + 0.3)
        return cls(eye, np.asarray(texture, np.float32), valid)

    def band(self, at: Places) -> tuple[Floats, Floats]:
        """Texture along the ring at places of a band, and 1 where all of it is valid, else 0."""
        valid = np.asarray(sample_at(self.valid, at) > 0.99, np.float32)
        return _along_ring(sample_at(self.texture, at, cubic=True), valid), valid


class _Rings:
    """Grid of a band, moved by a map: each row is an ellipse, of which the columns are the directions.

    So a map needs to be worked out for three points of each row only: the centre of its circle, and the
    points to the right and at the top; what lies between follows from the cosine and sine of the columns.
    """

    def __init__(self, points: Grid) -> None:
        self.points = points
        self.columns = np.array([np.ones_like(points.cosine), points.cosine, points.sine])
        self.single = self.columns.astype(np.float32)

    def moved(self, parameters: Doubles) -> Doubles:
        """Centre of each row, and what its cosine and sine add to it: (x or y, rows, 3)."""
        p = self.points
        x, y = np.hstack([p.left, p.left + p.length, p.left]), np.hstack([p.low, p.low, p.low + p.length])
        ends = np.array(displacement(parameters + _IDENTITY, x, y, p.depth, p.band))
        ends[..., 1:] -= ends[..., :1]
        return ends

    def places(self, moved: Doubles, eye: EyePicture) -> Places:
        """Places of all points of the grid in the cut of an eye."""
        centre, px = eye.valid.shape[0] // 2, eye.px_per_radius
        columns, rows = (moved * np.array([px, -px])[:, None, None]).astype(np.float32)
        columns[:, 0] += centre
        rows[:, 0] += centre
        return columns @ self.single, rows @ self.single


class _BandFit:
    """One band at one resolution: the samples and patches that a map is fitted to."""

    def __init__(self, seated: _Side, supine: _Side, band: Band, start_deg: float, columns: int) -> None:
        rows = rows_for(seated.eye.pupil[2], band, columns)
        points = _Rings(grid(seated.eye.pupil, band, columns, rows=rows))
        # The supine iris is met at the same share of the way from its own pupil to its limbus.
        start = grid(supine.eye.pupil, band, columns, rows=rows, turn_deg=start_deg)
        self.band, self.supine, self.rings = band, supine, _Rings(start)
        width = columns // _SECTORS
        height = max(5, rows // max(1, round(rows / width / 1.2)))
        self.patches = (rows // height, height, _SECTORS, width)
        self.middles = self.rings.columns.reshape(3, _SECTORS, width).mean(axis=2)
        sides = 0.5 * (self.rings.columns + np.roll(self.rings.columns, 1, axis=1))[:, ::width]
        self.widths = (np.roll(sides, -1, axis=1) - sides) / width
        at_start = np.zeros(PARAMETERS)
        x, y = (self._ring_means(self.rings.moved(at_start)) @ self.middles).reshape(2, -1)
        depth = np.repeat(self._ring_means(start.depth), _SECTORS)
        units = np.eye(PARAMETERS)[..., None]  # one parameter of each, for all patches
        self.basis = np.array(displacement(units, x, y, depth, band)).transpose(2, 0, 1)
        at = points.places(points.moved(at_start), seated.eye)
        self.seated_band, self.seated_valid = seated.band(at)
        self.seated_slopes = _slopes(self.seated_band)
        self.direction = np.tile((np.arange(_SECTORS) + 0.5) * (2 * np.pi / _SECTORS), self.patches[0])

    def _ring_means(self, rows: Doubles) -> Doubles:
        """Mean over the rows of each ring of patches, of (..., rows, n)."""
        rings, height, *_ = self.patches
        inside = rows[..., : rings * height, :].reshape(*rows.shape[:-2], rings, height, -1)
        return np.asarray(inside.mean(axis=-2))

    def _mean(self, values: Floats, others: Floats) -> Doubles:
        """Mean over each patch of the products of two maps of the grid."""
        rings, height, sectors, width = self.patches
        shape = rings, height, sectors * width
        one, other = (part[: rings * height].reshape(shape) for part in (values, others))
        columns = np.einsum("rhc,rhc->rc", one, other)
        sums = np.add.reduce(columns.reshape(-1, width), axis=1, dtype=np.float64)
        return np.asarray(sums / (height * width))

    def _around(self, values: Doubles) -> Doubles:
        """Sum over each patch and its neighbours along the ring."""
        rings = values.reshape(self.patches[0], _SECTORS)
        closed = np.hstack([rings[:, -_AROUND:], rings, rings[:, :_AROUND]])
        near = sum(closed[:, first : first + _SECTORS] for first in range(2 * _AROUND + 1))
        return np.asarray(near).ravel()

    def _cells(self, moved: Doubles) -> Doubles:
        """Give the steps along columns and rows of the grid: (2, x or y, patches)."""
        rings, height, *_ = self.patches
        first, last = moved[:, ::height][:, :rings], moved[:, height - 1 :: height]
        across, down = self._ring_means(moved) @ self.widths, (last - first) / (height - 1) @ self.middles
        return np.stack([across, down]).reshape(2, 2, -1)

    def _to_cells(self, moved: Doubles) -> Doubles:
        """Give the way back from limbus radii to steps of the grid, for each patch: (patches, 2, 2)."""
        (across_x, across_y), (down_x, down_y) = self._cells(moved)
        inverse = np.array([[down_y, -down_x], [-across_y, across_x]])
        cells: Doubles = inverse / (across_x * down_y - across_y * down_x + 1e-24)
        return cells.transpose(2, 0, 1)

    def _share(self, shared_power: Doubles, power: Doubles) -> Doubles:
        """Share of the gradients' power that both photos have in common, about each patch."""
        return np.clip(self._around(shared_power) / (self._around(power) + 1e-12), 0.1, 1.0)

    def votes(self, parameters: Doubles) -> Votes:
        """Sample the supine band with the present map; what displacement each patch asks for."""
        moved = self.rings.moved(parameters)
        band, valid = self.supine.band(self.rings.places(moved, self.supine.eye))
        # Large arrays are worked on in place: new ones take longer to be given memory than to be computed.
        slopes, mean, both = _slopes(band), self._mean, np.multiply(self.seated_valid, valid, out=valid)
        seated, supine = self.seated_band * both, np.multiply(band, both, out=band)
        common, product = mean(both, both), mean(seated, supine)  # both is 0 or 1
        energy = mean(seated, seated), mean(supine, supine)
        difference = np.subtract(seated, supine, out=seated)
        correlation = product / np.sqrt(energy[0] * energy[1] + 1e-12)
        squares = np.maximum(energy[0] + energy[1] - 2.0 * product, 0.0)
        variance = squares / np.maximum(common, 1e-6) + 1e-3
        own = tuple(np.multiply(slope, both, out=slope) for slope in slopes)
        shared_power = mean(own[0], self.seated_slopes[0]) + mean(own[1], self.seated_slopes[1])
        across, down = _means_into(own, self.seated_slopes, both)
        mixed = mean(across, down)
        information = np.array([[mean(across, across), mixed], [mixed, mean(down, down)]])
        pull = np.array([mean(across, difference), mean(down, difference)])
        # From steps of the grid to limbus radii in the supine eye.
        to_cells = self._to_cells(moved)
        turned = to_cells.transpose(0, 2, 1)
        size = self.patches[1] * self.patches[3]
        # Of the gradients' power only the part that both photos share tells a displacement; counting the
        # noise too would make a noisy patch ask for too small a step, and so confirm any map it is given.
        shared = np.clip(correlation, 0.2, 1.0)
        # Noise is finer than texture, so of the gradients less is shared than of the texture. Steps so large
        # would follow the noise; but how sure the last one is depends on what is truly shared.
        truly_shared = self._share(shared_power, information[0, 0] + information[1, 1])
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


def _means_into(slopes: tuple[Floats, ...], others: tuple[Floats, ...], both: Floats) -> tuple[Floats, ...]:
    """Means of two photos' slopes where both count, in place of the first ones."""
    for one, other in zip(slopes, others, strict=True):
        one += other
        one *= both
        one *= np.float32(0.5)
    return slopes


def _along_ring(band: Floats, valid: Floats) -> Floats:
    """Take from each row, in place, its running mean along the ring over valid samples; zero elsewhere."""
    reach = round(_RUN_DEG / 360.0 * band.shape[1] / 2)

    def run(values: Floats) -> Floats:
        closed = cv2.copyMakeBorder(values, 0, 0, reach, reach, cv2.BORDER_WRAP)
        return np.asarray(cv2.blur(closed, (2 * reach + 1, 1))[:, reach:-reach], np.float32)

    band *= valid
    mean, share = run(band), run(valid)
    share += np.float32(1e-6)
    mean /= share
    mean *= valid
    return np.subtract(band, mean, out=band)


def _slopes(band: Floats) -> tuple[Floats, Floats]:
    """Give the derivatives along the columns, which close to a ring, and along the rows."""
    along, down = np.empty_like(band), np.empty_like(band)
    np.subtract(band[:, 2:], band[:, :-2], out=along[:, 1:-1])
    along[:, 0], along[:, -1] = band[:, 1] - band[:, -1], band[:, 0] - band[:, -2]
    np.subtract(band[2:], band[:-2], out=down[1:-1])
    down[0], down[-1] = 2.0 * (band[1] - band[0]), 2.0 * (band[-1] - band[-2])
    along *= np.float32(0.5)
    down *= np.float32(0.5)
    return along, down
