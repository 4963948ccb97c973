"""Panels against published values, exact series and plate finite elements of another library."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.sparse.linalg import eigsh, splu

from labkit.base import Estimate, Interval
from labkit.model.grid import HoleArray
from labkit.model.materials import Material, MaterialNumber, material, plate_rigidity
from labkit.model.panel import Panel
from labkit.model.panel_parts import Edges, PointMass, PointSupport
from labkit.model.strip import strip_modulus_from_push, strip_modulus_from_tap

skfem = pytest.importorskip("skfem")
from skfem.helpers import dd  # noqa: E402

INF = math.inf
RATIOS = np.array([1.0, 1.2, 1.4, 1.6, 2.0, 3.0])


def number(value):
    return MaterialNumber(value=value, interval=Interval(low=value, high=value, level=0.95), source="test")


def plain(*, young_pa=12.0 * (1 - 0.09), density=1.0, ratio=0.3):
    """Isotropic sheet; by default D = 1 N·m and ρh = 1 kg/m² at h = 1 m."""
    return Material(
        name="test sheet",
        young_modulus_pa=number(young_pa),
        density_kg_m3=number(density),
        poisson_ratio=number(ratio),
        loss_factor=number(0.0),
        creep_factor=number(0.0),
    )


def unit_panel(*, b=1.0, edges="free", supports=(), masses=(), ratio=0.3):
    """Side a = 1 m, D = 1 N·m, ρh = 1 kg/m²: results are the tables' coefficients."""
    sheet = plain(young_pa=12.0 * (1 - ratio**2), ratio=ratio)
    edges = edges if isinstance(edges, Edges) else Edges.all(edges)
    return Panel(
        length_m=1.0,
        width_m=b,
        thickness_m=1.0,
        material=sheet,
        edges=edges,
        supports=tuple(PointSupport(x_m=x, y_m=y, stiffness_n_per_m=k) for x, y, k in supports),
        masses=tuple(PointMass(x_m=x, y_m=y, mass_kg=m) for x, y, m in masses),
        holes=None,
    )


def corners(b=1.0):
    return [(x, y, INF) for x in (0.0, 1.0) for y in (0.0, b)]


def middle_load(panel):
    return panel.compliance_m_per_n((0.5, panel.width_m / 2))


def middle_pressure(panel, at=None):
    """Displacement for unit pressure: self-weight over its own weight per area."""
    sag = panel.sag([at or (0.5, panel.width_m / 2)])
    return sag.short_term_m[0] / (panel.mass_kg * 9.80665 / panel.width_m)


def lambdas(panel, count):
    """ω·a²·√(ρh/D)."""
    return 2 * np.pi * panel.frequencies_hz(count)


# ----------------------------------------------------------------------------------------------------------- statics
@pytest.mark.parametrize(
    "b, coefficient",
    # Timoshenko & Woinowsky-Krieger Table 8; Roark 7th ed. Table 11.4 case 1a gives .0444 .0616 .0770 .0906 .1110
    # .1335 = 12(1 − ν²) times these (seen); digits from the series.
    list(zip(RATIOS, [0.0040623527, 0.00565053, 0.0070849166, 0.008308116, 0.010128663, 0.012232811])),
)
def test_supported_plate_under_pressure(b, coefficient):
    assert middle_pressure(unit_panel(b=b, edges="supported")) == pytest.approx(coefficient, rel=2e-4)


@pytest.mark.parametrize(
    "b, coefficient",
    # Timoshenko & Woinowsky-Krieger Table 23 (from memory); Roark Table 11.4 case 1b and the Mechanical Engineer's
    # Data Handbook agree to their digits (seen); digits from the
    # series. b/a = 4 stands for infinity (9e-5 off by Levy's series).
    [
        (1.0, 0.01160084),
        (1.1, 0.012667947),
        (1.2, 0.013555987),
        (1.4, 0.014866715),
        (1.6, 0.015700962),
        (1.8, 0.016214619),
        (2.0, 0.016523949),
        (4.0, 0.016961079),
    ],
)
def test_supported_plate_point_load(b, coefficient):
    assert middle_load(unit_panel(b=b, edges="supported")) == pytest.approx(coefficient, rel=1e-3)


