"""Parcels: what is scrubbed, what comes through unchanged, and what a stranger may not send."""

import base64
import errno
import gzip
import hashlib
import io
import json
import os
import pickle
import stat
import struct
import zipfile
import zlib

import av
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from labkit.__main__ import main
from labkit.base import Estimate
from labkit.runs.share import parcel as parcel_module
from labkit.runs.share import parcel_making
from labkit.runs.share.parcel import check_licence, open_parcel, peek_parcel
from labkit.runs.share.parcel_making import make_parcel
from labkit.runs.share.parcel_safety import Limits, ParcelRefusedError, clean_text
from labkit.runs.share.results import RunResults, read_results, results_text
from labkit.runs.share.scrub import Scrubber

RUN_TOML = '[run]\ntitle = "birch"\n[panel]\nmaterial = "birch plywood"\nthickness_mm = 6.0\n'
LOG = "t [s],ax [mg]\n" + "".join(f"{k / 400:.4f},{(k * 37) % 11}\n" for k in range(200))
RESULTS = results_text(RunResults(run="birch", numbers={"settling_s": Estimate.unknown(0.25)}))


# -------------------------------------------------------------------------------------------------- builders
def contents(**changed):
    said = {"format": "rigidity-lab parcel", "version": 1, "licence": "CC0-1.0", "made": "2026-01-01"}
    return json.dumps(said | changed).encode()


def payload(**more):
    files = {
        "data/parcel.json": contents(),
        "data/runs/birch/run.toml": RUN_TOML.encode(),
        "data/runs/birch/results.json": RESULTS.encode(),
        "data/runs/birch/log.csv": LOG.encode(),
    }
    return files | {name.replace("__", "/"): content for name, content in more.items()}


def bag(files, *, tags=None):
    """All files of a bag, its tag files made here by hashlib alone; `tags` replaces or removes (None) some."""
    made = {"bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n", "bag-info.txt": b"Bag-Count: 1\n"}
    lines = [f"{hashlib.sha256(content).hexdigest()}  {name}\n" for name, content in files.items()]
    made["manifest-sha256.txt"] = "".join(lines).encode("utf-8", "surrogatepass")
    made |= {name: content for name, content in (tags or {}).items() if content is not None}
    lines = [f"{hashlib.sha256(content).hexdigest()}  {name}\n" for name, content in made.items()]
    made["tagmanifest-sha256.txt"] = "".join(lines).encode()
    made |= {name: content for name, content in (tags or {}).items() if content is not None}
    return {name: made[name] for name in made if (tags or {}).get(name, b"") is not None} | files


def packed(files, *, base="p/", change=None, method=zipfile.ZIP_DEFLATED):
    """Bytes of a ZIP; `change` may alter each entry before it is written."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(base + name, (1980, 1, 1, 0, 0, 0))
            entry.external_attr, entry.compress_type = 0o100644 << 16, method
            if change:
                change(entry)
            archive.writestr(entry, content)
    return buffer.getvalue()


def opened(tmp_path, raw, *, limits=None):
    """Open the bytes of a parcel; whatever happens, nothing but the parcel and the target may be left."""
    home = tmp_path / f"at-{len(list(tmp_path.iterdir()))}"
    home.mkdir()
    (home / "p.zip").write_bytes(raw)
    try:
        return open_parcel(home / "p.zip", home / "opened", limits=limits)
    except ValueError:
        assert sorted(os.listdir(home)) == ["p.zip"]
        raise
    finally:
        assert set(os.listdir(home)) <= {"p.zip", "opened"}


def refused(tmp_path, raw, match, **how):
    with pytest.raises(ParcelRefusedError, match=match) as error:
        opened(tmp_path, raw, **how)
    assert "Rule: " in str(error.value) and "Cure: " in str(error.value)
    return error.value


@pytest.fixture
def bench(tmp_path):
    """A run with everything in it that is nobody's business."""
    run = tmp_path / "wilma-birch"
    run.mkdir()
    (run / "run.toml").write_text(
        '# written on C:\\Users\\Wilma Fox\\bench\n[run]\ntitle = "birch of Wilma"\n'
        'notes = "sensor s/n: QX-00417, root mean square in /home/wilma/runs/7"\n[[log]]\nfile = "log-wilma.csv"\n'
    )
    (run / "log-wilma.csv").write_text("# logged by wilma@bench.example on 192.168.7.21\n" + LOG)
    with gzip.GzipFile(run / "more.csv.gz", "wb") as stream:  # its header holds name and time
        stream.write(b"# host SHED-PC\n" + LOG.encode())
    (run / "truth.json").write_text(json.dumps({"serial": 77120045, "at": "/home/wilma/x.csv", "f": 25.0}))
    return run


def make(run, target, **how):
    how = {"licence": "CC-BY-4.0", "results": lambda folder: RESULTS, "software": {"rigidity-lab": "0"}} | how
    return make_parcel([run], target, **how)


def png(*, text=b"Author\0wilma", width=4):
    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    pixels = zlib.compress(b"".join(b"\0" + bytes(range(width)) for _ in range(3)))
    head = struct.pack(">IIBBBBB", width, 3, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        chunk(*one) for one in ((b"IHDR", head), (b"tEXt", text), (b"IDAT", pixels), (b"IEND", b""))
    )


