"""From time stamps to the one uniform clock of a Recording: gaps, repeats, jitter, true rate.

A row's place on the clock follows from its stamp. Stamps that fit a uniform clock within their own resolution are
regular. Stamps coarser than the sample period (rounded to a millisecond, or one stamp for a whole block read from the
sensor's buffer) are judged block by block; a loss that hides in their coarseness cannot be seen in them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from labkit.base import LogFormatError

__all__ = [
    "RATE_TOLERANCE", "ClockFacts", "LogProblem", "PlaceProblem", "Placement", "fill_gaps", "place_rows",
    "stamp_resolution", "untimed",
]

#: Sensor clocks are off by some per cent of their nominal rate; a wrong time unit by a factor of 1000.
RATE_TOLERANCE = 0.2
_BLOCK_SHARE = 0.3  # share of repeated stamps from which they are the rule (a stamp a block), not a fault
_COARSE = 0.45  # stamps coarser than this part of a period cannot tell one step from two
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


def stamp_resolution(stamps: np.ndarray) -> float:
    """Largest 1, 2 or 5 times a power of ten of which all stamps are multiples; 0 when there is none.

    Examples
    --------
    >>> stamp_resolution(np.array([0.0, 0.3, 0.6, 0.9, 1.3]))
    0.1
    """
    sample = stamps[:: max(1, len(stamps) // 5000)] - stamps[0]
    noise = 8 * np.finfo(float).eps * float(np.abs(stamps).max(initial=0.0))
    for exponent in range(3, -10, -1):
        for leading in (5, 2, 1):
            step = float(f"{leading}e{exponent}")
            if step > 4 * noise and np.abs(sample - np.round(sample / step) * step).max() <= max(noise, 1e-6 * step):
                return step
    return 0.0


def place_rows(
    stamps_s: np.ndarray, *, file: str, stated_rate_hz: float = math.nan, first_s: float = 0.0,
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
            file, found="time stamps more than 30 000 years apart", expected="a clock", cure="correct time_column=",
        )
    facts = _plain_clock(stamps_s, stated_rate_hz)
    if facts is not None:
        _compare_rates(facts.rate_hz, stated_rate_hz, file)
        return Placement(
            rows=None, places=None, n_samples=len(stamps_s), start_s=first_s + float(stamps_s[0]), facts=facts,
        )
    rows, stamps, problems = _rising(stamps_s)
    _refuse_disorder(stamps, n_rows=len(stamps_s), n_odd=len(problems), file=file)
    steps = _steps(stamps)
    period = _true_period(stamps, steps)
    _compare_rates(1.0 / period, stated_rate_hz, file)
    n_samples = int(steps.sum()) + 1
    new = np.concatenate([[True], steps > 0])
    n_kept = int(new.sum())
    facts = _facts(
        stamps, steps, period=period, n_rows=len(stamps_s), n_missing=n_samples - n_kept, stated=stated_rate_hz,
    )
    start_s = first_s + float(stamps[0])
    if n_kept == n_samples == len(stamps_s):
        return Placement(rows=None, places=None, n_samples=n_samples, start_s=start_s, facts=facts)
    _refuse_pause(stamps, n_samples=n_samples, n_rows=n_kept, file=file)
    problems += _gaps(stamps, rows, steps) + _too_many(rows, steps)
    places = np.concatenate([[0], np.cumsum(steps)])
    return Placement(
        rows=rows[new], places=places[new], n_samples=n_samples, start_s=start_s, facts=facts,
        problems=tuple(sorted(problems, key=lambda problem: problem.row)),
    )


def _plain_clock(stamps: np.ndarray, stated_rate_hz: float) -> ClockFacts | None:
    """Facts of a clock on which every row is one period after the row before, or None; takes little memory."""
    lengths = np.diff(stamps)
    period = float(stamps[-1] - stamps[0]) / max(len(lengths), 1)
    if not (len(lengths) and lengths.min() > 0.5 * period and lengths.max() < 1.5 * period):
        return None  # also when there is a nan
    return ClockFacts(
        has_time_column=True, n_rows=len(stamps), rate_hz=1.0 / period, stated_rate_hz=stated_rate_hz,
        step_sd_s=float(lengths.std()), step_max_s=float(lengths.max()), resolution_s=stamp_resolution(stamps),
    )


# -------------------------------------------------------------------------------------- rows out of order
def _rising(stamps_s: np.ndarray) -> tuple[np.ndarray, np.ndarray, list[PlaceProblem]]:
    """Rows whose stamps could be read and rise, their stamps, and what is wrong with the others."""
    rows = np.flatnonzero(np.isfinite(stamps_s))
    stamps = stamps_s[rows]
    if (np.diff(stamps) > 0).all():
        return rows, stamps, []
    keep = _in_order(stamps)
    problems = [
        PlaceProblem(kind="backward time", row=int(rows[i]), found=_against(stamps, i)) for i in np.flatnonzero(~keep)
    ]
    rows, stamps = rows[keep], stamps[keep]
    again = np.concatenate([[False], np.diff(stamps) == 0])
    if again.any() and not _equal_stamps_are_the_rule(stamps):
        problems += [
            PlaceProblem(kind="repeated time", row=int(rows[i]), found=f"{stamps[i]:.9g} s again")
            for i in np.flatnonzero(again)
        ]
        rows, stamps = rows[~again], stamps[~again]
    return rows, stamps, problems


def _in_order(stamps: np.ndarray) -> np.ndarray:
    """Mask of stamps that never fall: without those behind, or those ahead of the others, whichever are fewer."""
    highest_before = np.maximum.accumulate(stamps)
    lowest_after = np.minimum.accumulate(stamps[::-1])[::-1]
    behind, ahead = stamps < highest_before, stamps > lowest_after
    return ~behind if behind.sum() <= ahead.sum() else ~ahead


def _against(stamps: np.ndarray, i: int) -> str:
    beside = f"after {stamps[i - 1]:.9g} s" if i and stamps[i] < stamps[i - 1] else f"before {stamps[i + 1]:.9g} s"
    return f"{stamps[i]:.9g} s {beside}"


def _equal_stamps_are_the_rule(stamps: np.ndarray) -> bool:
    """True when stamps are shared by blocks of rows, or rounded more coarsely than the rows follow."""
    equal = float((np.diff(stamps) == 0).mean())
    resolution = stamp_resolution(stamps)
    mean_step = (stamps[-1] - stamps[0]) / max(len(stamps) - 1, 1)
    return equal > _BLOCK_SHARE or resolution > 1.2 * mean_step or _fits_rounded_clock(stamps, resolution)


# -------------------------------------------------------------------------------- from each row to the next
def _steps(stamps: np.ndarray) -> np.ndarray:
    """Sample periods from each row to the next: 1 as a rule, more over a gap, 0 for a row too many."""
    blocks = np.concatenate([[0], np.flatnonzero(np.diff(stamps) > 0) + 1])
    resolution = stamp_resolution(stamps)
    period = _usual_period(stamps[blocks], blocks)
    if len(blocks) == len(stamps) and resolution <= _COARSE * period:
        return _fine_steps(stamps)
    if _fits_rounded_clock(stamps, resolution):
        return np.ones(len(stamps) - 1, dtype=np.int64)
    whole = period / resolution if resolution else 0.5
    if len(blocks) == len(stamps) and round(whole) >= 1 and abs(whole - round(whole)) < 0.02:
        return _fine_steps(stamps)
    return _coarse_steps(stamps, blocks, period)


def _usual_period(block_stamps: np.ndarray, first_rows: np.ndarray) -> float:
    """Median of (time passed)/(rows passed) over windows of up to 50 stamps: a few gaps do not move it [s]."""
    width = max(1, min((len(block_stamps) - 1) // 4, 50))
    slopes = (block_stamps[width:] - block_stamps[:-width]) / (first_rows[width:] - first_rows[:-width])
    return float(np.median(slopes))


def _fits_rounded_clock(stamps: np.ndarray, resolution: float) -> bool:
    """True when a uniform clock, rounded to the resolution, gives these stamps.

    At least four steps must differ from the usual one: fewer are rather gaps of an exact clock.
    """
    lengths = np.diff(stamps)
    unusual = int((np.abs(lengths - np.median(lengths)) > 0.5 * resolution).sum())
    row = np.arange(len(stamps)) - 0.5 * (len(stamps) - 1)
    slope = float(row @ stamps) / float(row @ row)
    return unusual >= 4 and float(np.ptp(stamps - slope * row)) <= 1.05 * resolution


def _fine_steps(stamps: np.ndarray) -> np.ndarray:
    """Each step in whole periods, for stamps finer than the period."""
    lengths = np.diff(stamps)
    period = float(np.median(lengths))
    for _ in range(20):
        steps = np.rint(lengths / period).astype(np.int64)
        _share_late_stamps(steps)
        refined = float(stamps[-1] - stamps[0]) / max(int(steps.sum()), 1)
        if abs(refined - period) <= 1e-12 * period:
            break
        period = refined
    return steps


def _share_late_stamps(steps: np.ndarray) -> None:
    """One late (or early) stamp makes a long and a short step side by side: two steps of one, in place."""
    for i in np.flatnonzero(steps == 0):
        for beside in (i - 1, i + 1):
            if 0 <= beside < len(steps) and steps[beside] == 2:
                steps[beside] = steps[i] = 1
                break


def _coarse_steps(stamps: np.ndarray, first: np.ndarray, period: float) -> np.ndarray:
    """One period a row, and the periods that pass between two blocks without a row.

    A block begins at its stamp (rounded stamps) or ends there (stamped when the buffer was read): the reading under
    which the blocks keep time better is taken.
    """
    last = np.concatenate([first[1:] - 1, [len(stamps) - 1]])
    blocks = stamps[first]
    jump = min((np.diff(blocks - period * anchor) for anchor in (first, last)), key=lambda j: float(np.abs(j).sum()))
    coarseness = max(float(np.median(np.diff(blocks))), period)
    allowed = min(max(8 * float(np.median(np.abs(jump))), 1.5 * period), 1.5 * coarseness)
    lost = np.where(np.abs(jump) > allowed, np.rint(jump / period), 0).astype(np.int64)
    for i in np.flatnonzero(lost[:-1] > 0):  # the blocks on both sides of a gap are torn: it shows twice
        lost[i : i + 2] = [lost[i] + max(lost[i + 1], 0), min(lost[i + 1], 0)]
    steps = np.ones(len(stamps) - 1, dtype=np.int64)
    steps[first[1:] - 1] += np.maximum(lost, 0)
    for block in np.flatnonzero(lost < 0):  # more rows than time: the last ones of the block are too many
        surplus = min(int(-lost[block]), int(last[block] - first[block]))
        steps[last[block] - surplus : last[block]] = 0
    return steps


def _true_period(stamps: np.ndarray, steps: np.ndarray) -> float:
    """(t_end − t_0)/(n − 1) [s]; where rows share stamps, between the first rows of the second and the last stamp."""
    end = int(np.searchsorted(stamps, stamps[-1], side="left"))
    second = int(np.searchsorted(stamps, stamps[0], side="right"))
    shared = (second > 1 or end < len(stamps) - 1) and second < end
    start = second if shared else 0
    return float(stamps[end] - stamps[start]) / max(int(steps[start:end].sum()), 1)


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
    stamps: np.ndarray, steps: np.ndarray, *, period: float, n_rows: int, n_missing: int, stated: float,
) -> ClockFacts:
    lengths = np.diff(stamps)
    longest = float(lengths.max())
    usual = lengths if n_missing == 0 else lengths[steps == 1]
    return ClockFacts(
        has_time_column=True, n_rows=n_rows, rate_hz=1.0 / period, stated_rate_hz=stated, n_missing=n_missing,
        step_sd_s=float(usual.std()) if len(usual) else math.nan, step_max_s=longest,
        resolution_s=stamp_resolution(stamps),
    )


# -------------------------------------------------------------------------------------------- refusals
def _refuse_disorder(stamps: np.ndarray, *, n_rows: int, n_odd: int, file: str) -> None:
    if len(stamps) < 2 or stamps[-1] <= stamps[0] or n_odd > 0.2 * n_rows:
        raise LogFormatError(
            file, found=f"{n_odd} of {n_rows} time stamps that repeat or run backward, {len(stamps)} that rise",
            expected="a time column that rises from row to row",
            cure="cut the log where its clock restarts, or name another column with time_column=",
        )


def _refuse_pause(stamps: np.ndarray, *, n_samples: int, n_rows: int, file: str) -> None:
    if n_samples > _LONGEST_GRID * n_rows + 1000:
        longest = float(np.diff(stamps).max())
        raise LogFormatError(
            file, found=f"{n_rows} rows for {n_samples} places on the clock, longest step {longest:.6g} s",
            expected="a log without long pauses", cure="cut the log at the pause, or correct the time column",
        )


def _compare_rates(rate_hz: float, stated_hz: float, file: str) -> None:
    if not math.isnan(stated_hz) and abs(rate_hz / stated_hz - 1) > RATE_TOLERANCE:
        raise LogFormatError(
            file, found=f"time stamps {1 / rate_hz:.6g} s apart ({rate_hz:.6g} Hz)",
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
