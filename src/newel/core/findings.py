"""Findings: what a proof, a reader or a check has to say about one place of a program, as data."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How much a finding weighs: an obstacle denies the verdict 'proved', a caution and a note do not."""

    OBSTACLE = "obstacle"
    CAUTION = "caution"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found in a program, with its place and the number that decided it.

    `line` counts the lines of the program's text from 1 (0: the program as a whole). Positions are
    program coordinates in mm and degrees, nan where no place applies; `measured` and `limit` are in `unit`.
    """

    code: str
    severity: Severity
    says: str
    program: str = ""
    line: int = 0
    x_mm: float = math.nan
    y_mm: float = math.nan
    z_mm: float = math.nan
    a_deg: float = math.nan
    measured: float = math.nan
    limit: float = math.nan
    unit: str = ""


def obstacles(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return those findings that deny the verdict 'proved'."""
    return tuple(finding for finding in findings if finding.severity is Severity.OBSTACLE)
