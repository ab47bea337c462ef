"""The main road: read > plan > cut > write > prove. The only module that knows the order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.dialect import ReadTraits
from newel.core.errors import BadInput, Infeasible
from newel.core.job import Direction, Job, ModelAsk, ModelFiles, TurnStyle, Work
from newel.core.motion import Toolpath
from newel.core.plan import Cut, CutKind, Decision, Plan
from newel.core.profile import CutterShape
from newel.core.setup import SetUp
from newel.core.units import duration
from newel.geometry.blank import bar_blank, carve
from newel.geometry.drop import DropTree
from newel.geometry.features import moved
from newel.geometry.meshes import Mesh, ReadModel, read_mesh, transformed
from newel.mechanics.bar_sections import SliceFigures
from newel.mechanics.clock import toolpath_minutes
from newel.planning.around import Tools, plan_around
from newel.planning.asked import asked_groups, asked_mesh, asked_threads, features_in
from newel.planning.engraving import pointed_cutter, with_engraving
from newel.planning.feed_schedule import Duty, Schedule, feeds_along, standing_bar
from newel.planning.indexed import plan_sides
from newel.planning.mixed import WHAT, chosen_by_clock, chosen_by_rate, roughed_from_sides, worth_trying
from newel.planning.part_off import with_parting
from newel.planning.place import corner_radius_mm, place
from newel.planning.set_up import keep_outs, set_up, set_up_cutter
from newel.planning.several import chained, one_after_another
from newel.planning.side_threads import threaded_holes
from newel.planning.target import target_of
from newel.planning.work import decide_work, looks_carved
from newel.program.writer import ProgramFile, WrittenCut, write_program
from newel.proof.prove import Case, prove_case
from newel.proof.results import Proof
from newel.shop.catalogue import Shop
from newel.shop.machines import Machine
from newel.shop.materials import Material
from newel.shop.outlines import cutter_shape
from newel.toolpaths.cut_passes import cut_passes
from newel.toolpaths.linking import Surroundings, wound_on

Progress = Callable[[str, float], None]

PLANNING_PITCH_MM = 0.4  # the planner's own blank may be coarser than the proof's: it only steers links and entries
LINK_CLEARANCE_MM = 2.0  # between a rapid and anything standing (common practice)
RETRACT_OVER_MM = 5.0  # over the highest thing the cutter may ever pass (common practice)
TRIAL_WIDTH = 4.0  # how much wider passes are set in a trial


@dataclass(frozen=True)
class Made:
    """Everything that came of a job: the model as read, the plan, the passes, the program, and its proof."""

    job: Job
    model: ReadModel
    plan: Plan
    paths: tuple[Toolpath, ...]
    setup: SetUp
    machine: Machine
    programs: tuple[ProgramFile, ...]
    proof: Proof


def make(job: Job, asked: ModelFiles, shop: Shop, progress: Progress) -> Made:
    """Go the whole road from a job and its model to a proved program (proved or not: the proof says).

    Raises BadInput or Infeasible where the input is refused.
    """
    progress("read", 0.0)
    model = read(job, asked, shop)
    progress("plan", 0.0)
    plan, machine, tools = decide(job, model, shop)
    material = shop.material(job.bar.material, where="[bar] material")
    cut_plan, paths = cut(job, plan, model.mesh, machine, tools, progress, material)
    progress("write", 0.0)
    setup = set_up_of(job, cut_plan, tools, machine)
    programs = write(job, cut_plan, paths, setup, machine)
    proof = prove_case(case_of(job, programs, setup, machine, model, shop, tools), progress)
    return Made(job, model, cut_plan, paths, setup, machine, programs, proof)


def read(job: Job, asked: ModelFiles, shop: Shop) -> ReadModel:
    """Read and mend the model, in mm, at the job's scale; with its fellows along the bar and its ornaments, if asked for."""
    model = _read_one(job.model, asked.data, asked.kind)
    if job.several.count > 1 or job.several.others:
        others = [_read_one(ask, asked.beside[ask.file], ask.file.rpartition(".")[2]) for ask in job.several.others]
        models = [model.mesh] * job.several.count + [other.mesh for other in others]
        chain = chained(models, job.several, job.place, job.bar.section, job.bar.size_mm)
        mended = (*model.mended, *(said for other in others for said in other.mended))
        model = replace(model, mesh=chain.mesh, mended=mended, spans_mm=chain.spans_mm, features=None)
    return _adorned(job, model, asked, shop) if job.ornaments else model


