"""`labkit rows`, `focus`, `edge`, `scale` as a builder meets them, on pictures made in the test."""

import json
import math

import imageio.v3 as iio
import numpy as np
import pytest
import tifffile
from scipy import fft, ndimage
from scipy.special import j1
from scipy.stats import norm

import labkit as lab
from labkit.__main__ import main

RATE_HZ, ROW_S = 30.0, 0.4e-3
CONE_PX_PER_UM, BEST_UM = 0.08, 4.0


def words(text):
    return " ".join(text.split())


def run(capsys, *arguments):
    code = main([str(one) for one in arguments])
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    return code, words(captured.out), captured.err


def eight_bit(picture):
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


# ------------------------------------------------------------------------------------------------------ rows
def rolling_clip(amplitude_px, frequency_hz, *, count=40, height=64):
    """Every row of a periodic scene moved along x by the vibration at its own time; noise 1.5 of 255."""
    rng = np.random.default_rng(5)
    scene = 120 + 160 * ndimage.gaussian_filter(rng.normal(size=(height, 96)), 1.0, mode="wrap")
    spectrum, wave = np.fft.rfft(scene, axis=1), np.fft.rfftfreq(96)
    times = np.arange(count)[:, None] / RATE_HZ + (np.arange(height) + 0.5) * ROW_S
    turned = np.exp(-2j * np.pi * wave * amplitude_px * np.sin(2 * np.pi * frequency_hz * times)[:, :, None])
    frames = np.fft.irfft(spectrum * turned, 96, axis=2)
    return eight_bit(frames + rng.normal(0, 1.5, frames.shape))


@pytest.fixture(scope="module")
def shaken(tmp_path_factory):
    path = tmp_path_factory.mktemp("rows") / "shaken.npy"
    np.save(path, rolling_clip(0.4, 73.0))
    return path


ROWS = ["--rate-hz", RATE_HZ, "--row-us", 1e6 * ROW_S]


def test_rows_find_a_vibration_above_the_frame_rate(capsys, shaken, tmp_path):
    log = tmp_path / "rows.csv"
    code, out, _ = run(capsys, "rows", shaken, *ROWS, "--px-per-mm", 100, "--csv", log)
    assert code == 0
    assert "Along x the picture vibrates at 73.0" in out and "no other frequency fits" in out
    assert "What is seen along y is so little that it may be the trace of the motion along x" in out
    assert "3 bands of 16 rows" in out and "a multiple of 30 Hz bends every frame alike" in out
    # the log holds every band at its own time, in µm, and is read like any other
    read = lab.read_log(log, irregular="mark")  # the dead time between frames is a gap
    assert read.unit == "m" and "rows" in log.read_text(encoding="utf-8").splitlines()[0]
    table = np.genfromtxt(log, delimiter=",", comments="#", skip_header=0)[1:]
    assert len(table) == 3 * 40
    true = 0.4 * np.sin(2 * np.pi * 73.0 * table[:, 0]) * np.sinc(73.0 * 16 * ROW_S)
    assert np.std(table[:, 1] / 10 - true) < 0.02 < 0.15 < np.std(true)


