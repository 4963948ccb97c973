"""What was found in a run, small enough to travel: the file ``results.json`` beside ``run.toml``.

The file belongs to the logs and the ``run.toml`` whose checksums it holds: when one of them changes, the results are
stale. It comes from strangers too, so reading it trusts nothing: bounded size, known fields, finite numbers.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from labkit.base import Estimate, Interval, LogFormatError

__all__ = ["RESULTS_FILE", "RunResults", "log_checksums", "read_results", "results_text"]

RESULTS_FILE = "results.json"
_FORMAT, _VERSION = "rigidity-lab results", 1
_MOST_BYTES = 1 << 20
_MOST_NUMBERS = 2000
_MOST_EACH = 20_000


@dataclass(frozen=True, kw_only=True)
class RunResults:
    """Numbers of one run.

    Parameters
    ----------
    run : str
        Name of the run.
    numbers : mapping
        Name with its unit → estimate, as in ``"settling_s"`` or ``"az: peak_m"``.
    each : mapping
        Name → values, one a move; nan where a move has none.
    logs : mapping
        ``run.toml`` and file of each log → its SHA-256, hexadecimal.
    software : mapping
        Name → version of what computed it.
    notes : tuple of str
        What was left out and why.
    """

    run: str
    numbers: Mapping[str, Estimate] = field(default_factory=dict)
    each: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    logs: Mapping[str, str] = field(default_factory=dict)
    software: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def log_checksums(folder: Path, files: Iterable[str]) -> dict[str, str]:
    """SHA-256 of the files that results rest on, by their paths in the run's folder.

    Parameters
    ----------
    folder : Path
        The run's folder.
    files : iterable of str
        Paths inside it.
    """
    digests = {}
    for file in files:
        with (folder / file).open("rb") as stream:
            digests[file] = hashlib.file_digest(stream, "sha256").hexdigest()
    return digests


# -------------------------------------------------------------------------------------------------- writing
def results_text(results: RunResults) -> str:
    """Text of ``results.json``: SI units, null for what is unknown, "inf" for an end that is open.

    Parameters
    ----------
    results : RunResults
        The results.

    Examples
    --------
    >>> one = RunResults(run="wren", numbers={"settling_s": Estimate.unknown(0.25)})
    >>> read_results(results_text(one)).numbers["settling_s"].value
    0.25
    """
    return json.dumps(
        {
            "format": _FORMAT,
            "version": _VERSION,
            "run": results.run,
            "numbers": {name: _plain_estimate(one) for name, one in results.numbers.items()},
            "each": {name: [_plain(value) for value in values] for name, values in results.each.items()},
            "logs": dict(results.logs),
            "software": dict(results.software),
            "notes": list(results.notes),
        },
        indent=1,
        ensure_ascii=False,
        allow_nan=False,
    )


def _plain(value: float) -> float | str | None:
    if math.isfinite(value):
        return float(value)
    return None if math.isnan(value) else ("inf" if value > 0 else "-inf")


def _plain_estimate(one: Estimate) -> dict[str, float | str | None]:
    parts = {"value": one.value, "standard_error": one.standard_error, "low": one.interval.low}
    return {name: _plain(v) for name, v in {**parts, "high": one.interval.high, "level": one.interval.level}.items()}


# -------------------------------------------------------------------------------------------------- reading
def read_results(text: str | bytes, *, file: str = RESULTS_FILE) -> RunResults:
    """Results from the text of a ``results.json``, which may be a stranger's.

    Parameters
    ----------
    text : str or bytes
        The text.
    file : str
        Name for messages.

    Raises
    ------
    LogFormatError
        When it is not what `results_text` writes.
    """
    if len(text) > _MOST_BYTES:
        raise _fault(file, f"{len(text)} characters", f"at most {_MOST_BYTES}")
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _fault(file, f"no JSON ({error})", "JSON in UTF-8") from error
    if not isinstance(content, dict) or content.get("format") != _FORMAT or content.get("version") != _VERSION:
        raise _fault(file, "another kind of file", f'"format": "{_FORMAT}", "version": {_VERSION}')
    numbers, each = _mapping(content, "numbers", file), _mapping(content, "each", file)
    notes = content.get("notes", [])
    if not isinstance(notes, list) or len(notes) > _MOST_NUMBERS:
        raise _fault(file, "notes that are no list, or too many", "a list of texts")
    return RunResults(
        run=str(content.get("run", "")),
        numbers={name: _estimate(value, name, file) for name, value in numbers.items()},
        each={name: _values(value, name, file) for name, value in each.items()},
        logs={name: str(value) for name, value in _mapping(content, "logs", file).items()},
        software={name: str(value) for name, value in _mapping(content, "software", file).items()},
        notes=tuple(map(str, notes)),
    )


def _fault(file: str, found: str, expected: str) -> LogFormatError:
    return LogFormatError(file, found=found, expected=expected, cure="remove the file and analyse the run again")


def _mapping(content: Mapping[str, object], name: str, file: str) -> dict[str, object]:
    part = content.get(name, {})
    if not isinstance(part, dict) or len(part) > _MOST_NUMBERS:
        raise _fault(file, f"{name} that is no table of at most {_MOST_NUMBERS} rows", f'"{name}": {{…}}')
    return part


def _number(value: object, name: str, file: str) -> float:
    """A number as `_plain` writes it."""
    if value is None:
        return math.nan
    if value in ("inf", "-inf"):
        return float(value)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e300:
        raise _fault(file, f"{str(value)[:40]!r} for {name[:80]!r}", "a finite number, null, or inf as a text")
    return float(value)


def _estimate(value: object, name: str, file: str) -> Estimate:
    keys = ("value", "standard_error", "low", "high", "level")
    if not isinstance(value, dict) or set(value) != set(keys):
        raise _fault(file, f"{name[:80]!r} without {', '.join(keys)}", "an estimate with all five")
    best, error, low, high, level = (_number(value[key], name, file) for key in keys)
    try:
        return Estimate(value=best, standard_error=error, interval=Interval(low=low, high=high, level=level))
    except ValueError as wrong:
        raise _fault(file, f"{name[:80]!r}: {wrong}", "an interval with low below high") from wrong


def _values(value: object, name: str, file: str) -> tuple[float, ...]:
    if not isinstance(value, list) or len(value) > _MOST_EACH:
        raise _fault(file, f"{name[:80]!r} that is no list of at most {_MOST_EACH}", "one number a move")
    return tuple(_number(one, name, file) for one in value)
