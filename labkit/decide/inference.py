"""Small-sample statistics behind a verdict: differences of means, power, repeats needed.

The unit of all of it is one independent repeat (one move), never one sample of a log.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special, stats

from labkit.base import Estimate, check_array, check_number

__all__ = [
    "EffectSize",
    "MeanDifference",
    "detectable_shift",
    "effective_dof",
    "hedges_g",
    "holm_adjusted",
    "holm_alphas",
    "mean_difference",
    "power_of_test",
    "relative_sd_of_sd",
    "repeats_needed",
    "without_scatter",
]

_MOST_REPEATS = 10**6  # more than this is "never"
_U, _WEIGHT = np.polynomial.legendre.leggauss(16)
_PROBABILITY, _SHARE = (_U + 1) / 2, _WEIGHT / 2  # average over a probability; a power is within about 1e-4


# ---------------------------------------------------------------------------------------- difference of means
@dataclass(frozen=True, kw_only=True)
class MeanDifference:
    """Mean after minus mean before, with Student's t.

    Parameters
    ----------
    difference : Estimate
        The difference; its interval is unknown without scatter.
    t, dof, p_value : float
        Statistic, degrees of freedom and two-sided probability of one at least as large by chance; nan without
        scatter.
    scatter : float
        Standard deviation of one repeat: root mean square of the two sides, or of the pair differences.
    """

    difference: Estimate
    t: float
    dof: float
    p_value: float
    scatter: float


def mean_difference(
    before: Sequence[float],
    after: Sequence[float],
    *,
    paired: bool = False,
    shared_errors: tuple[float, float] = (0.0, 0.0),
    level: float = 0.95,
) -> MeanDifference:
    """Welch's test (unequal variances) or the paired t test of after − before.

    B. L. Welch, Biometrika 34 (1947) 28 (from memory).

    Parameters
    ----------
    before, after : sequence of float
        One value a repeat, at least two a side.
    paired : bool
        True when repeat k before and repeat k after belong together (same start, same order).
    shared_errors : (float, float)
        Standard uncertainty that all values before share, and all after: it moves their mean and does not show in
        their scatter.
    level : float
        Coverage probability of the interval.

    Examples
    --------
    >>> result = mean_difference([1.0, 2.0, 3.0], [4.0, 6.0, 8.0])
    >>> result.difference.value, round(result.t, 4), round(result.dof, 3)
    (4.0, 3.0984, 2.941)
    """
    b, a = (check_array(name, v, ndim=1, min_length=2) for name, v in (("before", before), ("after", after)))
    if paired and a.size != b.size:
        raise ValueError(f"before has {b.size} repeats, after {a.size}; pairs need as many on both sides")
    sides = [a - b] if paired else [b, a]
    difference = float(a.mean() - b.mean())
    shared = [check_number("shared_errors", error, at_least=0.0) for error in shared_errors]
    shared = [math.hypot(*shared)] if paired else shared
    # a shared error weighs like the scatter of one repeat that would leave it in the mean
    deviations = np.array(
        [
            math.hypot(0.0 if without_scatter(side) else side.std(ddof=1), error * math.sqrt(side.size))
            for side, error in zip(sides, shared)
        ]
    )
    errors = deviations / np.sqrt([side.size for side in sides])
    error = float(np.hypot.reduce(errors))
    if error == 0.0:
        return MeanDifference(
            difference=Estimate.unknown(difference, level=level),
            t=math.nan,
            dof=math.nan,
            p_value=math.nan,
            scatter=0.0,
        )
    dof = effective_dof(errors, [side.size - 1 for side in sides])
    return MeanDifference(
        difference=Estimate.from_standard_error(difference, error, dof=dof, level=level),
        t=difference / error,
        dof=dof,
        p_value=float(2 * special.stdtr(dof, -abs(difference) / error)),
        scatter=float(np.sqrt(np.mean(deviations**2))),
    )


def without_scatter(values: np.ndarray) -> bool:
    """True when all values are the same up to rounding, so that they say nothing about their uncertainty.

    Parameters
    ----------
    values : ndarray
        At least one value.

    Examples
    --------
    >>> without_scatter(np.array([0.4, 0.4])), without_scatter(np.array([0.4, 0.41]))
    (True, False)
    """
    return bool(np.ptp(values) <= 1e-12 * np.abs(values).max())


def effective_dof(uncertainties: Sequence[float], dofs: Sequence[float]) -> float:
    """Degrees of freedom of a root sum of squares: u_c⁴/Σ(uᵢ⁴/νᵢ) (Welch–Satterthwaite; GUM, JCGM 100, Eq. G.2b).

    Parameters
    ----------
    uncertainties : sequence of float
        Standard uncertainties uᵢ, all in one unit.
    dofs : sequence of float
        Their degrees of freedom νᵢ; inf allowed.

    Examples
    --------
    >>> round(effective_dof([25.0, 9.7, 2.9, 16.6], [18, 25.6, 50, 2]), 2)
    16.76
    """
    u, nu = check_array("uncertainties", uncertainties, ndim=1), check_array("dofs", dofs, ndim=1, finite=False)
    if u.size != nu.size or not (nu > 0).all():
        raise ValueError(f"dofs is {nu.tolist()}; it must hold one number above 0 for each of {u.size} uncertainties")
    share = u**2 / np.sum(u**2) if u.any() else np.zeros(u.size)
    spread = float(np.sum(share**2 / nu))
    return 1 / spread if spread > 0 else math.inf


def relative_sd_of_sd(n: int) -> float:
    """How well n repeats know their own standard deviation: 1/√(2(n − 1)) (GUM, JCGM 100, E.4.3).

    Parameters
    ----------
    n : int
        Number of repeats.

    Examples
    --------
    >>> round(relative_sd_of_sd(30), 3)
    0.131
    """
    return 1 / math.sqrt(2 * (check_number("n", n, at_least=2) - 1))


# -------------------------------------------------------------------------------------------- power, repeats
def power_of_test(shift: float, *, dof: float, alpha: float = 0.05, scatter_dof: float = math.inf) -> float:
    """Probability that a two-sided t test sees a true shift of `shift` standard errors (noncentral t).

    Parameters
    ----------
    shift : float
        True shift over its standard error.
    dof : float
        Degrees of freedom of the test.
    alpha : float
        Probability of a false alarm.
    scatter_dof : float
        Degrees of freedom with which that standard error is known; the power is averaged over what it could truly be
        (s/σ ~ √(χ²/ν)). inf: known exactly, the textbook case.

    Examples
    --------
    >>> round(power_of_test(2.8, dof=18), 3)
    0.754
    """
    dof, alpha = check_number("dof", dof, above=0.0), check_number("alpha", alpha, above=0.0, below=1.0)
    shifts, shares = np.array([abs(check_number("shift", shift))]), np.ones(1)
    if math.isfinite(scatter_dof):
        shifts, shares = shifts * np.sqrt(stats.chi2.ppf(_PROBABILITY, scatter_dof) / scatter_dof), _SHARE
    critical = -special.stdtrit(dof, alpha / 2)
    # scipy gives nan where these probabilities underflow
    below = np.nan_to_num(special.nctdtr(dof, shifts, [[critical], [-critical]]), nan=0.0)
    return float(shares @ (1 - below[0] + below[1]))


def detectable_shift(*, dof: float, alpha: float = 0.05, power: float = 0.8, scatter_dof: float = math.inf) -> float:
    """Smallest true shift, in standard errors, that a two-sided t test sees with probability `power`.

    Parameters
    ----------
    dof, alpha, scatter_dof
        As in `power_of_test`.
    power : float
        Probability of seeing it, above alpha.

    Examples
    --------
    >>> round(detectable_shift(dof=18), 3)
    2.963
    """
    check_number("power", power, above=alpha, below=1.0)

    def missing(shift: float) -> float:
        return power_of_test(shift, dof=dof, alpha=alpha, scatter_dof=scatter_dof) - power

    high = 4.0
    while missing(high) < 0:
        high *= 2
    return float(optimize.brentq(missing, 0.0, high, xtol=1e-6))


def repeats_needed(
    effect: float,
    *,
    alpha: float = 0.05,
    power: float = 0.8,
    scatter_dof: float = math.inf,
    paired: bool = False,
) -> float:
    """Repeats a side (or pairs) with which a two-sided t test sees an effect; inf beyond a million.

    Parameters
    ----------
    effect : float
        True difference over the standard deviation of one repeat (of one pair difference).
    alpha, scatter_dof
        As in `power_of_test`.
    power : float
        Probability of seeing it.
    paired : bool
        True for pairs.

    Examples
    --------
    >>> repeats_needed(1.0), repeats_needed(2.0)
    (17.0, 6.0)
    """
    effect = abs(check_number("effect", effect))
    check_number("power", power, above=alpha, below=1.0)

    def enough(n: int) -> bool:
        shift, dof = (effect * math.sqrt(n), n - 1) if paired else (effect * math.sqrt(n / 2), 2 * n - 2)
        return power_of_test(shift, dof=dof, alpha=alpha, scatter_dof=scatter_dof) >= power

    low, high = 1, 2
    while not enough(high):
        low, high = high, 2 * high
        if high > _MOST_REPEATS:
            return math.inf
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return float(high)


# ---------------------------------------------------------------------------------------------- many metrics
def holm_adjusted(p_values: Sequence[float]) -> np.ndarray:
    """Probabilities adjusted for asking several questions at once (S. Holm, Scand. J. Statist. 6 (1979) 65).

    Parameters
    ----------
    p_values : sequence of float
        One a question.

    Examples
    --------
    >>> holm_adjusted([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    p = check_array("p_values", p_values, ndim=1, min_length=0)
    order = np.argsort(p, kind="stable")
    adjusted = np.empty(p.size)
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1)))
    return adjusted


