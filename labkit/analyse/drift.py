"""Warm-up drift: the law of a slow motion of the picture that the record can tell.

`slow` takes the vibration out first. How long to wait, and what a thermometer says to it, is in `warm_up`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from labkit.analyse._drift_fit import (
    LAWS,
    Scaled,
    draw_parameters,
    law_position,
    law_rate,
    quantile_estimate,
)
from labkit.analyse.slow import SlowPositions, thinned
from labkit.base import Estimate, check_number

__all__ = ["Drift", "duration_text", "fit_drift"]

_FEWEST = {"constant": 8, "linear": 8, "one time constant": 10, "two time constants": 20}
_CLEAR_GAIN = 2.0  # a richer law must lower the information criterion by this much
_TOLD_RECORDS = 5.0  # time constants longer than this many records are not told from a straight line
_FEW = 8.0  # independent positions below which slow wander may pass for drift
_JUMP = 8.0  # robust standard deviations of the steps between neighbours


@dataclass(frozen=True, kw_only=True, eq=False)
class Drift:
    """Slow drift of a position and the law that the record can tell.

    Parameters
    ----------
    law : {"constant", "linear", "one time constant", "two time constants"}
        The simplest law that describes the record.
    time_constants_s : tuple of Estimate
        τ [s], growing; the end of an interval is inf where the record cannot bound it.
    amplitudes_m : tuple of Estimate
        A of each: the part of the first position, less the final one, that dies away with it [m].
    final_m : Estimate
        Position when all has died away [m]; unknown without a time constant, and beyond the record by its nature.
    change_m : Estimate
        Drift from the first to the last position [m]. Where the law is constant, that of a straight line: its interval
        says how much would have stayed unseen.
    end_rate_m_s : Estimate
        Drift rate that is left at the end of the record [m/s], likewise.
    first_s, last_s : float
        The record [s]; nothing is said outside it.
    time_s, position_m, fitted_m : ndarray, shape (n,)
        The positions fitted [s], [m], and the law there [m].
    noise_m, wander_m, wander_time_s : float
        Scatter of single positions, standard deviation of slow wander beside the law [m], and its correlation time [s].
    effective_n : float
        How many independent positions the record is worth.
    criteria : dict of str to float
        Bayesian information criterion of each law, relative to the best.
    parameters : ndarray, shape (n_parameters,)
        Of the law: position and rate, or final position, amplitudes and time constants [m], [m/s], [s]; where the law
        is constant, those of a straight line.
    draws : ndarray, shape (n_draws, n_parameters)
        Parameters as they may be, equally likely.
    level : float
        Coverage of the intervals.
    notes : tuple of str
        What weakens the result.
    sentences : tuple of str
        What it means.
    """

    law: str
    time_constants_s: tuple[Estimate, ...]
    amplitudes_m: tuple[Estimate, ...]
    final_m: Estimate
    change_m: Estimate
    end_rate_m_s: Estimate
    first_s: float
    last_s: float
    time_s: np.ndarray
    position_m: np.ndarray
    fitted_m: np.ndarray
    noise_m: float
    wander_m: float
    wander_time_s: float
    effective_n: float
    criteria: dict[str, float]
    parameters: np.ndarray
    draws: np.ndarray
    level: float
    notes: tuple[str, ...]
    sentences: tuple[str, ...]

    def displacement_m(self, time_s: Sequence[float], *, beyond_record: bool = False) -> np.ndarray:
        """Position by the law at some times [m]; beyond the record only when asked for, and then a guess."""
        time = np.atleast_1d(np.asarray(time_s, dtype=float))
        outside = time[(time < self.first_s) | (time > self.last_s)]
        if outside.size and not beyond_record:
            raise ValueError(
                f"time_s holds {outside[0]:g} s, the record reaches from {self.first_s:g} s to {self.last_s:g} s; "
                "record longer, or say beyond_record=True and take it as a guess"
            )
        if self.law == "constant":
            return np.full(time.size, self.fitted_m[0])
        return law_position(self.parameters[None], time - self.first_s)[0]


def fit_drift(slow: SlowPositions, *, level: float = 0.95) -> Drift:
    """Law of a slow drift: none, a straight line, or one or two time constants.

    Parameters
    ----------
    slow : SlowPositions
        Positions; more than 200 are averaged to as many.
    level : float
        Coverage of the intervals.

    Notes
    -----
    y(t) = y∞ + Σ Aᵢ·exp(−(t − t₁)/τᵢ), the warm-up of one or two lumped heat capacities (t₁: first position). The
    simplest law is kept unless another lowers the Bayesian information criterion by 2. Noise: white plus a first-order
    wander of unknown strength and memory, from white over autoregressive to a random walk; all are kept with their
    weights, and time constants from 2 steps to 10 records, uniform in their logarithm. Intervals are quantiles of that.
    In trials (40 to 200 positions, four time constants) those of 95 % covered 96 to 99 % of the true values in white
    noise and 91 to 100 % in autoregressive noise with neighbours correlated by up to 0.9. Wander as slow as the drift
    itself passes for it in part: with a memory of a third of the record, under white noise of its size, they covered 84
    to 94 %. An `effective_n` below 8 warns of it where it shows; a record on another day is the true test.

    Examples
    --------
    >>> t = np.arange(0.0, 7200.0, 60.0)
    >>> noise = 0.2e-6 * np.random.default_rng(1).standard_normal(t.size)
    >>> drift = fit_drift(SlowPositions(time_s=t, position_m=12e-6 * (1 - np.exp(-t / 1500)) + noise))
    >>> drift.law, round(drift.time_constants_s[0].value, -2), round(1e6 * drift.amplitudes_m[0].value)
    ('one time constant', 1500.0, -12)
    """
    check_number("level", level, above=0.0, below=1.0)
    time, position = thinned(slow)
    scaled = Scaled(time, position)
    fits = {law: scaled.fit(law) for law in LAWS if time.size >= _FEWEST[law]}
    criteria = {law: fit.criterion for law, fit in fits.items()}
    law = next(one for one in fits if criteria[one] <= min(criteria.values()) + _CLEAR_GAIN)
    chosen = fits[law]
    moving = fits["linear" if law == "constant" else law]
    parameters, draws = (scaled.in_si(p) for p in (moving.parameters[None], draw_parameters(moving)))
    span = scaled.span_s
    found = _estimates(parameters, draws, span, level)
    fitted = law_position(scaled.in_si(chosen.parameters[None]), time - time[0])[0]
    return Drift(
        law=law,
        **found,
        first_s=float(time[0]),
        last_s=float(time[-1]),
        time_s=time,
        position_m=position,
        fitted_m=fitted,
        noise_m=scaled.size_m * chosen.white_sd,
        wander_m=scaled.size_m * chosen.wander_sd,
        wander_time_s=scaled.step_s * chosen.memory,
        effective_n=chosen.effective_n,
        criteria={name: value - min(criteria.values()) for name, value in criteria.items()},
        parameters=parameters[0],
        draws=draws,
        level=level,
        notes=_notes(slow, law, found["time_constants_s"], span, position - fitted, chosen.effective_n),
        sentences=_drift_words(law, found, record_s=span, vibration_rms_m=slow.vibration_rms_m),
    )


def _estimates(parameters: np.ndarray, draws: np.ndarray, span_s: float, level: float) -> dict[str, object]:
    """What the parameters of a law mean, with intervals from their draws."""

    def estimate(best: np.ndarray, drawn: np.ndarray, top: float = math.inf) -> Estimate:
        return quantile_estimate(float(best[0]), drawn, level=level, top=top)

    n = (parameters.shape[1] - 1) // 2 if parameters.shape[1] > 2 else 0
    changes = [np.diff(law_position(p, [0.0, span_s]))[:, 0] for p in (parameters, draws)]
    rates = [law_rate(p, span_s) for p in (parameters, draws)]
    columns = list(zip(parameters.T, draws.T))
    return {
        "time_constants_s": tuple(estimate(*one, _TOLD_RECORDS * span_s) for one in columns[1 + n : 1 + 2 * n]),
        "amplitudes_m": tuple(estimate(*one) for one in columns[1 : 1 + n]),
        "final_m": estimate(*columns[0]) if n else Estimate.unknown(level=level),
        "change_m": estimate(*changes),
        "end_rate_m_s": estimate(*rates),
    }


def _notes(
    slow: SlowPositions,
    law: str,
    constants: tuple[Estimate, ...],
    record_s: float,
    residuals: np.ndarray,
    effective_n: float,
) -> tuple[str, ...]:
    notes = []
    if effective_n < _FEW:
        notes.append(
            f"slow wander makes the record worth only {effective_n:.1f} independent positions: intervals may be too "
            "narrow; record for longer, and on another day"
        )
    if slow.left_out:
        notes.append(f"{slow.left_out} samples are left out: missing, mistaken, or in a window with too few")
    if constants and math.isinf(constants[-1].interval.high):
        notes.append("the longest time constant is not bounded: the record is too short to tell it from a steady drift")
    if law == "linear":
        notes.append("a straight line is enough: a time constant, if there is one, is not told by this record")
    steps = np.diff(residuals)
    spread = float(stats.median_abs_deviation(steps, scale="normal"))
    if spread > 0 and np.abs(steps).max() > _JUMP * spread:
        size = 1e6 * float(steps[np.argmax(np.abs(steps))])
        notes.append(
            f"a jump of {size:.2g} µm between neighbours: somebody touched it, or a joint slipped; cut it there"
        )
    return tuple(notes)


def _drift_words(law: str, found: dict[str, object], *, record_s: float, vibration_rms_m: float) -> tuple[str, ...]:
    words = []
    change = f"{_micro(found['change_m'])} in {duration_text(record_s)}"
    if law == "constant":
        words.append(f"No drift was detected: {change}, which does not show beside the noise.")
    elif law == "linear":
        words.append(f"The position drifts steadily, {change}.")
    else:
        parts = [
            f"{_micro(a, sign=-1)} with a time constant of {_span_of_time(tau)}"
            for a, tau in zip(found["amplitudes_m"], found["time_constants_s"])
        ]
        words.append(f"The position drifts {change}. From the start of the record it has to go {' and '.join(parts)}.")
    rate = found["end_rate_m_s"]
    value, low, high = (3600e6 * one for one in (rate.value, rate.interval.low, rate.interval.high))
    words.append(f"At the end it drifts by {value:.2g} [{low:.2g}, {high:.2g}] µm per hour.")
    if not math.isnan(vibration_rms_m):
        words.append(f"Vibration and reading noise of {1e6 * vibration_rms_m:.2g} µm rms were averaged out.")
    return tuple(words)


def _micro(one: Estimate, *, sign: int = 1) -> str:
    low, high = sorted(1e6 * sign * end for end in (one.interval.low, one.interval.high))
    return f"{1e6 * sign * one.value:.3g} [{low:.3g}, {high:.3g}] µm"


def _span_of_time(one: Estimate) -> str:
    high = "unbounded" if math.isinf(one.interval.high) else duration_text(one.interval.high)
    return f"{duration_text(one.value)} [{duration_text(one.interval.low)}, {high}]"


def duration_text(seconds: float) -> str:
    """A time in the unit in which one would say it.

    Parameters
    ----------
    seconds : float
        Time [s].

    Examples
    --------
    >>> duration_text(90.0), duration_text(5400.0), duration_text(9000.0)
    ('90 s', '90 min', '2.5 h')
    """
    scale, unit = next((s, u) for s, u in ((3600, "h"), (60, "min"), (1, "s")) if abs(seconds) >= 2 * s or s == 1)
    return f"{seconds / scale:.3g} {unit}"
