"""What can hurt people, machine or panel in a planned test: a checklist chosen by what the plan contains.

Reminders, not a risk assessment: local codes and licensed practice come first (ISO 12100 and IEC 60204-1 are the
names to look under; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from labkit.base import check_choice, check_number

__all__ = ["PLAN_PARTS", "Caution", "cautions"]

#: What a plan may contain, and what it stands for.
PLAN_PARTS = {
    "move": "the head moves under its own power",
    "vertical axis": "an axis that can fall",
    "push": "weights or a force gauge on the panel",
    "tap": "taps with a hammer or a handle",
    "plate": "a plate is handled, cut or fitted",
    "dust": "wood board, fibreglass or metal is cut, drilled or sanded",
    "laser": "sheet is cut by laser",
    "camera": "a camera module that runs for long",
    "lamp": "bright or flashing light",
    "mains": "anything fed from the mains",
    "metal panel": "a panel of metal",
    "glue": "wax or fast glue for a sensor",
    "magnet": "magnets for a sensor or a gauge",
    "loose sensor": "a sensor or gauge that moves along",
}

_HEAVY_KG = 2.0  # from which a plate with sharp edges is named heavy (judgement)

_TEXTS = (
    ("always", "Local codes, the maker's instructions and licensed practice come first; this list is a reminder only."),
    ("move", "Keep hands, hair, sleeves and cables out of the moving axes; never reach in to feel a vibration."),
    ("move", "First trials at low speed and torque; limit switches and an emergency stop that removes motor power."),
    ("vertical axis", "A vertical axis falls when power goes: block or support it before you reach below."),
    ("push", "Push with the drives off and braked, unpowered and secured against starting again."),
    ("push", "Weights fall: keep feet clear, raise them by steps, stop when anything creaks or slips."),
    ("tap", "Tap with the drives off and braked; a soft tip, eye protection, and fingers off the panel."),
    ("plate", "Plates have sharp edges: deburr, gloves, and no fingers under an edge that is set down."),
    (
        "dust",
        "Dust of wood board, fibreglass and metal: extraction or wet work, mask (FFP2 or FFP3), no compressed air.",
    ),
    ("laser", "Laser cutting: extraction, never unattended; never PVC or unknown plastic, and no fibreglass."),
    ("camera", "Camera modules, drives and lamps run hot, 60 °C and more: let them cool before you touch them."),
    ("lamp", "Bright or flashing light: do not look into it; flashing can harm people who are sensitive to it."),
    ("mains", "Mains: certified supplies, covered terminals, unplug before any work; opening them is licensed work."),
    ("metal panel", "A metal panel near the mains must be bonded to protective earth, and tested by someone licensed."),
    ("glue", "Fast glue and hot wax: skin and eyes; solvents only with ventilation and away from flames."),
    ("magnet", "Magnets: away from pacemakers, storage cards and steel chips."),
    ("loose sensor", "Tie down sensor and cable: a loose sensor is thrown by the next move; check the mount each run."),
)


@dataclass(frozen=True, kw_only=True)
class Caution:
    """One reminder.

    Parameters
    ----------
    part : str
        The part of the plan that it belongs to; "always" for all plans.
    text : str
        What to mind.
    """

    part: str
    text: str


def cautions(parts: Iterable[str], *, plate_mass_kg: float = math.nan) -> tuple[Caution, ...]:
    """The reminders that belong to a plan.

    Parameters
    ----------
    parts : iterable of str
        What the plan contains, out of `PLAN_PARTS`.
    plate_mass_kg : float
        Mass of the heaviest plate that is handled [kg]; nan when unknown or none.

    Examples
    --------
    >>> [one.part for one in cautions({"tap"})]
    ['always', 'tap']
    """
    chosen = {"always", *(check_choice("parts", part, PLAN_PARTS) for part in _as_parts(parts))}
    found = [Caution(part=part, text=text) for part, text in _TEXTS if part in chosen]
    if not math.isnan(plate_mass_kg):
        mass = check_number("plate_mass_kg", plate_mass_kg, above=0.0)
        heavy = "heavy and sharp: two hands or two people, clear the way, no fingers under"
        word = heavy if mass >= _HEAVY_KG else "light, its edges still cut"
        found.append(Caution(part="plate", text=f"The plate weighs {mass:.1f} kg: {word}."))
    return tuple(found)


def _as_parts(parts: Iterable[str]) -> list[str]:
    if isinstance(parts, str):
        raise TypeError(f"parts is the text {parts!r}; give a list of parts, such as ['move', 'tap']")
    return list(parts)