# --------------------------------------------------------------------------------------------------- scrubbing
@pytest.mark.parametrize(
    ("text", "scrubbed"),
    [
        (r"C:\Users\Wilma Fox\bench\log a.csv", "PATH/log a.csv"),
        (r'"C:\\Users\\Wilma\\x.csv"', '"PATH/x.csv"'),
        ("D:/data/run 1/log.csv", "PATH/log.csv"),
        (r"\\SHED-PC\share\runs\x.csv", "PATH/x.csv"),
        ("/home/wilma/runs/x.csv", "PATH/x.csv"),
        ("see /Users/wilma", "see PATH/"),
        ("file:///home/wilma/x", "file://PATH/x"),
        ("/dev/ttyUSB0", "PATH/ttyUSB0"),
        ("~wilma/x.csv", "PATH/x.csv"),
        ("mail wilma.fox@bench.example now", "mail MAIL now"),
        ("at 192.168.7.21:80", "at ADDRESS:80"),
        ("00:1A:2b:3C:4d:5E", "ADDRESS"),
        ("Serial No. 45A7-20", "Serial No. SERIAL"),
        ('serial_number = "00812"', 'serial_number = "SERIAL"'),
        ("Wilma's WILMA, wilmas", "USER's USER, wilmas"),
    ],
)
def test_personal_text_is_replaced(text, scrubbed):
    scrubber = Scrubber(words={"wilma": ("user name", "USER")})
    assert scrubber.text(text, file="f") == scrubbed
    assert scrubber.found


@pytest.mark.parametrize(
    "text",
    [
        "root mean square, 3/4 and/or m/s/s",
        "https://example.org/b/c/d?x=1",
        "</td></tr>",
        "S/N 40 dB, S/N: 45dB, serial port, sn 4 mm",
        "2025/03/14 10:00:00, 1.0,2.0,3.0",
        "version 1.2.3, ~/x, unit:/m/s",
        "data:image/png;base64,iVBORw0KGgo/AAAA/NSUhE+/gAA/AB==",
    ],
)
def test_ordinary_text_stays(text):
    scrubber = Scrubber(words={"wilma": ("user name", "USER")})
    assert scrubber.text(text, file="f") == text
    assert not scrubber.found


def test_a_parcel_holds_nothing_personal_and_says_what_it_scrubbed(tmp_path, bench, monkeypatch):
    monkeypatch.setattr(
        parcel_making,
        "personal_words",
        lambda extra: (
            {"wilma": ("user name", "USER"), "SHED-PC": ("host name", "HOST")} | dict.fromkeys(extra, ("x", "X"))
        ),
    )
    seen = {}

    def results(folder):
        seen.update({path.name: path.read_bytes() for path in folder.iterdir()})
        return RESULTS

    (bench / "setup.png").write_bytes(png())
    parcel = make(bench, tmp_path / "p.zip", results=results, scrub=["birch of"])
    secrets = ("wilma", "fox", "bench.example", "192.168", "00417", "77120045", "shed-pc", "birch of")
    with zipfile.ZipFile(tmp_path / "p.zip") as archive:
        for entry in archive.infolist():
            content = archive.read(entry)
            content = gzip.decompress(content) if entry.filename.endswith(".gz") else content
            for secret in secrets:
                assert secret not in entry.filename.lower()
                assert secret.encode() not in content.lower(), f"{secret} in {entry.filename}"
        packed_log = archive.read("p/data/runs/USER-birch/more.csv.gz")
    assert packed_log[3] == 0 and packed_log[4:8] == b"\0\0\0\0"  # RFC 1952: no name, no time
    # the name of a log and what run.toml says of it stay together, and the results come from what is sent
    assert b'file = "log-USER.csv"' in seen["run.toml"] and "log-USER.csv" in seen
    assert LOG.encode() in seen["log-USER.csv"]  # no number was touched
    assert json.loads(seen["truth.json"]) == {"serial": "SERIAL", "at": "PATH/x.csv", "f": 25.0}
    kinds = {one.kind for one in parcel.scrubbed}
    assert {"path", "e-mail address", "serial number", "network address", "user name", "picture metadata"} <= kinds
    listed = open_parcel(tmp_path / "p.zip", tmp_path / "opened").scrubbed
    assert [(one.file, one.kind, one.count) for one in listed] == [
        (one.file, one.kind, one.count) for one in parcel.scrubbed
    ]
    assert not any(one.text for one in listed)


def test_what_is_to_be_kept_is_kept_and_listed(tmp_path, bench):
    (bench / "clip.mkv").write_bytes(b"\x1aE\xdf\xa3" + bytes(64))
    left = make(bench, tmp_path / "a.zip").left_out
    assert list(left) == ["wilma-birch/clip.mkv"]
    parcel = make(bench, tmp_path / "b.zip", keep=["QX-00417", "*.mkv"])
    assert not parcel.left_out and len(parcel.kept) == 2
    folder = open_parcel(tmp_path / "b.zip", tmp_path / "opened").run_folder(parcel.runs[0])
    assert "QX-00417" in (folder / "run.toml").read_text()
    assert (folder / "clip.mkv").read_bytes() == (bench / "clip.mkv").read_bytes()


def test_a_binary_log_that_names_somebody_stays_at_home(tmp_path, bench):
    np.savez(bench / "named.npz", a=np.frombuffer(b"xx/home/wilma/yy", dtype=np.uint8))
    np.save(bench / "plain.npy", np.arange(4.0))
    assert set(make(bench, tmp_path / "a.zip").left_out) == {"wilma-birch/named.npz"}


