"""Zones: where iris and limbal band lie in the cut of an eye, and which parts of them lids leave free."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["RING", "Regions", "Zones"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

RING = (1.03, 1.50)  # limbal band, in limbus radii
_LATERAL = 0.35  # sine of the direction: the sides of the white of the eye, 20 degrees up and down


@dataclass(frozen=True, slots=True, eq=False)
class Regions:
    """Iris and limbal band, and the distance from the middle of the limbus in its radii."""

    from_centre: Floats
    iris: Mask
    ring: Mask

    @classmethod
    def of(cls, half: int, px: float, pupil: tuple[float, float, float]) -> "Regions":
        """Lay them out in a cut of ``2 * half + 1`` pixels, `px` a radius; the pupil y up, in radii."""
        steps = np.arange(-half, half + 1, dtype=np.float32) / np.float32(px)
        across, up = steps[None, :], -steps[:, None]
        from_centre = np.sqrt(across**2 + up**2)
        from_pupil = (across - np.float32(pupil[0])) ** 2 + (up - np.float32(pupil[1])) ** 2
        iris = (from_centre < 0.96) & (from_pupil > np.float32((1.08 * pupil[2] + 0.02) ** 2))
        return cls(from_centre, iris, (from_centre > RING[0]) & (from_centre < RING[1]))


@dataclass(frozen=True, slots=True, eq=False)
class Zones:
    """Iris and limbal band, and the parts of them that lids leave free as a rule.

    Those are the lower and lateral iris and the lateral sclera.
    """

    shown: Mask
    right: Mask
    lateral: Mask
    iris: Mask
    ring: Mask
    iris_seed: Mask
    ring_seed: Mask

    @classmethod
    def of(cls, half: int, px: float, pupil: tuple[float, float, float], shown: Mask) -> "Zones":
        """Lay them out as `Regions`; the free parts as far as they are in the picture and without ink."""
        regions = Regions.of(half, px, pupil)
        from_centre, iris, ring = regions.from_centre, regions.iris, regions.ring
        steps = np.arange(-half, half + 1, dtype=np.float32) / np.float32(px)
        across, up = steps[None, :], -steps[:, None]
        lateral = np.abs(up) < _LATERAL * from_centre
        return cls(
            shown,
            np.broadcast_to(across > 0, iris.shape),
            lateral,
            iris,
            ring,
            iris & (up < 0.15 * from_centre) & (up > -0.85 * from_centre) & shown,
            ring & lateral & (from_centre < 1.30) & shown,
        )
