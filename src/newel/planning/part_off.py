"""Part off: last of all a groove beside each end of the part, down to a stub so thin that a knife cuts it.

Till then the part hangs on stouter stubs, which carry the cuts. A groove is turned beside the part's end face, first
at the tail: the chuck's end turns the part, so it is thinned last.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput, Infeasible
from newel.core.job import Direction, Job
from newel.core.plan import Cut, CutKind, Decision, Holding, Placement, Plan, Stub
from newel.core.units import mm
from newel.geometry.drop import DropTree, drop, drop_tree
from newel.geometry.meshes import Mesh
from newel.geometry.profiles import grown
from newel.geometry.solids import joined, turned_cylinder
from newel.planning.around import Tools
from newel.planning.feeds import CuttingData, Purpose, cutting_data
from newel.planning.hold import CLEARANCE_MM, LAST_STUB_MM
from newel.planning.place import corner_radius_mm
from newel.planning.set_up import keep_outs
from newel.planning.side_reach import BODY_CLEARANCE_MM
from newel.planning.target import ROUND_SIDES, target_of
from newel.shop.cutters import Form
from newel.shop.machines import Machine
from newel.shop.materials import Material

Floats = NDArray[np.float64]

WHERE = "[hold] part_off"
# Diameter of what is left: common practice is 3 to 4 mm in wood and plastics (a knife cuts it), a little more in metal (a fine
# saw). What the last pass bends must stay far under what a cut may bend.
METAL_STUB_MM, WIDER_BY_MM = 4.0, 0.5
MOST_BENDING_MM = 0.05
SLOT_SHARE = 0.5  # of ap, a turn: the groove is as wide as the cutter (common practice: a quarter to a half in full slots)
LEAST_GAIN_MM = 1.0  # in radius: less is not worth a cut
# How far off the end face the flank runs, and how near to it the shank may come. Where every edge at hand is shorter than the
# end face is high, a shank as thick as its edge runs as far off as the edge: 0.04 mm leaves the face within 0.05 mm of the
# model's, and a ground shank, which is never thicker than its edge, still runs free (from memory; 0.02 to 0.05 mm is usual
# where a wall is milled in steps deeper than the flutes).
BESIDE_MM = ((0.005, BODY_CLEARANCE_MM), (0.04, 0.03))
SLACK_MM = 0.01  # between the flank and the groove's far wall
TURNS_DEG = np.arange(0.0, 360.0, 2.0)


def with_parting(plan: Plan, job: Job, mesh: Mesh, tools: Tools, material: Material, machine: Machine) -> Plan:
    """Return the plan with its part-off cuts at the end, where the job asks for them; `mesh` in mm, model frame.

    Raises Infeasible where no cutter at hand comes down beside the part's ends, BadInput for a stub that cannot be.
    """
    if not job.hold.part_off:
        return plan
    metal = "metal" in material.kind.lower()
    names, beside_it = _candidates(plan, tools), _keep_out_tree(plan, machine)
    for beside, shank in BESIDE_MM:
        for name in names:
            data = _data(name, tools, job, plan, material, machine)
            radius = _radius_mm(job, plan, data, tools.cutters[name].DC, material, metal)
            holding = parted(plan.holding, plan.placement, tools.cutters[name].DC, radius, beside)
            if not holding.parted:
                return replace(plan, decisions=(*plan.decisions, _thin_already(plan.holding)))
            about = (target_of(mesh, plan.placement, plan.bar, holding, parted=True), beside_it)
            if _comes_down(name, tools, holding, about, shank):
                return _planned(replace(plan, holding=holding), name, tools.cutters[name].DC, data, job, metal, beside)
    raise Infeasible(
        "no flat cutter at hand comes down beside the part's ends to part it off",
        where=WHERE,
        remedy="add a longer or thinner flat cutter, or leave part_off out: the stubs are then sawn by hand",
    )


def parted(holding: Holding, placed: Placement, width_mm: float, radius_mm: float, beside_mm: float) -> Holding:
    """Return the holding with its grooves: as wide as the cutter, beside the part's ends, on stubs stouter than them."""
    grooves = []
    tail, chuck = holding.tail_stub, holding.chuck_stub
    if tail is not None and tail.radius_mm >= radius_mm + LEAST_GAIN_MM:
        grooves.append(Stub(placed.part_to_x_mm, placed.part_to_x_mm + width_mm + beside_mm + SLACK_MM, radius_mm))
    if chuck.radius_mm >= radius_mm + LEAST_GAIN_MM:
        grooves.append(Stub(placed.part_from_x_mm - width_mm - beside_mm - SLACK_MM, placed.part_from_x_mm, radius_mm))
    return replace(holding, parted=tuple(grooves))


def _candidates(plan: Plan, tools: Tools) -> list[str]:
    """Flat cutters that cut at their centre: those the plan calls anyway first, the narrowest of each first."""
    called = {name for _, name in plan.cutters}
    flats = [name for name, cutter in tools.cutters.items() if cutter.form is Form.FLAT and cutter.centre_cutting]
    return sorted(flats, key=lambda name: (name not in called, tools.cutters[name].DC, name))


def _data(name: str, tools: Tools, job: Job, plan: Plan, material: Material, machine: Machine) -> CuttingData:
    radius = corner_radius_mm(plan.bar.section, plan.bar.size_mm)
    return cutting_data(tools.cutters[name], material, machine, Purpose.ROUGH, asked=job.rough, bar_radius_mm=radius)


