"""Exposures taken after the moves of a run: which picture, after which move, how long after its end, how long exposed.

`frames.csv` in the run's folder lists them: ``file,move,wait_ms,exposure_ms``; `sharp.png` beside it is the same scene
at rest.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labkit.base import find_unit
from labkit.runs.columns import Column
from labkit.runs.pictures import StillPicture, read_picture
from labkit.runs.small_table import SmallTable, read_small_table

__all__ = ["FRAMES_FILE", "Exposure", "Exposures", "read_exposures"]

FRAMES_FILE = "frames.csv"
_TITLES = "file,move,wait_ms,exposure_ms"
_FILE, _MOVE = re.compile(r"^(file|frame|picture|image)$"), re.compile(r"^move( number)?$")
_WAIT, _EXPOSURE = re.compile(r"\bwait\b"), re.compile(r"\bexposure\b")


@dataclass(frozen=True, eq=False, kw_only=True)
class Exposure:
    """One picture after a move.

    Parameters
    ----------
    name : str
        Name of its file.
    picture : StillPicture
        The picture.
    move : int
        Number of the move in the log, counted from 1.
    wait_s : float
        From the end of the move to the start of the exposure [s].
    exposure_s : float
        Exposure time [s].
    """

    name: str
    picture: StillPicture
    move: int
    wait_s: float
    exposure_s: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Exposures:
    """The pictures of a run.

    Parameters
    ----------
    sharp : StillPicture
        The scene at rest.
    frames : tuple of Exposure
        As listed.
    """

    sharp: StillPicture
    frames: tuple[Exposure, ...]


def read_exposures(folder: str | Path, *, sharp: str = "sharp.png") -> Exposures:
    """Read the pictures of a run.

    Parameters
    ----------
    folder : str or Path
        Folder of the run with `frames.csv`.
    sharp : str
        Name of the sharp picture in it.

    Raises
    ------
    LogFormatError
        When the list or a picture is not what it must be; with file, line and cure.
    """
    folder = Path(folder)
    table = read_small_table(folder / FRAMES_FILE, example=_TITLES)
    files = table.words(table.column("file", _FILE))
    move_column = table.column("move", _MOVE)
    moves = _whole(table, move_column)
    waits = _seconds(table, table.column("wait", _WAIT), least=0.0)
    exposures = _seconds(table, table.column("exposure", _EXPOSURE), least=np.finfo(float).tiny)
    reference = _inside(table, folder, sharp, line=None)
    paths = {name: _inside(table, folder, name, line=line) for line, name in files}
    pictures = {name: read_picture(path) for name, path in paths.items()}
    frames = [
        Exposure(
            name=name,
            picture=pictures[name],
            move=int(move),
            wait_s=float(wait),
            exposure_s=float(exposure),
        )
        for (_, name), move, wait, exposure in zip(files, moves, waits, exposures)
    ]
    return Exposures(sharp=read_picture(reference), frames=tuple(frames))


def _inside(table: SmallTable, folder: Path, name: str, *, line: int | None) -> Path:
    """A picture of this folder, by its bare name."""
    path = folder / name
    if (
        Path(name).name != name or "\\" in name or not os.path.isfile(path)
    ):  # False also for a name that no file can have
        raise table.error(
            None,
            line=line,
            found=f"no picture {name!r} in the folder",
            expected="the bare name of a file beside the list",
            cure="correct the name or copy the picture into the folder",
        )
    return path


def _whole(table: SmallTable, column: Column) -> np.ndarray:
    values = table.numbers(column)
    for (line, _), value in zip(table.rows, values):
        if value < 1 or value != int(value):
            raise table.error(
                column, line=line, found=f"{value:g}", expected="the number of a move", cure="count moves from 1"
            )
    return values


def _seconds(table: SmallTable, column: Column, *, least: float) -> np.ndarray:
    unit = find_unit(column.unit_text) if column.unit_text else None
    if unit is None or unit.quantity != "time":
        raise table.error(
            column,
            found=f"the unit {column.unit_text!r}",
            expected="s, ms or us",
            cure=f"name it in the title, as in {_TITLES}",
        )
    values = unit.factor * table.numbers(column)
    for (line, _), value in zip(table.rows, values):
        if value < least:
            raise table.error(
                column,
                line=line,
                found=f"{value:g} s",
                expected="a time that is not negative" if least == 0 else "a time above 0",
                cure="an exposure that begins during the move is not covered" if least == 0 else "correct it",
            )
    return values