@pytest.mark.parametrize(
    "b, coefficient",
    # Timoshenko & Woinowsky-Krieger Table 35 (.00126 .00172 .00220 .00254, from memory); digits recomputed.
    [(1.0, 0.0012653191), (1.2, 0.0017248705), (1.5, 0.0021965221), (2.0, 0.0025329558)],
)
def test_clamped_plate_under_pressure(b, coefficient):
    assert middle_pressure(unit_panel(b=b, edges="clamped")) == pytest.approx(coefficient, rel=5e-4)


@pytest.mark.parametrize(
    "b, coefficient",
    # Timoshenko & Woinowsky-Krieger Table 37 (.00560 .00647 .00691 .00712 .00720 .00722, from memory); recomputed.
    [
        (1.0, 0.0056115737),
        (1.2, 0.006474999),
        (1.4, 0.006920715),
        (1.6, 0.0071207852),
        (1.8, 0.0072008103),
        (2.0, 0.0072293037),
    ],
)
def test_clamped_plate_point_load(b, coefficient):
    assert middle_load(unit_panel(b=b, edges="clamped")) == pytest.approx(coefficient, rel=3e-3)


def test_square_on_four_corners():
    # Timoshenko & Woinowsky-Krieger art. 48 treats the case; coefficients converged for this project.
    panel = unit_panel(supports=corners())
    assert middle_pressure(panel) == pytest.approx(0.025506501, rel=1e-3)
    assert middle_pressure(panel, at=(0.5, 0.0)) == pytest.approx(0.0177474, rel=1e-3)
    assert middle_load(panel) == pytest.approx(0.039143195, rel=1e-3)


@pytest.mark.parametrize(
    # Converged for this project: b/a and ν on four corners (point load, pressure at b/a = 1.5 and 2), inset feet.
    "b, ratio, pressure, load",
    [(1.0, 0.25, None, 0.03961), (1.0, 1 / 3, None, 0.03892), (1.5, 0.3, 0.07983, None), (2.0, 0.3, 0.2312, None)],
)
def test_corner_supported_other_cases(b, ratio, pressure, load):
    panel = unit_panel(b=b, supports=corners(b), ratio=ratio)
    if load:
        assert middle_load(panel) == pytest.approx(load, rel=1e-3)
    if pressure:
        assert middle_pressure(panel) == pytest.approx(pressure, rel=1e-3)


@pytest.mark.parametrize("inset, coefficient", [(0.05, 0.0274), (0.10, 0.0192), (0.15, 0.0133), (0.20, 0.0090)])
def test_feet_moved_inwards(inset, coefficient):
    # Converged for this project (square, ν = 0.3), given to 0.0001.
    feet = [(x, y, INF) for x in (inset, 1 - inset) for y in (inset, 1 - inset)]
    assert middle_load(unit_panel(supports=feet)) == pytest.approx(coefficient, abs=6e-5)


def test_elastic_foot_under_the_load_acts_in_parallel():
    panel = unit_panel(supports=[*corners(), (0.5, 0.5, 50.0)])
    assert middle_load(panel) == pytest.approx(0.013236731, rel=2e-3)  # 1/(1/0.039143 + 50), springs in parallel
    assert panel.stiffness_n_per_m((0.5, 0.5)) == pytest.approx(
        50.0 + unit_panel(supports=corners()).stiffness_n_per_m((0.5, 0.5)), rel=1e-6
    )


def test_rigidity_by_definition():
    steel = plain(young_pa=200e9, ratio=0.3)
    acrylic = plain(young_pa=3.3e9, ratio=0.37)
    assert plate_rigidity(steel, thickness_m=3.175e-3).along == pytest.approx(586.19019, rel=1e-4)
    assert plate_rigidity(acrylic, thickness_m=5e-3).along == pytest.approx(39.827366, rel=1e-4)


