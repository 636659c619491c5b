"""Eye picture: one eye cut out at a common scale, with its mask and texture, mirrored or turned as one."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from torsion.photo import Turn

__all__ = ["REACH", "EyePicture", "mirrored_eye", "turned_eye"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

REACH = 1.55  # half side of the cut, in limbus radii


@dataclass(frozen=True, slots=True, eq=False)
class EyePicture:
    """One eye, cut out at a common scale; the limbus is the unit circle round the centre pixel.

    Attributes
    ----------
    rgb : (N, N, 3) uint8 ndarray
        The cut, N odd.
    texture : (N, N) float32 ndarray
        Detail of iris (red and green) and sclera (green), locally normalised, zero where not valid.
    valid : (N, N) bool ndarray
        True where the pixel turns with the eye and shows something.
    in_picture : (N, N) bool ndarray
        False where the cut reaches beyond the edge of the photo.
    px_per_radius : float
        Pixels of the cut for each limbus radius.
    pupil : (float, float, float)
        Centre (x right, y up) and radius of the pupil, in limbus radii.
    iris_region, limbal_region : (N, N) bool ndarray
        The bands before masking.
    overexposed : float
        Share of the sides of the limbal band that is burnt out.
    glare : float
        Share of both bands that glints and burnt-out places take.
    """

    rgb: NDArray[np.uint8]
    texture: Floats
    valid: Mask
    in_picture: Mask
    px_per_radius: float
    pupil: tuple[float, float, float]
    iris_region: Mask
    limbal_region: Mask
    overexposed: float
    glare: float

    def __post_init__(self) -> None:
        regions = (self.in_picture, self.iris_region, self.limbal_region)
        for array in (self.rgb, self.texture, self.valid, *regions):
            array.setflags(write=False)


def mirrored_eye(eye: EyePicture) -> EyePicture:
    """Mirror an eye's picture left to right."""
    x, y, radius = eye.pupil
    flipped = {name: getattr(eye, name)[:, ::-1] for name in ("rgb", "texture", "valid", "in_picture")}
    regions = {name: getattr(eye, name)[:, ::-1] for name in ("iris_region", "limbal_region")}
    return replace(eye, pupil=(-x, y, radius), **flipped, **regions)


def turned_eye(eye: EyePicture, turn_deg: Turn) -> EyePicture:
    """Turn an eye's picture counter-clockwise."""
    x, y, radius = eye.pupil
    for _ in range(turn_deg // 90):
        x, y = -y, x
    names = ("rgb", "texture", "valid", "in_picture", "iris_region", "limbal_region")
    turned: dict[str, Any] = {
        name: np.ascontiguousarray(np.rot90(getattr(eye, name), turn_deg // 90)) for name in names
    }
    return replace(eye, pupil=(x, y, radius), **turned)
