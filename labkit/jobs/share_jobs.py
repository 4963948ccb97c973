"""Jobs of sharing: ``labkit parcel``, ``open-parcel``, ``shelf``."""

from __future__ import annotations

import argparse
import math
import platform
import sys
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path

from labkit import __version__
from labkit.analyse.one_run import analyse_run
from labkit.decide.nearest import Wanted, nearest_builds
from labkit.decide.results import AGREEMENT, ResultsCheck, compare_results, results_of
from labkit.jobs.printing import output_options, print_json, print_table, print_wrapped, progress, si
from labkit.runs.runfolder import RUN_FILE, load_run
from labkit.runs.share.beside import numbers_beside
from labkit.runs.share.parcel import Parcel, open_parcel
from labkit.runs.share.parcel_making import make_parcel
from labkit.runs.share.parcel_safety import Limits, clean_text
from labkit.runs.share.results import RESULTS_FILE, RunResults, log_checksums, read_results, results_text
from labkit.runs.share.shelf import Shelf, index_shelf
from labkit.show import shelf as shelf_view

__all__ = ["add_jobs", "run_results"]

_MOST_LINES = 12


def add_jobs(jobs: object) -> None:
    """Add the jobs of sharing to the sub-parsers of the program."""
    _add_parcel(jobs)
    _add_open_parcel(jobs)
    _add_shelf(jobs)


def _add_parcel(jobs: object) -> None:
    parser = jobs.add_parser(
        "parcel",
        help="put runs, results and notebooks into one file to share",
        parents=[output_options(html=False)],
        description="Copies runs without personal paths, names, addresses and serial numbers, analyses the copies, and "
        "packs them with checksums and your licence. Lists what it scrubbed: read the list before you send the file.",
    )
    parser.add_argument("runs", nargs="+", type=Path, metavar="RUN", help="run folder with a run.toml")
    parser.add_argument("--to", type=Path, required=True, metavar="FILE.zip", help="parcel to make")
    parser.add_argument(
        "--licence",
        required=True,
        metavar="SPDX",
        help="licence that you give, as SPDX identifier: CC-BY-4.0, CC-BY-SA-4.0, CC0-1.0 …",
    )
    parser.add_argument("--notebook", type=Path, action="append", default=[], metavar="FILE", help="notebook to add")
    parser.add_argument("--scrub", action="append", default=[], metavar="TEXT", help="scrub this text too")
    parser.add_argument(
        "--keep", action="append", default=[], metavar="WHAT", help="text not to scrub, or file to copy as it is"
    )
    parser.set_defaults(job=_parcel)


def _add_open_parcel(jobs: object) -> None:
    parser = jobs.add_parser(
        "open-parcel",
        help="open a parcel safely, and check its results",
        parents=[output_options(html=False)],
        description="Checks everything before anything gets its name; runs nothing; never overwrites.",
    )
    parser.add_argument("parcel", type=Path, metavar="FILE.zip", help="parcel to open")
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="folder to make")
    parser.add_argument("--again", action="store_true", help="analyse the runs again and compare every number")
    parser.add_argument(
        "--most-mb", type=float, default=2147.0, metavar="X", help="largest size unpacked [MB] (default 2147)"
    )
    parser.set_defaults(job=_open_parcel)


def _add_shelf(jobs: object) -> None:
    parser = jobs.add_parser(
        "shelf",
        help="a folder of many runs and parcels as one table; the builds nearest to yours",
        parents=[output_options(html=False)],
        description="Reads what is stored with each run, keeps an index in shelf.parquet, lists what it had to skip.",
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="folder of runs, parcels and opened parcels")
    parser.add_argument("--analyse", action="store_true", help="first analyse runs without (or with stale) results")
    parser.add_argument("--afresh", action="store_true", help="do not trust the index: read everything")
    parser.add_argument("--plot", type=Path, metavar="FILE", help="draw all builds into a .png, .svg or .pdf")
    parser.add_argument("--against", choices=sorted(shelf_view.STATED), default="thickness", help="x axis of the plot")
    near = parser.add_argument_group("builds nearest to yours")
    near.add_argument("--material", metavar="NAME", help="material of your panel, as in acrylic, steel, hardboard")
    near.add_argument("--thickness-mm", type=float, metavar="H", help="its thickness [mm]")
    near.add_argument("--foot", choices=("yes", "no"), help="is there a foot under the camera?")
    near.add_argument("--frame-kg", type=float, metavar="M", help="mass of the machine without the head [kg]")
    near.add_argument("--head-kg", type=float, metavar="M", help="mass of the moving head [kg]")
    near.add_argument("--acceleration", type=float, metavar="A", help="acceleration of the head [m/s²]")
    near.add_argument("--most", type=int, default=5, metavar="N", help="how many to show (default 5)")
    parser.set_defaults(job=_shelf)


