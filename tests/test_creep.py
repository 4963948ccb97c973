"""Creep under a held load: law, parts and their intervals from simulated records; limits and words."""

import math

import numpy as np
import pytest

from labkit.analyse.creep import creep_under_load

UM = 1e-6


def record(rng, law, *, noise, step, n):
    """Three readings before the load and n after it: time, reading, displacement at 10 s, growth, exponent."""
    t = np.r_[-30.0, -20.0, -10.0, np.geomspace(10, 20_000, n)]
    u = np.maximum(t, 10) / 10
    first, exponent = rng.uniform(200, 500) * UM, rng.uniform(0.15, 0.45)
    slow = {"constant": 0 * u, "logarithm": 10 * UM * np.log(u), "power": 10 * UM * (u**exponent - 1)}[law]
    x = np.where(t > 0, first + slow, 0) + rng.uniform(0, 100) * UM + noise * rng.standard_normal(t.size)
    return t, np.rint(x / step) * step if step else x, first, slow[-1], exponent


@pytest.mark.parametrize("law", ["constant", "logarithm", "power"])
@pytest.mark.parametrize(
    "noise, step, n, most", [(0.5 * UM, 0.0, 30, 0.99), (2 * UM, 0.0, 12, 0.99), (0.3 * UM, 1 * UM, 30, 1.0)]
)
def test_recovery(law, noise, step, n, most):
    rng = np.random.default_rng(n)
    runs, hits, right, errors = 120, np.zeros(3), 0, []
    for _ in range(runs):
        t, x, first, slow, _ = record(rng, law, noise=noise, step=step, n=n)
        got = creep_under_load(t, x, reading_step_m=step)
        right += got.law == law
        pairs = (got.instantaneous_m, first), (got.slow_m, slow), (got.slow_share, slow / first)
        hits += [estimate.interval.contains(true) for estimate, true in pairs]
        errors.append(got.slow_m.value - slow)
    assert right / runs >= 0.85
    assert (hits / runs >= 0.9).all() and (hits / runs <= most).all()
    assert abs(np.mean(errors)) < 4 * np.std(errors) / math.sqrt(runs)


def test_exponent_of_a_power_law():
    rng = np.random.default_rng(1)
    hits = []
    for _ in range(120):
        t, x, *_, exponent = record(rng, "power", noise=0.5 * UM, step=0.0, n=30)
        hits.append(creep_under_load(t, x, reading_step_m=0.0).exponent.interval.contains(exponent))
    assert 0.9 <= np.mean(hits) <= 0.99


def test_correlated_drift_stretches_the_interval():
    rng = np.random.default_rng(2)
    t = np.arange(1, 201) * 10.0
    white = rng.standard_normal(200)
    slow = np.zeros(200)
    for k in range(1, 200):
        slow[k] = 0.8 * slow[k - 1] + 0.6 * white[k]
    a, b = (creep_under_load(t, 3e-4 + 1e-6 * w + 5e-6 * np.log(t / 10), reading_step_m=0.0) for w in (white, slow))
    assert b.residual_correlation > 0.6 and a.residual_correlation < 0.2
    assert b.slow_m.standard_error / b.residual_sd_m > 2 * a.slow_m.standard_error / a.residual_sd_m
    assert any("correlate" in note for note in b.notes)


def test_nothing_is_said_beyond_the_record_unless_asked():
    t = np.geomspace(1, 1000, 20)
    got = creep_under_load(t, 1e-4 * t**0.3, reading_step_m=0.0)
    assert got.law == "power"
    assert got.displacement_m(100.0) == pytest.approx(1e-4 * 100**0.3, rel=1e-5)
    with pytest.raises(ValueError, match="record reaches from 1 s to 1000 s"):
        got.displacement_m(1e6)
    assert got.displacement_m(1e6, beyond_record=True) == pytest.approx(1e-4 * 1e6**0.3, rel=1e-3)


def test_words_for_what_is_not_creep():
    rng = np.random.default_rng(4)
    t = np.arange(1, 31) * 20.0
    noise = 1e-7 * rng.standard_normal(30)
    drift = creep_under_load(t, 1e-4 + 1e-7 * t + noise, reading_step_m=0.0)
    assert any("drift" in note for note in drift.notes)
    back = creep_under_load(t, 1e-4 - 5e-6 * np.log(t) + noise, reading_step_m=0.0)
    assert any("goes back" in note for note in back.notes)
    still = creep_under_load(t, 1e-4 + noise, reading_step_m=0.0)
    assert still.law == "constant" and "no creep seen above the scatter" in still.notes
    assert still.slow_m.interval.contains(0.0) and still.slow_m.interval.half_width < 1e-6
    short = creep_under_load(t[10:], 1e-4 + noise[10:], reading_step_m=0.0)
    assert any("only 2.7 times as late" in note for note in short.notes)


def test_a_display_that_never_moves_still_has_its_step_as_error():
    t = np.geomspace(10, 1000, 60)
    true = 298 * UM + 4 * UM * np.linspace(0, 1, 60)  # the dial shows 300 µm all the time
    got = creep_under_load(t, np.rint(true / 1e-5) * 1e-5, reading_step_m=1e-5)
    assert got.law == "constant" and got.slow_m.value == pytest.approx(0, abs=1e-12)
    assert got.slow_m.interval.contains(4 * UM) and got.slow_share.interval.contains(4 / 298)
    exact = creep_under_load(t, np.full(60, 3e-4), reading_step_m=0.0)
    assert not exact.instantaneous_m.interval.known


@pytest.mark.parametrize(
    "time, reading, match",
    [
        (np.arange(1, 9.0), np.zeros(7), "must pair"),
        ([1, 2, 3, 3, 4, 5], np.zeros(6), r"time_s\[3\] is 3 s after 3 s"),
        (np.arange(-6, 4.0), np.zeros(10), "3 readings after time 0"),
        ([1, 2, 3, 4, 5, np.inf], np.zeros(6), "not finite"),
    ],
)
def test_faults_are_named(time, reading, match):
    with pytest.raises(ValueError, match=match):
        creep_under_load(time, reading, reading_step_m=0.0)
