"""The parts of a machine: feet, frame, head, panel in its frame, camera.

Axes x, y, z with z upwards and z = 0 in the plane of the feet's tops.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np

from labkit.base import check_array, check_choice, check_number
from labkit.model.panel import Panel
from labkit.model.panel_modes import PanelModes

__all__ = ["Camera", "Foot", "Frame", "Head", "HeadMount", "PanelMount", "body_mass", "point_motion"]


@dataclass(frozen=True, kw_only=True)
class Foot:
    """A foot between frame and bench.

    Parameters
    ----------
    x_m, y_m : float
        Where it stands [m].
    stiffness_x_n_per_m, stiffness_y_n_per_m, stiffness_z_n_per_m : float
        Stiffness along the axes [N/m]; 0 for a foot that slides.
    loss_factor : float
        η of the foot, 2ζ of a mode that lives in it alone; nan when unknown.
    """

    x_m: float
    y_m: float
    stiffness_x_n_per_m: float
    stiffness_y_n_per_m: float
    stiffness_z_n_per_m: float
    loss_factor: float

    def __post_init__(self) -> None:
        for field in fields(self)[:5]:
            low = 0.0 if field.name.startswith("stiffness") else None
            check_number(field.name, getattr(self, field.name), at_least=low)
        _check_loss(self.loss_factor)


@dataclass(frozen=True, kw_only=True)
class Frame:
    """The rigid part: everything but the moving head and the panel with what rides on it.

    Parameters
    ----------
    mass_kg : float
        Mass [kg].
    centre_m : tuple of float
        Centre of mass (x, y, z) [m].
    inertia_kg_m2 : tuple of float
        Moments of inertia about axes x, y, z through the centre of mass [kg·m²]; see `Frame.box`.
    products_kg_m2 : tuple of float
        Products of inertia ∫yz, ∫xz, ∫xy dm through the centre of mass [kg·m²].

    Examples
    --------
    Two equal boxes side by side are one box of twice the width.

    >>> halves = [Frame.box(mass_kg=1.0, centre_m=(x, 0.0, 0.0), size_m=(0.2, 0.2, 0.2)) for x in (-0.1, 0.1)]
    >>> whole = Frame.box(mass_kg=2.0, centre_m=(0.0, 0.0, 0.0), size_m=(0.4, 0.2, 0.2))
    >>> np.allclose(halves[0].joined(halves[1]).inertia_kg_m2, whole.inertia_kg_m2)
    True
    """

    mass_kg: float
    centre_m: tuple[float, float, float]
    inertia_kg_m2: tuple[float, float, float]
    products_kg_m2: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        check_number("mass_kg", self.mass_kg, above=0.0)
        _check_point("centre_m", self.centre_m)
        x, y, z = (check_number("inertia_kg_m2", value, above=0.0) for value in self.inertia_kg_m2)
        if max(x, y, z) > (x + y + z) / 2 * (1 + 1e-9):
            raise ValueError(
                f"inertia_kg_m2 is {self.inertia_kg_m2!r}; no body has one moment above the sum of the other two; "
                "check units and order"
            )

    @classmethod
    def box(cls, *, mass_kg: float, centre_m: tuple[float, float, float], size_m: tuple[float, float, float]) -> Frame:
        """A frame with the inertia of an even box of size (x, y, z) [m] about its centre."""
        x, y, z = (check_number("size_m", side, above=0.0) ** 2 for side in size_m)
        inertia = tuple(mass_kg / 12.0 * total for total in (y + z, x + z, x + y))
        return cls(mass_kg=mass_kg, centre_m=centre_m, inertia_kg_m2=inertia)

    @property
    def inertia_matrix_kg_m2(self) -> np.ndarray:
        """Inertia about the centre of mass, shape (3, 3) [kg·m²]."""
        yz, xz, xy = self.products_kg_m2
        return np.diag(self.inertia_kg_m2) - np.array([[0.0, xy, xz], [xy, 0.0, yz], [xz, yz, 0.0]])

    def joined(self, other: Frame) -> Frame:
        """This body and another bolted to it, as one."""
        bodies = (self, other)
        mass = self.mass_kg + other.mass_kg
        centre = sum(body.mass_kg * np.array(body.centre_m) for body in bodies) / mass
        arms = [np.array(body.centre_m) - centre for body in bodies]
        inertia = sum(
            body.inertia_matrix_kg_m2 + body.mass_kg * (arm @ arm * np.eye(3) - np.outer(arm, arm))
            for body, arm in zip(bodies, arms)
        )
        return Frame(
            mass_kg=mass,
            centre_m=tuple(centre.tolist()),
            inertia_kg_m2=tuple(np.diag(inertia).tolist()),
            products_kg_m2=(-float(inertia[1, 2]), -float(inertia[0, 2]), -float(inertia[0, 1])),
        )


@dataclass(frozen=True, kw_only=True)
class HeadMount:
    """What carries the head on the frame (bridge, belts, rails) as three springs.

    Parameters
    ----------
    stiffness_n_per_m : tuple of float
        Stiffness along x, y, z [N/m], above 0.
    loss_factor : float
        η; nan when unknown.
    """

    stiffness_n_per_m: tuple[float, float, float]
    loss_factor: float

    def __post_init__(self) -> None:
        for value in self.stiffness_n_per_m:
            check_number("stiffness_n_per_m", value, above=0.0)
        _check_loss(self.loss_factor)


@dataclass(frozen=True, kw_only=True)
class Head:
    """The moving head with the part it holds, as a point mass where it stops.

    Parameters
    ----------
    mass_kg : float
        Mass that moves [kg].
    at_m : tuple of float
        Where its centre of mass stops (x, y, z) [m].
    mount : HeadMount or None
        None for a head that the frame carries rigidly.
    """

    mass_kg: float
    at_m: tuple[float, float, float]
    mount: HeadMount | None

    def __post_init__(self) -> None:
        check_number("mass_kg", self.mass_kg, above=0.0)
        _check_point("at_m", self.at_m)


@dataclass(frozen=True, kw_only=True)
class PanelMount:
    """A horizontal panel in the frame.

    Parameters
    ----------
    panel : Panel
        The panel with all its supports and masses (the camera is one of them).
    corner_m : tuple of float
        Where its origin corner lies (x, y, z) [m]; its length runs along x.
    on_bench : tuple of int
        Numbers of those of `panel.supports` that stand on the bench; the others stand on the frame. They only push
        upwards and need a finite stiffness.
    n_modes : int
        Panel modes that take part, at most 16; what lies above moves with the frame.
    """

    panel: Panel
    corner_m: tuple[float, float, float]
    on_bench: tuple[int, ...]
    n_modes: int

    def __post_init__(self) -> None:
        _check_point("corner_m", self.corner_m)
        for number in self.on_bench:
            count = len(self.panel.supports)
            if not 0 <= number < count:
                raise ValueError(f"on_bench holds {number}; the panel has supports 0…{count - 1}")
            if math.isinf(self.panel.supports[number].stiffness_n_per_m):
                raise ValueError(f"support {number} stands on the bench and is rigid; give its finite stiffness")

    @cached_property
    def modes(self) -> PanelModes:
        """Modes of the panel with all supports standing still."""
        modes = self.panel.modes(self.n_modes)
        if modes.frequencies_hz[0] <= 1e-6 * modes.frequencies_hz[-1]:
            raise ValueError(
                "the panel can move on its own; hold it on the frame by at least three supports or an edge"
            )
        return modes

    @cached_property
    def bench_points_m(self) -> list[tuple[float, float]]:
        """Places of the supports on the bench, on the panel [m]."""
        return [(self.panel.supports[n].x_m, self.panel.supports[n].y_m) for n in self.on_bench]

    def frame_rise(self, at_m: Sequence[tuple[float, float]]) -> np.ndarray:
        """Rise of the frame at panel points for its six motions, shape (n, 6)."""
        x, y, z = self.corner_m
        return np.array([point_motion((x + px, y + py, z))[2] for px, py in at_m]).reshape(-1, 6)

    @cached_property
    def bench_rise(self) -> np.ndarray:
        """Rise of the frame at each support on the bench for its six motions, shape (n_bench, 6)."""
        return self.frame_rise(self.bench_points_m)

    @cached_property
    def _bench_force(self) -> np.ndarray:
        """Force of each support on the bench for motion of the frame, the panel rigid, shape (n_bench, 6)."""
        springs = np.array([self.panel.supports[n].stiffness_n_per_m for n in self.on_bench])
        return springs[:, None] * self.bench_rise

    @cached_property
    def support_pull(self) -> np.ndarray:
        """Downward force of each support for motion of the frame, the panel modes still, shape (n_supports, 6)."""
        pull = np.zeros((len(self.panel.supports), 6))
        if self.on_bench:
            pull[list(self.on_bench)] = self._bench_force
            pull += self.modes.residual_support_forces(self.bench_points_m) @ self._bench_force
        return pull

    @cached_property
    def _flexed(self) -> dict[tuple[float, float], tuple[np.ndarray, np.ndarray]]:
        """Answers of `flexing` so far."""
        return {}

    def flexing(self, x_m: float, y_m: float) -> tuple[np.ndarray, np.ndarray]:
        """Rise and slopes along x and y of the panel relative to the frame at a place of the machine.

        For unit panel modes, shape (3, n_modes), and for the six motions of the frame, which bend the panel when it
        stands on the bench somewhere, shape (3, 6).
        """
        if (x_m, y_m) not in self._flexed:
            points, spans = self._star(x_m, y_m)
            rises = self.modes.shapes(points), self.residual_rise(points)
            self._flexed[x_m, y_m] = tuple(_rise_and_slopes(rise, spans) for rise in rises)
        return self._flexed[x_m, y_m]

    def dip(self, x_m: float, y_m: float, *, loads_m: np.ndarray) -> np.ndarray:
        """Rise and slopes at a place of the machine that the panel modes leave out, shape (3, n_loads).

        For unit upward forces at points (x, y) of the panel.
        """
        points, spans = self._star(x_m, y_m)
        residual = self.modes.residual_flexibility([*points, *loads_m])
        return _rise_and_slopes(residual[: len(points), len(points) :], spans)

    def residual_rise(self, at_m: Sequence[tuple[float, float]]) -> np.ndarray:
        """Rise of panel points relative to the frame for its six motions, the panel modes still, shape (n, 6)."""
        if not self.on_bench:
            return np.zeros((len(at_m), 6))
        residual = self.modes.residual_flexibility([*at_m, *self.bench_points_m])
        return -residual[: len(at_m), len(at_m) :] @ self._bench_force

    def _star(self, x_m: float, y_m: float) -> tuple[list[tuple[float, float]], tuple[float, float]]:
        """Panel points under a place of the machine, beside it along x and along y, and the spans between these."""
        x, y = x_m - self.corner_m[0], y_m - self.corner_m[1]
        step = 1e-3 * min(self.panel.length_m, self.panel.width_m)
        ends_x = np.clip([x - step, x + step], 0.0, self.panel.length_m)
        ends_y = np.clip([y - step, y + step], 0.0, self.panel.width_m)
        points = [(x, y), *((end, y) for end in ends_x), *((x, end) for end in ends_y)]
        return points, (np.ptp(ends_x), np.ptp(ends_y))

    @cached_property
    def motion(self) -> np.ndarray:
        """Rise and slopes along x and y of the panel's middle for the six motions of the frame, shape (3, 6)."""
        x, y, z = self.corner_m
        middle = (x + self.panel.length_m / 2, y + self.panel.width_m / 2, z)
        return np.vstack([point_motion(middle)[2], [0, 0, 0, 0, -1, 0], [0, 0, 0, 1, 0, 0]])

    def rigid_mass(self) -> np.ndarray:
        """Mass matrix of the panel and what rides on it for the six motions of the frame."""
        panel, (x, y, z) = self.panel, self.corner_m
        a, b = panel.length_m, panel.width_m
        inertia = panel.mass_kg / 12.0 * np.array([b * b, a * a, a * a + b * b])
        total = body_mass(panel.mass_kg, (x + a / 2, y + b / 2, z), inertia)
        for mass in panel.masses:
            total += body_mass(mass.mass_kg, (x + mass.x_m, y + mass.y_m, z), np.zeros(3))
        return total


