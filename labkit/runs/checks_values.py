"""Checks of the sample values: clipping, dead and stuck channels, quantisation, drift."""

from __future__ import annotations

import math

import numpy as np

from labkit.base import STANDARD_GRAVITY_M_S2 as G
from labkit.runs.checks_log import CheckedLog, SegmentSpectra, SkippedCheck, runs_of
from labkit.runs.findings import ANALYSES, Finding

__all__ = ["check_clipping", "check_dead", "check_drift", "check_held", "check_quantisation", "check_stuck"]

_FLAT_TOP = 3  # samples; three equal samples at the top fit no smooth peak
_RECURS_S = 0.2  # flat tops this close belong to one vibration (5 Hz and up)
_LONGEST_TOP_S = 0.1  # longer runs are no vibration: a stuck channel
_AT_RANGE, _BEYOND_RANGE = 0.99, 1.05  # of the stated range


def check_clipping(log: CheckedLog) -> list[Finding]:
    """Flat tops at an extreme, or samples at the end of the stated range.

    A flat top is a run of k ≥ 3 equal samples at the channel's extreme whose neighbour lies further down than a
    smooth (parabolic) peak of k samples within one step q allows, q·((k+1)/(k−1))² + q. With `range_m_s2` samples
    beyond 99 % of it count too. Fatal when it happens in the analysed windows or, without windows, at least three
    times within 0.4 s (a clipped vibration); else warning. Below: a note from 80 % of the range, a warning when the
    peak exceeds the range by 5 % (one of the two is wrong). Derived; limits: common practice, no source. `value`:
    number of samples at the extremes; share of the range where none is.
    """
    return [finding for name, row in log.live_rows() for finding in _clipping(log, name, row)]


def _clipping(log: CheckedLog, name: str, row: np.ndarray) -> list[Finding]:
    limit = log.range_m_s2 if log.unit == "m/s^2" else None
    peak = float(np.abs(log.finite[name]).max())
    clipped = _flat_tops(row, log.step[name], log.hold[name], longest=_LONGEST_TOP_S * log.rate_hz)
    if limit is not None and _AT_RANGE * limit <= peak <= _BEYOND_RANGE * limit:
        clipped |= np.abs(row) >= _AT_RANGE * limit
    if not clipped.any():
        return _headroom(log, name, peak, limit)
    tops = runs_of(clipped)[0]
    if log.in_windows is not None:
        ring_down = bool((clipped & log.in_windows).any())
    else:
        ring_down = bool((tops[2:] - tops[:-2] < 2.0 * _RECURS_S * log.rate_hz).any())
    return [
        Finding(
            code="clipping",
            severity="fatal" if ring_down else "warning",
            channel=name,
            evidence=f"{clipped.sum()} samples at the extremes in {tops.size} flat top(s); peak {peak:.4g} {log.unit}"
            + (f", range {limit:.4g} {log.unit}" if limit is not None else ""),
            consequence="the vibration is cut off: amplitude, damping and settling time would be false"
            if ring_down
            else "peaks are cut off; harmless only if no ring-down is touched",
            advice="choose a larger range of the sensor (five times the expected peak) or move more gently",
            blocks=("modes", "displacement", "settling") if ring_down else (),
            value=float(clipped.sum()),
        )
    ]


def _flat_tops(row: np.ndarray, step: float, hold: float, *, longest: float) -> np.ndarray:
    """True for the samples at those extremes that have a flat top, shape (n_samples,)."""
    clipped = np.zeros(row.size, dtype=bool)
    slack = max(0.25 * step, 1e-9 * float(np.nanmax(np.abs(row))))
    for y in (row, -row):
        top = float(np.nanmax(y))
        at_top = y >= top - slack
        begin, length = runs_of(at_top)
        flat = (length >= _FLAT_TOP * hold) & (length <= longest)
        begin, length = begin[flat], length[flat]
        before = np.where(begin > 0, y[np.maximum(begin - 1, 0)], np.nan)
        after = np.where(begin + length < y.size, y[np.minimum(begin + length, y.size - 1)], np.nan)
        values = length / hold
        smooth = step * (1.0 + ((values + 1.0) / (values - 1.0)) ** 2)
        if (top - np.fmin(before, after) > smooth + slack).any():
            clipped |= at_top
    return clipped


