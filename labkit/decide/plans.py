"""From a tolerance to what a test needs: the log of an accelerometer with its repeats, and frames of the camera."""

from __future__ import annotations

import math
from collections.abc import Sequence

from labkit.analyse.displacement import highpass_noise_factor, noise_floor_m
from labkit.analyse.settling import envelope_settling_s
from labkit.base import STANDARD_GRAVITY_M_S2, check_number
from labkit.decide.inference import detectable_shift, repeats_needed
from labkit.decide.needs import Expected, Need, Plan, upper_first
from labkit.decide.spans import Span, SpanLike, as_span, over_corners

__all__ = ["decay_fit_noise_limit", "detectable_ratio", "plan_camera", "plan_log"]

_TRACE_REACH = 4.0  # tolerance over rms noise from which a trace can be read, as in `settling`
_DECAY_DOUBT = 0.25  # standard uncertainty of ln(amplitude) that a decay fit may leave at the tolerance
_LOW_CUT_SHARE = 0.5  # low cut over lowest mode
_FILTER_ORDER = 4  # of the low cut in `steady_displacement`
_TIME_CONSTANTS = 5  # of rest (common practice): they hold 1 − 61·e⁻¹⁰ of what a decay says of its damping
_LOW_PASS = (2.065, 3.042)  # corner over frequency where a first-order low-pass takes 10 %, 5 % of the amplitude


# ------------------------------------------------------------------------------------------- accelerometer log
def plan_log(
    expected: Expected,
    *,
    tolerance_m: float,
    change_ratio: float = math.nan,
    scatter: SpanLike = math.nan,
    metrics: int = 1,
    alpha: float = 0.05,
    power: float = 0.8,
) -> Plan:
    """What an accelerometer log needs to show settling within a tolerance, and a change of it.

    Parameters
    ----------
    expected : Expected
        What is expected of the machine.
    tolerance_m : float
        Movement allowed to either side [m]; nan when unknown.
    change_ratio : float
        After over before that the test should see, for example 0.8 for 20 % less; nan when nothing is compared.
    scatter : float or range
        Standard deviation of the logarithm of one repeat, about the relative scatter from move to move.
    metrics : int
        Questions asked at once; each is held to alpha/metrics (Bonferroni, the strictest step of Holm).
    alpha, power : float
        Probability of a false alarm, and of seeing the change.

    Notes
    -----
    Noise, good: the trace above half the lowest mode has an rms noise of a quarter of the tolerance, by
    σ = n/(4π²)·√(f1⁻³/3) and the factor of its filter. Noise, must: `decay_fit_noise_limit`. Range: 1.25 (5) times
    the peak of ringing and recoil, plus gravity; 5 is advice seen in an article on MEMS sensors, 1.25 a judgement.
    Rate: 2.56 (10) times the highest mode (common practice, no source). Bandwidth: 10 % (5 %) lost by a first-order
    low-pass. Mounted resonance: 12.5 % (4.2 %) over-reading. Mass: 5 % (2.5 %) off the frequency,
    1/√(1 + m/m_modal). Rest: settling at the lowest frequency and damping (and five time constants, common
    practice). Repeats: two-sided t test on logarithms.

    Examples
    --------
    >>> wren = Expected(frequency_hz=(11.0, 61.0), damping_ratio=(0.018, 0.045), amplitude_m=33e-6)
    >>> plan = plan_log(wren, tolerance_m=3.45e-6, change_ratio=0.8, scatter=0.1)
    >>> plan.need("sample_rate_hz").text, plan.need("repeats").text
    ('at least 156 Hz, better 610 Hz', 'at least 5')
    >>> plan.need("noise_density_m_s2_rthz").text
    'at most 441 µg/√Hz, better 68.7 µg/√Hz'
    """
    tolerance = as_span("tolerance_m", tolerance_m, above=0.0)
    alpha = alpha / check_number("metrics", metrics, at_least=1)
    settle = over_corners(_settling, expected.amplitude_m, expected.frequency_hz, expected.damping_ratio, tolerance)
    highest = expected.frequency_hz.high
    needs = [
        _noise_need(expected, tolerance),
        _range_need(expected),
        _resolution_need(expected, tolerance),
        _at_least("sample_rate_hz", highest, (2.56, 10.0), "2.56 or 10 times the highest mode, for spectra or traces"),
        _at_least("bandwidth_hz", highest, _LOW_PASS, "10 % or 5 % of the highest mode are lost"),
        _lowest_need(expected),
        _at_least("mount_resonance_hz", highest, (3.0, 5.0), "the highest mode reads 12.5 % or 4.2 % too much"),
        _mass_need(expected),
        _rest_need(expected, settle),
        *_repeat_needs(expected, settle, change_ratio, as_span("scatter", scatter, above=0.0), alpha, power),
    ]
    missing = _missing(expected, tolerance)
    if math.isnan(change_ratio) or not as_span("scatter", scatter).known:
        missing = (*missing, "change to be seen and scatter from move to move")
    low_cut = _LOW_CUT_SHARE * expected.frequency_hz.low
    return Plan(
        tolerance_m=tolerance.low,
        needs=tuple(needs),
        low_cut_hz=low_cut,
        settling_s=settle,
        missing=missing,
        sentences=_log_words(needs, low_cut, settle, missing),
    )


