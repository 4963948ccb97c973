"""Logs as they really come: ragged text, odd clocks, torn ends, binary formats, any bytes."""

from __future__ import annotations

import contextlib
import gzip
import io
import math
import struct
import tempfile
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import pyuff
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from labkit.base import STANDARD_GRAVITY_M_S2 as G
from labkit.base import LogFormatError
from labkit.runs.readers import log_quantities, read_log

RNG = np.random.default_rng(20260501)
N = 40
AX = np.round(RNG.normal(0.0, 0.5, N), 4)  # [g]
AZ = np.round(1.0 + RNG.normal(0.0, 0.1, N), 4)
RATE_HZ = 400.0


def write(folder: Path, content: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path


def table(header: str, *, t_factor=1.0, a_factor=1.0, sep=",", decimal=".", digits=6, end="\n", t0=0.0) -> str:
    """The same log of two axes in many dresses; `header` may hold several lines."""

    def number(value: float) -> str:
        return f"{value:.{digits}f}".replace(".", decimal)

    rows = [
        sep.join([number((t0 + i / RATE_HZ) * t_factor), number(AX[i] * a_factor), number(AZ[i] * a_factor)])
        for i in range(N)
    ]
    return end.join([*header.split("\n"), *rows]) + end


def assert_is_the_log(recording, *, start_s=0.0) -> None:
    assert recording.unit == "m/s^2"
    assert recording.n_samples == N
    assert recording.sample_rate_hz == pytest.approx(RATE_HZ, rel=1e-9)
    assert recording.start_s == pytest.approx(start_s, abs=1e-9)
    np.testing.assert_allclose(recording.values, np.stack([AX, AZ]) * G, rtol=0, atol=1e-6)
    assert recording.meta["problems"] == ()


# ------------------------------------------------------------------------------------ the many dresses of text
MG, SI, MM = 1000.0, G, 1000.0 * G
DRESSES = {
    "plain": table("t [s],ax [g],az [g]"),
    "milliseconds and mg": table("t [ms],ax [mg],az [mg]", t_factor=1e3, a_factor=MG),
    "suffixes": table("t_us,ax_mg,az_mg", t_factor=1e6, a_factor=MG, digits=3),
    "long suffixes": table("time_s,accel_x_m_s2,accel_z_m_s2", a_factor=SI),
    "round brackets": table("Time (s),Accel X (m/s^2),Accel Z (m/s²)", a_factor=SI),
    "slashes": table("t/s,ax/(mm/s²),az/(mm/s²)".replace("(", "").replace(")", ""), a_factor=MM),
    "semicolon, decimal comma": table("t [s];ax [g];az [g]", sep=";", decimal=","),
    "tab, decimal comma": table("t [s]\tax [g]\taz [g]", sep="\t", decimal=","),
    "blanks": table("  t_s   ax_g   az_g", sep="   "),
    "blanks, unit brackets": table("t [s]  ax [g]  az [g]", sep="  "),
    "blanks, decimal comma": table("t_s ax_g az_g", sep=" ", decimal=","),
    "comma and blank": table("t [s], ax [g], az [g]", sep=", "),
    "byte order mark": "\ufeff" + table("t [s],ax [g],az [g]"),
    "line ends of DOS": table("t [s],ax [g],az [g]", end="\r\n"),
    "line ends of old": table("t [s],ax [g],az [g]", end="\r"),
    "comments with #": table("# Wren bench log\n# operator: A.\n#\nt [s],ax [g],az [g]"),
    "comments with %": table("% Wren bench log\nt [s];ax [g];az [g]", sep=";"),
    "comments with //": table("// Wren\n//rate: 400 Hz\nt [s],ax [g],az [g]"),
    "comments with ;": table("; Wren\n; range = 2 g\nt [s],ax [g],az [g]"),
    "commented header": table("# Wren\n# t [s], ax [g], az [g]"),
    "bare words above": table("Wren bench logger\nSerial no.;17\n\nt [s];ax [g];az [g]", sep=";"),
    "unit row": table("t,ax,az\ns,mg,mg", a_factor=MG),
    "unit row in brackets": table("t;ax;az\n[ms];[g];[g]", t_factor=1e3, sep=";"),
    "unit row only": table("s,g,g"),
    "quoted titles": table('"t [s]","ax [g]","az [g]"'),
    "remark on units": table("# units: mg\nt_s,ax,az", a_factor=MG),
    "remark with equals": table("unit = g\nt [s],ax,az"),
    "remark on rate gives time unit": table("# sample rate: 400 Hz\nt,ax [g],az [g]", t_factor=1e3),
    "JSON header": table('# {"device": {"sampling rate": 400, "column": ["t [s]", "ax [g]", "az [g]"]}}'),
    "units of a list": table("# units: s, g, g\nt,ax,az"),
    "Greek micro": table("t [\u03bcs],ax [g],az [g]", t_factor=1e6, digits=4),
    "separator closes the row": table("t [s],ax [g],az [g],").replace("\n", ",\n").replace(",,", ","),
    "latin-1": table("t [µs];ax [m/s²];az [m/s²]", t_factor=1e6, a_factor=SI, sep=";", digits=7).encode("latin-1"),
    "UTF-16 with mark": table("t [s],ax [g],az [g]").encode("utf-16"),
    "UTF-16 big end first": table("t [s],ax [g],az [g]").encode("utf-16-be"),
    "gzip": gzip.compress(table("t [s],ax [g],az [g]").encode()),
    "blank lines at the end": table("t [s],ax [g],az [g]") + "\n\n",
    "zero bytes at the end": table("t [s],ax [g],az [g]").encode() + b"\0" * 300,
    "spelled exponents": "t [s],ax [g],az [g]\n"
    + "".join(f"{i / RATE_HZ:.9E},{x:+.6e},{z:.6E}\n" for i, (x, z) in enumerate(zip(AX, AZ))),
    "quoted numbers": "t [s],ax [g],az [g]\n"
    + "".join(f'"{i / RATE_HZ}","{x:.4f}","{z:.4f}"\n' for i, (x, z) in enumerate(zip(AX, AZ))),
}


@pytest.mark.parametrize("content", DRESSES.values(), ids=DRESSES.keys())
def test_same_log_in_every_dress(tmp_path, content):
    assert_is_the_log(read_log(write(tmp_path, content)))


@pytest.mark.parametrize(
    ("content", "how"),
    [
        (table("t,ax,az"), {"time_unit": "s", "units": "g"}),
        (table("t,ax,az", t_factor=1e3), {"time_unit": "ms", "units": {"ax": "g", "az": "g"}}),
        (table("t,ax,az", t_factor=1e3), {"sample_rate_hz": 400.0, "units": "g"}),
        (table("t,ax,az", a_factor=16384, t_factor=1e3), {"time_unit": "ms", "units": "g", "scale": 1 / 16384}),
        (table("t [s],ax [raw],az [raw]", a_factor=16384), {"units": "g", "scale": 1 / 16384}),
        (table("t [s],ax [counts],az [counts]", a_factor=8000), {"units": "mg", "scale": {"ax": 1 / 8, "az": 1 / 8}}),
        (table("when,one,two"), {"time_column": "when", "time_unit": "s", "units": "g"}),
        (table("when,one,two"), {"time_column": 0, "time_unit": "s", "columns": [1, 2], "units": "g"}),
        (table("# no titles"), {"time_column": 0, "time_unit": "s", "units": {1: "g", 2: "g"}}),
        (
            table("# no titles", t_factor=RATE_HZ, digits=4),
            {"time_column": 0, "time_unit": "sample", "sample_rate_hz": 400.0, "units": "g"},
        ),
        (table("n,ax [g],az [g]", t_factor=RATE_HZ, digits=4), {"columns": ["ax", "az"], "sample_rate_hz": 400.0}),
        (table("# fs = 400\nn,ax [g],az [g]", t_factor=RATE_HZ, digits=4), {}),
        (table("# sample interval: 2.5 ms\nn,ax [g],az [g]", t_factor=RATE_HZ, digits=4), {}),
    ],
)
def test_what_the_log_leaves_open_the_caller_says(tmp_path, content, how):
    recording = read_log(write(tmp_path, content), **how)
    if "scale" in how:
        np.testing.assert_allclose(recording.values, np.stack([AX, AZ]) * G, atol=1e-4)
    else:
        assert_is_the_log(recording)


@pytest.mark.parametrize(
    ("content", "how", "match"),
    [
        (table("t,ax [g],az [g]"), {}, "time stamps without a known unit.*time_unit="),
        (table("t [s],ax,az [g]"), {}, r"column 'ax': found no unit.*units="),
        (table("t [s],ax [furlong],az [furlong]"), {}, r"'furlong'.*not known"),
        (table("t [s],ax [g],az [g]"), {"units": "mg"}, r"column 'ax \[g\]'.*'g'.*'mg'"),
        (table("t [s],ax [g],az [g]"), {"units": {"ay": "g"}}, "no column 'ay'"),
        (table("t [s],ax [g],az [g]"), {"time_unit": "ms"}, "'s' in the log.*'ms'"),
        (table("t [s],ax [g],az [g]"), {"scale": 0.1}, "known unit.*leave scale= out"),
        (table("t [s],ax [raw],az [raw]"), {"units": "g"}, "steps of a converter.*scale="),
        (table("t [s],ax [raw],az [raw]"), {"scale": 0.1}, "scale= without a unit"),
        (table("t [s],ax [g],az [g]"), {"columns": ["nope"]}, "no column 'nope'"),
        (table("t [s],ax [g],az [g]"), {"columns": ["ax", "ax"]}, "named twice"),
        (table("t [s],ax [g],az [mm]"), {"columns": ["ax", "az"]}, "one quantity at a time"),
        (table("t [s],f [N],d [mm]"), {}, "columns of force, displacement.*quantity="),
        (table("t [s],ax [g],az [g]"), {"quantity": "force"}, "expected force"),
        (table("t [s],ax [g],az [g]"), {"sample_rate_hz": 100.0}, "stated rate of 100 Hz"),
        (table("# sample rate: 4000 Hz\nt [s],ax [g],az [g]"), {}, "stated rate of 4000 Hz"),
        (table("# rate: 100 Hz\n# sampling rate: 200 Hz\nt [s],ax [g],az [g]"), {}, "line 2.*200.*line 1"),
        (table("# units: mg\n# unit = g\nt [s],ax,az"), {}, "line 2: found the unit g"),
        (table("# rate: 100 Hz\nn,ax [g],az [g]"), {"sample_rate_hz": 400.0}, "found a sample rate of 100 Hz"),
        (table("t [s],ax [g],az [mg]\ns,mg,mg"), {}, r"'g' in the title and 'mg' below"),
        (table("n,ax [g],az [g]"), {}, "no time column and no sample rate"),
        (table("# no titles"), {}, "without titles"),
        ("1,5\n2,7\n3,1\n", {"sample_rate_hz": 10.0, "units": "g"}, "one way only"),
        ("", {}, "empty file"),
        ("\n\n  \n", {}, "empty file"),
        ("t [s],ax [g]\n", {}, "no row of numbers"),
        ("t [s],ax [g]\n0.0,1.0\n", {}, r"1 row\(s\)"),
        ("Once upon a time\nthere was a log\nwithout numbers\n", {}, "no row of numbers"),
        (bytes(range(256)) * 40, {}, "no text"),
        (gzip.compress(table("t [s],ax [g],az [g]").encode())[:-30], {}, "broken gzip"),
        ("t [s],ax [g]\n1,1\n1,2\n1,3\n", {}, "time column that rises"),
    ],
)
def test_what_cannot_be_known_is_an_error(tmp_path, content, how, match):
    with pytest.raises(LogFormatError, match="(?s)" + match) as caught:
        read_log(write(tmp_path, content), **how)
    assert str(tmp_path / "log.csv") in str(caught.value)
    assert caught.value.cure


@pytest.mark.parametrize(
    ("how", "match"),
    [
        ({"units": "furlong"}, "units is 'furlong'"),
        ({"scale": 0}, "scale is 0"),
        ({"scale": "x"}, "scale"),
        ({"time_unit": "mm"}, "time_unit is 'mm'"),
        ({"irregular": "guess"}, "irregular is 'guess'"),
        ({"sample_rate_hz": -1}, "sample_rate_hz"),
        ({"fill_gaps_shorter_s": 0}, "fill_gaps_shorter_s"),
    ],
)
def test_arguments_are_checked(tmp_path, how, match):
    with pytest.raises((ValueError, TypeError), match=match):
        read_log(write(tmp_path, DRESSES["plain"]), **how)


def test_no_file_and_folder(tmp_path):
    with pytest.raises(LogFormatError, match="no such file"):
        read_log(tmp_path / "missing.csv")
    with pytest.raises(LogFormatError, match="a folder"):
        read_log(tmp_path)


def test_one_column_of_decimal_commas(tmp_path):
    path = write(tmp_path, "ax [g]\n1,5\n2,7\n3,1\n")
    assert read_log(path, sample_rate_hz=10.0).values.tolist() == [[1.5 * G, 2.7 * G, 3.1 * G]]


# ------------------------------------------------------------------------------------------------ quantities
MIXED = "t [s],ax [g],Force [N],trigger,d [µm],Temp (°C),state\n" + "".join(
    f"{i / 10},{i},{2 * i},{i % 2},{3 * i},21.5,idle\n" for i in range(12)
)


def test_quantities_share_one_clock_and_none_is_lost_silently(tmp_path):
    path = write(tmp_path, MIXED)
    assert log_quantities(path) == {
        "acceleration": ("ax",),
        "force": ("Force",),
        "trigger": ("trigger",),
        "displacement": ("d",),
        "temperature": ("Temp",),
        "unknown": ("state",),
    }
    recordings = {q: read_log(path, quantity=q) for q in ("acceleration", "force", "trigger", "displacement")}
    assert {r.unit for r in recordings.values()} == {"m/s^2", "N", "1", "m"}
    assert len({(r.sample_rate_hz, r.start_s, r.n_samples) for r in recordings.values()}) == 1
    np.testing.assert_allclose(recordings["displacement"].values[0], 3e-6 * np.arange(12))
    assert read_log(path).channels == ("ax",)
    notes = " ".join(read_log(path).meta["notes"])
    assert all(name in notes for name in ("Force", "trigger", "d [µm]", "Temp", "state"))


def test_one_unit_for_all_is_not_forced_on_other_quantities(tmp_path):
    path = write(tmp_path, "t [s],ax,ay,gyro_x,moving\n" + "".join(f"{i / 10},{i},0,9,{i % 2}\n" for i in range(12)))
    assert read_log(path, units="mg").channels == ("ax", "ay")
    assert log_quantities(path, units="mg") == {
        "acceleration": ("ax", "ay"),
        "unknown": ("gyro_x",),
        "trigger": ("moving",),
    }
    trigger = read_log(path, quantity="trigger", columns=["moving"], units="mg")
    assert trigger.unit == "1" and trigger.values[0, :2].tolist() == [0, 1]


def test_columns_in_the_order_asked_for_and_equal_names_kept_apart(tmp_path):
    path = write(tmp_path, "t [s],ax [g],ay [g],a [g],a [mg]\n0,1,2,3,4000\n0.1,1,2,3,4000\n0.2,1,2,3,4000\n")
    assert read_log(path, columns=["ay", "ax"]).channels == ("ay", "ax")
    recording = read_log(path)
    assert recording.channels == ("ax", "ay", "a", "a #2")
    np.testing.assert_allclose(recording.values[:, 0], np.array([1, 2, 3, 4]) * G)


def test_raw_counts_are_labelled_counts(tmp_path):
    path = write(tmp_path, table("t [s],ax,az"))
    recording = read_log(path, units="count")
    assert recording.unit == "count"
    np.testing.assert_allclose(recording.values, [AX, AZ])


def test_pixels_and_millimetres_a_second_squared(tmp_path):
    path = write(tmp_path, "frame_time [s],x [px]\n0.00,1.5\n0.02,2.5\n0.04,2.0\n")
    assert read_log(path).unit == "px"
    path = write(tmp_path, "t [s],a [mm/s²]\n0.00,1500\n0.02,2500\n0.04,2000\n")
    assert read_log(path).values[0].tolist() == [1.5, 2.5, 2.0]


# ------------------------------------------------------------------------------------------------- the clock
def log_of(stamps, *, header="t [s],ax [g]", fmt="{:.9f}", values=None) -> str:
    values = np.arange(len(stamps)) if values is None else values
    return header + "\n" + "".join(f"{fmt.format(t)},{v}\n" for t, v in zip(stamps, values))


@pytest.mark.parametrize("digits", [7, 5, 4, 3, 2])
def test_rounded_stamps_are_regular_and_give_the_true_rate(tmp_path, digits):
    t = np.arange(6400) / 3200.0
    recording = read_log(write(tmp_path, log_of(t, fmt=f"{{:.{digits}f}}")))
    assert recording.n_samples == 6400 and recording.complete and recording.meta["problems"] == ()
    resolution = 10.0**-digits
    assert recording.sample_rate_hz == pytest.approx(3200.0, rel=max(1e-6, 1.5 * min(resolution, 1 / 3200) / 2.0))
    if digits <= 5:
        assert recording.meta["clock"].resolution_s == pytest.approx(resolution)


@pytest.mark.parametrize("per_block", [8, 32])
def test_one_stamp_a_block_is_regular(tmp_path, per_block):
    rng = np.random.default_rng(7)
    row = np.arange(3200)
    stamps = (row // per_block) * per_block / 1600.0
    stamps += rng.normal(0, 2e-4, len(row) // per_block)[row // per_block]  # when the host came to read
    recording = read_log(write(tmp_path, log_of(np.abs(stamps), fmt="{:.6f}")))
    assert recording.n_samples == 3200 and recording.meta["problems"] == ()
    assert recording.sample_rate_hz == pytest.approx(1600.0, rel=1e-3)


def test_a_block_read_late_is_not_a_gap(tmp_path):
    counts = [32] * 50 + [96] + [32] * 50  # the host missed two reads and then took all
    read_at = np.cumsum(counts) / 1600.0
    recording = read_log(write(tmp_path, log_of(np.repeat(read_at, counts), fmt="{:.6f}")))
    assert recording.n_samples == sum(counts) and recording.meta["problems"] == ()


def test_jitter_is_measured_not_refused(tmp_path):
    rng = np.random.default_rng(3)
    t = np.arange(2000) / 50.0 + rng.normal(0, 0.5e-3, 2000)
    recording = read_log(write(tmp_path, log_of(t)))
    assert recording.meta["clock"].step_sd_s == pytest.approx(0.5e-3 * math.sqrt(2), rel=0.1)
    assert recording.sample_rate_hz == pytest.approx(50.0, rel=1e-4)
    late = np.arange(2000) / 50.0
    late[700] += 0.012  # more than half a period late, then on time again
    assert read_log(write(tmp_path, log_of(late))).n_samples == 2000


GAP_AT, LOST = 1000, 25


@pytest.mark.parametrize("digits", [6, 4, 3])
def test_gap_keeps_the_clock_true(tmp_path, digits):
    i = np.delete(np.arange(4000), slice(GAP_AT, GAP_AT + LOST))
    path = write(tmp_path, log_of(i / 3200.0, fmt=f"{{:.{digits}f}}", values=i))
    with pytest.raises(LogFormatError, match=f"gap.*{LOST} sample.*0 further") as caught:
        read_log(path)
    assert abs(caught.value.line - (GAP_AT + 2)) <= (3 if digits == 3 else 0)
    recording = read_log(path, irregular="mark")
    assert recording.n_samples == 4000
    assert recording.meta["clock"].n_missing == LOST
    there = np.isfinite(recording.values[0])
    assert np.flatnonzero(~there).tolist() == list(range(GAP_AT, GAP_AT + LOST)) or digits == 3
    off = recording.values[0, there] / G - np.flatnonzero(there)
    assert np.abs(off).max() < (1e-6 if digits > 3 else 4)
    (problem,) = recording.meta["problems"]
    assert (problem.kind, problem.samples) == ("gap", LOST)


def test_lost_packets_in_a_counter_are_gaps(tmp_path):
    i = np.delete(np.arange(600), [100, 101, 300, 450])
    path = write(tmp_path, log_of(i, fmt="{:d}", header="packet,ax [g]", values=i))
    recording = read_log(path, time_column="packet", time_unit="sample", sample_rate_hz=50.0, irregular="mark")
    assert [(p.kind, p.line, p.samples) for p in recording.meta["problems"]] == [
        ("gap", 102, 2),
        ("gap", 300, 1),
        ("gap", 449, 1),
    ]
    assert np.flatnonzero(np.isnan(recording.values[0])).tolist() == [100, 101, 300, 450]
    assert recording.sample_rate_hz == pytest.approx(50.0)


def test_repeated_and_backward_stamps_are_listed_and_left_out(tmp_path):
    t = np.arange(300) / 1000.0
    rows = np.insert(np.arange(300), [50, 120], [49, 60])  # row 49 twice; row 60 again among later ones
    path = write(tmp_path, log_of(t[rows], values=rows))
    with pytest.raises(LogFormatError, match=r"line 52.*repeated time.*1 further"):
        read_log(path)
    recording = read_log(path, irregular="mark")
    assert [(p.kind, p.line) for p in recording.meta["problems"]] == [("repeated time", 52), ("backward time", 123)]
    np.testing.assert_allclose(recording.values[0] / G, np.arange(300))


def test_one_stamp_far_ahead_spoils_one_row_only(tmp_path):
    t = np.arange(300) / 1000.0
    t[77] = 5000.0
    recording = read_log(write(tmp_path, log_of(t)), irregular="mark")
    assert np.flatnonzero(np.isnan(recording.values[0])).tolist() == [77]
    assert recording.meta["problems"][0].line == 79


def test_a_restarted_clock_and_a_long_pause_are_refused_even_when_marking(tmp_path):
    t = np.arange(300) / 1000.0
    with pytest.raises(LogFormatError, match="restarts"):
        read_log(write(tmp_path, log_of(np.concatenate([t, t]))), irregular="mark")
    with pytest.raises(LogFormatError, match="cut the log at the pause"):
        read_log(write(tmp_path, log_of(np.concatenate([t, t + 3600]))), irregular="mark")


@pytest.mark.parametrize(
    ("header", "digits", "factor"),
    [
        ("epoch,ax [g]", 6, 1.0),
        ("unix_time,ax [g]", 3, 1e3),
        ("timestamp,ax [g]", 0, 1e6),
        ("timestamp,ax [g]", 0, 1e9),
        ("timestamp_ns,ax [g]", 0, 1e9),
        ("t [s],ax [g]", 6, 1.0),
    ],
)
def test_epoch_stamps(tmp_path, header, digits, factor):
    t0 = 1_777_636_800
    lines = [
        f"{t0 * int(factor) + round(i / 400 * factor, digits):.{digits}f},{i}"
        if digits
        else f"{t0 * int(factor) + int(i * factor / 400)},{i}"
        for i in range(400)
    ]
    recording = read_log(write(tmp_path, header + "\n" + "\n".join(lines) + "\n"))
    assert recording.start_s == 0.0 and recording.meta["start_epoch_s"] == pytest.approx(t0, abs=1e-6)
    assert recording.sample_rate_hz == pytest.approx(400.0, rel=1e-6)


def test_epoch_nanoseconds_keep_every_digit(tmp_path):
    t0 = 1_777_636_800_123_456_789
    stamps = [t0 + 312_500 * i + (1 if i == 1 else 0) for i in range(3)]
    path = write(tmp_path, "timestamp_ns,ax [g]\n" + "".join(f"{t},0\n" for t in stamps))
    clock = read_log(path).meta["clock"]
    assert clock.step_max_s == pytest.approx(312_501e-9, abs=1e-13)  # float64 stamps would be off by 256 ns
    assert clock.rate_hz == pytest.approx(3200.0, rel=1e-12)


@pytest.mark.parametrize(
    "stamp",
    ["2026-05-01T12:00:{:09.6f}Z", "2026-05-01 12:00:{:012.9f}", "2026-05-01T14:00:{:09.6f}+02:00"],
)
def test_dates(tmp_path, stamp):
    rows = "".join(f"{stamp.format(i / 400)},{i}\n" for i in range(400))
    recording = read_log(write(tmp_path, "time,ax [g]\n" + rows))
    assert recording.sample_rate_hz == pytest.approx(400.0, rel=1e-9)
    assert recording.meta["start_epoch_s"] == pytest.approx(1777636800.0, abs=1e-6)


def test_times_of_day_count_from_midnight(tmp_path):
    path = write(tmp_path, "clock time,ax [g]\n" + "".join(f"12:00:{i / 100:06.3f},{i}\n" for i in range(100)))
    recording = read_log(path)
    assert recording.start_s == pytest.approx(43200.0) and recording.sample_rate_hz == pytest.approx(100.0)


def test_relative_stamps_keep_their_start(tmp_path):
    assert_is_the_log(read_log(write(tmp_path, table("t [s],ax [g],az [g]", t0=12.5))), start_s=12.5)


# ------------------------------------------------------------------------------------------------- bad rows
def spoiled(changes: dict[int, str], n: int = 200) -> str:
    """A log of n rows with some lines (by their number) replaced."""
    lines = ["t [s],ax [g],ay [g]", *(f"{i / 100:.2f},{i},{-i}" for i in range(n))]
    for line, text in changes.items():
        lines[line - 1] = text
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("changes", "kind", "line", "lost"),
    [
        ({50: "0.48,nan,-48"}, "not a number", 50, [(0, 48)]),
        ({50: "0.48,,-48"}, "not a number", 50, [(0, 48)]),
        ({50: "0.48,48,inf"}, "not a number", 50, [(1, 48)]),
        ({50: "0.48,4x8,-48"}, "text", 50, [(0, 48)]),
        ({50: "0.48,1_000,-48"}, "text", 50, [(0, 48)]),
        ({50: "sensor restarted"}, "columns", 50, [(0, 48), (1, 48)]),
        ({50: "0.48,48"}, "columns", 50, [(0, 48), (1, 48)]),
        ({50: "0.48,48,-48,7"}, "columns", 50, [(0, 48), (1, 48)]),
        ({50: "nan,48,-48"}, "not a number", 50, [(0, 48), (1, 48)]),
        ({50: "t [s],ax [g],ay [g]"}, "text", 50, [(0, 48), (1, 48)]),
        ({2: "0.00,0,0,0"}, "columns", 2, []),
    ],
)
def test_bad_rows_are_found_by_line_and_never_repaired(tmp_path, changes, kind, line, lost):
    path = write(tmp_path, spoiled(changes))
    with pytest.raises(LogFormatError, match=f"line {line}.*found {kind}.*irregular='mark'"):
        read_log(path)
    recording = read_log(path, irregular="mark")
    assert [(p.kind, p.line) for p in recording.meta["problems"]] == [(kind, line)]
    assert [tuple(i) for i in np.argwhere(np.isnan(recording.values)).tolist()] == lost
    assert recording.sample_rate_hz == pytest.approx(100.0)


def test_further_problems_are_counted(tmp_path):
    path = write(tmp_path, spoiled({20: "x,y,z", 50: "0.48,,-48", 51: "0.49,,-49", 90: "0.88,88"}))
    with pytest.raises(LogFormatError, match=r"line 20.*2 further problem"):
        read_log(path)
    problems = read_log(path, irregular="mark").meta["problems"]
    found = [(p.kind, p.line, p.samples) for p in problems]
    assert found == [("text", 20, 1), ("not a number", 50, 2), ("columns", 90, 1)]


def test_blank_lines_and_remarks_between_rows_do_not_shift_the_lines(tmp_path):
    text = spoiled({}).split("\n")
    text[60:60] = ["", "# paused", ""]
    text[120] = "1.16,?,-116"
    recording = read_log(write(tmp_path, "\n".join(text)), irregular="mark")
    assert recording.meta["problems"][0].line == 121
    assert any("paused" in note for note in recording.meta["notes"])


def test_rows_without_time_stamps_stay_in_place(tmp_path):
    lines = ["ax [g]", *(str(i) for i in range(100))]
    lines[31] = "?"
    recording = read_log(write(tmp_path, "\n".join(lines) + "\n"), sample_rate_hz=50.0, irregular="mark")
    assert np.flatnonzero(np.isnan(recording.values[0])).tolist() == [30]
    assert not recording.meta["clock"].has_time_column


@pytest.mark.parametrize(
    ("end", "dropped"),
    [
        ("2.00,200,-200", "no line end"),
        ("2.00,200", "2 cell"),
        ("2.00,20\n", "2 cell"),
        ("2.0", "1 cell"),
        ("2.00,200,-200\n", ""),
        ("2.00,200,-200\n\n", ""),
        ("2.00,200,-2", "no line end"),
    ],
)
def test_torn_last_line_is_reported_and_dropped(tmp_path, end, dropped):
    recording = read_log(write(tmp_path, spoiled({}) + end))
    assert recording.n_samples == (200 if dropped else 201)
    assert any(dropped in note and "202" in note for note in recording.meta["notes"]) == bool(dropped)


def test_last_line_without_end_is_kept_when_it_is_whole(tmp_path):
    text = table("t [s],ax [g],az [g]").rstrip("\n")
    assert read_log(write(tmp_path, text)).n_samples == N
    assert read_log(write(tmp_path, text[:-2])).n_samples == N - 1


def test_problems_in_a_later_piece_of_a_long_log(tmp_path):
    n = 150_000  # several pieces
    lines = [f"{i / 3200:.6f},{i % 100}.25,{i % 7}.5" for i in range(n)]
    lines[120_000] = "37.500000,oops,1.5"
    lines.insert(90_000, "# remark")
    path = write(tmp_path, "t [s],ax [g],ay [g]\n" + "\n".join(lines) + "\n")
    recording = read_log(path, irregular="mark")
    assert recording.n_samples == n
    assert [(p.kind, p.line) for p in recording.meta["problems"]] == [("text", 120_003)]
    expected = (np.arange(n) % 100 + 0.25) * G
    expected[120_000] = np.nan
    np.testing.assert_allclose(recording.values[0], expected)


# -------------------------------------------------------------------------------------------------- filling
def test_only_gaps_shorter_than_asked_are_filled_and_it_is_said(tmp_path):
    i = np.arange(2000)
    wave = np.round(np.sin(2 * np.pi * i / 100), 9)
    kept = np.delete(i, [500, 501, *range(900, 930)])
    path = write(tmp_path, log_of(kept / 1000.0, values=wave[kept]))
    with pytest.raises(LogFormatError, match="30 sample"):
        read_log(path, fill_gaps_shorter_s=0.005)
    recording = read_log(path, irregular="mark", fill_gaps_shorter_s=0.005)
    assert np.flatnonzero(np.isnan(recording.values[0])).tolist() == list(range(900, 930))
    np.testing.assert_allclose(recording.values[0, 500:502] / G, wave[500:502], atol=1e-4)
    (note,) = [note for note in recording.meta["notes"] if "filled" in note]
    assert "2 sample(s)" in note and "0.5 s" in note
    assert [p.samples for p in recording.meta["problems"]] == [2, 30]
    whole = read_log(path, fill_gaps_shorter_s=0.031)
    assert whole.complete


def test_ends_are_never_extrapolated(tmp_path):
    path = write(tmp_path, spoiled({2: "0.00,nan,0", 201: "1.99,nan,0"}))
    recording = read_log(path, irregular="mark", fill_gaps_shorter_s=1.0)
    assert np.flatnonzero(np.isnan(recording.values[0])).tolist() == [0, 199]


# ---------------------------------------------------------------------------------------------- round trips
@pytest.mark.parametrize("writer", ["pandas", "numpy", "gzip"])
def test_text_round_trip_is_exact(tmp_path, writer):
    values = np.random.default_rng(5).normal(size=(3, 5000))
    t = np.arange(5000) / 1024.0
    frame = pd.DataFrame({"t [s]": t, "ax [m/s^2]": values[0], "ay [m/s^2]": values[1], "az [m/s^2]": values[2]})
    path = tmp_path / ("log.csv.gz" if writer == "gzip" else "log.csv")
    if writer == "numpy":
        np.savetxt(path, frame.to_numpy(), header=" ".join(f"{c}" for c in frame), fmt="%.17g")
    else:
        frame.to_csv(path, index=False)
    recording = read_log(path)
    np.testing.assert_array_equal(recording.values, values)
    assert recording.sample_rate_hz == 1024.0


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.int32, np.float32, np.float64])
def test_wav(tmp_path, dtype):
    raw = np.random.default_rng(1).integers(1, 200, (500, 2))
    data = raw.astype(dtype) if np.dtype(dtype).kind != "f" else (raw / 256).astype(dtype)
    wavfile.write(tmp_path / "log.wav", 8000, data)
    path = tmp_path / "log.wav"
    with pytest.raises(LogFormatError, match="no unit"):
        read_log(path)
    if np.dtype(dtype).kind != "f":
        with pytest.raises(LogFormatError, match="scale="):
            read_log(path, units="g")
    recording = read_log(path, units="g", scale=0.5)
    counts = data.T.astype(float) - (128 if dtype is np.uint8 else 0)
    np.testing.assert_allclose(recording.values, counts * 0.5 * G)
    assert recording.sample_rate_hz == 8000.0
    assert read_log(path, units="count").unit == "count"


