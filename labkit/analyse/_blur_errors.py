"""Uncertainty of a fitted kernel: what the fit attains, and what no estimator can undercut."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from labkit.analyse._blur_alias import N_FREE, no_belief
from labkit.analyse._blur_fit import N_SHAPE, Point, Weights, information

__all__ = ["KernelFit", "detection_errors", "misfit_noise_sd", "summarise"]

_BLOCK = 12  # px, side of the blocks whose scatter gives the robust covariance
# The law of the folded shares is not exactly that of the scene: scatter over formula where all misfit is folded power,
# found on photographs reduced without a lens.
_DOUBT = 1.25


@dataclass(frozen=True, eq=False, kw_only=True)
class KernelFit:
    """One family fitted, with the covariance of its parameters and what is needed to judge it."""

    point: Point
    converged: bool
    covariance: np.ndarray
    inflation: float  # covariance over that of evenly spread noise
    dof: float  # blocks of the picture that carry the variance, as if they did evenly
    folded_part: float  # of the scatter of the variance
    misfit: float  # −2 ln likelihood, so that families with their own weights can be compared
    residual_ratio: float  # mean |D|²/V, 1 when noise and folded frequencies explain everything

    @property
    def family(self) -> str:
        return self.point.family

    @property
    def parameters(self) -> np.ndarray:
        return self.point.parameters

    @property
    def n_shape(self) -> int:
        return N_SHAPE[self.family]


def summarise(point: Point, converged: bool) -> KernelFit:
    """The fit with its covariance: that of the scatter over the picture, or of the noise if that is larger."""
    pictures = _whitened(point)
    spread, plain = _noise_covariance(point, pictures[:-1])
    expected = float(np.sum(point.pair.cells * point.weights.band))
    ratio = float(np.mean(pictures[-1] ** 2)) / expected
    blocks, dof = _block_scatter(point, pictures, spread)
    variance = np.diag(plain) * max(ratio, 1.0)
    folded_part = _folded_part(point)
    larger = np.maximum(np.diag(spread @ blocks @ spread) / variance, 1.0) * (1 + _DOUBT * folded_part)
    return KernelFit(
        point=point,
        converged=converged,
        covariance=plain * max(ratio, 1.0) * np.sqrt(np.outer(larger, larger)),
        inflation=float(larger[0]),
        dof=dof,
        folded_part=folded_part,
        misfit=_likelihood(point),
        residual_ratio=ratio,
    )


def _whitened(point: Point) -> np.ndarray:
    """Derivatives of the whitened misfit to all parameters, and last the misfit itself, as pictures of the window."""
    pair = point.pair
    root = np.sqrt(point.weight / pair.cells)
    half = pair.sharp_sd**2 * (point.transfer.conj() * point.columns).real / point.density
    spectra = np.concatenate([-pair.sharp * point.columns - point.misfit * half, point.misfit[None]])
    rows, cols = pair.window
    return fft.irfft2(root * spectra, pair.size)[:, :rows, :cols]


def _noise_covariance(point: Point, slopes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inverse of the expected curvature, and covariance if the misfit is evenly spread over the picture.

    The noise of the reference that the slopes carry is taken out of both.
    """
    pair, n = point.pair, len(slopes)
    hidden, band = point.weight * pair.n_pixels, point.weights.band
    flat = slopes.reshape(n, -1)
    curvature = flat @ flat.T - information(point, hidden * pair.sharp_sd**2) + point.prior
    spectra = fft.rfft2(slopes, pair.size).reshape(n, -1) * np.sqrt(pair.cells * band).ravel()
    score = (spectra @ spectra.conj().T).real + point.prior
    score -= information(point, hidden * band * (pair.sharp_sd**2 - point.scene_variance))
    spread = np.linalg.inv(curvature)
    return spread, spread @ score @ spread


def _folded_part(point: Point) -> float:
    """Part of the scatter of the variance that folded frequencies make."""
    pull = point.weight * point.weights.band * point.pair.power * np.abs(point.columns[0]) ** 2
    return float(np.sum(pull * point.weights.folded / point.density) / np.sum(pull))


def _likelihood(point: Point) -> float:
    """−2 ln likelihood up to a constant; what the folded frequencies add to V is paid for."""
    paid = point.pair.n_pixels * point.pair.cells * point.weights.band * (np.log(point.density / point.noise) - 1)
    free = point.parameters[-N_FREE:]
    return float(np.sum(paid + point.weight * np.abs(point.misfit) ** 2)) + float(free @ no_belief().precision @ free)


def _block_scatter(point: Point, pictures: np.ndarray, spread: np.ndarray) -> tuple[np.ndarray, float]:
    """Covariance of the score from its scatter over blocks of the picture.

    Cluster-robust with the leverage of every block taken out (CR3: Bell & McCaffrey 2002, from memory), since a few
    blocks with strong edges carry most of the information.
    """
    window = pictures.shape[1:]
    side = min(_BLOCK, *(k // 4 for k in window))
    rows, cols = (k // side for k in window)
    cut = pictures[:, : rows * side, : cols * side].reshape(-1, rows, side, cols, side)
    cut = cut.transpose(1, 3, 0, 2, 4).reshape(rows * cols, -1, side * side)
    regressors, residual = cut[:, :-1], cut[:, -1:]
    scores = (regressors @ residual.swapaxes(1, 2))[:, :, 0]
    scores -= scores.mean(axis=0)
    parts = regressors @ regressors.swapaxes(1, 2)
    rest = np.eye(regressors.shape[1]) - parts @ np.linalg.inv(parts.sum(axis=0) + point.prior)
    scores = np.linalg.solve(rest, scores[:, :, None])[:, :, 0]
    own = np.einsum("i,bij,j->b", spread[0], parts, spread[0])
    return scores.T @ scores + point.prior, float(own.sum() ** 2 / np.sum(own**2))


def detection_errors(fit: Point) -> tuple[np.ndarray, np.ndarray]:
    """Standard errors [px²] of c_xx, c_yy, c_xy for no blur at the shift of a fit: attained, and the bound."""
    pair, old = fit.pair, fit.weights
    still = np.concatenate([np.zeros(3), fit.parameters[N_SHAPE[fit.family] :]])
    point = Point(pair, Weights(band=1.0, folded=0.0, belief=old.belief), still, "gaussian")
    folded = pair.power * np.maximum(point.gain**2 - np.abs(point.transfer) ** 2, 0.0)
    band = pair.power / (pair.power + point.scene_variance)
    base = pair.cells * pair.power * pair.n_pixels
    first, second = (information(point, base * h / (point.noise + folded)) + point.prior for h in (band, band**2))
    bound = information(point, base / point.noise)[:-N_FREE, :-N_FREE]
    inverse = np.linalg.inv(first)
    return np.sqrt(np.diag(inverse @ second @ inverse)[:3]), np.sqrt(np.diag(np.linalg.inv(bound))[:3])


def misfit_noise_sd(point: Point) -> float:
    """Common noise of both pictures (σ_frame = σ_sharp) that explains the misfit at middle frequencies [grey]."""
    pair = point.pair
    reach = np.hypot(pair.fx, pair.fy)
    weight = pair.cells * ((reach > 0.08) & (reach < 0.3))
    excess = np.abs(point.misfit) ** 2 / pair.n_pixels - point.weights.folded
    gained = 1 + np.abs(point.transfer) ** 2
    return math.sqrt(max(float(np.sum(weight * excess / gained) / np.sum(weight)), 1e-12))
