"""Rolling shutter: vibration far above the frame rate, on clips made from real photographs row by row.

Every row of the photograph (shipped with scikit-image) is moved by the displacement at its own time, averaged over its
exposure, and area-binned 4×4; noise 2 of 255. Read-out 112 rows × 0.25 ms = 28 ms of a 33.3 ms frame period.
"""

import functools

import numpy as np
import pytest
from skimage import data

from labkit.analyse._frame_clock import unrounded
from labkit.analyse.frames import track
from labkit.analyse.rolling_shutter import find_row_line, track_rows

RATE, ROW_TIME, BIN = 30.0, 0.25e-3, 4


@functools.cache
def spectrum(name):
    return np.fft.rfft(getattr(data, name)()[: 112 * BIN].astype(float), axis=1)


def rolling_clip(name, motion_px, *, n_frames=36, exposure_s=0.0, seed=0):
    """Frames in which row i of frame n shows the scene moved along x by motion_px(n/RATE + (i + ½)·ROW_TIME)."""
    rng = np.random.default_rng(seed)
    rows = np.arange(112 * BIN) // BIN
    wave = np.arange(257) / 512
    inside = (np.arange(5) - 2) / 5 * exposure_s if exposure_s else np.zeros(1)
    frames = []
    for n in range(n_frames):
        times = n / RATE + (rows[:, None] + 0.5) * ROW_TIME + inside
        turned = np.exp(-2j * np.pi * wave[None, None, :] * BIN * motion_px(times)[:, :, None]).mean(axis=1)
        moved = np.fft.irfft(spectrum(name) * turned, 512, axis=1)[:, 32:-32]
        binned = moved.reshape(112, BIN, 112, BIN).mean((1, 3))
        frames.append(np.clip(np.rint(binned + rng.normal(0, 2, binned.shape)), 0, 255).astype(np.uint8))
    return np.stack(frames)


def sine(amplitude_px, frequency_hz):
    return lambda t: amplitude_px * np.sin(2 * np.pi * frequency_hz * t + 0.3)


@pytest.mark.parametrize(
    ("name", "frequency_hz", "amplitude_px", "exposure_s", "tolerance"),
    [
        ("gravel", 20.0, 0.5, 0.0, 0.02),
        ("camera", 63.0, 0.3, 2e-3, 0.03),
        ("brick", 147.0, 0.1, 1e-3, 0.06),
        ("grass", 147.0, 0.5, 0.0, 0.06),
        ("gravel", 211.0, 0.3, 0.0, 0.06),  # only 17 % of it is left by a band
        ("gravel", 90.4, 0.1, 0.0, 0.04),  # half a cycle of difference to three times the frame rate in the whole clip
    ],
)
def test_frequency_and_amplitude_above_the_frame_rate(name, frequency_hz, amplitude_px, exposure_s, tolerance):
    clip = rolling_clip(name, sine(amplitude_px, frequency_hz), exposure_s=exposure_s)
    rows = track_rows(clip, frame_rate_hz=RATE, row_time_s=ROW_TIME, exposure_s=exposure_s)
    line = find_row_line(rows, axis="x", lowest_hz=2.0, highest_hz=300.0)
    assert line.found and line.distinct
    assert line.frequency_hz.value == pytest.approx(frequency_hz, abs=0.1)
    assert line.amplitude_px.value == pytest.approx(amplitude_px, rel=tolerance)
    assert rows.sample_rate_hz == pytest.approx(250.0) and rows.duty == pytest.approx(0.72)


def test_what_a_whole_frame_sees_instead():
    """The same 147 Hz folds to 3 Hz and is averaged away over the read-out."""
    clip = rolling_clip("gravel", sine(0.5, 147.0))
    whole = track(clip, frame_rate_hz=RATE, row_time_s=ROW_TIME)
    assert whole.scatter_px[0] < 0.1 * 0.5 / np.sqrt(2)


def test_stillness_gives_no_line():
    rows = track_rows(rolling_clip("gravel", sine(0.0, 1.0)), frame_rate_hz=RATE, row_time_s=ROW_TIME)
    for axis in "xy":
        assert not find_row_line(rows, axis=axis, lowest_hz=2.0, highest_hz=300.0).found
    scatter = np.nanstd(rows.shift_px, axis=1)
    np.testing.assert_allclose(scatter, rows.noise_px, rtol=0.3)


def test_a_vibration_across_the_line_of_sight_stays_in_its_axis():
    rows = track_rows(rolling_clip("gravel", sine(0.3, 63.0)), frame_rate_hz=RATE, row_time_s=ROW_TIME)
    assert not find_row_line(rows, axis="y", lowest_hz=2.0, highest_hz=200.0).distinct


