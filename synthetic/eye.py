"""An eye and the person it belongs to: identity, shape and cached textures."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from synthetic import vessels
from synthetic.fields import (
    COLUMNS,
    Float,
    PolarTexture,
    as_float,
    cyclic_noise,
    fractal,
    harmonic_table,
    ramp,
)
from synthetic.iris import IRIS_COLORS, IrisColor, iris_textures

Laterality = Literal["OD", "OS"]

GLOBE_RADIUS = 2.7
"""Radius of curvature of the white of the eye in limbus radii.

A real globe has 2.05; the flatter one carries the white as far as the canthi, and agrees with it at the
limbus, which is all that the foreshortening depends on."""
LIMBUS_HEIGHT = float(np.sqrt(GLOBE_RADIUS**2 - 1))
IRIS_DEPTH = 0.10
"""How far the plane of the iris seems to lie behind that of the limbus, in limbus radii (about 0.6 mm)."""
ROTATION_DEPTH = 1.77
"""Centre of rotation of the globe behind the plane of the limbus, in limbus radii (about 10.4 mm)."""

_IRIS, _LIMBUS, _DEEP, _SUPERFICIAL, _PERSON, _SKIN, _SHAPE = range(7)  # separate streams of random numbers


@dataclass(frozen=True, slots=True)
class Shape:
    """Shape of the limbus and the pupil, in limbus radii.

    `limbus` is its radius over one turn (720 values, mean 1), `softness` and `ring_width` how wide the
    limbus fades and how far its dark ring reaches inwards, `pupil_center` (x, y upwards) the centre of the
    small pupil, `pupil_drift` how far it moves per unit of pupil ratio, and `pupil_wave` the relative
    out-of-roundness of the pupil.
    """

    limbus: Float
    softness: Float
    ring_width: Float
    ring_strength: float
    pupil_center: tuple[float, float]
    pupil_drift: tuple[float, float]
    pupil_wave: Float


@dataclass(frozen=True, slots=True)
class Person:
    """Skin, lashes and lids of the person."""

    skin: tuple[float, float, float]
    lash: tuple[float, float, float]
    sclera: tuple[float, float, float]
    crease: float
    canthus_tilt: float
    half_fissure: float


@dataclass(frozen=True)
class Eye:
    """One eye, drawn from a seed; its textures are made when first needed and kept.

    Parameters
    ----------
    seed : int
        Two eyes with different seeds share nothing.
    laterality : {"OD", "OS"}
        The nose is at the right of the picture for OD, at the left for OS.
    iris_color : {"brown", "lightbrown", "hazel", "green", "blue", "grey"}
    """

    seed: int
    laterality: Laterality = "OD"
    iris_color: IrisColor = "hazel"

    @property
    def nasal(self) -> int:
        """+1 where the nose is at the right of the picture (OD), -1 at the left (OS)."""
        return 1 if self.laterality == "OD" else -1

    def stream(self, part: int) -> np.random.Generator:
        """Return the random numbers for one part of the eye, independent of all other parts."""
        return np.random.default_rng([self.seed, part])

    @cached_property
    def shape(self) -> Shape:
        """Shape of limbus and pupil."""
        rng = self.stream(_SHAPE)
        angle = np.arange(720) * (2 * np.pi / 720)
        oval = rng.uniform(0.02, 0.06)
        limbus = 1 + oval / 2 * np.cos(2 * (angle - rng.normal(0, 0.12)))
        limbus += harmonic_table(rng, (0.006, 0.004, 0.003, 0.002, 0.002), first=3)
        softness = 0.060 * np.exp(harmonic_table(rng, (0.3, 0.25, 0.15, 0.1)) + rng.normal(0, 0.3))
        width = 0.11 * np.exp(harmonic_table(rng, (0.25, 0.2, 0.12)) + rng.normal(0, 0.25))
        return Shape(
            limbus=as_float(limbus / limbus.mean()),
            softness=as_float(np.clip(softness, 0.02, 0.16)),
            ring_width=as_float(np.clip(width, 0.04, 0.25)),
            ring_strength=float(rng.uniform(0.35, 0.8)),
            pupil_center=(self.nasal * rng.uniform(0.01, 0.06), -rng.uniform(0.0, 0.04)),
            pupil_drift=(-self.nasal * rng.uniform(0.0, 0.09), float(rng.normal(0, 0.025))),
            pupil_wave=harmonic_table(rng, (0.018, 0.008, 0.006, 0.004, 0.003), first=2),
        )

    @cached_property
    def person(self) -> Person:
        """Skin, lashes and lids."""
        rng = self.stream(_PERSON)
        tone = rng.uniform(0, 0.75) + (0.25 if self.iris_color == "brown" else 0.0)
        light, dark = np.array([0.88, 0.68, 0.58]), np.array([0.40, 0.27, 0.205])
        skin = light + (dark - light) * tone + rng.normal(0, 0.012, 3)
        lash = np.array([0.05, 0.035, 0.03]) + rng.uniform(0, 0.12) * (1 - tone) * np.array([1.0, 0.7, 0.45])
        sclera = (
            np.array([0.84, 0.80, 0.745])
            + rng.normal(0, 0.015)
            + rng.uniform(0, 1) * np.array([0, -0.015, -0.06])
        )
        return Person(
            skin=(float(skin[0]), float(skin[1]), float(skin[2])),
            lash=(float(lash[0]), float(lash[1]), float(lash[2])),
            sclera=(float(sclera[0]), float(sclera[1]), float(sclera[2])),
            crease=float(rng.uniform(0.3, 0.75)),
            canthus_tilt=float(rng.uniform(0.02, 0.2)),
            half_fissure=float(rng.uniform(2.25, 2.55)),
        )

    @cached_property
    def iris(self) -> PolarTexture:
        """Iris: red, green, blue and infra-red over angle and fraction from pupil to root."""
        rgb, infrared = iris_textures(self.stream(_IRIS), self.iris_color)
        return PolarTexture.build(
            np.concatenate([rgb, infrared[:, :, None]], axis=2), count=7, halve_rows=False
        )

    @cached_property
    def globe(self) -> PolarTexture:
        """What is fixed to the globe, over angle and log radius: opacity, dark ring, vessels, tint."""
        rng = self.stream(_LIMBUS)
        radius = as_float(np.exp(vessels.LOG_INNER + (np.arange(vessels.ROWS) + 0.5) * vessels.STEP))[:, None]
        angle = (np.arange(COLUMNS) + 0.5) * (2 * np.pi / COLUMNS)
        turns = np.arange(720) * (2 * np.pi / 720)
        limbus, soft, ring = (
            as_float(np.interp(angle, turns, table, period=2 * np.pi))[None, :]
            for table in (self.shape.limbus, self.shape.softness, self.shape.ring_width)
        )
        size = (vessels.ROWS, COLUMNS)
        ragged = 0.10 * cyclic_noise(rng, size, (52, 256)) + 0.4 * cyclic_noise(rng, size, (16, 64))
        beyond = as_float((radius - limbus) / soft + 0.22 * ragged)
        opacity = ramp(beyond, -1.0, 1.0)
        inside = as_float((limbus - radius) / ring)
        dark = self.shape.ring_strength * ramp(as_float(inside + 0.12 * ragged), 1.6, 0.0)
        dark *= ramp(radius, 0.78, 0.87)  # the inmost row is drawn on to the centre
        tint = (
            0.5 * cyclic_noise(rng, size, (4, 16)) + 0.3 * cyclic_noise(rng, size, (16, 64)) + 0.22 * ragged
        )
        deep = vessels.limbal_vessels(self.stream(_DEEP))
        return PolarTexture.build(np.stack([opacity, dark, deep, as_float(tint)], axis=2))

    @cached_property
    def conjunctiva(self) -> PolarTexture:
        """Superficial vessels, which slide: absorbance over angle and log radius."""
        rng = self.stream(_SUPERFICIAL)
        return PolarTexture.build(vessels.conjunctival_vessels(rng, redness=float(rng.uniform(0.7, 1.5))))

    @cached_property
    def skin(self) -> Float:
        """Tiling skin texture of unit spread, 512 pixels a side."""
        rng = self.stream(_SKIN)
        return as_float(
            0.6 * fractal(rng, 512, coarsest=8, octaves=6, gain=0.75)
            + 0.5 * fractal(rng, 512, coarsest=64, octaves=3)
        )


def random_eye(
    rng: np.random.Generator, *, laterality: Laterality | None = None, iris_color: IrisColor | None = None
) -> Eye:
    """Draw an eye; what is not given is drawn too (half of all irises are brown)."""
    seed = int(rng.integers(0, 2**31))
    side: Laterality = "OD" if rng.uniform() < 0.5 else "OS"
    color = IRIS_COLORS[int(rng.choice(len(IRIS_COLORS), p=[0.35, 0.2, 0.12, 0.1, 0.15, 0.08]))]
    return Eye(seed, laterality or side, iris_color or color)
