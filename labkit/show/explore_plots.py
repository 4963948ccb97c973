"""Plots and tables of what-if maps: how fast, which option, what matters most."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from labkit.decide.explore import OptionResult, Sensitivity, SpeedMap
from labkit.model.fit_result import MachineFit
from labkit.show.plots import COLOURS, finish, new_axes
from labkit.show.tables import estimate_text

__all__ = ["options_table", "parameters_table", "plot_sensitivity", "plot_speed_map", "sensitivity_table"]


def plot_speed_map(found: SpeedMap, ax: Axes | None = None) -> Axes:
    """Probability of keeping the budget over wait and acceleration, with the time of a placement and the fastest cell.

    Parameters
    ----------
    found : SpeedMap
        The map.
    ax : Axes, optional
        Where to draw.
    """
    ax = new_axes(ax, size=(7.5, 4.2))
    wait, level = 1e3 * found.wait_s, found.acceleration_m_s2
    shades = ax.pcolormesh(wait, level, found.probability, cmap="cividis", vmin=0.0, vmax=1.0, shading="nearest")
    ax.figure.colorbar(shades, ax=ax, label=f"share of draws within {found.budget_px:g} px")
    lines = ax.contour(wait, level, found.cycle_s, colors="white", linewidths=0.8, levels=6)
    ax.clabel(lines, fmt=lambda value: f"{value:.2g} s", fontsize=8)
    if found.fastest is not None:
        best = found.fastest
        ax.plot(1e3 * best.wait_s, best.acceleration_m_s2, "o", ms=11, mfc="none", mec="#D55E00", mew=2.2)
        ax.annotate(
            f"fastest: {best.cycle_s:.2f} s",
            (1e3 * best.wait_s, best.acceleration_m_s2),
            xytext=(12, 8),
            textcoords="offset points",
            color="white",
            fontsize=9,
            bbox={"boxstyle": "round,pad=0.2", "fc": "#222222", "ec": "none", "alpha": 0.75},
        )
    ax.set(xlabel="wait before the exposure [ms]", ylabel="acceleration [m/s²]")
    finish(ax, f"Map of acceleration against wait. {found.sentences[0]}").grid(False)
    return ax


def plot_sensitivity(shares: Sequence[Sensitivity], ax: Axes | None = None, *, most: int = 8) -> Axes:
    """Shares of the uncertainty, largest first.

    Parameters
    ----------
    shares : sequence of Sensitivity
        From `labkit.decide.explore.sensitivity`.
    ax : Axes, optional
        Where to draw.
    most : int
        How many to show.
    """
    shown = list(shares)[:most]
    ax = new_axes(ax, size=(7.5, 0.6 + 0.4 * len(shown)))
    places = np.arange(len(shown))[::-1]
    for place, one in zip(places, shown):
        ax.plot([one.share.interval.low, one.share.interval.high], [place, place], color=COLOURS[0], lw=2)
        ax.plot(one.share.value, place, "o", color=COLOURS[0])
    ax.set_yticks(places, [one.name for one in shown])
    ax.set(xlim=(0, 1), xlabel="share of the variance that knowing it would take away")
    first = shown[0]
    return finish(ax, f"Shares of the uncertainty: {first.name} brings most, {first.share.value:.0%}.")


def options_table(results: Sequence[OptionResult]) -> pd.DataFrame:
    """Options with blur, settling, mass and what they buy.

    Parameters
    ----------
    results : sequence of OptionResult
        From `labkit.decide.explore.compare_options`, in their order.
    """
    return pd.DataFrame(
        {
            "option": one.name,
            "blur [px]": estimate_text(one.outlook.blur_px),
            "blur, times baseline": estimate_text(one.change.blur_ratio, digits=2),
            "settles [ms]": estimate_text(one.outlook.settling_s, scale=1e3),
            "mass [kg]": f"{one.change.mass_change_kg:+.2f}",
            "px saved per kg": _amount(one.saved_px_per_kg),
            "px saved per price": _amount(one.saved_px_per_price),
        }
        for one in results
    )


def parameters_table(fit: MachineFit) -> pd.DataFrame:
    """Fitted parameters with their intervals, in bench units.

    Parameters
    ----------
    fit : MachineFit
        The fit.
    """
    rows = []
    for name, estimate in fit.estimates.items():
        scale, unit = next((known for ending, known in _UNITS.items() if ending in name), (1.0, ""))
        words = name
        for ending in _UNITS:
            words = words.replace(ending, "")
        rows.append(
            {"parameter": words.replace("_", " ").strip(), "value": estimate_text(estimate, scale=scale), "unit": unit}
        )
    return pd.DataFrame(rows)


_UNITS = {"_n_per_m": (1e-3, "kN/m"), "_pa": (1e-9, "GPa")}


def _amount(value: float) -> str:
    if math.isnan(value):
        return "–"
    return "at no cost" if math.isinf(value) else f"{value:.2g}"


def sensitivity_table(shares: Sequence[Sensitivity]) -> pd.DataFrame:
    """Shares and slopes, largest share first.

    Parameters
    ----------
    shares : sequence of Sensitivity
        From `labkit.decide.explore.sensitivity`.
    """
    return pd.DataFrame(
        {
            "unknown": one.name,
            "share of the variance": estimate_text(one.share, digits=2),
            "10 % more of it": f"{100 * (1.1**one.slope - 1):+.0f} %",
        }
        for one in shares
    )
