"""Video files: the brightness plane of every frame, with the time the file gives it."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import av
import av.logging
import numpy as np
from av.codec.codec import Properties

from labkit.base import LogFormatError, check_number
from labkit.runs.clips import Clip, ClipDamaged, check_frame_times, same_size

__all__ = ["open_video"]

_LIMITED_WHITE = 235  # luma of white in the limited range, 8 bit (ITU-R BT.601, from memory)
_HIGH_BITS = re.compile(r"p[024]1[026]")
_FULL_RANGE = 2  # as in the colour range field of a frame (ITU-T H.273 calls it the full-range flag)
_SHORT_PERIODS = 1.5  # lengths of the last frame by which its start may miss the stated length of a file


def open_video(path: Path, *, frame_rate_hz: float | None, time_s: Sequence[float] | None) -> Clip:
    """A clip over a video file; decoding starts anew at every walk through it.

    Parameters
    ----------
    path : Path
        Video file.
    frame_rate_hz : float or None
        True frame rate [Hz] in place of the times in the file.
    time_s : sequence of float or None
        Time of each frame [s] in place of the times in the file.
    """
    given = None if time_s is None else check_frame_times(time_s)
    if frame_rate_hz is not None:
        check_number("frame_rate_hz", frame_rate_hz, above=0.0)
    with _open(path) as container:
        stream = _video_stream(path, container)
        properties = stream.codec_context.codec.properties
        # A codec that can keep pictures whole or not (H.264, for one) is taken to have changed them unless it says not.
        lossy = bool(properties & Properties.LOSSY.value) and not _whole_h264(stream.codec_context)
        first = _first_frame(path, container)
        rate = frame_rate_hz or float(stream.average_rate or np.nan)
        facts = {
            "height": first.height,
            "width": first.width,
            "n_frames": stream.frames or None,
            "codec": f"{stream.codec_context.name} in {container.format.name.split(',')[0]}",
            "lossy": lossy,
            "between_frames": lossy and not properties & Properties.INTRA_ONLY.value,
            "white_level": _white_level(first),
        }

    def read() -> Iterator[tuple[float, np.ndarray]]:
        for number, (time, pixels) in enumerate(_frames(path)):
            pixels = same_size(path.name, pixels, (facts["height"], facts["width"]), number)
            yield _time(path, number, time, given, frame_rate_hz), pixels

    return Clip(
        name=path.name, frame_rate_hz=rate, notes=(*_notes(facts), *_notes_on_frame(first)), _read=read, **facts
    )


def _whole_h264(codec: av.video.codeccontext.VideoCodecContext) -> bool:
    """Whether it is H.264 in the profile for full colour, with less colour than that: then it is used for no loss."""
    kept = codec.name == "h264" and (codec.profile or "").startswith("High 4:4:4")
    return kept and str(codec.pix_fmt).startswith(("yuv420", "yuv422"))


def _time(path: Path, number: int, stated: float | None, given: list[float] | None, rate_hz: float | None) -> float:
    if rate_hz is not None:
        return number / rate_hz
    if given is not None:
        if number >= len(given):
            raise ValueError(f"time_s has {len(given)} times but {path.name} holds more frames; give one time a frame")
        return given[number]
    if stated is None:
        raise LogFormatError(
            path.name,
            found=f"no time at frame {number}",
            expected="a time with every frame",
            cure="give the frame rate (frame_rate_hz, --rate-hz) or the frame times (time_s, --times)",
        )
    return stated


def _open(path: Path) -> av.container.InputContainer:
    try:
        # a colon in the name is no protocol, and remarks in the file need not be UTF-8
        return av.open(f"file:{path}", metadata_errors="replace")
    except av.FFmpegError as error:
        raise LogFormatError(
            path.name,
            found=f"a file that cannot be opened ({error.strerror})",
            expected="a finished video file",
            cure="stop the recording properly before copying the file, or record to AVI or MKV, which survive a stop",
        ) from error


def _video_stream(path: Path, container: av.container.InputContainer) -> av.video.stream.VideoStream:
    stream = next(iter(container.streams.video), None)
    if stream is None or stream.codec_context is None:
        raise LogFormatError(
            path.name,
            found="no pictures that can be decoded",
            expected="a finished video file",
            cure="stop the recording properly before copying the file, or record to AVI or MKV, which survive a stop",
        )
    stream.thread_type = "NONE"  # decoders that work on several frames at once report damage late or not at all
    return stream


def _first_frame(path: Path, container: av.container.InputContainer) -> av.VideoFrame:
    try:
        for frame in container.decode(video=0):
            return frame
    except av.FFmpegError as error:
        raise _undecodable(path, error.strerror) from error
    raise _undecodable(path, "no frame at all")


def _undecodable(path: Path, found: str) -> LogFormatError:
    return LogFormatError(
        path.name,
        found=f"a first frame that cannot be decoded ({found})",
        expected="a whole frame",
        cure="copy the file again, or convert it without loss, as to FFV1 in MKV or to a folder of PNG pictures",
    )


def _white_level(frame: av.VideoFrame) -> float:
    """Grey level of a saturated pixel as `_luma` gives it."""
    kind = frame.format
    if not _has_luma(kind):
        return 65535.0 if _deep(kind) else 255.0
    bits = kind.components[0].bits
    full = frame.color_range == _FULL_RANGE or kind.name.startswith(("gray", "yuvj"))
    return float(2**bits - 1 if full else _LIMITED_WHITE << (bits - 8))


def _notes(facts: dict[str, object]) -> tuple[str, ...]:
    if not facts["lossy"]:
        return ()
    if facts["between_frames"]:
        return (
            f"{facts['codec']} stores changes between frames and throws detail away: small motion is falsified "
            "(a third of a pixel read 5 to 15 % wrong, 0.01 to 0.07 px rms off, in trials); record without loss",
        )
    return (f"{facts['codec']} throws detail away in every frame: amplitudes change by some tenths of a per cent",)


def _notes_on_frame(frame: av.VideoFrame) -> list[str]:
    notes = []
    if frame.interlaced_frame:
        notes.append(
            "the frames are marked as interlaced: if odd and even rows were taken at different times, motion between "
            "the two is read wrong; record progressive, or separate the fields and use those of one kind"
        )
    if frame.rotation:
        notes.append(
            f"the file asks players to turn the picture by {abs(frame.rotation)}°; it is used as the sensor gave it, "
            "and x and y are those of the sensor"
        )
    return notes


# --------------------------------------------------------------------------------------------------- decoding
def _frames(path: Path) -> Iterator[tuple[float | None, np.ndarray]]:
    """Time and grey levels of each frame up to the first damage, which is then raised."""
    number, last_s, lasts_s = 0, None, 0.0
    with _open(path) as container:
        stream = _video_stream(path, container)
        stated_end_s, count = _stated_end_s(container, stream), stream.frames
        period_s = 1.0 / float(stream.average_rate or 25)
        for frame in _decode(path, container, stream):
            if isinstance(frame, str):
                raise _damaged(path, number, frame)
            # not frame.time: frames that the decoder still held at the end lose their time base
            last_s = None if frame.pts is None else float(frame.pts * stream.time_base)
            yield last_s, _luma(frame)
            number += 1
            lasts_s = max(period_s, float((frame.duration or 0) * (frame.time_base or 0)))
    if number < count:
        raise _damaged(path, number, f"the end of the file; its header states {count} frames")
    if stated_end_s is not None and last_s is not None and last_s + _SHORT_PERIODS * lasts_s < stated_end_s:
        raise _damaged(path, number, f"the end at {last_s:.3f} s; the header states {stated_end_s:.3f} s")


def _decode(
    path: Path, container: av.container.InputContainer, stream: av.video.stream.VideoStream
) -> Iterator[av.VideoFrame | str]:
    """Whole frames in order; at the first damage, the frames still under way and then the reason in words."""
    stream.codec_context.options = {"err_detect": "crccheck+bitstream+buffer+explode"}
    packets, given, taken = container.demux(stream), 0, 0
    while True:
        bad_pts = None
        try:
            packet = next(packets, None)
            if packet is None:
                return
            taken, bad_pts = taken + 1, packet.pts
            frames, reason = _decode_packet(packet)
        except av.FFmpegError as error:
            frames, reason = [], error.strerror
        if reason:
            break
        yield from frames
        given += len(frames)
    yield from itertools.islice(_under_way(path, taken, bad_pts), given, None)
    yield reason


def _under_way(path: Path, packets: int, bad_pts: int | None) -> Iterator[av.VideoFrame]:
    """Frames that lie before a bad packet, with those that the decoder still held when it stopped there."""
    with _open(path) as container:
        stream = _video_stream(path, container)
        for packet in itertools.chain(itertools.islice(container.demux(stream), packets), [None]):
            for frame in _decode_leniently(stream, packet):
                if frame.is_corrupt or (bad_pts is not None and frame.pts is not None and frame.pts >= bad_pts):
                    return
                yield frame


def _decode_leniently(stream: av.video.stream.VideoStream, packet: av.Packet | None) -> list[av.VideoFrame]:
    try:
        return stream.decode(packet)
    except av.FFmpegError:
        return []


def _decode_packet(packet: av.Packet) -> tuple[list[av.VideoFrame], str]:
    """Frames of a packet, and what the decoder complained of: some repair damaged frames and only log it."""
    if packet.is_corrupt:
        return [], "a packet cut short"
    level = av.logging.get_level()
    av.logging.set_level(av.logging.ERROR)
    try:
        with av.logging.Capture() as said:
            frames = packet.decode()
    finally:
        av.logging.set_level(level)
    if said:
        return frames, said[0][2].strip()
    if any(frame.is_corrupt for frame in frames):
        return [frame for frame in frames if not frame.is_corrupt], "a frame put together from incomplete data"
    return frames, ""


def _stated_end_s(container: av.container.InputContainer, stream: av.video.stream.VideoStream) -> float | None:
    if stream.duration:
        return float((stream.start_time or 0) * stream.time_base + stream.duration * stream.time_base)
    if container.duration and len(container.streams) == 1:
        return (max(container.start_time or 0, 0) + container.duration) / av.time_base
    return None


def _luma(frame: av.VideoFrame) -> np.ndarray:
    """The brightness plane, straight from the decoder when the frame has one."""
    kind = frame.format
    if not _has_luma(kind):
        return frame.to_ndarray(format="gray16le" if _deep(kind) else "gray")
    plane = frame.planes[0]
    dtype = np.dtype(np.uint8) if not _deep(kind) else np.dtype(">u2" if kind.is_big_endian else "<u2")
    rows = np.frombuffer(plane, dtype).reshape(plane.height, plane.line_size // dtype.itemsize)
    return rows[:, : plane.width].astype(dtype.newbyteorder("="))


def _has_luma(kind: av.VideoFormat) -> bool:
    """Whether the first plane holds brightness, one number a pixel, in its lowest bits (P010 and its kin: highest)."""
    return kind.name.startswith("gray") or (kind.is_planar and not kind.is_rgb and not _HIGH_BITS.match(kind.name))


def _deep(kind: av.VideoFormat) -> bool:
    return max(component.bits for component in kind.components) > 8


def _damaged(path: Path, number: int, found: str) -> ClipDamaged:
    return ClipDamaged(
        path.name,
        frame_number=number,
        found=found,
        expected="a whole frame",
        cure="use the frames before it, or copy the file again",
    )
