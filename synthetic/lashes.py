"""Things of lines over the picture: eyelashes with their shadows, the wires of a speculum, instruments."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from synthetic.eye import ROTATION_DEPTH, Eye
from synthetic.fields import Byte, Float, as_float, blur, blur_wide
from synthetic.geometry import eye_to_head, head_to_picture
from synthetic.layer import Layer
from synthetic.lids import Fissure, place_lids
from synthetic.surface import Tool
from synthetic.view import View

_METAL = {"steel": (0.48, 0.49, 0.51), "black": (0.09, 0.09, 0.10), "titanium": (0.22, 0.29, 0.55)}


class Canvas:
    """A black picture, finer than the photograph, to draw white shapes on in head coordinates."""

    def __init__(self, view: View) -> None:
        self._view = view
        self._scale = 1 if view.width_px * view.height_px > 3_000_000 else 2
        self._pixels: Byte = np.zeros((view.height_px * self._scale, view.width_px * self._scale), np.uint8)

    @property
    def unit_px(self) -> float:
        """Pixels of the canvas per limbus radius."""
        return self._view.limbus_radius_px * self._scale

    def place(self, x: npt.ArrayLike, y: npt.ArrayLike) -> npt.NDArray[np.int32]:
        """Map head coordinates to sixteenths of the pixels of the canvas, (..., 2)."""
        px, py = head_to_picture(self._view, x, y)
        points = (np.stack([px, py], axis=-1) + 0.5) * self._scale - 0.5
        return np.round(points * 16).astype(np.int32)

    def polygon(self, points: npt.NDArray[np.int32], level: int = 255) -> None:
        """Fill a polygon."""
        cv2.fillPoly(self._pixels, [points], level, cv2.LINE_AA, 4)

    def stroke(self, points: npt.NDArray[np.int32], widths: list[int], level: int = 255) -> None:
        """Draw a line, each piece with its own width in pixels of the canvas."""
        for start, end, width in zip(points[:-1].tolist(), points[1:].tolist(), widths, strict=False):
            cv2.line(self._pixels, start, end, level, width, cv2.LINE_AA, 4)

    def finish(self) -> Float:
        """Return the opacity (H, W), 0 to 1, at the size of the photograph."""
        size = (self._view.width_px, self._view.height_px)
        if self._scale == 1:
            return as_float(self._pixels) * np.float32(1 / 255)
        small: Any = cv2.resize(self._pixels, size, interpolation=cv2.INTER_AREA)
        return as_float(small) * np.float32(1 / 255)


def draw_lashes(eye: Eye, view: View, layer: Layer, rng: np.random.Generator) -> Float:
    """Lay eyelashes and the shadows that they throw over the layer; return the opacity of the hairs."""
    lids = view.lids
    if lids is None:
        return np.zeros_like(layer.alpha)
    opening = place_lids(eye, view)
    canvas = Canvas(view)
    gaze = ROTATION_DEPTH * eye_to_head(view)[:2, 2]
    for part, upper, most in ((0, True, 110), (1, False, 60)):
        # The person's own lashes come back in every photo; a view shows the first so many of them.
        own = np.random.default_rng([eye.seed, 90, part])
        # Lashes stand in tufts: neighbours share where they point.
        tufts = np.sort(own.uniform(-0.92, 0.94, most // 3)) * opening.half
        traits = own.uniform(size=(2 * most, 8))[: round(most * lids.lashes)]
        tuft = (traits[:, 0] * len(tufts)).astype(np.int64)
        jitter = rng.standard_normal((2, len(traits)))
        roots = tufts[tuft] + 0.12 * (traits[:, 1] - 0.5) + 0.006 * jitter[0]
        leans = 0.22 * np.sin(7.3 * tuft) + 0.04 * jitter[1]
        x, y = _lash_paths(opening, roots, leans, traits[:, 2:], upper=upper, droop=lids.droop)
        points = canvas.place(x - gaze[0], y - gaze[1])
        thick = (0.010 + 0.008 * traits[:, 2:3]) * (1 if upper else 0.7) * canvas.unit_px
        thick = thick * (1 + 0.8 * lids.makeup)
        taper = 1 - 0.9 * np.linspace(0, 1, x.shape[1])
        widths = np.maximum(np.rint(thick * taper), 1).astype(int).tolist()
        for path, width in zip(points, widths, strict=True):
            canvas.stroke(path, width, 240)
    hair = canvas.finish()
    shift = max(round(0.05 * view.limbus_radius_px), 1)
    fallen = np.zeros_like(hair)
    fallen[shift:, shift // 2 :] = hair[:-shift, : hair.shape[1] - shift // 2]
    layer.over(
        as_float([0.08, 0.04, 0.03]), as_float(0.22 * blur_wide(fallen, 0.035 * view.limbus_radius_px))
    )
    color = np.full(3, 0.08, np.float32) if view.light.infrared else as_float(eye.person.lash)
    layer.over(color, as_float(0.9 * hair))
    return hair


def _lash_paths(
    opening: Fissure,
    roots: npt.NDArray[np.float64],
    leans: npt.NDArray[np.float64],
    traits: npt.NDArray[np.float64],
    *,
    upper: bool,
    droop: float,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Points (n, 11) of lashes on the face, from the lid's edge outwards, upper ones curved up.

    `traits` (n, 6) holds numbers from 0 to 1 that belong to each hair.
    """
    share = np.clip(roots / opening.half, -1, 1)[:, None]
    curve = opening.upper_y if upper else opening.lower_y
    y = np.asarray(curve(as_float(roots)), np.float64)[:, None]
    _, long, set_in, start, lift, aside = traits.T[:, :, None]
    along = np.linspace(0, 1, 11)
    lean = leans[:, None]
    if upper:
        y = y + 0.05 * set_in
        length = (0.35 + 0.60 * long) * (1 - 0.25 * share * share)
        hangs = aside < droop
        begin = np.where(hangs, -0.2 - 0.4 * start, -0.22 + 0.47 * start)
        curl = np.where(hangs, 0.1 + 0.5 * lift, 0.45 + 0.55 * lift)
        rise = length * (begin * along + curl * along**2)
        sweep = length * (0.8 * share + lean + 0.3 * (set_in - 0.5)) * (along + 0.25 * along**2)
    else:
        y = y - (0.06 + 0.05 * set_in) * opening.inside(as_float(roots), 0.35)[:, None]
        length = 0.18 + 0.27 * long
        rise = -length * ((0.55 + 0.45 * start) * along - 0.25 * along**2)
        sweep = length * (0.7 * share + 1.3 * lean + 0.5 * (lift - 0.5)) * along
    return np.asarray(roots[:, None] + sweep), np.asarray(y + rise)


