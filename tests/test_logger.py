"""The live logger: what it writes, when it begins and ends, what it survives."""

import contextlib
import errno
import functools
import math
import os
import resource
import signal
import socket
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from labkit.analyse.moves import find_moves
from labkit.base import STANDARD_GRAVITY_M_S2, LogFormatError
from labkit.runs.checks import check_recording
from labkit.runs.live import byte_source, log_file
from labkit.runs.live.byte_source import FileSource, SourceLostError, open_source
from labkit.runs.live.line_protocol import checksum, parse_header
from labkit.runs.live.live_window import LiveWindow, MoveCounter
from labkit.runs.live.log_file import LogFile, LogNotStoredError, printable
from labkit.runs.live.logger import Logger, LogPlan
from labkit.runs.live.pretend_sensor import STEP_MG, PretendSensor, invented_motion
from labkit.runs.readers import read_log

HEAD = "# rate_hz: 800\nseq,ax [2 mg],az [2 mg],trigger\n"


def stored(path, n=4000, *, rate=800.0, period=1.5, without=(), junk=None):
    """A stored stream of invented motion with a trigger; rows in `without` are left out."""
    motion, moving = invented_motion(np.arange(n) / rate, period_s=period)
    steps = np.round(motion / (2e-3 * STANDARD_GRAVITY_M_S2)).astype(int)
    lines = [f"{i},{steps[i, 0]},{steps[i, 2]},{int(moving[i])}" for i in range(n) if i not in without]
    if junk:
        lines.insert(n // 2, junk)
    path.write_bytes(HEAD.encode() + "\n".join(lines).encode("utf-8", "surrogateescape") + b"\n")
    return path


def logged(path, **plan):
    plan.setdefault("folder", path.parent / "run")
    return Logger(FileSource(str(path)), LogPlan(**plan)).run()


# ------------------------------------------------------------------------------------- what it writes and when
def test_the_log_is_read_by_the_readers_as_it_is(tmp_path):
    lost = [50, 51, 650]
    summary = logged(stored(tmp_path / "sent.txt", without=lost, junk="\udcff\udcfe??"))
    assert (summary.n_samples, summary.n_lost, summary.n_faults) == (3997, 3, 1)
    log = read_log(summary.paths[0], irregular="mark")
    assert log.sample_rate_hz == pytest.approx(800) and log.channels == ("ax", "az") and log.unit == "m/s^2"
    assert np.flatnonzero(np.isnan(log.values[0])).tolist() == lost
    truth = invented_motion(np.arange(4000) / 800, period_s=1.5)[0]
    assert np.nanmax(np.abs(log.values[1] - truth[:, 2])) <= 1.001 * 1e-3 * STANDARD_GRAVITY_M_S2
    trigger = read_log(summary.paths[0], quantity="trigger", irregular="mark")
    assert len(find_moves(log, trigger).moves) == 3
    assert {"gaps", "dropped-samples"} & {f.code for f in check_recording(log).findings}
    text = summary.paths[0].read_text()
    assert "# lost: 2 sample(s), 2.5 ms, by the sequence number" in text and r"# fault: garbage: \xff\xfe??" in text


def test_each_start_takes_a_free_name_and_nothing_is_overwritten(tmp_path):
    sent = stored(tmp_path / "sent.txt", 200)
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "log-001.csv").write_text("precious")
    paths = [logged(sent).paths[0] for _ in range(2)]
    assert [path.name for path in paths] == ["log-002.csv", "log-003.csv"]
    assert (tmp_path / "run" / "log-001.csv").read_text() == "precious"


def test_it_ends_after_so_many_moves_and_the_rest_after_them(tmp_path):
    summary = logged(stored(tmp_path / "sent.txt", 8000), n_moves=3, rest_s=0.5)
    assert summary.n_moves >= 3 and summary.reason == f"{summary.n_moves} moves were made"


