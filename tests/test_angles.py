"""Angles: wrapping, mirroring, reading, and the sign of a turn tied down by hand."""

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

ROUNDING_DEG = 1e-9  # a thousand turns lose about 13 of 16 digits' last place
TINY = [0.0, -0.0, -1e-300, -1e-17, 1e-17, 5e-324]  # where a plain remainder lands on the wrong end

BOUNDS = [-360.0, -180.0, -90.0, 90.0, 180.0, 360.0]
NEAR = [float(np.nextafter(bound, end)) for bound in BOUNDS for end in (-math.inf, math.inf)]

angles = st.floats(-1000.0, 1000.0) | st.sampled_from(TINY + NEAR)
turns = st.integers(-5, 5)


# ---- invariants ----


def same(first_deg, second_deg, period_deg):
    """Say whether two angles differ by whole periods, near both ends of the range as well."""
    return abs(math.remainder(first_deg - second_deg, period_deg)) < ROUNDING_DEG


@given(angles)
def test_wrapped_angles_lie_in_their_range_and_mean_the_same(angle):
    axis, direction, rotation = wrap_axis_deg(angle), wrap_direction_deg(angle), wrap_rotation_deg(angle)
    assert 0.0 < axis <= 180.0
    assert 0.0 <= direction < 360.0
    assert -180.0 <= rotation < 180.0
    assert same(axis, angle, 180.0)
    assert same(direction, angle, 360.0)
    assert same(rotation, angle, 360.0)


@pytest.mark.parametrize("angle", TINY + NEAR)
def test_ranges_hold_beside_their_bounds(angle):
    """Where a sum or a remainder may round to the end that is not in the range."""
    assert 0.0 < wrap_axis_deg(angle) <= 180.0
    assert 0.0 <= wrap_direction_deg(angle) < 360.0
    assert -180.0 <= wrap_rotation_deg(angle) < 180.0
    for difference in (axis_difference_deg(angle, 0.0), axis_difference_deg(0.0, angle)):
        assert -90.0 <= difference < 90.0
        assert same(difference, angle, 180.0) or same(difference, -angle, 180.0)
    assert 0.0 < mirror_axis_deg(angle) <= 180.0
    assert 0.0 <= mirror_direction_deg(angle) < 360.0


@given(angles)
def test_wrapping_twice_changes_nothing(angle):
    for wrap in (wrap_axis_deg, wrap_direction_deg, wrap_rotation_deg):
        assert wrap(wrap(angle)) == wrap(angle)


@given(angles, turns)
def test_whole_turns_do_not_matter(angle, count):
    assert same(wrap_axis_deg(angle + 180.0 * count), wrap_axis_deg(angle), 180.0)
    assert same(wrap_direction_deg(angle + 360.0 * count), wrap_direction_deg(angle), 360.0)


@given(st.lists(angles, min_size=1, max_size=8))
def test_arrays_are_wrapped_as_single_angles_are(values):
    array = np.array(values)
    for wrap in (wrap_axis_deg, wrap_direction_deg, wrap_rotation_deg):
        assert wrap(array).tolist() == [wrap(value) for value in values]
    assert array.tolist() == values


@given(angles, st.floats(-89.9, 89.9))
def test_a_difference_undoes_a_turn(axis, turn):
    assert_allclose(axis_difference_deg(axis + turn, axis), turn, rtol=0, atol=ROUNDING_DEG)


@given(angles, angles)
def test_a_difference_is_at_most_a_right_angle(first, second):
    assert -90.0 <= axis_difference_deg(first, second) < 90.0


@given(angles)
def test_mirroring_twice_changes_nothing_and_an_axis_follows_its_direction(angle):
    assert same(mirror_axis_deg(mirror_axis_deg(angle)), angle, 180.0)
    assert same(mirror_direction_deg(mirror_direction_deg(angle)), angle, 360.0)
    assert same(mirror_axis_deg(angle), mirror_direction_deg(angle), 180.0)


@given(angles)
def test_direction_of_a_unit_vector(angle):
    dx, dy = unit_vector(angle)
    assert same(direction_deg(dx, dy), angle, 360.0)


# ---- the sign, by hand ----


def test_a_dot_that_moves_from_right_to_top_turns_counter_clockwise():
    """Three dots placed by hand in a picture (x right, y down): right, top and left of the middle."""
    middle, right, top, left = (50, 40), (80, 40), (50, 10), (20, 40)
    seen = [direction_deg(x - middle[0], y - middle[1]) for x, y in (right, top, left)]
    assert seen == [0.0, 90.0, 180.0]
    assert_allclose(unit_vector(90.0), [0.0, -1.0], rtol=0, atol=1e-15)


def test_a_horizontal_axis_is_180_and_a_horizontal_direction_0():
    assert [wrap_axis_deg(angle) for angle in (0.0, 180.0, 360.0, -180.0)] == [180.0] * 4
    assert [wrap_direction_deg(angle) for angle in (0.0, 360.0, -360.0)] == [0.0] * 3


def test_names_of_a_rotation_by_eye():
    assert rotation_name(3.0, 0.5, "OD") == "excyclotorsion"  # counter-clockwise, right eye
    assert rotation_name(3.0, 0.5, "OS") == "incyclotorsion"
    assert rotation_name(-3.0, 0.5, "OD") == "incyclotorsion"
    assert rotation_name(-3.0, 0.5, "OS") == "excyclotorsion"
    assert rotation_name(1.0, 0.5, "OD") == "none"  # within two standard uncertainties


# ---- what people type ----


@pytest.mark.parametrize(("typed", "axis"), [(0.0, 180.0), (180.0, 180.0), (35.5, 35.5)])
def test_axis_as_typed(typed, axis):
    assert read_axis_deg(typed) == axis


@pytest.mark.parametrize("typed", [-1.0, 180.5, math.nan, math.inf])
def test_an_axis_out_of_range_is_not_wrapped(typed):
    with pytest.raises(ValueError, match="planned axis must lie from 0 to 180 degrees, not"):
        read_axis_deg(typed, name="planned axis")


@pytest.mark.parametrize(("typed", "direction"), [(0.0, 0.0), (360.0, 0.0), (200.0, 200.0)])
def test_direction_as_typed(typed, direction):
    assert read_direction_deg(typed) == direction


@pytest.mark.parametrize(
    ("typed", "said"), [(180.0001, "180.0001"), (190.0, "190"), (np.float32(190.5), "190.5"), ("90", "'90'")]
)
def test_an_axis_that_is_refused_is_shown_as_it_was_given(typed, said):
    """Rounded it may look like one that is allowed, and of a text it must be seen that it is one."""
    with pytest.raises(ValueError, match=f"axis must lie from 0 to 180 degrees, not {said}$"):
        read_axis_deg(typed)


@pytest.mark.parametrize("typed", [-1.0, 361.0, math.nan])
def test_a_direction_out_of_range_is_not_wrapped(typed):
    with pytest.raises(ValueError, match="incision must lie from 0 to 360 degrees, not"):
        read_direction_deg(typed, name="incision")


@pytest.mark.parametrize(
    ("text", "eye"), [("OD", "OD"), ("r", "OD"), (" R ", "OD"), ("os", "OS"), ("L", "OS")]
)
def test_names_of_eyes(text, eye):
    assert read_eye(text) == eye


@pytest.mark.parametrize("text", ["", "OU", "left", "0D"])
def test_other_words_are_no_eye(text):
    with pytest.raises(ValueError, match="eye must be OD or R"):
        read_eye(text)
