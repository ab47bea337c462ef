"""The bar cut away once more, coarsely: what the edge really meets at the hardest moments, and how stiff the bar then is.

The proof's own carving tells how much each row removes, not how: a tall thin cut pushes harder than a slot of the same
area. So the programs are carved again on a coarser grid, which is asked on the way, in chosen rows, which part of the edge
is in material, and of which sections of the bar are taken.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.setup import SetUp, SetUpCutter
from newel.geometry.blank import Blank, bar_blank
from newel.mechanics.bar_sections import LIGHT_SUPPORT, BarState, SliceFigures, bar_figures, bar_state
from newel.mechanics.engagement import (
    CuttingLaw,
    Engagement,
    engagement_along,
    hardest_in_each,
    joined_engagements,
    look_ahead_mm,
)
from newel.mechanics.places_on_way import Asked, WayWithStops, places_on
from newel.proof.course import Course
from newel.proof.limits import tip_way_mm
from newel.shop.materials import Material

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

TEETH = 2  # where the set-up doesn't tell: what small cutters mostly have (common practice)
COARSER = 3.0  # than the proof's own grid: a ninth of the work
LEAST_PITCH_MM, MOST_PITCH_MM = 0.25, 0.4  # what small cutters leave beside them is not told apart by a coarser grid
BARS = 10  # moments at which the bar's stiffness is worked out anew


@dataclass(frozen=True)
class Moments:
    """What was seen in rows (k,), in order: the edge's engagement, and which of `bars` stood then (b = index, (k,))."""

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
    """Carve all programs again and ask in each of `rows` (fed, with a known way, rising) what the edge meets."""
    bar = setup.bar
    pitch = min(max(COARSER * resolution_mm, LEAST_PITCH_MM), MOST_PITCH_MM)
    blank = bar_blank(bar.section, bar.size_mm, bar.from_x_mm, bar.to_x_mm, bar.turned_deg, pitch)
    found: list[Engagement] = []
    seen: list[Rows] = []
    bars: list[BarState] = []
    bar_rows: list[int] = []
    stops = _bar_stops(rows)
    sections: dict[bytes, SliceFigures] = {}

    def take_bar(row: int) -> None:
        bar_now = _bar_now(blank, setup, material, sections)
        if bar_now is not None:
            bars.append(bar_now)
            bar_rows.append(row)

    for first, last in _runs(course):
        some = rows[slice(*np.searchsorted(rows, [first, last]).tolist())]
        cutter = course.cutters[int(course.motion.cutter[first])]
        way = _way_with_places(course, cutter, (first, last), some, blank.pitch_mm)
        law = CuttingLaw(material.kc11_N_per_mm2[1], material.mc, teeth_of(cutter))
        parts = []
        for at, end in itertools.pairwise([first, *stops[(stops > first) & (stops < last)].tolist(), last]):
            if at in stops:
                take_bar(at)
            a, b = way.at[[at - first, end - first]].tolist()
            parts.append(engagement_along(blank, cutter.shape.edge, way.poses[a : b + 1], way.places.between(a, b), law))
        found.append(hardest_in_each(joined_engagements(parts), way.places.asked, len(some)))
        seen.append(some)
    take_bar(len(course))
    whole = np.concatenate([*seen, np.zeros(0, dtype=np.intp)])
    return Moments(whole, joined_engagements(found), np.array(bar_rows, dtype=np.intp), tuple(bars))


def _bar_stops(rows: Rows) -> Rows:
    return rows[np.unique(np.linspace(0, len(rows) - 1, BARS).astype(int))] if len(rows) else rows


def _way_with_places(course: Course, cutter: SetUpCutter, run: tuple[int, int], rows: Rows, pitch_mm: float) -> WayWithStops:
    """The way of one cutter over rows run[0] to run[1] of the course, with places to ask in `rows` among them."""
    first, last = run
    poses = np.vstack([course.begin[first : first + 1], course.end[first:last]])
    fed = np.concatenate([[False], course.fed[first:last]])
    minutes = np.maximum(np.nan_to_num(course.minutes[rows]), 1e-9)
    speed = tip_way_mm(course.begin[rows], course.end[rows]) / minutes
    rpm = np.maximum(np.abs(course.motion.spindle_rpm[rows].astype(np.float64)), 1.0)
    return places_on(poses, fed, Asked(rows - first + 1, speed, rpm), look_ahead_mm(cutter.shape.edge, pitch_mm))


def _bar_now(blank: Blank, setup: SetUp, material: Material, known: dict[bytes, SliceFigures]) -> BarState | None:
    far = setup.bar.to_x_mm if setup.along_x > 0 else setup.bar.from_x_mm
    if material.E_N_per_mm2 is None or abs(far) < 1e-6 or far * setup.along_x < 0.0:
        return None
    support = LIGHT_SUPPORT if held_at_far_end(setup) else replace(LIGHT_SUPPORT, centre_N_per_mm=0.0)
    shear = material.G_N_per_mm2 or material.E_N_per_mm2 / 2.7  # Poisson's ratio 0.35 where none is told
    figures = bar_figures(blank, far, known=known)
    return bar_state(figures, material.E_N_per_mm2, shear, material.density_kg_per_m3 or 1000.0, support)


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
