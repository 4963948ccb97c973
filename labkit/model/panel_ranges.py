"""What is not known exactly about a panel: intervals from its material's ranges, its modulus from a push."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import fields, replace

from scipy import optimize, stats

from labkit.base import Estimate, Interval, check_number
from labkit.model.materials import MaterialNumber
from labkit.model.panel import Panel

__all__ = ["over_ranges", "young_modulus_from_panel"]


_UNKNOWN = Interval(low=math.nan, high=math.nan, level=0.95)


def over_ranges(
    panel: Panel,
    quantity: Callable[[Panel], float],
    *,
    thickness_m: Interval | None = None,
    level: float = 0.95,
) -> Estimate:
    """A result of the panel with the interval that its material numbers leave open.

    Parameters
    ----------
    panel : Panel
        The panel.
    quantity : callable
        From a panel to a number, for example ``lambda p: p.frequencies_hz(1)[0]``.
    thickness_m : Interval, optional
        Range of the sheet's true thickness [m]; without it the interval holds for the thickness given.
    level : float
        Coverage of the result.

    Returns
    -------
    Estimate
        One number at a time is moved to the ends of its range; the changes, scaled to `level` as normal deviations,
        add in squares upwards and downwards (GUM 5.1.3). Unknown when the range of a number that matters is.
    """
    value = float(quantity(panel))
    up = down = 0.0
    for nominal, interval, changed in _variants(panel, thickness_m):
        if not interval.known:
            if float(quantity(changed(1.01 * nominal))) == value:
                continue
            return Estimate.unknown(value, level=level)
        scale = stats.norm.ppf(0.5 + level / 2) / stats.norm.ppf(0.5 + interval.level / 2)
        steps = [scale * (float(quantity(changed(end))) - value) for end in (interval.low, interval.high)]
        up += max(*steps, 0.0) ** 2
        down += min(*steps, 0.0) ** 2
    interval = Interval(low=value - math.sqrt(down), high=value + math.sqrt(up), level=level)
    return Estimate(
        value=value,
        standard_error=interval.half_width / float(stats.norm.ppf(0.5 + level / 2)),
        interval=interval,
    )


def _variants(panel: Panel, thickness_m: Interval | None):
    """Each uncertain number: value, interval and the function from another value to the panel that has it."""
    sheet = panel.material
    for field in fields(sheet):
        number = getattr(sheet, field.name)
        if isinstance(number, MaterialNumber) and number.interval.low != number.interval.high:

            def changed(end: float, name: str = field.name, number: MaterialNumber = number) -> Panel:
                return replace(panel, material=replace(sheet, **{name: replace(number, value=end, interval=_UNKNOWN)}))

            yield number.value, number.interval, changed
    if thickness_m is not None:
        yield panel.thickness_m, thickness_m, lambda end: replace(panel, thickness_m=end)


def young_modulus_from_panel(
    stiffness_n_per_m: Estimate,
    *,
    panel: Panel,
    at_m: tuple[float, float],
) -> Estimate:
    """Young's modulus [Pa] along the length from a push on the built panel.

    Parameters
    ----------
    stiffness_n_per_m : Estimate
        Measured force over displacement at `at_m` [N/m].
    panel : Panel
        The panel with its true thickness and its feet; all moduli of its material are scaled together.
    at_m : tuple of float
        The pushed point (x, y) [m].

    Returns
    -------
    Estimate
        Interval from that of the push alone: thickness and feet are taken as given. nan when the push has none.
    """
    young = panel.material.young_modulus_pa.value
    value = young * _modulus_scale(panel, at_m, stiffness_n_per_m.value)
    interval = stiffness_n_per_m.interval
    if not interval.known:
        return Estimate.unknown(value, level=interval.level)
    low, high = (young * _modulus_scale(panel, at_m, end) for end in (interval.low, interval.high))
    found = Interval(low=low, high=high, level=interval.level)
    return Estimate(
        value=value,
        standard_error=found.half_width / float(stats.norm.ppf(0.5 + interval.level / 2)),
        interval=found,
    )


def _modulus_scale(panel: Panel, at_m: tuple[float, float], stiffness_n_per_m: float) -> float:
    """Factor on all moduli that gives the panel the stiffness."""
    wanted = check_number("stiffness_n_per_m", stiffness_n_per_m, above=0.0)

    def excess(log_scale: float) -> float:
        scaled = replace(panel, material=panel.material.scaled(math.exp(log_scale)))
        return math.log(scaled.compliance_m_per_n(at_m) * wanted)

    if excess(-7.0) < 0.0 or excess(7.0) > 0.0:
        raise ValueError(
            f"stiffness {wanted:g} N/m cannot come from this panel with any modulus within a factor 1000; check the "
            "feet's stiffness, the thickness and the unit of the push"
        )
    return math.exp(optimize.brentq(excess, -7.0, 7.0, xtol=1e-9))