@dataclass(frozen=True, kw_only=True)
class Camera:
    """An upward-looking camera and what it looks at.

    Parameters
    ----------
    at_m : tuple of float
        The camera (x, y, z) [m]; with a panel it sits on it and moves as the panel does there.
    sight_m : float
        Height of the object above `at_m` [m].
    target : str
        "head": the object is held by the head; "bench": it stands still.
    """

    at_m: tuple[float, float, float]
    sight_m: float
    target: str

    def __post_init__(self) -> None:
        _check_point("at_m", self.at_m)
        check_number("sight_m", self.sight_m, at_least=0.0)
        check_choice("target", self.target, ("head", "bench"))


def point_motion(at_m: Sequence[float]) -> np.ndarray:
    """Displacement of a point for the six motions of a rigid body, u + θ × r, shape (3, 6).

    Parameters
    ----------
    at_m : sequence of float
        The point (x, y, z) [m].
    """
    x, y, z = at_m
    return np.array([[1, 0, 0, 0, z, -y], [0, 1, 0, -z, 0, x], [0, 0, 1, y, -x, 0]], dtype=float)


def body_mass(mass_kg: float, centre_m: Sequence[float], inertia_kg_m2: np.ndarray) -> np.ndarray:
    """Mass matrix of a body for the six motions about the origin, shape (6, 6).

    Parameters
    ----------
    mass_kg : float
        Mass [kg].
    centre_m : sequence of float
        Centre of mass [m].
    inertia_kg_m2 : ndarray, shape (3,) or (3, 3)
        Moments of inertia about axes through it, or the inertia matrix [kg·m²].
    """
    rows = point_motion(centre_m)
    total = mass_kg * rows.T @ rows
    total[3:, 3:] += np.diag(inertia_kg_m2) if np.ndim(inertia_kg_m2) == 1 else inertia_kg_m2
    return total


def _rise_and_slopes(rises: np.ndarray, spans: tuple[float, float]) -> np.ndarray:
    """From rises at a point, beside it along x and along y (rows): rise, slope along x, slope along y."""
    return np.array([rises[0], (rises[2] - rises[1]) / spans[0], (rises[4] - rises[3]) / spans[1]])


def _check_point(name: str, point: Sequence[float]) -> None:
    if check_array(name, point, ndim=1).size != 3:
        raise ValueError(f"{name} is {point!r}; give x, y, z in metres")


def _check_loss(loss_factor: float) -> None:
    if not math.isnan(loss_factor):
        check_number("loss_factor", loss_factor, at_least=0.0)
