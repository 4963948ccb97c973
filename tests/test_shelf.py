"""Shelves: many runs and parcels as one table, read again only when their contents changed, and the nearest builds."""

import errno
import json
import math
import os
import re
import time

import duckdb
import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from labkit.__main__ import main
from labkit.base import Estimate
from labkit.decide.nearest import Wanted, find_material, nearest_builds
from labkit.runs import runfolder
from labkit.runs.share import shelf as shelf_module
from labkit.runs.share.parcel import open_parcel
from labkit.runs.share.parcel_contents import LOG_KINDS
from labkit.runs.share.parcel_making import make_parcel
from labkit.runs.share.results import RunResults, log_checksums, results_text
from labkit.runs.share.shelf import INDEX_FILE, index_shelf
from labkit.show.shelf import MEASURED, plot_shelf, plot_shelf_overview, shelf_table
from labkit.show.tables import tidy

LONG_AGO = time.time() - 1000


def estimate(value):
    return Estimate.from_standard_error(value, 0.02 * value, dof=11)


def age(folder):
    """Make everything look as if it had been written a while ago: what has just changed is never trusted."""
    for path in [folder, *folder.rglob("*")]:
        os.utime(path, (LONG_AGO, LONG_AGO), follow_symlinks=False)


def build(folder, *, material="hardboard", mm=4.0, foot="false", results=True, f_hz=25.0, push=None):
    folder.mkdir(parents=True)
    (folder / "log.csv").write_text(f"t [s],ax [g]\n0,{f_hz}\n")
    (folder / "run.toml").write_text(
        f'[run]\nsynthetic = true\n[panel]\nmaterial = "{material}"\nthickness_mm = {mm}\nfoot_under_camera = {foot}\n'
        "[move]\ncommanded_acceleration_m_s2 = 4.0\n[machine]\nhead_mass_kg = 0.6\nframe_mass_kg = 22\n"
    )
    if results:
        (folder / "results.json").write_text(stored(folder, f_hz))
    if push:
        part = {"value": push, "standard_error": 1e-8, "interval": {"low": push / 2, "high": push * 2, "level": 0.95}}
        (folder / "push.json").write_text(json.dumps({"push": {"compliance_m_per_n": part}}))
    return folder


def stored(folder, f_hz):
    numbers = {"frequency_hz": estimate(f_hz), "settling_s": estimate(8 / f_hz), "moves": estimate(12)}
    logs = log_checksums(folder, ["run.toml", "log.csv"])
    return results_text(RunResults(run=folder.name, numbers=numbers, logs=logs, software={"rigidity-lab": "0"}))


@pytest.fixture
def shelf(tmp_path):
    folder = tmp_path / "shelf"
    build(folder / "a" / "foot", foot="true", f_hz=40.0, push=2e-6)
    build(folder / "plain")
    build(folder / "new", results=False)
    build(tmp_path / "steel", material="mild steel", mm=3.0, f_hz=30.0)
    how = {"licence": "CC-BY-4.0", "software": {"rigidity-lab": "0"}}
    make_parcel([tmp_path / "steel"], folder / "steel.zip", results=lambda there: stored(there, 30.0), **how)
    open_parcel(folder / "steel.zip", folder / "opened")
    age(folder)
    return folder


def row(table, entry):
    return table[table["entry"] == entry].iloc[0]


def test_every_run_is_found_with_its_facts_and_numbers_in_si(shelf):
    runs = index_shelf(shelf).runs
    assert runs["entry"].tolist() == ["a/foot", "new", "opened/data/runs/steel", "plain", "steel.zip"]
    foot, new, parcel = (row(runs, entry) for entry in ("a/foot", "new", "steel.zip"))
    assert foot["thickness_m"] == pytest.approx(0.004) and foot["foot_under_camera"] is np.True_
    assert foot["frequency_hz"] == 40.0 and foot["frequency_hz_low"] < 39 < 41 < foot["frequency_hz_high"]
    assert foot["compliance_m_per_n"] == 2e-6 and math.isnan(foot["blur_px"])
    assert new["status"] == "no results" and math.isnan(new["frequency_hz"]) and new["thickness_m"] == 0.004
    assert parcel["licence"] == "CC-BY-4.0" and parcel["run"] == "steel" and parcel["settling_s"] == 8 / 30


