"""A shelf: a folder of many runs and parcels, indexed into one table.

The index is ``shelf.parquet`` in the folder: one row a run (or a skipped entry), SI units in the column names, readable
by anything that reads Parquet. An entry is read again when its fingerprint changes: path, size and time of change of
every file that matters. What was changed less than two seconds before indexing is read again next time, since a second
change might leave no trace in the time. Whenever an entry is read, its logs are hashed and set beside the checksums in
its results: results of other logs are stale, and their numbers are not shown. A log in a parcel is not hashed but taken
at the checksum that the parcel states; `open_parcel` checks that.
"""

from __future__ import annotations

import hashlib
import math
import os
import posixpath
import stat
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from labkit.base import LogFormatError
from labkit.runs.facts import RunFacts
from labkit.runs.runfile import RunFile, facts_of
from labkit.runs.runfolder import RUN_FILE
from labkit.runs.share.beside import BESIDE, numbers_beside
from labkit.runs.share.parcel import ParcelledRun, peek_parcel
from labkit.runs.share.parcel_contents import LOG_KINDS
from labkit.runs.share.parcel_safety import clean_text
from labkit.runs.share.results import RESULTS_FILE, RunResults, log_checksums, read_results
from labkit.runs.share.scrub_files import suffix_of

__all__ = ["INDEX_FILE", "Shelf", "index_shelf"]

Progress = Callable[[str, int, int], None]

INDEX_FILE = "shelf.parquet"
_DEEPEST = 8
_MOST_BYTES = 1 << 20
_RACY_S = 2.0
_MOST_TEXT = 300

