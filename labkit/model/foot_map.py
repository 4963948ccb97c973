"""What extra feet under the panel would do to the picture: all free holes at once, from one solved machine.

A foot is a spring between a point of the panel and the bench or the frame: one row more in the machine's stiffness.
In the machine's own modes, the rest of the panel acting by its residual flexibility, all choices of holes are small
eigenvalue problems of one size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from labkit.base import check_choice, check_number
from labkit.model.extra_feet import ExtraFeet, extra_feet
from labkit.model.machine import Machine, PictureModes
from labkit.model.machine_parts import PanelMount
from labkit.model.panel_parts import PointSupport

__all__ = ["FootMap", "foot_map", "with_feet"]


@dataclass(frozen=True, eq=False, kw_only=True)
class FootMap:
    """Machine with extra feet at every choice of places.

    Parameters
    ----------
    feet : ExtraFeet
        Places, choices of them, and the panel by itself: compliance at the camera, frequencies.
    modes : PictureModes
        Modes of the machine, arrays (n_choices, …); `labkit.model.ringing.ringing` takes them.
    """

    feet: ExtraFeet
    modes: PictureModes

    def places_of(self, choice: int) -> list[tuple[float, float]]:
        """Where the feet of one choice stand (x, y) [m]."""
        return [tuple(place) for place in self.feet.places_m[self.feet.choices[choice]].tolist()]


def foot_map(
    machine: Machine,
    places_m: Sequence[tuple[float, float]],
    *,
    stiffness_n_per_m: float,
    loss_factor: float,
    stands_on: str,
    n_feet: int = 1,
) -> FootMap:
    """Modes of the machine with extra feet at all choices of places.

    Parameters
    ----------
    machine : Machine
        The machine as it stands, with a panel.
    places_m : sequence of (x, y)
        Candidate places on the panel [m], for example the free holes of a `MountingGrid`.
    stiffness_n_per_m : float
        Stiffness of each extra foot [N/m]; ``math.inf`` for a rigid one, on the frame only.
    loss_factor : float
        η of each extra foot; nan when unknown.
    stands_on : {"bench", "frame"}
        Where the foot stands: on the bench it holds the panel against the frame's motion too.
    n_feet : {1, 2}
        Extra feet a choice.

    Notes
    -----
    Feet that only press must stay loaded, see `Panel.sag`. The machine's modes stay as coordinates; panel modes that it
    leaves out act by their residual flexibility (MacNeal's method). Measured: frequencies and damping ratios are as
    near to plate elements as those of machines built anew (`with_feet`), with 8 panel modes as with 16; the motion
    within an exposure 50 ms after a move differs from theirs by 0.1 % in the median and 2 % at most, more where little
    is left of it. Check the few choices that matter with `with_feet`.

    Examples
    --------
    >>> from labkit.model.machine_parts import Camera, Foot, Frame, Head
    >>> from labkit.model.materials import material
    >>> from labkit.model.panel import Panel
    >>> from labkit.model.panel_parts import Edges, PointMass
    >>> corners = [(x, y) for x in (0.0, 0.4) for y in (0.0, 0.3)]
    >>> panel = Panel(length_m=0.4, width_m=0.3, thickness_m=0.004, material=material("hardboard"), edges=Edges(),
    ...     supports=[PointSupport(x_m=x, y_m=y, stiffness_n_per_m=1e6, loss_factor=0.05) for x, y in corners],
    ...     masses=[PointMass(x_m=0.2, y_m=0.15, mass_kg=0.3)], holes=None)
    >>> legs = [Foot(x_m=x, y_m=y, stiffness_x_n_per_m=6e4, stiffness_y_n_per_m=6e4, stiffness_z_n_per_m=2e5,
    ...     loss_factor=0.1) for x, y in corners]
    >>> machine = Machine(frame=Frame.box(mass_kg=9.0, centre_m=(0.2, 0.15, 0.14), size_m=(0.45, 0.32, 0.3)),
    ...     feet=legs, head=Head(mass_kg=0.8, at_m=(0.25, 0.17, 0.25), mount=None),
    ...     camera=Camera(at_m=(0.2, 0.15, 0.05), sight_m=0.08, target="head"),
    ...     panel=PanelMount(panel=panel, corner_m=(0.0, 0.0, 0.05), on_bench=(), n_modes=8))
    >>> found = foot_map(machine, [(0.2, 0.1), (0.2, 0.15)], stiffness_n_per_m=1e5, loss_factor=0.1, stands_on="bench")
    >>> before, after = panel.compliance_m_per_n((0.2, 0.15)), found.feet.compliance_m_per_n
    >>> bool(after[1] < after[0] < before)
    True
    """
    mount = _mount(machine)
    _check_foot(stands_on, stiffness_n_per_m, loss_factor)
    camera = (machine.camera.at_m[0] - mount.corner_m[0], machine.camera.at_m[1] - mount.corner_m[1])
    feet = extra_feet(
        mount.panel,
        places_m,
        camera_m=camera,
        stiffness_n_per_m=stiffness_n_per_m,
        n_feet=n_feet,
    )
    soft = 1.0 / stiffness_n_per_m
    return FootMap(
        feet=feet, modes=_with_springs(machine, feet, on_bench=stands_on == "bench", soft=soft, eta=loss_factor)
    )


def with_feet(
    machine: Machine,
    places_m: Sequence[tuple[float, float]],
    *,
    stiffness_n_per_m: float,
    loss_factor: float,
    stands_on: str,
) -> Machine:
    """The machine with extra feet under the panel, built anew.

    Parameters
    ----------
    machine : Machine
        The machine as it stands, with a panel.
    places_m : sequence of (x, y)
        Where the extra feet stand on the panel [m].
    stiffness_n_per_m, loss_factor : float
        Of each extra foot [N/m]; nan for an unknown loss factor.
    stands_on : {"bench", "frame"}
        Where they stand.
    """
    mount = _mount(machine)
    _check_foot(stands_on, stiffness_n_per_m, loss_factor)
    old = mount.panel.supports
    new = [
        PointSupport(x_m=float(x), y_m=float(y), stiffness_n_per_m=stiffness_n_per_m, loss_factor=loss_factor)
        for x, y in places_m
    ]
    on_bench = range(len(old), len(old) + len(new)) if stands_on == "bench" else ()
    panel = replace(mount.panel, supports=(*old, *new))
    return replace(machine, panel=replace(mount, panel=panel, on_bench=(*mount.on_bench, *on_bench)))


def _mount(machine: Machine) -> PanelMount:
    if machine.panel is None:
        raise ValueError("the machine has no panel that an extra foot could stand under; give it one")
    return machine.panel


def _check_foot(stands_on: str, stiffness_n_per_m: float, loss_factor: float) -> None:
    check_choice("stands_on", stands_on, ("bench", "frame"))
    if not math.isnan(loss_factor):
        check_number("loss_factor", loss_factor, at_least=0.0)
    if stands_on == "bench" and math.isinf(stiffness_n_per_m):
        raise ValueError("stiffness_n_per_m is inf; a foot on the bench needs its finite stiffness")


def _with_springs(machine: Machine, feet: ExtraFeet, *, on_bench: bool, soft: float, eta: float) -> PictureModes:
    """Low-rank update of the machine's modes; `soft` is the compliance of a foot, `eta` its loss factor."""
    base, places, choices = machine.modes, feet.places_m, feet.choices
    omega2 = (2.0 * np.pi * base.frequencies_hz) ** 2
    residual = machine.panel.modes.residual_flexibility(places)[choices[:, :, None], choices[:, None, :]]
    springs = np.linalg.inv(residual + soft * np.eye(choices.shape[1]))
    at_feet = (machine.stretch(places, on_bench=on_bench) @ base.shapes)[choices]
    stiffness = np.swapaxes(at_feet, 1, 2) @ springs @ at_feet
    stiffness[:, range(len(omega2)), range(len(omega2))] += omega2
    new_omega2, vectors = np.linalg.eigh(stiffness)
    forces = -springs @ (at_feet @ vectors)
    lost = _lost(machine, feet, vectors, forces)
    sheet = machine.panel.panel.material.loss_factor.value
    in_panel = np.sum(forces * (residual @ forces), axis=1)
    in_feet = soft * np.sum(forces**2, axis=1)
    lost += sheet * in_panel + (eta * in_feet if soft > 0.0 else 0.0)
    dip = np.swapaxes(machine.image_dip(places)[:, choices], 0, 1)
    return PictureModes(
        frequencies_hz=np.sqrt(new_omega2) / (2.0 * np.pi),
        damping_ratios=0.5 * lost / new_omega2,
        push=base.push @ vectors,
        image=base.image @ vectors + dip @ forces,
    )


def _lost(machine: Machine, feet: ExtraFeet, vectors: np.ndarray, forces: np.ndarray) -> np.ndarray:
    """Loss in the machine as it stands, with what the forces of the extra feet add in the old supports."""
    base, panel = machine.modes, machine.panel.panel
    lost = np.sum(vectors * ((base.shapes.T @ machine.loss_matrix @ base.shapes) @ vectors), axis=1)
    pulls = (machine.support_pull @ base.shapes) @ vectors
    pushes = np.swapaxes(machine.panel.modes.residual_support_forces(feet.places_m)[:, feet.choices], 0, 1) @ forces
    for number, support in enumerate(panel.supports):
        if math.isfinite(support.stiffness_n_per_m):
            excess = (support.loss_factor - panel.material.loss_factor.value) / support.stiffness_n_per_m
            lost += excess * pushes[:, number] * (pushes[:, number] - 2.0 * pulls[:, number])
    return lost