def _radius_mm(job: Job, plan: Plan, data: CuttingData, width_mm: float, material: Material, metal: bool) -> float:
    """Return the radius of what is left: the job file's, or the least that is usual and stiff enough under the last pass.

    The last pass pushes on the thin stub itself, at most over the groove's width: a cantilever, F l^3 / (3 E I).
    """
    asked = job.hold.part_off_stub_diameter_mm
    if asked is not None:
        stout = 2.0 * plan.holding.chuck_stub.radius_mm
        if asked > stout - 2.0 * LEAST_GAIN_MM:
            raise BadInput(
                f"a last stub of {mm(asked)} is hardly thinner than the {mm(stout)} that hold the part",
                where="[hold] part_off_stub_diameter_mm",
                remedy=f"ask for {mm(stout - 2.0 * LEAST_GAIN_MM)} or less, or leave part_off out",
            )
        return 0.5 * asked
    diameter = METAL_STUB_MM if metal else LAST_STUB_MM
    if material.E_N_per_mm2 is not None:
        while data.force_N * width_mm**3 / (3.0 * material.E_N_per_mm2 * np.pi * diameter**4 / 64.0) > MOST_BENDING_MM:
            diameter += WIDER_BY_MM
    return 0.5 * diameter


def _keep_out_tree(plan: Plan, machine: Machine) -> DropTree:
    """Return jaws, chuck, centre and tailstock, each larger by what moving things keep from them."""
    solids = [
        turned_cylinder(item.from_x_mm - CLEARANCE_MM, item.to_x_mm + CLEARANCE_MM, item.radius_mm + CLEARANCE_MM, ROUND_SIDES)
        for item in keep_outs(plan, machine)
    ]
    whole = joined(solids)
    return drop_tree(whole.vertices, whole.faces)


def _comes_down(name: str, tools: Tools, holding: Holding, about: tuple[DropTree, DropTree], shank_mm: float) -> bool:
    """Tell whether edge and body reach each groove's floor at every turn, clear of the part and of what holds it."""
    target, keep_out = about
    shape, radius = tools.shapes[name], 0.5 * tools.cutters[name].DC
    for groove in holding.parted:
        x = np.full(len(TURNS_DEG), _tip_x(groove, holding, radius))
        # a grown outline is told from a tip that is so much lower
        for outline, lower in ((shape.edge, 0.0), (grown(shape.body, shank_mm), shank_mm)):
            if float(drop(target, outline, x, np.zeros(len(x)), TURNS_DEG).max()) + lower > groove.radius_mm + 0.02:
                return False
            if float(drop(keep_out, outline, x[:1], np.zeros(1), TURNS_DEG[:1]).max()) + lower > groove.radius_mm:
                return False
    return True


def _tip_x(groove: Stub, holding: Holding, radius_mm: float) -> float:
    """Where the tip stands: its flank away from the part lies on the groove's far wall."""
    at_chuck = groove.from_x_mm < holding.chuck_stub.to_x_mm - 1e-9
    return groove.from_x_mm + SLACK_MM + radius_mm if at_chuck else groove.to_x_mm - SLACK_MM - radius_mm


def _thin_already(holding: Holding) -> Decision:
    thick = mm(2.0 * holding.chuck_stub.radius_mm, 1)
    return Decision("part off", "no cut", f"the stub of {thick} that holds the part is hardly thicker than what would be left")


def _planned(plan: Plan, name: str, width_mm: float, data: CuttingData, job: Job, metal: bool, beside_mm: float) -> Plan:
    numbers = {known: number for number, known in plan.cutters}
    number = numbers.setdefault(name, len(numbers) + 1)
    radius = plan.holding.parted[0].radius_mm
    cuts: list[Cut] = []
    for groove in plan.holding.parted:
        at_chuck = groove.from_x_mm < plan.holding.chuck_stub.to_x_mm - 1e-9
        end = "the chuck's end" if at_chuck else "the far end"
        title = f"part off at {end} with {name}"
        cuts.append(
            _cut(len(plan.cuts) + len(cuts) + 1, title, number, data, _tip_x(groove, plan.holding, width_mm / 2.0), radius)
        )
    tool = "a fine saw" if metal else "a knife"
    said = Decision(
        "part off",
        f"down to a stub of {mm(2.0 * radius, 1)}",
        f"{'asked for' if job.hold.part_off_stub_diameter_mm else 'common practice, and stiff under the last pass'}; "
        f"cut it with {tool} once the machine stands. Last of all, the far end first: the chuck's end turns the part"
        f"{_beside_words(beside_mm)}",
        ("stubs that are sawn through",),
        by="job file",
    )
    cutters = tuple((number, known) for known, number in numbers.items())
    return replace(plan, cuts=(*plan.cuts, *cuts), cutters=cutters, decisions=(*plan.decisions, said))


def _beside_words(beside_mm: float) -> str:
    if beside_mm == BESIDE_MM[0][0]:
        return ""
    return f". The shank has to pass beside the end face, so that {mm(beside_mm)} stay on it where the stub was"


def _cut(number: int, title: str, cutter: int, data: CuttingData, x_mm: float, radius_mm: float) -> Cut:
    return Cut(
        number=number,
        name=title,
        kind=CutKind.PART_OFF,
        cutter=cutter,
        direction=Direction.AROUND,
        from_x_mm=x_mm,
        to_x_mm=x_mm,
        spindle_rpm=data.spindle_rpm,
        feed_mm_per_min=data.feed_mm_per_min,
        entry_feed_mm_per_min=data.entry_feed_mm_per_min,
        ramp_deg=data.ramp_deg,
        allowance_mm=0.0,
        ap_mm=SLOT_SHARE * data.ap_mm,
        ae_mm=data.ae_mm,
        cusp_mm=0.0,
        tolerance_mm=0.0,
        floor_z_mm=radius_mm,
    )