def test_pictures_keep_their_pixels(tmp_path, bench):
    pixels = np.arange(48, dtype=np.uint8).reshape(4, 4, 3)
    exif = Image.Exif()
    exif[0x013B] = "Wilma Fox"
    for kind in ("jpg", "png", "tif"):
        Image.fromarray(pixels).save(bench / f"p.{kind}", exif=exif)
        assert b"Wilma Fox" in (bench / f"p.{kind}").read_bytes()
    parcel = make(bench, tmp_path / "a.zip")
    assert not parcel.left_out
    folder = open_parcel(tmp_path / "a.zip", tmp_path / "opened").run_folder(parcel.runs[0])
    for kind in ("jpg", "png", "tif"):
        assert b"Wilma" not in (folder / f"p.{kind}").read_bytes()
        with Image.open(folder / f"p.{kind}") as new, Image.open(bench / f"p.{kind}") as old:
            assert np.array_equal(np.asarray(new), np.asarray(old))


CODECS = {"mp4": "libx264", "mkv": "libx264", "avi": "mjpeg", "mov": "mjpeg", "webm": "libvpx-vp9"}


def clip(path, codec):
    """Twelve pictures, irregular in time, with a title and sound."""
    rng = np.random.default_rng(4)
    with av.open(str(path), "w") as out:
        out.metadata["title"] = "wilma's bench"
        pictures = out.add_stream(
            codec, rate=25, width=64, height=64, pix_fmt="yuvj420p" if codec == "mjpeg" else "yuv420p"
        )
        sound = out.add_stream("aac", rate=48000, layout="mono") if path.suffix in (".mp4", ".mkv") else None
        for k in range(12):
            frame = av.VideoFrame.from_ndarray(rng.integers(0, 255, (64, 64, 3), dtype=np.uint8), format="rgb24")
            frame = frame.reformat(format=pictures.pix_fmt)
            frame.pts = k + (k > 5) * (path.suffix != ".avi")
            out.mux(pictures.encode(frame))
        out.mux(pictures.encode(None))
        if sound:
            quiet = av.AudioFrame.from_ndarray(np.zeros((1, 1024), dtype=np.float32), format="fltp", layout="mono")
            quiet.sample_rate, quiet.pts = 48000, 0
            out.mux(sound.encode(quiet))
            out.mux(sound.encode(None))


def pictures_of(path):
    with av.open(str(path)) as source:
        return [(f.time, f.to_ndarray(format="gray").tobytes()) for f in source.decode(video=0)]


@pytest.mark.parametrize("kind", CODECS)
def test_a_clip_keeps_its_pictures_and_times_and_nothing_else(tmp_path, bench, kind):
    own = bench / f"clip.{kind}"
    clip(own, CODECS[kind])
    assert b"wilma" in own.read_bytes()
    parcel = make(bench, tmp_path / "a.zip")
    assert not parcel.left_out and "title" in str(parcel.scrubbed)
    sent = open_parcel(tmp_path / "a.zip", tmp_path / "opened").run_folder(parcel.runs[0]) / own.name
    assert b"wilma" not in sent.read_bytes()
    assert pictures_of(sent) == pictures_of(own) and len(pictures_of(own)) == 12
    with av.open(str(sent)) as source:
        assert len(source.streams) == 1


def test_a_notebook_goes_along_without_what_could_run(tmp_path, bench):
    picture = base64.b64encode(png()).decode()
    cells = [
        {
            "cell_type": "markdown",
            "id": "a",
            "metadata": {"trusted": True},
            "source": ["# birch\n", "by /home/wilma/x"],
        },
        {
            "cell_type": "code",
            "id": "b",
            "execution_count": 1,
            "metadata": {},
            "source": "open('/home/wilma/runs/log.csv')",
            "outputs": [
                {"output_type": "stream", "name": "stdout", "text": ["read C:\\Users\\Wilma\\log.csv\n"]},
                {"output_type": "display_data", "metadata": {}, "data": {"text/html": "<script>alert(1)</script>"}},
                {
                    "output_type": "display_data",
                    "metadata": {"x": 1},
                    "data": {"text/html": f'<img src="data:image/png;base64,{picture}">', "text/plain": "a plot"},
                },
            ],
        },
    ]
    book = {"nbformat": 4, "nbformat_minor": 5, "metadata": {"authors": ["wilma"], "widgets": {}}, "cells": cells}
    (tmp_path / "look.ipynb").write_text(json.dumps(book))
    parcel = make(bench, tmp_path / "a.zip", notebooks=[tmp_path / "look.ipynb"])
    found = open_parcel(tmp_path / "a.zip", tmp_path / "opened")
    assert found.notebooks == parcel.notebooks == ("look.ipynb",)
    text = (found.path / "data/notebooks/look.ipynb").read_text()
    assert not any(word in text.lower() for word in ("wilma", "script", "trusted", "widgets", "html"))
    outputs = json.loads(text)["cells"][1]["outputs"]
    assert [o["output_type"] for o in outputs] == ["stream", "display_data"]
    assert b"IDAT" in base64.b64decode(outputs[1]["data"]["image/png"])


