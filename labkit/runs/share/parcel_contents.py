"""What stands in the files of a stranger's parcel: each is of a kind that is known, and is what its name says.

Nothing is executed or unpickled, no archive inside the parcel is unpacked, no picture or clip is decoded; packed logs
are counted through, bounded, before anything reads them.
"""

from __future__ import annotations

import gzip
import io
import json
import re
import struct
import tokenize
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
from pyarrow import ArrowException
from pyarrow.parquet import read_metadata

from labkit.runs.share.parcel_safety import Limits, ParcelRefusedError
from labkit.runs.share.scrub_files import suffix_of

__all__ = ["KINDS", "LOG_KINDS", "check_content", "read_json"]

_TEXTS = (".md", ".toml")
_TEXT_LOGS = (".csv", ".tsv", ".txt", ".dat", ".asc", ".log")
_SET_LOGS = (".uff", ".unv", ".u58")
_CLIPS = (".mkv", ".mp4", ".mov", ".avi", ".webm")
_MARKS = {
    ".png": (b"\x89PNG\r\n\x1a\n",),
    ".jpg": (b"\xff\xd8\xff",),
    ".jpeg": (b"\xff\xd8\xff",),
    ".tif": (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"),
    ".tiff": (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"),
    ".wav": (b"RIFF", b"RIFX", b"RF64"),
    ".npy": (b"\x93NUMPY",),
    ".npz": (b"PK\x03\x04",),
    ".parquet": (b"PAR1",),
    ".mkv": (b"\x1aE\xdf\xa3",),
    ".webm": (b"\x1aE\xdf\xa3",),
    ".avi": (b"RIFF",),
}
#: Kinds of files that are logs, by their endings.
LOG_KINDS = frozenset(
    [*_TEXT_LOGS, *_SET_LOGS, *(kind + ".gz" for kind in _TEXT_LOGS + _SET_LOGS), ".wav", ".npy", ".npz", ".parquet"]
)
#: Kinds of files that a parcel may hold.
KINDS = frozenset([*LOG_KINDS, *_MARKS, *_TEXTS, *_CLIPS, ".json", ".ipynb"])
# what a reader that goes by content would take for something else than text
_NOT_TEXT = (b"\x1f\x8b", b"PK", b"\x93NUMPY", b"PAR1", b"RIFF", b"RIFX", b"\x7fELF", b"MZ", b"\x80\x04", b"\x80\x03")
_FAULTS = (ValueError, EOFError, RecursionError, SyntaxError, tokenize.TokenError, zlib.error, struct.error)
_FAULTS = (*_FAULTS, zipfile.BadZipFile, gzip.BadGzipFile, NotImplementedError, OverflowError, RuntimeError)
_MOST_PIXELS = 200_000_000
_ASK = "ask the sender for a plain one"


def check_content(path: Path, *, name: str, parcel: str, limits: Limits) -> None:
    """Refuse a file that is not what its name says, or could do harm when a reader opens it.

    Parameters
    ----------
    path : Path
        The file, unpacked to a place of its own.
    name : str
        Its path in the parcel.
    parcel : str
        Name of the parcel, for messages.
    limits : Limits
        The most that it may hold.
    """
    suffix = suffix_of(name)
    if suffix not in KINDS:
        raise ParcelRefusedError(
            parcel,
            entry=name,
            found=f"a file of the kind {suffix or 'without ending'}",
            rule="a parcel holds logs, run.toml, results, pictures, clips and notebooks",
            cure="have the sender leave it out",
        )
    with path.open("rb") as stream:
        head = stream.read(64)
    try:
        _check_mark(suffix, head)
        if check := _CHECKS.get(".gz" if suffix.endswith(".gz") else suffix):
            check(path, limits)
    except _FAULTS as error:
        raise ParcelRefusedError(
            parcel, entry=name, found=str(error), rule="a file is what its name says, within the limits", cure=_ASK
        ) from error


def _check_mark(suffix: str, head: bytes) -> None:
    marks = _MARKS.get(suffix)
    if marks and not head.startswith(marks):
        raise ValueError(f"not the beginning of a {suffix} file")
    if suffix in _TEXTS + _TEXT_LOGS + _SET_LOGS and head.startswith(_NOT_TEXT):
        raise ValueError(f"{head[:4]!r}: something else under the name of a text")
    if suffix in (".mp4", ".mov") and head[4:8] not in (b"ftyp", b"moov", b"wide", b"mdat"):
        raise ValueError(f"not the beginning of a {suffix} file")


# ------------------------------------------------------------------------------------------------- by kind
def _check_packed(path: Path, limits: Limits) -> None:
    """Count a gzip through, writing nothing."""
    allowed = min(limits.file_bytes, max(limits.ratio_from_bytes, int(limits.ratio * path.stat().st_size)))
    size, first = 0, b""
    with gzip.open(path, "rb") as stream:
        while block := stream.read(1 << 20):
            first = first or block[:8]
            size += len(block)
            if size > allowed:
                raise ValueError(f"more than {allowed} bytes packed into {path.stat().st_size}")
    if first.startswith(_NOT_TEXT):
        raise ValueError(f"{first[:4]!r} packed inside: an archive in an archive, or no text")


def _check_array(path: Path, limits: Limits) -> None:
    with path.open("rb") as stream:
        _plain_array(stream, limits)


def _plain_array(stream: io.BufferedIOBase, limits: Limits) -> None:
    """Refuse an array that needs unpickling or claims more than the limit."""
    version = np.lib.format.read_magic(stream)
    if version not in ((1, 0), (2, 0)):
        raise ValueError(f"version {version} of the array format")
    read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
    shape, _, dtype = read(stream)
    if dtype.hasobject:
        raise ValueError("an array of Python objects, which only unpickling could read")
    size = dtype.itemsize * float(np.prod([float(n) for n in shape]))
    if min(shape, default=0) < 0 or size > limits.file_bytes:
        raise ValueError(f"an array of {size:.3g} bytes")


def _check_arrays(path: Path, limits: Limits) -> None:
    with zipfile.ZipFile(path) as archive:
        members = archive.infolist()
        if len(members) > limits.entries or any(not m.filename.endswith(".npy") or m.flag_bits & 1 for m in members):
            raise ValueError("something else than plain arrays in the .npz")
        size = sum(member.file_size for member in members)
        if size > min(limits.file_bytes, max(limits.ratio_from_bytes, limits.ratio * path.stat().st_size)):
            raise ValueError(f"{size} bytes packed into {path.stat().st_size}")
        for member in members:
            with archive.open(member) as stream:
                _plain_array(stream, limits)


def _check_parquet(path: Path, limits: Limits) -> None:
    try:
        described = read_metadata(path)
    except (ArrowException, OSError) as error:
        raise ValueError(f"a broken Parquet file ({error})") from error
    if 8.0 * described.num_rows * described.num_columns > limits.file_bytes:
        raise ValueError(f"a table of {described.num_rows} × {described.num_columns} values")


def _check_png(path: Path, limits: Limits) -> None:
    with path.open("rb") as stream:
        width, height = struct.unpack_from(">II", stream.read(24), 16)
    if width * height > _MOST_PIXELS:
        raise ValueError(f"a picture of {width} × {height} pixels")


def _check_json(path: Path, limits: Limits) -> None:
    _read_small(path, limits.notebook_bytes)


def _read_small(path: Path, most: int) -> object:
    """JSON of a file whose size is looked at first."""
    if path.stat().st_size > most:
        raise ValueError(f"JSON of {path.stat().st_size} bytes, at most {most} are read")
    return read_json(path.read_bytes(), most=most)


def read_json(content: bytes, *, most: int) -> object:
    """JSON of a stranger: bounded, UTF-8, without numbers that are none.

    Parameters
    ----------
    content : bytes
        The text.
    most : int
        Longest that is read [bytes].

    Raises
    ------
    ValueError
        When it is too long or no JSON.
    """
    if not content or len(content) > most:
        raise ValueError(f"an empty JSON file, or one above {most} bytes")
    try:
        return json.loads(content.decode("utf-8"), parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"not JSON in UTF-8, or nested too deep ({error})") from error


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number of JSON")


# ------------------------------------------------------------------------------------------------ notebooks
_SHOWN = {"text/plain", "image/png", "image/jpeg"}
_RUNS = re.compile(
    r"<\s*/?\s*(script|iframe|object|embed|link|meta|style|svg|form|base)\b|javascript:|\bon\w+\s*=\s*[\"']",
    flags=re.IGNORECASE,
)


def _check_notebook(path: Path, limits: Limits) -> None:
    book = _read_small(path, limits.notebook_bytes)
    if not isinstance(book, dict) or book.get("nbformat") != 4:
        raise ValueError("no notebook of nbformat 4")
    if set(_part(book, "metadata", dict)) - {"kernelspec", "language_info"}:
        raise ValueError("a notebook with metadata of its own (widgets, trust)")
    for cell in _part(book, "cells", list):
        if not isinstance(cell, dict) or cell.get("cell_type") not in ("code", "markdown", "raw"):
            raise ValueError("a cell of an unknown kind")
        if _part(cell, "metadata", dict):
            raise ValueError("a cell with metadata (a claim of trust, for example)")
        if cell["cell_type"] != "code" and (found := _RUNS.search(_joined(cell.get("source", "")))):
            raise ValueError(f"{found[0]!r} in a text cell: markup that runs or loads")
        for bundle in _part(cell, "attachments", dict).values():
            _check_output({"data": bundle})
        for output in _part(cell, "outputs", list):
            _check_output(output)


def _part(whole: dict, name: str, kind: type) -> dict | list:
    """A part of a notebook, empty when it is not there."""
    part = whole.get(name, kind())
    if not isinstance(part, kind):
        raise ValueError(f"{name!r} of a notebook is no {kind.__name__}")
    return part


def _check_output(output: object) -> None:
    if not isinstance(output, dict):
        raise ValueError("a notebook output that is none")
    kinds = set(_part(output, "data", dict)) - _SHOWN
    if kinds or _part(output, "metadata", dict):
        raise ValueError(f"a notebook output of the kind {', '.join(sorted(kinds)) or 'with metadata'}: it could run")
    if output.get("output_type", "display_data") not in ("stream", "error", "display_data", "execute_result"):
        raise ValueError("a notebook output of an unknown kind")


def _joined(text: object) -> str:
    return "".join(map(str, text)) if isinstance(text, list) else str(text)


_CHECKS: dict[str, Callable[[Path, Limits], None]] = {
    ".gz": _check_packed,
    ".npy": _check_array,
    ".npz": _check_arrays,
    ".parquet": _check_parquet,
    ".png": _check_png,
    ".json": _check_json,
    ".ipynb": _check_notebook,
}
