"""Results that other jobs left beside a run: ``push.json`` of a push test, ``blur.json`` of measured blur.

Both are what ``--json`` prints (or what `labkit.show.tables.to_plain` makes of the results): ``{"push": …}`` with a
``compliance_m_per_n``, and ``{"blur": {frame: …}}`` with ``sigma_x_px`` and ``sigma_y_px`` for each frame.
"""

from __future__ import annotations

import json
import math
import statistics
from collections.abc import Callable, Mapping
from pathlib import Path

from labkit.base import Estimate, Interval, LogFormatError

__all__ = ["BESIDE", "numbers_beside"]

_MOST_BYTES = 8 << 20


def numbers_beside(folder: Path) -> dict[str, Estimate]:
    """Numbers of the push test and of the pictures of a run: "compliance_m_per_n" [m/N], "blur_px" [px].

    The blur is the larger of the two directions, the median over the frames whose fit ended.

    Parameters
    ----------
    folder : Path
        The run's folder.

    Raises
    ------
    LogFormatError
        When such a file is there and is not what it should be.
    """
    numbers = {}
    for file, (name, read) in BESIDE.items():
        path = folder / file
        if not path.is_file():
            continue
        try:
            if path.stat().st_size > _MOST_BYTES:
                raise ValueError(f"{path.stat().st_size} bytes")
            found = read(json.loads(path.read_text(encoding="utf-8")))
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            raise LogFormatError(
                str(path),
                found=f"something else ({type(error).__name__}: {error})",
                expected=f"what the job prints with --json, which tells {name}",
                cure="write it again, or remove it",
            ) from error
        if found is not None:
            numbers[name] = found
    return numbers


def _compliance(content: Mapping) -> Estimate:
    return _estimate(content["push"]["compliance_m_per_n"])


def _blur(content: Mapping) -> Estimate | None:
    frames = [blur for blur in content["blur"].values() if blur["converged"]]
    sigmas = [max((_estimate(blur[f"sigma_{axis}_px"]) for axis in "xy"), key=lambda one: one.value) for blur in frames]
    if len(sigmas) == 1:
        return sigmas[0]
    return Estimate.unknown(statistics.median(one.value for one in sigmas)) if sigmas else None


def _estimate(plain: Mapping) -> Estimate:
    """An estimate from JSON; an end that is open or unknown makes the interval unknown."""
    value, interval = float(plain["value"]), plain["interval"]
    ends = [interval[end] for end in ("low", "high")]
    if None in ends or not all(math.isfinite(float(end)) for end in (value, *ends)):
        return Estimate.unknown(value)
    error = plain["standard_error"]
    low, high = map(float, ends)
    return Estimate(
        value=value,
        standard_error=math.nan if error is None else float(error),
        interval=Interval(low=low, high=high, level=float(interval["level"])),
    )


#: File → (name of its number, how it is read).
BESIDE: dict[str, tuple[str, Callable[[Mapping], Estimate | None]]] = {
    "push.json": ("compliance_m_per_n", _compliance),
    "blur.json": ("blur_px", _blur),
}