def draw_speculum(eye: Eye, view: View, layer: Layer) -> Float:
    """Lay the wires that hold the lids open over the layer; return their opacity."""
    opening = place_lids(eye, view)
    gaze = ROTATION_DEPTH * eye_to_head(view)[:2, 2]
    body, shine = Canvas(view), Canvas(view)
    for sign, curve in ((1, opening.upper_y), (-1, opening.lower_y)):
        # A hook round the middle of the lid; one end is bent outwards, the other runs out to the temple.
        x = np.linspace(0.9, -1.0, 24) * eye.nasal
        edge = np.asarray(curve(as_float(x)), np.float64) - sign * 0.10
        away = np.linspace(0, 1, 12)
        hook = np.stack([np.full(8, x[0]), edge[0] + sign * np.linspace(0.52, 0.0, 8)])
        arm = np.stack([x[-1] - eye.nasal * 2.4 * away, edge[-1] + sign * 0.30 * away**2])
        path = np.concatenate([hook, np.stack([x, edge]), arm], axis=1)
        for canvas, width, lift in ((body, 0.085, 0.0), (shine, 0.022, 0.016)):
            points = canvas.place(path[0] - gaze[0] - lift, path[1] - gaze[1] + lift)
            canvas.stroke(points, [max(1, round(width * canvas.unit_px))] * len(points))
    wire = body.finish()
    unit = view.limbus_radius_px
    layer.over(as_float([0.05, 0.04, 0.04]), as_float(0.45 * blur_wide(wire, 0.07 * unit)))
    layer.over(as_float([0.42, 0.43, 0.45]), wire)
    layer.over(as_float([0.97, 0.97, 0.98]), as_float(0.9 * blur(shine.finish(), 0.01 * unit)))
    return wire


def draw_tool(view: View, tool: Tool, layer: Layer) -> Float:
    """Lay an instrument with its shadow over the layer; return its opacity."""
    toward = np.radians(tool.direction_deg)
    out, aside = np.array([np.cos(toward), np.sin(toward)]), np.array([-np.sin(toward), np.cos(toward)])
    body, shine = Canvas(view), Canvas(view)
    along = np.linspace(tool.reach, 5.0, 20)[:, None]
    for canvas, width, shift in ((body, tool.width, 0.0), (shine, 0.2 * tool.width, 0.2 * tool.width)):
        path = along * out + (tool.aside + shift) * aside
        points = canvas.place(path[:, 0], path[:, 1])
        canvas.stroke(points, [max(1, round(width * canvas.unit_px))] * len(points))
    metal, unit = body.finish(), view.limbus_radius_px
    layer.over(as_float([0.05, 0.04, 0.04]), as_float(0.4 * blur_wide(metal, 0.06 * unit)))
    layer.over(as_float(_METAL[tool.metal]), metal)
    layer.over(as_float([0.95, 0.95, 0.97]), as_float(0.6 * blur(shine.finish(), 0.01 * unit)))
    return metal
