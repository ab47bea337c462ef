"""Facing and clearing of the bracket's whole sides against the bound, and what feeds along every cut save: no proof.

    python benchmarks/bench_sides.py [--material beech]

The bound of a cut is the volume it removes (planner's blank) over ap times ae times feed; levels thinner than ap count as ap.
Constant: each cut at the one feed that its hardest stretch bears, by the same limits, so at the same peak force. Minutes are
the clock's for the demo's machine, and do not depend on what else runs here. Fixed model, no randomness.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from newel import pipeline
from newel.app.demo import BRACKET_JOB
from newel.app.demo_models import bracket
from newel.app.job_file import read_job
from newel.core.job import ModelFiles
from newel.core.motion import MoveKind
from newel.core.plan import CutKind
from newel.geometry.meshes import write_stl
from newel.mechanics.clock import toolpath_timed
from newel.shop.catalogue import load_shop, shipped_texts

CLEARING = (CutKind.FACE, CutKind.CLEAR)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--material", default="beech")
    given = ask.parse_args()
    shop = load_shop(shipped_texts())
    job = read_job(BRACKET_JOB.replace('"beech"', f'"{given.material}"'), name="bracket", where="bracket.toml")
    model = pipeline.read(job, ModelFiles(write_stl(bracket()), "stl", {}), shop)
    plan, machine, tools = pipeline.decide(job, model, shop)
    material = shop.material(given.material, where="--material")
    heard = {}

    def quiet(stage, share):
        pass

    def hear(cut, done):
        heard[cut.number] = done

    began = time.process_time()
    plan, paths = pipeline.cut(job, plan, model.mesh, machine, tools, quiet, material, hear)
    print(f"passes and feeds: {time.process_time() - began:.1f} s of processor")
    total = np.zeros(2)
    fed, at_one, rapids = 0.0, 0.0, 0.0
    for cut, path in zip(plan.cuts, paths, strict=True):
        timed = toolpath_timed(path, machine).minutes
        rapid = float(timed[path.kind == MoveKind.RAPID].sum())
        done = heard.get(cut.number)
        one = done.constant_minutes if done is not None else float(timed.sum())
        fed, at_one, rapids = fed + float(timed.sum()) - rapid, at_one + one - rapid, rapids + rapid
        line = f"{cut.number:2d} {cut.name:60s} {timed.sum():6.2f} min (one feed {one:6.2f})"
        if cut.kind in CLEARING and done is not None:
            bound = float(done.met.removed_mm3.sum()) / (cut.ap_mm * cut.ae_mm * cut.feed_mm_per_min)
            total += (timed.sum(), bound)
            kinds = " ".join(f"{kind.name.lower()} {timed[path.kind == kind].sum():.2f}" for kind in MoveKind)
            line += f" bound {bound:.2f}, {bound / timed.sum():.0%} of it: {kinds}"
        print(line)
    print(f"facing and clearing {total[0]:.2f} min, bound {total[1]:.2f}, {total[1] / total[0]:.0%}")
    saved = 1.0 - fed / at_one
    print(f"fed {fed:.2f} min, at one feed a cut of the same peak {at_one:.2f}: {saved:.0%} less; rapids {rapids:.2f}")


if __name__ == "__main__":
    main()
