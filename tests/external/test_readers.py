"""Real accelerometer logs that come with installed packages, against what their makers print or store beside them.

The files are found through the packages' lists of files; the packages themselves are not imported.
"""

from __future__ import annotations

import json
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest

from labkit.base import STANDARD_GRAVITY_M_S2 as G
from labkit.base import LogFormatError
from labkit.runs.readers import log_quantities, read_log


def installed(distribution: str, ending: str) -> Path:
    """A file that a distribution installed, by the end of its path."""
    try:
        files = metadata.files(distribution) or []
    except metadata.PackageNotFoundError:
        pytest.skip(f"{distribution} is not installed")
    found = [file for file in files if str(file).endswith(ending)]
    if not found:
        pytest.skip(f"this version of {distribution} has no {ending}")
    return Path(found[0].locate())


# --------------------------------------------------- logs of an inertial sensor, scikit-kinematics 0.10.4 (BSD)
def test_log_with_jitter():
    """Sent over radio at a nominal 50 Hz; rate and scatter of the steps as evaluated with numpy from the file."""
    path = installed("scikit-kinematics", "data_ngimu/sensors.csv")
    recording = read_log(path)
    stamps, *_, ax, ay, az = np.loadtxt(path, delimiter=",", skiprows=1, usecols=(0, 4, 5, 6)).T
    clock = recording.meta["clock"]
    assert recording.channels == ("Accelerometer X", "Accelerometer Y", "Accelerometer Z")
    np.testing.assert_allclose(recording.values, np.stack([ax, ay, az]) * G, rtol=1e-12)
    assert recording.sample_rate_hz == pytest.approx((len(stamps) - 1) / (stamps[-1] - stamps[0]), rel=1e-12)
    assert recording.sample_rate_hz == pytest.approx(49.91, abs=0.01)
    assert clock.step_sd_s == pytest.approx(0.70e-3, abs=0.005e-3)
    assert recording.meta["problems"] == () and recording.complete
    assert np.median(np.linalg.norm(recording.values, axis=0)) == pytest.approx(G, rel=0.002)  # it mostly lies still
    assert any("Magnetometer X (uT)" in note for note in recording.meta["notes"])
    assert "angular rate" in log_quantities(path)


def test_log_whose_clock_ran_since_power_up():
    """Whole microseconds since power-up; the start is kept, the two sensors have clocks of their own."""
    inertial = read_log(installed("scikit-kinematics", "data_xio3/Inertial.csv"))
    assert inertial.start_s == pytest.approx(392.093562, abs=1e-9)
    assert inertial.sample_rate_hz == pytest.approx(49.915, abs=0.001)
    high_g = read_log(installed("scikit-kinematics", "data_xio3/HighGAccelerometer.csv"))
    assert high_g.channels == ("X Axis", "Y Axis", "Z Axis")
    assert high_g.sample_rate_hz == pytest.approx(47.855, abs=0.001)


def test_packet_numbers_as_clock():
    """A counter beside 50 Hz samples, a remark on the rate, no units: the counter shows that nothing was lost."""
    path = installed("scikit-kinematics", "data/data_xsens.txt")
    with pytest.raises(LogFormatError, match=r"'Acc_X'.*no unit"):
        read_log(path)
    how = {"units": "m/s^2", "time_column": "Counter", "time_unit": "sample"}
    whole = read_log(path, **how)
    counter, ax = np.loadtxt(path, skiprows=5, usecols=(0, 1)).T
    assert whole.n_samples == counter[-1] - counter[0] + 1
    assert whole.sample_rate_hz == pytest.approx(50.0)  # "Sample rate: 50.0Hz" in line 2
    np.testing.assert_allclose(whole.values[0], ax)
    assert np.linalg.norm(whole.values, axis=0)[:100].mean() == pytest.approx(G, rel=0.02)


