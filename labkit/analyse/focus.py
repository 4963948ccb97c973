"""Through-focus stack: best focus, blur per metre of defocus and depth of field, from the blur of every picture.

Each picture is measured against the sharpest of the stack. Near focus the diameter of the blur disc grows in
proportion to the distance from the best plane, c = κ·|z − z0|, so its variance c²/16 is a parabola in z; relative to
the reference, which is a little out of focus itself, the parabola is only shifted. Its vertex and curvature do not
suffer from the reference.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from labkit.analyse.blur import relative_variance
from labkit.analyse.burst import average_burst
from labkit.base import Estimate, check_array, check_number

__all__ = ["FocusCurve", "focus_curve"]

_LARGEST_PX = 12.0  # disc diameter up to which a picture enters the parabola
_FEWEST = 4


@dataclass(frozen=True, eq=False, kw_only=True)
class FocusCurve:
    """Blur through focus.

    Parameters
    ----------
    z_m : ndarray
        Places of the pictures, as given [m].
    disc_px : ndarray
        Diameter of the blur disc at every place by the fitted parabola [px].
    variance_px2, variance_error_px2 : ndarray
        Measured variance of the kernel per axis relative to the reference, and its standard error [px²]; nan where
        the picture could not be compared.
    used : ndarray of bool
        Pictures that entered the parabola.
    reference : int
        Index of the sharpest picture.
    best_z_m : Estimate
        Place of best focus [m].
    disc_px_per_m : Estimate
        κ, growth of the disc per metre of defocus [px/m].
    depth_of_field_m : Estimate
        Whole range of z within which the disc stays below `blur_limit_px` [m].
    blur_limit_px : float
        The limit used [px].
    residual_ratio : float
        χ² per degree of freedom of the parabola, 1 when the errors explain the scatter; larger ratios widen the
        intervals.
    """

    z_m: np.ndarray
    disc_px: np.ndarray
    variance_px2: np.ndarray
    variance_error_px2: np.ndarray
    used: np.ndarray
    reference: int
    best_z_m: Estimate
    disc_px_per_m: Estimate
    depth_of_field_m: Estimate
    blur_limit_px: float
    residual_ratio: float

    @property
    def measured_disc_px(self) -> np.ndarray:
        """Diameter of the blur disc of every picture as measured, that of the reference by the parabola added [px]."""
        square = 16 * self.variance_px2 + self.disc_px[self.reference] ** 2
        return np.sqrt(np.maximum(square, 0.0))


def focus_curve(
    stack: Sequence[np.ndarray] | np.ndarray,
    *,
    z_m: Sequence[float],
    blur_limit_px: float,
    noise_sd: float | None = None,
    region: tuple[int, int, int, int] | None = None,
    level: float = 0.95,
    progress: Callable[[int], object] | None = None,
) -> FocusCurve:
    """Best focus and depth of field from a stack of pictures of one flat, textured target.

    Parameters
    ----------
    stack : sequence of array_like
        One picture (rows, columns) or burst (n, rows, columns) for every place [grey].
    z_m : sequence of float
        Height of the target or camera for every picture, any origin [m].
    blur_limit_px : float
        Largest disc diameter that the application bears [px].
    noise_sd : float, optional
        Noise of a single picture [grey]; estimated when left out.
    region : (int, int, int, int), optional
        First row, first column, height, width of the part to use [px].
    level : float
        Coverage of the intervals.
    progress : callable, optional
        Called with the number of pictures measured after each.

    Raises
    ------
    ValueError
        For fewer than four usable pictures, or a stack that does not reach beyond best focus on both sides.

    Examples
    --------
    >>> from scipy import ndimage
    >>> scene = ndimage.gaussian_filter(np.random.default_rng(3).normal(0, 300, (96, 96)), 1.0)
    >>> z_m = np.linspace(-4e-4, 4e-4, 9)
    >>> stack = [ndimage.gaussian_filter(scene, abs(z - 5e-5) * 2000) for z in z_m]
    >>> stack = [p + np.random.default_rng(i).normal(size=p.shape) for i, p in enumerate(stack)]
    >>> curve = focus_curve(stack, z_m=z_m, blur_limit_px=2.0, noise_sd=1.0)
    >>> abs(curve.best_z_m.value - 5e-5) < 1e-5
    True
    """
    z = check_array("z_m", z_m, ndim=1)
    check_number("blur_limit_px", blur_limit_px, above=0.0)
    if len(stack) != z.size:
        raise ValueError(f"stack holds {len(stack)} pictures and z_m {z.size} places; give one place a picture")
    if np.unique(z).size < _FEWEST:
        raise ValueError(f"z_m holds {np.unique(z).size} different place(s); at least {_FEWEST} are needed")
    pictures = [average_burst(p, name=f"picture {i}", region=region) for i, p in enumerate(stack)]
    reference = int(np.argmax([_sharpness(burst.mean) for burst in pictures]))
    variance, error = _variances(stack, reference, noise_sd=noise_sd, region=region, progress=progress)
    used = np.isfinite(variance) & (variance < (_LARGEST_PX / 4) ** 2)
    used[reference] = False
    fit = _parabola(z, variance, error, used)
    return _result(z, variance, error, used, reference, fit, blur_limit_px=float(blur_limit_px), level=level)


def _sharpness(picture: np.ndarray) -> float:
    """Power of the differences of neighbours; noise adds the same to every picture."""
    return float(np.mean(np.diff(picture, axis=0) ** 2) + np.mean(np.diff(picture, axis=1) ** 2))


def _variances(
    stack: Sequence[np.ndarray],
    reference: int,
    *,
    noise_sd: float | None,
    region: tuple[int, int, int, int] | None,
    progress: Callable[[int], object] | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Variance of the disc between every picture and the reference, nan for the reference and where it fails."""
    variance, error = np.full(len(stack), math.nan), np.full(len(stack), math.nan)
    for i, picture in enumerate(stack):
        if progress:
            progress(i + 1)
        if i == reference:
            continue
        found = relative_variance(picture, stack[reference], region=region, noise_sd=noise_sd, family="disc")
        if np.isfinite(found.standard_error) and found.standard_error > 0:
            variance[i], error[i] = found.value, found.standard_error
    return variance, error


