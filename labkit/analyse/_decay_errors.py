"""Standard errors of a modal fit, and whether what it leaves is noise."""

from __future__ import annotations

import math

import numpy as np
from scipy import linalg

from labkit.analyse._decay_fit import N_TREND, DecayData, Poles, Projection

__all__ = ["amplitude_error", "pole_covariance", "pole_dof", "residual_correlation", "residual_dof"]


def residual_dof(poles: Poles, projection: Projection, data: DecayData) -> int:
    """Samples less fitted parameters."""
    return data.n_samples - sum(c.size for c in projection.coefficients) - int(poles.free.sum())


def pole_dof(poles: Poles, projection: Projection, data: DecayData) -> np.ndarray:
    """Degrees of freedom of the error of each pole: of the noise when tight, of the repeats when loose."""
    return np.where(poles.loose > 0, data.n_rows - 1, residual_dof(poles, projection, data)).astype(float)


def pole_covariance(poles: Poles, projection: Projection, data: DecayData) -> np.ndarray:
    """Covariance of all (σ, ω); zero where held.

    Poles shared by all repeats: the inverse of the Gauss–Newton matrix times the noise variance. Loose poles: the
    scatter of the repeats about their mean, weighted as the mean is.
    """
    free, dof = poles.free, residual_dof(poles, projection, data)
    covariance = np.zeros((free.size, free.size))
    if dof > 0 and free.any():
        inverse = linalg.pinvh(projection.fisher[np.ix_(free, free)])
        covariance[np.ix_(free, free)] = inverse * projection.rss / dof
    shifts, rows = projection.shifts(poles), data.n_rows
    for k in np.flatnonzero(poles.loose):
        weight = np.abs(projection.amplitudes[k]) ** 2
        pulls = weight / weight.sum() * np.stack([-shifts[k].real * ~poles.steady[k], shifts[k].imag])
        covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = pulls @ pulls.T * rows / (rows - 1)
    return covariance


def amplitude_error(k: int, projection: Projection, covariance: np.ndarray, noise_variance: float) -> float:
    """Standard error of Re or Im of the amplitude of component k, root mean square over the rows.

    Parameters
    ----------
    k : int
        Component.
    projection : Projection
        With derivatives.
    covariance : ndarray
        Covariance of all (σ, ω).
    noise_variance : float
        Variance of the whitened noise.
    """
    columns_k = slice(N_TREND + 2 * k, N_TREND + 2 * k + 2)
    total, count = 0.0, 0
    for own, moved in zip(projection.unit_covariance, projection.sensitivity):
        shift = moved[:, columns_k]
        by_poles = np.einsum("acj,ab,bcj->cj", shift, covariance, shift)
        total += float((noise_variance * np.diag(own)[columns_k, np.newaxis] + by_poles).sum())
        count += by_poles.size
    return math.sqrt(total / count)


def residual_correlation(projection: Projection, *, lags: int = 20) -> float:
    """Largest magnitude of the autocorrelation of the whitened residuals at lags 1 … `lags`; nan when they are 0."""
    power, lagged = 0.0, np.zeros(lags)
    for rows in projection.residuals:
        power += float((rows**2).sum())
        lagged += [float((rows[:, lag:] * rows[:, :-lag]).sum()) for lag in range(1, lags + 1)]
    return float(np.abs(lagged).max() / power) if power > 0 else math.nan
