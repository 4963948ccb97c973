"""One run from log to numbers: checked, moves found, each axis analysed, with reasons for what was left out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from labkit.analyse.displacement import (
    Decay,
    SteadyDisplacement,
    decay_displacement,
    noise_floor_m,
    steady_displacement,
)
from labkit.analyse.modes import EachMove, ModalFit, fit_each, fit_modes
from labkit.analyse.moves import MoveList, find_moves, rests
from labkit.analyse.settling import Settling, settling
from labkit.analyse.spectra import PowerSpectrum, band_rms, power_spectral_density
from labkit.base import check_choice, check_number
from labkit.runs.checks import BlockedAnalysisError, LogReport, check_recording, require_fit
from labkit.runs.recording import Recording
from labkit.runs.runfolder import Run, RunFacts, RunLog

__all__ = ["AxisAnalysis", "RunAnalysis", "analyse_run", "check_run"]

Progress = Callable[[str, int, int], None]

_RMS_WINDOW_S = 0.5  # the band rms is taken over this long after each move: the time in which pictures are wanted
_RMS_BAND_HZ = (5.0, 200.0)
_RATE_SPREAD = 1e-3  # logs of one run may differ this much in true rate


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
    decay : Decay
        Displacement after each move [m].
    settling : Settling or None
        Settling times; None when no tolerance is known.
    band_rms : ndarray, shape (n_moves,)
        Rms of the measured quantity in `band_hz` over the first `band_window_s` after each move [`fit.unit`].
    band_hz : (float, float)
        Band of `band_rms` [Hz].
    band_window_s : float
        Length of its window [s].
    spectrum : PowerSpectrum
        Power spectral density of the rests, one segment a move.
    noise_density_rthz : float
        One-sided noise density estimated from the spectrum [`fit.unit`/√Hz]; nan when it cannot be.
    """

    channel: str
    fit: ModalFit
    each: EachMove
    decay: Decay
    settling: Settling | None
    band_rms: np.ndarray
    band_hz: tuple[float, float]
    band_window_s: float
    spectrum: PowerSpectrum
    noise_density_rthz: float


@dataclass(frozen=True, kw_only=True)
class RunAnalysis:
    """Everything found in one run.

    Parameters
    ----------
    name : str
        Name of the run.
    facts : RunFacts
        What was tested.
    tolerance_m : float
        How far the camera may be from its settled position [m]; nan when unknown.
    reports : tuple of LogReport
        Fitness of each log.
    move_lists : tuple of MoveList
        Moves of each log that could be used.
    axes : tuple of AxisAnalysis
        One a channel; empty when the run has no moves.
    steady : tuple of SteadyDisplacement
        Displacement of each log when it holds no move (pumps running, machine at rest); else empty.
    notes : tuple of str
        What was left out and why, and other warnings.
    """

    name: str
    facts: RunFacts
    tolerance_m: float
    reports: tuple[LogReport, ...]
    move_lists: tuple[MoveList, ...]
    axes: tuple[AxisAnalysis, ...]
    steady: tuple[SteadyDisplacement, ...]
    notes: tuple[str, ...]

    @property
    def n_moves(self) -> int:
        """Moves used, all logs together."""
        return sum(len(found.moves) for found in self.move_lists)

    @property
    def worst_channel(self) -> str:
        """Channel that moves the camera most: largest median displacement after a move ("" without modes)."""
        peaks = {axis.channel: float(np.median(axis.decay.peak_m)) for axis in self.axes if axis.fit.modes}
        return max(peaks, key=peaks.__getitem__) if peaks else (self.axes[0].channel if self.axes else "")

    def axis(self, channel: str) -> AxisAnalysis:
        """Analysis of one channel, by name."""
        check_choice("channel", channel, [axis.channel for axis in self.axes], cure=f"run {self.name!r} has these")
        return next(axis for axis in self.axes if axis.channel == channel)


def check_run(run: Run, *, tolerance_m: float = math.nan) -> tuple[LogReport, ...]:
    """Fitness of each log of a run, in the light of its facts.

    Parameters
    ----------
    run : Run
        The run.
    tolerance_m : float
        Tolerance [m] that the sensor must be able to see; nan takes the run's own, if it has one.
    """
    tolerance = _tolerance_m(run, tolerance_m)
    sensor = run.facts.sensor
    return tuple(
        check_recording(
            log.recording,
            tolerance_m=_none(tolerance),
            range_m_s2=_none(sensor.range_m_s2),
            noise_density_m_s2_rthz=_none(sensor.noise_density_m_s2_rthz),
        )
        for log in run.logs
    )


