"""The demo runs of the Wren: made again to the byte, and their truth checked by a general-purpose integrator."""

import ast
import gzip
import importlib.util
import itertools
import json
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate
from scipy.spatial.transform import Rotation

DATA = Path(__file__).parents[1] / "data"
GENERATOR = DATA / "make_wren_runs.py"
RUNS = ["wren-hardboard", "wren-hardboard-repeat", "wren-foot", "wren-steel"]
MOVE_FIELDS = ["commanded_acceleration_m_s2", "speed_mm_s", "travel_mm", "jerk_m_s3"]


def truth_of(run):
    return json.loads((DATA / run / "truth.json").read_text(encoding="utf-8"))


def facts_of(run):
    return tomllib.loads((DATA / run / "run.toml").read_text(encoding="utf-8"))


def content(path):
    return gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_text(encoding="utf-8")


# ------------------------------------------------------------------------------------------- made again
@pytest.fixture(scope="module")
def made_again(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wren")
    spec = importlib.util.spec_from_file_location("make_wren_runs", GENERATOR)
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_wren_runs"] = module  # dataclasses look their module up
    try:
        spec.loader.exec_module(module)
        for setup in module.SETUPS:
            module.make_run(setup, folder / setup.name)
    finally:
        del sys.modules["make_wren_runs"]
    return folder


@pytest.mark.parametrize("run", RUNS)
def test_the_generator_makes_the_shipped_files_again(made_again, run):
    shipped = sorted(path.name for path in (DATA / run).iterdir())
    assert shipped == sorted(path.name for path in (made_again / run).iterdir())
    for name in shipped:
        # compressed bytes may differ with the zlib in use, what they hold may not
        assert content(DATA / run / name) == content(made_again / run / name), name


def test_the_generator_shares_no_code_with_the_analysis():
    tree = ast.parse(GENERATOR.read_text(encoding="utf-8"))
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {name.split(".")[0] for name in names} - sys.stdlib_module_names == {"numpy"}


def test_the_data_are_small_and_say_that_they_are_invented():
    assert sum(path.stat().st_size for path in DATA.rglob("*") if path.is_file()) < 5e6
    for run in RUNS:
        assert facts_of(run)["run"]["synthetic"] is True
        assert sum(len(log["moves"]) for log in truth_of(run)["logs"].values()) >= 12
        assert set(truth_of(run)["logs"]) == {log["file"] for log in facts_of(run)["log"]}


# ------------------------------------------------------------------------- the truth, computed another way
def head_acceleration(facts):
    """Times and values of the corner points of the head's acceleration, from the controller's settings.

    Built from the speed curve's symmetry instead of a list of jerks: ramp up, hold, ramp down, coast, mirrored.
    """
    a, v, s, j = (facts["move"][name] for name in MOVE_FIELDS)
    v, s = 1e-3 * v, 1e-3 * s
    half = [0.0, a / j, v / a, v / a + a / j]
    total = s / v + v / a + a / j
    times = np.array([*half, *(total - np.array(half[::-1]))])
    return times, np.array([0.0, a, a, 0.0, 0.0, -a, -a, 0.0])


def follow(modes, moves, corners, until_s):
    """States (q, q') of all modes just after the last move, integrated numerically from rest."""
    times, values = corners
    state = np.zeros((len(modes), 2))
    for move, stop in zip(moves, [*(m["start_s"] for m in moves[1:]), until_s]):
        omega = 2 * np.pi * np.array([m["frequency_hz"] for m in move["modes"]])
        zeta = np.array([m["damping_ratio"] for m in move["modes"]])
        push = -np.array([m["drive"] for m in modes]) * move["direction"] * move["gain"]

        def slope(t, y, start=move["start_s"], omega=omega, zeta=zeta, push=push):
            q, v = y.reshape(-1, 2).T
            force = push * np.interp(t - start, times, values)
            return np.stack([v, force - 2 * zeta * omega * v - omega**2 * q], axis=1).ravel()

        points = np.append(move["start_s"] + times, stop)
        for begin, end in itertools.pairwise(points):
            if end > begin:
                solved = integrate.solve_ivp(
                    slope,
                    (begin, end),
                    state.ravel(),
                    method="DOP853",
                    rtol=1e-9,
                    atol=1e-16,
                    dense_output=True,
                )
                state = solved.y[:, -1].reshape(-1, 2)
    return solved.sol, omega, zeta


@pytest.mark.parametrize("run", RUNS)
def test_truth_agrees_with_numerical_integration(run):
    """The second move, which starts on what the first has left."""
    truth, corners = truth_of(run), head_acceleration(facts_of(run))
    moves = next(iter(truth["logs"].values()))["moves"][:2]
    move = moves[-1]
    assert move["end_s"] - move["start_s"] == pytest.approx(corners[0][-1], abs=1e-7)
    solution, omega, zeta = follow(truth["modes"], moves, corners, move["end_s"] + move["rest_s"])
    shapes = np.array([m["shape_xyz"] for m in truth["modes"]])

    q, v = solution(move["end_s"]).reshape(-1, 2).T
    envelope = np.hypot(q, (v + zeta * omega * q) / (omega * np.sqrt(1 - zeta**2)))
    for k, mode in enumerate(move["modes"]):
        expected = dict(zip("xyz", np.abs(shapes[k]) * envelope[k]))
        assert mode["amplitude_at_end_m"] == pytest.approx(expected, rel=1e-5, abs=1e-12)

    t = np.linspace(0, move["rest_s"], 40_000, endpoint=False)
    ring = shapes.T @ solution(move["end_s"] + t)[0::2]
    check_after_move(move, t, dict(zip("xyz", ring)), truth["tolerance_m"])
    sensed = dict(zip(("ax", "ay", "az"), sensor_axes(truth).apply(ring.T).T))
    check_after_move(move["along_sensor"], t, sensed, truth["tolerance_m"])


def sensor_axes(truth):
    """Rotation from machine to sensor axes."""
    about_x, about_y = (
        Rotation.from_euler(axis, -tilt, degrees=True) for axis, tilt in zip("xy", truth["sensor"]["tilt_deg"])
    )
    return about_x * about_y


def check_after_move(stated, t, traces, tolerance_m):
    peaks = {axis: np.abs(trace).max() for axis, trace in traces.items()}
    assert stated["peak_displacement_m"] == pytest.approx(peaks, rel=1e-4)
    for axis, trace in traces.items():
        outside = np.flatnonzero(np.abs(trace) > tolerance_m)
        last = t[outside[-1]] if outside.size else 0.0
        assert last <= stated["settling_s"][axis] <= last + 2 * (t[1] - t[0])


# -------------------------------------------------------------------------------- the logs hold that truth
def table_of(run, name):
    """Seconds, m/s² and moving flag of a log, read by hand."""
    text = content(DATA / run / name).decode("utf-8-sig")
    separator = {"wren-foot": ";", "wren-steel": "\t"}.get(run, ",")
    lines = [line for line in text.splitlines() if line[0] in "0123456789"]
    rows = np.array(
        [[float(c.replace(",", ".") if separator == ";" else c) for c in line.split(separator)] for line in lines]
    )
    t_factor, a_factor = {"wren-foot": (1e-3, 9.80665e-3), "wren-steel": (1.0, 1.0)}.get(run, (1e-6, 9.80665))
    return t_factor * rows[:, 0], a_factor * rows[:, 1:4].T, rows[:, 4:].T


@pytest.mark.parametrize("run", RUNS)
def test_clock_gaps_and_trigger_are_as_stated(run):
    for name, log in truth_of(run)["logs"].items():
        t, _, moving = table_of(run, name)
        steps = np.diff(t) * log["true_rate_hz"]
        dropped = log["dropped"]["samples"] if log["dropped"] else 0
        assert t.size == log["samples_written"]
        assert (t.size + dropped - 1) / (t[-1] - t[0]) == pytest.approx(log["true_rate_hz"], rel=1e-5)
        assert steps.min() > 0
        assert np.flatnonzero(steps > 1.7).size == bool(dropped)
        if dropped:
            at = int(np.argmax(steps))
            assert round(steps[at]) == dropped + 1
            assert t[at + 1] == pytest.approx(log["dropped"]["to_s"], abs=1e-4)
            assert any(0.1 < log["dropped"]["from_s"] - m["end_s"] < 0.5 for m in log["moves"])
        if moving.size:
            falls = t[1:][np.diff(moving[0]) < 0]
            ends = np.array([m["end_s"] for m in log["moves"]])
            np.testing.assert_allclose(falls, ends + 0.5 / log["true_rate_hz"], atol=0.7 / log["true_rate_hz"])


@pytest.mark.parametrize("run", RUNS)
def test_the_log_is_the_true_motion_plus_the_stated_sensor(run):
    truth = truth_of(run)
    name, log = next(iter(truth["logs"].items()))
    move = log["moves"][0]
    solution, omega, zeta = follow(
        truth["modes"],
        [move],
        head_acceleration(facts_of(run)),
        move["end_s"] + move["rest_s"],
    )
    t, measured, _ = table_of(run, name)
    rest = (t > move["end_s"]) & (t < move["end_s"] + move["rest_s"])
    q, v = solution(t[rest]).reshape(len(omega), 2, -1).swapaxes(0, 1)
    true = np.array([m["shape_xyz"] for m in truth["modes"]]).T @ (
        -2 * (zeta * omega)[:, None] * v - (omega**2)[:, None] * q
    )
    sensor = truth["sensor"]
    turned = sensor_axes(truth).apply(true.T + np.array([0.0, 0.0, 9.80665])).T
    left = 1e3 / 9.80665 * (measured[:, rest] - turned)  # mg: zero offset, hum of unknown phase, noise
    phase = 2 * np.pi * sensor["hum_hz"] * t[rest]
    basis = np.vstack([np.ones(phase.size), np.sin(phase), np.cos(phase)])
    fitted = np.linalg.lstsq(basis.T, left.T, rcond=None)[0]
    noise = 1e-3 * sensor["noise_density_ug_rthz"] * np.sqrt(log["true_rate_hz"] / 2)
    error = noise / np.sqrt(phase.size)
    np.testing.assert_allclose(fitted[0], sensor["offset_mg"], atol=5 * error)
    np.testing.assert_allclose(np.hypot(*fitted[1:]), sensor["hum_mg"], atol=5 * error)
    np.testing.assert_allclose((left - fitted.T @ basis).std(axis=1), noise, rtol=0.05)
