"""What the worker makes of a job for the page: the plan, the proved program, and the arrays they are drawn from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from newel.app.documents import plan_json, setup_json, tidy
from newel.app.inputs import JobFiles, read_job_files, read_shop, read_text, told_by_line
from newel.app.kernel_cache import filled_first
from newel.app.making import picture_files, results_files, results_of
from newel.app.page.outlines import as_seen, cut_rows, outline_pack, plan_facts, reach_pack, side_cells
from newel.app.page.packing import Pack, deviation_pack, mesh_pack, rows_pack, scene_of, scrub_pack
from newel.app.page.scrub import STEP_MM, map_grid, scrub_log
from newel.app.result_names import is_ours
from newel.app.whole_files import write_results
from newel.core.errors import BadInput
from newel.core.job import Tailstock
from newel.core.plan import Plan
from newel.geometry.meshes import Mesh, transformed
from newel.geometry.radial_map import MapGrid
from newel.pipeline import Made, case_of, decide, make, read, set_up_of, tools_at_hand
from newel.program.writer import ProgramFile
from newel.proof.prove import Case, prove_case, read_course
from newel.reports.development import radius_map
from newel.reports.results import Mesh as Surface
from newel.reports.solids import jaws_solids, tailstock_solids

if TYPE_CHECKING:
    from newel.app.page.worker import Progress, Task
    from newel.core.setup import SetUp
    from newel.proof.results import Proof
    from newel.shop.catalogue import Shop
    from newel.shop.machines import Machine

SHOWN_MM = 30.0  # of chuck and tailstock
COARSE_PITCH_MM = 0.4  # the page's own blank is carved no finer: its cells are not finer either


def planned(task: Task, progress: Progress) -> dict[str, Any]:
    """Decide everything about a job and lay out what the page shows of the plan."""
    files, shop = _read(task)
    progress("read", 0.0)
    model = read(files.job, files.model, shop)
    progress("plan", 0.0)
    with told_by_line(files):
        plan, machine, tools = decide(files.job, model, shop)
    setup = set_up_of(files.job, plan, tools, machine)
    cells = map_grid(setup.bar.from_x_mm, setup.bar.to_x_mm)
    scene = {
        "format": 1,
        "setup": json.loads(setup_json(setup, model_file=files.job.model.file)),
        "cells": tidy(cells),
        "height_step_mm": STEP_MM,
    }
    _lay_out(
        task,
        scene,
        [*_part(model.mesh, plan, setup, cells), _holders(plan, machine, setup)],
        plan,
        setup,
        machine,
        model.mended,
    )
    return {"decisions": len(plan.decisions), "cuts": len(plan.cuts)}


def made(task: Task, progress: Progress) -> dict[str, Any]:
    """Go the whole road for a job, write its results beside it, and lay out the page's view of them."""
    files, shop = _read(task)
    with told_by_line(files):
        result = make(files.job, files.model, shop, filled_first(progress))
    results = results_of(result, shop)
    contents = {**results_files(result, results, progress), **picture_files(result, results, progress)}
    write_results(files.out, contents, stale=is_ours, last="proof.json")
    return show_made(task, files, shop, result, progress)


def show_made(task: Task, files: JobFiles, shop: Shop, result: Made, progress: Progress) -> dict[str, Any]:
    """Lay out the page's view of a made job."""
    tools = tools_at_hand(files.job, shop, result.machine)
    case = case_of(files.job, result.programs, result.setup, result.machine, result.model, shop, tools)
    return _show(task, case, result.proof, result.plan, result.model.mended, progress)


def proved(task: Task, progress: Progress) -> dict[str, Any]:
    """Prove programs that stand in the job's folder, for the set-up that the job decides on."""
    files, shop = _read(task)
    paths = [Path(item) for item in task.given["programs"]]
    texts = tuple(ProgramFile(path.name, read_text(path, "program")) for path in paths)
    progress("read", 0.0)
    model = read(files.job, files.model, shop)
    progress("plan", 0.0)
    with told_by_line(files):
        plan, machine, tools = decide(files.job, model, shop)
    case = case_of(files.job, texts, set_up_of(files.job, plan, tools, machine), machine, model, shop, tools)
    return _show(task, case, prove_case(case, progress), plan, model.mended, progress)


