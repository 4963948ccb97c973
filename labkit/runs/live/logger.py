"""Log a run live: read a stream, wait for the moment, write it down as it comes, say what is missing.

The log is a text file that `read_log` reads: remarks, a line of titles with units, rows with the time in seconds. Lost
samples leave their place in time free; what happened (losses, pauses of the connection, marks) stands in remarks
between the rows. A log is never overwritten: each start takes the next free number.
"""

from __future__ import annotations

import math
import queue
from collections.abc import Callable
from time import monotonic

import numpy as np

from labkit.base import LogFormatError
from labkit.runs.live.byte_source import ByteSource, Piece, Pump, SourceLostError
from labkit.runs.live.line_protocol import Batch, LineDecoder, StreamHeader, scaled_signals
from labkit.runs.live.live_window import EndsFinder, LiveWindow
from labkit.runs.live.log_file import LogNotStoredError, printable
from labkit.runs.live.log_plan import CAUTIONS, WINDOW_S, LoggerStatus, LogPlan, LogSummary
from labkit.runs.live.log_session import LogSession
from labkit.runs.live.sample_clock import SampleClock
from labkit.runs.recording import Recording

__all__ = ["CAUTIONS", "LogPlan", "LogSummary", "Logger", "LoggerStatus"]

_UPDATE_EVERY_S = 0.1
_LONGEST_PAUSE_S = 5.0  # a longer pause of the connection begins a new log
_PATIENCE_S = 10.0
_HEADER_WITHIN_S = 3.0


