"""Frames → displacement: how far the picture moved in every frame, against a reference frame.

The result says what it is worth: frames that cannot be trusted are flagged and left out, the smallest scatter that
noise allows (Cramér–Rao) stands beside the scatter found, and a clip that shows nothing but noise gets the verdict
"no motion" with the floor below which this clip could not have shown any.
"""

from __future__ import annotations

import itertools
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from labkit.analyse._frame_clock import even_clock
from labkit.analyse.compression import CompressionSigns, compression_signs
from labkit.analyse.registration import Matcher, Matches, cramer_rao_bound_px
from labkit.analyse.sampling import correct_exposure
from labkit.analyse.scale import Scale
from labkit.base import check_array, check_number
from labkit.runs.clips import Clip, ClipDamaged, Frame, Region
from labkit.runs.recording import Recording

__all__ = ["TrackResult", "as_clip", "match_all", "match_flags", "reference_picture", "track"]

_BATCH_PX = 8_000_000  # pixels that one batch of frames may hold
_MOST_FRAMES = 64
_NOISE_FRAMES = 4
_LOST_QUALITY = 0.6
_POOR_SHARE = 0.8  # of the usual quality of the clip; a match on the wrong brick of a wall stays below
_DARK_GAIN = 0.2
_SATURATED_SHARE = 0.02
_CHANCE = 1e-3  # chance that noise alone is taken for motion
_UNEVEN = 1.3  # noise differs from pixel to pixel in a real sensor: the scatter it causes is known to about this factor
_RESOLUTION_PX = 5e-4  # what the model of the moved reference itself may be off by
_BETWEEN_FRAMES_PX = 0.08  # what compression between frames may falsify, rms (0.01–0.07 on photographs in trials) …
_IN_FRAMES_PX = 0.005  # … and compression within each frame (0.001–0.005)
_SIGN_FRAMES = 10
_WEAK_PX = 0.1  # bound above which a direction has no texture to speak of


@dataclass(frozen=True, kw_only=True, eq=False)
class TrackResult:
    """How the picture moved.

    Parameters
    ----------
    recording : Recording
        Displacement of the picture along x (columns, to the right) and y (rows, downwards) on an even clock, in px,
        or in m with a scale; nan where a frame is missing or not trusted.
    time_s : ndarray, shape (n_frames,)
        Time of each frame as it came [s].
    shift_px : ndarray, shape (2, n_frames)
        Movement against the reference in every frame, x and y [px]; nan where none was found.
    quality, gain, clipped : ndarray, shape (n_frames,)
        Correlation with the moved reference (1 is as good as it gets), contrast against the reference, share of
        saturated pixels.
    flags : tuple of str, one a frame
        "" when the frame is trusted, or "saturated", "dark", "lost", "out of reach".
    noise_grey : float
        Standard deviation of the noise of a pixel [grey levels].
    bound_px : ndarray, shape (2,)
        Cramér–Rao bound of a shift between two equally noisy frames, x and y [px].
    noise_px : ndarray, shape (2,)
        Scatter that the noise of the frames causes in this method, x and y [px].
    scatter_px : ndarray, shape (2,)
        Standard deviation of the trusted shifts, x and y [px].
    floor_px : ndarray, shape (2,)
        Scatter above which motion is stated, x and y [px]; inf in a direction without texture.
    moving : bool
        True when the scatter is above the floor, or a spectral line stands out of the noise, in x or y.
    lossy : bool or None
        True when the clip was stored in a way that falsifies motion; None when not known.
    damage : str
        Why the clip could not be read to its end; empty when it could.
    notes : tuple of str
        Reasons and warnings in words.
    """

    recording: Recording
    time_s: np.ndarray
    shift_px: np.ndarray
    quality: np.ndarray
    gain: np.ndarray
    clipped: np.ndarray
    flags: tuple[str, ...]
    noise_grey: float
    bound_px: np.ndarray
    noise_px: np.ndarray
    scatter_px: np.ndarray
    floor_px: np.ndarray
    moving: bool
    lossy: bool | None
    damage: str
    notes: tuple[str, ...]

    @property
    def trusted(self) -> np.ndarray:
        """True for every frame that carries no flag, shape (n_frames,)."""
        return np.array([not flag for flag in self.flags])

    @property
    def verdict(self) -> str:
        """The verdict in words."""
        words = f"x {1e3 * self.floor_px[0]:.2g}, y {1e3 * self.floor_px[1]:.2g} thousandths of a pixel rms"
        return f"motion (floor: {words})" if self.moving else f"no motion above the floor of this clip ({words})"


