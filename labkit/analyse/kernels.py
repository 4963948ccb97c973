"""Blur kernels in one currency, and the blur that a recorded displacement makes within an exposure.

The currency is the standard deviation of the kernel along x and y in image pixels; variances of independent causes
add. Four families share one form: with t = fᵀ·C·f, C the 2×2 matrix of kernel variances and f the spatial frequency
[cycles/pixel], the transfer is ₀F₁(; b; −2π²·b·t), with b = 1 for a sinusoid that the exposure averages over many
periods, 3/2 for a uniform smear, 2 for a defocus disc and b → ∞ for a Gaussian. All four start as 1 − 2π²t: a
small blur shows its variance before it shows its shape.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from scipy import special

from labkit.analyse.sampling import exposure_attenuation
from labkit.base import check_array, check_choice, check_number
from labkit.runs.recording import Recording

__all__ = [
    "EXTENT_PER_SIGMA",
    "PredictedBlur",
    "blur_transfer",
    "predicted_blur",
    "sinusoid_sigma_px",
    "profile",
]

#: Full width of a kernel over its standard deviation along the blur: smear length L = √12·σ, sinusoid from peak to
#: peak 2A = √8·σ, disc diameter c = 4·σ per axis, Gaussian full width at half maximum √(8 ln 2)·σ.
EXTENT_PER_SIGMA: Mapping[str, float] = MappingProxyType(
    {"smear": math.sqrt(12), "sinusoid": math.sqrt(8), "disc": 4.0, "gaussian": math.sqrt(8 * math.log(2))}
)
_ORDER = {"sinusoid": 1.0, "smear": 1.5, "disc": 2.0, "gaussian": math.inf}
_T_LOW, _T_HIGH, _T_STEPS = -1.0, 40.0, 1 << 17  # of the look-up table of `profile`


def blur_transfer(frequency_cpp: float | np.ndarray, *, family: str, extent_px: float) -> np.ndarray:
    """Transfer (signed MTF) of a centred kernel along the blur at spatial frequencies.

    Smear sinc(f·L); sinusoid J0(π·f·2A), Hadar, Fisher & Kopeika (1992) [1]_; disc 2J1(πfc)/(πfc); Gaussian
    exp(−2π²σ²f²).

    Parameters
    ----------
    frequency_cpp : float or array_like
        Spatial frequency [cycles/pixel].
    family : str
        "smear", "sinusoid", "disc" or "gaussian".
    extent_px : float
        Full width of the kernel as in `EXTENT_PER_SIGMA` [px].

    References
    ----------
    .. [1] Opt. Eng. 31 (1992) 581; formula from memory.

    Examples
    --------
    >>> round(float(blur_transfer(0.1, family="smear", extent_px=3.0)), 6)
    0.858394
    >>> round(float(blur_transfer(0.1, family="sinusoid", extent_px=2.0)), 6)
    0.903713
    """
    check_choice("family", family, EXTENT_PER_SIGMA)
    sigma_px = check_number("extent_px", extent_px, at_least=0.0) / EXTENT_PER_SIGMA[family]
    return _transfer((np.asarray(frequency_cpp, dtype=np.float64) * sigma_px) ** 2, _ORDER[family])[0]


def _transfer(t: np.ndarray, order: float) -> tuple[np.ndarray, np.ndarray]:
    """Transfer ₀F₁(; b; −2π²bt) and its derivative to t."""
    z = -2 * math.pi**2 * t
    if math.isinf(order):
        return np.exp(z), -2 * math.pi**2 * np.exp(z)
    return special.hyp0f1(order, order * z), -2 * math.pi**2 * special.hyp0f1(order + 1, order * z)


@lru_cache(maxsize=8)
def _table(family: str) -> tuple[np.ndarray, np.ndarray]:
    return _transfer(np.linspace(_T_LOW, _T_HIGH, _T_STEPS), _ORDER[family])


def profile(t: np.ndarray, *, family: str) -> tuple[np.ndarray, np.ndarray]:
    """Transfer of a family and its derivative to t = fᵀCf, by a table good to 5e-6; slightly negative t allowed."""
    transfer, slope = _table(family)
    place = np.clip((t - _T_LOW) * ((_T_STEPS - 1) / (_T_HIGH - _T_LOW)), 0.0, _T_STEPS - 1.001)
    left = place.astype(np.int64)
    part = place - left
    at, d_at = transfer[left], slope[left]
    return at + part * (transfer[left + 1] - at), d_at + part * (slope[left + 1] - d_at)


# ------------------------------------------------------------------------------- vibration within an exposure
def sinusoid_sigma_px(amplitude_px: float, *, frequency_hz: float, exposure_s: float) -> float:
    """Blur [px] of a sinusoidal vibration within one exposure, root mean square over its phase.

    σ² = ½A²·(1 − sinc²(f·t_e)) (derived): v·t_e/√12 for a short exposure, A/√2 for a long one.

    Parameters
    ----------
    amplitude_px : float
        Amplitude A of the image displacement [px].
    frequency_hz : float
        Frequency of the vibration [Hz].
    exposure_s : float
        Exposure time [s].

    Examples
    --------
    >>> round(sinusoid_sigma_px(1.0, frequency_hz=30.0, exposure_s=0.01), 5)
    0.36274
    """
    check_number("amplitude_px", amplitude_px, at_least=0.0)
    check_number("frequency_hz", frequency_hz, at_least=0.0)
    check_number("exposure_s", exposure_s, above=0.0, cure="give the exposure time that the camera was set to")
    lost = 1 - float(exposure_attenuation(frequency_hz, exposure_s=exposure_s)) ** 2
    return amplitude_px * math.sqrt(lost / 2)


@dataclass(frozen=True, eq=False, kw_only=True)
class PredictedBlur:
    """Blur that a recorded displacement makes in exposures.

    Parameters
    ----------
    start_s : ndarray, shape (n_exposures,)
        Start of every exposure on the clock of the recording [s].
    exposure_s : float
        Exposure time [s].
    channels : tuple of str
        Axes, in the order of the rows below.
    sigma_px : ndarray, shape (n_channels, n_exposures)
        Standard deviation of the displacement within the exposure [px]; nan where a sample is missing.
    shift_px : ndarray, shape (n_channels, n_exposures)
        Mean displacement in the exposure [px]: where the blurred picture stands.
    samples_per_exposure : float
        Exposure over sampling interval. Below about 2 only motion slower than the recording's own band is counted.
    """

    start_s: np.ndarray
    exposure_s: float
    channels: tuple[str, ...]
    sigma_px: np.ndarray
    shift_px: np.ndarray
    samples_per_exposure: float

    @property
    def worst_px(self) -> np.ndarray:
        """Largest blur of every axis [px]."""
        return np.nanmax(self.sigma_px, axis=1)


def predicted_blur(
    displacement: Recording,
    *,
    exposure_s: float,
    px_per_m: float | None = None,
    start_s: Sequence[float] | None = None,
) -> PredictedBlur:
    """Blur kernel of exposures from a recording of the displacement of the picture.

    σ² = mean(x²) − mean(x)² over the exposure, exact for the straight lines between samples. Lines through samples
    of a vibration at f lower its variance by about ⅔(πf/f_s)²: sample ten times faster than the vibration.

    Parameters
    ----------
    displacement : Recording
        Displacement in px, or in m together with `px_per_m`; part relative to camera, one channel an axis.
    exposure_s : float
        Exposure time [s].
    px_per_m : float, optional
        Image pixels for one metre at the object: magnification over pixel pitch [px/m]; only for a recording in m.
    start_s : sequence of float, optional
        Starts of the exposures on the clock of the recording [s]; by default back to back through the recording.

    Raises
    ------
    ValueError
        For a unit without a scale, or an exposure that reaches beyond the recording.

    Examples
    --------
    A steady drift of 30 px/s smears 0.3 px in 10 ms:

    >>> x = Recording(values=[np.arange(100) * 0.03], sample_rate_hz=1000.0, channels=["x"], unit="px")
    >>> b = predicted_blur(x, exposure_s=0.01)
    >>> round(float(b.sigma_px[0, 0]) * 12**0.5, 6)
    0.3
    """
    scale = _scale(displacement.unit, px_per_m)
    check_number(
        "exposure_s", exposure_s, above=0.0, at_most=displacement.duration_s, cure="it must fit in the recording"
    )
    starts = _starts(displacement, exposure_s, start_s)
    first = (starts - displacement.start_s) * displacement.sample_rate_hz
    length = exposure_s * displacement.sample_rate_hz
    moments = [_window_moments(row * scale, first, length) for row in displacement.values]
    return PredictedBlur(
        start_s=starts,
        exposure_s=float(exposure_s),
        channels=displacement.channels,
        sigma_px=np.stack([sigma for _, sigma in moments]),
        shift_px=np.stack([mean for mean, _ in moments]),
        samples_per_exposure=float(length),
    )


def _scale(unit: str, px_per_m: float | None) -> float:
    if unit == "px":
        if px_per_m is not None:
            raise ValueError(f"px_per_m is {px_per_m!r} but the displacement is in px already; leave it out")
        return 1.0
    if unit != "m":
        raise ValueError(f"displacement has unit {unit!r}; it must be 'px' or 'm'; integrate an acceleration first")
    if px_per_m is None:
        raise ValueError("px_per_m is missing; a displacement in m needs image pixels per metre at the object")
    return check_number("px_per_m", px_per_m, above=0.0)


def _starts(displacement: Recording, exposure_s: float, start_s: Sequence[float] | None) -> np.ndarray:
    if start_s is None:
        count = int(displacement.duration_s / exposure_s + 1e-9)
        return displacement.start_s + exposure_s * np.arange(count)
    starts = check_array("start_s", start_s, ndim=1)
    end_s, slack = displacement.start_s + displacement.duration_s, 1e-9 * displacement.duration_s
    outside = (starts < displacement.start_s - slack) | (starts + exposure_s > end_s + slack)
    if outside.any():
        raise ValueError(
            f"start_s holds {starts[outside][0]:g}; an exposure of {exposure_s:g} s must lie within the recording, "
            f"{displacement.start_s:g} s to {end_s:g} s; drop the exposures outside"
        )
    return starts


def _window_moments(x: np.ndarray, first: np.ndarray, length: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation of the line through samples over [first, first + length] in samples."""
    offset = np.nanmean(x) if np.isfinite(x).any() else 0.0
    y = x - offset
    left, right = y[:-1], y[1:]
    areas = [(left + right) / 2, (left * left + left * right + right * right) / 3]
    sums = [np.concatenate([[0.0], np.cumsum(np.nan_to_num(area))]) for area in areas]
    lost = np.concatenate([[0], np.cumsum(~np.isfinite(areas[0]))])

    def upto(place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        index = np.clip(np.floor(place).astype(int), 0, left.size - 1)
        part = place - index
        a, slope = np.nan_to_num(left)[index], np.nan_to_num(right - left)[index]
        return (
            sums[0][index] + part * (a + slope * part / 2),
            sums[1][index] + part * (a * a + part * slope * (a + slope * part / 3)),
        )

    last = np.minimum(first + length, left.size)
    (m_low, s_low), (m_high, s_high) = upto(np.maximum(first, 0.0)), upto(last)
    mean = (m_high - m_low) / length
    sigma = np.sqrt(np.maximum((s_high - s_low) / length - mean**2, 0.0))
    touched = lost[np.ceil(last - 1e-9).astype(int)] - lost[np.floor(np.maximum(first, 0.0) + 1e-9).astype(int)] > 0
    return np.where(touched, np.nan, mean + offset), np.where(touched, np.nan, sigma)
