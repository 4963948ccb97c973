"""Where the bytes of a live log come from: serial ports and sockets, pipes, stored streams.

Serial ports, pseudo-terminals and ``socket://host:port`` go through pyserial; everything else is read as a file.
A thread reads and stamps each piece with the time of its arrival, so that nothing that the program does meanwhile
(draw, write, check) delays it.
"""

from __future__ import annotations

import contextlib
import os
import queue
import select
import stat
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from time import monotonic, sleep
from typing import Protocol

import serial
from serial.tools import list_ports

from labkit.runs.live.log_file import printable

__all__ = ["ByteSource", "FileSource", "Piece", "Pump", "SerialSource", "SourceLostError", "open_source"]

_READ_BYTES = 1 << 16
_GATHER_S = 0.008  # let some lines come together before reading on
_WAIT_S = 0.05
_RETRY_S = 0.25
_MOST_WAITING = {True: 4000, False: 8}  # pieces: half a minute of a live sensor; a stored stream can wait


class SourceLostError(OSError):
    """The stream has ended or its port is gone."""


class ByteSource(Protocol):
    """A stream of bytes.

    Attributes
    ----------
    name : str
        For messages.
    live : bool
        Whether the time of arrival says anything.
    begins_whole : bool
        Whether its first byte begins a line.
    """

    name: str
    live: bool
    begins_whole: bool

    def read(self) -> bytes:
        """What has arrived; empty when nothing came for a moment; SourceLostError at the end."""

    def reopen(self) -> bool:
        """Try once to open a lost source again; False when that cannot be (yet)."""

    def close(self) -> None:
        """Let go of it."""


class SerialSource:
    """A serial port, a pseudo-terminal, or ``socket://host:port``.

    Parameters
    ----------
    name : str
        Device or address.
    baud : int
        Rate of a wired serial line [bit/s]; USB ports and sockets do not care.
    """

    live, begins_whole = True, False

    def __init__(self, name: str, *, baud: int = 115200) -> None:
        self.name, self._baud = name, baud
        self._identity = _usb_identity(name)
        try:
            self._port = self._open(name)
        except (serial.SerialException, OSError, ValueError) as error:
            raise SourceLostError(f"{printable(name)} cannot be opened: {error}. {_ports_in_words()}") from error

    def read(self) -> bytes:
        """Bytes that have arrived."""
        try:
            sleep(_GATHER_S)
            return self._port.read(_READ_BYTES)
        except (serial.SerialException, OSError, TypeError) as error:  # TypeError: pyserial, port closed meanwhile
            raise SourceLostError(f"{printable(self.name)}: {error}") from error

    def reopen(self) -> bool:
        """The same device again, also under another name when its USB serial number tells it."""
        self.close()
        for name in dict.fromkeys([self.name, *_ports_with(self._identity)]):
            with contextlib.suppress(serial.SerialException, OSError):
                self._port = self._open(name)
                self.name = name
                return True
        return False

    def close(self) -> None:
        """Close the port."""
        with contextlib.suppress(serial.SerialException, OSError):
            self._port.close()

    def _open(self, name: str) -> serial.SerialBase:
        port = serial.serial_for_url(name, baudrate=self._baud, timeout=0)
        port.reset_input_buffer()  # what came before tells nothing about now
        return port


def _usb_identity(name: str) -> tuple | None:
    found = [p for p in list_ports.comports() if p.device == name and p.serial_number]
    return (found[0].vid, found[0].pid, found[0].serial_number) if found else None


def _ports_with(identity: tuple | None) -> list[str]:
    if identity is None:
        return []
    return [p.device for p in list_ports.comports() if (p.vid, p.pid, p.serial_number) == identity]


def _ports_in_words() -> str:
    names = [port.device for port in list_ports.comports()]
    return f"Ports here: {', '.join(names)}" if names else "No serial port is here: plug the sensor in"


