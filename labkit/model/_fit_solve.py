"""Engine of the fit: staged starts, least squares in the logarithms of the parameters.

Stages: low-discrepancy points over the whole range, judged softly (every observation counts as uncertain by a share
of its value); soft least squares from the best of them; least squares with the stated uncertainties from the best of
those. A single start ends in a wrong minimum more often than not, because modes of model and run get tied wrongly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy import optimize, stats
from scipy.stats import qmc

from labkit.model.fit_cases import Look, case_values, follow_modes, hidden_cost, settling_spread_s, tie_modes
from labkit.model.fit_parts import Case, Parameter

__all__ = ["Descent", "Point", "Problem", "staged_descents"]

_JUDGED = ("frequency_hz", "stiffness_n_per_m")
_SOFTEST, _SOFT = 0.15, 0.03  # share by which every observation counts as uncertain: judging starts, soft stage
_MOST = 3.0  # greatest |ln| ratio that counts in the soft stages
_STEP = 1e-4  # of ln(parameter), for derivatives
_NEAR = 1e-3  # |Δ ln f| that counts when modes are followed over such a step
_APART = 0.05  # distance in ln(parameter) of two ends that are not the same
_LEVELS = 32  # a parameter, of the points that are judged
_N_SOFT = 8  # soft descents of a round, for each parameter that starts are judged by
_SPREAD = 0.1  # of the range: starts of one round are further apart
_N_HARD = 4
_STEPS_SOFT, _STEPS_HARD = 8, 60
_SHAKES = (0.03, 0.1, 0.3)  # of ln: starts around the best end, when it does not fit
_MOST_ROUNDS = 3  # as long as nothing fits and each round finds something better
_FITS = 0.1  # χ² less likely than this by chance calls for further starts


@dataclass(frozen=True, eq=False, kw_only=True)
class Point:
    """The model of all cases at one set of parameters."""

    logs: np.ndarray
    looks: tuple[Look, ...]
    tied: tuple[dict[str, int], ...]

    @property
    def values(self) -> np.ndarray:
        """What the model says for all observations."""
        return np.concatenate([case_values(look, tied) for look, tied in zip(self.looks, self.tied)])

    @cached_property
    def hidden(self) -> float:
        """What speaks against its ties."""
        return sum(hidden_cost(look, tied) for look, tied in zip(self.looks, self.tied))


@dataclass(frozen=True, eq=False, kw_only=True)
class Problem:
    """What is to be fitted: measured values with their standard deviations, and priors as further rows."""

    cases: tuple[Case, ...]
    parameters: tuple[Parameter, ...]
    measured: np.ndarray
    sd: np.ndarray
    fixed: dict[str, float]  # parameters that stay
    prior_rows: np.ndarray  # numbers of the parameters that have a prior
    prior_logs: np.ndarray
    prior_sds: np.ndarray

    @property
    def n_rows(self) -> int:
        """Observations and priors."""
        return self.measured.size + self.prior_rows.size

    @cached_property
    def low(self) -> np.ndarray:
        """Lower bounds of the logarithms."""
        return np.log([p.low for p in self.parameters])

    @cached_property
    def high(self) -> np.ndarray:
        """Upper bounds of the logarithms."""
        return np.log([p.high for p in self.parameters])

    def numbers(self, logs: np.ndarray) -> dict[str, float]:
        """Parameters by name."""
        return self.fixed | {p.name: float(value) for p, value in zip(self.parameters, np.exp(logs))}

    def looks(self, logs: np.ndarray) -> tuple[Look, ...]:
        """The model in every case."""
        numbers, built = self.numbers(logs), {}
        for case in self.cases:
            if case.build not in built:
                built[case.build] = case.build(numbers)
        return tuple(Look(case=case, machine=built[case.build]) for case in self.cases)

    def at(self, logs: np.ndarray, softness: float = 0.0) -> Point:
        """The model with its modes tied to the measured ones."""
        looks = self.looks(logs)
        return Point(logs=logs, looks=looks, tied=tuple(tie_modes(look, softness=softness) for look in looks))

    def near(self, logs: np.ndarray, base: Point) -> Point:
        """The model at neighbouring parameters, its modes followed from `base`."""
        looks = self.looks(logs)
        before = zip(looks, base.tied, base.looks)
        return Point(
            logs=logs, looks=looks, tied=tuple(follow_modes(a, tied=t, before=b, near=_NEAR) for a, t, b in before)
        )

    def residuals(self, point: Point, softness: float) -> np.ndarray:
        """Differences of model and measurement over their uncertainty; of the logarithms in the soft stages."""
        values = point.values
        if softness:
            ratio = np.maximum(values, 1e-3 * self.measured) / np.where(self.measured > 0.0, self.measured, np.inf)
            share = self.sd / np.where(self.measured > 0.0, self.measured, np.inf)
            clear = self.measured > 2.0 * self.sd
            logs = np.clip(np.log(np.where(clear, ratio, 1.0)), -_MOST, _MOST)
            rows = logs / np.hypot(share, softness)
        else:
            rows = (values - self.measured) / self.sd
        prior = (point.logs[self.prior_rows] - self.prior_logs) / np.hypot(self.prior_sds, softness)
        return np.concatenate([rows, prior])

    def jacobian(self, point: Point, softness: float = 0.0) -> np.ndarray:
        """Derivatives of the residuals by the logarithms of the parameters."""
        here, columns = self.residuals(point, softness), []
        for number, top in enumerate(self.high):
            step = _STEP if point.logs[number] + _STEP <= top else -_STEP
            moved = point.logs.copy()
            moved[number] += step
            columns.append((self.residuals(self.near(moved, point), softness) - here) / step)
        return np.array(columns).T

    def middle(self) -> np.ndarray:
        """Logarithms in the middle of the bounds."""
        return 0.5 * (self.low + self.high)

    def judging(self) -> tuple[Problem, np.ndarray]:
        """The smaller problem by which starts are judged, and which parameters it has.

        Frequencies and pushes only, and without the parameters that do not matter for these (loss factors): they stay
        in the middle.
        """
        seen = [s for case in self.cases for s in case.observations]
        rows = np.array([s.quantity in _JUDGED for s in seen])
        every = self, np.ones(len(self.parameters), dtype=bool)
        if not rows.any():
            return every
        cases = tuple(
            replace(case, observations=tuple(s for s in case.observations if s.quantity in _JUDGED))
            for case in self.cases
        )
        small = replace(self, cases=cases, measured=self.measured[rows], sd=self.sd[rows])
        try:
            told = np.any(small.jacobian(small.at(self.middle(), _SOFTEST), _SOFTEST) != 0.0, axis=0)
        except ValueError:  # no machine in the middle of the bounds
            return every
        if not told.any():
            return every
        parameters = tuple(p for p, tells in zip(self.parameters, told) if tells)
        fixed = {p.name: float(np.exp(m)) for p, m, tells in zip(self.parameters, self.middle(), told) if not tells}
        kept = told[self.prior_rows]
        return replace(
            small,
            parameters=parameters,
            fixed=self.fixed | fixed,
            prior_rows=np.cumsum(told)[self.prior_rows[kept]] - 1,
            prior_logs=self.prior_logs[kept],
            prior_sds=self.prior_sds[kept],
        ), told

    def with_settling_spread(self, point: Point) -> Problem:
        """The problem with the spread of a last crossing before the envelope added to the settling times."""
        spreads = [
            settling_spread_s(look, seen) if seen.quantity == "settling_s" else 0.0
            for look in point.looks
            for seen in look.case.observations
        ]
        return replace(self, sd=np.hypot(self.sd, spreads))


@dataclass(frozen=True, eq=False, kw_only=True)
class Descent:
    """Where least squares from one start ended."""

    point: Point
    problem: Problem
    chi2: float
    converged: bool

    @property
    def spare(self) -> int:
        """Rows beyond the number of parameters, at least 1."""
        return max(self.problem.n_rows - len(self.problem.parameters), 1)

    def score(self, spread: float) -> float:
        """χ², and what speaks against the ties of the modes: an end that needs modes that do not show is no good.

        Parameters
        ----------
        spread : float
            χ²/dof of the best end, at least 1: where the model explains little, χ² is no strong evidence either.
        """
        return self.chi2 + spread * self.point.hidden


def _descend(problem: Problem, start: np.ndarray, *, softness: float, steps: int) -> Descent:
    seen: dict[bytes, Point] = {}

    def at(logs: np.ndarray) -> Point:
        key = logs.tobytes()
        if key not in seen:
            seen[key] = problem.at(logs, softness)
        return seen[key]

    def residuals(logs: np.ndarray) -> np.ndarray:
        try:
            return problem.residuals(at(logs), softness)
        except ValueError:  # no such machine (it tips over): the step is taken back
            return np.full(problem.n_rows, np.inf)

    close = 1e-3 if softness else 1e-7
    found = optimize.least_squares(
        residuals,
        np.clip(start, problem.low + 1e-6, problem.high - 1e-6),
        jac=lambda logs: problem.jacobian(at(logs), softness),
        bounds=(problem.low, problem.high),
        max_nfev=steps,
        x_scale=1.0,
        xtol=close,
        ftol=close,
        gtol=1e-7,
    )
    return Descent(point=at(found.x), problem=problem, chi2=2.0 * float(found.cost), converged=found.status > 0)


def staged_descents(
    problem: Problem,
    *,
    n_starts: int,
    rng: np.random.Generator,
    progress: Callable[[float], None] | None = None,
) -> list[Descent]:
    """Ends of the last stage, best first; ends that are the same are kept once.

    Parameters
    ----------
    problem : Problem
        What is to be fitted.
    n_starts : int
        Points of the first stage, a power of 2.
    rng : numpy.random.Generator
        Scrambles the points.
    progress : callable, optional
        Called with the share that is done.
    """
    tell = progress or (lambda share: None)
    small, told = problem.judging()
    waiting = _judged(small, qmc.Sobol(len(small.parameters), rng=rng).random(n_starts))
    ends: list[Descent] = []
    for number in range(_MOST_ROUNDS):
        tell((number + 1) / (_MOST_ROUNDS + 1))
        starts, waiting = _spread_out(waiting, apart=_SPREAD * (small.high - small.low))
        rough = _distinct(
            _all_that_end(lambda start: _descend(small, start, softness=_SOFT, steps=_STEPS_SOFT), starts)
        )
        whole = [end.point.logs for end in rough[:_N_HARD]]
        before = ends[0] if ends else None
        ends = _distinct([*ends, *_all_that_end(lambda logs: _finish(problem, _whole(problem, told, logs)), whole)])
        for width in _SHAKES:
            if _fits(ends[0]):
                break
            shaken = ends[0].point.logs + width * rng.standard_normal(len(problem.parameters))
            ends = _distinct([*ends, *_all_that_end(lambda start: _finish(problem, start), [shaken], ends)])
        if _fits(ends[0]) or ends[0] is before or not waiting:
            break
    tell(1.0)
    return ends


def _all_that_end(
    descend: Callable[[np.ndarray], Descent], starts: list[np.ndarray], others: Sequence[Descent] = ()
) -> list[Descent]:
    """Descents from all starts that do not run into parameters without a machine; an error when none is left."""
    ends, last = [], None
    for start in starts:
        try:
            ends.append(descend(start))
        except ValueError as error:
            last = error
    if last is not None and not ends and not others:
        raise last
    return ends


def _whole(problem: Problem, told: np.ndarray, logs: np.ndarray) -> np.ndarray:
    """All parameters after a soft descent, those that were not told beforehand from the middle."""
    start = problem.middle()
    start[told] = logs
    return _descend(problem, start, softness=_SOFT, steps=_STEPS_SOFT).point.logs


def _fits(end: Descent) -> bool:
    return float(stats.chi2.sf(end.score(1.0), end.spare)) > _FITS


def _finish(problem: Problem, start: np.ndarray) -> Descent:
    """Least squares with the stated uncertainties, and with the spread of the settling times as it is there."""
    exact = problem.with_settling_spread(problem.at(np.clip(start, problem.low, problem.high)))
    return _descend(exact, start, softness=0.0, steps=_STEPS_HARD)


def _judged(problem: Problem, unit: np.ndarray) -> list[np.ndarray]:
    """Points of the unit cube as logarithms, softly best first.

    On few levels a parameter, so that parts kept in a cache by the builder serve many points.
    """
    levels = (np.floor(unit * _LEVELS) + 0.5) / _LEVELS
    points = np.unique(problem.low + levels * (problem.high - problem.low), axis=0)
    costs, last = np.full(len(points), np.inf), None
    for number, logs in enumerate(points):
        try:
            point = problem.at(logs, _SOFTEST)
            costs[number] = np.sum(problem.residuals(point, _SOFTEST) ** 2) + point.hidden
        except ValueError as error:
            last = error
    if not np.isfinite(costs).any():
        raise ValueError(f"no set of parameters within the bounds makes a machine; the last one failed: {last}")
    return [points[number] for number in np.argsort(costs) if np.isfinite(costs[number])]


def _spread_out(waiting: list[np.ndarray], *, apart: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """The best points that are not next to each other, and those that are left."""
    taken: list[np.ndarray] = []
    left = []
    for point in waiting:
        near = any(np.all(np.abs(point - other) < apart) for other in taken)
        (left if near or len(taken) == _N_SOFT * apart.size else taken).append(point)
    return taken, left


def _same(end: Descent, other: Descent) -> bool:
    return bool(np.abs(end.point.logs - other.point.logs).max() <= _APART)


def _distinct(ends: list[Descent]) -> list[Descent]:
    """Best first, each end once."""
    kept: list[Descent] = []
    spread = max([1.0, *(min(end.chi2 for end in ends) / end.spare for end in ends[:1])])
    for end in sorted(ends, key=lambda e: e.score(spread)):
        if not any(_same(end, other) for other in kept):
            kept.append(end)
    return kept
