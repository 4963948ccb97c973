"""The mounting grid of a panel: a hole array that feet and brackets snap to, and what holes do to the plate.

Holes are named by whole steps from an anchor (the middle or a corner of the panel), so a panel of another size has
the same grid and what was mounted keeps its name.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from labkit.base import check_choice, check_number
from labkit.model.materials import Rigidity

__all__ = ["Hole", "HoleArray", "Misfit", "Mount", "MountingGrid", "ResizedGrid", "perforated_rigidity"]


@dataclass(frozen=True, kw_only=True)
class HoleArray:
    """Round through-holes on a square grid, once or twice.

    Parameters
    ----------
    pitch_m : float
        Distance between neighbours of one grid [m].
    diameter_m : float
        Hole diameter [m].
    offset_grid : bool
        True when a second grid sits in the middle of the squares of the first.

    Examples
    --------
    >>> round(HoleArray(pitch_m=0.03, diameter_m=0.0032, offset_grid=True).area_fraction, 5)
    0.01787
    """

    pitch_m: float
    diameter_m: float
    offset_grid: bool

    def __post_init__(self) -> None:
        check_number("pitch_m", self.pitch_m, above=0.0)
        nearest = self.pitch_m / (math.sqrt(2.0) if self.offset_grid else 1.0)
        check_number("diameter_m", self.diameter_m, above=0.0, below=nearest, cure="holes would run into each other")

    @property
    def area_fraction(self) -> float:
        """Part of the sheet that is drilled away."""
        return (2 if self.offset_grid else 1) * math.pi / 4.0 * (self.diameter_m / self.pitch_m) ** 2


def perforated_rigidity(rigidity: Rigidity, *, holes: HoleArray) -> Rigidity:
    """Rigidity of the sheet with the hole array in it.

    Parameters
    ----------
    rigidity : Rigidity
        Of the sheet without holes.
    holes : HoleArray
        The holes; at most 20 % of the area, where the formula was checked.

    Notes
    -----
    D*(1 + ν*) = D(1 + ν)/[1 + 2/(1 − ν)·φ/(1 − φ)] and D*(1 − ν*) = D(1 − ν)/[1 + 4/(3 + ν)·φ/(1 − φ)], φ the area
    fraction: derived from the bending of a plate around one free hole and checked against a finite-element cell of
    a square lattice (0.1 % at φ = 0.07). For a sheet with a grain the two factors are used with ν = D12/√(D11·D22),
    an approximation.

    Examples
    --------
    >>> from labkit.model.materials import material, plate_rigidity
    >>> plain = plate_rigidity(material("mild steel"), thickness_m=0.003)
    >>> drilled = perforated_rigidity(plain, holes=HoleArray(pitch_m=0.03, diameter_m=0.0032, offset_grid=True))
    >>> round(drilled.along / plain.along, 4)
    0.9603
    """
    fraction = check_number("area fraction of the holes", holes.area_fraction, at_most=0.2)
    odds = fraction / (1.0 - fraction)
    mean = math.sqrt(rigidity.along * rigidity.across)
    ratio = rigidity.coupling / mean
    dome = 1.0 + 2.0 / (1.0 - ratio) * odds
    saddle = 1.0 + 4.0 / (3.0 + ratio) * odds
    bending = 0.5 * ((1.0 + ratio) / dome + (1.0 - ratio) / saddle)
    coupling = 0.5 * ((1.0 + ratio) / dome - (1.0 - ratio) / saddle)
    return Rigidity(
        along=rigidity.along * bending,
        across=rigidity.across * bending,
        coupling=mean * coupling,
        twist=rigidity.twist / saddle,
    )


@dataclass(frozen=True, order=True, kw_only=True)
class Hole:
    """Name of a hole: half steps from the anchor; both even on the first grid, both odd on the offset grid.

    Parameters
    ----------
    along, across : int
        Half pitches from the anchor along the length and the width.
    """

    along: int
    across: int

    def __post_init__(self) -> None:
        if (self.along - self.across) % 2:
            raise ValueError(
                f"hole ({self.along}, {self.across}) lies between the grids; both steps must be even or both odd"
            )


@dataclass(frozen=True, kw_only=True)
class Mount:
    """Something bolted to the panel.

    Parameters
    ----------
    name : str
        What it is, for the messages.
    holes : tuple of Hole
        Holes that its bolts use.
    keep_out_m : float
        Radius around each bolt [m]; the circles of two mounts may not overlap nor reach over the panel's edge.
    """

    name: str
    holes: tuple[Hole, ...]
    keep_out_m: float

    def __post_init__(self) -> None:
        if not self.holes:
            raise ValueError(f"mount {self.name!r} uses no hole; give at least one")
        object.__setattr__(self, "holes", tuple(self.holes))
        check_number(f"keep_out_m of {self.name!r}", self.keep_out_m, at_least=0.0)


@dataclass(frozen=True, kw_only=True)
class Misfit:
    """A mount that does not fit, and why.

    Parameters
    ----------
    mount : Mount
        The mount.
    reason : str
        What is in the way, in words.
    """

    mount: Mount
    reason: str


@dataclass(frozen=True, kw_only=True)
class ResizedGrid:
    """A grid on a panel of another size.

    Parameters
    ----------
    grid : MountingGrid
        The new grid, holes named as before.
    kept : tuple of Mount
        Mounts that still fit, at the same holes.
    lost : tuple of Misfit
        Mounts that do not, each with its reason.
    """

    grid: MountingGrid
    kept: tuple[Mount, ...]
    lost: tuple[Misfit, ...]


@dataclass(frozen=True, kw_only=True)
class MountingGrid:
    """Hole array on a panel.

    Parameters
    ----------
    length_m, width_m : float
        Panel size [m].
    holes : HoleArray
        The array.
    edge_distance_m : float
        Least distance from a hole's centre to the panel's edge [m]; common practice is 1.5 to 2 diameters.
    anchor : {"middle", "corner"}
        Where hole (0, 0) sits: in the middle, or at `edge_distance_m` from the two edges at the origin.

    Examples
    --------
    >>> array = HoleArray(pitch_m=0.03, diameter_m=0.0032, offset_grid=False)
    >>> grid = MountingGrid(length_m=0.42, width_m=0.3, holes=array, edge_distance_m=0.01, anchor="middle")
    >>> len(grid.names)
    117
    >>> grid.snap((0.2, 0.14))
    Hole(along=0, across=0)
    """

    length_m: float
    width_m: float
    holes: HoleArray
    edge_distance_m: float
    anchor: str = "middle"

    def __post_init__(self) -> None:
        check_choice("anchor", self.anchor, ("middle", "corner"))
        check_number("length_m", self.length_m, above=0.0)
        check_number("width_m", self.width_m, above=0.0)
        check_number(
            "edge_distance_m",
            self.edge_distance_m,
            at_least=0.5 * self.holes.diameter_m,
            at_most=0.5 * min(self.length_m, self.width_m),
        )

    @cached_property
    def names(self) -> tuple[Hole, ...]:
        """All holes whose edge distance is kept, in order."""
        half, slack = 0.5 * self.holes.pitch_m, 1e-9
        spans = []
        for size, origin in zip((self.length_m, self.width_m), self._origin):
            low = math.ceil((self.edge_distance_m - origin) / half - slack)
            high = math.floor((size - self.edge_distance_m - origin) / half + slack)
            spans.append(range(low, high + 1))
        allowed = (0, 1) if self.holes.offset_grid else (0,)
        return tuple(Hole(along=i, across=j) for i in spans[0] for j in spans[1] if i % 2 == j % 2 and i % 2 in allowed)

    def place_m(self, hole: Hole) -> tuple[float, float]:
        """Centre (x, y) of a hole [m], also of one that the panel is too small for."""
        half = 0.5 * self.holes.pitch_m
        x, y = self._origin
        return x + half * hole.along, y + half * hole.across

    @cached_property
    def places_m(self) -> np.ndarray:
        """Centres of all holes [m], shape (n, 2)."""
        return np.array([self.place_m(hole) for hole in self.names]).reshape(-1, 2)

    def snap(self, at_m: tuple[float, float]) -> Hole:
        """The hole nearest to a point (x, y) [m]."""
        if not self.names:
            raise ValueError(
                f"a panel of {self.length_m:g} m × {self.width_m:g} m has no hole at {self.edge_distance_m:g} m from "
                "its edges; choose a smaller edge distance or pitch"
            )
        x, y = (check_number(name, value) for name, value in zip(("x of at_m", "y of at_m"), at_m))
        return self.names[int(np.argmin(np.hypot(self.places_m[:, 0] - x, self.places_m[:, 1] - y)))]

    def free(self, mounts: Sequence[Mount], *, keep_out_m: float) -> tuple[Hole, ...]:
        """Holes where a single bolt with its own keep-out radius [m] can still go."""
        return tuple(
            hole
            for hole in self.names
            if self.misfit(Mount(name="new", holes=(hole,), keep_out_m=keep_out_m), among=mounts) is None
        )

    def misfit(self, mount: Mount, *, among: Sequence[Mount]) -> Misfit | None:
        """Why a mount does not fit beside the others, or None when it fits."""
        for hole in mount.holes:
            reason = self._off_panel(hole, mount) or self._in_the_way(hole, mount, among)
            if reason:
                return Misfit(mount=mount, reason=reason)
        return None

    def resized(self, mounts: Sequence[Mount], *, length_m: float, width_m: float) -> ResizedGrid:
        """The grid on a panel of another size, what still fits on it and what no longer does."""
        grid = replace(self, length_m=length_m, width_m=width_m)
        found = [grid.misfit(mount, among=()) for mount in mounts]
        return ResizedGrid(
            grid=grid,
            kept=tuple(mount for mount, misfit in zip(mounts, found) if misfit is None),
            lost=tuple(misfit for misfit in found if misfit is not None),
        )

    @property
    def _origin(self) -> tuple[float, float]:
        if self.anchor == "middle":
            return 0.5 * self.length_m, 0.5 * self.width_m
        return self.edge_distance_m, self.edge_distance_m

    def _off_panel(self, hole: Hole, mount: Mount) -> str:
        if hole not in self._known:
            return f"{mount.name} needs hole ({hole.along}, {hole.across}), which this panel does not have"
        x, y = self.place_m(hole)
        gap = min(x, y, self.length_m - x, self.width_m - y)
        if gap < mount.keep_out_m - 1e-9:
            return (
                f"{mount.name} needs {1e3 * mount.keep_out_m:.4g} mm around hole ({hole.along}, {hole.across}), "
                f"the edge is {1e3 * gap:.4g} mm away"
            )
        return ""

    def _in_the_way(self, hole: Hole, mount: Mount, among: Sequence[Mount]) -> str:
        for other in among:
            if other is mount:
                continue
            for taken in other.holes:
                distance = math.dist(self.place_m(hole), self.place_m(taken))
                need = max(mount.keep_out_m + other.keep_out_m, 1e-9)
                if distance < need - 1e-9:
                    return (
                        f"{mount.name} at hole ({hole.along}, {hole.across}) is {1e3 * distance:.4g} mm from "
                        f"{other.name}; {1e3 * need:.4g} mm are needed"
                    )
        return ""

    @cached_property
    def _known(self) -> frozenset[Hole]:
        return frozenset(self.names)
