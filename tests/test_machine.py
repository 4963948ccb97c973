"""Machines: symmetry, limits, joined parts, maps; what is refused."""

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.model.machine import Machine
from labkit.model.machine_parts import Camera, Foot, Frame, Head, HeadMount, PanelMount
from labkit.model.materials import material
from labkit.model.move import move_profile
from labkit.model.optics import Optics
from labkit.model.panel import Edges, Panel, PointMass, PointSupport
from labkit.model.ringing import (
    Ringing,
    camera_path,
    envelope_settling_s,
    exposure_motion,
    landscape,
    ringing,
    settling_s,
)

MOVE = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=4.0, jerk_m_s3=400.0)
TOLERANCE = (2e-6, 2e-6, 20e-6)
CORNERS = [(x, y) for x in (0.02, 0.40) for y in (0.02, 0.28)]


def foot(x, y, *, sideways=6e4, upright=2e5, loss=0.1):
    return Foot(
        x_m=x,
        y_m=y,
        stiffness_x_n_per_m=sideways,
        stiffness_y_n_per_m=sideways,
        stiffness_z_n_per_m=upright,
        loss_factor=loss,
    )


def panel_mount(*, extra=(), on_bench=(), thickness=0.003, n_modes=8, edges=None):
    supports = [PointSupport(x_m=x, y_m=y, stiffness_n_per_m=1e6, loss_factor=0.05) for x, y in CORNERS]
    supports += [PointSupport(x_m=x, y_m=y, stiffness_n_per_m=k, loss_factor=0.05) for x, y, k in extra]
    panel = Panel(
        length_m=0.42,
        width_m=0.30,
        thickness_m=thickness,
        material=material("hardboard"),
        edges=edges or Edges(),
        supports=supports,
        masses=[PointMass(x_m=0.21, y_m=0.15, mass_kg=0.3)],
        holes=None,
    )
    return PanelMount(panel=panel, corner_m=(-0.21, -0.15, 0.05), on_bench=on_bench, n_modes=n_modes)


def machine(*, panel="default", mount=None, target="head", head_y=0.0, feet=None):
    """An invented benchtop machine, symmetric about the plane y = 0 unless told otherwise."""
    return Machine(
        frame=Frame.box(mass_kg=9.0, centre_m=(0.0, 0.0, 0.14), size_m=(0.45, 0.32, 0.3)),
        feet=feet or [foot(x - 0.21, y - 0.15) for x, y in CORNERS],
        head=Head(mass_kg=0.8, at_m=(0.03, head_y, 0.25), mount=mount),
        camera=Camera(at_m=(0.0, 0.0, 0.05), sight_m=0.08, target=target),
        panel=panel_mount() if panel == "default" else panel,
    )


BRIDGE = HeadMount(stiffness_n_per_m=(4e5, 2e5, 6e5), loss_factor=0.05)


# ------------------------------------------------------------------------------------------------ what must hold
def test_nothing_flexible_between_head_and_camera_keeps_the_picture_still():
    stiff = machine(panel=None)
    path = camera_path(stiff, MOVE, axis="x", time_s=np.linspace(0.0, 0.6, 50))
    assert np.abs(path.camera_m).max() > 1e-6
    assert np.abs(path.image_m).max() < 1e-12 * np.abs(path.camera_m).max()


def test_an_object_on_the_bench_sees_the_camera_move():
    rigid = machine(panel=None, target="bench")
    modes = rigid.modes
    tilt = modes.shapes[3:5]
    assert modes.image[2] == pytest.approx(-modes.camera[2])
    assert modes.image[0] == pytest.approx(-(modes.camera[0] + 0.08 * tilt[1]))
    assert modes.image[1] == pytest.approx(-(modes.camera[1] - 0.08 * tilt[0]))


def test_a_symmetric_machine_answers_in_its_plane_only():
    path = camera_path(machine(mount=BRIDGE), MOVE, axis="x", time_s=np.linspace(0.0, 0.6, 200))
    peak = np.abs(path.image_m).max()
    assert np.abs(path.image_m[1]).max() < 1e-7 * peak
    skew = camera_path(machine(mount=BRIDGE, head_y=0.05), MOVE, axis="x", time_s=np.linspace(0.0, 0.6, 200))
    assert np.abs(skew.image_m[1]).max() > 1e-3 * peak


