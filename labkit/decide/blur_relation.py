"""Measured against predicted blur, move by move: does the vibration that the sensor logs explain the blur seen?

Variances of independent causes add, so the relation is a straight line in variances: σ²(measured) = s²·σ²(predicted) +
σ0². The scale s is 1 when the sensor sees what blurs the picture and the scale in pixels is right; the rest σ0 is blur
that is there without vibration of that sensor.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, stats

from labkit.analyse.kernels import predicted_blur
from labkit.analyse.one_axis import AxisAnalysis
from labkit.base import Estimate, Interval, check_array, check_number
from labkit.runs.recording import Recording

__all__ = ["BlurRelation", "blur_after_moves", "relate_blur"]

_FEWEST = 4
_ROUNDS = 3
_STEEPEST = 1e3  # greatest slope of variances looked for
_SCATTER_CHANCE = 0.01  # χ² less likely than this by chance: the stated errors do not explain the scatter


@dataclass(frozen=True, kw_only=True, eq=False)
class BlurRelation:
    """Line through measured against predicted blur variances.

    Parameters
    ----------
    predicted_px, measured_px : ndarray, shape (n,)
        Standard deviation of the blur in every frame, predicted and measured [px].
    predicted_error_px2, measured_error_px2 : ndarray, shape (n,)
        Standard errors of their squares [px²].
    scale : Estimate
        s, measured over predicted blur where vibration is the only cause.
    rest_px2 : Estimate
        σ0², variance that the prediction leaves unexplained; negative when the sensor saw more than blurred [px²].
    residual_px2 : ndarray, shape (n,)
        Measured variance less the line [px²].
    residual_ratio : float
        χ² per degree of freedom, 1 when the stated errors explain the scatter; above 1 it widens the intervals.
    p_scatter : float
        Probability of a χ² at least as large by chance.
    sentences : tuple of str
        What it means.
    """

    predicted_px: np.ndarray
    measured_px: np.ndarray
    predicted_error_px2: np.ndarray
    measured_error_px2: np.ndarray
    scale: Estimate
    rest_px2: Estimate
    residual_px2: np.ndarray
    residual_ratio: float
    p_scatter: float
    sentences: tuple[str, ...]

    def line_px(self, predicted_px: np.ndarray) -> np.ndarray:
        """Measured blur that the line gives for a predicted one [px]; 0 where its variance is negative."""
        variance = self.scale.value**2 * np.square(predicted_px) + self.rest_px2.value
        return np.sqrt(np.maximum(variance, 0.0))


def blur_after_moves(
    axis: AxisAnalysis,
    moves: Sequence[int],
    *,
    wait_s: Sequence[float],
    exposure_s: float,
    px_per_m: float,
) -> np.ndarray:
    """Blur predicted for exposures that begin some time after moves of an analysed run [px].

    Parameters
    ----------
    axis : AxisAnalysis
        An axis of the run, parallel to x or y of the picture.
    moves : sequence of int
        For each exposure the 0-based number of its move among those analysed.
    wait_s : sequence of float
        For each exposure the time from the end of its move to its start [s].
    exposure_s : float
        Exposure time [s].
    px_per_m : float
        Image pixels for one metre at the object [px/m].
    """
    if axis.decay is None:
        raise ValueError(f"axis {axis.channel} has no displacement: a fatal finding forbids it; see its checks")
    rows, time_s = axis.decay.displacement_m, axis.decay.time_s
    if len(moves) != len(wait_s):
        raise ValueError(f"moves holds {len(moves)} numbers and wait_s {len(wait_s)} times; give one of each a frame")
    outside = [k for k in moves if not 0 <= k < len(rows)]
    if outside:
        raise ValueError(f"moves holds {outside[0]}; the run has the analysed moves 0 to {len(rows) - 1}")
    rate = (time_s.size - 1) / (time_s[-1] - time_s[0])
    after = [
        Recording(values=[rows[k]], sample_rate_hz=rate, channels=[axis.channel], unit="m", start_s=time_s[0])
        for k in moves
    ]
    found = [
        predicted_blur(one, exposure_s=exposure_s, px_per_m=px_per_m, start_s=[wait])
        for one, wait in zip(after, wait_s)
    ]
    return np.array([one.sigma_px[0, 0] for one in found])


def relate_blur(
    predicted_px: Sequence[float],
    measured: Sequence[Estimate],
    *,
    predicted_error_px: float | Sequence[float],
    level: float = 0.95,
) -> BlurRelation:
    """Fit the line of measured against predicted blur, both with errors.

    For every slope b of the variances the best rest is a weighted mean with weights 1/(u_y² + b²·u_x²); the b with the
    least χ² is sought, and its interval is that of the profile of χ² (York 1966 for the weights, from memory).

    Parameters
    ----------
    predicted_px : sequence of float
        Standard deviation of the displacement within the exposure, along one axis [px], for example from
        `predicted_blur`.
    measured : sequence of Estimate
        Standard deviation of the blur kernel along the same axis [px], as in `Blur.sigma_x_px`.
    predicted_error_px : float or sequence of float
        Standard uncertainty of the prediction [px]: noise and cross-axis sensitivity of the sensor, fit of the modes.
        Leave out what all frames share, such as the scale; the slope shows it.
    level : float
        Coverage of the intervals.

    Raises
    ------
    ValueError
        For fewer than four frames, an unknown uncertainty, or predictions that are all alike.

    Examples
    --------
    >>> predicted = [0.1, 0.2, 0.4, 0.6, 0.8]
    >>> sigma = [(0.81 * p * p + 0.04) ** 0.5 for p in predicted]
    >>> seen = [Estimate.from_standard_error(s, 0.01, dof=math.inf) for s in sigma]
    >>> found = relate_blur(predicted, seen, predicted_error_px=0.01)
    >>> round(found.scale.value, 3), round(found.rest_px2.value, 3)
    (0.9, 0.04)
    """
    check_number("level", level, above=0.0, below=1.0)
    points = _points(predicted_px, measured, predicted_error_px)
    slope = _best_slope(points)
    for _ in range(_ROUNDS):  # errors of the squares at the line, where noise does not pick its own weights
        at_line = _squared_error(np.sqrt(points.on_line(slope)), points.error_px)
        points = replace(points, u_x=at_line)
        slope = _best_slope(points)
    chi2, rest, _ = points.fit(slope)
    dof = points.x.size - 2
    scale = _scale(points, slope, level=level)
    rest_px2 = _rest(points, slope, level=level)
    p_scatter = float(stats.chi2.sf(chi2, dof))
    return BlurRelation(
        predicted_px=np.sqrt(points.x),
        measured_px=np.sqrt(points.y),
        predicted_error_px2=points.u_x,
        measured_error_px2=points.u_y,
        scale=scale,
        rest_px2=rest_px2,
        residual_px2=points.y - slope * points.x - rest,
        residual_ratio=chi2 / dof,
        p_scatter=p_scatter,
        sentences=_sentences(scale, rest_px2, p_scatter),
    )


# ------------------------------------------------------------------------------------------------------ input
@dataclass(frozen=True, kw_only=True, eq=False)
class _Points:
    """Predicted (x) and measured (y) variances with standard errors [px²]; error of the prediction itself [px]."""

    x: np.ndarray
    u_x: np.ndarray
    y: np.ndarray
    u_y: np.ndarray
    error_px: np.ndarray

    def fit(self, slope: float) -> tuple[float, float, float]:
        """χ² of a slope with the best rest, that rest, and its variance."""
        weight = 1 / (self.u_y**2 + (slope * self.u_x) ** 2)
        rest = float(np.sum(weight * (self.y - slope * self.x)) / weight.sum())
        return float(np.sum(weight * (self.y - slope * self.x - rest) ** 2)), rest, 1 / float(weight.sum())

    def on_line(self, slope: float) -> np.ndarray:
        """Predicted variances moved onto the line by their errors and those of the measurement."""
        down = slope * (self.y - self.fit(slope)[1]) / self.u_y**2
        return np.maximum((self.x / self.u_x**2 + down) / (1 / self.u_x**2 + (slope / self.u_y) ** 2), 0.0)

    def widening(self, slope: float) -> float:
        """Factor on variances that lets the errors explain the scatter, at least 1."""
        return max(1.0, self.fit(slope)[0] / (self.x.size - 2))

    def factor(self, slope: float, level: float) -> float:
        """Standard errors that an interval reaches to each side; Student's when the scatter sets them."""
        half = 0.5 + level / 2
        return float(stats.t.ppf(half, self.x.size - 2) if self.widening(slope) > 1 else stats.norm.ppf(half))

    def ends(self, slope: float, factor: float) -> tuple[float, float]:
        """Slopes at which χ² is up by the square of `factor` widened standard errors; 0 or inf where it never is."""
        limit = self.fit(slope)[0] + self.widening(slope) * factor**2

        def over(b: float) -> float:
            return self.fit(b)[0] - limit

        low = 0.0 if over(0.0) <= 0 else optimize.brentq(over, 0.0, slope)
        high = math.inf if over(_STEEPEST) <= 0 else optimize.brentq(over, slope, _STEEPEST)
        return low, high


