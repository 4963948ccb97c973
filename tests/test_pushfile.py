"""Push tests as they stand in files: units, dialects, repeats, faults by line; and `labkit push`."""

import gzip
import json
from pathlib import Path

import numpy as np
import pytest

from labkit.__main__ import main
from labkit.analyse.stiffness import push_test
from labkit.base import LogFormatError
from labkit.runs.pushfile import read_push_file

SERIES = Path(__file__).parents[1] / "data" / "wren-series"
LOADS = np.array([0, 5, 10, 15, 20, 15, 10, 5, 0.0])


def write(tmp_path, text, name="push.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


def words(text):
    return " ".join(text.split())


def rows(loads, readings, separator=",", decimal="."):
    return "\n".join(
        f"{load:g}{separator}{reading:g}".replace(".", decimal) for load, reading in zip(loads, readings, strict=True)
    )


# ------------------------------------------------------------------------------------------- what is read
@pytest.mark.parametrize(
    ("titles", "load_factor", "reading_factor"),
    [
        ("load [N],reading [um]", 1.0, 1e-6),
        ("Load (kN),Dial (mm)", 1e3, 1e-3),
        ("mass [g],reading [µm]", 9.80665e-3, 1e-6),
        ("weight [kg],deflection [in]", 9.80665, 0.0254),
        ("force [lbf],reading [thou]", 4.4482216, 25.4e-6),
        ("F_N,reading_um", 1.0, 1e-6),
        ("load [kgf],reading [0.01 mm]", 9.80665, 1e-5),
        ("load,reading\n[N],[um]", 1.0, 1e-6),
    ],
)
def test_units(tmp_path, titles, load_factor, reading_factor):
    """lbf, lb and inch: international avoirdupois and inch, exact by definition (from memory)."""
    found = read_push_file(write(tmp_path, f"# at the camera\n{titles}\n{rows(LOADS, 3 * LOADS)}\n"))
    np.testing.assert_allclose(found.load_n, load_factor * LOADS, rtol=1e-7)
    np.testing.assert_allclose(found.reading_m, reading_factor * 3 * LOADS, rtol=1e-12)
    assert found.repeat is None


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16"])
@pytest.mark.parametrize(("separator", "decimal"), [(",", "."), (";", ","), ("\t", ","), ("\t", "."), (";", ".")])
def test_dialects(tmp_path, separator, decimal, encoding):
    text = f"load [N]{separator}reading [µm]\r\n" + rows(LOADS, 2.5 * LOADS, separator, decimal).replace("\n", "\r\n")
    found = read_push_file(write(tmp_path, text, encoding=encoding))
    np.testing.assert_allclose(found.load_n, LOADS)
    np.testing.assert_allclose(found.reading_m, 2.5e-6 * LOADS)


def test_gzip_remarks_blank_lines_and_other_columns(tmp_path):
    path = tmp_path / "push.csv.gz"
    text = "load [N],temp [°C],reading [um],remark\n0,21,0,\n\n# a screw creaked\n5,21,12,ok\n10,21.5,25,seat\n"
    path.write_bytes(gzip.compress(text.encode()))
    found = read_push_file(path)
    assert found.load_n.tolist() == [0, 5, 10] and (1e6 * found.reading_m).round(6).tolist() == [0, 12, 25]


@pytest.mark.parametrize(("readings", "step"), [([0, 10, 30, 20], 10), ([0, 0.5, 3], 0.5), ([0, 2, 4, 7], 1)])
def test_written_step(tmp_path, readings, step):
    found = read_push_file(write(tmp_path, "load [N],reading [um]\n" + rows(range(len(readings)), readings)))
    assert found.written_step_m == pytest.approx(1e-6 * step)


def test_masses_take_the_local_gravity(tmp_path):
    path = write(tmp_path, "mass [kg],reading [um]\n0,0\n1,5\n2,10\n")
    assert read_push_file(path, gravity_m_s2=9.83).load_n[1] == pytest.approx(9.83)
    assert "gravity" in read_push_file(path).notes[0]


def test_units_given_beside_the_file(tmp_path):
    path = write(tmp_path, "load,reading [div]\n" + rows(LOADS, LOADS))
    found = read_push_file(path, load_unit="N", reading_unit="0,01 mm")
    assert found.reading_m[1] == pytest.approx(5e-5)


def test_repeats_by_column_and_by_branch(tmp_path):
    up_down = ["up"] * 5 + ["down"] * 4
    two = "\n".join(f"{load:g},{2 * load:g},{way}" for _ in range(2) for load, way in zip(LOADS, up_down))
    found = read_push_file(write(tmp_path, f"load [N],reading [um],branch\n{two}\n"))
    assert found.repeat == ("1",) * 9 + ("2",) * 9
    named = "\n".join(f"{name};{load:g};{2 * load:g}" for name in "ab" for load in LOADS)
    found = read_push_file(write(tmp_path, f"repeat;load [N];reading [um]\n{named}\n"))
    assert found.repeat == ("a",) * 9 + ("b",) * 9


def test_repeats_are_cut_as_the_push_test_offers():
    found = read_push_file(SERIES / "push-steel-3-mm.csv")
    test = push_test(
        found.load_n,
        found.reading_m,
        preload_n=0.0,
        force_sd_n=0.0,
        reading_sd_m=0.8e-6,
        reading_step_m=found.written_step_m,
        repeat=found.repeat,
    )
    true = json.loads((SERIES / "truth.json").read_text(encoding="utf-8"))["runs"]["08-steel-3-mm"]
    assert test.n_repeats == 3
    assert test.stiffness_n_per_m.interval.contains(true["push_stiffness_n_per_m"])


# ------------------------------------------------------------------------------------------------- faults
@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("load [N],reading [um]\n0,0\n5,12\n10,\n15,30\n", r"line 4, column 'reading \[um\]': found ''.*Cure"),
        ("load [N],reading [um]\n0,0\n5,12\n10,x2\n15,30\n", "line 4.*'x2'.*a number"),
        ("load [N],reading [um]\n0,0\n5,12\n10,20,7\n15,30\n", "line 4.*3 cell.*Cure"),
        ("load [N],reading\n0,0\n5,12\n10,20\n", "line 1, column 'reading'.*without a unit.*reading_unit"),
        ("load [N],reading [div]\n0,0\n5,12\n10,20\n", "in div.*size of a graduation.*0.01 mm"),
        ("load [furlong],reading [um]\n0,0\n5,12\n10,20\n", "'furlong'.*one of n"),
        ("load [MN],reading [um]\n0,0\n5,12\n10,20\n", "'MN'"),
        ("load [N],reading [V]\n0,0\n5,12\n10,20\n", "'V'.*one of um"),
        ("a [N],b [um]\n0,0\n5,12\n10,20\n", "no column for the load"),
        ("load [N],mass [g],reading [um]\n0,0,0\n5,500,12\n", "2 columns for the load"),
        ("0;0\n5;12\n10;20\n", "without a line of titles"),
        ("load [N],reading [um],branch\n0,0,up\n5,12,sideways\n10,20,down\n", "line 3.*'sideways'.*up or down"),
        ("load [N],reading [um],branch\n0,0,up\n9,12,up\n5,8,up\n0,0,down\n", "line 4.*branch up behind the highest"),
        ("load [N],reading [um],repeat\n0,0,1\n5,12,\n9,20,1\n", "line 3, column 'repeat'.*empty"),
    ],
)
def test_faults_name_line_and_cure(tmp_path, text, match):
    with pytest.raises(LogFormatError, match=match):
        read_push_file(write(tmp_path, text))


