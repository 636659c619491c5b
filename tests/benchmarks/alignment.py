"""Masked and robust alignment of two pictures by an affine map (Gauss-Newton), and affine maps."""

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["MAX_SCALE", "MIN_SCALE", "align", "normalised", "rotation_deg", "square"]

MIN_SCALE, MAX_SCALE = 0.7, 1.4  # between two photos of one eye
LEVELS = (4, 2, 1)
STEPS = 25

_Float = NDArray[np.float64]


def square(matrix: _Float) -> _Float:
    """Affine map, shape (2, 3), as a matrix that can be multiplied and inverted."""
    return np.vstack([matrix, [0.0, 0.0, 1.0]])


def rotation_deg(matrix: _Float) -> float:
    """Rotation of the polar decomposition, counter-clockwise as seen (y grows downwards)."""
    a = matrix[:, :2]
    return float(-np.rad2deg(np.arctan2(a[1, 0] - a[0, 1], a[0, 0] + a[1, 1])))


def normalised(
    green: NDArray[np.uint8], valid: NDArray[np.bool_], *, radius_px: float
) -> NDArray[np.float32]:
    """Subtract the local mean, divide by the local standard deviation, over valid pixels alone."""
    sigma = 0.1 * radius_px
    weight = valid.astype(np.float32)
    share = cv2.GaussianBlur(weight, (0, 0), sigma) + 1e-6
    picture = cv2.GaussianBlur(green.astype(np.float32), (0, 0), 1.0)
    centred = picture - cv2.GaussianBlur(picture * weight, (0, 0), sigma) / share
    spread = np.sqrt(cv2.GaussianBlur(centred * centred * weight, (0, 0), sigma) / share)
    return (np.clip(centred / (spread + 1.0), -3.0, 3.0) * weight).astype(np.float32)


def align(
    first: NDArray[np.float32],
    first_valid: NDArray[np.bool_],
    second: NDArray[np.float32],
    second_valid: NDArray[np.bool_],
    start: _Float,
) -> tuple[_Float, float]:
    """Affine map between two normalised pictures, with their correlation under it, coarse to fine.

    The start, shape (2, 3), is kept if the alignment gets lost.
    """
    matrix, correlation = start.copy(), 0.0
    for shrink in LEVELS:
        fixed, fixed_valid = _shrink(first, first_valid, shrink)
        moving, moving_valid = _shrink(second, second_valid, shrink)
        change = np.array([[1 / shrink, 0, (1 / shrink - 1) / 2], [0, 1 / shrink, (1 / shrink - 1) / 2]])
        to_level, to_full = square(change), np.linalg.inv(square(change))
        level, correlation = _gauss_newton(
            fixed, fixed_valid, moving, moving_valid, (to_level @ square(matrix) @ to_full)[:2]
        )
        matrix = (to_full @ square(level) @ to_level)[:2]
    u, sizes, v = np.linalg.svd(matrix[:, :2])
    inside = sizes.min() >= MIN_SCALE and sizes.max() <= MAX_SCALE and sizes.max() < 1.3 * sizes.min()
    if not inside or np.linalg.det(u @ v) < 0 or abs(rotation_deg(matrix) - rotation_deg(start)) > 5.0:
        return start, correlation
    return matrix, correlation


def _shrink(
    picture: NDArray[np.float32], valid: NDArray[np.bool_], shrink: int
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    if shrink == 1:
        return picture, valid
    shape = (picture.shape[1] // shrink, picture.shape[0] // shrink)
    trimmed = slice(shape[1] * shrink), slice(shape[0] * shrink)
    small = cv2.resize(picture[trimmed], shape, interpolation=cv2.INTER_AREA)
    return small, cv2.resize(valid[trimmed].astype(np.float32), shape, interpolation=cv2.INTER_AREA) > 0.9


def _gauss_newton(
    fixed: NDArray[np.float32],
    fixed_valid: NDArray[np.bool_],
    moving: NDArray[np.float32],
    moving_valid: NDArray[np.bool_],
    matrix: _Float,
) -> tuple[_Float, float]:
    """Affine map at one level of the pyramid, with the correlation of the pictures under it."""
    height, width = fixed.shape
    gx, gy = cv2.Scharr(moving, cv2.CV_32F, 1, 0) / 32, cv2.Scharr(moving, cv2.CV_32F, 0, 1) / 32
    usable = cv2.erode(moving_valid.astype(np.uint8), np.ones((3, 3), np.uint8))
    rows, columns = np.nonzero(fixed_valid)
    unit = 0.3 * max(height, width)
    x, y = (((p - q / 2) / unit).astype(np.float32) for p, q in ((columns, width), (rows, height)))
    ones = np.ones_like(x)
    target = fixed[rows, columns]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    correlation = 0.0
    for _ in range(STEPS):
        warped, wx, wy = (
            cv2.warpAffine(p, matrix, (width, height), flags=flags)[rows, columns] for p in (moving, gx, gy)
        )
        seen = cv2.warpAffine(usable, matrix, (width, height), flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
        keep = seen[rows, columns] > 0
        if keep.sum() < 500:
            return matrix, 0.0
        error = (target - warped)[keep]
        correlation = float(np.corrcoef(target[keep], warped[keep])[0, 1])
        spread = 1.4826 * np.median(np.abs(error)) + 1e-6
        weight = np.clip(1.0 - (error / (4.685 * spread)) ** 2, 0.0, None) ** 2  # Tukey's biweight
        wx, wy = wx[keep], wy[keep]
        jacobian = np.stack([q * p[keep] for q in (wx, wy) for p in (x, y, ones)], axis=1)
        normal = (jacobian.T @ (jacobian * weight[:, None])).astype(float)
        step = np.linalg.solve(normal + 1e-6 * np.trace(normal) * np.eye(6), jacobian.T @ (weight * error))
        a = step.reshape(2, 3)
        linear = a[:, :2] / unit
        shift = a[:, 2] - linear @ np.array([width / 2, height / 2])
        matrix = matrix + np.column_stack([linear, shift])
        if np.abs(a).max() < 0.01:  # pixels at the rim: 0.003 degrees
            break
    return matrix, correlation
