"""Drift: the right law, true values inside the intervals, and honest words where the record cannot tell."""

import math

import numpy as np
import pytest
from scipy import optimize, signal, stats

from labkit.analyse._drift_fit import law_position, law_rate, noise_grid
from labkit.analyse.drift import duration_text, fit_drift
from labkit.analyse.slow import SlowPositions

MINUTE = 60.0


def autoregressive(rng, n, rho):
    """Unit standard deviation, stationary from the first reading on."""
    kicks = math.sqrt(1 - rho**2) * rng.standard_normal(n)
    kicks[0] = rng.standard_normal()
    return signal.lfilter([1.0], [1.0, -rho], kicks)


def warm_up(n=32, *, tau_s=8 * MINUTE, amplitude_m=20e-6, noise=0.0):
    t = MINUTE * np.arange(n)
    return SlowPositions(time_s=t + 1000.0, position_m=3e-6 + amplitude_m * np.exp(-t / tau_s) + noise)


def test_intervals_hold_the_truth_in_white_and_autoregressive_noise():
    """150 records: each true value inside its interval of 95 % in 90 to 99 % of them."""
    rng = np.random.default_rng(4)
    truth = {"tau": 480.0, "amplitude": 20e-6, "final": 3e-6, "change": 20e-6 * math.expm1(-31 / 8)}
    truth["rate"] = -20e-6 / 480.0 * math.exp(-31 / 8)
    hits = dict.fromkeys(truth, 0)
    laws = []
    for rho in (0.0, 0.5, 0.8):
        for _ in range(50):
            drift = fit_drift(warm_up(noise=1e-6 * autoregressive(rng, 32, rho)))
            laws.append(drift.law)
            found = {"change": drift.change_m, "rate": drift.end_rate_m_s}
            if drift.law == "one time constant":
                found |= {"tau": drift.time_constants_s[0], "amplitude": drift.amplitudes_m[0], "final": drift.final_m}
            for name in truth:
                hits[name] += name not in found or found[name].interval.contains(truth[name])
    assert laws.count("one time constant") >= 142
    for name, hit in hits.items():
        assert 0.90 <= hit / 150 <= 0.995, (name, hit)


def test_intervals_are_not_wider_than_noise_of_unknown_kind_asks_for():
    """In white noise the interval of τ is at most twice that of a fit that is told the noise is white."""
    rng = np.random.default_rng(5)
    ratios = []
    for _ in range(10):
        slow = warm_up(80, tau_s=20 * MINUTE, noise=1e-6 * rng.standard_normal(80))
        t = slow.time_s - slow.time_s[0]
        _, covariance = optimize.curve_fit(
            lambda t, a, b, tau: a + b * np.exp(-t / tau), t, 1e6 * slow.position_m, p0=(3, 20, 1200)
        )
        told = stats.t.ppf(0.975, 77) * math.sqrt(covariance[2, 2])
        ratios.append(fit_drift(slow).time_constants_s[0].interval.half_width / told)
    assert 0.9 < np.median(ratios) < 2.0


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_noise_alone_is_no_warm_up(rho):
    rng = np.random.default_rng(6)
    laws = [fit_drift(warm_up(40, amplitude_m=0.0, noise=1e-6 * autoregressive(rng, 40, rho))).law for _ in range(12)]
    assert laws.count("constant") >= 11


def test_a_straight_drift_gets_no_time_constant():
    rng = np.random.default_rng(7)
    t = MINUTE * np.arange(40)
    drift = fit_drift(SlowPositions(time_s=t, position_m=2e-9 * t + 0.2e-6 * rng.standard_normal(40)))
    assert drift.law == "linear" and not drift.time_constants_s
    assert drift.end_rate_m_s.interval.contains(2e-9)
    assert math.isnan(drift.final_m.value)
    assert any("straight line" in note for note in drift.notes)


def test_two_heat_capacities_are_told_apart():
    rng = np.random.default_rng(8)
    t = MINUTE * np.arange(120)
    position = 12e-6 * np.exp(-t / 400) - 8e-6 * np.exp(-t / 2500)
    drift = fit_drift(SlowPositions(time_s=t, position_m=position + 0.1e-6 * rng.standard_normal(120)))
    assert drift.law == "two time constants"
    assert [tau.interval.contains(truth) for tau, truth in zip(drift.time_constants_s, (400, 2500))] == [True, True]
    assert [a.interval.contains(truth) for a, truth in zip(drift.amplitudes_m, (12e-6, -8e-6))] == [True, True]
    assert drift.criteria["two time constants"] == 0 and drift.criteria["one time constant"] > 2


def test_a_record_shorter_than_the_warm_up_is_not_stretched():
    """Half a time constant: curved enough to be seen, too short to say where it ends."""
    rng = np.random.default_rng(9)
    drift = fit_drift(warm_up(60, tau_s=120 * MINUTE, noise=0.02e-6 * rng.standard_normal(60)))
    assert drift.law in ("linear", "one time constant")
    assert drift.change_m.interval.half_width < 0.1e-6
    if drift.time_constants_s:
        assert drift.time_constants_s[0].interval.contains(7200.0)
        assert drift.final_m.interval.half_width > 20 * drift.change_m.interval.half_width


