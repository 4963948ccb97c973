"""Checks that use gravity as a built-in reference: unit, scale and direction of the axes."""

from __future__ import annotations

import math

import numpy as np

from labkit.base import STANDARD_GRAVITY_M_S2 as G
from labkit.runs.checks_log import CheckedLog, SkippedCheck, quietest
from labkit.runs.findings import Finding

__all__ = ["check_gravity", "check_tilt", "check_unit"]

# |static| as read, in g, and what was probably mixed up: (ratio, words).
_MIX_UPS = (
    (1.0 / G, "values in g were read as m/s²"),
    (G, "values in m/s² were read as g"),
    (100.0, "values in mg or gal (cm/s²) were read as m/s²"),
    (1000.0, "values in mg were read as g, or mm/s² as m/s²"),
    (1e-3, "values in g were read as mg, or m/s² as mm/s²"),
    (1e-2, "values in m/s² were read as mg or gal"),
)
_NEAR = 1.08  # offsets of a MEMS sensor reach 80 mg
_MISSING_G = 0.09


def check_gravity(log: CheckedLog) -> list[Finding]:
    """Three axes at rest together read 1 g, unless the sensor is AC-coupled or gravity was taken out.

    Note below 0.09 g (nothing to check scale and axes with), note from 5 % off 1 g, warning from 10 % when no mix-up
    of units explains it (zero-g offsets of MEMS sensors reach 80 mg; common practice, no source). Without three
    axes the stated `gravity_axis` is looked at alone. `value`: |static| [g].
    """
    static_g = {names: _size_g(vector) for names, vector in _at_rest(log).items()}
    return [
        _gravity_finding(names, size)
        for names, size in static_g.items()
        if not _mix_up(size) and abs(size - 1.0) >= 0.05
    ]


def _gravity_finding(names: tuple[str, ...], static_g: float) -> Finding:
    gone = static_g < _MISSING_G
    return Finding(
        code="gravity",
        severity="note" if gone or abs(static_g - 1.0) < 0.1 else "warning",
        channel=", ".join(names),
        evidence=f"the static reading is {static_g:.3g} g",
        consequence="unit, scale and axes cannot be checked against gravity"
        if gone
        else "an offset or the scale is wrong; displacements scale with the scale",
        advice="if the sensor should see gravity, check its coupling and unit"
        if gone
        else "turn each axis up and down once: half the difference must be 1 g",
        value=static_g,
    )


def check_tilt(log: CheckedLog) -> list[Finding]:
    """Angle between gravity and the nearest axis (or the stated one).

    Note from 5° (9 % of a neighbour axis leaks in), warning from 15° (26 % leak, 3 % of the own axis is lost).
    Geometry; limits: common practice, no source. `value`: angle [°].
    """
    sensors = {n: v for n, v in _at_rest(log).items() if len(n) == 3 and 0.5 < _size_g(v) < 2.0}
    if not sensors:
        raise SkippedCheck("needs three axes that see gravity")
    findings = []
    for names, static in sensors.items():
        nearest = names[int(np.argmax(np.abs(static)))]
        axis = log.gravity_axis if log.gravity_axis in names else nearest
        cosine = abs(static[names.index(axis)]) / float(np.linalg.norm(static))
        angle = math.degrees(math.acos(min(1.0, cosine)))
        if angle >= 5.0:
            findings.append(_tilt_finding(names, angle, axis, nearest))
    return findings


def _tilt_finding(names: tuple[str, ...], angle: float, axis: str, nearest: str) -> Finding:
    other = f"; gravity is nearer to {nearest}" if nearest != axis else ""
    return Finding(
        code="tilt",
        severity="warning" if angle >= 15.0 else "note",
        channel=", ".join(names),
        evidence=f"gravity is {angle:.1f}° off {axis}{other}",
        consequence=f"{math.sin(math.radians(angle)):.0%} of the motion along one axis shows in another",
        advice="level the sensor, or state which axis is which",
        value=angle,
    )


def check_unit(log: CheckedLog) -> list[Finding]:
    """|static| against 1 g, to find mixed-up units.

    Fatal for everything that depends on the scale when |static| lies within 8 % of a ratio that a known mix-up
    gives: 1/9.81, 9.81, 100, 1000, 0.001, 0.01 (ratios derived; 8 %: offsets of MEMS sensors, common practice).
    A single axis says something below 1.3 g only if it is the gravity axis. Frequencies and damping are not touched.
    `value`: |static| [g].
    """
    findings = []
    for names, vector in _at_rest(log, alone=True).items():
        static_g = _size_g(vector)
        words = _mix_up(static_g)
        if words and (len(names) == 3 or static_g > 1.3 or names == (log.gravity_axis,)):
            findings.append(
                Finding(
                    code="unit",
                    severity="fatal",
                    channel=", ".join(names),
                    evidence=f"the static reading is {static_g:.4g} g: probably {words}",
                    consequence="every amplitude is wrong by that factor; frequencies and damping are not",
                    advice="state the unit of the columns when reading the log",
                    blocks=("spectra", "displacement", "settling"),
                    value=static_g,
                )
            )
    return findings


# ------------------------------------------------------------------------------------------------- helpers
def _at_rest(log: CheckedLog, *, alone: bool = False) -> dict[tuple[str, ...], np.ndarray]:
    """Static reading [m/s²] of each sensor: median level of its quietest segments.

    A sensor is three channels; channels without partners come one by one if `alone`, or if one is the gravity axis.
    A sensor whose level scatters between its quiet segments by more than 0.05 g was carried about: left out.
    """
    if log.unit != "m/s^2":
        raise SkippedCheck(f"gravity does not show in {log.unit}")
    found = {}
    for names in _sensors(log, alone=alone):
        spectra = [log.spectra[name] for name in names]
        quiet = quietest(np.sum([s.power for s in spectra], axis=0))
        levels = np.array([s.level[quiet] for s in spectra])
        static = np.median(levels, axis=1)
        if np.median(np.linalg.norm(levels - static[:, None], axis=0)) < max(0.05 * G, 0.05 * np.linalg.norm(static)):
            found[names] = static
    if not found:
        raise SkippedCheck("the sensor was never at rest")
    return found


def _sensors(log: CheckedLog, *, alone: bool) -> list[tuple[str, ...]]:
    """Channels whose names differ in x, y, z only, or all when there are three; then single ones."""
    names = list(log.spectra)
    triples = _triples(names)
    used = {name for triple in triples for name in triple}
    single = [(name,) for name in names if name not in used and (alone or name == log.gravity_axis)]
    if not triples and not single:
        raise SkippedCheck("needs three axes or a stated gravity axis")
    return [*triples, *single]


def _triples(names: list[str]) -> list[tuple[str, ...]]:
    groups: dict[tuple[str, str], dict[str, str]] = {}
    for name in names:
        for place, letter in enumerate(name.lower()):
            if letter in "xyz":
                groups.setdefault((name[:place], name[place + 1 :]), {})[letter] = name
    triples = [tuple(group[c] for c in "xyz") for group in groups.values() if len(group) == 3]
    return triples or ([tuple(names)] if len(names) == 3 else [])


def _size_g(vector: np.ndarray) -> float:
    return float(np.linalg.norm(vector)) / G


def _mix_up(static_g: float) -> str:
    """What was probably mixed up, for a static reading in g; empty when nothing known fits."""
    return next((words for ratio, words in _MIX_UPS if ratio / _NEAR < static_g < ratio * _NEAR), "")
