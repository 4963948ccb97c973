"""Sentences of rows, edges, focus and scale where the command line's own tests do not reach."""

import math

import numpy as np
import pytest

from labkit.analyse.edge import EdgeResponse
from labkit.analyse.focus import FocusCurve
from labkit.analyse.rolling_shutter import RowLine, RowTrack
from labkit.analyse.scale import scale_from_lens
from labkit.base import Estimate
from labkit.show import optics


def rows(*, at_rest=False):
    shift = np.array([[0.1, np.nan, 0.3], [0.0, 0.1, 0.2]])
    return RowTrack(
        time_s=np.array([0.0, 0.004, 0.008]),
        row_weights=np.full((2, 3, 16), 1 / 16),
        shift_px=shift,
        band=np.arange(3),
        band_rows=16,
        row_time_s=250e-6,
        exposure_s=0.0,
        frame_rate_hz=30.0,
        noise_px=np.array([0.01, 0.02]),
        at_rest=at_rest,
        lossy=None,
        notes=("a remark",),
    )


def line(*, found=True, distinct=True, amplitude_px=0.2, rival_hz=93.0):
    return RowLine(
        found=found,
        distinct=distinct,
        frequency_hz=Estimate.from_standard_error(63.0, 0.01, dof=100),
        amplitude_px=Estimate.from_standard_error(amplitude_px, 0.001, dof=100),
        phase_rad=0.0,
        left=0.8,
        explained=0.7,
        rival_hz=rival_hz,
        residual_px=0.01,
    )


def test_rows_tell_doubt_and_what_they_cannot_see():
    lines = {"x": line(distinct=False), "y": line(found=False)}
    words = " ".join(optics.row_sentences(lines, rows()))
    assert "not settled, 93 Hz fits almost as well: it explains 70%" in words
    assert "Along y no vibration stands out" in words and "only a reference taken at rest" in words
    assert "note: a remark" in words and "3 bands of 16 rows give 250 samples a second" in words
    alone = optics.row_sentences({"x": line(distinct=False, rival_hz=math.nan), "y": line(found=False)}, rows())
    assert "not settled: it explains" in alone[0]
    assert "only a reference" not in " ".join(optics.row_sentences(lines, rows(at_rest=True)))
    table = optics.row_table(lines, rows(), scale=scale_from_lens(pixel_pitch_m=3.45e-6, magnification=0.5))
    assert table["amplitude [µm]"].tolist()[0].startswith("1.38") and table["amplitude [µm]"].tolist()[1] == "–"


def test_a_small_trace_of_the_other_axis_is_doubted():
    words = " ".join(optics.row_sentences({"x": line(), "y": line(amplitude_px=0.005)}, rows()))
    assert "What is seen along y is so little" in words
    assert "so little" not in " ".join(optics.row_sentences({"x": line(), "y": line(amplitude_px=0.05)}, rows()))


def test_the_log_of_rows_leaves_out_what_is_not_trusted():
    log = optics.row_log(rows(), comments=["clip"]).splitlines()
    assert log == ["# clip", "t [s],x [px],y [px]", "0.0000000,0.10000,0.00000", "0.0080000,0.30000,0.20000"]


def test_focus_tells_scatter_beyond_noise_and_a_range_too_short():
    z = np.array([0.0, 1e-5, 2e-5, 3e-5, 4e-5])
    curve = FocusCurve(
        z_m=z,
        disc_px=np.abs(z - 2e-5) * 1e5,
        variance_px2=np.array([0.2, 0.1, np.nan, 0.1, 0.2]),
        variance_error_px2=np.array([0.01, 0.01, np.nan, 0.01, 0.01]),
        used=np.array([True, True, False, True, True]),
        reference=2,
        best_z_m=Estimate.unknown(2e-5),
        disc_px_per_m=Estimate.unknown(1e4),
        depth_of_field_m=Estimate.unknown(2e-4),
        blur_limit_px=1.0,
        residual_ratio=9.0,
    )
    words = " ".join(optics.focus_sentences(curve))
    assert "scatter 3.0 times as much" in words and "reaches beyond the pictures" in words
    assert optics.focus_table(curve)["used"].tolist() == ["yes", "yes", "sharpest", "yes", "yes"]
    assert curve.measured_disc_px[0] == pytest.approx(math.sqrt(16 * 0.2))


def test_an_edge_sharper_than_the_pixels_show():
    frequency = np.linspace(0, 0.5, 6)
    sharp = EdgeResponse(
        frequency_cpp=frequency,
        mtf=np.linspace(1, 0.7, 6),
        mtf50_cpp=Estimate.unknown(),
        tilt_rad=0.1,
        across="x",
        contrast=100.0,
    )
    assert math.isnan(sharp.equivalent_sigma_px.value)
    words = optics.edge_sentences({"a.png": sharp})
    assert "a.png keeps more than half of its contrast" in words[-1]
    assert optics.edge_table({"a.png": sharp})["MTF50 [cycles/px]"].tolist() == ["–"]


def test_scale_from_lens_facts_has_no_period():
    table = optics.scale_table(scale_from_lens(pixel_pitch_m=3.45e-6, magnification=0.5))
    assert table.columns.tolist() == ["pixel at the object [µm]", "pixels a millimetre"]
    assert table.iloc[0, 1] == "144.928"
