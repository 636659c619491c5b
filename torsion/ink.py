"""Ink at the limbus: stains of a pen in the picture of one eye, told from what else is dark there.

Ink swallows red light, which blood hardly does: that takes vessels, redness and bleeding out.  A mark is a
bar with straight sides across the limbus, with white beside it and an end on the white: that takes out lids,
hair, shadows, spots, the dark ring of the limbus, and instruments, which run on.  Blue and violet stain what
they cover, which no lid, hair or shadow does, and do not grow on an eye; black and brown do, so of them more
is asked.  Where the same eye is known without ink, what it shows there too is none; and what has come since
is looked at by itself, without the vessels and spots about it.
"""

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from torsion.angles import wrap_direction_deg, wrap_rotation_deg
from torsion.ink_rules import (
    DARK_INK,
    InkColor,
    has_color,
    has_come,
    ink_color,
    is_ink,
    is_new,
    is_shown,
    is_under_lid,
)
from torsion.limbal_bar import LEAST, NARROWEST_DEG, Bar, measure_bar, rough_edges
from torsion.limbal_outline import checked_outline
from torsion.limbal_ring import CHANNELS, Channel, Ring, unwrap_ring
from torsion.limbal_rows import COLUMNS, STEP_DEG, ring_places
from torsion.photo import Ellipse, is_grey
from torsion.quantiles import median
from torsion.rim import Rim

__all__ = ["InkColor", "Stain", "candidates", "find_ink", "ink_mask"]

Doubles = NDArray[np.float64]

_NOISE = 4.0  # standard deviations of the white part of the ring
_NEXT = 4  # columns, 1 degree
_NEAR = 40  # columns, 10 degrees
_MOST = 24  # candidates looked at in each kind
_SAME_DEG = 0.5  # distance of edges within which two peaks are one thing
_SOME_WHITE = 0.4  # share of white in a column near which something may be looked for
_CALM = 0.9  # share of white in a column from which the unrest of the ring is taken
_WHOLE = 0.9  # share of white about a mark below which something hides a part of it
_MASK_DEG = 1.0  # beside what can be seen of the ink
_MASK_MOST = 4  # three marks and one other thing: each costs as much as a tenth of the registration
_MASK_INNER = 0.82  # limbus radii: ink runs onto the cornea, where a dark iris hides it


@dataclass(frozen=True, slots=True)
class Stain:
    """One pen mark in one picture.

    Attributes
    ----------
    direction_deg : float
        Where its middle crosses the limbus, about the middle of the limbus, [0, 360).
    width_deg : float
        Full width at half of its contrast, at the limbus.
    extent_deg : float
        Width within which ink can be seen at all.
    outer : float
        Where it ends, limbus radii.
    density : float
        Optical density of the ink over its surroundings.
    color : {"violet", "blue", "black", "brown"}
    noise_deg : float
        Standard uncertainty of the direction from the ink's own raggedness.
    covered : bool
        A lid or lashes hide an edge or the outer end.
    certain : bool
        False where neither colour nor another photo tells it from pigment.
    """

    direction_deg: float
    width_deg: float
    extent_deg: float
    outer: float
    density: float
    color: InkColor
    noise_deg: float
    covered: bool
    certain: bool


