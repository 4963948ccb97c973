"""A push test as written down at the bench: loads and readings, row by row, in the order in which they were taken.

A table as text with a line of titles that name the units: ``load [N]`` or ``mass [g]``, ``reading [um]``. Columns
`repeat` and `branch` are optional; what else stands there is skipped.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from labkit.base import STANDARD_GRAVITY_M_S2, LogFormatError, check_number, find_unit
from labkit.runs.columns import Column, parse_title
from labkit.runs.dialect import COMMENT_MARKS, Dialect, detect_encoding, find_dialect, find_titles
from labkit.runs.textlog import open_bytes

__all__ = ["PushFile", "read_push_file"]

_LARGEST_BYTES = 5_000_000  # a table written by hand is far smaller
_REMARK = COMMENT_MARKS[:3]
_AT_TOP = 0.95  # share of the highest load from which either branch is right
_NAMES = {
    "load": re.compile(r"\b(load|force|push|mass|weight|weights|f)\b"),
    "reading": re.compile(r"\b(reading|readings|gauge|dial|displacement|deflection|indicator|travel)\b"),
    "repeat": re.compile(r"\b(repeat|repetition|run|series|cycle|set|trial)\b"),
    "branch": re.compile(r"\b(branch|direction|dir|way)\b"),
}
_MASS_KG = {"mg": 1e-6, "g": 1e-3, "kg": 1.0, "lb": 0.45359237, "lbs": 0.45359237, "oz": 0.45359237 / 16}
_FORCE_N = {"n": 1.0, "mn": 1e-3, "kn": 1e3, "kgf": STANDARD_GRAVITY_M_S2, "lbf": 0.45359237 * STANDARD_GRAVITY_M_S2}
_INCH_M = {"in": 25.4e-3, "inch": 25.4e-3, "inches": 25.4e-3, "thou": 25.4e-6, "mil": 25.4e-6}
_MARKS = ("div", "divs", "division", "divisions", "graduation", "graduations", "mark", "marks", "tick", "ticks")
_STEPPED = re.compile(r"(?P<number>\d+[.,]?\d*|[.,]\d+)\s*(?P<unit>\D+)")
_UP = frozenset(["up", "rise", "rising", "loading", "load", "on", "+", "1"])
_DOWN = frozenset(["down", "fall", "falling", "unloading", "unload", "off", "-", "-1", "0"])


@dataclass(frozen=True, eq=False, kw_only=True)
class PushFile:
    """A push test as read.

    Parameters
    ----------
    name : str
        Name of the file.
    load_n : ndarray, shape (n,)
        Loads [N].
    reading_m : ndarray, shape (n,)
        Readings [m].
    repeat : tuple of str or None
        Label of the repeat of each reading, from a column `repeat`, or from a column `branch` where it turns from
        falling to rising; None when neither stands there.
    written_step_m : float
        Largest step of which every reading is a multiple [m]: the dial's own step is no coarser, but may be finer.
    notes : tuple of str
        What the reader did or noticed, in words.
    """

    name: str
    load_n: np.ndarray
    reading_m: np.ndarray
    repeat: tuple[str, ...] | None
    written_step_m: float
    notes: tuple[str, ...]


def read_push_file(
    path: str | Path, *, load_unit: str = "", reading_unit: str = "", gravity_m_s2: float = STANDARD_GRAVITY_M_S2
) -> PushFile:
    """Read a push test from a table as text, plain or gzip.

    Parameters
    ----------
    path : str or Path
        The file: CSV with commas, semicolons, tabs or blanks; decimal point or comma; remarks behind ``#``.
    load_unit, reading_unit : str
        Unit of a column whose title states none, for example "N", "g", "um", "in"; for a dial read in graduations
        the size of one, "0.01 mm".
    gravity_m_s2 : float
        Gravity that turns masses into loads [m/s²].

    Raises
    ------
    LogFormatError
        When a column, a unit or a cell is not what it must be; with file, line and cure.

    Examples
    --------
    >>> import tempfile
    >>> text = "# dial on the frame\\nmass [kg];reading [0,01 mm]\\n0;0\\n1;2,5\\n2;5\\n"
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "push.csv"
    ...     _ = path.write_text(text)
    ...     push = read_push_file(path)
    >>> push.load_n.round(2).tolist(), (1e6 * push.reading_m).round(3).tolist(), round(1e6 * push.written_step_m, 3)
    ([0.0, 9.81, 19.61], [0.0, 25.0, 50.0], 25.0)
    """
    path = Path(path)
    check_number("gravity_m_s2", gravity_m_s2, above=9.7, below=9.9, cure="between the equator and the poles")
    lines, dialect, begin = _opened(path)
    table = _Table(
        name=path.name, lines=lines, dialect=dialect, begin=begin, columns=_columns(path.name, lines[:begin], dialect)
    )
    load, reading = table.column("load"), table.column("reading")
    factor_n, notes = _load_factor(table, load, load_unit, gravity_m_s2)
    factor_m = _reading_factor(table, reading, reading_unit)
    loads, readings = table.numbers(load), table.numbers(reading)
    return PushFile(
        name=path.name,
        load_n=factor_n * loads,
        reading_m=factor_m * readings,
        repeat=_repeats(table, loads),
        written_step_m=factor_m * _common_step(readings),
        notes=tuple(notes),
    )


# -------------------------------------------------------------------------------------------------- the text
def _opened(path: Path) -> tuple[list[str], Dialect, int]:
    """Lines of the file, how its rows are written, and how many lines stand before the first row."""
    if not path.is_file():
        raise FileNotFoundError(f"{path} is no file; check the path")
    with open_bytes(path) as stream:
        raw = stream.read(_LARGEST_BYTES + 1)
    if len(raw) > _LARGEST_BYTES:
        raise LogFormatError(
            path.name,
            found=f"more than {_LARGEST_BYTES // 1_000_000} MB",
            expected="a table of loads and readings",
            cure="give the push test, not a log; logs go to labkit check",
        )
    encoding = detect_encoding(raw, file=path.name)
    lines = _without_remarks(raw.decode(encoding, errors="replace").lstrip("\ufeff").splitlines())
    return lines, *find_dialect(lines, encoding=encoding, file=path.name)


def _without_remarks(lines: Sequence[str]) -> list[str]:
    """The lines, with those that are remarks emptied; those above the first other line may be titles and stay."""
    remark = [line.lstrip().startswith(_REMARK) for line in lines]
    first = next((k for k, (line, is_one) in enumerate(zip(lines, remark)) if line.strip() and not is_one), 0)
    return [line if k < first or not is_one else "" for k, (line, is_one) in enumerate(zip(lines, remark))]


def _columns(name: str, preamble: Sequence[str], dialect: Dialect) -> list[Column]:
    titles, units, _ = find_titles(preamble, dialect)
    if titles is None:
        raise LogFormatError(
            name,
            line=len(preamble) + 1,
            found="rows without a line of titles above them",
            expected="titles such as load [N] and reading [um]",
            cure="write load [N],reading [um] (with your units) as the first line",
        )
    columns = [parse_title(title, position=k) for k, title in enumerate(titles)]
    if units is None:
        return columns
    below = [unit.strip("[]() ") for unit in units]
    return [
        c if c.unit_text else Column(position=c.position, name=c.name, title=c.title, unit_text=unit)
        for c, unit in zip(columns, below)
    ]


@dataclass(frozen=True, eq=False, kw_only=True)
class _Table:
    """The rows under their titles."""

    name: str
    lines: Sequence[str]
    dialect: Dialect
    begin: int
    columns: Sequence[Column]

    @cached_property
    def rows(self) -> list[tuple[int, list[str]]]:
        """Line number and cells of each row; blank lines are skipped."""
        found = []
        for number, line in enumerate(self.lines[self.begin :], start=self.begin + 1):
            if not line.strip():
                continue
            cells = self.dialect.cells(line)
            if len(cells) != len(self.columns):
                raise LogFormatError(
                    self.name,
                    line=number,
                    found=f"{len(cells)} cell(s)",
                    expected=f"{len(self.columns)}, as in the line of titles",
                    cure="complete the row, or put # before it",
                )
            found.append((number, cells))
        return found

    def column(self, role: str, *, required: bool = True) -> Column | None:
        """The one column whose title says the role."""
        fit = [c for c in self.columns if _NAMES[role].search(c.name.lower().replace("_", " "))]
        if len(fit) == 1 or (not fit and not required):
            return fit[0] if fit else None
        titles = ", ".join(repr(c.title) for c in self.columns)
        raise LogFormatError(
            self.name,
            line=self.begin or None,
            found=f"{len(fit) or 'no'} column(s) for the {role} among {titles}",
            expected=f"one column titled {role} (with its unit, if it has one)",
            cure=f"rename the titles so that one, and only one, says {role}",
        )

    def numbers(self, column: Column) -> np.ndarray:
        """A column of numbers; every cell must hold one."""
        values = []
        for number, cells in self.rows:
            try:
                value = self.dialect.number(cells[column.position])
            except ValueError:
                value = np.nan
            if not np.isfinite(value):
                raise LogFormatError(
                    self.name,
                    line=number,
                    column=column.title,
                    found=repr(cells[column.position]),
                    expected="a number",
                    cure="write the value that was read, or put # before the row to leave it out",
                )
            values.append(value)
        return np.array(values)

    def words(self, column: Column) -> list[tuple[int, str]]:
        """Line number and text of each cell of a column."""
        return [(number, cells[column.position].strip()) for number, cells in self.rows]


# ------------------------------------------------------------------------------------------------------ units
def _load_factor(table: _Table, column: Column, given: str, gravity_m_s2: float) -> tuple[float, list[str]]:
    """Newtons for one unit of the column, and what to mind; grams and kilograms are weights laid on."""
    text = _stated_unit(table, column, given, example="load [N] or mass [g]", option="load_unit")
    unit = text.lower()
    if unit in _FORCE_N:
        return _FORCE_N[unit], []
    if unit in _MASS_KG:
        note = f"masses in {text} taken as weights under {gravity_m_s2:.5g} m/s²; gravity differs by up to 0.3 %"
        return _MASS_KG[unit] * gravity_m_s2, [note]
    raise _unknown_unit(table, column, text, known=[*_FORCE_N, *_MASS_KG])


def _reading_factor(table: _Table, column: Column, given: str) -> float:
    """Metres for one unit of the column."""
    text = _stated_unit(table, column, given, example="reading [um]", option="reading_unit")
    if stepped := _STEPPED.fullmatch(text):
        text, number = stepped["unit"].strip(), float(stepped["number"].replace(",", "."))
        check_number("size of a graduation", number, above=0.0)
    else:
        number = 1.0
    if text.lower() in _INCH_M:
        return number * _INCH_M[text.lower()]
    unit = find_unit(text)
    if unit is not None and unit.quantity == "displacement":
        return number * unit.factor
    raise _unknown_unit(table, column, text, known=["um", "mm", "m", "in", "thou"])


def _stated_unit(table: _Table, column: Column, given: str, *, example: str, option: str) -> str:
    """Unit of the title, or the one given beside the file; the two may not contradict each other."""
    stated = column.unit_text.strip()
    if stated.lower() in _MARKS:
        if given:
            return given.strip()
        raise LogFormatError(
            table.name,
            column=column.title,
            found=f"readings in {stated}",
            expected="the size of a graduation",
            cure=f'give {option} = "0.01 mm" (what one graduation of the dial stands for)',
        )
    if given and stated and given.strip().lower() != stated.lower():
        raise LogFormatError(
            table.name,
            column=column.title,
            found=f"the unit {stated!r} in the title, {given!r} given beside it",
            expected="one unit",
            cure=f"leave {option} out, or correct the title",
        )
    if not (given or stated):
        raise LogFormatError(
            table.name,
            line=table.begin or None,
            column=column.title,
            found="a title without a unit",
            expected=f"a title such as {example}",
            cure=f"write the unit in brackets behind the title, or give {option}",
        )
    return (given or stated).strip()


def _unknown_unit(table: _Table, column: Column, text: str, *, known: Sequence[str]) -> LogFormatError:
    return LogFormatError(
        table.name,
        column=column.title,
        found=f"the unit {text!r}",
        expected=f"one of {', '.join(known)}",
        cure="correct the title; for a dial in graduations say what one stands for, as in reading [0.01 mm]",
    )


def _common_step(values: np.ndarray) -> float:
    """Greatest number of which all values are whole multiples; 0 when rounding hides one."""
    size = float(np.abs(values).max(initial=0.0))
    sizes = np.unique(np.abs(values[values != 0.0]))
    step = sizes[0] if sizes.size else 0.0
    for value in sizes:
        a, b = step, value
        while b > 1e-9 * size:
            a, b = b, a - b * np.floor(a / b + 1e-6)
        step = a
    return float(step) if step > 1e-6 * size else 0.0


# ---------------------------------------------------------------------------------------------------- repeats
def _repeats(table: _Table, loads: np.ndarray) -> tuple[str, ...] | None:
    """Labels of the repeats, as the file states them; its branches must agree with the order of the loads."""
    repeat, branch = (table.column(role, required=False) for role in ("repeat", "branch"))
    falling = None if branch is None else _falling(table, branch)
    if repeat is not None:
        labels = tuple(text for _, text in table.words(repeat))
        _check_filled(table, repeat)
    elif falling is not None:
        starts = [before and not now for before, now in itertools.pairwise([False, *falling])]
        labels = tuple(str(1 + number) for number in np.cumsum(starts))
    else:
        return None
    if falling is not None:
        _check_branches(table, branch, falling=falling, labels=labels, loads=loads)
    return labels


def _check_filled(table: _Table, column: Column) -> None:
    for line, text in table.words(column):
        if not text:
            raise LogFormatError(
                table.name,
                line=line,
                column=column.title,
                found="an empty cell",
                expected="the number of the repeat",
                cure="fill it in",
            )


def _falling(table: _Table, column: Column) -> list[bool]:
    found = []
    for line, text in table.words(column):
        if text.lower() not in _UP | _DOWN:
            raise LogFormatError(
                table.name,
                line=line,
                column=column.title,
                found=repr(text),
                expected="up or down",
                cure="write up where weights are laid on, down where they are taken off",
            )
        found.append(text.lower() in _DOWN)
    return found


def _check_branches(
    table: _Table, column: Column, *, falling: Sequence[bool], labels: Sequence[str], loads: np.ndarray
) -> None:
    """A row behind the highest load of its repeat must be on the falling branch, one before it on the rising one."""
    for label in dict.fromkeys(labels):
        rows = [k for k, one in enumerate(labels) if one == label]
        top = max(loads[rows])
        first = next(k for k in rows if loads[k] == top)
        for k in rows:
            if loads[k] < _AT_TOP * top and falling[k] != (k > first):
                raise LogFormatError(
                    table.name,
                    line=table.rows[k][0],
                    column=column.title,
                    found=f"branch {'down' if falling[k] else 'up'} {'before' if k < first else 'behind'} the highest "
                    f"load of repeat {label}",
                    expected="up as far as the highest load, then down",
                    cure="put the rows in the order in which they were read",
                )
