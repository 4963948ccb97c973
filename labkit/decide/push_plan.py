"""What a push test needs: force, dial and repeats to see a change of stiffness."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import stats

from labkit.base import check_number
from labkit.decide.spans import Span, SpanLike, as_span, over_corners

__all__ = ["PushPlan", "plan_push"]


@dataclass(frozen=True, kw_only=True)
class PushPlan:
    """What a push test needs.

    Parameters
    ----------
    standard_error : float
        Relative standard uncertainty of the stiffness that is needed.
    force_n : Span
        Top of the force steps that a dial of the given step needs [N]; unknown without a step.
    deflection_m : Span
        Deflection at that force [m].
    dial_step_m : Span
        Step of the dial that is fine enough at the greatest force allowed [m]; unknown without that force.
    missing : tuple of str
        What is not known.
    sentences : tuple of str
        What it means.
    """

    standard_error: float
    force_n: Span
    deflection_m: Span
    dial_step_m: Span
    missing: tuple[str, ...]
    sentences: tuple[str, ...]


def plan_push(
    *,
    stiffness_n_per_m: SpanLike,
    change_ratio: float,
    dial_step_m: float = math.nan,
    most_force_n: float = math.nan,
    steps: int = 6,
    thickness_m: float = math.nan,
    alpha: float = 0.05,
    power: float = 0.8,
) -> PushPlan:
    """Force and dial that a push test needs to see a change of stiffness.

    Parameters
    ----------
    stiffness_n_per_m : float or range
        Stiffness expected [N/m].
    change_ratio : float
        Stiffness after over before that should be seen, such as 1.2.
    dial_step_m : float
        Smallest step of the dial or display [m].
    most_force_n : float
        Greatest force that may be used [N]: weights at hand, what the machine bears.
    steps : int
        Loads from zero to the top, at least 5.
    thickness_m : float
        Thickness of the panel [m], for the check that it deflects by less than half of it.
    alpha, power : float
        Probability of a false alarm, and of seeing the change.

    Notes
    -----
    n equal steps from zero, reading error step/√12: sd(k)/k = (step/√12)/(x_max·√(n(n + 1)/(12(n − 1)))) (derived).
    The same weights round alike every time, so loading again and up and down is not counted here. A change is seen
    when its logarithm is (z_{1−α/2} + z_power)·√2 times that error: noise of the dial alone; friction and feet that
    seat anew come on top and show only in repeats.

    Examples
    --------
    >>> push = plan_push(stiffness_n_per_m=80e3, change_ratio=1.2, dial_step_m=10e-6)
    >>> round(push.force_n.high, 1), round(1e6 * push.deflection_m.high)
    (6.0, 75)
    """
    stiffness = as_span("stiffness_n_per_m", stiffness_n_per_m, above=0.0)
    step = as_span("dial_step_m", dial_step_m, above=0.0)
    force_limit = as_span("most_force_n", most_force_n, above=0.0)
    n = int(check_number("steps", steps, at_least=5, cure="a slope with its hysteresis takes at least 5 loads"))
    effect = abs(math.log(check_number("change_ratio", change_ratio, above=0.0)))
    if effect == 0.0:
        raise ValueError("change_ratio is 1, no change; state the smallest change worth seeing, such as 1.2")
    error = effect / (math.sqrt(2) * float(stats.norm.ppf(1 - alpha / 2) + stats.norm.ppf(power)))
    spread = math.sqrt(n * (n + 1) / (12 * (n - 1)))
    deflection = over_corners(lambda s: s / math.sqrt(12) / (error * spread), step)
    force = over_corners(lambda k, x: k * x, stiffness, deflection)
    fine = over_corners(lambda k, f: f / k * error * spread * math.sqrt(12), stiffness, force_limit)
    names = {"stiffness expected": stiffness, "step of the dial": step, "greatest force": force_limit}
    return PushPlan(
        standard_error=error,
        force_n=force,
        deflection_m=deflection,
        dial_step_m=fine,
        missing=tuple(name for name, span in names.items() if not span.known),
        sentences=_push_words(error, force, deflection, fine, force_limit, thickness_m),
    )


def _push_words(
    error: float, force: Span, deflection: Span, fine: Span, limit: Span, thickness_m: float
) -> tuple[str, ...]:
    words = [f"The stiffness must be known to {100 * error:.2g} % (standard uncertainty) on each side."]
    if force.known:
        words.append(
            f"With this dial push up to {force.text(unit='N')}, {deflection.text(scale=1e6, unit='µm')} of deflection."
        )
    if limit.known and force.known and force.high > limit.low:
        words.append(f"That is more than the {limit.text(unit='N')} allowed: take a finer dial.")
    if fine.known:
        words.append(f"With {limit.text(unit='N')} a dial of {fine.low * 1e6:.2g} µm or finer is enough.")
    if not math.isnan(thickness_m) and deflection.known and deflection.high > 0.5 * thickness_m:
        words.append("The panel would deflect by more than half its thickness, where it stiffens: take a finer dial.")
    words.append("A dial gauge pushes back with about 1 N (common practice, no source): count it as load.")
    return tuple(words)
