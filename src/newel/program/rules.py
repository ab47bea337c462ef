"""The rules a program can break: one code each, with the section of the standard that says so.

Sections are those of NISTIR 6556 (Kramer, Proctor, Messina: The NIST RS274/NGC Interpreter - Version 3, 2000). Codes
with no section are about what the report leaves open or what the trade adds.
"""

from __future__ import annotations

import math

from newel.core.findings import Finding, Severity

# code: (section, severity). What the language forbids, and what can't be followed, denies the verdict 'proved'.
RULES: dict[str, tuple[str, Severity]] = {
    "line-too-long": ("3.3", Severity.OBSTACLE),
    "unknown-character": ("3.3", Severity.OBSTACLE),
    "line-number": ("3.3.1", Severity.OBSTACLE),
    "number-form": ("3.3.2.1", Severity.OBSTACLE),
    "parameter-number": ("3.3.2.2", Severity.OBSTACLE),
    "parameter-form": ("3.3.3", Severity.OBSTACLE),
    "expression": ("3.3.2.3", Severity.OBSTACLE),
    "unknown-operation": ("3.3.2.4", Severity.OBSTACLE),
    "comment": ("3.3.4", Severity.OBSTACLE),
    "letter-twice": ("3.3.5", Severity.OBSTACLE),
    "too-many-m-words": ("3.3.5", Severity.OBSTACLE),
    "two-of-one-group": ("3.4", Severity.OBSTACLE),
    "axis-words-claimed-twice": ("3.4", Severity.OBSTACLE),
    "unknown-word": ("table 3", Severity.OBSTACLE),
    "unknown-code": ("3.5", Severity.OBSTACLE),
    "word-not-used": ("3.5", Severity.OBSTACLE),
    "axis-word-missing": ("3.5.1", Severity.OBSTACLE),
    "axis-words-not-allowed": ("3.5.15", Severity.OBSTACLE),
    "motion-word-missing": ("3.4", Severity.OBSTACLE),
    "arc-words": ("3.5.3", Severity.OBSTACLE),
    "arc-radius": ("3.5.3.2", Severity.OBSTACLE),
    "arc-no-solution": ("3.5.3.1", Severity.OBSTACLE),
    "dwell": ("3.5.4", Severity.OBSTACLE),
    "offset-setting": ("3.5.5", Severity.OBSTACLE),
    "probe": ("3.5.9", Severity.OBSTACLE),
    "compensation": ("3.5.10", Severity.OBSTACLE),
    "compensation-not-proved": ("3.5.10", Severity.OBSTACLE),
    "length-offset": ("3.5.11", Severity.OBSTACLE),
    "machine-coordinates": ("3.5.12", Severity.OBSTACLE),
    "cycle": ("3.5.16", Severity.OBSTACLE),
    "cycle-not-proved": ("3.5.16", Severity.OBSTACLE),
    "coordinate-setting": ("3.5.18", Severity.OBSTACLE),
    "feed-missing": ("3.5.19", Severity.OBSTACLE),
    "feed-value": ("3.7.1", Severity.OBSTACLE),
    "feed-unit-unclear": ("4.3.3.3", Severity.CAUTION),
    "spindle-speed": ("3.7.2", Severity.OBSTACLE),
    "spindle-speed-missing": ("3.7.2", Severity.CAUTION),
    "cutter-number": ("3.7.3", Severity.OBSTACLE),
    "percent": ("3.1", Severity.OBSTACLE),
    "no-program-end": ("3.1", Severity.OBSTACLE),
    "system-number": ("3.2.2", Severity.OBSTACLE),
    "block-delete": ("3.3", Severity.CAUTION),
    "home-names-some-axes": ("3.5.8", Severity.CAUTION),
    "axis-not-on-machine": ("", Severity.OBSTACLE),
    "turn-way-unclear": ("", Severity.OBSTACLE),
    "place-unknown": ("", Severity.OBSTACLE),
    "parameter-not-known": ("", Severity.OBSTACLE),
    "units-other-standard": ("", Severity.OBSTACLE),
    "not-in-this-dialect": ("", Severity.OBSTACLE),
    "o-word": ("", Severity.OBSTACLE),
    "endless-loop": ("", Severity.OBSTACLE),
    "too-many-rows": ("", Severity.OBSTACLE),
    "too-many-refused-lines": ("", Severity.OBSTACLE),
    "too-many-findings": ("", Severity.NOTE),
}

MOST_OF_A_CODE = 200  # findings of one code that are listed; the rest are counted (a bound on memory)


class RefusedError(Exception):
    """A line breaks a rule; caught by the interpreter, which makes a Finding of it. Never leaves this package."""

    def __init__(self, code: str, says: str, *, measured: float = math.nan, limit: float = math.nan, unit: str = "") -> None:
        """Carry the rule's `code`, what it `says` here and the numbers that decided."""
        super().__init__(says)
        self.code = code
        self.says = says
        self.measured = measured
        self.limit = limit
        self.unit = unit


class Findings:
    """The findings of one program, in the order of the lines that made them, with a bound on how many of a code."""

    def __init__(self, program: str) -> None:
        """Begin an empty list for `program`."""
        self.program = program
        self.found: list[Finding] = []
        self.counts: dict[str, int] = {}
        self._told: set[tuple[str, int]] = set()

    def add(self, refused: RefusedError, line: int, place: tuple[float, float, float, float] | None = None) -> None:
        """Add what was refused at `line` (from 1); the same code at the same line is told once (loops come back)."""
        if (refused.code, line) in self._told:
            return
        count = self.counts.get(refused.code, 0) + 1
        self.counts[refused.code] = count
        if count > MOST_OF_A_CODE:
            return
        self._told.add((refused.code, line))
        section, severity = RULES[refused.code]
        says = f"{refused.says} (RS274/NGC {section})" if section else refused.says
        x, y, z, a = place if place is not None else (math.nan,) * 4
        self.found.append(
            Finding(refused.code, severity, says, self.program, line, x, y, z, a, refused.measured, refused.limit, refused.unit)
        )

    def all(self) -> tuple[Finding, ...]:
        """Return every finding listed, and one note for each code that came more often than is listed."""
        more = [
            Finding(
                "too-many-findings",
                Severity.NOTE,
                f"'{code}' was found {count} times; the first {MOST_OF_A_CODE} are listed",
                self.program,
                measured=float(count),
                limit=float(MOST_OF_A_CODE),
            )
            for code, count in self.counts.items()
            if count > MOST_OF_A_CODE
        ]
        return tuple(self.found) + tuple(more)
