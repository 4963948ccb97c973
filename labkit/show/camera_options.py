"""Options of the camera's jobs on the command line."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path

from labkit.analyse.kernels import EXTENT_PER_SIGMA
from labkit.analyse.scale import Scale, scale_from_lens
from labkit.base import Estimate, check_number
from labkit.runs.clips import Region

__all__ = ["add_blur", "add_track", "scale_of"]


def add_track(jobs: object, *, parents: Sequence[argparse.ArgumentParser], job: Callable) -> None:
    """Add ``labkit track`` to the jobs of a parser."""
    parser = jobs.add_parser(
        "track", help="how far the picture moves in a clip", parents=[*parents, _looking(), _scaling()]
    )
    parser.add_argument("clip", type=Path, metavar="CLIP", help="video file, folder of pictures, stack or .npy array")
    parser.add_argument("--rate-hz", type=float, metavar="F", help="true frame rate; otherwise that of the file")
    parser.add_argument("--times", type=Path, metavar="FILE", help="text file with the time of each frame [s]")
    parser.add_argument("--reference", type=int, default=0, metavar="N", help="number of the reference frame (0)")
    parser.add_argument("--row-us", type=float, metavar="T", help="time from row to row of a rolling shutter [µs]")
    parser.add_argument(
        "--csv", type=Path, metavar="FILE", help="write the displacement as a log for check and analyse"
    )
    parser.set_defaults(job=job)


def add_blur(jobs: object, *, parents: Sequence[argparse.ArgumentParser], job: Callable) -> None:
    """Add ``labkit blur`` to the jobs of a parser."""
    parser = jobs.add_parser("blur", help="how blurred a frame is against a sharp one", parents=[*parents, _looking()])
    parser.add_argument("frames", nargs="+", type=Path, metavar="FRAME", help="picture, or folder or stack of a burst")
    parser.add_argument(
        "--sharp", type=Path, required=True, metavar="REFERENCE", help="sharp picture of the same scene"
    )
    parser.add_argument("--noise", type=float, metavar="X", help="noise of a picture [grey levels]; else estimated")
    parser.add_argument("--shape", choices=sorted(EXTENT_PER_SIGMA), help="shape of the blur, when it is known")
    parser.set_defaults(job=job)


def _looking() -> argparse.ArgumentParser:
    group = argparse.ArgumentParser(add_help=False)
    looking = group.add_argument_group("what to look at")
    looking.add_argument(
        "--region", type=_region, metavar="TOP,LEFT,HEIGHT,WIDTH", help="part of the frame to use [px]; otherwise all"
    )
    looking.add_argument("--exposure-ms", type=float, metavar="T", help="exposure time of a frame [ms]")
    return group


def _scaling() -> argparse.ArgumentParser:
    group = argparse.ArgumentParser(add_help=False)
    scaling = group.add_argument_group("scale (for µm instead of px)")
    scaling.add_argument("--px-per-mm", type=float, metavar="X", help="pixels that a millimetre of the object takes")
    scaling.add_argument("--pixel-um", type=float, metavar="X", help="pixel pitch of the sensor [µm] …")
    scaling.add_argument("--magnification", type=float, metavar="X", help="… and image size over object size")
    return group


def _region(text: str) -> Region:
    try:
        top, left, height, width = (int(part) for part in text.split(","))
        return Region(top=top, left=left, height=height, width=width)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is not TOP,LEFT,HEIGHT,WIDTH in whole pixels ({error})") from error


def scale_of(options: argparse.Namespace) -> Scale | None:
    """The scale that the options state; None when they state none."""
    lens = (options.pixel_um, options.magnification)
    if options.px_per_mm is None and lens == (None, None):
        return None
    if options.px_per_mm is not None and lens == (None, None):
        size_m = 1e-3 / check_number("--px-per-mm", options.px_per_mm, above=0.0)
        return Scale(object_pixel_m=Estimate.unknown(size_m), source="pixels per millimetre as given")
    if options.px_per_mm is not None or None in lens:
        raise ValueError("the scale is given by --px-per-mm alone, or by --pixel-um and --magnification together")
    return scale_from_lens(pixel_pitch_m=1e-6 * options.pixel_um, magnification=options.magnification)
