"""Read a log file into a Recording: open it by content, put its rows on one clock, say what was odd.

The formats live next door (`textlog`, `binarylog`) and hand over bare numbers; `meaning` says what they mean; `clock`
places them in time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from labkit.base import LogFormatError, check_choice, check_number
from labkit.runs.binarylog import binary_log
from labkit.runs.clock import ClockFacts, LogProblem, Placement, fill_gaps, place_rows, untimed
from labkit.runs.meaning import Said, channels, column_unit, seconds_per_tick, stated_rate, time_position
from labkit.runs.recording import Recording
from labkit.runs.table import Log, Table
from labkit.runs.textlog import TextLog

__all__ = ["ClockFacts", "LogProblem", "log_quantities", "read_log"]

_HEAD_BYTES = 4096
_EPOCH_FROM_S = 1e8  # three years: no bench clock since power-up says so much
_LARGEST = 1e50
_EXPECTED = {
    "gap": "the next sample",
    "repeated time": "a later time stamp",
    "backward time": "a later time stamp",
    "not a number": "a number",
    "text": "a number",
    "columns": "a whole row",
}


def read_log(
    path: str | Path,
    *,
    quantity: str | None = None,
    columns: Sequence[str | int] | None = None,
    units: str | Mapping[str | int, str] | None = None,
    time_column: str | int | None = None,
    time_unit: str | None = None,
    sample_rate_hz: float | None = None,
    scale: float | Mapping[str | int, float] | None = None,
    irregular: str = "refuse",
    fill_gaps_shorter_s: float | None = None,
) -> Recording:
    """Read a log: text (also .gz), WAV, NPY, NPZ, Parquet or UFF dataset 58, recognised by content.

    Parameters
    ----------
    path : path
        The log file.
    quantity : str, optional
        What to read: "acceleration", "displacement", "image displacement", "velocity", "force", "trigger", "counts" …
        By default the acceleration if there is any, else the only quantity there is. Columns of another quantity are
        named in ``meta["notes"]``; a second call reads them on the same clock.
    columns : sequence of str or int, optional
        Columns to read, in this order: names, or 0-based positions.
    units : str or mapping of column to str, optional
        Unit where the log states none ("mg", "m/s^2", "µm", "count" …).
    time_column, time_unit : optional
        Name or 0-based position of the time stamps; "s", "ms", "us", "ns" or "sample", where the log does not say.
    sample_rate_hz : float, optional
        Rate where there is no time column; beside one it is only compared [Hz].
    scale : float or mapping of column to float, optional
        So many `units` in one step of the raw values (1/16384 with units="g").
    irregular : str
        "refuse": the first gap, repeated or backward stamp, or unreadable cell is an error. "mark": lost and
        unreadable samples become nan on the true clock, misplaced rows are left out, all of it is listed in
        ``meta["problems"]``.
    fill_gaps_shorter_s : float, optional
        Interpolate over missing samples when the gap is shorter than this [s]; said in ``meta["notes"]``.

    Returns
    -------
    Recording
        In SI. `meta` holds "file", "header" (remarks of the log), "notes" (tuple of str), "problems" (tuple of
        LogProblem), "clock" (ClockFacts), and "start_epoch_s" where the stamps count from 1970 (`start_s` is then 0;
        otherwise it is the first stamp).

    Raises
    ------
    LogFormatError
        When the file cannot be read, leaves open what its numbers mean, or contradicts itself or the caller.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> log = pathlib.Path(tempfile.mkdtemp()) / "log.csv"
    >>> _ = log.write_text("t_ms,ax [mg]\\n0,1000\\n0.5,0\\n1.0,0\\n")
    >>> r = read_log(log)
    >>> r.sample_rate_hz, r.unit, float(r.values[0, 0])
    (2000.0, 'm/s^2', 9.80665)
    """
    check_choice("irregular", irregular, ("refuse", "mark"))
    if fill_gaps_shorter_s is not None:
        check_number("fill_gaps_shorter_s", fill_gaps_shorter_s, above=0.0)
    said = Said(
        quantity=quantity,
        units=units,
        time_column=time_column,
        time_unit=time_unit,
        sample_rate_hz=sample_rate_hz,
        columns=None if columns is None else tuple(columns),
        scale=scale,
    )
    log = _open(Path(path))
    time = time_position(log, said)
    chosen, notes = channels(log, said, time=time)
    table = log.read([channel.column.position for channel in chosen], time=time)
    _scale(table.values, [channel.factor for channel in chosen], log.file)
    place = _place(log, said, table, time)
    problems = _problems(log, table, place, time)
    if irregular == "refuse":
        _refuse(problems, log.file, rate_hz=place.facts.rate_hz, fill_s=fill_gaps_shorter_s or 0.0)
    values = place.apply(table.values)
    notes += table.notes
    del table  # a recording keeps a copy of its own
    if fill_gaps_shorter_s is not None:
        notes += fill_gaps(values, rate_hz=place.facts.rate_hz, shorter_s=fill_gaps_shorter_s)
    is_epoch = place.start_s > _EPOCH_FROM_S
    meta = {
        "file": Path(path).name,
        "header": dict(log.stated.header),
        "notes": tuple(notes),
        "problems": tuple(odd.problem for odd in problems),
        "clock": place.facts,
    }
    return Recording(
        values=values,
        sample_rate_hz=place.facts.rate_hz,
        unit=chosen[0].unit.symbol_si,
        channels=_unique(channel.column.name for channel in chosen),
        start_s=0.0 if is_epoch else place.start_s,
        meta=meta | ({"start_epoch_s": place.start_s} if is_epoch else {}),
    )


def log_quantities(
    path: str | Path,
    *,
    units: str | Mapping[str | int, str] | None = None,
    time_column: str | int | None = None,
    time_unit: str | None = None,
    sample_rate_hz: float | None = None,
) -> dict[str, tuple[str, ...]]:
    """Quantities in a log and their columns, from its header.

    Parameters
    ----------
    path, units, time_column, time_unit, sample_rate_hz
        As for `read_log`.

    Returns
    -------
    dict of str to tuple of str
        Names of the columns of each quantity; those without a known unit stand under "unknown"; time is left out.

    Raises
    ------
    LogFormatError
        When the file cannot be read.
    """
    said = Said(units=units, time_column=time_column, time_unit=time_unit, sample_rate_hz=sample_rate_hz)
    log = _open(Path(path))
    time = time_position(log, said)
    held: dict[str, tuple[str, ...]] = {}
    for column in log.columns:
        if column.position != time:
            unit = column_unit(log, column, said)
            key = unit.quantity if unit else "unknown"
            held[key] = (*held.get(key, ()), column.name)
    return held


def _open(path: Path) -> Log:
    """The log by its content: a binary format when its first bytes say so, else text."""
    if not path.is_file():
        found = "a pipe or a device" if path.exists() else "no such file"
        raise LogFormatError(
            str(path),
            found="a folder" if path.is_dir() else found,
            expected="a log file",
            cure="correct the path",
        )
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES)
    return binary_log(path, head=head) or TextLog(path)


def _scale(values: np.ndarray, factors: Sequence[float], file: str) -> None:
    """Rows times their factors, in place."""
    for row, factor in zip(values, factors):
        with np.errstate(over="ignore"):
            row *= factor
        if max(np.fmax.reduce(row, initial=0.0), -np.fmin.reduce(row, initial=0.0)) > _LARGEST:
            raise LogFormatError(
                file,
                found="values that no sensor gives",
                expected=f"at most {_LARGEST:g} in SI",
                cure="check which columns are read, and their units",
            )


def _place(log: Log, said: Said, table: Table, time: int | None) -> Placement:
    """Places of the rows on the clock."""
    rate_hz, n_rows = stated_rate(log, said), table.values.shape[1]
    if n_rows < 2:
        raise LogFormatError(
            log.file,
            found=f"{n_rows} row(s)",
            expected="at least two rows",
            cure="log again; check the disk",
        )
    if time is None:
        if math.isnan(rate_hz):
            raise LogFormatError(
                log.file,
                found="no time column and no sample rate",
                expected="one of them",
                cure="give sample_rate_hz=, or name the time stamps with time_column=",
            )
        return untimed(n_rows, rate_hz=rate_hz)
    tick_s = seconds_per_tick(log, said, time=time, ticks=table.ticks, rate_hz=rate_hz)
    first_s = (table.ticks.first or 0) * tick_s
    seconds = table.ticks.since_first()
    with np.errstate(over="ignore"):  # what is infinite is refused below
        seconds *= tick_s
    return place_rows(seconds, file=log.file, stated_rate_hz=rate_hz, first_s=first_s)


def _unique(names: Iterable[str]) -> list[str]:
    """The names, the second of two equal ones with a number."""
    unique: list[str] = []
    for name in names:
        number, new = 1, name
        while new in unique:
            number += 1
            new = f"{name} #{number}"
        unique.append(new)
    return unique


# ---------------------------------------------------------------------------------------------- problems
@dataclass(frozen=True, kw_only=True)
class _Odd:
    """A problem and the column it was found in."""

    problem: LogProblem
    column: str


def _problems(log: Log, table: Table, place: Placement, time: int | None) -> list[_Odd]:
    """Problems of cells and of the clock in file order; the same fault on consecutive lines is one problem."""
    name = "" if time is None else log.columns[time].name
    places = [(table.line_of(p.row), name, p) for p in place.problems]
    odd = [
        _Odd(problem=LogProblem(kind=p.kind, line=line, found=p.found, samples=p.samples), column=column)
        for line, column, p in [*((p.line, p.column, p) for p in table.problems), *places]
    ]
    merged: list[_Odd] = []
    for this in sorted(odd, key=lambda o: o.problem.line):
        last, p = merged[-1] if merged else this, this.problem
        same = (last.problem.kind, last.column) == (p.kind, this.column) and p.kind != "gap"
        if merged and same and last.problem.line + last.problem.samples == p.line:
            merged[-1] = replace(last, problem=replace(last.problem, samples=last.problem.samples + p.samples))
        else:
            merged.append(this)
    return merged


def _refuse(problems: Sequence[_Odd], file: str, *, rate_hz: float, fill_s: float) -> None:
    """Raise the first problem, unless it is a gap that will be filled."""

    def filled(p: LogProblem) -> bool:
        return p.kind in ("gap", "not a number") and p.samples / rate_hz < fill_s

    left = [odd for odd in problems if not filled(odd.problem)]
    if left:
        p = left[0].problem
        samples = f" ({p.samples} sample(s))" if p.samples > 1 or p.kind == "gap" else ""
        raise LogFormatError(
            file,
            line=p.line,
            column=left[0].column or None,
            found=f"{p.kind}: {p.found}{samples}",
            expected=_EXPECTED[p.kind],
            cure="correct the line, or read with irregular='mark', which keeps lost samples as nan; "
            f"{len(left) - 1} further problem(s) in the file",
        )
