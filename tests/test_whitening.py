"""Whitening and decimation: exact where they claim to be exact."""

import numpy as np
import pytest
from scipy.linalg import toeplitz
from scipy.signal import freqz, lfilter

from labkit.analyse.whitening import WHITE, NoiseColour, decimation_for, noise_colour


def covariance(coefficients, n):
    """Covariance of n samples of an autoregression by its impulse response: slow and independent."""
    impulse = np.zeros(20000)
    impulse[0] = 1
    h = lfilter([1], coefficients, impulse)
    return toeplitz([h[: h.size - k] @ h[k:] for k in range(n)])


@pytest.mark.parametrize("coefficients", [(1.0, -0.9), (1.0, -1.5, 0.8), (1.0, 0.3, -0.2, 0.1, 0.4)])
def test_whitened_noise_has_unit_covariance_from_the_first_sample_on(coefficients):
    colour = NoiseColour(coefficients=coefficients, innovation_variance=1.0)
    n = 30
    whiten = colour.whiten(np.eye(n)).T
    gamma = covariance(coefficients, n)
    np.testing.assert_allclose(whiten @ gamma @ whiten.T, np.eye(n), atol=1e-9)
    assert 2 * colour.log_determinant == pytest.approx(-np.linalg.slogdet(gamma)[1], abs=1e-8)
    assert colour.standard_deviation == pytest.approx(np.sqrt(gamma[0, 0]), rel=1e-3)


def test_white_noise_is_left_alone():
    x = np.random.default_rng(0).standard_normal((2, 50))
    np.testing.assert_array_equal(WHITE.whiten(x), x)
    assert WHITE.log_determinant == 0.0


@pytest.mark.parametrize("coefficients", [(1.0, -0.9), (1.0, -1.2, 0.5)])
def test_the_colour_of_noise_is_found_beside_tones(coefficients):
    rng = np.random.default_rng(1)
    t = np.arange(4000)
    x = lfilter([1], coefficients, rng.standard_normal((6, 5000)), axis=1)[:, 1000:]
    tones = 20 * np.cos(2 * np.pi * 0.05 * t + rng.uniform(0, 6, (6, 1))) + 5 * np.cos(2 * np.pi * 0.2 * t)
    found = noise_colour([x + tones])
    _, want = freqz([1], coefficients, worN=200)
    _, got = freqz([1], found.coefficients, worN=200)
    level = np.sqrt(noise_colour([x]).innovation_variance)
    ratio_db = 20 * np.log10(level * np.abs(got) / np.abs(want))
    assert np.abs(ratio_db).max() < 1.5


def test_a_short_or_constant_record_counts_as_white():
    assert noise_colour([np.zeros((2, 100))]).order == 0
    assert noise_colour([np.random.default_rng(0).standard_normal((2, 30))]).order == 0


@pytest.mark.parametrize(
    ("rate", "upper", "factor"), [(1000, 400, 1), (3200, 400, 3), (25600, 400, 25), (3200, 200, 6)]
)
def test_decimation_leaves_poles_and_knows_its_gain(rate, upper, factor):
    thin = decimation_for(float(rate), upper_hz=upper)
    assert thin.factor == factor
    for s in (-3 + 150j, -300 + 900j):
        z = np.exp(s / rate)
        n = thin.taps.size + 40 * factor
        got = thin.apply((z ** np.arange(n)).real[np.newaxis])[0]
        want = (thin.gain(z) * z ** (factor * np.arange(got.size))).real
        np.testing.assert_allclose(got, want, atol=1e-12)


def test_decimation_stops_what_would_fold_into_the_band():
    thin = decimation_for(3200.0, upper_hz=400.0)
    f, h = freqz(thin.taps, worN=4096, fs=3200.0)
    size = 20 * np.log10(np.abs(h))
    assert np.abs(size[f <= 400]).max() < 0.01
    assert size[f >= 3200 / 3 - 400].max() < -60


def test_decimation_keeps_the_start_of_a_record():
    """Half of the filter's power lies in its first two output steps, so that heavy damping is not lost."""
    thin = decimation_for(12800.0, upper_hz=400.0)
    power = np.cumsum(thin.taps**2) / np.sum(thin.taps**2)
    assert power[3 * thin.factor] > 0.7


def test_bad_rates_are_named():
    with pytest.raises(ValueError, match="upper_hz"):
        decimation_for(100.0, upper_hz=60.0)
