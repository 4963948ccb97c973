"""Modes from free decays: frequencies, damping and amplitudes of what rings after each move.

All repeats are fitted together: frequencies and damping are shared, amplitudes and phases are each repeat's own. The
number of modes is found, not asked for, and may be zero. Steady tones (mains hum, a fan) are fitted and set aside:
a tone that does not decay has no damping to report.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from threadpoolctl import threadpool_limits

from labkit.analyse._decay_errors import (
    amplitude_error,
    pole_covariance,
    pole_dof,
    residual_correlation,
    residual_dof,
)
from labkit.analyse._decay_fit import DecayData, Poles, project, refine
from labkit.analyse._decay_notes import fit_notes, tones_hz
from labkit.analyse._decay_order import Found, SearchLimits, find_components
from labkit.analyse._decay_records import PreparedRecords, as_records, prepare, quiet_colour
from labkit.analyse.whitening import Decimation, NoiseColour, decimation_for
from labkit.base import Estimate, check_array, check_number
from labkit.decay import pole, sum_of_decays

__all__ = ["EachMove", "ModalFit", "Mode", "fit_each", "fit_modes", "reconstruct"]

_ASTRAY = 0.2  # change of a pole, relative, beyond which a single repeat is not the same mode
_UPPER_HZ = 400.0  # default upper edge: there an acceleration of 1 m/s² is a displacement of 0.16 µm


@dataclass(frozen=True, eq=False, kw_only=True)
class Mode:
    """One damped mode, a_r(t) = Re[A_r e^{st}], s = −ζω_n + iω_n√(1−ζ²), t from the start of the decay of repeat r.

    Parameters
    ----------
    frequency_hz : Estimate
        Undamped natural frequency f_n = |s|/2π [Hz].
    damped_frequency_hz : float
        f_d = f_n√(1−ζ²) [Hz].
    damping_ratio : Estimate
        ζ = −Re s/|s|.
    amplitudes : ndarray of complex, shape (n_repeats,)
        A_r [unit of the record], read-only.
    amplitude_sd : float
        Standard uncertainty of the real (or imaginary) part of one A_r [unit], root mean square over the repeats;
        the uncertainty of the pole is included.
    signal_to_noise_db : float
        Power at the start, ½⟨|A_r|²⟩, over the variance of the noise [dB].
    """

    frequency_hz: Estimate
    damped_frequency_hz: float
    damping_ratio: Estimate
    amplitudes: np.ndarray
    amplitude_sd: float
    signal_to_noise_db: float

    @property
    def pole_rad_s(self) -> complex:
        """s [rad/s]."""
        return complex(pole(self.frequency_hz.value, damping_ratio=self.damping_ratio.value))


@dataclass(frozen=True, eq=False, kw_only=True)
class ModalFit:
    """Modes shared by all repeats.

    Parameters
    ----------
    modes : tuple of Mode
        In order of frequency; empty when no mode was found.
    lines_hz : tuple of float
        Steady tones that were fitted and taken out [Hz]: no measurable decay, so no modes.
    noise_sd : float
        Standard deviation of what is left, in the band that was analysed [unit].
    order_table : tuple of (int, float)
        Number of decaying components, and Schwarz' criterion (lower is better) of the best model with so many.
    converged : bool
        Whether the search came to rest.
    n_repeats, n_samples : int
        Repeats, and samples in all of them.
    sample_rate_hz : float
        Rate of the records [Hz].
    band_hz : (float, float)
        Modes outside this band [Hz] are not reported.
    unit : str
        Unit of the records.
    notes : tuple of str
        What a reader should know before believing the numbers.
    chi2_per_dof : float
        Variance of the whitened residual over that of the quiet record; 1 is perfect, nan without a quiet record.
    residual_correlation : float
        Largest magnitude of the autocorrelation of the whitened residual at lags 1 … 20; 0 is white.
    """

    modes: tuple[Mode, ...]
    lines_hz: tuple[float, ...]
    noise_sd: float
    order_table: tuple[tuple[int, float], ...]
    converged: bool
    n_repeats: int
    n_samples: int
    sample_rate_hz: float
    band_hz: tuple[float, float]
    unit: str
    notes: tuple[str, ...]
    chi2_per_dof: float
    residual_correlation: float
    _recipe: _Recipe = field(repr=False)

    @property
    def poles_rad_s(self) -> np.ndarray:
        """Complex poles [rad/s] of the modes, shape (n_modes,)."""
        return np.array([mode.pole_rad_s for mode in self.modes], dtype=complex)


@dataclass(frozen=True, eq=False, kw_only=True)
class EachMove:
    """Every repeat fitted alone.

    Parameters
    ----------
    frequency_hz, damping_ratio : ndarray, shape (n_repeats, n_modes)
        f_n [Hz] and ζ; nan where the repeat could not be fitted.
    converged : ndarray of bool, shape (n_repeats,)
        Whether the fit of the repeat came to rest with at least one mode near its joint pole.
    """

    frequency_hz: np.ndarray
    damping_ratio: np.ndarray
    converged: np.ndarray


@dataclass(frozen=True, eq=False, kw_only=True)
class _Recipe:
    """How the records were prepared and what was fitted, for fitting one of them again."""

    decimation: Decimation
    colour: NoiseColour
    poles: Poles
    is_mode: np.ndarray


# ----------------------------------------------------------------------------------------------- joint fit
# many small matrices: handing them to several threads costs ten times what it saves when the cores are busy
@threadpool_limits.wrap(limits=1, user_api="blas")
def fit_modes(
    decays: Sequence[np.ndarray] | np.ndarray,
    *,
    sample_rate_hz: float,
    unit: str = "m/s^2",
    max_modes: int = 6,
    band_hz: tuple[float, float] | None = None,
    mains_hz: float | str | None = "auto",
    quiet: np.ndarray | None = None,
    level: float = 0.95,
) -> ModalFit:
    """Fit damped modes to the free decays after several moves, all together.

    Parameters
    ----------
    decays : array_like, shape (n_repeats, n_samples), or sequence of 1-D arrays
        One record [unit] a repeat, each from the end of its move (or a fixed dead time later); lengths may differ.
        An offset (gravity) and a slow drift are allowed for.
    sample_rate_hz : float
        Sample rate [Hz].
    unit : str
        Unit of the records.
    max_modes : int
        Largest number of modes looked for.
    band_hz : (float, float), optional
        Modes are looked for between these frequencies [Hz]; by default from two periods a record up to 0.4 of the
        sample rate, but not above 400 Hz.
    mains_hz : {"auto", 50, 60, None}
        Mains frequency [Hz]. A component within 1 % of it or of a multiple must decay within three records to count
        as a mode. "auto" watches both; None watches neither.
    quiet : array_like, optional
        Record of the same channel with nothing moving, for the colour of the noise.
    level : float
        Coverage probability of the intervals.

    Returns
    -------
    ModalFit
        Possibly without modes.

    Raises
    ------
    ValueError
        When a record is too short, or holds a value that is not finite.

    Notes
    -----
    Variable projection with shared poles; the order has the least Schwarz criterion; the noise is whitened by an
    autoregression fitted to the residual; standard errors come from the Jacobian with Student's t. They hold the
    noise in the records, not the difference from one move to the next: see `fit_each`.

    Examples
    --------
    >>> t = np.arange(2000) / 1000
    >>> noise = np.random.default_rng(0).standard_normal((3, 2000))
    >>> decay = 10 * np.exp(-0.02 * 2 * np.pi * 25 * t) * np.cos(2 * np.pi * 25 * t)
    >>> fit = fit_modes(9.81 + decay + noise, sample_rate_hz=1000.0)
    >>> [(round(m.frequency_hz.value, 1), round(m.damping_ratio.value, 3)) for m in fit.modes]
    [(25.0, 0.02)]
    """
    rate = check_number("sample_rate_hz", sample_rate_hz, above=0.0)
    check_number("level", level, above=0.0, below=1.0)
    max_modes = int(check_number("max_modes", max_modes, at_least=0, at_most=20))
    records = as_records(decays)
    band = _band(band_hz, rate, longest_s=max(r.size for r in records) / rate)
    ready = prepare(records, decimation_for(rate, upper_hz=band[1]))
    quiet_noise = quiet_colour(quiet, ready.decimation)
    limits = SearchLimits(max_modes=max_modes, band_hz=band, mains_hz=_mains(mains_hz))
    found = find_components(ready.groups, rate_hz=rate / ready.decimation.factor, limits=limits, colour=quiet_noise)
    modes = _modes(found, ready, rate, level)
    return ModalFit(
        modes=modes,
        lines_hz=tuple(map(float, tones_hz(found))),
        noise_sd=found.data.colour.standard_deviation,
        order_table=found.table,
        converged=found.converged,
        n_repeats=len(records),
        n_samples=sum(r.size for r in records),
        sample_rate_hz=rate,
        band_hz=band,
        unit=unit,
        notes=fit_notes(found, ready, records, band, [m.signal_to_noise_db for m in modes]),
        chi2_per_dof=_chi2_per_dof(found, ready, quiet_noise),
        residual_correlation=residual_correlation(found.projection),
        _recipe=_Recipe(
            decimation=ready.decimation, colour=found.data.colour, poles=found.poles, is_mode=found.is_mode
        ),
    )


def _band(band_hz: tuple[float, float] | None, rate: float, *, longest_s: float) -> tuple[float, float]:
    if band_hz is None:
        return (2 / longest_s, min(0.4 * rate, _UPPER_HZ))
    low = check_number("band_hz[0]", band_hz[0], at_least=0.0)
    return (low, check_number("band_hz[1]", band_hz[1], above=low, below=0.5 * rate))


def _mains(mains_hz: float | str | None) -> tuple[float, ...]:
    choices = {"auto": (50.0, 60.0), 50: (50.0,), 60: (60.0,), None: ()}
    if mains_hz not in choices:
        raise ValueError(f"mains_hz is {mains_hz!r}; it must be 'auto', 50, 60 or None")
    return choices[mains_hz]


# ------------------------------------------------------------------------------------------------- results
def _modes(found: Found, ready: PreparedRecords, rate: float, level: float) -> tuple[Mode, ...]:
    covariance = pole_covariance(found.poles, found.projection, found.data)
    dof = pole_dof(found.poles, found.projection, found.data)
    noise_dof = residual_dof(found.poles, found.projection, found.data)
    variance = found.projection.rss / noise_dof if noise_dof > 0 else math.nan
    noise_sd = found.data.colour.standard_deviation
    tight = project(found.poles.tight(), found.data)
    own = covariance * np.repeat(np.where(found.poles.loose > 0, ready.order.size, 1), 2)
    modes = []
    for k in np.flatnonzero(found.is_mode):
        s = found.poles.s[k]
        gain = ready.decimation.gain(np.exp(s / rate))
        amplitudes = np.empty(ready.order.size, complex)
        amplitudes[ready.order] = tight.amplitudes[k] / gain
        amplitudes.setflags(write=False)
        power = float(np.mean(np.abs(amplitudes) ** 2)) / 2
        frequency, damping = _estimates(s, covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2], dof[k], level)
        modes.append(
            Mode(
                frequency_hz=frequency,
                damped_frequency_hz=float(s.imag) / (2 * math.pi),
                damping_ratio=damping,
                amplitudes=amplitudes,
                amplitude_sd=amplitude_error(k, tight, own, variance) / float(abs(gain)),
                signal_to_noise_db=10 * math.log10(power / noise_sd**2) if noise_sd > 0 else math.inf,
            )
        )
    return tuple(sorted(modes, key=lambda mode: mode.frequency_hz.value))


def _estimates(s: complex, covariance: np.ndarray, dof: float, level: float) -> tuple[Estimate, Estimate]:
    """f_n and ζ with errors carried over from (σ, ω) to first order."""
    sigma, omega, size = -s.real, s.imag, abs(s)
    to_size = np.array([sigma, omega]) / size
    to_damping = np.array([omega**2, -sigma * omega]) / size**3
    size_error, damping_error = (math.sqrt(max(v @ covariance @ v, 0.0)) for v in (to_size, to_damping))
    turn = 2 * math.pi
    return (
        Estimate.from_standard_error(size / turn, size_error / turn, dof=dof, level=level),
        Estimate.from_standard_error(sigma / size, damping_error, dof=dof, level=level),
    )


def _chi2_per_dof(found: Found, ready: PreparedRecords, quiet: NoiseColour | None) -> float:
    """Power of the residual, whitened by the colour of the quiet record, over that record's innovation variance."""
    if quiet is None:
        return math.nan
    data = DecayData.of(ready.groups, colour=quiet, rate_hz=found.data.rate_hz)
    projection = project(found.poles, data)
    return projection.rss / residual_dof(found.poles, projection, data) / quiet.innovation_variance


