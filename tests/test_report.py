"""Pages to hand on: of several runs, of notebooks, printed."""

import re
import shutil
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path

import nbformat
import pytest
from nbformat import v4

from labkit.__main__ import main
from labkit.show.notebook_page import notebook_page
from labkit.show.page import Section, print_pdf, render_page
from labkit.show.report import overview_page

DATA = Path(__file__).parents[1] / "data"
WHEN = {"version": "0.0", "when": datetime(2025, 4, 2)}


def test_an_overview_holds_every_run_and_what_differs(analysed):
    runs = [analysed(name) for name in ("wren-hardboard", "wren-foot", "wren-steel")]
    page = overview_page(runs, **WHEN)
    for run in runs:
        assert f"{run.name}, {run.worst_channel}" in page
    differs = page.split("What was tested</h2>")[1].split("</table>")[0]
    assert "panel material" in differs and "mild steel" not in differs and "steel" in differs
    assert "frame mass" not in differs  # the same in all
    assert {"Words", "Sources", "Cautions"} <= set(re.findall("<h2>(.*?)</h2>", page))
    assert "invented for demonstration" in page
    assert "<script" not in page and "http" not in page.replace("http-equiv", "")


def test_one_two_and_several_runs_by_command(tmp_path, capsys):
    path = tmp_path / "page.html"
    runs = [str(DATA / "wren-series" / name) for name in ("06-hardboard-4-mm", "08-steel-3-mm")]
    assert main(["report", runs[0], "--html", str(path)]) == 0
    assert "<title>Run 06-hardboard-4-mm" in path.read_text(encoding="utf-8")
    assert main(["report", *runs, "--html", str(path)]) == 0
    assert "Before and after" in path.read_text(encoding="utf-8")


def notebook(tmp_path, *cells):
    path = tmp_path / "some_question.ipynb"
    nbformat.write(v4.new_notebook(cells=list(cells)), path)
    return path


def test_a_notebook_becomes_a_page(tmp_path):
    code = v4.new_code_cell(
        "print(6 * 7)",
        execution_count=1,
        outputs=[
            v4.new_output("stream", text="42 < 43\n"),
            v4.new_output("display_data", data={"text/html": "<table><tr><th scope='col'>Hz</th></tr></table>"}),
            v4.new_output("display_data", data={"image/png": "AAAA", "text/plain": "a curve"}),
        ],
    )
    path = notebook(tmp_path, v4.new_markdown_cell("# Why?\n\n| a | b |\n|---|---|\n| 1 | 2 |"), code)
    page = notebook_page(path, **WHEN)
    assert page.count("Why?</h1>") == 1 and "<td>1</td>" in page
    assert "42 &lt; 43" in page and '<th scope="col">Hz</th>' in page
    assert 'src="data:image/png;base64,AAAA"' in page and 'alt="a curve"' in page
    assert "6 * 7" not in page and "6 * 7" in notebook_page(path, code=True, **WHEN)
    assert "had not been run" not in page


def test_nothing_that_acts_gets_through(tmp_path):
    evil = (
        "<script>alert(1)</script><img src=x onerror=alert(2)><img src='https://elsewhere/x.png'>"
        "<a href='javascript:alert(3)'>go</a><iframe src='https://elsewhere'></iframe><style>body{display:none}</style>"
        "<svg onload=alert(4)></svg><form action='https://elsewhere'><input></form>"
    )
    cells = [
        v4.new_markdown_cell(evil + "\n\n![p](https://elsewhere/y.png) [l](javascript:alert(5))"),
        v4.new_code_cell(
            "",
            outputs=[
                v4.new_output("display_data", data={"text/html": evil}),
                v4.new_output("display_data", data={"application/javascript": "alert(6)", "text/plain": "<b>x</b>"}),
                v4.new_output("display_data", data={"image/png": 'AA" onload="alert(7)', "text/plain": '"><script>'}),
                v4.new_output("error", ename="<script>", evalue="alert(8)", traceback=[]),
            ],
        ),
    ]
    body = notebook_page(notebook(tmp_path, *cells), **WHEN).split("</h1>", 1)[1].split("<footer>")[0]
    seen = Seen()
    seen.feed(body)
    assert not {tag for tag, _ in seen.tags} & {"script", "iframe", "style", "svg", "form", "input", "object", "embed"}
    for tag, attributes in seen.tags:
        assert not any(name.startswith("on") for name in attributes), (tag, attributes)
        assert not attributes.get("href", "").startswith("javascript:")
        assert attributes.get("src", "data:image/png;base64,").startswith("data:image/png;base64,")


class Seen(HTMLParser):
    """Every tag with its attributes."""

    def __init__(self):
        super().__init__()
        self.tags = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, {name: value or "" for name, value in attrs}))


def test_a_page_forbids_scripts_and_network_by_its_policy():
    page = render_page("t", "", (), [Section(title="s")], synthetic=False, **WHEN)
    assert "default-src 'none'; img-src data:; style-src 'unsafe-inline'" in page


def test_wrong_notebooks_are_refused(tmp_path, capsys):
    broken = tmp_path / "broken.ipynb"
    broken.write_text('{"cells": 3}', encoding="utf-8")
    assert main(["report", str(broken)]) == 2
    assert "is no notebook" in capsys.readouterr().err
    broken.write_text('{"nbformat": 4, "cells": [{"cell_type": "code"}]}', encoding="utf-8")
    assert main(["report", str(broken)]) == 2
    assert "its cell 1 has no type, source" in capsys.readouterr().err
    broken.write_text("{", encoding="utf-8")
    assert main(["report", str(broken)]) == 2
    assert "not JSON" in capsys.readouterr().err
    assert main(["report", str(broken), str(DATA / "wren-foot")]) == 2
    assert "one notebook at a time" in capsys.readouterr().err


def test_cells_that_were_not_run_are_said(tmp_path):
    assert "had not been run" in notebook_page(notebook(tmp_path, v4.new_code_cell("1 + 1")), **WHEN)


def test_without_a_browser_the_cure_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr(shutil, "which", lambda name: None)
    with pytest.raises(ValueError, match="install chromium"):
        print_pdf("<p>x</p>", tmp_path / "x.pdf")


def test_a_failed_print_leaves_the_old_file(tmp_path, monkeypatch):
    fake = tmp_path / "chromium"
    fake.write_text("#!/bin/sh\necho no display >&2\nexit 1\n", encoding="utf-8")
    fake.chmod(0o755)
    monkeypatch.setattr(shutil, "which", lambda name: str(fake))
    old = tmp_path / "x.pdf"
    old.write_bytes(b"old")
    with pytest.raises(ValueError, match=r"could not print .*no display"):
        print_pdf("<p>x</p>", old)
    assert old.read_bytes() == b"old"
