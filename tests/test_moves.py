"""Moves found in logs made here, with known ends."""

import math

import numpy as np
import pytest

from labkit.analyse.moves import find_moves, rests
from labkit.runs.recording import Recording

RATE = 1600.0
DURATION = 0.30  # start pulse, coast, stop pulse
STARTS = (1.0, 3.1, 5.3, 7.2)


def bench_log(*, noise=0.02, frequency=22.0, zeta=0.03, starts=STARTS, length=9.5, seed=1, gain=1.0):
    """Acceleration of a panel that is kicked at the start and the stop of each move (own impulse responses)."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(length * RATE)) / RATE
    values = np.stack([0.1 * np.ones_like(t), 9.8 * np.ones_like(t)])
    for start in starts:
        for at, sign in ((start, 1.0), (start + DURATION, -1.0)):
            s = np.maximum(t - at, 0.0)
            w = 2 * np.pi * frequency
            ring = np.exp(-zeta * w * s) * np.sin(w * s) * (t >= at)
            values += sign * gain * np.array([[0.6], [1.5]]) * ring
    values += noise * rng.standard_normal(values.shape)
    return Recording(values=values, sample_rate_hz=RATE, channels=("ax", "az"), unit="m/s^2")


def ends_of(found):
    return np.array([move.end_s for move in found.moves])


def test_known_duration_gives_the_end_within_milliseconds():
    found = find_moves(bench_log(), move_duration_s=DURATION)
    assert found.source == "acceleration"
    np.testing.assert_allclose(ends_of(found), np.array(STARTS) + DURATION, atol=0.004)


def test_unknown_duration_is_estimated_and_says_so():
    found = find_moves(bench_log(zeta=0.08))
    late = ends_of(found) - np.array(STARTS) - DURATION
    assert (late > -0.005).all() and (late < 0.15).all()
    assert "estimated from its burst" in found.notes[0]
    assert all(move.end_uncertainty_s >= abs(d) / 2 for move, d in zip(found.moves, late))


def test_trigger_edges_win_and_noise_on_the_trigger_makes_no_extra_moves():
    log = bench_log()
    level = np.zeros(log.n_samples)
    for start in STARTS:
        level[(log.time_s >= start) & (log.time_s < start + DURATION)] = 3.3
    level += 0.1 * np.random.default_rng(3).standard_normal(level.size)
    trigger = Recording(values=[level], sample_rate_hz=RATE, channels=("trig",), unit="1")
    found = find_moves(log, trigger)
    assert found.source == "trigger"
    np.testing.assert_allclose(ends_of(found), np.array(STARTS) + DURATION, atol=1.01 / RATE)
    np.testing.assert_allclose([m.start_s for m in found.moves], STARTS, atol=1.01 / RATE)


def test_rising_edge_can_mark_the_end():
    log = bench_log()
    level = np.ones(log.n_samples)
    for start in STARTS:
        level[(log.time_s >= start) & (log.time_s < start + DURATION)] = 0.0
    trigger = Recording(values=[level], sample_rate_hz=RATE, channels=("ready",), unit="1")
    np.testing.assert_allclose(
        ends_of(find_moves(log, trigger, end_edge="rising")), np.array(STARTS) + DURATION, atol=1.01 / RATE
    )


def test_given_times_are_kept_and_rests_end_before_the_next_move():
    ends = tuple(s + DURATION for s in STARTS)
    found = find_moves(bench_log(), move_ends_s=ends)
    assert found.source == "given" and tuple(ends_of(found)) == ends
    for move, following in zip(found.moves, STARTS[1:]):
        assert following - 0.06 < move.rest_end_s <= following


@pytest.mark.parametrize(
    ("ends", "match"),
    [((1.3, 99.0), "99"), ((1.3, 1.3), "rise"), ((-1.0,), "-1"), ((math.nan,), "finite")],
)
def test_impossible_times_are_refused(ends, match):
    with pytest.raises(ValueError, match=match):
        find_moves(bench_log(), move_ends_s=ends)


def test_weak_moves_of_one_axis_are_found_beside_noisy_quiet_ones():
    """0.1 m/s² on one axis under 0.05 m/s² of noise on each: 9 µm at 17 Hz, three times a usual tolerance."""
    log = bench_log(noise=0.05, frequency=17.0, zeta=0.03, gain=0.07)
    found = find_moves(log, move_duration_s=DURATION)
    np.testing.assert_allclose(ends_of(found), np.array(STARTS) + DURATION, atol=0.03)


def test_a_machine_at_rest_has_no_moves():
    for seed in range(20):
        found = find_moves(bench_log(starts=(), seed=seed))
        assert found.moves == () and found.left_out == ()


def test_steady_vibration_has_no_moves():
    t = np.arange(int(10 * RATE)) / RATE
    values = np.sin(2 * np.pi * 12 * t) + 0.3 * np.sin(2 * np.pi * 50 * t)
    log = Recording(values=[values], sample_rate_hz=RATE, channels=("az",), unit="m/s^2")
    assert find_moves(log).moves == ()


def test_missing_samples_cut_the_rest_or_leave_the_move_out():
    log = bench_log()
    values = log.values.copy()
    early, late = round((STARTS[1] + DURATION + 0.2) * RATE), round((STARTS[2] + DURATION + 1.2) * RATE)
    values[:, early : early + 40] = np.nan
    values[:, late : late + 40] = np.nan
    found = find_moves(
        Recording(values=values, sample_rate_hz=RATE, channels=log.channels, unit=log.unit), move_duration_s=DURATION
    )
    assert len(found.moves) == 3 and len(found.left_out) == 1
    assert found.left_out[0][0] == pytest.approx(STARTS[1] + DURATION, abs=0.005)
    assert found.moves[1].rest_end_s == pytest.approx(late / RATE, abs=2 / RATE)
    assert all(np.isfinite(d).all() for d in rests(log, found.moves, channel="az"))


def test_a_trigger_that_never_changes_is_refused():
    log = bench_log()
    flat = Recording(values=[np.ones(log.n_samples)], sample_rate_hz=RATE, channels=("trig",), unit="1")
    with pytest.raises(ValueError, match="never changes"):
        find_moves(log, flat)
