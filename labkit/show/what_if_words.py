"""A what-if in words and numbers: table, notes, alternative text."""

from __future__ import annotations

import html
import math

from labkit.decide.what_if import Outlook
from labkit.show.tables import estimate_text

__all__ = ["FOOT_GUESS", "alt_text", "notes_html", "numbers_html"]

#: Stiffness [N/m] and loss factor that a foot under the panel is guessed to have where no fit tells them.
FOOT_GUESS = {"panel_foot_stiffness_n_per_m": (5e4, 3e5), "panel_foot_loss_factor": (0.05, 0.25)}

_ROWS = (
    ("blur added [px]", "blur_px", 1.0),
    ("defocus, rms [µm]", "defocus_m", 1e6),
    ("settles after [ms]", "settling_s", 1e3),
    ("panel alone, first [Hz]", "panel_frequency_hz", 1.0),
    ("gives under a push [µm/N]", "compliance_m_per_n", 1e6),
)


def numbers_html(now: Outlook, before: Outlook, *, pending: bool) -> str:
    """Table of a setting beside its baseline; `pending` while the intervals of the setting are on their way."""
    rows = [
        (name, *(estimate_text(getattr(one, field), scale=scale) for one in (now, before)))
        for name, field, scale in _ROWS
    ]
    rows += [
        ("placements an hour", f"{now.placements_per_hour:.0f}", f"{before.placements_per_hour:.0f}"),
        ("mass on the feet [kg]", f"{now.mass_kg:.2f}", f"{before.mass_kg:.2f}"),
    ]
    if not math.isnan(now.price):
        rows.append(
            ("price of the sheet", f"{now.price:.2f}", "" if math.isnan(before.price) else f"{before.price:.2f}")
        )
    if pending:
        rows = [(name, a.replace("[interval unknown]", "[…]"), b) for name, a, b in rows]
    body = "".join(
        f'<tr><th scope="row" style="text-align: left; font-weight: normal; padding-right: 1em">{name}</th>'
        f'<td style="padding-right: 1em"><b>{a}</b></td><td>{b}</td></tr>'
        for name, a, b in rows
    )
    head = '<tr><td></td><th scope="col" style="text-align: left">this setting</th>'
    head += '<th scope="col" style="text-align: left">baseline</th></tr>'
    return f'<table style="margin-left: 1em; line-height: 1.5">{head}{body}</table>'


def notes_html(now: Outlook, *, guessed_foot: bool) -> str:
    """What weakens an outlook, as a list."""
    notes = list(now.cautions)
    if guessed_foot:
        low, high = FOOT_GUESS["panel_foot_stiffness_n_per_m"]
        notes.append(f"The foot under the panel is a guess, {low:g} to {high:g} N/m; push it, or log a run with it.")
    items = "".join(f"<li>{html.escape(note)}</li>" for note in notes)
    return f"<details open><summary>{len(notes)} notes</summary><ul>{items}</ul></details>" if notes else ""


def alt_text(now: Outlook, before: Outlook, words: str) -> str:
    """What the picture shows."""
    feet = len(now.facts.layout.panel_feet_m)
    return (
        f"Panel of {now.facts.panel.thickness_m * 1e3:.3g} mm {now.facts.panel.material} with {feet} extra feet; path "
        f"of the picture after the move; blur {now.blur_px.value:.2g} px against {before.blur_px.value:.2g} px in the "
        f"baseline. {words}"
    )
