"""A run on disk: which logs belong to it, what is said about them, and what is refused."""

import json
import os
import re
from pathlib import Path

import numpy as np
import pytest

from labkit.base import LogFormatError
from labkit.runs.runfolder import load_run

RATE_HZ = 500.0


def log_text(seed=0, *, header="t [s],ax [mg],az [mg],busy,hammer", n=200):
    rng = np.random.default_rng(seed)
    t = np.arange(n) / RATE_HZ
    columns = [t, rng.normal(0, 5, n), 1000 + rng.normal(0, 5, n), (t > 0.1) & (t < 0.2), 3 * (t > 0.1)]
    rows = (f"{a:.4f},{x:.2f},{z:.2f},{m:d},{f:.1f}" for a, x, z, m, f in zip(*columns))
    return "\n".join([header, *rows]) + "\n"


@pytest.fixture
def bench(tmp_path):
    """A folder with two logs; call it with the text of a run.toml."""
    folder = tmp_path / "birch"
    folder.mkdir()
    (folder / "b.csv").write_text(log_text(1))
    (folder / "a.csv").write_text(log_text(2))

    def with_run(text):
        (folder / "run.toml").write_text(text)
        return folder

    with_run.folder = folder
    return with_run


COLUMNS = 'columns = ["ax", "az"]\n'


def test_logs_come_in_the_order_of_run_toml_with_what_it_says(bench):
    run = load_run(
        bench(
            f'[machine]\nhead_mass_kg = 0.6\n[[log]]\nfile = "b.csv"\n{COLUMNS}trigger_column = "busy"\n'
            f'[[log]]\nfile = "a.csv"\n{COLUMNS}move_ends_s = [0.1, 0.2]\n'
        )
    )
    assert run.name == "birch" and run.facts.head_mass_kg == 0.6
    assert [log.file for log in run.logs] == ["b.csv", "a.csv"]
    first, second = run.logs
    assert first.recording.channels == ("ax", "az") and first.recording.unit == "m/s^2"
    assert first.recording.channel("az").mean() == pytest.approx(9.80665, rel=1e-2)
    assert first.recording.sample_rate_hz == pytest.approx(RATE_HZ)
    assert second.move_ends_s == (0.1, 0.2) and second.trigger is None and second.force is None


def test_trigger_and_force_are_recordings_on_the_same_clock(bench):
    run = load_run(
        bench(
            f'[[log]]\nfile = "a.csv"\n{COLUMNS}trigger_column = "busy"\nforce_column = "hammer"\n'
            'units = { hammer = "N" }\n'
        )
    )
    log = run.logs[0]
    assert log.trigger.values.max() == 1 and log.trigger.values.min() == 0
    assert log.force.unit == "N" and log.force.values.max() == 3.0
    for beside in (log.trigger, log.force):
        assert len(beside.channels) == 1
        np.testing.assert_array_equal(beside.time_s, log.recording.time_s)


def test_without_log_entries_all_logs_of_the_folder_are_read_by_name(bench):
    folder = bench("[run]\ntitle = 'all'\n")
    header = "t [s],ax [mg],az [mg],moving [trigger],hammer [N]"
    for name in ("a.csv", "b.csv"):
        (folder / name).write_text(log_text(header=header))
    (folder / "truth.json").write_text("{}")
    (folder / ".hidden.csv").write_text("no log")
    run = load_run(folder)
    assert [log.file for log in run.logs] == ["a.csv", "b.csv"]
    assert run.logs[0].recording.channels == ("ax", "az")
    assert run.logs[0].trigger.values.max() == 1 and run.logs[0].force.unit == "N"


def test_a_folder_without_run_toml_and_a_single_log_have_unknown_facts(bench):
    folder = bench.folder
    for name in ("a.csv", "b.csv"):
        (folder / name).write_text(log_text(header="t [s],ax [mg],az [mg],moving [trigger],hammer [N]"))
    assert [log.file for log in load_run(folder).logs] == ["a.csv", "b.csv"]
    run = load_run(folder / "b.csv")
    assert run.name == "b" and run.folder == folder and [log.file for log in run.logs] == ["b.csv"]
    assert run.facts.title == "" and np.isnan(run.facts.head_mass_kg)


