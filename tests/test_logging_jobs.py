"""`labkit log` as a builder meets it, from a stored stream, and the panel of the notebook on a pretend sensor."""

import math
import os
import time

import numpy as np
import pytest

from labkit.__main__ import main
from labkit.jobs.level_meter import meter_lines, status_line, strip
from labkit.runs.live.byte_source import open_source
from labkit.runs.live.live_window import Level
from labkit.runs.live.log_plan import LoggerStatus, LogPlan
from labkit.runs.live.pretend_sensor import PretendSensor, invented_motion
from labkit.runs.recording import Recording
from labkit.show.log_widget import LogPanel, StripChart, run_form

RATE = 800.0


@pytest.fixture
def sent(tmp_path):
    """Ten seconds of a stored stream: invented motion with noise, in µg, with the sensor's own clock."""
    n = int(10 * RATE)
    motion, moving = invented_motion(np.arange(n) / RATE, period_s=2.5)
    motion += np.random.default_rng(2).normal(0, 0.01, motion.shape)
    steps = np.round(motion / 9.80665e-6).astype(int)
    lines = [f"{i * 1250},{x},{y},{z},{int(m)}" for i, ((x, y, z), m) in enumerate(zip(steps.tolist(), moving))]
    path = tmp_path / "sent.txt"
    path.write_text("t [us],ax [ug],ay [ug],az [ug],trigger\n" + "\n".join(lines) + "\n")
    return path


def test_a_log_is_made_checked_and_analysed(sent, tmp_path, capsys):
    run = tmp_path / "run"
    options = ["--set", "panel.thickness_mm=4", "--set", "camera.tolerance_um=20", "--note", "first"]
    assert main(["log", str(sent), str(run), *options]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "CAUTION: Moving axes pinch" in out and "Tether the sensor" in out and "drives off" in out
    assert "8000 rows at 800 Hz, 0 samples lost" in out and "KEEP" in out
    assert "# note: first" in (run / "log-001.csv").read_text()
    assert main(["analyse", str(run)]) == 0
    assert "settles within ±20 µm" in capsys.readouterr().out


def test_a_log_with_too_few_moves_is_to_be_repeated(sent, tmp_path, capsys):
    assert main(["log", str(sent), str(tmp_path / "run"), "--moves", "9"]) == 1
    assert "REPEAT: 4 of 9 moves were made" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--set", "panel.thickness=4"], "did you mean"),
        (["--set", "thickness"], "must be KEY=VALUE"),
        (["--on-trigger", "--on-level", "2"], "not both"),
        (["--on-level", "-2"], "level_m_s2"),
        (["--name", "../x"], "without a folder"),
    ],
)
def test_options_that_cannot_be_are_refused(sent, tmp_path, capsys, options, words):
    assert main(["log", str(sent), str(tmp_path / "run"), *options]) == 2
    assert words in capsys.readouterr().err
    assert not list(tmp_path.glob("run/log*"))


def test_a_missing_port_and_a_present_run_file_are_said(sent, tmp_path, capsys):
    assert main(["log", "/dev/ttyNoSuchPort7", str(tmp_path / "run")]) == 2
    assert "cannot be opened" in capsys.readouterr().err
    assert main(["log", str(sent), str(tmp_path / "run"), "--set", "panel.thickness_mm=4"]) == 2
    assert "leave --set out" in capsys.readouterr().err


