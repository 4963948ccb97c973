"""What to make of a warm-up drift: how long to wait before a job, and how much of it goes with the temperature."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.analyse._drift_fit import Scaled, draw_parameters, fit_curves, law_position, quantile_estimate
from labkit.analyse.drift import Drift, duration_text
from labkit.analyse.slow import SlowPositions, thinned
from labkit.base import Estimate, check_array, check_number

__all__ = ["TemperatureSensitivity", "WarmUpWait", "temperature_sensitivity", "warm_up_wait"]

_STARTS = 400  # times at which a job may start, looked at
_MOST_DRAWS = 2000
_BEYOND_RECORDS = 5.0  # how far a guess beyond the record looks
_SHORTEST_LAG_STEPS, _LONGEST_LAG_RECORDS = 0.05, 3.0
_COLLINEAR = 0.95  # of the squares of the temperature that a curve of time describes as well


# ------------------------------------------------------------------------------------------------- wait for it
@dataclass(frozen=True, kw_only=True)
class WarmUpWait:
    """From when on a job stays within a tolerance.

    Parameters
    ----------
    wait_s : Estimate
        Time on the clock of the record from which drift over a job stays within the tolerance [s]; inf: never within
        the record.
    never : float
        Probability that it never does within the record.
    tolerance_m, job_s : float
        Movement allowed from the start of a job [m], and its duration [s].
    wander_m : float
        Root mean square of slow wander beside the law over a job [m], which waiting does not cure.
    beyond_record : bool
        True when the law was followed beyond the record: a guess.
    sentences : tuple of str
        What it means.
    """

    wait_s: Estimate
    never: float
    tolerance_m: float
    job_s: float
    wander_m: float
    beyond_record: bool
    sentences: tuple[str, ...]


def warm_up_wait(drift: Drift, *, tolerance_m: float, job_s: float, beyond_record: bool = False) -> WarmUpWait:
    """Time from which on the drift over a job of stated duration stays within a tolerance.

    Parameters
    ----------
    drift : Drift
        The drift.
    tolerance_m : float
        Movement allowed to either side of where the job starts [m].
    job_s : float
        Duration of the job [s]: from one look at a fiducial to the next, say.
    beyond_record : bool
        True to follow the law for five more records, where nothing was measured; by default a job must end within the
        record.

    Notes
    -----
    For every parameter set that the fit holds for possible: the last start t with max |y(t + s) − y(t)| > tolerance,
    0 ≤ s ≤ job. The interval is that of the law; wander beside it is stated apart.

    Examples
    --------
    With 12 µm to go and τ = 1500 s, 1 µm over 600 s is left after 1500·ln(12·(1 − e^(−0.4))) = 2060 s:

    >>> from labkit.analyse.drift import fit_drift
    >>> t = np.arange(0.0, 7200.0, 60.0)
    >>> noise = 0.05e-6 * np.random.default_rng(1).standard_normal(t.size)
    >>> drift = fit_drift(SlowPositions(time_s=t, position_m=12e-6 * (1 - np.exp(-t / 1500)) + noise))
    >>> round(warm_up_wait(drift, tolerance_m=1e-6, job_s=600.0).wait_s.value, -2)
    2100.0
    """
    check_number("tolerance_m", tolerance_m, above=0.0)
    record = drift.last_s - drift.first_s
    room = math.inf if beyond_record else record
    cure = f"the record lasts {record:g} s: record longer, or say beyond_record=True and take it as a guess"
    check_number("job_s", job_s, above=0.0, at_most=None if math.isinf(room) else room, cure=cure)
    last = record + _BEYOND_RECORDS * record if beyond_record else record - job_s
    starts = np.linspace(0.0, last, _STARTS)
    step = max(1, len(drift.draws) // _MOST_DRAWS)
    draws = _waits(drift.draws[::step], starts, tolerance_m, job_s)
    best = 0.0 if drift.law == "constant" else float(_waits(drift.parameters[None], starts, tolerance_m, job_s)[0])
    wait = quantile_estimate(drift.first_s + best, drift.first_s + draws, level=drift.level)
    never = float(np.isinf(draws).mean())
    wander = drift.wander_m * math.sqrt(2 * -math.expm1(-job_s / drift.wander_time_s))
    return WarmUpWait(
        wait_s=wait,
        never=never,
        tolerance_m=tolerance_m,
        job_s=job_s,
        wander_m=wander,
        beyond_record=beyond_record,
        sentences=_wait_words(wait, never, tolerance_m, job_s, wander, drift, beyond_record=beyond_record),
    )


def _waits(parameters: np.ndarray, starts: np.ndarray, tolerance: float, job: float) -> np.ndarray:
    """Start after which the excursion over a job stays within the tolerance, one a row of parameters; inf if none."""
    over = _excursions(parameters, starts, job) - tolerance
    late = over > 0
    last = over.shape[1] - 1 - np.argmax(late[:, ::-1], axis=1)
    after = np.minimum(last + 1, over.shape[1] - 1)
    rows = np.arange(len(over))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = over[rows, last] / (over[rows, last] - over[rows, after])
        waits = starts[last] + share * (starts[after] - starts[last])
    return np.where(~late.any(axis=1), 0.0, np.where(late[:, -1], math.inf, waits))


def _excursions(parameters: np.ndarray, starts: np.ndarray, job: float) -> np.ndarray:
    """Largest way from the start of a job during it, shape (n_rows, n_starts)."""
    begin = law_position(parameters, starts)
    way = np.abs(law_position(parameters, starts + job) - begin)
    if parameters.shape[1] == 5:  # two time constants may turn back once
        a1, a2, tau1, tau2 = parameters[:, 1:].T
        with np.errstate(invalid="ignore", divide="ignore"):
            turn = np.log(-(a1 / tau1) / (a2 / tau2)) / (1 / tau1 - 1 / tau2)
        at_turn = np.stack(
            [law_position(row[None], [t])[0] if np.isfinite(t) else [0.0] for row, t in zip(parameters, turn)]
        )
        inside = (turn[:, None] > starts) & (turn[:, None] < starts + job)
        way = np.where(inside, np.maximum(way, np.abs(at_turn - begin)), way)
    return way


def _wait_words(
    wait: Estimate, never: float, tolerance: float, job: float, wander: float, drift: Drift, *, beyond_record: bool
) -> tuple[str, ...]:
    task = f"drift over a job of {duration_text(job)} stays within ±{1e6 * tolerance:.3g} µm"
    where = "even if the law goes on for five more records" if beyond_record else "within the record"
    low, high = wait.interval.low, wait.interval.high
    if math.isinf(wait.value):
        words = [f"Never {where} can it be said that {task}."]
    elif wait.value <= drift.first_s and high <= drift.first_s:
        words = [f"From the start of the record on {task}: there is nothing to wait for."]
    else:
        end = "no bound" if math.isinf(high) else duration_text(high)
        words = [f"From {duration_text(wait.value)} [{duration_text(low)}, {end}] on the record's clock, {task}."]
    if 0.0 < never < 1.0 and never > (1 - drift.level) / 2:
        words.append(f"With a probability of {100 * never:.0f} % it does so never {where}: record longer.")
    if beyond_record:
        words.append("This follows the law beyond the record, where nothing was measured: a guess.")
    if wander > 0.5 * tolerance:
        words.append(
            f"Beside the law the position wanders by {1e6 * wander:.2g} µm rms over a job, which waiting does not "
            "cure: look at a fiducial more often."
        )
    return tuple(words)


# -------------------------------------------------------------------------------------------------- temperature
@dataclass(frozen=True, kw_only=True, eq=False)
class TemperatureSensitivity:
    """How position goes with temperature.

    Parameters
    ----------
    sensitivity_m_per_k : Estimate
        Position per kelvin, once the lag has passed [m/K].
    lag_s : Estimate
        Time constant with which the position follows the thermometer [s]; an end of 0 or inf is not bounded.
    trend_m_s : Estimate
        Steady drift beside it [m/s].
    temperature_range_k : float
        Largest less smallest temperature during the record [K].
    collinearity : float
        Share of the lagged temperature's squares that a straight line or a single time constant describes as well.
    gain : float
        Bayesian information criterion won by the thermometer over a straight line; above 2 it clearly helps.
    notes, sentences : tuple of str
        What weakens it, and what it means.
    """

    sensitivity_m_per_k: Estimate
    lag_s: Estimate
    trend_m_s: Estimate
    temperature_range_k: float
    collinearity: float
    gain: float
    notes: tuple[str, ...]
    sentences: tuple[str, ...]


def temperature_sensitivity(
    slow: SlowPositions,
    *,
    temperature_time_s: Sequence[float],
    temperature_degc: Sequence[float],
    level: float = 0.95,
) -> TemperatureSensitivity:
    """Regress slow positions on temperature behind a first-order lag, beside a steady trend.

    Parameters
    ----------
    slow : SlowPositions
        Positions.
    temperature_time_s : sequence of float
        Times of the temperature readings [s], on the same clock, before the first to after the last position.
    temperature_degc : sequence of float
        Temperatures [°C].
    level : float
        Coverage of the intervals.

    Notes
    -----
    y = c + b·t + S·T′ with θ·dT′/dt = T − T′, exact for a temperature that runs straight between readings, and
    T′ = T at the first of them: readings from before the machine was switched on make that true. Noise as in
    `fit_drift`. The trend takes what goes with time alone, so a temperature that only rises leaves a wide interval.

    Examples
    --------
    >>> t = np.arange(0.0, 20_000.0, 100.0)
    >>> room = 21 + 1.5 * np.sin(2 * np.pi * t / 7000)
    >>> noise = 0.1e-6 * np.random.default_rng(1).standard_normal(t.size)
    >>> slow = SlowPositions(time_s=t, position_m=3e-6 * (room - 21) + noise)
    >>> found = temperature_sensitivity(slow, temperature_time_s=t, temperature_degc=room)
    >>> round(1e6 * found.sensitivity_m_per_k.value, 1)
    3.0
    """
    check_number("level", level, above=0.0, below=1.0)
    time, position = thinned(slow)
    clock, degrees = _temperatures(temperature_time_s, temperature_degc, time)
    scaled = Scaled(time, position)
    span, step = scaled.span_s, scaled.step_s

    def lagged(lag: np.ndarray) -> np.ndarray:
        return _lagged(clock, degrees, at_s=time, lag_s=lag * step)

    fixed = np.column_stack([np.ones(time.size), scaled.times / scaled.times[-1]])
    bounds = (_SHORTEST_LAG_STEPS, _LONGEST_LAG_RECORDS * scaled.times[-1])
    fit = fit_curves(scaled.values, fixed, noises=scaled.noises, curve=lagged, n_curves=1, bounds=bounds)
    gain = scaled.fit("linear").criterion - fit.criterion
    size = scaled.size_m
    factor = np.array([size, size / span, size, step])
    best, draws = factor * fit.parameters, factor * draw_parameters(fit)
    sensitivity = quantile_estimate(best[2], draws[:, 2], level=level)
    trend = quantile_estimate(best[1], draws[:, 1], level=level)
    lag = _lag_estimate(best[3], draws[:, 3], level, bounds=[step * b for b in bounds])
    collinearity = _collinearity(lagged(fit.parameters[3:])[:, 0], scaled)
    reach = float(np.ptp(np.interp(time, clock, degrees)))
    return TemperatureSensitivity(
        sensitivity_m_per_k=sensitivity,
        lag_s=lag,
        trend_m_s=trend,
        temperature_range_k=reach,
        collinearity=collinearity,
        gain=float(gain),
        notes=_temperature_notes(collinearity, gain, lag),
        sentences=_temperature_words(sensitivity, lag, reach, gain),
    )


def _temperatures(times: Sequence[float], values: Sequence[float], needed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    clock = check_array("temperature_time_s", times, ndim=1, min_length=2)
    degrees = check_array("temperature_degc", values, ndim=1, min_length=2)
    if clock.shape != degrees.shape:
        raise ValueError(f"temperature_time_s has {clock.size} values, temperature_degc {degrees.size}; they must pair")
    if (np.diff(clock) <= 0).any():
        raise ValueError("temperature_time_s must grow: sort the table")
    if clock[0] > needed[0] or clock[-1] < needed[-1]:
        raise ValueError(
            f"temperature is known from {clock[0]:g} s to {clock[-1]:g} s, positions reach from {needed[0]:g} s to "
            f"{needed[-1]:g} s; cut the positions, or read the thermometer for longer: nothing is extrapolated"
        )
    if not np.ptp(np.interp(needed, clock, degrees)) > 0:
        raise ValueError("the temperature does not change during the record; it cannot say what a kelvin does")
    return clock, degrees


def _lagged(clock: np.ndarray, degrees: np.ndarray, *, at_s: np.ndarray, lag_s: np.ndarray) -> np.ndarray:
    """Temperature behind first-order lags, less its first reading, shape (n_times, n_lags)."""
    times = np.union1d(clock, at_s)
    driven = np.interp(times, clock, degrees) - degrees[0]
    steps = np.diff(times)
    behind = np.zeros((times.size, lag_s.size))
    state = np.zeros(lag_s.size)
    for k, step in enumerate(steps):
        slope = (driven[k + 1] - driven[k]) / step
        steady = driven[k] - slope * lag_s
        state = driven[k + 1] - slope * lag_s + (state - steady) * np.exp(-step / lag_s)
        behind[k + 1] = state
    return behind[np.searchsorted(times, at_s)]


def _lag_estimate(value: float, draws: np.ndarray, level: float, *, bounds: Sequence[float]) -> Estimate:
    """The lag with its interval; what reaches a bound of the search is not bounded by the data."""
    low_end = np.where(draws <= 1.05 * bounds[0], 0.0, draws)
    return quantile_estimate(value, low_end, level=level, top=0.95 * bounds[1])


def _collinearity(column: np.ndarray, scaled: Scaled) -> float:
    centred = column - column.mean()
    constants = np.geomspace(*scaled.bounds, 40)
    curves = np.column_stack([scaled.times, np.exp(-scaled.times[:, None] / constants)])
    curves = curves - curves.mean(axis=0)
    shares = (centred @ curves) ** 2 / (np.sum(curves**2, axis=0) * (centred @ centred))
    return float(shares.max())


def _temperature_notes(collinearity: float, gain: float, lag: Estimate) -> tuple[str, ...]:
    notes = []
    if collinearity > _COLLINEAR:
        notes.append(
            "the temperature ran like a plain warm-up, so anything else that went with time would look the same: let "
            "the room go up and down (a door, a heater) and record again"
        )
    if gain < 2:
        notes.append("the thermometer explains no more than a straight line in time does")
    if math.isinf(lag.interval.high):
        notes.append(
            "the lag is not bounded: it may be longer than the record, and so the full effect of a kelvin larger"
        )
    return tuple(notes)


def _temperature_words(sensitivity: Estimate, lag: Estimate, reach_k: float, gain: float) -> tuple[str, ...]:
    low, high = 1e6 * sensitivity.interval.low, 1e6 * sensitivity.interval.high
    effect = f"{1e6 * sensitivity.value:.3g} [{low:.3g}, {high:.3g}] µm per kelvin"
    end = "no bound" if math.isinf(lag.interval.high) else duration_text(lag.interval.high)
    behind = f"{duration_text(lag.value)} [{duration_text(lag.interval.low)}, {end}]"
    if gain < 2 or sensitivity.interval.contains(0.0):
        return (f"No effect of temperature was detected over {reach_k:.2g} K: {effect}.",)
    return (f"The position follows the thermometer by {effect}, {behind} behind it, over {reach_k:.2g} K.",)