_TEXTS = ("entry", "run", "kind", "status", "reason", "title", "machine", "date", "material", "supports", "licence")
_FACTS = {
    "thickness_m": lambda f: f.panel.thickness_m,
    "length_m": lambda f: f.panel.length_m,
    "width_m": lambda f: f.panel.width_m,
    "frame_mass_kg": lambda f: f.frame_mass_kg,
    "head_mass_kg": lambda f: f.head_mass_kg,
    "acceleration_m_s2": lambda f: f.move.commanded_acceleration_m_s2,
    "travel_m": lambda f: f.move.travel_m,
    "object_pixel_m": lambda f: f.camera.object_pixel_m,
}
_NUMBERS = (
    ("compliance_m_per_n", True),
    ("frequency_hz", True),
    ("damping_ratio", True),
    ("settling_s", True),
    ("blur_px", True),
    ("peak_m", False),
    ("tolerance_m", False),
    ("moves", False),
)
_FLAGS = ("foot_under_camera", "synthetic")
_OWN = ("software", "fingerprint", "watched")
_COLUMNS = (
    *_TEXTS,
    *_FLAGS,
    *_FACTS,
    *(column for name, ends in _NUMBERS for column in ([name, f"{name}_low", f"{name}_high"] if ends else [name])),
    *_OWN,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Shelf:
    """An indexed shelf.

    Parameters
    ----------
    folder : Path
        The folder.
    table : DataFrame
        One row a run or skipped entry: texts, facts and numbers in SI units with the ends of their 95 % intervals;
        nan, "" and NA where unknown. Its status is "results", "no results", "stale results" or "skipped".
    n_read : int
        Entries that were read anew; the others came from the index.
    notes : tuple of str
        What hindered the index.
    """

    folder: Path
    table: pd.DataFrame
    n_read: int
    notes: tuple[str, ...] = ()

    @property
    def runs(self) -> pd.DataFrame:
        """The rows that are runs."""
        return self.table[self.table["status"] != "skipped"].reset_index(drop=True)

    @property
    def skipped(self) -> pd.DataFrame:
        """The entries that could not be used: entry and reason."""
        return self.table.loc[self.table["status"] == "skipped", ["entry", "reason"]].reset_index(drop=True)


def index_shelf(folder: Path, *, afresh: bool = False, progress: Progress | None = None) -> Shelf:
    """Index a shelf, reading only what has changed since its index was written.

    Parameters
    ----------
    folder : Path
        The folder: runs (folders with a ``run.toml``), parcels (``.zip``) and opened parcels, to any depth up to 8.
    afresh : bool
        Read everything, whatever the index says: for a shelf that came from someone else, index and all.
    progress : callable, optional
        Called with (what, done, total).
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise LogFormatError(
            str(folder), found="no folder", expected="a folder of runs and parcels", cure="correct the path"
        )
    notes: list[str] = []
    old = None if afresh else _read_index(folder / INDEX_FILE, notes)
    known = _marks(old)
    entries = list(_entries(folder, folder, 0))
    kept, rows, fresh = [], [], 0
    for done, entry in enumerate(entries):
        mark = known.get(entry.name)
        if mark is not None and mark.fingerprint and _fingerprint(entry, mark.watched) == mark.fingerprint:
            kept += mark.positions
            continue
        if progress:
            progress(f"reading {clean_text(entry.name, most=60)}", done, len(entries))
        rows += _rows(entry)
        fresh += 1
    if progress:
        progress("indexed", len(entries), len(entries))
    table = _table(rows) if old is None else pd.concat([old.iloc[kept], _table(rows)]) if rows else old.iloc[kept]
    table = table.sort_values(["entry", "run"], kind="stable", ignore_index=True)
    if rows or old is None or len(table) != len(old):
        _keep(table, folder / INDEX_FILE, notes)
    return Shelf(folder=folder, table=table, n_read=fresh, notes=tuple(notes))


# ------------------------------------------------------------------------------------------------ the entries
@dataclass(frozen=True, kw_only=True)
class _Entry:
    """A run's folder or a parcel: name on the shelf, path, what `os.scandir` tells of its files, or its fault."""

    name: str
    path: Path
    files: Mapping[str, os.stat_result]
    fault: str = ""

    @property
    def is_parcel(self) -> bool:
        return not self.files.keys() - {self.path.name} and self.path.suffix.lower() == ".zip"


def _entries(folder: Path, shelf: Path, depth: int) -> Iterator[_Entry]:
    """Runs and parcels below a folder in the order of their names; links are not followed."""
    name = folder.relative_to(shelf).as_posix()
    try:
        with os.scandir(folder) as found:
            items = sorted(found, key=lambda item: item.name)
        here = {item.name: item.stat(follow_symlinks=False) for item in items}
    except OSError as error:
        yield _Entry(name=name, path=folder, files={}, fault=f"the folder cannot be read ({error.strerror})")
        return
    if RUN_FILE in here:
        yield _Entry(name=name, path=folder, files=here)
        return
    for item in items:
        if item.name.startswith("."):
            continue
        path = folder / item.name
        if item.is_dir(follow_symlinks=False) and depth < _DEEPEST:
            yield from _entries(path, shelf, depth + 1)
        elif item.name.lower().endswith(".zip"):
            yield _Entry(name=path.relative_to(shelf).as_posix(), path=path, files={item.name: here[item.name]})


def _fingerprint(entry: _Entry, watched: str) -> str:
    """Sizes and times of an entry's files and of the watched ones below; "" when one has changed just now."""
    stats = dict(entry.files)
    for file in filter(None, watched.split("\n")):
        try:
            stats[file] = os.lstat(entry.path / file)
        except OSError:
            return ""
    if any(time.time() - one.st_mtime < _RACY_S for one in stats.values()):
        return ""
    parts = (f"{name}\0{one.st_size}\0{one.st_mtime_ns}\0{one.st_mode}" for name, one in sorted(stats.items()))
    return hashlib.sha256("\n".join(parts).encode("utf-8", "surrogateescape")).hexdigest()


# --------------------------------------------------------------------------------------------------- the rows
def _rows(entry: _Entry) -> list[dict[str, object]]:
    """Rows of an entry; one that says why it was skipped when it cannot be used."""
    try:
        if entry.fault:
            raise ValueError(entry.fault)
        rows = _parcel_rows(entry) if entry.is_parcel else [_folder_row(entry)]
    except (ValueError, OSError) as error:
        reason = str(error).replace(str(entry.path), entry.name)  # where the shelf stands is nobody's business
        rows = [{"kind": "parcel" if entry.is_parcel else "run", "status": "skipped", "reason": reason}]
    mark = "" if entry.fault else _fingerprint(entry, rows[0].get("watched", ""))
    return [{**row, "entry": entry.name, "fingerprint": mark} for row in rows]


def _folder_row(entry: _Entry) -> dict[str, object]:
    contents = {}
    for name in (RUN_FILE, RESULTS_FILE, *BESIDE):
        if name in entry.files:
            if not stat.S_ISREG(entry.files[name].st_mode) or entry.files[name].st_size > 8 * _MOST_BYTES:
                raise ValueError(f"{name} is a link or no plain file, or larger than it may be: replace it")
            contents[name] = (entry.path / name).read_bytes()
    file = _run_file(contents[RUN_FILE], entry.path / RUN_FILE)
    facts = facts_of(file)
    results, status = None, "no results"
    if RESULTS_FILE in contents:
        results = read_results(contents[RESULTS_FILE], file=str(entry.path / RESULTS_FILE))
        # without a [[log]] every log in the folder belongs to the run
        logs = set() if file.tables.get("log") else {name for name in entry.files if suffix_of(name) in LOG_KINDS}
        status = "results" if logs <= results.logs.keys() and _of_these_logs(results, entry.path) else "stale results"
    row = _row(facts, results if status == "results" else None, numbers=numbers_beside(entry.path))
    below = [file for file in (results.logs if results else ()) if "/" in file and file.isprintable()]
    return {**row, "run": entry.path.name, "kind": "run", "status": status, "watched": "\n".join(below)}


def _of_these_logs(results: RunResults, folder: Path) -> bool:
    """True when the files that results rest on are those in the folder."""
    for file in results.logs:
        path = folder / file
        plain = file.isprintable() and posixpath.normpath(file) == file and ".." not in Path(file).parts
        inside = Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder))
        if not plain or not inside or not path.is_file():
            return False
    return RUN_FILE in results.logs and log_checksums(folder, results.logs) == dict(results.logs)


