"""Single pictures and bursts of one scene, and lists of frame times, from files."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labkit.base import LogFormatError
from labkit.runs.clipfiles import UNREADABLE, open_clip, read_pixels
from labkit.runs.clips import Clip, grey, white_level

__all__ = ["StillPicture", "read_frame_times_s", "read_numbers", "read_picture"]

_SINGLE = (".bmp", ".jpeg", ".jpg", ".pgm", ".png")
_MOST_BYTES = 1 << 25
_MOST_BURST_PIXELS = 1 << 31
_LOSSY = (".jpeg", ".jpg")


@dataclass(frozen=True, kw_only=True, eq=False)
class StillPicture:
    """A picture, or a burst of pictures of one scene.

    Parameters
    ----------
    name : str
        Name of the file or folder.
    pixels : ndarray, shape (rows, columns) or (n, rows, columns)
        Grey levels; three dimensions for a burst.
    white_level : float
        Grey level of a saturated pixel; inf when unknown.
    notes : tuple of str
        What the reader noticed.
    """

    name: str
    pixels: np.ndarray
    white_level: float
    notes: tuple[str, ...] = ()

    @property
    def full_scale(self) -> float | None:
        """The white level as analyses take it: None when unknown."""
        return self.white_level if math.isfinite(self.white_level) else None


def read_picture(path: str | Path) -> StillPicture:
    """Read a picture; a folder, stack or clip is read as a burst of one scene.

    Parameters
    ----------
    path : str or Path
        Picture file (PNG, BMP, PGM, JPEG), or anything that holds several pictures.

    Raises
    ------
    LogFormatError
        When it cannot be read.
    """
    path = Path(path)
    if path.suffix.lower() not in _SINGLE or not path.is_file():
        clip = open_clip(path, frame_rate_hz=1.0)  # the times of a burst do not matter
        frames = _all_frames(clip)
        pixels = frames[0] if len(frames) == 1 else frames
        return StillPicture(name=path.name, pixels=pixels, white_level=clip.white_level, notes=clip.notes)
    try:
        raw = read_pixels(path)
    except UNREADABLE as error:
        raise LogFormatError(
            path.name,
            found=f"a picture that cannot be read ({(str(error) or type(error).__name__).splitlines()[0]})",
            expected="a whole picture",
            cure="copy the file again",
        ) from error
    lossy = path.suffix.lower() in _LOSSY
    return StillPicture(
        name=path.name,
        pixels=grey(path.name, raw),
        white_level=white_level(raw.dtype),
        notes=("JPEG throws away fine detail, which is what blur is measured on; store PNG",) if lossy else (),
    )


def _all_frames(clip: Clip) -> np.ndarray:
    frames, most = [], _MOST_BURST_PIXELS // (clip.height * clip.width)
    for frame in clip:
        if frame.number >= most:
            raise LogFormatError(
                clip.name,
                found=f"more than {most} frames of {clip.width}×{clip.height} px",
                expected="a picture, or a burst that fits into memory",
                cure="cut the clip to the frames that show the scene at rest",
            )
        frames.append(frame.pixels)
    return np.array(frames)


def read_frame_times_s(path: str | Path) -> list[float]:
    """Times of frames [s] from a text file with one number a line; empty lines and lines with # are skipped.

    Parameters
    ----------
    path : str or Path
        Text file.
    """
    return read_numbers(path, what="the time of a frame in seconds")


def read_numbers(path: str | Path, *, what: str) -> list[float]:
    """Numbers from a text file, one a line; empty lines and lines with # are skipped.

    Parameters
    ----------
    path : str or Path
        Text file.
    what : str
        What they are, for the error message.
    """
    path, numbers = Path(path), []
    if not path.is_file():
        raise FileNotFoundError(f"{path} is no file; check the path")
    with path.open("rb") as stream:
        raw = stream.read(_MOST_BYTES + 1)
    if len(raw) > _MOST_BYTES:
        raise LogFormatError(
            path.name, found=f"more than {_MOST_BYTES >> 20} MiB", expected=what, cure="write one number a line"
        )
    for number, line in enumerate(raw.decode("utf-8-sig", errors="replace").splitlines(), start=1):
        text = line.split("#")[0].strip()
        if not text:
            continue
        try:
            numbers.append(float(text))
        except ValueError:
            numbers.append(math.nan)
        if not math.isfinite(numbers[-1]):
            raise LogFormatError(
                path.name, found=repr(text), expected=what, cure="write one number a line", line=number
            )
    return numbers
