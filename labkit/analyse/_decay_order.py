"""Which components does a set of decays hold? Search, order and noise colour of the modal fit.

Components are added one by one where a damped (or steady) tone takes most out of the whitened residual, all poles
are refined together each time, and Schwarz' criterion decides. The noise colour is then re-estimated from what is
left, and the whole is repeated until both stay as they are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft, linalg

from labkit.analyse._decay_fit import DecayData, Poles, Projection, columns, project, refine
from labkit.analyse.whitening import NoiseColour, noise_colour

__all__ = ["Found", "find_components", "pole_covariance"]

_MAX_ROUNDS = 40
_MAX_EXTRA = 12  # tones, and components outside the band, that may stand beside the modes
_STEADY_RECORDS = 10.0  # a decay that lasts longer than this many records counts as a steady tone
_FLOOR = 1e-16  # a residual below 1e-8 of the record is rounding, not noise


@dataclass(frozen=True, eq=False, kw_only=True)
class Found:
    """Components found, in the order of their frequencies.

    Parameters
    ----------
    poles : Poles
        Modes and tones, everything that was fitted.
    projection : Projection
        Linear part for these poles.
    data : DecayData
        Whitened records.
    table : tuple of (int, float)
        Number of modes, and Schwarz' criterion of the best model with so many.
    converged : bool
        Whether the search over the poles came to rest.
    exhausted : bool
        True when the criterion still fell at the largest number of modes allowed.
    """

    poles: Poles
    projection: Projection
    data: DecayData
    table: tuple[tuple[int, float], ...]
    converged: bool
    exhausted: bool


def find_components(
    records: Sequence[np.ndarray],
    *,
    rate_hz: float,
    max_modes: int,
    colour: NoiseColour | None = None,
) -> Found:
    """Poles of modes and tones in groups of records of equal length, each (n_rows, n_samples).

    Parameters
    ----------
    records : sequence of ndarray
        Records without their mean.
    rate_hz : float
        Sample rate [Hz].
    max_modes : int
        Largest number of decaying components.
    colour : NoiseColour, optional
        First guess of the noise colour; by default it is taken from the records.
    """
    colour, poles = colour or noise_colour(records), Poles.none()
    for _ in range(_MAX_ROUNDS):
        data = DecayData.of(records, colour=colour, rate_hz=rate_hz)
        search = _Search(data, max_modes)
        more = search.add(poles)
        if more is None:
            more = search.prune(poles.freed())
        previous, colour = colour, noise_colour(_plain_residuals(more, data, records))
        if more.size == poles.size and _alike(previous, colour):
            break
        poles = more
    data = DecayData.of(records, colour=colour, rate_hz=rate_hz)
    search = _Search(data, max_modes)
    poles, projection, converged = search.fit(search.prune(poles.freed()), tolerance=1e-6)
    exhausted = search.n_modes(poles) >= max_modes and search.step_pays(poles, projection)
    order = np.argsort(poles.angular)
    poles = poles.only(order)
    return Found(
        poles=poles,
        projection=project(poles, data),
        data=data,
        table=search.table(poles),
        converged=converged,
        exhausted=exhausted,
    )


def pole_covariance(poles: Poles, projection: Projection, data: DecayData) -> tuple[np.ndarray, float]:
    """Covariance of all (σ, ω) (zero where held) and its degrees of freedom."""
    free = poles.free
    n_linear = sum(c.size for c in projection.coefficients)
    dof = data.n_samples - n_linear - int(free.sum())
    covariance = np.zeros((free.size, free.size))
    if dof > 0 and free.any():
        inverse = linalg.pinvh(projection.fisher[np.ix_(free, free)])
        covariance[np.ix_(free, free)] = inverse * projection.rss / dof
    return covariance, float(dof)


def _plain_residuals(poles: Poles, data: DecayData, records: Sequence[np.ndarray]) -> list[np.ndarray]:
    """Residuals as measured, not whitened."""
    linear = project(poles, data, derivatives=False).coefficients
    return [r - c.T @ columns(poles, np.arange(r.shape[1]) / data.rate_hz) for r, c in zip(records, linear)]


def _alike(one: NoiseColour, two: NoiseColour) -> bool:
    """True when two colours differ by less than 0.4 dB rms over frequency, level aside."""
    a, b = (np.log(np.abs(fft.rfft(c.coefficients, 512)) ** 2) for c in (one, two))
    return float(np.std(a - b)) < 0.1


class _Search:
    """Forward and backward steps under one noise colour."""

    def __init__(self, data: DecayData, max_modes: int) -> None:
        self.data, self.max_modes = data, max_modes
        self.floor = _FLOOR * data.power
        lengths = np.concatenate([[g.shape[1]] * g.shape[0] for g in data.groups])
        self.amplitude_price = 2 * float(np.log(lengths).sum())
        self.best: dict[int, float] = {}

    def criterion(self, rss: float, poles: Poles) -> float:
        """Schwarz' criterion; an amplitude is priced by the samples of its own record, a pole by all."""
        n = self.data.n_samples
        price = poles.free.sum() * math.log(n) + poles.size * self.amplitude_price
        return n * math.log(max(rss, self.floor, np.finfo(float).tiny) / n) + price

    def n_modes(self, poles: Poles) -> int:
        """Number of components that decay."""
        return int((~poles.steady).sum())

    def fit(self, poles: Poles, *, tolerance: float = 1e-3) -> tuple[Poles, Projection, bool]:
        """Refine, and hold steady what does not decay measurably."""
        while True:
            poles, projection, converged = refine(poles, self.data, tolerance=tolerance)
            covariance, _ = pole_covariance(poles, projection, self.data)
            error = np.sqrt(np.maximum(np.diag(covariance)[0::2], 0.0))
            slow = poles.decay_rate * self.data.longest_s * _STEADY_RECORDS < 1
            steady = slow | (poles.decay_rate < math.sqrt(math.log(self.data.n_samples)) * error)
            if not (steady & ~poles.steady).any():
                break
            poles = poles.held_steady(steady)
        key = self.n_modes(poles)
        self.best[key] = min(self.best.get(key, math.inf), self.criterion(projection.rss, poles))
        return poles, projection, converged

    def add(self, poles: Poles) -> Poles | None:
        """One component more, if that lowers the criterion; otherwise None."""
        poles, here, _ = self.fit(poles)
        if poles.size >= self.max_modes + _MAX_EXTRA:
            return None
        more, there, _ = self.fit(poles.plus(*self.start(here)))
        if self.n_modes(more) > self.max_modes or self.criterion(there.rss, more) >= self.criterion(here.rss, poles):
            return None
        return more

    def prune(self, poles: Poles) -> Poles:
        """Take components away while the criterion falls."""
        poles, here, _ = self.fit(poles)
        while poles.size:
            fewer = [poles.only(np.arange(poles.size) != k) for k in range(poles.size)]
            values = [self.criterion(project(p, self.data, derivatives=False).rss, p) for p in fewer]
            k = int(np.argmin(values))
            if values[k] >= self.criterion(here.rss, poles):
                break
            poles, here, _ = self.fit(fewer[k])
        return poles

    def step_pays(self, poles: Poles, here: Projection) -> bool:
        """Whether one component more would lower the criterion."""
        more, there, _ = self.fit(poles.plus(*self.start(here)))
        return self.criterion(there.rss, more) < self.criterion(here.rss, poles)

    def table(self, poles: Poles) -> tuple[tuple[int, float], ...]:
        """Criterion for every number of modes from none to one more than in `poles`."""
        while self.n_modes(poles):
            modes = np.flatnonzero(~poles.steady)
            fewer = [poles.only(np.arange(poles.size) != k) for k in modes]
            values = [project(p, self.data, derivatives=False).rss for p in fewer]
            poles, _, _ = self.fit(fewer[int(np.argmin(values))])
        return tuple(sorted(self.best.items()))

    def start(self, here: Projection) -> tuple[float, float]:
        """(σ, ω) of the tone, decaying or steady, that takes most out of the residual: a bank of matched filters."""
        data = self.data
        longest = max(g.shape[1] for g in data.groups)
        length = fft.next_fast_len(2 * longest, real=True)
        angular = 2 * math.pi * fft.rfftfreq(length, 1 / data.rate_hz)
        ladder = np.append(0.0, np.geomspace(0.5 / data.longest_s, data.rate_hz / 4, 8))
        best = (-math.inf, 0.0, 0.0)
        for rate in ladder:
            score = np.zeros(angular.size)
            for residual in here.residuals:
                weight = np.exp(-rate * np.arange(residual.shape[1]) / data.rate_hz)
                power = np.abs(fft.rfft(residual * weight, length, axis=1)) ** 2
                score += power.sum(axis=0) / (weight @ weight)
            allowed = (angular >= max(rate, 2 * math.pi / data.longest_s)) & (angular < 0.98 * angular[-1])
            score[~allowed] = -math.inf
            k = int(np.argmax(score))
            best = max(best, (float(score[k]), float(rate), float(angular[k])))
        return best[1], best[2]
