"""Machines against published values, momentum, closed forms, plate elements and step-by-step integration."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, linalg, signal

from labkit.base import Interval
from labkit.model.foot_map import foot_map, with_feet
from labkit.model.machine import Machine, recoil_m, transmissibility
from labkit.model.machine_parts import Camera, Foot, Frame, Head, HeadMount, PanelMount, point_motion
from labkit.model.materials import material
from labkit.model.move import move_profile, residual_amplitude
from labkit.model.panel import Edges, Panel, PointMass, PointSupport
from labkit.model.ringing import camera_path, exposure_motion, ringing, settling_s

skfem = pytest.importorskip("skfem")
from skfem.helpers import dd  # noqa: E402

BOX = {"mass_kg": 12.0, "size_m": (0.5, 0.4, 0.1)}
RIGID_CAMERA = Camera(at_m=(0.1, 0.0, 0.0), sight_m=0.1, target="bench")


def four_feet(*, sideways, upright, loss=0.1):
    return [
        Foot(
            x_m=x,
            y_m=y,
            stiffness_x_n_per_m=sideways,
            stiffness_y_n_per_m=sideways,
            stiffness_z_n_per_m=upright,
            loss_factor=loss,
        )
        for x in (-0.2, 0.2)
        for y in (-0.15, 0.15)
    ]


def box_machine(*, height=0.0, head_kg=1e-9, head_z=0.0, sideways=8e3, frame_kg=12.0, gravity=0.0):
    return Machine(
        frame=Frame.box(mass_kg=frame_kg, centre_m=(0, 0, height), size_m=BOX["size_m"]),
        feet=four_feet(sideways=sideways, upright=20e3),
        head=Head(mass_kg=head_kg, at_m=(0, 0, head_z), mount=None),
        camera=RIGID_CAMERA,
        panel=None,
        gravity_m_s2=gravity,
    )


def wren(*, loss=0.05, on_bench=(4,), mount=True, n_modes=12):
    """An invented machine with everything: panel with a foot on the bench, flexible head mount, nothing symmetric."""
    feet = [(0.02, 0.02), (0.40, 0.02), (0.02, 0.28), (0.40, 0.28)]
    supports = [PointSupport(x_m=x, y_m=y, stiffness_n_per_m=5e5, loss_factor=loss) for x, y in feet]
    supports.append(PointSupport(x_m=0.24, y_m=0.13, stiffness_n_per_m=8e4, loss_factor=loss))
    panel = Panel(
        length_m=0.42,
        width_m=0.30,
        thickness_m=0.004,
        material=material("cast acrylic"),
        edges=Edges(),
        supports=supports,
        masses=[PointMass(x_m=0.21, y_m=0.15, mass_kg=0.3)],
        holes=None,
    )
    head_mount = HeadMount(stiffness_n_per_m=(4e5, 2e5, 6e5), loss_factor=loss) if mount else None
    return Machine(
        frame=Frame(mass_kg=9.0, centre_m=(0.01, -0.02, 0.14), inertia_kg_m2=(0.25, 0.35, 0.4)),
        feet=four_feet(sideways=6e4, upright=2e5, loss=loss),
        head=Head(mass_kg=0.8, at_m=(0.05, 0.02, 0.25), mount=head_mount),
        camera=Camera(at_m=(0.0, 0.0, 0.05), sight_m=0.08, target="head"),
        panel=PanelMount(panel=panel, corner_m=(-0.21, -0.15, 0.05), on_bench=on_bench, n_modes=n_modes),
    )


def pulse_of(height, duration_s):
    move = move_profile(travel_m=1.0, speed_m_s=1.0, acceleration_m_s2=1.0)
    return replace(move, breaks_s=np.array([0.0, duration_s]), coefficients=np.array([[height, 0.0]]))


# ---------------------------------------------------------------------------------------------- closed forms
def test_recoil_quasi_static():
    """m_h·a/k: 0.8 kg, 10 m/s², 80 kN/m (Newton)."""
    assert recoil_m(head_mass_kg=0.8, acceleration_m_s2=10.0, stiffness_n_per_m=80e3) == pytest.approx(100e-6)
    heavy, light = (box_machine(head_kg=0.8, sideways=20e3, frame_kg=m) for m in (24.0, 12.0))
    for machine in (heavy, light):
        assert -10.0 * -machine.static_m_per_m_s2("x")[0] == pytest.approx(100e-6, rel=1e-9)


def test_free_base_recoil():
    """Momentum: travel 0.3 m, 0.8 kg on 12 kg moves the base by −18.75 mm; feet so soft that they hold nothing."""
    machine = box_machine(head_kg=0.8, sideways=0.05)
    move = move_profile(travel_m=0.3, speed_m_s=2.0, acceleration_m_s2=20.0)
    path = camera_path(machine, move, axis="x", time_s=[float(move.duration_s)], damping_ratio=1e-6)
    assert path.camera_m[0, 0] == pytest.approx(-18.75e-3, rel=3e-4)


def test_bounce_pitch_and_roll():
    """Harris' handbook ch. 3, f_z = √(4k_z/m)/2π (Eq. 3.37 seen), pitch and roll alike."""
    found = box_machine(sideways=1e2).modes.frequencies_hz
    for expected in (12.994947, 17.656656, 16.376909):
        assert np.min(np.abs(found / expected - 1.0)) < 1e-6


