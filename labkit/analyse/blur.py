"""Blur of a frame relative to a sharp reference of the same scene, by reblurring the reference.

Works on 2-D grey-value arrays (or bursts of them). The reference need not be perfect: the result is the kernel that
turns the one picture into the other. Sub-pixel shift, gain and offset between the two are fitted along; the noise of
both is accounted for, so the stated intervals are those of the scatter from frame to frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from labkit.analyse._blur_fit import (
    KernelFit,
    Pair,
    fit_kernel,
    misfit_noise_sd,
    prepare,
    refit_kernel,
    variance_errors,
)
from labkit.analyse.burst import Burst, average_burst
from labkit.analyse.kernels import EXTENT_PER_SIGMA
from labkit.base import Estimate, Interval, check_choice, check_number

__all__ = ["UNDECIDED", "Blur", "Candidate", "measure_blur"]

#: Family of a blur too small or too noisy to show its shape.
UNDECIDED = "not distinguishable"
_LARGEST_PX = 16.0  # extent up to which kernels are fitted
_MARGIN_PX = 5  # beyond half the extent
_EVIDENCE = 6.0  # difference in BIC that decides between families ("strong", Kass & Raftery 1995, from memory)
_DETECT = 3.29  # standard errors of the variance: 5 % false alarms, 5 % misses (ISO 11843 idea, from memory)


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


@dataclass(frozen=True, kw_only=True)
class Blur:
    """Kernel of a frame relative to a sharp reference.

    Parameters
    ----------
    sigma_x_px, sigma_y_px : Estimate
        Standard deviation of the kernel along x (columns) and y (rows) [px]; 0 with an interval from 0 up when the
        frame is no less sharp than the reference.
    detected : bool
        True when the blur along x or y stands out of noise and folded frequencies.
    family : str
        "smear", "sinusoid", "disc", "gaussian" or "not distinguishable"; the stated family when one was given.
    extent_px : Estimate
        Full width: smear length, peak to peak, disc diameter, Gaussian full width at half maximum [px]. While the
        family is not distinguishable the interval spans the families that are not excluded.
    direction_rad : float
        Direction of the blur from x towards y [rad]; nan for a disc or when none was detected.
    shift_x_px, shift_y_px : Estimate
        Place of the frame against the reference [px].
    gain : Estimate
        Contrast of the frame over that of the reference.
    detection_limit_px : float
        Length of the smallest smear along x or y (the worse) that this pair shows with 95 % at 5 % false alarms [px].
    cramer_rao_px : float
        The same limit for an estimator that attains the Cramér–Rao bound of the kernel variance [px].
    frame_noise_sd, sharp_noise_sd : float
        Noise of the pictures as used, after averaging [grey].
    residual_ratio : float
        Power of the misfit over the one expected, 1 when noise explains everything.
    converged, trusted : bool
        Whether the fit ended; whether no note questions the result.
    notes : tuple of str
        What a reader must know before using it.
    candidates : tuple of Candidate
        Every family fitted, best first.
    """

    sigma_x_px: Estimate
    sigma_y_px: Estimate
    detected: bool
    family: str
    extent_px: Estimate
    direction_rad: float
    shift_x_px: Estimate
    shift_y_px: Estimate
    gain: Estimate
    detection_limit_px: float
    cramer_rao_px: float
    frame_noise_sd: float
    sharp_noise_sd: float
    residual_ratio: float
    converged: bool
    trusted: bool
    notes: tuple[str, ...]
    candidates: tuple[Candidate, ...]


def measure_blur(
    frame: np.ndarray,
    sharp: np.ndarray,
    *,
    region: tuple[int, int, int, int] | None = None,
    noise_sd: float | tuple[float, float] | None = None,
    family: str = "any",
    full_scale: float | None = None,
    level: float = 0.95,
) -> Blur:
    """Blur of a frame relative to a sharp reference of the same scene.

    The reference is reblurred with candidate kernels and the kernel found by maximum likelihood, both pictures noisy
    (errors in variables). All families agree on the variance of a small blur; the family is named only when the
    misfits tell them apart.

    Parameters
    ----------
    frame : array_like, shape (rows, columns) or (n, rows, columns)
        The blurred picture, or a burst of it that is averaged [grey].
    sharp : array_like, shape (rows, columns) or (n, rows, columns)
        The reference, or a burst of it [grey].
    region : (int, int, int, int), optional
        First row, first column, height, width of the part to use [px]; by default everything.
    noise_sd : float or (float, float), optional
        Noise of a single picture (frame, reference) [grey]. By default it comes from the scatter of the bursts, or
        else from the misfit on the assumption that both have the same (one camera, same settings).
    family : str
        "any", or the family that is known to apply.
    full_scale : float, optional
        Grey value at which the camera saturates; by default the largest value of an integer type.
    level : float
        Coverage of the intervals.

    Raises
    ------
    ValueError
        For pictures of different size, colour, saturation of more than 2 %, no texture, or different scenes.

    Examples
    --------
    >>> from scipy import ndimage
    >>> rng = np.random.default_rng(0)
    >>> scene = ndimage.gaussian_filter(rng.normal(0, 200, size=(96, 96)), 1.0)
    >>> frame = ndimage.gaussian_filter1d(scene, 0.8, axis=1)
    >>> blur = measure_blur(frame + rng.normal(size=scene.shape), scene + rng.normal(size=scene.shape), noise_sd=1.0)
    >>> round(blur.sigma_x_px.value, 1), blur.sigma_x_px.interval.contains(0.8), blur.detected
    (0.8, True, True)
    """
    check_choice("family", family, ["any", *EXTENT_PER_SIGMA])
    check_number("level", level, above=0.0, below=1.0)
    bursts, notes = _read(frame, sharp, region, full_scale)
    noise = _given_noise(bursts, noise_sd)
    pair, variance = _variance_fit(bursts, noise)
    _check_scene(pair, bursts)
    detected = _is_detected(variance)
    limits = variance_errors(pair, variance.parameters)
    tried = [family] if family != "any" else list(EXTENT_PER_SIGMA)
    fits = _fit_families(pair, variance, tried if detected else ["gaussian"])
    candidates = [_candidate(fit, score=_score(fit), level=level) for fit in fits]
    best = fits[0]
    if best.family != "gaussian":  # the weights were those of the Gaussian
        pair, best = fit_kernel(pair, best.parameters, family=best.family, rounds=1)
        candidates[0] = _candidate(best, score=candidates[0].score, level=level)
        candidates[0] = _open_downwards(candidates[0], _candidate(variance, score=math.nan, level=level))
    return _result(
        pair, best, tuple(candidates), detected=detected, family=family, limits=limits, notes=notes, level=level
    )


# ----------------------------------------------------------------------------------------------------- input
def _read(
    frame: np.ndarray, sharp: np.ndarray, region: tuple[int, int, int, int] | None, full_scale: float | None
) -> tuple[tuple[Burst, Burst], list[str]]:
    bursts = tuple(
        average_burst(picture, name=name, region=region, full_scale=full_scale)
        for name, picture in (("frame", frame), ("sharp", sharp))
    )
    if bursts[0].mean.shape != bursts[1].mean.shape:
        raise ValueError(
            f"frame is {_size(bursts[0].mean)} px and sharp {_size(bursts[1].mean)} px; they must have the same size; "
            "cut both to the same part of the sensor, without rescaling"
        )
    return bursts, [note for burst in bursts for note in burst.notes]


def _size(picture: np.ndarray) -> str:
    return f"{picture.shape[1]} × {picture.shape[0]}"


def _given_noise(bursts: tuple[Burst, Burst], noise_sd: float | tuple[float, float] | None) -> list[float]:
    """Noise of the two averages, nan where nothing tells it."""
    if noise_sd is None:
        single = [burst.single_sd for burst in bursts]
        known = [sd for sd in single if math.isfinite(sd)]
        single = [sd if math.isfinite(sd) else (known[0] if known else math.nan) for sd in single]
    else:
        single = np.broadcast_to(np.asarray(noise_sd, dtype=float), 2).tolist()
        single = [check_number("noise_sd", sd, above=0.0) for sd in single]
    return [sd / math.sqrt(burst.count) for sd, burst in zip(single, bursts)]


# ------------------------------------------------------------------------------------------------------- fits
def _variance_fit(bursts: tuple[Burst, Burst], noise: list[float]) -> tuple[Pair, KernelFit]:
    """Gaussian with free variances: the start of everything, and the test for any blur at all."""
    frame, sharp = bursts[0].mean, bursts[1].mean
    known = all(math.isfinite(sd) for sd in noise)
    ratio = [1 / math.sqrt(burst.count) for burst in bursts]
    noise = noise if known else [_rough_noise(frame) * r for r in ratio]
    start, margin = np.array([0.3, 0.3, 0, 0, 0, _gain(frame, sharp), 0, 0]), 12
    for rounds in (1, 2) if known else (1, 1, 2):
        pair = prepare(frame, sharp, margin=margin, noise_sd=tuple(noise))
        pair, fit = fit_kernel(pair, start, family="gaussian", rounds=rounds)
        start = fit.parameters
        widest = math.sqrt(12 * max(np.linalg.eigvalsh(_matrix(fit)).max(), 0.0))
        margin = _MARGIN_PX + math.ceil(min(widest, _LARGEST_PX) / 2)
        if not known:
            common = misfit_noise_sd(pair, fit.parameters, family="gaussian")
            noise = [common * r for r in ratio]
    return pair, fit


def _rough_noise(picture: np.ndarray) -> float:
    """Upper guess of the noise: median of a difference operator that takes out planes."""
    d = picture[1:, 1:] - picture[1:, :-1] - picture[:-1, 1:] + picture[:-1, :-1]
    return max(float(np.median(np.abs(d))) / (2 * 0.6745), 1e-6 * float(np.ptp(picture)) + 1e-12)


def _gain(frame: np.ndarray, sharp: np.ndarray) -> float:
    return float(np.clip(frame.std() / max(sharp.std(), 1e-12), 0.1, 10.0))


def _matrix(fit: KernelFit) -> np.ndarray:
    c_xx, c_yy, c_xy = fit.parameters[:3]
    return np.array([[c_xx, c_xy], [c_xy, c_yy]])


def _check_scene(pair: Pair, bursts: tuple[Burst, Burst]) -> None:
    if not np.any(pair.power[1:, 1:] > 0):
        raise ValueError(
            f"sharp shows no texture above its noise of {pair.sharp_sd:.3g}; blur cannot be measured; "
            "light the scene, choose a region with detail, or average a burst"
        )
    dy, dx = pair.whole_shift
    a = bursts[0].mean[max(dy, 0) : _end(dy), max(dx, 0) : _end(dx)]
    b = bursts[1].mean[max(-dy, 0) : _end(-dy), max(-dx, 0) : _end(-dx)]
    alike = float(np.corrcoef(a.ravel(), b.ravel())[0, 1])
    if not alike > 0.3:
        raise ValueError(
            f"frame and sharp correlate only {alike:.2f} at their best alignment; they must show the same scene; "
            "check the reference and the region"
        )


def _end(shift: int) -> int | None:
    """End of the slice that leaves out `−shift` elements at the end."""
    return shift if shift < 0 else None


def _is_detected(variance: KernelFit) -> bool:
    z = variance.parameters[:2] / np.sqrt(np.diag(variance.covariance)[:2])
    return bool(z.max() > stats.norm.ppf(0.975))


def _fit_families(pair: Pair, variance: KernelFit, families: list[str]) -> list[KernelFit]:
    """Every family with the same weights, best first by misfit and number of shapes."""
    fits = []
    for family in families:
        if family == "gaussian":
            fits.append(variance)
            continue
        trials = [refit_kernel(pair, start, family=family) for start in _starts(variance, family)]
        fits.append(min(trials, key=lambda fit: fit.misfit))
    return sorted(fits, key=_score)


def _starts(variance: KernelFit, family: str) -> list[np.ndarray]:
    size, axes = np.linalg.eigh(_matrix(variance))
    rest = variance.parameters[3:]
    if family == "disc":
        return [np.concatenate([[max(size.mean(), 0.02)], rest])]
    angle = math.atan(axes[1, 1] / axes[0, 1]) if axes[0, 1] else math.pi / 2
    factors = (1.0,) if size[1] < 0.3 else (1.0, 1.3)
    return [np.concatenate([[max(size[1], 0.02) * factor, angle], rest]) for factor in factors]


def _score(fit: KernelFit) -> float:
    return fit.misfit / max(fit.residual_ratio, 1.0) + fit.n_shape * math.log(max(fit.n_blocks, 2) * 144)


# ----------------------------------------------------------------------------------------------------- result
def _result(
    pair: Pair,
    best: KernelFit,
    candidates: tuple[Candidate, ...],
    *,
    detected: bool,
    family: str,
    limits: tuple[np.ndarray, np.ndarray],
    notes: list[str],
    level: float,
) -> Blur:
    open_ones = [c for c in candidates if c.score - candidates[0].score < _EVIDENCE]
    decided = family != "any" or (detected and len(open_ones) == 1)
    spanned = open_ones if not decided else open_ones[:1]
    extent = _hull([c.extent_px for c in spanned]) if detected else _undetected_extent(candidates[0], family)
    notes = notes + _notes(best, candidates[0], detected)
    n, errors = best.n_shape, np.sqrt(np.diag(best.covariance))
    shift = [
        Estimate.from_standard_error(
            best.parameters[n + i] + pair.whole_shift[1 - i], errors[n + i], dof=best.n_blocks - 1, level=level
        )
        for i in (0, 1)
    ]
    return Blur(
        sigma_x_px=_hull([c.sigma_x_px for c in spanned]),
        sigma_y_px=_hull([c.sigma_y_px for c in spanned]),
        detected=detected,
        family=family if family != "any" else candidates[0].family if decided else UNDECIDED,
        extent_px=extent,
        direction_rad=float(candidates[0].direction_rad) if detected else math.nan,
        shift_x_px=shift[0],
        shift_y_px=shift[1],
        gain=Estimate.from_standard_error(best.parameters[n + 2], errors[n + 2], dof=best.n_blocks - 1, level=level),
        detection_limit_px=math.sqrt(12 * _DETECT * max(limits[0][:2])),
        cramer_rao_px=math.sqrt(12 * _DETECT * max(limits[1][:2])),
        frame_noise_sd=pair.frame_sd,
        sharp_noise_sd=pair.sharp_sd,
        residual_ratio=best.residual_ratio,
        converged=best.converged,
        trusted=not notes,
        notes=tuple(notes),
        candidates=candidates,
    )


def _notes(best: KernelFit, first: Candidate, detected: bool) -> list[str]:
    notes = []
    if best.residual_ratio > 2.0:
        notes.append(
            f"the misfit has {best.residual_ratio:.1f} times the power expected: light, focus or scene changed, or the "
            "noise is larger than stated"
        )
    if not best.converged:
        notes.append("the fit did not converge")
    widest = first.extent_px.value
    if detected and widest > _LARGEST_PX:
        notes.append(f"the extent of {widest:.1f} px is above the {_LARGEST_PX:g} px for which this method is made")
    return notes


def _candidate(fit: KernelFit, *, score: float, level: float) -> Candidate:
    make = _candidate_line if fit.family in ("smear", "sinusoid") else _candidate_area
    return make(fit, score, level)


def _open_downwards(line: Candidate, free: Candidate) -> Candidate:
    """Let σ of a smear or sinusoid reach down to 0 along an axis where the free variances do."""
    opened = {}
    for name in ("sigma_x_px", "sigma_y_px"):
        own, other = getattr(line, name), getattr(free, name)
        if other.interval.low == 0:
            opened[name] = replace(own, interval=replace(own.interval, low=0.0))
    return replace(line, **opened)


def _candidate_area(fit: KernelFit, score: float, level: float) -> Candidate:
    """Disc and Gaussian: variances are the parameters."""
    dof, covariance = fit.n_blocks - 1, fit.covariance
    if fit.family == "disc":
        variances, errors, angle = [fit.parameters[0]] * 3, [math.sqrt(covariance[0, 0])] * 3, math.nan
    else:
        size, axes = np.linalg.eigh(_matrix(fit))
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
    dof, covariance = fit.n_blocks - 1, fit.covariance[:2, :2]
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


def _undetected_extent(gaussian: Candidate, family: str) -> Estimate:
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


def _hull(estimates: list[Estimate]) -> Estimate:
    """The first estimate with an interval over all of them."""
    first, low = estimates[0], min(e.interval.low for e in estimates)
    high = max(e.interval.high for e in estimates)
    wider = (high - low) / max(2 * first.interval.half_width, 1e-300)
    return Estimate(
        value=first.value,
        standard_error=first.standard_error * max(wider, 1.0),
        interval=Interval(low=low, high=high, level=first.interval.level),
    )