def _headroom(log: CheckedLog, name: str, peak: float, limit: float | None) -> list[Finding]:
    if limit is None or peak < 0.8 * limit:
        return []
    beyond = peak > _BEYOND_RANGE * limit
    return [
        Finding(
            code="clipping",
            severity="warning" if beyond else "note",
            channel=name,
            evidence=f"peak {peak:.4g} {log.unit} is {peak / limit:.0%} of the stated range {limit:.4g} {log.unit}",
            consequence="the stated range or the unit of the log is wrong"
            if beyond
            else "little room: a harder move would clip",
            advice="check range and unit" if beyond else "choose the next larger range",
            value=peak / limit,
        )
    ]


def check_dead(log: CheckedLog) -> list[Finding]:
    """A channel whose every sample is the same, or that has none: fatal for all (by definition).

    `value`: the constant [unit].
    """
    if log.unit == "1":
        raise SkippedCheck("a trigger is not a measured quantity")
    return [
        Finding(
            code="dead-channel",
            severity="fatal",
            channel=name,
            evidence=f"all {x.size} samples are {x[0]:.6g} {log.unit}" if x.size else "no sample could be read",
            consequence="the channel measured nothing",
            advice="check cable, solder joints and register settings",
            blocks=ANALYSES,
            value=float(x[0]) if x.size else math.nan,
        )
        for name, x in log.finite.items()
        if name not in log.live
    ]


def check_stuck(log: CheckedLog) -> list[Finding]:
    """A run of equal samples longer than chance and quantisation explain.

    The share p of equal neighbours is taken in 64 blocks outside the longest run; its upper quartile says how still
    this sensor can be. A run is stuck when the expected number of runs so long, n·p^L, is below 10⁻⁴, and L ≥ 8;
    flat tops shorter than 0.1 s are left to the check of clipping.
    Fatal where windows are touched or none are stated, because a stuck channel looks settled; else, and for a stretch
    at the very start (a sensor that wakes up), warning. Derived for independent samples; the limits are common
    practice, no source. `value`: longest stuck time [s].
    """
    return [finding for name, row in log.live_rows() for finding in _stuck(log, name, row)]


def _stuck(log: CheckedLog, name: str, row: np.ndarray) -> list[Finding]:
    starts, lengths = _stuck_runs(row, longest_top=_LONGEST_TOP_S * log.rate_hz)
    if not lengths.size:
        return []
    share, longest = float(lengths.sum() / row.size), int(np.argmax(lengths))
    windows = np.ones(row.size, dtype=bool) if log.in_windows is None else log.in_windows
    harmful = any(windows[a : a + n].any() for a, n in zip(starts, lengths) if a > 0)
    blocks = ("modes", "displacement", "settling", *(("spectra",) if share > 0.1 else ()))
    return [
        Finding(
            code="stuck",
            severity="fatal" if harmful else "warning",
            channel=name,
            evidence=f"{lengths.size} stretch(es) of one repeated value, {share:.1%} of the log; the longest is "
            f"{lengths[longest]} samples ({lengths[longest] / log.rate_hz:.3g} s) at "
            f"{log.recording.start_s + starts[longest] / log.rate_hz:.4g} s",
            consequence="a stuck channel looks like a machine at rest: settling would come out too early",
            advice="look for a loose cable, a hung bus or a logger that repeats old samples",
            blocks=blocks if harmful else (),
            value=float(lengths[longest] / log.rate_hz),
        )
    ]


