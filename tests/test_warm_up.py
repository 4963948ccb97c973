"""How long to wait, and what a thermometer says."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate

from labkit.analyse.drift import fit_drift
from labkit.analyse.slow import SlowPositions
from labkit.analyse.warm_up import _lagged, temperature_sensitivity, warm_up_wait

HOUR = 3600.0


def drift_of(position, t, *, noise_m=0.05e-6, seed=1):
    noise = noise_m * np.random.default_rng(seed).standard_normal(t.size)
    return fit_drift(SlowPositions(time_s=t, position_m=position(t - t[0]) + noise))


T = np.arange(0.0, 2 * HOUR, 120.0) + 500.0


def single(t, *, amplitude_m=12e-6, tau_s=1500.0):
    return -amplitude_m * np.exp(-t / tau_s)


def test_wait_for_one_time_constant_in_closed_form():
    wait = warm_up_wait(drift_of(single, T), tolerance_m=1e-6, job_s=600.0)
    truth = 500.0 + 1500 * math.log(12 * -math.expm1(-600 / 1500))
    assert wait.wait_s.interval.contains(truth)
    assert wait.wait_s.value == pytest.approx(truth, rel=0.03)
    assert wait.never == 0.0 and not wait.beyond_record


def test_intervals_of_the_wait_hold_the_truth():
    truth = 500.0 + 1500 * math.log(12 * -math.expm1(-600 / 1500))
    held = [
        warm_up_wait(drift_of(single, T, noise_m=0.5e-6, seed=k), tolerance_m=1e-6, job_s=600.0).wait_s.interval
        for k in range(20)
    ]
    assert sum(one.contains(truth) for one in held) >= 18
    assert np.median([one.half_width for one in held]) < 600.0


def test_never_within_the_record_is_said_and_a_guess_only_on_demand():
    drift = drift_of(single, T)
    never = warm_up_wait(drift, tolerance_m=0.02e-6, job_s=600.0)
    assert never.wait_s.value == math.inf and never.never > 0.9
    assert never.sentences[0].startswith("Never within the record")
    guess = warm_up_wait(drift, tolerance_m=0.02e-6, job_s=600.0, beyond_record=True)
    assert guess.wait_s.value > drift.last_s and any("a guess" in words for words in guess.sentences)


def test_a_job_must_fit_into_the_record():
    with pytest.raises(ValueError, match="record longer"):
        warm_up_wait(drift_of(single, T), tolerance_m=1e-6, job_s=3 * HOUR)


def test_without_drift_nothing_is_waited_for():
    wait = warm_up_wait(drift_of(lambda t: 0 * t, T), tolerance_m=1e-6, job_s=600.0)
    assert (wait.wait_s.value, wait.wait_s.interval.high) == (500.0, 500.0)
    assert "nothing to wait for" in wait.sentences[0]


def test_a_steady_drift_is_waited_out_never_or_not_at_all():
    drift = drift_of(lambda t: 1e-9 * t, T)
    assert drift.law == "linear"
    assert warm_up_wait(drift, tolerance_m=1e-6, job_s=600.0).wait_s.value == 500.0
    assert warm_up_wait(drift, tolerance_m=0.5e-6, job_s=600.0).wait_s.value == math.inf


def test_between_two_answers_the_chance_is_stated():
    """A rate times the job close to the tolerance: either from the start or never."""
    drift = drift_of(lambda t: 1e-9 * t, T, noise_m=0.3e-6)
    near = float(drift.end_rate_m_s.value) * 600.0
    wait = warm_up_wait(drift, tolerance_m=near, job_s=600.0)
    assert 0.2 < wait.never < 0.8
    assert wait.wait_s.interval.high == math.inf
    assert any("probability" in words for words in wait.sentences)


def test_two_time_constants_that_turn_back_are_followed_within_the_job():
    """The position goes there and back within a job: its ends alone would not show it."""
    exact = replace(
        drift_of(single, T),
        law="two time constants",
        parameters=np.array([0.0, 10e-6, -10e-6, 3000.0, 300.0]),
        draws=np.tile([0.0, 10e-6, -10e-6, 3000.0, 300.0], (50, 1)),
    )
    t = np.linspace(0.0, 2 * HOUR - 120, 20_001)
    y = 10e-6 * (np.exp(-t / 3000) - np.exp(-t / 300))
    job = 1800.0
    steps = round(job / (t[1] - t[0]))
    excursion = np.array([np.abs(y[k : k + steps + 1] - y[k]).max() for k in range(t.size - steps)])
    for tolerance in (4e-6, 2e-6):
        brute = t[np.flatnonzero(excursion > tolerance)[-1]]
        wait = warm_up_wait(exact, tolerance_m=tolerance, job_s=job)
        assert wait.wait_s.value - 500.0 == pytest.approx(brute, abs=20.0)


def test_wander_that_waiting_does_not_cure_is_named():
    noisy = replace(drift_of(single, T), wander_m=1e-6, wander_time_s=600.0)
    wait = warm_up_wait(noisy, tolerance_m=1e-6, job_s=600.0)
    assert wait.wander_m == pytest.approx(1e-6 * math.sqrt(2 * (1 - math.exp(-1))))
    assert any("does not cure" in words for words in wait.sentences)


# -------------------------------------------------------------------------------------------------- temperature
def cycling(t):
    return 21 + 1.5 * np.sin(2 * np.pi * t / 7000) + 0.4 * np.sin(2 * np.pi * t / 2300)


CLOCK = np.arange(-2000.0, 20_100.0, 50.0)
LOOKS = np.arange(0.0, 20_000.0, 200.0)


def lagged_truth(lag_s):
    """Independent: an adaptive integrator of θ·dT′/dt = T − T′."""
    found = integrate.solve_ivp(
        lambda t, x: (cycling(t) - x) / lag_s, (CLOCK[0], LOOKS[-1]), [cycling(CLOCK[0])], t_eval=LOOKS, rtol=1e-9
    )
    return found.y[0]


def test_lag_filter_against_an_adaptive_integrator():
    found = _lagged(CLOCK, cycling(CLOCK), at_s=LOOKS, lag_s=np.array([900.0]))[:, 0] + cycling(CLOCK[0])
    assert np.abs(found - lagged_truth(900.0)).max() < 2e-3


def sensitivity(position, *, temperature=cycling, **changes):
    return temperature_sensitivity(
        SlowPositions(time_s=LOOKS, position_m=position),
        **({"temperature_time_s": CLOCK, "temperature_degc": temperature(CLOCK)} | changes),
    )


def test_sensitivity_lag_and_trend_are_found():
    rng = np.random.default_rng(2)
    position = -2.5e-6 * lagged_truth(900.0) + 1e-10 * LOOKS + 0.2e-6 * rng.standard_normal(LOOKS.size)
    found = sensitivity(position)
    assert found.sensitivity_m_per_k.interval.contains(-2.5e-6)
    assert found.sensitivity_m_per_k.interval.half_width < 0.3e-6
    assert found.lag_s.interval.contains(900.0) and found.trend_m_s.interval.contains(1e-10)
    assert found.gain > 2 and found.collinearity < 0.5 and not found.notes
    assert "per kelvin" in found.sentences[0]


def test_without_a_lag_its_lower_end_is_zero():
    rng = np.random.default_rng(3)
    found = sensitivity(3e-6 * cycling(LOOKS) + 0.2e-6 * rng.standard_normal(LOOKS.size))
    assert found.lag_s.interval.low == 0.0 and found.lag_s.interval.high < 200.0
    assert found.sensitivity_m_per_k.interval.contains(3e-6)


def test_a_temperature_that_only_rose_is_called_collinear():
    rng = np.random.default_rng(4)

    def rising(t):
        return 30 - 8 * np.exp(-np.maximum(t, 0) / 4000)

    found = sensitivity(2e-6 * rising(LOOKS) + 0.2e-6 * rng.standard_normal(LOOKS.size), temperature=rising)
    assert found.collinearity > 0.95
    assert any("plain warm-up" in note for note in found.notes)


def test_no_effect_is_no_effect():
    rng = np.random.default_rng(5)
    found = sensitivity(0.5e-6 * rng.standard_normal(LOOKS.size))
    assert "No effect" in found.sentences[0] and found.gain < 2


@pytest.mark.parametrize(
    "changes, words",
    [
        ({"temperature_time_s": CLOCK - 1000.0}, "nothing is extrapolated"),
        ({"temperature_degc": np.full(CLOCK.size, 21.0)}, "does not change"),
        ({"temperature_degc": [1.0, 2.0]}, "must pair"),
        ({"temperature_time_s": CLOCK[::-1]}, "must grow"),
    ],
)
def test_thermometers_that_cannot_serve_are_errors(changes, words):
    with pytest.raises(ValueError, match=words):
        sensitivity(1e-6 * cycling(LOOKS), **changes)
