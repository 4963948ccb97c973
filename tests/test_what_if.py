"""Settings foreseen with draws of parameters, and their changes."""

import math
from pathlib import Path

import numpy as np
import pytest

from labkit.decide.draws import complete_draws, draws_from_ranges, from_draws
from labkit.decide.settings import changed, resized_panel
from labkit.decide.what_if import compare_outlooks, outlook
from labkit.model.assemble import machine_from_facts
from labkit.model.move import declared_profile
from labkit.model.ringing import exposure_motion, ringing
from labkit.runs.facts import RunFacts
from labkit.runs.runfolder import load_run

SERIES = Path(__file__).parents[1] / "data" / "wren-series"
RANGES = {
    "foot_stiffness_x_n_per_m": (2.4e4, 3.3e4),
    "foot_stiffness_z_n_per_m": (1.6e5, 2.2e5),
    "foot_loss_factor": (0.08, 0.12),
    "head_mount_stiffness_n_per_m": (1.9e5, 2.6e5),
    "head_mount_loss_factor": (0.06, 0.1),
}


@pytest.fixture(scope="module")
def facts():
    return load_run(SERIES / "01-as-built").facts


@pytest.fixture(scope="module")
def draws():
    return draws_from_ranges(RANGES, n=40)


@pytest.fixture(scope="module")
def base(facts, draws):
    return outlook(facts, draws, wait_s=0.06)


def test_an_outlook_is_the_model_at_the_best_parameters(facts, draws, base):
    parameters = complete_draws(facts, draws)[0][0]
    after = ringing(machine_from_facts(facts, parameters), declared_profile(facts.move), axis="x")
    motion = exposure_motion(after, wait_s=0.06, exposure_s=0.016)
    assert base.blur_px.value >= motion.sigma_m[0] / facts.camera.object_pixel_m
    assert base.blur_px.value == pytest.approx(motion.sigma_m[0] / facts.camera.object_pixel_m, rel=0.02)  # + defocus
    assert base.mass_kg == pytest.approx(facts.frame_mass_kg + facts.head_mass_kg)
    assert base.cycle_s == pytest.approx(facts.move.duration_s + 0.06 + 0.016)
    assert base.placements_per_hour == pytest.approx(3600 / base.cycle_s)


def test_intervals_come_from_the_draws_and_are_unknown_without(facts, draws, base):
    values = base.draws["settling_s"]
    assert len(values) == 41
    assert base.settling_s.interval.contains(float(np.median(values[1:])))
    alone = outlook(facts, draws[:1], wait_s=0.06)
    assert math.isnan(alone.settling_s.standard_error)
    assert alone.settling_s.value == pytest.approx(base.settling_s.value)


def test_percentiles_of_draws_cover_as_stated():
    rng = np.random.default_rng(3)
    found = from_draws(np.concatenate([[0.0], rng.normal(size=4000)]))
    assert (found.interval.low, found.interval.high) == pytest.approx((-1.96, 1.96), abs=0.08)
    assert math.isnan(from_draws(np.zeros(20)).standard_error)  # nineteen draws


def test_a_sheet_that_no_parameter_tells_is_drawn_from_its_range(facts, draws, base):
    """Modulus of hardboard from 3.1 to 5.5 GPa at 95 %: ln E scatters by ln(5.5/3.1)/3.92, a frequency by half."""
    scatter = np.std(np.log(base.draws["panel_frequency_hz"][1:]))
    assert scatter == pytest.approx(0.5 * math.log(5.5 / 3.1) / 3.92, rel=0.3)
    assert any("comes from the table" in words for words in base.cautions)
    known = [one | {"young_modulus_pa of hardboard": 4.4e9, "loss_factor of hardboard": 0.055} for one in draws]
    told = outlook(facts, known, wait_s=0.06)
    assert np.ptp(told.draws["panel_frequency_hz"]) == pytest.approx(0.0, abs=1e-9)
    assert not any("table" in words for words in told.cautions)


