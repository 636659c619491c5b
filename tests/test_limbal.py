"""The ring about the limbus and the bars across it, on eyes painted here by a few lines of arithmetic."""

import cv2
import numpy as np
import pytest

from torsion.angles import wrap_rotation_deg
from torsion.ink import find_ink
from torsion.limbal_bar import rough_edges
from torsion.limbal_outline import checked_outline
from torsion.limbal_ring import unwrap_ring
from torsion.limbal_rows import COLUMNS, STEP_DEG
from torsion.limbal_sides import fit_sides
from torsion.photo import Ellipse
from torsion.rim import find_rim

SIDE, CENTRE, RADIUS = 601, 300, 180.0
LIMBUS = Ellipse(CENTRE, CENTRE, RADIUS, RADIUS, 180.0)
FLANKS = slice(80, 92), slice(140, 152)  # degrees 20 to 23 and 35 to 38: white beside the bars below
WHITE, IRIS, SKIN, FLESH = (228, 214, 200), (80, 58, 44), (196, 142, 116), (216, 140, 130)
BLUE, BLACK, BROWN = (40, 62, 150), (30, 30, 36), (100, 62, 40)
NAEVUS, PALE_BROWN = (150, 112, 90), (118, 80, 58)
ROW, COLUMN = np.mgrid[:SIDE, :SIDE]
UP = (CENTRE - ROW) / RADIUS
RIGHT = (COLUMN - CENTRE) / RADIUS
OUT = np.hypot(RIGHT, UP)
ANGLE_DEG = np.degrees(np.arctan2(UP, RIGHT))


def away_deg(direction_deg):
    return wrap_rotation_deg(ANGLE_DEG - direction_deg)


def painted(*layers):
    """Paint an iris on white between two lids, and layers (mask, colour) on it, blurred as by a lens."""
    picture = np.empty((SIDE, SIDE, 3), np.float32)
    picture[:] = WHITE
    for mask, colour in ((OUT < 1.0, IRIS), *layers, (np.abs(UP) > 0.95, SKIN)):
        picture[mask] = colour
    return np.clip(cv2.GaussianBlur(picture, (0, 0), 2.0), 0, 255).astype(np.uint8)


def bar(direction_deg, width_deg=4.0, outer=1.30, lean=0.0):
    """Give the mask of a bar; it leans by so many degrees for each radius outwards."""
    middle = away_deg(direction_deg) - lean * (OUT - 1.0)
    return (np.abs(middle) < width_deg / 2) & (OUT > 0.96) & (outer > OUT)


def spot(direction_deg, radius, size):
    angle = np.radians(direction_deg)
    return np.hypot(RIGHT - radius * np.cos(angle), UP - radius * np.sin(angle)) < size


def shaft(direction_deg, lean_deg, breadth):
    """Give the mask of a straight instrument whose tip lies at the limbus, leaning from straight outwards."""
    tip, way = np.radians(direction_deg), np.radians(direction_deg + lean_deg)
    right, up = RIGHT - np.cos(tip), UP - np.sin(tip)
    along, across = right * np.cos(way) + up * np.sin(way), up * np.cos(way) - right * np.sin(way)
    return (along > -0.03) & (np.abs(across) < breadth / 2)


# ---- the edge of the white


@pytest.mark.parametrize(("across", "up"), [(0.0, 0.0), (0.02, 0.0), (0.0, -0.015)])
def test_the_rim_finds_its_middle_beside_a_wrong_outline(across, up):
    wrong = Ellipse(CENTRE - across * RADIUS, CENTRE + up * RADIUS, RADIUS, RADIUS, 180.0)
    rim = find_rim(painted(), wrong)
    assert rim.middle == pytest.approx([across, up], abs=0.003)  # limbus radii: half a pixel
    assert rim.covariance[1, 1] > rim.covariance[0, 0] > 0.0  # lids hide what tells the height


def test_without_white_the_rim_is_the_outline():
    rim = find_rim(np.full((SIDE, SIDE, 3), 120, np.uint8), LIMBUS)
    assert (rim.stretch == 1.0).all()
    assert rim.covariance[0, 0] == pytest.approx(0.03**2)


# ---- the outline


def test_an_outline_pulled_aside_is_moved_to_the_white():
    wrong = Ellipse(CENTRE, CENTRE - 0.12 * RADIUS, 1.05 * RADIUS, 1.05 * RADIUS, 180.0)
    outline, rim = checked_outline(painted(), wrong)
    # pixels: a hundredth of the radius, half a degree of direction
    assert (outline.x_px, outline.y_px) == pytest.approx((CENTRE, CENTRE), abs=0.01 * RADIUS)
    assert np.hypot(*rim.middle) < 0.01


