"""Fill in a `run.toml` from options or a form: the keys, examples and meanings come from its template."""

from __future__ import annotations

import datetime
import difflib
import json
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from labkit.runs.live.log_file import not_stored, printable
from labkit.runs.runfile import RunFile, facts_of, run_template

__all__ = ["FormField", "fill_template", "form_fields", "read_settings", "write_run_file"]

_SECTION = re.compile(r"^\[(\w+)\]$")
_KEY = re.compile(r"^# (?P<key>\w+) = (?P<example>.*?)(?:  # (?P<meaning>.*))?$")


@dataclass(frozen=True, kw_only=True)
class FormField:
    """One thing that a `run.toml` may say.

    Parameters
    ----------
    name : str
        Table and key, ``"panel.thickness_mm"``.
    example : object
        An example; its type is the type of the value.
    meaning : str
        What it means; empty where the name says it.
    """

    name: str
    example: object
    meaning: str


def form_fields() -> tuple[FormField, ...]:
    """Everything that a form for a `run.toml` asks, in order; the [[log]] tables are left out.

    Examples
    --------
    >>> [field.example for field in form_fields() if field.name == "panel.thickness_mm"]
    [4.0]
    """
    fields, table = [], ""
    for line in run_template().splitlines():
        if section := _SECTION.match(line):
            table = section[1]
        elif line.startswith("# [["):
            table = ""
        elif table and (match := _KEY.match(line)):
            example = tomllib.loads(f"x = {match['example']}")["x"]
            fields.append(FormField(name=f"{table}.{match['key']}", example=example, meaning=match["meaning"] or ""))
    return tuple(fields)


def read_settings(texts: Mapping[str, str]) -> dict[str, object]:
    """Turn texts, as typed into a form or behind ``--set``, into values.

    Parameters
    ----------
    texts : mapping of str to str
        By table and key, ``{"panel.thickness_mm": "4"}``; empty ones are left out.

    Raises
    ------
    ValueError
        For an unknown key, or a text that is no such value; names it and the cure.

    Examples
    --------
    >>> read_settings({"panel.thickness_mm": "4", "panel.foot_under_camera": "no", "run.title": ""})
    {'panel.thickness_mm': 4.0, 'panel.foot_under_camera': False}
    """
    known = {field.name: field for field in form_fields()}
    values = {}
    for name, text in texts.items():
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            near = near or [key for key in known if key.endswith(f".{name}")]
            raise ValueError(
                f"{name!r} is not a key of run.toml; "
                + (f"did you mean {near[0]!r}?" if near else "it must be like 'panel.thickness_mm'")
            )
        if text.strip():
            values[name] = _value(name, text.strip(), known[name].example)
    return values


def _value(name: str, text: str, example: object) -> object:
    if isinstance(example, bool):
        if text.lower() not in ("true", "false", "yes", "no"):
            raise ValueError(f"{name} is {text!r}; it must be yes or no")
        return text.lower() in ("true", "yes")
    try:
        if isinstance(example, int | float):
            return float(text)
        return datetime.date.fromisoformat(text) if isinstance(example, datetime.date) else text
    except ValueError as error:
        raise ValueError(f"{name} is {text!r}; it must be like {example}, in the unit of its name") from error


def fill_template(values: Mapping[str, object], *, folder: Path) -> str:
    """Text of a `run.toml` in which these values are filled in and everything else is left to be filled in.

    Parameters
    ----------
    values : mapping of str to object
        By table and key.
    folder : Path
        Folder of the run, for error messages.

    Raises
    ------
    LogFormatError
        When a value breaks a rule of run.toml; names the key, the rule and the cure.
    """
    lines, table = [], ""
    for line in run_template().splitlines():
        if section := _SECTION.match(line):
            table = section[1]
        elif line.startswith("# [["):
            table = ""
        match = _KEY.match(line)
        name = f"{table}.{match['key']}" if match else ""
        if name in values:
            meaning = f"  # {match['meaning']}" if match["meaning"] else ""
            line = f"{match['key']} = {_toml(values[name])}{meaning}"
        lines.append(line)
    text = "\n".join(lines) + "\n"
    facts_of(RunFile(path=Path(folder) / "run.toml", text=text, tables=tomllib.loads(text)))
    return text


def _toml(value: object) -> str:
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=True)
    return value.isoformat() if isinstance(value, datetime.date) else repr(value)


def write_run_file(folder: Path, text: str) -> Path:
    """Write a run.toml into a folder that has none; made when it is not there.

    Parameters
    ----------
    folder : Path
        Folder of the run.
    text : str
        From `fill_template`.

    Raises
    ------
    ValueError
        When there is one already: it is never overwritten.
    LogNotStoredError
        When the folder cannot be written to.
    """
    path = Path(folder) / "run.toml"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        if path.is_file():
            raise ValueError(f"{printable(path)} is there already; edit it, or name another folder") from error
        raise not_stored(path, error) from error
    return path
