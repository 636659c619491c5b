"""Figures of one photo: what they are of pictures whose answer is known, and their limits."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from made_up import eye_picture

from torsion.flags import FLAGS
from torsion.measures import LIMITS, MEASURES
from torsion.photo import Ellipse
from torsion.photo_words import measure_words
from torsion.quality import assess
from torsion.trial import Located

HALF, PX = 62, 40.0  # of the made-up picture
PIXELS = np.random.default_rng(0).integers(3, 250, (240, 320), np.uint8)


def located(*, x_px=159.5, y_px=119.5, radius_px=50.0, exposed=(0.6, 1.0)):
    pupil = Ellipse.circle(x_px, y_px, 0.4 * radius_px)
    return Located(Ellipse.circle(x_px, y_px, radius_px), pupil, 1.0, *exposed)


def picture(*, green=150, texture=0.0, ring=True, noise=0.0):
    """Draw an eye all of which is valid: iris within 0.96 radii, limbal band from 1.03 to 1.5."""
    made = eye_picture(HALF, PX)
    rows, columns = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1] / PX
    distance, rng = np.hypot(rows, columns), np.random.default_rng(0)
    iris, band = distance < 0.96, (distance > 1.03) & (distance < 1.5)
    levels = np.clip(green + noise * rng.standard_normal(distance.shape), 0, 255)
    rgb = np.repeat(np.rint(levels).astype(np.uint8)[..., None], 3, axis=2)
    return replace(
        made,
        rgb=rgb,
        texture=(texture * rng.standard_normal(distance.shape)).astype(np.float32),
        valid=iris | band if ring else iris,
        iris_region=iris,
        limbal_region=band,
    )


def measured(eye=None, **outline):
    return assess(located(**outline), eye or picture(texture=1.0, noise=40.0), PIXELS, 1)


def test_every_measure_has_a_meaning_and_a_label():
    measures, _ = measured()
    assert set(measures) == set(MEASURES)
    assert [label for label, _ in measure_words(measures)] == [one.label for one in MEASURES.values()]
    for measure in MEASURES.values():
        assert all((measure.label, measure.meaning, measure.retake))


def test_limits_raise_flags_and_have_one_side():
    for limit in LIMITS.values():
        assert limit.flag in FLAGS
        assert (limit.least is None) != (limit.most is None)


def test_an_even_white_has_its_level_and_no_vessels():
    measures, _ = measured(picture(green=153, texture=1.0))
    assert measures["white_level"] == pytest.approx(153 / 255)
    assert measures["vessel_contrast"] == pytest.approx(0.0, abs=1e-3)


def test_vessel_contrast_is_a_share_of_the_level():
    plain, rougher, brighter = (
        measured(picture(green=green, texture=1.0, noise=noise))[0]["vessel_contrast"]
        for green, noise in ((100, 10.0), (100, 20.0), (200, 10.0))
    )
    assert 0.02 < plain < 0.05  # half of the noise is left by means over 2 by 2 pixels, and less by the blur
    assert rougher == pytest.approx(2.0 * plain, rel=0.02)  # levels are rounded
    assert brighter == pytest.approx(0.5 * plain, rel=0.02)


def test_texture_that_was_blurred_is_less_in_focus():
    """A blur of one degree is 0.7 pixels here, and takes half of the power of white noise."""
    sharp = picture(texture=1.0)
    soft = replace(sharp, texture=cv2.GaussianBlur(sharp.texture, (0, 0), 2.0))
    for name in ("focus", "focus_iris", "focus_limbus"):
        assert measured(sharp)[0][name] == pytest.approx(0.5, abs=0.05)
        assert measured(soft)[0][name] < LIMITS["focus"].least
    assert "out_of_focus" in measured(soft)[1]
    assert "out_of_focus" not in measured(sharp)[1]


def test_iris_detail_is_an_area_times_the_correlation_that_contrast_lets_expect():
    """Of a contrast of c grey levels that changes by 4 from photo to photo c^2 / (c^2 + 4^2) is common."""
    area = 0.96**2  # of the limbus's disc
    flat, faint, clear = (measured(picture(noise=noise))[0]["iris_detail"] for noise in (0.0, 10.0, 50.0))
    assert flat == pytest.approx(0.0, abs=1e-6)
    # Of white noise the smoothing to half the size leaves 35 / 128; without the mean about each pixel, by a
    # Gaussian of one such pixel, 0.71 of that. The contrast of noise varies from place to place.
    left = 0.71 * 35 / 128
    for noise, found, off in ((10.0, faint, 0.15), (50.0, clear, 0.05)):
        power = (noise * left) ** 2
        assert found == pytest.approx(area * power / (power + 16), rel=off)
    half = picture(noise=50.0)
    valid = half.valid & (np.arange(2 * HALF + 1) < HALF)
    assert measured(replace(half, valid=valid))[0]["iris_detail"] == pytest.approx(clear / 2, rel=0.05)


@pytest.mark.parametrize(("noise", "raised"), [(6.0, True), (8.0, False)])
def test_an_iris_of_little_contrast_is_marked(noise, raised):
    measures, flags = measured(picture(texture=1.0, noise=noise))
    assert 0.04 < measures["iris_detail"] < 0.18
    assert ("faint_iris" in flags) is raised


def test_a_band_that_is_not_there_has_no_figures_and_no_flag():
    measures, flags = measured(picture(texture=1.0, ring=False))
    for name in ("focus_limbus", "vessel_contrast", "white_level"):
        assert measures[name] is None
    assert measures["limbus_valid"] == 0.0
    assert measures["focus"] > 0.4
    assert "eye_covered" not in flags  # the iris alone can be measured


def test_nothing_valid_is_covered_and_out_of_focus():
    eye = picture(texture=1.0)
    measures, flags = measured(replace(eye, valid=np.zeros_like(eye.valid)))
    assert measures["focus"] == 0.0
    assert {"eye_covered", "out_of_focus"} <= set(flags)


def test_place_in_the_picture():
    measures, flags = measured(x_px=159.5 + 30.0, y_px=119.5 + 40.0)
    assert measures["off_centre"] == pytest.approx(50.0 / 120.0)
    assert measures["outside"] == 0.0
    assert flags == ()
    measures, flags = measured(x_px=-0.5)
    assert measures["outside"] == pytest.approx(0.5, abs=0.01)  # of the outline, sampled in degrees
    assert set(flags) & {"off_picture", "half_off_picture"}


def test_the_mean_of_both_arcs_counts():
    measures, flags = measured(exposed=(0.1, 0.5))
    assert measures["exposed"] == pytest.approx(0.3)
    assert flags == ("lids_low",)
    assert measured(exposed=(0.0, 0.8))[1] == ()


def test_without_an_eye_nothing_is_measured():
    measures, flags = assess(Located(None, None, 0.0), None, PIXELS, 1)
    assert set(measures) == set(MEASURES)
    assert set(measures.values()) == {None}
    assert flags == ("no_eye",)
