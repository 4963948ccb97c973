"""Before/after, metric by metric: the ratio with its interval, a word, and what the test could have seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.base import Estimate, Interval, check_array, check_choice, check_number
from labkit.decide.inference import (
    MeanDifference,
    detectable_shift,
    holm_adjusted,
    holm_alphas,
    mean_difference,
    relative_sd_of_sd,
    repeats_needed,
    without_scatter,
)

__all__ = ["Comparison", "Metric", "MetricChange", "compare_metrics"]

_FEWEST = 3  # repeats a side below which nothing is compared (common practice, no source)
_FEW = 6  # repeats below which a note says how badly the scatter is known


@dataclass(frozen=True, kw_only=True)
class Metric:
    """One number a move, before and after a change.

    Parameters
    ----------
    name, unit : str
        What it is; SI symbol of its unit ("" for a ratio).
    better : {"lower", "higher", "neither"}
        Which way is an improvement.
    before, after : tuple of float
        One value a move [`unit`]; nan where the move gave none.
    scale : {"ratio", "difference"}
        "ratio" compares logarithms, for positive quantities such as times, amplitudes and frequencies; "difference"
        compares the values themselves, for quantities that may be zero or negative.
    smallest_change_that_matters : float, optional
        Ratio (above 1), or on the difference scale a difference [`unit`] (above 0); overrides that of the comparison.
    shared_error_before, shared_error_after : float
        Standard uncertainty that all moves of a side share [`unit`], which their scatter does not show: values that
        rest on one fit have the uncertainty of that fit in common.
    """

    name: str
    unit: str
    better: str
    before: tuple[float, ...]
    after: tuple[float, ...]
    scale: str = "ratio"
    smallest_change_that_matters: float | None = None
    shared_error_before: float = 0.0
    shared_error_after: float = 0.0

    def __post_init__(self) -> None:
        check_choice("better", self.better, ("lower", "higher", "neither"))
        check_choice("scale", self.scale, ("ratio", "difference"))
        for side in ("before", "after"):
            values = check_array(side, getattr(self, side), ndim=1, min_length=0, finite=False)
            if np.isinf(values).any():
                raise ValueError(
                    f"{side} of metric {self.name!r} holds an infinite value; write nan for a move that gave no value"
                )
            object.__setattr__(self, side, tuple(map(float, values)))
            check_number(
                f"shared_error_{side} of metric {self.name!r}", getattr(self, f"shared_error_{side}"), at_least=0.0
            )
        if self.smallest_change_that_matters is not None:
            check_number(
                f"smallest_change_that_matters of metric {self.name!r}",
                self.smallest_change_that_matters,
                above=1.0 if self.scale == "ratio" else 0.0,
            )


@dataclass(frozen=True, kw_only=True)
class MetricChange:
    """What happened to one metric.

    Parameters
    ----------
    name, unit, better, scale : str
        As in `Metric`.
    before, after : Estimate
        Geometric mean over the moves (arithmetic on the difference scale) with its own interval [`unit`].
    ratio : Estimate
        After/before; unknown on the difference scale. The level of its interval is 1 − Holm's hurdle for this metric,
        so it leaves out 1 exactly when `word` reports a change.
    difference : Estimate
        After − before [`unit`] in the same way; unknown on the ratio scale.
    p_value, p_adjusted : float
        Two-sided Welch (or paired) probability, by itself and Holm-adjusted over the metrics compared.
    word : str
        "improved", "worse", "changed", "no detectable difference" or "not comparable".
    smallest_detectable_ratio, smallest_detectable_difference : float
        What this test sees with the stated power at its hurdle: a ratio above 1 (or its inverse), a difference
        [`unit`]; nan on the other scale. Allows for the scatter being estimated from few moves.
    repeats_needed : float
        Moves a side (or pairs) with which the smallest change that matters, or else the change observed, would be
        seen; inf beyond a million, nan when not comparable.
    n_before, n_after : int
        Moves that gave a value.
    notes : tuple of str
        What was left out, and what limits the result.
    """

    name: str
    unit: str
    better: str
    scale: str
    before: Estimate
    after: Estimate
    ratio: Estimate
    difference: Estimate
    p_value: float
    p_adjusted: float
    word: str
    smallest_detectable_ratio: float
    smallest_detectable_difference: float
    repeats_needed: float
    n_before: int
    n_after: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """All metrics of one before/after.

    Parameters
    ----------
    changes : tuple of MetricChange
        In the order given.
    level : float
        1 − probability that any metric is reported as changed although none did.
    power : float
        Probability behind `smallest_detectable_ratio` and `repeats_needed`.
    paired : bool
        True when move k before was compared with move k after.
    notes : tuple of str
        Remarks on the whole.
    """

    changes: tuple[MetricChange, ...]
    level: float
    power: float
    paired: bool
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class _Case:
    """A metric made ready: values on the scale of the test, and the test, unless `reason` says why there is none."""

    metric: Metric
    before: np.ndarray
    after: np.ndarray
    matters: float | None
    shared: tuple[float, float]  # on the scale of the test
    reason: str
    notes: tuple[str, ...]
    test: MeanDifference | None


def compare_metrics(
    metrics: Sequence[Metric],
    *,
    level: float = 0.95,
    smallest_change_that_matters: float | None = None,
    power: float = 0.8,
    paired: bool = False,
) -> Comparison:
    """Compare every metric before and after: Welch's t on logarithms, Holm over the metrics.

    The chance that any unchanged metric is called changed is at most 1 − level. The interval of each ratio has the
    level of the hurdle that its metric was held against in Holm's procedure (in `ratio.interval.level`, never below
    `level`), so word and interval cannot contradict each other. Each interval by itself covers with at least `level`;
    all together they are not a simultaneous statement (that would take 1 − (1 − level)/m for each).

    Parameters
    ----------
    metrics : sequence of Metric
        The metrics, each with one value an independent move.
    level : float
        Confidence of the comparison as a whole.
    smallest_change_that_matters : float, optional
        Ratio above 1 (1.1: ten per cent up, or down to 1/1.1) for all metrics on the ratio scale.
    power : float
        Probability with which a difference should be seen.
    paired : bool
        True when move k before and move k after belong together.

    Examples
    --------
    >>> settling = Metric(name="settling time", unit="s", better="lower", before=(0.41, 0.39, 0.42, 0.40, 0.38),
    ...                   after=(0.20, 0.21, 0.19, 0.20, 0.22))
    >>> change = compare_metrics([settling]).changes[0]
    >>> change.word, round(change.ratio.value, 2), round(change.smallest_detectable_ratio, 2)
    ('improved', 0.51, 1.12)
    """
    check_number("level", level, above=0.0, below=1.0)
    check_number("power", power, above=1 - level, below=1.0)
    if smallest_change_that_matters is not None:
        check_number("smallest_change_that_matters", smallest_change_that_matters, above=1.0, cure="10 % is 1.1")
    cases = [_prepare(metric, smallest_change_that_matters, paired) for metric in metrics]
    tested = [case.test.p_value for case in cases if case.test]
    adjusted, hurdles = iter(holm_adjusted(tested)), iter(holm_alphas(tested, alpha=1 - level))
    changes = [
        _change(case, float(next(adjusted)), float(next(hurdles)), level=level, power=power, paired=paired)
        if case.test
        else _not_comparable(case, level)
        for case in cases
    ]
    return Comparison(
        changes=tuple(changes),
        level=float(level),
        power=float(power),
        paired=paired,
        notes=(f"Holm over {len(tested)} of {len(cases)} metric(s)",) if len(tested) != len(cases) else (),
    )


# --------------------------------------------------------------------------------------------------- make ready
def _prepare(metric: Metric, matters: float | None, paired: bool) -> _Case:
    """Drop the moves without a value, go to the scale of the test, and test."""
    before, after, notes = _with_value(metric, paired)
    reason = _why_not(metric, before, after, paired)
    shared = (metric.shared_error_before, metric.shared_error_after)
    if metric.scale == "ratio":
        before, after = _log(before), _log(after)
    if metric.scale == "ratio" and not reason:
        # relative to the geometric mean, as uncertainties of logarithms are
        shared = tuple(0.0 if not error else error / math.exp(v.mean()) for error, v in zip(shared, (before, after)))
    if not reason and not any(shared):
        reason = _no_scatter(before, after, paired)
    if metric.smallest_change_that_matters is not None:
        matters = metric.smallest_change_that_matters
    elif metric.scale == "difference":
        matters = None
    if not reason:
        notes += _weak_points(before, after)
    return _Case(
        metric=metric,
        before=before,
        after=after,
        matters=matters,
        shared=shared,
        reason=reason,
        notes=notes,
        test=None if reason else mean_difference(before, after, paired=paired, shared_errors=shared),
    )


def _log(values: np.ndarray) -> np.ndarray:
    """Logarithms, or nan for all when one of the values has none."""
    return np.log(values) if (values > 0).all() else np.full(values.size, np.nan)


def _with_value(metric: Metric, paired: bool) -> tuple[np.ndarray, np.ndarray, tuple[str, ...]]:
    sides = {"before": np.array(metric.before), "after": np.array(metric.after)}
    notes = tuple(
        f"{int(np.isnan(v).sum())} of {v.size} moves {name} gave no value and were left out; "
        "if they were the worst ones, this side looks better than it is"
        for name, v in sides.items()
        if np.isnan(v).any()
    )
    keep = {name: np.isfinite(v) for name, v in sides.items()}
    if paired and sides["before"].size == sides["after"].size:
        keep = dict.fromkeys(keep, keep["before"] & keep["after"])
    return sides["before"][keep["before"]], sides["after"][keep["after"]], notes


def _why_not(metric: Metric, before: np.ndarray, after: np.ndarray, paired: bool) -> str:
    """Why the metric cannot be compared, or ""."""
    if paired and len(metric.before) != len(metric.after):
        return f"{len(metric.before)} moves before and {len(metric.after)} after do not pair"
    if min(before.size, after.size) < _FEWEST:
        return f"{before.size} value(s) before and {after.size} after; at least {_FEWEST} a side are needed"
    lowest = min(before.min(), after.min())
    if metric.scale == "ratio" and lowest <= 0:
        return f"a value of {lowest:g} has no logarithm; compare this metric with scale='difference'"
    return ""


def _no_scatter(before: np.ndarray, after: np.ndarray, paired: bool) -> str:
    flat = without_scatter(after - before) if paired else without_scatter(before) and without_scatter(after)
    what = "all pairs differ by the same amount" if paired else "all values of a side are equal, before and after"
    return f"{what}: nothing says how uncertain they are (is the metric rounded?)" if flat else ""


def _weak_points(before: np.ndarray, after: np.ndarray) -> tuple[str, ...]:
    notes = [
        f"all values {name} are equal: the result rests on the scatter of the other side alone"
        for name, side in (("before", before), ("after", after))
        if without_scatter(side)
    ]
    fewest = min(before.size, after.size)
    if fewest < _FEW:
        known = 100 * relative_sd_of_sd(fewest)
        notes.append(f"with {fewest} moves the scatter itself is known only to ±{known:.0f} %")
    return tuple(notes)


# ------------------------------------------------------------------------------------------------------- result
def _change(
    case: _Case,
    adjusted: float,
    hurdle: float,
    *,
    level: float,
    power: float,
    paired: bool,
) -> MetricChange:
    metric, test, on_logs = case.metric, case.test, case.metric.scale == "ratio"
    shift = Estimate.from_standard_error(
        test.difference.value,
        test.difference.standard_error,
        dof=test.dof,
        level=1 - hurdle,
    )
    smallest = shift.standard_error * detectable_shift(dof=test.dof, alpha=hurdle, power=power, scatter_dof=test.dof)
    matters = None if case.matters is None else (math.log(case.matters) if on_logs else case.matters)
    effect = (abs(shift.value) if matters is None else matters) / test.scatter
    unknown = Estimate.unknown(level=1 - hurdle)
    word = _word(metric.better, shift.value, detected=test.p_value <= hurdle)
    return MetricChange(
        name=metric.name,
        unit=metric.unit,
        better=metric.better,
        scale=metric.scale,
        before=_mean(case.before, on_logs, level, case.shared[0]),
        after=_mean(case.after, on_logs, level, case.shared[1]),
        ratio=_exp(shift) if on_logs else unknown,
        difference=unknown if on_logs else shift,
        p_value=test.p_value,
        p_adjusted=adjusted,
        word=word,
        smallest_detectable_ratio=_ratio(smallest) if on_logs else math.nan,
        smallest_detectable_difference=math.nan if on_logs else smallest,
        repeats_needed=repeats_needed(effect, alpha=hurdle, power=power, scatter_dof=test.dof, paired=paired),
        n_before=case.before.size,
        n_after=case.after.size,
        notes=case.notes + _against_what_matters(case, shift, smallest, matters, word),
    )


def _word(better: str, shift: float, *, detected: bool) -> str:
    if not detected:
        return "no detectable difference"
    if better == "neither":
        return "changed"
    return "improved" if (shift < 0) == (better == "lower") else "worse"


def _against_what_matters(
    case: _Case,
    shift: Estimate,
    smallest: float,
    matters: float | None,
    word: str,
) -> tuple[str, ...]:
    """Where the interval stands against the smallest change that matters; "no change seen" is not "no change"."""
    if matters is None:
        return ()
    limit = f"×{case.matters:.4g}" if case.metric.scale == "ratio" else f"{case.matters:.4g} {case.metric.unit}"
    if max(abs(shift.interval.low), abs(shift.interval.high)) < matters:
        return (f"the whole interval is within {limit} either way: no change that matters",)
    if word == "no detectable difference" and smallest > matters:
        return (f"a change of {limit} could have been missed: more repeats are needed to rule it out",)
    return ()


def _not_comparable(case: _Case, level: float) -> MetricChange:
    """The means as far as there are any, with an unknown change."""
    metric, on_logs = case.metric, case.metric.scale == "ratio"
    before, after = (_mean(v, on_logs, level, s) for v, s in zip((case.before, case.after), case.shared))
    unknown = Estimate.unknown(level=level)
    return MetricChange(
        name=metric.name,
        unit=metric.unit,
        better=metric.better,
        scale=metric.scale,
        before=before,
        after=after,
        ratio=Estimate.unknown(after.value / before.value, level=level) if on_logs else unknown,
        difference=unknown if on_logs else Estimate.unknown(after.value - before.value, level=level),
        p_value=math.nan,
        p_adjusted=math.nan,
        word="not comparable",
        smallest_detectable_ratio=math.nan,
        smallest_detectable_difference=math.nan,
        repeats_needed=math.nan,
        n_before=case.before.size,
        n_after=case.after.size,
        notes=(case.reason, *case.notes),
    )


def _mean(values: np.ndarray, on_logs: bool, level: float, shared_error: float) -> Estimate:
    """Mean with Student's interval, unknown for a single value or without scatter and shared error."""
    if values.size == 0 or np.isnan(values).any():
        return Estimate.unknown(level=level)
    scattered = values.size > 1 and not without_scatter(values)
    scatter = float(values.std(ddof=1)) / math.sqrt(values.size) if scattered else 0.0
    error = math.hypot(scatter, shared_error) if values.size > 1 and (scattered or shared_error) else math.nan
    mean = Estimate.from_standard_error(float(values.mean()), error, dof=values.size - 1, level=level)
    return _exp(mean) if on_logs else mean


def _ratio(log: float) -> float:
    return math.inf if log > 700 else math.exp(log)


def _exp(log: Estimate) -> Estimate:
    """From logarithms back: ends by exp, standard error to first order."""
    value, ends = math.exp(log.value), log.interval
    low, high = _ratio(ends.low), _ratio(ends.high)
    return Estimate(
        value=value,
        standard_error=value * log.standard_error,
        interval=Interval(low=low, high=high, level=ends.level),
    )
