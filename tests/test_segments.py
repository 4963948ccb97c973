"""Windows, segments and what averages are worth: closed forms, Monte Carlo, ragged input."""

import numpy as np
import pytest
from scipy import signal

from labkit.analyse.segments import (
    effective_averages,
    lay_segments,
    line_covariance,
    psd_interval_factors,
    window_facts,
)
from labkit.runs.recording import Recording


def recording(values, rate=100.0, start_s=0.0):
    return Recording(values=[values], sample_rate_hz=rate, channels=["a"], unit="m/s^2", start_s=start_s)


def lay(rec, **options):
    options = {
        "segment_s": None,
        "resolution_hz": None,
        "window": "hann",
        "overlap": 0.5,
        "windows": None,
        "detrend": "constant",
        **options,
    }
    return lay_segments(rec, np.isfinite(rec.values[0]), **options)


@pytest.mark.parametrize(
    ("window", "overlap", "n_segments"),
    [("hann", 0.5, 9), ("hann", 0.75, 29), ("flattop", 0.75, 20), ("boxcar", 0.5, 12), (("kaiser", 8.0), 0.6, 15)],
)
def test_effective_averages_match_the_scatter_of_simulated_densities(window, overlap, n_segments):
    n = 64
    step = n - round(n * overlap)
    rng = np.random.default_rng(10)
    noise = rng.standard_normal((3000, (n_segments - 1) * step + n))
    _, density = signal.welch(noise, window=window, nperseg=n, noverlap=n - step, detrend=False)
    inner = density[:, 8:-8]
    simulated = np.mean(inner.mean(axis=0) ** 2 / inner.var(axis=0))
    assert simulated == pytest.approx(effective_averages(n_segments, overlap=overlap, window=window, n=n), rel=0.03)


def test_line_covariance_matches_simulated_neighbours():
    n, starts = 64, np.arange(9) * 32
    noise = np.random.default_rng(11).standard_normal((6000, 9 * 32 + 32))
    _, density = signal.welch(noise, window="hann", nperseg=n, noverlap=32, detrend=False)
    expected = line_covariance(starts, signal.get_window("hann", n))
    relative = density / density.mean(axis=0) - 1
    for apart in range(4):
        a, b = relative[:, 8 : -8 - apart], relative[:, 8 + apart : -8]
        assert np.mean(a * b) == pytest.approx(expected[apart], abs=0.003)


def test_segments_that_do_not_overlap_count_in_full():
    assert effective_averages(7, overlap=0.0) == pytest.approx(7)


def test_the_same_stretch_twice_is_one_average():
    taper = signal.get_window("hann", 64)
    assert 1 / line_covariance(np.array([0, 0]), taper)[0] == pytest.approx(1.0)
    assert 1 / line_covariance(np.array([0, 1000, 0, 1000]), taper)[0] == pytest.approx(2.0)


@pytest.mark.parametrize("window", ["boxcar", "hann", "flattop", "blackmanharris", ("kaiser", 14.0), ("tukey", 0.3)])
@pytest.mark.parametrize("resolution_hz", [0.37, 1.0, 4.0])
def test_resolution_asked_for_is_the_noise_bandwidth(window, resolution_hz):
    seg = lay(recording(np.zeros(4000)), window=window, resolution_hz=resolution_hz)
    assert seg.enbw_hz <= resolution_hz * (1 + 1e-3)
    assert seg.enbw_hz * (seg.taper.size + 1) / seg.taper.size > resolution_hz * (1 - 0.02)


def test_segments_that_touch_a_gap_are_left_out_and_counted():
    x = np.ones(100)
    x[39] = np.nan  # last sample of segment 2 of [0,20) [20,40) …
    x[60:81] = np.nan  # segment 3 whole and the first sample of segment 4
    seg = lay(recording(x), segment_s=0.2, overlap=0.0)
    assert seg.starts.tolist() == [0, 40]
    assert seg.n_left_out == 3


def test_windows_become_segments_on_the_clock_of_the_recording():
    rec = recording(np.arange(1000.0), start_s=5.0)
    seg = lay(rec, windows=[(5.0, 6.0), (8.0, 9.3)])
    assert seg.taper.size == 100  # the shortest
    assert seg.starts.tolist() == [0, 300]
    halves = lay(rec, windows=[(5.0, 6.0), (8.0, 9.3)], segment_s=0.5, overlap=0.0)
    assert halves.starts.tolist() == [0, 50, 300, 350]


def test_overlap_may_be_anything_below_one():
    seg = lay(recording(np.zeros(50)), segment_s=0.2, overlap=0.999)
    assert seg.starts.tolist() == list(range(31))


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"segment_s": 20.0}, r"holds 1000 sample.*needs 2000.*log for longer"),
        ({"segment_s": 0.02}, r"would hold 2 sample.*at least 8"),
        ({"segment_s": 1.0, "resolution_hz": 1.0}, "both given"),
        ({"segment_s": -1.0}, "segment_s is -1.0.*above 0"),
        ({"segment_s": 1.0, "overlap": 1.0}, "overlap is 1.0.*below 1"),
        ({"segment_s": 1.0, "window": "bell"}, "'bell', which scipy.signal.get_window does not know"),
        ({"segment_s": 1.0, "window": np.ones(50)}, "leave segment_s and resolution_hz out"),
        ({"segment_s": 1.0, "detrend": "cubic"}, "detrend is 'cubic'"),
        ({"windows": []}, "windows is empty"),
        ({"windows": [(9.0, 11.0)]}, "reaches outside the recording"),
        ({"windows": [(-1.0, 3.0)]}, "reaches outside the recording"),
        ({"windows": [(1.0, 2.0), (3.0, 3.5)], "segment_s": 1.0}, "span from 3 s holds 50"),
    ],
)
def test_what_cannot_be_laid_is_refused(options, match):
    with pytest.raises(ValueError, match=match):
        lay(recording(np.zeros(1000)), **options)


def test_all_segments_lost_is_an_error_with_a_cure():
    x = np.ones(100)
    x[::10] = np.nan
    with pytest.raises(ValueError, match=r"touches one of 10 missing.*shorter segments"):
        lay(recording(x), segment_s=0.2)


@pytest.mark.parametrize("window", [np.array([1.0, -1.0]), np.zeros(8)])
def test_a_window_needs_a_positive_sum(window):
    with pytest.raises(ValueError, match="sum must be positive"):
        window_facts(window)


def test_a_window_by_name_needs_a_length():
    with pytest.raises(TypeError, match=r"n is None.*number of samples"):
        window_facts("hann")


def test_interval_factors_close_in_on_one():
    low, high = psd_interval_factors(1e6)
    assert 0.997 < low < 1 < high < 1.003
    with pytest.raises(ValueError, match="averages is 0"):
        psd_interval_factors(0)
