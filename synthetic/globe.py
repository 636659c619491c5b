"""The eye itself, without lids: white, limbus, iris, pupil and ink, by looking up where each pixel falls."""

from __future__ import annotations

import numpy as np

from synthetic import vessels
from synthetic.eye import Eye
from synthetic.fields import Float, as_float, fractal, ramp, remap
from synthetic.geometry import (
    ROOT,
    eye_to_head,
    globe_coordinates,
    iris_coordinates,
    iris_plane,
    iris_stretch,
)
from synthetic.view import InkMark, View

_VESSEL = as_float([0.30, 1.0, 0.92])  # absorbance of blood in red, green, blue
_INK = {"violet": (0.30, 0.16, 0.52), "blue": (0.13, 0.24, 0.60), "black": (0.10, 0.10, 0.13)}
_CORNEA = 1.45  # limbus radii: beyond this no pixel can show the iris


def draw_globe(eye: Eye, view: View, x: Float, y: Float) -> Float:
    """Draw the bare eye.

    Parameters
    ----------
    eye, view : Eye, View
    x, y : ndarray (H, W)
        Head coordinates of the pixels, see `geometry.head_grid`.

    Returns
    -------
    rgb : ndarray (H, W, 3) float32
        0 to 1, display-referred.
    """
    x_eye, y_eye, facing = globe_coordinates(view, x, y)
    angle = as_float(np.arctan2(y_eye, x_eye))
    log_radius = as_float(0.5 * np.log(x_eye * x_eye + y_eye * y_eye + np.float32(1e-9)))
    across = 2 * np.pi * view.limbus_radius_px
    fixed = eye.globe.sample(angle, _rows(log_radius), columns=1.4 * across, rows=1e9)
    rgb = _white(eye, view, fixed, (x_eye, y_eye), angle, log_radius)
    rgb *= _facing_light(view, facing)[:, :, None]
    rows, columns = _box(view, x, y)
    part = np.s_[rows, columns]
    iris = _iris(eye, view, x[part], y[part])
    iris *= (1 - fixed[part][:, :, 1:2] * as_float([0.85, 0.8, 0.72])) * (
        0.55 + 0.45 * facing[part][:, :, None]
    )
    opacity = fixed[part][:, :, 0:1]
    rgb[part] = iris + (rgb[part] - iris) * opacity
    for mark in view.marks:
        _ink(eye, view, mark, rgb, angle, log_radius)
    return rgb


def _rows(log_radius: Float) -> Float:
    """Radial fraction of the textures of the globe."""
    return as_float(
        (log_radius - np.float32(vessels.LOG_INNER)) * np.float32(1 / (vessels.LOG_OUTER - vessels.LOG_INNER))
    )


def _facing_light(view: View, facing: Float) -> Float:
    """Shade of a ball lit from about the camera."""
    return (
        as_float(0.48 + 0.52 * ramp(facing, 0.15, 1.0))
        if not view.light.infrared
        else as_float(0.6 + 0.4 * facing)
    )


def _box(view: View, x: Float, y: Float) -> tuple[slice, slice]:
    """Rows and columns that can show the iris: a square round the limbus."""
    near = x * x + y * y < np.float32(_CORNEA**2)
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    if not len(rows):
        return slice(0, 0), slice(0, 0)
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def _white(
    eye: Eye, view: View, fixed: Float, place: tuple[Float, Float], angle: Float, log_radius: Float
) -> Float:
    """Sclera and conjunctiva with their vessels."""
    surface = view.surface
    tint = fixed[:, :, 3:4]
    base = as_float(eye.person.sclera)
    rgb = base * (1 + tint * as_float([0.015, 0.03, 0.05]))
    if view.light.infrared:
        rgb = np.full_like(rgb, 0.66) * (1 + 0.03 * tint)
    # Towards the limbus the white is thin and bluish grey, towards the canthi it is pink.
    rim = np.exp(-np.maximum(log_radius, 0) * np.float32(11))[:, :, None]
    rgb -= rim * as_float([0.15, 0.11, 0.07])
    pink = ramp(log_radius, 0.35, 1.0)[:, :, None] + 0.6 * surface.redness
    if not view.light.infrared:
        rgb -= pink * as_float([0.02, 0.13, 0.13])
    slid_angle, slid_log = _slid(view, place, angle, log_radius)
    across = 1.4 * 2 * np.pi * view.limbus_radius_px * (1 - 0.75 * surface.chemosis)
    loose = eye.conjunctiva.sample(slid_angle, _rows(slid_log), columns=across, rows=1e9)
    blood = (fixed[:, :, 2] + loose) * np.float32((1 - surface.blanching) * (1 + surface.redness))
    if view.light.infrared:
        blood *= 0.10
        return as_float(rgb * np.exp(-blood)[:, :, None])
    return as_float(rgb * np.exp(-blood[:, :, None] * _VESSEL * np.float32(0.95)))


