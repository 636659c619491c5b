"""A copy keeps the shape of the picture; two exposures of a still eye do not."""

from dataclasses import replace

import made_up
import numpy as np
import pytest

import synthetic
import torsion
from synthetic import View
from torsion.duplicate import same_exposure


@pytest.fixture(scope="module")
def eye():
    view = View(width_px=480, height_px=360, limbus_radius_px=90.0)
    picture = torsion.prepare(synthetic.draw_picture(made_up.drawn_eye(), view, 3).rgb).picture
    assert picture is not None
    return picture


def test_an_exposure_is_the_same_as_itself(eye):
    assert same_exposure(eye, eye, np.eye(2, 3))


@pytest.mark.parametrize(("stretch", "same"), [(0.003, False), (0.0, True)])
def test_a_map_that_changes_the_shape_is_none_of_a_copy(eye, stretch, same):
    """Both maps misfit alike, by 0.7 % of the radius at most; only one of them is a similarity."""
    scale = 1.004
    matrix = np.array([[scale + stretch, 0.0, 0.0], [0.0, scale - stretch, 0.0]])
    copy = replace(eye, rgb=eye.rgb ^ 1)  # as saved anew: what is equal to the bit needs no map
    assert same_exposure(eye, copy, matrix) is same
