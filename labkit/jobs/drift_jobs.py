"""Jobs on slow drift: ``labkit drift``."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path

from labkit.analyse.drift import Drift, fit_drift
from labkit.analyse.slow import SlowPositions, slow_positions
from labkit.analyse.warm_up import TemperatureSensitivity, WarmUpWait, temperature_sensitivity, warm_up_wait
from labkit.jobs.printing import output_options, print_json, print_wrapped, si
from labkit.runs.looksfile import read_looks
from labkit.runs.readers import read_log
from labkit.show.drift_plots import plot_drift

__all__ = ["add_jobs"]

_JSON = ("law", "time_constants_s", "amplitudes_m", "final_m", "change_m", "end_rate_m_s", "first_s", "last_s")
_JSON_NOISE = ("noise_m", "wander_m", "wander_time_s", "effective_n", "criteria", "notes", "sentences")


def add_jobs(jobs: object) -> None:
    """Add the jobs on slow drift to the sub-parsers of the program."""
    parser = jobs.add_parser(
        "drift",
        help="slow drift of the picture, and how long to wait for warm-up",
        parents=[output_options(html=False)],
        epilog="A FILE is a displacement log, as `labkit track --csv` writes it with a scale; --looks: a table "
        "of repeated looks at something that stands still: time [min], position [um].",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="displacement log, or table of looks")
    parser.add_argument("--looks", action="store_true", help="FILE is a table of looks, at any times")
    parser.add_argument("--channel", default="", metavar="NAME", help="column of the log, as in x (the first)")
    parser.add_argument("--window-s", type=float, metavar="S", help="average over so long [s] (a 200th of the log)")
    parser.add_argument("--tolerance-um", type=float, metavar="X", help="movement allowed during a job [µm]")
    parser.add_argument("--job-min", type=float, metavar="M", help="how long a job lasts [min]")
    parser.add_argument(
        "--beyond-record", action="store_true", help="follow the law beyond the record where it must be: a guess"
    )
    parser.add_argument(
        "--temperature", type=Path, metavar="FILE", help="table on the same clock: time [min], temperature [C]"
    )
    parser.add_argument("--plot", type=Path, metavar="FILE", help="draw it into a .png, .svg or .pdf")
    parser.set_defaults(job=_drift)


def _drift(options: argparse.Namespace) -> int:
    if (options.tolerance_um is None) != (options.job_min is None):
        raise ValueError("--tolerance-um and --job-min belong together: the one says how far, the other for how long")
    slow, doubts = _positions(options)
    drift = fit_drift(slow)
    wait = _wait(options, drift)
    heat = _heat(options, slow)
    if options.plot:
        plot_drift(drift, wait=wait).figure.savefig(options.plot, dpi=110)
        print(f"wrote {options.plot}", file=sys.stderr)
    doubts = [*doubts, *drift.notes, *(heat.notes if heat else ())]
    if options.json:
        shown = {name: getattr(drift, name) for name in (*_JSON, *_JSON_NOISE)}
        print_json({"file": options.file.name, "drift": shown, "wait": wait, "temperature": heat, "notes": doubts})
        return 0
    for part in (drift, wait, heat):
        for text in part.sentences if part else ():
            print_wrapped(text)
    for text in doubts:
        print_wrapped(f"note: {text}")
    return 0


def _positions(options: argparse.Namespace) -> tuple[SlowPositions, list[str]]:
    if options.looks:
        looks = read_looks(options.file, what="position")
        return SlowPositions(time_s=looks.time_s, position_m=looks.values), []
    log = read_log(options.file, quantity="displacement", irregular="mark")
    window_s = si(options.window_s, 1.0, unknown=math.nan)
    slow = slow_positions(log, channel=options.channel or log.channels[0], window_s=window_s)
    return slow, list(log.meta["notes"])


def _wait(options: argparse.Namespace, drift: Drift) -> WarmUpWait | None:
    if options.tolerance_um is None:
        return None
    return warm_up_wait(
        drift,
        tolerance_m=1e-6 * options.tolerance_um,
        job_s=60.0 * options.job_min,
        beyond_record=options.beyond_record,
    )


def _heat(options: argparse.Namespace, slow: SlowPositions) -> TemperatureSensitivity | None:
    if options.temperature is None:
        return None
    heat = read_looks(options.temperature, what="temperature")
    return temperature_sensitivity(slow, temperature_time_s=heat.time_s, temperature_degc=heat.values)
