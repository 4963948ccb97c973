"""Moves from rest to rest and the exact answer of modes to them.

A move is its acceleration, polynomials in time joined at breakpoints. A mode with pole λ = −ζω + iω_d that is pushed
by the acceleration a(t) obeys z' = λz + a; its displacement for a unit push is q = Im z/ω_d. Over a polynomial piece
z has a closed form, so the pieces are joined without time steps. Leading axes of the arrays are cells of a map.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.base import check_array, check_number
from labkit.decay import pole
from labkit.runs.facts import MoveFacts

__all__ = [
    "MoveProfile",
    "declared_profile",
    "end_states",
    "mode_states",
    "move_profile",
    "residual_amplitude",
    "sampled_profile",
]


@dataclass(frozen=True, eq=False, kw_only=True)
class MoveProfile:
    """Acceleration of a move as joined polynomials.

    Parameters
    ----------
    breaks_s : ndarray, shape (..., n + 1)
        Times at which pieces meet, from 0 to the end of the move [s]; pieces may have no length.
    coefficients : ndarray, shape (..., n, degree + 1)
        Acceleration in each piece, Σ c_d·τ^d with τ from the start of the piece [m/s², m/s³, …].
    """

    breaks_s: np.ndarray
    coefficients: np.ndarray

    def __post_init__(self) -> None:
        breaks, pieces = self.breaks_s, self.coefficients
        if breaks.shape[:-1] != pieces.shape[:-2] or breaks.shape[-1] != pieces.shape[-2] + 1:
            raise ValueError(f"breaks_s {breaks.shape} and coefficients {pieces.shape} do not pair: n + 1 and n pieces")
        if not (np.isfinite(breaks).all() and np.isfinite(pieces).all() and np.all(np.diff(breaks) >= 0.0)):
            raise ValueError("breaks_s must rise and all numbers of a move must be finite")

    @property
    def duration_s(self) -> np.ndarray:
        """Duration [s]."""
        return self.breaks_s[..., -1] - self.breaks_s[..., 0]

    @property
    def end_speed_m_s(self) -> np.ndarray:
        """∫a dt [m/s]; 0 for a move from rest to rest."""
        return self._integrals()[0]

    @property
    def travel_m(self) -> np.ndarray:
        """∬a dt² [m]."""
        return self._integrals()[1]

    def _integrals(self) -> tuple[np.ndarray, np.ndarray]:
        spans = np.diff(self.breaks_s)
        speed = travel = np.zeros(self.breaks_s.shape[:-1])
        for number in range(spans.shape[-1]):
            span, c = spans[..., number], self.coefficients[..., number, :]
            d = np.arange(c.shape[-1])
            powers = span[..., None] ** (d + 1) / (d + 1)
            travel = travel + speed * span + (c * powers * span[..., None] / (d + 2)).sum(-1)
            speed = speed + (c * powers).sum(-1)
        return speed, travel

    def acceleration_m_s2(self, time_s: np.ndarray) -> np.ndarray:
        """Acceleration at times [m/s²] of a single move; 0 before and after it."""
        self.check_single()
        time = np.asarray(time_s, dtype=float)
        piece = np.clip(np.searchsorted(self.breaks_s, time, side="right") - 1, 0, len(self.coefficients) - 1)
        values = np.zeros(time.shape)
        for c in self.coefficients[piece].T[::-1]:
            values = values * (time - self.breaks_s[piece]) + c
        return np.where((time >= self.breaks_s[0]) & (time < self.breaks_s[-1]), values, 0.0)

    def check_single(self) -> None:
        """Raise when the profile holds a batch of moves."""
        if self.breaks_s.ndim != 1:
            raise ValueError(f"this needs a single move; the profile holds {self.breaks_s.shape[:-1]} of them")


def move_profile(
    *,
    travel_m: float | np.ndarray,
    speed_m_s: float | np.ndarray,
    acceleration_m_s2: float | np.ndarray,
    jerk_m_s3: float | np.ndarray | None = None,
) -> MoveProfile:
    """Fastest move from rest to rest within limits of speed, acceleration and, if given, jerk.

    Parameters
    ----------
    travel_m, speed_m_s, acceleration_m_s2 : float or ndarray
        Distance [m] and limits [m/s, m/s²], above 0; arrays make one move a cell.
    jerk_m_s3 : float or ndarray, optional
        Limit of the jerk [m/s³]; without it the acceleration is switched at once (trapezoidal speed).

    Notes
    -----
    Equal limits for starting and stopping. A move too short for the speed, or for the acceleration, never reaches it.
    Derived from the constant-jerk pieces: the speed ramp has pieces rise, hold, fall with rise = a/j, hold = v/a − a/j.

    Examples
    --------
    >>> move = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=4.0, jerk_m_s3=400.0)
    >>> round(float(move.duration_s), 6), round(float(move.travel_m), 9)
    (0.3925, 0.08)
    """
    given = {"travel_m": travel_m, "speed_m_s": speed_m_s, "acceleration_m_s2": acceleration_m_s2}
    limits = [_above_zero(name, value) for name, value in given.items()]
    if jerk_m_s3 is None:
        s, v, a = np.broadcast_arrays(*limits)
        ramp = np.minimum(v / a, np.sqrt(s / a))
        spans, levels = [ramp, s / (a * ramp) - ramp, ramp], [a, 0.0 * a, -a]
        return _joined(spans, [[level, 0.0 * a] for level in levels])
    s, v, a, j = np.broadcast_arrays(*limits, _above_zero("jerk_m_s3", jerk_m_s3))
    rise, hold, coast = _s_curve(s, v, a, j)
    top, zero = j * rise, 0.0 * j
    spans = [rise, hold, rise, coast, rise, hold, rise]
    starts = [zero, top, top, zero, zero, -top, -top]
    jerks = [j, zero, -j, zero, -j, zero, j]
    return _joined(spans, [list(pair) for pair in zip(starts, jerks)])


def declared_profile(facts: MoveFacts) -> MoveProfile:
    """The move that a run declares; an unknown jerk means that the acceleration is switched at once.

    Parameters
    ----------
    facts : MoveFacts
        The declared move; unknown acceleration, travel or speed (nan) is an error.

    Examples
    --------
    >>> facts = MoveFacts(commanded_acceleration_m_s2=4.0, travel_m=0.01, speed_m_s=0.25)
    >>> float(declared_profile(facts).duration_s)
    0.1
    """
    return move_profile(
        travel_m=facts.travel_m,
        speed_m_s=facts.speed_m_s,
        acceleration_m_s2=facts.commanded_acceleration_m_s2,
        jerk_m_s3=None if math.isnan(facts.jerk_m_s3) else facts.jerk_m_s3,
    )


def _s_curve(s: np.ndarray, v: np.ndarray, a: np.ndarray, j: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times of rising acceleration, of full acceleration and of full speed."""
    top = np.minimum(a, np.sqrt(v * j))  # acceleration reached on the way to full speed
    ramp = v / top + top / j
    full = s >= v * ramp
    meeting = a / (2 * j) + np.sqrt((a / j) ** 2 / 4 + s / a)  # ramps that meet below full speed
    rise_only = np.cbrt(s / (2 * j))
    holds = meeting >= 2 * a / j
    rise = np.where(full, top / j, np.where(holds, a / j, rise_only))
    hold = np.where(full, ramp - 2 * top / j, np.where(holds, meeting - 2 * a / j, 0.0))
    coast = np.where(full, s / v - ramp, 0.0)
    return rise, np.maximum(hold, 0.0), coast


