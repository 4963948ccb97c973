"""A fit without one of its cases, by one step from the fit to all."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from labkit.base import Estimate
from labkit.decide.machine_build import MachineBuild
from labkit.model.fit import Case, MachineFit
from labkit.model.fit_cases import Look, case_values, follow_modes

__all__ = ["without_case"]

_STEP = 1e-4  # of ln(parameter), for derivatives
_NEAR = 1e-3  # |Δ ln f| that counts when modes are followed over such a step


def without_case(fit: MachineFit, case: Case) -> MachineFit | None:
    """The fit as it would be without one of its cases, by one Gauss–Newton step; None when the rest cannot tell.

    Parameters
    ----------
    fit : MachineFit
        The fit to all.
    case : Case
        The case to be left out, one of the fit's.

    Notes
    -----
    The others cannot tell a run whose sheet occurs in no other case (known for cases with a `MachineBuild`).
    """
    own = next((one for one in fit.cases if one.name == case.name), None)
    if own is None:
        names = ", ".join(one.name for one in fit.cases)
        raise ValueError(f"case {case.name!r} is none of the fit's, which are {names}; a fit is without it already")
    if _sheet(case) not in {_sheet(other) for other in fit.cases if other.name != case.name}:
        return None
    rows, z = _derivatives(fit, own), _residuals(fit, own)
    scale = max(1.0, fit.chi2_per_dof) if fit.dof else 1.0
    information = np.linalg.inv(fit.log_covariance) - rows.T @ rows / scale
    width = np.array([math.log(p.high / p.low) for p in fit.ranges]) / math.sqrt(12.0)
    values, vectors = np.linalg.eigh(information * np.outer(width, width))  # in widths of the bounds, which stay
    covariance = (vectors / np.maximum(values, 1.0)) @ vectors.T * np.outer(width, width)
    logs = np.log([fit.estimates[p.name].value for p in fit.ranges]) + covariance @ (rows.T @ z) / scale
    low, high = (np.log([getattr(p, end) for p in fit.ranges]) for end in ("low", "high"))
    errors = np.sqrt(np.diag(covariance))
    estimates = {
        p.name: Estimate.from_standard_error(float(value), float(value * error), dof=fit.t_dof, level=fit.level)
        for p, value, error in zip(fit.ranges, np.exp(np.clip(logs, low, high)), errors)
    }
    return replace(
        fit,
        cases=tuple(other for other in fit.cases if other.name != case.name),
        estimates=estimates,
        log_covariance=covariance,
        residuals=tuple(r for r in fit.residuals if r.case != case.name),
    )


def _sheet(case: Case) -> str:
    return case.build.facts.panel.material if isinstance(case.build, MachineBuild) else ""


def _residuals(fit: MachineFit, case: Case) -> np.ndarray:
    return np.array([r.z for r in fit.residuals if r.case == case.name])


def _derivatives(fit: MachineFit, case: Case) -> np.ndarray:
    """Derivatives of a case's residuals by the logarithms of the parameters."""
    rows = [r for r in fit.residuals if r.case == case.name]
    sd = np.array([(r.fitted - r.measured) / r.z if r.z else math.inf for r in rows])
    best = fit.parameters()
    base = Look(case=case, machine=case.build(best))
    tied = {m.mode: m.number - 1 for m in fit.matches if m.case == case.name}
    here, columns = case_values(base, tied), []
    for parameter in fit.ranges:
        moved = best | {parameter.name: best[parameter.name] * math.exp(_STEP)}
        look = Look(case=case, machine=case.build(moved))
        columns.append(
            (case_values(look, follow_modes(look, tied=tied, before=base, near=_NEAR)) - here) / (_STEP * sd)
        )
    return np.array(columns).T
