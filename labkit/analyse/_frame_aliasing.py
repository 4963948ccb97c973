"""How far aliasing may pull at a shift: detail finer than the pixels does not move as the model of the frame says.

What lies above half the sampling frequency is folded into the picture, and a shift d turns it by 2π·d against what it
is folded onto. Seen from the model it is noise of twice its power on average over d: none at whole pixels, most half
way between. Its power is not seen but extrapolated: natural surfaces follow a power law in spatial frequency, fitted
below where folding sets in, times the transfer of a square pixel.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
from scipy import signal

__all__ = ["aliasing_error_px"]

_FITTED_CPP = 0.1, 0.35  # spatial frequencies of the power law [cycles/px]
_RINGS = 8
_CLEAR = 2.0  # power over that of the noise for a ring to count
_FEWEST_RINGS = 3


def aliasing_error_px(picture: np.ndarray, weights: np.ndarray, *, noise: float) -> np.ndarray:
    """Error that aliasing may cause in the shifts, rms over all shifts between whole pixels, along x and y [px].

    nan when the spectrum of the picture sinks into the noise too early to be extrapolated.

    Parameters
    ----------
    picture : ndarray, shape (height, width)
        Reference [grey levels].
    weights : ndarray, shape (2, rows, columns)
        Shift along x and y that a grey level more in one pixel of the frame makes [px/grey].
    noise : float
        Standard deviation of the noise of a pixel [grey levels].

    References
    ----------
    Power spectra of natural pictures: D. J. Field, J. Opt. Soc. Am. A 4 (1987) 2379 (from memory). On five
    photographs area-binned 2 to 8 times the scatter found, less that of the noise, was half of the one stated in the
    median and 2.9 times at most.
    """
    scene = _power_law(picture, noise)
    if scene is None:
        return np.full(2, np.nan)
    fy, fx = np.meshgrid(*(np.fft.fftfreq(side) for side in weights.shape[1:]), indexing="ij")
    folds = [(fx + i, fy + j) for i, j in itertools.product((-1, 0, 1), repeat=2) if i or j]
    folded = sum(scene(np.hypot(x, y)) * (np.sinc(x) * np.sinc(y)) ** 2 for x, y in folds)
    response = np.abs(np.fft.fft2(weights)) ** 2 / fx.size
    return np.sqrt((response * 2 * folded).sum(axis=(1, 2)))


def _power_law(picture: np.ndarray, noise: float) -> Callable[[np.ndarray], np.ndarray] | None:
    """Power of the scene as a function of spatial frequency, before the pixels; None when it cannot be told."""
    taper = np.outer(*(signal.windows.hann(side, sym=True) for side in picture.shape))
    power = np.abs(np.fft.fft2((picture - picture.mean()) * taper)) ** 2 / (taper**2).sum()
    fy, fx = np.meshgrid(*(np.fft.fftfreq(side) for side in picture.shape), indexing="ij")
    radius, pixel = np.hypot(fx, fy), (np.sinc(fx) * np.sinc(fy)) ** 2
    edges = np.linspace(*_FITTED_CPP, _RINGS + 1)
    rings = [(radius >= low) & (radius < high) for low, high in itertools.pairwise(edges)]
    clear = [ring for ring in rings if ring.any() and power[ring].mean() > _CLEAR * noise**2]
    if len(clear) < _FEWEST_RINGS:
        return None
    level = [np.mean((power[ring] - noise**2) / pixel[ring]) for ring in clear]
    slope, height = np.polyfit(np.log([radius[ring].mean() for ring in clear]), np.log(level), 1)
    return lambda frequency: np.exp(height) * np.maximum(frequency, _FITTED_CPP[0]) ** min(slope, 0.0)
