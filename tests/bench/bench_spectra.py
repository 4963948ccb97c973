"""Time of a power spectral density beside `scipy.signal.welch` in the same run (target: no more than 1.3 times).

pytest tests/bench/bench_spectra.py --benchmark-only
"""

import numpy as np
import pytest
from scipy import signal

from labkit.analyse.spectra import power_spectral_density
from labkit.runs.recording import Recording

NOISE = np.random.default_rng(0).standard_normal(1_920_000)


@pytest.mark.benchmark(group="power density of 1.92 M samples")
def test_labkit(benchmark):
    log = Recording(values=[NOISE], sample_rate_hz=3200.0, channels=["a"], unit="m/s^2")
    benchmark(power_spectral_density, log, channel="a", segment_s=1.0)


@pytest.mark.benchmark(group="power density of 1.92 M samples")
def test_scipy_welch(benchmark):
    benchmark(signal.welch, NOISE, 3200.0, nperseg=3200)
