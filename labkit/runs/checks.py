"""Is the log fit? Every check asks one question of a recording and answers with findings.

`check_recording` walks the table of checks; a check is a function of a `CheckedLog` that returns findings, none when
all is well, and raises `SkippedCheck` with the reason when it has nothing to say.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from labkit.base import check_choice, check_number
from labkit.runs import checks_clock, checks_gravity, checks_spectrum, checks_values
from labkit.runs.checks_log import CheckedLog, SkippedCheck
from labkit.runs.findings import SEVERITIES, BlockedAnalysisError, Finding, LogReport, require_fit
from labkit.runs.recording import Recording

__all__ = ["CHECKS", "BlockedAnalysisError", "Finding", "LogReport", "check_recording", "require_fit"]

#: Every check by the code of its findings.
CHECKS: dict[str, Callable[[CheckedLog], list[Finding]]] = {
    "unreadable": checks_clock.check_unreadable,
    "backward-time": checks_clock.check_backward_time,
    "repeated-time": checks_clock.check_repeated_time,
    "gaps": checks_clock.check_gaps,
    "dropped-samples": checks_clock.check_dropped_samples,
    "sample-rate": checks_clock.check_sample_rate,
    "jitter": checks_clock.check_jitter,
    "too-short": checks_clock.check_length,
    "dead-channel": checks_values.check_dead,
    "stuck": checks_values.check_stuck,
    "held-samples": checks_values.check_held,
    "clipping": checks_values.check_clipping,
    "quantisation": checks_values.check_quantisation,
    "drift": checks_values.check_drift,
    "unit": checks_gravity.check_unit,
    "gravity": checks_gravity.check_gravity,
    "tilt": checks_gravity.check_tilt,
    "aliasing": checks_spectrum.check_aliasing,
    "mains-hum": checks_spectrum.check_mains,
    "noise-density": checks_spectrum.check_noise_density,
    "noise-floor": checks_spectrum.check_noise_floor,
}


def check_recording(
    recording: Recording,
    *,
    tolerance_m: float | None = None,
    lowest_frequency_hz: float | None = None,
    resolution_hz: float | None = None,
    range_m_s2: float | None = None,
    noise_density_m_s2_rthz: float | None = None,
    expected_rate_hz: float | None = None,
    gravity_axis: str | None = None,
    windows: Sequence[tuple[float, float]] | None = None,
) -> LogReport:
    """Ask every check whether a log is fit for its analyses.

    Parameters
    ----------
    recording : Recording
        The log. Its `meta` may hold "file", "problems" and "clock", as `read_log` puts them there.
    tolerance_m : float, optional
        How far the camera may be from its settled position [m].
    lowest_frequency_hz : float, optional
        Lowest frequency that matters [Hz].
    resolution_hz : float, optional
        Smallest difference of two frequencies that must be told apart [Hz].
    range_m_s2 : float, optional
        Full-scale range of the sensor, one side [m/s²].
    noise_density_m_s2_rthz : float, optional
        One-sided noise density on the data sheet [m/s²/√Hz].
    expected_rate_hz : float, optional
        Sample rate that was set [Hz].
    gravity_axis : str, optional
        Channel that points up or down.
    windows : sequence of (float, float), optional
        Start and end of the stretches that will be analysed [s]; faults outside them weigh less.

    Returns
    -------
    LogReport
        Findings, the gravest first; checks that passed; checks that were skipped, and why.

    Examples
    --------
    >>> import numpy as np
    >>> shake = np.random.default_rng(1).normal(0.0, 0.01, (3, 4000)) + [[0.0], [0.0], [0.981]]
    >>> log = Recording(values=shake, sample_rate_hz=400.0, channels=["ax", "ay", "az"], unit="m/s^2")
    >>> report = check_recording(log)
    >>> [(f.code, f.severity) for f in report.findings], sorted(report.blocked)
    ([('unit', 'fatal')], ['displacement', 'settling', 'spectra'])
    """
    numbers = {
        "tolerance_m": tolerance_m,
        "lowest_frequency_hz": lowest_frequency_hz,
        "resolution_hz": resolution_hz,
        "range_m_s2": range_m_s2,
        "noise_density_m_s2_rthz": noise_density_m_s2_rthz,
        "expected_rate_hz": expected_rate_hz,
    }
    stated = {name: check_number(name, value, above=0.0) for name, value in numbers.items() if value is not None}
    if gravity_axis is not None:
        check_choice("gravity_axis", gravity_axis, recording.channels)
    spans = None if windows is None else tuple(_window(pair) for pair in windows)
    log = CheckedLog(recording=recording, gravity_axis=gravity_axis, windows=spans, **stated)
    return _ask_all(log)


def _window(pair: tuple[float, float]) -> tuple[float, float]:
    start, end = pair
    return check_number("windows start", start), check_number("windows end", end, above=float(start))


def _ask_all(log: CheckedLog) -> LogReport:
    findings, passed, skipped = [], [], []
    for code, check in CHECKS.items():
        try:
            found = check(log)
        except SkippedCheck as reason:
            skipped.append((code, str(reason)))
            continue
        findings += found
        if not found:
            passed.append(code)
    findings.sort(key=lambda f: SEVERITIES.index(f.severity))
    return LogReport(
        name=str(log.recording.meta.get("file", "recording")),
        findings=tuple(findings),
        passed=tuple(passed),
        skipped=tuple(skipped),
    )
