"""The verdict: proved when nothing found denies it."""

from __future__ import annotations

from collections.abc import Iterable

from newel.core.findings import Finding, Severity
from newel.proof.results import Verdict

_WEIGHT = {Severity.OBSTACLE: 0, Severity.CAUTION: 1, Severity.NOTE: 2}


def verdict_of(findings: Iterable[Finding]) -> Verdict:
    """Return 'not proved' where any finding is an obstacle, else 'proved'."""
    return Verdict.NOT_PROVED if any(finding.severity is Severity.OBSTACLE for finding in findings) else Verdict.PROVED


def in_order(findings: Iterable[Finding], names: tuple[str, ...]) -> tuple[Finding, ...]:
    """Return findings in the order of programs and lines, whole-program ones last, the heavier first at one line."""
    order = {name: k for k, name in enumerate(names)}
    return tuple(
        sorted(
            findings,
            key=lambda item: (
                order.get(item.program, len(names)),
                item.line if item.line else 1 << 40,
                _WEIGHT[item.severity],
                item.code,
            ),
        )
    )
