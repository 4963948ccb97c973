"""Jobs on logs: ``labkit check``, ``analyse``, ``compare``, ``new-run``."""

from __future__ import annotations

import argparse
import math
from datetime import datetime
from pathlib import Path

from labkit import __version__
from labkit.analyse.one_run import RunAnalysis, analyse_run, check_run
from labkit.decide.verdict import compare_runs, settles_sentence
from labkit.jobs.printing import (
    output_options,
    print_findings,
    print_json,
    print_table,
    print_wrapped,
    progress,
    si,
    write,
)
from labkit.runs.runfolder import RUN_FILE, Run, load_run, run_template
from labkit.show import report, tables

__all__ = ["add_jobs", "analysed", "analysing_options", "reading_options"]


def add_jobs(jobs: object) -> None:
    """Add the jobs on logs to the sub-parsers of the program."""
    check = jobs.add_parser(
        "check", help="is the log fit for use?", parents=[reading_options(), output_options(html=False)]
    )
    check.add_argument("logs", nargs="+", type=Path, metavar="LOG", help="log files or run folders")
    check.set_defaults(job=_check)
    analyse = jobs.add_parser(
        "analyse",
        help="modes, displacement and settling of one run",
        parents=[reading_options(), output_options(html=True), analysing_options()],
    )
    analyse.add_argument("run", type=Path, metavar="RUN", help="run folder or log file")
    analyse.set_defaults(job=_analyse)
    compare = jobs.add_parser(
        "compare",
        help="what did ONE change do?",
        parents=[reading_options(), output_options(html=True), analysing_options()],
    )
    compare.add_argument("before", type=Path, metavar="BEFORE", help="run before the change")
    compare.add_argument("after", type=Path, metavar="AFTER", help="run after the change")
    compare.set_defaults(job=_compare)
    start = jobs.add_parser("new-run", help="make a folder with a run.toml to fill in")
    start.add_argument("folder", type=Path, metavar="FOLDER", help="folder to make; put the logs into it")
    start.set_defaults(job=_new_run)


def reading_options() -> argparse.ArgumentParser:
    """Options that say how to read a log."""
    group = argparse.ArgumentParser(add_help=False)
    reading = group.add_argument_group("how to read a log that does not say it itself (a run.toml says it better)")
    reading.add_argument("--columns", type=_names, metavar="A,B,…", help="columns that hold the acceleration")
    reading.add_argument("--units", metavar="UNIT", help="their unit, as in g, mg, m/s^2")
    reading.add_argument("--scale", type=float, metavar="X", help="units per count, for raw counts")
    reading.add_argument("--rate-hz", type=float, metavar="F", help="sample rate of a log without a time column")
    reading.add_argument("--time-column", metavar="NAME", help="column that holds the time")
    reading.add_argument("--time-unit", metavar="UNIT", help="its unit, as in s, ms, us")
    reading.add_argument(
        "--tolerance-um",
        type=float,
        metavar="X",
        help="how far the camera may be from its settled position [µm]; otherwise from the camera facts",
    )
    return group


def analysing_options() -> argparse.ArgumentParser:
    """Options of an analysis."""
    group = argparse.ArgumentParser(add_help=False)
    analysing = group.add_argument_group("analysis")
    analysing.add_argument(
        "--channels", type=_names, metavar="A,B,…", help="axes to report on; otherwise those that leave the tolerance"
    )
    analysing.add_argument(
        "--move-ms", type=float, metavar="T", help="duration of the commanded move; otherwise from the move facts"
    )
    analysing.add_argument(
        "--longest-move-s",
        type=float,
        default=1.0,
        metavar="T",
        help="without trigger, times or move facts: bursts closer than this are one move (default 1)",
    )
    return group


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


# ----------------------------------------------------------------------------------------------------- jobs
def _check(options: argparse.Namespace) -> int:
    runs = [_load(path, options) for path in options.logs]
    reports = [r for run in runs for r in check_run(run, tolerance_m=_tolerance(options))]
    if options.json:
        print_json({"reports": reports})
    else:
        print_findings(reports)
    return 1 if any(r.fatal for r in reports) else 0


def _analyse(options: argparse.Namespace) -> int:
    analysis = analysed(options.run, options)
    if options.html:
        write(options.html, report.run_page(analysis, version=__version__, when=datetime.now()))
    if options.json:
        print_json({"analysis": analysis})
        return 0
    print_findings(analysis.reports)
    print_table(f"{analysis.name}: {analysis.n_moves} moves", tables.motion_table(analysis))
    if analysis.modes:
        print_table("modes of the machine, amplitude at the end of a move", tables.modes_table(analysis))
    print()
    for axis in analysis.axes:
        print_wrapped(settles_sentence(axis.channel, axis))
    for steady in analysis.steady:
        _print_steady(steady)
    for note in analysis.notes:
        print_wrapped(f"note: {note}")
    return 0


def _compare(options: argparse.Namespace) -> int:
    before, after = (analysed(path, options) for path in (options.before, options.after))
    verdict = compare_runs(before, after, channels=options.channels or ())
    if options.html:
        write(
            options.html,
            report.comparison_page(verdict, before=before, after=after, version=__version__, when=datetime.now()),
        )
    if options.json:
        print_json({"verdict": verdict, "before": before, "after": after})
        return 0
    print_findings((*before.reports, *after.reports), least="warning")
    print_table(f"what the camera sees: {verdict.before} → {verdict.after}", tables.changes_table(verdict.motion))
    if verdict.modes.changes:
        print_table("why: the modes", tables.changes_table(verdict.modes))
    print()
    for text in (*verdict.sentences, *(f"doubt: {w}" for w in verdict.warnings)):
        print_wrapped(text)
    print()
    print_wrapped(verdict.headline)
    return 0


def _new_run(options: argparse.Namespace) -> int:
    options.folder.mkdir(parents=True, exist_ok=True)
    path = options.folder / RUN_FILE
    if path.exists():
        raise ValueError(f"{path} is there already; edit it, or name another folder")
    path.write_text(run_template(), encoding="utf-8")
    print(f"made {path}: fill in what you know, and put the logs beside it")
    return 0


def _load(path: Path, options: argparse.Namespace) -> Run:
    given = {
        "columns": options.columns,
        "units": options.units,
        "scale": options.scale,
        "sample_rate_hz": options.rate_hz,
        "time_column": options.time_column,
        "time_unit": options.time_unit,
    }
    return load_run(path, reading={key: value for key, value in given.items() if value is not None}, progress=progress)


def analysed(path: Path, options: argparse.Namespace) -> RunAnalysis:
    """A run, read and analysed as the options say."""
    run = _load(path, options)
    return analyse_run(
        run,
        tolerance_m=_tolerance(options),
        channels=options.channels or (),
        move_duration_s=si(options.move_ms, 1e-3, unknown=math.nan),
        longest_move_s=options.longest_move_s,
        progress=progress,
    )


def _tolerance(options: argparse.Namespace) -> float:
    return si(options.tolerance_um, 1e-6, unknown=math.nan)


def _print_steady(steady) -> None:
    for name, rms, peak in zip(steady.recording.channels, steady.rms_m, steady.peak_m):
        print_wrapped(
            f"{name}: moves {1e6 * rms:.3g} µm rms, {1e6 * peak:.3g} µm at most, above {steady.low_cut_hz:g} Hz "
            f"(noise floor {1e6 * steady.noise_floor_m:.2g} µm rms)"
        )
