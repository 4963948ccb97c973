"""Damping by the two classical readings, as cross-checks beside the fitted modes: log decrement and half power.

Both hold for one viscously damped mode standing alone. The fit of `labkit.analyse.modes` needs neither.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from scipy import signal

from labkit.base import Estimate, check_array, check_choice, check_number

__all__ = [
    "HalfPower",
    "LogDecrement",
    "damping_from_decrement",
    "decrement_from_damping",
    "half_power",
    "half_power_inversion",
    "log_decrement",
]

_FEW_LINES = 8  # spectral lines inside the half-power band below which its width cannot be read (common practice)
_QUANTITIES = ("receptance", "mobility", "accelerance")


# --------------------------------------------------------------------------------------------- log decrement
def damping_from_decrement(decrement: float) -> float:
    """Damping ratio ζ = δ/√(4π² + δ²) of a logarithmic decrement δ per cycle (Thomson & Dahleh, Eq. 2.7-4 solved).

    Parameters
    ----------
    decrement : float
        δ = ln(x₀/xₙ)/n.

    Examples
    --------
    >>> round(damping_from_decrement(0.42861988), 6)
    0.068059
    """
    check_number("decrement", decrement, at_least=0.0)
    return decrement / math.hypot(2 * math.pi, decrement)


def decrement_from_damping(damping_ratio: float) -> float:
    """Logarithmic decrement δ = 2πζ/√(1−ζ²) per cycle (Thomson & Dahleh, Eq. 2.7-3).

    Parameters
    ----------
    damping_ratio : float
        ζ, below 1.

    Examples
    --------
    >>> round(decrement_from_damping(0.02), 5)
    0.12569
    """
    check_number("damping_ratio", damping_ratio, at_least=0.0, below=1.0)
    return 2 * math.pi * damping_ratio / math.sqrt(1 - damping_ratio**2)


@dataclass(frozen=True, kw_only=True)
class LogDecrement:
    """Damping read off the peaks of one decay.

    Parameters
    ----------
    decrement : Estimate
        δ per cycle, slope of ln|peak| over the peaks; its interval holds the scatter of the peaks alone.
    damping_ratio : Estimate
        ζ = δ/√(4π² + δ²).
    damped_frequency_hz, frequency_hz : float
        f_d from the spacing of the peaks, and f_n = f_d/√(1−ζ²) [Hz].
    n_peaks : int
        Peaks used, of either sign.
    curvature : float
        Change of the decrement from the first to the last peak over its mean: 0 for viscous damping; well below
        zero when damping falls with the amplitude, well above when it rises as under dry friction.
    notes : tuple of str
        What speaks against the reading.
    """

    decrement: Estimate
    damping_ratio: Estimate
    damped_frequency_hz: float
    frequency_hz: float
    n_peaks: int
    curvature: float
    notes: tuple[str, ...]


def log_decrement(
    decay: np.ndarray,
    *,
    sample_rate_hz: float,
    noise_sd: float = 0.0,
    level: float = 0.95,
) -> LogDecrement:
    """Logarithmic decrement of one free decay that holds one mode.

    Every local extreme between two crossings of the mean is a peak; peaks are sharpened by a parabola and used as
    long as they stand above five times the noise.

    Parameters
    ----------
    decay : array_like, shape (n_samples,)
        Record from the end of the move; its mean over the last quarter is taken as the rest position.
    sample_rate_hz : float
        Sample rate [Hz].
    noise_sd : float
        Standard deviation of the noise [unit of the record]; 0 uses every peak.
    level : float
        Coverage probability of the intervals.

    Raises
    ------
    ValueError
        When there are fewer than four peaks.

    Examples
    --------
    >>> t = np.arange(4000) / 1000
    >>> x = np.exp(-0.02 * 2 * np.pi * 10 * t) * np.cos(2 * np.pi * 10 * np.sqrt(1 - 0.02**2) * t)
    >>> round(log_decrement(x, sample_rate_hz=1000.0).damping_ratio.value, 4)
    0.02
    """
    x = check_array("decay", decay, ndim=1, min_length=16)
    rate = check_number("sample_rate_hz", sample_rate_hz, above=0.0)
    check_number("noise_sd", noise_sd, at_least=0.0)
    times, heights = _peaks(x - x[-(x.size // 4) :].mean(), rate, 5 * noise_sd)
    if times.size < 4:
        raise ValueError(
            f"decay has {times.size} peak(s) above five times the noise; the log decrement needs at least four: "
            "record more cycles or fit modes instead"
        )
    index = np.arange(times.size)
    slope, error = _line(index, np.log(heights))
    spacing, _ = _line(index, times)
    decrement = -2 * slope  # successive extremes are half a cycle apart
    damping = decrement / math.hypot(2 * math.pi, decrement)
    to_damping = 4 * math.pi**2 / math.hypot(2 * math.pi, decrement) ** 3
    bend = np.polyfit(index, np.log(heights), 2)[0]
    curvature = float(2 * bend * index[-1] / slope) if slope else math.nan
    damped = 1 / (2 * spacing)
    dof = times.size - 2
    return LogDecrement(
        decrement=Estimate.from_standard_error(decrement, 2 * error, dof=dof, level=level),
        damping_ratio=Estimate.from_standard_error(damping, 2 * error * to_damping, dof=dof, level=level),
        damped_frequency_hz=damped,
        frequency_hz=damped / math.sqrt(1 - damping**2),
        n_peaks=int(times.size),
        curvature=curvature,
        notes=_decrement_notes(curvature, decrement, error, dof),
    )


def _peaks(x: np.ndarray, rate: float, floor: float) -> tuple[np.ndarray, np.ndarray]:
    """Times and magnitudes of the largest extreme between successive crossings, while above the floor."""
    size = np.abs(x)
    crossings = np.flatnonzero(np.signbit(x[1:]) != np.signbit(x[:-1])) + 1
    times, heights = [], []
    for first, stop in itertools.pairwise(crossings):
        k = first + int(np.argmax(size[first:stop]))
        if size[k] <= floor:
            break
        left, top, right = size[k - 1], size[k], size[min(k + 1, x.size - 1)]
        bend = left - 2 * top + right
        shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
        times.append((k + shift) / rate)
        heights.append(top - 0.25 * (left - right) * shift)
    return np.array(times), np.array(heights)


def _line(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Slope of a straight line and its standard error."""
    centred = x - x.mean()
    slope = float(centred @ y / (centred @ centred))
    residual = y - y.mean() - slope * centred
    return slope, math.sqrt(float(residual @ residual) / (x.size - 2) / float(centred @ centred))


