"""`newel demo`: the shipped jobs, made and proved in a folder of their own."""

from __future__ import annotations

from pathlib import Path

from newel.app.demo_models import bracket, finial
from newel.app.inputs import read_job_files
from newel.app.kernel_cache import filled_first
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


BRACKET_JOB = """# A bracket of beech for a clock case, another job on each side: the bar is turned, clamped, cut, turned on.
# What is not said here Newel decides, and explains: newel plan bracket.toml.
format = 1
machine = "light benchtop mill"

[model]
file = "bracket.stl"
unit = "mm"

[bar]
section = "square"
size_mm = 40
material = "beech"

[bevel]
width_mm = 0.5  # across the flat of the bevel, on every sharp outside edge
"""


def run_demo(out: Path, shop: Shop, progress: ProgressLine) -> tuple[str, str]:
    """Write models and job files of finial and bracket into `out`, make and prove both; return what to say and the verdict."""
    told, verdicts = [], []
    with progress:
        progress("read", 0.0)
        sources = {
            "finial.stl": write_stl(finial()),
            "finial.toml": FINIAL_JOB.encode(),
            "bracket.stl": write_stl(bracket()),
            "bracket.toml": BRACKET_JOB.encode(),
        }
        write_results(out, sources, stale=lambda name: False)
        waiting = filled_first(progress)
        for name in ("finial", "bracket"):
            files = read_job_files(out / f"{name}.toml")
            results = make_and_write(files, shop, files.out, waiting)
            told.append(
                f"{summary_text(results, folder=str(files.out))}\n"
                f"  The job itself is {files.path}: change it and run 'newel make {files.path}'."
            )
            verdicts.append(str(results.proof.verdict))
    return "\n\n".join(told), next((verdict for verdict in verdicts if verdict != "proved"), "proved")
