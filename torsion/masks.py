"""The eye cut out at a common scale, with a mask of what turns with it and a picture of its fine texture.

Lids, lashes, skin and glints do not turn with the eye; left in, they would pin the answer near zero.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.ink import ink_mask
from torsion.locate import Located
from torsion.outline import resampled_crop
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
    pupil = _NO_PUPIL
    if located.pupil is not None:
        centre = (located.pupil.x_px - x) / radius, (y - located.pupil.y_px) / radius
        pupil = (*centre, located.pupil.radius_px / radius)

    steps = np.arange(-half, half + 1, dtype=np.float32) / np.float32(px)
    across, up = steps[None, :], -steps[:, None]
    from_centre = np.sqrt(across**2 + up**2)
    from_pupil = np.sqrt((across - np.float32(pupil[0])) ** 2 + (up - np.float32(pupil[1])) ** 2)
    iris = (from_centre < 0.96) & (from_pupil > 1.08 * pupil[2] + 0.02)
    ring = (from_centre > RING[0]) & (from_centre < RING[1])
    picture_x, picture_y = x + across * radius, y - up * radius
    height, width = photo.pixels.shape[:2]
    in_picture = (picture_x > 2) & (picture_x < width - 3) & ((picture_y > 2) & (picture_y < height - 3))

    red, green, blue = cv2.split(rgb)
    grey = grey or float(cv2.norm(red, blue, cv2.NORM_L1)) < 2.0 * red.size
    burnt = green >= _BURNT_OUT
    usable = in_picture & ~_grown(
        _glints(np.asarray(cv2.min(cv2.min(red, green), blue), np.uint8), iris, px) | burnt, 0.02 * px
    )
    if not grey:
        scale, drawn = px / radius, located.limbus
        outline = Ellipse(half, half, drawn.major_px * scale, drawn.minor_px * scale, drawn.axis_deg)
        usable &= ~ink_mask(rgb, outline)
    # The lower and lateral iris and the lateral sclera are the parts that lids leave free.
    iris_seed = iris & (up < 0.15 * from_centre) & (up > -0.85 * from_centre) & in_picture
    lateral = np.abs(up) < _LATERAL * from_centre
    ring_seed = ring & lateral & (from_centre < 1.30) & in_picture
    smooth = _Smooth.of(rgb, _SMOOTH * px)
    iris_valid = _like_iris(smooth, iris, iris_seed) & usable
    ring_valid = np.zeros_like(ring)
    for side in (across > 0, across <= 0):
        ring_valid |= _like_sclera(smooth, ring & side, ring_seed & side, grey=grey)
    # Without colour nothing tells the lower lid from the white of the eye; lids seldom reach its sides.
    ring_valid &= usable & lateral if grey else usable
    valid = _connected(_opened(iris_valid, px), iris_seed) | _connected(_opened(ring_valid, px), ring_seed)

    detail = green.astype(np.float32)
    detail = np.where(from_centre < 1.0, np.float32(0.5) * (red + detail), detail)
    texture = _normalised(detail, valid & ring, px)
    inner = np.s_[half - int(px) : half + int(px) + 1, half - int(px) : half + int(px) + 1]
    texture[inner] += _normalised(detail[inner], (valid & iris)[inner], px)
    # The filter shows the edge of the mask as texture; a lid's edge stays where it is when the eye turns.
    valid = np.asarray(cv2.erode(valid.view(np.uint8), _disc(_RIM * px)) > 0)
    texture = np.where(valid, texture, np.float32(0.0))
    overexposed = float((burnt & ring_seed).sum() / max(1, ring_seed.sum()))
    return EyePicture(rgb, texture, valid, in_picture, px, pupil, iris, ring, overexposed)


def mirrored_eye(eye: EyePicture) -> EyePicture:
    """Mirror an eye's picture left to right."""
    x, y, radius = eye.pupil
    flipped = {name: getattr(eye, name)[:, ::-1] for name in ("rgb", "texture", "valid", "in_picture")}
    regions = {name: getattr(eye, name)[:, ::-1] for name in ("iris_region", "limbal_region")}
    return replace(eye, pupil=(-x, y, radius), **flipped, **regions)


def _spread(values: Floats) -> tuple[float, float]:
    middle = float(np.median(values))
    return middle, 1.4826 * float(np.median(np.abs(values - middle)))


@dataclass(frozen=True, slots=True, eq=False)
class _Smooth:
    """Blurred colour, on a lattice no finer than the blur asks for, from which maps of full size are made.

    Attributes
    ----------
    maps : (n, n, 4) float32 ndarray
        Mean of the channels, the least of them, and both chromas (CIELAB).
    step, side : int
        Pixels of the picture for each of the lattice, and the side of the picture.
    """

    maps: Floats
    step: int
    side: int

    @classmethod
    def of(cls, rgb: NDArray[np.uint8], sigma_px: float) -> "_Smooth":
        step = _step(sigma_px)
        coarse = _coarse(rgb.astype(np.float32), step)
        colour = np.asarray(cv2.GaussianBlur(coarse, (0, 0), _coarse_sigma(sigma_px, step)), np.float32)
        red, green, blue = cv2.split(colour)
        _, *chroma = cv2.split(cv2.cvtColor(colour / np.float32(255.0), cv2.COLOR_RGB2Lab))
        mean, least = (red + green + blue) / np.float32(3.0), cv2.min(cv2.min(red, green), blue)
        return cls(np.asarray(cv2.merge([mean, least, *chroma]), np.float32), step, rgb.shape[0])

    def on_lattice(self, mask: Mask) -> Mask:
        """Points of the lattice whose pixels are mostly in a mask."""
        return _coarse(mask.astype(np.float32), self.step) > 0.5

    def where(self, *margins: Floats) -> Mask:
        """Pixels of the picture at which maps on the lattice are all positive."""
        least = np.minimum.reduce(margins)
        return _fine(np.asarray(least, np.float32), self.step, self.side) > 0

    def like_colour(self, reference: Mask) -> tuple[Floats, Floats]:
        """Give maps, positive where the colour, apart from brightness, is that of a reference region."""
        (first, first_spread), (second, second_spread) = (
            _spread(self.maps[..., at][reference]) for at in (2, 3)
        )
        return (
            _CHROMA * max(first_spread, 3.0) - np.abs(self.maps[..., 2] - np.float32(first)),
            _CHROMA * max(second_spread, 3.0) - np.abs(self.maps[..., 3] - np.float32(second)),
        )


