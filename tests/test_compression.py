"""What compression rounded away, against the steps that the files themselves state."""

import io

import cv2
import numpy as np
import pytest
from made_up import drawn_eye
from PIL import Image

import synthetic
import torsion
from torsion.compression import rounded_away
from torsion.measures import LIMITS
from torsion.photo import Ellipse

LIMBUS = Ellipse.circle(160.0, 120.0, 80.0)


@pytest.fixture(scope="module")
def texture():
    """Blurred noise of twenty grey levels: waves of every length."""
    rng = np.random.default_rng(0)
    noise = cv2.GaussianBlur(rng.normal(0.0, 1.0, (240, 320, 3)), (0, 0), 2.0)
    return np.clip(128.0 + 20.0 * noise / noise.std(), 10, 245).astype(np.uint8)


def saved(pixels, quality, **options):
    """Give a picture back from a JPEG file, with half the lower of its steps for waves of 16 pixels."""
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=quality, **options)
    opened = Image.open(file)
    steps = opened.quantization[0]  # of the lowest wave across and down: second and ninth, row by row
    amplitude = min(steps[1], steps[8]) / (4.0 * np.sqrt(2.0))  # ITU-T T.81, A.3.3: normalisation
    return np.asarray(opened), amplitude / 2.0, file.getvalue()


@pytest.mark.parametrize("quality", [5, 8, 10, 15, 25])
@pytest.mark.parametrize("subsampling", [0, 2])
def test_it_is_half_the_step_that_the_file_states(texture, quality, subsampling):
    found, half_step, _ = saved(texture, quality, subsampling=subsampling)
    assert rounded_away(found, LIMBUS) == pytest.approx(half_step, rel=0.1)


def test_of_a_grey_file_too(texture):
    found, half_step, _ = saved(texture[..., 0], 10)
    assert rounded_away(found, LIMBUS) == pytest.approx(half_step, rel=0.1)


@pytest.mark.parametrize("scale", [2, 4])
def test_at_reduced_size(texture, scale):
    large = cv2.resize(texture, None, fx=4.0, fy=4.0, interpolation=cv2.INTER_CUBIC)
    _, half_step, data = saved(large, 6)
    flag = {2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4}[scale]
    small = cv2.imdecode(np.frombuffer(data, np.uint8), flag)[..., ::-1]
    limbus = LIMBUS.scaled(4.0 / scale)
    assert rounded_away(small, limbus, scale=scale) == pytest.approx(half_step, rel=0.25)


@pytest.mark.parametrize("change", ["turned", "on its head", "mirrored", "saved well again", "odd size"])
def test_it_stays_in_the_pixels(texture, change):
    found, half_step, _ = saved(texture[:237, :315] if change == "odd size" else texture, 8)
    changed = {
        "turned": lambda: np.rot90(found),
        "on its head": lambda: found[::-1, ::-1],
        "mirrored": lambda: found[:, ::-1],
        "saved well again": lambda: saved(found, 95)[0],
        "odd size": lambda: found[::-1, ::-1],
    }[change]()
    middle = Ellipse.circle((changed.shape[1] - 1) / 2, (changed.shape[0] - 1) / 2, 80.0)
    assert rounded_away(changed, middle) == pytest.approx(half_step, rel=0.15)


def test_nothing_is_rounded_away_without_compression(texture):
    rng = np.random.default_rng(1)
    noisy = np.clip(texture + rng.normal(0.0, 5.0, texture.shape), 0, 255).astype(np.uint8)
    blurred = cv2.GaussianBlur(texture, (0, 0), 6.0)
    for pixels in (texture, noisy, blurred, saved(texture, 95)[0]):
        assert rounded_away(pixels, LIMBUS) < 1.5


def test_what_shows_no_waves_tells_nothing():
    assert rounded_away(np.full((240, 320, 3), 128, np.uint8), LIMBUS) is None
    assert rounded_away(np.full((240, 320, 3), 255, np.uint8), LIMBUS) is None  # clipped
    assert rounded_away(np.full((240, 320, 3), 128, np.uint8), Ellipse.circle(160.0, 120.0, 8.0)) is None


@pytest.mark.parametrize(
    "place", [(0.0, 0.0, 5.0), (319.0, 239.0, 3.0), (-30.0, 120.0, 20.0), (160.0, 120.0, 2.0)]
)
@pytest.mark.parametrize("pixels", [(240, 320, 3), (240, 320), (237, 315, 3)])
@pytest.mark.parametrize("scale", [1, 2, 4])
def test_an_outline_at_the_edge_or_smaller_than_a_block_ends_in_no_error(place, pixels, scale):
    noise = np.random.default_rng(0).integers(5, 250, pixels).astype(np.uint8)
    found = rounded_away(noise, Ellipse.circle(*place), scale=scale)
    assert found is None or 0.75 <= found < 10.0


@pytest.mark.parametrize("as_file", [True, False])
def test_a_pair_compressed_strongly_is_not_accepted(tmp_path, as_file):
    seated, supine = synthetic.draw_pair(drawn_eye(), "moderate", np.random.default_rng(3))
    assert torsion.measure(seated.rgb, supine.rgb).verdict == "accept"
    for quality in (1, 5, 10):
        squeezed, _, data = saved(supine.rgb, quality)
        photo = squeezed
        if as_file:
            photo = tmp_path / "supine.jpg"
            photo.write_bytes(data)
        found = torsion.measure(seated.rgb, photo)
        assert found.verdict != "accept"
        assert {"overcompressed", "no_eye", "eye_covered"} & set(found.supine.flags)
    well = saved(supine.rgb, 30)[0]
    found = torsion.measure(seated.rgb, well)
    assert "overcompressed" not in found.flags
    assert found.supine.measures["rounding"] < LIMITS["rounding"].most
