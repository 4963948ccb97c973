"""Tables and plots of a plan and of a drift show what the results hold."""

import math

import numpy as np
import pytest
from matplotlib import pyplot as plt

from labkit.analyse.drift import fit_drift
from labkit.analyse.slow import SlowPositions
from labkit.analyse.warm_up import warm_up_wait
from labkit.decide.cautions import cautions
from labkit.decide.needs import Expected
from labkit.decide.plans import plan_log
from labkit.decide.sensor_choice import can_see, sensor_classes
from labkit.show.drift_plots import plot_drift
from labkit.show.plan_plots import cautions_table, checks_table, needs_table, plot_noise_floors, verdicts_table

WREN = Expected(frequency_hz=(11.0, 61.0), damping_ratio=0.03, amplitude_m=20e-6)
PLAN = plan_log(WREN, tolerance_m=3.45e-6)
SENSORS = list(sensor_classes().values())[:3]


@pytest.fixture(autouse=True)
def close_figures():
    yield
    plt.close("all")


def test_tables_say_what_the_results_hold():
    needs = needs_table(PLAN)
    assert needs.loc[needs.needed == "Sample rate", "must"].item() == "156 Hz"
    assert needs.loc[needs.needed == "Mass with mount", "better"].item() == "unknown"
    verdicts = [can_see(sensor, PLAN) for sensor in SENSORS]
    assert verdicts_table(verdicts)["sees it"].tolist() == [one.word for one in verdicts]
    checks = checks_table(verdicts[1])
    assert checks.loc[checks.number == "Noise density", "offered"].item() == "100 µg/√Hz"
    assert cautions_table(cautions(["tap"]))["for"].tolist() == ["always", "tap"]


def test_noise_floors_cross_the_low_cut_where_the_sensor_says():
    ax = plot_noise_floors(SENSORS, plan=PLAN, frequency_hz=WREN.frequency_hz)
    line = ax.get_lines()[0]
    at_cut = np.interp(math.log(5.5), np.log(line.get_xdata()), np.log(line.get_ydata()))
    assert math.exp(at_cut) == pytest.approx(1e6 * SENSORS[0].floor_m(5.5), rel=1e-3)
    assert "hobby MEMS board 3.3 µm" in ax.get_label() and "11–61 Hz" in ax.get_label()


def test_drift_is_drawn_with_its_gap_and_its_wait():
    t = np.delete(60.0 * np.arange(100), np.arange(50, 70))
    noise = 0.1e-6 * np.random.default_rng(1).standard_normal(t.size)
    drift = fit_drift(SlowPositions(time_s=t, position_m=5e-6 * np.exp(-t / 1500) + noise))
    wait = warm_up_wait(drift, tolerance_m=1e-6, job_s=600.0)
    ax = plot_drift(drift, wait=wait)
    points, law, mark = ax.get_lines()
    assert points.get_xdata().size == 80
    assert np.isnan(law.get_ydata()).sum() == 1
    assert mark.get_xdata()[0] == pytest.approx(wait.wait_s.value / 60)
    assert wait.sentences[0] in ax.get_label()
    never = warm_up_wait(drift, tolerance_m=1e-9, job_s=600.0)
    assert len(plot_drift(drift, wait=never).get_lines()) == 2
