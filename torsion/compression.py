"""What compression of a file rounded away, read in the pixels: they keep it in whatever form they come."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from torsion.photo import Ellipse

__all__ = ["rounded_away"]

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]

_BLOCK_PX = 8  # side of the blocks in which JPEG files are coded
_REACH = 1.3  # limbus radii about the eye; rims of iris, pupil and lids make waves in any picture
_BLOCKS = 800  # that are looked at, at most
_FEWEST = 40  # blocks; fewer say nothing
_PLAIN = 1.5  # grey levels; less is left of none by rounding pixels to whole levels
_CLIPPED = 2  # grey levels from black or white; a block that was cut off there has no clean waves
_LOWEST = 10.0  # percentile: a few blocks are waves of something else
_LUMA = np.array([0.299, 0.587, 0.114], np.float32)  # ITU-R BT.601, as in the files


def rounded_away(pixels: Image, limbus: Ellipse, *, scale: int = 1) -> float | None:
    """Amplitude up to which compression rounds waves in the brightness of an eye to nothing, grey levels.

    JPEG (ITU-T T.81) codes blocks of 8 x 8 pixels as sums of waves and rounds each to a multiple of a step,
    so what is weaker than half a step is lost.  Of the longest waves, 16 pixels, the weakest that are left
    are one step high; in a picture that was never coded, or finely, they are as low as can be told.

    Parameters
    ----------
    pixels : (H, W[, 3]) uint8 ndarray
        As decoded, not resampled since; it may have been turned or mirrored.
    limbus : Ellipse
        In pixels of `pixels`.
    scale : {1, 2, 4}, default 1
        Full pixels per decoded pixel.

    Returns
    -------
    float or None
        At least 0.75, half of what whole grey levels let tell; None where too few blocks can be read.
    """
    block_px = _BLOCK_PX // scale
    lowest = [
        float(np.percentile(high, _LOWEST))
        for waves in _waves(pixels, limbus, block_px)
        if (high := waves[waves > _PLAIN]).size
    ]
    return max(lowest) / 2.0 if lowest else None


def _waves(pixels: Image, limbus: Ellipse, block_px: int) -> Iterator[Floats]:
    """Amplitudes of the longest waves, across and down, in blocks counted from each corner of the picture."""
    turn = np.pi * (np.arange(block_px) + 0.5) / block_px
    wave = np.asarray(2.0 / block_px**2 * np.cos(turn), np.float32)
    height, width = pixels.shape[:2]
    reach = _REACH * limbus.radius_px
    for first_row in {0, height % block_px}:
        for first_column in {0, width % block_px}:
            rows, columns = (
                slice(
                    first + max(0, int(middle - reach) - first) // block_px * block_px,
                    max(0, int(middle + reach)),
                )
                for first, middle in ((first_row, limbus.y_px), (first_column, limbus.x_px))
            )
            blocks = _blocks(pixels[rows, columns], block_px)
            clean = ((blocks > _CLIPPED) & (blocks < 255 - _CLIPPED)).all(axis=(1, 2, 3))
            if np.count_nonzero(clean) < _FEWEST:
                continue
            of_clean = blocks[clean].astype(np.float32)
            light = of_clean @ _LUMA if of_clean.shape[-1] == 3 else of_clean[..., 0]
            yield np.abs(np.concatenate([light.sum(axis=1) @ wave, light.sum(axis=2) @ wave]))


def _blocks(cut: Image, block_px: int) -> Image:
    """Blocks of a cut evenly spread over it, (n, side, side, channels)."""
    down, across = (side // block_px for side in cut.shape[:2])
    channels = cut.shape[2] if cut.ndim == 3 else 1
    whole = cut[: down * block_px, : across * block_px]
    grid = whole.reshape(down, block_px, across, block_px, channels)
    every = max(1, int(np.ceil(np.sqrt(down * across / _BLOCKS))))
    chosen = grid[::every, :, ::every].swapaxes(1, 2)
    return chosen.reshape(chosen.shape[0] * chosen.shape[1], block_px, block_px, channels)
