"""JupyterLab on the loopback interface and a headless Chromium that opens the notebooks in it."""

import json
import os
import shutil
import subprocess
import sys
import time
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path

import nbformat
import pytest
from nbformat import v4

try:
    from playwright import sync_api
except ImportError:
    sync_api = None

ROOT = Path(__file__).parents[2]
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
TOKEN = "only-on-this-machine"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
RUN_ALL = """async () => {
  const app = window.jupyterapp;
  await app.restored;
  for (let i = 0; i < 300 && !app.shell.currentWidget?.context; i++) await new Promise((done) => setTimeout(done, 200));
  const notebook = app.shell.currentWidget;
  await notebook.context.ready;
  await notebook.sessionContext.ready;
  await notebook.sessionContext.session.kernel.info;
  await app.commands.execute("notebook:run-all-cells");
  return notebook.content.widgets.filter((cell) => cell.model.type === "code").map((cell) => ({
    text: cell.model.sharedModel.source,
    count: cell.model.executionCount,
    outputs: cell.model.sharedModel.outputs,
  }));
}"""


SCREEN = "only_the_screen.ipynb"
SCREEN_CELL = """import labkit as lab
from labkit.show.widgets import what_if

facts = lab.load_run("../data/wren-series/01-as-built").facts
feet = {"foot_stiffness_x_n_per_m": (2.6e4, 3.1e4), "foot_stiffness_z_n_per_m": (1.7e5, 2.1e5)}
draws = lab.draws_from_ranges({**feet, "foot_loss_factor": (0.08, 0.12)}, n=24)
what_if(facts, draws, wait_s=0.06, overhead_s=0.3)"""


def _screen_notebook():
    """A notebook that shows the what-if screen and nothing else."""
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return v4.new_notebook(cells=[v4.new_code_cell(SCREEN_CELL)], metadata={"kernelspec": kernel})


def _missing(what: str) -> None:
    """Skip, or fail where the browser is promised (LABKIT_NEEDS_BROWSER=1)."""
    (pytest.fail if os.environ.get("LABKIT_NEEDS_BROWSER") == "1" else pytest.skip)(what)


@dataclass
class Lab:
    """A running JupyterLab."""

    address: str
    folder: Path


@dataclass
class Sheet:
    """An open notebook: its page, what went wrong in the console, and what was asked for elsewhere."""

    page: object
    errors: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)

    def run_all(self) -> list[dict]:
        """Run all cells; give text, execution count and outputs of the code cells."""
        return self.page.evaluate(RUN_ALL)


def _started(folder: Path, process: subprocess.Popen) -> str:
    deadline = time.monotonic() + 90
    while time.monotonic() < deadline:
        for file in folder.glob("jpserver-*.json"):
            address = f"http://127.0.0.1:{json.loads(file.read_text())['port']}"
            try:
                with urllib.request.urlopen(f"{address}/api/status?token={TOKEN}", timeout=5):
                    return address
            except (urllib.error.URLError, OSError):
                pass
        if process.poll() is not None:
            break
        time.sleep(0.2)
    raise RuntimeError(f"JupyterLab did not start (exit code {process.poll()})")


@pytest.fixture(scope="session")
def chromium():
    """Where the browser is."""
    if CHROMIUM is None:
        _missing("no chromium on this machine; install it to run the browser tests")
    return CHROMIUM


@pytest.fixture(scope="session")
def lab(chromium, tmp_path_factory):
    """JupyterLab over copies of notebooks and data, with folders of its own."""
    home = tmp_path_factory.mktemp("lab")
    for name in ("notebooks", "data"):
        shutil.copytree(ROOT / name, home / "work" / name)
    nbformat.write(_screen_notebook(), home / "work" / "notebooks" / SCREEN)
    kinds = {"RUNTIME": "JUPYTER_RUNTIME_DIR", "CONFIG": "JUPYTER_CONFIG_DIR", "DATA": "JUPYTER_DATA_DIR"}
    kinds |= {"WORKSPACES": "JUPYTERLAB_WORKSPACES_DIR", "SETTINGS": "JUPYTERLAB_SETTINGS_DIR"}
    environment = os.environ | {name: str(home / kind.lower()) for kind, name in kinds.items()}
    environment |= {"JUPYTER_TOKEN": TOKEN, "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", "--port=0", "--allow-root"]
    command += ["--LabApp.expose_app_in_browser=True", "--LabApp.news_url=", f"--ServerApp.root_dir={home / 'work'}"]
    command += ["--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate"]
    with open(home / "server.log", "w", encoding="utf-8") as log:
        process = subprocess.Popen(command, env=environment, stdout=log, stderr=subprocess.STDOUT)
        try:
            yield Lab(address=_started(home / "runtime", process), folder=home / "work")
        finally:
            process.terminate()
            process.wait(timeout=30)


@pytest.fixture(scope="session")
def browser(lab, chromium):
    """A headless Chromium."""
    if sync_api is None:
        _missing("playwright is not installed")
    with sync_api.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=chromium, args=FLAGS)
        yield started
        started.close()


@pytest.fixture
def sheet(lab, browser):
    """Opens a notebook by name; its kernel ends with the test."""
    pages = []

    def opened(notebook: str, *, width: int = 1280) -> Sheet:
        page = browser.new_page(viewport={"width": width, "height": 1200})
        pages.append(page)
        found = Sheet(page=page)
        page.on("console", lambda m: found.errors.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda e: found.errors.append(str(e)))
        page.on("request", lambda r: _note_elsewhere(found, r.url))
        page.set_default_timeout(120_000)
        name = notebook.replace(".", "-")
        page.goto(f"{lab.address}/lab/workspaces/{name}/tree/notebooks/{notebook}?token={TOKEN}&reset")
        page.wait_for_function("window.jupyterapp && window.jupyterapp.restored")
        return found

    yield opened
    for page in pages:
        page.evaluate("async () => { await window.jupyterapp.serviceManager.sessions.shutdownAll(); }")
        page.close()


def _note_elsewhere(found: Sheet, url: str) -> None:
    if not url.startswith(("http://127.0.0.1:", "data:", "blob:")):
        found.elsewhere.append(url)
