"""How stiff it must be: from the force of a move and a tolerance to a stiffness and a lowest frequency."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from scipy import optimize

from labkit.base import check_number
from labkit.decide.spans import Span, SpanLike, as_span, over_corners

__all__ = ["RigidityTarget", "rigidity_target"]

_STEPS_OF_A_MOVE = 4  # acceleration on and off, braking on and off: as many steps of the force
_FREQUENCIES_HZ = (1e-3, 1e6)  # within which a target is looked for
_UNKNOWN = Span(low=math.nan, high=math.nan)


@dataclass(frozen=True, kw_only=True)
class RigidityTarget:
    """How stiff what carries the camera must be, by two routes.

    Parameters
    ----------
    recoil_stiffness_n_per_m, ring_down_stiffness_n_per_m : Span
        Stiffness with which the camera stays within the tolerance during the acceleration, and after the wait
        [N/m].
    recoil_frequency_hz, ring_down_frequency_hz : Span
        Lowest frequency that goes with it [Hz].
    governs : {"recoil", "ring-down", "unknown"}
        The route that counts.
    stiffness_n_per_m, frequency_hz : float
        Target: the strict end of the route that governs [N/m], [Hz]; nan when unknown.
    missing : tuple of str
        What is not known.
    sentences : tuple of str
        What it means.
    """

    recoil_stiffness_n_per_m: Span
    ring_down_stiffness_n_per_m: Span
    recoil_frequency_hz: Span
    ring_down_frequency_hz: Span
    governs: str
    stiffness_n_per_m: float
    frequency_hz: float
    missing: tuple[str, ...]
    sentences: tuple[str, ...]


def rigidity_target(
    *,
    force_n: SpanLike,
    moving_mass_kg: SpanLike,
    damping_ratio: SpanLike,
    tolerance_m: SpanLike,
    wait_s: SpanLike,
    jerk_time_s: SpanLike = 0.0,
    during_move: bool = False,
) -> RigidityTarget:
    """Needed stiffness and lowest frequency from the force of a move and the tolerance.

    One mode, a force F that is switched on and off twice a move. For a machine on its feet F = m_head·a and M is all
    that sways. For a panel on a frame that accelerates by a_f take F = M·a_f with M the modal mass of the panel, as
    one number and not a range: the frequency does not depend on it, and ranges count as independent here.

    Parameters
    ----------
    force_n : float or range
        Force during the acceleration [N].
    moving_mass_kg : float or range
        Mass M that moves on the stiffness [kg].
    damping_ratio : float or range
        ζ expected.
    tolerance_m : float or range
        Movement allowed to either side [m].
    wait_s : float or range
        From the end of the move to the picture [s].
    jerk_time_s : float or range
        Time in which the force rises, a/jerk [s]; 0 when it is switched at once.
    during_move : bool
        True when pictures are taken, or parts touched, while the head accelerates: then recoil counts as well.

    Notes
    -----
    With s = min(1, 1/(π·f·t_j)), the envelope of |sinc(f·t_j)|, a bound for the ringing of each step in F/k.
    Recoil with overshoot: (1 + s)·F/k ≤ tolerance. Ring-down: 4·s·(F/k)·exp(−2πζf·wait) ≤ tolerance, the worst
    sum of four steps without what dies away between them. k = M(2πf)². Derived; a resonant or tuned move can only
    be better. See `labkit.model.machine` for the machine with all its modes.

    Examples
    --------
    A head of 0.8 kg at 10 m/s², ±20 µm while it accelerates, force switched at once: 2·8 N/20 µm.

    >>> target = rigidity_target(force_n=8.0, moving_mass_kg=12.8, damping_ratio=0.03, tolerance_m=20e-6, wait_s=1.0,
    ...                          during_move=True)
    >>> target.governs, round(target.stiffness_n_per_m), round(target.frequency_hz, 1)
    ('recoil', 800000, 39.8)
    """
    spans = {
        "force": as_span("force_n", force_n, above=0.0),
        "moving mass": as_span("moving_mass_kg", moving_mass_kg, above=0.0),
        "damping ratio": as_span("damping_ratio", damping_ratio, above=0.0, below=1.0),
        "tolerance": as_span("tolerance_m", tolerance_m, above=0.0),
        "wait": _not_negative("wait_s", wait_s),
        "jerk time": _not_negative("jerk_time_s", jerk_time_s),
    }
    force, mass, damping, tolerance, wait, jerk = spans.values()
    f_recoil = over_corners(_recoil_frequency, force, mass, tolerance, jerk)
    f_ring = over_corners(_ring_down_frequency, force, mass, tolerance, jerk, damping, wait)
    # stiffness at its own corners: a heavier mass lowers the frequency and needs the same stiffness against recoil
    k_recoil = over_corners(
        lambda f, m, t, j: _stiffness(m, _recoil_frequency(f, m, t, j)), force, mass, tolerance, jerk
    )
    k_ring = over_corners(
        lambda f, m, t, j, z, w: _stiffness(m, _ring_down_frequency(f, m, t, j, z, w)),
        *(force, mass, tolerance, jerk, damping, wait),
    )
    governs = "ring-down" if not during_move or k_ring.high >= k_recoil.high else "recoil"
    if not k_ring.known or not k_recoil.known:
        governs = "unknown"
    routes = {"recoil": (k_recoil, f_recoil), "ring-down": (k_ring, f_ring)}
    stiffness, frequency = (span.high for span in routes.get(governs, (_UNKNOWN, _UNKNOWN)))
    return RigidityTarget(
        recoil_stiffness_n_per_m=k_recoil,
        ring_down_stiffness_n_per_m=k_ring,
        recoil_frequency_hz=f_recoil,
        ring_down_frequency_hz=f_ring,
        governs=governs,
        stiffness_n_per_m=stiffness,
        frequency_hz=frequency,
        missing=tuple(name for name, span in spans.items() if not span.known),
        sentences=_target_words(k_recoil, k_ring, f_recoil, f_ring, wait, governs, during_move=during_move),
    )


def _not_negative(name: str, value: SpanLike) -> Span:
    span = as_span(name, value)
    if span.known:
        check_number(name, span.low, at_least=0.0)
    return span


def _stiffness(mass: float, frequency: float) -> float:
    return mass * (2 * math.pi * frequency) ** 2


def _rise_share(frequency: float, jerk_time: float) -> float:
    return 1.0 if jerk_time == 0.0 else min(1.0, 1.0 / (math.pi * frequency * jerk_time))


def _recoil_frequency(force: float, mass: float, tolerance: float, jerk_time: float) -> float:
    return _lowest(lambda f: (1 + _rise_share(f, jerk_time)) * force / _stiffness(mass, f), tolerance)


def _ring_down_frequency(
    force: float, mass: float, tolerance: float, jerk_time: float, damping: float, wait: float
) -> float:
    def left(f: float) -> float:
        start = _STEPS_OF_A_MOVE * _rise_share(f, jerk_time) * force / _stiffness(mass, f)
        return start * math.exp(-2 * math.pi * damping * f * wait)

    return _lowest(left, tolerance)


def _lowest(motion: Callable[[float], float], tolerance: float) -> float:
    """Frequency from which a motion that falls with it stays within the tolerance [Hz]."""
    low, high = (math.log(f) for f in _FREQUENCIES_HZ)
    over = [motion(math.exp(end)) - tolerance for end in (low, high)]
    if over[0] <= 0.0:
        return _FREQUENCIES_HZ[0]
    if over[1] > 0.0:
        return math.inf
    found = optimize.brentq(lambda u: motion(math.exp(u)) - tolerance, low, high, xtol=1e-12)
    return math.exp(found)


def _target_words(
    k_recoil: Span, k_ring: Span, f_recoil: Span, f_ring: Span, wait: Span, governs: str, *, during_move: bool
) -> tuple[str, ...]:
    if governs == "unknown":
        return ("The rigidity target is unknown: a number that it follows from is missing.",)
    recoil = (
        f"To stay within the tolerance while the head accelerates it takes {k_recoil.text(scale=1e-3, unit='N/mm')} "
        f"and {f_recoil.text(unit='Hz')}."
    )
    ring = (
        f"To have rung down {wait.text(scale=1e3, unit='ms')} after the move it takes "
        f"{k_ring.text(scale=1e-3, unit='N/mm')} and {f_ring.text(unit='Hz')}."
    )
    if governs == "recoil":
        why = "Recoil governs: stiffness alone helps, damping and waiting do not."
    elif during_move:
        why = "Ring-down governs: stiffness, damping, a longer wait and a gentler jerk all help."
    else:
        why = (
            "Ring-down governs, since the picture waits for the end of the move: stiffness, damping, a longer wait and "
            "a gentler jerk all help."
        )
    strict = k_ring if governs == "ring-down" else k_recoil
    range_words = "" if strict.low == strict.high else " The target is the strict end of the range."
    return recoil, ring, why + range_words