def test_wav_of_24_bit_gives_counts_of_24_bit(tmp_path):
    counts = [1, -1, 8388607, -8388608]
    data = b"".join(struct.pack("<i", c)[:3] for c in counts)
    form = struct.pack("<IHHIIHH", 16, 1, 1, 48000, 144000, 3, 24)
    head = b"RIFF" + struct.pack("<I", 36 + len(data)) + b"WAVEfmt " + form
    path = write(tmp_path, head + b"data" + struct.pack("<I", len(data)) + data, "log.wav")
    assert read_log(path, units="count").values[0].tolist() == counts


def test_truncated_wav_is_noted(tmp_path):
    wavfile.write(tmp_path / "log.wav", 8000, np.arange(1000, dtype=np.int16))
    whole = (tmp_path / "log.wav").read_bytes()
    recording = read_log(write(tmp_path, whole[:-500], "cut.wav"), units="count")
    assert recording.n_samples == 750
    assert any("WAV" in note for note in recording.meta["notes"])


@pytest.mark.parametrize("turned", [False, True])
def test_npy(tmp_path, turned):
    data = np.random.default_rng(1).normal(size=(2, 300))
    np.save(tmp_path / "log.npy", data.T if turned else data)
    recording = read_log(tmp_path / "log.npy", sample_rate_hz=500.0, units="g")
    np.testing.assert_allclose(recording.values, data * G)
    with pytest.raises(LogFormatError, match="without titles"):
        read_log(tmp_path / "log.npy")


