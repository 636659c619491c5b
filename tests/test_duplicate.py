"""A copy keeps the eye where it lies between its lids; two exposures do not."""

from dataclasses import replace

import cv2
import made_up
import numpy as np
import pytest

import synthetic
import torsion
from synthetic import View
from torsion.turned_ring import turned_eye


@pytest.fixture(scope="module")
def drawn():
    view = View(width_px=480, height_px=360, limbus_radius_px=90.0)
    return synthetic.draw_picture(made_up.drawn_eye(), view, 3).rgb


@pytest.fixture(scope="module")
def first(drawn):
    return torsion.prepare(drawn)


def passes_for_a_copy(first, rgb):
    return "same_picture" in torsion.measure(first, np.ascontiguousarray(rgb)).flags


def jpeg(rgb, quality):
    return cv2.imdecode(cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR)


@pytest.mark.parametrize(
    "edited",
    [
        lambda rgb: rgb,
        lambda rgb: jpeg(rgb, 20),
        lambda rgb: cv2.resize(rgb, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA),
        lambda rgb: np.uint8(255.0 * (rgb / 255.0) ** 2),
        lambda rgb: np.uint8(rgb * 0.4),
        lambda rgb: cv2.resize(rgb, None, fx=1.0, fy=1.03, interpolation=cv2.INTER_CUBIC),
        lambda rgb: cv2.GaussianBlur(rgb, (0, 0), 1.2),
        lambda rgb: rgb[20:-10, 15:-25],
        lambda rgb: np.repeat(rgb.mean(axis=2, keepdims=True), 3, axis=2).astype(np.uint8),
    ],
    ids=["itself", "saved", "smaller", "contrast", "darker", "stretched", "blurred", "cut", "grey"],
)
def test_a_copy_is_told_whatever_was_done_to_it(drawn, first, edited):
    assert passes_for_a_copy(first, edited(drawn))


@pytest.mark.parametrize("toward", [(0.06, 0.0), (0.0, -0.06), (0.04, -0.04)])
def test_a_photo_of_a_print_or_a_screen_is_a_copy(drawn, first, toward):
    """Seen aslant, the nearer side some 6 % the larger."""
    height, width = drawn.shape[:2]
    to_middle = np.array([[1.0, 0.0, -width / 2], [0.0, 1.0, -height / 2], [0.0, 0.0, width / 2]])
    aslant = np.linalg.inv(to_middle) @ np.array([[1, 0, 0], [0, 1, 0], [*toward, 1]]) @ to_middle
    seen = cv2.warpPerspective(drawn, aslant, (width, height), borderMode=cv2.BORDER_REPLICATE)
    assert passes_for_a_copy(first, jpeg(seen, 90))


@pytest.mark.parametrize("angle_deg", [0.5, 3.0])
def test_an_eye_that_turned_under_still_lids_is_none_of_a_copy(drawn, first, angle_deg):
    turned = turned_eye(drawn, first.limbus, angle_deg=angle_deg)
    assert not isinstance(turned, str), turned
    assert not passes_for_a_copy(first, turned)


def test_a_second_exposure_is_none_of_a_copy(first):
    """The same eye and lids, and a gaze that moved by a degree."""
    view = View(width_px=480, height_px=360, limbus_radius_px=90.0, yaw_deg=1.0)
    assert not passes_for_a_copy(first, synthetic.draw_picture(made_up.drawn_eye(), view, 4).rgb)


@pytest.mark.parametrize(("turn_deg", "same"), [(3.0, False), (0.0, True)])
def test_under_a_speculum_glints_tell_a_copy_from_a_turned_eye(turn_deg, same):
    """No lid is near, so all but the glints turns with the eye; the copy has lost detail."""
    eye = synthetic.random_eye(np.random.default_rng(52))
    view = View(width_px=720, height_px=640, limbus_radius_px=180.0, lids=synthetic.Lids(speculum=True))
    first = synthetic.draw_picture(eye, view, 3).rgb
    turned = synthetic.draw_picture(eye, replace(view, rotation_deg=turn_deg, pupil_ratio=0.37), 4).rgb
    second = jpeg(first, 20) if same else turned
    assert passes_for_a_copy(torsion.prepare(first), second) is same
