"""Acceleration to displacement, by two routes, each with the noise floor it leaves.

Steady vibration: divide by (2πf)² in the frequency domain above a stated low cut. Transients after a move: the
decaying modes fitted to the acceleration are integrated analytically, which needs no high-pass and so does not
smear the start of the decay.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft, ndimage, signal

from labkit.analyse.modes import ModalFit, reconstruct
from labkit.base import check_array, check_number
from labkit.runs.recording import Recording

__all__ = [
    "Decay",
    "SteadyDisplacement",
    "about_median",
    "amplitude_m",
    "decay_displacement",
    "double_integration_drift_m",
    "highpass_noise_factor",
    "integrations",
    "mount_resonance_error",
    "noise_floor_m",
    "steady_displacement",
]

_ORDER = 4  # of the Butterworth magnitude used as low cut


# --------------------------------------------------------------------------------------------- closed forms
def amplitude_m(acceleration_m_s2: float, *, frequency_hz: float) -> float:
    """Displacement amplitude [m] of a sinusoid of given acceleration amplitude: x = a/(2πf)².

    Parameters
    ----------
    acceleration_m_s2 : float
        Acceleration amplitude [m/s²].
    frequency_hz : float
        Frequency [Hz].

    Examples
    --------
    0.1 g at 50 Hz moves by about 10 µm:

    >>> round(1e6 * amplitude_m(0.980665, frequency_hz=50.0), 4)
    9.9362
    """
    check_number("frequency_hz", frequency_hz, above=0.0)
    return check_number("acceleration_m_s2", acceleration_m_s2) / (2 * math.pi * frequency_hz) ** 2


def noise_floor_m(
    noise_density_m_s2_rthz: float,
    *,
    low_cut_hz: float,
    high_cut_hz: float = math.inf,
) -> float:
    """Rms displacement [m] that white acceleration noise leaves between two frequencies.

    σ = n/(4π²)·√((f1⁻³ − f2⁻³)/3), the integral of n²/(2πf)⁴ over f1…f2 (derived).

    Parameters
    ----------
    noise_density_m_s2_rthz : float
        One-sided noise density n [m/s²/√Hz].
    low_cut_hz, high_cut_hz : float
        Band edges f1 and f2 [Hz].

    Examples
    --------
    >>> round(1e6 * noise_floor_m(100e-6 * 9.80665, low_cut_hz=5.0), 4)
    1.2828
    """
    check_number("noise_density_m_s2_rthz", noise_density_m_s2_rthz, at_least=0.0)
    check_number("low_cut_hz", low_cut_hz, above=0.0, cure="white noise integrated from 0 Hz has no bound")
    if not high_cut_hz > low_cut_hz:
        raise ValueError(f"high_cut_hz is {high_cut_hz:g}; it must be above low_cut_hz = {low_cut_hz:g}")
    return noise_density_m_s2_rthz / (4 * math.pi**2) * math.sqrt((low_cut_hz**-3 - high_cut_hz**-3) / 3)


def highpass_noise_factor(order: int, *, zero_phase: bool = False) -> float:
    """Factor on `noise_floor_m` when its low cut is a Butterworth high-pass instead of a brick wall.

    One pass, order n ≥ 2: √(3·(π/2n)/sin(3π/2n)); forward and backward: √(3·B((4n−3)/2n, 3/2n)/2n) (derived).

    Parameters
    ----------
    order : int
        Order n of the filter.
    zero_phase : bool
        True when the filter runs forward and backward.

    Examples
    --------
    >>> round(highpass_noise_factor(4), 4), round(highpass_noise_factor(4, zero_phase=True), 4)
    (1.1292, 0.8927)
    """
    n = int(check_number("order", order, at_least=1))
    if zero_phase:
        p, q = (4 * n - 3) / (2 * n), 3 / (2 * n)
        beta = math.gamma(p) * math.gamma(q) / math.gamma(p + q)
        return math.sqrt(3 * beta / (2 * n))
    if n < 2:
        raise ValueError("order is 1; one pass of a first-order high-pass leaves unbounded noise; use order 2 or more")
    return math.sqrt(3 * (math.pi / (2 * n)) / math.sin(3 * math.pi / (2 * n)))


def double_integration_drift_m(
    time_s: float,
    *,
    bias_m_s2: float = 0.0,
    noise_density_m_s2_rthz: float = 0.0,
) -> tuple[float, float]:
    """What integrating twice in time makes of a bias and of white noise after `time_s`.

    Bias: ½bt². Noise of one-sided density n: standard deviation n·√(t³/6) (derived; topic in Thong et al.,
    Meas. Sci. Technol. 13, 2002, 1163).

    Parameters
    ----------
    time_s : float
        Time [s].
    bias_m_s2 : float
        Constant error [m/s²].
    noise_density_m_s2_rthz : float
        One-sided noise density [m/s²/√Hz].

    Returns
    -------
    (float, float)
        Drift by the bias [m]; standard deviation by the noise [m].

    Examples
    --------
    >>> [round(1e3 * x, 3) for x in double_integration_drift_m(1.0, bias_m_s2=9.80665e-3,
    ...                                                        noise_density_m_s2_rthz=9.80665e-4)]
    [4.903, 0.4]
    """
    check_number("time_s", time_s, at_least=0.0)
    return 0.5 * bias_m_s2 * time_s**2, noise_density_m_s2_rthz * math.sqrt(time_s**3 / 6)


def mount_resonance_error(frequency_ratio: float) -> float:
    """Relative over-reading of an accelerometer at f = frequency_ratio · (mounted resonance): 1/(1−r²) − 1.

    Single-degree-of-freedom base response without damping (derived); reading up to a third of the mounted
    resonance is common practice, no source.

    Parameters
    ----------
    frequency_ratio : float
        Ratio r of frequency to mounted resonance, below 1.

    Examples
    --------
    >>> round(mount_resonance_error(0.2), 4)
    0.0417
    """
    r = check_number("frequency_ratio", frequency_ratio, at_least=0.0, below=1.0)
    return 1 / (1 - r**2) - 1


# --------------------------------------------------------------------------------------- steady vibration
@dataclass(frozen=True, kw_only=True)
class SteadyDisplacement:
    """Displacement of a steady vibration above a low cut.

    Parameters
    ----------
    recording : Recording
        Displacement [m]; nan where samples were missing and within two periods of the low cut of an end, where the
        result is not to be trusted.
    low_cut_hz : float
        Motion slower than this [Hz] is not in the result; 0 when displacement itself was measured.
    noise_floor_m : float
        Rms displacement [m] that the stated noise density leaves; nan when the density is unknown.
    rms_m, peak_m : ndarray, shape (n_channels,)
        Root mean square and largest magnitude of the trusted samples [m].
    """

    recording: Recording
    low_cut_hz: float
    noise_floor_m: float
    rms_m: np.ndarray
    peak_m: np.ndarray


def steady_displacement(
    recording: Recording,
    *,
    low_cut_hz: float,
    noise_density_m_s2_rthz: float = math.nan,
) -> SteadyDisplacement:
    """Displacement by division by (2πf)² above `low_cut_hz`.

    Parameters
    ----------
    recording : Recording
        Acceleration [m/s²].
    low_cut_hz : float
        Low cut [Hz]: zero-phase, magnitude of a fourth-order Butterworth high-pass. The noise left grows as
        low_cut^(−3/2).
    noise_density_m_s2_rthz : float
        One-sided noise density of the sensor [m/s²/√Hz]; nan when unknown.

    Raises
    ------
    ValueError
        When the unit is not m/s², or no stretch without missing samples is longer than six periods of the low cut.

    Examples
    --------
    >>> t = np.arange(4000) / 1000
    >>> a = Recording(values=[9.80665 + np.sin(2 * np.pi * 25 * t)], sample_rate_hz=1000.0, channels=["az"],
    ...               unit="m/s^2")
    >>> x = steady_displacement(a, low_cut_hz=5.0)
    >>> f"{1e6 * x.peak_m[0]:.1f} µm"
    '40.5 µm'
    """
    if recording.unit != "m/s^2":
        raise ValueError(f"recording has unit {recording.unit!r}; displacement needs an acceleration in 'm/s^2'")
    rate = recording.sample_rate_hz
    check_number("low_cut_hz", low_cut_hz, above=0.0, below=0.4 * rate)
    period = math.ceil(rate / low_cut_hz)
    values = np.full_like(recording.values, np.nan)
    for stretch in _complete_stretches(recording.values, at_least=6 * period):
        moved = _divide(recording.values[:, stretch], rate, low_cut_hz, period=period)
        trusted = slice(stretch.start + 2 * period, stretch.stop - 2 * period)
        values[:, trusted] = moved[:, 2 * period : -2 * period]
    if not np.isfinite(values).any():
        raise ValueError(
            f"low_cut_hz is {low_cut_hz:g}: no stretch of the recording without missing samples is longer than six "
            f"of its periods ({6 / low_cut_hz:.3g} s); record longer or raise the low cut"
        )
    floor = math.nan
    if not math.isnan(noise_density_m_s2_rthz):
        floor = highpass_noise_factor(_ORDER) * noise_floor_m(noise_density_m_s2_rthz, low_cut_hz=low_cut_hz)
    return _steady(recording, values, float(low_cut_hz), floor)


def about_median(recording: Recording) -> SteadyDisplacement:
    """Displacement that was measured as such, told from the median of each channel.

    Parameters
    ----------
    recording : Recording
        Displacement [m].

    Examples
    --------
    >>> x = Recording(values=[[1e-6, 3e-6, 2e-6]], sample_rate_hz=1.0, channels=["x"], unit="m")
    >>> [f"{1e6 * v:.1f}" for v in about_median(x).peak_m]
    ['1.0']
    """
    if recording.unit != "m":
        raise ValueError(f"recording has unit {recording.unit!r}; a displacement in 'm' is needed")
    values = recording.values - np.nanmedian(recording.values, axis=1, keepdims=True)
    return _steady(recording, values, 0.0, math.nan)


def _steady(recording: Recording, values: np.ndarray, low_cut_hz: float, noise_floor_m: float) -> SteadyDisplacement:
    return SteadyDisplacement(
        recording=replace(recording, values=values, unit="m", meta={}),
        low_cut_hz=low_cut_hz,
        noise_floor_m=noise_floor_m,
        rms_m=np.sqrt(np.nanmean(values**2, axis=1)),
        peak_m=np.nanmax(np.abs(values), axis=1),
    )


def _complete_stretches(values: np.ndarray, *, at_least: int) -> list[slice]:
    labels, count = ndimage.label(np.isfinite(values).all(axis=0))
    found = [s[0] for s in ndimage.find_objects(labels)] if count else []
    return [s for s in found if s.stop - s.start > at_least]


def _divide(values: np.ndarray, rate_hz: float, low_cut_hz: float, *, period: int) -> np.ndarray:
    """−a/(2πf)² with the low cut, on the record without its line, faded in and out over a period of the low cut.

    Faded, a vibration that is cut off by the ends of the record starts no drift there; what the fading and the low
    cut leave has died out after two periods (below 0.3 % for a steady tone).
    """
    n = values.shape[1]
    fade = signal.windows.tukey(n, 2 * period / n)
    padded = np.pad(signal.detrend(values, axis=1) * fade, ((0, 0), (4 * period, 4 * period)))
    length = fft.next_fast_len(padded.shape[1], real=True)
    f = fft.rfftfreq(length, 1 / rate_hz)
    gain = np.zeros_like(f)
    gain[1:] = -1 / ((2 * np.pi * f[1:]) ** 2 * np.sqrt(1 + (low_cut_hz / f[1:]) ** (2 * _ORDER)))
    return fft.irfft(fft.rfft(padded, length, axis=1) * gain, length, axis=1)[:, 4 * period : 4 * period + n]


# ------------------------------------------------------------------------------------- transients of moves
@dataclass(frozen=True, kw_only=True)
class Decay:
    """Displacement after each move, from the fitted modes integrated analytically.

    Parameters
    ----------
    time_s : ndarray, shape (n_samples,)
        Time after the end of the move [s].
    displacement_m : ndarray, shape (n_repeats, n_samples)
        Displacement from the settled position [m].
    peak_m : ndarray, shape (n_repeats,)
        Largest magnitude after each move [m].
    standard_error_m : float
        Standard uncertainty of the displacement at the end of a move, from the noise of the fit [m]; nan when
        no mode was found.
    shared_error_m : float
        Standard uncertainty of `peak_m` that all moves share, since x = a/(2πf)² and f is that of one fit [m]; nan
        when no mode was found.
    """

    time_s: np.ndarray
    displacement_m: np.ndarray
    peak_m: np.ndarray
    standard_error_m: float
    shared_error_m: float


def decay_displacement(fit: ModalFit, time_s: np.ndarray) -> Decay:
    """Displacement from the settled position after each move: x(t) = Re Σ A/s² · e^{st}.

    Parameters
    ----------
    fit : ModalFit
        Modes fitted to the acceleration [m/s²] after the moves, or to a displacement [m].
    time_s : ndarray
        Times after the end of the move [s], rising from 0.

    Notes
    -----
    Motion without oscillation (creep of the panel, a slow tilt back) is no mode and is not in the result.
    """
    time = check_array("time_s", time_s, ndim=1)
    order = integrations(fit.unit)
    traces = np.stack([reconstruct(fit, time, repeat=r, integrate=order) for r in range(fit.n_repeats)])
    peak = np.abs(traces).max(axis=1)
    # the sum bounds the effect of every mode's frequency, whichever of them makes the peak
    relative = math.sqrt(sum((order * m.frequency_hz.standard_error / m.frequency_hz.value) ** 2 for m in fit.modes))
    variance = sum((m.amplitude_sd / (2 * math.pi * m.frequency_hz.value) ** order) ** 2 for m in fit.modes)
    return Decay(
        time_s=time,
        displacement_m=traces,
        peak_m=peak,
        standard_error_m=math.sqrt(variance) if fit.modes else math.nan,
        shared_error_m=relative * float(np.median(peak)) if fit.modes else math.nan,
    )


def integrations(unit: str) -> int:
    """How many integrations in time lead from a quantity to metres: 2 for m/s², 1 for m/s, 0 for m.

    Parameters
    ----------
    unit : str
        SI symbol of the unit.

    Examples
    --------
    >>> integrations("m/s^2")
    2
    """
    orders = {"m/s^2": 2, "m/s": 1, "m": 0}
    if unit not in orders:
        raise ValueError(f"unit is {unit!r}; a displacement in metres follows from {', '.join(orders)} only")
    return orders[unit]
