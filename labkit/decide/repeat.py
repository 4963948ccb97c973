"""Keep a log or repeat it: said at once, while the sensor is still in its place."""

from __future__ import annotations

from collections.abc import Sequence

from labkit.runs.findings import LogReport
from labkit.runs.live.log_plan import LogSummary

__all__ = ["LOST_AT_MOST", "repeat_reasons"]

#: Share of lost samples from which a log is better repeated (common practice, no source).
LOST_AT_MOST = 0.01


def repeat_reasons(summary: LogSummary, reports: Sequence[LogReport], *, n_moves: int) -> tuple[str, ...]:
    """Why a log that was just made is better repeated; empty when it can be kept.

    Parameters
    ----------
    summary : LogSummary
        What the logger says.
    reports : sequence of LogReport
        What the checks say about the logs.
    n_moves : int
        Moves that the log was to hold; 0 when it was not said.

    Returns
    -------
    tuple of str
        A sentence each.

    Examples
    --------
    >>> summary = LogSummary(paths=(), n_samples=980, n_lost=20, n_faults=0, n_moves=9, n_pauses=0, marks=(),
    ...                      rate_hz=800.0, longest_sync_s=0.0, reason="stopped")
    >>> repeat_reasons(summary, [], n_moves=10)[1:]
    ('2.0 % of the samples were lost: lower the rate or raise the baud rate', '9 of 10 moves were made')
    """
    reasons = []
    if not summary.paths or not summary.n_samples or not reports:
        reasons.append("nothing was logged that can be checked")
    for report in reports:
        reasons += [f"{report.name}: {f.code}: {f.evidence}; {f.advice}" for f in report.fatal]
    if summary.lost_share > LOST_AT_MOST:
        reasons.append(
            f"{100 * summary.lost_share:.1f} % of the samples were lost: lower the rate or raise the baud rate"
        )
    if summary.n_moves < n_moves:
        reasons.append(f"{summary.n_moves} of {n_moves} moves were made")
    return tuple(reasons)
