"""The what-if screen without a browser: what it says, shows, saves and refuses."""

import io
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from labkit.decide.draws import draws_from_ranges
from labkit.decide.settings import changed
from labkit.decide.what_if import compare_outlooks, outlook
from labkit.runs.runfolder import load_run
from labkit.show.what_if_picture import WhatIfPicture
from labkit.show.widgets import what_if

SERIES = Path(__file__).parents[1] / "data" / "wren-series"
RANGES = {
    "foot_stiffness_x_n_per_m": (2.4e4, 3.3e4),
    "foot_stiffness_z_n_per_m": (1.6e5, 2.2e5),
    "foot_loss_factor": (0.08, 0.12),
}


@pytest.fixture(scope="module")
def facts():
    return load_run(SERIES / "01-as-built").facts


@pytest.fixture(scope="module")
def draws():
    return draws_from_ranges(RANGES, n=22)


@pytest.fixture
def screen(facts, draws):
    return what_if(facts, draws, wait_s=0.06, overhead_s=0.3)


def turn(screen, **values):
    screen.dials.values = {**screen.dials.values, **values}


def pixels(png):
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)


def test_it_begins_with_the_baseline(screen):
    assert "This is the baseline" in screen.words.value
    assert screen.picture.count >= 1 and screen.picture.alt.startswith("Panel of 3 mm hardboard")


def test_a_turn_shows_the_best_at_once_and_the_intervals_when_settled(screen):
    turn(screen, thickness=4.0)
    assert "less blur […]" in screen.words.value
    assert math.isnan(screen.outlook.blur_px.standard_error)
    screen.settle()
    assert "[…]" not in screen.words.value and "[…]" not in screen.numbers.value
    assert screen.words.value.count("blur") and compare_outlooks(screen.baseline, screen.outlook).sentence in (
        screen.words.value.replace("&#x27;", "'")
    )


def test_the_code_shown_gives_what_is_shown(screen, facts):
    turn(screen, thickness=4.0, ballast=5.0, acceleration=6.5, wait=45.0, length=320.0, price=2.5)
    screen.material.value = "aluminium"
    screen.toggle_foot(40)
    screen.settle()
    names = {"changed": changed, "outlook": outlook, "facts": facts, "draws": screen._draws, "math": math}
    setting, call = screen.call.rsplit("\n", 1)
    exec(setting, names)
    again = eval(call, names)
    for name, values in screen.outlook.draws.items():
        np.testing.assert_allclose(again.draws[name], values, rtol=1e-6)
    assert (again.mass_kg, again.cycle_s, again.price) == pytest.approx(
        (screen.outlook.mass_kg, screen.outlook.cycle_s, screen.outlook.price)
    )


def test_state_survives_a_file(screen, facts, draws, tmp_path):
    turn(screen, thickness=4.5, wait=80.0)
    screen.toggle_foot(12)
    screen.save(tmp_path / "setting.json")
    other = what_if(facts, draws, wait_s=0.06, overhead_s=0.3)
    other.open(tmp_path / "setting.json")
    assert other.state == screen.state
    assert other.outlook.blur_px.value == pytest.approx(screen.outlook.blur_px.value)
    assert "restored from" in other.notes.value


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"version": 7}, "no version 1"),
        ({"thicknes": 3.0}, "no control has"),
        ({"sheet": "unobtainium"}, "names the sheet 'unobtainium'"),
        ({"thickness": 99.0}, r"panel thickness \[mm\] is 99.0"),
        ({"thickness": "4"}, "panel thickness"),
        ({"feet_m": [[0.1]]}, r"each foot is \[x, y\]"),
    ],
)
def test_a_wrong_state_is_refused_and_changes_nothing(screen, change, words):
    before = screen.state
    with pytest.raises((ValueError, TypeError), match=words):
        screen.restore({**before, **change})
    assert screen.state == before


