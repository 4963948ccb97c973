"""Two pictures of one scene made ready for `_blur_fit`: aligned, cut, transformed, with the power of the scene."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from labkit.analyse._blur_alias import Orders, folded_orders

__all__ = ["Pair", "first_guess", "overlap", "prepare", "whole_shift", "window_spectrum"]

_PAD = 8  # px of mirrored, tapered picture around the patch that is reblurred


@dataclass(frozen=True, eq=False, kw_only=True)
class Pair:
    """Two aligned patches in the frequency domain."""

    frame: np.ndarray  # spectrum of the frame within the window, mean removed
    sharp: np.ndarray  # spectrum of the larger, tapered patch of the reference, window at the origin
    window: tuple[int, int]
    size: tuple[int, int]
    fx: np.ndarray
    fy: np.ndarray
    cells: np.ndarray  # weights that turn a half plane of |spectrum|² into a sum over pixels
    power: np.ndarray  # of the scene, without noise [grey²]
    frame_sd: float
    sharp_sd: float
    orders: Orders
    whole_shift: tuple[int, int]

    @property
    def n_pixels(self) -> int:
        return self.window[0] * self.window[1]


def whole_shift(frame: np.ndarray, sharp: np.ndarray) -> tuple[int, int]:
    """Shift of the frame in whole pixels (rows, columns) at the peak of the half-whitened cross-correlation."""
    taper = _hann(frame.shape)
    cross = fft.rfft2((frame - frame.mean()) * taper) * fft.rfft2((sharp - sharp.mean()) * taper).conj()
    peak = fft.irfft2(cross / np.sqrt(np.abs(cross) + np.finfo(float).tiny), frame.shape)
    place = np.unravel_index(int(peak.argmax()), peak.shape)
    return tuple(int((i + n // 2) % n - n // 2) for i, n in zip(place, peak.shape))


def overlap(
    frame: np.ndarray, sharp: np.ndarray, *, shift: tuple[int, int], margin: int = 0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Windows of frame and reference on the same scene, and the reference with the margin around it."""
    (dy, dx), (height, width) = shift, sharp.shape
    top, bottom = margin + max(0, -dy), height - margin - max(0, dy)
    left, right = margin + max(0, -dx), width - margin - max(0, dx)
    if bottom - top < 24 or right - left < 24:
        raise ValueError(
            f"only {max(bottom - top, 0)} × {max(right - left, 0)} px of the pictures overlap inside a margin of "
            f"{margin} px (shift {dx}, {dy} px); at least 24 × 24 px are needed; take a larger region or look for a "
            "wrong reference"
        )
    window, core = frame[top + dy : bottom + dy, left + dx : right + dx], sharp[top:bottom, left:right]
    return window, core, sharp[top - margin : bottom + margin, left - margin : right + margin]


def prepare(
    frame: np.ndarray, sharp: np.ndarray, *, shift: tuple[int, int], margin: int, noise_sd: tuple[float, float]
) -> Pair:
    """Cut the windows, transform, and estimate the power of the scene."""
    window, core, patch = overlap(frame, sharp, shift=shift, margin=margin)
    patch = _tapered(patch - core.mean())
    size = tuple(fft.next_fast_len(n, real=True) for n in patch.shape)
    around = np.zeros(size)
    around[: patch.shape[0], : patch.shape[1]] = patch
    fx, fy = fft.rfftfreq(size[1])[None, :], fft.fftfreq(size[0])[:, None]
    power = _scene_power(core - core.mean(), size=size, noise_sd=noise_sd[1])
    return Pair(
        frame=fft.rfft2(window - window.mean(), size),
        sharp=fft.rfft2(np.roll(around, (-margin - _PAD,) * 2, (0, 1))),
        window=window.shape,
        size=size,
        fx=fx,
        fy=fy,
        cells=_cells(size),
        power=power,
        frame_sd=noise_sd[0],
        sharp_sd=noise_sd[1],
        orders=folded_orders(fy, fx, power),
        whole_shift=shift,
    )


def _hann(shape: tuple[int, int]) -> np.ndarray:
    return np.outer(np.hanning(shape[0]), np.hanning(shape[1]))


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
    taper = _hann(core.shape)
    density = np.abs(fft.fft2(core * taper, size)) ** 2 / np.sum(taper**2)
    span = [max(3, round(7 * big / small) | 1) for big, small in zip(size, core.shape)]
    power = ndimage.uniform_filter(density, span, mode="wrap")[:, : size[1] // 2 + 1] - noise_sd**2
    return np.where(power > 0.4 * noise_sd**2, power, 0.0)


def window_spectrum(pair: Pair, spectrum: np.ndarray) -> np.ndarray:
    """Spectrum of what a spectrum on the padded patch shows within the window."""
    rows, columns = pair.window
    return fft.rfft2(fft.irfft2(spectrum, pair.size)[:rows, :columns], pair.size)


# ------------------------------------------------------------------------------------------------- first guess
def first_guess(window: np.ndarray, core: np.ndarray, *, noise_sd: tuple[float, float]) -> np.ndarray:
    """Parameters of a Gaussian from the ratio of the smoothed spectra: rough, but in closed form."""
    f, s = (fft.fft2((picture - picture.mean()) * _hann(core.shape)) for picture in (window, core))
    scale = np.sum(_hann(core.shape) ** 2)
    power = np.maximum(_smooth(np.abs(s) ** 2) / scale - noise_sd[1] ** 2, 1e-12)
    cross = f * s.conj()
    ratio = (_smooth(cross.real) + 1j * _smooth(cross.imag)) / (scale * power)
    y, x = np.broadcast_arrays(fft.fftfreq(core.shape[0])[:, None], fft.fftfreq(core.shape[1])[None, :])
    near = (power > noise_sd[1] ** 2) & (np.hypot(x, y) < 0.35) & (x >= 0)
    inside = near & (np.abs(ratio) > 0.3 * np.median(np.abs(ratio[near]))) if near.any() else near
    if np.sum(inside) < 10:
        return np.array([0.3, 0.3, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0])
    x, y, ratio, power = x[inside], y[inside], ratio[inside], power[inside]
    weight = np.sqrt(power / (noise_sd[0] ** 2 / np.abs(ratio) ** 2 + noise_sd[1] ** 2))
    bend = -2 * np.pi**2 * np.stack([x * x, y * y, 2 * x * y, np.ones_like(x)])
    *variances, level = np.linalg.lstsq((weight * bend).T, weight * np.log(np.abs(ratio)))[0]
    shift = np.linalg.lstsq((weight * -2 * np.pi * np.stack([x, y])).T, weight * np.angle(ratio))[0]
    return np.array([*variances, *shift, math.exp(-2 * np.pi**2 * level), 0.0, 0.0, 0.0])


def _smooth(density: np.ndarray) -> np.ndarray:
    return ndimage.uniform_filter(density, 5, mode="wrap")
