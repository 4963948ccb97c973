"""Job that logs live: ``labkit log``."""

from __future__ import annotations

import argparse
import contextlib
import math
import select
import shutil
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

from labkit.analyse.moves import find_moves
from labkit.jobs.level_meter import meter_lines, status_line
from labkit.jobs.printing import print_findings, print_wrapped
from labkit.runs.facts import RunFacts
from labkit.runs.live.byte_source import open_source
from labkit.runs.live.capture import CameraLostError, CaptureSummary, capture_clip
from labkit.runs.live.live_window import EndsFinder
from labkit.runs.live.log_file import printable
from labkit.runs.live.logger import CAUTIONS, Logger, LoggerStatus, LogPlan, LogSummary
from labkit.runs.live.pretend_sensor import PretendSensor
from labkit.runs.live.run_form import fill_template, read_settings, write_run_file
from labkit.runs.recording import Recording
from labkit.runs.runfile import facts_of, read_run_file
from labkit.runs.runfolder import RUN_FILE
from labkit.show.logged import keep_or_repeat, summary_sentence

__all__ = ["add_jobs"]

_PRETEND = "pretend"
_STRIP_S = 4.0


def add_jobs(jobs: object) -> None:
    """Add the job that logs live to the sub-parsers of the program."""
    parser = jobs.add_parser(
        "log",
        help="log a run live from a sensor",
        description="Logs a sensor that speaks the plain line protocol (see labkit/runs/live/line_protocol.py). "
        "While it logs, Enter (or a text and Enter) writes a mark, q and Enter or Ctrl-C stops.",
    )
    parser.add_argument(
        "source",
        metavar="SOURCE",
        help="serial port (/dev/ttyACM0), socket://HOST:PORT, file, pipe, - for the standard input, "
        "or 'pretend' for an invented sensor to try it out",
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="folder of the run; logs are added, never replaced")
    _when(parser.add_argument_group("start and end"))
    _what(parser.add_argument_group("what the sensor does not say itself"))
    _about(parser.add_argument_group("what is tested"))
    parser.set_defaults(job=_log)


def _when(group: argparse._ArgumentGroup) -> None:
    group.add_argument("--moves", type=int, default=0, metavar="N", help="stop after N moves, by trigger or by motion")
    group.add_argument("--seconds", type=float, default=math.inf, metavar="T", help="stop after so long")
    group.add_argument("--rest-s", type=float, default=2.0, metavar="T", help="stillness after the last move (2)")
    group.add_argument("--countdown", type=float, default=0.0, metavar="T", help="seconds to take the hands away")
    group.add_argument("--pre-trigger-s", type=float, default=0.5, metavar="T", help="kept from before the start (0.5)")
    group.add_argument("--on-trigger", action="store_true", help="start when the trigger column rises")
    group.add_argument("--on-level", type=float, metavar="X", help="start with a motion above X m/s²")
    group.add_argument(
        "--move-ms", type=float, metavar="T", help="duration of the commanded move, to find moves by motion"
    )


def _what(group: argparse._ArgumentGroup) -> None:
    group.add_argument("--header", metavar="LINE", help="titles and units, as in 'seq,ax [mg],ay [mg],az [mg]'")
    group.add_argument("--rate-hz", type=float, default=math.nan, metavar="F", help="sample rate that it was set to")
    group.add_argument("--baud", type=int, default=115200, metavar="N", help="rate of a wired serial line (115200)")


def _about(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="fill in a new run.toml, as in --set panel.thickness_mm=4; may be given many times",
    )
    group.add_argument("--note", default="", metavar="TEXT", help="a remark for the top of the log")
    group.add_argument("--name", default="log", metavar="STEM", help="beginning of the log's name (log)")
    group.add_argument("--camera", metavar="DEVICE", help="record this camera too, without loss (/dev/video0)")
    group.add_argument(
        "--camera-option", action="append", default=[], metavar="KEY=VALUE", help="as in video_size=1280x720"
    )
    group.add_argument("--camera-format", default="v4l2", metavar="NAME", help=argparse.SUPPRESS)


# ------------------------------------------------------------------------------------------------------ the job
def _log(options: argparse.Namespace) -> int:
    plan = _plan(options)
    for caution in CAUTIONS:
        print_wrapped(f"CAUTION: {caution}")
    facts = _facts(options)
    with _source_name(options.source) as name:
        logger = Logger(open_source(name, baud=options.baud), plan, find_ends=_finder(options, facts))
        view = _View(logger, n_moves=plan.n_moves, range_si=facts.sensor.range_m_s2)
        with _camera(options) as filmed:
            summary = logger.run(view.update)
        view.close()
    return _conclude(summary, filmed, plan)