@pytest.mark.parametrize("licence", ["", "free", "CC-BY", "proprietary!"])
def test_a_licence_is_chosen_and_known(tmp_path, bench, licence):
    with pytest.raises(ValueError, match="SPDX"):
        make(bench, tmp_path / "a.zip", licence=licence)
    assert check_licence("cc0-1.0 OR mit") == "CC0-1.0 OR MIT"


def test_there_is_no_licence_by_default(tmp_path, bench, capsys):
    with pytest.raises(SystemExit):
        main(["parcel", str(bench), "--to", str(tmp_path / "a.zip")])
    assert "--licence" in capsys.readouterr().err and not (tmp_path / "a.zip").exists()


def test_making_never_overwrites_and_leaves_nothing_behind_on_failure(tmp_path, bench):
    (tmp_path / "a.zip").write_text("mine")
    with pytest.raises(ValueError, match="there already"):
        make(bench, tmp_path / "a.zip")
    before = sorted(os.listdir(tmp_path))
    with pytest.raises(ParcelRefusedError, match=r"results\.json"):
        make(bench, tmp_path / "b.zip", results=lambda folder: '{"format": "other"}')
    with pytest.raises(ValueError, match=r"run\.toml"):
        make(tmp_path, tmp_path / "c.zip")
    assert sorted(os.listdir(tmp_path)) == before and (tmp_path / "a.zip").read_text() == "mine"


def test_a_log_of_almost_nothing_is_no_bomb(tmp_path, bench):
    (bench / "dead.csv").write_text("t [s],ax [mg]\n" + "0.000,0.000\n" * 200_000)
    parcel = make(bench, tmp_path / "a.zip")
    there = open_parcel(tmp_path / "a.zip", tmp_path / "opened").run_folder(parcel.runs[0])
    assert (there / "dead.csv").read_bytes() == (bench / "dead.csv").read_bytes()


def test_the_same_run_makes_the_same_bytes(tmp_path, bench):
    """No time, owner or order of the builder's disk is in the parcel."""
    (tmp_path / "x").mkdir()
    make(bench, tmp_path / "a.zip")
    for path in bench.iterdir():
        os.utime(path, (1e9, 1e9))
    make(bench, tmp_path / "x/a.zip")
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "x/a.zip").read_bytes()


# -------------------------------------------------------------------------------------------- a good stranger
def test_a_plain_parcel_opens(tmp_path):
    parcel = opened(tmp_path, packed(bag(payload())))
    assert parcel.runs == ("birch",) and parcel.licence == "CC0-1.0"
    assert (parcel.run_folder("birch") / "log.csv").read_text() == LOG
    assert read_results((parcel.run_folder("birch") / "results.json").read_bytes()).numbers["settling_s"].value == 0.25


def test_opening_never_overwrites(tmp_path):
    (tmp_path / "p.zip").write_bytes(packed(bag(payload())))
    (tmp_path / "there").mkdir()
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    for target in ("there", "dangling", "nowhere/at/all"):
        with pytest.raises(ValueError, match="there already"):
            open_parcel(tmp_path / "p.zip", tmp_path / target)
    assert not list((tmp_path / "there").iterdir())


def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    (tmp_path / "p.zip").write_bytes(packed(bag(payload())))
    monkeypatch.setattr(parcel_module, "checksums", full)
    with pytest.raises(OSError, match="No space"):
        open_parcel(tmp_path / "p.zip", tmp_path / "opened")
    assert os.listdir(tmp_path) == ["p.zip"]


def test_peeking_reads_what_a_run_says_and_nothing_of_its_logs(tmp_path):
    files = bag(payload())
    files["data/runs/birch/log.csv"] = b"not what the checksum says"
    (tmp_path / "p.zip").write_bytes(packed(files))
    (run,) = peek_parcel(tmp_path / "p.zip")
    assert run.run_file == RUN_TOML.encode() and run.digests["log.csv"] == hashlib.sha256(LOG.encode()).hexdigest()
    files["data/runs/birch/run.toml"] += b"#"
    (tmp_path / "p.zip").write_bytes(packed(files))
    with pytest.raises(ParcelRefusedError, match="wrong sha256"):
        peek_parcel(tmp_path / "p.zip")


# ------------------------------------------------------------------------------------------- hostile strangers
HOSTILE_NAMES = {
    "../out.csv": "leads out",
    "data/runs/birch/../../../../out.csv": "leads out",
    "data/runs/birch/a\\..\\..\\b.csv": "leads out",
    "data\\runs\\x.csv": "character",
    "data/runs/birch/C:x.csv": "character",
    "data/runs/birch/con.csv": "device",
    "data/runs/birch/LPT1": "device",
    "data/runs/birch/.hidden.csv": "hidden",
    "data/runs/birch/x.csv.": "hidden",
    "data/runs/birch//x.csv": "empty part",
    "data/runs/birch/./x.csv": "empty part",
    "data/runs/birch/a\nb.csv": "character",
    "data/runs/birch/a\x1b[2Jb.csv": "character",
    "data/runs/birch/a\u202evsc.csv": "cannot be seen",
    "data/runs/birch/e\u0301.csv": "normal form",
    "data/runs/birch/LOG.csv": "falls together",
    "data/runs/BIRCH/x.csv": "falls together",
    "data/runs/birch/log.csv/x.csv": "a file and a folder",
    "data/runs/birch/" + "n" * 130 + ".csv": "too long",
    "data/" + "d/" * 9 + "x.csv": "too deep",
    "data/runs/birch/50%.csv": "character",
    "extra.txt": "beside the payload",
    "fetch.txt": "files to fetch",
}


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=ascii)
def test_a_hostile_name_is_refused(tmp_path, name):
    refused(tmp_path, packed(bag(payload()) | {name: b"x"}), HOSTILE_NAMES[name])


