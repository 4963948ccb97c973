"""Static push test: recovery from simulated tables with gaps, friction, coarse dials; limits and words."""

import math

import numpy as np
import pytest

from labkit.analyse.stiffness import push_test
from labkit.base import Estimate

UM = 1e-6
STEPS, TOP = 8, 80.0
RISE = np.linspace(0, TOP, STEPS + 1)
CYCLE = np.r_[RISE, RISE[-2::-1]]
FALLING = np.arange(CYCLE.size) > STEPS
EXACT = {"force_sd_n": 0.0, "reading_sd_m": 0.0, "reading_step_m": 0.0}


def dragged(force, compliance, width):
    """Dry friction in series with a gap of `width`: stuck between the rising and the falling line."""
    out = [0.0]
    for f in force[1:]:
        out.append(min(max(out[-1], compliance * f), compliance * f + width))
    return np.array(out)


def lens(compliance, width):
    """A closed loop, widest in the middle; `width` is its mean over the whole range."""
    half = 0.75 * width * (1 - (2 * CYCLE / TOP - 1) ** 2)
    return compliance * CYCLE + np.where(FALLING, half, -half)


def table(rng, compliance, *, repeats, loop="", width=0.0, gap=0.0, noise=0.0, step=0.0, force_sd=0.0, between=0.0):
    """Loads, readings and labels of a test in `repeats` rises and falls."""
    readings, forces = [], []
    for _ in range(repeats):
        c = compliance * (1 + between * rng.standard_normal())
        x = {"": c * CYCLE, "dragged": dragged(CYCLE, c, width), "lens": lens(c, width)}[loop]
        x = x + gap * np.clip(8 * CYCLE / TOP, 0, 1) + noise * rng.standard_normal(CYCLE.size)
        readings.append(np.rint(x / step) * step if step else x)
        forces.append(CYCLE + force_sd * rng.standard_normal(CYCLE.size))
    return np.concatenate(forces), np.concatenate(readings), np.repeat(np.arange(repeats), CYCLE.size)


# name: table, upper limit of the coverage (rounding that happens to cancel makes an interval too long)
CASES = {
    "noise, one repeat": ({"repeats": 1, "noise": 1 * UM}, 0.99),
    "noise, six repeats": ({"repeats": 6, "noise": 1 * UM}, 0.99),
    "noisy load": ({"repeats": 3, "noise": 1 * UM, "force_sd": 2.0}, 0.99),
    "fine dial, friction, gap": (
        {"repeats": 4, "noise": 0.3 * UM, "step": 1 * UM, "loop": "dragged", "width": 9 * UM, "gap": 30 * UM},
        0.99,
    ),
    "closed loop, seats differ": (
        {"repeats": 3, "noise": 0.5 * UM, "step": 1 * UM, "loop": "lens", "width": 6 * UM, "between": 0.01},
        0.99,
    ),
    "coarse dial, one repeat": ({"repeats": 1, "noise": 0.3 * UM, "step": 10 * UM}, 1.0),
    "coarse dial, six repeats": ({"repeats": 6, "noise": 0.3 * UM, "step": 10 * UM, "gap": 30 * UM}, 1.0),
    "coarse dial, friction": (
        {"repeats": 3, "noise": 0.3 * UM, "step": 10 * UM, "loop": "dragged", "width": 12 * UM, "between": 0.02},
        1.0,
    ),
    "dial as coarse as its scatter": ({"repeats": 3, "noise": 3 * UM, "step": 10 * UM}, 0.99),
}


