"""Planning formulas against numerical integration, an independent power calculation and published depths of field."""

import math

import numpy as np
import pytest
from scipy import fft, integrate, signal
from statsmodels.stats.power import TTestIndPower

from labkit.analyse.displacement import noise_floor_m
from labkit.decide.budget import camera_budget
from labkit.decide.needs import Expected
from labkit.decide.plans import detectable_ratio, plan_log
from labkit.decide.sensor_choice import MotionSensor
from labkit.runs.facts import CameraFacts

G = 9.80665


def test_noise_floor_against_double_integration_of_simulated_noise():
    """scipy's cumulative trapezoid, twice, on white noise; what is slower than the cut taken off by a brick wall."""
    rate, low, n = 400.0, 5.0, 2**21  # 1.5 hours: the scatter of the rms is below 0.5 %
    density = 100e-6 * G
    rng = np.random.default_rng(3)
    acceleration = rng.normal(0.0, density * math.sqrt(rate / 2), n)
    velocity = integrate.cumulative_trapezoid(acceleration, dx=1 / rate, initial=0.0)
    displacement = integrate.cumulative_trapezoid(velocity - velocity.mean(), dx=1 / rate, initial=0.0)
    faded = signal.detrend(displacement) * signal.windows.hann(n)
    spectrum = fft.rfft(faded)
    spectrum[fft.rfftfreq(n, 1 / rate) < low] = 0.0
    rms = fft.irfft(spectrum, n).std() / math.sqrt(0.375)  # power that a Hann window leaves
    assert rms == pytest.approx(noise_floor_m(density, low_cut_hz=low, high_cut_hz=rate / 2), rel=0.02)
    sensor = MotionSensor(name="x", noise_density_m_s2_rthz=density)
    assert rms == pytest.approx(sensor.floor_m(low), rel=0.02)


@pytest.mark.parametrize("ratio, scatter, metrics", [(0.8, 0.1, 1), (0.9, 0.15, 1), (1.5, 0.2, 5), (0.7, 0.3, 3)])
def test_repeats_against_statsmodels(ratio, scatter, metrics):
    plan = plan_log(
        Expected(frequency_hz=20.0, damping_ratio=0.02),
        tolerance_m=1e-6,
        change_ratio=ratio,
        scatter=scatter,
        metrics=metrics,
    )
    needed = TTestIndPower().solve_power(
        effect_size=abs(math.log(ratio)) / scatter, alpha=0.05 / metrics, power=0.8, alternative="two-sided"
    )
    assert plan.need("repeats").must == math.ceil(needed)


@pytest.mark.parametrize("repeats, scatter", [(5, 0.1), (12, 0.1), (40, 0.3)])
def test_detectable_ratio_against_statsmodels(repeats, scatter):
    effect = TTestIndPower().solve_power(nobs1=repeats, alpha=0.05, power=0.8, alternative="two-sided")
    assert detectable_ratio(repeats, scatter=scatter) == pytest.approx(math.exp(effect * scatter), rel=1e-5)


@pytest.mark.parametrize(
    "magnification, f_number, depth_mm",
    [
        (1.0, 2.8, 0.396),
        (1.0, 4.0, 0.560),
        (1.0, 8.0, 1.120),
        (1.0, 16.0, 2.240),
        (5.0, 2.8, 0.048),
        (5.0, 16.0, 0.269),
    ],
)
def test_depth_of_field_against_a_published_table(magnification, f_number, depth_mm):
    """Table in the instructions of a 1 to 5 times macro lens, circle of 0.035 mm (from memory).

    Its f/2.8 is 2√2, and it knows geometry only.
    """
    exact = 2 ** (round(2 * math.log2(f_number)) / 2)
    camera = CameraFacts(pixel_m=3.5e-6, magnification=magnification, f_number=exact, allowed_blur_px=1.0)
    found = camera_budget(camera, pupil_magnification=1.0, wavelength_m=0.55e-6, allowed_disc_px=10.0)
    assert 1e3 * found.geometric_depth_m.low == pytest.approx(depth_mm, abs=0.0006)


def test_pupil_magnification_against_the_quoted_factor():
    """Depth scales with (m + P)/(P(m + 1)) (Conrad, as quoted on a photography site; seen)."""
    camera = CameraFacts(pixel_m=3.45e-6, magnification=0.5, f_number=4.0, allowed_blur_px=1.0)
    found = camera_budget(camera, pupil_magnification=(1.0, 1.5), wavelength_m=0.55e-6, allowed_disc_px=1.0)
    factor = (0.5 + 1.5) / (1.5 * 1.5)
    assert found.geometric_depth_m.low == pytest.approx(factor * found.geometric_depth_m.high)
    assert found.geometric_depth_m.high == pytest.approx(165.6e-6)
