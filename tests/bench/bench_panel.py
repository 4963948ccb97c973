"""Time of panel results, as a ratio to scikit-fem plate elements solved with scipy in the same run.

pytest tests/bench/bench_panel.py --benchmark-only
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.sparse.linalg import eigsh, splu

from labkit.model.extra_feet import extra_feet
from labkit.model.grid import HoleArray, MountingGrid
from labkit.model.materials import material
from labkit.model.panel import Panel
from labkit.model.panel_parts import Edges, PointMass, PointSupport

skfem = pytest.importorskip("skfem")
from skfem.helpers import dd  # noqa: E402

CAMERA = (0.21, 0.15)


def foot(x, y, stiffness):
    return PointSupport(x_m=x, y_m=y, stiffness_n_per_m=stiffness, loss_factor=0.05)


def corners(length):
    return [foot(x, y, 1e6) for x in (0.0, length) for y in (0.0, 0.3)]


def panel(length=0.42, edges=None):
    return Panel(
        length_m=length,
        width_m=0.3,
        thickness_m=0.003,
        material=material("mild steel"),
        edges=edges or Edges(),
        supports=[*corners(length), foot(0.2, 0.1, 1e5)],
        masses=[PointMass(x_m=CAMERA[0], y_m=CAMERA[1], mass_kg=0.4)],
        holes=None,
    )


def results(built):
    return built.compliance_m_per_n(CAMERA), built.frequencies_hz(5)


@pytest.fixture
def rng():
    return np.random.default_rng(0)


@pytest.mark.benchmark(group="compliance and five frequencies")
def test_moved_foot(benchmark, rng):
    base = panel()
    results(base)
    benchmark(lambda: results(replace(base, supports=[*corners(0.42), foot(*rng.uniform(0.02, 0.28, 2), 1e5)])))


@pytest.mark.benchmark(group="compliance and five frequencies")
@pytest.mark.parametrize("edges", ["four free", "one clamped"])
def test_new_panel(benchmark, rng, edges):
    kind = Edges(back="clamped") if edges == "one clamped" else Edges()
    feet = slice(0, None) if edges == "four free" else slice(4, None)

    def build():
        fresh = panel(length=rng.uniform(0.40, 0.44))
        return results(replace(fresh, edges=kind, supports=fresh.supports[feet]))

    benchmark(build)


@pytest.mark.benchmark(group="compliance and five frequencies")
def test_plate_elements(benchmark):
    """Bogner–Fox–Schmit elements, 14 × 10 cells: stiffness, factor, five frequencies."""
    built = panel()
    mesh = skfem.MeshQuad.init_tensor(np.linspace(0, 0.42, 15), np.linspace(0, 0.30, 11))
    d, area_mass = built.rigidity, built.mass_kg / (0.42 * 0.30)

    @skfem.BilinearForm
    def bending(u, v, _):
        a, b = dd(u), dd(v)
        mixed = d.coupling * (a[0, 0] * b[1, 1] + a[1, 1] * b[0, 0]) + 4 * d.twist * a[0, 1] * b[0, 1]
        return d.along * a[0, 0] * b[0, 0] + d.across * a[1, 1] * b[1, 1] + mixed

    @skfem.BilinearForm
    def inertia(u, v, _):
        return area_mass * u * v

    def solve():
        basis = skfem.Basis(mesh, skfem.ElementQuadBFS(), intorder=6)
        stiffness, mass = bending.assemble(basis).tocsc(), inertia.assemble(basis).tocsc()
        node = [basis.nodal_dofs[0, np.argmin(np.hypot(mesh.p[0] - s.x_m, mesh.p[1] - s.y_m))] for s in built.supports]
        for number, support in zip(node, built.supports):
            stiffness[number, number] += support.stiffness_n_per_m
        load = np.zeros(stiffness.shape[0])
        load[node[-1]] = 1.0
        return splu(stiffness).solve(load), eigsh(stiffness, k=5, M=mass, sigma=0.0, return_eigenvectors=False)

    benchmark.pedantic(solve, rounds=5)


@pytest.mark.benchmark(group="map of 61 x 61 points")
def test_deflection_map(benchmark):
    built = panel()
    benchmark(lambda: built.deflection_map([(*CAMERA, 1.0)]))


@pytest.mark.benchmark(group="extra feet at 117 holes")
@pytest.mark.parametrize("n_feet", [1, 2])
def test_extra_feet(benchmark, n_feet):
    array = HoleArray(pitch_m=0.03, diameter_m=0.0032, offset_grid=False)
    places = MountingGrid(length_m=0.42, width_m=0.3, holes=array, edge_distance_m=0.01).places_m

    def search():
        return extra_feet(panel(), places, camera_m=CAMERA, stiffness_n_per_m=2e5, n_feet=n_feet)

    found = benchmark.pedantic(search, rounds=5)
    assert len(found.choices) == math.comb(117, n_feet)
