"""Unwrapping: points of a seated eye's bands on a polar grid, and pictures sampled there.

Columns are directions, counter-clockwise from the right of the picture in equal steps; rows run from inner to
outer.  Coordinates are in limbus radii, x to the right, y up.
"""

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.eye_picture import EyePicture
from torsion.zones import RING

__all__ = [
    "BANDS",
    "Band",
    "Grid",
    "Places",
    "grid",
    "iris_coordinates",
    "iris_point",
    "places",
    "rows_for",
    "sample",
    "sample_at",
    "sample_lattice",
]

Band = Literal["iris", "limbus"]
BANDS: tuple[Band, ...] = ("iris", "limbus")
Doubles = NDArray[np.float64]
Places = tuple[NDArray[np.float32], NDArray[np.float32]]  # columns and rows in a cut

_TURNS = 8
_IRIS_SPAN = (0.08, 0.93)  # share of the way from pupil to limbus; both edges move with focus and light


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Points of one band.

    Attributes
    ----------
    band : {"iris", "limbus"}
    left, low, length : (rows, 1) ndarray
        Centre and radius of the circle on which a row lies, limbus radii.
    depth : (rows, 1) ndarray
        Iris: share of the way from pupil to limbus; limbal band: radius.
    cosine, sine : (columns,) ndarray
        Of the direction of each column.
    """

    band: Band
    left: Doubles
    low: Doubles
    length: Doubles
    depth: Doubles
    cosine: Doubles
    sine: Doubles

    @property
    def x(self) -> NDArray[np.float32]:
        """Position to the right in limbus radii, (rows, columns), good to a 10,000th of a pixel."""
        return _circles(self.left, self.length, self.cosine)

    @property
    def y(self) -> NDArray[np.float32]:
        """Position upwards, likewise."""
        return _circles(self.low, self.length, self.sine)


def grid(
    pupil: tuple[float, float, float], band: Band, columns: int, *, rows: int, turn_deg: float = 0.0
) -> Grid:
    """Polar grid of a band.

    The iris is normalised between pupil and limbus, each about its own centre (the rubber sheet of
    J. Daugman, doi 10.1109/34.244676), so that a structure keeps its place when the pupil changes its size.

    Parameters
    ----------
    pupil : (float, float, float)
        Centre (x right, y up) and radius in limbus radii.
    band : {"iris", "limbus"}
    columns : int
        Samples for the full turn.
    rows : int
        Samples from the inner to the outer edge of the band.
    turn_deg : float, default 0
        Direction of the first column.
    """
    angles = np.arange(columns) * (2 * np.pi / columns) + np.radians(turn_deg)
    part = ((np.arange(rows) + 0.5) / rows)[:, None]
    if band == "iris":
        depth = _IRIS_SPAN[0] + part * (_IRIS_SPAN[1] - _IRIS_SPAN[0])
        inner = 1 - depth
        left, low, length = inner * pupil[0], inner * pupil[1], inner * pupil[2] + depth
    else:
        depth = length = np.exp(np.log(RING[0]) + part * np.log(RING[1] / RING[0]))
        left = low = np.zeros_like(length)
    return Grid(band, left, low, length, depth, np.cos(angles), np.sin(angles))


def _circles(middle: Doubles, length: Doubles, share: Doubles) -> NDArray[np.float32]:
    return middle.astype(np.float32) + length.astype(np.float32) * share.astype(np.float32)


def iris_point(
    pupil: tuple[float, float, float], angle_deg: Doubles, depth: Doubles
) -> tuple[Doubles, Doubles]:
    """Points (x, y) of an iris at angles and depths, as `grid` places them."""
    angle, inner = np.radians(angle_deg), 1.0 - depth
    length = inner * pupil[2] + depth
    return inner * pupil[0] + length * np.cos(angle), inner * pupil[1] + length * np.sin(angle)


def iris_coordinates(pupil: tuple[float, float, float], x: Doubles, y: Doubles) -> tuple[Doubles, Doubles]:
    """Angles (degrees) and depths of points of an iris: the reverse of `iris_point`."""
    angle, depth = np.arctan2(y, x), np.zeros_like(x)
    for _ in range(_TURNS):  # each leaves a tenth of the error: pupils are little off the centre
        across, up = x - (1.0 - depth) * pupil[0], y - (1.0 - depth) * pupil[1]
        angle = np.arctan2(up, across)
        depth = (np.hypot(across, up) - pupil[2]) / (1.0 - pupil[2])
    return np.degrees(angle), depth


def rows_for(pupil_radius: float, band: Band, columns: int) -> int:
    """Rows that make the cells of a band nearly square."""
    if band == "iris":
        return max(12, int((1.0 - pupil_radius) * 1.06 * columns / (2 * np.pi)))
    return max(8, int(np.log(RING[1] / RING[0]) * columns / (2 * np.pi)))


def sample(
    picture: NDArray[np.float32],
    eye: EyePicture,
    x: NDArray[np.floating],
    y: NDArray[np.floating],
    *,
    cubic: bool = False,
) -> NDArray[np.float32]:
    """Values of a picture of the cut's size at points given in limbus radii; zero outside the cut."""
    return sample_at(picture, places(eye, x, y), cubic=cubic)


def places(eye: EyePicture, x: NDArray[np.floating], y: NDArray[np.floating]) -> Places:
    """Where points given in limbus radii lie in the cut; worked out once for several pictures of its size."""
    centre, px = eye.valid.shape[0] // 2, eye.px_per_radius
    columns = (centre + x * px).astype(np.float32, copy=False)
    rows = (centre - y * px).astype(np.float32, copy=False)
    return columns, rows


def sample_at(picture: NDArray[np.float32], at: Places, *, cubic: bool = False) -> NDArray[np.float32]:
    """Values of a picture of the cut's size at places in it; zero outside the cut."""
    method = cv2.INTER_CUBIC if cubic else cv2.INTER_LINEAR
    values = cv2.remap(picture, *at, method, borderMode=cv2.BORDER_CONSTANT, borderValue=0.0)
    return np.asarray(values, np.float32)


def sample_lattice(values: NDArray[np.float32], step: int, at: Places) -> NDArray[np.float32]:
    """Values of a map on a lattice of `step` pixels, at places in the cut; beyond it those of its edge."""
    middle = (step - 1) / 2.0  # of the pixels that a point of the lattice stands for
    columns, rows = ((place - np.float32(middle)) / np.float32(step) for place in at)
    found = cv2.remap(values, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, np.float32)
