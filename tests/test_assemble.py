"""A machine from the facts of its run."""

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.model.assemble import machine_from_facts, panel_from_facts, parameter_names
from labkit.model.machine_parts import Frame
from labkit.runs.facts import LayoutFacts, MoveFacts, PanelFacts, RunFacts
from labkit.runs.runfile import facts_of, read_run_file

PARAMETERS = {"foot_stiffness_x_n_per_m": 3e4, "foot_stiffness_z_n_per_m": 9e4, "foot_loss_factor": 0.1}
FACTS = RunFacts(
    title="bench",
    frame_mass_kg=22.0,
    head_mass_kg=0.6,
    panel=PanelFacts(material="hardboard", thickness_m=0.004, length_m=0.3, width_m=0.3),
    move=MoveFacts(axis="x"),
    layout=LayoutFacts(
        frame_size_m=(0.5, 0.45, 0.4),
        frame_centre_m=(0.25, 0.225, 0.12),
        feet_m=((0.02, 0.02), (0.48, 0.02), (0.02, 0.43), (0.48, 0.43)),
        head_m=(0.33, 0.225, 0.26),
        panel_corner_m=(0.1, 0.075, 0.06),
        panel_supports_m=((0.1, 0.075), (0.4, 0.075), (0.1, 0.375), (0.4, 0.375)),
        camera_m=(0.25, 0.225),
        camera_mass_kg=0.15,
        sight_m=0.08,
        camera_target="bench",
    ),
)


def changed(**fields):
    layout = {k: v for k, v in fields.items() if hasattr(FACTS.layout, k)}
    rest = {k: v for k, v in fields.items() if k not in layout}
    return replace(FACTS, layout=replace(FACTS.layout, **layout), **rest)


def test_all_masses_stand_on_the_feet():
    assert machine_from_facts(FACTS, PARAMETERS).mass_kg == pytest.approx(22.6)
    ballast = changed(ballast_kg=6.0, ballast_m=(0.25, 0.225, 0.03), frame_mass_kg=28.0)
    assert machine_from_facts(ballast, PARAMETERS).mass_kg == pytest.approx(28.6)


def test_horizontal_recoil_is_that_of_the_feet():
    """Head at the height of the feet: no tilt, and a frame that recoils by m·a/Σk."""
    low = changed(head_m=(0.25, 0.225, 0.0), camera_target="bench")
    moved = machine_from_facts(low, PARAMETERS).static_m_per_m_s2("x")
    assert moved[0] == pytest.approx(0.6 / (4 * 3e4), rel=2e-2)  # gravity softens the tilting a little


def test_panel_modes_follow_the_modulus():
    soft, stiff = (
        panel_from_facts(FACTS, {"young_modulus_pa of hardboard": modulus}).frequencies_hz(1)[0]
        for modulus in (3e9, 12e9)
    )
    assert stiff == pytest.approx(2.0 * soft, rel=1e-9)


def test_a_foot_on_the_bench_holds_the_camera():
    foot = changed(panel_feet_m=((0.25, 0.225),))
    with pytest.raises(ValueError, match="panel_foot_stiffness_n_per_m"):
        machine_from_facts(foot, PARAMETERS)
    parameters = PARAMETERS | {"panel_foot_stiffness_n_per_m": 1e5, "panel_foot_loss_factor": 0.2}
    bare, held = machine_from_facts(FACTS, PARAMETERS), machine_from_facts(foot, parameters)
    assert held.panel.on_bench == (4,)
    assert held.panel.modes.frequencies_hz[0] > 1.3 * bare.panel.modes.frequencies_hz[0]


def test_missing_facts_name_their_keys():
    with pytest.raises(ValueError, match=r"'bench'.*frame_size_mm in \[machine\].*target in \[camera\]"):
        machine_from_facts(changed(frame_size_m=(math.nan,) * 3, camera_target=""), PARAMETERS)
    with pytest.raises(ValueError, match=r"ballast_at_mm in \[machine\]"):
        machine_from_facts(changed(ballast_kg=2.0), PARAMETERS)
    with pytest.raises(ValueError, match="weigh everything but the head"):
        machine_from_facts(changed(frame_mass_kg=0.3), PARAMETERS)


