"""`newel demo`: the shipped job, made and proved in a folder of its own."""

from __future__ import annotations

from pathlib import Path

from newel.app.demo_models import finial
from newel.app.inputs import read_job_files
from newel.app.making import make_and_write
from newel.app.progress import ProgressLine
from newel.app.whole_files import write_results
from newel.geometry.meshes import write_stl
from newel.reports.summary import summary_text
from newel.shop.catalogue import Shop

FINIAL_JOB = """# A barley-twist finial with leaves for a garden bench, carved all round from a square bar of tooling board.
# What is not said here Newel decides, and explains: newel plan finial.toml.
format = 1
machine = "light benchtop mill"

[model]
file = "finial.stl"
unit = "mm"

[bar]
section = "square"
size_mm = 40
material = "medium tooling board"

[hold]
a_zero = "flat"  # a flat faces the spindle at A0

[finish]
tolerance_mm = 0.05
"""


def run_demo(out: Path, shop: Shop, progress: ProgressLine) -> tuple[str, str]:
    """Write the finial's model and job file into `out`, make and prove the job; return what to say and the verdict."""
    with progress:
        progress("read", 0.0)
        sources = {"finial.stl": write_stl(finial()), "finial.toml": FINIAL_JOB.encode()}
        write_results(out, sources, stale=lambda name: False)
        files = read_job_files(out / "finial.toml")
        results = make_and_write(files, shop, files.out, progress)
    text = summary_text(results, folder=str(files.out))
    return f"{text}\n  The job itself is {files.path}: change it and run 'newel make {files.path}'.", str(results.proof.verdict)
