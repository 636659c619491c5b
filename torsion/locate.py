"""Find limbus and pupil in a photo.

The red channel is used for the limbus, since irises of every colour are dark in red while both sclera and
skin are bright in it, so that lids disturb least.  The search is an integro-differential ring search on a
small picture (J. Daugman, doi 10.1109/34.244676), in which each sample of contrast is clipped so that no
lash or glint outvotes the ring; it is followed by a robust fit of a low-order outline to the edge found
along each direction.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.angles import wrap_axis_deg
from torsion.photo import Ellipse, Photo

__all__ = ["Located", "locate", "resampled_crop"]

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]

_SEARCH_SIDE_PX = 160  # longer side of the picture in which the eye is searched
_MIN_RADIUS, _MAX_RADIUS = 0.07, 0.5  # limbus radius over the longer side: an eye filling 14 to 100 % of it
_RING_STEP = 0.10  # contrast is taken between radii 10 % inside and outside the ring
_MAX_CONTRAST = 60.0  # a sample of ring contrast counts for at most this, of 100
_MAX_RING = 40.0  # a ring counts for at most this, so that a black pupil cannot pose as a limbus
_MIN_LIMBUS_CONTRAST = 9.0  # of 100; below, there is no dark disc on a brighter ground
_MIN_LIMBUS_STEP = 0.04  # of the range of brightness; infra-red shows 0.1, white light 0.2 to 0.4
_ROUND_PUPIL, _ROUND_LIMBUS = 0.6, 0.75  # shares of the outline on which the strongest edge lies; in things
# that are no eye 0.2 to 0.5, in eyes 0.8 to 1, and one of the two is asked for
_PUPIL_RANGE = (0.16, 0.80)  # pupil radius over limbus radius
_PUPIL_CLIP = 15.0  # pupil edges are faint in dark eyes: many small steps beat one large
_PUPIL_BEYOND = 0.3  # yet a black pupil in a light iris must beat the collarette round it
_DEPTH_PX = 100  # pixels for each limbus radius in the edge search
_DIRECTIONS = np.radians(np.arange(0.0, 360.0, 2.0))
_RIGHT = np.cos(_DIRECTIONS) > 0

_SPOKES_DEG = np.arange(5.0, 360.0, 10.0)
_ARC_OF_SPOKE = np.select(  # 0 right, 1 left, 2 below, 3 above
    [
        (_SPOKES_DEG < 50) | (_SPOKES_DEG > 310),
        (_SPOKES_DEG > 130) & (_SPOKES_DEG < 230),
        (_SPOKES_DEG >= 230) & (_SPOKES_DEG <= 310),
    ],
    [0, 1, 2],
    default=3,
)


@dataclass(frozen=True, slots=True, eq=False)
class Located:
    """Where the eye is.

    Attributes
    ----------
    limbus, pupil : Ellipse or None
        Outlines in pixels of ``photo.pixels`` (the picture as decoded); None where nothing was found.
    limbus_contrast : float
        Step of brightness across the limbus, 0 to 1 of the range in the picture, median of the sides.
    exposed_upper, exposed_lower : float
        Share of the upper and lower half of the limbus at which its edge is seen, 0 to 1.
    """

    limbus: Ellipse | None
    pupil: Ellipse | None
    limbus_contrast: float = 0.0
    exposed_upper: float = 0.0
    exposed_lower: float = 0.0


def locate(photo: Photo) -> Located:
    """Find the limbus and the pupil of the one eye in a photo.

    Outlines that the photo brings with it (``photo.limbus``, ``photo.pupil``) are taken as they are.

    Parameters
    ----------
    photo : Photo
        Colour or grey.

    Returns
    -------
    Located
        With ``limbus`` None when no dark disc with a brighter surround is found: no eye, closed eye.
    """
    pixels = photo.pixels
    given_limbus = photo.limbus and photo.limbus.scaled(1.0 / photo.decoded_scale)
    given_pupil = photo.pupil and photo.pupil.scaled(1.0 / photo.decoded_scale)
    if given_limbus is None:
        start = _search(_limbus_channel(pixels))
        if start is None:
            return Located(None, None)
        limbus, weights, steps = _fit_limbus(_limbus_channel(pixels), *start)
    else:
        circle = (given_limbus.x_px, given_limbus.y_px, given_limbus.radius_px)
        _, weights, steps = _fit_limbus(_limbus_channel(pixels), *circle)
        limbus = given_limbus
    sine = np.sin(_DIRECTIONS)
    seen = weights > 0.05
    pupil, roundness = (given_pupil, 1.0) if given_pupil else _find_pupil(pixels, limbus)
    found = Located(
        limbus=limbus,
        pupil=pupil,
        limbus_contrast=float(np.median(steps[np.abs(sine) < 0.5])),
        exposed_upper=float(seen[sine > 0].mean()),
        exposed_lower=float(seen[sine < 0].mean()),
    )
    if given_limbus is not None:
        return found
    is_eye = roundness > _ROUND_PUPIL or _limbus_roundness(_limbus_channel(pixels), limbus) > _ROUND_LIMBUS
    if found.limbus_contrast < _MIN_LIMBUS_STEP or not is_eye:
        return replace(found, limbus=None, pupil=None)
    return found


def resampled_crop(
    pixels: NDArray[np.uint8], x_px: float, y_px: float, px_per_pixel: float, half_side: int
) -> NDArray[np.uint8]:
    """Square crop of ``2 * half_side + 1`` pixels centred on a point, resampled without aliasing.

    Parameters
    ----------
    pixels : (H, W[, 3]) uint8 ndarray
    x_px, y_px : float
        Point that becomes the centre pixel.
    px_per_pixel : float
        Source pixels for each pixel of the crop.
    half_side : int
        Half of the crop's side, in its own pixels.

    Returns
    -------
    (2 * half_side + 1, 2 * half_side + 1[, 3]) uint8 ndarray
        Beyond the picture's edge the edge pixel is repeated.
    """
    source, reduction = pixels, 1
    margin = int(px_per_pixel * (half_side + 2)) + 2  # reduce only what is needed
    left, top = max(0, int(x_px) - margin), max(0, int(y_px) - margin)
    right, bottom = min(pixels.shape[1], int(x_px) + margin), min(pixels.shape[0], int(y_px) + margin)
    if px_per_pixel >= 2.0 and right - left > 8 and bottom - top > 8:
        reduction = int(px_per_pixel)
        width, height = (right - left) // reduction, (bottom - top) // reduction
        source = pixels[top : top + height * reduction, left : left + width * reduction]
        source = np.asarray(cv2.resize(source, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
        x_px, y_px = (x_px - left + 0.5) / reduction - 0.5, (y_px - top + 0.5) / reduction - 0.5
    step = px_per_pixel / reduction
    to_source = np.array([[step, 0, x_px - step * half_side], [0, step, y_px - step * half_side]])
    side = 2 * half_side + 1
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    crop = cv2.warpAffine(source, to_source, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(crop, dtype=np.uint8)


def _blur(picture: Floats, sigma_px: float) -> Floats:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px), np.float32)


def _limbus_channel(pixels: Image) -> Image:
    return pixels if pixels.ndim == 2 else pixels[..., 0]


def _ring_contrast(
    picture: Floats, radii_px: NDArray[np.float64], clip: float, *, beyond: float = 0.0
) -> Floats:
    """Mean clipped step (outside minus inside) across rings round each pixel, shape (radii, 4 arcs, H, W).

    What a step exceeds the clip by counts for the share ``beyond``.
    """
    height, width = picture.shape
    border = int(radii_px[-1] * (1 + _RING_STEP)) + 2
    padded = cv2.copyMakeBorder(picture, border, border, border, border, cv2.BORDER_REPLICATE)
    contrast = np.zeros((len(radii_px), 4, height, width), np.float32)
    spokes = np.radians(_SPOKES_DEG)

    def shifted(radius: float, angle: float) -> Floats:
        row, column = round(border - radius * np.sin(angle)), round(border + radius * np.cos(angle))
        return np.asarray(padded[row : row + height, column : column + width])

    for at, radius in enumerate(radii_px):
        for angle, arc in zip(spokes, _ARC_OF_SPOKE, strict=True):
            step = cv2.subtract(
                shifted(radius * (1 + _RING_STEP), angle), shifted(radius * (1 - _RING_STEP), angle)
            )
            clipped = np.clip(step, -clip, clip)
            contrast[at, arc] += clipped + beyond * (step - clipped)
    contrast /= np.bincount(_ARC_OF_SPOKE)[:, None, None]
    return contrast


def _stretched(picture: Floats, low: float, high: float) -> Floats:
    bottom, top = np.percentile(picture, [low, high])
    return np.asarray(np.clip((picture - bottom) / max(top - bottom, 4.0) * 100.0, 0.0, 100.0), np.float32)


def _search(channel: Image) -> tuple[float, float, float] | None:
    """Limbus circle (x, y, radius) by the sum of its own contrast and that of the best pupil inside it."""
    scale = _SEARCH_SIDE_PX / max(channel.shape)
    size = (max(8, round(channel.shape[1] * scale)), max(8, round(channel.shape[0] * scale)))
    small = cv2.resize(channel, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    small = _stretched(_blur(np.asarray(small, np.float32), 1.0), 1, 90)
    lowest, highest = np.log(_SEARCH_SIDE_PX * _MIN_RADIUS), np.log(_SEARCH_SIDE_PX * _MAX_RADIUS)
    radii = np.exp(np.arange(lowest, highest, 0.07))
    contrast = _ring_contrast(small, radii, _MAX_CONTRAST)
    right, left, below, above = (contrast[:, arc] for arc in range(4))
    # A limbus needs both sides; below and above may be hidden by lids.
    limbus = np.minimum(right, left) + 0.35 * np.clip(below, -5, None) + 0.15 * np.clip(above, -5, None)
    one_sign = np.abs(np.sign(contrast[:, :3]).sum(axis=1)) == 3
    pupil = np.where(one_sign, np.abs(contrast[:, :3]).min(axis=1), 0.0)

    rows, columns = np.mgrid[: small.shape[0], : small.shape[1]]
    best, best_score = None, _MIN_LIMBUS_CONTRAST
    for _ in range(24):  # the most contrasting rings, each with its neighbourhood taken out
        at, row, column = np.unravel_index(int(np.argmax(limbus)), limbus.shape)
        own = float(limbus[at, row, column])
        if own < _MIN_LIMBUS_CONTRAST:
            break
        radius = radii[at]
        distance = np.hypot(rows - row, columns - column)
        inside = radii < 0.78 * radius
        nested = pupil[inside] * (distance < 0.15 * radius)
        nested = np.where(distance + radii[inside][:, None, None] < 0.85 * radius, nested, 0.0)
        score = min(own, _MAX_RING) + min(float(nested.max(initial=0.0)), _MAX_RING)
        if score > best_score:
            best, best_score = (column, row, radius), score
        similar = np.abs(np.log(radii / radius)) < 0.15
        limbus[np.ix_(similar, range(limbus.shape[1]), range(limbus.shape[2]))] *= distance >= 0.25 * radius
    if best is None:
        return None
    fx, fy = channel.shape[1] / size[0], channel.shape[0] / size[1]
    return (best[0] + 0.5) * fx - 0.5, (best[1] + 0.5) * fy - 0.5, float(best[2]) / scale


def _polar(picture: Floats, radii: NDArray[np.float64]) -> Floats:
    """Brightness at each radius (rows, in limbus radii of the crop) and direction (columns)."""
    centre = picture.shape[0] // 2
    x = centre + np.outer(radii, np.cos(_DIRECTIONS)) * _DEPTH_PX
    y = centre - np.outer(radii, np.sin(_DIRECTIONS)) * _DEPTH_PX
    sampled = cv2.remap(
        picture, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(sampled, np.float32)


def _radial_step(polar: Floats, sigma: float) -> Floats:
    """Step of brightness along the radius (rows are 0.01 apart), smoothed by ``sigma`` radii."""
    reach = int(sigma * 300)
    at = np.arange(-reach, reach + 1) / 100.0
    kernel = at * np.exp(-(at**2) / (2 * sigma**2))
    kernel /= np.abs(kernel).sum() / 2.0
    step = cv2.filter2D(
        polar, cv2.CV_32F, kernel[:, None].astype(np.float32), borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(cv2.blur(step, (5, 1)), np.float32)


def _outline_fit(
    edge: NDArray[np.float64], weights: NDArray[np.float64], *, stiffness: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Robust fit of radius, decentration and ellipticity: (1, cos, sin, cos 2, sin 2) of the direction.

    ``stiffness`` holds the ellipticity near zero where the edge is seen on short arcs only.
    """
    one = np.ones_like(_DIRECTIONS)
    basis = np.stack([one, *(f(k * _DIRECTIONS) for k in (1, 2) for f in (np.cos, np.sin))], axis=1)
    ridge = np.diag([0.0, 0.1, 0.1, 1.0, 1.0]) * stiffness
    robust = weights
    shape = np.array([np.average(edge, weights=weights + 1e-9), 0.0, 0.0, 0.0, 0.0])
    for _ in range(8):
        if robust.sum() < 1e-6:
            break
        normal = basis.T @ (basis * robust[:, None]) + ridge + 1e-9 * np.eye(5)
        shape = np.linalg.solve(normal, basis.T @ (robust * edge))
        miss = edge - basis @ shape
        spread = max(0.012, 1.5 * float(np.median(np.abs(miss[robust > 0]))))
        robust = weights * np.clip(1.0 - (miss / (3.0 * spread)) ** 2, 0.0, None) ** 2
    return shape, robust