# ----------------------------------------------------------------------------------------------------- jobs
def _parcel(options: argparse.Namespace) -> int:
    parcel = make_parcel(
        options.runs,
        options.to,
        licence=options.licence,
        results=lambda folder: results_text(run_results(folder)),
        software=_software(),
        notebooks=options.notebook,
        scrub=options.scrub,
        keep=options.keep,
        progress=progress,
    )
    if options.json:
        print_json({"parcel": parcel})
        return 0
    print(f"made {parcel.path}: {', '.join(map(clean_text, parcel.runs))}; licence {parcel.licence}")
    _say_listed("scrubbed", (_scrubbed_line(one, secret=True) for one in parcel.scrubbed), most=10_000)
    _say_listed("kept as it is", (f"{what} ({kind})" for what, kind in parcel.kept.items()), most=10_000)
    _say_listed("left out", (f"{file}: {why}" for file, why in parcel.left_out.items()), most=10_000)
    print_wrapped(
        "Read this list before you send the parcel: names that nobody told the program, and what pictures show, are "
        "not found. Scrub more with --scrub TEXT, less with --keep TEXT."
    )
    return 0


def _open_parcel(options: argparse.Namespace) -> int:
    limits = Limits(total_bytes=int(1e6 * options.most_mb), file_bytes=int(min(1e6 * options.most_mb, 1 << 30)))
    parcel = open_parcel(options.parcel, options.folder, limits=limits, progress=progress)
    checks = [_again(parcel, run) for run in parcel.runs] if options.again else []
    if options.json:
        print_json({"parcel": parcel, "again": checks, "agreement": AGREEMENT})
    else:
        _say_parcel(parcel)
        for check in checks:
            _say_check(check)
    return 0 if all(check.same for check in checks) else 1


def run_results(folder: Path) -> RunResults:
    """Results of a run's folder, analysed with what its run.toml says and nothing else."""
    run = load_run(folder, progress=progress)
    logs = log_checksums(folder, [RUN_FILE, *(log.file for log in run.logs)])
    beside, software = numbers_beside(folder), _software()
    try:
        analysis = analyse_run(run, progress=progress)
    except ValueError as error:  # a log that is not fit is a result too, and says why
        return RunResults(run=run.name, numbers=beside, logs=logs, software=software, notes=(f"not analysed: {error}",))
    return results_of(analysis, logs=logs, software=software, beside=beside)


def _software() -> dict[str, str]:
    packages = {name: version(name) for name in ("numpy", "scipy", "pandas")}
    system = f"{platform.system()} {platform.machine()}"
    return {"rigidity-lab": __version__, "python": platform.python_version(), **packages, "system": system}


def _again(parcel: Parcel, run: str) -> ResultsCheck:
    folder = parcel.run_folder(run)
    return compare_results(read_results((folder / RESULTS_FILE).read_bytes()), run_results(folder))


def _shelf(options: argparse.Namespace) -> int:
    wanted = _wanted(options)
    shelf = index_shelf(options.folder, afresh=options.afresh, progress=progress)
    failed = _analyse_missing(shelf) if options.analyse else {}
    if options.analyse:
        shelf = index_shelf(options.folder, progress=progress)
    runs = shelf.runs if wanted is None else nearest_builds(shelf.runs, wanted, most=options.most)
    if options.plot:
        shelf_view.plot_shelf_overview(shelf.runs, x=options.against).savefig(options.plot, dpi=110)
        print(f"wrote {options.plot}", file=sys.stderr)
    if options.json:
        rows = runs.drop(columns=["fingerprint", "watched"]).astype(object)
        skipped = dict(zip(shelf.skipped["entry"], shelf.skipped["reason"]))
        known = rows.where(rows.notna(), None).to_dict("records")
        print_json({"runs": known, "skipped": skipped, "failed": failed, "notes": shelf.notes})
        return 0
    counts = shelf.runs["status"].value_counts()
    title = f"{len(shelf.runs)} runs" + "".join(f", {n} with {s}" for s, n in counts.items() if s != "results")
    print_table(title if wanted is None else f"nearest builds of {title}", shelf_view.shelf_table(runs))
    print()
    if wanted is not None:
        _say("distance: doublings of thickness (of bending stiffness ×8 between materials), masses and acceleration")
    _say_listed("skipped", (f"{e}: {r}" for e, r in zip(shelf.skipped["entry"], shelf.skipped["reason"])))
    for line in (*(f"not analysed: {run}: {why}" for run, why in failed.items()), *shelf.notes):
        _say(line)
    return 0