def _read_one(ask: ModelAsk, data: bytes, kind: str) -> ReadModel:
    if ask.scale <= 0.0:
        raise BadInput(f"a scale of {ask.scale:g} is no scale", where="[model] scale", remedy="write a number above 0")
    found = read_mesh(data, kind, ask.unit, ask.file)
    scaled = np.diag([ask.scale] * 3 + [1.0])
    features = moved(found.features, scaled) if found.features is not None else None
    return replace(found, mesh=transformed(found.mesh, scaled), features=features)


def _adorned(job: Job, model: ReadModel, asked: ModelFiles, shop: Shop) -> ReadModel:
    """Put ornaments on the model as it will lie in its bar."""
    from newel.ornament.apply import Pointed, ornamented

    tools = tools_at_hand(job, shop, shop.machine(job.machine, where="machine"))
    vs = [tools.cutters[pointed_cutter(ask, tools.cutters)] for ask in job.ornaments]
    pointed = [Pointed((v.SIG or 0.0) / 2.0, v.tip_flat_mm) for v in vs]
    lies, _ = place(model.mesh.vertices, job.place, job.bar.section, job.bar.size_mm)
    made = ornamented(transformed(model.mesh, lies.bar_from_model), job.ornaments, asked.beside, pointed)
    back = np.asarray(np.linalg.inv(lies.bar_from_model), dtype=np.float64)
    lines = tuple(tuple(line @ back[:3, :3].T + back[:3, 3] for line in some) for some in made.lines)
    return replace(model, mesh=transformed(made.part, back), lines=lines, features=None)


def decide(job: Job, model: ReadModel, shop: Shop) -> tuple[Plan, Machine, Tools]:
    """Decide everything about the job, with reasons; nothing is cut yet."""
    machine = shop.machine(job.machine, where="machine")
    material = shop.material(job.bar.material, where="[bar] material")
    tools = tools_at_hand(job, shop, machine)
    asked_groups(job, model, 1)  # a face that the model does not have is refused before anything is planned
    plan = one_after_another(_cut_plan(job, model, tools, material, machine), model.spans_mm)
    if model.lines:
        plan = with_engraving(plan, job, model.lines, tools, material, machine)
    return with_parting(plan, job, model.mesh, tools, material, machine), machine, tools


def _cut_plan(job: Job, model: ReadModel, tools: Tools, material: Material, machine: Machine) -> Plan:
    mesh = model.mesh
    if looks_carved(job, mesh) and not job.threads:
        return plan_around(job, mesh, tools, material, machine)
    features = features_in(model)
    threaded_holes(features, job.threads)  # what can't be threaded is refused before anything is planned
    work, said = decide_work(job, mesh, features)
    if job.threads and work is not Work.SIDES:
        raise Infeasible(
            "a thread is milled while the bar stands clamped, and this part is cut while it turns",
            where="[[thread]]",
            remedy='write work = "sides", or leave the thread to a tap',
        )
    if work is not Work.SIDES:
        plan = plan_around(job, mesh, tools, material, machine)
    else:
        plan = plan_sides(job, mesh, features, tools, material, machine)
    return replace(plan, decisions=(said, *plan.decisions))


def tools_at_hand(job: Job, shop: Shop, machine: Machine) -> Tools:
    """Return the cutters the job may use, each with its shape in its holder under this machine's spindle nose."""
    names = job.cutters if job.cutters is not None else tuple(shop.cutters)
    cutters = {name: shop.cutter(name, where="cutters") for name in names}
    nose = machine.spindle
    shapes = {
        name: cutter_shape(cutter, shop.holder_of(cutter), nose.nose_diameter_mm, nose.nose_length_mm)
        for name, cutter in cutters.items()
    }
    return Tools(cutters, shapes)


