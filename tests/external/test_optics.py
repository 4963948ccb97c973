"""Optics against published values, traced rays and transforms of the kernels."""

import math

import numpy as np
import pytest
from scipy import integrate, optimize

from labkit.model.mtf import defocus_mtf, diffraction_mtf, pixel_mtf, sinusoid_mtf, smear_mtf
from labkit.model.optics import Optics, readout, sensor_noise, sinusoid_sigma


def lens(pupil=1.0, *, magnification=0.5, f_number=4.0):
    return Optics(
        pixel_m=3.45e-6,
        magnification=magnification,
        f_number=f_number,
        pupil_magnification=pupil,
        wavelength_m=0.55e-6,
    )


@pytest.mark.parametrize(
    ("found", "expected", "source"),
    [
        (lens().defocus_disc_m(100e-6), 4.1666667e-6, "ray geometry (derived), in the image"),
        (lens().defocus_disc_m(100e-6) / 0.5, 8.3333333e-6, "the same disc referred to the object"),
        (lens(1.5).defocus_disc_m(100e-6), 4.6875e-6, "pupil factor after Conrad, quoted on a photography page (seen)"),
        (lens().depth_of_field_m(3.45e-6), 165.6e-6, "2Nc(1 + m/P)/m² (seen)"),
        (lens(1.5).depth_of_field_m(3.45e-6), 147.2e-6, "2Nc(1 + m/P)/m² (seen)"),
        (lens().airy_diameter_m, 8.052e-6, "2.44λN(1 + m), textbook (from memory)"),
        (lens().object_aperture, 0.041666667, "m/(2N(1 + m)), textbook (from memory)"),
        (lens().diffraction_depth_m, 316.8e-6, "λ/NA², textbook (from memory)"),
        (lens().object_pixel_m, 6.9e-6, "p/m, textbook"),
        (pixel_mtf(0.5, pixel=1.0), 0.63661977, "2/π at half a cycle a pixel, textbook"),
        (smear_mtf(0.1, length=3.0), 0.85839369, "sin(πfd)/(πfd), encyclopaedia page on smear (seen)"),
        (smear_mtf(0.25, length=1.5), 0.7842133, "sin(πfd)/(πfd), encyclopaedia page on smear (seen)"),
        (sinusoid_mtf(0.1, amplitude=1.0), 0.90371264, "Hadar, Fisher & Kopeika 1992 (formula from memory)"),
        (sinusoid_mtf(0.05, amplitude=4.0), 0.64251184, "Hadar, Fisher & Kopeika 1992 (formula from memory)"),
        (sinusoid_sigma(1.0, frequency_hz=30.0, exposure_s=0.01), 0.36273976, "derived, Monte Carlo agrees"),
        (readout(1080, row_time_s=15e-6).readout_s, 16.2e-3, "rows × line delay (seen)"),
        (
            math.degrees(readout(1080, row_time_s=15e-6).phase_lag_rad(200, frequency_hz=40.0)),
            43.2,
            "derived",
        ),
    ],
)
def test_published_values(found, expected, source):
    assert float(found) == pytest.approx(expected, rel=1e-6), source


def test_sensor_noise():
    """EMVA 1288 linear model (description seen, formula from memory)."""
    noise = sensor_noise(1e4, quantum_efficiency=0.6, dark_noise_e=8.0, gain_dn_per_e=0.4)
    assert noise.ratio == pytest.approx(77.046516, rel=1e-7)
    assert noise.ratio_db == pytest.approx(37.73506, rel=1e-7)


@pytest.mark.parametrize(
    ("transfer", "half", "zero"),
    [
        (lambda x: np.sinc(x), 0.60335456, 1.0),
        (lambda x: sinusoid_mtf(x, amplitude=1.0), 0.24209759, 0.38273987),
        (lambda x: defocus_mtf(x, disc=1.0), 0.70508484, 1.2196699),
    ],
    ids=["smear", "sinusoid", "disc"],
)
def test_half_height_and_first_zero(transfer, half, zero):
    """Roots solved numerically: transfer 0.5 at f·L, f·A, f·c; first zeros."""
    assert optimize.brentq(lambda x: float(transfer(x)) - 0.5, 0.01, zero - 0.01) == pytest.approx(half, rel=1e-7)
    assert float(transfer(zero)) == pytest.approx(0.0, abs=1e-7)
    assert optimize.brentq(lambda x: float(smear_mtf(x, length=1.0)) - 0.5, 0.1, 0.9) == pytest.approx(0.60335456)


def test_transfers_are_transforms_of_their_kernels():
    """scipy quad of ∫kernel·cos(2πfx): disc seen edge-on, sinusoid by its phase."""
    for f in (0.1, 0.4, 0.9):
        disc = integrate.quad(lambda x, f=f: 8 / np.pi * np.sqrt(0.25 - x**2) * np.cos(2 * np.pi * f * x), -0.5, 0.5)[0]
        assert float(defocus_mtf(f, disc=1.0)) == pytest.approx(abs(disc), rel=1e-8)
        sway = integrate.quad(lambda p, f=f: np.cos(2 * np.pi * f * np.sin(p)) / np.pi, 0, np.pi)[0]
        assert float(sinusoid_mtf(f, amplitude=1.0)) == pytest.approx(abs(sway), rel=1e-8)


def test_diffraction_is_the_overlap_of_two_pupils():
    """Share of a disc that a copy moved by 2ν radii covers, by quadrature."""
    optics = lens()
    cutoff = 1 / (optics.wavelength_m * optics.working_f_number)
    for nu in (0.2, 0.5, 0.8):
        area = 4 * integrate.quad(lambda x: np.sqrt(1 - x**2), nu, 1)[0] / np.pi
        assert float(diffraction_mtf(nu * cutoff, optics=optics)) == pytest.approx(area, rel=1e-8)


def trace(object_m, *, front_f, rear_f, gap, stop_radius):
    """Paraxial: image distance behind the rear lens, where the stop is, and slope of the marginal ray there."""
    u, y = stop_radius / (object_m * (1 - gap / front_f) + gap), 0.0  # slope that meets the stop's edge
    y = u * object_m
    u = u - y / front_f
    y = y + u * gap
    assert y == pytest.approx(stop_radius)
    u = u - y / rear_f
    return -y / u, u


@pytest.mark.parametrize("front_f", [-0.05, 0.08, 1e9], ids=["retrofocus", "telephoto-like", "symmetric"])
def test_defocus_disc_by_traced_rays(front_f):
    """Two thin lenses with the stop at the rear one: pupils, f-number and disc by paraxial rays (ray geometry)."""
    parts = {"front_f": front_f, "rear_f": 0.025, "gap": 0.02, "stop_radius": 0.003}
    focal = 1 / (1 / front_f + 1 / 0.025 - 0.02 / (front_f * 0.025))
    entrance_radius = 0.003 / (1 - 0.02 / front_f)  # stop seen through the front lens
    object_m = 0.12
    image_m, slope = trace(object_m, **parts)
    object_slope = 0.003 / (object_m * (1 - 0.02 / front_f) + 0.02)
    magnification = abs(object_slope / slope)
    optics = lens(0.003 / entrance_radius, magnification=magnification, f_number=focal / (2 * entrance_radius))
    discs = []
    for dz in (-1e-5, 1e-5):
        moved_m, moved_slope = trace(object_m + dz, **parts)
        discs.append(2 * abs((image_m - moved_m) * moved_slope))
    assert optics.defocus_disc_m(1e-5) == pytest.approx(np.mean(discs), rel=1e-6)
    assert optics.object_aperture == pytest.approx(object_slope, rel=1e-9)
