"""Blur between two pictures: synthetic scenes with exact kernels, ragged input, refusals."""

import math

import numpy as np
import pytest
from scipy import fft, ndimage

from labkit.analyse.blur import UNDECIDED, measure_blur, relative_variance
from labkit.analyse.burst import average_burst
from labkit.analyse.kernels import EXTENT_PER_SIGMA, blur_transfer

_SIZE, _CUT = 192, slice(40, 136)


def _scene(seed=0, contrast=60.0):
    """Periodic, band-limited texture."""
    noise = np.random.default_rng(seed).normal(size=(_SIZE, _SIZE))
    smooth = ndimage.gaussian_filter(noise, 1.2, mode="wrap")
    return 120 + contrast * smooth / smooth.std()


def _blurred(scene, family="smear", extent=0.0, angle=0.0, shift=(0.0, 0.0), gain=1.0, offset=0.0):
    """The scene with an exact kernel and sub-pixel shift (x, y)."""
    fx, fy = fft.rfftfreq(_SIZE)[None, :], fft.fftfreq(_SIZE)[:, None]
    along = np.hypot(fx, fy) if family == "disc" else np.abs(math.cos(angle) * fx + math.sin(angle) * fy)
    kernel = blur_transfer(along, family=family, extent_px=extent)
    spectrum = fft.rfft2(scene) * kernel * np.exp(-2j * np.pi * (fx * shift[0] + fy * shift[1]))
    return gain * fft.irfft2(spectrum, scene.shape) + offset


def _pair(seed=0, noise=2.0, frames=1, **kernel):
    rng, scene = np.random.default_rng(1000 + seed), _scene(seed)
    shape = (frames, _SIZE, _SIZE)
    frame = _blurred(scene, **kernel) + rng.normal(0, noise, shape)
    sharp = scene + rng.normal(0, noise, shape)
    frame, sharp = frame[:, _CUT, _CUT], sharp[:, _CUT, _CUT]
    return (frame, sharp) if frames > 1 else (frame[0], sharp[0])


@pytest.mark.parametrize(
    ("family", "extent", "angle"),
    [("smear", 3.0, 0.0), ("smear", 6.0, 0.6), ("sinusoid", 3.0, math.pi / 2), ("disc", 4.0, 0.0)],
)
def test_family_extent_direction_shift_and_gain(family, extent, angle):
    kernel = {"family": family, "extent": extent, "angle": angle}
    frame, sharp = _pair(shift=(1.3, -2.2), gain=0.8, offset=11.0, **kernel)
    blur = measure_blur(frame, sharp, noise_sd=2.0)
    assert blur.family == family
    assert blur.extent_px.value == pytest.approx(extent, abs=0.06)
    assert (blur.shift_x_px.value, blur.shift_y_px.value) == pytest.approx((1.3, -2.2), abs=0.02)
    assert blur.gain.value == pytest.approx(0.8, abs=0.01)
    sigma = extent / EXTENT_PER_SIGMA[family]
    parts = (sigma, sigma) if family == "disc" else (sigma * abs(math.cos(angle)), sigma * abs(math.sin(angle)))
    assert (blur.sigma_x_px.value, blur.sigma_y_px.value) == pytest.approx(parts, abs=0.05)
    if family != "disc":
        assert math.cos(blur.direction_rad - angle) ** 2 == pytest.approx(1.0, abs=1e-3)
    assert blur.converged and blur.trusted and not blur.notes
    assert blur.residual_ratio == pytest.approx(1.0, abs=0.1)


def test_small_blur_is_found_but_not_named():
    blur = measure_blur(*_pair(extent=0.8), noise_sd=2.0)
    assert blur.detected
    assert blur.family == UNDECIDED
    assert blur.sigma_x_px.interval.contains(0.8 / math.sqrt(12))
    assert blur.sigma_y_px.interval.low == 0.0
    assert blur.extent_px.interval.contains(0.8)
    assert len(blur.candidates) == 4


def test_no_blur_stays_undetected_and_the_limit_is_near_the_bound():
    found = [measure_blur(*_pair(seed=s, shift=(0.4, 0.1)), noise_sd=2.0) for s in range(12)]
    assert sum(b.detected for b in found) <= 2
    for blur in found:
        assert blur.extent_px.interval.low == 0.0 or blur.detected
        assert blur.cramer_rao_px <= blur.detection_limit_px < 1.5 * blur.cramer_rao_px


def test_a_smear_at_the_detection_limit_is_mostly_seen():
    limit = measure_blur(*_pair(), noise_sd=2.0).detection_limit_px
    found = [measure_blur(*_pair(seed=s, extent=limit), noise_sd=2.0).detected for s in range(12)]
    assert sum(found) >= 9


