"""Find the eye in a photo: the limbus, and the pupil in it.

The red channel is used for the limbus, since irises of every colour are dark in red while both sclera and
skin are bright in it, so that lids disturb least.  The search is an integro-differential ring search on a
small picture, in which each sample of contrast is clipped so that no lash or glint outvotes the ring; a fit
of the outline to the edge follows.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.angles import wrap_axis_deg
from torsion.outline import (
    DEPTH_PX,
    DIRECTIONS,
    Zoom,
    blurred,
    outline_fit,
    radial_step,
    reduced,
    resampled_crop,
    ring_contrasts,
    stretched,
    strongest,
    unrolled,
)
from torsion.photo import Ellipse, Photo, is_grey
from torsion.pupil import ROUND, find_pupil

__all__ = ["Located", "locate"]

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]
Circle = tuple[float, float, float]

_SEARCH_SIDE_PX = 160  # longer side of the picture in which the eye is searched
_MIN_RADIUS, _MAX_RADIUS = 0.07, 0.5  # limbus radius over the longer side: an eye filling 14 to 100 % of it
_MAX_CONTRAST = 60.0  # a sample of ring contrast counts for at most this, of 100
_MAX_RING = 40.0  # a ring counts for at most this, so that a black pupil cannot pose as a limbus
_MIN_LIMBUS_CONTRAST = 9.0  # of 100; below, there is no dark disc on a brighter ground
_MIN_LIMBUS_STEP = 0.04  # of the range of brightness; infra-red shows 0.1, white light 0.2 to 0.4
_ROUND_LIMBUS = 0.75  # as of the pupil; one of the two is asked for
_PUPILS = 6  # of the clearest of a grey picture, about which a faint limbus is looked for
_OFF_CENTRE = 0.1  # of the limbus radius, standard deviation of the pupil's place in it
_EQUAL = 0.4  # ratio of size and of score from which a disc beside the eye may be the other eye
_RIGHT = np.cos(DIRECTIONS) > 0


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
    other_eye : bool
        Whether a second eye stands beside it in the picture.
    """

    limbus: Ellipse | None
    pupil: Ellipse | None
    limbus_contrast: float = 0.0
    exposed_upper: float = 0.0
    exposed_lower: float = 0.0
    other_eye: bool = False


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
    channel = _limbus_channel(pixels)
    given_limbus = photo.limbus and photo.limbus.scaled(1.0 / photo.decoded_scale)
    given_pupil = photo.pupil and photo.pupil.scaled(1.0 / photo.decoded_scale)
    beside: Circle | None = None
    if given_limbus is None:
        start, beside = _search(channel, grey=is_grey(pixels))
        if start is None:
            return Located(None, None)
        zoom = Zoom.on(channel, *start)
        limbus, weights, steps = _fit_limbus(zoom, *start)
    else:
        circle = (given_limbus.x_px, given_limbus.y_px, given_limbus.radius_px)
        zoom = Zoom.on(channel, *circle)
        _, weights, steps = _fit_limbus(zoom, *circle)
        limbus = given_limbus
    sine = np.sin(DIRECTIONS)
    seen = weights > 0.05
    pupil, roundness = (given_pupil, 1.0) if given_pupil else find_pupil(pixels, limbus)
    found = Located(
        limbus=limbus,
        pupil=pupil,
        limbus_contrast=float(np.median(steps[np.abs(sine) < 0.5])),
        exposed_upper=float(seen[sine > 0].mean()),
        exposed_lower=float(seen[sine < 0].mean()),
    )
    if given_limbus is not None:
        return found
    is_eye = roundness > ROUND or _limbus_roundness(zoom, limbus) > _ROUND_LIMBUS
    if found.limbus_contrast < _MIN_LIMBUS_STEP or not is_eye:
        return replace(found, limbus=None, pupil=None)
    return replace(found, other_eye=beside is not None and _is_clear_eye(pixels, channel, beside))


def _is_clear_eye(pixels: Image, channel: Image, circle: Circle) -> bool:
    """Tell whether both limbus and pupil lie on their outlines; of a second eye both are asked for."""
    zoom = Zoom.on(channel, *circle)
    limbus, _, _ = _fit_limbus(zoom, *circle)
    _, roundness = find_pupil(pixels, limbus)
    return roundness > ROUND and _limbus_roundness(zoom, limbus) > _ROUND_LIMBUS


def _limbus_channel(pixels: Image) -> Image:
    return pixels if pixels.ndim == 2 else np.asarray(cv2.extractChannel(pixels, 0), np.uint8)


