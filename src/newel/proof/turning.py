"""Indexing: between cuts at clamped sides the bar turns only while the tip stands clear above everything.

The text alone tells which cuts are cuts at a side: while the tip is down the bar stands still and the cutter moves across (Y),
and nothing is ever cut while the bar turns. Cuts around the turning bar keep Y where it is, or cut while A moves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.units import degrees
from newel.proof.carving import CarvedCourse
from newel.proof.course import Course, findings_at

Bools = NDArray[np.bool_]

STILL_DEG = 0.002  # twice the last digit that programs write of A
ACROSS_MM = 0.01
CLAMPED = 1  # as Motion.clamp says it


def turning_findings(course: Course, carved: CarvedCourse) -> list[Finding]:
    """Return a finding for each line that turns the bar low, amid cuts at a side."""
    if len(course) == 0:
        return []
    step = np.nan_to_num(course.end - course.begin)
    turns = np.abs(step[:, 3]) > STILL_DEG
    low = np.minimum(np.nan_to_num(course.begin_tip_mm, nan=np.inf), np.nan_to_num(course.end_tip_mm, nan=np.inf))
    down = (low < course.safe_z_mm) & course.known
    cuts = carved.removed_mm3 > carved.least_mm3
    dives = _dives(course, down)
    count = int(dives.max(initial=-1)) + 1
    if count == 0:
        return []
    inside = dives >= 0

    def any_of(rows: Bools) -> Bools:
        found = np.zeros(count, bool)
        found[dives[inside & rows]] = True
        return found

    at_side = any_of(cuts & ~turns & (np.abs(step[:, 1]) > ACROSS_MM)) & ~any_of(cuts & turns)
    bad = np.flatnonzero(inside & turns & at_side[np.maximum(dives, 0)])

    def says(row: int) -> str:
        return f"turns the bar by {degrees(abs(step[row, 3]))} with the tip down amid cuts at a side"

    return findings_at(course, "turn-low", bad, says, measured=low[bad], limit=course.safe_z_mm, unit="mm")


def clamp_findings(course: Course, carved: CarvedCourse) -> list[Finding]:
    """Return a finding for each line that turns a clamped bar, or cuts at a side while the bar is not clamped.

    For machines whose clamp programs must tell (ReadTraits.clamp_m). Cutting with the bar never clamped is found as well;
    turning it before the program has said anything of the clamp is not.
    """
    if len(course) == 0:
        return []
    step = np.nan_to_num(course.end - course.begin)
    turns = np.abs(step[:, 3]) > STILL_DEG
    clamped = course.motion.clamp == CLAMPED
    found = findings_at(
        course,
        "turn-clamped",
        np.flatnonzero(turns & clamped),
        lambda row: f"turns the bar by {degrees(abs(step[row, 3]))} against its clamp",
    )
    low = np.minimum(np.nan_to_num(course.begin_tip_mm, nan=np.inf), np.nan_to_num(course.end_tip_mm, nan=np.inf))
    dives = _dives(course, (low < course.safe_z_mm) & course.known)
    cuts = carved.removed_mm3 > carved.least_mm3
    around = np.zeros(int(dives.max(initial=-1)) + 1, bool)
    around[dives[cuts & turns & (dives >= 0)]] = True
    still = cuts & ~turns & (dives >= 0) & ~around[np.maximum(dives, 0)] if len(around) else np.zeros(len(course), bool)
    bad = np.flatnonzero(still & ~clamped)
    return found + findings_at(course, "cut-released", bad, lambda row: "cuts at a side, and the bar's clamp is not on")


def _dives(course: Course, down: Bools) -> NDArray[np.int64]:
    """Number the runs of rows (n,) in which the tip is down all the time, of one program each; -1 elsewhere."""
    begins = down.copy()
    begins[1:] &= ~down[:-1] | (course.program[1:] != course.program[:-1])
    return np.where(down, np.cumsum(begins) - 1, -1).astype(np.int64)
