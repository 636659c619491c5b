"""The turned ring: a real photo whose eye alone is turned by a known angle, while lids and glints stay.

Whatever follows glints, lids or lashes instead of the eye gives itself away on such a picture.
"""

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.limbus_guess import Limbus, guess_limbus, stay_mask
from torsion.photo import Ellipse

__all__ = ["blended", "limbal_radii", "turned_eye", "turned_ring"]

Picture = NDArray[np.uint8]

_GUESS_OFF = 0.2  # limbus radii by which guess and measurement may differ on where the eye is
_LEAST_TURNED = 0.35  # share of the eye that must turn, or the picture shows a turned eye to nobody


def turned_eye(photo: Picture, found: Ellipse | None, *, angle_deg: float) -> Picture | str:
    """Turn the eye of a photo about a guess of its middle that is not the measurement's own.

    Parameters
    ----------
    photo : ndarray, shape (H, W) or (H, W, 3), uint8
        Picture in RGB or grey.
    found : Ellipse or None
        Limbus as the measurement found it, in pixels of the picture.
    angle_deg : float
        Turn, counter-clockwise as seen.

    Returns
    -------
    ndarray or str
        The picture, or why none was made.
    """
    limbus = guess_limbus(photo)
    if limbus is None or found is None:
        return "no eye stands out that could be turned"
    off = float(np.hypot(found.x_px - limbus.x_px, found.y_px - limbus.y_px))
    if max(off, abs(found.radius_px - limbus.radius_px)) > _GUESS_OFF * found.radius_px:
        return "two ways to find the eye disagree, so it is not known what to turn"
    stays = stay_mask(photo, limbus)
    if 1.0 - stays[limbal_radii(photo, limbus) < 1.0].mean() < _LEAST_TURNED:
        return "too little of the eye is free of lids and glints to be turned"
    return turned_ring(photo, limbus, stays, angle_deg=angle_deg)


def turned_ring(
    photo: Picture,
    limbus: Limbus,
    stays: NDArray[np.bool_],
    *,
    angle_deg: float,
    reach: float = 1.35,
    feather: float = 0.12,
) -> Picture:
    """Turn only the eye of a photo about the centre of its limbus.

    Parameters
    ----------
    photo : ndarray, shape (H, W) or (H, W, 3), uint8
        Picture in RGB or grey.
    limbus : Limbus
        Centre and outline; an ellipse is turned in its own plane.
    stays : ndarray, shape (H, W), bool
        Skin, lids, lashes and glints: they stay where they are.  Where the turned eye would need what they
        hide, a smooth continuation of the eye is drawn.
    angle_deg : float
        Turn, counter-clockwise as seen.
    reach : float
        Everything within so many limbus radii turns as a whole.
    feather : float
        Width, in limbus radii, over which the turned picture fades into the photo.

    Returns
    -------
    ndarray
        Like `photo`.
    """
    fill = _continued(photo, ~stays)
    to_circle, centre = _to_circle(limbus)
    angle = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])  # y grows downwards
    linear = np.linalg.inv(to_circle) @ turn @ to_circle
    matrix = np.column_stack([linear, centre - linear @ centre])
    size = photo.shape[1], photo.shape[0]
    turned = np.asarray(
        cv2.warpAffine(fill, matrix, size, flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101),
        np.uint8,
    )
    soft = cv2.GaussianBlur((~stays).astype(np.float32), (0, 0), max(0.015 * limbus.radius_px, 0.5))
    share = np.clip(2.0 * soft - 1.0, 0.0, 1.0)  # fades inside the eye: no pixel that stays is touched
    share *= np.clip((reach + feather - limbal_radii(photo, limbus)) / feather, 0.0, 1.0)
    return blended(photo, turned, share)


def _to_circle(limbus: Limbus) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Linear map that takes the limbus ellipse about its centre to a circle, and the centre."""
    tilt = -np.deg2rad(limbus.tilt_deg)
    along = np.array([[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]])
    stretch = along @ np.diag([1.0, 1.0 / limbus.ratio]) @ along.T
    return stretch, np.array([limbus.x_px, limbus.y_px])


def limbal_radii(photo: Picture, limbus: Limbus) -> NDArray[np.float32]:
    """Distance of every pixel from the centre, in limbus radii."""
    stretch, centre = _to_circle(limbus)
    stretch = stretch / limbus.radius_px
    x = np.arange(photo.shape[1], dtype=np.float32)[None, :] - centre[0]
    y = np.arange(photo.shape[0], dtype=np.float32)[:, None] - centre[1]
    radii = np.hypot(stretch[0, 0] * x + stretch[0, 1] * y, stretch[1, 0] * x + stretch[1, 1] * y)
    return np.asarray(radii, np.float32)


def blended(below: Picture, above: Picture, share: NDArray[np.float32]) -> Picture:
    """Lay one picture over another, with a share of 0 to 1 for each pixel."""
    weight = share if below.ndim == 2 else share[..., None]
    mixed = below + weight * (above.astype(np.float32) - below)
    return np.asarray(np.clip(np.rint(mixed), 0, 255), np.uint8)


def _continued(photo: Picture, known: NDArray[np.bool_]) -> Picture:
    """Fill the unknown pixels smoothly from the known ones about them, coarse to fine."""
    levels = [(photo.astype(np.float32) * _like(known, photo), known.astype(np.float32))]
    while min(levels[-1][1].shape) > 8:
        picture, weight = (cv2.pyrDown(part) for part in levels[-1])
        levels.append(
            (picture / np.maximum(_like(weight, picture), 1e-6), (weight > 1e-3).astype(np.float32))
        )
        levels[-1] = levels[-1][0] * _like(levels[-1][1], picture), levels[-1][1]
    filled: NDArray[Any] = levels[-1][0]
    for picture, weight in levels[-2::-1]:
        coarse = cv2.pyrUp(filled, dstsize=(picture.shape[1], picture.shape[0]))
        filled = picture + (1.0 - _like(weight, picture)) * coarse
    return np.asarray(np.clip(np.rint(filled), 0, 255), np.uint8)


def _like(weight: NDArray[Any], picture: NDArray[Any]) -> NDArray[Any]:
    return weight if picture.ndim == 2 else weight[..., None]