def find_ink(
    pixels: NDArray[np.uint8],
    limbus: Ellipse,
    *,
    rim: Rim | None = None,
    clean: NDArray[np.uint8] | None = None,
    most: int | None = None,
) -> tuple[Stain, ...]:
    """Find pen marks across the limbus.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 ndarray
        Colour; in a picture without colour nothing is found, since colour tells ink from hair.
    limbus : Ellipse
        In pixels of `pixels`.
    rim : Rim, optional
        The edge of the white about it; by default it is looked for.
    clean : (H, W, 3) uint8 ndarray, optional
        The same eye before it was marked, brought into register with `pixels`.
    most : int, optional
        How many of the strongest places are looked at for each kind of ink, as for a mask.  By default 24,
        and then anew close to the limbus, for marks that a lid comes near further out, and at what has come
        since `clean`.

    Returns
    -------
    tuple of Stain
        By direction; empty where there is no ink.
    """
    if is_grey(pixels):
        return ()
    ring = unwrap_ring(pixels, limbus, rim=rim)
    before = None if clean is None else unwrap_ring(clean, limbus, rim=ring.rim)
    found: list[Bar] = []
    known: list[Bar] = []  # that the clean photo shows, however it is looked at
    for (look, clean_look, passes), channel in itertools.product(_looks(ring, before, most), CHANNELS):
        looked_at: list[tuple[float, float]] = []
        shown = None if passes is has_come else clean_look  # which that look has taken off already
        for at in candidates(look, shown, channel=channel, most=most or _MOST):
            if any(_holds(bar, at * STEP_DEG) for bar in found):
                continue  # another peak of the same mark
            edges = rough_edges(look, at, channel=channel)
            if edges is None or any(math.dist(edges, other) < _SAME_DEG for other in looked_at):
                continue  # likewise of something else
            looked_at.append(edges)
            bar = measure_bar(look, edges, clean_look, channel=channel)
            if bar is None:
                continue
            if is_shown(bar):
                known.append(bar)
            elif is_ink(bar) and passes(bar) and not _was_there(bar, known):
                found += [] if any(_overlap(bar, other) for other in found) else [bar]
    return tuple(sorted((_stain(bar, ring) for bar in found), key=lambda stain: stain.direction_deg))


def _looks(
    ring: Ring, before: Ring | None, most: int | None
) -> list[tuple[Ring, Ring | None, Callable[[Bar], bool]]]:
    """Rings that are looked at in turn, the clean one beside each, and what is asked there of ink besides."""
    looks: list[tuple[Ring, Ring | None, Callable[[Bar], bool]]] = [(ring, before, lambda _: True)]
    if most is not None:
        return looks
    # On open white the longer rows have had their say.
    looks.append((ring.near(), None if before is None else before.near(), is_under_lid))
    if before is not None:
        looks.append((ring.since(before), before, has_come))
    return looks


def ink_mask(pixels: NDArray[np.uint8], limbus: Ellipse) -> NDArray[np.bool_]:
    """Pixels that ink covers, with a margin: True is ink, which must take no part in a registration.

    Parameters
    ----------
    pixels : (H, W, 3) uint8 ndarray
    limbus : Ellipse
        In pixels of `pixels`.

    Returns
    -------
    (H, W) bool ndarray
        All False where no ink is found.
    """
    height, width = pixels.shape[:2]
    covered = np.zeros((height, width), np.uint8)
    if is_grey(pixels):
        return covered > 0
    limbus, rim = checked_outline(pixels, limbus)
    stains = find_ink(pixels, limbus, rim=rim, most=_MASK_MOST)
    for stain in stains:
        half = stain.extent_deg / 2 + _MASK_DEG
        across = stain.direction_deg + np.linspace(-half, half, 2 + round(half))
        stretch = rim.stretch[np.rint(across / STEP_DEG).astype(np.intp) % COLUMNS]
        out = stretch * np.array([[_MASK_INNER], [stain.outer + 0.06]])
        x, y = ring_places(limbus, out, across)
        sector = np.stack([np.r_[x[0], x[1, ::-1]], np.r_[y[0], y[1, ::-1]]], axis=1)
        cv2.fillPoly(covered, [np.rint(sector).astype(np.int32)], 1)
    return covered > 0


def candidates(
    ring: Ring, before: Ring | None = None, *, channel: Channel = "ink", most: int = _MOST
) -> list[int]:
    """Columns at which something stands out of the ring just outside the limbus, strongest first.

    Parameters
    ----------
    ring : Ring
    before : Ring, optional
        Of the same eye without ink, in register: what stands out of the difference is named too.
    channel : {"stain", "ink"}
    most : int, default 24
        Of each.
    """
    band = ring.rows(*ring.band)
    profile = ring.signal(channel)[band].mean(axis=0).astype(float)
    found = _peaks(profile, ring.white_band, least=LEAST[channel], most=most)
    if before is not None:
        change = profile - before.signal(channel)[band].mean(axis=0)
        found += _peaks(change, before.white_band, least=LEAST[channel], most=most)
    return found


