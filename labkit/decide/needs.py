"""What a plan is made of: what is expected of the machine, the numbers that a test needs, and the plan that holds them.

A need has two limits. Within `good` the plain reading works; between `good` and `must` it takes care (modes fitted
instead of a trace read, a correction); beyond `must` the test cannot answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from labkit.base import STANDARD_GRAVITY_M_S2, check_choice
from labkit.decide.spans import Span, SpanLike, as_span
from labkit.runs.facts import MoveFacts

__all__ = ["Expected", "Need", "Plan", "quantity_text", "unit_shown", "upper_first"]


#: Unit shown and its multiplier from SI, for every quantity that a need is about.
_UNITS = {
    "noise_density_m_s2_rthz": ("noise density", 1e6 / STANDARD_GRAVITY_M_S2, "µg/√Hz"),
    "range_m_s2": ("range, one side", 1 / STANDARD_GRAVITY_M_S2, "g"),
    "resolution_m_s2": ("step of the reading", 1e3 / STANDARD_GRAVITY_M_S2, "mg"),
    "sample_rate_hz": ("sample rate", 1.0, "Hz"),
    "bandwidth_hz": ("bandwidth, −3 dB", 1.0, "Hz"),
    "lowest_frequency_hz": ("lowest frequency", 1.0, "Hz"),
    "mount_resonance_hz": ("mounted resonance", 1.0, "Hz"),
    "mass_kg": ("mass with mount", 1e3, "g"),
    "rest_s": ("rest after each move", 1e3, "ms"),
    "repeats": ("repeats a side", 1.0, ""),
    "record_s": ("record a side", 1.0, "s"),
    "frame_rate_hz": ("frame rate", 1.0, "Hz"),
    "exposure_s": ("exposure", 1e3, "ms"),
    "shift_noise_m": ("noise of the displacement", 1e6, "µm"),
    "force_n": ("force at the top", 1.0, "N"),
    "dial_step_m": ("step of the dial", 1e6, "µm"),
}


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What is expected of the machine before it is measured; ranges are welcome, nan is unknown.

    Ranges are combined at their worst: the greatest amplitude at the highest frequency. Where that is too strict, plan
    each mode by itself.

    Parameters
    ----------
    frequency_hz : float or range
        Modes that matter at the camera [Hz].
    damping_ratio : float or range
        Their ζ.
    amplitude_m : float or range
        Amplitude at the camera when the move ends [m].
    move : MoveFacts
        The move planned.
    head_mass_kg, frame_mass_kg : float
        Moving head, and machine without head [kg].
    modal_mass_kg : float or range
        Mass of the panel that moves with the mode at the sensor [kg]; a quarter of a panel held at its edges, about
        half of one that stands on its corners.
    """

    frequency_hz: SpanLike
    damping_ratio: SpanLike
    amplitude_m: SpanLike = math.nan
    move: MoveFacts = field(default_factory=MoveFacts)
    head_mass_kg: float = math.nan
    frame_mass_kg: float = math.nan
    modal_mass_kg: SpanLike = math.nan

    def __post_init__(self) -> None:
        set_ = object.__setattr__
        for name in ("frequency_hz", "amplitude_m", "modal_mass_kg"):
            set_(self, name, as_span(name, getattr(self, name), above=0.0))
        set_(self, "damping_ratio", as_span("damping_ratio", self.damping_ratio, above=0.0, below=1.0))
        for name in ("head_mass_kg", "frame_mass_kg"):
            as_span(name, getattr(self, name), above=0.0)

    @property
    def carried_acceleration_m_s2(self) -> float:
        """The part of the head's acceleration that the whole machine takes up, m_h·a/(M + m_h) [m/s²].

        All of it when a mass is unknown: the strict case.
        """
        share = self.head_mass_kg / (self.head_mass_kg + self.frame_mass_kg)
        return (1.0 if math.isnan(share) else share) * self.move.commanded_acceleration_m_s2


@dataclass(frozen=True, kw_only=True)
class Need:
    """One number that a test needs.

    Parameters
    ----------
    key : str
        Quantity with its SI unit, such as ``"sample_rate_hz"``.
    sense : {"at least", "at most"}
        Which way is enough.
    must, good : float
        Limit beyond which the test cannot answer, and limit within which the plain reading works [SI]; nan where
        unknown.
    why : str
        Where the limits come from.
    """

    key: str
    sense: str
    must: float
    good: float
    why: str

    def __post_init__(self) -> None:
        check_choice("key", self.key, _UNITS)
        check_choice("sense", self.sense, ("at least", "at most"))

    @property
    def name(self) -> str:
        """The quantity in words."""
        return _UNITS[self.key][0]

    @property
    def text(self) -> str:
        """Limits in words and bench units."""
        must, good = (quantity_text(self.key, limit) for limit in (self.must, self.good))
        return (
            f"{self.sense} {good}" if math.isnan(self.must) or must == good else f"{self.sense} {must}, better {good}"
        )

    def margin(self, offered: float) -> float:
        """How far an offered value is inside the limit `must`, as a ratio: above 1 is enough, nan when unknown."""
        return _ratio(self.sense, offered, self.must)

    def comfort(self, offered: float) -> float:
        """The same against the limit `good`."""
        return _ratio(self.sense, offered, self.good)


def _ratio(sense: str, offered: float, limit: float) -> float:
    if math.isnan(offered) or math.isnan(limit):
        return math.nan
    upper, lower = (offered, limit) if sense == "at least" else (limit, offered)
    return math.inf if lower == 0.0 else upper / lower


def quantity_text(key: str, value: float) -> str:
    """A value in the unit in which a builder reads it, as in ``"100 µg/√Hz"``.

    Parameters
    ----------
    key : str
        Quantity with its SI unit.
    value : float
        Value [SI].

    Examples
    --------
    >>> quantity_text("rest_s", 1.25)
    '1250 ms'
    """
    scale, unit = unit_shown(key)
    return Span(low=value, high=value).text(scale=scale, unit=unit)


def unit_shown(key: str) -> tuple[float, str]:
    """Multiplier from SI to the unit in which a builder reads a quantity, and that unit.

    Parameters
    ----------
    key : str
        Quantity with its SI unit.

    Examples
    --------
    >>> unit_shown("exposure_s")
    (1000.0, 'ms')
    """
    check_choice("key", key, _UNITS)
    return _UNITS[key][1:]


def upper_first(words: str) -> str:
    """Words that begin a sentence; capitals inside stay.

    Parameters
    ----------
    words : str
        Any words.

    Examples
    --------
    >>> upper_first("noise of 3 Hz")
    'Noise of 3 Hz'
    """
    return words[:1].upper() + words[1:]


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a test needs.

    Parameters
    ----------
    tolerance_m : float
        Movement allowed to either side [m].
    needs : tuple of Need
        What is needed, one a number.
    low_cut_hz : float
        Low cut of the displacement that the noise limits hold for [Hz].
    settling_s : Span
        Time to ring down to the tolerance [s].
    missing : tuple of str
        Facts without which something is unknown.
    sentences : tuple of str
        What it means.
    """

    tolerance_m: float
    needs: tuple[Need, ...]
    low_cut_hz: float
    settling_s: Span
    missing: tuple[str, ...]
    sentences: tuple[str, ...]

    def need(self, key: str) -> Need:
        """The need of a quantity, such as ``"rest_s"``."""
        check_choice("key", key, [need.key for need in self.needs])
        return next(need for need in self.needs if need.key == key)
