"""The fit against closed-form inverses, a textbook problem, and runs made by matrices that are not the lab's."""

import math

import numpy as np
import pytest
from scipy import integrate, linalg

from labkit.base import Estimate, Interval
from labkit.model.fit import Case, Observation, Parameter, fit_machine
from labkit.model.fit_cases import Look, case_values
from labkit.model.machine import Machine
from labkit.model.machine_parts import Camera, Foot, Frame, Head, PanelMount
from labkit.model.materials import Material, MaterialNumber
from labkit.model.move import move_profile
from labkit.model.panel import Panel
from labkit.model.panel_parts import Edges


def measured(value, share, *, rng=None):
    sd = share * value
    found = value if rng is None else value + sd * rng.standard_normal()
    return Estimate.from_standard_error(found, sd, dof=math.inf)


def frequency(value, share, mode, *, axis="", rng=None):
    return Observation(quantity="frequency_hz", value=measured(value, share, rng=rng), mode=mode, axis=axis)


def tap(name, build, *observations):
    return Case(name=name, build=build, profile=None, move_axis="", observations=observations)


# ------------------------------------------------------------------------------------------ closed-form inverses
def on_a_spring(added_kg):
    """A body on one spring along z, of unknown mass and stiffness."""

    def build(p):
        k = p["spring_n_per_m"] / 4
        feet = [
            Foot(
                x_m=x,
                y_m=y,
                stiffness_x_n_per_m=1e4,
                stiffness_y_n_per_m=1e4,
                stiffness_z_n_per_m=k,
                loss_factor=0.01,
            )
            for x in (-1, 1)
            for y in (-1, 1)
        ]
        frame = Frame(mass_kg=p["mass_kg"] + added_kg, centre_m=(0, 0, 0), inertia_kg_m2=(0.01, 0.01, 0.01))
        return Machine(
            frame=frame,
            feet=feet,
            head=Head(mass_kg=1e-9, at_m=(0, 0, 0), mount=None),
            camera=Camera(at_m=(0, 0, 0), sight_m=0.0, target="bench"),
            panel=None,
            gravity_m_s2=0.0,
        )

    return build


SPRING = [Parameter(name="mass_kg", low=0.1, high=10.0), Parameter(name="spring_n_per_m", low=5.0, high=5e3)]


def added_mass_fit(frequencies_hz, added_kg, share):
    pairs = zip((0.0, added_kg), frequencies_hz)
    cases = [tap(f"+{kg} kg", on_a_spring(kg), frequency(f, share, "bounce", axis="z")) for kg, f in pairs]
    return fit_machine(cases, SPRING, n_starts=32)


def test_unknown_mass_on_an_unknown_spring():
    """W. T. Thomson, Theory of Vibration with Applications, problem 2-2 (from memory): 94 cpm, with 0.453 kg 76.7 cpm.

    m = Δm·f1²/(f0² − f1²) = 0.9025 kg, k = m(2πf0)² = 87.4 N/m (recomputed).
    """
    fit = added_mass_fit((94 / 60, 76.7 / 60), 0.453, 1e-3)
    mass = 0.453 * 76.7**2 / (94**2 - 76.7**2)
    assert mass == pytest.approx(0.9024, abs=2e-4)
    assert fit.estimates["mass_kg"].value == pytest.approx(mass, rel=1e-5)
    assert fit.estimates["spring_n_per_m"].value == pytest.approx(mass * (2 * math.pi * 94 / 60) ** 2, rel=1e-5)
    assert fit.dof == 0 and math.isnan(fit.chi2_per_dof)


@pytest.mark.parametrize("added_kg", [0.3, 1.0, 3.0])
def test_uncertainty_of_the_added_mass_method(added_kg):
    """sd(m)/m = 2√2·s_f·(1 + m/Δm) (derived from m = Δm·f1²/(f0² − f1²))."""
    share, mass = 5e-4, 1.2
    f = [math.sqrt(80.0 / (mass + kg)) / (2 * math.pi) for kg in (0.0, added_kg)]
    fit = added_mass_fit(f, added_kg, share)
    expected = 2 * math.sqrt(2) * share * (1 + mass / added_kg)
    assert math.sqrt(fit.log_covariance[0, 0]) == pytest.approx(expected, rel=2e-3)