def test_coupled_sway_and_pitch():
    """Centre of mass 0.12 m above the feet: 2-DOF eigenproblem (derived)."""
    found = box_machine(height=0.12).modes.frequencies_hz
    for expected in (7.5771786, 19.151616):
        assert np.min(np.abs(found / expected - 1.0)) < 1e-6


def test_gravity_softens_an_inverted_pendulum():
    """Stiff sideways feet leave a pendulum: ω² = (K_θ − m·g·h)/(I + m·h²) (textbook)."""
    machine = box_machine(height=0.3, sideways=1e9, gravity=9.80665)
    k_pitch, inertia = 4 * 20e3 * 0.2**2, 12.0 / 12 * (0.5**2 + 0.1**2) + 12 * 0.3**2
    expected = math.sqrt((k_pitch - 12 * 9.80665 * 0.3) / inertia) / (2 * math.pi)
    assert np.min(np.abs(machine.modes.frequencies_hz / expected - 1.0)) < 1e-5


@pytest.mark.parametrize(
    ("frame_kg", "frequency_hz", "residual_um"),
    [(12.0, 12.582303, 185.36403), (24.0, 9.0393933, 150.51223)],
)
def test_added_mass_lowers_the_frequency_only(frame_kg, frequency_hz, residual_um):
    """Pulse of 30 ms on m_h = 0.8 kg, k = 80 kN/m, a = 10 m/s²: 2(m_h·a/k)|sin(ωT/2)| (derived)."""
    machine = box_machine(head_kg=0.8, sideways=20e3, frame_kg=frame_kg)
    assert np.min(np.abs(machine.modes.frequencies_hz - frequency_hz)) < 1e-5
    pulse = pulse_of(10.0, 0.03)
    after = ringing(machine, pulse, axis="x", damping_ratio=1e-9)
    assert 1e6 * np.abs(after.amplitudes_m[0]).max() == pytest.approx(residual_um, rel=1e-6)


def test_transmissibility():
    """Harris' handbook ch. 30; Nelson 1994: 1 at r = √2 for every ζ."""
    found = transmissibility([1.0, math.sqrt(2.0), 2.0], damping_ratio=0.05)
    assert found == pytest.approx([10.049876, 1.0, 0.33918173], rel=1e-6)
    assert transmissibility(math.sqrt(2.0), damping_ratio=0.3) == pytest.approx(1.0)