def test_nothing_is_read_twice_and_everything_that_changed_is(shelf):
    assert index_shelf(shelf).n_read == 5
    again = index_shelf(shelf)
    assert again.n_read == 0
    assert index_shelf(shelf, afresh=True).n_read == 5
    pd.testing.assert_frame_equal(again.table, index_shelf(shelf).table)
    text = (shelf / "plain" / "run.toml").read_text()
    (shelf / "plain" / "run.toml").write_text(text.replace("hardboard", "birchwood"))  # same size
    os.utime(shelf / "plain" / "run.toml", (LONG_AGO + 5, LONG_AGO + 5))
    changed = index_shelf(shelf)
    assert changed.n_read == 1 and row(changed.runs, "plain")["material"] == "birchwood"
    (shelf / "steel.zip").unlink()
    build(shelf / "later")
    gone = index_shelf(shelf)
    assert (
        gone.n_read == 1 and "steel.zip" not in gone.runs["entry"].tolist() and "later" in gone.runs["entry"].tolist()
    )
    assert index_shelf(shelf).n_read == 1  # "later" has just been written: a second change might leave no trace
    age(shelf / "later")
    assert index_shelf(shelf).n_read == 1 and index_shelf(shelf).n_read == 0


def test_a_change_within_the_tick_of_the_clock_is_seen(shelf):
    path = shelf / "plain" / "log.csv"
    now = time.time()
    os.utime(path, (now, now))
    assert row(index_shelf(shelf).runs, "plain")["status"] == "results"
    path.write_text(path.read_text().replace("25.0", "26.0"))
    os.utime(path, (now, now))  # same size and time as before
    assert row(index_shelf(shelf).runs, "plain")["status"] == "stale results"


@pytest.mark.parametrize("file", ["log.csv", "run.toml"])
def test_results_of_other_logs_are_stale_and_not_shown(shelf, file):
    with (shelf / "plain" / file).open("a") as stream:
        stream.write("# more\n")
    plain = row(index_shelf(shelf).runs, "plain")
    assert plain["status"] == "stale results" and math.isnan(plain["frequency_hz"])


def test_a_log_that_was_added_makes_results_stale(shelf):
    (shelf / "plain" / "more.csv").write_text("t [s],ax [g]\n0,1.0\n")
    assert row(index_shelf(shelf).runs, "plain")["status"] == "stale results"
    assert {kind for kind in LOG_KINDS if not kind.endswith(".gz")} == runfolder._LOG_SUFFIXES


def test_an_index_that_came_from_someone_else_cannot_command_a_terminal(shelf):
    table = index_shelf(shelf).table
    table.loc[0, "title"] = "\x1b[2J"
    table.to_parquet(shelf / INDEX_FILE, index=False)
    assert index_shelf(shelf).table["title"][0] == "\\x1b[2J"
    assert index_shelf(shelf, afresh=True).table["title"][0] == ""


def test_a_log_below_the_folder_is_watched(shelf):
    folder = build(shelf / "deep")
    (folder / "logs").mkdir()
    (folder / "log.csv").rename(folder / "logs" / "log.csv")
    logs = log_checksums(folder, ["run.toml", "logs/log.csv"])
    (folder / "results.json").write_text(results_text(RunResults(run="deep", logs=logs)))
    age(shelf)
    assert row(index_shelf(shelf).runs, "deep")["status"] == "results" and index_shelf(shelf).n_read == 0
    (folder / "logs" / "log.csv").write_text("t [s],ax [g]\n0,99.0\n")
    assert row(index_shelf(shelf).runs, "deep")["status"] == "stale results"