def test_npy_with_fields(tmp_path):
    data = np.zeros(50, dtype=[("t_ns", np.int64), ("ax_mg", np.float32)])
    data["t_ns"] = 1_777_636_800_123_456_789 + 2_500_000 * np.arange(50)
    data["ax_mg"] = np.arange(50)
    np.save(tmp_path / "log.npy", data)
    recording = read_log(tmp_path / "log.npy")
    assert recording.sample_rate_hz == pytest.approx(400.0, rel=1e-12)
    np.testing.assert_allclose(recording.values[0], np.arange(50) * 1e-3 * G)


def test_npz(tmp_path):
    data = np.random.default_rng(1).normal(size=(2, 300))
    np.savez(tmp_path / "rate.npz", ax=data[0], ay=data[1], sample_rate_hz=500.0, units="mg")
    np.savez_compressed(tmp_path / "time.npz", t_s=np.arange(300) / 500, ax_mg=data[0], ay_mg=data[1])
    for name in ("rate.npz", "time.npz"):
        recording = read_log(tmp_path / name)
        np.testing.assert_allclose(recording.values, data * 1e-3 * G)
        assert recording.sample_rate_hz == pytest.approx(500.0) and recording.channels == ("ax", "ay")


def test_arrays_that_cannot_be_a_log(tmp_path):
    np.save(tmp_path / "object.npy", np.array([{}, 1], dtype=object), allow_pickle=True)
    np.save(tmp_path / "square.npy", np.zeros((5, 5)))
    np.save(tmp_path / "complex.npy", np.zeros(5, dtype=complex))
    np.savez(tmp_path / "uneven.npz", a=np.zeros(5), b=np.zeros(6))
    for name in ("object.npy", "square.npy", "complex.npy", "uneven.npz"):
        with pytest.raises(LogFormatError):
            read_log(tmp_path / name, sample_rate_hz=1.0, units="g")


