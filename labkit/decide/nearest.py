"""Builds on a shelf that are nearest to the one a builder has in mind.

Nearness is counted in doublings: a panel of the same material and twice the thickness is one away, and so is twice the
acceleration, twice the head's mass, or a foot that the other lacks. Panels of different materials are set side by side
by their bending stiffness, a doubling of thickness being a factor of eight, plus one for the material itself: damping,
mass and creep differ even where the stiffness does not.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from labkit.base import check_number
from labkit.model.materials import MATERIALS, Material, plate_rigidity

__all__ = ["Wanted", "find_material", "nearest_builds"]

_OTHER_MATERIAL = 1.0
_UNKNOWN = 1.0  # what is not stated might be a doubling away
_SAME = {
    "acrylic": "cast acrylic",
    "acrylic glass": "cast acrylic",
    "pmma": "cast acrylic",
    "steel": "mild steel",
    "stainless": "stainless steel",
    "aluminum": "aluminium",
    "plywood": "birch plywood",
    "hdf": "hardboard",
    "masonite": "hardboard",
    "pc": "polycarbonate",
    "fr4": "FR-4",
    "glass fibre board": "FR-4",
}


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """The build that a builder has in mind; nan and None for what does not matter.

    Parameters
    ----------
    material : str
        Material of the panel, as in the table of materials or in everyday words.
    thickness_m : float
        Thickness of the panel [m].
    foot_under_camera : bool or None
        Whether a foot stands under the camera.
    frame_mass_kg, head_mass_kg : float
        Masses [kg].
    acceleration_m_s2 : float
        Acceleration of the head [m/s²].
    """

    material: str
    thickness_m: float
    foot_under_camera: bool | None = None
    frame_mass_kg: float = math.nan
    head_mass_kg: float = math.nan
    acceleration_m_s2: float = math.nan

    def __post_init__(self) -> None:
        check_number("thickness_m", self.thickness_m, above=0.0)
        if not self.material.strip():
            raise ValueError("material is empty; write one such as " + ", ".join(sorted(MATERIALS)))
        for name in ("frame_mass_kg", "head_mass_kg", "acceleration_m_s2"):
            if not math.isnan(getattr(self, name)):
                check_number(name, getattr(self, name), above=0.0)


def find_material(words: str) -> Material | None:
    """Material of the table that a builder's words mean, or None when they mean none for sure.

    Parameters
    ----------
    words : str
        For example ``"Acrylic"`` or ``"birch plywood, 5 ply"``.

    Examples
    --------
    >>> find_material("Acrylic").name
    'cast acrylic'
    >>> find_material("kryptonite") is None
    True
    """
    text = " ".join(words.casefold().replace("-", " ").split())
    names = {name.casefold().replace("-", " "): name for name in MATERIALS} | _SAME
    if text in names:
        return MATERIALS[names[text]]
    inside = [name for name in names if f" {name} " in f" {text.replace(',', ' ')} "]
    if inside:
        return MATERIALS[names[max(inside, key=len)]]
    near = difflib.get_close_matches(text, names, n=1, cutoff=0.85)
    return MATERIALS[names[near[0]]] if near else None


def nearest_builds(runs: pd.DataFrame, wanted: Wanted, *, most: int = 5) -> pd.DataFrame:
    """Runs of a shelf nearest to a wanted build, the nearest first.

    Parameters
    ----------
    runs : DataFrame
        The runs of an indexed shelf.
    wanted : Wanted
        What the builder has in mind.
    most : int
        Most runs that are returned.

    Returns
    -------
    DataFrame
        The rows, with `distance` [doublings] and `differs` in words in front. Runs without results come last among
        equals; runs that state neither material nor thickness are left out.
    """
    if most < 1:
        raise ValueError(f"most is {most!r}; it must be 1 or more")
    judged = [_judge(row, wanted) for row in runs.to_dict("records")]
    table = runs.copy()
    table.insert(0, "distance", [distance for distance, _ in judged])
    table.insert(1, "differs", ["; ".join(words) or "nothing that matters" for _, words in judged])
    table["_without"] = table["status"] != "results"
    table = table[table["distance"].notna()].sort_values(["distance", "_without", "entry"], kind="stable")
    return table.drop(columns="_without").head(most).reset_index(drop=True)


def _judge(row: Mapping[str, object], wanted: Wanted) -> tuple[float, list[str]]:
    """Distance of a run from what is wanted, and what differs in words."""
    if not row["material"] and math.isnan(row["thickness_m"]):
        return math.nan, []
    parts, words = [], []
    _add_panel(row, wanted, parts, words)
    if wanted.foot_under_camera is not None:
        _add_foot(row["foot_under_camera"], wanted.foot_under_camera, parts, words)
    for name, what in (("frame_mass_kg", "frame"), ("head_mass_kg", "head"), ("acceleration_m_s2", "acceleration")):
        if not math.isnan(getattr(wanted, name)):
            _add_ratio(row[name], getattr(wanted, name), what, parts, words)
    return math.sqrt(sum(part**2 for part in parts)), words


def _add_panel(row: Mapping[str, object], wanted: Wanted, parts: list[float], words: list[str]) -> None:
    own, theirs = find_material(wanted.material), find_material(row["material"])
    named_alike = row["material"].casefold() == wanted.material.casefold()
    if named_alike or (own is not None and own is theirs):
        _add_ratio(row["thickness_m"], wanted.thickness_m, "thickness", parts, words)
        return
    parts.append(_OTHER_MATERIAL)
    words.append(row["material"] or "material not stated")
    if own is None or theirs is None or math.isnan(row["thickness_m"]):
        _add_ratio(row["thickness_m"], wanted.thickness_m, "thickness", parts, words)
        return
    ratio = (
        plate_rigidity(theirs, thickness_m=row["thickness_m"]).along
        / plate_rigidity(own, thickness_m=wanted.thickness_m).along
    )
    parts.append(math.log(ratio) / math.log(8.0))
    words.append(f"panel {_times(ratio)} as stiff in bending")


def _add_foot(theirs: object, wanted: bool, parts: list[float], words: list[str]) -> None:
    if theirs is pd.NA or theirs is None:
        parts.append(_UNKNOWN)
        words.append("foot not stated")
    elif bool(theirs) != wanted:
        parts.append(1.0)
        words.append("with a foot" if theirs else "without a foot")


def _add_ratio(theirs: float, wanted: float, what: str, parts: list[float], words: list[str]) -> None:
    if not theirs > 0:
        parts.append(_UNKNOWN)
        words.append(f"{what} not stated")
    elif abs(math.log(theirs / wanted)) > 1e-3:
        parts.append(math.log2(theirs / wanted))
        words.append(f"{_times(theirs / wanted)} the {what}")


def _times(ratio: float) -> str:
    return f"{ratio:.2g}×"
