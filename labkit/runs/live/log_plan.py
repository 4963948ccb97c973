"""What a live log is to be, how it stands, and what came of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from labkit.base import check_choice, check_number
from labkit.runs.live.live_window import Level

__all__ = ["CAUTIONS", "WINDOW_S", "LogPlan", "LogSummary", "LoggerStatus"]

#: To be shown before a log starts.
CAUTIONS = (
    "Moving axes pinch and crush: hands, hair and cables out, emergency stop within reach, first trials at low speed.",
    "Tether the sensor and its cable: a sensor that comes loose is a projectile; check its mount after every run.",
    "Tap and push tests only with the drives off; a vertical axis falls when its power goes.",
)
#: Length of the stretch that the logger keeps in memory [s].
WINDOW_S = 22.0
_BEGINNINGS = ("at once", "on command", "trigger", "level")


@dataclass(frozen=True, kw_only=True)
class LogPlan:
    """What to log.

    Parameters
    ----------
    folder : Path
        Folder of the run; made when it is not there.
    stem : str
        First part of the name of the log.
    begin : {"at once", "on command", "trigger", "level"}
        What starts the log: nothing, `Logger.start`, a rising trigger, a motion above `level_m_s2`.
    level_m_s2 : float
        Motion that starts the log, departure from the mean of any signal in its SI unit [m/s² for an accelerometer].
    pretrigger_s : float
        Stillness kept from before the start [s].
    countdown_s : float
        Pause before the log starts, to take the hands away [s].
    duration_s : float
        Length after the start [s]; inf for no limit.
    n_moves : int
        Stop after so many moves; 0 for no limit.
    rest_s : float
        Stillness logged after the last move [s].
    header : str or None
        Header line for a sensor that sends none.
    rate_hz : float
        Rate of a sensor that states none [Hz]; nan when unknown.
    remarks : tuple of str
        Lines for the top of the log.
    """

    folder: Path
    stem: str = "log"
    begin: str = "at once"
    level_m_s2: float = math.nan
    pretrigger_s: float = 0.5
    countdown_s: float = 0.0
    duration_s: float = math.inf
    n_moves: int = 0
    rest_s: float = 2.0
    header: str | None = None
    rate_hz: float = math.nan
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check_choice("begin", self.begin, _BEGINNINGS)
        if self.begin == "level":
            check_number("level_m_s2", self.level_m_s2, above=0.0, cure="say how strong a motion starts the log")
        check_number("pretrigger_s", self.pretrigger_s, at_least=0.0, at_most=WINDOW_S - 2)
        check_number("countdown_s", self.countdown_s, at_least=0.0)
        check_number("n_moves", self.n_moves, at_least=0)
        check_number("rest_s", self.rest_s, at_least=0.0)
        if not self.duration_s > 0:
            raise ValueError(f"duration_s is {self.duration_s!r}; it must be above 0 s")
        if not self.stem or self.stem != Path(self.stem).name or self.stem.startswith("."):
            raise ValueError(f"stem is {self.stem!r}; it must be the beginning of a file name, without a folder")


@dataclass(frozen=True, kw_only=True)
class LoggerStatus:
    """How the log stands.

    Parameters
    ----------
    state : {"no data", "clock", "waiting", "countdown", "logging", "disconnected", "done"}
        Nothing arrives; the rate is being learnt; waiting for the start; counting down; logging; the connection is
        lost; over.
    time_s : float
        Length of the log so far, or time left of the countdown [s].
    n_samples, n_lost, n_faults, n_moves : int
        Rows written, samples lost, lines that could not be used, moves counted, over all parts.
    rate_hz : float
        Rate as known now [Hz].
    levels : tuple of Level
        Level of each signal.
    path : Path or None
        The log being written.
    """

    state: str
    time_s: float
    n_samples: int
    n_lost: int
    n_faults: int
    n_moves: int
    rate_hz: float
    levels: tuple[Level, ...]
    path: Path | None


@dataclass(frozen=True, kw_only=True)
class LogSummary:
    """What was logged.

    Parameters
    ----------
    paths : tuple of Path
        The logs, in order; more than one after a long pause or a changed header.
    n_samples, n_lost, n_faults, n_moves, n_pauses : int
        Rows written, samples lost, lines that could not be used, moves counted, pauses of the connection.
    marks : tuple of (float, str)
        Time in its log [s] and text of each mark.
    rate_hz : float
        Rate of the samples [Hz].
    longest_sync_s : float
        Longest time that bringing data to the disk took [s].
    reason : str
        Why it ended.
    """

    paths: tuple[Path, ...]
    n_samples: int
    n_lost: int
    n_faults: int
    n_moves: int
    n_pauses: int
    marks: tuple[tuple[float, str], ...]
    rate_hz: float
    longest_sync_s: float
    reason: str

    @property
    def lost_share(self) -> float:
        """Share of the samples that were lost; nan when none came."""
        total = self.n_samples + self.n_lost
        return self.n_lost / total if total else math.nan