def _step(sigma_px: float) -> int:
    """How coarse a lattice may be that carries a blur: 1, 2 or 4, still with a blur of 1.2 of its steps."""
    return next((step for step in (4, 2) if sigma_px >= 1.2 * step), 1)


def _coarse_sigma(sigma_px: float, step: int) -> float:
    """Blur that is left to do on a lattice, whose own mean and interpolation blur by a quarter of a step."""
    return float(np.sqrt((sigma_px / step) ** 2 - (0.25 if step > 1 else 0.0)))


def _coarse(picture: Floats, step: int) -> Floats:
    """Means over squares of `step` pixels; the last ones reach beyond the edge, which is repeated."""
    if step == 1:
        return picture
    side = -(-picture.shape[0] // step)
    beyond = side * step - picture.shape[0]
    whole = cv2.copyMakeBorder(picture, 0, beyond, 0, beyond, cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(whole, (side, side), interpolation=cv2.INTER_AREA), np.float32)


def _fine(coarse: Floats, step: int, side: int) -> Floats:
    """Interpolate what `_coarse` made to full size again."""
    if step == 1:
        return coarse
    size = (coarse.shape[1] * step, coarse.shape[0] * step)
    full = cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(full[:side, :side], np.float32)


def _like_iris(smooth: _Smooth, iris: Mask, seed: Mask) -> Mask:
    seed = smooth.on_lattice(seed)
    if seed.sum() < 50:
        return np.zeros_like(iris)
    brightness = smooth.maps[..., 0]
    middle = float(np.median(brightness[seed]))
    above, below = brightness - _SHADE * middle, _BRIGHT * middle + 8.0 - brightness
    return iris & smooth.where(above, below, *smooth.like_colour(seed))


def _like_sclera(smooth: _Smooth, ring: Mask, seed: Mask, *, grey: bool) -> Mask:
    seed = smooth.on_lattice(seed)
    if seed.sum() < 50:
        return np.zeros_like(ring)
    whiteness = smooth.maps[..., 1]  # skin is as red as the sclera, but not as blue
    seed = seed & (whiteness >= np.percentile(whiteness[seed], 40))
    middle = float(np.median(whiteness[seed]))
    above = whiteness - _SCLERA_SHADE * middle
    # Without colour, brighter skin can only be told by its brightness.
    below = middle / _SCLERA_SHADE - whiteness if grey else above
    return ring & smooth.where(above, below, *smooth.like_colour(seed))


def _glints(whiteness: NDArray[np.uint8], iris: Mask, px: float) -> Mask:
    """White spots smaller than 0.12 limbus radii on the iris; white, since brown and blue irises are not."""
    sought = _disc(0.06 * px)
    half = whiteness.shape[0] // 2
    reach = min(half, int(px) + 2 * sought.shape[0])  # no further from the iris does anything count
    about = np.s_[half - reach : half + reach + 1, half - reach : half + reach + 1]
    soft = cv2.GaussianBlur(whiteness[about].astype(np.float32), (0, 0), 0.006 * px + 0.3)
    steps = np.rint(soft * np.float32(_GREY_PARTS)).astype(np.uint16)
    spot = cv2.morphologyEx(steps, cv2.MORPH_TOPHAT, sought)
    usual = float(np.median(spot[iris[about]])) if iris.any() else 0.0
    found = np.zeros_like(iris)
    found[about] = spot > max(_GLINT_STEP * _GREY_PARTS, 6.0 * usual)
    return found & iris


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

    def mean(values: Floats, sigma: float) -> Floats:
        """Mean over the valid neighbours, on a lattice as fine as the blur needs."""
        step = _step(sigma * px)
        left = _coarse_sigma(sigma * px, step)
        total, share = (
            cv2.GaussianBlur(_coarse(part, step), (0, 0), left) for part in (values * weight, weight)
        )
        return _fine(np.asarray(total / (share + 1e-6), np.float32), step, weight.shape[0])

    fine = (detail - mean(detail, 0.05)) * weight
    deviation = np.sqrt(np.maximum(mean(fine * fine, 0.10), 0.0))
    floor = 0.3 * float(np.median(deviation[valid])) + 0.5  # half a grey level is rounding, not texture
    normal = np.clip(fine / (deviation + np.float32(floor)), -_MAX_DETAIL, _MAX_DETAIL)
    return np.asarray(normal * weight, np.float32)
