"""Is the log fit: every check just below and just above its criterion, clean logs, graded faults, ragged input."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import signal

from labkit.runs.checks import CHECKS, BlockedAnalysisError, Finding, LogReport, check_recording, require_fit
from labkit.runs.checks_log import CheckedLog, find_step
from labkit.runs.clock import ClockFacts, LogProblem
from labkit.runs.readers import read_log
from labkit.runs.recording import Recording

G = 9.80665
MICRO_G = 1e-6 * G
XYZ = ("ax", "ay", "az")
LSB = 4 * G / 2**16  # ±2 g, 16 bit


# ------------------------------------------------------------------------------------------------ invented logs
def log_of(values, *, rate_hz=800.0, channels=None, unit="m/s^2", **meta) -> Recording:
    values = np.atleast_2d(values)
    channels = channels or (XYZ if len(values) == 3 else tuple(f"c{i}" for i in range(len(values))))
    return Recording(values=values, sample_rate_hz=rate_hz, channels=channels, unit=unit, meta=meta)


def white(seed=0, *, n=16_000, rate_hz=800.0, density=100 * MICRO_G, channels=3):
    """Sensor noise of a one-sided density [m/s²/√Hz], gravity on the last of three channels."""
    noise = np.random.default_rng(seed).normal(0.0, density * math.sqrt(rate_hz / 2), (channels, n))
    if channels == 3:
        noise[2] += G
    return noise


def bench_log(seed=0, *, rate_hz=800.0, seconds=16.0, modes=None, beat_s=None) -> np.ndarray:
    """Moves of a head (a pair of jerk-limited pulses), panel modes that ring, gravity, tilt, offsets, noise; m/s²."""
    rng = np.random.default_rng(seed)
    n, values = int(rate_hz * seconds), white(seed, n=int(rate_hz * seconds), rate_hz=rate_hz)
    push, start = np.zeros(n), 0.7
    while start < seconds - 1.5:
        first, ramp, apart = (int(rate_hz * s) for s in (start, 0.04, 0.12))
        push[first : first + ramp] += 1.0
        push[first + apart : first + apart + ramp] -= 1.0
        start += beat_s or rng.uniform(1.5, 2.2)
    push = signal.lfilter(*signal.butter(2, 120.0, fs=rate_hz), push)
    for frequency, zeta, size in modes or zip(rng.uniform(15, 90, 2), rng.uniform(0.008, 0.03, 2), (0.5, 0.2)):
        omega = 2 * math.pi * frequency
        b, a, _ = signal.cont2discrete(([1, 0, 0], [1, 2 * zeta * omega, omega**2]), 1 / rate_hz, method="bilinear")
        values += size * rng.uniform(0.2, 1.0, (3, 1)) * signal.lfilter(np.ravel(b), a, push)
    tilt, heading = np.radians(rng.uniform(0, 2)), rng.uniform(0, 2 * math.pi)
    lean = G * np.array([math.sin(tilt) * math.cos(heading), math.sin(tilt) * math.sin(heading), math.cos(tilt) - 1])
    return values + (lean + rng.normal(0, 0.01 * G, 3))[:, None]


def in_steps(values, step=LSB):
    return step * np.round(np.asarray(values) / step)


def ring_down(*, rate_hz=800.0, frequency=25.0, zeta=0.01, amplitude=5.0, seconds=8.0, start_s=1.0):
    """Decay from rest, no noise [m/s²]."""
    t = np.arange(int(seconds * rate_hz)) / rate_hz - start_s
    omega = 2 * math.pi * frequency
    return np.where(t < 0, 0.0, amplitude * np.exp(-zeta * omega * t.clip(0)) * np.sin(omega * t))


def severity(report: LogReport, code: str) -> str | None:
    """Gravest severity of a code; None when the check ran and found nothing."""
    found = [f.severity for f in report.findings if f.code == code]
    assert found or code in report.passed, f"{code} did not run: {dict(report.skipped).get(code)}"
    return found[0] if found else None


def finding(report: LogReport, code: str) -> Finding:
    return next(f for f in report.findings if f.code == code)


# ------------------------------------------------------------------------------------------------ clean logs
STATED = dict(
    tolerance_m=5e-6,
    lowest_frequency_hz=10.0,
    resolution_hz=1.0,
    range_m_s2=2 * G,
    gravity_axis="az",
    noise_density_m_s2_rthz=100 * MICRO_G,
)


def test_clean_log_passes_every_check():
    clock = ClockFacts(has_time_column=True, n_rows=12_800, rate_hz=800.0, step_sd_s=1e-6, resolution_s=1e-6)
    log = log_of(in_steps(bench_log(3)), clock=clock, problems=(), file="a.csv")
    report = check_recording(log, expected_rate_hz=800.0, **STATED)
    assert set(report.passed) == set(CHECKS)
    assert (report.name, report.findings, report.skipped, report.blocked) == ("a.csv", (), (), frozenset())


def test_false_alarms_on_200_clean_logs():
    alarms = Counter()
    for seed in range(200):
        rate = (400.0, 800.0, 1600.0)[seed % 3]
        values = bench_log(seed, rate_hz=rate)
        report = check_recording(log_of(in_steps(values) if seed % 2 else values, rate_hz=rate), **STATED)
        alarms.update({f.code for f in report.findings})  # notes count too
    assert max(alarms.values(), default=0) <= 4, alarms  # 2 %


@pytest.mark.parametrize("unit", ["m/s^2", "m", "px", "count", "N"])
def test_false_alarms_on_white_noise(unit):
    alarms = Counter()
    for seed in range(100):
        report = check_recording(log_of(white(seed, n=4000, channels=2), unit=unit))
        alarms.update({f.code for f in report.findings})
    assert max(alarms.values(), default=0) <= 2, alarms


# ------------------------------------------------------------------------------------------------ clock
@pytest.mark.parametrize(
    ("off", "expected"),
    [
        (0.0009, None),
        (-0.0009, None),
        (0.0011, "note"),
        (0.0099, "note"),
        (0.0101, "warning"),
        (-0.0101, "warning"),
        (0.19, "warning"),
        (0.21, "fatal"),
        (-0.21, "fatal"),
        (1e3 - 1, "fatal"),
    ],
)
def test_sample_rate(off, expected):
    report = check_recording(log_of(white()), expected_rate_hz=800.0 / (1 + off))
    assert severity(report, "sample-rate") == expected
    if expected:
        assert finding(report, "sample-rate").value == pytest.approx(off)
    assert ("modes" in report.blocked) == (expected == "fatal")


def test_sample_rate_from_the_log_itself():
    clock = ClockFacts(has_time_column=True, n_rows=10, rate_hz=800.0, stated_rate_hz=820.0)
    report = check_recording(log_of(white(), clock=clock))
    assert severity(report, "sample-rate") == "warning"
    # nominal rate instead of the true one: frequencies +2.5 %, displacements (1 − ε)² − 1 = −4.8 % (x = a/ω²)
    assert "+2.50%" in finding(report, "sample-rate").consequence
    assert "-4.82%" in finding(report, "sample-rate").consequence
    unchecked = check_recording(log_of(white(), clock=replace(clock, has_time_column=False)))
    assert dict(unchecked.skipped)["sample-rate"].startswith("no time column")


@pytest.mark.parametrize(
    ("share", "expected"),
    [
        (0.009, None),
        (0.011, "note"),
        (0.049, "note"),
        (0.051, "warning"),
        (0.19, "warning"),
        (0.21, "fatal"),
    ],
)
def test_jitter(share, expected):
    sd = share / (2 * math.pi * 80.0)  # seen at a tenth of 800 Hz
    clock = ClockFacts(has_time_column=True, n_rows=10, rate_hz=800.0, step_sd_s=sd, resolution_s=0.0)
    report = check_recording(log_of(white(), clock=clock))
    assert severity(report, "jitter") == expected
    if expected:
        assert finding(report, "jitter").value == pytest.approx(sd)
    assert report.blocked == (frozenset({"spectra", "modes", "displacement"}) if expected == "fatal" else frozenset())


def test_jitter_noise_is_what_the_finding_says():
    """A sine read at times with sd σ carries noise of 2πfσ of its rms: simulated."""
    rng, f, rate, sd = np.random.default_rng(5), 80.0, 800.0, 1e-4
    t = np.arange(100_000) / rate
    wrong = np.sin(2 * np.pi * f * (t + rng.normal(0, sd, t.size))) - np.sin(2 * np.pi * f * t)
    assert wrong.std() * math.sqrt(2) == pytest.approx(2 * math.pi * f * sd, rel=0.02)


def test_rounded_time_stamps_are_no_jitter():
    t = np.round(np.arange(16_000) / 3200.0, 4)  # 0.1 ms stamps at 3200 Hz
    clock = ClockFacts(
        has_time_column=True,
        n_rows=t.size,
        rate_hz=3200.0,
        step_sd_s=float(np.diff(t).std()),
        resolution_s=1e-4,
    )
    assert clock.step_sd_s > 0.1 / 3200.0  # would look like 8 % noise
    assert severity(check_recording(log_of(white(), rate_hz=3200.0, clock=clock)), "jitter") is None


@pytest.mark.parametrize(
    ("lost", "dropped", "gap"),
    [
        ([], None, None),
        ([(500, 1)], "warning", None),
        ([(500, 3)], "warning", None),
        ([(500, 4)], None, "warning"),
        ([(500, 2), (900, 60)], "warning", "warning"),
        ([(i, 1) for i in range(10, 16_000, 420)], "warning", None),  # 0.52 s between losses
        ([(i, 1) for i in range(10, 16_000, 390)], "fatal", None),  # 0.49 s between losses
        ([(i, 8) for i in range(10, 16_000, 390)], None, "fatal"),
    ],
)
def test_missing_samples(lost, dropped, gap):
    values = white()
    for first, n in lost:
        values[:, first : first + n] = np.nan
    report = check_recording(log_of(values))
    assert (severity(report, "dropped-samples"), severity(report, "gaps")) == (dropped, gap)
    total = sum(f.value for f in report.findings if f.code in ("dropped-samples", "gaps"))
    assert total == pytest.approx(sum(n for _, n in lost) / 16_000)
    assert ("settling" in report.blocked) == ("fatal" in (dropped, gap))


def test_places_in_the_file_are_named():
    problems = (
        LogProblem(kind="gap", line=812, found="40 samples", samples=40),
        LogProblem(kind="text", line=77, found="'Err'"),
        *(LogProblem(kind="not a number", line=k, found="nan") for k in range(100, 108)),
    )
    values = white()
    values[:, 800:840] = np.nan
    report = check_recording(log_of(values, problems=problems))
    assert "line 812" in finding(report, "gaps").evidence
    unreadable = finding(report, "unreadable")
    assert unreadable.value == 9 and "line 77 'Err'" in unreadable.evidence and "and 4 more" in unreadable.evidence
    assert severity(check_recording(log_of(white(), problems=())), "unreadable") is None


@pytest.mark.parametrize(
    ("kind", "code", "rows", "expected"),
    [
        ("repeated time", "repeated-time", 0, None),
        ("repeated time", "repeated-time", 159, "note"),
        ("repeated time", "repeated-time", 161, "warning"),
        ("backward time", "backward-time", 0, None),
        ("backward time", "backward-time", 1, "warning"),
        ("backward time", "backward-time", 159, "warning"),
        ("backward time", "backward-time", 161, "fatal"),
    ],
)
def test_order_of_time(kind, code, rows, expected):
    clock = ClockFacts(has_time_column=True, n_rows=16_000, rate_hz=800.0)
    problems = tuple(LogProblem(kind=kind, line=10 + i, found="", samples=1) for i in range(rows))
    report = check_recording(log_of(white(), clock=clock, problems=problems))
    assert severity(report, code) == expected
    if expected:
        assert finding(report, code).value == rows and "line 10" in finding(report, code).evidence


@pytest.mark.parametrize(
    ("seconds", "stated", "expected", "blocked"),
    [
        (4.0, dict(resolution_hz=0.26), None, ""),
        (4.0, dict(resolution_hz=0.24), "fatal", "spectra"),
        (4.0, dict(lowest_frequency_hz=2.6), None, ""),
        (4.0, dict(lowest_frequency_hz=2.4), "warning", ""),
        (4.0, dict(lowest_frequency_hz=0.76), "warning", ""),
        (4.0, dict(lowest_frequency_hz=0.74), "fatal", "displacement modes settling spectra"),
        (63 / 800, dict(resolution_hz=100.0), "fatal", "displacement modes settling spectra"),
        (65 / 800, dict(resolution_hz=100.0), None, ""),
        (4.0, dict(resolution_hz=0.6, windows=[(1.0, 2.0), (2.1, 3.6)]), "fatal", "spectra"),
        (4.0, dict(resolution_hz=0.6, windows=[(1.0, 3.0)]), None, ""),
    ],
)
def test_length(seconds, stated, expected, blocked):
    report = check_recording(log_of(white(n=round(800 * seconds))), **stated)
    assert severity(report, "too-short") == expected
    assert " ".join(sorted(report.blocked)) == blocked


# ------------------------------------------------------------------------------------------------ values
@pytest.mark.parametrize(("limit", "expected"), [(5.0, None), (4.8, "warning"), (4.0, "fatal"), (1.0, "fatal")])
@pytest.mark.parametrize("step", [0.0, LSB, 16 * LSB])
def test_clipping(limit, expected, step):
    x = ring_down(rate_hz=1600.0)
    x = (x + white(n=x.size, rate_hz=1600.0, channels=1)[0]).clip(-limit, limit)
    report = check_recording(log_of(in_steps(x, step) if step else x, rate_hz=1600.0))
    assert severity(report, "clipping") == expected
    assert report.blocked == (frozenset({"modes", "displacement", "settling"}) if expected == "fatal" else frozenset())


@pytest.mark.parametrize(("windows", "expected"), [(None, "fatal"), ([(1.0, 4.0)], "fatal"), ([(4.0, 8.0)], "warning")])
def test_clipping_weighs_less_outside_the_windows(windows, expected):
    report = check_recording(log_of(ring_down().clip(-3.0, 3.0)), windows=windows)
    assert severity(report, "clipping") == expected


def test_clipping_of_single_knocks_and_of_slow_vibration():
    """A knock a second is no ring-down; flat tops of 60 ms at 6 Hz are clipping, not a stuck channel."""
    t = np.arange(8000) / 800.0
    knocks = np.where(t % 1.0 < 0.02, np.sin(np.pi * (t % 1.0) / 0.02), 0.0)
    noise = white(n=8000, channels=1, density=20 * MICRO_G)[0]
    for sign in (1.0, -1.0):
        log = log_of(sign * (knocks + noise).clip(max=0.5))
        assert severity(check_recording(log), "clipping") == "warning"
    report = check_recording(log_of((np.sin(2 * np.pi * 6.0 * t) + noise).clip(-0.5, 0.5)))
    assert (severity(report, "clipping"), severity(report, "stuck")) == ("fatal", None)


@pytest.mark.parametrize(
    ("range_g", "expected"),
    [
        (1.3, None),
        (1.24, "note"),
        (1.012, "note"),
        (1.005, "fatal"),
        (0.96, "fatal"),
        (0.95, "warning"),
    ],
)
def test_stated_range(range_g, expected):
    t = np.arange(8000) / 800.0  # 11 Hz: no flat tops, peak 1 g
    report = check_recording(log_of(G * np.sin(2 * np.pi * 11.0 * t)), range_m_s2=range_g * G)
    assert severity(report, "clipping") == expected


@pytest.mark.parametrize("frequency", [0.5, 3.0, 10.0, 12.5, 100.0])
@pytest.mark.parametrize("step", [0.0, 0.003, 0.05])
@pytest.mark.parametrize("noise", [0.0, 0.4, 2.0])
@pytest.mark.parametrize("phase", [0.3, math.pi / 8])  # π/8 at 100 Hz: two samples share every peak
def test_slow_rounded_or_synchronous_sines_do_not_clip(frequency, step, noise, phase):
    t = np.arange(8000) / 800.0
    x = np.sin(2 * np.pi * frequency * t + phase) + noise * step * np.random.default_rng(1).standard_normal(t.size)
    assert severity(check_recording(log_of(in_steps(x, step) if step else x)), "clipping") is None


@pytest.mark.parametrize(
    ("channel", "dead"),
    [
        (np.zeros(16_000), True),
        (np.full(16_000, 0.61), True),
        (np.full(16_000, np.nan), True),
        (np.r_[np.zeros(15_999), 0.01], False),
    ],
)
def test_dead_channel(channel, dead):
    values = white()
    values[1] = channel
    report = check_recording(log_of(values))
    assert severity(report, "dead-channel") == ("fatal" if dead else None)
    if dead:
        assert finding(report, "dead-channel").channel == "ay"
        with pytest.raises(BlockedAnalysisError, match=r"not fit for settling: dead-channel \(ay\)"):
            require_fit(report, "settling", channels=["ay", "az"])
        if np.isfinite(channel).all():
            require_fit(report, "settling", channels=["ax", "az"])


@pytest.mark.parametrize(("samples", "expected"), [(6, None), (7, None), (8, "fatal"), (200, "fatal")])
def test_stuck(samples, expected):
    values = white()
    values[0, 5000 : 5000 + samples] = 0.001
    report = check_recording(log_of(values))
    assert severity(report, "stuck") == expected
    if expected:
        assert finding(report, "stuck").value == pytest.approx(samples / 800.0)
        assert report.blocked == {"modes", "displacement", "settling"}


def test_stuck_outside_the_windows_and_for_long():
    values = white()
    values[0, 5000:5100] = 0.001
    assert severity(check_recording(log_of(values), windows=[(0.0, 6.2)]), "stuck") == "warning"
    assert severity(check_recording(log_of(values), windows=[(0.0, 6.3)]), "stuck") == "fatal"
    values[0, 5000:8000] = 0.001
    assert "spectra" in check_recording(log_of(values)).blocked


@pytest.mark.parametrize(("first", "expected"), [(0, "warning"), (1, "fatal")])
def test_a_sensor_that_wakes_up_late(first, expected):
    values = white()
    values[0, first:400] = 0.0
    assert severity(check_recording(log_of(values)), "stuck") == expected


def test_hung_bus_that_reads_zero_is_stuck_not_clipped():
    values = bench_log(1)
    values[2, 5000:5400] = 0.0
    report = check_recording(log_of(in_steps(values)))
    assert (severity(report, "stuck"), severity(report, "clipping")) == ("fatal", None)


@pytest.mark.parametrize("noise", [0.05, 0.2, 0.35])
def test_rest_within_one_step_is_not_stuck(noise):
    """Twelve rests of a coarse sensor: constant for seconds, and rightly so."""
    rng, x = np.random.default_rng(2), np.concatenate([ring_down(seconds=4.0, zeta=0.03)] * 12)
    x = in_steps(x + 0.1 * noise * rng.standard_normal(x.size), 0.1)
    assert severity(check_recording(log_of(x)), "stuck") is None


@pytest.mark.parametrize(("repeat", "expected"), [(1, None), (2, "warning"), (3, "warning"), (14, "warning")])
@pytest.mark.parametrize("step", [0.0, LSB])
def test_held_samples(repeat, expected, step):
    values = np.repeat(bench_log(1), repeat, axis=1)[:, :12_800]
    report = check_recording(log_of(in_steps(values) if step else values))
    assert severity(report, "held-samples") == expected
    assert (severity(report, "clipping"), severity(report, "stuck")) == (None, None)
    if expected:
        assert finding(report, "held-samples").value == repeat


@pytest.mark.parametrize(("share", "expected"), [(0.02, None), (0.2, "warning")])
def test_samples_polled_a_little_too_fast(share, expected):
    rng, values = np.random.default_rng(8), white()
    again = np.flatnonzero(rng.random(16_000) < share)[1:]
    values[:, again] = values[:, again - 1]
    assert severity(check_recording(log_of(values)), "held-samples") == expected


@pytest.mark.parametrize(("sigma", "expected"), [(0.1, "fatal"), (0.27, "fatal"), (0.36, None), (1.0, None)])
def test_quantisation_of_the_whole_log(sigma, expected):
    x = in_steps(sigma * np.random.default_rng(4).standard_normal(16_000), 1.0)
    x[[100, 9000]] = 1.0  # something stirs
    report = check_recording(log_of(x, unit="count"))
    assert severity(report, "quantisation") == expected
    assert len(report.blocked) == (4 if expected else 0)


@pytest.mark.parametrize(("sigma", "expected"), [(0.1, "warning"), (0.27, "warning"), (0.36, None)])
def test_quantisation_of_the_rests(sigma, expected):
    x = np.concatenate([ring_down(seconds=4.0, zeta=0.03)] * 6) / 0.05
    x = in_steps(x + sigma * np.random.default_rng(4).standard_normal(x.size), 1.0)
    assert severity(check_recording(log_of(x, unit="count")), "quantisation") == expected


@pytest.mark.parametrize("step", [1.0, LSB, 0.004 * G, 61.035e-6])
@pytest.mark.parametrize("offset", [0.0, 9.81])
def test_step_is_found(step, offset):
    x = in_steps(np.random.default_rng(0).normal(0, 5 * step, 5000), step) + offset
    assert find_step(x) == pytest.approx(step, rel=1e-6)
    assert find_step(np.random.default_rng(0).normal(0, step, 5000)) == 0.0


@pytest.mark.parametrize(
    ("wander", "expected"),
    [
        (0.0, None),
        (0.018, None),
        (0.024, "note"),
        (0.097, "note"),
        (0.112, "warning"),
    ],
)
@pytest.mark.parametrize("shape", ["ramp", "step", "wave"])
def test_drift(wander, expected, shape):
    s = np.linspace(0, 1, 16_000)
    slow = {"ramp": s * 20 / 19, "step": (s > 0.4) * 1.0, "wave": 0.5 + 0.5 * np.cos(2 * np.pi * s)}[shape]
    x = white(density=20 * MICRO_G, channels=1)[0] + wander * slow
    assert severity(check_recording(log_of(x)), "drift") == expected


@pytest.mark.parametrize(("wander_um", "expected"), [(0.0, None), (4.5, "note"), (5.6, "warning")])
def test_drift_of_a_displacement(wander_um, expected):
    x = 1e-6 * (0.3 * np.random.default_rng(0).standard_normal(16_000) + np.linspace(0, wander_um, 16_000))
    assert severity(check_recording(log_of(x, unit="m"), tolerance_m=5e-6), "drift") == expected


# ------------------------------------------------------------------------------------------------ gravity
@pytest.mark.parametrize(
    ("static_g", "expected"),
    [
        (1.04, None),
        (0.96, None),
        (1.06, "note"),
        (1.11, "warning"),
        (0.89, "warning"),
        (0.5, "warning"),
        (2.0, "warning"),
        (0.03, "note"),
        (0.0, "note"),
    ],
)
def test_gravity(static_g, expected):
    values = white()
    values[2] += (static_g - 1) * G
    report = check_recording(log_of(values))
    assert severity(report, "gravity") == expected
    assert not report.blocked


@pytest.mark.parametrize(
    ("factor", "expected"),
    [
        (1 / G, "g were read as m/s²"),
        (1.07 / G, "g were read as m/s²"),
        (1.1 / G, None),
        (0.91 / G, None),
        (G, "m/s² were read as g"),
        (100.0, "gal"),
        (1000 / G, "mg or gal"),
        (1000.0, "mg were read as g"),
        (0.001, "g were read as mg"),
        (1.0, None),
        (2.0, None),
        (0.5, None),
    ],
)
def test_unit(factor, expected):
    report = check_recording(log_of(bench_log(2) * factor))
    assert severity(report, "unit") == ("fatal" if expected else None)
    if expected:
        assert expected in finding(report, "unit").evidence
        assert finding(report, "unit").value == pytest.approx(factor, rel=0.05)
        assert report.blocked == {"spectra", "displacement", "settling"}


@pytest.mark.parametrize(("static_g", "expected"), [(0.1, None), (1.0, None), (G, "fatal"), (100.0, "fatal")])
def test_unit_of_a_single_axis(static_g, expected):
    x = white(channels=1) + static_g * G
    assert severity(check_recording(log_of(x)), "unit") == expected


@pytest.mark.parametrize(
    ("static_g", "unit", "gravity"), [(1.0, None, None), (1 / G, "fatal", None), (0.02, None, "note")]
)
def test_a_single_gravity_axis(static_g, unit, gravity):
    report = check_recording(log_of(white(channels=1) + static_g * G), gravity_axis="c0")
    assert (severity(report, "unit"), severity(report, "gravity")) == (unit, gravity)


@pytest.mark.parametrize(
    ("angle", "axis", "expected"),
    [
        (4.5, None, None),
        (5.5, None, "note"),
        (14.5, None, "note"),
        (15.5, None, "warning"),
        (85.5, None, None),
        (0.0, "az", None),
        (0.0, "ax", "warning"),
    ],
)
def test_tilt(angle, axis, expected):
    values = white()
    values[2] += G * (math.cos(math.radians(angle)) - 1)
    values[0] += G * math.sin(math.radians(angle))
    report = check_recording(log_of(values), gravity_axis=axis)
    assert severity(report, "tilt") == expected
    if axis == "ax":
        assert "nearer to az" in finding(report, "tilt").evidence


def test_two_sensors_are_told_apart():
    names = [f"{place}_{axis}" for place in ("head", "panel") for axis in XYZ]
    report = check_recording(log_of(np.vstack([white(0), white(1) / G]), channels=names))
    assert finding(report, "unit").channel == "panel_ax, panel_ay, panel_az"
    assert sum(f.code == "unit" for f in report.findings) == 1


def test_a_sensor_that_is_carried_about_shows_no_gravity():
    t = np.arange(16_000) / 800.0
    values = white() * 0 + G * np.array([np.sin(t), np.cos(t), 0.3 * np.sin(3 * t)])
    report = check_recording(log_of(values))
    assert dict(report.skipped)["gravity"] == "the sensor was never at rest"


# ------------------------------------------------------------------------------------------------ spectrum
@pytest.mark.parametrize(("share", "expected"), [(0.2, None), (0.28, None), (0.32, "warning"), (0.6, "warning")])
def test_aliasing(share, expected):
    x, t = white(channels=1)[0], np.arange(16_000) / 800.0
    tone = math.sqrt(2 * x.var() * (share - 0.2) / (1 - share))  # (0.2 + p)/(1 + p) = share
    report = check_recording(log_of(x + tone * np.sin(2 * np.pi * 361.0 * t)))
    assert severity(report, "aliasing") == expected
    if expected:
        assert finding(report, "aliasing").value == pytest.approx(share, abs=0.02)


@pytest.mark.parametrize("hum_hz", [50.0, 60.0])
@pytest.mark.parametrize(
    ("hum_mg", "low", "high"),
    [
        (0.0, 0, 0),
        (0.05, 0, 3),
        (0.4, 4, 10),
        (0.8, 9, 10),
        (2.0, 10, 10),
    ],
)
def test_mains_hum_by_size(hum_hz, hum_mg, low, high):
    """Lines of 0.8 mg beside ringing modes and 0.1 mg/√Hz are found, of 0.05 mg not; the clock is off by 0.3 %."""
    t = np.arange(25_600) / 800.0
    line = 1e-3 * hum_mg * G * np.sin(2 * np.pi * 1.003 * hum_hz * t)
    found = 0
    for seed in range(10):
        log = log_of(bench_log(seed, seconds=32.0, modes=[(23.0, 0.015, 0.5), (91.0, 0.02, 0.2)]) + line)
        hums = [f for f in check_recording(log).findings if f.code == "mains-hum" and f.channel == "az"]
        found += bool(hums)
        for hum in hums if hum_mg >= 0.4 else []:
            assert f"{hum_hz:.0f} Hz" in hum.evidence
            assert hum.value == pytest.approx(1e-3 * hum_mg * G / math.sqrt(2), rel=0.25)
    assert low <= found <= high


@pytest.mark.parametrize(("share", "expected"), [(0.18, "note"), (0.22, "warning")])
def test_mains_hum_that_dominates(share, expected):
    x, t = white(channels=1)[0], np.arange(16_000) / 800.0
    hum = math.sqrt(2 * x.var() * share**2 / (1 - share**2))
    report = check_recording(log_of(x + hum * np.sin(2 * np.pi * 50.0 * t) * [[1.0]]))
    assert severity(report, "mains-hum") == expected


@pytest.mark.parametrize("frequency", [49.9, 50.0, 60.0])
@pytest.mark.parametrize("zeta", [0.01, 0.02])
@pytest.mark.parametrize("beat_s", [None, 2.0])
def test_a_mode_on_the_mains_frequency_is_not_hum(frequency, zeta, beat_s):
    for seed in range(5):
        log = log_of(bench_log(seed, seconds=32.0, modes=[(frequency, zeta, 0.5)], beat_s=beat_s))
        assert severity(check_recording(log), "mains-hum") is None


@pytest.mark.parametrize(
    ("tolerance_um", "expected"),
    [
        (1.27, "warning"),
        (1.29, "note"),
        (6.40, "note"),
        (6.43, None),
    ],
)
def test_noise_floor(tolerance_um, expected):
    """σ_x = 1.28276 µm for 100 µg/√Hz from 5 to 400 Hz: closed form, recomputed by hand."""
    report = check_recording(
        log_of(white(density=50 * MICRO_G)),
        tolerance_m=1e-6 * tolerance_um,
        lowest_frequency_hz=5.0,
        noise_density_m_s2_rthz=100 * MICRO_G,
    )
    assert severity(report, "noise-floor") == expected
    assert not report.blocked
    if expected:
        assert finding(report, "noise-floor").value == pytest.approx(1.28276e-6, rel=1e-5)


def test_noise_floor_from_the_log_alone():
    report = check_recording(log_of(white(density=400 * MICRO_G)), tolerance_m=1e-6, lowest_frequency_hz=2.0)
    assert finding(report, "noise-floor").value == pytest.approx(20.2822e-6, rel=0.1)  # closed form, 2 to 200 Hz and up
    assumed = check_recording(log_of(white(density=400 * MICRO_G)), tolerance_m=1e-6)
    assert "5 Hz (assumed)" in finding(assumed, "noise-floor").evidence
    shift = log_of(1e-6 * np.random.default_rng(0).standard_normal(16_000), unit="m")
    camera = check_recording(shift, tolerance_m=1e-6)
    assert finding(camera, "noise-floor").value == pytest.approx(1e-6, rel=0.1)  # white, nearly the whole band


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        (0.2, "note"),
        (0.3, None),
        (1.0, None),
        (1.8, None),
        (2.3, "note"),
        (3.6, "note"),
        (4.6, "warning"),
    ],
)
def test_noise_density(times, expected):
    report = check_recording(log_of(white(density=times * 100 * MICRO_G)), noise_density_m_s2_rthz=100 * MICRO_G)
    assert severity(report, "noise-density") == expected


def test_noise_density_of_bench_logs():
    """Measured between the moves within 10 %, in nine of ten channels; slow decays leave no quiet part."""
    found = []
    for seed in range(20):
        log = CheckedLog(recording=log_of(bench_log(seed)))
        found += [density / (100 * MICRO_G) for density in log.noise_density.values()]
    low, median, high = np.quantile(found, [0.05, 0.5, 0.95])
    assert 0.9 < low < median < high < 1.1
    assert median == pytest.approx(0.97, abs=0.02)  # choosing the quietest segments costs 3 %


# ------------------------------------------------------------------------------------------------ report and gate
def test_report_sorts_and_gate_names_the_finding():
    values = bench_log(2) / G
    values[:, 600] = np.nan
    report = check_recording(log_of(values, file="tray.csv"))
    assert [f.severity for f in report.findings] == sorted(
        (f.severity for f in report.findings), key=["fatal", "warning", "note"].index
    )
    assert {f.code for f in report.findings} >= {"unit", "dropped-samples"}
    require_fit(report, "modes")
    message = r"tray.csv is not fit for displacement: unit \(ax, ay, az\).*Cure: state the unit"
    with pytest.raises(BlockedAnalysisError, match=message):
        require_fit(report, "displacement")
    with pytest.raises(ValueError, match="analysis is 'mode'; it must be one of"):
        require_fit(report, "mode")


def test_a_finding_blocks_only_when_fatal():
    words = dict(code="x", evidence="", consequence="", advice="")
    with pytest.raises(ValueError, match="fatal findings block at least one"):
        Finding(severity="fatal", **words)
    with pytest.raises(ValueError, match="fatal findings block at least one"):
        Finding(severity="warning", blocks=("modes",), **words)
    with pytest.raises(ValueError, match="severity is 'bad'"):
        Finding(severity="bad", **words)


@pytest.mark.parametrize(
    ("stated", "message"),
    [
        (dict(tolerance_m=0.0), "tolerance_m is 0.0"),
        (dict(range_m_s2=math.nan), "range_m_s2 is nan"),
        (dict(gravity_axis="up"), "gravity_axis is 'up'"),
        (dict(windows=[(2.0, 1.0)]), "windows end is 1.0"),
        (dict(expected_rate_hz=-1.0), "expected_rate_hz is -1.0"),
    ],
)
def test_wrong_facts_are_refused(stated, message):
    with pytest.raises(ValueError, match=message):
        check_recording(log_of(white()), **stated)


@pytest.mark.parametrize(
    ("unit", "runs", "skips"),
    [
        (
            "px",
            {"clipping", "stuck", "quantisation", "drift"},
            {"unit", "gravity", "tilt", "noise-floor", "noise-density"},
        ),
        ("m", {"clipping", "stuck", "noise-floor"}, {"unit", "gravity", "tilt", "noise-density"}),
        ("count", {"clipping", "aliasing", "mains-hum"}, {"unit", "gravity", "tilt", "noise-floor"}),
        ("1", {"gaps", "sample-rate"}, {"dead-channel", "stuck", "clipping", "drift", "unit", "aliasing", "mains-hum"}),
    ],
)
def test_checks_that_make_sense_for_a_quantity(unit, runs, skips):
    report = check_recording(
        log_of(white(), unit=unit),
        tolerance_m=1.0,
        noise_density_m_s2_rthz=1e-3,
        expected_rate_hz=800.0,
    )
    assert runs <= set(report.passed) | {f.code for f in report.findings}
    assert skips <= set(dict(report.skipped)) and all(reason for _, reason in report.skipped)


@settings(max_examples=150, deadline=None)
@given(
    values=hnp.arrays(
        np.float64,
        st.tuples(st.integers(1, 4), st.integers(1, 400)),
        elements=st.floats(-1e9, 1e9) | st.sampled_from([0.0, 1.0, math.nan, math.inf, -math.inf]),
    ),
    unit=st.sampled_from(["m/s^2", "m", "px", "1", "count"]),
    rate_hz=st.sampled_from([0.1, 30.0, 800.0, 1e5]),
    windows=st.sampled_from([None, [(0.0, 0.1)], [(50.0, 60.0)]]),
)
def test_any_recording_gets_a_report(values, unit, rate_hz, windows):
    log = log_of(values, rate_hz=rate_hz, unit=unit)
    report = check_recording(log, tolerance_m=1e-6, range_m_s2=20.0, noise_density_m_s2_rthz=1e-3, windows=windows)
    codes = {f.code for f in report.findings} | set(report.passed) | set(dict(report.skipped))
    assert codes == set(CHECKS)


@pytest.mark.parametrize("rate_hz", [952.3, 1612.8, 3200.0])
def test_stamps_of_a_steady_clock_rounded_to_a_tenth_of_a_millisecond_are_no_jitter(tmp_path, rate_hz):
    """A true clock written with one decimal of a millisecond: its steps alternate between two values."""
    time = np.round(np.arange(6000) / rate_hz, 4)
    values = 9.8 + 0.01 * np.random.default_rng(1).standard_normal(time.size)
    path = tmp_path / "log.csv"
    np.savetxt(path, np.column_stack([time, values]), delimiter=",", header="t [s],az [m/s^2]", comments="", fmt="%.4f")
    report = check_recording(read_log(path))
    assert "jitter" in report.passed
