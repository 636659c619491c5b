"""Medians and percentiles against NumPy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from torsion.quantiles import median, percentile, row_medians

finite = st.floats(-1e3, 1e3, allow_nan=False)


@given(arrays(np.float64, st.integers(1, 40), elements=finite), st.floats(0.0, 100.0))
def test_percentiles_are_those_of_numpy(values, percent):
    assert percentile(values, percent) == pytest.approx(np.percentile(values, percent), abs=1e-9)
    assert median(values) == pytest.approx(np.median(values), abs=1e-9)


@given(arrays(np.float64, st.tuples(st.integers(1, 6), st.integers(1, 9)), elements=finite))
def test_medians_of_rows_are_those_of_numpy(values):
    assert row_medians(values) == pytest.approx(np.median(values, axis=1), abs=1e-9)


def test_order_and_shape_do_not_matter():
    values = np.random.default_rng(0).normal(size=(5, 8))
    assert median(values) == median(values[::-1, ::-1].ravel())


def test_no_value_has_no_median():
    assert np.isnan(median(np.zeros(0)))
