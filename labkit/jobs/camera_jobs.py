"""Jobs on pictures: ``labkit track``, ``labkit blur``."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

from labkit.analyse.blur import measure_blur
from labkit.analyse.frames import FEWEST_FRAMES, track
from labkit.analyse.kernels import EXTENT_PER_SIGMA
from labkit.jobs.camera_options import box_of, clip_of, clip_options, looking_options, scale_of, scale_options
from labkit.jobs.printing import output_options, print_json, print_table, print_wrapped, progress, si, write
from labkit.runs.pictures import read_picture
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
        parents=[output_options(html=False), clip_options(), looking_options(), scale_options()],
    )
    parser.add_argument("--row-us", type=float, metavar="T", help="time from row to row of a rolling shutter [µs]")
    parser.add_argument(
        "--csv", type=Path, metavar="FILE", help="write the displacement as a log for check and analyse"
    )
    parser.set_defaults(job=_track)


def _add_blur(jobs: object) -> None:
    parser = jobs.add_parser(
        "blur",
        help="how blurred a frame is against a sharp one",
        parents=[output_options(html=False), looking_options()],
    )
    parser.add_argument("frames", nargs="+", type=Path, metavar="FRAME", help="picture, or folder or stack of a burst")
    parser.add_argument(
        "--sharp", type=Path, required=True, metavar="REFERENCE", help="sharp picture of the same scene"
    )
    parser.add_argument("--noise", type=float, metavar="X", help="noise of a picture [grey levels]; else estimated")
    parser.add_argument("--shape", choices=sorted(EXTENT_PER_SIGMA), help="shape of the blur, when it is known")
    parser.set_defaults(job=_blur)


# ----------------------------------------------------------------------------------------------------- jobs
def _track(options: argparse.Namespace) -> int:
    clip = clip_of(options)
    result = track(
        clip,
        reference=options.reference,
        region=options.region,
        scale=scale_of(options),
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
    sharp = read_picture(options.sharp)
    blurs = {}
    for number, path in enumerate(options.frames):
        progress("measuring blur", number, len(options.frames))
        frame = read_picture(path)
        try:
            blurs[str(path)] = measure_blur(
                frame.pixels,
                sharp.pixels,
                region=box_of(options.region),
                noise_sd=options.noise,
                family=options.shape or "any",
                full_scale=frame.full_scale,
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
