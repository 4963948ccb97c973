"""A run from its logs to numbers, against the truth that the generator of the demo wrote down."""

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest

import labkit as lab
from labkit.runs.facts import CameraFacts, RunFacts
from labkit.runs.runfolder import Run, RunLog

DATA = Path(__file__).parents[1] / "data"
RUNS = ("wren-hardboard", "wren-foot", "wren-steel")


def truth_of(name):
    truth = json.loads((DATA / name / "truth.json").read_text())
    return truth, [move for log in truth["logs"].values() for move in log["moves"]]


@pytest.mark.parametrize("name", RUNS)
def test_the_modes_are_the_true_ones(analysed, name):
    truth, _ = truth_of(name)
    found = analysed(name).modes
    assert len(found) == len(truth["modes"])
    for mode, true in zip(found, sorted(truth["modes"], key=lambda m: m["frequency_hz"])):
        # moves scatter by 0.3 % and 2 % around the stated values, so the mean of 13 does by a third of that
        assert mode.frequency_hz.value == pytest.approx(true["frequency_hz"], rel=0.004)
        assert mode.damping_ratio.value == pytest.approx(true["damping_ratio"], rel=0.05)
        assert mode.frequency_hz.interval.half_width < 0.01 * mode.frequency_hz.value


@pytest.mark.parametrize("name", RUNS)
@pytest.mark.parametrize("channel", ["ax", "az"])
def test_displacement_and_settling_are_the_true_ones(analysed, name, channel):
    _, moves = truth_of(name)
    axis = analysed(name).axis(channel)
    peak = np.mean([m["along_sensor"]["peak_displacement_m"][channel] for m in moves])
    assert axis.decay.peak_m.mean() == pytest.approx(peak, rel=0.1, abs=0.6e-6)
    true_s = np.mean([m["along_sensor"]["settling_s"][channel] for m in moves])
    mean = axis.settling.mean_s
    # three standard errors: six values are looked at, and the last crossing jumps by half a period
    assert abs(mean.value - true_s) < 3 * mean.standard_error + 0.003


def test_the_wait_is_the_last_axis_to_settle(analysed):
    run = analysed("wren-foot")
    times = np.array([axis.settling.times_s for axis in run.axes])
    np.testing.assert_array_equal(run.wait_s, times.max(axis=0))
    assert run.worst_channel == "ax"


def test_the_move_with_lost_samples_is_left_out_and_said(analysed):
    run = analysed("wren-hardboard")
    assert run.n_moves == 13
    assert any("left out" in note and "gap" in note for note in run.notes)
    assert [f.code for report in run.reports for f in report.findings if f.severity == "warning"] == ["gaps"]


def steady(unit="m/s^2", seconds=20.0, **channels):
    n = int(seconds * 800)
    rng = np.random.default_rng(4)
    values = np.stack([v + 0.01 * rng.standard_normal(n) for v in channels.values()])
    return lab.Recording(values=values, sample_rate_hz=800.0, channels=tuple(channels), unit=unit)


def as_run(recording, **facts):

    return Run(
        name="bench",
        folder=Path("."),
        facts=RunFacts(**facts),
        logs=(RunLog(file="log.csv", recording=recording),),
    )


def test_a_machine_without_moves_is_told_as_steady_vibration():
    t = np.arange(16_000) / 800
    pump = 0.5 * np.sin(2 * np.pi * 24.3 * t)
    analysis = lab.analyse_run(as_run(steady(ax=0 * t, ay=0 * t, az=9.80665 + pump)), tolerance_m=5e-6)
    assert analysis.axes == () and analysis.n_moves == 0 and len(analysis.wait_s) == 0
    expected = 0.5 / (2 * np.pi * 24.3) ** 2
    assert analysis.steady[0].rms_m[2] == pytest.approx(expected / np.sqrt(2), rel=0.02)
    assert "no move was found" in analysis.notes[0]


def test_pixels_need_the_object_pixel():

    t = np.arange(16_000) / 800
    camera = steady(unit="px", x=0.3 * np.sin(2 * np.pi * 10 * t))
    with pytest.raises(ValueError, match="pixel_um and magnification"):
        lab.analyse_run(as_run(camera))
    facts = CameraFacts(pixel_m=3.45e-6, magnification=0.5)
    analysis = lab.analyse_run(as_run(camera, camera=facts))
    assert analysis.steady[0].rms_m[0] == pytest.approx(0.3 * 6.9e-6 / np.sqrt(2), rel=0.02)


def clipped(log, highest):
    values = np.clip(log.recording.values, None, highest)
    return dataclasses.replace(log, recording=dataclasses.replace(log.recording, values=values))


def test_a_clipped_axis_is_left_out_and_the_wait_of_all_axes_is_not_told():
    run = lab.load_run(DATA / "wren-hardboard")
    analysis = lab.analyse_run(dataclasses.replace(run, logs=(clipped(run.logs[0], [[9.0], [9.0], [10.2]]),)))
    assert [axis.channel for axis in analysis.axes] == ["ax", "ay"] and analysis.unfit_channels == ("az",)
    assert len(analysis.wait_s) == 0


def test_a_log_clipped_on_every_axis_is_refused():
    run = lab.load_run(DATA / "wren-hardboard")
    with pytest.raises(lab.BlockedAnalysisError, match="clip"):
        lab.analyse_run(dataclasses.replace(run, logs=(clipped(run.logs[0], [[0.4], [0.08], [10.2]]),)))


def test_a_dead_channel_costs_one_axis_only():
    run = lab.load_run(DATA / "wren-steel")
    log = run.logs[0]
    values = log.recording.values.copy()
    values[1] = values[1, 0]
    dead = dataclasses.replace(log, recording=dataclasses.replace(log.recording, values=values))
    analysis = lab.analyse_run(dataclasses.replace(run, logs=(dead,)))
    assert [axis.channel for axis in analysis.axes] == ["ax", "az"]
    assert any("axis ay left out" in note for note in analysis.notes)


def test_logs_of_different_rates_do_not_mix():
    run = lab.load_run(DATA / "wren-foot")
    first = dataclasses.replace(run.logs[0].recording, sample_rate_hz=1000.0)
    logs = (dataclasses.replace(run.logs[0], recording=first), *run.logs[1:])
    with pytest.raises(ValueError, match="separate runs"):
        lab.analyse_run(dataclasses.replace(run, logs=logs))


def test_without_a_tolerance_there_is_no_settling_time():
    run = lab.load_run(DATA / "wren-steel")

    facts = dataclasses.replace(run.facts, camera=CameraFacts())
    analysis = lab.analyse_run(dataclasses.replace(run, facts=facts))
    assert all(axis.settling is None for axis in analysis.axes) and math.isnan(analysis.tolerance_m)
    assert analysis.axis("az").decay.peak_m.mean() > 3e-6