def test_an_outline_that_is_nearly_right_is_kept():
    near = Ellipse(CENTRE, CENTRE - 0.02 * RADIUS, RADIUS, RADIUS, 180.0)
    assert checked_outline(painted(), near)[0] is near


def test_the_inner_edge_of_a_grey_ring_is_not_the_limbus():
    grey = (OUT > 0.80) & (OUT < 0.94), (150, 152, 150)
    inner = Ellipse(CENTRE, CENTRE, 0.8 * RADIUS, 0.8 * RADIUS, 180.0)
    outline, _ = checked_outline(painted(grey), inner)
    assert outline.radius_px == pytest.approx(RADIUS, rel=0.02)
    assert checked_outline(painted(grey), LIMBUS)[0] is LIMBUS


def test_without_white_the_outline_is_kept():
    assert checked_outline(np.full((SIDE, SIDE, 3), 120, np.uint8), LIMBUS)[0] is LIMBUS


def test_flesh_between_white_is_part_of_the_eye_and_a_lid_is_not():
    ring = unwrap_ring(painted((np.abs(away_deg(0.0)) < 10.0, FLESH), (OUT < 1.0, IRIS)), LIMBUS)
    share = ring.white[ring.rows(1.05, 1.2)].mean(axis=0)
    assert share[round(2.0 / STEP_DEG)] > 0.9
    assert share[round(90.0 / STEP_DEG)] < 0.1


def test_shade_and_skin_are_no_stain_and_blue_ink_is():
    picture = painted((bar(180.0), BLUE)).astype(float)
    picture[:, CENTRE:] *= 0.6  # the right half in shade
    ring = unwrap_ring(picture.astype(np.uint8), LIMBUS)
    stain = ring.stain[ring.rows(1.05, 1.2)].mean(axis=0)
    assert stain[round(180.0 / STEP_DEG)] > 0.3
    assert np.abs(stain[: round(30.0 / STEP_DEG)]).max() < 0.05
    assert stain[round(80.0 / STEP_DEG) : round(100.0 / STEP_DEG)].max() < 0.05


# ---- sides


def profile(start, end, out, *, soft=0.5):
    """Rows of a bar with both sides leaning by 10 degrees a radius."""
    at = np.arange(240) * STEP_DEG - 10.0 * out[:, None]
    return np.clip((at - start) / soft + 0.5, 0, 1) * np.clip((end - at) / soft + 0.5, 0, 1)


def test_the_sides_of_a_leaning_bar_are_read_at_the_limbus():
    radii = np.arange(1.03, 1.25, 0.01)
    sides = fit_sides(radii, profile(27.0, 31.0, radii - 1.0), (28.0, 32.0), flanks=FLANKS)
    assert sides is not None
    # degrees; a lean of 10 is held back by the spread of 15 that pens have, by far less than a column
    assert (sides.start_deg, sides.end_deg) == pytest.approx((27.0, 31.0), abs=STEP_DEG / 2)
    assert sides.slope == pytest.approx(10.0, abs=1.0)
    assert sides.ragged_deg < 0.1


def test_a_thin_patch_at_one_side_moves_it_little():
    radii = np.arange(1.03, 1.25, 0.01)
    red = profile(27.0, 31.0, np.zeros(len(radii)))
    red[:, : round(29.0 / STEP_DEG)] *= 0.6  # half of the level of all the ink lies almost at its top here
    sides = fit_sides(radii, red, (27.2, 31.0), flanks=FLANKS)
    assert sides is not None
    assert sides.start_deg == pytest.approx(27.0, abs=STEP_DEG)


def test_a_spot_has_no_parallel_sides():
    radii = np.arange(1.03, 1.17, 0.01)
    half = np.degrees(np.sqrt(np.clip(0.07**2 - (radii - 1.10) ** 2, 0, None)))[:, None]
    at = np.arange(240) * STEP_DEG - 30.0
    round_one = fit_sides(radii, np.clip((half - np.abs(at)) / 0.5 + 0.5, 0, 1), (27.0, 33.0), flanks=FLANKS)
    assert round_one is not None
    assert round_one.ragged_deg / (round_one.end_deg - round_one.start_deg) > 0.05


def test_too_few_rows_have_no_sides():
    radii = np.array([1.03, 1.04])
    assert fit_sides(radii, profile(27.0, 31.0, radii - 1.0), (27.0, 31.0), flanks=FLANKS) is None


# ---- ink


