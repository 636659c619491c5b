"""Contrast across rings about every pixel, or about those near the middle: how a disc is found roughly.

An integro-differential search (J. Daugman, doi 10.1109/34.244676).
"""

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["central_contrast", "ring_contrasts"]

Floats = NDArray[np.float32]

_RING_STEP = 0.10  # contrast is taken between radii 10 % inside and outside the ring
_MOST, _BITS = 32767, 4  # largest step in 16 bits, and by how many of them it is cut to add up in as many
_SPOKES_DEG = np.arange(5.0, 360.0, 10.0)
_ARC_OF_SPOKE = np.select(  # 0 right, 1 left, 2 below, 3 above
    [
        (_SPOKES_DEG < 50) | (_SPOKES_DEG > 310),
        (_SPOKES_DEG > 130) & (_SPOKES_DEG < 230),
        (_SPOKES_DEG >= 230) & (_SPOKES_DEG <= 310),
    ],
    [0, 1, 2],
    default=3,
)
_ARCS, _SPOKES_OF_ARC = _ARC_OF_SPOKE.tolist(), np.bincount(_ARC_OF_SPOKE)


def ring_contrasts(
    picture: Floats, radii_px: NDArray[np.float64], clip: float
) -> Iterator[tuple[Floats, Floats, Floats, Floats]]:
    """Mean step of brightness across rings round every pixel, outside minus inside, ring by ring.

    In fixed point, which is good to 0.03 and takes half the time.

    Parameters
    ----------
    picture : (H, W) float32 ndarray
        Within 0 to 100.
    radii_px : (n,) ndarray
    clip : float
        A single step counts up to this, so that no lash or glint outvotes the ring; 50 or more.

    Yields
    ------
    right, left, below, above : (H, W) float32 ndarray
        For each radius: the mean over that arc of the ring, each pixel being the centre.
    """
    height, width = picture.shape
    border, rows, columns = _places_of_rings(radii_px)
    # What exceeds 16 bits is clipped by the subtraction itself.
    scaled = (np.pad(picture, border, mode="edge") - np.float32(50.0)) * np.float32(_MOST / clip)
    fixed = np.rint(scaled).astype(np.int16)
    step = np.empty((height, width), np.int16)
    scale = np.float32(clip * 2**_BITS / _MOST) / _SPOKES_OF_ARC.astype(np.float32)
    for places in np.stack([rows, columns], axis=-1).transpose(1, 2, 0, 3).tolist():
        total = np.zeros((4, height, width), np.int16)
        arcs = [*total]
        for arc, ((row, column), (inner_row, inner_column)) in zip(_ARCS, places, strict=True):
            outside = fixed[row : row + height, column : column + width]
            inside = fixed[inner_row : inner_row + height, inner_column : inner_column + width]
            cv2.subtract(outside, inside, dst=step)
            np.right_shift(step, _BITS, out=step)
            cv2.add(arcs[arc], step, dst=arcs[arc])
        right, left, below, above = total * scale[:, None, None]
        yield right, left, below, above


def central_contrast(
    picture: Floats, radii_px: NDArray[np.float64], clip: float, *, beyond: float, within: int
) -> Floats:
    """Mean step of brightness across rings round the pixels near the middle, outside minus inside.

    Parameters
    ----------
    picture : (H, W) float32 ndarray
    radii_px : (n,) ndarray
    clip : float
        As in `ring_contrasts`.
    beyond : float
        Share for which what exceeds the clip counts.
    within : int
        Pixels this near to the middle row and column of the picture are taken as centres.

    Returns
    -------
    (n, 4, 2 * within + 1, 2 * within + 1) float32 ndarray
        For each radius and arc (right, left, below, above) and each centre.
    """
    side = 2 * within + 1
    border, rows, columns = _places_of_rings(radii_px)
    rows, columns = rows + picture.shape[0] // 2 - within, columns + picture.shape[1] // 2 - within
    padded = np.pad(picture, border, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, (side, side))
    step = (windows[rows[0], columns[0]] - windows[rows[1], columns[1]]).reshape(*rows.shape[1:], -1)
    clipped = np.clip(step, -clip, clip)
    clipped += np.float32(beyond) * (step - clipped)
    arcs = (np.arange(4)[:, None] == _ARC_OF_SPOKE) / _SPOKES_OF_ARC[:, None]
    contrast = arcs.astype(np.float32) @ clipped
    return np.asarray(contrast.reshape(-1, 4, side, side), np.float32)


def _places_of_rings(radii_px: NDArray[np.float64]) -> tuple[int, NDArray[np.intp], NDArray[np.intp]]:
    """Give the border that rings need, and where their samples lie beside a centre once it is added.

    Rows and columns have the shape (2, radii, spokes): outside the ring first, then inside it.
    """
    border = int(radii_px[-1] * (1 + _RING_STEP)) + 2
    spokes = np.radians(_SPOKES_DEG)
    shares = np.array([1 + _RING_STEP, 1 - _RING_STEP])[:, None, None] * radii_px[:, None]
    rows = border + np.rint(-shares * np.sin(spokes)).astype(int)
    return border, rows, border + np.rint(shares * np.cos(spokes)).astype(int)
