"""Decaying sinusoids, x(t) = Re Σ A·exp(λt): the pole of a mode, their sum, and when it has died away.

What is measured and what is modelled rings down in the same way; both sides use these leaves. Leading axes of the
arrays are axes of motion, repeats or cells of a map.
"""

from __future__ import annotations

import numpy as np
from scipy import optimize

__all__ = ["envelope_end_s", "last_crossing_s", "pole", "sum_of_decays"]

_POINTS_PER_PERIOD = 40  # of the search for the last crossing
_BLOCK = 4096  # points of that search at a time


def pole(frequency_hz: float | np.ndarray, *, damping_ratio: float | np.ndarray) -> np.ndarray:
    """Pole λ = −ζω + iω√(1 − ζ²) of a mode [rad/s].

    Parameters
    ----------
    frequency_hz : float or ndarray
        Undamped natural frequency [Hz], above 0.
    damping_ratio : float or ndarray
        ζ, from 0 to below 1.

    Examples
    --------
    >>> complex(pole(0.5 / np.pi, damping_ratio=0.6))
    (-0.6+0.8j)
    """
    omega = 2.0 * np.pi * np.asarray(frequency_hz, dtype=float)
    if not np.all(np.isfinite(omega) & (omega > 0.0)):
        raise ValueError(f"frequency_hz is {frequency_hz!r}; it must be finite and above 0")
    zeta = np.asarray(damping_ratio, dtype=float)
    if not np.all((zeta >= 0.0) & (zeta < 1.0)):
        raise ValueError(f"damping_ratio is {damping_ratio!r}; it must be at least 0 and below 1, and known")
    return omega * (-zeta + 1j * np.sqrt(1.0 - zeta**2))


def sum_of_decays(poles_rad_s: np.ndarray, amplitudes: np.ndarray, *, time_s: np.ndarray) -> np.ndarray:
    """x(t) = Re Σ A·exp(λt), shape (..., n_times), in the unit of the amplitudes.

    Parameters
    ----------
    poles_rad_s, amplitudes : array_like of complex, shape (..., n_modes)
        λ [rad/s] and A; their leading axes broadcast.
    time_s : array_like, shape (n_times,)
        Times [s].

    Examples
    --------
    >>> sum_of_decays([-1.0 + 0.5j * np.pi], [1.0], time_s=[0.0, 2.0]).round(4).tolist()
    [1.0, -0.1353]
    """
    a = np.asarray(amplitudes, dtype=complex)[..., None, :]
    grown = np.exp(np.asarray(poles_rad_s, dtype=complex)[..., None] * np.asarray(time_s, dtype=float))
    return (a.real @ grown.real - a.imag @ grown.imag)[..., 0, :]


def envelope_end_s(poles_rad_s: np.ndarray, amplitudes: np.ndarray, *, limit: float | np.ndarray) -> np.ndarray:
    """Time from which Σ|A|·exp(Re λ·t), and with it |x|, stays within the limit [s]; 0 where it always is.

    Parameters
    ----------
    poles_rad_s, amplitudes : array_like of complex, shape (..., n_modes)
        λ [rad/s], real parts negative, and A; their leading axes broadcast.
    limit : float or ndarray, shape (...)
        Limit in the unit of the amplitudes, above 0; inf where it does not matter.

    Examples
    --------
    A 25 Hz mode with ζ = 0.02 to 2 %: ln(50)/(ζω).

    >>> round(float(envelope_end_s(pole([25.0], damping_ratio=0.02), [1.0], limit=0.02)), 4)
    1.2452
    """
    if np.any(np.real(poles_rad_s) >= 0.0):
        raise ValueError("poles_rad_s hold a pole that never settles; all real parts must be negative")
    sizes, decay = np.broadcast_arrays(np.abs(amplitudes) / np.asarray(limit)[..., None], -np.real(poles_rad_s))
    time = np.zeros(sizes.shape[:-1])
    todo = np.flatnonzero(sizes.sum(-1) > 1.0)
    rows = (time.size, sizes.shape[-1])
    sizes, decay, flat = sizes.reshape(rows), decay.reshape(rows), time.reshape(-1)
    while todo.size:  # Newton on ln Σ A·exp(−σt): convex and falling, so that every step stays before the crossing
        parts = sizes[todo] * np.exp(-decay[todo] * flat[todo, None])
        total = parts.sum(-1)
        step = np.log(total) * total / (parts * decay[todo]).sum(-1)
        flat[todo] += step
        todo = todo[step > 1e-9 * flat[todo]]
    return flat.reshape(time.shape)


def last_crossing_s(poles_rad_s: np.ndarray, amplitudes: np.ndarray, *, limit: float | np.ndarray) -> float:
    """Last time at which |x| exceeds its limit along any axis [s]; 0 if it never does.

    Parameters
    ----------
    poles_rad_s : array_like of complex, shape (n_modes,)
        λ [rad/s], real parts negative.
    amplitudes : array_like of complex, shape (n_axes, n_modes)
        A of each axis.
    limit : float or ndarray, shape (n_axes,)
        Limit of each axis in the unit of the amplitudes, above 0; inf for an axis that does not matter.

    Notes
    -----
    Searched backwards from the end of the envelopes, 40 points a period of the fastest mode; never after that end,
    and for one mode at most half a period before it.

    Examples
    --------
    >>> round(last_crossing_s(pole([25.0], damping_ratio=0.02), [[1.0]], limit=0.02), 4)
    1.2413
    """
    share = np.asarray(amplitudes, dtype=complex) / np.reshape(limit, (-1, 1))

    def excess(time_s: np.ndarray) -> np.ndarray:
        return np.abs(sum_of_decays(poles_rad_s, share, time_s=time_s)).max(axis=0) - 1.0

    end = float(envelope_end_s(poles_rad_s, share, limit=1.0).max())
    if end == 0.0:
        return 0.0
    step = 2.0 * np.pi / (_POINTS_PER_PERIOD * np.abs(poles_rad_s).max())
    for last in np.arange(int(np.ceil(end / step)) + 1, 0, -_BLOCK):
        grid = step * np.arange(max(last - _BLOCK, 0), last + 1)
        outside = np.flatnonzero(excess(grid[:-1]) > 0.0)
        if outside.size:
            low, high = grid[outside[-1]], grid[outside[-1] + 1]
            return float(optimize.brentq(lambda t: excess(np.array([t]))[0], low, high, xtol=1e-12))
    return 0.0
