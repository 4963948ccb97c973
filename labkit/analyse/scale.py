"""Scale: the size of a pixel at the object, from a picture of a target of known pitch or from lens facts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, signal

from labkit.base import Estimate, check_array, check_choice, check_number
from labkit.runs.recording import Recording

__all__ = ["Scale", "scale_from_lens", "scale_from_target"]

_LEAST_PERIODS = 8.0  # periods of the target that must be in the picture
_LEAST_PERIOD_PX = 3.0
_CLEAR_PEAK = 8.0  # a periodic target stands out of the rest of the spectrum by this factor in amplitude
_SUBHARMONIC = 0.15  # a line at half or a third of the strongest frequency, this strong, is the true fundamental
_CELL = 0.7  # local phases are smoothed over this many periods (standard deviation) …
_SPACING = 3.0  # … and read this many standard deviations apart, where their noise is all but independent
_SQUARE = 0.05  # by how much the two pitches of a dot grid may differ, and lean, to pass as one square grid


@dataclass(frozen=True, kw_only=True)
class Scale:
    """Size of a pixel at the object.

    Parameters
    ----------
    object_pixel_m : Estimate
        Size of a pixel in the plane of the object [m].
    source : str
        Where it comes from, in words.
    period_px : float
        Mean period of the target in the picture [px]; nan when there was none.
    distortion_px : float
        Rms departure of the target from an even grid [px]: lens distortion, tilt, or noise; nan when there was none.
    notes : tuple of str
        Reasons and warnings in words.
    """

    object_pixel_m: Estimate
    source: str
    period_px: float = math.nan
    distortion_px: float = math.nan
    notes: tuple[str, ...] = ()

    def to_object(self, recording: Recording) -> Recording:
        """A recording in px as one in m; the relative uncertainty of the scale is that of every amplitude."""
        if recording.unit != "px":
            raise ValueError(f"the recording is in {recording.unit}; a scale turns px into m")
        return replace(recording, values=recording.values * self.object_pixel_m.value, unit="m")


def scale_from_lens(
    *,
    pixel_pitch_m: float,
    magnification: float | None = None,
    magnification_standard_error: float = math.nan,
    focal_length_m: float | None = None,
    distance_m: float | None = None,
    distance_standard_error_m: float = math.nan,
) -> Scale:
    """Scale from the pixel pitch and the magnification, p/m, with m = f/(d − f) for a thin lens if not given.

    Parameters
    ----------
    pixel_pitch_m : float
        Pixel pitch of the sensor [m].
    magnification, magnification_standard_error : float
        Image size over object size, and its standard uncertainty.
    focal_length_m, distance_m, distance_standard_error_m : float
        Focal length, distance from the object to the front principal plane, its standard uncertainty [m]; in place of
        the magnification.

    References
    ----------
    Thin-lens equation, any textbook (from memory).

    Examples
    --------
    >>> scale = scale_from_lens(pixel_pitch_m=3.45e-6, magnification=0.5, magnification_standard_error=0.01)
    >>> round(scale.object_pixel_m.value * 1e6, 3), round(scale.object_pixel_m.standard_error * 1e6, 3)
    (6.9, 0.138)
    """
    pitch = check_number("pixel_pitch_m", pixel_pitch_m, above=0.0)
    if (magnification is None) == (focal_length_m is None):
        raise ValueError("give either magnification, or focal_length_m and distance_m")
    if magnification is not None:
        m = check_number("magnification", magnification, above=0.0)
        relative, source = magnification_standard_error / m, f"pixel pitch and magnification {m:g}"
    else:
        if distance_m is None:
            raise ValueError("distance_m is missing; the magnification follows from focal_length_m and distance_m")
        f = check_number("focal_length_m", focal_length_m, above=0.0)
        away = check_number("distance_m", distance_m, above=f, cure="closer than the focal length there is no image")
        m, relative = f / (away - f), distance_standard_error_m / (away - f)
        source = f"pixel pitch, focal length and distance (thin lens, magnification {m:.4g})"
    value = pitch / m
    return Scale(
        object_pixel_m=Estimate.from_standard_error(value, value * relative, dof=math.inf),
        source=source,
        notes=() if math.isfinite(relative) else ("the uncertainty of the lens facts was not given",),
    )


def scale_from_target(
    picture: np.ndarray,
    *,
    pitch_m: float,
    kind: str,
    pitch_standard_error_m: float = math.nan,
) -> Scale:
    """Scale from a picture of a target of known pitch: parallel lines, or dots on a square grid, at any angle.

    The strongest spatial frequency is refined on the phase of the pattern over the whole picture, which finds the
    period to parts in ten thousand; the phase left over shows distortion.

    Parameters
    ----------
    picture : ndarray, shape (height, width)
        Picture that the target fills [grey levels].
    pitch_m : float
        Distance from line to line or from dot to dot [m].
    kind : {"lines", "dots"}
        The target.
    pitch_standard_error_m : float
        Standard uncertainty of the pitch [m]; without it the uncertainty of the scale is unknown.

    Examples
    --------
    >>> y, x = np.mgrid[:200, :240]
    >>> lines = 100 + 50 * np.sin(2 * np.pi * (x * np.cos(0.1) + y * np.sin(0.1)) / 12.5)
    >>> scale = scale_from_target(lines, pitch_m=1e-3, kind="lines", pitch_standard_error_m=1e-6)
    >>> round(scale.period_px, 3), round(scale.object_pixel_m.value * 1e6, 2)
    (12.5, 80.0)
    """
    check_choice("kind", kind, ("lines", "dots"))
    pitch = check_number("pitch_m", pitch_m, above=0.0)
    picture = check_array("picture", picture, ndim=2, min_length=32)
    waves = [_refine(picture, start) for start in _find_waves(picture, kind)]
    lengths = np.array([np.hypot(*wave.frequency) for wave in waves])
    mean = float(lengths.mean())
    spread = float(np.ptp(lengths)) / (2 * math.sqrt(3))  # rectangular, GUM 4.3.7
    se = math.hypot(math.sqrt(sum(w.standard_error**2 for w in waves)) / len(waves), spread)
    relative = math.hypot(se / mean, pitch_standard_error_m / pitch)
    notes = [] if math.isfinite(relative) else ["the uncertainty of the pitch was not given"]
    if spread > 3 * se / 4 and len(waves) > 1 and spread / mean > 1e-3:
        notes.append(f"the pitches along the two axes differ by {np.ptp(lengths) / mean:.2%}: the target is tilted")
    return Scale(
        object_pixel_m=Estimate.from_standard_error(pitch * mean, pitch * mean * relative, dof=waves[0].dof),
        source=f"target of {kind}, pitch {1e3 * pitch:g} mm",
        period_px=1 / mean,
        distortion_px=float(np.mean([w.left_rad for w in waves])) / (2 * math.pi * mean),
        notes=tuple(notes),
    )


# ---------------------------------------------------------------------------------------------------- waves
@dataclass(frozen=True, kw_only=True, eq=False)
class _Wave:
    frequency: np.ndarray  # along x and y [cycles/px]
    standard_error: float  # of its length [cycles/px]
    left_rad: float  # rms of the phase that is not a plane
    dof: float


def _find_waves(picture: np.ndarray, kind: str) -> list[np.ndarray]:
    """Start values of the spatial frequencies of the target [cycles/px], x and y."""
    taper = np.outer(*(signal.windows.hann(side, sym=True) for side in picture.shape))
    size = np.abs(np.fft.fft2((picture - (picture * taper).sum() / taper.sum()) * taper))
    fy, fx = np.meshgrid(*(np.fft.fftfreq(side) for side in picture.shape), indexing="ij")
    length = np.hypot(fx, fy)
    usable = (length >= _LEAST_PERIODS / min(picture.shape)) & (length <= 1 / _LEAST_PERIOD_PX)
    usable &= (fx > 0) | ((fx == 0) & (fy > 0))
    first = _peak(size, usable, fx, fy, np.median(size[usable]))
    first = _fundamental(size, first)
    if kind == "lines":
        return [first]
    along = np.abs(fx * first[1] - fy * first[0]) < 0.5 * length * np.hypot(*first)
    second = _fundamental(size, _peak(size, usable & ~along, fx, fy, np.median(size[usable])))
    lengths = np.hypot(*first), np.hypot(*second)
    lean = abs(float(first @ second)) / (lengths[0] * lengths[1])
    if abs(lengths[0] / lengths[1] - 1) > _SQUARE or lean > _SQUARE:
        raise ValueError(
            f"the picture shows periods of {1 / lengths[0]:.4g} and {1 / lengths[1]:.4g} px that do not make a square "
            "grid; point the camera squarely at the dots, or use kind='lines' on a line target"
        )
    return [first, second]


def _peak(size: np.ndarray, where: np.ndarray, fx: np.ndarray, fy: np.ndarray, rest: float) -> np.ndarray:
    top = np.argmax(np.where(where, size, 0.0))
    if not size.flat[top] > _CLEAR_PEAK * rest:
        raise ValueError(
            f"the picture shows no periodic target of {_LEAST_PERIODS:g} or more periods, each {_LEAST_PERIOD_PX:g} px "
            "or longer; cut the picture to the target, focus it, light it evenly"
        )
    return np.array([fx.flat[top], fy.flat[top]])


def _fundamental(size: np.ndarray, found: np.ndarray) -> np.ndarray:
    """The frequency itself, or a half or a third of it when the pattern has a line there."""
    top = _near(size, found)
    for divisor in (3, 2):
        part = found / divisor
        if np.hypot(*part) >= _LEAST_PERIODS / min(size.shape) and _near(size, part) > _SUBHARMONIC * top:
            return part
    return found


def _near(size: np.ndarray, frequency: np.ndarray) -> float:
    """Greatest amplitude within a bin of a frequency."""
    y, x = (round(f * side) for f, side in zip(frequency[::-1], size.shape))
    rows, columns = np.arange(y - 1, y + 2) % size.shape[0], np.arange(x - 1, x + 2) % size.shape[1]
    return float(size[np.ix_(rows, columns)].max())


def _refine(picture: np.ndarray, frequency: np.ndarray) -> _Wave:
    """Frequency from the phase of the pattern, demodulated and fitted with a plane."""
    for _ in range(3):
        sigma = _CELL / np.hypot(*frequency)
        edge, step = math.ceil(2 * sigma), max(1, round(_SPACING * sigma))
        rows = np.arange(edge, picture.shape[0] - edge, step)
        columns = np.arange(edge, picture.shape[1] - edge, step)
        if min(len(rows), len(columns)) < 3:
            raise ValueError("the picture shows too few periods of the target; move closer or take a finer target")
        phase, weight = _local_phase(picture, frequency, sigma, rows, columns)
        y, x = np.meshgrid(rows - rows.mean(), columns - columns.mean(), indexing="ij")
        design = np.column_stack([x.ravel(), y.ravel(), np.ones(x.size)])
        root = np.sqrt(weight.ravel())
        slope, *_ = np.linalg.lstsq(design * root[:, None], phase.ravel() * root, rcond=None)
        left = phase.ravel() - design @ slope
        frequency = frequency + slope[:2] / (2 * np.pi)
    dof = x.size - 3
    variance = (weight.ravel() * left**2).sum() / weight.mean() / dof
    cover = np.linalg.inv((design * root[:, None]).T @ (design * root[:, None]) / weight.mean())[:2, :2] * variance
    along = frequency / np.hypot(*frequency)
    return _Wave(
        frequency=frequency,
        standard_error=float(np.sqrt(along @ cover @ along)) / (2 * np.pi),
        left_rad=float(np.sqrt(variance)),
        dof=dof,
    )


def _local_phase(
    picture: np.ndarray, frequency: np.ndarray, sigma: float, rows: np.ndarray, columns: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Phase [rad], unwrapped, and squared amplitude of the pattern against a wave, at a grid of places."""
    y, x = np.ogrid[: picture.shape[0], : picture.shape[1]]
    wave = (picture - picture.mean()) * np.exp(-2j * np.pi * (frequency[0] * x + frequency[1] * y))
    local = ndimage.gaussian_filter(wave.real, sigma) + 1j * ndimage.gaussian_filter(wave.imag, sigma)
    local = local[np.ix_(rows, columns)]
    return np.unwrap(np.unwrap(np.angle(local), axis=1), axis=0), np.abs(local) ** 2
