"""Camera capture: nothing of a frame is lost, its time is kept to the microsecond, names are never taken twice."""

import threading

import av
import numpy as np
import pytest

from labkit.analyse.frames import track
from labkit.runs.clipfiles import open_clip
from labkit.runs.live.capture import CameraLostError, capture_clip
from labkit.runs.live.log_file import LogNotStoredError
from labkit.runs.pictures import read_frame_times_s


def filmed(folder, pixels="gray", *, rate="60", seconds=0.3, **how):
    source = f"testsrc2=size=96x64:rate={rate},format={pixels}"
    return source, capture_clip(source, folder, input_format="lavfi", duration_s=seconds, **how)


def planes(frame):
    """Bytes of each plane without the padding of its rows."""
    rows = [np.frombuffer(p, np.uint8).reshape(p.height, p.line_size) for p in frame.planes]
    deep = 2 if "10" in frame.format.name or "12" in frame.format.name else 1
    packed = {"yuyv422": 2, "rgb24": 3, "bgr0": 4}.get(frame.format.name, deep)
    return [r[:, : p.width * packed] for r, p in zip(rows, frame.planes)]


@pytest.mark.parametrize("pixels", ["gray", "gray10le", "yuv420p", "yuv422p", "yuyv422", "bgr0"])
def test_every_pixel_is_kept(tmp_path, pixels):
    source, summary = filmed(tmp_path, pixels)
    with av.open(str(summary.path)) as clip, av.open(source, format="lavfi") as camera:
        stored = list(clip.decode(video=0))
        assert clip.streams.video[0].codec_context.name == "ffv1" and len(stored) == summary.n_frames == 18
        for ours, theirs in zip(stored, camera.decode(video=0)):
            if pixels == "yuyv422":  # packed: brightness and the two colours, interleaved
                [packed] = planes(theirs)
                expected = [packed[:, 0::2], packed[:, 1::4], packed[:, 3::4]]
            else:
                expected = planes(theirs)
            assert all(np.array_equal(a, b) for a, b in zip(planes(ours), expected, strict=True))


def test_times_are_those_of_the_source_to_the_microsecond(tmp_path):
    """A rate whose period is no whole number of milliseconds, which is all that the container keeps."""
    _, summary = filmed(tmp_path, rate="60000/1001", seconds=0.5)
    times = read_frame_times_s(summary.times_path)
    assert np.allclose(times, np.arange(len(times)) * 1001 / 60000, atol=1e-6)
    assert summary.frame_rate_hz == pytest.approx(60000 / 1001, rel=1e-5) and summary.n_lost == 0
    clip = open_clip(summary.path, time_s=times)
    assert not clip.lossy and track(clip).recording.sample_rate_hz == pytest.approx(60000 / 1001, rel=1e-4)


def test_lost_frames_are_counted(tmp_path):
    source = "testsrc2=size=96x64:rate=100,format=gray,select='not(between(n,10,12))'"
    summary = capture_clip(source, tmp_path, input_format="lavfi", duration_s=0.3)
    assert (summary.n_frames, summary.n_lost) == (27, 3)


def test_a_file_is_a_source_too_and_names_are_new_each_time(tmp_path):
    _, first = filmed(tmp_path)
    again = capture_clip(str(first.path), tmp_path, input_format=None)
    assert [s.path.name for s in (first, again)] == ["clip-001.mkv", "clip-002.mkv"]
    assert again.n_frames == first.n_frames and again.reason == "end of the source"


def test_it_stops_when_told(tmp_path):
    stop = threading.Event()
    stop.set()
    assert capture_clip("testsrc2=size=96x64", tmp_path, input_format="lavfi", stop=stop).reason == "stopped"


def test_a_camera_that_is_not_there_is_named(tmp_path):
    with pytest.raises(CameraLostError, match="/dev/video97 cannot be opened as v4l2"):
        capture_clip("/dev/video97", tmp_path)
    assert not list(tmp_path.iterdir())


def test_a_folder_that_cannot_be_is_refused(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(LogNotStoredError, match="cannot be written"):
        filmed(tmp_path / "file")
