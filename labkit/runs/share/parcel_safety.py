"""What may come in from a stranger: names, sizes and kinds of the entries of a parcel, judged before one is unpacked.

A parcel is a plain ZIP file: stored or deflated regular files with portable names, no more than the limits, nothing
before, between or behind them. Everything else is refused; nothing is repaired and nothing is guessed.
"""

from __future__ import annotations

import re
import stat
import struct
import unicodedata
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import BinaryIO

__all__ = ["Limits", "ParcelRefusedError", "check_entries", "check_names", "clean_text", "open_archive"]

_SHOWN = 120  # characters of a stranger's text in a message
_LEGIBLE = {"\n", "\t"}
_UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")  # Unicode categories that a terminal obeys or does not show


def clean_text(text: object, *, most: int = 10_000) -> str:
    r"""A stranger's text, safe for a terminal: what cannot be seen becomes visible, what is too long is cut.

    Control characters, terminal escape sequences, marks that turn the direction of writing and lone surrogates are
    written as ``\x1b`` or ``\u202e``; line feeds and tabs stay. HTML is not its business: pages escape on their own.

    Parameters
    ----------
    text : object
        The text.
    most : int
        Longest text left whole [characters].

    Examples
    --------
    >>> print(clean_text("steel\x1b[2J plate"))
    steel\x1b[2J plate
    """
    text = str(text)
    text = text if len(text) <= most else text[: most - 1] + "…"
    if text.isprintable():
        return text
    return "".join(_visible(c) if unicodedata.category(c) in _UNSEEN and c not in _LEGIBLE else c for c in text)


def _visible(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}" if code < 65536 else f"\\U{code:08x}"


class ParcelRefusedError(ValueError):
    """A parcel that is not opened.

    Parameters
    ----------
    parcel : str
        Name of the parcel.
    found, rule, cure : str
        What stands there, the rule that it breaks, what can be done.
    entry : str
        Name of the entry in the parcel; "" when it is about the whole.
    """

    def __init__(self, parcel: str, *, found: str, rule: str, cure: str, entry: str = "") -> None:
        parcel, entry, found = (clean_text(text, most=_SHOWN * 3) for text in (parcel, entry, found))
        self.entry, self.rule = entry, rule
        place = f"parcel {parcel}" + (f", entry {entry!r}" if entry else "")
        super().__init__(f"{place} is refused: {found}. Rule: {rule}. Cure: {cure}.")


@dataclass(frozen=True, kw_only=True)
class Limits:
    """The most that a parcel may hold.

    Parameters
    ----------
    entries : int
        Files and folders.
    file_bytes, total_bytes : int
        Size of one file and of all, unpacked.
    ratio : float
        Unpacked over packed size of a file larger than `ratio_from_bytes`; logs and pictures stay below 30.
    ratio_from_bytes : int
        See `ratio`.
    text_bytes : int
        Size of a tag file, of run.toml, and of JSON that says what is in the parcel.
    notebook_bytes : int
        Size of a notebook, and of JSON beside a run.
    """

    entries: int = 2000
    file_bytes: int = 1 << 30
    total_bytes: int = 1 << 31
    ratio: float = 100.0
    ratio_from_bytes: int = 1 << 20
    text_bytes: int = 1 << 20
    notebook_bytes: int = 32 << 20

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not 0 < value < 1 << 32:
                raise ValueError(f"{name} is {value!r}; it must be above 0 and below 4 GiB, which a plain ZIP can hold")


