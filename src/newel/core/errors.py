"""Errors for the person at the keyboard: what is wrong, where, and what to do about it.

NewelError
├── BadInput      the model, job, shop file or argument cannot be used as it stands
├── Infeasible    the input is sound, but no bar, cutter or machine at hand can do it
└── Interrupted   the work was stopped from outside; nothing half written is left

A bad *program* is never an error: it is a list of findings (core/findings.py).
"""

from __future__ import annotations


class NewelError(Exception):
    """Root of every error that Newel raises on purpose; the exit status is 2 (the input was refused)."""

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        """Say `what` is wrong, `where` (file and line, or the part of a model) and the `remedy`."""
        super().__init__(what)
        self.what = what
        self.where = where
        self.remedy = remedy

    def block(self) -> str:
        """Return the error as one block of plain text for stderr."""
        lines = [f"error: {self.what}"]
        if self.where:
            lines.append(f"   at: {self.where}")
        if self.remedy:
            lines.append(f"   do: {self.remedy}")
        return "\n".join(lines)


class BadInput(NewelError):
    """The input is broken, contradicts itself or is in no stated unit."""


class Infeasible(NewelError):
    """The input is sound, but the job cannot be done with what is at hand."""

    def __init__(
        self,
        what: str,
        *,
        measured: float | None = None,
        limit: float | None = None,
        unit: str = "",
        where: str = "",
        remedy: str = "",
    ) -> None:
        """Carry the value that was `measured` and the `limit` that it passes, both in `unit`."""
        super().__init__(what, where=where, remedy=remedy)
        self.measured = measured
        self.limit = limit
        self.unit = unit


class Interrupted(NewelError):
    """The run was stopped before it ended."""
