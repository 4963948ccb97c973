"""Jobs on what the optics do: ``labkit rows``, ``focus``, ``edge``, ``scale``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from labkit.analyse.edge import edge_blur, measure_edge
from labkit.analyse.focus import focus_curve
from labkit.analyse.rolling_shutter import find_row_line, track_rows
from labkit.analyse.scale import scale_from_target
from labkit.base import LogFormatError, check_number
from labkit.jobs.camera_options import box_of, clip_of, clip_options, looking_options, scale_of, scale_options
from labkit.jobs.printing import output_options, print_json, print_table, print_wrapped, progress, si, write
from labkit.runs.clipfiles import natural_order, open_clip, picture_files
from labkit.runs.pictures import StillPicture, read_numbers, read_picture
from labkit.show import optics

__all__ = ["add_jobs"]

_HIGHEST_HZ = 500.0


def add_jobs(jobs: object) -> None:
    """Add the jobs on rows, focus, edge and scale to the sub-parsers of the program."""
    _add_rows(jobs)
    _add_focus(jobs)
    _add_edge(jobs)
    _add_scale(jobs)


def _add_rows(jobs: object) -> None:
    parser = jobs.add_parser(
        "rows",
        help="vibration above the frame rate, from the rows of a rolling shutter",
        parents=[output_options(html=False), clip_options(), looking_options(), scale_options()],
    )
    parser.add_argument(
        "--row-us", type=float, required=True, metavar="T", help="time from row to row [µs]: read-out time over rows"
    )
    parser.add_argument("--band-rows", type=int, default=16, metavar="N", help="rows followed together (16)")
    parser.add_argument("--rest", type=Path, metavar="PICTURE", help="reference picture of the scene taken at rest")
    parser.add_argument("--from-hz", type=float, metavar="F", help="lowest frequency (two periods in the clip)")
    parser.add_argument(
        "--to-hz", type=float, metavar="F", help=f"highest frequency (what a band lasts, at most {_HIGHEST_HZ:g})"
    )
    parser.add_argument("--csv", type=Path, metavar="FILE", help="write the displacement of every band as a log")
    parser.set_defaults(job=_rows)


def _add_focus(jobs: object) -> None:
    parser = jobs.add_parser(
        "focus",
        help="best focus and depth of field from a through-focus stack",
        parents=[output_options(html=False), looking_options(exposure=False)],
    )
    parser.add_argument("stack", type=Path, metavar="STACK", help="folder of pictures, folder of bursts, or TIFF stack")
    place = parser.add_mutually_exclusive_group(required=True)
    place.add_argument("--z-step-um", type=float, metavar="X", help="even step from picture to picture [µm]")
    place.add_argument(
        "--z-um", metavar="Z,Z,…", help="place of every picture [µm], or a text file with one number a line"
    )
    parser.add_argument(
        "--blur-limit-px", type=float, default=1.0, metavar="X", help="largest blur disc to bear [px] (1)"
    )
    parser.add_argument("--noise", type=float, metavar="X", help="noise of a picture [grey levels]; else estimated")
    parser.set_defaults(job=_focus)


def _add_edge(jobs: object) -> None:
    parser = jobs.add_parser(
        "edge",
        help="sharpness of one slanted edge: a second opinion on blur",
        parents=[output_options(html=False), looking_options(exposure=False)],
    )
    parser.add_argument("picture", type=Path, metavar="PICTURE", help="picture, or folder or stack of a burst")
    parser.add_argument("--sharp", type=Path, metavar="REFERENCE", help="sharp picture of the same edge")
    parser.set_defaults(job=_edge)


def _add_scale(jobs: object) -> None:
    parser = jobs.add_parser(
        "scale",
        help="size of a pixel at the object, from a target",
        parents=[output_options(html=False), looking_options(exposure=False)],
    )
    parser.add_argument("picture", type=Path, metavar="PICTURE", help="picture of the target")
    parser.add_argument("--pitch-mm", type=float, required=True, metavar="X", help="from line to line or dot to dot")
    parser.add_argument("--kind", choices=("lines", "dots"), required=True, help="parallel lines, or a square dot grid")
    parser.add_argument("--pitch-error-mm", type=float, metavar="X", help="standard uncertainty of the pitch")
    parser.add_argument("--about-px", type=float, metavar="X", help="pitch counted in the picture, to 15 %%")
    parser.set_defaults(job=_scale)


# ------------------------------------------------------------------------------------------------------ jobs
def _rows(options: argparse.Namespace) -> int:
    clip, scale = clip_of(options), scale_of(options)
    row_time_s = 1e-6 * check_number("--row-us", options.row_us, above=0.0)
    rows = track_rows(
        clip,
        row_time_s=row_time_s,
        band_rows=options.band_rows,
        exposure_s=si(options.exposure_ms, 1e-3, unknown=0.0),
        frame_time=options.frame_time,
        reference=options.reference if options.rest is None else _one_picture(options.rest),
        at_rest=options.rest is not None,
        region=options.region,
        progress=lambda done: progress(f"{clip.name}: frames", done, clip.n_frames or 0),
    )
    lowest_hz = options.from_hz or 2.0 / float(np.ptp(rows.time_s))
    highest_hz = options.to_hz or min(rows.sample_rate_hz, _HIGHEST_HZ)
    lines = {axis: find_row_line(rows, axis=axis, lowest_hz=lowest_hz, highest_hz=highest_hz) for axis in "xy"}
    sentences = [f"Looked for between {lowest_hz:.3g} and {highest_hz:.4g} Hz.", *optics.row_sentences(lines, rows)]
    if options.csv:
        remarks = [f"displacement of bands of rows, {clip.name}", *sentences]
        write(options.csv, optics.row_log(rows, scale=scale, comments=remarks))
    if options.json:
        print_json({"clip": clip.name, "codec": clip.codec, "rows": rows, "lines": lines})
        return 0
    print_table(
        f"{clip.name}: {clip.width} × {clip.height} px, {clip.codec}", optics.row_table(lines, rows, scale=scale)
    )
    _print_sentences(sentences)
    return 0


def _focus(options: argparse.Namespace) -> int:
    names, pictures = _stack(options.stack)
    z_m = 1e-6 * np.array(_places_um(options, len(pictures)))
    try:
        curve = focus_curve(
            pictures,
            z_m=z_m,
            blur_limit_px=options.blur_limit_px,
            noise_sd=options.noise,
            region=box_of(options.region),
            progress=lambda done: progress("measuring blur", done, len(pictures)),
        )
    except ValueError as error:
        raise ValueError(f"{options.stack}: {error}") from error
    if options.json:
        print_json({"stack": str(options.stack), "pictures": names, "focus": curve})
        return 0
    print_table(f"{options.stack}: blur through focus", optics.focus_table(curve, names=names))
    _print_sentences(optics.focus_sentences(curve))
    return 0


def _edge(options: argparse.Namespace) -> int:
    paths = [options.picture, *([options.sharp] if options.sharp else [])]
    pictures = {str(path): read_picture(path) for path in paths}
    box = box_of(options.region)
    edges, blur = {}, None
    for name, picture in pictures.items():
        try:
            edges[name] = measure_edge(picture.pixels, region=box, full_scale=picture.full_scale)
        except ValueError as error:
            raise ValueError(f"{name}: {error}") from error
    if options.sharp:
        frame, sharp = pictures.values()
        blur = edge_blur(frame.pixels, sharp.pixels, region=box, full_scale=frame.full_scale)
    if options.json:
        print_json({"edges": edges, "blur": blur})
        return 0
    print_table("slanted edge [95 % interval]", optics.edge_table(edges))
    _print_sentences([*optics.edge_sentences(edges, blur), *_picture_notes(pictures.values())])
    return 0


def _scale(options: argparse.Namespace) -> int:
    picture = _one_picture(options.picture)
    try:
        scale = scale_from_target(
            options.region.within(*picture.shape).cut(picture) if options.region else picture,
            pitch_m=1e-3 * check_number("--pitch-mm", options.pitch_mm, above=0.0),
            kind=options.kind,
            pitch_standard_error_m=si(options.pitch_error_mm, 1e-3, unknown=float("nan")),
            approximate_pitch_px=options.about_px,
        )
    except ValueError as error:
        raise ValueError(f"{options.picture}: {error}") from error
    if options.json:
        print_json({"picture": str(options.picture), "scale": scale})
        return 0
    print_table(f"{options.picture}: scale [95 % interval]", optics.scale_table(scale))
    _print_sentences(optics.scale_sentences(scale))
    return 0


# ---------------------------------------------------------------------------------------------------- reading
def _print_sentences(sentences: Sequence[str]) -> None:
    print()
    for text in sentences:
        print_wrapped(text)


def _picture_notes(pictures: Sequence[StillPicture]) -> list[str]:
    return [f"note: {picture.name}: {note}" for picture in pictures for note in picture.notes]


def _one_picture(path: Path) -> np.ndarray:
    """A single picture; the mean of a burst."""
    pixels = read_picture(path).pixels
    return pixels.mean(axis=0) if pixels.ndim == 3 else pixels


def _stack(path: Path) -> tuple[list[str], list[np.ndarray]]:
    """Names and pictures of a through-focus stack; a folder that holds only folders has a burst in each."""
    names = [p.name for p in picture_files(path)] if path.is_dir() else []
    folders = sorted((p for p in path.iterdir() if p.is_dir()), key=natural_order) if path.is_dir() else []
    if folders and not names:
        return [p.name for p in folders], [read_picture(p).pixels for p in folders]
    frames = [frame.pixels for frame in open_clip(path, frame_rate_hz=1.0)]  # the times do not matter
    return names or [str(i) for i in range(len(frames))], frames


def _places_um(options: argparse.Namespace, count: int) -> list[float]:
    """Place of every picture [µm]."""
    if options.z_step_um is not None:
        return [i * check_number("--z-step-um", options.z_step_um) for i in range(count)]
    if Path(options.z_um).is_file():
        places = read_numbers(options.z_um, what="the place of a picture in µm")
    else:
        try:
            places = [float(part) for part in options.z_um.split(",")]
        except ValueError as error:
            raise ValueError(
                f"--z-um is {options.z_um!r}; it must be numbers with commas between, or a file with one number a line"
            ) from error
    if len(places) != count:
        raise LogFormatError(
            str(options.stack),
            found=f"{count} pictures",
            expected=f"{len(places)}, one for every place in --z-um",
            cure="give one place a picture, in the order of the names",
        )
    return places