# ----------------------------------------------------------------------------------- panel against plate elements
def fem_machine(machine, cells):
    """The same machine, its panel as Bogner–Fox–Schmit elements: frequencies, dampings, static motion, places in it.

    Panel in absolute displacement; damping by the modal strain-energy method on the elements.
    """
    mount = machine.panel
    panel, corner = mount.panel, mount.corner_m
    a, b, d = panel.length_m, panel.width_m, panel.rigidity
    lines = [
        np.unique(np.round(np.concatenate([np.linspace(0, side, cells + 1), extra]), 9))
        for side, extra in (
            (a, [q.x_m for q in (*panel.supports, *panel.masses)]),
            (b, [q.y_m for q in (*panel.supports, *panel.masses)]),
        )
    ]
    mesh = skfem.MeshQuad.init_tensor(*lines)
    basis = skfem.Basis(mesh, skfem.ElementQuadBFS(), intorder=6)

    @skfem.BilinearForm
    def bending(u, v, _):
        p, q = dd(u), dd(v)
        mixed = d.coupling * (p[0, 0] * q[1, 1] + p[1, 1] * q[0, 0]) + 4 * d.twist * p[0, 1] * q[0, 1]
        return d.along * p[0, 0] * q[0, 0] + d.across * p[1, 1] * q[1, 1] + mixed

    @skfem.BilinearForm
    def inertia(u, v, _):
        return panel.mass_kg / (a * b) * u * v

    plate_k, plate_m = bending.assemble(basis).toarray(), inertia.assemble(basis).toarray()
    n = plate_k.shape[0]
    k, m, loss = np.zeros((3, n + 9, n + 9))
    k[:n, :n], m[:n, :n] = plate_k, plate_m
    loss[:n, :n] = panel.material.loss_factor.value * plate_k

    def node(x, y):
        distance = np.hypot(mesh.p[0] - x, mesh.p[1] - y)
        assert distance.min() < 1e-9
        return basis.nodal_dofs[0, np.argmin(distance)]

    def row(at_m, axis):
        line = np.zeros(n + 9)
        line[n : n + 6] = point_motion(at_m)[axis]
        return line

    def add(matrix, line, value):
        matrix += value * np.outer(line, line)

    def spring(line, value, eta):
        add(k, line, value)
        add(loss, line, eta * value)

    for axis in range(3):
        add(m, row(machine.frame.centre_m, axis), machine.frame.mass_kg)
        add(m, row(machine.head.at_m, axis) + np.eye(n + 9)[n + 6 + axis], machine.head.mass_kg)
        m[n + 3 + axis, n + 3 + axis] += machine.frame.inertia_kg_m2[axis]
        spring(np.eye(n + 9)[n + 6 + axis], machine.head.mount.stiffness_n_per_m[axis], machine.head.mount.loss_factor)
        for foot in machine.feet:
            value = (foot.stiffness_x_n_per_m, foot.stiffness_y_n_per_m, foot.stiffness_z_n_per_m)[axis]
            spring(row((foot.x_m, foot.y_m, 0.0), axis), value, foot.loss_factor)
    middle = (corner[0] + a / 2, corner[1] + b / 2, corner[2])
    for axis in range(2):  # in its plane the panel moves with the frame
        add(m, row(middle, axis), panel.mass_kg)
        for mass in panel.masses:
            add(m, row((corner[0] + mass.x_m, corner[1] + mass.y_m, corner[2]), axis), mass.mass_kg)
    m[n + 5, n + 5] += panel.mass_kg * (a * a + b * b) / 12
    for mass in panel.masses:
        m[node(mass.x_m, mass.y_m), node(mass.x_m, mass.y_m)] += mass.mass_kg
    for number, support in enumerate(panel.supports):
        stretch = np.eye(n + 9)[node(support.x_m, support.y_m)]
        if number not in mount.on_bench:
            stretch = stretch - row((corner[0] + support.x_m, corner[1] + support.y_m, corner[2]), 2)
        spring(stretch, support.stiffness_n_per_m, support.loss_factor)
    weight = machine.gravity_m_s2 * (
        machine.frame.mass_kg * machine.frame.centre_m[2]
        + machine.head.mass_kg * machine.head.at_m[2]
        + (panel.mass_kg + sum(q.mass_kg for q in panel.masses)) * corner[2]
    )
    k[n + 3, n + 3] -= weight
    k[n + 4, n + 4] -= weight
    force = np.zeros(n + 9)
    force += row(machine.head.at_m, 0) + np.eye(n + 9)[n + 6]
    static = linalg.solve(k, -machine.head.mass_kg * force, assume_a="sym")
    camera = node(machine.camera.at_m[0] - corner[0], machine.camera.at_m[1] - corner[1])
    camera_dofs = camera, basis.nodal_dofs[1:3, np.flatnonzero(basis.nodal_dofs[0] == camera)[0]]
    omega2, shapes = linalg.eigh(k, m, subset_by_index=(0, 15))
    damping = 0.5 * np.einsum("ir,ij,jr->r", shapes, loss, shapes) / omega2
    return np.sqrt(omega2) / (2 * np.pi), damping, static, camera_dofs, n


