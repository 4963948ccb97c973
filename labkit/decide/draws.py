"""What is not known exactly, as draws: sets of parameters, the best estimate first.

Draws come from `MachineFit.sample`, or from ranges that a builder guesses; a sheet that they do not tell is drawn from
the range of the material table.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from labkit.base import Estimate, Interval, check_number
from labkit.model.materials import MaterialNumber, material
from labkit.runs.facts import RunFacts

__all__ = ["Draws", "complete_draws", "draws_from_ranges", "from_draws"]

#: Sets of parameters, the best estimate first; all settings that are compared take the same ones.
Draws = Sequence[Mapping[str, float]]

_SEED = 20250
_LEVEL = 0.95
_FEWEST = 20  # draws for an interval


def draws_from_ranges(
    ranges: Mapping[str, tuple[float, float]], *, n: int, seed: int = _SEED
) -> list[dict[str, float]]:
    """Draws of parameters that are only known to lie between two ends; the middle first.

    Parameters
    ----------
    ranges : mapping of str to (float, float)
        Low and high end of each parameter, taken for a 95 % interval of its logarithm.
    n : int
        How many draws.
    seed : int
        Seed of the random numbers.

    Examples
    --------
    >>> draws = draws_from_ranges({"foot_loss_factor": (0.05, 0.2)}, n=3)
    >>> len(draws), round(draws[0]["foot_loss_factor"], 6)
    (4, 0.1)
    """
    rng = np.random.default_rng(seed)
    ends = {
        name: (check_number(name, low, above=0.0), check_number(name, high, above=low))
        for name, (low, high) in ranges.items()
    }
    middle = {name: math.sqrt(low * high) for name, (low, high) in ends.items()}
    spread = {name: Interval(low=low, high=high, level=_LEVEL).log_sd for name, (low, high) in ends.items()}
    return [middle] + [
        {name: float(middle[name] * math.exp(spread[name] * rng.standard_normal())) for name in ends} for _ in range(n)
    ]


def complete_draws(facts: RunFacts, draws: Draws) -> tuple[list[dict[str, float]], tuple[str, ...]]:
    """Draws in which the sheet's modulus and loss factor are drawn from the table where no parameter tells them.

    Returns
    -------
    list of dict, tuple of str
        The draws, the best first; what was taken from the table, in words.
    """
    if not draws:
        raise ValueError("draws is empty; give at least the best parameters")
    sheet, rng = material(facts.panel.material), np.random.default_rng(_SEED)
    whole, said = [dict(one) for one in draws], []
    for key, number in (("young_modulus_pa", sheet.young_modulus_pa), ("loss_factor", sheet.loss_factor)):
        name = f"{key} of {facts.panel.material}"
        if name in draws[0]:
            continue
        factors = np.exp(_log_spread(number) * rng.standard_normal(len(whole)))
        factors[0] = 1.0
        for one, factor in zip(whole, factors):
            one[name] = float(number.value * factor)
        ends = f"{number.interval.low:.3g} to {number.interval.high:.3g}"
        said.append(f"{name} comes from the table ({ends}); measure a strip or push the panel to know it.")
    return whole, tuple(said)


def _log_spread(number: MaterialNumber) -> float:
    ends = number.interval
    if not (ends.known and ends.low > 0):
        return 0.0
    return ends.log_sd


def from_draws(values: np.ndarray) -> Estimate:
    """The best estimate (first) with the percentile interval of the other draws; unknown below twenty of them."""
    drawn = values[1:]
    if drawn.size < _FEWEST:
        return Estimate.unknown(float(values[0]), level=_LEVEL)
    low, high = np.quantile(drawn, [0.5 - _LEVEL / 2, 0.5 + _LEVEL / 2])
    return Estimate(
        value=float(values[0]),
        standard_error=float(np.std(drawn, ddof=1)),
        interval=Interval(low=min(float(low), float(values[0])), high=max(float(high), float(values[0])), level=_LEVEL),
    )
