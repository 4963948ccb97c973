"""Blur against mass, acceleration and stiffness over runs of the demo series, and a run foretold before it is seen.

The blur of an exposure is the generator's own with noise put on: that it can be measured in the pictures is tested in
test_demo_series.py.
"""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from labkit.__main__ import main
from labkit.analyse.exposures import ExposureBlur, measure_exposures
from labkit.analyse.stiffness import push_test
from labkit.base import Estimate, LogFormatError
from labkit.decide.blur_factors import factor_curve
from labkit.decide.blur_series import blur_misfit, blur_relation, foretell_blur, is_covered
from labkit.decide.calibrate import MODEL_ERRORS, case_of_push, case_of_run, case_to_foretell, default_parameters
from labkit.decide.left_out import without_case
from labkit.jobs import series_jobs
from labkit.model.fit import fit_machine
from labkit.runs.exposures import read_exposures
from labkit.runs.pushfile import read_push_file
from labkit.show import series_plots, series_tables
from labkit.show.plots import picture

SERIES = Path(__file__).parents[1] / "data" / "wren-series"
TRUTH = json.loads((SERIES / "truth.json").read_text(encoding="utf-8"))
RUNS = ("01-as-built", "03-ballast-12-kg", "05-fast", "08-steel-3-mm", "09-steel-ballast")
WAITS_S = (0.015, 0.04, 0.09, 0.06, 0.025, 0.12, 0.18, 0.07)
NOISE_PX = 0.02
PIXEL_M = TRUTH["object_pixel_m"]


def blurs_of(run, n=8):
    rng = np.random.default_rng(len(run))
    true = [frame["sigma_x_px"] for frame in TRUTH["runs"][run]["frames"]][:n]
    values = np.abs(true + NOISE_PX * rng.standard_normal(len(true)))
    return [
        ExposureBlur(
            name=f"{k}.png",
            move=k + 1,
            wait_s=wait,
            exposure_s=0.016,
            sigma_px=Estimate.from_standard_error(value, NOISE_PX, dof=math.inf),
            trusted=True,
        )
        for k, (wait, value) in enumerate(zip(WAITS_S, values))
    ]


@pytest.fixture(scope="module")
def fitted(analysed):
    """Cases of five runs and a push, and the machine fitted to them."""
    cases = [case_of_run(analysed(f"wren-series/{run}"), blurs=blurs_of(run, n=5)) for run in RUNS]
    push = read_push_file(SERIES / "push-steel-3-mm.csv")
    test = push_test(
        push.load_n, push.reading_m, preload_n=0.0, force_sd_n=0.0, reading_sd_m=0.8e-6, reading_step_m=1e-6
    )
    cases.append(case_of_push(test, cases[3].build.facts, name="push steel", relative_to="frame"))
    return fit_machine(cases, near_the_truth(cases), model_error=MODEL_ERRORS, n_starts=2)


def near_the_truth(cases):
    """Bounds off the middle of the truth: that the valley is found from wide ones is tested with the fit."""
    sheets = {
        f"{what} of {name}": sheet[what]
        for name, sheet in TRUTH["sheets"].items()
        for what in ("young_modulus_pa", "loss_factor")
    }
    true = {"foot_stiffness_x_n_per_m": 2.85e4, "foot_stiffness_z_n_per_m": 1.9e5} | TRUTH | sheets
    return [replace(one, low=true[one.name] / 1.25, high=1.5 * true[one.name]) for one in default_parameters(cases)]


@pytest.fixture(scope="module")
def relation(fitted):
    return blur_relation(fitted.cases, fitted, n_draws=8)


