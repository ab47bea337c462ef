"""The cuts of a part made side by side: face, clear, rest, profile, surface, holes, necks, bevels, each at its side.

Every sample place of the surface is owned by the one chosen side that cuts it best: square floors first, then walls square
to the table, then slopes by how far they face up. What a side owns says how wide and how deep its cuts go.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import Infeasible
from newel.core.job import Direction
from newel.core.plan import Cut, CutKind, Decision, Hole, SharpEdge, Side
from newel.core.units import degrees, mm
from newel.planning.bar_stays import BarStays, bar_stays
from newel.planning.feeds import TERRACE, CuttingData
from newel.planning.hold import CLEARANCE_MM
from newel.planning.side_asks import allowances_of, asked_of
from newel.planning.side_bench import DrillFigures, SideBench
from newel.planning.side_edges import bevels
from newel.planning.side_holes import HoleCut, plan_holes
from newel.planning.side_order import Step, changes, mean_give, ordered, stiffest_order, turns
from newel.planning.side_owners import SAME_MM, Owned, Sort, half_width_mm, levels, owners, tops
from newel.planning.side_reach import UPRIGHT
from newel.planning.sides import SQUARE_DEG, apart_deg, turned
from newel.planning.too_slim import refuse_too_slim
from newel.shop.cutters import Form

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SENSIBLE = 0.8  # a first cutter must reach this share of what the best one reaches; smaller ones take the rest
GAIN_SHARE = 0.0015  # of the whole surface that a further, smaller cutter must gain to be called
WALL_ALLOWANCE_OVER_DC = 0.04  # left on walls for their profile cut, as a share of DC (common practice)
LEAST_ALLOWANCE_MM = 0.15
SLACK_MM = 1.0  # samples end short of the surface's own ends
OVER_END_MM = 0.3  # facing and clearing leave nothing standing so far beyond the part's ends
PAST_END_MM = 0.5  # a round tip goes past the part's ends by less than clearing does, so that it begins where nothing stands
STEEP_DEG = 50.0  # slopes steeper than this are gone round level by level, others crossed row by row (common practice)
LIGHT = 0.7  # cutters that push less than this, over what turns the necks, may still work when the necks are turned
END_CLEAR_MM = 0.005  # past its allowance the end face does not hold up what turns the neck
END_STEP_MM = 0.004  # an end face is turned in turns of the bar that lie within this of it


@dataclass(frozen=True)
class _Bounds:
    """Where a cut may go: the tip along X and across, from what height down to what floor, and the flats left exactly."""

    x_mm: tuple[float, float]
    y_mm: tuple[float, float]
    z_mm: tuple[float, float]
    flats: tuple[float, ...] = ()


@dataclass
class _Draft:
    """The cuts so far, unnumbered, with what orders them."""

    cuts: list[Cut]
    steps: list[Step]

    def add(self, cut: Cut, cutter: str, rank: int, after: Sequence[int] = ()) -> int:
        self.cuts.append(cut)
        self.steps.append(Step(cutter, cut.turn_deg, rank, frozenset(after)))
        return len(self.cuts) - 1


def side_cuts(bench: SideBench, sides: Sequence[Side]) -> tuple[tuple[Cut, ...], tuple[str, ...], tuple[Decision, ...]]:
    """Return the cuts in order, the cutters' names (the first is number 1), and what was decided."""
    holes = plan_holes(bench, sides)
    bench.called.update(item.cutter for item in holes.cuts)
    owned = owners(bench, sides, holes.made)
    draft = _Draft([], [])
    said: list[Decision] = []
    faced = [_face(bench, side, draft) for side in sides]
    faces = [k for k in faced if k is not None]
    cleared: list[list[int]] = []
    for k, side in enumerate(sides):
        chain = _chain(bench, side, owned, k)
        cleared.append(_clear(bench, side, owned, k, chain, draft, faces))
        if chain:
            said.append(_chain_said(bench, side, owned, k, chain))
    said += _room_said(bench, draft)
    first_clears = [steps[0] for steps in cleared if steps]
    finishes: list[int] = []
    for k, side in enumerate(sides):
        finishes += _finish(bench, side, owned, k, draft, [*faces, *first_clears, *cleared[k]])
    for k in finishes:
        if draft.cuts[k].kind is CutKind.PROFILE:
            draft.cuts[k] = _replaced(draft.cuts[k], leaves=_seen_at(draft.cuts[k].turn_deg or 0.0, holes.cuts, sides))
    bores: list[int] = []
    for item in sorted(holes.cuts, key=lambda item: item.kind is CutKind.THREAD):
        before = [*faces, *cleared[item.side], *((*finishes, *bores) if item.kind is CutKind.THREAD else ())]
        bores.append(_hole(bench, sides[item.side], item, draft, before))
    finishes += bores
    late = _ends(bench, draft, [*faces, *(k for steps in cleared for k in steps), *finishes])
    sharp = bevels(bench, sides)
    for k, cutter, edges in sharp:
        _bevel(bench, sides[k], cutter, edges, draft, [*faces, *first_clears, *finishes, *late])
    return _numbered(bench, draft, said)