@pytest.mark.parametrize(
    "left, right, feet, load_x, coefficient",
    # Beam formulas kL³/EI (Roark 7th ed. Table 8.1; 768/7 from memory), on a strip L/b = 10 with ν = 0.
    [
        ("supported", "supported", (), 0.5, 48.0),
        ("clamped", "clamped", (), 0.5, 192.0),
        ("clamped", "free", (), 1.0, 3.0),
        ("clamped", "supported", (), 0.5, 768.0 / 7.0),
    ],
)
def test_narrow_plate_is_a_beam(left, right, feet, load_x, coefficient):
    panel = unit_panel(b=0.1, edges=Edges(left=left, right=right), supports=feet, ratio=0.0)
    # A line load across the strip is a beam load; a point load dips locally, so average over the width.
    across = 0.05 * (1 + np.polynomial.legendre.leggauss(6)[0])
    weights = np.polynomial.legendre.leggauss(6)[1] / 2
    table = [[panel.compliance_m_per_n((load_x, y), load_m=(load_x, z)) for z in across] for y in across]
    stiffness_over_ei = 1.0 / (weights @ np.array(table) @ weights) / 0.1
    assert stiffness_over_ei == pytest.approx(coefficient, rel=2e-3)


def test_mid_support_under_a_beam():
    # Continuous-beam formulas: 3/256 before, 23/1536 of the half span after; stiffness ratio 6.26087.
    def stiffness(feet):
        edges = Edges(left="supported", right="supported")
        return 1.0 / line_compliance(unit_panel(b=0.1, edges=edges, supports=feet, ratio=0.0), 0.25)

    feet = [(0.5, y, INF) for y in (0.0, 0.025, 0.05, 0.075, 0.1)]
    assert stiffness(feet) / stiffness(()) == pytest.approx(6.2608696, rel=2e-3)


def line_compliance(panel, x):
    nodes, weights = np.polynomial.legendre.leggauss(6)
    across, weights = 0.5 * panel.width_m * (1 + nodes), weights / 2
    table = [[panel.compliance_m_per_n((x, y), load_m=(x, z)) for z in across] for y in across]
    return float(weights @ np.array(table) @ weights)


def test_strip_formulas_invert_the_beam():
    # k = 48EI/L³ and 3EI/L³ of a 40 × 5 mm steel strip, L = 0.4 m, E = 200 GPa: 62 500 and 3906.25 N/m.
    exact = lambda value: Estimate.from_standard_error(value, 0.0, dof=INF)  # noqa: E731
    size = dict(span_m=exact(0.4), width_m=exact(0.04), thickness_m=exact(0.005))
    for supports, stiffness in (("two rests", 62500.0), ("one clamp", 3906.25)):
        found = strip_modulus_from_push(exact(stiffness), supports=supports, **size)
        assert found.value == pytest.approx(200e9, rel=1e-6)


@pytest.mark.parametrize("supports, beta_squared", [("free", 22.373285), ("one clamp", 3.5160153)])
def test_strip_tap_inverts_the_beam_frequency(supports, beta_squared):
    # (βL)² of Blevins; f = (βL)²/(2πL²)·√(EI/ρA), thickness correction of ASTM E1876 left out at h/L = 1/400.
    exact = lambda value: Estimate.from_standard_error(value, 0.0, dof=INF)  # noqa: E731
    length, width, thickness, young, density = 0.4, 0.03, 0.001, 70e9, 2700.0
    inertia, area = width * thickness**3 / 12, width * thickness
    frequency = beta_squared / (2 * np.pi * length**2) * math.sqrt(young * inertia / (density * area))
    found = strip_modulus_from_tap(
        exact(frequency),
        mass_kg=exact(density * area * length),
        length_m=exact(length),
        width_m=exact(width),
        thickness_m=exact(thickness),
        supports=supports,
    )
    assert found.value == pytest.approx(young, rel=5e-5)


