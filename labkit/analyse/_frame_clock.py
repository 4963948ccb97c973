"""Frame times, as cameras give them, and the even clock of a Recording."""

from __future__ import annotations

import numpy as np
from scipy import interpolate

__all__ = ["even_clock", "unrounded"]

_STEPS_S = (1e-2, 1e-3)  # to which containers round the times of frames (GIF; Matroska and others)
_CLOCK_JITTER = 0.1  # share of a frame period by which times may miss an even clock


def even_clock(time_s: np.ndarray, shift_px: np.ndarray) -> tuple[np.ndarray, float, float, list[str]]:
    """Shifts on an even clock: as they are, with gaps where frames are missing, or resampled when the rate varies."""
    steps = np.diff(time_s)
    slots = _slots(steps)
    period, start = np.polyfit(slots, time_s, 1)
    if np.abs(time_s - start - period * slots).max() <= _CLOCK_JITTER * period:
        values = np.full((2, slots[-1] + 1), np.nan)
        values[:, slots] = shift_px
        missing = slots[-1] + 1 - len(slots)
        notes = [f"{missing} frame(s) missing in the sequence of times; left as gaps"] if missing else []
        return values, 1.0 / period, start, notes
    rate = (len(time_s) - 1) / (time_s[-1] - time_s[0])
    grid = time_s[0] + np.arange(len(time_s)) / rate
    values = np.stack([_resample(time_s, row, grid) for row in shift_px])
    note = f"the frame rate varies; resampled by cubic interpolation to {rate:.6g} Hz, gaps stay gaps"
    return values, rate, time_s[0], [note]


def _slots(steps_s: np.ndarray) -> np.ndarray:
    """Number of each frame on an even clock, from the steps between their times."""
    return np.concatenate([[0], np.cumsum(np.maximum(np.rint(steps_s / np.median(steps_s)), 1))]).astype(int)


def unrounded(time_s: np.ndarray) -> np.ndarray:
    """Frame times on the even clock that they were rounded from; as they are when rounding does not explain them."""
    if len(time_s) < 3 or (np.diff(time_s) <= 0).any():
        return time_s
    slots = _slots(np.diff(time_s))
    clock = np.polyval(np.polyfit(slots, time_s, 1), slots)
    away = np.abs(time_s - clock).max()
    rounded = any(away <= step and np.allclose(time_s / step, np.rint(time_s / step), atol=1e-4) for step in _STEPS_S)
    return clock if rounded else time_s


def _resample(time_s: np.ndarray, values: np.ndarray, grid_s: np.ndarray) -> np.ndarray:
    known = np.isfinite(values)
    if known.sum() < 4:
        return np.full(len(grid_s), np.nan)
    there = time_s[known]
    result = interpolate.make_interp_spline(there, values[known], k=3)(np.clip(grid_s, there[0], there[-1]))
    after = np.clip(np.searchsorted(there, grid_s, side="right"), 1, len(there) - 1)
    wide = there[after] - there[after - 1] > 2.5 * np.median(np.diff(time_s))
    outside = (grid_s < there[0] - 1e-9) | (grid_s > there[-1] + 1e-9)
    return np.where(wide | outside, np.nan, result)