# ------------------------------------------------------------------------------------------------ the names
_FORBIDDEN = re.compile(r'[\\:*?"<>|%\x00-\x1f\x7f]')
_DEVICES = frozenset(["con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))])
_LONGEST_NAME, _LONGEST_PATH, _DEEPEST = 120, 230, 8
_RENAME = "rename it and make the parcel again (only the sender can)"


def check_names(names: Iterable[str], *, parcel: str) -> None:
    """Refuse names that are not portable, lead out of the folder, or fall together on some system.

    Parameters
    ----------
    names : iterable of str
        Paths inside the parcel, with ``/`` between folders and at the end of a folder.
    parcel : str
        Name of the parcel, for the message.
    """
    names, seen = list(names), dict[str, str]()
    files = {name for name in names if not name.endswith("/")}
    for name in names:
        if fault := _fault_of_name(name):
            raise ParcelRefusedError(parcel, entry=name, found=fault[0], rule=fault[1], cure=_RENAME)
        for part in _with_parents(name.rstrip("/")):
            if part in files and part != name:
                raise ParcelRefusedError(
                    parcel, entry=name, found=f"{part!r} is a file and a folder", rule="it is one of them", cure=_RENAME
                )
            folded = unicodedata.normalize("NFC", part.casefold())
            if seen.setdefault(folded, part) != part:
                raise ParcelRefusedError(
                    parcel,
                    entry=name,
                    found=f"the name falls together with {seen[folded]!r} where case does not count",
                    rule="names differ by more than case",
                    cure=_RENAME,
                )


def _with_parents(path: str) -> list[str]:
    parts = path.split("/")
    return ["/".join(parts[: k + 1]) for k in range(len(parts))]


def _fault_of_name(name: str) -> tuple[str, str] | None:
    """What is wrong with a path and the rule it breaks; None for a good one."""
    parts = name.removesuffix("/").split("/")
    if name.startswith(("/", "\\")) or re.match(r"[A-Za-z]:", name):
        return "an absolute path or a drive letter", "every entry lies inside the parcel's folder"
    if ".." in re.split(r"[/\\]", name):
        return "a path that leads out of the parcel's folder", "no entry has '..' in its path"
    if "" in parts or "." in parts:
        return "an empty part or '.' in the path", "paths are written in one way only"
    if bad := _FORBIDDEN.search(name):
        return f"the character {bad[0]!r}", 'names hold no control characters and none of \\ : * ? " < > | %'
    if any(unicodedata.category(c) in _UNSEEN for c in name) or unicodedata.normalize("NFC", name) != name:
        return "characters that cannot be seen or are not in normal form", "names are legible Unicode in form NFC"
    if any(part.split(".")[0].rstrip().lower() in _DEVICES for part in parts):
        return "the name of a device", "names are no devices on any system"
    if any(part.startswith((".", "~", "-", " ")) or part.endswith((".", " ")) for part in parts):
        return "a hidden name, or a dot or blank at an end", "no name begins with . ~ - or blank, or ends in . or blank"
    longest = max(len(part.encode()) for part in parts)
    if longest > _LONGEST_NAME or len(name.encode()) > _LONGEST_PATH or len(parts) > _DEEPEST:
        rule = f"names up to {_LONGEST_NAME} bytes, paths up to {_LONGEST_PATH}, {_DEEPEST} folders deep"
        return "a name too long or too deep", rule
    return None


# -------------------------------------------------------------------------------------------- the container
_END = struct.Struct("<4s4H2LH")  # end of central directory record (APPNOTE 6.3, 4.3.16)
_HARMLESS_EXTRA = {0x5455, 0x7875, 0x5855, 0x000A}  # times and owner numbers, which are not used
_DIRECTORY_PER_ENTRY = 600  # bytes of central directory allowed for an entry
_AGAIN = "have the sender make the parcel again with `labkit parcel`"


def open_archive(stream: BinaryIO, *, parcel: str, limits: Limits) -> zipfile.ZipFile:
    """Open a parcel's ZIP after the look at its end record, which bounds what follows.

    Parameters
    ----------
    stream : binary file
        The parcel, open for reading.
    parcel : str
        Its name, for messages.
    limits : Limits
        The most that it may hold.
    """
    size = stream.seek(0, 2)
    stream.seek(max(0, size - _END.size))
    end, begin = stream.read(_END.size), b""
    stream.seek(0)
    begin = stream.read(4)
    if len(end) < _END.size or begin != b"PK\x03\x04" or not end.startswith(b"PK\x05\x06"):
        raise ParcelRefusedError(
            parcel,
            found="not a plain ZIP file from its first to its last byte (damaged, cut off, or something added)",
            rule="a parcel is one ZIP with nothing before or behind it and no comment",
            cure="copy or download it again; else " + _AGAIN,
        )
    _, disk, first_disk, here, entries, length, offset, _ = _END.unpack(end)
    if max(disk, first_disk) or here != entries or offset + length + _END.size != size or 0xFFFF in (here, entries):
        raise ParcelRefusedError(
            parcel,
            found="a split, padded or Zip64 archive",
            rule="a parcel is a plain ZIP below 4 GiB in one piece",
            cure=_AGAIN,
        )
    if entries > limits.entries or length > _DIRECTORY_PER_ENTRY * limits.entries:
        raise ParcelRefusedError(
            parcel,
            found=f"{entries} entries, described in {length} bytes",
            rule=f"at most {limits.entries} entries, {_DIRECTORY_PER_ENTRY} bytes each",
            cure="have the sender split it",
        )
    try:
        return zipfile.ZipFile(stream)
    except (zipfile.BadZipFile, ValueError, NotImplementedError, struct.error) as error:
        if isinstance(error, UnicodeDecodeError):
            rule, cure = "names are UTF-8", _RENAME
        else:
            rule, cure = "a parcel is a plain ZIP", _AGAIN
        raise ParcelRefusedError(parcel, found=f"a broken directory ({error})", rule=rule, cure=cure) from error


def check_entries(entries: Sequence[zipfile.ZipInfo], *, parcel: str, limits: Limits) -> None:
    """Refuse entries that are no plain files, are too large, or are not stored side by side.

    Parameters
    ----------
    entries : sequence of ZipInfo
        All entries.
    parcel : str
        Name of the parcel, for messages.
    limits : Limits
        The most that it may hold.
    """
    seen: set[str] = set()
    for entry in entries:
        for found, rule, cure in _faults_of_entry(entry, limits):
            raise ParcelRefusedError(parcel, entry=entry.orig_filename, found=found, rule=rule, cure=cure)
        if entry.orig_filename in seen:
            raise ParcelRefusedError(
                parcel, entry=entry.orig_filename, found="the name twice", rule="every name once", cure=_AGAIN
            )
        seen.add(entry.orig_filename)
    _check_apart(entries, parcel)
    total = sum(entry.file_size for entry in entries)
    if total > limits.total_bytes:
        raise ParcelRefusedError(
            parcel,
            found=f"{total / 1e6:.3g} MB unpacked",
            rule=f"at most {limits.total_bytes / 1e6:.4g} MB",
            cure="have the sender split it, or allow more with --most-mb if you trust the sender",
        )
    check_names([entry.orig_filename for entry in entries], parcel=parcel)


def _faults_of_entry(entry: zipfile.ZipInfo, limits: Limits) -> Iterable[tuple[str, str, str]]:
    """What is wrong with an entry as (found, rule, cure), the gravest first."""
    kind = stat.S_IFMT(entry.external_attr >> 16)
    if entry.flag_bits & (1 | 1 << 6 | 1 << 13):
        yield "an encrypted entry", "nothing in a parcel is hidden", "have the sender make it without a password"
    if not entry.flag_bits & 0x800 and not entry.orig_filename.isascii():
        yield "a name that is not marked as UTF-8", "names are UTF-8", _RENAME
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR) or (kind == stat.S_IFDIR) > entry.orig_filename.endswith("/"):
        yield (
            "a link or a device, not a file",
            "a parcel holds plain files and folders",
            "have the sender copy the file",
        )
    if entry.orig_filename.endswith("/") and entry.file_size:
        yield "a folder with contents of its own", "a folder is empty", _AGAIN
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        yield f"compression method {entry.compress_type}", "entries are stored or deflated", _AGAIN
    if not _extras(entry.extra) <= _HARMLESS_EXTRA:
        yield "extra data in the directory (Zip64, a link, a second name)", "entries carry no such data", _AGAIN
    if entry.file_size > limits.file_bytes:
        rule = f"at most {limits.file_bytes / 1e6:.4g} MB a file"
        yield f"{entry.file_size / 1e6:.3g} MB unpacked", rule, "have the sender split it"
    if entry.file_size > max(limits.ratio_from_bytes, limits.ratio * entry.compress_size):
        found = f"{entry.file_size} bytes packed into {entry.compress_size}"
        yield found, f"at most {limits.ratio:g} : 1", "do not open it with other tools either; ask the sender"


def _extras(extra: bytes) -> set[int]:
    """Kinds of extra fields; a field that is cut off counts as kind −1."""
    kinds = set()
    while extra:
        kind, size = struct.unpack_from("<2H", extra) if len(extra) >= 4 else (-1, 0)
        kinds.add(kind if len(extra) >= 4 + size else -1)
        extra = extra[4 + size :]
    return kinds


def _check_apart(entries: Sequence[zipfile.ZipInfo], parcel: str) -> None:
    """Refuse entries that share packed bytes: so a small file could unpack to a huge one."""
    free_from = 0
    for entry in sorted(entries, key=lambda one: one.header_offset):
        if entry.header_offset < free_from:
            raise ParcelRefusedError(
                parcel,
                entry=entry.orig_filename,
                found="packed bytes shared with another entry",
                rule="entries lie side by side",
                cure="do not open it with other tools either; ask the sender",
            )
        free_from = entry.header_offset + 30 + len(entry.orig_filename.encode()) + entry.compress_size
