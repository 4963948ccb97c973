"""Power density, band rms and amplitudes: identities, coverage of the intervals by simulation, ragged input."""

import dataclasses
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from labkit.analyse.spectra import amplitude_spectrum, band_rms, power_spectral_density
from labkit.base import Estimate
from labkit.runs.recording import Recording


def recording(values, rate=100.0, unit="m/s^2"):
    return Recording(values=[values], sample_rate_hz=rate, channels=["a"], unit=unit)


def psd(values, rate=100.0, **options):
    return power_spectral_density(recording(values, rate), channel="a", **options)


# ------------------------------------------------------------------------------------------------- identities
@settings(max_examples=40, deadline=None)
@given(
    n=st.integers(8, 400),
    seed=st.integers(0, 2**32 - 1),
    rate=st.floats(0.01, 1e6),
    scale=st.floats(1e-9, 1e9),
)
def test_parseval_the_lines_add_up_to_the_mean_square(n, seed, rate, scale):
    x = scale * np.random.default_rng(seed).standard_normal(n)
    spectrum = psd(x, rate, window="boxcar", detrend="none")
    assert spectrum.density.sum() * spectrum.line_spacing_hz == pytest.approx(np.mean(x**2), rel=1e-10)
    rms = band_rms(spectrum, low_hz=0.0, high_hz=spectrum.frequency_hz[-1])
    assert rms.value == pytest.approx(np.sqrt(np.mean(x**2)), rel=1e-10)


@pytest.mark.parametrize("window", ["hann", "flattop", "blackmanharris"])
def test_parseval_holds_for_any_window_on_average(window):
    x = np.random.default_rng(3).standard_normal(400_000)
    spectrum = psd(x, segment_s=5.0, window=window, overlap=0.75)
    assert spectrum.density.sum() * spectrum.line_spacing_hz == pytest.approx(np.var(x), rel=3e-3)


def test_density_does_not_depend_on_resolution_and_goes_with_the_square():
    x = np.random.default_rng(4).standard_normal(100_000)
    coarse, fine = psd(x, resolution_hz=4.0), psd(x, resolution_hz=0.5)
    assert np.mean(coarse.density[2:-2]) == pytest.approx(np.mean(fine.density[2:-2]), rel=5e-3)
    assert psd(3 * x, resolution_hz=4.0).density == pytest.approx(9 * coarse.density)


def test_segments_are_averaged_without_the_ones_that_touch_a_gap():
    x = np.random.default_rng(5).standard_normal(1000)
    holed = x.copy()
    holed[[250, 620]] = np.nan
    got = psd(holed, segment_s=1.0, overlap=0.0)
    clean = np.delete(x.reshape(10, 100), [2, 6], axis=0)
    _, expected = signal.periodogram(clean, 100.0, window="hann", detrend="constant")
    assert got.density == pytest.approx(expected.mean(axis=0), rel=1e-12)
    assert (got.n_segments, got.n_left_out) == (8, 2)
    assert got.effective_averages == pytest.approx(8)


def test_ring_downs_are_averaged_as_independent_segments():
    rng = np.random.default_rng(6)
    x = rng.standard_normal(5000)
    windows = [(t, t + 2.0) for t in (0.0, 10.0, 20.0, 30.0)]
    got = psd(x, windows=windows, window="boxcar")
    pieces = np.stack([x[round(100 * a) : round(100 * b)] for a, b in windows])
    assert got.density == pytest.approx(signal.periodogram(pieces, 100.0)[1].mean(axis=0), rel=1e-12)
    assert (got.n_segments, got.effective_averages) == (4, pytest.approx(4.0))


def test_many_segments_are_transformed_in_pieces_without_a_seam(monkeypatch):
    x = np.random.default_rng(7).standard_normal(3000)
    whole = psd(x, segment_s=1.0)
    monkeypatch.setattr("labkit.analyse.segments._CHUNK", 700)
    assert psd(x, segment_s=1.0).density == pytest.approx(whole.density, rel=1e-12)


