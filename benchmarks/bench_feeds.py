"""What feeds that follow the force save, against one constant feed a cut of the same peak force, by the proof's own loads.

    python benchmarks/bench_feeds.py [finial] [bracket] [--resolution 0.2] [--bracket-in beech]

The scheduled program is proved, and the peak of the side force in every cut is taken from the proof's loads. For each cut the
one feed is then sought, by halving, at which those loads have the same peak; the program with these feeds is proved too. A
second figure compares the forces that all but the hardest hundredth of each cut's way keep to, lest a single hard place make
the constant feed look worse than it is.
"""

from __future__ import annotations

import argparse
import math
import re
from dataclasses import replace

from newel.app.kernel_cache import use_kernel_cache

use_kernel_cache("benchmarks")

import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

from newel.app.demo import BRACKET_JOB, FINIAL_JOB  # noqa: E402
from newel.app.demo_models import bracket, finial  # noqa: E402
from newel.app.job_file import read_job  # noqa: E402
from newel.core.job import ModelFiles, ProofAsk  # noqa: E402
from newel.core.motion import Motion, MoveKind, Toolpath  # noqa: E402
from newel.geometry.meshes import write_stl  # noqa: E402
from newel.mechanics.clock import toolpath_minutes  # noqa: E402
from newel.pipeline import Made, case_of, make, tools_at_hand, write  # noqa: E402
from newel.proof.limits import tip_way_mm  # noqa: E402
from newel.proof.load import load_of  # noqa: E402
from newel.proof.prove import Case, prove_case, read_course  # noqa: E402
from newel.proof.results import LoadSeries  # noqa: E402
from newel.shop.catalogue import Shop, load_shop, shipped_texts  # noqa: E402

JOBS = {"finial": (FINIAL_JOB, finial), "bracket": (BRACKET_JOB, bracket)}
NOT_SAID = re.compile(r"[^ -~]|[()]")  # what a comment of a program can't hold
HARD_SHARE = 0.01
LEAST_FEED, HALVINGS = 30.0, 9  # mm/min; nine halvings of the way up to 2,000 or 3,000 mm/min leave 1 %
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("names", nargs="*", default=list(JOBS))
    ask.add_argument("--resolution", type=float, default=0.2)
    ask.add_argument("--bracket-in", default="beech", metavar="MATERIAL")
    given = ask.parse_args()
    shop = load_shop(shipped_texts())
    for name in given.names:
        text, model = JOBS[name]
        text = text.replace('"beech"', f'"{given.bracket_in}"')
        job = replace(read_job(text, name=name, where=f"{name}.toml"), proof=ProofAsk(resolution_mm=given.resolution))
        compare(make(job, ModelFiles(write_stl(model()), "stl"), shop, quiet), shop)


def compare(made: Made, shop: Shop) -> None:
    """Print both comparisons of a made job."""
    scheduled = peaks(made, made.proof.load_series, made.proof.motion)
    print(f"{made.job.name}: scheduled {made.proof.verdict}, {made.proof.time_min:.1f} min")
    for k, told in enumerate(("same peak", f"same force but for the hardest {HARD_SHARE:.0%} of the way")):
        feeds = same_force(made, shop, scheduled[k], k)
        paths = at_feeds(made, feeds)
        proof = prove_case(case(replace(made, paths=paths), shop), quiet)
        again = peaks(made, proof.load_series, proof.motion)[k]
        slow = fast = 0.0
        for i, (cut, old, new) in enumerate(zip(made.plan.cuts, made.paths, paths, strict=True)):
            minutes, other = (toolpath_minutes(path, made.machine) for path in (old, new))
            fast, slow = fast + minutes, slow + other
            told_old = f"{minutes:.2f} min, {scheduled[k][i]:.1f} N"
            print(f"   {cut.name}: {told_old}; at {feeds[i]:.0f} mm/min {other:.2f} min, {again[i]:.1f} N")
        print(f"   {told}: {fast:.1f} min against {slow:.1f}, {1.0 - fast / slow:.1%} saved; constant {proof.verdict}")


def same_force(made: Made, shop: Shop, aim: Floats, which: int) -> Floats:
    """Return the constant feed of each cut at which its force by the proof's loads comes up to `aim`; nan where none cuts."""
    proof, machine = made.proof, made.machine
    top = min(machine.x.max_feed_mm_per_min, machine.y.max_feed_mm_per_min)
    low, high = np.full(len(aim), LEAST_FEED), np.full(len(aim), top)
    for _ in range(HALVINGS):
        middle = np.sqrt(low * high)
        one = case(replace(made, paths=at_feeds(made, np.where(aim > 0.0, middle, math.nan))), shop)
        course, _ = read_course(one, quiet)
        material = one.material
        _, _, series = load_of(course, proof.removed_mm3, proof.blank, one.setup, one.machine, material)
        over = peaks(made, series, course.motion)[which] > aim
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return np.where(aim > 0.0, low, math.nan)


def peaks(made: Made, series: LoadSeries | None, motion: Motion) -> tuple[Floats, Floats]:
    """Return the largest side force of each cut, N, and the largest but for the hardest HARD_SHARE of its way."""
    assert series is not None
    cut = np.searchsorted(cut_lines(made), motion.line[series.row], side="right") - 1
    begin = np.vstack([motion.start[None, :], motion.xyza[:-1]])
    ends = np.concatenate([[0.0], np.cumsum(np.nan_to_num(tip_way_mm(begin, motion.xyza)))])
    way = ends[series.last_row + 1] - ends[series.row]
    most, spared = np.zeros(len(made.plan.cuts)), np.zeros(len(made.plan.cuts))
    for k in np.unique(cut):
        force, long = series.force_N[cut == k], way[cut == k]
        order = np.argsort(-force)
        most[k] = force[order[0]]
        spared[k] = force[order][
            min(np.searchsorted(np.cumsum(long[order]) / long.sum(), HARD_SHARE, side="right"), len(force) - 1)
        ]
    return most, spared


def cut_lines(made: Made) -> Ints:
    """Return the line at which each cut begins: every cut has a comment of its own name, in order."""
    rows = made.programs[0].text.splitlines()
    lines, at = [], 0
    for cut in made.plan.cuts:
        said = NOT_SAID.sub(" ", cut.name)
        at = next(k for k in range(at, len(rows)) if rows[k] == f"({said})") + 1
        lines.append(at)
    return np.array(lines)


def at_feeds(made: Made, feeds: Floats) -> tuple[Toolpath, ...]:
    """Return the passes with one feed a cut; nan leaves a cut as it is."""
    return tuple(
        path
        if math.isnan(feed)
        else replace(path, feed_mm_per_min=np.where(path.kind == MoveKind.CUT, feed, path.feed_mm_per_min))
        for path, feed in zip(made.paths, feeds, strict=True)
    )


def case(made: Made, shop: Shop) -> Case:
    programs = write(made.job, made.plan, made.paths, made.setup, made.machine)
    tools = tools_at_hand(made.job, shop, made.machine)
    return case_of(made.job, programs, made.setup, made.machine, made.model, shop, tools)


def quiet(stage: str, share: float) -> None:
    pass


if __name__ == "__main__":
    main()
