"""What the turning cuts come to, where the cutter must be set off beside the axis for it, and when a part is refused.

A cutter over the rotary axis sees only what nothing stands over, looked at from the axis. Set off sideways, or let down past
the axis, it comes to more. A few such rest cuts are chosen greedily from a sample of the surface; a part that still
keeps more than the proof lets pass is refused before anything is made, with the place and what to do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import Infeasible
from newel.core.plan import Decision, Holding, Placement
from newel.core.profile import CutterShape
from newel.core.units import mm
from newel.planning.reach import Standing, SurfaceSample, around_reach, tilted_reach
from newel.shop.cutters import Cutter, Form

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ENOUGH_PCT = 98.0  # of the surface that cutters could come to: what a proof asks to lie within tolerance
AIM_PCT = 98.8  # what rest cuts are added up to: the sample knows nothing of stock that stands in a body's way
MOST_ASIDES = 8  # more would be an hour of cutting for a per cent each (our own rule)
GAIN_PCT = 0.15  # an aside must bring at least this much
OFFSET_SHARES = (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.7)  # of the part's radius, to both sides
FAN_DEG = (0.0, 15.0, -15.0, 30.0, -30.0, 45.0, -45.0, 60.0, -60.0, 75.0, -75.0)
EVERY_THIRD = 3
TOUCH_SHARE = 0.9  # of the tolerance: what could only just be touched is not held against a plan
LARGEST_TIP_MM = 2.0  # radius of the stoutest ball that is set aside: hollows are narrow
SLENDER_TIP_MM = 0.8  # balls of less are for what the stouter ones leave
ALIKE = 0.85  # a cutter that brings this share of the best gain is preferred where it is stouter or at hand already
_FORMS = (Form.BALL, Form.TAPERED_BALL)


class ShortOfReach(Infeasible):
    """Too much of the part would be left standing as it lies, its model `axis` along the bar: another way may do."""

    axis = ""


@dataclass(frozen=True)
class Scene:
    """A held part as cutters come to it: the target, points spread over the part without its seats, and what may cut."""

    standing: Standing
    sample: SurfaceSample
    part_radius_mm: float
    cutters: Mapping[str, Cutter]
    shapes: Mapping[str, CutterShape]
    tolerance_mm: float


@dataclass(frozen=True)
class Aside:
    """A rest cut with the axis of the cutter set off: which cutter, how far, and the share of the surface it brings."""

    cutter: str
    offset_y_mm: float
    gain_pct: float


@dataclass(frozen=True)
class Coverage:
    """Which points of the sample (n,) the planned cuts come to, and which any cutter comes to from any side."""

    covered: Bools
    reachable: Bools

    @property
    def pct(self) -> float:
        """Share of the reachable points that are covered, in per cent."""
        return 100.0 * float(self.covered.sum()) / max(float(self.reachable.sum()), 1.0)


def without_seats(sample: SurfaceSample, holding: Holding) -> SurfaceSample:
    """Return the sample without what stubs stand on."""
    points, keep = sample.points, np.ones(len(sample.points), dtype=bool)
    radius = np.hypot(points[:, 1], points[:, 2])
    for stub in (holding.chuck_stub, holding.tail_stub):
        if stub is not None:
            along = (points[:, 0] > stub.from_x_mm - 0.1) & (points[:, 0] < stub.to_x_mm + 0.1)
            keep &= ~(along & (radius < stub.radius_mm + 0.1))
    return SurfaceSample(points[keep], sample.normals[keep], sample.area_mm2 * float(keep.mean()))


def coverage(scene: Scene, names: Sequence[str], offset_y_mm: float) -> Coverage:
    """Return what finishing with some cutters (balls, at one offset, over the axis) covers."""
    covered = np.zeros(len(scene.sample.points), dtype=bool)
    for name in names:
        radius = scene.cutters[name].RE
        if radius > 0.0:
            left = around_reach(scene.sample, scene.standing, scene.shapes[name], radius, offset_y_mm)
            covered |= left <= scene.tolerance_mm
    reachable = covered.copy()
    # neighbours in fineness come to nearly the same: every third is asked, the finest first
    for name in sorted(_balls(scene), key=lambda name: (scene.cutters[name].RE, name))[::EVERY_THIRD]:
        for tilt in FAN_DEG:
            rest = np.flatnonzero(~reachable)
            if len(rest) == 0:
                break
            some = _some(scene.sample, rest)
            left = tilted_reach(some, scene.standing, scene.shapes[name], scene.cutters[name].RE, tilt)
            reachable[rest] = left <= TOUCH_SHARE * scene.tolerance_mm
    return Coverage(covered, reachable)


def choose_asides(scene: Scene, found: Coverage, at_hand: Sequence[str]) -> tuple[tuple[Aside, ...], Coverage]:
    """Choose rest cuts until the aim is met or nothing is gained; return them, stout cutters first, and the coverage then."""
    open_to = np.flatnonzero(found.reachable & ~found.covered)
    total = max(float(found.reachable.sum()), 1.0)
    some = _some(scene.sample, open_to)
    brings: dict[tuple[str, float], Bools] = {}
    for name in _balls(scene):
        if scene.cutters[name].RE > LARGEST_TIP_MM:
            continue
        for share in OFFSET_SHARES:
            for offset in {share * scene.part_radius_mm, -share * scene.part_radius_mm}:
                left = around_reach(some, scene.standing, scene.shapes[name], scene.cutters[name].RE, offset, (1.0, -1.0))
                brings[name, round(offset, 2)] = left <= scene.tolerance_mm
    missing = np.ones(len(open_to), dtype=bool)
    chosen: list[Aside] = []
    ready = set(at_hand)
    for least in (SLENDER_TIP_MM, 0.0):
        while len(chosen) < MOST_ASIDES and 100.0 * missing.sum() / total > 100.0 - _aim(found, total):
            gains = {way: float((mask & missing).sum()) for way, mask in brings.items() if least <= scene.cutters[way[0]].RE}
            best = max(gains.values(), default=0.0)
            # the stouter half of the work must bring more, or slender cutters would have nothing left to be chosen for
            if 100.0 * best / total < GAIN_PCT * (3.0 if least > 0.0 else 1.0):
                break
            near = [way for way, gain in gains.items() if gain >= ALIKE * best]
            way = max(near, key=lambda w: (w[0] in ready, scene.cutters[w[0]].RE, gains[w], -abs(w[1]), w[1]))
            chosen.append(Aside(*way, 100.0 * gains[way] / total))
            missing &= ~brings[way]
            ready.add(way[0])
    covered = found.covered.copy()
    covered[open_to[~missing]] = True
    return tuple(sorted(chosen, key=lambda item: -scene.cutters[item.cutter].RE)), Coverage(covered, found.reachable)


def _aim(found: Coverage, total: float) -> float:
    """Return the share, in per cent, that all that is open plus all that is covered could come to, capped by the aim."""
    return min(AIM_PCT, 100.0 * float(found.reachable.sum()) / total)


def _balls(scene: Scene) -> list[str]:
    return [name for name, cutter in scene.cutters.items() if cutter.form in _FORMS]


def _some(sample: SurfaceSample, rows: NDArray[np.intp]) -> SurfaceSample:
    return SurfaceSample(sample.points[rows], sample.normals[rows], sample.area_mm2)


def asides_said(asides: Sequence[Aside], before: Coverage, after: Coverage) -> tuple[Decision, ...]:
    """Say which cuts are set aside, and why."""
    if not asides:
        return ()
    ways = "; ".join(f"{item.cutter} at Y {item.offset_y_mm:+.1f} mm" for item in asides)
    because = (
        f"over the axis the cutters come to {before.pct:.1f} % of what could be reached, with these to {after.pct:.1f} %: they "
        "go sideways of what stands over a hollow, and past the axis"
    )
    return (Decision("cuts beside the axis", ways, because, ("cuts over the axis only",)),)


def refuse_where_short(scene: Scene, found: Coverage, placed: Placement) -> None:
    """Raise ShortOfReach where less would be covered than a proof lets pass, saying how much, where, and what to do."""
    if found.pct >= ENOUGH_PCT:
        return
    left = found.reachable & ~found.covered
    points, normals = scene.sample.points[left], scene.sample.normals[left]
    low, high = np.quantile(points[:, 0], [0.05, 0.95])
    model = normals @ placed.bar_from_model[:3, :3]
    means = model.mean(axis=0)
    axis = int(np.argmax(np.abs(means)))
    facing = f"{'-' if means[axis] < 0 else '+'}{'XYZ'[axis]}"
    shape = f"most of it faces the model's {facing}" if abs(means[axis]) > 0.3 else "in hollows on several sides"
    short_of = ShortOfReach(
        f"carved while the bar turns, {100.0 - found.pct:.1f} % of the surface that cutters could reach would be left standing",
        measured=found.pct,
        limit=ENOUGH_PCT,
        unit="%",
        where=f"X {mm(low - placed.part_from_x_mm, 0)} to {mm(high - placed.part_from_x_mm, 0)} along the part "
        f"(from its end at the jaws); {shape}",
        remedy='lay the part another way ([place] axis), cut it side by side (work = "sides"), '
        "make it larger, or divide it into pieces without hollows",
    )
    short_of.axis = "xyz"[int(np.argmax(np.abs(placed.bar_from_model[0, :3])))]
    raise short_of
