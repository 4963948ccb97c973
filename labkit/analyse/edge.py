"""Sharpness from one slanted edge: a second opinion on blur that needs no reference scene.

The idea of ISO 12233: an edge a few degrees off the pixel grid is sampled at many sub-pixel positions by its rows;
sorted into quarter-pixel bins they give the edge profile, its derivative the line spread, its transform the MTF.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import signal

from labkit.analyse.burst import average_burst
from labkit.base import Estimate, Interval

__all__ = ["EdgeBlur", "EdgeResponse", "edge_blur", "measure_edge"]

_PER_PIXEL = 4  # bins
_HIGHEST_CORRECTION = 10.0
_GROUPS = 8  # of rows, left out in turn
_GAUSS_MTF50 = math.sqrt(math.log(2) / 2) / math.pi  # σ·MTF50 of a Gaussian, derived
_TILT_RAD = math.radians(1.5), math.radians(30.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class EdgeResponse:
    """Modulation transfer across a slanted edge.

    Parameters
    ----------
    frequency_cpp : ndarray
        Spatial frequency across the edge [cycles/pixel].
    mtf : ndarray
        Modulus of the transfer, 1 at frequency 0; pixel aperture included.
    mtf50_cpp : Estimate
        Frequency at which it has fallen to one half [cycles/pixel]; interval from leaving out groups of rows.
    tilt_rad : float
        Angle of the edge against the pixel grid [rad].
    across : str
        "x" when the edge runs along the rows' normal (an upright edge, blur along x is seen), else "y".
    contrast : float
        Bright side minus dark side [grey].
    """

    frequency_cpp: np.ndarray
    mtf: np.ndarray
    mtf50_cpp: Estimate
    tilt_rad: float
    across: str
    contrast: float

    @property
    def equivalent_sigma_px(self) -> Estimate:
        """Standard deviation of the Gaussian with the same MTF50: lens, focus, pixel and motion together [px]."""
        half, value = self.mtf50_cpp, _GAUSS_MTF50 / self.mtf50_cpp.value
        if not (half.interval.known and half.interval.low > 0):
            return Estimate.unknown(value, level=half.interval.level)
        low, high = _GAUSS_MTF50 / half.interval.high, _GAUSS_MTF50 / half.interval.low
        return Estimate(
            value=value,
            standard_error=value * half.standard_error / half.value,
            interval=Interval(low=low, high=high, level=half.interval.level),
        )


@dataclass(frozen=True, kw_only=True)
class EdgeBlur:
    """Blur of an edge relative to the same edge in a sharp picture.

    Parameters
    ----------
    sigma_px : Estimate
        Standard deviation across the edge of the kernel between the two [px]; 0 when the frame is no less sharp.
    across : str
        "x" or "y", the axis nearest to the edge's normal.
    frame, sharp : EdgeResponse
        The two responses.
    """

    sigma_px: Estimate
    across: str
    frame: EdgeResponse
    sharp: EdgeResponse


def measure_edge(
    picture: np.ndarray,
    *,
    region: tuple[int, int, int, int] | None = None,
    full_scale: float | None = None,
    level: float = 0.95,
) -> EdgeResponse:
    """MTF across the one slanted edge in a region.

    The three-point derivative and the bins lower the transfer; both are divided out, the derivative by
    sin(2πfδ)/(2πfδ) with δ a quarter pixel (computed, because the correction printed in ISO 12233:2014 is reported
    wrong), the bins by sinc(fδ) (derived). The line spread is tapered in its outer halves only: the Hamming window of
    the standard would narrow it (1.4 % in MTF50 at σ = 2 px in a region of 64 px, computed).

    Parameters
    ----------
    picture : array_like, shape (rows, columns) or (n, rows, columns)
        Picture, or a burst that is averaged [grey].
    region : (int, int, int, int), optional
        First row, first column, height, width around the edge [px].
    full_scale : float, optional
        Grey value at which the camera saturates; by default the largest value of an integer type.
    level : float
        Coverage of the interval.

    Raises
    ------
    ValueError
        When there is no single edge, or its tilt is below 1.5° or above 30°.

    Examples
    --------
    An edge with a Gaussian profile of σ = 1 px has MTF50 = 0.1874/σ:

    >>> from scipy.stats import norm
    >>> y, x = np.mgrid[:80, :64]
    >>> edge = 50 + 100 * norm.cdf((x - 31 - 0.1 * (y - 40)) * math.cos(math.atan(0.1)))
    >>> round(measure_edge(edge).mtf50_cpp.value, 3)
    0.187
    >>> round(measure_edge(edge).equivalent_sigma_px.value, 2)
    1.0
    """
    rows, across = _upright(average_burst(picture, name="picture", region=region, full_scale=full_scale).mean)
    slope, _ = _edge_line(rows)
    frequency, mtf = _transfer(rows)
    return EdgeResponse(
        frequency_cpp=frequency,
        mtf=mtf,
        mtf50_cpp=_jackknife(rows.shape[0], lambda keep: _half(*_transfer(rows, keep=keep)), level=level),
        tilt_rad=math.atan(slope),
        across=across,
        contrast=float(abs(np.median(rows[:, -5:]) - np.median(rows[:, :5]))),
    )


def edge_blur(
    frame: np.ndarray,
    sharp: np.ndarray,
    *,
    region: tuple[int, int, int, int] | None = None,
    full_scale: float | None = None,
    level: float = 0.95,
) -> EdgeBlur:
    """Blur between two pictures of one slanted edge, −ln(MTF ratio) = 2π²σ²f² for the first half of the fall.

    Parameters
    ----------
    frame, sharp : array_like, shape (rows, columns) or (n, rows, columns)
        The blurred picture and the reference [grey].
    region, full_scale, level
        As in `measure_edge`.

    Examples
    --------
    >>> from scipy.stats import norm
    >>> y, x = np.mgrid[:80, :64]
    >>> across = (x - 31 - 0.1 * (y - 40)) * math.cos(math.atan(0.1))
    >>> blur = edge_blur(100 * norm.cdf(across / 1.3), 100 * norm.cdf(across / 0.5))
    >>> round(blur.sigma_px.value, 2)
    1.2
    """
    options = {"region": region, "full_scale": full_scale, "level": level}
    responses = measure_edge(frame, **options), measure_edge(sharp, **options)
    if responses[0].across != responses[1].across:
        raise ValueError("frame and sharp show edges of different direction; they must show the same edge")
    pictures = [
        average_burst(picture, name=name, region=region, full_scale=full_scale).mean
        for name, picture in (("frame", frame), ("sharp", sharp))
    ]
    blurred, still = (_upright(picture)[0] for picture in pictures)
    count = min(blurred.shape[0], still.shape[0])
    reach = min(_reach(blurred[:count]), _reach(still[:count]))  # the edge may stand elsewhere in the two

    def variance(keep: np.ndarray) -> float:
        transfers = [_transfer(rows[:count], keep=keep, reach=reach) for rows in (blurred, still)]
        return _variance(*transfers[0], transfers[1][1])

    square = _jackknife(count, variance, level=level)
    return EdgeBlur(sigma_px=_root(square), across=responses[0].across, frame=responses[0], sharp=responses[1])


def _upright(picture: np.ndarray) -> tuple[np.ndarray, str]:
    """The picture turned so that its edge runs down the rows, dark to bright, and the axis across it."""
    fall_x = abs(picture[:, -5:].mean() - picture[:, :5].mean())
    fall_y = abs(picture[-5:].mean() - picture[:5].mean())
    rows, across = (picture, "x") if fall_x >= fall_y else (picture.T, "y")
    return (rows if rows[:, -5:].mean() >= rows[:, :5].mean() else rows[:, ::-1]), across


def _edge_line(rows: np.ndarray) -> tuple[float, float]:
    """Slope [px/row] and intercept [px] of the edge from the centroids of the derivative of every row."""
    step = (rows[:, 2:] - rows[:, :-2]) / 2
    place = np.arange(1, rows.shape[1] - 1)
    number = np.arange(rows.shape[0])
    centre = np.full(rows.shape[0], float(place[np.argmax(step.mean(axis=0))]))
    for width in (rows.shape[1] / 2, rows.shape[1] / 3, rows.shape[1] / 4):
        taper = np.where(
            np.abs(place - centre[:, None]) < width,
            0.5 + 0.5 * np.cos(np.pi * np.clip((place - centre[:, None]) / width, -1, 1)),
            0.0,
        )
        weight = (step * taper).sum(axis=1)
        if not np.median(weight) > 0 or np.mean(weight > 0) < 0.9:
            raise ValueError("picture shows no single edge from side to side; choose a region with one straight edge")
        good = weight > 0.3 * np.median(weight)
        found = (step * taper * place).sum(axis=1)[good] / weight[good]
        slope, intercept = np.polyfit(number[good], found, 1)
        centre = intercept + slope * number
    scatter = float(np.sqrt(np.mean((found - slope * number[good] - intercept) ** 2)))
    low, high = _TILT_RAD
    if not low <= abs(math.atan(slope)) <= high:
        raise ValueError(
            f"the edge is tilted by {math.degrees(math.atan(slope)):.1f}°; it must be tilted by 1.5° to 30° against "
            "the pixels so that its rows sample it at different places; turn the target a little"
        )
    if scatter > 2.0:
        raise ValueError(f"the edge strays {scatter:.1f} px from a straight line; choose a straight, clean edge")
    return float(slope), float(intercept)


def _distances(rows: np.ndarray) -> np.ndarray:
    """Distance of every pixel from the edge [px]."""
    slope, intercept = _edge_line(rows)
    line = intercept + slope * np.arange(rows.shape[0])
    return (np.arange(rows.shape[1]) - line[:, None]) * math.cos(math.atan(slope))


def _reach(rows: np.ndarray) -> int:
    """Whole pixels free on both sides of the edge in every row."""
    distance = _distances(rows)
    reach = math.floor(min(-distance[:, 0].max(), distance[:, -1].min()))
    if reach < 6:
        raise ValueError(f"only {reach} px beside the edge are free; at least 6 are needed; take a wider region")
    return reach


def _transfer(
    rows: np.ndarray, *, keep: np.ndarray | None = None, reach: int | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies up to 0.5 cycles/pixel and MTF, from the rows kept."""
    number = np.arange(rows.shape[0]) if keep is None else np.flatnonzero(keep)
    distance, reach = _distances(rows)[number], reach or _reach(rows)
    index = np.floor((distance + reach) * _PER_PIXEL).astype(int)
    inside = (index >= 0) & (index < 2 * reach * _PER_PIXEL)
    count = np.bincount(index[inside], minlength=2 * reach * _PER_PIXEL)
    if not count.all():
        raise ValueError("the rows leave quarter-pixel bins of the edge empty; take a higher region or turn the edge")
    profile = np.bincount(index[inside], rows[number][inside], minlength=count.size) / count
    place = np.bincount(index[inside], distance[inside], minlength=count.size) / count
    profile = np.interp((np.arange(count.size) + 0.5) / _PER_PIXEL - reach, place, profile)  # rows fill bins unevenly
    spread = np.zeros_like(profile)
    spread[1:-1] = (profile[2:] - profile[:-2]) / 2
    spectrum = np.abs(np.fft.rfft(spread * signal.windows.tukey(spread.size, 0.5)))
    frequency = np.fft.rfftfreq(spread.size, d=1 / _PER_PIXEL)
    low = frequency <= 0.5
    lowered = np.sinc(2 * frequency / _PER_PIXEL) * np.sinc(frequency / _PER_PIXEL)
    mtf = spectrum / spectrum[0] / np.maximum(lowered, 1 / _HIGHEST_CORRECTION)
    return frequency[low], mtf[low]


