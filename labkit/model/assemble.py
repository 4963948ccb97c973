"""A model of the machine from what its run.toml says, with the numbers that only a fit can tell as parameters.

Facts say what is where and what it weighs; stiffness and damping of feet and sheet come from the parameters, or from
the material table as far as it knows them.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

from labkit.model.machine import Machine
from labkit.model.machine_parts import Camera, Foot, Frame, Head, HeadMount, PanelMount
from labkit.model.materials import Material, MaterialNumber, material
from labkit.model.panel import Panel
from labkit.model.panel_parts import Edges, PointMass, PointSupport
from labkit.runs.facts import LayoutFacts, PanelFacts, RunFacts

__all__ = ["machine_from_facts", "panel_from_facts", "parameter_names"]

#: What a fit may set, beside `young_modulus_pa` and `loss_factor` of a sheet ("young_modulus_pa of hardboard").
_FEET = ("foot_stiffness_x_n_per_m", "foot_stiffness_y_n_per_m", "foot_stiffness_z_n_per_m", "foot_loss_factor")
_PANEL = (
    "support_stiffness_n_per_m",
    "support_loss_factor",
    "panel_foot_stiffness_n_per_m",
    "panel_foot_loss_factor",
)
_HEAD = ("head_mount_stiffness_n_per_m", "head_mount_loss_factor")
_SHEET = ("young_modulus_pa", "loss_factor")
_RIGID_SUPPORT_N_PER_M = math.inf


def parameter_names(facts: RunFacts) -> tuple[str, ...]:
    """Names of the parameters that the machine of a run can have.

    Parameters
    ----------
    facts : RunFacts
        What was tested.

    Notes
    -----
    ``foot_…``: each foot of the frame; y takes the value of x when it is not given. ``support_…``: each place where the
    panel stands on the frame, rigid when not given. ``panel_foot_…``: each foot between panel and bench.
    ``head_mount_…``: what carries the head, rigid when not given, the same along x, y and z. ``… of SHEET``: of the
    material, from the table when not given; moduli along and across the grain keep their ratio.

    Examples
    --------
    >>> parameter_names(RunFacts(panel=PanelFacts(material="hardboard")))[-2:]
    ('young_modulus_pa of hardboard', 'loss_factor of hardboard')
    """
    sheet = facts.panel.material
    return (*_FEET, *_PANEL, *_HEAD, *(f"{name} of {sheet}" for name in _SHEET if sheet))


def machine_from_facts(facts: RunFacts, parameters: Mapping[str, float], *, n_panel_modes: int = 6) -> Machine:
    """The machine that a run was made with.

    Parameters
    ----------
    facts : RunFacts
        What was tested, with masses, panel and layout.
    parameters : mapping of str to float
        Numbers by name, see `parameter_names`; those of other sheets are ignored, so that one set serves runs with
        several panels. ``foot_stiffness_x_n_per_m`` and ``foot_stiffness_z_n_per_m`` are required.
    n_panel_modes : int
        Panel modes that take part.

    Raises
    ------
    ValueError
        For a fact that is missing, with the key of run.toml that says it, and for unknown parameters.

    Notes
    -----
    The frame without ballast, panel and camera is taken as an even box of the stated size about its centre of mass.
    """
    _check_names(facts, parameters)
    layout = facts.layout
    _require(
        facts,
        {
            "machine.frame_mass_kg": facts.frame_mass_kg,
            "machine.head_mass_kg": facts.head_mass_kg,
            "machine.frame_size_mm": layout.frame_size_m,
            "machine.frame_centre_mm": layout.frame_centre_m,
            "machine.feet_mm": layout.feet_m,
            "machine.head_at_mm": layout.head_m,
            "panel.corner_mm": layout.panel_corner_m,
            "camera.at_mm": layout.camera_m,
            "camera.sight_mm": layout.sight_m,
            "camera.target": layout.camera_target,
        },
    )
    panel = panel_from_facts(facts, parameters)
    number = len(layout.panel_supports_m)
    mount = _panel_mount(
        panel, layout.panel_corner_m, tuple(range(number, number + len(layout.panel_feet_m))), n_panel_modes
    )
    return Machine(
        frame=_frame(facts, panel),
        feet=_feet(layout, parameters),
        head=Head(mass_kg=facts.head_mass_kg, at_m=layout.head_m, mount=_mount(parameters)),
        camera=Camera(
            at_m=(*layout.camera_m, layout.panel_corner_m[2]), sight_m=layout.sight_m, target=layout.camera_target
        ),
        panel=mount,
    )


@lru_cache(maxsize=256)
def _panel_mount(
    panel: Panel, corner_m: tuple[float, float, float], on_bench: tuple[int, ...], n_modes: int
) -> PanelMount:
    """The mount of a panel; its modes are found once for all machines that share it, which a fit asks for often."""
    return PanelMount(panel=panel, corner_m=corner_m, on_bench=on_bench, n_modes=n_modes)


def panel_from_facts(facts: RunFacts, parameters: Mapping[str, float]) -> Panel:
    """The panel of a run with its supports, feet and camera; places on it count from its own corner.

    Parameters
    ----------
    facts : RunFacts
        What was tested.
    parameters : mapping of str to float
        Numbers by name, as in `machine_from_facts`.
    """
    layout, panel = facts.layout, facts.panel
    _require(
        facts,
        {
            "panel.material": panel.material,
            "panel.thickness_mm": panel.thickness_m,
            "panel.length_mm": panel.length_m,
            "panel.width_mm": panel.width_m,
            "panel.corner_mm": layout.panel_corner_m,
            "panel.supports_mm": layout.panel_supports_m,
            "camera.at_mm": layout.camera_m,
            "camera.mass_g": layout.camera_mass_kg,
        },
    )
    if layout.panel_feet_m and "panel_foot_stiffness_n_per_m" not in parameters:
        raise ValueError("the panel has feet on the bench; parameters must hold panel_foot_stiffness_n_per_m")
    on_frame = _springs(facts, layout.panel_supports_m, parameters, "support")
    on_bench = _springs(facts, layout.panel_feet_m, parameters, "panel_foot")
    x, y = _on_panel(facts, layout.camera_m, "the camera")
    return Panel(
        length_m=panel.length_m,
        width_m=panel.width_m,
        thickness_m=panel.thickness_m,
        material=_sheet(panel, parameters),
        edges=Edges(),
        supports=(*on_frame, *on_bench),
        masses=(PointMass(x_m=x, y_m=y, mass_kg=layout.camera_mass_kg),),
        holes=None,
    )


def _check_names(facts: RunFacts, parameters: Mapping[str, float]) -> None:
    known = parameter_names(facts)
    for name in parameters:
        if name in known or name.startswith(tuple(f"{key} of " for key in _SHEET)):
            continue
        near = difflib.get_close_matches(name, known, n=1)
        hint = f"; do you mean {near[0]}?" if near else ""
        raise ValueError(f"parameter {name!r} is unknown; one of {', '.join(known)}{hint}")
    missing = [name for name in (_FEET[0], _FEET[2]) if name not in parameters]
    if missing:
        raise ValueError(f"parameters lack {' and '.join(missing)}; no table knows the feet: fit them, or guess")


def _require(facts: RunFacts, named: Mapping[str, object]) -> None:
    """Error that names every key of run.toml that is missing."""
    missing = [key for key, value in named.items() if _is_unknown(value)]
    if missing:
        keys = ", ".join(f"{key.partition('.')[2]} in [{key.partition('.')[0]}]" for key in missing)
        raise ValueError(f"run {facts.title or 'without title'!r}: a model needs {keys}; write it into run.toml")


def _is_unknown(value: object) -> bool:
    if isinstance(value, float):
        return math.isnan(value)
    return not value or (isinstance(value, tuple) and isinstance(value[0], float) and math.isnan(value[0]))


def _frame(facts: RunFacts, panel: Panel) -> Frame:
    layout = facts.layout
    bare = facts.frame_mass_kg - layout.ballast_kg - panel.mass_kg - layout.camera_mass_kg
    if bare <= 0:
        raise ValueError(
            f"frame_mass_kg is {facts.frame_mass_kg:g} and holds ballast {layout.ballast_kg:g}, panel "
            f"{panel.mass_kg:.3g} and camera {layout.camera_mass_kg:g} kg, which leaves {bare:.3g} kg for the frame; "
            "weigh everything but the head"
        )
    frame = Frame.box(mass_kg=bare, centre_m=layout.frame_centre_m, size_m=layout.frame_size_m)
    if layout.ballast_kg == 0:
        return frame
    _require(facts, {"machine.ballast_at_mm": layout.ballast_m})
    tiny = 1e-9 * layout.ballast_kg  # a point has no inertia of its own
    ballast = Frame(mass_kg=layout.ballast_kg, centre_m=layout.ballast_m, inertia_kg_m2=(tiny, tiny, tiny))
    return frame.joined(ballast)


def _feet(layout: LayoutFacts, parameters: Mapping[str, float]) -> tuple[Foot, ...]:
    along = parameters["foot_stiffness_x_n_per_m"]
    return tuple(
        Foot(
            x_m=x,
            y_m=y,
            stiffness_x_n_per_m=along,
            stiffness_y_n_per_m=parameters.get("foot_stiffness_y_n_per_m", along),
            stiffness_z_n_per_m=parameters["foot_stiffness_z_n_per_m"],
            loss_factor=parameters.get("foot_loss_factor", math.nan),
        )
        for x, y in layout.feet_m
    )


def _mount(parameters: Mapping[str, float]) -> HeadMount | None:
    if "head_mount_stiffness_n_per_m" not in parameters:
        return None
    stiffness = parameters["head_mount_stiffness_n_per_m"]
    return HeadMount(stiffness_n_per_m=(stiffness,) * 3, loss_factor=parameters.get("head_mount_loss_factor", math.nan))


def _springs(
    facts: RunFacts, places: tuple[tuple[float, float], ...], parameters: Mapping[str, float], kind: str
) -> tuple[PointSupport, ...]:
    stiffness = parameters.get(f"{kind}_stiffness_n_per_m", _RIGID_SUPPORT_N_PER_M)
    return tuple(
        PointSupport(
            x_m=x,
            y_m=y,
            stiffness_n_per_m=stiffness,
            loss_factor=parameters.get(f"{kind}_loss_factor", math.nan if math.isfinite(stiffness) else 0.0),
        )
        for x, y in (_on_panel(facts, place, f"a {kind.replace('_', ' ')}") for place in places)
    )


def _on_panel(facts: RunFacts, place: tuple[float, float], what: str) -> tuple[float, float]:
    """A place of the machine, counted from the panel's corner, free of rounding beyond the nanometre."""
    corner, size = facts.layout.panel_corner_m, (facts.panel.length_m, facts.panel.width_m)
    own = tuple(round(place[i] - corner[i], 9) for i in (0, 1))
    if not all(0.0 <= own[i] <= size[i] for i in (0, 1)):
        ends = " and ".join(
            f"{1e3 * corner[i]:g} to {1e3 * (corner[i] + size[i]):g} mm along {'xy'[i]}" for i in (0, 1)
        )
        raise ValueError(
            f"{what} is at ({1e3 * place[0]:g}, {1e3 * place[1]:g}) mm, off the panel, which reaches from {ends}; "
            "move it, or take a larger panel"
        )
    return own


def _sheet(panel: PanelFacts, parameters: Mapping[str, float]) -> Material:
    """The table's material with the numbers that the parameters state."""
    sheet, name = material(panel.material), panel.material
    if (modulus := parameters.get(f"young_modulus_pa of {name}")) is not None:
        sheet = sheet.scaled(modulus / sheet.young_modulus_pa.value)
    if (loss := parameters.get(f"loss_factor of {name}")) is not None:
        unknown = sheet.loss_factor.interval
        number = MaterialNumber(value=loss, interval=replace(unknown, low=math.nan, high=math.nan), source="as given")
        sheet = replace(sheet, loss_factor=number)
    return sheet