@pytest.mark.parametrize("case", CASES)
def test_recovery(case):
    made, most = CASES[case]
    rng = np.random.default_rng(len(case))
    errors, stated, hits = [], [], {"compliance": 0, "loop": 0, "gap": 0}
    runs = 100
    for _ in range(runs):
        true = rng.uniform(0.8, 1.6) * UM
        force, reading, repeat = table(rng, true, **made)
        known = {
            "force_sd_n": made.get("force_sd", 0.0),
            "reading_sd_m": made["noise"],
            "reading_step_m": made.get("step", 0.0),
        }
        got = push_test(force, reading, preload_n=5.0, repeat=repeat, **known)
        errors.append(got.compliance_m_per_n.value / true - 1)
        stated.append(got.compliance_m_per_n.standard_error / true)
        assert got.stiffness_n_per_m.interval.contains(1 / true) == got.compliance_m_per_n.interval.contains(true)
        hits["compliance"] += got.compliance_m_per_n.interval.contains(true)
        loop = made.get("width", 0.0)
        if made.get("loop") == "lens":
            loop = np.mean(1.5 * loop * (1 - (2 * force[got.used] / TOP - 1) ** 2))
        hits["loop"] += got.hysteresis_m.interval.contains(loop)
        hits["gap"] += got.backlash_m.interval.contains(made.get("gap", 0.0))
    error = np.sqrt(np.mean(np.square(errors)))
    assert abs(np.mean(errors)) < 4 * error / math.sqrt(runs)
    assert 0.9 <= hits["compliance"] / runs <= most
    assert min(hits.values()) / runs >= 0.9
    assert 0.6 * error < np.sqrt(np.mean(np.square(stated))) < 1.6 * error


def test_noise_in_the_load_flattens_a_line_and_is_corrected():
    rng = np.random.default_rng(3)
    force, reading, repeat = table(rng, 1 * UM, repeats=200, force_sd=6.0)
    force += 40.0
    plain = push_test(force, reading, preload_n=0.0, repeat=repeat, **EXACT | {"reading_sd_m": 1e-7})
    corrected = push_test(force, reading, preload_n=0.0, repeat=repeat, **EXACT | {"force_sd_n": 6.0})
    assert plain.compliance_m_per_n.value < 0.96 * UM
    assert corrected.compliance_m_per_n.value == pytest.approx(1 * UM, rel=0.01)


def test_readings_stuck_after_the_turn_do_not_soften_the_line():
    reading = dragged(CYCLE, 1 * UM, 15 * UM)
    got = push_test(CYCLE, reading, preload_n=5.0, **EXACT)
    assert got.compliance_m_per_n.value == pytest.approx(1 * UM, rel=1e-9)
    assert got.hysteresis_m.value == pytest.approx(15 * UM, rel=1e-9)
    assert got.hysteresis_share == pytest.approx(15 / (got.highest_load_n - got.lowest_load_n), rel=1e-9)
    assert got.zero_shift_m.value == pytest.approx(15 * UM)
    assert any("friction still holds" in note for note in got.notes)
    assert not got.used[[0, 8, 9, 16]].any() and got.used[[2, 3, 11, 12]].all()


def test_a_gap_is_left_out_and_told():
    rng = np.random.default_rng(5)
    force, reading, _ = table(rng, 1 * UM, repeats=4, gap=40 * UM, noise=0.2 * UM)
    known = EXACT | {"reading_sd_m": 0.2 * UM}
    got = push_test(force, reading, preload_n=10.0, **known)
    assert got.n_repeats == 4
    assert got.backlash_m.value == pytest.approx(40 * UM, abs=0.5 * UM)
    assert not got.nonlinear and got.compliance_change.interval.contains(0)
    assert got.notes[0] == "8 of 68 readings lie below the preload of 10 N: left out of the slope"
    blind = push_test(force, reading, preload_n=0.0, **known)
    assert blind.nonlinear and blind.compliance_change.value < -0.1
    assert any("higher preload" in note for note in blind.notes)
    assert math.isnan(blind.backlash_m.value) and any("gap cannot be seen" in note for note in blind.notes)


def test_bow_is_measured_and_its_false_alarms_are_as_many_as_stated():
    rng = np.random.default_rng(6)
    known = EXACT | {"reading_sd_m": 0.5 * UM}
    bent = CYCLE * UM * (1 + 0.1 * (CYCLE / TOP - 0.5))  # local compliance grows by 0.2 over the range
    got = push_test(CYCLE, bent + 0.5 * UM * rng.standard_normal(CYCLE.size), preload_n=0.0, **known)
    assert got.nonlinear and got.compliance_change.interval.contains(0.2 / 1.05)
    alarms = 0
    for _ in range(200):
        force, reading, _ = table(rng, UM, repeats=2, noise=0.5 * UM)
        alarms += push_test(force, reading, preload_n=0.0, **known).nonlinear
    assert 0.01 <= alarms / 200 <= 0.10


