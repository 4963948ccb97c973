"""Making a parcel: runs and notebooks copied without what is personal, analysed, bagged, packed, and opened once."""

from __future__ import annotations

import fnmatch
import json
import os
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date
from pathlib import Path

from labkit.base import LogFormatError
from labkit.runs.runfolder import RUN_FILE
from labkit.runs.share.bag import checksums, tag_files
from labkit.runs.share.parcel import CONTENTS, NOTEBOOKS, RUNS, Parcel, check_licence, contents_of, open_parcel
from labkit.runs.share.parcel_safety import Limits, check_names
from labkit.runs.share.results import RESULTS_FILE
from labkit.runs.share.scrub import Scrubber, personal_words
from labkit.runs.share.scrub_files import LeftOutError, clean_copy, clean_strings

__all__ = ["make_parcel"]

Progress = Callable[[str, int, int], None]

_PACKED_ALREADY = (".gz", ".png", ".jpg", ".jpeg", ".npz", ".mkv", ".mp4", ".mov", ".webm")
_NO_TIME = (1980, 1, 1, 0, 0, 0)  # of every entry: times of files are the builder's own


def make_parcel(
    runs: Sequence[Path],
    target: Path,
    *,
    licence: str,
    results: Callable[[Path], str],
    software: Mapping[str, str],
    notebooks: Sequence[Path] = (),
    scrub: Iterable[str] = (),
    keep: Sequence[str] = (),
    limits: Limits | None = None,
    progress: Progress | None = None,
) -> Parcel:
    """Make a parcel of runs and notebooks.

    The results are computed from the scrubbed copies, so what is sent is what gives them; then the parcel is opened
    once as a stranger would open it, and only then gets its name.

    Parameters
    ----------
    runs : sequence of Path
        Folders with a ``run.toml``.
    target : Path
        The ZIP to make; it must not exist.
    licence : str
        SPDX expression, chosen by the one who shares.
    results : callable
        Text of ``results.json`` for a run's folder.
    software : mapping
        Name → version of what computes the results.
    notebooks : sequence of Path
        Notebooks that go along.
    scrub : iterable of str
        Texts to scrub beside the names of this account and computer.
    keep : sequence of str
        Texts that are not scrubbed, and patterns of files that are copied as they are.
    limits : Limits, optional
        The most that a parcel may hold.
    progress : callable, optional
        Called with (what, done, total).
    """
    licence, target, limits = check_licence(licence), Path(target), limits or Limits()
    if target.suffix.lower() != ".zip" or os.path.lexists(target) or not target.resolve().parent.is_dir():
        raise ValueError(
            f"{target} is there already, or does not end in .zip, or has no folder above it; name a new file ending "
            "in .zip in an existing folder"
        )
    scrubber = Scrubber(words=personal_words(scrub), keep=tuple(keep))
    left_out: dict[str, str] = {}
    tell = progress or (lambda what, done, total: None)
    with tempfile.TemporaryDirectory(prefix="parcel-") as staged:
        bag = Path(staged) / "bag"
        names = [_stage_run(run, bag, scrubber, left_out, tell) for run in runs]
        for k, name in enumerate(names):
            tell(f"analysing {name}", k, len(names))
            found = json.loads(results(bag / RUNS / name))
            _write_json(bag / RUNS / name / RESULTS_FILE, clean_strings(found, file=RESULTS_FILE, scrubber=scrubber))
        books = [_stage_notebook(path, bag, scrubber) for path in notebooks]
        parcel = Parcel(
            path=target,
            licence=licence,
            made=date.today().isoformat(),
            software=dict(software),
            runs=tuple(names),
            notebooks=tuple(books),
            scrubbed=tuple(scrubber.found),
            kept={f"{file}: {text}": kind for (file, text), kind in scrubber.kept.items()},
            left_out=left_out,
        )
        _write_json(bag / CONTENTS, contents_of(parcel))
        tell("packing", 0, 1)
        _pack(bag, target, parcel, limits)
        tell("packed", 1, 1)
    return parcel


