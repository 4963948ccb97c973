"""Read a log file into a Recording: which columns, which unit, which clock.

The formats live next door (`textlog`, `binarylog`); they hand over numbers and what the file says about them. Here it
is decided what the numbers mean. What the file and the caller leave open is an error, not a guess.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from labkit.base import LogFormatError, Unit, check_choice, check_number, find_unit, known_units
from labkit.runs.binarylog import ArrayLog, binary_log
from labkit.runs.clock import ClockFacts, LogProblem, Placement, fill_gaps, place_rows
from labkit.runs.columns import Column, hinted_quantity, is_time_name
from labkit.runs.recording import Recording
from labkit.runs.table import Table
from labkit.runs.textlog import TextLog

__all__ = ["ClockFacts", "LogProblem", "log_quantities", "read_log"]

_HEAD_BYTES = 4096
_EPOCH_FROM_S = 1e8  # three years: no bench clock since power-up says so much
_EPOCH_DIGITS = {10: "s", 13: "ms", 16: "µs", 19: "ns"}  # digits of a stamp from 2001 to 2286
_SAMPLES = ("sample", "samples")


@dataclass(frozen=True, eq=False, kw_only=True)
class _Said:
    """What the caller states about a log."""

    quantity: str | None = None
    columns: tuple[str | int, ...] | None = None
    units: str | Mapping[str | int, str] | None = None
    time_column: str | int | None = None
    time_unit: str | None = None
    sample_rate_hz: float | None = None
    scale: float | Mapping[str | int, float] | None = None


@dataclass(frozen=True, kw_only=True)
class _Channel:
    """A column to read and the factor that turns its numbers into SI."""

    column: Column
    unit: Unit
    factor: float


@dataclass(frozen=True, kw_only=True)
class _Odd:
    """A problem and the column it was found in."""

    problem: LogProblem
    column: str


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
    said = _said(
        quantity=quantity, columns=None if columns is None else tuple([columns] if isinstance(columns, str) else columns),
        units=units, time_column=time_column, time_unit=time_unit, sample_rate_hz=sample_rate_hz, scale=scale,
    )
    path = Path(path)
    log = _open(path)
    time = _time_position(log, said, str(path))
    channels, notes = _channels(log, said, time, str(path))
    table = log.read([channel.column.position for channel in channels], time=time)
    return _recording(path, log, said, time, channels, table, notes, irregular, fill_gaps_shorter_s)


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
    said = _said(units=units, time_column=time_column, time_unit=time_unit, sample_rate_hz=sample_rate_hz)
    log = _open(Path(path))
    time = _time_position(log, said, str(path))
    held: dict[str, tuple[str, ...]] = {}
    for column in log.columns:
        if column.position != time:
            unit = _unit(log, column, said, str(path))
            key = unit.quantity if unit else "unknown"
            held[key] = (*held.get(key, ()), column.name)
    return held


# ------------------------------------------------------------------------------------------------ opening
def _said(**what: object) -> _Said:
    said = _Said(**what)
    if said.sample_rate_hz is not None:
        check_number("sample_rate_hz", said.sample_rate_hz, above=0.0)
    units = said.units.values() if isinstance(said.units, Mapping) else [said.units] if said.units else []
    for text in units:
        if find_unit(text) is None:
            raise ValueError(f"units is {text!r}; it must be a known unit such as 'mg', 'm/s^2', 'µm' or 'count'")
    scales = said.scale.values() if isinstance(said.scale, Mapping) else [] if said.scale is None else [said.scale]
    for number in scales:
        if check_number("scale", number) == 0:
            raise ValueError("scale is 0; it must be the size of one step of the raw values")
    if said.time_unit is not None and said.time_unit not in _SAMPLES:
        unit = find_unit(said.time_unit)
        if unit is None or unit.quantity != "time":
            raise ValueError(f"time_unit is {said.time_unit!r}; it must be 's', 'ms', 'us', 'ns' or 'sample'")
    return said


def _open(path: Path) -> TextLog | ArrayLog:
    if not path.is_file():
        raise LogFormatError(
            str(path), found="no such file" if not path.exists() else "no file but a folder", expected="a log file",
            cure="correct the path",
        )
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES)
    return binary_log(path, head=head) or TextLog(path)


def _position(log: TextLog | ArrayLog, key: str | int, file: str) -> int:
    """Position of the column that the caller names."""
    n = len(log.columns)
    if isinstance(key, int) and not isinstance(key, bool):
        if 0 <= key < n:
            return key
        found = [f"position {key}"]
    else:
        same = [c.position for c in log.columns if str(key).strip() in (c.title, c.name)]
        same = same or [c.position for c in log.columns if str(key).strip().lower() in (c.title.lower(), c.name.lower())]
        if len(same) == 1:
            return same[0]
        found = [f"{len(same)} columns {key!r}" if same else f"no column {key!r}"]
    raise LogFormatError(
        file, found=found[0], expected="one of " + ", ".join(repr(c.title or c.name) for c in log.columns),
        cure=f"name one of these, or give its position 0 to {n - 1}",
    )


def _time_position(log: TextLog | ArrayLog, said: _Said, file: str) -> int | None:
    """Position of the time stamps, or None when there are none."""
    if said.time_column is not None:
        return _position(log, said.time_column, file)
    taken = {_position(log, key, file) for key in said.columns or ()}
    free = [c for c in log.columns if c.position not in taken]
    in_time = [c for c in free if (c.unit and c.unit.quantity == "time") or log.has_dates(c.position)]
    named = [c for c in free if is_time_name(c.name) and (c.unit is None or c.unit.quantity == "time")]
    for found in ([c for c in in_time if c in named], named, in_time):
        if found:
            return found[0].position
    return None


# ------------------------------------------------------------------------------------- what numbers mean
def _for_column(said: object, column: Column) -> object:
    """The caller's statement for one column: from a mapping by title, name or position, or the same for all."""
    if not isinstance(said, Mapping):
        return said
    return next((said[key] for key in (column.title, column.name, column.position) if key in said), None)


