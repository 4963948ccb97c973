"""Moves: limits, joins, batches, shaping; what is refused."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.decay import pole
from labkit.model.move import (
    MoveProfile,
    declared_profile,
    end_states,
    mode_states,
    move_profile,
    residual_amplitude,
    sampled_profile,
)
from labkit.model.pulses import PULSE_SHAPES, pulse_maximax, pulse_residual
from labkit.model.shaping import shaped, shaper_residual, zero_vibration_shaper
from labkit.runs.facts import MoveFacts

LIMITS = {
    "travel_m": st.floats(1e-4, 1.0),
    "speed_m_s": st.floats(0.01, 2.0),
    "acceleration_m_s2": st.floats(0.1, 50.0),
    "jerk_m_s3": st.one_of(st.none(), st.floats(1.0, 1e5)),
}


@settings(max_examples=200, deadline=None, derandomize=True)
@given(limits=st.fixed_dictionaries(LIMITS))
def test_moves_go_from_rest_to_rest_within_their_limits(limits):
    move = move_profile(**limits)
    assert float(move.travel_m) == pytest.approx(limits["travel_m"], rel=1e-9)
    assert float(move.end_speed_m_s) == pytest.approx(0.0, abs=1e-9 * limits["speed_m_s"])
    spans = np.diff(move.breaks_s)
    starts = move.coefficients[:, 0]
    ends = starts + move.coefficients[:, 1] * spans
    assert np.abs([starts, ends]).max() <= limits["acceleration_m_s2"] * (1 + 1e-9)
    speeds = np.cumsum(spans * (starts + ends) / 2)
    assert speeds.max() <= limits["speed_m_s"] * (1 + 1e-9)
    if limits["jerk_m_s3"] is not None:
        assert np.abs(move.coefficients[:, 1]).max() <= limits["jerk_m_s3"] * (1 + 1e-9)
        live = spans > 1e-12  # no jump of the acceleration at a join
        starts, ends = starts[live], ends[live]
        jumps = np.concatenate([starts[:1], starts[1:] - ends[:-1], ends[-1:]])
        assert np.abs(jumps).max() <= 1e-7 * limits["acceleration_m_s2"]


@settings(max_examples=200, deadline=None, derandomize=True)
@given(limits=st.fixed_dictionaries(LIMITS))
def test_duration_is_that_of_the_declared_move(limits):
    facts = MoveFacts(
        commanded_acceleration_m_s2=limits["acceleration_m_s2"],
        travel_m=limits["travel_m"],
        speed_m_s=limits["speed_m_s"],
        jerk_m_s3=math.nan if limits["jerk_m_s3"] is None else limits["jerk_m_s3"],
    )
    assert float(declared_profile(facts).duration_s) == pytest.approx(facts.duration_s, rel=1e-9)


def test_no_faster_move_exists_for_a_long_way():
    """A long move takes s/v plus one ramp: nothing within the limits is faster."""
    move = move_profile(travel_m=1.0, speed_m_s=0.5, acceleration_m_s2=4.0, jerk_m_s3=200.0)
    assert float(move.duration_s) == pytest.approx(1.0 / 0.5 + 0.5 / 4.0 + 4.0 / 200.0)


def test_a_batch_is_the_same_moves_one_by_one():
    accelerations = np.array([1.0, 4.0, 9.0, 25.0])
    rest = {"travel_m": 0.02, "speed_m_s": 0.2, "jerk_m_s3": 300.0}
    poles = pole([12.0, 47.0, 90.0], damping_ratio=[0.01, 0.02, 0.05])
    batch = end_states(move_profile(acceleration_m_s2=accelerations, **rest), poles)
    single = [end_states(move_profile(acceleration_m_s2=a, **rest), poles) for a in accelerations]
    assert batch == pytest.approx(np.array(single), rel=1e-12)


def test_batches_broadcast_against_cells_of_modes():
    profiles = move_profile(travel_m=0.02, speed_m_s=0.2, acceleration_m_s2=np.array([1.0, 4.0, 9.0]))
    poles = pole(np.array([[[12.0, 30.0]], [[15.0, 40.0]]]), damping_ratio=0.02)
    assert end_states(profiles, poles).shape == (2, 3, 2)
    assert end_states(profiles, poles)[1, 2] == pytest.approx(
        end_states(move_profile(travel_m=0.02, speed_m_s=0.2, acceleration_m_s2=9.0), poles[1, 0])
    )


def test_states_start_at_rest_and_join_the_ringing():
    move = move_profile(travel_m=0.02, speed_m_s=0.2, acceleration_m_s2=4.0, jerk_m_s3=200.0)
    poles = pole([20.0, 60.0], damping_ratio=0.03)
    end = float(move.duration_s)
    states = mode_states(move, poles, time_s=[-1.0, 0.0, end, end + 0.1])
    assert not states[:2].any()
    assert states[2] == pytest.approx(end_states(move, poles), rel=1e-12)
    assert states[3] == pytest.approx(states[2] * np.exp(0.1 * poles), rel=1e-12)


@pytest.mark.parametrize(
    ("ramp_s", "coast_s", "rise_s"),
    [(0.08, 0.117, 0.013), (0.053, 0.147, 0.013), (0.053, 0.117, 0.04)],
    ids=["ramp", "start to stop", "jerk"],
)
def test_a_move_of_whole_periods_leaves_an_undamped_mode_at_rest(ramp_s, coast_s, rise_s):
    """sin(ωt_a/2)·sin(ω(t_a + t_c)/2)·sinc(f·t_j) = 0 at 25 Hz when one of the times is 40, 80, 200 ms."""
    a, speed = 5.0, 5.0 * ramp_s
    travel = speed * (ramp_s + coast_s)
    move = move_profile(travel_m=travel, speed_m_s=speed, acceleration_m_s2=a, jerk_m_s3=a / rise_s)
    left = residual_amplitude(move, frequency_hz=[25.0, 26.0], damping_ratio=0.0) / (a / (2 * np.pi * 25.0) ** 2)
    assert left[0] < 1e-9 < 1e-2 < left[1]


def test_the_mode_with_a_whole_number_of_periods_is_the_only_quiet_one():
    move = move_profile(travel_m=0.028, speed_m_s=0.2, acceleration_m_s2=5.0)  # ramps of 40 ms = one period at 25 Hz
    left = residual_amplitude(move, frequency_hz=[24.0, 25.0, 26.0], damping_ratio=0.0)
    assert left[1] < 1e-12 < 1e-6 < min(left[0], left[2])


def test_a_log_of_the_move_gives_what_the_move_gives():
    move = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=4.0, jerk_m_s3=400.0)
    rate = 20_000.0
    log = move.acceleration_m_s2(np.arange(int(float(move.duration_s) * rate) + 2) / rate)
    poles = pole([20.0, 55.0], damping_ratio=0.02)
    time = [float(move.duration_s) + 0.05]
    direct = mode_states(move, poles, time_s=time)
    logged = mode_states(sampled_profile(log, sample_rate_hz=rate), poles, time_s=time)
    assert logged == pytest.approx(direct, rel=1e-5)


def test_the_log_may_end_before_the_acceleration_is_zero():
    profile = sampled_profile([1.0, 1.0], sample_rate_hz=10.0)
    assert float(profile.end_speed_m_s) == pytest.approx(0.1)
    assert float(profile.travel_m) == pytest.approx(0.005)


def test_higher_polynomials_are_exact():
    """a = t³ on λ = −1 + 2i against numerical quadrature of the convolution."""
    profile = MoveProfile(breaks_s=np.array([0.0, 2.0]), coefficients=np.array([[0.0, 0.0, 0.0, 1.0]]))
    mode = np.array([-1.0 + 2.0j])
    nodes, weights = np.polynomial.legendre.leggauss(40)
    tau = 1.0 + nodes
    expected = np.sum(weights * np.exp(mode * (2.0 - tau)) * tau**3)
    assert end_states(profile, mode)[0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("n_impulses", [2, 3, 4])
def test_shaped_moves_keep_travel_and_leave_the_mode_at_rest(n_impulses):
    move = move_profile(travel_m=0.05, speed_m_s=0.3, acceleration_m_s2=6.0, jerk_m_s3=500.0)
    shaper = zero_vibration_shaper(33.0, damping_ratio=0.04, n_impulses=n_impulses)
    quiet = shaped(move, shaper)
    assert float(quiet.travel_m) == pytest.approx(0.05)
    assert float(quiet.end_speed_m_s) == pytest.approx(0.0, abs=1e-12)
    assert float(quiet.duration_s) == pytest.approx(float(move.duration_s) + shaper.delays_s[-1])
    typical = 6.0 / (2 * np.pi * 33) ** 2
    assert residual_amplitude(quiet, frequency_hz=33.0, damping_ratio=0.04)[0] < 1e-9 * typical


def test_shaping_moves_higher_polynomials_too():
    cubic = MoveProfile(breaks_s=np.array([0.0, 0.5, 1.0]), coefficients=np.array([[1.0, 2, 3, 4], [0.5, 0, -1, 2]]))
    shaper = zero_vibration_shaper(1.6, damping_ratio=0.1, n_impulses=3)
    time = np.linspace(0.013, 1.9, 57)
    copies = [w * cubic.acceleration_m_s2(time - d) for d, w in zip(shaper.delays_s, shaper.weights)]
    assert shaped(cubic, shaper).acceleration_m_s2(time) == pytest.approx(np.sum(copies, axis=0), abs=1e-12)


def test_shaping_multiplies_the_residual_by_that_of_the_shaper():
    move = move_profile(travel_m=0.05, speed_m_s=0.3, acceleration_m_s2=6.0, jerk_m_s3=500.0)
    shaper = zero_vibration_shaper(30.0, damping_ratio=0.02, n_impulses=3)
    off = {"frequency_hz": 34.0, "damping_ratio": 0.05}
    factor = shaper_residual(shaper, **off)
    assert residual_amplitude(shaped(move, shaper), **off) == pytest.approx(residual_amplitude(move, **off) * factor)


@pytest.mark.parametrize("shape", PULSE_SHAPES)
def test_pulses_agree_with_the_exact_answer_to_sampled_pulses(shape):
    phase = np.linspace(0.0, 1.0, 2_001)
    pulse = {
        "rectangle": np.ones_like(phase),
        "half-sine": np.sin(np.pi * phase),
        "versed sine": 0.5 * (1 - np.cos(2 * np.pi * phase)),
        "triangle": 1 - np.abs(2 * phase - 1),
    }[shape]
    profile = sampled_profile(pulse, sample_rate_hz=2_000.0)
    for ratio in (0.0, 0.3, 0.5, 0.81, 1.0, 2.0, 2.5):
        omega = 2 * np.pi * ratio
        expected = 0.0
        largest = 0.0
        if ratio:
            states = mode_states(profile, np.array([1j * omega]), time_s=phase)[:, 0]
            expected = abs(states[-1]) * omega
            largest = max(expected, np.max(states.imag) * omega)
            assert pulse_maximax(ratio, shape=shape) == pytest.approx(largest, rel=3e-6)
        assert float(pulse_residual(ratio, shape=shape)) == pytest.approx(expected, abs=3e-6)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: move_profile(travel_m=0.0, speed_m_s=1.0, acceleration_m_s2=1.0), "travel_m"),
        (lambda: move_profile(travel_m=1.0, speed_m_s=math.nan, acceleration_m_s2=1.0), "speed_m_s"),
        (lambda: move_profile(travel_m=1.0, speed_m_s=1.0, acceleration_m_s2=1.0, jerk_m_s3=-1.0), "jerk_m_s3"),
        (lambda: declared_profile(MoveFacts(travel_m=0.1, speed_m_s=0.1)), "acceleration_m_s2"),
        (lambda: sampled_profile([1.0, math.nan], sample_rate_hz=10.0), "not finite"),
        (lambda: zero_vibration_shaper(10.0, damping_ratio=0.0, n_impulses=1), "n_impulses"),
        (lambda: pulse_residual(1.0, shape="sawtooth"), "shape"),
        (lambda: pulse_residual(-1.0, shape="triangle"), "ratio"),
        (lambda: MoveProfile(breaks_s=np.array([0.0, 1.0]), coefficients=np.zeros((2, 2))), "do not pair"),
        (lambda: MoveProfile(breaks_s=np.array([1.0, 0.0]), coefficients=np.zeros((1, 2))), "must rise"),
    ],
)
def test_what_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_a_batch_cannot_be_followed_in_time():
    batch = move_profile(travel_m=1.0, speed_m_s=1.0, acceleration_m_s2=np.array([1.0, 2.0]))
    with pytest.raises(ValueError, match="single move"):
        mode_states(batch, pole([10.0], damping_ratio=0.1), time_s=[0.0])
    with pytest.raises(ValueError, match="single move"):
        shaped(batch, zero_vibration_shaper(10.0, damping_ratio=0.0, n_impulses=2))


def test_results_scale_with_the_acceleration():
    move = move_profile(travel_m=0.05, speed_m_s=0.3, acceleration_m_s2=6.0)
    double = replace(move, coefficients=2 * move.coefficients)
    modes = {"frequency_hz": [10.0, 40.0], "damping_ratio": 0.02}
    assert residual_amplitude(double, **modes) == pytest.approx(2 * residual_amplitude(move, **modes))
