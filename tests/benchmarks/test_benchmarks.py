"""The instruments themselves: sign, exactness and isolation of what the study measures with."""

import numpy as np
import pytest
from scipy import ndimage

from tests.benchmarks import peers
from tests.benchmarks.guess import Limbus, guess_limbus
from tests.benchmarks.methods import Answer, load_method
from tests.benchmarks.photos import different_eye_pairs, list_eyes, swapped_surroundings, triples, turned_ring
from tests.benchmarks.recipe import register_recipe
from tests.benchmarks.summary import Outcome, summarise

LIMBUS = Limbus(150.0, 150.0, 80.0)


def _texture(seed: int, size: int = 301) -> np.ndarray:
    rough = np.random.default_rng(seed).normal(size=(size, size, 3))
    smooth = ndimage.gaussian_filter(rough, (2.0, 2.0, 0.0))
    return np.clip(128 + 40 * smooth / smooth.std(), 0, 255).astype(np.uint8)


def test_turned_ring_turns_counter_clockwise_as_seen() -> None:
    photo = np.zeros((301, 301, 3), np.uint8)
    photo[148:153, 208:213] = 255  # a dot to the right of the centre
    turned = turned_ring(photo, LIMBUS, np.zeros((301, 301), bool), angle_deg=90.0)
    row, column = ndimage.center_of_mass(turned[..., 1])
    assert (row, column) == pytest.approx((90.0, 150.0), abs=0.1)  # pixels: the dot is now above


def test_turned_ring_leaves_what_stays_and_what_lies_beyond() -> None:
    photo = _texture(1)
    stays = np.zeros((301, 301), bool)
    stays[:120] = True
    turned = turned_ring(photo, LIMBUS, stays, angle_deg=8.0)
    y, x = np.mgrid[:301, :301] - 150
    assert np.array_equal(turned[stays], photo[stays])
    assert np.array_equal(turned[np.hypot(x, y) > 1.48 * 80], photo[np.hypot(x, y) > 1.48 * 80])
    assert np.abs(turned[150:200, 100:200].astype(int) - photo[150:200, 100:200]).mean() > 10


def test_turned_ring_draws_no_skin_into_the_eye() -> None:
    photo = np.full((301, 301, 3), 40, np.uint8)
    stays = np.zeros((301, 301), bool)
    stays[:130] = True
    photo[stays] = 250
    turned = turned_ring(photo, LIMBUS, stays, angle_deg=12.0)
    assert turned[~stays].max() <= 41


def test_swapped_surroundings_keep_the_eye() -> None:
    photo, other = _texture(1), _texture(2)
    swapped = swapped_surroundings(photo, LIMBUS, other, Limbus(140.0, 160.0, 60.0))
    y, x = np.mgrid[:301, :301] - 150
    assert np.array_equal(swapped[np.hypot(x, y) < 119], photo[np.hypot(x, y) < 119])
    assert not np.array_equal(swapped[np.hypot(x, y) > 135], photo[np.hypot(x, y) > 135])


@pytest.mark.parametrize("angle_deg", [-17.0, 6.0])
def test_recipe_recovers_a_rotation_made_elsewhere(angle_deg: float) -> None:
    photo = _texture(3)
    turned = ndimage.rotate(photo, angle_deg, reshape=False, order=3, mode="reflect")  # counter-clockwise
    result = register_recipe(photo, turned, first_limbus=LIMBUS, second_limbus=LIMBUS)
    assert result.rotation_deg == pytest.approx(angle_deg, abs=0.02)  # degrees; interpolation alone
    assert result.matrix @ [150, 150, 1] == pytest.approx([150, 150], abs=0.2)  # pixels


