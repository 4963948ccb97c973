"""Material table, replaced numbers, plate rigidity and strip tests."""

import math

import numpy as np
import pytest

from labkit.base import Estimate, Interval
from labkit.model.materials import MATERIALS, Material, MaterialNumber, material, plate_rigidity
from labkit.model.strip import strip_modulus_from_push, strip_modulus_from_tap

NUMBERS = (
    "young_modulus_pa",
    "density_kg_m3",
    "poisson_ratio",
    "loss_factor",
    "creep_factor",
    "young_modulus_across_pa",
    "shear_modulus_pa",
)


def estimate(value, relative):
    return Estimate.from_standard_error(value, relative * value, dof=math.inf)


# ------------------------------------------------------------------------------------------------------------- table
def test_table_has_the_sheets_of_a_bench_builder():
    assert set(MATERIALS) == {
        "mild steel",
        "stainless steel",
        "aluminium",
        "cast acrylic",
        "polycarbonate",
        "MDF",
        "hardboard",
        "birch plywood",
        "FR-4",
        "PETG",
        "PLA",
    }


@pytest.mark.parametrize("name", MATERIALS)
def test_every_number_has_range_and_source(name):
    for field in NUMBERS:
        number = getattr(material(name), field)
        if number is None:
            assert not material(name).has_grain
            continue
        assert number.interval.known and number.interval.contains(number.value)
        assert len(number.source) > 5


@pytest.mark.parametrize(
    "name, low, high",
    # √(E/ρ) in m/s to the order that any handbook gives: bars of steel and aluminium near 5000, wood and plastics less.
    [
        ("mild steel", 4900, 5300),
        ("aluminium", 4900, 5200),
        ("cast acrylic", 1500, 1700),
        ("birch plywood", 3000, 3900),
    ],
)
def test_speed_of_sound_is_plausible(name, low, high):
    sheet = material(name)
    assert low < math.sqrt(sheet.young_modulus_pa.value / sheet.density_kg_m3.value) < high


def test_unknown_name_lists_the_table():
    with pytest.raises(ValueError, match="'unobtainium'; it must be one of 'mild steel'"):
        material("unobtainium")


# ------------------------------------------------------------------------------------------------------ own numbers
def test_measured_number_replaces_the_table():
    found = material("MDF").measured(source="tap test of a strip", young_modulus_pa=estimate(2.9e9, 0.02))
    assert found.young_modulus_pa.value == 2.9e9
    assert found.young_modulus_pa.source == "tap test of a strip"
    assert found.young_modulus_pa.interval.half_width == pytest.approx(1.96 * 0.02 * 2.9e9, rel=1e-3)
    assert found.density_kg_m3 == material("MDF").density_kg_m3


@pytest.mark.parametrize(
    "numbers, error, match",
    [
        ({"young": estimate(1e9, 0.1)}, ValueError, "material number is 'young'"),
        ({"young_modulus_pa": 1e9}, TypeError, "must be an Estimate"),
        ({"young_modulus_pa": Estimate.unknown(-1.0)}, ValueError, "at least 0"),
        ({"poisson_ratio": Estimate.unknown(1.2)}, ValueError, "poisson_ratio of 'MDF'"),
        ({"shear_modulus_pa": Estimate.unknown(1e9)}, ValueError, "give both"),
    ],
)
def test_measured_refuses(numbers, error, match):
    with pytest.raises(error, match=match):
        material("MDF").measured(source="test", **numbers)


def test_number_outside_its_own_range_is_refused():
    with pytest.raises(ValueError, match="outside its own interval"):
        MaterialNumber(value=3.0, interval=Interval(low=1.0, high=2.0, level=0.95), source="test")


def test_turned_twice_is_the_same_and_once_swaps_the_rigidity():
    plywood = material("birch plywood")
    along, turned = (plate_rigidity(sheet, thickness_m=0.009) for sheet in (plywood, plywood.turned()))
    assert turned.along == pytest.approx(along.across, rel=1e-12)
    assert turned.coupling == pytest.approx(along.coupling, rel=1e-12)
    assert turned.twist == along.twist
    again = plywood.turned().turned()
    assert again.poisson_ratio.value == pytest.approx(plywood.poisson_ratio.value, rel=1e-12)
    assert material("aluminium").turned() is material("aluminium")


