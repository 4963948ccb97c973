"""Logs as text: read fast in pieces, diagnose line by line only where that fails.

A piece of some megabytes that holds nothing but whole rows of numbers goes through the compiled reader; any other
piece is read line by line, so that every odd cell is known by its line. No cell is repaired here.
"""

from __future__ import annotations

import io
import os
import re
from bisect import bisect_right
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from labkit.base import LogFormatError
from labkit.runs.columns import Column, Stated, parse_title, stated_facts
from labkit.runs.dialect import COMMENT_MARKS, Dialect, detect_encoding, find_dialect, find_titles, is_date, uncomment
from labkit.runs.line_bytes import HEAD_BYTES, open_bytes, read_head, whole_lines
from labkit.runs.table import RowProblem, Table, Ticks

__all__ = ["TextLog"]

_QUOTE_INSIDE = re.compile(rb'[^\s,;"]"+[^\s,;"]|""')  # the compiled reader would take it away
_WORKERS = max(1, min(4, os.cpu_count() or 1))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Piece:
    """Whole lines of the log as they stand there."""

    text: bytes
    first_line: int
    n_lines: int = 0
    is_end: bool = False  # the last line, which may be torn


@dataclass(eq=False, kw_only=True)
class _Segment:
    """The rows of one piece."""

    columns: Sequence[np.ndarray]
    n_rows: int
    ticks: Ticks | None
    first_line: int
    lines: np.ndarray | None = None  # line of each row; None: consecutive lines
    problems: Sequence[RowProblem] = ()
    remarks: Sequence[str] = ()

    def line(self, row: int) -> int:
        return self.first_line + row if self.lines is None else int(self.lines[row])


