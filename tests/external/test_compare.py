"""The statistics of before/after against published values, scipy and statsmodels."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower, TTestPower
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from labkit.base import Estimate
from labkit.decide.compare import Metric, compare_metrics
from labkit.decide.inference import (
    effective_dof,
    hedges_g,
    holm_adjusted,
    mean_difference,
    power_of_test,
    relative_sd_of_sd,
    repeats_needed,
)
from labkit.decide.percentile import repeats_for_maximum

# Student, Biometrika 6 (1908) 1: hours of sleep gained by ten patients under two drugs
DRUG_1 = (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0)
DRUG_2 = (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4)


def ends(interval):
    return interval.low, interval.high


# --------------------------------------------------------------------------------------- published values
def test_sleep_data_as_two_groups():
    # output of R's t.test, printed in many places: t = −1.8608, df = 17.776, p = 0.07939, CI −3.3654832 … 0.2054832
    got = mean_difference(DRUG_2, DRUG_1)
    assert (got.t, got.dof, got.p_value) == pytest.approx((-1.8608135, 17.776474, 0.07939414), rel=1e-7)
    assert ends(got.difference.interval) == pytest.approx((-3.3654832, 0.2054832), abs=5e-8)


def test_sleep_data_as_pairs():
    # the same, paired: t = −4.0621, df = 9, p = 0.002833, CI −2.4598858 … −0.7001142
    got = mean_difference(DRUG_2, DRUG_1, paired=True)
    assert (got.t, got.dof, got.p_value) == pytest.approx((-4.0621277, 9.0, 0.0028328902), rel=1e-7)
    assert ends(got.difference.interval) == pytest.approx((-2.4598858, -0.7001142), abs=5e-8)


def test_effect_size_of_the_sleep_data():
    # Hedges 1981 (from memory), exact gamma form of J
    got = hedges_g(DRUG_1, DRUG_2)
    assert (got.d, got.correction, got.g) == pytest.approx((0.83218108, 0.95764643, 0.79693524), rel=1e-7)


def with_moments(n, mean, variance):
    """Any sample of n values with exactly this mean and variance."""
    x = np.arange(float(n))
    return mean + (x - x.mean()) / x.std(ddof=1) * np.sqrt(variance)


def test_summary_data_of_the_scipy_manual():
    # scipy.stats.ttest_ind_from_stats: 13 values of mean 15.0, variance 87.5 against 11 of 12.0, 39.0
    got = mean_difference(with_moments(11, 12.0, 39.0), with_moments(13, 15.0, 87.5))
    assert (got.t, got.p_value, got.dof) == pytest.approx((0.93584619, 0.35999819, 20.984611), rel=1e-7)


@pytest.mark.parametrize(("effect", "n"), [(0.8, 26), (1.0, 17), (1.5, 9), (2.0, 6), (3.0, 4)])
def test_repeats_for_eighty_per_cent_power(effect, n):
    # two-sided 5 %, noncentral t; the usual table (26 for d = 0.8: Cohen 1988, from memory)
    assert repeats_needed(effect) == n


@pytest.mark.parametrize(("coverage", "confidence", "n"), [(0.90, 0.90, 22), (0.95, 0.95, 59), (0.99, 0.95, 299)])
def test_repeats_for_a_distribution_free_bound(coverage, confidence, n):
    assert repeats_for_maximum(coverage=coverage, confidence=confidence) == n  # Wilks 1941, from memory


def test_end_gauge_of_the_gum():
    # JCGM 100, annex H.1 (inputs from memory; Eq. G.2b seen)
    components = [25.0, 9.7, 2.9, 16.6]
    assert np.hypot.reduce(components) == pytest.approx(31.671122, rel=1e-7)
    assert effective_dof(components, [18, 25.6, 50, 2]) == pytest.approx(16.764554, rel=1e-7)
    expanded = Estimate.from_standard_error(0.0, 32.0, dof=16, level=0.99).interval.half_width
    assert expanded == pytest.approx(93.465012, rel=1e-7)


@pytest.mark.parametrize(("n", "expected"), [(30, 0.13130643), (10, 0.23570226), (5, 0.35355339)])
def test_how_well_a_standard_deviation_is_known(n, expected):
    assert relative_sd_of_sd(n) == pytest.approx(expected, rel=1e-7)  # GUM, E.4.3: about 13 % for 30


# ---------------------------------------------------------------------------------------- independent programs
@pytest.mark.parametrize("seed", range(5))
def test_welch_equals_scipy_and_statsmodels(seed):
    rng = np.random.default_rng(seed)
    before, after = rng.normal(3, 1, rng.integers(3, 20)), rng.normal(4, 3, rng.integers(3, 20))
    got = mean_difference(before, after, level=0.9)
    theirs = stats.ttest_ind(after, before, equal_var=False)
    assert (got.t, got.p_value, got.dof) == pytest.approx((theirs.statistic, theirs.pvalue, theirs.df), rel=1e-9)
    means = CompareMeans(DescrStatsW(after), DescrStatsW(before))
    low, high = means.tconfint_diff(alpha=0.1, usevar="unequal")
    assert ends(got.difference.interval) == pytest.approx((low, high), rel=1e-9)


def test_pairs_equal_scipy():
    rng = np.random.default_rng(50)
    before, after = rng.normal(3, 1, 9), rng.normal(4, 3, 9)
    got, theirs = mean_difference(before, after, paired=True), stats.ttest_rel(after, before)
    assert (got.t, got.p_value, got.dof) == pytest.approx((theirs.statistic, theirs.pvalue, theirs.df), rel=1e-9)


def test_holm_equals_statsmodels():
    p = np.random.default_rng(51).uniform(0, 0.2, 15)
    assert holm_adjusted(p) == pytest.approx(multipletests(p, method="holm")[1], rel=1e-12)


@pytest.mark.parametrize(("effect", "alpha", "n"), [(0.3, 0.05, 20), (1.0, 0.01, 12), (2.0, 0.005, 4), (4.0, 0.05, 3)])
def test_power_equals_statsmodels(effect, alpha, n):
    theirs = TTestIndPower().power(effect, nobs1=n, alpha=alpha)
    assert power_of_test(effect * np.sqrt(n / 2), dof=2 * n - 2, alpha=alpha) == pytest.approx(theirs, rel=1e-9)
    theirs = TTestPower().power(effect, nobs=n, alpha=alpha)
    assert power_of_test(effect * np.sqrt(n), dof=n - 1, alpha=alpha) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(("effect", "power"), [(0.35, 0.8), (0.9, 0.9), (1.7, 0.95)])
def test_repeats_needed_equal_statsmodels_rounded_up(effect, power):
    theirs = TTestIndPower().solve_power(effect, alpha=0.05, power=power)
    assert repeats_needed(effect, power=power) == np.ceil(theirs)


def test_a_whole_comparison_equals_the_same_steps_in_statsmodels():
    rng = np.random.default_rng(52)
    sides = [(rng.lognormal(0, 0.2, 8), rng.lognormal(shift, 0.2, 11)) for shift in (0.0, -0.9, 0.25, 0.5)]
    found = compare_metrics(
        [
            Metric(name=str(k), unit="s", better="lower", before=tuple(b), after=tuple(a))
            for k, (b, a) in enumerate(sides)
        ]
    ).changes
    means = [CompareMeans(DescrStatsW(np.log(a)), DescrStatsW(np.log(b))) for b, a in sides]
    p = [m.ttest_ind(usevar="unequal")[1] for m in means]
    rejected, adjusted, _, _ = multipletests(p, alpha=0.05, method="holm")
    assert [c.p_adjusted for c in found] == pytest.approx(adjusted, rel=1e-9)
    assert [c.word != "no detectable difference" for c in found] == rejected.tolist()
    for change, m in zip(found, means):
        theirs = np.exp(m.tconfint_diff(alpha=1 - change.ratio.interval.level, usevar="unequal"))
        assert ends(change.ratio.interval) == pytest.approx(tuple(theirs), rel=1e-9)
