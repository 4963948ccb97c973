"""A small table as text, as people write it at the bench: titles with units, numbers and words, remarks between."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labkit.base import LogFormatError
from labkit.runs.columns import Column, parse_title
from labkit.runs.dialect import COMMENT_MARKS, Dialect, detect_encoding, find_dialect, find_titles
from labkit.runs.line_bytes import open_bytes, read_bytes

__all__ = ["SmallTable", "read_small_table"]

_LARGEST_BYTES = 5_000_000
_GREATEST = 1e15  # no one reads a greater number off an instrument
_REMARK = COMMENT_MARKS[:3]


@dataclass(frozen=True, eq=False, kw_only=True)
class SmallTable:
    """Rows under their titles, nothing interpreted yet.

    Parameters
    ----------
    name : str
        Name of the file.
    dialect : Dialect
        How the rows are written.
    columns : tuple of Column
        Columns as titled.
    rows : tuple of (int, list of str)
        Line number and cells of each row.
    first_line : int
        Line of the first row.
    """

    name: str
    dialect: Dialect
    columns: tuple[Column, ...]
    rows: tuple[tuple[int, list[str]], ...]
    first_line: int

    def error(self, column: Column | None, *, found: str, expected: str, cure: str, line: int | None = None):
        """The error for something in this table; without a line, that of the titles."""
        return LogFormatError(
            self.name,
            line=line or max(1, self.first_line - 1),
            column=None if column is None else column.title,
            found=found,
            expected=expected,
            cure=cure,
        )

    def find(self, role: str, names: re.Pattern) -> Column | None:
        """The column whose name fits; None when there is none, an error when there are several."""
        fit = [c for c in self.columns if names.search(c.name.lower().replace("_", " "))]
        if len(fit) > 1:
            raise self._no_single(role, f"{len(fit)} columns for the {role}")
        return fit[0] if fit else None

    def column(self, role: str, names: re.Pattern) -> Column:
        """The one column whose name fits."""
        found = self.find(role, names)
        if found is None:
            raise self._no_single(role, f"no column for the {role}")
        return found

    def _no_single(self, role: str, found: str) -> LogFormatError:
        titles = ", ".join(repr(c.title) for c in self.columns)
        return self.error(
            None,
            found=f"{found} among {titles}",
            expected=f"one column titled {role} (with its unit, if it has one)",
            cure=f"rename the titles so that one, and only one, says {role}",
        )

    def numbers(self, column: Column) -> np.ndarray:
        """A column of numbers; every cell must hold one, of a size that occurs."""
        values = []
        for line, cells in self.rows:
            try:
                value = self.dialect.number(cells[column.position])
            except ValueError:
                value = np.nan
            if not abs(value) <= _GREATEST:
                raise self.error(
                    column,
                    line=line,
                    found=repr(cells[column.position]),
                    expected=f"a number (up to {_GREATEST:g})",
                    cure="write the value that was read, or put # before the row to leave it out",
                )
            values.append(value)
        return np.array(values)

    def words(self, column: Column) -> list[tuple[int, str]]:
        """Line number and text of each cell of a column; none may be empty."""
        found = [(line, cells[column.position].strip()) for line, cells in self.rows]
        for line, text in found:
            if not text:
                raise self.error(
                    column, line=line, found="an empty cell", expected=f"a {column.name}", cure="fill it in"
                )
        return found


def read_small_table(path: str | Path, *, example: str) -> SmallTable:
    """Read a table as text, plain or gzip, with commas, semicolons, tabs or blanks, decimal point or comma.

    Parameters
    ----------
    path : str or Path
        The file.
    example : str
        Titles as they should stand there, for messages.

    Raises
    ------
    LogFormatError
        For a file without titles, a row of another width, or a file far too large for a table written by hand.
    """
    path = Path(path)
    if not path.is_file():
        raise FileNotFoundError(f"{path} is no file; check the path")
    with open_bytes(path) as stream:
        raw = read_bytes(stream, _LARGEST_BYTES + 1, path.name)
    if len(raw) > _LARGEST_BYTES:
        raise LogFormatError(
            path.name,
            found=f"more than {_LARGEST_BYTES // 1_000_000} MB",
            expected=f"a table with {example}",
            cure="give the table, not a log; logs go to labkit check",
        )
    encoding = detect_encoding(raw, file=path.name)
    lines = _without_remarks(raw.decode(encoding, errors="replace").lstrip("\ufeff").splitlines())
    dialect, begin = find_dialect(lines, encoding=encoding, file=path.name)
    columns = _columns(path.name, lines[:begin], dialect, example)
    rows = tuple((k, dialect.cells(line)) for k, line in enumerate(lines[begin:], start=begin + 1) if line.strip())
    table = SmallTable(name=path.name, dialect=dialect, columns=columns, rows=rows, first_line=begin + 1)
    for line, cells in rows:
        if len(cells) != len(columns):
            raise table.error(
                None,
                line=line,
                found=f"{len(cells)} cell(s)",
                expected=f"{len(columns)}, as in the line of titles",
                cure="complete the row, or put # before it",
            )
    return table


def _without_remarks(lines: Sequence[str]) -> list[str]:
    """The lines, with those that are remarks emptied; those above the first other line may be titles and stay."""
    remark = [line.lstrip().startswith(_REMARK) for line in lines]
    first = next((k for k, (line, is_one) in enumerate(zip(lines, remark)) if line.strip() and not is_one), 0)
    return [line if k < first or not is_one else "" for k, (line, is_one) in enumerate(zip(lines, remark))]


def _columns(name: str, preamble: Sequence[str], dialect: Dialect, example: str) -> tuple[Column, ...]:
    titles, units, _ = find_titles(preamble, dialect)
    if titles is None:
        raise LogFormatError(
            name,
            line=len(preamble) + 1,
            found="rows without a line of titles above them",
            expected=f"titles such as {example}",
            cure=f"write {example} (with your units) as the first line",
        )
    columns = [parse_title(title, position=k) for k, title in enumerate(titles)]
    if units is None:
        return tuple(columns)
    below = [unit.strip("[]() ") for unit in units]
    return tuple(
        c if c.unit_text else Column(position=c.position, name=c.name, title=c.title, unit_text=unit)
        for c, unit in zip(columns, below)
    )
