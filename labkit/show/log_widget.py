"""The live logger in a notebook: a form for run.toml, and a panel with strip chart, level meters and buttons."""

from __future__ import annotations

import base64
import html
import io
import math
import threading
from collections.abc import Callable
from pathlib import Path
from time import monotonic

import ipywidgets as ipw
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from labkit.runs.live.byte_source import ByteSource
from labkit.runs.live.live_window import EndsFinder, Level
from labkit.runs.live.logger import CAUTIONS, Logger, LoggerStatus, LogPlan, LogSummary
from labkit.runs.live.run_form import fill_template, form_fields, read_settings, write_run_file
from labkit.runs.recording import Recording
from labkit.show.logged import keep_or_repeat, summary_sentence
from labkit.show.plots import COLOURS, STYLES

__all__ = ["LogPanel", "StripChart", "run_form"]

_DRAW_EVERY_S = 0.25
_STRIP_S = 6.0
_COLUMNS = 700
_DECADES = 4.0
_NEAR_RANGE = 0.95
_STATES = {
    "no data": "waiting for the sensor",
    "clock": "learning the sensor's clock",
    "waiting": "ready: press start",
    "countdown": "hands off, starting in",
    "logging": "logging",
    "disconnected": "connection lost, waiting for it",
    "done": "done",
}


class StripChart:
    """The last seconds of up to four channels, each without its mean, drawn into a PNG.

    Examples
    --------
    >>> chart = StripChart()
    >>> log = Recording(values=[np.sin(np.arange(400.0))], sample_rate_hz=100.0, channels=["az"], unit="m/s^2")
    >>> chart.draw(log)[:4]
    b'\\x89PNG'
    """

    def __init__(self) -> None:
        self._figure = Figure(figsize=(8.0, 2.6), layout="constrained", dpi=90)
        FigureCanvasAgg(self._figure)
        self._ax = self._figure.add_subplot()
        self._ax.spines[["top", "right"]].set_visible(False)
        self._ax.grid(True, alpha=0.25)
        self._ax.set_xlim(-_STRIP_S, 0.0)
        self._ax.set_xlabel("time before now [s]")
        self._lines: dict[str, object] = {}

    def draw(self, recording: Recording) -> bytes:
        """A PNG of the last seconds.

        Parameters
        ----------
        recording : Recording
            From `Logger.recent`.
        """
        self._ax.set_ylabel(f"{_quantity(recording.unit)} [{recording.unit.replace('^2', '²')}]")
        largest = 0.0
        for k, name in enumerate(recording.channels[: len(COLOURS)]):
            if name not in self._lines:
                (self._lines[name],) = self._ax.plot([], [], STYLES[k], color=COLOURS[k], lw=0.9, label=name)
                self._ax.legend(loc="upper left", ncols=4, frameon=False)
            time, values = _outline(recording, name)
            self._lines[name].set_data(time, values)
            largest = max(largest, float(np.nanmax(np.abs(values), initial=0.0)))
        self._ax.set_ylim(-1.1 * (largest or 1.0), 1.1 * (largest or 1.0))
        picture = io.BytesIO()
        self._figure.savefig(picture, format="png")
        return picture.getvalue()


def _quantity(unit: str) -> str:
    return {"m/s^2": "acceleration", "m": "displacement", "N": "force"}.get(unit, "signal")


