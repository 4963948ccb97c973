"""One self-contained offline page for a run or a before/after verdict.

Everything that comes from files is escaped by the template engine; the page loads nothing, runs no script, and says
so to the browser by its content policy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import jinja2
import pandas as pd
from matplotlib.axes import Axes

from labkit.analyse.one_run import RunAnalysis
from labkit.decide.compare import Comparison
from labkit.decide.verdict import Verdict, settles_sentence
from labkit.show import plots, tables

__all__ = ["CAUTIONS", "comparison_page", "run_page"]

#: Usual cautions for the work that a report invites; local codes and licensed practice come first.
CAUTIONS = (
    "Moving axes pinch and crush: keep hands, hair and cables out while the drives are powered, keep the emergency "
    "stop within reach, and never reach in to feel a vibration. Push and tap tests are for drives that are off.",
    "Plates are heavy and their edges sharp: deburr, wear gloves, lift with two hands. A new metal panel must be "
    "bonded to protective earth; mains work belongs to licensed people.",
    "Camera modules, drivers and lamps run hot. Cutting MDF or glass-fibre board makes harmful dust: extraction and "
    "a mask.",
    "Tether the sensor's cable and check its mount after every run.",
)

_METHOD = (
    "Each move of the head is one repeat. After a move the camera's panel rings down; the decays of all moves are "
    "fitted together as a sum of damped sinusoids, and the fitted acceleration is integrated analytically to "
    "displacement. Settling time runs from the end of the commanded move to the last exit from the tolerance band. "
    "Ratios are compared on a logarithmic scale with Welch's test; p-values and intervals are adjusted by Holm's "
    "step-down for the number of metrics."
)
_LIMITS = (
    "A sensor on the panel sees the panel alone: the part under the head moves too, and only relative motion blurs a "
    "picture. Slow creep, drift and tilt are not vibration and are not in these numbers. Nothing is stated beyond "
    "the length of the record, nor for frequencies above 0.4 of the sample rate."
)

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
figure { margin: 1rem 0; } figure img { max-width: 100%; } figcaption { font-size: .88rem; color: #444c56; }
footer { margin-top: 3rem; font-size: .8rem; color: #57606a; }
</style></head><body>
<h1>{{ title }}</h1>
{% if synthetic %}<p class="demo">Demo data: invented for demonstration, not measured on a machine.</p>{% endif %}
{% if headline %}<p class="headline">{{ headline }}</p>{% endif %}
{% if sentences %}<ul>{% for s in sentences %}<li>{{ s }}</li>{% endfor %}</ul>{% endif %}
{% for section in sections %}
<h2>{{ section.title }}</h2>
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
{% if section.items %}<ul>{% for i in section.items %}<li>{{ i }}</li>{% endfor %}</ul>{% endif %}
{% endfor %}
<footer>Made by Rigidity Lab {{ version }} on {{ when }}. This page is complete in itself and loads nothing.</footer>
</body></html>
""")


@dataclass(frozen=True, kw_only=True)
class _Figure:
    source: str
    alt: str
    caption: str


@dataclass(frozen=True, kw_only=True)
class _Table:
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, kw_only=True)
class _Section:
    title: str
    paragraphs: tuple[str, ...] = ()
    figures: tuple[_Figure, ...] = ()
    tables: tuple[_Table, ...] = ()
    items: tuple[str, ...] = ()


def comparison_page(
    verdict: Verdict,
    *,
    before: RunAnalysis,
    after: RunAnalysis,
    version: str,
    when: datetime,
) -> str:
    """The page of a before/after verdict, as HTML text.

    Parameters
    ----------
    verdict : Verdict
        The verdict.
    before, after : RunAnalysis
        The analyses it rests on.
    version : str
        Version of the lab, for the foot of the page.
    when : datetime
        Time of making.
    """
    labels = (verdict.before, verdict.after)
    sections = [
        _Section(
            title="What the camera sees",
            tables=(_table(tables.changes_table(verdict.motion)),),
            figures=(_figure(plots.plot_changes(verdict.motion), "Ratio after/before with interval; 1 is no change."),),
            items=_notes_on_changes(verdict.motion),
        ),
        *(_axis_section(name, before, after, verdict) for name in verdict.channels),
        _Section(
            title="Why: the modes",
            paragraphs=() if verdict.modes.changes else ("No mode was found in both runs.",),
            tables=(
                *((_table(tables.changes_table(verdict.modes)),) if verdict.modes.changes else ()),
                *(_table(tables.modes_table(run), title=run.name) for run in (before, after) if run.modes),
            ),
            items=_notes_on_changes(verdict.modes),
        ),
        _Section(
            title="All axes",
            tables=tuple(_table(tables.motion_table(run), title=label) for run, label in zip((before, after), labels)),
        ),
        _Section(title="Reasons to doubt", items=verdict.warnings or ("None found.",)),
        _findings((*before.reports, *after.reports)),
        *_closing(),
    ]
    return _render(
        f"Before and after: {verdict.before} and {verdict.after}",
        verdict.headline,
        verdict.sentences,
        sections,
        synthetic=bool(before.facts.synthetic or after.facts.synthetic),
        version=version,
        when=when,
    )