def decay_fit_noise_limit(
    amplitude_m: float, *, frequency_hz: float, damping_ratio: float, tolerance_m: float, doubt: float = _DECAY_DOUBT
) -> float:
    """Noise density at which a fitted decay knows its amplitude to `doubt` where it falls to the tolerance [m/s²/√Hz].

    Parameters
    ----------
    amplitude_m : float
        Amplitude when the move ends [m].
    frequency_hz, damping_ratio : float
        Mode, f [Hz] and ζ.
    tolerance_m : float
        Tolerance [m].
    doubt : float
        Standard uncertainty of ln(amplitude) allowed there; the settling time is then known to doubt/(2πζf).

    Notes
    -----
    Derived (Cramér–Rao bound of one damped sinusoid of known form in white noise of one-sided density n, a record of
    many time constants): with a = A·(2πf)², α = 2πζf and u = ln(A/tolerance),
    sd(ln A(u)) = 2·n·√α/a·√(1 − 2u + 2u²).

    Examples
    --------
    >>> n = decay_fit_noise_limit(33e-6, frequency_hz=11.0, damping_ratio=0.045, tolerance_m=3.45e-6)
    >>> round(n / 9.80665e-6)
    441
    """
    start = max(amplitude_m, tolerance_m)
    acceleration = start * (2 * math.pi * frequency_hz) ** 2
    return doubt * acceleration / _doubt_per_density(math.log(start / tolerance_m), frequency_hz, damping_ratio)


def _doubt_per_density(u: float, frequency_hz: float, damping_ratio: float) -> float:
    """sd(ln A) where the amplitude has fallen by e^−u, over noise density/start amplitude [√Hz]."""
    return 2 * math.sqrt(2 * math.pi * damping_ratio * frequency_hz * (1 - 2 * u + 2 * u**2))


def _settling(amplitude: float, frequency: float, damping: float, tolerance: float) -> float:
    return envelope_settling_s(amplitude, tolerance, frequency_hz=frequency, damping_ratio=damping)


def _noise_need(expected: Expected, tolerance: Span) -> Need:
    def by_trace(frequency: float, allowed: float) -> float:
        floor = highpass_noise_factor(_FILTER_ORDER) * noise_floor_m(1.0, low_cut_hz=_LOW_CUT_SHARE * frequency)
        return allowed / _TRACE_REACH / floor

    def by_fit(amplitude: float, frequency: float, damping: float, allowed: float) -> float:
        return decay_fit_noise_limit(amplitude, frequency_hz=frequency, damping_ratio=damping, tolerance_m=allowed)

    good = over_corners(by_trace, expected.frequency_hz, tolerance).low
    must = over_corners(by_fit, expected.amplitude_m, expected.frequency_hz, expected.damping_ratio, tolerance).low
    return Need(
        key="noise_density_m_s2_rthz",
        sense="at most",
        must=max(must, good),
        good=good,
        why="fitted modes know the amplitude to a quarter at the tolerance; a trace is read at a quarter of it",
    )


def _range_need(expected: Expected) -> Need:
    ringing = over_corners(lambda a, f: a * (2 * math.pi * f) ** 2, expected.amplitude_m, expected.frequency_hz).high
    peak = ringing + expected.carried_acceleration_m_s2
    return Need(
        key="range_m_s2",
        sense="at least",
        must=1.25 * peak + STANDARD_GRAVITY_M_S2,
        good=5 * peak + STANDARD_GRAVITY_M_S2,
        why="1.25 or 5 times the peak of ringing and recoil, and gravity",
    )


