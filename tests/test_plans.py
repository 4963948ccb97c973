"""What a test needs: log, repeats, frames, push."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from labkit.analyse.displacement import highpass_noise_factor, mount_resonance_error, noise_floor_m
from labkit.decide.needs import Expected, Need, quantity_text
from labkit.decide.plans import decay_fit_noise_limit, detectable_ratio, plan_camera, plan_log
from labkit.decide.push_plan import plan_push
from labkit.decide.sensor_choice import mass_loading
from labkit.runs.facts import MoveFacts

G = 9.80665
TOLERANCE_M = 3.45e-6
MOVE = MoveFacts(commanded_acceleration_m_s2=4.0, travel_m=0.08, speed_m_s=0.25, jerk_m_s3=400.0)
WREN = Expected(
    frequency_hz=(11.0, 61.0),
    damping_ratio=(0.018, 0.045),
    amplitude_m=(5e-6, 33e-6),
    move=MOVE,
    head_mass_kg=0.6,
    frame_mass_kg=22.0,
    modal_mass_kg=(0.15, 0.3),
)


def log_plan(expected=WREN, **changes):
    return plan_log(expected, **({"tolerance_m": TOLERANCE_M, "change_ratio": 0.8, "scatter": 0.1} | changes))


def test_noise_within_good_leaves_a_trace_a_quarter_of_the_tolerance():
    good = log_plan().need("noise_density_m_s2_rthz").good
    floor = highpass_noise_factor(4) * noise_floor_m(good, low_cut_hz=5.5)
    assert floor == pytest.approx(TOLERANCE_M / 4)
    assert log_plan().low_cut_hz == 5.5


def test_decay_limit_is_the_numerical_bound():
    """Fisher information of ln A, α and phase from a sampled decay, evaluated where it meets the tolerance."""
    f, zeta, amplitude, rate = 20.0, 0.02, 33e-6, 4000.0
    alpha, omega = 2 * math.pi * f * zeta, 2 * math.pi * f
    t = np.arange(0, 12 / alpha, 1 / rate)
    start = amplitude * omega**2
    envelope = start * np.exp(-alpha * t)
    wave, shifted = envelope * np.cos(omega * t), envelope * np.sin(omega * t)
    jacobian = np.column_stack([wave, -t * wave, -shifted, -t * shifted])  # ln A, α, phase, ω
    density = decay_fit_noise_limit(amplitude, frequency_hz=f, damping_ratio=zeta, tolerance_m=TOLERANCE_M)
    covariance = np.linalg.inv(jacobian.T @ jacobian) * density**2 * rate / 2
    u = math.log(amplitude / TOLERANCE_M) / alpha
    doubt = math.sqrt(np.array([1, -u]) @ covariance[:2, :2] @ np.array([1, -u]))
    assert doubt == pytest.approx(0.25, rel=0.02)


def test_limits_are_those_of_their_formulas():
    plan = log_plan()
    assert plan.need("sample_rate_hz").must == pytest.approx(2.56 * 61)
    peak = 33e-6 * (2 * math.pi * 61) ** 2 + 0.6 / 22.6 * 4.0
    assert plan.need("range_m_s2").good == pytest.approx(5 * peak + G)
    mount = plan.need("mount_resonance_hz")
    assert mount_resonance_error(61 / mount.must) == pytest.approx(0.125)
    assert mass_loading(plan.need("mass_kg").must, modal_mass_kg=0.15) == pytest.approx(0.95)
    lost = [
        1 - 1 / math.hypot(1, 61 / limit) for limit in (plan.need("bandwidth_hz").must, plan.need("bandwidth_hz").good)
    ]
    assert lost == pytest.approx([0.10, 0.05], rel=2e-3)


def test_rest_holds_the_ring_down_and_five_time_constants():
    rest = log_plan().need("rest_s")
    slowest = 2 * math.pi * 11 * 0.018
    assert rest.must == pytest.approx(math.log(33 / 3.45) / slowest)
    assert rest.good == pytest.approx(5 / slowest)
    assert log_plan().settling_s.high == rest.must
    record = log_plan().need("record_s")
    assert record.must == pytest.approx(log_plan().need("repeats").must * (MOVE.duration_s + rest.must))


def test_unknown_masses_take_the_whole_acceleration():
    blind = replace(WREN, head_mass_kg=math.nan)
    peak = 33e-6 * (2 * math.pi * 61) ** 2 + 4.0
    assert log_plan(blind).need("range_m_s2").must == pytest.approx(1.25 * peak + G)
    assert "masses of head and frame" in log_plan(blind).missing


def test_without_an_amplitude_only_what_follows_is_known():
    plan = log_plan(replace(WREN, amplitude_m=math.nan))
    assert math.isnan(plan.need("noise_density_m_s2_rthz").must)
    assert plan.need("noise_density_m_s2_rthz").good > 0
    assert math.isnan(plan.need("range_m_s2").must)
    assert plan.need("rest_s").good > 0 and math.isnan(plan.need("rest_s").must)
    assert "amplitude at the camera" in plan.missing


def test_nothing_known_is_not_an_error():
    plan = plan_log(Expected(frequency_hz=math.nan, damping_ratio=math.nan), tolerance_m=math.nan)
    assert all(math.isnan(need.good) for need in plan.needs)
    assert any("left open" in words for words in plan.sentences)


def test_planned_repeats_see_the_change_as_often_as_promised():
    """Monte Carlo: two-sided Welch test on logarithms of settling times."""
    rng = np.random.default_rng(5)
    n = int(log_plan(scatter=0.15).need("repeats").must)
    before, after = rng.normal(0, 0.15, (2, 20_000, n))
    seen = stats.ttest_ind(after + math.log(0.8), before, axis=1, equal_var=False).pvalue < 0.05
    assert 0.79 < seen.mean() < 0.86
    fewer = stats.ttest_ind((after + math.log(0.8))[:, 1:], before[:, 1:], axis=1).pvalue < 0.05
    assert fewer.mean() < 0.80


def test_detectable_ratio_is_the_edge_of_the_repeats():
    ratio = detectable_ratio(12, scatter=0.1)
    rng = np.random.default_rng(6)
    before, after = rng.normal(0, 0.1, (2, 20_000, 12))
    seen = stats.ttest_ind(after + math.log(ratio), before, axis=1).pvalue < 0.05
    assert seen.mean() == pytest.approx(0.8, abs=0.012)
    assert log_plan(change_ratio=ratio * 1.0001).need("repeats").must == 12
    assert detectable_ratio(12, scatter=0.1, metrics=5) > ratio


def test_more_questions_take_more_repeats():
    assert log_plan(metrics=6).need("repeats").good > log_plan().need("repeats").good


@pytest.mark.parametrize(
    "changes, words",
    [({"change_ratio": 1.0}, "no change"), ({"change_ratio": -1.0}, "above 0"), ({"scatter": 0.0}, "scatter")],
)
def test_impossible_wishes_are_errors(changes, words):
    with pytest.raises(ValueError, match=words):
        log_plan(**changes)


def test_a_need_reads_in_bench_units():
    need = Need(key="noise_density_m_s2_rthz", sense="at most", must=2e-4 * G, good=1e-4 * G, why="x")
    assert need.text == "at most 200 µg/√Hz, better 100 µg/√Hz"
    assert need.margin(1e-4 * G) == pytest.approx(2.0) and need.margin(0.0) == math.inf
    assert math.isnan(need.margin(math.nan))
    assert quantity_text("repeats", 9.0) == "9"
    with pytest.raises(ValueError, match="key"):
        Need(key="colour", sense="at most", must=1.0, good=1.0, why="x")
    with pytest.raises(ValueError, match="repeats"):
        plan_camera(WREN, tolerance_m=TOLERANCE_M).need("repeats")


# ------------------------------------------------------------------------------------------------------- camera
def test_frames_need_a_rate_an_exposure_and_a_floor():
    plan = plan_camera(WREN, tolerance_m=TOLERANCE_M, frame_rate_hz=200.0)
    assert plan.need("frame_rate_hz").good == 610.0
    assert [np.sinc(61 * e) for e in (plan.need("exposure_s").must, plan.need("exposure_s").good)] == pytest.approx(
        [0.6366, 0.9836], abs=1e-4
    )
    # white displacement noise σ at 200 Hz is like noise density σ·√(2/200) of displacement
    limit = plan.need("shift_noise_m").must * math.sqrt(2 / 200.0)
    acceleration = limit * (2 * math.pi * 61) ** 2
    expected = decay_fit_noise_limit(5e-6, frequency_hz=61.0, damping_ratio=0.045, tolerance_m=TOLERANCE_M)
    assert acceleration == pytest.approx(expected)
    assert plan.need("shift_noise_m").good == pytest.approx(TOLERANCE_M / 4)


# --------------------------------------------------------------------------------------------------------- push
def test_push_sees_the_change_as_often_as_promised():
    """Monte Carlo of readings with a uniform error of one dial step, slopes through six loads, known error."""
    k, step = 80e3, 10e-6
    plan = plan_push(stiffness_n_per_m=k, change_ratio=1.2, dial_step_m=step)
    rng = np.random.default_rng(7)
    force = plan.force_n.high * np.linspace(0, 1, 6)
    reading = force / k + step * rng.uniform(-0.5, 0.5, (2, 20_000, 6))
    reading[1] += force / k * (1 / 1.2 - 1)
    centred = force - force.mean()
    slopes = reading @ centred / (centred @ centred)
    change = np.log(slopes[0] / slopes[1])
    seen = np.abs(change) > stats.norm.ppf(0.975) * math.sqrt(2) * plan.standard_error
    assert seen.mean() == pytest.approx(0.8, abs=0.03)


def test_push_by_the_force_that_is_allowed():
    plan = plan_push(stiffness_n_per_m=(50e3, 90e3), change_ratio=1.2, most_force_n=20.0)
    assert not plan.force_n.known and plan.missing == ("step of the dial",)
    back = plan_push(stiffness_n_per_m=90e3, change_ratio=1.2, dial_step_m=plan.dial_step_m.low)
    assert back.force_n.high == pytest.approx(20.0)


def test_push_warns_of_force_and_of_a_bent_panel():
    plan = plan_push(
        stiffness_n_per_m=80e3, change_ratio=1.05, dial_step_m=100e-6, most_force_n=20.0, thickness_m=0.003
    )
    words = " ".join(plan.sentences)
    assert "more than the 20 N allowed" in words and "half its thickness" in words
    with pytest.raises(ValueError, match="5 loads"):
        plan_push(stiffness_n_per_m=1e4, change_ratio=1.2, steps=3)
    with pytest.raises(ValueError, match="no change"):
        plan_push(stiffness_n_per_m=1e4, change_ratio=1.0)
