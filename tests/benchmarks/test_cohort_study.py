"""Arithmetic of the study of gain."""

import pytest

from tests.benchmarks.cohort_study import Block, drift, median_interval, ratio


def test_a_machine_that_slows_down_does_not_enter_the_ratio() -> None:
    one = Block(before=100.0, pairs_a_second=10.0, after=80.0)
    two = Block(
        before=90.0, pairs_a_second=10.0, after=90.0
    )  # twice the work, at half the speed of the machine
    assert ratio(one, two) == pytest.approx(1.0)
    assert drift(one) == pytest.approx(-0.2)


def test_the_median_of_nine_lies_between_the_second_and_the_eighth() -> None:
    low, high, coverage = median_interval([9, 1, 8, 2, 7, 3, 6, 4, 5])
    assert (low, high) == (2, 8)
    assert coverage == pytest.approx(
        1.0 - 2.0 * 10.0 / 512.0
    )  # a coin thrown nine times shows one head at most
    assert median_interval([1.0])[:2] == (1.0, 1.0)
