"""Command line: ``labkit check``, ``analyse``, ``compare`` for logs, ``labkit track``, ``blur`` for pictures.

Exit codes: 0 done; 1 done, but a fatal finding stands in the way of the result; 2 the input cannot be used.
"""

from __future__ import annotations

import argparse
import json
import math
import shutil
import sys
import textwrap
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import pandas as pd

from labkit import __version__
from labkit.analyse.blur import measure_blur
from labkit.analyse.frames import track
from labkit.analyse.one_run import RunAnalysis, analyse_run, check_run
from labkit.decide.verdict import compare_runs, settles_sentence
from labkit.runs.clipfiles import open_clip
from labkit.runs.findings import BlockedAnalysisError, LogReport
from labkit.runs.pictures import read_frame_times_s, read_picture
from labkit.runs.runfolder import RUN_FILE, Run, load_run, run_template
from labkit.show import camera, camera_options, report, tables

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        Arguments after the program's name; those of the process by default.
    """
    options = _parser().parse_args(arguments)
    try:
        return options.job(options)
    except BlockedAnalysisError as error:
        print(f"labkit: {error}", file=sys.stderr)
        return 1
    except (ValueError, TypeError, OSError) as error:
        print(f"labkit: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("labkit: stopped", file=sys.stderr)
        return 2


# -------------------------------------------------------------------------------------------------- options
def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="labkit",
        description="Does the panel hold the camera still? Logs in, verdict out.",
        epilog="A RUN is a folder with logs and a run.toml, a folder of logs, or one log file. "
        "A CLIP is a video file, a folder of numbered pictures, a TIFF stack or a .npy array.",
    )
    parser.add_argument("--version", action="version", version=f"labkit {__version__}")
    jobs = parser.add_subparsers(required=True, metavar="JOB")
    check = jobs.add_parser("check", help="is the log fit for use?", parents=[_reading(), _output(html=False)])
    check.add_argument("logs", nargs="+", type=Path, metavar="LOG", help="log files or run folders")
    check.set_defaults(job=_check)
    analyse = jobs.add_parser(
        "analyse",
        help="modes, displacement and settling of one run",
        parents=[_reading(), _output(html=True), _analysing()],
    )
    analyse.add_argument("run", type=Path, metavar="RUN", help="run folder or log file")
    analyse.set_defaults(job=_analyse)
    compare = jobs.add_parser(
        "compare", help="what did ONE change do?", parents=[_reading(), _output(html=True), _analysing()]
    )
    compare.add_argument("before", type=Path, metavar="BEFORE", help="run before the change")
    compare.add_argument("after", type=Path, metavar="AFTER", help="run after the change")
    compare.set_defaults(job=_compare)
    camera_options.add_track(jobs, parents=[_output(html=False)], job=_track)
    camera_options.add_blur(jobs, parents=[_output(html=False)], job=_blur)
    start = jobs.add_parser("new-run", help="make a folder with a run.toml to fill in")
    start.add_argument("folder", type=Path, metavar="FOLDER", help="folder to make; put the logs into it")
    start.set_defaults(job=_new_run)
    return parser


def _reading() -> argparse.ArgumentParser:
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


def _output(*, html: bool) -> argparse.ArgumentParser:
    group = argparse.ArgumentParser(add_help=False)
    output = group.add_argument_group("output")
    output.add_argument("--json", action="store_true", help="print everything as JSON instead of tables")
    if html:
        output.add_argument("--html", type=Path, metavar="FILE", help="also write one self-contained page")
    return group


def _analysing() -> argparse.ArgumentParser:
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
        _print_json({"reports": reports})
    else:
        _print_findings(reports)
    return 1 if any(r.fatal for r in reports) else 0


def _analyse(options: argparse.Namespace) -> int:
    analysis = _analysed(options.run, options)
    if options.html:
        _write(options.html, report.run_page(analysis, version=__version__, when=datetime.now()))
    if options.json:
        _print_json({"analysis": analysis})
        return 0
    _print_findings(analysis.reports)
    _print_table(f"{analysis.name}: {analysis.n_moves} moves", tables.motion_table(analysis))
    if analysis.modes:
        _print_table("modes of the machine, amplitude at the end of a move", tables.modes_table(analysis))
    print()
    for axis in analysis.axes:
        _print_wrapped(settles_sentence(axis.channel, axis))
    for steady in analysis.steady:
        _print_steady(steady)
    for note in analysis.notes:
        _print_wrapped(f"note: {note}")
    return 0


def _compare(options: argparse.Namespace) -> int:
    before, after = (_analysed(path, options) for path in (options.before, options.after))
    verdict = compare_runs(before, after, channels=options.channels or ())
    if options.html:
        _write(
            options.html,
            report.comparison_page(verdict, before=before, after=after, version=__version__, when=datetime.now()),
        )
    if options.json:
        _print_json({"verdict": verdict, "before": before, "after": after})
        return 0
    _print_findings((*before.reports, *after.reports), least="warning")
    _print_table(f"what the camera sees: {verdict.before} → {verdict.after}", tables.changes_table(verdict.motion))
    if verdict.modes.changes:
        _print_table("why: the modes", tables.changes_table(verdict.modes))
    print()
    for text in (*verdict.sentences, *(f"doubt: {w}" for w in verdict.warnings)):
        _print_wrapped(text)
    print()
    _print_wrapped(verdict.headline)
    return 0


def _track(options: argparse.Namespace) -> int:
    times = None if options.times is None else read_frame_times_s(options.times)
    clip = open_clip(options.clip, frame_rate_hz=options.rate_hz, time_s=times)
    result = track(
        clip,
        reference=options.reference,
        region=options.region,
        scale=camera_options.scale_of(options),
        exposure_s=_si(options.exposure_ms, 1e-3),
        row_time_s=_si(options.row_us, 1e-6),
        progress=lambda done: _progress(f"{clip.name}: frames", done, clip.n_frames or 0),
    )
    if options.csv:
        remarks = [f"displacement of the picture, {clip.name}", *camera.track_sentences(result)]
        _write(options.csv, camera.displacement_log(result.recording, comments=remarks))
    if options.json:
        _print_json({"clip": clip.name, "codec": clip.codec, "track": result})
    else:
        _print_table(f"{clip.name}: {clip.width} × {clip.height} px, {clip.codec}", camera.track_table(result))
        print()
        for text in camera.track_sentences(result):
            _print_wrapped(text)
    return 0 if result.trusted.sum() >= camera.FEWEST_FRAMES else 1


def _blur(options: argparse.Namespace) -> int:
    sharp, box = read_picture(options.sharp), options.region
    blurs = {}
    for number, path in enumerate(options.frames):
        _progress("measuring blur", number, len(options.frames))
        frame = read_picture(path)
        try:
            blurs[str(path)] = measure_blur(
                frame.pixels,
                sharp.pixels,
                region=None if box is None else (box.top, box.left, box.height, box.width),
                noise_sd=options.noise,
                family=options.shape or "any",
                full_scale=frame.white_level if math.isfinite(frame.white_level) else None,
            )
        except ValueError as error:
            raise ValueError(f"{path} against {options.sharp}: {error}") from error
    _progress("measuring blur", len(options.frames), len(options.frames))
    if options.json:
        _print_json({"sharp": str(options.sharp), "blur": blurs})
    else:
        _print_table(
            f"blur against {options.sharp}, standard deviation of the kernel [95 % interval]",
            camera.blur_table(blurs, exposure_s=_si(options.exposure_ms, 1e-3, unknown=math.nan)),
        )
        print()
        for text in (*camera.blur_sentences(blurs), *(f"note: {sharp.name}: {note}" for note in sharp.notes)):
            _print_wrapped(text)
    return 0 if all(blur.converged for blur in blurs.values()) else 1


def _si(value: float | None, factor: float, *, unknown: float | None = None) -> float | None:
    return unknown if value is None else factor * value


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
    return load_run(path, reading={key: value for key, value in given.items() if value is not None}, progress=_progress)


def _analysed(path: Path, options: argparse.Namespace) -> RunAnalysis:
    run = _load(path, options)
    return analyse_run(
        run,
        tolerance_m=_tolerance(options),
        channels=options.channels or (),
        move_duration_s=_si(options.move_ms, 1e-3, unknown=math.nan),
        longest_move_s=options.longest_move_s,
        progress=_progress,
    )


def _tolerance(options: argparse.Namespace) -> float:
    return _si(options.tolerance_um, 1e-6, unknown=math.nan)


# ------------------------------------------------------------------------------------------------- printing
def _progress(what: str, done: int, total: int) -> None:
    if sys.stderr.isatty():
        end = "\n" if done == total else ""
        print(f"\r\033[K{what} ({done} of {total})", end=end, file=sys.stderr, flush=True)


def _print_findings(reports: Sequence[LogReport], *, least: str = "note") -> None:
    for one in reports:
        counts = {weight: sum(f.severity == weight for f in one.findings) for weight in ("fatal", "warning", "note")}
        found = ", ".join(f"{count} {weight}{'s' if count > 1 else ''}" for weight, count in counts.items() if count)
        print(f"{one.name}: {len(one.passed)} checks passed" + (f"; found: {found}" if found else ", nothing found"))
    for row in tables.findings_table(reports, least=least).itertuples(index=False):
        _print_wrapped(
            f"{row.severity.upper()} in {row.where}: {row.finding} {row.consequence} {row.advice}", indent="  "
        )


def _print_steady(steady) -> None:
    for name, rms, peak in zip(steady.recording.channels, steady.rms_m, steady.peak_m):
        _print_wrapped(
            f"{name}: moves {1e6 * rms:.3g} µm rms, {1e6 * peak:.3g} µm at most, above {steady.low_cut_hz:g} Hz "
            f"(noise floor {1e6 * steady.noise_floor_m:.2g} µm rms)"
        )


def _print_table(title: str, table: pd.DataFrame) -> None:
    print(f"\n{title}")
    print(textwrap.indent(table.to_string(index=False, justify="left"), "  "))


def _print_wrapped(text: str, indent: str = "") -> None:
    width = max(60, min(110, shutil.get_terminal_size().columns))
    print(textwrap.fill(text, width, initial_indent=indent, subsequent_indent=indent + "  "))


def _print_json(content: dict[str, object]) -> None:
    print(json.dumps(tables.to_plain(content), indent=1, ensure_ascii=False, allow_nan=False))


def _write(path: Path, page: str) -> None:
    path.write_text(page, encoding="utf-8")
    print(f"wrote {path}", file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
