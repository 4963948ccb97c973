"""Engine of `measure_blur`: fit a kernel between two noisy pictures of one scene.

The model is frame = a·(kernel, shifted) ∗ scene + b + noise and sharp = scene + noise. The scene is not known, so
the misfit D = frame − a·T·sharp carries the noise of both pictures, with spectral density V = σ_f² + a²|T|²σ_s² (errors
in both variables). The sum of h·|D|²/V is least at the true kernel; h = P/(P + v) takes out frequencies at which the
scene's power P is below the noise v of the best guess of the scene, and makes the estimate nearly efficient.

T is the mean over the folded frequencies of `_blur_pair`, each with its share; the slope γ of their power law comes
from the misfit itself, two factors on the shares along x and y are fitted with everything else, and what stays
incoherent is added to V.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft, optimize

from labkit.analyse._blur_pair import Pair, folded_orders, window_spectrum, with_slope
from labkit.analyse.kernels import profile

__all__ = ["KernelFit", "N_SHAPE", "fit_kernel", "misfit_noise_sd", "variance_errors"]

_ALIAS_SD = 0.5  # prior standard deviation of the logarithms of the two alias factors
_ALIAS_LIMIT = 1.5  # bound of those logarithms, lest a wrong family be explained by folded frequencies
_SLOPES = 0.5, 8.0  # of the power law: photographs have about 2 to 3, a soft lens more
_BLOCK = 12  # px, side of the blocks whose scatter gives the robust covariance
# Weights, slope and window are chosen on the data, which the formulas do not see: scatter over formula found on
# synthetic scenes without folded frequencies (1.14) and on photographs.
_ALLOWANCE = 1.15
N_SHAPE = {"smear": 2, "sinusoid": 2, "disc": 1, "gaussian": 3}


@dataclass(frozen=True, eq=False, kw_only=True)
class KernelFit:
    """One family fitted: parameters (shape, shift x, shift y, gain, two alias factors) and covariance."""

    family: str
    parameters: np.ndarray
    covariance: np.ndarray
    cramer_rao: np.ndarray
    misfit: float  # −2 ln likelihood, so that families with their own weights can be compared
    residual_ratio: float  # mean |D|²/V, 1 when noise explains everything
    converged: bool
    n_blocks: int

    @property
    def n_shape(self) -> int:
        return N_SHAPE[self.family]


# --------------------------------------------------------------------------------------------------- the model
def _kernel(fy: np.ndarray, fx: np.ndarray, shape: np.ndarray, family: str) -> tuple[np.ndarray, list[np.ndarray]]:
    """Transfer of the centred kernel and its derivatives to the shape parameters.

    Smear and sinusoid: variance q along the direction θ, and θ; disc: q; Gaussian: c_xx, c_yy, c_xy.
    """
    if family == "gaussian":
        c_xx, c_yy, c_xy = shape
        transfer, slope = profile(c_xx * fx**2 + c_yy * fy**2 + 2 * c_xy * fx * fy, family=family)
        return transfer, [slope * fx**2, slope * fy**2, slope * (2 * fx * fy)]
    if family == "disc":
        reach = fx**2 + fy**2
        transfer, slope = profile(shape[0] * reach, family=family)
        return transfer, [slope * reach]
    q, angle = shape
    along, across = math.cos(angle) * fx + math.sin(angle) * fy, math.cos(angle) * fy - math.sin(angle) * fx
    transfer, slope = profile(q * along**2, family=family)
    return transfer, [slope * along**2, slope * (2 * q) * along * across]


def _every_order(pair: Pair, parameters: np.ndarray, family: str) -> list[tuple[np.ndarray, list, np.ndarray]]:
    """(kernel, its slopes to the shape, phase of the shift) for every folded order."""
    n = N_SHAPE[family]
    dx, dy = parameters[n : n + 2]
    return [
        (*_kernel(y, x, parameters[:n], family), np.exp(-2j * np.pi * dy * y) * np.exp(-2j * np.pi * dx * x))
        for y, x in folded_orders(pair)
    ]


def _shares(pair: Pair, parameters: np.ndarray) -> list[np.ndarray]:
    """Shares of the folded orders with the fitted alias factors; they always add to 1."""
    along_x, along_y = _ALIAS_LIMIT * np.tanh(parameters[-2:] / _ALIAS_LIMIT)
    factors = (1.0, math.exp(along_x), math.exp(along_y), math.exp(along_x + along_y))
    scaled = [share * factor for share, factor in zip(pair.shares, factors)]
    whole = sum(scaled)
    return [share / whole for share in scaled]


def _total(orders: list, shares: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """T, the mean over the folded orders, and the share of the power that stays incoherent."""
    total = sum(share * kernel * phase for share, (kernel, _, phase) in zip(shares, orders))
    spread = sum(share * kernel**2 for share, (kernel, _, _) in zip(shares, orders))
    return total, np.maximum(spread - np.abs(total) ** 2, 0.0)


def _transfer(pair: Pair, parameters: np.ndarray, family: str) -> list[np.ndarray]:
    """a·∂T/∂(every parameter), with T itself in the place of the gain."""
    n = N_SHAPE[family]
    orders, shares = _every_order(pair, parameters, family), _shares(pair, parameters)
    single = [kernel * phase for kernel, _, phase in orders]
    weighted = [share * one for share, one in zip(shares, single)]
    moved = [phase * share for share, (_, _, phase) in zip(shares, orders)]
    columns = [sum(m * slopes[i] for m, (_, slopes, _) in zip(moved, orders)) for i in range(n)]
    columns.append(-2j * np.pi * sum(x * w for w, (_, x) in zip(weighted, folded_orders(pair))))
    columns.append(-2j * np.pi * sum(y * w for w, (y, _) in zip(weighted, folded_orders(pair))))
    gain, total = parameters[n + 2], sum(weighted)
    both = shares[3] * (single[3] - total)
    alias = [shares[1] * (single[1] - total) + both, shares[2] * (single[2] - total) + both]
    held = 1 - np.tanh(parameters[-2:] / _ALIAS_LIMIT) ** 2
    return [gain * c for c in columns] + [total] + [gain * h * c for h, c in zip(held, alias)]


def _misfit(pair: Pair, parameters: np.ndarray, family: str) -> tuple[np.ndarray, list, list, np.ndarray]:
    """D, the columns −∂D/∂p within the window, the transfers they belong to, and V."""
    n = N_SHAPE[family]
    transfers = _transfer(pair, parameters, family)
    columns = [window_spectrum(pair, transfer * pair.sharp) for transfer in transfers]
    gain, total = parameters[n + 2], transfers[n + 2]
    density = pair.frame_sd**2 + (gain * pair.sharp_sd) ** 2 * np.abs(total) ** 2 + pair.folded
    return pair.frame - gain * columns[n + 2], columns, transfers, density


def _weighted(pair: Pair, parameters: np.ndarray, family: str) -> tuple[np.ndarray, np.ndarray]:
    """Residuals √(h/V)·D with the priors of the alias factors, and their Jacobian."""
    n = N_SHAPE[family]
    misfit, columns, transfers, density = _misfit(pair, parameters, family)
    gain, total = parameters[n + 2], transfers[n + 2]
    root = np.sqrt(pair.cells * pair.band / density)
    jacobian = []
    for column, transfer in zip(columns, transfers):
        half_slope = gain * pair.sharp_sd**2 * (total.conj() * transfer).real  # of V
        jacobian.append(_real(-root * (column + misfit * half_slope / density)))
    prior = np.zeros((2, parameters.size))
    prior[0, -2] = prior[1, -1] = 1 / _ALIAS_SD
    residual = np.concatenate([_real(root * misfit), parameters[-2:] / _ALIAS_SD])
    return residual, np.concatenate([np.stack(jacobian, axis=1), prior])


def _real(spectrum: np.ndarray) -> np.ndarray:
    return np.concatenate([spectrum.real.ravel(), spectrum.imag.ravel()])


# --------------------------------------------------------------------------------------------------- fitting
def fit_kernel(pair: Pair, start: np.ndarray, *, family: str, rounds: int = 2) -> tuple[Pair, KernelFit]:
    """Fit one family from a start; weights and alias shares are settled in rounds."""
    pair, parameters = _reweighted(pair, start, family), start
    for _ in range(rounds):
        found = _least_squares(pair, parameters, family)
        parameters = found.x
        pair = _reweighted(_best_slope(pair, parameters, family), parameters, family)
    found = _least_squares(pair, parameters, family)
    return pair, _summary(pair, found.x, family, converged=found.status in (1, 2, 3, 4))


def _least_squares(pair: Pair, start: np.ndarray, family: str) -> optimize.OptimizeResult:
    cache: dict[bytes, tuple[np.ndarray, np.ndarray]] = {}

    def at(parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        key = parameters.tobytes()
        if key not in cache:
            cache.clear()
            cache[key] = _weighted(pair, parameters, family)
        return cache[key]

    return optimize.least_squares(
        lambda p: at(p)[0], start, jac=lambda p: at(p)[1], method="lm", xtol=1e-4, ftol=1e-6, max_nfev=40
    )


def _reweighted(pair: Pair, parameters: np.ndarray, family: str) -> Pair:
    gain = parameters[N_SHAPE[family] + 2]
    total, incoherent = _total(_every_order(pair, parameters, family), _shares(pair, parameters))
    guess = _scene_guess_variance(pair, gain, np.abs(total) ** 2)
    return replace(pair, band=pair.power / (pair.power + guess), folded=gain**2 * pair.power * incoherent)


def _scene_guess_variance(pair: Pair, gain: float, power: np.ndarray) -> np.ndarray:
    """Variance v of the best guess of the scene from both pictures."""
    return 1 / (1 / pair.sharp_sd**2 + gain**2 * power / pair.frame_sd**2)


def _best_slope(pair: Pair, parameters: np.ndarray, family: str) -> Pair:
    """The pair with the spectral slope γ at which the misfit is most likely."""
    gain = parameters[N_SHAPE[family] + 2]
    orders = _every_order(pair, parameters, family)

    def cost(slope: float) -> float:
        total, incoherent = _total(orders, _shares(with_slope(pair, slope), parameters))
        misfit = np.abs(pair.frame - gain * window_spectrum(pair, total * pair.sharp)) ** 2
        noise = pair.frame_sd**2 + (gain * pair.sharp_sd) ** 2 * np.abs(total) ** 2
        density = noise + gain**2 * pair.power * incoherent
        # no ln V of the noise itself: in a functional model it would reward a transfer that is too low
        return float(np.sum(pair.cells * pair.band * (np.log(density / noise) * pair.n_pixels + misfit / density)))

    found = optimize.minimize_scalar(cost, bounds=_SLOPES, method="bounded", options={"xatol": 0.1})
    return with_slope(pair, float(found.x))


# ------------------------------------------------------------------------------------------------ uncertainty
def _summary(pair: Pair, parameters: np.ndarray, family: str, *, converged: bool) -> KernelFit:
    misfit, columns, transfers, density = _misfit(pair, parameters, family)
    gain = parameters[N_SHAPE[family] + 2]
    total = np.abs(transfers[N_SHAPE[family] + 2])
    guess = _scene_guess_variance(pair, gain, total**2)
    weight = pair.cells * pair.band
    info, score = _information(pair, columns, transfers, density, guess)
    power = np.abs(misfit) ** 2
    ratio = float(np.sum(weight * power / density) / np.sum(weight) / pair.n_pixels)
    spread = np.linalg.inv(info)
    plain = spread @ score @ spread * max(ratio, 1.0)
    blocks, n_blocks = _block_scatter(pair, misfit, columns, transfers, density, gain * total)
    robust = spread @ blocks @ spread
    larger = np.sqrt(np.maximum(np.diag(robust) / np.diag(plain), 1.0))
    return KernelFit(
        family=family,
        parameters=parameters,
        covariance=plain * np.outer(larger, larger) * _ALLOWANCE**2,
        cramer_rao=_cramer_rao(pair, columns, transfers, density),
        misfit=_likelihood(pair, weight, power, density) + float(np.sum(parameters[-2:] ** 2)) / _ALIAS_SD**2,
        residual_ratio=ratio,
        converged=converged,
        n_blocks=n_blocks,
    )


def _likelihood(pair: Pair, weight: np.ndarray, power: np.ndarray, density: np.ndarray) -> float:
    """−2 ln likelihood up to a constant; what the folded frequencies add to V is paid for."""
    noise = density - pair.folded
    return float(np.sum(weight * (pair.n_pixels * (np.log(density / noise) - 1) + power / density)))


def _information(
    pair: Pair, columns: list, transfers: list, density: np.ndarray, guess: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Expected slope of the score and its covariance; the noise of the reference in the columns is taken out."""
    n = len(columns)
    slope, score = np.zeros((n, n)), np.zeros((n, n))
    first, second = pair.cells * pair.band / density, pair.cells * pair.band**2 / density
    for i in range(n):
        for j in range(i, n):
            seen = (columns[i].conj() * columns[j]).real
            noise = (transfers[i].conj() * transfers[j]).real * pair.n_pixels
            slope[i, j] = slope[j, i] = np.sum(first * (seen - noise * pair.sharp_sd**2))
            score[i, j] = score[j, i] = np.sum(second * (seen - noise * (pair.sharp_sd**2 - guess)))
    for matrix in (slope, score):
        matrix[[-2, -1], [-2, -1]] += _ALIAS_SD**-2
    return slope, score


