"""Spectra and frequency responses against published values, other programs and real records."""

import importlib.metadata
import json

import nitime.algorithms
import numpy as np
import pytest
from scipy import signal

from labkit.analyse.response import (
    FrequencyResponse,
    coherence_zero_level,
    convert_response,
    frequency_response,
    response_random_error,
)
from labkit.analyse.segments import effective_averages, psd_interval_factors, window_facts
from labkit.analyse.spectra import band_rms, power_spectral_density
from labkit.runs.recording import Recording


def recording(values, rate, unit="m/s^2"):
    return Recording(values=[values], sample_rate_hz=rate, channels=["a"], unit=unit)


def shipped(package, ending):
    """Path of a file that an installed package carries (nothing is imported)."""
    files = importlib.metadata.files(package) or []
    return next(f.locate() for f in files if str(f).endswith(ending))


# --------------------------------------------------------------------------------------- published values
# coherent gain, equivalent noise bandwidth [bins], scalloping [dB]
WINDOWS = [
    # table in an oscilloscope manual (3 digits: rectangle 3.92 dB/1.0, Hann 1.42/1.5, Hamming 1.78/1.37)
    ("boxcar", 1.0, 1.0, 3.9223973),
    ("hann", 0.5, 1.5, 1.4236228),
    # recomputed from the definitions of Harris 1978
    ("hamming", 0.54, 1.3628258, 1.7514312),
    ("blackman", 0.42, 1.7267574, 1.0988788),
    ("blackmanharris", 0.35875, 2.0043529, 0.82557223),
    ("flattop", 0.21557895, 3.7702464, 0.0097780584),
]


@pytest.mark.parametrize(("window", "gain", "enbw", "scalloping"), WINDOWS)
def test_window_facts(window, gain, enbw, scalloping):
    facts = window_facts(window, 4096)
    assert [facts.coherent_gain, facts.enbw_bins] == pytest.approx([gain, enbw], rel=2e-6)
    assert facts.scalloping_db == pytest.approx(scalloping, rel=2e-4)


def test_random_errors_of_bendat_and_piersol():
    # Random Data: |H| as quoted from the 2nd ed., p. 317 in an open technical note; that of a density from memory
    assert response_random_error(0.9, averages=16) == pytest.approx(0.058925565, rel=1e-6)
    assert coherence_zero_level(10) == pytest.approx(0.28312884, rel=1e-6)  # standard result, from memory


def test_error_of_a_density_is_one_over_root_averages():
    # Bendat & Piersol, from memory: ε(G) = 1/√n_d = 0.25 at 16 averages
    noise = np.random.default_rng(20).standard_normal(640_000)
    blocks = [
        power_spectral_density(recording(x, 100.0), channel="a", segment_s=1.0, overlap=0.0).density[4:-4]
        for x in noise.reshape(400, 1600)
    ]
    assert np.std(blocks) / np.mean(blocks) == pytest.approx(0.25, rel=0.02)


def test_interval_factors_for_ten_averages():
    # Bendat & Piersol: χ² with 2·n_d degrees of freedom
    assert psd_interval_factors(10, level=0.95) == pytest.approx((0.58531548, 2.0853367), rel=1e-6)


def test_effective_averages_of_welch():
    # Welch 1967, Harris 1978 (from memory): ρ = 1/6 for Hann at half overlap, K/(1 + 2ρ²(K − 1)/K)
    assert effective_averages(9, overlap=0.5, n=4096) == pytest.approx(8.5764706, rel=1e-6)


def test_response_of_a_mass_on_a_damped_spring():
    # ISO 2041, ISO 7626-1 definitions; 8 kg, 50 kN/m, ζ = 0.03 at 10 Hz
    f = np.array([0.0, 10.0])
    omega = 2 * np.pi * f
    receptance = 1 / (5e4 - 8 * omega**2 + 2j * 0.03 * np.sqrt(5e4 * 8) * omega)
    unknown = np.full(2, np.nan)
    frf = FrequencyResponse(
        frequency_hz=f,
        response=receptance,
        kind="receptance",
        unit="m/N",
        coherence=unknown,
        magnitude_error=unknown,
        phase_error_rad=unknown,
        coherence_zero_level=0.3,
        effective_averages=9.0,
        n_segments=9,
        n_left_out=0,
        estimator="H1",
        window="hann",
        enbw_hz=1.0,
    )
    assert abs(frf.response[1]) == pytest.approx(5.3847511e-05, rel=1e-6)
    assert abs(convert_response(frf, kind="mobility").response[1]) == pytest.approx(0.0033833389, rel=1e-6)
    assert abs(convert_response(frf, kind="accelerance").response[1]) == pytest.approx(0.21258145, rel=1e-6)
    assert abs(1 / frf.response[1]) == pytest.approx(18570.961, rel=1e-6)  # dynamic stiffness [N/m]
    assert np.degrees(np.angle(frf.response[1])) == pytest.approx(-7.3764904, rel=1e-6)


