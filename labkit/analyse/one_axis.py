"""The axes of one run: modes shared by all axes, and what each channel tells about the rests after the moves."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from labkit.analyse.displacement import Decay, decay_displacement, noise_floor_m, steady_displacement
from labkit.analyse.modes import EachMove, ModalFit, fit_each, fit_modes
from labkit.analyse.moves import Move, rests
from labkit.analyse.settling import Settling, settling
from labkit.analyse.spectra import PowerSpectrum, band_rms, power_spectral_density
from labkit.base import Estimate
from labkit.runs.recording import Recording

__all__ = ["RMS_BAND_HZ", "AxisAnalysis", "MachineMode", "analyse_axes"]

RMS_BAND_HZ = (5.0, 200.0)
_RMS_WINDOW_S = 0.5  # the band rms is taken over this long after each move: the time in which pictures are wanted
_QUIET_S = 0.5  # shortest stillness before the first move that tells the colour of the noise


@dataclass(frozen=True, kw_only=True)
class MachineMode:
    """One mode of the machine, seen by all axes together.

    Parameters
    ----------
    frequency_hz, damping_ratio : Estimate
        Mean over the moves with their scatter, or from the joint fit where single moves are too noisy.
    each_frequency_hz, each_damping_ratio : ndarray, shape (n_moves,)
        The values of the moves [Hz], [–]; nan where a move could not be fitted alone.
    channel : str
        Axis that it moves most.
    """

    frequency_hz: Estimate
    damping_ratio: Estimate
    each_frequency_hz: np.ndarray
    each_damping_ratio: np.ndarray
    channel: str


@dataclass(frozen=True, kw_only=True)
class AxisAnalysis:
    """What one channel did after the moves.

    Parameters
    ----------
    channel : str
        Name of the channel.
    fit : ModalFit
        Modes shared by all moves and all axes, with the amplitudes of this axis.
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
    decay: Decay | None
    settling: Settling | None
    band_rms: np.ndarray
    band_hz: tuple[float, float]
    band_window_s: float
    spectrum: PowerSpectrum
    noise_density_rthz: float
    blocked: frozenset[str]

    @property
    def typical_peak_m(self) -> float:
        """Median over the moves of the largest displacement [m]; 0 when nothing is seen to move."""
        return float(np.median(self.decay.peak_m)) if self.decay is not None and self.fit.modes else 0.0


def analyse_axes(
    recordings: Sequence[Recording],
    moves: Sequence[Sequence[Move]],
    *,
    channels: Sequence[str],
    tolerance_m: float = math.nan,
    noise_density_rthz: float = math.nan,
    max_modes: int = 6,
    blocked: Mapping[str, frozenset[str]] | None = None,
) -> tuple[tuple[AxisAnalysis, ...], tuple[MachineMode, ...]]:
    """Fit the modes of all axes together, then analyse each axis.

    A mode is a property of the machine: it has one frequency and one damping, whichever axis shows it. An axis in
    which a slow mode hides under the noise (the same micrometres are little acceleration at a low frequency) takes
    its poles from the axis that shows it, and so does not miss its displacement.

    Parameters
    ----------
    recordings : sequence of Recording
        The logs, of one unit and (nearly) one rate.
    moves : sequence of sequence of Move
        The moves of each log; at least one in all.
    channels : sequence of str
        The channels.
    tolerance_m : float
        Tolerance for the settling time [m]; nan for none.
    noise_density_rthz : float
        One-sided noise density on the sensor's data sheet [unit/√Hz]; nan when unknown.
    max_modes : int
        Largest number of modes looked for.
    blocked : mapping, optional
        For each channel the analyses to leave out: "displacement", "settling", "spectra".
    """
    rests_of = {
        name: [d for r, found in zip(recordings, moves) for d in rests(r, found, channel=name)] for name in channels
    }
    rate, unit = float(np.mean([r.sample_rate_hz for r in recordings])), recordings[0].unit
    spectra = {name: _spectrum_of_rests(decays, rate, name, unit) for name, decays in rests_of.items()}
    density = {name: _noise_density(spectrum) for name, spectrum in spectra.items()}
    fits, modes = _fit_together(rests_of, density, _quiet(recordings, moves, channels[0]), rate, unit, max_modes)
    axes = tuple(
        _axis(
            recordings,
            moves,
            rests_of[name],
            fit=fits[name],
            spectrum=spectra[name],
            noise=density[name],
            sheet=noise_density_rthz,
            tolerance_m=tolerance_m,
            blocked=(blocked or {}).get(name, frozenset()),
            channel=name,
        )
        for name in channels
    )
    return axes, modes


