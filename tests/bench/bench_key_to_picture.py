"""From a key on a slider to the new picture, in JupyterLab: the median of single keys, and the lag of held-down ones.

Run with ``pytest tests/bench/bench_key_to_picture.py -o python_files='bench_*.py' -s``; it needs a chromium. Nothing is
asserted about time.
"""

import importlib.util
import statistics
from pathlib import Path

_SPEC = importlib.util.spec_from_file_location("lab_in_browser", Path(__file__).parents[1] / "browser" / "conftest.py")
_LAB = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(_LAB)
chromium, lab, browser, sheet = _LAB.chromium, _LAB.lab, _LAB.browser, _LAB.sheet

WATCH = """() => {
  window.keys = []; window.shown = [];
  const picture = document.querySelector("img[data-count]");
  new MutationObserver(() => window.shown.push(performance.now()))
    .observe(picture, { attributes: true, attributeFilter: ["data-count"] });
  document.addEventListener("keydown", () => window.keys.push(performance.now()), true);
}"""


def test_key_to_picture(sheet):
    page = sheet(_LAB.SCREEN).page
    page.evaluate(_LAB.RUN_ALL)
    page.wait_for_selector("img[data-count]")
    page.wait_for_timeout(2000)
    page.evaluate(WATCH)
    page.get_by_label("panel thickness [mm], slider").focus()
    for _ in range(30):
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(600)
    keys, shown = page.evaluate("[window.keys, window.shown]")
    waits = [min(one - key for one in shown if one > key) for key in keys]
    print(f"\nkey to picture: median {statistics.median(waits):.0f} ms, longest {max(waits):.0f} ms of {len(waits)}")
    page.evaluate("window.keys = []; window.shown = []")
    for _ in range(60):
        page.keyboard.press("ArrowLeft")
        page.wait_for_timeout(30)
    page.wait_for_timeout(1500)
    keys, shown = page.evaluate("[window.keys, window.shown]")
    first = min(one for one in shown if one > keys[-1]) - keys[-1]
    print(f"held down, 60 keys: {len(shown)} pictures, the one after the last key {first:.0f} ms behind it")
