"""Random pairs of views of one eye, from easy to hard, with the rotation between them known."""

from __future__ import annotations

import numpy as np

from synthetic.eye import Eye
from synthetic.recipes import PRESETS, RECIPES, Preset
from synthetic.render import Picture, draw_picture
from synthetic.view import View

__all__ = ["LARGEST_ROTATION_DEG", "PRESETS", "Preset", "draw_pair", "draw_views"]

LARGEST_ROTATION_DEG = 15.0
"""Largest rotation drawn: eyes turn by 2 to 4 degrees as a rule, up to 15."""


def draw_pair(
    eye: Eye,
    preset: Preset,
    rng: np.random.Generator,
    *,
    rotation_deg: float | None = None,
    width_px: int | None = None,
    height_px: int | None = None,
) -> tuple[Picture, Picture]:
    """Take a seated and a supine photograph of one eye.

    Parameters
    ----------
    eye : Eye
    preset : {"easy", "moderate", "hard", "dilated", "infrared"}
    rng : numpy.random.Generator
    rotation_deg : float, optional
        Rotation of the second picture against the first, counter-clockwise; drawn from -15 to 15 when not
        given.
    width_px, height_px : int, optional
        Size of both pictures; the eye grows with the width. By default 960 by 640, infra-red 320 by 240.

    Returns
    -------
    seated, supine : Picture
        ``supine.rotation_deg - seated.rotation_deg`` is the truth.
    """
    seated, supine = draw_views(
        eye, preset, rng, rotation_deg=rotation_deg, width_px=width_px, height_px=height_px
    )
    first, second = rng.spawn(2)
    return draw_picture(eye, seated, first), draw_picture(eye, supine, second)


def draw_views(
    eye: Eye,
    preset: Preset,
    rng: np.random.Generator,
    *,
    rotation_deg: float | None = None,
    width_px: int | None = None,
    height_px: int | None = None,
) -> tuple[View, View]:
    """Draw the conditions of a pair without taking the photographs; see `draw_pair`."""
    if preset not in RECIPES:
        msg = f"preset must be one of {', '.join(PRESETS)}, got {preset!r}"
        raise ValueError(msg)
    turn = rng.uniform(-LARGEST_ROTATION_DEG, LARGEST_ROTATION_DEG) if rotation_deg is None else rotation_deg
    width, height = (320, 240) if preset == "infrared" else (960, 640)
    width, height = width_px or width, height_px or height
    recipe = RECIPES[preset]
    size = rng.uniform(0.155, 0.2) * min(width, 1.5 * height)  # radius of the limbus
    if preset == "infrared":
        size *= 1.55
    first = float(rng.normal(0, 1.5))  # nobody holds the head quite straight, so the seated eye is turned too
    seated = recipe(
        eye, rng, View(width_px=width, height_px=height, limbus_radius_px=size, rotation_deg=first), False
    )
    supine = recipe(
        eye,
        rng,
        View(width_px=width, height_px=height, limbus_radius_px=size, rotation_deg=first + turn),
        True,
    )
    return seated, supine
