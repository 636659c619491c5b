"""Axis of a lens read in a photo: geometry by itself, then drawn photos, then the baseline that is kept."""

import json
import math
from dataclasses import replace

import made_up
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

import synthetic
from torsion.angles import axis_difference_deg
from torsion.axis import transfer_axis
from torsion.errors import TorsionError
from torsion.intake import photo_from_array
from torsion.lens_marks import against_plan, lens_axis
from torsion.lens_rotation import read_baseline
from torsion.measurement import measure_pair
from torsion.toric import expected_cylinder_d

CENTRE = np.array([160.123456, 120.0])  # of the limbus in made-up photos; its radius is 82 pixels


def turned(rotation_deg, *, mirrored=False, scale=1.0, **changes):
    """Return a made-up measurement whose map turns the eye about its centre."""
    angle = math.radians(rotation_deg)
    linear = scale * np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    if mirrored:
        linear = np.diag([-1.0, 1.0]) @ linear
    matrix = np.column_stack([linear, CENTRE - linear @ CENTRE])
    return made_up.accepted(matrix=matrix, rotation_deg=rotation_deg, **changes)


def line(direction_deg, *, radius=40.0, steps=(-1.0, 1.0), shift=(0.0, 0.0)):
    """Return points on a line through the centre of the eye."""
    angle = math.radians(direction_deg)
    along = np.array([math.cos(angle), -math.sin(angle)])
    return [tuple(CENTRE + np.asarray(shift) + radius * step * along) for step in steps]


# ---- geometry ----


@given(st.floats(0.0, 180.0), st.floats(-90.0, 90.0), st.floats(0.5, 2.0))
def test_axis_is_turned_back_by_the_rotation(photo_deg, rotation_deg, scale):
    found = lens_axis(turned(rotation_deg, scale=scale), line(photo_deg))
    assert abs(axis_difference_deg(found.photo_deg, photo_deg)) < 1e-9
    assert abs(axis_difference_deg(found.axis_deg, photo_deg - rotation_deg)) < 1e-9


@given(st.floats(0.0, 180.0), st.floats(-30.0, 30.0))
def test_mirrored_photo_is_mirrored_back(photo_deg, rotation_deg):
    found = lens_axis(turned(rotation_deg, mirrored=True), line(photo_deg))
    assert abs(axis_difference_deg(found.axis_deg, 180.0 - photo_deg - rotation_deg)) < 1e-9


def test_where_the_line_lies_and_in_which_order_does_not_matter():
    made = turned(4.0)
    straight = lens_axis(made, line(30.0)).axis_deg
    moved = lens_axis(made, line(30.0, shift=(6.0, -4.0))[::-1]).axis_deg
    assert_allclose(moved, straight, rtol=0, atol=1e-9)


def test_reading_uncertainty_is_that_of_a_line_through_two_points():
    found = lens_axis(turned(0.0), line(90.0), point_px=2.0)
    assert_allclose(found.reading_deg, math.degrees(2.0 * math.sqrt(2.0) / 80.0), rtol=1e-12)
    assert_allclose(found.standard_uncertainty_deg, math.hypot(0.02, found.reading_deg), rtol=1e-12)


def test_reading_uncertainty_is_what_scattered_points_show():
    rng, made = np.random.default_rng(3), turned(0.0)
    steps = (-1.0, -0.8, -0.6, 0.6, 0.8, 1.0)
    found = [
        lens_axis(made, line(45.0, steps=steps) + rng.normal(0.0, 2.0, (6, 2)), point_px=2.0)
        for _ in range(400)
    ]
    errors = np.array([axis_difference_deg(one.axis_deg, 45.0) for one in found])
    stated = np.array([one.reading_deg for one in found])
    # 400 draws give a standard deviation within 10 %; stated is never below that of the points
    assert 0.75 < np.std(errors) / np.sqrt(np.mean(stated**2)) < 1.1


@pytest.mark.parametrize(
    ("points", "flags"),
    [
        (line(20.0), ()),
        (line(20.0, shift=(-10.0, -20.0)), ("marks_off_centre",)),
        ([*line(0.0), (CENTRE[0], CENTRE[1] + 15.0)], ("marks_not_in_line",)),
    ],
)
def test_flags_of_the_marks(points, flags):
    assert lens_axis(turned(0.0), points).flags == flags


def test_refused_photo_gives_no_axis():
    made = turned(5.0)
    refused = replace(made, verdict="refuse", axis=transfer_axis(90.0, None, None))
    found = lens_axis(refused, line(30.0))
    assert (found.axis_deg, found.standard_uncertainty_deg) == (None, None)
    assert against_plan(refused, found) is None


