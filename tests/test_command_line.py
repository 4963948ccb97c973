"""The command line as a builder meets it: exit codes, words instead of tracebacks, a page that loads nothing."""

import html.parser
import json
import re
from pathlib import Path

import numpy as np
import pytest

from labkit.__main__ import main

DATA = Path(__file__).parents[1] / "data"
RATE = 800.0


def bench_log(path, *, separator=",", header="t [s],ax [g],ay [g],az [g]", seed=0, gain=1.0, moves=6):
    """A log of six moves, each a burst and a decay of one mode at 17 Hz; own synthesis."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(2.5 * moves * RATE)) / RATE
    az = np.zeros_like(t)
    for k in range(moves):
        since = t - (1.0 + 2.3 * k)
        w = 2 * np.pi * 17
        az += np.where(since >= 0, 0.02 * gain * np.exp(-0.04 * w * since) * np.sin(w * since), 0.0)
    values = np.stack([0 * t, 0 * t, 1 + az]) + 2e-3 * rng.standard_normal((3, t.size))
    np.savetxt(path, np.column_stack([t, values.T]), delimiter=separator, header=header, comments="", fmt="%.6f")
    return path


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    return bench_log(folder / "before.csv"), bench_log(folder / "after.csv", seed=1, gain=0.5)


def test_check_says_what_it_found(capsys, bench):
    assert main(["check", str(bench[0])]) == 0
    assert "checks passed" in capsys.readouterr().out


def test_check_of_an_unfit_log_exits_with_one(capsys, tmp_path):
    path = bench_log(tmp_path / "wrong.csv", header="t [s],ax [m/s^2],ay [m/s^2],az [m/s^2]")
    assert main(["check", str(path)]) == 1
    out = capsys.readouterr().out
    assert "FATAL" in out and "0.102 g" in out


def test_analyse_prints_modes_and_settling(capsys, bench):
    assert main(["analyse", str(bench[0]), "--tolerance-um", "3"]) == 0
    out = capsys.readouterr().out
    assert re.search(r"1[67]\.\d+ \[1[67]\.\d+, 17\.\d+\]", out)
    assert "settles within ±3 µm" in out


def test_compare_reaches_a_verdict(capsys, bench):
    assert main(["compare", *map(str, bench), "--tolerance-um", "3"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    # without move facts the end of a move is vague, so settling times are; the displacement is not
    assert "Improved: az largest displacement is 2." in out
    assert "the end of each move was estimated from its burst" in out


def test_json_is_json_and_holds_the_numbers(capsys, bench):
    assert main(["compare", *map(str, bench), "--tolerance-um", "3", "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    peak = next(c for c in content["verdict"]["motion"]["changes"] if c["name"] == "az largest displacement")
    assert peak["ratio"]["value"] == pytest.approx(0.5, abs=0.05)
    assert content["before"]["modes"][0]["frequency_hz"]["value"] == pytest.approx(17.0, rel=0.01)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["check", "nowhere.csv"], "nowhere.csv"),
        (["analyse", "{bench}", "--channels", "q"], "'q'"),
        (["analyse", "{bench}", "--tolerance-um", "-1"], "tolerance_m"),
        (["analyse", "{bench}", "--units", "furlong"], "furlong"),
        (["compare", "{bench}", "{folder}"], "no log file"),
    ],
)
def test_wrong_input_is_told_in_words(capsys, bench, tmp_path, arguments, words):
    filled = [a.format(bench=bench[0], folder=tmp_path) for a in arguments]
    assert main(filled) == 2
    captured = capsys.readouterr()
    assert words in captured.err and "Traceback" not in captured.err and captured.out == ""


def test_an_unknown_job_exits_with_two(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["juggle"])
    assert stop.value.code == 2


def test_new_run_makes_a_file_and_never_overwrites(capsys, tmp_path):
    assert main(["new-run", str(tmp_path / "mine")]) == 0
    text = (tmp_path / "mine" / "run.toml").read_text()
    assert "[camera]" in text
    assert main(["new-run", str(tmp_path / "mine")]) == 2
    assert (tmp_path / "mine" / "run.toml").read_text() == text


class Page(html.parser.HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.images, self.links = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        values = dict(attrs)
        if tag == "img":
            self.images.append(values)
        self.links += [v for k, v in attrs if k in ("src", "href") and not v.startswith("data:")]


@pytest.fixture(scope="module")
def pages(bench, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    hostile = folder / "<img src=x onerror=alert(1)>"
    hostile.mkdir()
    (hostile / "run.toml").write_text(
        '[run]\ntitle = "<script>alert(1)</script>"\nchange = "<b>foot</b>"\n[camera]\ntolerance_um = 3.0\n'
    )
    bench_log(hostile / "log.csv", seed=3, gain=0.4)
    paths = folder / "compare.html", folder / "analyse.html"
    assert main(["compare", str(bench[0]), str(hostile), "--tolerance-um", "3", "--html", str(paths[0])]) == 0
    assert main(["analyse", str(hostile), "--html", str(paths[1])]) == 0
    return [Page(path.read_text(encoding="utf-8")) for path in paths]


def test_pages_load_nothing_and_run_nothing(pages):
    for page in pages:
        assert not {"script", "link", "iframe", "object", "b"} & set(page.tags)
        assert page.links == []


def test_every_figure_has_words(pages):
    for page in pages:
        assert len(page.images) >= 2
        assert all(len(image["alt"]) > 30 and "onerror" not in image for image in page.images)


def test_the_demo_says_that_it_is_invented(capsys, tmp_path):
    path = tmp_path / "demo.html"
    assert main(["compare", str(DATA / "wren-steel"), str(DATA / "wren-foot"), "--html", str(path)]) == 0
    assert "invented" in path.read_text(encoding="utf-8")
