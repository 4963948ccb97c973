"""A bare thin plate in products of Legendre polynomials: stiffness by Kronecker products, modes by parity blocks.

Everything here is without dimensions: ξ = 2x/a − 1 and η = 2y/b − 1 run from −1 to 1, stiffness is divided by
D11·(2/a)⁴, mass by that of unit density over the square. `labkit.model.panel` gives it length, mass and units.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import product

import numpy as np
from numpy.polynomial import legendre
from scipy import linalg, special

__all__ = ["EDGE_KINDS", "BarePlate", "LineBasis", "bare_plate", "line_basis"]

#: What an edge may be: free to move and turn, supported (may turn), clamped.
EDGE_KINDS = ("free", "supported", "clamped")

# Most terms that double precision carries: the stiffness of the highest term grows with its degree to the eighth.
_MOST_TERMS = 32
_FEWEST_TERMS = 12
# Terms a direction for a square plate by the number of mirror symmetries of its edges: equal work in every case.
_TERMS = {2: 20, 1: 18, 0: 16}


@dataclass(frozen=True, eq=False, kw_only=True)
class LineBasis:
    """Polynomials on −1…1 that obey the conditions of both ends, grouped by parity where the ends are alike.

    Parameters
    ----------
    n_terms : int
        Legendre polynomials of degree 0…n_terms − 1 are combined.
    groups : tuple of ndarray, shape (n_terms, n_functions)
        Coefficients of orthonormal functions over orthonormal Legendre polynomials, one array a parity group.
    bending, mixed, twisting : tuple of ndarray
        ∫φ″φ″, ∫φ″φ and ∫φ′φ′ of each group.
    held_ends : tuple of float
        Which of −1 and 1 cannot move.
    """

    n_terms: int
    groups: tuple[np.ndarray, ...]
    bending: tuple[np.ndarray, ...]
    mixed: tuple[np.ndarray, ...]
    twisting: tuple[np.ndarray, ...]
    held_ends: tuple[float, ...]

    def values(self, places: np.ndarray) -> list[np.ndarray]:
        """Values of the functions of each group, arrays (n_places, n_functions)."""
        polynomials = special.eval_legendre(np.arange(self.n_terms), places[:, None]) * _norms(self.n_terms)
        return [polynomials @ group for group in self.groups]

    def moments(self) -> list[np.ndarray]:
        """∫φ and ∫φξ of the functions of each group, arrays (2, n_functions)."""
        weights = np.zeros((2, self.n_terms))
        weights[0, 0], weights[1, 1] = np.sqrt(2.0), np.sqrt(2.0 / 3.0)
        return [weights @ group for group in self.groups]


@lru_cache(maxsize=128)
def line_basis(n_terms: int, *, low_end: str, high_end: str) -> LineBasis:
    """Polynomial basis between two ends, each "free", "supported" or "clamped".

    The end conditions on value and slope select a null space of the Legendre coefficients; conditions on moment
    and shear are natural and need none. Equal ends split into even and odd functions.

    Examples
    --------
    >>> basis = line_basis(8, low_end="clamped", high_end="clamped")
    >>> [group.shape[1] for group in basis.groups]
    [2, 2]
    """
    nodes, weights = legendre.leggauss(n_terms)
    unit = np.diag(_norms(n_terms))
    value, slope, bend = (legendre.legval(nodes, legendre.legder(unit, order)) for order in range(3))
    alike = low_end == high_end
    parities = [0, 1] if alike else [None]
    groups = tuple(_group(n_terms, parity=parity, low_end=low_end, high_end=high_end) for parity in parities)

    def integrals(left: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, ...]:
        full = (left * weights) @ right.T
        return tuple(group.T @ full @ group for group in groups)

    return LineBasis(
        n_terms=n_terms,
        groups=groups,
        bending=integrals(bend, bend),
        mixed=integrals(bend, value),
        twisting=integrals(slope, slope),
        held_ends=tuple(place for place, end in ((-1.0, low_end), (1.0, high_end)) if end != "free"),
    )


def _norms(n_terms: int) -> np.ndarray:
    """Factors that make Legendre polynomials orthonormal on −1…1."""
    return np.sqrt(np.arange(n_terms) + 0.5)


def _group(n_terms: int, *, parity: int | None, low_end: str, high_end: str) -> np.ndarray:
    """Orthonormal combinations of one parity (None: all) that satisfy the end conditions."""
    degrees = np.arange(n_terms) if parity is None else np.arange(parity, n_terms, 2)
    value = np.sqrt(degrees + 0.5)
    slope = value * degrees * (degrees + 1) / 2.0
    sign = (-1.0) ** degrees
    rows = _conditions(high_end, value=value, slope=slope)
    if parity is None:
        rows += _conditions(low_end, value=sign * value, slope=-sign * slope)
    inside = linalg.null_space(np.array(rows)) if rows else np.eye(len(degrees))
    group = np.zeros((n_terms, inside.shape[1]))
    group[degrees] = inside
    return group


def _conditions(end: str, *, value: np.ndarray, slope: np.ndarray) -> list[np.ndarray]:
    held = {"free": 0, "supported": 1, "clamped": 2}[end]
    return [row / np.linalg.norm(row) for row in (value, slope)[:held]]


@dataclass(frozen=True, eq=False, kw_only=True)
class BarePlate:
    """All modes of a plate that is held by its edges only, without dimensions.

    Parameters
    ----------
    along, across : LineBasis
        Bases in ξ and η.
    eigenvalues : ndarray, shape (n_modes,)
        Ascending; exactly 0 for rigid-body motion.
    vectors : tuple of ndarray
        Orthonormal eigenvectors of each pair of parity groups.
    order : ndarray of int
        Where each ascending mode stands in the row of all blocks.
    quartic : tuple of float
        (H, D) of the wave-number form kξ⁴ + 2H·kξ²kη² + D·kη⁴ of the strain energy.
    """

    along: LineBasis
    across: LineBasis
    eigenvalues: np.ndarray
    vectors: tuple[np.ndarray, ...]
    order: np.ndarray
    quartic: tuple[float, float]

    def shapes(self, places: np.ndarray) -> np.ndarray:
        """Modes at places (ξ, η), shape (n_places, n_modes)."""
        pairs = product(self.along.values(places[:, 0]), self.across.values(places[:, 1]))
        return self._in_order(_row_products(x, y) for x, y in pairs)

    @cached_property
    def moments(self) -> np.ndarray:
        """∫φ, ∫φξ and ∫φη over the square for every mode, shape (3, n_modes)."""
        pairs = product(self.along.moments(), self.across.moments())
        powers = ((0, 0), (1, 0), (0, 1))
        return self._in_order(np.array([np.outer(x[i], y[j]).ravel() for i, j in powers]) for x, y in pairs)

    def fields(self, amounts: np.ndarray, *, along: np.ndarray, across: np.ndarray, mesh: bool) -> np.ndarray:
        """Sums of modes with `amounts` (n_modes, n_fields).

        On the mesh along × across, shape (n_fields, n_along, n_across), or at the pairs (along[i], across[i]),
        shape (n_fields, n_places).
        """
        unsorted = np.empty_like(amounts)
        unsorted[self.order] = amounts
        total, start = 0.0, 0
        rule = "pi,ijf,qj->fpq" if mesh else "pi,ijf,pj->fp"
        for vectors, (x, y) in zip(self.vectors, product(self.along.values(along), self.across.values(across))):
            part = vectors @ unsorted[start : start + len(vectors)]
            total = total + np.einsum(rule, x, part.reshape(x.shape[1], y.shape[1], -1), y, optimize=True)
            start += len(vectors)
        return total

    def _in_order(self, block_rows) -> np.ndarray:
        """Rows over the basis functions of each block → rows over the ascending modes."""
        return np.hstack([rows @ vectors for rows, vectors in zip(block_rows, self.vectors)])[:, self.order]


def _row_products(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Kronecker product row by row."""
    return (first[:, :, None] * second[:, None, :]).reshape(len(first), first.shape[1] * second.shape[1])


