"""Combining rotations, on numbers alone: invariants, closed forms, and coverage of a known truth."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
import scipy.stats

from torsion.adjustment import Link, adjust, chi_square_tail, groups, suspects


def drawn(rng, seated, supine, *, pair_share, varied=True):
    """Draw the links of all pairs with photo errors and pair noise of known variance, which they state."""
    photos = seated + supine
    size = rng.uniform(0.1, 0.6, photos) if varied else np.full(photos, 0.3)  # degrees, of one photo's part
    turns = rng.uniform(-15, 15, photos)
    seen = turns + rng.normal(0, size * np.sqrt(1 - pair_share))
    links = []
    for i, j in itertools.combinations(range(photos), 2):
        stated = np.hypot(size[i], size[j])
        noise = rng.normal(0, stated * np.sqrt(pair_share))
        links.append(Link(i, j, seen[j] - seen[i] + noise, stated))
    return links, turns[seated] - turns[0]


def test_a_single_link_is_the_answer():
    found = adjust([Link(0, 1, 3.7, 0.2)], start=0, end=1)
    assert (found.rotation_deg, found.standard_uncertainty_deg) == (pytest.approx(3.7), pytest.approx(0.2))
    assert (found.degrees_of_freedom, found.probability, found.spread_deg) == (0, None, None)
    assert found.fits


@pytest.mark.parametrize("seed", range(3))
def test_swapped_roles_negate_and_the_order_does_not_matter(seed):
    rng = np.random.default_rng(seed)
    links, _ = drawn(rng, 2, 2, pair_share=0.5)
    there, back = adjust(links, start=0, end=2), adjust(links, start=2, end=0)
    assert back.rotation_deg == pytest.approx(-there.rotation_deg)
    assert back.standard_uncertainty_deg == pytest.approx(there.standard_uncertainty_deg)
    number = {0: 3, 2: 7, 1: 0, 3: 1}
    other = [replace(link, first=number[link.first], second=number[link.second]) for link in links]
    turned = [
        link if k % 2 else Link(link.second, link.first, -link.rotation_deg, link.standard_uncertainty_deg)
        for k, link in enumerate(other)
    ]
    found = adjust([turned[k] for k in rng.permutation(len(links))], start=3, end=7)
    assert found.rotation_deg == pytest.approx(there.rotation_deg)
    assert found.standard_uncertainty_deg == pytest.approx(there.standard_uncertainty_deg)
    assert found.chi_square == pytest.approx(there.chi_square)


def test_it_is_the_generalised_least_squares_answer_with_the_whole_covariance():
    """Errors of photos in the covariance of the pairs (closed form, written out) move no estimate."""
    links, _ = drawn(np.random.default_rng(5), 2, 2, pair_share=0.3)
    found = adjust(links, start=0, end=2)
    design = np.zeros((6, 4))
    for row, link in enumerate(links):
        design[row, [link.first, link.second]] = -1.0, 1.0
    noise = np.diag([link.standard_uncertainty_deg**2 for link in links])
    for photos in (np.zeros(4), np.array([0.4, 0.1, 0.9, 0.2])):
        covariance = noise + design @ np.diag(photos) @ design.T  # pairs that share a photo share its error
        weight, free = np.linalg.inv(covariance), design[:, 1:]
        solved = np.linalg.solve(free.T @ weight @ free, free.T @ weight @ [x.rotation_deg for x in links])
        assert found.rotation_deg == pytest.approx(solved[1], abs=1e-9)


def test_a_photo_error_shows_in_no_misfit_and_moves_only_what_leads_to_it():
    links = [Link(i, j, 0.0, 0.1) for i, j in itertools.combinations(range(4), 2)]
    for odd in range(4):
        shift = {link: (link.second == odd) - (link.first == odd) for link in links}
        moved = [replace(link, rotation_deg=2.0 * shift[link]) for link in links]
        found = adjust(moved, start=0, end=2)
        assert found.chi_square == pytest.approx(0.0, abs=1e-12)
        assert found.rotation_deg == pytest.approx({0: -2.0, 2: 2.0}.get(odd, 0.0))


def test_photos_that_fit_too_well_bring_no_gain():
    """No misfit at all: all of the stated uncertainty may belong to the photos, which others cannot mend."""
    links = [Link(i, j, 0.0, 0.1) for i, j in itertools.combinations(range(6), 2)]
    assert adjust(links, start=0, end=3).standard_uncertainty_deg == pytest.approx(0.1)


def test_noise_of_pairs_averages_as_resistors_do():
    """The whole of the variance shown as noise of pairs: 2/n of it is left with n photos (closed form)."""
    rng = np.random.default_rng(2)
    links = [Link(i, j, rng.normal(0, 0.1), 0.1) for i, j in itertools.combinations(range(6), 2)]
    first = adjust(links, start=0, end=3)
    scale = 1.0 / np.sqrt(first.pair_share)  # so that chi-square equals its degrees of freedom
    found = adjust([replace(link, rotation_deg=scale * link.rotation_deg) for link in links], start=0, end=3)
    assert found.pair_share == pytest.approx(1.0)
    assert found.standard_uncertainty_deg == pytest.approx(0.1 * np.sqrt(2.0 / 6.0))


def triangle(chi_square):
    """Three photos whose pairs, each known to 0.1 degrees, do not add up by what gives a chi-square."""
    return [Link(0, 1, 0.0, 0.1), Link(1, 2, 0.0, 0.1), Link(0, 2, 0.1 * np.sqrt(3.0 * chi_square), 0.1)]


@pytest.mark.parametrize(
    ("chi_square", "fits", "widened"),
    [(1.0, True, 1.0), (3.0, True, 1.0), (5.0, True, 1.0), (7.5, False, np.sqrt(7.5))],
)
def test_chance_is_not_widened_and_what_is_no_chance_is(chi_square, fits, widened):
    """Beyond 6.63 (1 %, one degree of freedom) the stated uncertainties are widened until they fit."""
    found = adjust(triangle(chi_square), start=0, end=2)
    assert found.chi_square == pytest.approx(chi_square)
    assert found.fits == fits
    # degrees; a pair of 0.1 beside a way of two such pairs
    assert found.standard_uncertainty_deg == pytest.approx(widened * 0.1 * np.sqrt(2.0 / 3.0))


def test_photos_keep_what_their_best_pairs_allow():
    """Two ways that fit too well: errors of the ends are at most those of their best pairs."""
    ways = [Link(0, 2, 0.0, 0.1), Link(0, 3, 0.0, 0.5), Link(1, 2, 0.0, 0.1), Link(1, 3, 0.0, 0.5)]
    for links in (ways, ways[::-1]):
        found = adjust(links, start=0, end=1)
        assert found.standard_uncertainty_deg == pytest.approx(0.1 * np.sqrt(2.0))


def test_it_never_goes_below_the_floor():
    links = [Link(i, j, 0.0, 0.01) for i, j in itertools.combinations(range(4), 2)]
    assert adjust(links, start=0, end=2, floor_deg=0.03).standard_uncertainty_deg == 0.03


def test_angles_wrap():
    links = [Link(0, 1, 179.0, 0.1), Link(1, 2, 3.0, 0.1), Link(0, 2, -178.5, 0.1)]
    found = adjust(links, start=0, end=2)
    assert found.rotation_deg == pytest.approx(-178.0 - 1.0 / 3.0)
    assert max(abs(misfit) for misfit in found.misfits_deg) == pytest.approx(1.0 / 6.0)


def test_a_rotation_beyond_half_a_turn_is_wrapped_and_links_are_read_backwards():
    links = [Link(0, 1, 100.0, 0.1), Link(2, 1, -100.0, 0.1)]
    assert adjust(links, start=0, end=2).rotation_deg == pytest.approx(-160.0)
    # Read the wrong way round, the first link would lead to where the others lie half a turn away.
    links = [Link(1, 0, -90.5, 1.0), Link(0, 2, 90.0, 1.0), Link(1, 2, 1.0, 1.0)]
    found = adjust(links, start=0, end=2)
    assert found.rotation_deg == pytest.approx((2.0 * 90.0 + 91.5) / 3.0)
    assert found.fits


def test_not_connected():
    links = [Link(0, 1, 1.0, 0.1), Link(2, 3, 1.0, 0.1)]
    assert adjust(links, start=0, end=2) is None
    assert adjust([], start=0, end=1) is None
    assert adjust(links, start=0, end=1).misfits_deg == (0.0, None)
    assert groups(links) == [{0, 1}, {2, 3}]
    assert groups([*links, Link(3, 1, 0.0, 0.1)]) == [{0, 1, 2, 3}]


def test_a_way_round_is_as_uncertain_as_its_links_together():
    found = adjust([Link(0, 1, 1.0, 0.3), Link(1, 2, 1.0, 0.4)], start=0, end=2)
    assert found.rotation_deg == pytest.approx(2.0)
    assert found.standard_uncertainty_deg == pytest.approx(0.5)
    further = adjust([Link(0, 1, 1.0, 0.3), Link(1, 2, 1.0, 0.2), Link(2, 3, 1.0, 0.6)], start=0, end=3)
    assert further.standard_uncertainty_deg == pytest.approx(0.7)


@pytest.mark.parametrize("free", [1, 2, 3, 6, 11])
@pytest.mark.parametrize("value", [0.0, 0.3, 3.0, 30.0])
def test_chi_square_is_that_of_scipy(value, free):
    assert chi_square_tail(value, free) == pytest.approx(scipy.stats.chi2.sf(value, free), rel=1e-9)


# ---- which photo ----


@pytest.mark.parametrize("odd", range(4))
def test_the_photo_whose_pairs_do_not_add_up_is_named(odd):
    rng = np.random.default_rng(odd)
    links, _ = drawn(rng, 2, 2, pair_share=0.5, varied=False)
    wrong = iter((3.0, -9.0, 12.0))  # degrees: a different one in each pair of that photo
    moved = [
        replace(link, rotation_deg=link.rotation_deg + next(wrong))
        if odd in (link.first, link.second)
        else link
        for link in links
    ]
    found = adjust(moved, start=0, end=2)
    assert not found.fits
    assert suspects(moved) == (odd,)
    assert found.standard_uncertainty_deg > adjust(links, start=0, end=2).standard_uncertainty_deg


def test_one_wrong_pair_leaves_two_suspects():
    links = [Link(i, j, 4.0 * ((i, j) == (1, 2)), 0.1) for i, j in itertools.combinations(range(4), 2)]
    assert suspects(links) == (1, 2)


def test_three_photos_cannot_tell():
    links = [Link(0, 1, 0.0, 0.1), Link(0, 2, 0.0, 0.1), Link(1, 2, 3.0, 0.1)]
    assert not adjust(links, start=0, end=2).fits
    assert suspects(links) == ()


def test_three_that_may_be_odd_are_none():
    turns = iter((2.0, -2.0, 4.0, 2.0, 3.0, 3.0))  # degrees: without any one of three photos the rest fits
    links = [Link(*ends, next(turns), 1.0) for ends in itertools.combinations(range(4), 2)]
    assert not adjust(links, start=0, end=2).fits
    assert suspects(links) == ()


def test_a_photo_that_joins_two_rings_clears_nobody():
    """Without photo 2 nothing is left that could disagree, so whether it is the odd one cannot be told."""
    rings = [(0, 1, 3.0), (1, 2, 0.0), (0, 2, 0.0), (2, 3, 0.0), (3, 4, 0.0), (2, 4, 0.0)]
    assert suspects([Link(first, second, turn, 0.1) for first, second, turn in rings]) == ()


# ---- coverage ----

TRIALS = 1000  # the share that is covered is then known to 0.7 points (one standard error)


def covered(rng, seated, supine, *, pair_share):
    inside, gain = 0, 0.0
    for _ in range(TRIALS):
        links, truth = drawn(rng, seated, supine, pair_share=pair_share)
        found = adjust(links, start=0, end=seated)
        inside += abs(found.rotation_deg - truth) <= 1.96 * found.standard_uncertainty_deg
        gain += found.standard_uncertainty_deg / links[seated - 1].standard_uncertainty_deg / TRIALS
    return inside / TRIALS, gain


SOME = [(2, 2, 0.5)]
MORE = [(1, 2, 0.0), (1, 2, 0.8), (2, 2, 0.0), (2, 2, 0.8), (3, 3, 0.0), (3, 3, 0.5), (3, 3, 0.8)]


@pytest.mark.parametrize(
    ("seated", "supine", "pair_share"),
    [*SOME, *(pytest.param(*case, marks=pytest.mark.slow) for case in MORE)],
)
def test_stated_interval_holds_the_truth(seated, supine, pair_share):
    share, gain = covered(np.random.default_rng([seated, 1]), seated, supine, pair_share=pair_share)
    assert 0.93 <= share <= 0.97
    assert gain <= 1.0 + 1e-9


@pytest.mark.slow
@pytest.mark.parametrize(("seated", "supine"), [(1, 2), (2, 2)])
def test_interval_is_wide_rather_than_narrow_where_few_pairs_cannot_tell_their_noise(seated, supine):
    share, gain = covered(np.random.default_rng([seated, 2]), seated, supine, pair_share=1.0)
    assert 0.945 <= share <= 0.985
    assert gain < 0.95
