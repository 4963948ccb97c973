"""Jobs on a series of runs: ``labkit relate``."""

from __future__ import annotations

import argparse
from pathlib import Path

from labkit.analyse.exposures import ExposureBlur, measure_exposures
from labkit.analyse.one_run import RunAnalysis, analyse_run
from labkit.analyse.stiffness import push_test
from labkit.decide.blur_series import blur_relation
from labkit.decide.calibrate import calibrate, case_of_push, case_of_run
from labkit.jobs.printing import output_options, print_json, print_table, print_wrapped, progress
from labkit.model.fit import Case
from labkit.runs.exposures import read_exposures
from labkit.runs.pushfile import read_push_file
from labkit.runs.runfolder import load_run
from labkit.show.explore_plots import parameters_table
from labkit.show.series_tables import factors_table, runs_table

__all__ = ["add_jobs"]

_EXPLAINED = 2.0  # χ² per degree of freedom up to which a fitted machine is used


def add_jobs(jobs: object) -> None:
    """Add the jobs on series of runs to the sub-parsers of the program."""
    parser = jobs.add_parser(
        "relate",
        help="blur against frame mass, acceleration and panel stiffness, over several runs",
        parents=[output_options(html=False)],
        epilog="Each RUN holds a run.toml with the machine's layout, logs, frames.csv (file,move,wait_ms,exposure_ms) "
        "with its pictures, and sharp.png. It takes some minutes.",
    )
    parser.add_argument("runs", nargs="+", type=Path, metavar="RUN", help="run folders, best six or more")
    parser.add_argument(
        "--push",
        nargs=2,
        action="append",
        default=[],
        metavar=("FILE", "RUN"),
        help="push on the camera, gauge on the frame, and the run that stood so; may be given several times",
    )
    parser.add_argument("--reference", default="", metavar="RUN", help="run from which one factor is changed (first)")
    parser.add_argument(
        "--giving",
        nargs="*",
        choices=("head_mount", "support"),
        default=["head_mount"],
        help="parts that may give way beside feet and panel (head_mount)",
    )
    parser.set_defaults(job=_relate)


def _relate(options: argparse.Namespace) -> int:
    if len(options.runs) < 2:
        raise ValueError("one run makes no relation; give several, best six or more")
    found = {path.resolve().name: _measured(path) for path in options.runs}
    cases = [case_of_run(analysis, blurs=blurs) for analysis, blurs in found.values()]
    cases += [_pushed(Path(file), Path(run).resolve().name, found) for file, run in options.push]
    fit = calibrate(cases, giving=options.giving)
    relation = blur_relation(cases, fit, reference=Path(options.reference).name if options.reference else "")
    said = [*relation.sentences, *(f"limit: {text}" for text in relation.limits)]
    notes = [*_left_out(found), *fit.unidentified, *fit.notes]
    good = fit.converged and not fit.chi2_per_dof > _EXPLAINED  # nan without spare observations
    if not good:
        said.insert(
            0,
            f"DO NOT USE: the fitted machine does not explain these runs (χ² per degree of freedom "
            f"{fit.chi2_per_dof:.3g}). Add a push for each sheet or more runs, or let another part give (--giving).",
        )
    said += [f"note: {text}" for text in notes]
    if options.json:
        print_json(
            {
                "parameters": fit.estimates,
                "runs": relation.runs,
                "points": relation.points,
                "curves": relation.curves,
                "sentences": relation.sentences,
                "limits": relation.limits,
                "notes": notes,
            }
        )
        return 0 if good else 1
    print_table("the fitted machine", parameters_table(fit))
    print_table("blur of the runs, root mean square over the exposures [95 % interval]", runs_table(relation))
    print_table(f"one factor alone, the rest as in {relation.reference}", factors_table(relation))
    print()
    for text in said:
        print_wrapped(text)
    return 0 if good else 1


def _measured(path: Path) -> tuple[RunAnalysis, tuple[ExposureBlur, ...]]:
    analysis = analyse_run(load_run(path, progress=progress), progress=progress)
    axis = analysis.facts.move.axis
    return analysis, measure_exposures(read_exposures(path), axis=axis, progress=progress)


def _left_out(found: dict[str, tuple[RunAnalysis, tuple[ExposureBlur, ...]]]) -> list[str]:
    """Exposures whose blur the measurement does not trust, run by run."""
    doubted = {run: [blur.name for blur in blurs if not blur.trusted] for run, (_, blurs) in found.items()}
    return [
        f"{run}: the blur of {', '.join(names)} is in doubt and left out; labkit blur says why"
        for run, names in doubted.items()
        if names
    ]


def _pushed(file: Path, run: str, found: dict[str, tuple[RunAnalysis, tuple[ExposureBlur, ...]]]) -> Case:
    if run not in found:
        raise ValueError(f"push {file.name} names run {run!r}, which is not among {', '.join(found)}")
    push = read_push_file(file)
    test = push_test(
        push.load_n,
        push.reading_m,
        preload_n=0.0,
        force_sd_n=0.0,
        reading_sd_m=0.0,
        reading_step_m=push.written_step_m,
        repeat=push.repeat,
    )
    return case_of_push(test, found[run][0].facts, name=file.name, relative_to="frame")
