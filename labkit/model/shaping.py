"""Moves shaped so that a known mode is left at rest: convolution with two or more impulses."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.base import check_number
from labkit.decay import pole
from labkit.model.move import MoveProfile

__all__ = ["Shaper", "shaped", "shaper_residual", "zero_vibration_shaper"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Shaper:
    """Impulses that a commanded move is convolved with, so that a mode is left at rest.

    Parameters
    ----------
    delays_s, weights : ndarray, shape (n,)
        Times [s] and weights of the impulses; the weights add to 1.
    """

    delays_s: np.ndarray
    weights: np.ndarray


def zero_vibration_shaper(frequency_hz: float, *, damping_ratio: float, n_impulses: int) -> Shaper:
    """Shaper with two (ZV) or three (ZVD) impulses half a damped period apart [1]_.

    Parameters
    ----------
    frequency_hz : float
        Undamped natural frequency to leave at rest [Hz].
    damping_ratio : float
        ζ, from 0 to below 1.
    n_impulses : int
        2, or 3 and more for a wider notch: binomial weights with K = exp(−ζπ/√(1 − ζ²)).

    References
    ----------
    .. [1] N. C. Singer, W. P. Seering, J. Dyn. Sys. Meas. Control 112 (1990) 76 (from memory).

    Examples
    --------
    >>> zero_vibration_shaper(10.0, damping_ratio=0.05, n_impulses=2).weights.round(6).tolist()
    [0.539238, 0.460762]
    """
    mode = complex(pole(frequency_hz, damping_ratio=damping_ratio))
    count = int(check_number("n_impulses", n_impulses, at_least=2, at_most=6))
    numbers = np.arange(count)
    falling = math.exp(mode.real * math.pi / mode.imag) ** numbers
    weights = np.array([math.comb(count - 1, number) for number in numbers]) * falling
    return Shaper(delays_s=numbers * math.pi / mode.imag, weights=weights / weights.sum())


def shaper_residual(shaper: Shaper, *, frequency_hz: float | np.ndarray, damping_ratio: float) -> np.ndarray:
    """Vibration left by a shaper over that left by one impulse at its last delay.

    Parameters
    ----------
    shaper : Shaper
        The impulses.
    frequency_hz : float or ndarray
        True frequency of the mode [Hz].
    damping_ratio : float
        True ζ.

    Examples
    --------
    >>> two = zero_vibration_shaper(10.0, damping_ratio=0.0, n_impulses=2)
    >>> shaper_residual(two, frequency_hz=[10.0, 11.0], damping_ratio=0.0).round(6).tolist()
    [0.0, 0.156434]
    """
    poles = pole(frequency_hz, damping_ratio=damping_ratio)[..., None]
    return np.abs(np.exp(poles * (shaper.delays_s[-1] - shaper.delays_s)) @ shaper.weights)


def shaped(profile: MoveProfile, shaper: Shaper) -> MoveProfile:
    """A single move convolved with a shaper: a sum of weighted, delayed copies.

    Parameters
    ----------
    profile : MoveProfile
        The move.
    shaper : Shaper
        The impulses.

    Examples
    --------
    >>> from labkit.model.move import move_profile, residual_amplitude
    >>> move = move_profile(travel_m=0.028, speed_m_s=0.2, acceleration_m_s2=5.0)
    >>> quiet = shaped(move, zero_vibration_shaper(30.0, damping_ratio=0.02, n_impulses=2))
    >>> bool(residual_amplitude(quiet, frequency_hz=30.0, damping_ratio=0.02)[0] < 1e-15)
    True
    """
    profile.check_single()
    breaks = np.unique(np.add.outer(shaper.delays_s, profile.breaks_s))
    middles = 0.5 * (breaks[:-1] + breaks[1:])
    degree = profile.coefficients.shape[-1] - 1
    total = np.zeros((len(middles), degree + 1))
    for delay, weight in zip(shaper.delays_s, shaper.weights):
        piece = np.searchsorted(profile.breaks_s, middles - delay, side="right") - 1
        inside = (piece >= 0) & (piece < len(profile.coefficients))
        piece = piece[inside]
        late = breaks[:-1][inside] - delay - profile.breaks_s[piece]
        total[inside] += weight * _moved_origin(profile.coefficients[piece], late)
    return MoveProfile(breaks_s=breaks, coefficients=total)


def _moved_origin(coefficients: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """Coefficients about τ = shift of polynomials given about τ = 0."""
    moved = np.zeros_like(coefficients)
    for high in range(coefficients.shape[-1]):
        for low in range(high + 1):
            moved[:, low] += math.comb(high, low) * coefficients[:, high] * shift ** (high - low)
    return moved
