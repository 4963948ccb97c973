"""Before and after ONE change: which metrics moved, and does the camera now hold still?"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from labkit.analyse.one_axis import AxisAnalysis
from labkit.analyse.one_run import RunAnalysis
from labkit.decide.compare import Comparison, Metric, MetricChange, compare_metrics
from labkit.runs.facts import RunFacts

__all__ = ["Verdict", "compare_runs", "match_modes", "settles_sentence"]

_FURTHEST = 1.25  # a mode that moved by more than this ratio cannot be told from a new one
# facts that may differ between two measurements of the same machine
_NOT_A_CHANGE = {"title", "date", "notes", "changed_since", "change", "temperature_degc", "camera", "synthetic"}


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What a change did to one axis of the machine.

    Parameters
    ----------
    before, after : str
        Names of the runs.
    channel : str
        The axis compared.
    tolerance_m : float
        Tolerance [m]; nan when unknown.
    comparison : Comparison
        Every metric with its ratio, interval and word.
    headline : str
        The verdict in a sentence.
    sentences : tuple of str
        Settling of both runs against the tolerance, modes that came and went, what the test could have seen.
    warnings : tuple of str
        Reasons to doubt: more than one thing changed, few moves, findings in the logs.
    """

    before: str
    after: str
    channel: str
    tolerance_m: float
    comparison: Comparison
    headline: str
    sentences: tuple[str, ...]
    warnings: tuple[str, ...]


def compare_runs(
    before: RunAnalysis,
    after: RunAnalysis,
    *,
    channel: str = "",
    level: float = 0.95,
    smallest_change_that_matters: float | None = None,
) -> Verdict:
    """Compare two runs of one machine, measured before and after one change.

    Parameters
    ----------
    before, after : RunAnalysis
        The two runs, analysed with the same tolerance.
    channel : str
        Axis to compare; by default the one that moved the camera most before.
    level : float
        Coverage of the intervals, all metrics together.
    smallest_change_that_matters : float, optional
        Ratio (above 1) for which the repeats needed are stated; by default the observed one.

    Raises
    ------
    ValueError
        When a run has no moves, the axes differ, or the tolerances differ.
    """
    for run in (before, after):
        if not run.axes:
            raise ValueError(
                f"run {run.name!r} has no moves, so there is nothing to repeat and compare; log at least three moves "
                "(better ten) each way"
            )
    same = before.tolerance_m == after.tolerance_m or (math.isnan(before.tolerance_m) and math.isnan(after.tolerance_m))
    if not same:
        raise ValueError(
            f"run {before.name!r} was analysed with a tolerance of {1e6 * before.tolerance_m:.4g} µm, {after.name!r} "
            f"with {1e6 * after.tolerance_m:.4g} µm; give one tolerance for both"
        )
    name = channel or before.worst_channel
    one, two = before.axis(name), after.axis(name)
    pairs = match_modes(one, two)
    comparison = compare_metrics(
        _metrics(one, two, pairs),
        level=level,
        smallest_change_that_matters=smallest_change_that_matters,
    )
    return Verdict(
        before=before.name,
        after=after.name,
        channel=name,
        tolerance_m=before.tolerance_m,
        comparison=comparison,
        headline=_headline(comparison, one, two, before.name, after.name),
        sentences=(
            settles_sentence(before.name, one),
            settles_sentence(after.name, two),
            *_modes_in_words(one, two, pairs),
        ),
        warnings=tuple(_warnings(before, after)),
    )


def match_modes(before: AxisAnalysis, after: AxisAnalysis) -> tuple[tuple[int, int], ...]:
    """Pairs (before, after) of modes closest in frequency, none further apart than a ratio of 1.25.

    Parameters
    ----------
    before, after : AxisAnalysis
        The same axis in two runs.
    """
    f1, f2 = (np.log([m.frequency_hz.value for m in axis.fit.modes]) for axis in (before, after))
    if not len(f1) or not len(f2):
        return ()
    distance = np.abs(np.subtract.outer(f1, f2))
    # a pair beyond the limit costs more than leaving two modes alone, so that it never displaces a near pair
    rows, columns = optimize.linear_sum_assignment(np.where(distance <= math.log(_FURTHEST), distance, 1e3))
    return tuple((int(r), int(c)) for r, c in zip(rows, columns) if distance[r, c] <= math.log(_FURTHEST))


