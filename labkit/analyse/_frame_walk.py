"""One walk through a clip: every frame matched by one matcher or several, in threads, and what the walk noticed."""

from __future__ import annotations

import itertools
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from labkit.analyse.compression import CompressionSigns, compression_signs
from labkit.analyse.registration import Matcher, Matches
from labkit.base import check_array, check_number
from labkit.runs.clips import Clip, ClipDamaged, Frame

__all__ = ["LOST_QUALITY", "Walk", "as_clip", "match_flags", "reference_picture", "walk_clip"]

LOST_QUALITY = 0.6
_POOR_SHARE = 0.8  # of the usual quality of the clip; a match on the wrong brick of a wall stays below
_DARK_GAIN = 0.2
_SATURATED_SHARE = 0.02
_BATCH_PX = 8_000_000  # pixels that one batch of frames may hold
_MOST_FRAMES = 64
_NOISE_FRAMES = 4
_SIGN_FRAMES = 10
_THIN = slice(None, None, 8)  # rows in which successive frames are compared
_REPEAT = 0.25  # mean change between frames, over the noise of a pixel: 1.13 at least in new exposures, 0 in repeats


@dataclass(frozen=True, kw_only=True, eq=False)
class Walk:
    """What a walk through a clip found.

    Parameters
    ----------
    time_s : ndarray, shape (n_frames,)
        Time stamps [s].
    matches : list of Matches
        One a matcher.
    noise_grey : list of float
        Noise of a pixel, one a matcher [grey levels].
    change_grey : ndarray, shape (n_frames - 1,)
        Mean absolute change from frame to frame [grey levels].
    signs : CompressionSigns
        Marks of compression in the first frames.
    damage : str
        Why the clip ended early; empty when it did not.
    """

    time_s: np.ndarray
    matches: list[Matches]
    noise_grey: list[float]
    change_grey: np.ndarray
    signs: CompressionSigns
    damage: str

    @property
    def repeated(self) -> str:
        """The remark on frames that repeat the one before; empty when there are none, or hardly any others."""
        usual = min(self.noise_grey[0], np.percentile(self.change_grey, 90)) if len(self.change_grey) else 0.0
        count = int((self.change_grey < _REPEAT * usual).sum())
        if not count:
            return ""
        return (
            f"{count} of {len(self.time_s)} frames repeat the frame before them: the camera gave fewer frames than "
            "the file holds, and the displacement is a staircase there; store the frames as they come, with their times"
        )


def as_clip(
    frames: Clip | np.ndarray | Iterable[np.ndarray],
    *,
    frame_rate_hz: float | None,
    time_s: Sequence[float] | None,
) -> Clip:
    """The frames as a clip, whatever they came as; an iterable can be walked through once."""
    if isinstance(frames, Clip):
        if frame_rate_hz is not None or time_s is not None:
            raise ValueError("the clip brings its frame times along; give frame_rate_hz or time_s where it is opened")
        return frames
    if isinstance(frames, np.ndarray):
        return Clip.from_array(frames, frame_rate_hz=frame_rate_hz, time_s=time_s, name="frames")
    return Clip.from_iterable(frames, frame_rate_hz=frame_rate_hz, time_s=time_s, name="frames")


def reference_picture(clip: Clip, reference: int | np.ndarray) -> np.ndarray:
    """The reference frame of a clip, by number, or the picture given."""
    if isinstance(reference, np.ndarray):
        return check_array("reference", reference, ndim=2)
    number = int(check_number("reference", reference, at_least=0, cure="give the number of a frame, or a picture"))
    for frame in clip:
        if frame.number == number:
            return frame.pixels
    raise ValueError(f"reference is {number}; the clip {clip.name} has no frame of that number (the first is 0)")


