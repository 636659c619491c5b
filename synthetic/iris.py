"""The iris as a polar texture: fibres, collarette, crypts, furrows and pigment."""

from __future__ import annotations

from typing import Literal, NamedTuple, get_args

import cv2
import numpy as np

from synthetic.fields import COLUMNS, Float, as_float, blur_around, cyclic_noise, ramp, remap

IrisColor = Literal["brown", "lightbrown", "hazel", "green", "blue", "grey"]
IRIS_COLORS: tuple[IrisColor, ...] = get_args(IrisColor)
ROWS = 448
"""Rows of the texture: pupil margin (0) to iris root (1)."""


class _Palette(NamedTuple):
    """Colours (RGB, 0 to 255) from the darkest to the lightest, and how strongly the relief shows."""

    dark: tuple[int, int, int]
    middle: tuple[int, int, int]
    light: tuple[int, int, int]
    inner: tuple[int, int, int]  # tint of the pupillary zone
    relief: float
    crypts: int
    inner_weight: float


_PALETTES: dict[str, _Palette] = {
    "brown": _Palette((26, 15, 10), (60, 36, 23), (118, 78, 50), (72, 40, 22), 0.55, 16, 0.3),
    "lightbrown": _Palette((38, 23, 13), (92, 60, 35), (156, 112, 72), (104, 62, 30), 0.75, 22, 0.35),
    "hazel": _Palette((46, 36, 18), (112, 90, 48), (172, 148, 92), (126, 74, 30), 0.8, 26, 0.75),
    "green": _Palette((42, 46, 34), (106, 110, 80), (172, 174, 138), (142, 102, 52), 0.9, 30, 0.6),
    "blue": _Palette((40, 54, 68), (98, 120, 140), (188, 204, 214), (158, 148, 124), 1.0, 30, 0.4),
    "grey": _Palette((48, 56, 62), (116, 126, 132), (196, 202, 204), (150, 140, 120), 1.0, 30, 0.4),
}


def iris_textures(rng: np.random.Generator, color: IrisColor) -> tuple[Float, Float]:
    """Draw the iris.

    Parameters
    ----------
    rng : numpy.random.Generator
    color : {"brown", "lightbrown", "hazel", "green", "blue", "grey"}
        Brown is dark with little texture, hence hard to register; blue and grey show every fibre.

    Returns
    -------
    rgb : ndarray (ROWS, COLUMNS, 3) float32
        0 to 1, as under white light; row 0 at the pupil margin, column 0 at 0 degrees, counter-clockwise.
    infrared : ndarray (ROWS, COLUMNS) float32
        0 to 1, as under near infra-red light, where pigment is transparent and the relief shows in every eye.
    """
    palette = _PALETTES[color]
    s = as_float((np.arange(ROWS) + 0.5) / ROWS)[:, None]
    edge = _collarette(rng)
    outside = ramp(as_float(s - edge), -0.03, 0.035)
    relief = _fibres(rng, outside)
    crypts, rims = _crypts(rng, edge, palette.crypts)
    furrows = _furrows(rng)
    ridge = np.exp(-(((s - edge) / 0.028) ** 2)) * (0.6 + 0.35 * cyclic_noise(rng, (ROWS, COLUMNS), (4, 128)))
    mottle = sum(
        w * cyclic_noise(rng, (ROWS, COLUMNS), c)
        for w, c in ((0.5, (4, 16)), (0.35, (9, 64)), (0.25, (28, 256)))
    )
    shape = as_float(0.62 * relief + 0.5 * ridge + 0.45 * rims - 1.5 * crypts + 0.3 * furrows + 0.16 * mottle)
    level = 0.47 + 0.34 * palette.relief * shape - 0.10 * ramp(s, 0.72, 1.05) + 0.07 * (1 - outside)
    inner = palette.inner_weight * ramp(as_float(s - edge + 0.07 * mottle), 0.22, -0.12)
    rgb = _paint(palette, as_float(level), as_float(inner))
    rgb *= 1 - _spots(rng, color)[:, :, None] * as_float([0.48, 0.75, 0.88])
    ruff = ramp(as_float(s + 0.006 * cyclic_noise(rng, (ROWS, COLUMNS), (2, 128))), 0.035, 0.012)[:, :, None]
    rgb = rgb * (1 - 0.8 * ruff) + as_float([0.10, 0.055, 0.03]) * 0.8 * ruff
    infrared = 0.52 + 0.24 * shape - 0.25 * ruff[:, :, 0]
    return (
        _soften_inside(as_float(np.clip(rgb, 0, 1))),
        _soften_inside(as_float(np.clip(infrared, 0.02, 1))),
    )