def test_scaled_scales_moduli_only():
    plywood, half = material("birch plywood"), material("birch plywood").scaled(0.5)
    for name in ("young_modulus_pa", "young_modulus_across_pa", "shear_modulus_pa"):
        assert getattr(half, name).value == 0.5 * getattr(plywood, name).value
        assert getattr(half, name).interval.high == 0.5 * getattr(plywood, name).interval.high
    assert half.poisson_ratio == plywood.poisson_ratio


def test_equal_moduli_make_a_sheet_without_grain():
    steel = material("mild steel")
    shear = steel.young_modulus_pa.value / (2 * (1 + steel.poisson_ratio.value))
    grained = Material(
        name="steel in disguise",
        young_modulus_pa=steel.young_modulus_pa,
        density_kg_m3=steel.density_kg_m3,
        poisson_ratio=steel.poisson_ratio,
        loss_factor=steel.loss_factor,
        creep_factor=steel.creep_factor,
        young_modulus_across_pa=steel.young_modulus_pa,
        shear_modulus_pa=MaterialNumber(
            value=shear, interval=Interval(low=shear, high=shear, level=0.95), source="test"
        ),
    )
    plain, disguised = (plate_rigidity(sheet, thickness_m=0.002) for sheet in (steel, grained))
    for name in ("along", "across", "coupling", "twist"):
        assert getattr(disguised, name) == pytest.approx(getattr(plain, name), rel=1e-12)
    assert plain.twist == pytest.approx(plain.along * (1 - 0.3) / 2, rel=1e-12)


# ------------------------------------------------------------------------------------------------------------ strips
def strip(relative):
    return dict(width_m=estimate(0.03, relative[1]), thickness_m=estimate(0.004, relative[2])), relative[0]


def test_push_interval_covers():
    """Inputs drawn from their uncertainties: the 95 % interval of E holds the truth in 93…97 % of 1500 strips."""
    rng = np.random.default_rng(7)
    truth = dict(k=18.0e3, span=0.25, width=0.03, thickness=0.004)
    spread = dict(k=0.01, span=0.002, width=0.003, thickness=0.008)
    young = truth["k"] * truth["span"] ** 3 / (4 * truth["width"] * truth["thickness"] ** 3)
    inside = 0
    for _ in range(1500):
        seen = {
            name: estimate(truth[name] * (1 + spread[name] * rng.standard_normal()), spread[name]) for name in truth
        }
        found = strip_modulus_from_push(
            seen["k"],
            span_m=seen["span"],
            width_m=seen["width"],
            thickness_m=seen["thickness"],
            supports="two rests",
        )
        inside += found.interval.contains(young)
    assert 0.93 < inside / 1500 < 0.97


def test_thickness_counts_three_times():
    size, _ = strip((0.0, 0.0, 0.01))
    found = strip_modulus_from_push(estimate(1e3, 0.0), span_m=estimate(0.3, 0.0), supports="two rests", **size)
    assert found.standard_error / found.value == pytest.approx(0.03, rel=1e-9)
    tapped = strip_modulus_from_tap(
        estimate(100.0, 0.0), mass_kg=estimate(0.1, 0.0), length_m=estimate(0.3, 0.0), supports="free", **size
    )
    assert tapped.standard_error / tapped.value == pytest.approx(0.03, rel=1e-9)


def test_unknown_input_gives_unknown_interval_but_a_value():
    size, _ = strip((0.0, 0.0, 0.01))
    found = strip_modulus_from_push(Estimate.unknown(1e3), span_m=estimate(0.3, 0.0), supports="two rests", **size)
    assert found.value > 0 and not found.interval.known and math.isnan(found.standard_error)


@pytest.mark.parametrize(
    "span, supports, match",
    [
        (0.1, "two rests", "length over width of the strip"),
        (0.3, "glued", "supports is 'glued'"),
    ],
)
def test_strip_refuses(span, supports, match):
    size, _ = strip((0.0, 0.0, 0.01))
    with pytest.raises(ValueError, match=match):
        strip_modulus_from_push(estimate(1e3, 0.0), span_m=estimate(span, 0.0), supports=supports, **size)


def test_thick_strip_is_refused():
    with pytest.raises(ValueError, match="length over thickness"):
        strip_modulus_from_tap(
            estimate(100.0, 0.0),
            mass_kg=estimate(0.1, 0.0),
            length_m=estimate(0.1, 0.0),
            width_m=estimate(0.01, 0.0),
            thickness_m=estimate(0.01, 0.0),
            supports="free",
        )