def test_sway_and_pitch_have_two_inverses_and_both_are_named():
    """ω1² + ω2² = A(1 + mh²/I) + B, ω1²ω2² = AB with A = 4kx/m, B = 4kz·a²/I: a quadratic (derived).

    Numbers of a box after Harris' handbook ch. 3: 12 kg, kx = 8 kN/m, kz = 20 kN/m, 7.577 and 19.152 Hz.
    """
    mass, height, a = 12.0, 0.12, 0.2
    inertia = mass / 12 * (0.5**2 + 0.1**2)

    def build(p):
        feet = [
            Foot(
                x_m=x,
                y_m=y,
                stiffness_x_n_per_m=p["kx_n_per_m"],
                stiffness_y_n_per_m=1e6,
                stiffness_z_n_per_m=p["kz_n_per_m"],
                loss_factor=0.1,
            )
            for x in (-a, a)
            for y in (-0.15, 0.15)
        ]
        return Machine(
            frame=Frame.box(mass_kg=mass, centre_m=(0, 0, height), size_m=(0.5, 0.4, 0.1)),
            feet=feet,
            head=Head(mass_kg=1e-9, at_m=(0, 0, 0), mount=None),
            camera=Camera(at_m=(0.1, 0.0, 0.05), sight_m=0.1, target="bench"),
            panel=None,
            gravity_m_s2=0.0,
        )

    seen = [frequency(f, 1e-4, name, axis="x") for f, name in ((7.57718, "low"), (19.1516, "high"))]
    bounds = [Parameter(name=n, low=1e3, high=1e6) for n in ("kx_n_per_m", "kz_n_per_m")]
    fit = fit_machine([tap("box", build, *seen)], bounds, n_starts=64)
    squares = (2 * np.pi * np.array([7.57718, 19.1516])) ** 2
    lever = 1 + mass * height**2 / inertia
    solutions = [
        (sway * mass / 4, squares.prod() / sway * inertia / (4 * a**2))
        for sway in np.roots([lever, -squares.sum(), squares.prod()])
    ]
    assert min(abs(kx / 8e3 - 1) + abs(kz / 20e3 - 1) for kx, kz in solutions) < 1e-4
    found = tuple(fit.parameters().values())
    distance = [max(abs(np.log(np.array(found) / s))) for s in solutions]
    assert min(distance) < 1e-3
    other = solutions[int(np.argmax(distance))]
    [note] = [note for note in fit.notes if "another set" in note]
    assert f"kx_n_per_m = {other[0]:.3g}" in note and f"kz_n_per_m = {other[1]:.3g}" in note


# ---------------------------------------------------------------------------------- a machine in own matrices
FEET = [(x, y) for x in (-0.2, 0.22) for y in (-0.15, 0.14)]
HEAD_KG, HEAD, CAMERA = 0.8, (0.05, 0.02, 0.25), (0.01, 0.03, 0.05)
FRAME_KG, CENTRE, INERTIA = 9.0, (0.01, -0.02, 0.14), (0.25, 0.35, 0.40)
LONG, WIDE, THICK, DENSITY, POISSON = 0.42, 0.30, 0.003, 1190.0, 0.37
CORNER, N_PANEL = (-0.21, -0.15, 0.05), 6
MOVE = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=4.0, jerk_m_s3=400.0)
RANGES = {
    "foot_sideways_n_per_m": (5e3, 5e5),
    "foot_upright_n_per_m": (1e4, 1e6),
    "foot_loss_factor": (0.02, 0.5),
    "panel_modulus_pa": (5e8, 2e10),
    "panel_loss_factor": (0.01, 0.3),
}


