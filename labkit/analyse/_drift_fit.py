"""Engine of `drift`: curves of unknown time constant through readings whose noise is white plus slow wander.

The noise of neighbouring readings hangs together by an unknown amount, so no single covariance is believed: a grid of
them is kept, white noise plus a first-order (Ornstein–Uhlenbeck) wander of some strength and memory, random walk and
pure autoregression at its ends. Time constants lie on a grid too. Coefficients and the noise scale are integrated in
closed form (a Student mixture), so intervals hold what is not known of the noise. Time is in steps between readings.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from labkit.base import Estimate, Interval

__all__ = [
    "LAWS",
    "CurveFit",
    "NoiseGrid",
    "Scaled",
    "draw_parameters",
    "fit_curves",
    "law_position",
    "law_rate",
    "noise_grid",
    "quantile_estimate",
]

LAWS = ("constant", "linear", "one time constant", "two time constants")
_MOST_STEPS = 2000  # of a record: looks in quick bursts hours apart do not set the shortest time constant
_SHORTEST_STEPS, _LONGEST_RECORDS = 2.0, 10.0  # time constants looked for: in steps, in records
_STRENGTHS = np.array([0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 100.0])  # of a step of wander over white, variances
_N_MEMORIES = 6
_LONGEST = 1.0  # memory of the wander over the record, beyond which it is a random walk
_MEMORY_POWER = 0.25  # prior weight falls as memory^−¼: in trials on simulated noise intervals then keep their level
_AXIS = {1: 48, 2: 20}  # points of a grid of time constants, by their number
_ZOOMS = 8
_KEPT = 9.0  # log weight below the best that a zoom keeps
_CORE, _CORE_POINTS = 2.0, {1: 7, 2: 6}  # points of each axis within this log weight of the best that end the zooming
_APART = 2.0  # least ratio of two time constants
_DRAWS = 8000
_ROUNDING = 1e-13  # share of the squares that arithmetic cannot tell from zero
_RIDGE = 1e-13  # share by which diagonals are raised, so that columns that are alike can be solved for
_NOTHING = 1e-200  # squares of readings that are all alike


@dataclass(frozen=True, kw_only=True, eq=False)
class NoiseGrid:
    """Covariances that the noise may have, white part 1.

    Parameters
    ----------
    whiten : ndarray, shape (n_noises, n, n)
        Inverse Cholesky factors.
    log_det : ndarray, shape (n_noises,)
        Logarithms of the determinants.
    log_prior : ndarray, shape (n_noises,)
        Logarithms of their prior weights.
    wander : ndarray, shape (n_noises,)
        Variance of the wander.
    memory : ndarray, shape (n_noises,)
        Its correlation time, in the unit of the times.
    """

    whiten: np.ndarray
    log_det: np.ndarray
    log_prior: np.ndarray
    wander: np.ndarray
    memory: np.ndarray


def noise_grid(times: np.ndarray) -> NoiseGrid:
    """Covariances for readings at some times, given in median steps."""
    n, span = times.size, times[-1] - times[0]
    memories = np.geomspace(1.0, _LONGEST * span, _N_MEMORIES)
    memory, strength = (grid.ravel() for grid in np.meshgrid(memories, _STRENGTHS))
    wander = strength / (2 * -np.expm1(-1 / memory))
    memory, wander = np.append(memory, 1.0), np.append(wander, 0.0)
    apart = np.abs(times[:, None] - times)
    covariance = np.eye(n) + wander[:, None, None] * np.exp(-apart / memory[:, None, None])
    lower = np.linalg.cholesky(covariance)
    log_det = 2 * np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
    return NoiseGrid(
        whiten=np.linalg.inv(lower),
        log_det=log_det,
        log_prior=-_MEMORY_POWER * np.log(memory),
        wander=wander,
        memory=memory,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveFit:
    """Fixed columns plus curves of unknown time constant, fitted.

    Parameters
    ----------
    table : _Table
        All designs under all noises.
    constants : ndarray, shape (n_designs, n_curves)
        Time constants of each design, growing.
    criterion : float
        Bayesian information criterion, up to a constant common to all fits of the same readings.
    parameters : ndarray, shape (n_fixed + 2·n_curves,)
        At the best point: coefficients of fixed columns and of curves, time constants.
    white_sd, wander_sd, memory : float
        Standard deviations of the two parts of the noise there, and the correlation time of the wander.
    effective_n : float
        How many independent readings would fix a mean as well.
    """

    table: _Table
    constants: np.ndarray
    criterion: float
    parameters: np.ndarray
    white_sd: float
    wander_sd: float
    memory: float
    effective_n: float

    @property
    def n_curves(self) -> int:
        """Number of curves."""
        return self.constants.shape[1]


def fit_curves(
    y: np.ndarray,
    fixed: np.ndarray,
    *,
    noises: NoiseGrid,
    curve: Callable[[np.ndarray], np.ndarray] | None = None,
    n_curves: int = 0,
    bounds: tuple[float, float] = (1.0, 1.0),
) -> CurveFit:
    """Fit y to fixed columns and n_curves curves, whose columns `curve` makes from time constants.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Readings.
    fixed : ndarray, shape (n, n_fixed)
        Columns that are known, the first one the constant.
    noises : NoiseGrid
        What the noise may be.
    curve : callable, optional
        From time constants, shape (m,), to columns, shape (n, m).
    n_curves : int
        0, 1 or 2.
    bounds : (float, float)
        Time constants looked at.
    """
    if n_curves == 0:
        table = _table(y, fixed, np.empty((y.size, 0)), np.empty((1, 0), dtype=int), noises)
        return _result(table, np.empty((1, 0)), noises)
    axes = [np.geomspace(*bounds, _AXIS[n_curves])] * n_curves
    for _ in range(_ZOOMS):
        constants, pairs = _combinations(axes)
        table = _table(y, fixed, curve(np.concatenate(axes)), pairs, noises)
        over_noise = np.logaddexp.reduce(table.log_weight, axis=1)
        core = constants[over_noise > over_noise.max() - _CORE]
        if min(np.unique(axis).size for axis in core.T) >= _CORE_POINTS[n_curves]:
            break
        axes = [_zoomed(axis, constants[over_noise > over_noise.max() - _KEPT, k]) for k, axis in enumerate(axes)]
    return _result(table, constants, noises)


def _combinations(axes: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Time constants of every design and the numbers of their columns."""
    if len(axes) == 1:
        return axes[0][:, None], np.arange(axes[0].size)[:, None]
    first, second = np.meshgrid(np.arange(axes[0].size), np.arange(axes[1].size), indexing="ij")
    apart = axes[1][second] >= _APART * axes[0][first]
    first, second = first[apart], second[apart]
    return np.column_stack([axes[0][first], axes[1][second]]), np.column_stack([first, axes[0].size + second])


