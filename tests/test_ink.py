"""Ink at the limbus: what is drawn is found where it is, and what is no ink is not."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import cv2
import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

import synthetic
from synthetic import InkMark, Lids, Light, Spot, Tool, View
from torsion.angles import wrap_rotation_deg
from torsion.cli import main
from torsion.files import to_json
from torsion.flags import FLAGS
from torsion.ink import find_ink, ink_mask
from torsion.ink_outline import agreed_outlines, outlined
from torsion.laterality import Laterality
from torsion.limbal_ring import unwrap_ring
from torsion.limbal_rows import COLUMNS, ring_places
from torsion.mark_frame import mark_frame
from torsion.marking import MarkOptions, read_marks
from torsion.marks import Mark, meridian_beside, offsets_from_marks, opposite_axis
from torsion.measurement import measure_pair
from torsion.photo import Ellipse
from torsion.point_marks import two_point_mark
from torsion.preparation import prepare
from torsion.rim import find_rim

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parent.parent
SCHEMA = json.loads((ROOT / "torsion/schemas/ink-1.json").read_text(encoding="utf-8"))
# Open eyes without glare; sensitivity and accuracy on hard ones: tests/benchmarks/ink_study.py.
OPEN = View(
    width_px=720,
    height_px=480,
    limbus_radius_px=130,
    lids=Lids(upper_cover=0.08, lower_gap=0.1, lashes=0.6, droop=0.0),
    light=Light(glints=(), vignetting=0.0, gradient=0.0),
)
CENTRE_DEG = 0.6  # of a direction: a hundredth of the limbus radius, to which its middle is found
FINDER_DEG = 0.5  # of a direction about the true limbus: ink is patchy, most so a mark of 8 degrees


@pytest.fixture(scope="module")
def eye():
    return synthetic.Eye(3, "OD", "hazel")


def drawn(eye, *marks, view=OPEN, seed=1, **changes):
    return synthetic.draw_picture(eye, replace(view, marks=marks, **changes), seed)


def true_limbus(picture):
    limbus = picture.limbus
    return Ellipse(limbus.x_px, limbus.y_px, limbus.major_px, limbus.minor_px, limbus.direction_deg)


def mark(direction_deg, width_deg=4.0, uncertainty_deg=0.4, **changes):
    made = Mark(
        direction_deg, width_deg, width_deg + 1.0, uncertainty_deg, 0.0, None, None, None, "violet",
        "seated", direction_deg, 1.3, 1.0, False, True,
    )  # fmt: skip
    return replace(made, **changes)


# ---- finding


def lid_as_pale_as_the_white(eye, color):
    """Lay a lid over the upper part of an open eye, and on it a bar across the hidden limbus."""
    picture = drawn(eye)
    limbus, rgb = true_limbus(picture), picture.rgb.copy()
    x, y, radius = limbus.x_px, limbus.y_px, limbus.radius_px
    white = rgb[round(y), round(x + 1.15 * radius)]
    rgb[: round(y - 0.6 * radius)] = np.maximum(white, 190)
    cv2.line(rgb, (round(x), round(y - 0.75 * radius)), (round(x), round(y - 1.25 * radius)), color, 9)
    return cv2.GaussianBlur(rgb, (0, 0), 1.0), limbus


def test_lashes_on_a_lid_as_pale_as_the_white_are_no_ink(eye):
    assert find_ink(*lid_as_pale_as_the_white(eye, (20, 18, 18))) == ()
    (stain,) = find_ink(*lid_as_pale_as_the_white(eye, (60, 20, 120)))  # no lash is violet
    assert stain.color == "violet"


def test_ink_that_reaches_the_edge_of_the_picture_ends_there(eye):
    picture = drawn(eye, InkMark(270.0, width_deg=5.0, color="blue", outer=1.4))
    limbus = true_limbus(picture)
    cut = picture.rgb[: round(limbus.y_px + 1.2 * limbus.radius_px)]
    (mark,) = read_marks(cut, eye="OD").marks
    assert abs(wrap_rotation_deg(mark.photo_direction_deg - picture.marks[0].picture_direction_deg)) < 1.0


def test_an_eye_without_ink_has_none(eye):
    picture = drawn(eye)
    assert find_ink(picture.rgb, true_limbus(picture)) == ()
    assert not ink_mask(picture.rgb, true_limbus(picture)).any()


@pytest.mark.parametrize("color", ["violet", "blue", "black", "brown"])
@pytest.mark.parametrize("width_deg", [2.0, 4.0, 8.0])
def test_a_mark_is_found_where_it_is(eye, color, width_deg):
    picture = drawn(eye, InkMark(10.0, width_deg=width_deg, color=color))
    (stain,) = find_ink(picture.rgb, true_limbus(picture))
    (truth,) = picture.marks
    assert abs(wrap_rotation_deg(stain.direction_deg - truth.picture_direction_deg)) < FINDER_DEG
    assert stain.width_deg == pytest.approx(truth.width_deg, rel=0.15)  # a quarter is the demand
    assert stain.extent_deg >= stain.width_deg
    assert stain.color == color


@pytest.mark.parametrize("changes", [{"smear": 0.5}, {"fading": 0.5}, {"slant_deg": 4.0}, {"outer": 1.15}])
def test_a_poor_mark_is_found_too(eye, changes):
    picture = drawn(eye, InkMark(190.0, width_deg=4.0, **changes))
    (stain,) = find_ink(picture.rgb, true_limbus(picture))
    (truth,) = picture.marks
    assert abs(wrap_rotation_deg(stain.direction_deg - truth.picture_direction_deg)) < FINDER_DEG
    assert stain.width_deg == pytest.approx(truth.width_deg, rel=0.25)


def test_a_turned_eye_turns_its_marks(eye):
    marks = InkMark(10.0), InkMark(185.0)
    first, second = drawn(eye, *marks), drawn(eye, *marks, rotation_deg=7.0)
    before = find_ink(first.rgb, true_limbus(first))
    after = find_ink(second.rgb, true_limbus(second))
    turns = [b.direction_deg - a.direction_deg for a, b in zip(before, after, strict=True)]
    assert turns == pytest.approx([7.0, 7.0], abs=FINDER_DEG)


@pytest.mark.parametrize(
    "changes",
    [
        {"spots": (Spot(10.0, radius=1.3, size_deg=6.0),)},
        {"spots": (Spot(170.0, radius=1.02, size_deg=7.0),)},
        {"spots": (Spot(20.0, radius=1.2, size_deg=4.0, color="slate"),)},
        {"surface": synthetic.Surface(redness=0.8)},
        {"surface": synthetic.Surface(arcus=0.6)},
        {"surface": synthetic.Surface(pterygium=0.25)},
        {"tools": (Tool(15.0, reach=0.8),)},
        {"tools": (Tool(200.0, reach=0.9, metal="titanium"),)},
        {"tools": (Tool(340.0, reach=0.9, metal="black"),)},
        {"lids": Lids(upper_cover=0.2, makeup=1.0)},
    ],
    ids=lambda changes: str(next(iter(changes.values())))[:40],
)
def test_what_is_no_ink_is_not_taken_for_it(eye, changes):
    picture = drawn(eye, **changes)
    assert find_ink(picture.rgb, true_limbus(picture)) == ()


def test_without_colour_nothing_is_said(eye):
    picture = drawn(eye, InkMark(10.0, color="black"))
    grey = np.repeat(picture.rgb[..., 1:2], 3, axis=2)
    assert find_ink(grey, true_limbus(picture)) == ()
    assert find_ink(picture.rgb[..., 1], true_limbus(picture)) == ()
    assert "ink_needs_colour" in read_marks(picture.rgb[..., 1]).flags


def test_what_a_clean_photo_shows_too_is_no_ink(eye):
    bar = InkMark(10.0, width_deg=3.0, color="brown")  # as a pigment line would look
    picture = drawn(eye, bar)
    limbus = true_limbus(picture)
    (alone,) = find_ink(picture.rgb, limbus)
    assert not alone.certain
    assert find_ink(picture.rgb, limbus, clean=picture.rgb) == ()
    (new,) = find_ink(picture.rgb, limbus, clean=drawn(eye).rgb)
    assert new.certain


def test_the_mask_covers_ink_on_an_oval_limbus():
    """As of an eye that looks aside: the ends of a mark near the long axis lie further out."""
    limbus = Ellipse(310.0, 310.0, 200.0, 162.0, 180.0)
    rows, columns = np.mgrid[:621, :621]
    angle = np.degrees(np.arctan2(310 - rows, columns - 310))
    edge = np.subtract(ring_places(limbus, np.ones(1), angle.ravel()), 310.0)
    radius = np.hypot(columns - 310, rows - 310) / np.hypot(*edge).reshape(621, 621)
    ink = (radius > 1.0) & (radius < 1.3) & (np.abs(angle - 10.0) < 2.0)
    photo = np.full((621, 621, 3), (225, 222, 215), np.uint8)
    photo[radius < 1.0] = 95, 70, 50
    photo[ink] = 40, 40, 150
    covered = ink_mask(cv2.GaussianBlur(photo, (0, 0), 1.5), limbus)
    assert covered[ink].all()


def test_the_mask_covers_the_ink_and_little_else(eye):
    picture, clean = drawn(eye, InkMark(10.0, color="blue")), drawn(eye)
    covered = ink_mask(picture.rgb, true_limbus(picture))
    changed = np.abs(picture.rgb.astype(int) - clean.rgb).max(axis=2) > 40
    assert changed.any()
    assert (changed & ~covered).sum() < 0.02 * changed.sum()
    assert covered.sum() < 3.5 * changed.sum()  # its margins are as broad as a thin mark


def test_the_ring_is_calm_on_white_and_on_blood(eye):
    picture = drawn(eye, surface=synthetic.Surface(redness=1.0, blood=0.6, blood_deg=0.0))
    ring = unwrap_ring(picture.rgb, true_limbus(picture))
    assert ring.ink.shape == (len(ring.radii), COLUMNS)
    beside = np.r_[0:80, COLUMNS - 80 : COLUMNS]  # within 20 degrees of the right, where the blood is
    assert np.median(ring.ink[ring.rows(1.1, 1.3)][:, beside]) < 0.1  # optical density; ink has 0.3 to 2


# ---- axis and meridians: arithmetic


def test_opposite_marks_have_an_axis():
    axis, flags = opposite_axis([mark(10.0), mark(192.0)], [8.0])
    assert axis is not None
    assert axis.axis_deg == pytest.approx(11.0)
    assert axis.bend_deg == pytest.approx(2.0)
    assert axis.offset_deg == pytest.approx(3.0)
    assert flags == []


@pytest.mark.parametrize(("ink", "rotation", "centre"), [(0.4, 1.0, 0.0), (0.4, 0.1, 0.3), (0.1, 2.0, 0.5)])
def test_the_axis_is_no_surer_than_errors_of_its_marks_make_it(ink, rotation, centre):
    rng = np.random.default_rng(0)
    turn, middle = rotation * rng.standard_normal(20_000), centre * rng.standard_normal(20_000)
    first, second = (ink * rng.standard_normal(20_000) for _ in range(2))
    ends = [turn + middle + first, turn - middle + second]  # a middle too high turns opposite ends apart
    marks = [
        mark(angle, uncertainty_deg=float(np.std(end)), rotation_uncertainty_deg=rotation)
        for angle, end in zip((90.0, 270.0), ends, strict=True)
    ]
    axis, _ = opposite_axis(marks)
    assert axis is not None
    error = float(np.std(np.mean(ends, axis=0)))
    assert 0.97 * error < axis.standard_uncertainty_deg < 1.03 * math.hypot(error, centre)


def test_the_axis_runs_across_the_wrap():
    axis, _ = opposite_axis([mark(359.0), mark(181.0)])
    assert axis is not None
    assert axis.axis_deg == pytest.approx(180.0)


@pytest.mark.parametrize(
    ("directions", "expected", "flags"),
    [
        ([10.0, 194.0], None, ["marks_not_opposite"]),
        ([10.0, 190.0, 100.0, 280.0], None, ["too_many_marks"]),
        ([10.0, 190.0, 100.0], 2, ["too_many_marks"]),
        ([10.0], None, []),
        ([10.0], 2, ["fewer_marks"]),
        ([], None, []),
        ([], 2, ["fewer_marks"]),
    ],
)
def test_there_is_no_axis_where_none_can_be_laid(directions, expected, flags):
    axis, found = opposite_axis([mark(angle) for angle in directions], expected=expected)
    assert axis is None
    assert found == flags
    assert all(FLAGS[name].verdict == "review" for name in flags)


def test_a_third_mark_does_not_spoil_the_axis():
    axis, flags = opposite_axis([mark(10.0), mark(100.0), mark(190.0)])
    assert axis is not None
    assert axis.marks == (0, 2)
    assert flags == []


def test_a_meridian_given_twice_is_one():
    found = read_marks(np.full((240, 320, 3), 120, np.uint8), meridians_deg=[0.0, 90.0, 180.0])
    assert [meridian.meridian_deg for meridian in found.meridians] == [180.0, 90.0]


def test_a_meridian_is_inside_the_ink_to_its_edge():
    ink = [mark(92.0, 4.0), mark(200.0)]
    assert meridian_beside(90.5, ink).inside_ink is True
    assert meridian_beside(89.5, ink).inside_ink is False
    beside = meridian_beside(15.0, ink)  # its other end, 195, is nearer
    assert beside.mark == 1
    assert beside.offset_deg == pytest.approx(5.0)
    assert meridian_beside(15.0, []).inside_ink is None


def test_offsets_count_from_the_nearest_mark():
    assert offsets_from_marks([5.0, 350.0], [mark(0.0), mark(180.0)]) == pytest.approx((5.0, -10.0))
    assert offsets_from_marks([5.0], []) == (None,)


def test_two_points_give_an_axis():
    found = two_point_mark((100.0, 100.0), (200.0, 100.0 - 100.0), photo="seated", meridians_deg=[40.0])
    assert found.axis_deg == pytest.approx(45.0)
    assert found.offset_deg == pytest.approx(5.0)
    # a pixel at each end of 141 pixels, across the line
    assert found.standard_uncertainty_deg == pytest.approx(math.degrees(math.sqrt(2) / math.hypot(100, 100)))


def test_two_points_must_differ_and_have_a_frame():
    with pytest.raises(ValueError, match=r"at least 2 pixels apart, not 0\.0"):
        two_point_mark((1.0, 1.0), (1.0, 1.0), photo="seated")
    with pytest.raises(ValueError, match="at least 2 pixels apart, not inf"):
        two_point_mark((1.0, 1.0), (math.inf, 1.0), photo="seated")
    with pytest.raises(ValueError, match="need the measurement"):
        two_point_mark((1.0, 1.0), (9.0, 1.0), photo="supine")


# ---- one and two photos


@pytest.fixture(scope="module")
def photos(eye, tmp_path_factory):
    """Clean and marked, seated and supine; the supine eye is turned by 6 degrees."""
    folder = tmp_path_factory.mktemp("ink")
    marks = InkMark(3.0, width_deg=4.0), InkMark(182.0, width_deg=4.0)
    spread = replace(marks[0], width_deg=6.5)
    supine = replace(OPEN, rotation_deg=6.0)
    pictures = {
        "seated": drawn(eye),
        "supine": drawn(eye, *marks, view=supine, seed=2),
        "seated-marked": drawn(eye, *marks, seed=3),
        "supine-spread": drawn(eye, spread, view=supine, seed=4),
        "supine-clean": drawn(eye, view=supine, seed=5),
    }
    for name, picture in pictures.items():
        Image.fromarray(picture.rgb).save(folder / f"{name}.png")
    return folder


def test_ink_of_the_supine_photo_is_carried_back(photos):
    found = read_marks(photos / "seated.png", photos / "supine.png", eye="OD", meridians_deg=[2.0])
    assert found.case == "supine_marked"
    assert found.verdict == "accept"
    directions = [mark.direction_deg for mark in found.marks]
    assert directions == pytest.approx([3.0, 182.0], abs=CENTRE_DEG)
    assert all(mark.photo == "supine" and mark.certain for mark in found.marks)
    assert found.axis is not None
    assert found.axis.axis_deg == pytest.approx(2.5, abs=CENTRE_DEG)
    assert found.meridians[0].inside_ink is True


def test_an_outline_that_was_missed_is_taken_from_the_other_photo(photos):
    first, second = prepare(photos / "seated.png", eye="OD"), prepare(photos / "supine.png", eye="OD")
    pair = measure_pair(first, second, eye="OD")
    right = outlined(first), outlined(second)
    assert agreed_outlines(*right, pair) == right
    limbus, in_cut = right[1].limbus, right[1].in_cut
    in_cut = replace(in_cut, y_px=in_cut.y_px - 0.1 * in_cut.radius_px)
    missed = replace(limbus, y_px=limbus.y_px - 0.1 * limbus.radius_px)
    wrong = replace(right[1], limbus=missed, in_cut=in_cut, rim=find_rim(right[1].pixels, in_cut))
    seated, supine = agreed_outlines(right[0], wrong, pair)
    assert seated is right[0]
    assert supine.limbus.y_px == pytest.approx(limbus.y_px, abs=0.02 * limbus.radius_px)
    assert agreed_outlines(right[0], wrong, None) == (right[0], wrong)  # nothing can be carried
    # However sure the edge of the white is: a middle that lies far off it is none.
    sure = replace(wrong, rim=replace(wrong.rim, covariance=right[1].rim.covariance / 100.0))
    assert agreed_outlines(right[0], sure, pair)[0] is right[0]


def test_outlines_that_stay_apart_make_directions_less_sure(photos):
    first, second = prepare(photos / "seated.png", eye="OD"), prepare(photos / "supine.png", eye="OD")
    pair = measure_pair(first, second, eye="OD")
    seated, supine = outlined(first), outlined(second)
    usual = mark_frame(seated, supine, pair).noise
    raised = replace(supine.limbus, y_px=supine.limbus.y_px - 0.08 * supine.limbus.radius_px)
    across, up = mark_frame(seated, replace(supine, limbus=raised), pair).noise
    assert across == pytest.approx(usual[0], abs=0.015)
    assert up == pytest.approx(0.08, abs=0.02)


def test_a_seated_photo_alone_is_read_against_its_level(photos):
    found = read_marks(photos / "seated-marked.png", eye="OD")
    assert found.case == "seated_marked"
    assert found.measurement is None
    directions = [mark.direction_deg for mark in found.marks]
    assert directions == pytest.approx([3.0, 182.0], abs=CENTRE_DEG)


def test_what_spread_and_what_was_lost_is_said(photos):
    found = read_marks(photos / "seated-marked.png", photos / "supine-spread.png", eye="OD")
    assert found.case == "both_marked"
    (kept,), (lost,) = found.marks, found.lost
    assert kept.change is not None
    assert kept.change.width_ratio == pytest.approx(6.5 / 4.0, rel=0.2)
    assert abs(kept.change.moved_deg) < CENTRE_DEG
    assert lost.direction_deg == pytest.approx(182.0, abs=CENTRE_DEG)
    assert {"ink_spread", "ink_lost"} <= set(found.flags)
    assert found.verdict == "review"


def test_no_mark_is_a_result(photos):
    found = read_marks(photos / "seated.png", photos / "supine-clean.png", eye="OD", meridians_deg=[10.0])
    assert (found.case, found.marks, found.axis) == ("none", (), None)
    assert "no_ink" in found.flags
    assert found.verdict == "accept"
    assert found.meridians[0].inside_ink is None


def test_ink_does_not_move_the_registration(photos):
    clean = measure_pair(photos / "seated.png", photos / "supine-clean.png", eye="OD")
    inked = measure_pair(photos / "seated.png", photos / "supine.png", eye="OD")
    assert inked.rotation_deg == pytest.approx(clean.rotation_deg, abs=0.05)  # degrees, as much as noise


@pytest.mark.parametrize(
    ("directions", "flag"),
    [((2.0, 172.0), "marks_not_opposite"), ((2.0, 182.0, 330.0, 215.0), "too_many_marks")],
)
def test_marks_through_which_no_axis_can_be_laid_are_for_review(eye, directions, flag):
    picture = drawn(eye, *(InkMark(angle, width_deg=4.0) for angle in directions), seed=6)
    found = read_marks(picture.rgb, eye="OD")
    assert len(found.marks) == len(directions)
    assert found.axis is None
    assert flag in found.flags
    assert found.verdict == "review"


def test_another_eye_refuses_and_carries_nothing(photos):
    other = drawn(synthetic.Eye(5, "OD", "blue"), InkMark(3.0), InkMark(182.0), seed=9)
    found = read_marks(photos / "seated.png", other.rgb, eye="OD")
    assert found.verdict == "refuse"
    assert found.axis is None
    assert all(mark.direction_deg is None for mark in found.marks)


def test_points_of_the_supine_photo_turn_back(photos):
    points = ((300.0, 240.0), (400.0, 240.0))
    found = read_marks(photos / "seated.png", photos / "supine.png", eye="OD", points_px=[points])
    (point,) = found.points
    assert point.photo_axis_deg == 180.0
    assert point.axis_deg == pytest.approx(174.0, abs=0.1)  # degrees; 6 counter-clockwise undone


def test_expected_marks_are_one_to_three():
    with pytest.raises(ValueError, match="1 to 3, not 4"):
        read_marks(np.zeros((300, 300, 3), np.uint8), options=MarkOptions(expected=4))


def test_a_seated_photo_stated_as_mirrored_is_read_as_if_it_were_not(photos, tmp_path):
    for name in ("seated", "seated-marked"):
        with Image.open(photos / f"{name}.png") as picture:
            picture.transpose(Image.Transpose.FLIP_LEFT_RIGHT).save(tmp_path / f"{name}.png")
    points = [((300.0, 200.0), (400.0, 240.0))]
    flipped = [((719.0 - 300.0, 200.0), (719.0 - 400.0, 240.0))]  # as displayed; the picture is 720 wide
    options = MarkOptions(seated_mirrored=True)
    alone = read_marks(photos / "seated-marked.png", eye="OD", points_px=points)
    again = read_marks(tmp_path / "seated-marked.png", eye="OD", points_px=flipped, options=options)
    assert [mark.direction_deg for mark in again.marks] == [mark.direction_deg for mark in alone.marks]
    assert again.points[0].axis_deg == alone.points[0].axis_deg
    pair = read_marks(tmp_path / "seated.png", photos / "supine.png", eye="OD", options=options)
    assert [mark.direction_deg for mark in pair.marks] == pytest.approx([3.0, 182.0], abs=CENTRE_DEG)
    assert pair.measurement.options.seated_mirrored


@pytest.mark.parametrize(("turn_deg", "mirrored"), [(90, False), (270, False), (90, True)])
def test_lashes_at_the_side_of_a_turned_picture_are_no_ink(turn_deg, mirrored):
    eye = synthetic.random_eye(np.random.default_rng(7105))
    views = synthetic.draw_views(eye, "moderate", np.random.default_rng(1))
    mark = InkMark(182.0, width_deg=4.0)
    seated = prepare(synthetic.draw_picture(eye, views[0], 1).rgb, eye=eye.laterality)
    # As seen: the picture is turned after it was mirrored.
    options = MarkOptions(mirrored=mirrored, turned_deg=360 - turn_deg if mirrored else turn_deg)
    for marks in ((), (mark,)):
        view = replace(views[1], turn_deg=turn_deg, mirrored=mirrored, marks=marks)
        found = read_marks(seated, synthetic.draw_picture(eye, view, 2).rgb, options=options)
        assert found.verdict != "refuse"
        assert len(found.marks) == len(marks)
    upright = mark.direction_deg + view.rotation_deg
    shown = (180.0 - upright if mirrored else upright) + turn_deg
    assert abs(wrap_rotation_deg(found.marks[0].photo_direction_deg - shown)) < 2 * CENTRE_DEG
    assert (
        abs(wrap_rotation_deg(found.marks[0].direction_deg - 182.0 - views[0].rotation_deg)) < 2 * CENTRE_DEG
    )


def test_a_refused_photo_has_no_axis(photos):
    prepared = prepare(photos / "seated-marked.png", eye="OD")
    assert read_marks(prepared, eye="OD").axis is not None
    found = read_marks(replace(prepared, laterality=Laterality("OS")), eye="OD")
    assert found.verdict == "refuse"
    assert len(found.marks) == 2
    assert found.axis is None


# ---- command


def run(*arguments):
    return CliRunner().invoke(main, ["ink", *(str(argument) for argument in arguments)])


def test_json_follows_the_schema_and_repeats(photos):
    pair = photos / "seated.png", photos / "supine.png", "--eye", "OD", "--meridian", "2", "--json", "-"
    first, second = run(*pair), run(*pair)
    assert first.exit_code == 0
    assert first.stderr == ""
    assert first.stdout == second.stdout
    record = json.loads(first.stdout)
    jsonschema.Draft202012Validator(SCHEMA).validate(record)
    assert to_json(record) == first.stdout
    assert record["measurement"]["schema"] == "torsion/measurement/1"
    assert record["marks"][0]["holds_meridian"] is True


def test_text_says_what_matters(photos):
    result = run(photos / "seated-marked.png", "--eye", "OD", "--meridian", "45")
    assert result.exit_code == 0
    assert "violet" in result.stdout
    assert "meridian_outside_ink" in result.stdout
    assert "pen mark can cover up to about five degrees" in " ".join(result.stdout.split())


def test_text_says_offsets_by_their_sense_and_what_of_the_ink_is_left(photos):
    said = run(photos / "seated-marked.png", "--eye", "OD", "--meridian", "45").stdout
    assert re.search(r"42\.\d° clockwise from meridian 45\.0°, which lies outside the ink", said)
    said = run(photos / "seated-marked.png", photos / "supine-clean.png", "--eye", "OD").stdout
    assert "ink in the seated photo, none found in the supine one" in said
    other = synthetic.draw_picture(synthetic.Eye(9, "OD", "blue"), OPEN, 8)
    Image.fromarray(other.rgb).save(photos / "another-eye.png")
    points = ("--points", "300,200,400,260", "--meridian", "2")
    said = run(photos / "another-eye.png", photos / "supine.png", "--eye", "OD", *points).stdout
    assert "ink found, but not carried, since the photos are refused" in said
    assert "the ink is not carried to it" in said
    assert re.search(r"Two points +149\.0° in the supine photo; not carried", said)


@pytest.mark.parametrize("names", [("seated", "supine"), ("seated-marked",)])
def test_the_picture_is_drawn(photos, names, tmp_path):
    target = tmp_path / "ink.png"
    files = [photos / f"{name}.png" for name in names]
    assert run(*files, "--eye", "OD", "--meridian", 2, "--picture", target).exit_code == 0
    with Image.open(target) as picture:
        assert picture.size[0] > 1000


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (("missing.png", "--eye", "OD"), 1, "does not exist"),
        (("seated.png",), 2, "--eye"),
        (("seated.png", "--eye", "OD", "--meridian", "190"), 2, "0 to 180"),
        (("seated.png", "--eye", "OD", "--points", "1,2,3"), 2, "X,Y,X,Y"),
        (("seated.png", "--eye", "OD", "--points", "1,2,1,2"), 2, "at least 2 pixels"),
        (("seated.png", "--eye", "OD", "--marks", "4"), 2, "4"),
    ],
)
def test_wrong_usage_is_said(photos, arguments, status, words):
    file, *rest = arguments
    result = run(photos / file, *rest)
    assert result.exit_code == status
    assert words in result.output