# ---------------------------------------------------------------------------------------------------------- dynamics
@pytest.mark.parametrize(
    "edges, expected, rel",
    [
        # Exact, π²(m² + n²).
        ("supported", [19.739209, 49.348022, 49.348022, 78.956835], 1e-4),
        # Leissa 1973 gives 35.992 73.413 73.413 108.27 131.64 132.24 (from memory; slightly high), Harris handbook
        # 36.03 for the first (seen); digits converged for this project.
        ("clamped", [35.985191, 73.393846, 73.393846, 108.2165, 131.58077, 132.20479], 2e-4),
        # VPCS SDLS01 gives 3.492 8.525 21.43 27.33 31.11 (seen), 0.2–0.7 % high; digits converged.
        (Edges(left="clamped"), [3.47098, 8.5062, 21.2839, 27.1987, 30.9545], 5e-4),
        # Two opposite edges clamped, two supported, and others: converged for this project.
        (Edges(left="clamped", right="clamped"), [22.166], 2e-4),
        (Edges(left="supported", right="supported"), [9.6314], 2e-4),
        (Edges(left="supported", right="supported", front="clamped", back="clamped"), [28.951], 2e-4),
        (Edges(left="clamped", right="supported", front="supported", back="supported"), [23.646], 2e-4),
        (Edges(left="clamped", front="clamped"), [6.919], 2e-4),
    ],
)
def test_square_plate_frequencies(edges, expected, rel):
    np.testing.assert_allclose(lambdas(unit_panel(edges=edges), len(expected)), expected, rtol=rel)


def test_free_square_plate():
    # Converged; NAFEMS FV12 agrees to its digits (seen), VPCS SDLS01/Barton 13.49 19.79 24.43 35.02 is 0.2–1 % high.
    found = lambdas(unit_panel(), 8)
    np.testing.assert_array_equal(found[:3], 0.0)
    np.testing.assert_allclose(found[3:], [13.468197, 19.596137, 24.270201, 34.800892, 34.800892], rtol=2e-4)


def test_nafems_fv12():
    # NAFEMS FV12: 10 × 10 × 0.05 m, E = 200 GPa, ν = 0.3, ρ = 8000, free: 1.622 2.360 2.922 4.190 Hz (seen).
    steel = plain(young_pa=200e9, density=8000.0)
    panel = replace(unit_panel(), length_m=10.0, width_m=10.0, thickness_m=0.05, material=steel)
    np.testing.assert_allclose(panel.frequencies_hz(7)[3:], [1.622, 2.360, 2.922, 4.190], rtol=4e-4)


def test_corner_supported_square_and_a_foot_in_the_middle():
    # λ1 ≈ 7.11 (Leissa 1969, from memory); digits converged. The antisymmetric pair has a node in the middle.
    expected = [7.1108837, 15.77024, 15.77024, 19.596137, 38.431542]
    np.testing.assert_allclose(lambdas(unit_panel(supports=corners()), 5), expected, rtol=2e-4)
    footed = unit_panel(supports=[*corners(), (0.5, 0.5, INF)])
    np.testing.assert_allclose(lambdas(footed, 3), [15.77024, 15.77024, 19.596137], rtol=2e-4)


@pytest.mark.parametrize(
    "supports, first",
    # Elastic foot κ = k·a²/D in the middle: scikit-fem BFS elements, 16 and 32 cells a side, extrapolated. Rigid foot
    # elsewhere and inset feet: converged for this project, to the digits given.
    [
        ([*corners(), (0.5, 0.5, 10.0)], 8.2552),
        ([*corners(), (0.5, 0.5, 25.5)], 9.6566),
        ([*corners(), (0.5, 0.5, 50.0)], 11.3242),
        ([*corners(), (0.5, 0.5, 100.0)], 13.6177),
        ([*corners(), (0.5, 0.25, INF)], 11.64),
        ([*corners(), (0.5, 0.0, INF)], 8.14),
        ([*corners(), (0.35, 0.35, INF)], 12.74),
        ([(x, y, INF) for x in (0.1, 0.9) for y in (0.1, 0.9)], 12.77),
    ],
)
def test_extra_and_moved_feet(supports, first):
    assert lambdas(unit_panel(supports=supports), 1)[0] == pytest.approx(first, rel=5e-4)


