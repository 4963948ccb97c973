"""Plots of what rows, edges and focus stacks say; the helpers are those of `plots`."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes

from labkit.analyse.edge import EdgeResponse
from labkit.analyse.focus import FocusCurve
from labkit.analyse.rolling_shutter import RowLine, RowTrack
from labkit.show.plots import COLOURS, STYLES, finish, new_axes

__all__ = ["plot_edges", "plot_focus", "plot_rows"]


def plot_rows(rows: RowTrack, ax: Axes | None = None, *, line: RowLine, axis: str, shown_s: float = 0.2) -> Axes:
    """Displacement of the bands at their own times, a colour a frame, with the vibration found.

    Parameters
    ----------
    rows : RowTrack
        Motion seen by bands of rows.
    ax : Axes, optional
        Where to draw.
    line : RowLine
        The vibration along that axis, from `find_row_line`.
    axis : {"x", "y"}
        Direction of the movement in the picture.
    shown_s : float
        How much of the clip to show [s].
    """
    ax = new_axes(ax)
    seen = rows.time_s < rows.time_s[0] + shown_s
    time, shift = rows.time_s[seen], rows.shift_px["xy".index(axis)][seen]
    frame = np.cumsum(rows.band[seen] == rows.band[0])
    for number in np.unique(frame):
        at, turn = frame == number, number % 2
        ax.plot(1e3 * time[at], shift[at], "so"[turn], ms=5, color=COLOURS[turn], label=_frame_label(number))
    if line.found:
        fine = np.linspace(time[0], time[-1], 1000)
        wave = line.wave_px(fine)
        ax.plot(1e3 * fine, wave, color="0.4", lw=0.9, label=f"{line.frequency_hz.value:.2f} Hz")
    ax.set(xlabel="time [ms]", ylabel=f"{axis} [px]")
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), frameon=False, fontsize="small", ncols=3)
    words = f"vibration of {line.frequency_hz.value:.4g} Hz" if line.found else "no vibration found"
    return finish(ax, f"Displacement along {axis} of bands of rows in the first {1e3 * shown_s:.0f} ms, {words}.")


def _frame_label(number: int) -> str | None:
    return {1: "bands of one frame", 2: "… of the next"}.get(int(number))


def plot_focus(curve: FocusCurve, ax: Axes | None = None) -> Axes:
    """Diameter of the blur disc through focus: every picture, the curve, the limit and the depth of field.

    Parameters
    ----------
    curve : FocusCurve
        The stack, measured.
    ax : Axes, optional
        Where to draw.
    """
    ax = new_axes(ax)
    low, high = 1e6 * curve.best_z_m.value + 0.5e6 * curve.depth_of_field_m.value * np.array([-1, 1])
    ax.axvspan(low, high, color=COLOURS[2], alpha=0.15, lw=0, label=f"depth of field at {curve.blur_limit_px:g} px")
    grid = np.linspace(curve.z_m.min(), curve.z_m.max(), 300)
    disc = curve.disc_px_per_m.value * np.abs(grid - curve.best_z_m.value)
    ax.plot(1e6 * grid, disc, color="0.4", lw=1, label="fitted cone")
    ax.plot(1e6 * curve.z_m, curve.measured_disc_px, "o", ms=6, mfc="none", color=COLOURS[0], label="pictures")
    ax.set(xlabel="z [µm]", ylabel="blur disc [px]", ylim=(0, None))
    ax.legend(loc="upper center", fontsize="small")
    best, depth = 1e6 * curve.best_z_m.value, 1e6 * curve.depth_of_field_m.value
    return finish(
        ax, f"Blur disc of {curve.z_m.size} pictures through focus: best at {best:.0f} µm, depth {depth:.0f} µm."
    )


def plot_edges(edges: Mapping[str, EdgeResponse], ax: Axes | None = None) -> Axes:
    """Modulation transfer across the edge in each picture, with MTF50.

    Parameters
    ----------
    edges : mapping of str to EdgeResponse
        Name of the picture → its edge.
    ax : Axes, optional
        Where to draw.
    """
    ax = new_axes(ax)
    for (name, edge), colour, style in zip(edges.items(), COLOURS, STYLES):
        ax.plot(edge.frequency_cpp, edge.mtf, style, color=colour, label=name)
        ax.plot(edge.mtf50_cpp.value, 0.5, "o", ms=6, mfc="none", color=colour)
    ax.axhline(0.5, color="0.5", lw=0.8, ls=":")
    ax.set(xlabel="spatial frequency [cycles/px]", ylabel="MTF", xlim=(0, 0.5), ylim=(0, 1.05))
    ax.legend(loc="upper right", fontsize="small")
    words = "; ".join(f"{name} falls to one half at {edge.mtf50_cpp.value:.2f}" for name, edge in edges.items())
    return finish(ax, f"Modulation transfer across the edge against spatial frequency: {words} cycles a pixel.")