def _decrement_notes(curvature: float, decrement: float, error: float, dof: int) -> tuple[str, ...]:
    notes = []
    if abs(curvature) > 0.3:
        notes.append(
            "ln(peak) over cycles is bent, so the damping changes with amplitude (friction) or more than one mode rings"
        )
    if decrement <= 0 or 2 * error * 2 > decrement:
        notes.append("the scatter of the peaks is as large as their decay; no damping can be read")
    return tuple(notes)


# ------------------------------------------------------------------------------------------------ half power
@dataclass(frozen=True, kw_only=True)
class HalfPower:
    """Damping read off the width of a resonance peak.

    Parameters
    ----------
    damping_ratio : float
        ζ by exact inversion.
    simple_damping_ratio : float
        ζ ≈ (f₂−f₁)/(f₁+f₂), for comparison; 2.6 % too high at ζ = 0.1 for a receptance.
    frequency_hz : float
        Natural frequency f_n by exact inversion [Hz].
    peak_hz, low_hz, high_hz : float
        Peak and half-power frequencies f₁, f₂ [Hz].
    n_lines : int
        Spectral lines inside the half-power band.
    notes : tuple of str
        What speaks against the reading.
    """

    damping_ratio: float
    simple_damping_ratio: float
    frequency_hz: float
    peak_hz: float
    low_hz: float
    high_hz: float
    n_lines: int
    notes: tuple[str, ...]

    @property
    def quality_factor(self) -> float:
        """Simple quality factor f_peak/(f₂−f₁)."""
        return self.peak_hz / (self.high_hz - self.low_hz)


def half_power_inversion(low_hz: float, high_hz: float, *, quantity: str = "receptance") -> tuple[float, float]:
    """Exact ζ and f_n of one viscously damped mode from its half-power frequencies.

    Receptance: (f₁/f_n)² and (f₂/f_n)² are cos 2α ∓ sin 2α with ζ = sin α, so ζ = sin(½·atan R) with
    R = (f₂²−f₁²)/(f₂²+f₁²), and f_n² = (f₁²+f₂²)/(2 cos 2α). Mobility: f_n² = f₁f₂, ζ = (f₂−f₁)/(2f_n).
    Accelerance: as receptance in 1/f. All derived.

    Parameters
    ----------
    low_hz, high_hz : float
        Frequencies f₁ < f₂ [Hz] at which the magnitude is 1/√2 of its peak.
    quantity : {"receptance", "mobility", "accelerance"}
        What the magnitude is of: displacement, velocity or acceleration over force.

    Returns
    -------
    (float, float)
        ζ and f_n [Hz].

    Examples
    --------
    >>> [round(x, 4) for x in half_power_inversion(16.8, 23.2)]
    [0.1506, 20.7303]
    """
    check_choice("quantity", quantity, _QUANTITIES)
    f1 = check_number("low_hz", low_hz, above=0.0)
    f2 = check_number("high_hz", high_hz, above=f1)
    if quantity == "mobility":
        natural = math.sqrt(f1 * f2)
        return (f2 - f1) / (2 * natural), natural
    if quantity == "accelerance":
        damping, inverse = half_power_inversion(1 / f2, 1 / f1)
        return damping, 1 / inverse
    double = math.atan((f2**2 - f1**2) / (f2**2 + f1**2))
    return math.sin(double / 2), math.sqrt((f1**2 + f2**2) / (2 * math.cos(double)))


