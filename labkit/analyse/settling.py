"""Settling time: from the end of the commanded move to the last exit from ±tolerance of the settled position.

Two readings are given beside each other. From the modes: the fitted decay is followed below the noise floor to its
last crossing of the tolerance. From the trace: the last exit of a measured displacement, which is only worth
something where its noise stays inside the tolerance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.analyse.displacement import integrations
from labkit.analyse.modes import ModalFit
from labkit.base import Estimate, Interval, check_array, check_number
from labkit.decay import last_crossing_s, pole

__all__ = ["Settling", "envelope_settling_s", "last_exit_s", "model_settling_s", "settling"]

_NOISE_REACH = 4.0  # a trace counts when the tolerance is this many times its rms noise: about one exit in 16 000


@dataclass(frozen=True, kw_only=True)
class Settling:
    """Settling times of the moves of one log.

    Parameters
    ----------
    tolerance_m : float
        Half width of the band around the settled position [m].
    from_modes_s, from_trace_s : ndarray, shape (n_repeats,)
        Settling time of each move by the two readings [s]; nan where a reading has none.
    route : {"modes", "trace", "none"}
        The reading behind `mean_s`.
    mean_s : Estimate
        Mean over the moves [s]: its interval holds the scatter between moves, the uncertainty of the shared modes
        and that of the end of the move.
    shared_error_s : float
        The part of that uncertainty which all moves share (modes, end of the move) and their scatter does not show
        [s]; nan when unknown.
    worst_s : float
        Longest settling time seen [s].
    n_settled, n_moves : int
        Moves that settled inside their record, of how many.
    record_s : float
        Shortest record after a move [s]: no settling time beyond it is stated.
    disagreement_s : float
        Median difference, modes minus trace [s]; nan when one of them is missing.
    notes : tuple of str
        Reasons and warnings in words.
    """

    tolerance_m: float
    from_modes_s: np.ndarray
    from_trace_s: np.ndarray
    route: str
    mean_s: Estimate
    shared_error_s: float
    worst_s: float
    n_settled: int
    n_moves: int
    record_s: float
    disagreement_s: float
    notes: tuple[str, ...]

    @property
    def times_s(self) -> np.ndarray:
        """Settling times of the reading that was used [s]."""
        return self.from_trace_s if self.route == "trace" else self.from_modes_s


def envelope_settling_s(amplitude: float, tolerance: float, *, frequency_hz: float, damping_ratio: float) -> float:
    """Settling time of the envelope of one mode: t = ln(A/tol)/(ζ·2πf) (any textbook).

    Parameters
    ----------
    amplitude, tolerance : float
        Start amplitude and tolerance, in the same unit.
    frequency_hz : float
        Undamped natural frequency [Hz].
    damping_ratio : float
        Damping ratio ζ, above 0 and below 1.

    Examples
    --------
    >>> round(envelope_settling_s(1.0, 0.02, frequency_hz=25.0, damping_ratio=0.02), 4)
    1.2452
    """
    check_number("amplitude", amplitude, above=0.0)
    check_number("tolerance", tolerance, above=0.0)
    check_number("damping_ratio", damping_ratio, above=0.0, below=1.0)
    check_number("frequency_hz", frequency_hz, above=0.0)
    return max(0.0, math.log(amplitude / tolerance)) / (damping_ratio * 2 * math.pi * frequency_hz)


def last_exit_s(time_s: np.ndarray, displacement_m: np.ndarray, *, tolerance_m: float) -> float:
    """Time of the last sample outside ±tolerance of the settled position, or nan when it never stays inside.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Time after the end of the move [s].
    displacement_m : array_like, shape (n,)
        Measured displacement [m], without missing samples.
    tolerance_m : float
        Half width of the band [m].

    Notes
    -----
    The settled position is the median of the last quarter. When the last exit lies in the last tenth of the record
    it is not settled in the record. Noise makes the last exit late: keep the tolerance above four times the noise.

    Examples
    --------
    >>> t = np.linspace(0, 2, 2001)
    >>> round(last_exit_s(t, np.where(t < 0.5, 1.0, 0.0), tolerance_m=0.02), 3)
    0.5
    """
    time = check_array("time_s", time_s, ndim=1, min_length=8)
    x = check_array("displacement_m", displacement_m, ndim=1, min_length=8)
    if time.shape != x.shape:
        raise ValueError(f"time_s has {time.size} samples, displacement_m {x.size}; they must pair")
    check_number("tolerance_m", tolerance_m, above=0.0)
    distance = np.abs(x - np.median(x[-(x.size // 4) :])) - tolerance_m
    outside = np.flatnonzero(distance > 0)
    if not outside.size:
        return 0.0
    last = outside[-1]
    if last >= x.size - 1 - x.size // 10:
        return math.nan
    share = distance[last] / (distance[last] - distance[last + 1])
    return float(time[last] + share * (time[last + 1] - time[last]) - time[0])


def model_settling_s(poles_rad_s: np.ndarray, amplitudes_m: np.ndarray, *, tolerance_m: float) -> float:
    """Last crossing of ±tolerance by a sum of decaying modes x(t) = Re Σ B·e^{st}.

    Parameters
    ----------
    poles_rad_s : array_like of complex, shape (n_modes,)
        Poles s [rad/s], real parts negative.
    amplitudes_m : array_like of complex, shape (n_modes,)
        Displacement amplitudes B at t = 0 [m].
    tolerance_m : float
        Half width of the band [m].

    Returns
    -------
    float
        Time [s]; 0 when the decay never leaves the band.

    Examples
    --------
    A 25 Hz mode with ζ = 0.02 to 2 %: the last crossing lies within half a period below the envelope's 1.2452 s.

    >>> w = 2 * np.pi * 25
    >>> s = -0.02 * w + 1j * w * np.sqrt(1 - 0.02**2)
    >>> round(model_settling_s([s], [1.0], tolerance_m=0.02), 4)
    1.2413
    """
    poles = np.atleast_1d(np.asarray(poles_rad_s, complex))
    amplitudes = np.atleast_1d(np.asarray(amplitudes_m, complex))
    check_number("tolerance_m", tolerance_m, above=0.0)
    if (poles.real >= 0).any():
        raise ValueError(f"poles_rad_s hold {poles[poles.real >= 0][0]:.4g}; a decay needs negative real parts")
    return last_crossing_s(poles, amplitudes[None], limit=tolerance_m)


def settling(
    fit: ModalFit,
    *,
    tolerance_m: float,
    record_s: float,
    traces_m: list[np.ndarray] | None = None,
    trace_noise_m: float = math.nan,
    sample_rate_hz: float = math.nan,
    end_uncertainty_s: float = 0.0,
    level: float = 0.95,
) -> Settling:
    """Settling times of all moves, by both readings.

    Parameters
    ----------
    fit : ModalFit
        Modes of the decays after the moves, from an acceleration [m/s²] or a displacement [m].
    tolerance_m : float
        Half width of the band [m].
    record_s : float
        Shortest record after a move [s].
    traces_m : list of arrays, optional
        Measured displacement after each move [m], for the empirical reading; nan where not to be trusted.
    trace_noise_m : float
        Rms noise of the traces [m]; nan when unknown.
    sample_rate_hz : float
        Rate of the traces [Hz].
    end_uncertainty_s : float
        Standard uncertainty of the ends of the moves, common to all [s].
    level : float
        Coverage of the interval.

    Returns
    -------
    Settling
        With route "none" and the reason in words when neither reading can be trusted: noise above the tolerance
        and no mode found.
    """
    check_number("tolerance_m", tolerance_m, above=0.0)
    check_number("record_s", record_s, above=0.0)
    notes: list[str] = []
    displacement = _displacement_amplitudes(fit)
    from_modes = np.full(fit.n_repeats, math.nan)
    if fit.modes:
        from_modes[:] = [model_settling_s(fit.poles_rad_s, row, tolerance_m=tolerance_m) for row in displacement]
    late = from_modes > record_s
    if late.any():
        notes.append(
            f"{late.sum()} of {late.size} moves are not settled in the record of {record_s:.3g} s: record longer"
        )
        from_modes = np.where(late, math.nan, from_modes)
    from_trace = _trace_settling(fit.n_repeats, traces_m, trace_noise_m, sample_rate_hz, tolerance_m, notes)
    route = "modes" if fit.modes else ("trace" if np.isfinite(from_trace).any() else "none")
    if route == "none":
        notes.append(
            "no settling time: no mode was found and the noise of the trace is not known to lie inside the tolerance"
        )
    times = from_trace if route == "trace" else from_modes
    common = _common_error_s(fit, displacement, tolerance_m, late) if route == "modes" else 0.0
    shared = math.hypot(common, end_uncertainty_s)
    both = from_modes - from_trace
    return Settling(
        tolerance_m=float(tolerance_m),
        from_modes_s=from_modes,
        from_trace_s=from_trace,
        route=route,
        mean_s=_mean(times, shared, level),
        shared_error_s=shared,
        worst_s=float(np.nanmax(times)) if np.isfinite(times).any() else math.nan,
        n_settled=int(np.isfinite(times).sum()),
        n_moves=fit.n_repeats,
        record_s=float(record_s),
        disagreement_s=float(np.nanmedian(both)) if np.isfinite(both).any() else math.nan,
        notes=tuple(notes),
    )


def _displacement_amplitudes(fit: ModalFit) -> np.ndarray:
    """Complex displacement amplitudes at the end of each move, shape (n_repeats, n_modes)."""
    order = integrations(fit.unit)
    if not fit.modes:
        return np.zeros((fit.n_repeats, 0), complex)
    return np.stack([m.amplitudes for m in fit.modes], axis=1) / fit.poles_rad_s**order


def _trace_settling(
    n: int,
    traces: list[np.ndarray] | None,
    noise_m: float,
    rate_hz: float,
    tolerance_m: float,
    notes: list[str],
) -> np.ndarray:
    if traces is None:
        return np.full(n, math.nan)
    if not noise_m * _NOISE_REACH <= tolerance_m:
        known = "of unknown size" if math.isnan(noise_m) else f"of {1e6 * noise_m:.2g} µm rms"
        notes.append(
            f"no settling time from the trace: its noise {known} is not {_NOISE_REACH:g} times smaller than the "
            f"tolerance of ±{1e6 * tolerance_m:.3g} µm"
        )
        return np.full(n, math.nan)
    return np.array([_one_trace(trace, rate_hz, tolerance_m) for trace in traces])


def _one_trace(trace: np.ndarray, rate_hz: float, tolerance_m: float) -> float:
    good = np.flatnonzero(np.isfinite(trace))
    whole = good.size >= 8 and good[0] == 0 and good[-1] == good.size - 1
    if not whole:
        return math.nan
    return last_exit_s(np.arange(good.size) / rate_hz, trace[: good.size], tolerance_m=tolerance_m)


def _common_error_s(fit: ModalFit, displacement: np.ndarray, tolerance_m: float, late: np.ndarray) -> float:
    """Standard uncertainty of the mean that all moves share: that of the frequencies and damping ratios."""
    rows = displacement[~late]
    if not len(rows):
        return math.nan

    def mean(poles: np.ndarray) -> float:
        return float(np.mean([model_settling_s(poles, row, tolerance_m=tolerance_m) for row in rows]))

    variance, centre = 0.0, mean(fit.poles_rad_s)
    for k, mode in enumerate(fit.modes):
        f, z = mode.frequency_hz.value, mode.damping_ratio.value
        d_f, d_z = mode.frequency_hz.standard_error, min(mode.damping_ratio.standard_error, 0.5 * z)
        for d in ((d_f, 0.0), (0.0, d_z)):
            shifts = [mean(_with_pole(fit.poles_rad_s, k, f + sign * d[0], z + sign * d[1])) for sign in (1, -1)]
            variance += 0.5 * sum((shift - centre) ** 2 for shift in shifts)
    return math.sqrt(variance)


def _with_pole(poles: np.ndarray, k: int, frequency_hz: float, damping_ratio: float) -> np.ndarray:
    moved = poles.copy()
    moved[k] = pole(frequency_hz, damping_ratio=damping_ratio)
    return moved


def _mean(times: np.ndarray, common_s: float, level: float) -> Estimate:
    known = times[np.isfinite(times)]
    if not known.size:
        return Estimate.unknown(level=level)
    if known.size < times.size:  # the unsettled moves are the slow ones: the mean of the others is no mean
        return Estimate.unknown(level=level)
    if known.size < 2 or math.isnan(common_s):
        return Estimate.unknown(float(known.mean()), level=level)
    scatter = float(known.std(ddof=1)) / math.sqrt(known.size)
    error = math.hypot(scatter, common_s)
    if error == 0.0:  # every move settled at once: nothing to tell the uncertainty from
        return Estimate.unknown(float(known.mean()), level=level)
    # effective degrees of freedom, GUM G.2b, the common part taken as known
    dof = math.inf if scatter == 0.0 else (known.size - 1) * (error / scatter) ** 4
    mean = Estimate.from_standard_error(float(known.mean()), error, dof=dof, level=level)
    ends = Interval(low=max(0.0, mean.interval.low), high=mean.interval.high, level=level)
    return Estimate(value=mean.value, standard_error=mean.standard_error, interval=ends)
