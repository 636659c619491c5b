"""What clouds the cornea, a scar or radial cuts, and what stains the white of the eye; all turn with it."""

from __future__ import annotations

import numpy as np

from synthetic.eye import Eye
from synthetic.fields import Float, as_float, ramp, tiled
from synthetic.layer import spread
from synthetic.surface import Surface

_CLOUD = (0.74, 0.77, 0.78)
_STAIN = (0.16, 0.55, 1.5)  # absorbance of iodine in red, green, blue
_FIRST, _LAST = 0.30, 0.92  # limbus radii between which radial cuts run


def draw_scars(eye: Eye, surface: Surface, planes: Float, x: Float, y: Float) -> None:
    """Lay a scar, radial cuts and a brown stain on colour planes (3, H, W), in place.

    Parameters
    ----------
    eye : Eye
    surface : Surface
    planes : ndarray (3, H, W)
    x, y : ndarray (H, W)
        Where each pixel falls on the globe, in the frame of the eye, limbus radii, y upwards.
    """
    if not (surface.scar or surface.cuts or surface.stain):
        return
    radius, clouds = as_float(np.hypot(x, y)), tiled(eye.skin, x * 60, y * 60)
    if surface.stain > 0:
        film = ramp(radius, 0.97, 1.06) * np.clip(
            0.55 + 0.3 * tiled(eye.skin, x * 25, y * 25) + 0.1 * clouds, 0, 2
        )
        planes *= np.exp(-spread(_STAIN) * as_float(film * np.float32(surface.stain)))
    cover = np.zeros_like(radius)
    if surface.scar > 0:
        toward, half = np.radians(surface.scar_deg), 0.12 + 0.40 * surface.scar
        away = np.hypot(x - np.float32(0.5 * np.cos(toward)), y - np.float32(0.5 * np.sin(toward)))
        near = as_float(away / np.float32(half) + 0.12 * clouds)
        cover = ramp(near, 1.15, 0.45) * np.float32(0.45 + 0.45 * surface.scar)
    if surface.cuts > 0:
        cover = np.maximum(cover, _cuts(eye, surface.cuts, radius, as_float(np.arctan2(y, x)), clouds))
    cover *= ramp(radius, 1.0, 0.95)
    planes += (spread(_CLOUD) - planes) * as_float(cover)


def _cuts(eye: Eye, count: int, radius: Float, angle: Float, clouds: Float) -> Float:
    """Opacity of radial cuts at equal angles, as far as a hand keeps them."""
    rng, cover = np.random.default_rng([eye.seed, count]), np.zeros_like(radius)
    first, slips = rng.uniform(0, 2 * np.pi), rng.normal(0, 0.03, count)
    for number, slip in enumerate(slips):
        away = angle - np.float32(first + 2 * np.pi * number / count + slip)
        aside = as_float(np.abs(np.sin(away)) * radius + 0.004 * clouds)
        line = ramp(aside, 0.022, 0.008) * (np.cos(away) > 0)
        cover = np.maximum(cover, line)
    ends = ramp(radius, _FIRST - 0.02, _FIRST + 0.02) * ramp(radius, _LAST + 0.02, _LAST - 0.02)
    return as_float(cover * ends * np.clip(0.5 + 0.15 * clouds, 0.1, 0.9))