def _face(bench: SideBench, side: Side, draft: _Draft) -> int | None:
    """Face a side down to its highest flat, where that is the part's highest place there."""
    part_top, bar_top = tops(bench, side.turn_deg)
    top = [level for level in levels(bench, side.turn_deg) if part_top - level.z_mm <= SAME_MM]
    if not top or bar_top - part_top <= 1e-6:
        return None
    name = _facing_cutter(bench)
    data, radius = bench.rough(name), 0.5 * bench.cutters[name].DC
    box = np.array([level.box for level in top])
    # all of the bar that stands over the flat goes, from a place beside it in the air
    y = half_width_mm(bench, side.turn_deg, top[0].z_mm) + radius + SLACK_MM
    cut = _cut(
        bench,
        f"face the side at {degrees(side.turn_deg, 1)} with {name}",
        CutKind.FACE,
        data,
        side.turn_deg,
        _Bounds(
            _free_x(bench, name, float(box[:, 0].min()) - radius, float(box[:, 1].max()) + radius),
            (-y, y),
            (bar_top, top[0].z_mm),
            (top[0].z_mm,),
        ),
        allowance_mm=0.0,
        **_room_to_cut(bench, name),
    )
    return draft.add(cut, name, 0)


def _facing_cutter(bench: SideBench) -> str:
    if bench.job.rough.cutter is not None:
        return bench.job.rough.cutter
    if not bench.named(Form.FLAT):
        raise Infeasible(
            "no flat cutter is at hand, and sides are faced and cleared with one",
            where="cutters",
            remedy="name a flat cutter of the shop in the job file's list, or leave the list out",
        )
    return bench.quickest(bench.named(Form.FLAT))


def _mine(owned: Owned, k: int, *sorts: Sort) -> Bools:
    return (owned.side == k) & np.isin(owned.sort, sorts)


def _below_top(bench: SideBench, side: Side, owned: Owned, k: int, *sorts: Sort) -> Bools:
    """Tell which places of a side lie lower than what facing has made."""
    part_top, _ = tops(bench, side.turn_deg)
    z = turned(bench.sample.points, side.turn_deg)[:, 2]
    return _mine(owned, k, *sorts) & ((z < part_top - SAME_MM) | (owned.sort != Sort.FLOOR))


def _chain(bench: SideBench, side: Side, owned: Owned, k: int) -> list[str]:
    """Choose the flat cutters that clear a side: the largest sensible one first, then smaller ones for what it leaves."""
    wanted = _below_top(bench, side, owned, k, Sort.FLOOR, Sort.WALL, Sort.SLOPE)
    if not wanted.any():
        return []
    z = turned(bench.sample.points[wanted], side.turn_deg)[:, 2]
    least = asked_of(bench, side.turn_deg, (float(z.min()), float(z.max()))).corner_radius_mm or 0.0
    names = [
        name for name in bench.named(Form.FLAT) if bench.cutters[name].centre_cutting and least <= 0.5 * bench.cutters[name].DC
    ]
    return _greedy(bench, side, wanted, names, bench.job.rough.cutter)


def _greedy(bench: SideBench, side: Side, wanted: Bools, names: Sequence[str], asked: str | None) -> list[str]:
    left, chain = wanted.copy(), [asked] if asked else []
    for name in chain:
        left &= ~bench.touches(name, side.turn_deg)
    least = GAIN_SHARE * len(wanted)
    while names:
        gains = {name: int((left & bench.touches(name, side.turn_deg)).sum()) for name in names}
        most = max(gains.values())
        if most < (least if chain else 1):
            break
        good = [name for name in names if gains[name] >= SENSIBLE * most]
        name = bench.quickest(good) if not chain else good[0]
        chain.append(name)
        left &= ~bench.touches(name, side.turn_deg)
    return chain


