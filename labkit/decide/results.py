"""From an analysis to the numbers that travel with a run, and from two such sets to what differs between them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from labkit.analyse.one_run import RunAnalysis
from labkit.base import Estimate
from labkit.runs.share.results import RunResults

__all__ = ["AGREEMENT", "Difference", "ResultsCheck", "compare_results", "results_of"]

#: When a number counts as found again, in words.
AGREEMENT = (
    "the same when it differs by less than a hundredth of its standard uncertainty (of the scatter over the moves, "
    "for single moves) or by less than a millionth of itself"
)
_SHARE_OF_ERROR = 0.01
_RELATIVE = 1e-6


@dataclass(frozen=True, kw_only=True)
class Difference:
    """One number that was not found again.

    Parameters
    ----------
    name : str
        Name of the number, with its unit.
    stated, found : float
        As stored, and as found again; nan when there is none.
    allowed : float
        Largest difference that counts as the same.
    """

    name: str
    stated: float
    found: float
    allowed: float


@dataclass(frozen=True, kw_only=True)
class ResultsCheck:
    """Results found again, or not.

    Parameters
    ----------
    run : str
        Name of the run.
    n_compared : int
        Numbers compared.
    differences : tuple of Difference
        Those that differ.
    largest_share : float
        Largest difference as a share of what is allowed; nan when nothing was compared.
    notes : tuple of str
        What else differs: software, logs, notes.
    """

    run: str
    n_compared: int
    differences: tuple[Difference, ...]
    largest_share: float
    notes: tuple[str, ...]

    @property
    def same(self) -> bool:
        """True when every number was found again."""
        return not self.differences


def results_of(
    analysis: RunAnalysis,
    *,
    logs: Mapping[str, str],
    software: Mapping[str, str],
    beside: Mapping[str, Estimate] | None = None,
) -> RunResults:
    """Numbers of an analysed run.

    Parameters
    ----------
    analysis : RunAnalysis
        Analysis of the run.
    logs : mapping
        File of each log → SHA-256.
    software : mapping
        Name → version of what computed it.
    beside : mapping, optional
        Further numbers, of a push test or of pictures.
    """
    numbers = {"moves": _exact(analysis.n_moves), "tolerance_m": Estimate.unknown(analysis.tolerance_m)}
    each: dict[str, tuple[float, ...]] = {}
    waits = analysis.wait_s
    if len(waits):
        numbers["settling_s"] = _mean_over_moves(waits, analysis.wait_shared_error_s)
        each["settling_s"] = tuple(map(float, waits))
    if analysis.axes:
        worst = analysis.axis(analysis.worst_channel)
        numbers["peak_m"] = _median(worst.decay.peak_m if worst.decay is not None else np.empty(0))
    if strongest := _mode_of_worst_axis(analysis):
        numbers["frequency_hz"], numbers["damping_ratio"] = strongest.frequency_hz, strongest.damping_ratio
    for k, mode in enumerate(analysis.modes, start=1):
        numbers[f"mode {k}: frequency_hz"], numbers[f"mode {k}: damping_ratio"] = mode.frequency_hz, mode.damping_ratio
    _add_axes(analysis, numbers, each)
    for k, steady in enumerate(analysis.steady, start=1):
        for channel, rms in zip(steady.recording.channels, steady.rms_m):
            numbers[f"log {k}, {channel}: rms_m"] = Estimate.unknown(float(rms))
    return RunResults(
        run=analysis.name,
        numbers={**numbers, **(beside or {})},
        each=each,
        logs=logs,
        software=software,
        notes=analysis.notes,
    )


def _exact(count: int) -> Estimate:
    return Estimate.from_standard_error(float(count), 0.0, dof=math.inf)


def _mean_over_moves(values: np.ndarray, shared_error: float) -> Estimate:
    """Mean over the moves; its error holds their scatter and what all of them share. No mean when one has none."""
    n, mean = len(values), float(np.mean(values))
    if n < 2 or math.isnan(mean):
        return Estimate.unknown(mean)
    error = math.hypot(float(np.std(values, ddof=1)) / math.sqrt(n), shared_error)
    return Estimate.from_standard_error(mean, error, dof=n - 1)


def _median(values: np.ndarray) -> Estimate:
    return Estimate.unknown(float(np.median(values)) if len(values) else math.nan)


def _mode_of_worst_axis(analysis: RunAnalysis):
    """The lowest mode of the axis that moves the camera most; None without modes."""
    of_worst = [mode for mode in analysis.modes if mode.channel == analysis.worst_channel]
    return min(of_worst or analysis.modes, key=lambda mode: mode.frequency_hz.value, default=None)


def _add_axes(analysis: RunAnalysis, numbers: dict[str, Estimate], each: dict[str, tuple[float, ...]]) -> None:
    for axis in analysis.axes:
        unit = {"m/s^2": "m_s2"}.get(axis.fit.unit, axis.fit.unit)
        if axis.settling is not None:
            numbers[f"{axis.channel}: settling_s"] = axis.settling.mean_s
            each[f"{axis.channel}: settling_s"] = tuple(map(float, axis.settling.times_s))
        if axis.decay is not None:
            numbers[f"{axis.channel}: peak_m"] = _median(axis.decay.peak_m)
            each[f"{axis.channel}: peak_m"] = tuple(map(float, axis.decay.peak_m))
        numbers[f"{axis.channel}: band_rms_{unit}"] = _median(axis.band_rms)
        numbers[f"{axis.channel}: noise_density_{unit}_rthz"] = Estimate.unknown(float(axis.noise_density_rthz))
        each[f"{axis.channel}: band_rms_{unit}"] = tuple(map(float, axis.band_rms))


# ------------------------------------------------------------------------------------------------ comparing
def compare_results(stated: RunResults, found: RunResults) -> ResultsCheck:
    """Set stored results beside those of a new analysis, number by number.

    Values, standard errors and ends of intervals are compared, each as `AGREEMENT` says; a number that only one side
    has is a difference.

    Parameters
    ----------
    stated, found : RunResults
        As stored, and as found again.

    Examples
    --------
    >>> one = RunResults(run="wren", numbers={"frequency_hz": Estimate.from_standard_error(25.0, 0.1, dof=11)})
    >>> other = RunResults(run="wren", numbers={"frequency_hz": Estimate.from_standard_error(25.02, 0.1, dof=11)})
    >>> [(d.name, d.found) for d in compare_results(one, other).differences if "." not in d.name]
    [('frequency_hz', 25.02)]
    """
    triples = [*_number_pairs(stated.numbers, found.numbers), *_each_pairs(stated.each, found.each)]
    shares = [_share(*values) for _, *values in triples]
    return ResultsCheck(
        run=stated.run,
        n_compared=len(triples),
        differences=tuple(
            Difference(name=name, stated=a, found=b, allowed=allowed)
            for (name, a, b, allowed), share in zip(triples, shares)
            if share > 1
        ),
        largest_share=max(shares, default=math.nan),
        notes=tuple(_other_notes(stated, found)),
    )


def _share(stated: float, found: float, allowed: float) -> float:
    """Difference as a share of what is allowed: 0 for equals (two unknowns are), inf where one side has none."""
    if stated == found or (math.isnan(stated) and math.isnan(found)):
        return 0.0
    gap = abs(stated - found)
    return gap / allowed if math.isfinite(gap) and allowed > 0 else math.inf


def _number_pairs(stated: Mapping[str, Estimate], found: Mapping[str, Estimate]) -> list[tuple]:
    nothing = Estimate.unknown()
    pairs = []
    for name in [*stated, *(n for n in found if n not in stated)]:
        a, b = stated.get(name, nothing), found.get(name, nothing)
        error = 0.0 if math.isnan(a.standard_error) else _SHARE_OF_ERROR * a.standard_error
        allowed = max(error, _RELATIVE * abs(a.value)) if math.isfinite(a.value) else 0.0
        pairs += [
            (name, a.value, b.value, allowed),
            (f"{name}.standard_error", a.standard_error, b.standard_error, allowed),
            (f"{name}.low", a.interval.low, b.interval.low, allowed),
            (f"{name}.high", a.interval.high, b.interval.high, allowed),
        ]
    return pairs


def _each_pairs(stated: Mapping[str, tuple], found: Mapping[str, tuple]) -> list[tuple]:
    pairs = []
    for name in [*stated, *(n for n in found if n not in stated)]:
        a, b = (np.array(side.get(name, ()), dtype=float) for side in (stated, found))
        known = a[np.isfinite(a)]
        scatter = float(np.std(known)) if known.size else 0.0
        size = max(len(a), len(b))
        a, b = (np.pad(x, (0, size - len(x)), constant_values=math.nan) for x in (a, b))
        pairs += [
            (f"{name}, move {k}", float(x), float(y), max(_SHARE_OF_ERROR * scatter, _RELATIVE * abs(float(x))))
            for k, (x, y) in enumerate(zip(a, b), start=1)
        ]
    return pairs


def _other_notes(stated: RunResults, found: RunResults) -> list[str]:
    notes = [
        f"{name} {stated.software.get(name, 'not stated')} then, {version} now"
        for name, version in found.software.items()
        if stated.software.get(name) != version
    ]
    if dict(stated.logs) != dict(found.logs):
        notes.append("the logs are not those of the stored results")
    if stated.notes != found.notes:
        notes += [f"noted then: {n}" for n in stated.notes if n not in found.notes]
        notes += [f"noted now: {n}" for n in found.notes if n not in stated.notes]
    return notes
