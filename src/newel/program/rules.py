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

# Each rule in words; a finding says more, with the numbers of its line.
IN_WORDS: dict[str, str] = {
    "line-too-long": "a line has more than 256 characters",
    "unknown-character": "a character that is no part of the language stands outside comments",
    "line-number": "an N word must come first, whole, of at most five digits",
    "number-form": "a number is a sign, digits and at most one point, and not beyond all sense",
    "parameter-number": "parameters are numbered 1 to 5399",
    "parameter-form": "a parameter is set by # number = value",
    "expression": "an expression must close its brackets and have a value",
    "unknown-operation": "an operation that the language does not have",
    "comment": "a comment must close, and hold no other",
    "letter-twice": "a letter other than G and M stands once on a line",
    "too-many-m-words": "a line has at most four M words",
    "two-of-one-group": "two codes of one modal group can't stand on one line",
    "axis-words-claimed-twice": "two codes on the line both use its axis words",
    "unknown-word": "a word whose letter the language does not have",
    "unknown-code": "a G or M number that the language does not have",
    "word-not-used": "a word that no code on the line uses",
    "axis-word-missing": "G0 or G1 without an axis word, where the dialect forbids it",
    "axis-words-not-allowed": "axis words while G80 is in force",
    "motion-word-missing": "axis words before any motion word",
    "arc-words": "an arc needs words of its plane and its centre or radius",
    "arc-radius": "start and end of an arc must lie equally far from its centre",
    "arc-no-solution": "no arc of this radius joins start and end",
    "dwell": "G4 needs a P word of no less than zero",
    "offset-setting": "G10 is L2 with a system from 1 to 9",
    "probe": "what G38.2 needs: an axis, enough way, a feed a minute, no turning",
    "compensation": "what must not be done with cutter compensation on",
    "compensation-not-proved": "a path under cutter compensation is not followed",
    "length-offset": "G43 needs the H word of an offset that exists",
    "machine-coordinates": "G53 needs G0 or G1 and axis words",
    "cycle": "what a canned cycle needs",
    "cycle-not-proved": "cycles that stop for the operator or lean on the spindle's angle are not followed",
    "coordinate-setting": "G92 needs an axis word",
    "feed-missing": "a fed line needs a feed, under G93 its own",
    "feed-value": "a feed is not negative, and not zero where it moves",
    "feed-unit-unclear": "F and a change of units on one line",
    "spindle-speed": "a spindle speed is not negative",
    "spindle-speed-missing": "M3 or M4 before any S word",
    "cutter-number": "a T word names a cutter that can be, and M6 needs one",
    "percent": "% lines come in pairs or not at all",
    "no-program-end": "a program ends with M2, M30 or %",
    "system-number": "the stored work system is one of 1 to 9",
    "block-delete": "a line behind / may or may not be run; it is proved as run",
    "home-names-some-axes": "G28 or G30 with some axes moves the others too",
    "axis-not-on-machine": "B and C are not axes of these machines",
    "turn-way-unclear": "half a turn on a control that wraps A may go either way",
    "place-unknown": "the place that a move starts from, or leads to, can't be known from the text",
    "parameter-not-known": "the value of this parameter can't be known from the text",
    "units-other-standard": "G70 and G71 are units words of another standard",
    "not-in-this-dialect": "a word that this control's dialect does not have",
    "o-word": "subroutines, conditions and loops must be whole",
    "endless-loop": "a loop or a call that does not end",
    "too-many-rows": "more motion than is followed",
    "too-many-refused-lines": "so many refused lines that this is no program",
    "too-many-findings": "the code was found more often than is listed",
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
