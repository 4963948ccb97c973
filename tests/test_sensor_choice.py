"""Can this sensor see it? And the cautions that go with a plan."""

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.decide.cautions import PLAN_PARTS, cautions
from labkit.decide.needs import Expected
from labkit.decide.plans import plan_camera, plan_log
from labkit.decide.sensor_choice import (
    _CARE,
    _CURES,
    CameraSensor,
    MotionSensor,
    can_see,
    effective_noise_density,
    mass_loading,
    sensor_classes,
)
from labkit.runs.facts import MoveFacts, SensorFacts

G = 9.80665
WREN = Expected(
    frequency_hz=(11.0, 61.0),
    damping_ratio=(0.018, 0.045),
    amplitude_m=(5e-6, 33e-6),
    move=MoveFacts(commanded_acceleration_m_s2=4.0, travel_m=0.08, speed_m_s=0.25),
    head_mass_kg=0.6,
    frame_mass_kg=22.0,
    modal_mass_kg=0.2,
)
PLAN = plan_log(WREN, tolerance_m=3.45e-6)
GOOD = MotionSensor(
    name="a good one",
    noise_density_m_s2_rthz=25e-6 * G,
    range_m_s2=8 * G,
    sample_rate_hz=4000.0,
    bits=20,
    bandwidth_hz=1000.0,
    lowest_frequency_hz=0.0,
    mass_kg=4e-3,
    mount_resonance_hz=1500.0,
)


def test_a_good_sensor_sees_it():
    verdict = can_see(GOOD, PLAN)
    assert verdict.word == "yes" and not verdict.missing and verdict.margin > 1
    assert all(check.word == "yes" for check in verdict.checks)


@pytest.mark.parametrize(
    "change, word, limit",
    [
        ({"noise_density_m_s2_rthz": 120e-6 * G}, "barely", "noise density"),
        ({"noise_density_m_s2_rthz": 500e-6 * G}, "no", "noise density"),
        ({"range_m_s2": 1.5 * G}, "no", "range, one side"),
        ({"sample_rate_hz": 100.0}, "no", "sample rate"),
        ({"bandwidth_hz": 150.0}, "barely", "bandwidth, −3 dB"),
        ({"lowest_frequency_hz": 6.0}, "no", "lowest frequency"),
        ({"mass_kg": 0.19}, "no", "mass with mount"),
        ({"mount_resonance_hz": 250.0}, "barely", "mounted resonance"),
        ({"bits": 8, "noise_density_m_s2_rthz": 2e-6 * G, "range_m_s2": 16 * G}, "no", "step of the reading"),
    ],
)
def test_the_number_that_stands_in_the_way_is_named_with_a_cure(change, word, limit):
    verdict = can_see(replace(GOOD, **change), PLAN)
    assert (verdict.word, verdict.limit) == (word, limit)
    assert any("Cure:" in words for words in verdict.sentences)
    assert (verdict.margin < 1) == (word == "no")


@pytest.mark.parametrize("key", ["noise_density_m_s2_rthz", "range_m_s2", "sample_rate_hz"])
def test_a_number_that_decides_and_is_unknown_leaves_it_open(key):
    verdict = can_see(replace(GOOD, **{key: math.nan}), PLAN)
    assert verdict.word == "unknown" and verdict.missing


def test_an_unknown_mount_is_said_and_does_not_block():
    verdict = can_see(replace(GOOD, mount_resonance_hz=math.nan), PLAN)
    assert verdict.word == "yes" and verdict.missing == ("mounted resonance",)


def test_a_plan_without_an_amplitude_gives_no_verdict():
    blind = plan_log(replace(WREN, amplitude_m=math.nan), tolerance_m=3.45e-6)
    verdict = can_see(replace(GOOD, noise_density_m_s2_rthz=120e-6 * G), blind)
    assert verdict.word == "unknown"
    assert verdict.missing == ("limit on the noise density", "limit on the range, one side")
    assert can_see(GOOD, blind).checks[0].word == "yes"  # within what the tolerance alone asks for