def _resolution_need(expected: Expected, tolerance: Span) -> Need:
    least = over_corners(lambda t, f: t * (2 * math.pi * f) ** 2, tolerance, expected.frequency_hz).low
    return Need(
        key="resolution_m_s2",
        sense="at most",
        must=2 * least,
        good=0.5 * least,
        why="a motion of the tolerance at the lowest mode is one step or four, from peak to peak",
    )


def _lowest_need(expected: Expected) -> Need:
    must, good = (expected.frequency_hz.low / factor for factor in _LOW_PASS)
    why = "10 % or 5 % of the lowest mode are lost to a sensor that does not reach down to rest"
    return Need(key="lowest_frequency_hz", sense="at most", must=must, good=good, why=why)


def _at_least(key: str, highest_hz: float, factors: tuple[float, float], why: str) -> Need:
    must, good = (factor * highest_hz for factor in factors)
    return Need(key=key, sense="at least", must=must, good=good, why=why)


def _mass_need(expected: Expected) -> Need:
    lightest = expected.modal_mass_kg.low
    must, good = (lightest * ((1 - shift) ** -2 - 1) for shift in (0.05, 0.025))
    return Need(key="mass_kg", sense="at most", must=must, good=good, why="5 % or 2.5 % off the frequency of the panel")


def _rest_need(expected: Expected, settle: Span) -> Need:
    slowest = over_corners(lambda f, z: 1 / (2 * math.pi * f * z), expected.frequency_hz, expected.damping_ratio).high
    return Need(
        key="rest_s",
        sense="at least",
        must=settle.high,
        good=max(_TIME_CONSTANTS * slowest, settle.high),  # nan of an unknown amplitude loses
        why=f"settling at the lowest frequency and damping; {_TIME_CONSTANTS} time constants for the damping",
    )


def _repeat_needs(
    expected: Expected, settle: Span, change_ratio: float, scatter: Span, alpha: float, power: float
) -> list[Need]:
    repeats = Span(low=math.nan, high=math.nan)
    if not math.isnan(change_ratio):
        effect = abs(math.log(check_number("change_ratio", change_ratio, above=0.0)))
        if effect == 0.0:
            raise ValueError("change_ratio is 1, no change; state the smallest change worth seeing, such as 0.8")
        repeats = over_corners(lambda s: repeats_needed(effect / s, alpha=alpha, power=power), scatter)
    rest = _rest_need(expected, settle)
    duration = expected.move.duration_s
    return [
        Need(
            key="repeats", sense="at least", must=repeats.low, good=repeats.high, why="power of a t test on logarithms"
        ),
        Need(
            key="record_s",
            sense="at least",
            must=repeats.low * (duration + rest.must),
            good=repeats.high * (duration + rest.good),
            why="repeats × (move + rest)",
        ),
    ]


def _missing(expected: Expected, tolerance: Span) -> tuple[str, ...]:
    spans = {
        "tolerance": tolerance,
        "frequency": expected.frequency_hz,
        "damping ratio": expected.damping_ratio,
        "amplitude at the camera": expected.amplitude_m,
        "modal mass of the panel": expected.modal_mass_kg,
    }
    numbers = {
        "acceleration of the move": expected.move.commanded_acceleration_m_s2,
        "duration of the move": expected.move.duration_s,
        "masses of head and frame": expected.head_mass_kg + expected.frame_mass_kg,
    }
    return (
        *(name for name, span in spans.items() if not span.known),
        *(name for name, number in numbers.items() if math.isnan(number)),
    )


def _log_words(needs: Sequence[Need], low_cut: float, settle: Span, missing: Sequence[str]) -> tuple[str, ...]:
    words = [f"{upper_first(need.name)}: {need.text} ({need.why})." for need in needs if not math.isnan(need.good)]
    if settle.known:
        words.append(f"The ring-down is expected to last {settle.text(scale=1e3, unit='ms')}.")
    if not math.isnan(low_cut):
        words.append(f"Displacement is meant above {low_cut:.3g} Hz; slower drift is not seen by an accelerometer.")
    if missing:
        words.append(f"Not stated, so left open: {', '.join(missing)}.")
    return tuple(words)


