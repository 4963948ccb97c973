"""The fit of a machine: ties, uncertainties, what the runs cannot tell, predictions; what is refused."""

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.base import Estimate, Interval
from labkit.model import _fit_solve
from labkit.model.fit import Case, Observation, Parameter, fit_machine, leave_one_out, next_run
from labkit.model.fit_cases import Look, case_values, follow_modes, tie_modes
from labkit.model.identify import told_directions, unidentified_words
from labkit.model.machine import Machine
from labkit.model.machine_parts import Camera, Foot, Frame, Head, PanelMount
from labkit.model.materials import material
from labkit.model.move import move_profile
from labkit.model.panel import Panel
from labkit.model.panel_parts import Edges, PointMass, PointSupport
from labkit.model.ringing import ringing, settling_s

MOVE = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=4.0, jerk_m_s3=400.0)
CORNERS = [(x, y) for x in (-0.2, 0.22) for y in (-0.15, 0.14)]
TRUTH = {"side_n_per_m": 6e4, "up_n_per_m": 2e5, "foot_loss_factor": 0.1}
SIDE = Parameter(name="side_n_per_m", low=1e4, high=5e5)
UP = Parameter(name="up_n_per_m", low=3e4, high=1.5e6)
LOSS = Parameter(name="foot_loss_factor", low=0.02, high=0.5)


def machine(p, *, added_kg=0.0, panel=None, head_kg=0.8, corners=CORNERS):
    feet = [
        Foot(
            x_m=x,
            y_m=y,
            stiffness_x_n_per_m=p["side_n_per_m"],
            stiffness_y_n_per_m=p["side_n_per_m"],
            stiffness_z_n_per_m=p["up_n_per_m"],
            loss_factor=p.get("foot_loss_factor", 0.1),
        )
        for x, y in corners
    ]
    return Machine(
        frame=Frame(mass_kg=9.0 + added_kg, centre_m=(0.01, -0.02, 0.14), inertia_kg_m2=(0.25, 0.35, 0.40)),
        feet=feet,
        head=Head(mass_kg=head_kg, at_m=(0.05, 0.02, 0.25), mount=None),
        camera=Camera(at_m=(0.01, 0.03, 0.05), sight_m=0.08, target="bench"),
        panel=panel,
    )


def builder(**kwargs):
    return lambda p: machine(p, **kwargs)


def estimate(value, share):
    return Estimate.from_standard_error(value, share * value, dof=math.inf)


def ask(quantity, **facts):
    return Observation(quantity=quantity, value=Estimate.unknown(), **facts)


def run(added_kg, *, modes=(1, 5), dampings=True, rng=None, shares=(0.002, 0.04), off=1.0, more=(), truth=TRUTH):
    """A run with noisy frequencies (times `off`) and damping ratios of some modes, and `more` that is asked for."""
    build = builder(added_kg=added_kg)
    asked = [ask("frequency_hz", mode=str(n)) for n in modes]
    asked += [ask("damping_ratio", mode=str(n)) for n in modes] if dampings else []
    case = Case(name=f"+{added_kg:g} kg", build=build, profile=MOVE, move_axis="x", observations=(*asked, *more))
    values = case_values(Look(case=case, machine=build(truth)), {str(n): n for n in modes})
    seen = []
    for each, value in zip(case.observations, values):
        share = shares[0] if each.quantity == "frequency_hz" else shares[1]
        noisy = value * (1.0 if rng is None else 1.0 + share * rng.standard_normal())
        noisy *= off if each.quantity == "frequency_hz" else 1.0
        seen.append(replace(each, value=estimate(noisy, share)))
    return replace(case, observations=tuple(seen))


def three_runs(seed=1, **kwargs):
    rng = np.random.default_rng(seed)
    return [run(kg, rng=rng, **kwargs) for kg in (0.0, 3.0, 6.0)]


@pytest.fixture(scope="module")
def fit():
    return fit_machine(three_runs(), [SIDE, UP, LOSS], n_starts=16)


