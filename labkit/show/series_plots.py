"""Plots of a series of runs: push tests, blur against mass, acceleration and stiffness, residuals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes

from labkit.analyse.stiffness import PushTest
from labkit.decide.blur_factors import FACTORS, SHOWN_UNITS, FactorCurve
from labkit.decide.blur_series import BlurPoint, SeriesRelation
from labkit.show.plots import COLOURS, finish, new_axes

__all__ = ["plot_exposures", "plot_factors", "plot_push", "plot_residuals"]

_FACTOR_SIZE = (4.2, 3.4)
_MARKERS = "osD^vP*X<>"


def plot_push(test: PushTest, *, load_n: Sequence[float], reading_m: Sequence[float], ax: Axes | None = None) -> Axes:
    """Readings against loads, those used and those left out, and the fitted branches.

    Parameters
    ----------
    test : PushTest
        The test.
    load_n, reading_m : array_like, shape (n,)
        Loads [N] and readings [m] it was made from.
    ax : Axes, optional
        Where to draw.
    """
    ax = new_axes(ax, size=(5.6, 3.6))
    load, reading = np.asarray(load_n, float), 1e6 * np.asarray(reading_m, float)
    rng = np.random.default_rng(0)
    apart = load + 0.006 * np.ptp(load) * rng.uniform(-1, 1, load.size)  # readings of several repeats side by side
    ax.plot(apart[test.used], reading[test.used], "o", ms=4, mfc="none", color=COLOURS[0], label="used")
    if not test.used.all():
        ax.plot(apart[~test.used], reading[~test.used], "x", ms=4, color="0.5", label="left out")
    order = np.argsort(load[test.used], kind="stable")
    ax.plot(load[test.used][order], 1e6 * test.fitted_m[test.used][order], color=COLOURS[1], lw=1.2, label="line")
    ax.set(xlabel="load [N]", ylabel="reading [µm]")
    ax.legend(fontsize="small")
    k = test.stiffness_n_per_m
    return finish(
        ax,
        f"Readings of a push test against load with the fitted line: {1e-3 * k.value:.3g} N/mm "
        f"[{1e-3 * k.interval.low:.3g}, {1e-3 * k.interval.high:.3g}].",
    )


def plot_factors(relation: SeriesRelation) -> Axes:
    """Blur of the runs against each factor, and the curve of that factor alone through the reference run.

    Parameters
    ----------
    relation : SeriesRelation
        The relation.
    """
    n = max(1, len(relation.curves))
    size = (_FACTOR_SIZE[0] * n, _FACTOR_SIZE[1])
    figure, axes = plt.subplots(1, n, figsize=size, layout="constrained", squeeze=False, sharey=True)
    for ax, curve in zip(axes[0], relation.curves):
        _draw_factor(ax, relation, curve)
    axes[0, 0].set_ylabel("blur, rms over the exposures [px]")
    handles, labels = axes[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=4, fontsize="small")
    return axes[0, 0]


def _draw_factor(ax: Axes, relation: SeriesRelation, curve: FactorCurve) -> None:
    scale, unit = SHOWN_UNITS[curve.factor]
    pixel = relation.object_pixel_m
    x = scale * np.array([getattr(one.factors, curve.factor) for one in relation.runs])
    measured = np.array([one.measured_m.value for one in relation.runs]) / pixel
    ends = np.array([[one.measured_m.interval.low, one.measured_m.interval.high] for one in relation.runs]).T / pixel
    fitted = np.array([one.fitted_m.value for one in relation.runs]) / pixel
    ax.fill_between(
        scale * curve.values,
        curve.low_m / pixel,
        curve.high_m / pixel,
        color=COLOURS[1],
        alpha=0.25,
        lw=0,
        label="its 95 % band",
    )
    ax.plot(scale * curve.values, curve.rms_m / pixel, color=COLOURS[1], label="this factor alone")
    ax.errorbar(x, measured, yerr=np.abs(ends - measured), fmt="o", ms=5, color=COLOURS[0], label="runs, measured")
    ax.plot(x, fitted, "x", ms=7, color="0.1", label="runs, fitted")
    ax.set(xscale="log", yscale="log", xlabel=f"{FACTORS[curve.factor].lower()} [{unit}]")
    _plain_ticks(ax)
    finish(ax, f"Measured and fitted blur of the runs. {curve.sentence(relation.reference)}")


def _plain_ticks(ax: Axes) -> None:
    for axis, limits in ((ax.xaxis, ax.get_xlim()), (ax.yaxis, ax.get_ylim())):
        narrow = np.ptp(np.log10(limits)) < 1.0
        axis.set_major_locator(plt.LogLocator(subs=(1, 1.5, 2, 3, 5, 7) if narrow else (1, 2, 5)))
        axis.set_minor_locator(plt.NullLocator())
        axis.set_major_formatter(plt.FuncFormatter(lambda value, _: f"{value:g}"))


def plot_residuals(relation: SeriesRelation, ax: Axes | None = None) -> Axes:
    """Measured over fitted blur of every exposure against the wait, with the fitted interval of each.

    Parameters
    ----------
    relation : SeriesRelation
        The relation.
    ax : Axes, optional
        Where to draw.
    """
    ax = new_axes(ax, size=(7.5, 3.8))
    names = list(dict.fromkeys(point.run for point in relation.points))
    for number, name in enumerate(names):
        own = [point for point in relation.points if point.run == name]
        x = [1e3 * point.wait_s * (1 + 0.012 * (number - len(names) / 2)) for point in own]
        y = [point.residual_m / relation.object_pixel_m for point in own]
        bars = [point.measured_m.interval.half_width / relation.object_pixel_m for point in own]
        ax.errorbar(
            x,
            y,
            yerr=bars,
            fmt=_MARKERS[number % len(_MARKERS)],
            ms=4,
            mfc="none",
            elinewidth=0.7,
            color=COLOURS[number % len(COLOURS)],
            label=name,
        )
    ax.axhline(0.0, color="0.2", lw=1)
    ax.set(xlabel="wait after the move [ms]", ylabel="measured − fitted [px]", xscale="log")
    _plain_x(ax)
    ax.legend(fontsize="x-small", ncols=3)
    worst = max(relation.points, key=lambda point: abs(point.residual_m))
    return finish(
        ax,
        f"Measured minus fitted blur of {len(relation.points)} exposures against the wait; the largest is "
        f"{worst.residual_m / relation.object_pixel_m:+.2f} px in {worst.run}.",
    )


def _plain_x(ax: Axes) -> None:
    ax.xaxis.set_major_locator(plt.LogLocator(subs=(1, 2, 5)))
    ax.xaxis.set_minor_locator(plt.NullLocator())
    ax.xaxis.set_major_formatter(plt.FuncFormatter(lambda value, _: f"{value:g}"))


def plot_exposures(points: Sequence[BlurPoint], *, object_pixel_m: float, ax: Axes | None = None) -> Axes:
    """Foretold and measured blur of a run against the wait.

    Parameters
    ----------
    points : sequence of BlurPoint
        Exposures of one run, foretold by a fitted machine.
    object_pixel_m : float
        What a pixel sees [m].
    ax : Axes, optional
        Where to draw.
    """
    ax = new_axes(ax, size=(6.4, 3.6))
    points = sorted(points, key=lambda point: point.wait_s)
    waits = np.array([1e3 * point.wait_s for point in points])
    for shift, name, label, style in ((-0.6, "fitted_m", "foretold", "s"), (0.6, "measured_m", "measured", "o")):
        found = [getattr(point, name) for point in points]
        value = np.array([one.value for one in found]) / object_pixel_m
        ends = np.array([[one.interval.low, one.interval.high] for one in found]).T / object_pixel_m
        colour = COLOURS[1] if name == "fitted_m" else COLOURS[0]
        ax.errorbar(waits + shift, value, yerr=np.abs(ends - value), fmt=style, ms=5, color=colour, label=label)
    ax.set(xlabel="wait after the move [ms]", ylabel="blur [px]", ylim=(0, None))
    ax.legend(fontsize="small")
    return finish(ax, f"Foretold and measured blur of {len(points)} exposures of {points[0].run} against the wait.")
