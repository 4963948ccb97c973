"""Optics: limits, budgets, scaling; what is refused."""

import dataclasses
import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.model.mtf import defocus_mtf, diffraction_mtf, pixel_mtf, sinusoid_mtf, smear_mtf
from labkit.model.optics import (
    Optics,
    blur_parts,
    disc_sigma,
    optics_from_facts,
    readout,
    sensor_noise,
    sinusoid_sigma,
    smear_sigma,
)
from labkit.runs.facts import CameraFacts
from labkit.runs.runfile import facts_of, read_run_file

FACTS = {
    "pixel_m": 3.45e-6,
    "magnification": 0.5,
    "f_number": 4.0,
    "pupil_magnification": 1.0,
    "wavelength_m": 0.55e-6,
}
LENS = Optics(**FACTS)


def test_short_exposures_smear_and_long_ones_show_the_whole_sinusoid():
    rms_speed = 2 * np.pi * 40.0 * 3.0 / math.sqrt(2)
    short = sinusoid_sigma(3.0, frequency_hz=40.0, exposure_s=1e-6)
    assert short == pytest.approx(smear_sigma(rms_speed * 1e-6), rel=1e-6)
    assert sinusoid_sigma(3.0, frequency_hz=40.0, exposure_s=100.0) == pytest.approx(3.0 / math.sqrt(2), rel=1e-6)


def test_the_series_for_short_exposures_joins_the_formula():
    edge = 1e-3 / np.pi
    below, above = (sinusoid_sigma(1.0, frequency_hz=1.0, exposure_s=edge * f) / f for f in (0.999, 1.001))
    assert below == pytest.approx(above, rel=1e-6)


def test_sigma_of_sinusoid_is_the_mean_over_phase():
    rng = np.random.default_rng(5)
    phase = rng.uniform(0, 2 * np.pi, 4000)[:, None]
    nodes, weights = np.polynomial.legendre.leggauss(30)
    x = np.sin(2 * np.pi * 30.0 * 0.005 * nodes + phase)
    variance = x**2 @ weights / 2 - (x @ weights / 2) ** 2
    expected = sinusoid_sigma(1.0, frequency_hz=30.0, exposure_s=0.01) ** 2
    assert variance.mean() == pytest.approx(expected, abs=4 * variance.std() / math.sqrt(4000))


@pytest.mark.parametrize(
    ("transfer", "sigma"),
    [
        (lambda f: smear_mtf(f, length=2.0), smear_sigma(2.0)),
        (lambda f: pixel_mtf(f, pixel=1.0), 1 / math.sqrt(12)),
        (lambda f: sinusoid_mtf(f, amplitude=2.0), 2.0 / math.sqrt(2)),
        (lambda f: defocus_mtf(f, disc=2.0), disc_sigma(2.0)),
    ],
    ids=["smear", "pixel", "sinusoid", "disc"],
)
def test_each_transfer_starts_as_its_variance_says(transfer, sigma):
    """1 − 2π²σ²f² for small f: transfer and σ are of the same kernel."""
    f = 1e-3
    assert float(transfer(0.0)) == 1.0
    assert (1 - float(transfer(f))) / (2 * np.pi**2 * f**2) == pytest.approx(sigma**2, rel=1e-4)


def test_diffraction_falls_to_zero_at_its_limit_and_stays_there():
    limit = 1 / (LENS.wavelength_m * LENS.working_f_number)
    values = diffraction_mtf(np.linspace(0, 2 * limit, 21), optics=LENS)
    assert values[0] == 1.0
    assert np.all(np.diff(values[:11]) < 0)
    assert not values[10:].any()


def test_budgets_turn_back_into_their_blur():
    for sigma_px in (0.1, 0.5, 2.0):
        motion, defocus = LENS.motion_for_blur_m(sigma_px), LENS.defocus_for_blur_m(sigma_px)
        assert blur_parts(LENS, motion_sigma_m=motion, defocus_m=0.0).motion_px == pytest.approx(sigma_px)
        assert blur_parts(LENS, motion_sigma_m=0.0, defocus_m=defocus).defocus_px == pytest.approx(sigma_px)


