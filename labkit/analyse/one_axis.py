"""One axis of one run: everything that a channel tells about the rests after the moves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.analyse.displacement import Decay, decay_displacement, noise_floor_m, steady_displacement
from labkit.analyse.modes import EachMove, ModalFit, fit_each, fit_modes
from labkit.analyse.moves import Move, rests
from labkit.analyse.settling import Settling, settling
from labkit.analyse.spectra import PowerSpectrum, band_rms, power_spectral_density
from labkit.runs.recording import Recording

__all__ = ["RMS_BAND_HZ", "AxisAnalysis", "analyse_axis"]

RMS_BAND_HZ = (5.0, 200.0)
_RMS_WINDOW_S = 0.5  # the band rms is taken over this long after each move: the time in which pictures are wanted
_QUIET_S = 0.5  # shortest stillness before the first move that tells the colour of the noise


@dataclass(frozen=True, kw_only=True)
class AxisAnalysis:
    """What one channel did after the moves.

    Parameters
    ----------
    channel : str
        Name of the channel.
    fit : ModalFit
        Modes shared by all moves.
    each : EachMove
        Frequency and damping fitted to each move alone: the scatter between moves.
    decay : Decay or None
        Displacement after each move [m]; None when a fatal finding blocks it.
    settling : Settling or None
        Settling times; None when no tolerance is known or a fatal finding blocks it.
    band_rms : ndarray, shape (n_moves,)
        Rms of the measured quantity in `band_hz` over the first `band_window_s` after each move [`fit.unit`]; nan
        when a fatal finding blocks it.
    band_hz : (float, float)
        Band of `band_rms` [Hz].
    band_window_s : float
        Length of its window [s].
    spectrum : PowerSpectrum
        Power spectral density of the rests, one segment a move.
    noise_density_rthz : float
        One-sided noise density estimated from the spectrum [`fit.unit`/√Hz]; nan when it cannot be.
    blocked : frozenset of str
        Analyses that a fatal finding blocks.
    """

    channel: str
    fit: ModalFit
    each: EachMove
    decay: Decay | None
    settling: Settling | None
    band_rms: np.ndarray
    band_hz: tuple[float, float]
    band_window_s: float
    spectrum: PowerSpectrum
    noise_density_rthz: float
    blocked: frozenset[str]


def analyse_axis(
    recordings: Sequence[Recording],
    moves: Sequence[Sequence[Move]],
    *,
    channel: str,
    tolerance_m: float = math.nan,
    noise_density_rthz: float = math.nan,
    max_modes: int = 6,
    blocked: frozenset[str] = frozenset(),
) -> AxisAnalysis:
    """Analyse one channel of the rests after the moves.

    Parameters
    ----------
    recordings : sequence of Recording
        The logs, of one unit and (nearly) one rate.
    moves : sequence of sequence of Move
        The moves of each log; at least one in all.
    channel : str
        The channel.
    tolerance_m : float
        Tolerance for the settling time [m]; nan for none.
    noise_density_rthz : float
        One-sided noise density on the sensor's data sheet [unit/√Hz]; nan when unknown.
    max_modes : int
        Largest number of modes looked for.
    blocked : frozenset of str
        Analyses to leave out: "displacement", "settling", "spectra".
    """
    rate, unit = float(np.mean([r.sample_rate_hz for r in recordings])), recordings[0].unit
    decays = [d for r, found in zip(recordings, moves) for d in rests(r, found, channel=channel)]
    fit = fit_modes(
        decays, sample_rate_hz=rate, unit=unit, max_modes=max_modes, quiet=_quiet(recordings, moves, channel)
    )
    shortest = min(len(d) for d in decays)
    spectrum = _spectrum_of_rests(decays, rate, channel, unit)
    density = _noise_density(spectrum)
    record_s = (shortest - 1) / rate
    settles = None
    if not (math.isnan(tolerance_m) or "settling" in blocked):
        # the noise that counts is the larger of what the log shows and what the data sheet says
        floor = density if math.isnan(noise_density_rthz) else max(density, noise_density_rthz)
        settles = _settling(recordings, moves, channel, fit, tolerance_m, record_s, floor)
    n_rms, band = min(shortest, round(_RMS_WINDOW_S * rate)), (RMS_BAND_HZ[0], min(RMS_BAND_HZ[1], 0.4 * rate))
    no_rms = "spectra" in blocked
    return AxisAnalysis(
        channel=channel,
        fit=fit,
        each=fit_each(fit, decays),
        decay=None if "displacement" in blocked else decay_displacement(fit, _fine_time(fit, record_s, rate)),
        settling=settles,
        band_rms=np.array([math.nan if no_rms else _rms(d[:n_rms], rate, channel, unit, band) for d in decays]),
        band_hz=band,
        band_window_s=n_rms / rate,
        spectrum=spectrum,
        noise_density_rthz=density,
        blocked=blocked,
    )


def _fine_time(fit: ModalFit, record_s: float, rate: float) -> np.ndarray:
    """Times fine enough to see the peaks of the fastest mode."""
    return np.arange(0.0, record_s, 1 / (40 * max((m.frequency_hz.value for m in fit.modes), default=rate / 40)))


def _quiet(recordings: Sequence[Recording], moves: Sequence[Sequence[Move]], channel: str) -> np.ndarray | None:
    """The longest complete stretch before the first move of a log: a sample of the noise alone."""
    pieces = []
    for recording, found in zip(recordings, moves):
        if found and found[0].start_s - 0.05 - recording.start_s > _QUIET_S:
            piece = recording.between(recording.start_s, found[0].start_s - 0.05).channel(channel)
            if np.isfinite(piece).all():
                pieces.append(piece)
    return max(pieces, key=len, default=None)


def _spectrum_of_rests(decays: Sequence[np.ndarray], rate: float, channel: str, unit: str) -> PowerSpectrum:
    """One segment a move, all of the shortest length, without a window: a decay dies out by itself."""
    n = min(len(d) for d in decays)
    joined = Recording(
        values=np.concatenate([d[:n] for d in decays])[None], sample_rate_hz=rate, channels=(channel,), unit=unit
    )
    windows = [(k * n / rate, (k + 1) * n / rate) for k in range(len(decays))]
    return power_spectral_density(joined, channel=channel, window="boxcar", segment_s=n / rate, windows=windows)


def _noise_density(spectrum: PowerSpectrum) -> float:
    """Median level of the upper half of the spectrum: modes and hum are narrow there, noise is not."""
    upper = spectrum.density[spectrum.frequency_hz > 0.5 * spectrum.frequency_hz[-1]]
    return math.sqrt(float(np.median(upper))) if upper.size else math.nan


def _rms(decay: np.ndarray, rate: float, channel: str, unit: str, band: tuple[float, float]) -> float:
    one = Recording(values=decay[None], sample_rate_hz=rate, channels=(channel,), unit=unit)
    spectrum = power_spectral_density(one, channel=channel, window="boxcar", segment_s=decay.size / rate)
    return band_rms(spectrum, low_hz=band[0], high_hz=band[1]).value


def _settling(
    recordings: Sequence[Recording],
    moves: Sequence[Sequence[Move]],
    channel: str,
    fit: ModalFit,
    tolerance_m: float,
    record_s: float,
    density: float,
) -> Settling:
    low_cut_hz = 0.5 * fit.modes[0].frequency_hz.value if fit.modes else RMS_BAND_HZ[0]
    if fit.unit == "m":
        noise_m, displaced = density * math.sqrt(fit.sample_rate_hz / 2), recordings
    else:
        noise_m = noise_floor_m(density, low_cut_hz=low_cut_hz)
        displaced = [steady_displacement(r.select(channel), low_cut_hz=low_cut_hz).recording for r in recordings]
    return settling(
        fit,
        tolerance_m=tolerance_m,
        record_s=record_s,
        traces_m=[t for r, found in zip(displaced, moves) for t in rests(r, found, channel=channel)],
        trace_noise_m=noise_m,
        sample_rate_hz=fit.sample_rate_hz,
        end_uncertainty_s=max(move.end_uncertainty_s for found in moves for move in found),
    )
