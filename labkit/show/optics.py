"""What rows, edges, focus stacks and targets say, in bench units: tables, sentences, and the log of the rows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from labkit.analyse.edge import EdgeBlur, EdgeResponse
from labkit.analyse.focus import FocusCurve
from labkit.analyse.rolling_shutter import RowLine, RowTrack
from labkit.analyse.scale import Scale
from labkit.show.tables import estimate_text

__all__ = [
    "edge_sentences",
    "edge_table",
    "focus_sentences",
    "focus_table",
    "row_log",
    "row_sentences",
    "row_table",
    "scale_sentences",
    "scale_table",
]


_TRACE = 0.05  # share of the other axis' amplitude that may be its trace: 0.016 on photographs in trials


# ------------------------------------------------------------------------------------------- rolling shutter
def row_table(lines: Mapping[str, RowLine], rows: RowTrack, *, scale: Scale | None = None) -> pd.DataFrame:
    """The strongest vibration along each axis, and what the bands could have shown.

    Parameters
    ----------
    lines : mapping of str to RowLine
        Axis → its line.
    rows : RowTrack
        The bands that they were found in.
    scale : Scale, optional
        Size of a pixel at the object; with it amplitudes are in µm.
    """
    size, unit = (1.0, "px") if scale is None else (1e6 * scale.object_pixel_m.value, "µm")
    return pd.DataFrame(
        [
            {
                "axis": axis,
                "frequency [Hz]": estimate_text(line.frequency_hz, digits=5) if line.found else "–",
                f"amplitude [{unit}]": estimate_text(line.amplitude_px, scale=size) if line.found else "–",
                "left by bands and exposure": f"{line.left:.0%}" if line.found else "–",
                "of the motion explained": f"{line.explained:.0%}" if line.found else "–",
                f"noise of a band [{unit}]": f"{size * rows.noise_px['xy'.index(axis)]:.2g}",
            }
            for axis, line in lines.items()
        ]
    )


def row_sentences(lines: Mapping[str, RowLine], rows: RowTrack) -> list[str]:
    """What was found, whether another frequency could stand behind it, and what rows cannot show.

    Parameters
    ----------
    lines : mapping of str to RowLine
        Axis → its line.
    rows : RowTrack
        The bands that they were found in.
    """
    rate, bands = f"{rows.frame_rate_hz:.4g} Hz", int(rows.band.max()) + 1
    rest = f"A vibration at a multiple of {rate} bends every frame alike: only a reference taken at rest shows it."
    return [
        *(_line_sentence(axis, line) for axis, line in lines.items()),
        *_trace_sentence(lines),
        f"{bands} bands of {rows.band_rows} rows give {rows.sample_rate_hz:.4g} samples a second while a frame is read "
        f"out, {min(rows.duty, 1):.0%} of the time." + ("" if rows.at_rest else f" {rest}"),
        "All of it rests on the row time: a wrong one leaves motion unexplained, or picks a frequency that is a "
        f"multiple of {rate} off. The scene must stand still but for the vibration.",
        *(f"note: {note}" for note in rows.notes),
    ]


def _line_sentence(axis: str, line: RowLine) -> str:
    if not line.found:
        return f"Along {axis} no vibration stands out of the noise of the bands."
    found = f"Along {axis} the picture vibrates at {estimate_text(line.frequency_hz, digits=5)} Hz"
    if line.distinct:
        return f"{found}; no other frequency fits."
    rival = f", {line.rival_hz:.4g} Hz fits almost as well" if math.isfinite(line.rival_hz) else ""
    return f"{found}, but that is not settled{rival}: it explains {line.explained:.0%} of the motion of the rows."


def _trace_sentence(lines: Mapping[str, RowLine]) -> list[str]:
    """Doubt about a line far smaller than that of the other axis: bands bent along one seem to shift along both."""
    weak, strong = sorted(lines, key=lambda axis: lines[axis].amplitude_px.value)
    if not lines[weak].found or lines[weak].amplitude_px.value > _TRACE * lines[strong].amplitude_px.value:
        return []
    return [f"What is seen along {weak} is so little that it may be the trace of the motion along {strong}."]


def row_log(rows: RowTrack, *, scale: Scale | None = None, comments: Sequence[str] = ()) -> str:
    """Displacement of every band at its own time as a log in text.

    The dead time between frames leaves gaps, so it is read with ``irregular="mark"``; bands that are not trusted are
    left out.

    Parameters
    ----------
    rows : RowTrack
        Motion seen by bands of rows.
    scale : Scale, optional
        Size of a pixel at the object; with it the log is in µm.
    comments : sequence of str
        Lines that say where it comes from and what to mind.
    """
    size, unit = (1.0, "px") if scale is None else (1e6 * scale.object_pixel_m.value, "µm")
    kept = np.isfinite(rows.shift_px).all(axis=0)
    samples = zip(rows.time_s[kept], *(size * rows.shift_px[:, kept]))
    lines = [f"{time:.7f},{x:.5f},{y:.5f}" for time, x, y in samples]
    return "\n".join([*(f"# {comment}" for comment in comments), f"t [s],x [{unit}],y [{unit}]", *lines]) + "\n"


# ----------------------------------------------------------------------------------------------------- focus
def focus_table(curve: FocusCurve, *, names: Sequence[str] = ()) -> pd.DataFrame:
    """Blur of every picture of a through-focus stack against the sharpest.

    Parameters
    ----------
    curve : FocusCurve
        The stack, measured.
    names : sequence of str
        Names of the pictures; numbers by default.
    """
    rows = []
    for i, z_m in enumerate(curve.z_m):
        used = {True: "yes", False: "no"}[bool(curve.used[i])]
        variance, error = curve.variance_px2[i], curve.variance_error_px2[i]
        measured = f"{variance:.3f} ± {error:.3f}" if math.isfinite(variance) else "–"
        rows.append(
            {
                "picture": names[i] if names else i,
                "z [µm]": f"{1e6 * z_m:.6g}",
                "variance against the sharpest [px²]": measured,
                "disc by the curve [px]": f"{curve.disc_px[i]:.2f}",
                "used": "sharpest" if i == curve.reference else used,
            }
        )
    return pd.DataFrame(rows)


def focus_sentences(curve: FocusCurve) -> list[str]:
    """Best focus, how fast it blurs, depth of field, and doubts.

    Parameters
    ----------
    curve : FocusCurve
        The stack, measured.
    """
    per_um = 1e-6 * curve.disc_px_per_m.value
    sentences = [
        f"Best focus at z = {estimate_text(curve.best_z_m, scale=1e6, unit='µm', digits=4)}.",
        f"Away from it the blur disc grows by {10 * per_um:.3g} px each 10 µm; it stays within "
        f"{curve.blur_limit_px:g} px over a depth of field of "
        f"{estimate_text(curve.depth_of_field_m, scale=1e6, unit='µm')}, half of it on either side.",
    ]
    if curve.residual_ratio > 3:
        sentences.append(
            f"note: the pictures scatter {math.sqrt(curve.residual_ratio):.1f} times as much about the curve as their "
            "noise explains: the steps of z are uneven, the target is tilted, or the blur is no even disc; the "
            "intervals are widened by that much"
        )
    if np.ptp(curve.z_m[curve.used]) < curve.depth_of_field_m.value:
        sentences.append("note: the depth of field reaches beyond the pictures used; scan further to be sure of it")
    return sentences


# ------------------------------------------------------------------------------------------------------ edge
def edge_table(edges: Mapping[str, EdgeResponse]) -> pd.DataFrame:
    """Sharpness across one slanted edge in each picture.

    Parameters
    ----------
    edges : mapping of str to EdgeResponse
        Name of the picture → its edge.
    """
    return pd.DataFrame(
        [
            {
                "picture": name,
                "across": edge.across,
                "tilt [°]": f"{abs(math.degrees(edge.tilt_rad)):.1f}",
                "contrast [grey]": f"{edge.contrast:.3g}",
                "MTF50 [cycles/px]": estimate_text(edge.mtf50_cpp),
                "equivalent σ [px]": estimate_text(edge.equivalent_sigma_px),
                "MTF at 0.25 cycles/px": f"{np.interp(0.25, edge.frequency_cpp, edge.mtf):.2f}",
            }
            for name, edge in edges.items()
        ]
    )


def edge_sentences(edges: Mapping[str, EdgeResponse], blur: EdgeBlur | None = None) -> list[str]:
    """What the numbers of an edge are, and the blur between two pictures of it.

    Parameters
    ----------
    edges : mapping of str to EdgeResponse
        Name of the picture → its edge.
    blur : EdgeBlur, optional
        Blur of the first picture against the second.
    """
    sentences = [
        "MTF50 is the spatial frequency at which half of the contrast is left, equivalent σ the Gaussian that leaves "
        "as much: lens, focus, pixel and motion together.",
    ]
    if blur is not None:
        first, second = edges
        sentences.insert(
            0,
            f"{first} is blurred against {second} by σ{blur.across} = {estimate_text(blur.sigma_px)} px "
            "(standard deviation of the kernel across the edge), what both have in common taken off.",
        )
    for name, edge in edges.items():
        if math.isnan(edge.mtf50_cpp.value):
            sentences.append(f"note: {name} keeps more than half of its contrast up to half the sampling frequency")
    return sentences


# ----------------------------------------------------------------------------------------------------- scale
def scale_table(scale: Scale) -> pd.DataFrame:
    """Size of a pixel at the object.

    Parameters
    ----------
    scale : Scale
        From a target or from lens facts.
    """
    pixel = scale.object_pixel_m
    row = {
        "pixel at the object [µm]": estimate_text(pixel, scale=1e6, digits=5),
        "pixels a millimetre": f"{1e-3 / pixel.value:.6g}",
    }
    if math.isfinite(scale.period_px):
        row |= {"period [px]": f"{scale.period_px:.5g}", "off an even grid [px rms]": f"{scale.distortion_px:.2g}"}
    return pd.DataFrame([row])


def scale_sentences(scale: Scale) -> list[str]:
    """How to use the scale, and doubts.

    Parameters
    ----------
    scale : Scale
        From a target or from lens facts.
    """
    return [
        f"From a {scale.source}. In other jobs: --px-per-mm {1e-3 / scale.object_pixel_m.value:.6g}.",
        *(f"note: {note}" for note in scale.notes),
    ]
