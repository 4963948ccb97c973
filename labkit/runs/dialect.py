"""How a text log is written: encoding, separator, decimal mark, where the rows begin, which line holds the titles."""

from __future__ import annotations

import codecs
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from labkit.base import LogFormatError, find_unit

__all__ = ["COMMENT_MARKS", "Dialect", "detect_encoding", "find_dialect", "find_titles", "is_date", "uncomment"]

#: What may stand before a remark; a semicolon only where it is not the separator.
COMMENT_MARKS = ("#", "%", "//", "!", "*", "'")
_MISSING = frozenset(
    ["", "nan", "-nan", "na", "n/a", "null", "none", "-", "--"]
    + [f"{sign}{infinite}" for sign in ("", "+", "-") for infinite in ("inf", "infinity")]
)
_NUMBER = {
    ".": re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(\d+|\d*,\d+)([eE][+-]?\d+)?"),
}
_DATE = re.compile(r"(\d{4}-\d\d-\d\d[T ])?\d\d:\d\d:\d\d([.,]\d+)?\s*(Z|[+-]\d\d:?\d\d)?")
_CONTROL = re.compile("[\x00-\x08\x0b\x0e-\x1f\x7f-\x9f]")
_SEPARATORS = (",", ";", "\t", "")
_SAMPLE_LINES = 200
_ONE_COMMA = re.compile(r"\s*[+-]?\d+,\d+\s*")


@dataclass(frozen=True, kw_only=True)
class Dialect:
    """How the rows are written.

    Parameters
    ----------
    separator : str
        "," ";" tab, or "" for runs of blanks.
    decimal : str
        "." or ",".
    n_columns : int
        Cells in a row; an empty one behind a closing separator is not counted.
    encoding : str
        "utf-8", "latin-1", "utf-16-le" or "utf-16-be".
    padded : bool
        True when blanks stand behind separators.
    last_decimals : int
        Digits behind the decimal mark of the last cell when they are the same in every line seen, else 0.
    """

    separator: str
    decimal: str
    n_columns: int
    encoding: str = "utf-8"
    padded: bool = False
    last_decimals: int = 0

    def cells(self, line: str) -> list[str]:
        """Cells of a line without blanks and quotes around them."""
        if self.separator == "":
            return [cell.strip('"') for cell in line.split()]
        cells = [cell.strip().strip('"').strip() for cell in line.split(self.separator)]
        return cells[:-1] if len(cells) == self.n_columns + 1 and not cells[-1] else cells

    def number(self, cell: str) -> float:
        """Value of a cell; nan when it says that there is none; ValueError when it is text."""
        if _NUMBER[self.decimal].fullmatch(cell):
            return float(cell.replace(",", "."))
        if cell.lower() in _MISSING:
            return float("nan")
        if cell.lower() in ("true", "false"):
            return float(cell.lower() == "true")
        raise ValueError(cell)

    def score(self, line: str) -> int:
        """How much a line looks like a row: twice its numbers, less three times its words."""
        cells = self.cells(line)
        numbers = sum(1 for cell in cells if _NUMBER[self.decimal].fullmatch(cell))
        odd = [c for c in cells if c.lower() not in _MISSING and not _NUMBER[self.decimal].fullmatch(c)]
        return 2 * numbers - 3 * sum(1 for cell in odd if not is_date(cell))

    def is_row(self, line: str) -> bool:
        """True when a line is mostly numbers; a column of words (a state, a name) may stand among them."""
        return self.score(line) > 0


def is_date(cell: str) -> bool:
    """True for a date with a time (ISO 8601) or a time of day.

    Examples
    --------
    >>> is_date("2026-05-01T12:00:00.123456Z"), is_date("12.5")
    (True, False)
    """
    return _DATE.fullmatch(cell) is not None


def uncomment(line: str) -> str:
    """The line without its comment mark."""
    text = line.strip()
    while text.startswith((*COMMENT_MARKS, ";")):
        text = text.lstrip("#%/!*';").lstrip()
    return text.strip('"')