def test_rounding_counts_as_noise_when_the_sensor_dithers():
    """Spectral density of rounded white noise, simulated."""
    sensor = MotionSensor(name="x", noise_density_m_s2_rthz=1e-3, range_m_s2=20.0, sample_rate_hz=1000.0, bits=10)
    rng = np.random.default_rng(1)
    values = rng.normal(0, 1e-3 * math.sqrt(500), 400_000)
    rounded = sensor.resolution_m_s2 * np.round(values / sensor.resolution_m_s2)
    assert sensor.dithered
    assert rounded.std() / math.sqrt(500) == pytest.approx(effective_noise_density(sensor), rel=0.01)


def test_motion_below_a_step_is_lost_only_without_dither():
    coarse = replace(GOOD, bits=10, noise_density_m_s2_rthz=60e-6 * G)
    assert can_see(coarse, PLAN).limit == "step of the reading"  # 15.6 mg, limit 3.4 mg
    noisy = replace(coarse, noise_density_m_s2_rthz=200e-6 * G)  # 8.9 mg rms: dithered
    assert noisy.dithered and can_see(noisy, PLAN).limit == "noise density"


def test_sensor_of_a_run():
    facts = SensorFacts(
        model="board", range_m_s2=2 * G, noise_density_m_s2_rthz=1e-3, mass_kg=4e-3, nominal_rate_hz=1600.0
    )
    sensor = MotionSensor.from_facts(facts, bits=16)
    assert sensor.name == "board" and sensor.resolution_m_s2 == pytest.approx(61.0352e-6 * G)
    with pytest.raises(ValueError, match="board: mass_kg"):
        MotionSensor(name="board", mass_kg=-1.0)
    with pytest.raises(ValueError, match="above 0"):
        MotionSensor(name="board", range_m_s2=0.0)


def test_the_classes_get_different_verdicts():
    words = {name: can_see(sensor, PLAN).word for name, sensor in sensor_classes().items()}
    assert words["hobby MEMS board"] == "no" and words["phone"] == "no" and words["mid-range MEMS"] == "barely"


def test_mass_loading_is_that_of_a_mass_on_a_spring():
    assert mass_loading(0.3, modal_mass_kg=0.1) == pytest.approx(0.5)


def test_a_camera_as_the_sensor():
    plan = plan_camera(WREN, tolerance_m=3.45e-6)
    good = CameraSensor(name="c", frame_rate_hz=700.0, exposure_s=1e-3, shift_noise_px=0.002, object_pixel_m=6.9e-6)
    assert can_see(good, plan).word == "yes"
    assert good.offers()["shift_noise_m"] == pytest.approx(0.01 * 6.9e-6)  # no promise below 0.01 px
    assert can_see(replace(good, frame_rate_hz=100.0), plan).limit == "frame rate"
    assert can_see(replace(good, exposure_s=5e-3), plan).word == "barely"
    assert can_see(replace(good, shift_noise_px=math.nan), plan).word == "unknown"
    with pytest.raises(ValueError, match="no number in common"):
        can_see(CameraSensor(name="c"), replace(plan, needs=plan.needs[-1:]))


def test_every_quantity_that_a_sensor_offers_has_a_cure():
    offered = set(replace(GOOD, bits=8).offers()) | set(CameraSensor(name="c").offers())
    assert offered == set(_CURES) and set(_CARE) < offered


# ----------------------------------------------------------------------------------------------------- cautions
def test_cautions_follow_the_plan_and_codes_come_first():
    found = cautions(["push", "metal panel"], plate_mass_kg=5.05)
    assert found[0].part == "always" and "licensed" in found[0].text
    words = " ".join(one.text for one in found)
    assert "drives off" in words and "protective earth" in words and "5.0 kg: heavy and sharp" in words
    assert "Laser" not in words


def test_every_part_has_a_caution():
    assert {one.part for one in cautions(PLAN_PARTS)} == {"always", *PLAN_PARTS}


def test_unknown_parts_are_errors():
    with pytest.raises(ValueError, match="'juggle'"):
        cautions(["juggle"])
    with pytest.raises(TypeError, match="give a list"):
        cautions("push")