class TextLog:
    """A text log, opened: its columns and remarks are known, its rows are not read yet.

    Parameters
    ----------
    path : Path
        The file; compression is recognised by content.

    Attributes
    ----------
    file, columns, stated, has_titles, units, raw
        As for any `Log`.

    Raises
    ------
    LogFormatError
        When there are no rows of numbers.
    """

    def __init__(self, path: Path) -> None:
        self._path, self.file = path, str(path)
        self.units, self.raw = {}, False
        with open_bytes(path) as stream:
            raw = read_head(stream, self.file)
        encoding = detect_encoding(raw, file=self.file)
        self._old_line_ends = b"\r" in raw and b"\n" not in raw
        how = {"encoding": encoding, "old_line_ends": self._old_line_ends, "file": self.file}
        head = b"".join(whole_lines(io.BytesIO(raw), packed_bytes=len(raw), **how))
        lines = head.decode("latin-1" if encoding == "latin-1" else "utf-8", errors="replace").split("\n")
        lines = [line.strip("\r\0") for line in lines]
        if len(raw) >= HEAD_BYTES:
            lines.pop()  # cut off by the end of the head
        n_bytes = path.stat().st_size
        likely_rows = 64 + int(1.02 * n_bytes / len(raw) * max(1, raw.count(b"\n"))) if raw else 0
        self.dialect, self._n_preamble = find_dialect(lines, encoding=encoding, file=self.file)
        first_row = self.dialect.cells(lines[self._n_preamble])
        self._dates = {position for position, cell in enumerate(first_row) if is_date(cell)}
        self.columns, self.stated, self.has_titles = _described(lines[: self._n_preamble], self.dialect, self.file)
        self._likely_rows = min(likely_rows, 64 + n_bytes // (2 * len(self.columns)))  # a cell takes two bytes

    def has_dates(self, position: int) -> bool:
        """True when a column holds dates with times in place of numbers."""
        return position in self._dates

    def read(self, positions: Sequence[int], *, time: int | None) -> Table:
        """Read the columns at `positions` and the column of time stamps.

        Raises
        ------
        LogFormatError
            When the file cannot be read to its end.
        """
        notes: list[str] = []
        values, n_rows = np.empty((len(positions), self._likely_rows)), 0
        segments, firsts = [], []
        for segment in self._segments(list(positions), time, notes):
            end = n_rows + segment.n_rows
            if end > values.shape[1]:
                values = np.concatenate([values[:, :n_rows], np.empty((len(positions), end))], axis=1)
            for row, column in zip(values, segment.columns):
                row[n_rows:end] = column
            segment.columns = ()  # the copy is enough
            segments.append(segment)
            firsts.append(n_rows)
            n_rows = end
        ticks = None if time is None else Ticks.join([segment.ticks for segment in segments])
        for segment in segments:
            segment.ticks = None
        remarks = [remark for segment in segments for remark in segment.remarks]
        if remarks:
            notes.append(f"{len(remarks)} remark(s) between the rows were skipped; the first: {remarks[0]!r}")
        return Table(
            values=values[:, :n_rows],
            notes=notes,
            problems=[p for segment in segments for p in segment.problems],
            ticks=ticks,
            line_of=lambda row: _line_of(segments, firsts, row),
        )

    # --------------------------------------------------------------------------------------------- pieces
    def _segments(self, positions: list[int], time: int | None, notes: list[str]) -> Iterator[_Segment]:
        """Segments in file order; a few pieces are read at a time in threads."""
        waiting: deque = deque()
        with ThreadPoolExecutor(max_workers=_WORKERS) as pool:
            for piece in self._pieces():
                if piece.is_end and (why := self._torn(piece.text)):
                    notes.append(f"line {piece.first_line}, the last one, {why}: dropped")
                    continue
                waiting.append(pool.submit(self._read_piece, piece, positions, time))
                if len(waiting) >= _WORKERS:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()

    def _pieces(self) -> Iterator[_Piece]:
        """The lines after the preamble; the last one that is not blank comes alone (with the blank ones behind it)."""
        line, skip, held = 1, self._n_preamble, b""
        with open_bytes(self._path) as stream:
            how = {"encoding": self.dialect.encoding, "old_line_ends": self._old_line_ends, "file": self.file}
            for text in whole_lines(stream, packed_bytes=self._path.stat().st_size, **how):
                text, skipped = _behind(text, skip)
                skip, line = skip - skipped, line + skipped
                if held and not text.isspace():
                    yield (piece := _Piece(text=held, first_line=line, n_lines=held.count(b"\n")))
                    line, held = line + piece.n_lines, text
                else:
                    held += text
        cut = held.rfind(b"\n", 0, len(held.rstrip(b"\r\n\0 \t"))) + 1
        n_lines = held.count(b"\n", 0, cut)
        if cut:
            yield _Piece(text=held[:cut], first_line=line, n_lines=n_lines)
        yield _Piece(text=held[cut:], first_line=line + n_lines, is_end=True)

    def _torn(self, end: bytes) -> str:
        """Why the last line must have been cut off while it was written; empty when it is whole."""
        text = end.decode("latin-1").strip("\r\n\0 ")
        if text.startswith(COMMENT_MARKS[:3]) or not text.strip():
            return ""
        cells, decimal = self.dialect.cells(text), self.dialect.decimal
        if len(cells) < self.dialect.n_columns:
            return f"has {len(cells)} cell(s) in place of {self.dialect.n_columns} ({_short(text)!r})"
        whole = len(cells[-1].partition(decimal)[2]) == self.dialect.last_decimals > 0
        if end.rstrip(b"\0 \t").endswith(b"\n") or whole:
            return ""
        return f"has no line end, so that its last number may be cut ({_short(text)!r})"

    # ------------------------------------------------------------------------------------------ fast, slow
    def _read_piece(self, piece: _Piece, positions: list[int], time: int | None) -> _Segment:
        fast = None if piece.is_end else self._read_fast(piece, positions, time)
        return fast or self._read_slowly(piece, positions, time)

    def _read_fast(self, piece: _Piece, positions: list[int], time: int | None) -> _Segment | None:
        """The piece through the compiled reader, or None when it is anything but whole rows of numbers."""
        if b"\0" in piece.text or (b'"' in piece.text and _QUOTE_INSIDE.search(piece.text)):
            return None
        last, n_rows = self.dialect.n_columns - 1, piece.n_lines
        frame = _compiled(piece.text, self.dialect)
        numeric = {*positions} | ({time} - self._dates - {None})
        if frame is None or len(frame) != n_rows or any(frame[i].dtype.kind not in "iufb" for i in numeric):
            return None
        columns, ticks = [frame[position].to_numpy() for position in positions], None
        if time is not None:
            ticks = (Ticks.of_dates if time in self._dates else Ticks.of)(frame[time].to_numpy())
        whole = all(np.isfinite(column).all() for column in columns) and (ticks is None or ticks.complete)
        if not whole or (last not in {*positions, time} and frame[last].isna().any()):
            return None  # a row too short ends in nan
        return _Segment(columns=columns, n_rows=n_rows, ticks=ticks, first_line=piece.first_line)

    def _read_slowly(self, piece: _Piece, positions: list[int], time: int | None) -> _Segment:
        """The piece line by line: every line that is neither blank nor a remark is a row."""
        rows, stamps, lines, problems, remarks = [], [], [], [], []
        text = piece.text.decode("latin-1" if self.dialect.encoding == "latin-1" else "utf-8", errors="replace")
        for number, line in enumerate(text.split("\n"), start=piece.first_line):
            line = line.strip("\r\0")
            if not line.strip() or line.lstrip().startswith(COMMENT_MARKS[:3]):
                remarks += [f"line {number}: {_short(line)}"] if line.strip() else []
                continue
            values, stamp, problem = self._row(line, positions, time)
            rows.append(values)
            stamps.append(stamp)
            lines.append(number)
            problems += [replace(problem, line=number)] if problem else []
        ticks = None
        if time is not None:
            ticks = Ticks.of_dates(stamps) if time in self._dates else Ticks.of_cells(stamps)
            problems += [
                RowProblem(kind="text", line=lines[i], found=repr(stamps[i]), column=self.columns[time].name)
                for i in np.flatnonzero(ticks.missing)
                if stamps[i]  # looks like a date and is none
            ]
        return _Segment(
            columns=np.array(rows, dtype=float).reshape(len(rows), len(positions)).T,
            n_rows=len(rows),
            ticks=ticks,
            first_line=piece.first_line,
            lines=np.array(lines, dtype=np.int64),
            problems=problems,
            remarks=remarks,
        )

    def _row(self, line: str, positions: list[int], time: int | None) -> tuple[list[float], str, RowProblem | None]:
        """Values, time cell (empty when unreadable) and first problem of one line."""
        cells = self.dialect.cells(line)
        if len(cells) != self.dialect.n_columns:
            found = f"{len(cells)} cell(s) in place of {self.dialect.n_columns}: {_short(line)!r}"
            return [np.nan] * len(positions), "", RowProblem(kind="columns", line=0, found=found)
        read = [self._cell(cells[position], position) for position in positions]
        stamp, odd = "", None
        if time is not None:
            stamp = cells[time].replace(",", ".")
            odd = None if time in self._dates and is_date(stamp) else self._cell(cells[time], time)[1]
            if stamp.lower() in ("true", "false"):  # a state, and no time
                odd = RowProblem(kind="text", line=0, found=repr(stamp), column=self.columns[time].name)
        problems = [problem for problem in (odd, *(problem for _, problem in read)) if problem]
        return [value for value, _ in read], "" if odd else stamp, problems[0] if problems else None

    def _cell(self, cell: str, position: int) -> tuple[float, RowProblem | None]:
        name = self.columns[position].name
        try:
            value = self.dialect.number(cell)
        except ValueError:
            return np.nan, RowProblem(kind="text", line=0, found=repr(_short(cell)), column=name)
        if np.isfinite(value):
            return value, None
        found = repr(cell) if cell else "an empty cell"
        return np.nan, RowProblem(kind="not a number", line=0, found=found, column=name)


def _described(preamble: Sequence[str], dialect: Dialect, file: str) -> tuple[tuple[Column, ...], Stated, bool]:
    """Columns, what the remarks state, and whether the columns have titles."""
    titles, units, used = find_titles(preamble, dialect)
    remarks = [(i + 1, uncomment(line)) for i, line in enumerate(preamble) if i not in used and line.strip()]
    stated = stated_facts(remarks, file=file)
    if titles is None and len(stated.column_names) == dialect.n_columns:
        titles = list(stated.column_names)
    if units is None and len(stated.column_units) == dialect.n_columns:
        units = list(stated.column_units)
    columns = [parse_title(title, position=i) for i, title in enumerate(titles or [""] * dialect.n_columns)]
    if units:
        columns = [_with_unit(column, unit, file) for column, unit in zip(columns, units)]
    return tuple(columns), stated, titles is not None


def _with_unit(column: Column, text: str, file: str) -> Column:
    """The column with the unit from the row of units."""
    unit = text.strip().strip("[]()").strip()
    if unit in ("", "-"):
        return column
    below = replace(column, unit_text=unit)
    if column.unit and below.unit and column.unit != below.unit:
        raise LogFormatError(
            file,
            column=column.title,
            found=f"the unit {column.unit_text!r} in the title and {unit!r} below it",
            expected="one unit",
            cure="correct the header",
        )
    return below if below.unit or not column.unit_text else column


# ------------------------------------------------------------------------------------------------- helpers
def _compiled(piece: bytes, dialect: Dialect) -> pd.DataFrame | None:
    """The piece as a table with one column a cell, or None when its rows are of different widths."""
    try:
        frame = pd.read_csv(
            io.BytesIO(piece),
            header=None,
            sep=dialect.separator or r"\s+",
            decimal=dialect.decimal,
            encoding="latin-1",
            skip_blank_lines=False,
            skipinitialspace=dialect.padded,
            low_memory=False,
        )
    except (ValueError, OverflowError):
        return None
    extra = frame.shape[1] - dialect.n_columns  # a separator that closes the row makes an empty column
    return frame if extra == 0 or (extra == 1 and frame.iloc[:, -1].isna().all()) else None


def _behind(text: bytes, n_lines: int) -> tuple[bytes, int]:
    """The text behind so many lines, and how many there were (fewer when it ends before)."""
    at = done = 0
    while done < n_lines and at < len(text):
        at, done = text.find(b"\n", at) + 1 or len(text), done + 1
    return text[at:] if at else text, done


def _line_of(segments: Sequence[_Segment], firsts: Sequence[int], row: int) -> int:
    i = bisect_right(firsts, row) - 1
    return segments[i].line(row - firsts[i])


def _short(text: str) -> str:
    text = text.strip()
    return text if len(text) <= 60 else text[:57] + "..."
