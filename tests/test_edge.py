"""Slanted edge: known profiles, second opinion on blur, refusals."""

import math

import numpy as np
import pytest
from scipy import ndimage
from scipy.stats import norm

from labkit.analyse.edge import edge_blur, measure_edge


def _edge(sigma, *, tilt=0.087, noise=0.0, seed=0, shape=(100, 64)):
    y, x = np.mgrid[: shape[0], : shape[1]]
    across = (x - shape[1] / 2 - tilt * (y - shape[0] / 2)) * math.cos(math.atan(tilt))
    return 40 + 120 * norm.cdf(across / sigma) + np.random.default_rng(seed).normal(0, noise, shape)


@pytest.mark.parametrize("tilt", [0.05, 0.087, 0.13, -0.11])
@pytest.mark.parametrize("sigma", [0.6, 1.0, 2.0])
def test_gaussian_edge(sigma, tilt):
    """MTF50 = √(ln 2/2)/π/σ = 0.1874/σ (root of the Gaussian transfer)."""
    got = measure_edge(_edge(sigma, tilt=tilt))
    assert got.mtf50_cpp.value * sigma == pytest.approx(math.sqrt(math.log(2) / 2) / math.pi, rel=1e-2)
    assert abs(math.tan(got.tilt_rad)) == pytest.approx(abs(tilt), rel=0.02)
    assert got.contrast == pytest.approx(120, rel=0.01)


def test_turned_and_mirrored_edges_read_the_same():
    edge = _edge(1.0)
    for picture, across in [(edge, "x"), (edge[:, ::-1], "x"), (edge.T, "y"), (255 - edge.T, "y")]:
        got = measure_edge(picture)
        assert got.across == across
        assert got.mtf50_cpp.value == pytest.approx(0.1874, rel=5e-3)


def test_derivative_correction_is_right_at_all_frequencies():
    got = measure_edge(_edge(0.6))
    exact = np.exp(-2 * (math.pi * 0.6 * got.frequency_cpp) ** 2)
    np.testing.assert_allclose(got.mtf, exact, atol=0.01)


def test_interval_covers_under_noise():
    inside = [measure_edge(_edge(1.0, noise=2.0, seed=s)).mtf50_cpp.interval.contains(0.18739) for s in range(40)]
    assert sum(inside) >= 34


def test_blur_between_two_edges():
    hits = []
    for seed in range(20):
        got = edge_blur(_edge(1.3, noise=2, seed=seed), _edge(0.5, noise=2, seed=100 + seed))
        hits.append(got.sigma_px.interval.contains(1.2))
        assert got.sigma_px.value == pytest.approx(1.2, abs=0.06)
    assert sum(hits) >= 16


def test_no_blur_has_an_interval_from_zero():
    got = edge_blur(_edge(0.8, noise=2, seed=1), _edge(0.8, noise=2, seed=2))
    assert got.sigma_px.interval.low == 0.0
    assert got.sigma_px.interval.high < 0.4


@pytest.mark.parametrize(
    ("picture", "match"),
    [
        (_edge(1.0, tilt=0.0), "turn the target"),
        (np.random.default_rng(0).normal(100, 2, (64, 64)), "edge"),
        (_edge(1.0, shape=(100, 20)), "at least 32"),
        (np.zeros((4, 4, 3)), "colour"),
        (np.where(_edge(1.0) > 100, 255, 20).astype(np.uint8), "full scale"),
    ],
)
def test_refusals(picture, match):
    with pytest.raises(ValueError, match=match):
        measure_edge(picture)


@pytest.mark.parametrize("moved", [-3.4, 1.3, 2.3])
def test_an_edge_that_stands_elsewhere_in_the_two_pictures(moved):
    """A picture after a move shows the edge some pixels off; fewer pixels are then free beside it."""
    frame = ndimage.shift(_edge(1.3), (0, moved), order=5, mode="nearest")
    assert edge_blur(frame, _edge(0.5)).sigma_px.value == pytest.approx(1.2, abs=0.03)
