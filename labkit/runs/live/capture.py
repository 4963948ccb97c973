"""Record a camera without loss: every frame into an FFV1 clip, its time into a text file beside it.

The times are those that the camera's driver gives, on the clock that never runs backward, which also times the log of
the accelerometer; the container itself stores them to a millisecond only. `labkit track CLIP --times FILE` reads both.
"""

from __future__ import annotations

import contextlib
import math
import os
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from time import monotonic

import av
import av.error
import numpy as np

from labkit.base import check_number
from labkit.runs.live.log_file import LogNotStoredError, not_stored, printable

__all__ = ["CameraLostError", "CaptureSummary", "capture_clip"]

_TIME_BASE = Fraction(1, 1_000_000)
_SAME_CLOCK_S = 60.0  # driver times this near to the computer's own clock are on it
_LATE_FRAMES = 1.5  # periods; a longer step means a lost frame
# packed formats of cameras and the planar ones of the same content that the codec stores
_PLANAR = {"yuyv422": "yuv422p", "uyvy422": "yuv422p", "yvyu422": "yuv422p", "nv12": "yuv420p", "rgb24": "bgr0"}
_PLANAR |= {"bgr24": "bgr0", "yuvj420p": "yuv420p", "yuvj422p": "yuv422p", "yuvj444p": "yuv444p"}


class CameraLostError(OSError):
    """The camera cannot be opened, or has stopped."""


@dataclass(frozen=True, kw_only=True)
class CaptureSummary:
    """A recorded clip.

    Parameters
    ----------
    path, times_path : Path
        The clip and the times of its frames.
    n_frames : int
        Frames stored.
    n_lost : int
        Frames that the times say are missing.
    frame_rate_hz : float
        (n − 1)/(t_end − t_0) [Hz]; nan below two frames.
    start_s : float
        Time of the first frame on the clock that never runs backward [s]; nan when the driver uses another clock.
    reason : str
        Why it ended.
    """

    path: Path
    times_path: Path
    n_frames: int
    n_lost: int
    frame_rate_hz: float
    start_s: float
    reason: str


def capture_clip(
    source: str,
    folder: Path,
    *,
    stem: str = "clip",
    input_format: str | None = "v4l2",
    options: Mapping[str, str] | None = None,
    duration_s: float = math.inf,
    stop: threading.Event | None = None,
) -> CaptureSummary:
    """Record frames until the duration is over, `stop` is set or the source ends.

    Parameters
    ----------
    source : str
        ``"/dev/video0"``, or whatever `input_format` reads.
    folder : Path
        Where the clip goes, under the next number that is free: ``clip-001.mkv`` and ``clip-001.times``.
    stem : str
        First part of the name.
    input_format : str or None
        ``"v4l2"`` for a camera under Linux; None for a file.
    options : mapping of str to str, optional
        Passed on to the driver: ``{"video_size": "1280x720", "framerate": "60"}``.
    duration_s : float
        Length [s]; inf for no limit.
    stop : threading.Event, optional
        Ends the recording when set.

    Raises
    ------
    CameraLostError
        When the source cannot be opened.
    LogNotStoredError
        When the clip cannot be written.
    """
    if not math.isinf(duration_s):
        check_number("duration_s", duration_s, above=0.0)
    try:
        camera = av.open(source, format=input_format, options=dict(options or {}))
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise CameraLostError(
            f"{printable(source)} cannot be opened as {input_format or 'a file'}: {error}; "
            "check that the camera is there (/dev/video…), not in use, and offers the size and rate asked for"
        ) from error
    path, times = _new_names(Path(folder), stem)
    try:
        with camera, times, av.open(str(path), "w", options={"cluster_time_limit": "1000"}) as clip:
            return _record(camera, clip, times, path=path, duration_s=duration_s, stop=stop or threading.Event())
    except OSError as error:
        raise LogNotStoredError(
            f"{printable(path)} cannot be written: {error}; free space, then start again"
        ) from error


def _new_names(folder: Path, stem: str) -> tuple[Path, object]:
    """Path of the clip and the open file for its times, under a number at which neither was there."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number in range(1, 10_000):
            path = folder / f"{stem}-{number:03d}.mkv"
            with contextlib.suppress(FileExistsError):
                times = path.with_suffix(".times").open("x", encoding="utf-8")
                if not path.exists():
                    return path, times
                times.close()
    except OSError as error:
        raise not_stored(folder, error) from error
    raise LogNotStoredError(f"{printable(folder)}: all names are taken; use another folder")


def _record(camera, clip, times, *, path: Path, duration_s: float, stop: threading.Event) -> CaptureSummary:
    """The frames one by one, each with its time on the disk within a second."""
    stream, kept, reason, synced_s = None, [], "end of the source", monotonic()
    begun_s = monotonic()
    for frame in _frames(camera):
        if stream is None:
            stream = _new_stream(clip, camera, frame)
            times.write("# time of each frame [s], from the first on\n")
        time_s = frame.time
        if kept and time_s <= kept[-1]:  # a driver that repeats a time: the frame would have no place
            continue
        if kept and time_s - kept[0] >= duration_s:
            reason = f"{duration_s:g} s are over"
            break
        kept.append(time_s)
        _store(clip, stream, frame, time_s - kept[0])
        times.write(f"{time_s - kept[0]:.6f}\n")
        if monotonic() - synced_s > 0.5:
            times.flush()
            os.fsync(times.fileno())
            synced_s = monotonic()
        if stop.is_set():
            reason = "stopped"
            break
    if stream is None:
        raise CameraLostError(f"{printable(path)}: the source gave no frame; check the camera")
    clip.mux(stream.encode(None))
    return _summary(path, kept, begun_s=begun_s, reason=reason)


def _frames(camera):
    try:
        for frame in camera.decode(video=0):
            if frame.time is not None:
                yield frame
    except (av.error.FFmpegError, EOFError):
        return  # unplugged, or cut off: what came stays


def _new_stream(clip, camera, frame):
    rate = camera.streams.video[0].average_rate or Fraction(30)
    stream = clip.add_stream("ffv1", rate=rate, options={"level": "3", "slicecrc": "1"})
    stream.width, stream.height = frame.width, frame.height
    stream.pix_fmt = _PLANAR.get(frame.format.name, frame.format.name)
    stream.codec_context.color_range = frame.color_range
    stream.time_base = stream.codec_context.time_base = _TIME_BASE
    return stream


def _store(clip, stream, frame, since_s: float) -> None:
    colour_range = frame.color_range
    if frame.format.name != stream.pix_fmt:
        frame = frame.reformat(format=stream.pix_fmt, src_color_range=colour_range, dst_color_range=colour_range)
    frame.pts, frame.time_base, frame.pict_type = round(since_s / _TIME_BASE), _TIME_BASE, 0
    clip.mux(stream.encode(frame))


def _summary(path: Path, times_s: list[float], *, begun_s: float, reason: str) -> CaptureSummary:
    steps = np.diff(times_s)
    period_s = float(np.median(steps)) if len(steps) else math.nan
    lost = np.round(steps[steps > _LATE_FRAMES * period_s] / period_s) - 1
    return CaptureSummary(
        path=path,
        times_path=path.with_suffix(".times"),
        n_frames=len(times_s),
        n_lost=int(lost.sum()),
        frame_rate_hz=len(steps) / (times_s[-1] - times_s[0]) if len(steps) else math.nan,
        start_s=times_s[0] if abs(times_s[0] - begun_s) < _SAME_CLOCK_S else math.nan,
        reason=reason,
    )