# -------------------------------------------------------------------------------------------- the fitted machine
def test_feet_mount_and_damping_agree_with_the_truth(fitted):
    """The generator's supports give way a little; the fit has them rigid, so it finds stiff sheets up to 4 % softer."""
    assert fitted.converged and fitted.chi2_per_dof < 1.5
    for name in ("foot_stiffness_x_n_per_m", "foot_stiffness_z_n_per_m"):
        assert fitted.estimates[name].value == pytest.approx(TRUTH[name], rel=0.015), name
    assert fitted.estimates["foot_loss_factor"].value == pytest.approx(TRUTH["foot_loss_factor"], rel=0.06)
    assert fitted.estimates["head_mount_stiffness_n_per_m"].value == pytest.approx(2.2e5, rel=0.03)
    hardboard, steel = (fitted.estimates[f"young_modulus_pa of {name}"].value for name in ("hardboard", "mild steel"))
    assert hardboard == pytest.approx(TRUTH["sheets"]["hardboard"]["young_modulus_pa"], rel=0.01)
    assert 0.95 < steel / TRUTH["sheets"]["mild steel"]["young_modulus_pa"] < 1.0


def test_the_run_to_be_foretold_lies_in_its_intervals(fitted, analysed):
    """2 mm steel, 6 kg of ballast, 10 m/s²: none of it was in the fit."""
    case = case_of_run(analysed("wren-series/10-steel-2-mm-fast"), blurs=blurs_of("10-steel-2-mm-fast"))
    told = foretell_blur(fitted, case)
    assert told.run.fitted_m.interval.contains(told.run.measured_m.value)
    inside = [is_covered(point.measured_m, point.fitted_m) for point in told.points]
    assert sum(inside) >= 6  # of 8 at 95 %: fewer happens once in 170 times
    widths = [point.fitted_m.interval.high / point.fitted_m.interval.low for point in told.points]
    assert max(widths) < 2.0  # and they say something
    assert any("thickness" in text for text in fitted.outside(case))


def test_foretelling_does_not_look_at_the_run(fitted, analysed):
    run = "10-steel-2-mm-fast"
    analysis, blurs = analysed(f"wren-series/{run}"), blurs_of(run)
    asked = case_to_foretell(analysis.facts, name=run, exposures=[(one.wait_s, one.exposure_s) for one in blurs])
    one, two = (foretell_blur(fitted, each, n_draws=5).run for each in (case_of_run(analysis, blurs=blurs), asked))
    assert one.fitted_m == two.fitted_m
    assert math.isnan(two.measured_m.value)


# ----------------------------------------------------------------------------------------------- the relation
def test_every_exposure_is_compared(relation):
    assert len(relation.points) == 25 and [one.run for one in relation.runs] == list(RUNS)
    by_run = {one.run: one for one in relation.runs}
    for name, one in by_run.items():
        true = PIXEL_M * math.sqrt(np.mean([f["sigma_x_px"] ** 2 for f in TRUTH["runs"][name]["frames"][:5]]))
        assert one.measured_m.value == pytest.approx(true, rel=0.03, abs=NOISE_PX * PIXEL_M)
        assert one.fitted_m.value == pytest.approx(true, rel=0.15)
    steel = by_run["08-steel-3-mm"].factors
    assert steel.panel_stiffness_n_per_m == pytest.approx(
        TRUTH["runs"]["08-steel-3-mm"]["push_stiffness_n_per_m"], rel=0.03
    )
    assert (steel.frame_mass_kg, steel.acceleration_m_s2) == (23.669, 8.0)


def test_runs_are_foretold_from_the_others(relation):
    assert 0.85 <= relation.foretold_share <= 1.0
    assert all(one.foretold_m is not None for one in relation.runs)
    assert any(one.foretold_m.value != one.fitted_m.value for one in relation.runs)


def test_runs_with_other_exposures_are_named(relation, fitted):
    assert not any("other times" in text for text in relation.sentences)
    fast = fitted.cases[2]
    short = replace(fast, observations=fast.observations[:-1])
    again = blur_relation([fitted.cases[0], short], fitted, n_draws=2)
    assert any("other times than in 01-as-built: 05-fast" in text for text in again.sentences)


def test_elasticities(relation):
    curves = {curve.factor: curve for curve in relation.curves}
    acceleration, stiffness = curves["acceleration_m_s2"], curves["panel_stiffness_n_per_m"]
    assert acceleration.elasticity.value > 0.3 and stiffness.elasticity.value < -0.2
    assert abs(curves["frame_mass_kg"].elasticity.value) < 0.3
    assert acceleration.turns.size >= 1 and acceleration.least < -1.0  # dips: a move of whole periods
    assert "does not go one way" in acceleration.sentence("x")
    assert "does not go one way" not in curves["frame_mass_kg"].sentence("x")


