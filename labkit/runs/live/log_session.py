"""The logs of one session: parts under free numbers, rows with remarks between them, counters."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from labkit.runs.live.line_protocol import Fault
from labkit.runs.live.live_window import EndsFinder, MoveCounter
from labkit.runs.live.log_file import LogFile, printable
from labkit.runs.live.log_plan import LogPlan, LogSummary
from labkit.runs.live.sample_clock import Loss, SampleClock

__all__ = ["LogSession"]

_MOST_REMARKS = 500  # on losses and faults in one log; the others are only counted
_LOSS_WORDS = {
    "sequence": "by the sequence number",
    "clock": "by the sensor's clock",
    "lateness": "by the computer's clock, somewhere in the half second before this line",
    "restart": "the sensor began anew; the pause is timed by the computer's clock",
    "pause": "the connection paused; timed by the computer's clock",
}


class LogSession:
    """Writes the parts of a session and counts.

    Parameters
    ----------
    plan : LogPlan
        What to log.
    source : str
        Name of the stream.
    find_ends : callable or None
        Finds the ends of moves where there is no trigger.
    clock : callable
        A clock that never runs backward [s].

    Attributes
    ----------
    paths, marks : list
        Logs made so far; time in its log [s] and text of each mark.
    n_samples, n_lost, n_faults, n_pauses : int
        Counters over all parts.
    """

    def __init__(self, plan: LogPlan, *, source: str, find_ends: EndsFinder | None, clock: Callable[[], float]) -> None:
        self._plan, self._source, self._find_ends, self._now = plan, source, find_ends, clock
        self._file: LogFile | None = None
        self._first_s = self._longest_sync_s = 0.0
        self._n_remarks = self._moves_before = 0
        self.counter: MoveCounter | None = None
        self.paths: list[Path] = []
        self.marks: list[tuple[float, str]] = []
        self.n_samples = self.n_lost = self.n_faults = self.n_pauses = 0

    @property
    def open(self) -> bool:
        """Whether a log is being written."""
        return self._file is not None

    @property
    def path(self) -> Path | None:
        """The log being written."""
        return self._file.path if self._file else None

    @property
    def n_moves(self) -> int:
        """Moves counted over all parts."""
        return self._moves_before + (self.counter.count if self.counter else 0)

    def begin(
        self,
        time_s: np.ndarray,
        values: np.ndarray,
        *,
        clock: SampleClock,
        start_s: float,
        facts: Sequence[str],
    ) -> None:
        """Open the next part and write what was kept from before its start, if anything was.

        Parameters
        ----------
        time_s, values : numpy.ndarray
            Rows from before the start: times of the stream [s] and values in the units of the header.
        clock : SampleClock
            Knows the columns and the rate.
        start_s : float
            Start of the log, after the part kept from before [s].
        facts : sequence of str
            Remarks of the sensor so far.
        """
        self._first_s, self._n_remarks = float(time_s[0]) if len(time_s) else start_s, 0
        remarks = [
            "log of a live stream; lost samples leave their place in time free, remarks say what happened",
            f"begun: {datetime.now(UTC).isoformat(timespec='milliseconds')} by the computer's clock",
            f"source: {printable(self._source)}",
            f"start: {start_s - self._first_s:.6f} s; what comes before was kept from before the start",
            *([] if math.isnan(clock.stated_rate_hz) else [f"sample rate: {clock.stated_rate_hz:g} Hz"]),
            *(f"sensor says: {fact}" for fact in facts),
            *self._plan.remarks,
        ]
        titles = ["t [s]", *clock.header.titles]
        self._file = LogFile(self._plan.folder, stem=self._plan.stem, remarks=remarks, titles=titles, clock=self._now)
        self.paths.append(self._file.path)
        self.counter = MoveCounter(clock.header, find_ends=self._find_ends, since_s=start_s)
        self.n_lost += int(np.maximum(np.round(np.diff(time_s) * clock.rate_hz) - 1, 0).sum())
        self._put(time_s, values)

    def write(self, time_s: np.ndarray, values: np.ndarray, *, losses: Sequence[Loss], faults: Sequence[Fault]) -> None:
        """Rows, with remarks about losses between them and about faults behind them."""
        done = 0
        begins = self._file.n_rows == 0  # what is missing before the first row is not missing in this log
        for loss in losses:
            if begins and loss.row == 0:
                continue
            self._put(time_s[done : loss.row], values[done : loss.row])
            done = max(done, loss.row)
            if loss.kind == "repeat":
                self._limited_remark("repeat: a row that came twice was left out")
                continue
            self.n_lost += loss.samples
            how = f"{loss.samples} sample(s), {1e3 * loss.duration_s:.6g} ms, {_LOSS_WORDS[loss.kind]}"
            self._limited_remark(f"lost: {how}")
        self._put(time_s[done:], values[done:])
        for fault in faults:
            self._limited_remark(f"fault: {fault.kind}: {fault.found}")

    def mark(self, text: str, *, at_s: float) -> None:
        """Write a mark at a time of the stream [s]."""
        self.marks.append((at_s - self._first_s, text))
        self._file.remark(f"mark: {at_s - self._first_s:.6f} s: {text}")

    def remark(self, text: str, *, now: bool = False) -> None:
        """Write a remark, and everything before it at once when `now`."""
        self._file.remark(text)
        if now:
            self._file.sync()

    def sync_when_due(self) -> None:
        """Bring to the disk what has waited long enough."""
        if self._file is not None:
            self._file.sync_when_due()

    def end(self, why: str, *, clock: SampleClock | None) -> None:
        """Close the part that is open, if any."""
        if self._file is None:
            return
        file, self._file = self._file, None
        self._moves_before, self.counter = self.n_moves, None
        rate_hz = math.nan if clock is None else clock.rate_hz
        file.remark(f"end: {why}; {file.n_rows} rows, {rate_hz:.6g} Hz")
        try:
            file.close()
        finally:
            self._longest_sync_s = max(self._longest_sync_s, file.longest_sync_s)

    def abandon(self) -> None:
        """Let go of the open part without writing more, after an error of the disk."""
        if self._file is not None:
            self._file.abandon()
            self._file = None

    def summary(self, *, rate_hz: float, reason: str) -> LogSummary:
        """What was logged."""
        return LogSummary(
            paths=tuple(self.paths),
            n_samples=self.n_samples,
            n_lost=self.n_lost,
            n_faults=self.n_faults,
            n_moves=self.n_moves,
            n_pauses=self.n_pauses,
            marks=tuple(self.marks),
            rate_hz=rate_hz,
            longest_sync_s=self._longest_sync_s,
            reason=reason,
        )

    def _put(self, time_s: np.ndarray, values: np.ndarray) -> None:
        if len(time_s):
            self._file.rows(time_s - self._first_s, values)
            self.n_samples += len(time_s)
            self.counter.note(time_s, values)

    def _limited_remark(self, text: str) -> None:
        self._n_remarks += 1
        if self._n_remarks <= _MOST_REMARKS:
            self._file.remark(text)
