"""Which components does a set of decays hold? Search, order and noise colour of the modal fit.

Components are added one by one where a damped (or steady) tone takes most out of the whitened residual. Each time all
poles are refined together and the noise colour is estimated afresh from what is left; Schwarz' criterion of the whole
(poles, amplitudes, noise colour) decides. Since a strong mode that is not yet in the model passes for noise colour and
may hide itself, every addition is also tried as if the noise were white.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft, stats

from labkit.analyse._decay_errors import pole_covariance, residual_dof
from labkit.analyse._decay_fit import DecayData, Poles, Projection, columns, project, recentred, refine
from labkit.analyse.whitening import WHITE, NoiseColour, noise_colour

__all__ = ["Found", "SearchLimits", "find_components"]

_MAX_ROUNDS = 40
_MAX_EXTRA = 12  # tones, and components outside the band, that may stand beside the modes
_STEADY_RECORDS = 10.0  # a decay that lasts longer than this many records counts as a steady tone
_STEADY_RECORDS_MAINS = 3.0  # the same near a multiple of the mains frequency, and how near is near
_NEAR_MAINS = 0.01
_MAX_DAMPING = 0.5  # more than this is no oscillation that a frequency describes
_LOOSEST = 2  # highest power of t in the columns of a component that is not quite the same in all repeats
_SLOW = 30.0  # radians a record below which a start may be creep instead of a tone
_FEWEST_REPEATS = 3  # with fewer, scatter between repeats is not looked for beyond the criterion
_SCATTER_RISK = 0.01  # of taking noise for scatter between repeats
_FLOOR = 1e-16  # a residual below 1e-8 of the record is rounding, not noise
_ROUGH, _FINE = 1e-2, 1e-6  # tolerances of the search, as shares of the noise variance


@dataclass(frozen=True, kw_only=True)
class SearchLimits:
    """What counts as a mode.

    Parameters
    ----------
    max_modes : int
        Largest number of modes.
    band_hz : (float, float)
        Modes lie inside [Hz]; what decays outside is fitted but is no mode.
    mains_hz : tuple of float
        Mains frequencies near whose multiples a tone must decay fast to count as a mode [Hz].
    """

    max_modes: int
    band_hz: tuple[float, float]
    mains_hz: tuple[float, ...]

    def modes(self, poles: Poles) -> np.ndarray:
        """Which components are modes: decaying, oscillating, inside the band."""
        frequency = np.abs(poles.s) / (2 * math.pi)
        inside = (frequency >= self.band_hz[0]) & (frequency <= self.band_hz[1])
        return ~poles.steady & inside & (poles.decay_rate <= _MAX_DAMPING * np.abs(poles.s))

    def slowest_rate(self, poles: Poles, record_s: float) -> np.ndarray:
        """Decay rate [1/s] below which each component counts as steady."""
        frequency = poles.angular / (2 * math.pi)
        near = np.zeros(poles.size, bool)
        for mains in self.mains_hz:
            multiple = np.maximum(np.round(frequency / mains), 1)
            near |= np.abs(frequency / (multiple * mains) - 1) < _NEAR_MAINS
        return 1 / (record_s * np.where(near, _STEADY_RECORDS_MAINS, _STEADY_RECORDS))


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
        Records, whitened with the colour of what was left.
    is_mode : ndarray of bool
        Which components are modes.
    table : tuple of (int, float)
        Number of modes, and Schwarz' criterion of the best model with so many.
    converged : bool
        Whether the search over the poles came to rest.
    exhausted : bool
        True when one mode more than allowed would have lowered the criterion.
    """

    poles: Poles
    projection: Projection
    data: DecayData
    is_mode: np.ndarray
    table: tuple[tuple[int, float], ...]
    converged: bool
    exhausted: bool