# --------------------------------------------------------------------------------------------- a push on the camera
def hardboard(stiffness=1e6):
    supports = [
        PointSupport(x_m=x, y_m=y, stiffness_n_per_m=stiffness, loss_factor=0.05)
        for x in (0.02, 0.4)
        for y in (0.02, 0.28)
    ]
    panel = Panel(
        length_m=0.42,
        width_m=0.30,
        thickness_m=0.004,
        material=material("hardboard"),
        edges=Edges(),
        supports=supports,
        masses=[PointMass(x_m=0.22, y_m=0.18, mass_kg=0.3)],
        holes=None,
    )
    return PanelMount(panel=panel, corner_m=(-0.21, -0.15, 0.05), on_bench=(), n_modes=6)


def test_a_push_on_the_panel_relative_to_the_frame_is_the_panel_alone():
    """Also with few panel modes: those left out follow by their residual flexibility."""
    mount = hardboard()
    built = replace(machine(TRUTH, panel=mount), gravity_m_s2=0.0)
    alone = mount.panel.compliance_m_per_n((0.22, 0.18))
    assert built.camera_compliance_m_per_n("z", relative_to="frame") == pytest.approx(alone, rel=1e-6)
    rigid = replace(built, panel=None).camera_compliance_m_per_n("z", relative_to="bench")
    assert built.camera_compliance_m_per_n("z", relative_to="bench") == pytest.approx(alone + rigid, rel=1e-9)


def test_a_push_on_a_rigid_machine_moves_it_on_its_feet_only():
    built = machine(TRUTH, panel=None)
    assert built.camera_compliance_m_per_n("x", relative_to="frame") == pytest.approx(0.0, abs=1e-15)
    even = replace(built, feet=[replace(f, x_m=0.2 * np.sign(f.x_m), y_m=0.1 * np.sign(f.y_m)) for f in built.feet])
    under = replace(even, camera=replace(even.camera, at_m=(0.0, 0.0, 0.05)), gravity_m_s2=0.0)
    assert under.camera_compliance_m_per_n("z", relative_to="bench") == pytest.approx(1 / 8e5, rel=1e-9)
    push = Case(name="p", build=builder(), profile=None, move_axis="", observations=[
        Observation(quantity="stiffness_n_per_m", value=estimate(1e5, 0.02), axis="x", relative_to="frame")
    ])  # fmt: skip
    with pytest.raises(ValueError, match="nothing gives along x between camera and frame"):
        fit_machine([push], [SIDE, UP], n_starts=4)


# --------------------------------------------------------------------------------------------------------- ties
def test_the_order_of_the_measured_modes_does_not_matter(fit):
    shuffled = [replace(case, observations=case.observations[::-1]) for case in three_runs()]
    other = fit_machine(shuffled, [SIDE, UP, LOSS], n_starts=16)
    for name, found in fit.estimates.items():
        assert other.estimates[name].value == pytest.approx(found.value, rel=1e-5)
    assert {(m.case, m.mode, m.number) for m in fit.matches} == {(m.case, m.mode, m.number) for m in other.matches}
    assert all(int(m.mode) + 1 == m.number for m in fit.matches)


def test_a_hidden_mode_is_not_taken_for_a_loud_one():
    """Symmetric about y = 0: the head along x moves no mode of the y–roll family, however close in frequency."""
    even = [(x, y) for x in (-0.2, 0.2) for y in (-0.15, 0.15)]
    built = machine(TRUTH, corners=even)
    built = replace(
        built,
        frame=replace(built.frame, centre_m=(0.0, 0.0, 0.14)),
        head=replace(built.head, at_m=(0.0, 0.0, 0.25)),
        camera=replace(built.camera, at_m=(0.0, 0.0, 0.05)),
    )
    f = built.modes.frequencies_hz
    sideways = np.abs(built.modes.camera[1]) > np.abs(built.modes.camera[0])
    hidden = int(np.flatnonzero(sideways & (np.abs(built.modes.camera[0]) < 1e-9))[0])
    seen = Observation(quantity="frequency_hz", value=estimate(f[hidden] * 1.003, 0.01), mode="a", axis="x")
    case = Case(name="run", build=lambda p: built, profile=MOVE, move_axis="x", observations=[seen])
    tied = tie_modes(Look(case=case, machine=built), softness=0.03)["a"]
    assert tied != hidden
    assert abs(built.modes.camera[0, tied]) > 1e-3


