"""Before and after ONE change: does the camera now hold still sooner, on which axis, and why?"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from labkit.analyse.one_axis import AxisAnalysis, MachineMode
from labkit.analyse.one_run import RunAnalysis
from labkit.decide.compare import Comparison, Metric, MetricChange, compare_metrics
from labkit.runs.facts import RunFacts

__all__ = ["ALL_AXES", "Verdict", "compare_runs", "match_modes", "settles_sentence"]

Sides = tuple[np.ndarray, np.ndarray]

#: Name of the metric that a builder waits for: the last axis to settle, move by move.
ALL_AXES = "settling time, all axes"

_FURTHEST = 1.25  # a mode that moved by more than this ratio cannot be told from a new one
_SMALL_SHARE = 0.1  # without a tolerance, an axis that moves less than this share of the largest is not compared
# facts that may differ between two measurements of the same machine, and that the camera's stillness does not feel
_NOT_A_CHANGE = {"title", "date", "notes", "changed_since", "change", "temperature_degc", "camera", "synthetic"}


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What a change did to the machine.

    Parameters
    ----------
    before, after : str
        Names of the runs.
    tolerance_m : float
        Tolerance [m]; nan when unknown.
    channels : tuple of str
        Axes compared: those that leave the tolerance in one of the runs, the worst before first.
    motion : Comparison
        What the camera sees: settling, displacement and rms of each of these axes.
    modes : Comparison
        Why: frequency and damping of each mode found in both runs. A second family: Holm over these alone.
    headline : str
        The verdict in a sentence.
    sentences : tuple of str
        Settling of every axis against the tolerance, modes that came and went.
    warnings : tuple of str
        Reasons to doubt: more than one thing changed, few moves, findings in the logs.
    """

    before: str
    after: str
    tolerance_m: float
    channels: tuple[str, ...]
    motion: Comparison
    modes: Comparison
    headline: str
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]


def compare_runs(
    before: RunAnalysis,
    after: RunAnalysis,
    *,
    channels: Sequence[str] = (),
    level: float = 0.95,
    smallest_change_that_matters: float | None = None,
) -> Verdict:
    """Compare two runs of one machine, measured before and after one change.

    Parameters
    ----------
    before, after : RunAnalysis
        The two runs, analysed with the same tolerance.
    channels : sequence of str
        Axes to compare; by default those that leave the tolerance in one of the runs.
    level : float
        Coverage of the intervals of each family of metrics.
    smallest_change_that_matters : float, optional
        Ratio (above 1) for which the repeats needed are stated; by default the observed one.

    Raises
    ------
    ValueError
        When a run has no moves, the axes differ, or the tolerances differ.
    """
    _check_comparable(before, after)
    names = tuple(channels) or _axes_that_matter(before, after)
    pairs = [(before.axis(name), after.axis(name)) for name in names]
    settings = {"level": level, "smallest_change_that_matters": smallest_change_that_matters}
    wait = [] if channels else _wait_metric(before, after)
    motion = compare_metrics([*wait, *(m for pair in pairs for m in _axis_metrics(*pair))], **settings)
    matched = match_modes(before.modes, after.modes)
    modes = compare_metrics([m for i, j in matched for m in _mode_metrics(before.modes[i], after.modes[j])], **settings)
    return Verdict(
        before=before.name,
        after=after.name,
        tolerance_m=before.tolerance_m,
        channels=names,
        motion=motion,
        modes=modes,
        headline=_headline(motion, before.name, after.name),
        sentences=(
            *(settles_sentence(f"{run.name}, {axis.channel}", axis) for run in (before, after) for axis in run.axes),
            *(
                f"{run.name}, {name}: cannot be judged, a fatal finding stands against it."
                for run in (before, after)
                for name in run.unfit_channels
            ),
            *_came_and_went(before.modes, after.modes, matched),
        ),
        warnings=tuple(_warnings(before, after)),
    )


def match_modes(before: Sequence[MachineMode], after: Sequence[MachineMode]) -> tuple[tuple[int, int], ...]:
    """Pairs (before, after) of modes closest in frequency, none further apart than a ratio of 1.25.

    Parameters
    ----------
    before, after : sequence of MachineMode
        Modes of two runs.
    """
    if not before or not after:
        return ()
    f1, f2 = (np.log([m.frequency_hz.value for m in modes]) for modes in (before, after))
    distance, furthest = np.abs(np.subtract.outer(f1, f2)), math.log(_FURTHEST)
    # a pair beyond the limit costs more than leaving two modes alone, so that it never displaces a near pair
    rows, columns = optimize.linear_sum_assignment(np.where(distance <= furthest, distance, 1e3))
    return tuple((int(r), int(c)) for r, c in zip(rows, columns) if distance[r, c] <= furthest)