def _stage_run(run: Path, bag: Path, scrubber: Scrubber, left_out: dict[str, str], tell: Progress) -> str:
    """Copy a run's folder, cleaned; returns its name in the parcel."""
    run = Path(run)
    if not (run / RUN_FILE).is_file():
        raise LogFormatError(
            str(run),
            found=f"no {RUN_FILE} in it",
            expected="a run's folder: a parcel must say by itself what was tested and how its logs are read",
            cure="make one with `labkit new-run`, put the logs into it and fill it in",
        )
    name = scrubber.name(run.resolve().name)
    home = bag / RUNS / name
    if home.exists():
        raise ValueError(f"two runs would be called {name!r} in the parcel; rename one of the folders")
    home.mkdir(parents=True)
    files = [path for path in _files_of(run) if path.relative_to(run).as_posix() != RESULTS_FILE]
    for done, path in enumerate(files):
        tell(f"copying {name}", done, len(files))
        file = path.relative_to(run).as_posix()
        shown, target = f"{name}/{scrubber.name(file)}", home / scrubber.name(file)
        if target.exists():
            raise ValueError(f"two files would be called {shown!r} in the parcel; rename one of them")
        check_names([shown], parcel=name)
        target.parent.mkdir(parents=True, exist_ok=True)
        _stage_file(path, target, shown, scrubber, left_out)
    return name


def _files_of(folder: Path) -> Iterator[Path]:
    """Files of a folder and its folders, sorted; what is hidden stays where it is."""
    for path in sorted(folder.iterdir()):
        if path.name.startswith((".", "~", "__")):
            continue
        if path.is_dir() and not path.is_symlink():
            yield from _files_of(path)
        else:
            yield path


def _stage_file(source: Path, target: Path, name: str, scrubber: Scrubber, left_out: dict[str, str]) -> None:
    file = name.split("/", 1)[1]
    if source.is_symlink() or not source.is_file():
        left_out[name] = "it is a link or no file"
    elif any(fnmatch.fnmatch(file, pattern) or fnmatch.fnmatch(target.name, pattern) for pattern in scrubber.keep):
        shutil.copyfile(source, target)
        scrubber.kept[name, "the whole file"] = "kept as it is, not looked into"
    else:
        try:
            clean_copy(source, target, name=name, scrubber=scrubber)
        except LeftOutError as why:
            target.unlink(missing_ok=True)
            left_out[name] = scrubber.quietly(str(why))


def _stage_notebook(path: Path, bag: Path, scrubber: Scrubber) -> str:
    path = Path(path)
    name = scrubber.name(path.name)
    target = bag / NOTEBOOKS / name
    if path.suffix != ".ipynb" or target.exists():
        raise ValueError(f"{path} is no notebook (.ipynb), or a second one of that name; rename it or leave it out")
    check_names([name], parcel=name)
    target.parent.mkdir(parents=True, exist_ok=True)
    clean_copy(path, target, name=f"notebooks/{name}", scrubber=scrubber)
    return name


def _write_json(path: Path, content: object) -> None:
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text, encoding="utf-8", newline="\n")


def _pack(bag: Path, target: Path, parcel: Parcel, limits: Limits) -> None:
    """Write the ZIP under a passing name, open it as a stranger would, then give it its name."""
    payload = {path.relative_to(bag).as_posix(): path for path in _files_of(bag)}
    sums = {}
    for name, path in payload.items():
        with path.open("rb") as stream:
            sums[name] = checksums(stream)
    fields = {
        "Bagging-Date": parcel.made,
        "Bag-Software-Agent": ", ".join(f"{name} {version}" for name, version in list(parcel.software.items())[:1]),
        "External-Description": f"{len(parcel.runs)} vibration run(s) with results, licence {parcel.licence}",
    }
    with tempfile.TemporaryDirectory(prefix=".parcel-", dir=target.parent) as passing:
        written = Path(passing) / target.name
        with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
            for name, content in tag_files(sums, fields).items():
                archive.writestr(_entry(f"{target.stem}/{name}"), content)
            for name, path in payload.items():
                with path.open("rb") as source, archive.open(_entry(f"{target.stem}/{name}", path), "w") as packed:
                    shutil.copyfileobj(source, packed, 1 << 20)
        open_parcel(written, Path(passing) / "opened", limits=limits)
        if target.exists():
            raise ValueError(f"{target} has appeared meanwhile; name another file")
        os.rename(written, target)


def _entry(name: str, path: Path | None = None) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _NO_TIME)
    entry.external_attr = 0o100644 << 16
    entry.compress_type = zipfile.ZIP_DEFLATED
    if path is not None:
        entry.file_size = path.stat().st_size
        if path.suffix in _PACKED_ALREADY or _packs_like_a_bomb(path):
            entry.compress_type = zipfile.ZIP_STORED
    return entry


def _packs_like_a_bomb(path: Path) -> bool:
    """True for a large file of almost nothing (a dead channel) that an opener would refuse if it were packed."""
    if path.stat().st_size <= Limits.ratio_from_bytes:
        return False
    packer, packed = zlib.compressobj(1), 0
    with path.open("rb") as stream:
        while block := stream.read(1 << 20):
            packed += len(packer.compress(block))
    return path.stat().st_size > Limits.ratio / 4 * (packed + len(packer.flush()))