@pytest.mark.parametrize(
    "name", ["data/loose.csv", "data/notebooks/x.csv", "data/notebooks/d/x.ipynb", "data/runs/x.csv", "data/x/y/z.csv"]
)
def test_a_file_in_a_place_of_its_own_is_refused(tmp_path, name):
    refused(tmp_path, packed(bag(payload() | {name: b"x"})), "a place of its own")


@pytest.mark.parametrize("base", ["/p/", "C:/p/", "//host/p/", "\\\\host\\p/"])
def test_an_absolute_path_or_a_drive_is_refused(tmp_path, base):
    refused(tmp_path, packed(bag(payload()), base=base), "absolute path")


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFCHR, stat.S_IFBLK, stat.S_IFIFO, stat.S_IFSOCK])
def test_links_and_devices_are_refused(tmp_path, kind):
    def change(entry):
        if entry.filename.endswith("log.csv"):
            entry.external_attr = (kind | 0o777) << 16

    error = refused(tmp_path, packed(bag(payload()), change=change), "a link or a device")
    assert error.entry == "p/data/runs/birch/log.csv"


def with_extra(number):
    def change(entry):
        if entry.filename.endswith("log.csv"):
            entry.extra = struct.pack("<HHQ", number, 8, 5)

    return change


@pytest.mark.parametrize("number", [0x756E, 0x7075, 0x0001, 0x9901])  # hard link, second name, Zip64, encryption
def test_extra_data_is_refused(tmp_path, number):
    raw = packed(bag(payload()), change=with_extra(number))
    refused(tmp_path, raw, "extra data|broken directory")


def test_other_compression_is_refused(tmp_path):
    refused(tmp_path, packed(bag(payload()), method=zipfile.ZIP_LZMA), "compression method 14")


def patched(raw, old, new, *, count=-1):
    assert old in raw and len(old) == len(new)
    return raw.replace(old, new, count)


def central(raw, name, at, fmt, value):
    """Patch a field of the central directory record of an entry."""
    start = raw.rindex(name.encode()) - 46
    assert raw[start : start + 4] == b"PK\x01\x02"
    changed = bytearray(raw)
    struct.pack_into(fmt, changed, start + at, value)
    return bytes(changed)


def test_encryption_is_refused(tmp_path):
    raw = packed(bag(payload()))
    refused(tmp_path, central(raw, "p/data/runs/birch/log.csv", 8, "<H", 1), "an encrypted entry")


def test_a_name_that_is_not_utf8_is_refused(tmp_path):
    raw = packed(bag(payload()) | {"data/runs/birch/cafe.csv": b"x"})
    refused(tmp_path, patched(raw, b"cafe.csv", b"caf\xe9.csv"), "UTF-8")  # not marked as such
    marked = packed(bag(payload()) | {"data/runs/birch/caf\u00e9.csv": b"x"})
    refused(tmp_path, patched(marked, "caf\u00e9".encode(), b"caf\xff\xfe"), "UTF-8")


def test_a_name_with_a_hidden_end_is_refused(tmp_path):
    raw = packed(bag(payload()) | {"data/runs/birch/a_b.csv": b"x"})
    refused(tmp_path, patched(raw, b"a_b.csv", b"a\0b.csv"), "character")


def test_the_same_name_twice_is_refused(tmp_path):
    raw = packed(bag(payload()) | {"data/runs/birch/lag.csv": b"x"})
    refused(tmp_path, patched(raw, b"birch/lag.csv", b"birch/log.csv"), "the name twice")


def test_entries_that_share_bytes_are_refused(tmp_path):
    raw = packed(bag(payload()) | {"data/runs/birch/log2.csv": LOG.encode()})
    where = struct.unpack_from("<L", raw, raw.rindex(b"p/data/runs/birch/log.csv") - 4)[0]
    refused(tmp_path, central(raw, "p/data/runs/birch/log2.csv", 42, "<L", where), "shared with another")


def test_something_before_behind_or_in_place_of_the_zip_is_refused(tmp_path):
    raw = packed(bag(payload()))
    buffer = io.BytesIO(raw)
    with zipfile.ZipFile(buffer, "a") as archive:
        archive.comment = b"PK\x05\x06" + bytes(18)
    for other in (b"#!/bin/sh\n" + raw, raw + b"\0", raw[:-1], raw[:-30], b"", b"PK", LOG.encode(), buffer.getvalue()):
        refused(tmp_path, other, "plain ZIP|padded")


def test_zip64_is_refused(tmp_path):
    raw = bytearray(packed(bag(payload())))
    end = len(raw) - 22
    record = struct.pack("<4sQHHLLQQQQ", b"PK\x06\x06", 44, 45, 45, 0, 0, 9, 9, end, 0)
    locator = struct.pack("<4sLQL", b"PK\x06\x07", 0, end, 1)
    refused(tmp_path, bytes(raw[:end] + record + locator + raw[end:]), "Zip64")


