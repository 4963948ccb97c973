"""A bare plate held at points: springs, rigid feet and masses as low-rank updates of its modes.

The lowest modes of the bare plate stay as coordinates; all higher ones act through their residual flexibility
(and, for the inertia, its first order), to which the closed-form tail of the series is added. A support then only
changes a small matrix, so a moved foot needs no new plate.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg

from labkit.model.plate_basis import BarePlate
from labkit.model.plate_tail import missing_compliance

__all__ = ["HeldFields", "HeldModes", "HeldPlate", "Ports"]

#: Bare modes that stay as coordinates.
N_LOW = 40


@dataclass(frozen=True, eq=False, kw_only=True)
class Ports:
    """Where forces act or displacements are read: rows of mode values, with places when they are points.

    Parameters
    ----------
    shapes : ndarray, shape (n_ports, n_modes)
        Bare modes at the port [1/√kg].
    places : ndarray, shape (n_ports, 2), or None
        (ξ, η) of points; None for a load that is spread out.
    """

    shapes: np.ndarray
    places: np.ndarray | None


@dataclass(frozen=True, eq=False, kw_only=True)
class HeldFields:
    """Displacement fields of a held plate as sums over bare modes, with the point forces that shape them locally.

    Parameters
    ----------
    amounts : ndarray, shape (n_bare, n_fields)
        Share of each bare mode.
    places : ndarray, shape (n_points, 2)
        (ξ, η) of supports, loads and masses.
    forces : ndarray, shape (n_points, n_fields)
        Forces on the plate there.
    """

    amounts: np.ndarray
    places: np.ndarray
    forces: np.ndarray


@dataclass(frozen=True, eq=False, kw_only=True)
class HeldModes(HeldFields):
    """Mass-normalised modes of a held plate.

    Parameters
    ----------
    omega2 : ndarray, shape (n,)
        Squared angular frequencies [rad²/s²].
    support_share : ndarray, shape (n_supports, n)
        Part of the strain energy that sits in each support.
    """

    omega2: np.ndarray
    support_share: np.ndarray


@dataclass(frozen=True, eq=False, kw_only=True)
class HeldPlate:
    """Plate, point supports and point masses.

    Parameters
    ----------
    bare : BarePlate
        Modes without dimensions.
    omega2_unit : float
        (rad/s)² that an eigenvalue of 1 stands for.
    shape_unit : float
        1/√kg that a mode value of 1 stands for.
    supports, masses : ndarray, shape (n, 2)
        Places (ξ, η).
    support_flexibility : ndarray
        Compliance of each support [m/N], 0 for a rigid one.
    masses_kg : ndarray
        Mass at each place.
    """

    bare: BarePlate
    omega2_unit: float
    shape_unit: float
    supports: np.ndarray
    support_flexibility: np.ndarray
    masses: np.ndarray
    masses_kg: np.ndarray

    def at(self, places: np.ndarray) -> Ports:
        """Points as ports."""
        return Ports(shapes=self.shape_unit * self.bare.shapes(places), places=places)

    @cached_property
    def spread(self) -> Ports:
        """1 N spread evenly over the plate (row 0) and the first moments in ξ and η (rows 1, 2) as ports."""
        return Ports(shapes=0.25 * self.shape_unit * self.bare.moments, places=None)

    def residual(self, first: Ports, second: Ports) -> np.ndarray:
        """Flexibility of everything above the lowest modes [m/N]; supports not acting."""
        spread = first.places is None or second.places is None
        missed = 0.0 if spread else self.missed(first.places, second.places)
        return (first.shapes[:, N_LOW:] / self._omega2[N_LOW:]) @ second.shapes[:, N_LOW:].T + missed

    @property
    def residual_at_supports(self) -> np.ndarray:
        """Residual flexibility between the supports [m/N]."""
        n = len(self.supports)
        return self._between[:n, :n]

    def missed(self, places: np.ndarray, others: np.ndarray) -> np.ndarray:
        """Compliance between places that the series leaves out [m/N]."""
        unit = self.shape_unit**2 / self.omega2_unit
        return unit * missing_compliance(self.bare, places=places, others=others)

    def flexibility(self, first: Ports, second: Ports) -> np.ndarray:
        """Static displacement at `first` for unit forces at `second`, supports acting [m/N]."""
        motion, residual = self._follow(first)
        other_motion, other_residual = (motion, residual) if second is first else self._follow(second)
        low = motion @ linalg.cho_solve(self._stiffness_factor, other_motion.T, check_finite=False)
        return low + self.residual(first, second) - residual @ self._support_stiffness @ other_residual.T

    def support_forces(self, loads: Ports) -> np.ndarray:
        """Force of each support on the plate, positive upwards, for unit upward forces at `loads`."""
        motion, residual = self._follow(loads)
        low = linalg.cho_solve(self._stiffness_factor, motion.T)
        return -self._support_stiffness @ (self._supports_low @ low + residual.T)

    def deflected(self, loads: Ports, forces: np.ndarray) -> HeldFields:
        """Static shapes under `forces` (n_loads, n_cases) at `loads`."""
        motion, _ = self._follow(loads)
        low = linalg.cho_solve(self._stiffness_factor, motion.T @ forces)
        at_supports = self.support_forces(loads) @ forces
        supports = self._points.shapes[: len(self.supports)]
        high = loads.shapes[:, N_LOW:].T @ forces + supports[:, N_LOW:].T @ at_supports
        if loads.places is None:
            places, points = self.supports, at_supports
        else:
            places, points = np.vstack([self.supports, loads.places]), np.vstack([at_supports, forces])
        return HeldFields(amounts=np.vstack([low, high / self._omega2[N_LOW:, None]]), places=places, forces=points)

    def receptance(
        self,
        ports: Ports,
        omega: np.ndarray,
        *,
        sheet_loss: float,
        support_loss: np.ndarray,
    ) -> np.ndarray:
        """Displacement at port 0 for a unit force at port 1 at angular frequencies `omega` [m/N], complex.

        All bare modes take part and each support has its own loss factor: nothing is assumed of the damping.
        """
        n = len(self.supports) + len(self.masses)
        shapes = np.vstack([self._points.shapes, ports.shapes])
        slowest = 1e-3 * np.sqrt(self._omega2[self._omega2 > 0.0][0])
        square = np.maximum(omega, slowest) ** 2
        turning = 1.0 / (self._omega2[:, None] * (1.0 + 1j * sheet_loss) - square)
        products = (shapes[:, None, :] * shapes[None, :, :]).reshape(-1, shapes.shape[1])
        places = np.vstack([self._points.places, ports.places])
        missed = self.missed(places, places) / (1.0 + 1j * sheet_loss)
        bare = (products @ turning).T.reshape(-1, n + 2, n + 2) + missed
        stays, pushes = self._point_impedances(square, support_loss)
        system = stays[:, :, None] * np.eye(n) + pushes[:, :, None] * bare[:, :n, :n]
        forces = np.linalg.solve(system, (pushes * bare[:, :n, n + 1])[:, :, None])[:, :, 0]
        return bare[:, n, n + 1] - np.sum(bare[:, n, :n] * forces, axis=1)

    def _point_impedances(self, square: np.ndarray, support_loss: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(s, p) with s·force + p·displacement = 0 at every support and mass: (0, 1) for a rigid one."""
        rigid = self.support_flexibility == 0.0
        spring = (1.0 + 1j * support_loss) / np.where(rigid, 1.0, self.support_flexibility)
        pushes = np.hstack([np.tile(np.where(rigid, 1.0, spring), (len(square), 1)), -np.outer(square, self.masses_kg)])
        stays = np.concatenate([np.where(rigid, 0.0, 1.0), np.ones(len(self.masses))])
        return np.tile(stays, (len(square), 1)), pushes

    def modes(self, count: int) -> HeldModes:
        """Lowest `count` modes, by Rayleigh–Ritz in the lowest bare modes and the residual shapes of the masses."""
        n_supports, n_masses = len(self.supports), len(self.masses)
        motion, residual, kept = self._mass_coordinates
        # Point forces that go with the coordinates (lowest bare modes, then forces at the masses).
        at_supports = np.hstack([self._supports_low, self._between[:n_supports, n_supports:][:, kept]])
        at_masses = np.hstack([np.zeros((n_masses, N_LOW)), np.eye(n_masses)[:, kept]])
        forces = np.vstack([-self._support_stiffness @ at_supports, at_masses])
        moved = np.hstack([motion, residual[:, kept]])
        ports = self._points.shapes[:, N_LOW:] / self._omega2[N_LOW:]
        mass = forces.T @ (ports @ ports.T) @ forces + moved.T @ (self.masses_kg[:, None] * moved)
        mass[:N_LOW, :N_LOW] += np.eye(N_LOW)
        stiffness = np.zeros_like(mass)
        stiffness[:N_LOW, :N_LOW] = self._stiffness
        stiffness[N_LOW:, N_LOW:] = residual[np.ix_(kept, kept)]
        size = np.concatenate([np.ones(N_LOW), 1.0 / np.diag(residual)[kept]])
        scale = np.outer(size, size)
        omega2, vectors = linalg.eigh(
            stiffness * scale, mass * scale, subset_by_index=(0, count - 1), check_finite=False
        )
        return self._expand(np.maximum(omega2, 0.0), vectors[:N_LOW], forces @ (size[:, None] * vectors))

    def _expand(self, omega2: np.ndarray, low: np.ndarray, forces: np.ndarray) -> HeldModes:
        high = (self._points.shapes[:, N_LOW:].T @ forces) / self._omega2[N_LOW:, None]
        in_supports = forces[: len(self.supports)] ** 2 * self.support_flexibility[:, None]
        return HeldModes(
            omega2=omega2,
            amounts=np.vstack([low, high]),
            forces=forces,
            places=self._points.places,
            support_share=in_supports / np.where(omega2 > 0, omega2, np.inf),
        )

    # --------------------------------------------------------------------------------------------- small matrices
    @cached_property
    def _omega2(self) -> np.ndarray:
        return self.omega2_unit * self.bare.eigenvalues

    @cached_property
    def _points(self) -> Ports:
        """Supports, then masses."""
        return self.at(np.vstack([self.supports, self.masses]))

    @cached_property
    def _between(self) -> np.ndarray:
        """Residual flexibility between all supports and masses."""
        return self.residual(self._points, self._points)

    @cached_property
    def _supports_low(self) -> np.ndarray:
        return self._points.shapes[: len(self.supports), :N_LOW]

    @cached_property
    def _support_stiffness(self) -> np.ndarray:
        """Supports in series with the residual flexibility of the plate above them [N/m]."""
        return linalg.inv(self.residual_at_supports + np.diag(self.support_flexibility))

    @cached_property
    def _stiffness(self) -> np.ndarray:
        shapes = self._supports_low
        return np.diag(self._omega2[:N_LOW]) + shapes.T @ self._support_stiffness @ shapes

    @cached_property
    def _stiffness_factor(self):
        return linalg.cho_factor(self._stiffness)

    def _follow(self, ports: Ports) -> tuple[np.ndarray, np.ndarray]:
        """Motion of ports with the lowest bare modes, supports reacting; and their residual towards the supports."""
        n = len(self.supports)
        supports = Ports(shapes=self._points.shapes[:n], places=self.supports)
        residual = self.residual(ports, supports)
        return ports.shapes[:, :N_LOW] - residual @ self._support_stiffness @ self._supports_low, residual

    @cached_property
    def _mass_coordinates(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Motion of the masses with the lowest modes, their residual flexibility, and which of it is not nothing."""
        n = len(self.supports)
        reacting = self._between[n:, :n] @ self._support_stiffness
        motion = self._points.shapes[n:, :N_LOW] - reacting @ self._supports_low
        own = self._between[n:, n:] - reacting @ self._between[:n, n:]
        return motion, own, np.flatnonzero(np.diag(own) > 1e-9 * self.shape_unit**2 / self.omega2_unit)
