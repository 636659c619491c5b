"""The rules by which a bar is ink, each held against bars that differ in what it asks."""

from dataclasses import replace

import numpy as np
import pytest

from torsion.ink_rules import has_color, has_come, ink_color, is_ink, is_new
from torsion.limbal_bar import Bar

DENSE = Bar(
    start_deg=10.0, end_deg=14.0, flare_deg=0.0, extent_deg=5.0, outer=1.25, density=0.6, noise_deg=0.1,
    slope=0.0, colors=np.array([0.6, 0.6, 0.6]), at_limbus=1.0, beside=(1.0, 1.0), limbus_seen=1.0,
    around=1.0, beyond=1.0, ragged=0.02, cut_off=False, left_over=0.0, color_left=0.0, runs_on=False,
    shown=None, known=0.0,
)  # fmt: skip
NEW = {"shown": 0.0, "known": 1.0}
LID = {"beside": (1.0, 0.1), "around": 0.1, "beyond": 0.0}
BLACK, BROWN = np.array([1.0, 1.0, 0.95]), np.array([0.6, 0.9, 1.0])
VIOLET, DARK_VIOLET = np.array([0.8, 1.0, 0.4]), np.array([0.9, 1.0, 0.62])
BLUE, DARK_BLUE = np.array([1.0, 0.6, 0.2]), np.array([1.0, 0.8, 0.5])


def bar(colors=BLACK, density=0.6, **changes):
    return replace(DENSE, colors=density * np.asarray(colors), density=density, **changes)


@pytest.mark.parametrize(
    ("colors", "name"),
    [
        (VIOLET, "violet"), (DARK_VIOLET, "violet"), (BLUE, "blue"), (DARK_BLUE, "blue"),
        (BLACK, "black"), ((1.0, 0.9, 0.72), "black"), (BROWN, "brown"),
    ],
)  # fmt: skip
def test_dark_inks_keep_their_name(colors, name):
    assert ink_color(np.asarray(colors)) == name


def test_a_dark_stain_is_named_but_proves_less():
    # Slate-grey pigment is as blue: so it must pass as one that has no colour.
    assert has_color(bar(BLUE))
    assert not has_color(bar(DARK_BLUE))


def test_a_plain_stroke_is_ink_whatever_its_colour():
    assert all(is_ink(bar(colors)) for colors in (BLACK, BROWN, VIOLET, DARK_BLUE))


def test_a_lash_on_a_lid_as_pale_as_the_white_is_no_ink():
    hidden = {"limbus_seen": 0.0}  # no iris within the limbus beside it
    assert not any(is_ink(bar(colors, **hidden, **new)) for colors in (BLACK, BROWN) for new in ({}, NEW))
    assert is_ink(bar(VIOLET, **hidden))  # no lash is violet


def test_what_the_picture_cuts_off_must_be_dark_and_blue_or_violet():
    cut = {"cut_off": True, "beyond": 0.0, **NEW}
    assert is_ink(bar(VIOLET, **cut))
    assert not any(is_ink(bar(colors, **cut)) for colors in (BLACK, BROWN))  # a tool runs on out there
    assert is_ink(bar(VIOLET, density=0.3, **(cut | {"cut_off": False})))
    assert not is_ink(bar(VIOLET, density=0.3, **cut))  # steel is faintly blue


@pytest.mark.parametrize(
    "changes",
    [
        {"density": 0.15, "end_deg": 12.0, **NEW},  # thin
        {"density": 0.3, "end_deg": 16.0, "ragged": np.nan, **NEW},  # its sides cannot be read
        {"density": 0.3, "end_deg": 16.0, "ragged": 0.05, "left_over": -0.5, **NEW},  # a lid beyond it
        {"ragged": 0.06, "around": 0.8, **NEW},  # a tuft beside a lid
        {"density": 0.3, "end_deg": 12.0, "beyond": 0.8, **NEW},
        {"density": 0.3, "outer": 1.06, "beside": (1.0, 0.7), "beyond": 0.0, **NEW},  # wider than long
    ],
    ids=["thin", "unread", "lighter beyond", "tuft", "single", "short"],
)
def test_lashes_that_moved_are_no_ink(changes):
    assert is_new(bar(**changes))
    assert not is_ink(bar(**changes))


def test_without_a_clean_photo_a_broad_tuft_beside_a_lid_is_no_ink():
    beside_lid = {"beside": (1.0, 0.7), "around": 0.6, "beyond": 0.2, "ragged": 0.01}
    assert not is_ink(bar(end_deg=25.0, **beside_lid))
    assert is_ink(bar(**beside_lid))


def test_hair_at_a_lid_leans_and_a_pen_is_held_outwards():
    under_lid = {"end_deg": 17.0, "outer": 1.2, "around": 0.5, "beyond": 0.0, "ragged": 0.015, **NEW}
    assert is_ink(bar(slope=15.0, **under_lid))
    assert not is_ink(bar(slope=25.0, **under_lid))
    assert not is_ink(bar(slope=-25.0, **under_lid))


def test_make_up_lies_along_a_lid_and_ink_points_outwards():
    assert is_ink(bar(VIOLET, **LID))
    assert is_ink(bar(VIOLET, ragged=0.07, **LID, **NEW))
    assert not is_ink(bar(VIOLET, ragged=0.07, **LID))
    assert not is_ink(bar(VIOLET, slope=30.0, **LID))
    assert not is_ink(bar(VIOLET, slope=45.0, **LID, **NEW))
    assert not is_ink(bar(VIOLET, outer=1.06, **LID, **NEW))


def test_new_faint_colour_needs_no_white_on_its_other_side():
    assert is_ink(bar(VIOLET, density=0.25, **LID, **NEW))
    assert not is_ink(bar(VIOLET, density=0.25, **LID))


def test_beside_a_lid_brown_is_told_from_one_lash():
    thin = {"end_deg": 12.3, "density": 0.3, "beyond": 0.8, **NEW}
    assert is_ink(bar(BROWN, **thin))
    assert not is_ink(bar(BLACK, **thin))


def test_the_shade_of_lashes_is_no_ink():
    shade = {"end_deg": 17.0, "density": 0.15, "ragged": 0.18, **NEW}
    assert not is_ink(bar((1.0, 1.2, 1.4), **shade))
    assert not is_ink(bar(BROWN, **shade))


def test_a_dark_stain_that_ends_on_white_may_be_ragged():
    assert is_ink(bar(BLUE, ragged=0.12))
    assert not is_ink(bar(BLACK, ragged=0.12))
    assert not is_ink(bar(BLUE, ragged=0.12, beyond=0.3))
    assert not is_ink(bar(BLUE, ragged=0.12, outer=1.07))  # as a spot


def test_what_has_come_needs_a_colour_since_lashes_move():
    assert all(has_come(bar(colors, **NEW)) for colors in (BROWN, VIOLET, BLUE))
    assert not has_come(bar(BLACK, **NEW))
    assert not has_come(bar(BROWN))
    brownish = np.array([1.0, 1.25, 1.45])  # as lashes shade a moist eye
    assert has_come(bar(brownish, **NEW))
    assert not has_come(bar(brownish, ragged=0.05, **NEW))
    assert not has_come(bar(brownish, end_deg=22.0, ragged=0.01, **NEW))
