"""Average a burst of pictures of one scene, with its noise and a warning when the scene moved."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labkit.base import check_array

__all__ = ["Burst", "average_burst"]

_SATURATED = 0.001, 0.02  # share of pixels at full scale that is noted, and refused
_SMALLEST_PX = 32


@dataclass(frozen=True, eq=False, kw_only=True)
class Burst:
    """Average of a burst.

    Parameters
    ----------
    mean : ndarray, shape (rows, columns)
        Average [grey].
    count : int
        Pictures averaged.
    single_sd : float
        Noise of a single picture from the scatter within the burst, brightness and small shifts taken out [grey];
        nan for a single picture.
    motion_px : float
        Root mean square of the shifts within the burst, worse axis [px]; the average is blurred by it. nan for a
        single picture.
    notes : tuple of str
        Saturation and motion worth knowing.
    """

    mean: np.ndarray
    count: int
    single_sd: float
    motion_px: float
    notes: tuple[str, ...]


def average_burst(
    pictures: np.ndarray,
    *,
    name: str = "pictures",
    region: tuple[int, int, int, int] | None = None,
    full_scale: float | None = None,
) -> Burst:
    """Average of one or more pictures of the same scene.

    Parameters
    ----------
    pictures : array_like, shape (rows, columns) or (n, rows, columns)
        Grey values.
    name : str
        Name for error messages.
    region : (int, int, int, int), optional
        First row, first column, height, width of the part to use [px].
    full_scale : float, optional
        Grey value at which the camera saturates; by default the largest value of an integer type.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> stack = np.arange(64.0) + np.zeros((8, 64, 1)) + rng.normal(0, 2, (8, 64, 64))
    >>> burst = average_burst(stack)
    >>> burst.count, round(burst.single_sd, 1)
    (8, 2.0)
    """
    raw = np.asarray(pictures)
    if full_scale is None and np.issubdtype(raw.dtype, np.integer):
        full_scale = np.iinfo(raw.dtype).max
    if raw.ndim == 3 and raw.shape[-1] in (3, 4):
        raise ValueError(f"{name} has shape {raw.shape}, which is a colour picture; give its luma, one value a pixel")
    stack = check_array(name, raw[None] if raw.ndim == 2 else raw, ndim=3)
    stack = _cut(stack, name=name, region=region)
    mean = stack.mean(axis=0)
    notes = _saturation(stack, name=name, full_scale=full_scale)
    if len(stack) == 1:
        return Burst(mean=mean, count=1, single_sd=math.nan, motion_px=math.nan, notes=tuple(notes))
    single_sd, motion_px = _scatter(stack, mean)
    if motion_px > 0.05:
        notes.append(f"{name} moves by {motion_px:.2f} px rms within the burst, which blurs its average by as much")
    return Burst(mean=mean, count=len(stack), single_sd=single_sd, motion_px=motion_px, notes=tuple(notes))


def _cut(stack: np.ndarray, *, name: str, region: tuple[int, int, int, int] | None) -> np.ndarray:
    rows, columns = stack.shape[1:]
    if region is not None:
        top, left, height, width = (int(part) for part in region)
        if min(top, left) < 0 or min(height, width) < 1 or top + height > rows or left + width > columns:
            raise ValueError(
                f"region is {tuple(region)}; first row, first column, height and width must lie within {name} of "
                f"{rows} rows and {columns} columns"
            )
        stack = stack[:, top : top + height, left : left + width]
    if min(stack.shape[1:]) < _SMALLEST_PX:
        raise ValueError(
            f"{name} has {stack.shape[1]} rows and {stack.shape[2]} columns to use; at least {_SMALLEST_PX} each are "
            "needed; take a larger region"
        )
    return stack


def _saturation(stack: np.ndarray, *, name: str, full_scale: float | None) -> list[str]:
    if full_scale is None:
        return []
    share = float(np.mean(stack >= full_scale))
    if share > _SATURATED[1]:
        raise ValueError(
            f"{name} has {100 * share:.1f} % of its pixels at full scale {full_scale:g}; saturated pixels hide blur; "
            "expose less or choose a region without glare"
        )
    return [f"{name} has {100 * share:.2f} % saturated pixels"] if share > _SATURATED[0] else []


def _scatter(stack: np.ndarray, mean: np.ndarray) -> tuple[float, float]:
    """Noise of one picture and rms motion: each picture against average, its gradient and a constant."""
    slope_y, slope_x = np.gradient(mean)
    basis = np.stack([np.ones(mean.size), mean.ravel(), slope_x.ravel(), slope_y.ravel()], axis=1)
    different = (stack - mean).reshape(len(stack), -1).T
    fitted, *_ = np.linalg.lstsq(basis, different, rcond=None)
    rest = different - basis @ fitted
    dof = (len(stack) - 1) * (mean.size - 4)
    single_sd = math.sqrt(float(np.sum(rest**2)) / dof)
    noise_power = single_sd**2 / np.maximum(np.sum(basis[:, 2:] ** 2, axis=0), 1e-300)
    motion = np.mean(fitted[2:] ** 2, axis=1) - noise_power
    return single_sd, math.sqrt(max(float(motion.max()), 0.0))