@pytest.mark.parametrize(
    "edges, expected",
    # λ on the side a, a/b = 0.4, 2/3, 1.5, 2.5, ν = 0.3 (Leissa 1973's aspect ratios; converged for this project).
    [
        ("supported", [11.449, 14.256, 32.076, 71.555]),
        ("clamped", [23.644, 27.005, 60.761, 147.77]),
        ("free", [3.4326, 8.9313, 20.096, 21.454]),
        (Edges(left="clamped"), [3.4975, 3.4851, 3.4534, 3.4280]),
    ],
)
def test_first_frequency_of_rectangles(edges, expected):
    first = 3 if edges == "free" else 0
    found = [lambdas(unit_panel(b=1 / r, edges=edges), first + 1)[first] for r in (0.4, 2 / 3, 1.5, 2.5)]
    np.testing.assert_allclose(found, expected, rtol=3e-4)


def test_added_mass_lies_between_the_bounds():
    # Rayleigh 1/√(1 + 4µ) from above, Dunkerley from below; Ritz 0.735617 at µ = 0.2.
    ratio = lambdas(unit_panel(edges="supported", masses=[(0.5, 0.5, 0.2)]), 1)[0] / (2 * np.pi**2)
    assert 0.72471023 < ratio < 0.74535599
    assert ratio == pytest.approx(0.73561711, rel=1e-3)


def test_steel_square_in_units():
    # 0.45 m square, 3.175 mm, four corners, E = 200 GPa, ν = 0.3, ρ = 7850: derived from the coefficients.
    panel = Panel(
        length_m=0.45,
        width_m=0.45,
        thickness_m=3.175e-3,
        material=plain(young_pa=200e9, density=7850.0),
        edges=Edges(),
        supports=[PointSupport(x_m=x, y_m=y, stiffness_n_per_m=INF) for x in (0, 0.45) for y in (0, 0.45)],
        masses=(),
        holes=None,
    )
    assert panel.frequencies_hz(1)[0] == pytest.approx(27.103868, rel=1e-3)
    assert panel.stiffness_n_per_m((0.225, 0.225)) == pytest.approx(73953.615, rel=1e-3)
    assert panel.mass_kg == pytest.approx(5.0470594, rel=1e-6)


def test_hole_array():
    # 3.2 mm holes on two 30 mm grids, ν = 0.3; formula derived, own finite-element cell D*/D = 0.96025.
    holes = HoleArray(pitch_m=0.03, diameter_m=0.0032, offset_grid=True)
    solid = replace(unit_panel(edges="supported"), length_m=0.45, width_m=0.45, thickness_m=0.003)
    drilled = replace(solid, holes=holes)
    assert holes.area_fraction == pytest.approx(0.017872172, rel=1e-3)
    assert drilled.rigidity.along / solid.rigidity.along == pytest.approx(0.96032159, rel=1e-3)
    assert drilled.rigidity.coupling / drilled.rigidity.along == pytest.approx(0.2868087, rel=1e-3)
    assert drilled.frequencies_hz(1)[0] / solid.frequencies_hz(1)[0] == pytest.approx(0.98883616, rel=1e-4)


def test_thick_plate_is_flagged():
    # NAFEMS FV52: 10 × 10 × 1 m, supported: thin-plate 47.534 Hz, thick-plate 45.897 Hz published (seen).
    panel = replace(
        unit_panel(edges="supported"), length_m=10.0, width_m=10.0, material=plain(young_pa=200e9, density=8000.0)
    )
    assert panel.frequencies_hz(1)[0] == pytest.approx(47.534459, rel=2e-4)
    assert any("1/20" in caution for caution in panel.cautions)


