"""What a panel is put together from: edges, feet and bolts, masses."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from labkit.base import check_choice, check_number
from labkit.model.plate_basis import EDGE_KINDS

__all__ = ["Edges", "PointMass", "PointSupport"]


@dataclass(frozen=True, kw_only=True)
class Edges:
    """How the four edges are held: "free", "supported" (may turn) or "clamped".

    Parameters
    ----------
    left, right : str
        Edges x = 0 and x = length.
    front, back : str
        Edges y = 0 and y = width.

    Examples
    --------
    >>> Edges.all("clamped").left
    'clamped'
    """

    left: str = "free"
    right: str = "free"
    front: str = "free"
    back: str = "free"

    def __post_init__(self) -> None:
        for field in fields(self):
            check_choice(f"{field.name} edge", getattr(self, field.name), EDGE_KINDS)

    @classmethod
    def all(cls, kind: str) -> Edges:
        """Four edges of one kind."""
        return cls(left=kind, right=kind, front=kind, back=kind)


@dataclass(frozen=True, kw_only=True)
class PointSupport:
    """A foot or a bolt: a spring to the ground under one point.

    Parameters
    ----------
    x_m, y_m : float
        Where it is [m].
    stiffness_n_per_m : float
        Vertical stiffness [N/m]; ``math.inf`` for a rigid one.
    loss_factor : float
        η of the spring; nan when unknown.
    """

    x_m: float
    y_m: float
    stiffness_n_per_m: float
    loss_factor: float = math.nan

    def __post_init__(self) -> None:
        if self.stiffness_n_per_m != math.inf:
            check_number("stiffness_n_per_m", self.stiffness_n_per_m, above=0.0, cure="or leave the foot out")
        if not math.isnan(self.loss_factor):
            check_number("loss_factor", self.loss_factor, at_least=0.0)


@dataclass(frozen=True, kw_only=True)
class PointMass:
    """A mass that rides on one point of the panel, such as the camera.

    Parameters
    ----------
    x_m, y_m : float
        Where it is [m].
    mass_kg : float
        Mass [kg].
    """

    x_m: float
    y_m: float
    mass_kg: float

    def __post_init__(self) -> None:
        check_number("mass_kg", self.mass_kg, above=0.0)
