"""Two photos of one eye a known turn apart, what noise does to them, and the least that it must do."""

from dataclasses import dataclass, replace

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

import synthetic
import torsion
from torsion.deformation import PARAMETERS, PRIOR, displacement
from torsion.unwrap import BANDS, grid

__all__ = ["TURN_DEG", "PlainPhoto", "Spread", "errors_deg", "least_spread_deg", "plain_pair", "spread_of"]

TURN_DEG = 3.0
_RADIUS_PX = 150.0  # below the scale of the cut, so that the eye is compared at its native pixels
_MIDDLE_PX = 240  # a whole pixel: the cut then takes the picture's own samples
_FINER = 4  # samples of the eye for each pixel and axis


@dataclass(frozen=True, eq=False)
class PlainPhoto:
    """A photo without noise, not rounded to grey levels, and the outlines in it.

    Attributes
    ----------
    rgb : ndarray, shape (H, W, 3), float32
    limbus, pupil : Ellipse
        As drawn, both circles.
    """

    rgb: NDArray[np.float32]
    limbus: torsion.Ellipse
    pupil: torsion.Ellipse

    def prepared(self, noise: NDArray[np.float64] | float = 0.0) -> torsion.PreparedPhoto:
        """Add noise (grey levels), round, and prepare with the outlines as they are drawn."""
        rounded = np.clip(np.rint(self.rgb + noise), 0, 255).astype(np.uint8)
        return torsion.prepare(torsion.photo_from_array(rounded, limbus=self.limbus, pupil=self.pupil))


@dataclass(frozen=True)
class Spread:
    """Spread and mean of rotations measured in noise, degrees; each with its standard error."""

    spread_deg: float
    spread_error_deg: float
    mean_deg: float
    mean_error_deg: float


def plain_pair(eye: synthetic.Eye) -> tuple[PlainPhoto, PlainPhoto]:
    """Take two photos of one eye, `TURN_DEG` apart, without light, lashes or glints of their own."""
    side_px, middle_px = (2 * _MIDDLE_PX + 1) * _FINER, _MIDDLE_PX * _FINER + (_FINER - 1) / 2
    view = synthetic.View(
        width_px=side_px,
        height_px=side_px,
        limbus_radius_px=_RADIUS_PX * _FINER,
        center_x_px=middle_px,
        center_y_px=middle_px,
        pupil_ratio=0.32,
        lids=synthetic.Lids(upper_cover=0.08, lower_gap=0.15, lashes=0.0),
        light=synthetic.Light(glints=(), reflection=0.0, gradient=0.0, vignetting=0.0),
        camera=synthetic.Camera(defocus_px=0.5 * _FINER),
    )
    limbus = torsion.Ellipse.circle(_MIDDLE_PX, _MIDDLE_PX, _RADIUS_PX)
    return _taken(eye, view, limbus), _taken(eye, replace(view, rotation_deg=TURN_DEG), limbus)