def rows_at(point):
    x, y, z = point
    return np.array([[1, 0, 0, 0, z, -y], [0, 1, 0, -z, 0, x], [0, 0, 1, y, -x, 0]], dtype=float)


def body(mass, centre, inertia):
    rows = rows_at(centre)
    total = mass * rows.T @ rows
    total[3:, 3:] += np.diag(inertia)
    return total


def plate_modes(modulus):
    """A simply supported plate: (ω, shape at the camera, participation in the six motions of the frame)."""
    rigidity = modulus * THICK**3 / 12 / (1 - POISSON**2)
    mass = DENSITY * LONG * WIDE * THICK
    found = []
    for i in range(1, 9):
        for j in range(1, 9):
            omega = np.pi**2 * ((i / LONG) ** 2 + (j / WIDE) ** 2) * math.sqrt(rigidity / (DENSITY * THICK))
            size = 2 / math.sqrt(mass)
            at = size * math.sin(i * np.pi * (CAMERA[0] - CORNER[0]) / LONG)
            at *= math.sin(j * np.pi * (CAMERA[1] - CORNER[1]) / WIDE)
            even_x, even_y = LONG / (i * np.pi) * (1 - (-1) ** i), WIDE / (j * np.pi) * (1 - (-1) ** j)
            arm_x = CORNER[0] * even_x - LONG**2 / (i * np.pi) * (-1) ** i
            arm_y = CORNER[1] * even_y - WIDE**2 / (j * np.pi) * (-1) ** j
            part = DENSITY * THICK * size * np.array([0, 0, even_x * even_y, even_x * arm_y, -arm_x * even_y, 0])
            found.append((omega, at, part))
    return sorted(found, key=lambda mode: mode[0])[:N_PANEL]


def own_matrices(p, *, added_kg, panel):
    """Mass, stiffness, loss, camera rows and push of the head, without the lab's machine."""
    n = 6 + (N_PANEL if panel else 0)
    mass, stiff, loss, camera, push = (np.zeros(shape) for shape in ((n, n), (n, n), (n, n), (3, n), (3, n)))
    mass[:6, :6] = body(FRAME_KG + added_kg, CENTRE, INERTIA) + body(HEAD_KG, HEAD, np.zeros(3))
    for x, y in FEET:
        springs = np.array([p["foot_sideways_n_per_m"]] * 2 + [p["foot_upright_n_per_m"]])
        own = rows_at((x, y, 0)).T @ (springs[:, None] * rows_at((x, y, 0)))
        stiff[:6, :6] += own
        loss[:6, :6] += p["foot_loss_factor"] * own
    camera[:, :6], push[:, :6] = rows_at(CAMERA), -HEAD_KG * rows_at(HEAD)
    if panel:
        sheet = DENSITY * LONG * WIDE * THICK
        middle = (CORNER[0] + LONG / 2, CORNER[1] + WIDE / 2, CORNER[2])
        mass[:6, :6] += body(sheet, middle, sheet / 12 * np.array([WIDE**2, LONG**2, LONG**2 + WIDE**2]))
        for number, (omega, at, part) in enumerate(plate_modes(p["panel_modulus_pa"]), start=6):
            mass[number, number], stiff[number, number] = 1.0, omega**2
            loss[number, number] = p["panel_loss_factor"] * omega**2
            mass[number, :6] = mass[:6, number] = part
            camera[2, number] = at
    softening = 9.80665 * mass[0, 4]
    stiff[3, 3] -= softening
    stiff[4, 4] -= softening
    return mass, stiff, loss, camera, push


def own_modes(p, *, added_kg, panel):
    mass, stiff, loss, camera, push = own_matrices(p, added_kg=added_kg, panel=panel)
    squares, shapes = linalg.eigh(stiff, mass)
    damping = 0.5 * np.einsum("ir,ij,jr->r", shapes, loss, shapes) / squares
    return np.sqrt(squares) / (2 * np.pi), damping, camera @ shapes, push @ shapes


