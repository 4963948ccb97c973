"""Plots: thin layers over results, one function a question; matplotlib lives only here.

Every function draws into `ax` (or a new figure when None) and returns the Axes; nothing is computed that a result
does not already hold. `picture(ax)` makes an image with alternative text of it.
"""

from __future__ import annotations

import base64
import html
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib import pyplot as plt
from matplotlib import ticker
from matplotlib.axes import Axes

from labkit.analyse.moves import Move
from labkit.analyse.one_axis import AxisAnalysis
from labkit.decide.blur_relation import BlurRelation
from labkit.decide.compare import Comparison
from labkit.runs.recording import Recording

__all__ = [
    "COLOURS",
    "STYLES",
    "Picture",
    "finish",
    "new_axes",
    "picture",
    "plot_blur_relation",
    "plot_changes",
    "plot_decays",
    "plot_pictures",
    "plot_recording",
    "plot_settling",
    "plot_spectra",
]

# Okabe & Ito's set for colour-vision deficiency (2008); lines also differ in style
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7")
STYLES = ("-", "--", "-.", ":")
_MOST_POINTS = 4000


def new_axes(ax: Axes | None, *, size: tuple[float, float] = (7.5, 3.2)) -> Axes:
    """The axes given, or those of a new figure.

    Parameters
    ----------
    ax : Axes or None
        Where to draw; None makes a figure.
    size : (float, float)
        Width and height of a new figure [inch].
    """
    return plt.subplots(figsize=size, layout="constrained")[1] if ax is None else ax


