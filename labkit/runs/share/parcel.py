"""A parcel: runs, their results and notebooks in one ZIP that can be sent to strangers and opened from strangers.

Inside is a bag (RFC 8493): ``data/runs/<run>/`` with the logs, ``run.toml`` and ``results.json``, ``data/notebooks/``,
and ``data/parcel.json`` with licence, software, and the list of what was scrubbed, kept and left out.
"""

from __future__ import annotations

import io
import os
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

from labkit.runs.runfolder import RUN_FILE
from labkit.runs.share.bag import PAYLOAD, Checksums, checksums, read_manifest, verify_bag
from labkit.runs.share.parcel_contents import check_content, read_json
from labkit.runs.share.parcel_safety import Limits, ParcelRefusedError, check_entries, open_archive
from labkit.runs.share.results import RESULTS_FILE, read_results
from labkit.runs.share.scrub import Scrubbed

__all__ = ["Parcel", "ParcelledRun", "check_licence", "contents_of", "open_parcel", "peek_parcel"]

Progress = Callable[[str, int, int], None]

_FORMAT, _VERSION = "rigidity-lab parcel", 1
RUNS, NOTEBOOKS, CONTENTS = PAYLOAD + "runs/", PAYLOAD + "notebooks/", PAYLOAD + "parcel.json"
_READ_FAULTS = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError)


@dataclass(frozen=True, kw_only=True)
class Parcel:
    """What a parcel holds and says.

    Parameters
    ----------
    path : Path
        The ZIP that was made, or the folder that it was opened into.
    licence : str
        SPDX expression under which the sender shares it.
    made : str
        Date of making, ISO 8601.
    software : mapping
        Name → version of what made it.
    runs, notebooks : tuple of str
        Their names.
    scrubbed : tuple of Scrubbed
        What was replaced or taken out; the texts themselves only where it was made, "" where it was opened.
    kept, left_out : mapping
        File (and text) that was kept as it is → what it is; file that does not go along → why.
    """

    path: Path
    licence: str
    made: str
    software: Mapping[str, str] = field(default_factory=dict)
    runs: tuple[str, ...] = ()
    notebooks: tuple[str, ...] = ()
    scrubbed: tuple[Scrubbed, ...] = ()
    kept: Mapping[str, str] = field(default_factory=dict)
    left_out: Mapping[str, str] = field(default_factory=dict)

    def run_folder(self, run: str) -> Path:
        """Folder of a run in an opened parcel."""
        return self.path / RUNS / run


@dataclass(frozen=True, kw_only=True)
class ParcelledRun:
    """A run in a parcel that was looked into but not opened.

    Parameters
    ----------
    name : str
        Name of the run.
    run_file, results : bytes or None
        Contents of ``run.toml`` and ``results.json``.
    licence : str
        Licence of the parcel.
    digests : mapping
        File in the run's folder → SHA-256 that the parcel states.
    """

    name: str
    run_file: bytes
    results: bytes | None
    licence: str
    digests: Mapping[str, str]


def check_licence(expression: str) -> str:
    """An SPDX licence expression in its usual spelling, or an error.

    Parameters
    ----------
    expression : str
        For example ``"CC-BY-4.0"`` or ``"CC0-1.0"``.

    Examples
    --------
    >>> check_licence("cc-by-4.0")
    'CC-BY-4.0'
    """
    try:
        return canonicalize_license_expression(expression)
    except InvalidLicenseExpression as error:
        raise ValueError(
            f"licence is {expression!r}; it must be an SPDX identifier. For data, CC-BY-4.0 (use it, name me), "
            "CC-BY-SA-4.0 (and share alike) or CC0-1.0 (no conditions) are common; you choose, there is no default"
        ) from error


def contents_of(parcel: Parcel) -> dict[str, object]:
    """What ``parcel.json`` says: never a text that was scrubbed.

    Parameters
    ----------
    parcel : Parcel
        The parcel.
    """
    return {
        "format": _FORMAT,
        "version": _VERSION,
        "licence": parcel.licence,
        "made": parcel.made,
        "software": dict(parcel.software),
        "runs": list(parcel.runs),
        "notebooks": list(parcel.notebooks),
        "scrubbed": [
            {"file": one.file, "kind": one.kind, "replaced_by": one.replaced_by, "count": one.count}
            for one in parcel.scrubbed
        ],
        "kept": dict(parcel.kept),
        "left_out": dict(parcel.left_out),
    }


