"""The blank at any moment: which row of a program lowered which cell of the development, from uncut bar to finished part.

The course is carved once more on a coarse grid. Every so many rows the development is looked at again; the tag of each cell
that has sunk names the row that did it, so the page can show the blank after any row by playing this log forward or back.
What one row took and a later one took deeper before the next look is told as one change, by the later row.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.setup import SetUp
from newel.geometry.blank import Blank, bar_blank, carve
from newel.geometry.radial_map import MapGrid, radial_map
from newel.proof.course import Course

Floats = NDArray[np.float64]
Progress = Callable[[str, float], None]

LOOKS = 96  # times that the development is looked at: what is missed in between is under 1 % of the program
MOST_CELLS_X, CELLS_AROUND = 420, 360
LEAST_CELL_MM = 0.3
STEP_MM = 0.002  # unit of heights in the log: int16 then reaches 65 mm
LEAST_CHANGE = 10  # of these units: less is the grid's own noise


@dataclass(frozen=True)
class ScrubLog:
    """`before` (na, nx) int16: heights of the uncut bar. Then changes in order: `row`, `cell` (j * nx + i), `after`."""

    cells: MapGrid
    step_mm: float
    before: NDArray[np.int16]
    row: NDArray[np.uint32]
    cell: NDArray[np.uint32]
    after: NDArray[np.int16]


def map_grid(from_x_mm: float, to_x_mm: float) -> MapGrid:
    """Return the cells that a bar's development is shown in."""
    return MapGrid(from_x_mm, to_x_mm, min(MOST_CELLS_X, math.ceil((to_x_mm - from_x_mm) / LEAST_CELL_MM)), CELLS_AROUND)


def scrub_log(course: Course, setup: SetUp, pitch_mm: float, progress: Progress) -> tuple[ScrubLog, Blank]:
    """Carve the course at `pitch_mm` and keep what changed; the blank at the end comes along."""
    bar = setup.bar
    blank = bar_blank(bar.section, bar.size_mm, bar.from_x_mm, bar.to_x_mm, bar.turned_deg, pitch_mm)
    cells = map_grid(bar.from_x_mm, bar.to_x_mm)
    step = max(STEP_MM, course.swing_mm / 32_000.0)
    before = _heights(blank, cells, step)[0]
    state = before.copy()
    rows, places, afters = [], [], []
    for first, last in _runs(course):
        progress("watching", first / max(1, len(course)))
        cutter = course.cutters[int(course.motion.cutter[first])]
        poses = np.vstack([course.begin[first : first + 1], course.end[first:last]])
        carve(blank, cutter.shape, poses, np.concatenate([[first], np.arange(first, last)]).astype(np.int32))
        height, tag = _heights(blank, cells, step)
        sunk = np.flatnonzero(height < state - LEAST_CHANGE)
        by = np.clip(tag.ravel()[sunk], first, last - 1)  # what an older move left bare counts for this run's first row
        order = np.argsort(by, kind="stable")
        rows.append(by[order].astype(np.uint32))
        places.append(sunk[order].astype(np.uint32))
        afters.append(height.ravel()[sunk[order]])
        state.ravel()[sunk] = height.ravel()[sunk]
    progress("watching", 1.0)
    nothing = np.zeros(0)
    row, cell, after = (np.concatenate([nothing, *parts]) for parts in (rows, places, afters))
    return (
        ScrubLog(cells, step, before, row.astype(np.uint32), cell.astype(np.uint32), after.astype(np.int16)),
        blank,
    )


def _heights(blank: Blank, cells: MapGrid, step_mm: float) -> tuple[NDArray[np.int16], NDArray[np.int32]]:
    radius, tag = radial_map(blank, cells)
    return np.rint(radius / step_mm).astype(np.int16), tag


def _runs(course: Course) -> Iterator[tuple[int, int]]:
    """Yield rows [first, last) of one known cutter on a known way, a LOOKS-th of the course at most."""
    known = course.known & np.isin(course.motion.cutter, np.array(sorted(course.cutters), dtype=np.int32))
    most = max(1, math.ceil(len(course) / LOOKS))
    same = np.zeros(len(course), bool)
    same[1:] = known[1:] & known[:-1] & (np.diff(course.motion.cutter) == 0) & (np.diff(course.program) == 0)
    starts = np.flatnonzero(known & ~same)
    broken = np.flatnonzero(np.append(~same, True))
    for start in starts.tolist():
        stop = int(broken[np.searchsorted(broken, start + 1)])
        for first in range(start, stop, most):
            yield first, min(first + most, stop)
