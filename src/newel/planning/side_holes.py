"""Round holes square to the cutter: which side makes which, with which cutter, in one go or from both ends."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import Infeasible
from newel.core.plan import CutKind, Hole, Side
from newel.core.profile import outline
from newel.core.units import mm
from newel.geometry.drop import drop
from newel.geometry.features import RoundFace
from newel.planning.side_bench import SideBench
from newel.planning.side_threads import WHOLE_DEG, asks_for, thread_mill
from newel.planning.sides import SQUARE_DEG, apart_deg, turned, up_deg
from newel.shop.cutters import Form
from newel.shop.iso_threads import thread_for_bore

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

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

    Of the cutters that would do, a hole gets the one that serves most holes, and of those the widest. Raises Infeasible where
    a hole shall have a thread that nothing at hand can mill.
    """
    made = np.zeros(len(bench.sample.points), bool)
    wanted: list[_Choice] = []
    threads: dict[tuple[int, CutKind, str, float], list[Hole]] = {}
    for bore in bench.features.rounds:
        pitch = _pitch(bench, bore)
        if not bore.hollow or bore.around_deg < WHOLE_DEG or (abs(bore.axis[0]) > ACROSS and pitch is None):
            continue
        ways = _ways(bench, bore, sides)
        if pitch is not None:
            k, mill, threaded = thread_mill(bench, ways, sides)
            threads.setdefault((k, CutKind.THREAD, mill, round(threaded.diameter_mm, 3)), []).append(threaded)
        choices = _choices(bench, ways, sides)
        if pitch is not None and not choices and not any(_opens(bench, hole, sides[k].turn_deg) for k, hole in ways):
            raise _not_opened(ways[0][1])
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
    found |= threads
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


def _ways(bench: SideBench, bore: RoundFace, sides: Sequence[Side]) -> list[tuple[int, Hole]]:
    """Return the sides at which a bore stands upright and open above, and how it stands there."""
    ways = []
    for k, side in enumerate(sides):
        for way in (1.0, -1.0):
            if abs(bore.axis[0]) <= ACROSS and apart_deg(up_deg(way * bore.axis), side.turn_deg) <= SQUARE_DEG:
                hole = _hole_at(bench, bore, side.turn_deg)
                if hole is not None:
                    ways.append((k, hole))
    return ways


def _choices(bench: SideBench, ways: Sequence[tuple[int, Hole]], sides: Sequence[Side]) -> list[_Choice]:
    """Return how a bore is made: from one side alone if that can be, else both halves; nothing where neither can."""
    for k, hole in ways:
        options = _options(bench, hole, sides[k].turn_deg)
        if options:
            return [_Choice(k, sides[k].turn_deg, hole, options)]
    if len(ways) < 2 or not all(hole.through for _, hole in ways):
        return []
    halves = []
    for k, hole in ways[:2]:
        middle = 0.5 * (hole.top_z_mm + hole.floor_z_mm) - MEET_MM
        half = replace(hole, floor_z_mm=middle, through=False)
        halves.append(_Choice(k, sides[k].turn_deg, half, _options(bench, half, sides[k].turn_deg)))
    return halves if all(half.options for half in halves) else []


def _hole_at(bench: SideBench, bore: RoundFace, turn_deg: float) -> Hole | None:
    """Describe a bore as it stands at a turn; None where it is not open above."""
    ends = turned(np.array([bore.point + bore.from_mm * bore.axis, bore.point + bore.to_mm * bore.axis]), turn_deg)
    top, floor = float(ends[:, 2].max()), float(ends[:, 2].min())
    needle = outline((0.0, 0.0), (0.01, 0.0), (0.01, 1000.0))
    under = float(drop(bench.grounds.bare, needle, float(ends[0, 0]), float(ends[0, 1]), turn_deg))
    if under > floor + 0.1:
        return None
    pitch, diameter = _pitch(bench, bore), 2.0 * bore.radius_mm
    if pitch is not None:
        # a hole modelled as wide as the thread is outside gets the thread's own bore
        sizes = thread_for_bore(diameter, pitch, where="[[thread]] pitch_mm")
        diameter = sizes.D1 if diameter >= sizes.d2 else diameter
    return Hole(float(ends[0, 0]), float(ends[0, 1]), top, floor, diameter, under < floor - 0.05, pitch)


def _pitch(bench: SideBench, bore: RoundFace) -> float | None:
    """Return the pitch of the thread that the job asks for in holes of this diameter."""
    for thread in bench.job.threads:
        if asks_for(thread, bore):
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
        wide = hole.diameter_mm > WIDEST_OVER_DC * bench.cutters[name].DC + 1e-3
        if not wide and _goes_round(bench, name, hole, turn_deg):
            found.append((CutKind.BORE, name))
    return tuple(found)


def _goes_round(bench: SideBench, name: str, hole: Hole, turn_deg: float) -> bool:
    """Tell whether a flat cutter goes round in a hole, at its floor, clear of everything."""
    cutter = bench.cutters[name]
    if hole.diameter_mm < NARROWEST_OVER_DC * cutter.DC:
        return False
    aside = 0.5 * (hole.diameter_mm - cutter.DC) - 0.02
    return all(
        bench.stands_clear(name, hole.x_mm + aside * c, hole.y_mm + aside * s, hole.floor_z_mm + 0.02, turn_deg)
        for c, s in ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))
    )


def _opens(bench: SideBench, hole: Hole, turn_deg: float) -> bool:
    """Tell whether some flat cutter clears a hole, as wide as it may be, down to its floor."""
    return any(_goes_round(bench, name, hole, turn_deg) for name in bench.named(Form.FLAT))


def _not_opened(hole: Hole) -> Infeasible:
    return Infeasible(
        f"a hole of {mm(hole.diameter_mm)} that is to be threaded is {mm(hole.top_z_mm - hole.floor_z_mm, 1)} deep, "
        "and no cutter at hand bores it to its end",
        where="[[thread]]",
        remedy="model it less deep, add a longer cutter (a drill of its diameter, for a through hole), or leave it to a tap",
    )


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