def cut(
    job: Job,
    plan: Plan,
    mesh: Mesh,
    machine: Machine,
    tools: Tools,
    progress: Progress,
    material: Material | None = None,
    hear: Callable[[Cut, Schedule], None] | None = None,
) -> tuple[Plan, tuple[Toolpath, ...]]:
    """Make the passes of every cut, carving a blank along the way so that each cut knows what is left for it.

    Where the job leaves a direction open, each is tried with wider passes and the clock chooses; the plan comes back with
    that decision. With a `material` the feed follows the force along every cut, unless the job file asks for a feed;
    `hear` is told how each of them came out.
    """
    target = target_of(mesh, plan.placement, plan.bar, plan.holding)
    if material is not None:
        plan = _roughed_by_clock(job, plan, target, machine, tools, material)
    bar = plan.bar
    blank = bar_blank(bar.section, bar.size_mm, bar.from_x_mm, bar.to_x_mm, bar.turned_deg, PLANNING_PITCH_MM)
    names = dict(plan.cutters)
    cuts: list[Cut] = []
    paths: list[Toolpath] = []
    said = list(plan.decisions)
    finished_by: CutterShape | None = None
    profiled: dict[float | None, CutterShape] = {}  # the cutter that profiled each side last
    sections: dict[bytes, SliceFigures] = {}  # of the bar, worked out so far
    for index, planned in enumerate(plan.cuts):
        progress("cut", index / len(plan.cuts))

        def done(share: float, index: int = index) -> None:
            progress("cut", (index + share) / len(plan.cuts))

        shape = tools.shapes[names[planned.cutter]]
        before = profiled.get(planned.turn_deg) if planned.kind is CutKind.PROFILE else finished_by
        surroundings = _surroundings(plan, machine, tools, names[planned.cutter], before)
        open_to = _directions(job, planned) if not plan.sides else (planned.direction,)
        if len(open_to) > 1:
            trials = {way: cut_passes(_wider(planned, way), shape, target, blank, surroundings) for way in open_to}
            planned, why = _quickest(planned, trials, machine)
            said.append(why)
        turned_to = float(paths[-1].pose[-1, 3]) if paths else 0.0
        if planned.kind is CutKind.PART_OFF:
            target = target_of(mesh, plan.placement, plan.bar, plan.holding, parted=True)
        path = wound_on(cut_passes(planned, shape, target, blank, surroundings, done), turned_to)
        if len(path):
            cuts.append(planned)
            paths.append(path)
            if material is not None and _asked_feed(job, planned) is None:
                duty = Duty(
                    tools.cutters[names[planned.cutter]],
                    shape,
                    material,
                    machine,
                    corner_radius_mm(bar.section, bar.size_mm),
                    standing_bar(blank, bar.to_x_mm, material, sections),
                )
                paths[-1], feeds = feeds_along(planned, path, blank, duty)
                said.extend([feeds.decision(planned)] if feeds else [])
                if feeds is not None and hear is not None:
                    hear(planned, feeds)
            elif index + 1 < len(plan.cuts):
                carve(blank, shape, path.pose, np.arange(len(path), dtype=np.int32))
        if planned.kind is CutKind.FINISH_AROUND:
            finished_by = shape
        if planned.kind is CutKind.PROFILE:
            profiled[planned.turn_deg] = shape
    progress("cut", 1.0)
    return replace(plan, cuts=tuple(cuts), decisions=tuple(said)), tuple(paths)


