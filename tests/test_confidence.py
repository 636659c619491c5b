"""How sure a rotation is: patches that are made up, so that what they ask for and their noise are known."""

from dataclasses import replace

import numpy as np
import pytest

from torsion.confidence import FLOOR_DEG, Answer, evidence, judged, widened
from torsion.deformation import PARAMETERS, PRIOR, displacement, turns_of
from torsion.jackknife import jackknife, student_factor
from torsion.register import Registration
from torsion.votes import Votes, at_rest, fit_votes

PATCHES = 60
NOISE_DEG = 0.3  # of a patch
ZERO = np.zeros(PARAMETERS)


def ring(turn_deg, *, band="limbus", correlation=0.9, common=1.0):
    """Return patches round a ring, each of which asks for a turn of its own (degrees, one or for each)."""
    direction = (np.arange(PATCHES) + 0.5) / PATCHES * 2.0 * np.pi  # none on the edge of a part
    x, y = np.cos(direction), np.sin(direction)
    depth = np.full(PATCHES, 0.7 if band == "iris" else 1.2)
    basis = np.array(displacement(np.eye(PARAMETERS)[..., None], x, y, depth, band)).transpose(2, 0, 1)
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


def noisy(seed, *, band="iris", shared=1):
    """Return patches that ask for 2 degrees, with errors along and across the ring, shared by neighbours."""
    errors = np.random.default_rng(seed).normal(0.0, NOISE_DEG, (2, PATCHES // shared)).repeat(shared, axis=1)
    votes = ring(2.0 + errors[0], band=band)
    out = np.column_stack([np.cos(votes.direction), np.sin(votes.direction)])
    return replace(votes, pull=votes.pull + np.radians(errors[1])[:, None] * out)


def answer(*votes):
    return judged(at_start(*votes)).both


def test_patches_that_agree_leave_a_part_of_what_they_state_and_the_floor():
    found = answer(ring(0.5, band="iris"))
    assert found.rotation_deg == pytest.approx(0.5, abs=1e-3)  # degrees; the tangent of half a degree
    # Noise of each over their number; parts that agree to the last digit, ten degrees of freedom, bring that
    # down to what two doubting ones leave, times Student's factor.
    parts = np.sqrt(2.0 / 12.0) * student_factor(10.0)
    by_hand = np.hypot(parts * NOISE_DEG / np.sqrt(PATCHES), FLOOR_DEG)
    assert found.standard_uncertainty_deg == pytest.approx(by_hand, rel=0.03)
    # A hundredth of a pixel, 200 a radius.
    assert pytest.approx(np.degrees(0.01 / 200.0), abs=2e-4) == FLOOR_DEG


@pytest.mark.parametrize("shared", [1, 3, 5])
def test_the_interval_holds_the_truth_though_neighbours_err_together(shared):
    found = [answer(noisy(seed, shared=shared)) for seed in range(200)]
    inside = [abs(one.rotation_deg - 2.0) < 1.96 * one.standard_uncertainty_deg for one in found]
    assert 0.91 < np.mean(inside) < 0.985  # 95 %, and two binomial standard deviations of 200 about it
    spread = np.std([one.rotation_deg for one in found])
    stated = np.sqrt(np.mean([one.standard_uncertainty_deg**2 for one in found]))
    assert 0.9 < stated / spread < 1.25  # Student's factor, 1.18; of errors half a part wide some is missed


def test_inflation_tells_errors_that_patches_share():
    calm, torn = (
        np.mean([jackknife([noisy(seed, shared=shared)], 0.0, ZERO).inflation for seed in range(100)])
        for shared in (1, 5)
    )
    assert calm == pytest.approx(student_factor(8.0) ** 2, rel=0.25)
    # Five that err as one have five times the variance; two doubting degrees of freedom beside five take
    # that down to four, blocks across the edge of a part to three.
    assert torn == pytest.approx(3.0 * calm, rel=0.2)
    # What patches state: their variance over their number, and a fifth more since outliers count less.
    stated = np.mean([jackknife([noisy(seed)], 0.0, ZERO).stated_deg2 for seed in range(100)])
    assert stated == pytest.approx(1.2 * NOISE_DEG**2 / PATCHES, rel=0.15)


def test_the_jackknife_leaves_out_sixths_of_the_ring_cut_four_times():
    votes = noisy(7, shared=3)
    whole = fit_votes([votes], ZERO)
    # The whole problem, patch by patch: rows of the design, scaled to unit variance (their information is 1).
    rows = (np.sqrt(whole.weights[0])[:, None, None] * votes.basis).reshape(-1, PARAMETERS)
    normal = PRIOR + rows.T @ rows
    left = np.eye(len(rows)) - rows @ np.linalg.solve(normal, rows.T)  # covariance of what is left over
    turn = np.degrees(0.5) * (np.eye(PARAMETERS)[4] - np.eye(PARAMETERS)[3])
    found, moves = 0.0, []
    for cut_deg in (0.0, 12.0, 30.0, 42.0):
        sector = ((np.degrees(votes.direction) + cut_deg) // 60.0).astype(int) % 6
        for part in range(6):
            without = fit_votes([votes], ZERO, leave_out=[sector == part])
            found += float(np.diff(turns_of(np.array([whole.step, without.step])))[0]) ** 2
            inside = np.repeat(sector == part, 2)
            rest = normal - rows[inside].T @ rows[inside]
            moves.append(np.where(inside, np.linalg.solve(rest, turn) @ rows.T, 0.0))
    covariance = np.array(moves) @ left @ np.array(moves).T
    expected = np.trace(covariance)
    freedom = expected**2 / (covariance**2).sum()  # F. Satterthwaite, doi 10.2307/3002019
    ratio = (freedom * found / expected + 2.0) / (freedom + 2.0)
    by_hand = ratio * student_factor(max(freedom, 3.0)) ** 2
    assert by_hand > 1.5  # of patches that err together
    assert jackknife([votes], 0.0, ZERO).inflation == pytest.approx(by_hand, rel=0.01)


def test_students_factor():
    # Printed quantiles at 97.5 % (any table of Student's t) over the normal one.
    for freedom, quantile in ((3, 3.182), (5, 2.571), (8, 2.306), (30, 2.042)):
        assert student_factor(freedom) == pytest.approx(quantile / 1.95996, rel=0.002)


def test_one_part_that_disagrees_widens():
    turn = np.zeros(PATCHES)
    turn[:10] = 1.5
    noise = NOISE_DEG * np.random.default_rng(1).standard_normal(PATCHES)
    calm, torn = (
        answer(ring(values, band="iris")).standard_uncertainty_deg for values in (noise, noise + turn)
    )
    assert torn > 1.5 * calm


def test_a_band_speaks_for_itself_alone():
    bands = judged(at_start(ring(1.0, band="iris"), ring(3.0))).bands
    assert bands["iris"].rotation_deg == pytest.approx(1.0, abs=0.01)
    assert bands["limbus"].rotation_deg == pytest.approx(3.0, abs=0.01)


def test_conjunctiva_may_have_slid_and_an_iris_has_not():
    iris, limbus = noisy(1), noisy(2, band="limbus")
    alone = judged(at_start(limbus))
    # 0.15 degrees at the limbus and 0.75 for each radius further out, here 0.2: equal by chance.
    slid = np.hypot(0.15, 0.75 * 0.2)
    assert alone.both.standard_uncertainty_deg == pytest.approx(slid, rel=0.05)
    assert judged(at_start(iris)).both.standard_uncertainty_deg < 0.08
    # Beside a sure iris a limbal band that is turned by as much hardly counts.
    found = answer(ring(0.0, band="iris"), ring(0.2))
    assert abs(found.rotation_deg) < 0.01


def test_a_band_counts_as_far_as_its_parts_agree():
    limbus = ring(0.5)
    patches = ring(np.tile([0.6, -0.6], 30), band="iris")  # against each other: no more than noise
    parts = ring(np.repeat([0.6, 0.2, -1.0, 0.9, -0.1, 0.4], 10), band="iris")  # of the ring
    strong, weak = (answer(iris, limbus).rotation_deg for iris in (patches, parts))
    alone = judged(at_start(parts)).both.rotation_deg
    assert abs(strong) < 0.1  # stays with the iris, at 0
    assert abs(weak - 0.5) < 0.8 * abs(alone - 0.5)  # drawn to the limbal band, although that may have slid


def test_the_map_and_the_rotation_agree():
    judgement = judged(at_start(noisy(3), noisy(4, band="limbus")))
    matrix = judgement.registration.matrix
    turned = np.degrees(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))
    assert judgement.both.rotation_deg == pytest.approx(turned, abs=1e-9)


def test_a_band_with_too_little_in_common_is_silent():
    blind = ring(1.0, common=0.3)  # of a patch, where a third and more is needed
    assert judged(at_start(ring(1.0, band="iris"), blind)).bands["limbus"] is None
    assert evidence([blind]) == 0.0


def test_without_any_vote_nothing_is_known():
    silent = [
        replace(ring(1.0, band=band, common=0.0), weight=np.zeros(PATCHES)) for band in ("iris", "limbus")
    ]
    judgement = judged(at_start(*silent))
    assert judgement.bands == {"iris": None, "limbus": None}
    assert judgement.both.rotation_deg == pytest.approx(0.0, abs=1e-9)
    assert judgement.both.standard_uncertainty_deg > 30.0  # degrees


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
    # By hand: variance of two answers 0.6 - 1.96 * 0.1 * sqrt 2 apart, halved (both count alike), and 0.05^2.
    found = widened(both, iris, limbus)
    assert found.standard_uncertainty_deg == pytest.approx(np.sqrt(0.05**2 + 0.3228**2 / 4), rel=1e-4)
    assert replace(found, standard_uncertainty_deg=0.05) == both
    assert widened(both, iris, replace(limbus, rotation_deg=0.27)) == both  # as near as they state
    assert widened(both, iris, replace(limbus, rotation_deg=0.29)) != both
    # A vague band, a little further off than chance has it, hardly makes a sure one vague.
    vague = Answer(1.56, 0.67, 0.6, 0.1)
    assert widened(both, iris, vague).standard_uncertainty_deg == pytest.approx(0.168, abs=0.001)
