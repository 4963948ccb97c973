"""What the numbers of a log mean: which columns to read, in which unit, on which time scale.

The log speaks first (titles, remarks), then the caller. Where both speak they must agree; where neither does, it is
an error, not a guess.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from labkit.base import LogFormatError, Unit, check_number, find_unit
from labkit.runs.clock import RATE_TOLERANCE
from labkit.runs.columns import Column, hinted_quantity, is_time_name
from labkit.runs.table import Log, Ticks

__all__ = ["Channel", "Said", "channels", "column_unit", "seconds_per_tick", "stated_rate", "time_position"]

_EPOCH_DIGITS = {10: "s", 13: "ms", 16: "µs", 19: "ns"}  # digits of a stamp from 2001 to 2286
_SAMPLES = ("sample", "samples")
# Quantities that come along with others and are read only when asked for, or when there is nothing else.
_BESIDE = ("trigger", "temperature", "time", "angular rate", "counts")


@dataclass(frozen=True, eq=False, kw_only=True)
class Said:
    """What the caller states about a log; fields as the arguments of `read_log`."""

    quantity: str | None = None
    columns: tuple[str | int, ...] | None = None
    units: str | Mapping[str | int, str] | None = None
    time_column: str | int | None = None
    time_unit: str | None = None
    sample_rate_hz: float | None = None
    scale: float | Mapping[str | int, float] | None = None

    def __post_init__(self) -> None:
        if self.sample_rate_hz is not None:
            check_number("sample_rate_hz", self.sample_rate_hz, above=0.0)
        for text in _all_of(self.units):
            if not isinstance(text, str) or find_unit(text) is None:
                raise ValueError(f"units is {text!r}; it must be a known unit such as 'mg', 'm/s^2', 'µm' or 'count'")
        for number in _all_of(self.scale):
            if check_number("scale", number) == 0:
                raise ValueError("scale is 0; it must be the size of one step of the raw values")
        unit = find_unit(self.time_unit or "s")
        if self.time_unit not in _SAMPLES and (unit is None or unit.quantity != "time"):
            raise ValueError(f"time_unit is {self.time_unit!r}; it must be 's', 'ms', 'us', 'ns' or 'sample'")


@dataclass(frozen=True, kw_only=True)
class Channel:
    """A column to read, its unit, and the factor that turns its numbers into SI."""

    column: Column
    unit: Unit
    factor: float


def _all_of(said: object) -> list:
    return list(said.values()) if isinstance(said, Mapping) else [] if said is None else [said]


def _for_column(said: object, column: Column, log: Log) -> object:
    """The caller's statement for one column: from a mapping, or the same for all."""
    if not isinstance(said, Mapping):
        return said
    return {_position(log, key): value for key, value in said.items()}.get(column.position)


def _position(log: Log, key: str | int) -> int:
    """Position of the column that the caller names."""
    n = len(log.columns)
    if isinstance(key, int) and 0 <= key < n:
        return key
    name = str(key).strip()
    exact = [c.position for c in log.columns if name in (c.title, c.name)]
    same = exact or [c.position for c in log.columns if name.lower() in (c.title.lower(), c.name.lower())]
    if len(same) == 1 and not isinstance(key, int):
        return same[0]
    raise LogFormatError(
        log.file,
        found=f"{len(same)} columns called {key!r}" if len(same) > 1 else f"no column {key!r}",
        expected="one of " + ", ".join(repr(c.title or c.name) for c in log.columns),
        cure=f"name one of these in full, or give its position, 0 to {n - 1}",
    )


def time_position(log: Log, said: Said) -> int | None:
    """Position of the time stamps, or None when there are none."""
    if said.time_column is not None:
        return _position(log, said.time_column)
    taken = {_position(log, key) for key in said.columns or ()}
    free = [c for c in log.columns if c.position not in taken]
    in_time = [c for c in free if (c.unit and c.unit.quantity == "time") or log.has_dates(c.position)]
    named = [c for c in free if is_time_name(c.name) and (c.unit is None or c.unit.quantity == "time")]
    for found in ([c for c in in_time if c in named], named, in_time):
        if found:
            return found[0].position
    return None


