"""Clips: frames that come one by one, with their times.

A Clip knows where its frames are and reads them anew each time it is walked through, so that a long clip never lies
in memory. A damaged or truncated file gives every frame before the damage and then raises `ClipDamaged` with the
number of the first frame that is missing.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from labkit.base import LogFormatError, check_array, check_number

__all__ = [
    "Clip",
    "ClipDamaged",
    "Frame",
    "Region",
    "check_frame_times",
    "frame_times_s",
    "grey",
    "same_size",
    "white_level",
]

_NUMBERS = "buif"
_LUMA = np.array([0.299, 0.587, 0.114], dtype=np.float32)  # ITU-R BT.601 weights of R, G, B


class ClipDamaged(LogFormatError):
    """A clip that cannot be read to its end.

    Parameters
    ----------
    file : str
        Name of the file.
    frame_number : int
        0-based number of the first frame that is lost; all frames before it were given.
    found, expected, cure : str
        As in `LogFormatError`.
    """

    def __init__(self, file: str, *, frame_number: int, found: str, expected: str, cure: str) -> None:
        self.frame_number = frame_number
        super().__init__(f"{file}, frame {frame_number}", found=found, expected=expected, cure=cure)


@dataclass(frozen=True, kw_only=True)
class Region:
    """A rectangle of a frame.

    Parameters
    ----------
    top, left : int
        First row and column [px].
    height, width : int
        Size [px].
    """

    top: int
    left: int
    height: int
    width: int

    def __post_init__(self) -> None:
        numbers = (self.top, self.left, self.height, self.width)
        if any(int(n) != n for n in numbers) or min(self.top, self.left) < 0 or min(self.height, self.width) < 1:
            raise ValueError(
                f"region is {numbers}; top, left, height and width must be whole pixels, none negative, no empty side"
            )

    def within(self, height: int, width: int) -> Region:
        """The region itself, if it lies inside a frame of that size."""
        if self.top + self.height > height or self.left + self.width > width:
            raise ValueError(
                f"region rows {self.top}–{self.top + self.height}, columns {self.left}–{self.left + self.width} "
                f"reaches out of the {width}×{height} px frame; make it smaller"
            )
        return self

    def cut(self, picture: np.ndarray) -> np.ndarray:
        """View of the picture inside the region."""
        return picture[self.top : self.top + self.height, self.left : self.left + self.width]


@dataclass(frozen=True, kw_only=True, eq=False)
class Frame:
    """One picture of a clip.

    Parameters
    ----------
    number : int
        0-based number in the clip.
    time_s : float
        Time of the frame [s], as given or as the file says.
    pixels : ndarray, shape (height, width)
        Grey levels; uint8 or uint16 as stored, float32 when made from colours.
    """

    number: int
    time_s: float
    pixels: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class Clip:
    """A clip that can be walked through again and again: ``for frame in clip``.

    Parameters
    ----------
    name : str
        Name of the file or folder.
    height, width : int
        Size of the frames as given out [px].
    n_frames : int or None
        Number of frames; None when the file does not say.
    frame_rate_hz : float
        Nominal frame rate [Hz]; nan when only the frame times count.
    codec : str
        How the frames are stored.
    lossy : bool or None
        True when the storing changed the pictures, None when that cannot be told.
    between_frames : bool
        True when frames are stored as changes against other frames (that is what falsifies motion most).
    white_level : float
        Grey level of a saturated pixel; inf when unknown.
    notes : tuple of str
        What the reader noticed.

    Examples
    --------
    >>> clip = Clip.from_array(np.zeros((3, 40, 50), np.uint8), frame_rate_hz=100.0)
    >>> clip.n_frames, clip.width, [frame.time_s for frame in clip]
    (3, 50, [0.0, 0.01, 0.02])
    """

    name: str
    height: int
    width: int
    n_frames: int | None
    frame_rate_hz: float
    codec: str
    lossy: bool | None
    between_frames: bool = False
    white_level: float = np.inf
    notes: tuple[str, ...] = ()
    _read: Callable[[], Iterator[tuple[float, np.ndarray]]] = field(repr=False)
    _region: Region | None = field(default=None, repr=False)

    def __iter__(self) -> Iterator[Frame]:
        for number, (time_s, pixels) in enumerate(self._read()):
            yield Frame(number=number, time_s=time_s, pixels=self._region.cut(pixels) if self._region else pixels)

    def cut(self, region: Region) -> Clip:
        """The same clip, of which only a rectangle is kept."""
        region.within(self.height, self.width)
        inner = self._region or Region(top=0, left=0, height=self.height, width=self.width)
        moved = replace(region, top=region.top + inner.top, left=region.left + inner.left)
        return replace(self, height=region.height, width=region.width, _region=moved)

    @classmethod
    def from_array(
        cls,
        frames: np.ndarray,
        *,
        frame_rate_hz: float | None = None,
        time_s: Sequence[float] | None = None,
        name: str = "array",
    ) -> Clip:
        """A clip over an array of frames, shape (n, height, width) or (n, height, width, 3).

        Parameters
        ----------
        frames : ndarray
            Grey levels; a memory-mapped array stays on disk.
        frame_rate_hz : float, optional
            Frame rate [Hz]; this or `time_s` must be given.
        time_s : sequence of float, optional
            Time of each frame [s].
        name : str
            What to call it in messages.
        """
        is_clip = frames.ndim == 3 or (frames.ndim == 4 and frames.shape[3] in (3, 4))
        if not is_clip or 0 in frames.shape or frames.dtype.kind not in _NUMBERS:
            raise ValueError(
                f"{name} has shape {frames.shape} of {frames.dtype}; frames must be numbers in the shape "
                "(n, height, width), or (n, height, width, 3) in colour"
            )
        times = frame_times_s(name, len(frames), rate_hz=frame_rate_hz, time_s=time_s)

        def read() -> Iterator[tuple[float, np.ndarray]]:
            for time, frame in zip(times, frames):
                yield time, grey(name, np.asarray(frame))

        return cls(
            name=name,
            height=frames.shape[1],
            width=frames.shape[2],
            n_frames=len(frames),
            frame_rate_hz=float("nan") if frame_rate_hz is None else float(frame_rate_hz),
            codec=f"array of {frames.dtype}",
            lossy=None,
            white_level=white_level(frames.dtype),
            _read=read,
        )

    @classmethod
    def from_iterable(
        cls,
        frames: Iterable[np.ndarray],
        *,
        frame_rate_hz: float | None = None,
        time_s: Sequence[float] | None = None,
        name: str = "frames",
    ) -> Clip:
        """A clip over pictures that come one by one; if they can come only once, the clip can be walked through once.

        Parameters
        ----------
        frames : iterable of ndarray
            Grey or colour pictures of one size.
        frame_rate_hz, time_s, name
            As in `from_array`.
        """
        iterator = iter(frames)
        first = next(iterator, None)
        if first is None:
            raise ValueError(f"{name} gives no frame; check where it comes from")
        first, once, walked = grey(name, np.asarray(first)), iterator is frames, []
        times = None if time_s is None else check_frame_times(time_s)
        if (frame_rate_hz is None) == (times is None):
            raise ValueError(f"{name} carries no frame times; give frame_rate_hz [Hz] or time_s [s], one of the two")

        def read() -> Iterator[tuple[float, np.ndarray]]:
            if walked:
                raise ValueError(f"{name} can be walked through only once; give an array or open the file")
            pictures = itertools.chain([first], iterator) if once else iter(frames)
            for number, picture in enumerate(pictures):
                if once and number == 1:
                    walked.append(True)
                if times is not None and number >= len(times):
                    raise ValueError(f"time_s has {len(times)} times, {name} gives more frames; give one time a frame")
                time = number / frame_rate_hz if times is None else times[number]
                yield time, same_size(name, grey(name, np.asarray(picture)), first.shape, number)

        return cls(
            name=name,
            height=first.shape[0],
            width=first.shape[1],
            n_frames=None,
            frame_rate_hz=float("nan") if frame_rate_hz is None else float(frame_rate_hz),
            codec=f"pictures of {first.dtype}",
            lossy=None,
            white_level=white_level(first.dtype),
            _read=read,
        )


def frame_times_s(name: str, count: int, *, rate_hz: float | None, time_s: Sequence[float] | None) -> list[float]:
    """Times of `count` frames [s] from a frame rate [Hz] or from the times given; one of the two is needed."""
    if time_s is not None:
        times = check_frame_times(time_s)
        if len(times) != count:
            raise ValueError(f"time_s has {len(times)} times for {count} frames of {name}; give one time a frame")
        return times
    if rate_hz is None:
        raise ValueError(
            f"{name} carries no frame times; give the frame rate (frame_rate_hz, --rate-hz) or the frame times "
            "(time_s, --times)"
        )
    rate = check_number("frame_rate_hz", rate_hz, above=0.0)
    return [i / rate for i in range(count)]


def check_frame_times(time_s: Sequence[float]) -> list[float]:
    """Frame times [s] that rise from frame to frame, or an error that names the first that does not."""
    times = check_array("time_s", time_s, ndim=1)
    late = np.flatnonzero(np.diff(times) <= 0)
    if len(late):
        raise ValueError(f"time_s does not rise at frame {late[0] + 1}; frame times must rise from frame to frame")
    return times.tolist()


def grey(name: str, picture: np.ndarray) -> np.ndarray:
    """Grey levels of a picture; colours by the BT.601 weights, opacity left out, black and white as 0 and 255."""
    if picture.dtype.kind not in _NUMBERS or 0 in picture.shape:
        raise ValueError(f"a picture of {name} has shape {picture.shape} of {picture.dtype}; it must hold real numbers")
    if picture.dtype.kind == "b":
        picture = picture.astype(np.uint8) * np.uint8(255)
    if picture.ndim == 3 and picture.shape[2] in (3, 4):
        return picture[:, :, :3].astype(np.float32) @ _LUMA
    if picture.ndim == 3 and picture.shape[2] in (1, 2):
        return picture[:, :, 0]
    if picture.ndim != 2:
        raise ValueError(f"a picture of {name} has shape {picture.shape}; it must be (height, width) or colour")
    return picture


def same_size(name: str, picture: np.ndarray, shape: tuple[int, ...], number: int) -> np.ndarray:
    """The picture, or `ClipDamaged` when its shape is not that of the first frame."""
    if picture.shape != shape:
        raise ClipDamaged(
            name,
            frame_number=number,
            found=f"a picture of {picture.shape[1]}×{picture.shape[0]} px",
            expected=f"{shape[1]}×{shape[0]} px as in the first frame",
            cure="keep pictures of one size in a clip",
        )
    return picture


def white_level(dtype: np.dtype) -> float:
    """Greatest grey level of a kind of whole number, as `grey` gives it; inf for other numbers."""
    if dtype.kind == "b":
        return 255.0
    return float(np.iinfo(dtype).max) if np.issubdtype(dtype, np.integer) else np.inf