@lru_cache(maxsize=64)
def bare_plate(
    *,
    edges: tuple[str, str, str, str],
    aspect: float,
    across_ratio: float,
    coupling_ratio: float,
    twist_ratio: float,
    refine: float = 1.0,
) -> BarePlate:
    """Modes of an orthotropic rectangular plate by Rayleigh–Ritz in Legendre products.

    Parameters
    ----------
    edges : tuple of str
        Kinds of the edges ξ = −1, ξ = 1, η = −1, η = 1.
    aspect : float
        a/b, length over width.
    across_ratio, coupling_ratio, twist_ratio : float
        D22/D11, D12/D11 and D66/D11.
    refine : float
        Multiplies the number of terms a direction (for convergence studies).

    Examples
    --------
    A square plate supported on four edges has ω·a²·√(ρh/D) = 2π² (exact).

    >>> plate = bare_plate(edges=("supported",) * 4, aspect=1.0, across_ratio=1.0, coupling_ratio=0.3, twist_ratio=0.35)
    >>> round(4 * float(plate.eigenvalues[0]) ** 0.5, 4)
    19.7392
    """
    n_along, n_across = _term_counts(edges, stretch=aspect * across_ratio**0.25, refine=refine)
    along = line_basis(n_along, low_end=edges[0], high_end=edges[1])
    across = line_basis(n_across, low_end=edges[2], high_end=edges[3])
    square = aspect**2
    blocks = [
        np.linalg.eigh(_stiffness(along, across, i, j, square, across_ratio, coupling_ratio, twist_ratio))
        for i, j in product(range(len(along.groups)), range(len(across.groups)))
    ]
    values = np.concatenate([block.eigenvalues for block in blocks])
    order = np.argsort(values, kind="stable")
    values = values[order]
    values[: _rigid_motions(edges)] = 0.0
    return BarePlate(
        along=along,
        across=across,
        eigenvalues=values,
        vectors=tuple(block.eigenvectors for block in blocks),
        order=order,
        quartic=(square * (coupling_ratio + 2.0 * twist_ratio), square**2 * across_ratio),
    )


