"""From analysed runs and push tests to a fitted machine: what was measured becomes cases, the usual bounds are set.

A sensor sees the camera move; the picture sees what the head holds move against the line of sight. The fit gets both,
each with its own uncertainty, and an error of the model itself (`MODEL_ERRORS`), since no machine is quite as its
model. Settling times follow from the same modes and amplitudes, so they are left out unless asked for: they would count
the same measurement twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy import special, stats

from labkit.analyse.displacement import integrations
from labkit.analyse.exposures import ExposureBlur
from labkit.analyse.one_axis import AxisAnalysis
from labkit.analyse.one_run import RunAnalysis
from labkit.analyse.stiffness import PushTest
from labkit.base import Estimate, check_choice, check_number
from labkit.decide.machine_build import MachineBuild
from labkit.model.fit import Case, MachineFit, Observation, Parameter, fit_machine
from labkit.model.machine import Machine
from labkit.model.materials import material
from labkit.model.move import declared_profile
from labkit.runs.facts import RunFacts

__all__ = [
    "MODEL_ERRORS",
    "calibrate",
    "case_of_push",
    "case_of_run",
    "case_to_foretell",
    "default_parameters",
]

#: Relative standard uncertainty of the model itself (judgement): parts left out, clearances, one pose of the head.
MODEL_ERRORS = {
    "frequency_hz": 0.005,
    "damping_ratio": 0.05,
    "residual_amplitude_m": 0.10,
    "settling_s": 0.05,
    "blur_m": 0.10,
    "stiffness_n_per_m": 0.02,
}
_CROSS_AXIS = 0.02  # share of a mode's largest axis that the other axes may take over: a sensor set up by eye
_LEAST_OF_MODE = 0.25  # of its largest axis: below it noise and neighbouring modes make up much of an amplitude
_SHOWN = 4.0  # standard uncertainties from which an amplitude is used
_BOUNDS = {
    "foot_stiffness_x_n_per_m": (0.5, 20.0),  # times that of a machine that sways without rocking
    "foot_stiffness_z_n_per_m": (0.5, 200.0),
    "foot_loss_factor": (0.005, 0.8),
    "support_stiffness_n_per_m": (1e5, 1e9),
    "support_loss_factor": (0.005, 0.8),
    "panel_foot_stiffness_n_per_m": (1e3, 1e8),
    "panel_foot_loss_factor": (0.005, 0.8),
    "head_mount_stiffness_n_per_m": (1e4, 1e8),
    "head_mount_loss_factor": (0.005, 0.8),
}
_GIVING = ("head_mount", "support")  # parts that are rigid unless named
_SHEET_WIDTH = 2.0  # modulus: beyond both ends of the table's interval by this factor
_SHEET_LOSS = (0.001, 0.3)  # joints included
_LAST_STARTS = 2
_CHANCE = 0.01  # χ² less likely than this by chance does not explain the runs
_REACH, _LEAST_REACH = 8.0, 0.02  # standard errors and ln(ratio) by which the second fit may leave the first


# ------------------------------------------------------------------------------------------------------ cases
def case_of_run(
    analysis: RunAnalysis,
    *,
    blurs: Sequence[ExposureBlur] = (),
    channels: Mapping[str, str] | None = None,
    build: Callable[[Mapping[str, float]], Machine] | None = None,
    move_scatter: float = math.nan,
    settling: bool = False,
    least_share: float = 1e-3,
) -> Case:
    """What a run tells about the machine.

    Parameters
    ----------
    analysis : RunAnalysis
        The analysed run; its facts must hold layout and move.
    blurs : sequence of ExposureBlur
        Exposures after its moves, along the axis of the move; those that the measurement itself does not trust are left
        out.
    channels : mapping, optional
        Channel for each axis of the machine, ``{"x": "ax"}``; by default the one whose name ends in x, y or z.
    build : callable, optional
        Makes the machine from parameters; by default from the facts (`MachineBuild`).
    move_scatter : float
        Relative standard deviation of blur from move to move; nan takes that of the strongest amplitude along the axis
        of the move.
    settling : bool
        True takes settling times along; they follow from the same modes and amplitudes.
    least_share : float
        Modes that move the camera by less than this share of the strongest one are left out: they blur nothing, and
        may belong to parts that the model does not have.

    Notes
    -----
    An amplitude is the mean over the moves. Its uncertainty: their scatter over √n, the noise of a single one (it only
    adds to a modulus), and 2 % of the mode's largest axis for a sensor not quite in line. It is used where it stands
    out of that and makes up a quarter of the mode's largest axis. A blur belongs to one move, so the scatter from move
    to move is added to its uncertainty.
    """
    move = analysis.facts.move
    check_choice("axis of the move", move.axis, ("x", "y", "z"), cure="write axis into [move] of run.toml")
    if not analysis.axes:
        raise ValueError(f"run {analysis.name!r} has no analysed moves; it tells nothing about what a move does")
    along = _along(analysis, channels)
    blurs = [one for one in blurs if one.trusted]
    if blurs and math.isnan(move_scatter):
        move_scatter = _move_scatter(along.get(move.axis), name=analysis.name)
    sizes = [max(_amplitude_m(one, k).value for one in along.values()) for k in range(len(analysis.modes))]
    shown = [k for k, size in enumerate(sizes) if size >= least_share * max(sizes)]
    observations = [seen for k in shown for seen in _of_mode(analysis, k, along)]
    if settling:
        observations += _settling(analysis, along)
    pixel_m = _object_pixel_m(analysis.facts) if blurs else math.nan
    observations += [_blur(one, axis=move.axis, pixel_m=pixel_m, scatter=move_scatter) for one in blurs]
    return Case(
        name=analysis.name,
        build=build or MachineBuild(facts=analysis.facts),
        profile=declared_profile(move),
        move_axis=move.axis,
        observations=tuple(observations),
    )


def case_of_push(
    test: PushTest,
    facts: RunFacts,
    *,
    name: str,
    relative_to: str,
    axis: str = "z",
    build: Callable[[Mapping[str, float]], Machine] | None = None,
) -> Case:
    """What a push on the camera tells about the machine.

    Parameters
    ----------
    test : PushTest
        The push, its stiffness with a known interval.
    facts : RunFacts
        The machine as it stood, for example that of a run with the same panel.
    name : str
        What to call it.
    relative_to : str
        What carried the gauge: "frame" or "bench".
    axis : str
        Direction of the push.
    build : callable, optional
        As in `case_of_run`.
    """
    k = test.stiffness_n_per_m
    if not (k.interval.known and math.isfinite(k.standard_error)):
        raise ValueError(
            f"the stiffness of {name!r} has no known interval; push again, at least four times up and down"
        )
    seen = Observation(
        quantity="stiffness_n_per_m", value=_as_normal(k), axis=axis, relative_to=relative_to, mode="", seen_by="camera"
    )
    return Case(name=name, build=build or MachineBuild(facts=facts), profile=None, move_axis="", observations=(seen,))


def case_to_foretell(facts: RunFacts, *, name: str, exposures: Sequence[tuple[float, float]]) -> Case:
    """A run that is not made yet, or not looked at: its blur is asked for.

    Parameters
    ----------
    facts : RunFacts
        The machine and the move, as they will stand in run.toml.
    name : str
        What to call it.
    exposures : sequence of (float, float)
        Wait from the end of the move, and exposure time, of each exposure [s].
    """
    move = facts.move
    asked = [
        Observation(
            quantity="blur_m",
            value=Estimate.unknown(),
            axis=move.axis,
            seen_by="picture",
            wait_s=wait,
            exposure_s=time,
        )
        for wait, time in exposures
    ]
    return Case(
        name=name,
        build=MachineBuild(facts=facts),
        profile=declared_profile(move),
        move_axis=move.axis,
        observations=tuple(asked),
    )


def _as_normal(estimate: Estimate) -> Estimate:
    """The standard error that belongs to the interval: few repeats make it wide for its scatter."""
    error = estimate.interval.half_width / special.ndtri(0.5 + estimate.interval.level / 2)
    return replace(estimate, standard_error=float(error))


def _along(analysis: RunAnalysis, channels: Mapping[str, str] | None) -> dict[str, AxisAnalysis]:
    """Analysis of the channel along each axis of the machine."""
    if channels is None:
        channels = {axis.channel[-1].lower(): axis.channel for axis in analysis.axes}
        if analysis.axes and not set(channels) <= set("xyz"):
            names = ", ".join(axis.channel for axis in analysis.axes)
            raise ValueError(f'run {analysis.name!r} has channels {names}; say which axis each is: channels={{"x": …}}')
    for axis in channels:
        check_choice("axis in channels", axis, ("x", "y", "z"))
    return {axis: analysis.axis(channel) for axis, channel in channels.items()}


def _of_mode(analysis: RunAnalysis, number: int, along: Mapping[str, AxisAnalysis]) -> list[Observation]:
    """Frequency, damping and amplitudes of one measured mode; nothing when its frequency is not known."""
    mode = analysis.modes[number]
    label = f"{mode.frequency_hz.value:.1f} Hz"
    amplitudes = {axis: _amplitude_m(one, number) for axis, one in along.items()}
    largest = max((a.value for a in amplitudes.values()), default=math.nan)
    strongest = max(amplitudes, key=lambda axis: amplitudes[axis].value, default="")
    found = []
    if _is_known(mode.frequency_hz):
        found.append(Observation(quantity="frequency_hz", value=mode.frequency_hz, mode=label, axis=strongest))
        if _is_known(mode.damping_ratio) and mode.damping_ratio.value > 0:
            found.append(Observation(quantity="damping_ratio", value=mode.damping_ratio, mode=label))
        for axis, amplitude in amplitudes.items():
            error = math.hypot(amplitude.standard_error, _CROSS_AXIS * largest)
            if amplitude.value > max(_SHOWN * error, _LEAST_OF_MODE * largest):  # also False for nan
                value = Estimate.from_standard_error(amplitude.value, error, dof=math.inf)
                found.append(Observation(quantity="residual_amplitude_m", value=value, mode=label, axis=axis))
    return found


def _is_known(estimate: Estimate) -> bool:
    return math.isfinite(estimate.value) and estimate.interval.known and estimate.standard_error > 0


def _each_amplitude_m(axis: AxisAnalysis, number: int) -> np.ndarray:
    """Displacement amplitude of a mode at the end of each move [m]."""
    order = integrations(axis.fit.unit)
    return np.abs(axis.fit.modes[number].amplitudes) / abs(axis.fit.poles_rad_s[number]) ** order


def _amplitude_m(axis: AxisAnalysis, number: int) -> Estimate:
    each, mode = _each_amplitude_m(axis, number), axis.fit.modes[number]
    if each.size < 2:
        return Estimate.unknown(float(each.mean()))
    noise = mode.amplitude_sd / abs(axis.fit.poles_rad_s[number]) ** integrations(axis.fit.unit)
    error = math.hypot(float(each.std(ddof=1)) / math.sqrt(each.size), noise)
    return Estimate.from_standard_error(float(each.mean()), error, dof=each.size - 1)


def _move_scatter(axis: AxisAnalysis | None, *, name: str) -> float:
    """Relative standard deviation from move to move of the strongest amplitude along an axis."""
    if axis is None or not axis.fit.modes or axis.fit.modes[0].amplitudes.size < 2:
        raise ValueError(
            f"run {name!r} does not tell how much its moves scatter along their axis (one move, or no log of that "
            "axis); state move_scatter=, for example that of a like run"
        )
    each = max((_each_amplitude_m(axis, k) for k in range(len(axis.fit.modes))), key=np.mean)
    return float(each.std(ddof=1) / each.mean())


def _settling(analysis: RunAnalysis, along: Mapping[str, AxisAnalysis]) -> list[Observation]:
    known = {axis: one.settling.mean_s for axis, one in along.items() if one.settling is not None}
    return [
        Observation(quantity="settling_s", value=value, axis=axis, tolerance_m=analysis.tolerance_m)
        for axis, value in known.items()
        if _is_known(value) and value.value > 0
    ]


def _object_pixel_m(facts: RunFacts) -> float:
    return check_number(
        "object pixel",
        facts.camera.object_pixel_m,
        above=0.0,
        cure="give pixel_um and magnification in [camera] of run.toml",
    )


def _blur(one: ExposureBlur, *, axis: str, pixel_m: float, scatter: float) -> Observation:
    sigma = one.sigma_px
    if not sigma.interval.known:
        raise ValueError(f"the blur of {one.name} has no known interval; leave this frame out")
    quantile = special.ndtri(0.5 + sigma.interval.level / 2)
    reach = sigma.interval.high - sigma.value if sigma.interval.low <= 0 else sigma.interval.half_width
    error = math.hypot(reach / quantile, scatter * sigma.value)
    return Observation(
        quantity="blur_m",
        value=Estimate.from_standard_error(pixel_m * sigma.value, pixel_m * error, dof=math.inf),
        axis=axis,
        seen_by="picture",
        wait_s=one.wait_s,
        exposure_s=one.exposure_s,
    )


# -------------------------------------------------------------------------------------------------------- fit
def default_parameters(cases: Sequence[Case], *, giving: Sequence[str] = ("head_mount",)) -> tuple[Parameter, ...]:
    """What a series of runs is usually fitted for, with wide bounds.

    Parameters
    ----------
    cases : sequence of Case
        Made by `case_of_run` and `case_of_push` with their own build.
    giving : sequence of str
        Parts that may give way, otherwise rigid: "head_mount" (what carries the head), "support" (what lies under the
        panel where it stands on the frame).

    Notes
    -----
    Stiffness of each foot along x (y takes it too) and z, within wide multiples of what the slowest mode would need if
    it were a sway without rocking; loss factor of the feet; Young's modulus and loss factor of each sheet that occurs;
    stiffness and loss factor of the parts that give, and of the panel's feet on the bench where there are any.
    """
    facts = [_facts_of(case) for case in cases]
    names = ["foot_stiffness_x_n_per_m", "foot_stiffness_z_n_per_m", "foot_loss_factor"]
    parts = [check_choice("giving", part, _GIVING) for part in giving]
    if any(one.layout.panel_feet_m for one in facts):
        parts.append("panel_foot")
    names += [f"{part}_{what}" for part in parts for what in ("stiffness_n_per_m", "loss_factor")]
    sway = _sway_stiffness_n_per_m(cases)
    found = []
    for name in names:
        unit = sway if name.startswith("foot_stiffness") else 1.0
        found.append(Parameter(name=name, low=unit * _BOUNDS[name][0], high=unit * _BOUNDS[name][1]))
    for sheet in dict.fromkeys(one.panel.material for one in facts):
        modulus = material(sheet).young_modulus_pa.interval
        low, high = modulus.low / _SHEET_WIDTH, modulus.high * _SHEET_WIDTH
        found.append(Parameter(name=f"young_modulus_pa of {sheet}", low=low, high=high))
        found.append(Parameter(name=f"loss_factor of {sheet}", low=_SHEET_LOSS[0], high=_SHEET_LOSS[1]))
    return tuple(found)


def _sway_stiffness_n_per_m(cases: Sequence[Case]) -> float:
    """Stiffness of a foot along x if the slowest measured mode were a sway without rocking, M·(2πf)² over the feet."""
    found = []
    for case in cases:
        facts = _facts_of(case)
        if case.modes:
            mass = facts.frame_mass_kg + facts.head_mass_kg
            slowest = min(seen.value.value for seen in case.modes)
            found.append(mass * (2 * math.pi * slowest) ** 2 / max(1, len(facts.layout.feet_m)))
    if not found:
        raise ValueError("no case has a measured mode; a push alone does not tell the feet: state parameters=")
    return float(np.median(found))


def _facts_of(case: Case) -> RunFacts:
    if not isinstance(case.build, MachineBuild):
        raise ValueError(f"case {case.name!r} has a build of its own; state parameters= for the fit as well")
    return case.build.facts


def calibrate(
    cases: Sequence[Case],
    *,
    parameters: Sequence[Parameter] | None = None,
    giving: Sequence[str] = ("head_mount",),
    model_error: Mapping[str, float] = MODEL_ERRORS,
    n_starts: int = 64,
    seed: int = 0,
    level: float = 0.95,
) -> MachineFit:
    """Fit feet, sheets and damping to a series of runs and push tests.

    Parameters
    ----------
    cases : sequence of Case
        Runs and pushes, see `case_of_run` and `case_of_push`.
    parameters : sequence of Parameter, optional
        What to find, within which bounds; by default `default_parameters`.
    giving : sequence of str
        As in `default_parameters`.
    model_error : mapping
        Relative standard uncertainty of the model by quantity.
    n_starts, seed, level
        As in `fit_machine`.

    Notes
    -----
    Modes of one run with each sheet and the pushes are fitted first, from starts over the whole range; then everything,
    within 8 standard errors of that (never beyond the bounds). Where that does not explain the runs, the same again
    with the modes of all runs first, and the better fit is kept. Blur goes up and down with the frequencies and would
    lead starts astray; the second range as a weak prior narrows an interval by at most 3 %.
    """
    chosen = default_parameters(cases, giving=giving) if parameters is None else tuple(parameters)
    options = {"model_error": model_error, "seed": seed, "level": level}
    found = []
    for first in (_telling(cases), cases):
        rough = fit_machine([_without_blur(case) for case in first], chosen, n_starts=n_starts, **options)
        found.append(fit_machine(cases, _narrowed(chosen, rough), n_starts=_LAST_STARTS, **options))
        if found[-1].dof == 0 or stats.chi2.sf(found[-1].chi2, found[-1].dof) >= _CHANCE:
            break
    return min(found, key=lambda fit: fit.chi2)


def _telling(cases: Sequence[Case]) -> list[Case]:
    """Of the runs with one sheet the one with the most modes, and all pushes: enough to find the right valley."""
    best: dict[object, Case] = {}
    for case in cases:
        kind = case.build.facts.panel.material if isinstance(case.build, MachineBuild) and case.profile else case.name
        if kind not in best or len(case.modes) > len(best[kind].modes):
            best[kind] = case
    return list(best.values())


def _without_blur(case: Case) -> Case:
    kept = [seen for seen in case.observations if seen.quantity not in ("blur_m", "settling_s")]
    return replace(case, observations=tuple(kept))


def _narrowed(parameters: Sequence[Parameter], fit: MachineFit) -> list[Parameter]:
    """Bounds about a first fit."""
    found = []
    for parameter in parameters:
        one = fit.estimates[parameter.name]
        reach = max(_REACH * one.standard_error / one.value, _LEAST_REACH)
        low, high = one.value * math.exp(-reach), one.value * math.exp(reach)
        found.append(replace(parameter, low=max(low, parameter.low), high=min(high, parameter.high)))
    return found
