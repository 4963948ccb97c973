"""Small-sample statistics: properties, power by simulation, refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.decide.inference import (
    detectable_shift,
    effective_dof,
    hedges_g,
    holm_adjusted,
    holm_alphas,
    mean_difference,
    power_of_test,
    repeats_needed,
)

p_values = st.lists(st.floats(0, 1), min_size=1, max_size=12)


@given(p=p_values, alpha=st.floats(0.001, 0.5))
def test_a_hurdle_is_cleared_exactly_when_the_adjusted_probability_is_small(p, alpha):
    adjusted, hurdles = holm_adjusted(p), holm_alphas(p, alpha=alpha)
    clear = (np.abs(adjusted - alpha) > 1e-9) & (np.abs(np.array(p) - hurdles) > 1e-9)  # not on the edge itself
    assert ((adjusted <= alpha) == (np.array(p) <= hurdles))[clear].all()
    assert (hurdles >= alpha / len(p) - 1e-15).all() and (hurdles <= alpha).all()


def test_after_the_first_failure_the_hurdle_stays():
    # third smallest: 0.02 > 0.05/3; without the stop, 0.024 would clear 0.05/2
    assert holm_alphas([0.001, 0.002, 0.02, 0.024, 0.9]) == pytest.approx([0.01, 0.0125, 0.05 / 3, 0.05 / 3, 0.05 / 3])


def test_no_questions_no_answers():
    assert holm_adjusted([]).size == holm_alphas([]).size == 0


# ---------------------------------------------------------------------------------------- means
def test_one_side_without_scatter_rests_on_the_other():
    got = mean_difference([2.0, 2.0, 2.0, 2.0], [3.0, 3.2, 2.8])
    assert got.dof == pytest.approx(2.0)
    assert got.difference.standard_error == pytest.approx(0.2 / np.sqrt(3))


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_no_scatter_at_all_leaves_the_uncertainty_unknown(scale):
    third = scale / 3
    got = mean_difference([third, third, third * (1 + 2e-16)], [2 * third] * 3)
    assert got.difference.value == pytest.approx(third)
    assert np.isnan([got.difference.standard_error, got.t, got.dof, got.p_value]).all()
    assert not got.difference.interval.known


def test_pairs_take_out_what_they_share():
    shared = np.array([0.0, 10.0, 20.0, 30.0])
    before, after = np.add(shared, [0.0, 0.1, -0.1, 0.0]), np.add(shared, [1.1, 0.9, 1.0, 1.0])
    assert mean_difference(before, after, paired=True).p_value < 1e-3
    assert mean_difference(before, after).p_value > 0.5
    with pytest.raises(ValueError, match="before has 4 repeats, after 3"):
        mean_difference(before, after[:3], paired=True)


def test_one_value_is_no_repeat():
    with pytest.raises(ValueError, match=r"after has 1 sample.*at least 2"):
        mean_difference([1.0, 2.0], [3.0])


@pytest.mark.parametrize("dofs", [[3.0], [3.0, 0.0], [3.0, -1.0]])
def test_degrees_of_freedom_are_checked(dofs):
    with pytest.raises(ValueError, match="one number above 0 for each of 2"):
        effective_dof([1.0, 2.0], dofs)


def test_an_exactly_known_part_takes_no_degrees_of_freedom():
    assert effective_dof([3.0, 4.0], [np.inf, 10.0]) == pytest.approx(5**4 / (4**4 / 10))
    assert effective_dof([1.0], [np.inf]) == np.inf
    assert effective_dof([1e-100, 1e-100], [4, 4]) == pytest.approx(8.0)


# ---------------------------------------------------------------------------------------- power
@settings(max_examples=60, deadline=None)
@given(
    dof=st.floats(1, 1e4),
    alpha=st.floats(1e-4, 0.2),
    power=st.floats(0.3, 0.99),
    scatter_dof=st.sampled_from([np.inf, 100.0, 10.0, 4.0]),
)
def test_the_detectable_shift_has_the_power_it_states(dof, alpha, power, scatter_dof):
    shift = detectable_shift(dof=dof, alpha=alpha, power=power, scatter_dof=scatter_dof)
    assert power_of_test(shift, dof=dof, alpha=alpha, scatter_dof=scatter_dof) == pytest.approx(power, abs=1e-4)


def test_power_without_a_shift_is_the_false_alarm_rate_and_rises_to_one():
    assert power_of_test(0.0, dof=7, alpha=0.03) == pytest.approx(0.03)
    powers = [power_of_test(s, dof=7) for s in np.linspace(0, 200, 401)]
    assert (np.diff(powers) >= -1e-12).all() and powers[-1] == pytest.approx(1.0)


def test_power_averaged_over_the_scatter_is_what_a_second_experiment_finds():
    rng = np.random.default_rng(30)
    n, factor = 4, 3.0
    first, second = rng.standard_normal((2, 200_000, 2, n))
    stated = factor * np.sqrt(first.var(axis=2, ddof=1).sum(axis=1) / n)  # the shift, in the scatter seen first
    difference = stated + second[:, 1].mean(axis=1) - second[:, 0].mean(axis=1)
    t = difference / np.sqrt(second.var(axis=2, ddof=1).sum(axis=1) / n)
    seen = np.mean(np.abs(t) > 2.4469)  # t quantile 0.975, 6 degrees of freedom
    assert power_of_test(factor, dof=6, scatter_dof=6) == pytest.approx(seen, abs=0.004)


@pytest.mark.parametrize(("effect", "paired"), [(0.5, False), (1.3, False), (6.0, False), (0.7, True), (3.0, True)])
def test_repeats_needed_are_enough_and_one_less_is_not(effect, paired):
    n = repeats_needed(effect, paired=paired)

    def power(k):
        return power_of_test(effect * np.sqrt(k if paired else k / 2), dof=k - 1 if paired else 2 * k - 2)

    assert power(n) >= 0.8 > (power(n - 1) if n > 2 else 0)


def test_no_effect_is_never_seen():
    assert repeats_needed(0.0) == np.inf
    assert repeats_needed(1e-4) == np.inf
    assert 15_000 < repeats_needed(0.03) < 20_000


def test_a_badly_known_scatter_asks_for_more_repeats():
    assert repeats_needed(1.0, scatter_dof=6) > repeats_needed(1.0, scatter_dof=60) >= repeats_needed(1.0)


def test_power_below_the_false_alarm_rate_is_no_goal():
    with pytest.raises(ValueError, match=r"power is 0.05.*above 0.1"):
        detectable_shift(dof=4, alpha=0.1, power=0.05)


def test_effect_size_needs_scatter():
    with pytest.raises(ValueError, match="all values are equal"):
        hedges_g([1.0, 1.0], [2.0, 2.0])
