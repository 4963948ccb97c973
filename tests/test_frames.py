"""Displacement from frames: what is followed, what is not trusted, and what the result says about itself."""

import numpy as np
import pytest
from scipy import ndimage

from labkit.analyse.frames import track
from labkit.analyse.registration import Matcher
from labkit.analyse.scale import Scale, scale_from_lens
from labkit.base import Estimate
from labkit.runs.clips import Clip, ClipDamaged, Region

RNG = np.random.default_rng(20)
BIG = 6  # the scene is drawn six times as fine as the frames: exact shifts by sixths of a pixel
SCENE = ndimage.gaussian_filter(RNG.normal(0, 1, (200 * BIG, 200 * BIG)), 1.2 * BIG)
SCENE = 120 + 35 * SCENE / SCENE.std()


def take(dx, dy, *, size=96, noise=1.0, rng=RNG):
    """A frame of the scene moved by (dx, dy) pixels, multiples of a sixth."""
    x, y = (52 * BIG - round(BIG * d) for d in (dx, dy))
    part = SCENE[y : y + size * BIG, x : x + size * BIG].reshape(size, BIG, size, BIG).mean((1, 3))
    return part + rng.normal(0, noise, part.shape)


def eight_bit(frames):
    return np.clip(np.rint(np.asarray(frames)), 0, 255).astype(np.uint8)


def rms(values):
    return float(np.sqrt(np.nanmean(np.square(values))))


PATH = np.array([(0, 0), (0.5, -0.5), (2, 1), (-1.5, 3), (1 / 3, 0), (-4, -2), (6, 5), (0, 1 / 6)])


@pytest.fixture
def clip():
    return eight_bit([take(dx, dy) for dx, dy in PATH])


# ---------------------------------------------------------------------------------------------- following
def test_follows_and_keeps_the_sign(clip):
    """x to the right, y downwards."""
    result = track(clip, frame_rate_hz=50.0)
    assert rms(result.shift_px.T - PATH) < 0.005
    assert result.recording.unit == "px" and result.recording.channels == ("x", "y")
    assert result.recording.sample_rate_hz == pytest.approx(50.0)
    np.testing.assert_array_equal(result.recording.values, result.shift_px)


@pytest.mark.parametrize("dx", [24, -24, 20])
def test_a_quarter_of_the_frame(dx):
    result = track(eight_bit([take(0, 0), take(dx, 24), take(-10, dx)]), frame_rate_hz=10.0)
    np.testing.assert_allclose(result.shift_px, [[0, dx, -10], [0, 24, dx]], atol=0.02)
    assert result.trusted.all()


def test_a_region_uses_the_room_around_it():
    frames = eight_bit([take(0, 0, size=128), take(12, -9, size=128), take(0.5, 0.5, size=128)])
    result = track(frames, frame_rate_hz=10.0, region=Region(top=30, left=40, height=50, width=60))
    np.testing.assert_allclose(result.shift_px, [[0, 12, 0.5], [0, -9, 0.5]], atol=0.012)


@pytest.mark.parametrize(
    ("change", "tolerance"),
    [
        (lambda frame: 0.6 * frame + 20, 0.005),
        (lambda frame: 1.2 * frame - 40, 0.005),
        (lambda frame: ndimage.gaussian_filter(frame, 1.0), 0.005),
        (lambda frame: ndimage.gaussian_filter(frame, 2.5), 0.05),  # twice the grain of the texture
    ],
    ids=["darker", "harder", "slight defocus", "strong defocus"],
)
def test_brightness_and_defocus_do_not_matter(change, tolerance):
    truth = PATH[:5]
    frames = [take(*truth[0]), *(change(take(dx, dy)) for dx, dy in truth[1:])]
    result = track(eight_bit(frames), frame_rate_hz=10.0)
    assert rms(result.shift_px.T - truth) < tolerance
    assert result.trusted.all()


