"""Six ways of writing one job: each is made, proved and measured, and must leave the same part.

    python benchmarks/bench_six_programs.py [--resolution 0.1]

The finial as it ships; A's sense reversed; the chuck at the other end; inch output; wrapped A; units per minute. Prints for
each the verdict, the volume left, gouge, left-over and share within tolerance, and the programs' sizes.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

from newel.app.kernel_cache import use_kernel_cache

use_kernel_cache("benchmarks")

from newel.app.demo import FINIAL_JOB  # noqa: E402
from newel.app.demo_models import finial  # noqa: E402
from newel.app.job_file import read_job  # noqa: E402
from newel.core.job import FeedWords, Job, ModelFiles, ProofAsk, TurnStyle  # noqa: E402
from newel.geometry.blank import volume_mm3  # noqa: E402
from newel.geometry.meshes import write_stl  # noqa: E402
from newel.pipeline import make  # noqa: E402
from newel.shop.catalogue import Shop, load_shop, shipped_texts  # noqa: E402


def other_machine(shop: Shop, name: str, **changes: object) -> Shop:
    """Return the shop with one machine changed."""
    return replace(shop, machines={**shop.machines, name: replace(shop.machines[name], **changes)})


def ways(job: Job, shop: Shop) -> dict[str, tuple[Job, Shop]]:
    """Return the six ways: a job and a shop each."""
    machine = shop.machines[job.machine]
    jaw = machine.jaw_face_on_axis_mm
    far = (machine.x.from_mm + machine.x.to_mm - jaw[0], jaw[1], jaw[2])

    def written(**changes: object) -> Job:
        return replace(job, program=replace(job.program, **changes))

    return {
        "as shipped (inverse time, growing A, mm)": (written(feed_words=FeedWords.INVERSE_TIME), shop),
        "A's sense reversed": (job, other_machine(shop, job.machine, a=replace(machine.a, sense=-machine.a.sense))),
        "chuck at the other end": (job, other_machine(shop, job.machine, chuck_end="right", jaw_face_on_axis_mm=far)),
        "inch": (written(units="inch"), shop),
        "wrapped A": (written(turn_style=TurnStyle.WRAPPED), shop),
        "units per minute": (written(feed_words=FeedWords.PER_MINUTE), shop),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--resolution", type=float, default=0.1)
    asked = parser.parse_args()
    shop = load_shop(shipped_texts())
    job = replace(read_job(FINIAL_JOB, name="finial", where="finial.toml"), proof=ProofAsk(resolution_mm=asked.resolution))
    model = write_stl(finial())
    for name, (way, bench) in ways(job, shop).items():
        made = make(way, ModelFiles(model, "stl"), bench, lambda stage, share: None)
        proof, found = made.proof, made.proof.deviation
        print(
            f"{name:42s} {proof.verdict.value:11s} left {volume_mm3(proof.blank):10.1f} mm3  gouge {found.gouge_max_mm:.4f}  "
            f"left-over {found.leftover_max_mm:.3f} mm  within {found.within_tolerance_pct:.3f} %  {proof.time_min:.2f} min  "
            f"{sum(len(file.text) for file in made.programs) / 1e6:.2f} MB",
            flush=True,
        )


if __name__ == "__main__":
    main()
