"""Sinusoids fitted to the samples of bands of rows: at one frequency directly, over a range by one transform a band."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import fft, optimize

__all__ = ["Samples", "scan"]

_GRID_PER_BIN = 5
_CHUNK = 2048  # frequencies at once
_EVEN = 2e-3  # of the shortest period of the range: how far frames may miss an even clock for transforms
_RIDGE = 1e-9


@dataclass(frozen=True, kw_only=True, eq=False)
class Samples:
    """Trusted samples along one axis, what is constant taken off.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Time of each sample [s].
    band : ndarray of int, shape (n,)
        Band of each sample.
    values : ndarray, shape (n,)
        Displacement [px].
    response : callable
        What each band makes of a vibration of given frequencies, complex, shape (n_frequencies, n_bands).
    at_rest : bool
        Whether one constant is common to all bands.
    """

    time: np.ndarray
    band: np.ndarray
    values: np.ndarray
    response: Callable[[np.ndarray], np.ndarray]
    at_rest: bool

    @classmethod
    def centred(cls, **given: object) -> Samples:
        """Samples from which the constants have been taken off."""
        raw = cls(**given)
        return cls(**{**given, "values": raw.less_constants(raw.values[None])[0].real})

    @property
    def width_hz(self) -> float:
        """Width of a line [Hz]."""
        return 1.0 / float(np.ptp(self.time))

    @functools.cached_property
    def member(self) -> np.ndarray:
        """Which constant each sample shares: an offset for each band, or one for all with a rest reference."""
        return np.zeros_like(self.band) if self.at_rest else np.unique(self.band, return_inverse=True)[1]

    @functools.cached_property
    def share(self) -> np.ndarray:
        """How many samples share each constant."""
        return np.bincount(self.member)

    def less_constants(self, rows: np.ndarray) -> np.ndarray:
        """Rows of values, complex or not, less the mean of those that share a constant."""
        means = [np.bincount(self.member, row.real) + 1j * np.bincount(self.member, row.imag) for row in rows]
        return rows - (np.array(means) / self.share)[:, self.member]

    def waves(self, frequency_hz: np.ndarray) -> np.ndarray:
        """Cosine and sine as the bands see them, less the constants, shape (n_frequencies, 2, n)."""
        wave = np.exp(2j * np.pi * np.multiply.outer(frequency_hz, self.time - self.time.mean()))
        wave *= self.response(frequency_hz)[:, self.band]
        wave = self.less_constants(wave)
        return np.stack([wave.real, wave.imag], axis=1)

    def kept(self, frequency_hz: np.ndarray) -> np.ndarray:
        """Share of the amplitude that bands, exposure and the unknown constants leave to be seen."""
        return np.sqrt((self.waves(frequency_hz) ** 2).sum(axis=(1, 2)) / len(self.values))

    def fit(self, frequency_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Cosine and sine amplitude of the vibration, and the sum of squares left, at each frequency."""
        design = self.waves(frequency_hz)
        return self.solve(design @ self.values, design @ design.transpose(0, 2, 1))

    def solve(self, product: np.ndarray, square: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Amplitudes and the sum of squares left, from the normal equations at each frequency."""
        square = square + _RIDGE * len(self.values) * np.eye(2)
        answer = np.linalg.solve(square, product[:, :, None])[:, :, 0]
        return answer, (self.values**2).sum() - (answer * product).sum(axis=1)

    def covariance(self, frequency_hz: float, both: np.ndarray) -> np.ndarray:
        """Covariance of cosine, sine and frequency for noise of unit variance."""
        step = 1e-3 * self.width_hz
        low, here, high = self.waves(frequency_hz + step * np.array([-1.0, 0.0, 1.0]))
        slope = both @ (high - low) / (2 * step)
        design = np.vstack([here, slope])
        return np.linalg.inv(design @ design.T)

    def polish(self, start_hz: float) -> float:
        """The frequency of least squares within half a resolution width."""
        bounds = (max(start_hz - 0.5 * self.width_hz, 1e-6), start_hz + 0.5 * self.width_hz)
        found = optimize.minimize_scalar(
            lambda f: self.fit(np.array([f]))[1][0],
            bounds=bounds,
            method="bounded",
            options={"xatol": 1e-4 * self.width_hz},
        )
        return float(found.x)


def scan(seen: Samples, *, lowest_hz: float, highest_hz: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frequencies of a range [Hz], the share of the amplitude left to be seen, and the sum of squares left by a fit.

    Frames on an even clock are transformed band by band, which is as good as the fit at every frequency and hundreds of
    times as fast; otherwise each frequency is fitted.

    Parameters
    ----------
    seen : Samples
        The samples.
    lowest_hz, highest_hz : float
        The range [Hz].
    """
    bands = _Bands.of(seen, highest_hz)
    if bands is None:
        grid = np.arange(lowest_hz, highest_hz, seen.width_hz / _GRID_PER_BIN)
        parts = np.array_split(grid, math.ceil(len(grid) / 256) or 1)
        return grid, *(np.concatenate([one(part) for part in parts]) for one in (seen.kept, lambda f: seen.fit(f)[1]))
    numbers = np.arange(math.ceil(lowest_hz / bands.step_hz), math.ceil(highest_hz / bands.step_hz))
    parts = np.array_split(numbers, math.ceil(len(numbers) / _CHUNK) or 1)
    kept, rest = (np.concatenate(one) for one in zip(*(bands.fit(part) for part in parts)))
    return numbers * bands.step_hz, kept, rest


@dataclass(frozen=True, kw_only=True, eq=False)
class _Bands:
    """Transforms of the values, and of where there are any, along the frames of each band."""

    seen: Samples
    start: np.ndarray  # of each band, against the mean time [s]
    period: float
    count: np.ndarray
    values: np.ndarray
    there: np.ndarray

    @classmethod
    def of(cls, seen: Samples, highest_hz: float) -> _Bands | None:
        """None when the frames miss an even clock by more than the range bears."""
        used, where = np.unique(seen.band, return_inverse=True)
        firsts = np.array([seen.time[where == k].min() for k in range(len(used))])
        steps = np.concatenate([np.diff(np.sort(seen.time[where == k])) for k in range(len(used))])
        if not len(steps):
            return None
        frame = np.rint((seen.time - firsts[where]) / np.median(steps)).astype(int)
        period = float(frame @ (seen.time - firsts[where])) / float(frame @ frame)
        if np.abs(seen.time - firsts[where] - period * frame).max() > _EVEN / highest_hz:
            return None
        size = fft.next_fast_len(_GRID_PER_BIN * (int(frame.max()) + 1))
        table = np.zeros((2, len(used), size))
        table[0, where, frame], table[1, where, frame] = seen.values, 1.0
        values, there = fft.fft(table, axis=2)
        start = firsts - seen.time.mean()
        return cls(seen=seen, start=start, period=period, count=table[1].sum(axis=1), values=values, there=there)

    @property
    def step_hz(self) -> float:
        return 1.0 / (self.values.shape[1] * self.period)

    def fit(self, numbers: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Share left to be seen and sum of squares left at whole multiples of the step."""
        size, frequency = self.values.shape[1], numbers * self.step_hz
        used = np.unique(self.seen.band)
        wave = self.seen.response(frequency)[:, used] * np.exp(2j * np.pi * np.multiply.outer(frequency, self.start))
        once, twice = (np.conj(self.there[:, k * numbers % size]).T for k in (1, 2))
        product = (wave * np.conj(self.values[:, numbers % size]).T).sum(axis=1)
        power, square = (np.abs(wave) ** 2 @ self.count), (wave**2 * twice).sum(axis=1)
        sums, count = wave * once, self.count
        if self.seen.at_rest:
            sums, count = sums.sum(axis=1, keepdims=True), self.count.sum()
        power = np.maximum(power - (np.abs(sums) ** 2 / count).sum(axis=1), 0.0)
        square = square - (sums**2 / count).sum(axis=1)
        normal = np.array([[power + square.real, square.imag], [square.imag, power - square.real]]) / 2
        right = np.stack([product.real, product.imag], axis=1)
        return np.sqrt(power / len(self.seen.values)), self.seen.solve(right, normal.transpose(2, 0, 1))[1]
