"""Times of samples: the true rate from jittered arrivals, what is lost, clocks that leap or begin anew."""

import numpy as np
import pytest

from labkit.runs.live.line_protocol import parse_header
from labkit.runs.live.sample_clock import SampleClock

RATE = 3150.0


def streamed(header, numbers, *, rate_hz=3200.0, delay=None, block=32, made_s=None, clock=None, live=True):
    """Places rows block by block, as they would arrive; returns times, losses and the clock."""
    clock = clock or SampleClock(parse_header(header, source="sensor"), rate_hz=rate_hz, live=live)
    delay = np.zeros(len(numbers)) if delay is None else delay
    times, losses, arrival = [], [], 0.0
    for first in range(0, len(numbers), block):
        rows = numbers[first : first + block]
        last = min(first + block, len(numbers)) - 1
        arrival = max(arrival, (made_s[last] if made_s is not None else last / RATE) + delay[last])
        timed = clock.place(rows, arrival_s=100.0 + arrival)
        losses += [(len(times) + loss.row, loss) for loss in timed.losses]
        times += timed.time_s.tolist()
    return np.array(times), losses, clock


def rows_of(seq):
    return np.column_stack([seq, np.zeros(len(seq))]).astype(float)


@pytest.mark.parametrize("header", ["seq [mod 65536],ax [mg]", "ax [mg],ay [mg]"])
def test_the_true_rate_comes_from_the_arrivals_not_from_what_is_stated(header):
    rng = np.random.default_rng(3)
    n = int(60 * RATE)
    delay = rng.exponential(0.004, n) + (rng.random(n) < 0.002) * 0.2  # lines are late, some very
    times, losses, clock = streamed(header, rows_of(np.arange(n) % 65536), delay=delay)
    start = int(3 * RATE)  # the logger begins once the clock is ready
    assert clock.ready and not losses
    assert (n - 1 - start) / (times[-1] - times[start]) == pytest.approx(RATE, rel=2e-4)
    steps = np.diff(times[start:])
    assert steps.min() > 0 and np.ptp(steps) < 0.005 / RATE
    # against the true times, the whole run through, after the two constants that nobody can know
    error = times[start:] - np.arange(start, n) / RATE
    assert np.ptp(error) < 0.004


def test_a_backlog_that_comes_in_a_rush_does_not_bend_the_clock():
    """Three seconds of lines waited in a buffer and arrive at once: their rate is believed at no time."""
    n = int(20 * RATE)
    made = np.maximum(np.arange(n) / RATE, 3.0)
    times, _, _ = streamed("seq,ax [mg]", rows_of(np.arange(n)), made_s=made)
    start = int(8 * RATE)
    assert (n - 1 - start) / (times[-1] - times[start]) == pytest.approx(RATE, rel=1e-3)


def test_samples_lost_by_the_sequence_number_leave_their_place_free():
    seq = np.delete(np.arange(20_000), [5000, 5001, 12_000])
    times, losses, _ = streamed("seq [mod 4096],ax [mg]", rows_of(seq % 4096))
    assert [(row, loss.kind, loss.samples) for row, loss in losses] == [(5000, "sequence", 2), (11_998, "sequence", 1)]
    steps = np.diff(times) * RATE
    assert np.flatnonzero(steps > 1.5).tolist() == [4999, 11_997]
    assert steps[4999] == pytest.approx(3, rel=0.03) and steps[11_997] == pytest.approx(2, rel=0.03)


def test_repeated_rows_are_left_out():
    seq = np.array([0, 1, 2, 2, 3, 4])
    times, losses, _ = streamed("seq,ax [mg]", rows_of(seq), live=False)
    assert len(times) == 5 and [(row, loss.kind) for row, loss in losses] == [(3, "repeat")]


