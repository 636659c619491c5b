"""The eye cut out at a common scale, with a mask of what turns with it and a picture of its fine texture.

Lids, lashes, skin and glints do not turn with the eye; left in, they would pin the answer near zero.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.crops import resampled_crop
from torsion.ink import ink_mask
from torsion.lattice import SmoothColour, blurred_mean
from torsion.lids import lid_mask
from torsion.locate import Located
from torsion.photo import Ellipse, Photo

__all__ = ["EyePicture", "cut_out", "mirrored_eye"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

REACH = 1.55  # half side of the cut, in limbus radii
RING = (1.03, 1.50)  # limbal band, in limbus radii
_MAX_PX_PER_RADIUS = 200.0  # 0.29 degrees a pixel at the limbus; more detail is rarely in focus
_SMOOTH = 0.03  # limbus radii: crypts and vessels vanish, lids and lash fans remain
_LATERAL = 0.35  # sine of the direction: the sides of the white of the eye, 20 degrees up and down
_RIM = 0.03  # limbus radii within a mask's edge that are left out
_SHADE = 0.55  # iris darker than this share of its lower half is lash, lid shadow or reflected lash
_BRIGHT = 1.9  # iris brighter than this multiple of its lower half is skin or glare
_SCLERA_SHADE = 0.72  # sclera darker than this share of its brightest side part is skin or lash
_CHROMA = 3.5  # robust standard deviations of colour from the reference region
_BURNT_OUT = 253
_GLINT_STEP = 30.0  # grey levels by which a white spot of the iris stands out
_LAMP = 0.9  # of the brightness of the white of the eye
_GREY_PARTS = 256  # of a grey level: fixed point, in which the search for spots is fast
_MAX_DETAIL = 3.0  # local standard deviations


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
        Share of the limbal band that is burnt out.
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


_NO_PUPIL = (0.0, 0.0, 0.35)  # a usual pupil stands in where none is seen, so that the iris can be unwrapped


def cut_out(photo: Photo, located: Located) -> EyePicture:
    """Cut the eye out of a photo and mask it.

    Parameters
    ----------
    photo : Photo
    located : Located
        With a limbus.

    Raises
    ------
    ValueError
        If ``located.limbus`` is None.
    """
    if located.limbus is None:
        msg = "the limbus must be known before the eye is cut out"
        raise ValueError(msg)
    x, y, radius = located.limbus.x_px, located.limbus.y_px, located.limbus.radius_px
    px = min(radius, _MAX_PX_PER_RADIUS)
    half = int(REACH * px)
    rgb = resampled_crop(photo.pixels, x, y, radius / px, half)
    grey = rgb.ndim == 2
    rgb = np.repeat(rgb[..., None], 3, axis=2) if grey else rgb
    grey = grey or float(cv2.norm(rgb[..., 0], rgb[..., 2], cv2.NORM_L1)) < 2.0 * rgb[..., 0].size
    pupil = _NO_PUPIL
    if located.pupil is not None:
        centre = (located.pupil.x_px - x) / radius, (y - located.pupil.y_px) / radius
        pupil = (*centre, located.pupil.radius_px / radius)

    height, width = photo.pixels.shape[:2]
    at_px = np.arange(-half, half + 1, dtype=np.float32) * np.float32(radius / px)
    from_middle_x, from_middle_y = np.abs(x + at_px - (width - 1) / 2), np.abs(y + at_px - (height - 1) / 2)
    in_picture = (from_middle_x < width / 2 - 2.5)[None, :] & (from_middle_y < height / 2 - 2.5)[:, None]
    zones = _Zones.of(half, px, pupil, in_picture)
    burnt = rgb[..., 1] >= _BURNT_OUT
    glinting = _grown(_glints(rgb, zones, px, grey=grey) | burnt, 0.02 * px)
    usable = in_picture & ~glinting
    if not grey:
        scale, drawn = px / radius, located.limbus
        outline = Ellipse(half, half, drawn.major_px * scale, drawn.minor_px * scale, drawn.axis_deg)
        usable &= ~ink_mask(rgb, outline)
    valid = _of_the_eye(rgb, zones, usable, px, grey=grey)
    texture = _texture(rgb, zones, valid, px)
    # The filter shows the edge of the mask as texture; a lid's edge stays where it is when the eye turns.
    valid = np.asarray(cv2.erode(valid.view(np.uint8), _disc(_RIM * px)) > 0)
    texture = np.where(valid, texture, np.float32(0.0))
    overexposed = float((burnt & zones.ring_seed).sum() / max(1, zones.ring_seed.sum()))
    bands = zones.iris | zones.ring
    glare = float((glinting & bands).sum() / max(1, bands.sum()))
    return EyePicture(rgb, texture, valid, in_picture, px, pupil, zones.iris, zones.ring, overexposed, glare)


def mirrored_eye(eye: EyePicture) -> EyePicture:
    """Mirror an eye's picture left to right."""
    x, y, radius = eye.pupil
    flipped = {name: getattr(eye, name)[:, ::-1] for name in ("rgb", "texture", "valid", "in_picture")}
    regions = {name: getattr(eye, name)[:, ::-1] for name in ("iris_region", "limbal_region")}
    return replace(eye, pupil=(-x, y, radius), **flipped, **regions)


