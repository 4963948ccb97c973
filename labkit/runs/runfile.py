"""`run.toml`: what was tested, written by hand at the bench, read with errors that name the line and the cure.

Its keys carry bench units (``thickness_mm``, ``range_g``); the facts that come out are in SI. One table of keys,
`_KEYS`, holds everything the file may say: the reader, its error messages and the template all follow from it.
"""

from __future__ import annotations

import datetime
import difflib
import itertools
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from labkit.base import STANDARD_GRAVITY_M_S2, LogFormatError, find_unit
from labkit.runs.facts import CameraFacts, MoveFacts, PanelFacts, RunFacts, SensorFacts

__all__ = ["QUANTITIES", "RunFile", "checked_table", "facts_of", "read_run_file", "run_template"]

#: What a log can be analysed for, best first; a trigger and a force come along beside it.
QUANTITIES = ("acceleration", "displacement", "image displacement", "velocity", "counts")


# ------------------------------------------------------------------------------- what run.toml may say
@dataclass(frozen=True, kw_only=True)
class _Rule:
    words: str
    holds: Callable[[object], bool]
    cure: str


_HUGE = 1e300  # keeps out inf and whole numbers beyond any float


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and -_HUGE < value < _HUGE


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _is_mapping(value: object, holds: Callable[[object], bool]) -> bool:
    return isinstance(value, dict) and bool(value) and all(map(holds, value.values()))


def _is_list(value: object, holds: Callable[[object], bool]) -> bool:
    return isinstance(value, list) and bool(value) and all(map(holds, value))


def _is_column(value: object) -> bool:
    return isinstance(value, str) or (isinstance(value, int) and not isinstance(value, bool) and value >= 0)


def _is_unit(value: object) -> bool:
    return isinstance(value, str) and find_unit(value) is not None


_LEAVE_OUT = "write the bare number in the unit of the key, or leave the key out when it is not known"
_RULES = {
    "text": _Rule(words="a text in quotes", holds=_is_text, cure="put it in quotes"),
    "flag": _Rule(words="true or false", holds=lambda v: isinstance(v, bool), cure="write true or false, no quotes"),
    "date": _Rule(
        words="a date",
        holds=lambda v: isinstance(v, str | datetime.date | datetime.datetime),
        cure="write it like 2025-03-14",
    ),
    "number": _Rule(words="a finite number", holds=_is_number, cure=_LEAVE_OUT),
    "positive": _Rule(words="a number above 0", holds=lambda v: _is_number(v) and v > 0, cure=_LEAVE_OUT),
    "celsius": _Rule(words="a number above -273.15", holds=lambda v: _is_number(v) and v > -273.15, cure=_LEAVE_OUT),
    "column": _Rule(
        words="the name of a column, or its number from 0",
        holds=lambda v: _is_column(v),
        cure="write it",
    ),
    "columns": _Rule(
        words="a list of columns, by name or by number from 0",
        holds=lambda v: _is_list(v, _is_column),
        cure="write the list in square brackets",
    ),
    "quantity": _Rule(
        words="one of " + ", ".join(QUANTITIES),
        holds=lambda v: v in QUANTITIES,
        cure="write one of these",
    ),
    "unit": _Rule(
        words="a known unit, or such units by column",
        holds=lambda v: _is_unit(v) or _is_mapping(v, _is_unit),
        cure='write one such as "mg", "g", "m/s^2", "µm", "N", or several like { ax = "mg", hammer = "N" }',
    ),
    "time unit": _Rule(
        words="s, ms, us, ns or sample",
        holds=lambda v: v in ("s", "ms", "us", "µs", "ns", "sample"),
        cure="write one of these in quotes",
    ),
    "scale": _Rule(
        words="a number other than 0, or such numbers by column",
        cure="write it like 0.061 or { az = 0.061 }",
        holds=lambda v: all(_is_number(x) and x != 0 for x in (v.values() if isinstance(v, dict) and v else [v])),
    ),
    "times": _Rule(
        words="a rising list of numbers",
        cure="write the times in seconds, first to last, like [1.25, 3.5]",
        holds=lambda v: _is_list(v, _is_number) and all(a < b for a, b in itertools.pairwise(v)),
    ),
}


