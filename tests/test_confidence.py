"""How sure a rotation is: patches that are made up, so that what they ask for and their noise are known."""

from dataclasses import replace

import numpy as np
import pytest

from torsion.confidence import FLOOR_DEG, MATCH, Answer, answer, band_answer, evidence, widened
from torsion.register import Registration
from torsion.votes import PARAMETERS, Votes, affine, at_rest, fit_votes, rotation_of

PATCHES = 60
NOISE_DEG = 0.3  # of a patch


def ring(turn_deg, *, band="limbus", correlation=0.9, common=1.0):
    """Return patches round a ring, each of which asks for a turn of its own (degrees, one or for each)."""
    direction = (np.arange(PATCHES) + 0.5) / PATCHES * 2.0 * np.pi  # none on the edge of a part
    x, y = np.cos(direction), np.sin(direction)
    basis = np.zeros((PATCHES, 2, PARAMETERS))
    basis[:, 0, 0] = basis[:, 1, 1] = 1.0
    basis[:, 0, 2], basis[:, 0, 3], basis[:, 1, 4], basis[:, 1, 5] = x, y, x, y
    information = np.tile(np.eye(2), (PATCHES, 1, 1))
    turn = np.radians(np.broadcast_to(turn_deg, PATCHES))
    pull = turn[:, None] * np.column_stack([-y, x])
    one = np.ones(PATCHES)
    variance = np.radians(NOISE_DEG) ** 2 * one
    return Votes(
        band,
        basis,
        information,
        pull,
        variance,
        one,
        one / variance,
        correlation * one,
        common * one,
        direction,
    )


def at_start(*votes):
    return Registration(0.0, np.zeros(PARAMETERS), votes)


def noisy(seed):
    return ring(2.0 + NOISE_DEG * np.random.default_rng(seed).standard_normal(PATCHES))


def test_patches_that_agree_leave_the_floor():
    found = answer(at_start(ring(0.5)))
    assert found.rotation_deg == pytest.approx(0.5, abs=1e-3)  # degrees; the tangent of half a degree
    assert found.standard_uncertainty_deg == pytest.approx(FLOOR_DEG, abs=1e-4)
    assert (
        pytest.approx(np.degrees(0.01 / 200.0), abs=2e-4) == FLOOR_DEG
    )  # a hundredth of a pixel, 200 a radius


def test_stated_uncertainty_is_the_spread_of_the_answers():
    found = [answer(at_start(noisy(seed))) for seed in range(40)]
    spread = np.std([one.rotation_deg for one in found])
    stated = np.sqrt(np.mean([one.standard_uncertainty_deg**2 for one in found]))
    # 40 answers know their spread within 11 %; Student's factor and the affine map that each part's absence
    # leaves less determined make the statement wider, never narrower.
    assert 1.0 < stated / spread < 1.6


def test_the_jackknife_leaves_out_sixths_of_the_ring_cut_four_times():
    votes = noisy(7)
    whole = rotation_of(affine(0.0, fit_votes([votes], np.zeros(PARAMETERS)).step))
    squares = []
    for cut_deg in (0.0, 12.0, 30.0, 42.0):
        sector = ((np.degrees(votes.direction) + cut_deg) // 60.0).astype(int) % 6
        for part in range(6):
            left = fit_votes([votes], np.zeros(PARAMETERS), leave_out=[sector == part])
            squares.append((rotation_of(affine(0.0, left.step)) - whole) ** 2)
    # Deleted groups, doi 10.1016/0304-4076(85)90158-7; t(8) over the normal quantile at 95 %: 2.306 / 1.960.
    by_hand = np.sqrt((2.306 / 1.960) ** 2 * 5.0 / 6.0 * sum(squares) / 4.0 + FLOOR_DEG**2)
    assert answer(at_start(votes)).standard_uncertainty_deg == pytest.approx(by_hand, rel=0.01)


def test_one_part_that_disagrees_widens():
    turn = np.zeros(PATCHES)
    turn[:10] = 1.5
    noise = NOISE_DEG * np.random.default_rng(1).standard_normal(PATCHES)
    calm, torn = (answer(at_start(ring(values))).standard_uncertainty_deg for values in (noise, noise + turn))
    assert torn > 1.5 * calm


def test_a_band_speaks_for_itself_alone():
    iris, limbus = ring(1.0, band="iris"), ring(3.0)
    both = at_start(iris, limbus)
    assert band_answer(both, iris).rotation_deg == pytest.approx(1.0, abs=0.01)
    assert band_answer(both, limbus).rotation_deg == pytest.approx(3.0, abs=0.01)


def test_a_band_with_too_little_in_common_is_silent():
    blind = ring(1.0, common=0.3)  # of a patch, where a third and more is needed
    assert band_answer(at_start(blind), blind) is None
    assert evidence([blind]) == 0.0


def test_evidence_counts_by_common_area_and_leaves_out_what_is_not_usable():
    votes = [ring(0.0, correlation=1.0, common=0.9), ring(0.0, correlation=0.0, common=0.45)]
    assert evidence(votes) == pytest.approx(2.0 / 3.0)
    assert evidence([*votes, ring(0.0, correlation=0.5, common=0.2)]) == pytest.approx(2.0 / 3.0)


def test_at_rest_only_what_is_left_pulls_and_only_what_is_shared_tells():
    votes = ring(1.0)
    step = np.zeros(PARAMETERS)
    step[3], step[4] = -np.radians(0.75), np.radians(0.75)
    rest = at_rest(votes, step)
    np.testing.assert_allclose(rest.pull, 0.25 * votes.pull, atol=1e-12)
    half = at_rest(replace(votes, told=np.full(PATCHES, 0.5)), step)
    np.testing.assert_allclose(half.information, 0.5 * votes.information)
    np.testing.assert_allclose(half.pull, rest.pull)


def test_bands_further_apart_than_they_state_widen():
    both = Answer(0.1, 0.05, 0.8, 0.5)
    iris, limbus = Answer(0.0, 0.1, 0.8, 0.5), Answer(0.6, 0.1, 0.8, 0.5)
    # By hand: between bands 0.6^2 / 2 - (1.96 * 0.1)^2, halved since both count alike, and 0.05^2 beside it.
    found = widened(both, iris, limbus)
    assert found.standard_uncertainty_deg == pytest.approx(np.sqrt(0.05**2 + (0.18 - 0.196**2) / 2))
    assert replace(found, standard_uncertainty_deg=0.05) == both
    assert widened(both, iris, replace(limbus, rotation_deg=0.27)) == both  # as near as they state
    assert widened(both, iris, replace(limbus, rotation_deg=0.29)) != both


def test_a_limbal_band_alone_may_have_slid_and_an_iris_alone_may_not():
    both, band = Answer(0.1, 0.05, 0.8, 0.5), Answer(0.6, 0.1, 0.8, 0.5)
    unmatched = replace(band, score=MATCH - 0.01)
    for other in (unmatched, None):
        assert widened(both, band, other) == both
        alone = widened(both, other, band)
        assert alone.standard_uncertainty_deg == pytest.approx(np.hypot(0.05, 0.15))