def _unit(log: TextLog | ArrayLog, column: Column, said: _Said, file: str) -> Unit | None:
    """Unit of a column from the log, then from the caller; None when neither says."""
    own = getattr(log, "units", {}).get(column.position) or column.unit
    hint = hinted_quantity(column.name)
    text = log.stated.unit_text
    if own is None and text and hint in (None, find_unit(text).quantity):
        own = find_unit(text)
    given = find_unit(_for_column(said.units, column) or "")
    if isinstance(said.units, Mapping) or given is None:
        meant = given is not None
    elif own is not None:
        meant = own.quantity in (given.quantity, "counts")
    else:
        meant = _applies(log, given, column, said)
    if own is not None and meant and (own.quantity, own.factor) != (given.quantity, given.factor):
        if own.quantity == "counts" and _for_column(said.scale, column) is not None:
            return given
        raise LogFormatError(
            file, column=column.title or column.name, found=f"the unit {column.unit_text or text!r} in the log",
            expected=f"the unit given with units= ({_for_column(said.units, column)!r})",
            cure="leave units= out, or correct the log's header",
        )
    unit = own or (given if meant else None)
    if unit is None and "trigger" in (hint, said.quantity) and said.quantity in (None, "trigger"):
        return find_unit("trigger")
    return unit


def _applies(log: TextLog | ArrayLog, given: Unit, column: Column, said: _Said) -> bool:
    """True when one unit given for all columns is meant for this one, which has none of its own.

    It is meant for the columns named with columns=; else for those whose names say the same quantity; else for those
    whose names say nothing.
    """
    if said.columns is not None:
        return said.quantity is None or given.quantity in (said.quantity, "counts")
    meant = said.quantity or ("acceleration" if given.quantity == "counts" else given.quantity)
    if given.quantity not in (meant, "counts"):
        return False
    hints = [hinted_quantity(c.name) for c in log.columns]
    return hinted_quantity(column.name) == (meant if meant in hints else None)


