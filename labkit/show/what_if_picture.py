"""The picture of a what-if: panel with its feet, path of the picture after the move, blur against the budget.

The artists are made once; a new setting moves them. Only what moves is drawn again, on a kept background, unless a
scale has to change.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from labkit.base import Estimate
from labkit.decide.what_if import Outlook, setting_optics

__all__ = ["WhatIfPicture"]

_LIGHT = {
    "paper": "#ffffff",
    "ink": "#222222",
    "now": "#0072B2",
    "before": "#8a8a8a",
    "band": "#009E73",
    "foot": "#D55E00",
}
_DARK = {
    "paper": "#111111",
    "ink": "#dddddd",
    "now": "#56B4E9",
    "before": "#9a9a9a",
    "band": "#4fd1a5",
    "foot": "#E69F00",
}
_SIZE, _DPI = (10.6, 3.5), 84
_SHOWN_S = 0.4
_TIMES = np.linspace(0.0, _SHOWN_S, 501)
_MESH = 25


@dataclass(frozen=True, kw_only=True)
class _Scales:
    """What fixes the axes; a picture that keeps them needs no new background."""

    panel: tuple[float, float, float, float]
    motion_um: float
    blur_px: float
    dark: bool


class WhatIfPicture:
    """In-place picture of a setting beside its baseline.

    Parameters
    ----------
    holes_m : ndarray, shape (n, 2)
        Holes of the panel, in axes of the machine [m].
    """

    def __init__(self, holes_m: np.ndarray) -> None:
        self.holes_m = np.asarray(holes_m, dtype=float).reshape(-1, 2)
        self.cursor = 0 if len(self.holes_m) else -1
        self._scales: _Scales | None = None
        self._background = None

    # --------------------------------------------------------------------------------------------------- use
    def png(self, now: Outlook, before: Outlook, *, dark: bool) -> bytes:
        """The picture of a setting and its baseline."""
        scales = _scales(now, before, self._scales, dark=dark)
        if scales != self._scales:
            self._scales = scales
            self._build(scales, before)
        self._move(now, before)
        canvas = self._figure.canvas
        canvas.restore_region(self._background)
        for ax, artist in self._moving:
            ax.draw_artist(artist)
        buffer = io.BytesIO()
        Image.fromarray(np.asarray(canvas.buffer_rgba())[..., :3]).save(buffer, format="png", compress_level=1)
        return buffer.getvalue()

    def hole_at(self, x: float, y: float) -> int:
        """Number of the hole at a place of the picture (shares from its top left); −1 when there is none near."""
        if not len(self.holes_m):
            return -1
        height, width = self._figure.bbox.height, self._figure.bbox.width
        places = self._plan.transData.transform(1e3 * self.holes_m)
        away = np.hypot(places[:, 0] - x * width, places[:, 1] - (1 - y) * height)
        return int(np.argmin(away)) if away.min() < 0.02 * width else -1

    def step(self, key: str) -> None:
        """Move the cursor to the nearest hole in the direction of an arrow key."""
        way = {"ArrowLeft": (-1, 0), "ArrowRight": (1, 0), "ArrowUp": (0, 1), "ArrowDown": (0, -1)}[key]
        gap = self.holes_m - self.holes_m[self.cursor]
        along, across = gap @ np.array(way), np.abs(gap @ np.array(way[::-1]))
        ahead = np.flatnonzero((along > 1e-6) & (across <= along))
        if ahead.size:
            self.cursor = int(ahead[np.argmin(along[ahead] + 2 * across[ahead])])

    # ------------------------------------------------------------------------------------------------ drawing
    def _build(self, scales: _Scales, before: Outlook) -> None:
        colours = _DARK if scales.dark else _LIGHT
        figure = Figure(figsize=_SIZE, dpi=_DPI, facecolor=colours["paper"])
        FigureCanvasAgg(figure)
        grid = figure.add_gridspec(
            1, 3, width_ratios=(1.0, 1.5, 0.95), left=0.055, right=0.985, bottom=0.16, top=0.88, wspace=0.3
        )
        self._figure, self._moving = figure, []
        self._plan, self._path, self._bars = (figure.add_subplot(grid[0, k]) for k in range(3))
        for ax in (self._plan, self._path, self._bars):
            ax.set_facecolor(colours["paper"])
            ax.tick_params(colors=colours["ink"], labelsize=8)
            for spine in ax.spines.values():
                spine.set_color(colours["ink"])
        self._build_plan(scales, colours)
        self._build_path(scales, colours, before)
        self._build_bars(scales, colours)
        figure.canvas.draw()
        self._background = figure.canvas.copy_from_bbox(figure.bbox)

    def _still(self, ax, title: str, x: str, y: str, colours: dict[str, str]) -> None:
        ax.set_title(title, fontsize=9, color=colours["ink"], loc="left")
        ax.set_xlabel(x, fontsize=8.5, color=colours["ink"])
        ax.set_ylabel(y, fontsize=8.5, color=colours["ink"])

    def _moves(self, ax, artist):
        artist.set_animated(True)
        self._moving.append((ax, artist))
        return artist

    def _build_plan(self, scales: _Scales, colours: dict[str, str]) -> None:
        ax = self._plan
        left, right, front, back = scales.panel
        self._sheet = self._moves(
            ax,
            ax.imshow(
                np.zeros((_MESH, _MESH)),
                origin="lower",
                cmap="cividis",
                interpolation="bilinear",
                extent=(0, 1, 0, 1),
                zorder=0,
            ),
        )
        ax.set(xlim=(left, right), ylim=(front, back), aspect="equal")
        self._still(ax, "Panel, colour: give under a push", "x [mm]", "y [mm]", colours)
        marks = {"ls": "none", "mec": "white", "mew": 0.8}
        self._holes = self._moves(ax, ax.plot([], [], ls="none", marker=".", ms=2.5, color="white", alpha=0.7)[0])
        self._supports = self._moves(ax, ax.plot([], [], marker="s", ms=7, color="black", **marks)[0])
        self._feet = self._moves(ax, ax.plot([], [], marker="^", ms=10, color=colours["foot"], **marks)[0])
        self._camera = self._moves(ax, ax.plot([], [], marker="o", ms=9, color=colours["now"], **marks)[0])
        self._ring = self._moves(
            ax, ax.plot([], [], ls="none", marker="o", ms=11, mfc="none", mec=colours["foot"], mew=1.5)[0]
        )

    def _build_path(self, scales: _Scales, colours: dict[str, str], before: Outlook) -> None:
        ax = self._path
        top = scales.motion_um
        ax.set(xlim=(0, 1e3 * _SHOWN_S), ylim=(-top, top))
        self._still(ax, "Picture along x after the move", "time after the move [ms]", "displacement [µm]", colours)
        band = 1e6 * before.tolerance_m[0]
        ax.axhspan(-band, band, color=colours["band"], alpha=0.18, lw=0)
        ax.grid(True, alpha=0.2)
        self._look = self._moves(ax, ax.axvspan(0, 1, color=colours["foot"], alpha=0.25, lw=0))
        self._old = self._moves(ax, ax.plot(1e3 * _TIMES, 0 * _TIMES, color=colours["before"], lw=1.2, ls="--")[0])
        self._new = self._moves(ax, ax.plot(1e3 * _TIMES, 0 * _TIMES, color=colours["now"], lw=1.5)[0])
        words = {"transform": ax.transAxes, "fontsize": 8, "ha": "right"}
        ax.text(0.985, 0.94, "this setting", color=colours["now"], **words)
        ax.text(0.985, 0.87, "- - baseline", color=colours["before"], **words)
        ax.text(0.985, 0.05, "green: tolerance   orange: exposure", color=colours["ink"], **words)

    def _build_bars(self, scales: _Scales, colours: dict[str, str]) -> None:
        ax = self._bars
        ax.set(xlim=(0, scales.blur_px), ylim=(-0.6, 3.6))
        ax.set_yticks([3, 2, 1, 0], ["blur", "baseline", "defocus", "baseline"], fontsize=8)
        ax.grid(True, axis="x", alpha=0.2)
        self._still(ax, "Blur in the picture", "kernel standard deviation [px]", "", colours)
        tones = [colours["now"], colours["before"]] * 2
        self._rods = [self._moves(ax, rod) for rod in ax.barh([3, 2, 1, 0], [0] * 4, height=0.6, color=tones)]
        self._spans = [
            self._moves(ax, ax.plot([], [], color=colours["ink"], lw=1.3, marker="|", ms=7)[0]) for _ in range(2)
        ]
        self._limit = self._moves(ax, ax.axvline(0, color=colours["band"], lw=1.6))
        self._limit_words = self._moves(ax, ax.text(0, 3.5, "", color=colours["band"], fontsize=8, va="top", ha="left"))

    # ------------------------------------------------------------------------------------------------- moving
    def _move(self, now: Outlook, before: Outlook) -> None:
        layout, mount = now.facts.layout, now.machine.panel
        panel, corner = mount.panel, mount.corner_m
        camera = tuple(round(layout.camera_m[i] - corner[i], 9) for i in (0, 1))
        sheet = panel.deflection_map([(*camera, -1.0)], n_along=_MESH, n_across=_MESH)
        given = -1e6 * sheet.deflection_m.T
        self._sheet.set_data(given)
        self._sheet.set_clim(0.0, float(given.max()))
        self._sheet.set_extent(
            tuple(1e3 * end for end in (corner[0], corner[0] + panel.length_m, corner[1], corner[1] + panel.width_m))
        )
        for line, places in (
            (self._holes, self.holes_m),
            (self._supports, layout.panel_supports_m),
            (self._feet, layout.panel_feet_m),
            (self._camera, [layout.camera_m]),
            (self._ring, self.holes_m[self.cursor : self.cursor + 1] if self.cursor >= 0 else []),
        ):
            line.set_data(*(1e3 * np.asarray(places, dtype=float).reshape(-1, 2).T))
        self._old.set_ydata(1e6 * before.ringing.at(_TIMES)[0])
        self._new.set_ydata(1e6 * now.ringing.at(_TIMES)[0])
        self._look.set_x(1e3 * now.wait_s)
        self._look.set_width(1e3 * now.facts.camera.exposure_s)
        bars = [now.blur_px.value, before.blur_px.value, _defocus_px(now), _defocus_px(before)]
        for rod, length in zip(self._rods, bars):
            rod.set_width(length)
        for line, estimate, height in zip(self._spans, (now.blur_px, before.blur_px), (3, 2)):
            ends = _ends(estimate)
            line.set_data(ends, [height] * len(ends))
        allowed = now.tolerance_m[0] / now.facts.camera.object_pixel_m
        self._limit.set_xdata([allowed, allowed])
        self._limit_words.set_text(f" allowed {allowed:.2g} px")
        self._limit_words.set_x(allowed)


def _ends(estimate: Estimate) -> list[float]:
    return [estimate.interval.low, estimate.interval.high] if estimate.interval.known else []


def _defocus_px(found: Outlook) -> float:
    """Blur by defocus alone, disc over four [px]."""
    optics = setting_optics(found.facts)
    return float(optics.defocus_disc_m(found.defocus_m.value)) / optics.pixel_m / 4.0


def _scales(now: Outlook, before: Outlook, old: _Scales | None, *, dark: bool) -> _Scales:
    """Limits of the axes: those of before while they still fit."""
    ends = []
    for one in (now, before):
        corner, panel = one.machine.panel.corner_m, one.machine.panel.panel
        ends.append((corner[0], corner[0] + panel.length_m, corner[1], corner[1] + panel.width_m))
    low_x, high_x, low_y, high_y = np.array(ends).T
    panel = tuple(
        float(1e3 * v) for v in (low_x.min() - 0.015, high_x.max() + 0.015, low_y.min() - 0.015, high_y.max() + 0.015)
    )
    motion = 1e6 * max(float(np.abs(one.ringing.at(_TIMES)[0]).max()) for one in (now, before))
    blur = max(_ends(one.blur_px)[-1] if _ends(one.blur_px) else one.blur_px.value for one in (now, before))
    blur = max(blur, 1.4 * now.tolerance_m[0] / now.facts.camera.object_pixel_m)
    return _Scales(
        panel=panel,
        motion_um=_round_up(1.1 * motion, None if old is None else old.motion_um),
        blur_px=_round_up(1.05 * blur, None if old is None else old.blur_px),
        dark=dark,
    )


def _round_up(value: float, old: float | None) -> float:
    """A limit of 1, 2 or 5 times a power of ten; the old one while the value fills a sixth of it."""
    if old is not None and old / 6 <= value <= old:
        return old
    power = 10.0 ** np.floor(np.log10(max(value, 1e-9)))
    return float(next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= value))
