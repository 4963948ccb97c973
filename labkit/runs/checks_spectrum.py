"""Checks of the spectrum: energy near Nyquist, mains hum, noise against tolerance and data sheet."""

from __future__ import annotations

import math

import numpy as np

from labkit.runs.checks_log import CheckedLog, SegmentSpectra, SkippedCheck
from labkit.runs.findings import Finding

__all__ = ["check_aliasing", "check_mains", "check_noise_density", "check_noise_floor"]

_ALIAS_SHARE = 0.3  # of the power in the top fifth of the band
_ASSUMED_LOW_HZ = 5.0
_LINE_SEGMENT_S = 8.0  # narrow enough to tell a line from a mode of 1 % damping
_LINE_RATIO = 6.0  # line over local floor (8 dB)


def check_aliasing(log: CheckedLog) -> list[Finding]:
    """Share of the power in the top fifth of the band, 0.8 to 1 of the Nyquist frequency: ratio of mean densities.

    White noise has 0.2 there and a sensor with a filter less. Warning from 0.3: energy reaches up to the Nyquist
    frequency, so some of it has come from above it. Common practice, no source. `value`: the share.
    """
    findings = []
    for name, spectra in log.spectra.items():
        below = spectra.frequency_hz < 0.499 * log.rate_hz  # the bin at Nyquist itself holds half a bin
        density, top = spectra.mean[below], spectra.frequency_hz[below] >= 0.4 * log.rate_hz
        share = float(0.2 * density[top].mean() / density.mean()) if density.any() else 0.0
        if share >= _ALIAS_SHARE:
            findings.append(
                Finding(
                    code="aliasing",
                    severity="warning",
                    channel=name,
                    evidence=f"{share:.0%} of the power lies above {0.4 * log.rate_hz:.4g} Hz (white noise: 20 %)",
                    consequence="vibration above half the sample rate shows folded down at false frequencies",
                    advice="sample faster or switch on the sensor's low-pass filter; mount it stiffer",
                    value=share,
                )
            )
    return findings


def check_mains(log: CheckedLog) -> list[Finding]:
    """Lines at 50 or 60 Hz, and at two and three times that.

    The highest bin within ±0.5 % (or one bin) of the line against the 80 % quantile of its neighbours within ±1 Hz
    (or 10 bins), in segments of a quarter of the record, at most 8 s: a mode of 1 % damping is broader than the
    line, and moves repeated on a beat make lines on both sides too. Note from a ratio of 6 (8 dB); warning when the
    lines hold more than a fifth of the rms. Common practice, no source. `value`: rms of the lines [unit].
    """
    if log.rate_hz < 120.0:
        raise SkippedCheck(f"a rate of {log.rate_hz:.4g} Hz does not reach the mains lines")
    segment_s = min(_LINE_SEGMENT_S, log.recording.duration_s / 4)
    if segment_s < 2.0:
        raise SkippedCheck("needs 8 s to tell a line from a mode")
    found = log.spectra_of(segment_s)
    return [f for name, spectra in found.items() for mains in (50.0, 60.0) for f in _mains(log, name, spectra, mains)]


def _mains(log: CheckedLog, name: str, spectra: SegmentSpectra, mains_hz: float) -> list[Finding]:
    lines = {k * mains_hz: _line_power(spectra, k * mains_hz) for k in (1, 2, 3) if k * mains_hz < 0.45 * log.rate_hz}
    seen = {f: power for f, power in lines.items() if power > 0.0}
    if mains_hz not in seen:
        return []
    rms, total = math.sqrt(sum(seen.values())), math.sqrt(float(spectra.power.mean()))
    return [
        Finding(
            code="mains-hum",
            severity="warning" if rms > 0.2 * total else "note",
            channel=name,
            evidence=f"lines at {', '.join(f'{f:.0f}' for f in seen)} Hz, together {rms:.3g} {log.unit} rms "
            f"({rms / total:.0%} of the vibration)",
            consequence="hum can pass for a mode that never decays, or hide one close by",
            advice="ground the shield, keep signal and mains leads apart, try battery power",
            value=rms,
        )
    ]