def test_bias_of_h1_and_h2_by_noise_on_either_side():
    # Bendat & Piersol (from memory): S_uu = 1, noise 0.05 on the input, 0.02 on the output, |H| = 1
    rng = np.random.default_rng(21)
    u, n_in, n_out = (s * rng.standard_normal(2_000_000) for s in (1.0, np.sqrt(0.05), np.sqrt(0.02)))
    found = [
        frequency_response(
            recording(u + n_in, 1000.0, "N"),
            recording(u + n_out, 1000.0),
            force_channel="a",
            response_channel="a",
            segment_s=0.256,
            estimator=estimator,
        )
        for estimator in ("H1", "H2")
    ]
    h1, h2 = (np.mean(frf.response[3:-3]).real for frf in found)
    assert h1 == pytest.approx(0.95238095, rel=1e-3)
    assert h2 == pytest.approx(1.02, rel=1e-3)
    assert np.mean(found[0].coherence[3:-3]) == pytest.approx(0.93370682, rel=1e-3)
    assert found[0].response[3:-3] / found[1].response[3:-3] == pytest.approx(found[0].coherence[3:-3], rel=1e-9)


# ------------------------------------------------------------------------------------- independent programs
@pytest.mark.parametrize(("window", "overlap"), [("hann", 0.5), ("flattop", 0.75), (("kaiser", 9.0), 0.3)])
def test_density_equals_scipy_welch(window, overlap):
    x = np.random.default_rng(22).standard_normal(5000) + 3
    got = power_spectral_density(recording(x, 400.0), channel="a", segment_s=0.64, window=window, overlap=overlap)
    f, expected = signal.welch(x, 400.0, window=window, nperseg=256, noverlap=round(256 * overlap))
    assert got.frequency_hz == pytest.approx(f)
    assert got.density == pytest.approx(expected, rel=1e-10)


def test_response_and_coherence_equal_scipy():
    rng = np.random.default_rng(23)
    force = rng.standard_normal(8000)
    motion = signal.lfilter([0.2, 0.1], [1, -0.9], force) + 0.1 * rng.standard_normal(8000)
    got = frequency_response(
        recording(force, 400.0, "N"),
        recording(motion, 400.0),
        force_channel="a",
        response_channel="a",
        segment_s=0.64,
    )
    options = {"fs": 400.0, "nperseg": 256}
    _, cross = signal.csd(force, motion, **options)
    _, power = signal.welch(force, **options)
    assert got.response[1:] == pytest.approx((cross / power)[1:], rel=1e-9)
    assert got.coherence[1:] == pytest.approx(signal.coherence(force, motion, **options)[1][1:], rel=1e-9)


def test_one_segment_equals_the_periodogram_of_nitime():
    x = np.random.default_rng(24).standard_normal(3001)
    got = power_spectral_density(recording(x, 250.0), channel="a", window="boxcar", detrend="none")
    f, expected = nitime.algorithms.periodogram(x, Fs=250.0)
    assert got.frequency_hz == pytest.approx(f)
    assert got.density[1:] == pytest.approx(expected[1:], rel=1e-9)


def test_bands_agree_with_the_multitaper_density_of_nitime():
    """Two estimators of one record of a resonance at 12 Hz: rms in bands within 1 %."""
    x = signal.lfilter([1.0], [1.0, -1.404, 0.9274], np.random.default_rng(25).standard_normal(30_000))
    ours = power_spectral_density(recording(x, 100.0), channel="a", segment_s=10.0, overlap=0.75)
    f, density, _ = nitime.algorithms.multi_taper_psd(x, Fs=100.0, NW=8.0, adaptive=False, jackknife=False)
    for low, high in [(1.0, 8.0), (8.0, 11.5), (11.5, 12.5), (12.5, 20.0), (20.0, 49.0)]:
        theirs = np.sqrt(density[(f >= low) & (f < high)].sum() * (f[1] - f[0]))
        assert band_rms(ours, low_hz=low, high_hz=high).value == pytest.approx(theirs, rel=0.01)


def test_noise_and_its_density_stored_by_a_third_program():
    """Seismological noise with the density that PITSA computed, both in obspy's test data: 0.15 % in bins 5–255."""
    noise = np.load(shipped("obspy", "pitsa_noise.npy")).astype(float)
    stored = np.load(shipped("obspy", "pitsa_noise_psd_samprate_100_nfft_512_noverlap_0.npy"))
    taper = np.load(shipped("obspy", "pitsa_welch_window_512.npy"))
    got = power_spectral_density(recording(noise, 100.0), channel="a", window=taper, overlap=0.0)
    assert got.n_segments == 16
    assert got.density[5:256] == pytest.approx(stored[5:256], rel=1.5e-3)


def test_raw_counts_of_a_real_accelerometer():
    """sync_acc_1 of biosignalsnotebooks (MIT): 1 kHz, 16-bit counts, header in JSON."""
    path = shipped("biosignalsnotebooks", "sync_acc_1.txt")
    header = json.loads(path.read_text().splitlines()[1].lstrip("# "))
    rate = float(next(iter(header.values()))["sampling rate"])
    counts = np.loadtxt(path)[:, -1]
    got = power_spectral_density(
        recording(counts, rate, "count"),
        channel="a",
        window="boxcar",
        detrend="constant",
    )
    _, expected = nitime.algorithms.periodogram(counts - counts.mean(), Fs=rate)
    assert got.density[1:] == pytest.approx(expected[1:], rel=1e-9)
    everything = band_rms(got, low_hz=0.0, high_hz=rate / 2)
    assert everything.value**2 == pytest.approx(np.var(counts), rel=1e-9)  # Parseval
