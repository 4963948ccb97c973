"""Blur of the exposures of a run, each against the sharp picture of the same scene."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from labkit.analyse.blur import Blur, measure_blur
from labkit.base import Estimate, check_choice
from labkit.runs.exposures import Exposure, Exposures

__all__ = ["ExposureBlur", "measure_exposures"]


@dataclass(frozen=True, kw_only=True)
class ExposureBlur:
    """Blur of one exposure after a move, along one axis of the picture.

    Parameters
    ----------
    name : str
        Name of the frame.
    move : int
        Number of its move, counted from 1.
    wait_s, exposure_s : float
        Wait from the end of the move, and exposure time [s].
    sigma_px : Estimate
        Standard deviation of the blur kernel [px]; 0 with an interval from 0 up where none was detected.
    trusted : bool
        False when the measurement questions itself or does not know its interval.
    """

    name: str
    move: int
    wait_s: float
    exposure_s: float
    sigma_px: Estimate
    trusted: bool


def measure_exposures(
    exposures: Exposures,
    *,
    axis: str = "x",
    family: str = "any",
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[ExposureBlur, ...]:
    """Measure the blur of every exposure of a run.

    Parameters
    ----------
    exposures : Exposures
        The pictures.
    axis : str
        Axis of the picture: "x" (columns) or "y" (rows).
    family : str
        Shape of the blur, when it is known; see `measure_blur`. All agree on the standard deviation of a small blur.
    progress : callable, optional
        Called with (what, done, total).
    """
    check_choice("axis", axis, ("x", "y"))
    white = exposures.sharp.white_level
    found = []
    for number, one in enumerate(exposures.frames):
        if progress:
            progress("measuring blur", number, len(exposures.frames))
        try:
            blur = measure_blur(
                one.picture.pixels,
                exposures.sharp.pixels,
                family=family,
                full_scale=white if math.isfinite(white) else None,
            )
        except ValueError as error:
            raise ValueError(f"{one.name} against {exposures.sharp.name}: {error}") from error
        found.append(_along(axis, blur, one))
    if progress:
        progress("measuring blur", len(found), len(found))
    return tuple(found)


def _along(axis: str, blur: Blur, one: Exposure) -> ExposureBlur:
    sigma = blur.sigma_x_px if axis == "x" else blur.sigma_y_px
    return ExposureBlur(
        name=one.name,
        move=one.move,
        wait_s=one.wait_s,
        exposure_s=one.exposure_s,
        sigma_px=sigma,
        trusted=blur.trusted and blur.converged and sigma.interval.known,
    )