@pytest.mark.parametrize("shape", ["(1000000000000,)", "(3, 99999999999)"])
def test_a_lying_header_takes_no_memory(tmp_path, shape):
    head = f"{{'descr': '<f8', 'fortran_order': False, 'shape': {shape}, }}".ljust(117) + "\n"
    npy = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head.encode() + b"\0" * 64
    with pytest.raises(LogFormatError):
        read_log(write(tmp_path, npy, "log.npy"), sample_rate_hz=1.0, units="g")
    with zipfile.ZipFile(tmp_path / "log.npz", "w") as archive:
        archive.writestr("ax.npy", npy)
    with pytest.raises(LogFormatError, match="promises more"):
        read_log(tmp_path / "log.npz", sample_rate_hz=1.0, units="g")


@pytest.mark.parametrize("stamps", ["float", "date", "index"])
def test_parquet(tmp_path, stamps):
    pytest.importorskip("pyarrow")
    frame = pd.DataFrame({"t [s]": np.arange(N) / RATE_HZ, "ax [g]": AX, "az [g]": AZ, "state": "idle"})
    if stamps != "float":
        frame["t [s]"] = pd.Timestamp("2026-05-01") + pd.to_timedelta(np.arange(N) * 2_500_000, unit="ns")
        frame = frame.rename(columns={"t [s]": "time"})
    if stamps == "index":
        frame = frame.set_index("time")
    frame.to_parquet(tmp_path / "log.parquet")
    recording = read_log(tmp_path / "log.parquet")
    assert_is_the_log(recording)
    assert ("start_epoch_s" in recording.meta) == (stamps != "float")


