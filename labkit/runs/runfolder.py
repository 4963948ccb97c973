"""A run on disk: a folder with its log files and `run.toml`, which says what was tested."""

from __future__ import annotations

import difflib
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath

import numpy as np

from labkit.base import LogFormatError
from labkit.runs.facts import CameraFacts, MoveFacts, PanelFacts, RunFacts, SensorFacts
from labkit.runs.readers import log_quantities, read_log
from labkit.runs.recording import Recording
from labkit.runs.run_keys import QUANTITIES
from labkit.runs.runfile import RunFile, checked_table, facts_of, read_run_file, run_template

__all__ = [
    "CameraFacts",
    "MoveFacts",
    "PanelFacts",
    "Run",
    "RunFacts",
    "RunLog",
    "SensorFacts",
    "load_run",
    "run_template",
]

Progress = Callable[[str, int, int], None]

RUN_FILE = "run.toml"
_LOG_SUFFIXES = frozenset(
    [".csv", ".tsv", ".txt", ".dat", ".asc", ".log", ".wav", ".npy", ".npz", ".parquet", ".uff", ".unv", ".u58"]
)
_NOT_OF_READER = ("trigger_column", "force_column", "move_ends_s")


@dataclass(frozen=True, eq=False, kw_only=True)
class RunLog:
    """One log of a run.

    Parameters
    ----------
    file : str
        Path of the log inside the run's folder.
    recording : Recording
        The acceleration, or what the log holds instead of it.
    trigger, force : Recording or None
        Trigger channel and force channel on the same clock.
    move_ends_s : tuple of float
        Ends of the moves in the log's own time [s], when the builder gave them.
    """

    file: str
    recording: Recording
    trigger: Recording | None = None
    force: Recording | None = None
    move_ends_s: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class Run:
    """A run: its facts and its logs.

    Parameters
    ----------
    name : str
        Name of the folder, or of the single log.
    folder : Path
        Where it was found.
    facts : RunFacts
        What was tested.
    logs : tuple of RunLog
        At least one.
    """

    name: str
    folder: Path
    facts: RunFacts
    logs: tuple[RunLog, ...]