def _axis_section(name: str, before: RunAnalysis, after: RunAnalysis, verdict: Verdict) -> _Section:
    axes, labels = (before.axis(name), after.axis(name)), (verdict.before, verdict.after)
    figures = [
        _figure(
            plots.plot_decays(axes, labels=labels, tolerance_m=verdict.tolerance_m),
            "Displacement after each move, from the fitted modes.",
        )
    ]
    if all(a.settling is not None and a.settling.n_settled for a in axes):
        figures.append(_figure(plots.plot_settling(axes, labels=labels), "Settling time of every move."))
    figures.append(
        _figure(plots.plot_spectra(axes, labels=labels), "Power spectral density of the rests with 95 % interval.")
    )
    return _Section(
        title=f"Axis {name} after the moves",
        figures=tuple(figures),
    )


def run_page(analysis: RunAnalysis, *, version: str, when: datetime) -> str:
    """The page of one run, as HTML text.

    Parameters
    ----------
    analysis : RunAnalysis
        Analysis of the run.
    version : str
        Version of the lab, for the foot of the page.
    when : datetime
        Time of making.
    """
    sections = []
    for axis in analysis.axes:
        sections.append(
            _Section(
                title=f"Axis {axis.channel}",
                figures=(
                    _figure(
                        plots.plot_decays([axis], labels=[axis.channel], tolerance_m=analysis.tolerance_m),
                        "Displacement after each move (bold: the first), from the fitted modes.",
                    ),
                    _figure(plots.plot_spectra([axis], labels=[axis.channel]), "Power spectral density of the rests."),
                ),
                items=(*axis.fit.notes, *(axis.settling.notes if axis.settling else ())),
            )
        )
    sections += [_Section(title="Notes", items=analysis.notes or ("None.",)), _findings(analysis.reports), *_closing()]
    if analysis.axes:
        sections.insert(0, _Section(title="Modes of the machine", tables=(_table(tables.modes_table(analysis)),)))
        sections.insert(0, _Section(title="All axes", tables=(_table(tables.motion_table(analysis)),)))
    sentences = [settles_sentence(f"{analysis.name}, {axis.channel}", axis) for axis in analysis.axes]
    return _render(
        f"Run {analysis.name}",
        "",
        sentences,
        sections,
        synthetic=bool(analysis.facts.synthetic),
        version=version,
        when=when,
    )


def _notes_on_changes(comparison: Comparison) -> tuple[str, ...]:
    return tuple(f"{c.name}: {note}" for c in comparison.changes for note in c.notes)


def _findings(reports: Sequence) -> _Section:
    table = tables.findings_table(reports)
    if table.empty:
        return _Section(title="Are the logs fit?", paragraphs=("Every check passed; no finding.",))
    return _Section(title="Are the logs fit?", tables=(_table(table),))


def _closing() -> tuple[_Section, ...]:
    return (
        _Section(title="Method and limits", paragraphs=(_METHOD, _LIMITS)),
        _Section(title="Cautions", items=CAUTIONS),
    )


def _figure(ax: Axes, caption: str) -> _Figure:
    picture = plots.picture(ax)
    return _Figure(source=picture.source, alt=picture.alt, caption=caption)


def _table(frame: pd.DataFrame, *, title: str = "") -> _Table:
    rows = tuple(tuple(str(cell) for cell in row) for row in frame.itertuples(index=False))
    columns = tuple(map(str, frame.columns))
    if title:
        columns, rows = ("run", *columns), tuple((title, *row) for row in rows)
    return _Table(columns=columns, rows=rows)


def _render(
    title: str,
    headline: str,
    sentences: Sequence[str],
    sections: Sequence[_Section],
    *,
    synthetic: bool,
    version: str,
    when: datetime,
) -> str:
    return _TEMPLATE.render(
        title=title,
        headline=headline,
        sentences=sentences,
        sections=sections,
        synthetic=synthetic,
        version=version,
        when=when.strftime("%Y-%m-%d %H:%M"),
    )
