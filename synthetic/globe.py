"""The eye itself, without lids: white, limbus, iris, pupil and ink, by looking up where each pixel falls."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from synthetic import vessels
from synthetic.blemishes import draw_blemishes
from synthetic.eye import Eye
from synthetic.fields import Float, PolarTexture, as_float, bands, ramp, remap, wrapped
from synthetic.geometry import (
    ROOT,
    eye_to_head,
    globe_coordinates,
    iris_coordinates,
    iris_plane,
    iris_stretch,
)
from synthetic.ink import draw_ink
from synthetic.layer import spread
from synthetic.scars import draw_scars
from synthetic.view import View

Mask = npt.NDArray[np.bool_]

_VESSEL = spread([0.30, 0.95, 0.86])  # absorbance of blood in red, green, blue
_SAMPLES = 1.15  # texels per pixel at least: sharp, and hardly any aliasing
_CORNEA = 1.28  # limbus radii: beyond this no pixel can show the iris
_RING = 1.4  # limbus radii: outer edge of the ring that the masks speak of


@dataclass(frozen=True, eq=False, slots=True)
class Globe:
    """The bare eye: colour planes (3, H, W), 0 to 1, and which pixels show iris and limbal ring."""

    planes: Float
    iris: Mask
    ring: Mask


@dataclass(frozen=True, eq=False, slots=True)
class _Place:
    """Where each pixel falls on the globe, in the frame of the eye."""

    x: Float
    y: Float
    angle: Float
    log_radius: Float


def draw_globe(eye: Eye, view: View, x: Float, y: Float, *, covered: Float | None = None) -> Globe:
    """Draw the bare eye.

    Parameters
    ----------
    eye, view : Eye, View
    x, y : ndarray (H, W)
        Head coordinates of the pixels; see `geometry.head_grid`.
    covered : ndarray (H, W), optional
        Opacity of what will lie on top; rows that it hides wholly are left black.
    """
    height, width = x.shape
    globe = Globe(
        np.zeros((3, height, width), np.float32),
        np.zeros((height, width), np.bool_),
        np.zeros((height, width), np.bool_),
    )
    rows = (ROOT - view.pupil_ratio) * view.limbus_radius_px
    iris = eye.iris.squeezed(_SAMPLES * rows)
    for band in bands(height, width):
        if covered is None or covered[band].min() < 0.999:
            _draw_band(eye, view, iris, (x[band], y[band]), globe, band)
    return globe


def _draw_band(
    eye: Eye, view: View, iris_texture: PolarTexture, head: tuple[Float, Float], globe: Globe, band: slice
) -> None:
    """Draw some rows of the bare eye into `globe`."""
    x_eye, y_eye, facing = globe_coordinates(view, *head)
    place = _Place(x_eye, y_eye, as_float(np.arctan2(y_eye, x_eye)), _log_radius(x_eye, y_eye))
    across = _SAMPLES * 2 * np.pi * view.limbus_radius_px
    opacity, dark, deep, tint = cv2.split(
        eye.globe.sample(place.angle, _rows(place.log_radius), columns=across)
    )
    planes = _white(eye, view, place, as_float(deep), as_float(tint))
    light = 0.48 + 0.52 * ramp(facing, 0.15, 1.0) if not view.light.infrared else 0.6 + 0.4 * facing
    planes *= light
    iris_seen = globe.iris[band]
    box = _box(*head)
    part = (slice(None), *box)
    if planes[part].size:
        iris, pupil = _iris(eye, view, iris_texture, head[0][box], head[1][box])
        iris *= (1 - spread([0.85, 0.8, 0.72]) * dark[box]) * (0.55 + 0.45 * facing[box])
        planes[part] += (iris - planes[part]) * (1 - opacity[box])
        iris_seen[box] = (opacity[box] < 0.5) & ~pupil
    if view.surface.pterygium > 0:
        _pterygium(eye, view, planes, place, as_float(tint))
    draw_scars(eye, view.surface, planes, place.x, place.y)
    draw_blemishes(eye, view.surface, view.spots, planes, place.angle, place.log_radius)
    for mark in view.marks:
        draw_ink(eye, mark, planes, place.angle, place.log_radius)
    globe.planes[:, band] = planes
    globe.ring[band] = (opacity >= 0.5) & (place.log_radius < np.float32(np.log(_RING)))


def _log_radius(x: Float, y: Float) -> Float:
    return as_float(0.5 * np.log(x * x + y * y + np.float32(1e-9)))


def _rows(log_radius: Float) -> Float:
    """Radial fraction of the textures of the globe."""
    scale = 1 / (vessels.LOG_OUTER - vessels.LOG_INNER)
    return as_float((log_radius - np.float32(vessels.LOG_INNER)) * np.float32(scale))


def _box(x: Float, y: Float) -> tuple[slice, slice]:
    """Rows and columns that can show the iris: a square round the limbus."""
    near = x * x + y * y < np.float32(_CORNEA**2)
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    if not len(rows):
        return slice(0, 0), slice(0, 0)
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def _white(eye: Eye, view: View, place: _Place, deep: Float, tint: Float) -> Float:
    """Sclera and conjunctiva with their vessels."""
    surface, infrared = view.surface, view.light.infrared
    base = (0.66, 0.66, 0.66) if infrared else eye.person.sclera
    vary = (0.03, 0.03, 0.03) if infrared else (0.015, 0.03, 0.05)
    # Towards the limbus the white is thin and bluish grey, towards the canthi it is pink.
    rim = np.exp(-np.maximum(place.log_radius, 0) * np.float32(11))
    pink = ramp(place.log_radius, 0.35, 1.0) + np.float32(0.6 * surface.redness)
    blush = (0.0, 0.0, 0.0) if infrared else (0.02, 0.12, 0.12)
    planes = np.empty((3, *tint.shape), np.float32)
    for plane, a, b, c, d in zip(planes, base, vary, blush, (0.15, 0.11, 0.07), strict=True):
        np.multiply(tint, np.float32(a * b), out=plane)
        plane += np.float32(a) - np.float32(c) * pink - np.float32(d) * rim
    swollen = np.float32(surface.chemosis)
    if surface.chemosis > 0:
        pale = spread([0.80, 0.74, 0.66]) * (1 + 0.06 * tint)
        planes = as_float(planes + (pale - planes) * (swollen * np.float32(0.7)))
    slid_angle, slid_log = _slid(view, place)
    columns = _SAMPLES * 2 * np.pi * view.limbus_radius_px * (1 - 0.8 * surface.chemosis)
    loose = eye.conjunctiva.sample(slid_angle, _rows(slid_log), columns=columns)
    gain = (1 - surface.blanching) * (1 + surface.redness) * (0.10 if infrared else 0.95)
    blood = as_float((deep * (1 - swollen * np.float32(0.8)) + loose) * np.float32(gain))
    if surface.blood > 0 and not infrared:
        blood += np.float32(2.3) * _patch(view, place, tint)
    through = np.exp(-blood * (spread([1.0, 1.0, 1.0]) if infrared else _VESSEL))
    return as_float(planes * through)


def _patch(view: View, place: _Place, tint: Float) -> Float:
    """Blood under the conjunctiva: a ragged patch beside the cornea, denser in its middle, 0 to 1."""
    size = view.surface.blood
    away = wrapped(place.angle - np.float32(np.radians(view.surface.blood_deg)))
    away = as_float(away / np.float32(0.35 + 0.9 * size))
    outward = (place.log_radius - np.float32(0.30)) / np.float32(0.28 + 0.15 * size)
    near = as_float(1 - np.hypot(away, outward) + 0.30 * tint)
    return as_float(ramp(near, -0.05, 0.30) * (0.75 + 0.25 * ramp(near, 0.2, 0.8)))


def _slid(view: View, place: _Place) -> tuple[Float, Float]:
    """Polar coordinates of the conjunctiva that now lies over each place of the globe."""
    surface, angle, log_radius = view.surface, place.angle, place.log_radius
    if surface.slide_x or surface.slide_y:
        # The shift is along the directions of the picture, so it is turned into the frame of the eye.
        turn = eye_to_head(view)
        x = place.x - np.float32(turn[0, 0] * surface.slide_x + turn[1, 0] * surface.slide_y)
        y = place.y - np.float32(turn[0, 1] * surface.slide_x + turn[1, 1] * surface.slide_y)
        angle, log_radius = as_float(np.arctan2(y, x)), _log_radius(as_float(x), as_float(y))
    if surface.slide_deg:
        angle = angle - np.float32(np.radians(surface.slide_deg))
        turned = np.float32(2 * np.pi)
        angle = np.where(angle < -np.pi, angle + turned, np.where(angle > np.pi, angle - turned, angle))
    return as_float(angle), log_radius


def _iris(eye: Eye, view: View, texture: PolarTexture, x: Float, y: Float) -> tuple[Float, Mask]:
    """Colour planes of iris and pupil, as far as the cornea shows them, and the pixels of the pupil."""
    x_iris, y_iris = iris_plane(view, x, y)
    angle, fraction = iris_coordinates(eye, view, x_iris, y_iris)
    rows = (ROOT - view.pupil_ratio) * view.limbus_radius_px
    columns = (
        _SAMPLES
        * 2
        * np.pi
        * view.limbus_radius_px
        * np.maximum(np.hypot(x_iris, y_iris), np.float32(0.85 * view.pupil_ratio))
    )
    row = iris_stretch(view, fraction)
    sampled = texture.sample_blended(angle, row, as_float(columns))
    channels = cv2.split(sampled)
    planes = as_float(np.stack([channels[3]] * 3 if view.light.infrared else channels[:3]))
    # The pupil's edge is as soft as a pixel, or a hundredth of the limbus where that is more.
    half = max(0.7 / rows, 0.008 / (ROOT - view.pupil_ratio))
    planes += (_pupil(view, x_iris, y_iris) - planes) * ramp(fraction, half, -half)
    return as_float(planes), fraction < 0


def _pupil(view: View, x: Float, y: Float) -> Float:
    """Colour of the pupil: near black, or the red reflex of the fundus in coaxial light."""
    black = spread([0.030, 0.026, 0.026])
    if not view.light.red_reflex:
        return black
    ratio = np.float32(view.pupil_ratio)
    glow = 1.05 - 0.30 * (x * x + y * y) / (ratio * ratio) + 0.12 * (x + 0.6 * y) / ratio
    # Spokes and clouds of the ageing lens.
    glow += 0.05 * np.sin(3 * x / ratio + 2 * y / ratio) * np.cos(4 * y / ratio)
    reflex = spread([0.93, 0.43, 0.16]) * np.clip(glow, 0.25, 1.1)
    return as_float(black + (reflex - black) * np.float32(view.light.red_reflex))


def _pterygium(eye: Eye, view: View, planes: Float, place: _Place, tint: Float) -> None:
    """Lay a fleshy, vascular wedge from the nasal corner over the cornea, in place; it turns with the eye."""
    along = place.x * np.float32(eye.nasal) - np.float32(1 - view.surface.pterygium)
    half = 0.05 + 0.26 * np.maximum(along, 0) + 0.03 * tint
    cover = ramp(as_float(half - np.abs(place.y)), -0.05, 0.06) * ramp(along, -0.02, 0.10)
    cover *= 0.85 - 0.35 * ramp(along, 0.9, 1.5)
    streaks = remap(
        eye.skin, as_float(along * 30 + 600), as_float(place.y * 170 + 600), border=cv2.BORDER_WRAP
    )
    flesh = (spread([0.78, 0.52, 0.47]) if not view.light.infrared else spread([0.6, 0.6, 0.6])) + (
        spread([0.03, 0.06, 0.06]) * streaks
    )
    planes += (flesh - planes) * cover
