"""Lids over the iris, on made-up lattices whose edge of the lid is known."""

import numpy as np
import pytest

from torsion.lids import lid_mask

ACROSS = np.linspace(-1.5, 1.5, 151, dtype=np.float32)
X, Y = ACROSS[None, :], -ACROSS[:, None]  # limbus radii, y up
REACH = np.hypot(X, Y)
IRIS = (REACH < 0.96) & (REACH > 0.40)
SEED = IRIS & (Y < 0.15 * REACH) & (Y > -0.85 * REACH)
EVERYWHERE = np.ones_like(IRIS)
IRIS_BRIGHTNESS, SKIN_BRIGHTNESS, WHITE_BRIGHTNESS = 90.0, 150.0, 220.0


def eye(lid, *, skin=SKIN_BRIGHTNESS, seed=0):
    """Logarithm of brightness: iris, white, and skin where a lid is; a twentieth of noise."""
    brightness = np.where(REACH < 1.0, IRIS_BRIGHTNESS, WHITE_BRIGHTNESS)
    brightness = np.where(lid, skin, brightness)
    noise = np.random.default_rng(seed).normal(0.0, 0.05, brightness.shape)
    return (np.log(brightness) + noise).astype(np.float32)[..., None]


def curve(height, slope=0.0, bend=0.2):
    return height + slope * X - bend * X * X < Y


@pytest.mark.parametrize(("height", "slope"), [(0.2, 0.0), (0.5, 0.0), (0.5, 0.3), (0.7, -0.2)])
@pytest.mark.parametrize("skin", [60.0, 150.0])
def test_the_skin_of_an_upper_lid_is_covered_and_little_else(height, slope, skin):
    lid = curve(height, slope)
    covered = lid_mask(eye(lid, skin=skin), IRIS, SEED, EVERYWHERE, ACROSS)
    assert (covered & lid)[IRIS & lid].mean() > 0.98
    # A margin of 0.05 radii for the roots of the lashes, and a step of the curves tried, 0.04, beyond it.
    assert not (covered & ~curve(height - 0.12, slope)).any()


def test_a_lower_lid_is_covered_as_an_upper_one_is():
    upper = lid_mask(eye(curve(0.4)), IRIS, SEED, EVERYWHERE, ACROSS)
    flipped = lid_mask(eye(curve(0.4))[::-1], IRIS[::-1], IRIS & SEED, EVERYWHERE, ACROSS)
    assert upper.any()
    assert np.mean(upper[::-1] != flipped) < 0.01


def test_nothing_is_covered_of_an_eye_held_open():
    assert not lid_mask(eye(curve(1.3)), IRIS, SEED, EVERYWHERE, ACROSS).any()


def test_skin_as_bright_as_the_iris_is_not_told_and_leaves_the_iris_alone():
    alike = eye(curve(0.4), skin=IRIS_BRIGHTNESS * 1.1)  # one spread: a tenth of the brightness
    assert not lid_mask(alike, IRIS, SEED, EVERYWHERE, ACROSS).any()


def test_colour_tells_skin_as_bright_as_the_iris():
    lid = curve(0.4)
    chroma = np.zeros((*IRIS.shape, 2), np.float32)
    chroma[lid, 0] = 12.0  # four of the least spreads
    features = np.concatenate([eye(lid, skin=IRIS_BRIGHTNESS), chroma], axis=-1)
    covered = lid_mask(features, IRIS, SEED, EVERYWHERE, ACROSS)
    assert (covered & lid)[IRIS & lid].mean() > 0.98


def test_crypts_lashes_and_spots_make_no_lid():
    spotted = eye(curve(1.3))
    rng = np.random.default_rng(1)
    for x, y in rng.uniform(-0.9, 0.9, (12, 2)):
        spotted[np.hypot(X - x, Y - y) < 0.06] = np.log(WHITE_BRIGHTNESS)
    assert not lid_mask(spotted, IRIS, SEED, EVERYWHERE, ACROSS).any()


def test_where_the_picture_ends_nothing_is_known_of_a_lid():
    shown = np.broadcast_to(Y < 0.8, IRIS.shape)
    assert not lid_mask(eye(curve(0.4)), IRIS, SEED, shown, ACROSS).any()
    assert not lid_mask(eye(curve(0.4)), IRIS, np.zeros_like(SEED), EVERYWHERE, ACROSS).any()
