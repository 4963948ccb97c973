"""What the runs tell of the parameters and what not, in words; and which further run would tell more."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from labkit.model._fit_solve import Descent
from labkit.model.fit_cases import Look, case_values, follow_modes, tie_modes
from labkit.model.fit_parts import Case, Observation, Parameter
from labkit.model.fit_result import MachineFit, Residual

__all__ = ["NextRun", "fit_notes", "next_run", "rank", "told_directions", "unidentified_words", "what_would_help"]

_UNTOLD = 0.2  # standard deviation of ln from which on a direction is not told: two of them are a factor of 1.5
_OWN = 0.9  # share of a parameter that lies in what is not told, from which on it is named alone
_MEMBER = 0.3  # share of the greatest part, from which on a parameter belongs to a combination
_RIVAL = 6.0  # a second minimum whose χ² is not further above the best (times χ²/dof) fits almost as well
_SAME = 16.0  # squared distance in standard deviations below which two ends are one
_LOUD = 0.5  # a mode of the model that shows like this and was not measured is worth a word
_EDGE = 1e-3  # distance of ln to a bound
_SOFT = 0.03  # trust in the model when the modes of a candidate are tied
_STEP = 1e-4  # of ln(parameter), for derivatives


def told_directions(jacobian: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Directions in the logarithms of the parameters, worst told first, and how well the observations tell them.

    Parameters
    ----------
    jacobian : ndarray, shape (n_rows, n_parameters)
        Derivatives of the weighted residuals by the logarithms of the parameters.

    Returns
    -------
    directions : ndarray, shape (n_parameters, n_parameters)
        Orthonormal columns.
    sd : ndarray, shape (n_parameters,)
        Standard deviation of ln along each; inf for one that nothing depends on.

    Examples
    --------
    Only the sum of the logarithms is told: the direction (1, −1) is not.

    >>> directions, sd = told_directions(np.array([[10.0, 10.0]]))
    >>> round(abs(float(directions[0, 0] + directions[1, 0])), 9), sd.round(4).tolist()
    (0.0, [inf, 0.0707])
    """
    n = jacobian.shape[1]
    _, strength, rows = np.linalg.svd(jacobian, full_matrices=True)
    strength = np.append(strength, np.zeros(n - strength.size))
    tiny = 1e-9 * max(strength.max(), 1e-300)
    sd = np.where(strength > tiny, 1.0 / np.maximum(strength, tiny), np.inf)[::-1]
    return rows[::-1].T, sd


def rank(jacobian: np.ndarray) -> int:
    """Number of directions in the logarithms of the parameters that the observations tell.

    Parameters
    ----------
    jacobian : ndarray, shape (n_rows, n_parameters)
        Derivatives of the weighted residuals by the logarithms of the parameters.
    """
    return int(np.sum(told_directions(jacobian)[1] < _UNTOLD))


def unidentified_words(jacobian: np.ndarray, parameters: Sequence[Parameter], *, advice: str) -> tuple[str, ...]:
    """Which parameters or combinations the observations cannot tell, in words.

    Parameters
    ----------
    jacobian : ndarray, shape (n_rows, n_parameters)
        Derivatives of the weighted residuals by the logarithms of the parameters.
    parameters : sequence of Parameter
        In the order of the columns.
    advice : str
        What would tell more; ends each sentence about a combination.

    Examples
    --------
    >>> pair = [Parameter(name="k_n_per_m", low=1, high=9), Parameter(name="m_kg", low=1, high=9)]
    >>> unidentified_words(np.array([[50.0, -50.0]]), pair, advice="weigh it")
    ('the runs tell the ratio k_n_per_m/m_kg, not each of them: weigh it',)
    """
    directions, sd = told_directions(jacobian)
    untold = directions[:, sd > _UNTOLD]
    idle = ~np.any(np.abs(jacobian) > 1e-9 * max(np.abs(jacobian).max(initial=0.0), 1e-300), axis=0)
    alone = (np.sum(untold**2, axis=1) > _OWN) & ~idle
    said = [f"nothing that was observed depends on {p.name}" for p, no in zip(parameters, idle) if no]
    for number in np.flatnonzero(alone):
        own = math.sqrt(np.sum((directions[number] * np.minimum(sd, 50.0)) ** 2))
        said.append(f"the runs tell {parameters[number].name} {_how_well(own, parameters[number])}: {advice}")
    rest = np.where((idle | alone)[:, None], 0.0, untold)
    left, strength, _ = np.linalg.svd(rest, full_matrices=False)
    open_ways = left[:, strength > 0.5]
    if open_ways.shape[1]:
        said.append(f"the runs tell {_combination(open_ways, parameters)}: {advice}")
    return tuple(said)


def _how_well(sd: float, parameter: Parameter) -> str:
    factor = math.exp(2.0 * sd)
    return "hardly at all" if factor >= parameter.high / parameter.low else f"only within a factor of {factor:.2g}"