# --------------------------------------------------------------------------------------------------- units
def column_unit(log: Log, column: Column, said: Said) -> Unit | None:
    """Unit of a column from the log, then from the caller; None when neither says.

    Raises
    ------
    LogFormatError
        When log and caller contradict each other.
    """
    own, given = _own_unit(log, column), _given_unit(log, column, said)
    if own is None or given is None:
        is_trigger = hinted_quantity(column.name) == "trigger" or (said.quantity == "trigger" and said.columns)
        return own or given or (find_unit("trigger") if is_trigger else None)
    if own == given or own.quantity == "counts":  # raw steps: the caller may know what they lead to
        return given
    if own.quantity != given.quantity and not isinstance(said.units, Mapping):
        return own  # the one unit for all columns was meant for the others
    raise LogFormatError(
        log.file,
        column=column.title or column.name,
        found=f"the unit {column.unit_text or log.stated.unit_text or own.symbol_si!r} in the log",
        expected=f"the {_for_column(said.units, column, log)!r} of units=",
        cure="leave units= out, or correct the log's header",
    )


def _own_unit(log: Log, column: Column) -> Unit | None:
    """Unit from the format, the title, or a remark on all signals."""
    own = log.units.get(column.position) or column.unit
    remarked = find_unit(log.stated.unit_text) if log.stated.unit_text else None
    if own is None and remarked and hinted_quantity(column.name) in (None, remarked.quantity):
        return remarked
    return own


def _given_unit(log: Log, column: Column, said: Said) -> Unit | None:
    """Unit from the caller.

    One unit for all columns is meant for those named with columns=; else for those whose names say that quantity;
    else for those whose names say nothing.
    """
    text = _for_column(said.units, column, log)
    given = find_unit(text) if text else None
    if given is None or isinstance(said.units, Mapping) or _own_unit(log, column):
        return given
    raw = given.quantity == "counts"
    if said.quantity is not None and not raw and given.quantity != said.quantity:
        return None
    if said.columns is not None:
        return given
    meant = (said.quantity or "acceleration") if raw else given.quantity
    hints = [hinted_quantity(c.name) for c in log.columns]
    return given if hinted_quantity(column.name) == (meant if meant in hints else None) else None


# ------------------------------------------------------------------------------------------------- columns
def channels(log: Log, said: Said, *, time: int | None) -> tuple[list[Channel], list[str]]:
    """Columns to read; and, in words, which ones are left out.

    Raises
    ------
    LogFormatError
        When it is open which columns to read, or what unit they have.
    """
    if not log.has_titles and said.columns is None and time is None and said.sample_rate_hz is None:
        raise LogFormatError(
            log.file,
            found=f"{len(log.columns)} column(s) without titles",
            expected="to know what they are",
            cure="give units=, and sample_rate_hz= or time_column=; columns= picks some",
        )
    wanted = [c for c in log.columns if c.position != time]
    if said.columns is not None:
        wanted = [log.columns[_position(log, key)] for key in said.columns]
    if not wanted or len({c.position for c in wanted}) < len(wanted):
        raise LogFormatError(
            log.file,
            found="no column to read, or one named twice",
            expected="columns, each once",
            cure="correct columns=",
        )
    units = {c.position: column_unit(log, c, said) for c in wanted}
    quantity = _quantity(log, wanted, units, said)
    chosen, left_out = [], {}
    for column in wanted:
        unit = units[column.position]
        if unit is not None and unit.quantity == quantity:
            chosen.append(_channel(log, column, unit, said))
            continue
        if unit is None and (said.columns or (hinted_quantity(column.name) == quantity and not column.unit_text)):
            raise _unit_unknown(log, column)
        left_out.setdefault(unit.quantity if unit else "no known unit", []).append(column.title or column.name)
    if said.columns is not None and left_out:
        raise LogFormatError(
            log.file,
            found=", ".join(f"{key} ({', '.join(names)})" for key, names in left_out.items()),
            expected=f"columns of {quantity} only",
            cure="read one quantity at a time: fewer columns=, or quantity=",
        )
    return chosen, [f"not read: {key} ({', '.join(names)})" for key, names in left_out.items()]


def _quantity(log: Log, wanted: list[Column], units: Mapping[int, Unit | None], said: Said) -> str:
    """The quantity to read."""
    held = list(dict.fromkeys(unit.quantity for unit in units.values() if unit))
    unknown = [c for c in wanted if units[c.position] is None]
    if said.quantity in held or (said.quantity is None and "acceleration" in held):
        return said.quantity or "acceleration"
    bare = [c for c in unknown if not c.unit_text and hinted_quantity(c.name) == (said.quantity or "acceleration")]
    if bare or (unknown and (said.columns or not held)):
        silent = [c for c in unknown if hinted_quantity(c.name) is None]
        raise _unit_unknown(log, (bare or silent or unknown)[0])
    main = [quantity for quantity in held if quantity not in _BESIDE] or held
    main = ["counts"] if "counts" in main else main
    if said.quantity is None and len(main) == 1:
        return main[0]
    raise LogFormatError(
        log.file,
        found=f"columns of {', '.join(held)}",
        expected=f"{said.quantity or 'one quantity'}",
        cure="give quantity= (one of those), or units= for the column that holds it",
    )


