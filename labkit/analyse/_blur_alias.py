"""Folded frequencies of a sampled picture: which share of what is seen at a frequency belongs to another one.

A picture sampled in pixels holds frequencies above half a cycle a pixel, folded back, which blur and shift change
otherwise than the frequencies they pose as. The shares of the frequency itself and of the three nearest that fold onto
it follow a power law P ∝ A(direction)·|f|^−γ under the pixel aperture, A from the picture itself. Three numbers are
free: the slope γ (a soft lens makes it steep) and one level each for what folds along x and y. They show in the mean
misfit of a shifted picture and in its power, since what folds changes by another phase than what it is added to.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import optimize

__all__ = [
    "N_FREE",
    "Belief",
    "Orders",
    "folded_orders",
    "folds_oddly",
    "learn_shares",
    "minimise",
    "no_belief",
    "nothing_folds_oddly",
    "shares",
]

#: Free numbers: ln(γ / 2.5) and the logarithms of the levels of what folds along x and along y.
N_FREE = 3
_SECTORS = 18  # of half a turn
_SLOPE = 2.5  # γ before any fit: photographs have about 2 to 3
_STEEPEST = 2.0  # bound of ln(γ / 2.5)
_PRIOR_SD = 0.5  # of ln(γ / 2.5) and of the logarithms of both levels
_TRUST = 0.3  # in the folded power, which is not spread evenly over the picture
_ODD = 1.5  # logarithm by which folded frequencies must be stronger than the picture has for a wrong kernel
_FAST = 1e8
_EVERY = 2  # frequencies along both axes of which one is used to learn the shares


@dataclass(frozen=True, eq=False, kw_only=True)
class Orders:
    """Stacks over the four orders: frequencies, logarithm of their length, power under the law (any unit)."""

    x: np.ndarray
    y: np.ndarray
    log_reach: np.ndarray
    law: np.ndarray


@dataclass(frozen=True, eq=False, kw_only=True)
class Belief:
    """What is known of the free numbers before the kernel is fitted."""

    mean: np.ndarray
    precision: np.ndarray


def no_belief() -> Belief:
    """The prior alone."""
    return Belief(mean=np.zeros(N_FREE), precision=np.eye(N_FREE) / _PRIOR_SD**2)


def nothing_folds_oddly() -> Belief:
    """The prior, held fast: for a misfit that would pass for folded power and is not."""
    return Belief(mean=np.zeros(N_FREE), precision=_FAST * np.eye(N_FREE))


def folds_oddly(free: np.ndarray) -> bool:
    """Whether more folds than any picture has: a kernel of another shape was taken for it."""
    log_slope, along_x, along_y = free
    return max(-log_slope, along_x, along_y) > _ODD


def folded_orders(fy: np.ndarray, fx: np.ndarray, power: np.ndarray) -> Orders:
    """The frequency itself and the three nearest that fold onto it, with the law fitted to the power seen."""
    up = fy + np.where(fy >= 0, -1.0, 1.0)
    y, x = np.stack([fy, fy, up, up]), np.stack([fx, fx - 1, fx, fx - 1])
    reach = np.maximum(x * x + y * y, 1e-6)
    law = reach ** (-_SLOPE / 2) * (np.sinc(x) * np.sinc(y)) ** 2
    inside = (reach[0] > 0.06**2) & (reach[0] < 0.4**2)
    weight = np.sqrt(reach[0][inside])
    direction = np.arctan2(y, x) / np.pi % 1 * _SECTORS
    sector = np.round(direction[0][inside]).astype(int) % _SECTORS
    seen, expected = (np.bincount(sector, p[inside] * weight, _SECTORS) for p in (power, law[0]))
    level = seen / np.maximum(expected, np.finfo(float).tiny)
    level = np.maximum(level, 1e-4 * level.max() + np.finfo(float).tiny)
    law *= np.interp(direction, np.arange(_SECTORS + 1), np.append(level, level[0]))
    return Orders(x=x, y=y, log_reach=0.5 * np.log(reach), law=law / law.sum(axis=0))


def shares(orders: Orders, free: np.ndarray) -> tuple[np.ndarray, list[np.ndarray]]:
    """Shares of the four orders, and the slopes of their logarithms (before they are made to add to 1)."""
    log_slope, along_x, along_y = free
    held = _STEEPEST * math.tanh(log_slope / _STEEPEST)
    slope = _SLOPE * math.exp(held)
    power = orders.law * np.exp((_SLOPE - slope) * orders.log_reach)
    power[1::2] *= math.exp(along_x)
    power[2:] *= math.exp(along_y)
    steeper = -slope * (1 - (held / _STEEPEST) ** 2) * orders.log_reach
    is_x, is_y = np.reshape([0.0, 1.0, 0.0, 1.0], (4, 1, 1)), np.reshape([0.0, 0.0, 1.0, 1.0], (4, 1, 1))
    return power / power.sum(axis=0), [steeper, is_x, is_y]


def _share_slopes(share: np.ndarray, slopes: list[np.ndarray], parts: np.ndarray) -> np.ndarray:
    """Derivatives of the mean Σ share·part over the orders to the three free numbers."""
    weighted = share * parts
    mean = weighted.sum(axis=0)
    return np.stack([(weighted * d).sum(axis=0) - mean * (share * d).sum(axis=0) for d in slopes])


class _FoldedPower:
    """−ln likelihood of the power of the misfit at one choice of the free numbers."""

    def __init__(self, free: np.ndarray, orders: Orders, seen: dict[str, np.ndarray]) -> None:
        self.free = free
        share, slopes = shares(orders, free)
        single, power = seen["single"], seen["power"]
        mean = (share * single).sum(axis=0)
        strength = np.abs(single) ** 2
        self.spread = power * np.maximum((share * strength).sum(axis=0) - np.abs(mean) ** 2, 0.0)
        density = seen["noise"] + self.spread
        relative = seen["misfit"] / density
        bent = _share_slopes(share, slopes, strength) - 2 * (mean.conj() * _share_slopes(share, slopes, single)).real
        bent = (bent * power / density).reshape(N_FREE, -1)
        weight = 0.5 * seen["weight"].ravel()
        self.value = float(weight @ (np.log(density) + relative).ravel()) + 0.5 * float(free @ free) / _PRIOR_SD**2
        self.gradient = bent @ (weight * (1 - relative.ravel())) + free / _PRIOR_SD**2
        self.hessian = (bent * weight) @ bent.T + np.eye(N_FREE) / _PRIOR_SD**2


def learn_shares(orders: Orders, start: np.ndarray, **seen: np.ndarray) -> Belief:
    """What the power of a misfit says about the shares (likelihood of P. Whittle 1953, from memory).

    `seen` holds the transfers of the single orders, the power of the scene, the noise and the power of the misfit at
    every frequency, and the weight in independent values.
    """
    seen = {name: stack[..., ::_EVERY, ::_EVERY] for name, stack in seen.items()}
    seen["weight"] = seen["weight"] * (_TRUST * _EVERY**2)
    thinned = Orders(
        x=orders.x[..., ::_EVERY],
        y=orders.y[:, ::_EVERY],
        log_reach=orders.log_reach[:, ::_EVERY, ::_EVERY],
        law=orders.law[:, ::_EVERY, ::_EVERY],
    )
    found, _ = minimise(lambda free: _FoldedPower(free, thinned, seen), start, tolerance=0.1)
    return Belief(mean=found.free, precision=found.hessian)


def minimise(at: Callable[[np.ndarray], Any], start: np.ndarray, *, tolerance: float) -> tuple[Any, bool]:
    """The least `value` of what `at` makes of parameters, by its `gradient` and `hessian`, and whether it was reached.

    Parameters are scaled by their curvature, so that the tolerance counts in standard errors.
    """
    unit = 1 / np.sqrt(np.diag(at(start).hessian))
    known: list[tuple[np.ndarray, Any]] = []

    def seen(scaled: np.ndarray) -> Any:
        if not known or not np.array_equal(known[0][0], scaled):
            known[:] = [(scaled.copy(), at(start + scaled * unit))]
        return known[0][1]

    found = optimize.minimize(
        lambda z: seen(z).value,
        np.zeros(start.size),
        jac=lambda z: seen(z).gradient * unit,
        hess=lambda z: seen(z).hessian * np.outer(unit, unit),
        method="trust-exact",
        options={"gtol": tolerance, "initial_trust_radius": 1e3, "max_trust_radius": 1e6, "maxiter": 40},
    )
    return seen(found.x), bool(found.success)