def _collarette(rng: np.random.Generator) -> Float:
    """Radial fraction of the collarette along the turn: a ragged ring, wider on one side."""
    parts = ((0.035, 4), (0.022, 16), (0.016, 64), (0.008, 128))
    wave = sum(w * cyclic_noise(rng, (1, COLUMNS), (1, n)) for w, n in parts)
    return as_float(0.30 + rng.uniform(-0.05, 0.06) + wave)


def _ridged(rng: np.random.Generator, cells: tuple[int, int]) -> Float:
    """Noise folded at zero: thin bright crests that fork, as fibres do."""
    return as_float(0.8 - 1.6 * np.abs(cyclic_noise(rng, (ROWS, COLUMNS), cells)))


def _fibres(rng: np.random.Generator, outside: Float) -> Float:
    """Radial fibres at several scales; the pupillary zone has its own, finer and straighter."""
    coarse = sum(
        w * _ridged(rng, c)
        for w, c in ((0.5, (2, 128)), (0.62, (3, 256)), (0.42, (6, 512)), (0.26, (10, 1024)))
    )
    fine = sum(w * _ridged(rng, c) for w, c in ((0.35, (2, 256)), (0.4, (3, 512)), (0.3, (4, 1024))))
    wave = 24 * cyclic_noise(rng, (ROWS, COLUMNS), (3, 32)) + 5 * cyclic_noise(rng, (ROWS, COLUMNS), (9, 128))
    columns, rows = np.meshgrid(np.arange(COLUMNS, dtype=np.float32), np.arange(ROWS, dtype=np.float32))
    mixed = as_float(outside * coarse + (1 - outside) * fine)
    warped = remap(mixed, as_float(columns + wave), rows, border=cv2.BORDER_WRAP)
    # Bundles: whole groups of fibres stand higher than their neighbours.
    bundles = 0.75 + 0.3 * cyclic_noise(rng, (ROWS, COLUMNS), (3, 64))
    return as_float(np.tanh(1.3 * warped) * bundles)


def _stamp(
    layer: Float, x: float, y: float, axes: tuple[float, float], tilt_deg: float, value: float
) -> None:
    """Fill an ellipse on a polar layer, repeated across the seam."""
    size = (max(1, round(axes[0] * 16)), max(1, round(axes[1] * 16)))
    for turn in (-COLUMNS, 0, COLUMNS):
        center = (round((x + turn) * 16), round(y * 16))
        cv2.ellipse(layer, center, size, tilt_deg, 0, 360, value, -1, cv2.LINE_8, 4)


def _crypts(rng: np.random.Generator, edge: Float, count: int) -> tuple[Float, Float]:
    """Holes in the stroma, lens-shaped and most of them at the collarette; and their bright rims."""
    holes = np.zeros((ROWS, COLUMNS), np.float32)
    for k in range(count + int(rng.integers(0, 12))):
        x = rng.uniform(0, COLUMNS)
        near = k % 3 != 0
        s = edge[0, int(x)] + rng.uniform(-0.02, 0.12) if near else rng.uniform(0.45, 0.9)
        length = rng.uniform(14, 44) if near else rng.uniform(6, 20)
        width = length * rng.uniform(0.5, 1.3) if near else length * rng.uniform(0.7, 2.0)
        _stamp(
            holes, x, float(s) * ROWS, (width, length), rng.uniform(-20, 20), float(rng.uniform(0.35, 1.0))
        )
    wobble = (
        8 * cyclic_noise(rng, (ROWS, COLUMNS), (16, 128)),
        7 * cyclic_noise(rng, (ROWS, COLUMNS), (20, 128)),
    )
    columns, rows = np.meshgrid(np.arange(COLUMNS, dtype=np.float32), np.arange(ROWS, dtype=np.float32))
    holes = remap(holes, as_float(columns + wobble[0]), as_float(rows + wobble[1]), border=cv2.BORDER_WRAP)
    soft = 0.5 * blur_around(holes, 2.5) + 0.5 * blur_around(holes, 7.0)  # deepest in the middle
    return as_float(soft), as_float(np.clip(blur_around(holes, 10.0) - soft, 0, 1))


