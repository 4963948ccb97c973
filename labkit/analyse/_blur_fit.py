"""Engine of `measure_blur`: fit a kernel between two noisy pictures of one scene.

The model is frame = a·(kernel, shifted) ∗ scene + b + noise and sharp = scene + noise. The scene is not known, so
the misfit D = frame − a·T·sharp carries the noise of both pictures, with spectral density V = σ_f² + a²|T|²σ_s² (errors
in both variables). The sum of h·|D|²/V is least at the true kernel; h = P/(P + v) takes out frequencies at which the
scene's power P is below the noise v of the best guess of the scene, and makes the estimate nearly efficient.

T is the mean over the folded frequencies of `_blur_alias`, each with its share, which is fitted with everything else;
what stays incoherent is added to V. All families are profiles over t = fᵀCf, so that only the way from the shape to C
differs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from labkit.analyse._blur_alias import N_FREE, Belief, learn_shares, minimise, no_belief, nothing_folds_oddly, shares
from labkit.analyse._blur_pair import Pair, window_spectrum
from labkit.analyse.kernels import profile

__all__ = [
    "N_SHAPE",
    "SMALL_PX2",
    "Point",
    "Weights",
    "information",
    "kernel_variances",
    "settle",
    "settle_plainly",
    "weights_at",
]

#: Shape parameters: variance and direction of a line, variance of a disc, c_xx, c_yy, c_xy of a Gaussian.
N_SHAPE = {"smear": 2, "sinusoid": 2, "disc": 1, "gaussian": 3}
#: Variance [px²] below which all families agree and any of them is a good start.
SMALL_PX2 = 0.15
_ROUGH, _FINE = 1.0, 0.05  # standard errors to which a round is brought


@dataclass(frozen=True, eq=False, kw_only=True)
class Weights:
    """What is held while the misfit is made small: h, the incoherent power in V, what is known of the shares."""

    band: np.ndarray
    folded: np.ndarray
    belief: Belief


def kernel_variances(shape: np.ndarray, family: str) -> tuple[np.ndarray, np.ndarray]:
    """c_xx, c_yy, c_xy of a kernel and their slopes, one row a shape parameter."""
    if family == "gaussian":
        return shape, np.eye(3)
    if family == "disc":
        unit = np.array([1.0, 1.0, 0.0])
        return shape[0] * unit, unit[None]
    c, s = math.cos(shape[1]), math.sin(shape[1])
    unit = np.array([c * c, s * s, c * s])
    return shape[0] * unit, np.stack([unit, shape[0] * np.array([-2 * c * s, 2 * c * s, c * c - s * s])])


class Point:
    """The model at one set of parameters (shape, shift x, shift y, gain, three of the folded shares)."""

    def __init__(self, pair: Pair, weights: Weights, parameters: np.ndarray, family: str) -> None:
        self.pair, self.weights, self.parameters, self.family = pair, weights, parameters, family
        n, x, y = N_SHAPE[family], pair.orders.x, pair.orders.y
        (c_xx, c_yy, c_xy), self.chain = kernel_variances(parameters[:n], family)
        dx, dy, self.gain = parameters[n : n + 3]
        self.kernel, self.bend = profile(c_xx * (x * x) + c_yy * (y * y) + (2 * c_xy) * (x * y), family=family)
        self.share, self.share_bend = shares(pair.orders, parameters[n + 3 :])
        self.phase = np.exp(-2j * np.pi * dy * pair.fy) * np.exp(-2j * np.pi * dx * pair.fx)
        self.turn_x, self.turn_y = np.exp(2j * np.pi * dx), np.exp(-2j * np.pi * dy * (y[2] - y[0]))
        self.transfer = self.gain * self.together(self.share * self.kernel)  # a·T

    def together(self, parts: np.ndarray) -> np.ndarray:
        """Sum over the four orders, each with the phase of the shift."""
        along = parts[0] + self.turn_x * parts[1]
        return self.phase * (along + self.turn_y * (parts[2] + self.turn_x * parts[3]))

    @cached_property
    def columns(self) -> np.ndarray:
        """∂(aT)/∂(every parameter)."""
        x, y = self.pair.orders.x, self.pair.orders.y
        bent, whole, total = self.share * self.bend, self.share * self.kernel, self.transfer / self.gain
        curve = np.stack([self.together(bent * part) for part in (x * x, y * y, 2 * (x * y))])
        moved = [-2j * np.pi * self.together(whole * part) for part in (x, y)]
        other = [self.together(whole * d) - total * (self.share * d).sum(axis=0) for d in self.share_bend]
        rows = [np.tensordot(self.chain, curve, 1), moved, [total / self.gain], other]
        return self.gain * np.concatenate(rows)

    @cached_property
    def noise(self) -> np.ndarray:
        """Density of the misfit from the noise of both pictures."""
        return self.pair.frame_sd**2 + self.pair.sharp_sd**2 * np.abs(self.transfer) ** 2

    @cached_property
    def density(self) -> np.ndarray:
        """V."""
        return self.noise + self.weights.folded

    @cached_property
    def scene_variance(self) -> np.ndarray:
        """Variance v of the best guess of the scene from both pictures."""
        return 1 / (1 / self.pair.sharp_sd**2 + np.abs(self.transfer) ** 2 / self.pair.frame_sd**2)

    @cached_property
    def weight(self) -> np.ndarray:
        """h/V, counted in pixels."""
        return self.pair.cells * self.weights.band / self.density

    @cached_property
    def misfit(self) -> np.ndarray:
        """D within the window."""
        return self.pair.frame - window_spectrum(self.pair, self.transfer * self.pair.sharp)

    @cached_property
    def surprise(self) -> np.ndarray:
        """The three of the folded shares less what was known of them."""
        return self.parameters[-N_FREE:] - self.weights.belief.mean

    @cached_property
    def value(self) -> float:
        """Half the sum of squares that a fit makes small."""
        known = self.surprise @ self.weights.belief.precision @ self.surprise
        return 0.5 * float(np.sum(self.weight * np.abs(self.misfit) ** 2) + known)

    @cached_property
    def gradient(self) -> np.ndarray:
        pair = self.pair
        relative = self.weight * np.abs(self.misfit) ** 2 / self.density
        pull = pair.cells * pair.sharp.conj() * window_spectrum(pair, self.weight / pair.cells * self.misfit)
        pull += pair.sharp_sd**2 * relative * self.transfer  # V changes as well
        flat = self.columns.reshape(len(self.columns), -1)
        slope = -(flat.real @ pull.real.ravel() + flat.imag @ pull.imag.ravel())
        slope[-N_FREE:] += self.weights.belief.precision @ self.surprise
        return slope

    @cached_property
    def hessian(self) -> np.ndarray:
        """Expected curvature."""
        return information(self, self.weight * self.pair.power * self.pair.n_pixels) + self.prior

    @cached_property
    def prior(self) -> np.ndarray:
        """Precision of what was known before."""
        whole = np.zeros((self.parameters.size, self.parameters.size))
        whole[-N_FREE:, -N_FREE:] = self.weights.belief.precision
        return whole


def information(point: Point, weight: np.ndarray) -> np.ndarray:
    """Sums of the products of all columns with a weight at every frequency."""
    flat = (point.columns * np.sqrt(weight)).reshape(len(point.columns), -1)
    return flat.real @ flat.real.T + flat.imag @ flat.imag.T


def weights_at(pair: Pair, parameters: np.ndarray, family: str, *, learn: bool) -> Weights:
    """Weights for a fit that starts at these parameters, with what their misfit says about the folded shares or not."""
    point = Point(pair, Weights(band=1.0, folded=0.0, belief=no_belief()), parameters, family)
    band = pair.power / (pair.power + point.scene_variance)
    turned = np.stack([np.ones_like(point.turn_y), np.full_like(point.turn_y, point.turn_x)])
    single = point.gain * point.kernel * point.phase * np.concatenate([turned, turned * point.turn_y])
    belief = no_belief()
    if learn:
        belief = learn_shares(
            pair.orders,
            parameters[-N_FREE:],
            single=single,
            power=pair.power,
            noise=point.noise,
            misfit=np.abs(point.misfit) ** 2 / pair.n_pixels,
            weight=pair.cells * band * pair.n_pixels,
        )
    share, _ = shares(pair.orders, belief.mean)
    spread = (share * np.abs(single) ** 2).sum(axis=0) - np.abs((share * single).sum(axis=0)) ** 2
    return Weights(band=band, folded=pair.power * np.maximum(spread, 0.0), belief=belief)


def settle_plainly(pair: Pair, start: np.ndarray, *, family: str) -> tuple[Point, bool]:
    """As `settle`, with the shares of folded frequencies held at what is usual."""
    point, held = start, nothing_folds_oddly()
    for tolerance in (_ROUGH, _FINE):
        weights = replace(weights_at(pair, point, family, learn=False), belief=held)
        found, ended = minimise(lambda p, w=weights: Point(pair, w, p, family), point, tolerance=tolerance)
        point = found.parameters
    return found, ended


def settle(pair: Pair, start: np.ndarray, *, family: str) -> tuple[Point, bool]:
    """Fit one family from a start, roughly and then with weights from what was found; whether the fit ended.

    A rough kernel of a large blur leaves a misfit that would pass for folded power: nothing is learned from it.
    """
    variances, _ = kernel_variances(start[: N_SHAPE[family]], family)
    weights = weights_at(pair, start, family, learn=variances.max() < SMALL_PX2)
    rough, _ = minimise(lambda p: Point(pair, weights, p, family), start, tolerance=_ROUGH)
    better = weights_at(pair, rough.parameters, family, learn=True)
    return minimise(lambda p: Point(pair, better, p, family), rough.parameters, tolerance=_FINE)
