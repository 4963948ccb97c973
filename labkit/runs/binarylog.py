"""Logs that are not text: WAV, NPY, NPZ, Parquet and UFF dataset 58.

No file makes the reader take more memory than `MOST_UNPACKED` times its own size, once that is above `FREE_BYTES`.
"""

from __future__ import annotations

import math
import re
import struct
import tokenize
import warnings
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pandas as pd
from pyarrow import parquet, types
from scipy.io import wavfile

from labkit.base import LogFormatError
from labkit.runs.arraylog import DATES, NUMBERS, ArrayLog, damaged
from labkit.runs.columns import Column, Stated, parse_title, stated_facts
from labkit.runs.table import FREE_BYTES, MOST_UNPACKED, unpacks_too_far
from labkit.runs.ufflog import read_uff

__all__ = ["binary_log"]

_UFF_START = re.compile(rb"\s*^    -1 *\r?\n {0,4}\d{2,5}", re.MULTILINE)
# What readers raise when a file is not what it says; each of them was met with damaged files.
_READ_ERRORS = (ValueError, TypeError, OSError, EOFError, MemoryError, ArithmeticError, LookupError, struct.error)
_HEADER_ERRORS = (SyntaxError, tokenize.TokenError)  # an NPY header is a Python literal


def binary_log(path: Path, *, head: bytes) -> ArrayLog | None:
    """Open a log by what its first bytes say, or return None when it is none of these formats.

    Raises
    ------
    LogFormatError
        When the file is damaged or holds no columns of numbers.
    """
    if head[:4] in (b"RIFF", b"RIFX", b"RF64"):
        return _read_wav(path, head)
    if head.startswith(b"\x93NUMPY"):
        return _from_arrays(path, {"": _load_npy(path)}, titled=False)
    if head.startswith(b"PK"):
        return _read_npz(path)
    if head.startswith(b"PAR1"):
        return _read_parquet(path)
    if _UFF_START.match(head):
        return read_uff(path)
    return None


# ----------------------------------------------------------------------------------------------------- WAV
def _read_wav(path: Path, head: bytes) -> ArrayLog:
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            rate, data = wavfile.read(path)
    except (*_READ_ERRORS, UnboundLocalError) as error:
        raise damaged(path, "WAV", error) from error
    if data.dtype.kind not in "iuf" or rate <= 0 or not data.size:
        raise damaged(path, "WAV", f"{data.size} values of {data.dtype} at {rate} Hz")
    data = data.reshape(len(data), -1)
    if data.dtype == np.uint8:
        data = data.astype(np.int16) - 128
    if _wav_bits(head) == 24 and data.dtype == np.int32:
        data = data >> 8  # 24-bit samples come in the upper three bytes
    columns = tuple(Column(position=i, name=f"channel {i + 1}", title=f"channel {i + 1}") for i in range(data.shape[1]))
    return ArrayLog(
        file=str(path),
        columns=columns,
        arrays=tuple(data.T),
        stated=Stated(rate_hz=float(rate)),
        raw=data.dtype.kind != "f",
        notes=tuple(f"WAV: {warning.message}" for warning in caught),
    )


def _wav_bits(head: bytes) -> int:
    at = head.find(b"fmt ")
    order = ">" if head.startswith(b"RIFX") else "<"
    return struct.unpack_from(order + "H", head, at + 22)[0] if 0 <= at <= len(head) - 24 else 0


# ------------------------------------------------------------------------------------------------ NPY, NPZ
def _load_npy(path: Path) -> np.ndarray:
    try:  # mapped, so that a header that promises too much fails before memory is taken
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # on headers in an old style of writing
            array = np.load(path, mmap_mode="r", allow_pickle=False)
    except (*_READ_ERRORS, *_HEADER_ERRORS) as error:
        raise damaged(path, "NPY", error) from error
    if not array.dtype.itemsize:
        raise damaged(path, "NPY", f"values of {array.dtype}, which have no size")
    return array


def _read_npz(path: Path) -> ArrayLog:
    try:
        with zipfile.ZipFile(path) as archive, np.load(path, allow_pickle=False) as loaded:
            sizes = {info.filename.removesuffix(".npy"): info.file_size for info in archive.infolist()}
            _check_unpacked(path, sum(sizes.values()))
            arrays = {name: _npz_member(archive, loaded, name, sizes[name]) for name in loaded.files}
    except LogFormatError:
        raise
    except (*_READ_ERRORS, *_HEADER_ERRORS, zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError) as error:
        raise damaged(path, "NPZ", error) from error
    return _from_arrays(path, arrays, titled=True)


def _npz_member(archive: zipfile.ZipFile, loaded: Mapping[str, np.ndarray], name: str, size: int) -> np.ndarray:
    member = name + ".npy" if name + ".npy" in archive.namelist() else name
    with archive.open(member) as stream:
        version = np.lib.format.read_magic(stream)
        read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        shape, _, dtype = read(stream)
    if math.prod(shape) * max(dtype.itemsize, 1) > size:
        raise ValueError(f"the array {name!r} promises more than the file holds")
    return loaded[name]


