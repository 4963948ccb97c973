"""Measured against predicted blur: known lines found again, intervals that cover, words that fit."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from labkit.base import Estimate, Interval
from labkit.decide.blur_relation import blur_after_moves, relate_blur
from labkit.show import plots


def simulated(rng, *, scale=1.0, rest_px2=0.0, n=13, error_x=0.02, error_y=0.02, extra=0.0):
    """Predicted and measured blur with Gaussian errors; a blur below 0 is cut there, as the measurement does."""
    true = np.linspace(0.05, 0.6, n)
    predicted = np.abs(true + error_x * rng.standard_normal(n))
    sigma = np.sqrt(np.maximum(scale**2 * true**2 + rest_px2, 0.0))
    seen = np.maximum(sigma + (error_y + extra) * rng.standard_normal(n), 0.0)
    return predicted, [estimate(value, error_y) for value in seen]


def estimate(value, error):
    interval = Interval(low=max(value - 1.96 * error, 0.0), high=value + 1.96 * error, level=0.95)
    return Estimate(value=value, standard_error=error, interval=interval)


def test_intervals_cover_the_true_scale_and_rest():
    """95 % intervals over 300 runs; the bounds are those of a binomial at one in a thousand."""
    rng, inside = np.random.default_rng(11), np.zeros(2)
    for _ in range(300):
        predicted, measured = simulated(rng, scale=0.9, rest_px2=0.02)
        found = relate_blur(predicted, measured, predicted_error_px=0.02)
        inside += found.scale.interval.contains(0.9), found.rest_px2.interval.contains(0.02)
    low, high = stats.binom.ppf([0.0005, 0.9995], 300, 0.95)
    assert low <= inside[0] <= high
    assert low <= inside[1]


def test_errors_of_the_prediction_do_not_flatten_the_slope():
    """Ordinary least squares would: its slope is low by the share of the errors in the spread of the predictions."""
    rng, slopes, ordinary = np.random.default_rng(12), [], []
    for _ in range(200):
        predicted, measured = simulated(rng, n=20, error_x=0.08, error_y=0.01)
        slopes.append(relate_blur(predicted, measured, predicted_error_px=0.08).scale.value)
        ordinary.append(math.sqrt(np.polyfit(predicted**2, [one.value**2 for one in measured], 1)[0]))
    assert np.mean(ordinary) < 0.96
    assert abs(np.mean(slopes) - 1) < 0.03


def test_agrees_with_weighted_least_squares_when_predictions_are_exact():
    rng = np.random.default_rng(13)
    predicted, measured = simulated(rng, rest_px2=0.03, error_x=0.0)
    found = relate_blur(predicted, measured, predicted_error_px=1e-9)
    y = np.array([one.value**2 for one in measured])
    slope, rest = np.polyfit(predicted**2, y, 1, w=1 / found.measured_error_px2)
    assert found.scale.value == pytest.approx(math.sqrt(slope), rel=1e-4)
    assert found.rest_px2.value == pytest.approx(rest, abs=1e-5)
    assert found.residual_px2 == pytest.approx(y - slope * predicted**2 - rest, abs=1e-5)


def test_agrees_with_a_general_fit_of_points_and_line_together():
    """The same χ² minimised over slope, rest and the true place of every point by a general least-squares solver."""
    predicted, measured = simulated(np.random.default_rng(17), scale=1.2, rest_px2=0.02, error_x=0.03, error_y=0.015)
    found = relate_blur(predicted, measured, predicted_error_px=0.03)
    x, y = predicted**2, found.measured_px**2

    def misfit(unknown):
        slope, rest, place = unknown[0], unknown[1], unknown[2:]
        return np.concatenate(
            [(x - place) / found.predicted_error_px2, (y - slope * place - rest) / found.measured_error_px2]
        )

    solved = optimize.least_squares(misfit, [1.0, 0.0, *x], xtol=1e-12, ftol=1e-12)
    assert found.scale.value**2 == pytest.approx(solved.x[0], rel=1e-4)
    assert found.rest_px2.value == pytest.approx(solved.x[1], abs=1e-5)
    assert found.residual_ratio * (x.size - 2) == pytest.approx(2 * solved.cost, rel=1e-5)


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ({}, "explains the blur"),
        ({"scale": 1.5}, "moves more than the sensor"),
        ({"scale": 0.6}, "moves less than the sensor"),
        ({"rest_px2": 0.09}, "blur of 0.3"),
        ({"scale": 0.0, "rest_px2": 0.04}, "do not show that this vibration blurs"),
        ({"extra": 0.2}, "scatter more than their stated errors"),
    ],
)
def test_words_fit_the_numbers(case, words):
    predicted, measured = simulated(np.random.default_rng(14), n=15, error_x=0.01, error_y=0.01, **case)
    assert words in " ".join(relate_blur(predicted, measured, predicted_error_px=0.01).sentences)


def test_more_scatter_than_stated_widens_the_interval():
    calm, wild = (
        relate_blur(*simulated(np.random.default_rng(15), n=15, extra=extra), predicted_error_px=0.02)
        for extra in (0.0, 0.15)
    )
    assert wild.residual_ratio > 4 > 2 > calm.residual_ratio
    assert wild.scale.interval.half_width > 3 * calm.scale.interval.half_width


SEEN = [estimate(value, 0.01) for value in (0.1, 0.2, 0.3, 0.4)]


@pytest.mark.parametrize(
    ("predicted", "measured", "error", "words"),
    [
        ([0.1, 0.2, 0.3], SEEN[:3], 0.01, "at least 4"),
        ([0.1, 0.2, 0.3, 0.4], SEEN[:3], 0.01, "same frames"),
        ([0.1, 0.2, 0.3, 0.4], [*SEEN[:3], Estimate.unknown(0.4)], 0.01, "no known interval"),
        ([0.1, 0.2, 0.3, -0.4], SEEN, 0.01, "not negative"),
        ([0.1, 0.2, 0.3, 0.4], SEEN, 0.0, "positive standard uncertainty"),
        ([0.3, 0.3, 0.31, 0.3], SEEN, 0.02, "differ by less"),
    ],
)
def test_wrong_input_is_told(predicted, measured, error, words):
    with pytest.raises(ValueError, match=words):
        relate_blur(predicted, measured, predicted_error_px=error)


def test_the_plot_shows_every_frame_and_speaks():
    predicted, measured = simulated(np.random.default_rng(16), n=12)
    found = relate_blur(predicted, measured, predicted_error_px=0.02)
    ax = plots.plot_blur_relation(found, labels=["before"] * 7 + ["after"] * 5)
    assert "[px]" in ax.get_xlabel() and "[px]" in ax.get_ylabel()
    points = sum(len(container.lines[0].get_xdata()) for container in ax.containers)
    fitted = ax.lines[-2].get_xydata()
    assert points == 12 and fitted[:, 1] == pytest.approx(found.line_px(fitted[:, 0]))
    image = plots.picture(ax)
    assert found.sentences[0] in image.alt and image.source.startswith("data:image/png")


# ------------------------------------------------------------------------------- prediction from a demo run
DATA = Path(__file__).parents[1] / "data"


def test_blur_predicted_from_the_demo_log_is_that_of_the_truth(analysed):
    """Frames of the first log of the run with the foot; the tilt of the sensor leaves up to 0.07 px."""
    truth = json.loads((DATA / "wren-clips" / "truth.json").read_text(encoding="utf-8"))
    true = [one["sigma_x_px"] for one in truth["frames"] if one["file"].startswith("foot/")]
    waits_s = [0.020, 0.150, 0.060, 0.320, 0.100]
    axis, px_per_m = analysed("wren-foot").axis("ax"), 1 / truth["object_pixel_m"]
    found = blur_after_moves(axis, range(5), wait_s=waits_s, exposure_s=0.012, px_per_m=px_per_m)
    assert np.abs(found - true).max() < 0.07 and np.sqrt(np.mean((found - true) ** 2)) < 0.04
    later = blur_after_moves(axis, [0], wait_s=[1.2], exposure_s=0.012, px_per_m=px_per_m)
    assert later[0] < 0.02


def test_prediction_for_a_move_that_is_not_there_is_refused(analysed):
    axis = analysed("wren-foot").axis("ax")
    with pytest.raises(ValueError, match="moves 0 to 12"):
        blur_after_moves(axis, [13], wait_s=[0.1], exposure_s=0.01, px_per_m=1e5)
    with pytest.raises(ValueError, match="within the recording"):
        blur_after_moves(axis, [0], wait_s=[60.0], exposure_s=0.01, px_per_m=1e5)
    with pytest.raises(ValueError, match="one of each"):
        blur_after_moves(axis, [0, 1], wait_s=[0.1], exposure_s=0.01, px_per_m=1e5)
