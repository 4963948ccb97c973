"""Time and memory of `read_log` beside general table readers, on the same file in the same run.

Run with ``pytest tests/bench/bench_readers.py``. Nothing is asserted about time; memory is measured in a process of
its own for each reader and printed with the times.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from labkit.runs.readers import read_log

N_ROWS, RATE_HZ = 1_920_000, 3200.0
ARRAY_MB = N_ROWS * 4 * 8 / 2**20

MEASURE = """
import importlib, sys, time
from pathlib import Path
def peak_mb():
    return int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) / 1024
small, big, module, function = sys.argv[1:]
read = getattr(importlib.import_module(module), function)
read(small)  # imports and first-use costs
before, wall, cpu = peak_mb(), time.perf_counter(), time.process_time()
kept = read(big)
wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
print(f"{peak_mb() - before:.0f} {wall:.3f} {cpu:.3f}")
"""
READERS = {
    "labkit": ("labkit.runs.readers", "read_log"),
    "pandas": ("pandas", "read_csv"),
    "pyarrow": ("pyarrow.csv", "read_csv"),
    "polars": ("polars", "read_csv"),
}


@pytest.fixture(scope="module")
def logs(tmp_path_factory) -> tuple[Path, Path]:
    """A small and a large log (t and three axes), six decimals."""
    folder = tmp_path_factory.mktemp("logs")
    values = np.random.default_rng(1).normal(size=(N_ROWS, 3))
    frame = pd.DataFrame(values, columns=["ax [g]", "ay [g]", "az [g]"])
    frame.insert(0, "t [s]", np.arange(N_ROWS) / RATE_HZ)
    frame.head(1000).to_csv(folder / "small.csv", index=False, float_format="%.6f")
    frame.to_csv(folder / "big.csv", index=False, float_format="%.6f")
    return folder / "small.csv", folder / "big.csv"


@pytest.mark.benchmark(group="1.92 M rows x 4 columns")
@pytest.mark.parametrize("reader", ["labkit", "pandas"])
def test_time(benchmark, logs, reader):
    read = read_log if reader == "labkit" else pd.read_csv
    result = benchmark.pedantic(read, args=(logs[1],), rounds=7, warmup_rounds=1)
    assert (result.n_samples if reader == "labkit" else len(result)) == N_ROWS


def test_memory_and_time_in_fresh_processes(logs, capsys):
    """Growth of the peak resident memory, best wall and processor time of five runs taken in turn."""
    best: dict[str, np.ndarray] = {}
    for _ in range(5):
        for name, where in READERS.items():
            pytest.importorskip(where[0].partition(".")[0])
            command = [sys.executable, "-c", MEASURE, *map(str, logs), *where]
            run = subprocess.run(command, capture_output=True, text=True, check=True)
            numbers = np.array(run.stdout.split(), dtype=float)
            best[name] = np.minimum(best.get(name, np.inf), numbers)
    with capsys.disabled():
        print(f"\n{'':10}{'peak MB':>9}{'x array':>9}{'wall s':>9}{'cpu s':>9}")
        for name, (peak, wall, cpu) in best.items():
            print(f"{name:10}{peak:9.0f}{peak / ARRAY_MB:9.2f}{wall:9.3f}{cpu:9.3f}")
    assert best["labkit"][0] > ARRAY_MB / 2  # else the measurement is broken