def _joined(spans: list[np.ndarray], pieces: list[list[np.ndarray]]) -> MoveProfile:
    lengths = np.maximum(np.stack(spans, axis=-1), 0.0)
    start = np.zeros((*lengths.shape[:-1], 1))
    return MoveProfile(
        breaks_s=np.concatenate([start, np.cumsum(lengths, axis=-1)], axis=-1),
        coefficients=np.stack([np.stack(piece, axis=-1) for piece in pieces], axis=-2),
    )


def _above_zero(name: str, value: float | np.ndarray) -> np.ndarray:
    array = np.asarray(value, dtype=float)
    if not np.all(np.isfinite(array) & (array > 0.0)):
        raise ValueError(f"{name} is {value!r}; it must be finite and above 0")
    return array


def sampled_profile(acceleration_m_s2: np.ndarray, *, sample_rate_hz: float) -> MoveProfile:
    """A logged or commanded acceleration as straight lines between its samples.

    Parameters
    ----------
    acceleration_m_s2 : array_like, shape (n,)
        Samples [m/s²], without gaps.
    sample_rate_hz : float
        Sample rate [Hz]; straight lines lower a vibration at f by (πf/f_s)²/3.

    Examples
    --------
    >>> float(sampled_profile([0.0, 2.0, 0.0], sample_rate_hz=10.0).end_speed_m_s)
    0.2
    """
    a = check_array("acceleration_m_s2", acceleration_m_s2, ndim=1, min_length=2)
    step = 1.0 / check_number("sample_rate_hz", sample_rate_hz, above=0.0)
    return MoveProfile(
        breaks_s=step * np.arange(a.size),
        coefficients=np.column_stack([a[:-1], np.diff(a) / step]),
    )


