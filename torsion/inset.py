"""Insets: a square part of a photo, to be looked at on a page."""

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.crops import resampled_crop
from torsion.photo import Photo

__all__ = ["inset"]


def inset(
    photo: Photo, x_px: float, y_px: float, half_px: float, *, side: int, beyond: tuple[int, int, int]
) -> NDArray[np.uint8]:
    """Cut a square part out of a photo about a point, averaged where it is reduced.

    Parameters
    ----------
    photo : Photo
    x_px, y_px, half_px : float
        Middle and half side of the part, pixels of the full picture.
    side : int
        Of the inset, in its own pixels; an even one becomes odd by one more, so that the middle is a pixel.
    beyond : (int, int, int)
        Colour beyond the photo's edge.

    Returns
    -------
    (side, side[, 3]) uint8 ndarray
    """
    half_side = side // 2
    step = 2.0 * half_px / photo.decoded_scale / (2 * half_side + 1)
    x, y = (float(at) for at in photo.to_decoded_px((x_px, y_px)))
    if step < 1.0:  # enlarged for a person to look at: cubic is crisper
        to_photo = np.array([[step, 0.0, x - step * half_side], [0.0, step, y - step * half_side]])
        method = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        size = (2 * half_side + 1,) * 2
        pixels = np.ascontiguousarray(photo.pixels)
        cut = np.asarray(
            cv2.warpAffine(pixels, to_photo, size, flags=method, borderMode=cv2.BORDER_REPLICATE)
        )
    else:
        cut = resampled_crop(photo.pixels, x, y, step, half_side)
    places = step * np.arange(-half_side, half_side + 1)
    height, width = photo.pixels.shape[:2]
    across, down = (
        (places + middle > -0.5) & (places + middle < size - 0.5)
        for middle, size in ((x, width), (y, height))
    )
    outside = ~(down[:, np.newaxis] & across)
    cut[outside] = beyond if cut.ndim == 3 else beyond[0]
    return np.asarray(cut, np.uint8)