def test_modes_of_one_frequency_are_taken_together():
    """Equal in x and y: the solver may mix the pair in any way, what the camera does is the same."""
    square = [(x, y) for x in (-0.2, 0.2) for y in (-0.2, 0.2)]
    built = machine(TRUTH, corners=square)
    built = replace(
        built,
        frame=Frame(mass_kg=9.0, centre_m=(0, 0, 0.14), inertia_kg_m2=(0.3, 0.3, 0.4)),
        head=replace(built.head, at_m=(0.0, 0.0, 0.25)),
    )
    asked = ask("residual_amplitude_m", mode="a", axis="x"), ask("frequency_hz", mode="a")
    case = Case(name="run", build=lambda p: built, profile=MOVE, move_axis="x", observations=asked)
    look = Look(case=case, machine=built)
    assert len(look.frequencies_hz) < len(built.modes.frequencies_hz)
    turned = machine(TRUTH | {"side_n_per_m": 6e4}, corners=square)
    feet = [replace(f, stiffness_y_n_per_m=1.2 * f.stiffness_y_n_per_m) for f in turned.feet]
    apart = replace(built, feet=feet)
    pair = Look(case=case, machine=apart)
    assert len(pair.frequencies_hz) == len(built.modes.frequencies_hz)
    number = int(np.argmax(np.abs(pair.ringing("camera").amplitudes_m[0])))
    alone = case_values(pair, {"a": number})[0]
    loud = int(np.argmax(np.abs(look.ringing("camera").amplitudes_m[0])))
    assert case_values(look, {"a": loud})[0] == pytest.approx(alone, rel=1e-6)


def test_modes_are_followed_through_a_crossing():
    """Softer and softer upright feet: bounce passes sway and roll, and stays bounce."""
    even = [(x, y) for x in (-0.2, 0.2) for y in (-0.15, 0.15)]
    seen = Observation(quantity="frequency_hz", value=estimate(40.0, 0.01), mode="a")

    def look_at(up):
        built = machine(TRUTH | {"up_n_per_m": up}, corners=even)
        middle = {"frame": replace(built.frame, centre_m=(0, 0, 0.14)), "head": replace(built.head, at_m=(0, 0, 0.25))}
        built = replace(built, **middle, camera=replace(built.camera, at_m=(0.0, 0.0, 0.05)))
        return Look(
            case=Case(name="t", build=lambda p: built, profile=None, move_axis="", observations=[seen]), machine=built
        )

    before = look_at(2e5)
    bounce = int(np.argmax(before.signatures[:, 2]))
    tied, numbers = {"a": bounce}, []
    for up in np.geomspace(2e5, 1e4, 60):
        look = look_at(up)
        tied, before = follow_modes(look, tied=tied, before=before, near=0.05), look
        numbers.append(tied["a"])
        assert look.frequencies_hz[tied["a"]] == pytest.approx(math.sqrt(4 * up / 9.8) / (2 * math.pi), rel=1e-9)
    assert numbers[-1] != numbers[0]


# --------------------------------------------------------------------------------------------- what the runs tell
def test_parameters_and_their_intervals(fit):
    assert fit.converged and fit.dof == 9 and not fit.unidentified
    for name, true in TRUTH.items():
        assert fit.estimates[name].interval.contains(true)
        assert fit.estimates[name].value == pytest.approx(true, rel=0.05 if "loss" in name else 0.01)
        ends = fit.estimates[name].interval
        half = 2.1098 * fit.estimates[name].standard_error / fit.estimates[name].value  # t of 9 + 8, table: 2.110
        assert math.log(ends.high / ends.low) == pytest.approx(2 * half, rel=1e-4)
    assert fit.parameters() == {name: e.value for name, e in fit.estimates.items()}


