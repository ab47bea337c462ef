"""Short ways to run program text in tests."""

from __future__ import annotations

import numpy as np

from newel.core.dialect import ReadTraits
from newel.core.findings import Finding
from newel.core.motion import Motion, RowKind
from newel.program.interpreter import Interpretation, MachineFacts, interpret

STRICT = ReadTraits(
    semicolon_comments=False,
    o_words=False,
    numbered_subprograms=False,
    arc_centre_modes=False,
    feed_per_turn=False,
    long_lines=False,
    lone_motion_words=False,
    percent_optional=True,
)
"""The report's language word for word, but that a text need not end with M2."""

TRADE = ReadTraits()
ORIGIN = (0.0, 0.0, 0.0, 0.0)


def run(*lines: str, traits: ReadTraits = STRICT, start=ORIGIN, **known) -> Interpretation:
    """Interpret lines of text from the origin (unless `start` says otherwise)."""
    return interpret("\n".join(lines) + "\n", traits, start=start, **known)


def obstacles_at(result: Interpretation) -> list[tuple[str, int]]:
    """Return (code, line) of every finding that denies a proof."""
    return [(finding.code, finding.line) for finding in result.findings if finding.severity == "obstacle"]


def finding_of(result: Interpretation, code: str) -> Finding:
    """Return the one finding of a code."""
    found = [finding for finding in result.findings if finding.code == code]
    assert len(found) == 1, result.findings
    return found[0]


def end_of(result: Interpretation) -> np.ndarray:
    """Return where the last row ends."""
    return result.motion.xyza[-1]


def rows(motion: Motion) -> list[tuple[str, tuple[float, float, float]]]:
    """Return the straight rows as (kind, (x, y, z)), rounded for comparing."""
    return [
        (RowKind(int(kind)).name.lower(), tuple(np.round(place[:3], 6).tolist()))
        for kind, place in zip(motion.kind, motion.xyza)
    ]


def seconds(result: Interpretation) -> float:
    """Return the seconds of all rows that have a time."""
    return float(np.nansum(result.motion.minutes) * 60.0)


def ended_in(line: str, **known: MachineFacts) -> Interpretation:
    """Run one line."""
    return run(line, **known)
