"""Extra feet at all holes at once against one machine built anew for each."""

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.model.foot_map import foot_map, with_feet
from labkit.model.grid import HoleArray, MountingGrid
from labkit.model.machine import Machine
from labkit.model.machine_parts import Camera, Foot, Frame, Head, HeadMount, PanelMount
from labkit.model.materials import material
from labkit.model.move import move_profile
from labkit.model.panel import Panel
from labkit.model.panel_parts import Edges, PointMass, PointSupport
from labkit.model.ringing import exposure_motion, ringing

CORNERS = [(x, y) for x in (0.012, 0.408) for y in (0.012, 0.288)]
GRID = MountingGrid(
    length_m=0.42,
    width_m=0.30,
    holes=HoleArray(pitch_m=0.03, diameter_m=0.0032, offset_grid=False),
    edge_distance_m=0.01,
)
MOVE = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=4.0, jerk_m_s3=400.0)
SPRING = {"stiffness_n_per_m": 2e5, "loss_factor": 0.2}


def machine(*, sheet="hardboard", on_bench=(), target="head", mount=None, n_modes=12):
    """An invented machine, nothing symmetric but its feet."""
    supports = [PointSupport(x_m=x, y_m=y, stiffness_n_per_m=1e6, loss_factor=0.05) for x, y in CORNERS]
    supports += [PointSupport(x_m=x, y_m=y, stiffness_n_per_m=1e5, loss_factor=0.2) for x, y in on_bench]
    panel = Panel(
        length_m=0.42,
        width_m=0.30,
        thickness_m=0.003,
        material=material(sheet),
        edges=Edges(),
        supports=supports,
        masses=[PointMass(x_m=0.21, y_m=0.15, mass_kg=0.4)],
        holes=GRID.holes,
    )
    legs = [
        Foot(
            x_m=x - 0.21,
            y_m=y - 0.15,
            stiffness_x_n_per_m=6e4,
            stiffness_y_n_per_m=6e4,
            stiffness_z_n_per_m=2e5,
            loss_factor=0.1,
        )
        for x, y in CORNERS
    ]
    return Machine(
        frame=Frame.box(mass_kg=9.0, centre_m=(0.0, 0.0, 0.14), size_m=(0.45, 0.32, 0.3)),
        feet=legs,
        head=Head(mass_kg=0.8, at_m=(0.05, 0.02, 0.25), mount=mount),
        camera=Camera(at_m=(0.0, 0.0, 0.05), sight_m=0.08, target=target),
        panel=PanelMount(
            panel=panel,
            corner_m=(-0.21, -0.15, 0.05),
            on_bench=tuple(range(4, 4 + len(on_bench))),
            n_modes=n_modes,
        ),
    )


BRIDGE = HeadMount(stiffness_n_per_m=(4e5, 3e5, 1e6), loss_factor=0.03)
CASES = {
    "plain": {},
    "steel": {"sheet": "mild steel"},
    "foot on the bench": {"on_bench": [(0.15, 0.10)]},
    "looks at the bench": {"target": "bench"},
    "swinging head": {"mount": BRIDGE},
}


def settled(modes):
    """Motion in an exposure 50 ms after the move, and the size of the ringing then."""
    after = ringing(modes, MOVE, axis="x")
    left = np.abs(after.amplitudes_m) * np.exp(after.poles_rad_s.real * 0.05)[..., None, :]
    return exposure_motion(after, wait_s=0.05, exposure_s=0.005), left.sum(-1)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("n_feet", [1, 2])
@pytest.mark.parametrize("stands_on", ["bench", "frame"])
def test_every_choice_is_the_machine_with_these_feet(case, n_feet, stands_on):
    base = machine(**CASES[case])
    places = GRID.places_m[::3]
    found = foot_map(base, places, stands_on=stands_on, n_feet=n_feet, **SPRING)
    assert len(found.modes.frequencies_hz) == math.comb(len(places), n_feet)
    exposure, size = settled(found.modes)
    off = []
    for number in np.random.default_rng(2).choice(len(found.feet.choices), 6, replace=False):
        anew = with_feet(base, found.places_of(number), stands_on=stands_on, **SPRING)
        np.testing.assert_allclose(found.modes.frequencies_hz[number, :6], anew.modes.frequencies_hz[:6], rtol=2e-3)
        damping, expected = found.modes.damping_ratios[number, :6], anew.modes.damping_ratios[:6]
        gaps = np.diff(anew.modes.frequencies_hz[:7], prepend=0.0) / anew.modes.frequencies_hz[:7]
        alone = np.minimum(gaps[:6], gaps[1:]) > 0.03  # two modes close by share their damping as they please
        np.testing.assert_allclose(damping[alone], expected[alone], rtol=0.01)
        assert damping.sum() == pytest.approx(expected.sum(), rel=3e-3)
        expected, _ = settled(anew.modes)
        for one, other in ((exposure.sigma_m, expected.sigma_m), (exposure.mean_m, expected.mean_m)):
            off.append(np.abs(one[number] - other).max() / size[number].max())
    assert max(off) < 0.02 and np.median(off) < 2e-3