def _points(predicted_px: Sequence[float], measured: Sequence[Estimate], error_px: float | Sequence[float]) -> _Points:
    """Predicted and measured variances with their standard errors, checked."""
    sigma = check_array("predicted_px", predicted_px, ndim=1)
    if len(measured) != sigma.size or sigma.size < _FEWEST:
        raise ValueError(
            f"predicted_px holds {sigma.size} values and measured {len(measured)}; give both for the same frames, "
            f"at least {_FEWEST}"
        )
    if (sigma < 0).any():
        raise ValueError(f"predicted_px holds {sigma.min():g}; a standard deviation is not negative")
    error = np.broadcast_to(check_array("predicted_error_px", np.atleast_1d(error_px), ndim=1), sigma.shape)
    if (error <= 0).any():
        raise ValueError(f"predicted_error_px holds {error.min():g}; state a positive standard uncertainty")
    unknown = [k for k, one in enumerate(measured) if not (math.isfinite(one.value) and one.interval.known)]
    if unknown:
        raise ValueError(f"measured blur {unknown[0]} has no known interval; leave frames without one out")
    if np.ptp(sigma**2) < 2 * np.max(_squared_error(sigma, error)):
        raise ValueError(
            f"the predictions of {sigma.min():.3g} to {sigma.max():.3g} px differ by less than their uncertainty; "
            "take frames at different times after the move, or at different accelerations"
        )
    return _Points(
        x=sigma**2,
        u_x=_squared_error(sigma, error),
        y=np.array([one.value**2 for one in measured]),
        u_y=np.array([_measured_error(one) for one in measured]),
        error_px=error,
    )


