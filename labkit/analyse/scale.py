"""Scale: the size of a pixel at the object, from a picture of a target of known pitch or from lens facts."""

from __future__ import annotations

import math
from collections.abc import Callable
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
_CLEAR_ORDER = 5.0  # an order of a dot grid stands out of its surroundings by this factor: of noise, one in 3·10⁷ bins
_ORDER_SEEN = 0.15  # orders between those found, this strong against the strongest, make a coarser grid of dots …
_ORDER_STRAY = 0.01  # … and weaker than this are sampling, dirt and printing; between the two nobody can tell
_ORDERS = 2.0  # orders are looked for up to this many times the frequency found
_APART = 4.75  # and this many bins or more from those known, whose window is 4 bins wide on either side
_NEAR = 2**0.25  # an approximate pitch picks the grid within this factor: half way to the next, √2 away
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
    approximate_pitch_px: float | None = None,
) -> Scale:
    """Scale from a picture of a target of known pitch: parallel lines, or dots on a square grid, at any angle.

    The strongest spatial frequency is refined on the phase of the pattern over the whole picture, which finds the
    period to parts in ten thousand; the phase left over shows distortion. The strongest frequencies of dots need not be
    the first orders of their grid (a bright ring can make the diagonal the strongest): grids coarser by √2, 2, √5 and 3
    are tried, and taken when orders of theirs stand between those found. Where that is not clear, it is an error. Grids
    with fewer than five dots across the picture are not looked for.

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
    approximate_pitch_px : float, optional
        Pitch counted in the picture, to 15 % [px]: picks the grid of dots nearest to it; no period off it is returned.

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
    if approximate_pitch_px is not None:
        check_number("approximate_pitch_px", approximate_pitch_px, above=0.0)
    starts, basis = _find_waves(picture, kind, approximate_pitch_px)
    finer = math.sqrt(abs(np.linalg.det(basis))) if len(basis) > 1 else 1.0  # frequency of the grid over that found
    waves = [_refine(picture, start, cell_px=_CELL / (min(finer, 1.0) * np.hypot(*start))) for start in starts]
    lengths = np.hypot(*(basis @ [wave.frequency for wave in waves]).T)
    mean = float(lengths.mean())
    _check_near(1 / mean, approximate_pitch_px)
    spread = float(np.ptp(lengths)) / (2 * math.sqrt(3))  # rectangular, GUM 4.3.7
    se = math.hypot(finer * math.sqrt(sum(w.standard_error**2 for w in waves)) / len(waves), spread)
    relative = math.hypot(se / mean, pitch_standard_error_m / pitch)
    notes = [] if math.isfinite(relative) else ["the uncertainty of the pitch was not given"]
    if spread > 3 * se / 4 and len(waves) > 1 and spread / mean > 1e-3:
        notes.append(f"the pitches along the two axes differ by {np.ptp(lengths) / mean:.2%}: the target is tilted")
    return Scale(
        object_pixel_m=Estimate.from_standard_error(pitch * mean, pitch * mean * relative, dof=waves[0].dof),
        source=f"target of {kind}, pitch {1e3 * pitch:g} mm",
        period_px=1 / mean,
        distortion_px=float(np.mean([w.left_rad / np.hypot(*w.frequency) for w in waves])) / (2 * math.pi),
        notes=tuple(notes),
    )


# ---------------------------------------------------------------------------------------------------- waves
@dataclass(frozen=True, kw_only=True, eq=False)
class _Wave:
    frequency: np.ndarray  # along x and y [cycles/px]
    standard_error: float  # of its length [cycles/px]
    left_rad: float  # rms of the phase that is not a plane
    dof: float


def _find_waves(picture: np.ndarray, kind: str, about_px: float | None) -> tuple[np.ndarray, np.ndarray]:
    """Start values of strong spatial frequencies [cycles/px], and the matrix that makes the pitch of them."""
    taper = np.outer(*(signal.windows.blackmanharris(side, sym=True) for side in picture.shape))
    size = np.abs(np.fft.fft2((picture - (picture * taper).sum() / taper.sum()) * taper))
    fy, fx = np.meshgrid(*(np.fft.fftfreq(side) for side in picture.shape), indexing="ij")
    length = np.hypot(fx, fy)
    usable = (length >= _LEAST_PERIODS / min(picture.shape)) & (length <= 1 / _LEAST_PERIOD_PX)
    usable &= (fx > 0) | ((fx == 0) & (fy > 0))
    first = _peak(size, usable, fx, fy, np.median(size[usable]))
    if kind == "lines":
        return np.array([_fundamental(size, first)]), np.eye(1)
    turned = np.abs(fx * first[0] + fy * first[1]) < 0.5 * length * np.hypot(*first)
    alike = np.abs(np.log(np.maximum(length, 1e-9) / np.hypot(*first))) < math.log(1.25)
    near = usable & turned & alike if (usable & turned & alike).any() else usable & turned
    second = _peak(size, near, fx, fy, np.median(size[usable]))
    _check_square(first, second)
    found = np.array([first, second])
    return found, _near_grid(found, about_px) if about_px is not None else _coarser_grid(size, found)


def _check_square(first: np.ndarray, second: np.ndarray) -> None:
    lengths = np.hypot(*first), np.hypot(*second)
    lean = abs(float(first @ second)) / (lengths[0] * lengths[1])
    if abs(lengths[0] / lengths[1] - 1) > _SQUARE or lean > _SQUARE:
        raise ValueError(
            f"the picture shows periods of {1 / lengths[0]:.4g} and {1 / lengths[1]:.4g} px that do not make a square "
            "grid; point the camera squarely at the dots, or use kind='lines' on a line target"
        )


# Square grids whose orders contain those found: the matrix makes their first orders of those found.
_COARSER = (
    np.array([[1, 1], [1, -1]]) / 2,
    np.eye(2) / 2,
    np.array([[2, -1], [1, 2]]) / 5,
    np.array([[2, 1], [-1, 2]]) / 5,
    np.eye(2) / 3,
)
_DOUBTED = 2  # the first so many; weak orders of √5 and 3 are folded harmonics of the dots, up to 0.07 in trials
_FINER = (np.array([[1, 1], [1, -1]]), 2 * np.eye(2))


def _coarser_grid(size: np.ndarray, found: np.ndarray) -> np.ndarray:
    """Basis of the coarsest grid whose own orders are in the picture; an error when their strength leaves it open."""
    basis, doubtful = np.eye(2), []
    top = max(_near(size, wave) for wave in found)
    steps = list(_COARSER)
    while steps:
        grid = steps.pop(0) @ basis
        strength, clear = _own_orders(size, found, grid, basis)
        if strength > max(_ORDER_SEEN * top, clear):
            basis, doubtful, steps = grid, [], list(_COARSER)
        elif len(steps) < len(_COARSER) - _DOUBTED:
            continue
        elif strength > max(_ORDER_STRAY * top, clear) or clear > _ORDER_SEEN * top:
            doubtful.append(grid)
    if doubtful:
        mine, other = (_pitch_px(found, grid) for grid in (basis, doubtful[0]))
        raise ValueError(
            f"the dots may stand {mine:.4g} px or {other:.4g} px apart: the orders that would tell are too weak or "
            "drowned in noise; count the dots across the picture and give approximate_pitch_px (--about-px)"
        )
    if _pitch_px(found, basis) > min(size.shape) / _LEAST_PERIODS:
        raise ValueError(
            f"the dots stand {_pitch_px(found, basis):.4g} px apart, fewer than {_LEAST_PERIODS:g} across the picture; "
            "move away from the target or take a finer one"
        )
    return basis


def _own_orders(size: np.ndarray, found: np.ndarray, grid: np.ndarray, within: np.ndarray) -> tuple[float, float]:
    """Greatest amplitude among orders of a grid that another lacks, and what noise there would have to be beaten."""
    steps = np.arange(-6, 7)
    orders = np.array([(i, j) for i in steps for j in steps if i > 0 or (i == 0 and j > 0)]) @ grid
    known = orders @ np.linalg.inv(within)
    apart = np.hypot(*((known - np.rint(known)) @ within @ found).T) * min(size.shape)
    waves = orders @ found
    limit = min(_ORDERS * np.hypot(*found.T).max(), 1 / _LEAST_PERIOD_PX)
    waves = waves[(apart >= _APART) & (np.hypot(*waves.T) <= limit)]
    if len(waves) == 0:
        return 0.0, 0.0
    seen = np.array([_near(size, wave) for wave in waves])
    rest = np.array([_CLEAR_ORDER * _near(size, wave, reach=6, take=np.median) for wave in waves])
    best = np.argmax(seen / rest)
    above = seen > rest
    return (
        (float(seen[above].max()), float(rest[above].min())) if above.any() else (float(seen[best]), float(rest.min()))
    )


def _pitch_px(found: np.ndarray, basis: np.ndarray) -> float:
    return float(1 / np.hypot(*(basis @ found).T).mean())


def _near_grid(found: np.ndarray, about_px: float) -> np.ndarray:
    """Basis of the grid, among those that the orders found belong to, with the pitch nearest to that counted."""
    grids = (np.eye(2), *_COARSER, *_FINER)
    return min(grids, key=lambda grid: abs(math.log(_pitch_px(found, grid) / about_px)))


def _check_near(period_px: float, about_px: float | None) -> None:
    if about_px is not None and not 1 / _NEAR < period_px / about_px < _NEAR:
        raise ValueError(
            f"approximate_pitch_px is {about_px:g} but the nearest period in the picture is {period_px:.4g} px; count "
            "the pitches across the picture again, or cut it to the target"
        )


def _peak(size: np.ndarray, where: np.ndarray, fx: np.ndarray, fy: np.ndarray, rest: float) -> np.ndarray:
    top = np.argmax(np.where(where, size, 0.0))
    if not size.flat[top] > _CLEAR_PEAK * rest:
        raise ValueError(
            f"the picture shows no periodic target of {_LEAST_PERIODS:g} or more periods, each {_LEAST_PERIOD_PX:g} px "
            "or longer; cut the picture to the target, focus it, light it evenly"
        )
    frequency = np.array([fx.flat[top], fy.flat[top]])
    y, x = np.unravel_index(top, size.shape)
    around = np.arange(-2, 3)  # the centre of power places the peak within its bin
    power = size[np.ix_((y + around) % size.shape[0], (x + around) % size.shape[1])] ** 2
    shift = np.array([power.sum(0) @ around / size.shape[1], power.sum(1) @ around / size.shape[0]])
    return frequency + shift / power.sum()


def _fundamental(size: np.ndarray, found: np.ndarray) -> np.ndarray:
    """The frequency itself, or a half or a third of it when the pattern has a line there."""
    top = _near(size, found)
    for divisor in (3, 2):
        part = found / divisor
        if np.hypot(*part) >= _LEAST_PERIODS / min(size.shape) and _near(size, part) > _SUBHARMONIC * top:
            return part
    return found


def _near(
    size: np.ndarray, frequency: np.ndarray, *, reach: int = 1, take: Callable[[np.ndarray], float] = np.max
) -> float:
    """Greatest (or other) amplitude within so many bins of a frequency."""
    y, x = (round(f * side) for f, side in zip(frequency[::-1], size.shape))
    rows, columns = (np.arange(k - reach, k + reach + 1) % side for k, side in zip((y, x), size.shape))
    return float(take(size[np.ix_(rows, columns)]))


def _refine(picture: np.ndarray, frequency: np.ndarray, *, cell_px: float) -> _Wave:
    """Frequency from the phase of the pattern, demodulated and fitted with a plane."""
    edge, step = math.ceil(2 * cell_px), max(1, round(_SPACING * cell_px))
    for _ in range(3):
        rows = np.arange(edge, picture.shape[0] - edge, step)
        columns = np.arange(edge, picture.shape[1] - edge, step)
        if min(len(rows), len(columns)) < 3:
            raise ValueError("the picture shows too few periods of the target; move closer or take a finer target")
        phase, weight = _local_phase(picture, frequency, cell_px, rows, columns)
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
