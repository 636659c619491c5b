"""Quality of one photo: what can be measured in it, and what is in the way."""

from collections.abc import Mapping

import cv2
import numpy as np

from torsion.locate import Located
from torsion.masks import EyePicture
from torsion.photo import Ellipse

__all__ = ["assess"]

# Limits are physical: below them a part of the measurement lacks its material.
MIN_RADIUS_PX = 40.0  # 0.7 pixels a degree at the limbus; vessels and crypts are narrower than that
MIN_IRIS, MIN_RING = 0.15, 0.05  # shares of the bands; with less of both, nothing spans the eye
MIN_UPPER_AND_LOWER = 0.35  # share of the whole limbus at which its edge shows
MIN_FOCUS = 0.10  # share of the texture's power finer than two degrees
MAX_OVEREXPOSED = 0.5
MAX_OUTSIDE = 1 / 2  # of the outline of the limbus; with less than half a ring its middle is a guess


def assess(
    located: Located, eye: EyePicture | None, size_px: tuple[int, int], scale: int
) -> tuple[Mapping[str, float | None], tuple[str, ...]]:
    """Measures of a photo and the flags that follow from them.

    Parameters
    ----------
    located : Located
    eye : EyePicture or None
        None when no eye was found.
    size_px : (int, int)
        Width and height of the decoded picture.
    scale : int
        Full pixels per decoded pixel.

    Returns
    -------
    measures : mapping of str to float or None
        ``limbus_radius_px``, ``pixels_per_degree`` (at the limbus), ``limbus_contrast`` (0 to 1),
        ``exposed_upper`` and ``exposed_lower`` (shares of the arcs), ``iris_valid`` and ``limbus_valid``
        (shares of the bands that can be used), ``pupil_ratio``, ``focus`` (share of the texture's power in
        detail finer than two degrees), ``overexposed`` (share of the white of the eye).
    flags : tuple of str
    """
    if eye is None or located.limbus is None:
        return dict.fromkeys(_NAMES), ("no_eye",)
    limbus = located.limbus
    radius = limbus.radius_px * scale
    iris = float(eye.valid[eye.iris_region].mean()) if eye.iris_region.any() else 0.0
    ring = float(eye.valid[eye.limbal_region].mean()) if eye.limbal_region.any() else 0.0
    focus = _focus(eye)
    exposed = located.exposed_upper, located.exposed_lower
    values = (
        radius,
        radius * np.pi / 180.0,
        located.limbus_contrast,
        *exposed,
        iris,
        ring,
        located.pupil.radius_px / limbus.radius_px if located.pupil else None,
        focus,
        eye.overexposed,
    )
    sides = limbus.x_px - limbus.radius_px, size_px[0] - 1 - limbus.x_px - limbus.radius_px
    outside = _share_outside(limbus, size_px)
    flags = {
        "eye_covered": iris < MIN_IRIS and ring < MIN_RING,
        "lids_low": sum(exposed) / 2 < MIN_UPPER_AND_LOWER,
        "off_picture": min(sides) < 0 and outside <= MAX_OUTSIDE,
        "half_off_picture": outside > MAX_OUTSIDE,
        "two_eyes": located.other_eye,
        "out_of_focus": focus < MIN_FOCUS,
        "small_eye": radius < MIN_RADIUS_PX,
        "overexposed": eye.overexposed > MAX_OVEREXPOSED,
    }
    measures = {
        name: None if value is None else float(value) for name, value in zip(_NAMES, values, strict=True)
    }
    return measures, tuple(name for name, present in flags.items() if present)


_NAMES = (
    "limbus_radius_px",
    "pixels_per_degree",
    "limbus_contrast",
    "exposed_upper",
    "exposed_lower",
    "iris_valid",
    "limbus_valid",
    "pupil_ratio",
    "focus",
    "overexposed",
)


def _share_outside(limbus: Ellipse, size_px: tuple[int, int]) -> float:
    """Share of the outline that lies beyond the edge of the picture."""
    turn = np.radians(np.arange(360.0))
    x, y = limbus.x_px + limbus.radius_px * np.cos(turn), limbus.y_px - limbus.radius_px * np.sin(turn)
    inside = (x >= 0) & (x <= size_px[0] - 1) & (y >= 0) & (y <= size_px[1] - 1)
    return float(1.0 - inside.mean())


def _focus(eye: EyePicture) -> float:
    """Share of the texture's variance that a blur of one degree (standard deviation) takes away."""
    inside = cv2.erode(eye.valid.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    if inside.sum() < 100:
        return 0.0
    sigma = eye.px_per_radius * np.radians(1.0)
    fine = eye.texture - cv2.GaussianBlur(eye.texture, (0, 0), max(sigma, 0.5))
    return float(fine[inside].var() / max(float(eye.texture[inside].var()), 1e-6))
