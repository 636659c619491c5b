"""Lids, skin, caruncle and the line of tears: the frame in which the eye turns."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from synthetic.eye import ROTATION_DEPTH, Eye
from synthetic.fields import Float, as_float, bands, ramp, remap, resize
from synthetic.geometry import eye_to_head, project
from synthetic.layer import Layer, spread
from synthetic.view import View

_MARGIN = 0.075  # thickness of the lower lid's edge, limbus radii


@dataclass(frozen=True, eq=False, slots=True)
class Fissure:
    """The opening between the lids; limbus radii, y up, from where the straight eye has its limbus."""

    half: float
    right_y: float
    left_y: float
    upper: float
    lower: float
    peak: float

    def share(self, x: Float) -> Float:
        """Return 0 at the left corner, 1 at the right one."""
        return as_float((x + np.float32(self.half)) / np.float32(2 * self.half))

    def base(self, x: Float) -> Float:
        """Return the height of the line through both corners."""
        return as_float(self.left_y + (self.right_y - self.left_y) * self.share(x))

    def arch(self, x: Float, power: float, peak: float) -> Float:
        """Return the height of a lid over the line, 1 in the middle; beyond the corners the lids overlap."""
        u = self.share(x)
        inner = np.clip(u, 0, 1)
        over = np.abs(u - inner)
        return as_float((4 * inner * (1 - inner)) ** power * (1 + peak * (inner - 0.5)) - 1.5 * over)

    def upper_y(self, x: Float) -> Float:
        """Return the height of the upper lid's edge."""
        return as_float(self.base(x) + self.upper * self.arch(x, 0.62, self.peak))

    def lower_y(self, x: Float) -> Float:
        """Return the height of the lower lid's edge."""
        return as_float(self.base(x) - self.lower * self.arch(x, 0.72, -0.5 * self.peak))

    def inside(self, x: Float, width: float) -> Float:
        """Return 1 between the corners, falling to 0 over `width` at them."""
        near = (np.float32(self.half) - np.abs(x)) * np.float32(1 / width)
        return as_float(np.clip(near, 0, 1))


def place_lids(eye: Eye, view: View) -> Fissure:
    """Place the lids so that the upper one hides the share of the limbal ring that the view asks for."""
    lids = view.lids
    if lids is None:
        msg = "a view without lids has no opening between them"
        raise ValueError(msg)
    person, side = eye.person, eye.nasal
    nasal_y, temporal_y = -0.22 - person.canthus_tilt, -0.22 + person.canthus_tilt
    right_y, left_y = (nasal_y, temporal_y) if side > 0 else (temporal_y, nasal_y)
    half = person.half_fissure * (1.12 if lids.speculum else 1.0)
    if lids.speculum:
        return Fissure(half, right_y, left_y, 1.95, 1.55, 0.12 * side)
    x, y = _limbus_on_face(eye, view)
    below = int(np.argmin(y))
    foot = as_float(x[below : below + 1])
    draft = Fissure(half, right_y, left_y, 1.0, 1.0, 0.12 * side)
    room = max(float(draft.base(foot)[0] - draft.lower_y(foot)[0]), 0.3)
    lower = (float(draft.base(foot)[0]) - float(y[below]) + lids.lower_gap) / room
    low, high = 0.1, 3.0
    for _ in range(30):  # bisection: the share hidden falls as the lid rises
        upper = (low + high) / 2
        lid = Fissure(half, right_y, left_y, upper, lower, 0.12 * side)
        low, high = (upper, high) if np.mean(y > lid.upper_y(x)) > lids.upper_cover else (low, upper)
    if lids.upper_cover <= 0:
        high += 0.08
    return Fissure(half, right_y, left_y, high, lower, 0.12 * side)


def to_face(view: View, x: Float, y: Float) -> tuple[Float, Float]:
    """Go over from coordinates about the limbus, which moves with gaze, to those of the face."""
    gaze = eye_to_head(view)[:, 2]
    return as_float(x + np.float32(ROTATION_DEPTH * gaze[0])), as_float(
        y + np.float32(ROTATION_DEPTH * gaze[1])
    )


def _limbus_on_face(eye: Eye, view: View) -> tuple[Float, Float]:
    """Outline of the limbus on the face, at rotation 0: the lids must not follow the oval eye as it turns."""
    upright = View(
        limbus_radius_px=1.0,
        center_x_px=0.0,
        center_y_px=0.0,
        yaw_deg=view.yaw_deg,
        pitch_deg=view.pitch_deg,
    )
    px, py = project(eye, upright, np.arange(720) * 0.5, 1.0, surface="limbus")
    return to_face(view, as_float(px), as_float(-py))


