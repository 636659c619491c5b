"""Circles in a small picture that may be a limbus: rings of contrast about every pixel.

The search is an integro-differential ring search (J. Daugman, doi 10.1109/34.244676), in which each sample of
contrast is clipped so that no lash or glint outvotes the ring.
"""

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.crops import blurred, halved, stretched
from torsion.ring_contrast import ring_contrasts

__all__ = ["Circle", "circles_beside", "limbus_circles", "small_limbus_circles"]

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]
Circle = tuple[float, float, float]

_SIDE_PX = 160  # longer side of the picture in which the eye is searched
_FINER = (2, 4)  # times as fine, for an eye that is small in its picture
_MIN_RADIUS, _MAX_RADIUS = 0.07, 0.5  # limbus radius over the longer side: an eye filling 14 to 100 % of it
_PUPIL = 0.35  # of the radius of a small limbus: its pupil is looked for as well
_MAX_CONTRAST = 60.0  # a sample of ring contrast counts for at most this, of 100
_MAX_RING = 40.0  # a ring counts for at most this, so that a black pupil cannot pose as a limbus
_MIN_LIMBUS_CONTRAST = 9.0  # of 100; below, there is no dark disc on a brighter ground
_STARTS = 4  # circles that may be tried
_ARCS = 1.5  # what a step that is alike all round counts for in a limbus: both sides, 0.35 below, 0.15 above
_PUPILS = 6  # of the clearest of a grey picture, about which a faint limbus is looked for
_OFF_CENTRE = 0.1  # of the limbus radius, standard deviation of the pupil's place in it
_EQUAL = 0.4  # ratio of size and of score from which a disc beside the eye may be the other eye
_OFFSETS = np.arange(-_SIDE_PX, _SIDE_PX + 1)  # further than any of a circle from its middle
_DISTANCE = np.hypot(_OFFSETS[:, None], _OFFSETS)  # of pixels from the one in the middle


def small_limbus_circles(channel: Image, *, grey: bool) -> Iterator[tuple[list[Circle], list[Circle]]]:
    """Look for smaller circles than `limbus_circles`, octave by octave: half of a face shows such an eye.

    As far down as there are two pixels of the picture for each of the search.
    """
    for finer in _FINER:
        if finer * _SIDE_PX <= max(channel.shape) / 2:
            yield limbus_circles(channel, grey=grey, finer=finer)