@pytest.mark.parametrize(("colour", "lean"), [(BLUE, 0.0), (BLACK, 12.0), (BROWN, 0.0), (BLUE, 12.0)])
def test_a_bar_is_found_at_its_place_and_width(colour, lean):
    (stain,) = find_ink(painted((bar(170.0, lean=lean), colour)), LIMBUS)
    assert wrap_rotation_deg(stain.direction_deg - 170.0) == pytest.approx(0.0, abs=0.3)  # degrees, a pixel
    assert stain.width_deg == pytest.approx(4.0, abs=0.3)


def test_ink_on_flesh_is_found():
    flesh = (np.abs(away_deg(0.0)) < 12.0) & (OUT > 1.0)
    (stain,) = find_ink(painted((flesh, FLESH), (bar(2.0), BLACK)), LIMBUS)
    assert stain.direction_deg == pytest.approx(2.0, abs=0.2)


def test_ink_on_redness_all_about_the_limbus_is_found():
    red = (OUT > 1.0) & (1.18 + 0.03 * np.cos(np.radians(9.0 * ANGLE_DEG)) > OUT)
    picture = painted((red, (212, 150, 148)), (bar(8.0, 4.5), (118, 78, 132)))
    ring = unwrap_ring(picture, LIMBUS)
    assert ring.white[ring.rows(1.05, 1.1)][:, round(-25.0 / STEP_DEG)].all()  # white lies beyond it
    (stain,) = find_ink(picture, LIMBUS)
    assert stain.direction_deg == pytest.approx(8.0, abs=0.2)
    assert stain.width_deg == pytest.approx(4.5, abs=0.3)


def test_a_mark_that_a_lid_meets_is_found_and_said_to_be_covered():
    lid = (UP > 0.36) & (RIGHT > 0.9)  # over one outer corner
    (stain,) = find_ink(painted((bar(15.0, 6.0), BLUE), (lid, SKIN)), LIMBUS)
    assert stain.direction_deg == pytest.approx(15.0, abs=0.4)
    assert stain.covered


def test_a_mark_close_to_a_lid_is_found():
    lid = (UP > 0.30) & (RIGHT > 0.9)  # 7 degrees from the mark's edge, where the white is judged as a rule
    before = painted((lid, SKIN))
    (stain,) = find_ink(painted((bar(5.0, 8.0), BROWN), (lid, SKIN)), LIMBUS, clean=before)
    assert stain.direction_deg == pytest.approx(5.0, abs=0.4)
    assert stain.width_deg == pytest.approx(8.0, rel=0.1)


def test_a_mark_is_found_where_a_lid_leaves_white_beside_it_at_the_limbus_alone():
    lid = (UP > 0.30 - 3.0 * (RIGHT - 1.0)) & (RIGHT > 0.85)  # it comes in aslant and hides the outer rows
    before, marked = painted((lid, SKIN)), painted((bar(8.0, 5.0), BROWN), (lid, SKIN))
    assert find_ink(marked, LIMBUS, clean=before, most=24) == ()  # by the longer rows alone
    (stain,) = find_ink(marked, LIMBUS, clean=before)
    assert stain.direction_deg == pytest.approx(8.0, abs=0.3)
    assert stain.width_deg == pytest.approx(5.0, rel=0.1)
    assert stain.covered
    assert find_ink(before, LIMBUS, clean=before) == ()


@pytest.mark.parametrize(
    "layers",
    [
        ((spot(180.0, 1.09, 0.07), BROWN),),
        ((spot(10.0, 1.07, 0.06), (120, 128, 140)),),
        ((spot(10.0, 1.05, 0.04), BROWN),),
        ((bar(0.0, 5.0, outer=1.7), BLUE),),
        ((bar(180.0, 3.0, outer=1.7), BLACK),),
        ((bar(70.0, 1.0), BLACK),),
    ],
    ids=["naevus", "slate", "dot", "blue instrument", "black instrument", "lash"],
)
def test_what_is_no_mark_is_none(layers):
    assert find_ink(painted(*layers), LIMBUS) == ()


def test_a_short_broad_bar_with_ruled_sides_is_ink():
    (stain,) = find_ink(painted((bar(0.0, 7.0, outer=1.12), BROWN)), LIMBUS)  # 0.7 mm long, 0.75 broad
    assert stain.width_deg == pytest.approx(7.0, rel=0.1)
    assert not stain.certain  # nothing but its sides tells it from pigment


def test_bluish_metal_that_fades_on_the_white_is_no_ink():
    shaft = bar(190.0, 2.7, outer=1.7, lean=-30.0), (208, 206, 202)
    tip = bar(190.0, 2.7, outer=1.16, lean=-30.0), (190, 198, 202)
    assert find_ink(painted(shaft, tip), LIMBUS) == ()