@pytest.mark.parametrize("on_bench", [(), (4,), (1, 4)])
def test_coupled_modes_match_plate_elements(on_bench):
    """scikit-fem, panel in absolute displacement joined to the rigid frame by its supports: ≤ 0.3 %."""
    machine = wren(on_bench=on_bench)
    reference, _, static, (rise, slopes), n = fem_machine(machine, cells=8)
    found = machine.modes.frequencies_hz[:14]
    assert found == pytest.approx(reference[:14], rel=3e-3)
    # steady acceleration of the head: object minus line of sight
    camera, sight = machine.camera.at_m, machine.camera.sight_m
    body, head = static[n : n + 6], static[n + 6 : n + 9]
    object_m = point_motion((camera[0], camera[1], camera[2] + sight)) @ body + head
    in_plane = point_motion(camera)[:2] @ body
    slope_x, slope_y = static[slopes]
    line_of_sight = np.array([in_plane[0] - sight * slope_x, in_plane[1] - sight * slope_y, static[rise]])
    expected = object_m - line_of_sight
    assert machine.static_m_per_m_s2("x") == pytest.approx(expected, rel=3e-3, abs=3e-3 * np.abs(expected).max())


@pytest.mark.parametrize("sheet", ["cast acrylic", "mild steel"])
def test_damping_of_parts_that_differ_matches_plate_elements(sheet):
    """A stiff lossy foot on the bench under a sheet with little or much loss: modal strain energy of the elements."""
    machine = wren(on_bench=(1, 4), n_modes=16)
    panel = machine.panel.panel
    supports = [
        replace(s, stiffness_n_per_m=k, loss_factor=eta)
        for s, k, eta in zip(panel.supports, (5e5, 2e5, 5e5, 1e6, 1e6), (0.05, 0.3, 0.0, 0.1, 0.2))
    ]
    machine = replace(
        machine, panel=replace(machine.panel, panel=replace(panel, material=material(sheet), supports=supports))
    )
    frequencies, damping, *_ = fem_machine(machine, cells=10)
    assert machine.modes.frequencies_hz[:12] == pytest.approx(frequencies[:12], rel=3e-3)
    assert machine.modes.damping_ratios[:12] == pytest.approx(damping[:12], rel=2e-3)


