"""Checks of the clock and the completeness of a log: rate, jitter, lost samples, order of time, length."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from labkit.runs.checks_log import CheckedLog, SkippedCheck, runs_of
from labkit.runs.findings import ANALYSES, Finding

__all__ = [
    "check_backward_time",
    "check_dropped_samples",
    "check_gaps",
    "check_jitter",
    "check_length",
    "check_repeated_time",
    "check_sample_rate",
    "check_unreadable",
]

_SHORT_LOSS = 3  # samples; longer runs of missing samples are gaps
_USABLE_S = 0.5  # a ring-down shorter than this resolves no two modes 2 Hz apart
_SHOWN = 5  # places listed in a finding


def check_sample_rate(log: CheckedLog) -> list[Finding]:
    """True rate against nominal: ε = f_true/f_nominal − 1.

    Note from 0.1 %, warning from 1 % (frequencies good to ±1 % are the aim), fatal from 20 %: no oscillator is off
    by so much, so the time column's unit or the stated rate is wrong. A time-base error ε shifts frequencies by ε
    and displacements from acceleration by −2ε (x = a/ω²). Limits: common practice, no source. `value`: ε.
    """
    nominal = log.expected_rate_hz
    if nominal is None:
        nominal = getattr(log.clock, "stated_rate_hz", None)
    if nominal is None or not math.isfinite(nominal) or nominal <= 0.0:
        raise SkippedCheck("no nominal rate stated")
    if log.clock is not None and not log.clock.has_time_column and log.expected_rate_hz is None:
        raise SkippedCheck("no time column: the stated rate is all there is")
    off = log.rate_hz / nominal - 1.0
    if abs(off) < 1e-3:
        return []
    wild = not 0.8 <= 1.0 + off <= 1.2
    return [
        Finding(
            code="sample-rate",
            severity="fatal" if wild else "warning" if abs(off) >= 0.01 else "note",
            evidence=f"true rate {log.rate_hz:.6g} Hz, nominal {nominal:.6g} Hz: {off:+.2%}",
            consequence="one of the two rates is wrong: frequencies and everything from them would be false"
            if wild
            else f"the true rate is used; with the nominal one frequencies would be off by {-off / (1 + off):+.2%} and "
            f"displacements by {(1 + off) ** 2 - 1:+.2%}",
            advice="check the unit of the time column and the stated rate"
            if wild
            else "keep the time column in the log; never analyse with the nominal rate",
            blocks=ANALYSES if wild else (),
            value=off,
        )
    ]


def check_jitter(log: CheckedLog) -> list[Finding]:
    """Scatter of the time steps: a sine at f sampled with time errors of sd σ carries noise of 2πfσ of its rms.

    Looked at for f = rate/10, the highest mode that a settling test should see. Note from 1 %, warning from 5 %,
    fatal from 20 %. Rounded time stamps (resolution r) scatter without any jitter, by r·√(φ(1−φ)) when the true
    step is a whole number and a fraction φ of r, by r/√6 when it wanders: the larger is taken off first. The step
    sd is an upper bound (independent time errors have sd σ/√2). Limits: common practice, no source.
    `value`: corrected step sd [s].
    """
    sd, resolution = getattr(log.clock, "step_sd_s", math.nan), getattr(log.clock, "resolution_s", math.nan)
    if not math.isfinite(sd):
        raise SkippedCheck("no time column")
    rounding = 0.0
    if math.isfinite(resolution) and resolution > 0:
        fraction = (1 / log.rate_hz / resolution) % 1.0
        rounding = resolution * max(math.sqrt(1 / 6), math.sqrt(fraction * (1 - fraction)))
    jitter = math.sqrt(max(0.0, sd**2 - rounding**2))
    share = 2.0 * math.pi * 0.1 * log.rate_hz * jitter
    if share < 0.01:
        return []
    severity = "fatal" if share >= 0.2 else "warning" if share >= 0.05 else "note"
    return [
        Finding(
            code="jitter",
            severity=severity,
            evidence=f"time steps scatter by {1e3 * jitter:.3g} ms (sd) around {1e3 / log.rate_hz:.4g} ms",
            consequence=f"noise of up to {share:.1%} of the vibration at {log.rate_hz / 10:.3g} Hz, "
            f"{5 * share:.1%} at {log.rate_hz / 2:.3g} Hz, if the time stamps tell when the sensor sampled",
            advice="let the sensor's own clock time the samples (FIFO or data-ready interrupt) instead of the host",
            blocks=("spectra", "modes", "displacement") if severity == "fatal" else (),
            value=jitter,
        )
    ]


def check_dropped_samples(log: CheckedLog) -> list[Finding]:
    """Missing samples in losses of at most 3.

    Warning for any; fatal when no stretch of 0.5 s is complete (common practice, no source). `value`: share.
    """
    starts, lengths = runs_of(log.missing)
    starts, lengths = starts[lengths <= _SHORT_LOSS], lengths[lengths <= _SHORT_LOSS]
    lost = int(lengths.sum())
    lines = _lines([p for p in log.problems("gap") if p.samples <= _SHORT_LOSS])
    return _loss_findings(
        log,
        code="dropped-samples",
        lost=lost,
        evidence=f"{lost} of {log.missing.size} samples ({lost / log.missing.size:.2%}) lost in {lengths.size} short "
        f"losses, the first at {_times(log, starts)}{lines and f' ({lines})'}",
        advice="raise the baud rate, log in binary or lower the rate; number the samples",
    )


def check_gaps(log: CheckedLog) -> list[Finding]:
    """Gaps: more than 3 samples missing in a row.

    Warning for any; fatal when no stretch of 0.5 s is complete (common practice, no source). `value`: share.
    """
    starts, lengths = runs_of(log.missing)
    starts, lengths = starts[lengths > _SHORT_LOSS], lengths[lengths > _SHORT_LOSS]
    lost = int(lengths.sum())
    lines = _lines([p for p in log.problems("gap") if p.samples > _SHORT_LOSS])
    return _loss_findings(
        log,
        code="gaps",
        lost=lost,
        evidence=f"{lengths.size} gap(s), together {lost / log.rate_hz:.3g} s, the longest "
        f"{lengths.max(initial=0) / log.rate_hz:.3g} s, at {_times(log, starts)}{lines and f' ({lines})'}",
        advice="find what stalls the logger (card, network, other programs); repeat the lost moves",
    )


def check_repeated_time(log: CheckedLog) -> list[Finding]:
    """Time stamps that occur more than once (from the reader).

    Warning from 1 % of the rows, else note (common practice, no source). `value`: number of rows.
    """
    return _time_order(
        log,
        "repeated-time",
        "repeated time",
        fatal_from=math.inf,
        consequence="two samples claim one instant: the clock is coarse or rows were written twice",
        advice="log time in microseconds; look at the lines named",
    )


def check_backward_time(log: CheckedLog) -> list[Finding]:
    """Time stamps that run backward (from the reader).

    Warning for any; fatal from 1 % of the rows: the order of the samples is then unknown (common practice, no
    source). `value`: number of rows.
    """
    return _time_order(
        log,
        "backward-time",
        "backward time",
        fatal_from=0.01,
        consequence="samples out of order or a clock that was set: waveform and rate are doubtful from there on",
        advice="cut the log at the lines named, or number the samples when logging",
    )


def check_unreadable(log: CheckedLog) -> list[Finding]:
    """Cells that are no numbers and rows with a wrong number of columns (from the reader).

    Warning for any (common practice, no source). `value`: number of places.
    """
    if "problems" not in log.recording.meta:
        raise SkippedCheck("the log was not read from a text file")
    bad = log.problems("not a number", "text", "columns")
    if not bad:
        return []
    return [
        Finding(
            code="unreadable",
            severity="warning",
            evidence=f"{len(bad)} place(s) hold no number: {_lines(bad)}",
            consequence="these samples count as missing; a move that touches one is left out",
            advice="look at the lines named; keep messages out of the data stream",
            value=float(len(bad)),
        )
    ]


def check_length(log: CheckedLog) -> list[Finding]:
    """Length of the longest analysed stretch T against what is asked of it.

    Fatal for spectra when T·resolution < 1 (a Fourier line is 1/T wide); fatal for all below 3 periods of the
    lowest frequency or 64 samples, warning below 10 periods (common practice, no source). `value`: T [s].
    """
    length_s = log.longest_complete_s
    n, low, resolution = round(length_s * log.rate_hz) + 1, log.lowest_frequency_hz, log.resolution_hz
    have = f"longest complete stretch {length_s:.3g} s"
    if n < 64:
        few = f"{have}, {n} samples"
        return [_too_short("fatal", few, "nothing can be told from fewer than 64", ANALYSES, length_s)]
    if low is None and resolution is None:
        raise SkippedCheck("neither resolution_hz nor lowest_frequency_hz stated")
    if low is not None and length_s * low < 10.0:
        few = length_s * low < 3.0
        return [
            _too_short(
                "fatal" if few else "warning",
                f"{have}: {length_s * low:.2g} periods of {low:.3g} Hz",
                "too few periods for " + ("any result" if few else "a damping to trust"),
                ANALYSES if few else (),
                length_s,
            )
        ]
    if resolution is not None and length_s * resolution < 1.0:
        return [
            _too_short(
                "fatal",
                f"{have}: Fourier lines {1 / length_s:.3g} Hz apart, {resolution:.3g} Hz needed",
                "peaks closer than that merge",
                ("spectra",),
                length_s,
            )
        ]
    return []


# ------------------------------------------------------------------------------------------------- helpers
def _too_short(severity: str, evidence: str, consequence: str, blocks: Sequence[str], length_s: float) -> Finding:
    return Finding(
        code="too-short",
        severity=severity,
        evidence=evidence,
        consequence=consequence,
        advice="record longer: five time constants of the slowest mode",
        blocks=tuple(blocks),
        value=length_s,
    )


def _loss_findings(log: CheckedLog, *, code: str, lost: int, evidence: str, advice: str) -> list[Finding]:
    if not lost:
        return []
    left_s = log.longest_complete_s
    useless = left_s < min(_USABLE_S, 0.5 * log.recording.duration_s)
    return [
        Finding(
            code=code,
            severity="fatal" if useless else "warning",
            evidence=evidence,
            consequence=f"the longest complete stretch is {left_s:.2g} s: no move is left to analyse"
            if useless
            else "moves that touch a missing sample are left out",
            advice=advice,
            blocks=ANALYSES if useless else (),
            value=lost / log.missing.size,
        )
    ]


def _time_order(
    log: CheckedLog,
    code: str,
    kind: str,
    *,
    fatal_from: float,
    consequence: str,
    advice: str,
) -> list[Finding]:
    if log.clock is None or not log.clock.has_time_column:
        raise SkippedCheck("no time column")
    found = log.problems(kind)
    if not found:
        return []
    rows = sum(max(1, p.samples) for p in found)
    share = rows / log.recording.n_samples
    fatal = share >= fatal_from
    mild = code == "repeated-time" and share < 0.01
    return [
        Finding(
            code=code,
            severity="fatal" if fatal else "note" if mild else "warning",
            evidence=f"{kind} in {rows} row(s) ({share:.2%}): {_lines(found)}",
            consequence=consequence,
            advice=advice,
            blocks=ANALYSES if fatal else (),
            value=float(rows),
        )
    ]


def _lines(problems: Sequence) -> str:
    """Lines of the first few problems, in words."""
    if not problems:
        return ""
    shown = ", ".join(f"line {p.line}{f' {p.found}' if p.found else ''}" for p in problems[:_SHOWN])
    rest = len(problems) - _SHOWN
    return f"{shown}{f' and {rest} more' if rest > 0 else ''}"


def _times(log: CheckedLog, starts: np.ndarray) -> str:
    shown = ", ".join(f"{log.recording.start_s + start / log.rate_hz:.4g}" for start in starts[:_SHOWN])
    rest = len(starts) - _SHOWN
    return f"{shown} s{f' and {rest} more' if rest > 0 else ''}"