def test_stand_is_taken_off_with_its_error():
    rng = np.random.default_rng(7)
    force, reading, _ = table(rng, 1.2 * UM, repeats=5, noise=0.5 * UM)
    known = EXACT | {"reading_sd_m": 0.5 * UM}
    whole = push_test(force, reading, preload_n=5.0, **known)
    stand = Estimate.from_standard_error(0.2 * UM, 0.02 * UM, dof=math.inf)
    got = push_test(force, reading, preload_n=5.0, stand_compliance_m_per_n=stand, **known)
    c, w = got.compliance_m_per_n, whole.compliance_m_per_n
    assert c.value == pytest.approx(w.value - 0.2 * UM)
    assert c.standard_error == pytest.approx(math.hypot(w.standard_error, 0.02 * UM))
    assert c.interval.half_width == pytest.approx(math.hypot(w.interval.half_width, stand.interval.half_width))
    assert got.stiffness_n_per_m.interval.low == pytest.approx(1 / c.interval.high)
    unknown = push_test(force, reading, preload_n=5.0, stand_compliance_m_per_n=Estimate.unknown(0.2 * UM), **known)
    assert unknown.stiffness_n_per_m.value == pytest.approx(got.stiffness_n_per_m.value)
    assert not unknown.stiffness_n_per_m.interval.known and math.isnan(unknown.stiffness_n_per_m.standard_error)
    with pytest.raises(ValueError, match="stand is a part of the whole"):
        push_test(force, reading, preload_n=5.0, stand_compliance_m_per_n=Estimate.unknown(2 * UM), **known)


def test_scale_error_is_shared_by_all_repeats():
    rng = np.random.default_rng(8)
    force, reading, _ = table(rng, UM, repeats=20, noise=0.2 * UM)
    got = push_test(force, reading, preload_n=5.0, scale_error=0.02, **EXACT | {"reading_sd_m": 0.2 * UM})
    assert got.compliance_m_per_n.standard_error == pytest.approx(0.02 * UM, rel=0.02)
    assert not any("scale_error" in note for note in got.notes)


def test_repeats_are_found_by_the_turns_of_the_load():
    rng = np.random.default_rng(9)
    force, reading, repeat = table(rng, UM, repeats=4, noise=0.5 * UM)
    known = EXACT | {"reading_sd_m": 0.5 * UM}
    by_label = push_test(force, reading, preload_n=5.0, repeat=repeat, **known)
    by_turn = push_test(force, reading, preload_n=5.0, **known)
    assert by_turn.repeat_compliances_m_per_n == pytest.approx(by_label.repeat_compliances_m_per_n, rel=1e-12)
    # a low load read once closes one repeat and opens the next
    once = np.r_[CYCLE, CYCLE[1:], CYCLE[1:]]
    got = push_test(once, UM * once + 0.1 * UM * rng.standard_normal(once.size), preload_n=5.0, **known)
    assert got.n_repeats == 3 and np.isfinite(got.zero_shift_m.standard_error)


def test_a_gauge_set_to_zero_between_repeats_changes_nothing():
    rng = np.random.default_rng(10)
    force, reading, repeat = table(rng, UM, repeats=3, noise=0.5 * UM)
    known = EXACT | {"reading_sd_m": 0.5 * UM}
    a = push_test(force, reading, preload_n=5.0, repeat=repeat, **known)
    b = push_test(force, reading + 50 * UM * repeat, preload_n=5.0, repeat=repeat, **known)
    assert b.compliance_m_per_n.interval.low == pytest.approx(a.compliance_m_per_n.interval.low, rel=1e-9)


