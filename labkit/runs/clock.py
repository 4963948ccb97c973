"""From time stamps to the one uniform clock of a Recording: gaps, repeats, jitter, true rate.

A row's place on the clock follows from its time stamp; what has no place, and places without a row, are listed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from labkit.base import LogFormatError
from labkit.runs.stamps import (
    SHORTEST_PERIOD_S,
    equal_stamps_are_the_rule,
    stamp_resolution,
    steps_between,
    true_period,
)

__all__ = [
    "RATE_TOLERANCE",
    "ClockFacts",
    "LogProblem",
    "PlaceProblem",
    "Placement",
    "fill_gaps",
    "place_rows",
    "untimed",
]

#: Sensor clocks are off by some per cent of their nominal rate; a wrong time unit by a factor of 1000.
RATE_TOLERANCE = 0.2
_LONGEST_S = 1e12
_LONGEST_GRID = 10  # a clock with ten times more places than rows is a pause between two logs, not a gap


@dataclass(frozen=True, kw_only=True)
class LogProblem:
    """Something in a log that is not as it must be.

    Parameters
    ----------
    kind : str
        "gap", "repeated time", "backward time", "not a number", "text" or "columns".
    line : int
        1-based line of a text log, 1-based row of a binary one.
    found : str
        What stands there.
    samples : int
        Samples (or rows) concerned.
    """

    kind: str
    line: int
    found: str
    samples: int = 1


@dataclass(frozen=True, kw_only=True)
class ClockFacts:
    """What the time stamps say about the clock.

    Parameters
    ----------
    has_time_column : bool
        False when the rate was stated and nothing could be checked.
    n_rows : int
        Rows read.
    rate_hz : float
        True rate, (n − 1)/(t_end − t_0) over the places on the clock [Hz].
    stated_rate_hz : float
        Rate stated by the log or the caller [Hz]; nan when none.
    step_sd_s, step_max_s : float
        Standard deviation of the steps between neighbours, and the longest step [s]; nan without time stamps.
    resolution_s : float
        Step of the stamps themselves [s]; nan without time stamps.
    n_missing : int
        Samples that the clock has and the log has not.
    """

    has_time_column: bool
    n_rows: int
    rate_hz: float
    stated_rate_hz: float = math.nan
    step_sd_s: float = math.nan
    step_max_s: float = math.nan
    resolution_s: float = math.nan
    n_missing: int = 0


@dataclass(frozen=True, kw_only=True)
class PlaceProblem:
    """As LogProblem, with the row (0-based) in place of the line."""

    kind: str
    row: int
    found: str
    samples: int = 1


@dataclass(frozen=True, eq=False, kw_only=True)
class Placement:
    """Where each row belongs on the clock.

    Parameters
    ----------
    rows, places : numpy.ndarray or None
        Rows that have a place, and their places, both rising; None when row i has place i.
    n_samples : int
        Places on the clock.
    start_s : float
        Time of place 0 [s].
    problems : tuple of PlaceProblem
        What keeps the rows from being one a place.
    facts : ClockFacts
        About the clock.
    """

    rows: np.ndarray | None
    places: np.ndarray | None
    n_samples: int
    start_s: float
    problems: tuple[PlaceProblem, ...] = ()
    facts: ClockFacts

    def apply(self, values: np.ndarray) -> np.ndarray:
        """Rows (the last axis of `values`) put in their places; nan where there is none."""
        if self.rows is None:
            return values
        placed = np.full((len(values), self.n_samples), np.nan)
        placed[:, self.places] = values[:, self.rows]
        return placed


def untimed(n_rows: int, *, rate_hz: float) -> Placement:
    """Placement of rows without stamps at a stated rate [Hz]."""
    facts = ClockFacts(has_time_column=False, n_rows=n_rows, rate_hz=rate_hz, stated_rate_hz=rate_hz)
    return Placement(rows=None, places=None, n_samples=n_rows, start_s=0.0, facts=facts)


def place_rows(
    stamps_s: np.ndarray,
    *,
    file: str,
    stated_rate_hz: float = math.nan,
    first_s: float = 0.0,
) -> Placement:
    """Place the rows of a log on a uniform clock by their time stamps.

    Parameters
    ----------
    stamps_s : numpy.ndarray
        Time stamp of each row since `first_s` [s]; nan where it could not be read.
    file : str
        Name for error messages.
    stated_rate_hz : float
        Rate that the log or the caller states [Hz], nan when none; compared, never used as the result.
    first_s : float
        Time from which the stamps count [s].

    Raises
    ------
    LogFormatError
        When the stamps do not make a clock, or contradict the stated rate.

    Examples
    --------
    >>> p = place_rows(np.array([0.0, 0.1, 0.2, 0.5, 0.6]), file="a.csv")
    >>> p.places.tolist(), round(p.facts.rate_hz, 6), p.problems[0].samples
    ([0, 1, 2, 5, 6], 10.0, 2)
    """
    if max(np.fmax.reduce(stamps_s), -np.fmin.reduce(stamps_s)) > _LONGEST_S:
        raise LogFormatError(
            file,
            found="time stamps more than 30 000 years apart",
            expected="a clock",
            cure="correct time_column=",
        )
    _refuse_instant((np.fmax.reduce(stamps_s) - np.fmin.reduce(stamps_s)) / max(len(stamps_s) - 1, 1), file)
    facts = _plain_clock(stamps_s, stated_rate_hz)
    if facts is not None:
        _compare_rates(facts.rate_hz, stated_rate_hz, file)
        return Placement(
            rows=None,
            places=None,
            n_samples=len(stamps_s),
            start_s=first_s + float(stamps_s[0]),
            facts=facts,
        )
    rows, stamps, problems = _rising(stamps_s)
    _refuse_disorder(stamps, n_rows=len(stamps_s), n_odd=len(problems), file=file)
    steps = steps_between(stamps)
    period = true_period(stamps, steps)
    _refuse_instant(period, file)
    _compare_rates(1.0 / period, stated_rate_hz, file)
    n_samples = int(steps.sum()) + 1
    new = np.concatenate([[True], steps > 0])
    n_kept = int(new.sum())
    facts = _facts(
        stamps,
        steps,
        period=period,
        n_rows=len(stamps_s),
        n_missing=n_samples - n_kept,
        stated=stated_rate_hz,
    )
    start_s = first_s + float(stamps[0])
    if n_kept == n_samples == len(stamps_s):
        return Placement(rows=None, places=None, n_samples=n_samples, start_s=start_s, facts=facts)
    _refuse_pause(stamps, n_samples=n_samples, n_rows=n_kept, file=file)
    problems += _gaps(stamps, rows, steps) + _too_many(rows, steps)
    places = np.concatenate([[0], np.cumsum(steps)])
    return Placement(
        rows=rows[new],
        places=places[new],
        n_samples=n_samples,
        start_s=start_s,
        facts=facts,
        problems=tuple(sorted(problems, key=lambda problem: problem.row)),
    )


def _plain_clock(stamps: np.ndarray, stated_rate_hz: float) -> ClockFacts | None:
    """Facts of a clock on which every row is one period after the row before, or None; takes little memory."""
    lengths = np.diff(stamps)
    period = float(stamps[-1] - stamps[0]) / max(len(lengths), 1)
    if not (len(lengths) and lengths.min() > 0.5 * period and lengths.max() < 1.5 * period):
        return None  # also when there is a nan
    longest = float(lengths.max())
    lengths -= period  # their mean
    sd_s = math.sqrt(float(lengths @ lengths) / len(lengths))
    del lengths  # as long as the log
    return ClockFacts(
        has_time_column=True,
        n_rows=len(stamps),
        rate_hz=1.0 / period,
        stated_rate_hz=stated_rate_hz,
        step_sd_s=sd_s,
        step_max_s=longest,
        resolution_s=stamp_resolution(stamps),
    )


# -------------------------------------------------------------------------------------- rows out of order
def _rising(stamps_s: np.ndarray) -> tuple[np.ndarray, np.ndarray, list[PlaceProblem]]:
    """Rows whose stamps could be read and rise, their stamps, and what is wrong with the others."""
    rows = np.flatnonzero(np.isfinite(stamps_s))
    stamps = stamps_s[rows]
    if (np.diff(stamps) > 0).all():
        return rows, stamps, []
    keep, where, other = _in_order(stamps)
    problems = [
        PlaceProblem(kind="backward time", row=int(rows[i]), found=f"{stamps[i]:.9g} s {where} {other[i]:.9g} s")
        for i in np.flatnonzero(~keep)
    ]
    rows, stamps = rows[keep], stamps[keep]
    again = np.concatenate([[False], np.diff(stamps) == 0])
    if again.any() and not equal_stamps_are_the_rule(stamps):
        problems += [
            PlaceProblem(kind="repeated time", row=int(rows[i]), found=f"{stamps[i]:.9g} s again")
            for i in np.flatnonzero(again)
        ]
        rows, stamps = rows[~again], stamps[~again]
    return rows, stamps, problems


def _in_order(stamps: np.ndarray) -> tuple[np.ndarray, str, np.ndarray]:
    """Mask of stamps that never fall: without those behind, or those ahead of the others, whichever are fewer.

    Also what each of the others stands "after" or "before".
    """
    highest_before = np.maximum.accumulate(stamps)
    lowest_after = np.minimum.accumulate(stamps[::-1])[::-1]
    behind, ahead = stamps < highest_before, stamps > lowest_after
    few_behind = behind.sum() <= ahead.sum()
    return (~behind, "after", highest_before) if few_behind else (~ahead, "before", lowest_after)


def _gaps(stamps: np.ndarray, rows: np.ndarray, steps: np.ndarray) -> list[PlaceProblem]:
    """Places without a row, unless a row left out in between explains them."""
    found = []
    for i in np.flatnonzero(steps > 1):
        lost = int(steps[i]) - int(rows[i + 1] - rows[i])
        if lost > 0:
            step = f"a step of {stamps[i + 1] - stamps[i]:.6g} s"
            found.append(PlaceProblem(kind="gap", row=int(rows[i + 1]), found=step, samples=lost))
    return found


def _too_many(rows: np.ndarray, steps: np.ndarray) -> list[PlaceProblem]:
    found = "a row more than its time has room for"
    return [PlaceProblem(kind="repeated time", row=int(rows[i + 1]), found=found) for i in np.flatnonzero(steps == 0)]


def _facts(
    stamps: np.ndarray,
    steps: np.ndarray,
    *,
    period: float,
    n_rows: int,
    n_missing: int,
    stated: float,
) -> ClockFacts:
    lengths = np.diff(stamps)
    longest = float(lengths.max())
    usual = lengths if n_missing == 0 else lengths[steps == 1]
    return ClockFacts(
        has_time_column=True,
        n_rows=n_rows,
        rate_hz=1.0 / period,
        stated_rate_hz=stated,
        n_missing=n_missing,
        step_sd_s=float(usual.std()) if len(usual) else math.nan,
        step_max_s=longest,
        resolution_s=stamp_resolution(stamps),
    )


# -------------------------------------------------------------------------------------------- refusals
def _refuse_instant(period_s: float, file: str) -> None:
    if period_s < SHORTEST_PERIOD_S:
        raise LogFormatError(
            file,
            found=f"time stamps {period_s:.3g} s apart",
            expected="a time column that rises from row to row",
            cure="correct time_column= or time_unit=",
        )


def _refuse_disorder(stamps: np.ndarray, *, n_rows: int, n_odd: int, file: str) -> None:
    if len(stamps) < 2 or stamps[-1] <= stamps[0] or n_odd > 0.2 * n_rows:
        raise LogFormatError(
            file,
            found=f"{n_odd} of {n_rows} time stamps that repeat or run backward, {len(stamps)} that rise",
            expected="a time column that rises from row to row",
            cure="cut the log where its clock restarts, or name another column with time_column=",
        )


def _refuse_pause(stamps: np.ndarray, *, n_samples: int, n_rows: int, file: str) -> None:
    if n_samples > _LONGEST_GRID * n_rows + 1000:
        longest = float(np.diff(stamps).max())
        raise LogFormatError(
            file,
            found=f"{n_rows} rows for {n_samples} places on the clock, longest step {longest:.6g} s",
            expected="a log without long pauses",
            cure="cut the log at the pause, or correct the time column",
        )


def _compare_rates(rate_hz: float, stated_hz: float, file: str) -> None:
    if not math.isnan(stated_hz) and abs(rate_hz / stated_hz - 1) > RATE_TOLERANCE:
        raise LogFormatError(
            file,
            found=f"time stamps {1 / rate_hz:.6g} s apart ({rate_hz:.6g} Hz)",
            expected=f"the stated rate of {stated_hz:.6g} Hz",
            cure="correct time_unit= or the stated rate, or leave the rate out",
        )


# ---------------------------------------------------------------------------------------------- filling
def fill_gaps(values: np.ndarray, *, rate_hz: float, shorter_s: float) -> list[str]:
    """Interpolate, in place, over runs of nan shorter than `shorter_s` [s]; returns what was filled, in words.

    A cubic spline through up to four samples on either side; gaps at the ends and longer gaps stay nan.
    """
    filled: dict[tuple[int, int], int] = {}
    for row in values:
        missing = np.concatenate([[0], np.isnan(row).astype(np.int8), [0]])
        edges = np.diff(missing)
        for start, stop in zip(np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)):
            if start == 0 or stop == len(row) or (stop - start) / rate_hz >= shorter_s:
                continue
            near = np.concatenate([np.arange(max(0, start - 4), start), np.arange(stop, min(len(row), stop + 4))])
            near = near[np.isfinite(row[near])]
            row[start:stop] = CubicSpline(near, row[near])(np.arange(start, stop))
            filled[int(start), int(stop - start)] = filled.get((int(start), int(stop - start)), 0) + 1
    return [
        f"filled by a cubic: {n} sample(s) from {start / rate_hz:.6g} s after the start on, in {channels} channel(s)"
        for (start, n), channels in sorted(filled.items())
    ]
