"""A fitted series of runs in tables: runs, exposures, factors."""

from __future__ import annotations

import pandas as pd

from labkit.base import Estimate
from labkit.decide.blur_factors import FACTORS, SHOWN_UNITS
from labkit.decide.blur_series import RunBlur, SeriesRelation, is_covered
from labkit.show.tables import estimate_text

__all__ = ["exposures_table", "factors_table", "runs_table"]


def runs_table(relation: SeriesRelation) -> pd.DataFrame:
    """Blur of every run, root mean square over its exposures: measured, fitted, foretold from the other runs.

    Parameters
    ----------
    relation : SeriesRelation
        The relation.
    """
    return pd.DataFrame([_run_row(one, relation.object_pixel_m) for one in relation.runs])


def _run_row(one: RunBlur, pixel_m: float) -> dict[str, str]:
    row = {"run": one.run}
    for factor, what in FACTORS.items():
        scale, unit = SHOWN_UNITS[factor]
        row[f"{what.lower()} [{unit}]"] = f"{scale * getattr(one.factors, factor):.3g}"
    return row | {
        "measured [px]": _pixels(one.measured_m, pixel_m),
        "fitted [px]": _pixels(one.fitted_m, pixel_m),
        "foretold from the others [px]": _pixels(one.foretold_m, pixel_m),
    }


def _pixels(estimate: Estimate | None, pixel_m: float) -> str:
    return "not to be told" if estimate is None else estimate_text(estimate, scale=1.0 / pixel_m)


def exposures_table(points: object, *, object_pixel_m: float) -> pd.DataFrame:
    """Blur of exposures: measured, by the machine, and whether the interval held.

    Parameters
    ----------
    points : sequence of BlurPoint
        The exposures.
    object_pixel_m : float
        What a pixel sees [m].
    """
    return pd.DataFrame(
        [
            {
                "run": one.run,
                "wait [ms]": f"{1e3 * one.wait_s:.3g}",
                "measured [px]": _pixels(one.measured_m, object_pixel_m),
                "by the machine [px]": _pixels(one.fitted_m, object_pixel_m),
                "interval holds": "yes" if is_covered(one.measured_m, one.fitted_m) else "no",
            }
            for one in points
        ]
    )


def factors_table(relation: SeriesRelation) -> pd.DataFrame:
    """What each factor alone does to the blur.

    Parameters
    ----------
    relation : SeriesRelation
        The relation.
    """
    rows = []
    for curve in relation.curves:
        scale, unit = SHOWN_UNITS[curve.factor]
        turns = ", ".join(f"{scale * value:.3g}" for value in curve.turns)
        rows.append(
            {
                "factor": FACTORS[curve.factor],
                "range": f"{scale * curve.values[0]:.3g} to {scale * curve.values[-1]:.3g} {unit}",
                "blur per 1 % of it, mean [%]": estimate_text(curve.elasticity, digits=2),
                "locally [%]": f"{curve.least:+.1f} to {curve.steepest:+.1f}",
                "turns near": f"{turns} {unit}" if turns else "nowhere",
            }
        )
    return pd.DataFrame(rows)
