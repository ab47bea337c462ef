"""What feeds that follow the force save, against one constant feed a cut of the same peak force, by the proof's own loads.

    python benchmarks/bench_feeds.py [finial] [bracket] [--resolution 0.2]

The scheduled program is proved, and the peak of the side force in every cut is taken from its loads. Each cut is then written
again with the one feed at which its hardest stretch would come to that peak (force grows with feed to the power 1 - mc,
Kienzle), and that program is proved too: its peaks say whether the comparison was fair. A second figure leaves out the
hardest hundredth of each cut's way, lest a single hard place make the constant feed look worse than it is.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

from newel.app.kernel_cache import use_kernel_cache

use_kernel_cache("benchmarks")

import numpy as np  # noqa: E402

from newel.app.demo import BRACKET_JOB, FINIAL_JOB  # noqa: E402
from newel.app.demo_models import bracket, finial  # noqa: E402
from newel.app.job_file import read_job  # noqa: E402
from newel.core.job import ModelFiles, ProofAsk  # noqa: E402
from newel.core.motion import MoveKind  # noqa: E402
from newel.geometry.meshes import write_stl  # noqa: E402
from newel.mechanics.clock import toolpath_minutes  # noqa: E402
from newel.pipeline import Made, case_of, make, tools_at_hand, write  # noqa: E402
from newel.proof.limits import tip_way_mm  # noqa: E402
from newel.proof.prove import prove_case  # noqa: E402
from newel.proof.results import Proof  # noqa: E402
from newel.shop.catalogue import Shop, load_shop, shipped_texts  # noqa: E402

JOBS = {"finial": (FINIAL_JOB, finial), "bracket": (BRACKET_JOB, bracket)}
HARD_SHARE = 0.01


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("names", nargs="*", default=list(JOBS))
    ask.add_argument("--resolution", type=float, default=0.2)
    given = ask.parse_args()
    shop = load_shop(shipped_texts())
    for name in given.names:
        text, model = JOBS[name]
        job = replace(read_job(text, name=name, where=f"{name}.toml"), proof=ProofAsk(resolution_mm=given.resolution))
        compare(make(job, ModelFiles(write_stl(model()), "stl"), shop, quiet), shop)


def compare(made: Made, shop: Shop) -> None:
    scheduled = seen(made, made.proof)
    mc = shop.material(made.job.bar.material).mc
    print(f"{made.job.name}: scheduled {made.proof.verdict}, {made.proof.time_min:.1f} min")
    for spared, told in ((0.0, "same peak"), (HARD_SHARE, f"same peak but for the hardest {HARD_SHARE:.0%} of the way")):
        feeds = [constant_feed(loads, mc, spared) for loads in scheduled]
        paths = [at_feed(path, feed) for path, feed in zip(made.paths, feeds, strict=True)]
        proof = proved_again(replace(made, paths=tuple(paths)), shop)
        again = seen(made, proof)
        slow = fast = 0.0
        for cut, old, new, before, after, feed in zip(made.plan.cuts, made.paths, paths, scheduled, again, feeds, strict=True):
            minutes, other = (toolpath_minutes(path, made.machine) for path in (old, new))
            fast, slow = fast + minutes, slow + other
            if spared == 0.0 or len(made.plan.cuts) < 10:
                print(
                    f"   {cut.name}: {minutes:.2f} min, peak {peak(before):.1f} N; at {feed:.0f} mm/min {other:.2f} min, "
                    f"peak {peak(after):.1f} N"
                )
        print(f"   {told}: {fast:.1f} min against {slow:.1f}, {1.0 - fast / slow:.1%} saved; constant {proof.verdict}")


def seen(made: Made, proof: Proof) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Return of each cut its stretches' side force N, feed mm/min over the work and way mm."""
    series, line = proof.load_series, proof.motion.line
    assert series is not None
    starts = cut_lines(made)
    cut = np.searchsorted(starts, line[series.row], side="right") - 1
    begin = np.vstack([proof.motion.start[None, :], proof.motion.xyza[:-1]])
    way = np.nan_to_num(tip_way_mm(begin, proof.motion.xyza))
    long = np.add.reduceat(way, series.row) if len(series.row) else way
    ends = np.concatenate([[0.0], np.cumsum(way)])
    spent = np.concatenate([[0.0], np.cumsum(np.nan_to_num(proof.motion.minutes))])
    long = ends[series.last_row + 1] - ends[series.row]
    feed = long / np.maximum(spent[series.last_row + 1] - spent[series.row], 1e-12)
    return [(series.force_N[cut == k], feed[cut == k], long[cut == k]) for k in range(len(made.plan.cuts))]


def cut_lines(made: Made) -> np.ndarray:
    """Return the line at which each cut begins: every cut has a comment of its own name, in order."""
    rows = made.programs[0].text.splitlines()
    lines, at = [], 0
    for cut in made.plan.cuts:
        at = next(k for k in range(at, len(rows)) if rows[k] == f"({cut.name})") + 1
        lines.append(at)
    return np.array(lines)


def peak(loads: tuple[np.ndarray, np.ndarray, np.ndarray]) -> float:
    return float(loads[0].max(initial=0.0))


def constant_feed(loads: tuple[np.ndarray, np.ndarray, np.ndarray], mc: float, spared: float) -> float:
    """Return the feed at which no stretch, but `spared` of the way, comes over the peak; nan where the cut shows no load."""
    force, feed, long = loads
    if not len(force) or peak(loads) <= 0.0:
        return math.nan
    may = feed * (peak(loads) / np.maximum(force, 1e-6)) ** (1.0 / (1.0 - mc))
    order = np.argsort(may)
    gone = np.cumsum(long[order]) / long.sum()
    return float(may[order][np.searchsorted(gone, spared, side="right").clip(max=len(may) - 1)])


def at_feed(path, feed: float):
    cuts = path.kind == MoveKind.CUT
    return path if math.isnan(feed) else replace(path, feed_mm_per_min=np.where(cuts, feed, path.feed_mm_per_min))


def proved_again(made: Made, shop: Shop) -> Proof:
    programs = write(made.job, made.plan, made.paths, made.setup, made.machine)
    tools = tools_at_hand(made.job, shop, made.machine)
    return prove_case(case_of(made.job, programs, made.setup, made.machine, made.model, shop, tools), quiet)


def quiet(stage: str, share: float) -> None:
    pass


if __name__ == "__main__":
    main()
