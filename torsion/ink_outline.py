"""Ink outlines: the limbus that marks of a photo are read about, and of two photos where both put it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from torsion.crops import resampled_crop
from torsion.limbal_outline import checked_outline
from torsion.measurement import Measurement
from torsion.photo import Ellipse, Photo
from torsion.preparation import PreparedPhoto
from torsion.rim import Rim

__all__ = ["APART", "Outlined", "agreed_outlines", "map_of", "outlined"]

APART = 0.05
"""Limbus radii: middles that two photos put further apart are not averaged."""


@dataclass(frozen=True, slots=True, eq=False)
class Outlined:
    """A photo with the outline of the limbus that its marks are read about.

    Attributes
    ----------
    photo : PreparedPhoto
    limbus : Ellipse
        In pixels of the full picture.
    pixels : (H, W, 3) uint8 ndarray
        The eye cut out.
    in_cut : Ellipse
        In those pixels.
    rim : Rim
        The edge of the white about it.
    from_cut : (3, 3) ndarray
        Map of the pixels of the cut to those of the full picture.
    """

    photo: PreparedPhoto
    limbus: Ellipse
    pixels: NDArray[np.uint8]
    in_cut: Ellipse
    rim: Rim
    from_cut: NDArray[np.float64]


def outlined(prepared: PreparedPhoto) -> Outlined | None:
    """Check the outline of a photo against the edge of the white; None where no eye was found."""
    if prepared.limbus is None or prepared.picture is None:
        return None
    picture = prepared.picture
    found = _in_cut(prepared, prepared.limbus, picture.rgb)
    if _moved(found.limbus, prepared.limbus):  # the cut about the other outline may end before a mark does
        return _outlined_as(prepared, found.limbus)
    return found


def agreed_outlines(
    seated: Outlined | None, supine: Outlined | None, pair: Measurement | None
) -> tuple[Outlined | None, Outlined | None]:
    """Where the map does not bring the outlines of two photos together, take the better one in both.

    The registration hardly depends on the outlines, so its map shows that one of them is wrong, and can carry
    the other into that photo.  The better one is that about which more white begins where it should, in both.

    Parameters
    ----------
    seated, supine : Outlined or None
    pair : Measurement or None

    Returns
    -------
    (Outlined or None, Outlined or None)
        As they were where they agree, or nothing can be carried.
    """
    to_supine = map_of(pair)
    if seated is None or supine is None or to_supine is None:
        return seated, supine
    to_seated = np.linalg.inv(np.vstack([to_supine, [0.0, 0.0, 1.0]]))[:2]
    back = supine.limbus.carried(to_seated)
    if not _moved(back, seated.limbus):
        return seated, supine
    ahead = seated.limbus.carried(to_supine)
    ways = [(seated, _outlined_as(supine.photo, ahead)), (_outlined_as(seated.photo, back), supine)]
    return min(ways, key=lambda both: sum(_doubt(one.rim) for one in both))


def _doubt(rim: Rim) -> float:
    """Mean square by which the middle of an outline misses that of the white, limbus radii squared."""
    return float(np.trace(rim.covariance) + rim.middle @ rim.middle)


def _outlined_as(prepared: PreparedPhoto, limbus: Ellipse) -> Outlined:
    """Cut the eye out anew about an outline, and check the outline in that cut."""
    return _in_cut(prepared, limbus, _cut_out(prepared, limbus))


def map_of(pair: Measurement | None) -> NDArray[np.float64] | None:
    """Map of seated to supine pixels, None where the photos do not match."""
    return None if pair is None or pair.verdict == "refuse" else pair.matrix


def _in_cut(prepared: PreparedPhoto, limbus: Ellipse, pixels: NDArray[np.uint8]) -> Outlined:
    """Check an outline in a cut that was made about it."""
    assert prepared.picture is not None
    scale, centre = limbus.radius_px / prepared.picture.px_per_radius, pixels.shape[0] // 2
    left, top = limbus.x_px - scale * centre, limbus.y_px - scale * centre
    about = Ellipse(centre, centre, limbus.major_px / scale, limbus.minor_px / scale, limbus.axis_deg)
    pixels = _within_picture(pixels, prepared.photo, scale, (left, top))
    checked, rim = checked_outline(pixels, about)
    x_px, y_px = left + scale * checked.x_px, top + scale * checked.y_px
    full = Ellipse(x_px, y_px, scale * checked.major_px, scale * checked.minor_px, checked.axis_deg)
    from_cut = np.array([[scale, 0.0, left], [0.0, scale, top], [0.0, 0.0, 1.0]])
    return Outlined(prepared, full, pixels, checked, rim, from_cut)


def _within_picture(
    pixels: NDArray[np.uint8], photo: Photo, scale: float, corner: tuple[float, float]
) -> NDArray[np.uint8]:
    """Blacken a cut beyond the picture, whose edge it repeats: ink that reaches it would seem to go on."""
    across, down = (
        (at < -0.5) | (at > side - 0.5)
        for at, side in zip(
            (start + scale * np.arange(pixels.shape[0]) for start in corner),
            (photo.width_px, photo.height_px),
            strict=True,
        )
    )
    beyond = across | down[:, None]
    return np.where(beyond[..., None], np.uint8(0), pixels) if beyond.any() else pixels


def _moved(limbus: Ellipse, other: Ellipse) -> bool:
    aside = math.hypot(limbus.x_px - other.x_px, limbus.y_px - other.y_px)
    return max(aside, abs(limbus.radius_px - other.radius_px)) > APART * other.radius_px


def _cut_out(prepared: PreparedPhoto, limbus: Ellipse) -> NDArray[np.uint8]:
    """Cut the eye out anew, as large and as fine as it was."""
    assert prepared.picture is not None
    photo, picture = prepared.photo, prepared.picture
    shown, half = limbus.scaled(1.0 / photo.decoded_scale), picture.rgb.shape[0] // 2
    step = shown.radius_px / picture.px_per_radius
    pixels = resampled_crop(photo.pixels, shown.x_px, shown.y_px, step, half)
    return np.repeat(pixels[..., None], 3, axis=2) if pixels.ndim == 2 else pixels
