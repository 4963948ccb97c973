"""Percentile bounds: coverage by simulation, refusals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.decide.percentile import quantile_bound, repeats_for_maximum


@pytest.mark.parametrize(
    ("n", "coverage", "confidence"),
    [(22, 0.9, 0.9), (60, 0.9, 0.9), (100, 0.8, 0.95), (12, 0.5, 0.9)],
)
def test_the_bound_covers_as_often_as_it_says(n, coverage, confidence):
    samples = np.random.default_rng(31).exponential(size=(20_000, n))
    rank = quantile_bound(samples[0], coverage=coverage, confidence=confidence).rank
    held = np.mean(np.sort(samples, axis=1)[:, rank - 1] >= -np.log(1 - coverage))
    assert held >= confidence - 0.006
    if rank > 1:  # and the next smaller value would not do
        assert np.mean(np.sort(samples, axis=1)[:, rank - 2] >= -np.log(1 - coverage)) < confidence + 0.006


def test_too_few_repeats_give_no_bound_but_say_how_far_they_reach():
    got = quantile_bound([3.0, 1.0, 2.0], coverage=0.9, confidence=0.9)
    assert np.isnan(got.value) and got.rank == 0
    assert got.confidence_of_maximum == pytest.approx(1 - 0.9**3)
    assert got.repeats_needed == 22


def test_a_move_that_never_settled_counts_as_the_longest():
    times = [0.1] * 24 + [np.inf]
    assert quantile_bound(times, coverage=0.9, confidence=0.9).value == np.inf
    with pytest.raises(ValueError, match=r"holds nan.*inf for one that never settled"):
        quantile_bound([0.1, np.nan])


@given(coverage=st.floats(0.01, 0.999), confidence=st.floats(0.01, 0.999))
def test_repeats_for_maximum_is_the_smallest_that_does(coverage, confidence):
    n = repeats_for_maximum(coverage=coverage, confidence=confidence)
    assert 1 - coverage**n >= confidence
    assert n == 1 or 1 - coverage ** (n - 1) < confidence
