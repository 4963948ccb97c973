"""Checks that use gravity as a built-in reference: unit, scale and direction of the axes."""

from __future__ import annotations

import math

import numpy as np

from labkit.base import STANDARD_GRAVITY_M_S2 as G
from labkit.runs.checks_log import CheckedLog, SkippedCheck
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
    of units explains it (zero-g offsets of MEMS sensors reach 80 mg; common practice, no source). With a
    `gravity_axis` that axis alone is looked at if there are no three. `value`: |static| [g].
    """
    findings = []
    for names in _sensors(log):
        static_g = _static_g(log, names)
        if _mix_up(static_g) or abs(static_g - 1.0) < 0.05:
            continue
        gone = static_g < _MISSING_G
        findings.append(Finding(
            code="gravity", severity="note" if gone or abs(static_g - 1.0) < 0.1 else "warning",
            channel=", ".join(names), evidence=f"the axes at rest read {static_g:.3g} g together",
            consequence="unit, scale and axes cannot be checked against gravity" if gone else
            "an offset or the scale is wrong by about as much; displacements scale with it",
            advice="if the sensor should see gravity, check its coupling and unit" if gone else
            "turn each axis up and down once: half the difference must be 1 g", value=static_g,
        ))
    return findings


def check_tilt(log: CheckedLog) -> list[Finding]:
    """Angle between gravity and the nearest axis (or the stated one).

    Note from 5° (9 % of a neighbour axis leaks in), warning from 15° (26 % leak, 3 % of the own axis is lost) or
    when gravity lies on another axis than stated. Geometry; limits: common practice, no source. `value`: angle [°].
    """
    findings, looked = [], False
    for names in _sensors(log):
        static = np.array([log.static[name] for name in names])
        if len(names) < 3 or not 0.5 < float(np.linalg.norm(static)) / G < 2.0:
            continue
        looked = True
        nearest = names[int(np.argmax(np.abs(static)))]
        axis = log.gravity_axis if log.gravity_axis in names else nearest
        cosine = abs(log.static[axis]) / float(np.linalg.norm(static))
        angle = math.degrees(math.acos(min(1.0, cosine)))
        if angle < 5.0:
            continue
        other = f"; gravity is nearer to {nearest}" if nearest != axis else ""
        findings.append(Finding(
            code="tilt", severity="warning" if angle >= 15.0 else "note", channel=", ".join(names),
            evidence=f"gravity is {angle:.1f}° off {axis}{other}",
            consequence=f"{math.sin(math.radians(angle)):.0%} of the motion along one axis shows in another",
            advice="level the sensor, or state which axis is which", value=angle,
        ))
    if not looked:
        raise SkippedCheck("needs three axes that see gravity")
    return findings


def check_unit(log: CheckedLog) -> list[Finding]:
    """|static| against 1 g, to find mixed-up units.

    Fatal for everything that depends on the scale when |static| lies within 8 % of a ratio that a known mix-up
    gives: 1/9.81, 9.81, 100, 1000, 0.001, 0.01 (ratios derived; 8 %: offsets of MEMS sensors, common practice).
    A single axis says something only above 1.3 g; below, it may lie flat. Frequencies and damping are not touched.
    `value`: |static| [g].
    """
    findings = []
    for names in _sensors(log, alone=True):
        static_g = _static_g(log, names)
        words = _mix_up(static_g)
        if words is None or (len(names) < 3 and static_g < 1.3):
            continue
        findings.append(Finding(
            code="unit", severity="fatal", channel=", ".join(names),
            evidence=f"the static reading is {static_g:.4g} g: probably {words}",
            consequence="every amplitude is wrong by that factor; frequencies and damping are not",
            advice="state the unit of the columns when reading the log",
            blocks=("spectra", "displacement", "settling"), value=static_g,
        ))
    return findings


# ------------------------------------------------------------------------------------------------- helpers
def _sensors(log: CheckedLog, *, alone: bool = False) -> list[tuple[str, ...]]:
    """Channels that belong to one sensor: names that differ in x, y, z only, or all when there are three.

    Channels without partners come one by one if `alone`, or if they are the stated gravity axis.
    """
    if log.unit != "m/s^2":
        raise SkippedCheck(f"gravity does not show in {log.unit}")
    names = [name for name in log.recording.channels if log.finite[name].size]
    triples = _triples(names)
    used = {name for triple in triples for name in triple}
    single = [(name,) for name in names if name not in used and (alone or name == log.gravity_axis)]
    if not triples and not single:
        raise SkippedCheck("needs three axes or a stated gravity axis")
    return [*triples, *single]


def _triples(names: list[str]) -> list[tuple[str, ...]]:
    groups: dict[tuple[str, str], dict[str, str]] = {}
    for name in names:
        for letter in "xyz":
            for place in [i for i, c in enumerate(name.lower()) if c == letter]:
                groups.setdefault((name[:place], name[place + 1 :]), {})[letter] = name
    triples = [tuple(group[c] for c in "xyz") for group in groups.values() if len(group) == 3]
    return triples or ([tuple(names)] if len(names) == 3 else [])


def _static_g(log: CheckedLog, names: tuple[str, ...]) -> float:
    return math.sqrt(sum(log.static[name] ** 2 for name in names)) / G


def _mix_up(static_g: float) -> str | None:
    """What was probably mixed up, for a static reading in g."""
    near = [words for ratio, words in _MIX_UPS if ratio / _NEAR < static_g < ratio * _NEAR]
    return near[0] if near else None