def _chain_said(bench: SideBench, side: Side, owned: Owned, k: int, chain: Sequence[str]) -> Decision:
    wanted = _below_top(bench, side, owned, k, Sort.FLOOR, Sort.WALL, Sort.SLOPE)
    shares, left = [], wanted.copy()
    for name in chain:
        left &= ~bench.touches(name, side.turn_deg)
        shares.append(f"{name} to {100.0 * (1.0 - left.sum() / wanted.sum()):.1f} %")
    return Decision(
        f"cutters that clear at {degrees(side.turn_deg, 1)}",
        ", then ".join(chain),
        f"the quickest that reaches {SENSIBLE:.0%} of what any does, then smaller ones only for what is left: "
        + ", ".join(shares),
    )


def _clear(
    bench: SideBench, side: Side, owned: Owned, k: int, chain: Sequence[str], draft: _Draft, faces: Sequence[int]
) -> list[int]:
    wanted = _below_top(bench, side, owned, k, Sort.FLOOR, Sort.WALL, Sort.SLOPE)
    part_top, bar_top = tops(bench, side.turn_deg)
    made: list[int] = []
    for i, name in enumerate(chain):
        some = wanted
        for before in chain[:i]:
            some = some & ~bench.touches(before, side.turn_deg)
        reached = some if i == 0 else some & bench.touches(name, side.turn_deg)
        x, y, floor, flats = _room(bench, side, reached, name)
        data = bench.rough(name)
        stays, kept = allowances_of(bench, side.turn_deg, (floor, part_top))
        title = f"clear the side at {degrees(side.turn_deg, 1)} with {name}"
        if i:
            title = f"clear what {chain[i - 1]} left at {degrees(side.turn_deg, 1)} with {name}"
        cut = _cut(
            bench,
            title,
            CutKind.CLEAR,
            data,
            side.turn_deg,
            _Bounds(
                _beside_part(bench, side, reached, name, _free_x(bench, name, *x)),
                y,
                (max(part_top, floor) if _faced(bench, side) else bar_top, floor),
                flats,
            ),
            allowance_mm=max(allowance_mm(bench, name), stays),
            kept=kept,
            rest_over_mm=0.5 * bench.tolerance_mm if i else None,
            **_room_to_cut(bench, name),
        )
        made.append(draft.add(cut, name, 10 + i, [*faces, *made]))
    return made


def _beside_part(bench: SideBench, side: Side, some: Bools, name: str, x_mm: tuple[float, float]) -> tuple[float, float]:
    """Keep the tip over the part, or as far beyond its ends as it must go to touch the places `some` with flank or round.

    What stands beyond the ends is left to what turns them.
    """
    placed, cutter = bench.placed, bench.cutters[name]
    normal = turned(bench.sample.normals[some], side.turn_deg)
    across = np.hypot(normal[:, 0], normal[:, 1])
    flank = np.where(np.abs(normal[:, 2]) <= UPRIGHT, (0.5 * cutter.DC - cutter.RE) / np.maximum(across, UPRIGHT), 0.0)
    tip = bench.sample.points[some, 0] + (cutter.RE + flank) * normal[:, 0]
    past = PAST_END_MM if cutter.RE > 0.0 else SLACK_MM
    return (
        max(x_mm[0], min(placed.part_from_x_mm, float(tip.min())) - past),
        min(x_mm[1], max(placed.part_to_x_mm, float(tip.max())) + past),
    )


def _room_to_cut(bench: SideBench, name: str) -> dict[str, object]:
    deepest, widest = bench.bounded_room_mm(name)
    placed = bench.placed
    wanted = placed.part_from_x_mm - OVER_END_MM, placed.part_to_x_mm + OVER_END_MM  # what turns the ends takes the rest
    return {"deepest_mm": deepest, "widest_mm": widest, "wanted_x_mm": wanted}


