"""Time of a blur measurement in units of scikit-image's registration of the same two frames, in one run."""

import time

import numpy as np
import pytest
from scipy import ndimage
from skimage.registration import phase_cross_correlation

from labkit.analyse.blur import measure_blur


def _frames():
    rng = np.random.default_rng(0)
    scene = ndimage.gaussian_filter(rng.normal(0, 200, (128, 128)), 1.2) + 120
    frame = ndimage.uniform_filter1d(scene, 3, axis=1)
    return frame + rng.normal(0, 2, scene.shape), scene + rng.normal(0, 2, scene.shape)


@pytest.mark.parametrize("family", ["smear", "any"])
def test_measure_blur(benchmark, family):
    frame, sharp = _frames()
    measure_blur(frame, sharp, noise_sd=2.0, family=family)  # tables
    benchmark.pedantic(lambda: measure_blur(frame, sharp, noise_sd=2.0, family=family), rounds=5)
    started = time.perf_counter()
    for _ in range(5):
        phase_cross_correlation(sharp, frame, upsample_factor=100)
    yardstick_s = (time.perf_counter() - started) / 5
    if benchmark.stats is not None:
        benchmark.extra_info["times_phase_cross_correlation"] = benchmark.stats.stats.median / yardstick_s