def _wanted(options: argparse.Namespace) -> Wanted | None:
    """The build that the options describe; None when they describe none."""
    if options.material is None and options.thickness_mm is None:
        return None
    if options.material is None or options.thickness_mm is None:
        raise ValueError("nearest builds need both --material and --thickness-mm")
    return Wanted(
        material=options.material,
        thickness_m=1e-3 * options.thickness_mm,
        foot_under_camera=None if options.foot is None else options.foot == "yes",
        frame_mass_kg=si(options.frame_kg, 1.0, unknown=math.nan),
        head_mass_kg=si(options.head_kg, 1.0, unknown=math.nan),
        acceleration_m_s2=si(options.acceleration, 1.0, unknown=math.nan),
    )


def _analyse_missing(shelf: Shelf) -> dict[str, str]:
    """Analyse run folders without results of their own and store them; returns what failed and why."""
    failed = {}
    runs = shelf.runs
    todo = runs.loc[(runs["kind"] == "run") & (runs["status"] != "results"), "entry"].tolist()
    for done, entry in enumerate(todo):
        progress(f"analysing {entry}", done, len(todo))
        folder = shelf.folder / entry
        try:
            (folder / RESULTS_FILE).write_text(results_text(run_results(folder)), encoding="utf-8")
        except (ValueError, OSError) as error:
            failed[entry] = str(error)
    progress("analysed", len(todo), len(todo))
    return failed


# ---------------------------------------------------------------------------------------------------- words
def _say(text: str, indent: str = "") -> None:
    """Print what may hold a stranger's text."""
    print_wrapped(clean_text(text), indent=indent)


def _say_listed(title: str, lines: Iterable[str], *, most: int = _MOST_LINES) -> None:
    lines = list(lines)
    print(f"{title}: {len(lines) or 'nothing'}")
    for line in lines[:most]:
        _say(line, indent="  ")
    if len(lines) > most:
        print(f"  … and {len(lines) - most} more")


def _scrubbed_line(one, *, secret: bool) -> str:
    text = f" {clean_text(one.text, most=200)!r}" if secret else ""
    became = f" → {one.replaced_by}" if one.replaced_by else ", taken out"
    return f"{one.file}: {one.kind}{text}{became}" + (f" ({one.count} times)" if one.count > 1 else "")


def _say_parcel(parcel: Parcel) -> None:
    software = ", ".join(f"{name} {number}" for name, number in parcel.software.items())
    _say(
        f"opened into {parcel.path}: licence {parcel.licence}, made {parcel.made or 'at an unknown time'} ({software})"
    )
    _say_listed("runs", (str(parcel.run_folder(run)) for run in parcel.runs))
    _say_listed("notebooks", parcel.notebooks)
    _say_listed("scrubbed by the sender", (_scrubbed_line(one, secret=False) for one in parcel.scrubbed))
    _say_listed("kept as it is by the sender", (f"{what} ({kind})" for what, kind in parcel.kept.items()))
    _say_listed("left out by the sender", (f"{file}: {why}" for file, why in parcel.left_out.items()))
    if parcel.notebooks:
        print_wrapped("Notebooks are a stranger's programs: nothing was run or trusted. Read them before you run them.")


def _say_check(check: ResultsCheck) -> None:
    if check.same:
        _say(f"{check.run}: analysed again, all {check.n_compared} numbers are the same ({AGREEMENT}).")
    else:
        _say(f"{check.run}: {len(check.differences)} of {check.n_compared} numbers differ ({AGREEMENT}):")
        for one in check.differences[:_MOST_LINES]:
            _say(f"{one.name}: {one.stated:.9g} stated, {one.found:.9g} found, {one.allowed:.2g} allowed", indent="  ")
    for note in check.notes:
        _say(f"note: {note}", indent="  ")
