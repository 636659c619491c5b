"""The search for landmarks: what is plain to see, narrow, and unlike anything a rotation could put there."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.angles import direction_deg, unit_vector, wrap_rotation_deg
from torsion.eye_picture import EyePicture
from torsion.landmarks import Landmark, LandmarkKind
from torsion.photo import Ellipse
from torsion.unwrap import Band, sample

__all__ = ["FAINT", "check_count", "find_landmarks"]

FAINT = 0.25
"""Worth below which a landmark hardly shows in print."""

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]

# Sizes in limbus radii; one radius is about 5.9 mm.
_FINE, _COARSE = 0.014, 0.055  # a vessel's width, and what it is seen against
_ROOM = 0.12  # surroundings of a landmark that have to be free of lids, lashes and glare
_MOST_BLOCKED = 0.10  # share of those surroundings
_PATCH = 0.10  # half side of what is compared
_ELSEWHERE = 0.07  # a patch moved by less than this still shows the same thing
_REACH_DEG = 30.0  # a rotation of 15 degrees either way, doubled
_SLACK = 0.035  # play along the radius, as an eye's outline is not known better
_STEP_DEG = 0.5
_NARROW_DEG = 1.5  # by which a landmark turned has to look different
_TRIED = 60  # candidates of each band
_MIN_CONTRAST = 0.03  # of the surroundings' brightness; below, eyes do not see it in print
_MIN_OVER_USUAL = 2.5  # times the band's usual contrast
_DARK = 8.0  # grey levels added below a fraction, so that noise in the dark counts for little
_MIN_WORTH = 0.15
# Clear ones, beside which faint ones only mislead: three are found again, and one may be mistaken.
_ENOUGH = 4
_SPREAD_DEG = 16.0  # landmarks nearer to each other than this share their worth
_MIN_APART_DEG = 6.0
_EDGE = 0.035  # from the edge of what is valid, where surroundings are known on one side only
_MIRRORED, _MOST_MIRRORED = 0.22, 0.006  # white beside the iris round it; share of the surroundings so white
_CRISP = 0.5  # a thing in focus loses a third of its contrast when blurred to twice a vessel's width
_IRIS_SHARE, _UPPER_SHARE = 0.65, 0.6  # worth of a thing on the iris, which moves and hides when the
# pupil is dilated; and of one on the upper iris, where the cornea mirrors the lashes
_LEAST_BRIGHT = 0.85  # of the usual brightness of the white; lids throw shade
_LEAST_WHITE = 0.85  # of the usual ratio of smallest to largest channel; skin is redder
_SPOKES_DEG = np.arange(0.0, 360.0, 7.5)
_ARM = 0.06  # where arms of a thing are counted
_ARM_SHARE = 0.45  # of its contrast


def check_count(count: int) -> None:
    """Refuse a number of landmarks below 1, with a ValueError."""
    if count < 1:
        msg = f"count of landmarks must be at least 1, not {count}"
        raise ValueError(msg)


def find_landmarks(eye: EyePicture, limbus: Ellipse, *, count: int = 8) -> tuple[Landmark, ...]:
    """Most distinctive things on an eye, spread round the ring.

    Parameters
    ----------
    eye : EyePicture
    limbus : Ellipse
        In pixels of the full picture; gives the landmarks their place there.
    count : int, default 8
        How many at most.

    Returns
    -------
    tuple of Landmark
        Counter-clockwise from the right of the picture; fewer than `count`, or none, where the eye shows no
        more that is worth it.

    Raises
    ------
    ValueError
        If `count` is below 1.

    Notes
    -----
    Only dark things are taken: what is bright on an iris is as a rule a mirror image in the cornea, which
    does not turn with the eye.
    """
    check_count(count)
    contrast, allowed = _contrast(eye)
    blurred = np.asarray(cv2.GaussianBlur(contrast, (0, 0), 1.7 * _FINE * eye.px_per_radius), np.float32)
    ring = _Ring.of(eye)
    found: list[Landmark] = []
    for band, region in (("iris", eye.iris_region), ("limbus", eye.limbal_region)):
        name: Band = "iris" if band == "iris" else "limbus"
        for x, y, strength, over_usual in _candidates(eye, contrast, allowed & region):
            radius = float(np.hypot(x, y))
            unlike, narrow = ring.compare(x, y)
            soft = -float(sample(blurred, eye, np.array([[x]]), np.array([[y]]))[0, 0])
            crisp = min((strength / max(soft, 0.1 * strength) - 1.0) / _CRISP, 1.0)
            worth = min(over_usual / 6.0, 1.0) * unlike * min(1.0, narrow / 0.6) * max(crisp, 0.1)
            if band == "iris":
                worth *= _IRIS_SHARE * (_UPPER_SHARE if y > 0.25 else 1.0)
            else:
                worth *= float(np.clip(1.6 - 0.5 * radius, 0.8, 1.0))  # conjunctiva slides more farther out
            place = limbus.x_px + x * limbus.radius_px, limbus.y_px - y * limbus.radius_px
            kind = _kind(eye, contrast, x, y, name)
            direction = float(direction_deg(x, -y))
            found.append(Landmark(0, kind, name, *place, direction, radius, strength, unlike, worth))
    chosen = sorted(_spread(found, count), key=lambda landmark: landmark.direction_deg)
    return tuple(replace(landmark, number=number) for number, landmark in enumerate(chosen, 1))


def _contrast(eye: EyePicture) -> tuple[Floats, NDArray[np.bool_]]:
    """Brightness of fine things over that of their surroundings minus 1, and where a landmark may lie."""
    px = eye.px_per_radius
    colour = eye.rgb.astype(np.float32)
    half = eye.valid.shape[0] // 2
    rows, columns = np.mgrid[-half : half + 1, -half : half + 1]
    detail = np.where(np.hypot(rows, columns) < px, 0.5 * (colour[..., 0] + colour[..., 1]), colour[..., 1])
    contrast = np.zeros(eye.valid.shape, np.float32)
    allowed = np.zeros_like(eye.valid)
    margin = 2 * round(_EDGE * px) + 1
    blocked = _mean((eye.iris_region | eye.limbal_region) & ~eye.valid, _ROOM * px)
    for region in (eye.iris_region, eye.limbal_region):
        part = region & eye.valid
        weight = part.astype(np.float32)
        coarse = _weighted(detail, weight, _COARSE * px)
        fine = _weighted(detail, weight, max(_FINE * px, 0.7))
        contrast += np.where(part, (fine - coarse) / (coarse + _DARK), 0.0)
        inside = cv2.erode(part.astype(np.uint8), np.ones((margin, margin), np.uint8)) > 0
        allowed |= inside & (blocked < _MOST_BLOCKED)
    whiteness = np.minimum.reduce(cv2.split(colour))  # by channels: many times as fast as along the last axis
    usual = cv2.GaussianBlur(whiteness, (0, 0), _COARSE * px) + _DARK
    mirrored = (cv2.GaussianBlur(whiteness, (0, 0), 0.5) > (1.0 + _MIRRORED) * usual) & eye.iris_region
    allowed &= ~eye.iris_region | (_mean(mirrored, _ROOM * px) < _MOST_MIRRORED)
    ring = eye.valid & eye.limbal_region
    if ring.any():
        smooth = cv2.GaussianBlur(colour, (0, 0), _COARSE * px)
        channels = cv2.split(smooth)
        white = np.minimum.reduce(channels) / (np.maximum.reduce(channels) + 1.0)
        bright = smooth[..., 1] > _LEAST_BRIGHT * np.median(smooth[..., 1][ring])
        allowed &= ~eye.limbal_region | ((white > _LEAST_WHITE * np.median(white[ring])) & bright)
    return contrast, allowed


def _candidates(
    eye: EyePicture, contrast: Floats, allowed: NDArray[np.bool_]
) -> list[tuple[float, float, float, float]]:
    """Place (limbus radii, y up), contrast, and contrast over the usual, of the darkest things of a band."""
    if not allowed.any():
        return []
    size = 2 * int(0.03 * eye.px_per_radius) + 1
    lowest = cv2.erode(contrast, np.ones((size, size), np.uint8))
    usual = max(float(np.median(np.abs(contrast[allowed]))), 1e-3)
    at = np.nonzero(
        allowed & (contrast <= lowest) & (contrast < -max(_MIN_CONTRAST, _MIN_OVER_USUAL * usual))
    )
    best = np.argsort(contrast[at], kind="stable")[:_TRIED]
    half = contrast.shape[0] // 2
    return [
        (
            float(column - half) / eye.px_per_radius,
            float(half - row) / eye.px_per_radius,
            float(-contrast[row, column]),
            float(-contrast[row, column]) / usual,
        )
        for row, column in zip(at[0][best], at[1][best], strict=True)
    ]


@dataclass(frozen=True, slots=True, eq=False)
class _Ring:
    """The eye's texture on a polar grid, wrapped at both ends so that patches can move across 0 degrees."""

    texture: Floats
    valid: Floats
    inner: float
    step: float
    wrapped: int

    @classmethod
    def of(cls, eye: EyePicture) -> "_Ring":
        step = np.radians(_STEP_DEG)
        inner, outer = eye.pupil[2], 1.5
        angle = np.arange(0.0, 2 * np.pi - step / 2, step)
        radius = np.arange(inner, outer, step)[:, None]
        x, y = radius * np.cos(angle), radius * np.sin(angle)
        valid = (sample(eye.valid.astype(np.float32), eye, x, y) > 0.5).astype(np.float32)
        wrapped = angle.size // 2
        wide = ((0, 0), (wrapped, wrapped))
        texture = np.pad(sample(eye.texture, eye, x, y) * valid, wide, mode="wrap")
        return cls(texture, np.pad(valid, wide, mode="wrap"), inner, float(step), wrapped)

    def compare(self, x: float, y: float) -> tuple[float, float]:
        """How unlike the patch at a place is to all others near by, and to itself turned a little; 0 to 1."""
        radius = float(np.hypot(x, y))
        row = round((radius - self.inner) / self.step)
        column = self.wrapped + round(np.radians(float(direction_deg(x, -y))) / self.step)
        tall, wide = round(_PATCH / self.step), round(_PATCH / radius / self.step)
        slack, reach = round(_SLACK / self.step), round(_REACH_DEG / _STEP_DEG)
        top, bottom = max(row - tall, 0), min(row + tall + 1, self.texture.shape[0])
        above, below = min(slack, top), min(slack, self.texture.shape[0] - bottom)
        patch = np.s_[top:bottom, column - wide : column + wide + 1]
        strip = np.s_[top - above : bottom + below, column - wide - reach : column + wide + reach + 1]
        likeness = _correlate(self.texture[patch], self.valid[patch], self.texture[strip], self.valid[strip])
        lag = np.arange(-reach, reach + 1)
        elsewhere = np.abs(lag) * self.step * radius > _ELSEWHERE
        narrow = round(_NARROW_DEG / _STEP_DEG)
        turned = likeness[above, reach - narrow] + likeness[above, reach + narrow]
        unlike = 1.0 - float(likeness[:, elsewhere].max(initial=0.0))
        return float(np.clip(unlike, 0.0, 1.0)), float(np.clip(1.0 - turned / 2.0, 0.0, 1.0))


