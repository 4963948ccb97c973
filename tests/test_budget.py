"""Camera facts to tolerance, tolerance to rigidity target."""

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.decide.budget import camera_budget, rigidity_target
from labkit.model.move import move_profile, residual_amplitude
from labkit.runs.facts import CameraFacts

WREN = CameraFacts(pixel_m=3.45e-6, magnification=0.5, f_number=4.0, exposure_s=2e-3, allowed_blur_px=0.5)


def budget(camera=WREN, **changes):
    facts = {"pupil_magnification": 1.0, "wavelength_m": 0.55e-6, "allowed_disc_px": 1.0} | changes
    return camera_budget(camera, **facts)


def test_across_and_along():
    found = budget()
    assert found.object_pixel_m == pytest.approx(6.9e-6)
    # below the Airy diameter of 8.05 µm diffraction rules: λ/(2·NA²), NA = 0.041667
    assert found.tolerance_m == pytest.approx((3.45e-6, 3.45e-6, 0.5 * 0.55e-6 / 0.0416667**2), rel=1e-5)
    assert not found.missing
    assert any("diffraction rules" in words for words in found.sentences)


def test_a_large_disc_goes_by_geometry():
    found = budget(allowed_disc_px=10.0)
    assert found.axial_m.low == pytest.approx(0.5 * 1656e-6)
    assert any("geometry rules" in words for words in found.sentences)


def test_ranges_of_the_lens_come_out_as_ranges():
    found = budget(pupil_magnification=(0.5, 2.0), allowed_disc_px=10.0)
    # 2·4·34.5 µm·(1 + 0.5/P)/0.25, half of it
    assert (found.axial_m.low, found.axial_m.high) == pytest.approx((690e-6, 1104e-6))
    assert found.tolerance_m[2] == found.axial_m.low


def test_the_lens_of_the_camera_counts_by_default():
    whole = replace(WREN, pupil_magnification=1.5, wavelength_m=0.63e-6)
    assert (
        camera_budget(whole, allowed_disc_px=1.0).axial_m
        == budget(pupil_magnification=1.5, wavelength_m=0.63e-6).axial_m
    )


def test_what_is_stated_directly_counts():
    stated = budget(
        CameraFacts(pixel_m=3.45e-6, magnification=0.5, tolerance_m=5e-6),
        allowed_defocus_m=40e-6,
        allowed_disc_px=math.nan,
    )
    assert stated.tolerance_m == (5e-6, 5e-6, 40e-6)
    assert any("0.72 px" in words for words in stated.sentences)


def test_blur_at_the_limits_adds_up():
    found = budget(frequency_hz=(30.0, 30.0))
    expected = 0.5 * math.sqrt(0.5 * (1 - np.sinc(0.06) ** 2))
    assert found.motion_blur_px.high == pytest.approx(expected)
    assert found.defocus_blur_px.high == pytest.approx(0.25)
    variances = np.array([expected, 0.25, 1 / math.sqrt(12), 0.42 * 0.55 * 4 * 1.5 / 3.45]) ** 2
    assert list(found.blur_shares.values()) == pytest.approx(variances / variances.sum())


def test_without_a_frequency_blur_is_bounded_by_a_long_exposure():
    assert (budget().motion_blur_px.low, budget().motion_blur_px.high) == pytest.approx((0.0, 0.5 / math.sqrt(2)))


def test_unknown_facts_are_named_and_nothing_is_guessed():
    found = camera_budget(CameraFacts(), pupil_magnification=math.nan, wavelength_m=math.nan)
    assert all(math.isnan(t) for t in found.tolerance_m)
    assert {"pixel", "magnification", "f-number", "wavelength"} <= set(found.missing)
    assert found.blur_shares == {}
    assert budget(allowed_disc_px=math.nan).missing == ("defocus allowed, as a disc in pixels or in metres",)


@pytest.mark.parametrize(
    "change, words",
    [
        ({"camera": CameraFacts(pixel_m=-1e-6)}, "camera.pixel_m"),
        ({"wavelength_m": 550.0}, "wavelength_m"),
        ({"allowed_disc_px": (2.0, 1.0)}, "swap"),
    ],
)
def test_impossible_facts_are_errors(change, words):
    with pytest.raises(ValueError, match=words):
        budget(**change)


# ---------------------------------------------------------------------------------------------- rigidity target
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
