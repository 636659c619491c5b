"""Quality of one photo: figures, the limits of some of them, and the flags that follow."""

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.compression import rounded_away
from torsion.crops import halved
from torsion.lattice import blurred_mean, full_size, lattice_blur
from torsion.locate import Located
from torsion.masks import EyePicture
from torsion.photo import Ellipse
from torsion.quantiles import median
from torsion.white_sides import white_beside

__all__ = ["LIMITS", "MEASURES", "RETAKE", "Limit", "assess"]

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


@dataclass(frozen=True, slots=True)
class Limit:
    """What a figure of a photo must reach, or must not exceed.

    Attributes
    ----------
    flag : str
        Raised beyond the limit.
    least, most : float or None
        In the unit of the figure; one of them is None.
    """

    flag: str
    least: float | None = None
    most: float | None = None

    def breached(self, value: float) -> bool:
        """Whether a value lies beyond the limit."""
        return (self.least is not None and value < self.least) or (
            self.most is not None and value > self.most
        )


# Limits are physical: beyond them a part of the measurement lacks its material.
LIMITS: Mapping[str, Limit] = {
    # 0.7 pixels a degree at the limbus; vessels and crypts are narrower than that.
    "limbus_radius_px": Limit("small_eye", least=40.0),
    # Mean of the upper and the lower arc: with the sides alone, height and roundness rest on the lids.
    "exposed": Limit("lids_low", least=0.35),
    # Shares of the bands; with less of both, nothing spans the eye.
    "iris_valid": Limit("eye_covered", least=0.15),
    "limbus_valid": Limit("eye_covered", least=0.05),
    # Share of the texture's power finer than two degrees.
    "focus": Limit("out_of_focus", least=0.10),
    # Of the limbus's disc, on which a natural pupil leaves 0.8 of iris and a dilated one 0.4. With less the
    # coarse search finds the rotation by a narrow margin.
    "iris_detail": Limit("faint_iris", least=0.09),
    # There are no vessels in what is burnt out.
    "overexposed": Limit("overexposed", most=0.5),
    # Grey levels: clearly more of the detail is lost than the 4 that differ from photo to photo anyway.
    "rounding": Limit("overcompressed", most=4.5),
    # Skin is redder than white by a tenth and more in any light; where no lid is near, all is about as red.
    "white_beside": Limit("on_its_side", least=-0.1),
    # Of the outline of the limbus.  Cut nearer to its middle than a third of the radius, hardly any of it is
    # seen together with what lies opposite: the middle is a guess.
    "outside": Limit("half_off_picture", most=0.4),
}


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


MEASURES: Mapping[str, str] = {
    "limbus_radius_px": "radius of the limbus",
    "pixels_per_degree": "pixels in a degree along the limbus",
    "limbus_contrast": "contrast of the limbus, 0 to 1",
    "exposed_upper": "share of the upper limbus that no lid covers",
    "exposed_lower": "share of the lower limbus that no lid covers",
    "exposed": "mean of the shares of the upper and the lower limbus that no lid covers",
    "iris_valid": "share of the iris that can be used",
    "limbus_valid": "share of the limbal band that can be used",
    "pupil_ratio": "radius of the pupil over that of the limbus",
    "focus": "share of the texture's power in detail finer than two degrees; low out of focus",
    "focus_iris": "likewise, of the iris alone",
    "focus_limbus": "likewise, of the limbal band alone",
    "vessel_contrast": "contrast of vessels: standard deviation of the limbal band's green over its median",
    "iris_detail": "share of the limbus's disc that iris fills whose detail stands out from photo to photo",
    "glare": "share of both bands that glints or burnt-out places take",
    "overexposed": "share of the white at the sides of the iris that is burnt out",
    "white_level": "median green of the limbal band, 0 to 1",
    "white_beside": "logarithm of red over blue above and below the iris less that beside it; negative where "
    "the picture lies on its side",
    "rounding": "grey levels of detail that compression of the file rounded to nothing",
    "off_centre": "distance of the limbus from the middle of the picture over half its shorter side",
    "outside": "share of the limbus's outline beyond the edge of the picture",
}


RETAKE: Mapping[str, str] = {
    "limbus_radius_px": "go closer or use a longer lens",
    "pixels_per_degree": "go closer or use a longer lens",
    "limbus_contrast": "focus on the rim of the iris",
    "exposed_upper": "ask to open wide, or hold the upper lid",
    "exposed_lower": "ask to look straight, or hold the lower lid",
    "exposed": "ask to open wide, or hold both lids",
    "iris_valid": "hold the lids, keep lashes and glints off it",
    "limbus_valid": "show more white on both sides",
    "pupil_ratio": "photograph before the drops",
    "focus": "focus on the iris, hold still, use more light",
    "focus_iris": "focus on the iris",
    "focus_limbus": "focus on the vessels beside the iris",
    "vessel_contrast": "focus on the white, before drops blanch it",
    "iris_detail": "light and focus the iris, before the drops",
    "glare": "move the lamp to the side",
    "overexposed": "reduce the flash or the exposure",
    "white_level": "more light where dark, less where bright",
    "white_beside": "turn the picture upright",
    "rounding": "save at a higher quality",
    "off_centre": "centre the eye",
    "outside": "centre the eye, or go further away",
}
"""What betters each figure when the photo is taken again."""


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