def test_packets_really_lost(tmp_path):
    """The same log with packets taken out: as many gaps, each of its length, by line."""
    lines = installed("scikit-kinematics", "data/data_xsens.txt").read_text(encoding="latin-1").splitlines()
    lost = [105, 106, 107, 400, 402, 899]  # 0-based lines
    short = tmp_path / "lost.txt"
    short.write_text("\n".join(line for i, line in enumerate(lines) if i not in lost) + "\n", encoding="latin-1")
    recording = read_log(short, units="m/s^2", time_column="Counter", time_unit="sample", irregular="mark")
    assert [(p.kind, p.samples) for p in recording.meta["problems"]] == [("gap", n) for n in (3, 1, 1, 1)]
    assert [p.line for p in recording.meta["problems"]] == [106, 398, 399, 895]
    missing = np.flatnonzero(np.isnan(recording.values[0]))
    assert missing.tolist() == [i - 5 for i in lost]


def test_packets_numbered_across_several_streams_are_not_a_clock():
    """Packet numbers shared with other streams: 2 and 1 in turn; taken for a clock they contradict the stated rate."""
    path = installed("scikit-kinematics", "data_xio/00033_CalInertialAndMag.csv")
    with pytest.raises(LogFormatError, match="stated rate of 256 Hz"):
        read_log(path, time_column="Packet number", time_unit="sample", sample_rate_hz=256.0, irregular="mark")
    recording = read_log(path, columns=[f"Accelerometer {axis}" for axis in "XYZ"], sample_rate_hz=256.0)
    assert recording.n_samples == len(path.read_text().splitlines()) - 1


# --------------------------------------------------------- raw counts at 1 kHz, biosignalsnotebooks 0.6.14 (MIT)
def test_raw_counts_with_a_header_in_json():
    """The rate is stored beside it, too, in a JSON file; the counts have no scale anywhere."""
    folder = "signal_samples/sync_acc_1"
    path = installed("biosignalsnotebooks", folder + ".txt")
    beside = json.loads(installed("biosignalsnotebooks", folder + "_info.json").read_text())
    channels = ["CH1", "CH2", "CH3"]
    with pytest.raises(LogFormatError, match="no unit"):
        read_log(path)
    with pytest.raises(LogFormatError, match="no unit"):
        read_log(path, columns=channels)
    recording = read_log(path, columns=channels, units="count")
    assert recording.unit == "count" and recording.channels == tuple(channels)
    assert recording.sample_rate_hz == float(beside["Sample Rate"])
    np.testing.assert_array_equal(recording.values, np.loadtxt(path, usecols=(2, 3, 4)).T)
    by_counter = read_log(path, columns=channels, units="count", time_column="nSeq", time_unit="sample")
    assert by_counter.sample_rate_hz == pytest.approx(1000.0) and by_counter.n_samples == recording.n_samples


# ------------------------------------------------------------- strong motion, K-NET text, obspy 1.5 test data
def test_strong_motion_peak(tmp_path):
    """Its maker prints "Max. Acc. (gal) 4.383" at 100 Hz; eight values a line are put one a line here."""
    path = installed("obspy", "io/nied/tests/data/test.knet")
    lines = path.read_text(encoding="latin-1").splitlines()
    head, body = lines[:17], lines[17:]
    assert head[13].split()[2] == "2000(gal)/8388608"
    with pytest.raises(LogFormatError, match="without titles"):
        read_log(path)  # eight columns that are none
    log = tmp_path / "knet.txt"
    log.write_text("".join(f"# {line}\n" for line in head) + "EW\n" + "\n".join(" ".join(body).split()) + "\n")
    recording = read_log(log, units="gal", scale=2000 / 8388608)
    assert recording.sample_rate_hz == 100.0  # "Sampling Freq(Hz) 100Hz"
    gal = (recording.values[0] - recording.values[0].mean()) * 100
    assert np.abs(gal).max() == pytest.approx(4.383, abs=0.0005)
    assert np.abs(gal).argmax() / 100 == pytest.approx(22.46, abs=0.005)
    assert recording.meta["header"]["Station Code"] == "AKT013"