@dataclass(frozen=True, eq=False, kw_only=True)
class _Parabola:
    origin_m: float
    scale_m: float
    coefficients: np.ndarray  # of 1, u, u² with u = (z − origin)/scale
    covariance: np.ndarray
    residual_ratio: float
    dof: int


def _parabola(z: np.ndarray, variance: np.ndarray, error: np.ndarray, used: np.ndarray) -> _Parabola:
    """Weighted parabola through the variances, errors scaled up when they do not explain the scatter."""
    if used.sum() < _FEWEST:
        raise ValueError(
            f"only {used.sum()} pictures beside the sharpest can be compared with it (disc below {_LARGEST_PX:g} px); "
            f"at least {_FEWEST} are needed; scan in finer steps around best focus"
        )
    origin, scale = float(z[used].mean()), float(np.ptp(z[used]) / 2)
    u = (z[used] - origin) / scale
    design = np.stack([np.ones_like(u), u, u * u], axis=1) / error[used][:, None]
    coefficients, *_ = np.linalg.lstsq(design, variance[used] / error[used], rcond=None)
    residual = variance[used] / error[used] - design @ coefficients
    dof = int(used.sum()) - 3
    ratio = float(residual @ residual) / dof
    covariance = np.linalg.inv(design.T @ design) * max(ratio, 1.0)
    return _Parabola(
        origin_m=origin,
        scale_m=scale,
        coefficients=coefficients,
        covariance=covariance,
        residual_ratio=ratio,
        dof=dof,
    )


def _result(
    z: np.ndarray,
    variance: np.ndarray,
    error: np.ndarray,
    used: np.ndarray,
    reference: int,
    fit: _Parabola,
    *,
    blur_limit_px: float,
    level: float,
) -> FocusCurve:
    _, b, c = fit.coefficients
    vertex = -b / (2 * c) if c > 0 else math.inf
    best = fit.origin_m + fit.scale_m * vertex
    if not z[used].min() < best < z[used].max():
        raise ValueError(
            "the stack does not enclose best focus (its blur has no minimum inside); scan further on the sharper side"
        )
    grow = 4 * math.sqrt(c) / fit.scale_m
    slopes = {
        "best": fit.scale_m * np.array([0.0, -1 / (2 * c), b / (2 * c * c)]),
        "grow": grow * np.array([0.0, 0.0, 1 / (2 * c)]),
        "depth": -2 * blur_limit_px / grow * np.array([0.0, 0.0, 1 / (2 * c)]),
    }
    values = {"best": best, "grow": grow, "depth": 2 * blur_limit_px / grow}
    estimates = {
        name: Estimate.from_standard_error(
            values[name], math.sqrt(slope @ fit.covariance @ slope), dof=fit.dof, level=level
        )
        for name, slope in slopes.items()
    }
    return FocusCurve(
        z_m=z,
        disc_px=grow * np.abs(z - best),
        variance_px2=variance,
        variance_error_px2=error,
        used=used,
        reference=reference,
        best_z_m=estimates["best"],
        disc_px_per_m=estimates["grow"],
        depth_of_field_m=estimates["depth"],
        blur_limit_px=blur_limit_px,
        residual_ratio=fit.residual_ratio,
    )
