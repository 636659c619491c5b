"""Quality of one photo: figures, the limits of some of them, and the flags that follow."""

from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.compression import rounded_away
from torsion.crops import halved
from torsion.eye_picture import EyePicture
from torsion.lattice import blurred_mean, full_size, lattice_blur
from torsion.measures import LIMITS, MEASURES
from torsion.photo import Ellipse
from torsion.quantiles import median
from torsion.trial import Located
from torsion.white_sides import white_beside

__all__ = ["assess"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]
Moments = NDArray[np.float64]

_DETAIL_DEG = 1.0  # standard deviation of the blur that takes fine detail away
_VESSEL_DEG = 2.5  # likewise for vessels: the widest of the limbus measure about three degrees
_LEAST_PX = 100  # of a band; fewer say nothing of its texture
_IRIS_FINE, _IRIS_AROUND = 0.05, 0.10  # limbus radii: what is finer is iris detail; its mean is over this
# Grey levels by which the detail of one iris differs from photo to photo, by noise, compression and light:
# with it, c^2 / (c^2 + 4^2) is the correlation of irises whose detail has the contrast c.
_CHANGE = 4.0


def assess(
    located: Located, eye: EyePicture | None, pixels: NDArray[np.uint8], scale: int
) -> tuple[Mapping[str, float | None], tuple[str, ...]]:
    """Figures of a photo and the flags that follow from them.

    Parameters
    ----------
    located : Located
    eye : EyePicture or None
        None when no eye was found.
    pixels : (H, W[, 3]) uint8 ndarray
        The decoded picture.
    scale : int
        Full pixels per decoded pixel.

    Returns
    -------
    measures : mapping of str to float or None
        Named as in `MEASURES`; all are None where no eye was found.
    flags : tuple of str

    Notes
    -----
    Gaze tilt is not among them: the roundness of the limbus differs so much from eye to eye that in one photo
    it says nothing of tilts up to 12 degrees, and the place of the pupil in it tells them to within 14.
    """
    if eye is None or located.limbus is None:
        return dict.fromkeys(MEASURES), ("no_eye",)
    limbus, size_px = located.limbus, (pixels.shape[1], pixels.shape[0])
    values: dict[str, float | None] = {
        "limbus_radius_px": limbus.radius_px * scale,
        "pixels_per_degree": limbus.radius_px * scale * np.pi / 180.0,
        "limbus_contrast": located.limbus_contrast,
        "exposed_upper": located.exposed_upper,
        "exposed_lower": located.exposed_lower,
        "exposed": (located.exposed_upper + located.exposed_lower) / 2.0,
        "pupil_ratio": located.pupil.radius_px / limbus.radius_px if located.pupil else None,
        "off_centre": _off_centre(limbus, size_px),
        "outside": _share_outside(limbus, size_px),
        "white_beside": white_beside(pixels, limbus),
        "rounding": rounded_away(pixels, limbus, scale=scale),
        **_of_the_bands(eye),
    }
    return {name: _plain(values[name]) for name in MEASURES}, _flags(values, located)


def _plain(value: float | None) -> float | None:
    return None if value is None else float(value)


def _flags(values: Mapping[str, float | None], located: Located) -> tuple[str, ...]:
    breached = {
        name
        for name, limit in LIMITS.items()
        if (value := values[name]) is not None and limit.breached(value)
    }
    conditions = {
        "eye_covered": {"iris_valid", "limbus_valid"} <= breached,  # either band alone can be measured
        "lids_low": "exposed" in breached,
        "off_picture": (values["outside"] or 0.0) > 0.0 and "outside" not in breached,
        "half_off_picture": "outside" in breached,
        "two_eyes": located.other_eye,
        "out_of_focus": "focus" in breached,
        "small_eye": "limbus_radius_px" in breached,
        "faint_iris": "iris_detail" in breached,
        "overexposed": "overexposed" in breached,
        "overcompressed": "rounding" in breached,
        "on_its_side": "white_beside" in breached,
    }
    return tuple(name for name, present in conditions.items() if present)


def _share_outside(limbus: Ellipse, size_px: tuple[int, int]) -> float:
    """Share of the outline that lies beyond the edge of the picture."""
    turn = np.radians(np.arange(360.0))
    x, y = limbus.x_px + limbus.radius_px * np.cos(turn), limbus.y_px - limbus.radius_px * np.sin(turn)
    inside = (x >= 0) & (x <= size_px[0] - 1) & (y >= 0) & (y <= size_px[1] - 1)
    return float(1.0 - inside.mean())


