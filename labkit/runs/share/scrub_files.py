"""Copies of files without what is nobody's business: text, JSON, notebooks, pictures, clips, packed and binary logs.

A file whose format allows it is cleaned; one that can only be looked through (binary logs) is copied when nothing
personal is found in it; a kind that nobody here can look into is left out. The numbers of a log are never touched.
"""

from __future__ import annotations

import base64
import gzip
import json
import mmap
import re
import shutil
import struct
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

import tifffile

from labkit.runs.share.scrub import Scrubber
from labkit.runs.share.scrub_clips import CLIPS, clean_clip

__all__ = ["LeftOutError", "clean_copy", "clean_notebook", "clean_strings", "suffix_of"]


class LeftOutError(ValueError):
    """A file that does not go into a parcel, and why."""


def suffix_of(name: str) -> str:
    """Ending that tells the kind of a file, in lower case; ``.csv.gz`` counts as one."""
    parts = name.lower().rsplit("/", 1)[-1].split(".")
    return "." + ".".join(parts[-2:] if parts[-1] == "gz" and len(parts) > 2 else parts[-1:]) if len(parts) > 1 else ""


def clean_copy(source: Path, target: Path, *, name: str, scrubber: Scrubber) -> None:
    """Copy a file without what is personal in it.

    Parameters
    ----------
    source, target : Path
        The file and where its copy goes.
    name : str
        How it is called on the record, and what tells its kind.
    scrubber : Scrubber
        Finds and replaces.

    Raises
    ------
    LeftOutError
        When the file cannot be cleaned or looked through.
    """
    suffix = suffix_of(name)
    if suffix.endswith(".gz") and suffix.removesuffix(".gz") in _TEXT:
        _clean_packed(source, target, name, scrubber)
    elif suffix in _CLEANERS:
        try:
            target.write_bytes(_CLEANERS[suffix](source.read_bytes(), name, scrubber))
        except (struct.error, ValueError, RecursionError) as error:
            raise LeftOutError(f"it is no sound {suffix} file ({error})") from error
    elif suffix in _TEXT and not _is_binary(source):
        with source.open("rb") as lines, target.open("wb") as out:
            _clean_lines(lines, out, name, scrubber)
    elif suffix in _TIFF:
        _clean_tiff(source, target, name, scrubber)
    elif suffix in CLIPS:
        _clean_clip(source, target, name, scrubber)
    elif suffix in _BINARY | _TEXT:
        _look_through(source, scrubber)
        shutil.copyfile(source, target)
    else:
        raise LeftOutError(f"{suffix or 'a file without ending'} is a kind that cannot be looked through")


# ----------------------------------------------------------------------------------------------------- text
_TEXT = frozenset([".csv", ".tsv", ".txt", ".dat", ".asc", ".log", ".md", ".toml", ".uff", ".unv", ".u58"])
_BINARY = frozenset([".npy", ".npz", ".parquet"])
_TIFF = frozenset([".tif", ".tiff"])
_NUMBERS = re.compile(rb"[-+0-9.,;eE \t\r\n]*")
_MARKS = ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


def _is_binary(path: Path) -> bool:
    with path.open("rb") as stream:
        head = stream.read(4096)
    return b"\0" in head and not any(head.startswith(mark) for mark, _ in _MARKS)


def _clean_packed(source: Path, target: Path, name: str, scrubber: Scrubber) -> None:
    """Clean gzipped text; the new gzip header has no name and no time, which are the builder's own otherwise."""
    try:
        with (
            gzip.open(source, "rb") as lines,
            target.open("wb") as packed,
            gzip.GzipFile(filename="", mode="wb", fileobj=packed, mtime=0) as out,
        ):
            _clean_lines(lines, out, name, scrubber)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise LeftOutError(f"it is no sound gzip file ({error})") from error


def _clean_lines(lines: BinaryIO, out: BinaryIO, name: str, scrubber: Scrubber) -> None:
    """Copy text line by line; lines of bare numbers go through as they are, other bytes stay what they were."""
    head = lines.peek(2)[:2] if hasattr(lines, "peek") else b""
    for mark, encoding in _MARKS:
        if head.startswith(mark):
            out.write(scrubber.text(lines.read().decode(encoding), file=name).encode(encoding))
            return
    for line in lines:
        if not _NUMBERS.fullmatch(line):
            text = line.decode("utf-8", "surrogateescape")
            line = scrubber.text(text, file=name).encode("utf-8", "surrogateescape")
        out.write(line)


