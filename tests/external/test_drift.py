"""Drift against scipy's curve_fit, statsmodels' generalised least squares and a published thermal time constant."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import linalg, optimize, signal

from labkit.analyse.drift import fit_drift
from labkit.analyse.slow import SlowPositions
from labkit.analyse.warm_up import temperature_sensitivity, warm_up_wait


def autoregressive(rng, n, rho):
    kicks = math.sqrt(1 - rho**2) * rng.standard_normal(n)
    kicks[0] = rng.standard_normal()
    return signal.lfilter([1.0], [1.0, -rho], kicks)


def warm_up(t, final, start, tau):
    return final + start * np.exp(-t / tau)


@pytest.mark.parametrize("rho", [0.0, 0.6])
def test_one_time_constant_against_curve_fit_that_is_told_the_covariance(rho):
    rng = np.random.default_rng(21)
    t = 30.0 * np.arange(150)
    position = warm_up(t, 4.0, -15.0, 900.0) + 0.5 * autoregressive(rng, t.size, rho)
    told = 0.25 * linalg.toeplitz(rho ** np.arange(t.size))
    best, covariance = optimize.curve_fit(warm_up, t, position, p0=(3.0, -10.0, 600.0), sigma=told, absolute_sigma=True)
    drift = fit_drift(SlowPositions(time_s=t, position_m=1e-6 * position))
    error = np.sqrt(np.diag(covariance))
    found = [1e6 * drift.final_m.value, 1e6 * drift.amplitudes_m[0].value, drift.time_constants_s[0].value]
    assert np.abs((np.array(found) - best) / error).max() < 0.5
    assert 0.8 < drift.time_constants_s[0].standard_error / error[2] < 1.8


def test_two_time_constants_against_curve_fit():
    rng = np.random.default_rng(22)
    t = 20.0 * np.arange(200)

    def both(t, final, a, tau_a, b, tau_b):
        return final + a * np.exp(-t / tau_a) + b * np.exp(-t / tau_b)

    position = both(t, 0.0, 10.0, 200.0, -9.0, 1200.0) + 0.2 * rng.standard_normal(t.size)
    best, covariance = optimize.curve_fit(both, t, position, p0=(0.5, 8.0, 150.0, -8.0, 1000.0))
    drift = fit_drift(SlowPositions(time_s=t, position_m=1e-6 * position))
    assert drift.law == "two time constants"
    assert drift.time_constants_s[0].value == pytest.approx(best[2], abs=math.sqrt(covariance[2, 2]))
    assert drift.time_constants_s[1].value == pytest.approx(best[4], abs=math.sqrt(covariance[4, 4]))


def test_a_straight_drift_against_statsmodels():
    """GLSAR with one lag, iterated: slope and its standard error in autoregressive noise.

    The two weigh the same readings differently, so slopes may differ by a good part of a standard error (at most 0.8 of
    it in 40 trials, where both scatter alike); GLSAR does not count what it does not know of the noise.
    """
    rng = np.random.default_rng(23)
    t = 60.0 * np.arange(120)
    position = 3e-3 * t + autoregressive(rng, t.size, 0.6)
    other = sm.GLSAR(position, sm.add_constant(t), rho=1).iterative_fit(maxiter=20)
    drift = fit_drift(SlowPositions(time_s=t, position_m=1e-6 * position))
    assert drift.law == "linear"
    assert 1e6 * drift.end_rate_m_s.value == pytest.approx(other.params[1], abs=other.bse[1])
    assert 0.8 < 1e6 * drift.end_rate_m_s.standard_error / other.bse[1] < 2.0


def test_sensitivity_to_temperature_against_statsmodels():
    """Without a lag: ordinary least squares on temperature and time, in white noise."""
    rng = np.random.default_rng(24)
    t = 60.0 * np.arange(150)
    room = 20.0 + np.cumsum(autoregressive(rng, t.size, 0.9)) / 20
    position = 2.0 * room + 0.3 * rng.standard_normal(t.size)
    other = sm.OLS(position, sm.add_constant(np.column_stack([t, room]))).fit()
    found = temperature_sensitivity(
        SlowPositions(time_s=t, position_m=1e-6 * position), temperature_time_s=t, temperature_degc=room
    )
    assert 1e6 * found.sensitivity_m_per_k.value == pytest.approx(other.params[2], abs=other.bse[2])
    assert 0.7 < 1e6 * found.sensitivity_m_per_k.standard_error / other.bse[2] < 2.0


def test_lumped_capacitance_of_a_published_example():
    """Thermocouple junction: sphere of 0.706 mm, 400 W/m²K, 8500 kg/m³, 400 J/kgK, from 25 °C into gas of 200 °C.

    Incropera et al., Fundamentals of Heat and Mass Transfer, Example 5.1 (from memory): time constant 1 s, 199 °C after
    5.2 s. Read here as a position of 1 µm per kelvin.
    """
    density, capacity, diameter, film = 8500.0, 400.0, 7.06e-4, 400.0
    tau = density * capacity * diameter / (6 * film)  # ρVc/(hA)
    assert tau == pytest.approx(1.0, abs=0.005)
    t = 0.1 * np.arange(140)
    degrees = 200.0 - 175.0 * np.exp(-t / tau)
    rng = np.random.default_rng(25)
    drift = fit_drift(SlowPositions(time_s=t, position_m=1e-6 * (degrees + 0.05 * rng.standard_normal(t.size))))
    assert drift.time_constants_s[0].value == pytest.approx(1.0, abs=0.01)
    wait = warm_up_wait(drift, tolerance_m=1e-6, job_s=8.0)
    assert wait.wait_s.value == pytest.approx(5.2, abs=0.06)
