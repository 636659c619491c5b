"""The eye cut out at a common scale, with a mask of what turns with it and a picture of its fine texture.

Lids, lashes, skin and glints do not turn with the eye; left in, they would pin the answer near zero.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.crops import resampled_crop
from torsion.eye_picture import REACH, EyePicture
from torsion.ink import ink_mask
from torsion.lattice import SmoothColour
from torsion.lids import lid_mask
from torsion.photo import Ellipse, Photo, is_grey
from torsion.quantiles import median, percentile
from torsion.texture import texture_of
from torsion.trial import Located
from torsion.zones import Regions, Zones

__all__ = ["cut_out"]

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

_MAX_PX_PER_RADIUS = 200.0  # 0.29 degrees a pixel at the limbus; more detail is rarely in focus
_HALVED_FROM_PX = 120.0  # of a radius: every other pixel will do for masks, which is one degree at the limbus
_SMOOTH = 0.03  # limbus radii: crypts and vessels vanish, lids and lash fans remain
_RIM = 0.03  # limbus radii within a mask's edge that are left out
_SHADE = 0.55  # iris darker than this share of its lower half is lash, lid shadow or reflected lash
_BRIGHT = 1.9  # iris brighter than this multiple of its lower half is skin or glare
_SCLERA_SHADE = 0.72  # sclera darker than this share of its brightest side part is skin or lash
_CHROMA = 3.5  # robust standard deviations of colour from the reference region
_BURNT_OUT = 253
_GLINT_STEP = 30.0  # grey levels by which a white spot of the iris stands out
_LAMP = 0.9  # of the brightness of the white of the eye
_GREY_PARTS = 256  # of a grey level: fixed point, in which the search for spots is fast


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
    step = 2 if px >= _HALVED_FROM_PX else 1
    half = step * int(REACH * px / step)
    rgb = resampled_crop(photo.pixels, x, y, radius / px, half)
    grey = is_grey(rgb)
    rgb = np.repeat(rgb[..., None], 3, axis=2) if rgb.ndim == 2 else rgb
    pupil = _NO_PUPIL
    if located.pupil is not None:
        centre = (located.pupil.x_px - x) / radius, (y - located.pupil.y_px) / radius
        pupil = (*centre, located.pupil.radius_px / radius)

    height, width = photo.pixels.shape[:2]
    at_px = np.arange(-half, half + 1, dtype=np.float32) * np.float32(radius / px)
    from_middle_x, from_middle_y = np.abs(x + at_px - (width - 1) / 2), np.abs(y + at_px - (height - 1) / 2)
    in_picture = (from_middle_x < width / 2 - 2.5)[None, :] & (from_middle_y < height / 2 - 2.5)[:, None]
    usable = in_picture
    if not grey:
        scale, drawn = px / radius, located.limbus
        outline = Ellipse(half, half, drawn.major_px * scale, drawn.minor_px * scale, drawn.axis_deg)
        usable = in_picture & ~ink_mask(rgb, outline)
    seen, *shares = _seen(rgb, usable, pupil, px, step, grey=grey)
    regions = Regions.of(half, px, pupil)
    texture = texture_of(rgb, regions, _fine(seen, step), px)
    # The filter shows the edge of the mask as texture; a lid's edge stays where it is when the eye turns.
    # Of a coarse rim half a pixel comes back with the fine mask.
    rim_px = _RIM * px if step == 1 else round(_RIM * px / step)
    valid = _fine(np.asarray(cv2.erode(seen, _disc(rim_px)), np.uint8), step)
    texture *= valid
    return EyePicture(rgb, texture, valid, in_picture, px, pupil, regions.iris, regions.ring, *shares)


def _seen(
    rgb: NDArray[np.uint8],
    usable: Mask,
    pupil: tuple[float, float, float],
    px: float,
    step: int,
    *,
    grey: bool,
) -> tuple[NDArray[np.uint8], float, float]:
    """Mask, at every `step`-th pixel, of what turns with the eye; shares that are burnt out and under glare.

    The first share is of the limbal band, the second of both bands.  Every `step`-th pixel is fine enough:
    masks are made of smoother maps, and their edges are left out.
    """
    coarse = rgb if step == 1 else np.asarray(cv2.pyrDown(rgb), np.uint8)
    usable = usable[::step, ::step]
    zones = Zones.of(len(usable) // 2, px / step, pupil, usable)
    burnt = rgb[::step, ::step, 1] >= _BURNT_OUT
    glinting = _grown(_glints(rgb, zones, px, step, grey=grey) | burnt, 0.02 * px / step)
    seen = _of_the_eye(coarse, zones, usable & ~glinting, px / step, grey=grey)
    bands = (zones.iris | zones.ring) & zones.shown
    overexposed, glare = _share(burnt, zones.ring_seed), _share(glinting, bands)
    return seen.view(np.uint8), overexposed, glare


def _share(mask: Mask, region: Mask) -> float:
    return float(np.count_nonzero(mask & region) / max(1, int(np.count_nonzero(region))))


def _fine(mask: NDArray[np.uint8], step: int) -> Mask:
    """Bring a mask of every `step`-th row and column to full size."""
    if step == 1:
        return mask > 0
    side = 2 * len(mask) - 1
    return np.asarray(cv2.pyrUp(mask * np.uint8(255))[:side, :side] > 127)


def _of_the_eye(rgb: NDArray[np.uint8], zones: Zones, usable: Mask, px: float, *, grey: bool) -> Mask:
    """Pixels that turn with the eye: iris and white without lids, lashes and shadow."""
    smooth = SmoothColour.of(rgb, _SMOOTH * px)
    iris = _like_iris(smooth, zones.iris, zones.iris_seed) & usable & ~_lids(smooth, zones, px, grey=grey)
    ring = np.zeros_like(zones.ring)
    for side in (zones.right, ~zones.right):
        ring |= _like_sclera(smooth, zones.ring & side, zones.ring_seed & side, grey=grey)
    # Without colour nothing tells the lower lid from the white of the eye; lids seldom reach its sides.
    ring &= usable & zones.lateral if grey else usable
    return _connected(_opened(iris, px), zones.iris_seed) | _connected(_opened(ring, px), zones.ring_seed)


def _spread(values: Floats) -> tuple[float, float]:
    middle = median(values)
    return middle, 1.4826 * median(np.abs(values - middle))


def _lids(smooth: SmoothColour, zones: Zones, px: float, *, grey: bool) -> Mask:
    """Pixels of the iris under a lid."""
    bright = np.log(np.maximum(smooth.brightness, 1.0))[..., None]
    features = bright if grey else np.concatenate([bright, smooth.chroma], axis=-1)
    iris, seed, shown = (smooth.on_lattice(mask) for mask in (zones.iris, zones.iris_seed, zones.shown))
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
    middle = median(brightness[seed])
    above, below = brightness - _SHADE * middle, _BRIGHT * middle + 8.0 - brightness
    return iris & smooth.where(above, below, *_like_colour(smooth, seed))


def _like_sclera(smooth: SmoothColour, ring: Mask, seed: Mask, *, grey: bool) -> Mask:
    seed = smooth.on_lattice(seed)
    if seed.sum() < 50:
        return np.zeros_like(ring)
    whiteness = smooth.whiteness  # skin is as red as the sclera, but not as blue
    seed = seed & (whiteness >= percentile(whiteness[seed], 40.0))
    middle = median(whiteness[seed])
    above = whiteness - _SCLERA_SHADE * middle
    # Without colour, brighter skin can only be told by its brightness.
    below = middle / _SCLERA_SHADE - whiteness if grey else above
    return ring & smooth.where(above, below, *_like_colour(smooth, seed))


def _glints(rgb: NDArray[np.uint8], zones: Zones, px: float, step: int, *, grey: bool) -> Mask:
    """White spots smaller than 0.12 limbus radii on the iris; white, since brown and blue irises are not.

    They are smaller than what else is masked: the picture is smoothed before every `step`-th pixel is taken.
    Without colour bright fibres look like spots, but the lamp is brighter than the white of the eye.
    """
    sought = _disc(0.06 * px / step)
    half = len(zones.iris) // 2
    reach = min(half, int(px / step) + 2 * len(sought))  # no further from the iris does anything count
    about = np.s_[half - reach : half + reach + 1, half - reach : half + reach + 1]
    first, last = step * (half - reach), step * (half + reach) + 1
    red, green, blue = cv2.split(rgb[first:last, first:last])
    whiteness = cv2.min(cv2.min(red, green), blue).astype(np.float32)
    soft = cv2.GaussianBlur(whiteness, (0, 0), 0.006 * px + 0.3)[::step, ::step]
    iris = zones.iris[about]
    steps = np.rint(soft * np.float32(_GREY_PARTS)).astype(np.uint16)
    spot = cv2.morphologyEx(steps, cv2.MORPH_TOPHAT, sought)
    usual = median(spot[iris]) if iris.any() else 0.0
    white = 0.0
    if grey and zones.ring_seed.any():
        white = median(rgb[::step, ::step, 1][zones.ring_seed])
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
    count, label = cv2.connectedComponents(mask.view(np.uint8), connectivity=8)
    size, seeded = (np.bincount(part, minlength=count) for part in (label.ravel(), label[seed & mask]))
    keep = seeded > 0.08 * size
    keep[0] = False
    return np.take(keep, np.asarray(label, np.int32))
