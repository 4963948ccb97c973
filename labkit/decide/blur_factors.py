"""What one factor does to the blur while the rest of the machine stays: frame mass, head acceleration, panel stiffness.

The fitted machine of a reference run is changed in one factor over the range that the runs have, and the root mean
square of the blur over the run's exposures is read off, with a band from the draws of the fit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import signal, special

from labkit.base import Estimate, check_choice
from labkit.decide.machine_build import MachineBuild
from labkit.model.fit import Case, MachineFit
from labkit.model.machine import Machine
from labkit.model.move import MoveProfile, declared_profile
from labkit.model.ringing import exposure_motion, ringing
from labkit.runs.facts import RunFacts

__all__ = ["FACTORS", "SHOWN_UNITS", "FactorCurve", "RunFactors", "blur_values_m", "factor_curve", "run_factors"]

#: The factors of the relation, and what they are called.
FACTORS = {
    "frame_mass_kg": "Frame mass",
    "acceleration_m_s2": "Head acceleration",
    "panel_stiffness_n_per_m": "Panel stiffness",
}
#: Scale and unit in which a builder reads a factor.
SHOWN_UNITS = {
    "frame_mass_kg": (1.0, "kg"),
    "acceleration_m_s2": (1.0, "m/s²"),
    "panel_stiffness_n_per_m": (1e-3, "N/mm"),
}
_N_VALUES = 25
_TURN = 0.05  # least depth of a hill or a dip in ln(blur) that counts


@dataclass(frozen=True, kw_only=True)
class RunFactors:
    """The factors of one run.

    Parameters
    ----------
    frame_mass_kg : float
        Everything but the head [kg].
    acceleration_m_s2 : float
        Commanded acceleration of the head [m/s²].
    panel_stiffness_n_per_m : float
        Of the fitted panel, pushed at the camera against the frame [N/m].
    """

    frame_mass_kg: float
    acceleration_m_s2: float
    panel_stiffness_n_per_m: float


def run_factors(case: Case, parameters: dict[str, float]) -> RunFactors:
    """Factors of a run under a set of parameters.

    Parameters
    ----------
    case : Case
        Made by `case_of_run`.
    parameters : dict
        Of the machine, by name.
    """
    facts = _facts(case)
    compliance = case.build(parameters).camera_compliance_m_per_n("z", relative_to="frame")
    return RunFactors(
        frame_mass_kg=facts.frame_mass_kg,
        acceleration_m_s2=facts.move.commanded_acceleration_m_s2,
        panel_stiffness_n_per_m=1.0 / compliance,
    )


def _facts(case: Case) -> RunFacts:
    if not isinstance(case.build, MachineBuild):
        raise ValueError(f"case {case.name!r} has a build of its own; make it with case_of_run and no build")
    return case.build.facts


@dataclass(frozen=True, eq=False, kw_only=True)
class FactorCurve:
    """Blur against one factor, everything else as in the reference run.

    Parameters
    ----------
    factor : str
        Name out of `FACTORS`.
    values : ndarray, shape (n,)
        Values of the factor, over the range of the runs.
    rms_m : ndarray, shape (n,)
        Root mean square of the blur over the run's exposures [m].
    low_m, high_m : ndarray, shape (n,)
        Band of the fit's parameters [m].
    elasticity : Estimate
        Mean d ln blur/d ln factor over the range: −1 halves the blur for twice the factor. Its interval is that of the
        fitted parameters; faults of the model are not in it.
    steepest, least : float
        Largest and smallest local d ln blur/d ln factor.
    """

    factor: str
    values: np.ndarray
    rms_m: np.ndarray
    low_m: np.ndarray
    high_m: np.ndarray
    elasticity: Estimate
    steepest: float
    least: float

    @property
    def turns(self) -> np.ndarray:
        """Values of the factor at which the blur turns by 5 % or more from rising to falling or back."""
        logs = np.log(self.rms_m)
        found = [signal.find_peaks(sign * logs, prominence=_TURN)[0] for sign in (1.0, -1.0)]
        return self.values[np.sort(np.concatenate(found))]

    def sentence(self, reference: str) -> str:
        """The curve in words.

        Parameters
        ----------
        reference : str
            Name of the run that it starts from.
        """
        e = self.elasticity
        mean = f"{e.value:+.2f} % [{e.interval.low:+.2f}, {e.interval.high:+.2f}]"
        head = (
            f"{FACTORS[self.factor]} alone, the rest as in {reference}: 1 % more changes the blur by {mean} on the mean"
        )
        if not self.turns.size:
            return f"{head}, at one place by {self.least:+.1f} %, at another by {self.steepest:+.1f} %."
        scale, unit = SHOWN_UNITS[self.factor]
        turns = ", ".join(f"{scale * value:.3g}" for value in self.turns)
        return (
            f"{head}, but it does not go one way: locally by {self.least:+.1f} to {self.steepest:+.1f} %, turning near "
            f"{turns} {unit}. Read it off the curve, and never extend it."
        )


def factor_curve(
    fit: MachineFit, case: Case, *, factor: str, span: tuple[float, float], n_draws: int = 30, seed: int = 0
) -> FactorCurve:
    """Blur over a range of one factor.

    Parameters
    ----------
    fit : MachineFit
        The fitted machine.
    case : Case
        The reference run, made by `case_of_run`, with blurs: their waits and exposure times are used.
    factor : str
        Name out of `FACTORS`.
    span : (float, float)
        Range of the factor.
    n_draws : int
        Parameters drawn for the band.
    seed : int
        Of the draws.

    Notes
    -----
    Mass is added where the runs have their ballast, or spread over the frame where none is stated. Stiffness changes
    the modulus alone: another sheet of the same stiffness has another mass and damping.
    """
    check_choice("factor", factor, FACTORS)
    values = np.geomspace(*span, _N_VALUES)
    ballast = next((one.build.facts.layout.ballast_m for one in fit.cases if _has_ballast(one)), None)
    best = np.array([_rms_m(_changed(case, factor, value, fit.parameters(), ballast)) for value in values])
    drawn = np.array(
        [
            [_rms_m(_changed(case, factor, value, numbers, ballast)) for value in values]
            for numbers in fit.sample(n_draws, seed=seed)
        ]
    )
    local = np.gradient(np.log(best), np.log(values))
    spread = np.std(np.log(drawn), axis=0, ddof=1)
    tail = float(special.ndtri(0.5 + fit.level / 2))
    return FactorCurve(
        factor=factor,
        values=values,
        rms_m=best,
        low_m=best * np.exp(-tail * spread),
        high_m=best * np.exp(tail * spread),
        elasticity=_mean_slope(values, best, drawn, fit.level),
        steepest=float(local.max()),
        least=float(local.min()),
    )


def _has_ballast(case: Case) -> bool:
    return isinstance(case.build, MachineBuild) and case.build.facts.layout.ballast_kg > 0.0


def _mean_slope(values: np.ndarray, best: np.ndarray, drawn: np.ndarray, level: float) -> Estimate:
    x = np.log(values) - np.log(values).mean()
    slopes = np.log(drawn) @ x / (x @ x)
    value, error = float(np.log(best) @ x / (x @ x)), float(np.std(slopes, ddof=1))
    return Estimate.from_standard_error(value, error, dof=math.inf, level=level)


def _changed(
    case: Case, factor: str, value: float, parameters: dict[str, float], ballast_m: tuple[float, float, float] | None
) -> np.ndarray:
    """Blur of the exposures of a case with one factor changed [m]."""
    facts, profile = _facts(case), case.profile
    if factor == "acceleration_m_s2":
        profile = declared_profile(replace(facts.move, commanded_acceleration_m_s2=value))
        machine = case.build(parameters)
    elif factor == "frame_mass_kg":
        machine = MachineBuild(facts=_with_mass(facts, value, ballast_m))(parameters)
    else:
        name = f"young_modulus_pa of {facts.panel.material}"
        now = run_factors(case, parameters).panel_stiffness_n_per_m
        machine = case.build(parameters | {name: parameters[name] * value / now})
    return blur_values_m(case, machine, profile=profile)


def blur_values_m(case: Case, machine: Machine, *, profile: MoveProfile | None = None) -> np.ndarray:
    """Blur that a machine has in each exposure of a case, in the order of its observations [m].

    Parameters
    ----------
    case : Case
        The case; what was measured in it is not used.
    machine : Machine
        The machine.
    profile : MoveProfile, optional
        Another move than that of the case.
    """
    after = ringing(machine, case.profile if profile is None else profile, axis=case.move_axis)
    seen = [one for one in case.observations if one.quantity == "blur_m"]
    motions = [exposure_motion(after, wait_s=one.wait_s, exposure_s=one.exposure_s) for one in seen]
    return np.array([motion.sigma_m["xyz".index(one.axis)] for one, motion in zip(seen, motions)])


def _with_mass(facts: RunFacts, frame_mass_kg: float, ballast_m: tuple[float, float, float] | None) -> RunFacts:
    added = frame_mass_kg - facts.frame_mass_kg
    ballast = facts.layout.ballast_kg + added
    layout = facts.layout
    if ballast_m is not None and ballast >= 0.0:
        layout = replace(layout, ballast_kg=ballast, ballast_m=ballast_m)
    return replace(facts, frame_mass_kg=frame_mass_kg, layout=layout)


def _rms_m(values_m: np.ndarray) -> float:
    return math.sqrt(float(np.mean(values_m**2)))
