"""Static push test: stiffness, loop width, gap and bow from loads and readings going up and down.

The reading is a straight line of the load on each branch, rising and falling, with a common slope: the compliance.
The unit of the statistics is the repeat (one rise and fall): readings of one repeat share friction, seat and rounding.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from labkit.analyse._push_lines import Parts, PushLines, fit_lines
from labkit.analyse._push_repeats import LEAST_LOADS, cut_repeats
from labkit.base import Estimate, Interval, check_array, check_number

__all__ = ["PushTest", "push_test"]

_ADVISED_LOADS = 5
_ADVISED_REPEATS = 4


@dataclass(frozen=True, kw_only=True)
class PushTest:
    """What a static push tells.

    Parameters
    ----------
    stiffness_n_per_m : Estimate
        Stiffness [N/m], the inverse of the compliance; upper end inf when the compliance may be zero.
    compliance_m_per_n : Estimate
        Compliance [m/N] over the loads used, stand taken off.
    stand_compliance_m_per_n : Estimate or None
        What was taken off [m/N].
    hysteresis_m : Estimate
        Mean distance of the falling from the rising branch at the same load [m]; no value with one branch.
    hysteresis_share : float
        The same as a share of the travel between the lowest and the highest load used; nan with one branch.
    backlash_m : Estimate
        Gap at low load [m]: how far the first reading below the preload lies below the rising line; it holds gaps and
        soft seats alike. Where friction is seen, half the loop width enters its error as a rectangle: whether the
        loop is open at low load is not known. No value without a reading below the preload.
    zero_shift_m : Estimate
        Last minus first reading of a repeat where the load came back [m]: friction, slip, creep or a drifting
        gauge.
    compliance_change : Estimate
        Change of compliance from the lowest to the highest load used, as a share of the mean: −0.1 is 10 % stiffer
        at the top.
    nonlinear : bool
        True when the interval of `compliance_change` excludes zero.
    lowest_load_n, highest_load_n : float
        Loads between which the results hold [N].
    repeat_compliances_m_per_n : ndarray, shape (n_repeats,)
        Compliance of each repeat [m/N], stand not taken off.
    residual_sd_m : float
        Scatter of the used readings about their lines [m].
    used : ndarray of bool, shape (n,)
        Readings that entered the slope.
    fitted_m : ndarray, shape (n,)
        The line at each used reading [m], nan elsewhere.
    notes : tuple of str
        What was left out and what weakens the result, in words.
    """

    stiffness_n_per_m: Estimate
    compliance_m_per_n: Estimate
    stand_compliance_m_per_n: Estimate | None
    hysteresis_m: Estimate
    hysteresis_share: float
    backlash_m: Estimate
    zero_shift_m: Estimate
    compliance_change: Estimate
    nonlinear: bool
    lowest_load_n: float
    highest_load_n: float
    repeat_compliances_m_per_n: np.ndarray
    residual_sd_m: float
    used: np.ndarray
    fitted_m: np.ndarray
    notes: tuple[str, ...]

    @property
    def n_repeats(self) -> int:
        """Repeats that entered the slope."""
        return self.repeat_compliances_m_per_n.size


def push_test(
    force_n: Sequence[float],
    displacement_m: Sequence[float],
    *,
    preload_n: float,
    force_sd_n: float,
    reading_sd_m: float,
    reading_step_m: float,
    stand_compliance_m_per_n: Estimate | None = None,
    scale_error: float = 0.0,
    repeat: Sequence | None = None,
    level: float = 0.95,
) -> PushTest:
    """Stiffness with its interval from a static push, in the order in which it was read.

    Parameters
    ----------
    force_n : array_like, shape (n,)
        Loads going up and down [N], none negative beyond its noise; at least three on a branch above the
        preload, better five.
    displacement_m : array_like, shape (n,)
        Readings [m], growing with the load. A gauge may be set to zero between repeats, not inside one.
    preload_n : float
        Load that closes all gaps [N]; readings below it tell the gap and do not enter the slope. 0 uses them all.
    force_sd_n : float
        Random standard uncertainty of one load [N]; 0 for weights. It flattens a least-squares line, which is
        corrected.
    reading_sd_m : float
        Random standard uncertainty of one reading [m], apart from the rounding to its step.
    reading_step_m : float
        Step of the display or the dial [m], e.g. 10e-6; 0 when it is far below the scatter.
    stand_compliance_m_per_n : Estimate, optional
        Compliance of all that gives way between load and gauge besides the specimen [m/N], from a push on a block.
    scale_error : float
        Relative standard uncertainty of the two scales together (weights, load cell, gauge), the same in all
        readings.
    repeat : array_like, shape (n,), optional
        Label of the repeat of each reading; without it a repeat ends where the load turns from falling to rising.
    level : float
        Coverage of the intervals.

    Returns
    -------
    PushTest
        With several repeats the intervals come from the scatter between them (Student's t), with one from its
        residuals. Added in squares (GUM 5.1.2), half widths too: rounding that all repeats share, half the
        difference between the branches' slopes as a rectangle where it shows, scales, stand.

    Notes
    -----
    Slope with a known error variance of the load: Sxy/(Sxx − ν·s_F²), sums taken about the means of the branches,
    W. A. Fuller, Measurement Error Models, 1987, ch. 1 (from memory). Near a turn friction still holds the part: loads
    within loop width/compliance of the turn are left out. Rounding that survives noise of standard deviation s:
    step/√12·exp(−2π²s²/step²), the first term of quantisation theory (B. Widrow and I. Kollár, Quantization Noise,
    2008; from memory).

    Examples
    --------
    A spring of 50 kN/m with a gap of 30 µm, a dial of 1 µm:

    >>> load = np.array([0, 10, 20, 30, 40, 50, 40, 30, 20, 10, 0.0])
    >>> reading = np.round(load / 0.05 + 30 * (load > 0)) * 1e-6
    >>> test = push_test(load, reading, preload_n=10.0, force_sd_n=0.0, reading_sd_m=0.2e-6, reading_step_m=1e-6)
    >>> round(test.stiffness_n_per_m.value), round(1e6 * test.backlash_m.value), test.nonlinear
    (50000, 30, False)
    >>> test.notes[0]
    '2 of 11 readings lie below the preload of 10 N: left out of the slope'
    """
    errors = force_sd_n, reading_sd_m, reading_step_m
    for name, value in zip(("force_sd_n", "reading_sd_m", "reading_step_m"), errors):
        check_number(name, value, at_least=0.0)
    force, reading = _checked_table(force_n, displacement_m, preload_n, force_sd_n)
    check_number("scale_error", scale_error, at_least=0.0, cure="a relative one: 0.01 for one per cent")
    check_number("level", level, above=0.0, below=1.0)
    lines = fit_lines(cut_repeats(force, reading, repeat), preload_n=preload_n, errors=errors, level=level)
    own = _checked_slope(lines)
    branches = lines.estimate(lines.branches)
    compliance = _compliance(own, branches, scale_error, stand_compliance_m_per_n, level)
    hysteresis = lines.estimate(lines.loop, levels=True)
    bow = lines.estimate(lambda one: lines.bow(one) * 4.0 / (own.value * lines.half), column="bow", by_scatter=False)
    used, fitted = _table(lines, force.size)
    return PushTest(
        stiffness_n_per_m=_inverse(compliance),
        compliance_m_per_n=compliance,
        stand_compliance_m_per_n=stand_compliance_m_per_n,
        hysteresis_m=hysteresis,
        hysteresis_share=hysteresis.value / (2 * lines.half * own.value),
        backlash_m=_backlash(lines, hysteresis, preload_n),
        zero_shift_m=lines.estimate(lines.zero_shift, levels=True),
        compliance_change=bow,
        nonlinear=_shows(bow),
        lowest_load_n=lines.centre - lines.half,
        highest_load_n=lines.centre + lines.half,
        repeat_compliances_m_per_n=lines.slopes(),
        residual_sd_m=lines.residual_sd(),
        used=used,
        fitted_m=fitted,
        notes=(
            *_left_out(lines, force, used, preload_n),
            *_notes_on_errors(lines, own, scale_error),
            *_notes_on_shape(lines, branches, bow),
        ),
    )


def _checked_table(force_n: Sequence[float], displacement_m: Sequence[float], preload_n: float, force_sd_n: float):
    """Loads and readings as arrays of one length, or the fault in words."""
    force = check_array("force_n", force_n, ndim=1, min_length=LEAST_LOADS)
    reading = check_array("displacement_m", displacement_m, ndim=1, min_length=LEAST_LOADS)
    if force.shape != reading.shape:
        raise ValueError(f"force_n has {force.size} values, displacement_m {reading.size}; they must pair")
    check_number("preload_n", preload_n, at_least=0.0)
    if force.min() < -4 * force_sd_n:
        raise ValueError(
            f"force_n goes down to {force.min():g} N; loads must not be negative: give pushes as positive numbers and "
            "test push and pull each on its own"
        )
    if not preload_n < force.max():
        raise ValueError(f"preload_n is {preload_n:g} N, the highest load {force.max():g} N; push beyond the preload")
    return force, reading


def _backlash(lines: PushLines, hysteresis: Estimate, preload_n: float) -> Estimate:
    """Gap below the rising line; where the loop is wide, whether it is open at low load is not known."""
    loop = abs(hysteresis.value) / math.sqrt(12) if _shows(hysteresis) else 0.0
    return lines.estimate(lambda one: lines.gap(one, preload_n=preload_n), levels=True, other=loop)


def _checked_slope(lines: PushLines) -> Parts:
    """The mean slope with its errors, if it is one."""
    own = lines.parts(lines.slope)
    if own.value <= 0:
        if _shows(own.estimate(lines.level)):
            raise ValueError(
                f"displacement_m falls by {-own.value:.3g} m for each newton; it must grow with the load: turn the "
                "sign of the gauge"
            )
        raise ValueError(
            f"displacement_m shows no travel above its scatter ({lines.residual_sd():.2g} m) over "
            f"{2 * lines.half:g} N; push harder or take a finer gauge"
        )
    return own


def _compliance(own: Parts, branches: Estimate, scale_error: float, stand: Estimate | None, level: float) -> Estimate:
    """The compliance with the errors that the repeats share, the stand taken off."""
    between = abs(branches.value) / math.sqrt(12) if _shows(branches) else 0.0
    measured = own.estimate(level, between, own.value * scale_error)
    if stand is None:
        return measured
    check_number("stand_compliance_m_per_n", stand.value, at_least=0.0)
    if not stand.value < own.value:
        raise ValueError(
            f"stand_compliance_m_per_n is {stand.value:.4g} m/N, the push as a whole gave {own.value:.4g} m/N; the "
            "stand is a part of the whole and must give less: check its units, push it again with the same seats"
        )
    value = own.value - stand.value
    if not (measured.interval.known and stand.interval.known):
        return Estimate.unknown(value, level=level)
    stretch = special.ndtri(0.5 + level / 2) / special.ndtri(0.5 + stand.interval.level / 2)
    half = math.hypot(measured.interval.half_width, float(stretch) * stand.interval.half_width)
    return Estimate(
        value=value,
        standard_error=math.hypot(measured.standard_error, stand.standard_error),
        interval=Interval(low=value - half, high=value + half, level=level),
    )


def _inverse(compliance: Estimate) -> Estimate:
    """Stiffness from compliance: the ends of the interval turned over."""
    value, interval = 1 / compliance.value, compliance.interval
    if not interval.known:
        return Estimate.unknown(value, level=interval.level)
    low, high = (1 / end if end > 0 else math.inf for end in (interval.high, interval.low))
    return Estimate(
        value=value,
        standard_error=compliance.standard_error * value**2,
        interval=Interval(low=low, high=high, level=interval.level),
    )


def _shows(estimate: Estimate) -> bool:
    """True when zero lies outside the interval."""
    return estimate.interval.known and not estimate.interval.contains(0.0)


def _table(lines: PushLines, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Used readings and their lines, in the order of the table."""
    used, fitted = np.zeros(size, bool), np.full(size, math.nan)
    for one in lines.repeats:
        rows = one.rows[one.used]
        used[rows] = True
        fitted[rows] = one.reading[one.used] - lines.residuals(one)
    return used, fitted


# --------------------------------------------------------------------------------------------------------- words
def _left_out(lines: PushLines, force: np.ndarray, used: np.ndarray, preload_n: float) -> list[str]:
    notes = []
    below = force < preload_n * (1 - 1e-9)
    if below.any():
        notes.append(
            f"{below.sum()} of {force.size} readings lie below the preload of {preload_n:g} N: left out of the slope"
        )
    else:
        notes.append(f"no reading lies below the preload of {preload_n:g} N: a gap cannot be seen")
    turned = int((~used & ~below).sum())
    if turned and lines.turn_n:
        notes.append(
            f"{turned} readings within {lines.turn_n:.2g} N of a turn, where friction still holds, or on a branch left "
            "too short, are left out"
        )
    elif turned:
        notes.append(f"{turned} readings on a branch with fewer than {LEAST_LOADS} loads are left out")
    if not any(one.both_ways for one in lines.repeats):
        notes.append("one direction only: no hysteresis seen, and friction biases the slope; push up and down")
    return notes


def _notes_on_errors(lines: PushLines, own: Parts, scale_error: float) -> list[str]:
    notes, n = [], len(lines.repeats)
    if n == 1:
        notes.append("one repeat: the interval holds for this seating only; make at least four")
    elif n < _ADVISED_REPEATS:
        notes.append(f"{n} repeats: the interval is wide because their scatter is badly known; make at least four")
    fewest = min(
        np.unique(one.force[one.used & (one.falling == side)]).size or math.inf
        for one in lines.repeats
        for side in (False, True)
    )
    if fewest < _ADVISED_LOADS:
        notes.append(f"only {fewest} loads on a branch: bow and outliers hardly show; make at least {_ADVISED_LOADS}")
    stated, seen = lines.stated_sd(own.value), lines.residual_sd()
    travel = 2 * lines.half * own.value
    if travel < 10 * max(seen, stated):
        notes.append(
            f"small range: the travel of {1e6 * travel:.3g} µm is only {travel / max(seen, stated):.1f} times the "
            "error of a reading; push harder or take a finer gauge"
        )
    if seen > 2 * stated:
        notes.append(
            f"readings scatter about the line by {1e6 * seen:.2g} µm, {1e6 * stated:.2g} µm were stated: slip, a bow, "
            "or errors stated too small"
        )
    if scale_error == 0.0:
        notes.append("scale errors of load and gauge are taken as none: state scale_error to have them in the interval")
    return notes


def _notes_on_shape(lines: PushLines, branches: Estimate, bow: Estimate) -> list[str]:
    notes = []
    if _shows(branches):
        notes.append("rising and falling branch have different slopes: half their difference is in the interval")
    if _shows(bow):
        how = "less: gaps or seats may still be closing, state a higher preload" if bow.value < 0 else "more"
        notes.append(
            f"not a straight line: at {lines.centre + lines.half:g} N a newton moves it {abs(100 * bow.value):.2g} % "
            f"{how}"
        )
    loop, shift = lines.estimate(lines.loop, levels=True), lines.estimate(lines.zero_shift, levels=True)
    if _shows(loop) and loop.value < 0:
        notes.append("the falling branch lies below the rising one: the gauge or the temperature drifted")
    if _shows(shift):
        notes.append(
            f"the reading came back {1e6 * shift.value:+.2g} µm off at low load: friction, slip, creep or drift"
        )
    return notes
