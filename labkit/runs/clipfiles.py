"""Open a clip: a video file, a folder of pictures, a stack, an array on disk."""

from __future__ import annotations

import re
import struct
import tokenize
import warnings
import zlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import imageio.v3 as iio
import numpy as np
import tifffile
from PIL import Image

from labkit.base import LogFormatError
from labkit.runs.clips import Clip, ClipDamaged, frame_times_s, grey, same_size, white_level
from labkit.runs.video import open_video

__all__ = ["UNREADABLE", "natural_order", "open_clip", "picture_files", "read_pixels"]

IMAGE_SUFFIXES = (".bmp", ".jpeg", ".jpg", ".pgm", ".png", ".tif", ".tiff")
STACK_SUFFIXES = (".tif", ".tiff", ".gif")
_PLAIN_TIFF = (1, 8, 32946)  # TIFF compression codes read without further packages: none, deflate (two codes)
_MOST_PIXELS = 1 << 28  # above any camera; what claims to be larger is damaged, or made to fill the memory
#: What the libraries raise when a picture is not what it says.
UNREADABLE = (OSError, SyntaxError, ValueError, TypeError, LookupError, ArithmeticError, EOFError, MemoryError)
UNREADABLE += (AttributeError, RuntimeError, struct.error, zlib.error, Image.DecompressionBombError)


def open_clip(
    path: str | Path,
    *,
    frame_rate_hz: float | None = None,
    time_s: Sequence[float] | None = None,
) -> Clip:
    """Open a video file, a folder of images, a TIFF or GIF stack, or a .npy array; no frame is kept in memory.

    Parameters
    ----------
    path : str or Path
        File or folder.
    frame_rate_hz : float, optional
        True frame rate [Hz]; replaces what the file says (players' clocks are nominal). Needed for images and arrays,
        which carry no times, unless `time_s` is given.
    time_s : sequence of float, optional
        Time of each frame [s], for example from a log of the camera.

    Raises
    ------
    LogFormatError
        When the file cannot be opened as a clip.
    ClipDamaged
        While walking through, after the last good frame.
    """
    path = Path(path)
    if frame_rate_hz is not None and time_s is not None:
        raise ValueError("frame_rate_hz and time_s are both given; give the one that you trust")
    if not path.exists():
        raise FileNotFoundError(f"{path} does not exist; check the path")
    if path.is_dir():
        return _open_folder(path, frame_rate_hz, time_s)
    if not path.is_file():
        raise LogFormatError(
            str(path), found="a pipe or a device", expected="a file or a folder", cure="save the clip to a file first"
        )
    if path.suffix.lower() == ".npy":
        return _open_npy(path, frame_rate_hz, time_s)
    if path.suffix.lower() in STACK_SUFFIXES:
        return _open_stack(path, frame_rate_hz, time_s)
    if path.suffix.lower() in IMAGE_SUFFIXES:
        raise LogFormatError(
            path.name,
            found="a single picture",
            expected="a clip",
            cure="give the folder that holds the numbered pictures, a TIFF stack or a video file",
        )
    return open_video(path, frame_rate_hz=frame_rate_hz, time_s=time_s)


# ---------------------------------------------------------------------------------- images, stacks, arrays
def natural_order(path: Path) -> list[object]:
    """Sort key that puts frame2 before frame10."""
    return [int(part) if i % 2 else part.lower() for i, part in enumerate(re.split(r"([0-9]+)", path.name))]


def picture_files(folder: Path) -> list[Path]:
    """Pictures in a folder, in natural order, without hidden files (systems leave ``._frame1.png`` behind)."""
    pictures = (f for f in folder.iterdir() if f.suffix.lower() in IMAGE_SUFFIXES and not f.name.startswith("."))
    return sorted(pictures, key=natural_order)


def _open_folder(path: Path, rate_hz: float | None, time_s: Sequence[float] | None) -> Clip:
    files = picture_files(path)
    if not files:
        raise LogFormatError(
            path.name,
            found="no pictures",
            expected=f"a folder with pictures ({', '.join(IMAGE_SUFFIXES)})",
            cure="check the path",
        )
    times = frame_times_s(path.name, len(files), rate_hz=rate_hz, time_s=time_s)
    raw = _read_raw(path.name, files[0], 0)
    first = grey(files[0].name, raw)
    jpeg = any(f.suffix.lower() in (".jpg", ".jpeg") for f in files)

    def read() -> Iterator[tuple[float, np.ndarray]]:
        for number, (time, file) in enumerate(zip(times, files)):
            picture = first if number == 0 else grey(file.name, _read_raw(path.name, file, number))
            yield time, same_size(path.name, picture, first.shape, number)

    return Clip(
        name=path.name,
        height=first.shape[0],
        width=first.shape[1],
        n_frames=len(files),
        frame_rate_hz=float("nan") if rate_hz is None else float(rate_hz),
        codec=f"{files[0].suffix.lower().lstrip('.')} pictures",
        lossy=jpeg,
        white_level=white_level(raw.dtype),
        _read=read,
    )


