"""Maps of settings, options side by side, what matters most."""

import math
from pathlib import Path

import numpy as np
import pytest

from labkit.decide.draws import draws_from_ranges
from labkit.decide.explore import compare_options, sensitivity, speed_map
from labkit.decide.settings import changed
from labkit.decide.what_if import outlook
from labkit.runs.runfolder import load_run

SERIES = Path(__file__).parents[1] / "data" / "wren-series"
RANGES = {
    "foot_stiffness_x_n_per_m": (2.4e4, 3.3e4),
    "foot_stiffness_z_n_per_m": (1.6e5, 2.2e5),
    "foot_loss_factor": (0.08, 0.12),
    "young_modulus_pa of hardboard": (4.0e9, 5.0e9),
    "loss_factor of hardboard": (0.045, 0.065),
}
ACCELERATIONS, WAITS = np.linspace(4, 12, 5), np.linspace(0.0, 0.4, 9)


@pytest.fixture(scope="module")
def facts():
    return load_run(SERIES / "01-as-built").facts


@pytest.fixture(scope="module")
def draws():
    return draws_from_ranges(RANGES, n=60)


def test_a_map_holds_what_single_settings_give(facts, draws):
    found = speed_map(facts, draws[:4], acceleration_m_s2=ACCELERATIONS, wait_s=WAITS, budget_px=0.5)
    for i, k in [(0, 0), (2, 3), (4, 8)]:
        setting = changed(facts, move_commanded_acceleration_m_s2=float(ACCELERATIONS[i]))
        one = outlook(setting, draws[:4], wait_s=float(WAITS[k]))
        assert found.blur_px[i, k] == pytest.approx(np.median(one.draws["blur_px"][1:]), rel=1e-6)
        assert found.cycle_s[i, k] == pytest.approx(one.cycle_s)


def test_the_fastest_setting_keeps_the_budget_with_the_wanted_probability(facts, draws):
    found = speed_map(facts, draws, acceleration_m_s2=ACCELERATIONS, wait_s=WAITS, budget_px=0.5, overhead_s=0.3)
    good = found.probability >= 0.95
    assert good.any() and not good.all()
    assert found.fastest.cycle_s == found.cycle_s[good].min()
    assert np.all(np.diff(found.probability, axis=1) >= 0)  # longer waits are never less sure
    setting = changed(facts, move_commanded_acceleration_m_s2=found.fastest.acceleration_m_s2)
    one = outlook(setting, draws, wait_s=found.fastest.wait_s, overhead_s=0.3)
    assert np.mean(one.draws["blur_px"][1:] <= 0.5) >= 0.95
    assert one.cycle_s == pytest.approx(found.fastest.cycle_s)
    assert f"{found.fastest.cycle_s:.3f} s a placement" in found.sentences[0]


def test_a_budget_that_cannot_be_kept_is_said(facts, draws):
    found = speed_map(facts, draws[:25], acceleration_m_s2=[8.0], wait_s=[0.0, 0.01], budget_px=0.01)
    assert found.fastest is None
    assert found.sentences[0].startswith("No setting")


def test_lines_of_a_map_must_rise(facts, draws):
    with pytest.raises(ValueError, match="wait_s must rise"):
        speed_map(facts, draws, acceleration_m_s2=[4.0], wait_s=[0.1, 0.1], budget_px=0.5)
    with pytest.raises(ValueError, match="acceleration_m_s2"):
        speed_map(facts, draws, acceleration_m_s2=[0.0, 4.0], wait_s=[0.1], budget_px=0.5)


@pytest.fixture(scope="module")
def options(facts):
    return {
        "as built": facts,
        "4 mm": changed(facts, panel_thickness_m=0.004),
        "steel": changed(facts, panel_material="mild steel"),
        "gentler": changed(facts, move_commanded_acceleration_m_s2=4.0),
    }


def test_options_are_sorted_by_what_they_buy(facts, draws, options):
    by_blur = compare_options(facts, draws[:21], options=options, wait_s=0.06)
    values = [one.outlook.blur_px.value for one in by_blur]
    assert values == sorted(values)
    by_kg = {one.name: one for one in compare_options(facts, draws[:21], options=options, wait_s=0.06, sort_by="kg")}
    saved = by_kg["as built"].outlook.blur_px.value - by_kg["steel"].outlook.blur_px.value
    assert by_kg["steel"].saved_px_per_kg == pytest.approx(saved / (6880 * 0.09 * 0.003))
    assert list(by_kg)[:2] == ["gentler", "4 mm"]  # one adds no weight, the other a tenth of that of steel
    assert by_kg["gentler"].saved_px_per_kg == math.inf
    assert by_kg["as built"].saved_px_per_kg == 0.0


def test_price_ranks_what_has_a_price_first(facts, draws, options):
    found = compare_options(
        facts, draws[:21], options=options, wait_s=0.06, price={"steel": 20.0, "4 mm": 8.0}, sort_by="price"
    )
    assert [one.name for one in found[:2]] == ["4 mm", "steel"]
    assert math.isnan(found[-1].saved_px_per_price)
    with pytest.raises(ValueError, match="no options"):
        compare_options(facts, draws, options=options, wait_s=0.06, price={"stel": 20.0})


def test_what_alone_decides_has_the_whole_share(facts, draws):
    """What a panel on rigid supports gives under a push is the inverse of its modulus and of nothing else."""
    found = outlook(facts, draws, wait_s=0.06)
    first, *rest = sensitivity(facts, draws, found=found, quantity="compliance_m_per_n")
    assert first.name == "young_modulus_pa of hardboard"
    assert first.share.value > 0.99
    assert first.slope == pytest.approx(-1.0, abs=1e-6)
    assert all(one.share.interval.low < 0.1 for one in rest)
    assert all(one.share.interval.low <= one.share.value <= one.share.interval.high for one in (first, *rest))


def test_shares_need_draws_that_differ(facts, draws):
    few = draws[:30]
    with pytest.raises(ValueError, match="29 draws are too few"):
        sensitivity(facts, few, found=outlook(facts, few, wait_s=0.06))
    with pytest.raises(ValueError, match="give the same"):
        sensitivity(facts, draws, found=outlook(facts, few, wait_s=0.06))