def test_orthotropic_supported_plate_is_exact():
    # ω² = π⁴(D11 m⁴/a⁴ + 2H m²n²/(a²b²) + D22 n⁴/b⁴)/(ρh), H = D12 + 2·D66 (exact; Timoshenko & W.-K. art. 85).
    plywood = material("birch plywood")
    panel = replace(unit_panel(edges="supported"), length_m=0.6, width_m=0.4, thickness_m=0.009, material=plywood)
    d = plate_rigidity(plywood, thickness_m=0.009)
    h, area_mass = d.coupling + 2 * d.twist, plywood.density_kg_m3.value * 0.009
    wave = lambda m, n: d.along * (m / 0.6) ** 4 + 2 * h * (m * n / 0.24) ** 2 + d.across * (n / 0.4) ** 4  # noqa: E731
    exact = sorted(math.pi / 2 * math.sqrt(wave(m, n) / area_mass) for m in range(1, 6) for n in range(1, 6))[:6]
    np.testing.assert_allclose(panel.frequencies_hz(6), exact, rtol=1e-6)
    m, n = np.meshgrid(np.arange(1, 1200), np.arange(1, 1200), indexing="ij")
    sines = (np.sin(m * np.pi * 0.3 / 0.6) * np.sin(n * np.pi * 0.11 / 0.4)) ** 2
    series = 4 / (0.24 * np.pi**4) * np.sum(sines / wave(m, n))
    assert panel.compliance_m_per_n((0.3, 0.11)) == pytest.approx(series, rel=1e-3)


@pytest.mark.parametrize(
    "at, load, rel",
    # Double sine series (exact). Near a held edge, where a point hardly moves, the tail is rougher.
    [
        ((0.5, 0.5), (0.5, 0.5), 2e-4),
        ((0.43, 0.61), (0.43, 0.61), 2e-4),
        ((0.43, 0.61), (0.46, 0.60), 3e-4),
        ((0.43, 0.61), (0.53, 0.56), 1e-4),
        ((0.2, 0.85), (0.2, 0.85), 5e-4),
        ((0.2, 0.85), (0.8, 0.1), 5e-4),
        ((0.04, 0.5), (0.04, 0.5), 1.5e-2),
    ],
)
def test_point_compliance_against_the_series(at, load, rel):
    m, n = np.meshgrid(np.arange(1, 3000), np.arange(1, 3000), indexing="ij")
    weights = 4 / math.pi**4 / (m**2 + n**2) ** 2.0
    sines = [np.sin(np.outer(np.pi * np.array([at[i], load[i]]), np.arange(1, 3000))).prod(axis=0) for i in (0, 1)]
    exact = sines[0] @ weights @ sines[1]
    assert unit_panel(edges="supported").compliance_m_per_n(at, load_m=load) == pytest.approx(exact, rel=rel)


# ------------------------------------------------------------------------------- plate finite elements, other library
class PlateElements:
    """scikit-fem Bogner–Fox–Schmit elements on the mesh lines given, with the points of a panel."""

    def __init__(self, panel, along, across):
        self.mesh = skfem.MeshQuad.init_tensor(along, across)
        self.basis = skfem.Basis(self.mesh, skfem.ElementQuadBFS(), intorder=6)
        d, area_mass = panel.rigidity, panel.mass_kg / (panel.length_m * panel.width_m)

        @skfem.BilinearForm
        def bending(u, v, _):
            a, b = dd(u), dd(v)
            mixed = d.coupling * (a[0, 0] * b[1, 1] + a[1, 1] * b[0, 0]) + 4 * d.twist * a[0, 1] * b[0, 1]
            return d.along * a[0, 0] * b[0, 0] + d.across * a[1, 1] * b[1, 1] + mixed

        @skfem.BilinearForm
        def inertia(u, v, _):
            return area_mass * u * v

        stiffness = bending.assemble(self.basis).tolil().astype(complex) * (1 + 1j * panel.material.loss_factor.value)
        mass = inertia.assemble(self.basis).tolil()
        for rider in panel.masses:
            at = self.node((rider.x_m, rider.y_m))
            mass[at, at] += rider.mass_kg
        rigid = []
        for support in panel.supports:
            at = self.node((support.x_m, support.y_m))
            if support.stiffness_n_per_m == INF:
                rigid.append(at)
            else:
                stiffness[at, at] += support.stiffness_n_per_m * (1 + 1j * np.nan_to_num(support.loss_factor))
        self.free = np.setdiff1d(np.arange(stiffness.shape[0]), rigid)
        self.stiffness = stiffness.tocsc()[self.free][:, self.free]
        self.mass = mass.tocsc()[self.free][:, self.free]

    def node(self, point):
        distance = np.hypot(self.mesh.p[0] - point[0], self.mesh.p[1] - point[1])
        assert distance.min() < 1e-9
        return int(self.basis.nodal_dofs[0, np.argmin(distance)])

    def frequencies_hz(self, count):
        stiffness = self.stiffness.real.copy()
        omega2 = eigsh(stiffness, k=count, M=self.mass, sigma=0.0, return_eigenvectors=False)
        return np.sqrt(np.sort(omega2)) / (2 * np.pi)

    def receptance(self, point, frequency_hz):
        unit = (self.free == self.node(point)).astype(complex)
        shifted = self.stiffness - (2 * np.pi * frequency_hz) ** 2 * self.mass
        return unit @ splu(shifted.tocsc()).solve(unit)

    def compliance(self, point):
        unit = (self.free == self.node(point)).astype(float)
        return unit @ splu(self.stiffness.real.copy()).solve(unit)