def find_components(
    records: Sequence[np.ndarray],
    *,
    rate_hz: float,
    limits: SearchLimits,
    colour: NoiseColour | None = None,
) -> Found:
    """Poles of modes and tones in groups of records of equal length, each (n_rows, n_samples).

    Parameters
    ----------
    records : sequence of ndarray
        Records without their mean.
    rate_hz : float
        Sample rate [Hz].
    limits : SearchLimits
        What counts as a mode.
    colour : NoiseColour, optional
        First guess of the noise colour; by default it is taken from the records.
    """
    search = _Search(records, rate_hz, limits)
    model = search.settled(Poles.none(), colour or noise_colour(records))
    seen: set[tuple[int, float]] = set()
    while len(seen) < _MAX_ROUNDS:
        better = search.grown(model) or search.pruned(model)
        # what was added and taken away again would come back for ever
        if better is None or (visit := (better.poles.size, round(better.criterion, 1))) in seen:
            break
        seen.add(visit)
        model = better
    poles = model.poles.only(np.argsort(model.poles.angular))
    poles, projection, converged = search.fit(poles, model.data, tolerance=_FINE)
    table = search.table(poles, model.data)
    scattered = _scattered(poles, projection, model.data)
    if scattered.any():
        poles = replace(poles, loose=np.where(scattered, 1, poles.loose))
        poles, projection, converged = search.fit(poles, model.data, tolerance=_FINE)
    return Found(
        poles=poles,
        projection=projection,
        data=model.data,
        is_mode=limits.modes(poles),
        table=table,
        converged=converged,
        exhausted=search.overfull,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Model:
    poles: Poles
    projection: Projection
    data: DecayData
    criterion: float


class _Search:
    """Forward and backward steps on one set of records."""

    def __init__(self, records: Sequence[np.ndarray], rate_hz: float, limits: SearchLimits) -> None:
        self.records, self.rate_hz, self.limits = records, rate_hz, limits
        self.n_samples = sum(r.size for r in records)
        self.floor = max(_FLOOR * sum(float((r**2).sum()) for r in records), np.finfo(float).tiny)
        self.amplitude_price = sum(2 * r.shape[0] * math.log(r.shape[1]) for r in records)
        self.n_rows = sum(r.shape[0] for r in records)
        self.overfull = False

    def criterion(self, rss: float, poles: Poles, data: DecayData) -> float:
        """Schwarz' criterion; an amplitude is priced by the samples of its own record, a pole by all."""
        n = self.n_samples
        price = (poles.free.sum() + data.colour.order) * math.log(n)
        price += ((1 + poles.loose).sum() + 2.5 * poles.creep) * self.amplitude_price
        return n * math.log(max(rss, self.floor) / n) - 2 * data.n_rows * data.colour.log_determinant + price

    def whitened(self, colour: NoiseColour) -> DecayData:
        return DecayData.of(self.records, colour=colour, rate_hz=self.rate_hz)

    def settled(self, poles: Poles, colour: NoiseColour) -> _Model:
        """Fit under one colour, then under the colour of what that leaves."""
        data = self.whitened(colour)
        poles, projection, _ = self.fit(poles, data)
        data = self.whitened(noise_colour(self.plain_residuals(poles, projection)))
        poles, projection, _ = self.fit(poles, data)
        criterion = self.criterion(projection.rss, poles, data)
        return _Model(poles=poles, projection=projection, data=data, criterion=criterion)

    def plain_residuals(self, poles: Poles, projection: Projection) -> list[np.ndarray]:
        """Residuals as measured, not whitened."""
        pairs = zip(self.records, projection.coefficients)
        return [r - c.T @ columns(poles, np.arange(r.shape[1]) / self.rate_hz) for r, c in pairs]

    def fit(self, poles: Poles, data: DecayData, *, tolerance: float = _ROUGH) -> tuple[Poles, Projection, bool]:
        """Refine, and hold steady what does not decay measurably."""
        while True:
            try:
                poles, projection, converged = self.refined(poles, data, tolerance)
            except np.linalg.LinAlgError:
                poles = _without_dependent(poles, data.longest_s)
                continue
            covariance = pole_covariance(poles, projection, data)
            error = np.sqrt(np.maximum(np.diag(covariance)[0::2], 0.0))
            steady = poles.decay_rate < self.limits.slowest_rate(poles, data.longest_s)
            # a freed σ must pay its price in the criterion
            steady |= poles.decay_rate < math.sqrt(math.log(self.n_samples)) * error
            if not (steady & ~poles.steady).any():
                return poles, projection, converged
            poles = poles.held_steady(steady)

    def refined(self, poles: Poles, data: DecayData, tolerance: float) -> tuple[Poles, Projection, bool]:
        """Refine the shared poles and recentre the loose ones, in turn."""
        for _ in range(3 if poles.loose.any() else 1):
            poles, projection, converged = refine(poles, data, tolerance=tolerance)
            if poles.loose.any():
                poles = recentred(poles, projection)
                projection = project(poles, data)
        return poles, projection, converged

    def grown(self, model: _Model) -> _Model | None:
        """One component more, or one looser, if that lowers the criterion."""
        if model.poles.size >= self.limits.max_modes + _MAX_EXTRA or model.projection.rss <= self.floor:
            return None
        for colour in dict.fromkeys((model.data.colour, WHITE)):
            data = model.data if colour is model.data.colour else self.whitened(colour)
            here = model.projection if colour is model.data.colour else project(model.poles, data)
            start = _strongest(here, data)
            gains = {}
            for poles in self.candidates(model.poles, *start, data.longest_s):
                more = self.settled(poles, colour)
                before, without, _ = self.fit(model.poles, more.data)
                gain = self.criterion(without.rss, before, more.data) - more.criterion
                whole = more.poles.size == poles.size and before.size == model.poles.size
                if gain > 0 and whole and not _has_twins(more.poles):
                    gains[gain] = more
            if gains:
                best = gains[max(gains)]
                if self.limits.modes(best.poles).sum() <= self.limits.max_modes:
                    return best
                self.overfull = True
        return None

    def candidates(self, poles: Poles, decay_rate: float, angular: float, record_s: float) -> list[Poles]:
        """A new component at a start, or the component close to it made looser, or creep allowed for."""
        found = [poles.freed().plus(decay_rate, angular)]
        if not poles.creep and (angular * record_s < _SLOW or angular < 2 * decay_rate):
            found.append(replace(poles.freed(), creep=True))
        if poles.size and self.n_rows > 1:
            reach = 3 * poles.decay_rate + 4 * math.pi / record_s
            distance = np.abs(poles.angular - angular) / reach
            k = int(np.argmin(distance))
            oscillates = poles.angular[k] > max(4 * math.pi / record_s, 2 * poles.decay_rate[k])
            if distance[k] < 1 and oscillates and poles.loose[k] < _LOOSEST:
                found.append(poles.freed().loosened(k))
        return found

    def pruned(self, model: _Model) -> _Model | None:
        """One component less, if that lowers the criterion."""
        poles = model.poles
        if not poles.size:
            return None
        fewer = [poles.without(k) for k in range(poles.size)]
        left = [self.left(p, poles.angular[k], model.data) for k, p in enumerate(fewer)]
        poles, projection, _ = self.fit(fewer[int(np.argmin(left))].freed(), model.data)
        if self.criterion(projection.rss, poles, model.data) >= model.criterion:
            return None
        return self.settled(poles, model.data.colour)

    def left(self, fewer: Poles, angular: float, data: DecayData) -> float:
        """Residual without the component at `angular`; refined when a close neighbour could take its place."""
        close = np.abs(fewer.angular - angular) * data.longest_s < 3 * math.pi
        if close.any():
            return self.fit(fewer.freed(), data)[1].rss
        return project(fewer, data, derivatives=False).rss

    def table(self, poles: Poles, data: DecayData) -> tuple[tuple[int, float], ...]:
        """Criterion under the final colour with as many modes, each number less, and one more."""
        best: dict[int, float] = {}

        def note(p: Poles, rss: float) -> None:
            key = int(self.limits.modes(p).sum())
            best[key] = min(best.get(key, math.inf), self.criterion(rss, p, data))

        here = project(poles, data)
        more, there, _ = self.fit(poles.plus(*_strongest(here, data)), data)
        note(more, there.rss)
        note(poles, here.rss)
        while (modes := np.flatnonzero(self.limits.modes(poles))).size:
            fewer = [poles.without(k) for k in modes]
            left = [project(p, data, derivatives=False).rss for p in fewer]
            poles, here, _ = self.fit(fewer[int(np.argmin(left))], data)
            note(poles, here.rss)
        return tuple(sorted(best.items()))


def _strongest(here: Projection, data: DecayData) -> tuple[float, float]:
    """(σ, ω) of the tone, decaying or steady, that takes most out of the residual: a bank of matched filters."""
    best = (-math.inf, 0.0, 0.0)
    lowest = 2 * math.pi / data.longest_s
    for rate in np.append(0.0, np.geomspace(0.5 / data.longest_s, data.rate_hz / 4, 8)):
        longest = max(r.shape[1] for r in here.residuals)
        reach = longest if rate == 0 else min(longest, math.ceil(8 * data.rate_hz / rate))
        length = fft.next_fast_len(2 * max(reach, 32), real=True)
        score = np.zeros(length // 2 + 1)
        for residual in here.residuals:
            weight = np.exp(-rate * np.arange(min(reach, residual.shape[1])) / data.rate_hz)
            power = np.abs(fft.rfft(residual[:, : weight.size] * weight, length, axis=1)) ** 2
            score += power.sum(axis=0) / (weight @ weight)
        angular = 2 * math.pi * fft.rfftfreq(length, 1 / data.rate_hz)
        score[(angular < max(rate, lowest)) | (angular > 0.98 * angular[-1])] = -math.inf
        k = int(np.argmax(score))
        best = max(best, (float(score[k]), float(rate), float(angular[k])))
    return best[1], best[2]


def _without_dependent(poles: Poles, record_s: float) -> Poles:
    """The components less the one whose columns depend on others: what is too slow to tell from drift, or a twin."""
    slowest = int(np.argmin(np.abs(poles.s)))
    if np.abs(poles.s[slowest]) * record_s < 4 * math.pi:
        return poles.without(slowest)
    apart = np.abs(poles.s[:, np.newaxis] - poles.s) + np.diag(np.full(poles.size, math.inf))
    return poles.without(int(np.argmin(apart)) % poles.size)


def _scattered(poles: Poles, projection: Projection, data: DecayData) -> np.ndarray:
    """Which shared poles differ between repeats by more than the noise explains (χ² test)."""
    scattered, rows = np.zeros(poles.size, bool), data.n_rows
    variance = projection.rss / max(residual_dof(poles, projection, data), 1)
    if rows < _FEWEST_REPEATS or variance == 0:
        return scattered
    for k in np.flatnonzero(~poles.steady & (poles.loose == 0)):
        drop = projection.rss - project(poles.loosened(k), data, derivatives=False).rss
        scattered[k] = stats.chi2.sf(drop / variance, 2 * (rows - 1)) < _SCATTER_RISK
    return scattered


def _has_twins(poles: Poles) -> bool:
    """Whether two oscillations lie closer together than the faster of them decays: one mode, not the same twice."""
    poles = poles.only(poles.decay_rate < _MAX_DAMPING * np.abs(poles.s))
    apart = np.abs(poles.s[:, np.newaxis] - poles.s) + np.diag(np.full(poles.size, math.inf))
    reach = np.maximum.outer(poles.decay_rate, poles.decay_rate)
    return bool((apart < reach).any())