@dataclass(frozen=True, slots=True, eq=False)
class _Zones:
    """Where iris and limbal band lie in the cut, before masking, and the parts of them that lids leave free.

    The lower and lateral iris and the lateral sclera are free as a rule.
    """

    in_picture: Mask
    right: Mask
    inner: Mask
    lateral: Mask
    iris: Mask
    ring: Mask
    iris_seed: Mask
    ring_seed: Mask

    @classmethod
    def of(cls, half: int, px: float, pupil: tuple[float, float, float], in_picture: Mask) -> "_Zones":
        steps = np.arange(-half, half + 1, dtype=np.float32) / np.float32(px)
        across, up = steps[None, :], -steps[:, None]
        from_centre = np.sqrt(across**2 + up**2)
        from_pupil = np.sqrt((across - np.float32(pupil[0])) ** 2 + (up - np.float32(pupil[1])) ** 2)
        iris = (from_centre < 0.96) & (from_pupil > 1.08 * pupil[2] + 0.02)
        ring = (from_centre > RING[0]) & (from_centre < RING[1])
        lateral = np.abs(up) < _LATERAL * from_centre
        return cls(
            in_picture,
            np.broadcast_to(across > 0, iris.shape),
            from_centre < 1.0,
            lateral,
            iris,
            ring,
            iris & (up < 0.15 * from_centre) & (up > -0.85 * from_centre) & in_picture,
            ring & lateral & (from_centre < 1.30) & in_picture,
        )


def _of_the_eye(rgb: NDArray[np.uint8], zones: _Zones, usable: Mask, px: float, *, grey: bool) -> Mask:
    """Pixels that turn with the eye: iris and white without lids, lashes and shadow."""
    smooth = SmoothColour.of(rgb, _SMOOTH * px)
    iris = _like_iris(smooth, zones.iris, zones.iris_seed) & usable & ~_lids(smooth, zones, px, grey=grey)
    ring = np.zeros_like(zones.ring)
    for side in (zones.right, ~zones.right):
        ring |= _like_sclera(smooth, zones.ring & side, zones.ring_seed & side, grey=grey)
    # Without colour nothing tells the lower lid from the white of the eye; lids seldom reach its sides.
    ring &= usable & zones.lateral if grey else usable
    return _connected(_opened(iris, px), zones.iris_seed) | _connected(_opened(ring, px), zones.ring_seed)


def _texture(rgb: NDArray[np.uint8], zones: _Zones, valid: Mask, px: float) -> Floats:
    red, green, _ = cv2.split(rgb)
    detail = green.astype(np.float32)
    detail = np.where(zones.inner, np.float32(0.5) * (red + detail), detail)
    texture = _normalised(detail, valid & zones.ring, px)
    half = len(rgb) // 2
    about = np.s_[half - int(px) : half + int(px) + 1, half - int(px) : half + int(px) + 1]
    texture[about] += _normalised(detail[about], (valid & zones.iris)[about], px)
    return texture


def _spread(values: Floats) -> tuple[float, float]:
    middle = float(np.median(values))
    return middle, 1.4826 * float(np.median(np.abs(values - middle)))


def _lids(smooth: SmoothColour, zones: _Zones, px: float, *, grey: bool) -> Mask:
    """Pixels of the iris under a lid."""
    bright = np.log(np.maximum(smooth.brightness, 1.0))[..., None]
    features = bright if grey else np.concatenate([bright, smooth.chroma], axis=-1)
    iris, seed, shown = (smooth.on_lattice(mask) for mask in (zones.iris, zones.iris_seed, zones.in_picture))
    covered = lid_mask(features, iris, seed, shown, smooth.places_px() / np.float32(px))
    return smooth.where(covered.astype(np.float32) - np.float32(0.5))


def _like_colour(smooth: SmoothColour, reference: Mask) -> list[Floats]:
    """Give maps, positive where the colour, apart from brightness, is that of a reference region."""
    margins = []
    for values in np.moveaxis(smooth.chroma, -1, 0):
        middle, spread = _spread(values[reference])
        margins.append(np.float32(_CHROMA * max(spread, 3.0)) - np.abs(values - np.float32(middle)))
    return margins


