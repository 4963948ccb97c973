"""Rolling shutter: rows are exposed one after the other, so bands of rows see a vibration at many instants a frame.

A global-shutter clip shows nothing above half its frame rate except folded. With a rolling shutter the read-out time of
a row is a clock that runs hundreds of times faster: each band of rows is followed on its own against the same band of
the reference, and the shifts of all bands, put in order of time, sample the motion at the rate of the bands.

Limits. The scene must stand still but for the vibration, with texture in every band. Motion faster than a band's
read-out, or than the exposure, is averaged away (|sinc|), and what is left is corrected. A frequency at a whole
multiple of the frame rate makes the same wobble in every frame and cannot be told from a bent picture, unless the
reference was taken at rest. The dead time between frames leaves side lines at multiples of the frame rate: a line is
only stated when it fits clearly better than its side lines.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from labkit.analyse._frame_clock import unrounded
from labkit.analyse._frame_walk import as_clip, match_flags, reference_picture, walk_clip
from labkit.analyse._row_fit import Samples, scan
from labkit.analyse.registration import BLUR_PX, Matcher, Matches
from labkit.analyse.sampling import exposure_attenuation, exposure_middle_s
from labkit.base import Estimate, check_choice, check_number
from labkit.runs.clips import Clip, Region

__all__ = ["RowLine", "RowTrack", "find_row_line", "track_rows"]

_MARGIN_PX = 8  # rows left free at the top and bottom so that no band leaves the frame
_TRUSTED_SHARE = 0.5  # of its frames that a band must be found in to count
_CHANCE = 1e-3
_LEAST_LEFT = 0.15  # lines of which less is left by band and exposure are not looked for


@dataclass(frozen=True, kw_only=True, eq=False)
class RowTrack:
    """Motion seen by bands of rows.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Time of each band of each frame, the middle of its read-out, rising [s].
    row_weights : ndarray, shape (2, n_bands, band_rows)
        Share that each row has in the shift of its band, x and y: rows with more texture count for more.
    shift_px : ndarray, shape (2, n)
        Movement along x and y [px]; nan where a band is not trusted.
    band : ndarray of int, shape (n,)
        Which band, from the top.
    band_rows : int
        Rows of a band [px].
    row_time_s, exposure_s, frame_rate_hz : float
        Time from row to row [s], exposure of a row [s], mean frame rate [Hz].
    noise_px : ndarray, shape (2,)
        Scatter that the noise of the frames causes in a band, root mean square over the bands [px].
    at_rest : bool
        True when the reference was taken at rest; else the mean of each band is taken off.
    lossy : bool or None
        As the clip says.
    notes : tuple of str
        Reasons and warnings in words.
    """

    time_s: np.ndarray
    row_weights: np.ndarray
    shift_px: np.ndarray
    band: np.ndarray
    band_rows: int
    row_time_s: float
    exposure_s: float
    frame_rate_hz: float
    noise_px: np.ndarray
    at_rest: bool
    lossy: bool | None
    notes: tuple[str, ...]

    @property
    def sample_rate_hz(self) -> float:
        """Rate of the bands while a frame is read out [Hz]."""
        return 1.0 / (self.band_rows * self.row_time_s)

    @property
    def duty(self) -> float:
        """Share of the time in which a band is read out."""
        return (int(self.band.max()) + 1) * self.band_rows * self.row_time_s * self.frame_rate_hz

    def response(self, frequency_hz: float | np.ndarray, *, axis: str) -> np.ndarray:
        """What each band makes of a vibration e^(2πi·f·t): complex, against its time, shape (…, n_bands)."""
        check_choice("axis", axis, ("x", "y"))
        offset = (np.arange(self.band_rows) + 0.5 - self.band_rows / 2) * self.row_time_s
        turn = np.exp(2j * np.pi * np.multiply.outer(np.asarray(frequency_hz, dtype=float), offset))
        exposed = exposure_attenuation(frequency_hz, exposure_s=self.exposure_s)
        return turn @ self.row_weights["xy".index(axis)].T * exposed[..., None]


@dataclass(frozen=True, kw_only=True, eq=False)
class RowLine:
    """The strongest vibration in a RowTrack.

    Parameters
    ----------
    found : bool
        False when no line stands out of the noise.
    distinct : bool
        True when the frequency fits clearly better than every other one a multiple of the frame rate away, and the line
        explains the motion down to its noise or to a tenth: else a vibration outside the range may have been folded in.
    frequency_hz : Estimate
        Frequency [Hz].
    amplitude_px : Estimate
        Amplitude, corrected for what band and exposure average away [px].
    phase_rad : float
        Phase of the sine at time 0 of the clip [rad].
    left : float
        Share of the amplitude that bands, exposure and the unknown offsets of the bands left to be seen.
    explained : float
        Share of the variance that the line explains.
    rival_hz : float
        The next best frequency at a multiple of the frame rate from it [Hz].
    residual_px : float
        Scatter that the line does not explain [px].
    """

    found: bool
    distinct: bool
    frequency_hz: Estimate
    amplitude_px: Estimate
    phase_rad: float
    left: float
    explained: float
    rival_hz: float
    residual_px: float

    def wave_px(self, time_s: np.ndarray) -> np.ndarray:
        """The vibration itself at given times [px]."""
        return self.amplitude_px.value * np.sin(2 * np.pi * self.frequency_hz.value * time_s + self.phase_rad)


def track_rows(
    frames: Clip | np.ndarray | Iterable[np.ndarray],
    *,
    row_time_s: float,
    band_rows: int = 16,
    frame_rate_hz: float | None = None,
    time_s: Sequence[float] | None = None,
    exposure_s: float = 0.0,
    frame_time: str = "start",
    reference: int | np.ndarray = 0,
    at_rest: bool = False,
    region: Region | None = None,
    workers: int | None = None,
    progress: Callable[[int], object] | None = None,
) -> RowTrack:
    """Follow bands of rows through a rolling-shutter clip of a still, textured scene.

    Parameters
    ----------
    frames, frame_rate_hz, time_s, workers, progress
        As in `labkit.analyse.frames.track`. The frame time is that of row 0 of the frame.
    row_time_s : float
        Time from row to row [s], from the data sheet or from the read-out time divided by the rows.
    band_rows : int
        Rows of a band [px], at least 16: more rows, less noise and fewer samples.
    exposure_s : float
        Exposure time of a row [s].
    frame_time : {"start", "middle", "end"}
        What the time of a frame marks of the exposure of row 0.
    reference : int or ndarray
        Number of the reference frame, or the reference picture.
    at_rest : bool
        Whether the reference shows the scene without vibration. If not, the mean of every band over the clip is taken
        off, which holds unless the vibration keeps step with the frames.
    region : Region, optional
        The part to use; the frame less 8 rows above and below by default.
    """
    clip = as_clip(frames, frame_rate_hz=frame_rate_hz, time_s=time_s)
    picture = reference_picture(clip, reference)
    height, width = picture.shape
    region = region or Region(top=_MARGIN_PX, left=0, height=max(1, height - 2 * _MARGIN_PX), width=width)
    row_time = check_number("row_time_s", row_time_s, above=0.0)
    bands = _bands(region, int(check_number("band_rows", band_rows, at_least=1)))
    matchers = [Matcher(reference=picture, region=band, white_level=clip.white_level) for band in bands]
    starts_s = exposure_middle_s(frame_time, exposure_s=exposure_s)
    walk = walk_clip(clip, matchers, workers=workers, progress=progress)
    times, signs = unrounded(walk.time_s), walk.signs
    shift, used = _shifts(walk.matches, matchers, at_rest=at_rest)
    middle = starts_s + row_time * np.array([band.top + 0.5 * (band.height - 1) for band in bands])
    when = (times[None, :] + middle[:, None]).ravel()
    order = np.argsort(when, kind="stable")
    scatter = [matcher.shift_noise_px(value) for matcher, value, use in zip(matchers, walk.noise_grey, used) if use]
    lost = f"{(~used).sum()} of {len(bands)} bands cannot be followed and are left out" if not used.all() else ""
    return RowTrack(
        time_s=when[order],
        row_weights=np.stack([_row_weights(picture, band) for band in bands], axis=1),
        shift_px=shift.reshape(-1, 2).T[:, order],
        band=np.repeat(np.arange(len(bands)), len(times))[order],
        band_rows=int(band_rows),
        row_time_s=row_time,
        exposure_s=float(exposure_s),
        frame_rate_hz=(len(times) - 1) / float(times[-1] - times[0]),
        noise_px=np.sqrt(np.mean(np.square(scatter), axis=0)),
        at_rest=at_rest,
        lossy=True if signs.found else clip.lossy,
        notes=(*clip.notes, *(words for words in (signs.words, walk.repeated, walk.damage, lost) if words)),
    )


def _row_weights(picture: np.ndarray, band: Region) -> np.ndarray:
    """Share of each row in the least-squares shift along x and y: its sum of squared slopes of the blurred picture."""
    slopes = (ndimage.gaussian_filter(picture.astype(float), BLUR_PX, order=order) for order in ((0, 1), (1, 0)))
    sums = np.stack([(band.cut(slope) ** 2).sum(axis=1) for slope in slopes])
    return sums / sums.sum(axis=1, keepdims=True)


def _bands(region: Region, rows: int) -> list[Region]:
    tops = range(region.top, region.top + region.height - rows + 1, rows)
    if len(tops) < 2:
        raise ValueError(f"band_rows is {rows}; at least 2 bands must fit into the {region.height} rows used")
    return [Region(top=top, left=region.left, height=rows, width=region.width) for top in tops]


def _shifts(found: list[Matches], matchers: list[Matcher], *, at_rest: bool) -> tuple[np.ndarray, np.ndarray]:
    """Trusted shifts, shape (n_bands, n_frames, 2), and which bands are found often enough to count."""
    good = np.array([[not flag for flag in match_flags(*pair)] for pair in zip(found, matchers)])
    used = good.mean(axis=1) > _TRUSTED_SHARE
    if not used.any():
        raise ValueError("no band can be followed; take more rows a band, or a scene with more texture")
    shift = np.where((good & used[:, None])[:, :, None], [matches.shift_px for matches in found], np.nan)
    if not at_rest:
        seen = np.isfinite(shift).sum(axis=1, keepdims=True)
        shift = shift - np.nansum(shift, axis=1, keepdims=True) / np.maximum(seen, 1)
    return shift, used


def find_row_line(rows: RowTrack, *, axis: str, lowest_hz: float, highest_hz: float) -> RowLine:
    """The strongest vibration along one axis, by least squares on the unevenly spaced samples.

    Parameters
    ----------
    rows : RowTrack
        From `track_rows`.
    axis : {"x", "y"}
        Direction of the movement in the picture.
    lowest_hz, highest_hz : float
        Range to search [Hz]; the upper end is limited to where band and exposure leave 15 % of the amplitude.

    References
    ----------
    Least-squares spectrum: N. R. Lomb, Astrophys. Space Sci. 39 (1976) 447 (from memory); here with each band's own
    weighting of the wave and its own offset. Standard errors from the Jacobian in cosine, sine and frequency.
    """
    check_choice("axis", axis, ("x", "y"))
    values = rows.shift_px["xy".index(axis)]
    known = np.isfinite(values)
    if known.sum() < 16:
        raise ValueError(f"only {known.sum()} bands are trusted; at least 16 are needed to find a vibration")
    seen = Samples.centred(
        time=rows.time_s[known],
        band=rows.band[known],
        values=values[known],
        response=functools.partial(rows.response, axis=axis),
        at_rest=rows.at_rest,
    )
    check_number("lowest_hz", lowest_hz, above=0.0)
    check_number("highest_hz", highest_hz, above=lowest_hz)
    grid, kept, rest = scan(seen, lowest_hz=lowest_hz, highest_hz=highest_hz)
    grid, rest = grid[kept >= _LEAST_LEFT], rest[kept >= _LEAST_LEFT]
    if not len(grid):
        raise ValueError(
            f"nothing between {lowest_hz:g} and {highest_hz:g} Hz survives a band of {rows.band_rows} rows and an "
            f"exposure of {rows.exposure_s:g} s; use narrower bands or a shorter exposure"
        )
    best = seen.polish(float(grid[rest.argmin()]))
    # The same sinusoid a multiple of the frame rate away: only the time within the frames tells them apart.
    multiples = rows.frame_rate_hz * np.arange(1, int(2 * grid[-1] / rows.frame_rate_hz) + 2)
    others = np.abs(np.concatenate([multiples - best, multiples + best]))
    others = others[(others >= grid[0]) & (others <= grid[-1]) & (np.abs(others - best) > 2 * seen.width_hz)]
    rivals = [seen.polish(float(other)) for other in others]
    rival = min(rivals, key=lambda f: seen.fit(np.array([f]))[1][0], default=math.nan)
    tried = (grid[-1] - grid[0]) / seen.width_hz
    return _line(seen, best, rival_hz=rival, tried=tried, noise_px=float(rows.noise_px["xy".index(axis)]))


def _line(seen: Samples, frequency_hz: float, *, rival_hz: float, tried: float, noise_px: float) -> RowLine:
    (both,), (rest,) = seen.fit(np.array([frequency_hz]))
    rival_rest = math.inf if math.isnan(rival_hz) else float(seen.fit(np.array([rival_hz]))[1][0])
    dof = len(seen.values) - len(seen.share) - 3
    total = float((seen.values**2).sum())
    scatter = math.sqrt(max(rest, 1e-30) / dof)
    # Chance that noise gives such a line at any frequency tried; a rival must be as unlikely.
    found = total > 0 and (rest / total) ** (0.5 * dof) * max(1.0, tried) < _CHANCE
    clear = rest < 0.1 * total or scatter < 2 * noise_px
    amplitude = float(np.hypot(*both))
    covariance = scatter**2 * seen.covariance(frequency_hz, both)
    along = both / max(amplitude, 1e-300)
    return RowLine(
        found=bool(found),
        distinct=bool(found and clear and (rest / rival_rest) ** (0.5 * dof) < _CHANCE),
        frequency_hz=Estimate.from_standard_error(frequency_hz, math.sqrt(covariance[2, 2]), dof=dof),
        amplitude_px=Estimate.from_standard_error(amplitude, math.sqrt(along @ covariance[:2, :2] @ along), dof=dof),
        phase_rad=math.remainder(
            math.atan2(both[0], both[1]) - 2 * math.pi * frequency_hz * float(seen.time.mean()), 2 * math.pi
        ),
        left=float(seen.kept(np.array([frequency_hz]))[0]),
        explained=1 - rest / total if total > 0 else 0.0,
        rival_hz=rival_hz,
        residual_px=scatter,
    )