def analyse_run(
    run: Run,
    *,
    tolerance_m: float = math.nan,
    channels: Sequence[str] = (),
    max_modes: int = 6,
    longest_move_s: float = 1.0,
    progress: Progress | None = None,
) -> RunAnalysis:
    """Check and analyse a run.

    Parameters
    ----------
    run : Run
        The run, as loaded.
    tolerance_m : float
        How far the camera may be from its settled position [m]; nan takes it from the run's camera facts.
    channels : sequence of str
        Channels to analyse; all by default.
    max_modes : int
        Largest number of modes looked for.
    longest_move_s : float
        For logs without trigger, times or move facts: bursts closer than this [s] belong to one move.
    progress : callable, optional
        Called with (what, done, total).

    Raises
    ------
    BlockedAnalysisError
        When a fatal finding makes every log unfit.
    ValueError
        When the logs of the run cannot be analysed together.
    """
    tolerance = _tolerance_m(run, tolerance_m)
    reports = check_run(run, tolerance_m=tolerance)
    notes: list[str] = []
    logs = _fit_logs(run, reports, notes)
    _check_together(logs)
    found = [
        find_moves(
            log.recording,
            log.trigger,
            move_ends_s=log.move_ends_s,
            move_duration_s=run.facts.move.duration_s,
            longest_move_s=longest_move_s,
        )
        for log in logs
    ]
    for log, moves in zip(logs, found):
        notes += [f"{log.file}: {note}" for note in moves.notes]
        notes += [f"{log.file}: move ending at {end:.3f} s left out: {why}" for end, why in moves.left_out]
    names = tuple(channels) or logs[0].recording.channels
    axes: list[AxisAnalysis] = []
    if any(moves.moves for moves in found):
        for done, name in enumerate(names):
            if progress:
                progress(f"{run.name}: axis {name}", done, len(names))
            axes.append(_axis(logs, found, name, run, tolerance, max_modes))
        if progress:
            progress(f"{run.name}: done", len(names), len(names))
    steady = () if axes else _steady(logs, run, notes)
    return RunAnalysis(
        name=run.name,
        facts=run.facts,
        tolerance_m=tolerance,
        reports=reports,
        move_lists=tuple(found),
        axes=tuple(axes),
        steady=steady,
        notes=tuple(notes),
    )


# ------------------------------------------------------------------------------------------- what is usable
def _none(value: float) -> float | None:
    return None if math.isnan(value) else value


def _tolerance_m(run: Run, given_m: float) -> float:
    if not math.isnan(given_m):
        return check_number("tolerance_m", given_m, above=0.0)
    return run.facts.camera.tolerance_resolved_m


def _fit_logs(run: Run, reports: Sequence[LogReport], notes: list[str]) -> list[RunLog]:
    """Logs without a fatal finding against the modes, in metres or m/s²; at least one, or the error."""
    fit, reason = [], None
    for log, report in zip(run.logs, reports):
        try:
            require_fit(report, "modes")
        except BlockedAnalysisError as error:
            reason = error
            notes.append(f"{log.file} left out: {error}")
        else:
            fit.append(replace(log, recording=_in_metres(log.recording, run)))
    if reason is not None and not fit:
        raise reason
    return fit


def _in_metres(recording: Recording, run: Run) -> Recording:
    """A camera's displacement in pixels becomes metres at the object, when the run states the object pixel."""
    if recording.unit in ("m/s^2", "m"):
        return recording
    pixel_m = run.facts.camera.object_pixel_m
    if recording.unit == "px" and not math.isnan(pixel_m):
        return replace(recording, values=recording.values * pixel_m, unit="m")
    cure = (
        "give pixel_um and magnification in the [camera] table of run.toml"
        if recording.unit == "px"
        else "name the columns that hold the acceleration, or give their scale and units"
    )
    raise ValueError(f"run {run.name!r}: a log in {recording.unit!r} cannot be analysed in metres; {cure}")


def _check_together(logs: Sequence[RunLog]) -> None:
    first = logs[0].recording
    for log in logs[1:]:
        other = log.recording
        if (other.unit, other.channels) != (first.unit, first.channels):
            raise ValueError(
                f"{logs[0].file} has {', '.join(first.channels)} [{first.unit}] but {log.file} has "
                f"{', '.join(other.channels)} [{other.unit}]; the logs of one run must have the same channels: "
                "name the columns in run.toml or put them into separate runs"
            )
        if abs(other.sample_rate_hz / first.sample_rate_hz - 1) > _RATE_SPREAD:
            raise ValueError(
                f"{logs[0].file} was sampled at {first.sample_rate_hz:.6g} Hz but {log.file} at "
                f"{other.sample_rate_hz:.6g} Hz; put logs of different rates into separate runs"
            )


