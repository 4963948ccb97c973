"""Rigidity target: recoil and ring-down, held against closed forms and against the exact move."""

import math

import numpy as np
import pytest

from labkit.decide.rigidity import rigidity_target
from labkit.model.move import move_profile, residual_amplitude

WREN_MOVE = {
    "force_n": 2.4,
    "moving_mass_kg": 22.6,
    "damping_ratio": 0.03,
    "tolerance_m": 3.45e-6,
    "wait_s": 0.3,
}


def test_recoil_route_is_twice_the_quasi_static_one_when_switched():
    found = rigidity_target(**WREN_MOVE, during_move=True)
    assert found.recoil_stiffness_n_per_m.high == pytest.approx(2 * 2.4 / 3.45e-6)
    assert found.governs == "recoil"
    assert found.frequency_hz == pytest.approx(math.sqrt(found.stiffness_n_per_m / 22.6) / (2 * math.pi))


def test_a_slow_rise_leaves_the_quasi_static_recoil():
    found = rigidity_target(**WREN_MOVE, jerk_time_s=100.0, during_move=True)
    assert found.recoil_stiffness_n_per_m.high == pytest.approx(2.4 / 3.45e-6, rel=1e-3)


def test_ring_down_route_meets_its_own_condition():
    found = rigidity_target(**WREN_MOVE)
    f, k = found.frequency_hz, found.stiffness_n_per_m
    assert found.governs == "ring-down"
    assert 4 * 2.4 / k * math.exp(-2 * math.pi * 0.03 * f * 0.3) == pytest.approx(3.45e-6)


def test_without_a_wait_four_steps_must_fit():
    found = rigidity_target(**(WREN_MOVE | {"wait_s": 0.0}), during_move=True)
    assert found.ring_down_stiffness_n_per_m.high == pytest.approx(4 * 2.4 / 3.45e-6)
    assert found.governs == "ring-down"


@pytest.mark.parametrize("jerk_m_s3", [math.inf, 400.0])
def test_at_the_target_the_ringing_of_the_exact_move_is_within(jerk_m_s3):
    """The bound holds for the whole move computed exactly, at the target frequency and above it."""
    jerk_time = 0.0 if math.isinf(jerk_m_s3) else 4.0 / jerk_m_s3
    found = rigidity_target(**(WREN_MOVE | {"damping_ratio": 0.01}), jerk_time_s=jerk_time)
    f = found.frequency_hz * np.geomspace(1.0, 3.0, 300)
    profile = move_profile(
        travel_m=0.08,
        speed_m_s=0.25,
        acceleration_m_s2=4.0,
        **({} if math.isinf(jerk_m_s3) else {"jerk_m_s3": jerk_m_s3}),
    )
    relative = residual_amplitude(profile, frequency_hz=f, damping_ratio=0.01)
    left = 0.6 / 22.6 * relative * np.exp(-2 * np.pi * 0.01 * f * 0.3)
    assert left.max() <= 3.45e-6
    assert left.max() > 0.3 * 3.45e-6  # and not a bound that says nothing


def test_ranges_are_taken_at_their_strict_end():
    wide = rigidity_target(**(WREN_MOVE | {"damping_ratio": (0.01, 0.05), "wait_s": (0.2, 0.4)}))
    strict = rigidity_target(**(WREN_MOVE | {"damping_ratio": 0.01, "wait_s": 0.2}))
    assert wide.stiffness_n_per_m == pytest.approx(strict.stiffness_n_per_m)
    assert wide.ring_down_stiffness_n_per_m.low < wide.ring_down_stiffness_n_per_m.high


def test_an_unknown_input_leaves_the_target_unknown():
    found = rigidity_target(**(WREN_MOVE | {"damping_ratio": math.nan}))
    assert found.governs == "unknown" and math.isnan(found.stiffness_n_per_m)
    assert found.missing == ("damping ratio",)
    assert found.recoil_stiffness_n_per_m.known


def test_a_panel_target_does_not_depend_on_its_mass():
    targets = [
        rigidity_target(
            force_n=m * 0.3, moving_mass_kg=m, damping_ratio=0.02, tolerance_m=3e-6, wait_s=0.0, during_move=True
        )
        for m in (0.2, 2.0)
    ]
    assert targets[0].frequency_hz == pytest.approx(targets[1].frequency_hz)
