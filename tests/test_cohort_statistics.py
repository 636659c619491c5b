"""Statistics of a cohort: invariants, published values with their sources, recovery of a known cohort."""

import math
import warnings

import numpy as np
import pandas as pd
import pytest
from made_up_cohort import MEAN_DEG, NOISE_DEG, SD_DEG, TILT_DEG, cohort

from torsion.cohort.agreement import bland_altman, compared, sd_of_single
from torsion.cohort.binocular import both_eyes, pairs_of_eyes
from torsion.cohort.circular import concentration
from torsion.cohort.clusters import clustered_mean, clustered_share, clusters
from torsion.cohort.dependence import dependence
from torsion.cohort.estimates import Estimate, mean_estimate, plain
from torsion.cohort.moments import absolute_mean, describe, folded_mean_deg, welch
from torsion.cohort.observations import eyes, observations
from torsion.cohort.posture import posture_effect
from torsion.cohort.refusals import refusals
from torsion.cohort.repeatability import repeatability, within_subject_sd
from torsion.cohort.resampling import cluster_bootstrap
from torsion.cohort.sample_size import (
    bonett,
    patients_for_limits,
    patients_for_mean,
    subjects_for_icc,
    subjects_for_within_sd,
)
from torsion.cohort.statistics import summarise
from torsion.cohort.variance import components, intraclass
from torsion.errors import TorsionError


def generator(seed=0):
    return np.random.default_rng(seed)


# ---------------------------------------------------------------- reading the table


def table(**changes):
    """Return four pairs of two patients."""
    columns = {
        "patient": ["007", "007", "A", "A"],
        "eye": ["OD", "OS", "R", "L"],
        "rotation_deg": [3.0, -1.0, 2.0, 4.0],
        "standard_uncertainty_deg": [0.1] * 4,
        "verdict": ["accept", "review", "accept", "refuse"],
    }
    return pd.DataFrame(columns | changes)


def test_excyclotorsion_is_counter_clockwise_in_a_right_and_clockwise_in_a_left_eye():
    data = observations(table())
    assert data["torsion_deg"].tolist() == [3.0, 1.0, 2.0, -4.0]
    assert data["rotation_deg"].tolist() == [3.0, -1.0, 2.0, 4.0]
    assert data["usable"].tolist() == [True, True, True, False]


def test_cells_may_be_text_as_in_the_csv():
    as_text = table().astype(str)
    pd.testing.assert_frame_equal(observations(as_text), observations(table()))


def test_verdicts_that_count_are_chosen():
    assert observations(table(), verdicts=("accept",))["usable"].tolist() == [True, False, True, False]


def test_torsion_against_the_head_is_read_where_a_line_of_the_head_was_given():
    data = observations(table(**{"level.rotation_deg": ["2.5", "", None, "1"]}))
    np.testing.assert_array_equal(data["in_head_deg"], [2.5, np.nan, np.nan, -1.0])


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"posture": ["seated-standing"] * 4}, "posture must be one of .* not 'seated-standing'"),
        ({"eye": ["OD", "OS", "both", "OS"]}, "eye must be OD or R .* not 'both'"),
    ],
)
def test_a_cell_that_cannot_be_read_is_named(changes, match):
    with pytest.raises((TorsionError, ValueError), match=match):
        observations(table(**changes))


def test_a_missing_column_is_named():
    with pytest.raises(TorsionError, match="missing: verdict"):
        observations(table().drop(columns="verdict"))


def test_repeats_of_an_eye_are_averaged_and_shared_photos_do_not_sharpen():
    pair = {"patient": ["A"] * 4, "eye": ["OD"] * 4, "verdict": ["accept"] * 4}
    apart = observations(table(**pair, seated=list("abcd"), supine=list("efgh")))
    shared = observations(table(**pair, seated=["a"] * 4, supine=list("efgh")))
    assert eyes(apart)["torsion_deg"].tolist() == eyes(shared)["torsion_deg"].tolist() == [2.0]
    assert eyes(apart)["standard_uncertainty_deg"].item() == pytest.approx(0.05)
    assert eyes(shared)["standard_uncertainty_deg"].item() == pytest.approx(0.1)


# ---------------------------------------------------------------- clusters


def test_a_mean_of_independent_patients_is_students():
    values = generator().normal(1.0, 2.0, 30)
    mixed, correlation = clustered_mean(values, np.arange(30))
    plain_mean = mean_estimate(values)
    assert correlation is None
    assert mixed.value == pytest.approx(plain_mean.value)
    assert mixed.interval_95 == pytest.approx(plain_mean.interval_95)


def test_two_eyes_that_say_the_same_count_once_and_eyes_that_cancel_count_for_more():
    rng = generator()
    patients = np.repeat(np.arange(40), 2)
    shared, tilt = (
        np.repeat(rng.normal(0, 2, 40), 2),
        np.repeat(rng.normal(0, 2, 40), 2) * np.tile([1, -1], 40),
    )
    noise = rng.normal(0, 0.1, 80)
    widths = {}
    for name, values in (("same", shared), ("opposite", tilt)):
        found, correlation = clustered_mean(values + noise, patients)
        widths[name] = found.interval_95[1] - found.interval_95[0]
        assert correlation == pytest.approx(
            1.0 if name == "same" else -1.0, abs=0.02
        )  # noise is 5 % of the spread
    one_eye = mean_estimate(shared[::2] + noise[::2])
    # As wide as from one eye a patient, within the noise; and only as wide as the noise.
    assert widths["same"] == pytest.approx(one_eye.interval_95[1] - one_eye.interval_95[0], rel=0.05)
    assert widths["opposite"] < 0.1 * widths["same"]