# ---------------------------------------------------------------------------------------------- shared modes
def _fit_together(
    rests_of: Mapping[str, list[np.ndarray]],
    density: Mapping[str, float],
    quiet: np.ndarray | None,
    rate: float,
    unit: str,
    max_modes: int,
) -> tuple[dict[str, ModalFit], tuple[MachineMode, ...]]:
    """Joint fit of all axes, each in units of its own noise; the amplitudes go back to their axes."""
    names = list(rests_of)
    scale = {name: density[name] if density[name] > 0 else 1.0 for name in names}  # a silent axis keeps its unit
    records = [d / scale[name] for name in names for d in rests_of[name]]
    fit = fit_modes(
        records,
        sample_rate_hz=rate,
        unit=unit,
        max_modes=max_modes,
        quiet=None if quiet is None else quiet / scale[names[0]],
    )
    n = len(rests_of[names[0]])
    each = fit_each(fit, records, groups=[range(j, len(records), n) for j in range(n)])
    fit = _with_scatter(fit, each)
    fits = {name: _of_axis(fit, slice(k * n, (k + 1) * n), scale[name]) for k, name in enumerate(names)}
    return fits, tuple(_machine_mode(k, fits, each) for k in range(len(fit.modes)))


def _of_axis(fit: ModalFit, rows: slice, scale: float) -> ModalFit:
    """The part of a joint fit that belongs to one axis, back in its unit."""
    noise = fit.noise_sd * scale
    modes = []
    for mode in fit.modes:
        amplitudes = mode.amplitudes[rows] * scale
        amplitudes.setflags(write=False)
        power = 0.5 * float(np.mean(np.abs(amplitudes) ** 2))
        modes.append(
            replace(
                mode,
                amplitudes=amplitudes,
                amplitude_sd=mode.amplitude_sd * scale,
                signal_to_noise_db=10 * math.log10(power / noise**2) if noise > 0 and power > 0 else math.nan,
            )
        )
    return replace(fit, modes=tuple(modes), noise_sd=noise, n_repeats=rows.stop - rows.start)


def _with_scatter(fit: ModalFit, each: EachMove) -> ModalFit:
    """The fit with the mean over the moves in place of a shared value, where every move can be fitted alone well.

    Moves whose frequencies differ by 0.3 % smear a shared mode of 1 % damping: its shared damping comes out a tenth
    too high. Fitted alone, each move keeps its own; their scatter is then the honest uncertainty of the mean.
    """
    modes = tuple(
        replace(
            mode,
            frequency_hz=_over_moves(mode.frequency_hz, each.frequency_hz[:, k]),
            damping_ratio=_over_moves(mode.damping_ratio, each.damping_ratio[:, k]),
        )
        for k, mode in enumerate(fit.modes)
    )
    return replace(fit, modes=modes)


def _over_moves(joint: Estimate, values: np.ndarray) -> Estimate:
    if values.size < 3 or not np.isfinite(values).all():
        return joint
    error = float(values.std(ddof=1)) / math.sqrt(values.size)
    if error > 2 * joint.standard_error:  # too noisy alone: the shared value knows more
        return joint
    return Estimate.from_standard_error(float(values.mean()), error, dof=values.size - 1, level=joint.interval.level)


def _machine_mode(k: int, fits: Mapping[str, ModalFit], each: EachMove) -> MachineMode:
    mode = next(iter(fits.values())).modes[k]
    return MachineMode(
        frequency_hz=mode.frequency_hz,
        damping_ratio=mode.damping_ratio,
        each_frequency_hz=each.frequency_hz[:, k],
        each_damping_ratio=each.damping_ratio[:, k],
        channel=max(fits, key=lambda name: float(np.median(np.abs(fits[name].modes[k].amplitudes)))),
    )


# ------------------------------------------------------------------------------------------------- one axis
def _axis(
    recordings: Sequence[Recording],
    moves: Sequence[Sequence[Move]],
    decays: list[np.ndarray],
    *,
    fit: ModalFit,
    spectrum: PowerSpectrum,
    noise: float,
    sheet: float,
    tolerance_m: float,
    blocked: frozenset[str],
    channel: str,
) -> AxisAnalysis:
    rate, unit, shortest = fit.sample_rate_hz, fit.unit, min(len(d) for d in decays)
    record_s = (shortest - 1) / rate
    settles = None
    if not (math.isnan(tolerance_m) or "settling" in blocked):
        # the noise that counts is the larger of what the log shows and what the data sheet says
        floor = noise if math.isnan(sheet) else max(noise, sheet)
        settles = _settling(recordings, moves, channel, fit, tolerance_m, record_s, floor)
    n_rms, band = min(shortest, round(_RMS_WINDOW_S * rate)), (RMS_BAND_HZ[0], min(RMS_BAND_HZ[1], 0.4 * rate))
    no_rms = "spectra" in blocked
    return AxisAnalysis(
        channel=channel,
        fit=fit,
        decay=None if "displacement" in blocked else decay_displacement(fit, _fine_time(fit, record_s, rate)),
        settling=settles,
        band_rms=np.array([math.nan if no_rms else _rms(d[:n_rms], rate, channel, unit, band) for d in decays]),
        band_hz=band,
        band_window_s=n_rms / rate,
        spectrum=spectrum,
        noise_density_rthz=noise,
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
    return power_spectral_density(joined, channel=channel, window="boxcar", windows=windows)


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
