"""The colour of measurement noise, and filters that leave the poles of a decay exactly where they are.

A linear filter of finite length turns A·e^{st} into H(s)·A·e^{st} wherever its window lies inside the record: the
pole s stays, only the amplitude changes, by a known factor. Whitening and decimation both rest on this.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg, signal

from labkit.base import check_array, check_number

__all__ = ["WHITE", "Decimation", "NoiseColour", "decimation_for", "noise_colour"]

_ORDERS = (0, 1, 2, 3, 4, 6, 8, 12, 16, 24)
_STOPBAND_DB = 70.0
_WIDEST = 30  # bins on either side of the widest median


@dataclass(frozen=True, kw_only=True)
class NoiseColour:
    """Autoregressive noise e[n] = Σ aᵢ x[n−i], a₀ = 1, with white innovations e.

    Parameters
    ----------
    coefficients : tuple of float
        Prediction-error filter a₀ … a_p; ``(1.0,)`` is white noise.
    innovation_variance : float
        Variance of e [unit²].

    Examples
    --------
    >>> red = NoiseColour(coefficients=(1.0, -0.8), innovation_variance=1.0)
    >>> [round(float(x), 3) for x in red.whiten(np.array([[1.0, 0.8, 1.64]]))[0]]
    [0.6, 0.0, 1.0]
    """

    coefficients: tuple[float, ...]
    innovation_variance: float

    @property
    def order(self) -> int:
        """Order p; 0 for white noise."""
        return len(self.coefficients) - 1

    @cached_property
    def _head(self) -> np.ndarray:
        """Whitening matrix of the first p samples: inverse Cholesky factor of their covariance (innovation 1)."""
        a, p = np.asarray(self.coefficients), self.order
        # Gohberg-Semencul: the inverse covariance of p samples of an AR(p) process (Porat, Digital Processing of
        # Random Signals, 1994, from memory)
        first = linalg.toeplitz(a[:p], np.zeros(p))
        last = linalg.toeplitz(a[:0:-1], np.zeros(p))
        inverse = first @ first.T - last @ last.T
        return linalg.cholesky(inverse[::-1, ::-1], lower=True)[::-1, ::-1].T

    @property
    def standard_deviation(self) -> float:
        """Standard deviation of the coloured noise itself: the power under its spectrum [unit]."""
        _, response = signal.freqz([1.0], np.asarray(self.coefficients), worN=8192, whole=True)
        return math.sqrt(self.innovation_variance * float(np.mean(np.abs(response) ** 2)))

    @property
    def log_determinant(self) -> float:
        """Logarithm of the determinant of the whitening of one record."""
        return float(np.log(np.diag(self._head)).sum()) if self.order else 0.0

    def whiten(self, rows: np.ndarray) -> np.ndarray:
        """Rows (time last) as they would be if the noise were white with the innovation variance; none is lost."""
        p = self.order
        if p == 0:
            return rows
        n = rows.shape[-1]
        tail = rows[..., p:].copy()
        for i, a in enumerate(self.coefficients[1:], start=1):
            tail += a * rows[..., p - i : n - i]
        return np.concatenate([rows[..., :p] @ self._head.T, tail], axis=-1)


#: White noise of unit variance.
WHITE = NoiseColour(coefficients=(1.0,), innovation_variance=1.0)


def noise_colour(residuals: Sequence[np.ndarray], *, max_order: int = 24) -> NoiseColour:
    """Colour of noise from records that hold nothing else, except perhaps narrow peaks, which are passed over.

    The periodograms of all rows are averaged, narrow peaks are removed by a running median that widens with
    frequency, and an autoregression is fitted to the autocovariance that belongs to the smoothed spectrum
    (Yule–Walker). The order has the least Akaike criterion: a coefficient too many does no harm.

    Parameters
    ----------
    residuals : sequence of ndarray, each (n_rows, n_samples)
        Records of the noise [unit]; lengths may differ between the arrays.
    max_order : int
        Largest order tried; no more than a twentieth of the samples in any case.

    Examples
    --------
    >>> e = np.random.default_rng(1).standard_normal((4, 5000))
    >>> round(noise_colour([e]).innovation_variance, 1)
    1.0
    >>> noise_colour([signal.lfilter([1], [1, -0.9], e)]).order > 0
    True
    """
    arrays = [check_array("residuals", r, ndim=2, min_length=4) for r in residuals]
    arrays = [r - r.mean(axis=1, keepdims=True) for r in arrays]
    count = sum(r.size for r in arrays)
    variance = sum(float((r**2).sum()) for r in arrays) / count
    white = NoiseColour(coefficients=(1.0,), innovation_variance=variance)
    shortest = min(r.shape[1] for r in arrays)
    if variance == 0.0 or shortest < 40:
        return white
    spectrum = _without_peaks(_mean_periodogram(arrays))
    covariance = np.fft.irfft(spectrum)
    best, lowest = white, math.inf
    for order in [p for p in _ORDERS if p <= min(max_order, shortest // 20)]:
        a = np.array([1.0])
        if order:
            a = np.append(1.0, -linalg.solve_toeplitz(covariance[:order], covariance[1 : order + 1]))
        innovation = float(a @ covariance[: order + 1])
        criterion = count * math.log(innovation) + 2 * order
        if criterion < lowest:
            best = NoiseColour(coefficients=tuple(map(float, a)), innovation_variance=innovation)
            lowest = criterion
    power = sum(float((best.whiten(r) ** 2).sum()) for r in arrays)
    return NoiseColour(coefficients=best.coefficients, innovation_variance=power / count)


def _mean_periodogram(arrays: Sequence[np.ndarray]) -> np.ndarray:
    """Two-sided density per sample averaged over all rows, on the grid of the longest, Hann window."""
    length = max(r.shape[1] for r in arrays)
    length += length % 2
    total, rows = np.zeros(length // 2 + 1), 0
    for r in arrays:
        window = signal.get_window("hann", r.shape[1])
        total += (np.abs(np.fft.rfft(r * window, length, axis=1)) ** 2).sum(axis=0) / (window @ window)
        rows += r.shape[0]
    return total / rows


def _without_peaks(spectrum: np.ndarray) -> np.ndarray:
    """Running median, ±4 bins or ±1/6 of the frequency, on windows that shrink towards the ends.

    A window symmetric about its bin passes any slope unchanged, and a tone (four bins wide under the Hann window)
    drops out of nine bins. The two lowest bins, which the window takes from the mean, are held.
    """
    spectrum = spectrum.copy()
    spectrum[:2] = spectrum[2]
    last = spectrum.size - 1
    smooth = spectrum.copy()
    index = np.arange(spectrum.size)
    half = np.minimum.reduce([np.clip(index // 6, 4, _WIDEST), index, last - index])
    for h in np.unique(half[1:-1]):
        at = np.flatnonzero(half == h)
        windows = np.lib.stride_tricks.sliding_window_view(spectrum, 2 * h + 1)[at - h]
        smooth[at] = np.median(windows, axis=1)
    return np.maximum(smooth, smooth.max() * 1e-12)


@dataclass(frozen=True, kw_only=True)
class Decimation:
    """Low-pass and keep every `factor`-th sample, poles unchanged, the start of the record kept.

    The filter is a time-reversed minimum-phase FIR: a sample of the output looks ahead, mostly at the next few
    samples, so what is lost lies at the end of the record, where a decay has least to tell.

    Parameters
    ----------
    factor : int
        Samples in for one sample out.
    taps : ndarray, shape (n_taps,)
        Weights of the samples from now on; ``[1.0]`` when nothing is done.

    Examples
    --------
    >>> thin = decimation_for(3200.0, upper_hz=200.0)
    >>> thin.factor
    6
    >>> z = np.exp((-10 + 250j) / 3200)
    >>> y = thin.apply(z ** np.arange(900.0)[None])[0]
    >>> bool(np.allclose(y, thin.gain(z) * z ** (6 * np.arange(y.size))))
    True
    """

    factor: int
    taps: np.ndarray

    def apply(self, rows: np.ndarray) -> np.ndarray:
        """Decimated rows, time last; sample k belongs to input sample k·factor."""
        if self.factor == 1:
            return rows
        kept = np.apply_along_axis(np.correlate, -1, rows, self.taps, "valid")
        return kept[..., :: self.factor]

    def gain(self, step: complex | np.ndarray) -> np.ndarray:
        """Factor by which an exponential zⁿ comes out multiplied, for z = `step` at the input rate."""
        return np.polynomial.polynomial.polyval(step, self.taps)


def decimation_for(sample_rate_hz: float, *, upper_hz: float) -> Decimation:
    """Decimation that keeps everything up to `upper_hz`, at 0.4 of the new rate or less.

    Parameters
    ----------
    sample_rate_hz : float
        Rate of the record [Hz].
    upper_hz : float
        Highest frequency of interest [Hz].
    """
    rate = check_number("sample_rate_hz", sample_rate_hz, above=0.0)
    check_number("upper_hz", upper_hz, above=0.0, below=0.5 * rate)
    factor = max(1, int(0.4 * rate / upper_hz + 1e-9))
    if factor == 1:
        return Decimation(factor=1, taps=np.ones(1))
    # minimum_phase (half=True) halves the order and takes the square root of the response: designed on the square
    taps, beta = signal.kaiserord(2 * _STOPBAND_DB, 0.4 / factor)
    linear = signal.firwin(taps | 1, 1.0 / factor, window=("kaiser", beta))
    short = signal.minimum_phase(linear, method="homomorphic", half=True)
    return Decimation(factor=factor, taps=short / short.sum())