def test_modes_are_orthonormal_in_the_mass():
    built = machine(mount=BRIDGE, head_y=0.05)
    shapes = built.modes.shapes
    assert shapes.T @ built._mass @ shapes == pytest.approx(np.eye(shapes.shape[1]), abs=1e-9)
    assert built.mass_kg == pytest.approx(9.0 + 0.8 + 0.3 + built.panel.panel.mass_kg)


def test_a_very_heavy_frame_lets_the_panel_ring_alone():
    built = machine(target="bench")
    frame = Frame.box(mass_kg=1e7, centre_m=(0, 0, 0.14), size_m=(0.45, 0.32, 0.3))
    anchored = replace(built, frame=frame, gravity_m_s2=0.0)
    found = anchored.modes.frequencies_hz
    for expected in built.panel.modes.frequencies_hz:
        assert np.min(np.abs(found / expected - 1)) < 1e-4


def test_a_foot_on_the_bench_is_a_foot_on_the_frame_when_the_frame_cannot_move():
    extra = [(0.24, 0.13, 8e4)]
    stiff = [foot(x - 0.21, y - 0.15, sideways=1e13, upright=1e13) for x, y in CORNERS]
    for on_bench in ((), (4,)):
        built = machine(panel=panel_mount(extra=extra, on_bench=on_bench), feet=stiff)
        expected = built.panel.modes.frequencies_hz
        assert built.modes.frequencies_hz[:8] == pytest.approx(expected, rel=1e-5)


def test_a_foot_on_the_bench_holds_the_machine_up_too():
    """Stiff panel: the whole machine rises against its feet and the extra foot together."""
    thick = panel_mount(extra=[(0.21, 0.15, 4e5)], thickness=0.014, on_bench=(4,))
    soft = [foot(x - 0.21, y - 0.15, upright=1e3) for x, y in CORNERS]
    with_foot, without = (machine(panel=replace(thick, on_bench=n), feet=soft) for n in ((4,), ()))
    push = np.zeros(len(with_foot._stiffness))
    push[2] = 1.0  # 1 N upwards on the frame
    rise = [np.linalg.solve(built._stiffness, push)[2] for built in (with_foot, without)]
    panel = thick.panel
    through_panel = replace(panel, supports=panel.supports[:4]).compliance_m_per_n((0.21, 0.15)) + 1 / 4e5
    assert rise[1] == pytest.approx(1 / 4e3, rel=1e-3)
    assert rise[0] == pytest.approx(1 / (4e3 + 1 / through_panel), rel=1e-3)


def test_the_loss_factor_of_everything_is_twice_the_damping_ratio():
    quiet = panel_mount()
    sheet = quiet.panel.material
    same = replace(sheet, loss_factor=replace(sheet.loss_factor, value=0.05))
    supports = [replace(s, loss_factor=0.05) for s in quiet.panel.supports]
    panel = replace(quiet.panel, material=same, supports=supports)
    feet = [replace(f, loss_factor=0.05) for f in machine().feet]
    built = replace(machine(mount=BRIDGE), panel=replace(quiet, panel=panel), feet=feet, gravity_m_s2=0.0)
    assert built.modes.damping_ratios == pytest.approx(np.full(17, 0.025), rel=1e-9)


def test_a_base_tilt_shows_in_the_picture_as_the_sight_line_turns():
    """A very soft hinge: the picture of a bench object moves by tilt × height of the object."""
    built = machine(target="bench")
    image = built.modes.image
    lifted = replace(built, camera=replace(built.camera, sight_m=0.18)).modes.image
    slopes = lifted - image
    assert slopes[2] == pytest.approx(np.zeros(14), abs=1e-9)
    turn = built.modes.shapes[4] - (built._flexing[1] @ built.modes.shapes)
    assert slopes[0] == pytest.approx(-0.1 * turn, abs=1e-9)


# ------------------------------------------------------------------------------------------- settling and blur
def test_settling_is_never_later_than_the_envelope():
    built = machine(mount=BRIDGE, head_y=0.05)
    for acceleration in (1.0, 3.0, 8.0):
        move = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=acceleration)
        after = ringing(built, move, axis="x")
        exact, envelope = (
            settling_s(after, tolerance_m=TOLERANCE),
            float(envelope_settling_s(after, tolerance_m=TOLERANCE)),
        )
        assert 0.0 < exact <= envelope
        late = np.linspace(exact * (1 + 1e-9), exact + 0.3, 20_000)
        assert np.all(np.abs(after.at(late)) <= np.array(TOLERANCE)[:, None] * (1 + 1e-9))


