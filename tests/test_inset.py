"""Insets: the middle stays in the middle, fine detail is averaged and makes no pattern, beyond is plain."""

import numpy as np
import pytest

from torsion.inset import inset
from torsion.intake import photo_from_array, read_photo

GREY = (226, 226, 220)


@pytest.mark.parametrize(
    "half_px", [400.0, 230.0, 100.0, 30.0], ids=lambda half: f"{half / 100:g} px a pixel"
)
def test_the_point_is_the_middle_pixel_however_large_the_part(half_px):
    ramp = np.add.outer(np.arange(1000), np.arange(1000)) / 2000.0 * 255.0
    photo = photo_from_array(np.round(ramp).astype(np.uint8))
    cut = inset(photo, 520.0, 480.0, half_px, side=201, beyond=GREY)
    assert cut.shape == (201, 201)
    assert float(cut[100, 100]) == pytest.approx(127.5, abs=1.0)  # a grey level: four pixels of the ramp
    assert float(cut[100, 200]) - float(cut[100, 0]) == pytest.approx(2 * half_px * 0.1275, abs=2.0)


def test_noise_is_averaged_where_a_photo_is_reduced():
    noise = np.random.default_rng(1).normal(128.0, 40.0, (1800, 1800)).clip(0, 255).astype(np.uint8)
    for pixels in (noise, np.dstack([noise] * 3)):
        cut = inset(photo_from_array(pixels), 900.0, 900.0, 900.0, side=201, beyond=GREY)
        # 40 over nine pixels is 4.4, were they all averaged with equal weights; a single one would show 40.
        assert cut.astype(float).std() < 8.0


def test_beyond_the_photo_it_is_plain():
    photo = photo_from_array(np.zeros((300, 400, 3), np.uint8))
    for half_px in (300.0, 50.0):
        cut = inset(photo, -0.5, 150.0, half_px, side=101, beyond=GREY)
        assert (cut[:, :50] == GREY).all()
        assert (cut[50, 51:] == 0).all()


def test_a_photo_read_at_half_its_size_is_shown_the_same(tmp_path):
    from PIL import Image

    smooth = np.sin(np.arange(1600) / 90.0)
    pixels = np.round(128 + 100 * np.outer(smooth, smooth)).astype(np.uint8)
    Image.fromarray(pixels).save(tmp_path / "eye.png")
    whole, half = (read_photo(tmp_path / "eye.png", max_side_px=side) for side in (None, 700))
    assert (whole.decoded_scale, half.decoded_scale) == (1, 2)
    cuts = [inset(photo, 700.0, 800.0, 500.0, side=101, beyond=GREY).astype(float) for photo in (whole, half)]
    assert np.abs(cuts[0] - cuts[1]).max() <= 4.0  # grey levels; half a pixel of the inset would make 6
