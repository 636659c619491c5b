"""Finding limbus and pupil where one of the two hardly shows."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from torsion import locate as locating
from torsion import outline as outlines
from torsion import pupil as pupils
from torsion import rings, trial
from torsion.crops import CloseUp, blurred
from torsion.intake import photo_from_array
from torsion.limbus_fit import beyond_arcus
from torsion.locate import locate
from torsion.photo import Ellipse, is_grey
from torsion.pupil import find_pupil

_CENTER, _LIMBUS_PX, _PUPIL_PX = (165.0, 122.0), 75.0, 34.0


def _infrared(iris):
    """Grey picture, 320 x 240: black pupil with a glint, iris of a given level, white, lashes and lids."""
    rng = np.random.default_rng(0)
    y, x = np.mgrid[:240, :320].astype(float)
    out = np.hypot(x - _CENTER[0], y - _CENTER[1])
    picture = np.full(out.shape, 170.0)
    picture[out < _LIMBUS_PX] = iris + 12.0 * rng.standard_normal((out < _LIMBUS_PX).sum())
    picture[out < _PUPIL_PX] = 8.0
    picture[np.hypot(x - 160, y - 128) < 4] = 255.0
    lids = (y < 70 + 0.002 * (x - 160) ** 2) | (y > 190 - 0.002 * (x - 160) ** 2)
    picture[lids] = 150.0
    for at in range(15, 310, 9):
        cv2.line(picture, (at, 72), (at - 6, 50), 25.0, 2)
    picture = cv2.GaussianBlur(picture, (0, 0), 2.0) + 2.0 * rng.standard_normal(picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def test_in_grey_a_black_pupil_leads_to_a_faint_limbus(monkeypatch):
    found = locate(photo_from_array(_infrared(142.0)))
    assert found.limbus is not None
    assert found.pupil is not None
    assert found.limbus.radius_px == pytest.approx(_LIMBUS_PX, rel=0.05)
    assert found.pupil.radius_px == pytest.approx(_PUPIL_PX, rel=0.05)
    monkeypatch.setattr(rings, "_PUPILS", 0)
    monkeypatch.setattr(trial, "_LIMBUS_OVER_PUPIL", ())  # nor looks about the pupil later
    without = locate(photo_from_array(_infrared(142.0))).limbus
    assert without is None or abs(without.radius_px / _LIMBUS_PX - 1.0) > 0.3


def test_in_grey_one_side_of_the_limbus_may_lie_off_the_picture():
    cut = np.ascontiguousarray(_infrared(135.0)[:, : int(_CENTER[0] + 0.7 * _LIMBUS_PX)])
    found = locate(photo_from_array(cut))
    assert found.limbus is not None
    assert found.limbus.radius_px == pytest.approx(_LIMBUS_PX, rel=0.1)
    assert found.limbus.x_px == pytest.approx(_CENTER[0], abs=0.1 * _LIMBUS_PX)
    assert found.limbus_contrast > 0.1  # of the side that is in the picture


@pytest.mark.parametrize(("flattening", "is_round"), [(0.0, True), (0.06, True), (0.25, False)])
def test_a_pupil_may_be_a_little_oval(flattening, is_round):
    y, x = np.mgrid[:400, :400].astype(float)
    x, y = (x - 200.0) / 150.0, (y - 200.0) / 150.0
    out = np.hypot(x / (1 + flattening), y / (1 - flattening))
    picture = np.where(out < 0.4, 10.0, np.where(np.hypot(x, y) < 1.0, 110.0, 200.0))
    picture = cv2.GaussianBlur(picture, (0, 0), 2.0).astype(np.uint8)
    _, roundness = find_pupil(picture, Ellipse.circle(200.0, 200.0, 150.0))
    assert (roundness > pupils.VERY_ROUND) == is_round


def test_a_round_pupil_is_taken_before_clearer_shade_that_is_not_round(monkeypatch):
    y, x = np.mgrid[:400, :400].astype(float)
    out = np.hypot(x - 200.0, y - 200.0) / 150.0
    red = np.where(out < 0.4, 54.0, 60.0)  # a pupil that mirrors the sky in a dark iris
    lit = np.cos(np.arctan2(200.0 - y, x - 200.0) + 0.8) > 0.0
    red = np.where(out > np.where(lit, 0.82, 0.74), red + 12.0, red)  # the rim of the iris, lit from one side
    picture = cv2.GaussianBlur(np.where(out < 1.0, red, 200.0), (0, 0), 3.0).astype(np.uint8)
    limbus = Ellipse.circle(200.0, 200.0, 150.0)
    found, roundness = find_pupil(picture, limbus)
    assert found is not None
    assert found.radius_px == pytest.approx(0.4 * 150.0, rel=0.02)
    assert roundness > 0.9
    monkeypatch.setattr(pupils, "_MORE", 0)
    assert find_pupil(picture, limbus) == (None, 0.0)  # the rim is too wide for a pupil


def test_grey_saved_as_colour_is_grey():
    grey = np.random.default_rng(1).integers(0, 256, (80, 80), dtype=np.uint8)
    assert is_grey(grey)
    assert is_grey(np.dstack([grey] * 3))
    assert not is_grey(np.dstack([grey, grey, grey // 2]))


@pytest.mark.parametrize("lamp", [0.20, 0.30])  # radius of the lamp's ring, limbus radii
def test_a_lamp_mirrored_in_a_pupil_is_not_taken_for_it(lamp, monkeypatch):
    y, x = np.mgrid[:400, :400].astype(float)
    x, y = (x - 200.0) / 150.0, (200.0 - y) / 150.0
    out = np.hypot(x, y)
    picture = np.full((400, 400, 3), 205.0)
    picture[out < 1.0] = 95.0, 70.0, 50.0
    angle = np.arctan2(y, x)
    picture[out < 0.68 + 0.06 * np.cos(9.0 * angle)] = 170.0, 90.0, 45.0  # lit from within, its edge ragged
    picture[np.abs(np.hypot(x - 0.05, y - 0.08) - lamp) < 0.03] = 255.0
    shown = cv2.GaussianBlur(picture, (0, 0), 2.0).astype(np.uint8)
    limbus = Ellipse.circle(200.0, 200.0, 150.0)
    found, _ = find_pupil(shown, limbus)
    assert found is not None
    assert found.radius_px == pytest.approx(0.68 * 150.0, rel=0.12)
    monkeypatch.setattr(pupils, "_LAMP", np.inf)
    without, _ = find_pupil(shown, limbus)
    assert without is not None
    assert without.radius_px < 0.4 * 150.0


def test_of_several_starts_the_one_is_taken_for_which_most_speaks():
    """A circle of half a limbus and half a wide pupil is as round as an unsharp limbus, but fainter."""
    y, x = np.mgrid[:300, :420].astype(float)
    x, y = (x - 210.0) / 90.0, (y - 150.0) / 90.0
    out = np.hypot(x, y)
    picture = np.full((300, 420, 3), 200.0)
    picture[out < 1.0] = 120.0, 125.0, 150.0
    picture[np.hypot(x - 0.02, y) < 0.55] = 40.0
    ragged = 0.05 * np.cos(11.0 * np.arctan2(y, x))
    picture[(out > 0.93 + ragged) & (out < 1.0)] = 150.0, 150.0, 160.0
    found = locate(photo_from_array(cv2.GaussianBlur(picture, (0, 0), 1.5).astype(np.uint8)))
    assert found.limbus is not None
    assert found.limbus.radius_px == pytest.approx(90.0, rel=0.08)
    assert np.hypot(found.limbus.x_px - 210.0, found.limbus.y_px - 150.0) < 0.08 * 90.0


def test_a_limbus_with_a_pupil_in_it_is_not_taken_for_a_pupil(monkeypatch):
    """A wide open eye is a bright disc about the limbus, in grey as clear a start as the limbus is."""
    y, x = np.mgrid[:500, :700].astype(float)
    x, y = (x - 350.0) / 90.0, (y - 250.0) / 90.0
    picture = np.full((500, 700), 200.0)
    picture[np.hypot(x, y) < 2.1 + 0.3 * np.cos(5.0 * np.arctan2(y, x))] = 160.0
    picture[np.hypot(x, y) < 1.0] = 90.0
    picture[np.hypot(x, y) < 0.33] = 30.0
    photo = photo_from_array(cv2.GaussianBlur(picture, (0, 0), 1.5).astype(np.uint8))
    starts = [(350.0, 250.0, 190.0), (352.0, 248.0, 95.0)]
    monkeypatch.setattr(locating, "limbus_circles", lambda *_, **__: (starts, starts))
    found = locate(photo)
    assert found.limbus is not None
    assert found.limbus.radius_px == pytest.approx(90.0, rel=0.03)
    assert found.pupil is not None
    assert found.pupil.radius_px == pytest.approx(30.0, rel=0.06)
    given = Ellipse.circle(350.0, 250.0, 60.0)  # by hand: then it is not for the search to take another
    assert locate(replace(photo, pupil=given)).pupil == given


def test_a_pupil_with_a_round_lamp_in_it_stays_a_pupil():
    y, x = np.mgrid[:400, :560].astype(float)
    out = np.hypot((x - 280.0) / 140.0, (y - 200.0) / 140.0)
    picture = np.full((400, 560), 128.0)
    picture[out < 1.0 + 0.05 * np.cos(9.0 * np.arctan2(y - 200.0, x - 280.0))] = 110.0  # a vague limbus
    picture[out < 0.5] = 30.0
    picture[out < 0.15] = 250.0
    found = locate(photo_from_array(cv2.GaussianBlur(picture, (0, 0), 2.0).astype(np.uint8)))
    assert found.limbus is not None
    assert found.limbus.radius_px == pytest.approx(140.0, rel=0.08)


def test_the_zone_about_a_pupil_is_not_taken_for_it():
    """A collarette is as clear and as round as a pupil whose edge a lamp hides below."""
    y, x = np.mgrid[:400, :400].astype(float)
    out = np.hypot(x - 200.0, y - 200.0) / 150.0
    picture = np.full((400, 400, 3), 205.0)
    picture[out < 1.0] = 105.0, 62.0, 30.0
    picture[out < 0.55] = 72.0, 42.0, 24.0
    picture[out < 0.32] = 8.0
    picture[np.hypot(x - 203.0, y - 240.0) < 18.0] = 255.0
    shown = cv2.GaussianBlur(picture, (0, 0), 2.5).astype(np.uint8)
    found, _ = find_pupil(shown, Ellipse.circle(200.0, 200.0, 150.0))
    assert found is not None
    assert found.radius_px == pytest.approx(0.32 * 150.0, rel=0.06)


def test_a_lamp_in_a_pupil_does_not_hide_it_behind_the_zone_about_it():
    """A lamp stands out more than the pupil in which it is mirrored, and the zone's edge more than either."""
    y, x = np.mgrid[:400, :400].astype(float)
    out = np.hypot(x - 200.0, y - 200.0) / 150.0
    picture = np.full((400, 400, 3), 205.0)
    picture[out < 1.0] = 92.0, 110.0, 150.0
    picture[out < 0.68] = 78.0, 76.0, 68.0
    picture[out < 0.42] = 38.0, 38.0, 42.0
    picture[(out < 0.19) & (out > 0.12)] = 255.0
    shown = cv2.GaussianBlur(picture, (0, 0), 2.0).astype(np.uint8)
    found, _ = find_pupil(shown, Ellipse.circle(200.0, 200.0, 150.0))
    assert found is not None
    assert found.radius_px == pytest.approx(0.42 * 150.0, rel=0.04)