def _search(channel: Image, *, grey: bool) -> tuple[Circle | None, Circle | None]:
    """Limbus circle (x, y, radius) by the sum of its own contrast and that of the best pupil inside it.

    Where there is no colour, pupils lead to a limbus as well: infra-red shows a black pupil in an iris that
    differs little from the white of the eye.  In colour a dark iris in bright skin would pass for a pupil.
    Also the best circle of like size and score beside it, if there is one: it may be the other eye.
    """
    step = next((step for step in (4, 2) if max(channel.shape) >= 2 * step * _SEARCH_SIDE_PX), 1)
    channel = reduced(channel, step)  # by whole steps first, which is faster
    scale = _SEARCH_SIDE_PX / max(channel.shape)
    size = (max(8, round(channel.shape[1] * scale)), max(8, round(channel.shape[0] * scale)))
    small = cv2.resize(channel, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    small = stretched(blurred(np.asarray(small, np.float32), 1.0), 1, 90)
    lowest, highest = np.log(_SEARCH_SIDE_PX * _MIN_RADIUS), np.log(_SEARCH_SIDE_PX * _MAX_RADIUS)
    radii = np.exp(np.arange(lowest, highest, 0.07))
    limbus, pupil = np.empty((2, len(radii), *small.shape), np.float32)
    for ring, (right, left, below, above) in enumerate(ring_contrasts(small, radii, _MAX_CONTRAST)):
        limbus[ring] = np.minimum(right, left)  # a limbus needs both sides; lids may hide the rest
        for arc, share in ((below, 0.35), (above, 0.15)):
            limbus[ring] += np.float32(share) * np.maximum(arc, np.float32(-5.0))
        # A pupil is darker, or brighter, than its surround on all sides: the least of steps of one sign.
        darker = np.minimum(np.minimum(right, left), below)
        pupil[ring] = np.maximum(darker, -np.maximum(np.maximum(right, left), below))

    scored = _best_rings(limbus.copy(), pupil, radii, count=24)
    if grey:
        scored = sorted(scored + _rings_about_pupils(limbus, pupil, radii), key=lambda entry: -entry[0])
    if not scored:
        return None, None
    best_score, best = scored[0]
    _keep_beside(limbus, radii, best)
    beside = [entry for entry in _best_rings(limbus, pupil, radii, count=8) if entry[0] > _EQUAL * best_score]
    fx, fy = step * channel.shape[1] / size[0], step * channel.shape[0] / size[1]

    def in_full(circle: Circle) -> Circle:
        x, y, radius = circle
        return (x + 0.5) * fx - 0.5, (y + 0.5) * fy - 0.5, step * radius / scale

    return in_full(best), in_full(beside[0][1]) if beside else None


def _best_rings(
    limbus: Floats, pupil: Floats, radii: NDArray[np.float64], *, count: int
) -> list[tuple[float, Circle]]:
    """Score the most contrasting rings, best first; each is taken out of `limbus` with its neighbourhood."""
    scored: list[tuple[float, Circle]] = []
    for _ in range(count):
        at, row, column = np.unravel_index(int(np.argmax(limbus)), limbus.shape)
        own = float(limbus[at, row, column])
        if own < _MIN_LIMBUS_CONTRAST:
            break
        radius = radii[at]
        nested = _nested(pupil, radii, (int(row), int(column)), radius)
        score = min(own, _MAX_RING) + min(nested, _MAX_RING)
        if score > _MIN_LIMBUS_CONTRAST:
            scored.append((score, (float(column), float(row), float(radius))))
        rows, columns, distance = _about(limbus[0].shape, (int(row), int(column)), 0.25 * radius)
        similar = np.flatnonzero(np.abs(np.log(radii / radius)) < 0.15)
        limbus[similar[0] : similar[-1] + 1, rows, columns] *= distance >= 0.25 * radius
    return sorted(scored, key=lambda entry: -entry[0])


def _rings_about_pupils(
    limbus: Floats, pupil: Floats, radii: NDArray[np.float64]
) -> list[tuple[float, Circle]]:
    """Score the best limbus about each of the clearest pupils."""
    scored: list[tuple[float, Circle]] = []
    pupil = pupil.copy()
    for _ in range(_PUPILS):
        at, row, column = (int(index) for index in np.unravel_index(int(np.argmax(pupil)), pupil.shape))
        clear = float(pupil[at, row, column])
        if clear < _MIN_LIMBUS_CONTRAST:
            break
        for ring in np.flatnonzero((radii > radii[at] / 0.78) & (radii < radii[at] / 0.16)):
            rows, columns, distance = _about(limbus[0].shape, (row, column), 0.15 * radii[ring])
            central = np.exp(-0.5 * (distance / (_OFF_CENTRE * radii[ring])) ** 2)
            own = np.minimum(limbus[ring, rows, columns], _MAX_RING) * central
            down, across = np.unravel_index(int(np.argmax(own)), own.shape)
            if own[down, across] > _MIN_LIMBUS_CONTRAST:
                circle = float(columns.start + across), float(rows.start + down), float(radii[ring])
                scored.append((float(own[down, across]) + min(clear, _MAX_RING), circle))
        rows, columns, distance = _about(pupil[0].shape, (row, column), 0.5 * radii[at])
        pupil[:, rows, columns] *= distance >= 0.5 * radii[at]
    return scored


def _keep_beside(limbus: Floats, radii: NDArray[np.float64], circle: Circle) -> None:
    """Take out of `limbus` all rings but those of like size that do not meet a circle."""
    down, across = np.ogrid[: limbus.shape[1], : limbus.shape[2]]
    distance = np.hypot(down - circle[1], across - circle[0])
    for ring, radius in enumerate(radii):
        alike = _EQUAL < radius / circle[2] < 1.0 / _EQUAL
        limbus[ring] *= (distance > radius + circle[2]) & alike


def _about(
    shape: tuple[int, ...], centre: tuple[int, int], reach: float
) -> tuple[slice, slice, NDArray[np.float64]]:
    """Rows and columns no further than `reach` from a pixel, and their distances from it."""
    rows, columns = (
        slice(max(0, at - int(reach) - 1), min(side, at + int(reach) + 2))
        for at, side in zip(centre, shape, strict=True)
    )
    down, across = np.ogrid[rows, columns]
    return rows, columns, np.hypot(down - centre[0], across - centre[1])


def _nested(pupil: Floats, radii: NDArray[np.float64], centre: tuple[int, int], radius: float) -> float:
    """Contrast of the best pupil that lies in a limbus circle, 0 without one."""
    rows, columns, distance = _about(pupil[0].shape, centre, 0.15 * radius)
    inside = radii < 0.78 * radius
    fits = (distance < 0.15 * radius) & (distance + radii[inside][:, None, None] < 0.85 * radius)
    return float(pupil[inside, rows, columns][fits].max(initial=0.0))


def _fit_limbus(
    zoom: Zoom, x: float, y: float, radius: float
) -> tuple[Ellipse, NDArray[np.float64], NDArray[np.float64]]:
    """Refine a limbus circle to an ellipse; also the weight and the step of the edge in each direction."""
    sine = np.sin(DIRECTIONS)
    trust = np.where(np.abs(sine) < 0.75, 1.0, np.where(sine < 0, 0.5, 0.15))  # lids above, then below
    shape, robust, steps = np.zeros(5), np.zeros_like(sine), np.zeros_like(sine)
    x, y, radius = zoom.inwards(x, y, radius)
    for span, sigma, stiffness in ((0.22, 0.05, 3.0), (0.12, 0.035, 3.0), (0.09, 0.03, 1.0)):
        crop = resampled_crop(zoom.pixels, x, y, radius / DEPTH_PX, int(1.6 * DEPTH_PX)).astype(np.float32)
        radii = np.arange(0.9 - span, 1.1 + span, 0.01)
        polar = stretched(unrolled(blurred(crop, 1.5), radii), 2, 92) / 100.0
        step = radial_step(polar, sigma)
        likely = np.where(np.abs(radii - 1) < span, np.exp(-0.5 * ((radii - 1) / (0.7 * span)) ** 2), 0.0)
        edge, steps = strongest(radii, step, likely)
        shape, robust = outline_fit(edge, np.clip(steps, 0.0, 0.5) * trust, stiffness=stiffness)
        x, y, radius = x + shape[1] * radius, y - shape[2] * radius, shape[0] * radius
    x, y, radius = zoom.outwards(x, y, radius)
    flattening = min(float(np.hypot(shape[3], shape[4])), 0.3)
    axis = wrap_axis_deg(0.5 * float(np.degrees(np.arctan2(shape[4], shape[3]))))
    ellipse = Ellipse(x, y, radius * (1 + flattening), radius * (1 - flattening), axis)
    return ellipse, robust, steps


def _limbus_roundness(zoom: Zoom, limbus: Ellipse) -> float:
    """Share of the outline, at the poorer side, on which the strongest step to brighter lies."""
    span = 0.15
    x, y, radius = zoom.inwards(limbus.x_px, limbus.y_px, limbus.radius_px)
    crop = resampled_crop(zoom.pixels, x, y, radius / DEPTH_PX, int(1.6 * DEPTH_PX))
    radii = np.arange(0.9 - span, 1.1 + span, 0.01)
    polar = stretched(unrolled(blurred(crop.astype(np.float32), 1.5), radii), 2, 92) / 100.0
    edge, height = strongest(radii, radial_step(polar, 0.03), (np.abs(radii - 1) < span).astype(float))
    flattening = (limbus.major_px - limbus.minor_px) / (limbus.major_px + limbus.minor_px)
    outline = 1 + flattening * np.cos(2 * (DIRECTIONS - np.radians(limbus.axis_deg)))
    on_outline = (np.abs(edge - outline) < 0.03) & (height > 0.02)
    sides = np.abs(np.sin(DIRECTIONS)) < 0.5
    return float(min(on_outline[sides & half].mean() for half in (_RIGHT, ~_RIGHT)))