def test_an_unbounded_time_constant_is_said():
    """Two records long: it may as well be ten."""
    rng = np.random.default_rng(3)
    drift = fit_drift(warm_up(60, tau_s=120 * MINUTE, noise=0.25e-6 * rng.standard_normal(60)))
    assert drift.time_constants_s[0].interval.high == math.inf
    assert math.isnan(drift.time_constants_s[0].standard_error)
    assert any("not bounded" in note for note in drift.notes)
    assert "unbounded" in " ".join(drift.sentences)


def test_noise_is_told_apart_into_white_and_wander():
    rng = np.random.default_rng(10)
    n = 200
    noise = 0.3e-6 * rng.standard_normal(n) + 1e-6 * autoregressive(rng, n, 0.9)
    drift = fit_drift(warm_up(n, noise=noise))
    assert drift.noise_m == pytest.approx(0.3e-6, rel=0.5)
    assert drift.wander_m == pytest.approx(1e-6, rel=0.5)
    assert drift.effective_n < 40
    white = fit_drift(warm_up(n, noise=0.3e-6 * rng.standard_normal(n)))
    assert white.noise_m == pytest.approx(0.3e-6, rel=0.15) and white.effective_n > 100


def test_wander_as_slow_as_the_drift_is_warned_of():
    rng = np.random.default_rng(11)
    drift = fit_drift(warm_up(40, amplitude_m=10e-6, noise=2e-6 * autoregressive(rng, 40, 0.97)))
    assert any("independent positions" in note for note in drift.notes)


def test_a_jump_is_named():
    rng = np.random.default_rng(12)
    noise = 0.1e-6 * rng.standard_normal(60)
    noise[30:] += 4e-6
    assert any("jump of 4" in note or "jump of 3.9" in note for note in fit_drift(warm_up(60, noise=noise)).notes)


def test_nothing_is_said_outside_the_record():
    drift = fit_drift(warm_up(noise=1e-7 * np.random.default_rng(1).standard_normal(32)))
    assert drift.displacement_m([1000.0, 2860.0]) == pytest.approx([23e-6, 3e-6 + 20e-6 * math.exp(-31 / 8)], abs=2e-7)
    with pytest.raises(ValueError, match="beyond_record"):
        drift.displacement_m([5000.0])
    assert drift.displacement_m([1e6], beyond_record=True)[0] == pytest.approx(3e-6, abs=2e-7)


def test_readings_that_are_all_alike_are_no_drift():
    drift = fit_drift(SlowPositions(time_s=np.arange(10.0), position_m=np.full(10, 2e-6)))
    assert drift.law == "constant" and drift.change_m.value == pytest.approx(0.0, abs=1e-20)
    assert drift.displacement_m([3.0])[0] == pytest.approx(2e-6)


def test_quick_looks_hours_apart_are_borne():
    """Bursts of looks a millisecond apart, hours between: most curves look alike at such times."""
    rng = np.random.default_rng(13)
    for n in (8, 12, 35):
        t = np.cumsum(rng.choice([1e-3, 1.0, 30.0, 5000.0], n))
        drift = fit_drift(SlowPositions(time_s=t, position_m=1e6 + 1e-3 * rng.standard_normal(n)))
        assert drift.law == "constant" and drift.change_m.interval.contains(0.0)


def test_draws_are_the_same_every_time():
    slow = warm_up(noise=1e-7 * np.random.default_rng(1).standard_normal(32))
    assert np.array_equal(fit_drift(slow).draws, fit_drift(slow).draws)


def test_units_do_not_matter():
    """A record in other units of length and time gives the same in those units."""
    noise = 1e-7 * np.random.default_rng(1).standard_normal(32)
    one = fit_drift(warm_up(noise=noise))
    slow = warm_up(noise=noise)
    other = fit_drift(SlowPositions(time_s=slow.time_s / 60, position_m=1e3 * slow.position_m - 7.0))
    assert other.time_constants_s[0].interval.high == pytest.approx(one.time_constants_s[0].interval.high / 60)
    assert other.end_rate_m_s.value == pytest.approx(6e4 * one.end_rate_m_s.value)


def test_noise_covariances_are_those_of_white_noise_and_wander():
    times = np.array([0.0, 1.0, 2.0, 5.0])
    grid = noise_grid(times)
    k = 20
    root = np.linalg.inv(grid.whiten[k])
    expected = np.eye(4) + grid.wander[k] * np.exp(-np.abs(times[:, None] - times) / grid.memory[k])
    assert root @ root.T == pytest.approx(expected)
    assert grid.log_det[k] == pytest.approx(np.linalg.slogdet(expected)[1])
    assert grid.wander[-1] == 0.0


def test_laws_and_their_rates_belong_together():
    for parameters in ([[2.0, 3.0]], [[1.0, 2.0, 4.0]], [[1.0, 2.0, -3.0, 4.0, 9.0]]):
        p = np.array(parameters)
        slope = np.diff(law_position(p, [2.0 - 1e-5, 2.0 + 1e-5]))[:, 0] / 2e-5
        assert law_rate(p, 2.0) == pytest.approx(slope, rel=1e-6)


def test_times_in_words():
    assert [duration_text(s) for s in (3.2, 119.0, 7000.0, 7300.0)] == ["3.2 s", "119 s", "117 min", "2.03 h"]
