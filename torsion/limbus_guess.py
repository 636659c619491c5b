"""A plain guess of where the eye is and what of a picture stays when it turns.

It shares nothing with the locating and masking on which a measurement rests, so that pictures made to test a
measurement do not flatter it.
"""

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Limbus", "guess_limbus", "stay_mask"]

_WIDTH_PX = 240  # a limbus is found to about a pixel of this width, 2 % of its radius
_SMALLEST = 0.14  # limbus radius over the longer side; smaller ones are taken for pupils
_SECTORS = 72


class Limbus(NamedTuple):
    """Outline of the limbus: an ellipse in pixels, a circle by default.

    ``radius_px`` is the longer half-axis, ``ratio`` the shorter over the longer, ``tilt_deg`` the direction
    of the longer one, counter-clockwise as seen in the picture.
    """

    x_px: float
    y_px: float
    radius_px: float
    ratio: float = 1.0
    tilt_deg: float = 0.0


def guess_limbus(photo: NDArray[np.uint8]) -> Limbus | None:
    """Guess the limbus as a circle.

    Every circle is scored by the darkening across its lower two thirds (the upper lid covers the rest), plus
    that of the best pupil circle about the same centre.  Gradients are squashed, so that a glint or a lash
    counts no more than a soft edge.

    Parameters
    ----------
    photo : ndarray, shape (H, W) or (H, W, 3), uint8
        Picture in RGB or grey.

    Returns
    -------
    Limbus or None
        None if no circle stands out.
    """
    red = photo if photo.ndim == 2 else photo[..., 0]
    shrink = _WIDTH_PX / max(photo.shape[:2])
    small = cv2.resize(red, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    opened = cv2.morphologyEx(small.astype(np.float32), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))  # glints
    radii = np.unique(np.round(np.geomspace(6.0, 0.55 * _WIDTH_PX, 60)))
    rings = _ring_scores(np.asarray(opened, np.float32), radii)
    best, found = 0.4, None
    for index in np.flatnonzero((radii >= _SMALLEST * _WIDTH_PX) & (radii <= 0.5 * _WIDTH_PX)):
        radius = radii[index]
        inner = rings[(radii >= 0.18 * radius) & (radii <= 0.78 * radius)]
        reach = 2 * round(0.08 * radius) + 1
        pupil = cv2.dilate(inner.max(axis=0), np.ones((reach, reach), np.uint8))
        near = rings[max(index - 4, 0) : index + 5].max(
            axis=0
        )  # a skirt of the pupil's own edge is no limbus
        score = np.where(rings[index] >= near, rings[index], 0.0) + pupil
        row, column = np.unravel_index(int(score.argmax()), score.shape)
        if score[row, column] > best:
            best, found = float(score[row, column]), (float(column), float(row), float(radius))
    if found is None:
        return None
    x, y, radius = found
    return Limbus((x + 0.5) / shrink - 0.5, (y + 0.5) / shrink - 0.5, radius / shrink)