def _taken(eye: synthetic.Eye, view: synthetic.View, limbus: torsion.Ellipse) -> PlainPhoto:
    """Take a photo as a camera does, whose pixels gather the light of their whole area.

    A picture of one sample a pixel holds detail too fine for its pixels, whose moire does not turn with the
    eye: without any noise, the rotation then comes out 0.0006 degrees too large.
    """
    fine = synthetic.draw_picture(eye, view)
    rgb = (
        fine.rgb.astype(np.float32).reshape(view.height_px // _FINER, _FINER, -1, _FINER, 3).mean(axis=(1, 3))
    )
    x_px, y_px, radius_px = fine.pupil.x_px, fine.pupil.y_px, fine.pupil.radius_px
    first = (_FINER - 1) / 2  # where the middle of the first pixel lies in the fine picture
    pupil = torsion.Ellipse.circle((x_px - first) / _FINER, (y_px - first) / _FINER, radius_px / _FINER)
    return PlainPhoto(rgb, limbus, pupil)


def errors_deg(pair: tuple[PlainPhoto, PlainPhoto], seed: int, *, sigma: float) -> tuple[float, float]:
    """Error of the rotation between the two photos in white noise of `sigma` grey levels.

    Each noise is added once more with its sign changed: in the mean of the two errors, what it does at first
    order cancels.
    """
    rng = np.random.default_rng([5, seed])
    noise = [rng.normal(0.0, sigma, photo.rgb.shape) for photo in pair]
    found = []
    for sign in (1, -1):
        noisy = (photo.prepared(sign * own) for photo, own in zip(pair, noise, strict=True))
        found.append(torsion.measure(*noisy).rotation_deg - TURN_DEG)
    return found[0], found[1]


def spread_of(drawn: NDArray[np.float64]) -> Spread:
    """Spread and mean of errors, shape (draws, 2): each draw once with either sign of its noise.

    The standard error of the spread is that of the jackknife over draws (B. Efron & C. Stein 1981,
    doi 10.1214/aos/1176345462), since the two of a draw are no independent ones.
    """
    draws = len(drawn)
    left_out = np.array([_spread(np.delete(drawn, draw, axis=0)) for draw in range(draws)])
    means = drawn.mean(axis=1)
    return Spread(
        _spread(drawn),
        float(np.sqrt((draws - 1) * left_out.var())),
        float(means.mean()),
        float(means.std(ddof=1) / np.sqrt(draws)),
    )


def _spread(drawn: NDArray[np.float64]) -> float:
    return float(np.sqrt(drawn.var(axis=0, ddof=1).mean()))


def least_spread_deg(pair: tuple[PlainPhoto, PlainPhoto], *, sigma: float) -> float:
    """Least standard deviation of the rotation between two equally noisy photos, the whole map free.

    The bound of H. Cramer and C. R. Rao, as in S. Kay, Estimation Theory (1993), chapter 3.
    """
    eye, other = (photo.prepared().picture for photo in pair)
    radius_px = pair[0].limbus.radius_px
    back = scipy.ndimage.rotate(other.valid.astype(float), -TURN_DEG, reshape=False, order=1)
    half = back.shape[0] // 2
    rows, columns = np.mgrid[-half : half + 1, -half : half + 1]
    x, y = columns / radius_px, -rows / radius_px
    inside = np.hypot(x, y) < 1.0
    red, green = eye.rgb[..., 0].astype(float), eye.rgb[..., 1].astype(float)
    detail = np.where(inside, 0.5 * (red + green), green)
    variance = (sigma**2 + 1 / 12) * np.where(inside, 0.5, 1.0)  # a twelfth comes from rounding
    # The slope of the cubic spline through the samples; plain differences lose fine detail.
    across, down = (
        np.gradient(scipy.ndimage.spline_filter1d(detail, axis=axis), axis=axis) for axis in (1, 0)
    )
    across, up = across * radius_px, -down * radius_px
    out = np.minimum(np.hypot(x, y), 2.0)  # the globe ends beyond
    depth = np.where(inside, (out - eye.pupil[2]) / (1.0 - eye.pupil[2]), out)
    spans = [grid(eye.pupil, band, 8, rows=1000).depth[:, 0] for band in BANDS]
    compared = np.where(
        inside,
        *((depth > span[0]) & (depth < span[-1]) for span in spans),
    )
    valid = eye.valid & (back > 0.5) & compared
    rows_of = []
    for unit in np.eye(PARAMETERS):
        iris, limbus = (displacement(unit, x, y, depth, band) for band in ("iris", "limbus"))
        move = [np.where(inside, here, there) for here, there in zip(iris, limbus, strict=True)]
        rows_of.append((across * move[0] + up * move[1])[valid] / np.sqrt(2.0 * variance[valid]))
    jacobian = np.array(rows_of)
    # The inverse of the whole matrix holds the Schur complement for the geometry that is fitted along.
    turn = np.zeros(PARAMETERS)
    turn[[3, 4]] = -0.5, 0.5
    return float(np.degrees(np.sqrt(turn @ np.linalg.inv(jacobian @ jacobian.T + PRIOR) @ turn)))