@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.float64])
def test_kinds_of_numbers(kind):
    frames = np.stack([take(dx, dy) for dx, dy in PATH[:4]])
    frames = (np.rint(frames * 100) if kind is np.uint16 else frames).astype(kind)
    assert rms(track(frames, frame_rate_hz=10.0).shift_px.T - PATH[:4]) < 0.006


def test_threads_and_batches_do_not_change_the_result():
    frames = eight_bit([take(dx, dy) for dx, dy in np.tile(PATH, (20, 1))])
    one = track(frames, frame_rate_hz=10.0, workers=1)
    seen = []
    many = track(iter(frames), frame_rate_hz=10.0, workers=3, progress=seen.append)
    np.testing.assert_array_equal(one.shift_px, many.shift_px)
    assert seen[-1] == len(frames) and len(seen) > 1
    assert rms(one.shift_px.T - np.tile(PATH, (20, 1))) < 0.005


def test_other_references(clip):
    third = track(clip, frame_rate_hz=10.0, reference=2)
    assert rms(third.shift_px.T - (PATH - PATH[2])) < 0.006
    clean = take(0, 0, noise=0.0)
    assert rms(track(clip, frame_rate_hz=10.0, reference=clean).shift_px.T - PATH) < 0.005
    with pytest.raises(ValueError, match="reference is 99; the clip frames has no frame of that number"):
        track(clip, frame_rate_hz=10.0, reference=99)


# ---------------------------------------------------------------------------------------------- distrust
def test_bad_frames_are_flagged_and_left_out(clip):
    frames = clip.copy()
    frames[1] = 255
    frames[2] = RNG.integers(0, 3, frames[2].shape)  # lens cap
    frames[3] = eight_bit(120 + 0.1 * (take(0, 0, noise=0.3) - 120))
    frames[4] = eight_bit(RNG.normal(120, 30, frames[4].shape))
    frames[5, :, 40:] = 255  # a glare over half of the frame
    result = track(frames, frame_rate_hz=10.0)
    assert result.flags[0] == result.flags[6] == result.flags[7] == ""
    assert result.flags[1] == "saturated" and result.flags[5] == "saturated"
    assert result.flags[2] == "lost" and result.flags[4] == "lost"
    assert result.flags[3] == "dark"
    assert np.isnan(result.recording.values[:, 1:6]).all() and np.isfinite(result.recording.values[:, 6:]).all()
    assert any("5 of 8 frames are not trusted" in note for note in result.notes)


def test_twelve_bits_in_sixteen_saturate_where_stated(clip):
    frames = clip.astype(np.uint16) * 16
    frames[2, 10:60] = 4095
    assert track(frames, frame_rate_hz=10.0, white_level=4095).flags[2] == "saturated"
    assert "saturated" not in track(frames, frame_rate_hz=10.0).flags


def test_too_far_is_not_trusted():
    result = track(eight_bit([take(0, 0), take(40, 0), take(1, 0)]), frame_rate_hz=10.0)
    assert result.flags[1] in ("lost", "out of reach") and result.flags[2] == ""


def test_no_texture_is_refused():
    with pytest.raises(ValueError, match="texture"):
        track(np.full((3, 64, 64), 100, np.uint8), frame_rate_hz=10.0)
    stripes = np.tile(100 + 50 * np.sin(np.arange(64) / 2), (3, 64, 1))
    with pytest.raises(ValueError, match="texture"):
        track(stripes, frame_rate_hz=10.0)


@pytest.mark.parametrize("seed", [1, 10, 14, 45])
def test_stripes_with_noise_are_worth_nothing_along_them(seed):
    stripes = 100 + 50 * np.sin(np.arange(96) / 2) + np.random.default_rng(seed).normal(0, 2, (10, 96, 96))
    result = track(stripes, frame_rate_hz=10.0)
    assert result.bound_px[0] < 0.01 < 0.1 < result.bound_px[1]
    assert any("too little texture along y" in note for note in result.notes)
    assert not result.moving
    assert "x " in result.verdict and "y " not in result.verdict and "inf" not in result.verdict


