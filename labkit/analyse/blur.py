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

from labkit.analyse._blur_alias import N_FREE, folds_oddly
from labkit.analyse._blur_errors import KernelFit, detection_errors, misfit_noise_sd, summarise
from labkit.analyse._blur_families import (
    Candidate,
    agreeing,
    candidate,
    fit_families,
    hull,
    open_downwards,
    ranked,
    undetected_extent,
    variance_matrix,
)
from labkit.analyse._blur_fit import SMALL_PX2, settle, settle_plainly
from labkit.analyse._blur_pair import Pair, first_guess, overlap, prepare, whole_shift
from labkit.analyse.burst import Burst, average_burst
from labkit.analyse.kernels import EXTENT_PER_SIGMA
from labkit.base import Estimate, check_choice, check_number

__all__ = ["UNDECIDED", "Blur", "Candidate", "measure_blur", "relative_variance"]

#: Family of a blur too small or too noisy to show its shape.
UNDECIDED = "not distinguishable"
_LARGEST_PX = 16.0  # extent up to which kernels are fitted
_MARGIN_PX, _REACH = 5, 0.6  # margin at the border, and beyond it that part of the extent, first guessed too small
_EVIDENCE = 6.0  # difference in BIC that decides between families ("strong", Kass & Raftery 1995, from memory)
_FOLDED_DOUBT = 5.0  # times more evidence where all scatter is that of folded frequencies, whose law is not exact
_SHAPE_ERROR = 0.025  # of σ, standard: vibration over part of a period, 48 pictures of the demo series
_OTHER_SHAPE = (
    "the kernel has another shape than the families (lopsided, for one): its size is doubtful; a vibration is seen in "
    "part of a period, or the picture also turned, changed its focus, or part of the scene changed"
)
_DETECT = 3.29  # standard errors of the variance: 5 % false alarms, 5 % misses (ISO 11843 idea, from memory)


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
    misfits tell them apart. All families are symmetric; the lopsided kernel of a fraction of a vibration period is
    only noted.

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

    Notes
    -----
    Found on photographs of 128 × 128 px with noise 2 of 255, family stated, frame anywhere within a pixel of the
    reference: through a lens (standard deviation 0.4 px) bias ≤ 0.02 px and scatter ≤ 0.03 px of the extent for 0.5 to
    4 px. Without any lens, fine detail folds back, and what folds looks like blur when the frame stands part of a pixel
    off: the same from 1 px up, but 0.03 px bias and 0.08 px scatter at 0.5 px, and a detection limit up to 1.7 times
    the bound. A stop down of the lens or a frame on the pixels of the reference cures it; a larger region does not.

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
    variance, odd = _variance_fit(bursts, noise)
    detected = _is_detected(variance)
    tried = [family] if family != "any" else list(EXTENT_PER_SIGMA)
    fits = fit_families(variance, tried if detected else ["gaussian"])
    fits = ranked(agreeing(fits, variance) if family == "any" else fits, inflation=variance.inflation)
    candidates = [candidate(fit, score=score, level=level) for score, fit in fits]
    best = fits[0][1]
    if folds_oddly(best.parameters[-N_FREE:]) or (odd and best.family == "gaussian"):
        notes.append(_OTHER_SHAPE)
    if best.family != "gaussian":
        candidates[0] = open_downwards(candidates[0], candidate(variance, score=math.nan, level=level))
    return _result(best, tuple(candidates), detected=detected, family=family, notes=notes, level=level)


def relative_variance(
    frame: np.ndarray,
    sharp: np.ndarray,
    *,
    family: str,
    region: tuple[int, int, int, int] | None = None,
    noise_sd: float | tuple[float, float] | None = None,
    level: float = 0.95,
) -> Estimate:
    """Signed variance [px²] of a kernel family between two pictures, negative when the frame is the sharper one.

    For averages over many pictures, which a value cut off at 0 would bias; along the blur for a smear or sinusoid,
    per axis for a disc. Parameters as in `measure_blur`.

    Examples
    --------
    >>> from scipy import ndimage
    >>> rng = np.random.default_rng(0)
    >>> scene = ndimage.gaussian_filter(rng.normal(0, 200, size=(96, 96)), 1.0)
    >>> pair = [scene + rng.normal(size=scene.shape) for _ in range(2)]
    >>> relative_variance(*pair, family="disc", noise_sd=1.0).interval.contains(0.0)
    True
    """
    check_choice("family", family, [name for name in EXTENT_PER_SIGMA if name != "gaussian"])
    bursts, _ = _read(frame, sharp, region, None)
    fit = fit_families(_variance_fit(bursts, _given_noise(bursts, noise_sd))[0], [family])[0]
    if not fit.converged:
        return Estimate.unknown(level=level)
    error = math.sqrt(fit.covariance[0, 0])
    return Estimate.from_standard_error(fit.parameters[0], error, dof=fit.dof, level=level)


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
def _variance_fit(bursts: tuple[Burst, Burst], noise: list[float]) -> tuple[KernelFit, bool]:
    """Gaussian with free variances, the start of everything and the test for any blur; whether its shape is odd."""
    frame, sharp = bursts[0].mean, bursts[1].mean
    known = all(math.isfinite(sd) for sd in noise)
    noise = noise if known else [_rough_noise(frame)] * 2
    shift = whole_shift(frame, sharp)
    start = first_guess(*overlap(frame, sharp, shift=shift)[:2], noise_sd=tuple(noise))
    for _ in range(1 if known else 2):
        widest = math.sqrt(12 * max(np.linalg.eigvalsh(variance_matrix(start)).max(), 0.0))
        margin = _MARGIN_PX + math.ceil(min(_REACH * widest, _LARGEST_PX / 2))
        pair = prepare(frame, sharp, shift=shift, margin=margin, noise_sd=tuple(noise))
        _check_scene(pair, *overlap(frame, sharp, shift=shift)[:2])
        point, converged = settle(pair, start, family="gaussian")
        odd = folds_oddly(point.parameters[-N_FREE:])
        if odd:
            point, converged = settle_plainly(pair, start, family="gaussian")
        start = point.parameters
        if not known:
            noise = [misfit_noise_sd(point)] * 2
    return summarise(point, converged), odd


