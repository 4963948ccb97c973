"""Creep under a held load: what came at once, what came slowly, and which law the record can tell."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from labkit.base import Estimate, check_array, check_number

__all__ = ["Creep", "creep_under_load"]

_LEAST_READINGS = 6
_EXPONENTS = (0.02, 1.0)  # below it a power cannot be told from a logarithm, at 1 it is a steady drift
_CLEAR_GAIN = 2.0  # a law with more constants must lower the information criterion by this much


@dataclass(frozen=True, kw_only=True)
class Creep:
    """Displacement under a held load, split into what came at once and what came slowly.

    Parameters
    ----------
    law : {"constant", "logarithm", "power"}
        The simplest law that describes the record.
    instantaneous_m : Estimate
        Displacement at the first reading under load [m]: what lies before it cannot be told apart.
    slow_m : Estimate
        Growth from the first to the last reading [m]; where no creep shows, that of a logarithm: its interval says
        how much would have stayed unseen.
    slow_share : Estimate
        The same as a share of the instantaneous part.
    exponent : Estimate
        Exponent n of the power law; no value with the other laws.
    first_s, last_s : float
        The record under load [s]; nothing is said outside it.
    residual_sd_m : float
        Scatter about the law [m].
    residual_correlation : float
        Correlation of neighbouring residuals; the errors are stretched for it.
    criteria : dict of str to float
        Bayesian information criterion of each law, relative to the best.
    coefficients : ndarray
        Of the law, in the order a, b, n of `creep_under_load`.
    notes : tuple of str
        What weakens the result, in words.
    """

    law: str
    instantaneous_m: Estimate
    slow_m: Estimate
    slow_share: Estimate
    exponent: Estimate
    first_s: float
    last_s: float
    residual_sd_m: float
    residual_correlation: float
    criteria: dict[str, float]
    coefficients: np.ndarray
    notes: tuple[str, ...]

    def displacement_m(self, time_s: float, *, beyond_record: bool = False) -> float:
        """Displacement by the law at a time under load [m].

        Parameters
        ----------
        time_s : float
            Time since the load was put on [s].
        beyond_record : bool
            True to read the law outside the record, where nothing was measured and no error can be stated.
        """
        check_number("time_s", time_s, above=0.0)
        if not (beyond_record or self.first_s <= time_s <= self.last_s):
            raise ValueError(
                f"time_s is {time_s:g} s, the record reaches from {self.first_s:g} s to {self.last_s:g} s; the law is "
                "only known there: hold the load longer, or say beyond_record=True and take it as a guess"
            )
        return float(_LAWS[self.law](np.array([time_s / self.first_s]), self.coefficients)[0])


def creep_under_load(
    time_s: Sequence[float],
    displacement_m: Sequence[float],
    *,
    reading_step_m: float,
    level: float = 0.95,
) -> Creep:
    """Instantaneous and slow part of the displacement under a load that is put on at time 0 and held.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Time since the load was put on [s], growing; readings at times ≤ 0 give the unloaded zero.
    displacement_m : array_like, shape (n,)
        Readings [m]; without readings before the load they count from the gauge's own zero.
    reading_step_m : float
        Step of the display or the dial [m]; 0 when it is far below the scatter.
    level : float
        Coverage of the intervals.

    Notes
    -----
    With t₁ the first reading: constant x = a; logarithm x = a + b·ln(t/t₁); power x = a + b·((t/t₁)ⁿ − 1),
    Findley's law (W. N. Findley, J. S. Lai and K. Onaran, Creep and Relaxation of Nonlinear Viscoelastic Materials,
    1976, from memory) written with the displacement a at t₁ in place of the unobservable one at 0. The simplest law
    is kept unless another lowers the Bayesian information criterion by 2. Errors: least-squares covariance, stretched
    by (1 + ρ)/(1 − ρ) for neighbouring residuals correlated by ρ (first-order autoregression), and rounding of levels.

    Examples
    --------
    >>> t = np.geomspace(10, 10_000, 13)
    >>> noise = 2e-7 * np.resize([1, -1, -1, 1], 13)
    >>> creep = creep_under_load(t, 400e-6 + 20e-6 * np.log10(t / 10) + noise, reading_step_m=0.0)
    >>> creep.law, round(1e6 * creep.instantaneous_m.value), round(1e6 * creep.slow_m.value)
    ('logarithm', 400, 60)
    """
    check_number("reading_step_m", reading_step_m, at_least=0.0)
    check_number("level", level, above=0.0, below=1.0)
    time, reading, n_zero, notes = _under_load(time_s, displacement_m)
    u, rounding = time / time[0], reading_step_m / math.sqrt(12)
    fits = {law: _Fitted(law=law, u=u, reading=reading, p=_fit(law, u, reading), step=reading_step_m) for law in _LAWS}
    criteria = {law: fit.criterion for law, fit in fits.items()}
    law = _simplest(criteria)
    chosen = fits[law]
    growing = fits["logarithm"] if law == "constant" else chosen
    level_error = math.hypot(rounding, *((rounding, chosen.sd / math.sqrt(n_zero)) if n_zero else ()))
    share_error = math.hypot(rounding, growing.slow(growing.p) / growing.p[0] * level_error) / abs(growing.p[0])
    return Creep(
        law=law,
        instantaneous_m=chosen.estimate(lambda q: q[0], level, other=level_error),
        slow_m=growing.estimate(growing.slow, level, other=rounding),
        slow_share=growing.estimate(lambda q: growing.slow(q) / q[0], level, other=share_error),
        exponent=chosen.estimate(lambda q: q[2], level) if law == "power" else Estimate.unknown(level=level),
        first_s=float(time[0]),
        last_s=float(time[-1]),
        residual_sd_m=chosen.sd,
        residual_correlation=chosen.correlation,
        criteria={name: value - min(criteria.values()) for name, value in criteria.items()},
        coefficients=chosen.p,
        notes=(*notes, *_notes(law, chosen.p, u, chosen.correlation)),
    )


@dataclass(frozen=True, kw_only=True)
class _Fitted:
    """A law fitted to readings at u = t/t₁."""

    law: str
    u: np.ndarray
    reading: np.ndarray
    p: np.ndarray
    step: float

    @property
    def residuals(self) -> np.ndarray:
        """Readings minus the law; zero where only the rounding of the arithmetic is left."""
        r = self.reading - _LAWS[self.law](self.u, self.p)
        return np.where(np.abs(r).max() > 1e-12 * np.abs(self.reading).max(), r, 0.0)

    @property
    def sd(self) -> float:
        return math.sqrt(float(self.residuals @ self.residuals) / (self.u.size - self.p.size))

    @property
    def correlation(self) -> float:
        """Correlation of neighbouring residuals, between 0 and 0.9."""
        r = self.residuals
        total = float(r @ r)
        return min(max(float(r[1:] @ r[:-1]) / total, 0.0), 0.9) if total > 0 else 0.0

    @property
    def criterion(self) -> float:
        """Bayesian information criterion; squares below the rounding, or that of the numbers, mean nothing."""
        size = max(float(np.abs(self.reading).max()), 1e-30)
        floor = max(self.step**2 / 12, (1e-9 * size) ** 2)
        mean_square = float(np.mean(self.residuals**2)) + floor
        return self.u.size * math.log(mean_square) + self.p.size * math.log(self.u.size)

    def slow(self, p: np.ndarray) -> float:
        """Growth over the record."""
        return float(_LAWS[self.law](self.u[-1:], p)[0] - p[0])

    def estimate(self, quantity: Callable[[np.ndarray], float], level: float, *, other: float = 0.0) -> Estimate:
        """A quantity of the constants by the law of propagation (GUM 5.2), `other` a further standard error."""
        rho, noise = self.correlation, max(self.sd, self.step / math.sqrt(12))
        jacobian = _gradient(lambda q: _LAWS[self.law](self.u, q), self.p)
        covariance = noise**2 * (1 + rho) / (1 - rho) * _inverse_normal(jacobian)
        gradient = _gradient(lambda q: np.atleast_1d(quantity(q)), self.p)[0]
        error = math.hypot(math.sqrt(max(0.0, float(gradient @ covariance @ gradient))), other)
        dof = self.u.size - self.p.size
        return Estimate.from_standard_error(float(quantity(self.p)), error or math.nan, dof=dof, level=level)


# ---------------------------------------------------------------------------------------------------------- laws
def _constant(u: np.ndarray, p: np.ndarray) -> np.ndarray:
    return np.full(u.size, p[0])


def _logarithm(u: np.ndarray, p: np.ndarray) -> np.ndarray:
    return p[0] + p[1] * np.log(u)


def _power(u: np.ndarray, p: np.ndarray) -> np.ndarray:
    return p[0] + p[1] * (u ** p[2] - 1)


_LAWS = {"constant": _constant, "logarithm": _logarithm, "power": _power}


def _fit(law: str, u: np.ndarray, reading: np.ndarray) -> np.ndarray:
    """Least-squares constants of a law."""
    if law == "constant":
        return np.array([reading.mean()])
    if law == "logarithm":
        return _line(np.log(u), reading)

    def misfit(n: float) -> float:
        return float(np.sum((reading - _power(u, np.array([*_line(u**n - 1, reading), n]))) ** 2))

    best = optimize.minimize_scalar(misfit, bounds=_EXPONENTS, method="bounded", options={"xatol": 1e-6})
    return np.array([*_line(u**best.x - 1, reading), best.x])


def _line(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.polynomial.polynomial.polyfit(x / x.max(), y, 1) / np.array([1.0, x.max()])


def _simplest(criteria: dict[str, float]) -> str:
    """The first law, from simple to rich, that no other beats clearly."""
    best = min(criteria.values())
    return next(law for law, value in criteria.items() if value <= best + _CLEAR_GAIN)


def _gradient(function: Callable[[np.ndarray], np.ndarray], p: np.ndarray) -> np.ndarray:
    """Central differences, shape (n, n_constants)."""
    steps = 1e-6 * np.maximum(np.abs(p), 1e-3 * np.abs(p).max())
    columns = [(function(p + d) - function(p - d)) / (2 * h) for h, d in zip(steps, np.diag(steps))]
    return np.column_stack(columns)


def _inverse_normal(jacobian: np.ndarray) -> np.ndarray:
    """(JᵀJ)⁻¹, columns scaled to one length first: metres and exponents stand side by side."""
    length = np.linalg.norm(jacobian, axis=0)
    scaled = jacobian / length
    return np.linalg.pinv(scaled.T @ scaled) / np.outer(length, length)


# -------------------------------------------------------------------------------------------------------- record
def _under_load(time_s: Sequence[float], displacement_m: Sequence[float]):
    """Times and readings under load, counted from the unloaded ones; how many these are; notes."""
    time = check_array("time_s", time_s, ndim=1, min_length=_LEAST_READINGS)
    reading = check_array("displacement_m", displacement_m, ndim=1, min_length=_LEAST_READINGS)
    if time.shape != reading.shape:
        raise ValueError(f"time_s has {time.size} values, displacement_m {reading.size}; they must pair")
    if (np.diff(time) <= 0).any():
        at = int(np.flatnonzero(np.diff(time) <= 0)[0]) + 1
        raise ValueError(f"time_s[{at}] is {time[at]:g} s after {time[at - 1]:g} s; times must grow: sort the table")
    loaded = time > 0
    if loaded.sum() < _LEAST_READINGS:
        raise ValueError(
            f"time_s has {loaded.sum()} readings after time 0, when the load is put on; a creep law needs at least "
            f"{_LEAST_READINGS}: read more often"
        )
    before, under = reading[~loaded], reading[loaded]
    if not before.size:
        return time[loaded], under, 0, ["no reading before the load: displacements count from the gauge's own zero"]
    return time[loaded], under - before.mean(), before.size, []


def _notes(law: str, p: np.ndarray, u: np.ndarray, rho: float) -> list[str]:
    notes = []
    if u[-1] < 10:
        notes.append(f"the last reading is only {u[-1]:.2g} times as late as the first: the laws hardly differ")
    if law == "constant":
        notes.append("no creep seen above the scatter")
    if law == "power" and p[2] > 0.97 * _EXPONENTS[1]:
        notes.append("it grows as evenly as a drift: rule out temperature and slip before calling it creep")
    if law != "constant" and p[1] < 0:
        notes.append("it goes back under the load: temperature, a slipping gauge or a sinking stand, not creep")
    if rho > 0.5:
        notes.append(f"neighbouring residuals correlate by {rho:.2f}: something else moved the gauge, errors are rough")
    return notes
