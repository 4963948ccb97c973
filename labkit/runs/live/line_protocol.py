"""The plain line protocol in which a sensor talks to the logger: written down here, decoded here.

Lines of ASCII text end with a line feed (a carriage return before it is allowed); there are three kinds:

*Remark*: begins with ``#``; ``# key: value`` states a fact. ``# rate_hz: 3200`` is understood, all are kept.

*Header*: titles of the columns between commas, such as ``seq,ax [3.9 mg],ay [3.9 mg],az [3.9 mg],trigger``. Sent first,
and again at least once a second, so that a listener may join at any time. A title is a name and its unit in square
brackets; a number before the unit is the size of one step, so that a sensor may send its raw whole numbers. Two
columns are optional and special: ``seq`` numbers the samples (0, 1, 2 …; ``seq [mod 65536]`` says where it starts
anew) and a column in a unit of time (``t [us]``) is the sensor's own clock. A column called ``trigger`` needs no unit.

*Row*: one number a column, between commas, decimal point, no blanks needed: ``1027,-3,14,256,0``.

*Checksum*, optional: ``*HH`` closes the line, the exclusive-or of all bytes before the star as two hexadecimal digits
(common practice in instrument sentences). When the header carries one, so must every row.
"""

from __future__ import annotations

import functools
import math
import operator
import re
from dataclasses import dataclass

import numpy as np

from labkit.base import LogFormatError, Unit, find_unit
from labkit.runs.columns import Column, hinted_quantity, parse_title, stated_facts

__all__ = ["Batch", "Fault", "LineDecoder", "StreamHeader", "checksum", "parse_header", "scaled_signals"]

_LONGEST_LINE = 1024  # bytes; anything longer has lost its line end
_SHOWN = 60
_STEP = re.compile(r"^(?P<step>\d+\.?\d*(?:[eE][+-]?\d+)?|\.\d+(?:[eE][+-]?\d+)?)\s*(?P<unit>\D.*)$")
_NOT_IN_NAMES = re.compile(r"[\[\];\t]")
_MODULUS = re.compile(r"^(?:mod|modulo|%)\s*(?P<modulus>\d+)$")


def checksum(line: bytes) -> int:
    """Exclusive-or of all bytes of a line.

    Examples
    --------
    >>> f"{checksum(b'1027,-3,14,256,0'):02X}"
    '1E'
    """
    return functools.reduce(operator.xor, line, 0)


@dataclass(frozen=True, kw_only=True)
class StreamHeader:
    """What the columns of a stream are.

    Parameters
    ----------
    line : str
        The header line without its checksum.
    columns : tuple of Column
        All columns; the unit text is without its step.
    steps : tuple of float
        Factor that turns the numbers of a column into its unit.
    seq : int or None
        Position of the sequence number.
    seq_modulus : int
        Where the sequence number starts anew; 0 when it never does.
    time : int or None
        Position of the sensor's clock.
    has_checksum : bool
        Whether every row must carry a checksum.
    """

    line: str
    columns: tuple[Column, ...]
    steps: tuple[float, ...]
    seq: int | None
    seq_modulus: int
    time: int | None
    has_checksum: bool

    @property
    def signals(self) -> tuple[int, ...]:
        """Positions of the columns that are neither sequence number nor clock."""
        return tuple(c.position for c in self.columns if c.position not in (self.seq, self.time))

    @property
    def titles(self) -> tuple[str, ...]:
        """Titles of the signals for the log, with the unit but without the step."""
        return tuple(
            f"{self.columns[i].name} [{self.columns[i].unit_text or 'trigger'}]".replace(",", " ") for i in self.signals
        )

    @property
    def units(self) -> tuple[Unit, ...]:
        """Meaning of the units of the signals."""
        return tuple(self.columns[i].unit or find_unit("trigger") for i in self.signals)

    @property
    def trigger(self) -> int | None:
        """Place of the trigger among the signals; None without one."""
        return next((k for k, unit in enumerate(self.units) if unit.quantity == "trigger"), None)

    @property
    def tick_s(self) -> float:
        """Length of one step of the sensor's clock [s]; nan without one."""
        return math.nan if self.time is None else self.columns[self.time].unit.factor * self.steps[self.time]


