"""Every reader against files that are not what they say: whole logs in random dress, mutated ones, and raw bytes.

What is promised: a reader gives a well-formed result, or raises `LogFormatError`, `ValueError`, `TypeError` or
`OSError` with the name of the file in the message. Never another exception, never a hang, no row lost in silence.

A small budget by default. ``HYPOTHESIS_PROFILE=thorough pytest tests/test_fuzz_readers.py`` tries fifty times as much
with a seed of its own at each run; ``HYPOTHESIS_PROFILE=<number>`` multiplies the budget by that number.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import math
import os
import signal
import tempfile
import warnings
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import av
import imageio.v3 as iio
import numpy as np
import pandas as pd
import pytest
import pyuff
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from labkit.base import STANDARD_GRAVITY_M_S2 as G
from labkit.base import LogFormatError, find_unit
from labkit.runs import line_bytes, textlog
from labkit.runs.clipfiles import open_clip
from labkit.runs.exposures import read_exposures
from labkit.runs.pictures import StillPicture, read_frame_times_s, read_picture
from labkit.runs.pushfile import read_push_file
from labkit.runs.readers import log_quantities, read_log
from labkit.runs.recording import Recording
from labkit.runs.runfile import facts_of, read_run_file, run_template
from labkit.runs.runfolder import load_run

PROFILE = os.environ.get("HYPOTHESIS_PROFILE", "")
BUDGET = 50 if PROFILE == "thorough" else int(PROFILE) if PROFILE.isdigit() else 1
LONGEST_S = 30.0  # far above what any of these small files takes, on a busy computer too


def budget(examples: int) -> Callable:
    return settings(
        max_examples=examples * BUDGET,
        deadline=None,
        derandomize=BUDGET == 1,  # the same files in every run of the whole suite
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )


# ------------------------------------------------------------------------------------------- what is promised
@contextlib.contextmanager
def time_box() -> Iterator[None]:
    """A hang becomes a failure (where the system has an alarm clock)."""

    def ring(*_: object) -> None:
        raise AssertionError(f"not done within {LONGEST_S} s")

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def tried(read: Callable, path: Path, **how: object) -> object:
    """What a reader gives; None when it refused as it promises to: an error of four kinds that names the file."""
    with time_box():
        try:
            return read(path, **how)
        except (ValueError, TypeError, OSError) as error:
            assert path.name in str(error), f"{type(error).__name__} does not name the file: {error}"
            return None


def check_recording(recording: Recording) -> None:
    """Well-formed, and every row accounted for: in its place, or listed as a problem."""
    clock, problems = recording.meta["clock"], recording.meta["problems"]
    assert recording.n_samples >= 2 and len(recording.channels) == len(recording.values)
    assert not np.isinf(recording.values).any()
    assert math.isfinite(recording.sample_rate_hz * recording.start_s) and recording.sample_rate_hz > 0
    assert (np.diff(recording.time_s) > 0).all() or recording.duration_s < 1e-9 * abs(recording.start_s)
    n_placed = recording.n_samples - clock.n_missing
    listed = {kind: 0 for kind in ("gap", "backward time", "repeated time", "text", "columns", "not a number")}
    for problem in problems:
        assert problem.line >= 1 and problem.samples >= 1 and problem.found
        listed[problem.kind] += problem.samples
    n_listed = sum(listed.values()) - listed["gap"]
    n_left_out = clock.n_rows - n_placed
    assert 0 <= n_left_out <= n_listed, "rows left out in silence"
    assert clock.n_missing <= listed["gap"] + n_left_out, "places without a row in silence"
    n_lost = np.isnan(recording.values).sum(axis=1).max()
    assert n_lost <= clock.n_missing + n_listed, "samples lost in silence"


def check_log(path: Path, **how: object) -> Recording | None:
    """Both ways to read a log; strict reading gives what marking gives without a problem, or nothing."""
    marked, strict = (tried(read_log, path, irregular=way, **how) for way in ("mark", "refuse"))
    if marked is not None:
        check_recording(marked)
    if strict is not None:
        assert marked is not None and marked.meta["problems"] == ()
        assert strict.complete, "a sample lost in strict reading"
        np.testing.assert_array_equal(strict.values, marked.values)
    tried(log_quantities, path)
    return marked


# --------------------------------------------------------------------------------------------- mutated bytes
SPECIAL = [b"\0", b"\xff", b"\xff\xff\xff\xff", b"\0\0\0\x80", b"\x7f\xff\xff\xff", b"\xef\xbb\xbf", b"\xff\xfe"]
SPECIAL += [b"\r", b"\n", b"\r\n", b",", b";", b"\t", b'"', b"-", b"1e999", b"nan", b"9" * 40, b" " * 300, "٣".encode()]


@st.composite
def spoiled(draw: Callable, content: bytes) -> bytes:
    """Bytes overwritten, put in, taken out, doubled, cut off."""
    for _ in range(draw(st.integers(1, 4))):
        at, what = draw(st.integers(0, len(content))), draw(st.sampled_from("owdbct"))
        length = draw(st.integers(1, 64))
        if what == "o":
            put = draw(st.sampled_from(SPECIAL) | st.binary(min_size=1, max_size=8))
            content = content[:at] + put + content[at + len(put) :]
        elif what == "w":
            content = content[:at] + draw(st.sampled_from(SPECIAL)) + content[at:]
        elif what == "d":
            content = content[:at] + content[at + length :]
        elif what == "b":
            content = content[:at] + content[max(0, at - length) :]
        elif what == "t":
            content = content[:at]
        elif at < len(content):
            content = content[:at] + bytes([content[at] ^ (1 << draw(st.integers(0, 7)))]) + content[at + 1 :]
    return content


@contextlib.contextmanager
def a_file(content: bytes, name: str) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        yield path


# ------------------------------------------------------------------------------------------------- text logs
@dataclass(frozen=True, kw_only=True)
class TextLogMade:
    """A log as text, and what must come out of it."""

    titles: list[str]
    rows: list[list[str]]
    separator: str
    values_si: np.ndarray
    rate_hz: float
    start_s: float
    unit_si: str

    def lines(self) -> list[str]:
        return [*self.titles, *(self.separator.join(row) for row in self.rows)]


UNITS = ["m/s^2", "mm/s²", "g", "mg", "µm", "mm", "mm/s", "N", "px"]
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
SEPARATORS = [",", ";", "\t", " ", "  "]


@st.composite
def text_logs(draw: Callable) -> TextLogMade:
    """Any rate, unit, time unit, separator, decimal mark and kind of titles."""
    n, n_channels = draw(st.integers(3, 40)), draw(st.integers(1, 4))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    separator, unit = draw(st.sampled_from(SEPARATORS)), draw(st.sampled_from(UNITS))
    decimal = "." if separator == "," else draw(st.sampled_from([".", ","]))
    time_unit = draw(st.sampled_from(list(TIME_UNITS)))
    step = draw(st.sampled_from([1, 2, 5, 25, 125])) * (10**6 if time_unit == "ns" else 1)
    ticks = draw(st.integers(0, 10**6)) + step * np.arange(n)  # whole numbers of a thousandth, or of a ns
    digits = 0 if time_unit == "ns" else draw(st.sampled_from([0, 3]))
    values = rng.normal(size=(n_channels, n)) * 10.0 ** draw(st.integers(-3, 4))
    shown = [[f"{v:.9g}" for v in channel] for channel in values]
    stamps = [f"{tick / 10**digits:.{digits}f}" for tick in ticks]
    rows = [[cell.replace(".", decimal) for cell in row] for row in zip(stamps, *shown)]
    names = ["t", *(f"ch{i}" for i in range(n_channels))]
    units = [time_unit, *[unit] * n_channels]
    ways = [[f"{name} [{u}]" for name, u in zip(names, units)], [f"{n}_({u})" for n, u in zip(names, units)]]
    titles = [separator.join(draw(st.sampled_from(ways)))]
    if draw(st.booleans()):
        titles = [separator.join(names), separator.join(units)]
    if draw(st.booleans()):
        titles = ["# logged on a bench: invented", *titles]
    factor = find_unit(unit).factor
    return TextLogMade(
        titles=titles,
        rows=rows,
        separator=separator,
        values_si=np.array([[float(cell) * factor for cell in channel] for channel in shown]),
        rate_hz=10**digits / (step * TIME_UNITS[time_unit]),
        start_s=ticks[0] * TIME_UNITS[time_unit] / 10**digits,
        unit_si=find_unit(unit).symbol_si,
    )


def encoded(draw: Callable, lines: list[str]) -> bytes:
    """Lines in any encoding, with any line end, plain or gzip."""
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]))
    content = (end.join(lines) + end).encode(encoding, errors="replace")
    return gzip.compress(content, mtime=0) if draw(st.booleans()) else content


@budget(40)
@given(made=text_logs(), data=st.data())
def test_a_log_in_any_dress_comes_back(made, data):
    with a_file(encoded(data.draw, made.lines()), "log.csv") as path:
        recording = read_log(path)
    check_recording(recording)
    assert recording.unit == made.unit_si and recording.meta["clock"].n_rows == len(made.rows)
    assert recording.sample_rate_hz == pytest.approx(made.rate_hz, rel=1e-9)
    assert recording.start_s == pytest.approx(made.start_s, rel=1e-12, abs=1e-12)
    np.testing.assert_allclose(recording.values, made.values_si, rtol=1e-12)


CELLS = [
    "",
    "nan",
    "inf",
    "-inf",
    "1e400",
    "1e-400",
    "9" * 400,
    "9" * 30,
    "9223372036854775807",
    "x",
    "1,5",
    "1.5",
    "٣٫٥",
]
CELLS += [
    "٣",
    "\0",
    "1\0",
    "\ufeff",
    '"',
    '"1"',
    '"1"2',
    "0x10",
    "1_000",
    "1e",
    "--1",
    "+1",
    ".",
    "1.",
    "TRUE",
    "12:00:00",
]
CELLS += [
    "2026-05-01T00:00:00Z",
    "9999-12-31T00:00:00Z",
    "#",
    "# x",
    "1 2",
    "1" * 5000,
    "\r",
    "\x0c",
    "−1",
    "5e-324",
    "1e300",
]


@st.composite
def mutated_rows(draw: Callable, made: TextLogMade) -> list[str]:
    """Rows with cells of another kind, doubled, dropped, joined, torn, exchanged, in other separators."""
    rows = [list(row) for row in made.rows]
    lines: list[str] = []
    for _ in range(draw(st.integers(1, 5))):
        i = draw(st.integers(0, len(rows) - 1))
        what = draw(st.sampled_from(["cell", "cell", "double", "drop", "swap", "less", "more", "stamp"]))
        if what == "cell" and rows[i]:
            rows[i][draw(st.integers(0, len(rows[i]) - 1))] = draw(st.sampled_from(CELLS))
        elif what == "double":
            rows.insert(i, list(rows[i]))
        elif what == "drop" and len(rows) > 1:
            del rows[i]
        elif what == "swap":
            rows[i], rows[-1] = rows[-1], rows[i]
        elif what == "less":
            rows[i] = rows[i][:-1]
        elif what == "more":
            rows[i] = [*rows[i], "1"]
        elif what == "stamp" and rows[i]:
            rows[i][0] = rows[draw(st.integers(0, len(rows) - 1))][0] if rows[0] else "0"
    lines = [made.separator.join(row) for row in rows]
    for _ in range(draw(st.integers(0, 2))):
        i = draw(st.integers(0, len(lines) - 1))
        what = draw(st.sampled_from(["separator", "join", "blank", "remark", "long"]))
        if what == "separator":
            lines[i:] = [line.replace(made.separator, draw(st.sampled_from(SEPARATORS))) for line in lines[i:]]
        elif what == "join":
            lines[i : i + 2] = ["".join(lines[i : i + 2])]
        else:
            lines.insert(i, {"blank": "", "remark": "# stopped", "long": "7" * 70_000}[what])
    return lines


@budget(80)
@given(made=text_logs(), data=st.data())
def test_every_row_of_a_mutated_log_is_read_or_reported(made, data):
    lines = data.draw(mutated_rows(made))
    end = data.draw(st.sampled_from(["\n", "\r\n"]))
    content = end.join([*made.titles, *lines]) + end * data.draw(st.booleans())
    with a_file(content.encode(), "log.csv") as path:
        recording = check_log(path)
    if recording is not None and "\r" not in "".join(lines):
        header = len(recording.meta["header"]) + len([t for t in made.titles if not t.startswith("#")])
        remarks = sum(line.startswith("#") for line in [*made.titles, *lines])
        dropped = sum("the last one" in note for note in recording.meta["notes"])
        filled = [line for line in [*made.titles, *lines] if line.strip("\0 \t")]
        n_rows = recording.meta["clock"].n_rows
        assert n_rows + dropped + remarks + header >= len(filled), "lines skipped in silence"


@budget(60)
@given(made=text_logs(), data=st.data())
def test_spoiled_bytes_of_a_text_log(made, data):
    content = encoded(data.draw, made.lines())
    with a_file(data.draw(spoiled(content)), "log.csv") as path:
        check_log(path)


@budget(60)
@given(made=text_logs(), data=st.data())
def test_the_fast_and_the_patient_way_of_reading_agree(made, data):
    """Whatever the compiled reader accepts must be what reading line by line gives."""
    lines = [*made.titles, *data.draw(mutated_rows(made))]
    with a_file("\n".join(lines).encode() + b"\n", "log.csv") as path:
        fast = tried(read_log, path, irregular="mark")
        with mock.patch.object(textlog, "_compiled", return_value=None):
            patient = tried(read_log, path, irregular="mark")
    assert (fast is None) == (patient is None)
    if fast is not None:
        assert fast.meta["problems"] == patient.meta["problems"] and fast.meta["clock"] == patient.meta["clock"]
        np.testing.assert_allclose(fast.values, patient.values, rtol=1e-15)


@budget(20)
@given(content=st.binary(max_size=400), name=st.sampled_from(["log.csv", "log.gz", "log.npy", "log.wav", "log.tsv"]))
def test_any_bytes_as_a_log(content, name):
    with a_file(content, name) as path:
        check_log(path)


# ----------------------------------------------------------------------------------------------- binary logs
def uff_sets() -> list[dict]:
    def response(direction: int) -> dict:
        return pyuff.prepare_58(
            func_type=1, rsp_node=7, rsp_dir=direction, ref_node=0, ref_dir=0, data=np.ones(40), x=np.arange(40) / 40,
            id1="Wren", rsp_ent_name="panel", ref_ent_name="none", abscissa_spacing=direction % 2,
            abscissa_spec_data_type=17, abscissa_axis_units_lab="s", ordinate_spec_data_type=12,
            ordinate_axis_units_lab="g", orddenom_spec_data_type=0, z_axis_value=0.0, binary=direction - 1,
            load_case_id=0, ver_num=0,
        )  # fmt: skip

    units = pyuff.prepare_164(units_code=9, units_description="SI", temp_mode=1, length=1 / G, force=1.0, temp=1.0,
                              temp_offset=0.0)  # fmt: skip
    return [units, response(1), response(2)]


def binary_logs() -> dict[str, bytes]:
    """One small whole log of every binary format."""
    rng, made = np.random.default_rng(3), {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        time_s, ax = np.arange(40) / 40, rng.normal(size=40)
        for kind in ("u1", "i2", "i4", "f4"):
            wavfile.write(folder / f"{kind}.wav", 40, rng.integers(0, 99, (40, 2)).astype(kind))
        np.save(folder / "plain.npy", np.stack([time_s, ax]))
        np.save(folder / "columns.npy", np.asfortranarray(np.stack([time_s, ax], axis=1).astype("f4")))
        fields = np.zeros(40, dtype=[("t_s", "f8"), ("ax_g", "f4"), ("state", "U4"), ("xyz_g", "f4", (3,))])
        fields["t_s"], fields["ax_g"] = time_s, ax
        np.save(folder / "fields.npy", fields)
        np.savez(folder / "named.npz", t_s=time_s, ax_g=ax, sample_rate_hz=40.0, note="invented")
        np.savez_compressed(folder / "packed.npz", t_s=time_s, ax_g=ax)
        frame = pd.DataFrame({"t_s": time_s, "ax_g": ax, "state": "rest"})
        frame.to_parquet(folder / "plain.parquet")
        frame.assign(t_s=pd.to_datetime(time_s, unit="s")).set_index("t_s").to_parquet(folder / "dates.parquet")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # the writer leaves its file to the garbage collector
            pyuff.UFF(str(folder / "log.uff")).write_sets(uff_sets(), mode="overwrite")
        made = {path.name: path.read_bytes() for path in sorted(folder.iterdir())}
    made["padded.gz"] = gzip.compress(b"t [s],ax [g]\n" + b"".join(b"%.3f,1\n" % (i / 40) for i in range(40)), mtime=0)
    return made


BINARY_LOGS = binary_logs()
SAID = [
    {},
    {"sample_rate_hz": 40.0, "units": "g", "columns": [0]},
    {"units": "count"},
    {"columns": [1], "time_column": 0},
]


@pytest.mark.parametrize("name", BINARY_LOGS)
def test_binary_logs_are_whole(name):
    """Else the mutations would only meet the first check."""
    with a_file(BINARY_LOGS[name], name) as path:
        assert check_log(path, units="g", sample_rate_hz=40.0, scale=1.0 if name[0] in "ui" else None) is not None


@budget(250)
@given(name=st.sampled_from(sorted(BINARY_LOGS)), how=st.sampled_from(SAID), data=st.data())
def test_spoiled_binary_logs(name, how, data):
    with a_file(data.draw(spoiled(BINARY_LOGS[name])), name) as path:
        check_log(path, **how)


@budget(20)
@given(start=st.sampled_from(sorted(BINARY_LOGS)), length=st.integers(0, 60), rest=st.binary(max_size=200))
def test_any_bytes_behind_the_start_of_a_binary_log(start, length, rest):
    with a_file(BINARY_LOGS[start][:length] + rest, start) as path:
        check_log(path)


ODD = [0.0, -0.0, np.nan, np.inf, -np.inf, 1e308, -1e308, 5e-324, 1e19, -1.0]


@budget(60)
@given(
    odd=st.lists(st.tuples(st.sampled_from("ta"), st.integers(0, 39), st.sampled_from(ODD)), min_size=1, max_size=4),
    kind=st.sampled_from(["f8", "f4", "i8", "u8", "f2", "M8[ns]"]),
    suffix=st.sampled_from([".npz", ".parquet", ".npy"]),
    scale=st.sampled_from([1, 10**6, 10**15]),
)
def test_odd_numbers_in_binary_logs(odd, kind, suffix, scale):
    with np.errstate(all="ignore"):
        columns = {"t": np.arange(40.0) * scale, "a": np.ones(40)}
        for column, at, value in odd:
            columns[column][at] = value
        time_ = columns["t"].astype("i8").astype(kind) if kind == "M8[ns]" else columns["t"].astype(kind)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"log{suffix}"
        if suffix == ".npz":
            np.savez(path, t_us=time_, a_g=columns["a"])
        elif suffix == ".npy":
            both = np.zeros(40, dtype=[("t_us", time_.dtype), ("a_g", "f8")])
            both["t_us"], both["a_g"] = time_, columns["a"]
            np.save(path, both)
        else:
            pd.DataFrame({"t_us": time_.astype("f4") if kind == "f2" else time_, "a_g": columns["a"]}).to_parquet(path)
        check_log(path)


# ------------------------------------------------------------------------------------------------------- runs
RUN_TOML = run_template().replace("\n# ", "\n").encode()
VALUES = ["nan", "inf", "-1", "1e400", "9" * 400, "[]", "[1]", "{}", "''", '"x"', "true", "1979-05-27", "[[1, 2], [3]]"]


@st.composite
def run_files(draw: Callable) -> bytes:
    lines = RUN_TOML.decode().splitlines()
    for _ in range(draw(st.integers(1, 4))):
        i = draw(st.integers(0, len(lines) - 1))
        what = draw(st.sampled_from(["value", "drop", "double", "join", "dots"]))
        key = lines[i].partition("=")[0]
        if what == "value":
            lines[i] = f"{key}= {draw(st.sampled_from(VALUES))}"
        elif what == "dots":
            lines[i] = f"{key.strip() or 'x'}{'.x' * draw(st.sampled_from([1, 3, 3000]))} = 1"
        elif what == "join":
            lines[i : i + 2] = ["".join(lines[i : i + 2])]
        else:
            lines[i : i + 1] = [lines[i]] * (2 if what == "double" else 0)
        lines = lines or [""]
    content = "\n".join(lines).encode()
    return draw(spoiled(content)) if draw(st.booleans()) else content


@budget(80)
@given(content=run_files() | st.binary(max_size=200))
def test_mutated_run_files(content):
    with a_file(content, "run.toml") as path:
        tried(lambda p: facts_of(read_run_file(p)), path)


@budget(25)
@given(data=st.data(), made=text_logs())
def test_run_folders(data, made):
    content = encoded(data.draw, [*made.titles, *data.draw(mutated_rows(made))])
    toml = b'[[log]]\nfile = "log.csv"\n'
    with a_file(content, "log.csv") as path:
        (path.parent / "run.toml").write_bytes(data.draw(st.just(toml) | spoiled(toml)))
        with time_box():
            try:
                run = load_run(path.parent)
            except (ValueError, TypeError, OSError) as error:
                assert str(path.parent) in str(error)
                return
    for log in run.logs:
        check_recording(log.recording)


# ---------------------------------------------------------------------------------------------- small tables
PUSH = "# dial on the frame\nrepeat;mass [kg];reading [0,01 mm];branch\n" + "".join(
    f"{r};{m};{2.5 * m:g};{b}\n".replace(".", ",")
    for r in (1, 2)
    for m, b in [(0, "up"), (1, "up"), (2, "up"), (1, "down"), (0, "down")]
)
PUSH_TITLES = [
    "load [N]",
    "mass [g]",
    "mass [Mg]",
    "reading [0 um]",
    "reading [um]",
    "reading [div]",
    "reading",
    "load",
]


@st.composite
def tables(draw: Callable, text: str, titles: list[str]) -> bytes:
    """A small table with other titles and cells, then (now and then) spoiled bytes."""
    lines = [line.split(";") for line in text.splitlines()]
    for _ in range(draw(st.integers(1, 4))):
        row = lines[draw(st.integers(0, len(lines) - 1))]
        row[draw(st.integers(0, len(row) - 1))] = draw(st.sampled_from(titles + CELLS))
    content = encoded(draw, [";".join(row) for row in lines])
    return draw(spoiled(content)) if draw(st.booleans()) else content


@budget(100)
@given(content=tables(PUSH, PUSH_TITLES) | st.binary(max_size=200))
def test_push_files(content):
    with a_file(content, "push.csv") as path:
        push = tried(read_push_file, path)
    if push is not None:
        assert len(push.load_n) == len(push.reading_m)
        assert push.repeat is None or len(push.repeat) == len(push.load_n)
        assert np.isfinite(push.load_n).all() and np.isfinite(push.reading_m).all() and push.written_step_m >= 0


FRAMES = "file;move;wait_ms;exposure_ms\na.png;1;0;2\nb.png;2;5,5;2\n"


@budget(40)
@given(content=tables(FRAMES, ["wait [s]", "exposure_us", "sharp.png", "../a.png", "a" * 300, "no.png"]))
def test_lists_of_exposures(content):
    with a_file(content, "frames.csv") as path:
        for name in ("a.png", "b.png", "sharp.png"):
            (path.parent / name).write_bytes(PICTURES["grey.png"])
        found = tried(lambda p: read_exposures(p.parent), path)
    for exposure in found.frames if found else ():
        assert exposure.move >= 1 and exposure.wait_s >= 0 and 0 < exposure.exposure_s < math.inf


@pytest.mark.parametrize("name", ["a" * 300, "../a.png", "sub/a.png", "none.png", "."])
def test_exposures_with_names_that_are_no_picture_beside_the_list(tmp_path, name):
    (tmp_path / "sharp.png").write_bytes(PICTURES["grey.png"])
    (tmp_path / "frames.csv").write_text(f"file,move,wait_ms,exposure_ms\n{name},1,0,2\n")
    with pytest.raises(LogFormatError, match=r"frames\.csv, line 2: found no picture"):
        read_exposures(tmp_path)


def test_a_picture_listed_often_is_read_once(tmp_path):
    (tmp_path / "sharp.png").write_bytes(PICTURES["grey.png"])
    (tmp_path / "frames.csv").write_text("file,move,wait_ms,exposure_ms\n" + "sharp.png,1,0,2\n" * 1000)
    assert len({id(frame.picture) for frame in read_exposures(tmp_path).frames}) == 1


@budget(30)
@given(content=spoiled(b"# camera\n0.0\n0.1\n0.2\n") | st.binary(max_size=100))
def test_lists_of_frame_times(content):
    with a_file(content, "times.txt") as path:
        assert np.isfinite(tried(read_frame_times_s, path) or [0.0]).all()


# ---------------------------------------------------------------------------------------- pictures and clips
def pictures() -> dict[str, bytes]:
    rng, made = np.random.default_rng(4), {}
    grey = rng.integers(0, 255, (24, 32), dtype=np.uint8)
    colour = np.stack([grey] * 3, axis=-1)
    for name, pixels in {
        "grey.png": grey,
        "deep.png": grey.astype(np.uint16) << 8,
        "black-and-white.png": grey > 100,
        "colour.png": colour,
        "colour.jpg": colour,
        "grey.bmp": grey,
        "grey.pgm": grey,
    }.items():
        buffer = io.BytesIO()
        iio.imwrite(buffer, pixels, extension=Path(name).suffix)
        made[name] = buffer.getvalue()
    return made


def clips() -> dict[str, bytes]:
    frames = np.random.default_rng(5).integers(0, 255, (4, 32, 32), dtype=np.uint8)
    made = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        np.save(folder / "frames.npy", frames)
        tifffile.imwrite(folder / "plain.tif", frames, photometric="minisblack")
        tifffile.imwrite(folder / "pages.tif", frames, photometric="minisblack", compression="zlib", contiguous=False)
        iio.imwrite(folder / "moving.gif", frames)
        for file, codec, pixel_format in [
            ("whole.mkv", "ffv1", "gray"),
            ("raw.avi", "rawvideo", "gray"),
            ("still.avi", "mjpeg", "yuvj420p"),
            ("lossy.mp4", "mpeg4", "yuv420p"),
        ]:
            with av.open(str(folder / file), "w") as container:
                stream = container.add_stream(codec, rate=50)
                stream.height, stream.width, stream.pix_fmt = 32, 32, pixel_format
                for pixels in frames:
                    picture = av.VideoFrame.from_ndarray(pixels, format="gray")
                    container.mux(stream.encode(picture.reformat(format=pixel_format)))
                container.mux(stream.encode())
        made = {path.name: path.read_bytes() for path in sorted(folder.iterdir())}
    return made


PICTURES, CLIPS = pictures(), clips()


def walk(path: Path, **how: object) -> list:
    """All frames of a clip up to its damage, which must name the file too."""
    clip = open_clip(path, **how)
    found = []
    for frame in clip:
        found.append(frame)
        assert frame.pixels.shape == (clip.height, clip.width) and frame.pixels.dtype.kind in "uif"
        assert frame.number == len(found) - 1 and math.isfinite(frame.time_s)
        if len(found) > 100:
            break
    return found


def check_picture(picture: StillPicture | None) -> None:
    if picture is not None:
        assert picture.pixels.ndim in (2, 3) and picture.pixels.size and picture.pixels.dtype.kind in "uif"


@pytest.mark.parametrize("name", CLIPS)
def test_clips_are_whole(name):
    with a_file(CLIPS[name], name) as path:
        assert len(walk(path, frame_rate_hz=50.0)) == 4


@budget(200)
@given(name=st.sampled_from(sorted(CLIPS)), data=st.data())
def test_spoiled_clips(name, data):
    with a_file(data.draw(spoiled(CLIPS[name])), name) as path:
        tried(walk, path, frame_rate_hz=50.0)
        tried(walk, path)


@budget(120)
@given(name=st.sampled_from(sorted(PICTURES)), data=st.data())
def test_spoiled_pictures(name, data):
    with a_file(data.draw(spoiled(PICTURES[name])), name) as path:
        check_picture(tried(read_picture, path))
        tried(walk, path.parent, frame_rate_hz=50.0)


@budget(40)
@given(
    suffix=st.sampled_from([".png", ".tif", ".gif", ".jpg", ".pgm", ".bmp", ".npy", ".mkv", ".mp4"]),
    content=st.binary(max_size=200) | st.sampled_from([*PICTURES.values(), *CLIPS.values()]),
)
def test_any_bytes_as_a_picture(suffix, content):
    """Also whole pictures and clips under a wrong name."""
    with a_file(content, f"some{suffix}") as path:
        check_picture(tried(read_picture, path))
        tried(walk, path, frame_rate_hz=50.0)


# ------------------------------------------------------------------------------- files that are no plain files
DOORS = {
    "log.csv": lambda p: read_log(p, units="g", sample_rate_hz=1.0),
    "log.npy": read_log,
    "run.toml": read_run_file,
    "push.csv": read_push_file,
    "times.txt": read_frame_times_s,
    "frame.png": read_picture,
    "stack.tif": lambda p: open_clip(p, frame_rate_hz=1.0),
    "clip.mkv": open_clip,
    "clip.npy": lambda p: open_clip(p, frame_rate_hz=1.0),
}


@pytest.mark.parametrize("name", DOORS)
def test_a_pipe_is_refused_and_never_waited_for(tmp_path, name):
    os.mkfifo(tmp_path / name)
    assert tried(DOORS[name], tmp_path / name) is None
    if name.startswith("log"):
        with pytest.raises(LogFormatError, match="no log file"):
            load_run(tmp_path)


@pytest.mark.parametrize("name", DOORS)
def test_a_folder_in_place_of_a_file_and_nothing_at_all(tmp_path, name):
    assert tried(DOORS[name], tmp_path / name) is None
    (tmp_path / name).mkdir()
    assert tried(DOORS[name], tmp_path / name) is None


@pytest.fixture
def open_folder():
    """A folder that all may enter, used without the rights of the superuser, who may read everything."""
    nobody = 65534
    with tempfile.TemporaryDirectory() as name:
        os.chmod(name, 0o755)
        was_root = os.geteuid() == 0
        yield Path(name), (lambda: os.seteuid(nobody)) if was_root else (lambda: None)
        if was_root:
            os.seteuid(0)


@pytest.mark.parametrize("name", DOORS)
def test_what_may_not_be_read_is_named(open_folder, name):
    folder, step_down = open_folder
    (folder / name).write_bytes(b"t_s,ax_g\n0,1\n1,1\n")
    (folder / name).chmod(0)
    step_down()
    with pytest.raises((OSError, LogFormatError), match=name):
        DOORS[name](folder / name)


def test_a_folder_that_may_not_be_entered_is_named(open_folder):
    folder, step_down = open_folder
    run = folder / "run-1"
    run.mkdir()
    run.chmod(0)
    step_down()
    for read in (load_run, read_exposures, lambda path: open_clip(path, frame_rate_hz=1.0)):
        with pytest.raises((OSError, LogFormatError), match="run-1"):
            read(run)


def test_a_folder_that_may_only_be_read_is_enough(tmp_path):
    (tmp_path / "log.csv").write_text("t_s,ax_g\n0,1\n1,1\n2,1\n")
    (tmp_path / "run.toml").write_text("[run]\ntitle = 'x'\n")
    tmp_path.chmod(0o500)
    try:
        assert load_run(tmp_path).logs[0].recording.n_samples == 3
        assert sorted(path.name for path in tmp_path.iterdir()) == ["log.csv", "run.toml"]
    finally:
        tmp_path.chmod(0o700)


@pytest.mark.parametrize("name", BINARY_LOGS)
def test_names_that_are_no_utf_8(tmp_path, name):
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9 \xff" + name.encode()))
    try:
        path.write_bytes(BINARY_LOGS[name])
    except OSError:
        pytest.skip("this file system takes UTF-8 only")
    how = {"units": "count" if name[0] in "ui" else "g", "sample_rate_hz": 40.0}
    assert load_run(path, reading=how).logs[0].recording.n_samples == 40


@pytest.mark.parametrize("name", [*CLIPS, *PICTURES])
def test_clips_and_pictures_of_names_that_are_no_utf_8(tmp_path, name):
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/12:30 caf\xe9 \xff" + name.encode()))
    try:
        path.write_bytes((CLIPS | PICTURES)[name])
    except OSError:
        pytest.skip("this file system takes UTF-8 only")
    assert read_picture(path).pixels.shape[-2:] in ((32, 32), (24, 32))


def test_a_log_that_grows_while_it_is_read(tmp_path):
    """What was there when reading began is there, whole; what comes later is read as far as it is there."""
    path = tmp_path / "log.csv"
    path.write_text("t [s],ax [g]\n" + "".join(f"{i / 1000:.3f},{i}\n" for i in range(1000)))
    blocks = line_bytes.read_bytes

    def grow(stream: io.BufferedIOBase, size: int, file: str) -> bytes:
        block = blocks(stream, size, file)
        with path.open("a") as more:
            n = grow.n = grow.n + 1
            more.write(f"{n / 1000:.3f},{n}\n" if n < 1040 else "")
            more.write("1.04" if n == 1040 else "")
        return block

    grow.n = 999
    with mock.patch.object(line_bytes, "read_bytes", grow):
        recording = read_log(path)
    assert 1000 <= recording.n_samples < 1041
    np.testing.assert_allclose(recording.values[0] / G, np.arange(recording.n_samples))


# ------------------------------------------------------------------------------------ files that want too much
def test_a_log_packed_too_well_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("labkit.runs.table.FREE_BYTES", 1 << 20)
    text = b"t [s],ax [g]\n" + b"0.5,1\n" * 400_000
    (tmp_path / "log.csv.gz").write_bytes(gzip.compress(text))
    with pytest.raises(LogFormatError, match=r"log\.csv\.gz: found more than 2 MiB packed into .*`gzip -d`"):
        read_log(tmp_path / "log.csv.gz", irregular="mark")
    np.savez_compressed(tmp_path / "log.npz", ax_g=np.zeros(1_000_000), rate=5.0)
    with pytest.raises(LogFormatError, match=r"log\.npz: found 8\d* bytes packed into .* without compression"):
        read_log(tmp_path / "log.npz")
    pd.DataFrame({"ax_g": np.zeros(1_000_000)}).to_parquet(tmp_path / "log.parquet")
    with pytest.raises(LogFormatError, match=r"log\.parquet: found 8000000 bytes packed into"):
        read_log(tmp_path / "log.parquet", sample_rate_hz=1.0)


@pytest.mark.parametrize("suffix", [".csv", ".csv.gz"])
def test_a_line_without_end_is_refused_before_it_fills_the_memory(tmp_path, monkeypatch, suffix):
    monkeypatch.setattr(line_bytes, "_LONGEST_LINE_BYTES", 1 << 20)
    monkeypatch.setattr(line_bytes, "_PIECE_BYTES", 1 << 18)
    path = tmp_path / f"log{suffix}"
    for start in (b"", b"t_s,ax_g\n" + b"".join(b"%d,1\n" % i for i in range(20))):
        text = start + b"1," * 1_000_000
        path.write_bytes(gzip.compress(text, 1) if suffix.endswith("gz") else text)
        with pytest.raises(LogFormatError, match=r"more than 1 MiB with hardly a line end.*line end behind each row"):
            read_log(path, units="g")


def test_thousands_of_columns(tmp_path):
    """A line of titles that alone is longer than the head of other logs."""
    names = [f"channel_number_{i} [mg]" for i in range(6_000)]
    rows = "".join(f"{i}," + ",".join(["1.5"] * len(names)) + "\n" for i in range(4))
    (tmp_path / "log.csv").write_text(",".join(["t [s]", *names]) + "\n" + rows)
    recording = read_log(tmp_path / "log.csv")
    assert recording.values.shape == (6_000, 4) and recording.channels[-1] == "channel_number_5999"


def test_blank_lines_at_the_start_do_not_make_room_for_rows_that_cannot_be(tmp_path):
    """The likely number of rows comes from the first lines; it may not exceed what the file can hold."""
    rows = "".join(f"{i}," + ",".join(["1"] * 500) + "\n" for i in range(2_000))
    path = tmp_path / "log.csv"
    path.write_text("\n" * 120_000 + "t [s]," + ",".join(f"a{i} [g]" for i in range(500)) + "\n" + rows)
    log = textlog.TextLog(path)
    assert log._likely_rows * len(log.columns) < path.stat().st_size
    assert read_log(path).values.shape == (500, 2_000)


@pytest.mark.parametrize("width", [1 << 15, 1 << 30])
def test_pictures_that_claim_to_be_huge(tmp_path, width):
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((40, 40), np.uint8), photometric="minisblack")
    with tifffile.TiffFile(tmp_path / "a.tif", mode="r+b") as file:
        for name in ("ImageWidth", "ImageLength"):
            file.pages[0].tags[name].overwrite(width)
    png = bytearray(PICTURES["grey.png"])
    png[16:24] = width.to_bytes(4, "big") * 2
    png[29:33] = zlib.crc32(bytes(png[12:29])).to_bytes(4, "big")
    (tmp_path / "a.png").write_bytes(png)
    (tmp_path / "a.gif").write_bytes(b"GIF89a" + min(width, 65535).to_bytes(2, "little") * 2 + CLIPS["moving.gif"][10:])
    for name in ("a.tif", "a.png", "a.gif"):
        with pytest.raises(LogFormatError, match=rf"a\.{name[2:]}: .*(at most|exceeds limit of) \d+"):
            read_picture(tmp_path / name)


def test_a_clip_too_long_for_a_picture_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("labkit.runs.pictures._MOST_BURST_PIXELS", 2 * 32 * 32)
    (tmp_path / "clip.mkv").write_bytes(CLIPS["whole.mkv"])
    with pytest.raises(LogFormatError, match=r"clip\.mkv: found more than 2 frames of 32×32 px"):
        read_picture(tmp_path / "clip.mkv")
