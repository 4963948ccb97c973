"""What a fit of the machine gives: parameters with intervals, residuals, what the runs cannot tell, predictions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from labkit.base import Estimate, Interval, check_number
from labkit.model.fit_cases import Look, case_values, follow_modes, tie_modes
from labkit.model.fit_parts import Case, Observation, Parameter

__all__ = ["MachineFit", "PredictedMode", "Prediction", "Residual", "TiedMode", "case_facts"]

_SOFT = 0.03  # trust in the model when the modes of a new case are tied
_DRAWN = 0.1  # |Δ ln f| that counts when modes are followed from the best to drawn parameters
_SHOWN, _SHOWS = 6, 1e-2  # modes listed in a prediction, and how loud they must be
_SLACK = 0.02  # share by which a case may lie outside the fitted range without a word


@dataclass(frozen=True, kw_only=True)
class Residual:
    """One observation and what the fitted model says.

    Parameters
    ----------
    case : str
        Name of the case.
    observation : Observation
        What was measured.
    measured, fitted : float
        Values in the unit of the quantity.
    z : float
        (fitted − measured)/standard uncertainty with the stated model error.
    """

    case: str
    observation: Observation
    measured: float
    fitted: float
    z: float


@dataclass(frozen=True, kw_only=True)
class TiedMode:
    """A measured mode and the mode of the model that it was tied to.

    Parameters
    ----------
    case, mode : str
        Case and label of the measured mode.
    measured_hz, model_hz : float
        Frequencies [Hz].
    number : int
        Number of the model's mode, 1 for the lowest.
    loudness : float
        How strongly the model's mode shows at the sensor, loudest 1.
    """

    case: str
    mode: str
    measured_hz: float
    model_hz: float
    number: int
    loudness: float


@dataclass(frozen=True, kw_only=True)
class PredictedMode:
    """A mode of the machine with its uncertainty.

    Parameters
    ----------
    frequency_hz, damping_ratio : Estimate
        Undamped natural frequency [Hz] and ζ.
    loudness : float
        How strongly it shows at the camera, loudest 1.
    """

    frequency_hz: Estimate
    damping_ratio: Estimate
    loudness: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Prediction:
    """What the fitted machine will do in a case.

    Parameters
    ----------
    case : Case
        The case.
    values : tuple of Estimate
        One for each of its observations: what the model says, with the uncertainty of the parameters and of the model.
    modes : tuple of PredictedMode
        Modes that show at the camera, ascending in frequency.
    outside : tuple of str
        In what the case lies outside of what was fitted; the intervals do not cover that.
    notes : tuple of str
        What weakens the prediction.
    """

    case: Case
    values: tuple[Estimate, ...]
    modes: tuple[PredictedMode, ...]
    outside: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False, kw_only=True)
class MachineFit:
    """Parameters of a machine that explain its runs.

    Parameters
    ----------
    cases : tuple of Case
        The runs and push tests fitted.
    ranges : tuple of Parameter
        The parameters with their bounds.
    estimates : dict of Estimate
        Each parameter with its interval; one that the runs cannot tell keeps the width of its bounds.
    log_covariance : ndarray, shape (n, n)
        Covariance of the logarithms of the parameters, widened by χ²/dof where that is above 1.
    t_dof : float
        Degrees of freedom of the t factor of all intervals.
    residuals : tuple of Residual
        Every observation.
    chi2 : float
        Sum of z², priors included.
    dof : int
        Observations and priors less the directions that they tell.
    misfit : dict of float
        Per quantity: relative standard deviation by which model and runs differ beyond the uncertainties of the
        runs, at least the stated model error. Widens predictions.
    matches : tuple of TiedMode
        Which mode of the model each measured mode was tied to.
    anchors : dict
        Frequency [Hz] and signature of each label where it first occurs: which mode a prediction means by it.
    n_starts : int
        Starting points tried.
    converged : bool
        False when least squares stopped before its end; then nothing else is to be relied on.
    unidentified : tuple of str
        Which parameters or combinations the runs cannot tell, and what would.
    notes : tuple of str
        What else weakens the fit.
    """

    cases: tuple[Case, ...]
    ranges: tuple[Parameter, ...]
    estimates: dict[str, Estimate]
    log_covariance: np.ndarray
    t_dof: float
    residuals: tuple[Residual, ...]
    chi2: float
    dof: int
    misfit: dict[str, float]
    matches: tuple[TiedMode, ...]
    anchors: dict[str, tuple[float, np.ndarray]]
    n_starts: int
    converged: bool
    unidentified: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def chi2_per_dof(self) -> float:
        """χ²/dof, 1 when the stated uncertainties explain the residuals; nan without spare observations."""
        return self.chi2 / self.dof if self.dof > 0 else math.nan

    @property
    def level(self) -> float:
        """Coverage probability of the intervals."""
        return next(iter(self.estimates.values())).interval.level

    def parameters(self) -> dict[str, float]:
        """The best parameters, ready for `Case.build`."""
        return {name: estimate.value for name, estimate in self.estimates.items()}

    def sample(self, n: int, *, seed: int) -> list[dict[str, float]]:
        """Parameters drawn from their t-distribution (logarithms), within the bounds.

        Parameters
        ----------
        n : int
            How many.
        seed : int
            Of the random numbers.
        """
        check_number("n", n, at_least=1)
        rng = np.random.default_rng(seed)
        low, high = (np.log([getattr(p, end) for p in self.ranges]) for end in ("low", "high"))
        best = np.log([self.estimates[p.name].value for p in self.ranges])
        drawn = np.zeros((0, best.size))
        while len(drawn) < n:
            normal = rng.multivariate_normal(np.zeros(best.size), self.log_covariance, size=2 * n, method="svd")
            heavy = np.sqrt(rng.chisquare(self.t_dof, size=(2 * n, 1)) / self.t_dof)
            logs = best + normal / heavy
            drawn = np.vstack([drawn, logs[np.all((logs >= low) & (logs <= high), axis=1)]])
        return [{p.name: float(v) for p, v in zip(self.ranges, row)} for row in np.exp(drawn[:n])]

    def predict(self, case: Case, *, n_draws: int = 400, seed: int = 0) -> Prediction:
        """What the machine does in a case, with intervals from drawn parameters.

        Parameters
        ----------
        case : Case
            With observations whose values are unknown (`Estimate.unknown()`); those that have a value use it only to
            tie the measured modes.
        n_draws : int
            Parameters drawn; ends of intervals are good to some 10 % of their width with 400.
        seed : int
            Of the random numbers.
        """
        best = Look(case=case, machine=case.build(self.parameters()))
        tied = tie_modes(best, softness=_SOFT, anchors=self.anchors)
        shown = _shown(best)
        rows, lost = [], 0
        for numbers in self.sample(n_draws, seed=seed):
            try:
                look = Look(case=case, machine=case.build(numbers))
                rows.append(_row(look, tied=tied, shown=shown, before=best))
            except ValueError:  # no such machine: it tips over, or a mode is overdamped
                lost += 1
        if lost > 0.5 * n_draws:
            raise ValueError(f"most drawn parameters make no machine in case {case.name!r}; the runs tell too little")
        values = _row(best, tied=tied, shown=shown, before=best)
        found = self._with_spread(case, values, np.array(rows), np.random.default_rng(seed + 1))
        n = len(case.observations)
        return Prediction(
            case=case,
            values=tuple(found[:n]),
            modes=_predicted_modes(best, shown, found[n:]),
            outside=self.outside(case),
            notes=(f"{lost} of {n_draws} drawn parameters make no machine here and were left out",) if lost else (),
        )

    def outside(self, case: Case) -> tuple[str, ...]:
        """In what a case lies outside the range of the fitted ones.

        Parameters
        ----------
        case : Case
            The case.
        """
        best = self.parameters()
        fitted = [case_facts(each, each.build(best)) for each in self.cases]
        said = []
        for name, value in case_facts(case, case.build(best)).items():
            known = [facts[name] for facts in fitted if name in facts]
            if not known:
                said.append(f"no fitted case has a {name}; here it is {value:.4g}")
            elif not (1 - _SLACK) * min(known) <= value <= (1 + _SLACK) * max(known):
                said.append(f"{name} is {value:.4g}; the fitted cases have {min(known):.4g} to {max(known):.4g}")
        axes = {each.move_axis for each in self.cases}
        if case.move_axis and case.move_axis not in axes:
            said.append(f"no fitted case moves along {case.move_axis}")
        return tuple(said)

    def _with_spread(self, case: Case, best: np.ndarray, rows: np.ndarray, rng: np.random.Generator) -> list[Estimate]:
        """Estimates from the best values and drawn ones, with the misfit of the model on top."""
        misfit = [self.misfit.get(seen.quantity, 0.0) for seen in case.observations]
        extra = np.append(misfit, np.zeros(best.size - len(misfit)))
        modes = extra[len(misfit) :].reshape(2, -1)
        modes[0], modes[1] = self.misfit.get("frequency_hz", 0.0), self.misfit.get("damping_ratio", 0.0)
        spread = rows * np.exp(extra * rng.standard_normal(rows.shape))
        tail = 0.5 * (1.0 - self.level)
        ends = np.quantile(spread, [tail, 1.0 - tail], axis=0)
        return [
            Estimate(
                value=float(value),
                standard_error=float(sd),
                interval=Interval(low=float(min(low, value)), high=float(max(high, value)), level=self.level),
            )
            for value, sd, low, high in zip(best, spread.std(axis=0), *ends)
        ]


def case_facts(case: Case, machine) -> dict[str, float]:
    """What a prediction must not leave the range of: mass, move, panel.

    Parameters
    ----------
    case : Case
        The case.
    machine : Machine
        The machine in it.
    """
    facts = {"mass on the feet [kg]": machine.mass_kg}
    if case.profile is not None:
        top = np.abs(case.profile.acceleration_m_s2(_ends(case.profile.breaks_s))).max()
        facts |= {
            "head mass [kg]": machine.head.mass_kg,
            "greatest acceleration [m/s²]": float(top),
            "travel [m]": abs(float(case.profile.travel_m)),
        }
    if machine.panel is not None:
        sheet = machine.panel.panel
        facts |= {"panel thickness [m]": sheet.thickness_m, "panel mass [kg]": sheet.mass_kg}
    return facts


def _ends(breaks_s: np.ndarray) -> np.ndarray:
    """Times just inside both ends of every piece."""
    return np.concatenate([breaks_s[:-1], np.nextafter(breaks_s[1:], -np.inf)])


def _shown(look: Look) -> np.ndarray:
    loud = look.loudness(Observation(quantity="frequency_hz", value=Estimate.unknown(), mode="any"))
    order = np.argsort(-loud)[:_SHOWN]
    return np.sort(order[loud[order] >= _SHOWS])


def _row(look: Look, *, tied: Mapping[str, int], shown: np.ndarray, before: Look) -> np.ndarray:
    """Observations, then frequencies and damping ratios of the shown modes."""
    both = dict(tied) | {number: int(number) for number in shown}
    if look is not before:
        both = follow_modes(look, tied=both, before=before, near=_DRAWN)
    here = [both[number] for number in shown]
    return np.concatenate([case_values(look, both), look.frequencies_hz[here], look.damping_ratios[here]])


def _predicted_modes(look: Look, shown: np.ndarray, found: list[Estimate]) -> tuple[PredictedMode, ...]:
    loud = look.loudness(Observation(quantity="frequency_hz", value=Estimate.unknown(), mode="any"))
    pairs = zip(shown, found[: len(shown)], found[len(shown) :])
    return tuple(PredictedMode(frequency_hz=f, damping_ratio=z, loudness=float(loud[n])) for n, f, z in pairs)
