"""The plan for a part that is carved all round while the bar turns: place, cutters, holding, cuts, and every reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import Infeasible
from newel.core.job import Direction, Job, Section
from newel.core.plan import Bar, Cut, CutKind, Decision, Holding, Placement, Plan
from newel.core.profile import CutterShape
from newel.core.units import mm
from newel.geometry.drop import drop_tree
from newel.geometry.meshes import Mesh, mesh_volume_mm3, transformed
from newel.planning.asides import (
    AIM_PCT,
    Aside,
    Scene,
    ShortOfReach,
    asides_said,
    choose_asides,
    coverage,
    refuse_where_short,
    without_seats,
)
from newel.planning.corners import corner_cutter, corner_ways, corners_said
from newel.planning.cutter_choice import Bench, ChosenCutters, choose_cutters, cusp_of, finish_data
from newel.planning.feeds import CuttingData
from newel.planning.hold import CLEARANCE_MM, hold
from newel.planning.place import LIE_DECISION, corner_radius_mm, place
from newel.planning.reach import Standing, SurfaceSample, sample_surface, sides_of
from newel.planning.target import target_of
from newel.shop.cutters import Cutter
from newel.shop.machines import Machine
from newel.shop.materials import Material

Floats = NDArray[np.float64]

SAMPLES = 6000
SEED = 20
ALLOWANCE_OVER_DC = 0.1  # stock left for finishing, as a share of the finishing cutter's diameter (common practice)
LEAST_ALLOWANCE_MM = 0.15
ASIDE_SAMPLES = 3000
REST_SHARE = 0.5  # a rest cut goes where more than this share of the tolerance was left (our own rule)
LAYER_OVER_RE = 0.8  # depth of a layer over the ball's radius: common practice
LEAST_LAYER_MM = 0.5


@dataclass(frozen=True)
class Tools:
    """The cutters that may be used, by shop name, each with its whole shape in its holder."""

    cutters: Mapping[str, Cutter]
    shapes: Mapping[str, CutterShape]


def plan_around(job: Job, mesh: Mesh, tools: Tools, material: Material, machine: Machine) -> Plan:
    """Decide everything about a part carved all round; `mesh` in mm, model frame.

    A part that would be left standing too much as it lies is laid along its other axes, where the job file leaves that open.
    Raises Infeasible or BadInput where the job cannot be done or contradicts itself.
    """
    try:
        return _plan_lying(job, mesh, tools, material, machine)
    except ShortOfReach as short:
        if job.place.axis is not None:
            raise
        for axis in "xyz".replace(short.axis, ""):
            try:
                lying = replace(job, place=replace(job.place, axis=axis))
                plan = _plan_lying(lying, mesh, tools, material, machine)
            except Infeasible:
                continue
            why = Decision("which axis lies along the bar", f"+{axis.upper()}", f"laid for the least bar, {short.what}")
            said = (replace(item, by="Newel") if item.what == LIE_DECISION else item for item in plan.decisions)
            return replace(plan, decisions=(*said, why))
        raise


def _plan_lying(job: Job, mesh: Mesh, tools: Tools, material: Material, machine: Machine) -> Plan:
    placed, place_said = place(mesh.vertices, job.place, job.bar.section, job.bar.size_mm)
    part = transformed(mesh, placed.bar_from_model)
    bench = _bench(job, part, placed, tools, material, machine)
    chosen = choose_cutters(job, bench)
    names = list(dict.fromkeys([chosen.rough, chosen.finish] + ([chosen.rest] if chosen.rest else [])))
    held = hold(placed, part.vertices, job.bar, job.hold, machine, [tools.shapes[name] for name in names])
    asides, aside_said = _asides(job, mesh, chosen, bench, held)
    if set(names) < {*names, *(item.cutter for item in asides)}:
        names = list(dict.fromkeys([*names, *(item.cutter for item in asides)]))
        held = hold(placed, part.vertices, job.bar, job.hold, machine, [tools.shapes[name] for name in names])
    corner = _corner_cutter(job, mesh, chosen, bench, held)
    if corner is not None and corner not in names:
        names.append(corner)
        held = hold(placed, part.vertices, job.bar, job.hold, machine, [tools.shapes[name] for name in names])
    moved, bar, holding, hold_said = held
    numbers = {name: index + 1 for index, name in enumerate(names)}
    finishing = _Finishing(job, numbers, tools, moved, bar, holding)
    cuts, cut_said = _cuts(job, chosen, finishing)
    if corner is not None:
        corners, corner_said = _corner_cuts(len(cuts) + 1, corner, chosen, finish_data(job, bench, corner), finishing)
        cuts, cut_said = (*cuts, *corners), (*cut_said, *corner_said)
    extra = tuple(
        _aside_cut(len(cuts) + 1 + k, aside, finish_data(job, bench, aside.cutter), finishing) for k, aside in enumerate(asides)
    )
    said = (*place_said, *hold_said, *chosen.decisions, *aside_said, *cut_said)
    return Plan(moved, bar, holding, tuple((number, name) for name, number in numbers.items()), (*cuts, *extra), said)


def _asides(
    job: Job,
    mesh: Mesh,
    chosen: ChosenCutters,
    bench: Bench,
    held: tuple[Placement, Bar, Holding, tuple[Decision, ...]],
) -> tuple[tuple[Aside, ...], tuple[Decision, ...]]:
    """Choose the rest cuts beside the axis; raise ShortOfReach where they would not be enough."""
    if job.finish.rest is False or job.finish.cutter is not None:
        return (), ()
    placed, bar, holding, _ = held
    names = [chosen.finish] + ([chosen.rest] if chosen.rest else [])
    offset = job.finish.offset_y_mm or 0.0
    part = transformed(mesh, placed.bar_from_model)
    sample = without_seats(sample_surface(part.vertices, part.faces, ASIDE_SAMPLES, SEED), holding)
    # the bare part, where it lay before it was held, is asked first: mostly that is enough, and it costs next to nothing
    there = SurfaceSample(sample.points - [placed.part_from_x_mm, 0.0, 0.0], sample.normals, sample.area_mm2)
    bare = Scene(bench.part, there, placed.part_radius_mm, bench.cutters, bench.shapes, job.finish.tolerance_mm)
    if coverage(bare, names, offset).pct >= AIM_PCT:
        return (), ()
    standing = Standing(
        target_of(mesh, placed, bar, holding), max(placed.part_radius_mm, corner_radius_mm(bar.section, bar.size_mm))
    )
    scene = replace(bare, standing=standing, sample=sample)
    before = coverage(scene, names, offset)
    if before.pct >= AIM_PCT:
        return (), ()
    asides, after = choose_asides(scene, before, names)
    refuse_where_short(scene, after, placed)
    return asides, asides_said(asides, before, after)


def _corner_cutter(
    job: Job,
    mesh: Mesh,
    chosen: ChosenCutters,
    bench: Bench,
    held: tuple[Placement, Bar, Holding, tuple[Decision, ...]],
) -> str | None:
    if job.finish.rest is False:
        return None
    placed, bar, holding, _ = held
    radius = max(placed.part_radius_mm, corner_radius_mm(bar.section, bar.size_mm))
    standing = Standing(target_of(mesh, placed, bar, holding), radius)
    return corner_cutter(bench.cutters, bench.shapes, standing, placed, holding, bench.cutters[chosen.rough].DC)


def _corner_cuts(
    number: int, name: str, chosen: ChosenCutters, data: CuttingData, about: _Finishing
) -> tuple[tuple[Cut, ...], tuple[Decision, ...]]:
    job = about.job
    fillet = about.tools.cutters[chosen.rest or chosen.finish].RE
    cuts = tuple(
        _cut(
            number + k,
            f"corners at the ends with {name}",
            CutKind.CORNER_AROUND,
            about.numbers[name],
            data,
            direction=Direction.AROUND,
            x_mm=way,
            allowance_mm=0.0,
            cusp_mm=cusp_of(job),
            tolerance_mm=job.finish.tolerance_mm,
        )
        for k, way in enumerate(corner_ways(about.tools.shapes[name], about.placed, about.holding, fillet))
    )
    return cuts, (corners_said(name, fillet),)


def _bench(job: Job, part: Mesh, placed: Placement, tools: Tools, material: Material, machine: Machine) -> Bench:
    return Bench(
        cutters=tools.cutters,
        shapes=tools.shapes,
        material=material,
        machine=machine,
        part=Standing(drop_tree(part.vertices, part.faces), placed.part_radius_mm),
        sample=sides_of(sample_surface(part.vertices, part.faces, SAMPLES, SEED)),
        bar_area_mm2=section_area_mm2(job.bar.section, job.bar.size_mm),
        part_length_mm=placed.part_to_x_mm - placed.part_from_x_mm,
        part_volume_mm3=mesh_volume_mm3(part),
        bar_radius_mm=corner_radius_mm(job.bar.section, job.bar.size_mm),
    )


def section_area_mm2(section: Section, size_mm: tuple[float, ...]) -> float:
    """Return the area of a bar's section (hexagon: sqrt(3)/2 of the square of its width across flats)."""
    if section is Section.ROUND:
        return float(np.pi * size_mm[0] ** 2 / 4.0)
    if section is Section.HEXAGON:
        return float(np.sqrt(3.0) / 2.0 * size_mm[0] ** 2)
    return size_mm[0] * (size_mm[0] if section is Section.SQUARE else size_mm[1])