def test_moves_closer_than_the_rest_end_it_too(tmp_path):
    summary = logged(stored(tmp_path / "sent.txt", 8000), n_moves=3, rest_s=3.0)  # a move every 1.5 s
    assert summary.reason == f"{summary.n_moves} moves were made"
    assert summary.n_moves > 3 and summary.n_samples < 8000


def test_it_ends_when_the_time_is_over(tmp_path):
    summary = logged(stored(tmp_path / "sent.txt", 8000), duration_s=2.0)
    assert summary.reason == "2 s are over" and 1600 <= summary.n_samples < 8000


class Scripted:
    """A source that hands out pieces and then does what it is told: each entry is bytes or a call."""

    name, live, begins_whole = "scripted", False, True

    def __init__(self, script):
        self._script = iter(script)

    def read(self):
        entry = next(self._script, None)
        if entry is None:
            time.sleep(0.02)
            return b""
        if callable(entry):
            entry()
            return b""
        return entry

    def reopen(self):
        return True

    def close(self):
        pass


def lost_connection():
    raise SourceLostError("pulled out")


def rows(first, stop, extra=",0"):
    return "".join(f"{i},{i % 7},500{extra}\n" for i in range(first, stop)).encode()


def test_it_begins_with_the_trigger_and_keeps_what_came_before(tmp_path):
    script = [HEAD.encode(), rows(0, 1000), rows(1000, 1010, ",1"), rows(1010, 2000)]
    logger = Logger(Scripted(script), LogPlan(folder=tmp_path, begin="trigger", pretrigger_s=0.25, duration_s=0.5))
    summary = logger.run()
    trigger = read_log(summary.paths[0], quantity="trigger")
    assert np.flatnonzero(trigger.values[0])[0] / 800 == pytest.approx(0.25, abs=1 / 800)


def test_it_begins_with_a_motion(tmp_path):
    still = b"".join(rows(i, i + 80) for i in range(0, 1600, 80))
    script = [HEAD.encode(), *[still[i : i + 1000] for i in range(0, len(still), 1000)], b"1600,1500,500,0\n"]
    plan = LogPlan(folder=tmp_path, begin="level", level_m_s2=10.0, pretrigger_s=0.1, duration_s=0.05)
    log = read_log(Logger(Scripted([*script, rows(1601, 2000)]), plan).run().paths[0])
    assert np.argmax(log.values[0]) == pytest.approx(80, abs=1)


def test_a_trigger_that_is_not_there_cannot_begin_a_log(tmp_path):
    script = [b"# rate_hz: 800\nseq,ax [mg]\n1,2\n2,3\n3,4\n"]
    with pytest.raises(ValueError, match="begin with a trigger, but the header is 'seq,ax"):
        Logger(Scripted(script), LogPlan(folder=tmp_path, begin="trigger")).run()


def test_marks_countdown_and_stop_come_from_other_threads(tmp_path):
    script = [HEAD.encode(), rows(0, 100)]
    logger = Logger(Scripted(script), LogPlan(folder=tmp_path, begin="on command", countdown_s=0.4, pretrigger_s=0.0))
    states = []

    def act(status):
        states.append(status.state)
        if status.state == "waiting":
            logger.start()
        if status.state == "logging":
            logger.mark("oil\nadded")
            logger.stop()

    feeder = iter(range(100, 10_000, 10))
    logger._source.read = functools.partial(_slowly, feeder, [HEAD.encode(), rows(0, 100)])
    summary = logger.run(act)
    assert list(dict.fromkeys(states)) == ["no data", "waiting", "countdown", "logging", "done"]
    assert [text for _, text in summary.marks] == ["oil\nadded"] and summary.reason == "stopped"
    assert "s: oil added\n" in summary.paths[0].read_text()


def _slowly(numbers, first):
    if first:
        return first.pop(0)
    time.sleep(0.02)
    i = next(numbers)
    return rows(i, i + 10)