def test_a_folder_whose_name_is_no_utf8(sent, tmp_path, capsys):
    assert main(["log", str(sent), os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9"), "--seconds", "8"]) == 0
    assert r"caf\xe9" in capsys.readouterr().out


def test_a_camera_is_recorded_beside_it(sent, tmp_path, capsys):
    """The stored stream is over at once, and so is the clip; a camera that fails does not stop the log."""
    camera = ["--camera", "testsrc2=size=32x32:rate=30", "--camera-format", "lavfi"]
    assert main(["log", str(sent), str(tmp_path / "run"), *camera]) == 0
    assert (tmp_path / "run" / "clip-001.mkv").stat().st_size > 0
    assert main(["log", str(sent), str(tmp_path / "run"), "--camera", "/dev/video97"]) == 0
    assert "no clip: /dev/video97 cannot be opened" in capsys.readouterr().out


# ------------------------------------------------------------------------------------------------- what is seen
def level(**changes):
    return Level(**{"name": "az", "unit": "m/s^2", "mean": 9.8, "rms": 0.1, "peak": 0.4, "largest": 10.2} | changes)


def test_meters_show_decades_and_warn_near_full_scale():
    quiet, loud = (meter_lines((level(peak=p),), None, range_si=20.0)[0].count("█") for p in (0.02, 2.0))
    assert (quiet, loud) == (6, 18)  # three decades and one below full scale, 24 steps for four
    assert "NEAR FULL SCALE" in meter_lines((level(largest=19.7),), None, range_si=20.0)[0]
    assert "NEAR FULL SCALE" not in meter_lines((level(largest=19.7),), None)[0]
    assert meter_lines((level(peak=0.0),), None)[0].count("█") == 0


def test_strips_survive_gaps():
    values = np.sin(np.arange(400.0))
    values[100:150] = math.nan
    assert strip(values)[10:15] == " " * 5 and strip(values)[20] == "█"
    assert strip(np.full(400, math.nan)) == " " * 40


def test_the_status_says_what_happens():
    status = LoggerStatus(
        state="logging",
        time_s=12.34,
        n_samples=39488,
        n_lost=5,
        n_faults=2,
        n_moves=3,
        rate_hz=3199.9,
        levels=(),
        path=None,
    )
    assert status_line(status, n_moves=12) == (
        "logging 12.3 s, move 3 of 12, 39488 rows, 3199.9 Hz, 5 lost, 2 bad lines"
    )


def test_the_panel_logs_draws_and_says_keep_or_repeat(tmp_path):
    with PretendSensor(rate_hz=800, period_s=1.0) as sensor:
        plan = LogPlan(folder=tmp_path, begin="on command", n_moves=3, rest_s=0.2, duration_s=3.0, pretrigger_s=0.2)
        panel = LogPanel(lambda: open_source(sensor.port), plan, range_si=160.0)
        panel.begin()
        limit = time.monotonic() + 20
        while "press start" not in panel._state.value and time.monotonic() < limit:
            time.sleep(0.05)
        panel.start()
        summary = panel.wait()
    assert summary.n_moves >= 1 and len(summary.paths) == 1
    assert 'alt="strip chart of the last seconds: ax: peak' in panel._picture.value
    assert set(panel._meters) == {"ax", "ay", "az"}
    assert "REPEAT" in panel._verdict.value or "KEEP" in panel._verdict.value
    assert "done" in panel._state.value


def test_the_panel_says_what_is_wrong_with_the_port(tmp_path):
    panel = LogPanel(lambda: open_source("/dev/ttyNoSuchPort7"), LogPlan(folder=tmp_path))
    panel.begin()
    assert "cannot be opened" in panel._state.value
    with pytest.raises(ValueError, match="connect first"):
        panel.wait()


def test_no_peak_is_missed_in_the_strip_chart():
    values = np.zeros(20_000)
    values[7_777] = 5.0
    log = Recording(values=[values], sample_rate_hz=3200.0, channels=["az"], unit="m/s^2")
    chart = StripChart()
    chart.draw(log)
    assert np.nanmax(chart._lines["az"].get_ydata()) == pytest.approx(5.0, rel=1e-3)


def test_the_form_writes_a_run_file_once(tmp_path):
    form = run_form(tmp_path)
    folds, button, answer = form.children
    boxes = {box.description: box for fold in folds.children for box in fold.children}
    boxes["thickness_mm"].value = "4"
    button.click()
    assert "thickness_mm = 4.0" in (tmp_path / "run.toml").read_text() and "made" in answer.value
    button.click()
    assert "is there already" in answer.value