def _cramer_rao(pair: Pair, columns: list, transfers: list, density: np.ndarray) -> np.ndarray:
    """Bound on the covariance of shape, shift and gain from the noise of both pictures alone."""
    n = len(columns) - 2
    weight = pair.cells * (pair.power > 0) / (density - pair.folded)
    info = np.zeros((n, n))
    for i in range(n):
        for j in range(i, n):
            seen = (columns[i].conj() * columns[j]).real
            noise = (transfers[i].conj() * transfers[j]).real * pair.n_pixels
            info[i, j] = info[j, i] = np.sum(weight * (seen - noise * pair.sharp_sd**2))
    return np.linalg.inv(info)


def _block_scatter(
    pair: Pair, misfit: np.ndarray, columns: list, transfers: list, density: np.ndarray, gain_transfer: np.ndarray
) -> tuple[np.ndarray, int]:
    """Covariance of the score from its scatter over blocks of the picture.

    Cluster-robust with the leverage of every block taken out (CR3: Bell & McCaffrey 2002, from memory), since a few
    blocks with strong edges carry most of the information.
    """
    root = np.sqrt(pair.band / density)
    side = min(_BLOCK, *(n // 4 for n in pair.window))
    rows, cols = (n // side for n in pair.window)

    def blocks(spectrum: np.ndarray) -> np.ndarray:
        picture = fft.irfft2(root * spectrum, pair.size)[: rows * side, : cols * side]
        return picture.reshape(rows, side, cols, side).swapaxes(1, 2).reshape(rows * cols, side * side)

    residual = blocks(misfit)
    shrunk = [transfer * gain_transfer * pair.sharp_sd**2 / density for transfer in transfers]
    scores = np.stack([np.sum(blocks(c + t * misfit) * residual, axis=1) for c, t in zip(columns, shrunk)], axis=1)
    scores -= scores.mean(axis=0)
    regressors = np.stack([blocks(column) for column in columns], axis=1)
    information = regressors @ regressors.swapaxes(1, 2)
    whole = information.sum(axis=0)
    whole[[-2, -1], [-2, -1]] += _ALIAS_SD**-2
    rest = np.eye(len(columns)) - information @ np.linalg.inv(whole)
    scores = np.linalg.solve(rest, scores[:, :, None])[:, :, 0]
    scatter = scores.T @ scores
    scatter[[-2, -1], [-2, -1]] += _ALIAS_SD**-2
    return scatter, rows * cols


def variance_errors(pair: Pair, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Standard errors [px²] of c_xx, c_yy, c_xy for no blur at the shift of `parameters`: attained, and the bound."""
    still = np.concatenate([np.zeros(3), parameters[-5:-2], np.zeros(2)])
    pair = _reweighted(pair, still, "gaussian")
    _, columns, transfers, density = _misfit(pair, still, "gaussian")
    guess = _scene_guess_variance(pair, parameters[-3], np.abs(transfers[5]) ** 2)
    info, score = _information(pair, columns, transfers, density, guess)
    spread = np.linalg.inv(info)
    attained = np.diag(spread @ score @ spread)[:3]
    return np.sqrt(attained), np.sqrt(np.diag(_cramer_rao(pair, columns, transfers, density))[:3])


def misfit_noise_sd(pair: Pair, parameters: np.ndarray, *, family: str) -> float:
    """Common noise of both pictures (σ_frame = σ_sharp) that explains the misfit at middle frequencies [grey]."""
    n = N_SHAPE[family]
    misfit, _, transfers, _ = _misfit(pair, parameters, family)
    reach = np.hypot(pair.fx, pair.fy)
    weight = pair.cells * ((reach > 0.08) & (reach < 0.3))
    gained = 1 + (parameters[n + 2] * np.abs(transfers[n + 2])) ** 2
    excess = np.abs(misfit) ** 2 / pair.n_pixels - pair.folded
    return math.sqrt(max(float(np.sum(weight * excess / gained) / np.sum(weight)), 1e-12))