def track(
    frames: Clip | np.ndarray | Iterable[np.ndarray],
    *,
    frame_rate_hz: float | None = None,
    time_s: Sequence[float] | None = None,
    reference: int | np.ndarray = 0,
    region: Region | None = None,
    scale: Scale | None = None,
    exposure_s: float | None = None,
    row_time_s: float | None = None,
    white_level: float | None = None,
    workers: int | None = None,
    progress: Callable[[int], object] | None = None,
) -> TrackResult:
    """Follow a region of the picture through a clip.

    Parameters
    ----------
    frames : Clip, ndarray of shape (n, height, width), or iterable of grey pictures
        The clip; it is walked through once (twice with a reference that is not the first frame).
    frame_rate_hz : float, optional
        Frame rate [Hz] of an array or iterable; a Clip brings its times along.
    time_s : sequence of float, optional
        Time of each frame [s] of an array or iterable.
    reference : int or ndarray
        Number of the reference frame, or the reference picture itself.
    region : Region, optional
        The part to follow [px]; the whole frame by default. Leave a margin around it: what moves out of the frame
        cannot be compared.
    scale : Scale, optional
        Size of a pixel at the object; with it the recording is in m.
    exposure_s : float, optional
        Exposure time [s]; with it the recording is corrected for the averaging within the exposure.
    row_time_s : float, optional
        Time from row to row of a rolling shutter [s]; with it the times are those of the middle of the region.
    white_level : float, optional
        Grey level of a saturated pixel, where it is not the greatest of its kind of number (12 bit kept in 16).
    workers : int, optional
        Threads; all processors by default.
    progress : callable, optional
        Called with the number of frames done after each batch.

    Returns
    -------
    TrackResult

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> scene = rng.normal(100.0, 30.0, (80, 90))
    >>> clip = np.stack([scene[8 - s : 72 - s, 8 : 72] for s in (0, 2, -3, 0, 1)])
    >>> track(clip, frame_rate_hz=50.0).shift_px[1, 1:3].round(3).tolist()
    [2.0, -3.0]
    """
    clip = as_clip(frames, frame_rate_hz=frame_rate_hz, time_s=time_s)
    clip = clip if white_level is None else replace(clip, white_level=float(white_level))
    picture = reference_picture(clip, reference)
    region = region or Region(top=0, left=0, height=picture.shape[0], width=picture.shape[1])
    matcher = Matcher(reference=picture, region=region, white_level=clip.white_level)
    times, (matches,), (noise,), signs, damage = match_all(clip, [matcher], workers=workers, progress=progress)
    if row_time_s is not None:
        times = times + check_number("row_time_s", row_time_s, at_least=0.0) * (region.top + 0.5 * region.height)
    flags = match_flags(matches, matcher)
    shift = np.where([not flag for flag in flags], matches.shift_px.T, np.nan)
    recording, notes = _recording(times, shift, scale, exposure_s)
    lossy = True if signs.found else clip.lossy
    remarks = _remarks(flags, signs, damage, region, row_time_s)
    worth = _worth(shift, noise, matcher, least_floor_px=_model_error_px(clip, lossy))
    return TrackResult(
        recording=recording,
        time_s=times,
        shift_px=matches.shift_px.T,
        quality=matches.quality,
        gain=matches.gain,
        clipped=matches.clipped,
        flags=flags,
        lossy=lossy,
        damage=damage,
        notes=(*clip.notes, *notes, *remarks, *_weak_axes(worth["bound_px"])),
        **worth,
    )


