"""Kernel families fitted to a pair and what each says about extent and standard deviations."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from labkit.analyse._blur_alias import N_FREE, folds_oddly
from labkit.analyse._blur_errors import KernelFit, summarise
from labkit.analyse._blur_fit import SMALL_PX2, Point, kernel_variances, settle, weights_at
from labkit.analyse.kernels import EXTENT_PER_SIGMA
from labkit.base import Estimate, Interval

__all__ = [
    "Candidate",
    "agreeing",
    "candidate",
    "fit_families",
    "hull",
    "open_downwards",
    "ranked",
    "undetected_extent",
    "variance_matrix",
]

_FACTORS = 0.45, 0.7, 1.0, 1.4, 2.0, 2.8  # of the variance of the Gaussian, tried as starts
_EXPLAINED = 2.0  # power of the misfit over the one expected, below which a family explains the picture
_APART = 2.0  # factor of the variance within which a family must agree with the Gaussian


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One kernel family fitted to the pair.

    Parameters
    ----------
    family : str
        "smear", "sinusoid", "disc" or "gaussian".
    extent_px : Estimate
        Full width of the kernel, see `EXTENT_PER_SIGMA` [px].
    sigma_x_px, sigma_y_px : Estimate
        Standard deviation along x (columns) and y (rows) [px].
    direction_rad : float
        Direction of the blur from x towards y, −π/2…π/2 [rad]; nan for a disc.
    score : float
        Misfit with the penalty for free shapes (BIC); smaller is better, differences below 6 decide nothing.
    """

    family: str
    extent_px: Estimate
    sigma_x_px: Estimate
    sigma_y_px: Estimate
    direction_rad: float
    score: float


def fit_families(variance: KernelFit, families: list[str]) -> list[KernelFit]:
    """Every family, the Gaussian as it is and the others from its variances."""
    return [variance if family == "gaussian" else _fit_family(variance.point, family) for family in families]


def _fit_family(variance: Point, family: str) -> KernelFit:
    starts = _starts(variance.parameters, family)
    weights = weights_at(variance.pair, variance.parameters, "gaussian", learn=False)
    start = min(starts, key=lambda start: Point(variance.pair, weights, start, family).value)
    return summarise(*settle(variance.pair, start, family=family))


def _starts(gaussian: np.ndarray, family: str) -> list[np.ndarray]:
    """The shape with the variances of the Gaussian; for a large blur other sizes, since zeros of a transfer hide it."""
    size, axes = np.linalg.eigh(variance_matrix(gaussian))
    angle = [] if family == "disc" else [math.atan(axes[1, 1] / axes[0, 1]) if axes[0, 1] else math.pi / 2]
    largest = max(size.mean() if family == "disc" else size[1], 0.02)
    if largest < SMALL_PX2:
        return [np.concatenate([[largest], angle, gaussian[3:]])]
    return [np.concatenate([[factor * largest], angle, gaussian[3:6], np.zeros(N_FREE)]) for factor in _FACTORS]


def agreeing(fits: list[KernelFit], variance: KernelFit) -> list[KernelFit]:
    """Fits whose kernel has about the variance that the free Gaussian finds; the Gaussian alone when there is none.

    Every kernel bends its transfer by its variance at low frequencies, whatever its shape. A family that explains a
    lopsided kernel by folded frequencies instead ends far from it, or with more of them than a picture has: then one
    that explains the picture without goes first.
    """
    size = float(np.trace(variance_matrix(variance.parameters)))
    if size < SMALL_PX2:
        return fits
    plain = [fit for fit in fits if not folds_oddly(fit.parameters[-N_FREE:]) and fit.residual_ratio < _EXPLAINED]
    fits = plain or fits
    found = [(float(kernel_variances(fit.parameters[: fit.n_shape], fit.family)[0][:2].sum()), fit) for fit in fits]
    return [fit for own, fit in found if size / _APART < own < size * _APART] or [variance]


def ranked(fits: list[KernelFit], *, inflation: float) -> list[tuple[float, KernelFit]]:
    """Fits that ended (if any), best first by likelihood, scaled to the scatter over the picture, and shapes."""
    fits = [fit for fit in fits if fit.converged] or fits
    scale = inflation * max(1.0, min(fit.residual_ratio for fit in fits))
    scored = [(fit.misfit / scale + fit.n_shape * math.log(fit.point.pair.n_pixels), fit) for fit in fits]
    return sorted(scored, key=lambda pair: pair[0])


def variance_matrix(parameters: np.ndarray) -> np.ndarray:
    """Matrix of the variances with which parameters of a Gaussian begin."""
    c_xx, c_yy, c_xy = parameters[:3]
    return np.array([[c_xx, c_xy], [c_xy, c_yy]])


def candidate(fit: KernelFit, *, score: float, level: float) -> Candidate:
    make = _candidate_line if fit.family in ("smear", "sinusoid") else _candidate_area
    return make(fit, score, level)


