"""Push test and creep against beam formulas, statsmodels, scipy.stats and scipy.optimize."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from labkit.analyse.creep import creep_under_load
from labkit.analyse.stiffness import push_test
from labkit.base import Estimate
from labkit.model.strip import strip_modulus_from_push

UM = 1e-6
RISE = np.linspace(0, 80, 9)
CYCLE = np.r_[RISE, RISE[-2::-1]]
FALLING = np.arange(CYCLE.size) > 8


def ends(estimate):
    return estimate.interval.low, estimate.interval.high


def noisy(seed, *, repeats=1, loop=0.0, sd=1 * UM):
    rng = np.random.default_rng(seed)
    force, falling = np.tile(CYCLE, repeats), np.tile(FALLING, repeats)
    return force, UM * force + loop * falling + sd * rng.standard_normal(force.size)


@pytest.mark.parametrize(
    "factor, stiffness",
    # deflection PL³/(factor·EI) of a steel beam 40×5 mm, E = 200 GPa, L = 0.4 m, dead loads up to 40 N.
    # Roark's Formulas for Stress and Strain, Table 8.1: rests 48, clamps 192, cantilever 3, clamp and rest 768/7
    # (the last from memory)
    [(48, 62500.0), (192, 250000.0), (3, 3906.25), (768 / 7, 142857.142857)],
)
def test_beam_formulas_from_dial_readings(factor, stiffness):
    load = np.tile(np.array([5, 10, 15, 20, 25, 30, 35, 40, 35, 30, 25, 20, 15, 10, 5.0]), 3)
    deflection = load * 0.4**3 / (factor * 200e9 * 0.04 * 0.005**3 / 12)
    reading = np.rint((deflection + 20 * UM) / UM) * UM  # 1 µm dial, its zero 20 µm off
    got = push_test(load, reading, preload_n=5.0, force_sd_n=0.0, reading_sd_m=0.1 * UM, reading_step_m=UM)
    assert got.stiffness_n_per_m.interval.contains(stiffness)
    assert got.stiffness_n_per_m.value == pytest.approx(stiffness, rel=0.005)
    if factor == 48:
        exact = [Estimate.from_standard_error(v, 0.0, dof=math.inf) for v in (0.4, 0.04, 0.005)]
        young = strip_modulus_from_push(
            got.stiffness_n_per_m, span_m=exact[0], width_m=exact[1], thickness_m=exact[2], supports="two rests"
        )
        assert young.interval.contains(200e9) and young.value == pytest.approx(200e9, rel=0.005)


def test_one_repeat_equals_the_analysis_of_covariance_of_statsmodels():
    force, reading = noisy(1)
    got = push_test(force, reading, preload_n=0.0, force_sd_n=0.0, reading_sd_m=UM, reading_step_m=0.0)
    assert got.used.all()
    line = sm.OLS(reading, np.column_stack([np.ones(17), FALLING, force])).fit()
    assert got.compliance_m_per_n.value == pytest.approx(line.params[2], rel=1e-9)
    assert got.compliance_m_per_n.standard_error == pytest.approx(line.bse[2], rel=1e-9)
    assert ends(got.compliance_m_per_n) == pytest.approx(line.conf_int()[2], rel=1e-9)
    assert got.hysteresis_m.value == pytest.approx(line.params[1], rel=1e-9)
    assert ends(got.hysteresis_m) == pytest.approx(line.conf_int()[1], rel=1e-9)
    assert got.residual_sd_m == pytest.approx(math.sqrt(line.scale), rel=1e-9)
    x = (force - 40) / 40
    bent = sm.OLS(reading, np.column_stack([np.ones(17), FALLING, x, x**2])).fit()
    scale = 4 / (40 * got.compliance_m_per_n.value)
    assert ends(got.compliance_change) == pytest.approx(scale * bent.conf_int()[3], rel=1e-9)


def test_several_repeats_equal_student_on_their_slopes():
    force, reading = noisy(2, repeats=6)
    got = push_test(force, reading, preload_n=5.0, force_sd_n=0.0, reading_sd_m=UM, reading_step_m=0.0)
    expected = stats.ttest_1samp(got.repeat_compliances_m_per_n, 0).confidence_interval(0.95)
    assert ends(got.compliance_m_per_n) == pytest.approx(tuple(expected), rel=1e-9)
    slopes = [
        sm.OLS(y[f >= 5], np.column_stack([np.ones(15), FALLING[f >= 5], f[f >= 5]])).fit().params[2]
        for f, y in zip(force.reshape(6, -1), reading.reshape(6, -1))
    ]
    assert got.repeat_compliances_m_per_n == pytest.approx(slopes, rel=1e-9)


def distance_line(x, y, sd_x, sd_y):
    """Slope of a line and its standard error, errors in both variables: least squares over the line and every true x.

    The whole problem of orthogonal distance regression handed to a general solver, without any closed form.
    """

    def distances(p):
        return np.concatenate([(x - p[2:]) / sd_x, (y - p[0] - p[1] * p[2:]) / sd_y])

    found = optimize.least_squares(distances, [0.0, 1.0, *x], xtol=1e-12, ftol=1e-12, gtol=1e-12)
    covariance = np.linalg.inv(found.jac.T @ found.jac) * 2 * found.cost / (x.size - 2)
    return found.x[1], math.sqrt(covariance[1, 1])


def test_errors_in_both_variables_against_orthogonal_distance_regression():
    rng = np.random.default_rng(3)
    true = np.linspace(10, 80, 40)
    for sd in (2.0, 5.0):
        force, reading = true + sd * rng.standard_normal(40), UM * true + 2 * UM * rng.standard_normal(40)
        got = push_test(force, reading, preload_n=0.0, force_sd_n=sd, reading_sd_m=2 * UM, reading_step_m=0.0,
                        repeat=np.zeros(40))  # fmt: skip
        keep = got.used
        slope, error = distance_line(force[keep], reading[keep] / UM, sd, 2.0)
        c = got.compliance_m_per_n
        plain = np.polyfit(force[keep], reading[keep], 1)[0]
        assert abs(c.value / UM - slope) < 0.25 * error
        assert abs(c.value / UM - slope) < 0.5 * abs(plain / UM - slope) or sd == 2.0
        assert c.standard_error / UM == pytest.approx(error, rel=0.15)


def test_power_law_of_creep_against_curve_fit():
    rng = np.random.default_rng(4)
    t = np.geomspace(10, 20_000, 30)
    x = 300 * UM + 10 * UM * ((t / 10) ** 0.3 - 1) + 0.3 * UM * rng.standard_normal(30)
    got = creep_under_load(t, x, reading_step_m=0.0)
    assert got.law == "power" and got.residual_correlation < 0.5
    p, covariance = optimize.curve_fit(lambda u, a, b, n: a + b * (u**n - 1), t / 10, x / UM, p0=[300, 10, 0.3])
    stretch = math.sqrt((1 + got.residual_correlation) / (1 - got.residual_correlation))
    assert got.coefficients * [1 / UM, 1 / UM, 1] == pytest.approx(p, rel=1e-4)
    assert got.exponent.standard_error == pytest.approx(stretch * math.sqrt(covariance[2, 2]), rel=2e-3)
