"""A log whose columns are arrays already, and what to say about one that cannot be read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from labkit.base import LogFormatError, Unit
from labkit.runs.columns import Column, Stated
from labkit.runs.table import RowProblem, Table, Ticks

__all__ = ["DATES", "NUMBERS", "ArrayLog", "damaged"]

#: Kinds of arrays that hold real numbers, and times.
NUMBERS, DATES = "iufb", "mM"


@dataclass(frozen=True, eq=False, kw_only=True)
class ArrayLog:
    """A log whose columns are arrays already.

    Parameters
    ----------
    file, columns, stated, has_titles, units, raw
        As for any `Log`.
    arrays : tuple of numpy.ndarray
        Their values, one 1-D array each, all of one length.
    notes : tuple of str
        What the builder should know.
    """

    file: str
    columns: tuple[Column, ...]
    arrays: tuple[np.ndarray, ...]
    stated: Stated = field(default_factory=Stated)
    has_titles: bool = True
    units: Mapping[int, Unit] = field(default_factory=dict)
    raw: bool = False
    notes: tuple[str, ...] = ()

    def has_dates(self, position: int) -> bool:
        """True when a column holds dates with times in place of numbers."""
        return self.arrays[position].dtype.kind in DATES

    def read(self, positions: Sequence[int], *, time: int | None) -> Table:
        """The columns at `positions` as float64, and the column of time stamps.

        Raises
        ------
        LogFormatError
            When one of them holds something else than numbers (or, for time stamps, dates).
        """
        values = np.empty((len(positions), len(self.arrays[0])))
        odd, ticks = np.full(values.shape[1], -1, dtype=np.int32), None  # position of the first odd cell of each row
        if time is not None:
            self._check_kind(time, NUMBERS + DATES)
            ticks = Ticks.of(_as_floats(self.arrays[time]))
            if not ticks.complete:
                odd[ticks.missing] = time
        for row, position in zip(values, positions):
            self._check_kind(position, NUMBERS)
            row[:] = _as_floats(self.arrays[position])
            lost = ~np.isfinite(row)
            if lost.any():
                row[lost] = np.nan
                odd[lost & (odd < 0)] = position
        return Table(values=values, ticks=ticks, notes=list(self.notes), problems=self._problems(odd))

    def _problems(self, odd: np.ndarray) -> list[RowProblem]:
        """One for each run of rows that are odd in one column."""
        starts = np.flatnonzero(np.diff(odd, prepend=np.int32(-1)))
        return [
            RowProblem(
                kind="not a number",
                line=int(start) + 1,
                found=str(self.arrays[odd[start]][start]),
                column=self.columns[odd[start]].name,
                samples=int(end - start),
            )
            for start, end in zip(starts, [*starts[1:], len(odd)])
            if odd[start] >= 0
        ]

    def _check_kind(self, position: int, kinds: str) -> None:
        array, column = self.arrays[position], self.columns[position]
        if array.dtype.kind not in kinds:
            raise LogFormatError(
                self.file,
                column=column.title or column.name,
                found=f"values of the kind {array.dtype}",
                expected="numbers",
                cure="name other columns, or save this one as numbers",
            )


def _as_floats(array: np.ndarray) -> np.ndarray:
    """Floats of any length as float64: too great ones become infinite, any kind of nan is nan; other kinds stay."""
    with np.errstate(over="ignore", invalid="ignore"):
        return array.astype(np.float64) if array.dtype.kind == "f" else array


def damaged(path: Path, what: str, error: object) -> LogFormatError:
    return LogFormatError(
        str(path),
        found=f"a {what} file that cannot be read ({error})",
        expected=f"a whole {what} file",
        cure="copy or export the log again",
    )
