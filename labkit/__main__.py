"""Command line: ``labkit JOB …``; the jobs are in `labkit.jobs`.

Exit codes: 0 done; 1 done, but a fatal finding stands in the way of the result; 2 the input cannot be used.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from labkit import __version__
from labkit.jobs import (
    camera_jobs,
    drift_jobs,
    log_jobs,
    logging_jobs,
    optics_jobs,
    push_jobs,
    report_jobs,
    series_jobs,
    share_jobs,
)
from labkit.runs.findings import BlockedAnalysisError
from labkit.runs.share.parcel_safety import clean_text

__all__ = ["main"]

_FAMILIES = (
    log_jobs,
    camera_jobs,
    optics_jobs,
    push_jobs,
    drift_jobs,
    series_jobs,
    report_jobs,
    share_jobs,
    logging_jobs,
)


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
        print(f"labkit: {clean_text(str(error))}", file=sys.stderr)
        return 1
    except (ValueError, TypeError, OSError) as error:
        print(f"labkit: {clean_text(str(error))}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("labkit: stopped", file=sys.stderr)
        return 2


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="labkit",
        description="Does the panel hold the camera still? Logs in, verdict out.",
        epilog="A RUN is a folder with logs and a run.toml, a folder of logs, or one log file. "
        "A CLIP is a video file, a folder of numbered pictures, a TIFF stack or a .npy array.",
    )
    parser.add_argument("--version", action="version", version=f"labkit {__version__}")
    jobs = parser.add_subparsers(required=True, metavar="JOB")
    for family in _FAMILIES:
        family.add_jobs(jobs)
    return parser


if __name__ == "__main__":
    sys.exit(main())