def test_rounding_that_repeats_alike_is_not_taken_for_certainty():
    reading = np.rint(0.97 * CYCLE / 10) * 10 * UM  # equal in each repeat: no scatter at all
    known = EXACT | {"reading_step_m": 10 * UM}
    one = push_test(CYCLE, reading, preload_n=5.0, **known).compliance_m_per_n.standard_error
    ten = push_test(np.tile(CYCLE, 10), np.tile(reading, 10), preload_n=5.0, **known)
    assert ten.compliance_m_per_n.standard_error > 0.6 * one
    assert ten.compliance_m_per_n.interval.contains(0.97 * UM)


def test_exact_readings_with_no_stated_error_have_no_interval():
    got = push_test(CYCLE, UM * CYCLE, preload_n=0.0, **EXACT)
    assert got.stiffness_n_per_m.value == pytest.approx(1e6)
    assert math.isnan(got.stiffness_n_per_m.standard_error) and not got.nonlinear


def test_one_direction_has_no_loop():
    rng = np.random.default_rng(11)
    reading = UM * RISE + 0.3 * UM * rng.standard_normal(RISE.size)
    for load, x in ((RISE, reading), (RISE[::-1], reading[::-1])):
        got = push_test(load, x, preload_n=5.0, **EXACT | {"reading_sd_m": 0.3 * UM})
        assert math.isnan(got.hysteresis_m.value) and math.isnan(got.hysteresis_share)
        assert any("one direction only" in note for note in got.notes)
        assert got.compliance_m_per_n.interval.contains(UM)


def test_weak_tests_are_called_weak():
    rng = np.random.default_rng(12)
    load = np.array([0, 20, 40, 60, 40, 20, 0.0])
    got = push_test(load, 0.1 * UM * load + UM * rng.standard_normal(7), preload_n=0.0, **EXACT | {"reading_sd_m": UM})
    text = " ".join(got.notes)
    assert "one repeat" in text and "small range" in text and "only 3 loads on a branch" in text
    noisy = UM * CYCLE + 5 * UM * rng.standard_normal(CYCLE.size)
    assert any("were stated" in n for n in push_test(CYCLE, noisy, preload_n=0.0, **EXACT).notes)


def test_the_line_is_given_at_the_used_readings():
    got = push_test(CYCLE, UM * CYCLE + 3 * UM, preload_n=15.0, **EXACT)
    assert (np.isfinite(got.fitted_m) == got.used).all() and (got.used == (CYCLE >= 15)).all()
    assert got.fitted_m[got.used] == pytest.approx((UM * CYCLE + 3 * UM)[got.used])


@pytest.mark.parametrize(
    "force, reading, changed, match",
    [
        (CYCLE, CYCLE[:-1] * UM, {}, "must pair"),
        (CYCLE - 40, CYCLE * UM, {}, "push and pull each on its own"),
        (CYCLE, CYCLE * UM, {"preload_n": 90.0}, "push beyond the preload"),
        (CYCLE, CYCLE * UM, {"preload_n": 70.0}, "no branch of force_n has 3 loads"),
        (CYCLE, -CYCLE * UM - 1e-8 * np.sin(CYCLE), {}, "sign of the gauge"),
        (CYCLE, UM * np.cos(3 * np.arange(17.0)) - 1e-9 * CYCLE, {}, "no travel above its scatter"),
        (CYCLE, CYCLE * UM, {"force_sd_n": 30.0}, "would be noise"),
        (CYCLE, CYCLE * UM, {"reading_sd_m": -1.0}, "reading_sd_m is -1.0"),
        (CYCLE, CYCLE * UM, {"repeat": [1, 2]}, "give one a reading"),
        ([0, 1], [0, 1], {}, "at least 3"),
        (np.where(CYCLE == 30, np.nan, CYCLE), CYCLE * UM, {}, "not finite"),
    ],
)
def test_faults_are_named(force, reading, changed, match):
    with pytest.raises(ValueError, match=match):
        push_test(force, reading, **{"preload_n": 0.0} | EXACT | changed)