def test_linear_detrend_takes_a_drift_out():
    x = np.linspace(0, 50, 2000)
    assert psd(x, segment_s=5.0, detrend="linear").density.max() < 1e-20
    assert psd(x, segment_s=5.0).density.max() > 1e-3


def test_an_unknown_channel_is_named():
    with pytest.raises(ValueError, match="channel is 'z'; this recording has a"):
        power_spectral_density(recording(np.zeros(100)), channel="z")


def test_values_in_the_recording_stay_as_they_were():
    rec = recording(np.arange(100.0))
    power_spectral_density(rec, channel="a", segment_s=0.5, detrend="linear")
    assert rec.values[0].tolist() == list(range(100))


# ---------------------------------------------------------------------------------------- interval of a line
@pytest.mark.parametrize("overlap", [0.0, 0.5, 0.75])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_line_intervals_cover_as_often_as_they_say(overlap, level):
    rng = np.random.default_rng(8)
    inside, nyquist = [], []
    for _ in range(400):
        got = psd(rng.standard_normal(1000), segment_s=1.0, overlap=overlap, level=level)
        hit = (got.interval_low <= 0.02) & (got.interval_high >= 0.02)
        inside.append(hit[3:-3].mean())
        nyquist.append(got.interval_low[-1] <= 0.01 <= got.interval_high[-1])  # not doubled, a real line
    assert np.mean(inside) == pytest.approx(level, abs=0.012)
    assert np.mean(nyquist) == pytest.approx(level, abs=0.035)


def test_the_mean_has_no_chi_square_interval():
    got = psd(5 + np.random.default_rng(9).standard_normal(1000), segment_s=1.0)
    assert np.isnan(got.interval_low[0]) and np.isnan(got.interval_high[0])
    assert np.isfinite(got.interval_low[1:]).all()


# ---------------------------------------------------------------------------------------------- band rms
def resonant(rng, n):
    """White noise through a resonance at 12 Hz, half-power width 1.2 Hz, sampled at 100 Hz; and its density."""
    b, a = [1.0], [1.0, -2 * np.exp(-0.0377) * np.cos(0.754), np.exp(-2 * 0.0377)]
    return signal.lfilter(b, a, rng.standard_normal(n + 1000))[
        1000:
    ], lambda f: np.abs(signal.freqz(b, a, worN=f, fs=100.0)[1]) ** 2 * 2 / 100.0


def white(rng, n):
    return rng.standard_normal(n), lambda f: np.full(np.shape(f), 0.02)


@pytest.mark.parametrize(
    ("source", "band", "options", "least", "error_ratio"),
    [
        (white, (20.0, 45.0), {"segment_s": 2.0, "overlap": 0.75}, 0.93, (0.93, 1.07)),
        (white, (10.0, 12.0), {"segment_s": 2.0}, 0.93, (0.93, 1.07)),
        (white, (5.0, 45.0), {"segment_s": 2.0, "window": "boxcar", "overlap": 0.0}, 0.93, (0.93, 1.07)),
        # the slope of the resonance is steep within a resolution bandwidth (0.38 and 0.75 Hz): see the docstring
        (resonant, (8.0, 16.0), {"segment_s": 4.0}, 0.92, (0.88, 1.05)),
        (resonant, (8.0, 16.0), {"segment_s": 2.0}, 0.90, (0.85, 1.05)),
    ],
)
def test_band_rms_intervals_cover(source, band, options, least, error_ratio):
    rng = np.random.default_rng(12)
    f = np.linspace(*band, 4001)
    truth = np.sqrt(np.trapezoid(source(rng, 10)[1](f), f))
    found = [band_rms(psd(source(rng, 2000)[0], **options), low_hz=band[0], high_hz=band[1]) for _ in range(600)]
    assert least <= np.mean([got.interval.contains(truth) for got in found]) <= 0.975
    stated = np.sqrt(np.mean([got.standard_error**2 for got in found]))
    assert error_ratio[0] <= stated / np.std([got.value for got in found]) <= error_ratio[1]