@dataclass(frozen=True, kw_only=True)
class _Key:
    """One key of run.toml: where it stands, which fact it becomes, and how."""

    table: str
    key: str
    goes_to: str  # "panel.thickness_m": field of a part; "title": field of RunFacts; for [[log]]: argument name
    rule: str
    factor: float = 1.0
    example: str = ""
    meaning: str = ""


def _keys(table: str, rows: str) -> list[_Key]:
    """Keys from lines of: key | goes to | rule | factor | example | meaning; "goes to" is the key if left out."""
    keys = []
    for row in rows.strip().splitlines():
        key, goes_to, rule, factor, example, meaning = (cell.strip() for cell in row.split("|"))
        keys.append(
            _Key(
                table=table,
                key=key,
                goes_to=goes_to or key,
                rule=rule,
                factor=_FACTORS[factor],
                example=example,
                meaning=meaning,
            )
        )
    return keys


_FACTORS = {
    "": 1.0,
    "milli": 1e-3,
    "micro": 1e-6,
    "g": STANDARD_GRAVITY_M_S2,
    "micro g": 1e-6 * STANDARD_GRAVITY_M_S2,
}
_KEYS = [
    *_keys(
        "run",
        """
        title         |  | text |  | "Wren, 4 mm hardboard"  | one line that a reader will recognise
        date          |  | date |  | 2025-03-14              | when it was measured
        changed_since |  | text |  | "wren-hardboard"        | folder of the run that this one is compared with
        change        |  | text |  | "foot under the camera" | what was changed since then: one thing only
        notes         |  | text |  | "pump off"              | anything else
        synthetic     |  | flag |  | false                   | true for invented data
    """,
    ),
    *_keys(
        "machine",
        """
        name          | machine       | text     |  | "Wren no. 2" |
        frame_mass_kg | frame_mass_kg | positive |  | 22.0         | everything but the head
        head_mass_kg  | head_mass_kg  | positive |  | 0.6          | what moves
    """,
    ),
    *_keys(
        "panel",
        """
        material          | panel.material          | text     |       | "hardboard"         |
        thickness_mm      | panel.thickness_m       | positive | milli | 4.0                 |
        length_mm         | panel.length_m          | positive | milli | 300.0               |
        width_mm          | panel.width_m           | positive | milli | 300.0               |
        supports          | panel.supports          | text     |       | "bolted at corners" | where and how it is held
        foot_under_camera | panel.foot_under_camera | flag     |       | false               |
    """,
    ),
    *_keys(
        "move",
        """
        commanded_acceleration_m_s2 | move.commanded_acceleration_m_s2 | positive | | 4.0 | as set in the controller
        travel_mm  | move.travel_m  | positive | milli | 80.0  | from rest to rest
        speed_mm_s | move.speed_m_s | positive | milli | 250.0 | speed limit
        jerk_m_s3  | move.jerk_m_s3 | positive |       | 400.0 | leave out when the acceleration is switched at once
        axis       | move.axis      | text     |       | "x"   |
    """,
    ),
    *_keys(
        "sensor",
        """
        model    | sensor.model      | text     |       | "3-axis MEMS"            |
        place    | sensor.place      | text     |       | "beside the camera"      |
        axis     | sensor.axis       | text     |       | "x along the move, z up" |
        mounting | sensor.mounting   | text     |       | "screwed to the bracket" |
        mass_g   | sensor.mass_kg    | positive | milli | 4.0                      | with its mount
        range_g  | sensor.range_m_s2 | positive | g     | 2.0                      | full scale to one side
        noise_density_ug_rthz | sensor.noise_density_m_s2_rthz | positive | micro g | 100.0 | data sheet, µg/√Hz
        nominal_rate_hz       | sensor.nominal_rate_hz         | positive |         | 1600.0 | as it was set
    """,
    ),
    *_keys(
        "camera",
        """
        pixel_um        | camera.pixel_m         | positive | micro | 3.45 | pixel pitch of the image sensor
        magnification   | camera.magnification   | positive |       | 0.5  | image size over object size
        f_number        | camera.f_number        | positive |       | 4.0  |
        exposure_ms     | camera.exposure_s      | positive | milli | 2.0  |
        allowed_blur_px | camera.allowed_blur_px | positive |       | 0.5  | movement allowed, in image pixels
        tolerance_um    | camera.tolerance_m     | positive | micro | 3.5  | movement allowed at the object, if known
    """,
    ),
    *_keys(
        "environment",
        """
        temperature_degc | | celsius | | 21.5 | at the machine
    """,
    ),
    *_keys(
        "log",
        """
        file           |  | text     |  | "log.csv"          | inside this folder
        quantity       |  | quantity |  | "acceleration"     | when the log holds several
        columns        |  | columns  |  | ["ax", "ay", "az"] | the columns to analyse
        units          |  | unit     |  | "mg"               | when the header does not say
        scale          |  | scale    |  | 0.061              | raw counts: so many units a count
        time_column    |  | column   |  | "t"                |
        time_unit      |  | time unit|  | "us"               | when the header does not say
        sample_rate_hz |  | positive |  | 1600.0             | when there is no time column
        trigger_column |  | column   |  | "moving"           | high while the head moves
        force_column   |  | column   |  | "force"            | force of a hammer or a shaker
        move_ends_s    |  | times    |  | [1.25, 3.5]        | ends of the moves, in the log's own time
        fill_gaps_shorter_ms | fill_gaps_shorter_s | positive | milli | 5.0 | fill such gaps by interpolation
    """,
    ),
]
_TABLES = {table: {k.key: k for k in _KEYS if k.table == table} for table in dict.fromkeys(k.table for k in _KEYS)}
_PARTS = {"panel": PanelFacts, "move": MoveFacts, "sensor": SensorFacts, "camera": CameraFacts}


