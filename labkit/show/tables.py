"""Tables and sentences in bench units (µm, ms, Hz), and plain data for JSON."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from pandas.io.formats.style import Styler

from labkit.analyse.displacement import integrations
from labkit.analyse.one_axis import AxisAnalysis
from labkit.analyse.one_run import RunAnalysis
from labkit.base import STANDARD_GRAVITY_M_S2, Estimate
from labkit.decide.compare import Comparison, MetricChange
from labkit.runs.findings import Finding, LogReport
from labkit.runs.runfolder import Run

# scale and symbol in which a builder reads an SI unit
_BENCH = {"s": (1e3, "ms"), "m": (1e6, "µm"), "m/s^2": (1.0, "m/s²")}

_FACT_UNITS = {
    "noise_density_m_s2_rthz": (1e6 / STANDARD_GRAVITY_M_S2, "noise density [µg/√Hz]"),
    "_m_s2": (1.0, "m/s²"),
    "_m_s3": (1.0, "m/s³"),
    "_m_s": (1e3, "mm/s"),
    "pixel_m": (1e6, "pixel [µm]"),
    "tolerance_m": (1e6, "tolerance [µm]"),
    "wavelength_m": (1e9, "wavelength [nm]"),
    "_m": (1e3, "mm"),
    "_kg": (1.0, "kg"),
    "_s": (1e3, "ms"),
    "_hz": (1.0, "Hz"),
    "_degc": (1.0, "°C"),
}

__all__ = [
    "changes_table",
    "common_facts_table",
    "differing_facts_table",
    "estimate_text",
    "facts_table",
    "findings_table",
    "modes_table",
    "motion_table",
    "settling_text",
    "tidy",
    "to_plain",
]


def estimate_text(estimate: Estimate, *, scale: float = 1.0, unit: str = "", digits: int = 3) -> str:
    """A value with its interval, as in ``"312 ms [290, 334]"``; says so when the uncertainty is unknown.

    Parameters
    ----------
    estimate : Estimate
        The value.
    scale : float
        Multiplier from SI to the unit shown.
    unit : str
        Unit shown.
    digits : int
        Significant digits, for the value; the interval gets as many decimals as the value.

    Examples
    --------
    >>> estimate_text(Estimate.from_standard_error(0.3124, 0.01, dof=11), scale=1e3, unit="ms")
    '312 ms [290, 334]'
    >>> estimate_text(Estimate.unknown(0.3124), scale=1e3, unit="ms")
    '312 ms [interval unknown]'
    """
    if math.isnan(estimate.value):
        return "–"
    value = scale * estimate.value
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value)))) if value else digits - 1
    head = f"{value:.{decimals}f}" + (f" {unit}" if unit else "")
    if not estimate.interval.known:
        return f"{head} [interval unknown]"
    return f"{head} [{scale * estimate.interval.low:.{decimals}f}, {scale * estimate.interval.high:.{decimals}f}]"


def tidy(table: pd.DataFrame) -> Styler:
    """A table as a notebook should show it: no row numbers, text to the left, everything escaped.

    Parameters
    ----------
    table : DataFrame
        Any table of this module.
    """
    left = {"selector": "th, td", "props": "text-align: left; vertical-align: top"}
    return table.style.hide(axis="index").format(escape="html").set_table_styles([left])


def facts_table(run: Run | RunAnalysis) -> pd.DataFrame:
    """What is stated about a run, part by part; what is unknown is left out.

    Parameters
    ----------
    run : Run or RunAnalysis
        The run.
    """
    return _by_part(_stated_facts(run.facts))


def _by_part(stated: Mapping[tuple[str, str], str]) -> pd.DataFrame:
    rows: dict[str, list[str]] = {}
    for (part, name), value in stated.items():
        rows.setdefault(part, []).append(f"{name}: {value}")
    return pd.DataFrame([{"part": part, "stated": "; ".join(facts)} for part, facts in rows.items()])


def differing_facts_table(runs: Sequence[RunAnalysis]) -> pd.DataFrame:
    """Facts that are not the same in all runs, a column a run.

    Parameters
    ----------
    runs : sequence of RunAnalysis
        The runs.
    """
    stated = [_stated_facts(run.facts) for run in runs]
    keys = dict.fromkeys(key for one in stated for key in one)
    rows = [
        {"fact": " ".join(key)} | {run.name: one.get(key, "not stated") for run, one in zip(runs, stated)}
        for key in keys
        if len({one.get(key) for one in stated}) > 1
    ]
    return pd.DataFrame(rows, columns=["fact", *(run.name for run in runs)])


def common_facts_table(runs: Sequence[RunAnalysis]) -> pd.DataFrame:
    """Facts that are the same in all runs, part by part.

    Parameters
    ----------
    runs : sequence of RunAnalysis
        The runs.
    """
    stated = [_stated_facts(run.facts) for run in runs]
    return _by_part({key: value for key, value in stated[0].items() if all(one.get(key) == value for one in stated)})


def _stated_facts(facts: object, part: str = "run") -> dict[tuple[str, str], str]:
    """(part, name) → value, in bench units."""
    stated = {}
    for item in dataclasses.fields(facts):
        value = getattr(facts, item.name)
        if dataclasses.is_dataclass(value):
            stated |= _stated_facts(value, item.name)
        elif value not in (None, "", ()) and not _is_nan(value):
            name, shown = _in_bench_units(item.name, value)
            stated[part, name] = shown
    return stated


def _is_nan(value: object) -> bool:
    first = value[0] if isinstance(value, tuple) else value
    return isinstance(first, float) and math.isnan(first)


def _in_bench_units(name: str, value: object) -> tuple[str, str]:
    """`thickness_m`, 0.004 → "thickness [mm]", "4"; places, all in metres, as (x, y, z) in mm."""
    if isinstance(value, tuple):
        return f"{name.removesuffix('_m').replace('_', ' ')} [mm]", _places(value)
    for suffix, (scale, unit) in _FACT_UNITS.items():
        if name == suffix and isinstance(value, float):
            return unit, f"{scale * value:.6g}"
        if name.endswith(suffix) and isinstance(value, float):
            return f"{name.removesuffix(suffix).replace('_', ' ')} [{unit}]", f"{scale * value:.6g}"
    shown = {True: "yes", False: "no"}.get(value) if isinstance(value, bool) else value
    return name.replace("_", " "), f"{shown:.6g}" if isinstance(shown, float) else str(shown)


def _places(value: tuple) -> str:
    if isinstance(value[0], tuple):
        return " ".join(map(_places, value))
    return "(" + ", ".join(f"{1e3 * number:.6g}" for number in value) + ")"


def findings_table(reports: Sequence[LogReport], *, least: str = "note") -> pd.DataFrame:
    """Findings of all logs, the gravest first; the same finding in several logs and channels stands once.

    Parameters
    ----------
    reports : sequence of LogReport
        One a log.
    least : {"note", "warning", "fatal"}
        Leave out what weighs less.
    """
    weights = ("fatal", "warning", "note")
    shown = weights[: weights.index(least) + 1]
    groups: dict[tuple[str, str], list[tuple[str, Finding]]] = {}
    for report in reports:
        for finding in report.findings:
            if finding.severity in shown:
                groups.setdefault((finding.severity, finding.code), []).append((report.name, finding))
    rows = [_group_row(severity, found) for (severity, _), found in groups.items()]
    columns = ["severity", "where", "finding", "consequence", "advice"]
    table = pd.DataFrame(rows, columns=columns)
    return table.sort_values("severity", key=lambda s: s.map(weights.index), kind="stable").reset_index(drop=True)


def _group_row(severity: str, found: Sequence[tuple[str, Finding]]) -> dict[str, str]:
    logs, channels = (list(dict.fromkeys(names)) for names in zip(*((log, f.channel) for log, f in found)))
    where = _joined(logs) + (f" ({', '.join(filter(None, channels))})" if any(channels) else "")
    sizes = [abs(f.value) if math.isfinite(f.value) else -1.0 for _, f in found]
    gravest = found[int(np.argmax(sizes))][1]
    more = f" (the largest of {len(found)})" if len(found) > 1 else ""
    texts = (f"{gravest.evidence}{more}", gravest.consequence, gravest.advice)
    return dict(
        zip(("severity", "where", "finding", "consequence", "advice"), (severity, where, *map(_sentence, texts)))
    )


def _joined(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= 3 else f"{names[0]} … {names[-1]} ({len(names)} logs)"


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text else text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


def modes_table(analysis: RunAnalysis) -> pd.DataFrame:
    """Modes of the machine, and how far each moves every axis at the end of a move (median).

    Parameters
    ----------
    analysis : RunAnalysis
        Analysis of one run.
    """
    rows = []
    for k, mode in enumerate(analysis.modes):
        row = {
            "frequency [Hz]": estimate_text(mode.frequency_hz, digits=4),
            "damping ratio [%]": estimate_text(mode.damping_ratio, scale=100),
        }
        for axis in analysis.axes:
            row[f"{axis.channel} [µm]"] = f"{1e6 * _median_amplitude_m(axis, k):.3g}"
        rows.append(row)
    return pd.DataFrame(rows)


def _median_amplitude_m(axis: AxisAnalysis, k: int) -> float:
    order = integrations(axis.fit.unit)
    return float(np.median(np.abs(axis.fit.modes[k].amplitudes))) / abs(axis.fit.poles_rad_s[k]) ** order


def motion_table(analysis: RunAnalysis) -> pd.DataFrame:
    """What each axis does after a move: largest displacement, settling time, band rms.

    Parameters
    ----------
    analysis : RunAnalysis
        Analysis of one run.
    """
    rows = []
    for axis in analysis.axes:
        unit = axis.fit.unit.replace("^2", "²")
        rows.append(
            {
                "axis": axis.channel,
                "largest displacement [µm]": _median_range(1e6 * axis.decay.peak_m)
                if axis.fit.modes and axis.decay
                else "–",
                "settling time [ms]": settling_text(axis),
                f"rms {axis.band_hz[0]:.0f}–{axis.band_hz[1]:.0f} Hz [{unit}]": _median_range(axis.band_rms),
            }
        )
    return pd.DataFrame(rows)


def settling_text(axis: AxisAnalysis) -> str:
    """Settling time of an axis in ms, or why there is none."""
    settles = axis.settling
    if settles is None:
        return "blocked by a fatal finding" if "settling" in axis.blocked else "no tolerance given"
    if settles.route == "none":
        return "not to be told"
    if settles.n_settled < settles.n_moves:
        share = f"{settles.n_moves - settles.n_settled} of {settles.n_moves}"
        return f"not settled in {1e3 * settles.record_s:.0f} ms ({share})"
    return estimate_text(settles.mean_s, scale=1e3)


def changes_table(comparison: Comparison) -> pd.DataFrame:
    """Before, after and ratio of every metric, with the verdict in words.

    Parameters
    ----------
    comparison : Comparison
        Changes between two runs.
    """
    return pd.DataFrame(
        [_change_row(change) for change in comparison.changes],
        columns=["metric", "before", "after", "after / before", "verdict", "p (Holm)"],
    )


def _change_row(change: MetricChange) -> dict[str, str]:
    scale, unit = _BENCH.get(change.unit, (1.0, change.unit))
    if "damping ratio" in change.name:
        scale, unit = 100.0, "%"
    digits = 4 if change.unit == "Hz" else 3
    p = change.p_adjusted
    if change.scale == "ratio":
        moved = estimate_text(change.ratio, digits=digits)
    else:
        moved = "difference " + estimate_text(change.difference, scale=scale, unit=unit)
    return {
        "metric": change.name,
        "before": estimate_text(change.before, scale=scale, unit=unit, digits=digits),
        "after": estimate_text(change.after, scale=scale, unit=unit, digits=digits),
        "after / before": moved,
        "verdict": change.word,
        "p (Holm)": "–" if math.isnan(p) else ("< 0.0001" if p < 1e-4 else f"{p:.2g}"),
    }


def to_plain(value: object) -> object:
    """Results as dictionaries, lists, numbers and text: nan and inf become null, complex numbers [re, im].

    Parameters
    ----------
    value : object
        A result, or anything made of results, arrays and plain values.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): to_plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return to_plain(value.tolist())
    if isinstance(value, list | tuple | set | frozenset):
        return [to_plain(v) for v in value]
    if isinstance(value, complex):
        return [value.real, value.imag]
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.generic):
        return value.item()
    return value if value is None or isinstance(value, bool | int | str) else str(value)


def _median_range(values: np.ndarray) -> str:
    known = values[np.isfinite(values)]
    return f"{np.median(known):.3g} ({known.min():.3g}…{known.max():.3g})" if known.size else "–"