# ------------------------------------------------------------------------------------------- uses of a fit
def reconstruct(fit: ModalFit, time_s: np.ndarray, *, repeat: int, integrate: int = 0) -> np.ndarray:
    """Sum of the modes of one repeat at given times after the start of its decay, Re Σ A/s^m · e^{st}.

    Parameters
    ----------
    fit : ModalFit
        Modes.
    time_s : array_like, shape (n,)
        Times [s].
    repeat : int
        Which repeat.
    integrate : int
        Times m that the quantity is integrated over time: 1 makes velocity of acceleration, 2 displacement.

    Examples
    --------
    >>> t = np.arange(1000) / 500
    >>> x = 1e-5 * np.exp(-3 * t) * np.cos(120 * t)
    >>> noise = 1e-8 * np.random.default_rng(0).standard_normal((2, 1000))
    >>> fit = fit_modes(x + noise, sample_rate_hz=500.0, unit="m")
    >>> round(1e6 * float(reconstruct(fit, [0.0], repeat=0)[0]), 1)
    10.0
    """
    time = check_array("time_s", time_s, ndim=1)
    order = int(check_number("integrate", integrate, at_least=0, at_most=4))
    index = int(check_number("repeat", repeat, at_least=0, at_most=fit.n_repeats - 1))
    amplitudes = np.array([mode.amplitudes[index] for mode in fit.modes], dtype=complex)
    return sum_of_decays(fit.poles_rad_s, amplitudes / fit.poles_rad_s**order, time_s=time)


