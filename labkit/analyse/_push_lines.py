"""Parallel lines through the repeats of a push test, and the errors of whatever is read off them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from labkit.analyse._push_repeats import LEAST_LOADS, PushRepeat, keep
from labkit.base import Estimate, Interval

_TURN_ROUNDS = 8
_MOST_FLATTENING = 0.2  # beyond it the correction for noise in the load hangs on its stated size

Weights = Callable[[PushRepeat], np.ndarray | None]


@dataclass(frozen=True, kw_only=True)
class Parts:
    """A mean over the repeats with the parts of its standard uncertainty."""

    value: float
    random: float
    dof: float
    hidden: float

    def estimate(self, level: float, *others: float) -> Estimate:
        """All parts and `others` in squares, half widths as well as standard errors.

        Adding the half widths keeps the interval long enough where few repeats scatter little by chance; effective
        degrees of freedom (GUM G.2b) do not: 86 % instead of 95 % with three repeats and a coarse dial.
        """
        error = math.hypot(self.random, self.hidden, *others)
        if not error > 0.0 or (self.random > 0.0 and not self.dof > 0):  # nothing to tell the uncertainty from
            return Estimate.unknown(self.value, level=level)
        normal = float(special.ndtri(0.5 + level / 2))
        student = float(special.stdtrit(self.dof, 0.5 + level / 2)) if math.isfinite(self.dof) else normal
        half = math.hypot(student * self.random, *(normal * other for other in (self.hidden, *others)))
        interval = Interval(low=self.value - half, high=self.value + half, level=level)
        return Estimate(value=self.value, standard_error=error, interval=interval)


@dataclass(frozen=True, kw_only=True)
class PushLines:
    """Repeats with their used readings marked; x = (load − centre)/half runs from −1 to 1."""

    repeats: list[PushRepeat]
    centre: float
    half: float
    force_sd: float
    reading_sd: float
    step: float
    level: float
    turn_n: float = 0.0

    # ------------------------------------------------------------------------------------ weights of one repeat
    def slope(self, repeat: PushRepeat) -> np.ndarray:
        """Compliance, freed of the flattening by noise in the load."""
        return self._coefficient(repeat) / (self.half * (1.0 - self.flattening(repeat)))

    def flattening(self, repeat: PushRepeat) -> float:
        """Share of the loads' sum of squares that is their noise."""
        x = repeat.centred(repeat.force)
        return (x.size - 1 - repeat.both_ways) * self.force_sd**2 / float(x @ x)

    def loop(self, repeat: PushRepeat) -> np.ndarray | None:
        """Falling minus rising branch."""
        if not repeat.both_ways:
            return None
        return self._coefficient(repeat, row=slice(2)).T @ [-1.0, 1.0]

    def branches(self, repeat: PushRepeat) -> np.ndarray | None:
        """Slope of the falling minus that of the rising branch."""
        return self._coefficient(repeat, column="branch") / self.half if repeat.both_ways else None

    def bow(self, repeat: PushRepeat) -> np.ndarray:
        """Coefficient of x²."""
        return self._coefficient(repeat, column="bow")

    def gap(self, repeat: PushRepeat, *, preload_n: float) -> np.ndarray | None:
        """How far the first reading at the lowest load lies below the rising line."""
        rising = np.flatnonzero(~repeat.falling)
        if not (rising.size and repeat.used[rising].any()):
            return None
        position = rising[repeat.force[rising].argmin()]
        if repeat.force[position] >= preload_n * (1 - 1e-9):
            return None
        away = repeat.force[position] - repeat.force[repeat.used & ~repeat.falling].mean()
        weights = repeat.line_at(position, centre=self.centre, half=self.half)
        weights += away * self.flattening(repeat) * self.slope(repeat)
        weights[position] -= 1.0
        return weights

    def zero_shift(self, repeat: PushRepeat) -> np.ndarray | None:
        """Last minus first reading where the load came back."""
        near = max(0.02 * self.half, 4 * self.force_sd)
        if not repeat.falling[-1] or repeat.falling[0] or abs(repeat.force[-1] - repeat.force[0]) > near:
            return None
        weights = np.zeros(repeat.force.size)
        weights[[0, -1]] = -1.0, 1.0
        return weights

    def _coefficient(self, repeat: PushRepeat, *, row: int | slice = -1, column: str = "") -> np.ndarray:
        return repeat.weights(row=row, column=column, centre=self.centre, half=self.half)

    # ------------------------------------------------------------------------------------------ over the repeats
    def slopes(self) -> np.ndarray:
        """Compliance of each repeat."""
        return np.array([self.slope(repeat) @ repeat.reading for repeat in self.repeats])

    def parts(
        self, weights: Weights, *, column: str = "", by_scatter: bool = True, levels: bool = False
    ) -> Parts | None:
        """Mean over the repeats and its errors, from their scatter or from the residuals of a line with `column`.

        `levels` says that the result is a difference of two levels, each of which may be rounded alike at all loads.
        """
        weighed = [(repeat, weights(repeat)) for repeat in self.repeats]
        weighed = [(repeat, row) for repeat, row in weighed if row is not None]
        if not weighed:
            return None
        having, rows = zip(*weighed)
        values, n = np.array([row @ repeat.reading for repeat, row in weighed]), len(weighed)
        noise, dof = self._noise(column)
        random = noise * math.sqrt(sum(float(w @ w) for w in rows)) / n
        by_scatter &= n > 1 and bool(np.ptp(values) > 1e-9 * np.abs(values).max())
        if by_scatter:
            random, dof = float(values.std(ddof=1)) / math.sqrt(n), n - 1
        hidden = math.sqrt(2) * self._rounding() if levels else self._hidden_rounding(having, rows, by_scatter)
        return Parts(value=float(values.mean()), random=random, dof=dof, hidden=hidden)

    def estimate(self, weights: Weights, *, other: float = 0.0, **how: object) -> Estimate:
        """Mean over the repeats, `other` a further standard error; no value when no repeat has one."""
        parts = self.parts(weights, **how)
        return Estimate.unknown(level=self.level) if parts is None else parts.estimate(self.level, other)

    def residuals(self, repeat: PushRepeat, column: str = "") -> np.ndarray:
        """Used readings minus their line."""
        design = repeat.design(column, centre=self.centre, half=self.half)[repeat.used]
        reading = repeat.reading[repeat.used]
        return reading - design @ np.linalg.lstsq(design, reading, rcond=None)[0]

    def residual_sd(self, column: str = "") -> float:
        """Scatter about the lines, all repeats together."""
        dof = self._dof(column)
        total = sum(float(np.sum(self.residuals(repeat, column) ** 2)) for repeat in self.repeats)
        return math.sqrt(total / dof) if dof > 0 else math.nan

    def stated_sd(self, compliance: float) -> float:
        """Scatter to be expected from the stated errors."""
        return math.hypot(self.reading_sd, compliance * self.force_sd, self.step / math.sqrt(12))

    def _dof(self, column: str) -> int:
        return sum(repeat.spare - (column != "") for repeat in self.repeats)

    def _noise(self, column: str) -> tuple[float, float]:
        """Standard deviation of one reading and its degrees of freedom: seen, but not below the rounding."""
        seen = self.residual_sd(column)
        travel = max(float(np.ptp(repeat.reading)) for repeat in self.repeats)
        if seen <= 1e-9 * travel:
            return self.stated_sd(travel / (2 * self.half)), math.inf
        return max(seen, self.step / math.sqrt(12)), self._dof(column)

    def _rounding(self) -> float:
        """Standard error of rounding that the noise of the readings does not average out."""
        if self.step == 0.0:
            return 0.0
        rough = max(float(np.ptp(r.reading[r.used]) / np.ptp(r.force[r.used])) for r in self.repeats)
        noise = math.hypot(self.reading_sd, rough * self.force_sd)
        return self.step / math.sqrt(12) * math.exp(-2 * (math.pi * noise / self.step) ** 2)

    def _hidden_rounding(self, repeats: Sequence[PushRepeat], rows: Sequence[np.ndarray], by_scatter: bool) -> float:
        """Error of rounding that neither scatter nor residuals show: the same value shown at the same load."""
        if self.step == 0.0:
            return 0.0
        one = self._rounding()
        shown_value = np.concatenate([np.rint(repeat.reading / self.step) for repeat in repeats])
        load = np.concatenate([np.rint(20 * repeat.force / self.half) for repeat in repeats])
        group = np.unique(np.column_stack([shown_value, load]), axis=0, return_inverse=True)[1].ravel()
        owner = np.repeat(np.arange(len(rows)), [w.size for w in rows])
        weights = np.concatenate(rows)

        def variance(w: np.ndarray) -> float:
            return one**2 * float(np.sum(np.bincount(group, w) ** 2))

        n = len(rows)
        of_mean = variance(weights / n)
        if by_scatter:
            shown = (sum(variance(weights * (owner == k)) for k in range(n)) - n * of_mean) / (n * (n - 1))
        else:
            shown = one**2 * float(weights @ weights) / n**2
        return math.sqrt(max(0.0, of_mean - shown))