def _cuts(job: Job, chosen: ChosenCutters, finishing: _Finishing) -> tuple[tuple[Cut, ...], tuple[Decision, ...]]:
    numbers, tools = finishing.numbers, finishing.tools
    cusp, tolerance = cusp_of(job), job.finish.tolerance_mm
    finish_cutter = tools.cutters[chosen.finish]
    allowance = job.rough.allowance_mm
    by = "Newel" if allowance is None else "job file"
    if allowance is None:
        allowance = round(max(LEAST_ALLOWANCE_MM, ALLOWANCE_OVER_DC * finish_cutter.DC), 2)
    said = [
        Decision(
            "allowance",
            mm(allowance),
            f"left by roughing for the finishing cutter ({ALLOWANCE_OVER_DC:g} of its diameter)",
            by=by,
        ),
        Decision(
            "cusp",
            mm(cusp, 3),
            f"what neighbouring finishing passes may leave between them; the part is judged to {mm(tolerance, 3)}",
            by="Newel" if job.finish.cusp_mm is None else "job file",
        ),
    ]
    rough_data = chosen.data[f"rough {chosen.rough}"]
    first_data = chosen.data[f"finish {chosen.finish}"]
    low, high = _free_x(tools.shapes[chosen.rough], finishing.bar, finishing.holding)
    rough = _cut(
        1,
        f"rough around with {chosen.rough}",
        CutKind.ROUGH_AROUND,
        numbers[chosen.rough],
        rough_data,
        direction=job.rough.direction or Direction.ALONG,
        x_mm=(low, high),
        allowance_mm=allowance,
        cusp_mm=cusp,
        tolerance_mm=tolerance,
    )
    cuts = [rough, _finish(2, f"finish around with {chosen.finish}", chosen.finish, first_data, finishing)]
    said.extend((*rough_data.decisions, *first_data.decisions))
    if chosen.rest is not None:
        rest_data = chosen.data[f"finish {chosen.rest}"]
        cuts.append(_finish(3, f"rest of {chosen.finish} with {chosen.rest}", chosen.rest, rest_data, finishing, rest=True))
        said.extend(rest_data.decisions)
    return tuple(cuts), tuple(said)