def _room_said(bench: SideBench, draft: _Draft) -> list[Decision]:
    """Say of each cutter that faces or clears how deep and how wide its levels may be."""
    said = []
    for name in dict.fromkeys(step.cutter for step in draft.steps):
        data, (deepest, widest) = bench.rough(name), bench.bounded_room_mm(name)
        if (deepest, widest) == (data.ap_mm, data.ae_mm):
            continue
        said.append(
            Decision(
                f"levels at sides with {name}",
                f"up to {mm(deepest)} deep and up to {mm(widest)} wide, depth times width {data.ap_mm * data.ae_mm:.2f} mm²",
                "their engagement is held, so that no slot is met: roughing keeps its area of cut, in as few levels as force, "
                "bending and the thinnest chip bear",
                (f"ap {mm(data.ap_mm)} and ae {mm(data.ae_mm)} throughout",),
            )
        )
    return said


def allowance_mm(bench: SideBench, name: str) -> float:
    """Return what clearing leaves on walls for their profile cut: the job file's, or a share of DC."""
    asked = bench.job.rough.allowance_mm
    return asked if asked is not None else round(max(LEAST_ALLOWANCE_MM, WALL_ALLOWANCE_OVER_DC * bench.cutters[name].DC), 2)


def _faced(bench: SideBench, side: Side) -> bool:
    """Tell whether facing has taken all of the bar over the part's highest place at a side."""
    part_top, _ = tops(bench, side.turn_deg)
    return any(part_top - level.z_mm <= SAME_MM for level in levels(bench, side.turn_deg))


def _room(
    bench: SideBench, side: Side, some: Bools, name: str
) -> tuple[tuple[float, float], tuple[float, float], float, tuple[float, ...]]:
    """Return how far the tip goes for places `some`: along X, across, how deep, and the flats it leaves exactly."""
    radius = 0.5 * bench.cutters[name].DC
    p = turned(bench.sample.points[some], side.turn_deg)
    x = (float(p[:, 0].min()) - SLACK_MM - radius, float(p[:, 0].max()) + SLACK_MM + radius)
    y = (float(p[:, 1].min()) - SLACK_MM - radius, float(p[:, 1].max()) + SLACK_MM + radius)
    low = float(p[:, 2].min())
    part_top, _ = tops(bench, side.turn_deg)
    y = _into_the_air(bench, side, y, low - SLACK_MM, radius)
    inside = [
        level.z_mm
        for level in levels(bench, side.turn_deg)
        if low - SLACK_MM <= level.z_mm < part_top - SAME_MM
        and level.box[0] < x[1] and level.box[1] > x[0] and level.box[2] < y[1] and level.box[3] > y[0]
    ]  # fmt: skip
    # Walls that end on a floor end there; a wall that ends in the open is cut a little past its end. A round tip touches a
    # steep place with its side, so that it stands lower than what it touches: by RE less RE times the rise of the normal.
    under = [z for z in inside if z <= low + SAME_MM]
    round_mm = bench.cutters[name].RE
    deep = float((p[:, 2] - round_mm * (1.0 - turned(bench.sample.normals[some], side.turn_deg)[:, 2])).min())
    floor = min(under) if under and round_mm == 0.0 else deep - SLACK_MM
    flats = tuple(sorted({round(z, 4) for z in inside if z >= floor - SAME_MM}, reverse=True))
    return x, y, floor, flats


def _into_the_air(bench: SideBench, side: Side, y: tuple[float, float], low: float, radius: float) -> tuple[float, float]:
    """Widen a stretch across that ends beside the part until the cutter stands beside the bar there, in no stock."""
    across = turned(bench.part.vertices, side.turn_deg)[:, 1]
    beside = half_width_mm(bench, side.turn_deg, low) + radius + SLACK_MM
    return (
        min(y[0], -beside) if y[0] <= float(across.min()) else y[0],
        max(y[1], beside) if y[1] >= float(across.max()) else y[1],
    )