def draw_lids(eye: Eye, view: View, layer: Layer, x: Float, y: Float) -> Float:
    """Lay shadows, caruncle, tears and both lids over the layer.

    Returns
    -------
    hidden : ndarray (H, W)
        Opacity of the lids alone.
    """
    opening = place_lids(eye, view)
    fx, fy = to_face(view, x, y)
    blotches = _blotches(eye, fx, fy)
    hidden = np.empty(x.shape, np.float32)
    for band in bands(*x.shape):
        part = Layer(layer.planes[:, band], layer.alpha[band])
        hidden[band] = _lid_band(eye, view, part, opening, (fx[band], fy[band]), blotches[band])
    return hidden


def _lid_band(
    eye: Eye, view: View, layer: Layer, opening: Fissure, face: tuple[Float, Float], blotches: Float
) -> Float:
    """Lay the lids over some rows; return their opacity."""
    fx, fy = face
    line = fx if view.roll_deg else fx[:1]  # without roll all rows have the same x
    above, below = _distances(opening, line, fy)
    _shadow(layer, above, below)
    _caruncle(eye, view, layer, opening, fx, fy)
    _tears(view, layer, opening, line, below)
    half_pixel = 0.7 / view.limbus_radius_px
    alpha = np.maximum(ramp(above, -half_pixel, half_pixel), ramp(below, -half_pixel, half_pixel))
    if alpha.max() > 0:
        light, moist = _relief(eye, opening, line, fy, above, below)
        layer.over(_flesh(eye, view, face, light, moist, blotches), as_float(alpha))
    if view.lids is not None and view.lids.makeup > 0:
        _makeup(eye, layer, face, (above, below), view.lids.makeup)
    return as_float(alpha)


def _makeup(
    eye: Eye, layer: Layer, face: tuple[Float, Float], lids: tuple[Float, Float], much: float
) -> None:
    """Lay a dark line along the edges of both lids; a little of it has come off on the eye."""
    above, below = lids
    flakes = remap(
        eye.skin, as_float(face[0] * 70 + 4096), as_float(face[1] * 70 + 4196), border=cv2.BORDER_WRAP
    )
    for distance, width, most in ((above, 0.10, 0.85), (below - np.float32(0.05), 0.08, 0.7)):
        line = ramp(distance, -0.01, 0.02) * ramp(distance, width, 0.5 * width)
        loose = ramp(distance, -0.14, 0.0) * ramp(flakes, 1.2, 1.9) * 0.8
        cover = np.maximum(line * np.float32(most), loose) * np.float32(much)
        layer.over(as_float([0.07, 0.06, 0.07]), as_float(cover))


def _distances(opening: Fissure, x: Float, y: Float) -> tuple[Float, Float]:
    """Signed distances above the upper and below the lower lid's edge (negative inside the opening)."""
    step = np.float32(0.01)
    result = []
    for curve, sign in ((opening.upper_y, 1), (opening.lower_y, -1)):
        level = curve(x)
        slope = np.clip((curve(as_float(x + step)) - level) / step, -2.0, 2.0)
        result.append(as_float((y - level) * (sign / np.sqrt(1 + slope * slope))))
    return result[0], result[1]


def _shadow(layer: Layer, above: Float, below: Float) -> None:
    """Darken the globe under the upper lid and its lashes, and narrowly along the lower lid."""
    depth = np.minimum(above, 0)
    shade = 0.46 * np.exp(depth * np.float32(8.0)) + 0.20 * np.exp(depth * np.float32(1.7))
    shade += 0.24 * np.exp(np.minimum(below, 0) * np.float32(10.0))
    layer.over(as_float([0.10, 0.045, 0.03]), as_float(np.minimum(shade, 0.8)))


def _relief(
    eye: Eye, opening: Fissure, x: Float, y: Float, above: Float, below: Float
) -> tuple[Float, Float]:
    """Light on the skin (about 1) and how moist it is (1 on the lids' edges)."""
    wide = np.float32(1.35 * opening.half)
    bow = 1 - (x / wide) ** 2
    waver = 0.02 * np.sin(3.1 * x + 1) + 0.012 * np.sin(8.3 * x)
    base, between = opening.base(x), opening.inside(x, 0.5)
    crease = y - base - (opening.upper + eye.person.crease) * bow - waver
    second = crease - 0.16 - 0.05 * np.sin(2 * x)
    pouch = base - (opening.lower + 0.34) * bow - waver - y
    side = np.exp(-np.maximum(np.abs(x) - np.float32(opening.half), 0) * np.float32(1.5))
    light = 1 - side * (0.30 * np.exp(-((crease / 0.040) ** 2)) + 0.12 * np.exp(-((crease / 0.16) ** 2)))
    light -= 0.07 * side * np.exp(-((second / 0.03) ** 2)) + 0.08 * side * np.exp(-((pouch / 0.06) ** 2))
    light -= 0.06 * side * np.exp(-(((pouch - 0.17) / 0.035) ** 2))
    # The lid bulges over the globe: lit in the middle, darker at its edge.
    light -= 0.22 * between * np.exp(-((above / 0.10) ** 2)) * (above > 0)
    light += 0.10 * np.exp(-(((above - 0.5 * eye.person.crease) / 0.2) ** 2)) * side
    light -= 0.05 * ramp(below, 0.1, 0.6)
    corner = np.exp(-(((y - base + 0.4 * (np.abs(x) - opening.half)) / 0.022) ** 2))
    out = np.abs(x) - np.float32(opening.half)
    light -= 0.35 * corner * np.exp(-np.maximum(out, 0) * 4) * (out > 0)
    thick = _MARGIN * opening.inside(x, 0.35) * (1 + 0.12 * np.sin(3 * x))
    lower = ramp(as_float(below - thick), 0.03, -0.02) * (below > -0.05) * opening.inside(x, 0.08)
    upper = 0.45 * ramp(above, 0.06, 0.0) * (above > -0.02) * between
    light += 0.22 * lower * np.exp(-(((below - 0.45 * thick) / 0.018) ** 2))
    return as_float(light), as_float(np.maximum(lower, upper))


