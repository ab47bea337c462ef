"""The bar cut away once more, coarsely: what the edge really meets at the hardest moments, and how stiff the bar then is.

The proof's own carving tells how much each row removes, not how: a tall thin cut pushes harder than a slot of the same
area. So the programs are carved again on a coarser grid that stops at chosen rows, asks the blank as it stands which part
of the edge is in material, and takes sections of the bar on the way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.setup import SetUp, SetUpCutter
from newel.geometry.blank import Blank, bar_blank, carve
from newel.mechanics.bar_sections import LIGHT_SUPPORT, BarState, bar_figures, bar_state
from newel.mechanics.engagement import CuttingLaw, EdgeCells, Engagement, edge_cells, engagement, joined_engagements
from newel.proof.course import Course
from newel.shop.materials import Material

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

TEETH = 2  # where the set-up doesn't tell: what small cutters mostly have (common practice)
COARSER = 3.0  # than the proof's own grid: a ninth of the work
LEAST_PITCH_MM = 0.25
BARS = 10  # moments at which the bar's stiffness is worked out anew
AHEAD_PITCHES = 1.5


@dataclass(frozen=True)
class Moments:
    """What was seen at rows (k,), in order: the edge's engagement, and which of `bars` stood then (b = index, (k,))."""

    row: Rows
    found: Engagement
    bar_row: Rows  # (b,) the row before which each of `bars` was taken
    bars: tuple[BarState, ...]

    def bar_at(self, rows: Rows) -> NDArray[np.intp]:
        """Index into `bars` of the bar as it stood at rows, the next thinner one: rather too soft than too stiff."""
        return np.minimum(np.searchsorted(self.bar_row, rows, side="left"), len(self.bars) - 1)


def teeth_of(cutter: SetUpCutter) -> int:
    """Teeth of a cutter, TEETH where the set-up doesn't tell."""
    return cutter.teeth or TEETH


def look_again(course: Course, setup: SetUp, rows: Rows, resolution_mm: float, material: Material) -> Moments:
    """Carve all programs again, stopping before each of `rows` (fed, with a known way, rising)."""
    bar = setup.bar
    pitch = max(COARSER * resolution_mm, LEAST_PITCH_MM)
    blank = bar_blank(bar.section, bar.size_mm, bar.from_x_mm, bar.to_x_mm, bar.turned_deg, pitch)
    cells: dict[int, EdgeCells] = {}
    found: list[Engagement] = []
    seen: list[int] = []
    bars: list[BarState] = []
    bar_rows: list[int] = []
    stops = _bar_stops(rows)
    for first, last in _runs(course):
        number = int(course.motion.cutter[first])
        cutter = course.cutters[number]
        at = first
        for row in [*rows[np.searchsorted(rows, first) : np.searchsorted(rows, last)].tolist(), last]:
            _carve(blank, course, cutter, at, row)
            at = row
            if row == last:
                break
            if number not in cells:
                cells[number] = edge_cells(cutter.shape.edge)
            found.append(_asked(blank, cells[number], course, row, material, teeth_of(cutter)))
            seen.append(row)
            if row in stops:
                _take_bar(blank, setup, material, bars, bar_rows, row)
    _take_bar(blank, setup, material, bars, bar_rows, len(course))
    return Moments(np.array(seen, dtype=np.intp), joined_engagements(found), np.array(bar_rows, dtype=np.intp), tuple(bars))


def _bar_stops(rows: Rows) -> frozenset[int]:
    if len(rows) == 0:
        return frozenset()
    places = np.unique(np.linspace(0, len(rows) - 1, BARS).astype(int))
    return frozenset(int(row) for row in rows[places])


def _asked(blank: Blank, cells: EdgeCells, course: Course, row: int, material: Material, teeth: int) -> Engagement:
    minutes = max(float(np.nan_to_num(course.minutes[row])), 1e-9)
    rate = (course.end[row] - course.begin[row]) / minutes
    law = CuttingLaw(material.kc11_N_per_mm2[1], material.mc, teeth)
    rpm = np.array([max(abs(float(course.motion.spindle_rpm[row])), 1.0)])
    way = np.linalg.norm(course.end[row, :3] - course.begin[row, :3]) + math.radians(
        abs(course.end[row, 3] - course.begin[row, 3])
    ) * float(np.hypot(course.begin[row, 1], course.begin[row, 2]))
    # no further ahead than the row itself goes, unless it is shorter than the grid can tell
    ahead = max(min(AHEAD_PITCHES * blank.pitch_mm, float(way)), 0.75 * blank.pitch_mm)
    return engagement(blank, cells, course.begin[row], rate, rpm, law, ahead)


def _carve(blank: Blank, course: Course, cutter: SetUpCutter, first: int, last: int) -> None:
    if last > first:
        poses = np.vstack([course.begin[first : first + 1], course.end[first:last]])
        carve(blank, cutter.shape, poses, np.zeros(len(poses), dtype=np.int32))


def _take_bar(blank: Blank, setup: SetUp, material: Material, bars: list[BarState], bar_rows: list[int], row: int) -> None:
    far = setup.bar.to_x_mm if setup.along_x > 0 else setup.bar.from_x_mm
    if material.E_N_per_mm2 is None or abs(far) < 1e-6 or far * setup.along_x < 0.0:
        return
    support = LIGHT_SUPPORT if held_at_far_end(setup) else replace(LIGHT_SUPPORT, centre_N_per_mm=0.0)
    shear = material.G_N_per_mm2 or material.E_N_per_mm2 / 2.7  # Poisson's ratio 0.35 where none is told
    bars.append(bar_state(bar_figures(blank, far), material.E_N_per_mm2, shear, material.density_kg_per_m3 or 1000.0, support))
    bar_rows.append(row)


def held_at_far_end(setup: SetUp) -> bool:
    """Tell whether something stands at the bar's free end: a centre."""
    far = setup.bar.to_x_mm if setup.along_x > 0 else setup.bar.from_x_mm
    return any(thing.from_x_mm - 1.0 <= far <= thing.to_x_mm + 1.0 for thing in setup.keep_out)


def _runs(course: Course) -> Iterator[tuple[int, int]]:
    """Yield rows [first, last) that follow one another with one known cutter, in one program, with a known way."""
    known = course.known & np.isin(course.motion.cutter, np.array(sorted(course.cutters), dtype=np.int32))
    same = np.zeros(len(course), bool)
    same[1:] = (
        known[1:]
        & known[:-1]
        & (course.motion.cutter[1:] == course.motion.cutter[:-1])
        & (course.program[1:] == course.program[:-1])
    )
    starts = np.flatnonzero(known & ~same)
    ends = np.append(np.flatnonzero(~same), len(course))
    for start in starts.tolist():
        yield start, int(ends[np.searchsorted(ends, start + 1)])
