"""Carving: take off the blank, in order, what every row takes off, rapids included, and say what was wrong with it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.setup import SetUp
from newel.core.units import mm
from newel.geometry.blank import Blank, bar_blank, carve
from newel.geometry.profiles import polyline
from newel.proof.course import Course, finding, findings_at

Floats = NDArray[np.float64]

Progress = Callable[[str, float], None]

RUN_ROWS = 20_000  # rows carved between two words of progress
RUB_MM = 0.004  # twice what the blank's sweep of a turning move may leave standing (0.002 mm, geometry/blank.py)
LEAST_CELLS = 0.05  # less than this part of one cell of the grid is rounding, not a cut
STEEP = 0.0875  # a descent steeper than 5 degrees is a plunge for a cutter that can't cut at its centre (common practice)


@dataclass(frozen=True)
class CarvedCourse:
    """The blank as the programs leave it; what each row removed (n,), and how deep its body stood in material (n,) in mm.

    `least_mm3`: what a row must remove to count as cutting.
    """

    blank: Blank
    removed_mm3: Floats
    struck_mm: Floats
    least_mm3: float


def carve_course(course: Course, setup: SetUp, resolution_mm: float, progress: Progress) -> CarvedCourse:
    """Carve every row whose way is known, in order, on a grid of `resolution_mm`."""
    bar = setup.bar
    blank = bar_blank(bar.section, bar.size_mm, bar.from_x_mm, bar.to_x_mm, bar.turned_deg, resolution_mm)
    n = len(course)
    removed, struck = np.zeros(n), np.zeros(n)
    for first, last in _runs(course):
        progress("carving", first / max(n, 1))
        cutter = course.cutters[int(course.motion.cutter[first])]
        poses = np.vstack([course.begin[first : first + 1], course.end[first:last]])
        carved = carve(blank, cutter.shape, poses, np.concatenate([[first], np.arange(first, last)]).astype(np.int32))
        # The cutter standing where the run begins counts for the run's first row.
        removed[first:last], struck[first:last] = carved.removed_mm3[1:], carved.struck_mm[1:]
        removed[first] += carved.removed_mm3[0]
        struck[first] = max(struck[first], carved.struck_mm[0])
    progress("carving", 1.0)
    return CarvedCourse(blank, removed, struck, LEAST_CELLS * resolution_mm**3)


def _runs(course: Course) -> Iterator[tuple[int, int]]:
    """Yield rows [first, last) that follow one another with one known cutter and a known way, RUN_ROWS at most."""
    known = course.known & np.isin(course.motion.cutter, np.array(sorted(course.cutters), dtype=np.int32))
    n = len(course)
    joined = np.zeros(n, bool)
    joined[1:] = (
        known[1:]
        & known[:-1]
        & (course.motion.cutter[1:] == course.motion.cutter[:-1])
        & (course.program[1:] == course.program[:-1])
    )
    starts = np.flatnonzero(known & ~joined)
    # where each unbroken run ends
    broken = np.flatnonzero(np.append(~joined, True))
    for start in starts:
        stop = int(broken[np.searchsorted(broken, start + 1)])
        for first in range(int(start), stop, RUN_ROWS):
            yield first, min(first + RUN_ROWS, stop)


def carving_findings(course: Course, carved: CarvedCourse) -> list[Finding]:
    """Return what the carving shows: rapids in material, a standing or backward spindle, bodies in material, plunges."""
    cuts = carved.removed_mm3 > carved.least_mm3
    rpm = course.motion.spindle_rpm
    removed = carved.removed_mm3

    def at(code: str, mask: NDArray[np.bool_], says: Callable[[int], str]) -> list[Finding]:
        rows = np.flatnonzero(mask)
        return findings_at(course, code, rows, says, measured=removed[rows], limit=carved.least_mm3, unit="mm3")

    found = at(
        "rapid-cuts",
        cuts & course.rapid & ~_only_rubs(course, carved),
        lambda row: f"this rapid takes {removed[row]:.2f} mm3 of material",
    )
    found += at("spindle-off", cuts & (rpm == 0.0), lambda row: "this move cuts with the spindle standing")
    found += at("spindle-backward", cuts & (rpm < 0.0), lambda row: "this move cuts with the spindle turning backward (M4)")
    rows = np.flatnonzero(carved.struck_mm > 0.0)
    found += findings_at(
        course,
        "body-strikes-blank",
        rows,
        lambda row: f"cutter {course.motion.cutter[row]} stands {mm(carved.struck_mm[row])} in material above its cutting edge",
        measured=carved.struck_mm[rows],
        limit=0.0,
        unit="mm",
    )
    blind = [number for number, cutter in course.cutters.items() if not cutter.centre_cutting]
    if blind:
        step = course.end - course.begin
        along = np.hypot(step[:, 0], step[:, 1]) + np.abs(np.radians(step[:, 3])) * np.abs(course.end[:, 2])
        steep = -step[:, 2] > STEEP * along
        mask = cuts & steep & np.isin(course.motion.cutter, np.array(blind, dtype=np.int32))
        found += at(
            "plunge",
            mask,
            lambda row: f"cutter {course.motion.cutter[row]} does not cut at its centre and is sent down into material",
        )
    if not cuts.any() and course.moves.any():
        found.append(finding("nothing-cut", "no move takes anything off the bar", program=course.names[0]))
    return found


def _only_rubs(course: Course, carved: CarvedCourse) -> NDArray[np.bool_]:
    """Tell which rows (n,) draw a cutter straight up and take no more than rubs off the walls it has just cut.

    A cutter drawn straight up meets nothing that it did not touch before; what the sweep of the turning cut before it left
    standing by rounding is at most RUB_MM over as much of its edge as can be in the bar.
    """
    step = course.end - course.begin
    up = (step[:, 2] > 0.0) & (step[:, [0, 1, 3]] == 0.0).all(axis=1)
    rows = np.flatnonzero(up & (carved.removed_mm3 > carved.least_mm3))
    rubs = np.zeros(len(course), bool)
    for number in np.unique(course.motion.cutter[rows]):
        mine = rows[course.motion.cutter[rows] == number]
        edge = polyline(course.cutters[int(number)].shape.edge, 0.01)
        depth = np.maximum(course.swing_mm - course.begin[mine, 2], 0.0)
        # the skin of the edge below a height: 2 pi r along the outline
        length = np.hypot(np.diff(edge[:, 0]), np.diff(edge[:, 1]))
        skin = np.concatenate([[0.0], np.cumsum(np.pi * (edge[:-1, 0] + edge[1:, 0]) * length)])
        reached = np.searchsorted(edge[:, 1], depth, side="right").clip(0, len(skin) - 1)
        rubs[mine] = carved.removed_mm3[mine] <= RUB_MM * skin[reached]
    return rubs
