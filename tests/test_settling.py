"""Settling time: both readings, against a dense independent simulation."""

import math

import numpy as np
import pytest

from labkit.analyse.displacement import steady_displacement
from labkit.analyse.modes import fit_modes
from labkit.analyse.settling import envelope_settling_s, last_exit_s, model_settling_s, settling
from labkit.runs.recording import Recording

RATE = 1600.0
NOISE = 100e-6 * 9.80665 * math.sqrt(RATE / 2)


def pole(frequency_hz, zeta):
    w = 2 * math.pi * frequency_hz
    return -zeta * w + 1j * w * math.sqrt(1 - zeta**2)


def dense_exit(poles, amplitudes, tolerance, *, until=20.0):
    """The last exit read off a very fine simulation: slow, simple, independent."""
    t = np.arange(0, until, 1e-5)
    x = sum((b * np.exp(p * t)).real for p, b in zip(poles, amplitudes))
    outside = np.flatnonzero(np.abs(x) > tolerance)
    return t[outside[-1]] if outside.size else 0.0


@pytest.mark.parametrize("seed", range(12))
def test_model_crossing_equals_a_dense_simulation(seed):
    rng = np.random.default_rng(seed)
    n = rng.integers(1, 4)
    poles = [pole(f, z) for f, z in zip(rng.uniform(8, 90, n), rng.uniform(0.01, 0.2, n))]
    amplitudes = rng.uniform(1, 60, n) * 1e-6 * np.exp(2j * np.pi * rng.random(n))
    expected = dense_exit(poles, amplitudes, 3e-6)
    assert model_settling_s(poles, amplitudes, tolerance_m=3e-6) == pytest.approx(expected, abs=2.1e-5)


def test_inside_from_the_start_settles_at_once():
    assert model_settling_s([pole(20, 0.02)], [1e-6], tolerance_m=3e-6) == 0.0


def test_a_growing_motion_is_refused():
    with pytest.raises(ValueError, match="negative real"):
        model_settling_s([0.1 + 10j], [1e-6], tolerance_m=1e-7)


def test_envelope_bounds_the_last_crossing_within_half_a_period():
    for phase in np.linspace(0, 2 * np.pi, 7):
        exact = model_settling_s([pole(25, 0.02)], [np.exp(1j * phase)], tolerance_m=0.02)
        bound = envelope_settling_s(1.0, 0.02, frequency_hz=25, damping_ratio=0.02)
        assert bound - 0.5 / 25 <= exact <= bound


def test_last_exit_of_a_trace_that_does_not_settle_is_not_a_number():
    t = np.linspace(0, 1, 1000)
    assert math.isnan(last_exit_s(t, np.cos(60 * t), tolerance_m=0.1))


def decays_of(poles, amplitudes, *, seconds=2.0, seed=0, noise=NOISE):
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * RATE)) / RATE
    return [
        sum((b * p**2 * np.exp(p * t)).real for p, b in zip(poles, row)) + noise * rng.standard_normal(t.size)
        for row in amplitudes
    ]


def machine(rng, n_moves=12):
    poles = [pole(rng.uniform(14, 30), rng.uniform(0.015, 0.04)), pole(rng.uniform(40, 70), rng.uniform(0.01, 0.03))]
    sizes = np.array([rng.uniform(20, 60), rng.uniform(2, 8)]) * 1e-6
    rows = sizes * rng.normal(1, 0.03, (n_moves, 2)) * np.exp(1j * rng.normal(0.5, 0.2, (n_moves, 2)))
    return poles, rows


def test_bias_is_under_two_milliseconds_where_the_raw_last_exit_is_off_by_hundreds():
    """30 machines × 12 moves; the raw reading takes the last exit of the high-passed double integral as it is."""
    tolerance, errors, raw, covered = 3e-6, [], [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        poles, rows = machine(rng)
        decays = decays_of(poles, rows, seed=1000 + seed)
        true = np.array([dense_exit(poles, row, tolerance, until=3.0) for row in rows])
        result = settling(fit_modes(decays, sample_rate_hz=RATE), tolerance_m=tolerance, record_s=2.0)
        errors.append(result.from_modes_s - true)
        covered.append(result.mean_s.interval.contains(true.mean()))
        padded = np.concatenate([np.zeros(4800), decays[0], np.zeros(4800)])
        log = Recording(values=[padded], sample_rate_hz=RATE, channels=("a",), unit="m/s^2")
        x = steady_displacement(log, low_cut_hz=1.0).recording.values[0][4800:8000]
        outside = np.flatnonzero(np.abs(x) > tolerance)
        raw.append((outside[-1] / RATE if outside.size else 0.0) - true[0])
    errors = np.concatenate(errors)
    assert abs(errors.mean()) < 2e-3 and abs(np.median(errors)) < 2e-3
    assert np.median(np.abs(raw)) > 0.1
    assert np.mean(covered) >= 0.9


def test_both_readings_agree_on_a_clean_camera_trace():
    poles = [pole(18, 0.03)]
    rows = 40e-6 * np.exp(1j * np.linspace(0, 1, 6))[:, None]
    t = np.arange(3200) / RATE
    rng = np.random.default_rng(3)
    traces = [(row[0] * np.exp(poles[0] * t)).real + 0.1e-6 * rng.standard_normal(t.size) for row in rows]
    fit = fit_modes(traces, sample_rate_hz=RATE, unit="m")
    result = settling(
        fit, tolerance_m=3.45e-6, record_s=2.0, traces_m=traces, trace_noise_m=0.1e-6, sample_rate_hz=RATE
    )
    true = [dense_exit(poles, row, 3.45e-6, until=2.0) for row in rows]
    np.testing.assert_allclose(result.from_modes_s, true, atol=0.004)
    # the noise may carry the trace over the line one half period earlier or later
    assert abs(result.disagreement_s) < 0.5 / 18
    assert result.route == "modes" and result.n_settled == 6


def test_a_record_shorter_than_the_settling_time_says_so():
    poles = [pole(18, 0.005)]
    rows = 60e-6 * np.ones((6, 1), complex)
    fit = fit_modes(decays_of(poles, rows, seconds=1.0), sample_rate_hz=RATE)
    result = settling(fit, tolerance_m=3e-6, record_s=1.0)
    assert result.n_settled == 0 and np.isnan(result.from_modes_s).all()
    assert "not settled in the record" in result.notes[0]
    assert math.isnan(result.mean_s.value)


def test_noise_above_the_tolerance_without_a_mode_is_refused():
    rng = np.random.default_rng(0)
    fit = fit_modes(rng.standard_normal((6, 3200)), sample_rate_hz=RATE)
    result = settling(
        fit,
        tolerance_m=3e-6,
        record_s=2.0,
        traces_m=[np.zeros(3200)] * 6,
        trace_noise_m=2e-6,
        sample_rate_hz=RATE,
    )
    assert result.route == "none" and math.isnan(result.mean_s.value)
    assert "no mode was found" in result.notes[-1]


def test_the_end_of_the_move_adds_to_the_interval():
    poles, rows = machine(np.random.default_rng(1))
    fit = fit_modes(decays_of(poles, rows), sample_rate_hz=RATE)
    sharp = settling(fit, tolerance_m=3e-6, record_s=2.0)
    vague = settling(fit, tolerance_m=3e-6, record_s=2.0, end_uncertainty_s=0.05)
    assert vague.mean_s.interval.half_width > 0.09 > sharp.mean_s.interval.half_width