# ----------------------------------------------------------------------------------------------------- input
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
    raise ValueError(f"reference is {number}; the clip has no frame of that number (the first is 0)")


def match_all(
    clip: Clip,
    matchers: Sequence[Matcher],
    *,
    workers: int | None,
    progress: Callable[[int], object] | None,
) -> tuple[np.ndarray, list[Matches], list[float], CompressionSigns, str]:
    """Frame times, matches and pixel noise [grey levels] of each matcher, marks of compression, and damage.

    One walk through the clip. Batches of frames go to threads; no more of them are held than the threads need.
    """
    workers = workers or os.cpu_count() or 1
    size = max(4, min(_MOST_FRAMES, _BATCH_PX // matchers[0].reference.size))
    times: list[float] = []
    damage: list[str] = []
    done: list[list[tuple[Matches, list[float]]]] = []
    waiting: deque[Future[list[tuple[Matches, list[float]]]]] = deque()
    walk = _until_damage(clip, damage)
    with ThreadPoolExecutor(workers) as pool:
        for number in itertools.count():
            batch = list(itertools.islice(walk, size))
            times += [frame.time_s for frame in batch]
            if number == 0:
                first = [frame.pixels for frame in batch[:_SIGN_FRAMES]]
                matchers[0].check_sizes(first)
                signs = compression_signs(np.array(first), white_level=clip.white_level)
            if batch:
                waiting.append(pool.submit(_match_batch, matchers, [frame.pixels for frame in batch], number))
            while waiting and (not batch or len(waiting) > 2 * workers):
                done.append(waiting.popleft().result())
                if progress:
                    progress(sum(len(one[0][0].gain) for one in done))
            if not batch:
                break
    if len(times) < 2:
        raise ValueError(f"the clip gives {len(times)} frame(s); at least 2 are needed to see motion {damage or ''}")
    joined = [_join([one[i] for one in done]) for i in range(len(matchers))]
    found, noise = (list(part) for part in zip(*joined))
    return np.array(times), found, noise, signs, "".join(damage)


def _until_damage(clip: Clip, damage: list[str]) -> Iterator[Frame]:
    try:
        yield from clip
    except ClipDamaged as error:
        damage.append(str(error))


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
    good = [i for i in np.argsort(off) if matches.quality[i] > _LOST_QUALITY and not matches.clipped[i] > 0.1]
    return [matcher.pair_noise(pictures[i], matches.shift_px[i]) for i in good[:most]]


# --------------------------------------------------------------------------------------------------- judgement
def match_flags(matches: Matches, matcher: Matcher) -> tuple[str, ...]:
    """Why each frame is not to be trusted; "" for a frame that is."""
    inside = matcher.region.cut(matcher.reference)
    before = float((inside >= matcher.white_level).mean())
    reach = np.array([matcher.region.width, matcher.region.height]) / 4 + 1
    usual = np.nanmedian(matches.quality) if np.isfinite(matches.quality).any() else 0.0
    least = max(_LOST_QUALITY, _POOR_SHARE * usual)
    flags = []
    for shift, gain, quality, clipped in zip(matches.shift_px, matches.gain, matches.quality, matches.clipped):
        if clipped > before + _SATURATED_SHARE:
            flags.append("saturated")
        elif gain < _DARK_GAIN and quality >= _LOST_QUALITY:
            flags.append("dark")
        elif not quality >= least:
            flags.append("lost")
        else:
            flags.append("out of reach" if (np.abs(shift) > reach).any() else "")
    return tuple(flags)


def _model_error_px(clip: Clip, lossy: bool | None) -> float:
    """Scatter that the method and the way of storing may cause by themselves [px]."""
    if not lossy:
        return _RESOLUTION_PX
    return _IN_FRAMES_PX if clip.lossy and not clip.between_frames else _BETWEEN_FRAMES_PX


def _worth(shift_px: np.ndarray, noise: float, matcher: Matcher, *, least_floor_px: float) -> dict[str, object]:
    """What the trusted shifts are worth: bound, expected and found scatter, floor, and whether there is motion."""
    good = shift_px[:, np.isfinite(shift_px).all(axis=0)]
    count = good.shape[1]
    bound = cramer_rao_bound_px(matcher.region.cut(matcher.reference), noise=noise)
    expected = matcher.shift_noise_px(noise)
    if count < 3:
        unknown = np.full(2, np.nan)
        scatter, floor, moving = unknown, unknown, False
    else:
        scatter = good.std(axis=1, ddof=1)
        chance = np.sqrt(stats.chi2.ppf(1 - _CHANCE / 2, count - 1) / (count - 1))
        floor = np.maximum(expected * max(chance, _UNEVEN), least_floor_px)
        floor[bound > _WEAK_PX] = np.inf
        lines = [_line_chance(row) < _CHANCE / 2 for row in good]
        moving = bool(((scatter > floor) | (np.array(lines) & (scatter > least_floor_px) & (bound < _WEAK_PX))).any())
    return {
        "noise_grey": noise,
        "bound_px": bound,
        "noise_px": expected,
        "scatter_px": scatter,
        "floor_px": floor,
        "moving": moving,
    }


def _line_chance(values: np.ndarray) -> float:
    """Chance that white noise shows a spectral line as strong as the strongest one (Fisher 1929, first term)."""
    power = np.abs(np.fft.rfft(values - values.mean())[1 : (len(values) + 1) // 2]) ** 2
    if len(power) < 8 or not power.sum() > 0:
        return 1.0
    share = power.max() / power.sum()
    return float(min(1.0, len(power) * (1 - share) ** (len(power) - 1)))


def _remarks(
    flags: tuple[str, ...], signs: CompressionSigns, damage: str, region: Region, row_time_s: float | None
) -> list[str]:
    remarks = [signs.words] if signs.found else []
    kinds = {flag: flags.count(flag) for flag in sorted(set(flags)) if flag}
    if kinds:
        words = ", ".join(f"{count} {flag}" for flag, count in kinds.items())
        remarks.append(f"{sum(kinds.values())} of {len(flags)} frames are not trusted and left out: {words}")
    if damage:
        remarks.append(f"the clip ends early; {len(flags)} frames before the damage are used. {damage}")
    if row_time_s:
        remarks.append(
            f"rolling shutter: each shift is an average over {1e3 * row_time_s * region.height:.3g} ms of read-out; "
            "vibration faster than that is averaged away here, follow rows in bands to see it"
        )
    return remarks


def _weak_axes(bound_px: np.ndarray) -> list[str]:
    """Remark on directions in which the texture is hardly more than noise."""
    weak = [name for name, bound in zip("xy", bound_px) if not bound < _WEAK_PX]
    return [f"too little texture along {' and '.join(weak)}: displacement there is not worth anything"] if weak else []


# --------------------------------------------------------------------------------------------------- recording
def _recording(
    time_s: np.ndarray, shift_px: np.ndarray, scale: Scale | None, exposure_s: float | None
) -> tuple[Recording, list[str]]:
    values, rate, start, notes = even_clock(time_s, shift_px)
    recording = Recording(values=values, sample_rate_hz=rate, channels=("x", "y"), unit="px", start_s=start)
    if exposure_s is not None:
        if recording.complete:
            recording = correct_exposure(recording, exposure_s=exposure_s)
            notes.append("corrected for the averaging within the exposure, which holds below half the frame rate")
        else:
            notes.append("not corrected for the exposure: frames are missing or not trusted")
    return (recording if scale is None else scale.to_object(recording)), notes