def test_frequencies_alone_tell_nothing_about_loss():
    lossless = fit_machine(three_runs(dampings=False), [SIDE, UP, LOSS], n_starts=16)
    assert lossless.unidentified == ("nothing that was observed depends on foot_loss_factor",)
    kept = lossless.estimates["foot_loss_factor"].interval
    assert (kept.low, kept.high) == pytest.approx((0.02, 0.5))


def test_frequencies_at_one_mass_tell_a_ratio_only_and_a_push_tells_both():
    def build(p):
        built = machine({"side_n_per_m": p["k_n_per_m"], "up_n_per_m": 3 * p["k_n_per_m"]})
        heavier = Frame(
            mass_kg=p["m_kg"],
            centre_m=(0.01, -0.02, 0.14),
            inertia_kg_m2=tuple(p["m_kg"] * np.array([0.03, 0.04, 0.05])),
        )
        return replace(built, frame=heavier, head=replace(built.head, mass_kg=1e-6), gravity_m_s2=0.0)

    f = build({"k_n_per_m": 6e4, "m_kg": 9.0}).modes.frequencies_hz
    seen = [Observation(quantity="frequency_hz", value=estimate(f[n], 0.002), mode=str(n)) for n in (1, 4)]
    case = Case(name="tap", build=build, profile=None, move_axis="", observations=seen)
    bounds = [Parameter(name="k_n_per_m", low=1e4, high=4e5), Parameter(name="m_kg", low=2.0, high=40.0)]
    [sentence] = fit_machine([case], bounds, n_starts=16).unidentified
    assert sentence.startswith("the runs tell the ratio k_n_per_m/m_kg, not each of them: add a push test")
    assert "kg more mass" in sentence
    stiffness = 1 / build({"k_n_per_m": 6e4, "m_kg": 9.0}).camera_compliance_m_per_n("z", relative_to="bench")
    push = Observation(quantity="stiffness_n_per_m", value=estimate(stiffness, 0.02), axis="z", relative_to="bench")
    both = fit_machine([case, replace(case, name="push", observations=[push])], bounds, n_starts=16)
    assert not both.unidentified
    assert both.estimates["m_kg"].value == pytest.approx(9.0, rel=0.01)
    assert both.estimates["m_kg"].standard_error == pytest.approx(0.02 * 9.0, rel=0.05)


def test_words_for_products_single_parameters_and_crowds():
    names = [Parameter(name=n, low=0.1, high=1e6) for n in "abc"]
    said = unidentified_words(np.array([[50.0, 100.0, 0], [0, 0, 90.0]]), names, advice="x")
    assert said == ("the runs tell the product a·b^2, not each of them: x",)
    said = unidentified_words(np.diag([2.0, 50.0, 50.0]), names, advice="x")
    assert said == ("the runs tell a only within a factor of 2.7: x",)
    said = unidentified_words(np.array([[50.0, 50.0, 50.0]]), names, advice="x")
    assert said[0].startswith("the runs tell only combinations of a, b and c")
    assert unidentified_words(np.diag([50.0, 50.0, 50.0]), names, advice="x") == ()
    assert told_directions(np.diag([2.0, 50.0]))[1] == pytest.approx([0.5, 0.02])


def test_a_prior_tells_what_the_runs_cannot():
    known = Estimate(value=0.1, standard_error=0.01, interval=Interval(low=0.08, high=0.125, level=0.95))
    fit = fit_machine(three_runs(dampings=False), [SIDE, UP, LOSS], priors={"foot_loss_factor": known}, n_starts=16)
    found = fit.estimates["foot_loss_factor"]
    assert not fit.unidentified
    assert found.value == pytest.approx(0.1, rel=1e-4)
    assert found.standard_error / 0.1 == pytest.approx(math.log(0.125 / 0.08) / (2 * 1.96), rel=0.02)