def _line_power(spectra: SegmentSpectra, line_hz: float) -> float:
    """Mean square of a line, or 0 when it does not stand out."""
    f, density = spectra.frequency_hz, spectra.mean
    step = f[0]
    near = np.abs(f - line_hz) <= max(0.005 * line_hz, step)
    peak = np.flatnonzero(near)[np.argmax(density[near])]
    away = np.abs(f - f[peak])
    floor = float(np.quantile(density[(away > 2.5 * step) & (away <= max(1.0, 10 * step))], 0.8))
    if density[peak] < _LINE_RATIO * floor:
        return 0.0
    lobe = away <= 2.5 * step
    return float((density[lobe] - floor).clip(min=0.0).sum() * step)


def check_noise_floor(log: CheckedLog) -> list[Finding]:
    """Displacement noise from the lowest frequency up, against the tolerance.

    Accelerations: σ_x = n/(4π²)·√((f1⁻³ − f2⁻³)/3) with the one-sided density n, white (derived; Parseval).
    Displacements: n·√(f2 − f1). n is the larger of the stated density and that of the worst channel's quiet part; f2
    is the Nyquist frequency; f1 is 5 Hz when not stated. Note from a fifth of the tolerance, warning from all of it
    (common practice, no source): never fatal, because fitted modes reach far below it. `value`: σ_x [m].
    """
    if log.tolerance_m is None:
        raise SkippedCheck("no tolerance stated")
    if log.unit not in ("m/s^2", "m"):
        raise SkippedCheck(f"no displacement in metres from {log.unit}")
    low, high = log.lowest_frequency_hz or _ASSUMED_LOW_HZ, 0.5 * log.rate_hz
    if low >= high:
        raise SkippedCheck(f"the lowest frequency {low:.4g} Hz is not below the Nyquist frequency {high:.4g} Hz")
    density, name = max((density, name) for name, density in log.noise_density.items())
    if log.unit == "m/s^2":
        density = max(density, log.noise_density_m_s2_rthz or 0.0)
        noise = density / (4 * math.pi**2) * math.sqrt((low**-3 - high**-3) / 3)
    else:
        noise = density * math.sqrt(high - low)
    return [_noise_finding(log, name, noise, density, low)] if noise >= 0.2 * log.tolerance_m else []


def _noise_finding(log: CheckedLog, name: str, noise_m: float, density: float, low_hz: float) -> Finding:
    grave = noise_m >= log.tolerance_m
    assumed = "" if log.lowest_frequency_hz else " (assumed)"
    return Finding(
        code="noise-floor",
        severity="warning" if grave else "note",
        channel=name,
        evidence=f"noise {density:.3g} {log.unit}/√Hz leaves {1e6 * noise_m:.3g} µm rms above {low_hz:.3g} Hz"
        f"{assumed}, tolerance {1e6 * log.tolerance_m:.3g} µm",
        consequence="the tolerance drowns in noise: the settling time hangs on the fitted modes"
        if grave
        else "settling read straight from the samples will scatter",
        advice="use a quieter sensor or a higher lowest frequency; repeat the move more often",
        value=float(noise_m),
    )


def check_noise_density(log: CheckedLog) -> list[Finding]:
    """Noise of the quiet part against the data sheet.

    Note from 2 times, warning from 4 times the stated density, and note below a quarter of it (a wrong unit, or a
    filter). Common practice, no source. `value`: measured over stated.
    """
    stated = log.noise_density_m_s2_rthz
    if stated is None:
        raise SkippedCheck("no noise density stated")
    if log.unit != "m/s^2":
        raise SkippedCheck(f"the density is stated in m/s²/√Hz, the log in {log.unit}")
    findings = []
    for name, density in log.noise_density.items():
        ratio = density / stated
        if not 0.25 < ratio < 2.0:
            findings.append(
                Finding(
                    code="noise-density",
                    severity="warning" if ratio >= 4.0 else "note",
                    channel=name,
                    evidence=f"quiet parts {density:.3g} m/s²/√Hz, {ratio:.2g} times the data sheet",
                    consequence="small vibration drowns; or the machine was never quiet"
                    if ratio > 1
                    else "the unit may be wrong, or a filter cuts the band",
                    advice="log 10 s with the motors off and compare",
                    value=float(ratio),
                )
            )
    return findings