def _plan(options: argparse.Namespace) -> LogPlan:
    if options.on_trigger and options.on_level is not None:
        raise ValueError("the log starts with the trigger or with a motion, not both: leave one of them out")
    begin = "trigger" if options.on_trigger else "at once" if options.on_level is None else "level"
    return LogPlan(
        folder=options.folder,
        stem=options.name,
        begin=begin,
        level_m_s2=math.nan if options.on_level is None else options.on_level,
        pretrigger_s=options.pre_trigger_s,
        countdown_s=options.countdown,
        duration_s=options.seconds,
        n_moves=options.moves,
        rest_s=options.rest_s,
        header=options.header,
        rate_hz=options.rate_hz,
        remarks=tuple(f"note: {text}" for text in (options.note,) if text)
        + (("INVENTED DATA of a pretend sensor",) if options.source == _PRETEND else ()),
    )


def _facts(options: argparse.Namespace) -> RunFacts:
    """Facts of the run: from its run.toml, or from a new one with what the options state."""
    path = options.folder / RUN_FILE
    settings = read_settings(_pairs("--set", options.set))
    if options.source == _PRETEND:
        settings["run.synthetic"] = True
    if not path.exists():
        write_run_file(options.folder, fill_template(settings, folder=options.folder))
        print_wrapped(f"made {printable(path)}: fill in what you know")
    elif options.set:
        raise ValueError(f"{printable(path)} is there already; edit it, and leave --set out")
    return facts_of(read_run_file(path))


def _pairs(name: str, texts: list[str]) -> dict[str, str]:
    odd = [text for text in texts if "=" not in text]
    if odd:
        raise ValueError(f"{name} is {odd[0]!r}; it must be KEY=VALUE")
    return {key.strip(): value for key, _, value in (text.partition("=") for text in texts)}


@contextlib.contextmanager
def _source_name(name: str) -> Iterator[str]:
    if name != _PRETEND:
        yield name
        return
    with PretendSensor() as sensor:
        yield sensor.port


def _finder(options: argparse.Namespace, facts: RunFacts) -> EndsFinder:
    """Finds the ends of moves in the last seconds, as the analysis will."""
    duration_s = facts.move.duration_s if options.move_ms is None else 1e-3 * options.move_ms

    def ends(recording: Recording) -> list[float]:
        return [move.end_s for move in find_moves(recording, move_duration_s=duration_s).moves]

    return ends


@contextlib.contextmanager
def _camera(options: argparse.Namespace) -> Iterator[list[CaptureSummary]]:
    """Record the camera while the log runs; what came of it stands in the list afterwards."""
    done: list[CaptureSummary] = []
    if options.camera is None:
        yield done
        return
    stop = threading.Event()

    def film() -> None:
        try:
            done.append(
                capture_clip(
                    options.camera,
                    options.folder,
                    input_format=options.camera_format or None,
                    options=_pairs("--camera-option", options.camera_option),
                    stop=stop,
                )
            )
        except (CameraLostError, OSError) as error:
            print_wrapped(f"no clip: {error}")

    thread = threading.Thread(target=film, name="labkit camera")
    thread.start()
    try:
        yield done
    finally:
        stop.set()
        thread.join()


class _View:
    """What is seen on the terminal while it logs, and the keys."""

    def __init__(self, logger: Logger, *, n_moves: int, range_si: float) -> None:
        self._logger, self._n_moves, self._range_si = logger, n_moves, range_si
        self._lines, self._state = 0, ""

    def update(self, status: LoggerStatus) -> None:
        """Draw anew on a terminal; elsewhere say when the state changes."""
        self._keys()
        line = status_line(status, n_moves=self._n_moves)
        if sys.stderr.isatty():
            meters = meter_lines(status.levels, self._logger.recent(_STRIP_S), range_si=self._range_si)
            up = f"\033[{self._lines}F" if self._lines else ""
            width = shutil.get_terminal_size().columns - 1  # a line that wraps would count as two
            lines = "".join(f"\033[K{text[:width]}\n" for text in (*meters, line))
            print(up + lines, end="", file=sys.stderr, flush=True)
            self._lines = len(meters) + 1
        elif status.state != self._state:
            print(line, file=sys.stderr, flush=True)
        self._state = status.state

    def close(self) -> None:
        """Leave the last picture standing."""
        self._lines = 0

    def _keys(self) -> None:
        if not sys.stdin or not sys.stdin.isatty() or not select.select([sys.stdin], [], [], 0)[0]:
            return
        text = sys.stdin.readline().strip()
        if text.lower() == "q":
            self._logger.stop()
        else:
            self._logger.mark(text)


# -------------------------------------------------------------------------------------------------- afterwards
def _conclude(summary: LogSummary, filmed: list[CaptureSummary], plan: LogPlan) -> int:
    """Checks at once, while everything still stands: keep the log, or repeat it."""
    for path in summary.paths:
        print(f"\nlogged {printable(path)}")
    print_wrapped(summary_sentence(summary))
    for clip in filmed:
        print_wrapped(f"clip {printable(clip.path)}: {clip.n_frames} frames at {clip.frame_rate_hz:.4g} Hz")
    reports, reasons = keep_or_repeat(summary, folder=plan.folder, n_moves=plan.n_moves)
    print_findings(reports, least="warning")
    print()
    for reason in reasons:
        print_wrapped(f"REPEAT: {reason}")
    if not reasons:
        print_wrapped("KEEP: the log is fit; look at the warnings above, if there are any")
    return 1 if reasons else 0