def test_json_of_rows(capsys, shaken):
    assert main(["rows", str(shaken), *map(str, ROWS), "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    line = content["lines"]["x"]
    assert line["found"] and line["distinct"]
    assert line["frequency_hz"]["value"] == pytest.approx(73.0, abs=0.1)
    assert line["amplitude_px"]["value"] == pytest.approx(0.4, rel=0.05)
    assert content["lines"]["y"]["amplitude_px"]["value"] < 0.02
    assert content["rows"]["at_rest"] is False


def test_in_step_with_the_frames_it_takes_a_picture_taken_at_rest(capsys, tmp_path):
    """And enough bands: three of them, alike in every frame, would leave the frequency open."""
    np.save(tmp_path / "step.npy", rolling_clip(0.4, 90.0, height=80))
    iio.imwrite(tmp_path / "rest.png", rolling_clip(0.0, 1.0, count=1, height=80)[0])
    _, out, _ = run(capsys, "rows", tmp_path / "step.npy", *ROWS)
    assert "Along x no vibration" in out and "a reference taken at rest" in out
    rest = ["--rest", tmp_path / "rest.png"]
    _, out, _ = run(capsys, "rows", tmp_path / "step.npy", *ROWS, *rest, "--region", "8,0,64,96")
    assert "Along x the picture vibrates at 90.0" in out and "a reference taken at rest" not in out
    _, out, _ = run(capsys, "rows", tmp_path / "step.npy", *ROWS, *rest, "--region", "8,0,48,96")
    assert "that is not settled" in out


def test_the_frame_time_moves_the_log(capsys, shaken):
    """Half of an exposure of 4 ms: the rows' times move by 2 ms from "start" to "middle" of it."""
    starts = []
    for mark in ("start", "middle"):
        main(["rows", str(shaken), *map(str, ROWS), "--exposure-ms", "4", "--frame-time", mark, "--json"])
        starts.append(json.loads(capsys.readouterr().out)["rows"]["time_s"][0])
    assert starts[0] - starts[1] == pytest.approx(2e-3)


# ----------------------------------------------------------------------------------------------------- focus
def through_focus(z_um):
    """A scene behind a disc that grows with the distance from best focus; noise 1.5 of 255."""
    rng = np.random.default_rng(6)
    scene = 120 + 200 * ndimage.gaussian_filter(rng.normal(size=(64, 64)), 0.9, mode="wrap")
    reach = np.hypot(fft.fftfreq(64)[:, None], fft.rfftfreq(64)[None, :])
    pictures = []
    for z in z_um:
        around = np.maximum(np.pi * reach * CONE_PX_PER_UM * abs(z - BEST_UM), 1e-9)
        blurred = fft.irfft2(fft.rfft2(scene) * 2 * j1(around) / around, scene.shape)
        pictures.append(eight_bit(blurred + rng.normal(0, 1.5, scene.shape)))
    return pictures


Z_UM = [-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 35.0]


@pytest.fixture(scope="module")
def stack(tmp_path_factory):
    folder = tmp_path_factory.mktemp("focus")
    for i, picture in enumerate(through_focus(Z_UM)):
        iio.imwrite(folder / f"z{i}.png", picture)
    return folder


def test_focus_finds_best_z_and_depth_of_field(capsys, stack):
    z = "--z-um=" + ",".join(map(str, Z_UM))
    code, out, _ = run(capsys, "focus", stack, z, "--blur-limit-px", 1.6, "--noise", 1.5)
    assert code == 0 and "sharpest" in out and "z3.png" in out
    best = float(out.split("Best focus at z = ")[1].split()[0])
    depth = float(out.split("depth of field of ")[1].split()[0])
    assert best == pytest.approx(BEST_UM, abs=0.5)
    assert depth == pytest.approx(2 * 1.6 / CONE_PX_PER_UM, rel=0.03)


def test_a_stack_with_places_in_a_file_gives_json(capsys, stack, tmp_path):
    pictures = [iio.imread(stack / f"z{i}.png") for i in range(1, 7)]
    tifffile.imwrite(tmp_path / "stack.tif", np.array(pictures))
    (tmp_path / "z.txt").write_text("# µm\n" + "\n".join(map(str, Z_UM[1:])), encoding="utf-8")
    arguments = ["focus", tmp_path / "stack.tif", "--z-um", tmp_path / "z.txt", "--noise", "1.5", "--json"]
    assert main([str(one) for one in arguments]) == 0
    content = json.loads(capsys.readouterr().out)
    assert content["pictures"] == ["0", "1", "2", "3", "4", "5"]
    assert content["focus"]["best_z_m"]["value"] == pytest.approx(1e-6 * BEST_UM, abs=0.5e-6)
    assert content["focus"]["disc_px_per_m"]["value"] == pytest.approx(1e6 * CONE_PX_PER_UM, rel=0.03)


def test_a_folder_of_bursts_is_a_stack(capsys, stack, tmp_path):
    """Each place a folder of two pictures; an even step counts from the first."""
    for i in range(1, 6):
        (tmp_path / f"place{i}").mkdir()
        for k in range(2):
            iio.imwrite(tmp_path / f"place{i}" / f"{k}.png", iio.imread(stack / f"z{i}.png"))
    code, out, _ = run(capsys, "focus", tmp_path, "--z-step-um", 10, "--noise", 1.5)
    assert code == 0 and "place4" in out
    assert float(out.split("Best focus at z = ")[1].split()[0]) == pytest.approx(20 + BEST_UM, abs=0.5)


# ------------------------------------------------------------------------------------------------ edge, scale
def edge_picture(sigma_px, seed):
    y, x = np.mgrid[:90, :72]
    across = (x - 35 - 0.1 * (y - 45)) * math.cos(math.atan(0.1))
    noise = np.random.default_rng(seed).normal(0, 1.0, x.shape)
    return eight_bit(50 + 140 * norm.cdf(across / sigma_px) + noise)


@pytest.fixture
def edges(tmp_path):
    iio.imwrite(tmp_path / "frame.png", edge_picture(1.5, 1))
    iio.imwrite(tmp_path / "sharp.png", edge_picture(0.7, 2))
    return tmp_path


def test_edge_gives_mtf50_and_the_equivalent_gaussian(capsys, edges):
    code, out, _ = run(capsys, "edge", edges / "frame.png", "--region", "5,5,80,62")
    assert code == 0 and "MTF50" in out and "5.7" in out
    assert main(["edge", str(edges / "frame.png"), "--json"]) == 0
    (edge,) = json.loads(capsys.readouterr().out)["edges"].values()
    assert edge["mtf50_cpp"]["value"] == pytest.approx(0.18739 / 1.5, rel=0.03)
    assert edge["mtf"][0] == pytest.approx(1.0) and edge["across"] == "x"


def test_edge_against_a_sharp_one(capsys, edges):
    code, out, _ = run(capsys, "edge", edges / "frame.png", "--sharp", edges / "sharp.png")
    assert code == 0
    sigma = float(out.split("by σx = ")[1].split()[0])
    assert sigma == pytest.approx(math.sqrt(1.5**2 - 0.7**2), rel=0.03)


def test_scale_from_lines(capsys, tmp_path):
    y, x = np.mgrid[:120, :150]
    lines = 110 + 70 * np.sin(2 * np.pi * (x * math.cos(0.2) + y * math.sin(0.2)) / 8.2)
    iio.imwrite(tmp_path / "lines.png", eight_bit(lines))
    arguments = ["scale", tmp_path / "lines.png", "--pitch-mm", 0.5, "--kind", "lines"]
    code, out, _ = run(capsys, *arguments, "--pitch-error-mm", 0.0005)
    assert code == 0 and "--px-per-mm 16.4" in out
    assert float(out.split("[px rms]")[1].split()[0]) == pytest.approx(500 / 8.2, rel=1e-3)
    _, out, _ = run(capsys, *arguments)
    assert "interval unknown" in out and "uncertainty of the pitch was not given" in out


# ----------------------------------------------------------------------------------------------- wrong input
@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["rows", "{clip}", "--rate-hz", "30", "--row-us", "0"], "--row-us is"),
        (["rows", "{clip}", "--row-us", "400"], "--rate-hz"),
        (["rows", "{clip}", "--rate-hz", "30", "--row-us", "400", "--band-rows", "40"], "at least 2 bands"),
        (["rows", "{clip}", "--rate-hz", "30", "--row-us", "400", "--rest", "{none}"], "does not exist"),
        (["focus", "{stack}", "--z-um", "1,2,3"], "found 7 pictures; expected 3"),
        (["focus", "{stack}", "--z-um", "1,2,three"], "numbers with commas"),
        (["focus", "{stack}", "--z-step-um", "0"], "different place"),
        (["focus", "{none}", "--z-step-um", "1"], "does not exist"),
        (["edge", "{picture}"], "z0.png: picture shows no single edge"),
        (["scale", "{picture}", "--pitch-mm", "1", "--kind", "dots"], "z0.png: the picture shows"),
        (["scale", "{picture}", "--pitch-mm", "-1", "--kind", "dots"], "--pitch-mm is"),
        (["scale", "{picture}", "--pitch-mm", "1", "--kind", "dots", "--region", "0,0,90,90"], "reaches out of"),
    ],
)
def test_wrong_input_is_told_in_words(capsys, shaken, stack, arguments, said):
    places = {"clip": shaken, "stack": stack, "picture": stack / "z0.png", "none": stack / "none.png"}
    code, out, err = run(capsys, *(one.format(**places) for one in arguments))
    assert code == 2 and out == "" and said in err


@pytest.mark.parametrize("arguments", [["rows", "clip.npy"], ["focus", "stack"], ["scale", "a.png", "--pitch-mm", "1"]])
def test_facts_of_the_bench_are_never_guessed(capsys, arguments):
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    assert stop.value.code == 2 and "required" in capsys.readouterr().err