@pytest.mark.parametrize("tilt", [0.0, 3.5])
def test_the_mixed_model_agrees_with_statsmodels(tilt):
    """An independent fit of the same model: a random intercept, or a tilt opposite in the other eye."""
    from statsmodels.api import MixedLM

    rng = generator(3)
    number = np.repeat(np.arange(30), 2)[:-7]
    side = np.tile([1.0, -1.0], 30)[:-7]
    y = (
        1.0
        + rng.normal(0, 2, 30)[number]
        + side * rng.normal(0, tilt, 30)[number]
        + rng.normal(0, 0.8, number.size)
    )
    effect = np.ones((y.size, 1)) if tilt == 0.0 else side[:, None]
    fit = MixedLM(y, np.ones((y.size, 1)), groups=number, exog_re=effect).fit(reml=True)
    mine, correlation = clustered_mean(y, number)
    variance = float(np.squeeze(fit.cov_re))
    sign = 1.0 if tilt == 0.0 else -1.0
    tolerance = 1e-3  # both optimisers stop there
    assert correlation == pytest.approx(sign * variance / (variance + fit.scale), abs=tolerance)
    assert mine.value == pytest.approx(float(fit.fe_params[0]), abs=tolerance)
    from scipy.stats import t

    half = (mine.interval_95[1] - mine.interval_95[0]) / 2.0
    assert half / t.ppf(0.975, 29 - 3) == pytest.approx(float(fit.bse_fe[0]), rel=tolerance * 5)


def test_more_than_two_values_of_a_patient_are_no_eyes():
    with pytest.raises(ValueError, match="one or two eyes, not 3 values"):
        clustered_mean([1.0, 2.0, 3.0], ["a", "a", "a"])


def test_rows_of_drawn_patients_follow_each_other():
    found = clusters(["b", "a", "b", "c"])
    assert found.rows(np.array([1, 0, 1])).tolist() == [0, 2, 1, 0, 2]


