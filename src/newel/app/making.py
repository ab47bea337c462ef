"""From files on disk to results on disk: what the commands make, prove and demo share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from pydantic import ValidationError

from newel.app.documents import ProofDocument, plan_json, proof_json, setup_json
from newel.app.inputs import JobFiles, read_bytes, read_text, text_of, told_by_line
from newel.app.result_names import is_ours
from newel.app.whole_files import write_results
from newel.core.errors import BadInput
from newel.core.plan import Plan
from newel.geometry.blank_surface import blank_mesh
from newel.geometry.meshes import Mesh as ModelMesh
from newel.geometry.meshes import transformed, write_stl
from newel.geometry.parallel import side_by_side
from newel.mechanics.clock import toolpath_minutes
from newel.pipeline import Made, case_of, decide, make, read, set_up_of
from newel.program.writer import ProgramFile
from newel.proof.prove import Case, prove_case
from newel.proof.results import Proof
from newel.proof.seal import what_changed
from newel.reports.results import CutResult, Mesh, Results
from newel.shop.catalogue import Shop
from newel.shop.machines import Machine

Progress = Callable[[str, float], None]

BLANK_MESH_MM = 0.3  # cells of blank-after.stl and of the picture: 400 000 triangles on a 40 mm bar, 150 mm long


def make_and_write(files: JobFiles, shop: Shop, out: Path, progress: Progress) -> Results:
    """Go the whole road for a job and write everything it makes into `out`."""
    with told_by_line(files):
        made = make(files.job, files.model, shop, progress)
    results = results_of(made, shop)
    contents = {**results_files(made, results, progress), **picture_files(made, results, progress)}
    write_results(out, contents, stale=is_ours, last="proof.json")
    return results


def results_files(made: Made, results: Results, progress: Progress) -> dict[str, bytes]:
    """Return every file of a made job but its pictures: its path in the folder, and its bytes."""
    from newel.reports.development import development_svg
    from newel.reports.sheet import sheet_pdf

    progress("report", 0.0)
    contents = {file.name: file.text.encode("utf-8") for file in made.programs}
    model_file = made.job.model.file
    if made.model.lines or made.model.spans_mm:
        # what was made is no longer what the model's file shows: the part as it was asked for goes with the program
        model_file, contents["part.stl"] = "part.stl", write_stl(made.model.mesh)
    contents["setup.json"] = setup_json(made.setup, model_file=model_file).encode()
    contents["plan.json"] = plan_json(made.plan).encode()
    contents["proof.json"] = proof_json(made.proof).encode()
    contents["development.svg"] = development_svg(results).encode()
    contents["sheet.pdf"] = sheet_pdf(results)
    if results.blank is not None:
        contents["blank-after.stl"] = write_stl(ModelMesh(results.blank.vertices_mm, results.blank.faces.astype("int32")))
    progress("report", 0.2)
    return contents


def picture_files(made: Made, results: Results, progress: Progress) -> dict[str, bytes]:
    """Return the pictures of a made job: of a small one they take most of the time."""
    from newel.reports.pictures import by_deviation, part_in_bar
    from newel.reports.reach_map import reach_picture

    drawn: dict[str, Callable[[], bytes]] = {}
    if made.proof.measured is not None:
        drawn["pictures/deviation.png"] = lambda: by_deviation(results)
    reach = made.plan.reach
    if reach is not None:
        drawn["pictures/reach.png"] = lambda: reach_picture(results.part, reach, made.job.name)
    drawn["pictures/part-in-bar.png"] = lambda: part_in_bar(results)
    pictures = dict(zip(drawn, side_by_side(list(drawn.values())), strict=True))
    progress("report", 1.0)
    return pictures


def results_of(made: Made, shop: Shop) -> Results:
    """Gather what reports print from what was made."""
    part = transformed(made.model.mesh, made.plan.placement.bar_from_model)
    return Results(
        job=made.job,
        plan=made.plan,
        setup=made.setup,
        machine=made.machine,
        material=shop.material(made.job.bar.material),
        cutters=tuple((number, shop.cutter(name)) for number, name in made.plan.cutters),
        part=Mesh(part.vertices, part.faces.astype("int64")),
        blank=Mesh(*blank_mesh(made.proof.blank, max(1, round(BLANK_MESH_MM / made.proof.resolution_mm)))),
        proof=made.proof,
        cuts=tuple(
            CutResult(cut, path, toolpath_minutes(path, made.machine))
            for cut, path in zip(made.plan.cuts, made.paths, strict=True)
        ),
        programs=tuple(file.name for file in made.programs),
        mended=made.model.mended,
    )


def plan_only(files: JobFiles, shop: Shop, progress: Progress) -> tuple[Plan, Machine]:
    """Decide everything about a job and make nothing."""
    progress("read", 0.0)
    model = read(files.job, files.model, shop)
    progress("plan", 0.0)
    with told_by_line(files):
        plan, machine, _ = decide(files.job, model, shop)
    return plan, machine


def prove_files(files: JobFiles, programs: tuple[Path, ...], out: Path | None, shop: Shop, progress: Progress) -> Proof:
    """Prove program files, run one after the other, for the set-up that the job decides on; write proof.json into `out`."""
    proof = prove_case(_case_of_files(files, programs, shop, progress), progress)
    if out is not None:
        write_results(out, {"proof.json": proof_json(proof).encode()}, stale=lambda name: False, last="proof.json")
    return proof


def _case_of_files(files: JobFiles, programs: tuple[Path, ...], shop: Shop, progress: Progress) -> Case:
    texts = tuple(ProgramFile(path.name, text_of(read_bytes(path, "program"), path, "program")) for path in programs)
    progress("read", 0.0)
    model = read(files.job, files.model, shop)
    progress("plan", 0.0)
    with told_by_line(files):
        plan, machine, tools = decide(files.job, model, shop)
    setup = set_up_of(files.job, plan, tools, machine)
    return case_of(files.job, texts, setup, machine, model, shop, tools)


def seal_still_fits(
    files: JobFiles, programs: tuple[Path, ...], folder: Path, shop: Shop, progress: Progress
) -> tuple[bool, str]:
    """Compare the seal in `folder`/proof.json with that of the programs, job, shop and Newel as they are now; proves nothing.

    Returns whether the seal fits a proof that said proved, and what to say about it.
    """
    path = folder / "proof.json"
    try:
        sealed = ProofDocument.model_validate_json(read_text(path, "proof"))
    except ValidationError as error:
        raise BadInput(
            f"this is not a proof: {error.errors()[0]['msg']}", where=str(path), remedy="let 'newel make' write it again"
        ) from None
    changed = what_changed(sealed.seal, _case_of_files(files, programs, shop, progress).seal())
    if changed:
        return False, f"the seal does not fit any more: changed since the proof: {', '.join(changed)}"
    if sealed.verdict != "proved":
        return False, "the seal fits, but the proof it belongs to says: not proved"
    return True, "the seal fits: nothing that the proof rests on has changed, and it says: proved"
