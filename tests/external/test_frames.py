"""Displacement from real photographs, against known shifts, the Cramér–Rao bound and independent programs.

Photographs: brick, grass, gravel (CC0) and camera, shipped with scikit-image; nothing is downloaded. A shift by whole
pixels at full size, then area-binned 4×4, is a shift by exact quarter pixels with the aliasing of a real sensor; a
Fourier shift is exact for any amount but knows no aliasing.
"""

import numpy as np
import pytest
from scipy import ndimage
from skimage import data
from skimage.registration import phase_cross_correlation

from labkit.analyse.frames import track
from labkit.analyse.registration import cramer_rao_bound_px
from labkit.analyse.sampling import alias_candidates, exposure_attenuation, exposure_middle_s, folded_frequency_hz
from labkit.runs.clips import Region

PHOTOS = ("brick", "grass", "gravel", "camera")
NOISE = 2.0


def noisy(pictures, seed):
    """Eight-bit frames with noise 2 of 255."""
    pictures = np.asarray(pictures)
    noise = np.random.default_rng(seed).normal(0, NOISE, pictures.shape)
    return np.clip(np.rint(pictures + noise), 0, 255).astype(np.uint8)


def binned(photo, dx, dy, *, size=112, bin_px=4):
    """The photograph moved by (dx, dy) full-size pixels and area-binned."""
    room = (512 - size * bin_px) // 2
    part = photo[room - dy :, room - dx :][: size * bin_px, : size * bin_px]
    return part.reshape(size, bin_px, size, bin_px).mean((1, 3))


def fourier_moved(picture, dx, dy):
    """The picture, mirrored to have no jump at its edge, moved by any amount."""
    mirrored = np.pad(picture, ((0, picture.shape[0]), (0, picture.shape[1])), mode="symmetric")
    moved = np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(mirrored), (dy, dx))).real
    return moved[: picture.shape[0], : picture.shape[1]]


def rms(errors):
    return float(np.sqrt(np.mean(np.square(errors))))


@pytest.fixture(scope="module", params=PHOTOS)
def moved(request):
    """Sixty frames moved by quarter pixels up to two pixels, the true shifts, and the clean reference."""
    photo = getattr(data, request.param)().astype(float)
    rng = np.random.default_rng(11)
    steps = np.concatenate([[[0, 0]], rng.integers(-8, 9, (59, 2))])
    clean = np.stack([binned(photo, dx, dy) for dx, dy in steps])
    return noisy(clean, 5), steps / 4, clean[0]


def test_binned_photographs(moved):
    """RMS at most 0.01 px and 3 × the Cramér–Rao bound √(2σ²/ΣI_x²) with central differences, per axis."""
    frames, truth, clean = moved
    result = track(frames, frame_rate_hz=100.0)
    errors = result.shift_px.T - truth
    gx, gy = np.gradient(clean)[::-1]
    bound = NOISE * np.sqrt(2 / np.array([(gx**2).sum(), (gy**2).sum()]))
    found = np.sqrt((errors**2).mean(axis=0))
    assert (found <= 0.01).all()
    assert (found <= 3 * bound).all()
    assert result.trusted.all()
    # The scatter without the constant error of the one noisy reference is close to what the result states.
    scatter = (errors - errors.mean(axis=0)).std(axis=0)
    assert (scatter < 3 * result.bound_px).all()
    assert (scatter > 0.3 * result.bound_px).all()


def test_a_third_of_the_error_of_phase_correlation(moved):
    """Against scikit-image's phase_cross_correlation(upsample_factor=100), both ways it is commonly used."""
    frames, truth, _ = moved
    ours = rms(track(frames, frame_rate_hz=100.0).shift_px.T - truth)
    taper = np.outer(np.hanning(112), np.hanning(112))
    plain, windowed = [], []
    for frame, true in zip(frames[1:25], truth[1:25]):
        pair = [picture.astype(float) for picture in (frames[0], frame)]  # gives the shift that brings the frame back
        plain.append(phase_cross_correlation(*pair, upsample_factor=100)[0][::-1] + true)
        pair = [(picture - picture.mean()) * taper for picture in pair]
        back = phase_cross_correlation(*pair, upsample_factor=100, normalization=None)[0][::-1]
        windowed.append(back + true)
    assert ours <= min(rms(plain), rms(windowed)) / 3


