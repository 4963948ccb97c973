"""From time stamps to the one uniform clock of a Recording: gaps, repeats, jitter, true rate.

A row's place on the clock follows from its stamp. Stamps that are coarser than the sample period (rounded to a
millisecond, or one stamp for a whole block read from the sensor's buffer) are judged block by block; a loss smaller
than the resolution of such stamps cannot be seen in them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from labkit.base import LogFormatError, check_number

__all__ = ["ClockFacts", "LogProblem", "Placement", "fill_gaps", "place_rows", "stamp_resolution"]

_COARSE_SHARE = 0.3  # share of repeated stamps from which repeats are the stamps' resolution, not a fault
_RATE_TOLERANCE = 0.2  # sensor clocks are off by a few per cent; a wrong time unit by a factor of 1000
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


@dataclass(frozen=True, eq=False, kw_only=True)
class Placement:
    """Where each row belongs on the clock.

    Parameters
    ----------
    rows : numpy.ndarray
        Rows that have a place, rising.
    places : numpy.ndarray
        Their places, 0 to n_samples − 1, rising.
    n_samples : int
        Length of the clock.
    start_s : float
        Stamp of place 0 [s].
    problems : tuple of (str, int, str, int)
        Kind, row, what was found, samples.
    facts : ClockFacts
    """

    rows: np.ndarray
    places: np.ndarray
    n_samples: int
    start_s: float
    problems: tuple[tuple[str, int, str, int], ...]
    facts: ClockFacts


def stamp_resolution(stamps: np.ndarray) -> float:
    """Largest power of ten (times 1, 2 or 5) of which all stamps are multiples; 0 when there is none down to 1e-9.

    Examples
    --------
    >>> stamp_resolution(np.array([0.0, 0.3, 0.6, 0.9, 1.3]))
    0.1
    """
    sample = stamps[:: max(1, len(stamps) // 5000)] - stamps[0]
    noise = 8 * np.finfo(float).eps * max(float(np.abs(stamps).max()), 1e-30)
    for exponent in range(3, -10, -1):
        for leading in (5, 2, 1):
            step = leading * 10.0**exponent
            if step > 4 * noise and np.abs(sample - np.round(sample / step) * step).max() <= max(noise, 1e-6 * step):
                return step
    return 0.0


def place_rows(stamps_s: np.ndarray, *, file: str, stated_rate_hz: float = math.nan) -> Placement:
    """Place the rows of a log on a uniform clock by their time stamps.

    Parameters
    ----------
    stamps_s : numpy.ndarray
        Time stamp of each row [s]; nan where it could not be read.
    file : str
        Name for error messages.
    stated_rate_hz : float
        Rate that the log or the caller states [Hz], nan when none; checked, never used as the result.

    Returns
    -------
    Placement

    Raises
    ------
    LogFormatError
        When the stamps do not make a clock, or contradict the stated rate.

    Examples
    --------
    >>> p = place_rows(np.array([0.0, 0.1, 0.2, 0.5, 0.6]), file="a.csv")
    >>> p.places.tolist(), round(p.facts.rate_hz, 6), p.problems[0][0], p.problems[0][3]
    ([0, 1, 2, 5, 6], 10.0, 'gap', 2)
    """
    rows = np.flatnonzero(np.isfinite(stamps_s))
    stamps = stamps_s[rows]
    keep, problems = _left_out(stamps, rows)
    rows, stamps = rows[keep], stamps[keep]
    if len(stamps) < 2 or stamps[-1] <= stamps[0]:
        raise LogFormatError(
            file, found="no two rising time stamps", expected="a time column that rises from row to row",
            cure="give sample_rate_hz= and leave the time column out with columns=",
        )
    _refuse_disorder(len(problems), len(stamps), file)
    steps, extra = _coarse_steps(stamps) if _is_coarse(stamps) else _fine_steps(stamps)
    problems += [("repeated time", int(rows[i]), f"{n} row(s) too many for their time", n) for i, n in extra]
    steps[:] = np.maximum(steps, 0)
    places = np.concatenate([[0], np.cumsum(steps)])
    n_samples = int(places[-1]) + 1
    period = _true_period(stamps, places)
    problems += _gaps(stamps, rows, steps)
    new = np.concatenate([[True], steps > 0])
    rows, places = rows[new], places[new]
    _refuse_pause(n_samples, len(rows), stamps, file)
    _compare_rates(1.0 / period, stated_rate_hz, file)
    facts = _facts(stamps_s, stamps, steps, period, stated_rate_hz, n_samples - len(rows))
    problems.sort(key=lambda problem: problem[1])
    return Placement(
        rows=rows, places=places, n_samples=n_samples, start_s=float(stamps[0]), problems=tuple(problems), facts=facts,
    )


def _left_out(stamps: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, list[tuple[str, int, str, int]]]:
    """Mask of rows whose stamps never fall, and the rows that spoil it (the smaller of two possible sets)."""
    if len(stamps) < 2 or (np.diff(stamps) >= 0).all():
        keep = np.ones(len(stamps), dtype=bool)
    else:
        highest_before = np.concatenate([[-np.inf], np.maximum.accumulate(stamps)[:-1]])
        lowest_after = np.concatenate([np.minimum.accumulate(stamps[::-1])[::-1][1:], [np.inf]])
        behind, ahead = stamps < highest_before, stamps > lowest_after
        keep = ~(behind if behind.sum() <= ahead.sum() else ahead)
    problems = [
        ("backward time", int(rows[i]), f"{stamps[i]:.9g} s against {stamps[i - 1] if i else stamps[i + 1]:.9g} s", 1)
        for i in np.flatnonzero(~keep)
    ]
    kept = np.flatnonzero(keep)
    if len(kept) > 1 and not _is_coarse(stamps[kept]):
        again = kept[1:][np.diff(stamps[kept]) == 0]
        problems += [("repeated time", int(rows[i]), f"{stamps[i]:.9g} s again", 1) for i in again]
        keep[again] = False
    return keep, problems


def _is_coarse(stamps: np.ndarray) -> bool:
    """True when equal neighbours are the rule: stamps coarser than the sample period."""
    return bool((np.diff(stamps) == 0).mean() > _COARSE_SHARE)


def _fine_steps(stamps: np.ndarray) -> tuple[np.ndarray, list[tuple[int, int]]]:
    """Sample periods from each stamp to the next, for stamps finer than the period."""
    lengths = np.diff(stamps)
    period = float(np.median(lengths))
    for _ in range(20):
        steps = np.maximum(np.rint(lengths / period).astype(np.int64), 0)
        _share_late_stamps(steps)
        refined = (stamps[-1] - stamps[0]) / max(int(steps.sum()), 1)
        if abs(refined - period) <= 1e-12 * period:
            break
        period = refined
    return steps, [(int(i) + 1, 1) for i in np.flatnonzero(steps == 0)]


def _share_late_stamps(steps: np.ndarray) -> None:
    """One late (or early) stamp makes a long and a short step beside each other: two steps of one."""
    for i in np.flatnonzero(steps == 0):
        for neighbour in (i - 1, i + 1):
            if 0 <= neighbour < len(steps) and steps[neighbour] == 2:
                steps[neighbour] = steps[i] = 1
                break


def _coarse_steps(stamps: np.ndarray) -> tuple[np.ndarray, list[tuple[int, int]]]:
    """Sample periods from each row to the next, for stamps shared by several rows.

    A block's rows belong at (rounded stamps) or end at (stamped when the buffer was read) its stamp: the reading
    under which the blocks keep time better is taken.
    """
    first = np.concatenate([[0], np.flatnonzero(np.diff(stamps) > 0) + 1])
    last = np.concatenate([first[1:] - 1, [len(stamps) - 1]])
    blocks = stamps[first]
    period = _block_period(blocks, first)
    jumps = [np.diff(blocks - period * anchor) for anchor in (first, last)]
    jump = min(jumps, key=lambda j: float(np.abs(j).sum()))
    allowed = 1.5 * max(float(np.median(np.diff(blocks))), period)
    lost = np.where(np.abs(jump) > allowed, np.rint(jump / period), 0).astype(np.int64)
    steps = np.ones(len(stamps) - 1, dtype=np.int64)
    steps[first[1:][lost > 0] - 1] += lost[lost > 0]
    extra = []
    for block in np.flatnonzero(lost < 0):
        n = min(int(-lost[block]), int(last[block] - first[block]))
        steps[last[block] - n : last[block]] = 0
        extra.append((int(last[block]), n))
    return steps, extra


def _block_period(blocks: np.ndarray, first: np.ndarray) -> float:
    """Median slope over windows of blocks: a few gaps do not move it."""
    width = max(1, min(len(blocks) - 1, max(32, len(blocks) // 50)))
    slopes = (blocks[width:] - blocks[:-width]) / (first[width:] - first[:-width])
    return float(np.median(slopes))


def _true_period(stamps: np.ndarray, places: np.ndarray) -> float:
    """(t_end − t_0)/(n − 1) between the first rows of the first and the last stamp."""
    end = int(np.searchsorted(stamps, stamps[-1], side="left"))
    return float((stamps[end] - stamps[0]) / max(int(places[end]), 1))


def _gaps(stamps: np.ndarray, rows: np.ndarray, steps: np.ndarray) -> list[tuple[str, int, str, int]]:
    """Places without a row, unless rows left out in between explain them."""
    found = []
    for i in np.flatnonzero(steps > 1):
        unexplained = int(steps[i]) - int(rows[i + 1] - rows[i])
        if unexplained > 0:
            step = f"a step of {stamps[i + 1] - stamps[i]:.6g} s"
            found.append(("gap", int(rows[i + 1]), step, unexplained))
    return found


def _facts(
    all_stamps: np.ndarray, stamps: np.ndarray, steps: np.ndarray, period: float, stated: float, missing: int,
) -> ClockFacts:
    lengths = np.diff(stamps)
    single = lengths[steps == 1]
    return ClockFacts(
        has_time_column=True, n_rows=len(all_stamps), rate_hz=1.0 / period, stated_rate_hz=stated,
        step_sd_s=float(single.std()) if len(single) else math.nan, step_max_s=float(lengths.max()),
        resolution_s=stamp_resolution(stamps), n_missing=missing,
    )


# -------------------------------------------------------------------------------------------- refusals
def _refuse_disorder(n_wrong: int, n_right: int, file: str) -> None:
    if n_wrong > 0.2 * (n_right + n_wrong):
        raise LogFormatError(
            file, found=f"{n_wrong} of {n_right + n_wrong} time stamps that repeat or run backward",
            expected="a time column that rises", cure="cut the log where its clock restarts, or name another column "
            "with time_column=",
        )


def _refuse_pause(n_samples: int, n_rows: int, stamps: np.ndarray, file: str) -> None:
    if n_samples > _LONGEST_GRID * n_rows + 1000:
        raise LogFormatError(
            file, found=f"{n_rows} rows on {n_samples} places of the clock, longest step {np.diff(stamps).max():.6g} s",
            expected="a log without long pauses", cure="cut the log at the pause, or correct the time column",
        )


def _compare_rates(rate_hz: float, stated_hz: float, file: str) -> None:
    if not math.isnan(stated_hz) and abs(rate_hz / stated_hz - 1) > _RATE_TOLERANCE:
        raise LogFormatError(
            file, found=f"time stamps {1 / rate_hz:.6g} s apart ({rate_hz:.6g} Hz)",
            expected=f"the stated rate of {stated_hz:.6g} Hz",
            cure="correct time_unit= or the stated rate, or leave the rate out",
        )


# ---------------------------------------------------------------------------------------------- filling
def fill_gaps(values: np.ndarray, *, rate_hz: float, shorter_s: float) -> list[str]:
    """Interpolate, in place, over runs of nan shorter than `shorter_s` [s]; returns what was filled, in words.

    A cubic spline through the four samples on either side; gaps at the ends and longer gaps stay nan.
    """
    check_number("fill_gaps_shorter_s", shorter_s, above=0.0)
    said = []
    for row in values:
        missing = np.concatenate([[False], np.isnan(row), [False]])
        starts, stops = np.flatnonzero(np.diff(missing.astype(np.int8)) > 0), np.flatnonzero(
            np.diff(missing.astype(np.int8)) < 0
        )
        for start, stop in zip(starts, stops):
            if start == 0 or stop == len(row) or (stop - start) / rate_hz >= shorter_s:
                continue
            near = np.concatenate([np.arange(max(0, start - 4), start), np.arange(stop, min(len(row), stop + 4))])
            near = near[np.isfinite(row[near])]
            row[start:stop] = CubicSpline(near, row[near])(np.arange(start, stop))
            said.append((int(start), int(stop - start)))
    return [f"filled {n} sample(s) from sample {start} by a cubic" for start, n in sorted(set(said))]