def _rough_noise(picture: np.ndarray) -> float:
    """Upper guess of the noise: median of a difference operator that takes out planes."""
    d = picture[1:, 1:] - picture[1:, :-1] - picture[:-1, 1:] + picture[:-1, :-1]
    return max(float(np.median(np.abs(d))) / (2 * 0.6745), 1e-6 * float(np.ptp(picture)) + 1e-12)


def _check_scene(pair: Pair, window: np.ndarray, core: np.ndarray) -> None:
    if not np.any(pair.power[1:, 1:] > 0):
        raise ValueError(
            f"sharp shows no texture above its noise of {pair.sharp_sd:.3g}; blur cannot be measured; "
            "light the scene, choose a region with detail, or average a burst"
        )
    alike = float(np.corrcoef(window.ravel(), core.ravel())[0, 1])
    if not alike > 0.2:
        raise ValueError(
            f"frame and sharp correlate only {alike:.2f} at their best alignment; they must show the same scene; "
            "check the reference and the region"
        )


def _is_detected(variance: KernelFit) -> bool:
    z = variance.parameters[:2] / np.sqrt(np.diag(variance.covariance)[:2])
    return bool(z.max() > stats.norm.ppf(0.975))


# ----------------------------------------------------------------------------------------------------- result
def _result(
    best: KernelFit,
    candidates: tuple[Candidate, ...],
    *,
    detected: bool,
    family: str,
    notes: list[str],
    level: float,
) -> Blur:
    evidence = _EVIDENCE * (1 + _FOLDED_DOUBT * best.folded_part)
    open_ones = [c for c in candidates if c.score - candidates[0].score < evidence]
    decided = family != "any" or (detected and len(open_ones) == 1)
    spanned = open_ones if not decided else open_ones[:1]
    extent = hull([c.extent_px for c in spanned]) if detected else undetected_extent(candidates[0], family)
    sigma_x, sigma_y = hull([c.sigma_x_px for c in spanned]), hull([c.sigma_y_px for c in spanned])
    if family == "any":
        sigma_x, sigma_y = (_with_shape_error(sigma, level=level) for sigma in (sigma_x, sigma_y))
    if not best.converged:
        extent, sigma_x, sigma_y = (Estimate.unknown(e.value, level=level) for e in (extent, sigma_x, sigma_y))
    notes = notes + _notes(best, candidates[0], detected)
    pair, limits = best.point.pair, detection_errors(best.point)
    n, errors = best.n_shape, np.sqrt(np.diag(best.covariance))
    shift = [
        Estimate.from_standard_error(
            best.parameters[n + i] + pair.whole_shift[1 - i], errors[n + i], dof=best.dof, level=level
        )
        for i in (0, 1)
    ]
    return Blur(
        sigma_x_px=sigma_x,
        sigma_y_px=sigma_y,
        detected=detected,
        family=family if family != "any" else candidates[0].family if decided else UNDECIDED,
        extent_px=extent,
        direction_rad=float(candidates[0].direction_rad) if detected else math.nan,
        shift_x_px=shift[0],
        shift_y_px=shift[1],
        gain=Estimate.from_standard_error(best.parameters[n + 2], errors[n + 2], dof=best.dof, level=level),
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


def _with_shape_error(sigma: Estimate, *, level: float) -> Estimate:
    """An interval widened for kernels that are none of the families; a small blur has no shape to speak of."""
    if not (sigma.interval.known and sigma.value**2 > SMALL_PX2):
        return sigma
    extra = _SHAPE_ERROR * sigma.value
    reach = stats.norm.ppf(0.5 + level / 2) * extra
    low, high = sigma.interval.low, sigma.interval.high
    wider = replace(
        sigma.interval,
        low=max(sigma.value - math.hypot(sigma.value - low, reach), 0.0),
        high=sigma.value + math.hypot(high - sigma.value, reach),
    )
    return replace(sigma, standard_error=math.hypot(sigma.standard_error, extra), interval=wider)


def _notes(best: KernelFit, first: Candidate, detected: bool) -> list[str]:
    notes = []
    if best.residual_ratio > 2.0:
        notes.append(
            f"the misfit has {best.residual_ratio:.1f} times the power expected: light, focus or scene changed, or the "
            "noise is larger than stated"
        )
    if not best.converged:
        notes.append("the fit did not converge, so that how far it may be off is not known")
    widest = first.extent_px.value
    if detected and widest > _LARGEST_PX:
        notes.append(f"the extent of {widest:.1f} px is above the {_LARGEST_PX:g} px for which this method is made")
    return notes
