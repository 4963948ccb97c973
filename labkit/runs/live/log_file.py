"""A log file that only grows: never overwritten, on the disk within half a second, whole up to its last line.

Rows wait in memory for at most `SYNC_EVERY_S`; then they are written and the operating system is made to bring them to
the disk (fsync), so that pulling the plug loses no more than that and the time one such writing takes.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from time import monotonic

import numpy as np

__all__ = ["SYNC_EVERY_S", "LogFile", "LogNotStoredError", "not_stored", "printable"]

#: Rows wait no longer than this before they are written and synchronised [s].
SYNC_EVERY_S = 0.4
_MOST_NUMBERS = 9999


class LogNotStoredError(OSError):
    """The log can be written no further: disk full, folder gone, no permission. What stands on the disk is whole."""


def printable(text: str | Path) -> str:
    """Text that every output takes: bytes of a file name that are no UTF-8 become escapes.

    Examples
    --------
    >>> printable("caf\\udce9.csv")
    'caf\\\\xe9.csv'
    """
    return os.fsencode(str(text)).decode("utf-8", errors="backslashreplace")


class LogFile:
    """Append-only text log under a number that was free.

    Parameters
    ----------
    folder : Path
        Folder of the run; made when it is not there.
    stem : str
        First part of the name: ``stem-001.csv`` or the next number that is free.
    remarks : sequence of str
        Lines for the top, without their ``#``.
    titles : sequence of str
        Titles of the columns, the time first.
    clock : callable
        A clock that never runs backward [s].

    Raises
    ------
    LogNotStoredError
        When the file cannot be made or written; says why and what to do.
    """

    def __init__(
        self,
        folder: Path,
        *,
        stem: str,
        remarks: Sequence[str],
        titles: Sequence[str],
        clock: Callable[[], float] = monotonic,
    ) -> None:
        self._clock, self._waiting, self._since_s = clock, bytearray(), None
        self.n_rows = self.n_bytes = 0
        self.longest_sync_s = 0.0
        self._row_format = "%.6f" + ",%.7g" * (len(titles) - 1) + "\n"
        self.path, self._file = _new_file(folder, stem)
        for text in remarks:
            self.remark(text)
        self._titles = ",".join(titles) + "\n"  # above the first row: a remark between them could be taken for it
        self.sync()
        _sync_folder(folder)

    def rows(self, time_s: np.ndarray, values: np.ndarray) -> None:
        """Add rows: times [s], shape (n,), and values, shape (n, n_signals)."""
        if not self.n_rows:
            self._wait(self._titles)
        table = np.column_stack([time_s, values]).tolist()
        self._wait("".join([self._row_format % tuple(row) for row in table]))
        self.n_rows += len(table)

    def remark(self, text: str) -> None:
        """Add a remark line; breaks in the text become blanks."""
        self._wait(f"# {' '.join(printable(text).split())}\n")

    def sync_when_due(self) -> None:
        """Write and synchronise when something has waited long enough; call it several times a second."""
        if self._since_s is not None and self._clock() - self._since_s >= SYNC_EVERY_S:
            self.sync()

    def sync(self) -> None:
        """Write and synchronise now."""
        begun_s = self._clock()
        try:
            while self._waiting:
                written = os.write(self._file, self._waiting)
                del self._waiting[:written]
                self.n_bytes += written
            os.fsync(self._file)
        except OSError as error:
            raise not_stored(self.path, error) from error
        self._since_s = None
        self.longest_sync_s = max(self.longest_sync_s, self._clock() - begun_s)

    def close(self) -> None:
        """Bring everything to the disk and close; the file is closed even when that fails."""
        if self._file is None:
            return
        try:
            self.sync()
        finally:
            os.close(self._file)
            self._file = None

    def abandon(self) -> None:
        """Close without writing what waits, after an error."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def _wait(self, text: str) -> None:
        self._waiting += text.encode("utf-8")
        if self._since_s is None:
            self._since_s = self._clock()


def _new_file(folder: Path, stem: str) -> tuple[Path, int]:
    """Path and descriptor of a file that was not there before, whatever else happens at the same time."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number in range(1, _MOST_NUMBERS + 1):
            path = folder / f"{stem}-{number:03d}.csv"
            with contextlib.suppress(FileExistsError):
                return path, os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
    except OSError as error:
        raise not_stored(folder, error) from error
    raise LogNotStoredError(f"{printable(folder)}: all names up to {path.name} are taken; use another folder")


def _sync_folder(folder: Path) -> None:
    """Make the new name itself safe; systems that cannot synchronise a folder are let be."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def not_stored(path: Path, error: OSError) -> LogNotStoredError:
    """The error with its reason in words and what to do.

    Parameters
    ----------
    path : Path
        File or folder that cannot be written.
    error : OSError
        What the system said.
    """
    cure = "what stands there is whole but for its last line; free space or log to another disk, then start again"
    with contextlib.suppress(OSError):
        folder = path if path.is_dir() else path.parent
        cure = f"{cure} ({shutil.disk_usage(folder).free / 1e6:.0f} MB are free)"
    if isinstance(error, PermissionError | NotADirectoryError | FileExistsError) or error.errno == errno.EROFS:
        cure = "name a folder that you may write to"
    return LogNotStoredError(f"{printable(path)} cannot be written: {error.strerror or error}. Cure: {cure}")
