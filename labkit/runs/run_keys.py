"""Everything that `run.toml` may say: one table of keys, with the rule each value obeys and the fact it becomes.

Its keys carry bench units (``thickness_mm``, ``range_g``); the facts that come out are in SI.
"""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Callable
from dataclasses import dataclass

from labkit.base import STANDARD_GRAVITY_M_S2, find_unit
from labkit.runs.facts import CameraFacts, LayoutFacts, MoveFacts, PanelFacts, SensorFacts

__all__ = ["KEYS", "NUMERIC", "PARTS", "QUANTITIES", "RULES", "TABLES", "Key", "Rule"]

#: What a log can be analysed for, best first; a trigger and a force come along beside it.
QUANTITIES = ("acceleration", "displacement", "image displacement", "velocity", "counts")


# ------------------------------------------------------------------------------- what run.toml may say
@dataclass(frozen=True, kw_only=True)
class Rule:
    """What a value must be: in words, as a test, and what to do about it."""

    words: str
    holds: Callable[[object], bool]
    cure: str


_HUGE = 1e300  # keeps out inf and whole numbers beyond any float


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and -_HUGE < value < _HUGE


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _is_mapping(value: object, holds: Callable[[object], bool]) -> bool:
    return isinstance(value, dict) and bool(value) and all(map(holds, value.values()))


def _is_list(value: object, holds: Callable[[object], bool]) -> bool:
    return isinstance(value, list) and bool(value) and all(map(holds, value))


def _is_column(value: object) -> bool:
    return isinstance(value, str) or (isinstance(value, int) and not isinstance(value, bool) and value >= 0)


def _is_unit(value: object) -> bool:
    return isinstance(value, str) and find_unit(value) is not None


def _is_point(value: object, size: int) -> bool:
    return isinstance(value, list) and len(value) == size and all(map(_is_number, value))


_LEAVE_OUT = "write the bare number in the unit of the key, or leave the key out when it is not known"
RULES = {
    "text": Rule(words="a text in quotes", holds=_is_text, cure="put it in quotes"),
    "flag": Rule(words="true or false", holds=lambda v: isinstance(v, bool), cure="write true or false, no quotes"),
    "date": Rule(
        words="a date",
        holds=lambda v: isinstance(v, str | datetime.date | datetime.datetime),
        cure="write it like 2025-03-14",
    ),
    "number": Rule(words="a finite number", holds=_is_number, cure=_LEAVE_OUT),
    "positive": Rule(words="a number above 0", holds=lambda v: _is_number(v) and v > 0, cure=_LEAVE_OUT),
    "not negative": Rule(words="a number of 0 or more", holds=lambda v: _is_number(v) and v >= 0, cure=_LEAVE_OUT),
    "spot": Rule(words="two numbers [x, y]", holds=lambda v: _is_point(v, 2), cure="write them in square brackets"),
    "point": Rule(
        words="three numbers [x, y, z]", holds=lambda v: _is_point(v, 3), cure="write them in square brackets"
    ),
    "size": Rule(
        words="three numbers above 0, [x, y, z]",
        holds=lambda v: _is_point(v, 3) and min(v) > 0,
        cure="write them in square brackets",
    ),
    "spots": Rule(
        words="a list of pairs [x, y]",
        holds=lambda v: _is_list(v, lambda spot: _is_point(spot, 2)),
        cure="write each pair in square brackets, and square brackets around all",
    ),
    "target": Rule(words="head or bench", holds=lambda v: v in ("head", "bench"), cure="write one of these in quotes"),
    "celsius": Rule(words="a number above -273.15", holds=lambda v: _is_number(v) and v > -273.15, cure=_LEAVE_OUT),
    "column": Rule(
        words="the name of a column, or its number from 0",
        holds=lambda v: _is_column(v),
        cure="write it",
    ),
    "columns": Rule(
        words="a list of columns, by name or by number from 0",
        holds=lambda v: _is_list(v, _is_column),
        cure="write the list in square brackets",
    ),
    "quantity": Rule(
        words="one of " + ", ".join(QUANTITIES),
        holds=lambda v: v in QUANTITIES,
        cure="write one of these",
    ),
    "unit": Rule(
        words="a known unit, or such units by column",
        holds=lambda v: _is_unit(v) or _is_mapping(v, _is_unit),
        cure='write one such as "mg", "g", "m/s^2", "µm", "N", or several like { ax = "mg", hammer = "N" }',
    ),
    "time unit": Rule(
        words="s, ms, us, ns or sample",
        holds=lambda v: v in ("s", "ms", "us", "µs", "ns", "sample"),
        cure="write one of these in quotes",
    ),
    "scale": Rule(
        words="a number other than 0, or such numbers by column",
        cure="write it like 0.061 or { az = 0.061 }",
        holds=lambda v: all(_is_number(x) and x != 0 for x in (v.values() if isinstance(v, dict) and v else [v])),
    ),
    "times": Rule(
        words="a rising list of numbers",
        cure="write the times in seconds, first to last, like [1.25, 3.5]",
        holds=lambda v: _is_list(v, _is_number) and all(a < b for a, b in itertools.pairwise(v)),
    ),
}


