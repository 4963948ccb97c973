"""Frequency response: exact on a periodic signal, honest about noise, refuses what cannot be told."""

import numpy as np
import pytest

from labkit.analyse.response import (
    coherence_zero_level,
    convert_response,
    frequency_response,
    response_random_error,
)
from labkit.runs.recording import Recording

RATE = 256.0
MASS_KG, STIFFNESS_N_M, ZETA = 8.0, 5e4, 0.03
UNITS = {"receptance": "m", "mobility": "m/s", "accelerance": "m/s^2"}


def receptance(frequency_hz):
    omega = 2 * np.pi * frequency_hz
    damping = 2 * ZETA * np.sqrt(STIFFNESS_N_M * MASS_KG)
    return 1 / (STIFFNESS_N_M - MASS_KG * omega**2 + 1j * omega * damping)


def recording(values, unit, **options):
    return Recording(values=[values], unit=unit, **{"sample_rate_hz": RATE, "channels": ["z"], **options})


def frf(force, motion, unit="m/s^2", **options):
    return frequency_response(
        recording(force, "N"),
        recording(motion, unit),
        force_channel="z",
        response_channel="z",
        **options,
    )


def periodic(order, periods=4):
    """A multisine force and the exact steady motion of the mass on its spring."""
    n = 1024
    lines = np.fft.rfft(np.random.default_rng(1).standard_normal(n))
    lines[[0, -1]] = 0
    f = np.fft.rfftfreq(n, 1 / RATE)
    motion = np.fft.irfft(lines * receptance(f) * (2j * np.pi * f) ** order, n)
    return np.tile(np.fft.irfft(lines, n), periods), np.tile(motion, periods), f


@pytest.mark.parametrize(("order", "kind"), [(0, "receptance"), (1, "mobility"), (2, "accelerance")])
@pytest.mark.parametrize("estimator", ["H1", "H2"])
def test_a_steady_periodic_test_gives_the_response_exactly(order, kind, estimator):
    force, motion, f = periodic(order)
    got = frf(force, motion, UNITS[kind], segment_s=4.0, window="boxcar", overlap=0.0, estimator=estimator)
    exact = receptance(f) * (2j * np.pi * f) ** order
    assert got.kind == kind
    assert got.response[1:-1] == pytest.approx(exact[1:-1], rel=1e-9)
    assert got.coherence[1:-1] == pytest.approx(1.0, abs=1e-9)
    assert np.isnan(got.response[0]) and np.isnan(got.coherence[0])


def test_kinds_convert_into_each_other_and_back():
    force, motion, f = periodic(2)
    got = frf(force, motion, segment_s=4.0, window="boxcar", overlap=0.0)
    there = convert_response(got, kind="receptance")
    assert there.response[1:-1] == pytest.approx(receptance(f)[1:-1], rel=1e-9)
    assert there.unit == "m/N"
    back = convert_response(there, kind="accelerance")
    assert back.response[1:-1] == pytest.approx(got.response[1:-1], rel=1e-12)
    assert back.unit == "(m/s^2)/N"


@pytest.mark.parametrize("gamma2", [0.5, 0.9])
def test_stated_random_error_is_the_scatter_over_repeats(gamma2):
    rng = np.random.default_rng(2)
    noise = np.sqrt(1 / gamma2 - 1)
    found, stated = [], []
    for _ in range(300):
        force = rng.standard_normal(8192)
        got = frf(force, 0.5 * (force + noise * rng.standard_normal(8192)), segment_s=1.0)
        found.append(got.response[5:-5])
        stated.append(got.magnitude_error[5:-5])
    found = np.array(found)
    magnitude = np.mean(np.std(np.abs(found), axis=0) / np.mean(np.abs(found), axis=0))
    assert magnitude == pytest.approx(np.mean(stated), rel=0.05)
    assert np.mean(np.std(np.angle(found), axis=0)) == pytest.approx(np.mean(stated), rel=0.05)
    assert np.mean(stated) == pytest.approx(response_random_error(gamma2, averages=got.effective_averages), rel=0.05)