def test_two_tops_and_no_top_are_refused(tmp_path):
    files = bag(payload())
    refused(tmp_path, packed(files, base=""), "names at the top")
    refused(tmp_path, packed({f"p/{n}": c for n, c in files.items()} | {"q/x": b""}, base=""), "2 names at the top")


def test_bombs_are_refused_before_they_unpack(tmp_path):
    zeros = bytes(3 << 20)
    refused(
        tmp_path, packed(bag(payload(data__runs__birch__z_csv=b"")) | {"data/runs/birch/z.csv": zeros}), "packed into"
    )
    raw = packed(bag(payload()))
    refused(tmp_path, raw, "MB unpacked", limits=Limits(total_bytes=2500))
    refused(tmp_path, raw, "MB unpacked", limits=Limits(file_bytes=1500))
    refused(tmp_path, raw, "entries", limits=Limits(entries=7))
    # the directory claims less than there is: unpacking stops at the claim, and the checksum tells
    short = central(raw, "p/data/runs/birch/log.csv", 24, "<L", 100)
    refused(tmp_path, short, "cannot be unpacked|wrong sha256")


def test_archives_in_the_parcel_are_not_opened_and_packed_logs_are_counted(tmp_path):
    bomb = gzip.compress(bytes(4 << 20), mtime=0)
    refused(tmp_path, packed(bag(payload() | {"data/runs/birch/b.csv.gz": bomb})), "packed into")
    twice = gzip.compress(gzip.compress(LOG.encode()))
    refused(tmp_path, packed(bag(payload() | {"data/runs/birch/b.csv.gz": twice})), "archive in an archive")
    inner = packed(bag(payload()))
    refused(tmp_path, packed(bag(payload() | {"data/runs/birch/inner.zip": inner})), r"the kind \.zip")
    refused(tmp_path, packed(bag(payload() | {"data/runs/birch/inner.csv": inner})), "under the name of a text")
    cut = gzip.compress(LOG.encode())[:-4]
    refused(tmp_path, packed(bag(payload() | {"data/runs/birch/b.csv.gz": cut})), "end-of-stream|ended")


def saved(array, **how):
    buffer = io.BytesIO()
    np.save(buffer, array, **how)
    return buffer.getvalue()


class Alarm:
    """Unpickling this would end the test run."""

    def __reduce__(self):
        return os._exit, (3,)


def test_nothing_is_unpickled(tmp_path):
    objects = saved(np.array([Alarm()], dtype=object), allow_pickle=True)
    npz = io.BytesIO()
    np.savez(npz, a=np.array([Alarm()], dtype=object))
    for name, content, match in (
        ("a.npy", objects, "unpickling"),
        ("a.npz", npz.getvalue(), "unpickling"),
        ("a.pkl", pickle.dumps(Alarm()), r"the kind \.pkl"),
        ("a.csv", pickle.dumps(Alarm(), protocol=4), "under the name of a text"),
        (
            "a.npy",
            b"\x93NUMPY\x01\x00\x40\x00{'descr': '<f8', 'fortran_order': False, 'shape': (1<<40,)}   \n",
            "header|shape",
        ),
    ):
        refused(tmp_path, packed(bag(payload() | {f"data/runs/birch/{name}": content})), match)


def test_an_array_larger_than_it_may_be_is_refused(tmp_path):
    head = saved(np.zeros(1)).replace(b"(1,), }" + b" " * 10, b"(99999999999,), }")
    assert b"99999999999" in head
    refused(tmp_path, packed(bag(payload() | {"data/runs/birch/a.npy": head})), "an array of 8e")


@pytest.mark.parametrize(
    ("name", "content", "match"),
    [
        ("x.py", b"print()", r"the kind \.py"),
        ("x.html", b"<script>", r"the kind \.html"),
        ("x.svg", b"<svg/>", r"the kind \.svg"),
        ("Makefile", b"all:", "without ending"),
        ("x.png", b"GIF89a", "not the beginning"),
        ("x.png", png(width=4).replace(struct.pack(">II", 4, 3), struct.pack(">II", 1 << 20, 1 << 20)), "pixels"),
        ("x.mp4", b"MZ" + bytes(20), "not the beginning"),
        ("x.json", b"{" + b'"a":[' * 200_000, "not JSON|nested"),
        ("x.json", b'{"a": NaN}', "no number"),
        ("x.json", b'{"a": "\xff"}', "UTF-8"),
        ("x.json", b"", "empty"),
        ("x.parquet", b"PAR1 and no more", "Parquet"),
    ],
)
def test_a_file_is_what_its_name_says(tmp_path, name, content, match):
    refused(tmp_path, packed(bag(payload() | {f"data/runs/birch/{name}": content})), match)


def notebook(**cell):
    cells = [{"cell_type": "code", "metadata": {}, "source": "1", "outputs": []} | cell]
    return json.dumps({"nbformat": 4, "metadata": {}, "cells": cells}).encode()


