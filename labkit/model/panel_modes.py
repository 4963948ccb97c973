"""Modes of a held panel: what a machine model, a plot or a measured run needs of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from labkit.base import check_array, check_number
from labkit.model.held_plate import HeldFields, HeldModes, HeldPlate

__all__ = ["PanelModes", "field_values"]


@dataclass(frozen=True, eq=False, kw_only=True)
class PanelModes:
    """Lowest modes of a panel, mass-normalised: modal mass 1 kg, shapes in 1/√kg.

    Parameters
    ----------
    frequencies_hz : ndarray, shape (n,)
        Undamped natural frequencies, ascending [Hz].
    loss_factors : ndarray, shape (n,)
        η of each mode by the modal strain-energy method, 2ζ at resonance; nan when a support's is unknown.
    length_m, width_m : float
        Panel size [m].
    held, solved : HeldPlate, HeldModes
        The solved model behind the numbers.
    cautions : tuple of str
        Where the thin-plate theory does not hold.
    """

    frequencies_hz: np.ndarray
    loss_factors: np.ndarray
    length_m: float
    width_m: float
    held: HeldPlate
    solved: HeldModes
    cautions: tuple[str, ...]

    @cached_property
    def participation(self) -> np.ndarray:
        """Γ of each mode for a base that rises [√kg] and tilts along the length and the width [√kg·m], shape (3, n).

        A tilt of 1 rad lifts a point by its distance from the middle. The mode obeys q̈ + ω²q = −Γ·(acceleration of
        the base), and moves the panel relative to the base.
        """
        arms = np.array([1.0, 0.5 * self.length_m, 0.5 * self.width_m])
        sheet_kg = 4.0 / self.held.shape_unit**2
        sheet = sheet_kg * arms[:, None] * (self.held.spread.shapes @ self.solved.amounts)
        places = self.held.masses
        moved = field_values(self.held, self.solved, along=places[:, 0], across=places[:, 1], mesh=False)
        levers = np.column_stack([np.ones(len(places)), places]) * arms
        return sheet + (moved @ (self.held.masses_kg[:, None] * levers)).T

    @property
    def effective_masses_kg(self) -> np.ndarray:
        """Mass that each mode moves when the base rises, Γ² [kg]; all modes together make the moving mass."""
        return self.participation[0] ** 2

    def shapes(self, at_m: Sequence[tuple[float, float]]) -> np.ndarray:
        """Mode shapes at points (x, y) [m], shape (n_points, n_modes) [1/√kg]."""
        places = self.places(at_m)
        return field_values(self.held, self.solved, along=places[:, 0], across=places[:, 1], mesh=False).T

    def shape_map(self, mode: int, *, n_along: int = 61, n_across: int = 61) -> np.ndarray:
        """One mode over a mesh from corner to corner, shape (n_along, n_across), greatest displacement 1."""
        number = int(check_number("mode", mode, at_least=0, at_most=len(self.frequencies_hz) - 1))
        one = HeldFields(
            amounts=self.solved.amounts[:, number : number + 1],
            places=self.solved.places,
            forces=self.solved.forces[:, number : number + 1],
        )
        lines = np.linspace(-1.0, 1.0, n_along), np.linspace(-1.0, 1.0, n_across)
        shape = field_values(self.held, one, along=lines[0], across=lines[1], mesh=True)[0]
        return shape / shape.flat[np.argmax(np.abs(shape))]

    def modal_masses_kg(self, at_m: tuple[float, float]) -> np.ndarray:
        """Mass of each mode seen at a point, 1/φ² [kg]; inf on a node."""
        with np.errstate(divide="ignore"):
            return 1.0 / self.shapes([at_m])[0] ** 2

    def residual_flexibility(self, at_m: Sequence[tuple[float, float]]) -> np.ndarray:
        """Static compliance between points that these modes do not carry, shape (n_points, n_points) [m/N].

        Add it to Σφφᵀ/ω² for the exact static compliance, or use it as a spring in series with each point.
        """
        omega2, shapes = self._held_omega2(), self.shapes(at_m)
        ports = self.held.at(self.places(at_m))
        return self.held.flexibility(ports, ports) - (shapes / omega2) @ shapes.T

    @property
    def support_forces(self) -> np.ndarray:
        """Upward force of each support on the panel for unit modes, shape (n_supports, n_modes) [N/(m·√kg)]."""
        return self.solved.forces[: len(self.held.supports)]

    def residual_support_forces(self, at_m: Sequence[tuple[float, float]]) -> np.ndarray:
        """Upward force of each support for unit upward forces at points that these modes do not carry.

        Shape (n_supports, n_points); add it to the modes' Σ(force·φ)/ω² for the exact static force.
        """
        carried = (self.support_forces / self._held_omega2()) @ self.shapes(at_m).T
        return self.held.support_forces(self.held.at(self.places(at_m))) - carried

    def _held_omega2(self) -> np.ndarray:
        if self.solved.omega2[0] <= 1e-9 * self.solved.omega2[-1]:
            raise ValueError("the panel is free to move as a whole and has no static compliance; add supports")
        return self.solved.omega2

    def places(self, at_m: Sequence[tuple[float, float]]) -> np.ndarray:
        """Points (x, y) [m] as (ξ, η) from −1 to 1 over the panel, the places of `held`."""
        points = check_array("at_m", at_m, ndim=2)
        places = 2.0 * points / (self.length_m, self.width_m) - 1.0
        if np.any(np.abs(places) > 1.0 + 1e-9):
            raise ValueError(
                f"a point of at_m lies outside the panel of {self.length_m:g} m × {self.width_m:g} m; "
                "the origin is a corner"
            )
        return places


def field_values(
    held: HeldPlate,
    shape: HeldFields,
    *,
    along: np.ndarray,
    across: np.ndarray,
    mesh: bool,
) -> np.ndarray:
    """Displacement fields at places or on a mesh, with the local dip at each point force.

    Parameters
    ----------
    held : HeldPlate
        The plate.
    shape : HeldFields
        Fields as sums of bare modes.
    along, across : ndarray
        ξ and η of places, or of mesh lines.
    mesh : bool
        True for all pairs of along and across.

    Returns
    -------
    ndarray, shape (n_fields, n_places) or (n_fields, n_along, n_across)
    """
    smooth = held.shape_unit * held.bare.fields(shape.amounts, along=along, across=across, mesh=mesh)
    grid = np.meshgrid(along, across, indexing="ij") if mesh else (along, across)
    places = np.column_stack([lines.ravel() for lines in grid])
    local = held.missed(places, shape.places) @ shape.forces
    return smooth + local.T.reshape(smooth.shape)
