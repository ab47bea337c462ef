"""Round holes square to the cutter: which side makes which, with which cutter, in one go or from both ends."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.plan import CutKind, Hole, Side
from newel.core.profile import outline
from newel.geometry.drop import drop
from newel.geometry.features import RoundFace
from newel.planning.side_bench import SideBench
from newel.planning.sides import SQUARE_DEG, apart_deg, turned, up_deg
from newel.shop.cutters import Form

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WHOLE_DEG = 300.0  # a bore of less turn than this is a rounded corner, not a hole
ACROSS = 0.002
WIDEST_OVER_DC = 4.0  # rings of helixes; wider holes are cleared and profiled like pockets (common practice)
NARROWEST_OVER_DC = 1.1  # chips must get out
DRILL_FITS_MM = 0.05  # a drill of this much more or less makes the hole by itself: the tolerance of the bore
MEET_MM = 0.3  # how far two half bores overlap


@dataclass(frozen=True)
class HoleCut:
    """Holes of one size made at one side with one cutter."""

    side: int
    kind: CutKind
    cutter: str
    holes: tuple[Hole, ...]


@dataclass(frozen=True)
class HolePlan:
    """The hole cuts, and which sample places (n,) they make."""

    cuts: tuple[HoleCut, ...]
    made: Bools


def plan_holes(bench: SideBench, sides: Sequence[Side]) -> HolePlan:
    """Plan every round hole that stands upright at some side and that a drill or a helix makes.

    Of the cutters that would do, a hole gets the one that serves most holes, and of those the widest.
    """
    made = np.zeros(len(bench.sample.points), bool)
    wanted: list[_Choice] = []
    for bore in bench.features.rounds:
        if not bore.hollow or bore.around_deg < WHOLE_DEG or abs(bore.axis[0]) > ACROSS:
            continue
        choices = _choices(bench, bore, sides)
        wanted += choices
        if choices:
            made |= _on_hole(bench, bore)
    serves = Counter(name for choice in wanted for _, name in choice.options)
    found: dict[tuple[int, CutKind, str, float], list[Hole]] = {}
    for choice in wanted:
        kind, name = max(
            choice.options, key=lambda way: (way[0] is CutKind.DRILL, serves[way[1]], bench.cutters[way[1]].DC, way[1])
        )
        found.setdefault((choice.side, kind, name, round(choice.hole.diameter_mm, 3)), []).append(choice.hole)
        if choice.hole.pitch_mm is not None:
            _thread_too(bench, choice, found)
    cuts = [HoleCut(side, kind, cutter, tuple(holes)) for (side, kind, cutter, _), holes in sorted(found.items(), key=_key)]
    return HolePlan(tuple(cuts), made)


@dataclass(frozen=True)
class _Choice:
    """One hole, or half of one, at one side, and the ways of making it: kind and cutter."""

    side: int
    turn_deg: float
    hole: Hole
    options: tuple[tuple[CutKind, str], ...]


def _key(item: tuple[tuple[int, CutKind, str, float], list[Hole]]) -> tuple[int, str, str, float]:
    (side, kind, cutter, diameter), _ = item
    return side, kind.value, cutter, diameter


def _choices(bench: SideBench, bore: RoundFace, sides: Sequence[Side]) -> list[_Choice]:
    """Return how a bore is made: from one side alone if that can be, else both halves; nothing where neither can."""
    ways = []
    for k, side in enumerate(sides):
        for way in (1.0, -1.0):
            if apart_deg(up_deg(way * bore.axis), side.turn_deg) <= SQUARE_DEG:
                hole = _hole_at(bench, bore, side.turn_deg)
                if hole is not None:
                    ways.append((k, hole))
    for k, hole in ways:
        options = _options(bench, hole, sides[k].turn_deg)
        if options:
            return [_Choice(k, sides[k].turn_deg, hole, options)]
    if len(ways) < 2 or not all(hole.through for _, hole in ways):
        return []
    halves = []
    for k, hole in ways[:2]:
        middle = 0.5 * (hole.top_z_mm + hole.floor_z_mm) - MEET_MM
        half = Hole(hole.x_mm, hole.y_mm, hole.top_z_mm, middle, hole.diameter_mm, False, hole.pitch_mm)
        halves.append(_Choice(k, sides[k].turn_deg, half, _options(bench, half, sides[k].turn_deg)))
    return halves if all(half.options for half in halves) else []


def _thread_too(bench: SideBench, choice: _Choice, found: dict[tuple[int, CutKind, str, float], list[Hole]]) -> None:
    """Add the thread of a hole, with the widest thread mill that is made for its pitch and goes in."""
    hole = choice.hole
    for name in bench.named(Form.THREAD_MILL):
        cutter = bench.cutters[name]
        if (cutter.TP or 0.0) >= (hole.pitch_mm or 0.0) and hole.diameter_mm >= NARROWEST_OVER_DC * cutter.DC:
            found.setdefault((choice.side, CutKind.THREAD, name, round(hole.diameter_mm, 3)), []).append(hole)
            return


def _hole_at(bench: SideBench, bore: RoundFace, turn_deg: float) -> Hole | None:
    """Describe a bore as it stands at a turn; None where it is not open above."""
    ends = turned(np.array([bore.point + bore.from_mm * bore.axis, bore.point + bore.to_mm * bore.axis]), turn_deg)
    top, floor = float(ends[:, 2].max()), float(ends[:, 2].min())
    needle = outline((0.0, 0.0), (0.01, 0.0), (0.01, 1000.0))
    under = float(drop(bench.grounds.bare, needle, float(ends[0, 0]), float(ends[0, 1]), turn_deg))
    if under > floor + 0.1:
        return None
    return Hole(
        float(ends[0, 0]), float(ends[0, 1]), top, floor, 2.0 * bore.radius_mm, under < floor - 0.05, _pitch(bench, bore)
    )


def _pitch(bench: SideBench, bore: RoundFace) -> float | None:
    """Return the pitch of the thread that the job asks for in holes of this diameter."""
    for thread in bench.job.threads:
        if abs(thread.hole_diameter_mm - 2.0 * bore.radius_mm) <= DRILL_FITS_MM:
            return thread.pitch_mm
    return None


def _options(bench: SideBench, hole: Hole, turn_deg: float) -> tuple[tuple[CutKind, str], ...]:
    """Return the drills that make the hole by themselves, and the flat cutters whose helix does."""
    found = []
    for name in bench.named(Form.DRILL):
        fits = abs(bench.cutters[name].DC - hole.diameter_mm) <= DRILL_FITS_MM and hole.through
        if fits and bench.stands_clear(name, hole.x_mm, hole.y_mm, hole.floor_z_mm, turn_deg):
            found.append((CutKind.DRILL, name))
    for name in bench.named(Form.FLAT):
        cutter = bench.cutters[name]
        if not NARROWEST_OVER_DC * cutter.DC <= hole.diameter_mm <= WIDEST_OVER_DC * cutter.DC + 1e-3:
            continue
        aside = 0.5 * (hole.diameter_mm - cutter.DC) - 0.02
        low = hole.floor_z_mm + 0.02
        if all(
            bench.stands_clear(name, hole.x_mm + aside * c, hole.y_mm + aside * s, low, turn_deg)
            for c, s in ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))
        ):
            found.append((CutKind.BORE, name))
    return tuple(found)


def _on_hole(bench: SideBench, bore: RoundFace) -> Bools:
    """Tell which sample places lie on the bore's wall, or on its floor."""
    from_point = bench.sample.points - bore.point
    along = from_point @ bore.axis
    radial = from_point - along[:, None] * bore.axis
    r = np.linalg.norm(radial, axis=1)
    between = (along >= bore.from_mm - 0.05) & (along <= bore.to_mm + 0.05)
    wall = np.abs(r - bore.radius_mm) <= 0.05
    level = np.abs(bench.sample.normals @ bore.axis) > 0.999
    at_end = (np.abs(along - bore.from_mm) <= 0.05) | (np.abs(along - bore.to_mm) <= 0.05)
    return np.asarray((between & wall & ~level) | (level & at_end & (r <= bore.radius_mm)))