def parse_header(line: str, *, source: str, has_checksum: bool = False) -> StreamHeader:
    """Read a header line.

    Parameters
    ----------
    line : str
        Titles between commas, without checksum.
    source : str
        Name of the stream, for error messages.
    has_checksum : bool
        Whether the rows carry checksums.

    Raises
    ------
    LogFormatError
        When it leaves open what a column is.

    Examples
    --------
    >>> header = parse_header("seq,ax [3.9 mg],trigger", source="sensor")
    >>> header.seq, header.titles, header.steps
    (0, ('ax [mg]', 'trigger [trigger]'), (1.0, 3.9, 1.0))
    """
    columns, steps, seq, modulus, time = [], [], None, 0, None
    for position, title in enumerate(line.split(",")):
        column, step = _column(title, position)
        wraps = _MODULUS.match(column.unit_text)
        if seq is None and hinted_quantity(column.name) == "counter" and (wraps or not column.unit_text):
            seq, modulus = position, int(wraps["modulus"]) if wraps else 0
        elif time is None and column.unit is not None and column.unit.quantity == "time":
            time = position
        elif column.unit is None and (column.unit_text or hinted_quantity(column.name) != "trigger"):
            raise _header_error(source, title, line)
        if _NOT_IN_NAMES.search(column.name):
            raise _header_error(source, title, line)
        columns.append(column)
        steps.append(step)
    header = StreamHeader(
        line=line,
        columns=tuple(columns),
        steps=tuple(steps),
        seq=seq,
        seq_modulus=modulus,
        time=time,
        has_checksum=has_checksum,
    )
    names = {column.name for column in columns}
    if not header.signals or len(names) < len(columns):
        raise _header_error(source, line, line)
    return header


def _column(title: str, position: int) -> tuple[Column, float]:
    column = parse_title(title, position=position)
    scaled = _STEP.match(column.unit_text)
    if not scaled:
        return column, 1.0
    unit_text = scaled["unit"].strip()
    return Column(position=position, name=column.name, title=column.title, unit_text=unit_text), float(scaled["step"])


def _header_error(source: str, title: str, line: str) -> LogFormatError:
    return LogFormatError(
        source,
        column=title.strip(),
        found=f"the header {_short(line.encode())!r}",
        expected="titles between commas, all different, each signal with a known unit, as in 'seq,ax [mg],ay [mg]'",
        cure="correct what the sensor sends, or state the header with --header",
    )