@pytest.mark.parametrize("name", ["polar", "ecc", pytest.param("simpleitk", marks=pytest.mark.slow)])
def test_peers_recover_a_rotation_of_a_whole_picture(monkeypatch, name) -> None:
    """Nothing stays in place here, as lids and glints do; then all of them work, and the sign is right."""
    monkeypatch.setattr(peers, "guess_limbus", lambda photo: LIMBUS)
    rough = np.random.default_rng(6).normal(size=(301, 301))
    smooth = sum(ndimage.gaussian_filter(rough, sigma) * sigma for sigma in (3.0, 8.0))
    photo = np.clip(128 + 40 * smooth / smooth.std(), 0, 255).astype(np.uint8)
    turned = ndimage.rotate(photo, 3.0, reshape=False, order=3, mode="reflect")  # counter-clockwise
    method = load_method(name)
    found = method.measure(method.prepare(photo), method.prepare(turned))
    assert found.rotation_deg == pytest.approx(3.0, abs=0.2)  # degrees; half of the polar picture's rows


def test_recipe_finds_nothing_in_unrelated_pictures() -> None:
    result = register_recipe(_texture(4), _texture(5), first_limbus=LIMBUS, second_limbus=LIMBUS)
    assert result.score < 12


def test_guess_finds_a_dark_disc_with_a_darker_one_inside() -> None:
    y, x = np.mgrid[:240, :320]
    picture = np.full((240, 320), 200.0)
    picture[np.hypot(x - 150, y - 130) < 80] = 110
    picture[np.hypot(x - 152, y - 128) < 30] = 20
    found = guess_limbus(ndimage.gaussian_filter(picture, 2.0).astype(np.uint8))
    assert found is not None
    assert found[:3] == pytest.approx((150, 130, 80), abs=4.0)  # pixels; a guess is good to a few per cent
    assert guess_limbus(np.full((240, 320), 128, np.uint8)) is None


def test_pairs_of_a_folder(tmp_path) -> None:
    for eye, count in (("a", 3), ("b", 3), ("c", 1)):
        (tmp_path / "set" / eye).mkdir(parents=True)
        for k in range(count):
            (tmp_path / "set" / eye / f"{k}.png").touch()
    eyes = list_eyes(tmp_path, "set")
    assert len(triples(eyes)) == 2
    assert len(different_eye_pairs(eyes, count=None, rng=np.random.default_rng(0))) == 15
    sample = different_eye_pairs(eyes, count=8, rng=np.random.default_rng(0))
    assert len(set(sample)) == 8
    assert all(a.parent != b.parent for a, b in sample)
    with pytest.raises(FileNotFoundError, match="no set 'other'"):
        list_eyes(tmp_path, "other")


def test_summary_of_known_answers() -> None:
    outcomes = []
    for photos, angle in ((("1", "2"), 2.0), (("2", "3"), 3.0), (("1", "3"), 5.5)):
        outcome = Outcome("same", photos)
        outcome.answers["m"] = Answer(
            angle, 10.0, uncertainty_deg=0.1, iris_deg=angle + 0.2, limbus_deg=angle
        )
        outcomes.append(outcome)
    turned = Outcome("turned", ("1", "2"), 7.0)
    turned.answers["m"] = Answer(9.25, 9.0)
    wrong = Outcome("different", ("1", "x"))
    wrong.answers["m"] = Answer(0.0, 9.5)
    outcomes += [turned, wrong]
    for outcome in outcomes:
        outcome.seconds["m"] = 1.0
    report = summarise(outcomes, [("1", "2", "3")], "m")
    assert report["bar"] == 9.5
    assert report["same"]["accepted"] == 3
    assert report["different"]["accepted"] == 0
    closure = report["gates"]["100 %"]["closure"]
    assert closure["median"] == pytest.approx(0.5)
    assert closure["over_stated"] == pytest.approx(1.4826 * 0.5 / (0.1 * 3**0.5))
    assert report["gates"]["100 %"]["iris - limbus"]["median"] == pytest.approx(0.2)
    assert report["gates"]["accepted"]["turned"] == report["gates"]["accepted"]["turned"] | {"n": 0, "of": 1}


def test_unknown_method_is_named() -> None:
    with pytest.raises(ValueError, match="method is 'other'"):
        load_method("other")
