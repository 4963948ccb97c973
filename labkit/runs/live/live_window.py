"""The last seconds of a live stream: for the pre-trigger, the level meters, the strip chart, and to count moves."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from labkit.runs.live.line_protocol import StreamHeader
from labkit.runs.recording import Recording

__all__ = ["EndsFinder", "Level", "LiveWindow", "MoveCounter"]

#: Ends of the moves in a stretch of a log, in its own time [s].
EndsFinder = Callable[[Recording], Sequence[float]]

_LEVEL_S = 0.3
_FIND_EVERY_S = 0.7
_FIND_IN_S = 20.0
_SETTLED_S = 0.5  # a move counts once this much of the stillness after it has been seen
_SAME_S = 0.1  # ends closer than this are the same move, found again
_SWITCH = (0.3, 0.7)  # hysteresis of a trigger of 0 and 1


@dataclass(frozen=True, kw_only=True)
class Level:
    """Level of one channel over the last third of a second.

    Parameters
    ----------
    name, unit : str
        Channel and its SI unit.
    mean, rms, peak : float
        Mean, rms about the mean, and largest departure from the mean, in that unit.
    largest : float
        Largest value without its sign, for the range of the sensor.
    """

    name: str
    unit: str
    mean: float
    rms: float
    peak: float
    largest: float


class LiveWindow:
    """The last seconds of all signals.

    Parameters
    ----------
    header : StreamHeader
        What the columns are.
    length_s : float
        How much to keep [s].
    """

    def __init__(self, header: StreamHeader, *, length_s: float) -> None:
        self.header, self._length_s = header, length_s
        self._parts: deque[tuple[np.ndarray, np.ndarray]] = deque()

    def add(self, time_s: np.ndarray, values: np.ndarray) -> None:
        """Add samples: times [s], shape (n,), and values in the units of the header, shape (n, n_signals)."""
        if len(time_s):
            self._parts.append((time_s, values))
        while self._parts and self._parts[0][0][-1] < self.now_s - self._length_s:
            self._parts.popleft()

    def clear(self) -> None:
        """Forget everything."""
        self._parts.clear()

    @property
    def now_s(self) -> float:
        """Time of the last sample [s]; nan when there is none."""
        return float(self._parts[-1][0][-1]) if self._parts else math.nan

    def last(self, length_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Times and values of the last `length_s` seconds, oldest first."""
        since_s, chosen = self.now_s - length_s, []
        for part in reversed(self._parts):
            if part[0][-1] < since_s:
                break
            chosen.append(part)
        if not chosen:
            return np.empty(0), np.empty((0, len(self.header.signals)))
        time = np.concatenate([part[0] for part in reversed(chosen)])
        values = np.concatenate([part[1] for part in reversed(chosen)])
        return time[time >= since_s], values[time >= since_s]

    def levels(self) -> tuple[Level, ...]:
        """Level of each signal but the trigger."""
        _, values = self.last(_LEVEL_S)
        if not len(values):
            return ()
        found = []
        for k, unit in enumerate(self.header.units):
            if k != self.header.trigger:
                signal = unit.factor * values[:, k]
                away = signal - signal.mean()
                found.append(
                    Level(
                        name=self._names()[k],
                        unit=unit.symbol_si,
                        mean=float(signal.mean()),
                        rms=float(np.sqrt(np.mean(away**2))),
                        peak=float(np.abs(away).max()),
                        largest=float(np.abs(signal).max()),
                    )
                )
        return tuple(found)

    def recording(self, length_s: float, *, rate_hz: float) -> Recording | None:
        """The last seconds of the first quantity (acceleration, if there is any) in SI; None when there is too little.

        Parameters
        ----------
        length_s : float
            How much [s].
        rate_hz : float
            Rate of the samples [Hz]; lost ones are nan.
        """
        time, values = self.last(length_s)
        if len(time) < 16 or not math.isfinite(rate_hz):
            return None
        units = self.header.units
        kinds = [unit.quantity for k, unit in enumerate(units) if k != self.header.trigger] or [units[0].quantity]
        kind = "acceleration" if "acceleration" in kinds else kinds[0]
        chosen = [k for k, unit in enumerate(units) if unit.quantity == kind]
        place = np.round((time - time[0]) * rate_hz).astype(np.int64)
        placed = np.full((len(chosen), place[-1] + 1), np.nan)
        placed[:, place] = values[:, chosen].T * np.array([[units[k].factor] for k in chosen])
        return Recording(
            values=placed,
            sample_rate_hz=rate_hz,
            channels=[self._names()[k] for k in chosen],
            unit=units[chosen[0]].symbol_si,
            start_s=float(time[0]),
        )

    def _names(self) -> list[str]:
        return [self.header.columns[i].name for i in self.header.signals]


class MoveCounter:
    """Counts moves while they happen, by the trigger once it has risen, else by what `find_ends` finds.

    Parameters
    ----------
    header : StreamHeader
        What the columns are.
    find_ends : callable, optional
        Finds the ends of moves in the last seconds; without it and without a trigger nothing is counted.
    since_s : float
        Moves that end before this time are not counted [s].
    """

    def __init__(self, header: StreamHeader, *, find_ends: EndsFinder | None, since_s: float) -> None:
        self._trigger, self._find_ends = header.trigger, find_ends
        self._high = self._risen = False
        self._looked_s = since_s
        self._last_end_s, self.count = since_s, 0

    @property
    def last_end_s(self) -> float:
        """End of the last counted move [s]."""
        return self._last_end_s

    def note(self, time_s: np.ndarray, values: np.ndarray) -> None:
        """Look at the trigger in new samples: a move ends where it falls."""
        if self._trigger is None:
            return
        level = values[:, self._trigger]
        if (level >= _SWITCH[1]).all() if self._high else (level <= _SWITCH[0]).all():
            return
        for time, value in zip(time_s.tolist(), level.tolist()):
            if self._high and value <= _SWITCH[0]:
                self._high, self._last_end_s, self.count = False, time, self.count + 1
            elif not self._high and value >= _SWITCH[1]:
                self._high = self._risen = True

    def look(self, window: LiveWindow, *, rate_hz: float) -> None:
        """Look for moves in the motion itself, once in a while, as long as no trigger tells them."""
        now_s = window.now_s
        if self._risen or self._find_ends is None or now_s - self._looked_s < _FIND_EVERY_S:
            return
        self._looked_s = now_s
        recording = window.recording(_FIND_IN_S, rate_hz=rate_hz)
        if recording is None:
            return
        for end_s in sorted(self._find_ends(recording)):
            if self._last_end_s + _SAME_S < end_s < now_s - _SETTLED_S:
                self._last_end_s, self.count = end_s, self.count + 1
