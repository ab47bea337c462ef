"""The plan for a part that is cut side by side: place, holding, sides, cutters, cuts, and every reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from newel.core.job import HoldAsk, Job, SeveralAsk
from newel.core.plan import Decision, Placement, Plan
from newel.core.units import mm
from newel.geometry.features import Features, moved
from newel.geometry.meshes import Mesh, transformed
from newel.planning.around import Tools
from newel.planning.hold import CLEARANCE_MM, hold
from newel.planning.place import place
from newel.planning.reach import END_FACING, SurfaceSample, sample_surface
from newel.planning.set_up import keep_outs
from newel.planning.side_bench import SideBench
from newel.planning.side_cuts import side_cuts
from newel.planning.side_reach import SAID, grounds_of, reach_map, side_reach
from newel.planning.sides import Candidate, candidates, choose_sides, hidden_said, squared
from newel.shop.cutters import Form
from newel.shop.machines import Machine
from newel.shop.materials import Material

Floats = NDArray[np.float64]

MILLS = (Form.FLAT, Form.BULL_NOSE, Form.BALL, Form.TAPERED_BALL)
SAMPLES = 3000
SEED = 20
END_MM = 0.05  # a face along X this near to the part's end is an end face
SHOULDER_MM = 0.5  # a stub stays this far inside the part's end, so that nothing that opens there is blocked
INSIDE_MM = 0.3  # how far inside the part its end's section is looked at
LEAST_STUB_MM = 3.0
MOST_STUB_OVER_BAR = 0.3  # stub radius over the bar's size: stouter ones are no work for a fine saw (common practice)


def plan_sides(job: Job, mesh: Mesh, features: Features, tools: Tools, material: Material, machine: Machine) -> Plan:
    """Decide everything about a part cut side by side; `mesh` and `features` in mm, model frame.

    Raises Infeasible or BadInput where the job cannot be done or contradicts itself.
    """
    placed, place_said = place(mesh.vertices, job.place, job.bar.section, job.bar.size_mm, _holding(job, mesh))
    part = transformed(mesh, placed.bar_from_model)
    stubs = _stubs_asked(job, part, placed)
    shapes = [shape for name, shape in tools.shapes.items() if tools.cutters[name].form in MILLS]
    placed, bar, holding, hold_said = hold(placed, part.vertices, job.bar, stubs, machine, shapes)
    part = transformed(mesh, placed.bar_from_model)
    there = moved(features, placed.bar_from_model)
    keep = keep_outs(Plan(placed, bar, holding, (), ()), machine)
    grounds = grounds_of(part, bar, holding, keep, CLEARANCE_MM)
    sample = without_ends(sample_surface(part.vertices, part.faces, SAMPLES, SEED), placed)
    asked = candidates(there)
    if job.sides.angles_deg is not None:
        asked = tuple(Candidate(float(turn) % 360.0, "named in the job file") for turn in job.sides.angles_deg)
    cutting = {name: shape for name, shape in tools.shapes.items() if tools.cutters[name].form in MILLS}
    turns = np.array([item.turn_deg for item in asked])
    reach = side_reach(sample, grounds, cutting, turns, job.finish.tolerance_mm)
    squares = squared(there, sample.area_mm2, part.vertices)
    sides, side_said = choose_sides(reach, asked, squares, job.sides.angles_deg)
    bench = SideBench(
        job, tools.cutters, tools.shapes, material, machine, part, there, placed, bar, holding, grounds, reach,
        job.finish.tolerance_mm,
    )  # fmt: skip
    cuts, names, cut_said = side_cuts(bench, sides)
    said = (
        *place_said,
        *_stub_words(hold_said, job),
        *side_said,
        *hidden_said(reach.why, SAID),
        *cut_said,
        *bench.said(cuts, names),
    )
    return Plan(
        placed,
        bar,
        holding,
        tuple(enumerate(names, start=1)),
        cuts,
        said,
        sides,
        reach_map(reach, [side.turn_deg for side in sides]),
    )


def _holding(job: Job, mesh: Mesh) -> Callable[[Floats], bool] | None:
    """Return what tells whether a stub at the chuck would meet the part laid so, or an opening: then it holds by a plug.

    Ornaments and parts in a row were laid before, without asking.
    """

    def holds(bar_from_model: Floats) -> bool:
        return inscribed_mm(transformed(mesh, bar_from_model), INSIDE_MM) > 0.0

    return None if job.ornaments or job.several != SeveralAsk() else holds


def without_ends(sample: SurfaceSample, placed: Placement) -> SurfaceSample:
    """Return the sample without the part's two end faces: they are turned, not cut from sides."""
    x = sample.points[:, 0]
    at_end = np.minimum(x - placed.part_from_x_mm, placed.part_to_x_mm - x) < END_MM
    kept = ~(at_end & (np.abs(sample.normals[:, 0]) >= END_FACING))
    return SurfaceSample(sample.points[kept], sample.normals[kept], sample.area_mm2 * float(kept.mean()))


