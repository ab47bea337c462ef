"""Bodies against the finished part: neck, shank, holder and spindle must stay clear of it, by drops of the body's outline.

The carving already tells a body that stands in material, and the part is what the material becomes; this second look
is at the exact model and not at a grid, and it gives the closest approach. It asks at the ends of every row, and inside
long ones so often that nothing moves further than STEP_MM between two questions. How near is measured only where it is nearer
than what was measured before; of all others it is enough that they are not.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.profile import Profile
from newel.core.units import mm
from newel.geometry.drop import DropTree, drop, drop_tree, stands_clear
from newel.proof.course import Course, findings_at
from newel.proof.results import Approach

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STEP_MM = 0.5
SLACK_MM = 0.005  # the body is taken this much smaller all round, as in the carving: it fits into its own edge's slot
ROUNDING_MM = 1e-6  # a body that rests on the part to the last digit of a program is no strike
FEW = 64  # of so many questions one is answered first, to know what is near
EQUAL_MM = 1e-6  # what can only come nearer by less is not measured
WATCH_MM = 5.0  # approaches further than this are not measured
MOST_QUESTIONS = 2_000_000


def part_strike_findings(course: Course, vertices: Floats, faces: Ints) -> tuple[list[Finding], tuple[Approach, ...]]:
    """Return strikes of bodies on the part, and how near (straight down) any body came to it: 'part' among the approaches."""
    radius = float(np.hypot(vertices[:, 1], vertices[:, 2]).max())
    clear = np.full(len(course), np.inf)
    tree: DropTree | None = None
    for number, cutter in sorted(course.cutters.items()):
        body = _smaller(cutter.shape.body)
        lowest = float(body.h_mm[0])
        down = np.minimum(course.begin[:, 2], course.end[:, 2])
        reach = body.radius_mm
        between = (np.minimum(course.begin[:, 0], course.end[:, 0]) <= vertices[:, 0].max() + reach) & (
            np.maximum(course.begin[:, 0], course.end[:, 0]) >= vertices[:, 0].min() - reach
        )
        rows = np.flatnonzero(
            course.known & course.moves & between & (course.motion.cutter == number) & (down + lowest < radius + WATCH_MM)
        )
        if len(rows) == 0:
            continue
        tree = tree if tree is not None else drop_tree(vertices, faces)
        for some in np.array_split(rows, max(1, len(rows) // 50_000)):
            places, owner = _places(course, some, radius)
            first = np.arange(len(places)) % FEW == 0
            _measure(tree, body, places[first], owner[first], clear)
            near = ~first & _nearer(tree, body, places, float(clear.min()))
            _measure(tree, body, places[near], owner[near], clear)
    rows = np.flatnonzero(clear < -ROUNDING_MM)
    found = findings_at(
        course,
        "body-strikes-part",
        rows,
        lambda row: f"cutter {course.motion.cutter[row]} stands {mm(-clear[row])} too low: its body meets the part",
        measured=clear[rows],
        limit=0.0,
        unit="mm",
    )
    if not np.isfinite(clear).any():
        return found, (Approach("part", math.nan, "", 0),)
    row = int(np.argmin(clear))
    return found, (Approach("part", max(0.0, float(clear[row])), *course.place(row)),)


def _measure(tree: DropTree, body: Profile, places: Floats, owner: NDArray[np.intp], clear: Floats) -> None:
    """Measure how far poses (k, 4) stand clear, and let the rows that own them, of `clear` (n,), know."""
    np.minimum.at(clear, owner, places[:, 2] - drop(tree, body, places[:, 0], places[:, 1], places[:, 3]))


def _nearer(tree: DropTree, body: Profile, places: Floats, least_mm: float) -> NDArray[np.bool_]:
    """Tell which poses (k, 4) strike, or come nearer than `least_mm`: a quicker question than how near."""
    if not np.isfinite(least_mm):
        return np.ones(len(places), bool)
    as_near = places[:, 2] - max(least_mm, 0.0) - EQUAL_MM
    return ~stands_clear(tree, body, places[:, 0], places[:, 1], as_near, places[:, 3])


def _smaller(body: Profile) -> Profile:
    """Return the body's outline, SLACK_MM smaller in radius and beginning SLACK_MM higher."""
    r, h = np.maximum(body.r_mm - SLACK_MM, 0.0), body.h_mm.copy()
    h[h <= h[0] + SLACK_MM] = h[0] + SLACK_MM
    return Profile(r, h, body.centre_r_mm - SLACK_MM, body.centre_h_mm.copy())


def _places(course: Course, rows: NDArray[np.intp], radius_mm: float) -> tuple[Floats, NDArray[np.intp]]:
    """Return poses along rows (k, 4), both ends included, and the row of each (k,)."""
    begin, end = course.begin[rows], course.end[rows]
    step = end - begin
    way = np.linalg.norm(step[:, :3], axis=1) + np.abs(np.radians(step[:, 3])) * radius_mm
    count = np.maximum(1, np.ceil(way / STEP_MM)).astype(np.int64)
    if count.sum() > MOST_QUESTIONS:
        count = np.maximum(1, count * MOST_QUESTIONS // int(count.sum()))
    owner = np.repeat(np.arange(len(rows)), count + 1)
    first = np.concatenate([[0], np.cumsum(count + 1)[:-1]])
    share = (np.arange(len(owner)) - first[owner]) / count[owner]
    return begin[owner] + share[:, None] * step[owner], rows[owner]
