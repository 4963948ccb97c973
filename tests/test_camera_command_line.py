"""`labkit track` and `labkit blur` as a builder meets them, on the demo pictures and on files of other making."""

import json
from fractions import Fraction
from pathlib import Path

import av
import imageio.v3 as iio
import numpy as np
import pytest
from scipy import ndimage

import labkit as lab
from labkit.__main__ import main
from labkit.base import LogFormatError
from labkit.runs.pictures import read_frame_times_s, read_picture

CLIPS = Path(__file__).parents[1] / "data" / "wren-clips"
RING_DOWN = CLIPS / "hardboard-ring-down.mkv"
TRUTH = json.loads((CLIPS / "truth.json").read_text(encoding="utf-8"))


def words(text):
    return " ".join(text.split())


@pytest.fixture(scope="module")
def scene():
    return 120 + 200 * ndimage.gaussian_filter(np.random.default_rng(3).normal(size=(96, 112)), 1.2)


def shaken(scene, *, count=60, amplitude_px=0.8, rate_hz=50.0, noise=1.0):
    """Frames that sway along x at 4 Hz, by spline shifts; 8 bit."""
    rng, x = np.random.default_rng(4), amplitude_px * np.sin(2 * np.pi * 4 * np.arange(count) / rate_hz)
    moved = [ndimage.shift(scene, (0, one), order=5, mode="mirror") for one in x]
    return x, np.clip(np.rint(np.array(moved) + noise * rng.standard_normal((count, *scene.shape))), 0, 255).astype(
        "u1"
    )


# ----------------------------------------------------------------------------------------------------- track
def test_track_tells_motion_and_its_floor(capsys):
    assert main(["track", str(RING_DOWN)]) == 0
    out = words(capsys.readouterr().out)
    assert "Motion (floor: x" in out and "650 of 650 frames are trusted, 100 a second" in out
    assert "stored without loss" in out and "above 50 Hz is folded" in out


def test_the_log_that_track_writes_is_read_again(capsys, tmp_path):
    path = tmp_path / "moves.csv"
    scale = ["--pixel-um", "3.45", "--magnification", "0.5"]
    assert main(["track", str(RING_DOWN), *scale, "--exposure-ms", "8", "--csv", str(path)]) == 0
    log = lab.read_log(path)
    assert (log.unit, log.channels, log.n_samples) == ("m", ("x", "y"), len(TRUTH["clip"]["x_px"]))
    moved_px = log.values[0] / TRUTH["object_pixel_m"]
    assert np.ptp(moved_px) == pytest.approx(np.ptp(TRUTH["clip"]["x_px"]), rel=0.08)
    capsys.readouterr()
    assert main(["check", str(path)]) == 0