def _stubs_asked(job: Job, part: Mesh, placed: Placement) -> HoldAsk:
    """Return the holding asked for, its stubs no wider than what the part's own ends show on all sides."""

    def diameter(end_mm: float) -> float:
        room = inscribed_mm(part, end_mm) - SHOULDER_MM - 2.0 * (job.bevel.width_mm or 0.0)
        room = min(room, MOST_STUB_OVER_BAR * min(job.bar.size_mm))
        return 2.0 * max(LEAST_STUB_MM, 0.5 * float(np.floor(2.0 * room)))

    hold, asked = job.hold, job.hold
    if asked.chuck_stub_diameter_mm is None:
        hold = replace(hold, chuck_stub_diameter_mm=diameter(placed.part_from_x_mm + INSIDE_MM))
    if asked.tail_stub_diameter_mm is None:
        hold = replace(hold, tail_stub_diameter_mm=diameter(placed.part_to_x_mm - INSIDE_MM))
    return hold


def _stub_words(said: tuple[Decision, ...], job: Job) -> tuple[Decision, ...]:
    """Say the stubs' own reason: they were asked of the holding by planning, not by the job file."""
    if job.hold.chuck_stub_diameter_mm is not None or job.hold.tail_stub_diameter_mm is not None:
        return said
    because = (
        f"as stout as the part's ends allow: {mm(SHOULDER_MM)} inside all that opens there, so that no slot is blocked; "
        "part it off by hand with a fine saw or a knife once the machine stands"
    )
    return tuple(replace(item, because=because, by="Newel") if item.what == "what stays standing" else item for item in said)


def inscribed_mm(part: Mesh, x_mm: float) -> float:
    """Return the radius of the largest circle about the axis inside the part's section at X; 0 where the axis is outside.

    Derived: the section's segments are where triangles cross the plane; the circle touches the nearest one.
    """
    corner = part.vertices[part.faces]
    height = corner[:, :, 0] - x_mm
    crossing = (height.min(axis=1) < 0.0) & (height.max(axis=1) > 0.0)
    corner, height = corner[crossing], height[crossing]
    if not len(corner):
        return 0.0
    ends = []
    for triangle, h in zip(corner, height):
        points = [
            triangle[i, 1:] + h[i] / (h[i] - h[j]) * (triangle[j, 1:] - triangle[i, 1:])
            for i, j in ((0, 1), (1, 2), (2, 0))
            if h[i] * h[j] < 0.0 or (h[i] == 0.0) != (h[j] == 0.0)
        ]
        if len(points) >= 2:
            ends.append((points[0], points[1]))
    a, b = np.array([e[0] for e in ends]), np.array([e[1] for e in ends])
    step = b - a
    t = np.clip(-np.sum(a * step, axis=1) / np.maximum(np.sum(step * step, axis=1), 1e-30), 0.0, 1.0)
    nearest = float(np.linalg.norm(a + t[:, None] * step, axis=1).min())
    # a ray from the axis crosses the outline an odd number of times where the axis is inside
    rise = (a[:, 1] > 0.0) != (b[:, 1] > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = a[:, 0] - a[:, 1] * step[:, 0] / step[:, 1]
    return nearest if int((rise & (cross > 0.0)).sum()) % 2 else 0.0
