"""What jobs print: progress on the error stream, tables, wrapped text, JSON, files written."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from labkit.runs.findings import LogReport
from labkit.runs.share.parcel_safety import clean_text
from labkit.show import tables

__all__ = ["output_options", "print_findings", "print_json", "print_table", "print_wrapped", "progress", "si", "write"]


def output_options(*, html: bool) -> argparse.ArgumentParser:
    """Options that say where a job's result goes."""
    group = argparse.ArgumentParser(add_help=False)
    output = group.add_argument_group("output")
    output.add_argument("--json", action="store_true", help="print everything as JSON instead of tables")
    if html:
        output.add_argument("--html", type=Path, metavar="FILE", help="also write one self-contained page")
    return group


def si(value: float | None, factor: float, *, unknown: float | None = None) -> float | None:
    """A number from the command line in SI units; `unknown` when it was not given."""
    return unknown if value is None else factor * value


def progress(what: str, done: int, total: int) -> None:
    """One line on a terminal, overwritten until done."""
    if sys.stderr.isatty():
        end = "\n" if done == total else ""
        print(f"\r\033[K{what} ({done} of {total})", end=end, file=sys.stderr, flush=True)


def print_findings(reports: Sequence[LogReport], *, least: str = "note") -> None:
    """Findings of log checks, a paragraph each."""
    for one in reports:
        counts = {weight: sum(f.severity == weight for f in one.findings) for weight in ("fatal", "warning", "note")}
        found = ", ".join(f"{count} {weight}{'s' if count > 1 else ''}" for weight, count in counts.items() if count)
        print(
            f"{clean_text(one.name)}: {len(one.passed)} checks passed"
            + (f"; found: {found}" if found else ", nothing found")
        )
    for row in tables.findings_table(reports, least=least).itertuples(index=False):
        print_wrapped(
            f"{row.severity.upper()} in {row.where}: {row.finding} {row.consequence} {row.advice}", indent="  "
        )


def print_table(title: str, table: pd.DataFrame) -> None:
    """A titled table."""
    shown = table.rename(columns=lambda name: clean_text(str(name))).map(
        lambda cell: clean_text(cell) if isinstance(cell, str) else cell
    )
    print(f"\n{clean_text(title)}")
    if shown.empty:
        return
    print(textwrap.indent(shown.to_string(index=False, justify="left"), "  "))


def print_wrapped(text: str, indent: str = "") -> None:
    """A paragraph within the width of the terminal."""
    width = max(60, min(110, shutil.get_terminal_size().columns))
    print(textwrap.fill(clean_text(text), width, initial_indent=indent, subsequent_indent=indent + "  "))


def print_json(content: dict[str, object]) -> None:
    """Everything, machine-readable."""
    print(json.dumps(tables.to_plain(content), indent=1, ensure_ascii=False, allow_nan=False))


def write(path: Path, page: str) -> None:
    """Write a text file and say so."""
    path.write_text(page, encoding="utf-8")
    print(f"wrote {path}", file=sys.stderr)
