"""run.toml from options and forms: what is typed comes out as facts, what cannot be is refused by name."""

import math

import pytest

from labkit.base import LogFormatError
from labkit.runs.live.run_form import fill_template, form_fields, read_settings, write_run_file
from labkit.runs.runfile import facts_of, read_run_file, run_template


def facts(tmp_path, **texts):
    settings = read_settings({name.replace("__", "."): text for name, text in texts.items()})
    return facts_of(read_run_file(write_run_file(tmp_path, fill_template(settings, folder=tmp_path))))


def test_the_form_asks_everything_the_template_offers():
    """Counted by another rule: every commented key above the first [[log]]."""
    above = run_template().split("# One [[log]]")[0]
    assert len(form_fields()) == above.count(" = ") and all(field.name.count(".") == 1 for field in form_fields())


def test_what_is_typed_comes_out_as_facts(tmp_path):
    found = facts(
        tmp_path,
        panel__thickness_mm="4",
        panel__foot_under_camera="yes",
        run__title='Wren "two"\\ ü',
        run__date="2026-05-04",
        move__axis="x",
        camera__tolerance_um=" 3.5 ",
        machine__frame_mass_kg="",
    )
    assert found.panel.thickness_m == pytest.approx(0.004) and found.panel.foot_under_camera is True
    assert found.title == 'Wren "two"\\ ü' and found.move.axis == "x"
    assert found.camera.tolerance_m == pytest.approx(3.5e-6) and math.isnan(found.frame_mass_kg)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("panel.thicknes_mm", "4", r"did you mean 'panel\.thickness_mm'"),
        ("thickness_mm", "4", r"did you mean 'panel\.thickness_mm'"),
        ("panel.thickness_mm", "4 mm", "must be like 4.0"),
        ("panel.foot_under_camera", "maybe", "yes or no"),
        ("run.date", "yesterday", "must be like 2025-03-14"),
    ],
)
def test_what_is_no_value_is_refused(name, text, words):
    with pytest.raises(ValueError, match=words):
        read_settings({name: text})


@pytest.mark.parametrize(("name", "text"), [("panel.thickness_mm", "-4"), ("machine.head_mass_kg", "nan")])
def test_rules_of_the_file_hold(tmp_path, name, text):
    with pytest.raises(LogFormatError, match=name.split(".")[1]):
        fill_template(read_settings({name: text}), folder=tmp_path)


def test_a_run_file_is_never_replaced(tmp_path):
    (tmp_path / "run.toml").write_text("precious")
    with pytest.raises(ValueError, match="is there already"):
        write_run_file(tmp_path, run_template())
    assert (tmp_path / "run.toml").read_text() == "precious"
