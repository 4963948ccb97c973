"""The demo pictures for the optics of the Wren: made again, and their truth found again."""

import ast
import importlib
import json
import sys
from pathlib import Path

import imageio.v3 as iio
import numpy as np
import pytest

from labkit.analyse.edge import edge_blur
from labkit.analyse.focus import focus_curve
from labkit.analyse.rolling_shutter import find_row_line, track_rows
from labkit.model.optics import Optics
from labkit.runs.clipfiles import open_clip
from labkit.show import camera_plots, plots

DATA = Path(__file__).parents[1] / "data"
PLACE = DATA / "wren-optics"
TRUTH = json.loads((PLACE / "truth.json").read_text(encoding="utf-8"))
ROLLING, FOCUS, EDGE = TRUTH["rolling"], TRUTH["focus"], TRUTH["edge"]


def pictures(path):
    return iio.imread(path)[None] if path.suffix == ".png" else np.array([frame.pixels for frame in open_clip(path)])


def test_the_generator_makes_the_shipped_files_again(tmp_path):
    before = set(sys.modules)
    sys.path.insert(0, str(DATA))
    try:
        importlib.import_module("make_wren_optics").make_optics(tmp_path)
    finally:
        sys.path.remove(str(DATA))
        for name in {"make_wren_optics", "make_wren_clips", "make_wren_runs"} - before:
            sys.modules.pop(name, None)
    files = sorted(path.relative_to(PLACE) for path in PLACE.rglob("*") if path.is_file())
    assert files == sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
    for file in files:
        if file.suffix == ".json":
            assert (PLACE / file).read_bytes() == (tmp_path / file).read_bytes()
        else:
            # the last bit of a processor may tip the rounding of a grey level here and there
            difference = np.abs(pictures(PLACE / file).astype(int) - pictures(tmp_path / file))
            assert difference.max() <= 1 and np.mean(difference > 0) < 1e-4, file


def test_the_generator_shares_no_code_with_the_analysis_and_says_that_it_is_invented():
    tree = ast.parse((DATA / "make_wren_optics.py").read_text(encoding="utf-8"))
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    own = {name.split(".")[0] for name in names} - sys.stdlib_module_names
    assert own == {"numpy", "imageio", "make_wren_clips", "make_wren_runs"}
    assert TRUTH["note"].startswith("Invented")
    assert sum(path.stat().st_size for path in PLACE.rglob("*") if path.is_file()) < 250_000


@pytest.fixture(scope="module")
def rows():
    return track_rows(
        open_clip(PLACE / ROLLING["file"]),
        row_time_s=1e-6 * ROLLING["row_us"],
        exposure_s=1e-3 * ROLLING["exposure_ms"],
    )


@pytest.mark.parametrize("axis", ["x", "y"])
def test_rows_find_the_fan(rows, axis):
    line = find_row_line(rows, axis=axis, lowest_hz=2.0, highest_hz=250.0)
    at = "xy".index(axis)
    assert line.distinct and line.frequency_hz.interval.contains(ROLLING["frequency_hz"])
    assert line.amplitude_px.interval.contains(ROLLING["amplitude_px"][at])
    assert line.phase_rad == pytest.approx(ROLLING["phase_rad"][at], abs=0.05)
    seen = rows.time_s[:10]
    true = ROLLING["amplitude_px"][at] * np.sin(2 * np.pi * ROLLING["frequency_hz"] * seen + ROLLING["phase_rad"][at])
    np.testing.assert_allclose(line.wave_px(seen), true, atol=0.01)


def test_focus_agrees_with_truth_and_with_geometry():
    z_m = 1e-6 * FOCUS["step_um"] * np.arange(FOCUS["pictures"])
    stack = [iio.imread(PLACE / "focus" / f"z{i}.png") for i in range(1, FOCUS["pictures"] - 1)]
    curve = focus_curve(stack, z_m=z_m[1:-1], blur_limit_px=1.0, noise_sd=TRUTH["noise_grey"])
    assert curve.best_z_m.value == pytest.approx(1e-6 * FOCUS["best_um"], abs=2e-6)
    assert curve.disc_px_per_m.value == pytest.approx(1e6 * FOCUS["disc_px_per_um"], rel=0.01)
    facts = {key: FOCUS[key] for key in ("magnification", "f_number", "pupil_magnification")}
    optics = Optics(pixel_m=3.45e-6, wavelength_m=0.55e-6, **facts)
    assert curve.depth_of_field_m.value == pytest.approx(optics.depth_of_field_m(3.45e-6), rel=0.01)
    measured = curve.measured_disc_px
    assert np.isnan(measured[curve.reference]) and np.isfinite(measured).sum() == len(stack) - 1
    np.testing.assert_allclose(measured[curve.used], np.array(FOCUS["disc_px"])[1:-1][curve.used], atol=0.05)
    ax = camera_plots.plot_focus(curve)
    assert ax.get_xlabel() == "z [µm]" and "best at 395 µm" in plots.picture(ax).alt


def test_the_edge_agrees_with_truth(rows):
    blur = edge_blur(iio.imread(PLACE / "edge-move.png"), iio.imread(PLACE / "edge-sharp.png"))
    lean = np.arctan(EDGE["slope"])
    true = np.hypot(EDGE["sigma_x_px"] * np.cos(lean), EDGE["sigma_y_px"] * np.sin(lean))
    assert blur.across == "x" and blur.sigma_px.value == pytest.approx(true, abs=0.03)
    ax = camera_plots.plot_edges({"move": blur.frame, "sharp": blur.sharp})
    assert len(ax.lines) == 5 and "falls to one half at" in plots.picture(ax).alt
    line = find_row_line(rows, axis="x", lowest_hz=2.0, highest_hz=100.0)
    ax = camera_plots.plot_rows(rows, line=line, axis="x")
    assert "73.4 Hz" in plots.picture(ax).alt