# ----------------------------------------------------------------------------------------- streams that go wrong
def test_a_short_pause_of_the_connection_is_a_gap_and_a_long_one_a_new_log(tmp_path, monkeypatch):
    now = [0.0]
    script = [HEAD.encode(), rows(0, 400)]
    logger = Logger(Scripted(script), LogPlan(folder=tmp_path, pretrigger_s=0.0), clock=lambda: now[0])
    piece = byte_source.Piece
    for arrival, kind, data in [
        (0.0, "bytes", HEAD.encode() + rows(0, 400)),
        (0.5, "lost", b""),
        (1.5, "back", b""),
        (1.6, "bytes", b"99,1,5" + b"00,0\n" + rows(1200, 1280)),
        (2.0, "lost", b""),
        (9.0, "back", b""),
        (9.1, "bytes", b"\n" + rows(0, 80)),
        (9.2, "end", b""),
    ]:
        now[0] = arrival
        logger._take(piece(arrival_s=arrival, kind=kind, data=data, why="pulled out"))
    logger._session.end("test", clock=logger._clock)
    first, second = logger._session.paths
    log = read_log(first, irregular="mark")
    assert np.isnan(log.values[0]).sum() / 800 == pytest.approx(1.5, abs=0.15)
    assert "gaps" in {f.code for f in check_recording(log).findings}
    assert read_log(second).n_samples == 80
    assert "# pause: the connection was lost: pulled out" in first.read_text()


def test_changed_columns_begin_a_new_log(tmp_path):
    script = [HEAD.encode(), rows(0, 100), b"seq,ax [mg]\n", rows(0, 50, "").replace(b",500", b""), lost_connection]
    source = Scripted([*script[:-1]])
    logger = Logger(source, LogPlan(folder=tmp_path, pretrigger_s=0.0))
    threading.Timer(0.5, logger.stop).start()
    summary = logger.run()
    assert [read_log(path).channels for path in summary.paths] == [("ax", "az"), ("ax",)]


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        (b"1,2\n3,4\n", "without a header"),
        (b"seq,ax [furlong]\n3,4\n", "furlong"),
        (b"nothing of use\n", "without a header"),
    ],
)
def test_a_stream_that_does_not_say_what_it_sends_is_refused(tmp_path, sent, words):
    (tmp_path / "sent.txt").write_bytes(sent)
    with pytest.raises(LogFormatError, match=words):
        logged(tmp_path / "sent.txt")


def test_a_port_that_is_not_there_lists_those_that_are():
    with pytest.raises(SourceLostError, match=r"cannot be opened.*(Ports here|plug the sensor in)"):
        open_source("/dev/ttyNoSuchPort7")


def test_a_silent_port_is_given_up(tmp_path, monkeypatch):
    monkeypatch.setattr("labkit.runs.live.logger._PATIENCE_S", 0.2)
    with pytest.raises(SourceLostError, match=r"has sent nothing of use for 0\.2 s"):
        Logger(Scripted([]), LogPlan(folder=tmp_path)).run()
    assert not list(tmp_path.iterdir())


def test_a_sensor_that_falls_silent_ends_the_log(tmp_path, monkeypatch):
    monkeypatch.setattr("labkit.runs.live.logger._PATIENCE_S", 0.3)
    summary = Logger(Scripted([HEAD.encode(), rows(0, 100)]), LogPlan(folder=tmp_path)).run()
    assert summary.reason == "nothing arrived for 0.3 s" and read_log(summary.paths[0]).n_samples == 100


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"begin": "soon"}, "begin is 'soon'"),
        ({"begin": "level"}, "how strong a motion"),
        ({"pretrigger_s": -1.0}, "pretrigger_s"),
        ({"duration_s": 0.0}, "duration_s"),
        ({"stem": "../up"}, "without a folder"),
        ({"stem": ".hidden"}, "without a folder"),
    ],
)
def test_plans_that_cannot_be_are_refused(tmp_path, wrong, words):
    with pytest.raises(ValueError, match=words):
        LogPlan(folder=tmp_path, **wrong)


