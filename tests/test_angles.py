"""Wrapping, differences and reading of angles."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from torsion.angles import (
    axis_difference_deg,
    direction_deg,
    mirror_axis_deg,
    mirror_direction_deg,
    read_axis_deg,
    read_direction_deg,
    read_eye,
    rotation_name,
    unit_vector,
    wrap_axis_deg,
    wrap_direction_deg,
    wrap_rotation_deg,
)

EXACT_DEG = 1e-9  # degrees; rounding of angles up to a few thousand degrees
angles = st.floats(-2000.0, 2000.0)


@given(angles)
def test_ranges(angle):
    assert 0.0 < wrap_axis_deg(angle) <= 180.0
    assert 0.0 <= wrap_direction_deg(angle) < 360.0
    assert -180.0 <= wrap_rotation_deg(angle) < 180.0
    assert -90.0 <= axis_difference_deg(angle, 12.0) < 90.0


@given(angles, st.integers(-5, 5))
def test_whole_turns_change_nothing(angle, count):
    for wrap, period in ((wrap_axis_deg, 180.0), (wrap_direction_deg, 360.0), (wrap_rotation_deg, 360.0)):
        step = (wrap(angle + count * period) - wrap(angle)) / period
        assert_allclose(step, round(step), rtol=0, atol=EXACT_DEG)  # the ends of a range are the same angle


@pytest.mark.parametrize(
    ("angle", "axis"), [(0.0, 180.0), (180.0, 180.0), (360.0, 180.0), (-1e-20, 180.0), (181.0, 1.0)]
)
def test_a_horizontal_axis_is_180(angle, axis):
    assert wrap_axis_deg(angle) == axis


def test_a_tiny_negative_direction_is_0_not_360():
    assert wrap_direction_deg(-1e-20) == 0.0


def test_arrays_are_wrapped_like_numbers():
    values = np.array([-10.0, 0.0, 190.0, 359.0])
    assert_allclose(wrap_axis_deg(values), [wrap_axis_deg(float(value)) for value in values], rtol=0, atol=0)
    assert_allclose(axis_difference_deg(values, 5.0), [-15.0, -5.0, 5.0, -6.0], rtol=0, atol=EXACT_DEG)


@given(angles, angles)
def test_difference_brings_the_second_axis_to_the_first(first, second):
    there = second + axis_difference_deg(first, second)
    assert_allclose(axis_difference_deg(there, first), 0.0, rtol=0, atol=EXACT_DEG)


@given(st.floats(0.0, 359.999))
def test_mirroring_twice_changes_nothing(angle):
    assert_allclose(
        axis_difference_deg(mirror_axis_deg(mirror_axis_deg(angle)), angle), 0.0, rtol=0, atol=EXACT_DEG
    )
    twice = mirror_direction_deg(mirror_direction_deg(angle))
    assert_allclose(wrap_rotation_deg(twice - angle), 0.0, rtol=0, atol=EXACT_DEG)


@given(st.floats(0.0, 359.999))
def test_direction_of_a_unit_vector(angle):
    x, y = unit_vector(angle)
    assert_allclose(wrap_rotation_deg(direction_deg(x, y) - angle), 0.0, rtol=0, atol=EXACT_DEG)
    assert_allclose(math.hypot(x, y), 1.0, rtol=1e-12)


def test_counter_clockwise_is_up_from_the_right_of_the_picture():
    assert_allclose(unit_vector(90.0), [0.0, -1.0], rtol=0, atol=1e-12)  # y grows downwards


@pytest.mark.parametrize(
    ("rotation", "eye", "name"),
    [(3.0, "OD", "excyclotorsion"), (-3.0, "OD", "incyclotorsion"), (3.0, "OS", "incyclotorsion"),
     (-3.0, "OS", "excyclotorsion"), (1.0, "OD", "none")],
)  # fmt: skip
def test_name_of_a_rotation(rotation, eye, name):
    assert rotation_name(rotation, 0.5, eye) == name


@pytest.mark.parametrize(("text", "eye"), [("OD", "OD"), ("r", "OD"), (" os ", "OS"), ("L", "OS")])
def test_names_of_the_eyes(text, eye):
    assert read_eye(text) == eye


@pytest.mark.parametrize(("typed", "axis"), [(0, 180.0), (180.0, 180.0), (35.5, 35.5)])
def test_an_axis_as_typed(typed, axis):
    assert read_axis_deg(typed) == axis


@pytest.mark.parametrize(("typed", "direction"), [(0, 0.0), (360.0, 0.0), (200.0, 200.0)])
def test_a_direction_as_typed(typed, direction):
    assert read_direction_deg(typed) == direction


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: read_axis_deg(180.5), r"axis must lie from 0 to 180 degrees, not 180.5"),
        (
            lambda: read_axis_deg(-1.0, name="planned axis"),
            r"planned axis must lie from 0 to 180 degrees, not -1",
        ),
        (lambda: read_axis_deg(math.nan), r"axis must lie .*, not nan"),
        (lambda: read_direction_deg(361.0), r"direction must lie from 0 to 360 degrees, not 361"),
        (lambda: read_direction_deg(math.inf), r"direction must lie .*, not inf"),
        (lambda: read_eye("left"), r"eye must be OD or R \(right\), OS or L \(left\), not 'left'"),
    ],
)
def test_bad_angles_are_refused_in_one_sentence(call, message):
    with pytest.raises(ValueError, match=message):
        call()
