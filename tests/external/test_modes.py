"""Damping and poles against published examples and independent libraries."""

import math

import numpy as np
import pytest
from scipy import linalg, signal
from statsmodels.regression.linear_model import burg

from labkit.analyse.damping import (
    damping_from_decrement,
    decrement_from_damping,
    half_power,
    half_power_inversion,
    log_decrement,
)
from labkit.analyse.modes import fit_modes
from labkit.analyse.settling import envelope_settling_s
from labkit.analyse.whitening import noise_colour

THOMSON = "Thomson & Dahleh, Theory of Vibration with Applications, Ex. 2.7-1: prints 34.0, 0.0681, 0.429, 1.54"
RAO = "Rao, Mechanical Vibrations, shock absorber example: ζ = 0.4036 and k = 2358 seen; c, v₀ from memory"
EBOOK = "'Vibrations' e-book, p. 20: prints Q = 3.125"
DERIVED = "derived: (f₁, f₂)²/f_n² = cos 2α ∓ sin 2α, ζ = sin α"


def shock_absorber():
    """Mass 200 kg, damped period 2 s, amplitude to a quarter in half a cycle: δ, ζ, ω_n, k, c, v₀ for 0.25 m."""
    decrement = 2 * math.log(4)
    zeta = damping_from_decrement(decrement)
    damped = 2 * math.pi / 2
    natural = damped / math.sqrt(1 - zeta**2)
    # largest displacement after an impulse: x = v₀/ω_d · e^{−ζω_n t₁} sin(ω_d t₁), ω_d t₁ = arcsin√(1−ζ²)
    t1 = math.asin(math.sqrt(1 - zeta**2)) / damped
    v0 = 0.25 * damped / (math.exp(-zeta * natural * t1) * math.sin(damped * t1))
    return decrement, zeta, natural, 200 * natural**2, 2 * 200 * zeta * natural, v0


def thomson_system():
    """W = 10 lb, k = 30 lb/in, c = 0.12 lb·s/in, g = 386 in/s²."""
    mass = 10 / 386
    natural = math.sqrt(30 / mass)
    return natural, 0.12 / (2 * mass * natural)


@pytest.mark.parametrize(
    ("got", "expected", "source"),
    [
        (thomson_system()[0], 34.029399, THOMSON),
        (thomson_system()[1], 0.068058798, THOMSON),
        (decrement_from_damping(0.068058798), 0.42861988, THOMSON),
        (math.exp(decrement_from_damping(0.068058798)), 1.5351374, THOMSON),
        (shock_absorber(), (2.7725887, 0.40371275, 3.4338632, 2358.2833, 554.51774, 1.4292632), RAO),
        (20 / (23.2 - 16.8), 3.125, EBOOK),
        (half_power_inversion(16.8, 23.2), (0.15064465, 20.730294), DERIVED),
        (half_power_inversion(58.0, 62.5), (0.037214874, 60.375673), DERIVED),
        ((62.5 - 58.0) / (62.5 + 58.0), 0.037344398, "ζ ≈ (f₂−f₁)/(f₁+f₂), any textbook"),
        (half_power_inversion(0.9461105, 1.0463627), (0.05, 1.0), DERIVED),
        (
            envelope_settling_s(1.0, 0.02, frequency_hz=25, damping_ratio=0.02),
            1.2452356,
            "ln(1/p)/(ζω_n), any textbook",
        ),
        (envelope_settling_s(200e-6, 5e-6, frequency_hz=40, damping_ratio=0.015), 0.97850567, "same, derived"),
        (
            [
                envelope_settling_s(1.0, p, frequency_hz=1 / (2 * math.pi), damping_ratio=0.5) / 2
                for p in (0.01, 0.02, 0.05)
            ],
            (4.6051702, 3.912023, 2.9957323),
            "multipliers 4.6, 4 and 3 of 1/(ζω_n), any textbook",
        ),
        (50 * math.sqrt(1 - 0.01**2), 49.9975, "f_d = f_n√(1−ζ²)"),
        (
            envelope_settling_s(1.0, 1e-3, frequency_hz=50, damping_ratio=0.01),
            2.1988068,
            "T60 = ln 1000/(ζω_n) ≈ 2.2/(ηf)",
        ),
    ],
)
def test_published_and_derived_values(got, expected, source):
    assert got == pytest.approx(expected, rel=1e-4), source


def test_half_power_points_of_the_e_book_example():
    """A receptance with the exact ζ and f_n of its points has its half-power frequencies there."""
    f = np.linspace(5, 40, 70001)
    r = f / 20.730294
    result = half_power(f, 1 / np.abs(1 - r**2 + 2j * 0.15064465 * r), quantity="receptance")
    assert (result.low_hz, result.high_hz) == pytest.approx((16.8, 23.2), abs=2e-3), EBOOK
    assert result.quality_factor == pytest.approx(3.125, rel=0.02), EBOOK


