"""A notebook as one offline page: its text, its code if wanted, its stored outputs, cleaned of everything that acts.

A stranger's notebook can hold scripts in its outputs and links to the network; nothing of it gets through. What was
not stored in the notebook is not on the page: it is not run.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

import mistune
import nh3
from markupsafe import Markup, escape

from labkit.show.page import Section, render_page

__all__ = ["notebook_page"]

_TAGS = {
    *("a", "b", "blockquote", "br", "caption", "code", "dd", "del", "details", "div", "dl", "dt", "em", "h1", "h2"),
    *("h3", "h4", "hr", "i", "img", "li", "ol", "p", "pre", "s", "small", "span", "strong", "sub", "summary", "sup"),
    *("table", "tbody", "td", "tfoot", "th", "thead", "tr", "ul"),
}
_CELL = {"colspan", "rowspan"}
_ATTRIBUTES = {"a": {"href"}, "img": {"src", "alt"}, "th": {"scope"} | _CELL, "td": _CELL}
_PICTURES = {"image/png": "data:image/png;base64,", "image/jpeg": "data:image/jpeg;base64,"}
_PICTURE = re.compile("(?:" + "|".join(map(re.escape, _PICTURES.values())) + r")[A-Za-z0-9+/=\s]*")
_LARGEST_BYTES = 64 * 2**20


def notebook_page(path: Path, *, version: str, when: datetime, code: bool = False) -> str:
    """The page of a notebook, as HTML text.

    Parameters
    ----------
    path : Path
        The notebook, executed and saved.
    version : str
        Version of the lab, for the foot of the page.
    when : datetime
        Time of making.
    code : bool
        True shows the code cells too.

    Raises
    ------
    ValueError
        For a file that is no notebook, or one of more than 64 MiB.
    """
    if path.stat().st_size > _LARGEST_BYTES:
        raise ValueError(f"{path} has {path.stat().st_size / 2**20:.0f} MiB; a notebook of up to 64 MiB can be shown")
    cells = _cells(path)
    to_html = mistune.create_markdown(escape=True, plugins=["table", "strikethrough"])
    parts: list[Markup] = []
    title, *rest = _title(cells, path)
    for cell in cells:
        if cell["cell_type"] == "markdown":
            parts.append(_clean(to_html(rest.pop() if rest else _joined(cell["source"]))))
        elif cell["cell_type"] == "code":
            if code and _joined(cell["source"]).strip():
                parts.append(Markup("<pre>{}</pre>").format(_joined(cell["source"])))
            parts += [shown for output in cell.get("outputs", []) if (shown := _output(output))]
    stale = any(
        c["cell_type"] == "code" and _joined(c["source"]).strip() and not c.get("execution_count") for c in cells
    )
    notes = ("Some cells of this notebook had not been run when it was saved.",) if stale else ()
    return render_page(
        title,
        "",
        notes,
        [Section(title="", markup=Markup("\n").join(parts))],
        synthetic=False,
        version=version,
        when=when,
    )


def _cells(path: Path) -> list[Mapping[str, object]]:
    """Cells of a notebook of format 4, which is JSON."""
    try:
        notebook = json.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:
        raise ValueError(f"{path} is no notebook: not JSON in UTF-8 ({error})") from error
    if not isinstance(notebook, dict) or notebook.get("nbformat") != 4 or not isinstance(notebook.get("cells"), list):
        raise ValueError(f"{path} is no notebook of format 4 with a list of cells; open and save it in JupyterLab")
    for number, cell in enumerate(notebook["cells"], start=1):
        outputs = cell.get("outputs", []) if isinstance(cell, dict) else None
        if not (isinstance(outputs, list) and all(isinstance(one, dict) for one in outputs)) or not (
            {"cell_type", "source"} <= cell.keys()
        ):
            raise ValueError(f"{path} is no notebook: its cell {number} has no type, source or list of outputs")
    return notebook["cells"]


def _title(cells: list[Mapping[str, object]], path: Path) -> tuple[str, ...]:
    """Title of the notebook, and the first cell without it when it stands there."""
    text = _joined(cells[0]["source"]) if cells and cells[0]["cell_type"] == "markdown" else ""
    if not text.startswith("# "):
        return (path.stem.replace("_", " "),)
    title, _, rest = text.partition("\n")
    return title.removeprefix("# ").strip(), rest


def _output(output: Mapping[str, object]) -> Markup:
    """One stored output; the richest form that is harmless."""
    if output.get("output_type") == "stream":
        return Markup("<pre>{}</pre>").format(_joined(output.get("text", "")))
    if output.get("output_type") == "error":
        return Markup("<pre>{}: {}</pre>").format(output.get("ename", "error"), output.get("evalue", ""))
    data = output.get("data", {})
    if not isinstance(data, dict):
        return Markup("")
    for kind, start in _PICTURES.items():
        if kind in data:
            alt = _joined(data.get("text/plain", "")) or "picture without description"
            return _clean(f'<img src="{start}{escape(_joined(data[kind]).strip())}" alt="{escape(alt)}">')
    if "text/html" in data:
        return Markup('<div class="scroll">{}</div>').format(_clean(_joined(data["text/html"])))
    return Markup("<pre>{}</pre>").format(_joined(data["text/plain"])) if "text/plain" in data else Markup("")


def _joined(text: object) -> str:
    return "".join(map(str, text)) if isinstance(text, list) else str(text)


def _clean(html: str) -> Markup:
    """HTML without scripts, styles, event handlers, and pictures from elsewhere."""
    return Markup(
        nh3.clean(
            html,
            tags=_TAGS,
            attributes=_ATTRIBUTES,
            attribute_filter=_only_data_pictures,
            url_schemes={"http", "https", "mailto", "data"},
            link_rel="noopener noreferrer",
            clean_content_tags={"script", "style"},
        )
    )


def _only_data_pictures(tag: str, attribute: str, value: str) -> str | None:
    if (tag, attribute) == ("img", "src"):
        return value if _PICTURE.fullmatch(value) else None
    if (tag, attribute) == ("a", "href"):
        return value if value.startswith(("http://", "https://", "mailto:")) else None
    return value