class Logger:
    """Logs one session from a source, as a plan says.

    Parameters
    ----------
    source : ByteSource
        The stream; closed at the end.
    plan : LogPlan
        What to log.
    find_ends : callable, optional
        Finds the ends of moves in a Recording, for sensors without a trigger column.
    clock : callable
        A clock that never runs backward [s]; setting the computer's time of day does not touch the log.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from labkit.runs.live.byte_source import open_source
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (folder / "sent.txt").write_text("# rate_hz: 100\\nseq,ax [mg]\\n0,5\\n1,6\\n4,5\\n5,6\\n")
    >>> plan = LogPlan(folder=folder, pretrigger_s=0.0)
    >>> summary = Logger(open_source(str(folder / "sent.txt")), plan).run()
    >>> summary.n_samples, summary.n_lost, summary.reason
    (4, 2, 'end of the stream')
    """

    def __init__(
        self,
        source: ByteSource,
        plan: LogPlan,
        *,
        find_ends: EndsFinder | None = None,
        clock: Callable[[], float] = monotonic,
    ) -> None:
        self._source, self.plan, self._now = source, plan, clock
        self._decoder = LineDecoder(source=printable(source.name), header=plan.header)
        if not source.begins_whole:
            self._decoder.joined()
        self._commands: queue.SimpleQueue[tuple[str, str]] = queue.SimpleQueue()
        self._session = LogSession(plan, source=source.name, find_ends=find_ends, clock=clock)
        self._clock: SampleClock | None = None
        self._window: LiveWindow | None = None
        self._reason = ""
        self._facts: dict[str, None] = {}
        self._start_at_s = self._lost_since_s = None
        self._begun_s, self._heard_s = 0.0, math.nan

    # --------------------------------------------------------------------------------- from any other thread
    def start(self) -> None:
        """Start the log (after the countdown)."""
        self._commands.put(("start", ""))

    def stop(self) -> None:
        """Stop the log."""
        self._commands.put(("stop", ""))

    def mark(self, text: str = "") -> None:
        """Write a mark with the time of the last sample."""
        self._commands.put(("mark", text))

    # ------------------------------------------------------------------------------------------------ the loop
    def run(self, on_update: Callable[[LoggerStatus], None] | None = None) -> LogSummary:
        """Log until the plan is fulfilled, `stop` is called or the stream ends.

        Parameters
        ----------
        on_update : callable, optional
            Called with the status some times a second, in this thread; it may take its time, and is then called less
            often.

        Raises
        ------
        LogFormatError
            When the stream has no header that says what its numbers are.
        LogNotStoredError
            When the disk takes no more; what was written stays.
        SourceLostError
            When nothing of use arrives.
        """
        pump = Pump(self._source, clock=self._now)
        self._heard_s = self._now()
        try:
            self._loop(pump, on_update)
        except LogNotStoredError:
            self._session.abandon()
            raise
        except KeyboardInterrupt:
            self._reason = "stopped"
        finally:
            pump.stop()
            self._session.end(self._reason or "an error", clock=self._clock)
        if on_update is not None:
            on_update(self.status())
        return self._session.summary(rate_hz=self._rate_hz(), reason=self._reason)

    def _loop(self, pump: Pump, on_update: Callable[[LoggerStatus], None] | None) -> None:
        next_update_s = -math.inf
        while not self._reason:
            self._obey()
            self._take(pump.get(0.05))
            self._check_plan()
            self._session.sync_when_due()
            begun_s = self._now()
            if on_update is not None and begun_s >= next_update_s:
                on_update(self.status())
                next_update_s = self._now() + max(_UPDATE_EVERY_S, self._now() - begun_s)

    def status(self) -> LoggerStatus:
        """How the log stands; call it from `on_update`."""
        session = self._session
        return LoggerStatus(
            state=self._state(),
            time_s=self._time_s(),
            n_samples=session.n_samples,
            n_lost=session.n_lost,
            n_faults=session.n_faults,
            n_moves=session.n_moves,
            rate_hz=self._rate_hz(),
            levels=self._window.levels() if self._window else (),
            path=session.path,
        )

    def recent(self, length_s: float) -> Recording | None:
        """The last seconds in SI, for a strip chart; call it from `on_update`."""
        return self._window.recording(length_s, rate_hz=self._rate_hz()) if self._window else None

    def _rate_hz(self) -> float:
        return self._clock.rate_hz if self._clock else math.nan

    def _state(self) -> str:
        if self._reason:
            return "done"
        if self._lost_since_s is not None:
            return "disconnected"
        if self._session.open:
            return "logging"
        if self._start_at_s is not None:
            return "countdown"
        if self._clock is None:
            return "no data"
        return "waiting" if self._clock.ready else "clock"

    def _time_s(self) -> float:
        if self._session.open:
            return self._window.now_s - self._begun_s
        return 0.0 if self._start_at_s is None else max(0.0, self._start_at_s - self._now())

    def _obey(self) -> None:
        while not self._commands.empty():
            command, text = self._commands.get()
            if command == "stop":
                self._reason = "stopped"
            elif command == "start" and not self._session.open and self._start_at_s is None:
                self._start_at_s = self._now() + self.plan.countdown_s
            elif command == "mark" and self._session.open:
                self._session.mark(text, at_s=self._window.now_s)

    # ------------------------------------------------------------------------------------------ what arrives
    def _take(self, piece: Piece | None) -> None:
        if piece is None:
            self._mind_silence()
        elif piece.kind == "bytes":
            for batch in self._decoder.feed(piece.data):
                self._take_batch(batch, piece.arrival_s)
            self._mind_header()
        elif piece.kind == "lost":
            self._connection_lost(piece)
        elif piece.kind == "back":
            self._connection_back(piece)
        else:
            if self._clock is None:
                raise self._no_header()
            self._reason = "end of the stream"

    def _mind_silence(self) -> None:
        """Wait for a lost connection for ever, for a port that is open and silent only so long."""
        if self._lost_since_s is not None or self._now() - self._heard_s < _PATIENCE_S:
            return
        if self._session.open:
            self._reason = f"nothing arrived for {_PATIENCE_S:g} s"
            return
        raise SourceLostError(
            f"{printable(self._source.name)} has sent nothing of use for {_PATIENCE_S:g} s; "
            "check its power, the port and the baud rate"
        )

    def _mind_header(self) -> None:
        """A stream is heard once its header has come; rows without one are refused after a while."""
        if self._decoder.header is not None:
            self._heard_s = self._now()
        elif self._decoder.rows_without_header and self._now() - self._heard_s > _HEADER_WITHIN_S:
            raise self._no_header()
        self._mind_silence()

    def _no_header(self) -> LogFormatError:
        return self._decoder.refused_header or LogFormatError(
            printable(self._source.name),
            found=f"{self._decoder.rows_without_header} row(s) of numbers without a header",
            expected="a line such as 'seq,ax [mg],ay [mg],az [mg]' at least once a second",
            cure="let the sensor send it, or state it with --header",
        )

    def _connection_lost(self, piece: Piece) -> None:
        self._lost_since_s = piece.arrival_s
        self._decoder.joined()
        if self._session.open:
            self._session.remark(f"pause: the connection was lost: {piece.why}", now=True)

    def _connection_back(self, piece: Piece) -> None:
        paused_s, self._lost_since_s = piece.arrival_s - self._lost_since_s, None
        self._heard_s = piece.arrival_s
        self._session.n_pauses += 1
        if self._clock is not None:
            self._clock.interrupted()
        if self._session.open:
            self._session.remark(f"pause: the connection is back after {paused_s:.2f} s")
            if paused_s > _LONGEST_PAUSE_S:
                self._next_part(f"a pause of {paused_s:.1f} s")

    def _take_batch(self, batch: Batch, arrival_s: float) -> None:
        if batch.header is not None:
            self._new_header(batch.header)
        self._facts.update(dict.fromkeys(text for _, text in batch.remarks[: 100 - len(self._facts)]))
        if self._clock is None and len(batch.rows):
            self._new_clock()
        if self._clock is None:
            return
        self._session.n_faults += len(batch.faults)
        learnt = self._clock.ready
        timed = self._clock.place(batch.rows, arrival_s=arrival_s)
        values = scaled_signals(batch.rows[timed.keep], header=self._decoder.header)
        if self._clock.ready and not learnt:
            self._window.clear()  # it was timed with a rate that was only stated
        self._window.add(timed.time_s, values)
        if not self._session.open and len(values):
            self._look_for_start(float(timed.time_s[0]), values)
        if self._session.open:
            self._session.write(timed.time_s, values, losses=timed.losses, faults=batch.faults)

    def _new_header(self, header: StreamHeader) -> None:
        """A first or a different header: what came before belongs to another log."""
        if self._session.open:
            self._next_part(f"the columns changed to {header.line}")
        self._clock = None

    def _new_clock(self) -> None:
        header, plan = self._decoder.header, self.plan
        rate_hz = self._decoder.rate_hz if math.isnan(plan.rate_hz) else plan.rate_hz
        self._clock = SampleClock(header, rate_hz=rate_hz, live=self._source.live)
        self._window = LiveWindow(header, length_s=WINDOW_S)

    def _next_part(self, why: str) -> None:
        self._session.end(f"{why}; the log goes on in a new file", clock=self._clock)
        self._window.clear()
        self._start_at_s = self._now()

    # ------------------------------------------------------------------------------------------ start and end
    def _look_for_start(self, first_s: float, values: np.ndarray) -> None:
        """Begin the log when it is time; `first_s` is the time of the newest rows."""
        if not self._clock.ready:
            return
        if self._start_at_s is None and self._begins(values):
            self._start_at_s = self._now() + (self.plan.countdown_s if self.plan.begin == "at once" else 0.0)
        if self._start_at_s is not None and self._now() >= self._start_at_s:
            kept_s = 0.0 if self._session.paths else self.plan.pretrigger_s  # a further part holds nothing twice
            self._start_at_s, self._begun_s = None, first_s
            time_s, kept = self._window.last(self._window.now_s - first_s + kept_s)
            older = time_s < first_s
            self._session.begin(
                time_s[older],
                kept[older],
                clock=self._clock,
                start_s=first_s,
                facts=tuple(self._facts),
            )

    def _begins(self, values: np.ndarray) -> bool:
        """Whether the newest rows start the log by themselves."""
        header, begin, time_s = self._decoder.header, self.plan.begin, self._window.last(WINDOW_S)[0]
        if begin == "at once":
            return not self._source.live or time_s[-1] - time_s[0] >= self.plan.pretrigger_s
        if begin == "trigger":
            if header.trigger is None:
                raise ValueError(f"the log is to begin with a trigger, but the header is {header.line!r}")
            return bool((values[:, header.trigger] > 0.5).any())
        if begin == "level":
            factors = np.array([unit.factor * (unit.quantity != "trigger") for unit in header.units])
            away = np.abs(values - self._window.last(2.0)[1].mean(axis=0)) * factors
            return bool((away > self.plan.level_m_s2).any())
        return False

    def _check_plan(self) -> None:
        """Stop when the plan is fulfilled."""
        if not self._session.open or self._lost_since_s is not None:
            return
        counter, plan, now_s = self._session.counter, self.plan, self._window.now_s
        counter.look(self._window, rate_hz=self._clock.rate_hz)
        if now_s - self._begun_s >= plan.duration_s:
            self._reason = f"{plan.duration_s:g} s are over"
        elif plan.n_moves and self._enough_moves(now_s - counter.last_end_s):
            self._reason = f"{self._session.n_moves} moves were made"

    def _enough_moves(self, still_s: float) -> bool:
        """All moves and the rest after the last; a further move ends it too, where moves follow closer than that."""
        made, wanted = self._session.n_moves, self.plan.n_moves
        return made > wanted or (made == wanted and still_s >= self.plan.rest_s)