NUMERIC = {"number", "positive", "not negative", "celsius", "spot", "point", "size", "spots"}


@dataclass(frozen=True, kw_only=True)
class Key:
    """One key of run.toml: where it stands, which fact it becomes, and how."""

    table: str
    key: str
    goes_to: str  # "panel.thickness_m": field of a part; "title": field of RunFacts; for [[log]]: argument name
    rule: str
    factor: float = 1.0
    example: str = ""
    meaning: str = ""


def _keys(table: str, rows: str) -> list[Key]:
    """Keys from lines of: key | goes to | rule | factor | example | meaning; "goes to" is the key if left out."""
    keys = []
    for row in rows.strip().splitlines():
        key, goes_to, rule, factor, example, meaning = (cell.strip() for cell in row.split("|"))
        keys.append(
            Key(
                table=table,
                key=key,
                goes_to=goes_to or key,
                rule=rule,
                factor=_FACTORS[factor],
                example=example,
                meaning=meaning,
            )
        )
    return keys


_FACTORS = {
    "": 1.0,
    "milli": 1e-3,
    "micro": 1e-6,
    "nano": 1e-9,
    "g": STANDARD_GRAVITY_M_S2,
    "micro g": 1e-6 * STANDARD_GRAVITY_M_S2,
}
KEYS = [
    *_keys(
        "run",
        """
        title         |  | text |  | "Wren, 4 mm hardboard"  | one line that a reader will recognise
        date          |  | date |  | 2025-03-14              | when it was measured
        changed_since |  | text |  | "wren-hardboard"        | folder of the run that this one is compared with
        change        |  | text |  | "foot under the camera" | what was changed since then: one thing only
        notes         |  | text |  | "pump off"              | anything else
        synthetic     |  | flag |  | false                   | true for invented data
    """,
    ),
    *_keys(
        "machine",
        """
        name          | machine       | text     |  | "Wren no. 2" |
        frame_mass_kg | frame_mass_kg | positive |  | 22.0         | everything but the head
        head_mass_kg  | head_mass_kg  | positive |  | 0.6          | what moves
        frame_size_mm   | layout.frame_size_m   | size  | milli | [500, 450, 400] | for a model, as all below
        frame_centre_mm | layout.frame_centre_m | point | milli | [250, 225, 120] | centre of mass; z up from the feet
        feet_mm         | layout.feet_m         | spots | milli | [[20, 20], [480, 20], [20, 430], [480, 430]] |
        head_at_mm      | layout.head_m         | point | milli | [330, 225, 260] | where its moves end
        ballast_kg      | layout.ballast_kg     | not negative | | 6.0          | added mass, part of frame_mass_kg
        ballast_at_mm   | layout.ballast_m      | point | milli | [250, 225, 30]  |
    """,
    ),
    *_keys(
        "panel",
        """
        material          | panel.material          | text     |       | "hardboard"         |
        thickness_mm      | panel.thickness_m       | positive | milli | 4.0                 |
        length_mm         | panel.length_m          | positive | milli | 300.0               |
        width_mm          | panel.width_m           | positive | milli | 300.0               |
        supports          | panel.supports          | text     |       | "bolted at corners" | where and how it is held
        foot_under_camera | panel.foot_under_camera | flag     |       | false               |
        corner_mm         | layout.panel_corner_m   | point    | milli | [100, 75, 60]       | smallest x and y
        supports_mm       | layout.panel_supports_m | spots | milli | [[105, 80], [395, 80], [105, 370], [395, 370]] |
        feet_mm           | layout.panel_feet_m     | spots    | milli | [[250, 225]]        | feet on the bench
    """,
    ),
    *_keys(
        "move",
        """
        commanded_acceleration_m_s2 | move.commanded_acceleration_m_s2 | positive | | 4.0 | as set in the controller
        travel_mm  | move.travel_m  | positive | milli | 80.0  | from rest to rest
        speed_mm_s | move.speed_m_s | positive | milli | 250.0 | speed limit
        jerk_m_s3  | move.jerk_m_s3 | positive |       | 400.0 | leave out when the acceleration is switched at once
        axis       | move.axis      | text     |       | "x"   |
    """,
    ),
    *_keys(
        "sensor",
        """
        model    | sensor.model      | text     |       | "3-axis MEMS"            |
        place    | sensor.place      | text     |       | "beside the camera"      |
        axis     | sensor.axis       | text     |       | "x along the move, z up" |
        mounting | sensor.mounting   | text     |       | "screwed to the bracket" |
        mass_g   | sensor.mass_kg    | positive | milli | 4.0                      | with its mount
        range_g  | sensor.range_m_s2 | positive | g     | 2.0                      | full scale to one side
        noise_density_ug_rthz | sensor.noise_density_m_s2_rthz | positive | micro g | 100.0 | data sheet, µg/√Hz
        nominal_rate_hz       | sensor.nominal_rate_hz         | positive |         | 1600.0 | as it was set
    """,
    ),
    *_keys(
        "camera",
        """
        pixel_um        | camera.pixel_m         | positive | micro | 3.45 | pixel pitch of the image sensor
        magnification   | camera.magnification   | positive |       | 0.5  | image size over object size
        f_number        | camera.f_number        | positive |       | 4.0  |
        pupil_magnification | camera.pupil_magnification | positive |   | 1.0   | exit over entrance pupil, data sheet
        wavelength_nm       | camera.wavelength_m        | positive | nano | 550.0 | of the light
        exposure_ms     | camera.exposure_s      | positive | milli | 2.0  |
        allowed_blur_px | camera.allowed_blur_px | positive |       | 0.5  | movement allowed, in image pixels
        tolerance_um    | camera.tolerance_m     | positive | micro | 3.5  | movement allowed at the object, if known
        at_mm    | layout.camera_m       | spot     | milli | [250, 225] | where it sits on the panel, machine axes
        mass_g   | layout.camera_mass_kg | positive | milli | 150.0      | with lens and light
        sight_mm | layout.sight_m        | positive | milli | 80.0       | from the panel up to the object
        target   | layout.camera_target  | target   |       | "head"     | who holds the object: head or bench
    """,
    ),
    *_keys(
        "environment",
        """
        temperature_degc | | celsius | | 21.5 | at the machine
    """,
    ),
    *_keys(
        "log",
        """
        file           |  | text     |  | "log.csv"          | inside this folder
        quantity       |  | quantity |  | "acceleration"     | when the log holds several
        columns        |  | columns  |  | ["ax", "ay", "az"] | the columns to analyse
        units          |  | unit     |  | "mg"               | when the header does not say
        scale          |  | scale    |  | 0.061              | raw counts: so many units a count
        time_column    |  | column   |  | "t"                |
        time_unit      |  | time unit|  | "us"               | when the header does not say
        sample_rate_hz |  | positive |  | 1600.0             | when there is no time column
        trigger_column |  | column   |  | "moving"           | high while the head moves
        force_column   |  | column   |  | "force"            | force of a hammer or a shaker
        move_ends_s    |  | times    |  | [1.25, 3.5]        | ends of the moves, in the log's own time
        fill_gaps_shorter_ms | fill_gaps_shorter_s | positive | milli | 5.0 | fill such gaps by interpolation
    """,
    ),
]
TABLES = {table: {k.key: k for k in KEYS if k.table == table} for table in dict.fromkeys(k.table for k in KEYS)}
PARTS = {"panel": PanelFacts, "layout": LayoutFacts, "move": MoveFacts, "sensor": SensorFacts, "camera": CameraFacts}
