"""Kernel transfers and the blur predicted from a displacement: closed forms and ragged input."""

import math

import numpy as np
import pytest
from scipy import optimize

from labkit.analyse.kernels import (
    EXTENT_PER_SIGMA,
    blur_transfer,
    predicted_blur,
    profile,
    sinusoid_sigma_px,
)
from labkit.analyse.sampling import exposure_attenuation
from labkit.runs.recording import Recording


def _recording(values, rate_hz=1000.0, unit="px", start_s=0.0):
    values = np.atleast_2d(values)
    return Recording(
        values=values, sample_rate_hz=rate_hz, channels=["x", "y"][: len(values)], unit=unit, start_s=start_s
    )


@pytest.mark.parametrize("family", EXTENT_PER_SIGMA)
def test_small_blur_shows_its_variance_only(family):
    sigma, f = 0.01, 0.2
    got = blur_transfer(f, family=family, extent_px=sigma * EXTENT_PER_SIGMA[family])
    assert got == pytest.approx(1 - 2 * math.pi**2 * sigma**2 * f**2, abs=2e-8)


@pytest.mark.parametrize(
    ("family", "half", "zero"),
    [("smear", 0.603355, 1.0), ("sinusoid", 2 * 0.242098, 2 * 0.38274), ("disc", 0.705085, 1.21967)],
)  # roots of sinc, J0 and 2J1(x)/x, solved numerically
def test_half_and_first_zero(family, half, zero):
    transfer = lambda f: float(blur_transfer(f, family=family, extent_px=1.0))  # noqa: E731
    assert optimize.brentq(lambda f: transfer(f) - 0.5, 0.1, 0.9) == pytest.approx(half, rel=1e-4)
    assert transfer(zero) == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize("family", EXTENT_PER_SIGMA)
def test_table_agrees_with_the_formula_and_its_slope(family):
    t = np.linspace(0, 3, 1001)
    at, slope = profile(t, family=family)
    exact = blur_transfer(np.sqrt(t), family=family, extent_px=EXTENT_PER_SIGMA[family])
    np.testing.assert_allclose(at, exact, atol=5e-6)
    difference = (profile(t + 1e-3, family=family)[0] - profile(t - 1e-3, family=family)[0]) / 2e-3
    np.testing.assert_allclose(slope, difference, atol=5e-3)


def test_sinusoid_within_an_exposure_at_both_ends():
    assert sinusoid_sigma_px(1.0, frequency_hz=1.0, exposure_s=1e-3) < 2 * math.pi * 1e-3 / math.sqrt(12)
    assert sinusoid_sigma_px(1.0, frequency_hz=1000.0, exposure_s=1.0) == pytest.approx(1 / math.sqrt(2), rel=1e-6)
    assert exposure_attenuation(100.0, exposure_s=0.01) == pytest.approx(0.0, abs=1e-12)


def test_predicted_blur_of_a_sinusoid_over_all_phases():
    rate, f, exposure = 20000.0, 30.0, 0.01
    t = np.arange(int(rate * 2)) / rate
    starts = np.linspace(0, 1.9, 1901)
    got = predicted_blur(_recording(np.sin(2 * np.pi * f * t), rate), exposure_s=exposure, start_s=starts)
    assert np.sqrt(np.mean(got.sigma_px[0] ** 2)) == pytest.approx(
        sinusoid_sigma_px(1.0, frequency_hz=f, exposure_s=exposure), rel=2e-3
    )


def test_predicted_blur_equals_quadrature_for_any_window():
    rng = np.random.default_rng(1)
    x = rng.normal(size=(2, 50))
    start, exposure = 0.00737, 0.01311
    got = predicted_blur(_recording(x), exposure_s=exposure, start_s=[start])
    fine = start + (np.arange(200000) + 0.5) / 200000 * exposure
    for row in (0, 1):
        y = np.interp(fine, np.arange(50) / 1000, x[row])
        assert got.shift_px[row, 0] == pytest.approx(y.mean(), abs=1e-5)
        assert got.sigma_px[row, 0] == pytest.approx(y.std(), abs=1e-5)


def test_offset_does_not_cost_digits_and_metres_are_scaled():
    drift = 1e6 + np.arange(100) * 1e-3
    got = predicted_blur(_recording(drift), exposure_s=0.01)
    assert got.sigma_px[0] == pytest.approx(np.full(9, 0.01 / math.sqrt(12)), rel=1e-4)
    metres = predicted_blur(_recording(np.arange(100) * 1e-6, unit="m"), exposure_s=0.01, px_per_m=1e5)
    assert metres.sigma_px[0, 0] == pytest.approx(1.0 / math.sqrt(12), rel=1e-9)
    assert metres.worst_px == pytest.approx([1.0 / math.sqrt(12)])


def test_gap_leaves_only_its_own_exposures_unknown():
    x = np.arange(100.0)
    x[55] = np.nan
    got = predicted_blur(_recording(x), exposure_s=0.01)
    assert np.flatnonzero(~np.isfinite(got.sigma_px[0])).tolist() == [5]
    assert got.samples_per_exposure == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"exposure_s": 0.0}, "exposure_s is 0.0"),
        ({"exposure_s": 1.0}, "fit in the recording"),
        ({"exposure_s": 0.01, "px_per_m": 5.0}, "in px already"),
        ({"exposure_s": 0.01, "start_s": [0.2]}, "within the recording"),
    ],
)
def test_predicted_blur_refuses(options, match):
    with pytest.raises(ValueError, match=match):
        predicted_blur(_recording(np.arange(100.0)), **options)


@pytest.mark.parametrize(("unit", "match"), [("m", "px_per_m is missing"), ("m/s^2", "integrate an acceleration")])
def test_predicted_blur_needs_a_displacement(unit, match):
    with pytest.raises(ValueError, match=match):
        predicted_blur(_recording(np.arange(100.0), unit=unit), exposure_s=0.01)


def test_unknown_family_is_named():
    with pytest.raises(ValueError, match="family is 'box'"):
        blur_transfer(0.1, family="box", extent_px=1.0)
