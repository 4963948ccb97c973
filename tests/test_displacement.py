"""Displacement from acceleration: round trips, stated noise floors, missing samples."""

import numpy as np
import pytest
from scipy import signal

from labkit.analyse.displacement import (
    decay_displacement,
    double_integration_drift_m,
    highpass_noise_factor,
    noise_floor_m,
    steady_displacement,
)
from labkit.analyse.modes import fit_modes
from labkit.runs.recording import Recording

RATE = 1000.0


def recording(values, **kw):
    values = np.atleast_2d(values)
    names = tuple(f"a{k}" for k in range(len(values)))
    return Recording(values=values, sample_rate_hz=RATE, channels=names, unit="m/s^2", **kw)


@pytest.mark.parametrize("frequency_hz", [12.0, 25.0, 80.0, 230.0])
def test_a_steady_tone_comes_back_as_its_displacement(frequency_hz):
    t = np.arange(8000) / RATE
    x = 20e-6 * np.sin(2 * np.pi * frequency_hz * t + 0.3)
    a = 9.80665 - (2 * np.pi * frequency_hz) ** 2 * x
    result = steady_displacement(recording(a), low_cut_hz=4.0)
    good = np.isfinite(result.recording.values[0])
    assert good.sum() >= 7000
    np.testing.assert_allclose(result.recording.values[0][good], x[good], atol=0.07e-6)
    assert result.rms_m[0] == pytest.approx(20e-6 / np.sqrt(2), rel=0.01)


def test_noise_leaves_the_stated_floor():
    """White noise of known density through the route: the rms displacement is the closed form's."""
    density, seen = 1e-3, []
    for seed in range(12):
        noise = density * np.sqrt(RATE / 2) * np.random.default_rng(seed).standard_normal(60_000)
        result = steady_displacement(recording(noise), low_cut_hz=5.0, noise_density_m_s2_rthz=density)
        seen.append(result.rms_m[0] ** 2)
    assert np.sqrt(np.mean(seen)) == pytest.approx(result.noise_floor_m, rel=0.05)


@pytest.mark.parametrize("order", [2, 4, 8])
def test_highpass_factor_against_scipy_filters(order):
    """Independent: integrate |H|² of scipy's own Butterworth over white acceleration noise."""
    f = np.geomspace(1e-3, 1e4, 400_000)
    b, a = signal.butter(order, 2 * np.pi * 5.0, "highpass", analog=True)
    _, h = signal.freqs(b, a, 2 * np.pi * f)
    for power, zero_phase in ((2, False), (4, True)):
        sigma = np.sqrt(np.trapezoid(np.abs(h) ** power / (2 * np.pi * f) ** 4, f))
        expected = highpass_noise_factor(order, zero_phase=zero_phase) * noise_floor_m(1.0, low_cut_hz=5.0)
        assert sigma == pytest.approx(expected, rel=1e-3)


def test_first_order_highpass_has_no_bound():
    with pytest.raises(ValueError, match="unbounded"):
        highpass_noise_factor(1)


def test_random_walk_matches_a_simulation():
    rng = np.random.default_rng(5)
    dt, n = 1e-3, 1000
    noise = 1e-3 * np.sqrt(0.5 / dt) * rng.standard_normal((4000, n))
    x = np.cumsum(np.cumsum(noise, axis=1), axis=1)[:, -1] * dt**2
    assert x.std() == pytest.approx(double_integration_drift_m(1.0, noise_density_m_s2_rthz=1e-3)[1], rel=0.05)


def test_missing_samples_stay_missing_and_touch_nothing_else():
    t = np.arange(12_000) / RATE
    x = 20e-6 * np.sin(2 * np.pi * 25 * t)
    a = -((2 * np.pi * 25) ** 2) * x
    a[6000:6040] = np.nan
    values = steady_displacement(recording(a), low_cut_hz=4.0).recording.values[0]
    assert np.isnan(values[5500:6540]).all()
    good = np.isfinite(values)
    assert good.sum() > 9_900
    np.testing.assert_allclose(values[good], x[good], atol=0.2e-6)


def test_a_recording_too_short_for_the_low_cut_is_refused():
    with pytest.raises(ValueError, match="six"):
        steady_displacement(recording(np.zeros(500)), low_cut_hz=2.0)


def test_only_accelerations_are_integrated():
    log = Recording(values=[[0.0, 1.0]], sample_rate_hz=1.0, channels=("x",), unit="m")
    with pytest.raises(ValueError, match="m/s"):
        steady_displacement(log, low_cut_hz=0.1)


def test_a_decay_is_integrated_better_by_its_modes_than_by_a_highpass():
    """20 µm, 25 Hz decay under 100 µg/√Hz: the first 100 ms, where pictures are taken."""
    rng = np.random.default_rng(7)
    rate, w, z = 1600.0, 2 * np.pi * 25, 0.02
    t = np.arange(3200) / rate
    pole = -z * w + 1j * w * np.sqrt(1 - z**2)
    traces = [20e-6 * np.exp(1j * p) * np.exp(pole * t) for p in rng.uniform(0, 2 * np.pi, 10)]
    noise = 100e-6 * 9.80665 * np.sqrt(rate / 2)
    decays = [(x * pole**2).real + noise * rng.standard_normal(t.size) for x in traces]
    fit = fit_modes(decays, sample_rate_hz=rate)
    first = t < 0.1
    result = decay_displacement(fit, t[first])
    errors = result.displacement_m - np.array([x.real[first] for x in traces])
    by_modes = np.sqrt(np.mean(errors**2))
    rest = np.concatenate([np.zeros(3200), decays[0], np.zeros(3200)])
    trace = steady_displacement(
        Recording(values=[rest], sample_rate_hz=rate, channels=("a",), unit="m/s^2"), low_cut_hz=5.0
    ).recording.values[0][3200:6400]
    by_highpass = np.sqrt(np.mean((trace[first] - traces[0].real[first]) ** 2))
    assert by_modes < 0.15e-6 < 1e-6 < by_highpass
    assert result.standard_error_m == pytest.approx(by_modes, rel=0.8)
    np.testing.assert_allclose(result.peak_m, [np.abs(x.real).max() for x in traces], rtol=0.03)