# ------------------------------------------------------------------------------------------------ encoding
def detect_encoding(head: bytes, *, file: str) -> str:
    """Encoding of the first bytes of a text log.

    Raises
    ------
    LogFormatError
        When they are no text.

    Examples
    --------
    >>> detect_encoding("t;ax [m/s²]".encode("latin-1"), file="a.csv")
    'latin-1'
    """
    for mark, encoding in ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be")):
        if head.startswith(mark):
            return encoding
    even, odd = head[:4000:2].count(0), head[1:4000:2].count(0)
    if max(even, odd) > 0.4 * (min(len(head), 4000) / 2):
        encoding = "utf-16-le" if odd > even else "utf-16-be"
    else:
        try:
            codecs.getincrementaldecoder("utf-8")().decode(head)
            encoding = "utf-8"
        except UnicodeDecodeError:
            encoding = "latin-1"
    text = head[: len(head) // 2 * 2].decode(encoding, errors="replace").rstrip("\0")
    if len(_CONTROL.findall(text)) > 0.01 * len(text):
        raise LogFormatError(
            file,
            found="bytes that are no text",
            expected="text, WAV, NPY, NPZ, Parquet or UFF",
            cure="export the log in one of these formats",
        )
    return encoding


# ------------------------------------------------------------------------------------------------- dialect
def find_dialect(lines: Sequence[str], *, encoding: str, file: str) -> tuple[Dialect, int]:
    """Dialect of a log and the number of lines before its first row.

    Parameters
    ----------
    lines : sequence of str
        The first whole lines.
    encoding : str
        As found.
    file : str
        Name for error messages.

    Raises
    ------
    LogFormatError
        When there are no rows of numbers, or two readings are equally good.
    """
    filled = [(i, line) for i, line in enumerate(lines) if line.strip("\0 \t")]
    if not filled:
        raise LogFormatError(
            file,
            found="an empty file",
            expected="a header and rows of numbers",
            cure="log again; check the disk",
        )
    sample = [line for _, line in filled[-_SAMPLE_LINES:] if not line.lstrip().startswith(COMMENT_MARKS)]
    ways = [(s, d) for s in _SEPARATORS for d in (".", ",") if s != d]
    readings = [_reading(sample, separator, decimal) for separator, decimal in ways]
    best, score = max(readings, key=lambda reading: (reading[1], reading[0].n_columns))
    if score == 0:
        raise LogFormatError(
            file,
            line=filled[-1][0] + 1,
            found=f"no row of numbers in {len(filled)} line(s)",
            expected="rows of numbers under a header",
            cure="check that this is the log and not its description",
        )
    begin = _first_row(filled, best)
    rows = [line for i, line in filled[-_SAMPLE_LINES:] if i >= begin]
    if best.separator == "," and best.n_columns == 2 and all(map(_ONE_COMMA.fullmatch, rows)):
        best = _one_or_two(lines[:begin], best, line=begin + 1, file=file)
    padded = any(line.startswith(" ") or best.separator + " " in line for line in rows)
    return replace(best, encoding=encoding, padded=padded, last_decimals=_last_decimals(rows, best)), begin


def _reading(sample: Sequence[str], separator: str, decimal: str) -> tuple[Dialect, int]:
    """The sample read in one way: the commonest number of columns, and how well it fits."""
    trial = Dialect(separator=separator, decimal=decimal, n_columns=-1)
    rows = [(trial.cells(line), trial.score(line)) for line in sample if trial.is_row(line)]
    if not rows:
        return trial, 0
    closed = separator != "" and all(len(cells) > 1 and not cells[-1] for cells, _ in rows)
    count = Counter(len(cells) - closed for cells, _ in rows).most_common(1)[0][0]
    score = sum(score for cells, score in rows if len(cells) - closed == count)
    return replace(trial, n_columns=count), score


def _one_or_two(preamble: Sequence[str], two: Dialect, *, line: int, file: str) -> Dialect:
    """ "1,5" is two whole numbers or one decimal number: the line of titles decides."""
    above = [uncomment(text) for text in preamble if text.strip()][-1:]
    if not above:
        raise LogFormatError(
            file,
            line=line,
            found="rows such as '1,5'",
            expected="rows that can be read in one way only",
            cure="write a line of titles above the rows, or a decimal point",
        )
    return two if "," in above[0] else replace(two, separator=";", decimal=",", n_columns=1)


def _first_row(filled: Sequence[tuple[int, str]], dialect: Dialect) -> int:
    """Index of the first line that is a whole row and is followed by another one (or by nothing)."""

    def whole(line: str) -> bool:
        return dialect.is_row(line) and len(dialect.cells(line)) == dialect.n_columns

    pairs = zip(filled, [*filled[1:], filled[-1]])
    first = next((k for k, ((_, a), (_, b)) in enumerate(pairs) if whole(a) and whole(b)), None)
    if first is None:
        first = next(k for k, (_, line) in enumerate(filled) if whole(line))
    odd = first
    while odd and dialect.is_row(filled[odd - 1][1]):
        odd -= 1
    if odd and _titles_in(filled[odd - 1][1], dialect):  # rows of another width right below the titles
        first = odd
    return filled[first][0]


def _last_decimals(lines: Sequence[str], dialect: Dialect) -> int:
    cells = [dialect.cells(line)[-1] for line in lines[:-1] if dialect.is_row(line)]
    counts = {len(cell.partition(dialect.decimal)[2]) for cell in cells}
    return counts.pop() if len(counts) == 1 else 0


# ------------------------------------------------------------------------------------------------- titles
def find_titles(preamble: Sequence[str], dialect: Dialect) -> tuple[list[str] | None, list[str] | None, set[int]]:
    """Titles of the columns, the unit row below them if there is one, and the lines used.

    Parameters
    ----------
    preamble : sequence of str
        Lines before the first row.
    dialect : Dialect
        How the rows are written.
    """
    below = [i for i, line in enumerate(preamble) if line.strip()][::-1]
    found: list[tuple[int, list[str]]] = []
    for i in below[:2]:
        titles = _titles_in(preamble[i], dialect)
        if titles is None:
            break
        found.append((i, titles))
        if not _are_units(titles):
            break
    if not found:
        return None, None, set()
    if len(found) == 2 and not _are_units(found[1][1]):
        return found[1][1], found[0][1], {found[0][0], found[1][0]}
    line, titles = found[0]
    return (None, titles, {line}) if _are_units(titles) else (titles, None, {line})


def _titles_in(line: str, dialect: Dialect) -> list[str] | None:
    """The line as one title a column, or None when it is not such a line."""
    text = uncomment(line) if line.lstrip().startswith(COMMENT_MARKS) else line.strip("\r\n")
    joined = re.sub(r"\s+(?=[\[(])", " ", text.strip())
    bound = re.sub(r"\s+(?=[\[(])", "\u00a0", joined)  # "ax [mg]" is one title, also between blanks
    ways = [dialect.cells(text)]
    if dialect.separator == "":
        ways = [re.split(r"\s{2,}|\t", text.strip()), [c.replace("\u00a0", " ") for c in re.split(r"[ \t]+", bound)]]
        ways += [[cell.strip() for cell in text.split(mark)] for mark in ",;"]
    elif dialect.separator == "\t":
        ways += [text.split("\t"), text.split()]
    for cells in ways:
        cells = [cell.strip().strip('"').strip() for cell in cells]
        if len(cells) == dialect.n_columns + 1 and not cells[-1]:
            cells = cells[:-1]
        if len(cells) == dialect.n_columns and any(cells) and not any(map(_is_value, cells)):
            return cells
    return None


def _is_value(cell: str) -> bool:
    return is_date(cell) or any(pattern.fullmatch(cell) for pattern in _NUMBER.values())


def _are_units(cells: Sequence[str]) -> bool:
    """True for a row like "s, mg, mg, -" or "[s] [g] [g]"."""
    bare = [cell.strip().strip("[]()").strip() for cell in cells]
    known = [bool(find_unit(cell)) for cell in bare]
    bracketed = [cell.startswith(("[", "(")) for cell in cells]
    return any(known) and all(k or b in ("", "-", "1") or c for k, b, c in zip(known, bare, bracketed))
