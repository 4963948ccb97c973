"""Settings of a machine: the facts of a run with something changed, the rest kept consistent."""

from __future__ import annotations

import difflib
import math
from dataclasses import fields, is_dataclass, replace

import numpy as np

from labkit.model.materials import material
from labkit.runs.facts import RunFacts

__all__ = ["changed", "resized_panel"]


def changed(facts: RunFacts, **changes: object) -> RunFacts:
    """The same facts with some replaced; a field of a part is named part_field.

    Parameters
    ----------
    facts : RunFacts
        What was tested.
    **changes : object
        New values, for example ``panel_thickness_m=0.004``, ``move_commanded_acceleration_m_s2=6.0``,
        ``head_mass_kg=0.5``, ``layout_panel_feet_m=((0.25, 0.2),)``. Replacing ballast, panel or camera mass also
        changes ``frame_mass_kg`` by as much, unless that is given too.

    Examples
    --------
    >>> facts = RunFacts(frame_mass_kg=20.0)
    >>> changed(facts, layout_ballast_kg=6.0).frame_mass_kg
    26.0
    """
    parts = [f.name for f in fields(RunFacts) if is_dataclass(getattr(facts, f.name))]
    own: dict[str, object] = {}
    inner: dict[str, dict[str, object]] = {part: {} for part in parts}
    for name, value in changes.items():
        part = next(
            (p for p in parts if name.startswith(f"{p}_") and hasattr(getattr(facts, p), name[len(p) + 1 :])), ""
        )
        if part:
            inner[part][name[len(part) + 1 :]] = value
        elif name in {f.name for f in fields(RunFacts)}:
            own[name] = value
        else:
            known = [f.name for f in fields(RunFacts)]
            known += [f"{p}_{f.name}" for p in parts for f in fields(getattr(facts, p))]
            near = difflib.get_close_matches(name, known, n=1)
            raise ValueError(f"change {name!r} is unknown" + (f"; do you mean {near[0]}?" if near else ""))
    new = replace(facts, **own, **{part: replace(getattr(facts, part), **values) for part, values in inner.items()})
    if "frame_mass_kg" in changes:
        return new
    return replace(new, frame_mass_kg=facts.frame_mass_kg + _riding_kg(new) - _riding_kg(facts))


def resized_panel(
    facts: RunFacts, *, length_m: float | None = None, width_m: float | None = None, inset_m: float = 0.0
) -> RunFacts:
    """The same machine with a panel of another size about the same middle, its supports kept as far from the edges.

    Parameters
    ----------
    facts : RunFacts
        The setting; the camera and feet under the panel stay where they are in the machine.
    length_m, width_m : float, optional
        New size along x and y [m]; by default as it is.
    inset_m : float
        How much further from the edges, towards the middle, all supports go along both axes [m].

    Examples
    --------
    >>> from labkit.runs.facts import LayoutFacts, PanelFacts
    >>> layout = LayoutFacts(panel_corner_m=(0.1, 0.0, 0.0), panel_supports_m=((0.1, 0.0), (0.4, 0.3)))
    >>> facts = RunFacts(panel=PanelFacts(length_m=0.3, width_m=0.3), layout=layout)
    >>> wider = resized_panel(facts, length_m=0.4)
    >>> [round(x, 3) for x, _ in wider.layout.panel_supports_m]
    [0.05, 0.45]
    """
    panel, layout = facts.panel, facts.layout
    old = (panel.length_m, panel.width_m)
    new = (panel.length_m if length_m is None else length_m, panel.width_m if width_m is None else width_m)
    corner = layout.panel_corner_m
    middle = [corner[i] + old[i] / 2 for i in (0, 1)]

    def moved(place: tuple[float, float]) -> tuple[float, float]:
        sides = [np.sign(round(place[i] - middle[i], 9)) for i in (0, 1)]
        return tuple(float(place[i] + sides[i] * ((new[i] - old[i]) / 2 - inset_m)) for i in (0, 1))

    return changed(
        facts,
        panel_length_m=new[0],
        panel_width_m=new[1],
        layout_panel_corner_m=(middle[0] - new[0] / 2, middle[1] - new[1] / 2, corner[2]),
        layout_panel_supports_m=tuple(moved(place) for place in layout.panel_supports_m),
    )


def _riding_kg(facts: RunFacts) -> float:
    """Ballast, camera and panel, as far as they are known [kg]; what is unknown cancels between two settings."""
    panel, layout = facts.panel, facts.layout
    sheet = 0.0
    if panel.material and not math.isnan(panel.length_m * panel.width_m * panel.thickness_m):
        density = material(panel.material).density_kg_m3.value
        sheet = density * panel.length_m * panel.width_m * panel.thickness_m
    camera = 0.0 if math.isnan(layout.camera_mass_kg) else layout.camera_mass_kg
    return sheet + camera + layout.ballast_kg