def half_power(
    frequency_hz: np.ndarray,
    magnitude: np.ndarray,
    *,
    quantity: str,
    near_hz: float = math.nan,
) -> HalfPower:
    """Half-power damping of the highest peak of a spectrum or frequency response, or of the one near a frequency.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Rising frequencies [Hz].
    magnitude : array_like, shape (n,)
        Magnitude (not power) at them.
    quantity : {"receptance", "mobility", "accelerance"}
        What the magnitude is of.
    near_hz : float
        Take the peak closest to this frequency [Hz]; nan takes the highest.

    Raises
    ------
    ValueError
        When the magnitude does not fall to 1/√2 of the peak on both sides.

    Examples
    --------
    >>> f = np.linspace(10, 30, 4001)
    >>> h = 1 / np.abs(1 - (f / 20)**2 + 2j * 0.05 * f / 20)
    >>> round(half_power(f, h, quantity="receptance").damping_ratio, 4)
    0.05
    """
    f = check_array("frequency_hz", frequency_hz, ndim=1, min_length=3)
    h = check_array("magnitude", magnitude, ndim=1, min_length=3)
    if f.size != h.size or (np.diff(f) <= 0).any() or f[0] < 0 or (h < 0).any():
        raise ValueError("frequency_hz must rise from 0 or more, and magnitude must give one value ≥ 0 for each")
    k = _peak_index(f, h, near_hz)
    peak_hz, top = _vertex(f, h, k)
    low, high = _crossing(f, h, k, top, -1), _crossing(f, h, k, top, +1)
    damping, natural = half_power_inversion(low, high, quantity=quantity)
    n_lines = int(((f >= low) & (f <= high)).sum())
    notes = ()
    if n_lines < _FEW_LINES:
        notes = (
            f"only {n_lines} spectral line(s) inside the half-power band; fewer than {_FEW_LINES} read too much "
            "damping: record longer or trust the fitted modes",
        )
    return HalfPower(
        damping_ratio=damping,
        simple_damping_ratio=(high - low) / (high + low),
        frequency_hz=natural,
        peak_hz=peak_hz,
        low_hz=low,
        high_hz=high,
        n_lines=n_lines,
        notes=notes,
    )


def _peak_index(f: np.ndarray, h: np.ndarray, near_hz: float) -> int:
    peaks, _ = signal.find_peaks(h)
    if not peaks.size:
        raise ValueError("magnitude has no peak inside the frequencies given; widen the range")
    if math.isnan(near_hz):
        return int(peaks[np.argmax(h[peaks])])
    return int(peaks[np.argmin(np.abs(f[peaks] - check_number("near_hz", near_hz, above=0.0)))])


def _vertex(f: np.ndarray, h: np.ndarray, k: int) -> tuple[float, float]:
    """Top of the parabola through the highest line and its neighbours."""
    x, y = f[k - 1 : k + 2] - f[k], h[k - 1 : k + 2]
    a, b, c = np.polyfit(x, y, 2)
    if a >= 0:
        return float(f[k]), float(h[k])
    at = float(np.clip(-b / (2 * a), x[0], x[2]))
    return float(f[k] + at), float(a * at**2 + b * at + c)


def _crossing(f: np.ndarray, h: np.ndarray, k: int, top: float, side: int) -> float:
    """Frequency at which the squared magnitude falls to half, linear between lines."""
    power, half = h**2, top**2 / 2
    while 0 <= k + side < f.size:
        if power[k + side] <= half:
            share = (power[k] - half) / (power[k] - power[k + side])
            return float(f[k] + share * (f[k + side] - f[k]))
        k += side
    raise ValueError(
        "magnitude does not fall to 1/√2 of the peak on both sides; widen the range of frequencies, or the peak is "
        "no single resonance"
    )