# -------------------------------------------------------------------------------------------------- opening
def open_parcel(path: Path, target: Path, *, limits: Limits | None = None, progress: Progress | None = None) -> Parcel:
    """Open a parcel, which may be a stranger's, into a new folder, or refuse it and leave nothing behind.

    Parameters
    ----------
    path : Path
        The ZIP.
    target : Path
        Folder to make; it must not exist.
    limits : Limits, optional
        The most that it may hold.
    progress : callable, optional
        Called with (what, done, total).

    Raises
    ------
    ParcelRefusedError
        With the entry, the rule it breaks and the cure.
    """
    path, target, limits = Path(path), Path(target), limits or Limits()
    if os.path.lexists(target) or not target.resolve().parent.is_dir():
        raise ValueError(f"{target} is there already, or has no folder above it; name a new one in an existing folder")
    with (
        _archive(path, limits) as (archive, entries, base),
        tempfile.TemporaryDirectory(prefix=".parcel-", dir=target.resolve().parent) as passing,
    ):
        home = Path(passing) / "opened"
        home.mkdir()
        tags, payload = _unpack(archive, entries, base, home, path.name, limits, progress)
        verify_bag(tags, payload, parcel=path.name)
        for name in payload:
            _check_place(name, path.name)
            check_content(home / name, name=name, parcel=path.name, limits=limits)
        parcel = _read_contents(home, payload, path.name, limits)
        os.rename(home, target)
    return Parcel(**{**vars(parcel), "path": target})


@contextmanager
def _archive(path: Path, limits: Limits) -> Iterator[tuple[zipfile.ZipFile, list[zipfile.ZipInfo], str]]:
    """The checked ZIP, its files, and the name of its one folder with the slash."""
    with path.open("rb") as stream, open_archive(stream, parcel=path.name, limits=limits) as archive:
        entries = archive.infolist()
        check_entries(entries, parcel=path.name, limits=limits)
        bases = {entry.orig_filename.split("/")[0] for entry in entries}
        files = [entry for entry in entries if not entry.is_dir()]
        if len(bases) != 1 or not all("/" in entry.orig_filename for entry in files):
            raise ParcelRefusedError(
                path.name,
                found=f"{len(bases)} names at the top",
                rule="one folder holds everything (RFC 8493, 4.2)",
                cure="have the sender make it with `labkit parcel`",
            )
        yield archive, files, bases.pop() + "/"


def _unpack(
    archive: zipfile.ZipFile,
    entries: Sequence[zipfile.ZipInfo],
    base: str,
    home: Path,
    parcel: str,
    limits: Limits,
    progress: Progress | None,
) -> tuple[dict[str, bytes], dict[str, Checksums]]:
    """Unpack into an empty folder of its own; tag files with contents, payload files with checksums."""
    tags, payload = {}, {}
    for done, entry in enumerate(entries):
        if progress:
            progress(f"opening {parcel}", done, len(entries))
        name = entry.orig_filename.removeprefix(base)
        target = home / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if not name.startswith(PAYLOAD):
            tags[name] = _read_entry(archive, entry, parcel, limits.text_bytes)
            target.write_bytes(tags[name])
            continue
        with target.open("xb") as out, _reading(parcel, entry), archive.open(entry) as packed:
            payload[name] = checksums(packed, copy_to=out)
    return tags, payload


@contextmanager
def _reading(parcel: str, entry: zipfile.ZipInfo) -> Iterator[None]:
    """Faults of the packed bytes as a refusal."""
    try:
        yield
    except _READ_FAULTS as error:
        raise ParcelRefusedError(
            parcel,
            entry=entry.orig_filename,
            found=f"it cannot be unpacked ({error})",
            rule="files arrive as they were sent",
            cure="copy or download the parcel again; if that does not help, ask the sender for a new one",
        ) from error


def _read_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, parcel: str, most: int) -> bytes:
    """Contents of a small entry."""
    if entry.file_size > most:
        raise ParcelRefusedError(
            parcel,
            entry=entry.orig_filename,
            found=f"{entry.file_size} bytes",
            rule=f"what describes a parcel has at most {most} bytes",
            cure="have the sender split the parcel",
        )
    with _reading(parcel, entry), archive.open(entry) as packed:
        return packed.read()


def _check_place(name: str, parcel: str) -> None:
    """Refuse a payload file that stands where a parcel has none."""
    in_run = name.startswith(RUNS) and name.count("/") >= 3
    notebook = name.startswith(NOTEBOOKS) and name.count("/") == 2
    inside = not notebook or name.endswith(".ipynb")
    if name != CONTENTS and not in_run and not (notebook and inside):
        raise ParcelRefusedError(
            parcel,
            entry=name,
            found="a file in a place of its own",
            rule=f"a parcel has {RUNS}<run>/, {NOTEBOOKS} and {CONTENTS}",
            cure="have the sender make it with `labkit parcel`",
        )


