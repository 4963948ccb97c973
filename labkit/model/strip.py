"""Young's modulus of the builder's own sheet from a strip of it, pushed or tapped."""

from __future__ import annotations

import math

from scipy import stats

from labkit.base import Estimate, Interval, check_choice, check_number

__all__ = ["strip_modulus_from_push", "strip_modulus_from_tap"]


def strip_modulus_from_push(
    stiffness_n_per_m: Estimate,
    *,
    span_m: Estimate,
    width_m: Estimate,
    thickness_m: Estimate,
    supports: str,
    level: float = 0.95,
) -> Estimate:
    """Young's modulus [Pa] of a strip from a slow push.

    Parameters
    ----------
    stiffness_n_per_m : Estimate
        Force over deflection at the loaded point [N/m], seats and stand already taken off.
    span_m, width_m, thickness_m : Estimate
        Free span L, width b and thickness h [m]; h enters by its cube, so measure it in five places.
    supports : {"two rests", "one clamp"}
        Laid on two rests and pushed in the middle, E = kL³/(4bh³); or clamped at one end and pushed at the other,
        E = 4kL³/(bh³).
    level : float
        Coverage of the interval.

    Returns
    -------
    Estimate
        Interval from the relative uncertainties added in squares on a log scale (GUM 5.1.6), normal quantile; nan
        when one of the inputs has none.

    References
    ----------
    W. C. Young and R. G. Budynas, Roark's Formulas for Stress and Strain, 7th ed., Table 8.1 (from memory).

    Examples
    --------
    >>> e = strip_modulus_from_push(
    ...     Estimate.from_standard_error(62500.0, 600.0, dof=float("inf")),
    ...     span_m=Estimate.from_standard_error(0.4, 0.0005, dof=float("inf")),
    ...     width_m=Estimate.from_standard_error(0.04, 0.00005, dof=float("inf")),
    ...     thickness_m=Estimate.from_standard_error(0.005, 0.00002, dof=float("inf")),
    ...     supports="two rests")
    >>> round(e.value / 1e9, 1), round(e.standard_error / e.value, 4)
    (200.0, 0.0159)
    """
    check_choice("supports", supports, ("two rests", "one clamp"))
    _check_slender(span_m, width_m, thickness_m)
    factor = 0.25 if supports == "two rests" else 4.0
    return _power_product(
        factor,
        ((stiffness_n_per_m, 1), (span_m, 3), (width_m, -1), (thickness_m, -3)),
        level=level,
    )


def strip_modulus_from_tap(
    frequency_hz: Estimate,
    *,
    mass_kg: Estimate,
    length_m: Estimate,
    width_m: Estimate,
    thickness_m: Estimate,
    supports: str,
    level: float = 0.95,
) -> Estimate:
    """Young's modulus [Pa] of a strip from its lowest bending frequency after a tap.

    Parameters
    ----------
    frequency_hz : Estimate
        Lowest bending frequency f [Hz], from a microphone or a sensor lighter than 1 % of the strip.
    mass_kg : Estimate
        Mass m of the vibrating length [kg].
    length_m, width_m, thickness_m : Estimate
        Length L, width b and thickness h [m].
    supports : {"free", "one clamp"}
        Resting on soft foam under its nodes at 0.224 L from each end, or clamped at one end (a real clamp gives, so
        the free strip is the better test).
    level : float
        Coverage of the interval.

    Notes
    -----
    E = 48π²·f²·m·L³/(β⁴·b·h³) with β² = 22.3733 (free) or 3.51602 (clamped); for the free strip
    0.9465·m·f²·L³/(b·h³) as in ASTM E1876, times its thickness correction 1 + 6.585(h/L)² (both from memory).
    For plastics the result belongs to this frequency; a slow push gives less.

    Examples
    --------
    >>> exact = lambda value: Estimate.from_standard_error(value, 0.0, dof=float("inf"))
    >>> e = strip_modulus_from_tap(exact(100.0), mass_kg=exact(0.1), length_m=exact(0.4), width_m=exact(0.03),
    ...     thickness_m=exact(0.004), supports="free")
    >>> round(e.value / 1e9, 2)
    31.57
    """
    check_choice("supports", supports, ("free", "one clamp"))
    _check_slender(length_m, width_m, thickness_m)
    beta_squared = 22.373285 if supports == "free" else 3.5160153
    factor = 48.0 * math.pi**2 / beta_squared**2
    if supports == "free":
        factor *= 1.0 + 6.585 * (thickness_m.value / length_m.value) ** 2
    return _power_product(
        factor,
        ((frequency_hz, 2), (mass_kg, 1), (length_m, 3), (width_m, -1), (thickness_m, -3)),
        level=level,
    )


def _check_slender(length: Estimate, width: Estimate, thickness: Estimate) -> None:
    """Beam formulas need a strip: long against its width, thin against its length."""
    cure = "cut a longer or narrower strip"
    check_number("length over width of the strip", length.value / width.value, at_least=4.0, cure=cure)
    check_number("length over thickness of the strip", length.value / thickness.value, at_least=20.0, cure=cure)


def _power_product(factor: float, powers: tuple[tuple[Estimate, int], ...], *, level: float) -> Estimate:
    """factor·Πxᵖ with relative standard uncertainties added in squares; interval symmetric on the log scale."""
    value, variance = factor, 0.0
    for estimate, power in powers:
        check_number("measured value", estimate.value, above=0.0)
        value *= estimate.value**power
        variance += (power * estimate.standard_error / estimate.value) ** 2
    if math.isnan(variance):
        return Estimate.unknown(value, level=level)
    stretch = math.exp(stats.norm.ppf(0.5 + level / 2) * math.sqrt(variance))
    return Estimate(
        value=value,
        standard_error=value * math.sqrt(variance),
        interval=Interval(low=value / stretch, high=value * stretch, level=level),
    )