# ------------------------------------------------------------------------------------------------------ UFF
def uff_response(x, y, *, label="", direction=1, kind=12, func_type=1, spacing=1, abscissa=17):
    return pyuff.prepare_58(
        func_type=func_type,
        rsp_node=7,
        rsp_dir=direction,
        ref_node=0,
        ref_dir=0,
        data=y,
        x=x,
        id1="Wren",
        rsp_ent_name="panel",
        ref_ent_name="none",
        abscissa_spacing=spacing,
        abscissa_spec_data_type=abscissa,
        abscissa_axis_units_lab="s",
        ordinate_spec_data_type=kind,
        ordinate_axis_units_lab=label,
        orddenom_spec_data_type=0,
        z_axis_value=0.0,
        binary=0,
        load_case_id=0,
        ver_num=0,
    )


def uff_units(length: float, code: int = 9):
    return pyuff.prepare_164(
        units_code=code,
        units_description="as said",
        temp_mode=1,
        length=length,
        force=1.0,
        temp=1.0,
        temp_offset=0.0,
    )


def write_uff(path: Path, datasets: list) -> Path:
    pyuff.UFF(str(path)).write_sets(datasets, mode="overwrite")
    return path


@pytest.mark.parametrize(
    ("label", "length", "factor"),
    [("g", None, G), ("m/s^2", None, 1.0), ("", 1.0, 1.0), ("", 1000.0, 1e-3), ("mm/s^2", 1000.0, 1e-3)],
)
def test_uff_time_responses(tmp_path, label, length, factor):
    x, y = np.arange(100) / 200.0, np.random.default_rng(2).normal(size=(2, 100))
    sets = [uff_units(length)] if length else []
    sets += [uff_response(x, y[0], label=label), uff_response(x, y[1], label=label, direction=-3)]
    recording = read_log(write_uff(tmp_path / "log.uff", sets))
    np.testing.assert_allclose(recording.values, y * factor, rtol=1e-9)
    assert recording.channels == ("7+X", "7-Z") and recording.unit == "m/s^2"
    assert recording.sample_rate_hz == pytest.approx(200.0, rel=1e-6)