def test_without_numbers_a_loss_shows_by_the_lines_that_stay_late():
    n, lost = int(20 * RATE), 800
    made = np.arange(n) / RATE
    made[n // 2 :] += lost / RATE  # a quarter of a second is gone
    times, losses, _ = streamed("ax [mg],ay [mg]", rows_of(np.arange(n)), made_s=made)
    assert [loss.kind for _, loss in losses] == ["lateness"]
    row, loss = losses[0]
    assert loss.samples == pytest.approx(lost, rel=0.02)
    assert n // 2 <= row <= n // 2 + 0.6 * RATE
    assert times[-1] - times[int(3 * RATE)] == pytest.approx(made[-1] - made[int(3 * RATE)], rel=1e-3)


def test_lines_that_are_late_once_are_no_loss():
    n = int(15 * RATE)
    delay = np.zeros(n)
    delay[n // 2 : n // 2 + int(0.4 * RATE)] = 0.4
    times, losses, _ = streamed("ax [mg],ay [mg]", rows_of(np.arange(n)), delay=delay)
    assert not losses
    start = int(3 * RATE)
    assert (n - 1 - start) / (times[-1] - times[start]) == pytest.approx(RATE, rel=1e-3)


def test_a_sensor_that_begins_anew_is_timed_by_the_computer():
    """Unplugged for 1.5 s: numbers begin at 0 again, the gap is as long as the computer says."""
    before, after = np.arange(int(6 * RATE)), np.arange(int(3 * RATE))
    made = np.concatenate([before / RATE, 6 + 1.5 + after / RATE])
    times, losses, _ = streamed("seq,ax [mg]", rows_of(np.concatenate([before, after])), made_s=made)
    [(row, loss)] = losses
    assert (row, loss.kind) == (len(before), "restart")
    assert times[row] - times[row - 1] == pytest.approx(1.5, abs=0.03)


@pytest.mark.parametrize("bits", [16, 30, 32])
def test_a_clock_of_the_sensor_that_overflows_runs_on(bits):
    ticks = (np.arange(2000) * 312 + (1 << bits) - 100_000 * (bits > 16)) % (1 << bits)
    rows = np.column_stack([ticks, np.zeros(2000)]).astype(float)
    times, losses, _ = streamed("t [us],ax [mg]", rows)
    assert not losses and np.allclose(np.diff(times), 312e-6)


def test_lost_samples_by_the_clock_of_the_sensor():
    ticks = np.delete(np.arange(3000) * 313.0, [700, 701])
    times, losses, clock = streamed("t [us],ax [mg]", np.column_stack([ticks, ticks]))
    assert [(row, loss.kind, loss.samples) for row, loss in losses] == [(700, "clock", 2)]
    assert clock.rate_hz == pytest.approx(1e6 / 313)
    assert times[-1] == pytest.approx(2999 * 313e-6)


@pytest.mark.parametrize("leap_us", [-5e6, -10_000.0, 3e9])
def test_a_clock_of_the_sensor_that_leaps_is_not_believed(leap_us):
    """Set back, set forward, begun anew: the log goes on evenly, and says so."""
    ticks = np.arange(6000) * 312.5 + 1e7
    ticks[3000:] += leap_us
    times, losses, _ = streamed("t [us],ax [mg]", np.column_stack([ticks, ticks]))
    assert [(row, loss.kind) for row, loss in losses] == [(3000, "restart")]
    assert np.diff(times).min() > 0 and np.diff(times).max() < 0.02


def test_a_pause_of_the_connection_is_timed_by_the_computer():
    header = parse_header("seq,ax [mg]", source="sensor")
    clock = SampleClock(header, rate_hz=3200.0)
    first, _, _ = streamed("", rows_of(np.arange(int(5 * RATE))), clock=clock)
    clock.interrupted()
    timed = clock.place(rows_of(np.arange(32)), arrival_s=100.0 + 5.0 + 2.0)
    assert [loss.kind for loss in timed.losses] == ["pause"]
    assert timed.time_s[-1] - first[-1] == pytest.approx(2.0, rel=0.01)


def test_a_stored_stream_needs_a_rate_or_a_clock():
    with pytest.raises(ValueError, match="--rate-hz"):
        SampleClock(parse_header("seq,ax [mg]", source="file"), rate_hz=float("nan"), live=False)