def test_a_factor_curve_passes_through_its_run(fitted, relation):
    for curve in relation.curves:
        now = getattr(relation.runs[0].factors, curve.factor)
        on_curve = np.exp(np.interp(math.log(now), np.log(curve.values), np.log(curve.rms_m)))
        assert on_curve == pytest.approx(relation.runs[0].fitted_m.value, rel=0.1)
    heavy = factor_curve(fitted, fitted.cases[0], factor="frame_mass_kg", span=(21.812, 33.812), n_draws=2)
    assert heavy.rms_m[-1] == pytest.approx(relation.runs[1].fitted_m.value, rel=1e-3)  # ballast goes where it stood


def test_limits_name_what_was_tried(relation):
    text = " ".join(relation.limits)
    for piece in (
        "Frame mass: 21.8 to 35.7 kg",
        "Head acceleration: 8 to 12 m/s²",
        "15 to 90 ms after the end of a move, never during it",
        "Exposures of 16 ms",
        "Moves along x of 120 mm",
        "head at 320, 245, 320 mm",
        "Sheets: hardboard; mild steel",
        "held by: head",
    ):
        assert piece in text, piece


def test_a_sheet_that_occurs_once_cannot_be_foretold(fitted):
    steel_once = replace(
        fitted, cases=tuple(c for c in fitted.cases if c.name not in ("09-steel-ballast", "push steel"))
    )
    alone = next(case for case in fitted.cases if case.name == "08-steel-3-mm")
    assert without_case(steel_once, alone) is None
    with pytest.raises(ValueError, match="'09-steel-ballast' is none of the fit's"):
        without_case(steel_once, fitted.cases[4])


def test_misfit_is_not_led_by_frames_without_blur(fitted):
    rows = [r for r in fitted.residuals if r.observation.quantity == "blur_m"]
    tiny = replace(
        rows[0],
        measured=1e-9,
        fitted=1e-7,
        observation=replace(rows[0].observation, value=Estimate.from_standard_error(1e-9, 2e-7, dof=math.inf)),
    )
    assert blur_misfit(replace(fitted, residuals=(*fitted.residuals, tiny))) == blur_misfit(fitted)
    doubled = tuple(replace(r, measured=2 * r.measured) if r in rows else r for r in fitted.residuals)
    assert blur_misfit(replace(fitted, residuals=doubled)) > 0.5


def test_too_few_runs_and_unknown_reference_are_named(fitted):
    with pytest.raises(ValueError, match="at least two"):
        blur_relation(fitted.cases[:1], fitted)
    with pytest.raises(ValueError, match="reference is 'x'; the runs with blur are 01-as-built"):
        blur_relation(fitted.cases, fitted, reference="x")


# ---------------------------------------------------------------------------------------------------- shown
def test_tables_and_plots(relation):
    runs = series_tables.runs_table(relation)
    assert list(runs["run"]) == list(RUNS) and "measured [px]" in runs
    assert len(series_tables.factors_table(relation)) == 3
    assert set(series_tables.exposures_table(relation.points, object_pixel_m=PIXEL_M)["interval holds"]) <= {
        "yes",
        "no",
    }
    for ax in (
        series_plots.plot_factors(relation),
        series_plots.plot_residuals(relation),
        series_plots.plot_exposures(relation.points[:5], object_pixel_m=PIXEL_M),
    ):
        assert len(picture(ax).alt) > 40