def _zoomed(axis: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """As many points as before between the neighbours of those kept."""
    low, high = np.searchsorted(axis, [kept.min(), kept.max()])
    return np.geomspace(axis[max(low - 1, 0)], axis[min(high + 1, axis.size - 1)], axis.size)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Table:
    """Every design (rows) under every noise (columns)."""

    log_weight: np.ndarray
    minus_two_log_likelihood: np.ndarray
    squares: np.ndarray
    gram: np.ndarray  # whitened columns fixed, curves, y: shape (n_noises, m, m)
    columns: np.ndarray  # of the fixed columns and the curves, per design
    n: int


def _table(y: np.ndarray, fixed: np.ndarray, curves: np.ndarray, pairs: np.ndarray, noises: NoiseGrid) -> _Table:
    f = fixed.shape[1]
    columns = np.column_stack([np.broadcast_to(np.arange(f), (len(pairs), f)), f + pairs])
    stacked = np.column_stack([fixed, curves, y])
    white = noises.whiten @ stacked
    gram = np.swapaxes(white, 1, 2) @ white
    inner = gram[:, columns[:, :, None], columns[:, None, :]]  # (n_noises, n_designs, p, p)
    inner = inner + _RIDGE * inner * np.eye(columns.shape[1])
    cross = gram[:, columns, -1]
    solved = np.linalg.solve(inner, cross[..., None])[..., 0]
    total = gram[:, None, -1, -1]
    squares = np.maximum(total - np.sum(cross * solved, axis=-1), _ROUNDING * total + _NOTHING).T
    plain = (stacked.T @ stacked)[columns[:, :, None], columns[:, None, :]]
    plain = plain + _RIDGE * plain * np.eye(columns.shape[1])
    spread = (np.linalg.slogdet(inner)[1] - np.linalg.slogdet(plain)[1]).T
    n, p = y.size, columns.shape[1]
    return _Table(
        log_weight=noises.log_prior - 0.5 * (noises.log_det + spread + (n - p) * np.log(squares)),
        minus_two_log_likelihood=n * np.log(squares / n) + noises.log_det,
        squares=squares,
        gram=gram,
        columns=columns,
        n=n,
    )


def _result(table: _Table, constants: np.ndarray, noises: NoiseGrid) -> CurveFit:
    n, p, n_curves = table.n, table.columns.shape[1], constants.shape[1]
    design, noise = np.unravel_index(np.argmax(table.log_weight), table.squares.shape)
    mean, _ = _solutions(table, np.array([design]), np.array([noise]))
    scale = np.sqrt(table.squares[design, noise] / (n - p))
    return CurveFit(
        table=table,
        constants=constants,
        criterion=float(table.minus_two_log_likelihood.min()) + (p + n_curves) * math.log(n),
        parameters=np.concatenate([mean[0], constants[design]]),
        white_sd=float(scale),
        wander_sd=float(scale * np.sqrt(noises.wander[noise])),
        memory=float(noises.memory[noise]),
        effective_n=float(table.gram[noise, 0, 0] * (1 + noises.wander[noise])),
    )


def _solutions(table: _Table, designs: np.ndarray, noises: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients of designs under noises, and roots of their covariances over the noise scale."""
    at = table.columns[designs]
    inner = table.gram[noises[:, None, None], at[:, :, None], at[:, None, :]]
    inner = inner + _RIDGE * inner * np.eye(at.shape[1])
    inverse = np.linalg.inv(inner)
    mean = inverse @ table.gram[noises[:, None], at, -1][..., None]
    return mean[..., 0], np.linalg.cholesky(0.5 * (inverse + np.swapaxes(inverse, 1, 2)))


def draw_parameters(fit: CurveFit) -> np.ndarray:
    """Parameters as they may be, equally likely, always the same draws; shape (n_draws, n_parameters)."""
    rng, table = np.random.default_rng(0), fit.table
    weight = np.exp(table.log_weight - table.log_weight.max()).ravel()
    counts = rng.multinomial(_DRAWS, weight / weight.sum())
    cells = np.flatnonzero(counts)
    designs, noises = np.unravel_index(cells, table.squares.shape)
    mean, root = (np.repeat(one, counts[cells], axis=0) for one in _solutions(table, designs, noises))
    squares = np.repeat(table.squares[designs, noises], counts[cells])
    scale = np.sqrt(squares / rng.chisquare(table.n - mean.shape[1], _DRAWS))
    moved = (root @ rng.standard_normal(mean.shape)[..., None])[..., 0]
    return np.column_stack([mean + scale[:, None] * moved, fit.constants[np.repeat(designs, counts[cells])]])


# ---------------------------------------------------------------------------------------------------------- laws
class Scaled:
    """Readings in steps and in units of their own spread, where all columns are of order one, and the laws to fit."""

    def __init__(self, time: np.ndarray, position: np.ndarray) -> None:
        self.span_s = float(time[-1] - time[0])
        self.step_s = max(float(np.median(np.diff(time))), self.span_s / _MOST_STEPS)
        self.times = (time - time[0]) / self.step_s
        self.offset_m = float(position.mean())
        self.size_m = float(position.std()) or 1.0
        self.values = (position - self.offset_m) / self.size_m
        self.noises = noise_grid(self.times)
        self.bounds = (_SHORTEST_STEPS, _LONGEST_RECORDS * self.times[-1])

    def fit(self, law: str) -> CurveFit:
        constant = np.ones((self.times.size, 1))
        if law == "linear":
            return fit_curves(self.values, np.column_stack([constant, self.times / self.times[-1]]), noises=self.noises)
        return fit_curves(
            self.values,
            constant,
            noises=self.noises,
            curve=lambda tau: np.exp(-self.times[:, None] / tau),
            n_curves=max(0, LAWS.index(law) - 1),
            bounds=self.bounds,
        )

    def in_si(self, parameters: np.ndarray) -> np.ndarray:
        """Parameters of a law, one set a row, in m, m/s and s."""
        count = parameters.shape[1]
        n = (count - 1) // 2
        units = {1: [self.size_m], 2: [self.size_m, self.size_m / self.span_s]}
        factor = units.get(count, [self.size_m] * (1 + n) + [self.step_s] * n)
        return parameters * factor + np.eye(1, count)[0] * self.offset_m


def law_position(parameters: np.ndarray, after_s: np.ndarray) -> np.ndarray:
    """Position by a law some times after its start, one row a row of parameters.

    One parameter: a constant; two: position and rate; three or five: final position, amplitudes, time constants.
    """
    t = np.asarray(after_s, dtype=float)
    columns = parameters.shape[1]
    if columns == 1:
        return np.broadcast_to(parameters, (len(parameters), t.size))
    if columns == 2:
        return parameters[:, :1] + parameters[:, 1:] * t
    n = (columns - 1) // 2
    return parameters[:, :1] + sum(
        parameters[:, 1 + k, None] * np.exp(-t / parameters[:, 1 + n + k, None]) for k in range(n)
    )


def law_rate(parameters: np.ndarray, after_s: float) -> np.ndarray:
    """Rate of a law some time after its start, one a row of parameters; not for a constant."""
    columns = parameters.shape[1]
    if columns == 2:
        return parameters[:, 1]
    n = (columns - 1) // 2
    amplitudes, constants = parameters[:, 1 : 1 + n], parameters[:, 1 + n :]
    return -np.sum(amplitudes / constants * np.exp(-after_s / constants), axis=1)


def quantile_estimate(value: float, draws: np.ndarray, *, level: float, top: float = math.inf) -> Estimate:
    """Value with the quantiles of its draws; an end beyond `top` is inf, for nothing bounds it."""
    half = level / 2
    shares = [0.5 - half, 0.1587, 0.8413, 0.5 + half]
    low, one_low, one_high, high = np.quantile(draws, shares, method="inverted_cdf")  # which bears inf
    low, high = min(low, value), max(high, value)  # the best point lies inside, but for odd shapes
    return Estimate(
        value=float(value),
        standard_error=float(one_high - one_low) / 2 if high <= top and one_high < math.inf else math.nan,
        interval=Interval(low=float(low), high=float(high) if high <= top else math.inf, level=level),
    )