def _parcel_rows(entry: _Entry) -> list[dict[str, object]]:
    if not stat.S_ISREG(entry.files[entry.path.name].st_mode):
        raise ValueError("a link or no plain file: copy the parcel itself to the shelf")
    runs = peek_parcel(entry.path)
    if not runs:
        raise ValueError("a parcel without a run")
    return [_parcelled_row(run, entry) for run in runs]


def _parcelled_row(run: ParcelledRun, entry: _Entry) -> dict[str, object]:
    facts = facts_of(_run_file(run.run_file, Path(entry.path.name) / run.name / RUN_FILE))
    results = read_results(run.results or b"", file=f"{entry.path.name}/{run.name}/{RESULTS_FILE}")
    same = RUN_FILE in results.logs and all(run.digests.get(file) == digest for file, digest in results.logs.items())
    row = _row(facts, results if same else None, numbers={})
    status = "results" if same else "stale results"
    return {**row, "run": run.name, "kind": "parcel", "status": status, "licence": run.licence}


def _run_file(content: bytes, path: Path) -> RunFile:
    """A run.toml from its bytes, which may be a stranger's."""
    if len(content) > _MOST_BYTES:
        raise ValueError(f"{path}: {len(content)} bytes are more than a run.toml may have")
    text = content.decode("utf-8-sig").replace("\r\n", "\n")
    try:
        return RunFile(path=path, text=text, tables=tomllib.loads(text))
    except RecursionError as error:
        raise ValueError(f"{path}: nested too deep") from error


def _row(facts: RunFacts, results: RunResults | None, *, numbers: Mapping) -> dict[str, object]:
    """Facts and numbers of a run under the names of the columns."""
    found = {**(results.numbers if results else {}), **numbers}
    row: dict[str, object] = {
        "title": facts.title,
        "machine": facts.machine,
        "date": facts.date,
        "material": facts.panel.material,
        "supports": facts.panel.supports,
        "foot_under_camera": facts.panel.foot_under_camera,
        "synthetic": facts.synthetic,
        "reason": "; ".join(results.notes) if results else "",
        "software": results.software.get("rigidity-lab", "") if results else "",
        **{name: of(facts) for name, of in _FACTS.items()},
    }
    for name, ends in _NUMBERS:
        if name in found:
            row[name] = found[name].value
            if ends:
                row[f"{name}_low"], row[f"{name}_high"] = found[name].interval.low, found[name].interval.high
    return row


def _table(rows: Sequence[Mapping[str, object]]) -> pd.DataFrame:
    """Rows as a table with every column, of fixed types; texts cleaned of what a terminal would obey."""
    columns = {}
    for name in _COLUMNS:
        values = [row.get(name) for row in rows]
        if name in (*_TEXTS, "software"):
            columns[name] = pd.array([clean_text(v or "", most=_MOST_TEXT) for v in values], dtype="string")
        elif name in _OWN:
            columns[name] = pd.array([str(v or "") for v in values], dtype="string")
        elif name in _FLAGS:
            columns[name] = pd.array([None if v is None or v is pd.NA else bool(v) for v in values], dtype="boolean")
        else:
            columns[name] = pd.array([math.nan if v is None else float(v) for v in values], dtype="float64")
    return pd.DataFrame(columns)


# -------------------------------------------------------------------------------------------------- the index
@dataclass(frozen=True, kw_only=True)
class _Mark:
    """What the index says of an entry: its fingerprint, and where its rows are."""

    fingerprint: str
    watched: str
    positions: list[int]


def _marks(index: pd.DataFrame | None) -> dict[str, _Mark]:
    """Marks of all entries of an index by name."""
    marks: dict[str, _Mark] = {}
    if index is not None:
        columns = (index[name].tolist() for name in ("entry", "fingerprint", "watched"))
        for position, (entry, fingerprint, watched) in enumerate(zip(*columns)):
            mark = marks.setdefault(entry, _Mark(fingerprint=fingerprint, watched=watched, positions=[]))
            mark.positions.append(position)
    return marks


def _read_index(path: Path, notes: list[str]) -> pd.DataFrame | None:
    """The index; None when there is none or it cannot be used."""
    if not path.is_file() or path.is_symlink():
        return None
    try:
        table = pd.read_parquet(path)
        empty = _table([])
        if list(table.columns) != list(empty.columns) or (table.dtypes != empty.dtypes).any():
            raise ValueError("it has other columns")
        for name in (*_TEXTS, "software"):  # it may have come with the shelf from someone else
            table[name] = table[name].map(lambda text: clean_text(text, most=_MOST_TEXT)).astype("string")
    except (ValueError, OSError, TypeError, KeyError) as error:
        notes.append(f"the index was made anew: it could not be read ({clean_text(error, most=100)})")
        return None
    return table


def _keep(table: pd.DataFrame, path: Path, notes: list[str]) -> None:
    """Write the index beside, then in place of the old one; a shelf that cannot keep one works without."""
    passing = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        table.to_parquet(passing, index=False)
        os.replace(passing, path)
    except OSError as error:
        passing.unlink(missing_ok=True)
        notes.append(f"the index was not kept, so the next look takes as long: {error}")
