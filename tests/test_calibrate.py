"""Runs and push tests as cases, the usual parameters, and a machine found again from numbers it made."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from labkit.analyse.exposures import ExposureBlur
from labkit.analyse.stiffness import push_test
from labkit.base import Estimate
from labkit.decide.calibrate import (
    MODEL_ERRORS,
    calibrate,
    case_of_push,
    case_of_run,
    default_parameters,
)
from labkit.decide.left_out import without_case
from labkit.decide.machine_build import MachineBuild
from labkit.model.fit import Parameter, fit_machine
from labkit.model.fit_cases import Look, case_values, tie_modes
from labkit.runs.pushfile import read_push_file

SERIES = Path(__file__).parents[1] / "data" / "wren-series"
TRUTH = json.loads((SERIES / "truth.json").read_text(encoding="utf-8"))
PIXEL_M = TRUTH["object_pixel_m"]


def true_parameters():
    names = [f"foot_{what}" for what in ("stiffness_x_n_per_m", "stiffness_z_n_per_m", "loss_factor")]
    names += [f"{part}_{what}" for part in ("support", "head_mount") for what in ("stiffness_n_per_m", "loss_factor")]
    sheets = {
        f"{what} of {name}": sheet[what]
        for name, sheet in TRUTH["sheets"].items()
        for what in ("young_modulus_pa", "loss_factor")
    }
    return {name: TRUTH[name] for name in names} | sheets


def blur(value=0.8, error=0.01, **changes):
    sigma = Estimate.from_standard_error(value, error, dof=math.inf)
    made = {"name": "a.png", "move": 1, "wait_s": 0.04, "exposure_s": 0.016, "sigma_px": sigma, "trusted": True}
    return ExposureBlur(**(made | changes))


@pytest.fixture(scope="module")
def first(analysed):
    return analysed("wren-series/01-as-built")


# ------------------------------------------------------------------------------------------------------ cases
def test_modes_of_a_run_become_observations(first):
    case = case_of_run(first)
    assert case.move_axis == "x" and float(case.profile.travel_m) == pytest.approx(0.12)
    found = {(o.quantity, o.mode, o.axis): o for o in case.observations}
    labels = [o.mode for o in case.modes]
    assert len(labels) == len(first.modes) and len(set(labels)) == len(labels)
    sway = found["residual_amplitude_m", labels[0], "x"].value
    mode = next(iter(first.axes)).fit.modes[0]
    each = np.abs(mode.amplitudes) / (2 * np.pi * mode.frequency_hz.value) ** 2
    assert sway.value == pytest.approx(each.mean(), rel=0.01)
    assert sway.standard_error >= 0.02 * sway.value  # a sensor set up by eye
    assert ("residual_amplitude_m", labels[0], "y") not in found  # cross-talk, not motion
    assert not any(o.quantity == "settling_s" for o in case.observations)


def test_settling_only_when_asked(first):
    case = case_of_run(first, settling=True)
    settled = {o.axis: o for o in case.observations if o.quantity == "settling_s"}
    assert settled["x"].value.value == pytest.approx(first.axis("ax").settling.mean_s.value)
    assert settled["x"].tolerance_m == pytest.approx(first.tolerance_m)


def test_faint_modes_are_left_out(first):
    amplitudes = [
        max(np.mean(np.abs(a.fit.modes[k].amplitudes)) / abs(a.fit.poles_rad_s[k]) ** 2 for a in first.axes)
        for k in range(len(first.modes))
    ]
    share = sorted(amplitudes)[0] / max(amplitudes)
    assert len(case_of_run(first, least_share=1.01 * share).modes) == len(first.modes) - 1
    assert len(case_of_run(first, least_share=0.99 * share).modes) == len(first.modes)


def test_blur_of_an_exposure_is_seen_in_the_picture(first):
    case = case_of_run(first, blurs=[blur(), blur(0.0, 0.03)])
    clear, none = [o for o in case.observations if o.quantity == "blur_m"]
    assert (clear.seen_by, clear.axis, clear.wait_s, clear.exposure_s) == ("picture", "x", 0.04, 0.016)
    assert clear.value.value == pytest.approx(0.8 * PIXEL_M)
    each = np.abs(first.axes[0].fit.modes[0].amplitudes)
    scatter = each.std(ddof=1) / each.mean()
    assert clear.value.standard_error == pytest.approx(PIXEL_M * math.hypot(0.01, 0.8 * scatter), rel=1e-6)
    assert none.value.value == 0.0 and none.value.standard_error == pytest.approx(PIXEL_M * 0.03, rel=1e-3)


def test_scatter_of_the_moves_must_be_known(first):
    sideways = replace(first, axes=tuple(axis for axis in first.axes if axis.channel != "ax"))
    with pytest.raises(ValueError, match=r"does not tell how much its moves scatter.*move_scatter="):
        case_of_run(sideways, blurs=[blur()])
    seen = case_of_run(sideways, blurs=[blur()], move_scatter=0.05).observations[-1]
    assert seen.value.standard_error == pytest.approx(PIXEL_M * math.hypot(0.01, 0.8 * 0.05))


def test_blur_that_questions_itself_is_left_out(first):
    case = case_of_run(first, blurs=[blur(trusted=False), blur(0.3)])
    assert [o.value.value for o in case.observations if o.quantity == "blur_m"] == pytest.approx([0.3 * PIXEL_M])


def test_what_is_missing_is_named(first):
    with pytest.raises(ValueError, match="no analysed moves"):
        case_of_run(replace(first, axes=()))
    unknown = blur(sigma_px=Estimate.unknown(0.3))
    with pytest.raises(ValueError, match=r"blur of a\.png has no known interval"):
        case_of_run(first, blurs=[unknown])
    blind = replace(first, facts=replace(first.facts, camera=replace(first.facts.camera, pixel_m=math.nan)))
    with pytest.raises((ValueError, TypeError), match=r"object pixel.*pixel_um and magnification"):
        case_of_run(blind, blurs=[blur()])
    still = replace(first, facts=replace(first.facts, move=replace(first.facts.move, axis="")))
    with pytest.raises(ValueError, match=r"axis of the move.*run\.toml"):
        case_of_run(still)
    odd = replace(first, axes=tuple(replace(a, channel=f"ch{k}") for k, a in enumerate(first.axes)))
    with pytest.raises(ValueError, match="say which axis each is"):
        case_of_run(odd)
    named = case_of_run(odd, channels={"x": "ch0", "z": "ch2"})
    assert {o.axis for o in named.observations if o.quantity == "residual_amplitude_m"} == {"x", "z"}


def test_push_becomes_a_case(first):
    push = read_push_file(SERIES / "push-hardboard-3-mm.csv")
    test = push_test(push.load_n, push.reading_m, preload_n=0.0, force_sd_n=0.0, reading_sd_m=1e-6, reading_step_m=1e-6)
    case = case_of_push(test, first.facts, name="push", relative_to="frame")
    (seen,) = case.observations
    assert seen.quantity == "stiffness_n_per_m" and case.profile is None
    half = test.stiffness_n_per_m.interval.half_width / 1.959964
    assert seen.value.standard_error == pytest.approx(half, rel=1e-5)  # few repeats: wider than their scatter
    foretold = case_values(Look(case=case, machine=case.build(true_parameters())), {})[0]
    assert test.stiffness_n_per_m.interval.contains(foretold)
    once = push_test(
        push.load_n[:6], push.reading_m[:6], preload_n=0.0, force_sd_n=0.0, reading_sd_m=0.0, reading_step_m=0.0
    )
    unsure = replace(once, stiffness_n_per_m=Estimate.unknown(3e3))
    with pytest.raises(ValueError, match="no known interval; push again"):
        case_of_push(unsure, first.facts, name="push", relative_to="frame")


def test_build_remembers_and_passes_over_what_is_not_its_own(first):
    build, parameters = MachineBuild(facts=first.facts), true_parameters()
    machine = build(parameters)
    assert build(parameters | {"young_modulus_pa of mild steel": 1e11}) is machine
    assert build(parameters | {"foot_loss_factor": 0.2}) is not machine


# ------------------------------------------------------------------------------------------------- parameters
def test_default_parameters_hold_the_truth(first):
    cases = [case_of_run(first)]
    plain = {p.name: p for p in default_parameters(cases, giving=())}
    assert set(plain) == {
        "foot_stiffness_x_n_per_m",
        "foot_stiffness_z_n_per_m",
        "foot_loss_factor",
        "young_modulus_pa of hardboard",
        "loss_factor of hardboard",
    }
    given = {p.name: p for p in default_parameters(cases, giving=("head_mount", "support"))}
    truth = true_parameters()
    assert all(p.low < truth[name] < p.high for name, p in given.items())
    assert len(given) == len(plain) + 4
    with pytest.raises(ValueError, match="giving is 'belt'"):
        default_parameters(cases, giving=("belt",))


def test_parameters_must_be_stated_for_a_build_of_ones_own(first):
    case = case_of_run(first, build=lambda p: MachineBuild(facts=first.facts)(true_parameters() | p))
    with pytest.raises(ValueError, match="build of its own; state parameters="):
        default_parameters([case])


# -------------------------------------------------------------------------------------------------------- fit
@pytest.fixture(scope="module")
def wanted():
    truth = true_parameters()
    names = ["foot_stiffness_x_n_per_m", "foot_stiffness_z_n_per_m"]
    return {name: truth[name] for name in [*names, "young_modulus_pa of hardboard", "young_modulus_pa of mild steel"]}


@pytest.fixture(scope="module")
def found_again(analysed, wanted):
    """A fit to modes, amplitudes and blur made by a known machine, with noise, at two masses and two sheets."""
    rng = np.random.default_rng(5)
    fixed = {name: value for name, value in true_parameters().items() if name not in wanted}
    cases = []
    for name in ("01-as-built", "03-ballast-12-kg", "08-steel-3-mm"):
        analysis = analysed(f"wren-series/{name}")
        inner = MachineBuild(facts=analysis.facts)

        def build(p, inner=inner):
            return inner(fixed | dict(p))

        waits = [blur(0.5, 0.02, name=str(w), wait_s=w) for w in (0.02, 0.06, 0.12)]
        case = case_of_run(analysis, blurs=waits, build=build)
        cases.append(made_by(case, build(wanted), rng))
    parameters = [Parameter(name=name, low=value / 6, high=value * 5) for name, value in wanted.items()]
    return calibrate(cases, parameters=parameters, n_starts=8, model_error=dict.fromkeys(MODEL_ERRORS, 1e-3))


def test_machine_is_found_again_from_what_it_does(found_again, wanted):
    assert found_again.converged and 0.3 < found_again.chi2_per_dof < 2.0
    for name, value in wanted.items():
        estimate = found_again.estimates[name]
        assert abs(math.log(estimate.value / value)) < 3.0 * estimate.standard_error / value, name
        assert estimate.interval.half_width < 0.02 * value, name


def test_one_step_without_a_run_agrees_with_a_new_fit(found_again):
    """Case deletion by one Gauss–Newton step against the fit made again without the run."""
    left_out = found_again.cases[1]
    step = without_case(found_again, left_out)
    assert [case.name for case in step.cases] == ["01-as-built", "08-steel-3-mm"]
    others = [case for case in found_again.cases if case is not left_out]
    bounds = [
        replace(p, low=value / 1.1, high=value * 1.1)
        for p, value in zip(found_again.ranges, found_again.parameters().values())
    ]
    again = fit_machine(others, bounds, model_error=dict.fromkeys(MODEL_ERRORS, 1e-3), n_starts=2)
    moved = 0.0
    for name, one in step.estimates.items():
        new, old = again.estimates[name], found_again.estimates[name]
        error = new.standard_error / new.value
        assert abs(math.log(one.value / new.value)) < 0.2 * error, name
        assert one.standard_error / one.value == pytest.approx(error, rel=0.25), name
        moved = max(moved, abs(math.log(new.value / old.value)) / error)
    assert moved > 0.4  # leaving the run out does something


def made_by(case, machine, rng):
    """The case with what `machine` does in it, 0.2 % noise on frequencies and 2 % on the rest."""
    look = Look(case=case, machine=machine)
    tied = tie_modes(look, softness=0.03)
    seen = []
    for one, value in zip(case.observations, case_values(look, tied)):
        share = 2e-3 if one.quantity == "frequency_hz" else 2e-2
        noisy = value * (1 + share * rng.standard_normal())
        seen.append(replace(one, value=Estimate.from_standard_error(noisy, share * value, dof=math.inf)))
    return replace(case, observations=tuple(seen))
