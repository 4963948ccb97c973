"""Time of machine results, as a ratio to step-by-step integration with scipy in the same run.

pytest tests/bench/bench_machine.py --benchmark-only
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from labkit.decay import pole
from labkit.model.foot_map import foot_map
from labkit.model.grid import HoleArray, MountingGrid
from labkit.model.machine import Machine
from labkit.model.machine_parts import Camera, Foot, Frame, Head, PanelMount
from labkit.model.materials import material
from labkit.model.move import end_states, move_profile
from labkit.model.panel import Edges, Panel, PointMass, PointSupport
from labkit.model.ringing import exposure_motion, landscape, ringing

TOLERANCE = (5e-6, 5e-6, 50e-6)


def machine(n_modes=6):
    feet = [(x, y) for x in (0.02, 0.40) for y in (0.02, 0.28)]
    panel = Panel(
        length_m=0.42,
        width_m=0.30,
        thickness_m=0.003,
        material=material("mild steel"),
        edges=Edges(),
        supports=[PointSupport(x_m=x, y_m=y, stiffness_n_per_m=1e6, loss_factor=0.05) for x, y in feet],
        masses=[PointMass(x_m=0.21, y_m=0.15, mass_kg=0.4)],
        holes=None,
    )
    stand = [
        Foot(
            x_m=x - 0.21,
            y_m=y - 0.15,
            stiffness_x_n_per_m=6e4,
            stiffness_y_n_per_m=6e4,
            stiffness_z_n_per_m=2e5,
            loss_factor=0.1,
        )
        for x, y in feet
    ]
    return Machine(
        frame=Frame.box(mass_kg=9.0, centre_m=(0.0, 0.0, 0.14), size_m=(0.45, 0.32, 0.3)),
        feet=stand,
        head=Head(mass_kg=0.8, at_m=(0.05, 0.02, 0.25), mount=None),
        camera=Camera(at_m=(0.0, 0.0, 0.05), sight_m=0.08, target="bench"),
        panel=PanelMount(panel=panel, corner_m=(-0.21, -0.15, 0.05), on_bench=(), n_modes=n_modes),
    )


def moves(count, jerk):
    return move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=np.linspace(2.0, 12.0, count), jerk_m_s3=jerk)


@pytest.mark.benchmark(group="settling and blur over 100 x 100 cells, 12 modes")
@pytest.mark.parametrize("jerk", [None, 400.0], ids=["trapezoid", "jerk-limited"])
def test_map(benchmark, jerk):
    base = machine()
    base.panel.modes.participation  # noqa: B018 the panel's own modes do not change over the map
    profiles = moves(100, jerk)

    def survey():
        variants = [replace(base, frame=replace(base.frame, mass_kg=m)) for m in np.linspace(6.0, 30.0, 100)]
        return landscape(variants, profiles, axis="x", tolerance_m=TOLERANCE, wait_s=0.05, exposure_s=0.005)

    found = benchmark.pedantic(survey, rounds=5, warmup_rounds=1)
    assert found.settling_s.shape == (100, 100)


@pytest.mark.benchmark(group="settled blur with extra feet at 117 holes")
@pytest.mark.parametrize("n_modes", [8, 16])
@pytest.mark.parametrize("n_feet", [1, 2])
def test_foot_map(benchmark, n_feet, n_modes):
    array = HoleArray(pitch_m=0.03, diameter_m=0.0032, offset_grid=False)
    places = MountingGrid(length_m=0.42, width_m=0.3, holes=array, edge_distance_m=0.01).places_m
    profile = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=4.0, jerk_m_s3=400.0)

    def search():
        found = foot_map(
            machine(n_modes), places, stiffness_n_per_m=2e5, loss_factor=0.1, stands_on="bench", n_feet=n_feet
        )
        after = ringing(found.modes, profile, axis="x")
        return found.feet.first_frequency_hz, exposure_motion(after, wait_s=0.05, exposure_s=0.005)

    f1, _ = benchmark.pedantic(search, rounds=5, warmup_rounds=1)
    assert len(f1) == math.comb(117, n_feet)


@pytest.mark.benchmark(group="12 modes after one move")
def test_recursion(benchmark):
    poles = pole(np.linspace(10.0, 200.0, 12), damping_ratio=0.02)
    profile = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=4.0, jerk_m_s3=400.0)
    benchmark(lambda: end_states(profile, poles))


@pytest.mark.benchmark(group="12 modes after one move")
def test_lsim(benchmark):
    """scipy.signal.lsim with 20 samples a period of the highest mode, one mode after the other."""
    poles = pole(np.linspace(10.0, 200.0, 12), damping_ratio=0.02)
    profile = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=4.0, jerk_m_s3=400.0)
    time = np.arange(0.0, float(profile.duration_s), 1.0 / 4000.0)
    push = profile.acceleration_m_s2(time)
    systems = [signal.lti([1.0], [1.0, -2 * p.real, abs(p) ** 2]) for p in poles]
    benchmark(lambda: [signal.lsim(system, push, time)[1][-1] for system in systems])
