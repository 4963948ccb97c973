"""The demo pictures of the Wren: made again, and their truth found again by tracking and by measuring blur."""

import ast
import csv
import importlib
import json
import sys
from pathlib import Path

import imageio.v3 as iio
import numpy as np
import pytest
from scipy import signal

from labkit.analyse.blur import measure_blur
from labkit.analyse.frames import track
from labkit.analyse.sampling import alias_candidates
from labkit.analyse.scale import scale_from_target
from labkit.runs.clipfiles import open_clip

DATA = Path(__file__).parents[1] / "data"
CLIPS = DATA / "wren-clips"
TRUTH = json.loads((CLIPS / "truth.json").read_text(encoding="utf-8"))
CLIP = TRUTH["clip"]
FRAMES = {frame["file"]: frame for frame in TRUTH["frames"]}


def pictures(path):
    if path.suffix == ".png":
        return iio.imread(path)[None]
    return np.array([frame.pixels for frame in open_clip(path)])


@pytest.fixture(scope="module")
def made_again(tmp_path_factory):
    folder, before = tmp_path_factory.mktemp("clips"), set(sys.modules)
    sys.path.insert(0, str(DATA))
    try:
        importlib.import_module("make_wren_clips").make_clips(folder)
    finally:
        sys.path.remove(str(DATA))
        for name in {"make_wren_clips", "make_wren_runs"} - before:
            del sys.modules[name]
    return folder


def test_the_generator_makes_the_shipped_files_again(made_again):
    files = sorted(path.relative_to(CLIPS) for path in CLIPS.rglob("*") if path.is_file())
    assert files == sorted(path.relative_to(made_again) for path in made_again.rglob("*") if path.is_file())
    for file in files:
        if file.suffix in (".png", ".mkv"):
            difference = np.abs(pictures(CLIPS / file).astype(int) - pictures(made_again / file))
            # the last bit of a processor may tip the rounding of a grey level here and there
            assert difference.max() <= 1 and np.mean(difference > 0) < 1e-4, file
        else:
            assert (CLIPS / file).read_bytes() == (made_again / file).read_bytes(), file


def test_the_generator_shares_no_code_with_the_analysis():
    tree = ast.parse((DATA / "make_wren_clips.py").read_text(encoding="utf-8"))
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    own = {name.split(".")[0] for name in names} - sys.stdlib_module_names
    assert own == {"numpy", "av", "imageio", "make_wren_runs"}


def test_the_pictures_are_small_and_say_that_they_are_invented():
    assert sum(path.stat().st_size for path in CLIPS.rglob("*") if path.is_file()) < 2e6
    assert TRUTH["note"].startswith("Invented")


def test_the_table_of_frames_fits_the_logs():
    with (CLIPS / "frames.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["file"] for row in rows] == list(FRAMES)
    ends = {
        (run, name): [round(move["end_s"], 3) for move in log["moves"]]
        for run in ("wren-hardboard", "wren-foot")
        for name, log in json.loads((DATA / run / "truth.json").read_text(encoding="utf-8"))["logs"].items()
    }
    for row in rows:
        assert round(float(row["move_end_s"]), 3) in ends[row["run"], row["log"]]


# --------------------------------------------------------------------------------- the truth is found again
@pytest.fixture(scope="module")
def tracked():
    return track(open_clip(CLIPS / CLIP["file"]), workers=1)


def test_the_clip_moves_as_the_truth_says(tracked):
    assert tracked.trusted.all() and tracked.moving and not tracked.lossy and not tracked.damage
    wrong = tracked.shift_px - [CLIP["x_px"], CLIP["y_px"]]
    assert (np.sqrt(np.mean(wrong**2, axis=1)) < 1.5 * tracked.noise_px).all()
    assert tracked.noise_grey == pytest.approx(TRUTH["noise_grey"], rel=0.1)
    assert tracked.recording.sample_rate_hz == pytest.approx(CLIP["frame_rate_hz"], rel=1e-6)


def test_the_twist_of_the_panel_folds_and_the_accelerometer_tells(tracked):
    """The third mode rings above half the frame rate and shows up at 100 Hz less its frequency."""
    twist_hz = CLIP["modes"][2]["frequency_hz"]
    first = round((CLIP["move_ends_s"][0] - CLIP["move_ends_s"][0] % 0.01) * 100) + 31
    ring = signal.detrend(tracked.shift_px[0, first : first + 60])
    frequency, power = signal.periodogram(ring, fs=100.0, window="hann", nfft=4096)
    high = frequency > 30
    seen_hz = frequency[high][np.argmax(power[high])]
    assert seen_hz == pytest.approx(100 - twist_hz, abs=1.0)
    candidates = alias_candidates(seen_hz, frame_rate_hz=100.0, highest_hz=90.0, exposure_s=8e-3)
    assert candidates.frequency_hz[candidates.choose(61.0, uncertainty_hz=1.0)] == pytest.approx(twist_hz, abs=1.0)


def test_blur_of_the_frames_agrees_within_the_stated_intervals():
    inside = []
    for file, true in list(FRAMES.items())[::2]:
        blur = measure_blur(iio.imread(CLIPS / file), iio.imread((CLIPS / file).parent / "sharp.png"), family="smear")
        inside += [blur.sigma_x_px.interval.contains(true["sigma_x_px"])]
        assert abs(blur.sigma_x_px.value - true["sigma_x_px"]) < 0.03, file
        assert blur.shift_x_px.value == pytest.approx(true["x_px"], abs=0.02), file
    assert len(inside) == 10 and sum(inside) >= 8  # fewer by chance: 1 % at a coverage of 95 %


def test_the_seats_give_the_scale():
    picture = iio.imread(CLIPS / "hardboard" / "sharp.png").astype(float)
    pitch_m = TRUTH["seat_pitch_m"]
    error_m = 1e-3 * pitch_m
    # the grain of the tray leaves a grid of every other seat possible: it asks, and takes the pitch counted
    with pytest.raises(ValueError, match="approximate_pitch_px"):
        scale_from_target(picture, pitch_m=pitch_m, kind="dots", pitch_standard_error_m=error_m)
    scale = scale_from_target(
        picture, pitch_m=pitch_m, kind="dots", pitch_standard_error_m=error_m, approximate_pitch_px=12.0
    )
    assert scale.object_pixel_m.interval.contains(TRUTH["object_pixel_m"])
