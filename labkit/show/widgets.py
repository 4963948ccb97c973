"""What-if with controls: change the machine and see at once what the camera would see.

The screen is a thin layer over `labkit.decide.what_if.outlook`; the line of code under it gives the same result. A
change is shown at once for the best parameters; the intervals follow draw by draw while nothing else is asked.
"""

from __future__ import annotations

import asyncio
import html
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import ipywidgets as ipw
import numpy as np

from labkit.base import check_number
from labkit.decide.draws import Draws, draws_from_ranges
from labkit.decide.what_if import Outlook, compare_outlooks, outlook, outlook_steps
from labkit.model.grid import HoleArray, MountingGrid
from labkit.model.materials import MATERIALS
from labkit.runs.facts import RunFacts
from labkit.show.page_parts import ClickablePicture, NumberDials
from labkit.show.what_if_dials import DIALS, PER_SI, applied, changes, start_values
from labkit.show.what_if_picture import WhatIfPicture
from labkit.show.what_if_words import FOOT_GUESS, alt_text, notes_html, numbers_html

__all__ = ["WhatIf", "what_if"]

_MOST_FEET = 2
_VERSION = 1


def what_if(
    facts: RunFacts,
    draws: Draws,
    *,
    wait_s: float,
    overhead_s: float = 0.0,
    calibrated: bool = True,
    hole_pitch_m: float = 0.03,
    hole_diameter_m: float = 0.0032,
) -> WhatIf:
    """A screen to change one machine; show it as the last line of a notebook cell.

    Parameters
    ----------
    facts : RunFacts
        The machine as it is, which becomes the baseline; with masses, layout, move and camera.
    draws : sequence of mapping
        Parameters, the best first, from `MachineFit.sample` or `labkit.decide.draws.draws_from_ranges`.
    wait_s, overhead_s : float
        Wait before the picture, and time of a placement beside move, wait and exposure [s].
    calibrated : bool
        Whether the draws come from a fit to runs of this machine; False is said on the screen.
    hole_pitch_m, hole_diameter_m : float
        Hole array of the panel, a foot may stand under each hole [m].
    """
    return WhatIf(
        facts,
        draws,
        wait_s=wait_s,
        overhead_s=overhead_s,
        calibrated=calibrated,
        holes=HoleArray(pitch_m=hole_pitch_m, diameter_m=hole_diameter_m, offset_grid=False),
    )