def test_the_same_setting_is_no_change(base):
    same = compare_outlooks(base, base)
    assert (same.blur_ratio.value, same.blur_ratio.interval.low, same.blur_ratio.interval.high) == (1.0, 1.0, 1.0)
    assert same.settling_change_s.value == 0.0
    assert "settles as before" in same.sentence


def test_a_stiffer_panel_blurs_less_and_weighs_more(facts, draws, base):
    steel = outlook(changed(facts, panel_material="mild steel"), draws, wait_s=0.06)
    change = compare_outlooks(base, steel)
    assert change.blur_ratio.interval.high < 1
    assert change.mass_change_kg == pytest.approx((7850 - 970) * 0.3 * 0.3 * 0.003)
    assert "less blur" in change.sentence and "kg heavier" in change.sentence


def test_what_both_settings_share_cancels(facts, draws, base):
    """A little ballast: the change is known far better than either state."""
    more = changed(facts, layout_ballast_kg=1.0, layout_ballast_m=(0.25, 0.225, 0.03))
    change = compare_outlooks(base, outlook(more, draws, wait_s=0.06))
    alone = np.std(np.log(base.draws["blur_px"][1:]))
    assert change.blur_ratio.standard_error < 0.5 * alone


def test_draws_must_be_the_same(facts, draws, base):
    with pytest.raises(ValueError, match="before has 41 draws and after 21"):
        compare_outlooks(base, outlook(facts, draws[:21], wait_s=0.06))
    with pytest.raises(ValueError, match="draws is empty"):
        outlook(facts, [], wait_s=0.06)


def test_changes_keep_the_weight_right():
    facts = RunFacts(frame_mass_kg=20.0)
    assert changed(facts, layout_ballast_kg=6.0).frame_mass_kg == 26.0
    assert changed(facts, layout_ballast_kg=6.0, frame_mass_kg=21.0).frame_mass_kg == 21.0
    assert changed(facts, move_axis="y").move.axis == "y"
    assert changed(facts, head_mass_kg=0.4).head_mass_kg == 0.4
    with pytest.raises(ValueError, match="do you mean panel_thickness_m"):
        changed(facts, panel_thicknes_m=0.004)


def test_missing_facts_are_named(facts, draws):
    with pytest.raises(ValueError, match="exposure_ms in \\[camera\\]"):
        outlook(changed(facts, camera_exposure_s=math.nan), draws, wait_s=0.06)
    with pytest.raises(ValueError, match="allowed_blur_px in \\[camera\\]"):
        outlook(changed(facts, camera_allowed_blur_px=math.nan), draws, wait_s=0.06)


def test_guessed_ranges_keep_their_ends():
    drawn = draws_from_ranges({"foot_loss_factor": (0.05, 0.2)}, n=4000)
    values = np.array([one["foot_loss_factor"] for one in drawn[1:]])
    assert np.mean((values > 0.05) & (values < 0.2)) == pytest.approx(0.95, abs=0.012)
    with pytest.raises(ValueError, match="foot_loss_factor"):
        draws_from_ranges({"foot_loss_factor": (0.2, 0.05)}, n=1)
    guess = outlook(load_run(SERIES / "01-as-built").facts, drawn_feet(), wait_s=0.06, calibrated=False)
    assert any(words.startswith("Not calibrated") for words in guess.cautions)


def drawn_feet():
    return draws_from_ranges(RANGES, n=1)


def test_a_resized_panel_keeps_its_supports_at_the_edges(facts):
    wider = resized_panel(facts, length_m=0.36, width_m=0.28, inset_m=0.01)
    x, y = np.array(wider.layout.panel_supports_m).T
    left, front = wider.layout.panel_corner_m[:2]
    assert (x.min() - left, left + 0.36 - x.max(), y.min() - front) == pytest.approx((0.01, 0.01, 0.01))
    assert wider.layout.camera_m == facts.layout.camera_m
    assert wider.frame_mass_kg - facts.frame_mass_kg == pytest.approx(970 * 0.003 * (0.36 * 0.28 - 0.3 * 0.3))