def test_settling_times_alone_tell_the_loss_without_bias():
    """Last crossings, which jump, against the envelope: a quarter of a period off would be 5 % of the loss factor."""
    cases = []
    for added_kg in np.linspace(0.0, 6.0, 8):
        build = builder(added_kg=added_kg)
        last = settling_s(ringing(build(TRUTH), MOVE, axis="x"), tolerance_m=(2e-6, math.inf, math.inf))
        seen = Observation(
            quantity="settling_s", value=estimate(last, 0.002), axis="x", seen_by="picture", tolerance_m=2e-6
        )
        frequencies = run(added_kg, dampings=False).observations
        cases.append(
            Case(name=f"{added_kg:.2f}", build=build, profile=MOVE, move_axis="x", observations=[seen, *frequencies])
        )
    fit = fit_machine(cases, [SIDE, UP, LOSS], n_starts=16)
    assert not fit.unidentified and fit.chi2_per_dof < 2.0
    assert fit.estimates["foot_loss_factor"].value == pytest.approx(0.1, rel=0.02)
    assert 0.003 < fit.estimates["foot_loss_factor"].standard_error / 0.1 < 0.02


# ------------------------------------------------------------------------------------------------ uncertainties
def test_runs_that_the_model_does_not_explain_widen_the_intervals_and_say_so(fit):
    rng = np.random.default_rng(3)
    odd = [run(kg, rng=rng, off=off) for kg, off in ((0.0, 1.01), (3.0, 0.99), (6.0, 1.01))]
    wide = fit_machine(odd, [SIDE, UP, LOSS], n_starts=16)
    assert wide.chi2_per_dof > 5
    assert any("more than chance" in note for note in wide.notes)
    ratio = wide.estimates["side_n_per_m"].standard_error / fit.estimates["side_n_per_m"].standard_error
    assert ratio == pytest.approx(math.sqrt(wide.chi2_per_dof), rel=0.1)
    assert wide.misfit["frequency_hz"] == pytest.approx(0.011, rel=0.3)
    stated = fit_machine(odd, [SIDE, UP, LOSS], model_error={"frequency_hz": 0.01}, n_starts=16)
    assert stated.chi2_per_dof < 2
    assert not any("more than chance" in note for note in stated.notes)


def test_a_stop_before_the_end_is_said(monkeypatch):
    monkeypatch.setattr(_fit_solve, "_STEPS_HARD", 1)
    stopped = fit_machine(three_runs(), [SIDE, UP, LOSS], n_starts=4)
    assert not stopped.converged
    assert "stopped before its end" in stopped.notes[0]


def test_a_parameter_on_its_bound_is_said():
    tight = Parameter(name="side_n_per_m", low=6.2e4, high=5e5)
    notes = fit_machine(three_runs(), [tight, UP, LOSS], n_starts=32).notes
    assert any(note.startswith("side_n_per_m sits on its low bound") for note in notes)


def test_a_loud_mode_between_measured_ones_that_is_missing_is_said():
    low, high = 0, 5
    loud = run(0.0, modes=(low, high))
    notes = fit_machine([loud, run(4.0, modes=(low, high))], [SIDE, UP, LOSS], n_starts=16).notes
    assert any("was not measured" in note for note in notes)


def test_drawn_parameters_follow_the_covariance_and_the_bounds(fit):
    logs = np.log([list(p.values()) for p in fit.sample(4000, seed=2)])
    heavier = fit.t_dof / (fit.t_dof - 2)
    sd = np.sqrt(np.diag(fit.log_covariance))
    found = np.cov(logs.T / sd[:, None])
    assert found == pytest.approx(heavier * fit.log_covariance / np.outer(sd, sd), abs=0.15)
    assert np.mean(np.diag(found)) == pytest.approx(heavier, rel=0.05)
    unknown = fit_machine(three_runs(dampings=False), [SIDE, UP, LOSS], n_starts=8)
    drawn = [p["foot_loss_factor"] for p in unknown.sample(500, seed=2)]
    assert min(drawn) >= 0.02 and max(drawn) <= 0.5 and np.std(np.log(drawn)) > 0.5