def detectable_ratio(
    repeats: int, *, scatter: float, metrics: int = 1, alpha: float = 0.05, power: float = 0.8
) -> float:
    """Smallest ratio after/before above 1 that a number of repeats a side sees; its inverse for a decrease.

    Parameters
    ----------
    repeats : int
        Repeats a side, at least 2.
    scatter : float
        Standard deviation of the logarithm of one repeat.
    metrics : int
        Questions asked at once.
    alpha, power : float
        Probability of a false alarm, and of seeing the change.

    Examples
    --------
    >>> round(detectable_ratio(12, scatter=0.1), 3)
    1.127
    """
    n = check_number("repeats", repeats, at_least=2)
    check_number("scatter", scatter, above=0.0)
    shift = detectable_shift(dof=2 * n - 2, alpha=alpha / check_number("metrics", metrics, at_least=1), power=power)
    return math.exp(shift * scatter * math.sqrt(2 / n))


# ---------------------------------------------------------------------------------------- camera as instrument
def plan_camera(
    expected: Expected,
    *,
    tolerance_m: float,
    frame_rate_hz: float = math.nan,
) -> Plan:
    """What frames need so that a camera that looks at something still shows settling within a tolerance.

    Parameters
    ----------
    expected : Expected
        What is expected of the machine; `amplitude_m` across the line of sight.
    tolerance_m : float
        Movement allowed to either side, across [m].
    frame_rate_hz : float
        Frame rate planned [Hz], on which the noise that a fit may bear depends; nan: that of the need.

    Notes
    -----
    Frame rate: 2.56 (10) times the highest mode; slower frames fold it. Exposure: half a period, which leaves 64 % of
    the amplitude, (a tenth, 98 %) by |sinc(f·t_e)|; common practice, no source. Noise of the displacement: a quarter
    of the tolerance, or what the fit of a decay bears, as in `plan_log` with n = σ·√(2/rate). Compare it with the
    Cramér–Rao bound of the picture (`labkit.analyse.registration.cramer_rao_bound_px`) times the object pixel; below
    0.01 px nothing is promised (common practice, no source).

    Examples
    --------
    >>> wren = Expected(frequency_hz=(11.0, 61.0), damping_ratio=(0.018, 0.045), amplitude_m=33e-6)
    >>> plan_camera(wren, tolerance_m=3.45e-6).need("exposure_s").text
    'at most 8.2 ms, better 1.64 ms'
    """
    tolerance = as_span("tolerance_m", tolerance_m, above=0.0)
    highest = expected.frequency_hz.high
    settle = over_corners(_settling, expected.amplitude_m, expected.frequency_hz, expected.damping_ratio, tolerance)
    rate = as_span("frame_rate_hz", frame_rate_hz, above=0.0).low
    rate = 10.0 * highest if math.isnan(rate) else rate

    def by_fit(amplitude: float, frequency: float, damping: float, allowed: float) -> float:
        start = max(amplitude, allowed)
        density = _DECAY_DOUBT * start / _doubt_per_density(math.log(start / allowed), frequency, damping)
        return density * math.sqrt(rate / 2)

    must = over_corners(by_fit, expected.amplitude_m, expected.frequency_hz, expected.damping_ratio, tolerance).low
    good = tolerance.low / _TRACE_REACH
    needs = (
        _at_least("frame_rate_hz", highest, (2.56, 10.0), "2.56 or 10 times the highest mode; slower frames fold it"),
        Need(
            key="exposure_s",
            sense="at most",
            must=0.5 / highest,
            good=0.1 / highest,
            why="64 % or 98 % of the amplitude is left at the highest mode",
        ),
        Need(
            key="shift_noise_m",
            sense="at most",
            must=max(must, good),
            good=good,
            why="fitted modes know the amplitude to a quarter at the tolerance; a trace is read at a quarter of it",
        ),
        _rest_need(expected, settle),
    )
    relevant = ("tolerance", "frequency", "damping ratio", "amplitude at the camera")
    missing = tuple(name for name in _missing(expected, tolerance) if name in relevant)
    words = (
        *_log_words(needs, math.nan, settle, missing),
        "Frames show nothing along the line of sight but a change of focus.",
    )
    return Plan(
        tolerance_m=tolerance.low, needs=needs, low_cut_hz=0.0, settling_s=settle, missing=missing, sentences=words
    )
