"""Pen marks across the limbus: how they are drawn, and exactly where and how wide they are."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from synthetic.eye import Eye
from synthetic.fields import Float, as_float, fractal, ramp, remap, wrapped
from synthetic.geometry import Ellipse, project
from synthetic.layer import spread
from synthetic.surface import InkMark
from synthetic.view import View

_INK = {
    "violet": (0.30, 0.16, 0.52),
    "blue": (0.13, 0.24, 0.60),
    "black": (0.10, 0.10, 0.13),
    "brown": (0.36, 0.21, 0.13),
}
_STEP_DEG = 0.01  # of the profile in which the truth is read


@dataclass(frozen=True, slots=True)
class MarkTruth:
    """Where a mark is and how wide, exactly.

    Attributes
    ----------
    mark : InkMark
    direction_deg : float
        Middle between the two places of half contrast where the mark crosses the limbus, in the frame of the
        seated eye (rotation 0), not wrapped.
    width_deg : float
        Between those places.
    picture_direction_deg : float
        The same direction in the picture as displayed, about the middle of the limbus there, in [0, 360).
    visible : float
        Share of the mark just outside the limbus that no lid, lash, wire or glint hides.
    """

    mark: InkMark
    direction_deg: float
    width_deg: float
    picture_direction_deg: float
    visible: float


def draw_ink(eye: Eye, mark: InkMark, planes: Float, angle: Float, log_radius: Float) -> None:
    """Lay a pen mark on colour planes (3, H, W), in place.

    Parameters
    ----------
    eye : Eye
    mark : InkMark
    planes : ndarray (3, H, W)
    angle, log_radius : ndarray (H, W)
        Where each pixel falls on the globe, in the frame of the eye.
    """
    away = as_float(np.degrees(wrapped(angle - np.float32(np.radians(mark.direction_deg)))))
    if mark.slant_deg:
        away = as_float(away - np.float32(mark.slant_deg / np.log(mark.outer)) * log_radius)
    start, end = np.log(mark.inner), np.log(mark.outer)
    along = ramp(log_radius, start - 0.02, start + 0.02) * ramp(log_radius, end + 0.03, end - 0.03)
    # Ink lies in blobs; the pattern hangs on the mark, so it turns with the eye.
    rng = np.random.default_rng([eye.seed, 77, int(abs(mark.direction_deg) * 10)])
    blobs = fractal(rng, 128, coarsest=8, octaves=3)
    patchy = 0.86 + 0.17 * remap(
        blobs,
        as_float(64 + 30 * away / np.float32(mark.width_deg)),
        as_float(64 + log_radius * 128),
        border=cv2.BORDER_WRAP,
    )
    full = np.float32(0.9 * (1 - mark.fading))
    cover = _across(mark, away) * along * np.clip(patchy, 0.35, 1.0) * full
    planes += (spread(_INK[mark.color]) * (0.35 + 0.65 * planes.mean(axis=0)) - planes) * cover


def mark_truth(
    eye: Eye, view: View, mark: InkMark, *, limbus: Ellipse, hidden: npt.NDArray[np.float32]
) -> MarkTruth:
    """Tell the truth about one mark of a view.

    Parameters
    ----------
    eye, view : Eye, View
    mark : InkMark
    limbus : Ellipse
        Of the picture as displayed.
    hidden : ndarray (H, W)
        Opacity of what hides the eye, in the picture as displayed.
    """
    away = as_float(np.arange(-4 * mark.width_deg, 4 * mark.width_deg, _STEP_DEG))
    profile = _across(mark, away)
    inside = away[profile >= 0.5 * profile.max()]
    direction = mark.direction_deg + float(inside[0] + inside[-1]) / 2
    width = float(inside[-1] - inside[0])
    x, y = project(eye, view, direction, 1.0)
    seen = np.degrees(np.arctan2(limbus.y_px - y, x - limbus.x_px))
    angles = direction + np.linspace(-0.5, 0.5, 7)[:, None] * width
    columns, rows = project(eye, view, angles * np.ones(6), np.linspace(1.03, 1.15, 6) * np.ones((7, 1)))
    column, row = np.rint(columns).astype(int), np.rint(rows).astype(int)
    height, across = hidden.shape
    in_picture = (row >= 0) & (row < height) & (column >= 0) & (column < across)
    covered = hidden[np.clip(row, 0, height - 1), np.clip(column, 0, across - 1)]
    visible = float((in_picture & (covered < 0.25)).mean())
    return MarkTruth(mark, direction, width, float(np.mod(seen, 360.0)), visible)


def _across(mark: InkMark, away_deg: Float) -> Float:
    """Contrast across the mark, 0 to 1: soft edges, and a tail counter-clockwise where it has run."""
    width, soft = mark.width_deg, 0.35 * mark.width_deg
    left = ramp(away_deg, -(width + soft) / 2, -(width - soft) / 2)
    right = ramp(away_deg, (width + soft) / 2, (width - soft) / 2)
    if mark.smear > 0:
        run = np.maximum(away_deg - np.float32(width / 2), 0) / np.float32(mark.smear * width)
        right = np.maximum(right, np.exp2(-2 * run))  # a quarter is left where it has run its own width
    return as_float(left * right)