def _peaks(profile: Doubles, white: Doubles, *, least: float, most: int) -> list[int]:
    standing = profile - _running(profile, percentile=40.0, reach_deg=20)
    # What lies close together differs by noise alone.
    unrest = np.abs(profile - np.roll(profile, _NEXT))[white > _CALM]
    noise = 1.05 * median(unrest) if len(unrest) else 0.0
    near = _near(white > _SOME_WHITE)
    left = np.where(near, standing, -np.inf)  # far from all white there are lids and hair alone
    found: list[int] = []
    while len(found) < most and left.max() > max(least, _NOISE * noise):
        at = int(np.argmax(left))
        found.append(at)
        for step in (1, -1):  # what belongs to the same rise is taken out on both sides
            column = (at + step) % COLUMNS
            while left[column] > 0.5 * standing[at]:
                left[column] = -np.inf
                column = (column + step) % COLUMNS
        left[at] = -np.inf
    return found


def _near(white: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Columns within reach of a white one."""
    count = np.cumsum(np.pad(white, (_NEAR + 1, _NEAR), mode="wrap"))
    return np.asarray(count[2 * _NEAR + 1 :] > count[: -2 * _NEAR - 1])


def _running(profile: Doubles, *, percentile: float, reach_deg: int) -> Doubles:
    """Percentile of the whole degrees within reach."""
    degrees = profile.reshape(-1, round(1.0 / STEP_DEG)).mean(axis=1)
    about = np.lib.stride_tricks.sliding_window_view(
        np.pad(degrees, reach_deg, mode="wrap"), 2 * reach_deg + 1
    )
    place = round(percentile / 100.0 * 2 * reach_deg)
    return np.repeat(np.partition(about, place, axis=1)[:, place], round(1.0 / STEP_DEG))


def _stain(bar: Bar, ring: Ring) -> Stain:
    new, middle = is_new(bar), (bar.start_deg + bar.end_deg) / 2
    # The ring begins at the edge of the white, which a grey ring of age sets off from the limbus.
    inwards = 1.0 / ring.rim.stretch[round(middle / STEP_DEG) % COLUMNS] - 1.0
    return Stain(
        wrap_direction_deg(middle + bar.slope * inwards),
        max(bar.end_deg - bar.start_deg + bar.flare_deg, NARROWEST_DEG),
        bar.extent_deg,
        bar.outer,
        bar.density,
        ink_color(bar.colors),
        bar.noise_deg,
        min(bar.around, bar.beyond) < _WHOLE,
        new or has_color(bar) or ink_color(bar.colors) != "brown",
    )


def _holds(bar: Bar, angle_deg: float) -> bool:
    middle, half = (bar.start_deg + bar.end_deg) / 2, (bar.end_deg - bar.start_deg) / 2
    return abs(wrap_rotation_deg(angle_deg - middle)) <= half


def _was_there(bar: Bar, known: list[Bar]) -> bool:
    """Tell whether another look saw a faint bar in the clean photo; dark ink may cover what was there."""
    middle = (bar.start_deg + bar.end_deg) / 2
    return bar.density < DARK_INK and any(
        _holds(spot, middle) and _holds(bar, (spot.start_deg + spot.end_deg) / 2) for spot in known
    )


def _overlap(bar: Bar, other: Bar) -> bool:
    apart = (bar.start_deg + bar.end_deg - other.start_deg - other.end_deg) / 2
    widths = bar.end_deg - bar.start_deg + other.end_deg - other.start_deg
    return abs(wrap_rotation_deg(apart)) < widths / 2
