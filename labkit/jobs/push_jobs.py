"""Jobs on push tests: ``labkit push``."""

from __future__ import annotations

import argparse
from pathlib import Path

from labkit.analyse.stiffness import PushTest, push_test
from labkit.base import STANDARD_GRAVITY_M_S2, Estimate
from labkit.decide.cautions import cautions
from labkit.jobs.printing import output_options, print_json, print_table, print_wrapped, si
from labkit.runs.pushfile import PushFile, read_push_file
from labkit.show.push import push_sentences, push_table

__all__ = ["add_jobs"]


def add_jobs(jobs: object) -> None:
    """Add the jobs on push tests to the sub-parsers of the program."""
    parser = jobs.add_parser(
        "push",
        help="stiffness from a static push test",
        parents=[output_options(html=False), _reading(), _testing()],
        epilog="A FILE is a table with a line of titles: load [N] or mass [g], reading [um]; repeat and branch may "
        "follow. Rows stand in the order in which they were read, loads going up and down.",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="table of loads and readings")
    parser.set_defaults(job=_push)


def _reading() -> argparse.ArgumentParser:
    group = argparse.ArgumentParser(add_help=False)
    reading = group.add_argument_group("units that the titles do not say")
    reading.add_argument("--load-unit", default="", metavar="UNIT", help="as in N, kgf, g, kg")
    reading.add_argument(
        "--reading-unit", default="", metavar="UNIT", help='as in um, mm, in; a dial in graduations: "0.01 mm"'
    )
    reading.add_argument(
        "--gravity", type=float, default=STANDARD_GRAVITY_M_S2, metavar="G", help="where masses were laid on [m/s²]"
    )
    return group


def _testing() -> argparse.ArgumentParser:
    group = argparse.ArgumentParser(add_help=False)
    testing = group.add_argument_group("the test")
    testing.add_argument(
        "--preload-n", type=float, default=0.0, metavar="F", help="load that closes all gaps [N] (0: use all readings)"
    )
    testing.add_argument(
        "--step-um", type=float, metavar="X", help="step of the gauge [µm]; otherwise that in which it was written down"
    )
    testing.add_argument(
        "--sd-um", type=float, default=0.0, metavar="X", help="random error of a reading beside its rounding [µm] (0)"
    )
    testing.add_argument("--load-sd-n", type=float, default=0.0, metavar="X", help="random error of a load [N] (0)")
    testing.add_argument(
        "--scale-percent", type=float, default=0.0, metavar="X", help="error of both scales together [%%] (0)"
    )
    stand = testing.add_mutually_exclusive_group()
    stand.add_argument("--stand", type=Path, metavar="FILE", help="the same push on a block beside the panel")
    stand.add_argument(
        "--stand-um-per-n",
        type=float,
        nargs=2,
        metavar=("C", "U"),
        help="what stand and gauge give, and its standard uncertainty [µm/N]",
    )
    return group


# ----------------------------------------------------------------------------------------------------- jobs
def _push(options: argparse.Namespace) -> int:
    file, test = _tested(options.file, options, stand=_stand(options))
    said = [*push_sentences(test), *(f"note: {note}" for note in (*_notes(file, options), *test.notes))]
    reminders = [one.text for one in cautions(["push"])]
    if options.json:
        print_json({"file": file.name, "push": test, "notes": said, "cautions": reminders})
        return 0
    print_table(f"{file.name}: push on the camera", push_table(test))
    print()
    for text in (*said, *(f"caution: {text}" for text in reminders)):
        print_wrapped(text)
    return 0


def _tested(path: Path, options: argparse.Namespace, *, stand: Estimate | None) -> tuple[PushFile, PushTest]:
    file = read_push_file(
        path, load_unit=options.load_unit, reading_unit=options.reading_unit, gravity_m_s2=options.gravity
    )
    test = push_test(
        file.load_n,
        file.reading_m,
        preload_n=options.preload_n,
        force_sd_n=options.load_sd_n,
        reading_sd_m=1e-6 * options.sd_um,
        reading_step_m=si(options.step_um, 1e-6, unknown=file.written_step_m),
        stand_compliance_m_per_n=stand,
        scale_error=1e-2 * options.scale_percent,
        repeat=file.repeat,
    )
    return file, test


def _stand(options: argparse.Namespace) -> Estimate | None:
    if options.stand is not None:
        return _tested(options.stand, options, stand=None)[1].compliance_m_per_n
    if options.stand_um_per_n is None:
        return None
    value, error = (1e-6 * number for number in options.stand_um_per_n)
    return Estimate.from_standard_error(value, error, dof=float("inf"))


def _notes(file: PushFile, options: argparse.Namespace) -> list[str]:
    notes = list(file.notes)
    if options.step_um is None:
        step = f"{1e6 * file.written_step_m:.3g} µm" if file.written_step_m else "no step that rounding shows"
        notes.append(f"readings are written down in {step}, which is taken as the step of the gauge")
    return notes
