"""Copies of clips without what is nobody's business: only the coded pictures and their times come along.

The packets of the video stream are put into a new container as they are, so no pixel changes; titles, places, device
names, dates, chapters, attachments and sound are left behind.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import av

__all__ = ["CLIPS", "clean_clip"]

#: Endings of clips → container that they are written in.
CLIPS = {".mkv": "matroska", ".webm": "webm", ".mp4": "mp4", ".mov": "mov", ".avi": "avi"}

_OF_THE_CONTAINER = {"encoder", "duration", "language", "major_brand", "minor_version", "compatible_brands"}


def clean_clip(source: Path, target: Path, *, kind: str) -> list[str]:
    """Copy the pictures of a clip and nothing else; returns what was left behind, in words.

    Parameters
    ----------
    source, target : Path
        The clip and where its copy goes.
    kind : str
        Ending of its name, one of `CLIPS`.

    Raises
    ------
    ValueError
        When the clip cannot be read or written anew.
    """
    try:
        with av.open(str(source), metadata_errors="replace") as old:
            if not old.streams.video:
                raise ValueError("it holds no pictures")
            stream = old.streams.video[0]
            options = {"fflags": "+bitexact"}  # no name and version of the writer either
            with av.open(str(target), "w", format=CLIPS[kind], options=options) as new:
                copy = new.add_stream_from_template(stream)
                copy.time_base = stream.time_base
                for packet in old.demux(stream):
                    if packet.size:  # the empty one at the end
                        packet.stream = copy
                        new.mux(packet)
            if _pictures(source) != _pictures(target):
                raise ValueError("its copy is not the same")
            told = {key.lower() for key in (*old.metadata, *stream.metadata)} - _OF_THE_CONTAINER
            return sorted(told) + [f"a stream of {one.type}" for one in old.streams if one is not stream]
    except (av.FFmpegError, OverflowError) as error:
        raise ValueError(f"its pictures cannot be copied ({error})") from error


def _pictures(path: Path) -> list[tuple[float | None, bytes]]:
    """Time [s] and checksum of every coded picture; None for a time that the container does not state."""
    with av.open(str(path), metadata_errors="replace") as clip:
        packets = [one for one in clip.demux(clip.streams.video[0]) if one.size]
        times = [None if one.pts is None else float(one.pts * one.time_base) for one in packets]
        return [(time_s, hashlib.sha256(bytes(one)).digest()) for time_s, one in zip(times, packets)]