def _with_arcus(side):
    """Colour picture of a brown eye, limbus of 100 pixels, with an arcus all round or at the right."""
    rng = np.random.default_rng(2)
    y, x = np.mgrid[:300, :450].astype(np.float32)
    x, y = (x - 225.0) / 100.0, (y - 150.0) / 100.0
    out, bow = np.hypot(x, y), 1 - (x / 2.5) ** 2
    picture = np.full((300, 450, 3), (185.0, 150.0, 130.0), np.float32)
    lids = (y > -0.9 * bow) & (y < 1.05 * bow)
    picture[lids] = 225.0, 218.0, 205.0
    picture[lids & (out < 1.0)] = 95.0, 75.0, 55.0
    arcus = np.exp(-(((out - 0.84) / 0.06) ** 2)) * (lids & (out < 1.0)) * ((x > 0.3) | (side == "both"))
    picture += arcus[..., None] * (np.float32(190.0) - picture)
    picture[out < 0.4] = 12.0
    picture = cv2.GaussianBlur(picture, (0, 0), 2.0) + 2.0 * rng.standard_normal(picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("side", ["right", "both"])
def test_an_arcus_is_no_limbus(side):
    found = locate(photo_from_array(_with_arcus(side))).limbus
    assert found is not None
    assert found.radius_px == pytest.approx(100.0, rel=0.03)
    assert found.x_px == pytest.approx(225.0, abs=2.0)


@pytest.mark.parametrize("arcus_side", [-1.0, 1.0])
def test_an_outline_along_an_arcus_at_one_side_leads_to_the_limbus(arcus_side):
    """As it may settle where the eye looks aside: through the limbus at one side, an arcus at the other."""
    red = np.ascontiguousarray(_with_arcus("both")[..., 0])
    close_up = CloseUp.on(red, 225.0, 150.0, 100.0, reach=1.8)
    smooth = blurred(close_up.pixels.astype(np.float32), 1.5)
    inner = 22.0  # pixels from the limbus to the inner edge of the arcus
    along = Ellipse.circle(225.0 - arcus_side * inner / 2, 150.0, 100.0 - inner / 2)
    found = beyond_arcus(close_up, smooth, along)
    assert found is not None
    assert found == pytest.approx((225.0, 150.0, 100.0), abs=3.0)
    assert beyond_arcus(close_up, smooth, Ellipse.circle(*found)) is None


def test_without_an_arcus_the_limbal_step_is_that_of_the_picture(monkeypatch):
    """Lashes make narrow bright bands as well, but not along a whole side."""
    picture = _infrared(120.0).astype(np.float32)
    radii = np.arange(0.7, 1.3, 0.01)
    circle = (*_CENTER, _LIMBUS_PX)
    step = outlines.limbal_step(picture, circle, radii, 0.05)
    monkeypatch.setattr(outlines, "_ARCUS_ROWS", 1)
    seen_by_both = slice(0, len(radii) - 15)  # half the breadth of the kernel
    without = outlines.limbal_step(picture, circle, radii, 0.05)
    np.testing.assert_array_equal(step[seen_by_both], without[seen_by_both])


def _face(size, radius, *, shade=False):
    """Colour picture of an eye that is small in it, between brow, nostril and hair, on textured skin."""
    rng = np.random.default_rng(3)
    width, height = size
    y, x = np.mgrid[:height, :width].astype(np.float32)
    x, y = (x - 0.45 * width) / radius, (y - 0.4 * height) / radius
    out = np.hypot(x, y)
    skin = cv2.resize(rng.standard_normal((height // 12, width // 12)).astype(np.float32), size)
    picture = np.array([190.0, 150.0, 130.0]) + 5.0 * skin[..., None]
    if shade:  # of a deep-set eye
        ragged = 0.25 * np.cos(5.0 * np.arctan2(y, x)) + 0.15 * np.cos(2.0 * np.arctan2(y, x) + 1.0)
        deep = (out < 3.3 + ragged).astype(np.float32)
        picture *= 1.0 - 0.25 * cv2.GaussianBlur(deep, (0, 0), 0.15 * radius)[..., None]
    picture[(np.abs(y + 2.6) < 0.3) & (np.abs(x) < 3.0)] = 60.0, 45.0, 40.0
    picture[np.hypot((x - 4.0) / 0.5, (y - 5.0) / 0.3) < 1.0] = 40.0, 25.0, 20.0
    picture[x < -6.0] = 30.0, 25.0, 25.0
    lids = np.abs(y) < 0.95 * (1.0 - (x / 2.6) ** 2)
    picture[lids] = 225.0, 220.0, 215.0
    picture[lids & (out < 1.0)] = 95.0, 75.0, 55.0
    picture[out < 0.35] = 12.0
    picture = cv2.GaussianBlur(picture, (0, 0), 1.2) + 3.0 * rng.standard_normal(picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("size", "radius"), [((1800, 1200), 105.0), ((900, 1200), 52.0), ((1600, 1066), 44.0)]
)
def test_an_eye_in_half_a_face_is_found(size, radius, monkeypatch):
    photo = photo_from_array(_face(size, radius))
    found = locate(photo)
    assert found.limbus is not None
    assert found.pupil is not None
    assert found.limbus.radius_px == pytest.approx(radius, rel=0.03)
    assert found.limbus.x_px == pytest.approx(0.45 * size[0], abs=0.03 * radius)
    assert found.limbus.y_px == pytest.approx(0.4 * size[1], abs=0.03 * radius)
    monkeypatch.setattr(rings, "_FINER", ())
    assert locate(photo).limbus is None


def test_a_small_eye_is_not_looked_for_where_it_has_too_few_pixels():
    assert locate(photo_from_array(_face((500, 333), 14.0))).limbus is None


@pytest.mark.parametrize("radius", [105.0, 170.0])
def test_the_shade_about_a_deep_set_eye_is_no_limbus_and_its_limbus_no_pupil(radius):
    found = locate(photo_from_array(_face((1800, 1200), radius, shade=True)))
    assert found.limbus is not None
    assert found.limbus.radius_px == pytest.approx(radius, rel=0.03)


def _wide_pupil(seed):
    """Colour picture of an eye whose wide pupil lies off its middle, and the radius of its limbus."""
    rng = np.random.default_rng(seed)
    radius, pupil = rng.uniform(70, 110), rng.uniform(0.72, 0.78)
    y, x = np.mgrid[:300, :450].astype(np.float32)
    middle = 225 + rng.uniform(-15, 15), 150 + rng.uniform(-10, 10)
    x, y = (x - middle[0]) / radius, (y - middle[1]) / radius
    picture = np.full((300, 450, 3), (185.0, 150.0, 130.0), np.float32)
    bow = 1 - (x / 2.5) ** 2
    lids = (y > -rng.uniform(0.7, 0.95) * bow) & (y < rng.uniform(0.85, 1) * bow)
    picture[lids] = 205.0, 200.0, 190.0
    picture[lids & (np.hypot(x, y) < 1)] = rng.uniform(90, 130), 110.0, 130.0
    off = rng.uniform(-0.06, 0.06, 2)
    picture[lids & (np.hypot(x - off[0], y - off[1]) < pupil)] = 12.0
    picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(1.5, 4)) + 3 * rng.standard_normal(picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8), radius


@pytest.mark.parametrize("seed", [1, 28, 37, 38, 55, 89, 90, 105])
def test_half_of_a_wide_pupil_with_half_of_the_limbus_is_no_limbus(seed):
    picture, radius = _wide_pupil(seed)
    found = locate(photo_from_array(picture)).limbus
    assert found is not None
    assert found.radius_px == pytest.approx(radius, rel=0.03)


def _narrow_eye(seed):
    """Colour picture of a light iris in dark skin, of which lids hide much, and the radius of its limbus."""
    rng = np.random.default_rng(seed)
    radius, pupil = rng.uniform(60, 100), rng.uniform(0.4, 0.55)
    y, x = np.mgrid[:300, :450].astype(np.float32)
    x, y = (x - 225 - rng.uniform(-15, 15)) / radius, (y - 150 - rng.uniform(-10, 10)) / radius
    picture = np.full((300, 450, 3), (110.0, 75.0, 60.0), np.float32)
    bow = 1 - (x / 2.2) ** 2
    lids = (y > -rng.uniform(0.5, 0.75) * bow) & (y < rng.uniform(0.7, 0.9) * bow)
    picture[lids] = 205.0, 200.0, 190.0
    picture[lids & (np.hypot(x, y) < 1)] = rng.uniform(120, 150), 130.0, 140.0
    picture[lids & (np.hypot(x, y) < pupil)] = 12.0
    picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(1.5, 4)) + 3 * rng.standard_normal(picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8), radius


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("grey", [False, True])
def test_a_pupil_in_a_light_iris_between_narrow_lids_is_no_limbus(seed, grey):
    picture, radius = _narrow_eye(seed)
    found = locate(photo_from_array(picture[..., 0].copy() if grey else picture)).limbus
    assert found is not None
    assert found.radius_px == pytest.approx(radius, rel=0.03)
