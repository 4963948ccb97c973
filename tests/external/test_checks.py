"""Checks on real records that installed packages carry: what they say, against what is known about each record."""

import importlib.metadata
import json

import numpy as np
import pandas as pd
import pytest

from labkit.runs import checks_spectrum
from labkit.runs.checks import check_recording
from labkit.runs.checks_log import find_step
from labkit.runs.readers import read_log
from labkit.runs.recording import Recording

G = 9.80665


def shipped(package, ending):
    """Path of a file that an installed package carries (nothing is imported)."""
    files = importlib.metadata.files(package) or []
    return next(f.locate() for f in files if str(f).endswith(ending))


def findings(report):
    return {(f.code, f.severity) for f in report.findings}


def one(report, code):
    return next(f for f in report.findings if f.code == code)


# ------------------------------------------------------------------------------------ hand-held sensor, 50 Hz, in g
@pytest.fixture(scope="module")
def handheld():
    """scikit-kinematics (BSD): tests/data/data_ngimu; its Settings.txt says /rate/sensors 50."""
    return read_log(shipped("scikit-kinematics", "data_ngimu/sensors.csv"), sample_rate_hz=50.0)


def test_handheld_jitter_and_rate(handheld):
    report = check_recording(handheld)
    stamps = pd.read_csv(shipped("scikit-kinematics", "data_ngimu/sensors.csv")).iloc[:, 0].to_numpy()
    assert one(report, "jitter").value == pytest.approx(np.diff(stamps).std(), rel=1e-3)
    assert one(report, "jitter").value == pytest.approx(0.70e-3, abs=0.01e-3)  # read off the file by hand
    assert "0.703 ms" in one(report, "jitter").evidence
    assert one(report, "sample-rate").value == pytest.approx(49.912 / 50 - 1, abs=2e-5)
    assert {"gaps", "dropped-samples", "repeated-time", "backward-time", "clipping", "stuck"} <= set(report.passed)


def test_handheld_gravity_and_unit(handheld):
    """Held still at first (1.00 g along z in the first rows), then turned: gravity and unit are right, it wanders."""
    report = check_recording(handheld, gravity_axis="Accelerometer Z")
    assert {"unit", "gravity", "tilt"} <= set(report.passed)
    assert ("drift", "warning") in findings(report)
    as_if_si = Recording(
        values=handheld.values / G,
        sample_rate_hz=handheld.sample_rate_hz,
        channels=handheld.channels,
        unit="m/s^2",
    )
    wrong = check_recording(as_if_si)
    assert "values in g were read as m/s²" in one(wrong, "unit").evidence
    assert wrong.blocked == {"spectra", "displacement", "settling"}


# ------------------------------------------------------------------------------------ numbered packets, 256 Hz
@pytest.fixture(scope="module")
def packets():
    """scikit-kinematics: tests/data/data_xio, acceleration in g; one counter runs over the packets of all files."""
    return pd.read_csv(shipped("scikit-kinematics", "data_xio/00033_CalInertialAndMag.csv"))


def numbered(rows, number):
    """Recording on a clock of row numbers, nan where a number is missing."""
    values = np.full((3, number[-1] + 1), np.nan)
    values[:, number] = rows.iloc[:, 4:7].to_numpy().T * G
    return Recording(values=values, sample_rate_hz=256.0, channels=("ax", "ay", "az"), unit="m/s^2")


def test_no_packet_is_missing_when_all_files_are_counted(packets):
    names = "CalBattAndTherm", "CalInertialAndMag", "Commands", "DateTime", "EulerAngles", "Quaternion", "Registers"
    tables = [pd.read_csv(shipped("scikit-kinematics", f"00033_{name}.csv")) for name in names]
    counted = np.unique(np.concatenate([table["Packet number"] for table in tables]))
    assert counted.size == counted[-1] + 1 == 19_350
    report = check_recording(numbered(packets, np.arange(len(packets))))
    assert {"dropped-samples", "gaps", "stuck", "held-samples"} <= set(report.passed)
    assert ("drift", "warning") in findings(report)  # the sensor was turned over by hand: z goes from +1 g to −1 g


def test_the_shared_counter_is_no_clock(packets):
    """Taken for a clock it has a hole at every other place: nothing is left to analyse, and that is said."""
    counter = packets["Packet number"].to_numpy() - packets["Packet number"].iloc[0]
    report = check_recording(numbered(packets, counter))
    assert one(report, "dropped-samples").value == pytest.approx(1 - len(packets) / (counter[-1] + 1))
    assert report.blocked == {"spectra", "modes", "displacement", "settling"}


@pytest.mark.parametrize(("lost", "code"), [([4000], "dropped-samples"), (range(4000, 4020), "gaps")])
def test_packets_taken_out_are_counted(packets, lost, code):
    kept = np.setdiff1d(np.arange(len(packets)), lost)
    report = check_recording(numbered(packets.iloc[kept], kept))
    assert one(report, code).value == pytest.approx(len(lost) / len(packets))
    assert one(report, code).severity == "warning"


