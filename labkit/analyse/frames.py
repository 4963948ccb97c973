"""Frames → displacement: how far the picture moved in every frame, against a reference frame.

The result says what it is worth: frames that cannot be trusted are flagged and left out, the smallest scatter that
noise allows (Cramér–Rao) stands beside the scatter found, and a clip that shows nothing but noise gets the verdict
"no motion" with the floor below which this clip could not have shown any.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from labkit.analyse._frame_clock import even_clock
from labkit.analyse._frame_walk import Walk, as_clip, match_flags, reference_picture, walk_clip
from labkit.analyse._frame_worth import FEWEST_FRAMES, model_error_px, remarks_on_worth, worth
from labkit.analyse.registration import Matcher
from labkit.analyse.sampling import correct_exposure, exposure_middle_s
from labkit.analyse.scale import Scale
from labkit.base import check_number
from labkit.runs.clips import Clip, Region
from labkit.runs.recording import Recording

__all__ = ["FEWEST_FRAMES", "TrackResult", "track"]


@dataclass(frozen=True, kw_only=True, eq=False)
class TrackResult:
    """How the picture moved.

    Parameters
    ----------
    recording : Recording
        Displacement of the picture along x (columns, to the right) and y (rows, downwards) on an even clock, in px,
        or in m with a scale; nan where a frame is missing or not trusted.
    time_s : ndarray, shape (n_frames,)
        Time of each frame as it came [s]; with a known exposure or row time that of the middle of what it shows.
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
    aliasing_px : ndarray, shape (2,)
        Error that detail finer than the pixels may cause between whole pixels, rms [px]; nan when it cannot be told.
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
    aliasing_px: np.ndarray
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
        if self.trusted.sum() < FEWEST_FRAMES:
            return "too few frames are trusted to tell whether anything moved"
        known = [(name, 1e3 * one) for name, one in zip("xy", self.floor_px) if np.isfinite(one)]
        words = ", ".join(f"{name} {one:.2g}" for name, one in known) + " thousandths of a pixel rms"
        words = words if known else "no texture in any direction"
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
    frame_time: str = "start",
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
        Exposure time [s]; with it the recording is corrected for the averaging within the exposure, and the times are
        those of the middle of the exposure.
    frame_time : {"start", "middle", "end"}
        What the time of a frame marks of its exposure (with a rolling shutter, that of the first row). The start is
        usual for triggered cameras and video files; where it is wrong, a decay lags by half the exposure.
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
    middle_s = exposure_middle_s(frame_time, exposure_s=exposure_s or 0.0)
    if row_time_s is not None:
        middle_s += check_number("row_time_s", row_time_s, at_least=0.0) * (region.top + 0.5 * (region.height - 1))
    walk = walk_clip(clip, [matcher], workers=workers, progress=progress)
    (matches,), times = walk.matches, walk.time_s + middle_s
    flags = match_flags(matches, matcher)
    shift = np.where([not flag for flag in flags], matches.shift_px.T, np.nan)
    recording, notes = _recording(times, shift, scale, exposure_s)
    lossy = True if walk.signs.found else clip.lossy
    found = worth(shift, walk.noise_grey[0], matcher, least_floor_px=model_error_px(clip, lossy))
    return TrackResult(
        recording=recording,
        time_s=times,
        shift_px=matches.shift_px.T,
        quality=matches.quality,
        gain=matches.gain,
        clipped=matches.clipped,
        flags=flags,
        lossy=lossy,
        damage=walk.damage,
        notes=(
            *clip.notes,
            *notes,
            *_remarks_on_times(frame_time, exposure_s, row_time_s, region),
            *_remarks(flags, walk),
            *remarks_on_worth(found),
        ),
        **found,
    )


def _remarks(flags: tuple[str, ...], walk: Walk) -> list[str]:
    remarks = [walk.signs.words] if walk.signs.found else []
    remarks += [walk.repeated] if walk.repeated else []
    kinds = {flag: flags.count(flag) for flag in sorted(set(flags)) if flag}
    if kinds:
        words = ", ".join(f"{count} {flag}" for flag, count in kinds.items())
        remarks.append(f"{sum(kinds.values())} of {len(flags)} frames are not trusted and left out: {words}")
    if walk.damage:
        remarks.append(f"the clip ends early; {len(flags)} frames before the damage are used. {walk.damage}")
    return remarks


def _remarks_on_times(frame_time: str, exposure_s: float | None, row_time_s: float | None, region: Region) -> list[str]:
    remarks = []
    if exposure_s:
        off_ms = 1e3 * exposure_middle_s(frame_time, exposure_s=exposure_s)
        moved = f", {abs(off_ms):.3g} ms {'after' if off_ms > 0 else 'before'} the time stamps" if off_ms else ""
        remarks.append(
            f"time stamps are taken to mark the {frame_time} of the exposure (frame_time): the times here are those of "
            f"its middle{moved}"
        )
    if row_time_s:
        remarks.append(
            f"rolling shutter: each shift is an average over {1e3 * row_time_s * region.height:.3g} ms of read-out; "
            "vibration faster than that is averaged away here, follow rows in bands to see it"
        )
    return remarks


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
