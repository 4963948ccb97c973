"""What the titles and the remarks of a log say: column names, units, sample rate.

Everything a log states in words is read here and nowhere else. What it does not state stays unknown: nothing is
guessed from the numbers.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from labkit.base import LogFormatError, Unit, find_unit

__all__ = ["Column", "Stated", "hinted_quantity", "is_time_name", "parse_title", "stated_facts"]


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column of a log as its title describes it.

    Parameters
    ----------
    position : int
        0-based place in the row.
    name : str
        Title without its unit.
    title : str
        Title as it stands in the log.
    unit_text : str
        Unit as it stands in the log; empty when the title states none.
    """

    position: int
    name: str
    title: str
    unit_text: str = ""

    @property
    def unit(self) -> Unit | None:
        """Meaning of the stated unit; None when none is stated or it is not known."""
        return find_unit(self.unit_text) if self.unit_text else None


@dataclass(frozen=True, kw_only=True)
class Stated:
    """What the remarks of a log state.

    Parameters
    ----------
    header : mapping of str to str
        All remarks; a remark without a key is filed under its line number ("line 3").
    rate_hz : float
        Stated sample rate [Hz]; nan when none is stated.
    unit_text : str
        Unit stated for the signals of the whole log; empty when none is.
    column_names, column_units : tuple of str
        Names and units stated as a list, one a column; empty when there is no such list.
    """

    header: Mapping[str, str] = field(default_factory=dict)
    rate_hz: float = math.nan
    unit_text: str = ""
    column_names: tuple[str, ...] = ()
    column_units: tuple[str, ...] = ()


# ------------------------------------------------------------------------------------------------- titles
_BRACKETED = re.compile(r"^(?P<name>.*?)[\s_]*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>[^()]*)\))\s*$")
_EPOCH_WORDS = frozenset(["timestamp", "timestamps", "epoch", "unix", "utc", "datetime"])
_TIME_WORDS = _EPOCH_WORDS | {"t", "time", "times", "timestep", "zeit", "elapsed", "clock", "seconds"}
_HINTS = {
    "acceleration": re.compile(r"^(a[xyz]?\d*|acc[a-z]*\d*|g[xyz]?force)$"),
    "force": re.compile(r"^(f[xyz]?|force|hammer|load)\d*$"),
    "trigger": re.compile(r"^(trig|trigger|gate|ttl|moving)\d*$"),
    "displacement": re.compile(r"^(d[xyz]?|disp|displacement|pos|position|deflection|distance)\d*$"),
    "angular rate": re.compile(r"^(gyr[a-z]*|rotation)\d*$"),
    "temperature": re.compile(r"^(temp|temperature)\d*$"),
    "magnetic field": re.compile(r"^(mag|magnet[a-z]*)\d*$"),
    "counter": re.compile(r"^(counter|seq|nseq|index|idx|sample|samples|packet|row|no|nr)$"),
    "velocity": re.compile(r"^(v[xyz]?|vel|velocity|speed)\d*$"),
}


def _words(name: str) -> list[str]:
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return [word for word in re.split(r"[^0-9a-zµ]+", parted.lower()) if word]


def is_time_name(name: str, *, epoch: bool = False) -> bool:
    """True when a column name says time (with `epoch`: time since 1970).

    Examples
    --------
    >>> is_time_name("Time"), is_time_name("unix_time", epoch=True), is_time_name("ax")
    (True, True, False)
    """
    return bool((_EPOCH_WORDS if epoch else _TIME_WORDS).intersection(_words(name)))


def hinted_quantity(name: str) -> str | None:
    """Quantity that a bare column name hints at ("ax" → "acceleration"), or None; never used as a unit.

    Examples
    --------
    >>> hinted_quantity("accel_x"), hinted_quantity("Trigger"), hinted_quantity("ch1")
    ('acceleration', 'trigger', None)
    """
    if is_time_name(name):
        return "time"
    words = _words(name)
    return next((q for q, pattern in _HINTS.items() if any(map(pattern.match, words))), None)


def parse_title(title: str, *, position: int = 0) -> Column:
    """Take the unit off a column title.

    Parameters
    ----------
    title : str
        ``"ax [mg]"``, ``"ax (m/s^2)"``, ``"t/ms"``, ``"accel_x_m_s2"``, ``"t_us"`` …
    position : int
        0-based place in the row.

    Examples
    --------
    >>> c = parse_title("accel_x_m_s2")
    >>> c.name, c.unit_text
    ('accel_x', 'm_s2')
    """
    text = title.strip()
    name, unit = _split_title(text)
    return Column(position=position, name=name or text or f"column {position + 1}", title=text, unit_text=unit)


def _split_title(text: str) -> tuple[str, str]:
    if match := _BRACKETED.match(text):
        unit = (match["square"] if match["square"] is not None else match["round"]).strip()
        return match["name"].strip(), unit
    if find_unit(text):  # a title such as "m/s" or "g" alone is not a name with a unit behind it
        return text, ""
    name, slash, unit = text.partition("/")
    if slash and name.strip() and find_unit(unit):
        return name.strip(), unit.strip()
    return _split_suffix(text)


def _split_suffix(text: str) -> tuple[str, str]:
    """Unit behind the last underscore or blank; a single letter counts only where the name agrees with it."""
    for match in re.finditer(r"(?<=[^\s_])[\s_]+(?:in[\s_]+)?(?=[^\s_])", text):
        name, unit_text = text[: match.start()], text[match.end() :]
        unit = find_unit(unit_text)
        if unit is None or unit.quantity in ("trigger", "counts"):
            continue
        if len(unit_text) > 1 or hinted_quantity(name) == unit.quantity:
            return name, unit_text
    if is_time_name(text):  # "seconds_elapsed"
        for word in _words(text):
            unit = find_unit(word)
            if unit is not None and unit.quantity == "time" and len(word) > 1:
                return text, word
    return text, ""