def test_the_camera_finds_the_modes_of_the_machine(capsys, tmp_path):
    path = tmp_path / "moves.csv"
    assert main(["track", str(RING_DOWN), "--px-per-mm", "144.927536", "--csv", str(path)]) == 0
    capsys.readouterr()
    range_m = np.ptp(TRUTH["clip"]["x_px"]) * TRUTH["object_pixel_m"]
    assert np.ptp(lab.read_log(path).channel("x")) == pytest.approx(range_m, rel=0.01)
    assert main(["analyse", str(path), "--tolerance-um", "3.45", "--move-ms", "392.5", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["analysis"]["modes"]
    true = [mode["frequency_hz"] for mode in TRUTH["clip"]["modes"]]
    # the third rings above half the frame rate and is seen folded
    assert [mode["frequency_hz"]["value"] for mode in found] == pytest.approx([*true[:2], 100 - true[2]], rel=0.015)


def test_json_holds_the_displacement(capsys):
    assert main(["track", str(RING_DOWN), "--region", "2,4,44,56", "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    x = np.array(content["track"]["shift_px"][0])
    assert np.std(x - TRUTH["clip"]["x_px"]) < 0.006
    assert content["track"]["moving"] is True and content["codec"].startswith("ffv1")


def test_pictures_in_a_folder_with_given_times(capsys, tmp_path, scene):
    x, frames = shaken(scene)
    for number, frame in enumerate(frames):
        iio.imwrite(tmp_path / f"frame{number}.png", frame)
    times = tmp_path / "times.txt"
    times.write_text("# s\n" + "\n".join(f"{10 + i / 50:.4f}" for i in range(len(frames))), encoding="utf-8")
    csv = tmp_path / "out.csv"
    assert main(["track", str(tmp_path), "--times", str(times), "--csv", str(csv)]) == 0
    log = lab.read_log(csv)
    assert log.unit == "px" and log.start_s == pytest.approx(10.0) and log.sample_rate_hz == pytest.approx(50.0)
    assert np.std(log.channel("x") - x) < 0.01
    capsys.readouterr()
    assert main(["analyse", str(csv)]) == 2
    assert "pixel_um" in capsys.readouterr().err


def test_a_clip_compressed_between_frames_is_called_lossy(capsys, tmp_path, scene):
    _, frames = shaken(scene)
    path = tmp_path / "lossy.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=Fraction(50), options={"qscale": "4"})
        stream.height, stream.width, stream.pix_fmt = *frames[0].shape, "yuv420p"
        for frame in frames:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format="gray").reformat(format="yuv420p")))
        container.mux(stream.encode())
    log = tmp_path / "log.csv"
    assert main(["track", str(path), "--csv", str(log)]) == 0
    out = words(capsys.readouterr().out)
    assert "stored with loss" in out and "small motion is falsified" in out
    # the log says it too, and is read in spite of it
    assert "small motion is falsified" in log.read_text(encoding="utf-8")
    assert lab.read_log(log).sample_rate_hz == pytest.approx(50.0)


def test_a_clip_without_use_exits_with_one(capsys, tmp_path, scene):
    rng = np.random.default_rng(5)
    np.save(tmp_path / "lost.npy", rng.integers(0, 255, (12, 64, 64), dtype=np.uint8))
    assert main(["track", str(tmp_path / "lost.npy"), "--rate-hz", "30"]) == 1
    out = words(capsys.readouterr().out)
    assert "1 of 12 frames are trusted" in out and "Too few frames" in out


# ------------------------------------------------------------------------------------------------------ blur
def test_blur_table_of_some_moves(capsys):
    frames = [str(CLIPS / "hardboard" / f"move-{k:02d}.png") for k in (1, 12)]
    sharp = str(CLIPS / "hardboard" / "sharp.png")
    assert main(["blur", *frames, "--sharp", sharp, "--shape", "smear", "--exposure-ms", "12"]) == 0
    out = words(capsys.readouterr().out)
    assert "no blur found" in out and "1 of 2 frames show blur" in out
    assert "drift [px/s]" in out


def test_json_of_blur_agrees_with_the_truth(capsys):
    file = "foot/move-03.png"
    true = next(frame for frame in TRUTH["frames"] if frame["file"] == file)
    arguments = ["blur", str(CLIPS / file), "--sharp", str(CLIPS / "foot" / "sharp.png"), "--shape", "smear", "--json"]
    assert main(arguments) == 0
    (blur,) = json.loads(capsys.readouterr().out)["blur"].values()
    assert blur["sigma_x_px"]["value"] == pytest.approx(true["sigma_x_px"], abs=0.03)


def test_a_burst_is_averaged(capsys, tmp_path, scene):
    rng = np.random.default_rng(6)
    for name, picture in (("sharp", scene), ("frame", ndimage.gaussian_filter1d(scene, 0.7, axis=1))):
        (tmp_path / name).mkdir()
        for k in range(6):
            noisy = np.clip(np.rint(picture + 2 * rng.standard_normal(scene.shape)), 0, 255)
            iio.imwrite(tmp_path / name / f"{k}.png", noisy.astype(np.uint8))
    assert main(["blur", str(tmp_path / "frame"), "--sharp", str(tmp_path / "sharp"), "--json"]) == 0
    (blur,) = json.loads(capsys.readouterr().out)["blur"].values()
    assert blur["frame_noise_sd"] == pytest.approx(2 / np.sqrt(6), rel=0.1)
    assert blur["sigma_x_px"]["value"] == pytest.approx(0.7, abs=0.05)


# ----------------------------------------------------------------------------------------------- wrong input
@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["track", "nowhere.mkv"], "nowhere.mkv"),
        (["track", "{clip}", "--px-per-mm", "100", "--magnification", "0.5"], "--px-per-mm alone"),
        (["track", "{clip}", "--pixel-um", "3.45"], "together"),
        (["track", "{clip}", "--px-per-mm", "-1"], "--px-per-mm"),
        (["track", "{clip}", "--region", "0,0,400,400"], "reaches out of"),
        (["track", "{clip}", "--exposure-ms", "20"], "frame period"),
        (["track", "{clip}", "--reference", "9999"], "no frame of that number"),
        (["track", "{clip}", "--times", "{notes}"], "line 2"),
        (["track", "{notes}"], "cannot be opened"),
        (["blur", "{clip_frame}", "--sharp", "{notes}.png"], "does not exist"),
        (["blur", "{clip_frame}", "--sharp", "{broken}"], "cannot be read"),
        (["blur", "{clip_frame}", "--sharp", "{grey}"], "same size"),
    ],
)
def test_wrong_input_is_told_in_words(capsys, tmp_path, arguments, said):
    files = {"notes": tmp_path / "notes.txt", "broken": tmp_path / "broken.png", "grey": tmp_path / "grey.png"}
    files["notes"].write_text("0.0\nlater\n", encoding="utf-8")
    files["broken"].write_bytes(b"\x89PNG\r\n\x1a\nnothing")
    iio.imwrite(files["grey"], np.full((64, 64), 100, np.uint8))
    files |= {"clip": RING_DOWN, "clip_frame": CLIPS / "hardboard" / "move-05.png"}
    assert main([a.format(**files) for a in arguments]) == 2
    captured = capsys.readouterr()
    assert said in captured.err and "Traceback" not in captured.err and captured.out == ""


def test_a_region_that_is_none_is_told_by_the_parser(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["track", str(RING_DOWN), "--region", "1,2,3"])
    assert stop.value.code == 2 and "TOP,LEFT,HEIGHT,WIDTH" in capsys.readouterr().err


# --------------------------------------------------------------------------------------------------- reading
def test_pictures_are_read_grey_and_jpeg_is_noted(tmp_path):
    colour = np.zeros((40, 50, 3), np.uint8)
    colour[..., 1] = 100
    iio.imwrite(tmp_path / "a.png", colour)
    iio.imwrite(tmp_path / "a.jpg", colour)
    picture = read_picture(tmp_path / "a.png")
    assert picture.pixels.shape == (40, 50) and picture.pixels[0, 0] == pytest.approx(58.7) and not picture.notes
    assert picture.white_level == 255 and "JPEG" in read_picture(tmp_path / "a.jpg").notes[0]


def test_frame_times_skip_comments_and_name_the_line(tmp_path):
    path = tmp_path / "t.txt"
    path.write_text("# times\n0.0\n\n0.1 # second\n", encoding="utf-8")
    assert read_frame_times_s(path) == [0.0, 0.1]
    path.write_text("0.0\nnan\n", encoding="utf-8")
    with pytest.raises(LogFormatError, match="line 2"):
        read_frame_times_s(path)