@pytest.mark.parametrize(
    ("book", "match"),
    [
        (notebook(outputs=[{"output_type": "display_data", "data": {"text/html": "<b>"}}]), "text/html"),
        (notebook(outputs=[{"output_type": "display_data", "data": {"application/javascript": "1"}}]), "javascript"),
        (notebook(outputs=[{"output_type": "display_data", "data": {"image/svg+xml": "<svg/>"}}]), "svg"),
        (notebook(metadata={"trusted": True}), "trust"),
        (notebook(cell_type="markdown", source="<script>alert(1)</script>"), "markup that runs"),
        (notebook(cell_type="markdown", source=["<img src=x on", 'error = "alert(1)">']), "markup that runs"),
        (notebook(cell_type="markdown", attachments={"a": {"text/html": "<b>"}}), "text/html"),
        (json.dumps({"nbformat": 4, "metadata": {"widgets": {}}, "cells": []}).encode(), "metadata of its own"),
        (json.dumps({"nbformat": 3, "worksheets": []}).encode(), "nbformat 4"),
        (json.dumps({"nbformat": 4, "metadata": [], "cells": 7}).encode(), "is no"),
        (notebook(outputs=["x"]), "that is none"),
        (notebook(outputs=[{"data": ["text/html"]}]), "is no"),
    ],
)
def test_a_notebook_that_could_run_by_itself_is_refused(tmp_path, book, match):
    refused(tmp_path, packed(bag(payload() | {"data/notebooks/x.ipynb": book})), match)


def test_checksums_are_complete_and_right(tmp_path):
    good = bag(payload())
    refused(tmp_path, packed(good | {"data/runs/birch/log.csv": LOG.encode() + b"1"}), "wrong sha256")
    refused(tmp_path, packed(good | {"data/runs/birch/more.csv": b"1"}), "no sha256 checksum")
    refused(tmp_path, packed({n: c for n, c in good.items() if n != "data/runs/birch/log.csv"}), "but missing")
    refused(tmp_path, packed(good | {"bag-info.txt": b"Bag-Count: 2\n"}), "wrong sha256")
    for name in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"):
        error = refused(tmp_path, packed({n: c for n, c in good.items() if n != name}), "missing")
        assert name in error.entry
    for tags, match in (
        ({"bagit.txt": b"BagIt-Version: 0.97\n"}, "another declaration"),
        ({"manifest-sha256.txt": good["manifest-sha256.txt"] * 2}, "line 5 does not fit"),
        ({"manifest-sha256.txt": b"\xff"}, "UTF-8"),
        ({"bag-info.txt": b"Payload-Oxum: 1.1\n"}, "Payload-Oxum"),
        ({"manifest-sha512.txt": good["manifest-sha256.txt"]}, "wrong sha512"),
        ({"manifest-md5.txt": b""}, "beside the payload"),
    ):
        refused(tmp_path, packed(bag(payload(), tags=tags)), match)


def test_oversized_metadata_is_refused(tmp_path):
    small = Limits(text_bytes=2000)
    refused(tmp_path, packed(bag(payload(), tags={"bag-info.txt": b"x: y\n" * 500})), "2500 bytes", limits=small)
    big = RUN_TOML.encode() + b"#" * 3000
    refused(
        tmp_path,
        packed(bag(payload(data__runs__birch__run=b"") | {"data/runs/birch/run.toml": big})),
        ".",
        limits=small,
    )
    refused(tmp_path, packed(bag(payload() | {"data/runs/birch/run.toml": big})), "larger than", limits=small)
    refused(tmp_path, packed(bag(payload() | {"data/parcel.json": contents(x="y" * 3000)})), "above 2000", limits=small)


@pytest.mark.parametrize(
    ("name", "content", "match"),
    [
        ("data/parcel.json", b"[]", "not the format"),
        ("data/parcel.json", contents(version=2), "not the format"),
        ("data/parcel.json", contents(licence="steal it"), "SPDX"),
        ("data/parcel.json", contents(software=[1]), "no table"),
        ("data/parcel.json", contents(scrubbed=[1]), "no list of tables"),
        ("data/runs/birch/results.json", b"{}", "another kind of file"),
        ("data/runs/birch/results.json", RESULTS.replace("0.25", "1e999").encode(), "finite"),
        ("data/runs/birch/results.json", RESULTS.replace("0.25", '"<script>"').encode(), "finite"),
        ("data/runs/birch/results.json", RESULTS.replace('"standard_error": null,', "").encode(), "all five"),
    ],
)
def test_what_describes_the_parcel_is_read_with_distrust(tmp_path, name, content, match):
    refused(tmp_path, packed(bag(payload() | {name: content})), match)


def test_a_strangers_text_cannot_command_a_terminal_or_a_page(tmp_path, capsys):
    nasty = "\x1b]0;owned\x07\x9b2J\u202e<script>alert(1)</script>"
    said = contents(software={nasty: nasty}, left_out={nasty: nasty}, kept={nasty: nasty}, made=nasty)
    (tmp_path / "p.zip").write_bytes(packed(bag(payload() | {"data/parcel.json": said})))
    assert main(["open-parcel", str(tmp_path / "p.zip"), str(tmp_path / "o")]) == 0
    out = capsys.readouterr().out
    assert "owned" in out and not set(out) & set("\x1b\x07\x9b\u202e")
    assert clean_text("a\tb\nc \ud800 é 漢 \U0001f527") == "a\tb\nc \\ud800 é 漢 \U0001f527"
    # a name in the refusal of a hostile one is made harmless too
    (tmp_path / "q.zip").write_bytes(packed(bag(payload()) | {"data/\x1b[31mred.csv": b""}))
    assert main(["open-parcel", str(tmp_path / "q.zip"), str(tmp_path / "q")]) == 2
    assert "\x1b" not in capsys.readouterr().err


