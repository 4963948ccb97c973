"""One run from log to numbers: checked, moves found, each axis analysed, with reasons for what was left out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from labkit.analyse.displacement import SteadyDisplacement, about_median, steady_displacement
from labkit.analyse.moves import MoveList, find_moves
from labkit.analyse.one_axis import RMS_BAND_HZ, AxisAnalysis, MachineMode, analyse_axes
from labkit.base import check_choice, check_number
from labkit.runs.checks import check_recording
from labkit.runs.facts import RunFacts
from labkit.runs.findings import LogReport, require_fit
from labkit.runs.recording import Recording
from labkit.runs.runfolder import Run, RunLog

__all__ = ["RunAnalysis", "analyse_run", "check_run"]

Progress = Callable[[str, int, int], None]

_RATE_SPREAD = 1e-3  # logs of one run may differ this much in true rate
_OPTIONAL = ("displacement", "settling", "spectra")  # analyses that an axis can do without


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
    modes : tuple of MachineMode
        Modes that all axes share, in order of frequency.
    unfit_channels : tuple of str
        Axes left out since a fatal finding forbids to analyse them.
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
    modes: tuple[MachineMode, ...]
    unfit_channels: tuple[str, ...]
    steady: tuple[SteadyDisplacement, ...]
    notes: tuple[str, ...]

    @property
    def n_moves(self) -> int:
        """Moves used, of all logs that are fit."""
        return len(self.axes[0].band_rms) if self.axes else 0

    @property
    def worst_channel(self) -> str:
        """Channel that moves the camera most: largest median displacement after a move ("" without moves)."""
        return max(self.axes, key=lambda axis: axis.typical_peak_m).channel if self.axes else ""

    @property
    def wait_s(self) -> np.ndarray:
        """When the last axis settles, move by move [s]: nan where one does not, empty when one cannot be judged."""
        settled = [axis.settling.times_s for axis in self.axes if axis.settling is not None]
        known = settled and len(settled) == len(self.axes) and not self.unfit_channels
        return np.max(settled, axis=0) if known else np.empty(0)

    @property
    def wait_shared_error_s(self) -> float:
        """Standard uncertainty of `wait_s` that all moves share [s]: the largest of the axes that settle last."""
        waits = self.wait_s
        axes = [axis.settling for axis in self.axes if axis.settling is not None and len(waits)]
        return max((s.shared_error_s for s in axes if (s.times_s == waits).any()), default=math.nan)

    def axis(self, channel: str) -> AxisAnalysis:
        """Analysis of one channel, by name."""
        check_choice("channel", channel, [axis.channel for axis in self.axes], cure=f"run {self.name!r} has these")
        return next(axis for axis in self.axes if axis.channel == channel)


def check_run(
    run: Run, *, tolerance_m: float = math.nan, moves: Sequence[MoveList] | None = None
) -> tuple[LogReport, ...]:
    """Fitness of each log of a run, in the light of its facts.

    Parameters
    ----------
    run : Run
        The run.
    tolerance_m : float
        Tolerance [m] that the sensor must be able to see; nan takes the run's own, if it has one.
    moves : sequence of MoveList, optional
        Moves of each log, when known: faults outside the rests weigh less.
    """
    tolerance, sensor = _tolerance_m(run, tolerance_m), run.facts.sensor
    windows = [None] * len(run.logs) if moves is None else [_rests_of(found) for found in moves]
    return tuple(
        check_recording(
            log.recording,
            tolerance_m=_none(tolerance),
            range_m_s2=_none(sensor.range_m_s2),
            noise_density_m_s2_rthz=_none(sensor.noise_density_m_s2_rthz),
            expected_rate_hz=_none(sensor.nominal_rate_hz),
            windows=spans,
        )
        for log, spans in zip(run.logs, windows)
    )


def _rests_of(found: MoveList) -> list[tuple[float, float]] | None:
    return [(move.end_s, move.rest_end_s) for move in found.moves] or None


# the matrices are small: handing them to several threads costs ten times what it saves when cores are busy
@threadpool_limits.wrap(limits=1, user_api="blas")
def analyse_run(
    run: Run,
    *,
    tolerance_m: float = math.nan,
    channels: Sequence[str] = (),
    max_modes: int = 6,
    move_duration_s: float = math.nan,
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
    move_duration_s : float
        Duration of the commanded move [s]; nan takes it from the run's move facts.
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
    logs = [replace(log, recording=_in_metres(log.recording, run)) for log in run.logs]
    _check_together(logs)
    notes: list[str] = []
    duration_s = run.facts.move.duration_s if math.isnan(move_duration_s) else move_duration_s
    found = [_moves(log, duration_s, longest_move_s, notes) for log in logs]
    reports = check_run(run, tolerance_m=tolerance, moves=found)
    axes, modes, unfit, steady = (), (), (), ()
    if any(one.moves for one in found):
        names = tuple(channels) or logs[0].recording.channels
        names, used, unfit = _fit_axes(logs, found, reports, names, notes)
        if progress:
            progress(f"{run.name}: fitting {', '.join(names)}", 0, 1)
        axes, modes = analyse_axes(
            [logs[k].recording for k in used],
            [found[k].moves for k in used],
            channels=names,
            tolerance_m=tolerance,
            noise_density_rthz=_sheet(run, logs[0].recording.unit),
            max_modes=max_modes,
            blocked={
                n: frozenset(a for k in used for a in _OPTIONAL if reports[k].blocking(a, channels=[n])) for n in names
            },
        )
        if progress:
            progress(f"{run.name}: analysed", 1, 1)
    else:
        steady = _steady(logs, reports, run, notes)
    return RunAnalysis(
        name=run.name,
        facts=run.facts,
        tolerance_m=tolerance,
        reports=reports,
        move_lists=tuple(found),
        axes=axes,
        modes=modes,
        unfit_channels=unfit,
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


# ------------------------------------------------------------------------------------------------ the parts
def _moves(log: RunLog, duration_s: float, longest_move_s: float, notes: list[str]) -> MoveList:
    found = find_moves(
        log.recording,
        log.trigger,
        move_ends_s=log.move_ends_s,
        move_duration_s=duration_s,
        longest_move_s=longest_move_s,
    )
    notes += [f"{log.file}: {note}" for note in found.notes]
    notes += [f"{log.file}: move ending at {end:.3f} s left out: {why}" for end, why in found.left_out]
    return found


def _fit_axes(
    logs: Sequence[RunLog],
    found: Sequence[MoveList],
    reports: Sequence[LogReport],
    names: Sequence[str],
    notes: list[str],
) -> tuple[list[str], list[int], tuple[str, ...]]:
    """Axes and logs (by number) that no fatal finding forbids to fit, and the unfit axes; the error when none is left.

    A channel that is unfit in every log is left out as an axis; a log in which any other channel is unfit is left
    out as a log.
    """
    unfit = {
        name: [k for k, report in enumerate(reports) if report.blocking("modes", channels=[name])] for name in names
    }
    axes = [name for name in names if len(unfit[name]) < len(logs)]
    if not axes:
        require_fit(reports[0], "modes", channels=names)
    bad = {k for name in axes for k in unfit[name]}
    left_out = tuple(name for name in names if name not in axes)
    notes += [f"axis {name} left out: a fatal finding in every log" for name in left_out]
    notes += [f"{logs[k].file} left out: a fatal finding forbids the analysis" for k in sorted(bad)]
    good = [k for k in range(len(logs)) if k not in bad and found[k].moves]
    if not good:
        require_fit(reports[min(bad)], "modes", channels=axes)
    return axes, good, left_out


def _sheet(run: Run, unit: str) -> float:
    """Noise density of the sensor's data sheet, where it is one of the logged quantity."""
    return run.facts.sensor.noise_density_m_s2_rthz if unit == "m/s^2" else math.nan


def _steady(
    logs: Sequence[RunLog], reports: Sequence[LogReport], run: Run, notes: list[str]
) -> tuple[SteadyDisplacement, ...]:
    for report in reports:
        require_fit(report, "displacement")
    if logs[0].recording.unit == "m":
        notes.append("no move was found: the displacement is told from its median")
        return tuple(about_median(log.recording) for log in logs)
    notes.append(f"no move was found: the log is analysed as steady vibration above {RMS_BAND_HZ[0]:g} Hz")
    density = run.facts.sensor.noise_density_m_s2_rthz
    return tuple(
        steady_displacement(log.recording, low_cut_hz=RMS_BAND_HZ[0], noise_density_m_s2_rthz=density) for log in logs
    )