def test_progress_counts_the_logs(bench):
    seen = []
    load_run(
        bench(f'[[log]]\nfile = "a.csv"\n{COLUMNS}[[log]]\nfile = "b.csv"\n{COLUMNS}'),
        progress=lambda *now: seen.append(now),
    )
    assert [now[1:] for now in seen] == [(0, 2), (1, 2), (2, 2)]


FAULTS = {
    "no such log": ('file = "c.csv"', 2, "no file 'c.csv'"),
    "nearly right": ('file = "aa.csv"', 2, "write 'a.csv'"),
    "upwards": ('file = "../x.csv"', 2, "leads out of the run's folder"),
    "upwards with backslashes": (r"file = '..\x.csv'", 2, "leads out"),
    "absolute": ('file = "/etc/hostname"', 2, "leads out"),
    "drive": (r"file = 'C:\logs\x.csv'", 2, "leads out"),
    "link": ('file = "link.csv"', 2, "leads out"),
    "nul": (r'file = "a\u0000.csv"', 2, "leads out"),
    "folder": ('file = "."', 2, "no file '.'"),
    "link to itself": ('file = "loop.csv"', 2, "no file 'loop.csv'"),
    "endless name": (f'file = "{"a" * 5000}"', 2, "no file"),
    "twice": ('file = "a.csv"\n[[log]]\nfile = "./a.csv"', 4, "a second time"),
    "no file": ('columns = ["ax"]', 1, "without file"),
    "unknown key": ('file = "a.csv"\nunit = "mg"', 3, "write units"),
    "second entry": ('file = "a.csv"\n[[log]]\nfile = "b.csv"\nscale = 0', 5, "other than 0"),
    "no unit": ('file = "a.csv"\nunits = { ax = 1 }', 3, "a known unit, or such units by column"),
    "unknown unit": ('file = "a.csv"\nunits = "mgg"', 3, "found 'mgg'"),
    "unknown time unit": ('file = "a.csv"\ntime_unit = "hours"', 3, "found 'hours'"),
    "unknown quantity": ('file = "a.csv"\nquantity = "vibration"', 3, "one of acceleration"),
    "column below 0": ('file = "a.csv"\ntrigger_column = -1', 3, "its number from 0"),
    "falling times": ('file = "a.csv"\nmove_ends_s = [2.0, 1.0]', 3, "rising list"),
    "no list": ('file = "a.csv"\ncolumns = "ax"', 3, "a list of columns"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_log_entries_are_checked_before_anything_is_read(bench, fault, tmp_path):
    text, line, words = FAULTS[fault]
    (tmp_path / "x.csv").write_text(log_text())
    os.symlink(tmp_path / "x.csv", bench.folder / "link.csv")
    os.symlink("loop.csv", bench.folder / "loop.csv")
    with pytest.raises(LogFormatError, match=re.escape(words)) as caught:
        load_run(bench(f"[[log]]\n{text}\n"))
    assert caught.value.line == line


def test_single_brackets_are_corrected(bench):
    with pytest.raises(LogFormatError, match=r"line 1: found \[log\]"):
        load_run(bench('[log]\nfile = "a.csv"\n'))


def test_nothing_there_and_nothing_in_it(tmp_path):
    with pytest.raises(LogFormatError, match="nothing there"):
        load_run(tmp_path / "nowhere")
    (tmp_path / "notes.md").write_text("no log")
    with pytest.raises(LogFormatError, match="no log file"):
        load_run(tmp_path)


def test_a_link_out_of_the_folder_is_not_followed(bench, tmp_path):
    (tmp_path / "x.csv").write_text(log_text())
    os.symlink(tmp_path / "x.csv", bench.folder / "c.csv")
    with pytest.raises(LogFormatError, match=r"c\.csv: found a link"):
        load_run(bench.folder)


def test_lost_samples_stay_in_the_recording_as_nan(bench):
    (bench.folder / "a.csv").write_text(re.sub(r"(?m)^0.1000,.*\n", "", log_text()))
    recording = load_run(bench(f'[[log]]\nfile = "a.csv"\n{COLUMNS}')).logs[0].recording
    assert recording.n_samples == 200 and np.flatnonzero(np.isnan(recording.values[0])).tolist() == [50]
    filled = load_run(bench(f'[[log]]\nfile = "a.csv"\n{COLUMNS}fill_gaps_shorter_ms = 5\n')).logs[0].recording
    assert filled.complete


def test_an_unknown_unit_is_not_passed_over_for_another_quantity(bench):
    (bench.folder / "a.csv").write_text(log_text(header="t [s],ax,gap [mm],moving,hammer [N]"))
    with pytest.raises(LogFormatError, match="ax"):
        load_run(bench('[[log]]\nfile = "a.csv"\n'))


def test_a_declared_trigger_comes_along_unless_it_is_dead(bench):
    header = "t [s],ax [mg],az [mg],moving,hammer [N]"
    (bench.folder / "a.csv").write_text(log_text(header=header))
    (bench.folder / "b.csv").write_text(re.sub(r",[01],(?=[03])", ",0,", log_text(header=header)))
    live, dead = load_run(bench(f'[[log]]\nfile = "a.csv"\n{COLUMNS}[[log]]\nfile = "b.csv"\n{COLUMNS}')).logs
    assert live.trigger is not None and live.force is not None
    assert dead.trigger is None and dead.force is not None


def test_the_quantity_beside_a_force_is_found(bench):
    (bench.folder / "a.csv").write_text(log_text(header="t [s],gap [mm],other [mm],moving,hammer [N]"))
    log = load_run(bench('[[log]]\nfile = "a.csv"\n')).logs[0]
    assert log.recording.unit == "m" and log.force.unit == "N" and log.trigger is not None


def test_raw_counts_without_titles_by_position(bench):
    (bench.folder / "a.csv").write_text(log_text().split("\n", 1)[1])
    log = load_run(
        bench(
            '[[log]]\nfile = "a.csv"\ncolumns = [1, 2]\nunits = "g"\nscale = 0.001\ntime_column = 0\ntime_unit = "s"\n'
            "trigger_column = 3\n"
        )
    ).logs[0]
    assert log.recording.values[1].mean() == pytest.approx(9.80665, rel=1e-2) and log.trigger.values.max() == 1


def test_a_fault_inside_a_log_names_the_log(bench):
    (bench.folder / "a.csv").write_text("nothing\nbut words\n")
    with pytest.raises(LogFormatError, match=r"a\.csv"):
        load_run(bench('[[log]]\nfile = "a.csv"\n'))


@pytest.mark.parametrize("run", ["wren-hardboard", "wren-hardboard-repeat", "wren-foot", "wren-steel"])
def test_the_demo_runs_load_as_they_were_made(run):
    folder = Path(__file__).parents[1] / "data" / run
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    loaded = load_run(folder)
    assert loaded.name == run and loaded.facts.synthetic
    assert loaded.facts.move.duration_s == pytest.approx(truth["move_duration_s"])
    assert loaded.facts.camera.tolerance_resolved_m == pytest.approx(truth["tolerance_m"])
    assert [log.file for log in loaded.logs] == list(truth["logs"])
    for log in loaded.logs:
        true, recording = truth["logs"][log.file], log.recording
        assert recording.channels == ("ax", "ay", "az")
        assert recording.sample_rate_hz == pytest.approx(true["true_rate_hz"], rel=1e-5)
        assert recording.start_s == pytest.approx(true["first_sample_s"], abs=1e-4)
        lost = np.flatnonzero(np.isnan(recording.values[0]))
        first, samples = ((true["dropped"] or {}).get(key, 0) for key in ("first_sample", "samples"))
        assert lost.tolist() == list(range(first, first + samples))
        ends = np.array([move["end_s"] for move in true["moves"]])
        if log.trigger:
            falls = log.trigger.time_s[1:][np.diff(np.nan_to_num(log.trigger.values[0])) < 0]
            np.testing.assert_allclose(falls, ends, atol=2 / recording.sample_rate_hz)
        else:
            np.testing.assert_allclose(log.move_ends_s, ends, atol=1e-4)