def settles_sentence(name: str, axis: AxisAnalysis) -> str:
    """Whether and when an axis settles, as a sentence.

    Parameters
    ----------
    name : str
        What to call it.
    axis : AxisAnalysis
        The axis.
    """
    s = axis.settling
    if s is None:
        if "settling" in axis.blocked:
            return f"{name}: a fatal finding about the log forbids a settling time."
        return f"{name}: no tolerance is known, so settling cannot be judged; give the camera facts or a tolerance."
    band = f"±{1e6 * s.tolerance_m:.3g} µm"
    if s.route == "none":
        return f"{name}: settling within {band} cannot be told: {'; '.join(s.notes)}."
    if s.n_settled < s.n_moves:
        return (
            f"{name}: {s.n_moves - s.n_settled} of {s.n_moves} moves are not settled within {band} in the record "
            f"of {1e3 * s.record_s:.0f} ms."
        )
    if s.worst_s == 0.0:
        return f"{name}: stays within {band} from the end of the move on ({s.n_moves} moves)."
    interval = s.mean_s.interval
    known = f" [{1e3 * interval.low:.0f}, {1e3 * interval.high:.0f}]" if interval.known else " [interval unknown]"
    return (
        f"{name}: settles within {band} after {1e3 * s.mean_s.value:.0f} ms{known} "
        f"(mean of {s.n_moves} moves, longest {1e3 * s.worst_s:.0f} ms)."
    )


# ------------------------------------------------------------------------------------- what can be compared
def _check_comparable(before: RunAnalysis, after: RunAnalysis) -> None:
    for run in (before, after):
        if not run.axes:
            raise ValueError(
                f"run {run.name!r} has no moves, so there is nothing to repeat and compare; log at least three moves "
                "(better ten) each way"
            )
    one, two = before.tolerance_m, after.tolerance_m
    if not (one == two or (math.isnan(one) and math.isnan(two))):
        raise ValueError(
            f"run {before.name!r} was analysed with a tolerance of {1e6 * one:.4g} µm, {after.name!r} with "
            f"{1e6 * two:.4g} µm; give one tolerance for both"
        )
    names = [{axis.channel for axis in run.axes} for run in (before, after)]
    if not names[0] & names[1]:
        raise ValueError(
            f"run {before.name!r} has axes {', '.join(sorted(names[0]))}, {after.name!r} has "
            f"{', '.join(sorted(names[1]))}; name the channels alike in both"
        )


def _axes_that_matter(before: RunAnalysis, after: RunAnalysis) -> tuple[str, ...]:
    """Axes that leave the tolerance in one of the runs, the worst before first; the worst alone if none does."""
    common = [axis.channel for axis in before.axes if axis.channel in {a.channel for a in after.axes}]
    peaks = {name: tuple(run.axis(name).typical_peak_m for run in (before, after)) for name in common}
    limit = before.tolerance_m
    if math.isnan(limit):
        limit = _SMALL_SHARE * max(max(pair) for pair in peaks.values())
    ordered = sorted(common, key=lambda name: -peaks[name][0])
    return tuple(name for name in ordered if max(peaks[name]) > limit) or (ordered[0],)


# ------------------------------------------------------------------------------------------------- metrics
def _wait_metric(before: RunAnalysis, after: RunAnalysis) -> list[Metric]:
    """When the last axis settles, move by move: the wait before a picture."""
    waits, shared = (before.wait_s, after.wait_s), (before.wait_shared_error_s, after.wait_shared_error_s)
    return [_settling_metric(ALL_AXES, waits, shared)] if all(len(w) for w in waits) else []


def _axis_metrics(one: AxisAnalysis, two: AxisAnalysis) -> list[Metric]:
    metrics, name = [], one.channel
    if one.settling is not None and two.settling is not None:
        times, shared = zip(*((s.times_s, s.shared_error_s) for s in (one.settling, two.settling)))
        metrics.append(_settling_metric(f"{name} settling time", times, shared))
    if one.decay is not None and two.decay is not None and one.fit.modes and two.fit.modes:
        peaks, shared = zip(*((d.peak_m, d.shared_error_m) for d in (one.decay, two.decay)))
        metrics.append(_metric(f"{name} largest displacement", "m", "lower", peaks, shared=shared))
    band = f"{one.band_hz[0]:.0f}–{one.band_hz[1]:.0f} Hz, first {1e3 * one.band_window_s:.0f} ms"
    metrics.append(_metric(f"{name} rms {band}", one.fit.unit, "lower", (one.band_rms, two.band_rms)))
    return metrics


def _settling_metric(name: str, times_s: Sides, shared_error_s: tuple[float, float]) -> Metric:
    # a move that never left the band settles in 0 s, which has no logarithm
    scale = "difference" if any((times == 0).any() for times in times_s) else "ratio"
    return _metric(name, "s", "lower", times_s, scale=scale, shared=shared_error_s)