class FileSource:
    """A stored stream, a pipe, or the standard input ("-"); at its end the log ends.

    Parameters
    ----------
    name : str
        Path, or "-".
    """

    begins_whole = True

    def __init__(self, name: str) -> None:
        self.name = "standard input" if name == "-" else name
        self._own = name != "-"
        self._file = os.open(name, os.O_RDONLY) if self._own else sys.stdin.fileno()
        self.live = not stat.S_ISREG(os.fstat(self._file).st_mode)

    def read(self) -> bytes:
        """The next bytes."""
        if self.live and not select.select([self._file], [], [], _WAIT_S)[0]:
            return b""
        data = os.read(self._file, _READ_BYTES)
        if not data:
            raise SourceLostError(f"{printable(self.name)}: end of the stream")
        return data

    def reopen(self) -> bool:
        """Never: a file that has ended stays at its end."""
        return False

    def close(self) -> None:
        """Close the file."""
        if self._own:
            with contextlib.suppress(OSError):
                os.close(self._file)


def open_source(name: str, *, baud: int = 115200) -> ByteSource:
    """The stream of that name: a serial port, ``socket://host:port``, a file, a pipe, or "-" for the standard input.

    Parameters
    ----------
    name : str
        Device, address or path.
    baud : int
        Rate of a wired serial line [bit/s].

    Raises
    ------
    SourceLostError
        When it cannot be opened; lists the serial ports that are there.
    """
    path = Path(name)
    if name == "-" or (path.exists() and not path.is_dir() and not stat.S_ISCHR(path.stat().st_mode)):
        return FileSource(name)
    return SerialSource(name, baud=baud)


@dataclass(frozen=True, kw_only=True)
class Piece:
    """Something that the pump brings.

    Parameters
    ----------
    arrival_s : float
        When it came, by a clock that never runs backward [s].
    kind : {"bytes", "lost", "back", "end"}
        Bytes; the connection was lost; it is there again; the stream is over.
    data : bytes
        The bytes.
    why : str
        What the source said when it was lost.
    """

    arrival_s: float
    kind: str
    data: bytes = b""
    why: str = ""


class Pump:
    """Reads a source in a thread of its own and hands over stamped pieces.

    Parameters
    ----------
    source : ByteSource
        The stream; the pump closes it at the end.
    clock : callable
        A clock that never runs backward [s].
    """

    def __init__(self, source: ByteSource, *, clock: Callable[[], float] = monotonic) -> None:
        self._source, self._clock = source, clock
        self._pieces: queue.Queue[Piece] = queue.Queue(maxsize=_MOST_WAITING[source.live])
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="labkit pump", daemon=True)
        self._thread.start()

    def get(self, timeout_s: float) -> Piece | None:
        """The next piece, or None when none came in that time [s]."""
        with contextlib.suppress(queue.Empty):
            return self._pieces.get(timeout=timeout_s)
        return None

    def stop(self) -> None:
        """Stop reading and close the source."""
        self._stop.set()
        while self.get(0.0) is not None:  # make room, so that the thread cannot hang on a full queue
            pass
        self._thread.join(timeout=2.0)
        self._source.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                data = self._source.read()
            except SourceLostError as error:
                if isinstance(self._source, FileSource):
                    return self._put("end")
                self._put("lost", why=str(error))
                self._reopen()
                continue
            if data:
                self._put("bytes", data=data)

    def _reopen(self) -> None:
        """Try until the source is back, or the pump is stopped."""
        while not self._stop.wait(_RETRY_S):
            if self._source.reopen():
                return self._put("back")

    def _put(self, kind: str, *, data: bytes = b"", why: str = "") -> None:
        piece = Piece(arrival_s=self._clock(), kind=kind, data=data, why=why)
        while not self._stop.is_set():
            with contextlib.suppress(queue.Full):
                return self._pieces.put(piece, timeout=_WAIT_S)