def run_template() -> str:
    """Text of a `run.toml` to start from: every key with an example and what it means, all commented out.

    Examples
    --------
    >>> "# thickness_mm = 4.0" in run_template()
    True
    """
    lines = [
        "# What was tested. Take away the # in front of what you know and leave the rest: unknown beats wrong.",
    ]
    for table, keys in _TABLES.items():
        if table == "log":
            lines += ["", "# One [[log]] for each log file; without any, all log files in the folder are read."]
            lines += ["# [[log]]"]
        else:
            lines += ["", f"[{table}]"]
        lines += [f"# {k.key} = {k.example}" + f"  # {k.meaning}" * bool(k.meaning) for k in keys.values()]
    return "\n".join(lines) + "\n"


# ------------------------------------------------------------------------------------------ reading run.toml
@dataclass(frozen=True, kw_only=True)
class RunFile:
    """A run.toml: its text, what it holds, and errors that point into it."""

    path: Path
    text: str
    tables: Mapping[str, object]

    def error(
        self,
        table: str = "",
        key: str = "",
        *,
        entry: int = 0,
        found: str,
        expected: str,
        cure: str,
    ) -> LogFormatError:
        """Error at the line of a key in a table (of the [[log]] of that number)."""
        return LogFormatError(
            str(self.path),
            line=_find_line(self.text, table, key, entry),
            column=key or None,
            found=found,
            expected=expected,
            cure=cure,
        )


def _find_line(text: str, table: str, key: str, entry: int) -> int | None:
    """1-based line of a key, else of its table, else None; sees plain headers and ``key = value`` lines."""
    blocks = r'"""(.*?)"""' + "|" + r"'''(.*?)'''"
    text = re.sub(blocks, lambda block: "\n" * block[0].count("\n"), text, flags=re.DOTALL)
    is_key = re.compile(rf"\s*[\"']?{re.escape(key)}[\"']?\s*[=.]").match
    here, seen, table_line = "", -1, None
    for number, line in enumerate(text.split("\n"), start=1):
        if header := re.match(r"\s*\[+\s*([^\]]*?)\s*\]", line):
            here = header[1].strip("\"'")
            seen += here == table
            if here == table and seen == entry:
                table_line = number
        elif here == table and key and (not table or seen == entry) and is_key(line):
            return number
    return table_line


