"""Shared by all tests: the demo runs, analysed once."""

from pathlib import Path

import pytest
from threadpoolctl import threadpool_limits

import labkit as lab

# tests run side by side on all cores; linear algebra that spreads over them too only gets in its own way
_ONE_THREAD = threadpool_limits(limits=1, user_api="blas")
DATA = Path(__file__).parents[1] / "data"


@pytest.fixture(scope="session")
def analysed():
    """Analyses of the demo runs by name, each made once."""
    made = {}

    def one(name):
        if name not in made:
            made[name] = lab.analyse_run(lab.load_run(DATA / name))
        return made[name]

    return one