def test_an_axis_with_no_limit_does_not_count():
    after = ringing(machine(mount=BRIDGE, head_y=0.05), MOVE, axis="x")
    times = [
        settling_s(after, tolerance_m=[tol if n == k else math.inf for n, tol in enumerate(TOLERANCE)])
        for k in range(3)
    ]
    assert settling_s(after, tolerance_m=TOLERANCE) == pytest.approx(max(times))
    assert settling_s(after, tolerance_m=(1.0, 1.0, 1.0)) == 0.0
    assert float(envelope_settling_s(after, tolerance_m=(math.inf,) * 3)) == 0.0


@pytest.mark.parametrize("strong", [1.0, 20.0, 100.0, 400.0, 8e3])
def test_the_search_for_the_last_crossing_goes_through_all_blocks(strong):
    """A fast strong mode decays first, a very slow one passes zero meanwhile: the envelopes meet 1.5 blocks later."""
    poles = np.array([-5.0 + 2j * np.pi * 500.0, -0.05 + 2j * np.pi * 0.02])
    sizes = np.array([[strong, 0.0099j], [0.0, 0.0], [0.0, 0.0]])
    after = Ringing(poles_rad_s=poles, amplitudes_m=sizes)
    time = np.arange(0.0, 6.0, 2e-5)
    last = time[np.flatnonzero(np.abs(after.at(time)[0]) > 0.01)[-1]]
    assert settling_s(after, tolerance_m=(0.01, 1, math.inf)) == pytest.approx(last, abs=4e-5)