def _from_arrays(path: Path, arrays: Mapping[str, np.ndarray], *, titled: bool) -> ArrayLog:
    """Columns from arrays; scalars and texts are remarks ("sample_rate_hz", "units")."""
    remarks, named = [], {}
    for name, array in arrays.items():
        if (
            array.dtype.kind in "US"
            or (array.ndim == 0 and array.dtype.kind in "iuf")
            or (array.size == 1 and array.dtype.kind in "iuf" and len(arrays) > 1)
        ):
            texts = [t.decode("latin-1") if isinstance(t, bytes) else str(t) for t in np.ravel(array).tolist()]
            remarks.append(f"{name.replace('_hz', ' (hz)').replace('_', ' ')}: {', '.join(texts)}")
            continue
        named |= _split(path, name, array)
    if not named:
        raise damaged(path, "NumPy", "no columns of numbers")
    lengths = {len(array) for array in named.values()}
    if len(lengths) > 1:
        raise LogFormatError(
            str(path),
            found="arrays of different lengths: " + ", ".join(f"{k} {len(v)}" for k, v in named.items()),
            expected="columns of one length",
            cure="save the log's columns in a file of their own",
        )
    columns = tuple(parse_title(name, position=i) for i, name in enumerate(named))
    stated = stated_facts(enumerate(remarks, start=1), file=str(path))
    return ArrayLog(
        file=str(path),
        columns=columns,
        arrays=tuple(named.values()),
        stated=stated,
        has_titles=titled,
    )


def _check_unpacked(path: Path, n_bytes: int) -> None:
    if unpacks_too_far(n_bytes, path.stat().st_size):
        raise LogFormatError(
            str(path),
            found=f"{n_bytes} bytes packed into {path.stat().st_size}",
            expected=f"at most {MOST_UNPACKED} times the size of the file, or {FREE_BYTES >> 20} MiB",
            cure="if you trust the file, save it again without compression",
        )


def _split(path: Path, name: str, array: np.ndarray) -> dict[str, np.ndarray]:
    """One named column per row of samples: fields of a structured array, or the shorter axis of a 2-D one."""
    if array.dtype.names:
        return _fields(np.ravel(array))
    if array.dtype.kind not in NUMBERS + DATES or array.ndim not in (1, 2) or array.size == 0:
        raise damaged(path, "NumPy", f"{array.ndim}-dimensional array of {array.dtype}, shape {array.shape}")
    if array.ndim == 1:
        return {name: array}
    if array.shape[0] == array.shape[1]:
        raise LogFormatError(
            str(path),
            found=f"an array of shape {array.shape}",
            expected="more samples than channels",
            cure="save each channel under its own name in an NPZ file",
        )
    rows = array if array.shape[0] < array.shape[1] else array.T
    return {(f"{name}_{i}" if name else f"column {i + 1}"): row for i, row in enumerate(rows)}


def _fields(array: np.ndarray) -> dict[str, np.ndarray]:
    """One column a field; a field that holds several numbers gives as many."""
    columns = {}
    for name in array.dtype.names:
        field = array[name]
        several = field.reshape(len(field), -1).T if field.size and field.ndim > 1 else None
        columns |= {name: field} if several is None else {f"{name}_{i}": one for i, one in enumerate(several)}
    return columns


# ------------------------------------------------------------------------------------------------- Parquet
def _read_parquet(path: Path) -> ArrayLog:
    try:
        with path.open("rb") as stream:  # a name need not be UTF-8
            stated = parquet.read_metadata(stream)
            _check_unpacked(path, 8 * stated.num_rows * max(stated.num_columns, 1))
            frame, left = _numbers_of(stated, stream)
    except LogFormatError:
        raise
    except (*_READ_ERRORS, NotImplementedError) as error:
        raise damaged(path, "Parquet", error) from error
    arrays = {}
    for name in frame.columns:
        series = frame[name]
        if isinstance(series.dtype, pd.DatetimeTZDtype):
            series = series.dt.tz_convert("UTC").dt.tz_localize(None)
        array = series.to_numpy()
        if array.dtype.kind in "iufbmM":
            arrays[str(name)] = array
    left += [name for name in frame.columns if str(name) not in arrays]
    if not arrays:
        raise damaged(path, "Parquet", "no columns of numbers")
    return ArrayLog(
        file=str(path),
        columns=tuple(parse_title(name, position=i) for i, name in enumerate(arrays)),
        arrays=tuple(arrays.values()),
        notes=tuple(f"not read: no numbers ({name})" for name in left),
    )


def _numbers_of(stated: parquet.FileMetaData, stream: BinaryIO) -> tuple[pd.DataFrame, list[str]]:
    """Columns of numbers and of dates, and the names of the others, which are not unpacked."""
    fields = [field for field in stated.schema.to_arrow_schema() if not _is_row_number(field)]
    wanted = [field.name for field in fields if types.is_primitive(field.type)]
    table = parquet.read_table(stream, columns=wanted)
    left = [field.name for field in fields if not types.is_primitive(field.type)]
    return table.to_pandas(ignore_metadata=True, date_as_object=False), left


def _is_row_number(field: object) -> bool:
    """True for what was the index of a table and has no name."""
    return field.name.startswith("__index_level_") and not types.is_temporal(field.type)