def _channels(
    log: TextLog | ArrayLog, said: _Said, time: int | None, file: str,
) -> tuple[list[_Channel], list[str]]:
    """Columns to read, each with its factor; and what was left out, in words."""
    if not log.has_titles and said.columns is None and time is None and said.sample_rate_hz is None and (
        math.isnan(log.stated.rate_hz)
    ):
        raise LogFormatError(
            file, found=f"{len(log.columns)} column(s) without titles", expected="to know what they are",
            cure="give sample_rate_hz= or time_column=, and columns= and units=",
        )
    free = [c for c in log.columns if c.position != time]
    wanted = free if said.columns is None else [log.columns[_position(log, key, file)] for key in said.columns]
    if not wanted or len({c.position for c in wanted}) < len(wanted):
        raise LogFormatError(file, found="no column, or one twice", expected="columns to read", cure="correct columns=")
    units = {c.position: _unit(log, c, said, file) for c in wanted}
    quantity = _quantity(wanted, units, said, file)
    chosen = [c for c in wanted if units[c.position] and units[c.position].quantity == quantity]
    unknown = [c for c in wanted if units[c.position] is None]
    missing = [c for c in unknown if said.columns or (hinted_quantity(c.name) == quantity and not c.unit_text)]
    if missing:
        raise _unit_unknown(missing[0], file)
    others = [c for c in wanted if c not in chosen and c not in unknown]
    if said.columns is not None and others:
        other = others[0]
        raise LogFormatError(
            file, column=other.title, found=units[other.position].quantity, expected=quantity,
            cure="read one quantity at a time: give quantity=, or fewer columns=",
        )
    notes = [f"not read: {c.title} ({units[c.position].quantity})" for c in others]
    notes += [f"not read: {c.title or c.name} (unit {c.unit_text or 'not stated'!r} not known)" for c in unknown]
    return [_channel(log, c, units[c.position], said, file) for c in chosen], notes


_BESIDE = ("trigger", "temperature", "time", "angular rate", "counts")


def _quantity(wanted: list[Column], units: Mapping[int, Unit | None], said: _Said, file: str) -> str:
    """The quantity to read."""
    held = list(dict.fromkeys(unit.quantity for unit in units.values() if unit))
    if said.quantity is not None:
        if said.quantity in held:
            return said.quantity
        unknown = [c for c in wanted if units[c.position] is None]
        if unknown and (said.columns is not None or not held):
            raise _unit_unknown(unknown[0], file)
        raise LogFormatError(
            file, found=f"columns of {', '.join(held) or 'unknown quantity'}", expected=f"a column of {said.quantity}",
            cure="give another quantity=, or units= for the column that holds it",
        )
    if "acceleration" in held:
        return "acceleration"
    main = [quantity for quantity in held if quantity not in _BESIDE]
    accelerations = [c for c in wanted if units[c.position] is None and hinted_quantity(c.name) == "acceleration"]
    if accelerations and not accelerations[0].unit_text:
        raise _unit_unknown(accelerations[0], file)
    if len(main) == 1 or (not main and len(held) == 1):
        return (main or held)[0]
    if not held:
        raise _unit_unknown(next(c for c in wanted), file)
    if held and not main and "counts" in held:
        return "counts"
    raise LogFormatError(
        file, found=f"columns of {', '.join(held)}", expected="one quantity", cure="give quantity= or columns=",
    )


def _unit_unknown(column: Column, file: str) -> LogFormatError:
    unit = f"the unit {column.unit_text!r}, which is not known" if column.unit_text else "no unit"
    return LogFormatError(
        file, column=column.title or column.name, found=unit,
        expected="a unit such as " + ", ".join(known_units("acceleration")[:1] + ["g", "mg", "mm", "µm", "N"]),
        cure="give units= (with scale= for raw counts; units='count' keeps them raw), or write it into the header",
    )