# ------------------------------------------------------------------------------------------------ one axis
def _axis(
    logs: Sequence[RunLog],
    found: Sequence[MoveList],
    name: str,
    run: Run,
    tolerance_m: float,
    max_modes: int,
) -> AxisAnalysis:
    decays = [d for log, moves in zip(logs, found) for d in rests(log.recording, moves.moves, channel=name)]
    rate, unit = float(np.mean([log.recording.sample_rate_hz for log in logs])), logs[0].recording.unit
    fit = fit_modes(decays, sample_rate_hz=rate, unit=unit, max_modes=max_modes, quiet=_quiet(logs, found, name))
    shortest = min(len(d) for d in decays)
    record_s = (shortest - 1) / rate
    spectrum = power_spectral_density(
        _joined(decays, rate, name, unit, shortest),
        channel=name,
        window="boxcar",
        windows=[(k * shortest / rate, (k + 1) * shortest / rate) for k in range(len(decays))],
    )
    density = _noise_density(spectrum)
    band = (_RMS_BAND_HZ[0], min(_RMS_BAND_HZ[1], 0.4 * rate))
    n_rms = min(shortest, round(_RMS_WINDOW_S * rate))
    step = 1 / (40 * max([m.frequency_hz.value for m in fit.modes], default=rate / 40))
    return AxisAnalysis(
        channel=name,
        fit=fit,
        each=fit_each(fit, decays),
        decay=decay_displacement(fit, np.arange(0.0, record_s, step)),
        settling=_axis_settling(logs, found, name, fit, tolerance_m, record_s, max(density, _sheet(run, density))),
        band_rms=np.array([_rms(d[:n_rms], rate, name, unit, band) for d in decays]),
        band_hz=band,
        band_window_s=n_rms / rate,
        spectrum=spectrum,
        noise_density_rthz=density,
    )


def _sheet(run: Run, otherwise: float) -> float:
    stated = run.facts.sensor.noise_density_m_s2_rthz
    return otherwise if math.isnan(stated) else stated


def _quiet(logs: Sequence[RunLog], found: Sequence[MoveList], name: str) -> np.ndarray | None:
    """The longest stretch before the first move, as a sample of the noise alone."""
    pieces = []
    for log, moves in zip(logs, found):
        if moves.moves and not math.isnan(moves.moves[0].start_s):
            stop = moves.moves[0].start_s - 0.05
            if stop - log.recording.start_s > 0.5:
                piece = log.recording.between(log.recording.start_s, stop).channel(name)
                pieces.append(piece if np.isfinite(piece).all() else piece[:0])
    longest = max(pieces, key=len, default=None)
    return longest if longest is not None and len(longest) else None


def _joined(decays: Sequence[np.ndarray], rate: float, name: str, unit: str, length: int) -> Recording:
    values = np.concatenate([d[:length] for d in decays])
    return Recording(values=values[None], sample_rate_hz=rate, channels=(name,), unit=unit)


def _noise_density(spectrum: PowerSpectrum) -> float:
    """Median level of the upper half of the spectrum: modes and hum are narrow there, noise is not."""
    upper = spectrum.density[spectrum.frequency_hz > 0.5 * spectrum.frequency_hz[-1]]
    return math.sqrt(float(np.median(upper))) if upper.size else math.nan


def _rms(decay: np.ndarray, rate: float, name: str, unit: str, band: tuple[float, float]) -> float:
    one = Recording(values=decay[None], sample_rate_hz=rate, channels=(name,), unit=unit)
    spectrum = power_spectral_density(one, channel=name, window="boxcar", segment_s=decay.size / rate)
    return band_rms(spectrum, *band).value


def _axis_settling(
    logs: Sequence[RunLog],
    found: Sequence[MoveList],
    name: str,
    fit: ModalFit,
    tolerance_m: float,
    record_s: float,
    density: float,
) -> Settling | None:
    if math.isnan(tolerance_m):
        return None
    moves = [move for one in found for move in one.moves]
    traces, noise = None, math.nan
    if fit.modes:
        traces, noise = _traces(logs, found, name, 0.5 * fit.modes[0].frequency_hz.value, density)
    return settling(
        fit,
        tolerance_m=tolerance_m,
        record_s=record_s,
        traces_m=traces,
        trace_noise_m=noise,
        sample_rate_hz=fit.sample_rate_hz,
        end_uncertainty_s=max(m.end_uncertainty_s for m in moves),
    )


def _traces(
    logs: Sequence[RunLog],
    found: Sequence[MoveList],
    name: str,
    low_cut_hz: float,
    density: float,
) -> tuple[list[np.ndarray], float]:
    """Measured displacement after each move [m] and its rms noise [m]."""
    traces = []
    for log, moves in zip(logs, found):
        one = log.recording.select(name)
        if one.unit == "m/s^2":
            one = steady_displacement(one, low_cut_hz=low_cut_hz).recording
        traces += rests(one, moves.moves, channel=name)
    if logs[0].recording.unit == "m":
        return traces, density * math.sqrt(logs[0].recording.sample_rate_hz / 2)
    return traces, noise_floor_m(density, low_cut_hz=low_cut_hz)


def _steady(logs: Sequence[RunLog], run: Run, notes: list[str]) -> tuple[SteadyDisplacement, ...]:
    notes.append("no move was found: the log is analysed as steady vibration above 5 Hz")
    density = run.facts.sensor.noise_density_m_s2_rthz
    return tuple(
        steady_displacement(log.recording, low_cut_hz=_RMS_BAND_HZ[0], noise_density_m_s2_rthz=density)
        for log in logs
        if log.recording.unit == "m/s^2"
    )