def _fit_limbus(
    channel: Image, x: float, y: float, radius: float
) -> tuple[Ellipse, NDArray[np.float64], NDArray[np.float64]]:
    """Refine a limbus circle to an ellipse; also the weight and the step of the edge in each direction."""
    sine = np.sin(_DIRECTIONS)
    trust = np.where(np.abs(sine) < 0.75, 1.0, np.where(sine < 0, 0.5, 0.15))  # lids above, then below
    shape, robust, steps = np.zeros(5), np.zeros_like(sine), np.zeros_like(sine)
    for span, sigma, stiffness in ((0.22, 0.05, 3.0), (0.12, 0.035, 3.0), (0.09, 0.03, 1.0)):
        crop = resampled_crop(channel, x, y, radius / _DEPTH_PX, int(1.6 * _DEPTH_PX)).astype(np.float32)
        radii = np.arange(0.9 - span, 1.1 + span, 0.01)
        polar = _stretched(_polar(_blur(crop, 1.5), radii), 2, 92) / 100.0
        step = _radial_step(polar, sigma)
        likely = np.where(np.abs(radii - 1) < span, np.exp(-0.5 * ((radii - 1) / (0.7 * span)) ** 2), 0.0)
        edge, steps = _strongest(radii, step, likely)
        shape, robust = _outline_fit(edge, np.clip(steps, 0.0, 0.5) * trust, stiffness=stiffness)
        x, y, radius = x + shape[1] * radius, y - shape[2] * radius, shape[0] * radius
    flattening = min(float(np.hypot(shape[3], shape[4])), 0.3)
    axis = wrap_axis_deg(0.5 * float(np.degrees(np.arctan2(shape[4], shape[3]))))
    ellipse = Ellipse(x, y, radius * (1 + flattening), radius * (1 - flattening), axis)
    return ellipse, robust, steps