def _combination(open_ways: np.ndarray, parameters: Sequence[Parameter]) -> str:
    """What is told when the parameters may move along these directions (columns)."""
    size = np.linalg.norm(open_ways, axis=1)
    members = np.flatnonzero(size > _MEMBER * size.max())
    names = [parameters[number].name for number in members]
    if len(members) == 1:
        return f"little about {names[0]}"
    if len(members) > 2 or open_ways.shape[1] > 1:
        return f"only combinations of {', '.join(names[:-1])} and {names[-1]}, not each of them"
    direction = open_ways[:, 0]
    first, second = direction[members]
    power = abs(first / second)
    raised = "" if abs(power - 1.0) < 0.1 else f"^{power:.2g}"
    if first * second > 0.0:
        return f"the ratio {names[0]}/{names[1]}{raised}, not each of them"
    return f"the product {names[0]}·{names[1]}{raised}, not each of them"


def what_would_help(best: Descent) -> str:
    """Which kind of further case would tell more.

    Parameters
    ----------
    best : Descent
        End of the fit.
    """
    masses = [look.machine.mass_kg for look in best.point.looks]
    seen = {s.quantity for case in best.problem.cases for s in case.observations}
    ideas = []
    if "stiffness_n_per_m" not in seen:
        ideas.append("a push test on the camera")
    if max(masses) < 1.15 * min(masses):
        ideas.append(f"a run with {0.3 * min(masses):.2g} kg more mass")
    if "damping_ratio" not in seen:
        ideas.append("damping ratios")
    return f"add {' or '.join(ideas)}" if ideas else "rank further runs with next_run"


def fit_notes(
    ends: list[Descent],
    residuals: Sequence[Residual],
    *,
    dof: int,
    scale: float,
    explained: bool,
    covariance: np.ndarray,
) -> tuple[str, ...]:
    """What weakens a fit.

    Parameters
    ----------
    ends : list of Descent
        Best first.
    residuals : sequence of Residual
        Of the best.
    dof : int
        Spare observations.
    scale : float
        χ²/dof that widens the intervals.
    explained : bool
        True when χ² is no greater than chance allows.
    covariance : ndarray
        Of the logarithms of the parameters.
    """
    best, said = ends[0], []
    if not best.converged:
        said.append("least squares stopped before its end: rely on nothing here; try more starts or closer bounds")
    if dof == 0:
        said.append("no observation is spare, so nothing checks the model")
    if not explained:
        worst = max(residuals, key=lambda r: abs(r.z))
        said += [
            f"χ²/dof = {scale:.3g}: model or stated uncertainties are off by more than chance, and intervals are "
            f"widened by {math.sqrt(scale):.2g}; worst: {worst.observation.label} in {worst.case} (z {worst.z:+.1f}); "
            "what is known of the model's error can be stated as model_error"
        ]
    for number, parameter in enumerate(best.problem.parameters):
        for word, bound in (("low", best.problem.low), ("high", best.problem.high)):
            if abs(best.point.logs[number] - bound[number]) < _EDGE:
                said.append(f"{parameter.name} sits on its {word} bound; widen it, or the model lacks something")
    for rival in ends[1:]:
        away = rival.point.logs - best.point.logs
        if away @ np.linalg.solve(covariance, away) < _SAME:  # the same but for what is not told
            continue
        if rival.score(scale) - best.score(scale) < _RIVAL * scale:
            numbers = ", ".join(
                f"{name} = {value:.3g}" for name, value in rival.problem.numbers(rival.point.logs).items()
            )
            said.append(f"another set fits almost as well (χ² {rival.chi2:.3g} against {best.chi2:.3g}): {numbers}")
    return (*said, *_unmeasured(best))


def _unmeasured(best: Descent) -> list[str]:
    """Loud modes of the model between measured ones that no measured mode was tied to."""
    said = []
    for look, tied in zip(best.point.looks, best.point.tied):
        modes = look.case.modes
        if not modes:
            continue
        f, loud = look.frequencies_hz, np.max([look.loudness(seen) for seen in modes], axis=0)
        span = [seen.value.value for seen in modes]
        for number in np.flatnonzero((loud > _LOUD) & (f > 0.9 * min(span)) & (f < 1.1 * max(span))):
            if number not in tied.values():
                said.append(
                    f"the model has a loud mode at {f[number]:.3g} Hz in {look.case.name} that was not measured: were "
                    "modes tied rightly?"
                )
    return said


# --------------------------------------------------------------------------------------------------- next run
@dataclass(frozen=True, eq=False, kw_only=True)
class NextRun:
    """What a further run would tell.

    Parameters
    ----------
    case : Case
        The run.
    gain_bits : float
        Information about all parameters together, ½·log₂ of the shrinkage of the determinant of their covariance.
    target_sd, target_sd_after : float
        Relative standard uncertainty of the target now and with the run; nan without a target.
    relative_sd_after : dict of float
        Of each parameter with the run.
    sentence : str
        The same in words.
    """

    case: Case
    gain_bits: float
    target_sd: float
    target_sd_after: float
    relative_sd_after: dict[str, float]
    sentence: str


