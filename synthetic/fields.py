"""Arrays that textures are made of: typed wrappers round OpenCV, smooth random fields and polar textures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Float = npt.NDArray[np.float32]
Byte = npt.NDArray[np.uint8]

COLUMNS = 4096
"""Columns of every polar texture at full size: a texel a pixel at the limbus for a radius of 650 pixels."""

_PAD = 4  # columns repeated at both sides, so that interpolation runs across the seam at 0 degrees


def as_float(array: npt.ArrayLike) -> Float:
    """Return `array` as float32, without a copy where it is float32 already."""
    return np.asarray(array, dtype=np.float32)


def wrapped(angle: npt.ArrayLike) -> Float:
    """Return angles in radians, those beyond half a turn brought back to -pi to pi."""
    return as_float(np.arctan2(np.sin(angle), np.cos(angle)))


def resize(image: Float, height: int, width: int, *, area: bool = False) -> Float:
    """Resample `image` to (height, width) by cubic interpolation or, when shrinking, by averaging areas."""
    kind = cv2.INTER_AREA if area else cv2.INTER_CUBIC
    return as_float(cv2.resize(image, (width, height), interpolation=kind))


def blur(image: Float, sigma_px: float, *, sigma_y_px: float | None = None) -> Float:
    """Blur with a Gaussian; `sigma_px` at or below 0.05 leaves the picture as it is."""
    sigma_y = sigma_px if sigma_y_px is None else sigma_y_px
    if max(sigma_px, sigma_y) <= 0.05:
        return image
    sigmas = max(sigma_px, 0.01), max(sigma_y, 0.01)
    return as_float(cv2.GaussianBlur(image, (0, 0), sigmas[0], sigmaY=sigmas[1]))


def blur_around(texture: Float, sigma_px: float, *, sigma_y_px: float | None = None) -> Float:
    """Blur a polar texture (rows, COLUMNS) across its seam."""
    pad = int(4 * sigma_px) + 2
    wide = np.concatenate([texture[:, -pad:], texture, texture[:, :pad]], axis=1)
    return np.ascontiguousarray(blur(wide, sigma_px, sigma_y_px=sigma_y_px)[:, pad:-pad])


def blur_wide(image: Float, sigma_px: float) -> Float:
    """Blur a plane (H, W) with a wide Gaussian at reduced size, for shadows and halos."""
    factor = int(sigma_px / 2.5)
    if factor < 2:
        return blur(image, sigma_px)
    height, width = image.shape
    small = resize(image, max(height // factor, 1), max(width // factor, 1), area=True)
    enlarged = cv2.resize(blur(small, sigma_px / factor), (width, height), interpolation=cv2.INTER_LINEAR)
    return as_float(enlarged)


def bands(height: int, width: int) -> Iterator[slice]:
    """Cut a picture into bands of rows whose arrays fit the processor's cache."""
    step = max(120_000 // width, 8)
    for first in range(0, height, step):
        yield slice(first, min(first + step, height))


def ramp(value: Float, low: float, high: float) -> Float:
    """Rise smoothly from 0 at `low` to 1 at `high` (the other way round when `low` > `high`)."""
    t = np.clip((value - np.float32(low)) * np.float32(1.0 / (high - low)), 0, 1)
    return as_float(t * t * (3 - 2 * t))


def remap(image: Float, columns: Float, rows: Float, *, border: int = cv2.BORDER_REPLICATE) -> Float:
    """Look `image` up at fractional columns and rows, bilinear."""
    return as_float(cv2.remap(image, columns, rows, cv2.INTER_LINEAR, borderMode=border))


def tiled(texture: Float, across: npt.ArrayLike, up: npt.ArrayLike) -> Float:
    """Look a texture that repeats itself up at places of any size about 0."""
    places = (as_float(np.add(place, 4096)) for place in (across, up))
    return remap(texture, *places, border=cv2.BORDER_WRAP)


def cyclic_noise(rng: np.random.Generator, shape: tuple[int, int], cells: tuple[int, int]) -> Float:
    """Draw smooth noise of unit spread that closes on itself along the columns.

    Parameters
    ----------
    rng : numpy.random.Generator
    shape : (rows, columns)
    cells : (rows, columns)
        Number of independent values; the number of columns must be a multiple of the cells along them.
    """
    height, width = shape
    down, across = cells
    if width % across:
        msg = f"cells along a turn must divide {width}, got {across}"
        raise ValueError(msg)
    grid = as_float(rng.standard_normal((down + 3, across)))
    grid = np.concatenate([grid[:, -2:], grid, grid[:, :2]], axis=1)
    step_y, step_x = max(1, round(height / down)), width // across
    big = resize(grid, (down + 3) * step_y, (across + 4) * step_x)
    top = step_y
    return np.ascontiguousarray(big[top : top + height, 2 * step_x : 2 * step_x + width])


def fractal(rng: np.random.Generator, size: int, *, coarsest: int, octaves: int, gain: float = 0.5) -> Float:
    """Draw a square of tiling fractal noise (periodic both ways) of unit spread.

    `coarsest` cells cross the square in the first octave, twice as many in each further one.
    """
    total = np.zeros((size, size), np.float32)
    for octave in range(octaves):
        cells = coarsest * 2**octave
        grid = as_float(rng.standard_normal((cells, cells)))
        grid = np.pad(grid, 2, mode="wrap")
        step = size // cells
        big = resize(grid, (cells + 4) * step, (cells + 4) * step)
        total += np.float32(gain**octave) * big[2 * step : 2 * step + size, 2 * step : 2 * step + size]
    return as_float(total / total.std())


@dataclass(frozen=True, eq=False, slots=True)
class PolarTexture:
    """A texture over one turn of the eye, kept at several sizes so that no view makes it alias.

    Column j of n is centred on the angle (j + 0.5) / n of a turn, counter-clockwise from the right; row i of
    m on the fraction (i + 0.5) / m of the radial range.
    """

    levels: tuple[Float, ...]

    @classmethod
    def build(cls, full: Float, *, count: int = 5, halve_rows: bool = True) -> PolarTexture:
        """Halve `full` (rows, columns[, channels]) `count` - 1 times by averaging areas."""
        levels = []
        for _ in range(count):
            padded = np.concatenate([full[:, -_PAD:], full, full[:, :_PAD]], axis=1)
            padded.setflags(write=False)
            levels.append(padded)
            rows = max(full.shape[0] // 2, 2) if halve_rows else full.shape[0]
            full = resize(full, rows, full.shape[1] // 2, area=True)
        return cls(tuple(levels))

    def sample(self, angle_rad: Float, fraction: Float, *, columns: float) -> Float:
        """Look the texture up at angles in [-pi, pi] and radial fractions from 0 to 1 (clamped), (H, W).

        `columns` is how many pixels the view spends on a turn: the smallest size that offers as many is used.
        """
        return _look(self.levels[self._level(columns)], _turns(angle_rad), fraction)

    def squeezed(self, rows: float) -> PolarTexture:
        """Return the texture averaged down to `rows` along the radius, for a view that squeezes it."""
        count = max(int(rows), 8)
        return PolarTexture(
            tuple(
                resize(level, count, level.shape[1], area=True) if count < level.shape[0] else level
                for level in self.levels
            )
        )

    def sample_blended(self, angle_rad: Float, fraction: Float, columns: Float) -> Float:
        """Look the texture up where the pixels on a turn, `columns` (H, W), differ from place to place."""
        turns = _turns(angle_rad)
        depth = np.log2(np.float32(COLUMNS) / np.maximum(columns, 1))
        depth = np.clip(depth, 0, len(self.levels) - 1)
        first, last = int(np.floor(depth.min())), int(np.ceil(depth.max()))
        out = _look(self.levels[first], turns, fraction)
        for number in range(first + 1, last + 1):
            looked = _look(self.levels[number], turns, fraction)
            weight = np.clip(depth - np.float32(number - 1), 0, 1)
            out += (looked - out) * (weight[:, :, None] if looked.ndim == 3 else weight)
        return out

    def _level(self, columns: float) -> int:
        chosen = 0
        while chosen + 1 < len(self.levels) and COLUMNS / 2 ** (chosen + 1) >= columns:
            chosen += 1
        return chosen


def _turns(angle_rad: Float) -> Float:
    """Angles in [-pi, pi] as turns from 0 to 1."""
    turns = angle_rad * np.float32(1 / (2 * np.pi))
    return as_float(np.where(turns < 0, turns + np.float32(1), turns))


def _look(level: Float, turns: Float, fraction: Float) -> Float:
    """Look a padded level up."""
    n = level.shape[1] - 2 * _PAD
    across = turns * np.float32(n) + np.float32(_PAD - 0.5)
    return remap(level, across, as_float(fraction * np.float32(level.shape[0]) - np.float32(0.5)))


def lookup(table: Float, angle_rad: Float) -> Float:
    """Look a table over one turn (n values, linear between them) up at angles in [-pi, pi]."""
    n = len(table)
    position = angle_rad * np.float32(n / (2 * np.pi)) + np.float32(n)
    low = position.astype(np.int32)
    weight = position - low
    wrapped = np.concatenate([table, table, table[:2]])
    return as_float(wrapped[low] * (1 - weight) + wrapped[low + 1] * weight)


def harmonic_table(
    rng: np.random.Generator, spreads: Sequence[float], *, first: int = 1, size: int = 720
) -> Float:
    """Draw a smooth function of the angle: the harmonic `first` + k has the spread `spreads[k]`."""
    angle = np.arange(size) * (2 * np.pi / size)
    total = np.zeros(size)
    for k, spread in enumerate(spreads):
        a, b = rng.standard_normal(2) * spread / np.sqrt(2)
        total += a * np.cos((first + k) * angle) + b * np.sin((first + k) * angle)
    return as_float(total)