def test_uff_unit_unknown_contradicted_and_not_a_time_response(tmp_path):
    x, y = np.arange(100) / 200.0, np.ones(100)
    path = write_uff(tmp_path / "a.uff", [uff_response(x, y)])
    with pytest.raises(LogFormatError, match="no unit"):
        read_log(path)
    assert read_log(path, units="g").values[0, 0] == G
    with pytest.raises(LogFormatError, match="units dataset"):
        read_log(write_uff(tmp_path / "b.uff", [uff_units(1000.0), uff_response(x, y, label="g")]))
    with pytest.raises(LogFormatError, match="time responses"):
        read_log(write_uff(tmp_path / "c.uff", [uff_response(x, y, func_type=2, abscissa=18)]))


def test_uff_uneven_abscissa_shows_the_gap(tmp_path):
    x = np.delete(np.arange(100) / 200.0, slice(40, 45))
    path = write_uff(tmp_path / "log.uff", [uff_response(x, np.ones(95), label="g", spacing=0)])
    recording = read_log(path, irregular="mark")
    assert recording.n_samples == 100 and np.flatnonzero(np.isnan(recording.values[0])).tolist() == list(range(40, 45))


def test_uff_responses_on_another_clock_are_named(tmp_path):
    x = np.arange(100) / 200.0
    path = write_uff(
        tmp_path / "log.uff",
        [uff_response(x, np.ones(100), label="g"), uff_response(x[:50], np.ones(50), label="g", direction=2)],
    )
    recording = read_log(path)
    assert recording.channels == ("7+X",) and any("another clock" in note for note in recording.meta["notes"])


# ------------------------------------------------------------------------------------------------ any bytes
SEEDS = [content if isinstance(content, bytes) else content.encode() for content in DRESSES.values()]
HOW = [
    {},
    {"irregular": "mark"},
    {"irregular": "mark", "sample_rate_hz": 100.0, "units": "g", "fill_gaps_shorter_s": 1.0},
    {"columns": [0], "units": "count", "sample_rate_hz": 10.0, "irregular": "mark"},
]


def only_value_errors(content: bytes, suffix: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder), content, "log" + suffix)
        for how in HOW:
            with contextlib.suppress(ValueError):
                recording = read_log(path, **how)
                assert recording.n_samples >= 2 and not np.isinf(recording.values).any()
        with contextlib.suppress(ValueError):
            log_quantities(path)


CELLS = ["0", "1", "-2.5", "1e5", "1e308", "nan", "", "x", "12:00:00", "#", '"', "1,5", "٣", "9" * 30, "\0", "∞"]
ROW = st.lists(st.sampled_from([*CELLS, "2026-05-01T00:00:00Z"]), min_size=1, max_size=4)
SUFFIXES = [".csv", ".wav", ".npy", ".npz", ".uff", ".parquet", ".gz"]
FUZZ = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@FUZZ
@given(content=st.binary(max_size=300), suffix=st.sampled_from(SUFFIXES))
@example(content=b"\x1f\x8b", suffix=".gz")
@example(content=b"PAR1", suffix=".parquet")
@example(content=b"PK\x05\x06" + b"\0" * 18, suffix=".npz")
def test_any_bytes(content, suffix):
    only_value_errors(content, suffix)