def clean_strings(value: object, *, file: str, scrubber: Scrubber) -> object:
    """JSON-like data with every string, keys included, scrubbed.

    Parameters
    ----------
    value : object
        Dictionaries, lists, strings and plain values.
    file : str
        How the file is called on the record.
    scrubber : Scrubber
        Finds and replaces.
    """
    if isinstance(value, str):
        return scrubber.text(value, file=file)
    if isinstance(value, list):
        return [clean_strings(one, file=file, scrubber=scrubber) for one in value]
    if isinstance(value, dict):
        return _clean_dict(value, file, scrubber)
    return value


def _clean_dict(value: dict, file: str, scrubber: Scrubber) -> dict:
    cleaned: dict[str, object] = {}
    for key, one in value.items():
        one = clean_strings(one, file=file, scrubber=scrubber)
        one = "SERIAL" if _tells_serial(key, one, file, scrubber) else one
        name, number = scrubber.text(key, file=file), 2
        while name in cleaned:  # two keys that differed in what was replaced
            name, number = f"{scrubber.text(key, file=file)} ({number})", number + 1
        cleaned[name] = one
    return cleaned


def _tells_serial(key: str, value: object, file: str, scrubber: Scrubber) -> bool:
    """True for a value whose key alone says that it is a serial number."""
    told = re.fullmatch(r"(?i)(.*[_ -])?(serial|serial[_ -]?(number|no|num|id)|s/?n)", key)
    if not told or isinstance(value, dict | list | bool) or value in (None, "", "SERIAL") or scrubber.keeps(str(value)):
        return False
    scrubber.took_out(str(value), file=file, kind="serial number")
    return True


def _clean_json(content: bytes, name: str, scrubber: Scrubber) -> bytes:
    cleaned = clean_strings(json.loads(content.decode("utf-8-sig")), file=name, scrubber=scrubber)
    return json.dumps(cleaned, indent=1, ensure_ascii=False).encode()


# ------------------------------------------------------------------------------------------------ notebooks
_PICTURES = ("image/png", "image/jpeg")
_KEPT_OUTPUTS = ("text/plain", *_PICTURES)
_INLINE = re.compile(r"data:(image/png|image/jpeg);base64,([A-Za-z0-9+/=]+)")


def clean_notebook(content: bytes, *, name: str, scrubber: Scrubber) -> bytes:
    """A notebook without personal text, without metadata, and with outputs that cannot run: text and pictures.

    Parameters
    ----------
    content : bytes
        The notebook (nbformat 4, JSON).
    name : str
        How it is called on the record.
    scrubber : Scrubber
        Finds and replaces.
    """
    book = json.loads(content.decode("utf-8-sig"))
    if not isinstance(book, dict) or book.get("nbformat") != 4 or not isinstance(book.get("cells"), list):
        raise LeftOutError("it is no notebook of nbformat 4; open and save it with a current Jupyter")
    dropped = sorted(set(book.get("metadata", {})) - {"kernelspec", "language_info"})
    if dropped:
        scrubber.took_out(", ".join(dropped), file=name, kind="notebook metadata")
    return json.dumps(
        {
            "cells": [_clean_cell(cell, name, scrubber) for cell in book["cells"]],
            "metadata": {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}},
            "nbformat": 4,
            "nbformat_minor": book.get("nbformat_minor", 5),
        },
        indent=1,
        ensure_ascii=False,
    ).encode()


def _clean_cell(cell: dict, name: str, scrubber: Scrubber) -> dict:
    kept = {key: cell[key] for key in ("cell_type", "id", "execution_count") if key in cell}
    kept["metadata"] = {}
    kept["source"] = scrubber.text(_joined(cell.get("source", "")), file=name)
    if cell.get("attachments"):
        kept["attachments"] = {k: _clean_bundle(v, name, scrubber) for k, v in cell["attachments"].items()}
    if cell.get("cell_type") == "code":
        kept["outputs"] = [one for one in (_clean_output(o, name, scrubber) for o in cell.get("outputs", [])) if one]
    return kept