def _unit_unknown(log: Log, column: Column) -> LogFormatError:
    return LogFormatError(
        log.file,
        column=column.title or column.name,
        found=f"the unit {column.unit_text!r}, which is not known" if column.unit_text else "no unit",
        expected="a unit such as g, mg, m/s^2, mm, µm, px or N",
        cure="give units= (with scale= for raw counts; units='count' keeps them raw), or write it into the header",
    )


def _channel(log: Log, column: Column, unit: Unit, said: Said) -> Channel:
    """The column with its factor to SI; a scale and raw steps must come together."""
    scale, own = _for_column(said.scale, column, log), _own_unit(log, column)
    raw = log.raw or (own is not None and own.quantity == "counts")
    found = expected = cure = ""
    if scale is not None and own is not None and not raw:
        found, expected, cure = "values in a known unit", "raw values for scale=", "leave scale= out"
    elif scale is not None and unit.quantity == "counts":
        found, expected, cure = "scale= without a unit", "what the scale leads to", "give units= too, such as 'g'"
    elif scale is None and raw and unit.quantity not in ("counts", "trigger"):
        found, expected = "steps of a converter", "their size"
        cure = "give scale= (for a WAV file of 16 bit: full scale divided by 32768), or units='count'"
    if found:
        raise LogFormatError(log.file, column=column.title or column.name, found=found, expected=expected, cure=cure)
    return Channel(column=column, unit=unit, factor=unit.factor * (1.0 if scale is None else float(scale)))


# ------------------------------------------------------------------------------------------- rate and time
def stated_rate(log: Log, said: Said) -> float:
    """Rate from the caller, else from the log, else nan [Hz]; both must agree within a sensor clock's error."""
    own, given = log.stated.rate_hz, said.sample_rate_hz
    if given is None or math.isnan(own):
        return own if given is None else float(given)
    if abs(given / own - 1) > RATE_TOLERANCE:
        raise LogFormatError(
            log.file,
            found=f"a sample rate of {own:g} Hz",
            expected=f"the {given:g} Hz of sample_rate_hz=",
            cure="leave sample_rate_hz= out, or correct the log's header",
        )
    return float(given)


def seconds_per_tick(log: Log, said: Said, *, time: int, ticks: Ticks, rate_hz: float) -> float:
    """Length of one unit of the time stamps [s]: from log or caller, from the digits of a stamp that counts from 1970,
    or from the stated rate.

    Raises
    ------
    LogFormatError
        When the unit stays unknown, or log and caller contradict each other.
    """
    column = log.columns[time]
    if log.has_dates(time):
        return 1e-9
    if said.time_unit in _SAMPLES:
        return _seconds_per_sample(log, rate_hz)
    own, given = column.unit, find_unit(said.time_unit) if said.time_unit else None
    if own and given and own != given:
        raise LogFormatError(
            log.file,
            column=column.title,
            found=f"the unit {column.unit_text!r} in the log",
            expected=f"the {said.time_unit!r} of time_unit=",
            cure="leave time_unit= out, or correct the header",
        )
    unit = own or given
    if unit is None and ticks.first is not None and is_time_name(column.name, epoch=True):
        unit = find_unit(_EPOCH_DIGITS.get(len(str(int(abs(ticks.first)))), ""))
    if unit is None and not math.isnan(rate_hz):
        unit = _unit_from_rate(ticks.since_first(), rate_hz)
    if unit is None or unit.quantity != "time":
        raise LogFormatError(
            log.file,
            column=column.title or column.name,
            found="time stamps without a known unit",
            expected="s, ms, µs or ns",
            cure="give time_unit= ('sample' for a counter, with sample_rate_hz=)",
        )
    return unit.factor


def _seconds_per_sample(log: Log, rate_hz: float) -> float:
    if math.isnan(rate_hz):
        raise LogFormatError(
            log.file,
            found="time stamps that count samples",
            expected="their rate",
            cure="give sample_rate_hz=",
        )
    return 1.0 / rate_hz


def _unit_from_rate(ticks: np.ndarray, rate_hz: float) -> Unit | None:
    """The time unit under which the stamps run at the stated rate, or None."""
    steps = np.diff(ticks[np.isfinite(ticks)])
    step = float(np.median(steps) or steps.mean()) if len(steps) else 0.0
    fits = [find_unit(symbol) for symbol in ("s", "ms", "µs", "ns")]
    return next((unit for unit in fits if 0.5 < step * unit.factor * rate_hz < 2.0), None)