def _ring_scores(grey: NDArray[np.float32], radii: NDArray[np.float64]) -> NDArray[np.float32]:
    """Mean squashed brightening outwards over the ring of each radius about every pixel."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.5)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(smooth, cv2.CV_32F, 0, 1) / 8
    size = np.hypot(gx, gy)
    squash = np.tanh(size / 2.5) / (size + 1e-6)
    # Zeros enough that a ring which leaves the picture on one side does not come back on the other.
    height, width = (cv2.getOptimalDFTSize(int(n + radii.max()) + 2) for n in grey.shape)
    spectrum = np.fft.fft2((gx + 1j * gy) * squash, (height, width))
    angle = np.arange(_SECTORS) * 2 * np.pi / _SECTORS
    weight = np.clip(np.sin(angle) + 1.0, 0.0, 1.0)  # y down: the upper lid hides sin < 0
    scores = []
    for radius in radii:
        kernel = np.zeros((height, width), np.complex64)
        steps = np.arange(0, 2 * np.pi, 0.7 / radius)
        column = np.round(radius * np.cos(steps)).astype(int)
        row = np.round(radius * np.sin(steps)).astype(int)
        share = np.interp(steps, angle, weight, period=2 * np.pi)
        np.add.at(kernel, (row, column), share / share.sum() * np.exp(1j * steps))
        found = np.fft.ifft2(spectrum * np.conj(np.fft.fft2(kernel)))
        scores.append(found.real[: grey.shape[0], : grey.shape[1]])
    return np.stack(scores)


def stay_mask(photo: NDArray[np.uint8], limbus: Limbus) -> NDArray[np.bool_]:
    """Pixels that stay when the eye turns: skin, lids, lashes, glints and what lies beyond 1.5 limbus radii.

    Rather too much than too little: an eye pixel that stays makes a turned picture harder, a lid pixel that
    turns along makes it too easy.

    Returns
    -------
    ndarray, shape (H, W), bool
        True where the pixel stays.
    """
    height, width = photo.shape[:2]
    unit = 100.0  # limbus radius of the working picture
    zoom = unit / limbus.radius_px
    side = 321
    to_photo = np.array(
        [[1 / zoom, 0, limbus.x_px - side // 2 / zoom], [0, 1 / zoom, limbus.y_px - side // 2 / zoom]]
    )
    smooth = cv2.GaussianBlur(photo, (0, 0), 0.5 / zoom) if zoom < 1 else photo
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    patch = np.asarray(cv2.warpAffine(smooth, to_photo, (side, side), flags=flags), np.uint8)
    y, x = np.mgrid[:side, :side] - side // 2
    radius = np.hypot(x, y) / unit
    green = patch if patch.ndim == 2 else np.ascontiguousarray(patch[..., 1])
    wide = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (33, 33))
    bump = green.astype(int) - cv2.medianBlur(green, 21)
    bright = 60 if _is_grey(patch) else 25  # iris texture is strong in infra-red
    glint = (bump > bright) & (radius < 1.02) | (green >= 252) & (radius < 0.97)
    sclera, skin = _sclera(patch, radius, x, y)
    opened = cv2.morphologyEx(sclera.astype(np.uint8), cv2.MORPH_OPEN, wide) > 0
    tops = _lash_tops(green, radius, x, y) if _is_grey(patch) else _white_tops(opened, x, y)
    left, right = tops
    lid = y < left + (right - left) * (x + 110) / 220 + 10
    eye = np.where(radius < 1.0, ~skin, opened) & (radius < 1.5) & ~lid
    eye = cv2.erode(eye.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    eye &= ~(cv2.dilate(glint.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0)
    back = cv2.invertAffineTransform(to_photo)
    full = cv2.warpAffine(eye.astype(np.float32), back, (width, height), flags=flags)
    return full < 0.5


def _sclera(
    patch: NDArray[np.uint8], radius: NDArray[np.float64], x: NDArray[np.int_], y: NDArray[np.int_]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """White of the eye, bright and colourless like the parts beside the iris, and skin over the iris."""
    beside = (radius > 1.08) & (radius < 1.35) & (np.abs(y) < 0.35 * np.abs(x))
    if _is_grey(patch):
        white = (np.abs(y) < 0.35 * np.abs(x)) & (radius < 1.3) | (radius < 1.04)  # skin looks like sclera
        return white, np.zeros_like(white)
    lab = cv2.cvtColor(cv2.GaussianBlur(patch, (0, 0), 1.5), cv2.COLOR_RGB2LAB).astype(np.float32)
    bright = lab[..., 0]
    typical = beside & (bright > np.percentile(bright[beside], 50))
    lightness, *hue = np.median(lab[typical], axis=0)
    chroma = np.hypot(lab[..., 1] - hue[0], lab[..., 2] - hue[1])
    white = (chroma < 14.0) & (bright > 0.62 * lightness)
    skin = (chroma >= 14.0) & (bright > 0.62 * lightness) & (radius > 0.8) & (y > 0)
    white |= radius < 1.08  # the soft rim of the iris is neither
    closed = cv2.morphologyEx(white.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    return closed > 0, skin


def _is_grey(patch: NDArray[np.uint8]) -> bool:
    return patch.ndim == 2 or int(np.ptp(patch.astype(int), axis=2).max()) == 0


def _white_tops(eye: NDArray[np.bool_], x: NDArray[np.int_], y: NDArray[np.int_]) -> tuple[float, float]:
    """Height of the top of the white, left and right of the iris."""
    tops = []
    for sign in (-1, 1):
        rows = y[eye & (sign * x > 102) & (sign * x < 118) & (y > -80)]
        tops.append(float(np.percentile(rows, 3)) if rows.size > 30 else 0.0)
    return tops[0], tops[1]


def _lash_tops(
    green: NDArray[np.uint8], radius: NDArray[np.float64], x: NDArray[np.int_], y: NDArray[np.int_]
) -> tuple[float, float]:
    """Height down to which dark lashes reach over the iris, left and right, carried on to its rims."""
    iris = (radius > 0.65) & (radius < 0.95)
    dark = iris & (y < -15) & (green < 0.7 * np.median(green[iris & (y > -15)]))
    reach = []
    for sign in (-1, 1):
        rows = y[dark & (sign * x > 0)]
        reach.append(float(np.percentile(rows, 95)) if rows.size > 60 else -100.0)
    middle, half = (reach[0] + reach[1]) / 2, reach[1] - reach[0]  # known at x = -50 and 50
    return middle - 1.1 * half, middle + 1.1 * half