def _channel(log: TextLog | ArrayLog, column: Column, unit: Unit, said: _Said, file: str) -> _Channel:
    scale = _for_column(said.scale, column)
    own = getattr(log, "units", {}).get(column.position) or column.unit
    if scale is not None and own is not None and own.quantity != "counts":
        raise LogFormatError(
            file, column=column.title, found=f"values in {column.unit_text} already", expected="raw values for scale=",
            cure="leave scale= out",
        )
    if scale is not None and unit.quantity == "counts":
        raise LogFormatError(
            file, column=column.title or column.name, found="scale= without a unit", expected="what the scale leads to",
            cure="give units= too, for example units='g'",
        )
    if scale is None and getattr(log, "raw", False) and unit.quantity not in ("counts", "trigger"):
        raise LogFormatError(
            file, column=column.name, found="steps of a converter", expected="their size",
            cure="give scale= (full scale of a 16-bit file divided by 32768), or units='count'",
        )
    return _Channel(column=column, unit=unit, factor=unit.factor * (1.0 if scale is None else float(scale)))


# ------------------------------------------------------------------------------------------------- clock
def _stated_rate(log: TextLog | ArrayLog, said: _Said, file: str) -> float:
    """Rate from the caller, else from the log; they must agree within a clock's error."""
    own, given = log.stated.rate_hz, said.sample_rate_hz
    if given is None or math.isnan(own):
        return own if given is None else float(given)
    if abs(given / own - 1) > 0.2:
        raise LogFormatError(
            file, found=f"a sample rate of {own:g} Hz", expected=f"the {given:g} Hz of sample_rate_hz=",
            cure="leave sample_rate_hz= out, or correct the log's header",
        )
    return float(given)


def _seconds_per_tick(log: TextLog | ArrayLog, time: int, table: Table, said: _Said, rate_hz: float, file: str) -> float:
    """Length of one unit of the time column [s]."""
    column = log.columns[time]
    if log.has_dates(time):
        return 1e-9
    own = column.unit
    if said.time_unit in _SAMPLES:
        if math.isnan(rate_hz):
            raise LogFormatError(file, found="samples counted, no rate", expected="a rate", cure="give sample_rate_hz=")
        return 1.0 / rate_hz
    given = find_unit(said.time_unit) if said.time_unit else None
    if own and given and own.factor != given.factor:
        raise LogFormatError(
            file, column=column.title, found=f"the time unit {column.unit_text!r} in the log",
            expected=f"the {said.time_unit!r} of time_unit=", cure="leave time_unit= out, or correct the header",
        )
    unit = own or given
    first = table.ticks.first
    if unit is None and first is not None and is_time_name(column.name, epoch=True):
        unit = find_unit(_EPOCH_DIGITS.get(len(str(int(abs(first)))), ""))
    if unit is None and not math.isnan(rate_hz):
        unit = _unit_from_rate(table.ticks.since_first(), rate_hz)
    if unit is None or unit.quantity != "time":
        raise LogFormatError(
            file, column=column.title or column.name, found="time stamps without a known unit", expected="s, ms, µs or ns",
            cure="give time_unit= (or 'sample' for a counter, with sample_rate_hz=)",
        )
    return unit.factor


def _unit_from_rate(ticks: np.ndarray, rate_hz: float) -> Unit | None:
    """The time unit under which the stamps run at the stated rate, or None."""
    steps = np.diff(ticks[np.isfinite(ticks)])
    if not len(steps) or not steps.mean() > 0:
        return None
    for symbol in ("s", "ms", "µs", "ns"):
        unit = find_unit(symbol)
        step_s = (np.median(steps) or steps.mean()) * unit.factor
        if 0.5 < step_s * rate_hz < 2.0:
            return unit
    return None


