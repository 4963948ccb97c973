r"""What is nobody's business: personal paths, names, addresses and serial numbers found in text and replaced.

What replaces them is one word in capitals that any kind of file can hold (``PATH/log.csv``, ``USER``, ``SERIAL``). The
same text is replaced by the same word everywhere, so a file that is named in another is still found. Nothing here
knows a name that it has not been told: the builder's own names come from `personal_words`, others are given.
"""

from __future__ import annotations

import getpass
import re
import socket
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Scrubbed", "Scrubber", "personal_words"]

try:
    from pwd import getpwuid
except ImportError:  # there is no such table on Windows
    getpwuid = None

# account and host names that say nothing about a person and stand in ordinary text
# fmt: off
_IMPERSONAL = frozenset([
    "root", "user", "admin", "administrator", "pi", "ubuntu", "debian", "runner", "jovyan", "lab", "guest",
    "test", "localhost", "localdomain", "raspberrypi", "desktop", "laptop", "computer", "home", "local", "lan",
    "build", "default",
])
# fmt: on
_SHORTEST = 3


@dataclass(frozen=True, kw_only=True)
class Scrubbed:
    """One text that was replaced.

    Parameters
    ----------
    file : str
        Where it stood.
    kind : str
        What it was, in words.
    text : str
        The text itself: for the builder's eyes, never written into a parcel.
    replaced_by : str
        What stands there now; "" when it was taken out.
    count : int
        How many times.
    """

    file: str
    kind: str
    text: str
    replaced_by: str = ""
    count: int = 1


def personal_words(extra: Iterable[str] = ()) -> dict[str, tuple[str, str]]:
    """Names of this account, of its owner and of this computer: word → (kind, replacement).

    Parameters
    ----------
    extra : iterable of str
        Further texts to scrub, as the builder gives them.
    """
    words: dict[str, tuple[str, str]] = {}
    host = socket.gethostname()
    for text in (host, host.split(".")[0]):
        words[text] = ("host name", "HOST")
    for text in _account_names():
        words[text] = ("user name", "USER")
    words = {w: what for w, what in words.items() if len(w) >= _SHORTEST and w.lower() not in _IMPERSONAL}
    for text in extra:
        if not text.strip():
            raise ValueError("a text to scrub is empty; leave it out")
        words[text.strip()] = ("text to scrub", "SCRUBBED")
    return words


def _account_names() -> list[str]:
    """Login name, home folder and full name of the one who runs this."""
    names = [Path.home().name]
    try:
        names.append(getpass.getuser())
        if getpwuid is not None:
            account = getpwuid(Path.home().stat().st_uid)
            names += [account.pw_name, account.pw_gecos.split(",")[0]]
    except (KeyError, OSError, ImportError):  # no account by that number, as in containers
        pass
    return names


# ------------------------------------------------------------------------------------------------ patterns
_PART = r"[^\\/:*?\"<>|\r\n,;=()\[\]{}']+"  # a folder's name on Windows, blanks allowed
_NAME = rf"(?:{_PART}(?=[\\/])|[^\\/:*?\"<>|\r\n\s,;']+)"
_WINDOWS = (
    r"(?:(?<![A-Za-z0-9])[A-Za-z]:[\\/]+|(?<![\\\w:])\\\\+[\w.-]+[\\/]+)"
    rf"(?:(?:Users|Documents and Settings|home)[\\/]+{_NAME}[\\/]*)?(?:{_PART}[\\/]+)*"
)
_START = r"(?:(?<=file://)|(?<![\w.:/<+=\\)\]]))"
_HOMES = r"(?:root\b|(?:home|Users|media|Volumes|mnt|run/user|export/home)/[^/\s\"'<>,;:]+)"
_POSIX = rf"{_START}/(?:{_HOMES}(?:/(?:[^/\s\"'<>,;:]+/)*)?|(?:[\w.+@~-]+/)+(?=[\w.]))"
_TILDE = r"(?<![\w~])~\w[\w-]*/"
_SERIAL = (
    r"(?P<before>\b(?:serial(?:[ _-]?(?:number|num|no\.?|nr\.?|id))?|s/n|sn)(?!\w)[\"']?\s*[:=#]?\s*[\"']?)"
    r"(?P<secret>(?=[A-Z0-9-]*\d)(?!\d+\s?dB)[A-Z0-9][A-Z0-9-]{3,})(?![\w.])"
)
_MAIL = r"[\w.+-]+@[\w-]+(?:\.[\w-]+)+"
_HARDWARE = r"(?<![\w:-])(?:[0-9A-F]{2}[:-]){5}[0-9A-F]{2}(?![\w:-])"
_NETWORK = r"(?<![\w.])(?!127\.|0\.)(?:(?:25[0-5]|2[0-4]\d|1?\d?\d)\.){3}(?:25[0-5]|2[0-4]\d|1?\d?\d)(?![\w.])"
_PATTERNS = (
    ("path", "PATH/", re.compile(f"{_WINDOWS}|{_POSIX}|{_TILDE}", re.IGNORECASE)),
    ("e-mail address", "MAIL", re.compile(_MAIL)),
    ("serial number", "SERIAL", re.compile(_SERIAL, re.IGNORECASE)),
    ("network address", "ADDRESS", re.compile(f"{_HARDWARE}|{_NETWORK}", re.IGNORECASE)),
)