@pytest.mark.parametrize("stands_on", ["bench", "frame"])
@pytest.mark.parametrize(("sheet", "close"), [("cast acrylic", (2e-3, 0.012)), ("mild steel", (4e-4, 2e-3))])
def test_extra_foot_from_the_map_matches_plate_elements(sheet, close, stands_on):
    """A row of the map of extra feet against elements with that foot: as near as a machine built anew."""
    machine = wren(on_bench=(4,), n_modes=16)
    panel = machine.panel.panel
    supports = [replace(s, loss_factor=eta) for s, eta in zip(panel.supports, (0.05, 0.3, 0.0, 0.1, 0.2))]
    machine = replace(
        machine, panel=replace(machine.panel, panel=replace(panel, material=material(sheet), supports=supports))
    )
    places = [(0.12, 0.21), (0.21, 0.15)]
    spring = {"stiffness_n_per_m": 4e5, "loss_factor": 0.15, "stands_on": stands_on}
    found = foot_map(machine, places, **spring).modes
    for number, place in enumerate(places):
        anew = with_feet(machine, [place], **spring)
        frequencies, damping, *_ = fem_machine(anew, cells=10)
        for modes, row in ((found, number), (anew.modes, ...)):
            assert modes.frequencies_hz[row][:12] == pytest.approx(frequencies[:12], rel=close[0])
            assert modes.damping_ratios[row][:12] == pytest.approx(damping[:12], rel=close[1])


def test_supports_in_series_with_feet():
    """A frame of next to no mass: what the panel stands on is support and foot in series (springs in series)."""
    machine = wren(on_bench=(), mount=False, n_modes=16)
    panel = replace(machine.panel.panel, supports=machine.panel.panel.supports[:4])
    corners = [(s.x_m - 0.21, s.y_m - 0.15) for s in panel.supports]
    feet = [
        Foot(
            x_m=x,
            y_m=y,
            stiffness_x_n_per_m=1e9,
            stiffness_y_n_per_m=1e9,
            stiffness_z_n_per_m=5e5,
            loss_factor=0.05,
        )
        for x, y in corners
    ]
    light = replace(
        machine,
        frame=Frame(mass_kg=1e-4, centre_m=(0, 0, 0), inertia_kg_m2=(1e-6, 1e-6, 1e-6)),
        head=Head(mass_kg=1e-6, at_m=(0, 0, 0), mount=None),
        feet=feet,
        panel=replace(machine.panel, panel=panel, corner_m=(-0.21, -0.15, 0.0)),
        camera=replace(machine.camera, at_m=(0.0, 0.0, 0.0)),
        gravity_m_s2=0.0,
    )
    series = [replace(s, stiffness_n_per_m=2.5e5) for s in panel.supports]
    expected = replace(panel, supports=series).frequencies_hz(1)[0]
    assert light.modes.frequencies_hz[0] == pytest.approx(expected, rel=2e-3)


# -------------------------------------------------------------------------------------- against integration in time
@pytest.fixture(scope="module")
def driven():
    machine = wren()
    move = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=4.0, jerk_m_s3=400.0)
    return machine, move


def test_path_against_solve_ivp(driven):
    """scipy solve_ivp (DOP853) of M·ü + C·u̇ + K·u = −m_h·a(t)·b in physical coordinates: ≤ 1e-6 of the peak."""
    machine, move = driven
    mass, stiffness = machine._mass, machine._stiffness
    modes = machine.modes
    drag = (
        mass @ modes.shapes @ np.diag(4 * np.pi * modes.damping_ratios * modes.frequencies_hz) @ modes.shapes.T @ mass
    )
    push = -machine.head.mass_kg * machine._head_motion[0]
    size = len(mass)
    pull_back = linalg.solve(mass, np.column_stack([stiffness, drag, push]))

    def rates(t, u):
        a = float(move.acceleration_m_s2(np.array([t]))[0])
        return np.concatenate([u[size:], pull_back @ np.concatenate([-u, [a]])])

    # one stretch for each piece, so that no step crosses a corner of the acceleration
    time, state, u = [], [], np.zeros(2 * size)
    for start, end in zip(move.breaks_s, [*move.breaks_s[1:], move.duration_s + 0.15]):
        inner = np.linspace(start, end, 12)
        just_inside = integrate.solve_ivp(
            lambda t, y, s=start, e=end: rates(min(max(t, s), np.nextafter(e, s)), y),
            (start, end),
            u,
            method="DOP853",
            t_eval=inner,
            rtol=1e-9,
            atol=1e-14,
        )
        u = just_inside.y[:, -1]
        time.append(inner)
        state.append(just_inside.y[:size])
    reference = machine._image_motion @ np.hstack(state)
    path = camera_path(machine, move, axis="x", time_s=np.concatenate(time))
    for axis in range(3):
        peak = np.abs(reference[axis]).max()
        assert np.abs(path.image_m[axis] - reference[axis]).max() < 1e-6 * peak