# -------------------------------------------------------------------------------------------------- fuzzing
FUZZ = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
GOOD = packed(bag(payload() | {"data/runs/birch/a.npy": saved(np.arange(5.0)), "data/notebooks/n.ipynb": notebook()}))


@FUZZ
@given(
    edits=st.lists(
        st.tuples(st.integers(0, len(GOOD) - 1), st.binary(max_size=6), st.integers(0, 6)), min_size=1, max_size=4
    )
)
def test_a_damaged_parcel_is_refused_or_opens_to_the_same_files(tmp_path_factory, edits):
    raw = bytearray(GOOD)
    for at, new, cut in edits:
        raw[at : at + cut] = new
    home = tmp_path_factory.mktemp("fuzz")
    try:
        parcel = opened(home, bytes(raw))
    except ParcelRefusedError:
        return
    for name, content in payload().items():
        assert (parcel.path / name).read_bytes() == content


@FUZZ
@given(
    name=st.one_of(st.text(max_size=20), st.from_regex(r"(\.{0,2}[/\\]?[a-zA-Z:~ ]{0,3}){1,6}(\.csv)?", fullmatch=True))
)
def test_no_name_leads_out(tmp_path_factory, name):
    home = tmp_path_factory.mktemp("fuzz")
    path = "data/runs/birch/" + name
    try:
        path.encode()
        raw = packed(bag(payload() | {path: b"1,2\n"}))
    except (UnicodeEncodeError, ValueError):  # a lone surrogate cannot be written into a ZIP
        return
    try:
        parcel = opened(home, raw)
    except ParcelRefusedError:
        return
    assert (parcel.path / path).read_bytes() == b"1,2\n"
    below = {p.relative_to(parcel.path).as_posix() for p in parcel.path.rglob("*") if p.is_file()}
    assert below == set(bag(payload() | {path: b""}))


@FUZZ
@given(
    content=st.binary(max_size=60), kind=st.sampled_from([".json", ".ipynb", ".npy", ".npz", ".gz", ".png", ".parquet"])
)
def test_no_content_ends_in_anything_but_words(tmp_path_factory, content, kind):
    mark = {".npy": b"\x93NUMPY\x01\x00", ".npz": b"PK\x03\x04", ".gz": b"\x1f\x8b\x08", ".parquet": b"PAR1"}
    name = {".ipynb": "data/notebooks/x.ipynb", ".gz": "data/runs/birch/x.csv.gz"}.get(kind, f"data/runs/birch/x{kind}")
    files = payload() | {name: mark.get(kind, b"") + content}
    try:
        opened(tmp_path_factory.mktemp("fuzz"), packed(bag(files)))
    except ParcelRefusedError as error:
        assert error.entry == name


# ----------------------------------------------------------------------------------------------- end to end
def bench_run(folder, *, seed=0):
    """Six moves with one mode at 17 Hz; own synthesis."""
    rng, rate = np.random.default_rng(seed), 800.0
    t = np.arange(int(15 * rate)) / rate
    az = np.zeros_like(t)
    for k in range(6):
        since, w = t - (1.0 + 2.3 * k), 2 * np.pi * 17
        az += np.where(since >= 0, 0.02 * np.exp(-0.04 * w * since) * np.sin(w * since), 0.0)
    values = np.stack([0 * t, 1 + az]) + 2e-3 * rng.standard_normal((2, t.size))
    folder.mkdir()
    header = "# made by otto at /home/otto/bench, sensor serial no. 4711-B\nt [s],ax [g],az [g]"
    np.savetxt(
        folder / "log.csv", np.column_stack([t, values.T]), delimiter=",", header=header, comments="", fmt="%.6f"
    )
    (folder / "run.toml").write_text('[panel]\nmaterial = "MDF"\nthickness_mm = 9\n[camera]\ntolerance_um = 3.0\n')
    return folder


def test_a_parcel_analysed_elsewhere_gives_the_same_numbers_or_says_what_differs(tmp_path, capsys):
    run, zipped, there = bench_run(tmp_path / "mdf"), tmp_path / "mdf.zip", tmp_path / "there"
    assert main(["parcel", str(run), "--to", str(zipped), "--licence", "CC-BY-4.0", "--scrub", "otto"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "'4711-B' → SERIAL" in out and "'/home/otto/' → PATH/" in out and "licence CC-BY-4.0" in out
    assert main(["open-parcel", str(zipped), str(there), "--again"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "numbers are the same" in out and "hundredth of its standard uncertainty" in out
    stored = there / "data/runs/mdf/results.json"
    results = json.loads(stored.read_text())
    assert results["numbers"]["frequency_hz"]["value"] == pytest.approx(17.0, abs=0.1)
    # a parcel whose results are not those of its logs
    results["numbers"]["frequency_hz"]["value"] *= 1.001
    files = {
        p.relative_to(there).as_posix(): p.read_bytes() for p in there.rglob("*") if p.is_file() and "data" in p.parts
    }
    files["data/runs/mdf/results.json"] = json.dumps(results).encode()
    zipped.write_bytes(packed(bag(files)))
    assert main(["open-parcel", str(zipped), str(tmp_path / "false"), "--again"]) == 1
    out = capsys.readouterr().out
    assert "1 of" in out and "frequency_hz: 17.0" in out