def _strongest(
    radii: NDArray[np.float64], step: Floats, likely: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Radius of the strongest likely step in each direction, to a fraction of a row, and its height."""
    weighed = step * likely[:, None]
    at = np.clip(weighed.argmax(axis=0), 1, len(radii) - 2)
    columns = np.arange(step.shape[1])
    before, here, after = weighed[at - 1, columns], weighed[at, columns], weighed[at + 1, columns]
    bend = before - 2 * here + after
    offset = np.where(bend < -1e-6, 0.5 * (before - after) / np.minimum(bend, -1e-6), 0.0)
    return radii[at] + 0.01 * np.clip(offset, -1, 1), here.astype(np.float64)


def _limbus_roundness(channel: Image, limbus: Ellipse) -> float:
    """Share of the outline, at the poorer side, on which the strongest step to brighter lies."""
    span = 0.15
    centre = limbus.x_px, limbus.y_px
    crop = resampled_crop(channel, *centre, limbus.radius_px / _DEPTH_PX, int(1.6 * _DEPTH_PX))
    radii = np.arange(0.9 - span, 1.1 + span, 0.01)
    polar = _stretched(_polar(_blur(crop.astype(np.float32), 1.5), radii), 2, 92) / 100.0
    edge, height = _strongest(radii, _radial_step(polar, 0.03), (np.abs(radii - 1) < span).astype(float))
    flattening = (limbus.major_px - limbus.minor_px) / (limbus.major_px + limbus.minor_px)
    outline = 1 + flattening * np.cos(2 * (_DIRECTIONS - np.radians(limbus.axis_deg)))
    on_outline = (np.abs(edge - outline) < 0.03) & (height > 0.02)
    sides = np.abs(np.sin(_DIRECTIONS)) < 0.5
    return float(min(on_outline[sides & half].mean() for half in (_RIGHT, ~_RIGHT)))


def _find_pupil(pixels: Image, limbus: Ellipse) -> tuple[Ellipse | None, float]:
    """Pupil circle inside a known limbus: by brightness in red and, in colour, by saturation.

    A pupil that mirrors the sky is as bright as a dark iris, yet grey where the iris is brown.  Also the
    share of its outline, apart from the part near the upper lid, on which the strongest edge lies.
    """
    px = 40
    x, y, radius = limbus.x_px, limbus.y_px, limbus.radius_px
    crop = _blur(resampled_crop(pixels, x, y, radius / px, px).astype(np.float32), 1.0)
    distance = np.hypot(*(np.mgrid[: crop.shape[0], : crop.shape[1]] - px))
    radii = np.exp(np.arange(np.log(_PUPIL_RANGE[0] * px), np.log(_PUPIL_RANGE[1] * px), 0.06))
    rings, scores = [], []
    for channel in _pupil_channels(crop):
        if np.ptp(np.percentile(channel[distance < 0.9 * px], [1, 85])) < 4.0:
            continue  # flat: nothing to see in this channel
        inside = _stretched_inside(channel, distance < 0.9 * px)
        ring = _ring_contrast(inside, radii, _PUPIL_CLIP, beyond=_PUPIL_BEYOND)
        size = np.abs(ring)
        one_sign = np.abs(np.sign(ring[:, :3]).sum(axis=1)) == 3
        above = 0.15 * size[:, 3] * (np.sign(ring[:, 3]) == np.sign(ring[:, 2]))
        scores.append(
            np.where(one_sign, 0.5 * size[:, :3].mean(axis=1) + size[:, :3].min(axis=1), 0.0) + above
        )
        rings.append(ring)
    if not scores:
        return None, 0.0
    central = np.exp(-0.5 * (distance / (0.15 * px)) ** 2) * (distance < 0.2 * px)
    total = sum(scores) * central * (distance + radii[:, None, None] < 0.86 * px)
    at, row, column = np.unravel_index(int(np.argmax(total)), total.shape)
    if total[at, row, column] <= 1.0:  # of about 25 for each channel
        return None, 0.0
    clearest = int(np.argmax([score[at, row, column] for score in scores]))
    brighter = float(rings[clearest][at, :3, row, column].mean()) < 0
    step = radius / px
    start = (x + (column - px) * step, y + (row - px) * step, radii[at] * step)
    return _fit_pupil(pixels, start, channel=clearest, brighter=brighter)


def _pupil_channels(crop: Floats) -> list[Floats]:
    if crop.ndim == 2:
        return [crop]
    return [crop[..., 0], crop.max(axis=2) - crop.min(axis=2)]


def _stretched_inside(picture: Floats, inside: NDArray[np.bool_]) -> Floats:
    bottom, top = np.percentile(picture[inside], [1, 85])
    return np.asarray(np.clip((picture - bottom) / max(top - bottom, 4.0) * 100.0, 0.0, 100.0), np.float32)


def _fit_pupil(
    pixels: Image, start: tuple[float, float, float], *, channel: int, brighter: bool
) -> tuple[Ellipse, float]:
    x, y, radius = start
    for span in (0.2, 0.12):
        radii, step = _pupil_step(pixels, (x, y, radius), span, channel=channel, brighter=brighter)
        step = np.minimum(step, np.percentile(step, 95))  # glints make the highest steps
        likely = np.where(np.abs(radii - 1) < span, np.exp(-0.5 * ((radii - 1) / (0.7 * span)) ** 2), 0.0)
        edge, height = _strongest(radii, step, likely)
        weights = height / (height.max() + 1e-6) * np.where(np.sin(_DIRECTIONS) > 0.75, 0.3, 1.0)
        shape, _ = _outline_fit(edge, weights, stiffness=3.0)
        x, y, radius = x + shape[1] * radius, y - shape[2] * radius, shape[0] * radius
    span = 0.2
    radii, step = _pupil_step(pixels, (x, y, radius), span, channel=channel, brighter=brighter)
    edge, height = _strongest(radii, step, (np.abs(radii - 1) < span).astype(float))
    on_outline = (np.abs(edge - 1) < 0.05) & (height > 0.0)
    return Ellipse.circle(x, y, radius), float(on_outline[np.sin(_DIRECTIONS) < 0.5].mean())


def _pupil_step(
    pixels: Image, circle: tuple[float, float, float], span: float, *, channel: int, brighter: bool
) -> tuple[NDArray[np.float64], Floats]:
    """Radii about a circle, and at them the steps of the sign that its edge has, in each direction."""
    x, y, radius = circle
    crop = resampled_crop(pixels, x, y, radius / _DEPTH_PX, int(1.5 * _DEPTH_PX)).astype(np.float32)
    picture = cv2.GaussianBlur(_pupil_channels(crop)[channel], (0, 0), 2.0)
    radii = np.arange(0.9 - span, 1.1 + span, 0.01)
    step = _radial_step(_polar(np.asarray(picture, np.float32), radii), 0.04)
    return radii, np.asarray(np.clip(-step if brighter else step, 0.0, None), np.float32)
