"""Moves and pulses against published values and integration by scipy."""

import itertools

import numpy as np
import pytest
from scipy import integrate, optimize

from labkit.decay import pole
from labkit.model.move import mode_states, move_profile, residual_amplitude
from labkit.model.pulses import pulse_maximax, pulse_residual
from labkit.model.shaping import shaper_residual, zero_vibration_shaper


@pytest.mark.parametrize(
    ("rise_s", "expected_um", "source"),
    [
        (None, 194.4756, "derived, confirmed by simulation to 194.473"),
        (0.01, 166.93663, "derived, rectangle pulses convolved with 10 ms; confirmed by simulation"),
    ],
)
def test_residual_after_a_pair_of_pulses(rise_s, expected_um, source):
    """a = 5 m/s², 40 ms ramps, 100 ms coast, 30 Hz, undamped: (4a/ω²)|sin sin|·|sinc|."""
    jerk = None if rise_s is None else 5.0 / rise_s
    move = move_profile(travel_m=0.028, speed_m_s=0.2, acceleration_m_s2=5.0, jerk_m_s3=jerk)
    found = residual_amplitude(move, frequency_hz=30.0, damping_ratio=0.0)[0]
    assert 1e6 * found == pytest.approx(expected_um, rel=1e-6), source
    omega = 2 * np.pi * 30
    closed = 4 * 5.0 / omega**2 * abs(np.sin(omega * 0.02) * np.sin(omega * 0.07))
    closed *= 1.0 if rise_s is None else abs(np.sinc(30 * rise_s))
    assert found == pytest.approx(closed, rel=1e-12)


def test_damping_lowers_the_residual():
    """Same pair with ζ = 0.02: 152.8 µm (derived, simulated)."""
    move = move_profile(travel_m=0.028, speed_m_s=0.2, acceleration_m_s2=5.0)
    assert 1e6 * residual_amplitude(move, frequency_hz=30.0, damping_ratio=0.02)[0] == pytest.approx(152.8, abs=0.1)


@pytest.mark.parametrize("jerk", [None, 120.0, 4000.0])
def test_against_solve_ivp(jerk):
    """scipy solve_ivp (DOP853), one stretch a piece: ≤ 1e-6 of the peak."""
    move = move_profile(travel_m=0.02, speed_m_s=0.3, acceleration_m_s2=6.0, jerk_m_s3=jerk)
    omega, zeta = 2 * np.pi * 27.0, 0.015
    ends = [*move.breaks_s, move.breaks_s[-1] + 0.1]
    state, times, values = np.zeros(2), [], []
    for number, (start, end) in enumerate(itertools.pairwise(ends)):
        c = move.coefficients[number] if number < len(move.coefficients) else np.zeros(2)
        if end <= start:
            continue
        solved = integrate.solve_ivp(
            lambda t, y, c=c, s=start: [y[1], c[0] + c[1] * (t - s) - 2 * zeta * omega * y[1] - omega**2 * y[0]],
            (start, end),
            state,
            method="DOP853",
            t_eval=np.linspace(start, end, 30),
            rtol=1e-11,
            atol=1e-15,
        )
        state = solved.y[:, -1]
        times.append(solved.t)
        values.append(solved.y[0])
    mode = pole([27.0], damping_ratio=zeta)
    found = mode_states(move, mode, time_s=np.concatenate(times))[:, 0].imag / mode.imag
    reference = np.concatenate(values)
    assert np.abs(found - reference).max() < 1e-8 * np.abs(reference).max()


@pytest.mark.parametrize(
    ("shape", "ratio", "expected", "source"),
    [
        ("half-sine", [0.25, 0.5, 1.0, 1.5], [0.942809, 1.5707963, 1.3333333, 0.0], "Ayre, Harris ch. 8; zero seen"),
        ("rectangle", [0.25, 0.4], [1.4142136, 1.902113], "Thomson Eq. 4.5-3 (his figure's text prints 1.82)"),
        ("rectangle", [1.0], [0.0], "Ayre, Harris ch. 8, first zero"),
        ("versed sine", [2.0], [0.0], "Ayre, Harris ch. 8, first zero"),
        ("triangle", [2.0], [0.0], "Ayre, Harris ch. 8, first zero"),
    ],
)
def test_residual_of_single_pulses(shape, ratio, expected, source):
    assert pulse_residual(ratio, shape=shape) == pytest.approx(expected, rel=1e-6, abs=1e-12), source


@pytest.mark.parametrize(
    ("ratio", "expected"), [(0.5, 1.570796), (0.75, 1.763356), (1.0, 1.732051), (1.5, 1.5), (2.0, 1.268084)]
)
def test_maximax_of_the_half_sine(ratio, expected):
    """Duhamel integral; stationary points of the closed response: sin(2πn·r/(1 + r))/(1 − r), r = T/(2τ) (derived)."""
    found = pulse_maximax(ratio, shape="half-sine")
    assert found == pytest.approx(expected, rel=1e-4)
    if ratio > 0.5:
        r, n = 1 / (2 * ratio), np.arange(1, 4)
        n = n[2 * n * r / (1 + r) <= 1 + 1e-12]  # within the pulse
        assert found == pytest.approx(np.max(np.sin(2 * np.pi * n * r / (1 + r)) / (1 - r)), rel=1e-6)


@pytest.mark.parametrize(
    ("shape", "printed", "recomputed"),
    [("half-sine", 1.04, 1.0308948), ("versed sine", 1.05, 1.0419824), ("triangle", 1.06, 1.0469224)],
)
def test_greatest_maximax_over_greatest_residual(shape, printed, recomputed):
    """Harris Table 8.3 prints the first number, read from graphs; the second is recomputed."""

    def greatest(spectrum):
        found = optimize.minimize_scalar(
            lambda x: -float(spectrum(x, shape=shape)), bounds=(0.4, 1.6), method="bounded"
        )
        return -found.fun

    ratio = greatest(pulse_maximax) / greatest(pulse_residual)
    assert ratio == pytest.approx(recomputed, rel=1e-4)
    assert ratio == pytest.approx(printed, rel=0.015)


def test_zero_vibration_shaper():
    """Singer & Seering 1990 (from memory): K, A1, A2 for ζ = 0.05; residual at ±10 % of the frequency."""
    shaper = zero_vibration_shaper(10.0, damping_ratio=0.05, n_impulses=2)
    assert shaper.weights[1] / shaper.weights[0] == pytest.approx(0.85446789, rel=1e-7)
    assert shaper.weights == pytest.approx([0.53923824, 0.46076176], rel=1e-7)
    for n_impulses, expected in ((2, 0.15643447), (3, 0.024471742)):
        shaper = zero_vibration_shaper(10.0, damping_ratio=0.0, n_impulses=n_impulses)
        found = shaper_residual(shaper, frequency_hz=[9.0, 11.0], damping_ratio=0.0)
        assert found == pytest.approx([expected, expected], rel=1e-6)
