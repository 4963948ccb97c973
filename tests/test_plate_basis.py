"""Legendre products: end conditions, rigid motions, and what the truncated series leaves out."""

from itertools import product

import numpy as np
import pytest
from numpy.polynomial import legendre

from labkit.model.plate_basis import EDGE_KINDS, bare_plate, line_basis
from labkit.model.plate_tail import missing_compliance

PLAIN = dict(aspect=1.4, across_ratio=1.0, coupling_ratio=0.3, twist_ratio=0.35)


@pytest.mark.parametrize("low, high", list(product(EDGE_KINDS, EDGE_KINDS)))
def test_line_basis_is_orthonormal_and_holds_its_ends(low, high):
    basis = line_basis(16, low_end=low, high_end=high)
    nodes, weights = legendre.leggauss(20)
    values = np.hstack(basis.values(nodes))
    np.testing.assert_allclose((values * weights[:, None]).T @ values, np.eye(values.shape[1]), atol=1e-12)
    lost = {"free": 0, "supported": 1, "clamped": 2}
    assert values.shape[1] == 16 - lost[low] - lost[high]
    for end, kind in ((-1.0, low), (1.0, high)):
        step = 1e-5 * np.sign(-end)
        at_end, beside = (np.hstack(basis.values(np.array([place])))[0] for place in (end, end + step))
        if kind != "free":
            np.testing.assert_allclose(at_end, 0.0, atol=1e-10)
        if kind == "clamped":
            np.testing.assert_allclose(beside, 0.0, atol=1e-5)
        else:
            assert np.abs(beside).max() > 1e-5


def test_functions_are_polynomials_with_the_stated_integrals():
    basis = line_basis(10, low_end="clamped", high_end="free")
    nodes, weights = legendre.leggauss(14)
    norms = np.sqrt(np.arange(10) + 0.5)
    group = basis.groups[0] * norms[:, None]
    value, slope, bend = (legendre.legval(nodes, legendre.legder(group, order)) for order in range(3))
    np.testing.assert_allclose(basis.bending[0], (bend * weights) @ bend.T, rtol=1e-9, atol=1e-8)
    np.testing.assert_allclose(basis.mixed[0], (bend * weights) @ value.T, rtol=1e-9, atol=1e-8)
    np.testing.assert_allclose(basis.twisting[0], (slope * weights) @ slope.T, rtol=1e-9, atol=1e-8)


@pytest.mark.parametrize("edges", list(product(EDGE_KINDS, repeat=4)))
def test_number_of_rigid_motions(edges):
    """Planes c0 + c1·ξ + c2·η that vanish (with their slope, when clamped) on the held edges."""
    rows = []
    for (axis, end), kind in zip(((1, -1), (1, 1), (2, -1), (2, 1)), edges):
        if kind != "free":
            rows += [[1.0 if i == 0 else end if i == axis else 0.0 for i in range(3)], np.eye(3)[3 - axis]]
        if kind == "clamped":
            rows.append(np.eye(3)[axis])
    expected = 3 - (np.linalg.matrix_rank(np.array(rows)) if rows else 0)
    plate = bare_plate(edges=edges, **PLAIN)
    assert np.sum(plate.eigenvalues == 0.0) == expected
    assert plate.eigenvalues[expected] > 1e-2


def test_mesh_places_and_shapes_agree():
    plate = bare_plate(edges=("free", "clamped", "free", "free"), **PLAIN)
    along, across = np.linspace(-1, 1, 5), np.linspace(-0.9, 0.7, 4)
    amounts = np.random.default_rng(0).normal(size=(len(plate.eigenvalues), 2))
    mesh = plate.fields(amounts, along=along, across=across, mesh=True)
    x, y = (lines.ravel() for lines in np.meshgrid(along, across, indexing="ij"))
    np.testing.assert_allclose(plate.fields(amounts, along=x, across=y, mesh=False), mesh.reshape(2, -1))
    np.testing.assert_allclose((plate.shapes(np.column_stack([x, y])) @ amounts).T, mesh.reshape(2, -1))


@pytest.mark.parametrize("kind", ["free", "clamped"])
def test_tail_is_what_a_longer_series_adds(kind):
    """Difference of two truncations against the difference of their tails, to 6 % of the tail, inside the plate."""
    coarse, fine = (bare_plate(edges=(kind,) * 4, refine=refine, **PLAIN) for refine in (1.0, 1.5))
    places = np.array([[0.0, 0.0], [0.31, 0.22], [-0.6, 0.4], [0.34, 0.24], [0.1, -0.7]])

    def series(plate):
        elastic = plate.eigenvalues > 0
        shapes = plate.shapes(places)[:, elastic]
        return (shapes / plate.eigenvalues[elastic]) @ shapes.T

    added = series(fine) - series(coarse)
    tails = [missing_compliance(plate, places=places, others=places) for plate in (coarse, fine)]
    np.testing.assert_allclose(tails[0] - tails[1], added, atol=0.06 * np.diag(added).max())
    assert np.all(np.linalg.eigvalsh(tails[0]) > 0)