def _like_iris(smooth: SmoothColour, iris: Mask, seed: Mask) -> Mask:
    seed = smooth.on_lattice(seed)
    if seed.sum() < 50:
        return np.zeros_like(iris)
    brightness = smooth.brightness
    middle = float(np.median(brightness[seed]))
    above, below = brightness - _SHADE * middle, _BRIGHT * middle + 8.0 - brightness
    return iris & smooth.where(above, below, *_like_colour(smooth, seed))


def _like_sclera(smooth: SmoothColour, ring: Mask, seed: Mask, *, grey: bool) -> Mask:
    seed = smooth.on_lattice(seed)
    if seed.sum() < 50:
        return np.zeros_like(ring)
    whiteness = smooth.whiteness  # skin is as red as the sclera, but not as blue
    seed = seed & (whiteness >= np.percentile(whiteness[seed], 40))
    middle = float(np.median(whiteness[seed]))
    above = whiteness - _SCLERA_SHADE * middle
    # Without colour, brighter skin can only be told by its brightness.
    below = middle / _SCLERA_SHADE - whiteness if grey else above
    return ring & smooth.where(above, below, *_like_colour(smooth, seed))


def _glints(rgb: NDArray[np.uint8], zones: _Zones, px: float, *, grey: bool) -> Mask:
    """White spots smaller than 0.12 limbus radii on the iris; white, since brown and blue irises are not.

    Without colour bright fibres look like spots, but the lamp is brighter than the white of the eye.
    """
    red, green, blue = cv2.split(rgb)
    whiteness = np.asarray(cv2.min(cv2.min(red, green), blue), np.uint8)
    sought = _disc(0.06 * px)
    half = whiteness.shape[0] // 2
    reach = min(half, int(px) + 2 * sought.shape[0])  # no further from the iris does anything count
    about = np.s_[half - reach : half + reach + 1, half - reach : half + reach + 1]
    iris = zones.iris[about]
    soft = cv2.GaussianBlur(whiteness[about].astype(np.float32), (0, 0), 0.006 * px + 0.3)
    steps = np.rint(soft * np.float32(_GREY_PARTS)).astype(np.uint16)
    spot = cv2.morphologyEx(steps, cv2.MORPH_TOPHAT, sought)
    usual = float(np.median(spot[iris])) if iris.any() else 0.0
    white = float(np.median(green[zones.ring_seed])) if grey and zones.ring_seed.any() else 0.0
    found = np.zeros_like(zones.iris)
    found[about] = iris & (spot > max(_GLINT_STEP * _GREY_PARTS, 6.0 * usual)) & (soft > _LAMP * white)
    return found


def _disc(radius_px: float) -> NDArray[np.uint8]:
    size = 2 * int(radius_px) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _grown(mask: Mask, radius_px: float) -> Mask:
    return np.asarray(cv2.dilate(mask.view(np.uint8), _disc(radius_px)) > 0)


def _opened(mask: Mask, px: float) -> Mask:
    return np.asarray(cv2.morphologyEx(mask.view(np.uint8), cv2.MORPH_OPEN, _disc(0.02 * px)) > 0)


def _connected(mask: Mask, seed: Mask) -> Mask:
    """Keep the connected parts of which at least 8 % lie in the seed; skin of like colour lies elsewhere.

    Of a limbal band that no lid touches, 12 % lie in the seed.
    """
    count, label, shape, _ = cv2.connectedComponentsWithStats(mask.view(np.uint8), connectivity=8)
    size = shape[:, cv2.CC_STAT_AREA]
    seeded = np.bincount(label[seed & mask], minlength=count)
    keep = seeded > 0.08 * size
    keep[0] = False
    return np.asarray(keep[label])


def _normalised(detail: Floats, valid: Mask, px: float) -> Floats:
    """Detail finer than 0.05 radii, divided by its local standard deviation; pixels outside play no part."""
    weight = valid.astype(np.float32)
    if not valid.any():
        return np.zeros_like(weight)

    fine = (detail - blurred_mean(detail, weight, 0.05 * px)) * weight
    deviation = np.sqrt(np.maximum(blurred_mean(fine * fine, weight, 0.10 * px), 0.0))
    floor = 0.3 * float(np.median(deviation[valid])) + 0.5  # half a grey level is rounding, not texture
    normal = np.clip(fine / (deviation + np.float32(floor)), -_MAX_DETAIL, _MAX_DETAIL)
    return np.asarray(normal * weight, np.float32)