# ------------------------------------------------------------------------------------------------ remarks
_KEY_VALUE = re.compile(r"^\s*(?P<key>[^:=,;\t]{1,60}?)\s*(?:[:=\t]|\s{2,}|[,;](?=[^,;]*$))\s*(?P<value>.*?)[\s,;]*$")
_RATE_KEY = re.compile(
    r"^(nominal |output |actual )?((sampl(e|es|ing)|data|acquisition|scan)[ _-]?(rate|freq|frequency)|odr|fs|rate)"
    r"[ _]*[\[(]?(?P<unit>k?hz|sps|s/s)?[\])]?$"
)
_STEP_KEY = re.compile(
    r"^((sampl(e|ing)|time)[ _-]?(interval|period|step)|dt|delta ?t)[ _]*[\[(]?(?P<unit>s|ms|us|µs|ns)?[\])]?$"
)
_UNIT_KEY = re.compile(r"^((acceleration|accel|acc|data|signal|channel|column|value)s?[ _-]?)?units?$")
_NAMES_KEY = re.compile(r"^(columns?|column[ _]?names?|channel[ _]?names?|fields)$")
_RATE_UNITS = {"hz": 1.0, "khz": 1e3, "sps": 1.0, "s/s": 1.0, "samples/s": 1.0, "1/s": 1.0, "": 1.0}
_NUMBER_UNIT = re.compile(r"^([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)\s*([^\s\d]*)$", re.IGNORECASE)


def stated_facts(remarks: Iterable[tuple[int, str]], *, file: str) -> Stated:
    """What the remark lines of a log state about rate and units.

    Parameters
    ----------
    remarks : iterable of (int, str)
        Line number and text without its comment mark.
    file : str
        Name for error messages.

    Raises
    ------
    LogFormatError
        When two remarks contradict each other.

    Examples
    --------
    >>> stated_facts([(1, "Sample rate: 3.2 kHz"), (2, "units = mg")], file="a.csv").rate_hz
    3200.0
    """
    header: dict[str, str] = {}
    facts: dict[str, tuple[object, int]] = {}
    for line, text in remarks:
        for key, value in _pairs(line, text):
            header[key] = _as_text(value)
            for fact, said in _facts_in(key.rpartition(".")[2], value):
                _agree(facts, fact, said, line, file)
    return Stated(header=header, **{fact: said for fact, (said, _) in facts.items()})


def _pairs(line: int, text: str) -> list[tuple[str, object]]:
    """Key–value pairs of one remark; JSON is flattened, its keys joined by points."""
    text = text.strip()
    if text.startswith("{"):
        try:
            return list(_flatten("", json.loads(text)))
        except (ValueError, RecursionError):  # also for a number of thousands of digits
            return [(f"line {line}", text)]
    match = _KEY_VALUE.match(text)
    if match and match["key"] and match["value"]:
        return [(match["key"].strip("\"' "), match["value"].strip("\"' "))]
    key, _, value = text.rpartition(" ")  # "Sampling Freq(Hz) 100Hz"
    if _rate(key.strip().lower(), value) is not None:
        return [(key.strip(), value)]
    return [(f"line {line}", text)] if text else []


def _flatten(prefix: str, node: object) -> Iterable[tuple[str, object]]:
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _flatten(f"{prefix}.{key}" if prefix else str(key), value)
    else:
        yield prefix, node


def _as_text(value: object) -> str:
    if isinstance(value, str):
        return value
    try:
        return json.dumps(value)
    except RecursionError:
        return "lists within lists"


def _facts_in(key: str, value: object) -> Iterable[tuple[str, object]]:
    key = key.strip().lower()
    as_list = value if isinstance(value, list) else re.split(r"[,;\t]\s*", _as_text(value))
    texts = tuple(_as_text(item).strip() for item in as_list)
    rate = _rate(key, _as_text(value))
    if rate is not None:
        yield "rate_hz", rate
    elif _UNIT_KEY.match(key):
        if len(texts) > 1:
            yield "column_units", texts
        elif find_unit(texts[0]):
            yield "unit_text", texts[0]
    elif _NAMES_KEY.match(key) and len(texts) > 1:
        yield "column_names", texts


def _rate(key: str, value: str) -> float | None:
    """Sample rate [Hz] when the key says rate or interval and the value says how much."""
    number = _NUMBER_UNIT.match(value.strip())
    rate, step = _RATE_KEY.match(key), _STEP_KEY.match(key)
    if not number or not (rate or step):
        return None
    amount = float(number[1])
    if rate:
        factor = _RATE_UNITS.get((number[2] or rate["unit"] or "").lower())
        found = amount * factor if factor else 0.0
    else:
        unit = find_unit(number[2] or step["unit"] or "")
        step_s = amount * unit.factor if unit and unit.quantity == "time" else 0.0
        found = 1.0 / step_s if step_s > 0 else 0.0
    return found if math.isfinite(found) and found > 0 else None


def _agree(facts: dict[str, tuple[object, int]], fact: str, said: object, line: int, file: str) -> None:
    before, where = facts.setdefault(fact, (said, line))
    same = math.isclose(before, said, rel_tol=1e-3) if fact == "rate_hz" else before == said
    if not same:
        what = {"rate_hz": "sample rate", "unit_text": "unit"}.get(fact, fact.replace("_", " "))
        raise LogFormatError(
            file,
            line=line,
            found=f"the {what} {said}",
            expected=f"the {what} {before} of line {where}",
            cure="remove the remark that is wrong",
        )
