"""Slow positions: vibration averaged out of a displacement, or repeated looks at something that stands still."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.base import check_array, check_number
from labkit.runs.recording import Recording

__all__ = ["SlowPositions", "slow_positions", "thinned"]

_FEWEST = 8  # positions from which a drift can be judged
_MOST_POSITIONS = 200  # that a fit can carry; more are averaged
_LEAST_WINDOW_S = 1.0
_LEAST_SAMPLES = 8  # of a window
_OUTLIER = 6.0  # robust standard deviations within a window


@dataclass(frozen=True, kw_only=True, eq=False)
class SlowPositions:
    """Positions from which vibration is averaged out, or repeated looks at something that stands still.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Time of each position [s], growing; the steps may differ.
    position_m : array_like, shape (n,)
        Position [m].
    window_s : float
        Time over which each was averaged [s]; 0 for single looks.
    vibration_rms_m : float
        Root mean square of what was averaged out [m]; nan when nothing was.
    left_out : int
        Samples left out: missing, outliers, or in a window with too few.
    """

    time_s: np.ndarray
    position_m: np.ndarray
    window_s: float = 0.0
    vibration_rms_m: float = math.nan
    left_out: int = 0

    def __post_init__(self) -> None:
        cure = f"drift needs at least {_FEWEST} positions: record longer, or look more often"
        time, position = (
            check_array(name, getattr(self, name), ndim=1, min_length=_FEWEST, cure=cure).copy()
            for name in ("time_s", "position_m")
        )
        if time.shape != position.shape:
            raise ValueError(f"time_s has {time.size} values, position_m {position.size}; they must pair")
        if (np.diff(time) <= 0).any():
            at = int(np.flatnonzero(np.diff(time) <= 0)[0]) + 1
            raise ValueError(
                f"time_s[{at}] is {time[at]:g} s after {time[at - 1]:g} s; times must grow: sort the table"
            )
        for name, values in (("time_s", time), ("position_m", position)):
            values.setflags(write=False)
            object.__setattr__(self, name, values)


def slow_positions(
    recording: Recording, *, channel: str, window_s: float = math.nan, least_share: float = 0.5
) -> SlowPositions:
    """Positions averaged over windows: vibration goes, drift stays.

    In each window samples further than six robust standard deviations from its median are left out (frames that were
    mistaken), the rest is averaged with weights that fade in and out (Hann). Windows with too few samples are left
    out: a gap stays a gap.

    Parameters
    ----------
    recording : Recording
        Displacement [m] of something that stands still, as from `track` with a scale; nan where samples are missing.
    channel : str
        Channel, such as ``"x"``.
    window_s : float
        Length of a window [s], many periods of the vibration and short against the drift; by default a 200th of the
        record, but at least 1 s and 8 samples.
    least_share : float
        Share of its samples that a window must have.

    Examples
    --------
    >>> t = np.arange(40_000) / 20
    >>> x = 4e-6 * (1 - np.exp(-t / 600)) + 10e-6 * np.sin(2 * np.pi * 3.3 * t)
    >>> log = Recording(values=[x], sample_rate_hz=20.0, channels=["x"], unit="m")
    >>> slow = slow_positions(log, channel="x")
    >>> slow.position_m.size, f"{1e6 * slow.vibration_rms_m:.2f} µm", f"{1e6 * slow.position_m[-1]:.2f} µm"
    (200, '7.09 µm', '3.86 µm')
    """
    if recording.unit != "m":
        raise ValueError(
            f"recording has unit {recording.unit!r}; drift needs a displacement in 'm': give `track` a scale; an "
            "accelerometer does not see drift at all"
        )
    share = check_number("least_share", least_share, above=0.0, at_most=1.0)
    rate, values = recording.sample_rate_hz, recording.channel(channel)
    if math.isnan(window_s):
        window_s = max(_LEAST_WINDOW_S, _LEAST_SAMPLES / rate, recording.n_samples / rate / _MOST_POSITIONS)
    length = max(1, round(check_number("window_s", window_s, above=0.0) * rate))
    time = recording.time_s
    found = [_window(time[k : k + length], values[k : k + length]) for k in range(0, values.size - length + 1, length)]
    kept = [one for one in found if one[2] >= share * length]
    if len(kept) < _FEWEST:
        raise ValueError(
            f"{channel} fills {len(kept)} windows of {length / rate:g} s; drift needs at least {_FEWEST}: "
            "record longer, or shorten the window"
        )
    times, positions, counts, squares = (np.array(column) for column in zip(*kept))
    return SlowPositions(
        time_s=times,
        position_m=positions,
        window_s=length / rate,
        vibration_rms_m=float(np.sqrt(squares.sum() / max(1, counts.sum() - counts.size))),
        left_out=int(values.size - counts.sum()),
    )


def thinned(slow: SlowPositions) -> tuple[np.ndarray, np.ndarray]:
    """Times [s] and positions [m], averaged in windows of equal length to what a fit can carry.

    Parameters
    ----------
    slow : SlowPositions
        Any number of positions.

    Examples
    --------
    >>> times, positions = thinned(SlowPositions(time_s=np.arange(1000.0), position_m=np.arange(1000.0)))
    >>> times.size, float(positions[0])
    (200, 2.0)
    """
    time, position = slow.time_s, slow.position_m
    if time.size <= _MOST_POSITIONS:
        return time, position
    edges = np.linspace(time[0], time[-1], _MOST_POSITIONS + 1)[1:-1]
    window = np.searchsorted(edges, time, side="right")
    counts = np.bincount(window, minlength=_MOST_POSITIONS)
    times, positions = (np.bincount(window, one, minlength=_MOST_POSITIONS) for one in (time, position))
    # the ends of a gap leave windows with few positions: they would be noisier than the rest
    full = counts >= 0.5 * np.median(counts[counts > 0])
    return times[full] / counts[full], positions[full] / counts[full]


def _window(time: np.ndarray, values: np.ndarray) -> tuple[float, float, int, float]:
    """Mean time and mean, number, and sum of squares about the mean, of the samples that can be believed."""
    good = np.isfinite(values)
    if not good.any():
        return math.nan, math.nan, 0, 0.0
    deviation = np.abs(values - np.median(values[good]))
    spread = 1.4826 * np.median(deviation[good])
    good &= ~(deviation > _OUTLIER * spread) if spread > 0 else True
    used = values[good]
    # faded in and out, so that a vibration of no whole number of periods leaves next to nothing
    weights = np.sin(np.pi * (np.arange(values.size) + 0.5) / values.size)[good] ** 2
    weights /= weights.sum()
    return weights @ time[good], weights @ used, used.size, float(np.sum((used - used.mean()) ** 2))
