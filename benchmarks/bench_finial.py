"""The whole job on the finial: seconds by stage, peak memory, and what the proof says.

    python benchmarks/bench_finial.py [--runs 2] [--resolution 0.1]

The first run compiles kernels where the cache is empty (cold); later ones are warm. Start with an empty cache by
setting NUMBA_CACHE_DIR to a new folder.
"""

from __future__ import annotations

import argparse
import resource
import time
from dataclasses import replace

from newel.app.kernel_cache import use_kernel_cache

use_kernel_cache("benchmarks")

START = time.perf_counter()

from newel.app.demo import FINIAL_JOB  # noqa: E402
from newel.app.demo_models import finial  # noqa: E402
from newel.app.job_file import read_job  # noqa: E402
from newel.app.making import picture_files, results_files, results_of  # noqa: E402
from newel.core.job import ModelFiles, ProofAsk  # noqa: E402
from newel.geometry.meshes import write_stl  # noqa: E402
from newel.pipeline import make  # noqa: E402
from newel.shop.catalogue import load_shop, shipped_texts  # noqa: E402


class Stages:
    """Wall and processor seconds by stage, from the calls of `progress`."""

    def __init__(self) -> None:
        """Begin with no stage."""
        self.seconds: dict[str, list[float]] = {}
        self.stage, self.wall, self.work = "", 0.0, 0.0

    def __call__(self, stage: str, share: float) -> None:
        """Book the time since the last stage began when a new one begins."""
        if stage == self.stage:
            return
        wall, work = time.perf_counter(), time.process_time()
        if self.stage:
            booked = self.seconds.setdefault(self.stage, [0.0, 0.0])
            booked[0] += wall - self.wall
            booked[1] += work - self.work
        self.stage, self.wall, self.work = stage, wall, work


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=2)
    parser.add_argument("--resolution", type=float, default=0.1)
    asked = parser.parse_args()
    print(f"imports {time.perf_counter() - START:.2f} s")
    shop = load_shop(shipped_texts())
    model = write_stl(finial())
    job = replace(read_job(FINIAL_JOB, name="finial", where="finial.toml"), proof=ProofAsk(resolution_mm=asked.resolution))
    for run in range(asked.runs):
        stages = Stages()
        begin = time.perf_counter()
        made = make(job, ModelFiles(model, "stl"), shop, stages)
        results = results_of(made, shop)
        files = results_files(made, results, stages) | picture_files(made, results, stages)
        stages("", 1.0)
        print(f"run {run + 1}: whole job {time.perf_counter() - begin:.1f} s")
        for stage, (wall, work) in stages.seconds.items():
            print(f"   {stage:22s} {wall:7.1f} s wall {work:7.1f} s of processor")
        proof = made.proof
        for cut, path in zip(made.plan.cuts, made.paths, strict=True):
            print(f"   {cut.name}, {cut.direction.value}: {len(path):,} moves")
        for cutter in proof.cutter_times:
            print(f"   {cutter.name}: {cutter.fed_min:.1f} min fed, {cutter.rapid_min:.1f} min rapid")
        print(f"   {proof.verdict.value}, {len(proof.findings)} findings, {proof.time_min:.1f} min on the machine")
        found = proof.deviation
        print(
            f"   gouge {found.gouge_max_mm:.4f} mm, left-over {found.leftover_max_mm:.3f} mm, within {found.tolerance_mm} mm: "
            f"{found.within_tolerance_pct:.3f} % of the reachable surface, unreachable {found.unreachable_pct:.2f} %"
        )
        print(f"   files: {sum(len(content) for content in files.values()) / 1e6:.1f} MB")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
