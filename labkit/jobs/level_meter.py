"""Level meters and a strip chart as text, for a terminal."""

from __future__ import annotations

import math

import numpy as np

from labkit.runs.live.live_window import Level
from labkit.runs.live.log_plan import LoggerStatus
from labkit.runs.recording import Recording

__all__ = ["meter_lines", "status_line", "strip"]

_BARS = " ▁▂▃▄▅▆▇█"
_WIDTH = 24
_STRIP_WIDTH = 40
_DECADES = 4.0  # from the top of the meter down
_NEAR_RANGE = 0.95
_STATE_WORDS = {
    "no data": "waiting for the sensor",
    "clock": "learning its clock",
    "waiting": "waiting for the start",
    "countdown": "hands off, starting in",
    "logging": "logging",
    "disconnected": "CONNECTION LOST, waiting for it",
    "done": "done",
}


def status_line(status: LoggerStatus, *, n_moves: int = 0) -> str:
    """State, time and counters in one line.

    Parameters
    ----------
    status : LoggerStatus
        From the logger.
    n_moves : int
        Moves wanted; 0 when it was not said.
    """
    time = f" {status.time_s:.1f} s" if status.state in ("countdown", "logging") else ""
    moves = f", move {status.n_moves}" + (f" of {n_moves}" if n_moves else "")
    rate = "" if math.isnan(status.rate_hz) else f", {status.rate_hz:.1f} Hz"
    return (
        f"{_STATE_WORDS[status.state]}{time}{moves}, {status.n_samples} rows{rate}, "
        f"{status.n_lost} lost, {status.n_faults} bad lines"
    )


def meter_lines(levels: tuple[Level, ...], recording: Recording | None, *, range_si: float = math.nan) -> list[str]:
    """A line a channel: meter of the peak, numbers, strip of the last seconds; says when the range is nearly used up.

    Parameters
    ----------
    levels : tuple of Level
        From the logger's status.
    recording : Recording or None
        The last seconds, for the strips.
    range_si : float
        Full scale of the sensor to one side, in the SI unit of the channels; nan when unknown.

    Examples
    --------
    >>> level = Level(name="ax", unit="m/s^2", mean=0.0, rms=0.1, peak=0.3, largest=19.5)
    >>> "NEAR FULL SCALE" in meter_lines((level,), None, range_si=19.6)[0]
    True
    """
    top = range_si if math.isfinite(range_si) else max([level.peak for level in levels], default=1.0)
    lines = []
    for level in levels:
        full = "  NEAR FULL SCALE" if level.largest > _NEAR_RANGE * range_si else ""
        chart = ""
        if recording is not None and level.name in recording.channels:
            chart = strip(recording.channel(level.name))
        lines.append(
            f"{level.name:>6.6} {_meter(level.peak, top)} peak {level.peak:8.3g} rms {level.rms:8.3g} {level.unit}"
            f"{full} {chart}"
        )
    return lines


def strip(values: np.ndarray) -> str:
    """Samples as a row of bars, each the span of its stretch.

    Parameters
    ----------
    values : numpy.ndarray
        Samples; nan where they are missing.

    Examples
    --------
    >>> strip(np.concatenate([np.zeros(60), [1.0, -1.0] * 10, np.zeros(80)]))[13:22]
    '  █████  '
    """
    if len(values) < 2 * _STRIP_WIDTH:
        return " " * _STRIP_WIDTH
    pieces = [piece[np.isfinite(piece)] for piece in np.array_split(values, _STRIP_WIDTH)]
    spans = np.array([np.ptp(piece) if len(piece) else 0.0 for piece in pieces])
    steps = np.ceil((len(_BARS) - 1) * spans / (spans.max() or 1.0)).astype(int)
    return "".join(_BARS[step] for step in steps)


def _meter(value: float, top: float) -> str:
    """Logarithmic bar over some decades up to `top`."""
    share = 1 + math.log10(value / top) / _DECADES if value > 0 and top > 0 else 0.0
    filled = round(_WIDTH * min(1.0, max(0.0, share)))
    return "▕" + "█" * filled + "·" * (_WIDTH - filled) + "▏"
