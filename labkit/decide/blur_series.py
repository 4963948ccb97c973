"""The relation asked for: blur after a move against frame mass, head acceleration and panel stiffness.

A fitted machine stands behind it, so it is a relation with a cause: every exposure of every run gets the blur that the
machine has there, with an interval from the draws of the fit. Each run is also foretold from the others. How blur goes
with one factor alone is told by `factor_curve` (`labkit.decide.blur_factors`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, special

from labkit.base import Estimate, Interval
from labkit.decide.blur_factors import (
    FACTORS,
    SHOWN_UNITS,
    FactorCurve,
    RunFactors,
    blur_values_m,
    factor_curve,
    run_factors,
)
from labkit.decide.calibrate import MODEL_ERRORS
from labkit.decide.left_out import without_case
from labkit.model.fit import Case, MachineFit, Observation

__all__ = [
    "BlurPoint",
    "ForetoldRun",
    "RunBlur",
    "SeriesRelation",
    "blur_misfit",
    "blur_relation",
    "foretell_blur",
    "is_covered",
]


@dataclass(frozen=True, kw_only=True)
class BlurPoint:
    """One exposure: measured blur, and that of the fitted machine.

    Parameters
    ----------
    run : str
        Name of the run.
    wait_s, exposure_s : float
        Wait from the end of the move, and exposure time [s].
    measured_m : Estimate
        Standard deviation of the motion of the picture, referred to the object [m].
    fitted_m : Estimate
        The same by the machine fitted to all runs [m]; the interval is that of one measurement's true value.
    foretold_m : Estimate or None
        By the machine fitted to all other runs; None when the others cannot tell this run.
    """

    run: str
    wait_s: float
    exposure_s: float
    measured_m: Estimate
    fitted_m: Estimate
    foretold_m: Estimate | None

    @property
    def residual_m(self) -> float:
        """Measured minus fitted [m]."""
        return self.measured_m.value - self.fitted_m.value


@dataclass(frozen=True, kw_only=True)
class RunBlur:
    """Root mean square of the blur over the exposures of a run.

    Parameters
    ----------
    run : str
        Name of the run.
    factors : RunFactors
        Frame mass, acceleration, panel stiffness.
    measured_m, fitted_m : Estimate
        Measured, and by the machine fitted to all runs [m].
    foretold_m : Estimate or None
        By the machine fitted to all other runs [m]; None when they cannot tell.
    """

    run: str
    factors: RunFactors
    measured_m: Estimate
    fitted_m: Estimate
    foretold_m: Estimate | None


@dataclass(frozen=True, eq=False, kw_only=True)
class SeriesRelation:
    """Blur of a series of runs against frame mass, head acceleration and panel stiffness.

    Parameters
    ----------
    points : tuple of BlurPoint
        Every exposure.
    runs : tuple of RunBlur
        Every run.
    curves : tuple of FactorCurve
        What each factor does alone, the rest as in `reference`.
    reference : str
        Run from which one factor at a time is changed.
    object_pixel_m : float
        What a pixel sees [m].
    foretold_share : float
        Share of the measured blurs within the 95 % intervals foretold from the other runs; nan without any.
    sentences : tuple of str
        What the numbers say.
    limits : tuple of str
        Where the relation must not be used.
    """

    points: tuple[BlurPoint, ...]
    runs: tuple[RunBlur, ...]
    curves: tuple[FactorCurve, ...]
    reference: str
    object_pixel_m: float
    foretold_share: float
    sentences: tuple[str, ...]
    limits: tuple[str, ...]


def blur_relation(
    cases: Sequence[Case], fit: MachineFit, *, reference: str = "", n_draws: int = 60, seed: int = 0
) -> SeriesRelation:
    """Blur against mass, acceleration and stiffness, with the fitted machine through it.

    Parameters
    ----------
    cases : sequence of Case
        Runs of the fit, made by `case_of_run` with their blurs; cases without a blur are passed over.
    fit : MachineFit
        The machine fitted to them, see `calibrate`.
    reference : str
        Run from which one factor at a time is changed; by default the first.
    n_draws : int
        Parameters drawn for the intervals.
    seed : int
        Of the draws.

    Notes
    -----
    Foretelling a run from the others takes one Gauss–Newton step from the fit to all: with J and r of the run left out,
    θ₋ = θ + C₋Jᵀr, C₋⁻¹ = C⁻¹ − JᵀJ (case deletion, R. D. Cook and S. Weisberg, Residuals and Influence in Regression,
    1982, from memory). `labkit.model.fit.leave_one_out` fits anew and takes accordingly longer.
    """
    runs = [case for case in cases if _blurs(case)]
    if len(runs) < 2:
        raise ValueError(f"{len(runs)} run(s) have a measured blur; a relation needs at least two, better six or more")
    start = next((case for case in runs if case.name == reference), runs[0])
    if reference and start.name != reference:
        raise ValueError(f"reference is {reference!r}; the runs with blur are {', '.join(case.name for case in runs)}")
    points, summaries = [], []
    for case in runs:
        own = foretell_blur(fit, case, n_draws=n_draws, seed=seed)
        others = without_case(fit, case)
        far = None if others is None else foretell_blur(others, case, n_draws=n_draws, seed=seed)
        points += (
            own.points
            if far is None
            else [replace(point, foretold_m=other.fitted_m) for point, other in zip(own.points, far.points)]
        )
        summaries.append(own.run if far is None else replace(own.run, foretold_m=far.run.fitted_m))
    curves = tuple(
        factor_curve(fit, start, factor=factor, span=_span(summaries, factor), n_draws=max(8, n_draws // 2), seed=seed)
        for factor in FACTORS
        if _span(summaries, factor)[1] > _span(summaries, factor)[0]
    )
    share = _covered_share(points)
    return SeriesRelation(
        points=tuple(points),
        runs=tuple(summaries),
        curves=curves,
        reference=start.name,
        object_pixel_m=start.build.facts.camera.object_pixel_m,
        foretold_share=share,
        sentences=tuple(_sentences(points, summaries, curves, share, start.name)),
        limits=tuple(_limits(runs, summaries)),
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class ForetoldRun:
    """Blur that a fitted machine has in a run.

    Parameters
    ----------
    points : tuple of BlurPoint
        Every exposure.
    run : RunBlur
        The run as a whole.
    """

    points: tuple[BlurPoint, ...]
    run: RunBlur


def foretell_blur(fit: MachineFit, case: Case, *, n_draws: int = 100, seed: int = 0) -> ForetoldRun:
    """Blur of every exposure of a run by a fitted machine, with 95 % intervals.

    Parameters
    ----------
    fit : MachineFit
        The fitted machine.
    case : Case
        The run, made by `case_of_run`; its measured blurs are carried along and not used.
    n_draws : int
        Parameters drawn.
    seed : int
        Of the draws.

    Notes
    -----
    `blur_misfit` is put on each exposure by itself, since it is made of scatter from move to move as well as of faults
    of the model; a run as a whole takes it as shared, which is the wider of the two.
    """
    seen = _blurs(case)
    if not seen:
        raise ValueError(f"case {case.name!r} has no blur; give case_of_run the exposures of the run")
    best = blur_values_m(case, case.build(fit.parameters()))
    drawn = np.array([blur_values_m(case, case.build(numbers)) for numbers in fit.sample(n_draws, seed=seed)])
    misfit, rng = blur_misfit(fit), np.random.default_rng(seed + 1)
    level = fit.level
    each = drawn * np.exp(misfit * rng.standard_normal(drawn.shape))
    whole = np.sqrt(np.mean(drawn**2, axis=1)) * np.exp(misfit * rng.standard_normal(len(drawn)))
    points = tuple(
        BlurPoint(
            run=case.name,
            wait_s=one.wait_s,
            exposure_s=one.exposure_s,
            measured_m=one.value,
            fitted_m=_estimate(value, column, level),
            foretold_m=None,
        )
        for one, value, column in zip(seen, best, each.T)
    )
    run = RunBlur(
        run=case.name,
        factors=run_factors(case, fit.parameters()),
        measured_m=_rms(seen, level),
        fitted_m=_estimate(math.sqrt(float(np.mean(best**2))), whole, level),
        foretold_m=None,
    )
    return ForetoldRun(points=points, run=run)


def blur_misfit(fit: MachineFit, *, least: float = MODEL_ERRORS["blur_m"]) -> float:
    """Relative standard deviation of measured blur about the fitted machine, beyond the errors of the measurements.

    The m at which Σ(fitted − measured)²/(u² + m²·fitted²) is the number of exposures: unlike a mean of ratios it is not
    led by frames in which next to nothing was measured.

    Parameters
    ----------
    fit : MachineFit
        The fitted machine.
    least : float
        What it is taken for at least.
    """
    rows = [r for r in fit.residuals if r.observation.quantity == "blur_m"]
    off, fitted = (np.array([getattr(r, name) for r in rows]) for name in ("measured", "fitted"))
    own = np.array([r.observation.value.standard_error for r in rows])

    def excess(m: float) -> float:
        return float(np.sum((off - fitted) ** 2 / (own**2 + (m * fitted) ** 2))) - len(rows)

    if not rows or excess(least) <= 0.0:
        return least
    return float(optimize.brentq(excess, least, 10.0))


def _blurs(case: Case) -> list[Observation]:
    return [seen for seen in case.observations if seen.quantity == "blur_m"]


def _estimate(value: float, drawn: np.ndarray, level: float) -> Estimate:
    """The best value with the interval of its draws: normal in ln about it, which a few dozen draws tell best."""
    spread = float(np.std(np.log(np.maximum(drawn, 1e-3 * value)), ddof=1))
    reach = math.exp(float(special.ndtri(0.5 + level / 2)) * spread)
    return Estimate(
        value=float(value),
        standard_error=float(value) * spread,
        interval=Interval(low=float(value) / reach, high=float(value) * reach, level=level),
    )


def _rms(seen: Sequence[Observation], level: float) -> Estimate:
    values = np.array([one.value.value for one in seen])
    errors = np.array([one.value.standard_error for one in seen])
    rms = math.sqrt(float(np.mean(values**2)))
    if not np.isfinite(errors).all() or rms == 0.0:
        return Estimate.unknown(rms, level=level)
    error = math.sqrt(float(np.sum((values * errors) ** 2))) / (rms * len(seen))
    return Estimate.from_standard_error(rms, error, dof=math.inf, level=level)


# -------------------------------------------------------------------------------------------------- in words
def _span(runs: Sequence[RunBlur], factor: str) -> tuple[float, float]:
    values = [getattr(one.factors, factor) for one in runs]
    return min(values), max(values)


def _covered_share(points: Sequence[BlurPoint]) -> float:
    told = [point for point in points if point.foretold_m is not None]
    return float(np.mean([is_covered(point.measured_m, point.foretold_m) for point in told])) if told else math.nan


def is_covered(measured: Estimate, foretold: Estimate) -> bool:
    """True when a measured value lies in the foretold interval, widened by the error of the measurement.

    Parameters
    ----------
    measured, foretold : Estimate
        The two.
    """
    end = foretold.interval.high if measured.value > foretold.value else foretold.interval.low
    reach = special.ndtri(0.5 + foretold.interval.level / 2) * measured.standard_error
    return abs(measured.value - foretold.value) <= math.hypot(end - foretold.value, reach)


def _sentences(
    points: Sequence[BlurPoint],
    runs: Sequence[RunBlur],
    curves: Sequence[FactorCurve],
    share: float,
    reference: str,
) -> list[str]:
    ratio = np.array([one.measured_m.value / one.fitted_m.value for one in runs if one.measured_m.value > 0])
    words = [
        f"{len(points)} exposures of {len(runs)} runs: the blur of a run differs from that of the fitted machine by "
        f"{100 * float(np.sqrt(np.mean(np.log(ratio) ** 2))):.0f} % rms."
    ]
    if math.isfinite(share):
        n = sum(point.foretold_m is not None for point in points)
        words.append(f"Foretold from the other runs, {100 * share:.0f} % of {n} measured blurs lie in their intervals.")
    alone = [one.run for one in runs if one.foretold_m is None]
    if alone:
        words.append(f"Not foretold, since their sheet occurs in no other run: {', '.join(alone)}.")
    odd = [one.run for one in runs if _times(points, one.run) != _times(points, reference)]
    if odd:
        words.append(
            f"Exposures at other times than in {reference}: {', '.join(odd)}; their means do not compare with the "
            "curves."
        )
    return words + [curve.sentence(reference) for curve in curves]


def _times(points: Sequence[BlurPoint], run: str) -> list[tuple[float, float]]:
    return sorted((round(p.wait_s, 6), round(p.exposure_s, 6)) for p in points if p.run == run)


def _limits(cases: Sequence[Case], runs: Sequence[RunBlur]) -> list[str]:
    """Where the relation must not be used: outside of what was tried."""
    words = []
    for factor, what in FACTORS.items():
        (low, high), (scale, unit) = _span(runs, factor), SHOWN_UNITS[factor]
        if low == high:
            words.append(f"{what} was {scale * low:.3g} {unit} throughout: its effect is not measured.")
        else:
            words.append(f"{what}: {scale * low:.3g} to {scale * high:.3g} {unit}.")
    seen = [one for case in cases for one in _blurs(case)]
    waits, times = ([1e3 * getattr(one, name) for one in seen] for name in ("wait_s", "exposure_s"))
    words.append(f"Waits of {min(waits):.3g} to {max(waits):.3g} ms after the end of a move, never during it.")
    words.append(f"Exposures of {_range(times)} ms; a longer one takes in more, of a slower motion too.")
    facts = [case.build.facts for case in cases]
    moves = {(f.move.axis, f.move.travel_m, f.move.speed_m_s, f.move.jerk_m_s3) for f in facts}
    for axis, travel, speed, jerk in sorted(moves):
        words.append(
            f"Moves along {axis} of {1e3 * travel:.3g} mm at up to {1e3 * speed:.3g} mm/s, jerk {jerk:.4g} m/s³; "
            "another move hits the modes at other phases."
        )
    poses = {tuple(round(1e3 * at) for at in f.layout.head_m) for f in facts}
    words.append(f"Moves that end with the head at {_listed(poses)} mm; elsewhere frame and head swing otherwise.")
    words.append(f"Sheets: {_listed({f.panel.material for f in facts})}, on the supports that stand in run.toml.")
    words.append(f"What the camera looks at is held by: {_listed({f.layout.camera_target for f in facts})}.")
    words.append("Blur along the axis of the move by motion alone: focus, drift and the lens's own blur are not in it.")
    return words


def _range(values: Sequence[float]) -> str:
    low, high = min(values), max(values)
    return f"{low:.3g}" if math.isclose(low, high) else f"{low:.3g} to {high:.3g}"


def _listed(values: set) -> str:
    return "; ".join(", ".join(map(str, v)) if isinstance(v, tuple) else str(v) for v in sorted(values))
