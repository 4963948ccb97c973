"""Panels: laws that hold exactly, limits, modes as a machine model needs them, and refusals."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.base import Estimate, Interval
from labkit.model.materials import material
from labkit.model.panel import Panel
from labkit.model.panel_parts import Edges, PointMass, PointSupport
from labkit.model.panel_ranges import over_ranges, young_modulus_from_panel

INF, G = math.inf, 9.80665
L, W = 0.42, 0.30
CAMERA = (0.21, 0.15)


def foot(x, y, stiffness=INF, loss=math.nan):
    return PointSupport(x_m=x, y_m=y, stiffness_n_per_m=stiffness, loss_factor=loss)


def corner_feet(stiffness=INF, loss=math.nan):
    return tuple(foot(x, y, stiffness, loss) for x in (0.0, L) for y in (0.0, W))


def mass(x, y, kg):
    return PointMass(x_m=x, y_m=y, mass_kg=kg)


def make(supports=None, masses=(), edges=None, name="mild steel", thickness=0.003):
    return Panel(
        length_m=L,
        width_m=W,
        thickness_m=thickness,
        material=material(name),
        edges=edges or Edges(),
        supports=corner_feet() if supports is None else supports,
        masses=masses,
        holes=None,
    )


def quadrature(count=40):
    nodes, weights = np.polynomial.legendre.leggauss(count)
    x, y = np.meshgrid(0.5 * L * (1 + nodes), 0.5 * W * (1 + nodes), indexing="ij")
    return np.column_stack([x.ravel(), y.ravel()]), np.outer(weights, weights).ravel() * L * W / 4


# ----------------------------------------------------------------------------------------------------- laws, statics
@pytest.mark.parametrize("name", ["mild steel", "birch plywood"])
def test_reciprocity(name):
    panel = make([*corner_feet(2e5), foot(0.13, 0.2, 5e4)], name=name)
    there = (0.31, 0.04)
    one, two = panel.compliance_m_per_n(CAMERA, load_m=there), panel.compliance_m_per_n(there, load_m=CAMERA)
    assert one == pytest.approx(two, rel=1e-9)


def test_stiffness_goes_with_the_cube_of_thickness_on_rigid_feet():
    thin, thick = make(), make(thickness=0.006)
    assert thick.stiffness_n_per_m(CAMERA) / thin.stiffness_n_per_m(CAMERA) == pytest.approx(8.0, rel=1e-9)
    np.testing.assert_allclose(thick.frequencies_hz(5) / thin.frequencies_hz(5), 2.0, rtol=1e-9)


def test_soft_feet_add_in_series():
    """Four equal feet and a load in the middle: a quarter of each foot's compliance adds to the panel's own."""
    rigid, soft = make().compliance_m_per_n(CAMERA), make(corner_feet(1e5)).compliance_m_per_n(CAMERA)
    assert soft - rigid == pytest.approx(1.0 / 4e5, rel=1e-7)


def test_very_soft_feet_carry_a_rigid_body():
    panel = make(corner_feet(50.0), masses=[mass(0.21, 0.15, 0.4)], thickness=0.012)
    total = panel.mass_kg + 0.4
    assert panel.frequencies_hz(3).min() > 0
    frequencies = panel.frequencies_hz(3)
    assert np.min(np.abs(frequencies / (math.sqrt(200.0 / total) / (2 * math.pi)) - 1)) < 1e-4
    inertia = panel.mass_kg * W**2 / 12  # thin plate about its middle line; the mass sits on the line
    assert np.min(np.abs(frequencies / (math.sqrt(200.0 * (W / 2) ** 2 / inertia) / (2 * math.pi)) - 1)) < 1e-4


def test_rigid_foot_does_not_move_and_is_the_limit_of_a_stiff_one():
    extra = (0.18, 0.12)
    rigid = make([*corner_feet(), foot(*extra)])
    assert rigid.stiffness_n_per_m(extra) == INF
    assert abs(rigid.compliance_m_per_n(extra, load_m=CAMERA)) < 1e-12 * rigid.compliance_m_per_n(CAMERA)
    stiff = make([*corner_feet(), foot(*extra, 1e13)])
    assert stiff.compliance_m_per_n(CAMERA) == pytest.approx(rigid.compliance_m_per_n(CAMERA), rel=1e-6)
    np.testing.assert_allclose(stiff.frequencies_hz(6), rigid.frequencies_hz(6), rtol=1e-6)


@given(
    exponents=st.lists(st.floats(-2, 14), min_size=1, max_size=5),
    seed=st.integers(0, 10_000),
)
@settings(max_examples=40, deadline=None, derandomize=True)
def test_any_feet_stiffen(exponents, seed):
    """Springs from 0.01 N/m to 10¹⁴ N/m anywhere: compliance stays positive, falls, and no frequency falls."""
    rng = np.random.default_rng(seed)
    places = np.round(rng.uniform([0.01, 0.01], [L - 0.01, W - 0.01], (len(exponents), 2)), 3)
    feet = [foot(x, y, 10.0**e) for (x, y), e in zip(np.unique(places, axis=0), exponents)]
    before, after = make(masses=[mass(*CAMERA, 0.3)]), make([*corner_feet(), *feet], masses=[mass(*CAMERA, 0.3)])
    compliance = after.compliance_m_per_n(CAMERA)
    limit = before.compliance_m_per_n(CAMERA)
    assert -1e-9 * limit <= compliance <= limit * (1 + 1e-9)
    assert np.all(after.frequencies_hz(5) >= before.frequencies_hz(5) * (1 - 1e-6))


def test_sag_carries_the_weight():
    panel = make([*corner_feet(3e5), foot(0.2, 0.1, 1e5)], masses=[mass(0.3, 0.2, 0.7), mass(0.1, 0.1, 0.2)])
    sag = panel.sag([CAMERA])
    assert sag.support_forces_n.sum() == pytest.approx((panel.mass_kg + 0.9) * G, rel=1e-9)
    lever = sum(force * s.x_m for force, s in zip(sag.support_forces_n, panel.supports))
    assert lever == pytest.approx(G * (panel.mass_kg * L / 2 + 0.7 * 0.3 + 0.2 * 0.1), rel=1e-9)


def test_sag_of_the_foot_is_its_force_over_its_stiffness():
    panel = make([*corner_feet(3e4), foot(0.2, 0.1, 1e5)], masses=[mass(0.3, 0.2, 0.7)])
    sag = panel.sag([(s.x_m, s.y_m) for s in panel.supports])
    np.testing.assert_allclose(sag.short_term_m, sag.support_forces_n / [3e4, 3e4, 3e4, 3e4, 1e5], rtol=1e-8)


def test_creep_multiplies_the_panel_but_not_the_feet():
    factor = 1.0 + material("hardboard").creep_factor.value
    rigid = make(name="hardboard", thickness=0.006).sag([CAMERA])
    assert rigid.long_term_m[0] / rigid.short_term_m[0] == pytest.approx(factor, rel=1e-9)
    soft = make(corner_feet(2e3), name="hardboard", thickness=0.006).sag([CAMERA])
    in_feet = soft.short_term_m[0] - rigid.short_term_m[0]
    assert soft.long_term_m[0] == pytest.approx(factor * rigid.short_term_m[0] + in_feet, rel=1e-6)


def test_deflection_map_agrees_with_points():
    panel = make([*corner_feet(), foot(0.21, 0.075)])
    deflection = panel.deflection_map([(0.21, 0.15, 2.0), (0.07, 0.25, -1.0)], n_along=25, n_across=21)
    assert deflection.deflection_m.shape == (25, 21)
    for i, j in ((0, 0), (12, 10), (4, 17), (12, 5), (20, 3)):
        at = (deflection.x_m[i], deflection.y_m[j])
        point = 2 * panel.compliance_m_per_n(at, load_m=CAMERA) - panel.compliance_m_per_n(at, load_m=(0.07, 0.25))
        # The local dip is cut off ten radians from each force: 1e-4 of the compliance under the load.
        assert deflection.deflection_m[i, j] == pytest.approx(point, abs=2e-4 * panel.compliance_m_per_n(CAMERA))


# ----------------------------------------------------------------------------------------------------- laws, dynamics
@pytest.mark.parametrize(
    "supports, masses",
    [
        (corner_feet(), ()),
        ((*corner_feet(), foot(0.24, 0.15)), (mass(*CAMERA, 0.5), mass(0.3, 0.06, 0.2))),
        (corner_feet(5e3), (mass(*CAMERA, 2.0),)),
    ],
)
def test_modes_are_mass_normalised_and_orthogonal(supports, masses):
    panel = make(supports, masses)
    modes = panel.modes(8)
    places, weights = quadrature()
    shapes = modes.shapes(places)
    product = (shapes * weights[:, None]).T @ shapes * panel.mass_kg / (L * W)
    for rider in masses:
        there = modes.shapes([(rider.x_m, rider.y_m)])[0]
        product += rider.mass_kg * np.outer(there, there)
    np.testing.assert_allclose(product, np.eye(8), atol=2e-4)


def test_participation_is_the_integral_it_claims():
    panel = make([*corner_feet(1e5), foot(0.1, 0.1)], masses=[mass(0.3, 0.2, 0.5)])
    modes = panel.modes(10)
    places, weights = quadrature()
    levers = lambda p: np.column_stack([np.ones(len(p)), p[:, 0] - L / 2, p[:, 1] - W / 2])  # noqa: E731
    expected = (levers(places) * weights[:, None]).T @ modes.shapes(places) * panel.mass_kg / (L * W)
    expected += 0.5 * levers(np.array([[0.3, 0.2]])).T @ modes.shapes([(0.3, 0.2)])
    np.testing.assert_allclose(modes.participation, expected, atol=2e-4 * math.sqrt(panel.mass_kg))


def test_effective_masses():
    """Supported plate, mode (1, 1): 64/π⁴ of the mass (exact); all modes together never exceed the mass."""
    panel = make((), edges=Edges.all("supported"))
    masses = panel.modes(16).effective_masses_kg
    assert masses[0] / panel.mass_kg == pytest.approx(64 / math.pi**4, rel=1e-9)
    assert masses[0] < masses.sum() < panel.mass_kg


def test_rigid_foot_and_mass_on_it():
    with_mass = make([*corner_feet(), foot(*CAMERA)], masses=[mass(*CAMERA, 3.0)])
    np.testing.assert_allclose(with_mass.frequencies_hz(5), make([*corner_feet(), foot(*CAMERA)]).frequencies_hz(5))


def test_shape_is_nothing_at_a_rigid_foot_and_one_at_most_on_the_map():
    modes = make([*corner_feet(), foot(0.15, 0.1)]).modes(6)
    assert np.abs(modes.shapes([(0.15, 0.1), (0.0, 0.0)])).max() < 1e-9 * np.abs(modes.shapes([CAMERA])).max()
    chart = modes.shape_map(0, n_along=15, n_across=11)
    assert chart.max() == 1.0 and chart.shape == (15, 11)


def test_modes_and_residual_make_the_static_compliance():
    panel = make([*corner_feet(1e5), foot(0.15, 0.1)], masses=[mass(*CAMERA, 0.5)])
    modes, points = panel.modes(7), [CAMERA, (0.3, 0.25)]
    shapes, omega2 = modes.shapes(points), (2 * np.pi * modes.frequencies_hz) ** 2
    whole = (shapes / omega2) @ shapes.T + modes.residual_flexibility(points)
    assert whole[0, 1] == pytest.approx(panel.compliance_m_per_n(points[0], load_m=points[1]), rel=1e-9)
    assert 0 < modes.residual_flexibility(points)[0, 0] < 0.05 * whole[0, 0]


def test_modal_mass_is_seen_at_the_point():
    modes = make((), edges=Edges.all("supported")).modes(1)
    sheet = make().mass_kg
    assert modes.modal_masses_kg(CAMERA)[0] == pytest.approx(sheet / 4, rel=1e-9)
    assert modes.modal_masses_kg((L / 4, W / 2))[0] == pytest.approx(sheet / 2, rel=1e-9)


def test_receptance_against_the_exact_series():
    """Supported plate with structural damping: the double sine series is exact at every frequency."""
    panel = make((), edges=Edges.all("supported"))
    frequency = np.linspace(0.0, 1.5 * panel.frequencies_hz(8)[-1], 60)
    at, load = (0.13, 0.2), (0.3, 0.11)
    found = panel.receptance(frequency, at_m=at, load_m=load, loss_factor=0.03).receptance_m_per_n
    m, n = np.meshgrid(np.arange(1, 120), np.arange(1, 120), indexing="ij")
    stiffness = panel.rigidity.along * np.pi**4 * ((m / L) ** 2 + (n / W) ** 2) ** 2
    area_mass = panel.mass_kg / (L * W)
    sines = [np.sin(m * np.pi * x / L) * np.sin(n * np.pi * y / W) for x, y in (at, load)]
    bottom = stiffness * (1 + 0.03j) - area_mass * (2 * np.pi * frequency[:, None, None]) ** 2
    exact = (4 / (L * W) * sines[0] * sines[1] / bottom).sum(axis=(1, 2))
    np.testing.assert_allclose(found, exact, atol=5e-4 * np.abs(exact[0]))


@pytest.mark.parametrize("supports", [corner_feet(), (*corner_feet(1e5), foot(0.15, 0.1))])
def test_receptance_starts_static_and_follows_the_modes(supports):
    """At 0 Hz it is the compliance; with one small η for all, the modal sum and its residual give the same curve."""
    panel = make(supports, masses=[mass(*CAMERA, 0.5), mass(0.3, 0.2, 0.1)])
    load, modes = (0.3, 0.25), panel.modes(16)
    frequency = np.linspace(0.0, 0.3 * modes.frequencies_hz[-1], 50)
    found = panel.receptance(frequency, at_m=CAMERA, load_m=load, loss_factor=1e-3).receptance_m_per_n
    assert found[0].real == pytest.approx(panel.compliance_m_per_n(CAMERA, load_m=load), rel=1e-4)
    omega2, shapes = (2 * np.pi * modes.frequencies_hz) ** 2, modes.shapes([CAMERA, load])
    bottom = omega2 * (1 + 1e-3j) - (2 * np.pi * frequency[:, None]) ** 2
    modal = (shapes[0] * shapes[1] / bottom).sum(axis=1) + modes.residual_flexibility([CAMERA, load])[0, 1]
    np.testing.assert_allclose(found, modal, atol=0.01 * np.abs(found[0]))


def test_loss_factor_follows_the_strain_energy():
    aluminium = material("aluminium").loss_factor.value
    rigid = make(name="aluminium").modes(4).loss_factors
    np.testing.assert_allclose(rigid, aluminium, rtol=1e-12)
    soft = make(corner_feet(200.0, 0.2), name="aluminium").modes(1).loss_factors
    assert soft[0] == pytest.approx(0.2, rel=0.02)
    between = make(corner_feet(2e5, 0.2), name="aluminium").modes(1).loss_factors[0]
    assert aluminium < between < 0.2


# ------------------------------------------------------------------------------------------------ ranges, measurement
def test_over_ranges_of_one_number():
    """Only E uncertain by ±10 %: the compliance on rigid feet moves as 1/E, the frequency as √E."""
    sheet = material("aluminium")
    exact = {
        name: Estimate.from_standard_error(getattr(sheet, name).value, 0.0, dof=INF)
        for name in ("density_kg_m3", "poisson_ratio", "loss_factor", "creep_factor")
    }
    young = Estimate(value=70e9, standard_error=3.57e9, interval=Interval(low=63e9, high=77e9, level=0.95))
    panel = replace(make(), material=sheet.measured(source="test", young_modulus_pa=young, **exact))
    compliance = over_ranges(panel, lambda p: p.compliance_m_per_n(CAMERA))
    assert compliance.interval.low / compliance.value == pytest.approx(1 / 1.1, rel=1e-9)
    assert compliance.interval.high / compliance.value == pytest.approx(1 / 0.9, rel=1e-9)
    thick = over_ranges(
        panel, lambda p: p.compliance_m_per_n(CAMERA), thickness_m=Interval(low=2.9e-3, high=3.1e-3, level=0.95)
    )
    up = math.hypot(1 / 0.9 - 1, (3 / 2.9) ** 3 - 1)
    assert thick.interval.high / thick.value == pytest.approx(1 + up, rel=1e-6)
    unknown = replace(panel, material=sheet.measured(source="guess", young_modulus_pa=Estimate.unknown(70e9)))
    assert not over_ranges(unknown, lambda p: p.compliance_m_per_n(CAMERA)).interval.known
    irrelevant = replace(panel, material=panel.material.measured(source="guess", loss_factor=Estimate.unknown(1e-3)))
    assert over_ranges(irrelevant, lambda p: p.compliance_m_per_n(CAMERA)).interval == compliance.interval


@pytest.mark.parametrize("name", ["cast acrylic", "birch plywood"])
def test_modulus_from_a_push_on_the_panel(name):
    """A panel 20 % softer than the table on soft feet: the push gives the true modulus back."""
    feet, truth = corner_feet(3e4), material(name).scaled(0.8)
    true_panel = replace(make(feet, thickness=0.006), material=truth)
    pushed = true_panel.stiffness_n_per_m(CAMERA)
    push = Estimate.from_standard_error(pushed, 0.01 * pushed, dof=INF)
    found = young_modulus_from_panel(push, panel=make(feet, name=name, thickness=0.006), at_m=CAMERA)
    assert found.value == pytest.approx(truth.young_modulus_pa.value, rel=1e-6)
    assert found.interval.contains(truth.young_modulus_pa.value)
    assert found.standard_error / found.value > 0.01  # feet in series: the modulus is known worse than the push


def test_a_push_stiffer_than_the_feet_is_refused():
    push = Estimate.unknown(1e6)
    with pytest.raises(ValueError, match="cannot come from this panel"):
        young_modulus_from_panel(push, panel=make(corner_feet(1e3)), at_m=CAMERA)


# --------------------------------------------------------------------------------------------- refusals and cautions
@pytest.mark.parametrize(
    "build, match",
    [
        (lambda: make(thickness=-1.0), "thickness_m is -1.0"),
        (lambda: make([foot(0.5, 0.1)]), "x of support 0 is 0.5"),
        (lambda: make(masses=[mass(0.1, -0.1, 1.0)]), "y of mass 0"),
        (lambda: make(masses=[mass(0.1, 0.1, 0.0)]), "mass_kg"),
        (lambda: make([foot(0.1, 0.1, 0.0)]), "or leave the foot out"),
        (lambda: make([foot(0.1, 0.1), foot(0.1, 0.1)]), "two supports stand at the same point"),
        (lambda: make(edges=Edges(left="glued")), "left edge is 'glued'"),
        (lambda: make([foot(0.0, 0.1)], edges=Edges.all("clamped")).frequencies_hz(1), "stands on a held edge"),
        (lambda: make([foot(0.2, 0.1), foot(0.2 + 1e-9, 0.1)]).frequencies_hz(1), "too close together"),
        (lambda: make(()).compliance_m_per_n(CAMERA), "can rise or rock"),
        (lambda: make([foot(0.0, 0.0), foot(L, W)]).compliance_m_per_n(CAMERA), "can rise or rock"),
        (lambda: make([foot(x, 0.1) for x in (0.0, 0.2, 0.4)]).sag([CAMERA]), "can rise or rock"),
        (lambda: make([foot(0.0, 0.1)], edges=Edges(left="supported")).sag([CAMERA]), "stands on a held edge"),
        (lambda: make().compliance_m_per_n((0.1, 0.4)), "y of point 0"),
        (lambda: make().modes(0), "count"),
        (lambda: make().modes(40), "count"),
        (lambda: make().deflection_map([(0.1, 0.1, 1.0, 2.0)]), "loads_n have 4 numbers"),
        (lambda: make().modes(3).shapes([(1.0, 0.1)]), "outside the panel"),
        (lambda: make(()).modes(5).residual_flexibility([CAMERA]), "free to move as a whole"),
        (lambda: replace(make(), width_m=0.01, supports=()), "treat it as a beam"),
        (
            lambda: make(corner_feet(1e4)).receptance([10.0], at_m=CAMERA, load_m=CAMERA),
            "loss factor of a support is unknown",
        ),
    ],
)
def test_refuses(build, match):
    with pytest.raises(ValueError, match=match):
        build()


def test_feet_just_apart_still_work():
    """Neighbouring rigid feet down to 1 mm: finite, and softer than with none."""
    single = make([*corner_feet(), foot(0.2, 0.1)])
    for gap in (0.02, 0.005, 0.001):
        pair = make([*corner_feet(), foot(0.2, 0.1), foot(0.2 + gap, 0.1)])
        assert 0 < pair.compliance_m_per_n(CAMERA) < single.compliance_m_per_n(CAMERA)
        assert pair.frequencies_hz(1)[0] >= single.frequencies_hz(1)[0] * (1 - 1e-9)


def test_edge_supported_plate_with_one_free_tilt_needs_one_foot():
    panel = make([foot(0.4, 0.15, 1e4)], edges=Edges(left="supported"))
    assert panel.compliance_m_per_n(CAMERA) > 0
    assert make((), edges=Edges(left="supported")).frequencies_hz(2)[0] == 0.0


@pytest.mark.parametrize("kind", ["supported", "clamped"])
def test_held_edge_does_not_move(kind):
    panel = make((), edges=Edges.all(kind))
    assert panel.stiffness_n_per_m((0.0, 0.1)) == INF
    assert abs(panel.compliance_m_per_n((L, 0.1), load_m=CAMERA)) < 1e-12 * panel.compliance_m_per_n(CAMERA)


def test_cautions():
    assert make().cautions == ()
    assert "above 1/20" in make(thickness=0.016).cautions[0]
    heavy = make(masses=[mass(*CAMERA, 20.0)]).sag([CAMERA])
    assert any("half the thickness" in caution for caution in heavy.cautions)
    lifting = make([*corner_feet(), foot(0.05, 0.05)], masses=[mass(*CAMERA, 1.0)]).sag([CAMERA])
    assert any("support 0 would have to pull" in caution for caution in lifting.cautions)
    assert make().sag([CAMERA]).cautions == ()
