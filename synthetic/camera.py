"""From an ideal picture to a photograph: light fall-off, haze, colour, blur, noise, compression."""

from __future__ import annotations

import cv2
import numpy as np

from synthetic.fields import Byte, Float, as_float, blur
from synthetic.view import Camera, Light, View


def develop(planes: Float, view: View, rng: np.random.Generator) -> Byte:
    """Turn an ideal picture into the photograph that is saved.

    Parameters
    ----------
    planes : ndarray (3, H, W)
        Red, green and blue, 0 to 1; overwritten.
    view : View
    rng : numpy.random.Generator
        Draws the noise.

    Returns
    -------
    rgb : ndarray (H, W, 3) uint8
    """
    _light(planes, view.light)
    lit = as_float(cv2.merge(list(planes)))
    sharp = _optics(lit, view.camera)
    noisy = _noise(sharp, view.camera, rng, grey=view.light.infrared)
    picture = np.clip(np.rint(noisy * 255), 0, 255).astype(np.uint8)
    if view.camera.jpeg_quality is not None:
        flags = [cv2.IMWRITE_JPEG_QUALITY, view.camera.jpeg_quality]
        _, code = cv2.imencode(".jpg", picture[:, :, ::-1], flags)
        decoded = cv2.imdecode(code, cv2.IMREAD_COLOR)
        if decoded is None:
            msg = "the picture could not be compressed as JPEG"
            raise RuntimeError(msg)
        picture = np.ascontiguousarray(decoded[:, :, ::-1]).astype(np.uint8, copy=False)
    return picture


def _light(planes: Float, light: Light) -> None:
    """Apply exposure, cast, uneven light, vignetting and haze; highlights roll off, they do not clip hard."""
    height, width = planes.shape[1:]
    x = as_float(np.linspace(-1, 1, width))[None, :]
    y = as_float(np.linspace(1, -1, height))[:, None] * np.float32(height / width)
    toward = np.radians(light.gradient_deg)
    even = 1 + np.float32(light.gradient) * (np.float32(np.cos(toward)) * x + np.float32(np.sin(toward)) * y)
    even *= 1 - np.float32(light.vignetting * 0.75) * (x * x + y * y)
    if light.infrared:
        planes[:] = planes.mean(axis=0)
    # Exposure acts on linear light; the picture is display-referred with a gamma of about 2.2.
    gains = 2.0 ** (light.exposure_ev / 2.2) * np.asarray(light.cast) ** (1 / 2.2)
    veil = np.float32(light.haze) * as_float([0.66, 0.67, 0.68])
    high = np.float32(0.82)
    for plane, gain, grey in zip(planes, gains, veil, strict=True):
        plane *= even * np.float32(gain * (1 - light.haze))
        plane += grey
        over = plane > high
        plane[over] = high + (1 - high) * np.tanh((plane[over] - high) / (1 - high))


def _optics(rgb: Float, camera: Camera) -> Float:
    """Defocus, motion and the camera's sharpening; every kernel is symmetric, so nothing moves."""
    if camera.defocus_px > 0.05:
        rgb = (
            as_float(cv2.filter2D(rgb, -1, _disc(camera.defocus_px)))
            if camera.disc
            else blur(rgb, camera.defocus_px)
        )
    if camera.motion_px > 0.2:
        rgb = as_float(cv2.filter2D(rgb, -1, _streak(camera.motion_px, camera.motion_deg)))
    if camera.sharpening > 0:
        rgb = as_float(rgb + camera.sharpening * (rgb - blur(rgb, 1.2)))
    return rgb


def _disc(radius_px: float) -> Float:
    half = int(np.ceil(radius_px + 1))
    grid = np.arange(-half, half + 1)
    distance = np.hypot(grid[None, :], grid[:, None])
    kernel = np.clip(radius_px + 0.5 - distance, 0, 1)
    return as_float(kernel / kernel.sum())


def _streak(length_px: float, direction_deg: float) -> Float:
    half = int(np.ceil(length_px / 2 + 2))
    grid = np.arange(-half, half + 1)
    c, s = np.cos(np.radians(direction_deg)), np.sin(np.radians(direction_deg))
    along = np.abs(c * grid[None, :] - s * grid[:, None])
    aside = np.abs(s * grid[None, :] + c * grid[:, None])
    kernel = np.clip(length_px / 2 + 0.5 - along, 0, 1) * np.clip(1.0 - aside, 0, 1)
    return as_float(kernel / kernel.sum())


def _noise(rgb: Float, camera: Camera, rng: np.random.Generator, *, grey: bool) -> Float:
    """Noise of the sensor: a floor, and a part that grows with the square root of the signal."""
    if camera.read_noise <= 0 and camera.shot_noise <= 0:
        return rgb
    variance = camera.read_noise**2 + camera.shot_noise**2 * np.maximum(rgb, 0)
    shape = (*rgb.shape[:2], 1) if grey else rgb.shape
    grain = rng.standard_normal(shape, dtype=np.float32)
    # Interpolating the colour mosaic correlates neighbours; the gain restores the spread.
    grain = blur(grain, 0.55).reshape(shape) * np.float32(1.75)
    return as_float(rgb + grain * np.sqrt(variance) * np.float32(1 / 255))
