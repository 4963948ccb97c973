"""A push test as written down at the bench: loads and readings, row by row, in the order in which they were taken.

A table as text with a line of titles that name the units: ``load [N]`` or ``mass [g]``, ``reading [um]``. Columns
`repeat` and `branch` are optional; what else stands there is skipped.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labkit.base import STANDARD_GRAVITY_M_S2, LogFormatError, check_number, find_unit
from labkit.runs.columns import Column
from labkit.runs.small_table import SmallTable, read_small_table

__all__ = ["PushFile", "read_push_file"]

_AT_TOP = 0.95  # share of the highest load from which either branch is right
_NAMES = {
    "load": re.compile(r"\b(load|force|push|mass|weight|weights|f)\b"),
    "reading": re.compile(r"\b(reading|readings|gauge|dial|displacement|deflection|indicator|travel)\b"),
    "repeat": re.compile(r"\b(repeat|repetition|run|series|cycle|set|trial)\b"),
    "branch": re.compile(r"\b(branch|direction|dir|way)\b"),
}
_MASS_KG = {"mg": 1e-6, "g": 1e-3, "kg": 1.0, "lb": 0.45359237, "lbs": 0.45359237, "oz": 0.45359237 / 16}
_FORCE_N = {"n": 1.0, "mn": 1e-3, "kn": 1e3, "kgf": STANDARD_GRAVITY_M_S2, "lbf": 0.45359237 * STANDARD_GRAVITY_M_S2}
_MEGA = ("MN", "Mg", "G")  # meant otherwise than in small letters
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
    check_number("gravity_m_s2", gravity_m_s2, above=9.7, below=9.9, cure="between the equator and the poles")
    table = read_small_table(path, example="load [N],reading [um]")
    load, reading = (table.column(role, _NAMES[role]) for role in ("load", "reading"))
    factor_n, notes = _load_factor(table, load, load_unit, gravity_m_s2)
    factor_m = _reading_factor(table, reading, reading_unit)
    loads, readings = table.numbers(load), table.numbers(reading)
    return PushFile(
        name=table.name,
        load_n=factor_n * loads,
        reading_m=factor_m * readings,
        repeat=_repeats(table, loads),
        written_step_m=factor_m * _common_step(readings),
        notes=tuple(notes),
    )


# ------------------------------------------------------------------------------------------------------ units
def _load_factor(table: SmallTable, column: Column, given: str, gravity_m_s2: float) -> tuple[float, list[str]]:
    """Newtons for one unit of the column, and what to mind; grams and kilograms are weights laid on."""
    text = _stated_unit(table, column, given, example="load [N] or mass [g]", option="load_unit")
    unit = "" if text in _MEGA else text.lower()
    if unit in _FORCE_N:
        return _FORCE_N[unit], []
    if unit in _MASS_KG:
        note = f"masses in {text} taken as weights under {gravity_m_s2:.5g} m/s²; gravity differs by up to 0.3 %"
        return _MASS_KG[unit] * gravity_m_s2, [note]
    raise _unknown_unit(table, column, text, known=[*_FORCE_N, *_MASS_KG])


def _reading_factor(table: SmallTable, column: Column, given: str) -> float:
    """Metres for one unit of the column."""
    text = _stated_unit(table, column, given, example="reading [um]", option="reading_unit")
    if stepped := _STEPPED.fullmatch(text):
        text, number = stepped["unit"].strip(), float(stepped["number"].replace(",", "."))
        check_number(f"{table.name}: size of a graduation", number, above=0.0)
    else:
        number = 1.0
    if text.lower() in _INCH_M:
        return number * _INCH_M[text.lower()]
    unit = find_unit(text)
    if unit is not None and unit.quantity == "displacement":
        return number * unit.factor
    raise _unknown_unit(table, column, text, known=["um", "mm", "m", "in", "thou"])


def _stated_unit(table: SmallTable, column: Column, given: str, *, example: str, option: str) -> str:
    """Unit of the title, or the one given beside the file; the two may not contradict each other."""
    stated = column.unit_text.strip()
    if stated.lower() in _MARKS:
        if given:
            return given.strip()
        raise table.error(
            column,
            found=f"readings in {stated}",
            expected="the size of a graduation",
            cure=f'give {option} = "0.01 mm" (what one graduation of the dial stands for)',
        )
    if given and stated and given.strip().lower() != stated.lower():
        raise table.error(
            column,
            found=f"the unit {stated!r} in the title, {given!r} given beside it",
            expected="one unit",
            cure=f"leave {option} out, or correct the title",
        )
    if not (given or stated):
        raise table.error(
            column,
            found="a title without a unit",
            expected=f"a title such as {example}",
            cure=f"write the unit in brackets behind the title, or give {option}",
        )
    return (given or stated).strip()


def _unknown_unit(table: SmallTable, column: Column, text: str, *, known: Sequence[str]) -> LogFormatError:
    return table.error(
        column,
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
def _repeats(table: SmallTable, loads: np.ndarray) -> tuple[str, ...] | None:
    """Labels of the repeats, as the file states them; its branches must agree with the order of the loads."""
    repeat, branch = (table.find(role, _NAMES[role]) for role in ("repeat", "branch"))
    falling = None if branch is None else _falling(table, branch)
    if repeat is not None:
        labels = tuple(text for _, text in table.words(repeat))
    elif falling is not None:
        starts = [before and not now for before, now in itertools.pairwise([False, *falling])]
        labels = tuple(str(1 + number) for number in np.cumsum(starts))
    else:
        return None
    if falling is not None:
        _check_branches(table, branch, falling=falling, labels=labels, loads=loads)
    return labels


def _falling(table: SmallTable, column: Column) -> list[bool]:
    found = []
    for line, text in table.words(column):
        if text.lower() not in _UP | _DOWN:
            raise table.error(
                column,
                line=line,
                found=repr(text),
                expected="up or down",
                cure="write up where weights are laid on, down where they are taken off",
            )
        found.append(text.lower() in _DOWN)
    return found


def _check_branches(
    table: SmallTable, column: Column, *, falling: Sequence[bool], labels: Sequence[str], loads: np.ndarray
) -> None:
    """A row behind the highest load of its repeat must be on the falling branch, one before it on the rising one."""
    rows_of: dict[str, list[int]] = {}
    for k, label in enumerate(labels):
        rows_of.setdefault(label, []).append(k)
    for label, rows in rows_of.items():
        top = max(loads[rows])
        first = next(k for k in rows if loads[k] == top)
        for k in rows:
            if loads[k] < _AT_TOP * top and falling[k] != (k > first):
                raise table.error(
                    column,
                    line=table.rows[k][0],
                    found=f"branch {'down' if falling[k] else 'up'} {'before' if k < first else 'behind'} the highest "
                    f"load of repeat {label}",
                    expected="up as far as the highest load, then down",
                    cure="put the rows in the order in which they were read",
                )
