"""Universal files: time responses in dataset 58, units in dataset 164."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pyuff

from labkit.base import LogFormatError, Unit, find_unit
from labkit.runs.arraylog import ArrayLog, damaged
from labkit.runs.columns import Column, Stated

__all__ = ["read_uff"]

_UFF_TIME, _UFF_TIME_RESPONSE = 17, 1
# Specific data type of the ordinate (dataset 58, record 9): quantity and power of length in it.
_UFF_QUANTITIES = {
    8: ("displacement", 1),
    9: ("force", 0),
    11: ("velocity", 1),
    12: ("acceleration", 1),
    13: ("force", 0),
}
_SI = {"displacement": "m", "velocity": "m/s", "acceleration": "m/s^2", "force": "N"}


def read_uff(path: Path) -> ArrayLog:
    """Time responses of a universal file that share the first one's abscissa."""
    sets = _uff_sets(path)
    factors = next((s for s in sets if s.get("type") == 164), None)
    responses = [s for s in sets if s.get("type") == 58 and s.get("func_type") == _UFF_TIME_RESPONSE]
    if not responses:
        raise LogFormatError(
            str(path),
            found="a universal file without time responses",
            expected="dataset 58 with function type 1",
            cure="export the time responses, not spectra or shapes",
        )
    x = np.asarray(responses[0]["x"], dtype=float)
    cut = next((s for s in responses if s.get("num_pts", 0) > len(s["data"])), None)
    if cut is not None:
        raise damaged(path, "UFF", f"{len(cut['data'])} values where the header states {cut['num_pts']}")
    same = [s for s in responses if np.array_equal(s["x"], x) and np.isrealobj(s["data"]) and len(s["data"]) == len(x)]
    if not same or not len(x):
        raise damaged(path, "UFF", "abscissa and ordinate of different lengths")
    columns, units = [_uff_time_column(path, responses[0])], {}
    for i, dataset in enumerate(same, start=1):
        column, unit = _uff_column(path, dataset, i, factors)
        columns.append(column)
        if unit:
            units[i] = unit
    other = len(responses) - len(same)
    notes = (f"{other} time response(s) on another clock were left out",) if other else ()
    remarks = [(i, f"{key}: {responses[0][key]}") for i, key in enumerate(("id1", "id2", "id3", "id4", "id5"), start=1)]
    return ArrayLog(
        file=str(path),
        columns=tuple(columns),
        units=units,
        arrays=(x, *(np.asarray(s["data"], dtype=float) for s in same)),
        stated=Stated(header={f"line {i}": text for i, text in remarks}),
        notes=notes,
    )


def _uff_sets(path: Path) -> list[dict]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sets = pyuff.UFF(str(path)).read_sets()
    except Exception as error:  # pyuff raises bare Exception for every fault of a file
        raise damaged(path, "UFF", error) from error
    return sets if isinstance(sets, list) else [sets]


def _uff_time_column(path: Path, dataset: Mapping[str, object]) -> Column:
    label = str(dataset.get("abscissa_axis_units_lab", "")).strip()
    unit = find_unit(label) if label not in ("", "NONE") else find_unit("s")
    if unit is None or unit.quantity != "time" or dataset.get("abscissa_spec_data_type") not in (_UFF_TIME, 0, 1):
        raise LogFormatError(
            str(path),
            found=f"an abscissa in {label!r}",
            expected="time",
            cure="export time responses over time",
        )
    return Column(position=0, name="time", title="time", unit_text=label if label not in ("", "NONE") else "s")


def _uff_column(
    path: Path,
    dataset: Mapping[str, object],
    position: int,
    factors: Mapping[str, object] | None,
) -> tuple[Column, Unit | None]:
    """Name and unit of one response; label and units dataset must agree where both speak."""
    label = str(dataset.get("ordinate_axis_units_lab", "")).strip()
    direction = {1: "+X", -1: "-X", 2: "+Y", -2: "-Y", 3: "+Z", -3: "-Z"}.get(int(dataset.get("rsp_dir", 0)), "")
    name = f"{int(dataset.get('rsp_node', 0))}{direction}" if dataset.get("rsp_node") else f"response {position}"
    labelled = find_unit(label) if label and label != "NONE" else None
    column = Column(position=position, name=name, title=name, unit_text=label if labelled else "")
    quantity, power = _UFF_QUANTITIES.get(int(dataset.get("ordinate_spec_data_type", 0)), (None, 0))
    if quantity is None or factors is None:
        return column, labelled
    divisor = float(factors["length"]) ** power * (float(factors["force"]) if quantity == "force" else 1.0)
    filed = Unit(quantity=quantity, symbol_si=_SI[quantity], factor=1.0 / divisor if divisor else math.nan)
    if labelled and (labelled.quantity != quantity or not math.isclose(labelled.factor, filed.factor, rel_tol=1e-3)):
        raise LogFormatError(
            str(path),
            column=name,
            expected="one unit",
            found=f"the unit {label!r} and a units dataset that means {filed.factor:g} {filed.symbol_si}",
            cure="correct the units dataset (164) or the axis label",
        )
    return column, labelled or filed