def hostile(shelf):
    (shelf / "not-a-zip.zip").write_bytes(b"hello")
    good = (shelf / "steel.zip").read_bytes()
    (shelf / "cut.zip").write_bytes(good[: len(good) // 2])
    (shelf / "changed.zip").write_bytes(good.replace(b"bag-info", b"bog-info"))
    for name, text in (("bad-toml", "[panel\n"), ("bad-key", "[panel]\nmatter = 1\n"), ("deep", "a = " + "[" * 9000)):
        (shelf / name).mkdir()
        (shelf / name / "run.toml").write_text(text)
    (shelf / "latin").mkdir()
    (shelf / "latin" / "run.toml").write_bytes(b'[panel]\nmaterial = "\xe9"\n')
    build(shelf / "bad-results")
    (shelf / "bad-results" / "results.json").write_text('{"format": "rigidity-lab results", "version": 1, "each": 1}')
    build(shelf / "spy")
    (shelf / "spy" / "log.csv").unlink()
    (shelf / "spy" / "log.csv").symlink_to("/etc/passwd")
    build(shelf / "linked")
    (shelf / "linked" / "results.json").unlink()
    (shelf / "linked" / "results.json").symlink_to("/etc/passwd")
    build(shelf / "pipe", results=False)
    os.mkfifo(shelf / "pipe" / "results.json")  # reading it would never end
    build(shelf / "big", results=False)
    (shelf / "big" / "results.json").write_bytes(b" " * (9 << 20))
    (shelf / "loop").symlink_to(shelf)
    build(shelf / "nasty", material="\\u001b[2Jsteel\\u202e<script>")


def test_hostile_and_broken_entries_are_skipped_with_a_reason(shelf):
    hostile(shelf)
    indexed = index_shelf(shelf)
    reasons = dict(zip(indexed.skipped["entry"], indexed.skipped["reason"]))
    expected = {
        "not-a-zip.zip": "plain ZIP",
        "cut.zip": "plain ZIP",
        "changed.zip": "bog-info|Rule",
        "bad-toml": "invalid TOML|TOML|line 1|Expected",
        "bad-key": "unknown key 'matter'",
        "deep": "nested|too deep|TOML|recursion",
        "latin": "decode|UTF-8",
        "bad-results": "each that is no table",
        "linked": "a link or no plain file",
        "pipe": "a link or no plain file",
        "big": "larger than it may be",
    }
    assert set(reasons) == set(expected)
    for entry, words in expected.items():
        assert re.search(words, reasons[entry]), reasons[entry]
    assert row(indexed.runs, "spy")["status"] == "stale results"
    assert row(indexed.runs, "nasty")["material"] == "\\x1b[2Jsteel\\u202e<script>"
    texts = indexed.table.select_dtypes("string")
    assert "material" in texts and not set("".join(texts.to_numpy().ravel())) & set("\x1b\u202e")
    assert not [entry for entry in indexed.runs["entry"] if "loop" in entry]
    age(shelf)
    index_shelf(shelf)
    assert index_shelf(shelf).n_read == 0  # what was skipped is not tried again either


def test_a_folder_that_cannot_be_read_is_skipped(shelf, monkeypatch):
    scandir = os.scandir

    def guarded(path):
        if str(path).endswith("/a"):
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return scandir(path)

    index_shelf(shelf)
    monkeypatch.setattr(shelf_module.os, "scandir", guarded)
    indexed = index_shelf(shelf)
    assert len(indexed.runs) == 4 and indexed.skipped.to_dict("records") == [
        {"entry": "a", "reason": "the folder cannot be read (Permission denied)"}
    ]
    monkeypatch.undo()
    assert len(index_shelf(shelf).runs) == 5


def test_the_index_does_not_tell_where_the_shelf_stands(shelf):
    hostile(shelf)
    index_shelf(shelf)
    assert str(shelf).encode() not in (shelf / INDEX_FILE).read_bytes()
    assert not index_shelf(shelf).table["reason"].str.contains(str(shelf), regex=False).any()


@pytest.mark.parametrize("damage", [b"", b"PAR1 nonsense PAR1", "other"])
def test_a_damaged_index_is_made_anew(shelf, damage):
    index_shelf(shelf)
    if damage == "other":
        pd.DataFrame({"entry": ["x"]}).to_parquet(shelf / INDEX_FILE)
    else:
        (shelf / INDEX_FILE).write_bytes(damage)
    again = index_shelf(shelf)
    assert again.n_read == 5 and "made anew" in again.notes[0]
    assert index_shelf(shelf).n_read == 0


def test_a_shelf_that_cannot_keep_an_index_works_without(shelf, monkeypatch):
    def fails(*_, **__):
        raise PermissionError("read-only")

    monkeypatch.setattr(shelf_module.os, "replace", fails)
    indexed = index_shelf(shelf)
    assert len(indexed.runs) == 5 and "not kept" in indexed.notes[0]
    assert not [path for path in shelf.iterdir() if INDEX_FILE in path.name]


def test_an_empty_shelf_is_empty(tmp_path, capsys):
    assert index_shelf(tmp_path).runs.empty
    assert main(["shelf", str(tmp_path)]) == 0
    assert main(["shelf", str(tmp_path), "--material", "steel", "--thickness-mm", "3"]) == 0
    assert main(["shelf", str(tmp_path / "nowhere")]) == 2
    assert "0 runs" in capsys.readouterr().out


# ------------------------------------------------------------------------------------------- read by others
def test_the_same_layout_is_read_by_another_program_at_a_hundred_thousand_rows(shelf, tmp_path):
    """When a shelf outgrows a machine: many index files side by side, queried by DuckDB without loading them."""
    index = index_shelf(shelf).table
    rng = np.random.default_rng(3)
    many = index.iloc[rng.integers(0, len(index), 100_000)].reset_index(drop=True)  # invented: rows drawn again
    many["thickness_m"] = rng.choice([0.003, 0.004, 0.006], len(many))
    many["frequency_hz"] = rng.lognormal(3.3, 0.3, len(many))
    for k in range(4):
        many.iloc[k::4].to_parquet(tmp_path / f"shelf-{k}.parquet", index=False)
    query = (
        "select material, thickness_m, count(*) as n, median(frequency_hz) as f from read_parquet("
        f"'{tmp_path}/shelf-*.parquet') where status = 'results' and foot_under_camera group by all order by all"
    )
    with duckdb.connect(":memory:") as database:
        found = database.execute(query).df()
    own = many[(many["status"] == "results") & many["foot_under_camera"].fillna(False)]
    own = own.groupby(["material", "thickness_m"])["frequency_hz"].agg(["size", "median"]).reset_index()
    assert found["n"].tolist() == own["size"].tolist() and found["n"].sum() > 15_000
    assert found["f"].to_numpy() == pytest.approx(own["median"].to_numpy())


# ----------------------------------------------------------------------------------------------- the nearest
@pytest.mark.parametrize(
    ("words", "name"),
    [
        ("Acrylic", "cast acrylic"),
        ("PMMA", "cast acrylic"),
        ("steel", "mild steel"),
        ("stainless-steel", "stainless steel"),
        ("birch plywood, 5 ply", "birch plywood"),
        ("mdf", "MDF"),
        ("hardbord", "hardboard"),
        ("kryptonite", None),
        ("", None),
    ],
)
def test_materials_in_everyday_words(words, name):
    found = find_material(words)
    assert (found and found.name) == name


def builds(*rows):
    base = {"status": "results", "foot_under_camera": False, "frame_mass_kg": 22.0, "head_mass_kg": 0.6}
    base |= {"acceleration_m_s2": 4.0, "material": "", "thickness_m": math.nan}
    return pd.DataFrame([base | {"entry": f"b{k}"} | r for k, r in enumerate(rows)])


def test_distance_counts_doublings():
    table = builds(
        {"material": "acrylic", "thickness_m": 0.006},
        {"material": "Cast acrylic", "thickness_m": 0.012},
        {"material": "acrylic", "thickness_m": 0.006, "foot_under_camera": True},
        {"material": "acrylic", "thickness_m": 0.006, "foot_under_camera": None, "acceleration_m_s2": 8.0},
        {"material": "acrylic"},
        {},
    )
    wanted = Wanted(material="PMMA", thickness_m=0.006, foot_under_camera=False, acceleration_m_s2=4.0)
    found = nearest_builds(table, wanted, most=9).set_index("entry")
    assert found["distance"].to_dict() == pytest.approx({"b0": 0, "b1": 1, "b2": 1, "b4": 1, "b3": math.sqrt(2)})
    assert found.loc["b1", "differs"] == "2× the thickness"
    assert found.loc["b3", "differs"] == "foot not stated; 2× the acceleration"
    assert found.loc["b4", "differs"] == "thickness not stated"
    assert nearest_builds(table, wanted, most=2)["entry"].tolist() == ["b0", "b1"]


def test_other_materials_are_set_beside_by_bending_stiffness():
    """E·h³/(1 − ν²): acrylic of 3.2 GPa against steel of 205 GPa, ν of the table, typed out here."""
    ratio = 205e9 / (1 - find_material("mild steel").poisson_ratio.value ** 2) * 0.002**3
    acrylic = find_material("acrylic")
    ratio /= acrylic.young_modulus_pa.value / (1 - acrylic.poisson_ratio.value**2) * 0.008**3
    wanted = Wanted(material="acrylic", thickness_m=0.008)
    found = nearest_builds(builds({"material": "mild steel", "thickness_m": 0.002}), wanted)
    assert found["distance"][0] == pytest.approx(math.hypot(1.0, math.log(ratio) / math.log(8)))
    assert "as stiff in bending" in found["differs"][0]
    odd = nearest_builds(builds({"material": "wonderboard", "thickness_m": 0.008}), wanted)
    assert odd["distance"][0] == 1.0 and odd["differs"][0] == "wonderboard"


@pytest.mark.parametrize(
    "how", [{"thickness_m": 0.0}, {"thickness_m": math.nan}, {"material": " "}, {"head_mass_kg": -1.0}]
)
def test_a_build_that_cannot_be_is_refused(how):
    with pytest.raises(ValueError):
        Wanted(**{"material": "steel", "thickness_m": 0.003} | how)


# --------------------------------------------------------------------------------------------- what people see
def test_the_table_is_in_bench_units(shelf):
    runs = index_shelf(shelf).runs
    table = shelf_table(runs).set_index("run")
    foot = table.loc["a/foot"]
    assert foot["thickness [mm]"] == "4" and foot["foot"] == "yes" and foot["compliance [µm/N]"] == "2 [1, 4]"
    assert foot["settling time [ms]"].startswith("200 [") and foot["blur [px]"] == "–"
    assert table.loc["new", "note"] == "no results, invented data"
    runs.loc[runs["entry"] == "plain", ["settling_s", "tolerance_m"]] = [math.nan, 3e-6]
    assert shelf_table(runs).set_index("run").loc["plain", "note"] == "no settling time for every move, invented data"
    near = shelf_table(nearest_builds(runs, Wanted(material="hardboard", thickness_m=0.004, foot_under_camera=True)))
    assert near["run"][0] == "a/foot" and near["distance"][0] == "0.00"


def test_a_strangers_text_is_shown_as_text(shelf, tmp_path):
    build(shelf / "nasty", material="<script>$\\\\frac{</script>", mm=2.0)
    runs = index_shelf(shelf).runs
    assert "&lt;script&gt;" in (page := tidy(shelf_table(runs)).to_html()) and "<script>" not in page
    figure = plot_shelf_overview(runs)
    figure.savefig(tmp_path / "shelf.svg")
    plt.close(figure)
    assert "<script>" not in (tmp_path / "shelf.svg").read_text()


@pytest.mark.parametrize("y", MEASURED)
def test_plots_hold_what_the_table_holds(shelf, y):
    runs = index_shelf(shelf).runs
    ax = plot_shelf(runs, y=y)
    drawn = [float(v) for c in ax.collections if hasattr(c, "get_sizes") for v in c.get_offsets()[:, 1]]
    one = MEASURED[y]
    assert sorted(drawn) == pytest.approx(sorted(one.scale * runs[one.column].dropna()))
    assert one.unit in ax.get_ylabel() and f"{len(drawn)} builds" in ax.get_label()
    plt.close(ax.figure)


def test_the_overview_names_every_material_once(shelf):
    figure = plot_shelf_overview(index_shelf(shelf).runs, x="acceleration")
    assert sorted(text.get_text() for text in figure.legends[0].get_texts()) == ["hardboard", "mild steel"]
    plt.close(figure)


# ------------------------------------------------------------------------------------------- the command line
def test_the_job_lists_skipped_entries_and_draws(shelf, capsys, tmp_path):
    (shelf / "bad.zip").write_bytes(b"x")
    assert main(["shelf", str(shelf), "--plot", str(tmp_path / "all.png")]) == 0
    out = capsys.readouterr().out
    assert "5 runs, 1 with no results" in out and "bad.zip" in out and "skipped: 1" in out
    assert (tmp_path / "all.png").read_bytes().startswith(b"\x89PNG")
    assert main(["shelf", str(shelf), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert len(said["runs"]) == 5 and list(said["skipped"]) == ["bad.zip"]
    assert main(["shelf", str(shelf), "--material", "steel", "--thickness-mm", "3", "--most", "1"]) == 0
    assert "nearest builds of 5 runs" in capsys.readouterr().out
    assert main(["shelf", str(shelf), "--material", "steel"]) == 2


def test_runs_are_analysed_when_asked_and_failures_are_told(shelf, capsys):
    """The logs here are too short to be read as logs: analysing says so and leaves the shelf as it was."""
    assert main(["shelf", str(shelf), "--analyse"]) == 0
    out = capsys.readouterr().out
    assert "not analysed: new:" in out and not (shelf / "new" / "results.json").exists()
