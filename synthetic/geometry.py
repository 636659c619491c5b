"""From the eye to the picture and back: gaze, torsion, roll, mirror and turn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from synthetic.eye import GLOBE_RADIUS, IRIS_DEPTH, LIMBUS_HEIGHT, Eye
from synthetic.fields import Float, as_float, lookup, wrapped
from synthetic.view import View

_Double = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ellipse:
    """An ellipse in the picture: centre and semi-axes in pixels, direction of the long axis in [0, 180)."""

    x_px: float
    y_px: float
    major_px: float
    minor_px: float
    direction_deg: float

    @property
    def radius_px(self) -> float:
        """Geometric mean of the semi-axes."""
        return float(np.sqrt(self.major_px * self.minor_px))


def eye_to_head(view: View) -> _Double:
    """Return the rotation (3, 3) from the frame of the eye to the head's: torsion, then the shortest tilt."""
    tilt = np.radians(np.hypot(view.yaw_deg, view.pitch_deg))
    toward = np.arctan2(view.pitch_deg, view.yaw_deg)
    axis = np.array([-np.sin(toward), np.cos(toward), 0.0])  # in the picture plane, hence no torsion
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    shortest = np.eye(3) + np.sin(tilt) * cross + (1 - np.cos(tilt)) * cross @ cross
    c, s = np.cos(np.radians(view.rotation_deg)), np.sin(np.radians(view.rotation_deg))
    return np.asarray(shortest @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]))


def head_grid(view: View) -> tuple[Float, Float]:
    """Return head coordinates (x right, y up, limbus radii from the middle of the limbus) of every pixel."""
    cx, cy = view.center_px
    x = as_float((np.arange(view.width_px) - cx) / view.limbus_radius_px)[None, :]
    y = as_float((cy - np.arange(view.height_px)) / view.limbus_radius_px)[:, None]
    c, s = np.float32(np.cos(np.radians(view.roll_deg))), np.float32(np.sin(np.radians(view.roll_deg)))
    return as_float(c * x + s * y), as_float(c * y - s * x)


