"""What stays when the eye turns: lids, skin, lashes, caruncle, tears and glints, as one translucent layer."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from synthetic.eye import ROTATION_DEPTH, Eye
from synthetic.fields import Byte, Float, as_float, blur, ramp, remap
from synthetic.geometry import eye_to_head, head_to_picture, project
from synthetic.view import Glint, View


@dataclass(eq=False, slots=True)
class _Layer:
    """A premultiplied colour with its opacity; things are laid over it in place."""

    rgb: Float
    alpha: Float

    def over(self, color: Float, alpha: Float) -> None:
        """Lay `color` over what is there."""
        keep = 1 - alpha
        self.rgb *= keep[:, :, None]
        self.rgb += color * alpha[:, :, None]
        self.alpha *= keep
        self.alpha += alpha


@dataclass(frozen=True, eq=False, slots=True)
class _Fissure:
    """The opening between the lids; limbus radii, y up, from where the straight eye has its limbus."""

    right: float
    left: float
    right_y: float
    left_y: float
    upper: float
    lower: float
    peak: float

    def share(self, x: Float) -> Float:
        return as_float((x - np.float32(self.left)) / np.float32(self.right - self.left))

    def base(self, x: Float) -> Float:
        return as_float(self.left_y + (self.right_y - self.left_y) * self.share(x))

    def arch(self, x: Float, power: float, peak: float) -> Float:
        u = np.clip(self.share(x), 0, 1)
        return as_float((4 * u * (1 - u)) ** power * (1 + peak * (u - 0.5)))

    def upper_y(self, x: Float) -> Float:
        return as_float(self.base(x) + self.upper * self.arch(x, 0.62, self.peak))

    def lower_y(self, x: Float) -> Float:
        return as_float(self.base(x) - self.lower * self.arch(x, 0.72, -0.5 * self.peak))


def fissure(eye: Eye, view: View) -> _Fissure:
    """Place the lids so that the upper one hides the share of the limbal ring that the view asks for."""
    lids = view.lids
    if lids is None:
        msg = "a view without lids has no fissure"
        raise ValueError(msg)
    person, side = eye.person, eye.nasal
    nasal_y, temporal_y = -0.22 - person.canthus_tilt, -0.22 + person.canthus_tilt
    ends = (nasal_y, temporal_y) if side > 0 else (temporal_y, nasal_y)

    def with_heights(upper: float, lower: float) -> _Fissure:
        half = person.half_fissure * (1.12 if lids.speculum else 1.0)
        return _Fissure(half, -half, ends[0], ends[1], upper, lower, 0.12 * side)

    if lids.speculum:
        return with_heights(1.95, 1.55)
    x, y = _limbus_on_face(eye, view)
    below = int(np.argmin(y))
    draft = with_heights(1.0, 1.0)
    room = float(draft.arch(as_float(x[below : below + 1]), 0.72, -0.06 * side)[0])
    lower = (float(draft.base(as_float(x[below : below + 1]))[0]) - float(y[below]) + lids.lower_gap) / max(
        room, 0.3
    )
    low, high = 0.1, 3.0
    for _ in range(30):
        upper = (low + high) / 2
        hidden = float(np.mean(y > with_heights(upper, lower).upper_y(x)))
        low, high = (upper, high) if hidden > lids.upper_cover else (low, upper)
    return with_heights(high + (0.06 if lids.upper_cover <= 0 else 0.0), lower)


def _face(view: View, x: Float, y: Float) -> tuple[Float, Float]:
    """Go over from coordinates about the limbus, which moves with gaze, to those of the face."""
    gaze = eye_to_head(view)[:, 2]
    return as_float(x + np.float32(ROTATION_DEPTH * gaze[0])), as_float(
        y + np.float32(ROTATION_DEPTH * gaze[1])
    )


def _limbus_on_face(eye: Eye, view: View) -> tuple[Float, Float]:
    upright = View(limbus_radius_px=1.0, center_x_px=0.0, center_y_px=0.0, rotation_deg=view.rotation_deg,
                   yaw_deg=view.yaw_deg, pitch_deg=view.pitch_deg)  # fmt: skip
    px, py = project(eye, upright, np.arange(720) * 0.5, 1.0, surface="limbus")
    return _face(view, as_float(px), as_float(-py))


def draw_overlay(
    eye: Eye, view: View, x: Float, y: Float, rng: np.random.Generator
) -> tuple[Float, Float, Float]:
    """Draw everything that stays.

    Parameters
    ----------
    eye, view : Eye, View
    x, y : ndarray (H, W)
        Head coordinates of the pixels.
    rng : numpy.random.Generator
        Places the lashes.

    Returns
    -------
    rgb : ndarray (H, W, 3) float32
        Colour, premultiplied by the opacity.
    alpha : ndarray (H, W) float32
    hidden : ndarray (H, W) float32
        Opacity of what truly hides the eye (lids, lashes, glints), without mere shadows.
    """
    layer = _Layer(np.zeros((*x.shape, 3), np.float32), np.zeros(x.shape, np.float32))
    hidden = np.zeros(x.shape, np.float32)
    for glint in view.light.glints:
        cover = _glint(view, glint, x.shape)
        tint = [1.0, 1.0, 1.0] if view.light.infrared else [1.0, 0.99, 0.97]
        layer.over(as_float(tint), cover)
        hidden = np.maximum(hidden, cover)
    if view.lids is not None:
        lids = _lids(eye, view, layer, x, y)
        hidden = np.maximum(hidden * (1 - lids), lids)
        if view.lids.lashes > 0 and not view.lids.speculum:
            hidden = np.maximum(hidden, _lashes(eye, view, layer, rng))
    return layer.rgb, layer.alpha, as_float(hidden)


def _lids(eye: Eye, view: View, layer: _Layer, x: Float, y: Float) -> Float:
    """Lay both lids, their margins and shadows over the layer; return how much they hide."""
    opening = fissure(eye, view)
    fx, fy = _face(view, x, y)
    pixel = 1 / view.limbus_radius_px
    above, below = _distances(opening, fx, fy)
    # Shadow of the upper lid and its lashes on the globe, and a narrow one along the lower lid.
    shade = 0.50 * np.exp(-np.maximum(-above, 0) * np.float32(7.0)) + 0.16 * np.exp(
        -np.maximum(-above, 0) * np.float32(1.6)
    )
    shade = shade + 0.25 * np.exp(-np.maximum(-below, 0) * np.float32(9.0))
    layer.over(as_float([0.10, 0.045, 0.03]), as_float(np.minimum(shade, 0.8)))
    _caruncle(eye, view, layer, opening, fx, fy)
    _tears(view, layer, fx, below)
    upper, lower = ramp(above, -pixel, pixel), ramp(below, -pixel, pixel)
    margin = 0.11 + 0.02 * np.sin(3 * fx)
    wet = as_float(_wet(eye, view))
    skin, fine = _skin(eye, view, fx, fy)
    rim = ramp(as_float(below - margin), 0.035, -0.02)[:, :, None]
    glow = (1.0 + 0.25 * np.exp(-(((below - 0.035) / 0.022) ** 2)) + 0.05 * fine)[:, :, None]
    crease = np.exp(-(((below - 0.62 - 0.03 * fx) / 0.05) ** 2)) * 0.12
    lower_skin = skin * (0.97 - 0.10 * ramp(below, 0.1, 0.7) - crease)[:, :, None]
    layer.over(as_float(lower_skin + (wet * glow - lower_skin) * rim), lower)
    depth = eye.person.crease
    fold = np.exp(-(((above - depth - 0.05 * np.cos(fx)) / 0.045) ** 2))
    roll = 0.80 + 0.25 * ramp(above, 0.0, 0.12) - 0.32 * fold + 0.06 * ramp(above, depth, depth + 0.2)
    upper_skin = skin * roll[:, :, None]
    edge = ramp(as_float(above), 0.07, 0.0)[:, :, None] * 0.55
    layer.over(as_float(upper_skin + (wet * 0.62 - upper_skin) * edge), upper)
    return as_float(np.maximum(upper, lower))


def _distances(opening: _Fissure, x: Float, y: Float) -> tuple[Float, Float]:
    """Signed distances above the upper and below the lower lid margin (negative inside the opening)."""
    line = x[0] if np.ptp(x[:, 0]) == 0 else None
    grid = x if line is None else line[None, :]
    step = np.float32(0.01)
    result = []
    for curve, sign in ((opening.upper_y, 1), (opening.lower_y, -1)):
        level = curve(grid)
        slope = np.clip((curve(grid + step) - level) / step, -2.0, 2.0)
        result.append(as_float(sign * (y - level) / np.sqrt(1 + slope * slope)))
    return result[0], result[1]


def _wet(eye: Eye, view: View) -> tuple[float, float, float]:
    """Colour of the lid margin: moist, pinker than the skin."""
    if view.light.infrared:
        return (0.6, 0.6, 0.6)
    r, g, b = eye.person.skin
    return (0.45 * r + 0.50, 0.45 * g + 0.27, 0.45 * b + 0.25)


def _skin(eye: Eye, view: View, x: Float, y: Float) -> tuple[Float, Float]:
    """Skin: pores and blotches, and fine wrinkles that run along the lids; and its fine texture alone."""
    tile = eye.skin
    pores = remap(tile, as_float(x * 190 + 4096), as_float(y * 190 + 4096), border=cv2.BORDER_WRAP)
    bent = y - 0.12 * x * x
    wrinkles = remap(tile, as_float(x * 22 + 4200), as_float(bent * 120 + 4300), border=cv2.BORDER_WRAP)
    blotch = remap(tile, as_float(x * 16 + 4096), as_float(y * 16 + 4096), border=cv2.BORDER_WRAP)
    base = np.full(3, 0.62, np.float32) if view.light.infrared else as_float(eye.person.skin)
    texture = 1 + 0.035 * pores - 0.05 * np.maximum(wrinkles, 0) + 0.04 * blotch
    warm = as_float([0.0, -0.03, -0.035]) * blotch[:, :, None]
    return as_float(base * texture[:, :, None] + (0 if view.light.infrared else warm)), pores


def _caruncle(eye: Eye, view: View, layer: _Layer, opening: _Fissure, x: Float, y: Float) -> None:
    """Lay the pink fold and lump over the nasal corner, by which right and left eyes are told apart."""
    corner = opening.right if eye.nasal > 0 else opening.left
    corner_y = opening.right_y if eye.nasal > 0 else opening.left_y
    inward = (np.float32(corner) - x) * np.float32(eye.nasal)
    bumps = remap(eye.skin, as_float(x * 260 + 4096), as_float(y * 260 + 4096), border=cv2.BORDER_WRAP)
    dark = 0.55 if view.light.infrared else 1.0
    plica = ramp(as_float(inward + 0.5 * (y - corner_y) ** 2), 0.62, 0.45)
    layer.over(as_float(np.array([0.80, 0.52, 0.48]) * dark), as_float(0.75 * plica))
    lump = np.sqrt(((inward - 0.20) / 0.24) ** 2 + ((y - corner_y) / 0.17) ** 2) + 0.08 * bumps
    color = (
        as_float(np.array([0.82, 0.47, 0.43]) * dark)
        * (1 + 0.07 * bumps + 0.12 * ramp(as_float(lump), 0.7, 0.1))[:, :, None]
    )
    layer.over(as_float(color), ramp(as_float(lump), 1.1, 0.85))


def _tears(view: View, layer: _Layer, x: Float, below: Float) -> None:
    """Bright broken line where the tear film meets the lower lid."""
    line = np.exp(-(((below + 0.022) / 0.011) ** 2)) * (
        0.45 + 0.35 * np.sin(2.3 * x + 1) + 0.25 * np.sin(9 * x)
    )
    layer.over(as_float([0.98, 0.98, 0.97]), as_float(np.clip(line * view.light.meniscus, 0, 0.9)))


def _canvas_scale(view: View) -> int:
    """Supersampling for things drawn as polygons and lines: small pictures need more."""
    return 1 if view.width_px * view.height_px > 3_000_000 else 2


def _shrink(canvas: Byte, view: View) -> Float:
    shape = (view.width_px, view.height_px)
    return as_float(cv2.resize(canvas, shape, interpolation=cv2.INTER_AREA)) * np.float32(1 / 255)


def _to_canvas(view: View, x: Float, y: Float) -> np.ndarray[tuple[int, ...], np.dtype[np.int32]]:
    """Map head coordinates to the fixed-point (1/16) pixels of the supersampled canvas."""
    scale = _canvas_scale(view)
    px, py = head_to_picture(view, x, y)
    points = np.stack([(px + 0.5) * scale - 0.5, (py + 0.5) * scale - 0.5], axis=-1)
    return np.round(points * 16).astype(np.int32)


def _glint(view: View, glint: Glint, shape: tuple[int, ...]) -> Float:
    """Opacity of one mirror image of a lamp."""
    scale = _canvas_scale(view)
    canvas = np.zeros((shape[0] * scale, shape[1] * scale), np.uint8)
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    circle = np.stack([np.cos(turn), np.sin(turn)])
    size = glint.size
    if glint.kind == "window":
        for left, bottom in ((-1, -1.2), (0.06, -1.2), (-1, 0.06), (0.06, 0.06)):
            # Panes bulge, as the cornea is a convex mirror.
            corner = np.array(
                [[left, left + 0.94, left + 0.94, left], [bottom, bottom, bottom + 1.14, bottom + 1.14]]
            )
            bent = corner * (1 - 0.06 * (corner**2).sum(axis=0))
            cv2.fillPoly(
                canvas,
                [_to_canvas(view, as_float(glint.x + size * bent[0]), as_float(glint.y + size * bent[1]))],
                255,
                cv2.LINE_AA,
                4,
            )
    else:
        points = _to_canvas(view, as_float(glint.x + size * circle[0]), as_float(glint.y + size * circle[1]))
        cv2.fillPoly(canvas, [points], 255, cv2.LINE_AA, 4)
        if glint.kind == "ring":
            hole = 0.72 * size
            points = _to_canvas(
                view, as_float(glint.x + hole * circle[0]), as_float(glint.y + hole * circle[1])
            )
            cv2.fillPoly(canvas, [points], 0, cv2.LINE_AA, 4)
    sharp = _shrink(canvas, view)
    radius_px = view.limbus_radius_px
    bloom = 0.10 * blur(sharp, 0.06 * radius_px) if glint.strength >= 0.8 else np.float32(0)
    return as_float(np.clip((blur(sharp, 0.004 * radius_px + 0.3) + bloom) * glint.strength, 0, 1))


def _lashes(eye: Eye, view: View, layer: _Layer, rng: np.random.Generator) -> Float:
    """Eyelashes and the shadows that they throw; returns how much the hairs hide."""
    lids = view.lids
    if lids is None:
        return np.zeros_like(layer.alpha)
    opening = fissure(eye, view)
    scale = _canvas_scale(view)
    canvas = np.zeros((view.height_px * scale, view.width_px * scale), np.uint8)
    gaze = eye_to_head(view)[:, 2]
    for upper, count in ((True, int(95 * lids.lashes)), (False, int(55 * lids.lashes))):
        roots = np.sort(rng.uniform(0.08, 0.95, count)) * (opening.right - opening.left) + opening.left
        roots += rng.normal(0, 0.02, count)
        for root in roots:
            path = _lash_path(opening, float(root), rng, upper=upper, droop=lids.droop)
            path -= ROTATION_DEPTH * gaze[:2, None]
            points = _to_canvas(view, as_float(path[0]), as_float(path[1]))
            thick = rng.uniform(0.012, 0.020) * (1 if upper else 0.75) * view.limbus_radius_px * scale
            for k in range(len(points) - 1):
                width = max(1, round(thick * (1 - 0.85 * k / len(points))))
                cv2.line(canvas, points[k].tolist(), points[k + 1].tolist(), 235, width, cv2.LINE_AA, 4)
    hair = _shrink(canvas, view)
    shift = round(0.05 * view.limbus_radius_px)
    shadow = blur(np.roll(hair, (shift, shift // 2), axis=(0, 1)), 0.035 * view.limbus_radius_px)
    layer.over(as_float([0.08, 0.04, 0.03]), as_float(0.28 * shadow))
    color = np.full(3, 0.08, np.float32) if view.light.infrared else as_float(eye.person.lash)
    layer.over(color, as_float(0.92 * hair))
    return hair


def _lash_path(
    opening: _Fissure, root: float, rng: np.random.Generator, *, upper: bool, droop: float
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Points (2, n) of one lash on the face, from the margin outwards, upper ones curved up."""
    share = 2 * float(opening.share(as_float(root))) - 1
    curve = opening.upper_y if upper else opening.lower_y
    y = float(curve(as_float(root)))
    along = np.linspace(0, 1, 12)
    if upper:
        y += 0.015
        length = rng.uniform(0.45, 0.95)
        hangs = rng.uniform() < droop
        start = -rng.uniform(0.25, 0.6) if hangs else rng.uniform(-0.1, 0.35)
        rise = length * (
            start * along + (rng.uniform(0.25, 0.6) if hangs else rng.uniform(0.5, 0.9)) * along**2
        )
        sweep = length * (0.75 * share + rng.normal(0, 0.16)) * along
    else:
        y -= rng.uniform(0.07, 0.13)
        length = rng.uniform(0.22, 0.5)
        rise = -length * (rng.uniform(0.55, 1.0) * along - 0.3 * along**2)
        sweep = length * (0.7 * share + rng.normal(0, 0.22)) * along
    return np.asarray(np.stack([root + sweep, y + rise]))