def test_at_the_envelope_time_the_envelopes_reach_the_tolerance():
    poles = np.array([-30.0 + 400j, -4.0 + 90j, -0.7 + 25j])
    sizes = np.array([[3.0, 0.5, 0.02], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
    after = Ringing(poles_rad_s=poles, amplitudes_m=sizes)
    for tolerance in (1.0, 0.1, 0.01, 1e-5):
        time = float(envelope_settling_s(after, tolerance_m=(tolerance, 1, 1)))
        assert np.sum(sizes[0] * np.exp(poles.real * time)) == pytest.approx(tolerance, rel=1e-9)


def test_blur_of_a_slow_drift_is_a_smear_and_of_many_periods_a_sinusoid():
    one = Ringing(poles_rad_s=np.array([2j * np.pi * 40.0]), amplitudes_m=np.array([[-1j], [0.0], [0.0]]))  # sin
    short = exposure_motion(one, wait_s=0.0, exposure_s=1e-5)
    assert short.sigma_m[0] == pytest.approx(2 * np.pi * 40 * 1e-5 / math.sqrt(12), rel=1e-5)
    whole = exposure_motion(one, wait_s=0.0123, exposure_s=0.25)
    assert whole.sigma_m[0] == pytest.approx(1 / math.sqrt(2), rel=1e-9)
    assert whole.mean_m[0] == pytest.approx(0.0, abs=1e-9)


def test_blur_in_pixels_has_motion_along_each_axis_and_the_same_defocus():
    lens = Optics(pixel_m=3.45e-6, magnification=0.5, f_number=4.0, pupil_magnification=1.0, wavelength_m=0.55e-6)
    exposure = exposure_motion(ringing(machine(mount=BRIDGE), MOVE, axis="x"), wait_s=0.0, exposure_s=0.01)
    parts = exposure.blur(lens)
    assert parts.motion_px == pytest.approx(exposure.sigma_m[:2] / 6.9e-6)
    rms_z = math.hypot(exposure.mean_m[2], exposure.sigma_m[2])
    assert parts.defocus_px == pytest.approx(np.full(2, lens.defocus_disc_m(rms_z) / 4 / 3.45e-6))


def test_a_map_is_its_cells_one_by_one():
    accelerations, masses = np.array([2.0, 5.0, 9.0]), [6.0, 14.0]
    limits = {"travel_m": 0.08, "speed_m_s": 0.25, "jerk_m_s3": 400.0}
    base = machine(mount=BRIDGE, head_y=0.05)
    variants = [replace(base, frame=replace(base.frame, mass_kg=m)) for m in masses]
    shot = {"wait_s": 0.02, "exposure_s": 0.008}
    found = landscape(
        variants, move_profile(acceleration_m_s2=accelerations, **limits), axis="x", tolerance_m=TOLERANCE, **shot
    )
    assert found.settling_s.shape == (2, 3)
    assert found.exposure.sigma_m.shape == found.residual_m.shape == (2, 3, 3)
    for i, variant in enumerate(variants):
        for k, a in enumerate(accelerations):
            after = ringing(variant, move_profile(acceleration_m_s2=a, **limits), axis="x")
            assert found.settling_s[i, k] == pytest.approx(float(envelope_settling_s(after, tolerance_m=TOLERANCE)))
            assert found.exposure.sigma_m[i, k] == pytest.approx(exposure_motion(after, **shot).sigma_m)
            assert found.residual_m[i, k] == pytest.approx(np.abs(after.amplitudes_m).sum(axis=-1))


def test_more_acceleration_is_not_always_worse():
    """Moves that last whole periods leave a mode at rest: the map rises and falls."""
    profiles = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=np.linspace(1.0, 12.0, 60))
    found = landscape([machine()], profiles, axis="x", tolerance_m=TOLERANCE, wait_s=0.05, exposure_s=0.005)
    steps = np.diff(found.exposure.sigma_m[0, :, 0])
    assert 0.1 < np.mean(steps < 0) < 0.9


# --------------------------------------------------------------------------------------------------- what is refused
def test_a_machine_that_slides_or_tips_is_refused():
    for weak in ({"sideways": 0.0}, {"upright": 100.0}):
        built = machine(panel=None, feet=[foot(x - 0.21, y - 0.15, **weak) for x, y in CORNERS])
        with pytest.raises(ValueError, match="does not stand by itself"):
            ringing(built, MOVE, axis="x")


def test_unknown_damping_is_asked_for_and_can_be_given():
    built = machine(feet=[foot(x - 0.21, y - 0.15, loss=math.nan) for x, y in CORNERS])
    assert np.isnan(built.modes.damping_ratios).any()
    with pytest.raises(ValueError, match="loss factor of the machine is unknown"):
        ringing(built, MOVE, axis="x")
    assert ringing(built, MOVE, axis="x", damping_ratio=0.02).poles_rad_s.real.max() < 0.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: foot(0.0, math.nan), "y_m"),
        (lambda: foot(0.0, 0.0, upright=-1.0), "stiffness_z"),
        (lambda: foot(0.0, 0.0, loss=-0.1), "loss_factor"),
        (lambda: Frame(mass_kg=1.0, centre_m=(0, 0, 0), inertia_kg_m2=(1.0, 1.0, 3.0)), "sum of the other two"),
        (lambda: Frame(mass_kg=1.0, centre_m=(0, 0), inertia_kg_m2=(1.0, 1.0, 1.0)), "centre_m"),
        (lambda: Head(mass_kg=0.0, at_m=(0, 0, 0), mount=None), "mass_kg"),
        (lambda: HeadMount(stiffness_n_per_m=(0.0, 1.0, 1.0), loss_factor=0.1), "stiffness_n_per_m"),
        (lambda: Camera(at_m=(0, 0, 0), sight_m=0.1, target="tray"), "target"),
        (lambda: panel_mount(on_bench=(7,)), "supports 0…3"),
        (lambda: panel_mount(extra=[(0.2, 0.1, math.inf)], on_bench=(4,)), "finite stiffness"),
        (
            lambda: replace(machine(), camera=Camera(at_m=(0.3, 0, 0.05), sight_m=0.1, target="head")),
            "outside the panel",
        ),
        (lambda: ringing(machine(), MOVE, axis="w"), "axis"),
        (lambda: ringing([machine(), machine(panel=None)], MOVE, axis="x"), "same number"),
        (lambda: ringing(machine(), MOVE, axis="x", damping_ratio=0.0), "damping_ratio"),
        (lambda: exposure_motion(ringing(machine(), MOVE, axis="x"), wait_s=-0.1, exposure_s=0.01), "during the move"),
        (lambda: settling_s(ringing(machine(), MOVE, axis="x"), tolerance_m=(1e-6, 0.0, 1.0)), "tolerance_m"),
        (
            lambda: envelope_settling_s(
                Ringing(poles_rad_s=np.array([1j]), amplitudes_m=np.ones((3, 1))), tolerance_m=TOLERANCE
            ),
            "never settles",
        ),
        (lambda: settling_s(ringing([machine()], MOVE, axis="x"), tolerance_m=TOLERANCE), "one case"),
        (
            lambda: landscape([machine()], MOVE, axis="x", tolerance_m=TOLERANCE, wait_s=0.0, exposure_s=0.01),
            "batch of moves",
        ),
    ],
)
def test_bad_input_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
