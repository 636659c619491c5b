"""Ink as it is put on an eye, and what lies about that may be taken for it; drawn at random."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from synthetic.surface import InkColor, InkMark, Metal, Spot, SpotColor, Tool
from synthetic.view import Lids, View

COLORS: tuple[InkColor, ...] = ("violet", "blue", "black", "brown")
_OPPOSITE_DEG = 1.2  # spread of the second mark about the place opposite the first


def random_marks(rng: np.random.Generator, count: int) -> tuple[InkMark, ...]:
    """Draw marks of one pen: one, two opposite, or three of which two are opposite.

    Parameters
    ----------
    rng : numpy.random.Generator
    count : int
        From 0 to 3.

    Returns
    -------
    tuple of InkMark
        1.5 to 8 degrees wide; some smeared, faded or slanted.
    """
    first = rng.choice([0.0, 180.0]) + rng.normal(0, 15)
    turn = rng.choice([-90.0, 90.0]) + rng.normal(0, 10)
    places = [first, first + 180 + rng.normal(0, _OPPOSITE_DEG), first + turn][:count]
    color, width = COLORS[int(rng.integers(0, 4))], rng.uniform(1.5, 8.0)
    return tuple(
        InkMark(
            float(place),
            width_deg=float(np.clip(width * rng.uniform(0.8, 1.25), 1.5, 8.0)),
            color=color,
            inner=float(rng.uniform(0.90, 0.99)),
            outer=float(rng.uniform(1.15, 1.40)),
            smear=float(rng.uniform(0.2, 1.0)) if rng.uniform() < 0.3 else 0.0,
            fading=float(rng.uniform(0.2, 0.6)) if rng.uniform() < 0.3 else 0.0,
            slant_deg=float(rng.normal(0, 2.0)),
        )
        for place in places
    )


def with_distractors(
    view: View, rng: np.random.Generator, *, moving: np.random.Generator | None = None
) -> View:
    """Add spots, pigment, the grey ring and a pterygium to a view, and make-up and instruments in front.

    Parameters
    ----------
    view : View
    rng : numpy.random.Generator
        Draws what turns with the eye: the same state gives the same for both photos of an eye.
    moving : numpy.random.Generator, optional
        Draws what does not; by default `rng` too.
    """
    colors: tuple[SpotColor, ...] = ("brown", "slate", "yellow")
    spots = tuple(
        Spot(
            float(rng.uniform(0, 360)),
            radius=float(rng.uniform(1.0, 1.45)),
            size_deg=float(rng.uniform(1.5, 12.0)),
            color=colors[int(rng.choice(3, p=[0.6, 0.25, 0.15]))],
            strength=float(rng.uniform(0.4, 1.0)),
        )
        for _ in range(int(rng.integers(0, 4)))
    )
    surface = replace(
        view.surface,
        arcus=float(rng.uniform(0.3, 1.0)) if rng.uniform() < 0.3 else 0.0,
        melanosis=float(rng.uniform(0.3, 1.0)) if rng.uniform() < 0.25 else 0.0,
        pterygium=float(rng.uniform(0.1, 0.4)) if rng.uniform() < 0.15 else 0.0,
    )
    moving = rng if moving is None else moving
    lids = view.lids
    if isinstance(lids, Lids) and moving.uniform() < 0.3:
        lids = replace(lids, makeup=float(moving.uniform(0.3, 1.0)))
    metals: tuple[Metal, ...] = ("steel", "black", "titanium")
    tools = tuple(
        Tool(
            float(moving.uniform(0, 360)),
            reach=float(moving.uniform(0.4, 1.2)),
            width=float(moving.uniform(0.03, 0.16)),
            metal=metals[int(moving.integers(0, 3))],
            aside=float(moving.normal(0, 0.3)),
        )
        for _ in range(1 if moving.uniform() < 0.25 else 0)
    )
    return replace(view, spots=spots, surface=surface, lids=lids, tools=tools)