def _read_contents(home: Path, payload: Iterable[str], parcel: str, limits: Limits) -> Parcel:
    """What the opened parcel says of itself, its runs found in its folders."""
    said = home / CONTENTS
    runs = tuple(dict.fromkeys(name.split("/")[2] for name in sorted(payload) if name.startswith(RUNS)))
    for run in runs:
        for needed, most in ((RUN_FILE, limits.text_bytes), (RESULTS_FILE, limits.text_bytes)):
            file = home / RUNS / run / needed
            if not file.is_file() or file.stat().st_size > most:
                raise _not_a_parcel(parcel, f"{RUNS}{run}/{needed}", "missing, or larger than it may be")
        try:
            read_results((home / RUNS / run / RESULTS_FILE).read_bytes(), file=RESULTS_FILE)
        except ValueError as error:
            raise _not_a_parcel(parcel, f"{RUNS}{run}/{RESULTS_FILE}", str(error)) from error
    notebooks = tuple(name.removeprefix(NOTEBOOKS) for name in sorted(payload) if name.startswith(NOTEBOOKS))
    content = said.read_bytes() if said.is_file() else b""
    return _said(content, parcel, limits, path=home, runs=runs, notebooks=notebooks)


def _not_a_parcel(parcel: str, entry: str, found: str) -> ParcelRefusedError:
    return ParcelRefusedError(
        parcel,
        entry=entry,
        found=found,
        rule="every run has its run.toml and results.json, and parcel.json says what is in the parcel",
        cure="have the sender make it with a current `labkit parcel`",
    )


def _said(content: bytes, parcel: str, limits: Limits, **found: object) -> Parcel:
    """A Parcel from the text of its ``parcel.json``."""
    try:
        said = read_json(content, most=limits.text_bytes)
        if not isinstance(said, dict) or said.get("format") != _FORMAT or said.get("version") != _VERSION:
            raise ValueError(f"not the format {_FORMAT!r}, version {_VERSION}")
        licence = check_licence(str(said.get("licence")))
        software, kept, left_out = (_texts(said, name) for name in ("software", "kept", "left_out"))
        scrubbed = said.get("scrubbed", [])
        if not isinstance(scrubbed, list) or not all(isinstance(one, dict) for one in scrubbed):
            raise ValueError("'scrubbed' is no list of tables")
    except ValueError as error:
        raise _not_a_parcel(parcel, CONTENTS, str(error)) from error
    return Parcel(
        licence=licence,
        made=str(said.get("made", "")),
        software=software,
        scrubbed=tuple(_scrubbed(one) for one in scrubbed),
        kept=kept,
        left_out=left_out,
        **found,
    )


def _texts(said: Mapping[str, object], name: str) -> dict[str, str]:
    table = said.get(name, {})
    if not isinstance(table, dict):
        raise ValueError(f"{name!r} is no table")
    return {key: str(value) for key, value in table.items()}


def _scrubbed(one: Mapping[str, object]) -> Scrubbed:
    count = one.get("count")
    texts = {name: str(one.get(name, "")) for name in ("file", "kind", "replaced_by")}
    return Scrubbed(**texts, text="", count=count if isinstance(count, int) else 1)


# ------------------------------------------------------------------------------------------- looking inside
def peek_parcel(path: Path, *, limits: Limits | None = None) -> tuple[ParcelledRun, ...]:
    """The runs of a parcel with what they say, without unpacking their logs.

    Container, names, tag files and the small files read are verified as in `open_parcel`; the logs are not looked
    into.

    Parameters
    ----------
    path : Path
        The ZIP.
    limits : Limits, optional
        The most that it may hold.
    """
    path, limits = Path(path), limits or Limits()
    with _archive(path, limits) as (archive, entries, base):
        tags: dict[str, bytes] = {}
        small: dict[str, bytes] = {}
        payload: dict[str, Checksums | None] = {}
        for entry in entries:
            name = entry.orig_filename.removeprefix(base)
            if name.startswith(PAYLOAD):
                _check_place(name, path.name)
                payload[name] = None
            if not name.startswith(PAYLOAD):
                tags[name] = _read_entry(archive, entry, path.name, limits.text_bytes)
            elif name == CONTENTS or name.rsplit("/", 1)[-1] in (RUN_FILE, RESULTS_FILE):
                small[name] = _read_entry(archive, entry, path.name, limits.text_bytes)
                payload[name] = checksums(io.BytesIO(small[name]))
    verify_bag(tags, payload, parcel=path.name)
    licence = _said(small.get(CONTENTS, b""), path.name, limits, path=path).licence
    digests = read_manifest(tags["manifest-sha256.txt"], "manifest-sha256.txt", parcel=path.name)
    return tuple(
        ParcelledRun(
            name=run,
            run_file=small[name],
            results=small.get(f"{RUNS}{run}/{RESULTS_FILE}"),
            licence=licence,
            digests={
                path.removeprefix(f"{RUNS}{run}/"): digest
                for path, digest in digests.items()
                if path.startswith(f"{RUNS}{run}/")
            },
        )
        for name, run in ((name, name.split("/")[2]) for name in small if name.count("/") == 3)
        if name.endswith("/" + RUN_FILE)
    )
