"""Coarse search: which rotation, offset and scale make most patches of two eyes correlate.

Each eye is unwrapped once.  Every patch of the seated eye is correlated with the whole supine band at all
circular lags and a few radial shifts; then each trial geometry only looks up, for each patch, the correlation
at the place to which that geometry sends it.  Searching the geometry together with the rotation is what makes
an imperfect limbus fit harmless: a decentration of 5 % bends the angles by 3 degrees.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from torsion.correlate import patch_correlation
from torsion.eye_picture import EyePicture
from torsion.lattice import lattice_blur
from torsion.unwrap import BANDS, Band, Grid, grid, places, sample_at, sample_lattice

__all__ = ["Candidate", "PatchMaps", "best_geometry", "patch_maps"]

Doubles = NDArray[np.float64]

SPAN_DEG = 25.0  # rotations searched round the expected orientation
_COLUMNS = 360  # one degree a column
_ROWS: dict[Band, int] = {"iris": 24, "limbus": 20}
_ZONES: dict[Band, int] = {"iris": 3, "limbus": 2}
_SECTORS = 24
_MAX_SHIFT = 4  # rows by which a patch may move radially
_BLUR = 0.012  # limbus radii, about the size of a column
_OFFSETS = np.arange(-0.12, 0.121, 0.03)  # relative decentration of the two limbus fits, limbus radii
_SCALES = (-0.06, -0.03, 0.0, 0.03, 0.06)
_GEOMETRY = np.array(
    [(dx, dy, scale) for dx in _OFFSETS for dy in _OFFSETS for scale in _SCALES if np.hypot(dx, dy) <= 0.13]
)
_RIVAL_DEG = 4.0  # answers further apart than this are rivals


def _patch_windows() -> NDArray[np.float32]:
    """Weights along the ring of the patches, which overlap: (sectors, columns)."""
    width = 2 * _COLUMNS // _SECTORS
    window = np.zeros(_COLUMNS, np.float32)
    window[:width] = np.hanning(width + 2)[1:-1]
    return np.stack([np.roll(window, start - width // 2) for start in _STARTS])


_STARTS = np.arange(_SECTORS) * _COLUMNS // _SECTORS
_WINDOWS = _patch_windows()


@dataclass(frozen=True, slots=True, eq=False)
class PatchMaps:
    """Evidence of each patch at each lag and radial shift.

    Attributes
    ----------
    evidence : (patches, shifts, columns) ndarray
        Squared positive correlation times overlap, the best of the nearest neighbours.
    total : float
        Sum of the largest overlaps; evidence over this is 1 for a perfect match.
    direction : (patches,) ndarray
        Radians.
    radius, row_height : (patches,) ndarray
        Distance of the patch from the limbus centre, and height of a row there, in limbus radii.
    """

    evidence: NDArray[np.float32]
    total: float
    direction: Doubles
    radius: Doubles
    row_height: Doubles


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """Best geometry found by the coarse search.

    Attributes
    ----------
    rotation_deg : float
        To the nearest degree, of the supine against the seated eye, turn of the view included.
    offset : (float, float)
        Of the supine eye against its limbus circle, in limbus radii, y up.
    scale : float
        Relative size minus one.
    score, rival_score : float
        Evidence of the best geometry, and of the best at rotations over 4 degrees away, 0 to 1.
    curve_deg, curve : (n,) ndarray
        Rotations searched, counted from the expected turn of the view, and the best evidence at each over
        all offsets and scales.
    """

    rotation_deg: float
    offset: tuple[float, float]
    scale: float
    score: float
    rival_score: float
    curve_deg: Doubles
    curve: Doubles


def patch_maps(seated: EyePicture, supine: EyePicture) -> PatchMaps:
    """Correlate each patch of the seated eye with the supine eye at every lag."""
    first, second = _Smooth.of(seated), _Smooth.of(supine)
    parts = [_band_maps(first, second, band) for band in BANDS]
    evidence, highest, direction, radius, row_height = (
        np.concatenate(part) for part in zip(*parts, strict=True)
    )
    return PatchMaps(evidence, float(highest.sum()) + 1e-9, direction, radius, row_height)


def best_geometry(maps: PatchMaps, *, turn_deg: float = 0.0) -> Candidate:
    """Rotation within 25 degrees of a turn, with the offset and scale that suit it best."""
    rotations = np.arange(turn_deg - SPAN_DEG, turn_deg + SPAN_DEG + 1)
    closed = np.concatenate([maps.evidence, maps.evidence[..., : len(rotations) - 1]], axis=2)
    runs = np.lib.stride_tricks.sliding_window_view(closed, len(rotations), axis=2)
    parts = np.array_split(_GEOMETRY, 8)  # all at once would take more memory than the caches hold
    scores = np.concatenate([_scores(maps, runs, part, int(rotations[0]), turn_deg) for part in parts])
    geometry = _GEOMETRY[scores.argmax(axis=0)]
    curve = scores.max(axis=0)
    best = int(curve.argmax())
    rivals = np.abs(rotations - rotations[best]) > _RIVAL_DEG
    dx, dy, scale = (float(value) for value in geometry[best])
    return Candidate(
        float(rotations[best]),
        (dx, dy),
        scale,
        float(curve[best]),
        float(curve[rivals].max()),
        rotations - turn_deg,
        curve,
    )


def _scores(
    maps: PatchMaps, runs: NDArray[np.float32], geometry: Doubles, first: int, turn_deg: float
) -> Doubles:
    """Evidence of some geometries (n, 3) at rotations a degree apart, from the first; `runs` of the maps."""
    dx, dy, scale = geometry.T[..., None]
    cosine, sine = (part(maps.direction + np.radians(turn_deg)) for part in (np.cos, np.sin))
    columns = np.rint(np.degrees(dy * cosine - dx * sine) / maps.radius).astype(int)
    rows = np.rint((dx * cosine + dy * sine + scale * maps.radius) / maps.row_height).astype(int)
    inside = (np.abs(rows) <= _MAX_SHIFT).astype(np.float32)
    at = np.clip(rows + _MAX_SHIFT, 0, maps.evidence.shape[1] - 1)
    found = runs[np.arange(len(maps.direction)), at, (columns + first) % _COLUMNS]
    return np.asarray((inside[:, None] @ found)[:, 0], np.float64) / maps.total


@dataclass(frozen=True, slots=True, eq=False)
class _Smooth:
    """An eye, and its texture as fine as a column: on a lattice of so many pixels."""

    eye: EyePicture
    texture: NDArray[np.float32]
    step: int

    @classmethod
    def of(cls, eye: EyePicture) -> "_Smooth":
        return cls(eye, *lattice_blur(eye.texture, _BLUR * eye.px_per_radius))

    def unwrapped(self, band: Band) -> tuple[NDArray[np.float32], NDArray[np.float32], Grid]:
        """Texture and weight of a band, and its grid."""
        points = grid(self.eye.pupil, band, _COLUMNS, rows=_ROWS[band])
        at = places(self.eye, points.x, points.y)
        weight = sample_at(self.eye.valid.astype(np.float32), at)
        texture = sample_lattice(self.texture, self.step, at)
        return texture, np.where(weight > 0.5, weight, np.float32(0.0)), points


def _band_maps(seated: _Smooth, supine: _Smooth, band: Band) -> tuple[NDArray[np.floating], ...]:
    rows, height = _ROWS[band], _ROWS[band] // _ZONES[band]
    first, first_weight, points = seated.unwrapped(band)
    second, second_weight, _ = supine.unwrapped(band)
    least = 0.25 * height * _WINDOWS[0].sum()  # a quarter of a patch must be seen in both
    evidence = np.zeros((_ZONES[band], _SECTORS, 2 * _MAX_SHIFT + 1, _COLUMNS), np.float32)
    highest = np.zeros((_ZONES[band], _SECTORS))
    beyond = ((_MAX_SHIFT, _MAX_SHIFT), (0, 0))
    second, second_weight = np.pad(second, beyond), np.pad(second_weight, beyond)
    for zone in range(_ZONES[band]):
        own = slice(zone * height, (zone + 1) * height)
        other = slice(own.start, own.stop + 2 * _MAX_SHIFT)
        weights = first_weight[own] * _WINDOWS[:, None]
        seen = weights.sum(axis=(1, 2)) > least
        if not seen.any():
            continue
        correlation, overlap = patch_correlation(
            first[own],
            second[other],
            patch_weights=weights[seen],
            moving_weight=second_weight[other],
            reach=_MAX_SHIFT,
        )
        overlap *= overlap > least
        evidence[zone, seen] = _best_near(np.maximum(correlation, 0.0) ** 2 * overlap)
        highest[zone, seen] = overlap.reshape(len(overlap), -1).max(axis=1)
    middle = (np.arange(_ZONES[band]) * height + height // 2)[:, None]
    x, y = points.x, points.y
    radius = np.hypot(x, y)
    along = np.hypot(x[-1] - x[0], y[-1] - y[0])[_STARTS] / (rows - 1)
    row_height = np.broadcast_to(along, (_ZONES[band], _SECTORS))
    direction = np.broadcast_to(np.radians(_STARTS * 360.0 / _COLUMNS), (_ZONES[band], _SECTORS))
    flat = (part.ravel() for part in (highest, direction, radius[middle, _STARTS], row_height))
    return evidence.reshape(-1, *evidence.shape[2:]), *flat


def _best_near(evidence: NDArray[np.floating]) -> NDArray[np.floating]:
    """Give each place the best of its neighbours too: trial geometries stand further apart than a cell."""
    best = evidence.copy()
    np.maximum(best[:, 1:], evidence[:, :-1], out=best[:, 1:])
    np.maximum(best[:, :-1], evidence[:, 1:], out=best[:, :-1])
    closed = np.concatenate([best[..., -1:], best, best[..., :1]], axis=-1)
    return np.asarray(np.maximum(np.maximum(closed[..., :-2], closed[..., 1:-1]), closed[..., 2:]))