def test_noise_alone_is_no_motion_in_almost_every_clip():
    still = take(0, 0, noise=0.0)
    alarms = 0
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0, 2, (24, *still.shape))
        alarms += track(still + noise, frame_rate_hz=10.0).moving
    assert alarms <= 1


def test_a_line_below_the_scatter_is_seen():
    """A vibration of half the noise, long enough: Fisher's test sees what the scatter does not show."""
    rng = np.random.default_rng(3)
    still = take(0, 0, noise=0.0, size=64)
    slope = np.gradient(still, axis=1)
    quiet = track(still + rng.normal(0, 4, (400, 64, 64)), frame_rate_hz=100.0)
    amplitude = 0.8 * quiet.noise_px[0]
    wave = amplitude * np.sin(2 * np.pi * 17 * np.arange(400) / 100)
    shaken = track(
        np.concatenate([still[None], still - wave[1:, None, None] * slope]) + rng.normal(0, 4, (400, 64, 64)),
        frame_rate_hz=100.0,
    )
    assert not quiet.moving
    assert shaken.scatter_px[0] < shaken.floor_px[0] and shaken.moving


# --------------------------------------------------------------------------------------- times and scale
def test_a_lost_frame_stays_a_gap(clip):
    times = np.array([0, 1, 2, 4, 5, 6, 7, 8]) / 50
    result = track(clip, time_s=times)
    assert result.recording.n_samples == 9 and np.isnan(result.recording.values[:, 3]).all()
    np.testing.assert_array_equal(result.recording.values[:, 4], result.shift_px[:, 3])
    assert any("1 frame(s) missing" in note for note in result.notes)


def test_rounded_times_are_an_even_clock(clip):
    times = np.round(np.arange(8) / 29.97, 3)
    recording = track(clip, time_s=times).recording
    assert recording.n_samples == 8 and recording.complete
    assert recording.sample_rate_hz == pytest.approx(29.97, rel=3e-3)


def test_a_variable_rate_is_resampled_by_its_times():
    rng = np.random.default_rng(6)
    times = np.cumsum(rng.uniform(0.3, 1.7, 60)) / 50
    steps = np.round(6 * 2 * np.sin(2 * np.pi * 3 * times)) / 6
    result = track(eight_bit([take(dx, 0, size=64) for dx in steps]), time_s=times)
    assert any("rate varies" in note for note in result.notes)
    inner = slice(3, -3)
    truth = 2 * np.sin(2 * np.pi * 3 * result.recording.time_s) - steps[0]
    assert rms((result.recording.values[0] - truth)[inner]) < 0.12  # steps of a sixth, and cubic interpolation
    by_count = 2 * np.sin(2 * np.pi * 3 * np.linspace(times[0], times[-1], 60)) - steps[0]
    assert rms(result.shift_px[0] - by_count) > 0.25  # what ignoring the times would cost


def test_times_that_do_not_rise_are_refused(clip):
    with pytest.raises(ValueError, match="does not rise at frame 3"):
        track(clip, time_s=[0, 1, 2, 2, 3, 4, 5, 6])
    with pytest.raises(ValueError, match="frame_rate_hz"):
        track(clip)


def test_scale_gives_metres(clip):
    scale = scale_from_lens(pixel_pitch_m=3.45e-6, magnification=0.5, magnification_standard_error=0.01)
    recording = track(clip, frame_rate_hz=10.0, scale=scale).recording
    assert recording.unit == "m"
    np.testing.assert_allclose(recording.values[0], 6.9e-6 * PATH[:, 0], atol=0.01 * 6.9e-6)
    with pytest.raises(ValueError, match="a scale turns px into m"):
        Scale(object_pixel_m=Estimate.unknown(1e-6), source="test").to_object(recording)


