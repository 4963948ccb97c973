"""The dials of the what-if screen: what can be turned, and how a setting of them reads as changed facts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from labkit.decide.settings import changed, resized_panel
from labkit.runs.facts import RunFacts

__all__ = ["DIALS", "PER_SI", "Dial", "applied", "changes", "start_values"]


@dataclass(frozen=True, kw_only=True)
class Dial:
    """One number that can be turned: what it is called, its ends and step in the unit shown, and how it reads facts."""

    key: str
    label: str
    low: float
    high: float
    step: float
    per_si: float  # unit shown per SI unit

    def wide_enough(self, value: float) -> dict[str, object]:
        """What the page needs to show it, with ends that hold a value."""
        ends = {"low": min(self.low, value), "high": max(self.high, value)}
        return {"key": self.key, "label": self.label, "step": self.step, **ends}


DIALS = (
    Dial(key="thickness", label="panel thickness [mm]", low=1.0, high=12.0, step=0.1, per_si=1e3),
    Dial(key="length", label="panel along x [mm]", low=100.0, high=800.0, step=5.0, per_si=1e3),
    Dial(key="width", label="panel along y [mm]", low=100.0, high=800.0, step=5.0, per_si=1e3),
    Dial(key="inset", label="supports moved in [mm]", low=0.0, high=80.0, step=1.0, per_si=1e3),
    Dial(key="ballast", label="ballast [kg]", low=0.0, high=40.0, step=0.5, per_si=1.0),
    Dial(key="head", label="head [kg]", low=0.05, high=5.0, step=0.05, per_si=1.0),
    Dial(key="acceleration", label="acceleration [m/s²]", low=0.5, high=25.0, step=0.1, per_si=1.0),
    Dial(key="jerk", label="jerk [m/s³]", low=20.0, high=5000.0, step=10.0, per_si=1.0),
    Dial(key="speed", label="speed [mm/s]", low=20.0, high=1500.0, step=5.0, per_si=1e3),
    Dial(key="wait", label="wait before picture [ms]", low=0.0, high=1000.0, step=1.0, per_si=1e3),
    Dial(key="exposure", label="exposure [ms]", low=0.05, high=50.0, step=0.05, per_si=1e3),
    Dial(key="magnification", label="magnification", low=0.05, high=5.0, step=0.01, per_si=1.0),
    Dial(key="overhead", label="rest of a placement [ms]", low=0.0, high=5000.0, step=10.0, per_si=1e3),
    Dial(key="price", label="sheet, price per kg", low=0.0, high=200.0, step=0.1, per_si=1.0),
)

PER_SI = {dial.key: dial.per_si for dial in DIALS}


def start_values(facts: RunFacts, *, wait_s: float, overhead_s: float) -> dict[str, float]:
    """What the dials show for a machine, in their units."""
    si = {
        "thickness": facts.panel.thickness_m,
        "length": facts.panel.length_m,
        "width": facts.panel.width_m,
        "inset": 0.0,
        "ballast": facts.layout.ballast_kg,
        "head": facts.head_mass_kg,
        "acceleration": facts.move.commanded_acceleration_m_s2,
        "jerk": 5000.0 if math.isnan(facts.move.jerk_m_s3) else facts.move.jerk_m_s3,
        "speed": facts.move.speed_m_s,
        "wait": wait_s,
        "exposure": facts.camera.exposure_s,
        "magnification": facts.camera.magnification,
        "overhead": overhead_s,
        "price": 0.0,
    }
    unknown = [key for key, value in si.items() if math.isnan(value)]
    if unknown:
        raise ValueError(f"the run does not state {', '.join(unknown)}; write it into run.toml")
    return {key: round(value * PER_SI[key], 9) for key, value in si.items()}


def changes(facts: RunFacts, state: Mapping[str, object]) -> dict[str, object]:
    """What differs from the facts, as `changed` takes it."""
    value = {key: round(state[key] / PER_SI[key], 12) for key in PER_SI}
    resized = resized_panel(facts, length_m=value["length"], width_m=value["width"], inset_m=value["inset"])
    wanted = {
        "panel_material": state["sheet"],
        "panel_thickness_m": value["thickness"],
        "panel_length_m": value["length"],
        "panel_width_m": value["width"],
        "layout_panel_corner_m": tuple(round(v, 9) for v in resized.layout.panel_corner_m),
        "layout_panel_supports_m": tuple(
            tuple(round(v, 9) for v in place) for place in resized.layout.panel_supports_m
        ),
        "layout_panel_feet_m": tuple(tuple(place) for place in state["feet_m"]),
        "layout_ballast_kg": value["ballast"],
        "head_mass_kg": value["head"],
        "move_commanded_acceleration_m_s2": value["acceleration"],
        "move_speed_m_s": value["speed"],
        "camera_exposure_s": value["exposure"],
        "camera_magnification": value["magnification"],
    }
    if not (math.isnan(facts.move.jerk_m_s3) and value["jerk"] == DIALS[7].high):
        wanted["move_jerk_m_s3"] = value["jerk"]
    if value["ballast"] and math.isnan(facts.layout.ballast_m[0]):
        x, y, z = facts.layout.frame_centre_m
        wanted["layout_ballast_m"] = (x, y, z / 2)  # low in the frame
    same = {name: _told(facts, name) for name in wanted}
    return {name: new for name, new in wanted.items() if not _alike(new, same[name])}


def _told(facts: RunFacts, name: str) -> object:
    part, _, field = name.partition("_")
    inner = getattr(facts, part, None)
    return getattr(inner, field) if hasattr(inner, field) else getattr(facts, name)


def _alike(new: object, old: object) -> bool:
    if isinstance(new, str) or new == () or old == ():
        return new == old
    new, old = np.asarray(new, dtype=float), np.asarray(old, dtype=float)
    return new.shape == old.shape and bool(np.allclose(new, old, rtol=1e-9, atol=1e-9))


def applied(facts: RunFacts, state: Mapping[str, object]) -> RunFacts:
    """The facts with a state of the screen applied."""
    return changed(facts, **changes(facts, state))