def test_thomsons_system_is_read_off_its_own_decay():
    """The decay of Ex. 2.7-1 integrated by scipy, then read by log decrement and by the modal fit."""
    natural, zeta = thomson_system()
    system = signal.StateSpace([[0, 1], [-(natural**2), -2 * zeta * natural]], [[0], [1]], [[1, 0]], [[0]])
    t = np.arange(0, 3, 1e-3)
    _, x, _ = signal.lsim(system, np.zeros_like(t), t, X0=[1.0, 0.0])
    read = log_decrement(x, sample_rate_hz=1000.0, noise_sd=1e-4)
    assert read.decrement.value == pytest.approx(0.42861988, rel=0.005), THOMSON
    fit = fit_modes(x[np.newaxis], sample_rate_hz=1000.0, unit="m")
    assert fit.modes[0].damping_ratio.value == pytest.approx(0.068058798, rel=1e-5), THOMSON
    assert 2 * math.pi * fit.modes[0].frequency_hz.value == pytest.approx(34.029399, rel=1e-5), THOMSON


def chain():
    """Mass, damping and stiffness of three masses in a row, not proportionally damped."""
    mass = np.diag([4.0, 2.0, 1.0])
    stiffness = np.array([[9e4, -4e4, 0], [-4e4, 7e4, -3e4], [0, -3e4, 3e4]])
    damping = np.array([[22.0, -7, 0], [-7, 12, -4], [0, -4, 5.0]])
    return mass, damping, stiffness


@pytest.mark.parametrize("noise_sd", [0.0, 1e-3])
def test_poles_of_a_simulated_chain_are_its_eigenvalues(noise_sd):
    """M, C, K → matrix exponential by scipy.linalg.expm for the motion, scipy.linalg.eig for the poles."""
    mass, damping, stiffness = chain()
    inverse = linalg.inv(mass)
    state = np.block([[np.zeros((3, 3)), np.eye(3)], [-inverse @ stiffness, -inverse @ damping]])
    rate, n = 1000.0, 2000
    step = linalg.expm(state / rate)
    rng = np.random.default_rng(2)
    records = []
    for _ in range(4):
        x = np.concatenate([np.zeros(3), rng.standard_normal(3)])
        rows = np.empty((n, 6))
        for k in range(n):
            rows[k], x = x, step @ x
        acceleration = rows @ state[3:].T
        records.append(acceleration[:, 0] + noise_sd * acceleration.std() * rng.standard_normal(n))
    poles = linalg.eig(state, right=False)
    poles = np.sort_complex(1j * poles[poles.imag > 0]) * -1j  # in order of frequency
    poles = poles[np.argsort(np.abs(poles))]
    fit = fit_modes(records, sample_rate_hz=rate)
    assert len(fit.modes) == 3
    if noise_sd == 0:
        np.testing.assert_allclose(fit.poles_rad_s, poles, rtol=1e-8)
    else:
        for mode, pole in zip(fit.modes, poles):
            f, z = abs(pole) / (2 * math.pi), -pole.real / abs(pole)
            assert abs(mode.frequency_hz.value - f) < 4 * mode.frequency_hz.standard_error
            assert abs(mode.damping_ratio.value - z) < 4 * mode.damping_ratio.standard_error


def test_half_power_of_a_response_by_another_library():
    """scipy.signal.freqresp of a mass on a spring with damper."""
    system = signal.TransferFunction([1.0], [2.0, 2 * 0.03 * 2.0 * 200.0, 2.0 * 200.0**2])
    w, h = signal.freqresp(system, np.linspace(120, 280, 40001))
    result = half_power(w / (2 * math.pi), np.abs(h), quantity="receptance")
    assert result.damping_ratio == pytest.approx(0.03, rel=1e-4)
    assert result.frequency_hz == pytest.approx(200 / (2 * math.pi), rel=1e-5)


def test_noise_colour_agrees_with_burg_of_another_library():
    """statsmodels.regression.linear_model.burg on the same samples, compared as densities."""
    rng = np.random.default_rng(4)
    x = signal.lfilter([1], [1, -1.3, 0.6], rng.standard_normal(60000))
    rho, variance = burg(x, order=2)
    mine = noise_colour([x[np.newaxis]])
    _, theirs = signal.freqz([math.sqrt(variance)], np.append(1.0, -rho), worN=300)
    _, ours = signal.freqz([math.sqrt(mine.innovation_variance)], mine.coefficients, worN=300)
    np.testing.assert_allclose(np.abs(ours), np.abs(theirs), rtol=0.1)
