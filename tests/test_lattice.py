"""Maps on a lattice against the same blur at full size."""

import cv2
import numpy as np
import pytest
from skimage.color import rgb2lab

from torsion.lattice import SmoothColour, blurred_mean

SIDE = 121
RNG = np.random.default_rng(0)
RGB = cv2.GaussianBlur(RNG.integers(0, 256, (SIDE, SIDE, 3)).astype(np.float32), (0, 0), 2.0)
RGB = np.clip((RGB - 127.0) * 6.0 + 127.0, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("sigma_px", [1.0, 3.0, 6.0])
def test_a_mean_on_a_lattice_is_that_of_full_size(sigma_px):
    values = RGB[..., 1].astype(np.float32)
    weight = (RNG.random((SIDE, SIDE)) > 0.3).astype(np.float32)
    total, share = (cv2.GaussianBlur(part, (0, 0), sigma_px) for part in (values * weight, weight))
    found = blurred_mean(values * weight, weight, sigma_px)
    inside = np.s_[18:-18, 18:-18]  # the edge is repeated in another way: three standard deviations
    # A map on a lattice is good to a tenth of its own spread.
    wanted = (total / share)[inside]
    assert np.sqrt(np.mean((found[inside] - wanted) ** 2)) < 0.1 * wanted.std() + 1e-3


def test_places_and_masks_belong_to_the_same_points():
    for sigma_px in (1.0, 3.0, 6.0):
        smooth = SmoothColour.of(RGB, sigma_px)
        right = np.broadcast_to(np.arange(SIDE) > SIDE // 2, (SIDE, SIDE))
        points = smooth.on_lattice(right)[0]
        assert np.abs(smooth.places_px()[points]).min() <= 1.5 * smooth.step
        assert (smooth.places_px()[points] > -smooth.step / 2).all()
        back = smooth.where(np.where(smooth.on_lattice(right), np.float32(1.0), np.float32(-1.0)))
        assert np.mean(back != right) < 2.0 * smooth.step / SIDE


def test_brightness_whiteness_and_chroma_of_one_colour():
    smooth = SmoothColour.of(np.full((SIDE, SIDE, 3), (200, 100, 60), np.uint8), 3.0)
    assert smooth.brightness == pytest.approx(np.full_like(smooth.brightness, 120.0), abs=0.1)
    assert smooth.whiteness == pytest.approx(np.full_like(smooth.whiteness, 60.0), abs=0.1)
    assert (smooth.chroma > 20.0).all()  # red and yellow


def test_chroma_is_that_of_another_implementation_of_cielab():
    rgb = np.random.default_rng(4).integers(0, 256, (40, 40, 3), dtype=np.uint8)
    rgb[:20] //= 24  # dark colours take the straight part of both curves
    smooth = SmoothColour.of(rgb, 1.2)
    colour = cv2.GaussianBlur(rgb.astype(np.float32), (0, 0), 1.2)
    by_hand = rgb2lab(colour / 255.0)[..., 1:]
    assert smooth.chroma.shape == by_hand.shape
    np.testing.assert_allclose(
        smooth.chroma, by_hand, atol=0.02
    )  # of 100; constants are printed with four digits