def _correlate(patch: Floats, mask: Floats, strip: Floats, valid: Floats) -> Doubles:
    """Correlation of a patch with every place of a strip over the pixels valid in both; 0 with under half."""

    def slide(picture: Floats, kernel: Floats) -> Doubles:
        found = cv2.matchTemplate(np.ascontiguousarray(picture), np.ascontiguousarray(kernel), cv2.TM_CCORR)
        return np.asarray(found, float)

    power = slide(valid, patch * patch * mask)
    other = slide(strip * strip, mask)
    scale = np.sqrt(np.maximum(power * other, 1e-6))
    enough = power > 0.5 * float((patch * patch * mask).sum())
    return np.where(enough, slide(strip, patch * mask) / scale, 0.0)


def _kind(eye: EyePicture, contrast: Floats, x: float, y: float, band: Band) -> LandmarkKind:
    """Tell what a dark thing is by its arms: how often a circle round it crosses something dark."""
    step = unit_vector(_SPOKES_DEG)
    around = sample(contrast, eye, (x + _ARM * step[:, 0])[None], (y + _ARM * step[:, 1])[None])[0]
    middle = float(sample(contrast, eye, np.array([[x]]), np.array([[y]]))[0, 0])
    dark = around < _ARM_SHARE * middle
    arms = int((dark & ~np.roll(dark, 1)).sum())
    if band == "iris":
        return "crypt" if arms else "spot"
    return "spot" if not arms else "vessel" if arms < 3 else "branching vessel"