def open_downwards(line: Candidate, free: Candidate) -> Candidate:
    """Let σ of a smear or sinusoid reach down to 0 along an axis where the free variances do."""
    opened = {}
    for name in ("sigma_x_px", "sigma_y_px"):
        own, other = getattr(line, name), getattr(free, name)
        if other.interval.low == 0:
            opened[name] = replace(own, interval=replace(own.interval, low=0.0))
    return replace(line, **opened)


def _candidate_area(fit: KernelFit, score: float, level: float) -> Candidate:
    """Disc and Gaussian: variances are the parameters."""
    dof, covariance = fit.dof, fit.covariance
    if fit.family == "disc":
        variances, errors, angle = [fit.parameters[0]] * 3, [math.sqrt(covariance[0, 0])] * 3, math.nan
    else:
        size, axes = np.linalg.eigh(variance_matrix(fit.parameters))
        u, v = axes[:, 1]
        slope = np.array([u * u, v * v, 2 * u * v])
        variances = [size[1], *fit.parameters[:2]]
        errors = [math.sqrt(slope @ covariance[:3, :3] @ slope), *np.sqrt(np.diag(covariance)[:2])]
        angle = math.atan(v / u) if u else math.pi / 2
    factors = [EXTENT_PER_SIGMA[fit.family], 1.0, 1.0]
    extent, sigma_x, sigma_y = (
        _root(q, error, factor, dof=dof, level=level) for q, error, factor in zip(variances, errors, factors)
    )
    return Candidate(
        family=fit.family,
        extent_px=extent,
        sigma_x_px=sigma_x,
        sigma_y_px=sigma_y,
        direction_rad=angle,
        score=score,
    )


def _candidate_line(fit: KernelFit, score: float, level: float) -> Candidate:
    """Smear and sinusoid: variance along a direction; across it the kernel is a line."""
    q, angle = fit.parameters[:2]
    angle = (angle + math.pi / 2) % math.pi - math.pi / 2
    dof, covariance = fit.dof, fit.covariance[:2, :2]
    along = _root(q, math.sqrt(covariance[0, 0]), 1.0, dof=dof, level=level)
    parts = []
    for part, turn in ((math.cos(angle), -math.sin(angle)), (math.sin(angle), math.cos(angle))):
        if q <= 0:
            parts.append(_scaled(along, abs(part)))
            continue
        slope = np.array([part / (2 * math.sqrt(q)), math.sqrt(q) * turn])
        parts.append(_folded(math.sqrt(q) * part, math.sqrt(slope @ covariance @ slope), dof=dof, level=level))
    return Candidate(
        family=fit.family,
        extent_px=_scaled(along, EXTENT_PER_SIGMA[fit.family]),
        sigma_x_px=parts[0],
        sigma_y_px=parts[1],
        direction_rad=angle,
        score=score,
    )


def _root(variance: float, error: float, factor: float, *, dof: float, level: float) -> Estimate:
    """Estimate of factor·√variance; the interval is that of the variance, which may be negative by noise."""
    plain = Estimate.from_standard_error(variance, error, dof=dof, level=level).interval
    low, high = (factor * math.sqrt(max(end, 0.0)) for end in (plain.low, plain.high))
    quantile = plain.half_width / error
    return Estimate(
        value=factor * math.sqrt(max(variance, 0.0)),
        standard_error=(high - low) / (2 * quantile),
        interval=Interval(low=low, high=high, level=level),
    )


def _folded(value: float, error: float, *, dof: float, level: float) -> Estimate:
    """Estimate of |value|, whose interval never reaches below 0."""
    plain = Estimate.from_standard_error(abs(value), error, dof=dof, level=level)
    low, high = max(plain.interval.low, 0.0), plain.interval.high
    return Estimate(value=plain.value, standard_error=error, interval=Interval(low=low, high=high, level=level))


def undetected_extent(gaussian: Candidate, family: str) -> Estimate:
    """Extent from 0 to what the larger variance still allows, in the widest family that may apply."""
    factor = max(EXTENT_PER_SIGMA.values()) if family == "any" else EXTENT_PER_SIGMA[family]
    sigma = max(gaussian.sigma_x_px, gaussian.sigma_y_px, key=lambda e: e.interval.high)
    scaled = _scaled(sigma, factor)
    span = Interval(low=0.0, high=scaled.interval.high, level=scaled.interval.level)
    return Estimate(value=scaled.value, standard_error=scaled.standard_error, interval=span)


def _scaled(estimate: Estimate, factor: float) -> Estimate:
    span = estimate.interval
    return Estimate(
        value=factor * estimate.value,
        standard_error=factor * estimate.standard_error,
        interval=Interval(low=factor * span.low, high=factor * span.high, level=span.level),
    )


def hull(estimates: list[Estimate]) -> Estimate:
    """The first estimate with an interval over all of them."""
    first, low = estimates[0], min(e.interval.low for e in estimates)
    high = max(e.interval.high for e in estimates)
    wider = (high - low) / max(2 * first.interval.half_width, 1e-300)
    return Estimate(
        value=first.value,
        standard_error=first.standard_error * max(wider, 1.0),
        interval=Interval(low=low, high=high, level=first.interval.level),
    )
