"""Strikes: how near everything that moves comes to jaws, chuck, centre, tailstock and table, and where it touches.

The whole cutter counts, edge and body: none of it may touch what holds the bar.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.profile import CutterShape, Profile
from newel.core.setup import KeepOut, SetUp
from newel.proof.course import Course, findings_at
from newel.proof.results import Approach
from newel.proof.strikes_kernels import bounds, clearances

Floats = NDArray[np.float64]

CHORD_MM = 0.005  # arcs of an outline become chords pushed outward by this much
TURNS = 30  # golden sections: 0.618^30 is 5e-7 of the span searched
TOUCH_MM = 0.001  # nearer than the finest word a program writes is a touch
EQUAL_MM = 1e-6  # what can only come nearer by less is not measured
_BATCH, _FIRST_BATCH = 256, 8


@dataclass(frozen=True)
class Near:
    """What came near one thing: clearance (k,) in mm of rows (k,), among them every row that touches and the nearest."""

    thing: KeepOut
    rows: NDArray[np.intp]
    mm: Floats


def strike_findings(course: Course, setup: SetUp) -> tuple[list[Finding], tuple[Approach, ...]]:
    """Return the strikes on what holds the bar and on the table, and the closest approach to each."""
    found: list[Finding] = []
    approaches = []
    for near in nearest(course, setup.keep_out):
        touching = near.mm <= TOUCH_MM
        says = _strike_says(course, near.thing.name)
        found += findings_at(
            course, "strikes-keep-out", near.rows[touching], says, measured=near.mm[touching], limit=0.0, unit="mm"
        )
        approaches.append(_approach(course, near.thing.name, near.rows, near.mm))
    z = np.where(course.moves, course.end[:, 2], np.nan)
    if np.isfinite(z).any():
        row = int(np.nanargmin(z))
        approaches.append(Approach("table", max(0.0, float(z[row]) + setup.table_below_axis_mm), *course.place(row)))
    return found, tuple(approaches)


def _strike_says(course: Course, name: str) -> Callable[[int], str]:
    return lambda row: f"cutter {course.motion.cutter[row]} strikes the {name}"


def nearest(course: Course, things: Sequence[KeepOut]) -> list[Near]:
    """Return for each thing the rows that touch it and the row that comes nearest."""
    if not things:
        return []
    cylinders = np.array([(thing.from_x_mm, thing.to_x_mm, thing.radius_mm) for thing in things], dtype=np.float64)
    moving = course.moves & course.known
    ways = []
    for number, cutter in sorted(course.cutters.items()):
        rows = np.flatnonzero(moving & (course.motion.cutter == number))
        if len(rows) == 0:
            continue
        way = Way(
            rows, np.ascontiguousarray(course.begin[rows]), np.ascontiguousarray(course.end[rows]), frustums(cutter.shape)
        )
        least = np.empty((len(rows), len(things)))
        bounds(way.begin, way.end, way.pieces, cylinders, least)
        ways.append((way, least))
    return [
        Near(thing, *_nearest_to(cylinders[k], [(way, least[:, k]) for way, least in ways])) for k, thing in enumerate(things)
    ]


@dataclass(frozen=True)
class Way:
    """The rows (k,) of one cutter, where its tip begins and ends (k, 4), and the cutter as frustums."""

    rows: NDArray[np.intp]
    begin: Floats
    end: Floats
    pieces: Floats


def _nearest_to(cylinder: Floats, ways: list[tuple[Way, Floats]]) -> tuple[NDArray[np.intp], Floats]:
    """Measure what may come nearest to one thing, by bounds (k,) of each cutter's rows; the likeliest cutter first."""
    picked, exact, best = [np.zeros(0, np.intp)], [np.zeros(0)], math.inf
    for way, least in sorted(ways, key=lambda one: float(one[1].min())):
        some, values = _exact(way, cylinder, least, best)
        picked.append(way.rows[some])
        exact.append(values)
        best = min(best, float(values.min(initial=math.inf)))
    return np.concatenate(picked), np.concatenate(exact)


def _exact(way: Way, cylinder: Floats, least: Floats, best: float) -> tuple[NDArray[np.intp], Floats]:
    """Measure every row that may touch, then the others from the lowest bound on until none can come nearer than `best`."""
    order = np.argsort(least, kind="stable")
    may_touch = int(np.searchsorted(least[order], TOUCH_MM, side="right"))
    picked, exact = [], []
    at, batch = 0, _FIRST_BATCH
    while at < len(order) and math.isfinite(least[order[at]]) and (at < may_touch or least[order[at]] < best - EQUAL_MM):
        some = order[at : max(may_touch, at + batch)] if at == 0 else order[at : at + batch]
        batch = min(2 * batch, _BATCH)
        out = np.empty(len(some))
        clearances(np.ascontiguousarray(way.begin[some]), np.ascontiguousarray(way.end[some]), way.pieces, cylinder, TURNS, out)
        picked.append(some)
        exact.append(out)
        best = min(best, float(out.min()))
        at += len(some)
    if not picked:
        return np.zeros(0, np.intp), np.zeros(0)
    return np.concatenate(picked), np.concatenate(exact)


def _approach(course: Course, name: str, rows: NDArray[np.intp], values: Floats) -> Approach:
    if len(rows) == 0:
        return Approach(name, math.nan, "", 0)
    # of equal ones the earliest row, so that the answer depends on nothing but the program
    k = np.lexsort((rows, values))[0]
    return Approach(name, float(values[k]), *course.place(int(rows[k])))


def frustums(shape: CutterShape) -> Floats:
    """Return a cutter as a stack of frustums (m, 4): heights h1, h2 over the tip and radii r1, r2; never inside the outline."""
    rows = [row for profile in (shape.edge, shape.body) for row in _frustums(profile)]
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


def _frustums(profile: Profile) -> list[tuple[float, float, float, float]]:
    rows = []
    for k in range(len(profile.r_mm) - 1):
        r1, r2, h1, h2 = profile.r_mm[k], profile.r_mm[k + 1], profile.h_mm[k], profile.h_mm[k + 1]
        centre = (profile.centre_r_mm[k], profile.centre_h_mm[k])
        if math.isnan(centre[0]):
            if h2 > h1 or len(profile.r_mm) == 2:
                rows.append((h1, h2, r1, r2))
            continue
        radius = math.hypot(r1 - centre[0], h1 - centre[1])
        first, last = math.atan2(h1 - centre[1], r1 - centre[0]), math.atan2(h2 - centre[1], r2 - centre[0])
        count = max(1, math.ceil(abs(last - first) / (2.0 * math.acos(max(0.0, 1.0 - CHORD_MM / max(radius, CHORD_MM))))))
        angles = np.linspace(first, last, count + 1)
        r, h = centre[0] + radius * np.cos(angles) + CHORD_MM, centre[1] + radius * np.sin(angles)
        rows += [(h[j], h[j + 1], r[j], r[j + 1]) for j in range(count)]
    return rows
