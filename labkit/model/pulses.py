"""Single shocks on one undamped mode: what rings on after the pulse and the largest swing, in units of a/ω².

Ayre's transient spectra in closed form. The ratio is pulse duration over the period of the mode.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from labkit.base import check_choice, check_number

__all__ = ["PULSE_SHAPES", "pulse_maximax", "pulse_residual"]

#: Pulses of unit height: rectangle, half a sine, versed sine ½(1 − cos), triangle.
PULSE_SHAPES = ("rectangle", "half-sine", "versed sine", "triangle")
_POINTS = 4000  # of the search for the largest swing within the pulse


def pulse_residual(ratio: float | np.ndarray, *, shape: str) -> np.ndarray:
    """Residual amplitude over a/ω² after a single pulse [1]_.

    Parameters
    ----------
    ratio : float or ndarray
        Pulse duration over period, τ/T.
    shape : str
        One of `PULSE_SHAPES`.

    References
    ----------
    .. [1] R. S. Ayre, in Harris' Shock and Vibration Handbook, ch. 8 (first zeros seen; forms derived).

    Examples
    --------
    >>> pulse_residual([0.25, 0.5, 1.0, 1.5], shape="half-sine").round(6).tolist()
    [0.942809, 1.570796, 1.333333, 0.0]
    """
    check_choice("shape", shape, PULSE_SHAPES)
    x = np.asarray(ratio, dtype=float)
    if not np.all(np.isfinite(x) & (x >= 0.0)):
        raise ValueError(f"ratio is {ratio!r}; it must be finite and at least 0")
    return np.abs(_RESIDUAL[shape](x))


def _half_sine(x: np.ndarray) -> np.ndarray:
    # 4x·cos πx/(1 − 4x²) with cos πx = sin π(½ − x): regular at x = ½
    return 2.0 * np.pi * x * np.sinc(0.5 - x) / (1.0 + 2.0 * x)


def _versed_sine(x: np.ndarray) -> np.ndarray:
    # sin πx/(1 − x²) with sin πx = sin π(1 − x): regular at x = 1
    return np.pi * np.sinc(1.0 - x) / (1.0 + x)


_RESIDUAL: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "rectangle": lambda x: 2.0 * np.sin(np.pi * x),
    "half-sine": _half_sine,
    "versed sine": _versed_sine,
    "triangle": lambda x: np.pi * x * np.sinc(x / 2.0) ** 2,
}


def pulse_maximax(ratio: float, *, shape: str) -> float:
    """Largest swing over a/ω², during the pulse or after it.

    Parameters
    ----------
    ratio : float
        Pulse duration over period, τ/T, above 0 and at most 100.
    shape : str
        One of `PULSE_SHAPES`.

    Notes
    -----
    The closed response within the pulse, sampled and refined by a parabola to about 1e-6.

    Examples
    --------
    >>> round(pulse_maximax(1.0, shape="half-sine"), 5)
    1.73205
    """
    x = check_number("ratio", ratio, above=0.0, at_most=100.0)
    after = float(pulse_residual(x, shape=shape))
    phase = np.linspace(0.0, 1.0, 1 + int(_POINTS * max(1.0, x)))
    during = _RESPONSE[shape](phase, x)
    peak = int(np.argmax(during))
    if 0 < peak < phase.size - 1:
        left, top, right = during[peak - 1 : peak + 2]
        return max(after, float(top + (right - left) ** 2 / (16 * top - 8 * (left + right))))
    return max(after, float(during[peak]))


def _forced_sine(phase: np.ndarray, x: float, cycles: float) -> np.ndarray:
    """Response of the mode to sin(2π·cycles·phase), by a difference quotient that is regular at resonance."""
    drive, own = 2 * np.pi * cycles * phase, 2 * np.pi * x * phase
    mean, half = 0.5 * (drive + own), 0.5 * (drive - own)
    # (r·sin own − sin drive)/(r² − 1), r = cycles/x, rewritten with sin a − sin b
    r = cycles / x
    return (np.sin(own) - np.cos(mean) * phase * 2 * np.pi * x * np.sinc(half / np.pi)) / (r + 1.0)


def _forced_cosine(phase: np.ndarray, x: float, cycles: float) -> np.ndarray:
    """Response to cos(2π·cycles·phase): (cos drive − cos own)/(1 − r²)."""
    drive, own = 2 * np.pi * cycles * phase, 2 * np.pi * x * phase
    mean, half = 0.5 * (drive + own), 0.5 * (drive - own)
    return np.sin(mean) * phase * 2 * np.pi * x * np.sinc(half / np.pi) / (cycles / x + 1.0)


def _step(phase: np.ndarray, x: float) -> np.ndarray:
    return 1.0 - np.cos(2 * np.pi * x * phase)


def _triangle(phase: np.ndarray, x: float) -> np.ndarray:
    own = 2 * np.pi * x
    late = np.maximum(phase - 0.5, 0.0)
    return 2.0 * (phase - np.sin(own * phase) / own) - 4.0 * (late - np.sin(own * late) / own)


_RESPONSE: dict[str, Callable[[np.ndarray, float], np.ndarray]] = {
    "rectangle": _step,
    "half-sine": lambda phase, x: _forced_sine(phase, x, 0.5),
    "versed sine": lambda phase, x: 0.5 * (_step(phase, x) - _forced_cosine(phase, x, 1.0)),
    "triangle": _triangle,
}