# ------------------------------------------------------------------------------------------------- exposures
def test_exposures_are_read_and_measured():
    found = read_exposures(SERIES / "08-steel-3-mm")
    assert [one.wait_s for one in found.frames] == pytest.approx(WAITS_S)
    assert {one.exposure_s for one in found.frames} == {0.016} and [f.move for f in found.frames] == list(range(1, 9))
    (one,) = measure_exposures(replace(found, frames=found.frames[:1]))
    assert one.sigma_px.interval.contains(TRUTH["runs"]["08-steel-3-mm"]["frames"][0]["sigma_x_px"])


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("file,move,wait_ms,exposure_ms\nno.png,1,15,16\nb.png,2,15,16\n", "line 2.*no picture 'no.png'"),
        ("file,move,wait_ms,exposure_ms\n../sharp.png,1,15,16\n../sharp.png,2,15,16\n", "line 2.*bare name"),
        ("file,move,wait_ms,exposure_ms\nsharp.png,0,15,16\nsharp.png,2,15,16\n", "line 2.*count moves from 1"),
        ("file,move,wait_ms,exposure_ms\nsharp.png,1,-5,16\nsharp.png,2,15,16\n", "line 2.*not negative"),
        ("file,move,wait_ms,exposure_ms\nsharp.png,1,5,16\nsharp.png,2,15,0\n", "line 3.*above 0"),
        ("file,move,wait,exposure_ms\nsharp.png,1,5,16\nsharp.png,2,15,16\n", "column 'wait'.*s, ms or us"),
        ("file,move,exposure_ms\nsharp.png,1,16\nsharp.png,2,16\n", "no column for the wait"),
    ],
)
def test_faults_in_the_list_of_frames(tmp_path, text, match):
    (tmp_path / "frames.csv").write_text(text)
    (tmp_path / "sharp.png").write_bytes((SERIES / "08-steel-3-mm" / "sharp.png").read_bytes())
    with pytest.raises(LogFormatError, match=match):
        read_exposures(tmp_path)


# ---------------------------------------------------------------------------------------------- command line
DOUBTED = (*blurs_of("01-as-built", n=4), replace(blurs_of("01-as-built")[4], name="shaky.png", trusted=False))


@pytest.fixture
def prepared(monkeypatch, analysed, fitted, relation):
    """The job with its slow steps done before: analysis, blur, fit and relation come from the fixtures."""
    asked = {}

    def calibrate(cases, *, giving):
        asked["cases"], asked["giving"] = cases, giving
        return fitted

    monkeypatch.setattr(series_jobs, "measure_exposures", lambda *_, **__: DOUBTED)
    monkeypatch.setattr(series_jobs, "calibrate", calibrate)
    monkeypatch.setattr(series_jobs, "blur_relation", lambda *_, **__: relation)
    return asked


def test_relate_prints_the_relation(capsys, prepared):
    push = ["--push", str(SERIES / "push-steel-3-mm.csv"), str(SERIES / "08-steel-3-mm")]
    runs = [str(SERIES / name) for name in ("01-as-built", "08-steel-3-mm")]
    assert main(["relate", *runs, *push, "--giving", "support"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    for piece in (
        "the fitted machine",
        "foot stiffness x 28.",
        "01-as-built",
        "one factor alone",
        "limit: Frame mass: 21.8",
    ):
        assert piece in out, piece
    assert [case.name for case in prepared["cases"]] == ["01-as-built", "08-steel-3-mm", "push-steel-3-mm.csv"]
    assert prepared["giving"] == ["support"]
    assert "note: 01-as-built: the blur of shaky.png is in doubt and left out" in out
    assert main(["relate", *runs, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told["points"]) == 25 and told["runs"][3]["factors"]["frame_mass_kg"] == 23.669


def test_relate_warns_of_a_machine_that_does_not_explain_the_runs(capsys, prepared, monkeypatch, fitted):
    monkeypatch.setattr(series_jobs, "calibrate", lambda *_, **__: replace(fitted, chi2=31.0 * fitted.dof))
    assert main(["relate", str(SERIES / "01-as-built"), str(SERIES / "08-steel-3-mm")]) == 1
    assert "DO NOT USE: the fitted machine does not explain these runs" in capsys.readouterr().out


def test_relate_says_what_is_wrong(capsys, prepared):
    assert main(["relate", str(SERIES / "01-as-built")]) == 2
    assert "one run makes no relation" in capsys.readouterr().err
    runs = [str(SERIES / name) for name in ("01-as-built", "08-steel-3-mm")]
    assert main(["relate", *runs, "--push", str(SERIES / "push-steel-3-mm.csv"), "09-steel-ballast"]) == 2
    assert "names run '09-steel-ballast', which is not among 01-as-built, 08-steel-3-mm" in capsys.readouterr().err