@dataclass(frozen=True)
class _Finishing:
    job: Job
    numbers: Mapping[str, int]
    tools: Tools
    placed: Placement
    bar: Bar
    holding: Holding


def _finish(number: int, title: str, name: str, data: CuttingData, about: _Finishing, *, rest: bool = False) -> Cut:
    job, shape = about.job, about.tools.shapes[name]
    # Rest work is the tip's: a tapered cutter's flank has no business beside the part's ends, deep in what roughing left.
    radius = about.tools.cutters[name].RE if rest else shape.edge.radius_mm
    low, high = _free_x(shape, about.bar, about.holding)
    return _cut(
        number,
        title,
        CutKind.FINISH_AROUND,
        about.numbers[name],
        data,
        direction=job.finish.direction or Direction.HELICAL,
        x_mm=(max(low, about.placed.part_from_x_mm - radius - 0.1), min(high, about.placed.part_to_x_mm + radius + 0.1)),
        allowance_mm=0.0,
        cusp_mm=cusp_of(job),
        tolerance_mm=job.finish.tolerance_mm,
        offset_y_mm=job.finish.offset_y_mm or 0.0,
        rest_over_mm=REST_SHARE * job.finish.tolerance_mm if rest else None,
    )


def _aside_cut(number: int, aside: Aside, data: CuttingData, about: _Finishing) -> Cut:
    job, cutter = about.job, about.tools.cutters[aside.cutter]
    low, high = _free_x(about.tools.shapes[aside.cutter], about.bar, about.holding)
    cut = _cut(
        number,
        f"rest at Y {aside.offset_y_mm:+.1f} mm with {aside.cutter}",
        CutKind.REST_AROUND,
        about.numbers[aside.cutter],
        data,
        direction=Direction.HELICAL,
        x_mm=(max(low, about.placed.part_from_x_mm - cutter.RE - 0.1), min(high, about.placed.part_to_x_mm + cutter.RE + 0.1)),
        allowance_mm=0.0,
        cusp_mm=cusp_of(job),
        tolerance_mm=job.finish.tolerance_mm,
        offset_y_mm=aside.offset_y_mm,
        rest_over_mm=REST_SHARE * job.finish.tolerance_mm,
    )
    deep = max(LEAST_LAYER_MM, LAYER_OVER_RE * cutter.RE)
    return replace(cut, ap_mm=deep, floor_z_mm=-about.placed.part_radius_mm)