def test_exposure_is_corrected():
    """Frames that average a vibration over their exposure: amplitude × sinc without the correction, true with it."""
    rate, exposure, frequency = 60.0, 1 / 60, 24.0
    inside = (np.arange(12) + 0.5) / 12 * exposure - exposure / 2
    frames = []
    for t in np.arange(64) / rate:
        shifts = np.round(BIG * 2 * np.cos(2 * np.pi * frequency * (t + inside))) / BIG
        frames.append(np.mean([take(dx, 0, size=64, noise=0.0) for dx in shifts], axis=0))
    reference = take(0, 0, size=64, noise=0.0)

    def amplitude(result):
        values = result.recording.values[0, 4:-4]
        wave = np.exp(-2j * np.pi * frequency * result.recording.time_s[4:-4])
        return 2 * abs((values * wave).mean())

    plain = amplitude(track(np.array(frames), frame_rate_hz=rate, reference=reference))
    corrected = amplitude(track(np.array(frames), frame_rate_hz=rate, reference=reference, exposure_s=exposure))
    assert plain == pytest.approx(2 * np.sinc(0.4), rel=0.03)
    assert corrected == pytest.approx(2.0, rel=0.03)


def test_rolling_shutter_moves_the_times(clip):
    region = Region(top=20, left=10, height=40, width=60)
    result = track(clip, frame_rate_hz=10.0, region=region, row_time_s=1e-4)
    np.testing.assert_allclose(result.time_s, np.arange(8) / 10 + 39.5 * 1e-4)
    assert any("4 ms of read-out" in note for note in result.notes)


# ------------------------------------------------------------------------------------------- what can go wrong
def test_damage_keeps_what_came_before(clip):
    def read():
        for i, frame in enumerate(clip[:6]):
            yield i / 10, frame
        raise ClipDamaged("run.avi", frame_number=6, found="garbage", expected="a whole frame", cure="copy it again")

    damaged = Clip(
        name="run.avi", height=96, width=96, n_frames=8, frame_rate_hz=10.0, codec="test", lossy=True, _read=read
    )
    result = track(damaged)
    assert result.recording.n_samples == 6 and "frame 6" in result.damage and result.lossy
    assert any("6 frames before the damage are used" in note for note in result.notes)


def test_bad_input_is_named(clip):
    with pytest.raises(ValueError, match="at least 16 px a side"):
        track(clip, frame_rate_hz=10.0, region=Region(top=0, left=0, height=8, width=90))
    with pytest.raises(ValueError, match="reaches out of the 96×96 px frame"):
        track(clip, frame_rate_hz=10.0, region=Region(top=60, left=0, height=60, width=90))
    with pytest.raises(ValueError, match=r"gives 1 frame\(s\)"):
        track(clip[:1], frame_rate_hz=10.0)
    cut = track([clip[0], clip[1], clip[2][:90]], frame_rate_hz=10.0)  # what comes before is used, and said
    assert cut.recording.n_samples == 2 and "frame 2" in cut.damage
    with pytest.raises(ValueError, match="brings its frame times along"):
        track(Clip.from_array(clip, frame_rate_hz=5.0), frame_rate_hz=10.0)


def test_stated_noise_is_the_noise():
    """Noise of a pixel within 5 %, and the scatter it causes within 15 %, for two kinds of reference."""
    rng = np.random.default_rng(9)
    still = take(0, 0, noise=0.0)
    frames = still + rng.normal(0, 3, (200, *still.shape))
    result = track(frames, frame_rate_hz=10.0)
    assert result.noise_grey == pytest.approx(3.0, rel=0.05)
    np.testing.assert_allclose(result.scatter_px, result.noise_px, rtol=0.15)
    whole = Region(top=0, left=0, height=96, width=96)
    assert Matcher(reference=still, region=whole).pair_noise(frames[0], np.zeros(2)) == pytest.approx(3.0, rel=0.05)


