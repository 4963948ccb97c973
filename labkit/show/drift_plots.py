"""Plot of a warm-up drift."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes

from labkit.analyse.drift import Drift
from labkit.analyse.warm_up import WarmUpWait
from labkit.show.plots import COLOURS, finish, new_axes

__all__ = ["plot_drift"]


def plot_drift(drift: Drift, ax: Axes | None = None, *, wait: WarmUpWait | None = None) -> Axes:
    """Slow positions, the law through them, and from when on a job stays within its tolerance.

    Parameters
    ----------
    drift : Drift
        The drift.
    ax : Axes, optional
        Where to draw.
    wait : WarmUpWait, optional
        Advice, whose start is marked with its interval.
    """
    ax = new_axes(ax)
    scale, unit = (3600.0, "h") if drift.last_s - drift.first_s > 7200 else (60.0, "min")
    first = drift.position_m[0]
    ax.plot(drift.time_s / scale, 1e6 * (drift.position_m - first), ".", ms=3, color="0.5", label="position")
    # the law is drawn where something was measured, and not across a gap
    steps = np.diff(drift.time_s)
    gap = np.flatnonzero(steps > 3 * np.median(steps)) + 1
    law = np.insert(1e6 * (drift.fitted_m - first), gap, np.nan)
    ax.plot(np.insert(drift.time_s, gap, np.nan) / scale, law, color=COLOURS[0], lw=1.5, label=f"law: {drift.law}")
    words = [f"Position over time, law: {drift.law}.", *drift.sentences]
    if wait is not None and math.isfinite(wait.wait_s.value):
        low, high = (min(max(end, drift.first_s), drift.last_s) / scale for end in _ends(wait))
        ax.axvspan(low, high, color=COLOURS[2], alpha=0.25, lw=0)
        label = f"±{1e6 * wait.tolerance_m:.3g} µm over a job from here on"
        ax.axvline(wait.wait_s.value / scale, color=COLOURS[2], lw=1.5, ls="--", label=label)
    if wait is not None:
        words += wait.sentences
    ax.set(xlabel=f"time [{unit}]", ylabel="drift from the first position [µm]")
    ax.legend(loc="best", fontsize="small")
    return finish(ax, " ".join(words))


def _ends(wait: WarmUpWait) -> tuple[float, float]:
    return wait.wait_s.interval.low, wait.wait_s.interval.high