def settles_sentence(name: str, axis: AxisAnalysis) -> str:
    """Whether and when one run settles, as a sentence.

    Parameters
    ----------
    name : str
        Name of the run.
    axis : AxisAnalysis
        The axis.
    """
    s = axis.settling
    if s is None:
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


# ------------------------------------------------------------------------------------------------- metrics
def _metrics(one: AxisAnalysis, two: AxisAnalysis, pairs: tuple[tuple[int, int], ...]) -> list[Metric]:
    metrics = []
    if one.settling is not None and two.settling is not None:
        times = one.settling.times_s, two.settling.times_s
        # a move that never left the band settles in 0 s, which has no logarithm
        scale = "difference" if any((t == 0).any() for t in times) else "ratio"
        metrics.append(_metric("settling time", "s", "lower", *times, scale=scale))
    if one.decay is not None and two.decay is not None and one.fit.modes and two.fit.modes:
        metrics.append(_metric("largest displacement", "m", "lower", one.decay.peak_m, two.decay.peak_m))
    metrics.append(
        _metric(
            f"rms {one.band_hz[0]:.0f}–{one.band_hz[1]:.0f} Hz, first {1e3 * one.band_window_s:.0f} ms",
            one.fit.unit,
            "lower",
            one.band_rms,
            two.band_rms,
        )
    )
    for k, (i, j) in enumerate(pairs, start=1):
        metrics += [
            _metric(f"mode {k} frequency", "Hz", "neither", one.each.frequency_hz[:, i], two.each.frequency_hz[:, j]),
            _metric(
                f"mode {k} damping ratio", "", "higher", one.each.damping_ratio[:, i], two.each.damping_ratio[:, j]
            ),
        ]
    return metrics


def _metric(
    name: str, unit: str, better: str, before: np.ndarray, after: np.ndarray, *, scale: str = "ratio"
) -> Metric:
    return Metric(
        name=name,
        unit=unit,
        better=better,
        before=tuple(map(float, before)),
        after=tuple(map(float, after)),
        scale=scale,
    )


# --------------------------------------------------------------------------------------------------- words
def _headline(comparison: Comparison, one: AxisAnalysis, two: AxisAnalysis, before: str, after: str) -> str:
    """The first metric that matters to the camera: settling if it can be compared, else displacement, else rms."""
    for name in ("settling time", "largest displacement", "rms"):
        change = next((c for c in comparison.changes if c.name.startswith(name)), None)
        if change is not None and change.word != "not comparable":
            return _sentence(change, one.channel, before, after)
    return f"{before} and {after} cannot be compared on {one.channel}: see the notes beside each metric."


def _sentence(change: MetricChange, channel: str, before: str, after: str) -> str:
    if change.scale == "ratio":
        value, shift, seen = change.ratio.value, change.ratio, f"a factor of {change.smallest_detectable_ratio:.3g}"
        times = f"{1 / value:.3g} times lower" if value < 1 else f"{value:.3g} times higher"
        measured = f"ratio {value:.3g} [{shift.interval.low:.3g}, {shift.interval.high:.3g}]"
    else:
        milli = 1e3 if change.unit == "s" else 1.0
        unit = "ms" if change.unit == "s" else change.unit
        value, shift = milli * change.difference.value, change.difference.interval
        seen = f"{milli * change.smallest_detectable_difference:.3g} {unit}"
        times = f"{abs(value):.3g} {unit} {'shorter' if value < 0 else 'longer'}"
        measured = f"difference {value:.3g} {unit} [{milli * shift.low:.3g}, {milli * shift.high:.3g}]"
    if change.word == "no detectable difference":
        return (
            f"No detectable difference in {change.name} of {channel} between {before} and {after}: {measured}; "
            f"this test could have seen {seen}."
        )
    return (
        f"{change.word.capitalize()}: {change.name} of {channel} is {times} in {after} than in {before} ({measured})."
    )


def _modes_in_words(one: AxisAnalysis, two: AxisAnalysis, pairs: tuple[tuple[int, int], ...]) -> list[str]:
    words = []
    for axis, side, text in ((one, 0, "is gone after the change"), (two, 1, "is new after the change")):
        alone = [m for k, m in enumerate(axis.fit.modes) if k not in {pair[side] for pair in pairs}]
        words += [
            f"The mode at {m.frequency_hz.value:.1f} Hz {text} (or moved by more than {100 * (_FURTHEST - 1):.0f} %)."
            for m in alone
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
            warnings.append(f"{run.name}: {severe} finding(s) about the log; see the findings")
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
