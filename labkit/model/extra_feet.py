"""What one or two extra feet would do at every free hole: all places at once, from one solved panel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from labkit.base import check_array, check_number
from labkit.model.panel import Panel

__all__ = ["ExtraFeet", "extra_feet"]

_N_MODES = 16


@dataclass(frozen=True, eq=False, kw_only=True)
class ExtraFeet:
    """Panel with extra feet at every choice of places.

    Parameters
    ----------
    places_m : ndarray, shape (n_places, 2)
        Candidate places (x, y) [m].
    choices : ndarray of int, shape (n_choices, n_feet)
        Rows of `places_m` that carry an extra foot.
    compliance_m_per_n : ndarray, shape (n_choices,)
        Static compliance at the camera [m/N].
    frequencies_hz : ndarray, shape (n_choices, n_modes)
        Natural frequencies [Hz]; measured against panels solved anew the lowest three are good to 0.1 %, the next two
        to 0.2 %, the highest only fill the sum.
    """

    places_m: np.ndarray
    choices: np.ndarray
    compliance_m_per_n: np.ndarray
    frequencies_hz: np.ndarray

    @property
    def first_frequency_hz(self) -> np.ndarray:
        """Lowest natural frequency of each choice [Hz]."""
        return self.frequencies_hz[:, 0]


def extra_feet(
    panel: Panel,
    places_m: Sequence[tuple[float, float]],
    *,
    camera_m: tuple[float, float],
    stiffness_n_per_m: float,
    n_feet: int = 1,
) -> ExtraFeet:
    """Compliance at the camera and frequencies of the panel with extra feet at all choices of places.

    Parameters
    ----------
    panel : Panel
        The panel as it stands, with its feet and masses.
    places_m : sequence of (x, y)
        Candidate places [m], for example the free holes of a `MountingGrid`.
    camera_m : tuple of float
        The camera's place [m].
    stiffness_n_per_m : float
        Stiffness of each extra foot [N/m]; ``math.inf`` for rigid.
    n_feet : {1, 2}
        Extra feet a choice.

    Returns
    -------
    ExtraFeet
        The static compliance is that of the full model. The modes come from the 16 lowest of the panel as it stands,
        higher ones acting by their residual flexibility (MacNeal's method).

    Examples
    --------
    >>> from labkit.model.materials import material
    >>> from labkit.model.panel_parts import Edges, PointSupport
    >>> feet = [PointSupport(x_m=x, y_m=y, stiffness_n_per_m=math.inf) for x in (0, 0.4) for y in (0, 0.4)]
    >>> panel = Panel(length_m=0.4, width_m=0.4, thickness_m=0.003, material=material("mild steel"),
    ...     edges=Edges(), supports=feet, masses=(), holes=None)
    >>> found = extra_feet(panel, [(0.2, 0.2)], camera_m=(0.2, 0.2), stiffness_n_per_m=math.inf)
    >>> round(float(found.first_frequency_hz[0] / panel.frequencies_hz(1)[0]), 3)
    2.218
    """
    places = check_array("places_m", places_m, ndim=2, min_length=2)
    check_number("n_feet", n_feet, at_least=1, at_most=min(2, len(places)))
    soft = (
        0.0 if stiffness_n_per_m == math.inf else 1.0 / check_number("stiffness_n_per_m", stiffness_n_per_m, above=0.0)
    )
    modes = panel.modes(_N_MODES)
    points = np.vstack([places, [camera_m]])
    shapes, residual = modes.shapes(points), modes.residual_flexibility(points)
    omega2 = (2.0 * np.pi * modes.frequencies_hz) ** 2
    static = (shapes / omega2) @ shapes.T + residual
    _check_can_move(places, np.diag(static)[:-1], soft)
    choices = np.array(list(combinations(range(len(places)), n_feet)))
    springs, at_feet = _springs(residual, choices, soft), shapes[choices]
    stiffness = np.swapaxes(at_feet, 1, 2) @ springs @ at_feet
    stiffness[:, range(_N_MODES), range(_N_MODES)] += omega2
    return ExtraFeet(
        places_m=places,
        choices=choices,
        compliance_m_per_n=_with_feet(static, choices, soft),
        frequencies_hz=np.sqrt(np.linalg.eigvalsh(stiffness)) / (2.0 * np.pi),
    )


def _springs(flexibility: np.ndarray, choices: np.ndarray, soft: float) -> np.ndarray:
    """Stiffness of the feet of each choice in series with a flexibility between places."""
    between = flexibility[choices[:, :, None], choices[:, None, :]]
    return np.linalg.inv(between + soft * np.eye(choices.shape[1]))


def _with_feet(static: np.ndarray, choices: np.ndarray, soft: float) -> np.ndarray:
    """Compliance at the last point when the feet of each choice act."""
    towards = static[-1][choices]
    return static[-1, -1] - np.einsum("cf,cfg,cg->c", towards, _springs(static, choices, soft), towards)


def _check_can_move(places: np.ndarray, own: np.ndarray, soft: float) -> None:
    """A rigid foot makes no sense where the panel is held already."""
    fixed = np.flatnonzero(own < 1e-6 * own.max())
    if soft == 0.0 and len(fixed):
        x, y = places[fixed[0]]
        raise ValueError(
            f"place {fixed[0]} at ({x:g}, {y:g}) m is held already, a rigid extra foot there does nothing; leave it out"
        )