def _squared_error(sigma: np.ndarray, error: np.ndarray) -> np.ndarray:
    """Standard error of a square, 2σu + the second-order part that remains at 0."""
    return np.sqrt((2 * sigma * error) ** 2 + 2 * error**4)


def _measured_error(one: Estimate) -> float:
    """Standard error of the variance from the interval of the standard deviation, which may begin at 0."""
    k = stats.norm.ppf(0.5 + one.interval.level / 2)
    if one.interval.low > 0:
        return (one.interval.high**2 - one.interval.low**2) / (2 * k)
    return (one.interval.high**2 - one.value**2) / k


# -------------------------------------------------------------------------------------------------------- fit
def _best_slope(points: _Points) -> float:
    """Slope of least χ², from a grid and then refined; 0 when it would be negative."""
    grid = np.concatenate([[0.0], np.geomspace(1 / _STEEPEST, _STEEPEST, 400)])
    k = int(np.argmin([points.fit(slope)[0] for slope in grid]))
    if k == 0:
        return 0.0
    ends = grid[k - 1], grid[min(k + 1, grid.size - 1)]
    found = optimize.minimize_scalar(
        lambda slope: points.fit(slope)[0], bounds=ends, method="bounded", options={"xatol": 1e-9}
    )
    return float(found.x)


def _scale(points: _Points, slope: float, *, level: float) -> Estimate:
    """Root of the slope; its standard error is half the width of the interval of one standard deviation."""
    low, high = np.sqrt(points.ends(slope, points.factor(slope, level)))
    one_low, one_high = np.sqrt(points.ends(slope, 1.0))
    return Estimate(
        value=math.sqrt(slope),
        standard_error=float(one_high - one_low) / 2 if math.isfinite(one_high) else math.nan,
        interval=Interval(low=float(low), high=float(high), level=level),
    )


def _rest(points: _Points, slope: float, *, level: float) -> Estimate:
    """Variance left at no prediction; its error is that at the best slope and the swing with the slope together."""
    _, value, variance = points.fit(slope)
    factor = points.factor(slope, level)
    ends = points.ends(slope, factor)
    if not math.isfinite(ends[1]):
        return Estimate.unknown(value, level=level)
    own = factor * math.sqrt(points.widening(slope) * variance)
    swing = [points.fit(end)[1] - value for end in ends]
    interval = Interval(low=value - math.hypot(own, min(swing)), high=value + math.hypot(own, max(swing)), level=level)
    return Estimate(value=value, standard_error=interval.half_width / factor, interval=interval)


# ---------------------------------------------------------------------------------------------------- meaning
def _sentences(scale: Estimate, rest: Estimate, p_scatter: float) -> tuple[str, ...]:
    s, ends = scale.value, scale.interval
    said = f"Measured blur is {s:.2f} [{ends.low:.2f}, {ends.high:.2f}] times the predicted one"
    if ends.low == 0:
        words = [f"{said}: the frames do not show that this vibration blurs the picture at all."]
    elif ends.contains(1.0):
        words = [f"{said}: the logged vibration explains the blur, with the scale as stated."]
    elif s > 1:
        words = [
            f"{said}: the picture moves more than the sensor; what blurs is the part relative to the camera and the "
            "head may swing against it, the pixel may see less than stated, or the exposure last longer."
        ]
    else:
        words = [
            f"{said}: the picture moves less than the sensor; head and camera may swing together, the sensor may sit "
            "where the panel moves more, the pixel may see more than stated, or the exposure be shorter."
        ]
    if not rest.interval.known or rest.interval.contains(0.0):
        words.append("No blur of other origin was detected.")
    elif rest.value > 0:
        words.append(
            f"Beside it there is blur of {math.sqrt(rest.value):.2f} px that does not change with this vibration: "
            "focus, another axis, or vibration above the band of the sensor."
        )
    else:
        words.append("Small blurs come out smaller than predicted: the sensor's own noise may count as vibration.")
    if p_scatter < _SCATTER_CHANCE:
        words.append("The frames scatter more than their stated errors: something else differs from move to move.")
    return tuple(words)
