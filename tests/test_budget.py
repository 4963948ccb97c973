"""Camera facts to a tolerance in x, y and z."""

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.decide.budget import camera_budget
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