def head_to_picture(view: View, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[_Double, _Double]:
    """Map head coordinates to pixels of the picture before it is mirrored and turned."""
    c, s = np.cos(np.radians(view.roll_deg)), np.sin(np.radians(view.roll_deg))
    xs, ys = np.asarray(x, np.float64), np.asarray(y, np.float64)
    cx, cy = view.center_px
    return cx + view.limbus_radius_px * (c * xs - s * ys), cy - view.limbus_radius_px * (s * xs + c * ys)


def displayed(view: View, x_px: npt.ArrayLike, y_px: npt.ArrayLike) -> tuple[_Double, _Double]:
    """Carry pixels into the picture as displayed: mirrored, then turned counter-clockwise."""
    x, y = np.asarray(x_px, np.float64), np.asarray(y_px, np.float64)
    width, height = view.width_px, view.height_px
    if view.mirrored:
        x = width - 1 - x
    for _ in range(view.turn_deg // 90):
        x, y = y, width - 1 - x
        width, height = height, width
    return x, y


def globe_coordinates(view: View, x: Float, y: Float) -> tuple[Float, Float, Float]:
    """Return where the line of sight of each pixel meets the globe.

    Parameters
    ----------
    view : View
    x, y : ndarray (H, W)
        Head coordinates.

    Returns
    -------
    x_eye, y_eye : ndarray (H, W)
        In the frame of the eye, limbus radii (the limbus lies near radius 1).
    facing : ndarray (H, W)
        Cosine between the surface and the camera, 0 at the horizon of the globe.
    """
    turn = as_float(eye_to_head(view))
    a, b = x + LIMBUS_HEIGHT * turn[0, 2], y + LIMBUS_HEIGHT * turn[1, 2]
    c = np.sqrt(np.maximum(GLOBE_RADIUS**2 - a * a - b * b, np.float32(0.02)))
    return (
        as_float(turn[0, 0] * a + turn[1, 0] * b + turn[2, 0] * c),
        as_float(turn[0, 1] * a + turn[1, 1] * b + turn[2, 1] * c),
        as_float(c / np.float32(GLOBE_RADIUS)),
    )


def iris_plane(view: View, x: Float, y: Float) -> tuple[Float, Float]:
    """Return where the line of sight of each pixel meets the plane of the iris, in the frame of the eye."""
    turn = as_float(eye_to_head(view))
    a, b = x + LIMBUS_HEIGHT * turn[0, 2], y + LIMBUS_HEIGHT * turn[1, 2]
    c = (LIMBUS_HEIGHT - IRIS_DEPTH - turn[0, 2] * a - turn[1, 2] * b) / turn[2, 2]
    return (
        as_float(turn[0, 0] * a + turn[1, 0] * b + turn[2, 0] * c),
        as_float(turn[0, 1] * a + turn[1, 1] * b + turn[2, 1] * c),
    )


def pupil_center(eye: Eye, view: View) -> tuple[float, float]:
    """Return the centre of the pupil in the frame of the eye: it drifts as the pupil opens."""
    (x, y), (drift_x, drift_y) = eye.shape.pupil_center, eye.shape.pupil_drift
    more = view.pupil_ratio - 0.35
    return x + drift_x * more, y + drift_y * more


ROOT = 1.03
"""Radius of the iris root in limbus radii: just behind the limbus."""


def iris_coordinates(eye: Eye, view: View, x: Float, y: Float) -> tuple[Float, Float]:
    """Return angle [rad] and fraction, 0 at the edge of the pupil and 1 at the root, of points of the iris.

    Between pupil and root lie circles whose centres and radii go over from one to the other, so a pupil off
    the centre bends the iris smoothly.
    """
    cx, cy = pupil_center(eye, view)
    p = view.pupil_ratio
    # |(x, y) - c (1 - f)| = p + (ROOT - p) f, solved for f.
    dx, dy, width = x - np.float32(cx), y - np.float32(cy), ROOT - p
    a = cx * cx + cy * cy - width * width
    b = dx * np.float32(cx) + dy * np.float32(cy) - np.float32(p * width)
    c = dx * dx + dy * dy - np.float32(p * p)
    f = (-b - np.sqrt(np.maximum(b * b - np.float32(a) * c, 0))) / np.float32(a)
    angle = np.arctan2(dy + np.float32(cy) * f, dx + np.float32(cx) * f)
    wave = lookup(eye.shape.pupil_wave, as_float(angle)) * np.float32(p / width)
    return as_float(angle), as_float(f - wave * (1 - f))


def iris_stretch(view: View, fraction: Float) -> Float:
    """Return the row of the texture shown at a fraction: as the pupil opens, the inner iris yields more."""
    bend = 0.45 * (view.pupil_ratio - 0.35)
    return as_float(fraction + np.float32(bend) * fraction * (1 - fraction))


def project(
    eye: Eye,
    view: View,
    angle_deg: npt.ArrayLike,
    radius: npt.ArrayLike,
    *,
    surface: Literal["globe", "iris", "limbus", "pupil"] = "globe",
) -> tuple[_Double, _Double]:
    """Return the pixels of the displayed picture at which points of the eye appear.

    Parameters
    ----------
    eye, view : Eye, View
    angle_deg, radius : array_like
        Polar coordinates in the frame of the eye (the seated frame). `radius` in limbus radii, or for the
        limbus and the pupil as a multiple of their own radius at that angle.
    surface : {"globe", "iris", "limbus", "pupil"}
        The globe (with the limbus) and the plane of the iris (with the pupil) lie at different depths.

    Returns
    -------
    x_px, y_px : ndarray
    """
    angle = np.radians(np.asarray(angle_deg, np.float64))
    r = np.asarray(radius, np.float64) * np.ones_like(angle)
    turn = eye_to_head(view)
    if surface == "pupil":
        f = lookup(eye.shape.pupil_wave, wrapped(angle))
        cx, cy = pupil_center(eye, view)
        p, width = view.pupil_ratio, ROOT - view.pupil_ratio
        wave = f * p / width
        edge = wave / (1 + wave)  # fraction at which the wavy edge lies
        reach = (p + width * edge) * r
        px, py = cx * (1 - edge) + reach * np.cos(angle), cy * (1 - edge) + reach * np.sin(angle)
        z = np.full_like(px, LIMBUS_HEIGHT - IRIS_DEPTH)
    else:
        if surface == "limbus":
            r = r * lookup(eye.shape.limbus, wrapped(angle))
        px, py = r * np.cos(angle), r * np.sin(angle)
        z = (
            np.full_like(px, LIMBUS_HEIGHT - IRIS_DEPTH)
            if surface == "iris"
            else np.sqrt(np.maximum(GLOBE_RADIUS**2 - r * r, 0))
        )
    head = np.tensordot(turn, np.stack([px, py, z]), axes=1)
    x, y = head[0] - LIMBUS_HEIGHT * turn[0, 2], head[1] - LIMBUS_HEIGHT * turn[1, 2]
    return displayed(view, *head_to_picture(view, x, y))


def outline(eye: Eye, view: View, *, surface: Literal["limbus", "pupil"]) -> Ellipse:
    """Return the ellipse that fits the limbus or the pupil as displayed best: its first harmonic."""
    angle = np.arange(720) * 0.5
    x, y = project(eye, view, angle, 1.0, surface=surface)
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    matrix = 2 / 720 * np.array([[x @ c, x @ s], [-(y @ c), -(y @ s)]])
    u, axes, _ = np.linalg.svd(matrix)
    direction = float(np.mod(np.degrees(np.arctan2(u[1, 0], u[0, 0])), 180.0))
    return Ellipse(float(x.mean()), float(y.mean()), float(axes[0]), float(axes[1]), direction)
