"""Closed forms of acceleration and displacement against published or independently derived numbers."""

import pytest

from labkit.analyse.displacement import (
    amplitude_m,
    double_integration_drift_m,
    highpass_noise_factor,
    mount_resonance_error,
    noise_floor_m,
)

G = 9.80665
MICRO_G = 1e-6 * G


@pytest.mark.parametrize(
    ("value", "expected", "source"),
    [
        (1e6 * amplitude_m(0.1 * G, frequency_hz=50), 9.9362139, "x = a/ω² (definition)"),
        (1e6 * noise_floor_m(100 * MICRO_G, low_cut_hz=5), 1.2827597, "∫n²/(2πf)⁴ df, derived"),
        (1e6 * noise_floor_m(100 * MICRO_G, low_cut_hz=5, high_cut_hz=400), 1.2827584, "same"),
        (1e6 * noise_floor_m(400 * MICRO_G, low_cut_hz=2, high_cut_hz=200), 20.282201, "same"),
        (highpass_noise_factor(2), 1.8254211, "√(3(π/2n)/sin(3π/2n)), derived"),
        (highpass_noise_factor(4), 1.1292313, "same"),
        (highpass_noise_factor(8), 1.029689, "same"),
        (highpass_noise_factor(1, zero_phase=True), 1.5349901, "beta function, derived"),
        (highpass_noise_factor(2, zero_phase=True), 0.91271055, "same"),
        (highpass_noise_factor(4, zero_phase=True), 0.89273571, "same"),
        (
            1e3 * double_integration_drift_m(1.0, bias_m_s2=1e-3 * G)[0],
            4.903325,
            "½bt²; topic: Thong et al., Meas. Sci. Technol. 13 (2002) 1163",
        ),
        (
            1e3 * double_integration_drift_m(1.0, noise_density_m_s2_rthz=100 * MICRO_G)[1],
            0.40035481,
            "n√(t³/6), derived",
        ),
        (1e9 * amplitude_m(4 * G / 2**16, frequency_hz=20), 37.903648, "one step of a ±2 g, 16 bit sensor at 20 Hz"),
        (mount_resonance_error(1 / 10), 0.01010101, "base response of one degree of freedom, derived"),
        (mount_resonance_error(1 / 5), 0.041666667, "same"),
        (mount_resonance_error(1 / 3), 0.125, "same; the third is common practice, no source"),
    ],
)
def test_closed_forms(value, expected, source):
    assert value == pytest.approx(expected, rel=1e-4), source
