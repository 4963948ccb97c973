"""`labkit drift` as a builder meets it, and the tables of looks that it reads."""

import argparse
import json
import math

import numpy as np
import pytest

from labkit.base import LogFormatError
from labkit.jobs import drift_jobs
from labkit.runs.looksfile import read_looks
from labkit.runs.recording import Recording
from labkit.show.camera import displacement_log


def run(capsys, *arguments):
    parser = argparse.ArgumentParser()
    drift_jobs.add_jobs(parser.add_subparsers())
    options = parser.parse_args(["drift", *map(str, arguments)])
    code = options.job(options)
    captured = capsys.readouterr()
    return code, " ".join(captured.out.split()), captured.err


@pytest.fixture(scope="module")
def looks(tmp_path_factory):
    """Uneven looks over three hours; 12 µm to go with 25 minutes; a thermometer that warms up likewise."""
    rng = np.random.default_rng(31)
    minutes = np.cumsum(rng.uniform(1.0, 4.0, 70)).round(2)
    position = 12.0 * -np.expm1(-(minutes - minutes[0]) / 25.0) + 0.2 * rng.standard_normal(70)
    degrees = 21.0 + 2.0 * np.sin(minutes / 15.0)
    path = tmp_path_factory.mktemp("drift") / "looks.csv"
    rows = [f"{t:.2f};{x:.2f};{c:.2f}" for t, x, c in zip(minutes, position, degrees)]
    path.write_text("# fiducial under the camera\ntime [min];position [um];temperature [C]\n" + "\n".join(rows) + "\n")
    return path


def test_looks_give_a_law_a_wait_and_a_picture(capsys, looks, tmp_path):
    picture = tmp_path / "drift.png"
    code, said, err = run(
        capsys, looks, "--looks", "--tolerance-um", 1, "--job-min", 10, "--temperature", looks, "--plot", picture
    )
    assert code == 0 and "time constant of 2" in said and "on the record's clock, drift over a job of 10 min" in said
    assert "No effect of temperature" in said
    assert picture.stat().st_size > 5000 and "wrote" in err


def test_json_holds_the_numbers(capsys, looks):
    _, said, _ = run(capsys, looks, "--looks", "--tolerance-um", 1, "--job-min", 10, "--json")
    found = json.loads(said)
    tau = found["drift"]["time_constants_s"][0]
    assert tau["interval"]["low"] < 1500 < tau["interval"]["high"]
    truth = looks_start(looks) + 1500 * math.log(12 * -math.expm1(-600 / 1500))
    wait = found["wait"]["wait_s"]["interval"]
    assert wait["low"] < truth < wait["high"]
    assert "draws" not in found["drift"]


def looks_start(path):
    return read_looks(path, what="position").time_s[0]


def test_a_log_of_the_camera_is_averaged_first(capsys, tmp_path):
    rng = np.random.default_rng(32)
    t = np.arange(0, 1200, 0.2)
    x = 8e-6 * -np.expm1(-t / 250) + 5e-6 * np.sin(2 * np.pi * 1.3 * t) + 0.3e-6 * rng.standard_normal(t.size)
    log = tmp_path / "camera.csv"
    log.write_text(displacement_log(Recording(values=[x], sample_rate_hz=5.0, channels=["x"], unit="m")))
    code, said, _ = run(capsys, log, "--window-s", 10, "--json")
    found = json.loads(said)["drift"]
    tau = found["time_constants_s"][0]["interval"]
    assert code == 0 and tau["low"] < 250.0 < tau["high"]
    assert any("averaged out" in words for words in found["sentences"])


def test_tolerance_and_job_belong_together(capsys, looks):
    with pytest.raises(ValueError, match="belong together"):
        run(capsys, looks, "--looks", "--tolerance-um", 1)


@pytest.mark.parametrize(
    "text, words",
    [
        ("position [um]\n1\n2\n", "no column for the time"),
        ("time,position [um]\n0,1\n1,2\n", "without a unit"),
        ("time [min],position [furlong]\n0,1\n1,2\n", "furlong"),
        ("time [min],position [um]\n5,1\n3,2\n", "line 3.*times that grow"),
        ("time [min],position [um]\n5,1\n6,x\n", "line 3.*a number"),
    ],
)
def test_tables_that_leave_something_open_are_errors(tmp_path, text, words):
    path = tmp_path / "looks.csv"
    path.write_text(text)
    with pytest.raises(LogFormatError, match=words):
        read_looks(path, what="position")


def test_hours_and_degrees(tmp_path):
    path = tmp_path / "room.csv"
    path.write_text("t [h],temp [°C]\n0,20.5\n1.5,21\n")
    room = read_looks(path, what="temperature")
    assert room.time_s.tolist() == [0.0, 5400.0] and room.values.tolist() == [20.5, 21.0]
    path.write_text("t [h],temp [F]\n0,20.5\n1.5,21\n")
    with pytest.raises(LogFormatError, match="temperature"):
        read_looks(path, what="temperature")
