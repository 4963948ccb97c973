"""The few tag files of a BagIt bag (RFC 8493), written and verified.

A bag is a folder: the payload under ``data/``, manifests with the checksum of every payload file, a declaration, and
manifests of these tag files themselves. Own code, since the usual library bags in place, moves the payload of the
folder it is given, and warns on Python 3.13; the tests validate our bags with it.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import BinaryIO

from labkit.runs.share.parcel_safety import ParcelRefusedError

__all__ = ["ALGORITHMS", "PAYLOAD", "Checksums", "bag_info", "checksums", "read_manifest", "tag_files", "verify_bag"]

PAYLOAD = "data/"
#: RFC 8493, 2.4: sha512 should, sha256 must be supported.
ALGORITHMS = ("sha256", "sha512")
_DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_BLOCK = 1 << 20
_LINE = re.compile(r"([0-9a-fA-F]+)[ \t]+\*?(\S.*)")
_AGAIN = "copy or download it again; if that does not help, ask the sender for a new one"


@dataclass(frozen=True, kw_only=True)
class Checksums:
    """Checksums of one file.

    Parameters
    ----------
    size : int
        Bytes.
    sha256, sha512 : str
        Hexadecimal digests.
    """

    size: int
    sha256: str
    sha512: str


def checksums(stream: BinaryIO, *, copy_to: BinaryIO | None = None) -> Checksums:
    """Checksums of all that is left in a stream, which may be copied on the way.

    Parameters
    ----------
    stream : binary file
        What to read.
    copy_to : binary file, optional
        Where to write it.

    Examples
    --------
    >>> import io
    >>> checksums(io.BytesIO(b"abc")).sha256[:16]  # FIPS 180-4 example
    'ba7816bf8f01cfea'
    """
    hashes, size = {name: hashlib.new(name) for name in ALGORITHMS}, 0
    while block := stream.read(_BLOCK):
        size += len(block)
        for one in hashes.values():
            one.update(block)
        if copy_to is not None:
            copy_to.write(block)
    return Checksums(size=size, **{name: one.hexdigest() for name, one in hashes.items()})


def bag_info(fields: Mapping[str, str]) -> str:
    """Text of ``bag-info.txt``; line breaks in a value become blanks (RFC 8493, 2.2.2).

    Parameters
    ----------
    fields : mapping
        Label → value.
    """
    return "".join(f"{label}: {' '.join(str(value).split())}\n" for label, value in fields.items())


def tag_files(payload: Mapping[str, Checksums], fields: Mapping[str, str]) -> dict[str, bytes]:
    """All tag files of a bag: name → contents.

    Parameters
    ----------
    payload : mapping
        Path under ``data/`` (with it) → checksums.
    fields : mapping
        What stands in ``bag-info.txt``; Payload-Oxum is added.
    """
    oxum = f"{sum(one.size for one in payload.values())}.{len(payload)}"
    tags = {
        "bagit.txt": _DECLARATION,
        "bag-info.txt": bag_info({**fields, "Payload-Oxum": oxum}),
        **{f"manifest-{a}.txt": _manifest({p: getattr(c, a) for p, c in payload.items()}) for a in ALGORITHMS},
    }
    contents = {name: text.encode() for name, text in tags.items()}
    for algorithm in ALGORITHMS:
        listed = {name: hashlib.new(algorithm, contents[name]).hexdigest() for name in tags}
        contents[f"tagmanifest-{algorithm}.txt"] = _manifest(listed).encode()
    return contents


def _manifest(digests: Mapping[str, str]) -> str:
    return "".join(f"{digest}  {path}\n" for path, digest in sorted(digests.items()))


# --------------------------------------------------------------------------------------------- verification
_REQUIRED = ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt")
_ALLOWED = {*_REQUIRED, "manifest-sha512.txt", "tagmanifest-sha512.txt"}


def verify_bag(tags: Mapping[str, bytes], payload: Mapping[str, Checksums | None], *, parcel: str) -> None:
    """Refuse a bag whose tag files and payload do not agree in every point.

    Parameters
    ----------
    tags : mapping
        Every file outside ``data/``: name → contents.
    payload : mapping
        Every file under ``data/``: path → checksums; None for one that is listed but not looked into.
    parcel : str
        Name of the parcel, for messages.
    """
    for name in _REQUIRED:
        if name not in tags:
            raise _refused(parcel, name, "the file is missing", "a bag has " + ", ".join(_REQUIRED))
    for name in tags:
        if name not in _ALLOWED:
            what = "a list of files to fetch" if name == "fetch.txt" else "an unexpected file beside the payload"
            raise _refused(parcel, name, what, "a parcel is complete in itself and has no other tag files")
    declared = tags["bagit.txt"].decode("utf-8", "replace").replace("\r\n", "\n")
    if declared not in (_DECLARATION, _DECLARATION.replace("1.0", "0.97")):  # the draft that libraries still write
        raise _refused(parcel, "bagit.txt", "another declaration", "BagIt 1.0 or 0.97 with UTF-8 tag files (RFC 8493)")
    own = {n: checksums(io.BytesIO(content)) for n, content in tags.items() if not n.startswith("tagmanifest-")}
    for algorithm in ALGORITHMS:
        for name, files in ((f"tagmanifest-{algorithm}.txt", own), (f"manifest-{algorithm}.txt", payload)):
            if name in tags:
                _verify(read_manifest(tags[name], name, parcel=parcel), files, algorithm, parcel)
    _verify_oxum(tags["bag-info.txt"], payload, parcel)


def _refused(parcel: str, entry: str, found: str, rule: str) -> ParcelRefusedError:
    return ParcelRefusedError(parcel, entry=entry, found=found, rule=rule, cure=_AGAIN)


def read_manifest(content: bytes, name: str, *, parcel: str) -> dict[str, str]:
    """Path → digest of a manifest, each path once.

    Parameters
    ----------
    content : bytes
        The manifest.
    name, parcel : str
        Its name and that of the parcel, for messages.
    """
    listed: dict[str, str] = {}
    try:
        lines = content.decode("utf-8").splitlines()
    except UnicodeDecodeError as error:
        raise _refused(parcel, name, f"the byte 0x{content[error.start]:02x}", "tag files are UTF-8") from error
    for number, line in enumerate(lines, start=1):
        matched = _LINE.fullmatch(line)
        if matched is None or matched[2] in listed:
            raise _refused(parcel, name, f"line {number} does not fit", "checksum, blanks, path; each path once")
        listed[matched[2]] = matched[1].lower()
    return listed


def _verify(listed: Mapping[str, str], files: Mapping[str, Checksums | None], algorithm: str, parcel: str) -> None:
    for path in listed.keys() - files.keys():
        raise _refused(parcel, path, f"listed with a {algorithm} checksum, but missing", "every listed file is there")
    for path, found in files.items():
        if path not in listed:
            raise _refused(parcel, path, f"no {algorithm} checksum for it", "every file has its checksum")
        if found is not None and getattr(found, algorithm) != listed[path]:
            raise _refused(parcel, path, f"a wrong {algorithm} checksum", "files arrive as they were sent")


def _verify_oxum(content: bytes, payload: Mapping[str, Checksums | None], parcel: str) -> None:
    stated = re.search(rb"^Payload-Oxum:[ \t]*(\S+)", content, flags=re.MULTILINE)
    if stated is None or None in payload.values():
        return
    oxum = f"{sum(one.size for one in payload.values())}.{len(payload)}"
    if stated[1].decode("utf-8", "replace") != oxum:
        raise _refused(parcel, "bag-info.txt", f"Payload-Oxum is not {oxum}", "size and number of files are as stated")
