"""Job that writes pages to hand on: ``labkit report`` for runs and for notebooks."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from labkit import __version__
from labkit.decide.verdict import compare_runs
from labkit.jobs import log_jobs
from labkit.jobs.printing import write
from labkit.show import notebook_page, page, report

__all__ = ["add_jobs"]


def add_jobs(jobs: object) -> None:
    """Add the job to the sub-parsers of the program."""
    parser = jobs.add_parser(
        "report",
        help="one page to hand on: of a run, of two runs before and after a change, of several, or of a notebook",
        parents=[log_jobs.reading_options(), log_jobs.analysing_options()],
    )
    parser.add_argument("runs", nargs="+", type=Path, metavar="RUN", help="run folders or logs; or one .ipynb notebook")
    pages = parser.add_argument_group("pages")
    pages.add_argument("--html", type=Path, metavar="FILE", help="self-contained page (default report.html)")
    pages.add_argument("--pdf", type=Path, metavar="FILE", help="the same page, printed by a headless chromium")
    pages.add_argument("--code", action="store_true", help="of a notebook: show its code too")
    parser.set_defaults(job=_report)


def _report(options: argparse.Namespace) -> int:
    about = {"version": __version__, "when": datetime.now()}
    notebooks = [path for path in options.runs if path.suffix == ".ipynb"]
    if notebooks and len(options.runs) > 1:
        raise ValueError(f"{notebooks[0]} is a notebook; report on one notebook at a time, or on runs")
    if notebooks:
        text = notebook_page.notebook_page(notebooks[0], code=options.code, **about)
    else:
        text = _runs_page([log_jobs.analysed(path, options) for path in options.runs], about, options)
    if options.html or not options.pdf:
        write(options.html or Path("report.html"), text)
    if options.pdf:
        page.print_pdf(text, options.pdf)
        print(f"wrote {options.pdf}")
    return 0


def _runs_page(runs: list, about: dict, options: argparse.Namespace) -> str:
    if len(runs) == 1:
        return report.run_page(runs[0], **about)
    if len(runs) == 2:
        verdict = compare_runs(*runs, channels=options.channels or ())
        return report.comparison_page(verdict, before=runs[0], after=runs[1], **about)
    return report.overview_page(runs, **about)