def read_pixels(path: Path) -> np.ndarray:
    """Pixels of a file that holds one picture, as stored; raises one of `UNREADABLE` when it does not."""
    if path.suffix.lower() in (".tif", ".tiff"):
        with tifffile.TiffFile(path) as file:
            if len(file.pages) != 1:
                raise ValueError(f"{len(file.pages)} pictures in place of one")
            page = file.pages[0]
            _check_size(page)
            if int(page.compression) in _PLAIN_TIFF:
                return page.asarray()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # on large pictures and odd remarks in them
        Image.open(path).close()  # says what is wrong, and refuses what claims to be huge
        pixels = iio.imread(path, plugin="pillow")
    deep = path.suffix.lower() == ".pgm" and pixels.dtype == np.int32  # 16 bits, scaled to their range
    return pixels.astype(np.uint16) if deep else pixels


def _check_size(page: tifffile.TiffPage) -> None:
    if int(page.imagewidth) * int(page.imagelength) > _MOST_PIXELS:
        raise ValueError(f"{page.imagewidth}×{page.imagelength} pixels; at most {_MOST_PIXELS} are read")


def _read_raw(folder: str, file: Path, number: int) -> np.ndarray:
    try:
        return read_pixels(file)
    except UNREADABLE as error:
        raise ClipDamaged(
            f"{folder}/{file.name}",
            frame_number=number,
            found=f"a picture that cannot be read ({_first_line(error)})",
            expected="a whole picture",
            cure="copy the file again, or take it out of the folder and give time_s",
        ) from error


def _first_line(error: Exception) -> str:
    return (str(error) or type(error).__name__).splitlines()[0]


def _open_stack(path: Path, rate_hz: float | None, time_s: Sequence[float] | None) -> Clip:
    try:
        count, pages = _count_pages(path)
        first = grey(path.name, next(pages()))
    except (*UNREADABLE, StopIteration) as error:
        raise LogFormatError(
            path.name,
            found=f"a file that cannot be opened ({_first_line(error)})",
            expected="a stack of pictures",
            cure="write the file again",
        ) from error
    times = frame_times_s(path.name, count, rate_hz=rate_hz, time_s=time_s)

    def read() -> Iterator[tuple[float, np.ndarray]]:
        walk = pages()
        for number, time in enumerate(times):
            yield time, same_size(path.name, _next_page(path.name, walk, number), first.shape, number)

    return Clip(
        name=path.name,
        height=first.shape[0],
        width=first.shape[1],
        n_frames=count,
        frame_rate_hz=float("nan") if rate_hz is None else float(rate_hz),
        codec=f"{path.suffix.lower().lstrip('.')} stack",
        lossy=None,
        white_level=white_level(first.dtype) if first.dtype.kind == "u" else 255.0,
        _read=read,
    )


def _count_pages(path: Path) -> tuple[int, Callable[[], Iterator[np.ndarray]]]:
    """Number of pages, and a function that walks through them."""
    if path.suffix.lower() == ".gif":
        Image.open(path).close()
        return iio.improps(path, index=..., plugin="pillow").n_images or 1, lambda: iio.imiter(path, plugin="pillow")
    with tifffile.TiffFile(path) as file:
        series = file.series[0]
        if len(file.pages) == 1 and series.ndim == 3 and series.shape[-1] not in (3, 4):
            return series.shape[0], lambda: iter(tifffile.memmap(path, mode="r"))  # one page holds the whole stack
        count, packed = len(file.pages), int(file.pages[0].compression) not in _PLAIN_TIFF
    return count, (lambda: iio.imiter(path, plugin="pillow")) if packed else (lambda: _tiff_pages(path))


def _tiff_pages(path: Path) -> Iterator[np.ndarray]:
    with tifffile.TiffFile(path) as file:
        for page in file.pages:
            _check_size(page)
            yield page.asarray()


def _next_page(name: str, pages: Iterator[np.ndarray], number: int) -> np.ndarray:
    try:
        return grey(name, next(pages))
    except (*UNREADABLE, StopIteration) as error:
        raise ClipDamaged(
            name,
            frame_number=number,
            found=f"a page that cannot be read ({_first_line(error)})",
            expected="a whole page",
            cure="write the file again; the frames before it are whole",
        ) from error


def _open_npy(path: Path, rate_hz: float | None, time_s: Sequence[float] | None) -> Clip:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # on headers in an old style of writing
            frames = np.load(path, mmap_mode="r", allow_pickle=False)
    except (*UNREADABLE, tokenize.TokenError) as error:
        raise LogFormatError(
            path.name,
            found=f"an array that cannot be read ({_first_line(error)})",
            expected="a whole .npy array of frames",
            cure="save it again with numpy.save",
        ) from error
    return Clip.from_array(frames, frame_rate_hz=rate_hz, time_s=time_s, name=path.name)
