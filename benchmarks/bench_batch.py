"""Many small jobs: wall time on two workers against one, and whether every byte is the same.

    python benchmarks/bench_batch.py [--jobs 200]

A family of small turned knobs (a table of sizes, one job file as the pattern) goes through `newel batch --no-pictures` once on
two worker processes and once on one. A first job is made before, so that the kernels lie compiled in the cache for both.
"""

from __future__ import annotations

import argparse
import hashlib
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import trimesh

from newel.app.batch import run_batch, tasks_of
from newel.app.families import write_family
from newel.app.workers import on_this_machine

# Invented: a knob of Ø13 x 12 mm, as (x, radius) along its axis.
OUTLINE = ((0.0, 4.0), (3.0, 4.6), (5.0, 6.0), (7.5, 6.5), (10.0, 5.8), (12.0, 4.2))
PATTERN = """format = 1
machine = "light benchtop mill"
[model]
file = "knob.stl"
[bar]
section = "round"
size_mm = 20
material = "medium tooling board"
[finish]
rest = false
tolerance_mm = 0.15
cusp_mm = 0.1
[proof]
resolution_mm = 0.5
"""
SIDES = 96
SCALES = (0.8, 1.3)


def knob() -> trimesh.Trimesh:
    """Return the knob as a closed body of revolution about its own Z."""
    along = np.array([(0.0, OUTLINE[0][0]), *((radius, x) for x, radius in OUTLINE), (0.0, OUTLINE[-1][0])])
    return trimesh.creation.revolve(along, sections=SIDES)


def family(folder: Path, jobs: int) -> Path:
    """Write the model, the table, the pattern and one job file a row; return the folder of the jobs."""
    knob().export(folder / "knob.stl")
    rows = [f"knob-{k:03d},{scale:.4f}" for k, scale in enumerate(np.linspace(*SCALES, jobs))]
    (folder / "sizes.csv").write_text("\n".join(["name,model.scale", *rows]) + "\n")
    (folder / "like.toml").write_text(PATTERN)
    write_family(folder / "sizes.csv", folder / "like.toml", folder / "jobs", force=True)
    return folder / "jobs"


def processor_s() -> float:
    """Return the processor seconds that all ended child processes have used."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def batch(jobs: Path, out: Path, workers: int) -> tuple[float, float, dict[str, int]]:
    """Make all jobs; return wall time and the workers' processor time in seconds, and how many jobs came to which end."""
    begin, used = time.perf_counter(), processor_s()
    tasks, refused = tasks_of([jobs], [], pictures=False)
    made = run_batch(tasks, out, on_this_machine(workers), lambda row, done, of: None)
    ends = [row.end for row in (*made.rows, *refused)]
    return time.perf_counter() - begin, processor_s() - used, {end: ends.count(end) for end in sorted(set(ends))}


def digest(out: Path) -> dict[str, str]:
    """Return the fingerprint of every file that a batch wrote."""
    files = sorted(path for path in out.rglob("*") if path.is_file())
    return {str(path.relative_to(out)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=200)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="newel-bench-batch-") as kept:
        folder = Path(kept)
        jobs = family(folder, asked.jobs)
        only = folder / "only"
        only.mkdir()
        first = sorted(jobs.glob("*.toml"))[0]
        (only / first.name).write_text(first.read_text())
        print(f"one job before, kernels compiled where they were not: {batch(only, folder / 'warm', 1)[0]:.1f} s", flush=True)
        two, used, ends = batch(jobs, folder / "two", 2)
        each = f"{two / asked.jobs:.2f} s a job, {used / asked.jobs:.2f} s of processor"
        print(f"{asked.jobs} jobs on two workers: {two:.0f} s, {each}, {ends}", flush=True)
        one, used, ends = batch(jobs, folder / "one", 1)
        each = f"{one / asked.jobs:.2f} s a job, {used / asked.jobs:.2f} s of processor"
        print(f"{asked.jobs} jobs on one worker: {one:.0f} s, {each}, {ends}")
        same = digest(folder / "two") == digest(folder / "one")
        files = len(digest(folder / "one"))
        print(f"wall time {two / one:.2f} x; {files} files, {'the same bytes' if same else 'NOT the same bytes'}")


if __name__ == "__main__":
    main()
