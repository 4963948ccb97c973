"""Bounds on what a share of all moves stays under, from order statistics alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from labkit.base import check_array, check_number

__all__ = ["QuantileBound", "quantile_bound", "repeats_for_maximum"]


@dataclass(frozen=True, kw_only=True)
class QuantileBound:
    """An upper bound on what a share of all repeats stays under, without assuming a distribution.

    Parameters
    ----------
    value : float
        The bound, one of the measured values; nan when there are too few repeats for `confidence`.
    coverage, confidence : float
        Share of all future repeats, and the confidence asked for.
    rank, n : int
        The bound is the rank-th smallest of n; rank 0 without a bound.
    confidence_of_maximum : float
        Confidence 1 − coverageⁿ that the largest value gives.
    repeats_needed : int
        Repeats with which the largest value gives the confidence asked for.
    """

    value: float
    coverage: float
    confidence: float
    rank: int
    n: int
    confidence_of_maximum: float
    repeats_needed: int


def quantile_bound(values: Sequence[float], *, coverage: float = 0.9, confidence: float = 0.9) -> QuantileBound:
    """Upper bound on a quantile by order statistics: P(X₍ᵣ₎ ≥ q_p) = P(Bin(n, p) ≤ r − 1) (Wilks 1941, from memory).

    Parameters
    ----------
    values : sequence of float
        One value a repeat, for example settling times [s]; inf for a move that never settled.
    coverage : float
        The quantile p: share of all repeats that is to stay under the bound.
    confidence : float
        Confidence that it does.

    Examples
    --------
    >>> bound = quantile_bound(np.arange(1.0, 31.0), coverage=0.9, confidence=0.9)
    >>> bound.value, bound.repeats_needed
    (30.0, 22)
    """
    x = check_array("values", values, ndim=1, finite=False)
    if np.isnan(x).any():
        raise ValueError("values holds nan; leave out a move that gave no value, write inf for one that never settled")
    needed = repeats_for_maximum(coverage=coverage, confidence=confidence)
    reached = stats.binom.cdf(np.arange(x.size), x.size, coverage) >= confidence
    rank = int(np.argmax(reached)) + 1 if reached.any() else 0
    return QuantileBound(
        value=float(np.sort(x)[rank - 1]) if rank else math.nan,
        coverage=coverage,
        confidence=confidence,
        rank=rank,
        n=x.size,
        confidence_of_maximum=float(1 - coverage**x.size),
        repeats_needed=needed,
    )


def repeats_for_maximum(*, coverage: float, confidence: float) -> int:
    """Smallest n for which the largest of n values bounds a quantile: ln(1 − confidence)/ln(coverage), rounded up.

    Parameters
    ----------
    coverage, confidence : float
        As in `quantile_bound`.

    Examples
    --------
    >>> repeats_for_maximum(coverage=0.95, confidence=0.95)
    59
    """
    p = check_number("coverage", coverage, above=0.0, below=1.0)
    c = check_number("confidence", confidence, above=0.0, below=1.0)
    n = max(1, math.floor(math.log1p(-c) / math.log(p)))  # floor, then look: the quotient may be a hair over a whole
    return n if 1 - p**n >= c else n + 1