def _mode_metrics(old: MachineMode, new: MachineMode) -> list[Metric]:
    name = f"mode at {old.frequency_hz.value:.1f} Hz"
    return [
        _metric(f"{name}, frequency", "Hz", "neither", (old.each_frequency_hz, new.each_frequency_hz)),
        _metric(f"{name}, damping ratio", "", "higher", (old.each_damping_ratio, new.each_damping_ratio)),
    ]


def _metric(
    name: str,
    unit: str,
    better: str,
    sides: Sides,
    *,
    scale: str = "ratio",
    shared: tuple[float, float] = (0.0, 0.0),
) -> Metric:
    before, after = (tuple(map(float, side)) for side in sides)
    # a shared error is unknown only where there is no value either
    errors = dict(zip(("shared_error_before", "shared_error_after"), (0.0 if math.isnan(e) else e for e in shared)))
    return Metric(name=name, unit=unit, better=better, scale=scale, before=before, after=after, **errors)


# --------------------------------------------------------------------------------------------------- words
def _headline(motion: Comparison, before: str, after: str) -> str:
    """The first metric that can be compared, since they stand in the order in which a builder cares.

    When it shows no difference, the first one that does is told too.
    """
    known = [c for c in motion.changes if c.word != "not comparable"]
    if not known:
        return f"{before} and {after} cannot be compared: see the notes beside each metric."
    told = known[:1]
    if told[0].word == "no detectable difference":
        told += [c for c in known if c.word != "no detectable difference"][:1]
    return " ".join(_change_sentence(change, before, after) for change in told)


def _change_sentence(change: MetricChange, before: str, after: str) -> str:
    measured, moved, seen = _change_in_words(change)
    if change.word == "no detectable difference":
        return (
            f"No detectable difference in {change.name} between {before} and {after}: {measured}; this test could "
            f"have seen {seen}."
        )
    return f"{change.word.capitalize()}: {change.name} is {moved} in {after} than in {before} ({measured})."


def _change_in_words(change: MetricChange) -> tuple[str, str, str]:
    """What was measured, how it moved, and what the test could have seen."""
    if change.scale == "ratio":
        ratio, ends = change.ratio.value, change.ratio.interval
        moved = f"{1 / ratio:.3g} times lower" if ratio < 1 else f"{ratio:.3g} times higher"
        seen = f"a factor of {change.smallest_detectable_ratio:.3g}"
        return f"ratio {ratio:.3g} [{ends.low:.3g}, {ends.high:.3g}]", moved, seen
    shift, ends = 1e3 * change.difference.value, change.difference.interval
    moved = f"{abs(shift):.3g} ms {'lower' if shift < 0 else 'higher'}"
    measured = f"difference {shift:.3g} ms [{1e3 * ends.low:.3g}, {1e3 * ends.high:.3g}]"
    return measured, moved, f"{1e3 * change.smallest_detectable_difference:.3g} ms"


def _came_and_went(
    old: Sequence[MachineMode],
    new: Sequence[MachineMode],
    matched: Sequence[tuple[int, int]],
) -> list[str]:
    words = []
    for modes, side, text in ((old, 0, "is gone after the change"), (new, 1, "is new after the change")):
        paired = {pair[side] for pair in matched}
        words += [
            f"The mode at {mode.frequency_hz.value:.1f} Hz (seen on {mode.channel}) {text}, or moved by more than "
            f"{100 * (_FURTHEST - 1):.0f} %."
            for k, mode in enumerate(modes)
            if k not in paired
        ]
    return words


def _warnings(before: RunAnalysis, after: RunAnalysis) -> list[str]:
    warnings = []
    changed = _changed_facts(before.facts, after.facts)
    if len(changed) > 1:
        warnings.append(
            f"more than one thing differs between the runs ({'; '.join(changed)}): the verdict cannot say which of "
            "them did it"
        )
    for run in (before, after):
        if run.n_moves < 10:
            warnings.append(f"{run.name} has {run.n_moves} moves; ten or more each way are common practice")
        severe = sum(f.severity != "note" for report in run.reports for f in report.findings)
        if severe:
            warnings.append(f"{run.name}: {severe} finding(s) about its logs weigh more than a note")
        warnings += [f"{run.name}: {note}" for note in run.notes]
    return warnings


def _changed_facts(before: RunFacts, after: RunFacts, prefix: str = "") -> list[str]:
    """Facts that are stated in both runs and differ, in words."""
    changed = []
    for item in dataclasses.fields(before):
        if item.name in _NOT_A_CHANGE:
            continue
        a, b = getattr(before, item.name), getattr(after, item.name)
        if dataclasses.is_dataclass(a):
            changed += _changed_facts(a, b, f"{item.name} ")
        elif _stated(a) and _stated(b) and a != b:
            changed.append(f"{prefix}{item.name}: {a} → {b}")
    return changed


def _stated(value: object) -> bool:
    return value is not None and value != "" and not (isinstance(value, float) and math.isnan(value))