def _finish(bench: SideBench, side: Side, owned: Owned, k: int, draft: _Draft, before: Sequence[int]) -> list[int]:
    """Surface what is neither flat nor wall, then profile a side's walls.

    In that order, because short cutters in slots and corners pass with their shanks where roughing left steps on slopes.
    """
    made: list[int] = []
    slopes = _mine(owned, k, Sort.SLOPE)
    if slopes.sum() >= GAIN_SHARE * len(slopes):
        chain = _greedy(bench, side, slopes, bench.named(Form.BALL, Form.TAPERED_BALL), bench.job.finish.cutter)
        up = turned(bench.sample.normals, side.turn_deg)[:, 2]
        steep = slopes & (up < np.cos(np.radians(STEEP_DEG)))
        for kind, some in ((CutKind.PROFILE, steep), (CutKind.SURFACE, slopes & ~steep)):
            if some.sum() >= GAIN_SHARE * len(some):
                made += _finish_with(bench, side, some, chain, kind, draft, [*before, *made], slope_deg=STEEP_DEG)
    walls = _mine(owned, k, Sort.WALL)
    if walls.any():
        z = turned(bench.sample.points[walls], side.turn_deg)[:, 2]
        least = asked_of(bench, side.turn_deg, (float(z.min()), float(z.max()))).corner_radius_mm or 0.0
        names = [name for name in bench.named(Form.FLAT) if least <= 0.5 * bench.cutters[name].DC]
        found = _greedy(bench, side, walls, names, None)
        made += _finish_with(bench, side, walls, found, CutKind.PROFILE, draft, [*before, *made])
    return made


def _finish_with(
    bench: SideBench,
    side: Side,
    wanted: Bools,
    chain: Sequence[str],
    kind: CutKind,
    draft: _Draft,
    before: Sequence[int],
    slope_deg: float = 90.0,
) -> list[int]:
    made: list[int] = []
    left = wanted
    part_top, bar_top = tops(bench, side.turn_deg)
    walls = slope_deg >= 90.0
    verb = "profile the walls" if walls else "go round the steep" if kind is CutKind.PROFILE else "surface the slopes"
    for i, name in enumerate(chain):
        reached = left & bench.touches(name, side.turn_deg)
        if not reached.any():
            continue
        x, y, floor, flats = _room(bench, side, reached, name)
        left = left & ~reached
        deep = min(bench.cutters[name].DC, bench.cutters[name].APMX)
        data = bench.finish(name, deep / TERRACE if walls else allowance_mm(bench, name))
        if kind is CutKind.PROFILE:
            data = replace(data, ap_mm=deep)  # what leans gets levels between, for the cusp's sake
        asked = asked_of(bench, side.turn_deg, (floor, part_top))
        stays, kept = allowances_of(bench, side.turn_deg, (floor, part_top))
        x_free = _beside_part(bench, side, reached, name, _free_x(bench, name, *x))
        cut = _cut(
            bench,
            f"{verb} at {degrees(side.turn_deg, 1)} with {name}",
            kind,
            data,
            side.turn_deg,
            _Bounds(x_free, y, (max(part_top, floor) if _faced(bench, side) else bar_top, floor), flats),
            allowance_mm=stays,
            kept=kept,
            rest_over_mm=0.5 * bench.tolerance_mm if i else None,
            slope_deg=slope_deg,
        )
        if asked.tolerance_mm is not None:
            cut = _replaced(cut, tolerance_mm=asked.tolerance_mm, cusp_mm=min(cut.cusp_mm, 0.3 * asked.tolerance_mm))
        made.append(draft.add(cut, name, 20 + i, [*before, *made]))
    return made


def _seen_at(turn_deg: float, made: Sequence[HoleCut], sides: Sequence[Side]) -> tuple[Hole, ...]:
    """Return the holes that cuts of their own make, as they stand at a turn, from above or from below: profiles leave them."""
    found = []
    for item in made:
        if apart_deg(sides[item.side].turn_deg, turn_deg) <= SQUARE_DEG:
            found += list(item.holes)
        elif apart_deg(sides[item.side].turn_deg + 180.0, turn_deg) <= SQUARE_DEG:
            found += [
                replace(hole, y_mm=-hole.y_mm, top_z_mm=-hole.floor_z_mm, floor_z_mm=-hole.top_z_mm) for hole in item.holes
            ]
    return tuple(dict.fromkeys(found))


