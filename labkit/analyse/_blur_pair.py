"""Two pictures of one scene made ready for `_blur_fit`: aligned, cut, transformed, with the power of the scene.

A picture sampled in pixels holds frequencies above half a cycle a pixel, folded back, which blur and shift change
otherwise than the frequencies they pose as. Their shares follow a power law P ∝ A(direction)·|f|^−γ under the pixel
aperture, with A from the picture itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft, ndimage

__all__ = ["Pair", "folded_orders", "prepare", "window_spectrum", "with_slope"]

_PAD = 12  # px of mirrored, tapered picture around the patch that is reblurred
_SECTORS = 18


@dataclass(frozen=True, eq=False, kw_only=True)
class Pair:
    """Two aligned patches in the frequency domain with the weights of the misfit."""

    frame: np.ndarray  # spectrum of the frame within the window, mean removed
    sharp: np.ndarray  # spectrum of the larger, tapered patch of the reference
    window: tuple[int, int]
    size: tuple[int, int]
    origin: int
    whole_shift: tuple[int, int]
    fx: np.ndarray
    fy: np.ndarray
    cells: np.ndarray  # weights that turn a half plane of |spectrum|² into a sum over pixels
    power: np.ndarray  # of the scene, without noise [grey²]
    frame_sd: float
    sharp_sd: float
    shares: tuple[np.ndarray, ...]
    slope: float
    band: np.ndarray | float = 1.0  # h
    folded: np.ndarray | float = 0.0  # incoherent alias power in V

    @property
    def n_pixels(self) -> int:
        return self.window[0] * self.window[1]


def prepare(frame: np.ndarray, sharp: np.ndarray, *, margin: int, noise_sd: tuple[float, float]) -> Pair:
    """Align by whole pixels, cut the windows, transform, and estimate the power of the scene."""
    dy, dx = _whole_shift(frame, sharp)
    height, width = sharp.shape
    top, bottom = margin + max(0, -dy), height - margin - max(0, dy)
    left, right = margin + max(0, -dx), width - margin - max(0, dx)
    if bottom - top < 24 or right - left < 24:
        raise ValueError(
            f"only {max(bottom - top, 0)} × {max(right - left, 0)} px of the pictures overlap inside a margin of "
            f"{margin} px (shift {dx}, {dy} px); at least 24 × 24 px are needed; take a larger region or look for a "
            "wrong reference"
        )
    window = frame[top + dy : bottom + dy, left + dx : right + dx]
    core = sharp[top:bottom, left:right]
    patch = _tapered(sharp[top - margin : bottom + margin, left - margin : right + margin] - core.mean())
    size = tuple(fft.next_fast_len(n, real=True) for n in patch.shape)
    fx, fy = fft.rfftfreq(size[1])[None, :], fft.fftfreq(size[0])[:, None]
    pair = Pair(
        frame=fft.rfft2(window - window.mean(), size),
        sharp=fft.rfft2(patch, size),
        window=window.shape,
        size=size,
        origin=margin + _PAD,
        whole_shift=(dy, dx),
        fx=fx,
        fy=fy,
        cells=_cells(size),
        power=_scene_power(core - core.mean(), size=size, noise_sd=noise_sd[1]),
        frame_sd=noise_sd[0],
        sharp_sd=noise_sd[1],
        shares=(),
        slope=math.nan,
    )
    return with_slope(pair, 2.5)


def _whole_shift(frame: np.ndarray, sharp: np.ndarray) -> tuple[int, int]:
    """Shift of the frame in whole pixels (rows, columns) at the peak of the half-whitened cross-correlation."""
    taper = np.outer(np.hanning(frame.shape[0]), np.hanning(frame.shape[1]))
    cross = fft.rfft2((frame - frame.mean()) * taper) * fft.rfft2((sharp - sharp.mean()) * taper).conj()
    peak = fft.irfft2(cross / np.sqrt(np.abs(cross) + np.finfo(float).tiny), frame.shape)
    place = np.unravel_index(int(peak.argmax()), peak.shape)
    return tuple(int((i + n // 2) % n - n // 2) for i, n in zip(place, peak.shape))


def _tapered(patch: np.ndarray) -> np.ndarray:
    padded = np.pad(patch, _PAD, mode="reflect")
    for axis, n in enumerate(padded.shape):
        edge = np.minimum(1.0, (np.minimum(np.arange(n), np.arange(n)[::-1]) + 0.5) / _PAD)
        padded = padded * np.expand_dims(0.5 - 0.5 * np.cos(np.pi * edge), 1 - axis)
    return padded


def _cells(size: tuple[int, int]) -> np.ndarray:
    cells = np.full((size[0], size[1] // 2 + 1), 2.0)
    cells[:, 0] = 1.0
    if size[1] % 2 == 0:
        cells[:, -1] = 1.0
    return cells / (size[0] * size[1])


def _scene_power(core: np.ndarray, *, size: tuple[int, int], noise_sd: float) -> np.ndarray:
    """Smoothed periodogram less the noise; 0 where it does not stand out of the noise."""
    taper = np.outer(np.hanning(core.shape[0]), np.hanning(core.shape[1]))
    density = np.abs(fft.fft2(core * taper, size)) ** 2 / np.sum(taper**2)
    span = [max(3, round(7 * big / small) | 1) for big, small in zip(size, core.shape)]
    power = ndimage.uniform_filter(density, span, mode="wrap")[:, : size[1] // 2 + 1] - noise_sd**2
    return np.where(power > 0.4 * noise_sd**2, power, 0.0)


def window_spectrum(pair: Pair, spectrum: np.ndarray) -> np.ndarray:
    """Spectrum of what a spectrum on the padded patch shows within the window."""
    rows, columns = (slice(pair.origin, pair.origin + n) for n in pair.window)
    return fft.rfft2(fft.irfft2(spectrum, pair.size)[rows, columns], pair.size)


# -------------------------------------------------------------------------------------- folded frequencies
def folded_orders(pair: Pair) -> list[tuple[np.ndarray, np.ndarray]]:
    """(fy, fx) of the frequency itself and of the three nearest that fold onto it."""
    up = pair.fy + np.where(pair.fy >= 0, -1.0, 1.0)
    return [(pair.fy, pair.fx), (pair.fy, pair.fx - 1), (up, pair.fx), (up, pair.fx - 1)]


def with_slope(pair: Pair, slope: float) -> Pair:
    """The pair with the shares of the folded orders for a power law with that slope."""
    reach = pair.fx**2 + pair.fy**2
    inside = (reach > 0.06**2) & (reach < 0.4**2)
    weight = np.sqrt(reach[inside])
    sector = np.round(_sector(pair.fy, pair.fx)[inside]).astype(int) % _SECTORS
    seen = np.bincount(sector, pair.power[inside] * weight, _SECTORS)
    law = np.bincount(sector, _law(pair.fy, pair.fx, slope)[inside] * weight, _SECTORS)
    level = seen / np.maximum(law, np.finfo(float).tiny)
    level = np.maximum(level, 1e-4 * level.max() + np.finfo(float).tiny)
    around = np.append(level, level[0])
    power = [
        _law(y, x, slope) * np.interp(_sector(y, x), np.arange(_SECTORS + 1), around) for y, x in folded_orders(pair)
    ]
    total = sum(power)
    return replace(pair, shares=tuple(p / total for p in power), slope=float(slope))


def _sector(fy: np.ndarray, fx: np.ndarray) -> np.ndarray:
    """Direction of a frequency in sectors of half a turn."""
    return np.arctan2(fy, fx) / np.pi % 1 * _SECTORS


def _law(fy: np.ndarray, fx: np.ndarray, slope: float) -> np.ndarray:
    return np.maximum(fx**2 + fy**2, 1e-6) ** (-slope / 2) * (np.sinc(fx) * np.sinc(fy)) ** 2
