"""The page of a report: one self-contained HTML file that loads nothing and runs nothing, and a PDF of it.

Everything that comes from files is escaped by the template engine; the page tells the browser by its content policy
that it needs no network and no script.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import jinja2
import pandas as pd
from markupsafe import Markup
from matplotlib.axes import Axes

from labkit.show import plots

__all__ = ["Figure", "Section", "Table", "figure", "print_pdf", "render_page", "table"]

_TEMPLATE = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string("""\
<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ title }}</title>
<style>
:root { color-scheme: light; }
body { font: 16px/1.5 system-ui, sans-serif; color: #1b1f24; max-width: 60rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.6rem; } h2 { font-size: 1.2rem; margin-top: 2.2rem; border-bottom: 1px solid #d5d9de; }
.headline { font-size: 1.2rem; background: #eef4fa; border-left: 5px solid #0072B2; padding: .8rem 1rem; }
.demo { background: #fff4e0; border-left: 5px solid #D55E00; padding: .5rem 1rem; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; font-size: .88rem; margin: .8rem 0; }
th, td { text-align: left; vertical-align: top; padding: .3rem .7rem .3rem 0; border-bottom: 1px solid #e3e6ea; }
pre { white-space: pre-wrap; background: #f6f8fa; padding: .6rem .8rem; font-size: .85rem; }
figure { margin: 1rem 0; } figure img { max-width: 100%; } figcaption { font-size: .88rem; color: #444c56; }
img { max-width: 100%; }
@media print { body { margin: 0; max-width: none; font-size: 11pt; } h2 { break-after: avoid; }
  figure, tr { break-inside: avoid; } .scroll { overflow: visible; } }
footer { margin-top: 3rem; font-size: .8rem; color: #57606a; }
</style></head><body>
<h1>{{ title }}</h1>
{% if synthetic %}<p class="demo">Demo data: invented for demonstration, not measured on a machine.</p>{% endif %}
{% if headline %}<p class="headline">{{ headline }}</p>{% endif %}
{% if sentences %}<ul>{% for s in sentences %}<li>{{ s }}</li>{% endfor %}</ul>{% endif %}
{% for section in sections %}
{% if section.title %}<h2>{{ section.title }}</h2>{% endif %}
{% for p in section.paragraphs %}<p>{{ p }}</p>{% endfor %}
{% for f in section.figures %}
<figure><img src="{{ f.source }}" alt="{{ f.alt }}"><figcaption>{{ f.caption }}</figcaption></figure>
{% endfor %}
{% for t in section.tables %}
<div class="scroll"><table>
<thead><tr>{% for c in t.columns %}<th scope="col">{{ c }}</th>{% endfor %}</tr></thead>
<tbody>
{% for row in t.rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}
</tbody></table></div>
{% endfor %}
{{ section.markup }}
{% if section.items %}<ul>{% for i in section.items %}<li>{{ i }}</li>{% endfor %}</ul>{% endif %}
{% endfor %}
<footer>Made by Rigidity Lab {{ version }} on {{ when }}. This page is complete in itself and loads nothing.</footer>
</body></html>
""")


_NONE = Markup("")


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A picture with what it shows and what to see in it.

    Parameters
    ----------
    source : str
        ``data:`` address.
    alt, caption : str
        What it shows; what to see.
    """

    source: str
    alt: str
    caption: str


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table of texts.

    Parameters
    ----------
    columns : tuple of str
        Heads.
    rows : tuple of tuple of str
        Cells.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, kw_only=True)
class Section:
    """Part of a page under its own title: paragraphs, figures, tables, markup, items, in this order.

    Parameters
    ----------
    title : str
        Title; none when empty.
    paragraphs, items : tuple of str
        Texts; escaped.
    figures : tuple of Figure
        Pictures.
    tables : tuple of Table
        Tables.
    markup : Markup
        HTML that was cleaned already.
    """

    title: str
    paragraphs: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()
    markup: Markup = _NONE
    items: tuple[str, ...] = ()


def figure(ax: Axes, caption: str) -> Figure:
    """A finished plot for a page, closed.

    Parameters
    ----------
    ax : Axes
        The plot.
    caption : str
        What to see in it.
    """
    picture = plots.picture(ax)
    return Figure(source=picture.source, alt=picture.alt, caption=caption)


def table(frame: pd.DataFrame, *, title: str = "") -> Table:
    """A table for a page.

    Parameters
    ----------
    frame : DataFrame
        The cells.
    title : str
        Name of the run, put in front of every row.
    """
    rows = tuple(tuple(str(cell) for cell in row) for row in frame.itertuples(index=False))
    columns = tuple(map(str, frame.columns))
    if title:
        columns, rows = ("run", *columns), tuple((title, *row) for row in rows)
    return Table(columns=columns, rows=rows)


def render_page(
    title: str,
    headline: str,
    sentences: Sequence[str],
    sections: Sequence[Section],
    *,
    synthetic: bool,
    version: str,
    when: datetime,
) -> str:
    """The page as HTML text.

    Parameters
    ----------
    title, headline : str
        Title, and the finding in one sentence ("" for none).
    sentences : sequence of str
        More of it.
    sections : sequence of Section
        The parts.
    synthetic : bool
        True puts a note over it that the data are invented.
    version : str
        Version of the lab.
    when : datetime
        Time of making.
    """
    return _TEMPLATE.render(
        title=title,
        headline=headline,
        sentences=sentences,
        sections=sections,
        synthetic=synthetic,
        version=version,
        when=when.strftime("%Y-%m-%d %H:%M"),
    )


_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
_PATIENCE_S = 120


def print_pdf(page: str, path: Path) -> None:
    """Print a page to a PDF file with a headless browser, offline.

    Parameters
    ----------
    page : str
        HTML text.
    path : Path
        The file to write; replaced only when the printing worked.

    Raises
    ------
    ValueError
        When no such browser is installed, or when it fails.
    """
    browser = next(filter(None, map(shutil.which, _BROWSERS)), None)
    if browser is None:
        raise ValueError(
            f"no browser to print {path} with; install chromium, or open the HTML page in your browser and print it"
        )
    with tempfile.TemporaryDirectory() as folder:
        source, printed = Path(folder, "page.html"), Path(folder, "page.pdf")
        source.write_text(page, encoding="utf-8")
        command = [browser, "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
        command += ["--disable-sync", "--no-pdf-header-footer", f"--user-data-dir={folder}/profile"]
        command += ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        try:
            done = subprocess.run(
                [*command, f"--print-to-pdf={printed}", source.as_uri()],
                capture_output=True,
                timeout=_PATIENCE_S,
                check=False,
            )
        except subprocess.TimeoutExpired as error:
            raise ValueError(f"{browser} did not print {path} within {_PATIENCE_S} s; print the HTML page") from error
        if not printed.is_file() or not printed.read_bytes().startswith(b"%PDF"):
            last = done.stderr.decode("utf-8", "replace").strip().splitlines()[-1:]
            raise ValueError(f"{browser} could not print {path} ({' '.join(last) or 'no reason given'})")
        shutil.copyfile(printed, path)
