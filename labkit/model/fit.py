"""Tie a model machine to runs: feet, panel and damping from measured modes, settling, blur and pushes, with intervals.

Several runs at different masses, moves and panels are fitted together. Before a prediction is believed, `leave_one_out`
shows whether the fit foretells a run that it has not seen; `next_run` tells which further run would help most.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from labkit.base import Estimate, Interval, check_number
from labkit.model._fit_solve import Descent, Problem, staged_descents
from labkit.model.fit_parts import Case, Observation, Parameter
from labkit.model.fit_result import MachineFit, PredictedMode, Prediction, Residual, TiedMode
from labkit.model.identify import NextRun, fit_notes, next_run, rank, unidentified_words, what_would_help
from labkit.model.materials import MaterialNumber

__all__ = [
    "Case",
    "HeldOut",
    "LeaveOneOut",
    "MachineFit",
    "NextRun",
    "Observation",
    "Parameter",
    "PredictedMode",
    "Prediction",
    "Residual",
    "TiedMode",
    "fit_machine",
    "leave_one_out",
    "next_run",
]

_STATED_DOF = 8.0  # stated uncertainties are taken to be good to a quarter: ν = ½·(Δu/u)⁻², GUM G.4.2
_CHANCE = 0.01  # χ² less likely than this by chance: model or uncertainties are off


def fit_machine(
    cases: Sequence[Case],
    parameters: Sequence[Parameter],
    *,
    model_error: float | Mapping[str, float] = 0.0,
    priors: Mapping[str, Estimate | MaterialNumber] | None = None,
    level: float = 0.95,
    n_starts: int = 256,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> MachineFit:
    """Find the parameters with which the model explains all cases together.

    Parameters
    ----------
    cases : sequence of Case
        Runs and push tests, all observations with values.
    parameters : sequence of Parameter
        What is to be found, with bounds that the builder is sure of.
    model_error : float or mapping
        Relative error of the model itself, for all quantities or by quantity; added to the stated uncertainties as the
        square root of the sum of squares.
    priors : mapping, optional
        What is known of a parameter beforehand (a strip test, a material table), by name; with an interval.
    level : float
        Coverage probability of the intervals.
    n_starts : int
        Starting points, a power of 2.
    seed : int
        Of their scrambling.
    progress : callable, optional
        Called with the share that is done, 0 to 1.

    Returns
    -------
    MachineFit

    Notes
    -----
    Least sum of squares of (model − measured)/uncertainty over the logarithms of the parameters, from staged starts
    (see `labkit.model._fit_solve`). A settling time is compared with the envelope less a quarter of the period of what
    rings then, and gets that period over 4√3 as further uncertainty: the last crossing jumps by half a period.
    Covariance (JᵀJ)⁻¹·max(1, χ²/dof), with the width of the bounds as a weak prior; t factor with dof + 8 degrees of
    freedom where the stated uncertainties explain the residuals (GUM G.4.2 with uncertainties good to a quarter), with
    dof where they do not. A model error is taken as independent between observations.

    Examples
    --------
    Two masses on four feet: k = 4·2e4 N/m from 12.99 Hz at 12 kg and 11.26 Hz at 16 kg (√(4k/m)/2π).

    >>> from labkit.model.machine_parts import Camera, Foot, Frame, Head
    >>> def at_mass(mass_kg):
    ...     def build(p):
    ...         feet = [Foot(x_m=x, y_m=y, stiffness_x_n_per_m=8e3, stiffness_y_n_per_m=8e3,
    ...             stiffness_z_n_per_m=p["foot_z_n_per_m"], loss_factor=0.1) for x in (-0.2, 0.2) for y in (-0.1, 0.1)]
    ...         frame = Frame.box(mass_kg=mass_kg, centre_m=(0, 0, 0), size_m=(0.5, 0.4, 0.1))
    ...         return Machine(frame=frame, feet=feet, head=Head(mass_kg=1e-9, at_m=(0, 0, 0.1), mount=None),
    ...             camera=Camera(at_m=(0, 0, 0), sight_m=0.1, target="bench"), panel=None)
    ...     return build
    >>> def tap(name, mass_kg, frequency_hz):
    ...     f = Estimate.from_standard_error(frequency_hz, 0.02, dof=30)
    ...     seen = Observation(quantity="frequency_hz", value=f, mode="bounce", axis="z")
    ...     return Case(name=name, build=at_mass(mass_kg), profile=None, move_axis="", observations=(seen,))
    >>> from labkit.model.machine import Machine
    >>> fit = fit_machine([tap("plain", 12.0, 12.99), tap("+4 kg", 16.0, 11.26)],
    ...     [Parameter(name="foot_z_n_per_m", low=2e3, high=2e5)], n_starts=32)
    >>> round(fit.estimates["foot_z_n_per_m"].value, -2), fit.converged
    (20000.0, True)
    """
    check_number("level", level, above=0.0, below=1.0)
    if n_starts < 2 or n_starts & (n_starts - 1):
        raise ValueError(f"n_starts is {n_starts!r}; it must be a power of 2, for example 256")
    problem = _problem(tuple(cases), tuple(parameters), model_error, dict(priors or {}))
    ends = staged_descents(problem, n_starts=n_starts, rng=np.random.default_rng(seed), progress=progress)
    return _result(ends, model_error, level=level, n_starts=n_starts)


# ------------------------------------------------------------------------------------------------- the problem
def _problem(
    cases: tuple[Case, ...],
    parameters: tuple[Parameter, ...],
    model_error: float | Mapping[str, float],
    priors: dict[str, Estimate | MaterialNumber],
) -> Problem:
    _check(cases, parameters, priors)
    seen = [observation for case in cases for observation in case.observations]
    values = np.array([s.value.value for s in seen])
    errors = np.array([_error_of(model_error, s.quantity) for s in seen])
    rows = [n for n, p in enumerate(parameters) if p.name in priors]
    known = [priors[parameters[n].name] for n in rows]
    return Problem(
        cases=cases,
        parameters=parameters,
        measured=values,
        sd=np.hypot([s.value.standard_error for s in seen], errors * values),
        fixed={},
        prior_rows=np.array(rows, dtype=int),
        prior_logs=np.array([math.log(k.value) for k in known]),
        prior_sds=np.array([k.interval.log_sd for k in known]),
    )


def _check(cases: tuple[Case, ...], parameters: tuple[Parameter, ...], priors: Mapping) -> None:
    if not parameters:
        raise ValueError("no parameters are given; name what is to be found")
    names = [p.name for p in parameters]
    if len(set(names)) < len(names):
        raise ValueError(f"two parameters have one name: {', '.join(names)}")
    if len({case.name for case in cases}) < len(cases):
        raise ValueError(f"two cases have one name: {', '.join(case.name for case in cases)}")
    for case in cases:
        for seen in case.observations:
            if seen.asked:
                raise ValueError(f"case {case.name!r} has {seen.label} without a value; a fit needs measured values")
    if not any(case.observations for case in cases):
        raise ValueError("no case has an observation; nothing can be fitted")
    for name, known in priors.items():
        if name not in names:
            raise ValueError(f"prior {name!r} is no parameter; the parameters are {', '.join(names)}")
        if not (known.value > 0.0 and 0.0 < known.interval.low < known.interval.high < math.inf):
            raise ValueError(
                f"prior of {name} must be above 0 and have a known interval above 0; leave it out otherwise"
            )


def _error_of(model_error: float | Mapping[str, float], quantity: str) -> float:
    share = model_error.get(quantity, 0.0) if isinstance(model_error, Mapping) else model_error
    return check_number(f"model_error of {quantity}", share, at_least=0.0)


# -------------------------------------------------------------------------------------------------- the result
def _result(
    ends: list[Descent], model_error: float | Mapping[str, float], *, level: float, n_starts: int
) -> MachineFit:
    best = ends[0]
    problem, point = best.problem, best.point
    jacobian = problem.jacobian(point)
    dof = max(len(jacobian) - rank(jacobian), 0)
    explained = dof == 0 or float(stats.chi2.sf(best.chi2, dof)) >= _CHANCE
    scale = max(1.0, best.chi2 / dof) if dof else 1.0
    t_dof = dof + _STATED_DOF if explained else float(dof)
    jacobian[: problem.measured.size] /= math.sqrt(scale)  # priors keep their weight
    width = (problem.high - problem.low) / math.sqrt(12.0)
    covariance = np.linalg.inv(jacobian.T @ jacobian + np.diag(width**-2.0))
    residuals = _residuals(best)
    return MachineFit(
        cases=problem.cases,
        ranges=problem.parameters,
        estimates=_estimates(best, covariance, t_dof, level),
        log_covariance=covariance,
        t_dof=t_dof,
        residuals=residuals,
        chi2=best.chi2,
        dof=dof,
        misfit=_misfit(residuals, model_error, dof=dof),
        matches=_matches(best),
        anchors=_anchors(best),
        n_starts=n_starts,
        converged=best.converged,
        unidentified=unidentified_words(jacobian, problem.parameters, advice=what_would_help(best)),
        notes=fit_notes(ends, residuals, dof=dof, scale=scale, explained=explained, covariance=covariance),
    )


def _estimates(best: Descent, covariance: np.ndarray, t_dof: float, level: float) -> dict[str, Estimate]:
    quantile = float(special.stdtrit(t_dof, 0.5 + level / 2.0))
    found = {}
    for parameter, log, sd in zip(best.problem.parameters, best.point.logs, np.sqrt(np.diag(covariance))):
        value = math.exp(log)
        low, high = (value * math.exp(sign * quantile * sd) for sign in (-1.0, 1.0))
        interval = Interval(low=max(low, parameter.low), high=min(high, parameter.high), level=level)
        found[parameter.name] = Estimate(value=value, standard_error=value * float(sd), interval=interval)
    return found


def _residuals(best: Descent) -> tuple[Residual, ...]:
    seen = [(case.name, observation) for case in best.problem.cases for observation in case.observations]
    values = best.point.values
    rows = zip(seen, best.problem.measured, values, (values - best.problem.measured) / best.problem.sd)
    return tuple(
        Residual(case=case, observation=s, measured=float(m), fitted=float(v), z=float(z))
        for (case, s), m, v, z in rows
    )


def _misfit(residuals: Sequence[Residual], model_error: float | Mapping[str, float], *, dof: int) -> dict[str, float]:
    """Relative scatter of model against runs beyond what the runs' own uncertainty explains.

    Residuals are smaller than errors by dof/n, because the parameters were fitted to them; without a spare
    observation nothing is known beyond the stated model error.
    """
    found = {}
    shrunk = dof / len(residuals) if dof else math.inf
    for quantity in sorted({r.observation.quantity for r in residuals}):
        own = [r for r in residuals if r.observation.quantity == quantity and r.measured > 0.0]
        excess = [
            (r.fitted / r.measured - 1.0) ** 2 / shrunk - (r.observation.value.standard_error / r.measured) ** 2
            for r in own
        ]
        beyond = math.sqrt(max(float(np.mean(excess)), 0.0)) if excess else 0.0
        found[quantity] = max(beyond, _error_of(model_error, quantity))
    return found


def _matches(best: Descent) -> tuple[TiedMode, ...]:
    found = []
    for look, tied in zip(best.point.looks, best.point.tied):
        for seen in look.case.modes:
            number = tied[seen.mode]
            found.append(
                TiedMode(
                    case=look.case.name,
                    mode=seen.mode,
                    measured_hz=seen.value.value,
                    model_hz=float(look.frequencies_hz[number]),
                    number=number + 1,
                    loudness=float(look.loudness(seen)[number]),
                )
            )
    return tuple(found)


def _anchors(best: Descent) -> dict[str, tuple[float, np.ndarray]]:
    found: dict[str, tuple[float, np.ndarray]] = {}
    for look, tied in zip(best.point.looks, best.point.tied):
        for label, number in tied.items():
            found.setdefault(label, (float(look.frequencies_hz[number]), look.signatures[number]))
    return found


# -------------------------------------------------------------------------------------------- leave one out
@dataclass(frozen=True, kw_only=True)
class HeldOut:
    """One observation of a run that the fit had not seen.

    Parameters
    ----------
    case : str
        Name of the run.
    observation : Observation
        What was measured.
    predicted : Estimate
        What the other runs foretell of the measurement, its own uncertainty included.
    covered : bool
        True when the measured value lies in the interval.
    """

    case: str
    observation: Observation
    predicted: Estimate
    covered: bool


@dataclass(frozen=True, eq=False, kw_only=True)
class LeaveOneOut:
    """Whether the fit foretells runs that it has not seen.

    Parameters
    ----------
    held_out : tuple of HeldOut
        Every observation of every run, foretold from the other runs.
    fits : dict of MachineFit
        The fit without each run, by its name.
    sentences : tuple of str
        What it means.
    """

    held_out: tuple[HeldOut, ...]
    fits: dict[str, MachineFit]
    sentences: tuple[str, ...]

    @property
    def covered_share(self) -> float:
        """Share of the observations that their intervals cover."""
        return float(np.mean([each.covered for each in self.held_out]))


def leave_one_out(
    cases: Sequence[Case],
    parameters: Sequence[Parameter],
    *,
    model_error: float | Mapping[str, float] = 0.0,
    priors: Mapping[str, Estimate | MaterialNumber] | None = None,
    level: float = 0.95,
    n_starts: int = 256,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> LeaveOneOut:
    """Fit without each case in turn and foretell it: to be looked at before any what-if is believed.

    Parameters
    ----------
    cases, parameters : sequence
        As for `fit_machine`; at least two cases.
    model_error, priors, level, n_starts, seed
        As for `fit_machine`.
    progress : callable, optional
        Called with the share that is done, 0 to 1.
    """
    if len(cases) < 2:
        raise ValueError(f"there are {len(cases)} cases; leaving one out needs at least two")
    held_out, fits = [], {}
    for number, case in enumerate(cases):
        others = [other for other in cases if other is not case]
        fit = fit_machine(
            others, parameters, model_error=model_error, priors=priors, level=level, n_starts=n_starts, seed=seed
        )
        fits[case.name] = fit
        foretold = fit.predict(case, seed=seed).values
        held_out += [_held_out(case, *pair) for pair in zip(case.observations, foretold)]
        if progress:
            progress((number + 1) / len(cases))
    return LeaveOneOut(held_out=tuple(held_out), fits=fits, sentences=_loo_words(held_out, fits))


def _held_out(case: Case, seen: Observation, foretold: Estimate) -> HeldOut:
    """The measurement's own uncertainty widens the interval on both sides."""
    level = foretold.interval.level
    own = float(special.ndtri(0.5 + level / 2.0)) * seen.value.standard_error
    low, high = (
        foretold.value + sign * math.hypot(end - foretold.value, own)
        for sign, end in ((-1.0, foretold.interval.low), (1.0, foretold.interval.high))
    )
    predicted = Estimate(
        value=foretold.value,
        standard_error=math.hypot(foretold.standard_error, seen.value.standard_error),
        interval=Interval(low=low, high=high, level=level),
    )
    return HeldOut(case=case.name, observation=seen, predicted=predicted, covered=low <= seen.value.value <= high)


def _loo_words(held_out: Sequence[HeldOut], fits: Mapping[str, MachineFit]) -> tuple[str, ...]:
    n, hits = len(held_out), sum(each.covered for each in held_out)
    level = held_out[0].predicted.interval.level
    said = [f"{hits} of {n} observations lie in the {100 * level:.3g} % intervals foretold from the other cases"]
    if float(stats.binom.cdf(hits, n, level)) < 0.05:
        said.append("that is fewer than chance allows: the model does not foretell these runs, do not rely on it")
    for name, fit in fits.items():
        if not fit.converged:
            said.append(f"the fit without {name} stopped before its end")
        said += [f"without {name} {sentence}" for sentence in fit.unidentified]
    return tuple(said)