def read_run_file(path: Path) -> RunFile:
    """Text and tables of a run.toml, or the error with the line at which it stops being one."""
    raw = path.read_bytes()
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise LogFormatError(
            str(path),
            line=raw.count(b"\n", 0, error.start) + 1,
            found=f"the byte 0x{raw[error.start]:02x}",
            expected="UTF-8 text",
            cure="save the file as UTF-8",
        ) from error
    text = text.replace("\r\n", "\n")
    try:
        return RunFile(path=path, text=text, tables=tomllib.loads(text))
    except (ValueError, RecursionError) as error:  # a TOMLDecodeError, or a number of thousands of digits
        line = re.search(r"at line (\d+)", str(error))
        raise LogFormatError(
            str(path),
            line=int(line[1]) if line else text.count("\n") + 1,
            found=f"invalid TOML ({error})",
            expected="lines like thickness_mm = 4.0, texts in quotes, tables like [panel]",
            cure="correct that line; print a fresh template with run_template()",
        ) from error


def facts_of(file: RunFile) -> RunFacts:
    """All tables but [[log]], checked against the keys and turned into SI facts."""
    own: dict[str, object] = {}
    parts: dict[str, dict[str, object]] = {part: {} for part in _PARTS}
    for table, content in file.tables.items():
        if table == "log":
            continue
        if table not in _TABLES or not isinstance(content, dict):
            raise _unknown_table(file, table, content)
        for key, value in checked_table(file, table, content):
            part, _, name = key.goes_to.rpartition(".")
            (parts[part] if part else own)[name] = value
    return RunFacts(**own, **{part: _PARTS[part](**values) for part, values in parts.items()})


def checked_table(
    file: RunFile,
    table: str,
    content: Mapping[str, object],
    *,
    entry: int = 0,
) -> list[tuple[_Key, object]]:
    """Known keys of one table with their values in SI, or the error at the first that is wrong."""
    checked = []
    for name, value in content.items():
        key = _TABLES[table].get(name)
        if key is None:
            raise _unknown_key(file, table, name, entry)
        rule = _RULES[key.rule]
        if not rule.holds(value):
            raise file.error(
                table,
                name,
                entry=entry,
                found=_shown(value),
                expected=rule.words,
                cure=f"{rule.cure}, for example {name} = {key.example}",
            )
        checked.append((key, _in_si(key, value)))
    return checked


def _in_si(key: _Key, value: object) -> object:
    if key.rule == "date":
        return str(value)
    if key.rule in ("number", "positive", "celsius"):
        return value * key.factor
    return tuple(value) if isinstance(value, list) else value


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _unknown_table(file: RunFile, name: str, content: object) -> LogFormatError:
    """Error for a name at the top of the file that is no table there."""
    homes = [table for table, keys in _TABLES.items() if name in keys]
    near = difflib.get_close_matches(name, _TABLES, n=1)
    if name in _TABLES:
        found, cure = f"{name!r} not as a table", f"write [{name}] once, with one pair of brackets"
    elif homes:
        found, cure = f"the key {name!r} outside its table", f"move it below the line [{homes[0]}]"
    else:
        found = f"the unknown name {name!r}"
        cure = f"write [{near[0]}]" if near else "rename or remove it; free text goes into notes in [run]"
    place = (name, "") if isinstance(content, dict | list) else ("", name)
    return file.error(*place, found=found, expected="tables " + ", ".join(f"[{t}]" for t in _TABLES), cure=cure)


def _unknown_key(file: RunFile, table: str, name: str, entry: int) -> LogFormatError:
    near = difflib.get_close_matches(name, _TABLES[table], n=1, cutoff=0.55)
    elsewhere = [t for t, keys in _TABLES.items() if name in keys]
    if elsewhere:
        cure = f"move it below [{elsewhere[0]}]"
    elif near:
        cure = f"write {near[0]} (in that unit)"
    else:
        cure = "rename or remove it; free text goes into notes in [run]"
    return file.error(
        table,
        name,
        entry=entry,
        found=f"the unknown key {name!r} in [{table}]",
        expected="one of " + ", ".join(_TABLES[table]),
        cure=cure,
    )
