"""Parts of a notebook's page that the stock widgets lack: a picture to click, numbers that keep what was typed.

The picture is replaced fast and tells clicks and keys. The dials show each number twice, to type and to drag, with a
name that screen readers say, and never move a value to the next step by themselves.
"""

from __future__ import annotations

import anywidget
import traitlets

__all__ = ["ClickablePicture", "NumberDials"]

_PICTURE = """
function render({ model, el }) {
  const picture = document.createElement("img");
  picture.tabIndex = 0;
  picture.style.maxWidth = "100%";
  el.appendChild(picture);
  let address = null;
  const draw = () => {
    const old = address;
    address = URL.createObjectURL(new Blob([model.get("png")], { type: "image/png" }));
    picture.onload = () => { if (old) URL.revokeObjectURL(old); picture.dataset.count = model.get("count"); };
    picture.src = address;
    picture.alt = model.get("alt");
    picture.width = model.get("width");
  };
  const tell = (event) => { model.set("event", { ...event, at: Date.now() }); model.save_changes(); };
  picture.addEventListener("click", (e) => {
    const box = picture.getBoundingClientRect();
    tell({ kind: "click", x: (e.clientX - box.left) / box.width, y: (e.clientY - box.top) / box.height });
  });
  picture.addEventListener("keydown", (e) => {
    if (!model.get("takes").includes(e.key)) return;
    e.preventDefault();
    e.stopPropagation();
    tell({ kind: "key", key: e.key });
  });
  const theme = () => {
    const dark = document.body.dataset.jpThemeLight === "false";
    if (dark !== model.get("dark")) { model.set("dark", dark); model.save_changes(); }
  };
  const watcher = new MutationObserver(theme);
  watcher.observe(document.body, { attributes: true, attributeFilter: ["data-jp-theme-light"] });
  model.on("change:count", draw);
  theme();
  draw();
  return () => { watcher.disconnect(); if (address) URL.revokeObjectURL(address); };
}
export default { render };
"""


class ClickablePicture(anywidget.AnyWidget):
    """Picture with alternative text; tells clicks, keys, and whether the page is dark.

    Set `png` and `alt` first, then `count`, which makes the page show them; everything within `hold_sync`.

    Parameters
    ----------
    png : bytes
        The picture.
    alt : str
        What it shows, in words.
    width : int
        Width on the page [CSS px]; narrower pages shrink it.
    takes : list of str
        Keys that it takes while it has the focus, by their names in the browser.
    event : dict
        The last click (kind, x, y as shares of the picture from its top left) or key (kind, key).
    dark : bool
        Whether the page has a dark theme.
    """

    _esm = _PICTURE
    png = traitlets.Bytes(b"").tag(sync=True)
    alt = traitlets.Unicode("").tag(sync=True)
    width = traitlets.Int(900).tag(sync=True)
    count = traitlets.Int(0).tag(sync=True)
    takes = traitlets.List(traitlets.Unicode()).tag(sync=True)
    event = traitlets.Dict().tag(sync=True)
    dark = traitlets.Bool(False).tag(sync=True)

    def show(self, png: bytes, alt: str) -> None:
        """Replace the picture."""
        with self.hold_sync():
            self.png, self.alt = png, alt
            self.count += 1


_DIALS = """
function render({ model, el }) {
  const style = document.createElement("style");
  style.textContent = `
    .dial-grid { display: grid; grid-template-columns: repeat(auto-fill, minmax(340px, 1fr)); gap: 3px 18px; }
    .dial-grid label { display: grid; grid-template-columns: 150px 76px 1fr; gap: 8px; align-items: center;
      font: var(--jp-widgets-font-size, 13px) sans-serif; color: var(--jp-content-font-color1, inherit); }
    .dial-grid input[type=number] { width: 70px; color: inherit; padding: 2px 4px;
      background: var(--jp-layout-color1, transparent); border: 1px solid var(--jp-border-color1, #999); }
    .dial-grid input[type=range] { min-width: 60px; }
    .dial-grid input:invalid { outline: 2px solid #D55E00; }`;
  const grid = document.createElement("div");
  grid.className = "dial-grid";
  el.append(style, grid);
  const pairs = {};
  const tell = (key, value) => {
    model.set("values", { ...model.get("values"), [key]: value });
    model.save_changes();
  };
  for (const dial of model.get("dials")) {
    const row = document.createElement("label");
    const name = document.createElement("span");
    name.textContent = dial.label;
    const made = ["number", "range"].map((type) => {
      const input = document.createElement("input");
      Object.assign(input, { type, min: dial.low, max: dial.high, step: type === "range" ? dial.step : "any" });
      input.setAttribute("aria-label", dial.label + (type === "range" ? ", slider" : ""));
      input.dataset.dial = dial.key;
      return input;
    });
    const [number, range] = made;
    number.addEventListener("keydown", (e) => {
      if (e.key !== "ArrowUp" && e.key !== "ArrowDown") return;
      e.preventDefault();
      const way = e.key === "ArrowUp" ? 1 : -1;
      const next = Number((Number(number.value) + way * dial.step).toPrecision(12));
      number.value = range.value = Math.min(dial.high, Math.max(dial.low, next));
      tell(dial.key, Number(number.value));
    });
    number.addEventListener("change", () => {
      if (!number.checkValidity() || number.value === "") { number.reportValidity(); return; }
      range.value = number.value;
      tell(dial.key, Number(number.value));
    });
    range.addEventListener("input", () => { number.value = range.value; tell(dial.key, Number(range.value)); });
    for (const type of ["keydown", "keypress"]) row.addEventListener(type, (e) => e.stopPropagation());
    row.append(name, number, range);
    grid.appendChild(row);
    pairs[dial.key] = made;
  }
  const fill = () => {
    for (const [key, value] of Object.entries(model.get("values"))) {
      for (const input of pairs[key] ?? []) {
        const shown = input.value === "" ? NaN : Number(input.value);
        if (input !== document.activeElement && shown !== value) input.value = value;
      }
    }
  };
  model.on("change:values", fill);
  fill();
}
export default { render };
"""


class NumberDials(anywidget.AnyWidget):
    """Numbers to type or to drag.

    Parameters
    ----------
    dials : list of dict
        For each number its key, label, low and high end, and the step of slider and arrow keys.
    values : dict
        The numbers by key.
    """

    _esm = _DIALS
    dials = traitlets.List(traitlets.Dict()).tag(sync=True)
    values = traitlets.Dict().tag(sync=True)
