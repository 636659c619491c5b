"""Layers of an invented eye, shipped with the package, and photos composed from them at any rotation.

The eye was drawn by a program.  Its layer is turned; lids, lashes and glints are laid over it and stay, as in
life; exposure, white balance, blur and noise differ between the two photos.
"""

import importlib.resources
import io
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

__all__ = ["DemoLayers", "Role", "compose", "load_layers", "take_photo"]

Role = Literal["seated", "supine"]


@dataclass(frozen=True, slots=True)
class _Camera:
    """How one photo is taken; gains of red, green and blue, noise as a standard deviation in grey levels."""

    exposure_ev: float
    cast: tuple[float, float, float]
    blur_px: float
    noise_levels: float
    seed: int


_CAMERAS: dict[Role, _Camera] = {
    "seated": _Camera(0.10, (1.00, 1.00, 1.00), 0.7, 1.6, 11),
    "supine": _Camera(-0.25, (1.06, 1.00, 0.92), 1.0, 2.4, 12),
}


@dataclass(frozen=True, eq=False, slots=True)
class DemoLayers:
    """The parts of one photo.

    Attributes
    ----------
    eye : ndarray (N, N, 3) uint8
        The eye without lids at rotation 0, RGB; its centre of rotation is the middle of the array.
    overlay : ndarray (H, W, 4) uint8
        What stays: RGB, not premultiplied, and opacity.
    center_x_px, center_y_px : float
        Where the middle of the eye belongs in the overlay.
    limbus, pupil : mapping
        Ellipses at rotation 0, in pixels of the overlay; direction of the long axis in degrees.
    """

    eye: NDArray[np.uint8]
    overlay: NDArray[np.uint8]
    center_x_px: float
    center_y_px: float
    limbus: Mapping[str, float]
    pupil: Mapping[str, float]


def load_layers() -> dict[Role, DemoLayers]:
    """Read the shipped layers, by role."""
    folder = importlib.resources.files("torsion").joinpath("data")

    def pixels(name: str) -> NDArray[np.uint8]:
        with Image.open(io.BytesIO(folder.joinpath(name).read_bytes())) as image:
            array = np.array(image)
        array.setflags(write=False)
        return array

    about = json.loads(folder.joinpath("sample.json").read_text(encoding="utf-8"))
    roles: tuple[Role, ...] = ("seated", "supine")
    return {
        role: DemoLayers(
            eye=pixels(scene["eye"]),
            overlay=pixels(scene["overlay"]),
            center_x_px=scene["center_x_px"],
            center_y_px=scene["center_y_px"],
            limbus=scene["limbus"],
            pupil=scene["pupil"],
        )
        for role in roles
        for scene in (about["scenes"][role],)
    }


def compose(layers: DemoLayers, rotation_deg: float) -> NDArray[np.float32]:
    """Put an ideal picture together with the eye turned.

    Parameters
    ----------
    layers : DemoLayers
    rotation_deg : float
        Counter-clockwise as seen in the picture.

    Returns
    -------
    rgb : ndarray (H, W, 3) float32
        Grey levels from 0 to 255.
    """
    height, width = layers.overlay.shape[:2]
    middle = (layers.eye.shape[0] - 1) / 2
    c, s = math.cos(math.radians(rotation_deg)), math.sin(math.radians(rotation_deg))
    x = np.arange(width)[None, :] - layers.center_x_px
    y = layers.center_y_px - np.arange(height)[:, None]
    # Explicit maps with a wide kernel: the library's affine warp rounds to some hundredths of a degree.
    turned = cv2.remap(
        layers.eye,
        (middle + c * x + s * y).astype(np.float32),
        (middle - (c * y - s * x)).astype(np.float32),
        cv2.INTER_LANCZOS4,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float32)
    opacity = layers.overlay[:, :, 3:].astype(np.float32) / np.float32(255)
    mixed: NDArray[np.float32] = turned + (layers.overlay[:, :, :3] - turned) * opacity
    return mixed


def take_photo(layers: DemoLayers, rotation_deg: float, *, role: Role) -> NDArray[np.uint8]:
    """Compose a picture and take it with the camera of a role: light, blur and noise, the same every time.

    Returns
    -------
    rgb : ndarray (H, W, 3) uint8
    """
    camera = _CAMERAS[role]
    # Light acts on linear values; pictures are encoded with a gamma of about 2.2.
    gains = np.float32(2.0 ** (camera.exposure_ev / 2.2)) * np.asarray(camera.cast, np.float32) ** (1 / 2.2)
    lit = compose(layers, rotation_deg) * gains.astype(np.float32)
    sharp = cv2.GaussianBlur(lit, (0, 0), camera.blur_px)
    rng = np.random.default_rng([camera.seed, round(1000 * (rotation_deg + 360))])
    noisy = sharp + np.float32(camera.noise_levels) * rng.standard_normal(lit.shape, dtype=np.float32)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
