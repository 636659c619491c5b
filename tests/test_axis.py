"""Carrying axis and incision: the signs by hand, and what holds for every angle."""

import math
from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from torsion.angles import unit_vector
from torsion.axis import transfer_axis, transfer_incision
from torsion.axis_cost import axis_cost

axes = st.floats(0.0, 180.0)
directions = st.floats(0.0, 360.0)
rotations = st.floats(-30.0, 30.0)
turns = st.sampled_from([0, 90, 180, 270])


def seen(vector, *, rotation_deg, turn_deg, mirrored):
    """Turn a vector of the picture (x right, y down) with the eye, then turn and mirror the picture."""
    angle = math.radians(rotation_deg + turn_deg)
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])  # y runs down
    turned = turn @ vector
    return turned * [-1.0, 1.0] if mirrored else turned


@given(axes, rotations, turns, st.booleans())
def test_an_axis_goes_where_its_line_goes(planned, rotation, turn, mirrored):
    carried = transfer_axis(planned, rotation, 0.1, turn_deg=turn, mirrored=mirrored)
    line = seen(unit_vector(planned), rotation_deg=rotation, turn_deg=turn, mirrored=mirrored)
    found = unit_vector(carried.surgical_deg)
    assert_allclose(
        line[0] * found[1] - line[1] * found[0], 0.0, atol=1e-9
    )  # sine of the angle between the two lines
    assert 0.0 < carried.surgical_deg <= 180.0


@given(directions, rotations, turns, st.booleans())
def test_an_incision_goes_where_its_arrow_goes(planned, rotation, turn, mirrored):
    carried = transfer_incision(planned, rotation, turn_deg=turn, mirrored=mirrored)
    arrow = seen(unit_vector(planned), rotation_deg=rotation, turn_deg=turn, mirrored=mirrored)
    assert_allclose(unit_vector(carried.surgical_deg), arrow, atol=1e-9)
    assert 0.0 <= carried.surgical_deg < 360.0


def test_signs_by_hand():
    """The eye turns by 10 counter-clockwise; the picture is turned by 90 or seen in a mirror."""
    assert transfer_axis(30.0, 10.0, 0.1).surgical_deg == 40.0
    assert transfer_axis(175.0, 10.0, 0.1).surgical_deg == 5.0
    assert transfer_axis(30.0, 10.0, 0.1, turn_deg=90).surgical_deg == 130.0
    assert transfer_axis(30.0, 10.0, 0.1, mirrored=True).surgical_deg == 140.0
    assert transfer_axis(30.0, 10.0, 0.1, turn_deg=90, mirrored=True).surgical_deg == 50.0
    assert transfer_incision(355.0, 10.0).surgical_deg == 5.0
    assert transfer_incision(355.0, 10.0, turn_deg=180).surgical_deg == 185.0
    assert transfer_incision(355.0, 10.0, mirrored=True).surgical_deg == 175.0


def test_the_patients_frame_is_stated_where_the_view_was_turned_or_mirrored():
    assert transfer_axis(30.0, 10.0, 0.1).surgical_patient_deg is None
    for view in ({"turn_deg": 90}, {"mirrored": True}):
        assert transfer_axis(30.0, 10.0, 0.1, **view).surgical_patient_deg == 40.0


def test_uncertainty_of_frame_and_registration_add_in_squares():
    same, level, unknown = (
        transfer_axis(90.0, 5.0, 1.5, frame=frame) for frame in ("same", "level", "unknown")
    )
    assert (same.frame_deg, level.frame_deg, unknown.frame_deg) == (0.0, 2.0, None)
    assert (same.standard_uncertainty_deg, level.standard_uncertainty_deg) == (1.5, 2.5)
    assert unknown.standard_uncertainty_deg is None
    half = [(axis.interval_95_deg[1] - axis.interval_95_deg[0]) / 2 for axis in (same, level, unknown)]
    assert_allclose(half, [1.96 * 1.5, 1.96 * 2.5, 1.96 * 1.5], rtol=1e-12)  # of a normal distribution
    held = [axis.interval_is for axis in (same, level, unknown)]
    assert held == ["registration and frame", "registration and frame", "registration only"]


def test_a_refused_rotation_carries_nothing():
    axis, incision = transfer_axis(90.0, None, 0.2), transfer_incision(20.0, None)
    assert axis.surgical_deg is axis.interval_95_deg is axis.standard_uncertainty_deg is None
    assert axis.registration_deg == 0.2
    assert incision.surgical_deg is None


@pytest.mark.parametrize("typed", [-0.1, 180.1, math.nan])
def test_an_axis_out_of_range_is_refused(typed):
    with pytest.raises(ValueError, match="axis must lie from 0 to 180 degrees, not"):
        transfer_axis(typed, 5.0, 0.1)


def test_a_turn_that_no_picture_has_is_refused():
    for carry in (partial(transfer_axis, 20.0, 6.0, 0.1), partial(transfer_incision, 20.0, 6.0)):
        with pytest.raises(ValueError, match="turn_deg must be 0, 90, 180 or 270, not 33"):
            carry(turn_deg=33)


@pytest.mark.parametrize("typed", [-0.1, 360.1, math.nan])
def test_an_incision_out_of_range_is_refused(typed):
    with pytest.raises(ValueError, match="incision must lie from 0 to 360 degrees, not"):
        transfer_incision(typed, 5.0)


def test_an_unknown_word_for_the_frame_is_refused():
    with pytest.raises(ValueError, match="must be same, level or unknown, not 'tilted'"):
        transfer_axis(90.0, 5.0, 0.1, frame="tilted")


def test_left_uncorrected_the_planned_degrees_miss_by_rotation_and_tilt():
    """By hand: 6 degrees of rotation and 3 of tilt leave 2 C sin 9."""
    tilted = axis_cost(2.0, transfer_axis(90.0, 6.0, 0.0, tilt=(3.0, 0.0)), 6.0)
    assert tilted.uncorrected_d == pytest.approx(4.0 * math.sin(math.radians(9.0)))
    assert tilted.uncorrected_percent == pytest.approx(200.0 * math.sin(math.radians(9.0)))
    assert tilted.expected_d == pytest.approx(0.0)