# -------------------------------------------------------------------------------------------------- predictions
BLUR = {"quantity": "blur_m", "axis": "x", "wait_s": 0.05, "exposure_s": 0.01}


def test_prediction_of_a_run_between_the_fitted_ones(fit):
    more = (ask(**BLUR), ask("settling_s", axis="x", tolerance_m=2e-6), ask("frequency_hz", mode="1"))
    case = Case(name="+4.5 kg", build=builder(added_kg=4.5), profile=MOVE, move_axis="x", observations=more)
    foretold = fit.predict(case)
    truth = case_values(Look(case=case, machine=machine(TRUTH, added_kg=4.5)), {"1": 1})
    for found, true in zip(foretold.values, truth):
        assert found.interval.contains(true)
        assert found.interval.half_width < 0.2 * true
    assert foretold.outside == ()
    heavier = machine(TRUTH, added_kg=4.5).modes.frequencies_hz
    for mode in foretold.modes:
        assert np.min(np.abs(heavier / mode.frequency_hz.value - 1)) < 0.01


def test_a_prediction_outside_of_what_was_fitted_is_said(fit):
    faster = move_profile(travel_m=0.08, speed_m_s=0.25, acceleration_m_s2=9.0, jerk_m_s3=900.0)
    build = builder(added_kg=12.0, panel=hardboard(), head_kg=1.5)
    said = fit.outside(Case(name="far", build=build, profile=faster, move_axis="y", observations=()))
    text = "; ".join(said)
    for part in ("mass on the feet", "greatest acceleration", "head mass", "panel thickness", "moves along y"):
        assert part in text
    assert fit.outside(run(3.0)) == ()


def test_leaving_each_run_out_shows_whether_the_fit_foretells_it():
    told = leave_one_out(three_runs(seed=5), [SIDE, UP, LOSS], n_starts=8)
    assert len(told.held_out) == 12 and set(told.fits) == {"+0 kg", "+3 kg", "+6 kg"}
    assert told.covered_share >= 0.75
    assert told.sentences[0].startswith(f"{sum(h.covered for h in told.held_out)} of 12 observations")
    bad = three_runs(seed=5, dampings=False)
    bad[1] = run(3.0, off=1.05, dampings=False)
    seen = leave_one_out(bad, [SIDE, UP], n_starts=8)
    assert not all(h.covered for h in seen.held_out if h.case == "+3 kg")
    with pytest.raises(ValueError, match="at least two"):
        leave_one_out(bad[:1], [SIDE])


def test_next_run_ranks_what_tells_most(fit):
    frequencies = [ask("frequency_hz", mode=n) for n in ("1", "5")]
    light, heavy = (
        Case(name=f"+{kg} kg", build=builder(added_kg=kg), profile=MOVE, move_axis="x", observations=frequencies)
        for kg in (0.1, 9.0)
    )
    push = ask("stiffness_n_per_m", axis="z", relative_to="bench")
    pushed = Case(name="push", build=builder(), profile=None, move_axis="", observations=[push])
    ranked = next_run(fit, [light, pushed, heavy], expected_share={"stiffness_n_per_m": 0.0002}, target="up_n_per_m")
    assert ranked[0].case is pushed
    assert ranked[0].target_sd_after < 0.5 * ranked[0].target_sd
    assert "push would take the target from" in ranked[0].sentence
    weak = next_run(fit, [light, pushed, heavy], expected_share={"stiffness_n_per_m": 0.5}, target="up_n_per_m")
    assert weak[-1].case is pushed
    with pytest.raises(ValueError, match="say how well in expected_share"):
        next_run(fit, [pushed])
    blur = Case(name="b", build=builder(), profile=MOVE, move_axis="x", observations=[ask(**BLUR)])
    damped = replace(heavy, observations=[ask("frequency_hz", mode="1"), ask("damping_ratio", mode="1")])
    for_blur = next_run(fit, [heavy, damped], target=blur)
    assert for_blur[0].case is damped
    assert next_run(fit, [heavy, damped])[0].gain_bits > 0