def write(job: Job, plan: Plan, paths: tuple[Toolpath, ...], setup: SetUp, machine: Machine) -> tuple[ProgramFile, ...]:
    """Write the passes as program text in the machine's dialect, with what the job file overrules."""
    asked = {field: value for field, value in vars(job.program).items() if value is not None}
    traits, reads = replace(machine.dialect.writes, **asked), machine.dialect.reads
    written = [WrittenCut(cut.name, cut.cutter, cut.spindle_rpm, path) for cut, path in zip(plan.cuts, paths, strict=True)]
    return write_program(
        written,
        setup,
        traits,
        name=job.name,
        work_offset=job.zero.offset,
        fastest_per_min=(
            machine.x.max_feed_mm_per_min,
            machine.y.max_feed_mm_per_min,
            machine.z.max_feed_mm_per_min,
            machine.a.max_deg_per_min,
        ),
        safe_z_mm=_retract_z_mm(plan, machine),
        clamp_m=(reads.clamp_m, reads.unclamp_m) if reads.clamp_m else None,
    )


def case_of(
    job: Job,
    programs: tuple[ProgramFile, ...],
    setup: SetUp,
    machine: Machine,
    model: ReadModel | None,
    shop: Shop,
    tools: Tools,
) -> Case:
    """Gather all that a proof of programs, whoever wrote them, rests on: set-up, machine and (if there is one) the model.

    `Case.seal` is its fingerprint, to be had without proving.
    """
    shapes = tuple(
        set_up_cutter(0, cutter, tools.shapes[name], _spindle_face_mm(tools.shapes[name], machine))
        for name, cutter in tools.cutters.items()
    )
    return Case(
        tuple((file.name, file.text) for file in programs),
        setup,
        machine,
        _shape(asked_mesh(job, model)) if model is not None else None,
        job.proof,
        _reads_what_was_asked(job, machine),
        job.finish.tolerance_mm,
        shapes,
        shop.material(job.bar.material, where="[bar] material"),
        asked_threads(job, model) if model is not None else (),
        asked_groups(job, model, setup.along_x) if model is not None else (),
    )


def _shape(mesh: Mesh) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    return mesh.vertices, mesh.faces.astype(np.int64)


def set_up_of(job: Job, plan: Plan, tools: Tools, machine: Machine) -> SetUp:
    """Return the set-up that the plan asks for, in its own frame."""
    cutters = {
        number: set_up_cutter(number, tools.cutters[name], tools.shapes[name], _spindle_face_mm(tools.shapes[name], machine))
        for number, name in plan.cutters
    }
    return set_up(plan, machine, cutters, job.zero)


def _surroundings(plan: Plan, machine: Machine, tools: Tools, name: str, finished_by: CutterShape | None) -> Surroundings:
    return Surroundings(
        keep_out=keep_outs(plan, machine),
        retract_z_mm=_retract_z_mm(plan, machine),
        clearance_mm=LINK_CLEARANCE_MM,
        centre_cutting=tools.cutters[name].centre_cutting,
        cutting_length_mm=tools.cutters[name].APMX,
        finished_by=finished_by,
        link_feed_mm_per_min=min(machine.x.max_feed_mm_per_min, machine.y.max_feed_mm_per_min),
    )


def _retract_z_mm(plan: Plan, machine: Machine) -> float:
    """Return a tip height that is over everything: the bar's corners as they turn, jaws, chuck and tailstock."""
    radii = [corner_radius_mm(plan.bar.section, plan.bar.size_mm), *(item.radius_mm for item in keep_outs(plan, machine))]
    return max(radii) + RETRACT_OVER_MM


def _roughed_by_clock(job: Job, plan: Plan, target: DropTree, machine: Machine, tools: Tools, material: Material) -> Plan:
    """Rough what is carved all round from the sides where the job file says so, or else where the clock does."""
    asked = job.rough.direction, job.rough.cutter, job.rough.feed_mm_per_min
    if job.work is not Work.MIXED and (job.work is not None or plan.sides or any(value is not None for value in asked)):
        return plan
    other = roughed_from_sides(job, plan, tools, material, machine)
    if other is None:
        return plan
    if job.work is Work.MIXED:
        return replace(other, decisions=(*other.decisions, Decision(WHAT, "from the sides", "asked for", by="job file")))
    if not worth_trying(plan, other):
        return replace(plan, decisions=(*plan.decisions, chosen_by_rate(plan, other)))
    minutes, others = (_roughing_minutes(some, target, machine, tools) for some in (plan, other))
    best = other if others < minutes else plan
    why = chosen_by_clock(min(minutes, others), max(minutes, others), from_sides=best is other)
    return replace(best, decisions=(*best.decisions, why))


