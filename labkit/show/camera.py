"""What the camera says, in bench units: tables and sentences for displacement and blur, and the displacement log."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from labkit.analyse.blur import Blur
from labkit.analyse.frames import TrackResult
from labkit.analyse.kernels import EXTENT_PER_SIGMA
from labkit.base import Estimate, check_number
from labkit.runs.recording import Recording

__all__ = ["blur_sentences", "blur_table", "displacement_log", "track_sentences", "track_table"]

_BENCH = {"m": (1e6, "µm"), "px": (1.0, "px")}


def track_table(result: TrackResult) -> pd.DataFrame:
    """How far the picture moved along x and y, and what the clip could have shown.

    Parameters
    ----------
    result : TrackResult
        A tracked clip.
    """
    scale, unit = _BENCH[result.recording.unit]
    rows = []
    for k, (name, values) in enumerate(zip(result.recording.channels, scale * result.recording.values)):
        known = values[np.isfinite(values)]
        rows.append(
            {
                "axis": name,
                f"range [{unit}]": f"{np.ptp(known):.3g}" if known.size else "–",
                f"rms [{unit}]": f"{known.std():.3g}" if known.size else "–",
                "motion shows above [px rms]": _number(result.floor_px[k]),
                "noise of a frame [px]": _number(result.noise_px[k]),
                "Cramér–Rao bound [px]": _number(result.bound_px[k]),
            }
        )
    return pd.DataFrame(rows)


def _number(value: float) -> str:
    return f"{value:.2g}" if math.isfinite(value) else "–"


def track_sentences(result: TrackResult) -> list[str]:
    """Verdict, how many frames count, how they were stored, and what a clip of this frame rate cannot show.

    Parameters
    ----------
    result : TrackResult
        A tracked clip.
    """
    rate, trusted = result.recording.sample_rate_hz, int(result.trusted.sum())
    stored = {
        True: "The pictures were stored with loss.",
        False: "The pictures were stored without loss.",
        None: "Whether the pictures were stored with loss cannot be told.",
    }[result.lossy]
    return [
        f"{result.verdict[0].upper()}{result.verdict[1:]}.",
        f"{trusted} of {len(result.flags)} frames are trusted, {rate:.5g} a second. {stored}",
        f"Vibration above {rate / 2:.4g} Hz is folded below it: compare frequencies with an accelerometer.",
        *(f"note: {note}" for note in result.notes),
    ]


def displacement_log(recording: Recording, *, comments: Sequence[str] = ()) -> str:
    """A displacement as a log in text, as ``labkit check`` and ``labkit analyse`` read it; gaps are left out.

    Parameters
    ----------
    recording : Recording
        Displacement in px or m; m is written as µm.
    comments : sequence of str
        Lines that say where it comes from and what to mind.

    Examples
    --------
    >>> x = Recording(values=[[0.0, 1.5e-6, float("nan")]], sample_rate_hz=100.0, channels=["x"], unit="m")
    >>> print(displacement_log(x, comments=["clip"]))
    # clip
    t [s],x [µm]
    0.000000,0.00000
    0.010000,1.50000
    <BLANKLINE>
    """
    scale, unit = _BENCH[recording.unit]
    kept = np.isfinite(recording.values).all(axis=0)
    header = ",".join(["t [s]", *(f"{name} [{unit}]" for name in recording.channels)])
    rows = zip(recording.time_s[kept], *(scale * recording.values[:, kept]))
    lines = [",".join([f"{time:.6f}", *(f"{value:.5f}" for value in values)]) for time, *values in rows]
    return "\n".join([*(f"# {comment}" for comment in comments), header, *lines]) + "\n"


def blur_table(blurs: Mapping[str, Blur], *, exposure_s: float = math.nan) -> pd.DataFrame:
    """Blur of every frame along x and y with its interval, its shape if that can be told, and what would show at all.

    Parameters
    ----------
    blurs : mapping of str to Blur
        Name of the frame → its blur.
    exposure_s : float
        Exposure time [s]; with it the speed of a steady drift that would blur as much is told.
    """
    return pd.DataFrame([{"frame": name, **_blur_row(blur, exposure_s)} for name, blur in blurs.items()])


def _blur_row(blur: Blur, exposure_s: float) -> dict[str, str]:
    row = {
        "σx [px]": _sigma(blur.sigma_x_px),
        "σy [px]": _sigma(blur.sigma_y_px),
        "shape": blur.family if blur.detected else "no blur found",
        "smallest smear that shows [px]": _number(blur.detection_limit_px),
    }
    if not math.isnan(exposure_s):
        length = EXTENT_PER_SIGMA["smear"] * math.hypot(blur.sigma_x_px.value, blur.sigma_y_px.value)
        speed = length / check_number("exposure_s", exposure_s, above=0.0)
        row["as steady drift [px/s]"] = f"{speed:.3g}" if blur.detected else "–"
    return row


def _sigma(estimate: Estimate) -> str:
    if not estimate.interval.known:
        return "–" if math.isnan(estimate.value) else f"{estimate.value:.2f} [interval unknown]"
    return f"{estimate.value:.2f} [{estimate.interval.low:.2f}, {estimate.interval.high:.2f}]"


def blur_sentences(blurs: Mapping[str, Blur]) -> list[str]:
    """How many frames are blurred, the worst of them, and every doubt.

    Parameters
    ----------
    blurs : mapping of str to Blur
        Name of the frame → its blur.
    """
    size = {name: math.hypot(blur.sigma_x_px.value, blur.sigma_y_px.value) for name, blur in blurs.items()}
    blurred = [name for name, blur in blurs.items() if blur.detected]
    words = [f"{len(blurred)} of {len(blurs)} frames show blur against the sharp reference."]
    if len(blurred) > 1:
        worst = max(blurred, key=size.__getitem__)
        words.append(f"Worst: {worst}, {size[worst]:.2f} px (standard deviation of the kernel).")
    return words + [f"doubt about {name}: {note}" for name, blur in blurs.items() for note in blur.notes]
