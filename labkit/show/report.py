"""What a report says: of one run, of a before/after verdict, of several runs side by side."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from labkit.analyse.one_run import RunAnalysis
from labkit.decide.compare import Comparison
from labkit.decide.verdict import Verdict, settles_sentence
from labkit.show import plots, tables
from labkit.show.page import Section, figure, render_page, table

__all__ = ["CAUTIONS", "comparison_page", "overview_page", "run_page"]

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
_SOURCES = (
    "Terms: ISO 2041 (vibration), ISO 7626-1 (frequency response), JCGM 100 (GUM: uncertainty, coverage interval).",
    "Damped sinusoids fitted by variable projection: Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413.",
    "Power spectral density with its interval: Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70.",
    "Comparison: Welch, Biometrika 34 (1947) 28; Holm, Scand. J. Statist. 6 (1979) 65.",
    "Quoted from memory, without a copy at hand.",
)
_WORDS = (
    "Mode: one way in which the machine rings, at its own frequency; the damping ratio says how fast it dies away.",
    "Settling time: how long after the end of a move the camera still leaves the band of the tolerance.",
    "Tolerance: how far the camera may be from where it comes to rest, from its pixels and the blur allowed.",
    "Interval, in square brackets: holds the true value in 95 of 100 such tests, if the method's assumptions hold.",
)
_LIMITS = (
    "A sensor on the panel sees the panel alone: the part under the head moves too, and only relative motion blurs a "
    "picture. Slow creep, drift and tilt are not vibration and are not in these numbers. Nothing is stated beyond "
    "the length of the record, nor for frequencies above 0.4 of the sample rate."
)


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
        Section(
            title="What the camera sees",
            tables=(table(tables.changes_table(verdict.motion)),),
            figures=(figure(plots.plot_changes(verdict.motion), "Ratio after/before with interval; 1 is no change."),),
            items=_notes_on_changes(verdict.motion),
        ),
        *(_axis_section(name, before, after, verdict) for name in verdict.channels),
        Section(
            title="Why: the modes",
            paragraphs=() if verdict.modes.changes else ("No mode was found in both runs.",),
            tables=(
                *((table(tables.changes_table(verdict.modes)),) if verdict.modes.changes else ()),
                *(table(tables.modes_table(run), title=run.name) for run in (before, after) if run.modes),
            ),
            items=_notes_on_changes(verdict.modes),
        ),
        Section(
            title="All axes",
            tables=tuple(table(tables.motion_table(run), title=label) for run, label in zip((before, after), labels)),
        ),
        Section(title="Reasons to doubt", items=verdict.warnings or ("None found.",)),
        _tested((before, after)),
        _findings((*before.reports, *after.reports)),
        *_closing(),
    ]
    return render_page(
        f"Before and after: {verdict.before} and {verdict.after}",
        verdict.headline,
        verdict.sentences,
        sections,
        synthetic=bool(before.facts.synthetic or after.facts.synthetic),
        version=version,
        when=when,
    )


def _axis_section(name: str, before: RunAnalysis, after: RunAnalysis, verdict: Verdict) -> Section:
    axes, labels = (before.axis(name), after.axis(name)), (verdict.before, verdict.after)
    figures = [
        figure(
            plots.plot_decays(axes, labels=labels, tolerance_m=verdict.tolerance_m),
            "Displacement after each move, from the fitted modes.",
        )
    ]
    if all(a.settling is not None and a.settling.n_settled for a in axes):
        figures.append(figure(plots.plot_settling(axes, labels=labels), "Settling time of every move."))
    figures.append(
        figure(plots.plot_spectra(axes, labels=labels), "Power spectral density of the rests with 95 % interval.")
    )
    return Section(
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
            Section(
                title=f"Axis {axis.channel}",
                figures=(
                    figure(
                        plots.plot_decays([axis], labels=[axis.channel], tolerance_m=analysis.tolerance_m),
                        "Displacement after each move (bold: the first), from the fitted modes.",
                    ),
                    figure(plots.plot_spectra([axis], labels=[axis.channel]), "Power spectral density of the rests."),
                ),
                items=(*axis.fit.notes, *(axis.settling.notes if axis.settling else ())),
            )
        )
    sections += [
        Section(title="Notes", items=analysis.notes or ("None.",)),
        _tested((analysis,)),
        _findings(analysis.reports),
        *_closing(),
    ]
    if analysis.axes:
        sections.insert(0, Section(title="Modes of the machine", tables=(table(tables.modes_table(analysis)),)))
        sections.insert(0, Section(title="All axes", tables=(table(tables.motion_table(analysis)),)))
    sentences = [settles_sentence(f"{analysis.name}, {axis.channel}", axis) for axis in analysis.axes]
    return render_page(
        f"Run {analysis.name}",
        "",
        sentences,
        sections,
        synthetic=bool(analysis.facts.synthetic),
        version=version,
        when=when,
    )


def overview_page(analyses: Sequence[RunAnalysis], *, version: str, when: datetime) -> str:
    """The page of several runs side by side, as HTML text.

    Parameters
    ----------
    analyses : sequence of RunAnalysis
        The runs, in the order shown.
    version : str
        Version of the lab, for the foot of the page.
    when : datetime
        Time of making.

    Notes
    -----
    Runs stand beside one another; which change did what is the matter of `comparison_page`, two runs at a time.
    """
    moving = [run for run in analyses if run.axes]
    notes = tuple(f"{run.name}: {note}" for run in analyses for note in run.notes)
    sections = [
        Section(
            title="All runs",
            tables=tuple(table(tables.motion_table(run), title=run.name) for run in moving),
            paragraphs=tuple(f"{run.name} holds no moves that could be analysed." for run in analyses if not run.axes),
        ),
        Section(
            title="Modes of the machine",
            tables=tuple(table(tables.modes_table(run), title=run.name) for run in moving if run.modes),
        ),
        *(_worst_axis(run) for run in moving),
        Section(title="Notes", items=notes or ("None.",)),
        _tested(analyses),
        _findings([report for run in analyses for report in run.reports]),
        *_closing(),
    ]
    sentences = [settles_sentence(f"{run.name}, {run.worst_channel}", run.axis(run.worst_channel)) for run in moving]
    return render_page(
        f"{len(analyses)} runs",
        "",
        sentences,
        sections,
        synthetic=any(run.facts.synthetic for run in analyses),
        version=version,
        when=when,
    )


def _worst_axis(run: RunAnalysis) -> Section:
    axis = run.axis(run.worst_channel)
    drawn = plots.plot_decays([axis], labels=[axis.channel], tolerance_m=run.tolerance_m)
    return Section(
        title=f"{run.name}, axis {axis.channel}",
        figures=(figure(drawn, "Displacement after each move (bold: the first), from the fitted modes."),),
    )


def _tested(runs: Sequence[RunAnalysis]) -> Section:
    """What the builder stated about the runs: what differs, then what is the same."""
    stated = [tables.differing_facts_table(runs), tables.common_facts_table(runs)]
    shown = tuple(table(frame) for frame in stated if not frame.empty)
    nothing = "Nothing is stated; write a run.toml beside the logs."
    return Section(title="What was tested", paragraphs=() if shown else (nothing,), tables=shown)


def _notes_on_changes(comparison: Comparison) -> tuple[str, ...]:
    return tuple(f"{c.name}: {note}" for c in comparison.changes for note in c.notes)


def _findings(reports: Sequence) -> Section:
    found = tables.findings_table(reports)
    if found.empty:
        return Section(title="Are the logs fit?", paragraphs=("Every check passed; no finding.",))
    return Section(title="Are the logs fit?", tables=(table(found),))


def _closing() -> tuple[Section, ...]:
    return (
        Section(title="Words", items=_WORDS),
        Section(title="Method and limits", paragraphs=(_METHOD, _LIMITS)),
        Section(title="Sources", items=_SOURCES),
        Section(title="Cautions", items=CAUTIONS),
    )