def test_against_the_plan():
    made = turned(6.0, axis=transfer_axis(90.0, 6.0, 0.02, frame="level"))
    lens = lens_axis(made, line(99.0))
    found = against_plan(made, lens, cylinder_d=2.0)
    assert_allclose([found.surgical_deg, found.off_deg], [96.0, 3.0], rtol=0, atol=1e-9)
    assert_allclose(
        found.standard_uncertainty_deg, math.hypot(lens.standard_uncertainty_deg, 2.0), rtol=1e-12
    )
    expected = expected_cylinder_d(2.0, 2.0, found.standard_uncertainty_deg, off_deg=found.off_deg)
    assert_allclose(found.expected_d, expected, rtol=1e-12)
    assert against_plan(made, lens).expected_d is None
    assert against_plan(replace(made, axis=None), lens) is None


@pytest.mark.parametrize(
    ("points", "options", "message"),
    [
        ([(160.0, 120.0)], {}, r"at least 2 points on its marks, not 1"),
        ([], {}, r"at least 2 points on its marks, not 0"),
        ([(160.0, 20.0), (160.0, 150.0)], {}, r"mark 160,20 lies outside the limbus .*radius 82 pixels"),
        ([(math.nan, 20.0), (160.0, 150.0)], {}, r"mark nan,20 lies outside the limbus"),
        ([(160.0, 120.0), (165.0, 120.0)], {}, r"the marks are 5 pixels apart.*25 or more apart"),
        (line(10.0), {"point_px": 0.0}, r"above 0 and below the limbus radius, not 0 pixels"),
    ],
)
def test_points_that_make_no_axis_are_named(points, options, message):
    with pytest.raises(ValueError, match=message):
        lens_axis(turned(0.0), points, **options)


def test_no_eye_in_the_photo():
    with pytest.raises(ValueError, match="no eye was found in the photo with the marks"):
        lens_axis(made_up.nothing_found(), line(0.0))


# ---- drawn photos ----


@pytest.mark.slow
def test_axis_in_dilated_photos_of_drawn_eyes():
    # The lens lies in the plane of the iris, deeper than the limbus, behind a dilated pupil.
    errors, stated = [], []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        eye = synthetic.random_eye(rng)
        first, second = synthetic.draw_pair(eye, "dilated", rng, rotation_deg=float(rng.uniform(-10, 10)))
        axis_deg = float(rng.uniform(0.0, 180.0))

        def ends(view, eye=eye, axis_deg=axis_deg):
            x, y = synthetic.project(eye, view, [axis_deg, axis_deg + 180.0], 0.45, surface="iris")
            return list(zip(x.tolist(), y.tolist(), strict=True))

        found = measure_pair(photo_from_array(first.rgb), photo_from_array(second.rgb))
        if found.verdict == "refuse":
            continue
        (x0, y0), (x1, y1) = ends(first.view)
        truth = math.degrees(math.atan2(y0 - y1, x1 - x0))
        lens = lens_axis(found, ends(second.view))
        errors.append(axis_difference_deg(lens.axis_deg, truth))
        stated.append(lens.registration_deg)
    assert len(errors) >= 3
    assert np.all(np.abs(errors) < 0.5)  # degrees; exact points, so only the map errs, which it does by 0.1


# ---- the baseline ----


def kept(**changes):
    sha256 = {"seated": "a" * 64, "photo": "b" * 64}
    lens = {"axis_deg": 91.5, "standard_uncertainty_deg": 0.4}
    record = {"eye": "OD", "at_surgery": True, "lens": lens, "record": {"sha256": sha256}}
    return json.loads(json.dumps(record | changes))


def test_baseline_reads_back():
    found = read_baseline(kept(), eye="OD", seated_sha256="a" * 64)
    assert (found.axis_deg, found.standard_uncertainty_deg, found.at_surgery) == (91.5, 0.4, True)


@pytest.mark.parametrize(
    ("record", "eye", "sha256", "message"),
    [
        (kept(), "OS", "a" * 64, r"baseline is of the other eye \(OD, not OS\)"),
        (kept(), "OD", "c" * 64, r"another seated photo.*use the same seated photo"),
        (kept(lens=None), "OD", "a" * 64, r"must hold an axis read in a photo"),
        (kept(lens={"axis_deg": None}), "OD", "a" * 64, r"must hold an axis read in a photo"),
        (kept(record={"version": "1"}), "OD", "a" * 64, r"must hold an axis read in a photo"),
    ],
)
def test_baseline_of_something_else_is_refused(record, eye, sha256, message):
    with pytest.raises(TorsionError, match=message):
        read_baseline(record, eye=eye, seated_sha256=sha256)