def test_what_lies_off_the_panel_is_named():
    with pytest.raises(ValueError, match=r"the camera is at \(450, 225\) mm, off the panel.*100 to 400 mm along x"):
        machine_from_facts(changed(camera_m=(0.45, 0.225)), PARAMETERS)
    with pytest.raises(ValueError, match="a support is at"):
        machine_from_facts(changed(panel_supports_m=((0.0, 0.0), (0.4, 0.075), (0.1, 0.375))), PARAMETERS)


def test_parameters_are_checked():
    with pytest.raises(ValueError, match="do you mean foot_stiffness_x_n_per_m"):
        machine_from_facts(FACTS, PARAMETERS | {"foot_stifness_x_n_per_m": 1.0})
    with pytest.raises(ValueError, match="lack foot_stiffness_z_n_per_m"):
        machine_from_facts(FACTS, {"foot_stiffness_x_n_per_m": 3e4})
    other = PARAMETERS | {"young_modulus_pa of steel": 2e11}  # of another run of the series
    assert machine_from_facts(FACTS, other).mass_kg == pytest.approx(22.6)
    assert "head_mount_stiffness_n_per_m" in parameter_names(FACTS)


def test_joined_bodies_have_the_inertia_of_all_their_points():
    rng = np.random.default_rng(5)
    bodies = []
    for _ in range(2):
        box = Frame.box(
            mass_kg=rng.uniform(1, 9), centre_m=tuple(rng.normal(size=3)), size_m=tuple(rng.uniform(1, 2, 3))
        )
        bodies.append(box)
    nodes = np.polynomial.legendre.leggauss(2)[0]  # exact for the second moments of a box
    points, masses = [], []
    for body in bodies:
        x, y, z = np.array(body.inertia_kg_m2) * 12 / body.mass_kg
        size = np.sqrt(np.array([y + z - x, x + z - y, x + y - z]) / 2)
        grid = np.array(np.meshgrid(nodes, nodes, nodes)).reshape(3, -1).T
        points.append(np.array(body.centre_m) + 0.5 * size * grid)
        masses.append(np.full(8, body.mass_kg / 8))
    points, masses = np.vstack(points), np.concatenate(masses)
    centre = masses @ points / masses.sum()
    arms = points - centre
    inertia = np.einsum(
        "n,nij->ij", masses, (arms**2).sum(1)[:, None, None] * np.eye(3) - arms[:, :, None] * arms[:, None]
    )
    whole = bodies[0].joined(bodies[1])
    np.testing.assert_allclose(whole.centre_m, centre, rtol=1e-12)
    np.testing.assert_allclose(whole.inertia_matrix_kg_m2, inertia, rtol=1e-12, atol=1e-12)


def test_layout_from_a_run_file(tmp_path):
    path = tmp_path / "run.toml"
    path.write_text(
        "[machine]\nfeet_mm = [[20, 20], [480, 20], [250, 430]]\nhead_at_mm = [330, 225, 260]\n"
        '[panel]\nfeet_mm = [[250, 225.5]]\n[camera]\ntarget = "head"\nmass_g = 150\n'
    )
    layout = facts_of(read_run_file(path)).layout
    assert layout.feet_m[2] == pytest.approx((0.25, 0.43))
    assert layout.panel_feet_m[0] == pytest.approx((0.25, 0.2255))
    assert layout.head_m == pytest.approx((0.33, 0.225, 0.26))
    assert (layout.camera_target, layout.camera_mass_kg) == ("head", 0.15)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("feet_mm = [20, 20]", r"a list of pairs \[x, y\]"),
        ("head_at_mm = [330, 225]", r"three numbers \[x, y, z\]"),
        ("frame_size_mm = [500, 0, 400]", "three numbers above 0"),
        ("ballast_kg = -1", "a number of 0 or more"),
    ],
)
def test_layout_errors_name_the_line(tmp_path, line, words):
    path = tmp_path / "run.toml"
    path.write_text(f"[machine]\n{line}\n")
    with pytest.raises(ValueError, match=rf"line 2.*{words}"):
        facts_of(read_run_file(path))