@pytest.mark.parametrize("lean_deg", [-50.0, -40.0, 40.0, 50.0])
@pytest.mark.parametrize("breadth", [0.03, 0.06])
def test_an_instrument_that_points_beside_the_middle_is_no_ink(lean_deg, breadth):
    whole = shaft(0.0, lean_deg, breadth)
    steel = painted((whole, (106, 106, 112)), (whole & (OUT < 1.25), (52, 54, 60)))  # it shines further out
    assert find_ink(steel, LIMBUS) == ()
    assert find_ink(steel, LIMBUS, clean=painted()) == ()


def test_ink_that_has_run_is_found_beside_the_clean_photo():
    waist = 7.0 - 4.0 * np.sin((OUT - 1.0) * 30.0)
    run = (np.abs(away_deg(0.0)) < waist / 2) & (OUT > 0.96) & (OUT < 1.22)
    marked = painted((run, BLACK))
    assert find_ink(marked, LIMBUS) == ()  # as ragged as pigment may be
    (stain,) = find_ink(marked, LIMBUS, clean=painted())
    assert wrap_rotation_deg(stain.direction_deg) == pytest.approx(0.0, abs=0.4)
    assert stain.certain


@pytest.mark.parametrize("colour", [BLUE, BLACK])
def test_shine_on_ink_is_looked_through(colour):
    lamp = spot(1.0, 1.10, 0.05)  # on one half of the mark
    plain, shining = (painted((bar(0.0, 6.0), colour), *lit) for lit in ((), ((lamp, (255, 255, 255)),)))
    (expected,), (found,) = find_ink(plain, LIMBUS), find_ink(shining, LIMBUS)
    assert abs(wrap_rotation_deg(found.direction_deg - expected.direction_deg)) < 0.3
    assert found.width_deg == pytest.approx(expected.width_deg, rel=0.1)


def test_a_tapered_stroke_is_as_wide_as_at_the_limbus():
    tapered = (np.abs(away_deg(0.0)) < 4.0 * (1.0 - (OUT - 1.0) / 0.6)) & (OUT > 0.96) & (OUT < 1.35)
    (stain,) = find_ink(painted((tapered, BLUE)), LIMBUS)
    assert stain.width_deg == pytest.approx(8.0, rel=0.1)  # half as wide at 1.3 radii


def test_what_shine_hides_in_the_clean_photo_is_not_new():
    brown, grey = (spot(180.0, 1.09, 0.07), BROWN), (OUT >= 1.0, (150, 140, 130))
    hidden = painted(grey, brown, (spot(180.0, 1.09, 0.12), (255, 255, 255)))
    assert find_ink(painted(grey, brown), LIMBUS, clean=hidden) == ()


def test_the_same_bar_is_measured_once_however_many_peaks_it_has():
    ring = unwrap_ring(painted((bar(0.0, 8.0, outer=1.25), BLUE)), LIMBUS)
    edges = [rough_edges(ring, at, channel="ink") for at in (-8, 0, 8)]  # 2 degrees aside, and the middle
    assert all(found is not None for found in edges)
    assert np.ptp(np.array(edges), axis=0) == pytest.approx([0.0, 0.0], abs=0.1)  # degrees


def test_what_a_lid_hides_in_the_clean_photo_is_not_new():
    brown = spot(180.0, 1.09, 0.07), BROWN
    hidden = painted(brown, (RIGHT < -0.9, SKIN))
    assert find_ink(painted(brown), LIMBUS, clean=hidden) == ()


def test_the_ring_has_a_column_for_each_quarter_of_a_degree():
    assert COLUMNS * STEP_DEG == 360.0


@pytest.mark.parametrize(("aside_deg", "size"), [(4.0, 0.07), (6.0, 0.07), (6.0, 0.09)])
def test_brown_beside_a_naevus_is_read_from_what_has_come(aside_deg, size):
    naevus = spot(10.0 + aside_deg, 1.05, size), NAEVUS
    marked, clean = painted(naevus, (bar(10.0), PALE_BROWN)), painted(naevus)
    assert find_ink(marked, LIMBUS) == ()
    (stain,) = find_ink(marked, LIMBUS, clean=clean)
    assert stain.color == "brown"
    assert abs(wrap_rotation_deg(stain.direction_deg - 10.0)) < 0.5
    assert stain.width_deg == pytest.approx(4.0, rel=0.15)
    assert find_ink(clean, LIMBUS, clean=clean) == ()