@pytest.mark.parametrize("spoil", [lambda raw: raw[:-9], lambda raw: raw[:40] + b"\0\0" + raw[42:]])
def test_a_broken_gzip_file_is_named(tmp_path, spoil):
    text = "load [N],reading [um]\n" + "".join(f"{i},{i * i}\n" for i in range(50))
    (tmp_path / "push.csv").write_bytes(spoil(gzip.compress(text.encode())))
    with pytest.raises(LogFormatError, match=r"push\.csv: found a broken gzip file"):
        read_push_file(tmp_path / "push.csv")


@pytest.mark.parametrize("size", ["0", "9" * 400])
def test_a_graduation_of_no_size_names_the_file(tmp_path, size):
    with pytest.raises(ValueError, match=r"push\.csv: size of a graduation"):
        read_push_file(write(tmp_path, f"load [N],reading [{size} um]\n0,0\n5,12\n10,20\n"))


def test_numbers_that_no_gauge_shows_are_refused(tmp_path):
    with pytest.raises(LogFormatError, match=r"line 3, column 'load \[kN\]': found '1e308'"):
        read_push_file(write(tmp_path, "load [kN],reading [um]\n0,0\n1e308,12\n10,20\n"))


def test_contradicting_units_are_refused(tmp_path):
    path = write(tmp_path, "load [N],reading [um]\n0,0\n5,12\n10,20\n")
    with pytest.raises(LogFormatError, match="'um' in the title, 'mm' given"):
        read_push_file(path, reading_unit="mm")
    with pytest.raises(ValueError, match="gravity_m_s2 is 1"):
        read_push_file(path, gravity_m_s2=1.0)


def test_a_missing_file_and_a_log_are_refused(tmp_path):
    with pytest.raises(FileNotFoundError, match="check the path"):
        read_push_file(tmp_path / "none.csv")
    with pytest.raises(LogFormatError, match="more than 5 MB"):
        read_push_file(write(tmp_path, "load [N],reading [um]\n" + "1,1\n" * 1_300_000))


# -------------------------------------------------------------------------------------------- command line
def test_push_job(capsys):
    assert main(["push", str(SERIES / "push-steel-3-mm.csv"), "--sd-um", "0.8"]) == 0
    out = words(capsys.readouterr().out)
    assert "stiffness 142 N/mm [" in out and "3 repeat(s)" in out
    assert "A newton moves the camera by 7.0" in out
    assert "written down in 1 µm" in out and "drives off" in out and "Weights fall" in out


def test_push_job_takes_the_stand_off(capsys, tmp_path):
    block = write(
        tmp_path, "load [N],reading [um]\n" + rows(np.tile(LOADS, 2), np.rint(np.tile(LOADS, 2))), "block.csv"
    )
    assert main(["push", str(SERIES / "push-steel-3-mm.csv"), "--stand", str(block), "--json"]) == 0
    with_stand = json.loads(capsys.readouterr().out)["push"]
    assert main(["push", str(SERIES / "push-steel-3-mm.csv"), "--stand-um-per-n", "1", "0.05", "--json"]) == 0
    given = json.loads(capsys.readouterr().out)["push"]
    assert main(["push", str(SERIES / "push-steel-3-mm.csv"), "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)["push"]
    for one in (with_stand, given):
        taken = whole["compliance_m_per_n"]["value"] - one["compliance_m_per_n"]["value"]
        assert taken == pytest.approx(1e-6, rel=1e-6)


def test_push_job_says_what_is_wrong(capsys, tmp_path):
    assert main(["push", str(write(tmp_path, "load [N],reading\n0,0\n5,1\n9,2\n"))]) == 2
    assert "without a unit" in capsys.readouterr().err
