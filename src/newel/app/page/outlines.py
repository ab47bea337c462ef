"""What a plan shows on the page beside the blank: its sides, the lines its cuts follow, and the surface out of reach.

A plan stands in the bar frame, the page in the set-up's: half a turn about Z from it where X runs toward the chuck.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from newel.app.documents import tidy
from newel.app.page.packing import Pack
from newel.core.frames import turn_about_x
from newel.core.plan import Cut, Hole, Plan
from newel.core.reach import ReachMap
from newel.core.setup import SetUp
from newel.geometry.radial_map import MapGrid
from newel.proof.course import Course

Floats = NDArray[np.float64]

RING_POINTS = 25  # of a hole's outline: first and last are one
OFF_MM = 0.25  # marks of what is out of reach stand so far off the surface that they are not drawn half inside it
FAR_MM = 4.0  # a place of the surface farther from every place asked was not asked
NO_SIDE = 255


def plan_facts(plan: Plan, setup: SetUp) -> dict[str, Any]:
    """Return sides with their reasons, and the reasons of what is out of reach with their shares of the surface."""
    reach = plan.reach
    return {
        "sides": [{**tidy(side), "turn_deg": tidy(setup.along_x * side.turn_deg % 360.0)} for side in plan.sides],
        "reach": None
        if reach is None
        else {"reasons": list(reach.reasons), "shares": [tidy(float(share)) for share in reach.shares()]},
    }


def outline_pack(plan: Plan, setup: SetUp) -> Pack:
    """Return what cuts follow as polylines in the set-up's frame: outlines of holes, edges to bevel, lines to engrave.

    `points` (n, 3); piece k is points `begins[k]` to `begins[k + 1]`, of the plan's cut `cut[k]` (from 0).
    """
    lines = [(k, line) for k, cut in enumerate(plan.cuts) for line in _lines_of(cut)]
    pack = Pack("outlines.bin")
    pack.add("points", np.vstack([np.zeros((0, 3)), *(line * as_seen(setup) for _, line in lines)]).astype(np.float32))
    pack.add("begins", np.cumsum([0, *(len(line) for _, line in lines)]).astype(np.uint32))
    pack.add("cut", np.array([k for k, _ in lines], dtype=np.uint32))
    return pack


def reach_pack(reach: ReachMap, setup: SetUp) -> Pack:
    """Return the places that nothing reaches, just over the surface, each with the number of its reason."""
    lost = reach.why > 0
    pack = Pack("reach.bin")
    pack.add("points", ((reach.points[lost] + OFF_MM * reach.normals[lost]) * as_seen(setup)).astype(np.float32))
    pack.add("why", np.minimum(reach.why[lost], NO_SIDE).astype(np.uint8))
    return pack


def side_cells(reach: ReachMap | None, setup: SetUp, heights_mm: Floats, cells: MapGrid) -> NDArray[np.uint8]:
    """Return for each cell of a part's development, (na, nx) heights, which side reaches the place there first."""
    found = np.full(heights_mm.shape, NO_SIDE, np.uint8)
    if reach is None:
        return found
    row, column = np.nonzero(heights_mm > 0.0)
    outward = cells.outward[row]
    places = np.column_stack([cells.x_mm[column], outward * heights_mm[row, column][:, None]])
    far, near = cKDTree(reach.points * as_seen(setup)).query(places, distance_upper_bound=FAR_MM)
    told = np.isfinite(far)
    by = reach.reached_by[near[told]]
    found[row[told], column[told]] = np.where(by < 0, NO_SIDE, by)
    return found


def cut_rows(plan: Plan, course: Course, programs: tuple[tuple[str, str], ...]) -> list[dict[str, Any]]:
    """Return for each cut of the plan its first row, the row after its last, and its minutes; rows -1 where it is not found.

    A program of ours names each cut in a comment before it; one of someone else's does not.
    """
    heads: list[tuple[int, str]] = []
    for number, (_, text) in enumerate(programs):
        mine = np.flatnonzero(course.program == number)
        for line, words in enumerate(text.splitlines(), start=1):
            if words.startswith("(") and len(mine):
                at = int(np.searchsorted(course.motion.line[mine], line))
                if at < len(mine):
                    heads.append((int(mine[at]), _bare(words)))
    names = [_bare(cut.name) for cut in plan.cuts]
    begins: dict[int, int] = {}
    for row, words in heads:
        k = next((k for k, name in enumerate(names) if k not in begins and words.endswith(name)), None)
        if k is not None:
            begins[k] = row
    order = sorted(begins.values())
    ends = dict(pairwise([*order, len(course)]))
    minutes = np.concatenate([[0.0], np.cumsum(np.nan_to_num(course.minutes))])
    return [
        {"first": begins[k], "last": ends[begins[k]], "minutes": tidy(float(minutes[ends[begins[k]]] - minutes[begins[k]]))}
        if k in begins
        else {"first": -1, "last": -1, "minutes": None}
        for k in range(len(plan.cuts))
    ]


def as_seen(setup: SetUp) -> Floats:
    """Return what the coordinates of a place in the bar frame are multiplied by: the set-up's frame, or half a turn about Z."""
    return np.array([setup.along_x, setup.along_x, 1.0])


def _lines_of(cut: Cut) -> list[Floats]:
    back = turn_about_x(-cut.turn_deg) if cut.turn_deg is not None else np.eye(3)
    rings = [_ring(hole) @ back.T for hole in cut.holes]
    return [*rings, *(edge.points for edge in cut.edges), *cut.lines]


def _ring(hole: Hole) -> Floats:
    turn = np.linspace(0.0, 2.0 * np.pi, RING_POINTS)
    radius = hole.diameter_mm / 2.0
    return np.column_stack(
        [
            hole.x_mm + radius * np.cos(turn),
            hole.y_mm + radius * np.sin(turn),
            np.full(RING_POINTS, hole.top_z_mm),
        ]
    )


def _bare(text: str) -> str:
    """Return letters and digits only: comments of a program can't hold every character of a name."""
    return re.sub(r"[^A-Za-z0-9]+", "", text)