@dataclass(frozen=True, kw_only=True)
class Scrubber:
    """Replaces personal text, and remembers what it replaced and what it was told to keep.

    Parameters
    ----------
    words : mapping
        Word → (kind, replacement), found as whole words whatever their case.
    keep : sequence of str
        Texts that stay, whole or as the beginning of a path.
    found : list of Scrubbed
        What was replaced so far, text by text.
    kept : dict
        What stayed since it is in `keep`: (file, text) → kind.

    Examples
    --------
    >>> scrubber = Scrubber(words={"wilma": ("user name", "USER")})
    >>> scrubber.text("log of Wilma, /home/wilma/runs/a.csv, serial no. 45A7-20", file="notes.txt")
    'log of USER, PATH/a.csv, serial no. SERIAL'
    >>> [one.kind for one in scrubber.found]
    ['path', 'serial number', 'user name']
    """

    words: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    keep: tuple[str, ...] = ()
    found: list[Scrubbed] = field(default_factory=list)
    kept: dict[tuple[str, str], str] = field(default_factory=dict)

    def text(self, text: str, *, file: str) -> str:
        """The text with everything personal replaced; what was found goes on the record under `file`."""
        for kind, replacement, pattern in _PATTERNS:
            text = pattern.sub(self._replace(kind, replacement, file), text)
        for word, (kind, replacement) in self.words.items():
            if word.casefold() in text.casefold():
                whole = re.compile(rf"(?<![A-Za-z0-9]){re.escape(word)}(?![A-Za-z0-9])", re.IGNORECASE)
                text = whole.sub(self._replace(kind, replacement, file), text)
        return text

    def name(self, name: str) -> str:
        """A file's or folder's path, scrubbed, its accents in the form that every system writes (NFC)."""
        parts = unicodedata.normalize("NFC", name).split("/")
        return "/".join(self.text(part, file="names of files") for part in parts)

    def quietly(self, text: str) -> str:
        """The text scrubbed, without putting it on the record."""
        return Scrubber(words=self.words, keep=self.keep).text(text, file="")

    def took_out(self, what: str, *, file: str, kind: str) -> None:
        """Put on the record what was taken out of a file by other means."""
        self._note(Scrubbed(file=file, kind=kind, text=what))

    def keeps(self, text: str) -> bool:
        """True for a text that is to stay."""
        return any(text.casefold().startswith(kept.casefold()) for kept in self.keep)

    def _replace(self, kind: str, replacement: str, file: str) -> Callable[[re.Match], str]:
        def by(match: re.Match) -> str:
            groups = match.groupdict()
            secret, before = groups.get("secret", match[0]), groups.get("before", "")
            if self.keeps(secret):
                self.kept[file, secret] = kind
                return match[0]
            self._note(Scrubbed(file=file, kind=kind, text=secret, replaced_by=replacement))
            return before + replacement

        return by

    def _note(self, one: Scrubbed) -> None:
        for k, old in enumerate(self.found):
            if (old.file, old.kind, old.text, old.replaced_by) == (one.file, one.kind, one.text, one.replaced_by):
                self.found[k] = Scrubbed(**{**vars(old), "count": old.count + one.count})
                return
        self.found.append(one)