def test_the_bootstrap_repeats_with_its_generator_and_needs_patients():
    values = generator().normal(size=40)
    patients = np.repeat(np.arange(20), 2)

    def statistic(rows):
        return np.array([np.std(values[rows], ddof=1)])

    first, again = (cluster_bootstrap(statistic, patients, rng=generator(1), resamples=200) for _ in range(2))
    assert first == again
    assert cluster_bootstrap(statistic, patients // 3, rng=generator(1), resamples=200) == [None]


def test_a_share_of_nothing_or_all_keeps_an_interval():
    none = clustered_share(np.zeros(20, bool), np.arange(20))
    assert none.value == 0.0
    # Wilson's upper end for 0 of 20 is z^2 / (n + z^2).
    assert none.interval_95[1] == pytest.approx(1.96**2 / (20 + 1.96**2), abs=1e-4)
    alike = clustered_share(np.zeros(20, bool), np.repeat(np.arange(10), 2))
    assert alike.interval_95[1] == pytest.approx(1.96**2 / (10 + 1.96**2), abs=1e-4)


# ---------------------------------------------------------------- moments


def test_without_torsion_the_noise_alone_explains_what_is_found():
    found = summarise(
        cohort(generator(), mean_deg=0.0, sd_deg=0.0, tilt_deg=0.0, repeats=1), resamples=200
    ).torsion
    assert found.absolute_mean_deg.value == pytest.approx(found.noise_floor_deg, rel=0.15)  # 100 eyes
    assert found.noise_floor_deg == pytest.approx(0.7979 * NOISE_DEG, abs=1e-4)
    assert found.true_sd_deg.value < 0.5 * found.sd_deg.value
    assert found.true_absolute_mean_deg.value < 0.5 * found.absolute_mean_deg.value


def test_the_correction_recovers_the_mean_size_before_noise_was_added():
    rng = generator()
    true = rng.normal(0.5, 1.0, 200_000)
    noisy = true + rng.normal(0.0, 0.8, true.size)
    # 200,000 values know their mean absolute value within 0.004.
    assert absolute_mean(noisy, np.full(true.size, 0.64)) == pytest.approx(np.mean(np.abs(true)), abs=0.01)
    assert folded_mean_deg(0.5, 1.0) == pytest.approx(np.mean(np.abs(true)), abs=0.01)


def test_signed_and_absolute_moments_have_one_second_moment():
    found = summarise(cohort(generator()), resamples=200).torsion
    n = found.eyes

    def second(mean, sd):
        return mean**2 + sd**2 * (n - 1) / n

    # The mixed model weighs eyes of one- and two-eyed patients differently, so the plain mean is taken.
    mean = np.mean(eyes(observations(cohort(generator())))["torsion_deg"])
    signed, absolute = (
        second(mean, found.sd_deg.value),
        second(found.absolute_mean_deg.value, found.absolute_sd_deg.value),
    )
    assert signed == pytest.approx(absolute)


def test_published_moments_agree_with_each_other():
    """Sci Rep 2020, doi:10.1038/s41598-020-59118-9, 107 eyes (read in a copy of the abstract).

    Signed 0.98 ± 4.85, absolute 4.05 ± 2.82: the second moments, which must be equal, differ by 0.02.  The
    abstract rounds to 0.01, which moves them by 0.05.
    """
    signed, absolute = 0.98**2 + 4.85**2 * 106 / 107, 4.05**2 + 2.82**2 * 106 / 107
    assert signed == pytest.approx(absolute, abs=0.1)
    # A normal distribution of these moments has nearly the published mean absolute value.
    assert folded_mean_deg(0.98, 4.85) == pytest.approx(4.05, abs=0.15)  # torsion is not quite normal
    share = clustered_share(np.arange(107) < 68, np.arange(107))
    assert 100.0 * share.value == pytest.approx(63.6, abs=0.05)  # of the rounding
    assert [round(100 * count / 107, 1) for count in (54, 46, 7)] == [50.5, 43.0, 6.5]


@pytest.mark.parametrize(
    ("first", "second", "statistic", "p", "published"),
    [
        ((4.71, 3.12, 31), (4.03, 2.99, 30), 0.8692, 0.3883, 0.39),
        ((0.50, 0.39, 31), (0.29, 0.34, 30), 2.2437, 0.02866, 0.03),
    ],
)
def test_welch_from_summary_data(first, second, statistic, p, published):
    """Indian J Ophthalmol 2020;68:3020 (PMC7856981): misalignment and cylinder, p as read there."""
    found = welch(first, second)
    assert found == pytest.approx((statistic, p), abs=1e-4)  # recomputed from the published moments
    assert round(found[1], 2) == published


def test_welch_needs_groups():
    with pytest.raises(ValueError, match="2 members or more, not 1"):
        welch((1.0, 0.5, 1), (1.0, 0.5, 9))


# ---------------------------------------------------------------- both eyes


def test_total_is_the_sum_of_its_common_and_symmetric_part():
    pairs = pairs_of_eyes(eyes(observations(cohort(generator()))))
    np.testing.assert_allclose(pairs["right_deg"], pairs["common_deg"] + pairs["symmetric_deg"])
    np.testing.assert_allclose(pairs["left_deg"], pairs["common_deg"] - pairs["symmetric_deg"])
    excyclo = np.concatenate([pairs["right_deg"], -pairs["left_deg"]])
    parts = np.mean(pairs["common_deg"] ** 2) + np.mean(pairs["symmetric_deg"] ** 2)
    assert np.mean(excyclo**2) == pytest.approx(parts)


def test_a_tilted_head_is_common_and_counts_for_no_torsion():
    pairs = pd.DataFrame(
        {"right_deg": [5.0, 4.0], "left_deg": [5.0, 4.0], "standard_uncertainty_deg": [0.1, 0.1]}
    )
    found = both_eyes(pairs, rng=generator())
    assert found.common.mean_deg.value == 4.5
    assert found.symmetric.mean_deg.value == 0.0
    assert found.before["both counter-clockwise"] == 2
    assert found.after == {"excyclo": 0, "incyclo": 0, "none": 2}


def test_published_parts_add_up():
    """Br J Ophthalmol 2015;99:49, 310 eyes of 155 patients (read on an author page): TR = CY + NCY.

    TR 1.43 ± 3.41, CY 1.43 ± 2.04, NCY -0.28 ± 2.72; excyclo-positive, so NCY cancels in the mean.  The same
    group's abstract (IOVS, 55 patients) counts 23, 6, 17 and 9 of 55, and 39, 14, 2 after correction.
    """
    assert math.hypot(2.04, 2.72) == pytest.approx(3.41, abs=0.015)  # of the rounding of three numbers
    rng = generator()
    cy, ncy = rng.normal(0, 1, 155), rng.normal(0, 1, 155)
    cy = 1.43 + 2.04 * (cy - cy.mean()) / cy.std(ddof=1)
    ncy = -0.28 + 2.72 * (ncy - ncy.mean()) / ncy.std(ddof=1)
    pairs = pd.DataFrame({"right_deg": cy + ncy, "left_deg": ncy - cy, "standard_uncertainty_deg": 0.0})
    found = both_eyes(pairs, rng=rng, resamples=100)
    assert found.symmetric.mean_deg.value == pytest.approx(1.43)
    assert found.symmetric.sd_deg.value == pytest.approx(2.04)
    assert found.common.mean_deg.value == pytest.approx(-0.28)
    assert found.common.sd_deg.value == pytest.approx(2.72)
    assert sum(found.before.values()) == sum(found.after.values()) == 155
    assert sum((23, 6, 17, 9)) == sum((39, 14, 2)) == 55


# ---------------------------------------------------------------- posture


def test_controls_take_out_what_posture_did_not_do():
    found = posture_effect(
        observations(cohort(generator(), patients=300, controls=True)), rng=generator(), resamples=200
    )
    # 300 patients know a spread of 3.4 within 0.15.
    assert found.sd_deg.value == pytest.approx(math.hypot(SD_DEG, TILT_DEG), abs=0.3)
    assert found.control_rms_deg["seated-seated"] == pytest.approx(NOISE_DEG, rel=0.1)
    assert found.note == ""


def test_without_controls_a_sentence_says_what_the_figures_hold():
    found = posture_effect(observations(cohort(generator())), rng=generator())
    assert found.sd_deg.value is None
    assert "fewer than 3 usable control pairs" in found.note


def of_one_posture(patients=20):
    """Repeated controls and nothing else."""
    made = cohort(generator(), patients=patients, sd_deg=0.0, mean_deg=0.0, tilt_deg=0.0)
    return made.assign(posture="seated-seated")


def test_controls_alone_say_nothing_about_posture():
    found = posture_effect(observations(of_one_posture()), rng=generator())
    assert found.of["seated-supine"] == 0
    assert found.of["seated-seated"] == found.pairs["seated-seated"] > 0
    assert found.sd_deg.value is None
    assert "nothing about posture" in found.note


# ---------------------------------------------------------------- repeats

# Shrout and Fleiss 1979, doi:10.1037/0033-2909.86.2.420: 6 targets, 4 judges.  Data and six values to two
# decimals were read in a test of an R package that asserts them; further decimals are recomputed.
JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
SIX = {
    "ICC(1,1)": (0.17, 0.165742, (-0.13, 0.72)),
    "ICC(2,1)": (0.29, 0.289764, (0.02, 0.76)),
    "ICC(3,1)": (0.71, 0.714841, (0.34, 0.95)),
    "ICC(1,k)": (0.44, 0.442797, (-0.88, 0.91)),
    "ICC(2,k)": (0.62, 0.620051, (0.07, 0.93)),
    "ICC(3,k)": (0.91, 0.909316, (0.68, 0.99)),
}


@pytest.mark.parametrize("form", SIX)
def test_six_forms_of_shrout_and_fleiss(form):
    found, (published, recomputed, interval) = intraclass(JUDGES)[form], SIX[form]
    assert round(found.value, 2) == published
    assert found.value == pytest.approx(recomputed, abs=1e-6)
    assert found.interval_95 == pytest.approx(interval, abs=0.006)  # of the rounding


def test_six_forms_agree_with_an_independent_package():
    with warnings.catch_warnings():  # the package warns of its own use of pandas
        warnings.simplefilter("ignore")
        import pingouin

        ratings = (
            generator(4).normal(size=(12, 1)) + generator(5).normal(0.0, 0.6, (12, 3)) + [0.0, 0.3, -0.2]
        )
        long = pd.DataFrame(
            {"who": np.repeat(np.arange(12), 3), "by": np.tile(np.arange(3), 12), "value": ratings.ravel()}
        )
        theirs = pingouin.intraclass_corr(long, targets="who", raters="by", ratings="value")
    mine = list(intraclass(ratings).values())
    singles_first = [mine[place] for place in (0, 2, 4, 1, 3, 5)]
    interval = next(name for name in theirs.columns if name.startswith("CI95"))
    for one, value, ends in zip(singles_first, theirs["ICC"], theirs[interval], strict=True):
        assert one.value == pytest.approx(value, abs=1e-9)
        assert one.interval_95 == pytest.approx(tuple(ends), abs=0.006)  # theirs are rounded


def test_consistency_and_agreement_of_three_shifted_pairs():
    """Pairs (2,4), (4,6), (6,8): consistency 1, absolute agreement 0.6667 (read in a program's manual)."""
    found = intraclass([[2, 4], [4, 6], [6, 8]])
    assert found["ICC(3,1)"].value == 1.0
    assert found["ICC(3,1)"].interval_95 is None
    assert found["ICC(2,1)"].value == pytest.approx(8 / 12)


@pytest.mark.parametrize(
    ("ratings", "match"),
    [([[1.0, 2.0]], "2 or more subjects"), ([[1.0, 2.0], [2.0, 1.0]], "differ between subjects")],
)
def test_ratings_that_give_no_correlation(ratings, match):
    with pytest.raises(ValueError, match=match):
        intraclass(ratings)


def test_one_way_components_are_those_of_the_first_form():
    subjects = np.repeat(np.arange(6), 4)
    assert components(np.ravel(JUDGES), subjects).icc == pytest.approx(0.165742, abs=1e-6)
    assert within_subject_sd(np.ravel(JUDGES), subjects) == pytest.approx(math.sqrt(6.2639), abs=1e-4)


def test_a_patient_drawn_twice_does_not_become_one_subject():
    data = observations(cohort(generator(), patients=12, repeats=3))
    found = repeatability(data, rng=generator(), resamples=300)
    # 24 eyes with 2 degrees of freedom each know their spread within a tenth: 0.3 ± 0.06.
    assert found.within_sd_deg.interval_95[0] < NOISE_DEG < found.within_sd_deg.interval_95[1]
    assert found.within_sd_deg.interval_95[1] < 1.3 * NOISE_DEG
    assert found.coefficient_deg.value == pytest.approx(1.96 * math.sqrt(2.0) * found.within_sd_deg.value)
    assert found.over_stated == pytest.approx(1.0, abs=0.3)


def test_repeats_that_share_a_photo_are_said_to_hang_together():
    made = cohort(generator(), patients=10)
    fresh = repeatability(observations(made), rng=generator(), resamples=10)
    assert "share" not in fresh.within_sd_deg.note
    first = made["patient"] == "P000"
    made.loc[first, "seated"] = made.loc[first, "eye"] + ".png"
    shared = repeatability(observations(made), rng=generator(), resamples=10)
    eyes_of_first = made.loc[first, "eye"].nunique()
    assert f"Repeats of {eyes_of_first} of {shared.eyes} eyes share a photo" in shared.within_sd_deg.note
    assert shared.within_sd_deg.value == fresh.within_sd_deg.value


def test_a_photo_is_told_by_its_content_where_that_is_known():
    made = cohort(generator(), patients=5, repeats=2).assign(
        **{"record.sha256.seated": "a", "record.sha256.supine": "b"}
    )
    data = observations(made)
    assert len(data) == len(made) / 2
    assert list(data["repeat"]) == ["1"] * len(data)


def test_controls_repeat_but_have_no_intraclass_correlation():
    found = repeatability(
        observations(of_one_posture()), rng=generator(), posture="seated-seated", resamples=100
    )
    assert found.within_sd_deg.value == pytest.approx(NOISE_DEG, rel=0.3)  # 36 eyes know it within 0.12
    assert found.icc.value is None
    assert "no torsion" in found.icc.note


def test_sessions_are_compared_by_their_means():
    one = cohort(generator(), patients=30, repeats=2)
    other = one.assign(session="2", seated="2/" + one["seated"], rotation_deg=one["rotation_deg"] + 1.0)
    found = repeatability(
        observations(pd.concat([one, other])), rng=generator(), over="session", resamples=100
    )
    assert found.values == 2 * found.eyes
    assert found.within_sd_deg.value == pytest.approx(math.sqrt(0.5))  # every difference is 1


# ---------------------------------------------------------------- agreement

# Bland and Altman, Lancet 1986;i:307, doi:10.1016/S0140-6736(86)90837-8, peak flow in l/min: 2 readings of a
# Wright meter, two of a mini meter, 17 subjects.  The data were read in two independent files, r = 0.94 in a
# copy of the paper; the other printed figures are from memory, so the results are held to recomputed ones.
PEAK_FLOW = np.array(
    [
        [494, 490, 512, 525], [395, 397, 430, 415], [516, 512, 520, 508], [434, 401, 428, 444],
        [476, 470, 500, 500], [557, 611, 600, 625], [413, 415, 364, 460], [442, 431, 380, 390],
        [650, 638, 658, 642], [433, 429, 445, 432], [417, 420, 432, 420], [656, 633, 626, 605],
        [267, 275, 260, 227], [478, 492, 477, 467], [178, 165, 259, 268], [423, 372, 350, 370],
        [427, 421, 451, 443],
    ],
    dtype=float,
)  # fmt: skip
WRIGHT, MINI = PEAK_FLOW[:, :2], PEAK_FLOW[:, 2:]


def test_bland_and_altman_1986_with_a_multiplier_of_two():
    found = bland_altman(WRIGHT[:, 0], MINI[:, 0], multiplier=2.0)
    assert round(float(np.corrcoef(WRIGHT[:, 0], MINI[:, 0])[0, 1]), 2) == 0.94
    assert found.bias.value == pytest.approx(-2.1176, abs=1e-4)
    assert found.sd == pytest.approx(38.7651, abs=1e-4)
    assert found.bias.interval_95 == pytest.approx((-22.05, 17.81), abs=0.01)
    assert found.lower.value == pytest.approx(-79.648, abs=1e-3)
    assert found.upper.value == pytest.approx(75.413, abs=1e-3)
    assert found.lower.interval_95 == pytest.approx((-114.17, -45.13), abs=0.01)
    assert found.upper.interval_95 == pytest.approx((40.89, 109.93), abs=0.01)


def test_bland_and_altman_with_the_later_multiplier():
    found = bland_altman(WRIGHT[:, 0], MINI[:, 0])
    assert (found.lower.value, found.upper.value) == pytest.approx((-78.097, 73.862), abs=1e-3)


@pytest.mark.parametrize(("readings", "coefficient"), [(WRIGHT, 43.29), (MINI, 56.32)])
def test_repeatability_of_1986(readings, coefficient):
    """Their coefficient is 2 sqrt(sum d^2 / n): about zero, with 2 in place of 1.96."""
    sd = within_subject_sd(readings.ravel(), np.repeat(np.arange(17), 2))
    assert 2.0 * math.sqrt(2.0) * sd == pytest.approx(coefficient, abs=0.01)


def test_spread_of_single_readings_from_means_of_two():
    means = WRIGHT.mean(axis=1) - MINI.mean(axis=1)
    assert (float(np.mean(means)), float(np.std(means, ddof=1))) == pytest.approx((-6.029, 33.204), abs=1e-3)
    subjects = np.repeat(np.arange(17), 2)
    wright, mini = (within_subject_sd(readings.ravel(), subjects) for readings in (WRIGHT, MINI))
    single = sd_of_single(float(np.std(means, ddof=1)), first=(wright, 2), second=(mini, 2))
    assert single == pytest.approx(37.65, abs=0.01)


def test_bland_altman_agrees_with_an_independent_computation():
    """Giavarina 2015, 30 pairs that an independent package ships, with its results."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pingouin

        pairs = pingouin.read_dataset("blandaltman")
    found = bland_altman(pairs["A"], pairs["B"])
    assert found.bias.value == pytest.approx(-27.1667, abs=1e-4)
    assert found.sd == pytest.approx(34.8060, abs=1e-4)
    assert (found.lower.value, found.upper.value) == pytest.approx((-95.386, 41.053), abs=1e-3)


def test_swapping_the_methods_mirrors_the_limits():
    forth = bland_altman(WRIGHT[:, 0], MINI[:, 0])
    back = bland_altman(MINI[:, 0], WRIGHT[:, 0])
    assert back.bias.value == -forth.bias.value
    assert back.lower.interval_95 == pytest.approx(tuple(-end for end in reversed(forth.upper.interval_95)))
    assert back.slope.value == pytest.approx(-forth.slope.value)


def test_proportional_bias_is_seen():
    rng = generator()
    truth = rng.normal(0.0, 3.0, 80)
    steady = bland_altman(truth + rng.normal(0, 0.5, 80), truth + rng.normal(0, 0.5, 80))
    growing = bland_altman(1.3 * truth + rng.normal(0, 0.5, 80), truth + rng.normal(0, 0.5, 80))
    assert steady.slope_p > 0.01
    assert growing.slope_p < 0.001
    assert growing.slope.value == pytest.approx(0.3 / 1.15, abs=0.06)  # difference over mean of both


def test_clustered_pairs_keep_the_variance_between_patients():
    rng = generator()
    patients = np.repeat(np.arange(200), 2)
    own = rng.normal(0.0, 2.0, 200)[patients]  # a patient's own difference, the same in both eyes
    difference = own + rng.normal(0.0, 1.0, 400)
    found = bland_altman(difference, np.zeros(400), patients)
    assert found.sd == pytest.approx(math.sqrt(5.0), rel=0.1)
    independent = bland_altman(difference, np.zeros(400))
    width = [one.upper.interval_95[1] - one.upper.interval_95[0] for one in (found, independent)]
    assert width[0] > 1.15 * width[1]  # pairs are not worth as much as patients


def test_the_other_methods_degrees_are_in_the_cameras_frame():
    data = observations(table(**{"method.ring": ["2.0", "-2.0", "", "9"]}))
    assert compared(data, "method.ring")["other_deg"].tolist() == [2.0, 2.0]


def test_lists_of_unequal_length_are_no_pairs():
    with pytest.raises(ValueError, match="two lists of equal length"):
        bland_altman([1.0, 2.0], [1.0])


# ---------------------------------------------------------------- dependence and refusals


def test_an_effect_of_the_camera_is_found_and_none_is_made_up():
    data = cohort(generator(2), patients=120, repeats=1)
    number = data["patient"].str[1:].astype(int)
    data["camera"] = np.where(number % 2 == 0, "one", "two")
    data["operator"] = np.where(number % 3 == 0, "x", "y")
    excyclo = np.where(data["eye"] == "OD", 1.0, -1.0)
    data["rotation_deg"] += 3.0 * excyclo * (data["camera"] == "two")
    found = {(one.column, one.outcome): one for one in dependence(observations(data))}
    camera, operator = found["camera", "torsion_deg"], found["operator", "torsion_deg"]
    (effect,) = camera.effects.values()
    assert effect.interval_95[0] < (3.0 if camera.reference == "one" else -3.0) < effect.interval_95[1]
    assert camera.p_adjusted < 0.001
    assert operator.p_adjusted > 0.01
    assert camera.p_adjusted >= camera.p


def test_minutes_are_a_slope():
    data = cohort(generator(2), patients=100, repeats=1, tilt_deg=0.2, sd_deg=0.5)
    minutes = generator(9).uniform(0, 60, len(data))
    data = data.assign(
        minutes=minutes,
        rotation_deg=data["rotation_deg"] + 0.05 * minutes * np.where(data["eye"] == "OD", 1, -1),
    )
    (slope,) = next(one for one in dependence(observations(data)) if one.column == "minutes").effects.values()
    assert slope.interval_95[0] < 0.05 < slope.interval_95[1]


def test_levels_with_few_patients_are_named_not_tested():
    data = cohort(generator(), patients=20, repeats=1)
    data["operator"] = np.where(data["patient"] == "P001", "rare", "usual")
    found = next(one for one in dependence(observations(data)) if one.column == "operator")
    assert found.p is None
    assert "rare" in found.note


def test_refusals_are_counted_with_their_reasons_and_bound_the_shares():
    data = cohort(generator(), patients=40, repeats=1, refused=0.2)
    data.loc[0, ["verdict", "flags", "reason", "rotation_deg"]] = ["", "", "the file is missing", np.nan]
    read = observations(data)
    found = refusals(read, eyes(read))
    assert found.pairs == found.usable + sum(found.reasons.values())
    assert found.reasons["the input could not be used"] == 1
    assert found.verdicts["error"] == 1
    low, high = found.bounds["3"]
    assert low < high
    assert high - low == pytest.approx((found.pairs - found.usable) / found.pairs)
    assert "not known" in found.selection.sentence or "cannot be told" in found.selection.sentence


@pytest.mark.parametrize("is_selective", [True, False])
def test_selection_by_size_is_said_aloud(is_selective):
    rng = generator(1)
    data = cohort(rng, patients=200, repeats=1)
    data["method.ring"] = data["rotation_deg"] + rng.normal(0.0, 0.5, len(data))
    chance = np.clip(0.05 * np.abs(data["rotation_deg"]), 0, 1) if is_selective else 0.15
    data.loc[rng.random(len(data)) < chance, "verdict"] = "refuse"
    read = observations(data)
    found = refusals(read, eyes(read)).selection
    assert found.known_by == "method.ring"
    said = "refused more often" if is_selective else "No sign that refusal depends"
    assert said in found.sentence


# ---------------------------------------------------------------- sample size


def test_subjects_for_an_intraclass_correlation():
    """Sample size by Bonett.

    Stat Med 2002;21:1331, doi:10.1002/sim.1108: 51 subjects, 55 with the addition (read in a
    calculator's manual; the formula is from memory and reproduces both).
    """
    assert bonett(0.8, 0.2) == pytest.approx(50.785, abs=1e-3)
    assert math.ceil(bonett(0.8, 0.2)) == 51
    assert subjects_for_icc(0.8, 0.2) == 55
    assert subjects_for_icc(0.8, 0.2, repeats=3) < 51


def test_the_number_of_patients_is_the_fewest_that_give_the_interval():
    from scipy.stats import t

    n = patients_for_mean(4.85, 1.0)
    halves = [t.ppf(0.975, k - 1) * 4.85 / math.sqrt(k) for k in (n - 1, n)]
    assert halves[0] > 1.0 >= halves[1]
    assert patients_for_mean(4.85, 1.0, both_eyes=1.0) == n
    assert patients_for_mean(4.85, 1.0, both_eyes=-0.2) < n / 2
    assert patients_for_limits(4.85, 1.0) > 2.9 * n  # a limit has three times the variance of a mean
    assert subjects_for_within_sd(0.2) < subjects_for_within_sd(0.1)


@pytest.mark.parametrize(
    ("ask", "match"),
    [
        (lambda: patients_for_mean(1.0, 0.0), "width must be positive, not 0"),
        (lambda: subjects_for_icc(1.0, 0.2), "icc must lie from 0 to below 1"),
        (lambda: subjects_for_within_sd(0.1, repeats=1), "repeats must be 2 or more, not 1"),
    ],
)
def test_impossible_wishes_are_refused(ask, match):
    with pytest.raises(ValueError, match=match):
        ask()


# ---------------------------------------------------------------- circular


@pytest.mark.parametrize(
    ("angles", "mean", "length", "p"),
    [
        # Mardia and Jupp 2000, Ex. 1.1: mean 51, R .711 (read in tests of two packages); decimals recomputed.
        ([43, 45, 52, 61, 75, 88, 88, 279, 357], 51.050, 0.71099, None),
        # Zar 2010, Ex. 26.2 and 27.1: mean 99, r .82522 (read in a package's tests); p recomputed.
        ([45, 55, 81, 96, 110, 117, 132, 154], 98.988, 0.82522, 0.00185),
        # Jammalamadaka and SenGupta, p. 23: mean 48.63, circular variance .16356 (read in a package).
        ([51, 67, 40, 109, 31, 358], 48.6272, 1.0 - 0.16356, None),
        # From scipy's tests: circular mean 0.167690146 (quoted in another package, reproduced).
        ([355, 5, 2, 359, 10, 350], 0.16769, None, None),
        # Fisher 1993, B.12, 15 pigeons; data read in a package, results recomputed.
        ([85, 135, 135, 140, 145, 150, 150, 150, 160, 285, 200, 210, 220, 225, 270], 172.119, 0.63736, None),
    ],
)
def test_published_circular_examples(angles, mean, length, p):
    found = concentration(angles)
    assert found.mean_deg == pytest.approx(mean, abs=1e-3)
    if length is not None:
        assert found.resultant == pytest.approx(length, abs=1e-5)
    if p is not None:
        assert found.p == pytest.approx(p, abs=1e-5)


def test_axes_have_no_ends():
    one = concentration([10.0, 30.0, 170.0], axial=True)
    other = concentration([190.0, 30.0, 350.0], axial=True)
    assert (one.mean_deg, one.resultant) == pytest.approx((other.mean_deg, other.resultant))
    assert concentration([0.0, 90.0], axial=True).mean_deg is None


def test_no_angles_have_no_mean():
    with pytest.raises(ValueError, match="at least one angle"):
        concentration([])


# ---------------------------------------------------------------- the whole summary


@pytest.mark.parametrize("patients", [0, 1, 2, 3, 7])
def test_few_patients_give_none_and_a_sentence(patients):
    data = cohort(generator(), patients=max(1, patients), repeats=2, one_eyed=0.0).iloc[: 4 * patients]
    found = summarise(data, resamples=100)
    for estimate in (found.torsion.mean_deg, found.torsion.sd_deg, found.repeatability[0].within_sd_deg):
        assert estimate.interval_95 is not None or estimate.note
        assert estimate.value is not None or estimate.note
    assert found.to_dict()["torsion"]["patients"] == patients


def test_nothing_usable_is_a_summary_too():
    found = summarise(cohort(generator(), refused=1.0), resamples=50)
    assert found.torsion.eyes == 0
    assert found.refusals.refused.value == 1.0


def test_identical_values_do_not_trip_anything():
    data = cohort(generator(), sd_deg=0.0, tilt_deg=0.0, noise_deg=0.0).assign(camera="one")
    data.loc[::2, "camera"] = "two"
    data["method.ring"] = data["rotation_deg"]
    found = summarise(data, resamples=50)
    assert found.torsion.sd_deg.value == pytest.approx(0.0, abs=1e-9)
    assert found.torsion.mean_deg.value == pytest.approx(MEAN_DEG)


def test_the_same_table_gives_the_same_summary_in_any_order_of_rows():
    data = cohort(generator(), patients=20)
    assert summarise(data, resamples=50) == summarise(data.copy(), resamples=50)
    shuffled = summarise(data.sample(frac=1.0, random_state=1), resamples=50)
    assert shuffled.torsion.mean_deg.value == pytest.approx(
        summarise(data, resamples=50).torsion.mean_deg.value
    )


def test_the_summary_holds_plain_values_only():
    import json

    text = json.dumps(
        summarise(cohort(generator(), patients=15, controls=True), resamples=50).to_dict(), allow_nan=False
    )
    assert "excyclo-positive" in text


def test_a_number_that_is_not_finite_is_none():
    assert plain(Estimate(math.inf, None, 3))["value"] is None
    with pytest.raises(TypeError, match="plain value, not set"):
        plain({"a": {1, 2}})


# ---------------------------------------------------------------- recovery of a known cohort


def recovered(seed, *, resamples):
    """Whether each interval of one made-up cohort holds the truth."""
    from scipy.stats import norm

    rng = generator([7, seed])
    data = observations(cohort(rng, controls=True))
    moved = data[data["posture"] == "seated-supine"]
    by_eye, options = eyes(data), {"rng": rng, "resamples": resamples}
    other = moved["torsion_deg"] + rng.normal(0.5, 1.2, len(moved))
    torsion, pairs = describe(by_eye, **options), both_eyes(pairs_of_eyes(by_eye), **options)
    repeats, posture = repeatability(data, **options), posture_effect(data, **options)
    limits = bland_altman(other, moved["torsion_deg"], moved["patient"])
    spread = math.hypot(SD_DEG, TILT_DEG)
    seen = math.hypot(spread, NOISE_DEG / math.sqrt(2.0))  # of an eye's mean of two pairs
    from_three = float(norm.sf((3.0 - MEAN_DEG) / seen) + norm.cdf((-3.0 - MEAN_DEG) / seen))
    truths = {
        "mean": (torsion.mean_deg, MEAN_DEG),
        "spread": (torsion.sd_deg, seen),
        "true spread": (torsion.true_sd_deg, spread),
        "mean size": (torsion.absolute_mean_deg, folded_mean_deg(MEAN_DEG, seen)),
        "true mean size": (torsion.true_absolute_mean_deg, folded_mean_deg(MEAN_DEG, spread)),
        "share from 3": (torsion.shares["3"], from_three),
        "symmetric mean": (pairs.symmetric.mean_deg, MEAN_DEG),
        "symmetric spread": (pairs.symmetric.true_sd_deg, SD_DEG),
        "tilt": (pairs.common.true_sd_deg, TILT_DEG),
        "noise": (repeats.within_sd_deg, NOISE_DEG),
        "posture": (posture.sd_deg, spread),
        "bias": (limits.bias, 0.5),
        "lower limit": (limits.lower, 0.5 - 1.96 * 1.2),
        "upper limit": (limits.upper, 0.5 + 1.96 * 1.2),
    }
    return {name: one.interval_95[0] <= truth <= one.interval_95[1] for name, (one, truth) in truths.items()}


def test_a_known_cohort_is_recovered_quickly():
    """Twelve cohorts: chance leaves 95 % at 88 % or more, since the intervals of a cohort go together."""
    hits = [list(recovered(seed, resamples=150).values()) for seed in range(12)]
    assert np.mean(hits) > 0.85


@pytest.mark.study
def test_a_known_cohort_is_recovered_93_to_97_times_in_100():
    """A thousand cohorts of 60 patients: 95 % is known within 1.4 percentage points."""
    hits = pd.DataFrame([recovered(seed, resamples=500) for seed in range(1000)]).mean()
    print(hits.round(3).to_string())
    assert hits.between(0.93, 0.97).all(), hits.to_string()