# -------------------------------------------------------------------------------------------- answer of the modes
def _particular(coefficients: np.ndarray, inverse_pole: np.ndarray) -> list[np.ndarray]:
    """Coefficients p_d of the polynomial that obeys p' = λp + a: p_d = ((d + 1)p_{d+1} − a_d)/λ."""
    found: list[np.ndarray] = []
    above: np.ndarray | float = 0.0
    for d in range(coefficients.shape[-1])[::-1]:
        above = ((d + 1) * above - coefficients[..., d, None]) * inverse_pole
        found.insert(0, above)
    return found


def _polynomial(coefficients: list[np.ndarray], x: np.ndarray) -> np.ndarray:
    value = coefficients[-1]
    for c in coefficients[-2::-1]:
        value = value * x + c
    return value


def end_states(profile: MoveProfile, poles_rad_s: np.ndarray) -> np.ndarray:
    """State z of each mode at the end of the move, which then rings on as z·exp(λt).

    Parameters
    ----------
    profile : MoveProfile
        The move, or a batch of moves.
    poles_rad_s : ndarray of complex, shape (..., n_modes)
        Poles; their leading axes broadcast against those of the profile.

    Returns
    -------
    ndarray of complex, shape (..., n_modes)
        z = ∫ exp(λ(T − τ))·a(τ) dτ [m/s]; residual amplitude |z|/ω_d.
    """
    poles = np.asarray(poles_rad_s, dtype=complex)
    inverse, spans = 1.0 / poles, np.diff(profile.breaks_s)
    state: np.ndarray | float = 0.0
    for number in range(spans.shape[-1]):
        span = spans[..., number, None]
        p = _particular(profile.coefficients[..., number, :], inverse)
        state = _polynomial(p, span) + (state - p[0]) * np.exp(poles * span)
    return state


def mode_states(profile: MoveProfile, poles_rad_s: np.ndarray, *, time_s: np.ndarray) -> np.ndarray:
    """State z of each mode at times during and after a single move.

    Parameters
    ----------
    profile : MoveProfile
        One move.
    poles_rad_s : ndarray of complex, shape (n_modes,)
        Poles [rad/s].
    time_s : array_like, shape (n,)
        Times on the clock of the profile [s]; before the start nothing moves.

    Returns
    -------
    ndarray of complex, shape (n_times, n_modes)
        Displacement of a mode for a unit push: Im z/ω_d.

    Examples
    --------
    A step of acceleration moves a 1 Hz mode to twice the static 1/ω² after half a period.

    >>> step = MoveProfile(breaks_s=np.array([0.0, 1.0]), coefficients=np.array([[1.0]]))
    >>> mode = np.array([2j * np.pi])
    >>> round(float(mode_states(step, mode, time_s=[0.5])[0, 0].imag / (2 * np.pi) * (2 * np.pi) ** 2), 9)
    2.0
    """
    profile.check_single()
    poles = np.atleast_1d(np.asarray(poles_rad_s, dtype=complex))
    time = check_array("time_s", time_s, ndim=1)
    states = np.zeros((time.size, poles.size), dtype=complex)
    state = np.zeros(poles.size, dtype=complex)
    piece = np.searchsorted(profile.breaks_s, time, side="right") - 1
    inverse = 1.0 / poles
    for number, span in enumerate(np.diff(profile.breaks_s)):
        p = _particular(profile.coefficients[number], inverse)
        inside = piece == number
        if inside.any():
            tau = (time[inside] - profile.breaks_s[number])[:, None]
            states[inside] = _polynomial(p, tau) + (state - p[0]) * np.exp(poles * tau)
        state = _polynomial(p, span) + (state - p[0]) * np.exp(poles * span)
    after = piece >= len(profile.coefficients)
    states[after] = state * np.exp(poles * (time[after] - profile.breaks_s[-1])[:, None])
    return states


def residual_amplitude(
    profile: MoveProfile,
    *,
    frequency_hz: float | np.ndarray,
    damping_ratio: float | np.ndarray,
) -> np.ndarray:
    """Amplitude that a mode carried by the axis has at the end of the move [m], exact.

    Parameters
    ----------
    profile : MoveProfile
        The move, or a batch of moves.
    frequency_hz, damping_ratio : float or ndarray, shape (..., n_modes)
        Modes.

    Notes
    -----
    |z|/ω_d. For the recoil of a base on feet multiply by m_h/(M + m_h). Linear, executed = commanded acceleration.
    Undamped and trapezoidal this is (4a/ω²)|sin(ωt_a/2)·sin(ω(t_a + t_c)/2)|, with jerk × |sinc(f·t_j)| (derived).

    Examples
    --------
    >>> move = move_profile(travel_m=0.028, speed_m_s=0.2, acceleration_m_s2=5.0)
    >>> round(1e6 * float(residual_amplitude(move, frequency_hz=30.0, damping_ratio=0.0)[0]), 2)
    194.48
    """
    poles = np.atleast_1d(pole(frequency_hz, damping_ratio=damping_ratio))
    return np.abs(end_states(profile, poles)) / poles.imag