def _stuck_runs(row: np.ndarray, *, longest_top: float) -> tuple[np.ndarray, np.ndarray]:
    """Starts and lengths [samples] of the stuck runs."""
    equal = np.diff(row) == 0.0
    starts, lengths = runs_of(equal)
    top = (row[starts] == np.nanmax(row)) | (row[starts] == np.nanmin(row))
    keep = ~(top & (lengths < longest_top))
    starts, lengths = starts[keep], lengths[keep]
    if not lengths.size or lengths.max() == equal.size:
        return starts[:0], lengths[:0]
    longest = int(np.argmax(lengths))
    outside = np.delete(equal, slice(starts[longest], starts[longest] + lengths[longest]))
    shares = [block.mean() for block in np.array_split(outside, min(64, 1 + outside.size // 100))]
    p = min(max(float(np.quantile(shares, 0.75)), 0.01), 1.0 - 1.0 / equal.size)
    stuck = lengths >= max(7.0, math.log(1e4 * row.size) / -math.log(p))
    return starts[stuck], lengths[stuck] + 1


def check_held(log: CheckedLog) -> list[Finding]:
    """Values that repeat while the signal moves: the sensor is slower than the logger.

    Warning when a tenth of the samples beside a large step (10 LSB) repeat their neighbour. Common practice, no
    source. `value`: samples a value.
    """
    return [
        Finding(
            code="held-samples",
            severity="warning",
            channel=name,
            evidence=f"each value that is repeated comes {hold:.2g} times while the signal moves",
            consequence=f"the sensor gives new values at about {log.rate_hz / hold:.3g} Hz, not {log.rate_hz:.4g} Hz: "
            "the staircase delays the motion and adds false high frequencies",
            advice="read the sensor on its data-ready signal, or log at its own output rate",
            value=hold,
        )
        for name, _ in log.live_rows()
        if (hold := log.hold[name]) > 1.0
    ]


def check_quantisation(log: CheckedLog) -> list[Finding]:
    """Smallest step q of the lattice of values against the vibration.

    Fatal when the rms above 2 Hz of the whole log is below 0.3 q: rounding is then no noise of q/√12 any more but
    distortion (Widrow's condition is about σ ≥ q/2; from memory). Warning when that holds in the quiet parts only:
    the tail of a ring-down is invisible below one step. `value`: rms/q of the whole log, or of the quiet parts.
    """
    return [finding for name, spectra in log.spectra.items() for finding in _quantisation(log, name, spectra)]


def _quantisation(log: CheckedLog, name: str, spectra: SegmentSpectra) -> list[Finding]:
    step = log.step[name]
    rms = math.sqrt(float(spectra.power.mean()))
    quiet = math.sqrt(float(np.quantile(spectra.power, 0.1)))
    if quiet >= 0.3 * step:
        return []
    fatal = rms < 0.3 * step
    what = f"vibration {rms:.3g} {log.unit} rms" if fatal else f"quiet parts {quiet:.3g} {log.unit} rms"
    return [
        Finding(
            code="quantisation",
            severity="fatal" if fatal else "warning",
            channel=name,
            evidence=f"smallest step {step:.4g} {log.unit}, {what}",
            consequence="the signal hides inside one step: spectra and decays would show rounding"
            if fatal
            else "the tail of a ring-down disappears below one step; only the model can say when it is over",
            advice="choose a smaller range or more bits; log all digits",
            blocks=ANALYSES if fatal else (),
            value=(rms if fatal else quiet) / step,
        )
    ]


def check_drift(log: CheckedLog) -> list[Finding]:
    """Slow wandering: range of the medians of about 20 blocks, against their own scatter.

    Looked at when the range exceeds 8 times the scatter from block to block (MAD of the second differences/√6).
    Accelerations: note from 0.02 m/s² (0.12° of tilt, or a few kelvin for a MEMS sensor), warning from 0.1 m/s²
    (0.6°). Displacements [m]: note, warning above the tolerance. Others: note. Common practice, no source.
    `value`: range of the medians [unit].
    """
    return [finding for name, row in log.live_rows() for finding in _drift(log, name, row)]


def _drift(log: CheckedLog, name: str, row: np.ndarray) -> list[Finding]:
    blocks = [block[np.isfinite(block)] for block in np.array_split(row, min(20, 1 + row.size // 50))]
    medians = np.array([np.median(block) for block in blocks if block.size > 20])
    if medians.size < 6:
        return []
    scatter = 1.4826 * float(np.median(np.abs(np.diff(medians, n=2)))) / math.sqrt(6.0)
    wander = float(np.ptp(medians))
    least = 0.02 if log.unit == "m/s^2" else 0.0
    if wander <= max(8.0 * scatter, least, 2.0 * log.step[name]):
        return []
    grave = {"m/s^2": 0.1, "m": log.tolerance_m or math.inf}.get(log.unit, math.inf)
    as_tilt = log.unit == "m/s^2" and wander < G
    tilt = f", as a tilt of {math.degrees(math.asin(wander / G)):.2g}°" if as_tilt else ""
    return [
        Finding(
            code="drift",
            severity="warning" if wander >= grave else "note",
            channel=name,
            evidence=f"the mean level wanders by {wander:.3g} {log.unit}{tilt}; {scatter:.2g} would be scatter",
            consequence="double integration would turn it into false motion; the settled position moves",
            advice="let the sensor warm up, fix it and its cable, keep draughts away",
            value=wander,
        )
    ]