def _short(line: bytes) -> str:
    text = line.decode("ascii", errors="backslashreplace").strip()
    return text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A line that could not be used.

    Parameters
    ----------
    row : int
        Rows of the batch that came before it.
    kind : {"garbage", "checksum", "columns", "not a number", "too long"}
        What is wrong.
    found : str
        What stands there, shortened, odd bytes as escapes.
    """

    row: int
    kind: str
    found: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Batch:
    """What one piece of the stream held.

    Parameters
    ----------
    rows : numpy.ndarray, shape (n, n_columns)
        The numbers as sent.
    remarks : tuple of (int, str)
        Rows before each remark, and its text.
    faults : tuple of Fault
        Lines that could not be used.
    header : StreamHeader or None
        A header that differs from the one before; the piece is cut behind it, so that the rows of one batch always
        belong to one header.
    """

    rows: np.ndarray
    remarks: tuple[tuple[int, str], ...] = ()
    faults: tuple[Fault, ...] = ()
    header: StreamHeader | None = None


class LineDecoder:
    """Turns pieces of a byte stream into batches of rows; keeps half a line for the next piece.

    Parameters
    ----------
    source : str
        Name of the stream, for messages.
    header : str, optional
        Header line for a sensor that sends none; one that it sends is then passed over.

    Attributes
    ----------
    header : StreamHeader or None
        The header in force.
    rate_hz : float
        Rate that a remark stated last [Hz]; nan when none did.
    rows_without_header : int
        Rows that came before any header and were not used.
    refused_header : LogFormatError or None
        Why the last line that looked like a header could not be used.

    Examples
    --------
    >>> decoder = LineDecoder(source="sensor")
    >>> [batch.rows.tolist() for batch in decoder.feed(b"# rate_hz: 3200\\nseq,ax [mg]\\n7,12\\n8,1")]
    [[], [], [[7.0, 12.0]]]
    >>> [batch.rows.tolist() for batch in decoder.feed(b"3\\n")], decoder.rate_hz
    ([[[8.0, 13.0]]], 3200.0)
    """

    def __init__(self, *, source: str, header: str | None = None) -> None:
        self.source = source
        self.header = None if header is None else parse_header(header, source=source)
        self.rate_hz = math.nan
        self._stated = header is not None
        self._rest, self._whole_start = b"", True
        self._rows: list[list[float]] = []
        self._remarks: list[tuple[int, str]] = []
        self._faults: list[Fault] = []
        self.rows_without_header = 0
        self.refused_header: LogFormatError | None = None

    def joined(self) -> None:
        """Say that the next byte may come from the middle of a line (a port just opened)."""
        self._rest, self._whole_start = b"", False

    def feed(self, data: bytes) -> list[Batch]:
        """Batches in a piece of the stream; more than one only where the header changes."""
        batches = []
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            header = self._line(line.rstrip(b"\r"))
            if header is not None:
                batches.append(self._cut())
                self.header = header
                batches.append(Batch(rows=self._empty(), header=header))
        if len(self._rest) > _LONGEST_LINE:
            self._fault("too long", self._rest)
            self._rest, self._whole_start = b"", False
        batches.append(self._cut())
        return [batch for batch in batches if len(batch.rows) or batch.remarks or batch.faults or batch.header]

    def _empty(self) -> np.ndarray:
        return np.empty((0, len(self.header.columns) if self.header else 0))

    def _cut(self) -> Batch:
        rows = np.array(self._rows) if self._rows else self._empty()
        batch = Batch(rows=rows, remarks=tuple(self._remarks), faults=tuple(self._faults))
        self._rows, self._remarks, self._faults = [], [], []
        return batch

    # ------------------------------------------------------------------------------------------- one line
    def _line(self, line: bytes) -> StreamHeader | None:
        """File a line away; a header is returned when it is a new one."""
        whole, self._whole_start = self._whole_start, True
        if line[:1] == b"#":
            self._remark(line)
            return None
        if not line:
            return None
        if line[:1] in b"-+.0123456789":
            if whole:
                self._row(line)
            return None
        return self._title_line(line, whole)

    def _remark(self, line: bytes) -> None:
        text = line.decode("utf-8", errors="backslashreplace").lstrip("# ").rstrip()
        self._remarks.append((len(self._rows), "".join(c if c.isprintable() else "?" for c in text)))
        stated = stated_facts([(1, text)], file=self.source).rate_hz
        self.rate_hz = self.rate_hz if math.isnan(stated) else stated

    def _row(self, line: bytes) -> None:
        header = self.header
        if header is None:
            self.rows_without_header += 1
            return
        text, star, given = line.partition(b"*")
        if (star or header.has_checksum) and given.strip().upper() != b"%02X" % checksum(text):
            return self._fault("checksum", line)
        cells = text.split(b",")
        if len(cells) != len(header.columns):
            return self._fault("columns", line)
        try:
            row = [*map(float, cells)]
        except ValueError:
            return self._fault("not a number", line)
        if b"_" in text or not math.isfinite(sum(row)) or (header.seq is not None and row[header.seq] % 1):
            return self._fault("not a number", line)
        self._rows.append(row)

    def _title_line(self, line: bytes, whole: bool) -> StreamHeader | None:
        """A new header, or None; the first line after joining is no fault, for it may have lost its beginning."""
        text, star, given = line.partition(b"*")
        if star and given.strip().upper() != b"%02X" % checksum(text):
            return self._fault("checksum", line) if whole else None
        if not _is_titles(text):
            return self._fault("garbage", line) if whole else None
        try:
            new = parse_header(text.decode("utf-8").strip(), source=self.source, has_checksum=bool(star))
        except LogFormatError as error:
            self.refused_header = error
            return self._fault("garbage", line) if whole else None
        if self._stated or new == self.header:
            return None
        return new

    def _fault(self, kind: str, line: bytes) -> None:
        self._faults.append(Fault(row=len(self._rows), kind=kind, found=_short(line)))


def _is_titles(text: bytes) -> bool:
    """True for printable text between commas of which at least one title has a unit or a known name."""
    try:
        titles = text.decode("utf-8").split(",")
    except UnicodeDecodeError:
        return False
    return all(t.strip() and t.isprintable() for t in titles) and any(map(_says_something, titles))


def _says_something(title: str) -> bool:
    column = parse_title(title)
    return column.unit is not None or bool(_STEP.match(column.unit_text)) or hinted_quantity(column.name) is not None


def scaled_signals(rows: np.ndarray, *, header: StreamHeader) -> np.ndarray:
    """Signals of rows in the units of the header, shape (n, n_signals)."""
    return rows[:, list(header.signals)] * np.array([header.steps[i] for i in header.signals])