def _slid(view: View, place: tuple[Float, Float], angle: Float, log_radius: Float) -> tuple[Float, Float]:
    """Polar coordinates of the conjunctiva that now lies over each place of the globe."""
    surface = view.surface
    if surface.slide_x or surface.slide_y:
        # The shift is along the directions of the picture, so it is turned into the frame of the eye.
        turn = eye_to_head(view)
        x = place[0] - np.float32(turn[0, 0] * surface.slide_x + turn[1, 0] * surface.slide_y)
        y = place[1] - np.float32(turn[0, 1] * surface.slide_x + turn[1, 1] * surface.slide_y)
        angle, log_radius = (
            as_float(np.arctan2(y, x)),
            as_float(0.5 * np.log(x * x + y * y + np.float32(1e-9))),
        )
    if surface.slide_deg:
        angle = angle - np.float32(np.radians(surface.slide_deg))
        angle = np.where(angle < -np.pi, angle + 2 * np.pi, np.where(angle > np.pi, angle - 2 * np.pi, angle))
    return as_float(angle), log_radius


def _iris(eye: Eye, view: View, x: Float, y: Float) -> Float:
    """Iris and pupil, as far as the cornea shows them."""
    angle, fraction = iris_coordinates(eye, view, *iris_plane(view, x, y))
    rows = (ROOT - view.pupil_ratio) * view.limbus_radius_px
    across = 2 * np.pi * view.limbus_radius_px
    texture = eye.iris.sample(angle, iris_stretch(view, fraction), columns=1.4 * across, rows=1.5 * rows)
    rgb = np.repeat(texture[:, :, 3:4], 3, axis=2) if view.light.infrared else texture[:, :, :3]
    # The pupil's edge is as soft as a pixel, or a hundredth of the limbus where that is more.
    half = max(0.7 / rows, 0.008 / (ROOT - view.pupil_ratio))
    open_ = ramp(fraction, half, -half)[:, :, None]
    return as_float(rgb + (_pupil(view, x, y) - rgb) * open_)


def _pupil(view: View, x: Float, y: Float) -> Float:
    """Colour of the pupil: near black, or the red reflex of the fundus in coaxial light."""
    black = as_float([0.030, 0.026, 0.026])
    if not view.light.red_reflex:
        return black
    radius = np.sqrt(x * x + y * y)[:, :, None] / np.float32(view.pupil_ratio)
    glow = 1.05 - 0.35 * radius * radius + 0.10 * (x + 0.6 * y)[:, :, None] / np.float32(view.pupil_ratio)
    reflex = as_float([0.93, 0.43, 0.16]) * np.clip(glow, 0.25, 1.1)
    return as_float(black + (reflex - black) * np.float32(view.light.red_reflex))


def _ink(eye: Eye, view: View, mark: InkMark, rgb: Float, angle: Float, log_radius: Float) -> None:
    """Lay a pen mark on the picture, in place."""
    away = angle - np.float32(np.radians(mark.direction_deg))
    away = np.degrees(np.arctan2(np.sin(away), np.cos(away)))
    width = mark.width_deg
    soft = 0.35 * width
    left = width / 2 + mark.smear * width
    across = ramp(as_float(away), -width / 2 - soft / 2, -width / 2 + soft / 2) * ramp(
        as_float(away), left + soft * (0.5 + 2 * mark.smear), left - soft * (0.5 + mark.smear)
    )
    if mark.smear:
        across *= 1 - 0.5 * min(mark.smear, 1.0) * ramp(as_float(away), 0.3 * width, left)
    along = ramp(log_radius, np.log(mark.inner) - 0.02, np.log(mark.inner) + 0.02) * ramp(
        log_radius, np.log(mark.outer) + 0.03, np.log(mark.outer) - 0.03
    )
    # Ink lies in blobs; the pattern hangs on the mark, so it turns with the eye.
    blobs = fractal(
        np.random.default_rng([eye.seed, 77, round(mark.direction_deg * 10) % 3600]),
        128,
        coarsest=8,
        octaves=3,
    )
    patchy = 0.86 + 0.17 * remap(
        blobs, as_float(64 + 30 * away / width), as_float(log_radius * 128), border=4
    )
    cover = across * along * np.clip(patchy, 0.35, 1.0) * np.float32(0.9 * (1 - mark.fading))
    rgb += cover[:, :, None] * (
        as_float(_INK[mark.color]) * (0.35 + 0.65 * rgb.mean(axis=2, keepdims=True)) - rgb
    )