def _clean_output(output: dict, name: str, scrubber: Scrubber) -> dict | None:
    kind = output.get("output_type")
    if kind == "stream":
        text = scrubber.text(_joined(output.get("text", "")), file=name)
        return {"output_type": kind, "name": output.get("name", "stdout"), "text": text}
    if kind == "error":
        texts = {key: scrubber.text(str(output.get(key, "")), file=name) for key in ("ename", "evalue")}
        trace = [scrubber.text(str(line), file=name) for line in output.get("traceback", [])]
        return {"output_type": kind, **texts, "traceback": trace}
    data = _clean_bundle(output.get("data", {}), name, scrubber)
    counted = {"execution_count": output.get("execution_count")} if kind == "execute_result" else {}
    return {"output_type": kind, "data": data, "metadata": {}, **counted} if data else None


def _clean_bundle(data: dict, name: str, scrubber: Scrubber) -> dict:
    """What an output shows, as text and pictures; markup, script and widgets are dropped."""
    bundle = {kind: _joined(data[kind]) for kind in _KEPT_OUTPUTS if kind in data}
    inside = _INLINE.findall(_joined(data.get("text/html", "")))
    if len(inside) == 1 and not set(_PICTURES) & bundle.keys():  # markup around one picture: the picture is enough
        bundle[inside[0][0]] = inside[0][1]
    elif set(data) - set(_KEPT_OUTPUTS):
        what = ", ".join(sorted(set(data) - set(_KEPT_OUTPUTS)))
        scrubber.took_out(what, file=name, kind="notebook output that could run")
    if "text/plain" in bundle:
        bundle["text/plain"] = scrubber.text(_INLINE.sub("PICTURE", bundle["text/plain"]), file=name)
    for kind, clean in (("image/png", _clean_png), ("image/jpeg", _clean_jpeg)):
        if kind in bundle:
            pixels = clean(base64.b64decode(bundle[kind]), name, scrubber)
            bundle[kind] = base64.b64encode(pixels).decode("ascii")
    return bundle


def _joined(text: str | list[str]) -> str:
    return text if isinstance(text, str) else "".join(map(str, text))


# ------------------------------------------------------------------------------------------------- pictures
_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_KEPT = frozenset([b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"sBIT", b"pHYs", b"bKGD"])
_JPEG_DROPPED = {*range(0xE1, 0xF0), 0xFE} - {0xE2, 0xEE}  # applications and comments, but colour profile and transform


def _clean_png(content: bytes, name: str, scrubber: Scrubber) -> bytes:
    """A PNG with its pixels as they are and without text, EXIF and times (PNG specification, 3rd edition)."""
    if not content.startswith(_PNG):
        raise ValueError("no PNG signature")
    kept = [_PNG]
    for kind, chunk in _png_chunks(content):
        if kind[:1].isupper() or kind in _PNG_KEPT:
            kept.append(chunk)
        else:
            scrubber.took_out(kind.decode("latin-1"), file=name, kind="picture metadata")
    return b"".join(kept)