def test_settling_and_blur_against_a_dense_record(driven):
    """Last crossing and exposure moments read from 200 001 samples of the path."""
    machine, move = driven
    after = ringing(machine, move, axis="x")
    end = float(move.duration_s)
    time = np.linspace(0.0, 1.0, 200_001)
    record = camera_path(machine, move, axis="x", time_s=end + time).image_m
    tolerance = np.abs(record).max(axis=1) * [0.05, 0.3, 0.1]
    outside = (np.abs(record) > tolerance[:, None]).any(axis=0)
    assert settling_s(after, tolerance_m=tolerance) == pytest.approx(time[np.flatnonzero(outside)[-1]], abs=6e-6)
    window = (time >= 0.03 - 1e-9) & (time <= 0.04 + 1e-9)
    exposure = exposure_motion(after, wait_s=0.03, exposure_s=0.01)
    x, t = record[:, window], time[window]
    mean = integrate.simpson(x, x=t) / 0.01
    sigma = np.sqrt(integrate.simpson((x - mean[:, None]) ** 2, x=t) / 0.01)
    assert exposure.mean_m == pytest.approx(mean, rel=1e-6, abs=1e-14)
    assert exposure.sigma_m == pytest.approx(sigma, rel=1e-6)


def test_damping_against_complex_stiffness():
    """Poles of K(1 + iη) for small η by a complex eigenvalue solver; modal strain energy errs by O(η²)."""
    machine = wren(loss=0.002)
    sheet = machine.panel.panel.material
    quiet = replace(
        sheet, loss_factor=replace(sheet.loss_factor, value=0.001, interval=Interval(low=0.001, high=0.001, level=0.95))
    )
    panel = replace(machine.panel.panel, material=quiet)
    machine = replace(machine, panel=replace(machine.panel, panel=panel))
    values = linalg.eig(machine._stiffness + 1j * machine.loss_matrix, machine._mass, right=False)
    poles = np.sqrt(values[np.argsort(values.real)])
    damping = poles.imag / poles.real
    assert machine.modes.damping_ratios == pytest.approx(damping, rel=1e-4)


def test_one_mode_against_control_and_lsim():
    """python-control and scipy lsim on the sway of a box: same residual after a trapezoidal move."""
    control = pytest.importorskip("control")
    machine = box_machine(head_kg=0.8, sideways=20e3)
    move = move_profile(travel_m=0.05, speed_m_s=0.3, acceleration_m_s2=6.0)
    omega, zeta = math.sqrt(80e3 / 12.8), 0.03
    time = np.linspace(0.0, 0.4, 40_001)
    force = -0.8 / 12.8 * move.acceleration_m_s2(time)
    expected = control.forced_response(control.tf([1.0], [1.0, 2 * zeta * omega, omega**2]), time, force).outputs
    _, again, _ = signal.lsim(([1.0], [1.0, 2 * zeta * omega, omega**2]), force, time)
    path = camera_path(machine, move, axis="x", time_s=time, damping_ratio=zeta)
    peak = np.abs(expected).max()
    assert np.abs(path.camera_m[0] - expected).max() < 1e-3 * peak  # sampled corners of the force
    assert np.abs(path.camera_m[0] - again).max() < 1e-3 * peak
    carried = residual_amplitude(move, frequency_hz=omega / (2 * np.pi), damping_ratio=zeta)[0] * 0.8 / 12.8
    assert np.abs(ringing(machine, move, axis="x", damping_ratio=zeta).amplitudes_m[0]).max() == pytest.approx(carried)
