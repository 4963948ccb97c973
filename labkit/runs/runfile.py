"""`run.toml`: what was tested, written by hand at the bench, read with errors that name the line and the cure.

The table of keys in `run_keys` holds everything the file may say: the reader, its error messages and the template
follow from it.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from labkit.base import LogFormatError
from labkit.runs.facts import RunFacts
from labkit.runs.run_keys import NUMERIC, PARTS, RULES, TABLES, Key

__all__ = ["RunFile", "checked_table", "facts_of", "read_run_file", "run_template"]


_MOST_BYTES = 1 << 22


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
    for table, keys in TABLES.items():
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
        header, closed, _ = line.partition("]")
        if closed and header.lstrip().startswith("["):
            here = header.strip().lstrip("[").strip().strip("\"'")
            seen += here == table
            if here == table and seen == entry:
                table_line = number
        elif here == table and key and (not table or seen == entry) and is_key(line):
            return number
    return table_line


def read_run_file(path: Path) -> RunFile:
    """Text and tables of a run.toml, or the error with the line at which it stops being one."""
    if not path.is_file():
        raise FileNotFoundError(f"{path} is no file; check the path")
    with path.open("rb") as stream:
        raw = stream.read(_MOST_BYTES + 1)
    if len(raw) > _MOST_BYTES:
        raise LogFormatError(
            str(path),
            found=f"more than {_MOST_BYTES >> 20} MiB",
            expected="a file written by hand",
            cure="keep logs in files of their own and name them with [[log]]",
        )
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
    parts: dict[str, dict[str, object]] = {part: {} for part in PARTS}
    for table, content in file.tables.items():
        if table == "log":
            continue
        if table not in TABLES or not isinstance(content, dict):
            raise _unknown_table(file, table, content)
        for key, value in checked_table(file, table, content):
            part, _, name = key.goes_to.rpartition(".")
            (parts[part] if part else own)[name] = value
    return RunFacts(**own, **{part: PARTS[part](**values) for part, values in parts.items()})


def checked_table(
    file: RunFile,
    table: str,
    content: Mapping[str, object],
    *,
    entry: int = 0,
) -> list[tuple[Key, object]]:
    """Known keys of one table with their values in SI, or the error at the first that is wrong."""
    checked = []
    for name, value in content.items():
        key = TABLES[table].get(name)
        if key is None:
            raise _unknown_key(file, table, name, entry)
        rule = RULES[key.rule]
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


def _in_si(key: Key, value: object) -> object:
    if key.rule == "date":
        return str(value)
    if key.rule in NUMERIC:
        return _scaled(value, key.factor)
    return tuple(value) if isinstance(value, list) else value


def _scaled(value: float | list, factor: float) -> float | tuple:
    return tuple(_scaled(one, factor) for one in value) if isinstance(value, list) else value * factor


def _shown(value: object) -> str:
    try:
        text = repr(value)
    except RecursionError:
        text = "values within values"
    return text if len(text) <= 60 else text[:57] + "..."


def _unknown_table(file: RunFile, name: str, content: object) -> LogFormatError:
    """Error for a name at the top of the file that is no table there."""
    homes = [table for table, keys in TABLES.items() if name in keys]
    near = difflib.get_close_matches(name, TABLES, n=1)
    if name in TABLES:
        found, cure = f"{name!r} not as a table", f"write [{name}] once, with one pair of brackets"
    elif homes:
        found, cure = f"the key {name!r} outside its table", f"move it below the line [{homes[0]}]"
    else:
        found = f"the unknown name {name!r}"
        cure = f"write [{near[0]}]" if near else "rename or remove it; free text goes into notes in [run]"
    place = (name, "") if isinstance(content, dict | list) else ("", name)
    return file.error(*place, found=found, expected="tables " + ", ".join(f"[{t}]" for t in TABLES), cure=cure)


def _unknown_key(file: RunFile, table: str, name: str, entry: int) -> LogFormatError:
    near = difflib.get_close_matches(name, TABLES[table], n=1, cutoff=0.55)
    elsewhere = [t for t, keys in TABLES.items() if name in keys]
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
        expected="one of " + ", ".join(TABLES[table]),
        cure=cure,
    )