# ------------------------------------------------------------------------------------------- the log files
def _log_entries(file: RunFile) -> list[dict[str, object]]:
    """What each [[log]] says, as keyword arguments; `path` is the file, known to lie inside the folder."""
    entries = file.tables.get("log", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise file.error(
            "log",
            found="[log]",
            expected="[[log]] with two brackets, once for each file",
            cure="write [[log]]",
        )
    checked, taken = [], set()
    for number, entry in enumerate(entries):
        values = {key.goes_to: value for key, value in checked_table(file, "log", entry, entry=number)}
        if "file" not in values:
            raise file.error(
                "log",
                entry=number,
                found="a [[log]] without file",
                expected="the name of a log file",
                cure='add file = "log.csv"',
            )
        values["path"] = _inside(file, str(values.pop("file")), number)
        if _real(values["path"]) in taken:
            raise file.error(
                "log",
                "file",
                entry=number,
                found=f"{entry['file']!r} a second time",
                expected="each log once",
                cure="remove the second [[log]]",
            )
        taken.add(_real(values["path"]))
        checked.append(values)
    return checked


def _inside(file: RunFile, name: str, entry: int) -> Path:
    """Path of a log named in run.toml; refuses everything that does not lie in the run's folder."""
    folder = file.path.parent
    parts = PureWindowsPath(name)  # understands both kinds of slash and drive letters
    path = folder / name.replace("\\", "/")
    if parts.anchor or ".." in parts.parts or "\0" in name or _leads_out(path, folder):
        raise file.error(
            "log",
            "file",
            entry=entry,
            found=f"{name!r}, which leads out of the run's folder",
            expected="a file inside the folder",
            cure="copy the log into the folder and write its bare name",
        )
    if not os.path.isfile(path):  # False also for a name that no file can have
        near = difflib.get_close_matches(name, [p.name for p in folder.iterdir()], n=1)
        raise file.error(
            "log",
            "file",
            entry=entry,
            found=f"no file {name!r}",
            expected="an existing log file",
            cure=f"write {near[0]!r}" if near else "correct the name or copy the log into the folder",
        )
    return path


def _leads_out(path: Path, folder: Path) -> bool:
    """True when a path, links followed, does not lie in the folder."""
    return not _real(path).is_relative_to(_real(folder))


def _real(path: Path) -> Path:
    return Path(os.path.realpath(path))  # unlike Path.resolve it survives a link to itself


def _log_files(folder: Path) -> list[Path]:
    """Log files of a folder by their endings, sorted by name; at least one, none from elsewhere."""
    found = sorted(path for path in folder.iterdir() if _is_log(path))
    if not found:
        raise LogFormatError(
            str(folder),
            found="no log file",
            expected="at least one ending in " + ", ".join(sorted(_LOG_SUFFIXES)),
            cure=f"copy the logs into the folder, or name them in {RUN_FILE}",
        )
    for path in found:
        if _leads_out(path, folder):
            raise LogFormatError(
                str(path),
                found="a link that leads out of the run's folder",
                expected="a file inside the folder",
                cure="copy the log into the folder, or load it alone",
            )
    return found


def _is_log(path: Path) -> bool:
    suffixes = [suffix.lower() for suffix in path.suffixes]
    ending = suffixes[-2:-1] if suffixes[-1:] == [".gz"] else suffixes[-1:]
    return path.is_file() and not path.name.startswith(".") and bool(_LOG_SUFFIXES.intersection(ending))


def _read_log(path: Path, folder: Path, said: Mapping[str, object]) -> RunLog:
    """One log with its trigger and force, as its [[log]] (or nothing) says."""
    how = {name: value for name, value in said.items() if name not in _NOT_OF_READER}
    clock = {name: how[name] for name in ("units", "time_column", "time_unit", "sample_rate_hz") if name in how}
    held = log_quantities(path, **clock)
    if not {"columns", "quantity"} & how.keys() and "unknown" not in held:  # else the reader says what is missing
        how["quantity"] = next((quantity for quantity in QUANTITIES if quantity in held), None)
    scale = {"scale": how["scale"]} if isinstance(how.get("scale"), dict) else {}
    beside: dict[str, Recording] = {}
    for name in ("trigger", "force"):
        named = said.get(f"{name}_column")
        column = held.get(name, (None,))[0] if named is None else named
        if column is not None:
            channel = read_log(path, irregular="mark", quantity=name, columns=[column], **scale, **clock)
            if named is not None or np.ptp(channel.values[np.isfinite(channel.values)]):  # a dead one is left out
                beside[name] = channel
    return RunLog(
        file=path.relative_to(folder).as_posix(),
        recording=read_log(path, irregular="mark", **how),
        move_ends_s=said.get("move_ends_s", ()),
        **beside,
    )


def load_run(path: str | Path, *, reading: Mapping[str, object] | None = None, progress: Progress | None = None) -> Run:
    """Load a run: a folder with or without `run.toml`, or a single log.

    Parameters
    ----------
    path : path
        Folder or log file. In a folder, `run.toml` names the logs; without it, or without a [[log]] in it, all log
        files of the folder are read, sorted by name. What is not stated stays unknown. A trigger and a force that the
        log's own header declares are taken along unless they never change.
    reading : mapping, optional
        What the logs do not say themselves, as arguments of `read_log` (``{"units": "mg"}``); goes before what a
        [[log]] says.
    progress : callable, optional
        Called with (what, done, total).

    Returns
    -------
    Run

    Raises
    ------
    LogFormatError
        When `run.toml` or a log does not say what it must say; names file, line, key and cure.
    """
    path, reading = Path(path), dict(reading or {})
    if path.is_file() and path.name != RUN_FILE:
        log = _read_log(path, path.parent, reading)
        return Run(name=path.name.split(".")[0] or path.name, folder=path.parent, facts=RunFacts(), logs=(log,))
    folder = path.parent if path.is_file() else path
    if not folder.is_dir():
        raise LogFormatError(
            str(path),
            found="nothing there",
            expected="a folder with logs, or a log file",
            cure="correct the path",
        )
    facts, entries = RunFacts(), []
    if (folder / RUN_FILE).is_file():
        file = read_run_file(folder / RUN_FILE)
        facts, entries = facts_of(file), _log_entries(file)
    entries = entries or [{"path": log} for log in _log_files(folder)]
    logs = []
    for done, entry in enumerate(entries):
        if progress:
            progress(f"reading {entry['path'].name}", done, len(entries))
        logs.append(_read_log(entry["path"], folder, {k: v for k, v in entry.items() if k != "path"} | reading))
    if progress:
        progress("read", len(entries), len(entries))
    return Run(name=folder.resolve().name, folder=folder, facts=facts, logs=tuple(logs))