def _spread(found: Sequence[Landmark], count: int) -> list[Landmark]:
    """Take the best again and again; what lies near to one that is taken counts for less.

    Faint ones are left out where there are enough others.
    """
    chosen: list[Landmark] = []
    worths = np.array([landmark.worth for landmark in found])
    directions = np.array([landmark.direction_deg for landmark in found])
    while len(chosen) < count and worths.max(initial=0.0) > _MIN_WORTH:
        best = int(worths.argmax())
        chosen.append(found[best])
        apart = np.abs(wrap_rotation_deg(directions - directions[best]))
        worths = worths * (1.0 - np.exp(-((apart / _SPREAD_DEG) ** 2)))
        worths[apart < _MIN_APART_DEG] = 0.0
    clear = [landmark for landmark in chosen if landmark.worth >= FAINT]
    return clear if len(clear) >= _ENOUGH else chosen


def _weighted(values: Floats, weight: Floats, sigma_px: float) -> Floats:
    total = cv2.GaussianBlur(values * weight, (0, 0), sigma_px)
    return np.asarray(total / (cv2.GaussianBlur(weight, (0, 0), sigma_px) + 1e-6), np.float32)


def _mean(mask: NDArray[np.bool_], radius_px: float) -> Floats:
    size = 2 * int(radius_px) + 1
    return np.asarray(cv2.blur(mask.astype(np.float32), (size, size)), np.float32)