def constant(value):
    return MaterialNumber(value=value, interval=Interval(low=value, high=value, level=0.95), source="invented")


def lab_machine(added_kg, *, panel):
    mounts = {}

    def mount(modulus, loss):
        if (modulus, loss) not in mounts:
            sheet = Material(
                name="invented sheet",
                young_modulus_pa=constant(modulus),
                density_kg_m3=constant(DENSITY),
                poisson_ratio=constant(POISSON),
                loss_factor=constant(loss),
                creep_factor=constant(0.0),
            )
            plate = Panel(
                length_m=LONG,
                width_m=WIDE,
                thickness_m=THICK,
                material=sheet,
                edges=Edges.all("supported"),
                supports=(),
                masses=(),
                holes=None,
            )
            mounts[modulus, loss] = PanelMount(panel=plate, corner_m=CORNER, on_bench=(), n_modes=N_PANEL)
        return mounts[modulus, loss]

    def build(p):
        sideways, upright = p["foot_sideways_n_per_m"], p["foot_upright_n_per_m"]
        feet = [
            Foot(
                x_m=x,
                y_m=y,
                stiffness_x_n_per_m=sideways,
                stiffness_y_n_per_m=sideways,
                stiffness_z_n_per_m=upright,
                loss_factor=p["foot_loss_factor"],
            )
            for x, y in FEET
        ]
        return Machine(
            frame=Frame(mass_kg=FRAME_KG + added_kg, centre_m=CENTRE, inertia_kg_m2=INERTIA),
            feet=feet,
            head=Head(mass_kg=HEAD_KG, at_m=HEAD, mount=None),
            camera=Camera(at_m=CAMERA, sight_m=0.0, target="bench"),
            panel=mount(p["panel_modulus_pa"], p["panel_loss_factor"]) if panel else None,
        )

    return build


def true_parameters(rng, names):
    """Drawn from the inner 70 % of the bounds, on a logarithmic scale."""
    places = {name: rng.uniform(0.15, 0.85) for name in names}
    return {name: RANGES[name][0] * (RANGES[name][1] / RANGES[name][0]) ** place for name, place in places.items()}


def synthetic_runs(p, rng, *, panel, masses=(0.0, 3.0, 6.0), n_modes=4):
    """Frequencies (0.2 %) and damping ratios (4 %) of the modes that show most, in shuffled order."""
    cases = []
    for added_kg in masses:
        f, damping, camera, push = own_modes(p, added_kg=added_kg, panel=panel)
        loud = np.linalg.norm(push[0] * camera, axis=0)
        shown = [n for n in np.argsort(-loud)[:n_modes] if loud[n] > 1e-3 * loud.max()]
        seen = []
        for n in rng.permutation(shown):
            seen.append(frequency(f[n], 0.002, str(n), rng=rng))
            zeta = measured(damping[n], 0.04, rng=rng)
            seen.append(Observation(quantity="damping_ratio", value=zeta, mode=str(n)))
        build = lab_machine(added_kg, panel=panel)
        cases.append(Case(name=f"+{added_kg} kg", build=build, profile=MOVE, move_axis="x", observations=tuple(seen)))
    return cases


def recover(seeds, *, panel, n_starts):
    names = [name for name in RANGES if panel or "panel" not in name]
    bounds = [Parameter(name=name, low=RANGES[name][0], high=RANGES[name][1]) for name in names]
    errors, covered = [], []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        p = true_parameters(rng, names)
        fit = fit_machine(synthetic_runs(p, rng, panel=panel), bounds, n_starts=n_starts, seed=seed)
        assert fit.converged
        errors.append([abs(math.log(fit.estimates[name].value / p[name])) for name in names])
        covered.append([fit.estimates[name].interval.contains(p[name]) for name in names])
    return dict(zip(names, np.array(errors).T)), np.array(covered)


