"""The frame of the seated photo for marks: outlines they are read about, the middle they count from.

Ink in the supine photo is carried back by the map between the photos, so that every direction is counted in
one frame.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.angles import direction_deg, wrap_rotation_deg
from torsion.crops import resampled_crop
from torsion.ink import Stain, find_ink
from torsion.limbal_outline import checked_outline
from torsion.limbal_rows import ring_places
from torsion.marks import Mark, Role
from torsion.measurement import Measurement
from torsion.photo import Ellipse, Photo
from torsion.preparation import PreparedPhoto
from torsion.rim import Rim

__all__ = ["MarkFrame", "Outlined", "agreed_outlines", "mark_frame", "outlined", "read_mark", "read_stains"]

# Standard uncertainty of the limbus centre across and up, limbus radii: lids hide the upper and lower limbus,
# so that its height is known less well (measured on drawn eyes by tests/benchmarks/ink_study.py).  A second
# photo in which lids hide another part brings that of the height to 0.006; the larger one is stated still.
_CENTRE = (0.004, 0.010)
_APART = 0.05  # limbus radii: middles that two photos put further apart are not averaged


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
    to_supine = _map_of(pair)
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


def _map_of(pair: Measurement | None) -> NDArray[np.float64] | None:
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
    return max(aside, abs(limbus.radius_px - other.radius_px)) > _APART * other.radius_px


def _cut_out(prepared: PreparedPhoto, limbus: Ellipse) -> NDArray[np.uint8]:
    """Cut the eye out anew, as large and as fine as it was."""
    assert prepared.picture is not None
    photo, picture = prepared.photo, prepared.picture
    shown, half = limbus.scaled(1.0 / photo.decoded_scale), picture.rgb.shape[0] // 2
    step = shown.radius_px / picture.px_per_radius
    pixels = resampled_crop(photo.pixels, shown.x_px, shown.y_px, step, half)
    return np.repeat(pixels[..., None], 3, axis=2) if pixels.ndim == 2 else pixels


def read_stains(
    photo: Outlined | None, *, pair: Measurement | None = None, seated: Outlined | None = None
) -> tuple[Stain, ...]:
    """Find the ink of a photo.

    Parameters
    ----------
    photo : Outlined or None
        Without an eye there is no ink.
    pair : Measurement, optional
        Of a pair whose supine photo this is; then what the seated one shows too is no ink.
    seated : Outlined, optional
        Its seated photo.
    """
    if photo is None:
        return ()
    clean = None if pair is None or seated is None else _in_register(pair, seated, photo)
    return find_ink(photo.pixels, photo.in_cut, rim=photo.rim, clean=clean)


def _in_register(pair: Measurement, seated: Outlined, supine: Outlined) -> NDArray[np.uint8]:
    """Show the seated cut as the supine cut would."""
    assert pair.matrix is not None
    to_supine = np.vstack([pair.matrix, [0.0, 0.0, 1.0]])
    to_seated = np.linalg.inv(seated.from_cut) @ np.linalg.inv(to_supine) @ supine.from_cut
    side = supine.pixels.shape[0]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(seated.pixels, to_seated[:2], (side, side), flags=flags), np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class MarkFrame:
    """Frame of the seated photo: the middle that directions count from, and what is carried into it.

    Attributes
    ----------
    middle_px : (float, float)
        Of the limbus, in the full seated picture.
    noise : (float, float)
        Standard uncertainty of it, across and up, limbus radii.
    pair : Measurement or None
    matched : bool
        Whether places of the supine photo can be carried.
    """

    middle_px: tuple[float, float]
    noise: tuple[float, float]
    pair: Measurement | None
    matched: bool


def mark_frame(seated: Outlined | None, supine: Outlined | None, pair: Measurement | None) -> MarkFrame:
    """Find the middle of the limbus: the mean of both photos, each weighed by the white that it shows."""
    if seated is None:
        return MarkFrame((0.0, 0.0), _CENTRE, pair, matched=False)
    middle = seated.limbus.x_px, seated.limbus.y_px
    to_supine = _map_of(pair)
    if supine is None or to_supine is None:
        return MarkFrame(middle, _CENTRE, pair, matched=False)
    to_seated = np.asarray(np.linalg.inv(to_supine[:, :2]), np.float64)
    back = to_seated @ (np.array([supine.limbus.x_px, supine.limbus.y_px]) - to_supine[:, 2])
    if math.dist(middle, back) > _APART * seated.limbus.radius_px:
        apart = np.subtract(back, middle) / seated.limbus.radius_px  # either may be the right one
        across, up = np.hypot(_CENTRE, apart).tolist()
        return MarkFrame(middle, (across, up), pair, matched=True)
    weight = _precision(seated), _precision(supine, to_seated / math.sqrt(abs(np.linalg.det(to_seated))))
    both = np.linalg.solve(weight[0] + weight[1], weight[0] @ middle + weight[1] @ back)
    return MarkFrame((float(both[0]), float(both[1])), _CENTRE, pair, matched=True)


def _precision(photo: Outlined, turn: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
    """Inverse covariance of the middle by the white that is seen, y down: low in height under lids."""
    upright = np.diag([1.0, -1.0])  # the covariance counts upwards
    own = upright @ photo.rim.covariance @ upright
    return np.asarray(np.linalg.inv(own if turn is None else turn @ own @ turn.T), np.float64)


def read_mark(stain: Stain, photo: Outlined, frame: MarkFrame, planned: Sequence[float], role: Role) -> Mark:
    """Bring a stain into the frame of the seated photo.

    Parameters
    ----------
    stain : Stain
    photo : Outlined
        The photo it was found in.
    frame : MarkFrame
    planned : sequence of float
        Intended meridians.
    role : {"seated", "supine"}
        Which photo it is.
    """
    direction, width = _carried(stain, photo, frame, role)
    turn = 0.0
    if role == "supine" and frame.pair is not None:
        turn = frame.pair.standard_uncertainty_deg or 0.0
    offset = meridian = holds = stated = None
    if direction is not None:
        across, up = frame.noise
        angle = math.radians(direction)
        centre = math.degrees(math.hypot(across * math.sin(angle), up * math.cos(angle)))
        stated = math.hypot(stain.noise_deg, turn, centre)
        ends = [(wrap_rotation_deg(direction - at - turn), at) for at in planned for turn in (0.0, 180.0)]
        if ends:
            offset, meridian = min(ends, key=lambda end: abs(end[0]))
            holds = abs(offset) <= width / 2
    return Mark(
        direction_deg=direction,
        width_deg=width,
        extent_deg=stain.extent_deg,
        standard_uncertainty_deg=stated,
        rotation_uncertainty_deg=turn,
        offset_deg=offset,
        meridian_deg=meridian,
        holds_meridian=holds,
        color=stain.color,
        photo=role,
        photo_direction_deg=_shown_deg(stain, photo),
        outer=stain.outer,
        density=stain.density,
        covered=stain.covered,
        certain=stain.certain,
    )


def _shown_deg(stain: Stain, photo: Outlined) -> float:
    """Direction of a stain about the limbus as the photo's own outline has it, which is what is drawn."""
    own = photo.photo.limbus
    assert own is not None
    x, y = ring_places(photo.limbus, np.ones(1), np.array([stain.direction_deg]))
    return float(direction_deg(float(x[0]) - own.x_px, float(y[0]) - own.y_px))


def _carried(stain: Stain, photo: Outlined, frame: MarkFrame, role: Role) -> tuple[float | None, float]:
    """Direction in the seated frame and width there; the direction is None where nothing can be carried."""
    if role == "supine" and not frame.matched:
        return None, stain.width_deg
    half = stain.width_deg / 2
    places = np.array([stain.direction_deg - half, stain.direction_deg, stain.direction_deg + half])
    points = np.stack(ring_places(photo.limbus, np.ones(3), places))
    if role == "supine" and frame.pair is not None and frame.pair.matrix is not None:
        matrix = frame.pair.matrix
        points = np.asarray(np.linalg.solve(matrix[:, :2], points - matrix[:, 2:]), np.float64)
    seen = np.asarray(direction_deg(points[0] - frame.middle_px[0], points[1] - frame.middle_px[1]))
    return float(seen[1]), abs(wrap_rotation_deg(float(seen[2] - seen[0])))