def test_bands_add_in_quadrature_wherever_they_are_cut():
    spectrum = psd(np.random.default_rng(13).standard_normal(2000), segment_s=2.0)
    cuts = [0.0, 7.123, 7.3, 30.0, 50.0]
    parts = [band_rms(spectrum, low_hz=a, high_hz=b).value ** 2 for a, b in itertools.pairwise(cuts)]
    assert sum(parts) == pytest.approx(band_rms(spectrum, low_hz=0.0, high_hz=50.0).value ** 2, rel=1e-12)


def test_band_rms_is_an_estimate_and_says_when_it_is_narrow():
    spectrum = psd(np.random.default_rng(14).standard_normal(2000), segment_s=1.0)
    wide, narrow = band_rms(spectrum, low_hz=10.0, high_hz=40.0), band_rms(spectrum, low_hz=10.0, high_hz=12.0)
    assert isinstance(wide, Estimate)
    assert wide.notes == ()
    assert "1.3 resolution bandwidths of 1.5 Hz" in narrow.notes[0]
    assert narrow.standard_error / narrow.value > 2 * wide.standard_error / wide.value
    assert "0 Hz" in band_rms(spectrum, low_hz=0.5, high_hz=40.0).notes[0]


def test_an_empty_band_has_no_known_uncertainty():
    silence = band_rms(psd(np.zeros(500), segment_s=1.0), low_hz=5.0, high_hz=40.0)
    assert silence.value == 0.0
    assert np.isnan(silence.standard_error)
    assert not silence.interval.known


@pytest.mark.parametrize(
    ("band", "match"), [((10.0, 60.0), "high_hz is 60.0.*at most 50"), ((-1.0, 5.0), "low_hz"), ((9.0, 9.0), "above 9")]
)
def test_a_band_outside_the_spectrum_is_refused(band, match):
    with pytest.raises(ValueError, match=match):
        band_rms(psd(np.ones(500), segment_s=1.0), low_hz=band[0], high_hz=band[1])


# ------------------------------------------------------------------------------------------------ amplitudes
@pytest.mark.parametrize("window", ["flattop", "hann", "boxcar", "blackmanharris"])
def test_a_tone_reads_its_peak_amplitude_within_the_stated_scalloping(window):
    t = np.arange(4000) / 1000.0
    worst = 0.0
    for offset in np.linspace(0, 0.25, 11):  # from one line to the next
        tone = recording(2.5 * np.cos(2 * np.pi * (100 + offset) * t + 1), 1000.0)
        got = amplitude_spectrum(tone, channel="a", window=window)
        worst = max(worst, 1 - got.amplitude.max() / 2.5)
    assert worst == pytest.approx(got.largest_underreading, abs=2e-3)
    assert got.enbw_hz >= 0.25


def test_amplitudes_at_zero_and_at_the_last_line():
    x = 4.0 + 3.0 * np.cos(np.pi * np.arange(1000))
    got = amplitude_spectrum(recording(x), channel="a", window="boxcar", detrend="none")
    assert got.amplitude[[0, -1]] == pytest.approx([4.0, 3.0])
    assert got.amplitude[1:-1].max() < 1e-12


def test_noise_lifts_a_line_by_what_the_docstring_says():
    x = np.random.default_rng(15).standard_normal(200_000)
    got = amplitude_spectrum(recording(x), channel="a", segment_s=10.0)
    assert np.mean(got.amplitude[5:-5] ** 2) == pytest.approx(2 * 0.02 * got.enbw_hz, rel=0.01)


def test_results_are_frozen():
    spectrum = psd(np.ones(100), segment_s=1.0)
    with pytest.raises(dataclasses.FrozenInstanceError):
        spectrum.level = 0.5