def test_a_wrong_file_appears_in_words(screen, tmp_path):
    (tmp_path / "no.json").write_text("{", encoding="utf-8")
    screen._try(lambda: screen.open(tmp_path / "no.json"))
    assert 'role="alert"' in screen.words.value and "is no JSON file" in screen.words.value
    screen._try(lambda: screen.open(tmp_path / "missing.json"))
    assert "missing.json" in screen.words.value


def test_what_cannot_be_built_appears_in_words_and_the_next_turn_works(screen):
    turn(screen, length=100.0)
    assert 'role="alert"' in screen.words.value and "off the panel" in screen.words.value
    turn(screen, length=300.0)
    assert "role" not in screen.words.value


def test_holes_are_found_by_click_and_by_keys(screen):
    drawing = screen._drawing
    shown = drawing._plan.transData.transform(1e3 * drawing.holes_m[40])
    x, y = shown[0] / drawing._figure.bbox.width, 1 - shown[1] / drawing._figure.bbox.height
    screen.picture.event = {"kind": "click", "x": x, "y": y, "at": 1}
    assert len(screen.facts.layout.panel_feet_m) == 1
    assert screen.facts.layout.panel_feet_m[0] == pytest.approx(tuple(drawing.holes_m[40]))
    assert "foot under the panel is a guess" in screen.notes.value
    screen.picture.event = {"kind": "key", "key": "ArrowRight", "at": 2}
    right = drawing.holes_m[drawing.cursor]
    assert right == pytest.approx(drawing.holes_m[40] + [0.03, 0.0])
    screen.picture.event = {"kind": "key", "key": "Enter", "at": 3}
    assert len(screen.facts.layout.panel_feet_m) == 2
    screen.picture.event = {"kind": "key", "key": "ArrowUp", "at": 4}
    screen.picture.event = {"kind": "key", "key": "Enter", "at": 5}
    assert "take one away first" in screen.words.value
    screen.picture.event = {"kind": "click", "x": 0.99, "y": 0.01, "at": 6}  # no hole there
    assert len(screen.facts.layout.panel_feet_m) == 2
    screen.remove_feet()
    assert screen.facts.layout.panel_feet_m == ()


def test_pin_and_back(screen):
    turn(screen, thickness=4.0)
    screen.pin()
    assert "This is the baseline" in screen.words.value
    assert screen.baseline.facts.panel.thickness_m == pytest.approx(0.004)
    turn(screen, thickness=5.0)
    assert "settles" in screen.words.value
    screen.back()
    assert screen.dials.values["thickness"] == 4.0


def test_values_between_steps_stay_as_they_are(facts, draws):
    odd = changed(facts, camera_exposure_s=0.0123456, head_mass_kg=7.0)
    screen = what_if(odd, draws, wait_s=0.06)
    assert screen.facts.camera.exposure_s == pytest.approx(0.0123456, rel=1e-12)
    ends = {dial["key"]: dial for dial in screen.dials.dials}
    assert ends["head"]["high"] == 7.0  # the dial reaches what the machine is


def test_a_moved_picture_is_the_picture_drawn_anew(facts, draws):
    before = outlook(facts, draws, wait_s=0.06)
    stiff = outlook(changed(facts, panel_thickness_m=0.0032), draws, wait_s=0.06)
    holes = np.array([[0.1, 0.1], [0.2, 0.2]])
    moved = WhatIfPicture(holes)
    first = pixels(moved.png(before, before, dark=False))
    now = pixels(moved.png(stiff, before, dark=False))
    fresh = pixels(WhatIfPicture(holes).png(stiff, before, dark=False))
    assert np.abs(now - first).max() > 50
    assert np.abs(now - fresh).max() <= 1
    dark = pixels(moved.png(stiff, before, dark=True))
    assert dark.mean() < 128 < now.mean()


def test_uncalibrated_is_said(facts, draws):
    assert "Not calibrated" in what_if(facts, draws, wait_s=0.06, calibrated=False).words.value