@FUZZ
@given(
    rows=st.lists(ROW, min_size=1, max_size=12),
    separator=st.sampled_from([",", ";", "\t", " "]),
    header=st.sampled_from(["", "t [s],ax [g]\n", "t;ax\ns;g\n", "# rate: 5 Hz\n", "timestamp,ax,ay\n"]),
    encoding=st.sampled_from(["utf-8", "utf-16", "latin-1"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_any_rows(rows, separator, header, encoding, end):
    text = header + "".join(separator.join(row) + end for row in rows)
    only_value_errors(text.encode(encoding, errors="replace"), ".csv")


def binary_seeds() -> dict[str, bytes]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder)
        wavfile.write(path / "a.wav", 100, np.arange(40, dtype=np.int16))
        np.save(path / "a.npy", np.zeros((2, 20)))
        np.savez(path / "a.npz", ax=np.zeros(20), rate=5.0)
        pd.DataFrame({"t_s": [0.0, 1, 2], "ax_g": [1.0, 2, 3]}).to_parquet(path / "a.parquet")
        write_uff(path / "a.uff", [uff_response(np.arange(10) / 10, np.ones(10), label="g")])
        seeds = {p.suffix: p.read_bytes() for p in path.iterdir()}
    return seeds | {".gz": gzip.compress(SEEDS[0]), ".csv": SEEDS[0], ".utf16": SEEDS[0].decode().encode("utf-16")}


BINARY = binary_seeds()


@settings(FUZZ, max_examples=200)
@given(suffix=st.sampled_from(sorted(BINARY)), data=st.data())
def test_damaged_files(suffix, data):
    content = bytearray(BINARY[suffix])
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at] = data.draw(st.sampled_from([0, 1, 0x2D, 0x7F, 0x80, 0xFF, *b"09,.;\n"]))
    cut = data.draw(st.one_of(st.just(len(content)), st.integers(0, len(content))))
    only_value_errors(bytes(content[:cut]), suffix)


def test_reading_leaves_no_file_open(tmp_path):
    with io.StringIO():  # ResourceWarning is an error under the test configuration
        read_log(write(tmp_path, gzip.compress(DRESSES["plain"].encode())))


def test_a_torn_line_alone_is_no_log(tmp_path):
    with pytest.raises(LogFormatError, match=r"0 row\(s\)"):
        read_log(write(tmp_path, "t [s],ax [g]\n0.0,1"))


def test_a_date_that_does_not_exist_is_text(tmp_path):
    rows = [f"2026-05-01T12:00:{i:02d}Z,{i}" for i in range(20)]
    rows[5] = "2026-13-01T12:00:05Z,5"
    recording = read_log(write(tmp_path, "time,ax [g]\n" + "\n".join(rows) + "\n"), irregular="mark")
    assert [(p.kind, p.line) for p in recording.meta["problems"]] == [("text", 7)]
    assert np.flatnonzero(np.isnan(recording.values[0])).tolist() == [5]


def test_a_stray_quote_in_a_column_of_words_swallows_no_rows(tmp_path):
    lines = ["t [s],ax [g],state", *(f"{i / 100:.2f},{i},idle" for i in range(100))]
    lines[50] = '0.49,49,"idle'
    lines[60] = '0.59,59,idle"'
    recording = read_log(write(tmp_path, "\n".join(lines) + "\n"))
    np.testing.assert_allclose(recording.values[0] / G, np.arange(100))


# ------------------------------------------------------------------- what trying every kind of damage has found
STAMPS = [f"{i / 100:.2f}" for i in range(20)]


@pytest.mark.parametrize("cell", ["0.0\x005", '"0.0"5', "TRUE", "0.05x"])
@pytest.mark.parametrize("column", [0, 1])
def test_a_cell_that_is_no_number_is_never_read_as_a_part_of_it(tmp_path, cell, column):
    """The compiled reader ends a number at a NUL, and takes quotes out of the middle of one."""
    rows = [[stamp, "1"] for stamp in STAMPS]
    rows[5][column] = cell
    path = write(tmp_path, "t [s],ax [g]\n" + "".join(",".join(row) + "\n" for row in rows))
    if (cell, column) == ("TRUE", 1):  # a trigger may be written so
        assert read_log(path).values[0, 5] == G
        return
    recording = read_log(path, irregular="mark")
    assert [(p.kind, p.line) for p in recording.meta["problems"]] == [("text", 7)]
    assert np.flatnonzero(np.isnan(recording.values[0])).tolist() == [5]


@pytest.mark.parametrize("suffix", [".npz", ".parquet", ".npy"])
def test_numbers_missing_in_a_binary_log_are_listed(tmp_path, suffix):
    path, t, ax = tmp_path / f"log{suffix}", np.arange(40) / 100, np.ones(40)
    ax[[3, 4]], t[9] = np.nan, np.nan
    if suffix == ".npz":
        np.savez(path, t_s=t, ax_g=ax)
    elif suffix == ".npy":
        both = np.zeros(40, dtype=[("t_s", "f8"), ("ax_g", "f8")])
        both["t_s"], both["ax_g"] = t, ax
        np.save(path, both)
    else:
        pd.DataFrame({"t_s": t, "ax_g": ax}).to_parquet(path)
    with pytest.raises(LogFormatError, match=r"line 4, column 'ax': found not a number: nan"):
        read_log(path)
    recording = read_log(path, irregular="mark")
    listed = [(p.kind, p.line, p.samples) for p in recording.meta["problems"]]
    assert listed == [("not a number", 4, 2), ("not a number", 10, 1)]
    assert np.flatnonzero(np.isnan(recording.values[0])).tolist() == [3, 4, 9]


def test_nan_of_the_signalling_kind_and_numbers_beyond_a_double_are_nan(tmp_path):
    for values in (np.frombuffer(b"\0\0\xa0\x7f" * 3, "<f4"), np.array([np.finfo(np.longdouble).max] * 3)):
        np.savez(tmp_path / "log.npz", t_s=np.arange(5.0), ax_g=np.concatenate([values, np.ones(2, values.dtype)]))
        recording = read_log(tmp_path / "log.npz", irregular="mark")
        assert np.flatnonzero(np.isnan(recording.values[0])).tolist() == [0, 1, 2]


@pytest.mark.parametrize("kind", ["text", "Parquet"])
def test_a_date_beyond_64_bits_is_not_wrapped_into_another_century(tmp_path, kind):
    stamps = [f"2026-05-01T12:00:{i:02d}" for i in range(20)]
    stamps[5] = "9999-12-31T23:59:59"  # it came back as 1816
    path = tmp_path / "log.csv"
    if kind == "text":
        path.write_text("time,ax [g]\n" + "".join(f"{stamp},1\n" for stamp in stamps))
    else:
        stamps = np.array(stamps, dtype="datetime64[us]")
        pd.DataFrame({"time": stamps, "ax [g]": np.ones(20)}).to_parquet(path)
    recording = read_log(path, irregular="mark")
    assert len(recording.meta["problems"]) == 1 and recording.n_samples == 20
    assert np.flatnonzero(np.isnan(recording.values[0])).tolist() == [5]


def test_whole_stamps_whose_difference_exceeds_64_bits_are_no_clock(tmp_path):
    np.savez(tmp_path / "log.npz", t_ns=np.array([-(2**63), 0, 2**63 - 1]), ax_g=np.ones(3))
    assert read_log(tmp_path / "log.npz").sample_rate_hz == pytest.approx(1e9 / 2**63)
    np.savez(tmp_path / "log.npz", t_s=np.array([-(2**63), 2**63 - 1]), ax_g=np.ones(2))
    with pytest.raises(LogFormatError, match="more than 30 000 years apart"):
        read_log(tmp_path / "log.npz")


@pytest.mark.parametrize(
    "stamps",
    [
        ["0", "5e-324", "1e-323"],
        ["0", "1e-300", "2e-300", "1e11"],
        ["0", "1e-300", "1e-300", "2e-300", "1e11", "1e11"],
        ["-1e308", "0", "1e308"],
        ["1e308", "1e308", "1e308"],
        ["0", "1e-9", "2e-9", "3e-9", "1e12"],
    ],
)
@pytest.mark.parametrize("unit", ["s", "min"])
def test_stamps_that_are_no_clock_are_refused(tmp_path, stamps, unit):
    path = write(tmp_path, f"t [{unit}],ax [g]\n" + "".join(f"{stamp},1\n" for stamp in stamps))
    with pytest.raises(LogFormatError, match=r"log\.csv"):
        read_log(path, irregular="mark")


@pytest.mark.parametrize(
    "remark",
    ["dt: 1e-320 ns", '{"rate": ' + "9" * 5000 + "}", '{"a": ' + "[" * 900 + "]" * 900 + "}", '{"a":' * 900 + "1}"],
    ids=["step of nothing", "endless number", "nested lists", "nested tables"],
)
def test_remarks_that_say_nothing_stop_nothing(tmp_path, remark):
    assert_is_the_log(read_log(write(tmp_path, table(f"# {remark}\nt [s],ax [g],az [g]"))))


def test_fields_of_several_numbers_and_of_words(tmp_path):
    data = np.zeros(40, dtype=[("t_s", "f8"), ("state", "U4"), ("xyz", "f4", (3,))])
    data["t_s"], data["xyz"] = np.arange(40) / 100, np.arange(120).reshape(40, 3)
    np.save(tmp_path / "log.npy", data)
    recording = read_log(tmp_path / "log.npy", units="g", columns=["xyz_0", "xyz_2"])
    np.testing.assert_allclose(recording.values / G, data["xyz"].T[[0, 2]])
    with pytest.raises(LogFormatError, match=r"column 'state': found values of the kind <U4; expected numbers"):
        read_log(tmp_path / "log.npy", units="g", columns=["state"])


def test_texts_of_no_size_cannot_fill_the_memory(tmp_path):
    head = "{'descr': '|S0', 'fortran_order': False, 'shape': (1000000000000,), }".ljust(117) + "\n"
    npy = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head.encode() + b"x"
    with pytest.raises(LogFormatError, match="have no size"):
        read_log(write(tmp_path, npy, "log.npy"), sample_rate_hz=1.0, units="g")
    with zipfile.ZipFile(tmp_path / "log.npz", "w") as archive:
        archive.writestr("ax.npy", npy)
    with pytest.raises(LogFormatError, match="promises more"):
        read_log(tmp_path / "log.npz", sample_rate_hz=1.0, units="g")


def test_a_header_in_an_old_style_is_read_without_a_warning(tmp_path):
    head = "{'descr': '<f8', 'fortran_order': False, 'shape': (40L,), }".ljust(117) + "\n"
    npy = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head.encode() + np.arange(40.0).tobytes()
    assert read_log(write(tmp_path, npy, "log.npy"), sample_rate_hz=1.0, units="g").n_samples == 40


def test_two_columns_of_one_name_in_parquet_are_named(tmp_path):
    pyarrow, parquet = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    parquet.write_table(pyarrow.table([[1.0, 2.0], [3.0, 4.0]], names=["ax_g", "ax_g"]), tmp_path / "log.parquet")
    with pytest.raises(LogFormatError, match=r"log\.parquet: found a Parquet file that cannot be read \(Multiple"):
        read_log(tmp_path / "log.parquet", sample_rate_hz=1.0)


def test_a_universal_file_that_ends_early_is_refused(tmp_path):
    path = write_uff(tmp_path / "log.uff", [uff_response(np.arange(100) / 200, np.ones(100), label="g")])
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join([*lines[:-3], lines[-1]]))
    with pytest.raises(LogFormatError, match=r"9\d values where the header states 100"):
        read_log(path)


