"""Frequency response of a panel or frame to a measured force, with coherence and random error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from labkit.analyse.segments import Segments, Window, lay_segments, line_covariance
from labkit.base import check_choice, check_number
from labkit.runs.recording import Recording

__all__ = [
    "FrequencyResponse",
    "coherence_zero_level",
    "convert_response",
    "frequency_response",
    "response_random_error",
]

_KINDS = {"receptance": ("m", 0), "mobility": ("m/s", 1), "accelerance": ("m/s^2", 2)}  # unit, order in iω


# -------------------------------------------------------------------------------------------- closed forms
def coherence_zero_level(averages: float, *, level: float = 0.95) -> float:
    """Coherence that unrelated signals stay below with probability `level`: 1 − (1 − level)^(1/(n_d − 1)).

    Parameters
    ----------
    averages : float
        Effective number of averages n_d, above 1.
    level : float
        Probability.

    Examples
    --------
    >>> round(coherence_zero_level(10), 4)
    0.2831
    """
    check_number("level", level, above=0.0, below=1.0)
    averages = check_number("averages", averages, above=1.0, cure="one average always has coherence 1")
    return float(1 - (1 - level) ** (1 / (averages - 1)))


def response_random_error(coherence: float | np.ndarray, *, averages: float) -> np.ndarray:
    """Relative standard error of |H|, and standard error of its phase [rad]: √(1 − γ²)/(|γ|·√(2n_d)).

    Bendat & Piersol, Random Data, 2nd ed., p. 317 (as quoted in an open technical note).

    Parameters
    ----------
    coherence : float or array_like
        γ², from 0 to 1.
    averages : float
        Effective number of averages n_d.

    Examples
    --------
    >>> round(float(response_random_error(0.9, averages=16)), 4)
    0.0589
    """
    check_number("averages", averages, above=0.0)
    gamma2 = np.asarray(coherence, dtype=np.float64)
    with np.errstate(divide="ignore"):
        return np.sqrt(np.clip(1 - gamma2, 0, None) / (2 * averages * gamma2))


# -------------------------------------------------------------------------------------- frequency response
@dataclass(frozen=True, kw_only=True, eq=False)
class FrequencyResponse:
    """Response per force, with coherence and random error.

    Parameters
    ----------
    frequency_hz : ndarray
        Lines [Hz].
    response : ndarray of complex
        Motion over force [`unit`]; nan where there is none (0 Hz after the mean was taken out, no force).
    kind : {"receptance", "mobility", "accelerance"}
        Displacement, velocity or acceleration per force (ISO 2041, ISO 7626-1).
    unit : str
        For example ``"m/N"``.
    coherence : ndarray
        γ² of each line.
    magnitude_error, phase_error_rad : ndarray
        Relative standard error of |response| and standard error of its phase [rad]; nan where the coherence is not
        above `coherence_zero_level`, because there no linear relation has been shown. Bias by leakage or by noise on
        the input of the estimator comes on top.
    coherence_zero_level : float
        Coherence that unrelated signals stay below in 95 % of lines.
    effective_averages : float
        Independent averages.
    n_segments, n_left_out : int
        Segments averaged, and left out because they touch a missing sample.
    estimator : {"H1", "H2"}
        H1 is biased low by noise on the force, H2 high by noise on the response.
    window : str
        Name of the window.
    enbw_hz : float
        Equivalent noise bandwidth [Hz].
    """

    frequency_hz: np.ndarray
    response: np.ndarray
    kind: str
    unit: str
    coherence: np.ndarray
    magnitude_error: np.ndarray
    phase_error_rad: np.ndarray
    coherence_zero_level: float
    effective_averages: float
    n_segments: int
    n_left_out: int
    estimator: str
    window: str
    enbw_hz: float


def frequency_response(
    force: Recording,
    response: Recording,
    *,
    force_channel: str,
    response_channel: str,
    segment_s: float | None = None,
    resolution_hz: float | None = None,
    window: Window = "hann",
    overlap: float = 0.5,
    windows: Sequence[tuple[float, float]] | None = None,
    detrend: str = "constant",
    estimator: str = "H1",
) -> FrequencyResponse:
    """Motion per force from two recordings on one clock: H1 = G_fx/G_ff or H2 = G_xx/G_xf, γ² = H1/H2.

    Bendat & Piersol, Random Data, ch. 6 (from memory). For taps give one of `windows` a tap and ``window="boxcar"``.

    Parameters
    ----------
    force, response : Recording
        Force [N]; acceleration [m/s²], velocity [m/s] or displacement [m] at the same instants.
    force_channel, response_channel : str
        Channels to use.
    segment_s, resolution_hz, window, overlap, windows, detrend
        As in `power_spectral_density`.
    estimator : {"H1", "H2"}
        H1 when the response is the noisier signal, H2 when the force is.

    Raises
    ------
    ValueError
        When the clocks or units do not fit, or there is only one segment (its coherence is always 1).

    Examples
    --------
    A mass of 2 kg has an accelerance of 0.5 kg⁻¹ at every frequency:

    >>> f = np.random.default_rng(3).standard_normal((1, 8000))
    >>> facts = dict(sample_rate_hz=1000.0, channels=["z"])
    >>> frf = frequency_response(Recording(values=f, unit="N", **facts), Recording(values=f / 2, unit="m/s^2", **facts),
    ...                          force_channel="z", response_channel="z", segment_s=0.5)
    >>> frf.kind, round(float(abs(frf.response[20])), 6), round(float(frf.coherence[20]), 6)
    ('accelerance', 0.5, 1.0)
    """
    check_choice("estimator", estimator, ("H1", "H2"))
    kind = _check_pair(force, response)
    f, x = force.channel(force_channel), response.channel(response_channel)
    seg = lay_segments(
        force,
        np.isfinite(f) & np.isfinite(x),
        segment_s=segment_s,
        resolution_hz=resolution_hz,
        window=window,
        overlap=overlap,
        windows=windows,
        detrend=detrend,
    )
    averages = float(1 / line_covariance(seg.starts, seg.taper)[0])
    if averages < 1.5:
        raise ValueError(
            f"{seg.starts.size} segment(s) are worth {averages:.2g} independent average(s), and with one the coherence "
            "is 1 whatever was measured; give at least two: shorter segments, more windows or a longer log"
        )
    ratio, coherence = _ratio_and_coherence(seg, f, x, estimator)
    zero = coherence_zero_level(averages)
    error = np.full(coherence.size, np.nan)
    shown = coherence > zero
    error[shown] = response_random_error(coherence[shown], averages=averages)
    return FrequencyResponse(
        frequency_hz=seg.frequency_hz,
        response=ratio,
        kind=kind,
        unit=_per_newton(kind),
        coherence=coherence,
        magnitude_error=error,
        phase_error_rad=error.copy(),
        coherence_zero_level=zero,
        effective_averages=averages,
        n_segments=seg.starts.size,
        n_left_out=seg.n_left_out,
        estimator=estimator,
        window=seg.name,
        enbw_hz=seg.enbw_hz,
    )


def _ratio_and_coherence(seg: Segments, f: np.ndarray, x: np.ndarray, estimator: str) -> tuple[np.ndarray, np.ndarray]:
    """The estimator and γ², both nan where a line holds no force or no motion."""
    g_ff, g_xx = (seg.averaged(a, a, "density").real for a in (f, x))
    g_fx = seg.averaged(f, x, "density")
    if seg.detrend != "none":
        g_ff[0] = g_xx[0] = 0.0  # only rounding is left of the mean
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = g_fx / g_ff if estimator == "H1" else g_xx / np.conj(g_fx)
        coherence = np.abs(g_fx) ** 2 / (g_ff * g_xx)
    empty = ~(np.isfinite(ratio) & np.isfinite(coherence))
    ratio[empty], coherence[empty] = np.nan, np.nan
    return ratio, coherence


def _check_pair(force: Recording, response: Recording) -> str:
    """Kind of response, once units and clocks have been found to fit."""
    if force.unit != "N":
        raise ValueError(f"force is in {force.unit!r}; it must be in 'N': give the force recording first")
    kind = next((name for name, (unit, _) in _KINDS.items() if unit == response.unit), None)
    if kind is None:
        raise ValueError(f"response is in {response.unit!r}; it must be in 'm/s^2', 'm/s' or 'm'")
    drift = abs(force.sample_rate_hz / response.sample_rate_hz - 1) * force.n_samples
    shift = abs(force.start_s - response.start_s) * force.sample_rate_hz
    if force.n_samples != response.n_samples or max(drift, shift) > 0.01:
        raise ValueError(
            f"force ({force!r} from {force.start_s:g} s) and response ({response!r} from {response.start_s:g} s) "
            "are not on one clock; log both together, or cut both to the same samples with between()"
        )
    return kind


def _per_newton(kind: str) -> str:
    unit = _KINDS[kind][0]
    return f"({unit})/N" if "/" in unit else f"{unit}/N"


def convert_response(frf: FrequencyResponse, *, kind: str) -> FrequencyResponse:
    """The same frequency response as receptance, mobility or accelerance: each step is a factor iω.

    Parameters
    ----------
    frf : FrequencyResponse
        The measured one.
    kind : {"receptance", "mobility", "accelerance"}
        The one wanted; nan at 0 Hz when that means dividing by zero.

    Examples
    --------
    >>> f = np.random.default_rng(3).standard_normal((1, 8000))
    >>> facts = dict(sample_rate_hz=1000.0, channels=["z"])
    >>> frf = frequency_response(Recording(values=f, unit="N", **facts), Recording(values=f / 2, unit="m/s^2", **facts),
    ...                          force_channel="z", response_channel="z", segment_s=0.5)
    >>> receptance = convert_response(frf, kind="receptance")
    >>> bool(np.isclose(receptance.response[20], -0.5 / (2 * np.pi * 40.0) ** 2)), receptance.unit
    (True, 'm/N')
    """
    check_choice("kind", kind, _KINDS)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = (2j * np.pi * frf.frequency_hz) ** float(_KINDS[kind][1] - _KINDS[frf.kind][1])
        converted = frf.response * factor
    converted[~np.isfinite(converted)] = np.nan
    return replace(frf, response=converted, kind=kind, unit=_per_newton(kind))