def test_expected_shrinkage_is_what_a_real_run_brings(fit):
    """Predicted standard uncertainty after a further run against that of the fit with it."""
    further = run(9.0, rng=np.random.default_rng(8))
    asked = replace(further, observations=[replace(s, value=Estimate.unknown()) for s in further.observations])
    [worth] = next_run(fit, [asked])
    bigger = fit_machine([*three_runs(), further], [SIDE, UP, LOSS], n_starts=16)
    scale = max(1.0, bigger.chi2_per_dof) / max(1.0, fit.chi2_per_dof)
    for number, sd in enumerate(worth.relative_sd_after.values()):
        assert sd == pytest.approx(math.sqrt(bigger.log_covariance[number, number] / scale), rel=0.1)


# ------------------------------------------------------------------------------------------------- what is refused
@pytest.mark.parametrize(
    "make, words",
    [
        (lambda: Parameter(name="k", low=0.0, high=1.0), "low of 'k'"),
        (lambda: Parameter(name="k", low=2.0, high=1.0), "high of 'k'"),
        (lambda: ask("speed"), "quantity is 'speed'"),
        (lambda: ask("frequency_hz"), "has no mode"),
        (lambda: ask("blur_m", axis="x"), "wait_s of blur_m"),
        (lambda: ask("settling_s", tolerance_m=1e-6), "axis of settling_s"),
        (lambda: ask("settling_s", tolerance_m=(1e-6, 0.0, 1.0)), "tolerance_m is"),
        (lambda: ask("stiffness_n_per_m", axis="x"), "relative_to"),
        (lambda: Observation(quantity="frequency_hz", value=Estimate.unknown(12.0), mode="a"), "must be known"),
        (lambda: Observation(quantity="frequency_hz", value=estimate(-3.0, -0.1), mode="a"), "above 0"),
        (
            lambda: Case(name="c", build=builder(), profile=None, move_axis="", observations=[ask(**BLUR)]),
            "has blur_m x but no profile",
        ),
        (
            lambda: Case(
                name="c", build=builder(), profile=None, move_axis="", observations=[ask("damping_ratio", mode="a")]
            ),
            "no frequency_hz of mode",
        ),
        (lambda: fit_machine([run(0.0), run(0.0)], [SIDE]), "two cases have one name"),
        (lambda: fit_machine([run(0.0)], [SIDE, SIDE]), "two parameters have one name"),
        (lambda: fit_machine([run(0.0)], []), "no parameters"),
        (lambda: fit_machine([run(0.0)], [SIDE], n_starts=100), "power of 2"),
        (lambda: fit_machine([run(0.0)], [SIDE], priors={"x": estimate(1.0, 0.1)}), "prior 'x' is no parameter"),
        (lambda: fit_machine([replace(run(0.0), observations=[ask("frequency_hz", mode="a")])], [SIDE]), "without a v"),
        (lambda: fit_machine([run(0.0)], [SIDE], model_error=-0.1), "model_error"),
        (lambda: fit_machine([run(0.0, modes=(0, 1, 2, 3, 4, 5))], [SIDE], n_starts=2), "up_n_per_m"),
    ],
)  # fmt: skip
def test_what_is_refused(make, words):
    with pytest.raises((ValueError, KeyError), match=words):
        make()


def test_more_measured_modes_than_the_machine_has():
    seen = [Observation(quantity="frequency_hz", value=estimate(9.0 + n, 0.01), mode=str(n)) for n in range(7)]
    with pytest.raises(ValueError, match="7 measured modes, its machine 6"):
        fit_machine([replace(run(0.0), observations=seen)], [SIDE, UP, LOSS], n_starts=2)
