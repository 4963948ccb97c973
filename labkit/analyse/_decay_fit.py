"""Engine of the modal fit: variable projection on sums of damped and steady sinusoids, all repeats together.

The record of repeat j is y_j(t) = Σ_k Re[A_kj e^{(−σ_k + iω_k)t}] + b_j + d_j·t + noise. Poles are shared, everything
linear is each repeat's own and is projected out (Golub & Pereyra, SIAM J. Numer. Anal. 10, 1973, 413, with the
simpler Jacobian of Kaufman, BIT 15, 1975, 49; both from memory), so the search runs over the poles alone. Sums over
samples are done once per step in small Gram matrices, so that repeats cost next to nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg

from labkit.analyse.whitening import NoiseColour

__all__ = ["N_TREND", "DecayData", "Poles", "Projection", "columns", "project", "recentred", "refine"]

_DAMPING_START = 1e-3
_MAX_LAMBDA = 1e10


@dataclass(frozen=True, eq=False, kw_only=True)
class Poles:
    """Shared poles s = −σ + iω, one entry a component.

    Parameters
    ----------
    decay_rate : ndarray
        σ [1/s]; 0 for a steady tone.
    angular : ndarray
        ω [rad/s].
    steady : ndarray of bool
        True for a steady tone, whose σ is held at 0.
    loose : ndarray of int
        Highest power m of columns tᵐ·e^{st} that each repeat has of its own. 0: the pole is the same in all repeats;
        1: it may differ a little from repeat to repeat; 2: it may also change along the decay. The pole of a loose
        component is held in `refine` and follows from `recentred`.
    creep : bool
        Whether slow exponentials stand beside offset and slope.
    """

    decay_rate: np.ndarray
    angular: np.ndarray
    steady: np.ndarray
    loose: np.ndarray
    creep: bool = False

    @classmethod
    def none(cls) -> Poles:
        """No component at all."""
        empty = np.zeros(0)
        return cls(decay_rate=empty, angular=empty, steady=empty.astype(bool), loose=empty.astype(int))

    @property
    def size(self) -> int:
        """Number of components."""
        return self.angular.size

    @property
    def s(self) -> np.ndarray:
        """Complex poles [rad/s]."""
        return -self.decay_rate + 1j * self.angular

    @property
    def free(self) -> np.ndarray:
        """Which of (σ₁, ω₁, σ₂, ω₂, …) are fitted."""
        return np.column_stack([~self.steady & (self.loose == 0), self.loose == 0]).ravel()

    def only(self, keep: np.ndarray) -> Poles:
        """The components where `keep` is true (or at these indices)."""
        return replace(
            self,
            decay_rate=self.decay_rate[keep],
            angular=self.angular[keep],
            steady=self.steady[keep],
            loose=self.loose[keep],
        )

    def without(self, k: int) -> Poles:
        """All components but one."""
        return self.only(np.arange(self.size) != k)

    def plus(self, decay_rate: float, angular: float) -> Poles:
        """One component more."""
        return replace(
            self,
            decay_rate=np.append(self.decay_rate, decay_rate),
            angular=np.append(self.angular, angular),
            steady=np.append(self.steady, False),
            loose=np.append(self.loose, 0),
        )

    def freed(self) -> Poles:
        """The same, with every σ free again."""
        return replace(self, steady=np.zeros(self.size, bool))

    def tight(self) -> Poles:
        """The same, with every pole shared by all repeats."""
        return replace(self, loose=np.zeros(self.size, int))

    def loosened(self, k: int) -> Poles:
        """The same, with one power of t more for component k."""
        return replace(self, loose=self.loose + (np.arange(self.size) == k))

    def held_steady(self, which: np.ndarray) -> Poles:
        """The same, with the components in `which` (bool) turned into steady tones."""
        return replace(self, decay_rate=np.where(which, 0.0, self.decay_rate), steady=self.steady | which)


@dataclass(frozen=True, eq=False, kw_only=True)
class DecayData:
    """Records of one channel, whitened, in groups of equal length.

    Parameters
    ----------
    groups : tuple of ndarray, each (n_rows, n_samples)
        Whitened records.
    colour : NoiseColour
        Whitening that was applied.
    rate_hz : float
        Sample rate [Hz].
    """

    groups: tuple[np.ndarray, ...]
    colour: NoiseColour
    rate_hz: float

    @classmethod
    def of(cls, records: Sequence[np.ndarray], *, colour: NoiseColour, rate_hz: float) -> DecayData:
        """Whiten groups of records."""
        return cls(groups=tuple(colour.whiten(r) for r in records), colour=colour, rate_hz=rate_hz)

    @property
    def n_samples(self) -> int:
        """Samples in all records."""
        return sum(g.size for g in self.groups)

    @property
    def n_rows(self) -> int:
        """Number of records."""
        return sum(g.shape[0] for g in self.groups)

    @property
    def longest_s(self) -> float:
        """Length of the longest record [s]."""
        return max(g.shape[1] for g in self.groups) / self.rate_hz

    @property
    def power(self) -> float:
        """Sum of squares of all samples."""
        return float(sum((g**2).sum() for g in self.groups))


@dataclass(frozen=True, eq=False, kw_only=True)
class Projection:
    """What is left after the best linear amplitudes for given poles.

    Parameters
    ----------
    residuals : tuple of ndarray, each (n_rows, n_samples)
        Whitened residuals, group by group.
    rss : float
        Their sum of squares.
    coefficients : tuple of ndarray, each (n_columns, n_rows)
        Linear coefficients, group by group: offset, slope, Re A and Im A of each component, then those of the
        columns tᵐ·e^{st} of loose components.
    unit_covariance : tuple of ndarray
        (BᵀB)⁻¹ of the linear columns in each group; times the noise variance it is their covariance.
    gradient, fisher : ndarray
        ½ of the gradient of rss over all (σ, ω), and the Gauss–Newton matrix.
    sensitivity : tuple of ndarray, each (n_parameters, n_columns, n_rows)
        Derivative of the linear coefficients to the parameters, group by group.
    """

    residuals: tuple[np.ndarray, ...]
    rss: float
    coefficients: tuple[np.ndarray, ...]
    unit_covariance: tuple[np.ndarray, ...]
    gradient: np.ndarray
    fisher: np.ndarray
    sensitivity: tuple[np.ndarray, ...]

    @property
    def amplitudes(self) -> np.ndarray:
        """Complex amplitudes A_kj, shape (n_components, n_rows), rows in the order of the groups."""
        stop = N_TREND + self.gradient.size
        return self._complex(N_TREND, stop)

    def shifts(self, poles: Poles) -> np.ndarray:
        """First-order shift C/A of the pole of each repeat [rad/s], shape (n_components, n_rows); 0 where tight."""
        amplitudes = self.amplitudes
        shifts = np.zeros_like(amplitudes)
        at = N_TREND + 2 * poles.size
        for k in np.flatnonzero(poles.loose):
            shifts[k] = self._complex(at, at + 2)[0] / amplitudes[k]
            at += 2 * poles.loose[k]
        return shifts

    def _complex(self, start: int, stop: int) -> np.ndarray:
        return np.concatenate([c[start:stop:2] + 1j * c[start + 1 : stop : 2] for c in self.coefficients], axis=1)


_CREEP = (2.0, 5.0, 12.0, 30.0, 80.0)  # decay rates of the creep columns, per record; sums come close to any between
N_TREND = 2  # offset (gravity) and slope (drift) in each repeat


def columns(poles: Poles, time_s: np.ndarray) -> np.ndarray:
    """Linear columns of the model, as rows: offset, slope, Re and −Im of each exponential, the same times tᵐ."""
    exponentials = np.exp(np.outer(poles.s, time_s))
    waves = np.empty((2 * poles.size, time_s.size))
    waves[0::2], waves[1::2] = exponentials.real, -exponentials.imag
    extra = [time_s**m * waves[2 * k : 2 * k + 2] for k in range(poles.size) for m in range(1, poles.loose[k] + 1)]
    creep = [np.exp(-rate * time_s / time_s[-1])[np.newaxis] for rate in _CREEP] if poles.creep else []
    return np.concatenate([[np.ones(time_s.size), 2 * time_s / time_s[-1] - 1], waves, *extra, *creep])


def project(poles: Poles, data: DecayData, *, derivatives: bool = True) -> Projection:
    """Project the linear parameters out.

    Parameters
    ----------
    poles : Poles
        Components.
    data : DecayData
        Whitened records.
    derivatives : bool
        False leaves gradient, fisher and sensitivity empty.

    Raises
    ------
    numpy.linalg.LinAlgError
        When two components are so alike that their columns are dependent.
    """
    m = 2 * poles.size
    gradient, fisher = np.zeros(m), np.zeros((m, m))
    residuals, solved, covariances, sensitivities, rss = [], [], [], [], 0.0
    for rows in data.groups:
        time = np.arange(rows.shape[1]) / data.rate_hz
        plain = columns(poles, time)
        both = data.colour.whiten(np.concatenate([plain, time * plain[N_TREND : N_TREND + m]]))
        q, r = np.linalg.qr(both[: len(plain)].T)
        if np.abs(np.diag(r)).min() < 1e-11 * np.abs(np.diag(r)).max():
            raise np.linalg.LinAlgError("two components have become one")
        qt_rows = rows @ q
        residual = rows - qt_rows @ q.T
        inverse = linalg.solve_triangular(r, np.eye(r.shape[0]))
        coefficients = inverse @ qt_rows.T
        residuals.append(residual)
        rss += float(np.vdot(residual, residual))
        solved.append(coefficients)
        covariances.append(inverse @ inverse.T)
        if derivatives and m:
            moves = _moves(coefficients[N_TREND : N_TREND + m].reshape(poles.size, 2, -1))
            timed = both[len(plain) :]
            inside = timed @ q
            schur = timed @ timed.T - inside @ inside.T
            gradient -= moves.reshape(m, -1) @ (timed @ residual.T).ravel()
            fisher += moves.reshape(m, -1) @ (schur @ moves).reshape(m, -1).T
            sensitivities.append(-(inverse @ inside.T) @ moves)
    return Projection(
        residuals=tuple(residuals),
        rss=rss,
        coefficients=tuple(solved),
        unit_covariance=tuple(covariances),
        gradient=gradient,
        fisher=fisher,
        sensitivity=tuple(sensitivities),
    )


def _moves(pairs: np.ndarray) -> np.ndarray:
    """Coefficients of t·columns in the derivative of the model to each (σ, ω), shape (2K, 2K, n_rows).

    d/dσ Re[A e^{st}] = −t·Re[A e^{st}]; d/dω = t·Re[iA e^{st}], and iA = −Im A + i·Re A.
    """
    count, _, n_rows = pairs.shape
    moves = np.zeros((2 * count, 2 * count, n_rows))
    for k in range(count):
        re, im = pairs[k]
        moves[2 * k, 2 * k], moves[2 * k, 2 * k + 1] = -re, -im
        moves[2 * k + 1, 2 * k], moves[2 * k + 1, 2 * k + 1] = -im, re
    return moves


def refine(
    poles: Poles,
    data: DecayData,
    *,
    tolerance: float = 1e-6,
    max_steps: int = 40,
) -> tuple[Poles, Projection, bool]:
    """Levenberg–Marquardt over the poles.

    Parameters
    ----------
    poles : Poles
        Start.
    data : DecayData
        Whitened records.
    tolerance : float
        Stop when the next step promises to lower rss by less than this share of the noise variance: 1e-6 is a
        thousandth of a standard error.
    max_steps : int
        Steps tried.

    Returns
    -------
    (Poles, Projection, bool)
        Poles, their projection, and whether the search came to rest.
    """
    here = project(poles, data)
    if not poles.free.any():
        return poles, here, True
    damping = _DAMPING_START
    for _ in range(max_steps):
        free = poles.free & ~_against_bounds(poles, here.gradient, data)
        gradient, fisher = here.gradient[free], here.fisher[np.ix_(free, free)]
        scale = np.sqrt(np.maximum(np.diag(fisher), 0.0))
        if not np.isfinite(fisher).all() or not (scale > 0).all():
            return poles, here, False
        try:
            factor = linalg.cho_factor(fisher / np.outer(scale, scale) + damping * np.eye(scale.size))
        except linalg.LinAlgError:
            damping *= 10
            continue
        step = -linalg.cho_solve(factor, gradient / scale) / scale
        if -gradient @ step < tolerance * here.rss / data.n_samples:
            return poles, here, True
        trial = _stepped(poles, free, step, data)
        try:
            there = project(trial, data)
        except np.linalg.LinAlgError:
            there = None
        if there is not None and there.rss < here.rss:
            poles, here, damping = trial, there, max(damping / 10, 1e-9)
        else:
            damping *= 10
            if damping > _MAX_LAMBDA:
                return poles, here, False
    return poles, here, False


def _bounds(poles: Poles, data: DecayData) -> tuple[np.ndarray, np.ndarray]:
    """Least and largest (σ, ω) that can be told: below the Nyquist frequency, not growing or decaying without bound."""
    slowest = math.pi / data.longest_s
    low = np.tile([-slowest, slowest], poles.size)
    high = np.tile([0.5 * data.rate_hz, 0.999 * math.pi * data.rate_hz], poles.size)
    return low, high


def _against_bounds(poles: Poles, gradient: np.ndarray, data: DecayData) -> np.ndarray:
    """Which (σ, ω) stand at a bound with the descent pointing beyond it."""
    low, high = _bounds(poles, data)
    values = np.column_stack([poles.decay_rate, poles.angular]).ravel()
    return ((values <= low) & (gradient > 0)) | ((values >= high) & (gradient < 0))


def _stepped(poles: Poles, free: np.ndarray, step: np.ndarray, data: DecayData) -> Poles:
    """Poles after a step, kept inside the bounds."""
    values = np.column_stack([poles.decay_rate, poles.angular]).ravel()
    values[free] += step
    values = np.where(poles.free, np.clip(values, *_bounds(poles, data)), values)
    return replace(poles, decay_rate=values[0::2], angular=values[1::2])


def recentred(poles: Poles, projection: Projection) -> Poles:
    """Loose components moved to the mean pole of the repeats, weighted by their power."""
    weight = np.abs(projection.amplitudes) ** 2
    mean = (weight * projection.shifts(poles)).sum(axis=1) / np.maximum(weight.sum(axis=1), np.finfo(float).tiny)
    sigma = np.where(poles.steady, 0.0, poles.decay_rate - mean.real)
    return replace(poles, decay_rate=sigma, angular=np.abs(poles.angular + mean.imag))
