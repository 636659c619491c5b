"""The white of an eye: what shows it for certain, and what else about the limbus is white."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.limbal_rows import COLUMNS, side_columns, turns
from torsion.quantiles import median, percentile, row_medians

__all__ = ["SOFT", "OwnWhite", "is_level", "is_white"]

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Mask = NDArray[np.bool_]

_DIM = 0.75  # density: darker than about half as bright is shade, hair or skin
_TINT = (0.08, 0.15)  # density by which green and blue may be weaker than red beside the eye's own white:
# four standard deviations of that white, held between these two; skin has 0.15 to 0.35
_BLUISH = 0.30  # likewise by which they may be stronger: thin white, and the tail of a stain
_WEDGE_DEG = 40.0  # a pterygium is seldom wider beside the limbus, 4 mm
_WHITE_ROWS = 8  # 0.5 mm: shine on a lid is shorter
_LEVEL = 0.6  # sine: within 37 degrees of the horizontal, where a pterygium grows and lids seldom reach
_OWN_ROWS = (1.065, 1.345)  # limbus radii between which the white is known for certain
SOFT = 2  # rows and columns on each side by which the white is smoothed


@dataclass(frozen=True, slots=True, eq=False)
class OwnWhite:
    """What shows the white of the eye for certain: the lightest of the parts that lids leave free.

    Attributes
    ----------
    color : (3,) float32 ndarray
    most_tint : float
        Density by which green and blue may be weaker than red in the white of this eye; more is skin.
    """

    color: Floats
    most_tint: np.float32

    @classmethod
    def of(cls, values: Floats, radii: Doubles) -> "OwnWhite":
        """Take it from the sides of a sampled ring (rows, columns, 3) whose rows have these radii."""
        first, last = (int(at) for at in np.searchsorted(radii, _OWN_ROWS))
        sides = side_columns(values.shape[1])[::2]  # neighbours show the same
        part = values[first:last, sides]
        least = np.minimum(np.minimum(part[..., 0], part[..., 1]), part[..., 2])
        lightest = least >= percentile(least, 60.0)
        color = np.asarray(row_medians(part[lightest].T), np.float32)
        smooth = _smoothed(values[first - SOFT : last + SOFT])[SOFT:-SOFT, sides][lightest]
        dim = np.log(color / smooth)
        usual = (dim[:, 1] + dim[:, 2]) / np.float32(2.0) - dim[:, 0]
        middle = median(usual)
        spread = 1.4826 * median(np.abs(usual - np.float32(middle)))
        return cls(color, np.float32(np.clip(middle + 4.0 * spread, *_TINT)))


def _smoothed(values: Floats) -> Floats:
    across = 2 * round(SOFT * values.shape[1] / COLUMNS) + 1
    return np.asarray(cv2.blur(values, (across, 2 * SOFT + 1)), np.float32)


def is_white(values: Floats, own: OwnWhite) -> Mask:
    """Places of a sampled ring that are white like the eye's own, or light and enclosed by white."""
    # Smoothed, for a single vessel does not count.  Densities are compared by the light that is left.
    red, green, blue = cv2.split(_smoothed(values))
    light = green > own.color[1] * np.float32(np.exp(-_DIM))
    others, square = np.asarray(green * blue), np.asarray(red * red)
    others *= own.color[0] ** 2 / (own.color[1] * own.color[2])
    least, most = (np.float32(np.exp(2.0 * tint)) for tint in (-_BLUISH, own.most_tint))
    white = light & (square < most * others) & (square > least * others)
    level = is_level(values.shape[1])
    return np.asarray(white | (light & level & (_enclosed(white) | _within(white))))


def is_level(columns: int) -> Mask:
    """Directions beside the eye rather than above or below it, where lids come from."""
    return np.asarray(np.abs(np.sin(turns(columns))) < _LEVEL)


def _within(white: Mask) -> Mask:
    """Places with white further out: a lid comes from outside, so redness about the limbus is no lid."""
    beyond = np.cumsum(white[::-1].view(np.uint8), axis=0, dtype=np.uint8)[::-1]  # of some fifty rows
    return np.asarray(beyond >= _WHITE_ROWS)


def _enclosed(white: Mask) -> Mask:
    """Gaps in the white, along the limbus, that are narrower than a wedge of flesh is wide."""
    reach = round(_WEDGE_DEG * white.shape[1] / 360.0) // 2
    padded = cv2.copyMakeBorder(white.astype(np.uint8), 0, 0, 2 * reach, 2 * reach, cv2.BORDER_WRAP)
    kernel = np.ones((1, 2 * reach + 1), np.uint8)
    return np.asarray(cv2.morphologyEx(padded, cv2.MORPH_CLOSE, kernel)[:, 2 * reach : -2 * reach] > 0)