def _blotches(eye: Eye, x: Float, y: Float) -> Float:
    """Wide blotches of the skin of about unit spread, looked up at every eighth pixel or so."""
    height, width = x.shape[0] // 8 + 1, x.shape[1] // 8 + 1
    u, v = resize(x, height, width, area=True), resize(y, height, width, area=True)
    coarse = remap(eye.skin, as_float(u * 16 + 4096), as_float(v * 16 + 4096), border=cv2.BORDER_WRAP)
    return resize(coarse, *x.shape)


def _flesh(
    eye: Eye, view: View, face: tuple[Float, Float], light: Float, moist: Float, blotch: Float
) -> Float:
    """Colour planes of the lids: skin with pores, blotches and wrinkles along the lids; moist pink edges."""
    x, y = face
    pores = remap(eye.skin, as_float(x * 190 + 4096), as_float(y * 190 + 4096), border=cv2.BORDER_WRAP)
    bent = y - 0.12 * x * x
    wrinkles = remap(eye.skin, as_float(x * 30 + 4200), as_float(bent * 150 + 4300), border=cv2.BORDER_WRAP)
    texture = (1 + 0.035 * pores - 0.06 * np.maximum(wrinkles, 0) + 0.03 * blotch) * light
    if view.light.infrared:
        skin, edge, warm = np.full(3, 0.62), np.full(3, 0.70), np.zeros(3)
    else:
        skin = np.asarray(eye.person.skin)
        edge = 0.55 * skin + np.array([0.36, 0.20, 0.18])
        warm = np.array([0.004, -0.018, -0.022])
    out = np.empty((3, *x.shape), np.float32)
    for plane, a, b, c in zip(out, skin, edge, warm, strict=True):
        np.multiply(texture, np.float32(a), out=plane)
        plane += np.float32(c) * blotch
        plane += (np.float32(b) * light + np.float32(0.03) * pores - plane) * moist
    return out


def _caruncle(eye: Eye, view: View, layer: Layer, opening: Fissure, x: Float, y: Float) -> None:
    """Lay the pink fold and lump over the nasal corner, by which right and left eyes are told apart."""
    corner_x = opening.half * eye.nasal
    corner_y = opening.right_y if eye.nasal > 0 else opening.left_y
    near = (np.abs(x - np.float32(corner_x)) < 1.1) & (np.abs(y - np.float32(corner_y)) < 1.1)
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    if not len(rows):
        return
    box = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    inward = (np.float32(corner_x) - x[box]) * np.float32(eye.nasal)
    up = y[box] - np.float32(corner_y)
    bumps = remap(
        eye.skin, as_float(x[box] * 260 + 4096), as_float(y[box] * 260 + 4096), border=cv2.BORDER_WRAP
    )
    gain = 0.9 if view.light.infrared else 1.0
    fold = ramp(as_float(inward + 0.5 * up**2 + 0.02 * bumps), 0.80, 0.42)
    layer.over(as_float([0.74, 0.47, 0.43]), as_float(0.7 * gain * fold), box=box)
    lump = as_float(np.sqrt(((inward - 0.22) / 0.22) ** 2 + (up / 0.16) ** 2) + 0.10 * bumps)
    relief = 1 + 0.10 * bumps + 0.15 * ramp(lump, 0.8, 0.1)
    layer.over(as_float(spread([0.74, 0.41, 0.37]) * relief), as_float(0.9 * ramp(lump, 1.25, 0.7)), box=box)


def _tears(view: View, layer: Layer, opening: Fissure, x: Float, below: Float) -> None:
    """Lay the bright broken line where the tear film meets the lower lid."""
    line = np.exp(-(((below + 0.020) / 0.010) ** 2)) * opening.inside(x, 0.3)
    broken = 0.4 + 0.35 * np.sin(2.3 * x + 1) + 0.3 * np.sin(9 * x) * np.sin(4.1 * x)
    layer.over(as_float([0.98, 0.98, 0.97]), as_float(np.clip(line * broken * view.light.meniscus, 0, 0.9)))