def _roughing_minutes(plan: Plan, target: DropTree, machine: Machine, tools: Tools) -> float:
    """Time the roughing cuts of a plan, their passes made in full on a blank of their own; around, the quickest direction."""
    bar, names, total = plan.bar, dict(plan.cutters), 0.0
    blank = bar_blank(bar.section, bar.size_mm, bar.from_x_mm, bar.to_x_mm, bar.turned_deg, PLANNING_PITCH_MM)
    for planned in plan.cuts:
        if planned.kind not in (CutKind.ROUGH_AROUND, CutKind.CLEAR):
            continue
        shape = tools.shapes[names[planned.cutter]]
        about = _surroundings(plan, machine, tools, names[planned.cutter], None)
        ways = (planned.direction,) if planned.turn_deg is not None else (Direction.ALONG, Direction.AROUND)
        paths = [cut_passes(replace(planned, direction=way), shape, target, blank, about) for way in ways]
        path = min(paths, key=lambda one: toolpath_minutes(one, machine))
        total += toolpath_minutes(path, machine)
        carve(blank, shape, path.pose, np.arange(len(path), dtype=np.int32))
    return total


def _directions(job: Job, planned: Cut) -> tuple[Direction, ...]:
    if planned.turn_deg is not None:
        return (planned.direction,)
    asked = job.rough.direction if planned.kind is CutKind.ROUGH_AROUND else job.finish.direction
    if asked is not None:
        return (asked,)
    if planned.rest_over_mm is not None or planned.kind is CutKind.CORNER_AROUND:
        return (planned.direction,)
    return (Direction.ALONG, Direction.AROUND) if planned.kind is CutKind.ROUGH_AROUND else (Direction.ALONG, Direction.HELICAL)


def _asked_feed(job: Job, planned: Cut) -> float | None:
    roughs = planned.kind in (CutKind.ROUGH_AROUND, CutKind.FACE, CutKind.CLEAR)
    return job.rough.feed_mm_per_min if roughs else job.finish.feed_mm_per_min


def _wider(planned: Cut, direction: Direction) -> Cut:
    """Return a trial of a cut: the same passes, set further apart, to compare directions by at a fraction of the work."""
    return replace(planned, direction=direction, ae_mm=TRIAL_WIDTH * planned.ae_mm, cusp_mm=TRIAL_WIDTH**2 * planned.cusp_mm)


def _quickest(planned: Cut, trials: dict[Direction, Toolpath], machine: Machine) -> tuple[Cut, Decision]:
    minutes = {direction: toolpath_minutes(path, machine) for direction, path in trials.items()}
    best = min(minutes, key=lambda direction: (minutes[direction], direction.value))
    others = tuple(f"{direction.value} ({duration(minutes[direction])})" for direction in trials if direction is not best)
    because = f"on a trial with wider passes the clock gives {duration(minutes[best])} with this machine's accelerations"
    return replace(planned, direction=best), Decision(f"direction of '{planned.name}'", best.value, because, others)


def _spindle_face_mm(shape: CutterShape, machine: Machine) -> float:
    """Return how high the spindle's face stands over the cutter's tip: the body's end less the nose."""
    return shape.body.top_mm - machine.spindle.nose_length_mm


def _reads_what_was_asked(job: Job, machine: Machine) -> ReadTraits:
    """A program written with wrapped A is read as the control that asked for it reads it: the shorter way."""
    style = job.program.turn_style or machine.dialect.writes.turn_style
    return replace(machine.dialect.reads, a_wrapped_shortest=style is TurnStyle.WRAPPED)
