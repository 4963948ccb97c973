"""Options that jobs on pictures share: what to look at, when, and at what scale."""

from __future__ import annotations

import argparse
from pathlib import Path

from labkit.analyse.sampling import FRAME_TIMES
from labkit.analyse.scale import Scale, scale_from_lens
from labkit.base import Estimate, check_number
from labkit.runs.clipfiles import open_clip
from labkit.runs.clips import Clip, Region
from labkit.runs.pictures import read_frame_times_s

__all__ = ["box_of", "clip_of", "clip_options", "looking_options", "scale_of", "scale_options"]


def clip_options() -> argparse.ArgumentParser:
    """The clip, its times and its reference."""
    group = argparse.ArgumentParser(add_help=False)
    group.add_argument("clip", type=Path, metavar="CLIP", help="video file, folder of pictures, stack or .npy array")
    timing = group.add_argument_group("frames")
    timing.add_argument("--rate-hz", type=float, metavar="F", help="true frame rate; otherwise that of the file")
    timing.add_argument("--times", type=Path, metavar="FILE", help="text file with the time of each frame [s]")
    timing.add_argument("--reference", type=int, default=0, metavar="N", help="number of the reference frame (0)")
    timing.add_argument(
        "--frame-time",
        choices=FRAME_TIMES,
        default="start",
        help="what the time of a frame marks of its exposure (start); matters with --exposure-ms",
    )
    return group


def clip_of(options: argparse.Namespace) -> Clip:
    """The clip that the options name."""
    times = None if options.times is None else read_frame_times_s(options.times)
    return open_clip(options.clip, frame_rate_hz=options.rate_hz, time_s=times)


def looking_options(*, exposure: bool = True) -> argparse.ArgumentParser:
    """The part of the frame and, where it matters, the exposure time."""
    group = argparse.ArgumentParser(add_help=False)
    looking = group.add_argument_group("what to look at")
    looking.add_argument(
        "--region", type=_region, metavar="TOP,LEFT,HEIGHT,WIDTH", help="part of the frame to use [px]; otherwise all"
    )
    if exposure:
        looking.add_argument("--exposure-ms", type=float, metavar="T", help="exposure time of a frame [ms]")
    return group


def scale_options() -> argparse.ArgumentParser:
    """Options from which a scale follows."""
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


def box_of(region: Region | None) -> tuple[int, int, int, int] | None:
    """A region as first row, first column, height, width."""
    return None if region is None else (region.top, region.left, region.height, region.width)