def _hole(bench: SideBench, side: Side, item: HoleCut, draft: _Draft, before: Sequence[int]) -> int:
    size = item.holes[0].diameter_mm
    count = f"{len(item.holes)} holes" if len(item.holes) > 1 else "hole"
    x, y = [hole.x_mm for hole in item.holes], [hole.y_mm for hole in item.holes]
    cut = _cut(
        bench,
        f"{item.kind.value} {count} of {mm(size)} at {degrees(side.turn_deg, 1)} with {item.cutter}",
        item.kind,
        bench.drilling(item.cutter) if item.kind is CutKind.DRILL else bench.rough(item.cutter),
        side.turn_deg,
        _Bounds(
            _free_x(bench, item.cutter, min(x) - size, max(x) + size),
            (min(y) - size, max(y) + size),
            (max(hole.top_z_mm for hole in item.holes), min(hole.floor_z_mm for hole in item.holes)),
        ),
        allowance_mm=0.0,
        holes=item.holes,
    )
    return draft.add(cut, item.cutter, {CutKind.DRILL: 30, CutKind.BORE: 31}.get(item.kind, 32), before)


def _ends(bench: SideBench, draft: _Draft, before: Sequence[int]) -> list[int]:
    """Turn both ends down to their stubs: the bar turns under a flat cutter beside the part's end face."""
    name = _facing_cutter(bench)
    data, radius = bench.rough(name), 0.5 * bench.cutters[name].DC
    placed, hard = bench.placed, LIGHT * bench.rough(name).force_N
    before = [k for k in before if bench.cutters[draft.steps[k].cutter].form is not Form.V and _force(bench, draft, k) > hard]
    low, high = _free_x(bench, name, -1e9, 1e9)
    spans = [("the chuck's end", low, placed.part_from_x_mm - radius), ("the far end", placed.part_to_x_mm + radius, high)]
    stays = allowance_mm(bench, name) + END_CLEAR_MM
    made: list[int] = []
    for words, begin, end in spans:
        if begin > end:
            continue
        at_chuck = words == "the chuck's end"
        first = []
        deep = (begin, end - stays) if at_chuck else (begin + stays, end)  # nearer the end face's allowance would hold it up
        if deep[0] <= deep[1]:
            rough = _around(bench, f"turn {words} down to its stub with {name}", CutKind.ROUGH_AROUND, data, deep)
            first = [draft.add(rough, name, 40, before)]
        fine = bench.finish(name, allowance_mm(bench, name))
        face = (end - END_STEP_MM, end) if at_chuck else (begin, begin + END_STEP_MM)
        finish = _around(bench, f"turn the part's end face at {words} with {name}", CutKind.FINISH_AROUND, fine, face)
        made += [*first, draft.add(finish, name, 41, [*first, *before])]
    return made


def _force(bench: SideBench, draft: _Draft, k: int) -> float:
    name = draft.steps[k].cutter
    form = bench.cutters[name].form
    return 0.0 if form in (Form.DRILL, Form.THREAD_MILL) else bench.rough(name).force_N


def _bevel(bench: SideBench, side: Side, name: str, edges: tuple[SharpEdge, ...], draft: _Draft, before: Sequence[int]) -> int:
    points = turned(np.concatenate([edge.points for edge in edges]), side.turn_deg)
    radius = 0.5 * bench.cutters[name].DC
    data = bench.finish(name, max(edge.width_mm for edge in edges))
    cut = _cut(
        bench,
        f"bevel {len(edges)} edges at {degrees(side.turn_deg, 1)} with {name}",
        CutKind.BEVEL,
        data,
        side.turn_deg,
        _Bounds(
            _free_x(bench, name, float(points[:, 0].min()) - radius, float(points[:, 0].max()) + radius),
            (float(points[:, 1].min()) - radius, float(points[:, 1].max()) + radius),
            (float(points[:, 2].max()), float(points[:, 2].min()) - radius),
        ),
        allowance_mm=0.0,
        edges=edges,
    )
    return draft.add(cut, name, 50, before)


def _free_x(bench: SideBench, name: str, low: float, high: float) -> tuple[float, float]:
    """Keep a stretch of X off the full bar at the jaws, and off the bar at the centre or just past a free end."""
    radius, holding = bench.shapes[name].edge.radius_mm, bench.holding
    first = holding.full_bar_to_x_mm + radius + 0.1
    last = bench.bar.to_x_mm + radius + CLEARANCE_MM
    if holding.full_bar_from_x_mm is not None:
        last = holding.full_bar_from_x_mm - radius - 0.1
    return max(first, low), min(last, high)


