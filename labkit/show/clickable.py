"""A picture in a notebook that can be clicked and steered with the keyboard, and that can be replaced fast."""

from __future__ import annotations

import anywidget
import traitlets

__all__ = ["ClickablePicture"]

_SCRIPT = """
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

    _esm = _SCRIPT
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
