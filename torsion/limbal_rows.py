"""Rows and columns about the limbus: where they lie in a picture, and its colours there.

Columns are directions, counter-clockwise from the right of the picture; rows run outwards.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.photo import Ellipse

__all__ = [
    "COLUMNS",
    "DARK",
    "RADII",
    "ROW_STEP",
    "STEP_DEG",
    "ring_places",
    "sampled_ring",
    "side_columns",
    "turns",
]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

STEP_DEG = 0.25
COLUMNS = 1440
ROW_STEP = 0.01  # limbus radii from row to row
RADII: Doubles = np.arange(0.86, 1.525, ROW_STEP, dtype=np.float64)
DARK = 6.0
"""Grey levels by which colours are lifted: stray light and the sensor's black, which calm logarithms."""


def ring_places(limbus: Ellipse, radii: Doubles, directions_deg: Doubles) -> tuple[Doubles, Doubles]:
    """Pixels (x, y) at radii (in limbus radii) and directions about an elliptic limbus; they broadcast."""
    angle = np.radians(directions_deg)
    from_axis = angle - np.radians(limbus.axis_deg)
    across = np.hypot(limbus.minor_px * np.cos(from_axis), limbus.major_px * np.sin(from_axis))
    radius_px = radii * limbus.major_px * limbus.minor_px / across
    return limbus.x_px + radius_px * np.cos(angle), limbus.y_px - radius_px * np.sin(angle)


def sampled_ring(pixels: NDArray[np.uint8], limbus: Ellipse, stretch: Doubles, radii: Doubles) -> Floats:
    """Colours (or one of them) of the ring, a little lifted, smoothed by a row and a column over the seam."""
    edge, out = ring_places(limbus, stretch, np.degrees(turns(len(stretch)))), radii[:, None]
    x, y = (
        out.astype(np.float32) * (at - middle).astype(np.float32) + np.float32(middle)
        for at, middle in zip(edge, (limbus.x_px, limbus.y_px), strict=True)
    )
    sampled = cv2.remap(
        pixels,
        x,
        y,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,  # black beyond the picture: not white, and no ink has an end there
    )
    lifted = sampled.astype(np.float32) + np.float32(DARK)
    padded = cv2.copyMakeBorder(lifted, 0, 0, 8, 8, cv2.BORDER_WRAP)
    return np.asarray(cv2.GaussianBlur(padded, (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)[:, 8:-8])


def turns(columns: int) -> Doubles:
    """Directions of the columns, radians."""
    return np.asarray(np.radians(np.arange(columns) * (360.0 / columns)))


def side_columns(columns: int) -> NDArray[np.intp]:
    """Columns within 30 degrees of the horizontal, which lids leave free."""
    return np.flatnonzero(np.abs(np.sin(turns(columns))) < 0.5)