def bench_panel(name, feet, *, corner=INF, loss=math.nan, camera=(0.21, 0.12)):
    corners = [(x, y, corner) for x in (0.0, 0.42) for y in (0.0, 0.3)]
    return Panel(
        length_m=0.42,
        width_m=0.30,
        thickness_m=0.003 if name == "mild steel" else 0.009,
        material=material(name),
        edges=Edges(),
        supports=[PointSupport(x_m=x, y_m=y, stiffness_n_per_m=k, loss_factor=loss) for x, y, k in [*corners, *feet]],
        masses=[PointMass(x_m=camera[0], y_m=camera[1], mass_kg=0.35), PointMass(x_m=0.345, y_m=0.24, mass_kg=0.15)],
        holes=None,
    )


EVEN = np.linspace(0, 0.42, 29), np.linspace(0, 0.30, 21)


@pytest.mark.parametrize("name", ["mild steel", "birch plywood"])
@pytest.mark.parametrize("foot", [(0.285, 0.18, INF), (0.21, 0.15, 4e4), (0.33, 0.045, 1e5)])
def test_against_plate_elements(name, foot):
    """Corner-supported panel with a foot and two masses: ≤ 0.3 % on five frequencies and the compliance."""
    panel, camera = bench_panel(name, [foot]), (0.21, 0.12)
    elements = PlateElements(panel, *EVEN)
    np.testing.assert_allclose(panel.frequencies_hz(5), elements.frequencies_hz(5), rtol=1e-3)
    assert panel.compliance_m_per_n(camera) == pytest.approx(elements.compliance(camera), rel=1e-3)


@pytest.mark.parametrize("name", ["mild steel", "birch plywood"])
def test_rigid_foot_one_hole_from_the_camera(name):
    """The hardest case: 30 mm between load and rigid foot leaves 3 % of the compliance; mesh graded to 3 mm there."""
    panel, camera = bench_panel(name, [(0.24, 0.12, INF)]), (0.21, 0.12)
    along = np.unique(np.round([*np.linspace(0, 0.42, 29), *np.linspace(0.18, 0.27, 31)], 6))
    across = np.unique(np.round([*np.linspace(0, 0.30, 21), *np.linspace(0.09, 0.15, 21)], 6))
    elements = PlateElements(panel, along, across)
    np.testing.assert_allclose(panel.frequencies_hz(5), elements.frequencies_hz(5), rtol=3e-3)
    assert panel.compliance_m_per_n(camera) == pytest.approx(elements.compliance(camera), rel=3e-3)


def test_receptance_with_damped_feet():
    """Direct complex solution of the finite-element model with η = 0.1 in the feet, almost none in the sheet."""
    panel, camera = bench_panel("mild steel", [(0.285, 0.18, 5e4)], corner=2e5, loss=0.1), (0.21, 0.12)
    elements = PlateElements(panel, *EVEN)
    frequency = np.linspace(5.0, 1.2 * panel.frequencies_hz(4)[-1], 25)
    direct = np.array([elements.receptance(camera, f) for f in frequency])
    found = panel.receptance(frequency, at_m=camera, load_m=camera).receptance_m_per_n
    np.testing.assert_allclose(found, direct, rtol=3e-3, atol=3e-4 * np.abs(direct[0]))
