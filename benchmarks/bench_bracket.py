"""The bracket from the model to the proof, and its sizes measured by rays on `blank-after.stl`: run with an output folder.

    python benchmarks/bench_bracket.py OUT [--material beech] [--resolution 0.1] [--bar square:40] [--step]

Tells minutes on the machine, seconds of every stage, verdict, and every pocket wall, bore, slot and bevel of the drawing.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np
import trimesh

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from bracket_rays import measure_bracket
from newel.app.demo import BRACKET_JOB
from newel.app.demo_models import bracket
from newel.app.inputs import read_job_files
from newel.app.making import make_and_write
from newel.geometry.meshes import write_stl
from newel.shop.catalogue import load_shop, shipped_texts


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("out", type=Path)
    ask.add_argument("--material", default="beech")
    ask.add_argument("--resolution", type=float, default=0.1)
    ask.add_argument("--bar", default="square:40", help="section:size")
    ask.add_argument("--step", action="store_true", help="from the exact faces of a STEP file instead of an STL mesh")
    given = ask.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    section, size = given.bar.split(":")
    text = BRACKET_JOB.replace('"beech"', f'"{given.material}"').replace('"square"', f'"{section}"')
    text = text.replace("size_mm = 40", f"size_mm = {size}") + f"\n[proof]\nresolution_mm = {given.resolution}\n"
    if given.step:
        from step_samples import bracket_shape, step_bytes

        text = text.replace("bracket.stl", "bracket.step")
        (given.out / "bracket.step").write_bytes(step_bytes(bracket_shape()))
    else:
        (given.out / "bracket.stl").write_bytes(write_stl(bracket()))
    (given.out / "bracket.toml").write_text(text)
    stages: dict[str, float] = {}
    last = [time.perf_counter(), "read"]

    def progress(stage: str, share: float) -> None:
        now = time.perf_counter()
        stages[str(last[1])] = stages.get(str(last[1]), 0.0) + now - float(last[0])
        last[0], last[1] = now, stage

    began, cpu = time.perf_counter(), time.process_time()
    files = read_job_files(given.out / "bracket.toml")
    results = make_and_write(files, load_shop(shipped_texts()), files.out, progress)
    print(f"whole job {time.perf_counter() - began:.1f} s, {time.process_time() - cpu:.1f} s of CPU")
    print(", ".join(f"{stage} {seconds:.1f} s" for stage, seconds in stages.items()))
    proof = results.proof
    d = proof.deviation
    print(f"{proof.verdict}; {proof.time_min:.1f} min on the machine; gouge {d.gouge_max_mm:.4f} mm")
    print(f"{d.within_tolerance_pct:.2f} % of the reachable surface within {d.tolerance_mm} mm")
    told = measured(files.out)
    for row in told:
        mark = "ok " if row.good else "BAD"
        print(f"{mark} {row.what}: {row.found_mm:.3f} mm, drawing {row.nominal_mm:.3f} ± {row.tolerance_mm:g}")
    print(f"{sum(row.good for row in told)} of {len(told)} sizes good")


def measured(out: Path):
    """Measure the blank of a results folder in the model's frame."""
    matrix = np.array(json.loads((out / "setup.json").read_text())["model"]["bar_from_model"])
    mesh = trimesh.load(out / "blank-after.stl", process=False)
    mesh.apply_transform(np.linalg.inv(matrix))
    return measure_bracket(mesh, 0.5)


if __name__ == "__main__":
    main()
