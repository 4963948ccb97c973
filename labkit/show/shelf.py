"""A shelf for people: its table in bench units, and plots of many builds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib import pyplot as plt
from matplotlib import ticker
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from labkit.base import check_choice
from labkit.runs.share.parcel_safety import clean_text

__all__ = ["MEASURED", "STATED", "plot_shelf", "plot_shelf_overview", "shelf_table"]


@dataclass(frozen=True, kw_only=True)
class _Quantity:
    column: str
    label: str
    unit: str
    scale: float
    interval: bool = True


#: What is stated about a build, by name.
STATED = {
    "thickness": _Quantity(column="thickness_m", label="thickness", unit="mm", scale=1e3, interval=False),
    "acceleration": _Quantity(column="acceleration_m_s2", label="acceleration", unit="m/s²", scale=1.0, interval=False),
    "frame mass": _Quantity(column="frame_mass_kg", label="frame", unit="kg", scale=1.0, interval=False),
    "head mass": _Quantity(column="head_mass_kg", label="head", unit="kg", scale=1.0, interval=False),
}
#: What was measured on a build, by name.
MEASURED = {
    "compliance": _Quantity(column="compliance_m_per_n", label="compliance", unit="µm/N", scale=1e6),
    "frequency": _Quantity(column="frequency_hz", label="frequency", unit="Hz", scale=1.0),
    "settling": _Quantity(column="settling_s", label="settling time", unit="ms", scale=1e3),
    "blur": _Quantity(column="blur_px", label="blur", unit="px", scale=1.0),
}
_NOTHING = "–"

# Okabe & Ito's set for colour-vision deficiency (2008); materials also differ in marker
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
_MARKERS = ("o", "s", "^", "D", "v", "P", "X")


def shelf_table(runs: pd.DataFrame) -> pd.DataFrame:
    """Runs of a shelf in bench units, with 95 % intervals where they are known.

    Parameters
    ----------
    runs : DataFrame
        The runs of an indexed shelf, or the nearest of them.
    """
    columns = {"run": _texts(runs, "entry", "run"), "material": [clean_text(m) or _NOTHING for m in runs["material"]]}
    for one in STATED.values():
        columns[f"{one.label} [{one.unit}]"] = [_value(v, one.scale) for v in runs[one.column]]
    columns["foot"] = [
        _NOTHING if f is pd.NA or f is None else ("yes" if f else "no") for f in runs["foot_under_camera"]
    ]
    for one in MEASURED.values():
        columns[f"{one.label} [{one.unit}]"] = [
            _with_interval(v, low, high, one.scale)
            for v, low, high in zip(runs[one.column], runs[f"{one.column}_low"], runs[f"{one.column}_high"])
        ]
    columns["note"] = [_note(row) for row in runs.to_dict("records")]
    front = {name: runs[name].tolist() for name in ("distance", "differs") if name in runs}
    if "distance" in front:
        front["distance"] = [f"{d:.2f}" for d in front["distance"]]
    return pd.DataFrame({**front, **columns})


def _texts(runs: pd.DataFrame, entry: str, run: str) -> list[str]:
    """Where a run stands: the name of its entry, with its own when a parcel holds it under another."""
    return [
        clean_text(e if e.rsplit("/", 1)[-1].removesuffix(".zip") == r else f"{e}: {r}", most=60)
        for e, r in zip(runs[entry], runs[run])
    ]


def _value(value: float, scale: float) -> str:
    return _NOTHING if math.isnan(value) else f"{scale * value:.4g}"


def _with_interval(value: float, low: float, high: float, scale: float) -> str:
    if math.isnan(value):
        return _NOTHING
    ends = "" if math.isnan(low) else f" [{scale * low:.4g}, {scale * high:.4g}]"
    return f"{scale * value:.4g}{ends}"


def _note(row: dict[str, object]) -> str:
    notes = [row["status"]] if row["status"] != "results" else []
    notes += ["not analysed"] if row["status"] == "results" and row["reason"].startswith("not analysed") else []
    if row["status"] == "results" and row["moves"] > 0 and row["tolerance_m"] > 0 and math.isnan(row["settling_s"]):
        notes.append("no settling time for every move")
    notes += ["invented data"] if row["synthetic"] is True else []
    return ", ".join(notes)


def plot_shelf(runs: pd.DataFrame, ax: Axes | None = None, *, x: str = "thickness", y: str = "frequency") -> Axes:
    """One measured quantity of all builds against one stated, by material; filled with a foot under the camera.

    Parameters
    ----------
    runs : DataFrame
        The runs of an indexed shelf.
    ax : Axes, optional
        Where to draw.
    x : str
        One of `STATED`.
    y : str
        One of `MEASURED`.
    """
    across = STATED[check_choice("x", x, STATED)]
    up = MEASURED[check_choice("y", y, MEASURED)]
    ax = plt.subplots(figsize=(6.0, 4.0), layout="constrained")[1] if ax is None else ax
    known = runs[runs[across.column].gt(0) & runs[up.column].gt(0)]
    for k, (material, builds) in enumerate(known.groupby("material", sort=True)):
        _draw_material(ax, builds, material, k, across, up)
    ax.set_yscale("log")
    ax.yaxis.set_major_locator(ticker.LogLocator(subs=(1.0, 2.0, 5.0)))
    ax.yaxis.set_major_formatter("{x:g}")
    ax.yaxis.set_minor_formatter(ticker.NullFormatter())
    ax.set_xlabel(f"{across.label} [{across.unit}]")
    ax.set_ylabel(f"{up.label} [{up.unit}]")
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(True, which="both", alpha=0.25)
    if known.empty:
        ax.text(0.5, 0.5, "no build states both", transform=ax.transAxes, ha="center", va="center")
    span = "" if known.empty else f", from {_span(known[up.column] * up.scale)} {up.unit}"
    ax.set_label(f"{up.label.capitalize()} against {across.label} of {len(known)} builds{span}.")
    return ax


def _span(values: pd.Series) -> str:
    return f"{values.min():.3g} to {values.max():.3g}"


def _draw_material(ax: Axes, builds: pd.DataFrame, material: str, k: int, across: _Quantity, up: _Quantity) -> None:
    """Builds of one material with the ends of their intervals; hollow without a foot, filled with one."""
    colour, marker = _COLOURS[k % len(_COLOURS)], _MARKERS[k % len(_MARKERS)]
    px, py = across.scale * builds[across.column].to_numpy(), up.scale * builds[up.column].to_numpy()
    ends = up.scale * builds[[f"{up.column}_low", f"{up.column}_high"]].to_numpy()
    bars = np.nan_to_num(np.maximum(np.stack([py - ends[:, 0], ends[:, 1] - py]), 0.0), posinf=0.0)
    ax.errorbar(px, py, bars, fmt="none", ecolor=colour, elinewidth=1.0, alpha=0.6)
    foot = builds["foot_under_camera"].fillna(False).to_numpy(dtype=bool)
    label = clean_text(material, most=24).replace("$", r"\$") or "material not stated"
    for filled, one in ((False, ~foot), (True, foot)):
        face = colour if filled else "none"
        name = label if (filled or not foot.all()) and (not filled or foot.all()) else None
        ax.scatter(px[one], py[one], s=36, marker=marker, facecolors=face, edgecolors=colour, label=name)


def plot_shelf_overview(runs: pd.DataFrame, *, x: str = "thickness") -> Figure:
    """All measured quantities of a shelf against one stated, in one figure.

    Parameters
    ----------
    runs : DataFrame
        The runs of an indexed shelf.
    x : str
        One of `STATED`.
    """
    figure, axes = plt.subplots(2, 2, figsize=(10.0, 7.0), layout="constrained", sharex=True)
    for ax, y in zip(axes.flat, MEASURED):
        plot_shelf(runs, ax, x=x, y=y)
    handles = {}
    for ax in axes.flat:
        handles |= dict(zip(*reversed(ax.get_legend_handles_labels())))
    if handles:
        figure.legend(
            handles.values(),
            handles.keys(),
            loc="outside lower center",
            ncols=min(5, len(handles)),
            frameon=False,
            title="filled: foot under the camera",
        )
    return figure
