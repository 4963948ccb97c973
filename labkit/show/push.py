"""A push test in tables and sentences."""

from __future__ import annotations

import math

import pandas as pd

from labkit.analyse.stiffness import PushTest
from labkit.base import Estimate
from labkit.show.tables import estimate_text

__all__ = ["push_sentences", "push_table"]


def push_table(test: PushTest) -> pd.DataFrame:
    """Stiffness, loop, gap and bow with their intervals, in bench units.

    Parameters
    ----------
    test : PushTest
        The test.
    """
    rows = [
        ("stiffness", estimate_text(test.stiffness_n_per_m, scale=1e-3, unit="N/mm")),
        ("compliance", estimate_text(test.compliance_m_per_n, scale=1e6, unit="µm/N")),
        ("hysteresis", _loop(test)),
        ("backlash", estimate_text(test.backlash_m, scale=1e6, unit="µm", digits=2)),
        ("zero shift", estimate_text(test.zero_shift_m, scale=1e6, unit="µm", digits=2)),
        ("change of compliance over the loads", estimate_text(test.compliance_change, scale=100, unit="%", digits=2)),
        ("loads", f"{test.lowest_load_n:.3g} to {test.highest_load_n:.3g} N, {test.n_repeats} repeat(s)"),
    ]
    return pd.DataFrame(rows, columns=["what", "value [95 % interval]"])


def _loop(test: PushTest) -> str:
    text = estimate_text(test.hysteresis_m, scale=1e6, unit="µm", digits=2)
    return text if math.isnan(test.hysteresis_share) else f"{text}, {100 * test.hysteresis_share:.1f} % of the travel"


def push_sentences(test: PushTest) -> list[str]:
    """What a push test means for the builder.

    Parameters
    ----------
    test : PushTest
        The test.
    """
    k, c = test.stiffness_n_per_m, test.compliance_m_per_n
    words = [
        f"A newton moves the camera by {estimate_text(c, scale=1e6, unit='µm')}, between "
        f"{test.lowest_load_n:.3g} and {test.highest_load_n:.3g} N; nothing is said outside these loads."
    ]
    if not k.interval.known:
        words.append("How well that is known cannot be told: push again, at least four times up and down.")
    elif math.isinf(k.interval.high):
        words.append("The travel does not stand out of its error: only a lower limit of the stiffness is known.")
    if _above_zero(test.hysteresis_m):
        words.append(
            f"Going down it reads {1e6 * test.hysteresis_m.value:.2g} µm more than going up: friction in seats and "
            "screws, or creep."
        )
    if _above_zero(test.backlash_m):
        words.append(f"A gap of {1e6 * test.backlash_m.value:.2g} µm closes first: tighten or preload the seats.")
    if test.nonlinear:
        words.append("The panel is not a spring of one stiffness over these loads: take the loads that occur in use.")
    words.append("The test sees what gives between load and gauge, seats and screws too, and not the damping.")
    return words


def _above_zero(estimate: Estimate) -> bool:
    return estimate.interval.known and estimate.interval.low > 0.0
