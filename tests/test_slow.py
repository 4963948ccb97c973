"""Slow positions: vibration averaged out, gaps kept, mistakes left out."""

import math

import numpy as np
import pytest

from labkit.analyse.slow import SlowPositions, slow_positions, thinned
from labkit.runs.recording import Recording

RATE_HZ = 25.0


def recording(values, *, unit="m"):
    return Recording(values=[values], sample_rate_hz=RATE_HZ, channels=["x"], unit=unit, start_s=5.0)


def ramp(seconds=600.0):
    return 1e-9 * np.arange(0, seconds, 1 / RATE_HZ)


def test_vibration_goes_and_a_ramp_stays():
    t = np.arange(ramp().size) / RATE_HZ
    shaken = ramp() + 20e-6 * np.sin(2 * np.pi * 3.71 * t)
    slow = slow_positions(recording(shaken), channel="x", window_s=10.0)
    truth = 1e-9 * (slow.time_s - 5.0)
    assert np.abs(slow.position_m - truth).max() < 0.01e-6  # an even window of 37.1 periods would leave 0.05 µm
    assert slow.vibration_rms_m == pytest.approx(20e-6 / math.sqrt(2), rel=0.01)
    assert slow.position_m.size == 60 and slow.window_s == 10.0 and slow.left_out == 0


def test_gaps_stay_gaps_and_mistakes_are_left_out():
    rng = np.random.default_rng(1)
    values = ramp() + rng.normal(0, 0.2e-6, ramp().size)
    values[5000:7500] = np.nan  # a gap of 100 s
    wrong = rng.choice(5000, 50, replace=False)
    values[wrong] += 1e-3  # frames that were mistaken
    slow = slow_positions(recording(values), channel="x", window_s=10.0)
    assert slow.position_m.size == 50
    assert np.diff(slow.time_s).max() == pytest.approx(110.0, abs=1.0)
    assert slow.left_out == pytest.approx(2550, abs=5)
    assert np.abs(slow.position_m - 1e-9 * (slow.time_s - 5.0)).max() < 0.1e-6


def test_a_window_that_is_half_empty_is_dropped():
    values = ramp(100.0)
    values[:140] = np.nan  # 140 of the first 250
    assert slow_positions(recording(values), channel="x", window_s=10.0).time_s[0] > 15.0
    assert slow_positions(recording(values), channel="x", window_s=10.0, least_share=0.4).time_s[0] < 15.0


def test_default_window():
    assert slow_positions(recording(ramp(60.0)), channel="x").window_s == 1.0
    assert slow_positions(recording(ramp(600.0)), channel="x").window_s == 3.0


@pytest.mark.parametrize(
    "values, unit, words",
    [
        (ramp(), "px", "give `track` a scale"),
        (ramp(), "m/s^2", "does not see drift"),
        (ramp(7.0), "m", "fills 7 windows"),
        (np.full(5000, np.nan), "m", "fills 0 windows"),
    ],
)
def test_what_cannot_work_says_so(values, unit, words):
    with pytest.raises(ValueError, match=words):
        slow_positions(recording(values, unit=unit), channel="x")


def test_readings_must_pair_and_grow():
    with pytest.raises(ValueError, match="must pair"):
        SlowPositions(time_s=np.arange(9.0), position_m=np.arange(8.0))
    with pytest.raises(ValueError, match=r"time_s\[3\]"):
        SlowPositions(time_s=[0, 1, 2, 1, 4, 5, 6, 7], position_m=np.zeros(8))
    with pytest.raises(ValueError, match="at least 8"):
        SlowPositions(time_s=[0, 1], position_m=[0, 1])
    with pytest.raises(ValueError, match="not finite"):
        SlowPositions(time_s=np.arange(8.0), position_m=[0, 1, 2, 3, np.nan, 5, 6, 7])


def test_thinning_keeps_the_line_and_the_gap():
    t = np.concatenate([np.arange(0.0, 4000.0), np.arange(6000.0, 10_000.0)])
    times, positions = thinned(SlowPositions(time_s=t, position_m=3.0 * t))
    assert positions == pytest.approx(3.0 * times)
    assert 150 < times.size < 200 and np.diff(times).max() > 1900.0