def holm_alphas(p_values: Sequence[float], *, alpha: float = 0.05) -> np.ndarray:
    """The hurdle α/(m − i + 1) that each probability was held against; after the first failure it stays.

    A probability is at most its hurdle exactly when its Holm-adjusted value is at most `alpha`. So an interval of
    level 1 − hurdle leaves out "no change" exactly when the change is detected.

    Parameters
    ----------
    p_values : sequence of float
        One a question.
    alpha : float
        Probability of any false alarm.

    Examples
    --------
    >>> holm_alphas([0.01, 0.04, 0.03]).round(4).tolist()
    [0.0167, 0.025, 0.025]
    """
    p = check_array("p_values", p_values, ndim=1, min_length=0)
    order = np.argsort(p, kind="stable")
    hurdles = alpha / np.arange(p.size, 0, -1)
    failed = np.flatnonzero(holm_adjusted(p)[order] > alpha)
    if failed.size:
        hurdles[failed[0] :] = hurdles[failed[0]]
    result = np.empty(p.size)
    result[order] = hurdles
    return result


# ------------------------------------------------------------------------------------------------ effect size
@dataclass(frozen=True, kw_only=True)
class EffectSize:
    """Difference of means in standard deviations of one repeat.

    Parameters
    ----------
    d : float
        Difference over the pooled standard deviation.
    correction : float
        Hedges' exact small-sample factor J.
    g : float
        J·d.
    """

    d: float
    correction: float
    g: float


def hedges_g(before: Sequence[float], after: Sequence[float]) -> EffectSize:
    """Hedges' g of after − before: J = Γ(ν/2)/(√(ν/2)·Γ((ν−1)/2)), ν = n₁ + n₂ − 2 (Hedges 1981, from memory).

    Parameters
    ----------
    before, after : sequence of float
        One value a repeat, at least two a side.

    Examples
    --------
    >>> round(hedges_g([1.0, 2.0, 3.0], [2.0, 3.0, 4.0]).g, 4)
    0.7979
    """
    b, a = (check_array(name, v, ndim=1, min_length=2) for name, v in (("before", before), ("after", after)))
    nu = a.size + b.size - 2
    pooled = math.sqrt(((b.size - 1) * b.var(ddof=1) + (a.size - 1) * a.var(ddof=1)) / nu)
    if pooled == 0.0:
        raise ValueError("all values are equal on both sides; an effect size needs scatter")
    d = float(a.mean() - b.mean()) / pooled
    correction = math.exp(math.lgamma(nu / 2) - math.lgamma((nu - 1) / 2)) / math.sqrt(nu / 2)
    return EffectSize(d=d, correction=correction, g=correction * d)