def _furrows(rng: np.random.Generator) -> Float:
    """Contraction furrows: broken arcs round the pupil, never quite round, dark with a lit flank."""
    layer = np.zeros((ROWS, COLUMNS), np.float32)
    for _ in range(int(rng.integers(3, 8))):
        s0, start, turn = rng.uniform(0.5, 0.92), rng.uniform(0, COLUMNS), rng.uniform(0.08, 0.45)
        x = start + np.linspace(0, turn * COLUMNS, 80)
        wave = sum(rng.normal(0, 6.0 / k) * np.sin(k * x / 280 + rng.uniform(0, 6)) for k in (1, 2, 3, 5))
        points = np.stack([x, s0 * ROWS + wave], axis=1)
        level = -float(rng.uniform(0.3, 0.9))
        for shift in (-COLUMNS, 0):
            path = np.round((points + np.array([shift, 0.0])) * 16).astype(np.int32)
            cv2.polylines(layer, [path], False, level, int(rng.integers(5, 11)), cv2.LINE_8, 4)
    broken = np.clip(0.6 + 0.7 * cyclic_noise(rng, (ROWS, COLUMNS), (8, 128)), 0, 1.3)
    soft = blur_around(layer, 12.0, sigma_y_px=4.0) * broken
    return as_float(2.0 * soft - 1.0 * np.roll(soft, 10, axis=0))


def _spots(rng: np.random.Generator, color: IrisColor) -> Float:
    """Freckles of pigment, up to a dozen, ragged."""
    layer = np.zeros((ROWS, COLUMNS), np.float32)
    for _ in range(int(rng.integers(0, 5 if color == "brown" else 13))):
        size = float(rng.gamma(2.0, 6.0)) + 4
        x, y = rng.uniform(0, COLUMNS), rng.uniform(0.15, 0.95) * ROWS
        _stamp(
            layer, x, y, (size * 1.6, size * rng.uniform(0.5, 1)), rng.uniform(0, 180), rng.uniform(0.4, 1)
        )
    ragged = 0.75 + 0.35 * cyclic_noise(rng, (ROWS, COLUMNS), (56, 256))
    return as_float(np.clip(blur_around(layer, 4.0) * ragged, 0, 1))


def _paint(palette: _Palette, level: Float, inner: Float) -> Float:
    """Turn the relief (about 0 to 1) and the weight of the inner tint into colour."""
    dark, middle, light, tint = (as_float(c) / 255 for c in palette[:4])
    steps = as_float(np.linspace(0, 1, 1024))[:, None]
    own = dark + (middle - dark) * np.minimum(steps * 2, 1) + (light - middle) * np.maximum(steps * 2 - 1, 0)
    tinted = tint * (0.35 + 1.3 * steps)
    index = (np.clip(level, 0, 1) * np.float32(1023)).astype(np.int32)
    rgb = np.take(as_float(own), index, axis=0)
    return as_float(rgb + np.take(as_float(tinted - own), index, axis=0) * inner[:, :, None])


def _soften_inside(texture: Float) -> Float:
    """Average along the turn near the pupil, where a column is narrower than anything a photo resolves."""
    near = blur_around(texture, 2.0, sigma_y_px=0.01)
    weight = ramp(as_float((np.arange(ROWS) + 0.5) / ROWS), 0.65, 0.0)
    return as_float(
        texture + (near - texture) * weight.reshape((ROWS, 1, 1) if texture.ndim == 3 else (ROWS, 1))
    )