def test_in_step_with_the_frames_it_takes_a_reference_at_rest():
    """150 Hz at 30 frames/s bends every frame alike: invisible without, seen with a reference taken at rest."""
    clip = rolling_clip("gravel", sine(0.3, 150.0))
    rest = rolling_clip("gravel", sine(0.0, 1.0), n_frames=1, seed=4)[0]
    blind = track_rows(clip, frame_rate_hz=RATE, row_time_s=ROW_TIME)
    assert not find_row_line(blind, axis="x", lowest_hz=2.0, highest_hz=200.0).found
    seeing = track_rows(clip, frame_rate_hz=RATE, row_time_s=ROW_TIME, reference=rest, at_rest=True)
    line = find_row_line(seeing, axis="x", lowest_hz=2.0, highest_hz=200.0)
    assert line.found
    assert line.frequency_hz.value == pytest.approx(150.0, abs=0.3)
    assert line.amplitude_px.value == pytest.approx(0.3, rel=0.1)


def test_a_vibration_beyond_the_range_is_not_stated_as_distinct():
    """211 Hz searched only up to 100 Hz: whatever fits best there does not explain the motion."""
    rows = track_rows(rolling_clip("gravel", sine(0.3, 211.0)), frame_rate_hz=RATE, row_time_s=ROW_TIME)
    line = find_row_line(rows, axis="x", lowest_hz=2.0, highest_hz=100.0)
    assert not line.distinct and line.explained < 0.9


def test_wrong_row_time_gives_a_wrong_frequency():
    """The row time is the clock: what is 5 % wrong in it shows in the phase from band to band."""
    clip = rolling_clip("gravel", sine(0.3, 63.0))
    right = find_row_line(
        track_rows(clip, frame_rate_hz=RATE, row_time_s=ROW_TIME), axis="x", lowest_hz=2.0, highest_hz=200.0
    )
    wrong = find_row_line(
        track_rows(clip, frame_rate_hz=RATE, row_time_s=0.8 * ROW_TIME), axis="x", lowest_hz=2.0, highest_hz=200.0
    )
    assert wrong.residual_px > 3 * right.residual_px


def test_bands_without_texture_are_left_out():
    clip = rolling_clip("gravel", sine(0.3, 63.0))
    clip[:, 8:40] = np.random.default_rng(1).normal(120, 2, clip[:, 8:40].shape).astype(np.uint8)
    rows = track_rows(clip, frame_rate_hz=RATE, row_time_s=ROW_TIME)
    assert any("2 of 6 bands cannot be followed" in note for note in rows.notes)
    line = find_row_line(rows, axis="x", lowest_hz=2.0, highest_hz=200.0)
    assert line.distinct and line.frequency_hz.value == pytest.approx(63.0, abs=0.1)
    assert (rows.noise_px < 0.01).all()


def test_bad_input_is_named():
    clip = rolling_clip("gravel", sine(0.0, 1.0), n_frames=3)
    with pytest.raises(ValueError, match="at least 2 bands must fit"):
        track_rows(clip, frame_rate_hz=RATE, row_time_s=ROW_TIME, band_rows=80)
    with pytest.raises(ValueError, match="row_time_s"):
        track_rows(clip, frame_rate_hz=RATE, row_time_s=0.0)
    rows = track_rows(clip, frame_rate_hz=RATE, row_time_s=ROW_TIME)
    with pytest.raises(ValueError, match="axis is 'z'"):
        find_row_line(rows, axis="z", lowest_hz=2.0, highest_hz=20.0)
    with pytest.raises(ValueError, match="survives a band of 16 rows"):
        find_row_line(rows, axis="x", lowest_hz=245.0, highest_hz=255.0)


def test_times_rounded_by_the_container_are_put_back_on_their_clock():
    """Milliseconds, as Matroska stores them, cost a vibration of 147 Hz a tenth of its amplitude; uneven ones stay."""
    clip, even = rolling_clip("gravel", sine(0.3, 147.0)), np.arange(36) / RATE
    rounded = track_rows(clip, time_s=np.round(even, 3), row_time_s=ROW_TIME)
    line = find_row_line(rounded, axis="x", lowest_hz=2.0, highest_hz=200.0)
    assert line.amplitude_px.value == pytest.approx(0.3, rel=0.03) and line.explained > 0.99
    uneven = np.round(even + np.random.default_rng(2).uniform(-0.003, 0.003, 36), 3)
    assert np.allclose(track_rows(clip, time_s=uneven, row_time_s=ROW_TIME).time_s.min(), uneven[0] + 15.5 * ROW_TIME)
    np.testing.assert_array_equal(unrounded(uneven), uneven)
    np.testing.assert_allclose(unrounded(np.round(even, 3)), even, atol=2e-4)


def test_exposure_and_frame_time_move_the_bands():
    clip = rolling_clip("gravel", sine(0.0, 1.0), n_frames=3)
    common = {"frame_rate_hz": RATE, "row_time_s": ROW_TIME, "exposure_s": 4e-3}
    starts = {mark: track_rows(clip, frame_time=mark, **common).time_s[0] for mark in ("start", "middle", "end")}
    assert starts["start"] - starts["middle"] == pytest.approx(2e-3)
    assert starts["middle"] - starts["end"] == pytest.approx(2e-3)