def fit_lines(
    repeats: list[PushRepeat],
    *,
    preload_n: float,
    errors: tuple[float, float, float],
    level: float,
) -> PushLines:
    """Lines through the readings that are clear of the preload and of the turns (found in rounds)."""
    turn_n = 0.0
    for _ in range(_TURN_ROUNDS):
        lines = _lines(repeats, preload_n, turn_n, errors, level)
        loop = lines.parts(lines.loop, by_scatter=False, levels=True)
        slope = float(lines.slopes().mean())
        if loop is None or slope <= 0 or loop.value <= 2 * math.hypot(loop.random, loop.hidden):
            break
        needed = (loop.value + loop.random) / slope
        if needed <= turn_n * 1.001:
            break
        turn_n = needed
    return lines


def _lines(
    repeats: list[PushRepeat], preload_n: float, turn_n: float, errors: tuple[float, float, float], level: float
) -> PushLines:
    kept = [keep(repeat, preload_n=preload_n, turn_n=turn_n) for repeat in repeats]
    kept = [repeat for repeat in kept if repeat.used.any()]
    if not kept:
        why = f" and {turn_n:.3g} N away from the turns, where friction still holds" if turn_n else ""
        raise ValueError(
            f"no branch of force_n has {LEAST_LOADS} loads at or above the preload of {preload_n:g} N{why}; push in "
            "more steps, further, or state the preload smaller"
        )
    loads = np.concatenate([repeat.force[repeat.used] for repeat in kept])
    force_sd, reading_sd, step = errors
    lines = PushLines(
        repeats=kept,
        centre=float(loads.max() + loads.min()) / 2,
        half=float(np.ptp(loads)) / 2,
        force_sd=force_sd,
        reading_sd=reading_sd,
        step=step,
        level=level,
        turn_n=turn_n,
    )
    worst = max(lines.flattening(repeat) for repeat in kept)
    if worst > _MOST_FLATTENING:
        raise ValueError(
            f"force_sd_n is {force_sd:g} N: {100 * worst:.0f} % of the spread of the loads would be noise, and the "
            "slope hangs on it; push over a wider range or measure the load better"
        )
    return lines
