"""How many sample periods lie between the time stamps of neighbouring rows.

Stamps that fit a uniform clock within their own resolution are regular. Stamps coarser than the sample period (rounded
to a millisecond, or one stamp for a whole block read from the sensor's buffer) are judged block by block; a loss that
hides in their coarseness cannot be seen in them.
"""

from __future__ import annotations

import numpy as np

__all__ = ["SHORTEST_PERIOD_S", "equal_stamps_are_the_rule", "stamp_resolution", "steps_between", "true_period"]

#: No log has rows closer than this [s]; it keeps all that is divided by a period finite.
SHORTEST_PERIOD_S = 1e-12
_BLOCK_SHARE = 0.3  # share of repeated stamps from which they are the rule (a stamp a block), not a fault
_COARSE = 0.45  # stamps coarser than this part of a period cannot tell one step from two
_MOST_PERIODS = 1e9  # in one step; a pause in any log, and few enough that their sum stays a whole number


def stamp_resolution(stamps: np.ndarray) -> float:
    """Largest 1, 2 or 5 times a power of ten of which all stamps are multiples; 0 when there is none.

    Examples
    --------
    >>> stamp_resolution(np.array([0.0, 0.3, 0.6, 0.9, 1.3]))
    0.1
    """
    sample = stamps[:: max(1, len(stamps) // 5000)] - stamps[0]
    noise = 8 * np.finfo(float).eps * float(max(stamps.max(), -stamps.min()))
    for exponent in range(3, -10, -1):
        for leading in (5, 2, 1):
            step = float(f"{leading}e{exponent}")
            if step > 4 * noise and np.abs(sample - np.round(sample / step) * step).max() <= max(noise, 1e-6 * step):
                return step
    return 0.0


def equal_stamps_are_the_rule(stamps: np.ndarray) -> bool:
    """True when stamps are shared by blocks of rows, or rounded more coarsely than the rows follow."""
    equal = float((np.diff(stamps) == 0).mean())
    resolution = stamp_resolution(stamps)
    mean_step = (stamps[-1] - stamps[0]) / max(len(stamps) - 1, 1)
    return equal > _BLOCK_SHARE or resolution > 1.2 * mean_step or _fits_rounded_clock(stamps, resolution)


# -------------------------------------------------------------------------------- from each row to the next
def steps_between(stamps: np.ndarray) -> np.ndarray:
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
    return max(float(np.median(slopes)), SHORTEST_PERIOD_S)


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
    period = max(float(np.median(lengths)), SHORTEST_PERIOD_S)
    for _ in range(20):
        steps = np.rint(np.minimum(lengths / period, _MOST_PERIODS)).astype(np.int64)
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
    lost = np.where(np.abs(jump) > allowed, np.rint(np.clip(jump / period, -_MOST_PERIODS, _MOST_PERIODS)), 0)
    lost = lost.astype(np.int64)
    for i in np.flatnonzero(lost[:-1] > 0):  # the blocks on both sides of a gap are torn: it shows twice
        lost[i : i + 2] = [lost[i] + max(lost[i + 1], 0), min(lost[i + 1], 0)]
    steps = np.ones(len(stamps) - 1, dtype=np.int64)
    steps[first[1:] - 1] += np.maximum(lost, 0)
    for block in np.flatnonzero(lost < 0):  # more rows than time: the last ones of the block are too many
        surplus = min(int(-lost[block]), int(last[block] - first[block]))
        steps[last[block] - surplus : last[block]] = 0
    return steps


def true_period(stamps: np.ndarray, steps: np.ndarray) -> float:
    """(t_end − t_0)/(n − 1) [s]; where rows share stamps, between the first rows of the second and the last stamp."""
    end = int(np.searchsorted(stamps, stamps[-1], side="left"))
    second = int(np.searchsorted(stamps, stamps[0], side="right"))
    shared = (second > 1 or end < len(stamps) - 1) and second < end
    start = second if shared else 0
    return float(stamps[end] - stamps[start]) / max(int(steps[start:end].sum()), 1)
