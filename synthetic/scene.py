"""What stays when the eye turns, as one translucent layer: lids, lashes, mirror images in the cornea."""

from __future__ import annotations

import cv2
import numpy as np

from synthetic.eye import Eye
from synthetic.fields import Float, as_float, blur, blur_wide, ramp, remap
from synthetic.lashes import Canvas, draw_lashes, draw_speculum, draw_tool
from synthetic.layer import Layer
from synthetic.lids import draw_lids
from synthetic.view import Glint, View


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
    planes : ndarray (3, H, W) float32
        Colour, premultiplied by the opacity.
    alpha : ndarray (H, W) float32
    hidden : ndarray (H, W) float32
        Opacity of what truly hides the eye (lids, lashes, wires, glints), without mere shadows and veils.
    """
    layer = Layer.clear(x.shape)
    hidden = np.zeros(x.shape, np.float32)
    _reflection(eye, view, layer, x, y)
    for glint in view.light.glints:
        cover = _glint(view, glint)
        layer.over(as_float([1.0, 0.995, 0.98]), cover)
        hidden = np.maximum(hidden, cover)
    if view.lids is not None:
        lids = draw_lids(eye, view, layer, x, y)
        hidden = np.maximum(hidden * (1 - lids), lids)
        if view.lids.speculum:
            hidden = np.maximum(hidden, draw_speculum(eye, view, layer))
        elif view.lids.lashes > 0:
            hidden = np.maximum(hidden, draw_lashes(eye, view, layer, rng))
    for tool in view.tools:
        hidden = np.maximum(hidden, draw_tool(view, tool, layer))
    return layer.planes, layer.alpha, as_float(hidden)


def _reflection(eye: Eye, view: View, layer: Layer, x: Float, y: Float) -> None:
    """Lay the faint mirror image of the surroundings over the cornea: bright above, patchy, and it stays."""
    if view.light.reflection <= 0:
        return
    near = x * x + y * y < np.float32(0.98)
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    if not len(rows):
        return
    box = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    u, v = x[box], y[box]
    radius = u * u + v * v
    # A convex mirror crowds the surroundings towards its rim.
    swell = 1 + 0.9 * radius
    shapes = remap(
        eye.skin, as_float(u * swell * 9 + 900), as_float(v * swell * 9 + 700), border=cv2.BORDER_WRAP
    )
    veil = (0.5 + 0.35 * v + 0.35 * ramp(shapes, 0.2, 1.0)) * ramp(radius, 0.96, 0.55)
    layer.over(as_float([0.80, 0.86, 0.95]), as_float(np.clip(veil * view.light.reflection, 0, 0.6)), box=box)


def _glint(view: View, glint: Glint) -> Float:
    """Opacity of one mirror image of a lamp."""
    canvas = Canvas(view)
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    circle = np.stack([np.cos(turn), np.sin(turn)])
    size = glint.size
    if glint.kind == "window":
        for left in (-1.0, 0.06):
            for bottom in (-1.2, 0.06):
                pane = np.array(
                    [[left, left + 0.94, left + 0.94, left], [bottom, bottom, bottom + 1.14, bottom + 1.14]]
                )
                bent = size * pane * (1 - 0.06 * (pane**2).sum(axis=0))  # the cornea is a convex mirror
                canvas.polygon(canvas.place(glint.x + bent[0], glint.y + bent[1]))
    else:
        canvas.polygon(canvas.place(glint.x + size * circle[0], glint.y + size * circle[1]))
    if glint.kind == "ring":
        hole = 0.74 * size
        canvas.polygon(canvas.place(glint.x + hole * circle[0], glint.y + hole * circle[1]), 0)
    sharp = canvas.finish()
    unit = view.limbus_radius_px
    cover = blur(sharp, 0.004 * unit + 0.3)
    if glint.strength >= 0.8:
        # Stray light round a clipped highlight.
        cover = as_float(cover + 0.10 * blur_wide(sharp, 0.06 * unit))
    return as_float(np.clip(cover * glint.strength, 0, 1))