def _outline(recording: Recording, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest value in each column of pixels, so that no peak is missed; gaps stay open."""
    values = recording.channel(name)
    values = values - np.nanmean(values) if np.isfinite(values).any() else values
    time = np.arange(1 - len(values), 1) / recording.sample_rate_hz
    step = max(1, len(values) // _COLUMNS)
    n = len(values) // step * step
    pieces = values[len(values) - n :].reshape(-1, step)
    known = np.isfinite(pieces)
    low = np.where(known.any(axis=1), np.where(known, pieces, np.inf).min(axis=1), np.nan)
    high = np.where(known.any(axis=1), np.where(known, pieces, -np.inf).max(axis=1), np.nan)
    return np.repeat(time[len(values) - n :: step], 2), np.column_stack([low, high]).ravel()


class LogPanel:
    """Strip chart, level meters, buttons; the log runs in a thread.

    Parameters
    ----------
    open_source : callable
        Opens the stream; called when the log is begun, so that a panel can be shown before the sensor is plugged in.
    plan : LogPlan
        What to log; with ``begin="on command"`` the start button starts it.
    find_ends : callable, optional
        Finds the ends of moves, for sensors without a trigger.
    range_si : float
        Full scale of the sensor to one side in the SI unit of its channels; nan when unknown.

    Attributes
    ----------
    widget : ipywidgets.Widget
        What is shown.
    ready : bool
        Whether the clock of the sensor is known, so that the log can start.
    summary : LogSummary or None
        What was logged, once it is over.
    """

    def __init__(
        self,
        open_source: Callable[[], ByteSource],
        plan: LogPlan,
        *,
        find_ends: EndsFinder | None = None,
        range_si: float = math.nan,
    ) -> None:
        self._open_source, self._plan, self._find_ends, self._range_si = open_source, plan, find_ends, range_si
        self._logger: Logger | None = None
        self.ready = False
        self._thread: threading.Thread | None = None
        self._error: Exception | None = None
        self.summary: LogSummary | None = None
        self._chart, self._drawn_s = StripChart(), -math.inf
        self._picture = ipw.HTML()
        self._meters: dict[str, tuple[ipw.FloatProgress, ipw.Label]] = {}
        self._meter_box, self._state, self._verdict = ipw.VBox(), ipw.HTML(), ipw.HTML()
        self.widget = self._layout()

    def _repr_mimebundle_(self, **how: object) -> object:
        return self.widget._repr_mimebundle_(**how)

    def _layout(self) -> ipw.Widget:
        begin, start, stop = (
            ipw.Button(description=text, tooltip=tip)
            for text, tip in (
                ("connect", "open the port and show what arrives"),
                ("start", "start the log"),
                ("stop", "end the log"),
            )
        )
        begin.on_click(lambda _: self.begin())
        start.on_click(lambda _: self.start())
        stop.on_click(lambda _: self.stop())
        self._note = ipw.Text(placeholder="text of a mark")
        mark = ipw.Button(description="mark", tooltip="write a mark into the log")
        mark.on_click(lambda _: self.mark(self._note.value))
        cautions = ipw.HTML("<ul>" + "".join(f"<li>{html.escape(text)}</li>" for text in CAUTIONS) + "</ul>")
        buttons = ipw.HBox([begin, start, stop, self._note, mark], layout=ipw.Layout(flex_flow="row wrap"))
        return ipw.VBox([cautions, buttons, self._state, self._picture, self._meter_box, self._verdict])

    # ------------------------------------------------------------------------------------------------ control
    def begin(self) -> None:
        """Open the stream and show it; the log itself starts as the plan says."""
        if self._thread is not None and self._thread.is_alive():
            return
        self._error, self.summary = None, None
        self._verdict.value = ""
        try:
            self._logger = Logger(self._open_source(), self._plan, find_ends=self._find_ends)
        except OSError as error:
            self._say(str(error))
            return
        self._thread = threading.Thread(target=self._run, name="labkit log panel", daemon=True)
        self._thread.start()

    def start(self) -> None:
        """Start the log."""
        if self._logger is not None:
            self._logger.start()

    def stop(self) -> None:
        """End the log."""
        if self._logger is not None:
            self._logger.stop()

    def mark(self, text: str = "") -> None:
        """Write a mark."""
        if self._logger is not None:
            self._logger.mark(text)

    def wait(self) -> LogSummary:
        """Wait for the end of the log and return what was logged.

        Raises
        ------
        ValueError or OSError
            What ended the log early.
        """
        if self._thread is None:
            raise ValueError("nothing is being logged; connect first")
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self.summary

    def _run(self) -> None:
        try:
            self.summary = self._logger.run(self._show)
            self._conclude()
        except (ValueError, OSError) as error:
            self._error = error
            self._say(str(error))

    # --------------------------------------------------------------------------------------------------- view
    def _say(self, text: str) -> None:
        self._state.value = f"<p><b>{html.escape(text)}</b></p>"

    def _show(self, status: LoggerStatus) -> None:
        now_s, self.ready = monotonic(), status.state == "waiting"
        if now_s - self._drawn_s < _DRAW_EVERY_S and status.state != "done":
            return
        self._drawn_s = now_s
        time = f" {status.time_s:.1f} s" if status.state in ("countdown", "logging") else ""
        self._say(
            f"{_STATES[status.state]}{time}; {status.n_samples} rows, {status.n_moves} moves, {status.n_lost} samples "
            f"lost, {status.n_faults} bad lines"
        )
        recent = self._logger.recent(_STRIP_S)
        if recent is not None:
            png = base64.b64encode(self._chart.draw(recent)).decode()
            alt = "strip chart of the last seconds: " + "; ".join(map(_in_words, status.levels))
            self._picture.value = f'<img src="data:image/png;base64,{png}" alt="{html.escape(alt)}" width="100%">'
        self._show_levels(status.levels)

    def _show_levels(self, levels: tuple[Level, ...]) -> None:
        top = self._range_si if math.isfinite(self._range_si) else max((level.peak for level in levels), default=1.0)
        for level in levels:
            if level.name not in self._meters:
                bar = ipw.FloatProgress(min=0.0, max=1.0, description=level.name)
                self._meters[level.name] = (bar, ipw.Label())
                self._meter_box.children = tuple(ipw.HBox(row) for row in self._meters.values())
            bar, label = self._meters[level.name]
            bar.value = min(1.0, max(0.0, 1 + math.log10(level.peak / top) / _DECADES)) if level.peak > 0 else 0.0
            full = level.largest > _NEAR_RANGE * self._range_si
            bar.bar_style = "danger" if full else ""
            label.value = _in_words(level) + (", NEAR FULL SCALE" if full else "")

    def _conclude(self) -> None:
        reports, reasons = keep_or_repeat(self.summary, folder=self._plan.folder, n_moves=self._plan.n_moves)
        warnings = [f"{f.code}: {f.evidence}" for report in reports for f in report.findings if f.severity == "warning"]
        lines = [f"<b>REPEAT</b>: {html.escape(text)}" for text in reasons] or ["<b>KEEP</b>: the log is fit"]
        lines += [f"warning: {html.escape(text)}" for text in warnings]
        lines.insert(0, html.escape(summary_sentence(self.summary)))
        self._verdict.value = "<p>" + "<br>".join(lines) + "</p>"


def _in_words(level: Level) -> str:
    return f"{level.name}: peak {level.peak:.3g}, rms {level.rms:.3g} {level.unit.replace('^2', '²')}"


def run_form(folder: Path) -> ipw.Widget:
    """A form that writes a `run.toml` into a folder that has none.

    Parameters
    ----------
    folder : Path
        Folder of the run; made when it is not there.
    """
    boxes: dict[str, ipw.Text] = {}
    tables: dict[str, list[ipw.Widget]] = {}
    for field in form_fields():
        table, _, key = field.name.partition(".")
        hint = f"{field.example}" + (f" – {field.meaning}" if field.meaning else "")
        boxes[field.name] = ipw.Text(
            description=key, placeholder=hint, style={"description_width": "16em"}, layout=ipw.Layout(width="95%")
        )
        tables.setdefault(table, []).append(boxes[field.name])
    answer = ipw.HTML("<p>Fill in what you know and leave the rest empty: unknown beats wrong.</p>")
    button = ipw.Button(description="write run.toml")

    def write(_: object) -> None:
        try:
            settings = read_settings({name: box.value for name, box in boxes.items()})
            path = write_run_file(folder, fill_template(settings, folder=folder))
            answer.value = f"<p>made {html.escape(str(path))}</p>"
        except (ValueError, OSError) as error:
            answer.value = f"<p><b>{html.escape(str(error))}</b></p>"

    button.on_click(write)
    folds = ipw.Accordion([ipw.VBox(rows) for rows in tables.values()], titles=tuple(tables))
    return ipw.VBox([folds, button, answer])