def walk_clip(
    clip: Clip,
    matchers: Sequence[Matcher],
    *,
    workers: int | None,
    progress: Callable[[int], object] | None,
) -> Walk:
    """Walk through the clip once. Batches go to threads; no more of them are held than the threads need."""
    workers = workers or os.cpu_count() or 1
    size = max(4, min(_MOST_FRAMES, _BATCH_PX // matchers[0].reference.size))
    times: list[float] = []
    damage: list[str] = []
    changes: list[float] = []
    done: list[list[tuple[Matches, list[float]]]] = []
    waiting: deque[Future[list[tuple[Matches, list[float]]]]] = deque()
    frames = _until_damage(clip, damage)
    before = None
    with ThreadPoolExecutor(workers) as pool:
        for number in itertools.count():
            batch = list(itertools.islice(frames, size))
            pictures = [frame.pixels for frame in batch]
            times += [frame.time_s for frame in batch]
            if number == 0:
                matchers[0].check_sizes(pictures)
                signs = compression_signs(np.array(pictures[:_SIGN_FRAMES]), white_level=clip.white_level)
            if batch:
                waiting.append(pool.submit(_match_batch, matchers, pictures, number))
                before = _changes(pictures, before, changes)
            while waiting and (not batch or len(waiting) > 2 * workers):
                done.append(waiting.popleft().result())
                if progress:
                    progress(sum(len(one[0][0].gain) for one in done))
            if not batch:
                break
    if len(times) < 2:
        raise ValueError(
            f"the clip {clip.name} gives {len(times)} frame(s); at least 2 are needed to see motion {damage or ''}"
        )
    _check_rising(clip.name, np.array(times))
    found, noise = zip(*(_join([one[i] for one in done]) for i in range(len(matchers))))
    return Walk(
        time_s=np.array(times),
        matches=list(found),
        noise_grey=list(noise),
        change_grey=np.array(changes),
        signs=signs,
        damage="".join(damage),
    )


def _check_rising(name: str, time_s: np.ndarray) -> None:
    late = np.flatnonzero(~(np.diff(time_s) > 0))
    if len(late):
        raise ValueError(
            f"{name}: frame {late[0] + 1} is not later than the frame before it; give the frame rate (frame_rate_hz, "
            "--rate-hz) or rising frame times (time_s, --times)"
        )


def _until_damage(clip: Clip, damage: list[str]) -> Iterator[Frame]:
    try:
        yield from clip
    except ClipDamaged as error:
        damage.append(str(error))


def _changes(pictures: list[np.ndarray], before: np.ndarray | None, changes: list[float]) -> np.ndarray | None:
    """Add the mean change of each picture against the one before it; give the last, thinned out."""
    for picture in pictures:
        thin = picture[_THIN].astype(np.float32)
        if before is not None and thin.shape == before.shape:
            changes.append(float(np.abs(thin - before).mean()))
        before = thin
    return before


def _join(batches: list[tuple[Matches, list[float]]]) -> tuple[Matches, float]:
    names = ("shift_px", "gain", "quality", "clipped")
    matches = Matches(**{name: np.concatenate([getattr(one, name) for one, _ in batches]) for name in names})
    noise = [value for _, some in batches for value in some if value > 0]
    return matches, float(np.median(noise) / np.sqrt(2)) if noise else 0.0


def _match_batch(
    matchers: Sequence[Matcher], pictures: list[np.ndarray], number: int
) -> list[tuple[Matches, list[float]]]:
    """Matches of a batch by each matcher, and the noise of a few frames (of every first, second, fourth … batch)."""
    found = [matcher.match(pictures) for matcher in matchers]
    most = 0 if number & (number - 1) else _NOISE_FRAMES
    return [(matches, _noise(matcher, matches, pictures, most)) for matcher, matches in zip(matchers, found)]


def _noise(matcher: Matcher, matches: Matches, pictures: list[np.ndarray], most: int) -> list[float]:
    """Noise of the frames that lie whole pixels off: there aliasing, which looks like noise, cancels."""
    off = np.abs(matches.shift_px - np.rint(matches.shift_px)).max(axis=1)
    good = [i for i in np.argsort(off) if matches.quality[i] > LOST_QUALITY and not matches.clipped[i] > 0.1]
    return [matcher.pair_noise(pictures[i], matches.shift_px[i]) for i in good[:most]]


def match_flags(matches: Matches, matcher: Matcher) -> tuple[str, ...]:
    """Why each frame is not to be trusted; "" for a frame that is."""
    inside = matcher.region.cut(matcher.reference)
    before = float((inside >= matcher.white_level).mean())
    reach = np.array([matcher.region.width, matcher.region.height]) / 4 + 1
    usual = np.nanmedian(matches.quality) if np.isfinite(matches.quality).any() else 0.0
    least = max(LOST_QUALITY, _POOR_SHARE * usual)
    flags = []
    for shift, gain, quality, clipped in zip(matches.shift_px, matches.gain, matches.quality, matches.clipped):
        if clipped > before + _SATURATED_SHARE:
            flags.append("saturated")
        elif gain < _DARK_GAIN and quality >= LOST_QUALITY:
            flags.append("dark")
        elif not quality >= least:
            flags.append("lost")
        else:
            flags.append("out of reach" if (np.abs(shift) > reach).any() else "")
    return tuple(flags)