@threadpool_limits.wrap(limits=1, user_api="blas")
def fit_each(
    fit: ModalFit, decays: Sequence[np.ndarray] | np.ndarray, *, groups: Sequence[Sequence[int]] | None = None
) -> EachMove:
    """Fit every repeat alone, from the joint poles on, so that the move can be the unit of the statistics.

    Parameters
    ----------
    fit : ModalFit
        Joint fit of these records.
    decays : array_like, shape (n_repeats, n_samples), or sequence of 1-D arrays
        The records of the joint fit [`fit.unit`].
    groups : sequence of sequences of int, optional
        Records that belong to one move (its axes) and are fitted together; by default each record is a move.
    """
    records = as_records(decays)
    groups = [[j] for j in range(len(records))] if groups is None else groups
    recipe, rate = fit._recipe, fit.sample_rate_hz / fit._recipe.decimation.factor
    frequency = np.full((len(groups), len(fit.modes)), math.nan)
    damping, converged = frequency.copy(), np.zeros(len(groups), bool)
    for j, group in enumerate(groups):
        ready = prepare([records[k] for k in group], recipe.decimation)
        data = DecayData.of(ready.groups, colour=recipe.colour, rate_hz=rate)
        poles, projection, rest = refine(recipe.poles.tight(), data, tolerance=1e-4)
        converged[j] = rest
        frequency[j], damping[j] = _own_poles(recipe, poles, pole_covariance(poles, projection, data))
    converged &= np.isfinite(frequency).any(axis=1) | (len(fit.modes) == 0)
    frequency[~converged], damping[~converged] = math.nan, math.nan
    return EachMove(frequency_hz=frequency, damping_ratio=damping, converged=converged)


def _own_poles(recipe: _Recipe, poles: Poles, covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """f_n and ζ of the modes of one repeat; nan for a pole that went astray or that the repeat says little about."""
    size = np.abs(poles.s)
    astray = np.abs(poles.s - recipe.poles.s) > _ASTRAY * np.abs(recipe.poles.s)
    vague = 2 * np.sqrt(np.diag(covariance)[0::2]) > np.maximum(poles.decay_rate, 0.0)
    known = np.where(astray | vague, math.nan, 1.0)
    return (known * size / (2 * math.pi))[recipe.is_mode], (known * poles.decay_rate / size)[recipe.is_mode]