# ------------------------------------------------------------------------------------ slow sensor on a fast logger
def test_a_magnetometer_polled_too_fast_is_seen():
    """scikit-kinematics: tests/data/data_polulu.txt; columns 6 to 8 change every 13 to 15 rows, 0 to 5 every row."""
    table = np.loadtxt(shipped("scikit-kinematics", "data_polulu.txt"))
    apart = np.median(np.diff(np.flatnonzero(np.any(np.diff(table[:, 6:9], axis=0) != 0, axis=1))))
    rate = 1000.0 * (len(table) - 1) / (table[-1, 10] - table[0, 10])
    slow, fast = (
        check_recording(Recording(values=table[:, c].T, sample_rate_hz=rate, channels=("x", "y", "z"), unit="count"))
        for c in (slice(6, 9), slice(0, 3))
    )
    assert [f.value for f in slow.findings if f.code == "held-samples"] == [apart] * 3
    assert {"clipping", "stuck"} <= set(slow.passed)
    assert {"held-samples", "clipping", "stuck", "quantisation"} <= set(fast.passed)


# ------------------------------------------------------------------------------------ raw counts, 1 kHz, 16 bit
@pytest.fixture(scope="module")
def counts():
    """biosignalsnotebooks (MIT): sync_acc_1.txt, 1000 Hz and 16 bit by the JSON beside it."""
    facts = json.loads(shipped("biosignalsnotebooks", "sync_acc_1_info.json").read_text())
    assert (facts["Sample Rate"], facts["Resolutions"].split(",")[0]) == ("1000", "16 bits")
    return read_log(
        shipped("biosignalsnotebooks", "signal_samples/sync_acc_1.txt"),
        columns=[2, 3, 4],
        units="count",
        sample_rate_hz=1000.0,
    )


def test_counts_are_not_accused_of_missing_gravity(counts):
    report = check_recording(counts, tolerance_m=5e-6)
    skipped = dict(report.skipped)
    assert {skipped[code] for code in ("unit", "gravity", "tilt")} == {"gravity does not show in count"}
    assert skipped["noise-floor"] == "no displacement in metres from count"
    assert findings(report) == {("drift", "note")}  # worn by a person who moves
    assert [find_step(row) for row in counts.values] == [1.0, 1.0, 1.0]


def test_hum_put_onto_counts_is_found_and_measured(counts):
    hum = 10.0 * np.sin(2 * np.pi * 49.97 * counts.time_s)
    report = check_recording(
        Recording(values=counts.values + hum, sample_rate_hz=1000.0, channels=counts.channels, unit="count")
    )
    found = [f for f in report.findings if f.code == "mains-hum"]
    assert [f.value for f in found] == [pytest.approx(10.0 / np.sqrt(2), rel=0.15)] * 3


# ------------------------------------------------------------------------------------ strong motion, 24 bit
@pytest.fixture(scope="module")
def earthquake():
    """obspy test data: io/nied test.knet; header: scale 2000 gal/8388608, 100 Hz, peak 4.383 gal without mean."""
    lines = shipped("obspy", "nied/tests/data/test.knet").read_text().splitlines()
    counts = np.array(" ".join(lines[17:]).split(), dtype=float)
    return Recording(
        values=[counts * 2000 / 8388608 * 1e-2],
        sample_rate_hz=100.0,
        channels=("EW",),
        unit="m/s^2",
    )


def test_earthquake_record_is_clean(earthquake):
    x = earthquake.values[0]
    assert np.abs(x - x.mean()).max() == pytest.approx(4.383e-2, rel=1e-3)
    report = check_recording(earthquake, range_m_s2=20.0, expected_rate_hz=100.0)
    assert report.findings == ()
    assert find_step(x) == pytest.approx(2000e-2 / 2**23, rel=1e-9)  # the header's scale factor


def test_earthquake_record_clipped_or_coarse(earthquake):
    x = earthquake.values[0] - earthquake.values[0].mean()

    def report(values):
        return check_recording(Recording(values=[values], sample_rate_hz=100.0, channels=("EW",), unit="m/s^2"))

    assert ("clipping", "fatal") in findings(report(x.clip(-0.02, 0.02)))
    assert ("clipping", "fatal") not in findings(report(x))
    assert ("quantisation", "fatal") in findings(report(0.1 * np.round(x / 0.1) + (np.arange(x.size) == 3000) * 0.1))


# ------------------------------------------------------------------------------------ noise with a foreign spectrum
def test_share_near_nyquist_against_another_program(monkeypatch):
    """obspy test data: pitsa noise and its PSD, computed by that program (100 Hz, 512 points, no overlap)."""
    noise = np.load(shipped("obspy", "pitsa_noise.npy"))
    psd = np.load(shipped("obspy", "pitsa_noise_psd_samprate_100_nfft_512_noverlap_0.npy"))
    frequency = np.arange(psd.size) * 100.0 / 512
    share = psd[frequency >= 40.0].sum() / psd[1:].sum()
    log = Recording(values=[noise], sample_rate_hz=100.0, channels=("v",), unit="m/s")
    assert "aliasing" in check_recording(log).passed
    monkeypatch.setattr(checks_spectrum, "_ALIAS_SHARE", 0.0)  # to see the number
    assert one(check_recording(log), "aliasing").value == pytest.approx(share, rel=0.05)
