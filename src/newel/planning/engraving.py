"""Cuts along the lines of ornaments: which pointed cutter, how fast; they come last, when the surface under them is done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput, Infeasible
from newel.core.job import Direction, Job, OrnamentAsk, OrnamentKind
from newel.core.plan import Cut, CutKind, Decision, Plan
from newel.core.units import degrees, mm
from newel.planning.around import Tools
from newel.planning.feeds import CuttingData, Purpose, cutting_data
from newel.shop.cutters import Cutter, Form
from newel.shop.machines import Machine
from newel.shop.materials import Material

Floats = NDArray[np.float64]

USUAL_SIG_DEG = 60.0  # common practice for lettering: deep enough to read, stout enough at the tip


def pointed_cutter(ask: OrnamentAsk, cutters: Mapping[str, Cutter]) -> str:
    """Return the V cutter for an ornament: the job file's, or of those at hand the one nearest to SIG 60 with the finest tip.

    Raises BadInput for one that is not pointed, Infeasible where there is none.
    """
    pointed = {name: cutter for name, cutter in cutters.items() if cutter.form is Form.V and cutter.SIG is not None}
    if ask.cutter is not None:
        if ask.cutter not in cutters:
            raise BadInput(f"no cutter is called {ask.cutter!r}", where="[[ornament]] cutter", remedy="see: newel shop list")
        if ask.cutter not in pointed:
            raise BadInput(f"{ask.cutter} is not a V cutter", where="[[ornament]] cutter", remedy="name a V cutter")
        return ask.cutter
    if not pointed:
        raise Infeasible(
            "no V cutter is at hand to engrave with", where="[[ornament]]", remedy="add one to the shop or the job"
        )
    return min(pointed, key=lambda name: (abs((pointed[name].SIG or 0.0) - USUAL_SIG_DEG), pointed[name].tip_flat_mm, name))


def with_engraving(
    plan: Plan, job: Job, lines: Sequence[Sequence[Floats]], tools: Tools, material: Material, machine: Machine
) -> Plan:
    """Return the plan with one cut for each ornament that has lines, after all others.

    `lines`: for each ornament of the job, polylines (n, 3) on the part's surface in the model's frame.
    """
    numbers = {name: number for number, name in plan.cutters}
    cuts, said = list(plan.cuts), list(plan.decisions)
    matrix = plan.placement.bar_from_model
    for index, (ask, some) in enumerate(zip(job.ornaments, lines, strict=True), start=1):
        if not some:
            continue
        name = pointed_cutter(ask, tools.cutters)
        numbers.setdefault(name, len(numbers) + 1)
        placed = tuple(line @ matrix[:3, :3].T + matrix[:3, 3] for line in some)
        data = cutting_data(
            tools.cutters[name],
            material,
            machine,
            Purpose.FINISH,
            bar_radius_mm=plan.placement.part_radius_mm,
            depth_mm=ask.depth_mm,
        )
        title = f"{ask.kind.value} {_spoken(ask, index)} with {name}"
        cuts.append(_cut(len(cuts) + 1, title, numbers[name], data, ask, placed, tools.cutters[name], job))
        said += [_said(ask, index, name, tools.cutters[name]), *data.decisions]
    cutters = tuple((number, name) for name, number in sorted(numbers.items(), key=lambda item: item[1]))
    return replace(plan, cutters=cutters, cuts=tuple(cuts), decisions=tuple(said))


def _cut(
    number: int, title: str, cutter: int, data: CuttingData, ask: OrnamentAsk, lines: tuple[Floats, ...], v: Cutter, job: Job
) -> Cut:
    x = np.concatenate([line[:, 0] for line in lines])
    return Cut(
        number=number,
        name=title,
        kind=CutKind.ENGRAVE,
        cutter=cutter,
        direction=Direction.ALONG,
        from_x_mm=float(x.min()) - 0.1,
        to_x_mm=float(x.max()) + 0.1,
        spindle_rpm=data.spindle_rpm,
        feed_mm_per_min=data.feed_mm_per_min,
        entry_feed_mm_per_min=data.entry_feed_mm_per_min,
        ramp_deg=data.ramp_deg,
        allowance_mm=0.0,
        # one level takes what the cutter's middle width bears: its depth, but no more than half its own width
        ap_mm=max(min(ask.depth_mm, 0.25 * v.DC), 0.2),
        ae_mm=data.ae_mm,
        cusp_mm=0.3 * job.finish.tolerance_mm,
        tolerance_mm=job.finish.tolerance_mm,
        lines=lines,
    )


def _spoken(ask: OrnamentAsk, index: int) -> str:
    return f"'{' '.join(ask.text.split())}'" if ask.text else f"{ask.file or f'ornament {index}'}"


def _said(ask: OrnamentAsk, index: int, name: str, cutter: Cutter) -> Decision:
    how = {
        OrnamentKind.ENGRAVE: f"its tip runs {mm(ask.depth_mm)} deep along the lines",
        OrnamentKind.CARVE: f"it goes as deep as each stroke is wide, at most {mm(ask.depth_mm)}",
    }.get(ask.kind, "")
    return Decision(
        f"cutter for {_spoken(ask, index)}",
        name,
        f"point angle {degrees(cutter.SIG or 0.0, 0)}, tip flat {mm(cutter.tip_flat_mm)}; {how}",
        by="Newel" if ask.cutter is None else "job file",
    )
