"""A flat panel on its feet: how far it gives, sags and at which frequencies it rings.

Kirchhoff's thin plate by Rayleigh–Ritz in products of Legendre polynomials; feet, bolts and masses are points that
change only a small matrix, so dragging a foot is cheap. Origin at a corner, x along the length, y along the width,
displacement positive upwards.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from labkit.base import STANDARD_GRAVITY_M_S2, check_array, check_number
from labkit.model.grid import HoleArray, perforated_rigidity
from labkit.model.held_plate import HeldPlate
from labkit.model.materials import Material, Rigidity, plate_rigidity
from labkit.model.panel_modes import PanelModes, field_values
from labkit.model.panel_parts import Edges, PointMass, PointSupport
from labkit.model.plate_basis import BarePlate, bare_plate

__all__ = [
    "DeflectionMap",
    "Panel",
    "Receptance",
    "Sag",
]


@dataclass(frozen=True, eq=False, kw_only=True)
class Sag:
    """Sag under the panel's own weight and the masses on it.

    Parameters
    ----------
    at_m : ndarray, shape (n, 2)
        Points (x, y) [m].
    short_term_m, long_term_m : ndarray, shape (n,)
        Downward displacement [m] at once, and after years with the material's creep factor (feet do not creep).
    support_forces_n : ndarray, shape (n_supports,)
        Upward force of each support on the panel [N]; a foot that only presses cannot pull.
    cautions : tuple of str
        Where the thin-plate theory or a foot does not hold.
    """

    at_m: np.ndarray
    short_term_m: np.ndarray
    long_term_m: np.ndarray
    support_forces_n: np.ndarray
    cautions: tuple[str, ...]


@dataclass(frozen=True, eq=False, kw_only=True)
class DeflectionMap:
    """Displacement over the panel.

    Parameters
    ----------
    x_m, y_m : ndarray
        Mesh lines [m].
    deflection_m : ndarray, shape (len(x_m), len(y_m))
        Displacement, positive upwards [m].
    cautions : tuple of str
        Where the thin-plate theory does not hold.
    """

    x_m: np.ndarray
    y_m: np.ndarray
    deflection_m: np.ndarray
    cautions: tuple[str, ...]


@dataclass(frozen=True, eq=False, kw_only=True)
class Receptance:
    """Receptance (dynamic compliance) between two points.

    Parameters
    ----------
    frequency_hz : ndarray
        Frequencies [Hz].
    receptance_m_per_n : ndarray of complex
        Displacement over force, phase of the displacement against the force [m/N].
    """

    frequency_hz: np.ndarray
    receptance_m_per_n: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Panel:
    """A rectangular panel with its edges, feet, masses and hole array.

    Parameters
    ----------
    length_m, width_m, thickness_m : float
        Size [m].
    material : Material
        The sheet; a grain runs along the length (`Material.turned` turns it).
    edges : Edges
        How the edges are held.
    supports : tuple of PointSupport
        Feet and bolts.
    masses : tuple of PointMass
        Masses on the panel.
    holes : HoleArray or None
        Hole array that softens and lightens the sheet.

    Examples
    --------
    A steel square on its four corners gives 0.03914·P·a²/D in the middle [1]_.

    >>> from labkit.model.materials import material
    >>> from labkit.model.panel_parts import Edges, PointSupport
    >>> feet = [PointSupport(x_m=x, y_m=y, stiffness_n_per_m=math.inf) for x in (0, 0.45) for y in (0, 0.45)]
    >>> panel = Panel(length_m=0.45, width_m=0.45, thickness_m=0.003, material=material("mild steel"),
    ...     edges=Edges(), supports=feet, masses=(), holes=None)
    >>> round(panel.compliance_m_per_n((0.225, 0.225)) * panel.rigidity.along / 0.45**2, 4)
    0.0391

    References
    ----------
    .. [1] S. P. Timoshenko and S. Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed., 1959, art. 48 (the case;
       the number was computed for this project).
    """

    length_m: float
    width_m: float
    thickness_m: float
    material: Material
    edges: Edges
    supports: tuple[PointSupport, ...]
    masses: tuple[PointMass, ...]
    holes: HoleArray | None

    def __post_init__(self) -> None:
        for name in ("length_m", "width_m", "thickness_m"):
            check_number(name, getattr(self, name), above=0.0)
        slender = self.length_m / self.width_m
        check_number("length over width", slender, at_least=0.1, at_most=10.0, cure="treat it as a beam")
        object.__setattr__(self, "supports", tuple(self.supports))
        object.__setattr__(self, "masses", tuple(self.masses))
        for kind, points in (("support", self.supports), ("mass", self.masses)):
            for number, point in enumerate(points):
                self._check_on_panel(f"{kind} {number}", point.x_m, point.y_m)
        _check_apart("supports", self.supports)
        _check_apart("masses", self.masses)

    # ------------------------------------------------------------------------------------------------- properties
    @cached_property
    def rigidity(self) -> Rigidity:
        """Bending rigidity of the sheet with its holes."""
        plain = plate_rigidity(self.material, thickness_m=self.thickness_m)
        return plain if self.holes is None else perforated_rigidity(plain, holes=self.holes)

    @property
    def mass_kg(self) -> float:
        """Mass of the sheet without what rides on it [kg]."""
        solid = 1.0 if self.holes is None else 1.0 - self.holes.area_fraction
        return self.material.density_kg_m3.value * self.length_m * self.width_m * self.thickness_m * solid

    @property
    def cautions(self) -> tuple[str, ...]:
        """Where the thin-plate theory does not hold for this panel."""
        ratio = self.thickness_m / min(self.length_m, self.width_m)
        if ratio <= 1.0 / 20.0:
            return ()
        return (
            f"thickness is 1/{1 / ratio:.3g} of the short side, above 1/20: shear, left out here, makes the panel "
            "softer than stated and its frequencies lower (3 % at 1/10)",
        )

    # ----------------------------------------------------------------------------------------------------- statics
    def compliance_m_per_n(self, at_m: tuple[float, float], *, load_m: tuple[float, float] | None = None) -> float:
        """Displacement [m/N] at a point for a unit force at `load_m` (default: at the same point).

        Parameters
        ----------
        at_m, load_m : tuple of float
            Points (x, y) [m].
        """
        here = self._held.at(self._places([at_m]))
        there = here if load_m is None else self._held.at(self._places([load_m]))
        self._check_held()
        return float(self._held.flexibility(here, there)[0, 0])

    def stiffness_n_per_m(self, at_m: tuple[float, float]) -> float:
        """Force over displacement at a point [N/m]; inf on a rigid support."""
        compliance = self.compliance_m_per_n(at_m)
        return 1.0 / compliance if compliance > 1e-12 * self._softness else math.inf

    def sag(self, at_m: Sequence[tuple[float, float]]) -> Sag:
        """Sag at points (x, y) [m] under self-weight and masses, at once and with creep."""
        places = self._places(at_m)
        short, forces = self._under_weight(self._held, places)
        creeping = replace(self._held, omega2_unit=self._held.omega2_unit / (1.0 + self.material.creep_factor.value))
        long, _ = self._under_weight(creeping, places)
        return Sag(
            at_m=np.asarray(at_m, dtype=float),
            short_term_m=short,
            long_term_m=long,
            support_forces_n=forces,
            cautions=(*self.cautions, *self._large(long), *self._lifting(forces)),
        )

    def deflection_map(
        self,
        loads_n: Sequence[tuple[float, float, float]],
        *,
        n_along: int = 61,
        n_across: int = 61,
    ) -> DeflectionMap:
        """Displacement over the whole panel under point forces.

        Parameters
        ----------
        loads_n : sequence of (x, y, force)
            Points [m] and upward forces [N].
        n_along, n_across : int
            Mesh lines along and across.
        """
        loads = check_array("loads_n", loads_n, ndim=2)
        if loads.shape[1] != 3:
            raise ValueError(f"loads_n have {loads.shape[1]} numbers each; give (x, y, force) in metres and newtons")
        held = self._check_held()
        shape = held.deflected(held.at(self._places(loads[:, :2])), loads[:, 2:3])
        along, across = np.linspace(-1.0, 1.0, n_along), np.linspace(-1.0, 1.0, n_across)
        deflection = field_values(held, shape, along=along, across=across, mesh=True)[0]
        return DeflectionMap(
            x_m=0.5 * (along + 1.0) * self.length_m,
            y_m=0.5 * (across + 1.0) * self.width_m,
            deflection_m=deflection,
            cautions=(*self.cautions, *self._large(deflection)),
        )

    # ---------------------------------------------------------------------------------------------------- dynamics
    def modes(self, count: int = 12) -> PanelModes:
        """Lowest modes with their frequencies, loss factors and shapes.

        Parameters
        ----------
        count : int
            How many, at most 16: higher ones would need more of the series.
        """
        count = operator.index(count)
        check_number("count", count, at_least=1, at_most=16)
        solved = self._held.modes(count)
        return PanelModes(
            frequencies_hz=np.sqrt(solved.omega2) / (2.0 * np.pi),
            loss_factors=self._loss_factors(solved.support_share),
            length_m=self.length_m,
            width_m=self.width_m,
            held=self._held,
            solved=solved,
            cautions=self.cautions,
        )

    def frequencies_hz(self, count: int = 5) -> np.ndarray:
        """Lowest natural frequencies [Hz]; 0 for motion that nothing holds."""
        return self.modes(count).frequencies_hz

    def receptance(
        self,
        frequency_hz: np.ndarray,
        *,
        at_m: tuple[float, float],
        load_m: tuple[float, float],
        loss_factor: float | None = None,
    ) -> Receptance:
        """Receptance at `at_m` for a force at `load_m`, each part with its own structural damping.

        Parameters
        ----------
        frequency_hz : array_like
            Frequencies [Hz].
        at_m, load_m : tuple of float
            Points (x, y) [m].
        loss_factor : float, optional
            One η for sheet and supports (built machines: 0.01…0.06, mostly joints); default: each part's own.
        """
        frequency = check_array("frequency_hz", frequency_hz, ndim=1)
        check_number("lowest of frequency_hz", frequency.min(), at_least=0.0)
        own = [self.material.loss_factor.value, *(s.loss_factor for s in self.supports)]
        if loss_factor is not None:
            own = [check_number("loss_factor", loss_factor, at_least=0.0)] * len(own)
        loss = np.array(own)
        loss[1:][self._held.support_flexibility == 0.0] = 0.0
        if np.isnan(loss).any():
            raise ValueError("loss factor of a support is unknown (nan); give loss_factor= or the support's own")
        found = self._held.receptance(
            self._held.at(self._places([at_m, load_m])),
            2.0 * np.pi * frequency,
            sheet_loss=loss[0],
            support_loss=loss[1:],
        )
        return Receptance(frequency_hz=frequency, receptance_m_per_n=found)

    # --------------------------------------------------------------------------------------------------- internals
    @cached_property
    def _bare(self) -> BarePlate:
        d, edges = self.rigidity, self.edges
        return bare_plate(
            edges=(edges.left, edges.right, edges.front, edges.back),
            aspect=self.length_m / self.width_m,
            across_ratio=d.across / d.along,
            coupling_ratio=d.coupling / d.along,
            twist_ratio=d.twist / d.along,
        )

    @cached_property
    def _held(self) -> HeldPlate:
        supports = self._places([(s.x_m, s.y_m) for s in self.supports])
        held = HeldPlate(
            bare=self._bare,
            omega2_unit=self.rigidity.along * (2.0 / self.length_m) ** 4 * self.length_m * self.width_m / self.mass_kg,
            shape_unit=2.0 / math.sqrt(self.mass_kg),
            supports=supports,
            support_flexibility=np.array([1.0 / s.stiffness_n_per_m for s in self.supports]),
            masses=self._places([(m.x_m, m.y_m) for m in self.masses]),
            masses_kg=np.array([m.mass_kg for m in self.masses]),
        )
        self._check_movable(held)
        return held

    @property
    def _softness(self) -> float:
        """Compliance that a point of the panel has to the order of magnitude, a²/D [m/N]."""
        return self.length_m * self.width_m / max(self.rigidity.along, self.rigidity.across)

    def _places(self, points: Sequence[tuple[float, float]]) -> np.ndarray:
        if not len(points):
            return np.zeros((0, 2))
        places = check_array("points", points, ndim=2)
        if places.shape[1] != 2:
            raise ValueError(f"points have {places.shape[1]} numbers each; give (x, y) in metres")
        for number, (x, y) in enumerate(places):
            self._check_on_panel(f"point {number}", x, y)
        return 2.0 * places / (self.length_m, self.width_m) - 1.0

    def _check_on_panel(self, name: str, x: float, y: float) -> None:
        check_number(f"x of {name}", x, at_least=0.0, at_most=self.length_m, cure="the origin is a corner of the panel")
        check_number(f"y of {name}", y, at_least=0.0, at_most=self.width_m, cure="the origin is a corner of the panel")

    def _check_movable(self, held: HeldPlate) -> None:
        """Supports must stand where the bare panel can move, and far enough apart to be told apart."""
        if not self.supports:
            return
        own = held.residual_at_supports
        for number, (support, flexibility) in enumerate(zip(self.supports, np.diag(own))):
            if flexibility < 1e-7 * self._softness:
                raise ValueError(
                    f"support {number} at ({support.x_m:g}, {support.y_m:g}) m stands on a held edge, where it does "
                    "nothing; leave it out"
                )
        lowest = float(np.linalg.eigvalsh(own + np.diag(held.support_flexibility))[0])
        if lowest < 1e-9 * self._softness:
            raise ValueError(
                "supports stand too close together to be told apart by this model; merge neighbours into one foot "
                "with the sum of their stiffness"
            )

    def _check_held(self) -> HeldPlate:
        """The held plate, or an error when the panel can rise or rock without resistance."""
        free = int(np.sum(self._bare.eigenvalues == 0.0))
        if free:
            shapes = self._bare.shapes(self._held.supports)[:, :free]
            strength = np.linalg.svd(shapes, compute_uv=False) if len(self.supports) else np.zeros(1)
            if len(self.supports) < free or strength[-1] < 1e-4 * strength[0]:
                raise ValueError(
                    f"the panel can rise or rock: {len(self.supports)} support(s) leave motion that costs no force; "
                    "add supports that are not on one line, or hold an edge"
                )
        return self._held

    def _under_weight(self, held: HeldPlate, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Downward displacement at places and upward support forces."""
        self._check_held()
        here = held.at(places)
        own, riding = self.mass_kg * STANDARD_GRAVITY_M_S2, held.masses_kg * STANDARD_GRAVITY_M_S2
        on_it = held.at(held.masses)
        down = own * held.flexibility(here, held.spread)[:, 0] + held.flexibility(here, on_it) @ riding
        forces = -own * held.support_forces(held.spread)[:, 0] - held.support_forces(on_it) @ riding
        return down, forces

    def _large(self, deflection_m: np.ndarray) -> tuple[str, ...]:
        worst = float(np.max(np.abs(deflection_m), initial=0.0))
        if worst <= 0.5 * self.thickness_m:
            return ()
        return (
            f"deflection {1e3 * worst:.3g} mm is above half the thickness: a held panel stiffens by stretching, so "
            "the true deflection is smaller",
        )

    def _lifting(self, forces_n: np.ndarray) -> tuple[str, ...]:
        return tuple(
            f"support {number} would have to pull with {-force:.3g} N: without preload the panel lifts off there"
            for number, force in enumerate(forces_n)
            if force < 0.0
        )

    def _loss_factors(self, support_share: np.ndarray) -> np.ndarray:
        """Modal strain-energy method: each part's loss factor weighted with its share of the strain energy."""
        share = np.vstack([support_share, 1.0 - support_share.sum(axis=0)])
        loss = np.array([*(s.loss_factor for s in self.supports), self.material.loss_factor.value])
        return np.where(share > 0.0, share * loss[:, None], 0.0).sum(axis=0)


def _check_apart(name: str, points: Sequence[PointSupport] | Sequence[PointMass]) -> None:
    if len({(point.x_m, point.y_m) for point in points}) < len(points):
        raise ValueError(f"two {name} stand at the same point; merge them into one with the sum of their values")