# --------------------------------------------------------------------------------------------- what it remarks on
def test_too_few_frames_give_no_verdict_and_no_nan(clip):
    result = track(clip[:2], frame_rate_hz=10.0)
    assert result.verdict == "too few frames are trusted to tell whether anything moved"
    assert not result.moving and np.isnan(result.floor_px).all()


def test_repeated_frames_are_remarked_on(clip):
    """Every third frame shown twice, as software does that fills up to a nominal rate."""
    shown = np.concatenate([[i, i] if i % 3 == 1 else [i] for i in range(len(clip))])
    result = track(clip[shown], frame_rate_hz=10.0)
    assert any(f"3 of {len(shown)} frames repeat the frame before" in note for note in result.notes)
    assert not any("repeat" in note for note in track(clip, frame_rate_hz=10.0).notes)
    still = eight_bit([take(0, 0) for _ in range(6)])
    assert not any("repeat" in note for note in track(still, frame_rate_hz=10.0).notes)


def smeared(time_s, motion_px, exposure_s, *, size=64):
    """Frames that show the mean over an exposure from each time on: exact shifts of a periodic scene, no noise."""
    scene = ndimage.gaussian_filter(np.random.default_rng(1).normal(0, 60, (size, size)), 1.5, mode="wrap") * 6 + 120
    turn = -2j * np.pi * np.fft.fftfreq(size)
    inside = (np.arange(24) + 0.5) / 24 * exposure_s
    phases = np.array([np.exp(np.multiply.outer(motion_px(t + inside), turn)).mean(axis=0) for t in time_s])
    return scene, np.fft.ifft(np.fft.fft(scene, axis=1) * phases[:, None, :], axis=2).real


@pytest.mark.parametrize(("frame_time", "stamp"), [("start", 0.0), ("middle", 0.5), ("end", 1.0)])
def test_a_decay_does_not_lag_by_half_the_exposure(frame_time, stamp):
    """A ring-down starts where it does, whatever the stamps mark; taken for something else they show the lag."""
    rate, exposure, frequency, decay = 100.0, 9e-3, 17.0, 4.0
    start = np.arange(80) / rate + 0.05

    def wave(t):
        return np.exp(-decay * t) * np.sin(2 * np.pi * frequency * t)

    scene, frames = smeared(start, wave, exposure)
    region = Region(top=12, left=12, height=40, width=40)
    common = {"reference": scene, "region": region, "exposure_s": exposure, "time_s": start + stamp * exposure}

    def lag_s(result):
        """Delay of the fitted decay, from the phase of cosine and sine by least squares."""
        t = result.recording.time_s[2:-2]
        envelope = np.exp(-decay * t)
        design = np.stack([envelope * np.cos(2 * np.pi * frequency * t), envelope * np.sin(2 * np.pi * frequency * t)])
        cosine, sine = np.linalg.lstsq(design.T, result.recording.values[0, 2:-2], rcond=None)[0]
        return -np.arctan2(cosine, sine) / (2 * np.pi * frequency)

    right = track(frames, frame_time=frame_time, **common)
    assert lag_s(right) == pytest.approx(0.0, abs=1e-4)
    assert any(f"mark the {frame_time} of the exposure" in note for note in right.notes)
    wrong = {"start": "middle", "middle": "end", "end": "middle"}[frame_time]
    assert abs(lag_s(track(frames, frame_time=wrong, **common))) == pytest.approx(exposure / 2, abs=2e-4)


def test_frame_time_is_checked_and_silent_without_exposure(clip):
    with pytest.raises(ValueError, match="frame_time is 'begin'; it must be one of 'start', 'middle', 'end'"):
        track(clip, frame_rate_hz=10.0, frame_time="begin")
    result = track(clip, frame_rate_hz=10.0)
    assert result.time_s[0] == 0.0 and not any("time stamps" in note for note in result.notes)
