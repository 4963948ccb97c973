"""Time of all checks on a long log, as a ratio to `pandas.DataFrame.describe` of the same samples in the same run.

pytest tests/bench/bench_checks.py --benchmark-only
"""

import numpy as np
import pandas as pd
import pytest

from labkit.runs.checks import check_recording
from labkit.runs.recording import Recording


@pytest.fixture(scope="module")
def long_log():
    """Ten minutes of three axes at 3200 Hz, 16 bit: sensor noise and a ringing mode."""
    rng, t = np.random.default_rng(0), np.arange(1_920_000) / 3200.0
    ring = np.exp(-4.0 * (t % 2.0)) * np.sin(2 * np.pi * 25.0 * (t % 2.0))
    values = ring + rng.normal(0.0, 0.04, (3, t.size)) + np.array([[0.0], [0.0], [9.8]])
    return Recording(
        values=6e-4 * np.round(values / 6e-4),
        sample_rate_hz=3200.0,
        channels=("ax", "ay", "az"),
        unit="m/s^2",
    )


@pytest.mark.benchmark(group="1.92 M x 3 samples")
def test_all_checks(benchmark, long_log):
    report = benchmark.pedantic(
        check_recording,
        args=(long_log,),
        kwargs={"tolerance_m": 5e-6, "range_m_s2": 19.6},
        rounds=5,
    )
    assert len(report.passed) >= 12


@pytest.mark.benchmark(group="1.92 M x 3 samples")
def test_describe(benchmark, long_log):
    table = pd.DataFrame(long_log.values.T.copy())
    benchmark.pedantic(table.describe, rounds=5)