def test_intervals_cover_the_truth_from_frame_to_frame():
    """30 pictures, stated level 0.95: fewer than 24 hits have a probability below 1 % at a true coverage of 0.93."""
    hits, z = 0, []
    for seed in range(30):
        frame, sharp = _pair(seed=seed, extent=1.5, shift=(0.3, 0.2))
        extent = measure_blur(frame, sharp, noise_sd=2.0, family="smear").extent_px
        hits += extent.interval.contains(1.5)
        z.append((extent.value - 1.5) / extent.standard_error)
    assert hits >= 24
    assert np.std(z) == pytest.approx(1.0, abs=0.35)
    assert abs(np.mean(z)) < 0.6


def test_noise_of_both_pictures_is_estimated():
    frame, sharp = _pair(extent=2.0, noise=3.0)
    blur = measure_blur(frame, sharp)
    assert blur.frame_noise_sd == pytest.approx(3.0, rel=0.1)
    assert blur.extent_px.value == pytest.approx(2.0, abs=0.15) or blur.family == UNDECIDED
    burst = measure_blur(*_pair(extent=2.0, noise=3.0, frames=4))
    assert burst.frame_noise_sd == pytest.approx(1.5, rel=0.05)
    assert burst.sharp_noise_sd == pytest.approx(1.5, rel=0.05)
    assert burst.detection_limit_px < blur.detection_limit_px


def test_region_uses_only_its_part():
    frame, sharp = _pair(extent=3.0)
    spoiled = frame.copy()
    spoiled[:20] = 0.0
    blur = measure_blur(spoiled, sharp, noise_sd=2.0, region=(24, 4, 68, 90), family="smear")
    assert blur.extent_px.value == pytest.approx(3.0, abs=0.06)
    assert blur.trusted


def test_changed_scene_is_not_trusted():
    frame, sharp = _pair(extent=1.0)
    frame[30:60, 30:60] += 25.0
    blur = measure_blur(frame, sharp, noise_sd=2.0)
    assert not blur.trusted
    assert any("scene changed" in note for note in blur.notes)


def test_sharper_frame_has_negative_variance_and_no_blur():
    frame, sharp = _pair(family="disc", extent=3.0)
    back = relative_variance(sharp, frame, family="disc", noise_sd=2.0)
    assert back.interval.high < 0
    assert not measure_blur(sharp, frame, noise_sd=2.0).detected


def test_burst_that_moves_is_noted():
    scene = _scene()
    stack = np.stack([_blurred(scene, shift=(s, 0.0)) for s in (-0.3, 0.3, -0.3, 0.3)])
    burst = average_burst(stack + np.random.default_rng(0).normal(0, 2, stack.shape))
    assert burst.motion_px == pytest.approx(0.3, abs=0.06)  # from gradients, which a fine scene lowers
    assert "moves by 0.3" in burst.notes[0] and burst.single_sd > 1.9


def _frame():
    return _pair()[0]


@pytest.mark.parametrize(
    ("frame", "sharp", "options", "match"),
    [
        (_frame(), _frame()[:80], {}, "same size"),
        (np.zeros((64, 64, 3)), np.zeros((64, 64)), {}, "colour picture"),
        (np.full((64, 64), 255, np.uint8), np.full((64, 64), 9, np.uint8), {}, "frame has 100.0 % of its pixels"),
        (np.full((64, 64), 20.0), np.full((64, 64), 20.0), {"noise_sd": 1.0}, "no texture"),
        (np.random.default_rng(0).normal(8, 2, (64, 64)), np.random.default_rng(1).normal(8, 2, (64, 64)),
         {"noise_sd": 2.0}, "no texture|same scene"),
        (_pair(seed=1)[0], _pair(seed=2)[1], {"noise_sd": 2.0}, "same scene"),
        (_frame(), _frame() * np.nan, {}, "not finite"),
        (_frame(), _frame(), {"region": (0, 0, 200, 50)}, "region is"),
        (_frame(), _frame(), {"region": (0, 0, 20, 50)}, "at least 32"),
        (_frame(), _frame(), {"noise_sd": -1.0}, "noise_sd is -1"),
        (_frame(), _frame(), {"family": "box"}, "family is 'box'"),
    ],
)  # fmt: skip
def test_refusals(frame, sharp, options, match):
    with pytest.raises(ValueError, match=match):
        measure_blur(frame, sharp, **options)


def test_a_few_saturated_pixels_are_noted():
    frame, sharp = (np.clip(p, 0, 255).round().astype(np.uint8) for p in _pair(extent=3.0))
    frame[10:16, 10:16] = 255
    assert any("saturated" in note for note in measure_blur(frame, sharp, noise_sd=2.0).notes)
