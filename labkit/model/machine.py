"""A machine on its feet: rigid frame, moving head, panel with the camera, and the modes they make together.

Axes x, y, z with z upwards and z = 0 in the plane of the feet's tops. The frame is one rigid body; the panel's modes
relative to it (component-mode synthesis with fixed interface) and a flexible mount of the head are added to its six
motions. Small motion, one pose: the head stands where it stops, and its weight wandering during the move is left out.
Masses on the panel lie in its plane, so that only the frame's rising and tilting bends it. Damping is that of each
mode by itself: where modes lie closer together than their widths and parts differ much in loss factor, ζ may be off by
a tenth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg

from labkit.base import STANDARD_GRAVITY_M_S2, check_choice, check_number
from labkit.model.machine_parts import Camera, Foot, Frame, Head, PanelMount, body_mass, point_motion

__all__ = ["Machine", "MachineModes", "PictureModes", "recoil_m", "transmissibility"]

_AXES = {"x": 0, "y": 1, "z": 2}


@dataclass(frozen=True, eq=False, kw_only=True)
class PictureModes:
    """Modes as the picture sees them, and how a move of the head drives them; leading axes are machines.

    Parameters
    ----------
    frequencies_hz : ndarray, shape (..., n)
        Undamped natural frequencies, ascending [Hz].
    damping_ratios : ndarray, shape (..., n)
        ζ by the modal strain-energy method, η/2; nan when a loss factor is unknown.
    push : ndarray, shape (..., 3, n)
        Modal push for unit acceleration of the head along x, y, z: q̈ + 2ζωq̇ + ω²q = push·a.
    image : ndarray, shape (..., 3, n)
        Displacement x, y, z of the object in the picture (object minus line of sight; z is the defocus), for unit q.
    """

    frequencies_hz: np.ndarray
    damping_ratios: np.ndarray
    push: np.ndarray
    image: np.ndarray


@dataclass(frozen=True, eq=False, kw_only=True)
class MachineModes(PictureModes):
    """Modes of one machine.

    Parameters
    ----------
    frequencies_hz, damping_ratios, push, image : ndarray
        As in `PictureModes`, without leading axes.
    shapes : ndarray, shape (n_coordinates, n)
        Mass-normalised: x, y, z [m], turns about x, y, z [rad], head on its mount (x, y, z), panel modes.
    camera : ndarray, shape (3, n)
        Displacement x, y, z of the camera for unit q.
    """

    shapes: np.ndarray
    camera: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Machine:
    """Frame, feet, head, camera and, if there is one, the panel that carries the camera.

    Parameters
    ----------
    frame : Frame
        The rigid part.
    feet : tuple of Foot
        Feet between frame and bench.
    head : Head
        The moving head.
    camera : Camera
        The camera.
    panel : PanelMount or None
        The panel under the camera; None for a camera on the rigid frame.
    gravity_m_s2 : float
        Gravity, which softens the tilting of a high machine [m/s²].

    Examples
    --------
    A box of 12 kg on four feet bounces at √(4k/m)/2π, Harris Eq. 3.37 (seen).

    >>> from labkit.model.machine_parts import Camera, Foot, Frame, Head
    >>> feet = [Foot(x_m=x, y_m=y, stiffness_x_n_per_m=8e3, stiffness_y_n_per_m=8e3, stiffness_z_n_per_m=2e4,
    ...     loss_factor=0.1) for x in (-0.2, 0.2) for y in (-0.15, 0.15)]
    >>> frame = Frame.box(mass_kg=12.0, centre_m=(0, 0, 0), size_m=(0.5, 0.4, 0.1))
    >>> machine = Machine(frame=frame, feet=feet, head=Head(mass_kg=1e-9, at_m=(0, 0, 0), mount=None),
    ...     camera=Camera(at_m=(0, 0, 0), sight_m=0.1, target="bench"), panel=None)
    >>> machine.modes.frequencies_hz[3:].round(2).tolist()
    [12.99, 16.38, 17.66]
    """

    frame: Frame
    feet: tuple[Foot, ...]
    head: Head
    camera: Camera
    panel: PanelMount | None
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2

    def __post_init__(self) -> None:
        object.__setattr__(self, "feet", tuple(self.feet))
        check_number("gravity_m_s2", self.gravity_m_s2, at_least=0.0)
        if self.panel is not None:
            self.panel.flexing(*self.camera.at_m[:2])

    @property
    def mass_kg(self) -> float:
        """All that stands on the feet [kg]."""
        return float(self._mass[0, 0])

    @cached_property
    def modes(self) -> MachineModes:
        """Modes of the whole machine with damping from the loss factors."""
        omega2, shapes = linalg.eigh(self._stiffness, self._mass, check_finite=False)
        if omega2[0] <= 1e-12 * abs(omega2[-1]):
            raise ValueError(
                f"the machine does not stand by itself (lowest ω² = {omega2[0]:.3g} rad²/s²): it can slide, or it tips "
                "over under gravity; give the feet stiffness in x, y and z, or set them further apart"
            )
        lost = np.einsum("ir,ij,jr->r", shapes, self.loss_matrix, shapes)
        return MachineModes(
            frequencies_hz=np.sqrt(omega2) / (2.0 * np.pi),
            damping_ratios=0.5 * lost / omega2,
            shapes=shapes,
            push=-self.head.mass_kg * self._head_motion @ shapes,
            camera=self._camera_motion @ shapes,
            image=self._image_motion @ shapes,
        )

    def static_m_per_m_s2(self, axis: str) -> np.ndarray:
        """Displacement x, y, z of the object in the picture for unit steady acceleration of the head [m/(m/s²)].

        Parameters
        ----------
        axis : str
            "x", "y" or "z".
        """
        force = -self.head.mass_kg * self._head_motion[_AXES[check_choice("axis", axis, _AXES)]]
        return self._image_motion @ linalg.solve(self._stiffness, force, assume_a="sym")

    def camera_compliance_m_per_n(self, axis: str, *, relative_to: str) -> float:
        """Displacement of the camera along `axis` for a unit push on it along the same axis [m/N]; 0 if nothing gives.

        Parameters
        ----------
        axis : str
            "x", "y" or "z".
        relative_to : str
            What carries the gauge: "bench", or "frame" for what gives between frame and camera alone.

        Notes
        -----
        r·K⁻¹·rᵀ over the coordinates of the machine, and along z the residual flexibility of the panel modes left out.
        """
        row = _AXES[check_choice("axis", axis, _AXES)]
        pushed = self._camera_motion[row]
        seen = pushed.copy()
        if check_choice("relative_to", relative_to, ("bench", "frame")) == "frame":
            seen[:6] -= point_motion(self.camera.at_m)[row]
        compliance = float(seen @ linalg.solve(self._stiffness, pushed, assume_a="sym"))
        if self.panel is not None and row == _AXES["z"]:
            x, y = (at - corner for at, corner in zip(self.camera.at_m[:2], self.panel.corner_m[:2]))
            compliance += float(self.panel.modes.residual_flexibility([(x, y)])[0, 0])
        return compliance

    # ------------------------------------------------------------------------------------------ coordinates
    @property
    def _n_mount(self) -> int:
        return 0 if self.head.mount is None else 3

    @property
    def _size(self) -> int:
        return 6 + self._n_mount + (0 if self.panel is None else self.panel.n_modes)

    @property
    def _mount(self) -> slice:
        return slice(6, 6 + self._n_mount)

    @property
    def _flex(self) -> slice:
        return slice(6 + self._n_mount, self._size)

    @cached_property
    def _head_motion(self) -> np.ndarray:
        """Displacement of the head for all coordinates, its commanded move left out."""
        rows = np.zeros((3, self._size))
        rows[:, :6] = point_motion(self.head.at_m)
        rows[:, self._mount] = np.eye(3)[:, : self._n_mount]
        return rows

    @cached_property
    def _mass(self) -> np.ndarray:
        total = np.zeros((self._size, self._size))
        total[:6, :6] = body_mass(self.frame.mass_kg, self.frame.centre_m, self.frame.inertia_matrix_kg_m2)
        total += self.head.mass_kg * self._head_motion.T @ self._head_motion
        if self.panel is not None:
            total[:6, :6] += self.panel.rigid_mass()
            coupling = self.panel.modes.participation.T @ self.panel.motion
            total[self._flex, :6], total[:6, self._flex] = coupling, coupling.T
            total[self._flex, self._flex] += np.eye(self.panel.n_modes)
        return total

    @cached_property
    def _springs(self) -> list[tuple[np.ndarray, float]]:
        """Stiffness of each foot and of the head's mount, with its loss factor."""
        parts = []
        for foot in self.feet:
            rows = self._spread(point_motion((foot.x_m, foot.y_m, 0.0)))
            springs = np.array([foot.stiffness_x_n_per_m, foot.stiffness_y_n_per_m, foot.stiffness_z_n_per_m])
            parts.append((rows.T @ (springs[:, None] * rows), foot.loss_factor))
        if self.head.mount is not None:
            springs = np.zeros(self._size)
            springs[self._mount] = self.head.mount.stiffness_n_per_m
            parts.append((np.diag(springs), self.head.mount.loss_factor))
        return parts

    @cached_property
    def support_pull(self) -> np.ndarray:
        """Downward force of each support of the panel for all coordinates."""
        pull = self._spread(self.panel.support_pull)
        pull[:, self._flex] = -self.panel.modes.support_forces
        return pull

    @cached_property
    def _panel_stiffness(self) -> np.ndarray:
        """Stiffness of the panel with its supports.

        The panel modes have all supports on the frame. One on the bench has the energy ½k(w + Ru)² instead of ½kw²,
        w the panel relative to the frame; the panel modes left out follow at once, which softens k(Ru)² by their
        residual flexibility.
        """
        total = np.zeros((self._size, self._size))
        if self.panel is None:
            return total
        total[self._flex, self._flex] = np.diag((2.0 * np.pi * self.panel.modes.frequencies_hz) ** 2)
        pull = self.support_pull[list(self.panel.on_bench)]
        pull[:, :6] *= 0.5
        half = self._spread(self.panel.bench_rise).T @ pull
        return total + half + half.T

    @cached_property
    def _stiffness(self) -> np.ndarray:
        total = sum((part for part, _ in self._springs), self._panel_stiffness.copy())
        # Weight over feet at z = 0: a tilt lowers it, −½·g·Σm·z·(θx² + θy²).
        softening = self.gravity_m_s2 * self._mass[0, 4]
        total[3, 3] -= softening
        total[4, 4] -= softening
        return total

    @cached_property
    def loss_matrix(self) -> np.ndarray:
        """Stiffness times loss factor; nan where a loss factor is unknown."""
        total = np.zeros((self._size, self._size))
        for part, eta in self._springs:
            total += np.where(part != 0.0, part * eta, 0.0)
        if self.panel is None:
            return total
        sheet = self.panel.panel.material.loss_factor.value
        total += sheet * self._panel_stiffness
        for support, pull in zip(self.panel.panel.supports, self.support_pull):
            if math.isfinite(support.stiffness_n_per_m):
                stored = np.outer(pull, pull) / support.stiffness_n_per_m
                total += (support.loss_factor - sheet) * stored
        return total

    def _spread(self, rows: np.ndarray) -> np.ndarray:
        """Rows over the six motions of the frame as rows over all coordinates."""
        spread = np.zeros((len(rows), self._size))
        spread[:, :6] = rows
        return spread

    # ------------------------------------------------------------------------------------------------ outputs
    @cached_property
    def _flexing(self) -> np.ndarray:
        """Panel relative to the frame under the camera: rise, slope along x, slope along y; over all coordinates."""
        rows = np.zeros((3, self._size))
        if self.panel is not None:
            rows[:, self._flex], rows[:, :6] = self.panel.flexing(*self.camera.at_m[:2])
        return rows

    def _sight(self, height_m: float) -> np.ndarray:
        """Motion of a point fixed to the camera at `height_m` above it."""
        x, y, z = self.camera.at_m
        return self._spread(point_motion((x, y, z + height_m))) + self._swung(self._flexing, height_m)

    def _swung(self, flexing: np.ndarray, height_m: float) -> np.ndarray:
        """What rise and slopes of the panel under the camera do to a point fixed to it at `height_m` above it."""
        rise, slope_x, slope_y = flexing
        lever = height_m if self.panel is None else self.camera.at_m[2] + height_m - self.panel.corner_m[2]
        return np.array([-lever * slope_x, -lever * slope_y, rise])

    @cached_property
    def _camera_motion(self) -> np.ndarray:
        return self._sight(0.0)

    @cached_property
    def _image_motion(self) -> np.ndarray:
        object_motion = np.zeros((3, self._size))
        if self.camera.target == "head":
            x, y, z = self.camera.at_m
            object_motion = self._spread(point_motion((x, y, z + self.camera.sight_m)))
            object_motion[:, self._mount] = np.eye(3)[:, : self._n_mount]
        return object_motion - self._sight(self.camera.sight_m)

    # -------------------------------------------------------------------------------- points of the panel
    def stretch(self, places_m: Sequence[tuple[float, float]], *, on_bench: bool) -> np.ndarray:
        """Stretch of springs under points of the panel for all coordinates, shape (n_places, n_coordinates).

        Parameters
        ----------
        places_m : sequence of (x, y)
            Points on the panel [m], from its corner.
        on_bench : bool
            True for springs that stand on the bench, False on the frame.
        """
        lift = self.panel.frame_rise(places_m) if on_bench else 0.0
        rows = self._spread(self.panel.residual_rise(places_m) + lift)
        rows[:, self._flex] = self.panel.modes.shapes(places_m)
        return rows

    def image_dip(self, loads_m: Sequence[tuple[float, float]]) -> np.ndarray:
        """Displacement of the object in the picture that the panel modes leave out, shape (3, n_loads) [m/N].

        Parameters
        ----------
        loads_m : sequence of (x, y)
            Points on the panel [m] with a unit upward force each.
        """
        return -self._swung(self.panel.dip(*self.camera.at_m[:2], loads_m=loads_m), self.camera.sight_m)