def limbus_circles(channel: Image, *, grey: bool, finer: int = 1) -> tuple[list[Circle], list[Circle]]:
    """Find circles that may be the limbus, by their own contrast and that of the best pupil inside them.

    Where there is no colour, pupils lead to a limbus as well: infra-red shows a black pupil in an iris that
    differs little from the white of the eye.  In colour a dark iris in bright skin would pass for a pupil.

    Parameters
    ----------
    channel : (H, W) uint8 ndarray
        In which irises are dark.
    grey : bool
        Whether the picture has no colour.
    finer : int, default 1
        More than one: look, in so much finer a picture, for the next smaller circles.

    Returns
    -------
    starts : list of (x, y, radius)
        Pixels, best first; a few that are unlike each other; none where no dark disc stands out.
    circles : list of (x, y, radius)
        All of them, and those of like size and score beside the first: the other eye's may be among them.
    """
    least, most = (_MIN_RADIUS, _MAX_RADIUS) if finer == 1 else (_PUPIL * _MIN_RADIUS, 2.0 * _MIN_RADIUS)
    side_px = finer * _SIDE_PX
    halvings = next((times for times in (2, 1) if max(channel.shape) >= 2 ** (times + 1) * side_px), 0)
    channel, step = halved(channel, halvings), 2**halvings  # which is faster
    scale = side_px / max(channel.shape)
    size = (max(8, round(channel.shape[1] * scale)), max(8, round(channel.shape[0] * scale)))
    small = cv2.resize(channel, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    radii = np.exp(np.arange(np.log(_SIDE_PX * least), np.log(_SIDE_PX * most), 0.07))
    even = stretched(blurred(np.asarray(small, np.float32), 1.0), 1, 90)
    limbus, pupil, led = _contrasts(even, radii, grey=grey)
    limbus[radii < 0.99 * _MIN_RADIUS * _SIDE_PX] = led[radii < 0.99 * _MIN_RADIUS * _SIDE_PX] = 0.0
    scored = _best_rings(limbus.copy(), pupil, radii, count=24)
    if grey:
        scored = sorted(scored + _rings_about_pupils(led, pupil, radii), key=lambda entry: -entry[0])
    if not scored:
        return [], []
    best_score, best = scored[0]
    _keep_beside(limbus, radii, best)
    beside = [entry for entry in _best_rings(limbus, pupil, radii, count=8) if entry[0] > _EQUAL * best_score]
    fx, fy = step * channel.shape[1] / size[0], step * channel.shape[0] / size[1]

    def in_full(circle: Circle) -> Circle:
        x, y, radius = circle
        return (x + 0.5) * fx - 0.5, (y + 0.5) * fy - 0.5, step * radius / scale

    circles = [in_full(circle) for _, circle in scored + beside]
    return _distinct(circles[: len(scored)]), circles


def circles_beside(circles: list[Circle], eye: Circle) -> list[Circle]:
    """Give the first few circles that may be the other limbus: of like size, and not meeting this one."""
    return _distinct(
        [
            (x, y, radius)
            for x, y, radius in circles
            if _EQUAL * max(radius, eye[2]) < min(radius, eye[2])
            and np.hypot(x - eye[0], y - eye[1]) > radius + eye[2]
        ]
    )


def _contrasts(small: Floats, radii: NDArray[np.float64], *, grey: bool) -> tuple[Floats, Floats, Floats]:
    """Contrast, by radius and pixel, as a limbus, as a pupil and, without colour, as a limbus about one."""
    limbus, pupil, led = np.empty((3, len(radii), *small.shape), np.float32)
    for ring, (right, left, below, above) in enumerate(ring_contrasts(small, radii, _MAX_CONTRAST)):
        sides, either = cv2.min(right, left), cv2.max(right, left)
        limbus[ring] = sides  # a limbus needs both sides; lids may hide the rest
        for arc, share in ((below, 0.35), (above, 0.15)):
            cv2.scaleAdd(np.maximum(arc, np.float32(-5.0)), share, limbus[ring], dst=limbus[ring])
        # A pupil is darker, or brighter, than its surround on all sides: the least of steps of one sign.
        np.maximum(np.minimum(sides, below), -np.maximum(either, below), out=pupil[ring])
        if grey:  # about a clear pupil two arcs of three will do: the third may be hidden, or off the picture
            led[ring] = np.float32(_ARCS) * np.maximum(sides, np.minimum(either, below))
    return limbus, pupil, led


def _distinct(circles: list[Circle]) -> list[Circle]:
    """Give the first few circles that differ in place or size by more than the fit of an outline bridges."""
    chosen: list[Circle] = []
    for x, y, radius in circles:
        if len(chosen) == _STARTS:
            break
        if all(
            np.hypot(x - other[0], y - other[1]) > 0.2 * radius or abs(np.log(radius / other[2])) > 0.12
            for other in chosen
        ):
            chosen.append((x, y, radius))
    return chosen


def _best_rings(
    limbus: Floats, pupil: Floats, radii: NDArray[np.float64], *, count: int
) -> list[tuple[float, Circle]]:
    """Score the most contrasting rings, best first; each is taken out of `limbus` with its neighbourhood."""
    scored: list[tuple[float, Circle]] = []
    highest = limbus.reshape(len(radii), -1).max(axis=1)  # only what changes is looked at again
    for _ in range(count):
        at = int(np.argmax(highest))
        row, column = (int(place) for place in np.unravel_index(int(np.argmax(limbus[at])), limbus[at].shape))
        own = float(limbus[at, row, column])
        if own < _MIN_LIMBUS_CONTRAST:
            break
        radius = radii[at]
        nested = _nested(pupil, radii, (row, column), radius)
        score = min(own, _MAX_RING) + min(nested, _MAX_RING)
        if score > _MIN_LIMBUS_CONTRAST:
            scored.append((score, (float(column), float(row), float(radius))))
        rows, columns, distance = _about(limbus[0].shape, (row, column), 0.25 * radius)
        similar = np.flatnonzero(np.abs(np.log(radii / radius)) < 0.15)
        changed = slice(similar[0], similar[-1] + 1)
        limbus[changed, rows, columns] *= distance >= 0.25 * radius
        highest[changed] = limbus[changed].reshape(len(similar), -1).max(axis=1)
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
    alike = (_EQUAL * circle[2] < radii) & (_EQUAL * radii < circle[2])
    limbus[~alike] = 0.0
    for ring in np.flatnonzero(alike):
        limbus[ring] *= distance > radii[ring] + circle[2]


def _about(
    shape: tuple[int, ...], centre: tuple[int, int], reach: float
) -> tuple[slice, slice, NDArray[np.float64]]:
    """Rows and columns no further than `reach` from a pixel, and their distances from it."""
    (rows, down), (columns, across) = (
        (slice(first, last), slice(first - at + _SIDE_PX, last - at + _SIDE_PX))
        for at, side in zip(centre, shape, strict=True)
        for first, last in [(max(0, at - int(reach) - 1), min(side, at + int(reach) + 2))]
    )
    return rows, columns, _DISTANCE[down, across]


def _nested(pupil: Floats, radii: NDArray[np.float64], centre: tuple[int, int], radius: float) -> float:
    """Contrast of the best pupil that lies in a limbus circle, 0 without one."""
    rows, columns, distance = _about(pupil[0].shape, centre, 0.15 * radius)
    inside = radii < 0.78 * radius
    fits = (distance < 0.15 * radius) & (distance + radii[inside][:, None, None] < 0.85 * radius)
    return float(pupil[inside, rows, columns][fits].max(initial=0.0))