def _stiffness(along, across, i, j, square, across_ratio, coupling_ratio, twist_ratio) -> np.ndarray:
    """Strain energy of the products of group i along and group j across (Kirchhoff, orthotropic)."""
    ones = np.eye(along.groups[i].shape[1]), np.eye(across.groups[j].shape[1])
    coupled = np.kron(along.mixed[i], across.mixed[j].T)
    return (
        np.kron(along.bending[i], ones[1])
        + across_ratio * square**2 * np.kron(ones[0], across.bending[j])
        + coupling_ratio * square * (coupled + coupled.T)
        + 4.0 * twist_ratio * square * np.kron(along.twisting[i], across.twisting[j])
    )


def _term_counts(edges: tuple[str, ...], *, stretch: float, refine: float) -> tuple[int, int]:
    """Even numbers of terms along and across, more in the direction that is longer in bending waves."""
    symmetries = (edges[0] == edges[1]) + (edges[2] == edges[3])
    wanted = _TERMS[symmetries] * refine * np.array([stretch**0.5, stretch**-0.5])
    along, across = np.clip(2 * np.round(wanted / 2), _FEWEST_TERMS, _MOST_TERMS * max(1.0, refine)).astype(int)
    return int(along), int(across)


def _rigid_motions(edges: tuple[str, ...]) -> int:
    """Rigid motions (rise and two tilts) that the edges leave free."""
    left = {("free", "free"): 2, ("free", "supported"): 1, ("supported", "free"): 1}
    return {(2, 2): 3, (2, 1): 1, (1, 2): 1}.get((left.get(edges[:2], 0), left.get(edges[2:], 0)), 0)