# --------------------------------------------------------------------------------------------- closed forms
def transmissibility(frequency_ratio: float | np.ndarray, *, damping_ratio: float) -> np.ndarray:
    """Motion of a mass on a damped spring over that of its base.

    √[(1 + (2ζr)²)/((1 − r²)² + (2ζr)²)], 1 at r = √2 for every ζ (textbook; Harris' handbook ch. 30, Nelson 1994).

    Parameters
    ----------
    frequency_ratio : float or ndarray
        Frequency of the base over the natural frequency, r.
    damping_ratio : float
        ζ.

    Examples
    --------
    >>> transmissibility([1.0, 2.0], damping_ratio=0.05).round(4).tolist()
    [10.0499, 0.3392]
    """
    r = np.asarray(frequency_ratio, dtype=float)
    drag = (2.0 * check_number("damping_ratio", damping_ratio, above=0.0) * r) ** 2
    return np.sqrt((1.0 + drag) / ((1.0 - r**2) ** 2 + drag))


def recoil_m(*, head_mass_kg: float, acceleration_m_s2: float, stiffness_n_per_m: float) -> float:
    """Quasi-static recoil of a frame on its feet, m_h·a/k [m]: mass added to the frame does not change it.

    Added mass lowers the frequency, and with it the answer to pulses shorter than half a period only.

    Parameters
    ----------
    head_mass_kg, acceleration_m_s2 : float
        Moving mass [kg] and its acceleration [m/s²].
    stiffness_n_per_m : float
        Horizontal stiffness of all feet together [N/m].

    Examples
    --------
    >>> round(1e6 * recoil_m(head_mass_kg=0.8, acceleration_m_s2=10.0, stiffness_n_per_m=80e3), 6)
    100.0
    """
    force = check_number("head_mass_kg", head_mass_kg, above=0.0) * check_number("acceleration_m_s2", acceleration_m_s2)
    return force / check_number("stiffness_n_per_m", stiffness_n_per_m, above=0.0)