def _show(task: Task, case: Case, proof: Proof, plan: Plan, mended: tuple[str, ...], progress: Progress) -> dict[str, Any]:
    course, _ = read_course(case, lambda stage, share: None)
    if len(course) == 0:
        raise BadInput("the program moves nothing", remedy="see its findings with: newel prove")
    assert case.model is not None
    mesh = Mesh(case.model[0], case.model[1].astype(np.int32))
    log, blank = scrub_log(course, case.setup, max(COARSE_PITCH_MM, proof.resolution_mm), progress)
    scene = scene_of(proof, case.setup, course, log, Path(task.job).name)
    scene["cut_rows"] = cut_rows(plan, course, case.programs)
    packs = [
        *_part(mesh, plan, case.setup, log.cells),
        _holders(plan, case.machine, case.setup),
        rows_pack(course, proof.removed_mm3),
        scrub_pack(log),
    ]
    if proof.measured is not None:
        packs.append(deviation_pack(proof.measured, log, blank))
    _lay_out(task, scene, packs, plan, case.setup, case.machine, mended)
    folder = Path(task.folder)
    for k, (_, text) in enumerate(case.programs):
        (folder / f"program-{k}.txt").write_text(text, encoding="utf-8")
    return {
        "verdict": str(proof.verdict),
        "programs": list(proof.programs),
        "findings": len(proof.findings),
        "time_min": tidy(proof.time_min),
        "load": tidy(proof.load),
        "deviation": {
            name: tidy(getattr(proof.deviation, name))
            for name in ("gouge_max_mm", "leftover_max_mm", "within_tolerance_pct", "unreachable_pct", "missed_pct")
        },
        "nearest_mm": tidy(min((item.mm for item in proof.approaches if np.isfinite(item.mm)), default=float("nan"))),
        "seal": proof.seal,
    }


def _lay_out(
    task: Task,
    scene: dict[str, Any],
    packs: list[Pack],
    plan: Plan,
    setup: SetUp,
    machine: Machine,
    mended: tuple[str, ...],
) -> None:
    folder = Path(task.folder)
    packs = [*packs, outline_pack(plan, setup), *([] if plan.reach is None else [reach_pack(plan.reach, setup)])]
    scene["arrays"] = {pack.name.removesuffix(".bin"): pack.table for pack in packs}
    scene["plan"] = {**json.loads(plan_json(plan)), **plan_facts(plan, setup)}
    scene["mended"] = list(mended)
    scene["machine"] = {"name": machine.name, "chuck_end": machine.chuck_end, "a_sense": machine.a.sense}
    for pack in packs:
        (folder / pack.name).write_bytes(pack.content())
    (folder / "scene.json").write_text(json.dumps(scene, ensure_ascii=False), encoding="utf-8")


def _holders(plan: Plan, machine: Machine, setup: SetUp) -> Pack:
    """Return jaws and centre as surfaces in the set-up's frame."""
    seen = as_seen(setup)
    groups = {"jaws": jaws_solids(machine.chuck, plan.bar, shown_mm=SHOWN_MM)}
    if plan.holding.tailstock is Tailstock.LIVE_CENTRE and machine.tailstock is not None:
        groups["centre"] = tailstock_solids(machine.tailstock, plan.bar.to_x_mm, shown_mm=SHOWN_MM)
    pack = Pack("holders.bin")
    for name, solids in groups.items():
        first = np.cumsum([0, *(len(solid.vertices_mm) for solid in solids)])
        pack.add(f"{name}_vertices", np.vstack([solid.vertices_mm * seen for solid in solids]).astype(np.float32))
        faces = np.vstack([solid.faces + base for solid, base in zip(solids, first)])
        pack.add(f"{name}_faces", faces.astype(np.uint32))
    return pack


def _part(mesh: Mesh, plan: Plan, setup: SetUp, cells: MapGrid) -> list[Pack]:
    """Return the part in its place in the bar, as surface and development (0: no part there), with the sides that reach it."""
    assert setup.bar_from_model is not None
    part = transformed(mesh, setup.bar_from_model)
    radii = radius_map(Surface(part.vertices, part.faces.astype("int64")), cells.from_x_mm, cells.to_x_mm)
    rows = ((np.arange(cells.na) + 0.5) / cells.na * radii.shape[0]).astype(int)
    columns = ((np.arange(cells.nx) + 0.5) / cells.nx * radii.shape[1]).astype(int)
    shown = np.nan_to_num(radii[np.ix_(rows, columns)])
    heights = np.rint(shown / STEP_MM)
    target = Pack("target.bin")
    target.add("part", np.clip(heights, 0, 32767).astype(np.int16))
    target.add("side", side_cells(plan.reach, setup, shown, cells))
    return [mesh_pack("part.bin", part.vertices, part.faces), target]


def _read(task: Task) -> tuple[JobFiles, Shop]:
    return read_job_files(Path(task.job)), read_shop(tuple(Path(item) for item in task.shop_files))
