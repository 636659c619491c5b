"""The frame of the seated photo for marks: the middle they count from, and stains brought into it.

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
from torsion.ink import Stain, find_ink
from torsion.ink_outline import APART, Outlined, map_of
from torsion.limbal_rows import ring_places
from torsion.marks import Mark, Role
from torsion.measurement import Measurement

__all__ = ["MarkFrame", "mark_frame", "read_mark", "read_stains"]

# Standard uncertainty of the limbus centre across and up, limbus radii: lids hide the upper and lower limbus,
# so that its height is known less well (measured on drawn eyes by tests/benchmarks/ink_study.py).  A second
# photo in which lids hide another part brings that of the height to 0.006; the larger one is stated still.
_CENTRE = (0.004, 0.010)


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
    to_supine = map_of(pair)
    if supine is None or to_supine is None:
        return MarkFrame(middle, _CENTRE, pair, matched=False)
    to_seated = np.asarray(np.linalg.inv(to_supine[:, :2]), np.float64)
    back = to_seated @ (np.array([supine.limbus.x_px, supine.limbus.y_px]) - to_supine[:, 2])
    if math.dist(middle, back) > APART * seated.limbus.radius_px:
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