def next_run(
    fit: MachineFit,
    candidates: Sequence[Case],
    *,
    target: str | Case = "",
    expected_share: Mapping[str, float] | None = None,
) -> tuple[NextRun, ...]:
    """Candidates, best first, by how much they would shrink the uncertainty of the target.

    Parameters
    ----------
    fit : MachineFit
        What is known so far.
    candidates : sequence of Case
        Runs with observations of unknown value (`Estimate.unknown()`).
    target : str or Case
        Name of a parameter; or a case with one observation of unknown value whose prediction is to be sharpened; ""
        for all parameters together.
    expected_share : mapping, optional
        Relative standard uncertainty that a quantity will be measured with; default: the median of the fitted runs.

    Notes
    -----
    Expected (Fisher) information from the derivatives at the fitted parameters: linear, and no promise where the
    parameters are still hardly known.
    """
    known = np.linalg.inv(fit.log_covariance)
    aim = _aim(fit, target)
    found = [_worth(fit, case, known, aim, expected_share or {}) for case in candidates]
    return tuple(sorted(found, key=lambda run: (run.target_sd_after if aim is not None else 0.0, -run.gain_bits)))


def _worth(
    fit: MachineFit, case: Case, known: np.ndarray, aim: np.ndarray | None, expected: Mapping[str, float]
) -> NextRun:
    slopes = _slopes(fit, case)
    shares = np.array([_share(fit, case, seen, expected) for seen in case.observations])
    rows = slopes / shares[:, None]
    after = np.linalg.inv(known + rows.T @ rows)
    gain = 0.5 * (np.linalg.slogdet(fit.log_covariance)[1] - np.linalg.slogdet(after)[1]) / math.log(2.0)
    before_sd, after_sd = (
        math.sqrt(aim @ matrix @ aim) if aim is not None else math.nan for matrix in (fit.log_covariance, after)
    )
    told = f"{case.name} would tell {gain:.2g} bits about the parameters"
    if aim is not None:
        told = f"{case.name} would take the target from ±{100 * before_sd:.2g} % to ±{100 * after_sd:.2g} %"
    return NextRun(
        case=case,
        gain_bits=float(gain),
        target_sd=before_sd,
        target_sd_after=after_sd,
        relative_sd_after={p.name: float(sd) for p, sd in zip(fit.ranges, np.sqrt(np.diag(after)))},
        sentence=f"{told} (standard uncertainties)" if aim is not None else told,
    )


def _aim(fit: MachineFit, target: str | Case) -> np.ndarray | None:
    """Derivative of ln(target) by the logarithms of the parameters."""
    if isinstance(target, Case):
        if len(target.observations) != 1:
            raise ValueError(f"target case has {len(target.observations)} observations; give one")
        return _slopes(fit, target)[0]
    if not target:
        return None
    names = [p.name for p in fit.ranges]
    if target not in names:
        raise ValueError(f"target is {target!r}; it must be a case or one of {', '.join(names)}")
    return np.eye(len(names))[names.index(target)]


def _slopes(fit: MachineFit, case: Case) -> np.ndarray:
    """Derivatives of ln(observation) by ln(parameter); 0 for an observation that is 0 (settled, no blur)."""
    best = fit.parameters()
    base = Look(case=case, machine=case.build(best))
    tied = tie_modes(base, softness=_SOFT, anchors=fit.anchors)
    here, columns = case_values(base, tied), []
    there = here > 0.0
    for parameter in fit.ranges:
        moved = best | {parameter.name: best[parameter.name] * math.exp(_STEP)}
        look = Look(case=case, machine=case.build(moved))
        values = case_values(look, follow_modes(look, tied=tied, before=base, near=10.0 * _STEP))
        ratio = np.where(there, np.maximum(values, 0.5 * here) / np.where(there, here, 1.0), 1.0)
        columns.append(np.log(ratio) / _STEP)
    return np.array(columns).T


def _share(fit: MachineFit, case: Case, seen: Observation, expected: Mapping[str, float]) -> float:
    """Relative standard uncertainty that an observation would have, model error included."""
    own = [
        r.observation.value.standard_error / r.measured
        for r in fit.residuals
        if r.observation.quantity == seen.quantity and r.measured > 0.0
    ]
    share = expected.get(seen.quantity, float(np.median(own)) if own else math.nan)
    if not share > 0.0:
        raise ValueError(
            f"no fitted case has {seen.quantity}, which {case.name!r} would measure; say how well in expected_share, "
            f"for example {{{seen.quantity!r}: 0.02}}"
        )
    return math.hypot(share, fit.misfit.get(seen.quantity, 0.0))