def test_fourier_moved_photographs():
    rng = np.random.default_rng(2)
    for name in PHOTOS:
        picture = binned(getattr(data, name)().astype(float), 0, 0, size=224, bin_px=2)
        truth = np.concatenate([[[0, 0]], rng.uniform(-1.5, 1.5, (11, 2))])
        frames = noisy([fourier_moved(picture, dx, dy) for dx, dy in truth], 3)
        result = track(frames, frame_rate_hz=100.0)
        errors = result.shift_px.T - truth
        assert rms(errors) <= 0.01
        assert rms(errors[1:]) <= 3 * rms(cramer_rao_bound_px(picture, noise=NOISE * np.sqrt(2), both_noisy=False))


@pytest.mark.parametrize("name", PHOTOS)
def test_standing_still_is_no_motion(name):
    picture = binned(getattr(data, name)().astype(float), 0, 0)
    result = track(noisy(np.repeat(picture[None], 80, axis=0), 8), frame_rate_hz=100.0)
    assert not result.moving and "no motion" in result.verdict
    assert (result.floor_px <= 0.005).all()
    assert (result.scatter_px <= result.floor_px).all()
    # Only the frames scatter, the reference is always the same.
    np.testing.assert_allclose(result.scatter_px, result.noise_px, rtol=0.25)
    assert (result.noise_px > result.bound_px / np.sqrt(2)).all()
    assert result.noise_grey == pytest.approx(np.hypot(NOISE, 12**-0.5), rel=0.05)


@pytest.mark.parametrize("name", PHOTOS)
def test_a_hundredth_of_a_pixel_is_motion(name):
    photo = getattr(data, name)().astype(float)
    still = binned(photo, 0, 0)
    shake = 0.01 * np.sin(2 * np.pi * 7 * np.arange(80) / 100)
    frames = noisy([fourier_moved(still, dx, 0.0) for dx in shake], 8)
    result = track(frames, frame_rate_hz=100.0)
    assert result.moving
    assert result.shift_px[0] @ shake / (shake @ shake) == pytest.approx(1, abs=0.1)


def test_a_wall_of_bricks_is_not_taken_for_its_neighbour():
    """Shifts up to a quarter of a 96 px region of a periodic pattern: 72 frames, none a brick off."""
    photo, rng = data.brick().astype(float), np.random.default_rng(7)
    for _ in range(6):
        x, y = rng.integers(0, 129, 2)
        steps = [(0, 0)] + [
            (rng.integers(max(-96, x - 128), min(96, x) + 1), rng.integers(max(-96, y - 128), min(96, y) + 1))
            for _ in range(12)
        ]
        cut = [photo[y - dy :, x - dx :][:384, :384].reshape(96, 4, 96, 4).mean((1, 3)) for dx, dy in steps]
        result = track(noisy(cut, 1), frame_rate_hz=1.0)
        np.testing.assert_allclose(result.shift_px.T, np.array(steps) / 4, atol=0.1)
        assert result.trusted.all()


def test_example_of_scikit_image():
    """Gallery example: the camera photograph moved by (−22.4, 13.32) rows, columns (seen); Fourier shift, periodic."""
    photo = data.camera().astype(float)
    moved = np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(photo), (-22.4, 13.32))).real
    result = track(np.stack([photo, moved]), frame_rate_hz=1.0, region=Region(top=100, left=100, height=300, width=300))
    np.testing.assert_allclose(result.shift_px[:, 1], [13.32, -22.4], atol=0.002)


