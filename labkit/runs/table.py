"""What every log format hands to the reader: columns of numbers with their time stamps, nothing interpreted yet."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import pandas as pd

from labkit.base import Unit
from labkit.runs.columns import Column, Stated

__all__ = ["FREE_BYTES", "MOST_UNPACKED", "Log", "RowProblem", "Table", "Ticks", "unpacks_too_far"]

#: A packed file may grow to this many bytes, or to `MOST_UNPACKED` times its size if that is more: real logs shrink
#: to a third or a tenth, and a file that grows by more is made to fill the memory.
FREE_BYTES = 1 << 28
MOST_UNPACKED = 100

_WHOLE = re.compile(r"[+-]?([0-8]?[0-9]{1,18})")  # fits into 64 bits
_LAST_DAY = 106_750  # days from 1970 that fit into 64 bits of nanoseconds


def unpacks_too_far(n_bytes: int, packed_bytes: int) -> bool:
    """True when so many bytes out of a file of `packed_bytes` cannot be a log.

    Examples
    --------
    >>> unpacks_too_far(2_000_000_000, 200_000_000), unpacks_too_far(2_000_000_000, 2_000_000)
    (False, True)
    """
    return n_bytes > max(FREE_BYTES, MOST_UNPACKED * packed_bytes)


@dataclass(frozen=True, kw_only=True)
class RowProblem:
    """Rows that are not as they must be: kind as in LogProblem, first line, what stands there, column, how many."""

    kind: str
    line: int
    found: str
    column: str = ""
    samples: int = 1


@dataclass(frozen=True, eq=False, kw_only=True)
class Ticks:
    """Time stamps as the log holds them, whole numbers kept whole.

    Parameters
    ----------
    raw : numpy.ndarray of int64 or float64
        Stamps in the log's unit, or nanoseconds since 1970 for dates.
    missing : numpy.ndarray of bool, optional
        True where a stamp could not be read; needed for whole numbers, which have no nan.
    """

    raw: np.ndarray
    missing: np.ndarray | None = None

    @classmethod
    def of(cls, column: np.ndarray) -> Ticks:
        """From a column of whole numbers, floats, dates (datetime64) or durations (timedelta64)."""
        if column.dtype.kind in "mM":
            whole = column.astype(f"{column.dtype.kind}8[ns]")
            wrapped = np.abs(column.astype(f"{column.dtype.kind}8[D]").astype(np.float64)) > _LAST_DAY
            return cls(raw=whole.astype(np.int64), missing=np.isnat(whole) | wrapped)
        if column.dtype.kind in "iu" and column.dtype != np.uint64:
            return cls(raw=column.astype(np.int64))
        return cls(raw=column.astype(np.float64), missing=~np.isfinite(column))

    @classmethod
    def of_dates(cls, cells: Sequence[str]) -> Ticks:
        """From dates with times (ISO 8601, UTC when no zone is stated) or times of day; unreadable ones are missing."""
        text = pd.Series(cells, dtype="object").str.replace(",", ".")
        if not text.str.contains("-", na=False).any():
            return cls.of(pd.to_timedelta(text, errors="coerce").to_numpy())
        return cls.of(pd.to_datetime(text, utc=True, format="ISO8601", errors="coerce").dt.tz_localize(None).to_numpy())

    @classmethod
    def of_cells(cls, cells: Sequence[str]) -> Ticks:
        """From numbers as text; empty cells are missing."""
        missing = np.array([not cell for cell in cells], dtype=bool)
        if all(_WHOLE.fullmatch(cell) for cell in cells if cell):
            return cls(raw=np.array([int(cell or 0) for cell in cells], dtype=np.int64), missing=missing)
        return cls(raw=np.array([float(cell or "nan") for cell in cells], dtype=np.float64), missing=missing)

    @classmethod
    def join(cls, parts: Sequence[Ticks]) -> Ticks:
        """Parts one after the other."""
        if not parts:
            return cls(raw=np.empty(0))
        if not any(part.missing is not None and part.missing.any() for part in parts):
            return cls(raw=np.concatenate([part.raw for part in parts]))
        masks = [np.zeros(len(part.raw), bool) if part.missing is None else part.missing for part in parts]
        return cls(raw=np.concatenate([part.raw for part in parts]), missing=np.concatenate(masks))

    @property
    def complete(self) -> bool:
        """True when every stamp could be read."""
        return self.missing is None or not self.missing.any()

    @property
    def first(self) -> int | float | None:
        """First stamp that could be read, exact; None when there is none."""
        good = 0 if self.missing is None else int(np.argmin(self.missing))
        if not len(self.raw) or (self.missing is not None and self.missing[good]):
            return None
        return self.raw[good].item()

    def since_first(self) -> np.ndarray:
        """Stamps minus the first (subtracted before any rounding to float64), nan where missing."""
        first, raw = self.first or 0, self.raw
        good = raw if self.complete else raw[~self.missing]
        if raw.dtype == np.int64 and len(good) and int(good.max()) - int(good.min()) >> 63:
            raw = raw.astype(np.float64)  # the difference does not fit into 64 bits
        with np.errstate(over="ignore", invalid="ignore"):
            ticks = (raw - raw.dtype.type(first)).astype(np.float64, copy=False)
        if self.missing is not None:
            ticks[self.missing] = np.nan
        return ticks


@dataclass(frozen=True, eq=False, kw_only=True)
class Table:
    """Chosen columns of a log.

    Parameters
    ----------
    values : numpy.ndarray, shape (n_columns, n_rows)
        float64, nan where a cell could not be read.
    ticks : Ticks or None
        Time stamps; None without a time column.
    problems : list of RowProblem
        In file order.
    notes : list of str
        What else the builder should know.
    line_of : callable
        Line of a row (0-based); 1-based row number for formats without lines.
    """

    values: np.ndarray
    ticks: Ticks | None = None
    problems: list[RowProblem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    line_of: Callable[[int], int] = lambda row: row + 1


class Log(Protocol):
    """A log, opened: what it says is known, its rows are not read yet.

    Attributes
    ----------
    file : str
        Name for error messages.
    columns : tuple of Column
        Columns as titled.
    stated : Stated
        What the remarks state.
    has_titles : bool
        False when the columns have no titles.
    units : mapping of int to Unit
        Units that the format itself states, by position of the column.
    raw : bool
        True when the format holds steps of a converter.
    """

    file: str
    columns: tuple[Column, ...]
    stated: Stated
    has_titles: bool
    units: Mapping[int, Unit]
    raw: bool

    def has_dates(self, position: int) -> bool:
        """True when a column holds dates with times in place of numbers."""

    def read(self, positions: Sequence[int], *, time: int | None) -> Table:
        """Read the columns at `positions` and the column of time stamps."""
