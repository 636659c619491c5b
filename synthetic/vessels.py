"""Blood vessels on the white of the eye, grown as branching paths on a log-polar grid."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from synthetic.fields import COLUMNS, Byte, Float, as_float, blur_around

LOG_INNER = float(np.log(0.78))
"""Natural logarithm of the smallest radius of the grid, in limbus radii."""
STEP = 2 * np.pi / COLUMNS
"""Side of a texel of the grid, in radians and in the logarithm of the radius, so that shapes are kept."""
ROWS = 832
LOG_OUTER = LOG_INNER + ROWS * STEP

_THICK = (1, 2, 3, 4, 6, 8, 11, 15, 20)  # texels
_CLASSES = np.array(_THICK, np.float64)
_Points = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class _Vessel:
    """One unbranched piece: points (n, 2) of angle and log radius, width in limbus radii, strength 0 to 1."""

    points: _Points
    width: _Points
    strength: _Points


def _walk(
    rng: np.random.Generator, start: tuple[float, float], heading: float, *, length: float, winding: float
) -> _Points:
    """Walk along a wandering path; `heading` is the angle on the grid, -pi/2 runs straight to the pupil."""
    step = 0.008
    count = max(int(length / step), 4)
    drift = np.cumsum(rng.normal(0, winding * 0.14, count))
    drift -= np.linspace(0, drift[-1], count) * 0.6  # wander, yet arrive
    waves = sum(
        winding * rng.uniform(0.2, size) * np.sin(np.arange(count) * step * k + rng.uniform(0, 6.3))
        for k, size in ((rng.uniform(7, 14), 0.8), (rng.uniform(20, 40), 0.7), (rng.uniform(45, 80), 0.35))
    )
    angle = heading + drift + waves
    steps = np.stack([np.cos(angle), np.sin(angle)], axis=1) * step
    return np.asarray(start + np.cumsum(steps, axis=0))


def _grow(
    rng: np.random.Generator,
    start: tuple[float, float],
    heading: float,
    *,
    width: float,
    length: float,
    strength: float,
    winding: float,
    depth: int,
    root: bool = True,
) -> list[_Vessel]:
    """Grow a vessel and its branches; each branch is thinner, shorter and fainter than its parent."""
    points = _walk(rng, start, heading, length=length, winding=winding)
    along = np.linspace(0, 1, len(points))
    taper = width * (1 - 0.55 * along)
    # Vessels dive under the surface and come back: the strength wanders, and fades at the far end.
    dive = 1 + 0.28 * np.sin(along * rng.uniform(3, 14) + rng.uniform(0, 6.3))
    fade = strength * np.clip(dive, 0.3, 1.2) * np.clip((1 - along) * 4, 0.0, 1.0)
    if root:  # it comes up from below
        fade *= np.clip(along * 5, 0.0, 1.0)
    tree = [_Vessel(points, taper, fade)]
    if depth == 0:
        return tree
    for _ in range(int(rng.integers(1, 5))):
        at = int(rng.uniform(0.12, 0.9) * (len(points) - 1))
        direction = np.arctan2(*(points[at + 1] - points[at])[::-1])
        turn = rng.choice([-1, 1]) * rng.uniform(0.35, 1.0)
        tree += _grow(
            rng,
            (float(points[at, 0]), float(points[at, 1])),
            float(direction + turn),
            width=float(taper[at]) * rng.uniform(0.45, 0.8),
            length=length * (1 - at / len(points)) * rng.uniform(0.5, 1.1) + 0.05,
            strength=strength * rng.uniform(0.6, 0.95),
            winding=winding * 1.1,
            depth=depth - 1,
            root=False,
        )
    return tree


def _rasterise(vessels: list[_Vessel]) -> Float:
    """Draw vessels into absorbance on the grid, sorted into classes of thickness and softened."""
    layers = {t: np.zeros((ROWS, COLUMNS), np.uint8) for t in _THICK}
    pieces: list[tuple[float, int, npt.NDArray[np.int32]]] = []
    for vessel in vessels:
        x = vessel.points[:, 0] / STEP
        y = (vessel.points[:, 1] - LOG_INNER) / STEP
        texels = vessel.width / (np.exp(vessel.points[:, 1]) * STEP)
        path = np.round(np.stack([x, y], axis=1) * 16).astype(np.int32)
        for first in range(0, len(path) - 1, 5):
            part = slice(first, first + 6)
            thick = _THICK[int(np.argmin(np.abs(_CLASSES - texels[part].mean())))]
            pieces.append((float(vessel.strength[part].mean()), thick, path[part]))
    pieces.sort(key=lambda piece: piece[0])
    for strength, thick, path in pieces:
        for turn in (-COLUMNS, 0, COLUMNS):
            moved = path + np.array([turn * 16, 0], np.int32)
            if moved[:, 0].max() > -400 and moved[:, 0].min() < COLUMNS * 16 + 400:
                level = float(np.clip(strength, 0, 1) * 255)
                cv2.polylines(layers[thick], [moved], False, level, thick, cv2.LINE_AA, 4)
    total = np.zeros((ROWS, COLUMNS), np.float32)
    for thick, layer in layers.items():
        if layer.any():
            total += _soften(layer, 0.22 * thick + 0.45) * np.float32((0.55 + 0.05 * thick) / 255)
    return as_float(np.minimum(total, 1.6))


def _soften(layer: Byte, sigma: float) -> Float:
    """Blur a layer of bytes across its seam."""
    wide = np.concatenate([layer[:, -32:], layer, layer[:, :32]], axis=1)
    return as_float(np.asarray(cv2.GaussianBlur(wide, (0, 0), sigma))[:, 32:-32])


def _angle_beside(rng: np.random.Generator) -> float:
    """Draw an angle, more often beside the cornea than above and below it."""
    while True:
        angle = rng.uniform(-np.pi, np.pi)
        if rng.uniform() < 0.35 + 0.65 * np.cos(angle) ** 2:
            return float(angle)


def conjunctival_vessels(rng: np.random.Generator, *, redness: float = 1.0) -> Float:
    """Draw the superficial vessels, which slide with the conjunctiva: absorbance (ROWS, COLUMNS), 0 to 1.6.

    `redness` 1 is a quiet adult eye, 2 an irritated one.
    """
    vessels: list[_Vessel] = []
    for _ in range(int(16 * redness) + int(rng.integers(0, 7))):
        radius = rng.uniform(1.9, 2.8)
        vessels += _grow(
            rng,
            (_angle_beside(rng), float(np.log(radius))),
            -np.pi / 2 + rng.normal(0, 0.35),
            width=rng.uniform(0.012, 0.03),
            length=np.log(radius) * rng.uniform(0.6, 1.0),
            strength=rng.uniform(0.4, 0.9),
            winding=rng.uniform(0.5, 1.1),
            depth=3,
        )
    for _ in range(int(120 * redness)):
        vessels += _grow(
            rng,
            (_angle_beside(rng), float(np.log(rng.uniform(1.12, 2.6)))),
            rng.uniform(-np.pi, np.pi),
            width=rng.uniform(0.003, 0.008),
            length=rng.uniform(0.12, 0.5),
            strength=rng.uniform(0.12, 0.45),
            winding=rng.uniform(0.6, 1.2),
            depth=1,
        )
    return _rasterise(vessels)


def limbal_vessels(rng: np.random.Generator, *, redness: float = 1.0) -> Float:
    """Draw the vessels that are fixed to the globe: absorbance (ROWS, COLUMNS).

    The arcade of fine loops at the limbus with its feeders, and deeper, wider, softer episcleral vessels.
    """
    vessels: list[_Vessel] = []
    density = 1 + 0.5 * np.sin(np.arange(32) * 2 * np.pi / 32 * rng.integers(1, 4) + rng.uniform(0, 6))
    for _ in range(int(190 * redness)):
        angle = rng.uniform(-np.pi, np.pi)
        if rng.uniform() * 1.5 > density[int((angle + np.pi) / (2 * np.pi) * 32) % 32]:
            continue
        start = rng.uniform(0.06, 0.20)
        vessels += _grow(
            rng,
            (angle, start),
            -np.pi / 2 + rng.normal(0, 0.45),
            width=rng.uniform(0.003, 0.008),
            length=start + rng.uniform(-0.05, 0.035),
            strength=rng.uniform(0.12, 0.55),
            winding=rng.uniform(0.4, 0.8),
            depth=1,
        )
    for _ in range(int(70 * redness)):  # along the limbus
        vessels += _grow(
            rng,
            (rng.uniform(-np.pi, np.pi), rng.normal(0.045, 0.03)),
            float(rng.choice([0.0, np.pi])) + rng.normal(0, 0.2),
            width=rng.uniform(0.003, 0.007),
            length=rng.uniform(0.05, 0.3),
            strength=rng.uniform(0.15, 0.45),
            winding=rng.uniform(0.5, 0.9),
            depth=0,
        )
    deep: list[_Vessel] = []
    for _ in range(int(rng.integers(7, 13))):
        radius = rng.uniform(1.6, 2.5)
        deep += _grow(
            rng,
            (_angle_beside(rng), float(np.log(radius))),
            -np.pi / 2 + rng.normal(0, 0.25),
            width=rng.uniform(0.03, 0.055),
            length=np.log(radius) * rng.uniform(0.5, 0.95),
            strength=rng.uniform(0.12, 0.32),
            winding=rng.uniform(0.3, 0.6),
            depth=2,
        )
    return as_float(_rasterise(vessels) + 0.8 * blur_around(_rasterise(deep), 3.0))