def _half(frequency: np.ndarray, mtf: np.ndarray) -> float:
    below = np.flatnonzero(mtf < 0.5)
    if not below.size:
        return math.nan
    i = int(below[0])
    return float(np.interp(0.5, [mtf[i], mtf[i - 1]], [frequency[i], frequency[i - 1]]))


def _variance(frequency: np.ndarray, frame: np.ndarray, sharp: np.ndarray) -> float:
    """Kernel variance from the ratio of two MTFs where both stand out of the noise."""
    ratio = frame / np.maximum(sharp, 1e-12)
    usable = (frequency > 0) & (np.minimum.accumulate(frame) > 0.3) & (np.minimum.accumulate(sharp) > 0.2)
    if usable.sum() < 2:
        raise ValueError("the edge is blurred too far, or its region is too narrow, for a ratio of transfers")
    square = 2 * math.pi**2 * frequency[usable] ** 2
    return float(np.sum(-np.log(ratio[usable]) * square) / np.sum(square**2))


def _jackknife(n_rows: int, estimate: Callable[[np.ndarray], float], *, level: float) -> Estimate:
    """Estimate with the scatter of leaving out every eighth of the rows (block jackknife, Efron 1982, from memory)."""
    value = estimate(np.ones(n_rows, dtype=bool))
    group = np.arange(n_rows) * _GROUPS // n_rows
    parts = np.array([estimate(group != i) for i in range(_GROUPS)])
    error = math.sqrt((_GROUPS - 1) / _GROUPS * float(np.sum((parts - parts.mean()) ** 2)))
    return Estimate.from_standard_error(value, error, dof=_GROUPS - 1, level=level)


def _root(square: Estimate) -> Estimate:
    """Square root of a variance that may be negative by noise."""
    if not square.interval.known:
        return Estimate.unknown(math.sqrt(max(square.value, 0.0)), level=square.interval.level)
    low, high = (math.sqrt(max(end, 0.0)) for end in (square.interval.low, square.interval.high))
    share = (high - low) / max(2 * square.interval.half_width, 1e-300)
    return Estimate(
        value=math.sqrt(max(square.value, 0.0)),
        standard_error=share * square.standard_error,
        interval=Interval(low=low, high=high, level=square.interval.level),
    )