def _off_centre(limbus: Ellipse, size_px: tuple[int, int]) -> float:
    across, up = limbus.x_px - (size_px[0] - 1) / 2.0, limbus.y_px - (size_px[1] - 1) / 2.0
    return float(np.hypot(across, up) / (min(size_px) / 2.0))


def _of_the_bands(eye: EyePicture) -> dict[str, float | None]:
    iris, ring = eye.valid & eye.iris_region, eye.valid & eye.limbal_region
    inside = cv2.erode(eye.valid.view(np.uint8), np.ones((5, 5), np.uint8)) > 0
    sigma = max(eye.px_per_radius * float(np.radians(_DETAIL_DEG)), 0.5)
    fine = eye.texture - full_size(*lattice_blur(eye.texture, sigma), len(eye.texture))
    bands = [(inside & region).view(np.uint8) for region in (eye.iris_region, eye.limbal_region)]
    part, whole = ([_moments(values, band) for band in bands] for values in (fine, eye.texture))
    of_both = _share_of_power(part[0] + part[1], whole[0] + whole[1])
    level, contrast = _vessels(eye, ring)
    return {
        "iris_valid": _share(iris, eye.iris_region),
        "limbus_valid": _share(ring, eye.limbal_region),
        "focus": of_both or 0.0,  # where nothing is left to be in focus, it is not
        "focus_iris": _share_of_power(part[0], whole[0]),
        "focus_limbus": _share_of_power(part[1], whole[1]),
        "vessel_contrast": contrast,
        "iris_detail": _iris_detail(eye),
        "glare": eye.glare,
        "overexposed": eye.overexposed,
        "white_level": level,
    }


def _share(part: Mask, whole: Mask) -> float:
    return float(np.count_nonzero(part)) / max(1, int(np.count_nonzero(whole)))


def _moments(values: Floats, mask: NDArray[np.uint8]) -> Moments:
    """Count, sum and sum of squares of what lies in a mask; those of two masks add up."""
    (mean,), (deviation,) = (np.ravel(found) for found in cv2.meanStdDev(values, mask=mask))
    return cv2.countNonZero(mask) * np.array([1.0, mean, mean**2 + deviation**2])


def _share_of_power(part: Moments, whole: Moments) -> float | None:
    """Variance of a part of the texture over that of the whole; None where there are too few pixels."""
    if whole[0] < _LEAST_PX:
        return None
    of_part, of_whole = (squares / count - (total / count) ** 2 for count, total, squares in (part, whole))
    return float(of_part / max(of_whole, 1e-6))


def _iris_detail(eye: EyePicture) -> float:
    """Area of the usable iris, each part times the correlation that its contrast lets expect, over the disc.

    At half the size of the cut, which leaves most of the noise away.
    """
    half, reach = len(eye.rgb) // 2, int(eye.px_per_radius)
    about = np.s_[half - reach : half + reach + 1, half - reach : half + reach + 1]
    red, green, _ = cv2.split(cv2.pyrDown(eye.rgb[about]))  # more smoothly than by means of squares
    brightness = cv2.addWeighted(red, 0.5, green, 0.5, 0.0, dtype=cv2.CV_32F)
    weight = (eye.valid & eye.iris_region)[about][::2, ::2].astype(np.float32)
    px = eye.px_per_radius / 2.0
    weighted = np.asarray(brightness * weight, np.float32)
    fine = weighted - weight * blurred_mean(weighted, weight, _IRIS_FINE * px)
    power = blurred_mean(fine * fine, weight, _IRIS_AROUND * px)
    repeated = weight * power / (power + np.float32(_CHANGE**2))
    return float(repeated.sum()) / (np.pi * px**2)


def _vessels(eye: EyePicture, ring: Mask) -> tuple[float | None, float | None]:
    """Level of the white of the eye, and the contrast in it of what is as narrow as vessels.

    None where there are too few pixels.  At half the size of the cut, which is fine enough for vessels and
    leaves most of the noise away.
    """
    if np.count_nonzero(ring) < _LEAST_PX:
        return None, None
    green, share = (
        halved(np.asarray(each, np.uint8), 1).astype(np.float32)
        for each in (cv2.extractChannel(eye.rgb, 1), ring.view(np.uint8) * np.uint8(255))
    )
    weight = share / np.float32(255.0)
    sigma = max(eye.px_per_radius / 2.0 * float(np.radians(_VESSEL_DEG)), 0.5)
    around = blurred_mean(green * weight, weight, sigma)
    inside = weight > 0.999
    if not inside.any():
        return None, None
    level = median(green[inside])
    return level / 255.0, float((green - around)[inside].std()) / max(level, 1.0)