# -------------------------------------------------------------------------------- live, over a pseudo-terminal
def test_live_from_a_pseudo_terminal_with_losses_garbage_and_a_wrong_stated_rate(tmp_path):
    with PretendSensor(rate_hz=3150, stated_rate_hz=3200, period_s=1.2, lose_every_s=1.0, garble_every_s=0.7) as sensor:
        plan = LogPlan(folder=tmp_path, n_moves=2, rest_s=0.3, duration_s=8.0)
        summary = Logger(open_source(sensor.port), plan).run()
    log = read_log(summary.paths[0], irregular="mark")
    assert log.sample_rate_hz == pytest.approx(3150, rel=0.01)
    assert summary.n_moves == 2 and summary.n_faults >= 2
    missing = int(np.isnan(log.values[0]).sum())
    assert missing >= 5 and abs(missing - summary.n_lost) <= 2  # five at a time; a busy computer may log one loss only
    steps = log.values[:, np.isfinite(log.values[0])] / (STEP_MG * 1e-3 * STANDARD_GRAVITY_M_S2)
    assert np.abs(steps - np.round(steps)).max() < 1e-3


def test_from_a_socket_that_hangs_up_and_comes_back(tmp_path):
    """Rows over TCP with the sensor's own clock; the server closes the first connection in the middle."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve():
        for first, stop in ((0, 6000), (6600, 9000)):
            with server.accept()[0] as connection, contextlib.suppress(OSError):  # the logger may end before
                for i in range(first, stop, 100):
                    connection.sendall(b"t [us],ax [mg]\n")  # again and again: what comes at once is thrown away
                    connection.sendall("".join(f"{500 * k},{k % 1000}\n" for k in range(i, i + 100)).encode())
                    time.sleep(0.01)
                if first:
                    done.wait(20.0)

    done = threading.Event()
    thread = threading.Thread(target=serve)
    thread.start()
    source = open_source(f"socket://127.0.0.1:{server.getsockname()[1]}")
    logger = Logger(source, LogPlan(folder=tmp_path, pretrigger_s=0.0))
    logger.run(lambda status: logger.stop() if status.n_samples >= 8000 else None)
    done.set()
    thread.join()
    server.close()
    assert logger._session.n_pauses == 1
    text = logger._session.paths[0].read_text()
    assert "# pause: the connection was lost" in text and "the connection paused" in text
    log = read_log(logger._session.paths[0], irregular="mark")
    assert np.isnan(log.values[0]).sum() >= 600 and log.sample_rate_hz == pytest.approx(2000, rel=1e-3)


# --------------------------------------------------------------------------------------- plug pulled, disk full
def test_after_kill_nothing_older_than_a_second_is_missing(tmp_path):
    """Five loggers, each fed through a pipe and killed without warning (50 in the record of measurements)."""
    rng = np.random.default_rng(5)
    loggers = []
    for k in range(5):
        ours, theirs = os.pipe()
        child = os.fork()
        if child == 0:  # a process that has all modules loaded; it never returns into the test
            os.close(theirs)
            Logger(FileSource(f"/proc/self/fd/{ours}"), LogPlan(folder=tmp_path / str(k), pretrigger_s=0.0)).run()
            os._exit(0)
        os.close(ours)
        os.write(theirs, b"seq,t [us],ax [mg]\n")
        loggers.append([child, theirs, rng.uniform(1.2, 2.2), None])
    begun, sent = time.monotonic(), 0
    times = []
    while any(death is None for *_, death in loggers):
        now = time.monotonic() - begun
        due = int(now * 1000)
        line = "".join(f"{i},{i * 1000},{i}\n" for i in range(sent, due)).encode()
        sent, times = due, [*times, (now, due)]
        for logger in loggers:
            child, pipe, dies_at, death = logger
            if death is None and now >= dies_at:
                os.kill(child, signal.SIGKILL)
                os.waitpid(child, 0)
                logger[3] = now
            elif death is None:
                os.write(pipe, line)
        time.sleep(0.01)
    for k, (_, pipe, _, death) in enumerate(loggers):
        os.close(pipe)
        log = read_log(tmp_path / str(k) / "log-001.csv")
        safe = max(due for now, due in times if now <= death - 1.0)
        values = log.values[0] / (1e-3 * STANDARD_GRAVITY_M_S2)
        assert np.allclose(np.diff(values), 1) and values[-1] + 1 >= safe, (k, values[-1], safe)
        assert log.n_samples >= values[-1] - values[0]


def test_what_is_synchronised_is_never_older_than_a_second(tmp_path, monkeypatch):
    """Pulling the plug loses what was not synchronised; kill alone cannot show that, for the system keeps it."""
    now, synced = [0.0], {}

    def fsync(handle):
        synced[handle] = os.fstat(handle).st_size

    monkeypatch.setattr(log_file.os, "fsync", fsync)
    log = LogFile(tmp_path, stem="log", remarks=[], titles=["t [s]", "ax [mg]"], clock=lambda: now[0])
    for k in range(1000):
        now[0] = 0.01 * k
        log.rows(np.array([now[0]]), np.array([[k]]))
        log.sync_when_due()
        on_disk = log.path.read_bytes()[: synced[log._file]]
        last = on_disk.rstrip().split(b"\n")[-1].split(b",")[0]
        assert now[0] - (float(last) if last[:1].isdigit() else 0.0) <= 0.5
    log.close()


def test_a_full_disk_stops_the_log_with_the_reason_and_keeps_what_is_written(tmp_path):
    """In a process of its own, whose files may not grow beyond 60 kB."""
    sent = stored(tmp_path / "sent.txt", 20_000)
    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))
        try:
            logged(sent)
        except LogNotStoredError as error:
            os._exit(10 if "MB are free" in str(error) and "File too large" in str(error) else 11)
        os._exit(12)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 10
    path = tmp_path / "run" / "log-001.csv"
    assert path.stat().st_size == 60_000
    log = read_log(path)  # all but its torn last line
    assert log.n_samples > 1500 and log.complete


@pytest.mark.parametrize(
    ("call", "number", "words"),
    [
        ("write", errno.ENOSPC, r"No space left on device.*free space"),
        ("write", errno.EDQUOT, r"quota exceeded.*free space"),
        ("fsync", errno.EIO, r"Input/output error.*another disk"),
        ("open", errno.EROFS, r"Read-only file system.*name a folder that you may write to"),
    ],
)
def test_a_disk_that_refuses_says_so(tmp_path, monkeypatch, call, number, words):
    sent, folder = FileSource(str(stored(tmp_path / "sent.txt", 100))), tmp_path / "run"

    def refuse(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(log_file.os, call, refuse)
    with pytest.raises(LogNotStoredError, match=words):
        Logger(sent, LogPlan(folder=folder)).run()


@pytest.mark.skipif(os.geteuid() != 0, reason="only the superuser can become nobody")
def test_a_folder_that_one_may_not_write_to_is_refused_as_nobody():
    with tempfile.TemporaryDirectory() as name:
        _refused_in(Path(name), as_user=65534)


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write everywhere")
def test_a_folder_that_one_may_not_write_to_is_refused(tmp_path):
    _refused_in(tmp_path, as_user=None)


def _refused_in(folder, *, as_user):
    folder.chmod(0o555)
    try:
        if as_user is not None:
            os.seteuid(as_user)
        with pytest.raises(LogNotStoredError, match=r"Permission denied.*name a folder that you may write to"):
            LogFile(folder, stem="log", remarks=[], titles=["t [s]", "ax [mg]"])
    finally:
        if as_user is not None:
            os.seteuid(0)
        folder.chmod(0o755)


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "run").write_text("")
    with pytest.raises(LogNotStoredError, match="name a folder"):
        logged(stored(tmp_path / "sent.txt", 100))


def test_folder_names_that_are_no_utf8(tmp_path):
    folder = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9"))
    summary = logged(stored(tmp_path / "sent.txt", 200), folder=folder, remarks=(f"note: {folder}",))
    assert read_log(summary.paths[0]).n_samples == 200
    printable(summary.paths[0]).encode("utf-8")


def test_setting_the_time_of_day_back_does_not_touch_the_log(tmp_path, monkeypatch):
    monkeypatch.setattr(time, "time", lambda: -1e6)
    log = read_log(logged(stored(tmp_path / "sent.txt", 400)).paths[0])
    assert log.n_samples == 400 and log.complete


def test_what_is_kept_in_memory_is_the_last_seconds_only(tmp_path):
    sent = tmp_path / "sent.txt"
    sent.write_text(HEAD + "".join(f"{i},5,500,0\n" for i in range(60_000)))
    logger = Logger(FileSource(str(sent)), LogPlan(folder=tmp_path / "run"))
    kept = []
    logger.run(lambda status: kept.append(sum(len(time) for time, _ in logger._window._parts) if logger._window else 0))
    assert logger._session.n_samples == 60_000
    assert max(kept) <= 800 * 22 + 2 * 65_536 / 8


# --------------------------------------------------------------------------------------------- window, counters
def test_levels_and_last_seconds_are_those_of_the_stream():
    header = parse_header("seq,ax [mg],az [g],trigger", source="sensor")
    window = LiveWindow(header, length_s=5.0)
    t = np.arange(8000) / 1000
    values = np.column_stack([100 * np.sin(2 * np.pi * 20 * t), 1 + 0 * t, 0 * t])
    for k in range(0, 8000, 100):
        window.add(t[k : k + 100], values[k : k + 100])
    ax, az = window.levels()
    assert ax.rms == pytest.approx(0.1 * STANDARD_GRAVITY_M_S2 / math.sqrt(2), rel=0.02) and ax.unit == "m/s^2"
    assert az.rms == pytest.approx(0, abs=1e-9) and az.largest == pytest.approx(STANDARD_GRAVITY_M_S2)
    assert 4.9 <= window.now_s - window.last(100.0)[0][0] <= 5.2
    log = window.recording(2.0, rate_hz=1000.0)
    assert log.channels == ("ax", "az") and log.duration_s == pytest.approx(2.0)
    assert window.recording(2.0, rate_hz=math.nan) is None


@pytest.mark.parametrize("trigger", ["", ",trigger"])
def test_moves_are_counted_by_their_motion_when_there_is_no_trigger_or_it_stays_low(trigger):
    header = parse_header("seq,ax [m/s^2],ay [m/s^2],az [m/s^2]" + trigger, source="sensor")
    t = np.arange(16 * 800) / 800
    motion = invented_motion(t, period_s=2.5)[0] + np.random.default_rng(1).normal(0, 0.02, (len(t), 3))
    motion = np.column_stack([motion, np.zeros((len(t), int(bool(trigger))))])
    window = LiveWindow(header, length_s=22.0)

    def ends(recording):
        return [move.end_s for move in find_moves(recording, move_duration_s=0.4).moves]

    counter = MoveCounter(header, find_ends=ends, since_s=0.0)
    seen = []
    for k in range(0, len(t), 40):
        window.add(t[k : k + 40], motion[k : k + 40])
        counter.note(t[k : k + 40], motion[k : k + 40])
        counter.look(window, rate_hz=800.0)
        seen.append(counter.count)
    assert counter.count == 6 and sorted(seen) == seen
    assert counter.last_end_s == pytest.approx(1.25 + 5 * 2.5 + 0.4, abs=0.02)


def test_the_pretend_sensor_sends_what_it_says():
    with PretendSensor(rate_hz=400, with_checksum=True) as sensor:
        source = open_source(sensor.port)
        data = b"".join(source.read() for _ in range(120))
        source.close()
    lines = data.split(b"\n")[1:-1]
    assert all(
        int(line.rpartition(b"*")[2], 16) == checksum(line.rpartition(b"*")[0]) for line in lines if line[0] != 35
    )
    assert b"# invented data" in data