def _free_x(shape: CutterShape, bar: Bar, holding: Holding) -> tuple[float, float]:
    """Return how far the tip may go along X: off the full bar at the jaws, and off the bar at the centre or past a free end."""
    radius = shape.edge.radius_mm
    low = holding.full_bar_to_x_mm + radius + 0.1
    if holding.full_bar_from_x_mm is not None:
        return low, holding.full_bar_from_x_mm - radius - 0.1
    return low, bar.to_x_mm + radius + CLEARANCE_MM


def _cut(
    number: int,
    title: str,
    kind: CutKind,
    cutter: int,
    data: CuttingData,
    *,
    direction: Direction,
    x_mm: tuple[float, float],
    allowance_mm: float,
    cusp_mm: float,
    tolerance_mm: float,
    offset_y_mm: float = 0.0,
    rest_over_mm: float | None = None,
) -> Cut:
    return Cut(
        number=number,
        name=title,
        kind=kind,
        cutter=cutter,
        direction=direction,
        from_x_mm=x_mm[0],
        to_x_mm=x_mm[1],
        spindle_rpm=data.spindle_rpm,
        feed_mm_per_min=data.feed_mm_per_min,
        entry_feed_mm_per_min=data.entry_feed_mm_per_min,
        ramp_deg=data.ramp_deg,
        allowance_mm=allowance_mm,
        ap_mm=data.ap_mm,
        ae_mm=data.ae_mm,
        cusp_mm=cusp_mm,
        tolerance_mm=tolerance_mm,
        offset_y_mm=offset_y_mm,
        rest_over_mm=rest_over_mm,
    )
