"""run.toml: bench units become SI facts, and every fault is named with its line and its cure."""

import math
import re
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.base import LogFormatError
from labkit.runs.facts import RunFacts
from labkit.runs.run_keys import KEYS
from labkit.runs.runfile import facts_of, read_run_file, run_template

GOOD = """\
# our bench
[run]
title = "Wren with 6 mm birch"
date = 2025-03-14
notes = '''
thickness_mm = 99   # a line of a note, not a key
[panel]
'''

[panel]
material = "birch plywood"
thickness_mm = 6
foot_under_camera = true

[machine]
frame_mass_kg = 22.5

[sensor]
range_g = 2
noise_density_ug_rthz = 90.0
mass_g = 4.5

[camera]
pixel_um = 3.45
exposure_ms = 2.5

[environment]
temperature_degc = -5
"""


@pytest.fixture
def write(tmp_path):
    def writer(text):
        path = tmp_path / "run.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return writer


def error_of(path):
    with pytest.raises(LogFormatError) as caught:
        facts_of(read_run_file(path))
    return caught.value


def test_bench_units_become_si(write):
    facts = facts_of(read_run_file(write(GOOD)))
    assert facts.panel.thickness_m == pytest.approx(6e-3)
    assert facts.panel.foot_under_camera is True
    assert facts.sensor.range_m_s2 == pytest.approx(19.6133)
    assert facts.sensor.noise_density_m_s2_rthz == pytest.approx(90e-6 * 9.80665)
    assert facts.sensor.mass_kg == pytest.approx(4.5e-3)
    assert facts.camera.pixel_m == pytest.approx(3.45e-6)
    assert facts.camera.exposure_s == pytest.approx(2.5e-3)
    assert facts.temperature_degc == -5
    assert facts.date == "2025-03-14"
    assert facts.frame_mass_kg == 22.5 and math.isnan(facts.head_mass_kg)


def test_an_empty_file_says_nothing(write):
    facts = facts_of(read_run_file(write("")))
    assert facts.title == "" and math.isnan(facts.panel.thickness_m)
    assert repr(facts) == repr(RunFacts())


@pytest.mark.parametrize("change", [lambda t: t.replace("\n", "\r\n"), lambda t: "\ufeff" + t])
def test_windows_files_read_alike(write, change):
    facts = facts_of(read_run_file(write(change(GOOD))))
    assert repr(facts) == repr(facts_of(read_run_file(write(GOOD))))


# old text, new text, line, column, words of the message
FAULTS = {
    "misspelt key": ("frame_mass_kg", "frame_mas_kg", 16, "frame_mas_kg", "write frame_mass_kg"),
    "other unit": ("thickness_mm = 6", "thickness_in = 0.25", 12, "thickness_in", r"write thickness_mm \(in that unit"),
    "no unit": ("pixel_um", "pixel", 24, "pixel", "write pixel_um"),
    "in the wrong table": ("frame_mass_kg", "exposure_ms", 16, "exposure_ms", r"move it below \[camera\]"),
    "far from any key": ("mass_g = 4.5", "colour = 'red'", 21, "colour", "free text goes into notes"),
    "text for number": ("= 6", '= "6 mm"', 12, "thickness_mm", "bare number .* for example thickness_mm = 4.0"),
    "flag for number": ("= 6", "= true", 12, "thickness_mm", "a number above 0"),
    "number for text": ('"birch plywood"', "7", 11, "material", "a text in quotes"),
    "number for flag": ("= true", "= 1", 13, "foot_under_camera", "true or false"),
    "mass of nothing": ("22.5", "0", 16, "frame_mass_kg", "found 0; expected a number above 0"),
    "negative mass": ("22.5", "-3", 16, "frame_mass_kg", "found -3"),
    "not a number": ("22.5", "nan", 16, "frame_mass_kg", "leave the key out when it is not known"),
    "infinite": ("22.5", "inf", 16, "frame_mass_kg", "found inf"),
    "beyond any float": ("22.5", "1" + "0" * 400, 16, "frame_mass_kg", "found 1000"),
    "beyond any whole number": ("22.5", "1" + "0" * 5000, 29, None, "invalid TOML"),
    "colder than cold": ("-5", "-300", 28, "temperature_degc", "above -273.15"),
    "no date": ("2025-03-14", "14", 4, "date", "2025-03-14"),
    "misspelt table": ("[machine]", "[machin]", 15, None, r"write \[machine\]"),
    "key without table": ("# our bench", "head_mass_kg = 0.6", 1, "head_mass_kg", r"below the line \[machine\]"),
    "text for a table": ("# our bench", "colour = 1", 1, "colour", "unknown name"),
    "table twice": ("[environment]", "[[panel]]", 27, None, "invalid TOML"),
    "no value": ("range_g = 2", "range_g =", 19, None, "invalid TOML"),
    "unit behind the number": ("= 6", "= 6 mm", 12, None, "invalid TOML"),
    "list of tables": ("[environment]\ntemperature_degc = -5", "[[environment]]", 27, None, "one pair of brackets"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_name_line_key_and_cure(write, fault):
    old, new, line, column, words = FAULTS[fault]
    assert GOOD.count(old) == 1
    error = error_of(write(GOOD.replace(old, new)))
    assert (error.line, error.column) == (line, column)
    assert re.search(words, str(error)), str(error)
    assert "run.toml" in str(error) and "Cure:" in str(error)


def test_a_file_in_another_encoding_is_refused_with_its_line(write):
    error = error_of(write('[run]\ntitle = "Jürgen"\n'.encode("latin-1")))
    assert error.line == 2 and "UTF-8" in str(error)


def test_an_unfinished_text_points_at_the_end(write):
    assert error_of(write('[run]\nnotes = """\nabc')).line == 3


def test_deeply_nested_brackets_are_a_format_error(write):
    assert "invalid TOML" in str(error_of(write("[run]\ntitle = " + "[" * 100_000)))


def test_values_nested_without_end_are_a_format_error(write):
    assert "found values within values" in str(error_of(write("[panel]\nthickness_mm" + ".a" * 5_000 + " = 1")))


def test_the_line_of_a_fault_is_found_behind_any_brackets(write):
    """A row of blanks between brackets took hours."""
    error = error_of(write("[machine]\nfeet_mm = [\n[" + " " * 20_000 + "\n1, 2]]\nhead_mass_kg = -1\n"))
    assert (error.line, error.column) == (5, "head_mass_kg")


def test_a_file_too_large_for_one_written_by_hand_is_refused(write):
    assert "more than 4 MiB" in str(error_of(write("# remark\n" * 500_000)))


def test_the_template_is_a_valid_run_file_with_and_without_its_comment_marks(write):
    text = run_template()
    assert repr(facts_of(read_run_file(write(text)))) == repr(RunFacts())
    filled = re.sub(r"^# (?=[a-z_0-9]+ = |\[\[)", "", text, flags=re.MULTILINE)
    tables = tomllib.loads(filled)
    said = {(table, key) for table, keys in tables.items() for key in (keys[0] if table == "log" else keys)}
    assert said == {(k.table, k.key) for k in KEYS}
    facts = facts_of(read_run_file(write(filled)))
    assert facts.panel.thickness_m == pytest.approx(4e-3) and facts.move.speed_m_s == pytest.approx(0.25)


@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_any_bytes_give_facts_or_a_format_error(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "run.toml"
    path.write_bytes(content)
    try:
        facts_of(read_run_file(path))
    except LogFormatError as error:
        assert "run.toml" in str(error)