def test_a_foot_that_does_nothing_changes_nothing():
    base = machine(mount=BRIDGE, on_bench=[(0.15, 0.10)])
    found = foot_map(base, GRID.places_m, stiffness_n_per_m=1e-6, loss_factor=0.2, stands_on="bench").modes
    plain, size = settled(base.modes)
    exposure, _ = settled(found)
    np.testing.assert_allclose(found.frequencies_hz, np.tile(base.modes.frequencies_hz, (117, 1)), rtol=1e-9)
    np.testing.assert_allclose(found.damping_ratios, np.tile(base.modes.damping_ratios, (117, 1)), rtol=1e-8)
    assert np.abs(exposure.sigma_m - plain.sigma_m).max() < 1e-8 * size.max()


def test_a_foot_on_the_bench_holds_the_picture_and_one_on_the_frame_only_the_panel():
    """A stiff foot on the bench under the camera stops its rise; on the frame the camera still rises with it."""
    base, at = machine(target="bench"), [(0.21, 0.15)]
    steady = {}
    for stands_on in ("bench", "frame"):
        found = foot_map(base, at, stiffness_n_per_m=1e9, loss_factor=0.1, stands_on=stands_on).modes
        omega2 = (2 * np.pi * found.frequencies_hz[0]) ** 2
        steady[stands_on] = (found.image[0] / omega2) @ found.push[0].T  # picture for steady acceleration
        anew = with_feet(base, at, stiffness_n_per_m=1e9, loss_factor=0.1, stands_on=stands_on)
        moved = np.column_stack([anew.static_m_per_m_s2(axis) for axis in "xyz"])
        np.testing.assert_allclose(steady[stands_on], moved, atol=0.01 * np.abs(moved).max())
    assert np.abs(steady["bench"][2]).max() < 1e-3 * np.abs(steady["frame"][2]).max()


def test_best_hole_for_the_blur_is_found_by_trying_all_of_them():
    base = machine()
    places = GRID.places_m[::9]
    found = foot_map(base, places, stands_on="frame", **SPRING)
    exposure, _ = settled(found.modes)
    blur = np.hypot(*exposure.sigma_m[:, :2].T)
    tried = [
        float(np.hypot(*settled(with_feet(base, [place], stands_on="frame", **SPRING).modes)[0].sigma_m[:2]))
        for place in places
    ]
    assert tried[int(np.argmin(blur))] < 1.03 * min(tried)
    assert np.ptp(tried) > 0.3 * max(tried)


@pytest.mark.parametrize("stands_on", ["bench", "frame"])
def test_with_one_loss_factor_everywhere_every_damping_ratio_is_half_of_it(stands_on):
    base = machine(on_bench=[(0.15, 0.10)], mount=replace(BRIDGE, loss_factor=0.04))
    panel = base.panel.panel
    sheet = replace(panel.material, loss_factor=replace(panel.material.loss_factor, value=0.04))
    supports = [replace(support, loss_factor=0.04) for support in panel.supports]
    base = replace(
        base,
        feet=[replace(leg, loss_factor=0.04) for leg in base.feet],
        panel=replace(base.panel, panel=replace(panel, material=sheet, supports=supports)),
        gravity_m_s2=0.0,
    )
    found = foot_map(
        base, GRID.places_m[::5], stiffness_n_per_m=1e6, loss_factor=0.04, stands_on=stands_on, n_feet=2
    ).modes
    np.testing.assert_allclose(found.damping_ratios, 0.02, rtol=1e-7)


def test_unknown_loss_stays_unknown():
    found = foot_map(machine(), [(0.21, 0.15)], stiffness_n_per_m=1e5, loss_factor=math.nan, stands_on="frame")
    assert np.isnan(found.modes.damping_ratios).all() and np.isfinite(found.modes.frequencies_hz).all()
    with pytest.raises(ValueError, match="unknown"):
        ringing(found.modes, MOVE, axis="x")
    assert np.isfinite(ringing(found.modes, MOVE, axis="x", damping_ratio=0.02).amplitudes_m).all()


def test_a_rigid_foot_on_the_frame_has_no_loss_of_its_own():
    rigid = {"stiffness_n_per_m": math.inf, "loss_factor": math.nan, "stands_on": "frame"}
    base = machine()
    found, anew = foot_map(base, [(0.2, 0.1)], **rigid).modes, with_feet(base, [(0.2, 0.1)], **rigid).modes
    np.testing.assert_allclose(found.damping_ratios[0, :6], anew.damping_ratios[:6], rtol=0.01)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"stands_on": "floor"}, "stands_on"),
        ({"stiffness_n_per_m": math.inf}, "finite stiffness"),
        ({"stiffness_n_per_m": 0.0}, "stiffness_n_per_m"),
        ({"loss_factor": -0.1}, "loss_factor"),
        ({"places_m": [(0.5, 0.1)]}, "outside the panel"),
        ({"machine": replace(machine(), panel=None)}, "no panel"),
    ],
)
def test_what_is_refused(changes, message):
    call = {"machine": machine(), "places_m": [(0.2, 0.1)], "stands_on": "bench", **SPRING} | changes
    with pytest.raises(ValueError, match=message):
        foot_map(call.pop("machine"), call.pop("places_m"), **call)
