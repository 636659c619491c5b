"""What can be taken for ink and is none: spots, pigment round the limbus, the grey ring of age; all turn."""

from __future__ import annotations

import numpy as np

from synthetic.eye import Eye
from synthetic.fields import Float, as_float, ramp, tiled, wrapped
from synthetic.layer import spread
from synthetic.surface import Spot, Surface

_SPOT = {"brown": (0.42, 0.27, 0.18), "slate": (0.44, 0.45, 0.50), "yellow": (0.80, 0.70, 0.48)}
_PIGMENT = (0.50, 0.36, 0.26)
_ARCUS = (0.72, 0.73, 0.72)


def draw_blemishes(
    eye: Eye, surface: Surface, spots: tuple[Spot, ...], planes: Float, angle: Float, log_radius: Float
) -> None:
    """Lay spots, pigment and the grey ring on colour planes (3, H, W), in place.

    Parameters
    ----------
    eye : Eye
    surface : Surface
    spots : tuple of Spot
    planes : ndarray (3, H, W)
    angle, log_radius : ndarray (H, W)
        Where each pixel falls on the globe, in the frame of the eye.
    """
    if surface.arcus > 0:
        ring = ramp(log_radius, -0.22, -0.13) * ramp(log_radius, -0.015, -0.055)
        planes += (spread(_ARCUS) - planes) * as_float(ring * np.float32(0.75 * surface.arcus))
    if surface.melanosis > 0:
        clumps = tiled(eye.skin, angle * 40, log_radius * 260)
        band = ramp(log_radius, -0.04, 0.03) * ramp(log_radius, 0.26, 0.05)
        cover = band * np.clip(0.35 + 0.45 * clumps, 0, 0.8) * np.float32(surface.melanosis)
        planes += (spread(_PIGMENT) - planes) * as_float(cover)
    for spot in spots:
        _spot(eye, spot, planes, angle, log_radius)


def _spot(eye: Eye, spot: Spot, planes: Float, angle: Float, log_radius: Float) -> None:
    away = wrapped(angle - np.float32(np.radians(spot.direction_deg)))
    out = log_radius - np.float32(np.log(spot.radius))
    half = np.float32(np.radians(spot.size_deg) / 2)
    ragged = tiled(eye.skin, angle * 90 + spot.direction_deg, log_radius * 90)
    near = np.hypot(away, out) / half + 0.16 * ragged
    cover = ramp(as_float(near), 1.2, 0.75) * np.float32(0.85 * spot.strength) * (1 + 0.12 * ragged)
    planes += (spread(_SPOT[spot.color]) - planes) * as_float(np.clip(cover, 0, 1))