def _around(bench: SideBench, title: str, kind: CutKind, data: CuttingData, x_mm: tuple[float, float]) -> Cut:
    rough = kind is CutKind.ROUGH_AROUND
    name = title.rsplit(" with ", 1)[1]
    cut = _cut(
        bench,
        title,
        kind,
        data,
        0.0,
        _Bounds(x_mm, (0.0, 0.0), (0.0, 0.0)),
        allowance_mm=allowance_mm(bench, name) if rough else 0.0,
    )
    return _replaced(cut, turn_deg=None, direction=Direction.AROUND)


def _replaced(cut: Cut, **changed: object) -> Cut:
    change: Callable[..., Cut] = replace
    return change(cut, **changed)


def _cut(
    bench: SideBench,
    title: str,
    kind: CutKind,
    figures: CuttingData | DrillFigures,
    turn_deg: float,
    bounds: _Bounds,
    **more: object,
) -> Cut:
    cusp = bench.job.finish.cusp_mm if bench.job.finish.cusp_mm is not None else 0.3 * bench.tolerance_mm
    make: Callable[..., Cut] = Cut
    return make(
        number=0,
        name=title,
        kind=kind,
        cutter=0,
        direction=Direction.ALONG,
        from_x_mm=bounds.x_mm[0],
        to_x_mm=bounds.x_mm[1],
        spindle_rpm=figures.spindle_rpm,
        feed_mm_per_min=figures.feed_mm_per_min,
        entry_feed_mm_per_min=figures.entry_feed_mm_per_min,
        ramp_deg=figures.ramp_deg,
        ap_mm=figures.ap_mm,
        ae_mm=figures.ae_mm,
        cusp_mm=cusp,
        tolerance_mm=bench.tolerance_mm,
        turn_deg=turn_deg,
        from_y_mm=bounds.y_mm[0],
        to_y_mm=bounds.y_mm[1],
        top_z_mm=bounds.z_mm[0],
        floor_z_mm=bounds.z_mm[1],
        flats_z_mm=bounds.flats,
        **{"allowance_mm": 0.0, **more},
    )


def _numbered(
    bench: SideBench, draft: _Draft, said: list[Decision]
) -> tuple[tuple[Cut, ...], tuple[str, ...], tuple[Decision, ...]]:
    edges = [bench.shapes[step.cutter].edge for step in draft.steps]
    stays = bar_stays(bench.bar, bench.holding, draft.cuts, edges, bench.grounds.held, bench.material)
    order = stiffest_order(draft.steps, stays.gives_mm_per_N if stays is not None else None)
    if stays is not None:
        roughing = [step.cutter for step, cut in zip(draft.steps, draft.cuts) if cut.kind in (CutKind.FACE, CutKind.CLEAR)]
        forces = [bench.rough(name).force_N for name in roughing]
        refuse_too_slim(mean_give(draft.steps, order, stays.gives_mm_per_N), min(forces, default=0.0))
    names = tuple(dict.fromkeys(draft.steps[k].cutter for k in order))
    cuts = tuple(
        _replaced(draft.cuts[k], number=i, cutter=names.index(draft.steps[k].cutter) + 1) for i, k in enumerate(order, start=1)
    )
    said.append(
        Decision(
            "order of the cuts",
            f"{len(cuts)} cuts, {changes(draft.steps, order)} cutter changes, {turns(draft.steps, order)} turns",
            "facing first and roughing before finishing, then the fewest changes that allows (exact search), then "
            f"{_stiff_words(draft, order, stays)}; the ends are turned down to their stubs when all that pushes as hard is "
            "done: till then the bar is stiff",
        )
    )
    return cuts, names, tuple(said)


def _stiff_words(draft: _Draft, order: Sequence[int], stays: BarStays | None) -> str:
    """Say by what the sides' order was chosen, and what the other way of choosing would have given."""
    if stays is None:
        return "the nearest turn (how stiff the material is is not known)"
    nearest = ordered(draft.steps)
    least, other = (1000.0 * mean_give(draft.steps, some, stays.gives_mm_per_N) for some in (order, nearest))
    figures = f"the bar gives {least:.2f} µm a newton where it is cut, on average"
    if list(order) == nearest:
        return f"the nearest turn, which leaves the bar as stiff as any side that could come first: {figures}"
    return f"the side that leaves the bar stiffest for what is still to be cut: {figures}, {other:.2f} by the nearest turn"
