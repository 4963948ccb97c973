"""Facts of a run: what follows from them, and what does not when they are unknown."""

import itertools
import math

import pytest

from labkit.runs.facts import CameraFacts, MoveFacts, RunFacts

MOVES = [
    # a, v, s, j, duration, source
    (4.0, 0.25, 0.08, math.nan, 0.3825, "trapezoid: s/v + v/a"),
    (4.0, 0.25, 0.08, 400.0, 0.3925, "seven pieces: s/v + v/a + a/j"),
    (4.0, 0.25, 0.01, math.nan, 0.1, "triangle: 2 √(s/a)"),
    (4.0, 0.25, 1e-6, 400.0, 2 * (4e-6 / 400) ** (1 / 3), "four pieces of constant jerk: s = j T³/32"),
    (100.0, 0.25, 0.08, 100.0, 0.32 + 2 * 0.05, "acceleration never reached: ramps of 2 √(v/j)"),
    (4.0, 0.25, 0.01, 400.0, 2 * (0.005 + math.sqrt(0.005**2 + 0.0025)), "six pieces: s = a·T/2·(T/2 − a/j)"),
]


@pytest.mark.parametrize(("a", "v", "s", "j", "duration", "source"), MOVES, ids=[m[-1] for m in MOVES])
def test_duration_of_a_move(a, v, s, j, duration, source):
    move = MoveFacts(commanded_acceleration_m_s2=a, speed_m_s=v, travel_m=s, jerk_m_s3=j)
    assert move.duration_s == pytest.approx(duration, rel=1e-12)


@pytest.mark.parametrize("a", [0.5, 4.0, 40.0])
@pytest.mark.parametrize("j", [5.0, 400.0, 4e4, math.nan])
def test_a_longer_way_takes_longer_without_a_jump(a, j):
    """Crossing from one kind of move to the next the duration must stay continuous and rise."""
    ways = [1e-6 * 1.002**k for k in range(7000)]
    times = [MoveFacts(commanded_acceleration_m_s2=a, speed_m_s=0.25, travel_m=s, jerk_m_s3=j).duration_s for s in ways]
    ratios = [later / earlier for earlier, later in itertools.pairwise(times)]
    assert min(ratios) > 1.0 and max(ratios) < 1.003


def test_a_move_of_unknown_speed_has_no_duration():
    assert math.isnan(MoveFacts(commanded_acceleration_m_s2=4.0, travel_m=0.08).duration_s)
    assert math.isnan(MoveFacts().duration_s)


def test_tolerance_is_what_was_given_before_what_the_camera_implies():
    camera = {"pixel_m": 3.45e-6, "magnification": 0.5, "allowed_blur_px": 0.25}
    assert CameraFacts(**camera).object_pixel_m == pytest.approx(6.9e-6)
    assert CameraFacts(**camera).tolerance_resolved_m == pytest.approx(1.725e-6)
    assert CameraFacts(**camera, tolerance_m=5e-6).tolerance_resolved_m == 5e-6
    assert math.isnan(CameraFacts(pixel_m=3.45e-6, magnification=0.5).tolerance_resolved_m)


def test_nothing_is_known_of_a_bare_run():
    facts = RunFacts()
    assert math.isnan(facts.head_mass_kg) and facts.panel.foot_under_camera is None and facts.title == ""
    assert not facts.synthetic
