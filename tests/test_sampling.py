"""Exposure averaging and folding."""

import math

import numpy as np
import pytest

from labkit.analyse.sampling import alias_candidates, correct_exposure, exposure_attenuation, folded_frequency_hz
from labkit.runs.recording import Recording


@pytest.mark.parametrize("frequency", [3.0, 11.0, 24.0])
def test_exposure_average_is_undone(frequency):
    rate, exposure = 60.0, 1 / 75
    t = np.arange(600) / rate
    fine = t[:, None] + (np.arange(200) + 0.5) / 200 * exposure - exposure / 2
    seen = np.cos(2 * np.pi * frequency * fine + 0.4).mean(axis=1)
    recording = Recording(values=[seen], sample_rate_hz=rate, channels=["x"], unit="px")
    fixed = correct_exposure(recording, exposure_s=exposure).values[0]
    inner = slice(20, -20)
    np.testing.assert_allclose(fixed[inner], np.cos(2 * np.pi * frequency * t + 0.4)[inner], atol=0.01)
    amplitude = 2 * abs((seen * np.exp(-2j * np.pi * frequency * t)).mean())
    assert amplitude == pytest.approx(float(exposure_attenuation(frequency, exposure_s=exposure)), rel=1e-3)


def test_a_constant_stays_and_bad_input_is_named():
    recording = Recording(values=[np.full(50, 7.0)], sample_rate_hz=50.0, channels=["x"], unit="px")
    np.testing.assert_allclose(correct_exposure(recording, exposure_s=0.02).values, 7.0)
    with pytest.raises(ValueError, match="longer than the frame period"):
        correct_exposure(recording, exposure_s=0.03)
    gap = Recording(values=[[1.0, math.nan, 2.0]], sample_rate_hz=50.0, channels=["x"], unit="px")
    with pytest.raises(ValueError, match="has gaps"):
        correct_exposure(gap, exposure_s=0.01)


def test_every_candidate_folds_to_the_frequency_seen():
    found = alias_candidates(7.3, frame_rate_hz=30.0, highest_hz=400.0)
    assert len(found.frequency_hz) == 27
    for frequency in found.frequency_hz:
        assert folded_frequency_hz(float(frequency), frame_rate_hz=30.0) == pytest.approx(7.3)


def test_the_accelerometer_chooses_and_the_amplitude_follows():
    found = alias_candidates(13.0, frame_rate_hz=30.0, highest_hz=100.0, exposure_s=0.01, amplitude=1.0)
    chosen = found.choose(46.8, uncertainty_hz=0.5)
    assert found.frequency_hz[chosen] == 47.0
    assert found.amplitude[chosen] == pytest.approx(1 / np.sinc(0.47))
    with pytest.raises(ValueError, match="0 of the candidates"):
        found.choose(30.0, uncertainty_hz=0.5)
    with pytest.raises(ValueError, match="2 of the candidates"):
        found.choose(45.0, uncertainty_hz=2.5)


def test_no_amplitude_is_made_up_near_a_zero_of_the_exposure():
    found = alias_candidates(10.0, frame_rate_hz=30.0, highest_hz=110.0, exposure_s=0.0099, amplitude=1.0)
    assert math.isnan(found.amplitude[list(found.frequency_hz).index(100.0)])


def test_a_frequency_above_half_the_rate_cannot_be_seen():
    with pytest.raises(ValueError, match="a clip shows nothing higher"):
        alias_candidates(16.0, frame_rate_hz=30.0, highest_hz=100.0)