def test_a_wav_file_without_samples_is_refused(tmp_path):
    wavfile.write(tmp_path / "log.wav", 8000, np.empty((0, 2), dtype=np.int16))
    with pytest.raises(LogFormatError, match="0 values"):
        read_log(tmp_path / "log.wav", units="count")


@pytest.mark.parametrize(
    ("stamps", "found"),
    [((*range(9), 12, 9, 10, 11, 13), "12 s before 9 s"), ((*range(13), 3, 4), "3 s after 12 s")],
)
def test_a_stamp_out_of_order_is_set_against_the_one_that_it_contradicts(tmp_path, stamps, found):
    """The last rows of a log that stepped back were looked for behind its end."""
    path = write(tmp_path, "t [s],ax [g]\n" + "".join(f"{stamp},1\n" for stamp in stamps))
    problem = read_log(path, irregular="mark").meta["problems"][0]
    assert (problem.kind, problem.found) == ("backward time", found)


def test_a_long_preamble_is_skipped_in_one_go(tmp_path):
    """A hundred thousand blank lines above the rows took a copy of the whole piece each."""
    rows = "".join(f"{i},1\n" for i in range(100_000))
    recording = read_log(write(tmp_path, "\n" * 100_000 + "t [s],ax [g]\n" + rows))
    assert recording.n_samples == 100_000


def test_texts_in_parquet_are_named_and_never_unpacked(tmp_path):
    """One text repeated a million times takes no room in the file, and all the memory there is when unpacked."""
    pyarrow, parquet = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    n = 200_000
    state = pyarrow.DictionaryArray.from_arrays(np.zeros(n, dtype=np.int32), ["x" * 100_000])  # 20 GB
    columns = {"t_s": np.arange(n) / 100, "state": state, "ax.raw_g": np.ones(n)}
    parquet.write_table(pyarrow.table(columns), tmp_path / "log.parquet")
    recording = read_log(tmp_path / "log.parquet")
    assert recording.n_samples == n and recording.channels == ("ax.raw",)
    assert recording.meta["notes"] == ("not read: no numbers (state)",)


def test_the_index_of_a_table_in_parquet(tmp_path):
    """Dates without a name are the time stamps; row numbers without a name are no channel."""
    frame = pd.DataFrame({"ax": np.ones(20)}, index=pd.date_range("2026-05-01", periods=20, freq="10ms"))
    frame.to_parquet(tmp_path / "dates.parquet")
    assert read_log(tmp_path / "dates.parquet", units="g").sample_rate_hz == pytest.approx(100.0)
    frame.set_index(np.arange(20) * 3).to_parquet(tmp_path / "rows.parquet")
    recording = read_log(tmp_path / "rows.parquet", units="g", sample_rate_hz=100.0)
    assert recording.channels == ("ax",) and recording.sample_rate_hz == 100.0