def _png_chunks(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = len(_PNG)
    while at < len(content):
        size, kind = struct.unpack_from(">I4s", content, at)
        end = at + 12 + size
        if end > len(content):
            raise ValueError("a chunk is cut off")
        yield kind, content[at:end]
        if kind == b"IEND":
            return
        at = end
    raise ValueError("the last chunk is missing")


def _clean_jpeg(content: bytes, name: str, scrubber: Scrubber) -> bytes:
    """A JPEG with its pixels as they are and without EXIF, XMP, comments and the like (ISO/IEC 10918-1, B.1.1)."""
    if not content.startswith(b"\xff\xd8"):
        raise ValueError("no JPEG signature")
    kept, at = [b"\xff\xd8"], 2
    while True:
        mark, kind, size = struct.unpack_from(">BBH", content, at)
        if mark != 0xFF:
            raise ValueError("a segment without its marker")
        if kind == 0xDA:  # the scan: pixels to the end of the picture; what follows that is no picture
            end = content.rindex(b"\xff\xd9") + 2
            return b"".join([*kept, content[at:end]])
        if kind in _JPEG_DROPPED:
            scrubber.took_out(f"segment {kind:02X}", file=name, kind="picture metadata")
        else:
            kept.append(content[at : at + 2 + size])
        at += 2 + size


def _clean_tiff(source: Path, target: Path, name: str, scrubber: Scrubber) -> None:
    """A TIFF stack written anew from its pixels: nothing else comes along."""
    try:
        with tifffile.TiffFile(source) as file:
            tags = sorted({tag.name for page in file.pages for tag in page.tags} - _TIFF_STRUCTURE)
            colour = str(file.pages[0].photometric.name).lower()
            pixels = file.asarray()
        tifffile.imwrite(target, pixels, photometric=colour, metadata=None, software="")
    except (tifffile.TiffFileError, ValueError, KeyError, IndexError, TypeError, OSError) as error:
        raise LeftOutError(f"its pixels cannot be read ({error})") from error
    if tags:
        scrubber.took_out(", ".join(tags), file=name, kind="picture metadata")


def _clean_clip(source: Path, target: Path, name: str, scrubber: Scrubber) -> None:
    try:
        left = clean_clip(source, target, kind=suffix_of(name))
    except ValueError as error:
        raise LeftOutError(str(error)) from error
    if left:
        scrubber.took_out(", ".join(left), file=name, kind="clip metadata")


# fmt: off
_TIFF_STRUCTURE = frozenset([
    "NewSubfileType", "ImageWidth", "ImageLength", "BitsPerSample", "Compression", "PhotometricInterpretation",
    "StripOffsets", "SamplesPerPixel", "RowsPerStrip", "StripByteCounts", "XResolution", "YResolution",
    "ResolutionUnit", "PlanarConfiguration", "SampleFormat", "Predictor", "TileWidth", "TileLength",
    "TileOffsets", "TileByteCounts", "ExtraSamples", "FillOrder", "Orientation",
])
# fmt: on


# ---------------------------------------------------------------------------------------------- binary logs
_WAV_KEPT = frozenset([b"fmt ", b"fact", b"data"])


def _clean_wav(content: bytes, name: str, scrubber: Scrubber) -> bytes:
    """A WAV with its format and samples and without its other chunks, which hold names, places and times."""
    if content[:4] != b"RIFF" or content[8:12] != b"WAVE":
        raise ValueError("no RIFF/WAVE header")
    kept, at = [], 12
    while at + 8 <= len(content):
        kind, size = struct.unpack_from("<4sI", content, at)
        if kind in _WAV_KEPT:
            kept.append(content[at : at + 8 + size + size % 2])
        else:
            scrubber.took_out(kind.decode("latin-1").strip(), file=name, kind="sound file metadata")
        at += 8 + size + size % 2
    body = b"WAVE" + b"".join(kept)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _look_through(source: Path, scrubber: Scrubber) -> None:
    """Refuse a binary file in which a personal word or a home folder can be read."""
    words = [word for word in scrubber.words if len(word) > 3 and not scrubber.keeps(word)]
    texts = [re.escape(word.encode(code)) for word in words for code in ("utf-8", "utf-16-le")]
    pattern = b"|".join([rb"[A-Za-z]:\\+Users\\+\w", rb"/(?:home|Users)/\w", *texts])
    if source.stat().st_size == 0:
        raise LeftOutError("it is empty")
    with source.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content:
        found = re.search(pattern, content, flags=re.IGNORECASE)
        at = found.start() if found else None
        del found  # it holds on to the map
    if at is not None:
        raise LeftOutError(
            f"something personal can be read in it at byte {at}, and a binary file of this kind cannot be "
            "cleaned: export it as CSV, or keep it as it is"
        )


_CLEANERS: dict[str, Callable[[bytes, str, Scrubber], bytes]] = {
    ".json": _clean_json,
    ".ipynb": lambda content, name, scrubber: clean_notebook(content, name=name, scrubber=scrubber),
    ".png": _clean_png,
    ".jpg": _clean_jpeg,
    ".jpeg": _clean_jpeg,
    ".wav": _clean_wav,
}
