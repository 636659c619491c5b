"""Invariants of the masked circular correlation first, then its agreement with a plain loop."""

import numpy as np
import pytest
from scipy.ndimage import fourier_shift, gaussian_filter1d

from torsion.correlate import masked_circular_correlation, patch_correlation, refine_peak

ROWS, COLUMNS = 6, 120


def band(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((ROWS, COLUMNS))


def correlate(first, second, first_weight=None, second_weight=None):
    ones = np.ones((ROWS, COLUMNS))
    return masked_circular_correlation(
        first,
        second,
        reference_weight=ones if first_weight is None else first_weight,
        moving_weight=ones if second_weight is None else second_weight,
    )


@pytest.mark.parametrize("lag", [0, 1, 37, 59, 60, 119])
def test_rolling_by_any_lag_gives_that_lag(lag):
    score, _ = correlate(band(0), np.roll(band(0), lag, axis=1))
    assert score.argmax() == lag
    assert score.max() == pytest.approx(1.0, abs=1e-9)


def test_swapping_negates_the_lag():
    first, second = band(1), np.roll(band(1), 17, axis=1) + 0.3 * band(2)
    there, _ = correlate(first, second)
    back, _ = correlate(second, first)
    np.testing.assert_allclose(back, there[-np.arange(COLUMNS) % COLUMNS], atol=1e-9)


def test_lags_add():
    first = band(3)
    second, third = np.roll(first, 80, axis=1), np.roll(first, 80 + 75, axis=1)
    lags = [correlate(a, b)[0].argmax() for a, b in ((first, second), (second, third), (first, third))]
    assert (lags[0] + lags[1] - lags[2]) % COLUMNS == 0


def test_gain_and_offset_do_not_matter():
    first, second = band(4), np.roll(band(4), 9, axis=1) + band(5)
    plain, _ = correlate(first, second)
    changed, _ = correlate(3.0 * first + 40.0, 0.2 * second - 7.0)
    np.testing.assert_allclose(changed, plain, atol=1e-7)  # rounding of the offset of 40 in the spectra


def test_garbage_under_the_mask_changes_nothing():
    rng = np.random.default_rng(6)
    weight = (rng.uniform(size=(ROWS, COLUMNS)) > 0.3).astype(float)
    first, second = band(7), np.roll(band(7), 31, axis=1)
    clean, _ = correlate(first, second, weight, weight)
    dirty = [np.where(weight > 0, values, garbage) for values, garbage in ((first, np.nan), (second, 1e9))]
    np.testing.assert_array_equal(correlate(*dirty, weight, weight)[0], clean)


def test_score_is_bounded_and_read_only_input_works():
    first, second = band(8), band(9)
    for array in (first, second):
        array.setflags(write=False)
    score, overlap = correlate(first, second)
    assert np.abs(score).max() <= 1.0
    np.testing.assert_allclose(overlap, ROWS * COLUMNS)


def test_unrelated_bands_stay_low():
    highest = [correlate(band(100 + n), band(200 + n))[0].max() for n in range(40)]
    assert max(highest) < 0.25  # 720 samples: 0.04 standard deviation, best of 120 lags in 40 trials


def test_flat_and_empty_bands_give_zero():
    assert not correlate(np.ones((ROWS, COLUMNS)), band(10))[0].any()
    score, overlap = correlate(band(11), band(12), np.zeros((ROWS, COLUMNS)))
    assert not score.any()
    assert overlap.max() < 1e-9


def test_equals_a_plain_loop():
    rng = np.random.default_rng(13)
    first, second = band(14), band(15) + np.roll(band(14), 5, axis=1)
    weights = [(rng.uniform(size=(ROWS, COLUMNS)) > 0.4) * rng.uniform(0.5, 1.0, COLUMNS) for _ in range(2)]
    score, _ = correlate(first, second, *weights)
    for lag in range(0, COLUMNS, 7):
        moved, weight = np.roll(second, -lag, axis=1), weights[0] * np.roll(weights[1], -lag, axis=1)
        a, b = (values - np.average(values, weights=weight) for values in (first, moved))
        expected = (weight * a * b).sum() / np.sqrt((weight * a * a).sum() * (weight * b * b).sum())
        assert score[lag] == pytest.approx(expected, abs=1e-9)


def test_bands_of_different_shape_are_refused():
    with pytest.raises(ValueError, match=r"same rows and columns, not \(6, 120\) and \(5, 120\)"):
        masked_circular_correlation(
            band(0), band(0)[:5], reference_weight=np.ones((6, 120)), moving_weight=np.ones((5, 120))
        )


@pytest.mark.parametrize("shift", [3.37, 40.5, 118.8])
def test_peak_between_samples(shift):
    smooth = gaussian_filter1d(band(16), 2.0, axis=1, mode="wrap")
    moved = np.real(np.fft.ifft2(fourier_shift(np.fft.fft2(smooth), (0, shift))))
    score, _ = correlate(smooth, moved)
    # columns; a parabola through samples of a smooth peak
    assert refine_peak(score, int(score.argmax())) == pytest.approx(shift, abs=0.05)


def test_patches_correlate_as_whole_bands_do():
    rng = np.random.default_rng(8)
    reach, rows, columns = 2, 6, 90
    own, own_weights = rng.normal(size=(rows, columns)), rng.uniform(size=(4, rows, columns))
    other, other_weight = rng.normal(size=(2, rows + 2 * reach, columns))
    other_weight = np.clip(other_weight, 0.0, None)
    correlation, overlap = patch_correlation(
        own, other, patch_weights=own_weights, moving_weight=other_weight, reach=reach
    )
    for shift in range(2 * reach + 1):
        strip = slice(shift, shift + rows)
        expected, expected_overlap = masked_circular_correlation(
            own[None],
            other[None, strip],
            reference_weight=own_weights,
            moving_weight=other_weight[None, strip],
        )
        assert correlation[:, shift] == pytest.approx(expected, abs=1e-4)  # single precision
        assert overlap[:, shift] == pytest.approx(expected_overlap, rel=1e-4)
