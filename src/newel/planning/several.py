"""Several parts along one bar: laid end to end with round bridges between, and cut so that the bar stays stiff.

The chain of parts is one model from here on: bridges are material that is meant to stand, like the stubs at both ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import manifold3d
import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.job import PlaceAsk, Section, SeveralAsk, Tailstock
from newel.core.plan import Cut, CutKind, Decision, Plan
from newel.core.units import mm
from newel.geometry.meshes import Mesh, transformed
from newel.geometry.solids import turned_cylinder
from newel.planning.hold import stub_radius
from newel.planning.place import place

Floats = NDArray[np.float64]

GAP_MM = 8.0  # from part to part: room for a 1/4 in cutter down to the bridge, and for the saw afterwards (common practice)
INTO_MM = 0.05  # how far a bridge reaches into the parts beside it, so that they are one solid
SIDES = 180
PART_BY_PART = (CutKind.ROUGH_AROUND, CutKind.FINISH_AROUND)


@dataclass(frozen=True)
class Chain:
    """Parts as one mesh in the first model's frame; `spans_mm`: from where to where each lies along the bar, from the first."""

    mesh: Mesh
    spans_mm: tuple[tuple[float, float], ...]


def chained(models: Sequence[Mesh], asked: SeveralAsk, lie: PlaceAsk, section: Section, size_mm: tuple[float, ...]) -> Chain:
    """Lay parts along the bar, the first at the chuck, each the way it needs least bar.

    `models`: one mesh for each part, model frames, mm. Raises Infeasible where one does not fit into the bar's section, and
    BadInput where they cannot be joined.
    """
    gap = asked.gap_mm if asked.gap_mm is not None else GAP_MM
    at, solids, spans = 0.0, [], []
    laid: dict[int, tuple[Mesh, float, Floats]] = {}
    placed_parts = []
    for model in models:
        if id(model) not in laid:
            placed, _ = place(model.vertices, lie, section, size_mm)
            laid[id(model)] = (transformed(model, placed.bar_from_model), placed.part_to_x_mm, placed.bar_from_model)
        placed_parts.append(laid[id(model)])
    first = placed_parts[0][2]
    for index, (part, length, _) in enumerate(placed_parts):
        solids.append(_solid(_shifted(part, at)))
        spans.append((at, at + length))
        if index + 1 < len(placed_parts):
            beside = max(
                stub_radius(part.vertices, length, size_mm), stub_radius(placed_parts[index + 1][0].vertices, 0.0, size_mm)
            )
            radius = asked.bridge_diameter_mm / 2.0 if asked.bridge_diameter_mm is not None else beside
            solids.append(_solid(turned_cylinder(at + length - INTO_MM, at + length + gap + INTO_MM, radius, SIDES)))
        at += length + gap
    whole = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    mesh = whole.to_mesh64()
    joined = Mesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32))
    if len(whole.decompose()) != 1:
        raise BadInput("the bridges do not hold the parts: their ends are hollow or pointed", where="[several]",
                       remedy="write a larger bridge_diameter_mm, or lay the part another way")  # fmt: skip
    return Chain(transformed(joined, np.asarray(np.linalg.inv(first), dtype=np.float64)), tuple(spans))


def one_after_another(plan: Plan, spans_mm: Sequence[tuple[float, float]]) -> Plan:
    """Return the plan with every cut done part by part from the free end, so that the bar toward the jaws stays stout.

    On a centre each cutter does all parts before the next is called; without one each part is finished before the next is
    begun.
    """
    if len(spans_mm) < 2:
        return plan
    shift = plan.placement.part_from_x_mm
    middles = [shift + (a[1] + b[0]) / 2.0 for a, b in pairwise(spans_mm)]
    limits = list(zip([-np.inf, *middles], [*middles, np.inf], strict=True))[::-1]
    on_centre = plan.holding.tailstock is Tailstock.LIVE_CENTRE
    turning = [cut for cut in plan.cuts if cut.kind in PART_BY_PART]
    split = [_within(cut, low, high, len(limits) - k) for k, (low, high) in enumerate(limits) for cut in turning]
    if on_centre:
        split = [cut for number in range(len(turning)) for cut in split[number :: len(turning)]]
    corners = [cut for cut in plan.cuts if cut.kind is CutKind.CORNER_AROUND]
    beside = [_corner(corners[0], way) for way in _bridge_ways(corners[0], spans_mm, shift)] if corners else []
    others = [cut for cut in plan.cuts if cut not in turning and cut not in corners]
    cuts = tuple(replace(cut, number=number) for number, cut in enumerate([*split, *corners, *beside, *others], start=1))
    ground = "each cutter does all parts" if on_centre else "each part is finished before the next is begun"
    said = Decision(
        "order of the parts",
        f"{len(spans_mm)} parts, the one at the free end first",
        f"the bar toward the jaws is still stout while the far part is cut; {ground}",
        ("from the chuck outward",),
    )
    long = spans_mm[-1][1] - spans_mm[0][0]
    whole = plan.bar.to_x_mm - plan.bar.from_x_mm
    used = sum(b - a for a, b in spans_mm)
    use = Decision(
        "use of the bar",
        f"{100 * used / whole:.0f} %",
        f"{mm(used, 1)} of part in {mm(whole, 1)} of bar, {mm(long - used, 1)} between parts",
    )
    return replace(plan, cuts=cuts, decisions=(*plan.decisions, said, use))


def _bridge_ways(corner: Cut, spans_mm: Sequence[tuple[float, float]], shift: float) -> list[tuple[float, float]]:
    """Return where the tip goes along X beside the parts' ends at the bridges, as far off them as at the first part's end."""
    off, wide = shift - corner.to_x_mm, corner.to_x_mm - corner.from_x_mm
    ways = []
    for before, after in pairwise(spans_mm):
        low, high = shift + before[1] + off, shift + after[0] - off
        if low <= high:
            ways += [(low, min(low + wide, high)), (max(high - wide, low), high)]
    return ways


def _corner(corner: Cut, way: tuple[float, float]) -> Cut:
    return replace(corner, name=f"{corner.name}, at a bridge", from_x_mm=way[0], to_x_mm=way[1])


def _within(cut: Cut, low: float, high: float, part: int) -> Cut:
    return replace(
        cut, name=f"{cut.name}, part {part}", from_x_mm=max(cut.from_x_mm, low), to_x_mm=min(cut.to_x_mm, high)
    )  # fmt: skip


def _shifted(part: Mesh, along_mm: float) -> Mesh:
    return Mesh(part.vertices + np.array([along_mm, 0.0, 0.0]), part.faces)


def _solid(mesh: Mesh) -> manifold3d.Manifold:
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(np.array(mesh.vertices, dtype=np.float64), np.array(mesh.faces, dtype=np.uint64))
    )
    if solid.status() != manifold3d.Error.NoError:
        raise BadInput("this model cannot be joined with others", where="[several]", remedy="mend it where it was made")
    return solid
