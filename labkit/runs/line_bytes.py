"""The bytes of a text file, plain or gzip, in pieces of whole lines; never all of them in memory."""

from __future__ import annotations

import codecs
import gzip
import io
import zlib
from collections.abc import Iterator
from pathlib import Path

from labkit.base import LogFormatError
from labkit.runs.table import FREE_BYTES, MOST_UNPACKED, unpacks_too_far

__all__ = ["HEAD_BYTES", "open_bytes", "read_bytes", "read_head", "whole_lines"]

#: What is looked at to find out how a log is written.
HEAD_BYTES = 1 << 17
_HEAD_LINES = 8
_LONGEST_LINE_BYTES = 1 << 24  # a million columns
_PIECE_BYTES = 3 << 20


def open_bytes(path: Path) -> io.BufferedIOBase:
    """The bytes of a file, uncompressed when it is gzip (by content, not by name)."""
    with path.open("rb") as probe:
        zipped = probe.read(2) == b"\x1f\x8b"
    return gzip.open(path, "rb") if zipped else path.open("rb")


def read_head(stream: io.BufferedIOBase, file: str) -> bytes:
    """The first bytes of a log: at least some lines, however long they are."""
    head, n_ends = b"", 0
    while n_ends < _HEAD_LINES and (block := read_bytes(stream, HEAD_BYTES, file)):
        head, n_ends = head + block, n_ends + max(block.count(b"\n"), block.count(b"\r"))
        _refuse_long_line(len(head), file)
    return head


def _refuse_long_line(n_bytes: int, file: str) -> None:
    if n_bytes > _LONGEST_LINE_BYTES:
        raise LogFormatError(
            file,
            found=f"more than {_LONGEST_LINE_BYTES >> 20} MiB with hardly a line end",
            expected="lines with one row each",
            cure="export the log with a line end behind each row",
        )


def _refuse_bomb(n_bytes: int, packed_bytes: int, file: str) -> None:
    if unpacks_too_far(n_bytes, packed_bytes):
        raise LogFormatError(
            file,
            found=f"more than {n_bytes >> 20} MiB packed into {packed_bytes} bytes",
            expected=f"at most {MOST_UNPACKED} times the size of the file, or {FREE_BYTES >> 20} MiB",
            cure="if you trust the file, unpack it yourself (`gzip -d`) and read the result",
        )


def read_bytes(stream: io.BufferedIOBase, size: int, file: str) -> bytes:
    """The next `size` bytes of an open file; fewer at its end.

    Raises
    ------
    LogFormatError
        For a broken gzip file.
    """
    try:
        return stream.read(size)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise LogFormatError(
            file,
            found=f"a broken gzip file ({error})",
            expected="a whole one",
            cure="copy the log again, or save what is left of it with `gzip -dc`",
        ) from error


def whole_lines(
    stream: io.BufferedIOBase, *, encoding: str, old_line_ends: bool, file: str, packed_bytes: int
) -> Iterator[bytes]:
    """Pieces that end with a line end (the last one may not), without BOM, as UTF-8 unless they are latin-1."""
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace") if encoding.startswith("utf-16") else None
    rest, start, n_bytes = b"", True, 0
    while block := read_bytes(stream, _PIECE_BYTES, file):
        n_bytes += len(block)
        _refuse_bomb(n_bytes, packed_bytes, file)
        if decoder:
            block = decoder.decode(block).encode("utf-8", errors="replace")
        if old_line_ends:
            block = block.replace(b"\r", b"\n")
        if start:
            block, start = block.removeprefix(codecs.BOM_UTF8), False
        cut = block.rfind(b"\n") + 1
        if cut:
            yield rest + block[:cut]  # copies nothing when there is no rest
            rest = block[cut:]
        else:
            rest += block
            _refuse_long_line(len(rest), file)
    if rest:
        yield rest
