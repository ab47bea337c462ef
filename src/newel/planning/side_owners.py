"""Which side cuts which place of the surface, and the heights that matter there: the part's flats, its top, the bar's top."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from newel.core.frames import turn_about_x
from newel.core.job import Section
from newel.core.plan import Side
from newel.geometry.solids import section_corners
from newel.planning.side_bench import SideBench
from newel.planning.side_reach import LEVEL, UPRIGHT
from newel.planning.sides import turned

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SAME_MM = 0.02
FLAT_SHARE = 2e-4  # of the surface: smaller flats are not faced for their own sake


class Sort(IntEnum):
    """What sort of surface a place is, at the side that owns it."""

    NONE = 0
    FLOOR = 1
    WALL = 2
    SLOPE = 3
    HOLE = 4


@dataclass(frozen=True)
class Owned:
    """Which side owns each sample place (n,), -1 none, and what sort of surface it is there."""

    side: NDArray[np.int64]
    sort: NDArray[np.uint8]


@dataclass(frozen=True)
class Level:
    """A flat that faces straight up at a side: its height and its box (x0, x1, y0, y1) in the table frame."""

    z_mm: float
    area_mm2: float
    box: tuple[float, float, float, float]


def owners(bench: SideBench, sides: Sequence[Side], in_holes: Bools) -> Owned:
    """Tell which side cuts each sample place best: floors, then walls, then slopes; of equals where it stands highest."""
    sample, n = bench.sample, len(bench.sample.points)
    touched = np.array([bench.touched_at(side.turn_deg) for side in sides])
    best, side_of, sort = np.full(n, -np.inf), np.full(n, -1, np.int64), np.zeros(n, np.uint8)
    for k, side in enumerate(sides):
        z, up = turned(sample.points, side.turn_deg)[:, 2], turned(sample.normals, side.turn_deg)[:, 2]
        here = np.where(up >= LEVEL, Sort.FLOOR, np.where(np.abs(up) <= UPRIGHT, Sort.WALL, Sort.SLOPE))
        score = (
            np.where(here == Sort.FLOOR, 3.0, np.where(here == Sort.WALL, 2.0, 0.5 + up))
            + 1e-3 * z / bench.placed.part_radius_mm
        )
        better = touched[k] & (score > best)
        best[better], side_of[better], sort[better] = score[better], k, here[better]
    sort[in_holes] = Sort.HOLE
    return Owned(side_of, sort)


def levels(bench: SideBench, turn_deg: float) -> list[Level]:
    """Return the flats that face straight up at a turn, the highest first."""
    found = []
    for flat in bench.features.flats:
        normal = turned(flat.normal[None, :], turn_deg)[0]
        if normal[2] < LEVEL or flat.area_mm2 < FLAT_SHARE * bench.sample.area_mm2:
            continue
        p = turned(bench.part.vertices[np.unique(bench.part.faces[flat.faces])], turn_deg)
        box = (float(p[:, 0].min()), float(p[:, 0].max()), float(p[:, 1].min()), float(p[:, 1].max()))
        found.append(Level(float(np.mean(p[:, 2])), flat.area_mm2, box))
    return sorted(found, key=lambda level: (-level.z_mm, level.box))


def tops(bench: SideBench, turn_deg: float) -> tuple[float, float]:
    """Return the heights of the part's highest place and of the bar's at a turn."""
    part = float(turned(bench.part.vertices, turn_deg)[:, 2].max())
    return part, float(_outline(bench, turn_deg)[:, 1].max())


def half_width_mm(bench: SideBench, turn_deg: float, above_z_mm: float) -> float:
    """Return how far to either side of the axis the bar as sawn reaches above a height at a turn; 0 where it is lower."""
    line = _outline(bench, turn_deg)
    after = np.roll(line, -1, axis=0)
    part = np.linspace(0.0, 1.0, 33)[:, None, None]
    places = (line + part * (after - line)).reshape(-1, 2)
    some = places[places[:, 1] >= above_z_mm]
    return float(np.abs(some[:, 0]).max()) + 0.1 if len(some) else 0.0


def _outline(bench: SideBench, turn_deg: float) -> Floats:
    """Return the corners (k, 2) of the bar's section, y and z, at a turn; a round bar's as 180 of them."""
    bar = bench.bar
    if bar.section is Section.ROUND:
        angle = np.radians(2.0 * np.arange(180))
        corners = 0.5 * bar.size_mm[0] * np.column_stack([np.cos(angle), np.sin(angle)])
    else:
        corners = section_corners(bar.section, bar.size_mm) @ turn_about_x(bar.turned_deg)[1:, 1:].T
    return corners @ turn_about_x(turn_deg)[1:, 1:].T
