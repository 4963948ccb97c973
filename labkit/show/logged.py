"""What the checks say about logs that were just made, and whether to keep them; for the terminal and the notebook."""

from __future__ import annotations

from pathlib import Path

from labkit.analyse.one_run import check_run
from labkit.base import LogFormatError
from labkit.decide.repeat import repeat_reasons
from labkit.runs.facts import RunFacts
from labkit.runs.findings import LogReport
from labkit.runs.live.log_file import printable
from labkit.runs.live.log_plan import LogSummary
from labkit.runs.runfile import facts_of, read_run_file
from labkit.runs.runfolder import RUN_FILE, Run, load_run

__all__ = ["check_logged", "keep_or_repeat", "summary_sentence"]

_SLOW_DISK_S = 0.5


def summary_sentence(summary: LogSummary) -> str:
    """What was logged, in one sentence.

    Parameters
    ----------
    summary : LogSummary
        From the logger.

    Examples
    --------
    >>> summary_sentence(LogSummary(paths=(), n_samples=980, n_lost=20, n_faults=0, n_moves=9, n_pauses=0, marks=(),
    ...                             rate_hz=800.0, longest_sync_s=0.0, reason="stopped"))
    'stopped: 980 rows at 800 Hz, 20 samples lost, 0 bad lines, 0 pauses, 9 moves, 0 marks'
    """
    sentence = (
        f"{summary.reason}: {summary.n_samples} rows at {summary.rate_hz:.6g} Hz, {summary.n_lost} samples lost, "
        f"{summary.n_faults} bad lines, {summary.n_pauses} pauses, {summary.n_moves} moves, {len(summary.marks)} marks"
    )
    if summary.longest_sync_s > _SLOW_DISK_S:
        sentence += (
            f"; the disk took {summary.longest_sync_s:.1f} s to store data once: pulling the plug could then have "
            "lost more than a second"
        )
    return sentence


def check_logged(summary: LogSummary, *, folder: Path) -> tuple[LogReport, ...]:
    """Checks of new logs in the light of the run's facts.

    Parameters
    ----------
    summary : LogSummary
        From the logger.
    folder : Path
        Folder of the run; its run.toml, if there is one, tells range, noise and tolerance.

    Raises
    ------
    LogFormatError
        When a log cannot be read again: it holds too little.
    """
    facts = facts_of(read_run_file(folder / RUN_FILE)) if (folder / RUN_FILE).is_file() else RunFacts()
    logs = tuple(log for path in summary.paths for log in load_run(path).logs)
    return check_run(Run(name=printable(folder.name), folder=folder, facts=facts, logs=logs)) if logs else ()


def keep_or_repeat(summary: LogSummary, *, folder: Path, n_moves: int) -> tuple[tuple[LogReport, ...], tuple[str, ...]]:
    """Reports on new logs, and why to repeat them; no reason means that they can be kept.

    Parameters
    ----------
    summary : LogSummary
        From the logger.
    folder : Path
        Folder of the run.
    n_moves : int
        Moves that were wanted; 0 when it was not said.
    """
    try:
        reports = check_logged(summary, folder=folder)
    except LogFormatError as error:
        return (), (str(error),)
    return reports, repeat_reasons(summary, reports, n_moves=n_moves)