@pytest.mark.parametrize("panel, seeds, n_starts", [(False, range(4), 32), (True, range(20, 21), 128)])
def test_parameters_are_recovered_from_runs_at_three_masses(panel, seeds, n_starts):
    """Median error ≤ 1 % (stiffness), ≤ 3 % (damping), nothing in a wrong basin, intervals that cover.

    Frequencies at a factor of 40 to 100 between the bounds; a wrong basin is off by tens of per cent.
    """
    errors, covered = recover(seeds, panel=panel, n_starts=n_starts)
    for name, error in errors.items():
        damping = "loss" in name
        assert np.median(error) <= (0.03 if damping else 0.01), name
        assert error.max() < (0.25 if damping else 0.1), name
    assert covered.mean() >= 0.8


@pytest.mark.parametrize("panel", [False, True])
def test_the_model_in_a_case_against_integration_step_by_step(panel):
    """Amplitude, settling, blur and push of the own matrices, modal damping, scipy's solve_ivp."""
    p = {name: math.sqrt(low * high) for name, (low, high) in RANGES.items()}
    f, damping, camera, push = own_modes(p, added_kg=2.0, panel=panel)
    omega = 2 * np.pi * f

    def rate(t, state):
        q, v = state.reshape(2, -1)
        return np.concatenate([v, push[0] * float(MOVE.acceleration_m_s2(t)) - 2 * damping * omega * v - omega**2 * q])

    state = np.zeros(2 * omega.size)
    for start, stop in zip(MOVE.breaks_s[:-1], MOVE.breaks_s[1:]):
        inside = (start, np.nextafter(stop, 0.0))
        state = integrate.solve_ivp(rate, inside, state, rtol=1e-9, atol=1e-15, method="DOP853").y[:, -1]
    poles = omega * (-damping + 1j * np.sqrt(1 - damping**2))
    q, v = state.reshape(2, -1)
    ringing = camera * (q + 1j * (-v - damping * omega * q) / poles.imag)  # Re A·exp(λt) from q and q̇

    time = np.linspace(0.0, 4.0, 400_001)
    loud = int(np.argmax(np.abs(ringing[0])))

    def trace_at(time):
        return (ringing[0][:, None] * np.exp(np.outer(poles, time))).real.sum(axis=0)

    tolerance = 0.05 * np.abs(ringing[0]).sum()
    last = time[np.flatnonzero(np.abs(trace_at(time)) > tolerance)[-1]]
    shot = trace_at(np.linspace(0.05, 0.065, 20_001))
    build = lab_machine(2.0, panel=panel)
    machine = build(p)
    number = int(np.argmin(np.abs(machine.modes.frequencies_hz - f[loud])))
    asked = {"value": Estimate.unknown(), "axis": "x"}
    seen = (
        Observation(quantity="residual_amplitude_m", mode="a", **asked),
        Observation(quantity="blur_m", wait_s=0.05, exposure_s=0.015, **asked),
        Observation(quantity="stiffness_n_per_m", relative_to="bench", **asked),
        Observation(quantity="settling_s", tolerance_m=tolerance, **asked),
        Observation(quantity="frequency_hz", mode="a", **asked),
    )
    case = Case(name="run", build=build, profile=MOVE, move_axis="x", observations=seen)
    amplitude, blur, stiffness, settling, found = case_values(Look(case=case, machine=machine), {"a": number})
    assert found == pytest.approx(f[loud], rel=1e-8)
    assert amplitude == pytest.approx(abs(ringing[0, loud]), rel=1e-6)
    assert blur == pytest.approx(shot.std(), rel=1e-3)
    _, stiff, _, rows, _ = own_matrices(p, added_kg=2.0, panel=panel)
    assert stiffness == pytest.approx(1 / (rows[0] @ np.linalg.solve(stiff, rows[0])), rel=1e-8)
    assert abs(settling - last) <= 0.3 / f[loud]  # a last crossing lies within a quarter of a period of its mean
