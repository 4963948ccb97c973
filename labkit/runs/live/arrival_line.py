"""Rate and phase of a sensor's samples from the times at which its lines arrive.

Delay only ever makes lines late: of the arrivals in each quarter of a second the least delayed one counts, and a
straight line through these, robust against stalls and backlogs, gives arrival time against sample number.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
from scipy import stats

__all__ = ["ArrivalLine"]

_LUMP_S = 0.25  # of the arrivals within it the least delayed one counts
_LUMPS = 480  # two minutes: long against delays, short against the drift of an oscillator
_TRUST_AFTER_S = 2.0  # arrivals over less time than this say too little about the rate
_TRUST_SHARE = 0.8  # of the arrivals must lie near their line
_DELAY_S = 0.01  # arrivals later than this are delayed and do not tell the rate
_PAIRED = 60  # arrivals from which the first guess of the line is taken
_STEER_S = 4.0  # a phase error fades with this time constant
_STEER_MOST = 2e-3  # largest correction of a step
_LATE_S, _LATE_SAMPLES = 0.05, 20  # lines later than this, and staying so, were lost and are not just delayed


class ArrivalLine:
    """Line through the arrivals.

    Attributes
    ----------
    trusted : bool
        Whether most arrivals lay on one line for long enough.
    step_s : float
        Time from sample to sample [s]; nan at first.

    Examples
    --------
    >>> line = ArrivalLine()
    >>> for k in range(200):
    ...     _ = line.note(8, 0.02 * k, numbered=True)
    >>> line.trusted, round(1 / line.step_s, 3)
    (True, 400.0)
    """

    def __init__(self) -> None:
        self.trusted, self.step_s = False, math.nan
        self._origin_s = math.nan  # arrival of sample 0
        self._count = 0
        self._lump: list[tuple[float, int]] = []
        self._best: deque[tuple[float, int]] = deque(maxlen=_LUMPS)  # arrival [s], samples until then
        self._aim_s: float | None = None  # arrival minus time written, as it should stay

    def note(self, counted: int, arrival_s: float, *, numbered: bool) -> int:
        """Take note of an arrival.

        Parameters
        ----------
        counted : int
            Samples since the last one.
        arrival_s : float
            When the last of them arrived [s].
        numbered : bool
            Whether the sensor numbers its samples, so that none can be missing here.

        Returns
        -------
        int
            Samples that must have been lost, since lines stay late; 0 as a rule.
        """
        self._count += counted
        self._lump.append((arrival_s, self._count))
        since_s, since = self._lump[0]
        if arrival_s - since_s < _LUMP_S:
            return 0
        step = (arrival_s - since_s) / max(1, self._count - since) if math.isnan(self.step_s) else self.step_s
        best, self._lump = min(self._lump, key=lambda point: point[0] - step * point[1]), []
        late = 0 if numbered else self._lost(best)
        self._count += late
        self._best.append((best[0], best[1] + late))
        if len(self._best) > 2:
            self._fit()
        return late

    def steered_step_s(self, last_s: float, *, unwritten: int) -> float:
        """Step that leads the times written back to the line [s].

        Parameters
        ----------
        last_s : float
            Time written last [s].
        unwritten : int
            Samples noted but not written yet.
        """
        off_s = self._origin_s + self.step_s * (self._count - unwritten) - last_s
        if self._aim_s is None:
            self._aim_s = off_s
        return self.step_s * (1.0 + float(np.clip((off_s - self._aim_s) / _STEER_S, -_STEER_MOST, _STEER_MOST)))

    def _lost(self, best: tuple[float, int]) -> int:
        """Samples lost: the least delayed lines of two quarters of a second are both too late."""
        if not self.trusted:
            return 0
        last = self._best[-1]
        late_s = min(arrival - (self._origin_s + self.step_s * count) for arrival, count in (last, best))
        if late_s < max(_LATE_S, _LATE_SAMPLES * self.step_s):
            return 0
        lost = round(late_s / self.step_s)
        self._best[-1] = (last[0], last[1] + lost)
        return lost

    def _fit(self) -> None:
        points = np.array(self._best)
        arrival, count = points[:, 0] - points[0, 0], points[:, 1] - points[0, 1]
        few = slice(None, None, 1 + len(points) // _PAIRED)
        guess = stats.theilslopes(arrival[few], count[few]).slope
        away = arrival - guess * count
        near = np.abs(away - np.median(away)) < _DELAY_S
        if not self.trusted and arrival[-1] >= _TRUST_AFTER_S:
            self.trusted = bool(near.mean() >= _TRUST_SHARE and guess > 0)
            if not self.trusted:
                self._best.popleft()  # a backlog that came in a rush
        if near.sum() > 2:
            step, offset = np.polyfit(count[near], arrival[near], 1)
            self.step_s = float(step)
            self._origin_s = float(points[0, 0] + offset - step * points[0, 1])
