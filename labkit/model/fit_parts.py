"""What a fit of the machine starts from: parameters, and cases with what was observed in them.

A case is one run or one push test at its own mass, move and panel.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from labkit.base import Estimate, check_choice, check_number
from labkit.model.machine import Machine
from labkit.model.move import MoveProfile

__all__ = ["Case", "Observation", "Parameter"]

_AXES = {"x": 0, "y": 1, "z": 2}
_OF_A_MODE = ("frequency_hz", "damping_ratio", "residual_amplitude_m")
_AFTER_A_MOVE = ("residual_amplitude_m", "settling_s", "blur_m")
_QUANTITIES = (*_OF_A_MODE, "settling_s", "blur_m", "stiffness_n_per_m")


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """A positive physical number to be found, between two bounds; fitted as its logarithm.

    Parameters
    ----------
    name : str
        Name with its unit, for example "foot_stiffness_z_n_per_m".
    low, high : float
        Bounds that the builder is sure of; what the runs cannot tell keeps their width.

    Examples
    --------
    >>> Parameter(name="foot_loss_factor", low=0.01, high=0.5).low
    0.01
    """

    name: str
    low: float
    high: float

    def __post_init__(self) -> None:
        check_number(f"low of {self.name!r}", self.low, above=0.0, cure="parameters are fitted as logarithms")
        check_number(f"high of {self.name!r}", self.high, above=self.low)


@dataclass(frozen=True, kw_only=True)
class Observation:
    """A number that was measured in a case, or, with an unknown value, one that is asked for.

    Parameters
    ----------
    quantity : str
        "frequency_hz", "damping_ratio" or "residual_amplitude_m" of a measured mode (undamped natural frequency, ζ,
        amplitude at the end of the move), "settling_s", "blur_m" (standard deviation of the motion of the picture in
        an exposure, referred to the object), or "stiffness_n_per_m" (static push on the camera).
    value : Estimate
        Value and standard uncertainty; `Estimate.unknown()` asks for a prediction.
    axis : str
        "x", "y" or "z" along which amplitude, settling, blur or stiffness was measured. For a frequency, the axis of
        the sensor if known: it helps to tie the mode to one of the model.
    mode : str
        Label of the measured mode, the same for its frequency, damping and amplitudes within a case.
    seen_by : str
        "camera" for a sensor at the camera, "picture" for the motion of the object in the picture.
    tolerance_m : float or tuple of float
        Of a settling time [m]: one number along `axis`, or x, y, z (inf where it does not matter).
    wait_s, exposure_s : float
        Of a blur: wait from the end of the move, and exposure time [s].
    relative_to : str
        Of a push test: what carries the gauge, "frame" or "bench".

    Examples
    --------
    >>> f = Estimate.from_standard_error(31.4, 0.05, dof=40)
    >>> Observation(quantity="frequency_hz", value=f, mode="sway").asked
    False
    """

    quantity: str
    value: Estimate
    axis: str = ""
    mode: str = ""
    seen_by: str = "camera"
    tolerance_m: float | tuple[float, float, float] = math.nan
    wait_s: float = math.nan
    exposure_s: float = math.nan
    relative_to: str = ""

    def __post_init__(self) -> None:
        check_choice("quantity", self.quantity, _QUANTITIES)
        check_choice("seen_by", self.seen_by, ("camera", "picture"))
        if self.axis or self.quantity in ("residual_amplitude_m", "blur_m", "stiffness_n_per_m"):
            check_choice(f"axis of {self.quantity}", self.axis, _AXES)
        if self.quantity in _OF_A_MODE and not self.mode:
            raise ValueError(f"{self.quantity} has no mode; give the same label to all that was measured of one mode")
        if self.quantity == "settling_s":
            self._check_tolerance()
        if self.quantity == "blur_m":
            check_number("wait_s of blur_m", self.wait_s, at_least=0.0)
            check_number("exposure_s of blur_m", self.exposure_s, above=0.0)
        if self.quantity == "stiffness_n_per_m":
            check_choice("relative_to of stiffness_n_per_m", self.relative_to, ("frame", "bench"))
        if not self.asked:
            self._check_value()

    @property
    def asked(self) -> bool:
        """True when there is no value: a prediction is asked for."""
        return math.isnan(self.value.value)

    @property
    def label(self) -> str:
        """Quantity with its mode and axis, for tables and messages."""
        return " ".join(filter(None, (self.quantity, self.mode and f"of mode {self.mode}", self.axis)))

    @property
    def tolerances_m(self) -> tuple[float, float, float]:
        """Tolerance along x, y, z [m]."""
        if np.size(self.tolerance_m) == 3:
            return tuple(self.tolerance_m)
        return tuple(self.tolerance_m if axis == self.axis else math.inf for axis in _AXES)

    def _check_tolerance(self) -> None:
        if np.size(self.tolerance_m) == 1:
            check_choice("axis of settling_s with one tolerance", self.axis, _AXES)
            check_number("tolerance_m of settling_s", self.tolerance_m, above=0.0)
        elif np.size(self.tolerance_m) != 3 or not all(value > 0.0 for value in self.tolerance_m):
            raise ValueError(f"tolerance_m is {self.tolerance_m!r}; give one number above 0, or x, y, z (inf allowed)")

    def _check_value(self) -> None:
        may_be_zero = self.quantity in ("settling_s", "blur_m", "residual_amplitude_m")
        check_number(self.label, self.value.value, **({"at_least": 0.0} if may_be_zero else {"above": 0.0}))
        if not (math.isfinite(self.value.standard_error) and self.value.standard_error > 0.0):
            raise ValueError(
                f"standard_error of {self.label} is {self.value.standard_error!r}; a fit weighs by it, so it must be "
                "known and above 0: repeat the measurement, or leave this one out"
            )


@dataclass(frozen=True, eq=False, kw_only=True)
class Case:
    """One run or one push test.

    Parameters
    ----------
    name : str
        What the builder calls it.
    build : callable
        Takes the parameters by name and makes the `Machine` as it stood in this case. Cases that share one `build`
        share the machine. Keep parts that depend on few parameters (`PanelMount`) in a cache to save time.
    profile : MoveProfile or None
        The move; None for a push test or a tap.
    move_axis : str
        "x", "y", "z"; "" without a move.
    observations : tuple of Observation
        What was measured, or is asked for.
    """

    name: str
    build: Callable[[Mapping[str, float]], Machine]
    profile: MoveProfile | None
    move_axis: str
    observations: tuple[Observation, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "observations", tuple(self.observations))
        if self.profile is None and self.move_axis:
            raise ValueError(f"case {self.name!r} has a move_axis but no profile; give both or neither")
        if self.profile is not None:
            self.profile.check_single()
            check_choice(f"move_axis of case {self.name!r}", self.move_axis, _AXES)
        for seen in self.observations:
            if seen.quantity in _AFTER_A_MOVE and self.profile is None:
                raise ValueError(f"case {self.name!r} has {seen.label} but no profile; give the move")
        labels = [s.mode for s in self.observations if s.quantity == "frequency_hz"]
        if len(set(labels)) < len(labels):
            raise ValueError(f"case {self.name!r} has two frequencies of one mode; average them or use two labels")
        lacking = {s.mode for s in self.observations if s.quantity in _OF_A_MODE} - set(labels)
        if lacking:
            raise ValueError(f"case {self.name!r} has no frequency_hz of mode(s) {', '.join(sorted(lacking))}; add it")

    @property
    def modes(self) -> tuple[Observation, ...]:
        """The frequencies: one for each measured mode."""
        return tuple(seen for seen in self.observations if seen.quantity == "frequency_hz")

    def of_mode(self, quantity: str, mode: str) -> Observation | None:
        """What was measured of a mode; None when it was not, or is only asked for."""
        return next((s for s in self.observations if (s.quantity, s.mode) == (quantity, mode) and not s.asked), None)
