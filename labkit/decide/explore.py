"""Looking over many settings: how fast the machine may run, which option buys most, which unknown matters most."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from labkit.base import Estimate, Interval, check_array, check_choice, check_number
from labkit.decide.draws import Draws, complete_draws, from_draws
from labkit.decide.what_if import (
    Change,
    Outlook,
    compare_outlooks,
    outlook,
    setting_optics,
)
from labkit.model.assemble import machine_from_facts
from labkit.model.move import MoveProfile, move_profile
from labkit.model.ringing import Ringing, exposure_motion, ringing
from labkit.runs.facts import RunFacts

__all__ = [
    "OptionResult",
    "Sensitivity",
    "Setting",
    "SpeedMap",
    "compare_options",
    "sensitivity",
    "speed_map",
]


# --------------------------------------------------------------------------------------------------- how fast
@dataclass(frozen=True, kw_only=True)
class Setting:
    """One cell of a `SpeedMap`.

    Parameters
    ----------
    acceleration_m_s2, wait_s : float
        Acceleration of the head [m/s²] and wait before the exposure [s].
    cycle_s : float
        Time of a placement [s].
    probability : float
        Share of the draws that keep the budget.
    blur_px : Estimate
        Blur added, the worse of x and y [px].
    """

    acceleration_m_s2: float
    wait_s: float
    cycle_s: float
    probability: float
    blur_px: Estimate


@dataclass(frozen=True, eq=False, kw_only=True)
class SpeedMap:
    """Blur and throughput over acceleration and wait.

    Parameters
    ----------
    acceleration_m_s2, wait_s : ndarray
        Lines of the map [m/s²], [s].
    blur_px : ndarray, shape (n_accelerations, n_waits)
        Median over the draws of the blur added, the worse of x and y [px].
    probability : ndarray, shape (n_accelerations, n_waits)
        Share of the draws that keep the budget in this cell.
    cycle_s : ndarray, shape (n_accelerations, n_waits)
        Time of a placement [s].
    budget_px, wanted : float
        The budget [px] and the probability with which it must be kept.
    fastest : Setting or None
        Cell of the shortest cycle that keeps the budget with the wanted probability; None when no cell does.
    n_draws : int
        Draws behind the probabilities.
    sentences : tuple of str
        The result in words.
    """

    acceleration_m_s2: np.ndarray
    wait_s: np.ndarray
    blur_px: np.ndarray
    probability: np.ndarray
    cycle_s: np.ndarray
    budget_px: float
    wanted: float
    fastest: Setting | None
    n_draws: int
    sentences: tuple[str, ...]


def speed_map(
    facts: RunFacts,
    draws: Draws,
    *,
    acceleration_m_s2: Sequence[float],
    wait_s: Sequence[float],
    budget_px: float,
    overhead_s: float = 0.0,
    wanted: float = 0.95,
    n_panel_modes: int = 6,
    progress: Callable[[int, int], None] | None = None,
) -> SpeedMap:
    """Fastest setting whose blur stays within a budget.

    Parameters
    ----------
    facts : RunFacts
        The machine; its acceleration is replaced.
    draws : sequence of mapping
        Parameters, the best first; at least twenty more for a probability.
    acceleration_m_s2, wait_s : sequence of float
        Lines of the map, rising.
    budget_px : float
        Blur that motion and defocus may add: standard deviation of the kernel [px].
    overhead_s : float
        Time of a placement beside move, wait and exposure [s].
    wanted : float
        Probability with which the budget must be kept.
    n_panel_modes : int
        Panel modes that take part.
    progress : callable, optional
        Called with (done, total) draws.

    Notes
    -----
    Blur does not fall steadily with acceleration or wait (a move that lasts whole periods leaves a mode at rest), so
    every cell is looked at. A cell counts only when all longer waits at its acceleration keep the budget too: the gap
    between two swings is no place to take a picture, since it moves with the smallest change.
    """
    levels, waits = _lines("acceleration_m_s2", acceleration_m_s2, above=0.0), _lines("wait_s", wait_s, at_least=0.0)
    check_number("budget_px", budget_px, above=0.0)
    check_number("wanted", wanted, above=0.0, below=1.0)
    exposure = check_number("exposure_s", facts.camera.exposure_s, above=0.0, cure="state exposure_ms in [camera]")
    optics, profiles = setting_optics(facts), _profiles(facts, levels)
    complete, cautions = complete_draws(facts, draws)
    blur = np.empty((len(complete), levels.size, waits.size))
    for number, parameters in enumerate(complete):
        machine = machine_from_facts(facts, parameters, n_panel_modes=n_panel_modes)
        after = ringing(machine, profiles, axis=facts.move.axis or "x")
        motion = exposure_motion(_later(after, waits), wait_s=0.0, exposure_s=exposure)
        blur[number] = np.max(motion.blur(optics).added_px, axis=-1)
        if progress:
            progress(number + 1, len(complete))
    drawn = blur[1:] if len(complete) > 1 else blur
    kept = np.flip(np.logical_and.accumulate(np.flip(drawn <= budget_px, axis=-1), axis=-1), axis=-1)
    cycle = profiles.duration_s[:, None] + waits + exposure + overhead_s
    found = {"blur": blur, "probability": kept.mean(axis=0), "cycle": cycle}
    fastest = _fastest(levels, waits, wanted=wanted, **found)
    return SpeedMap(
        acceleration_m_s2=levels,
        wait_s=waits,
        blur_px=np.median(drawn, axis=0),
        probability=found["probability"],
        cycle_s=cycle,
        budget_px=float(budget_px),
        wanted=wanted,
        fastest=fastest,
        n_draws=len(drawn),
        sentences=(*_speed_words(fastest, levels, waits, budget_px, wanted, len(drawn)), *cautions),
    )


def _lines(name: str, values: Sequence[float], **bounds: float) -> np.ndarray:
    lines = check_array(name, values, ndim=1)
    for value in lines:
        check_number(name, value, **bounds)
    if lines.size == 0 or np.any(np.diff(lines) <= 0):
        raise ValueError(f"{name} must rise from one to the next; got {lines[:5].tolist()}…")
    return lines


def _profiles(facts: RunFacts, acceleration_m_s2: np.ndarray) -> MoveProfile:
    move = facts.move
    return move_profile(
        travel_m=move.travel_m,
        speed_m_s=move.speed_m_s,
        acceleration_m_s2=acceleration_m_s2,
        jerk_m_s3=None if math.isnan(move.jerk_m_s3) else move.jerk_m_s3,
    )


def _later(after: Ringing, wait_s: np.ndarray) -> Ringing:
    """The ringing from each of several waits on, along a new axis of cells."""
    poles = after.poles_rad_s if after.poles_rad_s.ndim > 1 else after.poles_rad_s[None]
    poles = poles[..., None, :]
    grown = np.exp(poles * wait_s[:, None])
    return Ringing(poles_rad_s=poles, amplitudes_m=after.amplitudes_m[..., None, :, :] * grown[..., None, :])


def _fastest(levels, waits, *, wanted, blur, probability, cycle) -> Setting | None:
    good = np.flatnonzero(probability.ravel() >= wanted)
    if not good.size:
        return None
    cell = np.unravel_index(good[np.argmin(cycle.ravel()[good])], cycle.shape)
    return Setting(
        acceleration_m_s2=float(levels[cell[0]]),
        wait_s=float(waits[cell[1]]),
        cycle_s=float(cycle[cell]),
        probability=float(probability[cell]),
        blur_px=from_draws(blur[(slice(None), *cell)]),
    )


def _speed_words(fastest, levels, waits, budget_px, wanted, n_draws) -> tuple[str, ...]:
    if fastest is None:
        return (
            f"No setting from {levels[0]:g} to {levels[-1]:g} m/s² and up to {1e3 * waits[-1]:g} ms of wait keeps "
            f"{budget_px:g} px with {wanted:.0%} probability; wait longer, or stiffen what moves.",
        )
    words = [
        f"Fastest within {budget_px:g} px with {fastest.probability:.0%} probability ({n_draws} draws): "
        f"{fastest.acceleration_m_s2:.3g} m/s² and a wait of {1e3 * fastest.wait_s:.0f} ms, "
        f"{fastest.cycle_s:.3f} s a placement ({3600 / fastest.cycle_s:.0f} an hour)."
    ]
    if fastest.acceleration_m_s2 == levels[-1]:
        words.append("It lies at the highest acceleration looked at; a faster one may lie beyond.")
    if n_draws < 100:
        words.append(f"{n_draws} draws tell a probability to ±{100 / math.sqrt(n_draws):.0f} points at worst.")
    return tuple(words)


# ---------------------------------------------------------------------------------------------------- options
@dataclass(frozen=True, eq=False, kw_only=True)
class OptionResult:
    """One option against the baseline.

    Parameters
    ----------
    name : str
        Name of the option.
    outlook : Outlook
        What it would do.
    change : Change
        Against the baseline.
    saved_px_per_kg, saved_px_per_price : float
        Blur saved for each kilogram added and for each unit of money: inf when it saves blur at no cost, negative when
        it adds blur, nan when the price is unknown.
    """

    name: str
    outlook: Outlook
    change: Change
    saved_px_per_kg: float
    saved_px_per_price: float


def compare_options(
    facts: RunFacts,
    draws: Draws,
    *,
    options: Mapping[str, RunFacts],
    wait_s: float,
    overhead_s: float = 0.0,
    price: Mapping[str, float] | None = None,
    sort_by: str = "blur",
    calibrated: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[OptionResult, ...]:
    """Options side by side, sorted by what they buy.

    Parameters
    ----------
    facts : RunFacts
        The baseline.
    draws : sequence of mapping
        Parameters, the best first; an option with feet on the bench needs ``panel_foot_…`` among them.
    options : mapping of str to RunFacts
        Settings by name, for example made with `labkit.decide.settings.changed`.
    wait_s, overhead_s : float
        As in `labkit.decide.what_if.outlook` [s].
    price : mapping of str to float, optional
        Price of each option in the builder's money; those left out are unknown.
    sort_by : str
        "blur", "kg" (blur saved per kilogram) or "price" (blur saved per money).
    calibrated : bool
        Whether the draws come from a fit.
    progress : callable, optional
        Called with (done, total) options.
    """
    check_choice("sort_by", sort_by, _SORTED)
    unknown = set(price or {}) - set(options)
    if unknown:
        raise ValueError(f"price names {sorted(unknown)}, which are no options; the options are {sorted(options)}")
    common = {"wait_s": wait_s, "overhead_s": overhead_s, "calibrated": calibrated}
    base, results = outlook(facts, draws, **common), []
    for number, (name, setting) in enumerate(options.items()):
        one = outlook(setting, draws, **common)
        change, saved = compare_outlooks(base, one), base.blur_px.value - one.blur_px.value
        cost = (price or {}).get(name, math.nan)
        results.append(
            OptionResult(
                name=name,
                outlook=one,
                change=change,
                saved_px_per_kg=_per(saved, change.mass_change_kg),
                saved_px_per_price=_per(saved, cost),
            )
        )
        if progress:
            progress(number + 1, len(options))
    return tuple(sorted(results, key=_SORTED[sort_by]))


def _last(value: float) -> float:
    return math.inf if math.isnan(value) else value


_SORTED: dict[str, Callable[[OptionResult], float]] = {
    "blur": lambda one: one.outlook.blur_px.value,
    "kg": lambda one: _last(-one.saved_px_per_kg),
    "price": lambda one: _last(-one.saved_px_per_price),
}


def _per(saved: float, cost: float) -> float:
    if math.isnan(cost):
        return math.nan
    if saved <= 0:
        return saved / cost if cost > 0 else saved
    return math.inf if cost <= 0 else saved / cost


# ------------------------------------------------------------------------------------------------ sensitivity
@dataclass(frozen=True, kw_only=True)
class Sensitivity:
    """How much of an outlook's uncertainty one unknown brings.

    Parameters
    ----------
    name : str
        The parameter.
    share : Estimate
        Share of the variance of the logarithm that would go if this parameter were known exactly (0…1). Parameters
        that a fit ties together share what they bring, so the shares need not add to 1.
    slope : float
        Change of the logarithm of the quantity for that of the parameter; −1: 10 % more gives 10 % less.
    """

    name: str
    share: Estimate
    slope: float


def sensitivity(facts: RunFacts, draws: Draws, *, found: Outlook, quantity: str = "blur_px") -> tuple[Sensitivity, ...]:
    """Which uncertain parameter matters most for an outlook, largest share first.

    Parameters
    ----------
    facts : RunFacts
        The setting.
    draws : sequence of mapping
        The draws that the outlook was made with.
    found : Outlook
        The outlook.
    quantity : str
        "blur_px", "settling_s", "defocus_m", "panel_frequency_hz" or "compliance_m_per_n".

    Notes
    -----
    First-order index on ranks: squared Spearman correlation of the quantity with each parameter over the draws, with
    its interval from Fisher's z (variance 1.06/(n − 3), from memory). Ranks, since blur is not a straight line of
    anything; what acts through pairs of parameters shows in neither share.
    """
    check_choice("quantity", quantity, found.draws)
    complete, _ = complete_draws(facts, draws)
    values = found.draws[quantity]
    if len(complete) != len(values):
        raise ValueError(f"draws holds {len(complete)} sets, the outlook was made with {len(values)}; give the same")
    n = len(values) - 1
    if n < _FEWEST_FOR_SHARES:
        raise ValueError(f"{n} draws are too few for a share; take at least {_FEWEST_FOR_SHARES}")
    if not np.all(values > 0) or np.ptp(values[1:]) == 0:
        raise ValueError(f"{quantity} is 0 or the same in all draws; nothing is uncertain there")
    results = []
    for name in complete[0]:
        column = np.log([one[name] for one in complete[1:]])
        if np.ptp(column) == 0:
            continue
        rank = float(stats.spearmanr(column, values[1:]).statistic)
        slope = float(np.polyfit(column, np.log(values[1:]), 1)[0])
        results.append(Sensitivity(name=name, share=_share(rank, n), slope=slope))
    return tuple(sorted(results, key=lambda one: -one.share.value))


_FEWEST_FOR_SHARES = 50


def _share(rank: float, n: int) -> Estimate:
    """Square of a rank correlation with its interval."""
    clipped = float(np.clip(rank, -0.9999, 0.9999))
    half = stats.norm.ppf(0.975) * math.sqrt(1.06 / (n - 3))
    ends = np.tanh(np.arctanh(clipped) + np.array([-half, half]))
    low, high = sorted(float(end) ** 2 for end in ends)
    low = 0.0 if ends[0] < 0 < ends[1] else low
    error = 2 * abs(clipped) * (1 - clipped**2) * math.sqrt(1.06 / (n - 3))
    return Estimate(value=clipped**2, standard_error=error, interval=Interval(low=low, high=high, level=0.95))
