"""What one turn of a dial costs: the model and the picture moved in place, against the same picture made anew.

The picture made anew is what a notebook does that draws a figure with matplotlib for every value.
`bench_key_to_picture` measures the whole way in JupyterLab.
"""

from pathlib import Path

import numpy as np
import pytest

from labkit.decide.draws import draws_from_ranges
from labkit.decide.settings import changed
from labkit.decide.what_if import outlook
from labkit.runs.runfolder import load_run
from labkit.show.what_if_picture import WhatIfPicture

SERIES = Path(__file__).parents[2] / "data" / "wren-series"
RANGES = {"foot_stiffness_x_n_per_m": (2.4e4, 3.3e4), "foot_stiffness_z_n_per_m": (1.6e5, 2.2e5)}
HOLES = np.stack(np.meshgrid(np.arange(0.04, 0.31, 0.03), np.arange(0.1, 0.37, 0.03)), axis=-1).reshape(-1, 2)


@pytest.fixture(scope="module")
def settings():
    facts = load_run(SERIES / "01-as-built").facts
    draws = draws_from_ranges({**RANGES, "foot_loss_factor": (0.08, 0.12)}, n=1)[:1]
    base = outlook(facts, draws, wait_s=0.06)
    thicknesses = iter(np.tile(np.linspace(0.003, 0.0033, 50), 1000))
    return base, lambda: outlook(changed(facts, panel_thickness_m=float(next(thicknesses))), draws, wait_s=0.06)


@pytest.mark.benchmark(group="one turn of a dial")
def test_model(benchmark, settings):
    benchmark(settings[1])


@pytest.mark.benchmark(group="one turn of a dial")
def test_model_and_picture_in_place(benchmark, settings):
    base, turn = settings
    picture = WhatIfPicture(HOLES)
    picture.png(base, base, dark=False)
    benchmark(lambda: picture.png(turn(), base, dark=False))


@pytest.mark.benchmark(group="one turn of a dial")
def test_model_and_picture_made_anew(benchmark, settings):
    base, turn = settings
    benchmark(lambda: WhatIfPicture(HOLES).png(turn(), base, dark=False))
