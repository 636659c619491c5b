"""Named drawn pairs of any size, written as JPEG: what the timings are taken on.

An eye is drawn at up to 1,600 pixels of width; larger pictures are that one enlarged, with the noise of a
sensor at the final size, so that the file holds as much detail to decode as one from a camera.
"""

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

import synthetic

__all__ = ["SIZES", "drawn_pair", "jpeg_pair", "resized"]

SIZES = {"2 megapixels": (1632, 1224), "12 megapixels": (4000, 3000)}
ROTATION_DEG = 6.0
_DRAWN_WIDTH = 1632
_NOISE = 4.0  # grey levels, of a small sensor indoors
_QUALITY = 95


def drawn_pair(
    *, seed: int = 1, width_px: int = _DRAWN_WIDTH, height_px: int = 1224
) -> list[NDArray[np.uint8]]:
    """Seated and supine picture of the eye of that number, `ROTATION_DEG` apart."""
    eye = synthetic.random_eye(np.random.default_rng(seed), laterality="OD")
    pair = synthetic.draw_pair(
        eye,
        "moderate",
        np.random.default_rng([seed, 7]),
        rotation_deg=ROTATION_DEG,
        width_px=width_px,
        height_px=height_px,
    )
    return [picture.rgb for picture in pair]


def resized(picture: NDArray[np.uint8], size: tuple[int, int], *, seed: int) -> NDArray[np.uint8]:
    """Picture at another size, width first; where that is larger, with noise of its own."""
    shrinks = size[0] <= picture.shape[1]
    if size == picture.shape[1::-1]:
        return picture
    method = cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC
    moved = cv2.resize(picture, size, interpolation=method).astype(np.float32)
    if not shrinks:
        moved += _NOISE * np.random.default_rng(seed).standard_normal(moved.shape, dtype=np.float32)
    return np.clip(np.rint(moved), 0, 255).astype(np.uint8)


def jpeg_pair(
    folder: Path, size: tuple[int, int], *, pair: list[NDArray[np.uint8]] | None = None
) -> list[Path]:
    """Write a pair at a size into a folder; `pair` saves drawing it again."""
    files = []
    for number, picture in enumerate(pair or drawn_pair()):
        file = folder / f"{size[0]}x{size[1]}-{('seated', 'supine')[number]}.jpg"
        picture = resized(picture, size, seed=number)
        cv2.imwrite(str(file), picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
        files.append(file)
    return files