@pytest.mark.parametrize("name", ["brick", "gravel"])
def test_what_aliasing_may_cost_is_stated(name):
    """Binned 8 × 8 the photographs are aliased: errors ten times the noise, foreseen from the first frame alone."""
    photo, rng = getattr(data, name)().astype(float), np.random.default_rng(1)
    steps = np.concatenate([[[0, 0]], rng.integers(-16, 17, (40, 2))])
    frames = np.stack([binned(photo, dx, dy, size=60, bin_px=8) for dx, dy in steps])
    result = track(frames + rng.normal(0, 0.3, frames.shape), frame_rate_hz=100.0)
    errors = (result.shift_px.T - steps / 8).std(axis=0)
    assert (errors > 5 * result.noise_px).all()
    assert ((errors > 0.3 * result.aliasing_px) & (errors < 2 * result.aliasing_px)).all()
    assert any("the picture is aliased" in note for note in result.notes)


def test_a_picture_without_detail_finer_than_its_pixels_is_not_called_aliased():
    photo = ndimage.gaussian_filter(data.gravel().astype(float), 8.0)  # one pixel of those below
    frames = np.stack([binned(photo, dx, 0, size=60, bin_px=8) for dx in (0, 3, 5, -4, 2)])
    result = track(noisy(frames, 1), frame_rate_hz=100.0)
    assert result.moving and not any("aliased" in note for note in result.notes)
    assert not (result.aliasing_px > result.noise_px).any()


def lucas_kanade(reference, frame):
    """A small independent Lucas–Kanade: spline-warped frame, central differences, a few iterations (own test code)."""
    inner = slice(12, -12)
    gy, gx = np.gradient(ndimage.gaussian_filter(reference, 1.0))
    design = np.stack([gx[inner, inner].ravel(), gy[inner, inner].ravel()], axis=1)
    wanted = ndimage.gaussian_filter(reference, 1.0)[inner, inner]
    smooth, shift = ndimage.gaussian_filter(frame, 1.0), np.zeros(2)
    for _ in range(8):
        back = ndimage.shift(smooth, -shift[::-1], order=5, mode="nearest")[inner, inner]
        shift = shift - np.linalg.lstsq(design, (back - wanted).ravel(), rcond=None)[0]
    return shift


def test_agrees_with_lucas_kanade():
    photo = data.gravel().astype(float)
    steps = [(0, 0), (1, -2), (3, 1), (-2, 3), (2, 2)]
    frames = noisy([binned(photo, dx, dy) for dx, dy in steps], 1)
    ours = track(frames, frame_rate_hz=1.0).shift_px.T
    theirs = np.array([lucas_kanade(frames[0].astype(float), frame.astype(float)) for frame in frames])
    np.testing.assert_allclose(ours, theirs, atol=0.006)


@pytest.mark.parametrize(
    ("value", "expected", "source"),
    [
        (folded_frequency_hz(47.0, frame_rate_hz=30.0), 13.0, "folding, derived"),
        (exposure_attenuation(30.0, exposure_s=0.01), 0.85839369, "mean of a sinusoid over the exposure, derived"),
        (alias_candidates(13.0, frame_rate_hz=30.0, highest_hz=50.0).frequency_hz[-1], 47.0, "folding, derived"),
        (exposure_middle_s("start", exposure_s=8e-3), 4e-3, "mean of a straight line, derived"),
    ],
)
def test_sampling_values(value, expected, source):
    assert value == pytest.approx(expected, rel=1e-7), source


def test_bound_of_a_sinusoid():
    """Sinusoid A = 50, period 16 px, 64×64 px, σ = 2: σ/√(½(2πA/16)²·64²) (Robinson & Milanfar 2004; derived)."""
    x = np.arange(70)  # three pixels on each side have no slope
    picture = np.tile(50 * np.sin(2 * np.pi * x / 16), (70, 1)) + 50 * np.cos(2 * np.pi * x / 16)[:, None]
    alone = cramer_rao_bound_px(picture, noise=2.0, both_noisy=False)
    np.testing.assert_allclose(alone, 0.0022507908, rtol=1e-4)
    both = cramer_rao_bound_px(picture, noise=2 * np.sqrt(2), both_noisy=False)
    np.testing.assert_allclose(both, 0.0031830989, rtol=1e-4)
