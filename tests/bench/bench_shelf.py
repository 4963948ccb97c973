"""Time of indexing a shelf of 1,000 runs beside bare reading of the same files in the same run.

Run with ``pytest tests/bench/bench_shelf.py``. Nothing is asserted about time. The yardstick reads, hashes and parses
every file with the standard library alone (hashlib, tomllib, json), or, for the second look, asks for the state of
every file. Logs of 580 kB each: 600 MB of invented data below pytest's folder for temporary files.
"""

import hashlib
import json
import os
import time
import tomllib

import numpy as np
import pytest

from labkit.base import Estimate
from labkit.runs.share.results import RunResults, log_checksums, results_text
from labkit.runs.share.shelf import index_shelf

N_RUNS, LOG_BYTES = 1000, 580_000


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shelf")
    log = np.random.default_rng(1).bytes(LOG_BYTES)
    for k in range(N_RUNS):
        run = folder / f"group-{k % 7}" / f"build-{k:04d}"
        run.mkdir(parents=True)
        (run / "log.csv.gz").write_bytes(log)
        (run / "run.toml").write_text(
            f'[run]\nsynthetic = true\n[panel]\nmaterial = "MDF"\nthickness_mm = {3 + k % 9}\n'
        )
        numbers = {f"a{axis}: number_{n}": Estimate.unknown(1.0 + k) for axis in "xyz" for n in range(6)}
        logs = log_checksums(run, ["run.toml", "log.csv.gz"])
        each = {f"a{axis}: each": tuple(map(float, range(12))) for axis in "xyz"}
        (run / "results.json").write_text(results_text(RunResults(run=run.name, numbers=numbers, each=each, logs=logs)))
        for path in run.iterdir():
            os.utime(path, (time.time() - 100,) * 2)
    return folder


def bare(folder):
    """Read, hash and parse everything by the standard library alone."""
    for path in folder.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            hashlib.sha256(content).hexdigest()
            if path.suffix == ".toml":
                tomllib.loads(content.decode())
            elif path.suffix == ".json":
                json.loads(content)


def state(folder):
    """Ask for the state of every file by the standard library alone."""
    for place, _, files in os.walk(folder):
        for file in files:
            os.stat(os.path.join(place, file))


@pytest.mark.parametrize("how", ["bare", "labkit"])
def test_first_look(benchmark, shelf, how):
    benchmark.group = "first look"
    benchmark.pedantic(lambda: bare(shelf) if how == "bare" else index_shelf(shelf, afresh=True), rounds=3)


@pytest.mark.parametrize("how", ["state", "labkit"])
def test_second_look(benchmark, shelf, how):
    benchmark.group = "second look"
    assert len(index_shelf(shelf).runs) == N_RUNS
    benchmark.pedantic(lambda: state(shelf) if how == "state" else index_shelf(shelf), rounds=5, warmup_rounds=1)
    assert index_shelf(shelf).n_read == 0
