"""Repeated readings of one thing over time, as written down at the bench: time and position, or time and temperature.

A table as text with a line of titles that name the units: ``time [min], position [um], temperature [C]``. The times may
be uneven; what else stands there is skipped.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labkit.base import check_choice, find_unit
from labkit.runs.columns import Column
from labkit.runs.small_table import SmallTable, read_small_table

__all__ = ["Looks", "read_looks"]

_NAMES = {
    "time": re.compile(r"^(time|t|clock|elapsed|seconds|minutes|hours)\b"),
    "position": re.compile(r"^(position|pos|reading|look|displacement|shift|drift|x|y|z)\b"),
    "temperature": re.compile(r"^(temperature|temp)\b"),
}
_MORE_TIMES_S = {"h": 3600.0, "hr": 3600.0, "hour": 3600.0, "hours": 3600.0, "minute": 60.0, "d": 86_400.0}
_DEGREES = ("c", "degc", "°c", "celsius")


@dataclass(frozen=True, eq=False, kw_only=True)
class Looks:
    """Readings over time.

    Parameters
    ----------
    name : str
        Name of the file.
    time_s : ndarray, shape (n,)
        Times [s], growing.
    values : ndarray, shape (n,)
        Positions [m] or temperatures [°C].
    """

    name: str
    time_s: np.ndarray
    values: np.ndarray


def read_looks(path: str | Path, *, what: str) -> Looks:
    """Read positions or temperatures over time from a table as text, plain or gzip.

    Parameters
    ----------
    path : str or Path
        The file: CSV with commas, semicolons, tabs or blanks; decimal point or comma; remarks behind ``#``.
    what : {"position", "temperature"}
        Which column to read beside the time.

    Raises
    ------
    LogFormatError
        When a column, a unit, a cell or the order of the times is not what it must be; with file, line and cure.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "looks.csv"
    ...     _ = path.write_text("time [min],position [um],temp [C]\\n0,0.0,21.0\\n10,1.5,21.4\\n")
    ...     looks = read_looks(path, what="position")
    >>> looks.time_s.tolist(), looks.values.tolist()
    ([0.0, 600.0], [0.0, 1.5e-06])
    """
    check_choice("what", what, ("position", "temperature"))
    table = read_small_table(path, example="time [min],position [um],temperature [C]")
    time, column = (table.column(role, _NAMES[role]) for role in ("time", what))
    seconds = _seconds(table, time) * table.numbers(time)
    factor = _metres(table, column) if what == "position" else _degrees(table, column)
    back = np.flatnonzero(np.diff(seconds) <= 0)
    if back.size:
        line, cells = table.rows[int(back[0]) + 1]
        raise table.error(
            time,
            line=line,
            found=f"the time {cells[time.position].strip()} after a later or equal one",
            expected="times that grow",
            cure="sort the rows, or count on over midnight",
        )
    return Looks(name=table.name, time_s=seconds, values=factor * table.numbers(column))


def _seconds(table: SmallTable, column: Column) -> float:
    text = column.unit_text.strip()
    if text.lower() in _MORE_TIMES_S:
        return _MORE_TIMES_S[text.lower()]
    return _factor(table, column, quantity="time", example="time [min]")


def _metres(table: SmallTable, column: Column) -> float:
    return _factor(table, column, quantity="displacement", example="position [um]")


def _degrees(table: SmallTable, column: Column) -> float:
    if column.unit_text.strip().lower() in _DEGREES:
        return 1.0
    raise _wrong_unit(table, column, example="temperature [C]")


def _factor(table: SmallTable, column: Column, *, quantity: str, example: str) -> float:
    unit = find_unit(column.unit_text)
    if unit is None or unit.quantity != quantity:
        raise _wrong_unit(table, column, example=example)
    return unit.factor


def _wrong_unit(table: SmallTable, column: Column, *, example: str):
    return table.error(
        column,
        found=f"the unit {column.unit_text.strip()!r}" if column.unit_text.strip() else "a title without a unit",
        expected=f"a title such as {example}",
        cure="write the unit in brackets behind the title",
    )