def _recording(
    path: Path, log: TextLog | ArrayLog, said: _Said, time: int | None, channels: list[_Channel], table: Table,
    notes: list[str], irregular: str, fill_gaps_shorter_s: float | None,
) -> Recording:
    file, rate_hz = str(path), _stated_rate(log, said, str(path))
    values, meta = table.values, {}
    for row, channel in zip(values, channels):
        row *= channel.factor
    if values.shape[1] < 2:
        raise LogFormatError(
            file, found=f"{values.shape[1]} row(s)", expected="at least two rows", cure="log again; check the disk",
        )
    odd = [_Odd(problem=LogProblem(kind=p.kind, line=p.line, found=p.found), column=p.column) for p in table.problems]
    if time is None:
        facts, start_s = _clock_without_stamps(rate_hz, values.shape[1], file), 0.0
    else:
        tick_s = _seconds_per_tick(log, time, table, said, rate_hz, file)
        first_s = (table.ticks.first or 0) * tick_s
        seconds = table.ticks.since_first()
        seconds *= tick_s
        place = place_rows(seconds, file=file, stated_rate_hz=rate_hz)
        facts, name = place.facts, log.columns[time].name
        odd += [
            _Odd(problem=LogProblem(kind=kind, line=table.line_of(row), found=found, samples=n), column=name)
            for kind, row, found, n in place.problems
        ]
        values = _placed(values, place)
        start_s = first_s + place.start_s
        if start_s > _EPOCH_FROM_S:
            meta["start_epoch_s"], start_s = start_s, 0.0
    odd = _merged(odd)
    if irregular == "refuse":
        _refuse(odd, facts.rate_hz, fill_gaps_shorter_s, file)
    notes = [*notes, *table.notes]
    if fill_gaps_shorter_s is not None:
        notes += fill_gaps(values, rate_hz=facts.rate_hz, shorter_s=fill_gaps_shorter_s)
    meta |= {
        "file": path.name, "header": dict(log.stated.header), "notes": tuple(notes),
        "problems": tuple(o.problem for o in odd), "clock": facts,
    }
    names = _unique([channel.column.name for channel in channels])
    return Recording(
        values=values, sample_rate_hz=facts.rate_hz, channels=names, unit=channels[0].unit.symbol_si, start_s=start_s,
        meta=meta,
    )


def _clock_without_stamps(rate_hz: float, n_rows: int, file: str) -> ClockFacts:
    if math.isnan(rate_hz):
        raise LogFormatError(
            file, found="no time column and no sample rate", expected="one of them",
            cure="give sample_rate_hz=, or name the time stamps with time_column=",
        )
    return ClockFacts(has_time_column=False, n_rows=n_rows, rate_hz=rate_hz, stated_rate_hz=rate_hz)


def _placed(values: np.ndarray, place: Placement) -> np.ndarray:
    if len(place.rows) == values.shape[1] == place.n_samples:
        return values
    placed = np.full((len(values), place.n_samples), np.nan)
    placed[:, place.places] = values[:, place.rows]
    return placed


def _unique(names: Sequence[str]) -> list[str]:
    unique: list[str] = []
    for name in names:
        again = sum(1 for other in unique if other == name or other.startswith(f"{name} #"))
        unique.append(f"{name} #{again + 1}" if again else name)
    return unique


# ---------------------------------------------------------------------------------------------- problems
_EXPECTED = {
    "gap": "the next sample", "repeated time": "a later time stamp", "backward time": "a later time stamp",
    "not a number": "a number", "text": "a number", "columns": "a whole row",
}


def _merged(odd: list[_Odd]) -> list[_Odd]:
    """Problems in file order; the same fault on consecutive lines is one problem."""
    merged: list[_Odd] = []
    for this in sorted(odd, key=lambda o: o.problem.line):
        last = merged[-1] if merged else None
        p = this.problem
        if last and last.column == this.column and last.problem.kind == p.kind != "gap" and (
            last.problem.line + last.problem.samples == p.line
        ):
            merged[-1] = replace(last, problem=replace(last.problem, samples=last.problem.samples + p.samples))
        else:
            merged.append(this)
    return merged


def _refuse(odd: list[_Odd], rate_hz: float, fill_gaps_shorter_s: float | None, file: str) -> None:
    """Raise the first problem that the caller did not ask to fill."""
    def filled(p: LogProblem) -> bool:
        return p.kind in ("gap", "not a number") and p.samples / rate_hz < (fill_gaps_shorter_s or 0.0)

    left = [o for o in odd if not filled(o.problem)]
    if not left:
        return
    p = left[0].problem
    lost = f" ({p.samples} sample(s))" if p.samples > 1 or p.kind == "gap" else ""
    raise LogFormatError(
        file, line=p.line, column=left[0].column or None, found=f"{p.kind}: {p.found}{lost}", expected=_EXPECTED[p.kind],
        cure=f"correct it, or read with irregular='mark' to keep lost samples as nan; {len(left) - 1} further problem(s)",
    )