def test_variances_add():
    parts = blur_parts(LENS, motion_sigma_m=np.array([2e-6, 4e-6]), defocus_m=50e-6)
    expected = parts.motion_px**2 + parts.defocus_px**2 + parts.pixel_px**2 + parts.diffraction_px**2
    assert parts.total_px**2 == pytest.approx(expected)
    assert np.all(parts.added_px < parts.total_px)


def test_the_gaussian_for_diffraction_follows_the_core_of_the_pattern():
    """Half width of Airy's pattern, 1.029·λN at half height, against 2.355σ: within 5 %."""
    parts = blur_parts(LENS, motion_sigma_m=0.0, defocus_m=0.0)
    half_width = 1.029 * LENS.wavelength_m * LENS.working_f_number / LENS.pixel_m
    assert 2.355 * parts.diffraction_px == pytest.approx(half_width, rel=0.05)


def test_focus_depth_is_ruled_by_diffraction_for_small_discs():
    assert LENS.focus_depth_m(3.45e-6) == LENS.diffraction_depth_m > LENS.depth_of_field_m(3.45e-6)
    assert LENS.focus_depth_m(20e-6) == LENS.depth_of_field_m(20e-6)


def test_noise_is_shot_noise_in_bright_light():
    bright = sensor_noise(1e8, quantum_efficiency=0.6, dark_noise_e=8.0, gain_dn_per_e=0.4)
    assert bright.ratio == pytest.approx(math.sqrt(0.6e8), rel=1e-4)
    dark = sensor_noise(0.0, quantum_efficiency=0.6, dark_noise_e=8.0, gain_dn_per_e=0.4)
    assert dark.noise_dn == pytest.approx(math.sqrt(3.2**2 + 1 / 12))


def test_optics_from_declared_facts(tmp_path):
    declared = tmp_path / "run.toml"
    declared.write_text(
        "[camera]\npixel_um = 3.45\nmagnification = 0.5\nf_number = 4.0\n"
        "pupil_magnification = 1.0\nwavelength_nm = 550\n"
    )
    camera = facts_of(read_run_file(declared)).camera
    assert dataclasses.asdict(optics_from_facts(camera)) == pytest.approx(dataclasses.asdict(LENS), rel=1e-12)
    other = Optics.from_facts(camera, pupil_magnification=1.4, wavelength_m=0.63e-6)
    assert other == replace(optics_from_facts(camera), pupil_magnification=1.4, wavelength_m=0.63e-6)


@pytest.mark.parametrize(
    ("missing", "message"),
    [
        ("f_number", r"f_number of the camera is not known; add to \[camera\] in run.toml.*: f_number = 4.0$"),
        ("wavelength_m", r"wavelength_m .*: wavelength_nm = 550.0$"),
        ("pixel_m pupil_magnification", r"are not known.*: pixel_um = 3.45, pupil_magnification = 1.0$"),
    ],
)
def test_a_missing_fact_is_named_with_its_key(missing, message):
    camera = CameraFacts(**{name: value for name, value in FACTS.items() if name not in missing.split()})
    with pytest.raises(ValueError, match=message):
        optics_from_facts(camera)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Optics(**FACTS | {"magnification": 0.0}), "magnification"),
        (lambda: Optics(**FACTS | {"wavelength_m": 550.0}), "wavelength_m.*metres"),
        (lambda: optics_from_facts(CameraFacts(**FACTS | {"wavelength_m": 550.0})), "wavelength_m.*metres"),
        (lambda: LENS.depth_of_field_m(0.0), "disc_m"),
        (lambda: sensor_noise(-1.0, quantum_efficiency=0.6, dark_noise_e=8.0, gain_dn_per_e=0.4), "photons"),
        (lambda: sensor_noise(1.0, quantum_efficiency=1.6, dark_noise_e=8.0, gain_dn_per_e=0.4), "quantum"),
        (lambda: readout(0, row_time_s=1e-5), "n_rows"),
    ],
)
def test_what_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
