"""Jobs on pictures: ``labkit track``, ``labkit blur``."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

from labkit.analyse.blur import measure_blur
from labkit.analyse.frames import FEWEST_FRAMES, track
from labkit.analyse.kernels import EXTENT_PER_SIGMA
from labkit.analyse.sampling import FRAME_TIMES
from labkit.analyse.scale import Scale, scale_from_lens
from labkit.base import Estimate, check_number
from labkit.jobs.printing import output_options, print_json, print_table, print_wrapped, progress, si, write
from labkit.runs.clipfiles import open_clip
from labkit.runs.clips import Region
from labkit.runs.pictures import read_frame_times_s, read_picture
from labkit.show import camera

__all__ = ["add_jobs"]


def add_jobs(jobs: object) -> None:
    """Add the jobs on pictures to the sub-parsers of the program."""
    _add_track(jobs)
    _add_blur(jobs)


def _add_track(jobs: object) -> None:
    parser = jobs.add_parser(
        "track",
        help="how far the picture moves in a clip",
        parents=[output_options(html=False), _looking(), _scaling()],
    )
    parser.add_argument("clip", type=Path, metavar="CLIP", help="video file, folder of pictures, stack or .npy array")
    parser.add_argument("--rate-hz", type=float, metavar="F", help="true frame rate; otherwise that of the file")
    parser.add_argument("--times", type=Path, metavar="FILE", help="text file with the time of each frame [s]")
    parser.add_argument("--reference", type=int, default=0, metavar="N", help="number of the reference frame (0)")
    parser.add_argument("--row-us", type=float, metavar="T", help="time from row to row of a rolling shutter [µs]")
    parser.add_argument(
        "--frame-time",
        choices=FRAME_TIMES,
        default="start",
        help="what the time of a frame marks of its exposure (start); matters with --exposure-ms",
    )
    parser.add_argument(
        "--csv", type=Path, metavar="FILE", help="write the displacement as a log for check and analyse"
    )
    parser.set_defaults(job=_track)


def _add_blur(jobs: object) -> None:
    parser = jobs.add_parser(
        "blur", help="how blurred a frame is against a sharp one", parents=[output_options(html=False), _looking()]
    )
    parser.add_argument("frames", nargs="+", type=Path, metavar="FRAME", help="picture, or folder or stack of a burst")
    parser.add_argument(
        "--sharp", type=Path, required=True, metavar="REFERENCE", help="sharp picture of the same scene"
    )
    parser.add_argument("--noise", type=float, metavar="X", help="noise of a picture [grey levels]; else estimated")
    parser.add_argument("--shape", choices=sorted(EXTENT_PER_SIGMA), help="shape of the blur, when it is known")
    parser.set_defaults(job=_blur)


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


def _scale_of(options: argparse.Namespace) -> Scale | None:
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


# ----------------------------------------------------------------------------------------------------- jobs
def _track(options: argparse.Namespace) -> int:
    times = None if options.times is None else read_frame_times_s(options.times)
    clip = open_clip(options.clip, frame_rate_hz=options.rate_hz, time_s=times)
    result = track(
        clip,
        reference=options.reference,
        region=options.region,
        scale=_scale_of(options),
        exposure_s=si(options.exposure_ms, 1e-3),
        frame_time=options.frame_time,
        row_time_s=si(options.row_us, 1e-6),
        progress=lambda done: progress(f"{clip.name}: frames", done, clip.n_frames or 0),
    )
    if options.csv:
        remarks = [f"displacement of the picture, {clip.name}", *camera.track_sentences(result)]
        write(options.csv, camera.displacement_log(result.recording, comments=remarks))
    if options.json:
        print_json({"clip": clip.name, "codec": clip.codec, "track": result})
    else:
        print_table(f"{clip.name}: {clip.width} × {clip.height} px, {clip.codec}", camera.track_table(result))
        print()
        for text in camera.track_sentences(result):
            print_wrapped(text)
    return 0 if result.trusted.sum() >= FEWEST_FRAMES else 1


def _blur(options: argparse.Namespace) -> int:
    sharp, box = read_picture(options.sharp), options.region
    blurs = {}
    for number, path in enumerate(options.frames):
        progress("measuring blur", number, len(options.frames))
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
    progress("measuring blur", len(options.frames), len(options.frames))
    if options.json:
        print_json({"sharp": str(options.sharp), "blur": blurs})
    else:
        print_table(
            f"blur against {options.sharp}, standard deviation of the kernel [95 % interval]",
            camera.blur_table(blurs, exposure_s=si(options.exposure_ms, 1e-3, unknown=math.nan)),
        )
        print()
        for text in (*camera.blur_sentences(blurs), *(f"note: {sharp.name}: {note}" for note in sharp.notes)):
            print_wrapped(text)
    return 0 if all(blur.converged for blur in blurs.values()) else 1