def finish(ax: Axes, alt: str) -> Axes:
    """The axes in the lab's dress, with their alternative text.

    Parameters
    ----------
    ax : Axes
        Axes with everything drawn.
    alt : str
        What the plot shows, in words.
    """
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(True, alpha=0.25)
    ax.set_label(alt)
    return ax


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A finished figure: a PNG in a ``data:`` address, with its alternative text; a notebook shows it as it is.

    Parameters
    ----------
    source : str
        The ``data:`` address.
    alt : str
        What the figure shows, in words.
    """

    source: str
    alt: str

    def _repr_html_(self) -> str:
        return f'<img src="{self.source}" alt="{html.escape(self.alt)}" style="max-width: 100%">'


def picture(ax: Axes, *, dpi: int = 110) -> Picture:
    """Turn a figure into a picture with alternative text, and close it.

    Parameters
    ----------
    ax : Axes
        Any axes of the figure; the words of all its axes are joined.
    dpi : int
        Dots per inch.
    """
    buffer = io.BytesIO()
    ax.figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
    plt.close(ax.figure)
    alt = " ".join(str(one.get_label()) for one in ax.figure.axes)
    return Picture(source="data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii"), alt=alt)


def plot_recording(
    recording: Recording,
    ax: Axes | None = None,
    *,
    channel: str = "",
    moves: Sequence[Move] = (),
) -> Axes:
    """One channel over time, thinned to its extremes, with the rests after the moves shaded.

    Parameters
    ----------
    recording : Recording
        What was logged.
    ax : Axes, optional
        Where to draw.
    channel : str
        Channel; the first by default.
    moves : sequence of Move
        Moves found in it.
    """
    ax, name = new_axes(ax), channel or recording.channels[0]
    time, values = _thin(recording.time_s, recording.channel(name))
    for k, move in enumerate(moves):
        ax.axvspan(
            move.end_s,
            move.rest_end_s,
            color=COLOURS[2],
            alpha=0.15,
            lw=0,
            label="rest after a move" if not k else None,
        )
    ax.plot(time, values, color=COLOURS[0], lw=0.6)
    ax.set(xlabel="time [s]", ylabel=f"{name} [{_pretty(recording.unit)}]", xlim=(time[0], time[-1]))
    if moves:
        ax.legend(loc="upper right", fontsize="small")
    return finish(ax, f"{name} over {recording.duration_s:.0f} s with {len(moves)} rests after moves shaded.")


def plot_decays(
    axes: Sequence[AxisAnalysis],
    ax: Axes | None = None,
    *,
    labels: Sequence[str] = (),
    tolerance_m: float = math.nan,
) -> Axes:
    """Displacement after each move, with the tolerance band.

    Parameters
    ----------
    axes : sequence of AxisAnalysis
        One a run, overlaid.
    ax : Axes, optional
        Where to draw.
    labels : sequence of str
        Name of each run.
    tolerance_m : float
        Half width of the tolerance band [m]; nan for none.
    """
    ax, labels = new_axes(ax), list(labels) or [axis.channel for axis in axes]
    last, words = 0.0, []
    for axis, label, colour, style in zip(axes, labels, COLOURS, STYLES):
        if axis.decay is None:
            words.append(f"{label}: blocked by a fatal finding")
            continue
        x = 1e6 * axis.decay.displacement_m
        for k, row in enumerate(x):
            ax.plot(
                1e3 * axis.decay.time_s,
                row,
                color=colour,
                ls=style if not k else "-",
                lw=1.2 if not k else 0.5,
                alpha=1.0 if not k else 0.35,
                label=label if not k else None,
            )
        words.append(f"{label}: {1e6 * np.median(axis.decay.peak_m):.1f} µm")
        last = max(last, _shown_until_s(axis))
    if not math.isnan(tolerance_m):
        ax.axhspan(
            -1e6 * tolerance_m,
            1e6 * tolerance_m,
            color="0.5",
            alpha=0.25,
            lw=0,
            label=f"tolerance ±{1e6 * tolerance_m:.3g} µm",
        )
    ax.set(xlabel="time after the end of the move [ms]", ylabel="displacement [µm]", xlim=(0, 1e3 * last or None))
    ax.legend(loc="upper right", fontsize="small")
    return finish(ax, f"Displacement of {axes[0].channel} after the moves; median of the largest: {'; '.join(words)}.")


def plot_spectra(axes: Sequence[AxisAnalysis], ax: Axes | None = None, *, labels: Sequence[str] = ()) -> Axes:
    """Power spectral density of the rests with its interval and the fitted modes marked.

    Parameters
    ----------
    axes : sequence of AxisAnalysis
        One a run, overlaid.
    ax : Axes, optional
        Where to draw.
    labels : sequence of str
        Name of each run.
    """
    ax, labels = new_axes(ax), list(labels) or [axis.channel for axis in axes]
    words = []
    for axis, label, colour, style in zip(axes, labels, COLOURS, STYLES):
        s = axis.spectrum
        keep = (s.frequency_hz > 0) & (s.frequency_hz <= 1.2 * axis.band_hz[1])
        ax.fill_between(
            s.frequency_hz[keep], s.interval_low[keep], s.interval_high[keep], color=colour, alpha=0.18, lw=0
        )
        ax.plot(s.frequency_hz[keep], s.density[keep], color=colour, ls=style, lw=1.1, label=label)
        for mode in axis.fit.modes:
            ax.axvline(mode.frequency_hz.value, color=colour, ls=style, lw=0.8, alpha=0.6)
        words.append(
            f"{label}: modes at " + (", ".join(f"{m.frequency_hz.value:.1f}" for m in axis.fit.modes) or "none") + " Hz"
        )
    ax.set(xscale="log", yscale="log", xlabel="frequency [Hz]", ylabel=f"density [({_pretty(axes[0].fit.unit)})²/Hz]")
    ax.xaxis.set_major_formatter(ticker.FormatStrFormatter("%g"))
    ax.legend(loc="lower left", fontsize="small", title="vertical lines: fitted modes", title_fontsize="small")
    return finish(ax, f"Power spectral density of {axes[0].channel} after the moves. {'; '.join(words)}.")


def plot_settling(
    axes: Sequence[AxisAnalysis],
    ax: Axes | None = None,
    *,
    labels: Sequence[str] = (),
) -> Axes:
    """Settling time of every move, with the mean and its interval.

    Parameters
    ----------
    axes : sequence of AxisAnalysis
        One a run, side by side; those without a tolerance are left out.
    ax : Axes, optional
        Where to draw.
    labels : sequence of str
        Name of each run.
    """
    ax, labels = new_axes(ax, size=(7.5, 2.6)), list(labels) or [axis.channel for axis in axes]
    words = []
    for row, (axis, label, colour) in enumerate(zip(axes, labels, COLOURS)):
        if axis.settling is None:
            continue
        times, mean = 1e3 * axis.settling.times_s, axis.settling.mean_s
        lift = np.linspace(-0.18, 0.18, times.size) if times.size > 1 else np.zeros(times.size)
        ax.plot(times, row + lift, "o", ms=4, mfc="none", color=colour)
        if mean.interval.known:
            error = [[1e3 * (mean.value - mean.interval.low)], [1e3 * (mean.interval.high - mean.value)]]
            ax.errorbar(1e3 * mean.value, row - 0.32, xerr=error, fmt="D", ms=5, capsize=4, color=colour)
        words.append(f"{label}: {1e3 * mean.value:.0f} ms" if not math.isnan(mean.value) else f"{label}: not settled")
    ax.set(xlabel="settling time [ms]", ylim=(len(axes) - 0.4, -0.6), yticks=range(len(axes)), yticklabels=labels)
    ax.set_xlim(left=0)
    return finish(ax, f"Settling time of each move (circles) and mean with interval (diamonds). {'; '.join(words)}.")


def plot_changes(comparison: Comparison, ax: Axes | None = None) -> Axes:
    """Ratio after/before of every metric with its interval, on a logarithmic axis.

    Parameters
    ----------
    comparison : Comparison
        Changes between two runs.
    ax : Axes, optional
        Where to draw.
    """
    changes = [c for c in comparison.changes if math.isfinite(c.ratio.value)]
    ax = new_axes(ax, size=(7.5, 1.2 + 0.42 * max(len(changes), 1)))
    colours = {"improved": COLOURS[2], "worse": COLOURS[1]}
    for row, change in enumerate(changes):
        colour, r = colours.get(change.word, "0.35"), change.ratio
        if r.interval.known:
            ax.plot([r.interval.low, r.interval.high], [row, row], color=colour, lw=2)
        ax.plot(r.value, row, "o", color=colour)
        ax.annotate(
            change.word, (1.02, row), xycoords=ax.get_yaxis_transform(), va="center", fontsize="small", color=colour
        )
    ax.axvline(1.0, color="0.2", lw=1)
    ax.margins(x=0.1)
    ax.set_xscale("log")
    # marks at 1, 2, 5 in each decade; in a span of less than one, wherever there is room
    span = np.ptp(np.log10(ax.get_xlim()))
    ax.xaxis.set_major_locator(ticker.LogLocator(subs=(1, 2, 5)) if span > 0.7 else ticker.MaxNLocator(6))
    ax.xaxis.set_minor_locator(ticker.NullLocator())
    ax.xaxis.set_major_formatter(ticker.FormatStrFormatter("%.3g"))
    ax.set(
        xlabel="ratio after / before",
        yticks=range(len(changes)),
        yticklabels=[c.name for c in changes],
        ylim=(len(changes) - 0.5, -0.5),
    )
    words = "; ".join(f"{c.name} ×{c.ratio.value:.3g} ({c.word})" for c in changes)
    return finish(ax, f"Ratio after/before of each metric with its interval: {words}.")


def plot_blur_relation(relation: BlurRelation, ax: Axes | None = None, *, labels: Sequence[str] = ()) -> Axes:
    """Measured against predicted blur of every frame with standard errors, the fitted line, and the line of equals.

    Parameters
    ----------
    relation : BlurRelation
        The fitted relation.
    ax : Axes, optional
        Where to draw.
    labels : sequence of str
        Group of each frame (run, for example); groups get a colour and a marker each.
    """
    ax = new_axes(ax, size=(5.6, 4.4))
    groups = np.array(list(labels) or ["frames"] * relation.predicted_px.size)
    x, y = relation.predicted_px, relation.measured_px
    x_bars, y_bars = _bars(x, relation.predicted_error_px2), _bars(y, relation.measured_error_px2)
    for name, colour, marker in zip(dict.fromkeys(groups.tolist()), COLOURS, "osD^"):
        at = groups == name
        ax.errorbar(
            x[at],
            y[at],
            xerr=x_bars[:, at],
            yerr=y_bars[:, at],
            fmt=marker,
            ms=5,
            mfc="none",
            color=colour,
            elinewidth=0.8,
            label=name,
        )
    top = 1.08 * max((x + x_bars[1]).max(), (y + y_bars[1]).max())
    grid = np.linspace(0.0, top, 200)
    ax.plot(grid, relation.line_px(grid), color="0.2", lw=1.2, label=f"fit: scale {relation.scale.value:.2f}")
    ax.plot(grid, grid, color="0.5", ls="--", lw=1, label="measured = predicted")
    ax.set(xlabel="predicted blur [px]", ylabel="measured blur [px]", xlim=(0, top), ylim=(0, top))
    ax.legend(loc="upper left", fontsize="small")
    return finish(ax, f"Measured against predicted blur of {x.size} frames. {' '.join(relation.sentences)}")


def plot_pictures(pictures: Mapping[str, np.ndarray]) -> Axes:
    """Pictures side by side in common grey levels.

    Parameters
    ----------
    pictures : mapping of str to ndarray
        Title → grey levels, shape (rows, columns).
    """
    low, high = (f([f(one) for one in pictures.values()]) for f in (np.min, np.max))
    size = (3.4 * len(pictures), 3.1)
    _, axes = plt.subplots(1, len(pictures), figsize=size, layout="constrained", squeeze=False)
    for ax, (title, pixels) in zip(axes[0], pictures.items()):
        ax.imshow(pixels, cmap="gray", vmin=low, vmax=high, interpolation="nearest")
        ax.set(title=title, xlabel="x [px]", ylabel="y [px]")
        ax.set_label(f"Picture {title!r}, {pixels.shape[1]} × {pixels.shape[0]} px.")
    return axes[0, 0]


def _bars(sigma_px: np.ndarray, error_px2: np.ndarray) -> np.ndarray:
    """Lengths of the bars below and above a standard deviation, from the standard error of its square."""
    square = sigma_px**2
    low, high = np.sqrt(np.maximum(square - error_px2, 0.0)), np.sqrt(square + error_px2)
    return np.stack([sigma_px - low, high - sigma_px])


def _shown_until_s(axis: AxisAnalysis) -> float:
    """Long enough to see the slowest move settle, or the slowest mode fall to a hundredth."""
    end = axis.decay.time_s[-1]
    if axis.settling is not None and np.isfinite(axis.settling.times_s).any():
        return min(end, 1.25 * max(np.nanmax(axis.settling.times_s), 0.05))
    return end


def _thin(time: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest sample of each stretch: looks the same, costs little."""
    stride = max(1, 2 * values.size // _MOST_POINTS)
    if stride < 3:
        return time, values
    n = values.size // stride * stride
    blocks = values[:n].reshape(-1, stride)
    missing = ~np.isfinite(blocks).any(axis=1)
    low = np.where(missing, np.nan, np.where(np.isfinite(blocks), blocks, np.inf).min(axis=1))
    high = np.where(missing, np.nan, np.where(np.isfinite(blocks), blocks, -np.inf).max(axis=1))
    return np.repeat(time[:n:stride], 2), np.column_stack([low, high]).ravel()


def _pretty(unit: str) -> str:
    return unit.replace("^2", "²")