class WhatIf:
    """The screen of `what_if`.

    Parameters
    ----------
    facts, draws, wait_s, overhead_s, calibrated
        As in `what_if`.
    holes : HoleArray
        Hole array of the panel.
    """

    def __init__(
        self,
        facts: RunFacts,
        draws: Draws,
        *,
        wait_s: float,
        overhead_s: float,
        calibrated: bool,
        holes: HoleArray,
    ) -> None:
        self._facts, self._calibrated, self._array = facts, calibrated, holes
        self._draws, self._guessed_foot = _with_foot(draws)
        self._feet: tuple[tuple[float, float], ...] = facts.layout.panel_feet_m
        self._steps: Iterator | None = None
        self._task: asyncio.Task | None = None
        self._quiet = True
        self._make(start_values(facts, wait_s=wait_s, overhead_s=overhead_s))
        self.baseline = outlook(facts, self._draws, **self._looking())
        self.baseline_facts = facts
        self.outlook = self.baseline
        self._quiet = False
        self._ask()

    def _repr_mimebundle_(self, **options: object) -> object:
        return self.screen._repr_mimebundle_(**options)

    # ------------------------------------------------------------------------------------------------ controls
    def _make(self, start: Mapping[str, float]) -> None:
        self.dials = NumberDials(dials=[dial.wide_enough(start[dial.key]) for dial in DIALS], values=start)
        self.dials.observe(self._ask, names="values")
        self.material = ipw.Dropdown(
            options=sorted({*MATERIALS, self._facts.panel.material}),
            value=self._facts.panel.material,
            description="sheet",
            style={"description_width": "40px"},
            layout=ipw.Layout(width="240px"),
        )
        self.material.observe(self._ask, names="value")
        self.picture = ClickablePicture(takes=["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "Enter", " "])
        self.picture.observe(self._clicked, names="event")
        self.picture.observe(self._ask, names="dark")
        self._drawing = WhatIfPicture(self._holes(self._facts))
        self.words, self.numbers, self.notes, self.code = (ipw.HTML() for _ in range(4))
        self.file = ipw.Text(
            value="what-if.json", description="file", style={"description_width": "30px"}, layout={"width": "220px"}
        )
        buttons = {
            "Pin as baseline": self.pin,
            "Back to baseline": self.back,
            "Remove feet": self.remove_feet,
            "Save": lambda: self.save(Path(self.file.value)),
            "Open": lambda: self.open(Path(self.file.value)),
        }
        bar = [self._button(name, job) for name, job in buttons.items()]
        wrap = ipw.Layout(display="flex", flex_flow="row wrap")
        self.screen = ipw.VBox(
            [
                self.words,
                self.picture,
                ipw.HTML(
                    "<small>Click a hole to put a foot under it or take it away; or focus the picture and use the "
                    "arrow keys and Enter.</small>"
                ),
                self.material,
                self.dials,
                self.numbers,
                ipw.Box([*bar[:3], self.file, *bar[3:]], layout=wrap),
                self.notes,
                self.code,
            ]
        )

    def _button(self, name: str, job) -> ipw.Button:
        button = ipw.Button(description=name, layout=ipw.Layout(width="auto"))
        button.on_click(lambda _: self._try(job))
        return button

    def _holes(self, facts: RunFacts) -> np.ndarray:
        grid = MountingGrid(
            length_m=facts.panel.length_m,
            width_m=facts.panel.width_m,
            holes=self._array,
            edge_distance_m=2 * self._array.diameter_m,
        )
        return grid.places_m + np.array(facts.layout.panel_corner_m[:2])

    # ----------------------------------------------------------------------------------------------- what it says
    @property
    def state(self) -> dict[str, object]:
        """Everything that was set, as plain data for JSON."""
        feet = [list(place) for place in self._feet]
        return {"version": _VERSION, "sheet": self.material.value, "feet_m": feet, **self.dials.values}

    def restore(self, state: Mapping[str, object]) -> None:
        """Set everything as in a `state`.

        Raises
        ------
        ValueError
            For a state of another version, and for names and values that no control has.
        """
        if not isinstance(state, Mapping) or state.get("version") != _VERSION:
            raise ValueError(f"the state has no version {_VERSION}; it was not written by this screen")
        unknown = set(state) - {"version", "sheet", "feet_m", *PER_SI}
        if unknown:
            raise ValueError(f"the state holds {sorted(unknown)}, which no control has")
        if state.get("sheet", self.material.value) not in self.material.options:
            raise ValueError(f"the state names the sheet {state['sheet']!r}; one of {', '.join(self.material.options)}")
        ends = {dial["key"]: dial for dial in self.dials.dials}
        numbers = {
            key: check_number(dial["label"], state[key], at_least=dial["low"], at_most=dial["high"])
            for key, dial in ends.items()
            if key in state
        }
        feet = tuple(_spot(place) for place in state.get("feet_m", self._feet))
        self._quiet = True
        self.dials.values = {**self.dials.values, **numbers}
        self.material.value, self._feet = state.get("sheet", self.material.value), feet
        self._quiet = False
        self._ask()

    def save(self, path: Path) -> None:
        """Write the state to a JSON file."""
        path.write_text(json.dumps(self.state, indent=1) + "\n", encoding="utf-8")
        self._note(f"saved to {path}")

    def open(self, path: Path) -> None:
        """Restore the state from a JSON file."""
        try:
            state = json.loads(path.read_text(encoding="utf-8"))
        except ValueError as error:
            raise ValueError(f"{path} is no JSON file ({error})") from error
        self.restore(state)
        self._note(f"restored from {path}")

    @property
    def facts(self) -> RunFacts:
        """The machine as the controls say."""
        return applied(self._facts, self.state)

    def pin(self) -> None:
        """Make what is shown the baseline."""
        self.settle()
        self.baseline, self.baseline_facts, self._pinned = self.outlook, self.facts, self.state
        self._show()

    def back(self) -> None:
        """Set everything as in the baseline."""
        self.restore(self._pinned)

    def remove_feet(self) -> None:
        """Take away all feet under the panel."""
        self._feet = ()
        self._ask()

    def toggle_foot(self, hole: int) -> None:
        """Put a foot under a hole, by its number, or take it away."""
        place = tuple(round(float(v), 6) for v in self._drawing.holes_m[hole])
        if place in self._feet:
            self._feet = tuple(f for f in self._feet if f != place)
        elif len(self._feet) >= _MOST_FEET:
            raise ValueError(f"{_MOST_FEET} feet stand under the panel already; take one away first")
        else:
            self._feet = (*self._feet, place)
        self._ask()

    def settle(self) -> None:
        """Finish the intervals of what is shown now instead of in the background."""
        if self._task is not None:
            self._task.cancel()
        for latest in self._steps or ():
            self._latest = latest
        self._finish()

    # ------------------------------------------------------------------------------------------------- reacting
    def _looking(self) -> dict[str, float]:
        value = {key: shown / PER_SI[key] for key, shown in self.dials.values.items()}
        return {
            "wait_s": value["wait"],
            "overhead_s": value["overhead"],
            "price_per_kg": value["price"] or math.nan,
            "calibrated": self._calibrated,
        }

    def _ask(self, *_: object) -> None:
        """Show the setting for the best parameters now, its intervals in the background."""
        if self._quiet:
            return
        if not hasattr(self, "_pinned"):
            self._pinned = self.state
        if self._task is not None:
            self._task.cancel()
        self._try(self._first)

    def _first(self) -> None:
        facts = self.facts
        self._drawing.holes_m = self._holes(facts)
        self._drawing.cursor = min(self._drawing.cursor, len(self._drawing.holes_m) - 1)
        self._steps = outlook_steps(facts, self._draws, **self._looking())
        self._latest = next(self._steps)
        self.outlook = self._latest()
        self._show()
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # outside a notebook nothing runs in the background; `settle` does it
            return
        self._task = loop.create_task(self._later())

    async def _later(self) -> None:
        """The draws, giving way after each."""
        for latest in self._steps:
            self._latest = latest
            await asyncio.sleep(0.001)
        self._finish()

    def _finish(self) -> None:
        self._steps = None
        self.outlook = self._latest()
        self._show()

    def _clicked(self, change: Mapping[str, object]) -> None:
        event = change["new"]
        if event.get("kind") == "click":
            hole = self._drawing.hole_at(event["x"], event["y"])
            if hole >= 0:
                self._drawing.cursor = hole
                self._try(lambda: self.toggle_foot(hole))
        elif event.get("key") in ("Enter", " "):
            self._try(lambda: self.toggle_foot(self._drawing.cursor))
        elif str(event.get("key", "")).startswith("Arrow"):
            self._drawing.step(event["key"])
            self._try(self._show)

    def _try(self, job) -> None:
        """Do a job; a refusal appears in words instead of nowhere."""
        try:
            job()
        except (ValueError, TypeError, OSError, ArithmeticError, np.linalg.LinAlgError) as error:
            self.words.value = f'<p role="alert"><b>Not possible:</b> {html.escape(str(error))}</p>'

    # -------------------------------------------------------------------------------------------------- showing
    def _show(self) -> None:
        now, before = self.outlook, self.baseline
        paired = len(now.draws["blur_px"]) == len(before.draws["blur_px"])
        words = compare_outlooks(before if paired else _best(before), now if paired else _best(now)).sentence
        if self._steps is not None:
            words = words.replace(" (interval unknown)", " […]")
        if self.state == self._pinned:
            words = "This is the baseline; change something."
        mark = "" if self._calibrated else " <b>Not calibrated.</b>"
        self.words.value = f'<p aria-live="polite" style="font-size: 110%">{html.escape(words)}{mark}</p>'
        self.picture.show(self._drawing.png(now, before, dark=self.picture.dark), alt_text(now, before, words))
        self.numbers.value = numbers_html(now, before, pending=self._steps is not None)
        self.notes.value = notes_html(now, guessed_foot=self._guessed_foot and bool(self._feet))
        self.code.value = f"<details><summary>The same in code</summary><pre>{html.escape(self.call)}</pre></details>"

    @property
    def call(self) -> str:
        """The call that gives what is shown without any widget."""
        lines = [f"    {name}={value!r}," for name, value in changes(self._facts, self.state).items()]
        looking = ", ".join(f"{name}={value:.6g}" for name, value in self._looking().items() if name != "calibrated")
        looking = looking.replace("price_per_kg=nan", "price_per_kg=math.nan")
        setting = "\n".join(["setting = changed(", "    facts,", *lines, ")"]) if lines else "setting = facts"
        return f"{setting}\noutlook(setting, draws, {looking}, calibrated={self._calibrated})"

    def _note(self, words: str) -> None:
        self.notes.value = f"<p>{html.escape(words)}</p>" + self.notes.value


def _with_foot(draws: Draws) -> tuple[list[dict[str, float]], bool]:
    """Draws that also know a foot under the panel; True when it had to be guessed."""
    missing = {name: ends for name, ends in FOOT_GUESS.items() if name not in draws[0]}
    if not missing:
        return [dict(one) for one in draws], False
    guesses = draws_from_ranges(missing, n=len(draws) - 1)
    return [{**guess, **one} for guess, one in zip(guesses, draws)], True


def _spot(place: object) -> tuple[float, float]:
    if not isinstance(place, list | tuple) or len(place) != 2:
        raise ValueError(f"the state holds the foot {place!r}; each foot is [x, y] in metres")
    return check_number("x of a foot", place[0]), check_number("y of a foot", place[1])


def _best(found: Outlook) -> Outlook:
    """The outlook with its best draw alone, to compare before all draws are there."""
    return replace(found, draws={name: values[:1] for name, values in found.draws.items()})
