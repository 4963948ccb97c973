"""Log decrement and half power: closed forms, round trips, and what they must warn of."""

import numpy as np
import pytest

from labkit.analyse.damping import (
    damping_from_decrement,
    decrement_from_damping,
    half_power,
    half_power_inversion,
    log_decrement,
)


def decay(frequency_hz, zeta, *, rate=2000.0, seconds=3.0, phase=0.4):
    t = np.arange(int(rate * seconds)) / rate
    w = 2 * np.pi * frequency_hz
    return np.exp(-zeta * w * t) * np.cos(w * np.sqrt(1 - zeta**2) * t + phase)


@pytest.mark.parametrize("zeta", [0.0, 0.001, 0.05, 0.3, 0.9])
def test_damping_and_decrement_are_inverse(zeta):
    assert damping_from_decrement(decrement_from_damping(zeta)) == pytest.approx(zeta, abs=1e-14)


@pytest.mark.parametrize(("f", "zeta"), [(12, 0.005), (12, 0.02), (30, 0.05), (8, 0.1)])
def test_log_decrement_of_a_clean_decay(f, zeta):
    result = log_decrement(1 + decay(f, zeta), sample_rate_hz=2000.0, noise_sd=1e-4)
    assert result.damping_ratio.value == pytest.approx(zeta, rel=0.01)
    assert result.frequency_hz == pytest.approx(f, rel=0.002)
    assert abs(result.curvature) < 0.1 and result.notes == ()


def test_log_decrement_stops_above_the_noise():
    rng = np.random.default_rng(0)
    x = decay(12, 0.02) + 0.01 * rng.standard_normal(6000)
    result = log_decrement(x, sample_rate_hz=2000.0, noise_sd=0.01)
    assert 15 < result.n_peaks < 60
    assert abs(result.damping_ratio.value - 0.02) < 4 * result.damping_ratio.standard_error
    assert result.damping_ratio.value == pytest.approx(0.02, rel=0.05)


def test_friction_bends_the_line_of_the_peaks():
    t = np.arange(6000) / 2000
    x = np.maximum(1 - t / 2, 0) * np.cos(2 * np.pi * 10 * t)
    result = log_decrement(x, sample_rate_hz=2000.0, noise_sd=0.005)
    assert result.curvature > 0.3 and "friction" in result.notes[0]


def test_too_few_peaks_are_refused():
    with pytest.raises(ValueError, match="at least four"):
        log_decrement(decay(1, 0.3), sample_rate_hz=2000.0, noise_sd=0.01)


def response(f, fn, zeta, quantity):
    r = f / fn
    power = {"receptance": 0, "mobility": 1, "accelerance": 2}[quantity]
    return r**power / np.abs(1 - r**2 + 2j * zeta * r)


@pytest.mark.parametrize("quantity", ["receptance", "mobility", "accelerance"])
@pytest.mark.parametrize("zeta", [0.005, 0.05, 0.2, 0.3])
def test_half_power_inverts_exactly(quantity, zeta):
    f = np.linspace(1, 120, 200001)
    result = half_power(f, response(f, 40.0, zeta, quantity), quantity=quantity)
    assert result.damping_ratio == pytest.approx(zeta, rel=1e-4)
    assert result.frequency_hz == pytest.approx(40.0, rel=1e-4)
    assert result.notes == ()


def test_the_simple_formula_is_only_exact_to_second_order():
    f = np.linspace(1, 120, 200001)
    result = half_power(f, response(f, 40.0, 0.2, "receptance"), quantity="receptance")
    # α = arcsin 0.2: f₁, f₂ = √(cos 2α ∓ sin 2α) f_n = 0.72669, 1.14543 f_n
    assert result.simple_damping_ratio == pytest.approx((1.14543 - 0.72669) / (1.14543 + 0.72669), rel=1e-4)
    assert result.simple_damping_ratio > 1.1 * result.damping_ratio


@pytest.mark.parametrize(("spacing", "warns"), [(0.05, False), (0.5, True)])
def test_too_few_spectral_lines_warn(spacing, warns):
    f = np.arange(20, 60, spacing)
    result = half_power(f, response(f, 40.0, 0.01, "receptance"), quantity="receptance")
    assert bool(result.notes) == warns
    assert (result.n_lines < 8) == warns


def test_the_peak_near_a_frequency_is_taken():
    f = np.linspace(1, 120, 20001)
    both = response(f, 30, 0.01, "receptance") + 0.3 * response(f, 70, 0.02, "receptance")
    assert half_power(f, both, quantity="receptance", near_hz=72).frequency_hz == pytest.approx(70, rel=0.01)
    assert half_power(f, both, quantity="receptance").frequency_hz == pytest.approx(30, rel=0.01)


@pytest.mark.parametrize(
    ("f", "h", "message"),
    [
        ([1, 2, 3], [1, 2, 3], "no peak"),
        ([1, 2, 3], [1, 1.2, 1.1], "does not fall"),
        ([1, 3, 2], [1, 2, 1], "must rise"),
        ([1, 2, 3], [1, -2, 1], "one value"),
        ([1, 2, 3, 4], [1, 2, 1], "one value"),
    ],
)
def test_bad_spectra_are_named(f, h, message):
    with pytest.raises(ValueError, match=message):
        half_power(f, h, quantity="receptance")


def test_unknown_quantities_and_crossed_frequencies_are_named():
    with pytest.raises(ValueError, match="quantity"):
        half_power_inversion(10, 11, quantity="stiffness")
    with pytest.raises(ValueError, match="high_hz"):
        half_power_inversion(11, 10)
