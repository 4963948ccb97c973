"""Blur against published closed forms and against real photographs with exactly known blur.

Photographs: shipped in scikit-image (its data/README names their origins). Exact motion blur: weighted average of
whole-pixel shifts at full size, then averages over 4×4 pixels, so that a shift is a quarter of a frame pixel. The
frames alias as real ones do. Noise 2 of 255 in frame and reference.
"""

import math
import pathlib
from functools import lru_cache

import numpy as np
import pytest
import skimage
from scipy import ndimage
from skimage import color, io

from labkit.analyse.blur import measure_blur
from labkit.analyse.kernels import (
    EXTENT_PER_SIGMA,
    blur_transfer,
    predicted_blur,
    sinusoid_sigma_px,
)
from labkit.analyse.sampling import exposure_attenuation
from labkit.runs.recording import Recording

_BINS, _NOISE = 4, 2.0
_PHOTOS = ("grass", "gravel", "camera", "astronaut", "coffee", "motorcycle_left")  # contrast 38 to 75 grey values


@lru_cache
def _photo(name):
    path = next((pathlib.Path(skimage.__file__).parent / "data").glob(f"{name}.*"))
    picture = io.imread(path)
    return (color.rgb2gray(picture[..., :3]) * 255 if picture.ndim == 3 else picture).astype(float)


