"""What the checks of a log say: findings, the report that collects them, and the gate before an analysis."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from labkit.base import check_choice

__all__ = ["ANALYSES", "SEVERITIES", "BlockedAnalysisError", "Finding", "LogReport", "require_fit"]

#: Analyses that a fatal finding can block.
ANALYSES = ("spectra", "modes", "displacement", "settling")
#: Gravest first. fatal: a result would be false; warning: a result is doubtful or lost; note: good to know.
SEVERITIES = ("fatal", "warning", "note")


class BlockedAnalysisError(ValueError):
    """An analysis that a fatal finding would falsify.

    Parameters
    ----------
    name : str
        Name of the log.
    analysis : str
        The analysis that was asked for.
    findings : sequence of Finding
        The findings that block it, at least one.
    """

    def __init__(self, name: str, analysis: str, findings: Sequence[Finding]) -> None:
        self.analysis, self.findings = analysis, tuple(findings)
        reasons = "; ".join(f"{f.code}{f' ({f.channel})' if f.channel else ''}: {f.evidence}" for f in findings)
        cures = "; ".join(dict.fromkeys(f.advice for f in findings))
        super().__init__(f"{name} is not fit for {analysis}: {reasons}. Cure: {cures}.")


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing that a check noticed.

    Parameters
    ----------
    code : str
        Name of the check, for example ``"clipping"``.
    severity : str
        ``"fatal"``, ``"warning"`` or ``"note"``.
    channel : str
        Channel that it is about; empty for all.
    evidence, consequence, advice : str
        What was measured, in numbers; what it does to the results; what the builder can do.
    blocks : tuple of str
        Analyses that it would falsify, out of `ANALYSES`; fatal findings block at least one, others none.
    value : float
        The number that the criterion looked at, in the unit that its check states; nan when there is none.
    """

    code: str
    severity: str
    channel: str = ""
    evidence: str
    consequence: str
    advice: str
    blocks: tuple[str, ...] = ()
    value: float = math.nan

    def __post_init__(self) -> None:
        check_choice("severity", self.severity, SEVERITIES)
        for analysis in self.blocks:
            check_choice("blocks", analysis, ANALYSES)
        if bool(self.blocks) != (self.severity == "fatal"):
            raise ValueError(
                f"finding {self.code!r} is {self.severity} and blocks {self.blocks}; "
                "fatal findings block at least one analysis, others none"
            )


@dataclass(frozen=True, kw_only=True)
class LogReport:
    """Is a log fit for its analyses?

    Parameters
    ----------
    name : str
        Name of the log.
    findings : tuple of Finding
        The gravest first.
    passed : tuple of str
        Checks that ran and found nothing.
    skipped : tuple of (str, str)
        Checks that could not run, with the reason.

    Examples
    --------
    >>> report = LogReport(name="a.csv", findings=(), passed=("clipping",), skipped=())
    >>> report.fatal, sorted(report.blocked)
    ((), [])
    """

    name: str
    findings: tuple[Finding, ...]
    passed: tuple[str, ...]
    skipped: tuple[tuple[str, str], ...]

    @property
    def fatal(self) -> tuple[Finding, ...]:
        """The fatal findings."""
        return tuple(f for f in self.findings if f.severity == "fatal")

    @property
    def blocked(self) -> frozenset[str]:
        """Analyses that a fatal finding would falsify, in at least one channel."""
        return frozenset(analysis for f in self.fatal for analysis in f.blocks)

    def blocking(self, analysis: str, *, channels: Sequence[str] | None = None) -> list[Finding]:
        """The fatal findings that would falsify an analysis of these channels (of any channel by default)."""
        return [
            f
            for f in self.fatal
            if analysis in f.blocks and (channels is None or not f.channel or f.channel in channels)
        ]


def require_fit(report: LogReport, analysis: str, *, channels: Sequence[str] | None = None) -> None:
    """Stop before an analysis that a fatal finding would falsify.

    Parameters
    ----------
    report : LogReport
        Report of the log.
    analysis : str
        One of ``"spectra"``, ``"modes"``, ``"displacement"``, ``"settling"``.
    channels : sequence of str, optional
        Channels that the analysis will use; by default every channel counts.

    Raises
    ------
    BlockedAnalysisError
        When a finding blocks the analysis; it names the finding and the cure.

    Examples
    --------
    >>> require_fit(LogReport(name="a.csv", findings=(), passed=(), skipped=()), "modes")
    """
    check_choice("analysis", analysis, ANALYSES)
    blocking = report.blocking(analysis, channels=channels)
    if blocking:
        raise BlockedAnalysisError(report.name, analysis, blocking)