def test_unrelated_signals_stay_below_the_zero_level_and_get_no_error_bar():
    rng = np.random.default_rng(3)
    above = []
    for _ in range(100):
        got = frf(rng.standard_normal(2560), rng.standard_normal(2560), segment_s=1.0, overlap=0.0)
        above.append(np.mean(got.coherence[3:-3] > got.coherence_zero_level))
        assert np.isnan(got.magnitude_error[got.coherence <= got.coherence_zero_level]).all()
    assert np.mean(above) == pytest.approx(0.05, abs=0.008)


def test_samples_missing_in_either_channel_leave_their_segments_out():
    rng = np.random.default_rng(4)
    force = rng.standard_normal(2560)
    motion = force / 8
    force[300] = motion[1000] = np.nan
    got = frf(force, motion, segment_s=1.0, overlap=0.0)
    assert (got.n_segments, got.n_left_out) == (8, 2)
    assert got.response[5:-5] == pytest.approx(1 / 8)


def test_taps_are_averaged_one_window_a_tap():
    n, taps = 1024, 5
    rng = np.random.default_rng(5)
    f = np.fft.rfftfreq(2 * n, 1 / RATE)
    gain = receptance(f) * (2j * np.pi * f) ** 2
    gain[0] = gain[-1] = 0
    force, motion = [], []
    for _ in range(taps):
        pulse = np.zeros(2 * n)
        pulse[10:14] = rng.uniform(50, 100) * np.array([0.3, 1, 0.7, 0.2])
        force.append(pulse)
        motion.append(np.fft.irfft(np.fft.rfft(pulse) * gain, 2 * n))
    windows = [(k * 2 * n / RATE, (k + 1) * 2 * n / RATE) for k in range(taps)]
    got = frf(np.concatenate(force), np.concatenate(motion), windows=windows, window="boxcar")
    assert got.effective_averages == pytest.approx(taps)
    assert got.response[1:-1] == pytest.approx(gain[1:-1], rel=1e-9)


def test_one_average_is_refused_because_its_coherence_is_always_one():
    x = np.random.default_rng(6).standard_normal(300)
    with pytest.raises(ValueError, match=r"1 segment.*coherence is 1 whatever was measured"):
        frf(x, x, segment_s=1.0)
    with pytest.raises(ValueError, match="coherence is 1"):
        frf(x, x, windows=[(0.0, 1.0), (0.0, 1.0)], window="boxcar")


@pytest.mark.parametrize(
    ("force", "motion", "match"),
    [
        (recording(np.ones(900), "m/s^2"), recording(np.ones(900), "N"), "force is in 'm/s\\^2'; it must be in 'N'"),
        (recording(np.ones(900), "N"), recording(np.ones(900), "px"), "response is in 'px'"),
        (recording(np.ones(900), "N"), recording(np.ones(901), "m"), "not on one clock"),
        (recording(np.ones(900), "N"), recording(np.ones(900), "m", start_s=0.001), "not on one clock"),
        (recording(np.ones(900), "N"), recording(np.ones(900), "m", sample_rate_hz=RATE * 1.0001), "not on one clock"),
    ],
)
def test_recordings_that_do_not_belong_together_are_refused(force, motion, match):
    with pytest.raises(ValueError, match=match):
        frequency_response(force, motion, force_channel="z", response_channel="z", segment_s=1.0)


def test_bad_choices_are_refused():
    force, motion, _ = periodic(2)
    with pytest.raises(ValueError, match="estimator is 'H3'"):
        frf(force, motion, segment_s=1.0, estimator="H3")
    with pytest.raises(ValueError, match="kind is 'stiffness'"):
        convert_response(frf(force, motion, segment_s=1.0), kind="stiffness")
    with pytest.raises(ValueError, match="one average always has coherence 1"):
        coherence_zero_level(1.0)


def test_no_coherence_no_certainty():
    assert np.isinf(response_random_error(0.0, averages=10))
    assert response_random_error(1.0, averages=10) == 0.0
