"""Times of the samples of a live stream, and what was lost on the way.

Three kinds of streams, the best first: the sensor sends its own clock; it numbers its samples; it sends neither. The
first is believed. The other two are timed by the computer's clock, through a line of their arrivals (`arrival_line`),
so that the times written rise evenly and (n − 1)/(t_end − t_0) is the true rate.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labkit.base import check_number
from labkit.runs.live.arrival_line import ArrivalLine
from labkit.runs.live.line_protocol import StreamHeader

__all__ = ["Loss", "SampleClock", "Timed"]

_LEAP_S = 2.0  # a clock that departs from the computer's by this much at once was set, or its sensor restarted
_LONGEST_STEP = 1.5  # periods between neighbours
_WRAPS = (1 << 16, 1 << 30, 1 << 32)  # where counters of microcontrollers start anew


@dataclass(frozen=True, kw_only=True)
class Loss:
    """Samples that are missing, or a clock that is not as it must be.

    Parameters
    ----------
    row : int
        Row of the batch before which they are missing.
    kind : {"sequence", "clock", "lateness", "restart", "pause", "repeat"}
        What told so: a jump of the sequence number, of the sensor's clock, lines that stay late; a sensor that began
        anew; a pause of the connection; a row that came twice or out of order and is left out.
    samples : int
        How many, as well as it is known.
    duration_s : float
        Length of the gap [s].
    """

    kind: str
    row: int
    samples: int
    duration_s: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Timed:
    """Times of a batch of rows.

    Parameters
    ----------
    keep : numpy.ndarray of bool
        Rows that have a time; the others came twice.
    time_s : numpy.ndarray
        Time of each kept row since the first one [s], rising.
    losses : tuple of Loss
        What is missing, in order; `Loss.row` counts the kept rows.
    """

    keep: np.ndarray
    time_s: np.ndarray
    losses: tuple[Loss, ...] = ()


class SampleClock:
    """Gives each row its time.

    Parameters
    ----------
    header : StreamHeader
        What the columns are.
    rate_hz : float
        Rate that the sensor states [Hz]; nan when it states none.
    live : bool
        False for a stored stream, whose arrival times say nothing; it needs a rate or a clock of its own.

    Examples
    --------
    >>> from labkit.runs.live.line_protocol import parse_header
    >>> clock = SampleClock(parse_header("seq,ax [mg]", source="sensor"), rate_hz=10.0, live=False)
    >>> timed = clock.place(np.array([[0.0, 5.0], [1.0, 5.0], [4.0, 5.0]]), arrival_s=0.0)
    >>> [round(float(t), 6) for t in timed.time_s], [(loss.kind, loss.samples) for loss in timed.losses]
    ([0.0, 0.1, 0.4], [('sequence', 2)])
    """

    def __init__(self, header: StreamHeader, *, rate_hz: float, live: bool = True) -> None:
        if not math.isnan(rate_hz):
            check_number("rate_hz", rate_hz, above=0.0)
        self.header, self.live, self.stated_rate_hz = header, live, rate_hz
        if header.time is None and not live and math.isnan(rate_hz):
            raise ValueError(
                "a stored stream with neither a clock nor a rate cannot be timed; state the rate with --rate-hz"
            )
        self._step_s = 1.0 / rate_hz if not math.isnan(rate_hz) else math.nan
        self._last_s = self._last_tick = self._last_seq = None
        self._last_arrival_s, self._pause = math.nan, False
        self._arrivals = ArrivalLine()

    @property
    def rate_hz(self) -> float:
        """Rate of the samples as well as it is known now [Hz]; nan at first when none is stated."""
        return 1.0 / self._step_s

    @property
    def ready(self) -> bool:
        """Whether the rate is known well enough to begin a log."""
        if self.header.time is not None or not self.live:
            return not math.isnan(self._step_s)
        return self._arrivals.trusted

    def interrupted(self) -> None:
        """Say that the connection was lost: the next row comes after a pause timed by the computer's clock."""
        self._pause = True

    def place(self, rows: np.ndarray, *, arrival_s: float) -> Timed:
        """Times of the rows of a batch.

        Parameters
        ----------
        rows : numpy.ndarray, shape (n, n_columns)
            As decoded.
        arrival_s : float
            When the last of them arrived, by a clock of the computer that never runs backward [s].
        """
        if not len(rows):
            return Timed(keep=np.zeros(0, dtype=bool), time_s=np.zeros(0))
        place = self._by_own_clock if self.header.time is not None else self._by_count
        timed = place(rows, arrival_s)
        if len(timed.time_s):
            self._last_s = float(timed.time_s[-1])
        self._last_arrival_s, self._pause = arrival_s, False
        return timed

    # --------------------------------------------------------------------------------- the sensor's own clock
    def _by_own_clock(self, rows: np.ndarray, arrival_s: float) -> Timed:
        ticks = rows[:, self.header.time]
        if self._last_tick is None and len(ticks) > 1:
            self._step_s = float(np.median(np.diff(ticks))) * self.header.tick_s
        times, keep, losses = [], [], []
        for tick in ticks.tolist():
            kind, step_s = self._own_step(tick, arrival_s)
            self._last_tick = tick if kind != "repeat" else self._last_tick
            keep.append(kind != "repeat")
            if kind:
                lost = 1 if kind == "repeat" else max(0, round(step_s * self._rate_or_0()) - 1)
                losses.append(Loss(kind=kind, row=len(times), samples=lost, duration_s=step_s))
            if keep[-1]:
                self._last_s = 0.0 if self._last_s is None else self._last_s + step_s
                times.append(self._last_s)
                self._learn_step(step_s, kind)
        return Timed(keep=np.array(keep), time_s=np.array(times), losses=tuple(losses))

    def _own_step(self, tick: float, arrival_s: float) -> tuple[str, float]:
        """What kind of step leads to this stamp ("" for a usual one), and its length [s]."""
        if self._last_tick is None:
            return "", self._step_or_0()
        passed_s = max(arrival_s - self._last_arrival_s, self._step_or_0())
        step_s = (tick - self._last_tick) * self.header.tick_s
        if step_s < 0:
            wrapped = ((tick - self._last_tick) % modulus * self.header.tick_s for modulus in _WRAPS)
            step_s = next((w for w in wrapped if w < _LONGEST_STEP * self._step_or_0()), step_s)
        if self._pause:
            return "pause", passed_s if abs(step_s - passed_s) > _LEAP_S else step_s
        if step_s == 0:
            return "repeat", 0.0
        if step_s < 0 or (self.live and step_s > passed_s + _LEAP_S):
            return "restart", passed_s if self.live else self._step_or_0()
        return "clock" if step_s > _LONGEST_STEP * self._step_or_inf() else "", step_s

    def _learn_step(self, step_s: float, kind: str) -> None:
        if not kind and step_s > 0 and not math.isnan(self._step_s):
            self._step_s += 1e-3 * (step_s - self._step_s)

    def _step_or_0(self) -> float:
        return 0.0 if math.isnan(self._step_s) else self._step_s

    def _step_or_inf(self) -> float:
        return math.inf if math.isnan(self._step_s) else self._step_s

    def _rate_or_0(self) -> float:
        return 0.0 if math.isnan(self._step_s) else 1.0 / self._step_s

    # ------------------------------------------------------------------------------------- counted samples
    def _by_count(self, rows: np.ndarray, arrival_s: float) -> Timed:
        steps, keep, losses = self._count_steps(rows, arrival_s)
        step_s, late = self._step_s, 0
        if self.live:
            late = self._arrivals.note(int(steps.sum()), arrival_s, numbered=self.header.seq is not None)
            self._step_s = self._arrivals.step_s if self._arrivals.trusted else self._step_s
        if late:
            losses = [Loss(kind="lateness", row=0, samples=late, duration_s=late * self._step_s), *losses]
            steps[0] += late
        if self._last_s is None:
            steps[0] = 0
        elif self._arrivals.trusted:
            step_s = self._arrivals.steered_step_s(self._last_s, unwritten=int(steps.sum()))
        times = (self._last_s or 0.0) + (0.0 if math.isnan(step_s) else step_s) * np.cumsum(steps)
        return Timed(keep=keep, time_s=times, losses=tuple(losses))

    def _count_steps(self, rows: np.ndarray, arrival_s: float) -> tuple[np.ndarray, np.ndarray, list[Loss]]:
        """Places that each kept row is ahead of the one before, which rows are kept, and what that says."""
        if self.header.seq is None:
            steps, losses = [1] * len(rows), []
            if self._pause:
                steps[0], losses = self._paused(len(rows), arrival_s)
            return np.array(steps), np.ones(len(rows), dtype=bool), losses
        numbers = rows[:, self.header.seq]
        before = numbers[0] - 1 if self._last_seq is None else self._last_seq
        usual = not self._pause and (np.diff(numbers, prepend=before) == 1).all()
        self._last_seq = float(numbers[-1])
        if usual:
            return np.ones(len(rows), dtype=int), np.ones(len(rows), dtype=bool), []
        return self._odd_steps([before, *numbers.tolist()], arrival_s)

    def _odd_steps(self, numbers: Sequence[float], arrival_s: float) -> tuple[np.ndarray, np.ndarray, list[Loss]]:
        steps, keep, losses = [], [], []
        for i, (before, number) in enumerate(itertools.pairwise(numbers)):
            kind, step = self._sequence_step(int(number - before), arrival_s)
            if self._pause and i == 0:
                step, losses = self._paused(len(numbers) - 1, arrival_s)
            elif kind:
                lost = 1 if kind == "repeat" else step - 1
                losses.append(Loss(kind=kind, row=len(steps), samples=lost, duration_s=lost * self._step_or_0()))
            keep.append(kind != "repeat")
            steps += [step] if keep[-1] else []
        if not steps:
            steps, keep = [1], [*keep[:-1], True]
        return np.array(steps), np.array(keep), losses

    def _sequence_step(self, ahead: int, arrival_s: float) -> tuple[str, int]:
        """What a step of the sequence number means, and how many places it leads on."""
        if self.header.seq_modulus:
            half = self.header.seq_modulus // 2
            ahead = (ahead + half) % self.header.seq_modulus - half
        if ahead == 1:
            return "", 1
        if ahead == 0:
            return "repeat", 0
        passed_s = arrival_s - self._last_arrival_s if math.isfinite(self._last_arrival_s) else 0.0
        if ahead < 0 or (self.live and ahead * self._step_or_0() > passed_s + _LEAP_S):
            return "restart", max(1, round(passed_s * self._rate_or_0())) if self.live else 1
        return "sequence", ahead

    def _paused(self, n_rows: int, arrival_s: float) -> tuple[int, list[Loss]]:
        """Places passed during a pause of the connection, by the computer's clock."""
        passed_s = arrival_s - self._last_arrival_s
        step = max(1, round(passed_s * self._rate_or_0()) - (n_rows - 1))
        self._arrivals = ArrivalLine()
        return step, [Loss(kind="pause", row=0, samples=step - 1, duration_s=(step - 1) * self._step_or_0())]
