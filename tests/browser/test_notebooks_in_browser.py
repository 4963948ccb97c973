"""Every notebook in JupyterLab: runs top to bottom, shows no error, asks nobody outside this machine."""

from pathlib import Path

import pytest

NOTEBOOKS = sorted(path.name for path in (Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("notebook", NOTEBOOKS)
def test_a_notebook_runs_top_to_bottom(sheet, notebook):
    found = sheet(notebook)
    cells = found.run_all()
    assert cells and all(cell["count"] for cell in cells if cell["text"].strip())
    bad = [
        output
        for cell in cells
        for output in cell["outputs"]
        if output["output_type"] == "error" or output.get("name") == "stderr"
    ]
    assert not bad
    assert found.errors == []
    assert found.elsewhere == []
    pictures = found.page.evaluate("[...document.querySelectorAll('.jp-OutputArea img')].map((one) => one.alt)")
    assert all(pictures), "a picture without alternative text"
