"""What a plan looks like: needs, verdicts and cautions as tables, and the noise floors of sensors as a plot."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib import ticker
from matplotlib.axes import Axes

from labkit.decide.cautions import Caution
from labkit.decide.needs import Plan, quantity_text, upper_first
from labkit.decide.sensor_choice import MotionSensor, SensorVerdict
from labkit.decide.spans import Span
from labkit.show.plots import COLOURS, STYLES, finish, new_axes

__all__ = ["cautions_table", "checks_table", "needs_table", "plot_noise_floors", "verdicts_table"]

_REACH = (0.3, 3.0)  # of the frequencies shown, below the lowest and above the highest mode


def needs_table(plan: Plan) -> pd.DataFrame:
    """What a test needs, one number a row.

    Parameters
    ----------
    plan : Plan
        The plan.
    """
    rows = [
        {
            "needed": upper_first(need.name),
            "": need.sense.replace(" ", "\u00a0"),
            "must": quantity_text(need.key, need.must),
            "better": quantity_text(need.key, need.good),
            "why": need.why,
        }
        for need in plan.needs
    ]
    return pd.DataFrame(rows)


def verdicts_table(verdicts: Sequence[SensorVerdict]) -> pd.DataFrame:
    """Verdicts on several sensors side by side.

    Parameters
    ----------
    verdicts : sequence of SensorVerdict
        One a sensor.
    """
    rows = [
        {
            "sensor": one.name,
            "sees it": one.word,
            "smallest margin": _margin(one.margin),
            "what limits": one.limit or "–",
            "not known": ", ".join(one.missing) or "–",
        }
        for one in verdicts
    ]
    return pd.DataFrame(rows)


def checks_table(verdict: SensorVerdict) -> pd.DataFrame:
    """One sensor against the plan, need by need.

    Parameters
    ----------
    verdict : SensorVerdict
        The verdict.
    """
    rows = [
        {
            "number": upper_first(check.need.name),
            "offered": quantity_text(check.need.key, check.offered),
            "needed": check.need.text,
            "enough": check.word,
            "margin": _margin(check.margin),
        }
        for check in verdict.checks
    ]
    return pd.DataFrame(rows)


def _margin(value: float) -> str:
    return "–" if math.isnan(value) else "∞" if math.isinf(value) else f"{value:.2g}"


def cautions_table(chosen: Sequence[Caution]) -> pd.DataFrame:
    """Cautions that go with a plan.

    Parameters
    ----------
    chosen : sequence of Caution
        From `cautions`.
    """
    return pd.DataFrame([{"for": one.part, "mind": one.text} for one in chosen])


def plot_noise_floors(
    sensors: Sequence[MotionSensor], ax: Axes | None = None, *, plan: Plan, frequency_hz: Span
) -> Axes:
    """Displacement noise of sensors against the low cut, with the tolerance and the modes expected.

    Parameters
    ----------
    sensors : sequence of MotionSensor
        Up to four.
    ax : Axes, optional
        Where to draw.
    plan : Plan
        The plan, for the tolerance and the low cut.
    frequency_hz : Span
        Modes expected [Hz].
    """
    ax = new_axes(ax, size=(7.5, 3.6))
    low_cut = np.geomspace(_REACH[0] * frequency_hz.low, _REACH[1] * frequency_hz.high, 200)
    words = []
    for sensor, colour, style in zip(sensors, COLOURS, STYLES):
        floor = 1e6 * np.array([sensor.floor_m(f) for f in low_cut])
        ax.plot(low_cut, floor, color=colour, ls=style, lw=1.5, label=sensor.name)
        words.append(f"{sensor.name} {1e6 * sensor.floor_m(plan.low_cut_hz):.2g} µm")
    ax.axvspan(frequency_hz.low, frequency_hz.high, color="0.5", alpha=0.15, lw=0, label="modes expected")
    ax.axvline(plan.low_cut_hz, color="0.3", lw=1, ls=":")
    ax.annotate(" low cut", (plan.low_cut_hz, 0.98), xycoords=("data", "axes fraction"), va="top", fontsize="small")
    for share, name in ((1.0, "tolerance"), (0.25, "a trace is read\nbelow this")):
        ax.axhline(1e6 * share * plan.tolerance_m, color="0.1", lw=1.2 * share + 0.3)
        place = (1.01, 1e6 * share * plan.tolerance_m)
        ax.annotate(name, place, xycoords=ax.get_yaxis_transform(), va="center", fontsize="small")
    ax.set(xscale="log", yscale="log", xlabel="low cut [Hz]", ylabel="displacement noise [µm rms]")
    ax.set_xlim(low_cut[0], low_cut[-1])
    ax.xaxis.set_major_locator(ticker.LogLocator(subs=(1, 2, 5)))
    ax.xaxis.set_minor_locator(ticker.NullLocator())
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(ticker.FormatStrFormatter("%g"))
    ax.legend(loc="lower left", fontsize="small")
    return finish(
        ax,
        f"Displacement noise above a low cut, falling with it; above {plan.low_cut_hz:.3g} Hz: {'; '.join(words)}. "
        f"Tolerance {1e6 * plan.tolerance_m:.3g} µm; modes expected from {frequency_hz.text(unit='Hz')}.",
    )