def _binned(picture):
    h, w = (n // _BINS * _BINS for n in picture.shape)
    return picture[:h, :w].reshape(h // _BINS, _BINS, w // _BINS, _BINS).mean(axis=(1, 3))[:128, :128]


def _weights(family, extent):
    """Weights of whole-pixel shifts (rows × columns) at full size, normalised."""
    n = round(extent * _BINS)
    if family == "smear":  # trapezoid rule with end correction: variance n²/12 exactly
        weights = np.ones((1, n + 1))
        correction = n / (12 * (n - 1))
        weights[0, [0, -1]] = 0.5 - correction
        weights[0, [1, -2]] += correction
    elif family == "sinusoid":
        places = np.round(n / 2 * np.sin((np.arange(4000) + 0.5) / 4000 * 2 * np.pi)).astype(int)
        weights = np.bincount(places - places.min())[None, :].astype(float)
    else:
        reach = np.arange(-math.ceil(n / 2), math.ceil(n / 2) + 1)
        weights = (reach[:, None] ** 2 + reach[None, :] ** 2 <= (n / 2) ** 2 + 1e-9).astype(float)
    return weights / weights.sum()


def _true_extent(weights, family):
    """Extent of the family with the same variance along x."""
    marginal, place = weights.sum(axis=0), np.arange(weights.shape[1])
    variance = np.sum(marginal * (place - np.sum(marginal * place)) ** 2) / _BINS**2
    return EXTENT_PER_SIGMA[family] * math.sqrt(variance)


def _frames(name, weights, rng, offset=(0, 0), lens_px=0.0):
    """Blurred frame and reference; `lens_px` is the standard deviation of a lens in pixels of the frame."""
    photo = ndimage.gaussian_filter(_photo(name), lens_px * _BINS) if lens_px else _photo(name)
    rows, columns = weights.shape
    height, width = photo.shape[0] - rows - 8, photo.shape[1] - columns - 8
    blurred = np.zeros((height, width))
    for (i, j), weight in np.ndenumerate(weights):
        y, x = 4 + i + offset[0], 4 + j + offset[1]
        if weight:
            blurred += weight * photo[y : y + height, x : x + width]
    still = photo[4 + rows // 2 :, 4 + columns // 2 :][:height, :width]
    frame, sharp = 0.97 * _binned(blurred) + 3, _binned(still)
    return frame + rng.normal(0, _NOISE, frame.shape), sharp + rng.normal(0, _NOISE, sharp.shape)


@pytest.mark.parametrize(
    ("got", "value", "source"),
    [
        (blur_transfer(0.1, family="smear", extent_px=3.0), 0.85839369, "sin(πx)/(πx), encyclopaedia 'Smear (optics)'"),
        (abs(blur_transfer(0.25, family="smear", extent_px=1.5)), 0.7842133, "same"),
        (blur_transfer(0.1, family="sinusoid", extent_px=2.0), 0.90371264, "J0(2πfA), Hadar 1992; from memory"),
        (blur_transfer(0.05, family="sinusoid", extent_px=8.0), 0.64251184, "same"),
        (blur_transfer(0.18739063, family="gaussian", extent_px=math.sqrt(8 * math.log(2))), 0.5, "exp(−2π²σ²f²)"),
        (blur_transfer(0.70508484, family="disc", extent_px=1.0), 0.5, "2J1(x)/x, root solved numerically"),
        (sinusoid_sigma_px(1.0, frequency_hz=30, exposure_s=0.01), 0.36273976, "derived, Monte Carlo agrees"),
        (exposure_attenuation(30.0, exposure_s=0.01), 0.85839369, "sinc"),
    ],
)
def test_closed_forms(got, value, source):
    assert float(got) == pytest.approx(value, rel=1e-4), source


@pytest.mark.parametrize(
    ("family", "extent"),
    [("smear", 0.5), ("smear", 2.0), ("smear", 4.0), ("sinusoid", 2.0), ("disc", 1.0), ("disc", 4.0)],
)
def test_photographs_with_exact_blur(family, extent):
    """Bias over pictures ≤ 0.03 px and scatter ≤ 0.03 px of the extent; the limit within 1.5× its bound."""
    rng = np.random.default_rng(7)
    weights = _weights(family, extent)
    true = _true_extent(weights, family)
    found = [measure_blur(*_frames(name, weights, rng), noise_sd=_NOISE, family=family) for name in _PHOTOS]
    errors = np.array([blur.extent_px.value - true for blur in found])
    assert abs(errors.mean()) <= 0.03
    assert errors.std(ddof=1) <= 0.03
    assert all(blur.detected and blur.converged for blur in found)
    assert all(blur.detection_limit_px <= 1.5 * blur.cramer_rao_px for blur in found)


@pytest.mark.parametrize(("family", "extent"), [("smear", 4.0), ("disc", 4.0), ("disc", 2.5)])
def test_photographs_name_the_family(family, extent):
    rng = np.random.default_rng(8)
    weights = _weights(family, extent)
    assert {measure_blur(*_frames(n, weights, rng), noise_sd=_NOISE).family for n in _PHOTOS[:3]} == {family}


@pytest.mark.parametrize(
    ("family", "extent", "most"),
    [("smear", 0.5, 0.045), ("smear", 4.0, 0.03), ("sinusoid", 1.0, 0.03), ("disc", 2.0, 0.03)],
)
def test_photographs_through_a_lens_shifted_by_parts_of_a_pixel(family, extent, most):
    """The same for a picture that may stand anywhere, if a lens keeps fine detail from folding.

    A standard deviation of 0.4 px is about that of diffraction at f/4, half life size and pixels of 3.45 µm. At 0.5 px
    the scatter is 0.028 px (36 pictures), hardly above the Cramér–Rao bound; six pictures show more than 0.045 px once
    in 20 times (chi-squared) even if it is 0.03 px.
    """
    rng = np.random.default_rng(9)
    weights = _weights(family, extent)
    true = _true_extent(weights, family)
    offsets = rng.integers(-2, 3, (len(_PHOTOS), 2))
    pairs = [_frames(name, weights, rng, offset, lens_px=0.4) for name, offset in zip(_PHOTOS, offsets)]
    found = [measure_blur(*pair, noise_sd=_NOISE, family=family) for pair in pairs]
    errors = np.array([blur.extent_px.value - true for blur in found])
    assert abs(errors.mean()) <= 0.03
    assert errors.std(ddof=1) <= most
    assert sum(blur.extent_px.interval.contains(true) for blur in found) >= 5


def test_photographs_without_a_lens_shifted_by_parts_of_a_pixel():
    """Aliasing acts in full; still within 0.06 px and covered. A spectral ratio is off by 0.4 px and more here."""
    rng = np.random.default_rng(9)
    weights = _weights("smear", 2.0)
    hits = []
    for name, offset in zip(_PHOTOS, [(1, 2), (-2, 1), (2, 2), (0, 2), (-1, -2), (2, -1)]):
        blur = measure_blur(*_frames(name, weights, rng, offset), noise_sd=_NOISE, family="smear")
        assert blur.extent_px.value == pytest.approx(2.0, abs=0.06)
        hits.append(blur.extent_px.interval.contains(2.0))
    assert sum(hits) >= 5


def _along(steps, rng, name="gravel"):
    """Predicted blur of a displacement in quarter pixels, and the blur of a frame averaged along it."""
    values = [np.append(steps, steps[-1]) / _BINS]
    log = Recording(values=values, sample_rate_hz=steps.size / 0.025, channels=["x"], unit="px")
    weights = np.bincount(steps - steps.min())[None, :] / steps.size
    blur = measure_blur(*_frames(name, weights, rng), noise_sd=_NOISE)
    return predicted_blur(log, exposure_s=0.025).sigma_px[0, 0], blur


def test_predicted_and_measured_blur_meet():
    """One period with its third harmonic: a displacement log, and a frame averaged along the same displacement."""
    phase = 2 * np.pi * np.arange(64) / 64
    steps = np.round(_BINS * (1.4 * np.sin(phase) + 0.3 * np.sin(3 * phase))).astype(int)
    predicted, measured = _along(steps, np.random.default_rng(10))
    assert measured.sigma_x_px.value == pytest.approx(predicted, rel=0.06)


def test_lopsided_kernel_is_not_trusted():
    phase = 1.28 * np.pi * np.arange(64) / 64
    steps = np.round(_BINS * (1.6 * np.sin(phase) + 0.5 * np.cos(2.4 * phase))).astype(int)
    predicted, measured = _along(steps, np.random.default_rng(10))
    assert not measured.trusted
    assert any("another shape" in note for note in measured.notes)
    assert abs(measured.sigma_x_px.value / predicted - 1) > 0.2  # as the note says
