"""A photograph taken apart, so that a pair at any rotation can be put together without this package."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from synthetic.camera import develop
from synthetic.eye import Eye
from synthetic.fields import Byte, as_float
from synthetic.geometry import Ellipse, head_grid, outline
from synthetic.globe import draw_globe
from synthetic.scene import draw_overlay
from synthetic.view import Camera, View

REACH = 2.75
"""Half the side of the eye layer in limbus radii: more than the lids ever uncover."""


@dataclass(frozen=True, eq=False, slots=True)
class Layers:
    """The parts of a photograph.

    To compose it at a rotation: turn `eye` counter-clockwise about its middle by that angle, bring its
    middle to (`center_x_px`, `center_y_px`) of the overlay, and lay the overlay on top (`compose` shows how;
    a fixed-point affine warp is off by some hundredths of a pixel, hence of a degree)::

        picture = eye * (1 - alpha / 255) + overlay * (alpha / 255)

    Attributes
    ----------
    eye : ndarray (N, N, 3) uint8
        The eye with its white, without lids, at rotation 0; its middle is the pixel ((N - 1) / 2, (N - 1) /
        2).
    overlay : ndarray (H, W, 4) uint8
        What stays: red, green, blue (not premultiplied) and opacity.
    center_x_px, center_y_px : float
        Where the middle of the eye belongs in the overlay.
    limbus, pupil : Ellipse
        At rotation 0, in pixels of the overlay.
    """

    eye: Byte
    overlay: Byte
    center_x_px: float
    center_y_px: float
    limbus: Ellipse
    pupil: Ellipse


def draw_layers(eye: Eye, view: View, rng: np.random.Generator | int = 0) -> Layers:
    """Draw the layers of a view.

    Parameters
    ----------
    eye : Eye
    view : View
        Gaze must be straight and roll, turn and mirror absent: turning a flat picture says what torsion does
        only for an eye that looks into the camera. Light is even and camera noise and blur are left to the
        composer; the rotation of the view is not used.
    rng : numpy.random.Generator or int
        Places the lashes.

    Returns
    -------
    Layers

    Raises
    ------
    ValueError
        When the view is tilted, rolled, turned or mirrored.
    """
    bent = {"yaw_deg": view.yaw_deg, "pitch_deg": view.pitch_deg, "roll_deg": view.roll_deg}
    for name, value in {**bent, "turn_deg": view.turn_deg, "mirrored": view.mirrored}.items():
        if value:
            msg = f"layers need a straight view, {name} must be 0, got {value}"
            raise ValueError(msg)
    light = replace(view.light, vignetting=0.0, gradient=0.0)
    flat = replace(view, rotation_deg=0.0, light=light, camera=Camera())
    side = 2 * int(np.ceil(REACH * view.limbus_radius_px)) + 1
    square = replace(flat, width_px=side, height_px=side, center_x_px=None, center_y_px=None)
    lash_rng, noise_rng = np.random.default_rng(rng).spawn(2)
    globe = develop(draw_globe(eye, square, *head_grid(square)).planes, square, noise_rng)
    planes, alpha, _ = draw_overlay(eye, flat, *head_grid(flat), lash_rng)
    # The colours of the overlay come under the same light as the eye.
    color = develop(as_float(planes / np.maximum(alpha, np.float32(1e-3))), flat, noise_rng)
    opacity = np.rint(alpha * 255).astype(np.uint8)
    overlay = np.dstack([color, opacity])
    for array in (globe, overlay):
        array.setflags(write=False)
    x, y = flat.center_px
    return Layers(
        eye=globe,
        overlay=overlay,
        center_x_px=x,
        center_y_px=y,
        limbus=outline(eye, flat, surface="limbus"),
        pupil=outline(eye, flat, surface="pupil"),
    )


def compose(layers: Layers, rotation_deg: float) -> Byte:
    """Put a photograph together at a rotation (counter-clockwise): an example of how, (H, W, 3) uint8."""
    height, width = layers.overlay.shape[:2]
    middle = (layers.eye.shape[0] - 1) / 2
    c, s = np.cos(np.radians(rotation_deg)), np.sin(np.radians(rotation_deg))
    x = (np.arange(width) - layers.center_x_px)[None, :]
    y = (layers.center_y_px - np.arange(height))[:, None]
    turned = cv2.remap(
        layers.eye,
        as_float(middle + c * x + s * y),
        as_float(middle - (c * y - s * x)),
        cv2.INTER_LANCZOS4,  # the cubic kernel of this library shifts by up to 0.05 pixel
        borderMode=cv2.BORDER_REPLICATE,
    )
    alpha = layers.overlay[:, :, 3:].astype(np.float32) / 255
    mixed = turned * (1 - alpha) + layers.overlay[:, :, :3] * alpha
    return np.clip(np.rint(mixed), 0, 255).astype(np.uint8)
